"""Takes a night's readings of displays that share one place on a screen; gives which of them each photo shows.

Some screens show one quantity after another at the same place. Each is marked as a display of its own, and each is read from the
same pixels with its own mask, so that of one "20.9" a display without a point makes a 209, and of one "215" a display with a
point makes a 21.5. Which of them was meant is told by the pixels first (a mask that fits explains all the ink), then by what the
neighbouring photos show under the same key.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from frametally.model import Display, Flag, Reading
from frametally.pace import usual_pause

SAME_PLACE = 0.5
"""Marked regions of which the smaller one lies in the other by this share of its area are one place."""

SURE = 0.99
"""A display is taken to be the one that is shown, or not to be, from this probability on."""

OPEN = 0.5
"""The share of each display where it cannot be told which of them is shown."""

LEAP, OFTEN = 10.0, 0.1
"""A display that moves further than so many usual steps and back again, in this share of its frames, is two displays in one."""

JUMP = 0.02
"""How often a true jump is expected between two photos that show the same quantity, as in `rules`."""

ROUNDS = 12
"""The photos' shares settle within a few rounds; a fixed number makes the same night give the same answer."""

_MOST_ODDS = 500.0
_TOLD_APART = float(np.log(100.0))  # of each of two frames: so clear must it be which display is which
_BACK_WITHIN = 10  # frames in which a display that leapt away comes back
_LOOKED_AT = frozenset({Flag.OK, Flag.DOUBTFUL, Flag.OVER_RANGE, Flag.UNDER_RANGE, Flag.STATUS, Flag.UNREADABLE, Flag.BLANK})

Shown = dict[str, np.ndarray]
"""By key of a display that shares its place: (frames,), the probability that it is the one shown, NaN where nobody looked."""


def sharing(displays: Sequence[Display]) -> list[tuple[Display, ...]]:
    """Give the displays that share a place, place by place, in the calibration's order."""
    groups: list[list[Display]] = []
    for display in displays:
        joined = [group for group in groups if any(_is_same_place(display, other) for other in group)]
        merged = [member for group in joined for member in group] + [display]
        groups = [group for group in groups if group not in joined] + [merged]
    return [tuple(group) for group in groups if len(group) > 1]


def find_shown(raw: Mapping[str, Sequence[Reading]], elapsed_min: Sequence[float], displays: Sequence[Display]) -> Shown:
    """Give, of each display that shares its place with others, the probability that a frame shows it.

    Parameters
    ----------
    raw : by key, one reading per frame, in the order of time
    elapsed_min : when each was taken, NaN where unknown [min]
    """
    shown: Shown = {}
    for group in sharing(displays):
        shown |= _share_out({display.key: raw[display.key] for display in group}, elapsed_min, group)
    return shown


def _is_same_place(one: Display, other: Display) -> bool:
    (left, top, right, bottom), (left_2, top_2, right_2, bottom_2) = _box(one), _box(other)
    width, height = min(right, right_2) - max(left, left_2), min(bottom, bottom_2) - max(top, top_2)
    smaller = min((right - left) * (bottom - top), (right_2 - left_2) * (bottom_2 - top_2))
    return width > 0 and height > 0 and width * height >= SAME_PLACE * smaller


def _box(display: Display) -> tuple[float, float, float, float]:
    x, y = zip(*display.corners, strict=True)
    return min(x), min(y), max(x), max(y)


def _share_out(raw: Mapping[str, Sequence[Reading]], elapsed_min: Sequence[float], group: Sequence[Display]) -> Shown:
    """Share every frame out among the displays of one place: by the pixels, then again and again with the neighbours."""
    frames = len(elapsed_min)
    columns = [list(readings) for readings in zip(*(raw[display.key] for display in group), strict=True)]
    odds = np.array([_odds(column, group) for column in columns]).T if frames else np.zeros((len(group), 0))
    chains = [_Chain.of(raw[display.key], elapsed_min, display) for display in group]
    pixels = weights = _normed(odds)
    for _ in range(ROUNDS if frames else 0):
        weights = _normed(odds * np.array([chain.fit(weight) for chain, weight in zip(chains, weights, strict=True)]))
    shares = _with_twins(_verdict(pixels, weights), odds)
    if any(chain.leaps(share) for chain, share in zip(chains, shares, strict=True)):
        shares = np.full_like(shares, OPEN)
    looked = np.array([any(_is_claim(reading) for reading in column) for column in columns], bool)
    return {display.key: np.where(looked, share, np.nan) for display, share in zip(group, shares, strict=True)}


def _verdict(pixels: np.ndarray, joint: np.ndarray) -> np.ndarray:
    """Give the shares that count: (displays, frames). Where the pixels alone decide, the neighbours may throw doubt on it, and
    never turn it: a true peak may read like another display's usual number. Elsewhere pixels and neighbours decide together."""
    best, frames = pixels.argmax(axis=0), np.arange(pixels.shape[1])
    decided = pixels[best, frames] >= SURE
    contested = decided & (joint[best, frames] < OPEN)
    shares = np.where(decided & ~contested, pixels, joint)
    return np.where(contested, OPEN, shares)


def _with_twins(shares: np.ndarray, odds: np.ndarray) -> np.ndarray:
    """Open the frames of two displays whose places could be changed all night long without the pixels speaking against it.

    The neighbours only say which frames belong together; which display they belong to, a form or a range must have said.
    """
    result, log_odds = shares.copy(), np.log(odds)
    for one in range(len(shares)):
        for other in range(one + 1, len(shares)):
            evidence = float(((shares[one] - shares[other]) * (log_odds[one] - log_odds[other])).sum())
            if evidence < min(2, shares.shape[1]) * _TOLD_APART:
                both = [one, other]
                result[both] = np.where(shares[both].sum(axis=0) > OPEN, np.minimum(OPEN, shares[both].sum(axis=0)), shares[both])
    return result


