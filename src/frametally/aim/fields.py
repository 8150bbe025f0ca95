"""Takes a photo, gives what of it stays the same when the light changes: small pictures of its relief and its edges.

`relief` is the logarithm of the brightness less its own blur: a lamp turned down, or a slow gradient of light, drops out.
`edges` is the gradient of that logarithm with its length squeezed below 1, as a complex picture (x real, y imaginary): every
clear edge counts alike, faint ones and noise count little.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Similarity = npt.NDArray[np.float64]
"""2 x 3 matrix: where a point of the reference lies in the frame, in pixels of one level."""
Plane = npt.NDArray[np.float64]
"""3 x 3 matrix, the last number 1: the same for a flat face that was turned away from the camera or towards it."""
Bounds = tuple[float, float, float, float]
"""Least and greatest x, least and greatest y of what can be seen, in pixels of one level."""
Region = tuple[int, int, int, int]
"""Left, top, right and bottom of some full pixels, the last two one beyond."""

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

RELIEF_SHARE = 40
"""A relief is what stands out from its surroundings up to this fraction of the photo's width."""

RELIEF_LIMIT = 0.8
"""A highlight or a hole may not count more than this, in units of the logarithm."""


EDGE_PX = 1.0
"""Points nearer to the border of the photo than this do not count ..."""
CUT_PX = 3.0
"""... nor those nearer than this to pixels that are not known: blur and gradient reach so far."""

GLARE_GREY = 250.0
"""From this grey level on (of 255) a point is burnt out."""


@dataclass(frozen=True)
class Level:
    """One photo at one size: `log` float32 (h, w) the logarithm of its grey, `relief` (h, w) the same less its own blur,
    `scale` from full pixels to this level's, `seen` where there is something to be seen, `raised` where the relief can be."""

    log: Floats
    relief: Floats
    scale: tuple[float, float]
    seen: Bounds
    raised: Bounds

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


