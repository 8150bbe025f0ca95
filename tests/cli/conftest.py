"""What the tests of the command line share."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_calls import Caller, copy_frames


@pytest.fixture
def calls(capsys: pytest.CaptureFixture[str]) -> Caller:
    """The command line, to be called inside this process."""
    return Caller(capsys)


@pytest.fixture
def frames(tmp_path: Path, sample_frames: Path) -> Path:
    """Four photos of the demo night in a folder of their own."""
    return copy_frames(sample_frames, (1, 15, 60, 118), tmp_path / "frames")
