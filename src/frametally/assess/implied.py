"""An oxygen display to the oxygen that burning and breathing took, and that to the carbon dioxide nobody metered.

Reckoned in dry air, so that water vapour neither hides nor feigns a drop, and against the meter's own reading in fresh air,
so that its zero error cancels. In a room that fresh air keeps flushing, both gases thin out alike; with x the share of oxygen
outdoors and r the moles of CO2 made per mole of oxygen, CO2 gained = oxygen lost x r / (1 + x (r - 1)) in dry air, because the
burning itself changes the amount of gas. Each figure comes with the least and the most that the stated errors allow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from frametally.assess.atmosphere import OXYGEN_SHARE, find_site
from frametally.assess.climate import Climate, pair_climates
from frametally.assess.exposure import Bounded, build_curve, worst_window
from frametally.assess.samples import Floats, State
from frametally.assess.signals import Signal, interpolate, lead_signal
from frametally.assess.study import Study
from frametally.model import Trial

BREATHING_RATIO = 0.85
"""Moles of CO2 breathed out per mole of oxygen used (Persily and de Jonge 2017; from memory)."""

IMPLIED_SOURCE = "Carbon dioxide from missing oxygen: elements balanced, dry air, one well-mixed room (own derivation)"

OUTDOOR_CO2_PPM = 420.0
"""Carbon dioxide outdoors where the trial does not state it: today's clean air (common practice, no source)."""

NOMINAL_FRESH_PCT = 20.9
MOST_WATER_PCT = 0.4
"""Points of oxygen that rising humidity can hide in a night where nobody measured it (2.2 g to 14 g of water in a kg of air)."""

SEA_LEVEL_HPA = 1013.25


@dataclass(frozen=True)
class OxygenLoss:
    """Oxygen missing from the room's dry air over time. [points of %]

    `fresh` is the reading taken for fresh air, `is_fresh_shown` False where the display never showed one and 20.9 stands in.
    """

    signal: Signal
    minutes: Floats
    least: Floats
    middle: Floats
    most: Floats
    fresh: float
    is_fresh_shown: bool
    climate: Climate | None
    pressure_hpa: float
    is_pressure_known: bool
    tolerance: float
    is_tolerance_stated: bool

    @property
    def at_worst(self) -> int:
        """Place of the largest loss."""
        return int(np.argmax(self.middle))


def find_loss(studies: Sequence[Study], trial: Trial | None) -> OxygenLoss | None:
    """Give the oxygen missing from the room, moment by moment; None without a usable oxygen display."""
    signal = lead_signal(studies, "o2_pct")
    if signal is None or len(signal.minutes) < 3:
        return None
    top = float(np.sort(signal.values)[-3])
    shown = 20.4 <= top <= 21.6
    fresh = top if shown else NOMINAL_FRESH_PCT
    site = find_site(trial)
    pressure = site.pressure_hpa if site else SEA_LEVEL_HPA
    climates = pair_climates(studies)
    climate = climates[0] if climates and len(climates[0].rows) >= 3 else None
    stated = signal.facts.tolerance_at(fresh)
    tolerance = stated if stated is not None else 2 * signal.half_step()
    minutes, values = signal.minutes, signal.values
    if climate is None:
        middle = fresh - values
        least = middle - tolerance - MOST_WATER_PCT
    else:
        share = _vapour_share(climate, minutes, pressure)
        known = np.isfinite(share)
        minutes, values, share = minutes[known], values[known], share[known]
        if len(minutes) < 3:
            return None
        at_fresh = share[values >= top - 1e-9]
        dry_fresh = fresh / (1 - (float(np.median(at_fresh)) if at_fresh.size else float(share[0])))
        middle = 100 * OXYGEN_SHARE * (1 - values / (1 - share) / dry_fresh)
        least = middle - tolerance
    most = middle + max(NOMINAL_FRESH_PCT - fresh, 0.0) + tolerance
    return OxygenLoss(
        signal,
        minutes,
        np.maximum(least, 0),
        np.maximum(middle, 0),
        np.maximum(most, 0),
        fresh,
        shown,
        climate,
        pressure,
        site is not None,
        tolerance,
        stated is not None,
    )


