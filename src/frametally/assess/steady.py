"""A steady time, a heat input and a volume to the air change that balances the oxygen: only for appliances without a flue."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.atmosphere import OXYGEN_SHARE
from frametally.assess.burners import find_burners
from frametally.assess.exposure import Bounded
from frametally.assess.fuels import burn
from frametally.assess.heat import hourly_use
from frametally.assess.implied import find_loss
from frametally.assess.phases import find_phases
from frametally.assess.signals import burning_span
from frametally.assess.study import Study
from frametally.model import Trial

LEAST_STEADY_MIN = 45.0
"""Shortest steady time whose balance is taken (own choice)."""


@dataclass(frozen=True)
class SteadyChange:
    """An air change from the oxygen balance of a steady time: oxygen missing [points], oxygen used [L/h], result [per hour]."""

    start_min: float
    stop_min: float
    loss: Bounded
    litres_per_h: Bounded
    per_h: Bounded
    source: str


def steady_air_change(litres_per_h: float, volume_m3: float, loss_pct: float, co2_per_o2: float) -> float:
    """Give the air change at which a constant use of oxygen holds the room's dry air at a constant loss. [per hour]

    A = use (1 + x (r - 1)) / (V loss): taking oxygen and giving CO2 changes the amount of air, which the bracket allows for.
    """
    return litres_per_h * (1 + OXYGEN_SHARE * (co2_per_o2 - 1)) / (1000 * volume_m3 * loss_pct / 100)


def find_steady_change(studies: Sequence[Study], trial: Trial | None) -> SteadyChange | None:
    """Give the balance of the longest steady time with the appliance alight; None where a fact for it is missing."""
    volume = trial.space.volume_m3 if trial else None
    burners = find_burners(trial)
    loss = find_loss(studies, trial)
    if volume is None or loss is None or burners.unknown or burners.is_silent or not burners.known:
        return None
    if any(one.flue is not False or one.heat_input_kw is None for one, _ in burners.known):
        return None
    course = find_phases(loss.minutes, loss.middle, loss.signal.half_step())
    on, off = burning_span(loss.signal.timeline, trial)
    holds = (
        []
        if course is None
        else [
            (max(p.start_min, on if on is not None else p.start_min), min(p.stop_min, off if off is not None else p.stop_min))
            for p in course.phases
            if p.name == "steady"
        ]
    )
    holds = [(a, b) for a, b in holds if b - a >= LEAST_STEADY_MIN]
    if not holds:
        return None
    start, stop = max(holds, key=lambda pair: pair[1] - pair[0])
    inside = (loss.minutes >= start) & (loss.minutes <= stop)
    missing = Bounded(*(float(np.mean(v[inside])) for v in (loss.least, loss.middle, loss.most)))
    if missing.middle <= loss.tolerance / 2:
        return None
    uses = []
    for one, fuel in burners.known:
        bases = (one.heat_basis,) if one.heat_basis else ("gross", "net")
        uses.append([hourly_use(fuel, float(one.heat_input_kw or 0), basis).oxygen_l for basis in bases])
    least, most = sum(min(u) for u in uses), sum(max(u) for u in uses)
    use = Bounded(least, (least + most) / 2, most)
    ratio = burn(burners.known[0][1].usual).co2_per_o2
    per_h = Bounded(
        steady_air_change(use.lower, volume, missing.upper, ratio),
        steady_air_change(use.middle, volume, missing.middle, ratio),
        steady_air_change(use.upper, volume, missing.lower, ratio) if missing.lower > 0 else math.inf,
    )
    return SteadyChange(start, stop, missing, use, per_h, burners.known[0][1].source)
