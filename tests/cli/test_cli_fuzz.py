"""Broken photos, broken calibrations, broken tables: always a sentence and the right exit code, never a changed input."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from cli_calls import Caller, copy_frames, state_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent.parent
CALIBRATION = ROOT / "calibration" / "canal_boat.toml"
HEAD = "[[instrument.display]]"
LINES = CALIBRATION.read_text(encoding="utf-8").split("\n")
OPTIONAL = ("title", "range", "resolution", "accuracy", "kind", "status")


# --- photos --------------------------------------------------------------------------------------------------------------


def spoil(path: Path, how: str) -> None:
    """Make a photo into something that is none, or not this night's."""
    data = path.read_bytes()
    match how:
        case "truncated":
            path.write_bytes(data[: len(data) // 2])
        case "only a head":
            path.write_bytes(data[:700])
        case "zero-byte":
            path.write_bytes(b"")
        case "text":
            path.write_text("This is no photo.\n", encoding="utf-8")
        case "zeros behind the half":
            path.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2))
        case "30,000 px wide PNG":
            path.write_bytes(cv2.imencode(".png", np.zeros((8, 30_000, 3), np.uint8))[1].tobytes())
        case "a folder":
            path.unlink()
            path.mkdir()
        case "a link to nowhere":
            path.unlink()
            path.symlink_to(path.with_name("nowhere.jpg"))
        case "no permission":
            path.chmod(0)


SPOILED = ("truncated", "only a head", "zero-byte", "text", "zeros behind the half", "30,000 px wide PNG")


@pytest.mark.parametrize("how", SPOILED)
def test_one_bad_photo_is_a_row(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path, how: str) -> None:
    spoil(frames / "cabin_0060.jpg", how)
    before = state_of(frames, calibration_path)
    ended = calls("read", frames, "-c", calibration_path, "-o", tmp_path / "results")
    assert ended.code == 0
    assert "cabin_0060.jpg" in ended.err
    with (tmp_path / "results" / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["frame"]: row for row in csv.DictReader(file)}
    assert len(rows) == 4
    assert (rows["cabin_0060.jpg"]["co_ppm"], rows["cabin_0060.jpg"]["co_ppm_flag"]) == ("", "no_frame")
    assert (rows["cabin_0015.jpg"]["co_ppm"], rows["cabin_0015.jpg"]["co_ppm_flag"]) == ("40", "ok")  # as truth.csv has it
    assert state_of(frames, calibration_path) == before


@pytest.mark.parametrize("how", SPOILED)
def test_only_bad_photos(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path, how: str) -> None:
    for path in frames.iterdir():
        spoil(path, how)
    before = state_of(frames)
    ended = calls("run", frames, "-c", calibration_path, "-o", tmp_path / "results")
    assert ended.code == (4 if how == "30,000 px wide PNG" else 3)  # those are whole photos, but not of this calibration
    assert state_of(frames) == before


@pytest.mark.parametrize("how", ["a folder", "a link to nowhere", "no permission"])
def test_what_cannot_be_opened(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path, how: str) -> None:
    path = frames / "cabin_0060.jpg"
    spoil(path, how)
    if how == "no permission":
        try:
            path.read_bytes()
        except PermissionError:
            pass
        else:
            pytest.skip("this user may read everything")
    before = sorted(frames.rglob("*"))
    ended = calls("read", frames, "-c", calibration_path, "-o", tmp_path / "results")
    assert ended.code == 0
    if how != "a folder":
        assert "cabin_0060.jpg" in ended.err
    assert sorted(frames.rglob("*")) == before


