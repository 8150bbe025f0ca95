"""How obliquely a display is seen: against views whose angle is known, since the corners are projected by hand."""

from __future__ import annotations

import numpy as np
import pytest

from frametally.aim.obliquity import LENS_MM, obliquity
from frametally.model import Corners

SIZE = (1600, 1200)


def seen_from(yaw_deg: float, pitch_deg: float, *, slant: float = 0.0, roll_deg: float = 0.0, wide: float = 0.3) -> Corners:
    """Give the corners of a rectangle 1 away in the middle of the view, turned by these angles; a pinhole camera of LENS_MM."""
    yaw, pitch, roll = np.radians((yaw_deg, pitch_deg, roll_deg))
    about_y = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]])
    about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    half, tall = wide / 2, wide / 4
    flat = np.array([[slant - half, -tall, 0], [half + slant, -tall, 0], [half - slant, tall, 0], [-half - slant, tall, 0]])
    space = flat @ (about_z @ about_y @ about_x).T + (0, 0, 1)
    pixels = space[:, :2] / space[:, 2:] * LENS_MM / 36 * SIZE[0] + np.array(SIZE) / 2
    a, b, c, d = ((float(x), float(y)) for x, y in pixels)
    return a, b, c, d


@pytest.mark.parametrize(("yaw", "pitch"), [(0, 0), (20, 0), (0, 35), (-50, 0), (30, 30)])
@pytest.mark.parametrize("slant", [0.0, 0.03])
def test_the_angle_is_the_one_between_normal_and_view(yaw: float, pitch: float, slant: float) -> None:
    """A normal turned by yaw and pitch is at arccos(cos yaw cos pitch) from the view; slanted digits change nothing."""
    expected = np.degrees(np.arccos(np.cos(np.radians(yaw)) * np.cos(np.radians(pitch))))

    assert obliquity([seen_from(yaw, pitch, slant=slant)], SIZE).angle_deg == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize("roll", [-30.0, 0.0, 12.0])
def test_turning_in_the_picture_is_told_apart(roll: float) -> None:
    seen = obliquity([seen_from(0, 0, roll_deg=roll)], SIZE)

    assert seen.turned_deg == pytest.approx(roll, abs=0.1)
    assert seen.angle_deg == pytest.approx(0, abs=0.5)


def test_more_and_larger_regions_are_surer() -> None:
    small, large = seen_from(20, 0, wide=0.08), seen_from(20, 0, wide=0.3)

    assert obliquity([large], SIZE).unsure_deg < obliquity([small], SIZE).unsure_deg
    assert obliquity([small, small], SIZE).unsure_deg == pytest.approx(obliquity([small], SIZE).unsure_deg / 2**0.5)


def test_marks_astray_stray_by_about_what_is_said() -> None:
    corners = np.array(seen_from(30, 0, wide=0.1))
    said = obliquity([seen_from(30, 0, wide=0.1)], SIZE)
    height = float(np.linalg.norm(corners[3] - corners[0]))
    rng = np.random.default_rng(8)
    angles = []
    for _ in range(300):
        a, b, c, d = ((float(x), float(y)) for x, y in corners + rng.normal(0, max(0.015 * height, 1.0), (4, 2)))
        angles.append(obliquity([(a, b, c, d)], SIZE).angle_deg)

    assert 0.4 * said.unsure_deg < np.std(angles) < 1.2 * said.unsure_deg
