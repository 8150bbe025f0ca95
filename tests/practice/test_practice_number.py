"""Digits, layouts and single drawn displays."""

import cv2
import numpy as np
import pytest

from frametally.errors import BadInput
from frametally.practice import STYLES, Hardness, draw_number, random_style
from frametally.practice.glyphs import Shape, bars_of, lay_out, outline, polygons, spread
from frametally.practice.number import mask_for

EASY = Hardness(tilt_deg=2.0, blur_px=0.5, noise=0.6, darkest=0.95)

# The usual hexadecimal table of seven-segment codes, bit 0 = a to bit 6 = g, 6 and 9 with tails: common practice, as in
# the data sheets of decoder chips (from memory).
CODES = {"0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07, "8": 0x7F, "9": 0x6F}


@pytest.mark.parametrize(("digit", "code"), CODES.items())
def test_digits_match_the_usual_code_table(digit: str, code: int) -> None:
    assert set(bars_of(digit, Shape())) == {name for bit, name in enumerate("abcdefg") if code >> bit & 1}


def test_variants_take_and_add_the_right_bars() -> None:
    # Data sheets of decoder chips: type 7447 draws 6 without its top and 9 without its bottom bar, type 74247 with (from memory).
    shape = Shape(tailed_six=False, tailed_nine=False, hooked_seven=True)
    assert (bars_of("6", shape), bars_of("9", shape), set(bars_of("7", shape))) == ("cdefg", "abcfg", set("abcf"))


@pytest.mark.parametrize(
    ("text", "mask", "expected"),
    [
        ("20.9", "##.#", ("209", False, True)),
        ("7.5", "##.#", (" 75", False, True)),
        ("-4.2", "-##.#", (" 42", True, True)),
        ("1", "###", ("  1", False, True)),
        ("OL", "###", (" OL", False, False)),
        ("---", "###", ("---", False, False)),
        ("13:57", "##:##", ("1357", False, True)),
    ],
)
def test_texts_take_their_places(text: str, mask: str, expected: tuple[str, bool, bool]) -> None:
    assert spread(text, mask) == expected


@pytest.mark.parametrize(
    ("text", "mask", "word"),
    [
        ("-4", "##", "sign"),
        ("4.25", "##.#", "point"),
        ("42", "##.#", "point"),
        ("1234", "###", "too long"),
        ("X", "##", "seven segments"),
    ],
)
def test_texts_that_do_not_fit_are_refused(text: str, mask: str, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        spread(text, mask)
    with pytest.raises(BadInput, match="cannot draw"):
        draw_number(text, STYLES["lcd-plain"].hand, np.random.default_rng(1), mask=mask)


@pytest.mark.parametrize("tip", ["hexagon", "mitred", "flat", "rounded"])
def test_bars_of_a_digit_stay_apart_and_inside_their_place(tip: str) -> None:
    shape = Shape(tip=tip, gap=0.03)  # type: ignore[arg-type]
    layout = lay_out("#", shape)
    scale = 400
    total = np.zeros((scale, scale), np.uint16)
    for polygon in polygons(layout, "8", "#")[0]:
        assert polygon.min() >= -1e-6
        assert polygon[:, 0].max() <= shape.aspect + 1e-6
        one = np.zeros((scale, scale), np.uint8)
        cv2.fillConvexPoly(one, np.round(polygon * scale).astype(np.int32), 1)
        total += one
    # Polygon edges on shared pixels apart, no pixel belongs to two bars; they fill a fair part of the box.
    assert (total > 1).mean() < 0.004
    assert 0.3 < (total > 0).sum() / (scale * scale * shape.aspect) < 0.8


def test_a_small_last_digit_stands_on_the_baseline() -> None:
    layout = lay_out("##.#", Shape(half_last=0.6), small_last=True)
    last = layout.digits[-1]
    assert last.height == 0.6
    assert last.y + last.height == pytest.approx(1.0)
    assert [d.height for d in layout.digits[:2]] == [1.0, 1.0]


@pytest.mark.parametrize("seed", range(40))
def test_a_point_never_touches_its_neighbours(seed: int) -> None:
    layout = lay_out("-##.#", random_style(np.random.default_rng(seed)).shape)
    point = next(p for p in layout.places if p.kind == ".")
    before, after = layout.digits[1], layout.digits[2]
    assert before.x + before.width < point.x
    assert point.x + point.width < after.x


@pytest.mark.parametrize("seed", range(30))
def test_corners_hold_all_digit_places_loosely(seed: int) -> None:
    rng = np.random.default_rng(seed)
    style = random_style(rng)
    # Drawn twice from the same state: eights everywhere against nothing at all shows where digits can be.
    images, corners = [], np.zeros((4, 2))
    for text in ("-88.8", ""):
        image, corners = draw_number(text, style, np.random.default_rng(seed + 100), 60, mask="-##.#", hardness=EASY)
        images.append(image.astype(np.float32).max(axis=2))
    changed = np.abs(cv2.GaussianBlur(images[0] - images[1], (0, 0), 1.0)) > 25
    if style.kind != "backlit":  # a backlight that is off changes the whole window
        ys, xs = np.nonzero(changed)
        assert len(xs) > 500
        distances = [
            cv2.pointPolygonTest(corners.astype(np.float32), (float(x), float(y)), True) for x, y in zip(xs, ys, strict=True)
        ]
        bloom = 9 if style.is_emissive else 0
        assert min(distances) > -bloom
    tall = np.linalg.norm(corners[3] - corners[0])
    assert 60 * 1.1 < tall < 60 * 1.45
    assert corners.min() > 0
    assert (corners.max(axis=0) < np.array(images[0].shape[::-1])).all()


def test_minus_is_drawn_left_of_the_digits_only_for_negative_values() -> None:
    style = STYLES["lcd-plain"].hand
    with_sign, without = (
        draw_number(text, style, np.random.default_rng(3), 60, mask="-##.#", hardness=EASY)[0].astype(np.float32).mean(axis=2)
        for text in ("-4.2", "4.2")
    )
    difference = cv2.GaussianBlur(without - with_sign, (0, 0), 1.0) > 40
    ys, xs = np.nonzero(difference)
    assert len(xs) > 60
    assert np.ptp(xs) > 2 * np.ptp(ys)  # one level bar
    digits = outline(lay_out("-##.#", style.shape))
    assert xs.max() < with_sign.shape[1] * 0.4
    assert digits[:, 0].min() >= -1e-6


@pytest.mark.parametrize("text", ["OL", "Lo", "Err", "----", "bAt", "HI", ""])
def test_status_words_and_nothing_can_be_drawn(text: str) -> None:
    image, corners = draw_number(text, STYLES["led-red"].hand, np.random.default_rng(2), mask="####")
    assert image.dtype == np.uint8
    assert image.ndim == 3
    assert corners.shape == (4, 2)
    assert (image.max() > 200) == (text != "")


def test_same_generator_same_pixels() -> None:
    def once() -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(9)
        return draw_number("17.3", random_style(rng), rng)

    (first, corners), (second, again) = once(), once()
    assert np.array_equal(first, second)
    assert np.array_equal(corners, again)


@pytest.mark.parametrize(
    ("text", "places", "mask"),
    [("20.9", None, "##.#"), ("-4.2", 3, "-##.#"), ("OL", 3, "###"), ("7", 3, "###"), ("12:30", None, "##:##")],
)
def test_masks_made_for_a_text(text: str, places: int | None, mask: str) -> None:
    assert mask_for(text, places) == mask
