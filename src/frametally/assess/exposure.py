"""One display's samples to averages and times above a level, each with a lower, a middle and an upper value.

Between two consecutive readings the quantity is taken to run straight (trapezoid). A stretch counts as measured only
where both ends are settled and they are at most 1.5 usual intervals apart; every other stretch is a hole: the lower
value counts it at the floor (none of the gas), the upper one at the highest reading of the night, and the middle one
is the mean over the measured time alone. Out of range counts as the range's end, and opens the bound beyond it.
Photos that show another display at the same place are no readings missed: over them, as many usual intervals count as one as
there are displays that take turns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from frametally.assess.facts import ZERO_FLOOR
from frametally.assess.samples import Bools, Floats, Samples, Timeline

HOLE_AFTER = 1.5
"""A pause longer than this many usual intervals is a hole."""

LEAST_MEASURED_SHARE = 0.75
"""Least measured share of an average that can clear a night (after 40 CFR 50.8(c): 6 of 8 hours)."""

LEAST_STRETCH_MIN = 120.0
"""Shortest stretch in which that share is asked for: in a quarter of an hour, one missed photo would be more than a quarter
of it (own choice; EN 689:2018, 5.3 has two hours as the least time of measuring)."""


@dataclass(frozen=True)
class Bounded:
    """A figure with its bounds. `lower` -inf and `upper` inf mean open; `middle` is NaN where nothing was measured."""

    lower: float
    middle: float
    upper: float

    def as_dict(self) -> dict[str, float | None]:
        """Give the three values, None where open or not known."""
        return {"lower": known(self.lower), "middle": known(self.middle), "upper": known(self.upper)}


def known(value: float) -> float | None:
    """Give a finite number as it is, anything else as None."""
    return float(value) if math.isfinite(value) else None


@dataclass(frozen=True)
class Ramp:
    """A line of straight pieces over time: `start` and `stop` levels of each piece between `knots` [min]."""

    knots: Floats
    start: Floats
    stop: Floats

    @cached_property
    def totals(self) -> Floats:
        """Area from the beginning to each knot. [level x min]"""
        return np.concatenate([[0.0], np.cumsum((self.start + self.stop) / 2 * np.diff(self.knots))])

    def area_until(self, moments: Floats) -> Floats:
        """Give the area under the line from its beginning to each moment (clipped to its ends). [level x min]"""
        if len(self.knots) < 2:
            return np.zeros(np.shape(moments))
        inside = np.clip(moments, self.knots[0], self.knots[-1])
        piece = np.clip(np.searchsorted(self.knots, inside, side="right") - 1, 0, len(self.start) - 1)
        since, length = inside - self.knots[piece], self.knots[piece + 1] - self.knots[piece]
        share = np.divide(since, length, out=np.zeros_like(since), where=length > 0)
        start = self.start[piece]
        return self.totals[piece] + (start + (self.stop[piece] - start) * share / 2) * since

    def area(self, start_min: float, stop_min: float) -> float:
        """Give the area between two moments."""
        both = self.area_until(np.array([start_min, stop_min]))
        return float(both[1] - both[0])


@dataclass(frozen=True)
class Curve:
    """A display over time: the lowest, the measured and the highest possible course, and where nothing was measured.

    `measured` is 1 in measured pieces and 0 in holes; `middle` is 0 in holes; `open_above` and `open_below` mark pieces
    whose highest or lowest possible course has no end.
    """

    lower: Ramp
    middle: Ramp
    upper: Ramp
    measured: Ramp
    open_above: Bools
    open_below: Bools
    usual_interval_min: float
    floor: float
    ceiling: float

    @property
    def length_min(self) -> Floats:
        """Length of each piece. [min]"""
        return np.diff(self.lower.knots)

    @property
    def span_min(self) -> float:
        """From the first to the last row. [min]"""
        knots = self.lower.knots
        return float(knots[-1] - knots[0]) if len(knots) else 0.0

    @property
    def measured_min(self) -> float:
        """Measured time. [min]"""
        return float((self.measured.start * self.length_min).sum())

    @property
    def is_open_above(self) -> bool:
        """True where some stretch of time has no upper end."""
        return bool((self.open_above & (self.length_min > 0)).any())

    @property
    def is_open_below(self) -> bool:
        """True where some stretch of time has no lower end."""
        return bool((self.open_below & (self.length_min > 0)).any())


def build_curve(timeline: Timeline, samples: Samples) -> Curve:
    """Turn a display's samples into its curve; rows whose time is not known are left out."""
    count = timeline.timed
    pauses = np.diff(timeline.elapsed_min[:count])
    usual = float(np.median(pauses[pauses > 0])) if (pauses > 0).any() else 0.0
    in_turn = usual * (1 + len(samples.facts.shares))
    # The ends of the night stay, so that a display's time is the night's.
    rows = np.flatnonzero(~samples.elsewhere[:count] | (np.arange(count) % max(count - 1, 1) == 0))
    knots = timeline.elapsed_min[rows]
    length = np.diff(knots)
    values, over, under = samples.values[rows], samples.over[rows], samples.under[rows]
    level = np.where(samples.settled[rows], values, np.where(over, samples.top, np.where(under, samples.bottom, math.nan)))
    low_level = np.where(under, samples.floor, level)
    good = np.isfinite(level) & np.isfinite(low_level)
    # The small allowance keeps an interval of exactly 1.5 usual ones, whatever the rounding of minutes did to it.
    longest = HOLE_AFTER * np.where(np.diff(rows) > 1, in_turn, usual) * (1 + 1e-9)
    measured = good[:-1] & good[1:] & (length <= longest)
    over_near, under_near = samples.over_nearby[rows], samples.under_nearby[rows]
    floor, ceiling = samples.floor, samples.ceiling
    unknown = not math.isfinite(ceiling)
    curve = Curve(
        lower=_ramp(knots, low_level, measured, 0.0 if unknown else floor),
        middle=_ramp(knots, level, measured, 0.0),
        upper=_ramp(knots, level, measured, 0.0 if unknown else ceiling),
        measured=Ramp(knots, measured.astype(float), measured.astype(float)),
        open_above=np.where(measured, _either(over), _either(over_near) | unknown),
        open_below=np.where(measured, _either(under), _either(under_near) | unknown) & (samples.facts.kind not in ZERO_FLOOR),
        usual_interval_min=in_turn if len(rows) < count else usual,
        floor=floor,
        ceiling=ceiling,
    )
    return curve if len(rows) == count else _cut(curve, np.searchsorted(rows, np.arange(count - 1), "right") - 1, timeline)


