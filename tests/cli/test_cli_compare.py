"""`export` and `compare` as they are typed: what they write, what they say, and how they end."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from cli_calls import Caller, state_of

from frametally.cli.export import FORM_NAMES
from frametally.errors import ExitCode
from frametally.show.export import FORMS
from side_nights import make_night_table

TOML_TRIAL = """format = 1
title = "Roof vent {state}"
space = {{ volume_m3 = 30, altitude_m = 50 }}
people = {{ sleeping = 0 }}
outdoor = {{ temp_c = {outdoor}, rh_pct = 85 }}
[[appliance]]
fuel = "propane"
heat_input_kw = 1.2
heat_basis = "net"
on = 2026-10-30T21:32:00+00:00
off = 2026-10-31T02:00:00+00:00
[[vent]]
name = "roof vent"
open = {open}
"""


def leave_night(folder: Path, per_h: float, seed: int, *, open_vent: bool, outdoor: float = 4.0, trial: bool = True) -> Path:
    """A results folder with a table and a trial, as small as one can be."""
    folder.mkdir(parents=True)
    make_night_table(per_h, seed).to_csv(folder / "readings.csv", index=False)
    words = {"state": "open" if open_vent else "shut", "open": str(open_vent).lower(), "outdoor": outdoor}
    if trial:
        (folder / "trial.toml").write_text(TOML_TRIAL.format(**words), encoding="utf-8")
    return folder


@pytest.fixture
def nights(tmp_path: Path) -> tuple[Path, Path]:
    shut = leave_night(tmp_path / "shut", 0.5, 1, open_vent=False)
    return shut, leave_night(tmp_path / "open", 1.5, 2, open_vent=True)


def test_forms_are_the_same_everywhere() -> None:
    assert tuple(FORMS) == FORM_NAMES


@pytest.mark.parametrize("form", FORMS)
def test_export_writes_into_the_results_folder(calls: Caller, nights: tuple[Path, Path], form: str) -> None:
    called = calls("export", nights[0], "--to", form)
    assert (called.code, called.err) == (ExitCode.FINISHED, "")
    assert called.out == f"Table: {nights[0] / FORMS[form]}\n"
    again = calls("export", nights[0], "--to", form)
    assert again.code == ExitCode.BAD_USE
    assert "--force" in again.err
    assert calls("export", nights[0], "--to", form, "--force").code == ExitCode.FINISHED


def test_export_says_what_is_wrong(calls: Caller, nights: tuple[Path, Path], tmp_path: Path) -> None:
    for arguments, words in (
        ((nights[0],), "--to"),
        ((nights[0], "--to", "pdf"), "pdf"),
        ((tmp_path / "none", "--to", "long"), "no readings.csv"),
        ((nights[0], "--to", "long", "-o", nights[0] / "readings.csv"), "never written over"),
    ):
        called = calls("export", *arguments)
        assert called.code == ExitCode.BAD_USE
        assert words in called.err or "is no folder" in called.err


def test_compare_leaves_page_table_and_data(calls: Caller, nights: tuple[Path, Path], tmp_path: Path) -> None:
    before = state_of(*nights)
    called = calls("compare", *nights, "-o", tmp_path / "both")
    assert called.code == ExitCode.FINISHED
    assert sorted(path.name for path in (tmp_path / "both").iterdir()) == ["compare.csv", "compare.html", "compare.json"]
    assert state_of(*nights) == before
    assert "differ in one condition" in called.out
    assert "air changes: open higher than shut by 1.0" in called.out
    assert called.out.endswith(f"Page: {tmp_path / 'both' / 'compare.html'}\n")
    data = json.loads((tmp_path / "both" / "compare.json").read_text())
    assert data["format"] == 1
    assert [night["name"] for night in data["nights"]] == ["shut", "open"]
    assert data["differing"] == ["vent “roof vent”"]
    air = next(row for row in data["rows"] if row["slug"] == "air-change")
    for truth, figure in zip((0.5, 1.5), air["figures"], strict=True):
        assert figure["lower"] <= truth <= figure["upper"]


def test_compare_gives_the_same_bytes_twice_and_asks_before_writing_over(
    calls: Caller, nights: tuple[Path, Path], tmp_path: Path
) -> None:
    calls("compare", *nights, "-o", tmp_path / "both")
    before = {path.name: path.read_bytes() for path in (tmp_path / "both").iterdir()}
    refused = calls("compare", *nights, "-o", tmp_path / "both")
    assert refused.code == ExitCode.BAD_USE
    assert "--force" in refused.err
    assert calls("compare", *nights, "-o", tmp_path / "both", "--force").code == ExitCode.FINISHED
    assert {path.name: path.read_bytes() for path in (tmp_path / "both").iterdir()} == before


def test_compare_does_not_credit_the_vent_for_the_weather(calls: Caller, nights: tuple[Path, Path], tmp_path: Path) -> None:
    cold = leave_night(tmp_path / "cold", 1.5, 3, open_vent=True, outdoor=-3.0)
    called = calls("compare", nights[0], cold, "-o", tmp_path / "both")
    assert "differ in 2 conditions at once" in called.out
    assert "cannot be credited" in " ".join(called.out.split())


def test_compare_says_what_is_wrong(calls: Caller, nights: tuple[Path, Path], tmp_path: Path) -> None:
    lost = tmp_path / "lost"
    shutil.copytree(nights[0], lost)
    text = (lost / "readings.csv").read_text().splitlines()
    cells = [line.split(",", 2)[2] for line in text[1:]]
    (lost / "readings.csv").write_text("\n".join([text[0], *(f",,{rest}" for rest in cells)]) + "\n")
    assessed = tmp_path / "assessed"
    assessed.mkdir()
    (assessed / "assessment.json").write_text("{}")
    for given, output, words in (
        (nights[:1], "both", "at least two nights"),
        ((nights[0], nights[0]), "both", "given twice"),
        ((nights[0], lost), "both", "lost has no times"),
        ((nights[0], assessed), "both", "holds no readings.csv"),
        (nights, "shut", "results folder of a night"),
        (nights, "shut/readings.csv", "is a file"),
    ):
        called = calls("compare", *given, "-o", tmp_path / output)
        assert called.code == ExitCode.BAD_USE, called
        assert words in " ".join(called.err.split())
    assert not (tmp_path / "both").exists()


def test_nights_of_one_name_get_their_parents_too(calls: Caller, tmp_path: Path) -> None:
    one = leave_night(tmp_path / "monday" / "results", 0.5, 1, open_vent=False)
    two = leave_night(tmp_path / "friday" / "results", 1.5, 2, open_vent=True, trial=False)
    called = calls("compare", one, two, "-o", tmp_path / "both", "-q")
    assert called.err == ""
    assert "For friday/results there is no trial file" in called.out
