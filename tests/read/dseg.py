"""Takes a font family and polarity, or a level, and a generator; gives pictures of numbers in the DSEG fonts, and what they say.

The DSEG7 fonts (SIL Open Font Licence 1.1; Debian package fonts-dseg) are a drawing of seven-segment digits that has nothing
to do with this project's own. In them "!" is an empty place as wide as a digit, and the point takes no place of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

FONTS = Path("/usr/share/fonts/truetype/dseg")
FAMILIES = ("Classic", "Modern")
FACES = ("Light", "Regular", "Bold", "Italic", "LightItalic", "BoldItalic")
MASKS = ("###", "##.#", "####", "#.##", "-##.#", "###.#")

Polarity = Literal["dark-on-light", "light-on-dark"]
POLARITIES: tuple[Polarity, ...] = ("dark-on-light", "light-on-dark")

Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Sample:
    """One drawn number: the picture (uint8, grey), where its digits are marked, the mask, the text, and the font's file name."""

    image: NDArray[np.uint8]
    corners: Corners
    mask: str
    text: str
    font: str


def font_file(family: str, face: str) -> Path:
    """Give the file of one font."""
    return FONTS / f"DSEG7{family}-{face}.ttf"


def draw_samples(count: int, family: str, polarity: Polarity, rng: np.random.Generator, height_px: int = 60) -> Iterator[Sample]:
    """Draw `count` numbers, all faces of a family in turn; digits `height_px` tall (the fonts' digits fill their em)."""
    for index in range(count):
        yield _draw(font_file(family, FACES[index % len(FACES)]), polarity, rng, height_px)


def _number(rng: np.random.Generator, masks: tuple[str, ...] = MASKS) -> tuple[str, str, str]:
    """Give a mask, a number that fits it as the font writes it ("!" for an empty place), and the same as it reads."""
    mask = masks[int(rng.integers(len(masks)))]
    whole = mask.lstrip("-").split(".")[0].count("#")
    empty = int(rng.integers(whole)) if rng.random() < 0.4 else 0
    digits = [str(rng.integers(10)) for _ in range(mask.count("#"))]
    if digits[empty] == "0" and empty < whole - 1 and empty:
        digits[empty] = str(rng.integers(1, 10))
    digits[:empty] = "!" * empty
    written = "".join(digits[:whole]) + ("." + "".join(digits[whole:]) if "." in mask else "")
    if mask.startswith("-"):
        written = ("-" if rng.random() < 0.5 else "!") + written
    return mask, written, written.replace("!", "")


def _draw(font: Path, polarity: Polarity, rng: np.random.Generator, height_px: int) -> Sample:
    mask, written, text = _number(rng)
    face = ImageFont.truetype(str(font), height_px)
    full = "".join(character if character == "." else "8" for character in written)
    left, top, right, bottom = face.getbbox(full)
    margin = 2 * height_px
    canvas = Image.new("L", (round(right) + 2 * margin, round(bottom) + 2 * margin), 0)
    ImageDraw.Draw(canvas).text((margin, margin), written, font=face, fill=255)
    lit = np.asarray(canvas, np.float32) / 255
    ground, ink = (210, 30) if polarity == "dark-on-light" else (30, 230)
    image = np.clip(ground + lit * (ink - ground) + rng.normal(0, 2, lit.shape), 0, 255).astype(np.uint8)
    box = (margin + left, margin + top, margin + right, margin + bottom)
    return Sample(image, _loosely(box, rng), mask, text, font.stem)


def _loosely(box: tuple[float, float, float, float], rng: np.random.Generator) -> Corners:
    """Mark a box as a person does: 8 to 15 % too wide and too high, not evenly, and no corner quite in line with the next."""
    left, top, right, bottom = box
    width, height = right - left, bottom - top
    spare_x, spare_y = width * rng.uniform(0.08, 0.15), height * rng.uniform(0.08, 0.15)
    left, top = left - spare_x * rng.uniform(0.3, 0.7), top - spare_y * rng.uniform(0.3, 0.7)
    right, bottom = left + width + spare_x, top + height + spare_y
    corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    corners += rng.uniform(-0.02, 0.02, (4, 2)) * height
    a, b, c, d = ((float(x), float(y)) for x, y in corners)
    return a, b, c, d


# --- three levels ------------------------------------------------------------------------------------------------------