def _cut(curve: Curve, piece: npt.NDArray[np.intp], timeline: Timeline) -> Curve:
    """Cut a curve at every row, so that all displays of a night have the same knots; `piece` is each part's piece."""
    knots = timeline.elapsed_min[: timeline.timed]

    def cut(ramp: Ramp) -> Ramp:
        since, whole = ramp.knots[piece], np.maximum(np.diff(ramp.knots)[piece], 1e-12)
        first, rise = ramp.start[piece], (ramp.stop - ramp.start)[piece]
        return Ramp(knots, first + rise * (knots[:-1] - since) / whole, first + rise * (knots[1:] - since) / whole)

    return replace(
        curve,
        lower=cut(curve.lower),
        middle=cut(curve.middle),
        upper=cut(curve.upper),
        measured=cut(curve.measured),
        open_above=curve.open_above[piece],
        open_below=curve.open_below[piece],
    )


def _ramp(knots: Floats, level: Floats, measured: Bools, in_holes: float) -> Ramp:
    return Ramp(knots, np.where(measured, level[:-1], in_holes), np.where(measured, level[1:], in_holes))


def _either(rows: Bools) -> Bools:
    """True for the pieces that have a marked row at either end."""
    return rows[:-1] | rows[1:]


def dose(curve: Curve, start_min: float, stop_min: float) -> Bounded:
    """Give the area under the curve between two moments: concentration times time. [unit x min]

    The middle value is the measured part alone. dose(a, c) = dose(a, b) + dose(b, c).
    """
    inside = (curve.lower.knots[:-1] < stop_min) & (curve.lower.knots[1:] > start_min)
    return Bounded(
        -math.inf if (inside & curve.open_below).any() else curve.lower.area(start_min, stop_min),
        curve.middle.area(start_min, stop_min),
        math.inf if (inside & curve.open_above).any() else curve.upper.area(start_min, stop_min),
    )


