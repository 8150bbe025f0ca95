"""The promises of a run: stopped and taken up, with any number of jobs, it gives the same bytes; and it harms nothing."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from frametally.errors import BadInput
from frametally.model import Frame, FrameRecord
from frametally.reading import Eyes
from frametally.results import Results
from frametally.run import Options, Outcome, finish, run

NUMBERS = (1, 2, 60, 118, 127, 150)
"""Of the demo night: usual ones, a spike over one display's range, one cut off in the middle of its data."""

TABLES = ("readings.csv", "readings_audit.csv", "assessment.json")


class Stopped(BaseException):
    """Stands for what ends a process in the middle of its work."""


@pytest.fixture
def frames(tmp_path: Path, sample_frames: Path) -> Path:
    return copy(sample_frames, NUMBERS, tmp_path / "frames")


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory, sample_frames: Path, calibration_path: Path, trial_path: Path) -> Outcome:
    """How an uninterrupted run on such frames ended, one at a time, with all its charts."""
    top = tmp_path_factory.mktemp("whole")
    return run(copy(sample_frames, NUMBERS, top / "frames"), calibration_path, top / "results", trial=trial_path)


@pytest.fixture(scope="module")
def whole(finished: Outcome) -> Path:
    """The results of that run; only to be looked at. Its photos lie beside it."""
    return finished.results.report.parent


@pytest.fixture
def results(whole: Path, tmp_path: Path) -> Path:
    """A copy of those results for this test alone."""
    return Path(shutil.copytree(whole, tmp_path / "results"))


@pytest.fixture
def job(frames: Path, calibration_path: Path, trial_path: Path, leave_out_charts: Callable[[], None]) -> Callable[..., Outcome]:
    """Runs the whole job on `frames` into a results folder; its report has charts only where they are asked for."""

    def start(results: Path, source: Path = frames, charts: bool = False, **options: object) -> Outcome:
        if not charts:
            leave_out_charts()
        return run(source, calibration_path, results, trial=trial_path, options=Options(**options))  # type: ignore[arg-type]

    return start


