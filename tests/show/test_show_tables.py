"""The tables: exact bytes, nothing lost, nothing half written."""

from __future__ import annotations

import json
import os
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametally.errors import BadInput
from frametally.model import AUDIT_COLUMNS, Assessment, Display, Finding, Flag
from frametally.show.files import write_json, write_whole
from frametally.show.tables import count_flags, decimal_places, format_value, formula_like, write_audit, write_readings


def small(frames: list[str | None]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "time": ["2026-10-30T21:40:00+00:00", "2026-10-30T21:44:00+00:00", None],
            "elapsed_min": [0.0, 4.0, 7.5],
            "frame": pd.Series(frames, dtype=object),
            "co_ppm": [193.0, np.nan, 7.0],
            "co_ppm_flag": ["ok", "no_frame", Flag.DOUBTFUL],
            "o2_pct": [20.0, np.nan, 20.95],
            "o2_pct_flag": ["repaired", "no_frame", "corrected"],
        }
    )


def audit_row(**changed: object) -> pd.DataFrame:
    row: dict[str, object] = {
        "time": "2026-10-30T21:40:00+00:00", "elapsed_min": 1 / 3, "frame": "a.jpg", "display": "o2_pct", "raw_text": " 20.9",
        "raw_value": 20.9, "value": 20.0, "confidence": 0.99996, "flag": "repaired", "rival_text": "20.0",
        "rival_confidence": 0.00004, "reader": "segments", "sharpness": 5.0, "quality": 1.0, "shift_x_px": -0.001,
        "shift_y_px": 12.345, "rotation_deg": -0.5,
    }  # fmt: skip
    return pd.DataFrame([row | changed])


def test_readings_are_these_bytes(tmp_path: Path, displays: tuple[Display, ...]) -> None:
    write_readings(small(["b/1.jpg", None, "3.jpg"]), displays[:2], tmp_path / "readings.csv")
    assert (tmp_path / "readings.csv").read_bytes() == (
        b"time,elapsed_min,frame,co_ppm,co_ppm_flag,o2_pct,o2_pct_flag\n"
        b"2026-10-30T21:40:00+00:00,0,b/1.jpg,193,ok,20.0,repaired\n"
        b"2026-10-30T21:44:00+00:00,4,,,no_frame,,no_frame\n"
        b",7.5,3.jpg,7,doubtful,20.95,corrected\n"
    )


def test_audit_is_these_bytes(tmp_path: Path, displays: tuple[Display, ...]) -> None:
    write_audit(audit_row(), tmp_path / "audit.csv", displays)
    header = ",".join(column.name for column in AUDIT_COLUMNS)
    assert (tmp_path / "audit.csv").read_text(encoding="utf-8") == (
        f"{header}\n2026-10-30T21:40:00+00:00,0.3333,a.jpg,o2_pct, 20.9,20.9,20.0,0.9999,repaired,20.0,0.0000,"
        "segments,5.00,1.0000,0.00,12.34,-0.500\n"
    )


def test_a_probability_is_never_shown_as_certain_when_it_is_not(tmp_path: Path) -> None:
    write_audit(audit_row(confidence=1 - 1e-9), tmp_path / "audit.csv")
    assert pd.read_csv(tmp_path / "audit.csv")["confidence"].item() == 0.9999
    write_audit(audit_row(confidence=1.0), tmp_path / "audit.csv")
    assert ",1.0000,repaired" in (tmp_path / "audit.csv").read_text()


def test_without_displays_values_are_as_short_as_they_can_be(tmp_path: Path) -> None:
    write_audit(audit_row(value=20.0, raw_value=0.1 + 0.2), tmp_path / "audit.csv")
    assert ",0.30000000000000004,20," in (tmp_path / "audit.csv").read_text()


