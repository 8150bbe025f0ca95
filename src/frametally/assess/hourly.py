"""A display's curve to the worst mean of whole clock hours: the rule of 40 CFR 50.8, with bounds over what was not measured."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np

from frametally.assess.exposure import Curve, Ramp, Window, enclose, is_measured_enough
from frametally.assess.samples import Bools, Floats, Timeline

HOUR_MIN = 60.0
LEAST_OF_AN_HOUR = 0.75
"""Least measured share of a clock hour that makes an hourly mean (common practice of air networks, no source seen)."""

LEAST_OF_HOURS = 0.75
"""Least share of hourly means that makes a mean of several hours: 6 of 8, 40 CFR 50.8(c)."""


def mean_of_hours(hourly: Floats) -> float:
    """Give the mean of several hourly means, NaN where too many are missing.

    Parameters
    ----------
    hourly : array
        One mean per hour, NaN where there is none.

    Returns
    -------
    float
        The sum over the hours that are there, divided by their number (6, 7 or 8 of eight); NaN where fewer are.

    References
    ----------
    40 CFR 50.8(c).
    """
    there = np.isfinite(hourly)
    if there.sum() < LEAST_OF_HOURS * len(hourly) or not len(hourly):
        return math.nan
    return float(hourly[there].mean())


def round_in_steps(value: float, places: tuple[int, ...]) -> float:
    """Round a figure to some decimal places, one step after the other, halves up: 9.45 to (1, 0) is 9.5, then 10.

    The order of figures is kept; infinite and unknown ones stay as they are. 40 CFR 50.8(d) has steps (1, 0).
    """
    if not math.isfinite(value):
        return value
    for place in places:
        scale = 10.0**place
        # The small allowance lets a half be a half, whatever the rounding of sums did to its last digit.
        value = math.floor(value * scale + 0.5 + 1e-9) / scale
    return value


def minutes_past_the_hour(timeline: Timeline) -> float:
    """Give how far past a clock hour elapsed minute 0 is, by the first row that has a time; 0 where no row has one. [min]"""
    for elapsed, time in zip(timeline.elapsed_min[: timeline.timed], timeline.times, strict=False):
        if time is not None:
            return (_past(time) - float(elapsed)) % HOUR_MIN
    return 0.0


def _past(time: datetime) -> float:
    return time.minute + (time.second + time.microsecond / 1e6) / 60


def worst_hours(curve: Curve, averaging_min: float, past_the_hour_min: float = 0.0) -> Window | None:
    """Give the highest mean of `averaging_min` in whole clock hours.

    Parameters
    ----------
    curve : Curve
    averaging_min : float
        A multiple of 60. [min]
    past_the_hour_min : float
        How far past a clock hour elapsed minute 0 is. [min]

    Returns
    -------
    Window or None
        Its middle value is the highest mean that the rule allows to be formed (see `mean_of_hours`), NaN where it allows none;
        its bounds count unmeasured time at none of the gas and at the highest reading. None where the night has no length.

    Notes
    -----
    Hours that the night only touches at its ends are left out where enough whole ones remain; a night without enough is
    taken with them, and hours that nobody measured are added to its end.
    """
    if curve.span_min <= 0:
        return None
    count = round(averaging_min / HOUR_MIN)
    edges = _hour_edges(curve, count, past_the_hour_min)
    inside = np.diff(np.clip(edges, curve.lower.knots[0], curve.lower.knots[-1]))
    low, high, seen, measured = (_hour_areas(ramp, edges) for ramp in (curve.lower, curve.upper, curve.middle, curve.measured))
    high = high + max(curve.ceiling if math.isfinite(curve.ceiling) else 0.0, 0.0) * (HOUR_MIN - inside)
    there = measured >= LEAST_OF_AN_HOUR * HOUR_MIN * (1 - 1e-9)
    hourly = np.divide(seen, measured, out=np.full_like(seen, math.nan), where=there)
    means = np.array([mean_of_hours(hourly[i : i + count]) for i in range(len(hourly) - count + 1)])
    lower, upper = _rolling_sum(low, count) / averaging_min, _rolling_sum(high, count) / averaging_min
    known = np.isfinite(means)
    best = int(np.nanargmax(means)) if known.any() else int(np.argmax(lower))
    bounds = enclose(
        -math.inf if curve.is_open_below else float(lower.max()),
        float(means[best]),
        math.inf if curve.is_open_above else float(upper.max()),
    )
    start = max(float(edges[best]), float(curve.lower.knots[0]))
    stop = min(float(edges[best + count]), float(curve.lower.knots[-1]))
    here = slice(best, best + count)
    minutes = float(measured[here].sum())
    return Window(
        bounds=bounds,
        start_min=start,
        stop_min=stop,
        rest_min=float((HOUR_MIN - inside[here]).sum()),
        measured_min=minutes,
        while_measured=float(seen[here].sum()) / minutes if minutes > 0 else math.nan,
        is_enough=bool(known.any() and (count == 1 or known.all())) and is_measured_enough(curve, averaging_min),
    )


def _hour_edges(curve: Curve, count: int, past_the_hour_min: float) -> Floats:
    first, last = float(curve.lower.knots[0]), float(curve.lower.knots[-1])
    begin = math.floor((first + past_the_hour_min) / HOUR_MIN + 1e-9) * HOUR_MIN - past_the_hour_min
    hours = max(1, math.ceil((last - begin) / HOUR_MIN - 1e-9))
    edges: Floats = begin + HOUR_MIN * np.arange(hours + 1, dtype=np.float64)
    whole = _whole_hours(edges, first, last)
    if whole.sum() >= count:
        rows = np.flatnonzero(whole)
        return edges[rows[0] : rows[-1] + 2]
    edges = begin + HOUR_MIN * np.arange(max(hours, count) + 1, dtype=np.float64)
    return edges


def _whole_hours(edges: Floats, first: float, last: float) -> Bools:
    inside = np.diff(np.clip(edges, first, last))
    return inside >= LEAST_OF_AN_HOUR * HOUR_MIN * (1 - 1e-9)


def _hour_areas(ramp: Ramp, edges: Floats) -> Floats:
    return np.diff(ramp.area_until(edges))


def _rolling_sum(values: Floats, count: int) -> Floats:
    return np.lib.stride_tricks.sliding_window_view(values, count).sum(axis=-1)
