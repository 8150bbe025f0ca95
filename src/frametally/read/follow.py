"""Takes a strip and the layout known from another photo; gives the bars measured where they lay there: a quick look."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from frametally.read.glyphs import SEARCHED
from frametally.read.layout import BOTTOM, GAP, HEIGHT, RIGHT, Mask, sample_points
from frametally.read.places import LEVEL_BAR, Fit, levelled, typical_level
from frametally.read.rectify import PAD, STRIP_HEIGHT, Strip, ink_of
from frametally.read.segments import ACROSS, ALONG, EFFORT, REACH, SHIFTS, WIDENINGS, Bars, softened, spread_of

_SEARCHED = SEARCHED.T.astype(np.float32)

_GAPS = (-0.1, -0.08, -0.06, -0.04, -0.02, 0, 0.02, 0.04, 0.06, 0.08, 0.1)
_VARIED = np.array([(r, b, g) for r in (-3, 0, 3) for b in (-2, 0, 2) for g in _GAPS])
"""How far the layouts that are tried first are from the known one: right and bottom [px], gap over the height."""

_SOFTER = 0.72
"""A search softens the ink more, and its bars explain so much less of it (median of practice nights)."""

_NO_WIDENING = WIDENINGS.index(0)
_EFFORT_OF_SHIFT = (EFFORT * np.abs(SHIFTS).sum(axis=1)).astype(np.float32)[:, None]
_EFFORT_OF_WIDENING = (EFFORT * np.abs(WIDENINGS)).astype(np.float32)[:, None]


def glance(strip: Strip, mask: Mask, layout: np.ndarray, *, dark: bool, contrast: float) -> tuple[Fit, Bars]:
    """Measure the bars of the places of a known `layout` near where they were.

    A hundred variants of the layout are tried, always the same ones: a photo whose other places are empty tells little of the
    pitch, and between two photos the small error of registration moves all digits. Then every place is first shifted, then
    widened by a few pixels to where it explains most; `segments.measure` tries all pairs of these. Where the digits have moved
    further than that, what is measured explains little.

    Parameters
    ----------
    dark, contrast : whether this display's segments are dark, and how far lit ones stand off
    """
    ink = levelled(ink_of(strip, dark=dark, usual_contrast=contrast))
    soft = softened(ink)
    inner = np.maximum(soft[PAD:-PAD, PAD:-PAD], 0).ravel()
    energy = max(float(np.einsum("i,i->", inner, inner)) / STRIP_HEIGHT**2, 1e-6)
    flat = soft.ravel()
    flat[0] = 0.0  # no ink outside the strip
    near = _variants(layout.tobytes(), mask, soft.shape).best(flat)
    bars, gain = _stencil(near.tobytes(), mask, soft.shape).measure(flat)
    return Fit(near, ink, _SOFTER * gain / energy), bars


@dataclass(frozen=True)
class _Variants:
    """Layouts much like one another: `layouts` (any, parameters), the `pixels` (points along, any, places, 7) where they expect
    their bars, `length` (any, places, 7) as in `_Stencil`, and what it takes to believe in each, `effort` (any,)."""

    layouts: np.ndarray
    pixels: np.ndarray
    length: np.ndarray
    effort: np.ndarray

    def best(self, flat: np.ndarray) -> np.ndarray:
        """Give the layout that explains most of a map of ink."""
        ink = flat.take(self.pixels)
        lit = sum(ink[1:], ink[0]) * np.float32(1 / len(ink))
        level = float(typical_level(lit[len(lit) // 2][None])[0])
        return self.layouts[int((_explained(lit, self.length, level).sum(axis=-1) - self.effort).argmax())]


@dataclass(frozen=True)
class _Stencil:
    """Where the bars of one layout are sampled on strips of one size.

    `x`, `y` (places, 7, points along) before any move; `spread`, of that shape, how far the points move to the right where the
    place is widened by one pixel; `pixels` (across, widenings, shifts, places, 7, points along) the points as indices into the
    strip, 0 for those outside; `length` (places, 7) the bars' lengths over the strip's height, `stroke` (places,) their
    thickness. [px]
    """

    x: np.ndarray
    y: np.ndarray
    spread: np.ndarray
    pixels: np.ndarray
    length: np.ndarray
    stroke: np.ndarray

    def measure(self, flat: np.ndarray) -> tuple[Bars, float]:
        """Give the bars, and how much squared ink those of the best digits explain."""
        places = np.arange(len(self.stroke))
        _, lit = _sampled(flat, self.pixels[:, _NO_WIDENING])
        level = float(typical_level(lit[len(lit) // 2][None])[0])
        shift = (_explained(lit, self.length, level) - _EFFORT_OF_SHIFT).argmax(axis=0)
        profile, lit = _sampled(flat, self.pixels[:, :, shift, places])
        explained = _explained(lit, self.length, level)
        wider = (explained - _EFFORT_OF_WIDENING).argmax(axis=0)
        x = self.x + SHIFTS[shift, 0, None, None] + self.spread * np.array(WIDENINGS)[wider, None, None]
        y = self.y + SHIFTS[shift, 1, None, None]
        bars = Bars(lit[wider, places].astype(np.float64), profile[wider, places].astype(np.float64), x, y, self.stroke)
        return bars, float((explained[wider, places] * self.stroke).sum()) / STRIP_HEIGHT


def _explained(lit: np.ndarray, length: np.ndarray, level: float) -> np.ndarray:
    """Give how much ink the best digit explains over the bars' thickness, (ways, places), from `lit` (ways, places, 7)."""
    gain = (length * (level * (2 * lit - level))).reshape(-1, lit.shape[-1])
    return (gain @ _SEARCHED).max(axis=-1).reshape(lit.shape[:-1])


