"""Takes words, sizes and colours; gives them drawn on a film's picture, each word rendered once with the type of matplotlib.

A picture of a film is `uint8` (height, width, 4): blue, green, red, each already multiplied with the fourth, how opaque it is.
So the same strokes serve a film over photos and one that an editor lays over something else.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Literal

import cv2
import matplotlib
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

Picture = npt.NDArray[np.uint8]
Colour = tuple[int, int, int, int]
"""Blue, green, red, opaque. [0 to 255]"""

Point = tuple[float, float]
Anchor = Literal["left", "middle", "right"]

PAGE, PAPER, INK, MUTED, GRID, GAP, LIMIT = "#0e161b", "#162128", "#e6edf0", "#a3b4bd", "#2d3c46", "#22303a", "#f2929e"
SERIES = ("#68bdee", "#ffa163", "#5fd3a9", "#dba3e2", "#ece06a")
"""The colours of the report's charts on a dark page, and yellow; shapes and words tell displays and flags apart as well."""

_FRACTION = 4  # bits of a pixel in which places are given to OpenCV


def colour_of(text: str, opaque: float = 1.0) -> Colour:
    """Give "#rrggbb" as a colour of a picture."""
    red, green, blue = (int(text[place : place + 2], 16) for place in (1, 3, 5))
    return round(blue * opaque), round(green * opaque), round(red * opaque), round(255 * opaque)


@lru_cache(maxsize=32)
def _font(size_px: int, bold: bool) -> ImageFont.FreeTypeFont:
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    path = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name
    return ImageFont.truetype(str(path), size_px, layout_engine=ImageFont.Layout.BASIC)


@lru_cache(maxsize=4096)
def text_width(text: str, size_px: int, bold: bool = False) -> int:
    """Give how wide a line of text is. [px]"""
    return round(_font(size_px, bold).getlength(text))


def text_height(size_px: int) -> int:
    """Give the height that a line of text takes, letters below the line included. [px]"""
    return round(1.2 * size_px)


@lru_cache(maxsize=2048)
def _sprite(text: str, size_px: int, bold: bool, colour: Colour) -> Picture:
    """Render a line once, as a small picture that is clear between the letters."""
    width, height = text_width(text, size_px, bold) + 2, text_height(size_px)
    image = Image.new("L", (width, height), 0)
    ImageDraw.Draw(image).text((1, round(0.96 * size_px)), text, font=_font(size_px, bold), fill=255, anchor="ls")
    shades = (np.arange(256)[:, None] * np.asarray(colour) + 127) // 255  # by how much of a pixel the letters cover
    return np.asarray(cv2.LUT(cv2.merge((np.asarray(image),) * 4), shades.astype(np.uint8)[None]), np.uint8)


def draw_text(
    picture: Picture, at: Point, text: str, size_px: int, colour: Colour, *, bold: bool = False, anchor: Anchor = "left"
) -> None:
    """Draw a line of text; `at` is the top of the line, and its left end, middle or right end. What sticks out is left off."""
    if not text:
        return
    sprite = _sprite(text, size_px, bold, colour)
    width = sprite.shape[1]
    lay_over(picture, sprite, round(at[0] - {"left": 0.0, "middle": width / 2, "right": float(width)}[anchor]), round(at[1]))


def lay_over(picture: Picture, sprite: Picture, left: int, top: int) -> None:
    """Lay a small picture that may be partly clear over another; what sticks out is left off."""
    right, bottom = min(left + sprite.shape[1], picture.shape[1]), min(top + sprite.shape[0], picture.shape[0])
    start_x, start_y = max(left, 0), max(top, 0)
    if start_x >= right or start_y >= bottom:
        return
    part = sprite[start_y - top : bottom - top, start_x - left : right - left]
    clear = cv2.merge((cv2.bitwise_not(cv2.extractChannel(part, 3)),) * 4)
    under = picture[start_y:bottom, start_x:right]
    under[:] = cv2.add(part, cv2.multiply(under, clear, scale=1 / 255))


