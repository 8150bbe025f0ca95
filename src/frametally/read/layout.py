"""Takes a digits mask and a strip's size; gives where the seven bars of every digit place can lie, as sample points.

A layout is one row of numbers (`PARAMETERS`); all functions work on many layouts at once, as an array of shape
(layouts, parameters), because finding the places is a search over layouts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from frametally.read.rectify import PAD

PARAMETERS = ("right", "bottom", "height", "aspect", "gap", "slant", "tilt", "point_gap", "small", "small_aspect", "stroke")
"""What a layout's numbers are.

right, bottom: the outer edges of the last full-size place at the base line [px of the strip]; height of a full digit [px];
aspect: width over height of a digit; gap: room between neighbouring digits over the height; slant: how far the top
leans to the right, over the height; tilt: how far the base line falls to the right, over the width; point_gap: extra
room that a decimal point takes, over the height; small, small_aspect: size and aspect of the digits after the point
against the others; stroke: a bar's thickness over the height.
"""

RIGHT, BOTTOM, HEIGHT, ASPECT, GAP, SLANT, TILT, POINT_GAP, SMALL, SMALL_ASPECT, STROKE = range(len(PARAMETERS))

BARS = "abcdefg"
"""The trade's letters for the bars: a top, b top right, c bottom right, d bottom, e bottom left, f top left, g middle."""

_ENDS = np.array(  # each bar from (across, up) to (across, up): 0 left/bottom, 1 right/top centre line of the strokes
    [
        [[0, 2], [1, 2]],
        [[1, 1], [1, 2]],
        [[1, 0], [1, 1]],
        [[0, 0], [1, 0]],
        [[0, 0], [0, 1]],
        [[0, 1], [0, 2]],
        [[0, 1], [1, 1]],
    ],
    np.float64,
)
_SEEN_OFF = 0.33
"""How far right of a digit's middle the net marks it, over the digit's height (measured on drawn displays)."""

_HOLES = np.array([[0.5, 0.5], [0.5, 1.5]])


@dataclass(frozen=True)
class Mask:
    """A digits mask taken apart: the number of digit `places`; whether a `sign` can stand before them; how many places come
    `after` the decimal point (None where the mask has no point); `breaks`, the places before which a point or colon stands,
    and `marks`, which of the two."""

    text: str
    places: int
    sign: bool
    after: int | None
    breaks: tuple[int, ...]
    marks: str

    def __hash__(self) -> int:
        return hash(self.text)  # the rest follows from it

    @classmethod
    @lru_cache(maxsize=256)
    def parse(cls, text: str) -> Mask:
        """Take a mask such as "-##.#" apart; `model.Display` has checked its form."""
        sign = text.startswith("-")
        body = text.lstrip("-")
        digits = body.count("#")
        breaks, marks, seen = [], "", 0
        for character in body:
            if character == "#":
                seen += 1
            else:
                breaks.append(seen)
                marks += character
        after = digits - breaks[-1] if marks.endswith(".") and breaks else None
        return cls(text, digits, sign, after, tuple(breaks), marks)

    def writes(self, text: str) -> bool:
        """Tell whether a number can be written into this mask: its points where they are here, and no more digits."""
        seen = Mask.parse("".join("#" if character.isdigit() else character for character in text))
        here, there = (
            [(mask.places - place, mark) for place, mark in zip(mask.breaks, mask.marks, strict=True)] for mask in (self, seen)
        )
        fits = 0 < seen.places <= self.places and seen.sign <= self.sign
        return (
            fits
            and there == here[len(here) - len(there) :]
            and all(after > seen.places for after, _ in here[: len(here) - len(there)])
        )


