"""Takes the sizes of a film, of its photos and of what is written; gives where everything stands: photo, words, charts, labels.

All places are whole pixels of the film from its top left, the same in every picture of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from frametally.model import Corners

Box = tuple[int, int, int, int]
"""Left, top, right, bottom; the last two one beyond. [px]"""

Outline = npt.NDArray[np.float64]
"""The four corners of a display in the film, (4, 2). [px]"""

LEAST_SHOWN = 0.6
"""At least this share of the photo's width and height is shown: it is cut to fill its place, but never to the displays alone."""

ROOM_AROUND = 0.1
"""Around the displays at least this share of the photo's height is shown, for their labels."""

LABEL_SCALES = (1.0, 0.85, 0.7)
"""Labels that find no place are tried smaller, all of them alike."""

_FIRST_SIDES = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (-1, -1), (1, 1), (-1, 1))
_DISTANCES = (1.0, 2.0, 3.5, 5.5)


@dataclass(frozen=True)
class View:
    """How the upright reference photo lies in the film: `scale` film pixels for one of it, its corner at `left`, `top`."""

    scale: float
    left: float
    top: float

    def place(self, points: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Give where points of the reference photo (n, 2) stand in the film; both count pixels from their middles."""
        return (np.asarray(points, float) + 0.5) * self.scale + (self.left, self.top) - 0.5


@dataclass(frozen=True)
class Layout:
    """Where things stand: `unit` is 1 at a height of 1080 px; `labels` None where a display's found no room beside it."""

    width: int
    height: int
    photo: Box
    words: Box
    charts: tuple[Box, ...]
    view: View
    outlines: tuple[Outline, ...]
    labels: tuple[Box | None, ...]
    label_scale: float

    @property
    def unit(self) -> float:
        return self.height / 1080

    def px(self, length: float) -> int:
        """Give a length that is meant for a height of 1080, at least 1. [px]"""
        return max(1, round(length * self.unit))


def film_size(height: int) -> tuple[int, int]:
    """Give width and height of a film of 16 to 9, both even as H.264 with halved colours needs them. [px]"""
    return 2 * round(height * 8 / 9), height


def lay_out(
    height: int,
    frame_size: tuple[int, int],
    corners: Sequence[Corners],
    label_sizes: Sequence[tuple[float, float]],
    chart_weights: Sequence[float],
) -> Layout:
    """Divide a film's picture.

    Parameters
    ----------
    height : even [px]
    frame_size : width and height of the upright photos [px]
    corners : the displays in the reference photo
    label_sizes : width and height of each display's label at a height of 1080 [px]
    chart_weights : for each chart how wide it should be against the others
    """
    width, _ = film_size(height)
    unit = height / 1080
    margin, gap, chart_height = (round(part * unit) for part in (24, 16, 312))
    split = height - margin - chart_height if chart_weights else height
    right = width - round(500 * unit)
    photo = (margin, margin, right, split - gap)
    words = (right + gap, margin, width - margin, split - gap)
    charts = _columns((margin, split, width - margin, height - margin), gap, chart_weights)
    view = fit_photo(photo, frame_size, corners)
    outlines = tuple(view.place(one) for one in corners)
    labels, scale = place_labels(outlines, [(w * unit, h * unit) for w, h in label_sizes], photo, 14 * unit)
    return Layout(width, height, photo, words, charts, view, outlines, labels, scale)


def _columns(box: Box, gap: int, weights: Sequence[float]) -> tuple[Box, ...]:
    if not weights:
        return ()
    free = box[2] - box[0] - gap * (len(weights) - 1)
    ends = np.round(np.cumsum([0.0, *weights]) / sum(weights) * free).astype(int).tolist()
    return tuple((box[0] + a + gap * n, box[1], box[0] + b + gap * n, box[3]) for n, (a, b) in enumerate(pairwise(ends)))


def fit_photo(place: Box, frame_size: tuple[int, int], corners: Sequence[Corners]) -> View:
    """Fit photos into a place: as large as can be with all displays and most of the scene in it, cut at the edges if need be."""
    room = ROOM_AROUND * frame_size[1]
    points = np.concatenate([np.asarray(one, float) for one in corners])
    low = np.maximum(points.min(axis=0) - room, 0.0)
    high = np.minimum(points.max(axis=0) + room, frame_size)
    size = np.array([place[2] - place[0], place[3] - place[1]], float)
    full = np.asarray(frame_size, float)
    contain, cover = float((size / full).min()), float((size / full).max())
    scale = max(contain, min(cover, float((size / (high - low)).min()), float((size / (LEAST_SHOWN * full)).min())))
    shown = np.minimum(size / scale, full)
    start = np.clip((full - shown) / 2, high - shown, low)  # as near the middle as leaves the displays in view
    start = np.clip(start, 0.0, full - shown)
    spare = (size - shown * scale) / 2
    left, top = np.asarray(place[:2], float) + spare - start * scale
    return View(scale, float(left), float(top))


def place_labels(
    outlines: Sequence[Outline], sizes: Sequence[tuple[float, float]], inside: Box, reach: float
) -> tuple[tuple[Box | None, ...], float]:
    """Find each label a place beside its display that covers no display and no other label; give also how small they had to be.

    A label for which there is none, however small, gets None.
    """
    displays = [bounds(one) for one in outlines]
    for scale in LABEL_SCALES:
        taken: list[Box] = []
        found: list[Box | None] = []
        for display, (width, height) in zip(displays, sizes, strict=True):
            size = (round(width * scale), round(height * scale))
            box = _find_place(display, size, inside, [*displays, *taken], reach)
            found.append(box)
            taken += [box] if box is not None else []
        if None not in found or scale == LABEL_SCALES[-1]:
            return tuple(found), scale
    raise AssertionError("no scale to try")


def follow(layout: Layout, outlines: Sequence[Outline]) -> tuple[Box | None, ...]:
    """Give each label a place where displays are not where they are marked: it goes with its own as far as it can, else it is put
    beside it anew, and it makes room for a display that comes."""
    displays = [bounds(one) for one in outlines]
    taken: list[Box] = []
    labels: list[Box | None] = []
    for display, home, label in zip(displays, map(bounds, layout.outlines), layout.labels, strict=True):
        place = None
        if label is not None:
            right, down = (round((display[n] + display[n + 2] - home[n] - home[n + 2]) / 2) for n in (0, 1))
            first = (label[0] + right, label[1] + down, label[2] + right, label[3] + down)
            size = (label[2] - label[0], label[3] - label[1])
            place = _find_place(display, size, layout.photo, [*displays, *taken], layout.px(14), first)
        labels.append(place)
        taken += [place] if place is not None else []
    return tuple(labels)


def bounds(points: Outline) -> Box:
    """Give the box around some places."""
    low, high = np.floor(points.min(axis=0)).astype(int).tolist(), np.ceil(points.max(axis=0)).astype(int).tolist()
    return low[0], low[1], high[0] + 1, high[1] + 1


def overlap(one: Box, other: Box, apart: float = 0.0) -> bool:
    """Tell whether two boxes share a pixel or come nearer than `apart`."""
    return one[0] < other[2] + apart and other[0] < one[2] + apart and one[1] < other[3] + apart and other[1] < one[3] + apart


def _find_place(
    display: Box, size: tuple[int, int], inside: Box, taken: Sequence[Box], reach: float, first: Box | None = None
) -> Box | None:
    """Give the first place that is free: `first`, then beside the display, then anywhere."""
    for box in _places(display, size, inside, reach, first):
        fits = inside[0] <= box[0] and inside[1] <= box[1] and box[2] <= inside[2] and box[3] <= inside[3]
        if fits and not any(overlap(box, other, reach / 3) for other in taken):
            return box
    return None


def _places(display: Box, size: tuple[int, int], inside: Box, reach: float, first: Box | None) -> Iterator[Box]:
    if first is not None:
        yield first
    for distance in _DISTANCES:
        yield from (_beside(display, size, side, distance * reach) for side in _FIRST_SIDES)
    yield from _everywhere(display, size, inside, reach)


def _beside(display: Box, size: tuple[int, int], side: tuple[int, int], distance: float) -> Box:
    """Give a box at one side of a display, in line with its middle, or at one of its corners."""
    corner = {0: (display[0] + display[2] - size[0]) / 2, 1: display[2] + distance, -1: display[0] - distance - size[0]}[side[0]]
    top = {0: (display[1] + display[3] - size[1]) / 2, 1: display[3] + distance, -1: display[1] - distance - size[1]}[side[1]]
    left, upper = round(corner), round(top)
    return left, upper, left + size[0], upper + size[1]


def _everywhere(display: Box, size: tuple[int, int], inside: Box, step: float) -> list[Box]:
    """Give boxes all over the photo, nearest first."""
    xs = np.arange(inside[0], inside[2] - size[0] + 1, max(1, round(step)))
    ys = np.arange(inside[1], inside[3] - size[1] + 1, max(1, round(step)))
    if not xs.size or not ys.size:
        return []
    middle = ((display[0] + display[2]) / 2, (display[1] + display[3]) / 2)
    far = np.hypot(xs[None, :] + size[0] / 2 - middle[0], ys[:, None] + size[1] / 2 - middle[1])
    order = np.argsort(far, axis=None, kind="stable")
    rows, columns = np.unravel_index(order, far.shape)
    corners = np.column_stack([xs[columns], ys[rows]]).tolist()
    return [(left, top, left + size[0], top + size[1]) for left, top in corners]