def _sampled(flat: np.ndarray, pixels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the ink along every bar, (ways, places, 7, points along), and of every bar, (ways, places, 7)."""
    ink = flat.take(pixels)
    profile = sum(ink[1:], ink[0]) * np.float32(1 / len(ink))
    return profile, profile.mean(axis=-1)


@lru_cache(maxsize=64)
def _variants(layout: bytes, mask: Mask, shape: tuple[int, int]) -> _Variants:
    """Prepare the variants of a layout for strips of one shape."""
    known = np.frombuffer(layout)
    layouts = np.repeat(known[None], len(_VARIED), axis=0)
    layouts[:, [RIGHT, BOTTOM, GAP]] += _VARIED
    points = sample_points(layouts, mask, 3, shape, reach=REACH)
    pixels = np.ascontiguousarray(np.moveaxis(_pixels(points.x, points.y, shape), -1, 0))
    moved = np.abs(_VARIED * (1, 1, known[HEIGHT])).sum(axis=1)
    return _Variants(layouts, pixels, points.length.astype(np.float32), (EFFORT * moved).astype(np.float32))


@lru_cache(maxsize=192)
def _stencil(layout: bytes, mask: Mask, shape: tuple[int, int]) -> _Stencil:
    """Prepare a layout for strips of one shape; the last ones are kept, since every photo of a display needs the same."""
    points = sample_points(np.frombuffer(layout)[None], mask, ALONG, shape, reach=REACH)
    x, y, stroke = points.x[0], points.y[0], points.stroke[0]
    spread = spread_of(x)
    moved_x = x + SHIFTS[:, 0, None, None, None] + spread * np.array(WIDENINGS)[:, None, None, None, None]
    moved_y = y + SHIFTS[:, 1, None, None, None]
    beside = ACROSS[:, None, None, None, None, None] * stroke[:, None, None]
    pixels = _pixels(moved_x + np.where(LEVEL_BAR, 0, beside), moved_y + np.where(LEVEL_BAR, beside, 0), shape)
    return _Stencil(x, y, spread, pixels, points.length[0].astype(np.float32), stroke)


def _pixels(x: np.ndarray, y: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Give the index of every point's pixel in a map of some shape, 0 for points outside."""
    column, row = np.rint(x).astype(np.intp), np.rint(y).astype(np.intp)
    outside = (column < 0) | (column >= shape[1]) | (row < 0) | (row >= shape[0])
    return np.where(outside, 0, row * shape[1] + column).astype(np.int32)
