"""Takes a random generator; gives a photo of one dot-matrix or printed-looking display, loosely marked, with what it shows.

Character modules, OLED and other graphic screens, with the unit and other rows close by: what `kind = "text"` is for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.practice.glyphs import Shape, lay_out
from frametally.practice.matrix import Dots, Font, Print, printed_aspect
from frametally.practice.number import Hardness, loose_box, mask_for, photograph
from frametally.practice.scene import project
from frametally.practice.styles import Colour, DisplayStyle
from frametally.practice.window import SUPER, Spot, build_window

Screen = Literal["char-lcd", "oled-dots", "oled-pixels", "tft", "paper"]
SCREENS: tuple[Screen, ...] = ("char-lcd", "oled-dots", "oled-pixels", "tft", "paper")

LEVELS: dict[str, Hardness] = {
    "easy": Hardness(tilt_deg=3.0, blur_px=0.7, noise=2.0, darkest=0.6),
    "moderate": Hardness(tilt_deg=8.0, blur_px=1.1, noise=4.0, darkest=0.35),
    "hard": Hardness(tilt_deg=12.0, blur_px=1.7, noise=7.0, darkest=0.2),
}
HEIGHTS = {"easy": (36.0, 70.0), "moderate": (22.0, 44.0), "hard": (14.0, 28.0)}
"""How high the digits of each level are. [px]"""

UNITS = ("ppm", "C", "%", "°C", "RH", "%RH", "hPa", "V")
LABELS = ("CO", "CO2", "O2", "T", "RH", "Temp")

_SCREEN_INKS: tuple[Colour, ...] = ((262, 250, 244), (290, 170, 70), (40, 215, 290), (80, 250, 110), (250, 240, 120))
_FONTS: tuple[Font, ...] = ("plain", "simplex", "duplex", "complex", "triplex")


@dataclass(frozen=True)
class TextDisplay:
    """A drawn text display: the photo (uint8, BGR), four corners clockwise from the digits' own top left [px], what it shows."""

    image: NDArray[np.uint8]
    corners: NDArray[np.float64]
    text: str
    mask: str
    screen: Screen


def _dots_shape(rng: np.random.Generator) -> Shape:
    fill = float(rng.choice([rng.uniform(0.62, 0.9), rng.uniform(0.9, 1.0)]))
    aspect, pitch = float(rng.uniform(0.55, 0.75)), float(rng.uniform(1.15, 1.3))
    full = aspect * pitch
    return Shape(
        thickness=float(rng.choice([0.14, 0.2, 0.25])) * fill,
        aspect=aspect,
        pitch=pitch,
        tip="rounded" if rng.random() < 0.3 else "flat",
        point_room=full if rng.random() < 0.6 else full * 0.5,
        sign_width=1.0,
        face=Dots(fill),
    )


def _printed_shape(rng: np.random.Generator, *, pixels: bool) -> Shape:
    face = Print(
        font=_FONTS[int(rng.integers(len(_FONTS)))],
        weight=float(rng.uniform(0.06, 0.17)),
        pixels=int(rng.integers(9, 27)) if pixels else 0,
        fill=float(rng.choice([1.0, rng.uniform(0.75, 0.95)])),
        width=float(rng.uniform(0.8, 1.15)),
    )
    aspect = printed_aspect(face)
    return Shape(
        thickness=float(rng.uniform(0.10, 0.16)),
        aspect=aspect,
        pitch=float(rng.uniform(1.12, 1.3)),
        tip="rounded" if rng.random() < 0.4 else "flat",
        point_room=float(rng.uniform(0.15, 0.35)),
        sign_width=float(rng.uniform(0.6, 1.0)),
        face=face,
    )


def random_text_shape(rng: np.random.Generator) -> Shape:
    """Give a face of dots or of printed digits from the whole range drawn here."""
    return _dots_shape(rng) if rng.random() < 0.5 else _printed_shape(rng, pixels=bool(rng.random() < 0.5))


