"""Takes a strip's ink and the layout known from another photo; gives the bars measured where they lay there: a quick look."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import product

import numpy as np

from frametally.read.glyphs import SEARCHED
from frametally.read.layout import ASPECT, BOTTOM, GAP, HEIGHT, RIGHT, SLANT, Mask, plausibility, sample_points
from frametally.read.places import LEVEL_BAR, Fit, typical_level
from frametally.read.rectify import PAD, STRIP_HEIGHT, Ink
from frametally.read.segments import ACROSS, ALONG, EFFORT, REACH, SHIFTS, WIDENINGS, Bars, softened, spread_of

_SEARCHED = SEARCHED.astype(np.float32)

_GAPS = (-0.1, -0.08, -0.06, -0.04, -0.02, 0, 0.02, 0.04, 0.06, 0.08, 0.1)
_NEAR = np.array([(r, b, g) for r in (-3, 0, 3) for b in (-2, 0, 2) for g in _GAPS])
"""How far the layouts that are tried first are from the known one: right and bottom [px], gap over the height."""

_WIDE = np.array(
    [
        (anchor * aspect, height / 2, height, aspect, pitch - aspect, slant)
        for anchor, height, slant, aspect, pitch in product(
            (0, 1), (-0.18, -0.12, -0.06, 0, 0.06), (-0.08, 0, 0.08), np.arange(-4, 3) * 0.05, np.arange(-3, 4) * 0.05
        )
        if aspect or not anchor
    ]
)
"""How far those tried first in a wide look are from it: right, bottom, height, aspect, gap and slant, all over the height. Either
the right end of the last place stays (anchor 0) or its left end, and the middle of its height."""

_TOO_FAR = 0.25
"""A layout that must gain so much more than the likeliest one is not tried."""

_STRAYING = 0.02
"""What it must gain that a layout strays from what displays look like, as `plausibility` tells it."""

_SOFTER = 0.72
"""A search softens the ink more, and its bars explain so much less of it (median of practice nights)."""

_MEAN_ALONG = np.full(ALONG, 1 / ALONG, np.float32)
_WIDENINGS = np.array(WIDENINGS)
_NO_WIDENING = WIDENINGS.index(0)
_EFFORT_OF_SHIFT = (EFFORT * np.abs(SHIFTS).sum(axis=1)).astype(np.float32)[:, None]
_EFFORT_OF_WIDENING = (EFFORT * np.abs(WIDENINGS)).astype(np.float32)[:, None]


def glance(ink: Ink, mask: Mask, layout: np.ndarray, *, wide: bool = False) -> tuple[Fit, Bars]:
    """Measure the bars of the places of a known `layout` near where they were.

    A hundred variants of the layout are tried, always the same ones: a photo whose other places are empty tells little of the
    pitch, and between two photos the small error of registration moves all digits. Then every place is first shifted, then
    widened by a few pixels to where it explains most; `segments.measure` tries all pairs of these. Where the digits have moved
    further than that, what is measured explains little.

    Parameters
    ----------
    ink : levelled, of the kind of segments that the display has
    wide : look for other widths, heights, pitches and slants of the digits first, a thousand of them: the digits that the other
        photo showed left them open
    """
    soft = softened(ink)
    inner = np.maximum(soft[PAD:-PAD, PAD:-PAD], 0).ravel()
    energy = max(float(np.einsum("i,i->", inner, inner)) / STRIP_HEIGHT**2, 1e-6)
    flat = soft.ravel()
    flat[0] = 0.0  # no ink outside the strip
    if wide:
        layout = _wide_variants(layout.tobytes(), mask, soft.shape).best(flat)
    near = _near_variants(layout.tobytes(), mask, soft.shape).best(flat)
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

    @classmethod
    def of(cls, layouts: np.ndarray, mask: Mask, shape: tuple[int, int], effort: np.ndarray) -> _Variants:
        """Prepare layouts for strips of one shape."""
        points = sample_points(layouts, mask, 3, shape, reach=REACH)
        pixels = np.ascontiguousarray(np.moveaxis(_pixels(points.x, points.y, shape), -1, 0))
        return cls(layouts, pixels, points.length.astype(np.float32), effort.astype(np.float32))

    def best(self, flat: np.ndarray) -> np.ndarray:
        """Give the layout that explains most of a map of ink."""
        ink = flat.take(self.pixels)
        lit = sum(ink[1:], ink[0]) * np.float32(1 / len(ink))
        level = float(typical_level(lit[self.effort.argmin()][None])[0])
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

    @cached_property
    def moved(self) -> np.ndarray:
        """Those of `pixels` for places that are moved and not widened: (across, shifts, places, 7, points along)."""
        return np.ascontiguousarray(self.pixels[:, _NO_WIDENING])

    def measure(self, flat: np.ndarray) -> tuple[Bars, float]:
        """Give the bars, and how much squared ink those of the best digits explain."""
        places = np.arange(len(self.stroke))
        _, lit = _sampled(flat, self.moved)
        level = float(typical_level(lit[len(lit) // 2][None])[0])
        shift = (_explained(lit, self.length, level) - _EFFORT_OF_SHIFT).argmax(axis=0)
        profile, lit = _sampled(flat, self.pixels[:, :, shift, places])
        explained = _explained(lit, self.length, level)
        wider = (explained - _EFFORT_OF_WIDENING).argmax(axis=0)
        x = self.x + SHIFTS[shift, 0, None, None] + self.spread * _WIDENINGS[wider, None, None]
        y = self.y + SHIFTS[shift, 1, None, None]
        bars = Bars(lit[wider, places].astype(np.float64), profile[wider, places].astype(np.float64), x, y, self.stroke)
        return bars, float((explained[wider, places] * self.stroke).sum()) / STRIP_HEIGHT


def _explained(lit: np.ndarray, length: np.ndarray, level: float) -> np.ndarray:
    """Give how much ink the best digit explains over the bars' thickness, (ways, places), from `lit` (ways, places, 7)."""
    gain = (length * (level * (2 * lit - level))).reshape(-1, lit.shape[-1])
    return (_SEARCHED @ gain.T).max(axis=0).reshape(lit.shape[:-1])