SIGNED_MASKS = ("-##.#", "-#.##", "-###.#", "-##.##")
OVER = 4
"""How many times larger the digits are drawn than they are seen."""


@dataclass(frozen=True)
class Level:
    """How hard numbers are to read: from and to for each figure.

    `height_px` of a digit; `contrast` between digits and ground as a share of the brighter of the two; `ghost` how far unlit
    segments go from ground to digits; `blur` the focus' standard deviation in digit heights; `noise` in grey levels; `glare` how
    far a light mirrored in the glass lifts the ground towards white (0 to 1).
    """

    height_px: tuple[float, float]
    contrast: tuple[float, float]
    ghost: float
    blur: tuple[float, float]
    noise: tuple[float, float]
    glare: tuple[float, float]


LEVELS = {
    "clean": Level((64, 64), (0.85, 0.9), 0.0, (0.0, 0.0), (1, 2), (0.0, 0.0)),
    "moderate": Level((32, 40), (0.4, 0.4), 0.08, (0.015, 0.03), (2, 4), (0.0, 0.0)),
    "hard": Level((20, 28), (0.15, 0.20), 0.15, (0.05, 0.08), (3, 5), (0.3, 0.7)),
}
"""Heights, contrast and ghosts are common terms of a comparison of recognisers; blur, noise and glare are this project's own."""


def draw_level(count: int, level: Level, rng: np.random.Generator) -> Iterator[Sample]:
    """Draw `count` numbers with point and sign: both families, all faces, both polarities in turn."""
    for index in range(count):
        font = font_file(FAMILIES[index % 2], FACES[index // 4 % len(FACES)])
        yield _draw_in_level(font, POLARITIES[index // 2 % 2], level, rng)


def _draw_in_level(font: Path, polarity: Polarity, level: Level, rng: np.random.Generator) -> Sample:
    mask, written, text = _number(rng, SIGNED_MASKS)
    height = float(rng.uniform(*level.height_px))
    face = ImageFont.truetype(str(font), round(height * OVER))
    places = written[1:].replace(".", "")
    full = "-" + "8." * len(places)
    left, top, right, bottom = face.getbbox("8" + "8." * len(places))
    margin = round(1.5 * height) * OVER
    size = (round(right) + 2 * margin, round(bottom) + 2 * margin)
    lit, every = (_written(words, face, size, margin) for words in (written, full))
    shown = np.maximum(lit, level.ghost * every)
    sigma = float(rng.uniform(*level.blur)) * height * OVER
    shown = cv2.GaussianBlur(shown, (0, 0), sigma) if sigma else shown
    columns, rows = size[0] // OVER, size[1] // OVER
    shown = cv2.resize(shown[: rows * OVER, : columns * OVER], (columns, rows), interpolation=cv2.INTER_AREA)
    bright = float(rng.uniform(150, 220))
    dark = bright * (1 - float(rng.uniform(*level.contrast)))
    ground, ink = (bright, dark) if polarity == "dark-on-light" else (dark, bright)
    image = ground + shown * (ink - ground)
    image += _mirrored_light(columns, rows, height, rng) * (float(rng.uniform(*level.glare)) * (250 - bright))
    image += rng.normal(0, float(rng.uniform(*level.noise)), image.shape)
    x0, y0, x1, y1 = ((margin + value) / OVER for value in (left, top, right, bottom))
    return Sample(np.clip(np.rint(image), 0, 255).astype(np.uint8), _loosely((x0, y0, x1, y1), rng), mask, text, font.stem)


def _written(words: str, face: ImageFont.FreeTypeFont, size: tuple[int, int], margin: int) -> NDArray[np.float32]:
    canvas = Image.new("L", size, 0)
    ImageDraw.Draw(canvas).text((margin, margin), words, font=face, fill=255)
    return np.asarray(canvas, np.float32) / 255


def _mirrored_light(columns: int, rows: int, height: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Give a soft bright spot somewhere over the digits, 0 to 1."""
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    x0, y0 = columns * rng.uniform(0.3, 0.7), rows * rng.uniform(0.35, 0.65)
    wide, tall = height * rng.uniform(0.6, 1.6), height * rng.uniform(0.4, 1.0)
    return np.asarray(np.exp(-0.5 * (((x - x0) / wide) ** 2 + ((y - y0) / tall) ** 2)), np.float32)
