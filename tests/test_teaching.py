"""The second look: what the settled frames teach settles what the first look left open, whenever stopped, and nothing else."""

from __future__ import annotations

import csv
import json
import shutil
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from frametally.errors import BadInput
from frametally.eyes import Eyes, Settings
from frametally.frames import Picture
from frametally.journal import Journal, load_journal
from frametally.model import Flag, Frame, FrameRecord, Night, Placement, Reading, Rival
from frametally.read import Reader, Sight
from frametally.results import Results
from frametally.run import Options, finish, run
from frametally.teaching import ENOUGH, SAMPLE, choose

NUMBERS = range(1, 13)
"""Of the demo night: calm frames, all of them clear."""

VAGUE = {("cabin_0004.jpg", "co_ppm"), ("cabin_0004.jpg", "rh_pct"), ("cabin_0009.jpg", "temp_c")}
"""What the first look is made to read right, but without being sure."""

WRONG = {("cabin_0006.jpg", "co_ppm"): "71", ("cabin_0011.jpg", "o2_pct"): "28.9"}
"""What it is made to read wrong, without being sure either."""

CLOUDED = [*VAGUE, *WRONG]
STUDY = Eyes.study
TABLES = ("readings.csv", "readings_audit.csv")


class Stopped(BaseException):
    """Stands for what ends a process in the middle of its work."""


def clouded(record: FrameRecord) -> FrameRecord:
    """Give a record in which the first look is unsure of what `VAGUE` and `WRONG` name."""
    readings = dict(record.readings)
    for key, reading in record.readings.items():
        text = WRONG.get((record.frame, key), reading.text if (record.frame, key) in VAGUE else None)
        if text is not None:
            rivals = (Rival(text, float(text), 0.5),)
            readings[key] = replace(reading, text=text, value=float(text), confidence=0.5, rivals=rivals)
    return replace(record, readings=readings)


@pytest.fixture(scope="module", autouse=True)
def clouds() -> Iterator[None]:
    """Let the first look leave some readings open; each photo is really looked at and studied once only, whatever the number
    of runs."""
    opened, look = Eyes.open.__func__, Eyes.look  # type: ignore[attr-defined]
    eyes: dict[bytes, Eyes] = {}
    seen: dict[tuple[str, bytes], FrameRecord] = {}
    studied: dict[tuple[object, ...], dict[str, Sight]] = {}

    def open_once(cls: type[Eyes], night: Night, settings: Settings) -> Eyes:
        reference = night.frames[0].path.read_bytes()
        if reference not in eyes:
            eyes[reference] = opened(cls, night, settings)
        return eyes[reference]

    def look_once(self: Eyes, frame: Frame) -> FrameRecord:
        place = frame.name, frame.path.read_bytes()
        if place not in seen:
            seen[place] = clouded(look(self, frame))
        return replace(seen[place], time=frame.time)

    def study(self: Eyes, frame: Frame, record: FrameRecord, texts: Mapping[str, str]) -> dict[str, Sight]:
        place = frame.name, frame.path.read_bytes(), record.sha256, *sorted(texts.items())
        if place not in studied:
            studied[place] = STUDY(self, frame, record, texts)
        return studied[place]

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Eyes, "open", classmethod(open_once))
        patched.setattr(Eyes, "look", look_once)
        patched.setattr(Eyes, "study", study)
        yield


