"""What the tests of the command line share."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from cli_calls import Caller, copy_frames

from frametally.run import run

NUMBERS = (1, 15, 60, 118)


@pytest.fixture
def calls(capsys: pytest.CaptureFixture[str]) -> Caller:
    """The command line, to be called inside this process."""
    return Caller(capsys)


@pytest.fixture
def frames(tmp_path: Path, sample_frames: Path) -> Path:
    """Four photos of the demo night in a folder of their own."""
    return copy_frames(sample_frames, NUMBERS, tmp_path / "frames")


@pytest.fixture(scope="session")
def _finished(tmp_path_factory: pytest.TempPathFactory, sample_frames: Path, calibration_path: Path, trial_path: Path) -> Path:
    top = tmp_path_factory.mktemp("finished")
    run(copy_frames(sample_frames, NUMBERS, top / "frames"), calibration_path, top / "results", trial=trial_path)
    return top


@pytest.fixture
def results(_finished: Path, tmp_path: Path) -> Path:
    """The results folder of a whole run on such photos, a copy for this test alone; its photos lie where they were read."""
    return Path(shutil.copytree(_finished / "results", tmp_path / "results"))
