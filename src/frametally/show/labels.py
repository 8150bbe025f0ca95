"""Takes texts that want to stand near a point and finds each a place where it covers neither lines nor other texts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Box = tuple[float, float, float, float]
"""Left, bottom, right, top. [px]"""

Points = npt.NDArray[np.float64]

_DISTANCES = (7.0, 14.0, 24.0, 38.0, 56.0, 80.0)
_SIDES = ((0, 1), (-1, 1), (1, 1), (0, -1), (-1, -1), (1, -1), (-1, 0), (1, 0))


@dataclass(frozen=True)
class Place:
    """Where a text goes: its box, and whether it ended up so far away that a thin line should lead to the point."""

    box: Box
    led: bool


def find_place(
    point: tuple[float, float], size: tuple[float, float], inside: Box, taken: Sequence[Box], marks: Points, faint: Points
) -> Place:
    """Give the best place for a text of `size` near `point`, within `inside`, off the `taken` boxes and what is drawn.

    Parameters
    ----------
    marks, faint : (n, 2)
        Points along the lines and symbols, and along thin lines that a text may rather cross. [px]
    """
    best: tuple[float, Place] | None = None
    for distance in _DISTANCES:
        for number, side in enumerate(_SIDES):
            box = _kept_inside(_box(point, size, side, distance), inside)
            cost = distance + 0.5 * number + 30.0 * _covered(box, marks) + 2.0 * _covered(box, faint)
            cost += sum(1e5 + _overlap(box, other) for other in taken if _overlap(box, other))
            if best is None or cost < best[0]:
                best = (cost, Place(box, _gap(point, box) > 12.0))
    if best is None:
        raise ValueError("no place to try")
    return best[1]


def spread(wanted: Sequence[float], heights: Sequence[float], low: float, high: float) -> list[float]:
    """Give centres for texts of these heights one above the other, each as near as can be to where it is wanted.

    `wanted` must rise. Where they do not all fit between `low` and `high` they stand evenly and may touch.
    """
    centres = list(wanted)
    if not centres:
        return centres
    needed = sum(heights)
    if needed > high - low:
        step = (high - low) / len(centres)
        return [low + step * (i + 0.5) for i in range(len(centres))]
    floor = low
    for i, height in enumerate(heights):
        centres[i] = max(centres[i], floor + height / 2)
        floor = centres[i] + height / 2
    ceiling = high
    for i in reversed(range(len(centres))):
        centres[i] = min(centres[i], ceiling - heights[i] / 2)
        ceiling = centres[i] - heights[i] / 2
    return centres


def along(points: Points, spacing: float = 4.0) -> Points:
    """Give points every `spacing` px along the lines through `points` (n, 2); rows with NaN break the line."""
    pieces = [points[np.isfinite(points).all(axis=1)]]
    for start, end in pairwise(points):
        length = float(np.hypot(*(end - start)))
        if np.isfinite(length) and length > spacing:
            shares = np.arange(spacing, length, spacing)[:, None] / length
            pieces.append(start + shares * (end - start))
    return np.concatenate(pieces) if pieces else points


def _box(point: tuple[float, float], size: tuple[float, float], side: tuple[int, int], distance: float) -> Box:
    centre_x = point[0] + side[0] * (size[0] / 2 + (distance if side[1] == 0 else distance * 0.5))
    centre_y = point[1] + side[1] * (size[1] / 2 + distance)
    return centre_x - size[0] / 2, centre_y - size[1] / 2, centre_x + size[0] / 2, centre_y + size[1] / 2


def _kept_inside(box: Box, inside: Box) -> Box:
    right = max(0.0, inside[0] - box[0]) - max(0.0, box[2] - inside[2])
    up = max(0.0, inside[1] - box[1]) - max(0.0, box[3] - inside[3])
    return box[0] + right, box[1] + up, box[2] + right, box[3] + up


def _covered(box: Box, marks: Points) -> int:
    if marks.size == 0:
        return 0
    x, y = marks[:, 0], marks[:, 1]
    return int(((x > box[0] - 2) & (x < box[2] + 2) & (y > box[1] - 2) & (y < box[3] + 2)).sum())


def _overlap(a: Box, b: Box) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0])
    high = min(a[3], b[3]) - max(a[1], b[1])
    return wide * high if wide > 0 and high > 0 else 0.0


def _gap(point: tuple[float, float], box: Box) -> float:
    wide = max(box[0] - point[0], point[0] - box[2], 0.0)
    high = max(box[1] - point[1], point[1] - box[3], 0.0)
    return float(np.hypot(wide, high))