def _sampled(flat: np.ndarray, pixels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Give the ink along every bar, (ways, places, 7, points along), and of every bar, (ways, places, 7)."""
    ink = flat.take(pixels)
    profile = sum(ink[1:], ink[0]) * np.float32(1 / len(ink))
    return profile, profile @ _MEAN_ALONG


@lru_cache(maxsize=256)
def _near_variants(layout: bytes, mask: Mask, shape: tuple[int, int]) -> _Variants:
    """Prepare the variants of a layout that lie near it, for strips of one shape."""
    known = np.frombuffer(layout)
    layouts = np.repeat(known[None], len(_NEAR), axis=0)
    layouts[:, [RIGHT, BOTTOM, GAP]] += _NEAR
    return _Variants.of(layouts, mask, shape, EFFORT * np.abs(_NEAR * (1, 1, known[HEIGHT])).sum(axis=1))


@lru_cache(maxsize=24)
def _wide_variants(layout: bytes, mask: Mask, shape: tuple[int, int]) -> _Variants:
    """Prepare the variants of a layout for a wide look, those that displays may have."""
    known = np.frombuffer(layout)
    height = known[HEIGHT]
    layouts = np.repeat(known[None], len(_WIDE), axis=0)
    layouts[:, [RIGHT, BOTTOM, HEIGHT, ASPECT, GAP, SLANT]] += _WIDE * (height, height, height, 1, 1, 1)
    effort = EFFORT * height * np.abs(_WIDE).sum(axis=1) + _STRAYING * plausibility(layouts, mask, shape)
    likely = effort < effort.min() + _TOO_FAR
    return _Variants.of(layouts[likely], mask, shape, effort[likely])


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
