"""Text displays: what network, drawn digits and Tesseract say together, when the slow one is asked, and who settles what."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from read_pictures import dotted, printed, strip_of

from frametally.clean.rules import settle
from frametally.model import Display, Flag, Method, Reading
from frametally.practice import SCREENS, draw_text
from frametally.read import read_display
from frametally.read import voices as room
from frametally.read.judging import FAINTEST, LEAST_CONTRAST
from frametally.read.layout import Mask
from frametally.read.prints import NO_PRINT, Print
from frametally.read.reader import read_strip
from frametally.read.rectify import rectify
from frametally.read.verdict import ONE_SIDED
from frametally.read.voices import ALONE, CONTESTED, NOTHING, OFF, Heard, look, packaged_weights, read_text, weigh

Require = Callable[[str | Path, str], Path]
Pages = dict[int, tuple[str, float]]

CLEAR = Print("25", 0.9, 0.4)
NETWORK = (("25", 0.999), ("26", 0.0005))


@pytest.fixture
def tesseract(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, int], list[int]]:
    """Puts a stand-in in Tesseract's place that reads one text on so many pages; gives how many pages each call had."""

    def install(text: str, pages: int) -> list[int]:
        calls: list[int] = []

        def ask(asked: Sequence[np.ndarray], timeout_s: float) -> Pages:
            calls.append(len(asked))
            return dict.fromkeys(range(pages), (text, 0.9))

        monkeypatch.setattr(room, "ask", ask)
        return calls

    return install


def a_display(digits: str | tuple[str, ...], quantity: str = "reading", **more: object) -> Display:
    corners = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))
    return Display(key="d", quantity=quantity, unit="", corners=corners, digits=digits, kind="text", **more)  # type: ignore[arg-type]


