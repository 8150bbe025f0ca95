"""Takes a photo and what was found of its displays; gives a picture to look at before the night: marks, digit boxes, verdicts.

Every verdict is told by a shape and a word beside its colour: a disc is good, a triangle borderline, a square not legible.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from frametally.model import Corners
from frametally.show import look

Pixels = npt.NDArray[np.uint8]

PHOTO_WIDTH, PANEL_WIDTH = 1280, 620
"""A wider photo is made so wide; beside it stands the panel. [px]"""

CROP_HEIGHT, CROP_WIDTH = 110, 420
MARGIN = 18
TEXT_PX, HEAD_PX = 19, 22
COLUMNS = 58
"""Characters in a line of the panel."""

COLOURS = {"good": look.SERIES[2], "borderline": look.SERIES[1], "not legible": look.LIMIT}
"""For every verdict its colour; other words are drawn in ink."""


@dataclass(frozen=True)
class Mark:
    """One display in a photo: its name and verdict, where it is (`found` False: where it was marked and not found), the corners
    of its digits, and lines of words for the panel."""

    name: str
    verdict: str
    corners: Corners
    found: bool
    boxes: tuple[Corners, ...]
    lines: tuple[str, ...]


def draw_check(image: Pixels, title: str, marks: Sequence[Mark]) -> Pixels:
    """Draw one photo with its marks, and a panel with every display enlarged.

    Parameters
    ----------
    image : uint8, (rows, columns, 3), BGR

    Returns
    -------
    uint8, (rows, columns, 3), BGR. Same input, same picture.
    """
    scale = min(PHOTO_WIDTH / image.shape[1], 1.0)
    size = (max(round(image.shape[1] * scale), 1), max(round(image.shape[0] * scale), 1))
    photo = cv2.resize(image, size, interpolation=cv2.INTER_AREA) if scale < 1 else image.copy()
    for mark in marks:
        _outline(photo, mark, scale)
    panels = [_panel(image, mark, number) for number, mark in enumerate(marks, start=1)]
    head = HEAD_PX + 2 * MARGIN
    rows = max(head + photo.shape[0], head + sum(len(panel) for panel in panels)) + MARGIN
    page = _blank(rows, photo.shape[1] + 2 * MARGIN + PANEL_WIDTH)
    page[head : head + photo.shape[0], MARGIN : MARGIN + photo.shape[1]] = photo
    top = head
    for panel in panels:
        page[top : top + len(panel), -PANEL_WIDTH:] = panel
        top += len(panel)
    canvas = Image.fromarray(page[..., ::-1].copy())
    draw = ImageDraw.Draw(canvas)
    draw.text((MARGIN, MARGIN), title, font=_font(HEAD_PX, bold=True), fill=look.INK)
    for number, mark in enumerate(marks, start=1):
        left, upper = np.min(mark.corners, axis=0) * scale
        x = min(max(MARGIN + float(left) - 16, 16.0), photo.shape[1] + 2.0)
        y = min(max(head + float(upper) - 16, head + 16.0), float(head + photo.shape[0] - 16))
        _badge(draw, (x, y), mark.verdict, number)
    return np.ascontiguousarray(np.asarray(canvas)[..., ::-1])


def stack(pictures: Sequence[Pixels]) -> Pixels:
    """Put pictures below one another."""
    width = max(picture.shape[1] for picture in pictures)
    sheets = [_blank(len(picture), width) for picture in pictures]
    for sheet, picture in zip(sheets, pictures, strict=True):
        sheet[:, : picture.shape[1]] = picture
    return np.vstack(sheets)


# --- parts ----------------------------------------------------------------------------------------------------------------


def _blank(rows: int, columns: int) -> Pixels:
    return np.full((rows, columns, 3), 255, np.uint8)


def _bgr(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return blue, green, red


def _colour(verdict: str) -> str:
    return COLOURS.get(verdict, look.INK)


def _outline(photo: Pixels, mark: Mark, scale: float) -> None:
    """Draw the marked region and the digit boxes, dark on a white halo; broken lines where the display was not found."""
    points = np.asarray(mark.corners, float) * scale
    _lines(photo, points, _bgr(_colour(mark.verdict)), 2, broken=not mark.found)
    for box in mark.boxes:
        _lines(photo, np.asarray(box, float) * scale, _bgr(_colour(mark.verdict)), 1)
    for x, y in points:
        cv2.circle(photo, (round(x), round(y)), 3, _bgr(_colour(mark.verdict)), -1, cv2.LINE_AA)


def _lines(
    picture: Pixels, points: npt.NDArray[np.float64], colour: tuple[int, int, int], thick: int, *, broken: bool = False
) -> None:
    for halo, width in (((255, 255, 255), thick + 1), (colour, thick)):
        for start, end in zip(points, np.roll(points, -1, axis=0), strict=True):
            parts = 9 if broken else 1
            for part in range(0, parts, 2):
                first, last = (start + (end - start) * share for share in (part / parts, (part + 1) / parts))
                cv2.line(picture, _whole(first), _whole(last), halo, width, cv2.LINE_AA)


def _whole(point: npt.NDArray[np.float64]) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def _panel(image: Pixels, mark: Mark, number: int) -> Pixels:
    """Draw one display's part of the panel: badge, name, verdict, the display enlarged with its boxes, and words."""
    crop = _crop(image, mark)
    wrapped = [piece for line in mark.lines for piece in textwrap.wrap(line, COLUMNS, subsequent_indent="  ")]
    step = round(1.35 * TEXT_PX)
    page = _blank(2 * HEAD_PX + MARGIN + len(crop) + step * len(wrapped) + MARGIN, PANEL_WIDTH)
    top = 2 * HEAD_PX
    page[top : top + len(crop), : crop.shape[1]] = crop
    canvas = Image.fromarray(page[..., ::-1].copy())
    draw = ImageDraw.Draw(canvas)
    _badge(draw, (16, HEAD_PX), mark.verdict, number)
    words = f"{mark.name}: {mark.verdict}"
    draw.text((42, HEAD_PX), words, font=_font(HEAD_PX, bold=True), fill=_colour(mark.verdict), anchor="lm")
    for row, line in enumerate(wrapped):
        draw.text((0, top + len(crop) + MARGIN // 2 + row * step), line, font=_font(TEXT_PX), fill=look.INK)
    return np.ascontiguousarray(np.asarray(canvas)[..., ::-1])


def _crop(image: Pixels, mark: Mark) -> Pixels:
    """Give the display as it stands in the photo, with room around, enlarged; the marked region and digit boxes drawn in."""
    points = np.asarray(mark.corners, float)
    room = 0.3 * float(np.ptp(points[:, 1])) + 4
    left, top = np.maximum(np.floor(points.min(axis=0) - room), 0).astype(int)
    right, bottom = np.minimum(np.ceil(points.max(axis=0) + room), image.shape[1::-1]).astype(int)
    part = image[top:bottom, left:right]
    if part.size == 0:
        return _blank(1, 1)
    scale = min(CROP_HEIGHT / part.shape[0], CROP_WIDTH / part.shape[1])
    size = (max(round(part.shape[1] * scale), 1), max(round(part.shape[0] * scale), 1))
    crop = cv2.resize(part, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    for box, thick in ((mark.corners, 2), *((box, 1) for box in mark.boxes)):
        moved = (np.asarray(box, float) - (left, top)) * scale
        _lines(crop, moved, _bgr(_colour(mark.verdict)), thick, broken=thick == 2 and not mark.found)
    return np.asarray(crop, np.uint8)


def _badge(draw: ImageDraw.ImageDraw, middle: tuple[float, float], verdict: str, number: int) -> None:
    """Draw a display's number in the shape of its verdict."""
    x, y = middle
    colour = _colour(verdict)
    if verdict == "good":
        draw.ellipse((x - 14, y - 14, x + 14, y + 14), fill=colour, outline="white", width=2)
    elif verdict == "borderline":
        draw.polygon([(x, y - 19), (x + 19, y + 14), (x - 19, y + 14)], fill=colour, outline="white", width=2)
    else:
        draw.rectangle((x - 14, y - 14, x + 14, y + 14), fill=colour, outline="white", width=2)
    draw.text((x, y + (3 if verdict == "borderline" else 0)), str(number), font=_font(17, bold=True), fill="white", anchor="mm")


@lru_cache(maxsize=8)
def _font(size: int, *, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Give the type that comes with matplotlib: the same on every machine."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name), size)
