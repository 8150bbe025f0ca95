"""Takes small pictures of the displays in one photo and gives one JPEG with all of them side by side; and its parts again.

A report carries one such strip per photo, so that each minute of the night can be seen beside its numbers.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from frametally.model import Corners

HEIGHT_PX = 48
WIDEST_PX, NARROWEST_PX = 150, 40
QUALITY = 60
"""JPEG quality of the strips: digits stay legible, and a night of a thousand photos fits into a page."""

MARGIN = 0.18
"""Room around the marked region, as a share of its height."""

PAGE_BYTES = 6_500_000
"""Strips together take no more of a page than this; beyond, they are thinned out. [bytes before base64]"""

Picture = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Strips:
    """The strips of a night by photo: `widths` of their parts, from left to right, by the display's key. [px]"""

    widths: Mapping[str, int]
    images: Mapping[str, bytes] = field(default_factory=dict)

    @property
    def lefts(self) -> dict[str, int]:
        """Where each part begins. [px]"""
        lefts, at = {}, 0
        for key, width in self.widths.items():
            lefts[key] = at
            at += width
        return lefts

    def tile(self, frame: str, key: str) -> bytes | None:
        """Give one display's part of a photo's strip as a JPEG of its own, None where there is none."""
        data = self.images.get(frame)
        if data is None or key not in self.widths:
            return None
        strip = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        if strip is None:
            return None
        left = self.lefts[key]
        done, part = cv2.imencode(".jpg", strip[:, left : left + self.widths[key]], [cv2.IMWRITE_JPEG_QUALITY, 80])
        return part.tobytes() if done else None

    def thinned(self, order: Sequence[str], keep: Iterable[str], most_bytes: int = PAGE_BYTES) -> Strips:
        """Give the strips that fit into so many bytes: those of `keep` first, of the others every second, third, ... photo."""
        wanted = [frame for frame in order if frame in self.images]
        must = set(keep) & set(wanted)
        chosen = wanted
        for step in range(1, len(wanted) + 1):
            chosen = [frame for place, frame in enumerate(wanted) if frame in must or place % step == 0]
            if sum(len(self.images[frame]) for frame in chosen) <= most_bytes:
                break
        else:
            chosen = [frame for frame in wanted if frame in must]
        return Strips(self.widths, {frame: self.images[frame] for frame in chosen})


def strip_widths(corners: Mapping[str, Corners]) -> dict[str, int]:
    """Give how wide each display's part is, from the shape of its marked region. [px]"""
    widths = {}
    for key, points in corners.items():
        box = np.ptp(np.asarray(points, float), axis=0)
        share = (box[0] + 2 * MARGIN * box[1]) / max((1 + 2 * MARGIN) * box[1], 1e-6)
        widths[key] = int(min(max(round(share * HEIGHT_PX), NARROWEST_PX), WIDEST_PX))
    return widths


def cut_strip(image: Picture, corners: Mapping[str, Corners], widths: Mapping[str, int]) -> bytes:
    """Give the strip of one photo (h x w x 3 BGR); a display without corners in it leaves its part grey."""
    strip = np.full((HEIGHT_PX, sum(widths.values()), 3), 128, np.uint8)
    left = 0
    for key, width in widths.items():
        if key in corners:
            strip[:, left : left + width] = _cut(image, np.asarray(corners[key], float), width)
        left += width
    done, data = cv2.imencode(".jpg", strip, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise ValueError(f"a strip of shape {strip.shape} cannot be written as JPEG")
    return data.tobytes()


def _cut(image: Picture, points: npt.NDArray[np.float64], width: int) -> Picture:
    """Give the upright neighbourhood of a display, filled up to the shape of its part from what stands around it."""
    low, high = points.min(axis=0), points.max(axis=0)
    middle, size = (low + high) / 2, (high - low) + 2 * MARGIN * (high[1] - low[1])
    scale = min(width / max(size[0], 1.0), HEIGHT_PX / max(size[1], 1.0))
    if scale < 0.5:  # else every second pixel would be passed over
        factor = 2 * scale
        image = np.asarray(
            cv2.resize(_around(image, low, high), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8
        )
        middle = (middle - _origin(low, high)) * factor
        scale = 0.5
    matrix = np.array([[scale, 0, width / 2 - scale * middle[0]], [0, scale, HEIGHT_PX / 2 - scale * middle[1]]])
    warped = cv2.warpAffine(image, matrix, (width, HEIGHT_PX), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(warped, np.uint8)


def _origin(low: npt.NDArray[np.float64], high: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.maximum(np.floor(low - (high - low).max()), 0)


def _around(image: Picture, low: npt.NDArray[np.float64], high: npt.NDArray[np.float64]) -> Picture:
    room = (high - low).max()
    x, y = (int(v) for v in _origin(low, high))
    right, bottom = (int(np.ceil(v)) for v in high + room)
    return image[y:bottom, x:right]