# --- drawn displays ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", ["easy", "moderate", "hard"])
@pytest.mark.parametrize("with_tesseract", [True, False])
def test_drawn_text_displays_are_read_or_doubted(
    level: str, with_tesseract: bool, require: Require, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The height is in `weights/text.json`; this holds the floor on displays that the weights were not fitted on."""
    if with_tesseract:
        require("tesseract", "it is the Debian package tesseract-ocr")
    else:
        monkeypatch.setattr(room, "ask", lambda pages, timeout_s: {})
    exact, sure, count = 0, 0, 0
    for number, screen in enumerate(SCREENS * 3):
        shown = draw_text(np.random.default_rng([77, number]), screen, level)
        first, second, third, fourth = ((float(x), float(y)) for x, y in shown.corners)
        answer = read_text(rectify(shown.image, (first, second, third, fourth)), Mask.parse(shown.mask))
        exact += answer.text == shown.text
        sure += answer.confidence >= 0.98
        count += 1
        assert answer.confidence < 0.98 or answer.text == shown.text, (screen, shown.text, answer)
        assert sum(p for _, p in answer.rivals) <= 1 + 1e-9
    assert exact >= 0.9 * count
    assert sure >= {"easy": 0.8, "moderate": 0.7, "hard": 0.4}[level] * count


@pytest.mark.parametrize("dark", [True, False])
def test_plain_print_needs_no_tesseract(tesseract: Callable[[str, int], list[int]], dark: bool) -> None:
    calls = tesseract("88.8", 6)
    texts = ["20.9", "13.4", "57.2", "86.0", "41.7"]
    readings = [read_display(printed(text, dark=dark), digits="##.#", kind="text") for text in texts]

    settled = [reading for reading in readings if reading.confidence >= 0.98]
    assert [reading.text for reading in readings] == texts
    assert len(settled) >= 3
    assert len(calls) == len(texts) - len(settled)
    assert {reading.reader for reading in readings} == {"ocr"}


def test_a_dot_matrix_is_read_or_doubted() -> None:
    for text in ("258", "407", "613", "920", "384"):
        reading = read_display(dotted(text), digits="###", kind="text")
        assert reading.text == text or reading.confidence < 0.98


def test_several_masks_are_one_question(tesseract: Callable[[str, int], list[int]]) -> None:
    calls = tesseract("", 0)
    for text in ("20.9", "7.35", "468"):
        assert read_display(printed(text), digits=("##.#", "#.##", "###"), kind="text").text == text
    noise = np.random.default_rng(4).normal(128, 40, (90, 240)).clip(0, 255).astype(np.uint8)
    before = len(calls)
    read_display(cv2.GaussianBlur(noise, (0, 0), 3), digits=("##.#", "#.##", "###"), kind="text")

    assert len(calls) - before <= 1


# --- off, words, clocks -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ground", [15, 90, 200])
def test_a_text_display_that_is_off_is_blank(tesseract: Callable[[str, int], list[int]], ground: int) -> None:
    calls = tesseract("11", 6)
    grain = np.random.default_rng(ground).normal(ground, 2, (80, 200)).clip(0, 255)
    reading = read_display(grain.astype(np.uint8), digits="###", kind="text")

    assert (reading.text, reading.value, reading.flag) == ("", None, Flag.BLANK)
    assert not calls


def test_nothing_to_see_under_a_bright_light_is_no_display_that_is_off(tesseract: Callable[[str, int], list[int]]) -> None:
    tesseract("", 0)
    image = np.full((80, 200, 3), 60, np.uint8)
    image[:, 60:150] = 255
    reading = read_display(cv2.GaussianBlur(image, (0, 0), 8), digits="###", kind="text")

    assert reading.flag is not Flag.BLANK
    assert reading.confidence < 0.98


def test_a_faint_number_is_not_off() -> None:
    image = (200 - (215 - printed("47.2").astype(np.float32)) * 0.05).clip(0, 255).astype(np.uint8)

    assert read_text(strip_of(image), Mask.parse("##.#")).text == "47.2"


@pytest.mark.parametrize(("seed", "number"), [(2, 10), (7, 5)])
def test_a_number_too_faint_to_be_sure_of_is_not_off(tesseract: Callable[[str, int], list[int]], seed: int, number: int) -> None:
    tesseract("", 0)
    rng = np.random.default_rng([73, 2, seed])
    drawn = [draw_text(rng, "char-lcd", "hard") for _ in range(number)][-1]
    strip = rectify(drawn.image, drawn.corners)
    reading = read_strip(strip, a_display(drawn.mask))

    assert FAINTEST < look(strip, [Mask.parse(drawn.mask)], ()).inks[0].contrast < LEAST_CONTRAST
    assert reading.flag is not Flag.BLANK
    assert reading.confidence < 0.9 or reading.text == drawn.text


def test_a_word_is_taken_for_what_it_means(tesseract: Callable[[str, int], list[int]]) -> None:
    tesseract("OL", 6)
    reading = read_strip(strip_of(printed("OL")), a_display("###"))

    assert (reading.text, reading.value, reading.flag) == ("OL", None, Flag.OVER_RANGE)


@pytest.mark.parametrize(
    ("text", "quantity", "flag"),
    [("12:30", "clock", Flag.OK), ("12:75", "clock", Flag.DOUBTFUL), ("12:30", "reading", Flag.UNREADABLE)],
)
def test_a_time_is_a_proper_reading_of_a_clock_alone(text: str, quantity: str, flag: Flag) -> None:
    reading = read_strip(strip_of(printed(text)), a_display("##:##", quantity))

    assert (reading.text, reading.value, reading.flag) == (text, None, flag)


def test_a_clock_in_view_stays_ok_without_a_value_through_the_night() -> None:
    display = a_display("##:##", "clock")
    readings = [read_strip(strip_of(printed(f"22:{minute}")), display) for minute in (14, 24, 37, 47, 58)]
    settled = settle(readings, [0.0, 10.0, 23.0, 33.0, 44.0], display, Method().doubtful_below)

    assert [(item.value, item.flag) for item in settled] == [(None, Flag.OK)] * 5


# --- who settles what -------------------------------------------------------------------------------------------------


def test_two_voices_that_agree_are_sure() -> None:
    for heard in (Heard(NETWORK, CLEAR), Heard(NETWORK, NO_PRINT, (("25", 0.9),) * 6), Heard(NETWORK, CLEAR, (("25", 0.9),) * 6)):
        answer = weigh(heard)
        assert answer.text == "25"
        assert answer.confidence >= 0.98


@pytest.mark.parametrize(
    "heard",
    [
        pytest.param(Heard(NETWORK), id="network"),
        pytest.param(Heard((), CLEAR), id="drawn digits"),
        pytest.param(Heard((), NO_PRINT, (("25", 0.95),) * 6), id="Tesseract"),
        pytest.param(Heard(NETWORK, NO_PRINT, (("25", 0.95),) * 2 + (("2", 0.1),)), id="few of Tesseract's pages"),
    ],
)
def test_what_one_voice_alone_says_is_never_sure(heard: Heard) -> None:
    assert weigh(heard).confidence <= ALONE < 0.98


def test_what_another_plainly_denies_is_a_doubt() -> None:
    assert weigh(Heard(NETWORK, NO_PRINT, (("26", 0.9),) * 6)).confidence <= CONTESTED
    assert weigh(Heard(NETWORK, Print("26", 0.9, 0.4))).confidence <= CONTESTED
    assert weigh(Heard(NETWORK, CLEAR, (("26", 0.9),) * 6)).confidence <= ONE_SIDED
    assert weigh(Heard(NETWORK, Print("26", 0.9, 0.4), (("25", 0.9),) * 6)).confidence <= ONE_SIDED


def test_no_voice_is_no_reading() -> None:
    assert weigh(Heard()) == NOTHING
    assert weigh(Heard((("", 0.99),))) == NOTHING
    assert (NOTHING.off, OFF.off) == (False, True)


_TEXTS = st.sampled_from(["25", "26", "85", "2", ""])
_CHANCES = st.floats(0, 1)


@given(
    st.dictionaries(_TEXTS, _CHANCES, max_size=4), st.tuples(_TEXTS, _CHANCES, st.floats(-1, 1)),
    st.lists(st.tuples(_TEXTS.filter(bool), _CHANCES), max_size=12),
)  # fmt: skip
def test_probabilities_are_in_order_and_within_one(
    network: dict[str, float], printed_as: tuple[str, float, float], said: list[tuple[str, float]]
) -> None:
    total = max(1.0, sum(network.values()))
    rated = sorted(((text, chance / total) for text, chance in network.items()), key=lambda item: -item[1])
    heard = Heard(tuple(rated), Print(*printed_as), tuple(said))
    answer = weigh(heard)

    chances = [chance for _, chance in answer.rivals]
    assert sum(chances) <= 1 + 1e-9
    assert chances == sorted(chances, reverse=True)
    assert answer.confidence <= packaged_weights().surest
    if answer.confidence >= 0.98:
        names = [rated[0][0] if rated else "", printed_as[0], *{text for text, _ in said}]
        assert names.count(answer.text) >= 2


def test_segments_that_give_up_ask_the_text_reader_and_stay_doubtful(monkeypatch: pytest.MonkeyPatch) -> None:
    """A printed number on a display that was said to have segments: a doubt with no more than even odds, however sure the text
    reader is. Glare may have made the segments give up, and what it hides is not for the neighbours in a night to fill in."""
    given_up = Reading("", None, 0.0, Flag.UNREADABLE)
    monkeypatch.setattr("frametally.read.reader.read_segments", lambda strip, display, known, view: given_up)
    reading = read_strip(strip_of(printed("374")), a_display("###").model_copy(update={"kind": "segments"}))

    assert (reading.text, reading.reader) == ("374", "ocr")
    assert reading.flag is Flag.DOUBTFUL
    assert reading.confidence <= 0.5
    assert all(rival.probability <= 0.5 for rival in reading.rivals)
