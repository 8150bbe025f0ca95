"""What a run left is taken up again: tables with units, findings, files; and the notebook of the documentation runs."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import frictionless
import matplotlib
import numpy as np
import pandas as pd
import pytest

import frametally
from frametally.errors import BadInput
from frametally.exporting import export
from frametally.model import AUDIT_COLUMNS, Flag, reading_columns
from frametally.run import run
from frametally.show.export import FORMS

NUMBERS = (1, 15, 30, 60, 90, 117, 118, 119, 127, 148)


@pytest.fixture(scope="session")
def results(tmp_path_factory: pytest.TempPathFactory, sample_frames: Path, calibration_path: Path, trial_path: Path) -> Path:
    """The results of ten photos of the demo night; only to be read."""
    place = tmp_path_factory.mktemp("load")
    frames = place / "frames"
    frames.mkdir()
    for number in NUMBERS:
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", frames)
    run(frames, calibration_path, place / "results", trial=trial_path)
    return place / "results"


@pytest.fixture
def own(results: Path, tmp_path: Path) -> Path:
    """A copy of the results, to be spoilt."""
    return Path(shutil.copytree(results, tmp_path / "own"))


def test_tables_come_back_typed_and_with_units(results: Path) -> None:
    night = frametally.load(results)
    assert isinstance(night, frametally.LoadedNight)
    assert list(night.readings.columns) == [column.name for column in reading_columns(night.calibration.displays)]
    assert night.readings["time"].iloc[0] == pd.Timestamp("2026-10-30T21:40:00+00:00")
    assert night.readings["time"].dt.tz is not None
    assert night.readings["co_ppm"].dtype == float
    assert len(night.readings) == len((results / "readings.csv").read_text().splitlines()) - 1
    assert night.units["co_ppm"] == "ppm"
    assert night.units["temp_c"] == "°C"
    assert night.readings.attrs == {"title": night.title, "units": night.units}
    assert night.title == "Solid-fuel stove banked down overnight, canal-boat cabin"


def test_a_cell_without_a_value_is_nan_and_its_flag_says_why(results: Path) -> None:
    night = frametally.load(results)
    rows = night.readings[night.readings["wall_co_ppm_flag"] == Flag.OVER_RANGE]
    assert len(rows) > 0
    assert rows["wall_co_ppm"].isna().all()


def test_the_audit_table_comes_back(results: Path) -> None:
    night = frametally.load(str(results))
    assert list(night.audit.columns) == [column.name for column in AUDIT_COLUMNS]
    assert len(night.audit) == len(night.readings) * len(night.displays)
    assert night.audit["confidence"].dropna().between(0, 1).all()
    assert set(night.audit["raw_text"].map(type)) == {str}


def test_findings_are_those_of_the_file(results: Path) -> None:
    night = frametally.load(results)
    stored = json.loads((results / "assessment.json").read_text())
    assert [finding.slug for finding in night.findings] == [one["slug"] for one in stored["findings"]]
    assert night.findings[0].evidence == tuple(stored["findings"][0]["evidence"])
    assert night.assessment.summary == stored["summary"]
    assert night.assessment.topics == stored["topics"]
    assert night.trial.space.volume_m3 == 24.0


def test_a_night_never_assessed_does_not_pass_for_one_without_findings(own: Path) -> None:
    (own / "assessment.json").unlink()
    night = frametally.load(own)
    with pytest.raises(BadInput, match="frametally report"):
        _ = night.findings


def test_the_table_alone_is_enough(own: Path) -> None:
    for path in own.iterdir():
        if path.name != "readings.csv":
            shutil.rmtree(path) if path.is_dir() else path.unlink()
    night = frametally.load(own)
    assert (night.calibration, night.trial, night.audit) == (None, None, None)
    assert night.units["o2_pct"] == "%"
    assert night.title == "own"


def test_a_change_of_the_clocks_is_given_in_utc(own: Path) -> None:
    lines = (own / "readings.csv").read_text().splitlines()
    rows = [line.split(",", 1)[1] for line in lines[1:]]
    times = ["2026-10-25T01:50:00+01:00", "2026-10-25T01:10:00+00:00", *[""] * (len(rows) - 2)]
    text = "\n".join([lines[0], *(f"{time},{row}" for time, row in zip(times, rows, strict=True))])
    (own / "readings.csv").write_text(text + "\n")
    table = frametally.load(own).readings
    assert table["time"].iloc[1] - table["time"].iloc[0] == timedelta(minutes=20)
    assert str(table["time"].dt.tz) == "UTC"
    assert table["time"].iloc[2:].isna().all()


def test_no_offset_is_added(own: Path) -> None:
    path = own / "readings.csv"
    path.write_text(path.read_text().replace("+00:00", ""))
    table = frametally.load(own).readings
    assert table["time"].dt.tz is None
    assert table["time"].iloc[0] == pd.Timestamp("2026-10-30T21:40:00")


@pytest.mark.parametrize("name", ["NA", "null", "=1+1", "-3", "1e5"])
def test_names_of_photos_stay_as_they_are(own: Path, name: str) -> None:
    path = own / "readings.csv"
    path.write_text(path.read_text().replace("cabin_0001.jpg", name))
    assert frametally.load(own).readings["frame"].iloc[0] == name


def test_what_is_wrong_is_said(own: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no folder"):
        frametally.load(tmp_path / "none")
    with pytest.raises(BadInput, match=r"holds no readings\.csv"):
        frametally.load(tmp_path)
    sound = (own / "readings.csv").read_text()
    for spoilt, words in (
        (sound.replace("co_ppm,", "gas,", 1), "lacks the column 'co_ppm'"),
        (sound.replace("2026-10-30T21:40:00+00:00", "yesterday"), r"row 1: the time 'yesterday'"),
        (sound.replace("2026-10-30T21:40:00+00:00", "2026-10-30T21:40:00"), "some have none"),
        (re.sub(r"jpg,\d+,ok", "jpg,x12,ok", sound, count=1), "'x12', which is no number"),
        ("", "cannot be read"),
    ):
        (own / "readings.csv").write_text(spoilt)
        with pytest.raises(BadInput, match=words):
            frametally.load(own)
    (own / "readings.csv").write_text(sound)
    for spoilt in ("{", '{"format": 1}', '{"format": 2, "findings": [], "summary": {}}', "[]"):
        (own / "assessment.json").write_text(spoilt)
        with pytest.raises(BadInput, match=r"assessment\.json"):
            frametally.load(own)


def test_the_data_package_of_a_real_run_is_valid(results: Path) -> None:
    """frictionless 5 is the validator of the standards' own authors (specs.frictionlessdata.io)."""
    report = frictionless.validate(str(results / "datapackage.json"))
    assert report.valid, report.flatten(["type", "message"])
    assert {task.name: task.stats["rows"] for task in report.tasks} == {
        "readings": len(frametally.load(results).readings),
        "readings_audit": len(frametally.load(results).audit),
    }