def test_photos_without_exif_have_no_times_but_readings(
    calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path
) -> None:
    for path in frames.iterdir():
        with Image.open(path) as image:
            image.load()
        image.save(path, quality=95)
    ended = calls("read", frames, "-c", calibration_path, "-o", tmp_path / "results")
    assert ended.code == 0
    assert "Give --start and --every" in ended.err
    given_times = ("--start", "2026-10-30T21:40:00+00:00", "--every", "240")
    ended = calls("read", frames, "-c", calibration_path, "-o", tmp_path / "results", *given_times)
    assert ended.code == 0
    with (tmp_path / "results" / "readings.csv").open(encoding="utf-8", newline="") as file:
        assert next(csv.DictReader(file))["time"] == "2026-10-30T21:40:00+00:00"


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_bytes_in_place_of_a_photo(data: st.DataObject, calls: Caller, sample_frames: Path, tmp_path: Path) -> None:
    folder = copy_frames(sample_frames, (1,), tmp_path / "frames")
    whole = (folder / "cabin_0001.jpg").read_bytes()
    start = data.draw(st.integers(0, 400) | st.integers(0, len(whole)))
    content = whole[:start] + data.draw(st.binary(max_size=200)) + whole[start + data.draw(st.integers(0, 200)) :]
    suffix = data.draw(st.sampled_from([".jpg", ".png", ".tif", ".webp", ".heic", ".JPEG"]))
    for old in folder.glob("other*"):
        old.unlink()
    (folder / f"other{suffix}").write_bytes(content)
    one_display = tmp_path / "one_display.toml"
    one_display.write_text(HEAD.join(CALIBRATION.read_text(encoding="utf-8").split(HEAD)[:2]), encoding="utf-8")
    before = state_of(folder)
    assert calls("read", folder, "-c", one_display, "-o", tmp_path / "results").code == 0
    assert state_of(folder) == before


# --- calibrations --------------------------------------------------------------------------------------------------------


def one_frame(tmp_path: Path, sample_frames: Path) -> Path:
    return copy_frames(sample_frames, (1,), tmp_path / "frames")


def key_of(line: str) -> str:
    found = re.match(r"\s*(\w+) = ", line)
    return found[1] if found else ""


def meaningful() -> Iterator[int]:
    """Give the lines that say something; of the optional keys the first of each, for they all end the same."""
    seen: set[str] = set()
    for number, line in enumerate(LINES):
        key = key_of(line)
        if not line.strip() or line.startswith("#") or (key in OPTIONAL and key in seen):
            continue
        seen.add(key)
        yield number


def call_with(calls: Caller, text: str, tmp_path: Path, sample_frames: Path) -> tuple[int, str]:
    calibration = tmp_path / "calibration.toml"
    calibration.write_text(text, encoding="utf-8")
    frames = one_frame(tmp_path, sample_frames)
    before = state_of(frames, calibration)
    ended = calls("read", frames, "-c", calibration, "-o", tmp_path / "results", "--fresh")
    assert state_of(frames, calibration) == before
    assert bool(ended.err) == (ended.code != 0)
    return ended.code, ended.err


@pytest.mark.parametrize("number", list(meaningful()), ids=lambda number: f"line{number + 1}")
def test_calibration_without_one_line(calls: Caller, tmp_path: Path, sample_frames: Path, number: int) -> None:
    text = "\n".join([*LINES[:number], *LINES[number + 1 :]])
    code, told = call_with(calls, text, tmp_path, sample_frames)
    if key_of(LINES[number]) in OPTIONAL:
        assert code == 0
    else:
        assert code == 2
        assert "calibration.toml" in told
        assert key_of(LINES[number]) in told


VALUES = ('"ä"', '""', "-1", "nan", "true", "[]", "{}", "[[[]]]", "1e999", "2026-10-30", "", "'", "=", "10" * 200)
FITTING = {'"ä"': ("title", "name", "quantity", "unit"), "{}": ("accuracy", "status")}
"""Values that another key than the one meant for them may have all the same."""


@pytest.mark.parametrize("value", VALUES)
def test_calibration_with_one_value_replaced(calls: Caller, tmp_path: Path, sample_frames: Path, value: str) -> None:
    ends: dict[str, int] = {}
    for number in meaningful():
        key = key_of(LINES[number])
        if not key or key in ends:
            continue
        line = re.sub(r" = .*", lambda _: f" = {value}", LINES[number])
        ends[key], told = call_with(calls, "\n".join([*LINES[:number], line, *LINES[number + 1 :]]), tmp_path, sample_frames)
        assert ends[key] != 2 or "calibration.toml" in told
    fitting = ("title", "unit") if value == '""' else FITTING.get(value, ())
    expected = {key: 0 if key in fitting else 2 for key in ends}
    if value == '"ä"':
        expected["reference_frame"] = 4
    assert ends == expected


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_calibration_with_any_bytes_in_it(data: st.DataObject, calls: Caller, tmp_path: Path, sample_frames: Path) -> None:
    whole = CALIBRATION.read_bytes()
    start = data.draw(st.integers(300, len(whole)))
    calibration = tmp_path / "calibration.toml"
    calibration.write_bytes(whole[:start] + data.draw(st.binary(min_size=1, max_size=20)) + whole[start:])
    frames = one_frame(tmp_path, sample_frames)
    before = state_of(frames, calibration)
    assert calls("read", frames, "-c", calibration, "-o", tmp_path / "results", "--fresh").code in (0, 2, 4)
    assert state_of(frames, calibration) == before


