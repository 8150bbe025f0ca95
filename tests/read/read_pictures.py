"""Pictures of single displays for the tests of reading: drawn ones with their marked corners, and what no display looks like."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from frametally.model import Corners, Display
from frametally.practice import STYLES, DisplayStyle, Hardness, draw_number
from frametally.read.rectify import Strip, rectify

EASY = Hardness(tilt_deg=3.0, blur_px=0.6, noise=1.5, darkest=0.8)

LOOKS: dict[str, DisplayStyle] = {
    "plain": STYLES["lcd-plain"].hand,
    "ghost": STYLES["lcd-ghost"].hand,
    "tailless": STYLES["lcd-slant"].hand,
    "backlit": STYLES["lcd-backlit-green"].hand,
    "negative": STYLES["lcd-negative"].hand,
    "led": STYLES["led-red"].hand,
    "vfd": STYLES["vfd-cyan"].hand,
}
"""One display of every kind."""


@dataclass(frozen=True)
class Picture:
    """One display: the photo (uint8, BGR) and the region marked on it, clockwise from the digits' own top left."""

    image: NDArray[np.uint8]
    corners: Corners


def as_corners(points: NDArray[np.float64]) -> Corners:
    """Give four points as the model wants them."""
    a, b, c, d = ((float(x), float(y)) for x, y in points)
    return a, b, c, d


def draw(
    text: str,
    look: DisplayStyle,
    seed: int,
    mask: str,
    *,
    height_px: float = 56.0,
    small_last: bool = False,
    unit: str = "",
    label: str = "",
    hardness: Hardness = EASY,
) -> Picture:
    """Draw one display. The same seed, look and mask give the same camera and the same region, whatever the text."""
    image, corners = draw_number(
        text,
        look,
        np.random.default_rng(seed),
        height_px,
        mask=mask,
        unit=unit,
        label=label,
        small_last=small_last,
        hardness=hardness,
    )
    return Picture(image, as_corners(corners))


def display_at(corners: Corners, digits: str | tuple[str, ...] = "###", **more: object) -> Display:
    """Give a display's calibration."""
    return Display.model_validate(
        {"key": "co_ppm", "quantity": "carbon monoxide", "unit": "ppm", "corners": corners, "digits": digits, **more}
    )


def no_display(kind: str, rng: np.random.Generator, rows: int = 90, columns: int = 170) -> NDArray[np.uint8]:
    """Give a picture on which nothing can be read: what a region looks like when something else is in it."""
    if kind == "noise":
        return rng.integers(0, 256, (rows, columns, 3), dtype=np.uint8)
    if kind == "cloth":
        soft = cv2.GaussianBlur(rng.normal(0, 1, (rows, columns)), (0, 0), float(rng.uniform(2, 9)))
        level = 128 + 90 * soft / max(float(np.abs(soft).max()), 1e-9)
    elif kind == "stripes":
        y, x = np.mgrid[0:rows, 0:columns]
        turn, period = rng.uniform(0, np.pi), rng.uniform(8, 40)
        level = 128 + 80 * np.sign(np.sin((x * np.cos(turn) + y * np.sin(turn)) * 2 * np.pi / period))
    else:  # an edge: a mug's side across the window
        y, x = np.mgrid[0:rows, 0:columns]
        level = np.where(x + 0.3 * y < rng.uniform(0.2, 0.8) * columns, 190.0, 60.0)
    level = level + rng.normal(0, 3, level.shape)
    grey = np.clip(level, 0, 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def printed(text: str, *, dark: bool = True) -> NDArray[np.uint8]:
    """Draw a printed-looking screen: Pillow's own font, 44 px."""
    canvas = Image.new("L", (40 + 26 * len(text), 76), 215 if dark else 25)
    ImageDraw.Draw(canvas).text((20, 12), text, font=ImageFont.load_default(size=44), fill=30 if dark else 235)
    return np.asarray(canvas.convert("RGB"), np.uint8)


def dotted(text: str) -> NDArray[np.uint8]:
    """Draw a dot-matrix screen: strokes of single dots, 4 px apart, softened as a photo softens them."""
    small = np.zeros((22, 16 * len(text) + 8), np.uint8)
    cv2.putText(small, text, (4, 17), cv2.FONT_HERSHEY_PLAIN, 1.2, 255, 1)
    dots = np.kron(small, np.pad(np.ones((3, 3), np.uint8), (0, 1)))
    level = 205 - 165 * (cv2.GaussianBlur(dots, (0, 0), 1.0) / 255.0)
    return np.repeat(level.astype(np.uint8)[..., None], 3, axis=2)


def strip_of(image: NDArray[np.uint8]) -> Strip:
    """Give a whole picture as a strip."""
    rows, columns = image.shape[:2]
    return rectify(image, ((0, 0), (columns, 0), (columns, rows), (0, rows)))
