"""Takes the levels of the reference, then those of any frame; gives how the whole view moved, and how one instrument did."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from frametally.aim.align import Template, align, align_plane, pick_points
from frametally.aim.border import Border, build_border, measure_light
from frametally.aim.cover import Patch, Scene, build_patch, judge, judge_fields, judge_twice
from frametally.aim.fields import (
    Floats,
    Level,
    Region,
    Similarity,
    around,
    between_levels,
    bounds_of,
    build_greys,
    build_level,
    compose,
    edges_in,
    edges_of,
    identity,
    inverse,
    move,
    shrink,
    to_level,
)
from frametally.aim.search import Finder
from frametally.model import Display

GOOD = 0.6
"""With this share of the edges found nothing better is looked for."""
SEEN = 0.3
"""With less than this share of the edges found the frame shows another scene, or nothing."""
GOOD_BODY = 0.75
"""The same for one instrument: it must fit better, because the view has already said where it should be."""
MARGIN = 0.1
"""An instrument is believed to have moved on its own only where it fits this much better there."""
MOVED_AT_LEAST = 0.65
"""... and at least this well."""

STRAY_PX = 3.0
"""... or unless it strayed by less than this in the finest level: what stands in front draws an instrument's place along."""
WHOLE = 0.95
"""An instrument that fits less than this has something in front of it, or light on it: those fields are left out."""
HOLD = 1e-3
STEPS = 15
TRIES = 3
VIEW_POINTS, BODY_POINTS, RING_POINTS = 2500, 5000, 2000
TURNED_SHARE = 0.1
"""Turning a face moves no point of it by more than this share of its size: 10 degrees of turn leave cos 10 = 0.985 of a width."""
RING_HEIGHTS = 1.0
"""How far the surroundings of a display reach, in heights of the display."""
OWN_REACH = 0.075
"""How far one instrument is looked for, as a share of the frame's longer side: 96 px of 1280."""

VIEW_TURNS = (
    [(0.0, 1.0)]
    + [(float(degrees), 1.0) for degrees in range(-8, 9) if degrees]
    + [(float(degrees), factor) for factor in (0.95, 1.05) for degrees in range(-8, 9)]
)
VIEW_ROUNDS = (slice(0, 1), slice(1, 17), slice(17, None))
"""Shifts alone, then turns, then sizes: most cameras were only nudged."""
BODY_TURNS = [(float(degrees), 1.0) for degrees in (0, -2, 2, -4, 4, -6, 6, -8, 8, -10, 10)]


_Made = TypeVar("_Made")


class _Each(Generic[_Made]):
    """Something of each level, coarsest first, made when it is first asked for: a photo that did not move needs few."""

    def __init__(self, count: int, make: Callable[[int], _Made]) -> None:
        self._count, self._make, self._made = count, make, dict[int, _Made]()

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[_Made]:
        return (self[number] for number in range(self._count))

    def __getitem__(self, number: int) -> _Made:
        number = range(self._count)[number]
        if number not in self._made:
            self._made[number] = self._make(number)
        return self._made[number]


class Sight:
    """One photo as the search sees it: its `levels`, coarsest first, with the `edges` of each, and `colours` uint8 (h, w, 3) of
    the finest, `light` (3,) what lies over them all. `scenes` are what judging needs. One thread's alone."""

    def __init__(
        self, image: npt.NDArray[np.uint8], count: int, known: Region | None = None, closely: Region | None = None
    ) -> None:
        """Make `count` levels of a photo, BGR or grey, of which only the pixels in `known` can be used, and of these only those
        in `closely` for the finest level."""
        full_size = (int(image.shape[1]), int(image.shape[0]))
        small = shrink(image, count, known)
        greys = build_greys(small, count)

        def level(number: int) -> Level:
            return build_level(greys[number], full_size, closely if number == count - 1 and closely else known)

        # They hold one another, never the sight itself: a ring of references would keep every photo's pictures for a while.
        levels = self.levels = _Each(count, level)
        edges = self.edges = _Each(count, lambda number: edges_in(levels[number]))
        self.scenes = _Each(count, lambda number: Scene.build(edges[number], levels[number]))
        size = (small.shape[1], small.shape[0])
        seen = bounds_of(known, full_size, size)
        _, first, _, last = around(seen, size)
        small[first:last] = cv2.GaussianBlur(small[first:last], (0, 0), 0.8)  # its greys are made, and beyond it is black
        self.colours = small
        self.light = measure_light(small, seen)

    def carry(self, motion: Similarity, here: int, there: int) -> Similarity:
        """Give a motion of level `here` in pixels of level `there`."""
        return between_levels(motion, self.levels[here].scale, self.levels[there].scale)


@dataclass(frozen=True)
class Found:
    """A motion in pixels of one level, the share of the edges that agree, and the share in fields that fit well."""

    motion: Similarity
    share: float
    firm: float = 0.0


