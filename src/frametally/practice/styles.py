"""Takes a name or a random generator; gives how displays look: their kind, colours, contrast, glow and digit shape."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from frametally.practice.glyphs import Shape, Tip
from frametally.practice.matrix import Dots

Kind = Literal["lcd", "backlit", "negative", "led", "vfd"]
Colour = tuple[int, int, int]
"""Blue, green, red, 0 to 255."""


@dataclass(frozen=True)
class DisplayStyle:
    """How one instrument's displays look.

    `kind`: "lcd" dark on a light ground, lit by the room; "backlit" dark on a ground that glows; "negative" light on a
    dark ground; "led" and "vfd" glow behind a dark window. `window` is the ground's colour, `ink` the lit segments'.
    `contrast` (0 to 1) is how far lit segments go from ground to ink; `ghost` the same for unlit ones (0 to 0.12);
    `shadow` the strength of an LCD's shadow on its own ground; `glow` the strength of the bloom around lit segments;
    `mesh` the strength of a VFD's grid; `glass` the strength of the reflection on the window.
    """

    kind: Kind
    window: Colour
    ink: Colour
    shape: Shape
    contrast: float = 0.9
    ghost: float = 0.0
    shadow: float = 0.0
    glow: float = 0.0
    mesh: float = 0.0
    glass: float = 0.3

    @property
    def is_emissive(self) -> bool:
        """Whether the lit segments give light of their own."""
        return self.kind in ("negative", "led", "vfd")


@dataclass(frozen=True)
class Style:
    """The look of a night: the hand-held's displays and the shelf unit's, and what it is in words."""

    name: str
    description: str
    hand: DisplayStyle
    shelf: DisplayStyle


_SLIM = Shape(thickness=0.105, gap=0.012, slant_deg=6.0, aspect=0.52, pitch=1.36, tip="mitred", point_room=0.10)
_PLAIN = Shape(thickness=0.135, gap=0.016, slant_deg=0.0, aspect=0.56, pitch=1.30, tip="hexagon", half_last=0.62)
_LEANING = Shape(
    thickness=0.12, gap=0.014, slant_deg=10.0, aspect=0.54, pitch=1.30, tip="mitred", tailed_six=False, tailed_nine=False
)
_BLUNT = Shape(thickness=0.15, gap=0.018, slant_deg=0.0, aspect=0.58, pitch=1.30, tip="flat", hooked_seven=True)
_LAMP = Shape(thickness=0.125, gap=0.022, slant_deg=8.0, aspect=0.55, pitch=1.42, tip="hexagon", point_room=0.03)
_ROUND = Shape(
    thickness=0.13, gap=0.02, slant_deg=4.0, aspect=0.55, pitch=1.40, tip="rounded", point_room=0.08, hooked_seven=True
)
_TUBE = Shape(thickness=0.11, gap=0.02, slant_deg=7.0, aspect=0.55, pitch=1.45, tip="mitred", point_room=0.06)
_MODULE = Shape(thickness=0.18, slant_deg=0.0, aspect=0.62, pitch=1.2, tip="flat", point_room=0.5, face=Dots(0.86))
_SCREEN = Shape(thickness=0.16, slant_deg=0.0, aspect=0.66, pitch=1.22, tip="flat", point_room=0.3, face=Dots(0.97))

_GREY_GREEN: Colour = (148, 168, 160)
_SILVER: Colour = (176, 182, 180)

_LCD = DisplayStyle("lcd", _GREY_GREEN, (38, 36, 34), _PLAIN, contrast=0.92, shadow=0.10)
_LCD_GHOST = DisplayStyle("lcd", _SILVER, (44, 38, 36), _PLAIN, contrast=0.86, ghost=0.10, shadow=0.22)
_LCD_SLANT = DisplayStyle("lcd", (150, 172, 158), (40, 44, 34), _LEANING, contrast=0.90, ghost=0.04, shadow=0.18)
_LCD_BLUE = DisplayStyle("backlit", (214, 130, 40), (56, 20, 8), _SLIM, contrast=0.90, ghost=0.05, shadow=0.08)
_LCD_GREEN = DisplayStyle("backlit", (70, 205, 150), (16, 40, 26), _BLUNT, contrast=0.90, ghost=0.03, shadow=0.08)
_LCD_AMBER = DisplayStyle("backlit", (40, 150, 232), (6, 26, 52), _PLAIN, contrast=0.90, ghost=0.04, shadow=0.08)
_LCD_NEGATIVE = DisplayStyle("negative", (44, 30, 24), (236, 228, 216), _BLUNT, contrast=0.85, ghost=0.05, glow=0.10)
_LED_RED = DisplayStyle("led", (20, 16, 44), (52, 52, 300), _LAMP, ghost=0.03, glow=0.38)
_LED_GREEN = DisplayStyle("led", (22, 32, 20), (92, 270, 92), _LAMP, ghost=0.03, glow=0.34)
_LED_AMBER = DisplayStyle("led", (16, 24, 36), (26, 160, 300), _ROUND, ghost=0.02, glow=0.34)
_LED_WHITE = DisplayStyle("led", (26, 26, 26), (262, 250, 244), _ROUND, ghost=0.03, glow=0.30)
_VFD = DisplayStyle("vfd", (30, 30, 26), (205, 245, 110), _TUBE, ghost=0.02, glow=0.30, mesh=0.22)
_MODULE_GREEN = DisplayStyle("backlit", (60, 200, 165), (16, 36, 22), _MODULE, contrast=0.92, ghost=0.05, shadow=0.06)
_SCREEN_WHITE = DisplayStyle("led", (18, 16, 14), (262, 246, 232), _SCREEN, glow=0.16)

STYLES: dict[str, Style] = {
    style.name: style
    for style in (
        Style("lcd-plain", "dark digits on a grey-green ground, no unlit segments to be seen", _LCD, _LCD),
        Style("lcd-ghost", "dark digits on silver, the unlit segments faintly there, small tenths", _LCD_GHOST, _LCD_GHOST),
        Style("lcd-slant", "leaning dark digits, 6 and 9 without tails", _LCD_SLANT, _LCD_SLANT),
        Style("lcd-backlit-blue", "dark slim digits on a blue glowing ground", _LCD_BLUE, _LCD_BLUE),
        Style("lcd-backlit-green", "dark blunt digits on a green glowing ground", _LCD_GREEN, _LCD_GREEN),
        Style("lcd-backlit-amber", "dark digits on an amber glowing ground", _LCD_AMBER, _LCD_AMBER),
        Style("lcd-negative", "light blunt digits on a dark ground", _LCD_NEGATIVE, _LCD_NEGATIVE),
        Style("led-red", "red glowing digits behind a dark red window", _LED_RED, _LED_RED),
        Style("led-green", "green glowing digits behind a dark window", _LED_GREEN, _LED_GREEN),
        Style("led-amber", "amber glowing digits with round ends", _LED_AMBER, _LED_AMBER),
        Style("led-white", "white glowing digits with round ends", _LED_WHITE, _LED_WHITE),
        Style("vfd-cyan", "blue-green glowing digits behind a fine mesh", _VFD, _VFD),
        Style("mixed", "a plain LCD on the hand-held, red LEDs on the shelf unit", _LCD_GHOST, _LED_RED),
    )
}
"""Every named look whose displays all have seven segments, by name."""

TEXT_STYLES: dict[str, Style] = {
    style.name: style
    for style in (
        Style(
            "char-lcd", "dark dots on a green glowing character module on the shelf, a plain LCD in the hand", _LCD, _MODULE_GREEN
        ),
        Style("oled", "white dots on a black graphic screen on the shelf, a plain LCD in the hand", _LCD_GHOST, _SCREEN_WHITE),
    )
}
"""The looks with displays of dots, `kind = "text"` in the calibration, by name; only where they are asked for."""


def vary(style: DisplayStyle, rng: np.random.Generator) -> DisplayStyle:
    """Give the same look as another maker's batch would have it: figures a little different, nothing of another kind."""

    def near(value: float, share: float) -> float:
        return float(value * rng.uniform(1 - share, 1 + share))

    shape = replace(
        style.shape,
        thickness=near(style.shape.thickness, 0.08),
        gap=near(style.shape.gap, 0.2),
        slant_deg=near(style.shape.slant_deg, 0.15),
        aspect=near(style.shape.aspect, 0.04),
        pitch=near(style.shape.pitch, 0.02),
    )
    brighter = near(1.0, 0.06)
    window = tuple(int(np.clip(near(c, 0.015) * brighter, 0, 255)) for c in style.window)
    return replace(
        style,
        shape=shape,
        window=window,  # type: ignore[arg-type]
        contrast=min(1.0, near(style.contrast, 0.03)),
        ghost=min(0.12, near(style.ghost, 0.2)),
        glow=near(style.glow, 0.15),
    )