def random_text_style(screen: Screen, rng: np.random.Generator) -> DisplayStyle:
    """Give the look of one kind of text display."""
    glass = float(rng.uniform(0, 0.5))

    def near(colour: tuple[int, ...], share: float) -> Colour:
        blue, green, red = (int(c * rng.uniform(1 - share, 1 + share)) for c in colour)
        return blue, green, red

    if screen == "char-lcd":
        shape = _dots_shape(rng)
        ghost, shadow = float(rng.uniform(0, 0.12)), float(rng.uniform(0, 0.2))
        contrast = float(rng.uniform(0.6, 1))
        if rng.random() < 0.35:  # white or pale letters on blue
            return DisplayStyle(
                "negative", near((170, 60, 20), 0.2), near((240, 235, 225), 0.06), shape, contrast, ghost, glow=0.05, glass=glass
            )
        if rng.random() < 0.5:
            return DisplayStyle(
                "backlit", near((60, 200, 165), 0.15), near((20, 36, 24), 0.3), shape, contrast, ghost, shadow, glass=glass
            )
        return DisplayStyle(
            "lcd", near((150, 172, 160), 0.15), near((44, 40, 38), 0.2), shape, contrast, ghost, shadow, glass=glass
        )
    ink = near(_SCREEN_INKS[int(rng.integers(len(_SCREEN_INKS)))], 0.08)
    glow = float(rng.uniform(0.0, 0.35))
    if screen == "oled-dots":
        return DisplayStyle("led", near((16, 14, 14), 0.5), ink, _dots_shape(rng), float(rng.uniform(0.6, 1.1)), 0.0, glow=glow)
    if screen == "oled-pixels":
        shape = _printed_shape(rng, pixels=True)
        return DisplayStyle("led", near((16, 14, 14), 0.5), ink, shape, float(rng.uniform(0.6, 1.1)), 0.0, glow=glow)
    shape = _printed_shape(rng, pixels=False)
    if screen == "paper" or rng.random() < 0.3:
        return DisplayStyle(
            "lcd", near((205, 208, 206), 0.08), near((40, 38, 38), 0.3), shape, float(rng.uniform(0.7, 1)), glass=glass
        )
    window = near(((20, 18, 18), (120, 50, 20), (60, 60, 30))[int(rng.integers(3))], 0.3)
    return DisplayStyle("led", window, ink, shape, float(rng.uniform(0.55, 0.9)), glow=glow * 0.4, glass=glass)


def random_number(rng: np.random.Generator) -> tuple[str, str]:
    """Give a number as an instrument shows it, and its mask, which may have more places."""
    places = int(rng.choice([2, 3, 4], p=[0.25, 0.5, 0.25]))
    text = str(int(rng.integers(10 ** (places - 1), 10**places)))
    if rng.random() < 0.55:
        at = places - int(rng.choice([1, 2], p=[0.8, 0.2])) if places > 2 else places - 1
        text = text[:at] + "." + text[at:]
    sign = "-" if rng.random() < 0.08 else ""
    more = int(rng.random() < 0.3)
    mask = mask_for(sign + text, places + more)
    if not sign and rng.random() < 0.1:
        mask = "-" + mask
    return sign + text, mask