def mean(curve: Curve) -> Bounded:
    """Give the time-weighted mean over the whole night; all unknown where there is no stretch of time."""
    span = curve.span_min
    if span <= 0:
        return Bounded(math.nan, math.nan, math.nan)
    whole = dose(curve, float(curve.lower.knots[0]), float(curve.lower.knots[-1]))
    measured = curve.measured_min
    middle = whole.middle / measured if measured > 0 else math.nan
    return enclose(whole.lower / span, middle, whole.upper / span)


@dataclass(frozen=True)
class Window:
    """The worst stretch of a night for an average.

    `bounds` is the average as the rule in question has it; `start_min` and `stop_min` the stretch that is highest for
    certain; `rest_min` what the night lacks of the averaging time; `measured_min` the measured time in it and `while_measured`
    the mean over that time alone (NaN where there is none); `is_enough` False where too little was measured, there or in
    any other stretch of that length, to clear the night.
    """

    bounds: Bounded
    start_min: float
    stop_min: float
    rest_min: float
    measured_min: float
    while_measured: float
    is_enough: bool


def worst_window(curve: Curve, averaging_min: float) -> Window | None:
    """Give the highest average over any stretch of `averaging_min`, with that time as the divisor whatever was measured.

    None where the night has no stretch of time. A shorter night is taken whole: the rest, which nobody measured, counts as
    none of the gas in the lower and middle value and at the highest reading of the night in the upper one. That is the
    rule of 29 CFR 1910.1000(d)(1)(i); for other averages see `as_rolling`.

    Each bound is the highest over all stretches; the middle value belongs to the stretch with the highest lower bound.
    """
    span = curve.span_min
    if span <= 0:
        return None
    length = min(span, averaging_min)
    rest = averaging_min - length
    lower_area, start = highest_area(curve.lower, length)
    upper_area, _ = highest_area(curve.upper, length)
    stop = start + length
    measured = curve.measured.area(start, stop)
    while_measured = curve.middle.area(start, stop) / measured if measured > 0 else math.nan
    upper = math.inf if curve.is_open_above else (upper_area + max(curve.ceiling, 0.0) * rest) / averaging_min
    lower = -math.inf if curve.is_open_below else lower_area / averaging_min
    bounds = enclose(lower, while_measured * length / averaging_min, upper)
    return Window(bounds, start, stop, rest, measured, while_measured, is_measured_enough(curve, averaging_min))


def as_rolling(window: Window, averaging_min: float) -> Window:
    """Give the window of a mean that is taken over the measured time, not over a divisor that the rule fixes.

    Its middle value is NaN where less than three quarters of the averaging time were measured: that is no such average.
    """
    is_formed = window.measured_min >= LEAST_MEASURED_SHARE * averaging_min * (1 - 1e-9)
    middle = window.while_measured if is_formed else math.nan
    return replace(window, bounds=enclose(window.bounds.lower, middle, window.bounds.upper))


def is_measured_enough(curve: Curve, averaging_min: float) -> bool:
    """True where no stretch of the averaging time (nor of two hours) has more than a quarter unmeasured."""
    length, spare = max(averaging_min, LEAST_STRETCH_MIN), (1 - LEAST_MEASURED_SHARE) * (1 + 1e-9)
    if curve.span_min < averaging_min:
        return averaging_min - curve.measured_min <= spare * averaging_min
    if curve.span_min < length:
        return curve.span_min - curve.measured_min <= spare * curve.span_min
    holes = Ramp(curve.measured.knots, 1.0 - curve.measured.start, 1.0 - curve.measured.stop)
    return highest_area(holes, length)[0] <= spare * length


