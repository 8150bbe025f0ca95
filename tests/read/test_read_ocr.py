"""Text displays through Tesseract: what it reads, and what happens where it crashes, hangs, lies or is not there."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytesseract
import pytest
from PIL import Image, ImageDraw, ImageFont

from frametally.model import Flag
from frametally.read import read_display
from frametally.read.layout import Mask
from frametally.read.ocr import NOTHING, SURE_AT_MOST, OcrAnswer, fit_to_mask, prepare, read_text, tesseract_version
from frametally.read.rectify import STRIP_HEIGHT, Strip, rectify

Require = Callable[[str | Path, str], Path]

SHELL = Path("/bin/sh")


def printed(text: str, *, dark: bool = True) -> np.ndarray:
    """A printed-looking screen: Pillow's own font, 44 px."""
    canvas = Image.new("L", (40 + 26 * len(text), 76), 215 if dark else 25)
    ImageDraw.Draw(canvas).text((20, 12), text, font=ImageFont.load_default(size=44), fill=30 if dark else 235)
    return np.asarray(canvas.convert("RGB"), np.uint8)


def dotted(text: str) -> np.ndarray:
    """A dot-matrix screen: strokes of single dots, 4 px apart, softened as a photo softens them."""
    small = np.zeros((22, 16 * len(text) + 8), np.uint8)
    cv2.putText(small, text, (4, 17), cv2.FONT_HERSHEY_PLAIN, 1.2, 255, 1)
    dots = np.kron(small, np.pad(np.ones((3, 3), np.uint8), (0, 1)))
    level = 205 - 165 * (cv2.GaussianBlur(dots, (0, 0), 1.0) / 255.0)
    return np.repeat(level.astype(np.uint8)[..., None], 3, axis=2)


def strip_of(image: np.ndarray) -> Strip:
    rows, columns = image.shape[:2]
    return rectify(image, ((0, 0), (columns, 0), (columns, rows), (0, rows)))


# --- with the real program --------------------------------------------------------------------------------------------


@pytest.fixture
def tesseract(require: Require) -> Path:
    return require("tesseract", "it is the Debian package tesseract-ocr")


@pytest.mark.parametrize("dark", [True, False])
def test_printed_numbers_are_read_but_never_for_sure(tesseract: Path, dark: bool) -> None:
    texts = ["20.9", "13.4", "57.2", "86.0", "41.7"]
    readings = [read_display(printed(text, dark=dark), digits="##.#", kind="text") for text in texts]

    assert sum(reading.text == text for reading, text in zip(readings, texts, strict=True)) >= 4
    assert all(reading.reader == "ocr" for reading in readings)
    assert all(reading.confidence <= SURE_AT_MOST < 0.98 for reading in readings)


def test_a_dot_matrix_is_read(tesseract: Path) -> None:
    texts = ["258", "407", "613", "920", "384"]
    readings = [read_display(dotted(text), digits="###", kind="text").text for text in texts]

    assert sum(reading == text for reading, text in zip(readings, texts, strict=True)) >= 3, readings


def test_an_empty_text_display_is_unreadable(tesseract: Path) -> None:
    reading = read_display(np.full((80, 200, 3), 200, np.uint8), digits="###", kind="text")

    assert (reading.value, reading.flag) == (None, Flag.UNREADABLE)
    assert reading.confidence < 0.5


def test_the_version_is_told(tesseract: Path) -> None:
    assert tesseract_version().split(".")[0].isdigit()


# --- programs that do not do as they should ---------------------------------------------------------------------------


@pytest.fixture
def program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, require: Require) -> Callable[[str], Path]:
    """Puts a shell script in Tesseract's place; $2 is the name its answer should have, less ".tsv"."""
    require(SHELL, "the stand-ins for Tesseract are shell scripts")

    def install(script: str) -> Path:
        path = tmp_path / "tesseract"
        path.write_text(f'#!/bin/sh\nif [ "$1" = --version ]; then echo "tesseract 5.3.0"; exit 0; fi\n{script}\n')
        path.chmod(0o755)
        monkeypatch.setattr(pytesseract.pytesseract, "tesseract_cmd", str(path))
        return path

    return install


HEADER = r"level\tpage_num\tblock_num\tpar_num\tline_num\tword_num\tleft\ttop\twidth\theight\tconf\ttext"


def words(*found: tuple[str, float]) -> str:
    """Give a script that answers with these words and how sure Tesseract says it is, 0 to 100."""
    rows = "".join(rf"5\t1\t1\t1\t1\t{n}\t1\t1\t9\t9\t{sure}\t{text}\n" for n, (text, sure) in enumerate(found, 1))
    return f"printf '{HEADER}\\n{rows}' > \"$2.tsv\""


@pytest.mark.parametrize(
    "script",
    [
        pytest.param("echo 'it hurts' >&2; exit 3", id="crash"),
        pytest.param("kill -SEGV $$", id="killed"),
        pytest.param("exit 0", id="no answer"),
        pytest.param(': > "$2.tsv"', id="an empty answer"),
        pytest.param(f"printf '{HEADER}\\n' > \"$2.tsv\"", id="only a header"),
        pytest.param("printf 'nothing of the kind\\n' > \"$2.tsv\"", id="another header"),
        pytest.param("printf 'a\\tb\\n1\\t2\\n' > \"$2.tsv\"", id="other columns"),
        pytest.param("printf '\\377\\376\\000' > \"$2.tsv\"", id="no text"),
        pytest.param(words(("25", -1)), id="no confidence"),
        pytest.param(words(("", 95), ("  ", 95)), id="empty words"),
    ],
)
def test_a_program_that_fails_gives_a_neutral_answer(program: Callable[[str], Path], script: str) -> None:
    program(script)

    assert read_text(strip_of(printed("25")), Mask.parse("##")) == NOTHING


