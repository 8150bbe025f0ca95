"""The sign table, the search for digit places, and what is measured on the bars found."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from read_pictures import LOOKS, as_corners, draw

from frametally.practice.glyphs import bars_of
from frametally.practice.glyphs import lay_out as draw_places
from frametally.read.glyphs import GLYPHS, OWNER, PATTERNS, SHAPES, likeliest_shape
from frametally.read.layout import BARS, HEIGHT, SLANT, STROKE, Mask
from frametally.read.places import Fit, find_places, follow_places
from frametally.read.rectify import PAD, STRIP_HEIGHT, Ink, Strip, rectify
from frametally.read.segments import (
    FLOOR_FOLLOWED,
    FLOOR_FOUND,
    Bars,
    bare_of,
    explained,
    lit_levels,
    measure,
    place_likelihoods,
    sign_chances,
)

# --- the table --------------------------------------------------------------------------------------------------------

# The usual hexadecimal codes of seven-segment digits, bit 0 = a to bit 6 = g, as decoder chips' data sheets give them; type
# 7447 draws 6 without its top and 9 without its bottom bar, type 74247 with (from memory).
CODES = {"0": 0x3F, "1": 0x06, "2": 0x5B, "3": 0x4F, "4": 0x66, "5": 0x6D, "6": 0x7D, "7": 0x07, "8": 0x7F, "9": 0x6F}
TAILLESS = {"6": 0x7C, "9": 0x67}
HOOKED = {"7": 0x27}
# Hexadecimal digits A to F as the 7-segment decoders with letters show them: A, b, C, d, E, F (from memory).
LETTERS = {"A": 0x77, "B": 0x7C, "C": 0x39, "D": 0x5E, "E": 0x79, "F": 0x71}


def bars_in(code: int) -> set[str]:
    return {bar for bit, bar in enumerate(BARS) if code >> bit & 1}


@pytest.mark.parametrize(("sign", "code"), [*CODES.items(), *TAILLESS.items(), *HOOKED.items(), *LETTERS.items()])
def test_signs_have_the_usual_bars(sign: str, code: int) -> None:
    assert bars_in(code) in [set(shape) for shape in SHAPES[sign]]


def test_digits_have_no_other_shapes_than_those_of_the_data_sheets() -> None:
    known = [(sign, bars_in(code)) for table in (CODES, TAILLESS, HOOKED) for sign, code in table.items()]

    assert [(sign, set(shape)) for sign in "0123456789" for shape in SHAPES[sign] if (sign, set(shape)) not in known] == []


def test_no_two_digits_share_a_shape() -> None:
    shapes = [frozenset(shape) for digit in "0123456789 -" for shape in SHAPES[digit]]

    assert len(shapes) == len(set(shapes))


def test_the_arrays_say_what_the_table_says() -> None:
    rebuilt: dict[str, set[frozenset[str]]] = {}
    for owner, pattern in zip(OWNER, PATTERNS, strict=True):
        rebuilt.setdefault(GLYPHS[owner], set()).add(frozenset(bar for bar, lit in zip(BARS, pattern, strict=True) if lit))

    assert rebuilt == {sign: {frozenset(shape) for shape in shapes} for sign, shapes in SHAPES.items()}


def test_of_a_signs_shapes_the_one_that_is_lit_is_taken() -> None:
    lit = np.array([0.0, 0.1, 1.0, 0.9, 1.0, 1.0, 0.8])  # cdefg

    assert {bar for bar, on in zip(BARS, likeliest_shape("6", lit), strict=True) if on} == set("cdefg")


# --- the search -------------------------------------------------------------------------------------------------------


def strip_of(text: str, look: str = "plain", seed: int = 3, mask: str = "###") -> Strip:
    picture = draw(text, LOOKS[look], seed, mask)
    return rectify(picture.image, picture.corners)


@pytest.mark.parametrize("look", LOOKS)
def test_the_search_finds_polarity_size_and_slant(look: str) -> None:
    fit = find_places(strip_of("258", look), Mask.parse("###"))
    shape = LOOKS[look].shape

    assert fit.ink.dark is (not LOOKS[look].is_emissive)
    assert 0.5 < fit.gain <= 1.2
    # The region is 8 to 15 % of the digits' height loose above and below: they fill 77 to 86 % of the strip.
    assert 0.72 * STRIP_HEIGHT < fit.layout[HEIGHT] < 0.92 * STRIP_HEIGHT
    assert fit.layout[STROKE] == pytest.approx(shape.thickness, abs=0.05)
    assert -0.06 < fit.layout[SLANT] < np.tan(np.radians(shape.slant_deg)) + 0.06


def test_the_search_is_the_same_every_time() -> None:
    strip, mask = strip_of("258"), Mask.parse("###")

    assert np.array_equal(find_places(strip, mask).layout, find_places(strip, mask).layout)


def test_known_places_are_followed() -> None:
    mask = Mask.parse("###")
    first = find_places(strip_of("258", "ghost"), mask)

    second = follow_places(strip_of("40", "ghost"), mask, first.layout, dark=True, contrast=first.ink.contrast)

    assert second.layout[HEIGHT] == pytest.approx(first.layout[HEIGHT], abs=4)
    assert second.gain > 0.5


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("text", ["258", "69", "714", "30"])
def test_lit_bars_stand_off_unlit_ones(look: str, text: str) -> None:
    """Against the practice room's own table of what it lit."""
    bars = measure(find_places(strip_of(text, look), Mask.parse("###")), Mask.parse("###"))
    truth = np.array([[bar in bars_of(c, LOOKS[look].shape) for bar in BARS] for c in text.rjust(3)])
    shares = bars.lit / lit_levels(bars.lit)[:, None]

    assert float(shares[truth].min()) > float(shares[~truth].max()) + 0.2
    assert bars.lit.shape == (3, 7)
    assert bars.x.shape == bars.y.shape == bars.profile.shape


