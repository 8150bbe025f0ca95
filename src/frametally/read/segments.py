"""Takes a strip and a digits mask; finds the digit places, measures the seven bars of each, gives the rival readings."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from frametally.read.layout import (
    ASPECT,
    BARS,
    GAP,
    HEIGHT,
    PARAMETERS,
    POINT_GAP,
    RIGHT,
    SMALL,
    SMALL_ASPECT,
    STROKE,
    Mask,
    first_layouts,
    plausibility,
    sample_points,
)
from frametally.read.rectify import PAD, STRIP_HEIGHT, Ink, Strip, ink_of

_SHAPES = {
    "0": ("abcdef",), "1": ("bc",), "2": ("abdeg",), "3": ("abcdg",), "4": ("bcfg",), "5": ("acdfg",),
    "6": ("acdefg", "cdefg"), "7": ("abc", "abcf"), "8": ("abcdefg",), "9": ("abcdfg", "abcfg"),
    " ": ("",), "-": ("g",), "_": ("d",), "A": ("abcefg",), "B": ("cdefg",), "C": ("adef", "deg"), "D": ("bcdeg",), "E": ("adefg",),
    "F": ("aefg",), "H": ("bcefg", "cefg"), "I": ("bc", "ef", "c"), "J": ("bcd", "bcde"), "L": ("def",), "N": ("abcef", "ceg"),
    "O": ("abcdef", "cdeg"), "P": ("abefg",), "R": ("eg", "aef"), "S": ("acdfg",), "T": ("defg",), "U": ("bcdef", "cde"), "Y": ("bcdfg",),
}  # fmt: skip
"""Which bars make which sign, with the variants that instruments use (common practice, no source)."""

GLYPHS = tuple(_SHAPES)
_VARIANTS = [(glyph, shape) for glyph, shapes in _SHAPES.items() for shape in shapes]
_PATTERNS = np.array([[bar in shape for bar in BARS] for _, shape in _VARIANTS], bool)
_OWNER = np.array([GLYPHS.index(glyph) for glyph, _ in _VARIANTS])
_SEARCHED = np.array([glyph in "0123456789 -L" for glyph, _ in _VARIANTS])

_LEVEL_BAR = np.array([bar in "adg" for bar in BARS])[:, None]

_STARTS = 1400
_KEPT = 48
_ROUNDS = 9
_POLISH = np.array([1.5, 1.0, 1.5, 0.015, 0.015, 0.02, 0.008, 0.02, 0.02, 0.04, 0.015])
"""The last rounds' steps, in the order of PARAMETERS."""


@dataclass(frozen=True)
class Fit:
    """How a layout lies on a strip: its `layout` numbers, the `ink`, and the `gain`, the share of the ink it explains."""

    layout: np.ndarray
    ink: Ink
    gain: float


@dataclass(frozen=True)
class Bars:
    """What was measured on the bars: `lit` of shape (places, 7), 0 ground to about 1 lit; `profile` (places, 7, points), the
    same along each bar; `x`, `y` (places, 7, points) where it was measured; `stroke` (places,) the bars' thickness [px]."""

    lit: np.ndarray
    profile: np.ndarray
    x: np.ndarray
    y: np.ndarray
    stroke: np.ndarray


def find_places(
    strip: Strip, mask: Mask, known: np.ndarray | None = None, dark: bool | None = None, contrast: float = 0.0, seed: int = 7
) -> Fit:
    """Find the digit places in a loosely marked region.

    A population of layouts is drawn from what displays look like, those that explain most ink are kept and varied with
    shrinking steps; once for segments darker than the ground and once for brighter ones, once with all digits of one size
    and, where the mask has places after a point, once with those smaller. What explains most ink counts. The same strip
    gives the same answer: the random numbers start from `seed`.

    Parameters
    ----------
    known : layouts that fitted this display before, shape (any, parameters), tried first
    dark, contrast : whether this display's segments are dark, and how far lit ones stand off, where that is known
    """
    inks = (
        [ink_of(strip, dark=True), ink_of(strip, dark=False)]
        if dark is None
        else [ink_of(strip, dark=dark, usual_contrast=contrast)]
    )
    trials = [
        _Trial.start(ink, mask, small, known, np.random.default_rng(seed))
        for ink in inks
        for small in ((False, True) if mask.after else (False,))
    ]
    best = max(trial.share for trial in trials)
    promising = min(0.6 * best, best)
    return max((trial.finish(mask) for trial in trials if trial.share >= promising), key=lambda fit: _merit(fit.gain, fit.ink))


