"""Takes digit places on a strip; measures their bars and gives how likely every sign is, and the ink that none explains."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import cv2
import numpy as np

from frametally.read.glyphs import GLYPHS, OWNER, PATTERNS, SEARCHED, likeliest_shape
from frametally.read.layout import Mask, sample_points
from frametally.read.lesson import Levels
from frametally.read.places import LEVEL_BAR, Fit, read_map, typical_level
from frametally.read.rectify import STRIP_HEIGHT, Ink

FLOOR_FOUND, FLOOR_FOLLOWED = 1 / 2000, 1 / 25000
"""How wrong a clear bar may be: where the places were searched for, and where they were known from another photo."""

_WIDTH = 0.045
"""How soft the step from unlit to lit is, in shares of the lit level (set on practice nights)."""


@dataclass(frozen=True)
class Bars:
    """What was measured on the bars: `lit` of shape (places, 7), 0 ground to about 1 lit; `profile` (places, 7, points), the
    same along each bar; `x`, `y` (places, 7, points) where it was measured; `stroke` (places,) the bars' thickness [px]."""

    lit: np.ndarray
    profile: np.ndarray
    x: np.ndarray
    y: np.ndarray
    stroke: np.ndarray

    @cached_property
    def levels(self) -> np.ndarray:
        """The lit level of every place, as `lit_levels` gives it."""
        return lit_levels(self.lit)

    @cached_property
    def level(self) -> float:
        """The lit level of the brightest place."""
        return float(self.levels.max())

    @cached_property
    def rows(self) -> list[list[float]]:
        """The row in which every bar of every place has its middle."""
        return self.y.mean(axis=-1).tolist()

    @cached_property
    def lefts(self) -> list[list[float]]:
        """The leftmost point of every bar of every place."""
        return self.x.min(axis=-1).tolist()

    @cached_property
    def rights(self) -> list[list[float]]:
        """The rightmost point of every bar of every place."""
        return self.x.max(axis=-1).tolist()

    @cached_property
    def ends(self) -> np.ndarray:
        """The first and last point of every bar, whole pixels: int32, (places, 7, 2, 2), across before down."""
        ends = np.empty((*self.lit.shape, 2, 2))
        apart = self.x.shape[2] - 1
        ends[..., 0], ends[..., 1] = self.x[:, :, ::apart], self.y[:, :, ::apart]
        return np.rint(ends).astype(np.int32)


SHIFTS = np.array([(x, y) for x in (-3, -1.5, 0, 1.5, 3) for y in (-1.5, 0, 1.5)])
"""How far a place may be moved to where its bars are: to the right and down. [px]"""

WIDENINGS = (-4, -2, 0, 2, 4)
"""How much wider it may be. [px]"""

EFFORT = 0.003
"""What a pixel of moving or widening must gain."""

ALONG, REACH = 7, 0.66
"""Points at which a bar is measured along its length, and the share of the length they lie on."""

ACROSS = np.array([-0.25, 0.0, 0.25])
"""Where across a bar it is measured, in shares of its thickness."""

_NUDGES = np.array([(x, y, w) for x, y in SHIFTS for w in WIDENINGS])

_SOFT = 0.012 * STRIP_HEIGHT
"""How far ink is softened before it is measured: the noise of single pixels tells nothing. [px]"""


def softened(ink: Ink) -> np.ndarray:
    """Give the map of ink as bars are measured on it."""
    return cv2.GaussianBlur(np.clip(ink.map, -0.3, 1.3), (7, 7), _SOFT)  # further out lies less than a hundredth of its weight


