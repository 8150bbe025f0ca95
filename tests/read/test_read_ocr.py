"""Tesseract: what it is given, what is made of its answer, and what where it crashes, hangs or is missing."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytesseract
import pytest
from read_pictures import printed, strip_of

from frametally.read.layout import Mask
from frametally.read.line import find_line
from frametally.read.ocr import PREPARATIONS, ask, fit_to_mask, fit_to_masks, prepare, tesseract_version
from frametally.read.rectify import ink_of

Require = Callable[[str | Path, str], Path]

SHELL = Path("/bin/sh")


def pages_of(image: np.ndarray) -> list[np.ndarray]:
    ink = ink_of(strip_of(image), dark=True)
    return prepare(ink, find_line(ink))


def test_the_version_is_told(require: Require) -> None:
    require("tesseract", "it is the Debian package tesseract-ocr")

    assert tesseract_version().split(".")[0].isdigit()


def test_plain_print_is_read_on_most_pages(require: Require) -> None:
    require("tesseract", "it is the Debian package tesseract-ocr")
    texts = [text for text, _ in ask(pages_of(printed("417"))).values()]

    assert texts.count("417") >= 4


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
def test_a_program_that_fails_says_nothing(program: Callable[[str], Path], script: str) -> None:
    program(script)

    assert ask(pages_of(printed("25"))) == {}


def test_a_program_that_hangs_is_left_alone_in_time(program: Callable[[str], Path]) -> None:
    program("exec sleep 60")

    started = time.monotonic()

    assert ask(pages_of(printed("25")), 0.5) == {}
    assert time.monotonic() - started < 20  # one call of half a second, on a machine that has other work


def test_a_page_is_as_sure_as_its_least_sure_word(program: Callable[[str], Path]) -> None:
    program(words(("2", 80), ("5", 35)))

    assert ask(pages_of(printed("25"))) == {0: ("25", pytest.approx(0.35))}


def test_every_preparation_is_a_page_of_one_call(program: Callable[[str], Path], tmp_path: Path) -> None:
    program(f'echo call >> "{tmp_path}/calls"; cp "$1" "{tmp_path}/pages"; {words(("25", 90))}')

    ask(pages_of(printed("25")))

    assert (tmp_path / "calls").read_text().split() == ["call"]
    assert len((tmp_path / "pages").read_text().split()) == len(PREPARATIONS)


def test_a_missing_program_says_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pytesseract.pytesseract, "tesseract_cmd", str(tmp_path / "not there"))

    assert ask(pages_of(printed("25"))) == {}
    assert tesseract_version() == ""


def test_a_program_that_may_not_be_run_says_nothing(program: Callable[[str], Path]) -> None:
    program("exit 0").chmod(0o644)

    assert ask(pages_of(printed("25"))) == {}
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

    ask(pages_of(printed("25")))

    assert (tmp_path / "seen").read_text() == expected
    assert os.environ["OMP_THREAD_LIMIT"] == expected


# --- what goes in and comes out ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("dark", [True, False])
def test_tesseract_gets_dark_characters_on_white(dark: bool) -> None:
    ink = ink_of(strip_of(printed("25", dark=dark)), dark=dark)
    for page in prepare(ink, find_line(ink)):
        assert (page.dtype, page.ndim) == (np.uint8, 2)
        assert (page[:14] == 255).all()
        assert float(np.median(page)) > 230
        assert int(page.min()) < 60
        tall = np.flatnonzero((page < 128).any(axis=1))
        assert 20 <= len(tall) <= 37  # digits of 24 to 32 px, blurred


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
        ("26.30", "##.#", "26.3"),  # what follows the last place is a unit's letter
        ("2.63", "##.##", "2.63"),
        ("26.3", "#.##", ""),  # the point stands elsewhere
        ("48.5", "###", ""),  # a point where the display has none
        ("2026-03-14", "########", "20260314"),
    ],
)
def test_what_was_read_is_written_into_the_mask(text: str, mask: str, fitted: str) -> None:
    assert fit_to_mask(text, Mask.parse(mask)) == fitted


@pytest.mark.parametrize(
    ("text", "fitted"),
    [("7.35", "7.35"), ("20.9", "20.9"), ("412", "412"), ("OL", "OL"), ("Err", "ERR"), ("ppm", ""), ("123456", "")],
)
def test_of_several_masks_the_one_counts_that_takes_most_signs_as_they_stand(text: str, fitted: str) -> None:
    masks = [Mask.parse(mask) for mask in ("##.#", "#.##", "###")]

    assert fit_to_masks(text, masks, ("OL", "Err")) == fitted