@pytest.mark.parametrize("form", FORMS)
def test_a_real_run_is_exported(results: Path, tmp_path: Path, form: str) -> None:
    written = export(results, form, tmp_path / FORMS[form])
    night = frametally.load(results)
    if form == "xlsx":
        table = pd.read_excel(written, sheet_name="Readings").rename(columns=lambda name: name.split(" [")[0])
        assert table["time"].iloc[0] == pd.Timestamp("2026-10-30T21:40:00")
    elif form == "parquet":
        table = pd.read_parquet(written)
        assert table["time"].tolist() == night.readings["time"].tolist()
    else:
        flat = pd.read_csv(written)
        assert len(flat) == len(night.audit)
        table = flat.pivot_table(index="elapsed_min", columns="display", values="value", dropna=False).reset_index()
    for display in night.displays:
        np.testing.assert_allclose(table[display.key].to_numpy(float), night.readings[display.key].to_numpy(float))


def test_load_is_loaded_late() -> None:
    code = "import frametally, sys; print('frametally.loading' in sys.modules, 'pandas' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "False False\n"


def test_the_notebook_of_the_documentation_runs(
    own: Path, repository: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    matplotlib.use("Agg")
    own.rename(own.with_name("results"))
    monkeypatch.chdir(own.parent)
    blocks = re.findall(r"```python\n(.*?)```", (repository / "docs" / "notebook.md").read_text(encoding="utf-8"), re.DOTALL)
    assert len(blocks) == 7
    names: dict[str, object] = {}
    for number, block in enumerate(blocks):
        exec(compile(block, f"block {number + 1} of notebook.md", "exec"), names)
    out = capsys.readouterr().out
    assert "Solid-fuel stove" in out
    assert "highest settled: " in out
    assert Path("co.png").stat().st_size > 5000
    assert np.isfinite(names["co"]).sum() == len(names["settled"])