def shrink(image: npt.NDArray[np.uint8], count: int, known: Region | None = None) -> npt.NDArray[np.uint8]:
    """Give the photo as large as the finest of `count` levels, never enlarged; BGR, also of a grey photo.

    Where only some pixels are `known`, the rows beyond are black.
    """
    height, width = image.shape[:2]
    factor = min(1.0, COARSE_PX * 2 ** (count - 1) / max(width, height))
    size = (max(SMALLEST_PX, round(width * factor)), max(SMALLEST_PX, round(height * factor)))
    step = 1
    while not (width % (2 * step) or height % (2 * step)) and width // (2 * step) >= size[0] and height // (2 * step) >= size[1]:
        step *= 2
    _, top, _, bottom = known or (0, 0, width, height)
    # Rows of the halved photo and of the small one that make whole numbers of each other.
    whole = math.gcd(height // step, size[1])
    rows, small_rows = height // step // whole, size[1] // whole
    first, last = top // step // rows, -(-bottom // (step * rows))
    part = _halve(image[first * rows * step : last * rows * step], step)
    # What is left to shrink is less than half: points between the means cost a tenth of means of odd shares of pixels.
    how = cv2.INTER_LINEAR if step > 1 else cv2.INTER_AREA
    some = cv2.resize(part, (size[0], (last - first) * small_rows), interpolation=how)
    some = some if some.ndim == 3 else cv2.cvtColor(some, cv2.COLOR_GRAY2BGR)
    if last - first == whole:
        return np.asarray(some, np.uint8)
    small = np.zeros((size[1], size[0], 3), np.uint8)
    small[first * small_rows : last * small_rows] = some
    return small


def _halve(image: npt.NDArray[np.uint8], step: int) -> npt.NDArray[np.uint8]:
    """Make a photo smaller by `step`, a power of two: means of four pixels cost a tenth of means of odd shares of pixels."""
    while step > 1:
        image = np.asarray(cv2.resize(image, (image.shape[1] // 2, image.shape[0] // 2), interpolation=cv2.INTER_AREA), np.uint8)
        step //= 2
    return image


def build_greys(small: npt.NDArray[np.uint8], count: int) -> tuple[npt.NDArray[np.uint8], ...]:
    """Give a shrunken photo's brightness in `count` sizes, coarsest first, each twice as wide as the one before."""
    greys = [np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), np.uint8)]
    while len(greys) < count:
        grey = greys[-1]
        size = (max(8, grey.shape[1] // 2), max(8, grey.shape[0] // 2))
        greys.append(np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8))
    return tuple(reversed(greys))


def bounds_of(known: Region | None, full_size: tuple[int, int], size: tuple[int, int], cut: float = CUT_PX) -> Bounds:
    """Give where a level of `size` can be seen when only the `known` full pixels, or all of them, are there: up to `cut` px of
    the level from those that are not."""
    least_x, most_x, least_y, most_y = EDGE_PX, size[0] - 1 - EDGE_PX, EDGE_PX, size[1] - 1 - EDGE_PX
    if known is None:
        return least_x, most_x, least_y, most_y
    scale = (size[0] / full_size[0], size[1] / full_size[1])
    (left, top), (right, bottom) = to_level([known[:2], (known[2] - 1, known[3] - 1)], scale)
    return (
        float(left) + cut if known[0] > 0 else least_x,
        float(right) - cut if known[2] < full_size[0] else most_x,
        float(top) + cut if known[1] > 0 else least_y,
        float(bottom) - cut if known[3] < full_size[1] else most_y,
    )


def build_level(grey: npt.NDArray[np.uint8], full_size: tuple[int, int], known: Region | None = None) -> Level:
    """Give one level of a photo from its brightness in that size; beyond the `known` full pixels it is all 0."""
    size = (grey.shape[1], grey.shape[0])
    seen = bounds_of(known, full_size, size)
    left, top, right, bottom = around(seen, size)
    log, relief = np.zeros(grey.shape, np.float32), np.zeros(grey.shape, np.float32)
    radius = max(4, size[0] // RELIEF_SHARE)
    part = _flatten(grey[top:bottom, left:right], radius)
    log[top:bottom, left:right], relief[top:bottom, left:right] = part
    raised = bounds_of(known, full_size, size, CUT_PX + radius)
    return Level(log, relief, (size[0] / full_size[0], size[1] / full_size[1]), seen, raised)


def around(seen: Bounds, size: tuple[int, int]) -> Region:
    """Give the pixels of a level from which what can be seen is made."""
    reach = CUT_PX + 1
    left, top = max(0, int(seen[0] - reach)), max(0, int(seen[2] - reach))
    return left, top, max(left + 1, min(size[0], int(seen[1] + reach) + 1)), max(top + 1, min(size[1], int(seen[3] + reach) + 1))


def _flatten(grey: npt.NDArray[np.uint8], radius: int) -> tuple[Floats, Floats]:
    table = np.log(np.arange(256, dtype=np.float32) + np.float32(DARK_OFFSET))
    log = cv2.GaussianBlur(cv2.LUT(grey, table), (0, 0), 0.8)
    relief = log - cv2.blur(log, (2 * radius + 1, 2 * radius + 1))
    return log, np.clip(relief, -RELIEF_LIMIT, RELIEF_LIMIT)


def glare_of(log: Floats) -> Floats | None:
    """Give 1 where the picture is burnt out, so that nothing behind the light can be seen; None where it is so nowhere."""
    burnt = np.float32(np.log(GLARE_GREY + DARK_OFFSET))
    return (log > burnt).astype(np.float32) if log.max() > burnt else None


def edges_in(level: Level) -> npt.NDArray[np.complex64]:
    """Give `edges_of` where a level can be seen, 0 elsewhere."""
    left, top, right, bottom = around(level.seen, level.size)
    edges = np.zeros(level.log.shape, np.complex64)
    edges[top:bottom, left:right] = edges_of(level.log[top:bottom, left:right])
    return edges


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


def move(motion: Similarity | Plane, points: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Give where points, (n, 2), go."""
    places = np.asarray(points, np.float64)
    if len(places) == 0:
        return places.copy()
    moved = np.asarray(cv2.transform(places[None], motion)[0], np.float64)  # a tenth of the time of numpy's product
    return moved if len(motion) == 2 else np.asarray(moved[:, :2] / moved[:, 2:])


def identity() -> Similarity:
    """Give the motion that moves nothing."""
    return np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def compose(outer: Similarity, inner: Similarity) -> Similarity:
    """Give the motion `inner` followed by `outer`."""
    joined: Similarity = outer[:, :2] @ inner
    joined[:, 2] += outer[:, 2]
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
    (a, b, x), (c, d, y) = motion.tolist()
    whole = a * d - b * c
    return np.array([[d, -b, b * y - d * x], [-c, a, c * x - a * y]]) / whole


def turn_about(centre: tuple[float, float], degrees: float, scale: float, shift: tuple[float, float] = (0.0, 0.0)) -> Similarity:
    """Give the motion that turns clockwise by `degrees` and enlarges about `centre`, then shifts."""
    cosine, sine = scale * np.cos(np.radians(degrees)), scale * np.sin(np.radians(degrees))
    turned = np.array([[cosine, -sine], [sine, cosine]])
    offset = np.asarray(centre) - turned @ np.asarray(centre) + np.asarray(shift)
    return np.hstack([turned, offset[:, None]])
