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
from frametally.aim.fields import RELIEF_SHARE, Floats, Level, Region, Similarity, count_levels, identity, move, to_full, to_level
from frametally.aim.view import GOOD, RING_HEIGHTS, SEEN, WHOLE, Body, Found, Sight, View
from frametally.model import Calibration, Corners, Display, Placement, Shift

ALONE = 0.6
"""Where the whole view is not recognised, an instrument still counts as found when this much of it is there."""
OUTSIDE_SHARE = 0.05
"""A display may stick out of the frame by this share of its own size: marked regions are loose."""
REGION_HEIGHTS = 0.5
"""The region that is looked at first reaches so far below the displays, in heights of each: what stands in front of a display
comes nearer than that, and rows that are not needed cost much in large photos. Above them it reaches RING_HEIGHTS."""
READ_BEYOND = 0.25
"""A display is read from its place and this share of its height around it."""
PLACE_DECIMALS, QUALITY_DECIMALS, SHARE_DECIMALS = 2, 3, 5
"""Places are rounded to 0.01 px, far below what can be measured, so that the last bit of a sum never reaches a table."""


class Registrar:
    """Finds the displays of one calibration in the photos of a night. Nothing in it changes after it is made: share it freely.

    `region`: the rows of a photo that show where all displays are, while the camera stands about as in the reference. [px]
    """

    def __init__(self, reference: npt.NDArray[np.uint8], calibration: Calibration, *, lost_below: float) -> None:
        """Prepare the reference photo: (height, width, 3) BGR or (height, width) grey, upright.

        `lost_below`: a display whose surroundings agree less than this (0 to 1) is not given a place. Raises
        CalibrationMisfit where the photo's size is not the calibration's.
        """
        self._calibration = calibration
        self._lost_below = lost_below
        self._size = (int(reference.shape[1]), int(reference.shape[0]))
        check_fit(calibration, self._size)
        self._displays = calibration.displays
        self._levels = count_levels(self._size, min(digit_height_px(display) for display in self._displays))
        self.region, self._closely = self._regions()
        sight = Sight(reference, self._levels)
        masks = tuple(_digit_mask(level, calibration) for level in sight.levels)
        self._light = sight.light
        self._view = View(sight, masks)
        band = Sight(reference, self._levels, self.region, self._closely)
        self._bodies = tuple(Body(sight, masks, instrument.display) for instrument in calibration.instrument)
        self._band_light = band.light
        self._band_view = View(band, masks, self._view.finder)

    def _regions(self) -> tuple[Region, Region]:
        """Give the rows of a photo that show where all displays are, while the camera stands about as in the reference; and
        what of them is looked at closely. [px]"""
        places = [display.corners for display in self._displays]
        beyond = self._size[0] // RELIEF_SHARE
        left, top, right, _ = self._spread(RING_HEIGHTS, places)
        _, _, _, bottom = self._spread(REGION_HEIGHTS, places)
        top, bottom = max(0, top - beyond), min(self._size[1], bottom + beyond)
        closely = max(0, left - beyond), top, min(self._size[0], right + beyond), bottom
        return (0, top, self._size[0], bottom), closely

    def locate(self, image: npt.NDArray[np.uint8]) -> Placement:
        """Give where the displays lie in a photo of the reference's size and layout.

        First only `region` is looked at. That is enough where every instrument went with the view, nothing stands in front of
        any display, and all of them lie in it; else the whole photo is looked at.

        Raises CalibrationMisfit where the size differs.
        """
        check_fit(self._calibration, (int(image.shape[1]), int(image.shape[0])))
        return self._look_at_region(image) or self._look_all_over(image)

    def locate_in(self, image: npt.NDArray[np.uint8], known: Region) -> Placement | None:
        """Give what `locate` gives where the pixels in `known` are enough for it, None where the whole photo is needed."""
        check_fit(self._calibration, (int(image.shape[1]), int(image.shape[0])))
        region = self.region
        has_region = known[0] <= region[0] and known[1] <= region[1] and known[2] >= region[2] and known[3] >= region[3]
        return self._look_at_region(image) if has_region else None

    def _look_at_region(self, image: npt.NDArray[np.uint8]) -> Placement | None:
        region = self.region
        sight = Sight(image, self._levels, region, self._closely)
        view = self._band_view.find(sight)
        if view.share < GOOD:
            return None
        followed = []
        for body in self._bodies:
            followed.append(body.follow(sight, view.motion))
            if followed[-1].share < WHOLE:
                return None
        placement = self._judge(sight, view, followed, sight.light - self._band_light)
        if placement.covered or len(placement.corners) < len(self._displays):
            return None
        _, top, _, bottom = self._spread(READ_BEYOND, list(placement.corners.values()))
        return placement if region[1] <= top and bottom <= region[3] else None

    def _look_all_over(self, image: npt.NDArray[np.uint8]) -> Placement:
        sight = Sight(image, self._levels)
        view = self._view.find(sight)
        start = view.motion if view.share >= SEEN else identity()
        followed = [body.find(sight, start) for body in self._bodies]
        return self._judge(sight, view, followed, sight.light - self._light)

    def _spread(self, heights: float, places: list[Corners]) -> Region:
        """Give the smallest region that holds all displays and what is around each, by some of its heights."""
        reach = [heights * max(math.dist(p[0], p[3]), math.dist(p[1], p[2])) for p in places]
        left = min(min(x for x, _ in p) - r for p, r in zip(places, reach, strict=True))
        top = min(min(y for _, y in p) - r for p, r in zip(places, reach, strict=True))
        right = max(max(x for x, _ in p) + r for p, r in zip(places, reach, strict=True))
        bottom = max(max(y for _, y in p) + r for p, r in zip(places, reach, strict=True))
        width, height = self._size
        return (
            max(0, math.floor(left)),
            max(0, math.floor(top)),
            min(width, math.ceil(right) + 1),
            min(height, math.ceil(bottom) + 1),
        )

    def _judge(self, sight: Sight, view: Found, followed: list[Found], view_change: npt.NDArray[np.float64]) -> Placement:
        """Say of every display whether it is there, covered or lost, with each instrument's motion given."""
        seen = view.share >= SEEN
        corners: dict[str, Corners] = {}
        quality: dict[str, float] = {}
        covered: set[str] = set()
        for body, found in zip(self._bodies, followed, strict=True):
            for display, ring, border in zip(body.displays, body.rings, body.borders, strict=True):
                match = judge(ring, sight.scenes[-1], found.motion)
                places = self._place(display, found.motion, sight.levels[-1])
                inside = _is_inside(places, self._size)
                quality[display.key] = round(match.best if inside else 0.0, QUALITY_DECIMALS)
                change = compare_border(border, sight.colours, sight.levels[-1].seen, found.motion, view_change)
                hidden, unsure = match.is_covered(change), match.may_be_covered(change)
                sure = seen or (min(match.best, found.share) >= ALONE and not unsure)
                if inside and sure and not hidden and quality[display.key] >= self._lost_below:
                    corners[display.key] = places
                if inside and seen and unsure:
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