def wrap(text: str, size_px: int, width_px: float, most: int, *, bold: bool = False) -> list[str]:
    """Break words into at most `most` lines of a width; what does not fit ends in an ellipsis."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and text_width(longer, size_px, bold) > width_px:
            lines.append(line)
            line = word
        else:
            line = longer
    lines.append(line)
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [shorten(one, size_px, width_px, bold=bold) for one in lines]


def shorten(text: str, size_px: int, width_px: float, *, bold: bool = False) -> str:
    """Give a text that fits a width, with an ellipsis where something had to go."""
    if text_width(text, size_px, bold) <= width_px:
        return text
    while text and text_width(text.rstrip() + "…", size_px, bold) > width_px:
        text = text[:-1]
    return text.rstrip() + "…"


# --- strokes ---------------------------------------------------------------------------------------------------------


def draw_line(picture: Picture, points: npt.ArrayLike, colour: Colour, width_px: int, *, closed: bool = False) -> None:
    """Draw a smooth line through places (n, 2), given to parts of a pixel."""
    cv2.polylines(picture, [_fixed(points)], closed, colour, width_px, cv2.LINE_AA, _FRACTION)


def fill(picture: Picture, points: npt.ArrayLike, colour: Colour) -> None:
    """Fill a shape."""
    cv2.fillPoly(picture, [_fixed(points)], colour, cv2.LINE_AA, _FRACTION)


def draw_dashes(
    picture: Picture, points: npt.ArrayLike, colour: Colour, width_px: int, dash_px: float, *, closed: bool = False
) -> None:
    """Draw a broken line through places (n, 2)."""
    places = np.asarray(points, float)
    ends = np.roll(places, -1, axis=0) if closed else places[1:]
    dashes: list[npt.NDArray[np.int32]] = []
    for start, end in zip(places, ends, strict=False):
        length = float(np.hypot(*(end - start)))
        parts = max(1, round(length / dash_px)) | 1  # an odd number: a dash at either end
        tip = min(0.4, width_px * parts / max(length, 1e-6) / 2)  # a line reaches half its width beyond its ends
        at = np.arange(0, parts, 2)[:, None] + (tip, 1 - tip)
        dashes += list(_fixed(start + (end - start) * at[:, :, None] / parts).reshape(-1, 2, 1, 2))
    cv2.polylines(picture, dashes, False, colour, width_px, cv2.LINE_AA, _FRACTION)


def series_colour(number: int) -> Colour:
    """Give the colour of a display's lines; with its sign it is told from 24 others."""
    return colour_of(SERIES[(number + number // len(SERIES)) % len(SERIES)])


def draw_sign(picture: Picture, at: Point, number: int, radius_px: float, colour: Colour, hollow: Colour | None = None) -> None:
    """Draw the sign of the display of this number (circle, square, diamond, cross, star); empty where `hollow` is its ground."""
    x, y = at
    r = radius_px
    shape = [(x + r * right, y + r * down) for right, down in SIGNS[number % len(SIGNS)]]
    fill(picture, shape, colour if hollow is None else hollow)
    draw_line(picture, shape, colour, 1 if hollow is None else max(1, round(radius_px / 4)), closed=True)


def _ring(count: int, *radii: float, start: float = -0.25) -> list[Point]:
    """Give places around 0, from `start` (turns, clockwise from the right), at each radius in turn."""
    turns = [2 * np.pi * (start + number / count) for number in range(count)]
    return [(radii[n % len(radii)] * float(np.cos(t)), radii[n % len(radii)] * float(np.sin(t))) for n, t in enumerate(turns)]


def _cross(arm: float, half: float) -> list[Point]:
    quarter = [(-half, -half), (-half, -arm), (half, -arm)]
    turned = [(-y, x) for x, y in quarter]
    return [*quarter, *turned, *((-x, -y) for x, y in quarter), *((-x, -y) for x, y in turned)]


SIGNS: tuple[list[Point], ...] = (
    _ring(24, 1.0), _ring(4, 1.25, start=-0.125), _ring(4, 1.25), _cross(1.15, 0.42), _ring(10, 1.4, 0.6),
)  # fmt: skip
"""The outline of each sign around its middle, at a radius of 1; none is a triangle, which means beyond the range."""


def _fixed(points: npt.ArrayLike) -> npt.NDArray[np.int32]:
    return np.round(np.asarray(points, float) * (1 << _FRACTION)).astype(np.int32).reshape(-1, 1, 2)
