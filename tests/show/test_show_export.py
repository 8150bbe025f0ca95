"""The night in other forms: the same numbers, typed, with units; no photo's name is a formula; nothing is lost unasked."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
import zipfile
from datetime import datetime
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest
from frictionless import validate
from show_nights import small_displays, small_night

from frametally.assess import assess, assessment_to_dict
from frametally.errors import BadInput, ExitCode
from frametally.exporting import export
from frametally.model import AUDIT_COLUMNS, FLAG_MEANING, Flag
from frametally.show.export import FORMS, LONG_COLUMNS, harmless, harmless_name
from frametally.show.files import write_json
from frametally.show.package import write_datapackage
from frametally.show.tables import write_audit, write_readings

NASTY = (
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1+1",
    "\r=1+1",
    "=cmd|' /C calc'!A0",
    'a,"b".jpg',
    "#N/A",
    "a;=1+1",
    " =2",
    "x\x07\ny",
)
"""Names of photos that a spreadsheet could take for something else."""


def make_audit(table: pd.DataFrame) -> pd.DataFrame:
    """The audit table of a readings table: every raw text is the value's own."""
    rows = []
    for _, row in table.iterrows():
        for display in small_displays():
            value, flag = row[display.key], row[f"{display.key}_flag"]
            rows.append(
                dict.fromkeys([column.name for column in AUDIT_COLUMNS])
                | {"time": row["time"], "elapsed_min": row["elapsed_min"], "frame": row["frame"], "display": display.key}
                | {"raw_text": "" if np.isnan(value) else f"={value:g}", "raw_value": value, "value": value, "flag": flag}
                | {"confidence": 0.99, "reader": "segments"}
            )
    return pd.DataFrame(rows)