def _vapour_share(climate: Climate, minutes: Floats, pressure_hpa: float) -> Floats:
    """Share of the air that is water vapour, on other moments; NaN where the humidity is not known."""
    humid = Signal(climate.humidity, climate.elapsed_min, climate.vapour_pa / (100 * pressure_hpa))
    return interpolate(humid, minutes)


def gained_per_lost(ratio: float) -> float:
    """Give the CO2 gained per oxygen lost, both as shares of dry air, from the moles made per mole used."""
    return ratio / (1 + OXYGEN_SHARE * (ratio - 1))


@dataclass(frozen=True)
class ImpliedCO2:
    """Carbon dioxide that the missing oxygen implies, in ppm of dry air; `middle` is NaN where the fuel is not known."""

    loss: OxygenLoss
    least: Floats
    middle: Floats
    most: Floats
    outdoor_ppm: float
    is_outdoor_stated: bool


def imply_co2(loss: OxygenLoss, ratios: tuple[float, float, float], co: Signal | None, outdoor_ppm: float | None) -> ImpliedCO2:
    """Give the CO2 for a least, usual and most ratio of CO2 made to oxygen used (NaN in the middle: not known).

    Carbon that burnt to carbon monoxide is no CO2 and took half the oxygen: middle and least value allow for it where CO was
    measured; the most does not subtract it.
    """
    outdoor = OUTDOOR_CO2_PPM if outdoor_ppm is None else outdoor_ppm
    monoxide = np.zeros(len(loss.minutes)) if co is None else np.nan_to_num(np.maximum(interpolate(co, loss.minutes), 0))
    low, usual, high = (gained_per_lost(r) for r in ratios)
    least = np.maximum(low * (1e4 * loss.least + monoxide / 2) - monoxide, 0) + outdoor
    middle = np.maximum(usual * (1e4 * loss.middle + monoxide / 2) - monoxide, 0) + outdoor
    most = high * (1e4 * loss.most + monoxide / 2) + outdoor
    return ImpliedCO2(loss, least, np.clip(middle, least, most), most, outdoor, outdoor_ppm is not None)


def hold_against(implied: ImpliedCO2, averaging_min: float | None) -> Bounded:
    """Give the worst average over a time, or the highest moment where there is no time, with bounds. [ppm]"""
    if averaging_min is None:
        middle = implied.middle[implied.loss.at_worst]
        return Bounded(float(implied.least.max()), float(middle), float(implied.most.max()))
    lower, middle, upper = (_window(implied, series, averaging_min) for series in (implied.least, implied.middle, implied.most))
    if lower is None or upper is None:
        return Bounded(0.0, math.nan, math.inf)
    return Bounded(lower.lower, middle.middle if middle is not None else math.nan, upper.upper)


def _window(implied: ImpliedCO2, series: Floats, averaging_min: float) -> Bounded | None:
    """The worst average of one course, by the same rules for gaps as any display's."""
    if not np.isfinite(series).all():
        return None
    study = implied.loss.signal.study
    values = np.full(len(study.samples.values), math.nan)
    rows = np.searchsorted(study.timeline.elapsed_min[: study.timeline.timed], implied.loss.minutes)
    values[rows] = series
    states = np.where(np.isfinite(values), State.SETTLED, State.GAP).astype(np.int8)
    facts = replace(study.facts, key="co2_ppm", quantity="carbon dioxide", unit="ppm", range=None, accuracy=None)
    nowhere = np.zeros(len(values), dtype=bool)
    samples = replace(
        study.samples,
        facts=facts,
        values=values,
        states=states,
        top=float(series.max()),
        bottom=float(series.min()),
        floor=0.0,
        ceiling=float(series.max()),
        over_nearby=nowhere,
        under_nearby=nowhere,
    )
    window = worst_window(build_curve(study.timeline, samples), averaging_min)
    return None if window is None else window.bounds
