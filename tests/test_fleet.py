"""Manifests: TOML and CSV say the same, paths count from the manifest, and faults are told with their place."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from frametally.errors import BadInput
from frametally.fleet import load_fleet
from frametally.places import Url

TOML = """
format = 1
[[night]]
name = "Heron"
frames = "heron/photos"
calibration = "heron.toml"
trial = "heron.trial.toml"
results = "out/heron"
utc_offset = "+01:00"
[[night]]
frames = "s3://nights/otter"
calibration = "otter.toml"
method = "strict.toml"
results = "out/otter"
start = 2026-10-30T21:40:00+00:00
every_s = 60
camera = "IMG_*"
"""

CSV = """name,frames,calibration,trial,method,results,utc_offset,start,every_s,camera
Heron,heron/photos,heron.toml,heron.trial.toml,,out/heron,+01:00,,,

,s3://nights/otter,otter.toml,,strict.toml,out/otter,,2026-10-30T21:40:00+00:00,60,IMG_*
"""


@pytest.fixture
def write(tmp_path: Path):  # type: ignore[no-untyped-def]
    def to_file(text: str, name: str = "fleet.toml") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return to_file


def test_both_forms_give_the_same_jobs(write, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    jobs = load_fleet(write(TOML))
    assert jobs == load_fleet(write("\ufeff" + CSV, "fleet.CSV"))
    heron, otter = jobs
    assert (heron.name, otter.name) == ("Heron", "out/otter")
    assert heron.frames == tmp_path / "heron" / "photos"
    assert otter.frames == Url("s3://nights/otter")
    assert (heron.trial, otter.trial) == (tmp_path / "heron.trial.toml", None)
    assert (heron.method, otter.method) == (None, tmp_path / "strict.toml")
    assert (otter.start, otter.every_s) == (datetime.fromisoformat("2026-10-30T21:40:00+00:00"), 60.0)
    assert (heron.utc_offset, heron.start) == ("+01:00", None)
    assert (heron.camera, otter.camera) == (None, "IMG_*")


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("fleet.toml", "format = 1\n", "night"),
        ("fleet.toml", TOML.replace("format = 1", ""), "format is missing"),
        ("fleet.toml", TOML.replace('frames = "heron/photos"', 'frame = "heron/photos"'), "did you mean frames"),
        ("fleet.toml", TOML.replace("every_s = 60", "every_s = 0"), "every_s"),
        ("fleet.toml", TOML.replace("out/otter", "out/../out/heron"), "the same results folder"),
        ("fleet.toml", TOML.replace("out/otter", "heron/photos/otter"), "would lie among the photos of 'Heron'"),
        ("fleet.toml", TOML.replace('"IMG_*"', '""'), "camera"),
        ("fleet.csv", "", "the first line should name the columns"),
        ("fleet.csv", CSV.replace(",60", ",a minute"), "every_s"),
        ("fleet.csv", CSV.replace("2026-10-30T21:40:00+00:00", "yesterday"), "start"),
        ("fleet.csv", CSV.replace("Heron,", "Heron, with a comma,"), "line 2: 11 cells, 10 columns"),
        ("fleet.csv", CSV.replace("results", "result"), "did you mean results"),
        ("fleet.csv", CSV.splitlines()[0], "night"),
    ],
)
def test_faults_are_told(write, name: str, text: str, said: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(BadInput, match=said) as told:
        load_fleet(write(text, name))
    assert name in str(told.value)


def test_a_calibration_in_its_place_is_told(calibration_path: Path) -> None:
    with pytest.raises(BadInput, match="looks like a calibration file, but a manifest file is asked for"):
        load_fleet(calibration_path)
