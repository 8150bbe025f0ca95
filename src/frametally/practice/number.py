"""Takes a text and a display style; gives a photo of that one display on its own, with loosely marked corners."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.errors import BadInput
from frametally.practice.glyphs import lay_out, signs_of, spread
from frametally.practice.paint import Picture, blur
from frametally.practice.scene import project
from frametally.practice.styles import DisplayStyle
from frametally.practice.window import SUPER, Spot, Window, build_window, draw_window


@dataclass(frozen=True)
class Hardness:
    """How hard a drawn display is to read: largest tilt [degrees], blur and noise [px, grey levels], darkest light (1 = full)."""

    tilt_deg: float = 8.0
    blur_px: float = 1.2
    noise: float = 4.0
    darkest: float = 0.35


def mask_for(text: str, places: int | None = None) -> str:
    """Give the mask that a text fits: its own places and point, more blank ones in front for `places`."""
    digits = re.sub(r"[^.:]", "#", text.lstrip("-")) if re.search(r"\d", text) else "#" * max(2, len(text))
    missing = max(0, (places or 0) - digits.count("#"))
    return ("-" if re.match(r"^-\d", text) else "") + "#" * missing + digits


def _tilt(width: int, height: int, most_deg: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Give a homography that turns and tilts a texture as a hand-set camera sees it, texture pixels to photo pixels."""
    roll, yaw, pitch = np.radians(rng.uniform(-1, 1, 3) * most_deg * np.array([0.6, 1.6, 1.2]))
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    x, y = (corners[:, 0] - width / 2) / SUPER, (corners[:, 1] - height / 2) / SUPER
    x, y = x * np.cos(roll) - y * np.sin(roll), x * np.sin(roll) + y * np.cos(roll)
    far = 6.0 * height
    depth = far / (far + x * np.sin(yaw) + y * np.sin(pitch))
    seen = np.stack([x * np.cos(yaw) * depth, y * np.cos(pitch) * depth], axis=1)
    seen -= seen.min(axis=0)
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), seen.astype(np.float32))
    return np.asarray(matrix, np.float64)


def loose_box(spot: Spot, rng: np.random.Generator) -> NDArray[np.float64]:
    """Give a person's box around all digit places: 8 to 15 % loose, following the slant more or less. [texture px]"""
    points = spot.outline.astype(np.float64)
    follow = np.tan(np.radians(spot.layout.shape.slant_deg * rng.uniform(0.0, 1.0)))
    base = spot.top + spot.height
    upright = points[:, 0] - follow * (base - points[:, 1])
    pads = rng.uniform(0.08, 0.15, 4) * spot.height
    left, right = upright.min() - pads[0], upright.max() + pads[1]
    top, bottom = points[:, 1].min() - pads[2], points[:, 1].max() + pads[3]
    return np.array(
        [[left + follow * (base - top), top], [right + follow * (base - top), top],
         [right + follow * (base - bottom), bottom], [left + follow * (base - bottom), bottom]]
    )  # fmt: skip


def _uneven_light(shape: tuple[int, int], hardness: Hardness, rng: np.random.Generator) -> Picture:
    level = rng.uniform(hardness.darkest, 1.05)
    small = (level * (1 + rng.uniform(-0.22, 0.22, (2, 3)))).astype(np.float32)
    return np.asarray(cv2.resize(small, shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)[..., None]


def photograph(
    window: Window, texts: Mapping[str, str], hardness: Hardness, rng: np.random.Generator
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Give a hand-held photo of one window, and the homography from the window's texture pixels to it."""
    width, height = window.width, window.height
    reflected, given = draw_window(window, texts)
    matrix = _tilt(width, height, hardness.tilt_deg, rng)
    size = tuple(
        int(np.ceil(v)) for v in project(matrix, np.array([[0, 0], [width, 0], [width, height], [0, height]], float)).max(axis=0)
    )
    soft = SUPER * float(rng.uniform(0.45, max(0.5, hardness.blur_px)))
    seen = [
        np.asarray(
            cv2.warpPerspective(blur(layer, soft), matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
            np.float32,
        )
        for layer in (reflected, given)
    ]
    out = seen[0] * _uneven_light((size[1], size[0]), hardness, rng) + seen[1] * np.float32(rng.uniform(0.75, 1.1))
    out += rng.standard_normal(out.shape, dtype=np.float32) * np.float32(rng.uniform(0.5, max(0.6, hardness.noise)))
    return np.asarray(np.clip(np.round(out), 0, 255), np.uint8), matrix


def draw_number(
    text: str,
    style: DisplayStyle,
    rng: np.random.Generator,
    height_px: float = 56.0,
    *,
    mask: str | None = None,
    unit: str = "",
    label: str = "",
    small_last: bool = False,
    hardness: Hardness | None = None,
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Draw one display showing `text` ("" = off) with digits `height_px` tall.

    `mask` as in a calibration (None: just the text's own places); `small_last` makes the digits behind the point as small
    as the style's `half_last` says. Gives the photo (BGR, uint8) and the four loose corners around all digit places,
    clockwise from the digits' own top left, [px], shape (4, 2). Raises BadInput where the text does not fit the mask.
    """
    hardness = hardness or Hardness()
    mask = mask or mask_for(text)
    layout = lay_out(mask, style.shape, small_last=small_last)
    if text:
        try:
            spread(text, mask, words_left=small_last, known=signs_of(style.shape))
        except ValueError as problem:
            raise BadInput(f"cannot draw this display: {problem}") from problem
    tall = height_px * SUPER
    lean = float(np.tan(np.radians(style.shape.slant_deg))) * tall
    room_x, room_y = tall * float(rng.uniform(0.35, 0.7)), tall * float(rng.uniform(0.4, 0.7))
    spot = Spot("n", mask, layout, tall, room_x, room_y, label, unit)
    width, height = round(layout.width * tall + lean + 2 * room_x), round(tall + 2 * room_y)
    window = build_window(width, height, style, (spot,), rng)
    photo, matrix = photograph(window, {"n": text}, hardness, rng)
    corners = project(matrix, loose_box(spot, rng)) + rng.uniform(-0.015, 0.015, (4, 2)) * height_px
    return photo, corners