def random_shape(rng: np.random.Generator) -> Shape:
    """Give a digit shape from the whole range that makers use."""
    tips: tuple[Tip, ...] = ("hexagon", "mitred", "flat", "rounded")
    within = rng.random() < 0.35
    tailed = bool(rng.random() < 0.75)
    return Shape(
        thickness=float(rng.uniform(0.085, 0.175)),
        gap=float(rng.uniform(0.006, 0.03)),
        slant_deg=float(rng.choice([0.0, rng.uniform(2, 12)])),
        aspect=float(rng.uniform(0.46, 0.64)),
        pitch=float(rng.uniform(1.42, 1.55) if within else rng.uniform(1.2, 1.45)),
        tip=tips[int(rng.integers(len(tips)))],
        tailed_six=tailed,
        tailed_nine=tailed if rng.random() < 0.85 else not tailed,
        hooked_seven=bool(rng.random() < 0.3),
        point_room=0.0 if within else float(rng.uniform(0.08, 0.2)),
        half_last=float(rng.uniform(0.52, 0.72)) if rng.random() < 0.5 else 1.0,
        sign_width=float(rng.uniform(0.5, 0.9)),
    )


def _shade(rng: np.random.Generator, low: float, high: float, tint: float) -> Colour:
    """Give a grey between two levels with up to `tint` of colour in it."""
    level = rng.uniform(low, high)
    blue, green, red = np.clip(level * rng.uniform(1 - tint, 1 + tint, 3), 0, 255)
    return int(blue), int(green), int(red)


