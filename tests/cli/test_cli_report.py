"""The command that makes a report again: in other units, with its charts as files, and what it says to wrong options."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from cli_calls import Caller


def test_a_report_in_us_units_with_its_charts_leaves_the_tables_as_they_are(calls: Caller, results: Path, tmp_path: Path) -> None:
    figures = tmp_path / "charts" / "of the night"
    strips = sorted(path.name for path in (results / "evidence" / "minutes").iterdir())
    assert [name.split("-")[0] for name in strips] == ["cabin_0001", "cabin_0015", "cabin_0060", "cabin_0118"]
    before = {path.name: path.read_bytes() for path in sorted(results.iterdir()) if path.suffix in (".csv", ".json", ".html")}
    done = calls("report", results, "--units", "us", "--figures", figures)
    assert done.code == 0
    assert f"Charts: {figures}" in done.out
    names = {path.name for path in figures.iterdir()}
    assert {f"night_1_carbon_monoxide.{form}" for form in ("png", "svg", "pdf")} <= names
    page = (results / "report.html").read_text(encoding="utf-8")
    assert "air temperature [°F]" in page
    assert "air temperature [°C]" not in page
    tables = {name: data for name, data in before.items() if not name.endswith(".html")}
    assert {name: (results / name).read_bytes() for name in tables} == tables
    night = json.loads((results / "night.json").read_text(encoding="utf-8"))
    (results / "night.json").write_text(json.dumps(night | {"source": str(tmp_path / "gone")}), encoding="utf-8")
    assert calls("report", results).code == 0
    assert (results / "report.html").read_bytes() == before["report.html"], "the pictures stay when the photos are gone"


def test_wrong_options_end_with_a_sentence(calls: Caller, tmp_path: Path) -> None:
    wrong = calls("report", tmp_path, "--units", "kelvin")
    assert wrong.code == 2
    assert "'metric', 'us'" in wrong.err


def test_charts_do_not_overwrite_a_file(
    calls: Caller, results: Path, leave_out_charts: Callable[[], None], tmp_path: Path
) -> None:
    leave_out_charts()
    taken = tmp_path / "taken"
    taken.write_text("mine")
    ended = calls("report", results, "--figures", taken)
    assert ended.code == 2
    assert "Traceback" not in ended.err
    assert taken.read_text() == "mine"
