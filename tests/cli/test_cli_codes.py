"""Every exit code of the program, and that what it says with each is a sentence for the user, never a traceback."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from cli_calls import Caller, call, copy_frames, start

from frametally.cli.ending import own_name
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


def test_0_whole_job(
    calls: Caller, frames: Path, calibration_path: Path, trial_path: Path, leave_out_charts: Callable[[], None], tmp_path: Path
) -> None:
    results = tmp_path / "results"
    done = calls("run", frames, "-c", calibration_path, "-t", trial_path, "-o", results)
    assert done.code == 0
    assert f"Report: {results / 'report.html'}" in done.out
    assert "21:40  cabin_0001.jpg       3    20.9" in done.out  # as truth.csv has it
    assert "co_ppm: 4 ok" in done.out
    assert len((done.out + done.err).splitlines()) <= 60
    leave_out_charts()
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


def test_0_trial_of_another_night_and_column_that_is_not_assessed_are_told(
    calls: Caller, trial_path: Path, tmp_path: Path
) -> None:
    table = tmp_path / "logger.csv"
    rows = "2027-02-27T21:45:00+00:00,5,20.9\n2027-02-27T22:44:00+00:00,6,20.8\n"
    table.write_text("time,co_ppm,oxygen\n" + rows, encoding="utf-8")
    done = calls("assess", table, "-t", trial_path, "-o", tmp_path / "out")
    assert done.code == 0
    assert "Note: The trial seems to be of another night" in done.err
    assert "--column 'oxygen=o2_pct'" in done.err
    assert calls("assess", table, "-t", trial_path, "-o", tmp_path / "out", "-q").err == ""
    table.write_text("time,co_ppm\n2026-10-30T21:45:00+00:00,5\n2026-10-30T22:45:00+00:00,5\n", encoding="utf-8")
    assert calls("assess", table, "-t", trial_path, "-o", tmp_path / "out").err == ""


@pytest.mark.parametrize(
    ("started", "on_path", "expected"),
    [
        ("/boat/bin/frametally", "/boat/bin/frametally", ["frametally"]),
        ("/boat/bin/frametally", None, ["/boat/bin/frametally"]),
        ("bin/frametally", "/usr/bin/frametally", ["bin/frametally"]),
        ("/boat/frametally/__main__.py", None, [sys.executable, "-m", "frametally"]),
        ("/somewhere/pytest", None, ["frametally"]),
    ],
)
def test_own_name_is_what_works_as_typed(
    monkeypatch: pytest.MonkeyPatch, started: str, on_path: str | None, expected: list[str]
) -> None:
    monkeypatch.setattr(sys, "argv", [started])
    monkeypatch.setattr("frametally.cli.ending.shutil.which", lambda name: on_path)
    assert own_name() == expected


def test_0_practice_says_a_command_that_works_as_typed(tmp_path: Path) -> None:
    drawn = subprocess.run(
        [sys.executable, "-m", "frametally", "practice", tmp_path / "my night", "--frames", "2", "--clean"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    command = shlex.split(drawn.stdout.splitlines()[-1].partition("Read it:")[2])
    assert command[:3] == [sys.executable, "-m", "frametally"]
    subprocess.run(command, check=True, capture_output=True, cwd=tmp_path)


def test_0_practice_night_is_drawn_and_its_command_works(
    calls: Caller, leave_out_charts: Callable[[], None], tmp_path: Path
) -> None:
    told = calls("practice", "--list")
    assert told.code == 0
    assert "Troubles:" in told.out
    drawn = calls("practice", tmp_path / "my practice", "--frames", "3", "--clean", "--seed", "2")
    assert drawn.code == 0
    command = shlex.split(drawn.out.splitlines()[-1].partition("Read it:")[2])
    assert command[0] == "frametally"
    leave_out_charts()
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
        (("run", "FRAMES", "-o", "OUT"), "For example: frametally run photos -c calibration.toml -o results"),
        (("read", "FRAMES", "-c", "CALIBRATION"), "For example: frametally read photos -c calibration.toml -o results"),
        (("report",), "For example: frametally report results"),
        (("assess", "TABLE"), "For example: frametally assess table.csv -o results"),
        (("practice",), "For example: frametally practice my_night"),
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


def test_2_evidence_is_not_taken_for_photos(calls: Caller, results: Path, calibration_path: Path) -> None:
    assert list((results / "evidence").glob("*.jpg"))
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


def test_2_assessment_of_a_run_is_not_overwritten(calls: Caller, results: Path) -> None:
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


def test_4_not_one_display_could_be_read(calls: Caller, sample_frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    photos, results = copy_frames(sample_frames, range(1, 10), tmp_path / "photos"), tmp_path / "results"
    text = calibration_path.read_text(encoding="utf-8").partition('  [[instrument.display]]\n  key = "o2_pct"')[0]
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(
        text.replace("[[760, 389], [886, 391], [871, 461], [746, 457]]", "[[1060, 59], [1186, 61], [1171, 131], [1046, 127]]")
    )
    ended = calls("read", photos, "-c", wrong, "-o", results, "--strict")
    assert ended.code == 4
    assert ended.err.startswith("Note: co_ppm: read in 0 of 9 photos.")
    assert "the calibration does not fit these photos: the display was read in fewer than a tenth" in ended.err
    assert f"Table:  {results / 'readings.csv'}" in ended.out
    assert (results / "readings.csv").exists()
    assert (results / "evidence" / "co_ppm_as_marked_cabin_0001.jpg").exists()


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


@pytest.mark.parametrize("pauses_s", [(0.0,), (0.05, 0.05, 0.1, 0.15, 0.15, 0.15)])
def test_130_ctrl_c_pressed_again_and_again(
    sample_frames: Path, calibration_path: Path, tmp_path: Path, pauses_s: tuple[float, ...]
) -> None:
    results = tmp_path / "results"
    with start("run", sample_frames, "-c", calibration_path, "-o", results, "--jobs", "2") as process:
        wait_for_lines(results / "journal.jsonl", 3)
        process.send_signal(signal.SIGINT)
        for pause_s in pauses_s:
            time.sleep(pause_s)
            process.send_signal(signal.SIGINT)
        out, said = process.communicate(timeout=60)
    kept = len((results / "journal.jsonl").read_bytes().splitlines()) - 1
    assert process.returncode == 130
    assert said.strip() == f"Stopped: {kept} of 148 frames are read and kept; run the same command again to go on."
    assert out == ""


def test_130_ctrl_c_before_anything_is_read_promises_nothing(calls: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("frametally.run.run", stopped)
    ended = calls("run", "a", "-c", "b", "-o", "c")
    assert ended.code == 130
    assert ended.err.strip() == "Stopped; run the same command again to go on."


def test_130_report_of_a_stopped_run_says_how_to_go_on(calls: Caller, tmp_path: Path) -> None:
    (tmp_path / "journal.jsonl").write_bytes(b"{}\n")
    ended = calls("report", tmp_path)
    assert ended.code == 2
    assert "it was stopped while it read. Give the same `frametally run` command again" in ended.err


def test_130_an_error_that_ctrl_c_caused_in_a_library_is_no_bug_of_ours(tmp_path: Path) -> None:
    code = (
        "import os, signal, frametally.run\n"
        "def broken(*_, **__):\n"
        "    try: os.kill(os.getpid(), signal.SIGINT)\n"
        "    except KeyboardInterrupt: raise SystemError('initialization failed') from None\n"
        "frametally.run.run = broken\n"
        "from frametally.cli.main import main\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "main(['run', 'a', '-c', 'b', '-o', 'c'])"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert (ended.returncode, ended.stderr) == (130, "Stopped; run the same command again to go on.\n")


def test_130_ctrl_c_ends_at_once_when_the_orderly_end_takes_too_long(tmp_path: Path) -> None:
    code = (
        "import signal, time, frametally.run, frametally.cli.interruption as i\n"
        "i.PATIENCE_S = 0.2\n"
        "def deaf(*_, **__):\n"
        "    try: print('started', flush=True); time.sleep(60)\n"
        "    finally: print('stopping', flush=True); time.sleep(60)\n"
        "frametally.run.run = deaf\n"
        "from frametally.cli.main import main\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "main(['run', 'a', '-c', 'b', '-o', 'c'])"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "started\n"
        process.send_signal(signal.SIGINT)
        assert process.stdout.readline() == "stopping\n"
        time.sleep(0.4)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=20)
    assert process.returncode == 130
    assert said.startswith("Stopped at once")


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

    for name in ("cabin_0060.jpg", "cabin_0118.jpg"):
        (frames / name).unlink()
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


def test_names_the_terminal_cannot_show_stop_nothing(sample_frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    frames = copy_frames(sample_frames, (1,), tmp_path / "frames")
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
