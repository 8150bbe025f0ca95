"""Takes pictures as float arrays; paints on them what everything here is made of: grain, rounded shapes, bevels, shadows, words.

Pictures are `float32`, BGR, 0 to 255 (more where something glows); masks are `float32`, 0 to 1.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Picture = NDArray[np.float32]
Mask = NDArray[np.float32]

SHIFT = 4
"""Sub-pixel bits of OpenCV's drawing functions: polygons are drawn to a sixteenth of a pixel."""


def as_mask(drawn: NDArray[np.uint8]) -> Mask:
    """Give an 8-bit drawing as a mask of 0 to 1."""
    return np.asarray(drawn, np.float32) * np.float32(1 / 255)


def fill_convex(canvas: NDArray[np.uint8], points: NDArray[Any], value: int = 255) -> None:
    """Fill one convex polygon on an 8-bit mask, smooth edges, sub-pixel corners."""
    cv2.fillConvexPoly(canvas, np.round(points * (1 << SHIFT)).astype(np.int32), value, cv2.LINE_AA, SHIFT)


def polygon_mask(shape: tuple[int, int], points: NDArray[Any]) -> Mask:
    """Give the mask of one polygon, convex or not, in a picture of `shape` (height, width)."""
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(points * (1 << SHIFT)).astype(np.int32)], 255, cv2.LINE_AA, SHIFT)
    return as_mask(mask)


def ellipse_mask(shape: tuple[int, int], centre: tuple[float, float], radii: tuple[float, float]) -> Mask:
    """Give the mask of an upright ellipse."""
    turns = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    return polygon_mask(shape, np.stack([centre[0] + radii[0] * np.cos(turns), centre[1] + radii[1] * np.sin(turns)], axis=1))


def rounded_points(box: tuple[float, float, float, float], radius: float) -> NDArray[np.float64]:
    """Give the outline of a box (left, top, right, bottom) with round corners."""
    left, top, right, bottom = box
    radius = min(radius, (right - left) / 2, (bottom - top) / 2)
    arcs = []
    for x, y, start in (
        (right - radius, top + radius, -90), (right - radius, bottom - radius, 0),
        (left + radius, bottom - radius, 90), (left + radius, top + radius, 180),
    ):  # fmt: skip
        turns = np.radians(np.linspace(start, start + 90, 10))
        arcs.append(np.stack([x + radius * np.cos(turns), y + radius * np.sin(turns)], axis=1))
    return np.concatenate(arcs)


def part_of(mask: Mask, room: int = 0) -> tuple[slice, slice]:
    """Give the rows and columns that a mask fills, with `room` pixels around: painting there is all that is needed."""
    rows, columns = np.flatnonzero(mask.max(axis=1)), np.flatnonzero(mask.max(axis=0))
    if not len(rows):
        return slice(0, 0), slice(0, 0)
    top, left = max(0, int(rows[0]) - room), max(0, int(columns[0]) - room)
    return slice(top, int(rows[-1]) + 1 + room), slice(left, int(columns[-1]) + 1 + room)


def blend(picture: Picture, colour: Any, mask: Mask) -> None:
    """Lay a colour or a picture of the same size over a picture, in place."""
    part = part_of(mask)
    weight, over = mask[part][..., None], np.asarray(colour, np.float32)
    target = picture[part]
    target *= 1 - weight
    target += np.broadcast_to(over, picture.shape)[part] * weight


def blur(picture: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Blur by a Gaussian; wide ones on a smaller copy, which looks the same and is quick."""
    if sigma > 12:
        height, width = picture.shape[:2]
        small = cv2.resize(picture, (max(2, width // 4), max(2, height // 4)), interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma / 4), (width, height)), np.float32)
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float32) if sigma > 0 else picture


def shadow(picture: Picture, mask: Mask, offset: tuple[float, float], sigma: float, strength: float) -> None:
    """Darken a picture by the soft shadow of a shape, in place."""
    part = part_of(mask, round(3 * sigma + max(abs(offset[0]), abs(offset[1]))) + 1)
    near = np.ascontiguousarray(mask[part])
    if near.size:
        moved = cv2.warpAffine(near, np.array([[1, 0, offset[0]], [0, 1, offset[1]]], np.float64), near.shape[1::-1])
        picture[part] *= 1 - strength * blur(np.asarray(moved, np.float32), sigma)[..., None]


def bevel(picture: Picture, mask: Mask, sigma: float, strength: float) -> None:
    """Round off a shape's edges: brighter towards the upper left, darker towards the lower right, in place."""
    part = part_of(mask)
    near = mask[part]
    if not near.size:
        return
    # Beyond the picture there is nothing: without a rim of zeros a shape that fills it would have no edges.
    room = round(3 * sigma)
    height, width = near.shape
    soft = blur(np.asarray(cv2.copyMakeBorder(near, room, room, room, room, cv2.BORDER_CONSTANT), np.float32), sigma)
    soft = soft[room : room + height, room : room + width]
    across, down = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    light = np.clip((0.55 * across + 0.85 * down) * sigma * strength, -0.5, 0.5)
    picture[part] *= 1 + (light * near)[..., None]


def grain(shape: tuple[int, int], rng: np.random.Generator, cells: tuple[float, float], amplitude: float) -> Mask:
    """Give smooth noise about 1 with cells of `cells` (width, height) pixels: paint, wood, paper."""
    size = (max(2, round(shape[1] / cells[0])), max(2, round(shape[0] / cells[1])))
    coarse = rng.normal(0, amplitude, (size[1], size[0])).astype(np.float32)
    return 1 + np.asarray(cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def wood(shape: tuple[int, int], rng: np.random.Generator, colour: tuple[float, float, float], upright: bool) -> Picture:
    """Give a piece of wood: fine and coarse streaks along the grain."""
    streaks = np.ones(shape, np.float32)
    for length, width, amplitude in ((260.0, 3.0, 0.035), (420.0, 11.0, 0.05), (90.0, 1.6, 0.02)):
        streaks *= grain(shape, rng, (width, length) if upright else (length, width), amplitude)
    return streaks[..., None] * np.array(colour, np.float32)


@lru_cache(maxsize=32)
def _font(size: int) -> Any:
    return ImageFont.load_default(size)


def word_mask(shape: tuple[int, int], text: str, xy: tuple[float, float], size: int, anchor: str = "lm", turn: int = 0) -> Mask:
    """Give the mask of a word at a point; `anchor` as in Pillow ("lm" left middle), `turn` a multiple of 90 degrees."""
    page = Image.new("L", (shape[1], shape[0]), 0)
    if turn:
        page = page.rotate(turn, expand=True)
    ImageDraw.Draw(page).text(xy, text, fill=255, font=_font(size), anchor=anchor)
    return as_mask(np.asarray(page.rotate(-turn, expand=True) if turn else page))


def write(picture: Picture, text: str, xy: tuple[float, float], size: int, colour: Any, anchor: str = "lm") -> None:
    """Write a word on a picture, in place, with Pillow's built-in font."""
    left, top, right, bottom = _font(size).getbbox(text, anchor=anchor)
    x0, y0 = max(0, int(xy[0] + left) - 2), max(0, int(xy[1] + top) - 2)
    x1, y1 = min(picture.shape[1], int(xy[0] + right) + 3), min(picture.shape[0], int(xy[1] + bottom) + 3)
    if x1 <= x0 or y1 <= y0:
        return
    blend(picture[y0:y1, x0:x1], colour, word_mask((y1 - y0, x1 - x0), text, (xy[0] - x0, xy[1] - y0), size, anchor))