@pytest.fixture
def second_looks(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """Counts how often frames are studied ("studied") and looked at again (their names)."""
    counts: Counter[str] = Counter()
    real_study, real_look_again = Eyes.study, Eyes.look_again

    def study(self: Eyes, *given: object) -> object:
        counts["studied"] += 1
        return real_study(self, *given)  # type: ignore[arg-type]

    def look_again(self: Eyes, taught: Reader, frame: Frame, *given: object) -> object:
        counts[frame.name] += 1
        return real_look_again(self, taught, frame, *given)  # type: ignore[arg-type]

    # the names are those by which other processes find what is counted only here
    monkeypatch.setattr(Eyes, "study", study)
    monkeypatch.setattr(Eyes, "look_again", look_again)
    return counts


@pytest.fixture(scope="session")
def photos(tmp_path_factory: pytest.TempPathFactory, sample_frames: Path) -> Path:
    folder = tmp_path_factory.mktemp("photos")
    for number in NUMBERS:
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", folder)
    return folder


@pytest.fixture
def read(photos: Path, calibration_path: Path) -> Callable[..., Path]:
    """Reads the photos into a results folder, and gives it."""

    def start(results: Path, source: Path = photos, **options: object) -> Path:
        run(source, calibration_path, results, options=Options(readings_only=True, **options))  # type: ignore[arg-type]
        return results

    return start


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory, photos: Path, calibration_path: Path, clouds: None) -> Path:
    """The results of an uninterrupted run; only to be looked at."""
    results = tmp_path_factory.mktemp("whole") / "results"
    run(photos, calibration_path, results, options=Options(readings_only=True))
    return results


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def cells(results: Path) -> dict[tuple[str, str], dict[str, str]]:
    """The audit table's rows by frame and display."""
    return {(row["frame"], row["display"]): row for row in rows(results / "readings_audit.csv")}


def files(results: Path) -> dict[str, bytes]:
    return {name: (results / name).read_bytes() for name in (*TABLES, "journal.jsonl")}


