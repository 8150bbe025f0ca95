"""Every exit code of the program, and that what it says with each is a sentence for the user, never a traceback."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from cli_calls import Caller, call, start

from frametally.cli.main import cli
from frametally.errors import EXIT_MEANING, ExitCode


def test_codes_are_the_published_ones() -> None:
    """They are an interface that scripts rely on: the table of the README."""
    assert {code.name: code.value for code in ExitCode} == {
        "FINISHED": 0,
        "BAD_USE": 2,
        "NO_FRAMES": 3,
        "CALIBRATION_MISFIT": 4,
        "TOO_DOUBTFUL": 5,
        "PROGRAM_MISSING": 6,
        "OUR_BUG": 70,
        "INTERRUPTED": 130,
    }
    assert set(EXIT_MEANING) == set(ExitCode)


# --- 0 -------------------------------------------------------------------------------------------------------------------


def test_0_whole_job(calls: Caller, frames: Path, calibration_path: Path, trial_path: Path, tmp_path: Path) -> None:
    results = tmp_path / "results"
    done = calls("run", frames, "-c", calibration_path, "-t", trial_path, "-o", results)
    assert done.code == 0
    assert f"Report: {results / 'report.html'}" in done.out
    assert "21:40  cabin_0001.jpg       3    20.9" in done.out  # as truth.csv has it
    assert "co_ppm: 4 ok" in done.out
    assert len((done.out + done.err).splitlines()) <= 60
    again = calls("report", results)
    assert (again.code, again.out) == (0, done.out)
    everything = calls("report", results, "--all")
    assert everything.code == 0
    assert len(everything.out) > 2 * len(done.out)


def test_0_data_on_stdout_and_words_on_stderr(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    (frames / "cabin_0015.jpg").write_bytes(b"")
    arguments = ("read", frames, "-c", calibration_path, "-o", tmp_path / "results")
    loud = calls(*arguments)
    assert loud.code == 0
    assert "Note: cabin_0015.jpg: the file is empty" in loud.err
    assert "Note:" not in loud.out
    assert calls("-q", *arguments).err == ""
    assert calls(*arguments, "-q").err == ""
    assert "4 of 4 frames were read before" in calls(*arguments).err


def test_0_table_of_a_logger_is_assessed(calls: Caller, tmp_path: Path) -> None:
    table = tmp_path / "logger.csv"
    table.write_text("time,co_ppm\n2026-10-30T22:00:00,5\n2026-10-30T22:30:00,300\n2026-10-30T23:00:00,6\n", encoding="utf-8")
    done = calls("assess", table, "-o", tmp_path / "new" / "folder")
    assert done.code == 0
    assert "300 ppm" in done.out
    assert (tmp_path / "new" / "folder" / "assessment.json").stat().st_size > 0


def test_0_headers_of_a_logger_are_mapped(calls: Caller, tmp_path: Path) -> None:
    table, plain = tmp_path / "logger.csv", tmp_path / "plain.csv"
    rows = "2026-10-30T22:00:00,5,20.5,61,4\n2026-10-30T22:30:00,250,19.2,68,240\n2026-10-30T23:00:00,6,20.6,50,5\n"
    table.write_text("Date, CO (ppm),a=b, Temp,Wall\n" + rows, encoding="utf-8")
    plain.write_text("time,co_ppm,o2_pct,temp_f,wall_co_ppm\n" + rows, encoding="utf-8")
    meanings = ("Date=time", "CO (ppm)=Carbon Monoxide[ppm]", "a=b=oxygen [%]", "Temp=temperature[°F]", "Wall=wall_co_ppm")
    columns = [word for meaning in meanings for word in ("--column", meaning)]
    assert calls("assess", table, "-o", tmp_path / "one", *columns).code == 0
    assert calls("assess", plain, "-o", tmp_path / "two").code == 0
    assert (tmp_path / "one" / "assessment.json").read_bytes() == (tmp_path / "two" / "assessment.json").read_bytes()
    for wrong, told in (
        ("Dat=time", "did you mean 'Date'?"),
        ("Temp", "HEADER=MEANING"),
        ("Temp=joy[%]", "nothing that is assessed"),
        ("Wall=co_ppm", "wall_co_ppm"),
    ):
        ended = calls("assess", table, "-o", tmp_path / "three", "--column", "CO (ppm)=co_ppm", "--column", wrong)
        assert ended.code == 2
        assert told in ended.err


@pytest.mark.parametrize("name", [(), *((name,) for name in cli.commands)])
@pytest.mark.parametrize("option", ["--help", "-h"])
def test_0_every_command_has_help(calls: Caller, name: tuple[str, ...], option: str) -> None:
    told = calls(*name, option)
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith(f"Usage: frametally {' '.join(name)}".strip())
    assert "--verbose" in told.out


def test_0_version(calls: Caller) -> None:
    import frametally

    assert calls("--version").out == f"frametally {frametally.__version__}\n"


def test_0_limits_have_sources(calls: Caller) -> None:
    told = calls("limits")
    assert told.code == 0
    assert "29 CFR 1910.1000" in told.out  # Table Z-1: the OSHA PEL of carbon monoxide
    assert calls("limits", "--json").out.startswith("[")


def test_0_practice_night_is_drawn_and_its_command_works(calls: Caller, tmp_path: Path) -> None:
    told = calls("practice", "--list")
    assert told.code == 0
    assert "Troubles:" in told.out
    drawn = calls("practice", tmp_path / "my practice", "--frames", "3", "--clean", "--seed", "2")
    assert drawn.code == 0
    command = shlex.split(drawn.out.splitlines()[-1].partition("Read it:")[2])
    assert command[0] == "frametally"
    assert calls(*command[1:]).code == 0
    assert calls("practice", tmp_path / "my practice", "--frames", "3", "--clean").code == 2  # nothing is overwritten


def test_0_reader_of_the_output_has_gone(tmp_path: Path) -> None:
    with start("limits", "--json") as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        said = process.stderr.read()
        assert (process.wait(timeout=60), said) == (0, "")


# --- 2 -------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "Usage: frametally"),
        (("fly",), "No such command"),
        (("run",), "Missing"),
        (("run", "FRAMES", "-c", "CALIBRATION"), "Missing option '-o'"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "OUT", "--jobs", "0"), "--jobs"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "OUT", "--every", "0"), "--every"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "OUT", "--every", "60"), "--start"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "OUT", "--start", "soon"), "write it like"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "OUT", "--start", "2026-10-30 21:40"), "--every"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "OUT", "--utc-offset", "abroad"), "abroad"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "OUT", "-v", "-q"), "exclude each other"),
        (("run", "MISSING", "-c", "CALIBRATION", "-o", "OUT"), "cannot be opened"),
        (("run", "FRAMES", "-c", "MISSING", "-o", "OUT"), "no such file"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-t", "MISSING", "-o", "OUT"), "no such file"),
        (("run", "FRAMES", "-c", "CALIBRATION", "--method", "MISSING", "-o", "OUT"), "no such file"),
        (("run", "FRAMES", "-c", "TRIAL", "-o", "OUT"), "looks like a trial file"),
        (("run", "CALIBRATION", "-c", "CALIBRATION", "-o", "OUT"), "Give the folder of photos"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "CALIBRATION"), "is a file"),
        (("run", "FRAMES", "-c", "CALIBRATION", "-o", "CALIBRATION/deeper"), "Not a directory"),
        (("report", "MISSING"), "holds no finished run"),
        (("report", "FRAMES"), "holds no finished run"),
        (("report", "CALIBRATION"), "holds no finished run"),
        (("assess", "MISSING", "-o", "OUT"), "does not exist"),
        (("assess", "FRAMES", "-o", "OUT"), "cannot be read"),
        (("assess", "CALIBRATION", "-o", "OUT"), "canal_boat.toml"),
        (("assess", "TABLE", "-o", "CALIBRATION"), "is a file"),
        (("assess", "TABLE", "-t", "CALIBRATION", "-o", "OUT"), "looks like a calibration file"),
        (("practice", "OUT", "--style", "baroque"), "baroque"),
        (("practice", "OUT", "--clean", "--trouble", "gap"), "exclude each other"),
    ],
)  # fmt: skip
def test_2_bad_use(
    calls: Caller,
    arguments: tuple[str, ...],
    told: str,
    sample_frames: Path,
    calibration_path: Path,
    trial_path: Path,
    tmp_path: Path,
) -> None:
    table = tmp_path / "table.csv"
    table.write_text("time,co_ppm\n2026-10-30T22:00:00,5\n", encoding="utf-8")
    places = {
        "FRAMES": sample_frames,
        "CALIBRATION": calibration_path,
        "TRIAL": trial_path,
        "TABLE": table,
        "MISSING": tmp_path / "missing.toml",
        "OUT": tmp_path / "out",
    }
    given = [
        str(places[word.split("/")[0]]) + word[len(word.split("/")[0]) :] if word.split("/")[0] in places else word
        for word in arguments
    ]
    ended = calls(*given)
    assert ended.code == 2
    assert told in ended.err
    assert ended.out == ""
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("place", ["frames", "frames/results", "frames/a/b"])
def test_2_results_among_the_photos_are_refused(
    calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path, place: str
) -> None:
    before = sorted(tmp_path.rglob("*"))
    ended = calls("run", frames, "-c", calibration_path, "-o", tmp_path / place)
    assert ended.code == 2
    assert "beside the photos" in ended.err
    assert sorted(tmp_path.rglob("*")) == before


def test_2_evidence_is_not_taken_for_photos(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    results = tmp_path / "results"
    assert calls("run", frames, "-c", calibration_path, "-o", results).code == 0
    ended = calls("run", results / "evidence", "-c", calibration_path, "-o", results)
    assert ended.code == 2
    assert "taken for photos" in ended.err


def test_2_files_of_the_user_are_not_overwritten(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "readings.csv").write_text("years of work\n", encoding="utf-8")
    ended = calls("run", frames, "-c", calibration_path, "-o", mine)
    assert ended.code == 2
    assert "holds readings.csv" in ended.err
    assert [path.name for path in mine.iterdir()] == ["readings.csv"]
    (mine / "readings.csv").rename(mine / "trial.toml")
    (mine / "trial.toml").write_bytes(calibration_path.read_bytes())
    ended = calls("run", frames, "-c", mine / "trial.toml", "-o", mine)
    assert ended.code == 2
    assert "would be overwritten" in ended.err
    assert (mine / "trial.toml").read_bytes() == calibration_path.read_bytes()


def test_2_assessment_of_a_run_is_not_overwritten(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    results = tmp_path / "results"
    assert calls("run", frames, "-c", calibration_path, "-o", results).code == 0
    before = (results / "assessment.json").read_bytes()
    ended = calls("assess", results / "readings.csv", "-o", results)
    assert ended.code == 2
    assert "frametally report" in ended.err
    assert (results / "assessment.json").read_bytes() == before


@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root may write everywhere")
def test_2_folder_that_may_not_be_written(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    shut = tmp_path / "shut"
    shut.mkdir(mode=0o555)
    ended = calls("run", frames, "-c", calibration_path, "-o", shut / "results")
    assert ended.code == 2
    assert "cannot be written" in ended.err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux has a device that is always full")
def test_2_full_disk_behind_stdout_is_told() -> None:
    with Path("/dev/full").open("w") as full:
        ended = subprocess.run(
            [sys.executable, "-m", "frametally", "limits"], stdout=full, stderr=subprocess.PIPE, text=True, check=False
        )
    assert ended.returncode == 2
    assert "make room" in ended.stderr
    assert "Traceback" not in ended.stderr


# --- 3, 4, 5 -------------------------------------------------------------------------------------------------------------


def test_3_no_photos_and_no_readable_ones(calls: Caller, calibration_path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "empty"
    folder.mkdir()
    arguments = ("run", folder, "-c", calibration_path, "-o", tmp_path / "results")
    assert calls(*arguments).code == 3
    (folder / "notes.txt").write_text("nothing\n", encoding="utf-8")
    assert calls(*arguments).code == 3
    for number in (1, 2, 3):
        (folder / f"cabin_{number:04d}.jpg").write_bytes(b"")
    ended = calls(*arguments)
    assert ended.code == 3
    assert "none of the 3 frames can be read" in ended.err
    (folder / "cabin_0001.jpg").unlink()
    assert calls(*arguments).code == 3


def test_4_frames_of_another_size(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    for path in frames.iterdir():
        picture = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        path.write_bytes(cv2.imencode(".jpg", cv2.resize(picture, (640, 480)))[1].tobytes())
    ended = calls("run", frames, "-c", calibration_path, "-o", tmp_path / "results")
    assert ended.code == 4
    assert "640 x 480" in ended.err
    assert "1280 x 960" in ended.err


def test_4_reference_frame_is_missing_or_damaged(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    (frames / "cabin_0001.jpg").write_bytes(b"gone")
    arguments = ("run", frames, "-c", calibration_path, "-o", tmp_path / "results")
    assert calls(*arguments).code == 4
    (frames / "cabin_0001.jpg").unlink()
    ended = calls(*arguments)
    assert ended.code == 4
    assert "'cabin_0001.jpg'" in ended.err


def test_5_too_much_doubt_only_when_asked(calls: Caller, frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    photo = frames / "cabin_0060.jpg"
    picture = cv2.imdecode(np.frombuffer(photo.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    photo.write_bytes(cv2.imencode(".jpg", np.full_like(picture, 90))[1].tobytes())  # nothing to be found in it
    arguments = ("read", frames, "-c", calibration_path, "-o", tmp_path / "results")
    assert calls(*arguments).code == 0
    ended = calls(*arguments, "--strict")
    assert ended.code == 5
    assert "of 20 readings are doubtful, unreadable or lost" in ended.err
    assert "Table: " in ended.out
    lenient = tmp_path / "lenient.toml"
    lenient.write_text("format = 1\nstrict_share = 1.0\n", encoding="utf-8")
    assert calls(*arguments, "--strict", "--method", lenient).code == 0


# --- 6, 70, 130 ----------------------------------------------------------------------------------------------------------


def test_6_missing_library(calls: Caller, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "frametally.run", None)
    ended = calls("run", tmp_path, "-c", tmp_path, "-o", tmp_path)
    assert ended.code == 6
    assert "install" in ended.err


def test_70_bug_of_ours(calls: Caller, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("frametally.run.run", broken)
    ended = calls("run", tmp_path, "-c", tmp_path, "-o", tmp_path)
    assert ended.code == 70
    assert "a fault in frametally itself (ZeroDivisionError: division by zero)" in ended.err
    assert "-v" in ended.err


@pytest.mark.parametrize("place", ["before", "behind"])
def test_70_bug_shows_where_with_v(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, place: str
) -> None:
    from frametally.cli.ending import run_to_code

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("frametally.run.run", broken)
    arguments = ["run", str(tmp_path), "-c", "c", "-o", "o"]
    assert run_to_code(cli, ["-v", *arguments] if place == "before" else [*arguments, "-v"]) == 70
    assert "Traceback" in capsys.readouterr().err


def test_130_ctrl_c_and_on_again(sample_frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    results = tmp_path / "results"
    arguments = ("run", sample_frames, "-c", calibration_path, "-o", results, "--jobs", "2")
    with start(*arguments) as process:
        wait_for_lines(results / "journal.jsonl", 3)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in said
    assert "run the same command again" in said
    assert 3 <= len((results / "journal.jsonl").read_bytes().splitlines()) < 151


def wait_for_lines(path: Path, count: int) -> None:
    """Wait until a growing file has so many lines."""
    end = time.monotonic() + 60
    while time.monotonic() < end:
        if path.exists() and path.read_bytes().count(b"\n") >= count:
            return
        time.sleep(0.005)
    raise TimeoutError(path)


# --- what reaches the terminal -------------------------------------------------------------------------------------------


def test_libraries_do_not_speak(frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    """libtiff prints to the file descriptor itself, past Python, when LZW codes are damaged."""
    from PIL import Image

    with Image.open(frames / "cabin_0015.jpg") as image:
        image.save(frames / "lzw.tif", compression="tiff_lzw")
    data = bytearray((frames / "lzw.tif").read_bytes())
    for place in np.random.default_rng(1).integers(600, len(data) - 4000, 40):
        data[place] ^= 0xFF
    (frames / "lzw.tif").write_bytes(data)
    ended = call("read", frames, "-c", calibration_path, "-o", tmp_path / "results")
    assert ended.code == 0
    lines = [line for line in ended.err.splitlines() if not line.startswith(("Note: ", "      "))]
    assert lines == []
    assert "lzw.tif" in ended.err


def test_names_the_terminal_cannot_show_stop_nothing(frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    ended = call("read", frames, "-c", calibration_path, "-o", tmp_path / "Boot ✓", PYTHONIOENCODING="latin-1")
    assert ended.code == 0
    assert "Boot \\u2713" in ended.out


def test_help_is_instant_because_nothing_heavy_is_loaded() -> None:
    code = (
        "import sys, frametally; from frametally.cli.main import cli; cli.main(['--help'], standalone_mode=False);"
        "print(sorted({'numpy', 'pandas', 'cv2', 'matplotlib', 'pydantic', 'PIL', 'scipy', 'jinja2'} & set(sys.modules)))"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.splitlines()[-1] == "[]"
