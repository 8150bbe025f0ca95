"""Takes the displays behind one window, their style and their texts; gives what the window reflects and what it gives out.

Everything is in the window's own pixels, `SUPER` of them to one of the photo.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from frametally.practice.glyphs import Layout, Polygon, outline, polygons, signs_of, spread
from frametally.practice.matrix import Print, paste_sign, printed_sign
from frametally.practice.paint import Mask, Picture, as_mask, blur, fill_convex, grain, write
from frametally.practice.styles import DisplayStyle

SUPER = 2
"""Texture pixels per photo pixel, so that edges stay clean when the picture is tilted."""


@dataclass(frozen=True)
class Spot:
    """One display in a window: its key, mask and layout, the digits' height and the block's top left, its printed words."""

    key: str
    mask: str
    layout: Layout
    height: float
    left: float
    top: float
    label: str
    unit: str

    def place(self, points: Polygon) -> NDArray[np.float32]:
        """Bring points from digit heights to the window's pixels."""
        return np.asarray(points * np.float32(self.height) + np.array([self.left, self.top], np.float32), np.float32)

    @property
    def outline(self) -> NDArray[np.float32]:
        """Every corner of all digit places in the window's pixels."""
        return self.place(outline(self.layout))


@dataclass(frozen=True)
class Window:
    """One instrument's window: size, look, displays, and its unlit ground (reflected and given light)."""

    width: int
    height: int
    style: DisplayStyle
    spots: tuple[Spot, ...]
    ground: Picture
    backlight: Picture


def _print_words(picture: Picture, spot: Spot, colour: tuple[float, float, float]) -> None:
    """Print a display's label and unit: above the digits, or the unit above a small last digit."""
    size = max(18, round(spot.height * 0.2))
    # Clear of a loosely marked region around the digits.
    line = spot.top - spot.height * 0.17 - size * 0.4
    write(picture, spot.label, (spot.left + 2, line), size, colour, "lm")
    right = spot.left + spot.layout.width * spot.height
    small = [p for p in spot.layout.digits if p.height < 1]
    if small:
        lean = np.tan(np.radians(spot.layout.shape.slant_deg)) * spot.height * 0.8
        middle = spot.left + (small[0].x + small[0].width / 2) * spot.height + lean
        room = (1 - small[0].height) * spot.height
        write(picture, spot.unit, (middle, spot.top + room * 0.42), max(16, round(room * 0.6)), colour, "mm")
    else:
        write(picture, spot.unit, (right, line), size, colour, "rm")


def _glint(height: int, width: int, rng: np.random.Generator) -> Mask:
    """Give the faint slanting reflection on a window's glass."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    along = x / width * 0.7 + y / height * 0.5
    middle, spread = rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.25)
    return np.exp(-(((along - middle) / spread) ** 2)).astype(np.float32)


def build_window(width: int, height: int, style: DisplayStyle, spots: tuple[Spot, ...], rng: np.random.Generator) -> Window:
    """Give a window with its printed words, uneven ground and glass; nothing lit yet."""
    even = grain((height, width), rng, (width / 2.5, height / 2.5), 0.02)[..., None]
    ground = np.ones((height, width, 3), np.float32) * np.array(style.window, np.float32) * even
    backlight = np.zeros_like(ground)
    glint = _glint(height, width, rng)[..., None] * style.glass
    if style.kind == "backlit":
        y, x = np.mgrid[0:height, 0:width].astype(np.float32)
        side = rng.uniform(-0.25, 0.25)
        fall = 1 + side * (x / width - 0.5) - 0.12 * np.abs(y / height - 0.5)
        backlight = ground * fall[..., None] * 0.85
        ground = ground * 0.22
    words: tuple[float, float, float] = tuple(  # type: ignore[assignment]
        0.75 * i + 0.25 * w if style.kind in ("lcd", "backlit") else 150.0 + 0.1 * w
        for i, w in zip(style.ink, style.window, strict=True)
    )
    for spot in spots:
        _print_words(ground, spot, words if style.kind != "backlit" else (0, 0, 0))
        if style.kind == "backlit":
            _print_words(backlight, spot, words)
    ground += glint * (14 if style.kind in ("lcd", "backlit") else 9)
    return Window(width, height, style, spots, ground, backlight)


def bar_masks(window: Window, texts: Mapping[str, str]) -> tuple[Mask, Mask]:
    """Give the masks of the lit and of the unlit bars and dots of a window for the texts by key ("" = off)."""
    lit = np.zeros((window.height, window.width), np.uint8)
    unlit = np.zeros_like(lit)
    for spot in window.spots:
        on, off = polygons(spot.layout, texts[spot.key], spot.mask)
        for group, canvas in ((on, lit), (off, unlit)):
            for polygon in group:
                fill_convex(canvas, spot.place(polygon))
        if isinstance(spot.layout.shape.face, Print) and texts[spot.key]:
            _print_digits(lit, spot, spot.layout.shape.face, texts[spot.key])
    return as_mask(lit), as_mask(unlit)


def _print_digits(lit: NDArray[np.uint8], spot: Spot, face: Print, text: str) -> None:
    """Lay the printed digits of a text on the mask of what is lit, in place."""
    characters, _, _ = spread(text, spot.mask, known=signs_of(spot.layout.shape))
    for place, character in zip(spot.layout.digits, characters, strict=True):
        if character != " ":
            middle = spot.place(np.array([[place.x + place.width / 2, place.y]], np.float32))[0]
            paste_sign(lit, printed_sign(character, face, place.height * spot.height), float(middle[0]), float(middle[1]))


def _mesh(lit: Mask, strength: float) -> Mask:
    """Give the pattern of a VFD's fine grid over its lit bars."""
    period = 5
    lines = np.ones_like(lit)
    lines[:, ::period] -= strength
    lines[::period, :] -= strength * 0.6
    return lines


def draw_window(window: Window, texts: Mapping[str, str]) -> tuple[Picture, Picture]:
    """Give what the window reflects (to be multiplied by the light on it) and what it gives out, for these texts."""
    lit, unlit = bar_masks(window, texts)
    return light_window(window, lit, unlit, powered=any(texts[s.key] for s in window.spots))


def light_window(window: Window, lit: Mask, unlit: Mask, *, powered: bool = True) -> tuple[Picture, Picture]:
    """Give what the window reflects and gives out with these bars lit and unlit; a backlight burns only where `powered`."""
    style = window.style
    tall = max(s.height for s in window.spots)
    ink = np.array(style.ink, np.float32)
    if not style.is_emissive:
        dark = np.minimum(lit * style.contrast + unlit * style.ghost, 1.0)[..., None]
        cast = np.roll(lit, (round(tall * 0.045), round(tall * 0.035)), (0, 1))
        shade = 1 - style.shadow * blur(cast, tall * 0.02)[..., None] * (1 - dark)
        if style.kind == "lcd":
            return (window.ground * (1 - dark) + ink * dark) * shade, window.backlight
        given = (window.backlight * (1 - dark) + ink * dark) * shade if powered else np.zeros_like(window.backlight)
        return np.asarray(window.ground * (1 - dark * 0.6), np.float32), np.asarray(given, np.float32)
    bright = lit * _mesh(lit, style.mesh) if style.mesh else lit
    glow = blur(lit, tall * 0.06) * 0.6 + blur(lit, tall * 0.2) * 0.4
    given = (bright * style.contrast + glow * style.glow)[..., None] * ink
    faint = (unlit * style.ghost)[..., None]
    return window.ground + (np.minimum(ink, 255) * 0.6 - window.ground) * faint, np.asarray(given, np.float32)