def follow_places(strip: Strip, mask: Mask, layout: np.ndarray, *, dark: bool, contrast: float, seed: int = 11) -> Fit:
    """Find the digit places near where they lay in another photo of the same display, from that photo's `layout`."""
    ink = ink_of(strip, dark=dark, usual_contrast=contrast)
    return _Trial.start(ink, mask, bool(mask.after), layout[None], np.random.default_rng(seed), starts=0).polish(mask)


@dataclass(frozen=True)
class _Trial:
    """One search: its map of ink, its best layouts so far with their scores, and its own random numbers."""

    ink: Ink
    soft: np.ndarray
    energy: float
    layouts: np.ndarray
    scores: np.ndarray
    small: bool
    random: np.random.Generator

    @property
    def share(self) -> float:
        return _merit(float(self.scores[0]) / self.energy, self.ink)

    @classmethod
    def start(
        cls, ink: Ink, mask: Mask, small: bool, known: np.ndarray | None, random: np.random.Generator, starts: int = _STARTS
    ) -> _Trial:
        soft = cv2.GaussianBlur(np.clip(ink.map, -0.3, 1.2), (0, 0), 0.025 * STRIP_HEIGHT)
        energy = max(float((np.clip(soft[PAD:-PAD, PAD:-PAD], 0, 1.2) ** 2).sum()) / STRIP_HEIGHT**2, 1e-6)
        layouts = first_layouts(mask, soft.shape, starts, small, random)
        if known is not None:
            layouts = np.vstack([layouts, known])
        return cls(ink, soft, energy, *_best(layouts, _score(soft, layouts, mask, 3), _KEPT), small, random)

    def finish(self, mask: Mask) -> Fit:
        """Vary the best layouts with shrinking steps; at last those numbers alone that place the small digits."""
        layouts, scores = self.layouts, _score(self.soft, self.layouts, mask, 5)
        spread = layouts.std(axis=0)
        for turn in range(_ROUNDS):
            step = spread * 0.55 * 0.72**turn
            layouts, scores = self._varied(layouts, scores, mask, step, max(8, _KEPT - 5 * turn))
        layouts, scores = self._with_other_widths(layouts, scores, mask)
        if self.small:
            layouts, scores = self._with_small_places(layouts, scores, mask)
        return self._polished(layouts, scores, mask, turns=4, children=16)

    def polish(self, mask: Mask) -> Fit:
        """Vary the given layout a little: the display was found again to about a pixel, and its digits do not move on it."""
        return self._polished(self.layouts, _score(self.soft, self.layouts, mask, 5), mask, turns=4, children=24)

    def _polished(self, layouts: np.ndarray, scores: np.ndarray, mask: Mask, turns: int, children: int) -> Fit:
        for turn in range(turns):
            layouts, scores = self._varied(layouts, scores, mask, _POLISH * 0.7**turn, 6, children)
        return Fit(layouts[0], self.ink, float(scores[0]) / self.energy)

    def _with_other_widths(self, layouts: np.ndarray, scores: np.ndarray, mask: Mask) -> tuple[np.ndarray, np.ndarray]:
        """Try other widths and strokes at the same pitch: too wide a place still explains a 3, but loses half an 8."""
        young = np.repeat(layouts[:4], 90, axis=0)
        wider = self.random.uniform(-0.25, 0.15, len(young))
        young[:, ASPECT] += wider
        young[:, GAP] -= wider
        young[:, RIGHT] += self.random.choice([0.0, 0.5, 1.0], len(young)) * wider * young[:, HEIGHT]
        young[:, STROKE] = self.random.uniform(0.06, 0.2, len(young))
        return _best(np.vstack([layouts, young]), np.concatenate([scores, _score(self.soft, young, mask, 5)]), 16)

    def _with_small_places(self, layouts: np.ndarray, scores: np.ndarray, mask: Mask) -> tuple[np.ndarray, np.ndarray]:
        """Look anew for the small places alone: they weigh little beside the large ones, and a unit sign stands above them."""
        young = np.repeat(layouts[:3], 150, axis=0)
        young[:, POINT_GAP] = self.random.uniform(0.0, 0.35, len(young))
        young[:, SMALL] = self.random.uniform(0.42, 0.78, len(young))
        young[:, SMALL_ASPECT] = self.random.uniform(0.8, 1.25, len(young))
        return _best(np.vstack([layouts, young]), np.concatenate([scores, _score(self.soft, young, mask, 5)]), 16)

    def _varied(
        self, layouts: np.ndarray, scores: np.ndarray, mask: Mask, step: np.ndarray, keep: int, children: int = 6
    ) -> tuple[np.ndarray, np.ndarray]:
        young = np.repeat(layouts, children, axis=0)
        young += self.random.normal(0, 1, young.shape) * step * (self.random.random(young.shape) < 0.5)
        return _best(np.vstack([layouts, young]), np.concatenate([scores, _score(self.soft, young, mask, 5)]), keep)


