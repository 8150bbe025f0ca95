"""Corners that are refused: which mistake they look like, and that the corners offered instead are right ones."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametally.corners import corners_fault
from frametally.errors import BadInput
from frametally.settings import load_calibration

SIZE = [1280, 960]
A, B, C, D = [760, 389], [886, 391], [871, 461], [746, 457]  # co_ppm of the demo night, clockwise from the top left
RIGHT = [A, B, C, D]


def flipped(points: list[list[int]]) -> list[list[int]]:
    return [[y, x] for x, y in points]


@pytest.mark.parametrize(
    ("corners", "said"),
    [
        ([A, D, C, B], "anticlockwise"),
        ([B, A, D, C], "anticlockwise"),
        ([A, C, B, D], "cross"),
        ([A, B, D, C], "cross"),
        (flipped(RIGHT), "x and y seem to be swapped"),
        ([[1000, 100], [1200, 100], [1200, 160], [1000, 960.5]], "[1000, 960.5] lies outside the frame of 1280 x 960"),
        ([A, B, C, [-5, 457]], "[-5, 457] lies outside"),
        (flipped([[1000, 100], [1200, 100], [1200, 160], [1000, 160]]), "swapped"),  # y = 1000 and 1200 lie outside
        ([A, B, C, A], "same point"),
        ([A, B, C, [820, 400]], "triangle of the others"),
        ([[0, 0], [10, 0], [20, 0], [0, 10]], "in one line"),
    ],
)
def test_each_mistake_has_its_own_words(corners: list[list[float]], said: str) -> None:
    assert said in corners_fault(corners, SIZE)


@pytest.mark.parametrize("corners", [[A, D, C, B], [A, C, B, D], [A, B, D, C], flipped(RIGHT)])
def test_the_corners_offered_are_the_right_ones(corners: list[list[int]]) -> None:
    offered = re.search(r"corners = .*", corners_fault(corners, SIZE))
    assert offered is not None
    assert tomllib.loads(offered[0])["corners"] == RIGHT


@pytest.mark.parametrize(
    "value", [None, 5, "x", [], [A, B, C], [A, B, C, [1]], [A, B, C, ["1", 2]], [A, B, C, [float("nan"), 1]], RIGHT]
)
def test_what_is_no_four_points_or_right_is_left_to_others(value: object) -> None:
    assert corners_fault(value, SIZE) == ""


number = st.one_of(st.integers(-2000, 2000), st.floats(-2000, 2000))


@given(
    st.lists(st.tuples(number, number).map(list), min_size=4, max_size=4), st.one_of(st.none(), st.just(SIZE), st.just([1, 2, 3]))
)
def test_any_four_points_are_told_or_right(points: list[list[float]], size: list[int] | None) -> None:
    said = corners_fault(points, size)
    turns = [
        (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
        for a, b, c in ((points[i], points[(i + 1) % 4], points[(i + 2) % 4]) for i in range(4))
    ]
    inside = size != SIZE or all(0 <= x <= SIZE[0] and 0 <= y <= SIZE[1] for x, y in points)
    assert (said == "") == (min(turns) > 0 and inside)


def test_the_file_is_refused_in_these_words(calibration_path: Path, tmp_path: Path) -> None:
    text = calibration_path.read_text(encoding="utf-8")
    path = tmp_path / "c.toml"
    path.write_text(text.replace("[[760, 389], [886, 391], [871, 461], [746, 457]]", str([A, D, C, B])), encoding="utf-8")
    with pytest.raises(BadInput, match=r"display co_ppm: corners: they go anticlockwise"):
        load_calibration(path)
