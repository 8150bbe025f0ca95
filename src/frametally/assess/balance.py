"""The single-zone mass balance of one well-mixed room: what a gas does, and what multiplies the unknowns of a fit to it.

The air change A is the volume of fresh air that comes in, taken at the room's own temperature, over the volume of the room.
With mole fractions C, the room's moles N = P V / (R T) (ideal gas) and a source of S moles an hour, the moles of the gas follow
d(N C)/dt = A N C_outdoors - (A N - dN/dt) C + S: air that expands leaves at the room's own fraction. That leaves
dC/dt = -A (C - C_outdoors) + S / N, so warming thins nothing, but a constant source tells more, in proportion to T.
With constant T this is C(t) = P + (C0 - P) exp(-A t), P = C_outdoors + S / (A N) (ASTM E741, concentration decay; equation
from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from frametally.assess.samples import Floats

BALANCE_SOURCE = "Single-zone mass balance of one well-mixed room (ASTM E741, concentration decay; equation from memory)"

LATE_MIN = 2.0
"""How late a reading may follow a switching: meters lag, and people note times to the minute or so (own choice). [min]"""


@dataclass(frozen=True)
class Stretch:
    """A time with one constant source, in minutes; `is_off` where nothing is given off, so that the air runs to outdoors."""

    start_min: float
    stop_min: float
    is_off: bool = False


@dataclass(frozen=True)
class Course:
    """One gas over one unbroken time: readings, the stretches that cover it, and its outdoor level where known.

    `half_step` is half a step of the display; `outdoor` and `outdoor_sd` what is known of the level outdoors (as the display
    would show it), None for nothing. All in one unit, ppm or %. `warmth` is the room's absolute temperature at `minutes`
    against any one of its own, None where it stays or is not known.
    """

    key: str
    minutes: Floats
    values: Floats
    stretches: tuple[Stretch, ...]
    half_step: float = 0.0
    outdoor: float | None = None
    outdoor_sd: float = 1.0
    warmth: Floats | None = None

    @cached_property
    def noise(self) -> float:
        """Noise of single readings: from second differences, and at least what rounding leaves."""
        rounding = self.half_step / math.sqrt(3)
        if len(self.values) < 4:
            return rounding
        bends = np.diff(self.values, 2)
        return max(1.4826 * float(np.median(np.abs(bends))) / math.sqrt(6), rounding)


def decay_rate(first: float, later: float, hours: float, outdoor: float = 0.0) -> float:
    """Give the air change from two levels of a gas that nothing gives off any more. [per hour]

    A = ln((C0 - Cout) / (Ct - Cout)) / t (ASTM E741, equation from memory). NaN where a level is not above outdoors.
    """
    if hours <= 0 or first <= outdoor or later <= outdoor:
        return math.nan
    return math.log((first - outdoor) / (later - outdoor)) / hours


def relax(level: float, outdoor: float, source: float, rate_per_h: float, hours: float) -> float:
    """Give a gas after some hours: `source` is what is given off, in the unit of the level per hour (source / volume)."""
    if rate_per_h * hours < 1e-12:
        return level + source * hours
    return level + (source - rate_per_h * (level - outdoor)) * -math.expm1(-rate_per_h * hours) / rate_per_h


def follow(minutes: Floats, push: Floats, rate_per_h: float) -> Floats:
    """Give D from 0 on where dD/dt = -A D + push, exact for a push that runs straight from moment to moment. [push x min]"""
    rate, step = rate_per_h / 60, np.diff(minutes)
    x = rate * step
    decay = np.exp(-x)
    # Weights of the push at both ends of a step.
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = np.where(x > 1e-6, -np.expm1(-x) / rate if rate > 0 else step, step * (1 - x / 2))
        late = np.where(x > 1e-3, (step - whole) / x if rate > 0 else step / 2, step * (0.5 - x / 6))
    gain = push[:-1] * (whole - late) + push[1:] * late
    level, levels = 0.0, [0.0]
    for kept, added in zip(decay.tolist(), gain.tolist(), strict=True):
        level = level * kept + added
        levels.append(level)
    return np.array(levels)


def knows_outdoor(course: Course) -> bool:
    """True where a course tells its outdoor level: it runs there for a time, or the level is known."""
    return course.outdoor is not None or any(one.is_off for one in course.stretches)


def design(course: Course, rate_per_h: float) -> tuple[Floats, Floats]:
    """Give what multiplies the unknowns of a course (the course is matrix @ unknowns), and how far each may lie from what is
    expected of it, infinite where nothing is.

    The unknowns: the start; what each source adds for good; a step at each switching, expected to be none, for meters that lag
    and moments that were noted roughly; outdoors last. Without an outdoor level that can be told, the sources stand for both.
    """
    rate, minutes = rate_per_h / 60, course.minutes
    columns = [np.exp(-rate * np.maximum(minutes - course.stretches[0].start_min, 0))]
    spreads = [math.inf]
    outdoors = np.zeros(len(minutes))
    for stretch in course.stretches:
        inside = np.clip(minutes, stretch.start_min, stretch.stop_min)
        kept = np.exp(-rate * np.maximum(minutes - stretch.stop_min, 0))
        share = -np.expm1(-rate * (inside - stretch.start_min)) * kept
        outdoors += share
        if not stretch.is_off:
            columns.append(share if course.warmth is None else _warmed(course, course.warmth, stretch, rate_per_h, inside) * kept)
            spreads.append(math.inf)
    late = -math.expm1(-rate * LATE_MIN) * float(np.ptp(course.values))
    for stretch in course.stretches[1:]:
        since = minutes - stretch.start_min
        columns.append(np.where(since >= 0, np.exp(-rate * np.maximum(since, 0)), 0.0))
        spreads.append(max(late, 1e-12))
    if knows_outdoor(course):
        columns.append(outdoors)
        spreads.append(math.inf if course.outdoor is None else course.outdoor_sd)
    return np.column_stack(columns), np.array(spreads)


def _warmed(course: Course, warmth: Floats, stretch: Stretch, rate_per_h: float, inside: Floats) -> Floats:
    """What a constant source adds in one stretch while the room's temperature runs: as 1 - exp(-A t) where it stays."""
    moments = np.unique(np.concatenate([[stretch.start_min, stretch.stop_min], inside]))
    push = np.interp(moments, course.minutes, warmth) * rate_per_h / 60
    return np.interp(inside, moments, follow(moments, push, rate_per_h))
