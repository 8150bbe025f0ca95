"""Takes the reference photo and the calibration once, then any photo of the night; gives where each display lies in it.

Each photo is compared with the reference alone, never with the photo before it: the answer is the same in whatever order,
by however many threads and after whatever interruption the photos are looked at.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from frametally.aim.border import compare_border
from frametally.aim.calibrate import check_fit, digit_height_px
from frametally.aim.cover import judge
from frametally.aim.fields import Floats, Level, Similarity, count_levels, identity, move, to_full, to_level
from frametally.aim.view import SEEN, Body, Found, Sight, View
from frametally.model import Calibration, Corners, Display, Placement, Shift

ALONE = 0.6
"""Where the whole view is not recognised, an instrument still counts as found when this much of it is there."""
OUTSIDE_SHARE = 0.05
"""A display may stick out of the frame by this share of its own size: marked regions are loose."""
PLACE_DECIMALS, QUALITY_DECIMALS, SHARE_DECIMALS = 2, 3, 5
"""Places are rounded to 0.01 px, far below what can be measured, so that the last bit of a sum never reaches a table."""


class Registrar:
    """Finds the displays of one calibration in the photos of a night. Nothing in it changes after it is made: share it freely."""

    def __init__(self, reference: npt.NDArray[np.uint8], calibration: Calibration, *, lost_below: float) -> None:
        """Prepare the reference photo: (height, width, 3) BGR or (height, width) grey, upright.

        `lost_below`: a display whose surroundings agree less than this (0 to 1) is not given a place. Raises
        CalibrationMisfit where the photo's size is not the calibration's.
        """
        self._calibration = calibration
        self._lost_below = lost_below
        self._size = (int(reference.shape[1]), int(reference.shape[0]))
        check_fit(calibration, self._size)
        self._levels = count_levels(self._size, min(digit_height_px(display) for display in calibration.displays))
        sight = Sight.build(reference, self._levels)
        masks = tuple(_digit_mask(level, calibration) for level in sight.levels)
        self._light = sight.light
        self._view = View(sight, masks)
        self._bodies = tuple(Body(sight, masks, instrument.display) for instrument in calibration.instrument)

    def locate(self, image: npt.NDArray[np.uint8]) -> Placement:
        """Give where the displays lie in a photo of the reference's size and layout.

        Raises CalibrationMisfit where the size differs.
        """
        check_fit(self._calibration, (int(image.shape[1]), int(image.shape[0])))
        sight = Sight.build(image, self._levels)
        view = self._view.find(sight)
        seen = view.share >= SEEN
        start = view.motion if seen else identity()
        corners: dict[str, Corners] = {}
        quality: dict[str, float] = {}
        covered: set[str] = set()
        for body in self._bodies:
            found = body.find(sight, start)
            for display, ring, border in zip(body.displays, body.rings, body.borders, strict=True):
                match = judge(ring, sight.scenes[-1], found.motion)
                places = self._place(display, found.motion, sight.levels[-1])
                inside = _is_inside(places, self._size)
                quality[display.key] = round(match.best if inside else 0.0, QUALITY_DECIMALS)
                hidden = match.is_covered(compare_border(border, sight.colours, found.motion, sight.light - self._light))
                sure = seen or min(match.best, found.share) >= ALONE
                if inside and sure and not hidden and quality[display.key] >= self._lost_below:
                    corners[display.key] = places
                elif inside and seen and hidden:
                    covered.add(display.key)
        return Placement(self._shift(view, sight.levels[1], seen=seen), corners, quality, frozenset(covered))

    def _place(self, display: Display, motion: Similarity, level: Level) -> Corners:
        moved = to_full(move(motion, to_level(display.corners, level.scale)), level.scale)
        first, second, third, fourth = ((round(float(x), PLACE_DECIMALS), round(float(y), PLACE_DECIMALS)) for x, y in moved)
        return first, second, third, fourth

    def _shift(self, view: Found, level: Level, *, seen: bool) -> Shift:
        share = round(view.share, QUALITY_DECIMALS)
        if not seen:
            return Shift(0.0, 0.0, 0.0, 1.0, share)
        middle = np.array([[(self._size[0] - 1) / 2, (self._size[1] - 1) / 2]])
        moved = to_full(move(view.motion, to_level(middle, level.scale)), level.scale)
        dx, dy = (float(v) for v in (moved - middle)[0])
        turn = math.degrees(math.atan2(view.motion[1, 0], view.motion[0, 0]))
        scale = math.hypot(view.motion[0, 0], view.motion[1, 0])
        # Adding zero turns -0.0 into 0.0, which would otherwise show in the tables.
        values = [round(value, decimals) + 0.0 for value, decimals in ((dx, 2), (dy, 2), (turn, 3), (scale, SHARE_DECIMALS))]
        return Shift(values[0], values[1], values[2], values[3], share)


def _digit_mask(level: Level, calibration: Calibration) -> Floats:
    mask = np.zeros(level.log.shape, np.float32)
    for display in calibration.displays:
        cv2.fillConvexPoly(mask, np.round(to_level(display.corners, level.scale)).astype(np.int32), 1.0)
    return np.asarray(cv2.dilate(mask, np.ones((3, 3), np.uint8)), np.float32)


def _is_inside(places: Corners, size: tuple[int, int]) -> bool:
    """Say whether the display lies in the frame, but for the loose edge of its mark."""
    width, height = size
    slack = OUTSIDE_SHARE * max(math.dist(places[0], places[2]), math.dist(places[1], places[3]))
    return all(-slack <= x <= width - 1 + slack and -slack <= y <= height - 1 + slack for x, y in places)
