"""Takes the bars of a reading on a strip; gives whether digits may be cut by the marked region, or left out beside it.

A region marked so tightly that it cuts a digit shows another one: half a 0 is a 1, an 8 without its left bars a 3.
"""

from __future__ import annotations

import cv2
import numpy as np

from frametally.read.segments import Bars

REMNANT = 0.4
"""Ink along the strip's edge as tall as this share of a digit may be a bar of another one."""

TALL = 0.62
"""Ink right of the last place as tall as this share of a digit may be another digit; units are mostly smaller."""

OWN_ROWS = 0.08
"""What reaches this share of a digit's height above or below the digits is no digit but the display's frame."""


def runs_out(inked: np.ndarray, bars: Bars, glyphs: str) -> bool:
    """Tell whether the first or last digit shown may be cut, or another stand beside them.

    `inked` is where the strip shows ink, uint8, more than 0 there.
    The strip shows a little more than was marked (`rectify.PAD`), so that a digit which just fills the region does not count.
    Ink over the left or right edge counts where it hangs together with the outermost digit, or is as tall as what may be
    left of a cut digit.
    """
    shown = [place for place, glyph in enumerate(glyphs) if glyph != " "]
    if not shown:
        return False
    heights = bars.y.max(axis=(1, 2)) - bars.y.min(axis=(1, 2))
    full = int(heights.argmax())
    height, stroke = float(heights[full]), float(bars.stroke[full])
    top, bottom = float(bars.y[full].min()), float(bars.y[full].max())
    rows = slice(max(round(top - stroke / 2), 0), max(round(bottom + stroke / 2), 1))
    first, last = min(bars.lefts[shown[0]]) - stroke, max(bars.rights[shown[-1]]) + stroke
    beside = max(round(max(map(max, bars.rights)) + 1.5 * stroke), 0)
    at_left, at_right = inked[rows, :2].all(axis=1), inked[rows, -2:].all(axis=1)
    least = 0.5 * stroke
    if max(at_left.sum(), at_right.sum()) < least and _rows_with(inked[rows, beside:]) < TALL * height:
        return False
    count, labels, stats, _ = cv2.connectedComponentsWithStats(inked, connectivity=8)
    starts, ends = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_LEFT] + stats[:, cv2.CC_STAT_WIDTH]
    over, tall = stats[:, cv2.CC_STAT_TOP], stats[:, cv2.CC_STAT_HEIGHT]
    spare = OWN_ROWS * height + stroke / 2
    digits = (over >= top - spare) & (over + tall <= bottom + spare)
    digits[0] = False  # the ground
    left = np.bincount(labels[rows, 0][at_left], minlength=count)
    right = np.bincount(labels[rows, -1][at_right], minlength=count)
    cut = (left >= np.where(ends > first, least, REMNANT * height)) | (right >= np.where(starts < last, least, REMNANT * height))
    return bool((digits & (cut | ((starts >= beside) & (tall >= TALL * height)))).any())


def _rows_with(inked: np.ndarray) -> int:
    """Give how many rows have any ink."""
    return int(cv2.countNonZero(cv2.reduce(inked, 1, cv2.REDUCE_MAX))) if inked.size else 0
