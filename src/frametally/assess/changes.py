"""A course of readings to the straight pieces it is made of, and the bursts that are too short to be a piece."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from frametally.assess.samples import Floats
from frametally.assess.signals import block_edges, runs_of, smooth

MOST_BLOCKS = 240
"""Longer courses are reduced to this many medians of consecutive readings before they are split."""

LEAST_BLOCKS = 3
"""Shortest piece, in blocks."""

BURST_TIMES_NOISE = 8.0
"""How far, in noise, a reading must stand out of its surroundings to be (part of) a burst (own choice)."""

LONGEST_BURST_MIN = 60.0
"""A burst is over within this time, or it is a phase (own choice)."""


@dataclass(frozen=True)
class Piece:
    """A stretch over which a course runs straight: ends in minutes, levels at the ends."""

    start_min: float
    stop_min: float
    first: float
    last: float


@dataclass(frozen=True)
class Burst:
    """A short excursion: from the last reading before it to the first one after it that is back near `base`."""

    start_min: float
    stop_min: float
    peak_min: float
    peak: float
    base: float


def noise_of(values: Floats, half_step: float = 0.0) -> float:
    """Give the noise of single readings: robust, from second differences, and at least what rounding leaves."""
    rounding = half_step / math.sqrt(3)
    if len(values) < 4:
        return rounding
    return max(1.4826 * float(np.median(np.abs(np.diff(values, 2)))) / math.sqrt(6), rounding)


def find_bursts(minutes: Floats, values: Floats, half_step: float = 0.0) -> tuple[Burst, ...]:
    """Give the short excursions above or below the course around them.

    The surroundings are a running median twice as wide as the longest burst, so that steps and slopes stay.
    """
    if len(minutes) < 12:
        return ()
    step = float(np.median(np.diff(minutes)))
    if step <= 0 or step > LONGEST_BURST_MIN / 3:
        return ()
    size = max(1, math.ceil(len(minutes) / 4000))
    width = max(5, 2 * round(LONGEST_BURST_MIN / step) // size + 1)
    coarse = smooth(values[::size], width)
    base = coarse if size == 1 else np.interp(minutes, minutes[::size], coarse)
    away = values - base
    spread = max(1.4826 * float(np.median(np.abs(away))), noise_of(values, half_step), half_step)
    level = max(BURST_TIMES_NOISE * spread, 0.35 * float(np.percentile(values, 98) - np.percentile(values, 2)))
    bursts: list[Burst] = []
    for first, stop in runs_of(np.abs(away) > level) if level > 0 else []:
        burst = _outline(minutes, values, base, away, first, stop, spread)
        if burst is not None and (not bursts or burst.start_min >= bursts[-1].stop_min):
            bursts.append(burst)
    return tuple(bursts)


def _outline(minutes: Floats, values: Floats, base: Floats, away: Floats, first: int, stop: int, spread: float) -> Burst | None:
    """Widen a run of outstanding readings until it is back near its surroundings; None where it does not come back."""
    sign = 1.0 if away[first:stop].sum() > 0 else -1.0
    peak = first + int(np.argmax(sign * away[first:stop]))
    back = max(2 * spread, 0.05 * abs(float(away[peak])))
    after = np.flatnonzero(sign * away[peak:] <= back)
    before = np.flatnonzero(sign * away[: peak + 1] <= back)
    if not after.size or not before.size:
        return None
    start, end = int(before[-1]), peak + int(after[0])
    if minutes[end] - minutes[start] > LONGEST_BURST_MIN:
        return None
    level = float(np.median(np.concatenate([values[max(0, start - 3) : start + 1], values[end : end + 4]])))
    return Burst(float(minutes[start]), float(minutes[end]), float(minutes[peak]), float(values[peak]), level)


def split_course(minutes: Floats, values: Floats, half_step: float = 0.0) -> list[Piece]:
    """Give the straight pieces of a course: as many as lower Schwarz's criterion, found exactly (dynamic programming).

    Medians of blocks stand for long courses, and a running median takes single strays out first.
    """
    edges = block_edges(len(minutes), MOST_BLOCKS)
    stops = np.append(edges[1:], len(minutes))
    level = np.array([np.median(values[a:b]) for a, b in zip(edges, stops, strict=True)])
    moment = np.array([minutes[a:b].mean() for a, b in zip(edges, stops, strict=True)])
    count = len(level)
    noise = max(noise_of(level, half_step / math.sqrt(max(1, len(minutes) // count))), half_step / 3, 1e-9)
    level = smooth(level, 3)
    cuts = _best_cuts(moment, level, 3 * noise**2 * 4 * math.log(count) + (0.02 * float(np.ptp(level))) ** 2)
    pieces = []
    for a, b in itertools.pairwise(cuts):
        slope, middle = _line(moment[a:b], level[a:b])
        at = moment[a:b].mean()
        start = float(minutes[0]) if a == 0 else float(moment[a - 1] + moment[a]) / 2
        stop = float(minutes[-1]) if b == count else float(moment[b - 1] + moment[b]) / 2
        pieces.append(Piece(start, stop, middle + slope * (start - at), middle + slope * (stop - at)))
    return pieces


def _line(moment: Floats, level: Floats) -> tuple[float, float]:
    """Slope and mean of the least-squares line."""
    centred = moment - moment.mean()
    power = float(centred @ centred)
    return (float(centred @ level) / power if power > 0 else 0.0), float(level.mean())


def _best_cuts(moment: Floats, level: Floats, price: float) -> list[int]:
    """The cuts with the least sum of squares plus `price` per piece."""
    count = len(level)
    t, y = moment - moment.mean(), level - level.mean()
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (t, y, t * t, t * y, y * y)]
    best, previous = np.full(count + 1, math.inf), np.zeros(count + 1, dtype=int)
    best[0] = -price
    for stop in range(min(LEAST_BLOCKS, count), count + 1):
        starts = np.arange(0, max(stop - LEAST_BLOCKS, 0) + 1)
        n = stop - starts
        st, sy, stt, sty, syy = (s[stop] - s[starts] for s in sums)
        power = stt - st * st / n
        cross = sty - st * sy / n
        misfit = syy - sy * sy / n - np.divide(cross**2, power, out=np.zeros_like(cross), where=power > 1e-12)
        total = best[starts] + np.maximum(misfit, 0.0) + price
        place = int(total.argmin())
        best[stop], previous[stop] = total[place], starts[place]
    cuts = [count]
    while cuts[-1] > 0:
        cuts.append(int(previous[cuts[-1]]))
    return cuts[::-1]
