"""Takes a photo and a marked region; gives where digits run over the region's edges, or stand beside it, seen with room around.

A region marked so tightly that it cuts a digit shows another one, and with confidence: half a 0 is a 1, an 8 without its left
bars a 3. The photo around the region tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from frametally.model import Corners
from frametally.read.places import levelled
from frametally.read.rectify import PAD, STRIP_HEIGHT, ink_of, rectify, side_lengths

SIDES = ("left", "right", "top", "bottom")

ROOM_ASIDE, ROOM_ABOVE = 0.8, 0.35
"""How far around the region is looked, over its height: a digit, with the gap before it, and what may be cut off one."""

TALL = 0.45
"""What hangs over an edge counts as a digit from this share of the region's height on; units and labels are smaller."""

LIKE_A_DIGIT = 0.62
"""What stands beside the region may be a digit if it is as tall as this share of those within; units are mostly smaller."""

NEAR = {"left": 0.4, "right": 0.6}
"""How far beside the region the next digit may stand, over the region's height; a 1 stands on the right of its place."""

_JOINED = 5
"""Gaps between a digit's bars are closed up to so many pixels. [px of the strip]"""

_THROUGH = 2
"""Ink runs over an edge that is this deep on either side of it, and as many rows or columns wide. [px of the strip]"""


@dataclass(frozen=True)
class Tightness:
    """The sides ("left", "right", "top", "bottom") over which ink `runs`, and those `beside` which something as tall as a
    digit stands by itself."""

    runs: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Parts:
    """The connected ink of the wider strip: labels, and for each label its first and last column and row (inclusive)."""

    labels: np.ndarray
    left: np.ndarray
    right: np.ndarray
    top: np.ndarray
    bottom: np.ndarray

    @property
    def height(self) -> np.ndarray:
        return self.bottom - self.top + 1

    def inside(self, regions: Sequence[np.ndarray]) -> np.ndarray:
        """Tell which have their middle in one of some regions, (4, 2) each."""
        middles = [((a + b) / 2, (c + d) / 2) for a, b, c, d in zip(self.left, self.right, self.top, self.bottom, strict=True)]
        found = [any(cv2.pointPolygonTest(region, (float(x), float(y)), False) >= 0 for region in regions) for x, y in middles]
        return np.array(found, bool)


def tightness(image: np.ndarray, corners: Corners, *, dark: bool, sign: bool, others: Sequence[Corners] = ()) -> Tightness:
    """Tell over which edges of a marked region digits run.

    Parameters
    ----------
    dark : whether the segments are darker than their ground
    sign : whether a minus sign can stand there, which is no taller than a stroke
    others : the corners of other displays in the photo: what stands in them is no digit of this one
    """
    width, height = side_lengths(corners)
    aside, above = ROOM_ASIDE * height / max(width, 1.0), ROOM_ABOVE
    wider = _widened(corners, aside, above)
    strip = rectify(image, wider)
    rows, columns = strip.pixels.shape[0] - 2 * PAD, strip.pixels.shape[1] - 2 * PAD
    top, bottom = (round(PAD + rows * share) for share in (above / (1 + 2 * above), (1 + above) / (1 + 2 * above)))
    left, right = (round(PAD + columns * share) for share in (aside / (1 + 2 * aside), (1 + aside) / (1 + 2 * aside)))
    ink = cv2.GaussianBlur(levelled(ink_of(strip, dark=dark)).map, (0, 0), 0.01 * STRIP_HEIGHT)
    within = ink[top:bottom, left:right]
    if within.size == 0:
        return Tightness()
    level = float(np.percentile(within, 96))
    lit = cv2.morphologyEx((ink > 0.5 * max(level, 0.1)).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((_JOINED, _JOINED), np.uint8))
    parts, marked = _parts(lit), (left, right, top, bottom)
    runs = tuple(side for side in SIDES if _runs_over(parts, side, marked, sign))
    straight = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32) + PAD
    transform = cv2.getPerspectiveTransform(np.asarray(wider, np.float32), straight)
    elsewhere = parts.inside([cv2.perspectiveTransform(np.array([other], np.float32), transform)[0] for other in others])
    beside = tuple(side for side in ("left", "right") if side not in runs and _stands_beside(parts, side, marked, elsewhere))
    return Tightness(runs, beside)


def _widened(corners: Corners, aside: float, above: float) -> Corners:
    """Give the corners of a larger region around the marked one, in its own perspective; shares of its width and height."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    transform = cv2.getPerspectiveTransform(square, np.asarray(corners, np.float32))
    wider = np.array([[[-aside, -above], [1 + aside, -above], [1 + aside, 1 + above], [-aside, 1 + above]]], np.float32)
    a, b, c, d = ((float(x), float(y)) for x, y in cv2.perspectiveTransform(wider, transform)[0])
    return a, b, c, d


def _parts(lit: np.ndarray) -> _Parts:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(lit, connectivity=8)
    left, top = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_TOP]
    right, bottom = left + stats[:, cv2.CC_STAT_WIDTH] - 1, top + stats[:, cv2.CC_STAT_HEIGHT] - 1
    return _Parts(labels, left, right, top, bottom)


def _runs_over(parts: _Parts, side: str, marked: tuple[int, int, int, int], sign: bool) -> bool:
    left, right, top, bottom = marked
    edge = {"left": left, "right": right, "top": top, "bottom": bottom}[side]
    labels = parts.labels if side in ("left", "right") else parts.labels.T
    first, last = (top, bottom) if side in ("left", "right") else (left, right)
    band = labels[first:last, edge - _THROUGH : edge + _THROUGH]
    through = band[(band == band[:, :1]).all(axis=1) & (band[:, 0] > 0), 0]
    count = np.bincount(through, minlength=len(parts.left))
    rows = bottom - top
    whole = (
        (parts.left > 0) & (parts.top > 0)
        & (parts.right < parts.labels.shape[1] - 1) & (parts.bottom < parts.labels.shape[0] - 1)
    )  # fmt: skip
    tall = (parts.height >= TALL * rows) & (parts.height <= 1.6 * rows)
    if sign and side == "left":
        middle = (parts.top + parts.bottom) / 2
        wide = parts.right - parts.left >= 0.15 * rows
        tall |= wide & (middle > top + 0.35 * rows) & (middle < top + 0.65 * rows)
    return bool((whole & tall & (count >= _THROUGH))[1:].any())


def _stands_beside(parts: _Parts, side: str, marked: tuple[int, int, int, int], elsewhere: np.ndarray) -> bool:
    left, right, top, bottom = marked
    rows = bottom - top
    within = (parts.left >= left) & (parts.right <= right) & (parts.top >= top - 3) & (parts.bottom <= bottom + 3)
    within &= parts.height >= TALL * rows
    within[0] = False
    if not within.any():
        return False
    tallest = int(np.flatnonzero(within)[parts.height[within].argmax()])
    spare = 0.15 * parts.height[tallest]
    level = (np.abs(parts.bottom - parts.bottom[tallest]) <= spare) & (parts.top >= parts.top[tallest] - spare)
    alike = level & (parts.height >= LIKE_A_DIGIT * parts.height[tallest]) & (parts.right - parts.left < rows)
    away = left - parts.right if side == "left" else parts.left - right
    near = (away > -_THROUGH - 1) & (away < NEAR[side] * rows)
    inside = (parts.left > 0) & (parts.right < parts.labels.shape[1] - 1)
    return bool((alike & near & inside & ~elsewhere)[1:].any())
