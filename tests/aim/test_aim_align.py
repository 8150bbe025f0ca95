"""The alignment itself, against OpenCV's own warp and its own fit of a similarity."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.aim import fields
from frametally.aim.align import align, align_plane, pick_points
from frametally.aim.search import Finder


def cloth(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    picture = cv2.resize(rng.uniform(30, 220, (30, 40)).astype(np.float32), (640, 480), interpolation=cv2.INTER_CUBIC)
    return np.clip(picture, 0, 255).astype(np.uint8)


def level_of(grey: np.ndarray) -> fields.Level:
    return fields.build_level(grey, (640, 480))


def warp(grey: np.ndarray, motion: np.ndarray) -> np.ndarray:
    return cv2.warpAffine(grey, motion, (640, 480), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


@pytest.mark.parametrize(("degrees", "factor", "shift"), [(0, 1, (0, 0)), (0.7, 1.004, (2.3, -1.6)), (-1, 0.99, (0.25, 3.5))])
def test_align_agrees_with_the_warp_that_made_the_frame(degrees: float, factor: float, shift: tuple[float, float]) -> None:
    motion = fields.turn_about((320, 240), degrees, factor, shift)
    reference = level_of(cloth())
    template = pick_points(reference, np.ones((480, 640), np.float32), 3000, 8)
    found = align(template, level_of(warp(cloth(), motion)), fields.identity(), 20)
    corners = np.array([[100, 100], [540, 100], [540, 380], [100, 380]])
    assert fields.move(found, corners) == pytest.approx(fields.move(motion, corners), abs=0.05)


def face_turned(degrees: float) -> np.ndarray:
    """A flat face turned about its upright middle, seen through a pinhole 1000 px behind the picture: a homography."""
    angle = np.radians(degrees)
    apart = np.array([[1.0, 0, -320], [0, 1, -240], [0, 0, 1]])
    turned = np.array([[np.cos(angle), 0, 0], [0, 1, 0], [np.sin(angle) / 1000, 0, 1]])
    return np.asarray(np.linalg.inv(apart) @ turned @ apart)


@pytest.mark.parametrize("degrees", [-8.0, 5.0])
def test_a_face_that_turned_is_followed_where_a_similarity_cannot_go(degrees: float) -> None:
    motion = face_turned(degrees)
    frame = cv2.warpPerspective(cloth(), motion, (640, 480), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    template = pick_points(level_of(cloth()), np.ones((480, 640), np.float32), 3000, 8)
    flat = align(template, level_of(frame), fields.identity(), 20)
    found = align_plane(template, level_of(frame), flat, 20)
    corners = np.array([[180, 140], [460, 140], [460, 340], [180, 340]], np.float64)
    true = cv2.perspectiveTransform(corners[None], motion)[0]
    assert np.abs(fields.move(flat, corners) - true).max() > 0.3
    assert fields.move(found, corners) == pytest.approx(true, abs=0.1)


def test_a_face_that_did_not_turn_stays_as_it_was_found() -> None:
    motion = fields.turn_about((320, 240), 0.7, 1.004, (2.3, -1.6))
    template = pick_points(level_of(cloth()), np.ones((480, 640), np.float32), 3000, 8)
    frame = level_of(warp(cloth(), motion))
    found = align(template, frame, fields.identity(), 20)
    assert align_plane(template, frame, found, 20) is found


def test_align_ignores_a_quarter_that_moved_otherwise() -> None:
    motion = fields.turn_about((320, 240), 0.5, 1.0, (1.5, 1.0))
    frame = warp(cloth(), motion)
    frame[:240, :320] = cloth(2)[:240, :320]
    template = pick_points(level_of(cloth()), np.ones((480, 640), np.float32), 3000, 8)
    found = align(template, level_of(frame), fields.identity(), 20)
    assert fields.move(found, [[320, 240], [600, 450]]) == pytest.approx(fields.move(motion, [[320, 240], [600, 450]]), abs=0.1)


def test_without_anything_to_see_the_guess_stays() -> None:
    flat = level_of(np.full((480, 640), 80, np.uint8))
    template = pick_points(flat, np.ones((480, 640), np.float32), 3000, 8)
    guess = fields.turn_about((0, 0), 1, 1, (3, 4))
    assert np.array_equal(align(template, level_of(cloth()), guess, 10), guess)


@pytest.mark.parametrize("shift", [(120, -70), (-90, 33), (0, 0)])
def test_finder_gives_the_shift_of_a_far_move(shift: tuple[int, int]) -> None:
    log = level_of(cloth()).log
    moved = level_of(warp(cloth(), fields.turn_about((0, 0), 0, 1, shift))).log
    finder = Finder(log, np.ones_like(log), (150, 150), [(0.0, 1.0)])
    guess = finder.find(fields.edges_of(moved), slice(None))[0]
    assert guess.motion[:, 2] == pytest.approx(shift, abs=1)
    assert guess.score > 0.5


def test_finder_puts_the_right_turn_first() -> None:
    log = level_of(cloth()).log
    turned = level_of(warp(cloth(), fields.turn_about((320, 240), 4, 1, (30, 10)))).log
    finder = Finder(log, np.ones_like(log), (60, 60), [(0.0, 1.0), (-4.0, 1.0), (4.0, 1.0)])
    best = finder.find(fields.edges_of(turned), slice(None))[0].motion
    assert np.degrees(np.arctan2(best[1, 0], best[0, 0])) == pytest.approx(4)


angles = st.floats(-20, 20)
shifts = st.tuples(st.floats(-200, 200), st.floats(-200, 200))


@settings(max_examples=40, deadline=None)
@given(angles, st.floats(0.8, 1.25), shifts)
def test_motions_agree_with_opencv(degrees: float, factor: float, shift: tuple[float, float]) -> None:
    """Outside check: cv2.estimateAffinePartial2D on exact points gives the motion back, and OpenCV's warp the same places."""
    motion = fields.turn_about((320, 240), degrees, factor, shift)
    points = np.array([[10, 20], [600, 40], [580, 450], [30, 400], [300, 200]], np.float64)
    fitted, _ = cv2.estimateAffinePartial2D(points, fields.move(motion, points), method=cv2.LMEDS)
    assert fitted == pytest.approx(motion, abs=1e-4)
    assert fields.move(motion, points) == pytest.approx(cv2.transform(points[None], motion)[0])


