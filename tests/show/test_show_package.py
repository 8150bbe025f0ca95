"""The data package, checked by the reference library of the standard (frictionless), and the evidence folder."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import frictionless
import numpy as np
import pandas as pd
import pytest

from frametally.errors import BadInput
from frametally.model import AUDIT_COLUMNS, Column, Display, reading_columns
from frametally.show.evidence import encode_picture, safe_name, write_evidence
from frametally.show.package import TableFile, table_files, write_datapackage
from frametally.show.tables import write_audit, write_readings


@pytest.fixture
def results(tmp_path: Path, displays: tuple[Display, ...], night: pd.DataFrame) -> Path:
    """A folder with both tables and their description."""
    rows = [
        dict.fromkeys(column.name for column in AUDIT_COLUMNS)
        | {
            "time": row["time"], "elapsed_min": row["elapsed_min"], "frame": row["frame"], "display": display.key,
            "raw_text": "8,8\n", "raw_value": row[display.key], "value": row[display.key], "confidence": 0.5,
            "flag": row[f"{display.key}_flag"],
            "reader": "segments",
        }
        for _, row in night.iterrows()
        for display in displays
    ]  # fmt: skip
    night.loc[3, "time"] = None
    night.loc[4, "time"] = "2026-10-30T22:16:00.250000"
    write_readings(night, displays, tmp_path / "readings.csv")
    write_audit(pd.DataFrame(rows), tmp_path / "readings_audit.csv", displays)
    write_datapackage(tmp_path, displays, version="1.2.3")
    return tmp_path


def validate(folder: Path) -> frictionless.Report:
    return frictionless.validate(str(folder / "datapackage.json"))


def test_the_reference_library_finds_it_valid(results: Path) -> None:
    report = validate(results)
    assert report.valid, report.flatten(["title", "message"])
    assert report.stats["tasks"] == 2
    assert [task.stats["rows"] for task in report.tasks] == [40, 120]


def test_one_changed_byte_is_noticed(results: Path) -> None:
    path = results / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b",193,", b",198,"))
    report = validate(results)
    assert not report.valid
    assert report.flatten(["type"]) == [["hash-count"]]


def test_an_unknown_flag_is_noticed(results: Path, displays: tuple[Display, ...]) -> None:
    path = results / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"over_range", b"over-range"))
    write_datapackage(results, displays)
    assert ["constraint-error"] in validate(results).flatten(["type"])


def test_every_column_is_described(results: Path, displays: tuple[Display, ...]) -> None:
    package = json.loads((results / "datapackage.json").read_text(encoding="utf-8"))
    assert package["profile"] == "tabular-data-package"
    assert package["generator"] == {"name": "frametally", "version": "1.2.3"}
    for resource, columns in zip(package["resources"], (reading_columns(displays), AUDIT_COLUMNS), strict=True):
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == [column.name for column in columns]
        assert [field["description"] for field in fields] == [column.meaning for column in columns]
        assert [field.get("unit", "") for field in fields] == [column.unit for column in columns]
        assert resource["bytes"] == (results / resource["path"]).stat().st_size
        assert resource["schema"]["missingValues"] == [""]


def test_further_tables_can_be_described(results: Path, displays: tuple[Display, ...]) -> None:
    (results / "corrections.csv").write_text("frame,who\na.jpg,me\n")
    extra = TableFile(
        "corrections.csv", "Set by hand", (Column("frame", "string", "", "Photo."), Column("who", "string", "", "Who."))
    )
    write_datapackage(results, displays, files=(*table_files(displays), extra))
    report = validate(results)
    assert report.valid
    assert len(report.tasks) == 3


def test_a_table_that_is_not_there_is_named(tmp_path: Path, displays: tuple[Display, ...]) -> None:
    with pytest.raises(BadInput, match=r"readings\.csv"):
        write_datapackage(tmp_path, displays)
    assert list(tmp_path.iterdir()) == []


def test_evidence_comes_back_pixel_for_pixel(tmp_path: Path) -> None:
    crop = np.random.default_rng(7).integers(0, 256, (20, 30, 3), dtype=np.uint8)
    written = write_evidence(tmp_path / "evidence", {"peak_co_ppm": crop, "night/IMG 1.jpg": crop})
    back = cv2.imdecode(np.frombuffer(written["peak_co_ppm"].read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    np.testing.assert_array_equal(back, crop)
    assert written["peak_co_ppm"].name == "peak_co_ppm.png"
    assert written["night/IMG 1.jpg"].read_bytes().startswith(b"\xff\xd8\xff")


@pytest.mark.parametrize(
    "name", ["../../x", "/etc/passwd", "a\\b", "con", "NUL.png", "", "...", "Küche.png", "x" * 300, "a:b?.png", "=1+1"]
)
def test_evidence_stays_in_its_folder_under_a_plain_name(name: str, tmp_path: Path) -> None:
    crop = np.zeros((4, 4), np.uint8)
    written = write_evidence(tmp_path / "evidence", {name: crop})
    assert written[name].resolve().parent == (tmp_path / "evidence").resolve()
    assert set(written[name].name) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-")
    assert written[name].stem.lower() not in {"con", "nul", ""}
    assert len(written[name].name) < 120


def test_two_names_never_share_a_file(tmp_path: Path) -> None:
    crop = np.zeros((4, 4), np.uint8)
    names = ["a/b", "a_b", "a:b", "A_B", "a b"]
    written = write_evidence(tmp_path, dict.fromkeys(names, crop))
    assert len({path.name.lower() for path in written.values()}) == len(names)
    assert safe_name("a_b") == "a_b.png"


def test_an_empty_crop_is_refused() -> None:
    with pytest.raises(ValueError, match="needs pixels"):
        encode_picture(np.zeros((0, 5, 3), np.uint8))
