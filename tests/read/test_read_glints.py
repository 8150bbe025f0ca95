"""What the reader promises of glints: a lamp mirrored on one bar of a bright display is not taken for the bar."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from read_pictures import LOOKS, Picture, display_at, draw

from frametally.model import Display, Reading
from frametally.read import read_display
from frametally.read.answers import Known, with_every_mask
from frametally.read.network import View
from frametally.read.reader import learn, read_strip
from frametally.read.rectify import Strip, rectify
from frametally.read.segments import Bars

SURE = 0.98
SHOWN = "551"
UPPER_RIGHT = 1
"""The bar that makes a 5 a 9."""


def glinting(look: str, seed: int, place: int, bar: int, soft_px: float = 0.6, white: float = 255.0) -> Picture:
    """Draw 551 and paint one of its bars white, as long and as broad as the bars are."""
    picture = draw(SHOWN, LOOKS[look], seed, "###", height_px=70)
    on, strip, bars = all_lit(look, seed)
    rows, columns = strip.pixels.shape[0] - 18, strip.pixels.shape[1] - 18
    flat = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32) + 9
    back = cv2.getPerspectiveTransform(flat, np.array(on.corners, np.float32))
    ends = np.stack([bars.x[place, bar, [0, -1]], bars.y[place, bar, [0, -1]]], axis=1)
    ends = cv2.perspectiveTransform(ends[None].astype(np.float32), back)[0]
    veil = np.zeros(picture.image.shape[:2], np.float32)
    points = [(round(x * 16), round(y * 16)) for x, y in ends.tolist()]
    cv2.line(veil, points[0], points[1], 1.0, round(float(bars.stroke[place]) / strip.scale), cv2.LINE_AA, 4)
    veil = cv2.GaussianBlur(veil, (0, 0), soft_px)[..., None]
    image = picture.image * (1 - veil) + white * veil
    return Picture(np.clip(np.rint(image), 0, 255).astype(np.uint8), picture.corners)


@cache
def all_lit(look: str, seed: int) -> tuple[Picture, Strip, Bars]:
    """Give the same display with every bar lit, its strip, and where its bars are."""
    on = draw("888", LOOKS[look], seed, "###", height_px=70)
    strip = rectify(on.image, on.corners)
    return on, strip, with_every_mask(strip, display_at(on.corners), (), None, View(strip))[0].bars


@cache
def known_display(look: str, seed: int) -> tuple[Display, Known | None]:
    """Give the display, and what another photo of it teaches."""
    on = draw("528", LOOKS[look], seed, "###", height_px=70)
    display = display_at(on.corners)
    return display, learn(rectify(on.image, on.corners), display)


def readings(look: str, seed: int, picture: Picture) -> list[Reading]:
    """Read with and without knowing the display from another photo."""
    display, known = known_display(look, seed)
    strip = rectify(picture.image, picture.corners)
    return [read_strip(strip, display), read_strip(strip, display, known)]


@pytest.mark.parametrize("look", ["led", "vfd", "negative"])
@pytest.mark.parametrize(("place", "bar"), [(0, UPPER_RIGHT), (1, UPPER_RIGHT), (2, 0), (1, 4)])
def test_a_glint_on_a_bar_gives_no_sure_number(look: str, place: int, bar: int) -> None:
    wrong = []
    for seed, soft_px in ((0, 0.6), (1, 1.5), (2, 0.6)):
        picture = glinting(look, seed, place, bar, soft_px)
        wrong += [
            (seed, soft_px, r.text, r.confidence)
            for r in readings(look, seed, picture)
            if r.text != SHOWN and r.confidence >= SURE
        ]

    assert wrong == []


@pytest.mark.parametrize("look", ["led", "vfd", "negative"])
def test_without_a_glint_the_number_is_sure(look: str) -> None:
    for seed in range(3):
        plain = draw(SHOWN, LOOKS[look], seed, "###", height_px=70)
        assert [(r.text, r.confidence >= SURE) for r in readings(look, seed, plain)] == [(SHOWN, True)] * 2


def test_where_lit_bars_are_white_to_the_camera_they_are_no_glints() -> None:
    """An overexposed display: all its bars are white, and it is read."""
    picture = draw(SHOWN, LOOKS["negative"], 1, "###", height_px=70)
    bright = Picture(np.clip(picture.image.astype(np.float32) * 1.6, 0, 255).astype(np.uint8), picture.corners)

    assert read_display(bright.image, digits="###", corners=bright.corners).text == SHOWN


def test_the_glint_alone_is_why() -> None:
    """The same bar in the display's own colour makes the other digit, and that is read for sure."""
    lit = draw("951", LOOKS["led"], 1, "###", height_px=70)

    assert [(r.text, r.confidence >= SURE) for r in readings("led", 1, lit)] == [("951", True)] * 2