def _normed(weights: np.ndarray) -> np.ndarray:
    return np.asarray(weights / np.maximum(weights.sum(axis=0), 1e-300))


def _is_claim(reading: Reading) -> bool:
    """Tell whether a display reads something there at all."""
    return reading.flag in _LOOKED_AT and reading.flag is not Flag.BLANK and bool(reading.text)


def _odds(column: Sequence[Reading], group: Sequence[Display]) -> list[float]:
    """Give how far the pixels of one frame speak for each display: the odds that its reading is right, none where it cannot show
    such a number.

    Nothing is lost on a mask with a point where the display shows none. So where a display without a point reads the same digits
    clearly, there is no point to be seen, and those with one speak as weakly as that leaves them.
    """
    plain = max((r.confidence for r in column if _is_claim(r) and _is_plain(r)), default=0.0)
    odds = []
    for reading, display in zip(column, group, strict=True):
        if not _is_claim(reading) or not _can_show(reading.value, display):
            odds.append(1.0 / _MOST_ODDS)
            continue
        chance = min(max(reading.confidence, 1 / _MOST_ODDS), 1 - 1 / _MOST_ODDS)
        left = 1.0 if _is_plain(reading) or reading.value is None else min(max(1.0 - plain, 1 / _MOST_ODDS) / chance, 1.0)
        odds.append(chance / (1 - chance) * left)
    return odds


def _can_show(value: float | None, display: Display) -> bool:
    return value is None or display.range is None or display.range[0] <= value <= display.range[1]


def _is_plain(reading: Reading) -> bool:
    """Tell whether a number has no point or colon."""
    return reading.value is not None and "." not in reading.text and ":" not in reading.text


@dataclass(frozen=True)
class _Chain:
    """One display's readings as a chain through the night: values (frames,), NaN where none; times in usual intervals."""

    values: np.ndarray
    times: np.ndarray
    least: float
    count: float

    @classmethod
    def of(cls, readings: Sequence[Reading], elapsed_min: Sequence[float], display: Display) -> _Chain:
        values = np.array([np.nan if r.value is None or not _is_claim(r) else r.value for r in readings], float)
        times = np.asarray(elapsed_min, float)
        usual = usual_pause(np.diff(times))
        told = np.isfinite(usual) and bool(np.isfinite(times).all())
        times = times / usual if told else np.arange(len(values), dtype=float)
        mask = display.masks[0]
        least = display.resolution or (10.0 ** -(len(mask) - mask.index(".") - 1) if "." in mask else 1.0)
        span = display.range[1] - display.range[0] if display.range else 10.0 ** sum(place == "#" for place in mask) * least
        return cls(values, times, least, max(span / least, 10.0))

    def fit(self, weights: np.ndarray) -> np.ndarray:
        """Give how well each frame's value goes with the nearest values before and behind that are this display's: (frames,)."""
        scale = self._scale(weights)
        ahead = self._one_way(weights, scale, range(len(self.values)), -1)
        return ahead * self._one_way(weights, scale, range(len(self.values)), 1)

    def leaps(self, shares: np.ndarray) -> bool:
        """Tell whether the frames taken for this display's leap to and fro between two levels, as the air never does."""
        values = self.values[(shares >= SURE) & np.isfinite(self.values)]
        if values.size < 8:
            return False
        later = np.lib.stride_tricks.sliding_window_view(np.append(values, np.full(_BACK_WITHIN, np.nan)), _BACK_WITHIN + 1)
        away = np.abs(later[:, 1:] - later[:, :1])[:-1]
        usual = max(float(np.median(np.nanmin(away, axis=1))), self.least)
        returns = (away[:, 0] > LEAP * usual) & (np.nanmin(away, axis=1) <= LEAP / 2 * usual)
        return int(returns.sum()) >= max(4, OFTEN * len(away))

    def _scale(self, weights: np.ndarray) -> float:
        """Learn how far the value moves in one interval from the frames that are surely this display's."""
        sure = np.flatnonzero((weights > 0.9) & np.isfinite(self.values))
        if sure.size < 4:
            return 3 * self.least
        moves = np.abs(np.diff(self.values[sure])) / np.sqrt(np.maximum(np.diff(self.times[sure]), 1.0))
        return max(float(np.median(moves)), self.least)

    def _one_way(self, weights: np.ndarray, scale: float, frames: range, step: int) -> np.ndarray:
        anywhere = 1.0 / self.count
        fits = np.full(len(self.values), anywhere)
        for frame in frames:
            if not np.isfinite(self.values[frame]):
                continue
            left, fit, other = 1.0, 0.0, frame + step
            while left > 0.01 and 0 <= other < len(self.values):
                share = float(weights[other]) if np.isfinite(self.values[other]) else 0.0
                if share > 0.01:
                    fit += left * share * self._chance(frame, other, scale)
                    left *= 1.0 - share
                other += step
            fits[frame] = fit + left * anywhere
        return fits

    def _chance(self, frame: int, other: int, scale: float) -> float:
        wide = scale * float(np.sqrt(max(abs(self.times[frame] - self.times[other]), 1.0)))
        near = self.least / (2 * wide) * float(np.exp(-abs(self.values[frame] - self.values[other]) / wide))
        return (1 - JUMP) * min(near, 1.0) + JUMP / self.count