def test_a_program_that_hangs_is_left_alone_in_time(program: Callable[[str], Path]) -> None:
    program("exec sleep 60")

    started = time.monotonic()
    answer = read_text(strip_of(printed("25")), Mask.parse("##"), timeout_s=0.5)

    assert answer == NOTHING
    assert time.monotonic() - started < 20  # two polarities at half a second each, on a machine that has other work


def test_a_program_that_is_sure_is_still_not_believed(program: Callable[[str], Path]) -> None:
    program(words(("88", 100)))

    assert read_text(strip_of(printed("25")), Mask.parse("##")) == OcrAnswer("88", SURE_AT_MOST)


def test_a_text_is_as_sure_as_its_least_sure_word(program: Callable[[str], Path]) -> None:
    program(words(("2", 80), ("5", 35)))

    assert read_text(strip_of(printed("25")), Mask.parse("##")) == OcrAnswer("25", pytest.approx(0.35))


def test_more_digits_than_places_are_no_reading(program: Callable[[str], Path]) -> None:
    program(words(("12345", 99)))

    assert read_text(strip_of(printed("25")), Mask.parse("##")).text == ""


def test_a_missing_program_gives_a_neutral_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pytesseract.pytesseract, "tesseract_cmd", str(tmp_path / "not there"))

    assert read_text(strip_of(printed("25")), Mask.parse("##")) == NOTHING
    assert read_display(printed("25"), digits="##", kind="text").flag is Flag.UNREADABLE
    assert tesseract_version() == ""


def test_a_program_that_may_not_be_run_gives_a_neutral_answer(program: Callable[[str], Path]) -> None:
    program("exit 0").chmod(0o644)

    assert read_text(strip_of(printed("25")), Mask.parse("##")) == NOTHING
    assert tesseract_version() == ""


def test_a_program_without_a_version_has_none(program: Callable[[str], Path]) -> None:
    program("").write_text("#!/bin/sh\necho something else\n")

    assert tesseract_version() == ""


@pytest.mark.parametrize(("users", "expected"), [(None, "1"), ("3", "3")])
def test_tesseract_keeps_to_one_thread_unless_the_user_says_otherwise(
    program: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, users: str | None, expected: str
) -> None:
    monkeypatch.setenv("OMP_THREAD_LIMIT", users or "")  # so that it is put back as it was
    if users is None:
        monkeypatch.delenv("OMP_THREAD_LIMIT")
    program(f'printf "%s" "$OMP_THREAD_LIMIT" > "{tmp_path}/seen"; exit 1')

    read_text(strip_of(printed("25")), Mask.parse("##"))

    assert (tmp_path / "seen").read_text() == expected
    assert os.environ["OMP_THREAD_LIMIT"] == expected


# --- what goes in and comes out ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("dark", [True, False])
def test_tesseract_gets_dark_characters_on_white(dark: bool) -> None:
    page = prepare(strip_of(printed("25", dark=dark)), dark=dark)

    assert (page.dtype, page.ndim) == (np.uint8, 2)
    assert page.shape[0] == round(0.75 * STRIP_HEIGHT) + 48
    assert (page[:20] == 255).all()
    assert float(np.median(page)) > 230
    assert int(page.min()) < 60


@pytest.mark.parametrize(
    ("text", "mask", "fitted"),
    [
        ("20.9", "##.#", "20.9"),
        ("209", "##.#", "20.9"),
        ("2O9", "##.#", "20.9"),
        ("I3.4", "##.#", "13.4"),
        ("7.5", "##.#", "7.5"),
        ("9", "##.#", ""),  # one digit cannot have a place behind the point
        ("-4.2", "-##.#", "-4.2"),
        ("-4.2", "##.#", "4.2"),
        ("12345", "###", ""),
        ("1357", "##:##", "13:57"),
        ("OL", "###", "OL"),
        ("Err.", "###", "Err"),
        ("----", "####", "----"),
        ("", "###", ""),
    ],
)
def test_what_was_read_is_written_into_the_mask(text: str, mask: str, fitted: str) -> None:
    assert fit_to_mask(text, Mask.parse(mask)) == fitted


def test_segments_that_give_up_ask_tesseract_and_stay_doubtful(program: Callable[[str], Path]) -> None:
    """A printed number on a display that was said to have segments: no more than even odds, whatever Tesseract says."""
    program(words(("374", 96)))
    random = np.random.default_rng(4)
    cloth = cv2.GaussianBlur(random.normal(0, 1, (90, 170)), (0, 0), 4)
    image = np.clip(128 + 400 * cloth, 0, 255).astype(np.uint8)

    reading = read_display(image, digits="###")

    assert reading.confidence <= 0.5
    assert all(rival.probability <= 0.5 for rival in reading.rivals)