def lines(results: Path) -> list[str]:
    return (results / "journal.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)


# --- what it settles -----------------------------------------------------------------------------------------------------


def test_what_the_night_taught_settles_what_was_open(whole: Path, sample_frames: Path) -> None:
    truth = {row["frame"]: row for row in rows(sample_frames / "truth.csv")}
    found = cells(whole)
    for frame, key in CLOUDED:
        row = found[frame, key]
        assert float(row["value"]) == float(truth[frame][key])
        assert row["flag"] == ("repaired" if (frame, key) in WRONG else "ok")
        assert row["reader"] == "segments+night"
        assert float(row["confidence"]) >= 0.98


def test_the_first_reading_stays_in_the_record(whole: Path) -> None:
    found, records = cells(whole), load_journal(whole / "journal.jsonl")[1]
    for (frame, key), text in WRONG.items():
        assert float(found[frame, key]["raw_text"]) == float(text)
        assert records[frame].readings[key].text == text
        assert records[frame].readings[key].confidence == 0.5
        assert records[frame].again[key].text != text
    assert {(frame, key) for frame, record in records.items() for key in record.again} == set(CLOUDED)


def test_settled_readings_are_not_looked_at_again_and_do_not_change(
    read: Callable[..., Path], whole: Path, tmp_path: Path
) -> None:
    untaught, taught = cells(read(tmp_path / "untaught", teach=False)), cells(whole)
    assert untaught.keys() == taught.keys()
    assert {place for place in taught if taught[place] != untaught[place]} == set(CLOUDED)
    assert {untaught[place]["flag"] for place in CLOUDED} == {"doubtful"}


def test_without_teaching_earlier_second_readings_do_not_count(read: Callable[..., Path], whole: Path, tmp_path: Path) -> None:
    results = read(tmp_path / "results", teach=False)
    first = cells(results)
    assert not any("lessons" in json.loads(line) for line in lines(results))
    assert cells(read(results)) == cells(whole)
    assert cells(read(results, teach=False)) == first
    finish(Results(results), readings_only=True)
    assert cells(results) == first
    assert cells(read(results)) == cells(whole)


def test_lessons_that_do_not_give_back_their_own_frames_are_dropped(
    read: Callable[..., Path],
    second_looks: Counter[str],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    tmp_path: Path,
) -> None:
    recalls = Reader.recalls
    monkeypatch.setattr(Reader, "recalls", lambda self, key, sights: key != "co_ppm" and recalls(self, key, sights))
    with caplog.at_level("INFO", "frametally"):
        found = cells(read(tmp_path / "results"))
    assert found["cabin_0006.jpg", "co_ppm"]["flag"] == "doubtful"
    assert found["cabin_0011.jpg", "o2_pct"]["flag"] == "repaired"
    assert second_looks["cabin_0006.jpg"] == 0
    assert "of co_ppm does not give back their own readings" in caplog.text


def test_too_few_settled_frames_teach_nothing(
    read: Callable[..., Path], second_looks: Counter[str], sample_frames: Path, tmp_path: Path
) -> None:
    few = tmp_path / "few"
    few.mkdir()
    for number in (1, 2, 3, 4, 5, 6):
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", few)
    found = cells(read(tmp_path / "results", source=few))
    assert not second_looks
    assert {found[place]["flag"] for place in CLOUDED if place in found} == {"doubtful"}


# --- displays that were not found -----------------------------------------------------------------------------------------


GONE = {"cabin_0005.jpg": {"co_ppm", "temp_c"}, "cabin_0012.jpg": {"co_ppm"}}
"""What the first look is made not to find; the last of these in the night's last photo."""


@pytest.fixture
def unfound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the places of some displays be told by nothing in their own photos, as in the dark."""
    look, seen_before = Eyes.look, Eyes._seen_before

    def blind(self: Eyes, frame: Frame, record: FrameRecord) -> tuple[Picture | None, Placement | None]:
        picture, placement = seen_before(self, frame, record)
        assert placement is not None
        corners = {key: one for key, one in placement.corners.items() if key not in GONE.get(frame.name, ())}
        return picture, replace(placement, corners=corners)

    def blind_look(self: Eyes, frame: Frame) -> FrameRecord:
        record = look(self, frame)
        lost = {key: Reading("", None, 0.0, Flag.LOST) for key in GONE.get(frame.name, ())}
        return replace(record, readings={**record.readings, **lost})

    monkeypatch.setattr(Eyes, "_seen_before", blind)
    monkeypatch.setattr(Eyes, "look", blind_look)


@pytest.mark.usefixtures("unfound")
def test_display_that_was_not_found_is_read_where_the_photos_around_it_have_it(
    read: Callable[..., Path], sample_frames: Path, tmp_path: Path
) -> None:
    truth = {row["frame"]: row for row in rows(sample_frames / "truth.csv")}
    results = read(tmp_path / "results")
    found = cells(results)
    for frame, keys in GONE.items():
        for key in keys:
            row = found[frame, key]
            assert (row["raw_text"], row["reader"]) == ("", "none+night")
            assert float(row["value"]) == float(truth[frame][key])
            assert row["flag"] in ("repaired", "doubtful")
    assert cells(read(results, teach=False))["cabin_0005.jpg", "co_ppm"]["flag"] == "lost"


@pytest.mark.usefixtures("unfound")
def test_where_an_instrument_was_taken_away_nothing_is_read(read: Callable[..., Path], photos: Path, tmp_path: Path) -> None:
    bare = tmp_path / "bare"
    shutil.copytree(photos, bare)
    picture = cv2.imread(str(bare / "cabin_0005.jpg"))
    cv2.imwrite(str(bare / "cabin_0005.jpg"), np.full_like(picture, 90))

    found = cells(read(tmp_path / "results", source=bare))

    assert {found["cabin_0005.jpg", key]["value"] for key in GONE["cabin_0005.jpg"]} == {""}


# --- stop at any moment, same input, same output ---------------------------------------------------------------------------


def test_jobs_do_not_matter(read: Callable[..., Path], whole: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(Eyes, "study", STUDY)
    assert files(read(tmp_path / "results", jobs=3)) == files(whole)


def test_second_look_in_processes_gives_the_same(
    read: Callable[..., Path], whole: Path, second_looks: Counter[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    results = read(tmp_path / "results", teach=False)
    monkeypatch.setattr("frametally.engines.WORTH_PROCESSES", 1)
    assert files(read(results, jobs=3)) == files(whole)
    assert not second_looks, "none in this process"


@pytest.mark.parametrize(
    ("place", "at"),
    [("study", 5), ("look_again", 1), ("look_again", 3), ("append_lessons", 1), ("append_again", 2)],
)
@pytest.mark.parametrize("jobs", [1, 3])
def test_stopped_and_taken_up(
    read: Callable[..., Path], whole: Path, tmp_path: Path, second_looks: Counter[str], place: str, at: int, jobs: int
) -> None:
    results, owner = tmp_path / "results", Journal if place.startswith("append") else Eyes
    real, count = getattr(owner, place), Counter[str]()

    def stop(self: object, *given: object) -> object:
        count[place] += 1
        if count[place] >= at:
            raise Stopped
        return real(self, *given)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(owner, place, stop)
        with pytest.raises(Stopped):
            read(results, jobs=jobs)
    kept = [json.loads(line) for line in lines(results)]
    second_looks.clear()
    assert files(read(results, jobs=jobs)) == files(whole)
    assert (second_looks.pop("studied", 0) == 0) is any("sha256" in line and "lessons" in line for line in kept)
    again = {line["again"] for line in kept if "again" in line}
    assert second_looks == Counter(dict.fromkeys({frame for frame, _ in CLOUDED} - again, 1))


def test_stopped_in_the_middle_of_any_line_and_taken_up(read: Callable[..., Path], whole: Path, tmp_path: Path) -> None:
    text = (whole / "journal.jsonl").read_bytes()
    ends = [index + 1 for index, byte in enumerate(text) if byte == ord("\n")]
    for end in ends[-6:]:
        results = tmp_path / f"{end}"
        results.mkdir()
        (results / "journal.jsonl").write_bytes(text[: end - 7])
        assert files(read(results)) == files(whole)


def test_finished_run_does_nothing_again(
    read: Callable[..., Path], whole: Path, second_looks: Counter[str], tmp_path: Path
) -> None:
    results = tmp_path / "results"
    shutil.copytree(whole, results)
    assert files(read(results)) == files(whole)
    finish(Results(results), readings_only=True)
    assert files(results) == files(whole)
    assert not second_looks


def test_changed_photo_is_read_and_read_again_anew(
    read: Callable[..., Path], photos: Path, sample_frames: Path, second_looks: Counter[str], tmp_path: Path
) -> None:
    source, results = tmp_path / "photos", tmp_path / "results"
    shutil.copytree(photos, source)
    read(results, source=source)
    second_looks.clear()
    shutil.copy2(sample_frames / "cabin_0014.jpg", source / "cabin_0009.jpg")
    read(results, source=source)
    assert second_looks["cabin_0009.jpg"] == 1
    expected = cells(read(tmp_path / "fresh", source=source))
    assert cells(results) == expected


# --- a journal that someone has been at -------------------------------------------------------------------------------------


def number_of_lessons(results: Path) -> int:
    return next(number for number, line in enumerate(lines(results), start=1) if line.startswith('{"lessons"'))


@pytest.mark.parametrize("change", [("0.", "1."), ('"made_of"', '"made"'), ('"displays":{', '"displays":[')])
def test_damaged_lessons_are_told_with_their_line(
    read: Callable[..., Path], whole: Path, tmp_path: Path, change: tuple[str, str]
) -> None:
    results = tmp_path / "results"
    shutil.copytree(whole, results)
    text, number = lines(results), number_of_lessons(results)
    assert change[0] in text[number - 1]
    text[number - 1] = text[number - 1].replace(*change, 1)
    (results / "journal.jsonl").write_text("".join(text), encoding="utf-8")
    for job in (lambda: read(results), lambda: finish(Results(results))):
        with pytest.raises(BadInput, match=f"line {number} is damaged"):
            job()
    del text[number - 1]
    (results / "journal.jsonl").write_text("".join(text), encoding="utf-8")
    assert cells(read(results)) == cells(whole), "what the deleted line held is learned again"


# --- which frames teach ------------------------------------------------------------------------------------------------------


def test_teaching_frames_are_spread_and_few() -> None:
    models = {"co_ppm": {index: str(index % 90 + 10) for index in range(0, 480, 2)}, "o2_pct": dict.fromkeys(range(480), "20.9")}
    chosen = choose(models)
    assert len(chosen["co_ppm"]) == SAMPLE
    assert chosen["o2_pct"] == chosen["co_ppm"], "the same photos serve both displays"
    assert [index // 20 for index in chosen["co_ppm"]] == list(range(24)), "one from each part of the night"
    assert len({models["co_ppm"][index][-1] for index in chosen["co_ppm"]}) == 5, "all last digits that even numbers have"


def test_a_display_that_is_rarely_settled_gets_frames_of_its_own() -> None:
    models = {"co_ppm": dict.fromkeys(range(240), "12"), "rh_pct": dict.fromkeys(range(100, 108), "55")}
    chosen = choose(models)
    assert chosen["rh_pct"] == list(range(100, 108))
    assert len(chosen["co_ppm"]) >= SAMPLE >= ENOUGH
    assert choose({"co_ppm": dict.fromkeys(range(5), "12")}) == {}
    assert choose({}) == {}
