"""Takes digit places on a strip; measures their bars and gives how likely every sign is, and the ink that none explains."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from frametally.read.glyphs import GLYPHS, OWNER, PATTERNS, SEARCHED, likeliest_shape
from frametally.read.layout import Mask, sample_points
from frametally.read.places import LEVEL_BAR, Fit, read_map, typical_level
from frametally.read.rectify import STRIP_HEIGHT

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


_NUDGES = np.array([(x, y, w) for x in (-3, -1.5, 0, 1.5, 3) for y in (-1.5, 0, 1.5) for w in (-4, -2, 0, 2, 4)], float)
_ACROSS = np.array([-0.25, 0.0, 0.25])


def measure(fit: Fit, mask: Mask) -> Bars:
    """Measure every bar of every place.

    Each place is first moved and stretched by a few pixels to where it explains most: real digits do not keep a perfect pitch.
    """
    soft = cv2.GaussianBlur(np.clip(fit.ink.map, -0.3, 1.3), (0, 0), 0.012 * STRIP_HEIGHT)
    points = sample_points(fit.layout[None], mask, 7, soft.shape, reach=0.66)
    x, y, stroke = points.x[0], points.y[0], points.stroke[0]
    middle = x.mean(axis=(1, 2), keepdims=True)
    across = (x - middle) / np.maximum(np.abs(x - middle).max(axis=(1, 2), keepdims=True), 1.0) / 2
    moved_x = x[:, :, None] + _NUDGES[:, 0, None] + across[:, :, None] * _NUDGES[:, 2, None]
    moved_y = y[:, :, None] + _NUDGES[:, 1, None] + np.zeros_like(moved_x)
    offsets = _ACROSS[:, None] * stroke[:, None, None, None, None]
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
    effort = 0.003 * np.abs(_NUDGES).sum(axis=1)
    best = np.einsum("pbn,gb->png", gain, SEARCHED.astype(float)).max(axis=-1) - effort
    chosen, places = best.argmax(axis=1), np.arange(mask.places)
    return Bars(
        lit[places, :, chosen], profile[places, :, chosen], moved_x[places, :, chosen], moved_y[places, :, chosen], stroke
    )


def place_likelihoods(bars: Bars, fit: Fit, veiled: np.ndarray, floor: float) -> np.ndarray:
    """Give every place's log likelihood of every glyph: shape (places, glyphs), in the order of GLYPHS.

    A bar's chance of being lit is a logistic function of its ink against the place's own lit level. It is flatter where
    the strip is noisy, where the ink changes along the bar, and says nothing where glare may hide a dark bar; and it never
    gets nearer to 0 or 1 than `floor`, since no bar may outvote all others.

    Parameters
    ----------
    veiled : bool, shape (places, 7): bars under glare. Glare adds light and cannot make a bar dark: on a display with dark
        segments a bar that shows is lit all the same, one that does not show may be either. On one with bright segments
        nothing can be told.
    """
    level = lit_levels(bars.lit)[:, None]
    ratio = bars.lit / level
    unrest = bars.profile.std(axis=-1) / level
    middle = _middle(ratio)
    width = np.sqrt(_WIDTH**2 + (0.35 * fit.ink.noise / level) ** 2 + (0.22 * unrest) ** 2)
    chance = 1 / (1 + np.exp(-np.clip((ratio - middle) / width, -30, 30)))
    chance = np.clip(chance, floor, 1 - floor)
    chance = np.where(veiled, np.maximum(chance, 0.5) if fit.ink.dark else 0.5, chance)
    by_variant = np.log(chance) @ PATTERNS.T + np.log1p(-chance) @ ~PATTERNS.T
    by_glyph = np.full((len(chance), len(GLYPHS)), -np.inf)
    np.maximum.at(by_glyph.T, OWNER, by_variant.T)
    return by_glyph


def _middle(ratio: np.ndarray) -> float:
    """Give the level between unlit and lit: half way, or within the widest empty step where unlit bars show strongly."""
    values = np.sort(ratio.ravel())
    low, high = values[:-1], values[1:]
    between = np.flatnonzero((high > 0.4) & (low < 0.85) & (low > 0.25))
    if not between.size:
        return 0.5
    widest = between[np.argmax((high - low)[between])]
    step = high[widest] - low[widest]
    return float(np.clip((high[widest] + low[widest]) / 2, 0.42, 0.7)) if step > 0.15 else 0.5


def lit_levels(lit: np.ndarray) -> np.ndarray:
    """Give the lit level of every place, against which its bars are judged: shape (places,).

    It follows the place's own brightest bars, since light and glare differ from place to place, but not further down
    than half of the display's: a place whose bars are all fainter than that is off.
    """
    display = float(np.sort(lit, axis=None)[-2])  # two bars are lit at least, those of a lone 1
    display = max(float(np.median(lit[lit > 0.55 * display])), 0.05) if (lit > 0.55 * display).any() else max(display, 0.05)
    own = np.sort(lit, axis=1)[:, -2]
    return np.clip(own, 0.62 * display, 1.15 * display)


def explained(fit: Fit, bars: Bars, mask: Mask, glyphs: str) -> np.ndarray:
    """Give, for every place, how much of the ink in and around it lies on the bars of this reading: (places,), 0 to 1.

    What is left over is measured against the place's own ink, or against two fifths of the fullest place's where that is
    more: a little dirt in an empty place does not count. Nor does the decimal point.
    """
    energy = np.clip(fit.ink.map, 0, 1.2) ** 2
    _wipe_points(energy, bars, mask)
    painted = _painted(energy.shape, bars, glyphs, 2.1)
    inside, spare = np.zeros(len(glyphs)), np.zeros(len(glyphs))
    for place in range(len(glyphs)):
        cell = np.zeros(energy.shape, np.uint8)
        hull = cv2.convexHull(_ends(bars, place).reshape(-1, 2))
        cv2.fillConvexPoly(cell, hull, 1)
        cv2.polylines(cell, [hull], True, 1, max(3, round(2.4 * float(bars.stroke[place]))))
        inside[place] = energy[cell > 0].sum()
        spare[place] = energy[(cell > 0) & (painted == 0)].sum()
    return 1 - spare / np.maximum(np.maximum(inside, 0.4 * inside.max()), 1e-6)


def stray_ink(fit: Fit, bars: Bars, mask: Mask, glyphs: str, *, minus: bool) -> float:
    """Give the largest blot between and left of the digits that this reading leaves out, as a share of a bar's area.

    Such a blot may be a leading 1 that fell between two places, which would make 12 a 2. Only what is as high as a quarter of
    a digit counts, and stands in the digits' own rows; right of the last full-size place stand unit signs. Where the reading
    has a `minus`, level strokes at half height are left out.
    """
    level = float(lit_levels(bars.lit).max())
    spare = np.where(fit.ink.map > 0.5 * level, 1, 0).astype(np.uint8)
    spare[_painted(spare.shape, bars, glyphs, 2.4) > 0] = 0
    _wipe_points(spare, bars, mask)
    last = len(glyphs) - 1 - (mask.after or 0)
    top, bottom = float(bars.y[last, 0].mean()), float(bars.y[last, 3].mean())
    height, stroke = bottom - top, float(bars.stroke[last])
    end = max(round(float(bars.x[last, 1:3].max()) + stroke), 0)
    band = spare[max(round(top), 0) : max(round(bottom) + 1, 0), :end]
    if band.size == 0 or height < 8:
        return 0.0
    _, _, stats, _ = cv2.connectedComponentsWithStats(band, connectivity=4)
    least = 0.25 * height if not minus else max(0.25 * height, 1.6 * stroke)
    inside = stats[1:, cv2.CC_STAT_LEFT] > 0  # what comes in over the strip's edge is the display's frame
    blots = stats[1:][(stats[1:, cv2.CC_STAT_HEIGHT] >= least) & inside]
    return float(blots[:, cv2.CC_STAT_AREA].max()) / (0.42 * height * stroke) if len(blots) else 0.0


def _ends(bars: Bars, place: int) -> np.ndarray:
    return np.rint(np.stack([bars.x[place], bars.y[place]], axis=-1)).astype(np.int32)


def _painted(shape: tuple[int, ...], bars: Bars, glyphs: str, strokes: float) -> np.ndarray:
    """Paint the bars of a reading, `strokes` times as broad as they are: uint8, 1 where painted."""
    painted = np.zeros(shape, np.uint8)
    for place, glyph in enumerate(glyphs):
        ends = _ends(bars, place)
        for bar in np.flatnonzero(likeliest_shape(glyph, bars.lit[place])):
            thickness = max(3, round(strokes * float(bars.stroke[place])))
            cv2.line(painted, ends[bar, 0].tolist(), ends[bar, -1].tolist(), 1, thickness)
    return painted


def _wipe_points(energy: np.ndarray, bars: Bars, mask: Mask) -> None:
    for position in mask.breaks:
        _wipe_point(energy, bars, position)


def _wipe_point(energy: np.ndarray, bars: Bars, position: int) -> None:
    """Blank out the room of a decimal point or colon, between the places before and after it."""
    if not 0 < position < len(bars.lit):
        return
    before, after = position - 1, position
    left = bars.x[before, 2].max() + 0.8 * bars.stroke[before]
    right = max(bars.x[after, 4].min() - 0.2 * bars.stroke[after], left + bars.stroke[before])
    height = bars.y[before, 3].mean() - bars.y[before, 0].mean()
    top, bottom = bars.y[before, 3].mean() - 0.25 * height, bars.y[before, 3].mean() + 0.2 * height
    rows, columns = slice(max(round(top), 0), max(round(bottom), 0)), slice(max(round(left), 0), max(round(right), 0))
    energy[rows, columns] = 0


def sign_chances(fit: Fit, bars: Bars) -> np.ndarray:
    """Give the chance that a minus sign stands left of each place, if that place is the first with a digit: (places,).

    A minus is a level stroke at half height, a fifth of the digits' height long or more, with nothing above or below it. It
    is looked for in the whole room left of the digits: on some displays it has a small place of its own, on others it takes
    the middle bar of an empty place.
    """
    soft = cv2.GaussianBlur(np.clip(fit.ink.map, 0, 1.2), (0, 0), 0.012 * STRIP_HEIGHT)
    level = float(lit_levels(bars.lit).max())
    chances = np.zeros(len(bars.lit))
    for place in range(len(chances)):
        stroke = max(round(float(bars.stroke[place])), 3)
        top, middle, bottom = (float(bars.y[place, bar].mean()) for bar in (0, 6, 3))
        end = round(float(bars.x[place, 4:6].min()) - 0.8 * stroke)
        length = max(round(0.2 * (bottom - top)), 4)
        row = round(middle)
        rows = slice(max(row - stroke // 2 - 2, 0), row + stroke // 2 + 3)
        if end < length + 2 or soft[rows].shape[0] < 3:
            continue
        stretch = cv2.blur(soft[:, :end], (length, max(stroke - 2, 1)))
        apart = max(round(0.22 * (bottom - top)), stroke + 2)
        beside = np.maximum(stretch[max(row - apart, 0)], stretch[min(row + apart, len(stretch) - 1)])
        standing_out = float((stretch[rows].max(axis=0) - beside).max()) / level
        chances[place] = 1 / (1 + np.exp(-(standing_out - 0.45) / 0.06))
    return chances
