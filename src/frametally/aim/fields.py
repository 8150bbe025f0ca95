"""Takes a photo, gives what of it stays the same when the light changes: small pictures of its relief and its edges.

`relief` is the logarithm of the brightness less its own blur: a lamp turned down, or a slow gradient of light, drops out.
`edges` is the gradient of that logarithm with its length squeezed below 1, as a complex picture (x real, y imaginary): every
clear edge counts alike, faint ones and noise count little.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Similarity = npt.NDArray[np.float64]
"""2 x 3 matrix: where a point of the reference lies in the frame, in pixels of one level."""

COARSE_PX = 160
"""The longer side of the smallest picture compared; every finer one is twice as large."""

MOST_LEVELS = 5
"""160, 320, 640, 1280, 2560 px: beyond that nothing is gained."""

SMALLEST_PX = 32
"""A photo's shorter side is never shrunken below this."""

DIGITS_PX = 20.0
"""The finest picture is fine enough when the lowest display is this many pixels high in it."""

DARK_OFFSET = 8.0
"""Grey levels added before the logarithm, so that the noise of black corners does not look like structure."""

FAINT_EDGE = 0.03
"""Gradient of the logarithm (per pixel) at which an edge counts half: about 3 % of brightness from pixel to pixel."""

RELIEF_LIMIT = 0.8
"""A highlight or a hole may not count more than this, in units of the logarithm."""


GLARE_GREY = 250.0
"""From this grey level on (of 255) a point is burnt out."""


@dataclass(frozen=True)
class Level:
    """One photo at one size: `log` float32 (h, w) the logarithm of its grey, `relief` (h, w) the same less its own blur,
    `scale` from full pixels to this level's."""

    log: Floats
    relief: Floats
    scale: tuple[float, float]

    @property
    def size(self) -> tuple[int, int]:
        """Width and height. [px]"""
        return self.log.shape[1], self.log.shape[0]


def count_levels(full_size: tuple[int, int], lowest_display_px: float) -> int:
    """Give how many levels these photos need: 3 (160, 320 and 640 px), more where a display is a small part of the photo."""
    longer = max(full_size)
    count = 3
    while count < MOST_LEVELS and COARSE_PX * 2**count <= longer:
        if lowest_display_px * COARSE_PX * 2 ** (count - 1) / longer >= DIGITS_PX:
            break
        count += 1
    return count


def shrink(image: npt.NDArray[np.uint8], count: int) -> npt.NDArray[np.uint8]:
    """Give the photo as large as the finest of `count` levels, never enlarged; BGR, also of a grey photo."""
    height, width = image.shape[:2]
    factor = min(1.0, COARSE_PX * 2 ** (count - 1) / max(width, height))
    size = (max(SMALLEST_PX, round(width * factor)), max(SMALLEST_PX, round(height * factor)))
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    return np.asarray(small if small.ndim == 3 else cv2.cvtColor(small, cv2.COLOR_GRAY2BGR), np.uint8)


def build_levels(small: npt.NDArray[np.uint8], full_size: tuple[int, int], count: int) -> tuple[Level, ...]:
    """Give `count` levels of a shrunken photo, coarsest first, each twice as wide as the one before."""
    grey = cv2.cvtColor(small, cv2.COLOR_BGR2GRAY)
    levels = [_build_level(grey, full_size)]
    while len(levels) < count:
        grey = cv2.resize(grey, (max(8, grey.shape[1] // 2), max(8, grey.shape[0] // 2)), interpolation=cv2.INTER_AREA)
        levels.append(_build_level(grey, full_size))
    return tuple(reversed(levels))


def _build_level(grey: npt.NDArray[np.uint8], full_size: tuple[int, int]) -> Level:
    table = np.log(np.arange(256, dtype=np.float32) + np.float32(DARK_OFFSET))
    log = cv2.GaussianBlur(cv2.LUT(grey, table), (0, 0), 0.8)
    height, width = log.shape
    radius = max(4, width // 40)
    relief = log - cv2.blur(log, (2 * radius + 1, 2 * radius + 1))
    relief = np.clip(relief, -RELIEF_LIMIT, RELIEF_LIMIT)
    return Level(log, relief, (width / full_size[0], height / full_size[1]))


def is_glaring(log: Floats) -> npt.NDArray[np.bool_]:
    """Say where the picture is burnt out, so that nothing behind the light can be seen."""
    return log > np.float32(np.log(GLARE_GREY + DARK_OFFSET))


def edges_of(log: Floats) -> npt.NDArray[np.complex64]:
    """Give the squeezed gradient of a logarithmic picture, complex64 of the same shape, length below 1."""
    along_x = cv2.Scharr(log, cv2.CV_32F, 1, 0, scale=1 / 32)
    along_y = cv2.Scharr(log, cv2.CV_32F, 0, 1, scale=1 / 32)
    length = cv2.magnitude(along_x, along_y)
    squeezed = 1.0 / cv2.sqrt(length * length + np.float32(FAINT_EDGE**2))
    edges = np.empty(log.shape, np.complex64)
    edges.real = along_x * squeezed
    edges.imag = along_y * squeezed
    return edges


def to_level(points: npt.ArrayLike, scale: tuple[float, float]) -> npt.NDArray[np.float64]:
    """Give points of the full photo, (n, 2), in a level's pixels; a pixel's centre is a whole number in both."""
    return (np.asarray(points, np.float64) + 0.5) * scale - 0.5


def to_full(points: npt.ArrayLike, scale: tuple[float, float]) -> npt.NDArray[np.float64]:
    """Give points of a level, (n, 2), in pixels of the full photo."""
    return (np.asarray(points, np.float64) + 0.5) / scale - 0.5


def move(motion: Similarity, points: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Give where points, (n, 2), go."""
    moved: npt.NDArray[np.float64] = np.asarray(points, np.float64) @ motion[:, :2].T + motion[:, 2]
    return moved


def identity() -> Similarity:
    """Give the motion that moves nothing."""
    return np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def compose(outer: Similarity, inner: Similarity) -> Similarity:
    """Give the motion `inner` followed by `outer`."""
    joined: Similarity = np.hstack([outer[:, :2] @ inner[:, :2], (outer[:, :2] @ inner[:, 2] + outer[:, 2])[:, None]])
    return joined


def between_levels(motion: Similarity, here: tuple[float, float], there: tuple[float, float]) -> Similarity:
    """Give the same motion in another level's pixels; both levels by their `scale`."""
    # The two scales of a level differ by rounding only; their mean keeps a similarity a similarity.
    factor = (there[0] + there[1]) / (here[0] + here[1])
    half = np.full(2, 0.5)
    shift = factor * (motion[:, 2] + half - motion[:, :2] @ half) - half + motion[:, :2] @ half
    return np.hstack([motion[:, :2], shift[:, None]])


def inverse(motion: Similarity) -> Similarity:
    """Give the motion that undoes this one."""
    back = np.linalg.inv(motion[:, :2])
    return np.hstack([back, -(back @ motion[:, 2])[:, None]])


def turn_about(centre: tuple[float, float], degrees: float, scale: float, shift: tuple[float, float] = (0.0, 0.0)) -> Similarity:
    """Give the motion that turns clockwise by `degrees` and enlarges about `centre`, then shifts."""
    cosine, sine = scale * np.cos(np.radians(degrees)), scale * np.sin(np.radians(degrees))
    turned = np.array([[cosine, -sine], [sine, cosine]])
    offset = np.asarray(centre) - turned @ np.asarray(centre) + np.asarray(shift)
    return np.hstack([turned, offset[:, None]])