def make_results(folder: Path, *, audit: bool = True, findings: bool = True, table: pd.DataFrame | None = None) -> Path:
    """A results folder as a run leaves it, with names of photos that are formulas."""
    folder.mkdir()
    displays = small_displays()
    table = small_night() if table is None else table
    for number, name in enumerate(NASTY):
        table.loc[number if number < 10 else number + 1, "frame"] = name
    write_readings(table, displays, folder / "readings.csv")
    if audit:
        write_audit(make_audit(table), folder / "readings_audit.csv", displays)
    if findings:
        write_json(assessment_to_dict(assess(table, displays)), folder / "assessment.json")
    lines = ['format = 1\ntitle = "=HYPERLINK(1)"\nreference_frame = "a.jpg"\nframe_size = [100, 100]']
    for display in displays:
        corners = [list(corner) for corner in display.corners]
        lines.append(f'[[instrument]]\nname = "{display.instrument}"\n[[instrument.display]]\nkey = "{display.key}"')
        lines.append(f'quantity = "{display.quantity}"\nunit = "{display.unit}"\ndigits = "###"\ncorners = {corners}')
        lines.append(f"range = [0, 999]\nresolution = {display.resolution}")
    (folder / "calibration.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


@pytest.fixture
def results(tmp_path: Path) -> Path:
    return make_results(tmp_path / "results")


def read_csv(path: Path) -> list[list[str]]:
    return list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")))


# --- spreadsheet -----------------------------------------------------------------------------------------------------


def test_the_spreadsheet_has_typed_cells_under_a_frozen_header(results: Path) -> None:
    book = openpyxl.load_workbook(export(results, "xlsx"))
    assert book.sheetnames == ["Readings", "Findings", "Flags", "Audit", "Columns", "About"]
    sheet = book["Readings"]
    heads = [cell.value for cell in sheet[1]]
    assert heads[:6] == ["time", "utc_offset", "elapsed_min [min]", "frame", "co_ppm [ppm]", "co_ppm_flag"]
    assert sheet.freeze_panes == "C2"
    assert sheet.max_row == len(small_night()) + 1
    assert sheet["A2"].value == datetime(2026, 10, 30, 22, 0)
    assert sheet["A2"].is_date
    assert sheet["B2"].value == "UTC+00:00"
    assert (sheet["E2"].value, sheet["E2"].data_type, sheet["E2"].number_format) == (5, "n", "0")
    assert sheet["G2"].number_format == "0.0"
    assert all(book[name].freeze_panes == "A2" for name in ("Findings", "Flags", "Columns"))


def test_the_spreadsheet_has_the_numbers_of_the_table(results: Path) -> None:
    book = openpyxl.load_workbook(export(results, "xlsx"))
    rows = list(book["Readings"].iter_rows(min_row=2, values_only=True))
    night = small_night()
    for number, row in enumerate(rows):
        for place, key in ((4, "co_ppm"), (6, "o2_pct"), (8, "wall_co_ppm")):
            value = night.loc[number, key]
            assert row[place] == (None if np.isnan(value) else pytest.approx(value))
            assert row[place + 1] == night.loc[number, f"{key}_flag"]
    assert len(list(book["Audit"].iter_rows(min_row=2))) == 3 * len(night)


def test_no_text_in_the_spreadsheet_is_a_formula(results: Path) -> None:
    book = openpyxl.load_workbook(export(results, "xlsx"))
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert kinds <= {"s", "inlineStr", "n", "d"}  # texts, numbers and times; a formula is "f", an error "e"
    shown = [row[0].value for row in book["Readings"].iter_rows(min_row=2, min_col=4, max_col=4)]
    for name in ("=1+1", "+1", "-1", "@SUM(A1)", "\\t=1+1", "\\r=1+1", "=cmd|' /C calc'!A0", "#N/A", "x\\x07\\ny"):
        assert name in shown
    texts = [cell for row in book["Readings"].iter_rows(min_row=2) for cell in row if isinstance(cell.value, str)]
    assert all(cell.quotePrefix for cell in texts)  # a text stays one when its cell is edited
    with zipfile.ZipFile(results / "readings.xlsx") as packed:
        assert not [name for name in packed.namelist() if b"<f>" in packed.read(name) or b"<f " in packed.read(name)]
        assert not [name for name in packed.namelist() if "external" in name.lower()]


def test_flags_and_findings_are_explained_in_the_spreadsheet(results: Path) -> None:
    book = openpyxl.load_workbook(export(results, "xlsx"))
    flags = {row[0]: row for row in book["Flags"].iter_rows(min_row=2, values_only=True)}
    assert list(flags) == [flag.value for flag in Flag]
    assert flags["hidden"][1:4] == (*FLAG_MEANING[Flag.HIDDEN], 1)
    stored = json.loads((results / "assessment.json").read_text())["findings"]
    rows = list(book["Findings"].iter_rows(min_row=2, values_only=True))
    assert [row[1] for row in rows] == [one["title"] for one in stored]
    assert [row[3] for row in rows] == [one["value"] for one in stored]
    meanings = {(row[0], row[1]): row[2] for row in book["Columns"].iter_rows(min_row=2, values_only=True)}
    assert meanings["Readings", "o2_pct"] == "%"


def test_a_night_not_assessed_says_so_in_the_spreadsheet(tmp_path: Path) -> None:
    results = make_results(tmp_path / "bare", audit=False, findings=False)
    book = openpyxl.load_workbook(export(results, "xlsx"))
    assert "not assessed" in book["Findings"]["A2"].value
    assert "readings_audit.csv" in book["Audit"]["A2"].value


def test_the_hour_that_comes_twice_can_be_told_apart(tmp_path: Path) -> None:
    table = small_night()
    table["time"] = [f"2026-10-25T01:{30 + row % 30:02d}:00+0{1 if row < 20 else 0}:00" for row in range(len(table))]
    results = make_results(tmp_path / "autumn", table=table)
    sheet = openpyxl.load_workbook(export(results, "xlsx"))["Readings"]
    assert {sheet["B2"].value, sheet["B41"].value} == {"UTC+01:00", "UTC+00:00"}
    assert sheet["A2"].value == datetime(2026, 10, 25, 1, 30)
    frame = pd.read_parquet(export(results, "parquet"))
    assert frame["time"].iloc[0] == pd.Timestamp("2026-10-25T01:30:00+01:00")
    assert frame["utc_offset_min"].tolist() == [60] * 20 + [0] * 20


def test_an_unknown_offset_stays_unknown(tmp_path: Path) -> None:
    table = small_night()
    table["time"] = table["time"].str.replace("+00:00", "")
    table.loc[3, "time"] = ""
    results = make_results(tmp_path / "plain", table=table)
    sheet = openpyxl.load_workbook(export(results, "xlsx"))["Readings"]
    assert (sheet["A2"].value, sheet["B2"].value, sheet["A5"].value) == (datetime(2026, 10, 30, 22, 0), None, None)
    frame = pd.read_parquet(export(results, "parquet"))
    assert frame["time"].dt.tz is None
    assert frame["utc_offset_min"].isna().all()
    assert pd.isna(frame["time"].iloc[3])


# --- Parquet ---------------------------------------------------------------------------------------------------------


def test_parquet_comes_back_in_pandas(results: Path) -> None:
    frame = pd.read_parquet(export(results, "parquet"))
    night = small_night()
    np.testing.assert_array_equal(frame["co_ppm"].to_numpy(float), night["co_ppm"].to_numpy(float))
    assert frame["time"].iloc[1] == pd.Timestamp("2026-10-30T22:04:00+00:00")
    assert frame["co_ppm_flag"].tolist() == night["co_ppm_flag"].tolist()
    assert list(frame["co_ppm_flag"].cat.categories) == [flag.value for flag in Flag]
    assert frame["frame"].iloc[0] == "=1+1"
    assert frame["frame"].isna().tolist() == night["frame"].isna().tolist()


def test_parquet_says_what_each_column_is(results: Path) -> None:
    schema = pq.read_schema(export(results, "parquet"))
    about = {key.decode(): text.decode() for key, text in schema.field("o2_pct").metadata.items()}
    assert about["unit"] == "%"
    assert about["description"] == "Oxygen, hand-held monitor."
    assert about["resolution"] == "0.1"
    assert json.loads(about["range"]) == [0, 999]
    assert json.loads(schema.field("o2_pct_flag").metadata[b"flags"])["hidden"] == FLAG_MEANING[Flag.HIDDEN][0]
    assert all(b"description" in field.metadata for field in schema)
    assert schema.metadata[b"generator"].startswith(b"frametally ")


# --- long CSV --------------------------------------------------------------------------------------------------------


def test_the_long_form_has_one_row_per_frame_and_display(results: Path) -> None:
    head, *rows = read_csv(export(results, "long"))
    assert head == [column.name for column in LONG_COLUMNS]
    assert head == ["time", "elapsed_min", "frame", "display", "quantity", "unit", "value", "flag", "confidence"]
    assert len(rows) == 3 * len(small_night())
    assert rows[1][3:] == ["o2_pct", "oxygen", "%", "20.9", "ok", "0.9900"]
    flat = pd.read_csv(results / "readings_long.csv")
    wide = flat.pivot_table(index="elapsed_min", columns="display", values="value")
    assert wide["co_ppm"].max() == 193
    hidden = flat[flat["flag"] == "hidden"]
    assert hidden["value"].isna().all()


def test_the_long_form_without_an_audit_table(results: Path, tmp_path: Path) -> None:
    bare = make_results(tmp_path / "bare", audit=False)
    own, other = read_csv(export(bare, "long")), read_csv(export(results, "long"))
    assert [row[:8] for row in own] == [row[:8] for row in other]
    assert {row[8] for row in own[1:]} == {""}


def test_no_name_in_the_long_form_begins_a_formula(results: Path) -> None:
    names = [row[2] for row in read_csv(export(results, "long"))]
    assert not [name for name in names if name.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n"))]
    assert "./=1+1" in names
    assert not [name for name in names if re.search(r"[;\t\r\n]\s*[=+\-@]", name)]
    assert (harmless_name("cabin_0001.jpg"), harmless("carbon monoxide")) == ("cabin_0001.jpg", "carbon monoxide")
    assert harmless("=1") == "'=1"


# --- files -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", FORMS)
def test_same_night_same_bytes(results: Path, tmp_path: Path, form: str) -> None:
    suffix = Path(FORMS[form]).suffix
    one, two = (export(results, form, tmp_path / f"{name}{suffix}").read_bytes() for name in ("one", "two"))
    assert one == two


@pytest.mark.parametrize("form", FORMS)
def test_nothing_is_written_over_unasked(results: Path, form: str) -> None:
    path = results / FORMS[form]
    path.write_bytes(b"mine")
    with pytest.raises(BadInput, match="--force"):
        export(results, form)
    assert path.read_bytes() == b"mine"
    assert export(results, form, force=True) == path
    assert path.read_bytes() != b"mine"
    assert not [one for one in results.iterdir() if one.name.endswith(".part")]


@pytest.mark.parametrize("name", ["readings.csv", "readings_audit.csv", "corrections.csv"])
def test_the_runs_own_files_are_never_written_over(results: Path, name: str) -> None:
    before = {path.name: path.read_bytes() for path in results.iterdir()}
    with pytest.raises(BadInput, match="never written over"):
        export(results, "long", results / name, force=True)
    assert {path.name: path.read_bytes() for path in results.iterdir()} == before


def test_an_odd_output_is_refused(results: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"does not end in \.xlsx"):
        export(results, "xlsx", tmp_path / "night.csv")
    with pytest.raises(BadInput, match="is a folder"):
        export(results, "xlsx", tmp_path)
    with pytest.raises(BadInput, match=r"no readings\.csv"):
        export(tmp_path, "xlsx")


@pytest.mark.parametrize(
    ("form", "library", "install"), [("parquet", "pyarrow", "'frametally[parquet]'"), ("xlsx", "openpyxl", "openpyxl")]
)
def test_a_missing_library_is_named(results: Path, form: str, library: str, install: str) -> None:
    arguments = ["export", str(results), "--to", form]
    code = f"import sys; sys.modules[{library!r}] = None; from frametally.cli.main import main; main({arguments!r})"
    called = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert called.returncode == ExitCode.PROGRAM_MISSING
    assert f"needs the Python package {library}" in called.stderr
    assert f"pip install {install}" in called.stderr
    assert not (results / FORMS[form]).exists()


def test_the_data_package_of_a_results_folder_is_valid(results: Path) -> None:
    """Names that are formulas do not keep the standard's own validator from calling the package valid."""
    for name in ("\r=1+1", "x\x07\ny"):  # its CSV reader takes a lone carriage return for a line's end
        for path in (results / "readings.csv", results / "readings_audit.csv"):
            path.write_bytes(path.read_bytes().replace(f'"{name}"'.encode(), b"plain.jpg"))
    write_datapackage(results, small_displays())
    report = validate(results / "datapackage.json")
    assert report.valid, report.flatten(["type", "message"])
    assert {task.name for task in report.tasks} == {"readings", "readings_audit"}
