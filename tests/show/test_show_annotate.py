"""The picture for the evening before: everything in it can be told without colour, and the photo itself is not touched."""

from __future__ import annotations

import numpy as np
import pytest

from frametally.show import annotate
from frametally.show.annotate import COLOURS, Mark, draw_check, stack

CORNERS = ((60.0, 40.0), (160.0, 44.0), (158.0, 90.0), (58.0, 88.0))
BOX = ((70.0, 50.0), (90.0, 50.0), (90.0, 80.0), (70.0, 80.0))


def a_mark(verdict: str = "good", *, found: bool = True, lines: tuple[str, ...] = ('Reads "20.9", 99.9% sure.',)) -> Mark:
    return Mark("o2_pct", verdict, CORNERS, found, (BOX,), lines)


def a_photo(width: int = 300, height: int = 200) -> np.ndarray:
    return np.random.default_rng(3).integers(90, 160, (height, width, 3), dtype=np.uint8)


def test_the_photo_is_left_alone_and_the_picture_is_the_same_each_time() -> None:
    photo = a_photo()
    before = photo.copy()

    first, second = draw_check(photo, "a.jpg", [a_mark()]), draw_check(photo, "a.jpg", [a_mark()])

    assert np.array_equal(photo, before)
    assert np.array_equal(first, second)
    assert first.dtype == np.uint8


def test_verdicts_differ_in_shape_and_word_where_all_colours_are_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(annotate, "COLOURS", dict.fromkeys(COLOURS, "#000000"))
    drawn = [draw_check(a_photo(), "a.jpg", [a_mark(verdict)]) for verdict in COLOURS]

    for one in range(3):
        for other in range(one):
            differs = (drawn[one] != drawn[other]).any(axis=2)
            assert differs[:, : 300 + annotate.MARGIN].any()  # the shape beside the display
            assert differs[:, -annotate.PANEL_WIDTH :].any()  # the word in the panel


def test_a_display_that_was_not_found_is_drawn_with_broken_lines() -> None:
    whole, broken = (draw_check(a_photo(), "a.jpg", [a_mark("not legible", found=found)]) for found in (True, False))

    assert (whole != broken).any()


@pytest.mark.parametrize("size", [(4000, 3000), (640, 480), (90, 1200), (1200, 90)])
def test_every_size_of_photo_gives_a_picture_of_ordinary_size(size: tuple[int, int]) -> None:
    scale = np.array(size) / (300, 200)
    corners = tuple((x * scale[0], y * scale[1]) for x, y in CORNERS)
    mark = Mark("o2_pct", "good", corners, True, (), ("word " * 60,))  # type: ignore[arg-type]

    drawn = draw_check(a_photo(*size), "a.jpg", [mark])

    assert drawn.shape[1] <= annotate.PHOTO_WIDTH + annotate.PANEL_WIDTH + 2 * annotate.MARGIN
    assert (drawn[-2] == 255).all()  # nothing is cut off at the foot


def test_corners_outside_the_photo_do_no_harm() -> None:
    far = tuple((x + 2000, y - 900) for x, y in CORNERS)

    assert draw_check(a_photo(), "a.jpg", [Mark("x", "not legible", far, False, (), ())]).size  # type: ignore[arg-type]


def test_pictures_are_stacked() -> None:
    first, second = draw_check(a_photo(), "a.jpg", [a_mark()]), draw_check(a_photo(200), "b.jpg", [a_mark()])

    both = stack([first, second])

    assert both.shape == (len(first) + len(second), first.shape[1], 3)
    assert np.array_equal(both[: len(first)], first)
