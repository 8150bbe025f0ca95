"""Takes the strip just outside a display's digits, in the reference and in a frame, says how much of it shows another thing.

The strip is bare panel for the most part. Light that is turned down changes its colours alike all round; an object that reaches
over the digits must cross the strip, and changes the colours where it does. A shadow's edge does that too, so this is no proof
by itself. Burnt-out light is left out,
and so are printed words and rims, where a fraction of a pixel would look like a change.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from frametally.aim.align import look_up
from frametally.aim.fields import DARK_OFFSET, GLARE_GREY, Bounds, Floats, Similarity, move

ROWS = (0.06, 0.11)
"""Where the two rows of points run outside the digits' mark, in heights of the display."""
POINTS_A_ROW = 128
PLAIN_EDGE = 0.6
"""Points where the reference's squeezed gradient is above this lie on a word or a rim."""
OTHER_BRIGHTNESS = 0.15
"""A point shows another thing where its brightness differs by this much (logarithm) from what the strip as a whole says ..."""
OTHER_COLOUR = 0.12
"""... or one channel by this much from the mean of all three: a hand is as bright as a panel, but never of its colour ..."""
OTHER_TINT = 0.3
"""The whole strip shows another thing where one of its channels changed by this much more than the view's light did."""
OTHER_GREY = 8.0
"""... and by this many grey levels: the glow of lit digits on a black panel is no object."""
FOREIGN_SHARE = 0.12
"""When this share of the strip shows another thing, something may stand in front."""
PLAIN_SHARE = 0.2
"""With fewer plain points than this share, the strip says nothing."""


@dataclass(frozen=True)
class Border:
    """The plain points of the strip round one display: `points` (n, 2) px, `colours` (n, 3) grey levels in the
    reference, `height` the display's in px, `total` points looked at."""

    points: npt.NDArray[np.float64]
    colours: Floats
    height: float
    total: int


def build_border(
    quad: npt.NDArray[np.float64], colours: npt.NDArray[np.uint8], edges: npt.NDArray[np.complex64], bounds: Bounds
) -> Border:
    """Lay the strip round a display's `quad` (4, 2); `colours` (h, w, 3), `edges` (h, w) and `bounds` of the reference."""
    height = float(np.linalg.norm(quad[3] - quad[0]) + np.linalg.norm(quad[2] - quad[1])) / 2
    points = np.concatenate([_outline(_widen(quad, out * height)) for out in ROWS])
    edge = cv2.dilate(np.abs(edges).astype(np.float32), np.ones((3, 3), np.uint8))
    strength, inside = look_up(np.asarray(edge, np.float32), points, bounds)
    seen, _ = look_up(colours, points, bounds)
    plain = (strength < PLAIN_EDGE) & (inside > 0) & (seen.max(axis=1) < GLARE_GREY)
    kept = points[plain]
    return Border(kept, np.asarray(seen[plain], np.float32), height, len(points))


def measure_light(colours: npt.NDArray[np.uint8], bounds: Bounds) -> npt.NDArray[np.float64]:
    """Give the view's light, (3,): the middle of the logarithm of each channel over a grid of points."""
    rows, columns = (np.arange(4, length, 8) for length in colours.shape[:2])
    rows, columns = rows[(rows >= bounds[2]) & (rows <= bounds[3])], columns[(columns >= bounds[0]) & (columns <= bounds[1])]
    grid = colours[np.ix_(rows, columns)].reshape(-1, 3)
    return np.log(_middle(grid) + DARK_OFFSET)


@dataclass(frozen=True)
class Change:
    """What became of the strip: `foreign` share of it that shows another thing than the rest, `tinted` whether its colour
    as a whole changed as the view's light does not explain."""

    foreign: float
    tinted: bool


def compare_border(
    border: Border, colours: npt.NDArray[np.uint8], bounds: Bounds, motion: Similarity, view_change: npt.NDArray[np.float64]
) -> Change:
    """Compare the strip, moved, with the frame whose `colours` (h, w, 3) these are, seen within `bounds`.

    `view_change` (3,): how the view's light (see `measure_light`) differs from the reference's.
    """
    if len(border.points) < PLAIN_SHARE * border.total:
        return Change(0.0, False)
    places = move(motion, border.points)
    now, inside = look_up(colours, places, bounds)
    usable = (inside > 0) & ~_is_near_glare(now, places, border.height)
    if usable.sum() < PLAIN_SHARE * border.total:
        return Change(0.0, False)
    before, now = border.colours[usable], now[usable]
    change = np.log(now + DARK_OFFSET) - np.log(before + DARK_OFFSET)
    light = _middle(change)
    tint = light - view_change
    away = change - light
    expected = np.exp(light) * (before + DARK_OFFSET) - DARK_OFFSET
    brighter = away.mean(axis=1)
    tinted = np.abs(away - brighter[:, None]).max(axis=1)
    visible = np.abs(now - expected).max(axis=1) > OTHER_GREY
    foreign = ((np.abs(brighter) > OTHER_BRIGHTNESS) | (tinted > OTHER_COLOUR)) & visible
    return Change(float(foreign.sum()) / len(border.points), bool(np.abs(tint - tint.mean()).max() > OTHER_TINT))


def _middle(values: Floats | npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Give the middle value of each column: one of them, the upper of two."""
    middle = len(values) // 2
    return np.asarray(np.partition(values, middle, axis=0)[middle], np.float64)


def _widen(quad: npt.NDArray[np.float64], by: float) -> npt.NDArray[np.float64]:
    across = quad[1] - quad[0] + quad[2] - quad[3]
    down = quad[3] - quad[0] + quad[2] - quad[1]
    across, down = across * by / np.linalg.norm(across), down * by / np.linalg.norm(down)
    return quad + np.array([-across - down, across - down, across + down, -across + down])


def _outline(quad: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    sides = np.roll(quad, -1, axis=0) - quad
    lengths = np.linalg.norm(sides, axis=1)
    counts = np.maximum(2, np.round(POINTS_A_ROW * lengths / lengths.sum()).astype(int))
    steps = [start + side * np.arange(count)[:, None] / count for start, side, count in zip(quad, sides, counts, strict=True)]
    return np.concatenate(steps)


def _is_near_glare(colours: Floats, places: npt.NDArray[np.float64], height: float) -> npt.NDArray[np.bool_]:
    """Say which points are burnt out in all channels or lie near one that is: light fades over a distance, objects end."""
    burnt = places[colours.min(axis=1) > GLARE_GREY - 10]
    if len(burnt) == 0:
        return np.zeros(len(places), bool)
    away = np.hypot(places[:, None, 0] - burnt[None, :, 0], places[:, None, 1] - burnt[None, :, 1]).min(axis=1)
    near: npt.NDArray[np.bool_] = away < 0.3 * height
    return near