def _merit(gain: float, ink: Ink) -> float:
    """Weigh the share of the ink explained with how far the ink stands off: what is faint is easily explained."""
    return gain * ink.contrast**0.5


def _best(layouts: np.ndarray, scores: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(-scores, kind="stable")[:count]
    return layouts[order], scores[order]


def _read_map(values: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    rows, columns = values.shape
    column, row = np.rint(x).astype(np.intp), np.rint(y).astype(np.intp)
    outside = (column < 0) | (column >= columns) | (row < 0) | (row >= rows)
    found = values.ravel()[np.where(outside, 0, row * columns + column)]
    return np.where(outside, 0.0, found)


def _score(soft: np.ndarray, layouts: np.ndarray, mask: Mask, along: int) -> np.ndarray:
    """Give how much of the ink each layout explains, by the best glyph at every place, less its implausibility.

    It is the drop in squared error when the bars of the best glyphs are painted at the layout's own level of ink:
    area times level times (twice the mean ink under the bar less the level). So a bar that reaches past its ink, or is
    painted too broadly, costs; one that leaves ink over gains less.
    """
    points = sample_points(layouts, mask, along, soft.shape)
    offset = (points.stroke * 0.36)[..., None, None]
    centre = _read_map(soft, points.x, points.y)
    beside = sum(
        _read_map(soft, points.x + np.where(_LEVEL_BAR, 0, side * offset), points.y + np.where(_LEVEL_BAR, side * offset, 0))
        for side in (-1, 1)
    )
    lit = (centre + beside).mean(axis=-1) / 3
    holes = _read_map(soft, points.hole_x, points.hole_y)
    area = np.maximum(points.length, 0) * (points.stroke / STRIP_HEIGHT)[..., None]
    level = _typical_level(lit)[:, None, None]
    gain = area * level * (2 * lit - level)
    best = (gain @ _PATTERNS[_SEARCHED].T.astype(float)).max(axis=-1)
    penalty = (np.maximum(holes, 0) ** 2).sum(axis=-1) * 0.015
    return (best - penalty).sum(axis=1) - 0.02 * plausibility(layouts, mask, soft.shape)


def _typical_level(lit: np.ndarray) -> np.ndarray:
    """Give each layout's level of a lit bar: the mean of those at least half as inky as its inkiest. lit: (layouts, places, 7)."""
    flat = lit.reshape(len(lit), -1)
    strong = flat > 0.5 * flat.max(axis=1, keepdims=True)
    return np.clip((flat * strong).sum(axis=1) / np.maximum(strong.sum(axis=1), 1), 0.25, 1.1)


_NUDGES = np.array([(x, y, w) for x in (-3, -1.5, 0, 1.5, 3) for y in (-1.5, 0, 1.5) for w in (-4, -2, 0, 2, 4)], float)
_ACROSS = np.array([-0.25, 0.0, 0.25])


def measure(fit: Fit, mask: Mask) -> Bars:
    """Measure every bar of every place, each place first moved and stretched by a few pixels: real digits do not keep a perfect pitch."""
    soft = cv2.GaussianBlur(np.clip(fit.ink.map, -0.3, 1.3), (0, 0), 0.012 * STRIP_HEIGHT)
    points = sample_points(fit.layout[None], mask, 7, soft.shape, reach=0.66)
    x, y, stroke = points.x[0], points.y[0], points.stroke[0]
    middle = x.mean(axis=(1, 2), keepdims=True)
    across = (x - middle) / np.maximum(np.abs(x - middle).max(axis=(1, 2), keepdims=True), 1.0) / 2
    moved_x = x[:, :, None] + _NUDGES[:, 0, None] + across[:, :, None] * _NUDGES[:, 2, None]
    moved_y = y[:, :, None] + _NUDGES[:, 1, None] + np.zeros_like(moved_x)
    offsets = _ACROSS[:, None] * stroke[:, None, None, None, None]
    level_bar = _LEVEL_BAR[None, :, :, None, None]
    sampled = _read_map(
        soft,
        moved_x[..., None, :] + np.where(level_bar, 0, offsets),
        moved_y[..., None, :] + np.where(level_bar, offsets, 0),
    )  # places, bars, nudges, across, along
    profile = sampled.mean(axis=3)
    lit = profile.mean(axis=-1)
    level = float(_typical_level(lit[:, :, len(_NUDGES) // 2][None])[0])
    gain = points.length[0][..., None] * level * (2 * lit - level)
    effort = 0.003 * np.abs(_NUDGES).sum(axis=1)
    best = np.einsum("pbn,gb->png", gain, _PATTERNS[_SEARCHED].astype(float)).max(axis=-1) - effort
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
    by_variant = np.log(chance) @ _PATTERNS.T + np.log1p(-chance) @ ~_PATTERNS.T
    by_glyph = np.full((len(chance), len(GLYPHS)), -np.inf)
    np.maximum.at(by_glyph.T, _OWNER, by_variant.T)
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


_WIDTH = 0.045
FLOOR_FOUND, FLOOR_FOLLOWED = 1 / 2000, 1 / 25000
"""How wrong a clear bar may be: where the places were searched for, and where they were known from another photo."""


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
    for position in mask.breaks:
        _wipe_point(energy, bars, position)
    inside, spare = np.zeros(len(glyphs)), np.zeros(len(glyphs))
    for place, glyph in enumerate(glyphs):
        lit = _likeliest_shape(glyph, bars.lit[place])
        stroke = float(bars.stroke[place])
        ends = np.rint(np.stack([bars.x[place], bars.y[place]], axis=-1)).astype(np.int32)
        cell, painted = np.zeros(energy.shape, np.uint8), np.zeros(energy.shape, np.uint8)
        hull = cv2.convexHull(ends.reshape(-1, 2))
        cv2.fillConvexPoly(cell, hull, 1)
        cv2.polylines(cell, [hull], True, 1, max(3, round(2.4 * stroke)))
        for bar in np.flatnonzero(lit):
            cv2.line(painted, ends[bar, 0].tolist(), ends[bar, -1].tolist(), 1, max(3, round(2.1 * stroke)))
        inside[place] = energy[cell > 0].sum()
        spare[place] = energy[(cell > 0) & (painted == 0)].sum()
    return 1 - spare / np.maximum(np.maximum(inside, 0.4 * inside.max()), 1e-6)


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
    energy[rows, columns] = 0.0


def _likeliest_shape(glyph: str, lit: np.ndarray) -> np.ndarray:
    shapes = _PATTERNS[_OWNER == GLYPHS.index(glyph)]
    return shapes[int(((shapes - lit) ** 2).sum(axis=1).argmin())]


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
        band = stretch[rows]
        _, best, _, (column, _) = cv2.minMaxLoc(band)
        apart = max(round(0.22 * (bottom - top)), stroke + 2)
        beside = max(float(stretch[max(row - apart, 0), column]), float(stretch[min(row + apart, len(stretch) - 1), column]))
        chance = 1 / (1 + np.exp(-(best / level - 0.5) / 0.07))
        chances[place] = chance if beside < 0.4 * best or best < 0.25 * level else 0.5
    return chances


def candidates(
    likelihoods: np.ndarray, mask: Mask, words: tuple[str, ...], signs: np.ndarray | None = None, count: int = 6
) -> list[tuple[str, str, float]]:
    """Give the most probable texts: (text, glyphs place by place, probability), best first.

    A text is a number written into the mask (blanks only in front) or one of the display's words. The probabilities do not
    sum to 1: what is missing belongs to everything that is no text, a blank in the middle of a number or bars that form no
    sign at all. Of all ways the bars of a place can be lit, those that form no sign are held to be fifty times rarer.

    Parameters
    ----------
    signs : for a mask with a sign, `sign_chances`
    """
    texts: dict[str, tuple[float, str]] = {}
    numbers = _numbers(likelihoods, mask, 3 * count)
    for glyphs, minus, score in [*_signed(numbers, signs), *((g, "", s) for g, s in _words(likelihoods, mask, words))]:
        text = minus + _as_text(glyphs, mask)
        if text not in texts or texts[text][0] < score:
            texts[text] = (score, glyphs)
    ranked = sorted(texts.items(), key=lambda item: (-item[1][0], item[0]))[:count]
    scores = np.array([score for _, (score, _) in ranked])
    total = max(_log_of_everything(likelihoods), float(np.logaddexp.reduce(scores)))
    return [(text, glyphs, float(np.exp(score - total))) for text, (score, glyphs) in ranked]


def _signed(numbers: list[tuple[str, float]], signs: np.ndarray | None) -> list[tuple[str, str, float]]:
    """Give every number without and, where a sign can stand, with a minus; a minus bar in an empty place is part of the sign."""
    if signs is None:
        return [(glyphs, "", score) for glyphs, score in numbers]
    both = []
    for glyphs, score in numbers:
        first = next((i for i, glyph in enumerate(glyphs) if glyph.isdigit()), len(glyphs) - 1)
        chance = float(np.clip(signs[first], 1e-3, 1 - 1e-3))
        plain = glyphs.replace("-", " ")
        both += [(plain, "", score + np.log1p(-chance)), (plain, "-", score + np.log(chance))]
    return both


def _log_of_everything(likelihoods: np.ndarray) -> float:
    """Give the log of the summed chance of all that the places can show: digits and blanks, more rarely letters, rarely no sign."""
    chances = np.exp(likelihoods[:, _DISTINCT])
    usual = chances[:, _USUAL].sum(axis=1)
    letters = chances[:, ~_USUAL].sum(axis=1)
    no_sign = np.clip(1 - usual - letters, 0, 1)
    return float(np.log(usual + 0.05 * letters + 0.02 * no_sign).sum())


_DISTINCT = np.array([i for i, glyph in enumerate(GLYPHS) if glyph not in "OSIB"])
"""Signs whose bars are not those of a digit already."""
_USUAL = np.array([GLYPHS[i] in "0123456789 " for i in _DISTINCT])


def _numbers(likelihoods: np.ndarray, mask: Mask, width: int) -> list[tuple[str, float]]:
    """Search the likeliest numbers place by place, keeping the best `width` beginnings."""
    digits = [GLYPHS.index(d) for d in "0123456789"]
    blanks = [GLYPHS.index(glyph) for glyph in (" -" if mask.sign else " ")]
    whole = mask.places - (mask.after or 0)
    beams: list[tuple[str, float]] = [("", 0.0)]
    for place in range(mask.places):
        row = likelihoods[place]
        grown = []
        for glyphs, score in beams:
            started = bool(glyphs.strip(" -"))
            for index in digits:
                grown.append((glyphs + GLYPHS[index], score + row[index]))
            if not started and place < mask.places - 1 and place < whole:
                grown += [(glyphs + GLYPHS[index], score + row[index]) for index in blanks]
        beams = sorted(grown, key=lambda item: (-item[1], item[0]))[:width]
    return beams


def _words(likelihoods: np.ndarray, mask: Mask, words: tuple[str, ...]) -> list[tuple[str, float]]:
    found = [(" " * mask.places, float(likelihoods[:, GLYPHS.index(" ")].sum()))]
    for word in words:
        letters = word.upper()
        if len(letters) > mask.places or any(letter not in GLYPHS for letter in letters):
            continue
        for start in range(mask.places - len(letters) + 1):
            glyphs = letters.rjust(start + len(letters)).ljust(mask.places)
            score = sum(likelihoods[place, GLYPHS.index(glyph)] for place, glyph in enumerate(glyphs))
            found.append((glyphs, float(score) - 3.0))
    return found


def _as_text(glyphs: str, mask: Mask) -> str:
    """Write glyphs as they stand on the display: the mask's points and colons put back, outer blanks left out."""
    if not any(glyph.isdigit() for glyph in glyphs) or any(glyph.isalpha() for glyph in glyphs):
        return glyphs.strip()
    text = "".join(
        glyph + (mask.marks[mask.breaks.index(place + 1)] if place + 1 in mask.breaks else "")
        for place, glyph in enumerate(glyphs)
    )
    return text.strip().lstrip(" ").replace(" ", "")