def measure(fit: Fit, mask: Mask) -> Bars:
    """Measure every bar of every place.

    Each place is first moved and stretched by a few pixels to where it explains most: real digits do not keep a perfect pitch.
    """
    soft = softened(fit.ink)
    points = sample_points(fit.layout[None], mask, ALONG, soft.shape, reach=REACH)
    x, y, stroke = points.x[0], points.y[0], points.stroke[0]
    moved_x = x[:, :, None] + _NUDGES[:, 0, None] + spread_of(x)[:, :, None] * _NUDGES[:, 2, None]
    moved_y = y[:, :, None] + _NUDGES[:, 1, None] + np.zeros_like(moved_x)
    offsets = ACROSS[:, None] * stroke[:, None, None, None, None]
    level_bar = LEVEL_BAR[None, :, :, None, None]
    sampled = read_map(
        soft,
        moved_x[..., None, :] + np.where(level_bar, 0, offsets),
        moved_y[..., None, :] + np.where(level_bar, offsets, 0),
    )  # places, bars, nudges, across, along
    profile = sampled.mean(axis=3)
    lit = profile.mean(axis=-1)
    level = float(typical_level(lit[:, :, len(_NUDGES) // 2][None])[0])
    gain = points.length[0][..., None] * level * (2 * lit - level)
    best = np.einsum("pbn,gb->png", gain, SEARCHED.astype(float)).max(axis=-1) - EFFORT * np.abs(_NUDGES).sum(axis=1)
    chosen, places = best.argmax(axis=1), np.arange(mask.places)
    return Bars(
        lit[places, :, chosen], profile[places, :, chosen], moved_x[places, :, chosen], moved_y[places, :, chosen], stroke
    )


def spread_of(x: np.ndarray) -> np.ndarray:
    """Give how far each point (places, 7, points) moves to the right where its place is widened by a pixel: -1/2 to 1/2."""
    apart = x - x.mean(axis=(1, 2), keepdims=True)
    return apart / np.maximum(np.abs(apart).max(axis=(1, 2), keepdims=True), 1.0) / 2


def place_likelihoods(bars: Bars, fit: Fit, veiled: np.ndarray, floor: float, taught: Levels | None = None) -> np.ndarray:
    """Give every place's log likelihood of every glyph: shape (places, glyphs), in the order of GLYPHS.

    A bar's chance of being lit is a logistic function of its ink against the place's own lit level. It is flatter where
    the strip is noisy, where the ink changes along the bar, and says nothing where glare may hide a dark bar; and it never
    gets nearer to 0 or 1 than `floor`, since no bar may outvote all others.

    Parameters
    ----------
    veiled : bool, shape (places, 7): bars under glare. Glare adds light and cannot make a bar dark: on a display with dark
        segments a bar that shows is lit all the same, one that does not show may be either. On one with bright segments
        nothing can be told.
    taught : where the night taught them, every bar's own levels: it is judged half way between them
    """
    level = bars.levels[:, None]
    ratio = bars.lit / level
    apart = bars.profile - bars.lit[:, :, None]
    unrest = np.sqrt(np.einsum("pbn,pbn->pb", apart, apart) / apart.shape[-1]) / level
    middle = _middle(ratio) if taught is None else (taught.unlit + taught.lit) / 2
    width = np.sqrt(_WIDTH**2 + (0.35 * fit.ink.noise / level) ** 2 + (0.22 * unrest) ** 2)
    chance = 1 / (1 + np.exp(-np.minimum(np.maximum((ratio - middle) / width, -30), 30)))
    chance = np.minimum(np.maximum(chance, floor), 1 - floor)
    chance = np.where(veiled, np.maximum(chance, 0.5) if fit.ink.dark else 0.5, chance)
    by_variant = np.log(chance) @ PATTERNS.T + np.log1p(-chance) @ ~PATTERNS.T
    return np.maximum.reduceat(by_variant, _FIRST, axis=1)


_FIRST = np.searchsorted(OWNER, np.arange(len(GLYPHS)))
"""The first variant of every glyph: those of one glyph follow one another."""


def _middle(ratio: np.ndarray) -> float:
    """Give the level between unlit and lit: half way, or within the widest empty step where unlit bars show strongly."""
    values = np.sort(ratio.ravel())
    low, high = values[:-1], values[1:]
    between = np.flatnonzero((high > 0.4) & (low < 0.85) & (low > 0.25))
    if not between.size:
        return 0.5
    widest = between[np.argmax((high - low)[between])]
    step = high[widest] - low[widest]
    return min(max(float(high[widest] + low[widest]) / 2, 0.42), 0.7) if step > 0.15 else 0.5


def lit_levels(lit: np.ndarray) -> np.ndarray:
    """Give the lit level of every place, against which its bars are judged: shape (places,).

    It follows the place's own brightest bars, since light and glare differ from place to place, but not further down
    than half of the display's: a place whose bars are all fainter than that is off.
    """
    ordered = np.sort(lit, axis=None)
    display = float(ordered[-2])  # two bars are lit at least, those of a lone 1
    strong = ordered[np.searchsorted(ordered, 0.55 * display, side="right") :]
    if strong.size:
        display = float(strong[(strong.size - 1) // 2] + strong[strong.size // 2]) / 2
    display = max(display, 0.05)
    own = np.sort(lit, axis=1)[:, -2]
    return np.minimum(np.maximum(own, 0.62 * display), 1.15 * display)


def bare_of(fit: Fit, bars: Bars, glyphs: str) -> np.ndarray:
    """Tell where on the strip no bar of a reading is, nor its edge: uint8, 1 there and 0 elsewhere."""
    bare = np.ones(fit.ink.map.shape, np.uint8)
    for ends, stroke, shape in zip(bars.ends, bars.stroke.tolist(), shapes_of(glyphs, bars), strict=True):
        if shape.any():
            cv2.polylines(bare, list(ends[shape]), False, 0, max(3, round(_BREADTH * stroke)))
    return bare


_BREADTH = 2.2
"""How broad a bar is with its edges, over its thickness."""


def explained(fit: Fit, bars: Bars, mask: Mask, bare: np.ndarray) -> np.ndarray:
    """Give, for every place, how much of the ink in and around it lies on the bars of a reading: (places,), 0 to 1.

    `bare` is where these are not, as `bare_of` gives it.

    What is left over is measured against the place's own ink, or against two fifths of the fullest place's where that is
    more: a little dirt in an empty place does not count. Nor does the decimal point.
    """
    energy = np.clip(fit.ink.map, 0, 1.2)
    energy *= energy
    _wipe_points(energy, bars, mask)
    inside, spare = np.zeros(mask.places), np.zeros(mask.places)
    for place, ends in enumerate(bars.ends):
        room = _room(ends.tobytes(), max(3, round(2.4 * float(bars.stroke[place]))), energy.shape)
        if room is not None:
            box, cell = room
            inside[place] = cv2.norm(energy[box], cv2.NORM_L1, cell)
            spare[place] = cv2.norm(energy[box], cv2.NORM_L1, cell & bare[box])
    return 1 - spare / np.maximum(np.maximum(inside, 0.4 * inside.max()), 1e-6)


@lru_cache(maxsize=512)
def _room(ends: bytes, thickness: int, shape: tuple[int, int]) -> tuple[tuple[slice, slice], np.ndarray] | None:
    """Give the room of one place: the part of a strip of some shape it lies in, and where it is there, uint8, 1 or 0; None where
    it lies beside the strip. `ends` (7, 2, 2) as in `Bars`, by its bytes: photos of a night share most of them."""
    hull = cv2.convexHull(np.frombuffer(ends, np.int32).reshape(-1, 2))
    left, top, width, height = cv2.boundingRect(hull)
    reach = thickness // 2 + 2
    right, bottom = min(left + width + reach, shape[1]), min(top + height + reach, shape[0])
    left, top = max(left - reach, 0), max(top - reach, 0)
    if left >= right or top >= bottom:
        return None
    cell = np.zeros((bottom - top, right - left), np.uint8)
    hull = hull - np.array((left, top), np.int32)
    cv2.fillConvexPoly(cell, hull, 1)
    cv2.polylines(cell, [hull], True, 1, thickness)
    return (slice(top, bottom), slice(left, right)), cell


def stray_ink(inked: np.ndarray, bare: np.ndarray, bars: Bars, mask: Mask, *, minus: bool) -> float:
    """Give the largest blot between and left of the digits that a reading leaves out, as a share of a bar's area.

    `inked` is where the strip shows ink, uint8, more than 0 there, `bare` where the reading has no bar, as `bare_of` gives it.

    Such a blot may be a leading 1 that fell between two places, which would make 12 a 2. Only what is as high as a quarter of
    a digit counts, and stands in the digits' own rows; right of the last full-size place stand unit signs. Where the reading
    has a `minus`, level strokes at half height are left out.
    """
    spare = cv2.bitwise_and(inked, bare)
    _wipe_points(spare, bars, mask)
    last = mask.places - 1 - (mask.after or 0)
    top, bottom = bars.rows[last][0], bars.rows[last][3]
    height, stroke = bottom - top, float(bars.stroke[last])
    end = max(round(max(bars.rights[last][1:3]) + stroke), 0)
    band = spare[max(round(top), 0) : max(round(bottom) + 1, 0), :end]
    if band.size == 0 or height < 8 or cv2.countNonZero(band) < 0.25 * height:
        return 0.0
    _, _, stats, _ = cv2.connectedComponentsWithStats(band, connectivity=4)
    least = 0.25 * height if not minus else max(0.25 * height, 1.6 * stroke)
    inside = stats[1:, cv2.CC_STAT_LEFT] > 0  # what comes in over the strip's edge is the display's frame
    blots = stats[1:][(stats[1:, cv2.CC_STAT_HEIGHT] >= least) & inside]
    return float(blots[:, cv2.CC_STAT_AREA].max()) / (0.42 * height * stroke) if len(blots) else 0.0


def shapes_of(glyphs: str, bars: Bars) -> list[np.ndarray]:
    """Give the bars that make up every glyph, in the variant that fits what was measured best: bool, (7,) each."""
    return [likeliest_shape(glyph, lit) for glyph, lit in zip(glyphs, bars.lit, strict=True)]


def _wipe_points(energy: np.ndarray, bars: Bars, mask: Mask) -> None:
    for position in mask.breaks:
        _wipe_point(energy, bars, position)


def _wipe_point(energy: np.ndarray, bars: Bars, position: int) -> None:
    """Blank out the room of a decimal point or colon, between the places before and after it."""
    if not 0 < position < len(bars.lit):
        return
    before, after = position - 1, position
    stroke, base = float(bars.stroke[before]), bars.rows[before][3]
    left = bars.rights[before][2] + 0.8 * stroke
    right = max(bars.lefts[after][4] - 0.2 * float(bars.stroke[after]), left + stroke)
    height = base - bars.rows[before][0]
    top, bottom = base - 0.25 * height, base + 0.2 * height
    rows, columns = slice(max(round(top), 0), max(round(bottom), 0)), slice(max(round(left), 0), max(round(right), 0))
    energy[rows, columns] = 0


def sign_chances(fit: Fit, bars: Bars) -> np.ndarray:
    """Give the chance that a minus sign stands left of each place, if that place is the first with a digit: (places,).

    A minus is a level stroke at half height, a fifth of the digits' height long or more, with nothing above or below it. It
    is looked for in the whole room left of the digits: on some displays it has a small place of its own, on others it takes
    the middle bar of an empty place.
    """
    return np.array([sign_chance(fit, bars, place) for place in range(len(bars.lit))])


def sign_chance(fit: Fit, bars: Bars, place: int) -> float:
    """Give the chance that a minus sign stands left of one place, as `sign_chances` does for each."""
    stroke = max(round(float(bars.stroke[place])), 3)
    top, middle, bottom = (bars.rows[place][bar] for bar in (0, 6, 3))
    end = round(min(bars.lefts[place][4:6]) - 0.8 * stroke)
    length = max(round(0.2 * (bottom - top)), 4)
    row = round(middle)
    apart = max(round(0.22 * (bottom - top)), stroke + 2)
    first, last = max(row - stroke // 2 - 2, 0), min(row + stroke // 2 + 3, len(fit.ink.map))
    above, below = max(row - apart, 0), min(row + apart, len(fit.ink.map) - 1)
    if end < length + 2 or last - first < 3 or below < 0 or above > below:
        return 0.0
    start = max(above - stroke - _REACH, 0)
    band = fit.ink.map[start : below + stroke + _REACH + 1, : end + _REACH]
    soft = cv2.GaussianBlur(np.clip(band, 0, 1.2), (0, 0), _SOFT)
    stretch = cv2.blur(soft[:, :end], (length, max(stroke - 2, 1)))
    beside = np.maximum(stretch[above - start], stretch[below - start])
    standing_out = float((stretch[first - start : last - start].max(axis=0) - beside).max()) / bars.level
    return float(1 / (1 + np.exp(-(standing_out - 0.45) / 0.06)))


_REACH = 6
"""How far the softening below reaches, rounded up. [px]"""
