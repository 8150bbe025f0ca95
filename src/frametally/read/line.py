"""Takes a strip; gives the one line of text that was marked in it, as ink, without the rows above and below and small letters."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from frametally.read.rectify import STRIP_HEIGHT, Ink

LEAST_HEIGHT = 0.45
"""A sign is at least so high, over the strip's rows: a marked region is not much higher than its digits."""

_ROOM = 6
"""Rows and columns kept around the line. [px]"""


@dataclass(frozen=True)
class Line:
    """A line of text: `ink` float32 (rows, columns), 0 ground, about 1 lit; `height` of its digits, `top` the row where they
    begin; `above` and `left` what of the strip was cut away. [px of the strip]"""

    ink: np.ndarray
    height: float
    top: float
    above: int
    left: int


def find_line(ink: Ink) -> Line | None:
    """Find the marked line: what is as high as a digit in the middle of the strip sets its height; None where nothing is.

    Dots of one sign are joined before they are counted. Kept is what has the digits' height and stands on their line, what can be
    a point beside it, and what can be a minus or half a colon. Smaller letters, as units often are, are cut away.
    """
    lit = np.clip(ink.map, 0, 1.3).astype(np.float32)
    joined = cv2.GaussianBlur(lit, (0, 0), STRIP_HEIGHT / 32)
    level = max(0.6 * _parting(joined), 0.15)
    count, labels, stats, centres = cv2.connectedComponentsWithStats((joined > level).astype(np.uint8), connectivity=8)
    middle, rows = centres[:, 1], lit.shape[0]
    top, width, height, area = (stats[:, column].astype(np.float64) for column in (1, 2, 3, 4))
    parts = (np.arange(count) > 0) & (area >= 25)
    tall = parts & (height > LEAST_HEIGHT * STRIP_HEIGHT) & (middle > 0.3 * rows) & (middle < 0.7 * rows)
    if not tall.any():
        return None
    whole = tall & (top > 0) & (top + height < rows)
    seen = whole if whole.any() else tall
    # Of a unit's letters, small ones are less high and those with tails begin lower.
    digit = float(height[seen & (top <= top[seen].min() + 0.15 * height[seen].max())].max())
    alike = seen & (np.abs(height - digit) < 0.15 * digit) & (top <= top[seen].min() + 0.15 * digit)
    digit, first = float(np.median(height[alike])), float(np.median(top[alike]))
    off = np.abs(middle - first - digit / 2)
    base = first + digit
    signs = (height > 0.6 * digit) & (height < 1.35 * digit) & (off < 0.25 * digit)
    points = (height <= 0.45 * digit) & (width <= 0.45 * digit) & (middle > base - 0.4 * digit) & (middle < base + 0.1 * digit)
    dashes = (height <= 0.4 * digit) & (off < 0.18 * digit)
    kept = (parts & (signs | points | dashes))[labels]
    if not kept.any():
        return None
    columns, lines = np.flatnonzero(kept.any(axis=0)), np.flatnonzero(kept.any(axis=1))
    above, left = max(0, int(lines[0]) - _ROOM), max(0, int(columns[0]) - _ROOM)
    near = cv2.dilate(kept.astype(np.uint8), np.ones((5, 5), np.uint8))
    part = (lit * near)[above : int(lines[-1]) + 1 + _ROOM, left : int(columns[-1]) + 1 + _ROOM]
    return Line(np.ascontiguousarray(part), digit, first - above, above, left)


def _parting(values: np.ndarray) -> float:
    """Give the level that best parts ink from ground (Otsu 1979), 0 to 1."""
    level, _ = cv2.threshold((np.clip(values, 0, 1) * 255).astype(np.uint8), 0, 255, cv2.THRESH_OTSU)
    return float(level) / 255
