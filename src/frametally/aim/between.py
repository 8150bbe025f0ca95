"""Takes where a display stood in photos before and after; gives where it must stand in a photo in which it was not found.

In a dark photo the outlines that an instrument is followed by may be gone while its display still shines. An instrument
that is found in the same place before and after did not move meanwhile; at the ends of a night one of the two must do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from frametally.aim.view import SEEN
from frametally.model import Corners, Placement, Shift

SAME_PLACE = 0.08
"""Two places are the same where no corner differs by more than this share of the display's height."""


@dataclass(frozen=True)
class Stand:
    """Where a display was in one photo: how that view had moved, and its corners there. [px]"""

    view: Shift
    corners: Corners


def stands_between(before: Stand | None, after: Stand | None, placement: Placement, size: tuple[int, int]) -> Corners | None:
    """Give a display's corners in a photo between two others; None where they do not tell.

    That is where they tell two places, or where another display was found in that place. A view that was not recognised is
    taken to be that of the others. `size`: width and height of the photos. [px]
    """
    told = [_carried(stand, placement.shift, size) for stand in (before, after) if stand is not None]
    if not told:
        return None
    corners = np.mean(told, axis=0)
    height = (math.dist(corners[0], corners[3]) + math.dist(corners[1], corners[2])) / 2
    if float(np.abs(told - corners).max()) > SAME_PLACE * height / 2:
        return None
    if any(_overlap(corners, np.asarray(other)) for other in placement.corners.values()):
        return None
    first, second, third, fourth = ((round(float(x), 2), round(float(y), 2)) for x, y in corners)
    return first, second, third, fourth


def _carried(stand: Stand, view: Shift, size: tuple[int, int]) -> npt.NDArray[np.float64]:
    corners = np.asarray(stand.corners, np.float64)
    if min(stand.view.quality, view.quality) < SEEN:
        return corners
    middle = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    at_home = (corners - middle - (stand.view.dx, stand.view.dy)) @ np.linalg.inv(_turn(stand.view)).T
    return np.asarray(at_home @ _turn(view).T + middle + (view.dx, view.dy))


def _turn(view: Shift) -> npt.NDArray[np.float64]:
    angle = math.radians(view.rotation_deg)
    return view.scale * np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])


def _overlap(one: npt.NDArray[np.float64], other: npt.NDArray[np.float64]) -> bool:
    return cv2.intersectConvexConvex(one.astype(np.float32), other.astype(np.float32))[0] > 0
