"""The limit catalogue on a screen, and gases that a logger gives in other units."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli_calls import Caller


@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_line_is_wider_than_the_screen(calls: Caller, monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    lines = calls("limits").out.splitlines()
    # An address is never broken: it could not be followed any more.
    assert [line for line in lines if len(line) > width and not line.strip().startswith("http")] == []
    assert max(len(line) for line in lines if not line.strip().startswith("http")) > width - 10


def test_the_groups_say_whom_they_are_for(calls: Caller) -> None:
    told = calls("limits", "--kind", "co").out
    told_on_one_line = " ".join(told.split())
    home, work = (told_on_one_line.index(group) for group in ("people asleep included", "not for people asleep at home"))
    assert home < told_on_one_line.index("who-indoor-co-8h") < work < told_on_one_line.index("osha-co-pel")
    assert "10 mg/m³ (8.73 ppm), average over any 8 h" in told
    assert "EN 50291-1" in told
    assert "o2" not in {line.strip() for line in told.splitlines()}
    assert "OXYGEN" not in told


@pytest.mark.parametrize(
    ("gas", "only"), [("o2", "osha-o2-deficient"), ("Carbon Dioxide", "osha-co2-pel"), ("no2_ppm", "osha-no2-ceiling")]
)
def test_one_gas_alone(calls: Caller, gas: str, only: str) -> None:
    entries = json.loads(calls("limits", "--kind", gas, "--json").out)
    assert only in {entry["id"] for entry in entries}
    assert len({entry["kind"] for entry in entries}) == 1


def test_alarms_alone_and_gases_that_are_none(calls: Caller) -> None:
    alarms = json.loads(calls("limits", "--kind", "alarm", "--json").out)
    assert [alarm["id"] for alarm in alarms] == ["en-50291", "ul-2034"]
    ended = calls("limits", "--kind", "argon")
    assert ended.code == 2
    assert "co, o2, co2, no2, or alarm" in ended.err


def test_short_is_one_line_each(calls: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    assert len(calls("limits", "--short", "--kind", "o2").out.splitlines()) < 10
    assert "Source:" not in calls("limits", "--short").out


def test_other_units_of_a_logger_change_nothing(calls: Caller, tmp_path: Path) -> None:
    """mg/m³ at 25 °C and 101.325 kPa: 28.01 g/mol over 24.45 L/mol."""
    levels = [5, 12, 240, 60, 31, 8]
    written = {}
    for name, unit, by in (("a", "ppm", 1.0), ("b", "mg/m3", 28.01 / 24.45), ("c", "ppb", 1000.0)):
        rows = [f"2026-10-30T{22 + i // 2}:{30 * (i % 2):02d}:00,{level * by!r}" for i, level in enumerate(levels[:4])]
        table = tmp_path / f"{name}.csv"
        table.write_text("\n".join(["time,CO", *rows, "2026-10-30T23:50:00,OL"]) + "\n", encoding="utf-8")
        done = calls("assess", table, "-o", tmp_path / name, "--column", f"CO=carbon monoxide[{unit}]")
        assert done.code == 0
        assert ("converted from mg/m³ to ppm" in done.err) == (name == "b")
        written[name] = (tmp_path / name / "assessment.json").read_bytes()
    assert written["a"] == written["b"] == written["c"]