# --- tables and what stands in a results folder --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "is empty"),
        (b"\n\n", "empty"),
        (b"time,co_ppm\n", "no rows"),
        (b"time;co_ppm\n2026-10-30T22:00:00;5\n", "semicolons"),
        (b"time,co_ppm\n2026-10-30T22:00:00,5,6,7\n2026-10-30T22:10:00,5\n", "as many cells"),
        (b"time,co_ppm\nyesterday,5\n", "yesterday"),
        (b"time,co_ppm,co_ppm_flag\n2026-10-30T22:00:00,5,maybe\n", "maybe"),
        (b"a,b\n1,2\n", ""),
        (b"\xff\xfe\x00t\x00i", "UTF-8"),
        (b"time,co_ppm\n\"2026-10-30T22:00:00,5\n", ""),
        (bytes(range(256)), ""),
        (b"\x00" * 50, ""),
    ],
)  # fmt: skip
def test_tables_that_are_none(calls: Caller, tmp_path: Path, content: bytes, told: str) -> None:
    table = tmp_path / "logger.csv"
    table.write_bytes(content)
    ended = calls("assess", table, "-o", tmp_path / "results")
    assert ended.code == 2
    assert told in ended.err
    assert not (tmp_path / "results").exists()
    assert table.read_bytes() == content


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(content=st.binary(max_size=60) | st.text(max_size=60).map(lambda text: text.encode("utf-8", "replace")))
def test_table_of_any_bytes(content: bytes, calls: Caller, tmp_path: Path) -> None:
    table = tmp_path / "logger.csv"
    table.write_bytes(b"time,co_ppm\n2026-10-30T22:00:00,5\n" + content)
    assert calls("assess", table, "-o", tmp_path / "results").code in (0, 2)
    table.write_bytes(content)
    assert calls("assess", table, "-o", tmp_path / "results").code in (0, 2)


@pytest.mark.parametrize("name", ["journal.jsonl", "night.json", "calibration.toml", "trial.toml", "corrections.csv"])
@pytest.mark.parametrize("how", ["cut", "empty", "text", "missing"])
def test_report_of_a_damaged_results_folder(
    calls: Caller, results: Path, leave_out_charts: Callable[[], None], name: str, how: str
) -> None:
    leave_out_charts()
    (results / "corrections.csv").write_text("frame,display,from,to,who,when,note\n", encoding="utf-8")
    path = results / name
    data = path.read_bytes()
    {
        "cut": lambda: path.write_bytes(data[: len(data) * 2 // 3]),
        "empty": lambda: path.write_bytes(b""),
        "text": lambda: path.write_text("nothing of the kind", encoding="utf-8"),
        "missing": path.unlink,
    }[how]()
    ended = calls("report", results)
    may_be_missing = name in ("trial.toml", "corrections.csv") and how == "missing"
    assert ended.code == (0 if may_be_missing or (name, how) == ("corrections.csv", "empty") else 2)
    assert ended.code == 0 or str(results) in ended.err


def test_report_with_another_calibration_than_the_readings(
    calls: Caller, results: Path, leave_out_charts: Callable[[], None]
) -> None:
    leave_out_charts()
    copy = results / "calibration.toml"
    text = copy.read_text(encoding="utf-8")
    copy.write_text(text.replace('name = "wall unit"', 'name = "unit on the wall"'), encoding="utf-8")
    assert calls("report", results).code == 0  # a name changes no reading
    copy.write_text(text.replace('digits = "##.#"', 'digits = "###"'), encoding="utf-8")
    ended = calls("report", results)
    assert ended.code == 2
    assert "not the one" in ended.err
