"""Takes a font family, a polarity and a generator; gives pictures of numbers drawn with the DSEG fonts, and what they say.

The DSEG7 fonts (SIL Open Font Licence 1.1; Debian package fonts-dseg) are a drawing of seven-segment digits that has nothing
to do with this project's own. In them "!" is an empty place as wide as a digit, and the point takes no place of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

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


def _number(rng: np.random.Generator) -> tuple[str, str, str]:
    """Give a mask, a number that fits it as the font writes it ("!" for an empty place), and the same as it reads."""
    mask = MASKS[int(rng.integers(len(MASKS)))]
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