@pytest.fixture
def looked(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """Counts how often each frame is read."""
    counts: Counter[str] = Counter()
    real = Eyes.look

    def look(self: Eyes, frame: Frame) -> FrameRecord:
        counts[frame.name] += 1
        return real(self, frame)

    monkeypatch.setattr(Eyes, "look", look)
    return counts


def copy(source: Path, numbers: Iterable[int], folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        shutil.copy2(source / f"cabin_{number:04d}.jpg", folder)
    return folder


def tables(results: Path) -> dict[str, bytes]:
    return {name: (results / name).read_bytes() for name in TABLES}


def evidence_in(results: Path) -> dict[Path, bytes]:
    return {path.relative_to(results): path.read_bytes() for path in (results / "evidence").rglob("*.jpg")}


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def journal_lines(results: Path) -> int:
    path = results / "journal.jsonl"
    return path.read_bytes().count(b"\n") - 1 if path.exists() else 0


# --- stop at any moment --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("at", "jobs"), [(4, 1), (6, 3)])
def test_stopped_at_a_frame_and_taken_up(
    job: Callable[..., Outcome], whole: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, at: int, jobs: int
) -> None:
    real, counts = Eyes.look, Counter[str]()

    def look(self: Eyes, frame: Frame) -> FrameRecord:
        counts[frame.name] += 1
        if counts.total() == at:
            raise Stopped
        return real(self, frame)

    monkeypatch.setattr(Eyes, "look", look)
    with pytest.raises(Stopped):
        job(tmp_path / "stopped", jobs=jobs)
    kept = journal_lines(tmp_path / "stopped")
    assert kept < len(NUMBERS)
    assert not (tmp_path / "stopped" / "readings.csv").exists()
    counts.clear()
    counts["stopped already"] = at  # from here on it reads
    job(tmp_path / "stopped", jobs=jobs)
    del counts["stopped already"]
    assert counts.total() == len(NUMBERS) - kept
    assert set(counts.values()) == {1}
    assert tables(tmp_path / "stopped") == tables(whole)


@pytest.mark.parametrize(
    "stage",
    [
        "frametally.results.write_whole",  # the copies of the user's files
        "frametally.run.make_tables",
        "frametally.show.tables.write_audit",
        "frametally.showing.write_json",
        "frametally.showing.write_report",
    ],
)
def test_stopped_behind_the_reading_and_taken_up(
    job: Callable[..., Outcome], whole: Path, looked: Counter[str], tmp_path: Path, stage: str
) -> None:
    stopped = tmp_path / "stopped"
    stopped.mkdir()
    shutil.copy(whole / "journal.jsonl", stopped)

    def stop(*_: object, **__: object) -> None:
        raise Stopped

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(stage, stop)
        with pytest.raises(Stopped):
            job(stopped)
    job(stopped)
    assert not looked
    assert tables(stopped) == tables(whole)


def test_killed_without_warning_and_taken_up(
    job: Callable[..., Outcome],
    whole: Path,
    looked: Counter[str],
    frames: Path,
    calibration_path: Path,
    trial_path: Path,
    tmp_path: Path,
) -> None:
    killed = tmp_path / "killed"
    command = [sys.executable, "-m", "frametally", "run", frames, "-c", calibration_path, "-t", trial_path, "-o", killed]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        end = time.monotonic() + 60
        while journal_lines(killed) < 3 and time.monotonic() < end:
            time.sleep(0.002)
        process.kill()
    kept = journal_lines(killed)
    assert kept >= 3
    job(killed)
    assert looked.total() == len(NUMBERS) - kept
    assert tables(killed) == tables(whole)


def test_finished_run_reads_nothing_again_and_changed_photos_anew(
    job: Callable[..., Outcome], looked: Counter[str], frames: Path, sample_frames: Path, results: Path
) -> None:
    before = tables(results)
    job(results)
    assert not looked
    assert tables(results) == before
    shutil.copy2(sample_frames / "cabin_0126.jpg", frames / "cabin_0127.jpg")  # copied from the camera again, whole this time
    job(results)
    assert looked == Counter({"cabin_0127.jpg": 1})
    assert rows(results / "readings.csv")[-2]["co_ppm_flag"] != "no_frame"


def test_fresh_reads_all_and_keeps_the_old_journal(job: Callable[..., Outcome], looked: Counter[str], results: Path) -> None:
    old, before = (results / "journal.jsonl").read_bytes(), tables(results)
    job(results, fresh=True)
    assert looked == Counter({f"cabin_{number:04d}.jpg": 1 for number in NUMBERS})
    assert (results / "journal.1.jsonl").read_bytes() == old
    assert tables(results) == before


def test_progress_begins_where_the_run_does(frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    options = Options(readings_only=True)

    def progress(done: int, total: int) -> None:
        told.append((done, total))

    run(frames, calibration_path, tmp_path / "results", options=options, progress=progress)
    assert told == [(done, len(NUMBERS)) for done in range(len(NUMBERS) + 1)]
    told.clear()
    run(frames, calibration_path, tmp_path / "results", options=options, progress=progress)
    assert told == [(len(NUMBERS), len(NUMBERS))]


# --- same input, same output ---------------------------------------------------------------------------------------------


def test_jobs_do_not_matter(job: Callable[..., Outcome], whole: Path, tmp_path: Path) -> None:
    def look(self: Eyes, frame: Frame) -> FrameRecord:
        raise AssertionError(f"{frame.name} is read in this process")

    three = tmp_path / "three"
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("frametally.engines.WORTH_PROCESSES", 1)
        patched.setattr(Eyes, "look", look)
        job(three, source=whole.parent / "frames", charts=True, jobs=3)
    found = [
        {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()} for folder in (whole, three)
    ]
    assert found[0] == found[1]
    assert len(found[0]) > 15


def test_order_and_dates_of_the_files_do_not_matter(
    job: Callable[..., Outcome], whole: Path, sample_frames: Path, tmp_path: Path
) -> None:
    shuffled = list(NUMBERS)
    random.Random(7).shuffle(shuffled)
    other = tmp_path / "other"
    for place, number in enumerate(shuffled):
        copy(sample_frames, [number], other)
        os.utime(other / f"cabin_{number:04d}.jpg", (1_000_000 + place, 1_000_000 + place))
    job(tmp_path / "results", source=other)
    assert tables(tmp_path / "results") == tables(whole)


def test_another_frame_changes_no_raw_value(
    job: Callable[..., Outcome], looked: Counter[str], frames: Path, sample_frames: Path, results: Path
) -> None:
    raw = ("raw_text", "raw_value", "rival_text", "rival_confidence", "reader", "sharpness", "quality", "shift_x_px")
    before = {(row["frame"], row["display"]): row for row in rows(results / "readings_audit.csv")}
    copy(sample_frames, [61], frames)
    job(results)
    assert looked == Counter({"cabin_0061.jpg": 1})
    after = {(row["frame"], row["display"]): row for row in rows(results / "readings_audit.csv")}
    assert {frame for frame, _ in after} - {frame for frame, _ in before} == {"cabin_0061.jpg"}
    for place in before.keys() - {place for place in before if not place[0]}:
        assert [after[place][name] for name in raw] == [before[place][name] for name in raw]


# --- nothing is lost -----------------------------------------------------------------------------------------------------


def test_every_frame_has_a_row_and_the_values_are_the_truth(whole: Path, sample_frames: Path) -> None:
    found = {row["frame"]: row for row in rows(whole / "readings.csv") if row["frame"]}
    assert sorted(found) == [f"cabin_{number:04d}.jpg" for number in NUMBERS]
    truth = {row["frame"]: row for row in rows(sample_frames / "truth.csv")}
    for frame, row in found.items():
        for key in ("co_ppm", "o2_pct", "temp_c", "rh_pct", "wall_co_ppm"):
            if row[f"{key}_flag"] in ("ok", "repaired"):
                assert float(row[key]) == float(truth[frame][key]), (frame, key)
    assert found["cabin_0127.jpg"]["co_ppm_flag"] == "no_frame"
    assert found["cabin_0118.jpg"]["wall_co_ppm_flag"] == "over_range"
    assert found["cabin_0118.jpg"]["co_ppm"] == "193"


def test_inputs_are_not_touched(
    job: Callable[..., Outcome], frames: Path, calibration_path: Path, trial_path: Path, tmp_path: Path
) -> None:
    def state() -> dict[Path, tuple[str, int, int]]:
        return {
            path: (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns, path.stat().st_mode)
            for path in [calibration_path, trial_path, *sorted(frames.iterdir())]
        }

    before = state()
    job(tmp_path / "results", charts=True)
    job(tmp_path / "results", fresh=True, jobs=2)
    assert state() == before
    assert (tmp_path / "results" / "calibration.toml").read_bytes() == calibration_path.read_bytes()


@pytest.mark.parametrize("name", ["Küche ä #b c%20 Ω–帆船", 'it\'s "quoted"'])
def test_names_of_folders_and_photos(
    calibration_path: Path, sample_frames: Path, leave_out_charts: Callable[[], None], tmp_path: Path, name: str
) -> None:
    if os.name == "nt" and '"' in name:
        pytest.skip("Windows has no quotation marks in names")
    top = tmp_path / name
    photos = copy(sample_frames, (1, 2), top / "photos" / name)
    (photos / "cabin_0002.jpg").rename(photos / f"{name} 2.jpg")
    calibration = shutil.copy(calibration_path, top / f"{name}.toml")
    results = top / f"results {name}"
    outcome = run(top / "photos", calibration, results)
    assert [row["co_ppm"] for row in rows(results / "readings.csv")] == ["3", "7"]
    assert {row["frame"] for row in rows(results / "readings.csv")} == {f"{name}/cabin_0001.jpg", f"{name}/{name} 2.jpg"}
    assert list((results / "evidence").iterdir())
    before = tables(results)
    leave_out_charts()
    assert finish(outcome.results).assessment is not None
    assert tables(results) == before


# --- corrections, evidence, what stands in the folder ---------------------------------------------------------------------


def test_corrections_count_and_raw_values_stay(results: Path, looked: Counter[str], leave_out_charts: Callable[[], None]) -> None:
    leave_out_charts()
    before = rows(results / "readings_audit.csv")
    (results / "corrections.csv").write_text(
        "frame,display,from,to,who,when,note\n"
        "cabin_0002.jpg,co_ppm,7,17,keeper,2026-11-01T09:00:00+00:00,looked twice\n"
        "cabin_0060.jpg,o2_pct,,hidden,,,\n"
        "cabin_9999.jpg,co_ppm,1,2,,,\n"
        "cabin_0002.jpg,ko_ppm,1,2,,,\n",
        encoding="utf-8",
    )
    outcome = finish(Results(results))
    assert not looked
    table = {row["frame"]: row for row in rows(results / "readings.csv")}
    assert (table["cabin_0002.jpg"]["co_ppm"], table["cabin_0002.jpg"]["co_ppm_flag"]) == ("17", "corrected")
    assert (table["cabin_0060.jpg"]["o2_pct"], table["cabin_0060.jpg"]["o2_pct_flag"]) == ("", "hidden")
    after = rows(results / "readings_audit.csv")
    for name in ("raw_text", "raw_value", "reader", "sharpness"):
        assert [row[name] for row in after] == [row[name] for row in before]
    assert [notice.where for notice in outcome.notices if notice.code == "correction-unused"] == [
        "cabin_9999.jpg",
        "cabin_0002.jpg",
    ]
    (results / "corrections.csv").unlink()
    finish(Results(results))
    assert rows(results / "readings_audit.csv") == before


def test_evidence_is_this_runs_alone(job: Callable[..., Outcome], frames: Path, results: Path) -> None:
    evidence = results / "evidence"
    assert (evidence / "co_ppm_highest_cabin_0118.jpg").exists()
    (evidence / "my own.jpg").write_bytes(b"not yours")
    (frames / "cabin_0118.jpg").unlink()
    job(results)
    names = {path.name for path in evidence.rglob("*.jpg")}
    assert not [name for name in names if "0118" in name]
    assert [name for name in names if name.startswith("co_ppm_highest_")]
    assert (evidence / "my own.jpg").read_bytes() == b"not yours"


def test_when_the_photos_are_gone_report_and_evidence_stay_and_it_is_told_in_words_that_help(
    results: Path, whole: Path, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    night, gone = results / "night.json", tmp_path / "on another disk"
    text = night.read_text(encoding="utf-8")
    assert json.dumps(str(whole.parent / "frames")) in text
    night.write_text(text.replace(json.dumps(str(whole.parent / "frames")), json.dumps(str(gone))), encoding="utf-8")
    finish(Results(results))
    assert evidence_in(whole)
    assert evidence_in(results) == evidence_in(whole)
    assert (results / "report.html").read_bytes() == (whole / "report.html").read_bytes()
    assert f"The photos are no longer in {gone}." in caplog.text
    assert "Put the folder back" in caplog.text
    assert "Errno" not in caplog.text


def test_what_does_not_go_with_the_night_is_noted(
    frames: Path, calibration_path: Path, trial_path: Path, leave_out_charts: Callable[[], None], tmp_path: Path
) -> None:
    leave_out_charts()
    trial, calibration = tmp_path / "trial.toml", tmp_path / "calibration.toml"
    text = trial_path.read_text(encoding="utf-8").replace("2026-10-3", "2027-02-2").replace('"wall unit"', '"wall clock"')
    trial.write_text(text, encoding="utf-8")
    text = calibration_path.read_text(encoding="utf-8").replace('key = "o2_pct"', 'key = "oxygen"')
    calibration.write_text(text, encoding="utf-8")
    outcome = run(frames, calibration, tmp_path / "results", trial=trial)
    codes = [notice.code for notice in outcome.notices]
    assert [codes.count(code) for code in ("trial-times", "trial-instrument", "not-assessed")] == [1, 1, 1]
    (tmp_path / "results" / "corrections.csv").write_text(
        "frame,display,from,to,who,when,note\ncabin_0118.jpg,co_ppm,139,1930,,,\n", encoding="utf-8"
    )
    found = {notice.code: notice.text for notice in finish(outcome.results).notices}
    assert "showed '139' in cabin_0118.jpg, but '193' was read there" in found["correction-from"]
    assert "0 to 999" in found["correction-range"]
    assert "co_ppm: the highest reading, 193 in cabin_0118.jpg, was corrected by hand to 1930" in found["correction-extreme"]


def test_a_usual_night_has_no_such_notes(finished: Outcome) -> None:
    codes = {notice.code for notice in finished.notices}
    assert codes
    assert not codes & {"trial-times", "trial-instrument", "not-assessed", "two-nights", "calibration-misfit"}


def test_evidence_of_frames_with_one_name_in_two_folders(
    sample_frames: Path, calibration_path: Path, leave_out_charts: Callable[[], None], tmp_path: Path
) -> None:
    leave_out_charts()
    for folder, numbers in (("100", (1, 2)), ("101", (118, 119))):
        copy(sample_frames, numbers, tmp_path / "frames" / folder)
    (tmp_path / "frames" / "101" / "cabin_0118.jpg").rename(tmp_path / "frames" / "101" / "cabin_0002.jpg")
    outcome = run(tmp_path / "frames", calibration_path, tmp_path / "results")
    assert outcome.assessment is not None
    wanted = {
        (finding.key, finding.slug, frame)
        for finding in outcome.assessment.findings
        if finding.slug in ("highest", "lowest")
        for frame in finding.evidence[:2]
    }
    assert len(list((tmp_path / "results" / "evidence").glob("*.jpg"))) == len(wanted)


def test_read_leaves_no_report_of_other_readings(
    results: Path, frames: Path, calibration_path: Path, trial_path: Path, leave_out_charts: Callable[[], None]
) -> None:
    (frames / "cabin_0118.jpg").unlink()
    run(frames, calibration_path, results, options=Options(readings_only=True))
    assert not (results / "report.html").exists()
    assert not (results / "assessment.json").exists()
    assert (results / "trial.toml").read_bytes() == trial_path.read_bytes()
    leave_out_charts()
    finish(Results(results))
    assert (results / "report.html").exists()


def test_two_runs_do_not_write_into_one_folder(
    sample_frames: Path, calibration_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = copy(sample_frames, (1, 2), tmp_path / "frames")
    real, told = Eyes.look, []

    def look(self: Eyes, frame: Frame) -> FrameRecord:
        if not told:
            command = [sys.executable, "-m", "frametally", "read", frames, "-c", calibration_path, "-o", tmp_path / "results"]
            told.append(subprocess.run(command, capture_output=True, text=True, check=False))
        return real(self, frame)

    monkeypatch.setattr(Eyes, "look", look)
    run(frames, calibration_path, tmp_path / "results", options=Options(readings_only=True))
    assert told[0].returncode == 2
    assert "another frametally" in told[0].stderr


def test_a_run_with_another_calibration_needs_fresh(results: Path, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    options = Options(readings_only=True)
    other = tmp_path / "other.toml"
    text = calibration_path.read_text(encoding="utf-8")
    other.write_text(text.replace("[[760, 389]", "[[758, 388]"), encoding="utf-8")
    before = (results / "readings.csv").read_bytes()
    with pytest.raises(BadInput, match="--fresh"):
        run(frames, other, results, options=options)
    assert (results / "readings.csv").read_bytes() == before
    run(frames, other, results, options=Options(readings_only=True, fresh=True))


# --- memory --------------------------------------------------------------------------------------------------------------

PEAK = """
import resource, sys
from pathlib import Path
from frametally import engines
from frametally.run import Options, run
engines.WORTH_PROCESSES = 1
run(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), options=Options(jobs=2, readings_only=True))
print(max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)))
"""


def test_reading_loads_no_report_and_nothing_that_draws_it() -> None:
    heavy = "'pandas', 'pyarrow', 'matplotlib', 'scipy', 'jinja2', 'frametally.assess', 'frametally.showing'"
    code = f"import sys, frametally.run; print(sorted({{{heavy}}} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == "[]"


def test_memory_does_not_grow_with_the_number_of_frames(sample_frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    """One display is marked, so that what is kept of a photo weighs more than what reading takes: were each of 56 more photos
    kept (3.7 MB), a reading that takes about 200 MB would take twice as much."""
    pytest.importorskip("resource")
    one = tmp_path / "one.toml"
    parts = calibration_path.read_text(encoding="utf-8").split("[[instrument.display]]")
    one.write_text("[[instrument.display]]".join(parts[:2]), encoding="utf-8")
    peaks = {}
    for count in (8, 64):
        folder = tmp_path / f"frames {count}"
        folder.mkdir()
        for number in range(count):
            photo = sample_frames / ("cabin_0001.jpg", "cabin_0015.jpg", "cabin_0060.jpg")[number % 3]
            shutil.copy(photo, folder / f"cabin_{number + 1:04d}.jpg")
        command = [sys.executable, "-c", PEAK, folder, one, tmp_path / f"results {count}"]
        peaks[count] = int(subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()[-1])
    assert peaks[64] < 1.15 * peaks[8]