def test_places_lie_at_the_drawn_pitch() -> None:
    shape = LOOKS["plain"].shape
    bars = measure(find_places(strip_of("888"), Mask.parse("###")), Mask.parse("###"))
    middles = bars.x.mean(axis=(1, 2))
    height = float((bars.y[:, 3].mean() - bars.y[:, 0].mean()) / (1 - shape.thickness))
    drawn = draw_places("###", shape).digits

    assert np.diff(middles) / height == pytest.approx(np.diff([place.x for place in drawn]), rel=0.06)


# --- likelihoods ------------------------------------------------------------------------------------------------------


def plain_fit(*, dark: bool = True, noise: float = 0.01) -> Fit:
    """A fit on a strip without anything: for what is measured is given by hand."""
    nothing = np.zeros((STRIP_HEIGHT + 2 * PAD, 100), np.float32)
    ink = Ink(map=nothing, contrast=0.7, noise=noise, dark=dark, ground=nothing, usual=180.0, glare=0.0, brightness=nothing)
    return Fit(np.zeros(11), ink, 0.9)


def bars_lit(*shapes: str, unlit: float = 0.02) -> Bars:
    lit = np.array([[0.98 if bar in shape else unlit for bar in BARS] for shape in shapes])
    points = np.zeros((*lit.shape, 7))
    return Bars(lit, np.repeat(lit[..., None], 7, axis=-1), points, points, np.full(len(shapes), 10.0))


def best(likelihoods: np.ndarray) -> str:
    return "".join(GLYPHS[int(row.argmax())] for row in likelihoods)


NOTHING_VEILED = np.zeros((1, 7), bool)


@pytest.mark.parametrize("digit", "0123456789")
def test_every_shape_of_a_digit_makes_it_the_likeliest(digit: str) -> None:
    for shape in SHAPES[digit]:
        likelihoods = place_likelihoods(bars_lit(shape), plain_fit(), NOTHING_VEILED, FLOOR_FOUND)
        others = [likelihoods[0, GLYPHS.index(d)] for d in "0123456789 " if d != digit]

        assert float(likelihoods[0, GLYPHS.index(digit)]) > max(others) + 5


@pytest.mark.parametrize("floor", [FLOOR_FOUND, FLOOR_FOLLOWED])
def test_no_bar_outvotes_all_others(floor: float) -> None:
    """One bar wrong costs the logarithm of the floor, no more; so 8 against 0 is known to the floor's odds."""
    likelihoods = place_likelihoods(bars_lit("abcdefg"), plain_fit(), NOTHING_VEILED, floor)[0]

    assert likelihoods[GLYPHS.index("8")] - likelihoods[GLYPHS.index("0")] == pytest.approx(np.log((1 - floor) / floor))


def test_the_more_ink_on_a_bar_the_likelier_it_is_lit() -> None:
    odds = []
    for ink in np.linspace(0.3, 0.95, 14):
        bars = bars_lit("abcdef")
        bars.lit[0, BARS.index("g")] = ink
        row = place_likelihoods(bars, plain_fit(), NOTHING_VEILED, FLOOR_FOUND)[0]
        odds.append(float(row[GLYPHS.index("8")] - row[GLYPHS.index("0")]))

    assert all(later >= earlier - 1e-9 for earlier, later in itertools.pairwise(odds))
    assert odds[2] < 0 < odds[9]  # ink of 0.4 and of 0.75


