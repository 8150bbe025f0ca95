"""The trial and the course of the night to the stretches of constant source, and to the courses that an air change is fitted to.

A regime is a time between two openings or shuttings that the trial notes: within it one air change is looked for. Inside it the
source changes only when the appliance is lit or put out by the trial, or, where the trial does not say, where the readings turn.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from frametally.assess.atmosphere import OXYGEN_SHARE
from frametally.assess.balance import Course, Stretch
from frametally.assess.climate import pair_climates
from frametally.assess.implied import OUTDOOR_CO2_PPM
from frametally.assess.phases import find_phases
from frametally.assess.psychrometrics import humidity_ratio
from frametally.assess.samples import Floats
from frametally.assess.signals import Signal, air_events, burning_span, in_kinds_unit, lead_signal, smooth, thin
from frametally.assess.study import Study
from frametally.assess.zonefit import LEAST_POINTS, MOST_POINTS
from frametally.model import Trial

SETTLING_MIN = 10.0
"""After a change of the vents the first minutes are left out: people go through doors, and meters lag (own choice)."""


OUTDOOR_CO2_SPREAD_PPM = 50.0
"""How far carbon dioxide outdoors may lie from the usual where the trial does not state it (own choice). [ppm]"""

OUTDOOR_O2_SPREAD = 0.3
"""How far a display of oxygen may stand from 20.95 % outdoors: moist air, and its own zero (own choice). [points]"""


@dataclass(frozen=True)
class Regime:
    """One time with one air change to find: its ends [min], in words, and whether the source's switching is known."""

    start_min: float
    stop_min: float
    words: str
    is_opened: bool
    stretches: tuple[Stretch, ...]
    is_source_known: bool


@dataclass(frozen=True)
class Gas:
    """One signal of the mass balance with what is known of its outdoor level: ppm or %, water in g/kg; `scale` is what one of the
    display's own unit is in that."""

    key: str
    kind: str
    signal: Signal
    half_step: float
    outdoor: float | None
    outdoor_sd: float
    scale: float = 1.0


def find_gases(studies: Sequence[Study], trial: Trial | None) -> list[Gas]:
    """Give the gases that carry the balance: carbon monoxide first, then carbon dioxide and oxygen."""
    outdoor = trial.outdoor if trial else None
    gases = []
    for kind, stated, usual, spread in (
        ("co_ppm", outdoor.co_ppm if outdoor else None, 0.0, 0.0),
        ("co2_ppm", outdoor.co2_ppm if outdoor else None, OUTDOOR_CO2_PPM, OUTDOOR_CO2_SPREAD_PPM),
        ("o2_pct", None, 100 * OXYGEN_SHARE, OUTDOOR_O2_SPREAD),
    ):
        shown = lead_signal(studies, kind)
        if shown is None:
            continue
        signal, scale = in_kinds_unit(shown)
        level, half_step = usual if stated is None else stated, scale * shown.half_step()
        # A meter shows outdoor air no better than to its own stated error.
        error = scale * (signal.facts.tolerance_at(level / scale) or 0.0)
        slack = max(error, 2 * half_step, spread if stated is None else 0.0, 1e-6)
        gases.append(Gas(signal.facts.key, kind, signal, half_step, level, slack, scale))
    return gases


def find_water(studies: Sequence[Study], pressure_hpa: float) -> Gas | None:
    """Give the water vapour of the room; None where it is not told."""
    climates = pair_climates(studies)
    if not climates or len(climates[0].rows) < LEAST_POINTS:
        return None
    one = climates[0]
    water = np.asarray(humidity_ratio(one.vapour_pa, pressure_hpa))
    # One step of the humidity display, as water: a whole per cent where it is not stated.
    step = float(np.median(water / np.maximum(one.rh_pct, 1))) * (one.humidity.facts.resolution or 1.0)
    return Gas("water", "water", Signal(one.humidity, one.elapsed_min, water), step / 2, None, 1.0)


def find_regimes(lead: Signal, trial: Trial | None) -> list[Regime]:
    """Cut the night at the trial's openings and shuttings, and each part at the changes of the source."""
    first, last = float(lead.minutes[0]), float(lead.minutes[-1])
    events = [(m, what, opened) for m, what, opened in air_events(lead.timeline, trial) if first < m < last]
    cuts = [first, *(m for m, _, _ in events), last]
    on, off = burning_span(lead.timeline, trial)
    regimes = []
    for place, (start, stop) in enumerate(itertools.pairwise(cuts)):
        what = events[place - 1] if place else None
        begin = start if what is None else start + min(SETTLING_MIN, (stop - start) / 10)
        words = f'after "{what[1]}"' if what else f'until "{events[0][1]}"' if events else "over the whole night"
        stretches, known = _cut_sources(begin, stop, on, off)
        regimes.append(Regime(begin, stop, words, bool(what and what[2]), stretches, known))
    return regimes


