"""Takes an instrument's meters and style; gives its face as a picture, its window, and how it stands in the view.

Both instruments are of our own invention: a hand-held with two stacked displays and a shelf unit with three.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.practice.glyphs import lay_out
from frametally.practice.meters import Meter
from frametally.practice.paint import (
    Mask,
    Picture,
    bevel,
    blend,
    blur,
    ellipse_mask,
    grain,
    polygon_mask,
    rounded_points,
    write,
)
from frametally.practice.styles import DisplayStyle
from frametally.practice.window import SUPER, Spot, Window, build_window

Matrix = NDArray[np.float64]

FOCAL_PX = 1700.0
"""Distance of the camera from the shelf in photo pixels: how strongly tilted faces converge."""

HAND_COLOURS = ((92, 86, 28), (38, 62, 150), (52, 52, 54), (60, 120, 168), (110, 70, 60))
SHELF_COLOURS = ((176, 196, 204), (190, 190, 188), (96, 104, 100), (150, 172, 150), (64, 66, 72))
BUTTON_COLOURS = ((40, 130, 220), (60, 60, 190), (90, 150, 80), (150, 150, 150))
HAND_WORDS = ("night air", "two gases", "breathe easy", "air by hand")
SHELF_WORDS = ("cabin weather", "shelf watch", "air at home", "room & roof")


@dataclass(frozen=True)
class Pose:
    """Where an instrument stands: its foot's middle in the view [px], turn to the right and lean to the back, roll. [deg]"""

    x: float
    y: float
    yaw_deg: float
    lean_deg: float
    roll_deg: float = 0.0


@dataclass(frozen=True)
class Instrument:
    """One instrument: name, face and its shape (texture pixels), its window and where that sits on the face."""

    name: str
    meters: tuple[Meter, ...]
    face: Picture
    shape: Mask
    outline: NDArray[np.float64]
    side_colour: tuple[float, float, float]
    window: Window
    window_left: float
    window_top: float
    depth_px: float

    def project(self, pose: Pose, points: NDArray[np.floating], behind_px: float = 0.0) -> NDArray[np.float64]:
        """Bring face points (texture pixels) to the view as a pinhole camera sees them, `behind_px` behind the face."""
        height, width = self.shape.shape
        x = (points[:, 0] - width / 2) / SUPER
        y = (points[:, 1] - height) / SUPER
        roll, yaw, lean = np.radians([pose.roll_deg, pose.yaw_deg, pose.lean_deg])
        x, y = x * np.cos(roll) - y * np.sin(roll), x * np.sin(roll) + y * np.cos(roll)
        z = np.full_like(x, behind_px)
        y, z = y * np.cos(lean) + z * np.sin(lean) * -1, -y * np.sin(lean) + z * np.cos(lean)
        x, z = x * np.cos(yaw) + z * np.sin(yaw), -x * np.sin(yaw) + z * np.cos(yaw)
        scale = FOCAL_PX / (FOCAL_PX + z)
        return np.stack([pose.x + x * scale, pose.y + y * scale], axis=1)

    def face_to_view(self, pose: Pose) -> Matrix:
        """Give the homography from the face's texture pixels to the view."""
        height, width = self.shape.shape
        corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
        matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), self.project(pose, corners).astype(np.float32))
        return np.asarray(matrix, np.float64)

    def window_to_view(self, pose: Pose) -> Matrix:
        """Give the homography from the window's texture pixels to the view."""
        move = np.array([[1, 0, self.window_left], [0, 1, self.window_top], [0, 0, 1]], np.float64)
        return self.face_to_view(pose) @ move


def _spot(meter: Meter, style: DisplayStyle, height_px: float, left: float, top: float) -> Spot:
    small = meter.key == "temp_c" and style.shape.half_last < 1
    layout = lay_out(meter.mask, style.shape, small_last=small)
    return Spot(meter.key, meter.mask, layout, height_px * SUPER, left, top, meter.label, meter.unit)


def _lean_room(spot: Spot) -> float:
    """How far leaning digits reach beyond the block on the right. [texture px]"""
    return float(np.tan(np.radians(spot.layout.shape.slant_deg)) * spot.height)


def _extent(spot: Spot) -> float:
    return spot.layout.width * spot.height + _lean_room(spot)


def _stack(meters: tuple[Meter, ...], style: DisplayStyle, heights: list[float], rng: np.random.Generator) -> Window:
    """Put displays one under another, right edges in line."""
    pad, top, spots = 34.0, 46.0, []
    for meter, height in zip(meters, heights, strict=True):
        spots.append(_spot(meter, style, height, pad, top))
        top += height * SUPER + 58
    width = max(_extent(s) for s in spots) + 2 * pad
    spots = [replace(s, left=width - pad - _extent(s)) for s in spots]
    return build_window(round(width), round(top - 58 + 26), style, tuple(spots), rng)


def _row(meters: tuple[Meter, ...], style: DisplayStyle, heights: list[float], rng: np.random.Generator) -> Window:
    """Put displays side by side on one baseline."""
    left, spots = 34.0, []
    base = 50 + max(heights) * SUPER
    for meter, height in zip(meters, heights, strict=True):
        spot = _spot(meter, style, height, left, base - height * SUPER)
        spots.append(spot)
        left += _extent(spot) + 52
    return build_window(round(left - 52 + 34), round(base + 32), style, tuple(spots), rng)