def first_layouts(mask: Mask, shape: tuple[int, int], count: int, small_last: bool, random: np.random.Generator) -> np.ndarray:
    """Draw layouts from what marked regions look like: digits filling 65 to 100 % of a region marked 0 to 25 % loose.

    Parameters
    ----------
    shape : the strip's (rows, columns), padding included [px]
    small_last : whether the digits after the point are smaller than the others

    Returns
    -------
    float64, shape (count, parameters)
    """
    rows, columns = shape[0] - 2 * PAD, shape[1] - 2 * PAD
    layouts = np.empty((count, len(PARAMETERS)))
    height = random.uniform(0.64, 1.0, count) * rows
    centre = rows * (0.5 + random.uniform(-0.09, 0.09, count))
    small = random.uniform(0.42, 0.75, count) if small_last else np.ones(count)
    point_gap = np.where(random.random(count) < 0.5, 0.0, random.uniform(0.05, 0.3, count)) if mask.breaks else np.zeros(count)
    # a sign takes room on the left; without one, a leading 1 fills only the right of its place
    width = random.uniform(*((0.5, 1.0) if mask.sign else (0.74, 1.12)), count) * columns
    aspect = random.uniform(0.38, 0.72, count)
    slant = np.where(random.random(count) < 0.4, random.normal(0.0, 0.03, count), random.uniform(-0.05, 0.28, count))
    sizes = _sizes(mask, small)
    spare = width / height - aspect * sizes.sum(axis=1) - point_gap * len(mask.breaks) - np.abs(slant)
    gap = spare / max(mask.places - 1, 1) if mask.places > 1 else np.full(count, 0.2)
    slack = np.maximum(columns - width, 0)
    to_right = random.uniform(0.0, 0.3, count) if mask.sign else random.uniform(0.1, 0.9, count)
    tail = (aspect[:, None] * sizes + gap[:, None] * sizes)[:, mask.places - _tail(mask) :].sum(axis=1) * height
    tail = tail + point_gap * height * (_tail(mask) > 0)
    layouts[:, RIGHT] = PAD + columns - slack * to_right - np.maximum(slant, 0) * height - tail
    layouts[:, BOTTOM] = PAD + centre + height / 2
    layouts[:, HEIGHT] = height
    layouts[:, ASPECT] = aspect
    layouts[:, GAP] = gap
    layouts[:, SLANT] = slant
    layouts[:, TILT] = random.normal(0.0, 0.025, count)
    layouts[:, POINT_GAP] = point_gap
    layouts[:, SMALL] = small
    layouts[:, SMALL_ASPECT] = random.uniform(0.85, 1.2, count) if small_last else 1.0
    layouts[:, STROKE] = random.uniform(0.07, 0.2, count)
    return layouts