def highest_area(ramp: Ramp, length_min: float) -> tuple[float, float]:
    """Give the largest area under the line in any stretch of this length, and where the first such stretch begins.

    Exact: as a window moves between two moments at which it meets a knot, its area is a parabola of its start.
    """
    first, last = float(ramp.knots[0]), float(ramp.knots[-1]) - length_min
    if last <= first:
        return ramp.area(first, first + length_min), first
    meets = np.concatenate([ramp.knots, ramp.knots - length_min])
    starts = np.unique(np.concatenate([[first, last], meets[(meets > first) & (meets < last)]]))
    left, right = starts[:-1], starts[1:]
    at_left, at_half, at_right = (_window_area(ramp, s, length_min) for s in (left, (left + right) / 2, right))
    bend = 2 * (at_left - 2 * at_half + at_right)
    tilt = -3 * at_left + 4 * at_half - at_right
    vertex = np.divide(-tilt, 2 * bend, out=np.zeros_like(bend), where=(tilt > 0) & (tilt < -2 * bend))
    turning = left + vertex * (right - left)
    candidates = np.unique(np.concatenate([starts, turning]))
    areas = _window_area(ramp, candidates, length_min)
    best = float(areas.max())
    # Equal stretches differ by rounding alone; the first of them is taken, so that every machine names the same one.
    start = float(candidates[np.flatnonzero(areas >= best - 1e-9 * max(1.0, abs(best)))[0]])
    return best, start


def _window_area(ramp: Ramp, starts: Floats, length_min: float) -> Floats:
    return ramp.area_until(starts + length_min) - ramp.area_until(starts)


def enclose(lower: float, middle: float, upper: float) -> Bounded:
    """Take away the last digits of rounding by which a middle value can lie outside its own bounds."""
    return Bounded(lower, middle if math.isnan(middle) else min(max(middle, lower), upper), upper)


def minutes_above(curve: Curve, level: float) -> Bounded:
    """Give the time above a level; a hole may have been above it all the time, or never. [min]"""
    return _minutes_beyond(curve, level, above=True)


def minutes_below(curve: Curve, level: float) -> Bounded:
    """Give the time below a level; a hole may have been below it all the time, or never. [min]"""
    return _minutes_beyond(curve, level, above=False)


def _minutes_beyond(curve: Curve, level: float, *, above: bool) -> Bounded:
    length, measured = curve.length_min, curve.measured.start > 0
    certain, possible = (curve.lower, curve.upper) if above else (curve.upper, curve.lower)
    unlimited, hidden = (curve.open_above, curve.open_below) if above else (curve.open_below, curve.open_above)
    surely = np.where(measured, _share_beyond(certain, level, above), 0.0)
    seen = np.where(measured, _share_beyond(curve.middle, level, above), 0.0)
    maybe = np.where(measured & ~unlimited, _share_beyond(possible, level, above), 1.0)
    lower = float((np.where(hidden & measured, 0.0, surely) * length).sum())
    upper = float((maybe * length).sum())
    time = curve.measured_min
    middle = float((seen * length).sum()) / time * curve.span_min if time > 0 else math.nan
    return enclose(lower, middle, upper)


def _share_beyond(ramp: Ramp, level: float, above: bool) -> Floats:
    """Share of each piece that lies strictly beyond a level."""
    sign = 1.0 if above else -1.0
    a, b, line = sign * ramp.start, sign * ramp.stop, sign * level
    high, low = np.maximum(a, b), np.minimum(a, b)
    crossing = np.divide(high - line, high - low, out=np.zeros_like(high), where=(low <= line) & (line < high))
    return np.where(high <= line, 0.0, np.where(low > line, 1.0, crossing))
