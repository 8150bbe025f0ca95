"""The public names for notebooks: loaded when asked for, and what they give."""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
from importlib.metadata import version
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

import frametally
from frametally.errors import BadInput, CalibrationMisfit, NoFrames
from frametally.run import Options, run


@pytest.fixture
def frames(tmp_path: Path, sample_frames: Path) -> Path:
    folder = tmp_path / "frames"
    folder.mkdir()
    for number in (1, 2, 60, 118, 127):
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", folder)
    return folder


def test_import_loads_nothing_heavy() -> None:
    code = "import frametally, sys; print(sorted({'numpy', 'pandas', 'cv2', 'pydantic', 'click'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == "[]"


def test_names_are_there() -> None:
    assert frametally.__version__ == version("frametally")
    for name in frametally.__all__:
        assert getattr(frametally, name) is not None
        assert name in dir(frametally)
    assert frametally.Flag("over_range") is frametally.Flag.OVER_RANGE
    with pytest.raises(AttributeError, match="read_everything"):
        frametally.read_everything  # noqa: B018


def test_read_display(sample_frames: Path) -> None:
    image = cv2.imdecode(np.fromfile(sample_frames / "cabin_0060.jpg", np.uint8), cv2.IMREAD_COLOR)
    corners = ((757, 484), (874, 490), (861, 549), (742, 545))  # of o2_pct in canal_boat.toml
    reading = frametally.read_display(image, digits="##.#", corners=corners)
    assert isinstance(reading, frametally.Reading)
    truth = pd.read_csv(sample_frames / "truth.csv", dtype=str, index_col="frame").loc["cabin_0060.jpg", "o2_pct"]
    assert (reading.text, reading.value) == (truth, float(truth))
    assert reading.confidence > 0.9
    assert reading.rivals[0].text == reading.text


@pytest.mark.parametrize("jobs", [1, 2])
def test_read_frames_gives_what_readings_csv_has(
    frames: Path, calibration_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, jobs: int
) -> None:
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    results = tmp_path / "results"
    run(frames, calibration_path, results, options=Options(readings_only=True))
    before = sorted(frames.iterdir())
    table = frametally.read_frames(str(frames), frametally.load_calibration(calibration_path), jobs=jobs)
    assert sorted(frames.iterdir()) == before
    assert list(temporary.iterdir()) == []
    written = pd.read_csv(io.BytesIO((results / "readings.csv").read_bytes()), keep_default_na=False, na_values={"co_ppm": [""]})
    assert list(table.columns) == list(written.columns)
    assert table["frame"].tolist() == written["frame"].tolist()
    assert table["time"].tolist() == written["time"].tolist()
    assert table["co_ppm_flag"].tolist() == written["co_ppm_flag"].tolist()
    np.testing.assert_array_equal(table["co_ppm"].to_numpy(float), written["co_ppm"].to_numpy(float))
    assert pd.to_datetime(table["time"]).iloc[0] == pd.Timestamp("2026-10-30T21:40:00+00:00")


def test_read_frames_leaves_opencv_as_it_was(frames: Path, calibration_path: Path) -> None:
    threads = cv2.getNumThreads()
    told: list[tuple[int, int]] = []
    frametally.read_frames(frames, calibration_path, progress=lambda done, total: told.append((done, total)))
    assert cv2.getNumThreads() == threads
    assert told[-1] == (5, 5)


def test_read_frames_says_what_is_wrong(frames: Path, calibration_path: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such file"):
        frametally.read_frames(frames, tmp_path / "none.toml")
    with pytest.raises(BadInput, match="cannot be opened"):
        frametally.read_frames(tmp_path / "none", calibration_path)
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(NoFrames):
        frametally.read_frames(empty, calibration_path)
    (frames / "cabin_0001.jpg").unlink()
    with pytest.raises(CalibrationMisfit):
        frametally.read_frames(frames, calibration_path)
