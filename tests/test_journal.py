"""The journal: what was appended comes back exactly, whatever moment the run was stopped at, and nothing is ever lost."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
import multiprocessing
import os
import signal
import subprocess
import sys
import textwrap
import time
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from frametally.corrections import AS_READ, COLUMNS, TO_FLAGS
from frametally.errors import BadInput
from frametally.journal import (
    Correction,
    Journal,
    JournalHeader,
    Lessons,
    append_correction,
    is_same,
    latest_corrections,
    load_corrections,
    load_journal,
    record_from_dict,
    record_to_dict,
    rounded,
    stream_records,
)
from frametally.model import Flag, FrameRecord, Reading, Rival, Shift

HEADER = JournalHeader(version="0.1.0", calibration="c" * 64, method="m" * 64, reference="r" * 64, source="sample_frames")


def record(number: int, *, sha256: str = "s", problem: str = "") -> FrameRecord:
    """Draw a record with numbers of more decimals than the journal keeps."""
    reading = Reading(
        text="20.9",
        value=20.9,
        confidence=0.9876543210123,
        flag=Flag.OK,
        rivals=(Rival("20.9", 20.9, 0.9876543210123), Rival("OL", None, 1 / 300)),
        reader="segments",
        sharpness=math.pi,
    )
    return FrameRecord(
        frame=f"cabin_{number:04d}.jpg",
        time=datetime(2026, 10, 30, 21, 40, tzinfo=UTC) + timedelta(minutes=4 * number),
        bytes=1000 + number,
        sha256=sha256,
        problem=problem,
        shift=None if problem else Shift(1 / 3, -2 / 3, -0.00001, 1.0000123456, 0.987654321),
        quality={} if problem else {"o2_pct": 1 / 7},
        readings={} if problem else {"o2_pct": reading},
    )


def filled(path: Path, count: int) -> bytes:
    with Journal.open(path, HEADER) as journal:
        for number in range(count):
            journal.append(record(number))
    return path.read_bytes()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "results" / "journal.jsonl"


# --- records ---------------------------------------------------------------------------------------------------------

texts = st.text(max_size=8)
floats = st.floats(allow_nan=False, allow_infinity=False)
shares = st.floats(0, 1)
maybe = st.none() | floats
rivals = st.builds(Rival, text=texts, value=maybe, probability=shares)
readings = st.builds(
    Reading,
    text=texts,
    value=maybe,
    confidence=shares,
    flag=st.sampled_from(Flag),
    rivals=st.lists(rivals, max_size=3).map(tuple),
    reader=st.sampled_from(["segments", "ocr", "none"]),
    sharpness=floats,
)
offsets = st.none() | st.integers(-840, 840).map(lambda minutes: timezone(timedelta(minutes=minutes)))
records = st.builds(
    FrameRecord,
    frame=texts,
    time=st.none() | st.datetimes(timezones=offsets),
    bytes=st.integers(0, 2**50),
    sha256=texts,
    problem=texts,
    shift=st.none() | st.builds(Shift, *[floats] * 5),
    quality=st.dictionaries(texts, shares, max_size=2),
    readings=st.dictionaries(texts, readings, max_size=2),
)


@given(records)
def test_record_comes_back_exactly(given_record: FrameRecord) -> None:
    back = record_from_dict(json.loads(json.dumps(record_to_dict(given_record))))
    assert back == given_record
    assert given_record.time is None or (back.time is not None and back.time.utcoffset() == given_record.time.utcoffset())


@given(records)
def test_rounding_twice_is_rounding_once(given_record: FrameRecord) -> None:
    once = rounded(given_record)
    assert rounded(once) == once
    assert record_from_dict(json.loads(json.dumps(record_to_dict(once)))) == once


def test_rounding_has_its_decimals_and_no_negative_zero() -> None:
    kept = rounded(record(3))
    assert kept.shift == Shift(0.333, -0.667, 0.0, 1.00001, 0.9877)
    assert kept.shift is not None
    assert math.copysign(1, kept.shift.rotation_deg) == 1
    assert kept.quality == {"o2_pct": 0.1429}
    reading = kept.readings["o2_pct"]
    assert (reading.confidence, reading.sharpness) == (0.987654, 3.142)
    assert [rival.probability for rival in reading.rivals] == [0.987654, 0.003333]


def test_numpy_numbers_become_plain_ones(path: Path) -> None:
    given_record = dataclasses.replace(
        record(0),
        bytes=np.int64(7),
        quality={"o2_pct": np.float32(0.5)},
        readings={"o2_pct": Reading("7", np.float32(7), np.float64(0.25), Flag.OK, (Rival("7", np.int64(7), np.float32(0.25)),))},
    )
    with Journal.open(path, HEADER) as journal:
        kept = journal.append(given_record)
    assert load_journal(path)[1] == {"cabin_0000.jpg": kept}
    assert type(kept.bytes) is int
    assert type(kept.readings["o2_pct"].rivals[0].value) is float


# --- append and go on ------------------------------------------------------------------------------------------------


def test_what_is_appended_is_known_and_comes_back(path: Path) -> None:
    given_records = [record(0), record(1, problem="the file is empty"), record(2)]
    with Journal.open(path, HEADER) as journal:
        assert journal.known == {}
        kept = [journal.append(one) for one in given_records]
    assert kept == [rounded(one) for one in given_records]
    header, known = load_journal(path)
    assert header == HEADER
    assert list(known.values()) == kept
    with Journal.open(path, HEADER) as journal:
        assert journal.known == known
    assert list(stream_records(path)) == kept
    assert [entry.name for entry in path.parent.iterdir()] == ["journal.jsonl"], "no lock file stays behind"


def test_lines_are_plain_json_one_per_frame(path: Path) -> None:
    lines = filled(path, 3).decode("utf-8").splitlines()
    assert json.loads(lines[0])["journal"]["format"] == 1
    assert [json.loads(line)["frame"] for line in lines[1:]] == ["cabin_0000.jpg", "cabin_0001.jpg", "cabin_0002.jpg"]
    assert json.loads(lines[1])["time"] == "2026-10-30T21:40:00+00:00"


def test_stopped_at_any_byte_and_gone_on_gives_the_same_journal(tmp_path: Path) -> None:
    whole = filled(tmp_path / "whole.jsonl", 2)
    path = tmp_path / "stopped.jsonl"
    for cut in range(len(whole)):
        path.write_bytes(whole[:cut])
        with Journal.open(path, HEADER) as journal:
            assert len(journal.known) == max(0, whole[:cut].count(b"\n") - 1)
            for number in range(2):
                if f"cabin_{number:04d}.jpg" not in journal.known:
                    journal.append(record(number))
        assert path.read_bytes() == whole


def test_reader_of_a_journal_that_is_being_written_sees_whole_lines_and_changes_nothing(path: Path) -> None:
    whole = filled(path, 3)
    path.write_bytes(whole[:-10])
    assert list(load_journal(path)[1]) == ["cabin_0000.jpg", "cabin_0001.jpg"]
    assert path.read_bytes() == whole[:-10]


def test_frame_that_was_read_again_counts_as_read_last(path: Path) -> None:
    filled(path, 2)
    with Journal.open(path, HEADER) as journal:
        assert is_same(journal.known["cabin_0001.jpg"], 1001, "s")
        assert not is_same(journal.known["cabin_0001.jpg"], 1001, "other")
        assert not is_same(journal.known["cabin_0001.jpg"], 1002, "s")
        journal.append(record(1, sha256="other"))
    assert load_journal(path)[1]["cabin_0001.jpg"].sha256 == "other"
    assert [one.sha256 for one in stream_records(path)] == ["s", "s", "other"]


LESSONS = Lessons("made of these frames", {"o2_pct": {"contrast": 0.25, "masks": {}}})
SECOND = Reading("20.8", 20.8, 0.99123456789, Flag.OK, (Rival("20.8", 20.8, 0.99123456789),), "segments", 12.34567)


def test_second_readings_stand_beside_the_first_ones(path: Path) -> None:
    filled(path, 2)
    with Journal.open(path, HEADER) as journal:
        assert journal.lessons is None
        with pytest.raises(ValueError, match="no second readings without lessons"):
            journal.append_again("cabin_0001.jpg", {"o2_pct": SECOND})
        journal.append_lessons(LESSONS)
        journal.append_again("cabin_0001.jpg", {"o2_pct": SECOND})
        journal.append_again("cabin_0001.jpg", {"co_ppm": SECOND})
        known = dict(journal.known)
    first = rounded(record(1))
    assert dataclasses.replace(known["cabin_0001.jpg"], again={}) == first
    assert known["cabin_0000.jpg"].again == {}
    assert known["cabin_0001.jpg"].again.keys() == {"o2_pct", "co_ppm"}
    assert known["cabin_0001.jpg"].again["o2_pct"].confidence == 0.991235
    assert load_journal(path)[1] == known
    assert list(stream_records(path)) == [rounded(record(0)), first], "what was read first, and that alone"
    with Journal.open(path, HEADER) as journal:
        assert (journal.known, journal.lessons) == (known, LESSONS)


def test_second_readings_count_with_their_lessons_and_their_photo_alone(path: Path) -> None:
    filled(path, 2)
    with Journal.open(path, HEADER) as journal:
        journal.append_lessons(LESSONS)
        for frame in ("cabin_0000.jpg", "cabin_0001.jpg", "cabin_0009.jpg"):
            journal.append_again(frame, {"o2_pct": SECOND})
        journal.append(record(1, sha256="another photo by the same name"))
        assert {frame: set(one.again) for frame, one in journal.known.items()} == {
            "cabin_0000.jpg": {"o2_pct"},
            "cabin_0001.jpg": set(),
        }
        journal.append_lessons(Lessons("made of other frames"))
        assert not any(one.again for one in journal.known.values())
        assert load_journal(path)[1] == journal.known


def test_lessons_that_were_changed_are_told(path: Path) -> None:
    with Journal.open(path, HEADER) as journal:
        journal.append_lessons(LESSONS)
    path.write_bytes(path.read_bytes().replace(b"0.25", b"0.75"))
    with pytest.raises(BadInput, match="line 2 is damaged"):
        load_journal(path)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL")
def test_killed_while_writing_loses_no_finished_line(path: Path) -> None:
    program = textwrap.dedent("""
        import sys
        from pathlib import Path
        from frametally.journal import Journal, JournalHeader
        from frametally.model import FrameRecord
        with Journal.open(Path(sys.argv[1]), JournalHeader("0.1.0", "c" * 64, "m" * 64, "r" * 64)) as journal:
            for number in range(10**9):
                journal.append(FrameRecord(str(number), None, number, "s", "x" * 3000, None, {}, {}))
                print(number, flush=True)
    """)
    with subprocess.Popen([sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for _ in range(50):
            process.stdout.readline()
        process.send_signal(signal.SIGKILL)
        told = process.stdout.read().split()
    with Journal.open(path, HEADER) as journal:
        assert len(journal.known) >= 50 + len(told)
        assert list(journal.known) == [str(number) for number in range(len(journal.known))]


def test_hundred_thousand_frames_are_read_in_seconds(path: Path) -> None:
    path.parent.mkdir()
    lines = filled(path, 2).splitlines(keepends=True)
    with path.open("wb") as file:
        file.write(lines[0])
        for number in range(100_000):
            file.write(lines[1].replace(b"cabin_0000", b"cabin_%06d" % number))
    began_s = time.process_time()
    count = sum(1 for _ in stream_records(path))
    assert count == 100_000
    assert time.process_time() - began_s < 15  # about 1.5 s on a common computer; room for a busy one


# --- headers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("calibration", "another calibration"),
        ("method", "another method"),
        ("reference", "another reference frame"),
        ("reader", "another version of the reader"),
    ],
)
def test_journal_of_another_making_is_not_continued(path: Path, name: str, words: str) -> None:
    before = filled(path, 2)
    with pytest.raises(BadInput) as caught:
        Journal.open(path, dataclasses.replace(HEADER, **{name: "other"}))
    assert words in str(caught.value)
    assert "--fresh" in str(caught.value)
    assert path.read_bytes() == before


def test_another_program_version_and_source_are_continued(path: Path) -> None:
    before = filled(path, 1)
    with Journal.open(path, dataclasses.replace(HEADER, version="0.1.7", source="/elsewhere")) as journal:
        assert len(journal.known) == 1
        assert journal.header == HEADER
    assert path.read_bytes() == before


def test_newer_format_is_not_continued(path: Path) -> None:
    path.parent.mkdir()
    path.write_bytes(filled(path, 1).replace(b'"format":1', b'"format":2'))
    with pytest.raises(BadInput, match="has format 2"):
        Journal.open(path, HEADER)


def test_fresh_keeps_every_older_journal(path: Path) -> None:
    first = filled(path, 1)
    with Journal.open(path, HEADER, fresh=True) as journal:
        assert journal.known == {}
        journal.append(record(7))
    second = path.read_bytes()
    Journal.open(path, dataclasses.replace(HEADER, calibration="other"), fresh=True).close()
    assert path.with_name("journal.1.jsonl").read_bytes() == first
    assert path.with_name("journal.2.jsonl").read_bytes() == second
    path.with_name("journal.1.jsonl").unlink()
    Journal.open(path, HEADER, fresh=True).close()
    assert path.with_name("journal.3.jsonl").exists(), "the numbers go on, so that they tell the order"


# --- damage ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "broken", [b"{}", b"[]", b"not json", b"\x00\x00", b'{"frame":1}', b"\xff\xfe", b"", b"[" * 100_000, b'"text"', b"7"]
)
@pytest.mark.parametrize("number", [1, 2, 4])
def test_damaged_line_is_told_with_its_number_and_nothing_is_changed(path: Path, number: int, broken: bytes) -> None:
    lines = filled(path, 3).splitlines(keepends=True)
    lines[number - 1] = broken + b"\n"
    path.write_bytes(b"".join(lines))
    for act in (lambda: Journal.open(path, HEADER), lambda: load_journal(path), lambda: list(stream_records(path))):
        with pytest.raises(BadInput, match=rf"journal\.jsonl, line {number} is damaged.*--fresh|has format None"):
            act()
    assert path.read_bytes() == b"".join(lines)
    assert not path.with_suffix(".lock").exists()


def test_line_deleted_as_told_is_read_again(path: Path) -> None:
    lines = filled(path, 3).splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:2] + lines[3:]))
    with Journal.open(path, HEADER) as journal:
        assert list(journal.known) == ["cabin_0000.jpg", "cabin_0002.jpg"]


def test_no_journal_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"there is no journal\.jsonl"):
        load_journal(tmp_path / "journal.jsonl")
    (tmp_path / "journal.jsonl").touch()
    with pytest.raises(BadInput, match="is empty"):
        load_journal(tmp_path / "journal.jsonl")


def test_results_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "results").touch()
    with pytest.raises(BadInput, match="cannot be written to"):
        Journal.open(tmp_path / "results" / "journal.jsonl", HEADER)


def test_journal_that_is_a_folder_is_told(path: Path) -> None:
    path.mkdir(parents=True)
    with pytest.raises(BadInput, match="cannot be"):
        Journal.open(path, HEADER)
    assert not path.with_suffix(".lock").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is always full")
def test_full_disk_is_told_and_the_lock_let_go(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    with Journal.open(path, HEADER) as journal:
        journal._file.close()
        journal._file = open("/dev/full", "wb", buffering=0)  # noqa: PTH123, SIM115
        with pytest.raises(BadInput, match=r"No space left on device.*make room on the disk"):
            journal.append(record(0))
        assert journal.known == {}, "what is not on the disk does not count as read"
    assert not path.with_suffix(".lock").exists()


# --- two runs at once ------------------------------------------------------------------------------------------------


def test_second_run_on_one_folder_is_refused_until_the_first_has_finished(path: Path) -> None:
    with Journal.open(path, HEADER):
        with pytest.raises(BadInput, match=rf"another frametally \(process {os.getpid()}\) is writing"):
            Journal.open(path, HEADER)
        with pytest.raises(BadInput, match="another frametally"):
            Journal.open(path, HEADER, fresh=True)
        assert not path.with_name("journal.1.jsonl").exists()
    Journal.open(path, HEADER).close()


def test_lock_file_of_a_crashed_run_is_no_obstacle(path: Path) -> None:
    path.parent.mkdir()
    path.with_suffix(".lock").write_text("1\n", encoding="utf-8")
    Journal.open(path, HEADER).close()


def test_lock_is_let_go_by_an_error(path: Path) -> None:
    with pytest.raises(KeyError), Journal.open(path, HEADER):
        raise KeyError
    Journal.open(path, HEADER).close()


def _race(path: Path, number: int, start: Any, results: Any) -> None:
    start.wait()
    taken = 0
    for _ in range(100):
        try:
            with Journal.open(path, HEADER) as journal:
                mark = path.with_name("inside")
                mark.touch(exist_ok=False)
                journal.append(record(number))
                mark.unlink()
            taken += 1
        except BadInput:
            pass
    results.put(taken)


def test_never_two_inside_at_once(path: Path) -> None:
    path.parent.mkdir()
    context = multiprocessing.get_context("spawn")
    start, results = context.Event(), context.Queue()
    runs = [context.Process(target=_race, args=(path, number, start, results)) for number in range(3)]
    for run in runs:
        run.start()
    start.set()
    for run in runs:
        run.join()
    assert [run.exitcode for run in runs] == [0, 0, 0]
    taken = sum(results.get(timeout=5) for _ in runs)
    assert taken == len(list(stream_records(path)))
    assert taken >= 10  # each of the three got in more than once: the race was one


# --- corrections by hand ---------------------------------------------------------------------------------------------

ROW = Correction("cabin_0058.jpg", "o2_pct", "20.3", "20.8", "Ada", datetime(2026, 10, 31, 8, 15, tzinfo=UTC), "glare, but clear")
HEAD = ",".join(COLUMNS) + "\n"


@pytest.fixture
def corrections_path(tmp_path: Path) -> Path:
    return tmp_path / "corrections.csv"


def test_no_file_is_no_corrections(corrections_path: Path) -> None:
    assert load_corrections(corrections_path) == ()


def test_correction_is_written_as_plain_csv(corrections_path: Path) -> None:
    append_correction(corrections_path, ROW)
    append_correction(corrections_path, Correction("ä/b.jpg", "co_ppm", "", "hidden"))
    assert corrections_path.read_bytes().decode("utf-8") == (
        HEAD
        + 'cabin_0058.jpg,o2_pct,20.3,20.8,Ada,2026-10-31T08:15:00+00:00,"glare, but clear"\n'
        + "ä/b.jpg,co_ppm,,hidden,,,\n"
    )
    assert load_corrections(corrections_path) == (ROW, Correction("ä/b.jpg", "co_ppm", "", "hidden"))


names = st.text(min_size=1, max_size=10).filter(lambda text: text == text.strip() and text != "")
wanted = st.sampled_from([AS_READ, *TO_FLAGS]).map(str) | st.decimals(-999, 999, places=1).map(str)
corrections = st.builds(
    Correction,
    frame=names,
    display=names,
    from_text=texts,
    to_text=wanted,
    who=texts,
    when=st.none() | st.datetimes(timezones=offsets),
    note=texts,
)


@given(st.lists(corrections, max_size=4))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_corrections_come_back(corrections_path: Path, rows: list[Correction]) -> None:
    corrections_path.unlink(missing_ok=True)
    for row in rows:
        append_correction(corrections_path, row)
    assert list(load_corrections(corrections_path)) == rows


def test_last_row_counts_and_can_be_taken_back() -> None:
    again = dataclasses.replace(ROW, to_text="hidden")
    other = dataclasses.replace(ROW, display="co_ppm", to_text="7")
    back = dataclasses.replace(ROW, to_text=AS_READ)
    assert latest_corrections([ROW, other, again]) == {
        ("cabin_0058.jpg", "o2_pct"): again,
        ("cabin_0058.jpg", "co_ppm"): other,
    }
    assert latest_corrections([ROW, again, back]) == {}
    assert latest_corrections([ROW, back, again]) == {("cabin_0058.jpg", "o2_pct"): again}


@pytest.mark.parametrize(
    ("to_text", "value", "flag"),
    [("20.8", 20.8, Flag.CORRECTED), ("-3", -3.0, Flag.CORRECTED), ("over_range", None, Flag.OVER_RANGE), (AS_READ, None, None)],
)
def test_correction_gives_value_and_flag(to_text: str, value: float | None, flag: Flag | None) -> None:
    row = dataclasses.replace(ROW, to_text=to_text)
    assert (row.value, row.flag) == (value, flag)


def test_hand_written_file_may_have_mark_blank_rows_windows_ends_and_no_last_end(corrections_path: Path) -> None:
    text = HEAD + "\na.jpg , co_ppm,12, 17 ,,,\n,,,,,,\nb.jpg,co_ppm,1,blank,,2026-10-31,"
    corrections_path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    rows = load_corrections(corrections_path)
    assert rows == (
        Correction("a.jpg", "co_ppm", "12", "17"),
        Correction("b.jpg", "co_ppm", "1", "blank", when=datetime(2026, 10, 31)),
    )
    append_correction(corrections_path, ROW)
    assert load_corrections(corrections_path) == (*rows, ROW)


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ("a.jpg,co_ppm,1,20,9,,,\n", "row 2: there are 8 columns"),
        ("a.jpg,co_ppm,1,\n", "row 2: there are 4 columns"),
        ('a.jpg,co_ppm,1,"20,9",,,\n', "row 2: to is '20,9'; write a decimal point"),
        ("a.jpg,co_ppm,1,2,,,\na.jpg,co_ppm,1,ok,,,\n", "row 3: to is 'ok'; write a number or one of as_read, blank, hidden"),
        ("a.jpg,co_ppm,1,nan,,,\n", "row 2: to is 'nan'"),
        ("a.jpg,co_ppm,1,,,,\n", "row 2: to is ''"),
        (",co_ppm,1,2,,,\n", "row 2: frame is empty"),
        ("a.jpg,,1,2,,,\n", "row 2: display is empty"),
        ("a.jpg,co_ppm,1,2,,yesterday,\n", "row 2: when is 'yesterday'"),
        ('a.jpg,co_ppm,1,2,,,"two\nlines"\nb.jpg,,1,2,,,\n', "row 4: display is empty"),
        ('a.jpg,co_ppm,1,2,,,"open\n', "row 2: .*quotation marks"),
        ('a.jpg,co_ppm,1,2,,,"a"b\n', "row 2: .*quotation marks"),
        ("a.jpg,co_ppm,1,x,,,\nb.jpg,co_ppm,1,y,,,\n", "has 2 faults:\n  row 2: to is 'x'.*\n  row 3: to is 'y'"),
    ],
)
def test_bad_row_is_told_with_its_number_and_nothing_is_added(corrections_path: Path, rows: str, told: str) -> None:
    corrections_path.write_text(HEAD + rows, encoding="utf-8", newline="")
    with pytest.raises(BadInput, match=told):
        load_corrections(corrections_path)
    with pytest.raises(BadInput, match=told):
        append_correction(corrections_path, ROW)
    assert corrections_path.read_text(encoding="utf-8") == HEAD + rows


def test_wrong_columns_are_told(corrections_path: Path) -> None:
    corrections_path.write_text(HEAD.replace(",", ";"), encoding="utf-8")
    with pytest.raises(BadInput, match="semicolons; save the file with commas"):
        load_corrections(corrections_path)
    corrections_path.write_text(HEAD.replace("to", "new"), encoding="utf-8")
    with pytest.raises(
        BadInput, match="the columns should be frame,display,from,to,who,when,note, but are frame,display,from,new"
    ):
        load_corrections(corrections_path)
    corrections_path.write_bytes(HEAD.encode() + b"k\xfcche,co_ppm,1,2,,,\n")
    with pytest.raises(BadInput, match="row 2: this is not UTF-8"):
        load_corrections(corrections_path)


def test_correction_that_is_none_is_not_written(corrections_path: Path) -> None:
    with pytest.raises(BadInput, match="to is 'maybe'"):
        append_correction(corrections_path, dataclasses.replace(ROW, to_text="maybe"))
    assert not corrections_path.exists()


def test_correction_into_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be written"):
        append_correction(tmp_path / "nowhere" / "corrections.csv", ROW)


def test_field_of_a_size_no_one_writes_is_told(corrections_path: Path) -> None:
    corrections_path.write_text(HEAD + "a" * (csv.field_size_limit() + 1), encoding="utf-8")
    with pytest.raises(BadInput, match="row 2"):
        load_corrections(corrections_path)
