"""Takes a strip and a digits mask; finds where the digit places lie in it, by search or near where they lay before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from frametally.read.glyphs import SEARCHED
from frametally.read.layout import (
    ASPECT,
    BARS,
    GAP,
    HEIGHT,
    POINT_GAP,
    RIGHT,
    SMALL,
    SMALL_ASPECT,
    STROKE,
    Mask,
    first_layouts,
    layouts_at,
    plausibility,
    sample_points,
)
from frametally.read.rectify import PAD, STRIP_HEIGHT, Ink, Strip, ink_of

LEVEL_BAR = np.array([bar in "adg" for bar in BARS])[:, None]
"""Which bars run level, as (7, 1): across them is up and down."""

_LEVEL, _UPRIGHT = np.flatnonzero(LEVEL_BAR), np.flatnonzero(~LEVEL_BAR)
_TRIED = SEARCHED.T.astype(np.float32)

_STARTS = 1400
_KEPT = 48
_ROUNDS = 9

_LEVEL_ENOUGH = 0.03

_SEEN_STARTS = 160
_OTHER_STARTS = 60
_SEEN_KEPT = 24
_SEEN_ROUNDS = 9

_POLISH = np.array([1.5, 1.0, 1.5, 0.015, 0.015, 0.02, 0.008, 0.02, 0.02, 0.04, 0.015])
"""The last rounds' steps, in the order of layout.PARAMETERS."""


@dataclass(frozen=True)
class Fit:
    """How a layout lies on a strip: its `layout` numbers, the `ink`, and the `gain`, the share of the ink it explains."""

    layout: np.ndarray
    ink: Ink
    gain: float


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
    inks = _inks(strip, dark, contrast)
    trials = [
        _Trial.start(ink, mask, small, known, np.random.default_rng(seed))
        for ink in inks
        for small in ((False, True) if mask.after else (False,))
    ]
    best = max(trial.share for trial in trials)
    promising = min(0.6 * best, best)
    return max((trial.finish(mask) for trial in trials if trial.share >= promising), key=lambda fit: _merit(fit.gain, fit.ink))


def seen_places(
    strip: Strip,
    mask: Mask,
    seen: Sequence[Sequence[float]],
    dark: bool | None = None,
    contrast: float = 0.0,
    seed: int = 5,
) -> Fit:
    """Find the digit places where another reader saw digits: much sooner than `find_places`, and on fainter displays.

    The sightings say where digits stand, not which: what the bars there show remains to be measured. Some layouts are drawn
    without them, so that ink beside the sightings is found too.

    Parameters
    ----------
    seen : for each of the texts that were seen, where its digits stand, as `layout.layouts_at` wants them [px]
    dark, contrast : as for `find_places`
    """
    inks = _inks(strip, dark, contrast)
    random = np.random.default_rng(seed)
    trials = [_Trial.seen(ink, mask, seen, random) for ink in inks]
    best = max(trial.share for trial in trials)
    promising = min(0.6 * best, best)
    return max(
        (trial.finish_soon(mask) for trial in trials if trial.share >= promising), key=lambda fit: _merit(fit.gain, fit.ink)
    )


def _inks(strip: Strip, dark: bool | None, contrast: float) -> list[Ink]:
    """Give the strip's ink of both kinds, or of the one that this display is known to have."""
    if dark is None:
        return [levelled(ink_of(strip, dark=True)), levelled(ink_of(strip, dark=False))]
    return [levelled(ink_of(strip, dark=dark, usual_contrast=contrast))]


