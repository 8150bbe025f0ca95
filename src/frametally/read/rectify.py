"""Takes a photo and four corners; gives the marked region seen straight on, its light evened, as a map of ink.

"Ink" is whatever the segments are made of: 0 where the display's ground is, about 1 where a segment is lit, whether
the display is dark on light or light on dark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from frametally.model import Corners

STRIP_HEIGHT = 96
"""Rows the marked region is brought to, padding not counted. [px]"""

PAD = 9
"""Rows and columns kept around the marked region: people also mark too tightly. [px]"""

MAX_WIDTH = 960

_SATURATED = 250

_VEIL = 1.3
"""Ground brighter than this many times the usual is taken for glare."""


@dataclass(frozen=True)
class Strip:
    """A marked region seen straight on.

    `pixels` is the strip itself, uint8 of shape (rows, columns, 3), BGR, padding included;
    `scale` the strip's rows per pixel of the photo (above 1: enlarged).
    """

    pixels: np.ndarray
    scale: float

    @cached_property
    def colour(self) -> np.ndarray:
        """The same as float32, 0 to 255."""
        return self.pixels.astype(np.float32)

    @cached_property
    def axis(self) -> np.ndarray:
        """The colour axis along which the strip varies most, brighter upwards, (3,): it carries the segments."""
        some = self.pixels[PAD:-PAD:4, PAD:-PAD:3].reshape(-1, 3).T.astype(np.float32, order="C")
        some -= some.mean(axis=1, keepdims=True)
        _, _, vectors = cv2.eigen((some @ some.T).astype(np.float64) / some.shape[1] + 1e-6 * np.eye(3))
        axis = np.abs(vectors[0])
        return axis / axis.sum()

    def along_axis(self, colour: np.ndarray) -> np.ndarray:
        """Project colours of this strip, (rows, columns, 3), on its axis: float32, (rows, columns), 0 to 255."""
        return cv2.transform(colour, self.axis[None])

    @cached_property
    def clipped(self) -> np.ndarray:
        """Where the camera saw nothing but white: bool, shape (rows, columns)."""
        if self.pixels.max() < _SATURATED:
            return np.zeros(self.pixels.shape[:2], bool)
        return cv2.inRange(self.pixels, (_SATURATED,) * 3, (255,) * 3) > 0


@dataclass(frozen=True)
class Ink:
    """One way of telling segments from ground.

    `map` is float32 of shape (rows, columns), 0 ground, about 1 lit; `contrast` is how far lit stands off the ground, as a
    share of the ground's brightness (dark segments) or of the full scale (bright segments); `noise` is the ground's own
    unrest in the same unit as `map`; `dark` says whether the segments are darker than the ground; `ground` is
    the brightness behind the segments, of the shape of `map`, 0 to 255; `usual` its usual value; `glare` the share of the region
    whose ground is far brighter than that; `brightness` the strip along the colour axis that carries the segments.
    """

    map: np.ndarray
    contrast: float
    noise: float
    dark: bool
    ground: np.ndarray
    usual: float
    glare: float
    brightness: np.ndarray

    @cached_property
    def likely(self) -> float:
        """How far the brightest and darkest parts of the strip speak for segments of this kind, 0 to 1: how much further it
        reaches to their side of its usual brightness than to the other.

        A lone bright 1 brightens its surroundings only; the ground beside it is no dark segment.
        """
        low, middle, high = np.percentile(self.brightness[PAD:-PAD, PAD:-PAD], (0.5, 50, 99.5))
        below, above = float(middle - low) + 1.0, float(high - middle) + 1.0
        return (below if self.dark else above) / (below + above)


def side_lengths(corners: Corners) -> tuple[float, float]:
    """Give the mean width and height of the marked region. [px]"""
    a, b, c, d = corners
    return (math.dist(a, b) + math.dist(c, d)) / 2, (math.dist(b, c) + math.dist(d, a)) / 2


def rectify(image: np.ndarray, corners: Corners) -> Strip:
    """Cut the marked region out of a photo, straight on, from the full-resolution pixels.

    Parameters
    ----------
    image : uint8, shape (rows, columns, 3), BGR, or (rows, columns)
    corners : clockwise from the digits' own top left [px]; may reach over the picture's edge (the edge is repeated)

    Returns
    -------
    Strip of STRIP_HEIGHT rows and proportional width, a multiple of 3, plus PAD on every side.
    """
    width_px, height_px = side_lengths(corners)
    rows = STRIP_HEIGHT
    # Three in a row make one of the ground's (`_ground`): means of whole pixels cost a tenth of means of odd shares.
    columns = min(max(3 * round(width_px / max(height_px, 1.0) * rows / 3), 18), MAX_WIDTH)
    target = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32) + PAD
    scale = rows / max(height_px, 1.0)
    source = np.asarray(corners, np.float32)
    how = cv2.INTER_CUBIC
    if scale < 0.7:  # shrinking: average first, or thin strokes alias
        image, source = _shrunk(image, source, scale)
        how = cv2.INTER_LINEAR  # there are pixels enough, and it costs a third
    elif scale > 1.0:  # enlarging: along rows and columns first, which costs a fifth of what it does askew
        image, source = _doubled(image, source, scale)
        how = cv2.INTER_LINEAR
    transform = cv2.getPerspectiveTransform(source, target)
    size = (columns + 2 * PAD, rows + 2 * PAD)
    strip = cv2.warpPerspective(image, transform, size, flags=how, borderMode=cv2.BORDER_REPLICATE)
    if strip.ndim == 2:
        strip = cv2.cvtColor(strip, cv2.COLOR_GRAY2BGR)
    return Strip(strip, scale)


def _shrunk(image: np.ndarray, corners: np.ndarray, scale: float) -> tuple[np.ndarray, np.ndarray]:
    """Cut the neighbourhood of the corners out and bring it near the strip's scale by averaging areas, of whole pixels where
    they are two or more across: means of odd shares of pixels cost ten times as much."""
    left, top, right, bottom = _box(image, corners, 2 * PAD / scale)
    step = int(1 / scale) if scale <= 0.5 else 1 / scale
    size = (int((right - left) / step), int((bottom - top) / step))
    if min(size) < 2:
        return image, corners
    part = image[top : top + round(size[1] * step), left : left + round(size[0] * step)]
    factor = np.array([size[0] / part.shape[1], size[1] / part.shape[0]], np.float32)
    small = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    return small, (corners - np.array([left, top], np.float32)) * factor


def _doubled(image: np.ndarray, corners: np.ndarray, scale: float) -> tuple[np.ndarray, np.ndarray]:
    """Cut the neighbourhood of the corners out and enlarge it twice, in cubics; there are pixels enough then for straight lines
    between them."""
    left, top, right, bottom = _box(image, corners, 1.5 * PAD / scale + 2)
    if left >= right or top >= bottom:
        return image, corners
    part = cv2.resize(image[top:bottom, left:right], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    return part, (corners - np.array([left, top], np.float32)) * 2 + np.float32(0.5)  # the first pixel's middle lies at 0.5


def _box(image: np.ndarray, corners: np.ndarray, margin: float) -> tuple[int, int, int, int]:
    """Give the part of the image that holds the corners and a margin around them: left, top, right, bottom."""
    least, most = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
    left, top = (math.floor(max(low - margin, 0)) for low in least)
    right, bottom = (math.ceil(min(high + margin, size)) for high, size in zip(most, image.shape[1::-1], strict=True))
    return left, top, right, bottom


def ink_of(strip: Strip, *, dark: bool, usual_contrast: float = 0.0) -> Ink:
    """Give the strip's ink for dark segments on a light ground, or for bright ones on a dark ground.

    The colour axis along which the strip varies most carries the segments; a ground fitted below (or above) the strokes
    takes the uneven light away: a ratio for dark segments, since a lamp multiplies, a difference for bright ones, which
    shine by themselves. Where glare brightens part of the ground it adds
    light instead, so there, too, a difference counts.

    Parameters
    ----------
    usual_contrast : how far lit bars stand off on this display, 0 where that is not known. It keeps the scale where only a
        lone 1 is lit; and only on a display that is known to have dark segments is a bright patch known to be glare.
    """
    brightness = strip.along_axis(strip.colour)
    ground = _ground(brightness, dark)
    some = ground[PAD:-PAD:2, PAD:-PAD:2]
    usual = _percentile(some, 30)
    glare = float(np.count_nonzero(some > _VEIL * max(usual, 8.0)) / some.size)
    if dark:
        most = max(_VEIL * usual, 8.0) if usual_contrast > 0 else 255.0
        raw = (ground - brightness) / np.clip(ground, 8.0, most)
    else:
        raw = (brightness - ground) * np.float32(1 / 255)
    raw = _without_frame(raw)
    inner = raw[PAD:-PAD, PAD:-PAD]
    smooth = cv2.GaussianBlur(inner, (9, 9), 1.5)[::2, ::3]
    level = max(_percentile(smooth, 98.5), 0.6 * usual_contrast, 1e-3)
    noise = 1.52 * _percentile(np.abs(inner[::2, ::3] - smooth), 50) / level  # 1.4826, and what the smooth one keeps of it
    return Ink(raw * np.float32(1 / level), level, noise, dark, ground, usual, glare, brightness)


def _percentile(values: np.ndarray, share: float) -> float:
    """Give the value below which `share` per cent of some lie: one of them, the nearest."""
    flat = values.ravel()
    index = round(share / 100 * (flat.size - 1))
    return float(np.partition(flat, index)[index])


def _ground(brightness: np.ndarray, dark: bool) -> np.ndarray:
    """Give the ground's brightness behind the strokes: what is left without anything narrower than a third of the height."""
    rows, columns = brightness.shape
    small = cv2.resize(brightness, (max(8, columns // 3), max(8, rows // 3)), interpolation=cv2.INTER_AREA)
    stroke = int(0.34 * STRIP_HEIGHT / 3) | 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (stroke, stroke))
    ground = cv2.morphologyEx(small, cv2.MORPH_CLOSE if dark else cv2.MORPH_OPEN, kernel, borderType=cv2.BORDER_REPLICATE)
    ground = cv2.GaussianBlur(ground, (21, 21), 0.12 * STRIP_HEIGHT / 3)
    return cv2.resize(ground, (columns, rows), interpolation=cv2.INTER_LINEAR)


def _without_frame(raw: np.ndarray) -> np.ndarray:
    """Blank out straight runs of ink longer than any bar: the display's frame or a printed line, not a digit."""
    rows, columns = raw.shape
    strong = cv2.compare(raw, 0.5 * max(_percentile(raw[::2, ::2], 98.0), 0.05), cv2.CMP_GT) & 1
    across, down = max(rows, int(0.75 * columns)), int(0.92 * rows)
    level = np.flatnonzero(_counts(strong, 1) >= across)  # without so much ink in all, a row has no such run
    upright = np.flatnonzero(_counts(strong, 0) >= down)
    if not level.size and not upright.size:
        return raw
    frame = np.zeros_like(strong)
    if level.size:
        frame[level] = cv2.morphologyEx(strong[level], cv2.MORPH_OPEN, np.ones((1, across), np.uint8), borderValue=0)
    if upright.size:
        frame[:, upright] |= cv2.morphologyEx(strong[:, upright], cv2.MORPH_OPEN, np.ones((down, 1), np.uint8), borderValue=0)
    return np.where(cv2.dilate(frame, np.ones((5, 5), np.uint8)) > 0, np.float32(0.0), raw)


def _counts(strong: np.ndarray, axis: int) -> np.ndarray:
    return cv2.reduce(strong, axis, cv2.REDUCE_SUM, dtype=cv2.CV_32S).ravel()
