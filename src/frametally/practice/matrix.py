"""Takes a sign, a face and a size; gives its dots or its printed shape: character modules, dot-matrix and graphic screens.

The dots are a drawing of our own, five columns by seven rows. Printed signs are OpenCV's Hershey strokes or Pillow's built-in
font, smooth or brought to a screen's own coarse pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

COLUMNS, ROWS = 5, 7

Font = Literal["plain", "simplex", "duplex", "complex", "triplex"]

_HERSHEY = {
    "simplex": cv2.FONT_HERSHEY_SIMPLEX,
    "duplex": cv2.FONT_HERSHEY_DUPLEX,
    "complex": cv2.FONT_HERSHEY_COMPLEX,
    "triplex": cv2.FONT_HERSHEY_TRIPLEX,
}

DOT_NAMES = "ABCDEFGHIJKLMNOPQRSTUVWXYZhijklmnop"
"""The dots' names, row by row from the upper left; none is a segment's, so that a bar and a dot are never confused."""

_DRAWN = {
    "0": ".xxx. x...x x...x x...x x...x x...x .xxx.",
    "1": "..x.. .xx.. ..x.. ..x.. ..x.. ..x.. .xxx.",
    "2": ".xxx. x...x ....x ...x. ..x.. .x... xxxxx",
    "3": ".xxx. x...x ....x ..xx. ....x x...x .xxx.",
    "4": "...x. ..xx. .x.x. x..x. xxxxx ...x. ...x.",
    "5": "xxxxx x.... xxxx. ....x ....x x...x .xxx.",
    "6": "..xx. .x... x.... xxxx. x...x x...x .xxx.",
    "7": "xxxxx ....x ....x ...x. ..x.. ..x.. ..x..",
    "8": ".xxx. x...x x...x .xxx. x...x x...x .xxx.",
    "9": ".xxx. x...x x...x .xxxx ....x ...x. .xx..",
    "-": "..... ..... ..... xxxxx ..... ..... .....",
    "_": "..... ..... ..... ..... ..... ..... xxxxx",
    "%": "xx... xx..x ...x. ..x.. .x... x..xx ...xx",
    "°": ".xx.. x..x. x..x. .xx.. ..... ..... .....",
    "A": ".xxx. x...x x...x xxxxx x...x x...x x...x",
    "B": "xxxx. x...x x...x xxxx. x...x x...x xxxx.",
    "C": ".xxx. x...x x.... x.... x.... x...x .xxx.",
    "E": "xxxxx x.... x.... xxxx. x.... x.... xxxxx",
    "F": "xxxxx x.... x.... xxxx. x.... x.... x....",
    "H": "x...x x...x x...x xxxxx x...x x...x x...x",
    "I": ".xxx. ..x.. ..x.. ..x.. ..x.. ..x.. .xxx.",
    "L": "x.... x.... x.... x.... x.... x.... xxxxx",
    "M": "x...x xx.xx x.x.x x.x.x x...x x...x x...x",
    "N": "x...x xx..x x.x.x x.x.x x..xx x...x x...x",
    "O": ".xxx. x...x x...x x...x x...x x...x .xxx.",
    "P": "xxxx. x...x x...x xxxx. x.... x.... x....",
    "R": "xxxx. x...x x...x xxxx. x.x.. x..x. x...x",
    "S": ".xxxx x.... x.... .xxx. ....x ....x xxxx.",
    "T": "xxxxx ..x.. ..x.. ..x.. ..x.. ..x.. ..x..",
    "U": "x...x x...x x...x x...x x...x x...x .xxx.",
    "V": "x...x x...x x...x x...x .x.x. .x.x. ..x..",
    "X": "x...x x...x .x.x. ..x.. .x.x. x...x x...x",
    "a": "..... ..... .xxx. ....x .xxxx x...x .xxxx",
    "b": "x.... x.... xxxx. x...x x...x x...x xxxx.",
    "c": "..... ..... .xxx. x.... x.... x...x .xxx.",
    "d": "....x ....x .xxxx x...x x...x x...x .xxxx",
    "e": "..... ..... .xxx. x...x xxxxx x.... .xxx.",
    "f": "..xx. .x..x .x... xxx.. .x... .x... .x...",
    "h": "x.... x.... xxxx. x...x x...x x...x x...x",
    "i": "..x.. ..... .xx.. ..x.. ..x.. ..x.. .xxx.",
    "m": "..... ..... xx.x. x.x.x x.x.x x.x.x x.x.x",
    "n": "..... ..... xxxx. x...x x...x x...x x...x",
    "o": "..... ..... .xxx. x...x x...x x...x .xxx.",
    "p": "..... ..... xxxx. x...x xxxx. x.... x....",
    "r": "..... ..... x.xx. xx..x x.... x.... x....",
    "s": "..... ..... .xxxx x.... .xxx. ....x xxxx.",
    "t": ".x... .x... xxxx. .x... .x... .x..x ..xx.",
    "u": "..... ..... x...x x...x x...x x...x .xxxx",
    "g": "..... ..... .xxxx x...x .xxxx ....x .xxx.",
    " ": "..... ..... ..... ..... ..... ..... .....",
}
"""Every sign from the top row to the bottom, x a lit dot."""

LIT_DOTS: dict[str, str] = {
    sign: "".join(name for name, dot in zip(DOT_NAMES, rows.replace(" ", ""), strict=True) if dot == "x")
    for sign, rows in _DRAWN.items()
}
"""The lit dots of every sign, by name."""


@dataclass(frozen=True)
class Dots:
    """A face of 5 x 7 dots: `fill` is a dot's size over the dots' distance (0.6 far apart, 1 touching)."""

    fill: float = 0.85


@dataclass(frozen=True)
class Print:
    """A printed face: `font`; `weight` of its strokes over a digit's height (Hershey fonts); `pixels` the screen's own rows in a
    digit (0: too fine to be seen), `fill` their size over their distance; `width` stretches."""

    font: Font = "plain"
    weight: float = 0.12
    pixels: int = 0
    fill: float = 1.0
    width: float = 1.0


def dot_polygons(x: float, y: float, width: float, height: float, face: Dots, *, rounded: bool) -> dict[str, NDArray[np.float32]]:
    """Give all 35 dots of one place by name, in the unit of its box (left, top, width, height)."""
    if rounded:
        turns = np.linspace(0, 2 * np.pi, 12, endpoint=False)
        corners = np.stack([np.cos(turns), np.sin(turns)], axis=1) / 2
    else:
        corners = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    pitch = np.array([width / COLUMNS, height / ROWS])
    dots = {}
    for index, name in enumerate(DOT_NAMES):
        centre = np.array([x, y]) + (np.array([index % COLUMNS, index // COLUMNS]) + 0.5) * pitch
        dots[name] = (centre + corners * pitch * face.fill).astype(np.float32)
    return dots


_SHEET = 120
"""Rows of a printed digit as it is first drawn. [px]"""


@lru_cache(maxsize=512)
def _sheet(sign: str, font: Font, stroke: int) -> NDArray[np.uint8]:
    """Give a sign as printed, a digit _SHEET rows high from the top row to the last but _SHEET // 2: letters may reach below."""
    if font == "plain" or not sign.isascii():
        return _pillow_sheet(sign)
    scale = _SHEET / 21.0  # OpenCV draws Hershey capitals 21 units high
    (width, _), _ = cv2.getTextSize(sign, _HERSHEY[font], scale, stroke)
    page = np.zeros((3 * _SHEET, width + 2 * _SHEET), np.uint8)
    cv2.putText(page, sign, (_SHEET, 2 * _SHEET), _HERSHEY[font], scale, 255, stroke, cv2.LINE_AA)
    # A stroke's own width stands half above and half below the digit: bring the digit back to its height.
    tall = _SHEET + stroke
    return _cut(page, 2 * _SHEET + stroke // 2 - tall, tall)


def _pillow_sheet(sign: str) -> NDArray[np.uint8]:
    font: Any = ImageFont.load_default(round(_SHEET / 0.72))
    _, top, _, bottom = font.getbbox("0", anchor="ls")
    page = Image.new("L", (4 * _SHEET, 3 * _SHEET), 0)
    ImageDraw.Draw(page).text((_SHEET, 2 * _SHEET), sign, fill=255, font=font, anchor="ls")
    return _cut(np.asarray(page, np.uint8), 2 * _SHEET + int(top), int(bottom - top))


def _cut(page: NDArray[np.uint8], top: int, tall: int) -> NDArray[np.uint8]:
    """Cut a sign out: its own columns, the rows of a digit and half as many below, brought to _SHEET and half a _SHEET."""
    columns = np.flatnonzero(page.max(axis=0))
    if not len(columns):
        return np.zeros((_SHEET * 3 // 2, 1), np.uint8)
    part = page[top : top + tall * 3 // 2, columns[0] : columns[-1] + 1]
    size = (max(1, round(part.shape[1] * _SHEET / tall)), _SHEET * 3 // 2)
    return np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)


def printed_aspect(face: Print) -> float:
    """Give the width of this face's 0 over its height."""
    return face.width * _sheet("0", face.font, _stroke(face)).shape[1] / _SHEET


def _stroke(face: Print) -> int:
    return max(1, round(face.weight * _SHEET))


def printed_sign(sign: str, face: Print, tall: float) -> NDArray[np.uint8]:
    """Give a printed sign whose digits are `tall` [px] high, 0 to 255; it goes on for half that height below the base line."""
    sheet = _sheet(sign, face.font, _stroke(face))
    rows = max(2, round(tall * 1.5))
    columns = max(1, round(sheet.shape[1] * face.width * tall / _SHEET))
    if not face.pixels:
        return np.asarray(cv2.resize(sheet, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8)
    own = (max(1, round(columns * face.pixels / tall)), max(2, round(face.pixels * 1.5)))
    coarse = (cv2.resize(sheet, own, interpolation=cv2.INTER_AREA) > 110).astype(np.uint8) * 255
    big = cv2.resize(coarse, (columns, rows), interpolation=cv2.INTER_NEAREST)
    if face.fill >= 1:
        return np.asarray(big, np.uint8)
    across, down = (np.arange(n) * m / n % 1 < face.fill for n, m in ((columns, own[0]), (rows, own[1])))
    return np.asarray(big * (down[:, None] & across[None, :]), np.uint8)


def paste_sign(canvas: NDArray[np.uint8], sign: NDArray[np.uint8], centre: float, top: float) -> None:
    """Lay a sign on an 8-bit mask, its middle at column `centre`, in place; what reaches over the edge is left out."""
    left, upper = round(centre - sign.shape[1] / 2), round(top)
    x0, y0 = max(0, left), max(0, upper)
    x1, y1 = min(canvas.shape[1], left + sign.shape[1]), min(canvas.shape[0], upper + sign.shape[0])
    if x1 > x0 and y1 > y0:
        part = canvas[y0:y1, x0:x1]
        np.maximum(part, sign[y0 - upper : y1 - upper, x0 - left : x1 - left], out=part)
