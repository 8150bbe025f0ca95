"""What settled frames teach of a display: its own bars, the same from any order of frames, and which bars show unlit."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from read_pictures import LOOKS, display_at, draw

from frametally.read.glyphs import GLYPHS, likeliest_shape
from frametally.read.lesson import LEAST_SIGHTS, Lesson, Levels, Sight, conclude
from frametally.read.places import Fit
from frametally.read.reader import Known, learn, study, taught
from frametally.read.rectify import STRIP_HEIGHT, Ink, Strip, rectify
from frametally.read.segments import FLOOR_FOLLOWED, Bars, place_likelihoods

MASK = "###"
STRIP = Strip(np.zeros((4, 4, 3), np.uint8), 1.0)


def sight(text: str, *, ghost: float = 0.2, bright: float = 1.0, dark: bool = True) -> Sight:
    """Give a sight made by hand, with every unlit bar at `ghost` and every lit one at `bright`."""
    shape = np.array([likeliest_shape(sign, np.zeros(7)) for sign in text.rjust(3)])
    shown = np.array([sign != " " for sign in text.rjust(3)])
    return Sight(STRIP, text, MASK, np.arange(11.0), 0.9, dark, 0.5, 180.0, np.where(shape, bright, ghost), shape, shown)


# --- the lesson itself -----------------------------------------------------------------------------------------------


def test_levels_are_those_of_the_bars() -> None:
    lesson = conclude([sight(f"{number}", ghost=0.3, bright=0.95) for number in range(100, 200, 7)])

    assert lesson is not None
    assert lesson.frames == 15
    assert lesson.levels[MASK].unlit == pytest.approx(np.full((3, 7), 0.3))
    assert lesson.levels[MASK].lit == pytest.approx(np.full((3, 7), 0.95))
    assert lesson.levels[MASK].spread == pytest.approx(np.zeros((3, 7)))


def test_one_bar_that_ghosts_is_known_from_the_others() -> None:
    sights = [sight(f"{number}", ghost=0.1) for number in range(110, 120)]
    for one in sights:
        one.ratio[0, 3] = 0.5  # the bottom bar of the first place, which shows a 1 all the time

    lesson = conclude(sights)

    assert lesson is not None
    unlit = lesson.levels[MASK].unlit
    assert unlit[0, 3] > 0.35
    assert np.delete(unlit.ravel(), 3) == pytest.approx(np.full(20, 0.1))


def test_places_that_stay_empty_are_believed_to_be_like_the_others() -> None:
    sights = [sight(f"{number}", ghost=0.25) for number in range(20, 40)]
    for one in sights:
        one.ratio[0] = 0.6  # what an empty place shows says nothing of its bars: there is no lit one to hold it against

    lesson = conclude(sights)

    assert lesson is not None
    assert lesson.levels[MASK].unlit[0] == pytest.approx(np.full(7, 0.25))


def test_order_does_not_matter_and_json_gives_it_back() -> None:
    rng = np.random.default_rng(5)
    sights = [sight(f"{number}", ghost=float(rng.uniform(0.1, 0.3))) for number in range(200, 220)]
    lesson, other = conclude(sights), conclude(sights[::-1])

    assert lesson is not None
    assert other is not None
    assert lesson.to_dict() == other.to_dict()
    assert Lesson.from_dict(json.loads(json.dumps(lesson.to_dict()))).to_dict() == lesson.to_dict()


def test_too_few_or_disagreeing_sights_teach_nothing() -> None:
    assert conclude([]) is None
    assert conclude([sight("123")] * (LEAST_SIGHTS - 1)) is None
    assert conclude([sight("123")] * LEAST_SIGHTS) is not None
    half = LEAST_SIGHTS - 1
    assert conclude([sight("123")] * half + [sight("123", dark=False)] * half) is None
    other = replace(sight("123"), mask="##.#")
    lesson = conclude([sight("123")] * LEAST_SIGHTS + [other] * half)
    assert lesson is not None
    assert list(lesson.layouts) == [MASK]


# --- what it is good for ----------------------------------------------------------------------------------------------


def likeliest(bars: Bars, taught: Levels | None) -> str:
    """Give the signs that the bars most likely spell, place by place."""
    blank = np.zeros((STRIP_HEIGHT, 200), np.float32)
    fit = Fit(np.arange(11.0), Ink(blank, 0.5, 0.02, True, blank, 180.0, 0.0, 1.0), 0.9)
    likelihoods = place_likelihoods(bars, fit, np.zeros(bars.lit.shape, bool), FLOOR_FOLLOWED, taught)
    return "".join(GLYPHS[index] for index in likelihoods.argmax(axis=1))


def measured(ratio: np.ndarray) -> Bars:
    """Give bars that were measured as even strokes with this ink."""
    along = np.repeat(ratio[:, :, None], 7, axis=2)
    return Bars(ratio, along, along, along, np.full(len(ratio), 6.0))


def test_bars_that_are_weak_lit_or_strong_unlit_are_judged_by_their_own_levels() -> None:
    """The night knows that one bar is always weak and another always shows; in a single photo they look much the same."""
    weak, haunted = (0, 6), (2, 4)  # what alone makes an 8 of a 0; what alone makes a 6 of a 5

    def seen(text: str) -> Sight:
        one = sight(text, ghost=0.1)
        one.ratio[weak] = 0.62
        one.ratio[haunted] = 1.0 if one.shape[haunted] else 0.5
        return one

    lesson = conclude([seen(f"{number}") for number in range(811, 870, 4)])
    assert lesson is not None
    for text in ("815", "816"):
        bars = measured(seen(text).ratio)
        assert likeliest(bars, None) != text
        assert likeliest(bars, lesson.levels[MASK]) == text


def test_a_taught_reader_keeps_what_the_reference_told_of_masks_the_night_did_not_show() -> None:
    lesson = conclude([sight("123")] * LEAST_SIGHTS)
    assert lesson is not None
    known = Known({"##.#": np.ones(11), MASK: np.zeros(11)}, {"##.#": 0.8, MASK: 0.7}, 0.3, True, 150.0)

    both = taught(lesson, known)

    assert both.layouts["##.#"].tolist() == [1.0] * 11
    assert both.layouts[MASK].tolist() == list(range(11))
    assert (both.contrast, both.ground, both.gains) == (0.5, 180.0, {"##.#": 0.8, MASK: 0.9})
    assert taught(lesson, None).layouts.keys() == {MASK}


def test_a_settled_photo_is_studied_and_one_that_says_something_else_is_not() -> None:
    picture = draw("286", LOOKS["plain"], 41, MASK)
    strip, display = rectify(picture.image, picture.corners), display_at(picture.corners, MASK)
    known = learn(strip, display)

    seen = study(strip, display, known, "286")

    assert seen is not None
    assert (seen.text, seen.mask, seen.dark) == ("286", MASK, True)
    assert seen.ratio[seen.shape].min() > 0.8 > 0.3 > seen.ratio[~seen.shape].max()
    assert study(strip, display, known, "288") is None