def test_noise_makes_the_same_bars_less_telling() -> None:
    def odds(noise: float) -> float:
        bars = bars_lit("abcdef")
        bars.lit[0, BARS.index("g")] = 0.3
        row = place_likelihoods(bars, plain_fit(noise=noise), NOTHING_VEILED, FLOOR_FOUND)[0]
        return float(row[GLYPHS.index("0")] - row[GLYPHS.index("8")])

    assert odds(0.01) > odds(0.3) > 0


def test_glare_on_dark_segments_says_nothing_of_bars_that_do_not_show() -> None:
    veiled = np.array([[bar == "g" for bar in BARS]])
    row = place_likelihoods(bars_lit("abcdef"), plain_fit(), veiled, FLOOR_FOUND)[0]

    assert row[GLYPHS.index("0")] == pytest.approx(row[GLYPHS.index("8")])


def test_glare_cannot_darken_a_bar_that_shows() -> None:
    veiled = np.array([[bar == "g" for bar in BARS]])
    row = place_likelihoods(bars_lit("abcdefg"), plain_fit(), veiled, FLOOR_FOUND)[0]

    assert row[GLYPHS.index("8")] > row[GLYPHS.index("0")] + 3


def test_glare_on_bright_segments_says_nothing_at_all() -> None:
    veiled = np.array([[bar == "g" for bar in BARS]])
    row = place_likelihoods(bars_lit("abcdefg"), plain_fit(dark=False), veiled, FLOOR_FOUND)[0]

    assert row[GLYPHS.index("0")] == pytest.approx(row[GLYPHS.index("8")])


def test_a_place_follows_its_own_light_down_to_a_limit() -> None:
    """A digit in half shade is lit all the same; what is fainter than that beside a full digit is a place that is off."""
    levels = lit_levels(np.array([[1.0, 1, 1, 1, 1, 1, 1], [0.75, 0.75, 0.75, 0, 0, 0, 0], [0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1]]))

    assert levels[0] == pytest.approx(1.0)
    assert levels[1] == pytest.approx(0.75)
    assert 0.5 < levels[2] < 0.75


# --- what is left over ------------------------------------------------------------------------------------------------


def test_a_right_reading_explains_its_ink_and_a_wrong_one_does_not() -> None:
    mask = Mask.parse("###")
    fit = find_places(strip_of("258"), mask)
    bars = measure(fit, mask)

    right, wrong = (explained(fit, bars, mask, bare_of(fit, bars, text)) for text in ("258", "21 "))

    assert (right > 0.85).all()
    assert wrong[0] == pytest.approx(right[0], abs=0.05)
    assert (wrong[1:] < 0.6).all()


def test_a_decimal_point_is_no_ink_left_over() -> None:
    mask = Mask.parse("##.#")
    fit = find_places(strip_of("20.9", mask="##.#"), mask)
    bars = measure(fit, mask)

    assert (explained(fit, bars, mask, bare_of(fit, bars, "209")) > 0.8).all()


# --- the sign ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", LOOKS)
def test_a_minus_is_seen_left_of_the_first_digit_only_where_it_stands(look: str) -> None:
    mask = Mask.parse("-##.#")
    chances = {}
    for text in ("-13.7", "13.7"):
        fit = find_places(strip_of(text, look, 5, "-##.#"), mask)
        chances[text] = float(sign_chances(fit, measure(fit, mask))[0])

    assert chances["-13.7"] > 0.9
    assert chances["13.7"] < 0.1


def test_a_letter_is_no_minus() -> None:
    """What has ink above or below it, as the arms of a printed letter do, is no sign."""
    mask = Mask.parse("-##")
    plain = draw("42", replace(LOOKS["plain"], shape=replace(LOOKS["plain"].shape, sign_width=1.0)), 5, "-##")
    image = plain.image.copy()
    corners = np.array(plain.corners)
    left, top = corners[0] + 0.09 * (corners[1] - corners[0]) + 0.12 * (corners[3] - corners[0])
    right, bottom = corners[0] + 0.2 * (corners[1] - corners[0]) + 0.88 * (corners[3] - corners[0])
    image[round(top) : round(bottom) : 10, round(left) : round(right)] = 30
    for row in range(5):
        image[round(top) + row : round(bottom) : 10, round(left) : round(right)] = 30
    fit = find_places(rectify(image, as_corners(corners)), mask)

    assert float(sign_chances(fit, measure(fit, mask))[0]) <= 0.5