def random_style(rng: np.random.Generator) -> DisplayStyle:
    """Give a display look from a wide range: every kind, colour, contrast, ghosting and digit shape (for training and tests)."""
    kinds: tuple[Kind, ...] = ("lcd", "backlit", "negative", "led", "vfd")
    kind = kinds[int(rng.choice(len(kinds), p=[0.42, 0.16, 0.12, 0.22, 0.08]))]
    shape = random_shape(rng)
    ghost = float(rng.uniform(0, 0.12)) if rng.random() < 0.6 else 0.0
    glass = float(rng.uniform(0, 0.6))
    if kind == "lcd":
        window, ink = _shade(rng, 110, 205, 0.12), _shade(rng, 18, 60, 0.2)
        return DisplayStyle(kind, window, ink, shape, float(rng.uniform(0.6, 1)), ghost, float(rng.uniform(0, 0.35)), glass=glass)
    if kind == "backlit":
        hue = ((214, 130, 40), (70, 205, 150), (40, 150, 232), (190, 200, 205), (200, 190, 60))[int(rng.integers(5))]
        blue, green, red = (int(np.clip(c * rng.uniform(0.75, 1.15), 0, 255)) for c in hue)
        return DisplayStyle(
            kind, (blue, green, red), _shade(rng, 8, 40, 0.5), shape, float(rng.uniform(0.65, 1)), ghost, 0.08, glass=glass
        )
    window = _shade(rng, 14, 48, 0.4)
    if kind == "negative":
        return DisplayStyle(
            kind, window, _shade(rng, 190, 250, 0.2), shape, float(rng.uniform(0.6, 1)), ghost * 0.7, glow=0.1, glass=glass
        )
    if kind == "vfd":
        ink = (int(rng.uniform(150, 220)), int(rng.uniform(220, 260)), int(rng.uniform(70, 150)))
        return DisplayStyle(
            kind, window, ink, shape, 1.0, ghost * 0.3, 0.0, float(rng.uniform(0.1, 0.5)), float(rng.uniform(0, 0.35)), glass
        )
    inks: tuple[Colour, ...] = ((52, 52, 300), (92, 270, 92), (26, 160, 300), (262, 250, 244), (280, 140, 60))
    ink = inks[int(rng.integers(len(inks)))]
    return DisplayStyle(
        kind, window, ink, shape, float(rng.uniform(0.7, 1.15)), ghost * 0.4, glow=float(rng.uniform(0.08, 0.6)), glass=glass
    )
