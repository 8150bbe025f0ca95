"""`film` as it is typed: what it writes, what it says, and how it ends."""

from __future__ import annotations

import builtins
import signal
import time
from pathlib import Path
from typing import Any

import pytest
from cli_calls import Caller, copy_frames, start, state_of

from film_nights import read_film
from frametally.errors import ExitCode
from frametally.run import Options, run


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first photos of the demo night, read."""
    root = Path(__file__).resolve().parents[2]
    folder = tmp_path_factory.mktemp("film")
    frames = copy_frames(root / "sample_frames", range(1, 6), folder / "frames")
    run(frames, root / "calibration" / "canal_boat.toml", folder / "results", options=Options(readings_only=True))
    return folder


def test_film_is_written_where_it_should_be(calls: Caller, night: Path, tmp_path: Path) -> None:
    before = state_of(night)
    path = tmp_path / "night.mp4"
    called = calls("film", night / "results", "-o", path, "--height", "720", "--seconds", "1")
    assert (called.code, called.out, called.err) == (ExitCode.FINISHED, f"Film: {path}\n", "")
    pictures, rate = read_film(path)
    assert (len(pictures), rate, pictures[0].shape) == (25, 25, (720, 1280, 3))
    assert state_of(night) == before
    again = calls("film", night / "results", "-o", path)
    assert again.code == ExitCode.BAD_USE
    assert "--force" in again.err


def test_pictures_for_an_editor(calls: Caller, night: Path, tmp_path: Path) -> None:
    asked = ("film", night / "results", "-o", tmp_path / "over", "--transparent", "--height", "720", "--speed", "25")
    assert calls(*asked).code == ExitCode.FINISHED
    assert len(list((tmp_path / "over").glob("*.png"))) == 5
    assert calls(*asked).code == ExitCode.BAD_USE
    assert calls(*asked, "--force").code == ExitCode.FINISHED
    (tmp_path / "over" / "mine.txt").write_text("mine")
    refused = calls(*asked, "--force")
    assert refused.code == ExitCode.BAD_USE
    assert "other files" in refused.err
    assert (tmp_path / "over" / "mine.txt").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--height", "719"), "719"),
        (("--height", "1081"), "even"),
        (("--fps", "0"), "--fps"),
        (("--speed", "0"), "--speed"),
        (("--speed", "30"), "never be seen"),
        (("--speed", "5", "--seconds", "5"), "one of them"),
        (("--frames", "nowhere"), "--frames FOLDER"),
    ],
)
def test_what_is_wrong_is_said(calls: Caller, night: Path, tmp_path: Path, options: tuple[str, ...], words: str) -> None:
    called = calls("film", night / "results", "-o", tmp_path / "night.mp4", *options)
    assert called.code == ExitCode.BAD_USE
    assert words in " ".join(called.err.split())
    assert not list(tmp_path.iterdir())


def test_without_av_the_code_is_6(calls: Caller, night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def no_av(name: str, *rest: Any) -> Any:
        if name == "av":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", no_av)
    called = calls("film", night / "results", "-o", tmp_path / "night.mp4")
    assert called.code == ExitCode.PROGRAM_MISSING
    assert "python -m pip install 'frametally[film]'" in called.err


def test_ctrl_c_leaves_no_half_film(night: Path, tmp_path: Path) -> None:
    path = tmp_path / "night.mp4"
    with start("film", night / "results", "-o", path, "--height", "2160", "--fps", "60", "--seconds", "600") as process:
        until = time.monotonic() + 100
        while not list(tmp_path.iterdir()) and time.monotonic() < until:
            time.sleep(0.05)
        assert list(tmp_path.iterdir())
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=100)
    assert process.returncode == ExitCode.INTERRUPTED
    assert "no film was left" in err
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []
