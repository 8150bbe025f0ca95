"""Takes the cabin's own colours and the lamp; gives what a camera makes of them: view, light, noise, the JPEG with its EXIF."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image

from frametally.practice.cabin import MARGIN, VIEW
from frametally.practice.paint import Picture

CAMERA_MAKER, CAMERA_MODEL = "frametally practice", "drawn camera"
JPEG_QUALITY = 90
NOISE_SPARE = 96


@dataclass(frozen=True)
class View:
    """How the camera stands against the first frame: shifted in the picture, turned clockwise, and showing all so much larger."""

    dx: float = 0.0
    dy: float = 0.0
    turn_deg: float = 0.0
    zoom: float = 1.0


@dataclass(frozen=True)
class Lamp:
    """One night's lamp: where it shines (share of the picture), how wide, how warm, and how it drifts."""

    x: float
    y: float
    reach: float
    ambient: float
    colour: tuple[float, float, float]
    phases: tuple[float, float, float]


def draw_lamp(rng: np.random.Generator) -> Lamp:
    """Give a lamp somewhere above, warm and uneven."""
    warmth = rng.uniform(0.0, 0.22)
    phases = tuple(float(p) for p in rng.uniform(0, 2 * np.pi, 3))
    return Lamp(
        x=float(rng.uniform(0.15, 0.85)),
        y=float(rng.uniform(-0.2, 0.25)),
        reach=float(rng.uniform(0.75, 1.1)),
        ambient=float(rng.uniform(0.3, 0.45)),
        colour=(1 - warmth, 1 - warmth * 0.35, 1.0),
        phases=phases,  # type: ignore[arg-type]
    )


def light_map(lamp: Lamp, share: float, level: float, size: tuple[int, int]) -> Picture:
    """Give the light over the picture at a `share` (0 to 1) of the night and a lamp `level` (1 = full), with vignetting."""
    a, b, c = lamp.phases
    x0 = lamp.x + 0.06 * np.sin(a + share * 5) + 0.02 * np.sin(b + share * 31)
    y0 = lamp.y + 0.04 * np.sin(c + share * 4)
    strength = 1 + 0.07 * np.sin(b + share * 9) + 0.03 * np.sin(a + share * 47)
    columns, rows = 64, 48
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    x, y = (x + 0.5) / columns, (y + 0.5) / rows
    aspect = size[0] / size[1]
    distance = ((x - x0) * aspect) ** 2 + (y - y0) ** 2
    fall = lamp.ambient + (1.12 - lamp.ambient) * strength / (1 + distance / lamp.reach**2)
    vignette = 1 - 0.28 * ((x - 0.5) ** 2 + (y - 0.5) ** 2)
    small = (fall * vignette * level)[..., None] * np.array(lamp.colour, np.float32)
    return np.asarray(cv2.resize(small.astype(np.float32), size, interpolation=cv2.INTER_LINEAR), np.float32)


def view_matrix(view: View, size: tuple[int, int]) -> NDArray[np.float64]:
    """Give the homography from scene coordinates (the first frame's, laid out for `VIEW`) to this frame of `size`."""
    scale = min(size[0] / VIEW[0], size[1] / VIEW[1])
    to_middle = np.array([[1, 0, -VIEW[0] / 2], [0, 1, -VIEW[1] / 2], [0, 0, 1]], np.float64)
    turn = np.radians(view.turn_deg)
    cosine, sine = view.zoom * np.cos(turn), view.zoom * np.sin(turn)
    knock = np.array([[cosine, -sine, view.dx], [sine, cosine, view.dy], [0, 0, 1]], np.float64)
    to_frame = np.array([[scale, 0, size[0] / 2], [0, scale, size[1] / 2], [0, 0, 1]], np.float64)
    return np.asarray(to_frame @ knock @ to_middle, np.float64)


def warp_cabin(cabin: Picture, matrix: NDArray[np.float64], size: tuple[int, int]) -> Picture:
    """Give the cabin picture as this view sees it."""
    from_canvas = np.array([[1, 0, -MARGIN[0]], [0, 1, -MARGIN[1]], [0, 0, 1]], np.float64)
    seen = cv2.warpPerspective(cabin, matrix @ from_canvas, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(seen, np.float32)


def noise_tile(size: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Give sensor noise of unit variance, a little larger than a frame, slightly smeared as a camera's own filter does."""
    raw = rng.standard_normal((size[1] + NOISE_SPARE, size[0] + NOISE_SPARE, 3), dtype=np.float32)
    smeared = np.asarray(cv2.GaussianBlur(raw, (0, 0), 0.55), np.float32)
    return smeared / np.float32(smeared.std())


def expose(light: Picture, tile: Picture, gain: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Turn light (0 to 255, more is blown out) into the camera's 8 bits with shot and read noise; `gain` raises both."""
    height, width = light.shape[:2]
    top, left = (int(k) for k in rng.integers(0, NOISE_SPARE, 2))
    noise = tile[top : top + height, left : left + width]
    spread = cv2.max(light, 0.0)
    cv2.addWeighted(spread, 0.011 * gain**2, spread, 0.0, 0.55 * gain**2, dst=spread)
    cv2.sqrt(spread, dst=spread)
    cv2.multiply(spread, noise, dst=spread)
    cv2.add(spread, light, dst=spread)
    return np.asarray(cv2.convertScaleAbs(cv2.max(spread, 0.0)), np.uint8)


def offset_text(time: datetime) -> str:
    """Give a time's offset as EXIF writes it, like +01:00."""
    text = time.strftime("%z")
    return f"{text[:3]}:{text[3:5]}"


def exif_bytes(time: datetime, exposure_s: float) -> bytes:
    """Give the EXIF block of one photo: time, offset, an invented camera (tags as in the EXIF 2.32 standard, CIPA DC-008)."""
    exif = Image.Exif()
    stamp = time.strftime("%Y:%m:%d %H:%M:%S")
    exif[0x010F], exif[0x0110], exif[0x0112], exif[0x0132] = CAMERA_MAKER, CAMERA_MODEL, 1, stamp
    exif[0x8769] = {
        0x829A: exposure_s, 0x829D: 2.8, 0x9003: stamp, 0x9004: stamp,
        0x9010: offset_text(time), 0x9011: offset_text(time), 0x9012: offset_text(time),
    }  # fmt: skip
    return exif.tobytes()


def encode_photo(frame: NDArray[np.uint8], time: datetime, exposure_s: float, *, quality: int = JPEG_QUALITY) -> bytes:
    """Give the JPEG file of a frame (BGR, uint8) with its EXIF block right after the JFIF one."""
    jpeg: bytes = simplejpeg.encode_jpeg(np.ascontiguousarray(frame), quality=quality, colorspace="BGR", colorsubsampling="420")
    block = exif_bytes(time, exposure_s)
    after = 2
    if jpeg[2:4] == b"\xff\xe0":
        after = 4 + int.from_bytes(jpeg[4:6], "big")
    return jpeg[:after] + b"\xff\xe1" + (len(block) + 2).to_bytes(2, "big") + block + jpeg[after:]
