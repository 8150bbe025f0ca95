"""Drawn digits as a reader: which line of a marked region it reads, and what it makes of print, points, signs and units."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from read_pictures import printed, strip_of

from frametally.read.layout import Mask
from frametally.read.line import find_line
from frametally.read.prints import read_print
from frametally.read.rectify import ink_of


def test_rows_above_and_below_and_small_letters_are_cut_away() -> None:
    canvas = np.full((120, 330), 210, np.uint8)
    cv2.putText(canvas, "402", (20, 95), cv2.FONT_HERSHEY_DUPLEX, 3.0, 40, 6, cv2.LINE_AA)
    plain = find_line(ink_of(strip_of(canvas), dark=True))
    cv2.putText(canvas, "ppm", (215, 95), cv2.FONT_HERSHEY_DUPLEX, 1.0, 40, 2, cv2.LINE_AA)
    cv2.putText(canvas, "75138", (20, 13), cv2.FONT_HERSHEY_DUPLEX, 1.2, 40, 3, cv2.LINE_AA)
    line = find_line(ink_of(strip_of(canvas), dark=True))

    assert plain is not None
    assert line is not None
    assert abs(line.height - plain.height) <= 2
    assert abs(line.ink.shape[1] - plain.ink.shape[1]) <= 4
    assert (read_print(line, Mask.parse("####")).text, read_print(plain, Mask.parse("####")).text) == ("402", "402")


def test_nothing_but_ground_has_no_line() -> None:
    assert find_line(ink_of(strip_of(np.full((80, 200, 3), 200, np.uint8)), dark=True)) is None


@pytest.mark.parametrize("dark", [True, False])
@pytest.mark.parametrize(
    ("text", "mask"), [("20.9", "##.#"), ("7.35", "#.##"), ("468", "####"), ("-12.4", "-##.#"), ("1013.6", "####.#")]
)
def test_drawn_digits_read_print_alone(text: str, mask: str, dark: bool) -> None:
    line = find_line(ink_of(strip_of(printed(text, dark=dark)), dark=dark))

    assert line is not None
    answer = read_print(line, Mask.parse(mask))
    assert answer.text == text
    assert answer.likeness > 0.7
    assert answer.margin > 0.1


@pytest.mark.parametrize("text", ["20.9", "7.35", "468"])
def test_of_several_masks_the_one_counts_whose_point_is_seen(text: str) -> None:
    line = find_line(ink_of(strip_of(printed(text)), dark=True))

    assert line is not None
    assert read_print(line, [Mask.parse(mask) for mask in ("###", "##.#", "#.##")]).text == text


@pytest.mark.parametrize("unit", ["C", "%", "ppm", "V"])
def test_letters_of_a_unit_are_no_digits(unit: str) -> None:
    line = find_line(ink_of(strip_of(printed("26.3" + unit)[12:64]), dark=True))

    assert line is not None
    assert read_print(line, Mask.parse("###.#")).text == "26.3"