class View:
    """The reference as a whole, or the region of it that is to be looked at first: follows the camera."""

    def __init__(self, sight: Sight, masks: tuple[Floats, ...], finder: Finder | None = None) -> None:
        """`masks`: 1 on the digits of each level, which change and are not followed; `finder`: that of the whole view."""
        coarse, fine = sight.levels[0], sight.levels[1]
        self._coarse = pick_points(coarse, (1 - masks[0]) * _inner(coarse), VIEW_POINTS, 8)
        self._fine = pick_points(fine, (1 - masks[1]) * _inner(fine), VIEW_POINTS, 8)
        self._patch = build_patch(self._fine, sight.edges[1])
        reach = (coarse.size[0] // 3, coarse.size[1] // 3)
        self.finder = finder or Finder(coarse.log, 1 - masks[0], reach, VIEW_TURNS)

    def find(self, sight: Sight) -> Found:
        """Give the motion in pixels of the second level."""
        # Most photos were taken by a camera that stands still.
        still = align(self._fine, sight.levels[1], identity(), STEPS)
        best = Found(still, judge(self._patch, sight.scenes[1], still).share)
        if best.share < GOOD:
            best = max(best, self._refine(sight, identity()), key=lambda found: found.share)
        for poses in VIEW_ROUNDS:
            if best.share >= GOOD:
                break
            for guess in self.finder.find(sight.edges[0], poses)[:TRIES]:
                refined = self._refine(sight, guess.motion)
                if refined.share > best.share:
                    best = refined
        return best

    def _refine(self, sight: Sight, guess: Similarity) -> Found:
        rough = align(self._coarse, sight.levels[0], guess, STEPS)
        fine = align(self._fine, sight.levels[1], sight.carry(rough, 0, 1), STEPS)
        return Found(fine, judge(self._patch, sight.scenes[1], fine).share)


class Body:
    """One instrument of the reference: follows it where it moved on its own."""

    def __init__(self, sight: Sight, masks: tuple[Floats, ...], displays: tuple[Display, ...]) -> None:
        """Prepare the surroundings of its displays in every level but the coarsest."""
        self.displays = displays
        weights = [_near(level, displays) * (1 - mask) for level, mask in zip(sight.levels, masks, strict=True)]
        self._templates: tuple[Template, ...] = tuple(
            pick_points(level, weight, BODY_POINTS, 8) for level, weight in zip(sight.levels, weights, strict=True)
        )
        self._patch = build_patch(self._templates[-1], sight.edges[-1])
        self.rings: tuple[Patch, ...] = tuple(_ring(sight, masks[-1], display) for display in displays)
        quads = [to_level(display.corners, sight.levels[-1].scale) for display in displays]
        self.borders: tuple[Border, ...] = tuple(
            build_border(quad, sight.colours, sight.edges[-1], sight.levels[-1].seen) for quad in quads
        )
        self._window, self._finder = _body_finder(sight.levels[1], weights[1])

    def follow(self, sight: Sight, view: Similarity) -> Found:
        """Give the motion in pixels of the finest level of an instrument that went with the view; the view's in the second
        level's. It did where the share is WHOLE."""
        motion = align(self._templates[-1], sight.levels[-1], self._carry_down(sight, view), STEPS, hold=HOLD)
        found = Found(motion, judge(self._patch, sight.scenes[-1], motion).best)
        return self._turn(sight, found, None)

    def find(self, sight: Sight, view: Similarity) -> Found:
        """Give the motion in pixels of the finest level, whatever became of the instrument; `view` as in `follow`."""
        found = self._find(sight, view)
        return self._turn(sight, found, judge_fields(self._patch, sight.scenes[-1], found.motion)[1])

    def _find(self, sight: Sight, view: Similarity) -> Found:
        best = self._refine(sight, view)
        if best.share >= WHOLE:
            return best
        # Something stands in front, or light falls on it: where the view says, with what fits there, may be better.
        start = self._carry_down(sight, view)
        tries = (best, self._settle(sight, start), self._settle(sight, best.motion))
        believable = [found for found in tries if found.share >= MOVED_AT_LEAST or self._strays(start, found.motion) < STRAY_PX]
        best = max([self._rate(sight, start), *believable], key=lambda found: found.firm)
        at_home = self._strays(start, best.motion) < STRAY_PX
        if at_home and best.share >= GOOD_BODY:
            return best
        left, top, right, bottom = self._window
        level = sight.levels[1]
        corner = np.array([[1.0, 0.0, left], [0.0, 1.0, top]])
        # The frame as it would look had the camera not moved: what is left is the instrument's own motion.
        still = _cut_out(level.log, compose(inverse(corner), inverse(view)), (right - left, bottom - top))
        found_there = self._finder.find(edges_of(still), slice(None))[:TRIES]
        own = [compose(view, compose(corner, compose(guess.motion, inverse(corner)))) for guess in found_there]
        moved = [self._refine(sight, guess) for guess in own]
        if max(found.share for found in moved) < WHOLE:
            moved += [self._settle(sight, self._carry_down(sight, guess)) for guess in own]
        moved = [
            found for found in moved if found.share >= MOVED_AT_LEAST and found.firm > best.firm + (MARGIN if at_home else 0.0)
        ]
        return max([best, *moved], key=lambda found: found.firm)

    def _strays(self, start: Similarity, motion: Similarity) -> float:
        points = self._patch.template.points
        return float(np.abs(move(motion, points) - move(start, points)).max()) if len(points) else 0.0

    def _carry_down(self, sight: Sight, motion: Similarity) -> Similarity:
        return sight.carry(motion, 1, len(sight.levels) - 1)

    def _refine(self, sight: Sight, guess: Similarity) -> Found:
        motion = align(self._templates[1], sight.levels[1], guess, STEPS, hold=HOLD)
        for number in range(2, len(sight.levels)):
            motion = sight.carry(motion, number - 1, number)
            motion = align(self._templates[number], sight.levels[number], motion, STEPS, hold=HOLD)
        return self._rate(sight, motion)

    def _settle(self, sight: Sight, motion: Similarity) -> Found:
        """Follow what fits at this motion, without the fields in which something else stands or light blinds."""
        for _ in range(2):
            _, weights = judge_fields(self._patch, sight.scenes[-1], motion)
            motion = align(self._patch.template, sight.levels[-1], motion, STEPS, hold=HOLD, weights=weights)
        return self._rate(sight, motion)

    def _turn(self, sight: Sight, found: Found, weights: Floats | None) -> Found:
        """Follow the face on where it turned away from the camera or towards it, as what is slid by hand does."""
        plane = align_plane(self._patch.template, sight.levels[-1], found.motion, STEPS, weights=weights)
        if plane is found.motion or self._strays(found.motion, plane) > TURNED_SHARE * self._patch.template.reach:
            return found
        turned = self._rate(sight, plane)
        return turned if turned.share >= found.share else found

    def _rate(self, sight: Sight, motion: Similarity) -> Found:
        match, firm = judge_twice(self._patch, sight.scenes[-1], motion)
        return Found(motion, match.best, firm)


def _cut_out(picture: Floats, motion: Similarity, size: tuple[int, int]) -> Floats:
    cut = cv2.warpAffine(picture, motion, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cut, np.float32)


def _inner(level: Level) -> Floats:
    """Give 1 where the level's relief can be seen, 0 beyond."""
    least_x, most_x, least_y, most_y = level.raised
    rows, columns = (np.arange(length) for length in level.log.shape)
    inner = ((rows >= least_y) & (rows <= most_y))[:, None] & ((columns >= least_x) & (columns <= most_x))
    return inner.astype(np.float32)


def _near(level: Level, displays: tuple[Display, ...]) -> Floats:
    """Give 1 beside the displays, falling to 0.5 at RING_HEIGHTS of a display, 0 beyond."""
    weight = np.zeros(level.log.shape, np.float32)
    for display in displays:
        quad = to_level(display.corners, level.scale)
        away = np.ones(level.log.shape, np.uint8)
        cv2.fillConvexPoly(away, np.round(quad).astype(np.int32), 0)
        height = float(np.linalg.norm(quad[3] - quad[0]) + np.linalg.norm(quad[2] - quad[1])) / 2
        share = cv2.distanceTransform(away, cv2.DIST_L2, 5) / np.float32(max(2.0, RING_HEIGHTS * height))
        weight = np.maximum(weight, np.where(share <= 1, 1 - share / 2, 0).astype(np.float32))
    return weight


def _ring(sight: Sight, mask: Floats, display: Display) -> Patch:
    level = sight.levels[-1]
    template = pick_points(level, _near(level, (display,)) * (1 - mask), RING_POINTS, 6)
    return build_patch(template, sight.edges[-1], to_level(display.corners, level.scale).mean(axis=0))


def _body_finder(level: Level, weight: Floats) -> tuple[tuple[int, int, int, int], Finder]:
    reach = round(OWN_REACH * max(level.size))
    rows, columns = np.nonzero(weight)
    if len(rows) == 0:
        rows, columns = np.array([0]), np.array([0])
    left, right = int(columns.min()) - reach, int(columns.max()) + reach + 1
    top, bottom = int(rows.min()) - reach, int(rows.max()) + reach + 1
    corner = np.array([[1.0, 0.0, -left], [0.0, 1.0, -top]])
    size = (right - left, bottom - top)
    log = cv2.warpAffine(level.log, corner, size, flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    part = cv2.warpAffine(weight, corner, size, flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
    finder = Finder(np.asarray(log, np.float32), np.asarray(part, np.float32), (reach, reach), BODY_TURNS, outlines=True)
    return (left, top, right, bottom), finder
