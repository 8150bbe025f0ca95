"""The table of expectations is made as it says: every display is counted once, in its cell, and counts can be added."""

from __future__ import annotations

import importlib
import json
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from frametally.read.expectation import AXES, packaged_table


@pytest.fixture
def legibility(repository: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(repository / "benchmarks"))
    return importlib.import_module("legibility")


def test_a_table_is_made_and_merged(legibility: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second, out = tmp_path / "first.json", tmp_path / "second.json", tmp_path / "RESULTS.md"

    legibility.main(["--spread", "2", "--careful", "3", "--table", str(first), "--out", str(out)])
    legibility.main(
        ["--spread", "0", "--careful", "0", "--merge", str(first), str(first), "--table", str(second), "--out", str(out)]
    )

    once, twice = (json.loads(path.read_text(encoding="utf-8")) for path in (first, second))
    assert once["displays"] == 5
    assert twice["displays"] == 10
    assert (np.array(twice["count"]) == 2 * np.array(once["count"])).all()
    assert "10 drawn displays" in out.read_text(encoding="utf-8")


def test_outcomes_are_counted_in_their_cells(legibility: ModuleType) -> None:
    easy, hard = [40.0, 0.7, 0.1, 0.01], [5.0, 0.05, 0.3, 0.5]
    found = [(easy, "exact"), (easy, "flagged"), (hard, "taken_for_off"), (hard, "wrong_value")]

    data = legibility.tabulate(legibility.count_cells(found))

    assert data["count"][-1][-1][0][0] == data["count"][0][0][-1][-1] == 2
    assert np.array(data["share_flagged"]) == pytest.approx(np.full((6, 5, 3, 4), 0.5), abs=1e-3)


def test_the_packaged_table_has_the_program_s_cells(legibility: ModuleType, repository: Path) -> None:
    data = json.loads((repository / "src" / "frametally" / "data" / "legibility.json").read_text(encoding="utf-8"))
    counts = {name: np.array(data[name]) for name in legibility.OUTCOMES.values()}

    assert tuple(tuple(centres.tolist()) for centres in packaged_table().centres) == tuple(
        legibility.CENTRES[axis] for axis in AXES
    )
    assert legibility.tabulate(counts) == data