def layouts_at(mask: Mask, shape: tuple[int, int], count: int, x: Sequence[float], random: np.random.Generator) -> np.ndarray:
    """Draw layouts whose last places lie, side by side, where digits were seen: float64, shape (count, parameters).

    What the sightings do not tell (height, slant, size of small digits, ...) is drawn as in `first_layouts`; the gaps
    and the right edge follow from them by least squares, held a little to what was drawn.

    Parameters
    ----------
    x : where the last len(x) places were seen [px of the strip], a like amount off their middles, mostly to the right
    """
    layouts = first_layouts(mask, shape, count, False, random)
    if mask.after:
        half = first_layouts(mask, shape, count - count // 2, True, random)
        layouts = np.vstack([layouts[: count // 2], half])
    seen = np.asarray(x, np.float64)
    drawn = layouts[:, [GAP, POINT_GAP]].clip([0.1, 0.0], [0.6, 0.3])
    off = random.normal(_SEEN_OFF, 0.08, count)

    def marks(right: float, gap: float, point_gap: float) -> np.ndarray:
        layouts[:, RIGHT], layouts[:, GAP], layouts[:, POINT_GAP] = right, gap, point_gap
        sizes = _sizes(mask, layouts[:, SMALL])
        widths = _widths(layouts, mask, sizes)
        to_seen = (layouts[:, SLANT, None] / 2 + off[:, None]) * layouts[:, HEIGHT, None] * sizes
        marked = _rights(layouts, mask, sizes) - widths / 2 + to_seen
        return marked[:, mask.places - len(seen) :]

    none = marks(0.0, 0.0, 0.0)
    by_gap, by_point = marks(0.0, 1.0, 0.0) - none, marks(0.0, 0.0, 1.0) - none
    slopes = np.stack([np.ones_like(none), by_gap, by_point], axis=-1)
    wanted = seen - none
    hold = np.array([0.0, 1.0, 4.0 if mask.breaks else 1e6])
    prior = np.concatenate([np.zeros((count, 1)), drawn if mask.breaks else drawn * [1, 0]], axis=1)
    normal = slopes.transpose(0, 2, 1) @ slopes + np.diag(hold)
    target = slopes.transpose(0, 2, 1) @ wanted[..., None] + (hold * prior)[..., None]
    layouts[:, [RIGHT, GAP, POINT_GAP]] = np.linalg.solve(normal, target)[..., 0]
    return layouts


def plausibility(layouts: np.ndarray, mask: Mask, shape: tuple[int, int], *, seen: bool = False) -> np.ndarray:
    """Give how far each layout strays from what displays and marked regions look like: 0 none, growing with the square.

    Where digits were `seen`, they need not fill the region from left to right: there may be a unit beside them.
    """
    rows, columns = shape[0] - 2 * PAD, shape[1] - 2 * PAD
    left, right, top, bottom = _extent(layouts, mask)
    values = np.empty((10, len(layouts)))
    for row, parameter in enumerate((ASPECT, GAP, SLANT, TILT, POINT_GAP, STROKE)):
        values[row] = layouts[:, parameter]
    values[6], values[7] = (left - PAD) / columns, (right - PAD) / columns
    values[8], values[9] = (top - PAD) / rows, (bottom - PAD) / rows
    low, high, scale = _SEEN if seen else _USUAL_WITH_SIGN if mask.sign else _USUAL
    over = (np.maximum(low - values, 0) + np.maximum(values - high, 0)) / scale
    over[1] = np.maximum(over[1], (0.9 * layouts[:, STROKE] - layouts[:, GAP]) / scale[1])
    badness = (over * over).sum(axis=0)
    small, small_aspect = layouts[:, SMALL], layouts[:, SMALL_ASPECT]
    badness += np.minimum(((small - 1) / 0.02) ** 2, _outside(small, 0.42, 0.78, 0.03))
    return badness + _outside(small_aspect, 0.85, 1.25, 0.1)


def _outside(value: np.ndarray, low: float, high: float, scale: float) -> np.ndarray:
    over = (np.maximum(low - value, 0) + np.maximum(value - high, 0)) / scale
    return np.asarray(over * over)


def _limits(left_most: float, right_least: float = 0.84) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give what is usual, as (low, high, scale) of `plausibility`'s values, each (10, 1)."""
    limits = np.array(
        [
            (0.40, 0.70, 0.05),  # aspect
            (0.10, 0.55, 0.03),  # gap
            (-0.05, 0.27, 0.05),  # slant
            (-0.06, 0.06, 0.02),  # tilt
            (0.0, 0.3, 0.05),  # point_gap
            (0.06, 0.21, 0.02),  # stroke
            (-0.2, left_most, 0.04),  # left, right, top and bottom edge over the marked region
            (right_least, 1.0, 0.04),
            (0.0, 0.18, 0.04),
            (0.82, 1.0, 0.04),
        ]
    )
    low, high, scale = limits.T[..., None]
    return low, high, scale


_USUAL, _USUAL_WITH_SIGN, _SEEN = _limits(0.16), _limits(0.45), _limits(0.6, 0.4)


def _tail(mask: Mask) -> int:
    """Give how many places follow the one that `right` belongs to: those after the point."""
    return mask.after or 0


def _sizes(mask: Mask, small: np.ndarray) -> np.ndarray:
    """Give every place's size against a full digit: shape (layouts, places)."""
    sizes = np.ones((len(small), mask.places))
    if mask.after:
        sizes[:, mask.places - mask.after :] = small[:, None]
    return sizes


def _rights(layouts: np.ndarray, mask: Mask, sizes: np.ndarray) -> np.ndarray:
    """Give every place's outer right edge at the base line: shape (layouts, places). [px]"""
    widths = _widths(layouts, mask, sizes)
    gaps = layouts[:, GAP, None] * np.minimum(sizes, 1) * layouts[:, HEIGHT, None]
    for position in mask.breaks:
        if 0 < position < mask.places:
            gaps[:, position] += layouts[:, POINT_GAP] * layouts[:, HEIGHT]
    anchor = mask.places - 1 - _tail(mask)
    rights = np.empty_like(sizes)
    rights[:, anchor] = layouts[:, RIGHT]
    for place in range(anchor - 1, -1, -1):
        rights[:, place] = rights[:, place + 1] - widths[:, place + 1] - gaps[:, place + 1]
    for place in range(anchor + 1, mask.places):
        rights[:, place] = rights[:, place - 1] + gaps[:, place] + widths[:, place]
    return rights


def _widths(layouts: np.ndarray, mask: Mask, sizes: np.ndarray) -> np.ndarray:
    widths = layouts[:, ASPECT, None] * layouts[:, HEIGHT, None] * sizes
    if mask.after:
        widths[:, mask.places - mask.after :] *= layouts[:, SMALL_ASPECT, None]
    return widths


def _extent(layouts: np.ndarray, mask: Mask) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    sizes = _sizes(mask, layouts[:, SMALL])
    rights, widths = _rights(layouts, mask, sizes), _widths(layouts, mask, sizes)
    height, slant = layouts[:, HEIGHT], layouts[:, SLANT]
    left = rights[:, 0] - widths[:, 0] + np.minimum(slant, 0) * height
    right = rights[:, -1] + np.maximum(slant, 0) * height * sizes[:, -1]
    return left, right, layouts[:, BOTTOM] - height, layouts[:, BOTTOM]


@dataclass(frozen=True)
class Points:
    """Sample points of many layouts: `x`, `y` of shape (layouts, places, 7, points along a bar); `length` the bars' lengths
    over the strip's rows, shape (layouts, places, 7); `hole_x`, `hole_y` the middles of each digit's two holes,
    shape (layouts, places, 2); `stroke` the bars' thickness [px], shape (layouts, places)."""

    x: np.ndarray
    y: np.ndarray
    length: np.ndarray
    hole_x: np.ndarray
    hole_y: np.ndarray
    stroke: np.ndarray


def sample_points(layouts: np.ndarray, mask: Mask, along: int, shape: tuple[int, int], reach: float = 0.84) -> Points:
    """Give the points at which each layout expects its bars; `along` of them on the middle `reach` of every bar's length."""
    sizes = _sizes(mask, layouts[:, SMALL])
    rights = _rights(layouts, mask, sizes)
    heights = layouts[:, HEIGHT, None] * sizes
    widths = _widths(layouts, mask, sizes)
    strokes = layouts[:, STROKE, None] * layouts[:, HEIGHT, None] * (0.4 + 0.6 * sizes)
    fractions = (np.arange(along) + 0.5) / along
    ends = _ENDS[:, 0, None, :] * (1 - fractions)[None, :, None] + _ENDS[:, 1, None, :] * fractions[None, :, None]
    ends = np.concatenate([_kept_off(ends, 0, reach), _kept_off(ends, 1, reach)], axis=-1)
    across, up = ends[..., 0], ends[..., 1]
    x, y = _to_strip(across, up, rights, widths, heights, strokes, layouts, shape)
    hole_x, hole_y = _to_strip(_HOLES[:, 0], _HOLES[:, 1], rights, widths, heights, strokes, layouts, shape)
    level = (widths - strokes) / shape[0]
    upright = (heights / 2 - strokes) / shape[0]
    length = np.stack([level, upright, upright, level, upright, upright, level], axis=-1)
    return Points(x, y, length, hole_x, hole_y, strokes)


def _kept_off(ends: np.ndarray, axis: int, reach: float) -> np.ndarray:
    """Draw the points of a bar in at both ends, along the axis it runs: neighbouring bars meet in the corners."""
    middle = ends[..., axis].mean(axis=1, keepdims=True)
    return (middle + (ends[..., axis] - middle) * reach)[..., None]


def _to_strip(
    across: np.ndarray,
    up: np.ndarray,
    rights: np.ndarray,
    widths: np.ndarray,
    heights: np.ndarray,
    strokes: np.ndarray,
    layouts: np.ndarray,
    shape: tuple[int, int],
) -> tuple[np.ndarray, np.ndarray]:
    extra = (slice(None), slice(None)) + (None,) * across.ndim
    single = (slice(None), None) + (None,) * across.ndim
    rise = strokes[extra] / 2 + up / 2 * (heights - strokes)[extra]
    x = (rights - widths)[extra] + strokes[extra] / 2 + across * (widths - strokes)[extra] + layouts[:, SLANT][single] * rise
    y = layouts[:, BOTTOM][single] - rise + layouts[:, TILT][single] * (x - shape[1] / 2)
    return x, y