def levelled(ink: Ink) -> Ink:
    """Bring the ground to zero: on a faint display the ground was fitted to the noise's tips, and all of it looks like ink."""
    inner = ink.map[PAD:-PAD, PAD:-PAD]
    rows, columns = inner.shape[0] // 4, inner.shape[1] // 4
    small = cv2.resize(inner[: 4 * rows, : 4 * columns], (columns, rows), interpolation=cv2.INTER_AREA).ravel()
    base = min(float(np.partition(small, small.size * 3 // 10)[small.size * 3 // 10]), 0.6)
    if base < _LEVEL_ENOUGH:
        return ink
    left = 1 - base
    return replace(ink, map=(ink.map - np.float32(base)) / np.float32(left), contrast=ink.contrast * left, noise=ink.noise / left)


def follow_places(strip: Strip, mask: Mask, layout: np.ndarray, *, dark: bool, contrast: float, seed: int = 11) -> Fit:
    """Find the digit places near where they lay in another photo of the same display, from that photo's `layout`."""
    (ink,) = _inks(strip, dark, contrast)
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
    sighted: bool = False

    @property
    def share(self) -> float:
        return _merit(float(self.scores[0]) / self.energy, self.ink)

    @classmethod
    def start(
        cls, ink: Ink, mask: Mask, small: bool, known: np.ndarray | None, random: np.random.Generator, starts: int = _STARTS
    ) -> _Trial:
        layouts = first_layouts(mask, ink.map.shape, starts, small, random)
        if known is not None:
            layouts = np.vstack([layouts, known])
        return cls.of(ink, mask, layouts, _KEPT, small, random)

    @classmethod
    def seen(cls, ink: Ink, mask: Mask, seen: Sequence[Sequence[float]], random: np.random.Generator) -> _Trial:
        """Start from layouts where digits were seen, and a few from anywhere."""
        shape = ink.map.shape
        each = _SEEN_STARTS // max(len(seen), 1)
        layouts = [layouts_at(mask, shape, each, x, random) for x in seen]
        layouts += [
            first_layouts(mask, shape, _OTHER_STARTS, small, random) for small in ((False, True) if mask.after else (False,))
        ]
        return cls.of(ink, mask, np.vstack(layouts), _SEEN_KEPT, bool(mask.after), random, sighted=True)

    @classmethod
    def of(
        cls,
        ink: Ink,
        mask: Mask,
        layouts: np.ndarray,
        keep: int,
        small: bool,
        random: np.random.Generator,
        *,
        sighted: bool = False,
    ) -> _Trial:
        soft = cv2.GaussianBlur(np.clip(ink.map, -0.3, 1.2), (0, 0), 0.025 * STRIP_HEIGHT)
        energy = max(float((np.clip(soft[PAD:-PAD, PAD:-PAD], 0, 1.2) ** 2).sum()) / STRIP_HEIGHT**2, 1e-6)
        return cls(ink, soft, energy, *_best(layouts, _score(soft, layouts, mask, 3, seen=sighted), keep), small, random, sighted)

    def _score(self, layouts: np.ndarray, mask: Mask, along: int) -> np.ndarray:
        return _score(self.soft, layouts, mask, along, seen=self.sighted)

    def finish_soon(self, mask: Mask) -> Fit:
        """As `finish`, in fewer steps: the layouts are nearly there."""
        layouts, scores = self.layouts, self.scores
        for turn in range(_SEEN_ROUNDS):
            layouts, scores = self._crossed(layouts, scores, mask, 90)
            if turn == 2:
                layouts, scores = self._with_other_widths(layouts, scores, mask, 20, 3)
        return self._polished(layouts, self._score(layouts, mask, 5), mask, turns=2, children=10)

    def _crossed(self, layouts: np.ndarray, scores: np.ndarray, mask: Mask, count: int) -> tuple[np.ndarray, np.ndarray]:
        """Vary layouts by the differences of others: these know which numbers hang together (differential evolution)."""
        one, other, parent = (self.random.integers(0, len(layouts), count) for _ in range(3))
        parent = np.minimum(parent, self.random.integers(0, len(layouts), count))
        young = layouts[parent] + self.random.choice([0.35, 0.7, 1.0], (count, 1)) * (layouts[one] - layouts[other])
        young += self.random.normal(0, 0.3, young.shape) * _POLISH
        return _best(np.vstack([layouts, young]), np.concatenate([scores, self._score(young, mask, 3)]), _SEEN_KEPT)

    def finish(self, mask: Mask) -> Fit:
        """Vary the best layouts with shrinking steps; at last those numbers alone that place the small digits."""
        layouts, scores = self.layouts, self._score(self.layouts, mask, 5)
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
        return self._polished(self.layouts, self._score(self.layouts, mask, 5), mask, turns=4, children=24)

    def _polished(self, layouts: np.ndarray, scores: np.ndarray, mask: Mask, turns: int, children: int) -> Fit:
        for turn in range(turns):
            layouts, scores = self._varied(layouts, scores, mask, _POLISH * 0.7**turn, 6, children)
        return Fit(layouts[0], self.ink, float(scores[0]) / self.energy)

    def _with_other_widths(
        self, layouts: np.ndarray, scores: np.ndarray, mask: Mask, each: int = 90, along: int = 5
    ) -> tuple[np.ndarray, np.ndarray]:
        """Try other widths and strokes at the same pitch: too wide a place still explains a 3, but loses half an 8."""
        young = np.repeat(layouts[:4], each, axis=0)
        wider = self.random.uniform(-0.25, 0.15, len(young))
        young[:, ASPECT] += wider
        young[:, GAP] -= wider
        young[:, RIGHT] += self.random.choice([0.0, 0.5, 1.0], len(young)) * wider * young[:, HEIGHT]
        young[:, STROKE] = self.random.uniform(0.06, 0.2, len(young))
        return _best(np.vstack([layouts, young]), np.concatenate([scores, self._score(young, mask, along)]), 16)

    def _with_small_places(self, layouts: np.ndarray, scores: np.ndarray, mask: Mask) -> tuple[np.ndarray, np.ndarray]:
        """Look anew for the small places alone: they weigh little beside the large ones, and a unit sign stands above them."""
        young = np.repeat(layouts[:3], 150, axis=0)
        young[:, POINT_GAP] = self.random.uniform(0.0, 0.35, len(young))
        young[:, SMALL] = self.random.uniform(0.42, 0.78, len(young))
        young[:, SMALL_ASPECT] = self.random.uniform(0.8, 1.25, len(young))
        return _best(np.vstack([layouts, young]), np.concatenate([scores, self._score(young, mask, 5)]), 16)

    def _varied(
        self, layouts: np.ndarray, scores: np.ndarray, mask: Mask, step: np.ndarray, keep: int, children: int = 6
    ) -> tuple[np.ndarray, np.ndarray]:
        young = np.repeat(layouts, children, axis=0)
        young += self.random.normal(0, 1, young.shape) * step * (self.random.random(young.shape) < 0.5)
        return _best(np.vstack([layouts, young]), np.concatenate([scores, self._score(young, mask, 5)]), keep)


def _merit(gain: float, ink: Ink) -> float:
    """Weigh the share of the ink explained with how far the ink stands off, since what is faint is easily explained."""
    return gain * (ink.contrast * ink.likely) ** 0.5


def _best(layouts: np.ndarray, scores: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(-scores, kind="stable")[:count]
    return layouts[order], scores[order]


def read_map(values: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Give the map's values at points, by the nearest pixel; 0, no ink, outside the map. Shape of `x` and `y`."""
    rows, columns = values.shape
    column, row = np.rint(x).astype(np.intp), np.rint(y).astype(np.intp)
    outside = (column < 0) | (column >= columns) | (row < 0) | (row >= rows)
    found = values.ravel()[np.where(outside, 0, row * columns + column)]
    return np.where(outside, 0.0, found)


def _score(soft: np.ndarray, layouts: np.ndarray, mask: Mask, along: int, *, seen: bool = False) -> np.ndarray:
    """Give how much of the ink each layout explains, by the best glyph at every place, less its implausibility.

    It is the drop in squared error when the bars of the best glyphs are painted at the layout's own level of ink:
    area times level times (twice the mean ink under the bar less the level). So a bar that reaches past its ink, or is
    painted too broadly, costs; one that leaves ink over gains less.
    """
    points = sample_points(layouts, mask, along, soft.shape)
    framed, columns = cv2.copyMakeBorder(soft, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0.0), soft.shape[1] + 2
    values = framed.ravel()
    x, y = (points.x + 1.5).astype(np.float32), (points.y + 1.5).astype(np.float32)
    offset = (points.stroke * 0.36).astype(np.float32)[..., None, None]

    def ink_at(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        column = np.clip(x, 0, columns - 1).astype(np.int32)
        row = np.clip(y, 0, len(framed) - 1).astype(np.int32)
        return values.take(row * columns + column)

    lit = ink_at(x, y).sum(axis=-1)
    for bars, runs_level in ((_LEVEL, True), (_UPRIGHT, False)):
        over, down = x[:, :, bars], y[:, :, bars]
        for aside in (-offset, offset):
            beside = ink_at(over, down + aside) if runs_level else ink_at(over + aside, down)
            lit[:, :, bars] += beside.sum(axis=-1)
    lit /= 3 * along
    holes = ink_at(points.hole_x + 1.5, points.hole_y + 1.5)
    area = np.maximum(points.length, 0) * (points.stroke / STRIP_HEIGHT)[..., None]
    level = typical_level(lit)[:, None, None]
    gain = (area * level * (2 * lit - level)).astype(np.float32)
    best = (gain @ _TRIED).max(axis=-1)
    penalty = (np.maximum(holes, 0) ** 2).sum(axis=-1) * 0.015
    return (best - penalty).sum(axis=1) - 0.02 * plausibility(layouts, mask, soft.shape, seen=seen)


def typical_level(lit: np.ndarray) -> np.ndarray:
    """Give each layout's level of a lit bar, from `lit` (layouts, places, 7): the mean of the inkiest and all over half of it."""
    flat = lit.reshape(len(lit), -1)
    strong = flat > 0.5 * flat.max(axis=1, keepdims=True)
    level = (flat * strong).sum(axis=1) / np.maximum(strong.sum(axis=1), 1)
    return np.minimum(np.maximum(level, 0.25), 1.1)