def draw_text(rng: np.random.Generator, screen: Screen, level: str = "moderate") -> TextDisplay:
    """Draw one text display of a `screen` and a level of `LEVELS`, with its unit, a label and other rows as they may stand."""
    text, mask = random_number(rng)
    style = random_text_style(screen, rng)
    if level == "hard":
        style = replace(style, contrast=style.contrast * float(rng.uniform(0.35, 1.0)))
    low, high = HEIGHTS[level]
    tall = float(np.exp(rng.uniform(np.log(low), np.log(high)))) * SUPER
    left, top = tall * float(rng.uniform(0.5, 0.9)), tall * float(rng.uniform(0.5, 0.8))
    spots, texts = _with_neighbours(Spot("n", mask, lay_out(mask, style.shape), tall, left, top, "", ""), rng)
    spots = _moved_in(spots, tall)
    texts["n"] = text
    width = round(max(s.left + s.layout.width * s.height for s in spots) + 0.4 * tall)
    height = round(max(s.top + s.height for s in spots) + 0.4 * tall)
    window = build_window(width, height, style, spots, rng)
    image, matrix = photograph(window, texts, LEVELS[level], rng)
    box = loose_box(spots[0], rng)
    unit = next((s for s in spots if s.key == "unit"), None)
    if unit is not None and rng.random() < 0.3:  # the person took the unit in
        box[1:3, 0] = unit.left + unit.layout.width * unit.height + 0.1 * tall
    if level != "easy" and rng.random() < 0.25:
        image = _glare(image, tall / SUPER, rng)
    corners = project(matrix, box) + rng.uniform(-0.015, 0.015, (4, 2)) * tall / SUPER
    if rng.random() < 0.7:
        quality = int(rng.integers(*{"easy": (75, 96), "moderate": (55, 92), "hard": (35, 80)}[level]))
        _, packed = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
        image = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)
    return TextDisplay(image, corners, text, mask, screen)


def _with_neighbours(spot: Spot, rng: np.random.Generator) -> tuple[tuple[Spot, ...], dict[str, str]]:
    """Put a unit behind the number, a label before it, rows above and below, as they may stand."""
    shape, tall = spot.layout.shape, spot.height
    room = shape.aspect * shape.pitch * tall
    spots, texts = [spot], {}

    def add(key: str, text: str, height: float, left: float, top: float) -> None:
        mask = "#" * len(text)
        spots.append(Spot(key, mask, lay_out(mask, shape), height, left, top, "", ""))
        texts[key] = text

    base = spot.top + tall
    if rng.random() < 0.6:
        size = tall * float(rng.choice([1.0, rng.uniform(0.4, 0.7)]))
        after = float(rng.choice([0.15, rng.uniform(0.3, 0.9)])) * room
        add("unit", str(rng.choice(UNITS)), size, spot.left + spot.layout.width * tall + after, base - size)
    if rng.random() < 0.35:
        label = str(rng.choice(LABELS))
        width = lay_out("#" * len(label), shape).width * tall
        add("label", label, tall, spot.left - width - room * float(rng.uniform(0.4, 1.0)), spot.top)
    for key, chance in (("above", 0.4), ("below", 0.4)):
        if rng.random() < chance:
            size = tall * float(rng.choice([1.0, rng.uniform(0.4, 0.8)]))
            gap = tall * float(rng.uniform(0.14, 0.5))
            row = "".join(str(d) for d in rng.integers(0, 10, int(rng.integers(2, 6))))
            add(
                key,
                row,
                size,
                spot.left + float(rng.uniform(-0.5, 0.5)) * room,
                spot.top - gap - size if key == "above" else base + gap,
            )
    return tuple(spots), texts


def _moved_in(spots: tuple[Spot, ...], tall: float) -> tuple[Spot, ...]:
    """Move all displays so that none reaches over the window's left or upper edge."""
    across = max(0.0, 0.4 * tall - min(s.left for s in spots))
    down = max(0.0, 0.4 * tall - min(s.top for s in spots))
    return tuple(replace(s, left=s.left + across, top=s.top + down) for s in spots)


def _glare(image: NDArray[np.uint8], tall: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Lay a mirrored light or a veil over a photo."""
    rows, columns = image.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    centre, reach = rng.uniform(0, 1, 2) * (columns, rows), rng.uniform(0.4, 2.0, 2) * tall
    spot = np.exp(-(((x - centre[0]) / reach[0]) ** 2) - ((y - centre[1]) / reach[1]) ** 2) * rng.uniform(15, 130)
    veil = float(rng.uniform(0, 40)) if rng.random() < 0.5 else 0.0
    return np.asarray(np.clip(image + spot[..., None] + veil, 0, 255), np.uint8)