def test_pandas_reads_the_same_table(tmp_path: Path, displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    write_readings(night, displays, tmp_path / "readings.csv")
    back = pd.read_csv(tmp_path / "readings.csv")
    assert list(back.columns) == list(night.columns)
    for display in displays:
        np.testing.assert_array_equal(back[display.key].to_numpy(float), night[display.key].to_numpy(float))
        assert back[f"{display.key}_flag"].tolist() == night[f"{display.key}_flag"].tolist()
    assert [datetime.fromisoformat(t) for t in back["time"]] == [datetime.fromisoformat(t) for t in night["time"]]


@pytest.mark.parametrize(
    "name",
    [
        '=cmd|" /C calc"!A0.jpg',
        "-1.jpg",
        "a,b.jpg",
        'say "x".jpg',
        "two\nlines.jpg",
        "cr\rcr.jpg",
        "Küche ä/Foto 1.jpg",
        " 1.jpg ",
        "NA",
    ],
)
def test_any_frame_name_comes_back_as_it_was(name: str, tmp_path: Path, displays: tuple[Display, ...]) -> None:
    write_readings(small([name, None, "3.jpg"]), displays[:2], tmp_path / "readings.csv")
    with (tmp_path / "readings.csv").open(encoding="utf-8", newline="") as file:
        back = pd.read_csv(file, dtype=str, keep_default_na=False)
    assert back["frame"].tolist() == [name, "", "3.jpg"]


def test_a_name_that_is_no_utf8_leaves_the_table_utf8(tmp_path: Path, displays: tuple[Display, ...]) -> None:
    name = os.fsdecode(b"caf\xe9.jpg")
    write_readings(small([name, None, "3.jpg"]), displays[:2], tmp_path / "readings.csv")
    assert "\\udce9.jpg" in (tmp_path / "readings.csv").read_text(encoding="utf-8")


def test_names_like_formulas_are_found() -> None:
    assert formula_like(["=1.jpg", "a=1.jpg", "@b", None, "=1.jpg", "-c", "+d"]) == ["=1.jpg", "@b", "-c", "+d"]


@given(st.integers(-(10**6), 10**6), st.sampled_from([0.01, 0.1, 0.5, 0.25, 1.0, 5.0]))
def test_a_value_the_display_can_show_is_printed_as_the_display_prints_it(steps: int, resolution: float) -> None:
    exact = Decimal(str(resolution)) * steps
    text = format_value(float(exact), resolution)
    assert Decimal(text) == exact
    assert (
        len(text.partition(".")[2])
        == {0.01: 2, 0.1: 1, 0.5: 1, 0.25: 2, 1.0: 0, 5.0: 0}[resolution]
        == decimal_places(resolution)
    )


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from([None, 0.1, 1.0, 0.25]))
def test_no_value_loses_digits(value: float, resolution: float | None) -> None:
    text = format_value(value, resolution)
    assert "e" not in text.lower()
    assert float(text) == pytest.approx(value, rel=1e-9, abs=1e-9 if resolution else 0)
    if resolution is None:
        assert float(text) == value


def test_no_value_is_an_empty_cell_and_infinity_is_refused() -> None:
    assert format_value(None) == format_value(float("nan"), 0.1) == ""
    assert format_value(-0.0, 0.1) == "0.0"
    with pytest.raises(ValueError, match="inf"):
        format_value(float("inf"))


def test_a_missing_column_is_named(tmp_path: Path, displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    with pytest.raises(ValueError, match="o2_pct_flag"):
        write_readings(night.drop(columns="o2_pct_flag"), displays, tmp_path / "readings.csv")
    assert list(tmp_path.iterdir()) == []


def test_flags_are_counted(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    counts = count_flags(night, displays)
    assert list(counts.columns) == [flag.value for flag in Flag]
    assert (
        counts.loc["co_ppm"].to_dict() | {"ok": 37, "repaired": 1, "hidden": 1, "no_frame": 1} == counts.loc["co_ppm"].to_dict()
    )
    assert counts.loc["wall_co_ppm", "over_range"] == counts.loc["wall_co_ppm", "blank"] == 1
    assert (counts.sum(axis=1) == len(night)).all()


def test_a_failed_write_leaves_the_old_file_and_no_crumbs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "readings.csv"
    write_whole(path, b"old")

    def full(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(BadInput, match=r"readings\.csv.*No space left.*room on the disk"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["readings.csv"]


def test_a_folder_that_is_a_file_is_the_users_to_mend(tmp_path: Path) -> None:
    (tmp_path / "results").write_text("not a folder")
    with pytest.raises(BadInput, match="another results folder"):
        write_whole(tmp_path / "results" / "readings.csv", b"x")


def test_json_is_plain_and_stable(tmp_path: Path) -> None:
    finding = Finding("peak", "Höchst", "a", 0, "danger", "co_ppm", 193.0, float("nan"), None, "ppm", evidence=("1.jpg",))
    thing = Assessment(
        (finding,),
        {"co_ppm": {"peak": np.float64(193.0), "n": np.int64(3), "when": datetime(2026, 10, 30, 5, 28), "f": {Flag.OK}}},
    )
    write_json(thing, tmp_path / "a.json")
    write_json(thing, tmp_path / "b.json")
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    back = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    assert back["findings"][0]["title"] == "Höchst"
    assert back["findings"][0]["lower"] is None
    assert back["summary"]["co_ppm"] == {"peak": 193.0, "n": 3, "when": "2026-10-30T05:28:00", "f": ["ok"]}
    with pytest.raises(TypeError, match="object"):
        write_json({"x": object()}, tmp_path / "c.json")
