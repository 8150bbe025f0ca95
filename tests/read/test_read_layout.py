"""A digits mask taken apart, and where a layout expects the bars of every place."""

from __future__ import annotations

import numpy as np
import pytest

from frametally.read.layout import (
    ASPECT,
    BARS,
    BOTTOM,
    GAP,
    HEIGHT,
    PARAMETERS,
    POINT_GAP,
    RIGHT,
    SLANT,
    SMALL,
    SMALL_ASPECT,
    STROKE,
    TILT,
    Mask,
    first_layouts,
    plausibility,
    sample_points,
)
from frametally.read.rectify import PAD, STRIP_HEIGHT

SHAPE = (STRIP_HEIGHT + 2 * PAD, 200 + 2 * PAD)
MASKS = ("#", "###", "##.#", "#.##", "-##.#", "####", "##:##", "###.#")


def layout(**numbers: float) -> np.ndarray:
    """One layout of upright digits 80 px tall and 40 px wide, 20 px apart, strokes 8 px thick."""
    usual = {
        "right": 190.0,
        "bottom": 97.0,
        "height": 80.0,
        "aspect": 0.5,
        "gap": 0.25,
        "slant": 0.0,
        "tilt": 0.0,
        "point_gap": 0.0,
        "small": 1.0,
        "small_aspect": 1.0,
        "stroke": 0.1,
    }
    assert tuple(usual) == PARAMETERS
    return np.array([list((usual | numbers).values())])


def middles(mask: str, **numbers: float) -> tuple[np.ndarray, np.ndarray]:
    """The middle of every bar: x and y of shape (places, 7)."""
    points = sample_points(layout(**numbers), Mask.parse(mask), 5, SHAPE)
    return points.x[0].mean(axis=-1), points.y[0].mean(axis=-1)


# --- masks ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "places", "sign", "after", "breaks", "marks"),
    [
        ("###", 3, False, None, (), ""),
        ("##.#", 3, False, 1, (2,), "."),
        ("-##.#", 3, True, 1, (2,), "."),
        ("#.##", 3, False, 2, (1,), "."),
        ("##:##", 4, False, None, (2,), ":"),
        ("#", 1, False, None, (), ""),
        ("#:##.#", 4, False, 1, (1, 3), ":."),
    ],
)
def test_a_mask_taken_apart(text: str, places: int, sign: bool, after: int | None, breaks: tuple[int, ...], marks: str) -> None:
    assert Mask.parse(text) == Mask(text, places, sign, after, breaks, marks)


@pytest.mark.parametrize(
    ("mask", "fitting", "others"),
    [
        ("###", ["0", "42", "137"], ["-42", "4.2", "1370", "", "OL", "-"]),
        ("-##.#", ["4.2", "-4.2", "13.7", "-13.7", ".5"], ["42", "137", "1.37", "113.7"]),
        ("#.##", ["1.37", "0.04", ".04"], ["13.7", "0.4", "04"]),
        ("##:##", ["12:30", "7:05"], ["1230", "12.30"]),
    ],
)
def test_what_a_mask_writes(mask: str, fitting: list[str], others: list[str]) -> None:
    taken_apart = Mask.parse(mask)

    assert [text for text in fitting if not taken_apart.writes(text)] == []
    assert [text for text in others if taken_apart.writes(text)] == []


# --- where the bars lie -----------------------------------------------------------------------------------------------


def test_bars_of_an_upright_digit_lie_where_the_trade_puts_them() -> None:
    """Letters clockwise from the top, g in the middle: the naming of decoder chips' data sheets (common practice)."""
    x, y = middles("#")
    at = {bar: (float(x[0, i]), float(y[0, i])) for i, bar in enumerate(BARS)}

    # The digit's box is 150 to 190 across and 17 to 97 down; centre lines run half a stroke (4 px) inside it.
    assert at["a"] == pytest.approx((170, 21))
    assert at["b"] == pytest.approx((186, 39))
    assert at["c"] == pytest.approx((186, 75))
    assert at["d"] == pytest.approx((170, 93))
    assert at["e"] == pytest.approx((154, 75))
    assert at["f"] == pytest.approx((154, 39))
    assert at["g"] == pytest.approx((170, 57))


def test_holes_are_the_middles_of_the_two_halves() -> None:
    points = sample_points(layout(), Mask.parse("#"), 5, SHAPE)

    assert points.hole_x[0, 0] == pytest.approx([170, 170])
    assert sorted(points.hole_y[0, 0]) == pytest.approx([39, 75])


