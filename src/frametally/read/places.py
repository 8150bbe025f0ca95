"""Takes a strip and a digits mask; finds where the digit places lie in it, by search or near where they lay before."""

from __future__ import annotations

from dataclasses import dataclass

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
    plausibility,
    sample_points,
)
from frametally.read.rectify import PAD, STRIP_HEIGHT, Ink, Strip, ink_of

LEVEL_BAR = np.array([bar in "adg" for bar in BARS])[:, None]
"""Which bars run level, as (7, 1): across them is up and down."""

_STARTS = 1400
_KEPT = 48
_ROUNDS = 9
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


def _score(soft: np.ndarray, layouts: np.ndarray, mask: Mask, along: int) -> np.ndarray:
    """Give how much of the ink each layout explains, by the best glyph at every place, less its implausibility.

    It is the drop in squared error when the bars of the best glyphs are painted at the layout's own level of ink:
    area times level times (twice the mean ink under the bar less the level). So a bar that reaches past its ink, or is
    painted too broadly, costs; one that leaves ink over gains less.
    """
    points = sample_points(layouts, mask, along, soft.shape)
    offset = (points.stroke * 0.36)[..., None, None]
    centre = read_map(soft, points.x, points.y)
    beside = sum(
        read_map(soft, points.x + np.where(LEVEL_BAR, 0, side * offset), points.y + np.where(LEVEL_BAR, side * offset, 0))
        for side in (-1, 1)
    )
    lit = (centre + beside).mean(axis=-1) / 3
    holes = read_map(soft, points.hole_x, points.hole_y)
    area = np.maximum(points.length, 0) * (points.stroke / STRIP_HEIGHT)[..., None]
    level = typical_level(lit)[:, None, None]
    gain = area * level * (2 * lit - level)
    best = (gain @ SEARCHED.T.astype(float)).max(axis=-1)
    penalty = (np.maximum(holes, 0) ** 2).sum(axis=-1) * 0.015
    return (best - penalty).sum(axis=1) - 0.02 * plausibility(layouts, mask, soft.shape)


def typical_level(lit: np.ndarray) -> np.ndarray:
    """Give each layout's level of a lit bar, from `lit` (layouts, places, 7): the mean of the inkiest and all over half of it."""
    flat = lit.reshape(len(lit), -1)
    strong = flat > 0.5 * flat.max(axis=1, keepdims=True)
    return np.clip((flat * strong).sum(axis=1) / np.maximum(strong.sum(axis=1), 1), 0.25, 1.1)