def _cut_sources(start: float, stop: float, on: float | None, off: float | None) -> tuple[tuple[Stretch, ...], bool]:
    """Stretches by the trial's switching; "known" where the trial says when the appliance was lit and put out."""
    marks = sorted({start, stop, *(m for m in (on, off) if m is not None and start < m < stop)})
    stretches = []
    for a, b in itertools.pairwise(marks):
        is_off = (on is not None and b <= on) or (off is not None and a >= off)
        stretches.append(Stretch(a, b, is_off))
    return tuple(stretches), on is not None and off is not None


def turned_regime(regime: Regime, lead: Signal) -> Regime | None:
    """Cut a regime where the readings turn as well; None where they do not turn inside a time with a source."""
    inside = (lead.minutes >= regime.start_min) & (lead.minutes <= regime.stop_min)
    course = find_phases(lead.minutes[inside], lead.values[inside], lead.half_step())
    if course is None:
        return None
    turns = [
        p.stop_min
        for p, q in zip(course.phases, course.phases[1:], strict=False)
        if (p.name == "rise" and q.name != "rise") or (q.name == "rise" and p.name != "rise")
    ]
    stretches: list[Stretch] = []
    for stretch in regime.stretches:
        marks = [m for m in turns if stretch.start_min + 5 < m < stretch.stop_min - 5] if not stretch.is_off else []
        ends = [stretch.start_min, *marks, stretch.stop_min]
        stretches += [Stretch(a, b, stretch.is_off) for a, b in itertools.pairwise(ends)]
    return replace(regime, stretches=tuple(stretches)) if len(stretches) > len(regime.stretches) else None


def build_courses(
    gases: Sequence[Gas],
    regime: Regime,
    bursts: Sequence[tuple[float, float]] = (),
    warmth: Callable[[Floats], Floats] | None = None,
) -> list[Course]:
    """Give the courses of a regime: each gas over each unbroken time, bursts taken out, long ones thinned.

    `warmth` gives the room's absolute temperature at some minutes; None where it stayed.
    """
    courses = []
    for gas in gases:
        minutes, values = gas.signal.minutes, gas.signal.values
        for start, stop in _unbroken(regime, bursts):
            inside = (minutes >= start) & (minutes <= stop)
            if inside.sum() < LEAST_POINTS:
                continue
            times, levels = thin(minutes[inside], values[inside], MOST_POINTS)
            stretches = _clip(regime.stretches, float(times[0]), float(times[-1]))
            if stretches:
                warm = None if warmth is None else warmth(times) / float(warmth(times).mean())
                courses.append(Course(gas.key, times, levels, stretches, gas.half_step, gas.outdoor, gas.outdoor_sd, warm))
    return courses


def _unbroken(regime: Regime, bursts: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The parts of a regime between bursts, which tell how a cloud of smoke spreads in the room, not how air leaves it."""
    edges = [regime.start_min]
    for start, stop in sorted(bursts):
        if start < regime.stop_min and stop > regime.start_min:
            edges += [start, stop]
    edges.append(regime.stop_min)
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]


def _clip(stretches: Sequence[Stretch], start: float, stop: float) -> tuple[Stretch, ...]:
    inside = [(max(s.start_min, start), min(s.stop_min, stop), s.is_off) for s in stretches]
    return tuple(Stretch(a, b, off) for a, b, off in inside if b - a > 1e-9)


def find_bursts_of(gases: Sequence[Gas]) -> list[tuple[float, float]]:
    """Give the bursts of the leading gas as (start, stop) [min], with as long again behind them for the room to mix."""
    if not gases:
        return []
    lead = gases[0].signal
    course = find_phases(lead.minutes, lead.values, gases[0].half_step)
    return [(b.start_min, b.stop_min + (b.stop_min - b.start_min)) for b in course.bursts] if course else []


def mean_excess(minutes: Floats, values: Floats, outdoor: float) -> float:
    """Give the time-weighted mean of a course above a level, single strays taken out."""
    calm = smooth(values, 3) - outdoor
    length = np.diff(minutes)
    return float(((calm[1:] + calm[:-1]) / 2 * length).sum() / length.sum()) if length.sum() > 0 else float(calm.mean())