def _body(
    width: int, height: int, points: NDArray[np.float64], colour: tuple[int, ...], rng: np.random.Generator
) -> tuple[Picture, Mask]:
    """Give a bare moulded front: colour, slight texture, rounded edges."""
    shape = polygon_mask((height, width), points)
    face = np.ones((height, width, 3), np.float32) * np.array(colour, np.float32)
    face *= np.linspace(1.10, 0.92, height, dtype=np.float32)[:, None, None]
    face *= grain((height, width), rng, (3, 3), 0.012)[..., None]
    bevel(face, shape, 7.0, 1.2)
    return face, shape


def _set_window(face: Picture, window: Window, left: float, top: float) -> None:
    """Sink a dark frame into the face where the window goes."""
    edge = 16
    box = (left - edge, top - edge, left + window.width + edge, top + window.height + edge)
    frame = polygon_mask(face.shape[:2], rounded_points(box, 20))
    blend(face, (34, 32, 32), frame)
    bevel(face, frame, 5.0, -2.5)
    x0, y0 = round(left), round(top)
    face[y0 : y0 + window.height, x0 : x0 + window.width] = window.ground


def _button(face: Picture, x: float, y: float, radii: tuple[float, float], colour: tuple[int, ...]) -> None:
    shape: tuple[int, int] = face.shape[:2]
    face *= 1 - 0.4 * blur(ellipse_mask(shape, (x + 4, y + 6), radii), 5)[..., None]
    cap = ellipse_mask(shape, (x, y), radii)
    blend(face, colour, cap)
    bevel(face, cap, 5.0, 2.0)


def build_hand(meters: tuple[Meter, ...], style: DisplayStyle, rng: np.random.Generator) -> Instrument:
    """Build the hand-held: an upright body with cut corners, two stacked displays, three buttons."""
    heights = [float(rng.uniform(54, 66)), float(rng.uniform(46, 56))]
    window = _stack(meters, style, heights, rng)
    side = int(rng.uniform(46, 64))
    width, height = window.width + 2 * side + 20, window.height + 410
    cut = rng.uniform(40, 80)
    inset = rng.uniform(0, 28)
    points = np.array(
        [[cut, 0], [width - cut, 0], [width, cut], [width - inset * 0.4, height * 0.55], [width - inset, height - 30],
         [width - inset - 30, height], [inset + 30, height], [inset, height - 30], [inset * 0.4, height * 0.55], [0, cut]]
    )  # fmt: skip
    colour = HAND_COLOURS[int(rng.integers(len(HAND_COLOURS)))]
    face, shape = _body(width, height, points, colour, rng)
    left, top = (width - window.width) / 2, 104.0
    _set_window(face, window, left, top)
    for k in range(5):
        blend(
            face,
            (18, 18, 18),
            polygon_mask((height, width), rounded_points((width / 2 - 108 + 46 * k, 42, width / 2 - 78 + 46 * k, 50), 4)),
        )
    below = top + window.height
    light = (215, 215, 210)
    write(face, HAND_WORDS[int(rng.integers(len(HAND_WORDS)))], (width / 2, below + 58), 28, light, "mm")
    middle = BUTTON_COLOURS[int(rng.integers(len(BUTTON_COLOURS)))]
    _button(face, width / 2, below + 180, (52, 46), middle)
    for x, word in ((width * 0.25, "back"), (width * 0.75, "hold")):
        _button(face, x, below + 160, (27, 25), (58, 58, 60))
        write(face, word, (x, below + 204), 18, light, "mm")
    write(face, "test", (width / 2, below + 250), 20, light, "mm")
    dark: tuple[float, float, float] = tuple(c * 0.5 for c in colour)  # type: ignore[assignment]
    return Instrument("hand-held gas monitor", meters, face, shape, points, dark, window, left, top, 46.0)


def build_shelf(meters: tuple[Meter, ...], style: DisplayStyle, rng: np.random.Generator) -> Instrument:
    """Build the shelf unit: a wide body with round corners, three displays in a row, buttons and a grille."""
    heights = [float(rng.uniform(52, 64)), float(rng.uniform(42, 50)), float(rng.uniform(42, 50))]
    window = _row(meters, style, heights, rng)
    side = int(rng.uniform(40, 60))
    width, height = window.width + 2 * side + 24, window.height + int(rng.uniform(210, 260))
    points = rounded_points((0, 0, width, height), rng.uniform(36, 80))
    colour = SHELF_COLOURS[int(rng.integers(len(SHELF_COLOURS)))]
    face, shape = _body(width, height, points, colour, rng)
    left, top = (width - window.width) / 2, 84.0
    _set_window(face, window, left, top)
    words = (40, 40, 40) if sum(colour) > 330 else (210, 210, 205)
    write(face, SHELF_WORDS[int(rng.integers(len(SHELF_WORDS)))], (left + 6, 38), 26, words, "lm")
    row = top + window.height + (height - top - window.height) * 0.52
    for k, word in enumerate(("min", "max", "set")):
        x = left + 60 + 122 * k
        _button(face, x, row - 8, (42, 19), tuple(int(c * 0.72) for c in colour))
        write(face, word, (x, row + 30), 17, words, "mm")
    for row_of in range(2):
        for k in range(9):
            hole = (left + window.width - 220 + 24 * k + 12 * row_of, row - 14 + 24 * row_of)
            cv2.circle(face, (round(hole[0]), round(hole[1])), 5, (22, 22, 22), -1, cv2.LINE_AA)
    dark: tuple[float, float, float] = tuple(c * 0.55 for c in colour)  # type: ignore[assignment]
    return Instrument("shelf unit", meters, face, shape, points, dark, window, left, top, 70.0)
