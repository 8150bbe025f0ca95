"""From likely signs to likely texts: which can stand on a display, in which order, with which probability."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.read.glyphs import GLYPHS
from frametally.read.layout import Mask
from frametally.read.texts import candidates


def likely(*places: dict[str, float]) -> np.ndarray:
    """Log likelihoods with the given chances; every other sign has one in a million."""
    table = np.full((len(places), len(GLYPHS)), np.log(1e-6))
    for row, chances in zip(table, places, strict=True):
        for sign, chance in chances.items():
            row[GLYPHS.index(sign)] = np.log(chance)
    return table


def texts(found: list[tuple[str, str, float]]) -> list[str]:
    return [text for text, _, _ in found]


def test_the_likeliest_signs_make_the_first_text() -> None:
    found = candidates(likely({"1": 0.9}, {"3": 0.9}, {"7": 0.8, "1": 0.1}), Mask.parse("###"), ())

    assert texts(found)[:2] == ["137", "131"]
    assert found[0][1] == "137"
    assert found[0][2] / found[1][2] == pytest.approx(8)


@pytest.mark.parametrize(("mask", "text"), [("###", "209"), ("##.#", "20.9"), ("#.##", "2.09"), ("#:##", "2:09")])
def test_points_and_colons_come_from_the_mask(mask: str, text: str) -> None:
    assert texts(candidates(likely({"2": 0.9}, {"0": 0.9}, {"9": 0.9}), Mask.parse(mask), ()))[0] == text


def test_places_are_empty_only_in_front() -> None:
    leading = candidates(likely({" ": 0.9}, {"4": 0.9}, {"2": 0.9}), Mask.parse("###"), ())
    inner = candidates(likely({"4": 0.9}, {" ": 0.9}, {"2": 0.9}), Mask.parse("###"), ())

    assert (texts(leading)[0], leading[0][1]) == ("42", " 42")
    assert all(" " not in glyphs.strip() for _, glyphs, _ in inner)
    assert max(probability for *_, probability in inner) < 0.1


def test_before_a_point_a_digit_or_a_blank_may_stand_behind_it_a_digit() -> None:
    found = candidates(likely({" ": 0.9}, {" ": 0.9}, {"5": 0.9}), Mask.parse("##.#"), ())

    assert texts(found)[0] == ".5"


def test_words_stand_anywhere() -> None:
    middle = candidates(likely({"O": 0.9}, {"L": 0.9}, {" ": 0.9}), Mask.parse("###"), ("OL",))
    right = candidates(likely({" ": 0.9}, {"O": 0.9}, {"L": 0.9}), Mask.parse("###"), ("OL",))

    assert texts(middle)[0] == texts(right)[0] == "OL"
    assert (middle[0][1], right[0][1]) == ("OL ", " OL")


def test_only_the_given_words_are_looked_for() -> None:
    table = likely({"C": 0.9}, {"A": 0.9}, {"L": 0.9})

    assert "CAL" not in texts(candidates(table, Mask.parse("###"), ("OL",)))
    assert texts(candidates(table, Mask.parse("###"), ("OL", "Cal")))[0] == "CAL"


def test_words_too_long_or_beyond_seven_segments_are_no_words() -> None:
    found = candidates(likely({" ": 0.9}, {" ": 0.9}), Mask.parse("##"), ("OVER", "MX"))

    assert texts(found)[0] == ""
    assert not {"OVER", "MX"} & set(texts(found))


def test_nothing_lit_is_an_empty_text() -> None:
    assert texts(candidates(likely({" ": 0.99}, {" ": 0.99}, {" ": 0.99}), Mask.parse("###"), ("OL",)))[0] == ""


def test_a_sign_takes_its_own_chance() -> None:
    table = likely({"4": 0.9}, {"2": 0.9})

    assert texts(candidates(table, Mask.parse("-##"), (), np.array([0.97, 0.0])))[0] == "-42"
    assert texts(candidates(table, Mask.parse("-##"), (), np.array([0.03, 0.0])))[0] == "42"


def test_a_middle_bar_in_the_empty_place_is_part_of_the_sign() -> None:
    found = candidates(likely({"-": 0.9}, {"4": 0.9}), Mask.parse("-##"), (), np.array([0.0, 0.98]))

    assert (texts(found)[0], found[0][1]) == ("-4", " 4")


def test_bars_that_form_no_sign_leave_probability_over() -> None:
    """Every sign equally unlikely: whatever stands there, it is no text."""
    assert sum(probability for *_, probability in candidates(likely({}, {}, {}), Mask.parse("###"), ())) < 0.01


def every_number(table: np.ndarray, places: int) -> dict[str, float]:
    """All numbers of a mask without point, with their log likelihood: blanks in front, at least one digit, none after it."""
    found = {}
    for empty in range(places):
        for digits in itertools.product("0123456789", repeat=places - empty):
            glyphs = " " * empty + "".join(digits)
            found["".join(digits)] = sum(float(table[place, GLYPHS.index(glyph)]) for place, glyph in enumerate(glyphs))
    return found


@settings(max_examples=25, derandomize=True, database=None)
@given(seed=st.integers(0, 2**32 - 1), places=st.integers(1, 3))
def test_the_search_finds_what_trying_every_number_finds(seed: int, places: int) -> None:
    random = np.random.default_rng(seed)
    table = np.log(np.clip(random.dirichlet(np.full(len(GLYPHS), 0.15), places), 1e-9, 1))
    everything = every_number(table, places)

    found = candidates(table, Mask.parse("#" * places), (), count=5)
    numbers = [(text, probability) for text, _, probability in found if text.isdigit()]
    best = sorted(everything.values(), reverse=True)[: len(numbers)]

    assert [everything[text] for text, _ in numbers] == pytest.approx(best)
    ratios = [np.log(probability / numbers[0][1]) for _, probability in numbers]
    assert ratios == pytest.approx([score - best[0] for score in best])


@settings(max_examples=40, derandomize=True, database=None)
@given(seed=st.integers(0, 2**32 - 1), mask=st.sampled_from(["#", "###", "##.#", "-##.#", "##:##"]))
def test_probabilities_are_ordered_and_never_sum_to_more_than_one(seed: int, mask: str) -> None:
    random, parsed = np.random.default_rng(seed), Mask.parse(mask)
    table = np.log(np.clip(random.random((parsed.places, len(GLYPHS))), 1e-12, 1))
    signs = random.random(parsed.places) if parsed.sign else None

    chances = [probability for *_, probability in candidates(table, parsed, ("OL", "Err", "--"), signs)]

    assert chances == sorted(chances, reverse=True)
    assert all(0 <= chance <= 1 for chance in chances)
    assert sum(chances) <= 1 + 1e-9