def test_places_follow_each_other_at_width_and_gap() -> None:
    x, _ = middles("###")

    assert np.diff(x, axis=0) == pytest.approx(np.full((2, 7), 60.0))


def test_a_point_makes_room_before_its_place() -> None:
    plain, _ = middles("##.#")
    roomy, _ = middles("##.#", point_gap=0.2)

    moved = roomy - plain
    assert moved[:2] == pytest.approx(np.zeros((2, 7)))  # "right" is the edge of the last place before the point
    assert moved[2] == pytest.approx(np.full(7, 16.0))


def test_digits_behind_the_point_can_be_smaller_on_the_same_base_line() -> None:
    x, y = middles("##.#", small=0.5)

    assert y[2, BARS.index("d")] == pytest.approx(y[1, BARS.index("d")], abs=2)
    height = y[:, BARS.index("d")] - y[:, BARS.index("a")]
    assert height[2] == pytest.approx(0.5 * height[1], rel=0.1)
    assert x[2, BARS.index("b")] - x[2, BARS.index("f")] < 0.6 * (x[1, BARS.index("b")] - x[1, BARS.index("f")])


def test_a_slant_moves_tops_to_the_right() -> None:
    upright, _ = middles("#")
    leaning, _ = middles("#", slant=0.2)

    moved = leaning - upright
    assert moved[0, BARS.index("a")] == pytest.approx(0.2 * 76)
    assert moved[0, BARS.index("d")] == pytest.approx(0.2 * 4)


def test_a_tilt_lowers_the_right() -> None:
    _, level = middles("###")
    _, tilted = middles("###", tilt=0.05)

    fall = (tilted - level).mean(axis=1)
    assert np.diff(fall) == pytest.approx([3.0, 3.0])


def test_lengths_are_shares_of_the_strips_height() -> None:
    points = sample_points(layout(), Mask.parse("#"), 3, SHAPE)

    assert points.length[0, 0, BARS.index("a")] == pytest.approx((40 - 8) / SHAPE[0])
    assert points.length[0, 0, BARS.index("b")] == pytest.approx((40 - 8) / SHAPE[0])
    assert points.stroke[0, 0] == pytest.approx(8.0)


@pytest.mark.parametrize("mask", MASKS)
def test_many_layouts_at_once_are_each_on_its_own(mask: str) -> None:
    parsed = Mask.parse(mask)
    several = first_layouts(parsed, SHAPE, 6, bool(parsed.after), np.random.default_rng(1))
    together = sample_points(several, parsed, 3, SHAPE)

    assert together.x.shape == together.y.shape == (6, parsed.places, 7, 3)
    for number in range(6):
        alone = sample_points(several[number : number + 1], parsed, 3, SHAPE)
        assert np.allclose(alone.x[0], together.x[number])
        assert np.allclose(alone.y[0], together.y[number])


# --- what layouts can be ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mask", MASKS)
@pytest.mark.parametrize("small_last", [False, True])
def test_first_layouts_are_drawn_from_the_given_numbers(mask: str, small_last: bool) -> None:
    parsed = Mask.parse(mask)
    one, two, other = (first_layouts(parsed, SHAPE, 300, small_last, np.random.default_rng(seed)) for seed in (5, 5, 6))

    assert one.shape == (300, len(PARAMETERS))
    assert np.isfinite(one).all()
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)
    assert (one[:, HEIGHT] > 0.5 * STRIP_HEIGHT).all()
    assert (one[:, HEIGHT] <= STRIP_HEIGHT).all()
    assert ((one[:, SMALL] < 1) == small_last).all()
    if not parsed.breaks:
        assert (one[:, POINT_GAP] == 0).all()


def test_a_usual_layout_is_plausible_and_every_oddity_costs() -> None:
    mask = Mask.parse("###")
    usual = layout(right=PAD + 190.0, bottom=PAD + 90.0, gap=0.3)
    assert float(plausibility(usual, mask, SHAPE)[0]) == pytest.approx(0, abs=0.2)

    odd = {ASPECT: 1.2, GAP: 0.01, SLANT: 0.6, TILT: 0.2, STROKE: 0.4, SMALL: 0.2, SMALL_ASPECT: 2.0, RIGHT: 90.0, BOTTOM: 60.0}
    for column, value in odd.items():
        strange = usual.copy()
        strange[0, column] = value
        assert float(plausibility(strange, mask, SHAPE)[0]) > 1, PARAMETERS[column]