@settings(max_examples=40, deadline=None)
@given(angles, st.floats(0.8, 1.25), shifts)
def test_a_motion_and_its_inverse_cancel(degrees: float, factor: float, shift: tuple[float, float]) -> None:
    motion = fields.turn_about((320, 240), degrees, factor, shift)
    assert fields.compose(motion, fields.inverse(motion)) == pytest.approx(fields.identity(), abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(angles, shifts, st.floats(10, 600), st.floats(10, 400))
def test_a_motion_means_the_same_in_every_level(degrees: float, shift: tuple[float, float], x: float, y: float) -> None:
    motion = fields.turn_about((320, 240), degrees, 1.01, shift)
    fine, coarse = (0.5, 0.5), (0.125, 0.125)
    there = fields.between_levels(motion, fine, coarse)
    direct = fields.to_full(fields.move(motion, [[x, y]]), fine)
    point = fields.to_level(fields.to_full([[x, y]], fine), coarse)
    assert fields.to_full(fields.move(there, point), coarse) == pytest.approx(direct, abs=1e-6)


def test_levels_grow_with_the_photo_and_shrink_with_the_display() -> None:
    assert fields.count_levels((1280, 960), 60) == 3
    assert fields.count_levels((4000, 3000), 60) == 5
    assert fields.count_levels((4000, 3000), 150) == 3
    assert fields.count_levels((640, 480), 8) == 3
