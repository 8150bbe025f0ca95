"""A small night that was read, with readings of every kind in doubt, for the tests of the page that settles them."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

from frametally.run import Options, run

NUMBERS = (1, 42, 43, 44, 58, 59, 60, 61, 62, 63, 79, 80, 81, 118, 119, 120)
"""Of the demo night: a book in front, a mirrored lamp, displays that are off, over range, and clear ones between."""


def read_small_night(folder: Path, sample_frames: Path, calibration: Path, trial: Path) -> Path:
    """Read the small night into `folder`/results; give that."""
    frames = folder / "frames"
    frames.mkdir()
    for number in NUMBERS:
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", frames)
    run(frames, calibration, folder / "results", trial=trial, options=Options(jobs=2))
    return folder / "results"


def rows(path: Path) -> list[dict[str, str]]:
    """Give the rows of a table as text."""
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def raw_columns(results: Path) -> list[tuple[str, ...]]:
    """Give what no correction may ever touch: raw text and value, rival and reader of every reading."""
    names = ("frame", "display", "raw_text", "raw_value", "rival_text", "rival_confidence", "reader")
    return [tuple(row[name] for name in names) for row in rows(results / "readings_audit.csv")]


def audit_of(results: Path, frame: str, key: str) -> dict[str, str]:
    """Give the audit row of one reading."""
    return next(row for row in rows(results / "readings_audit.csv") if (row["frame"], row["display"]) == (frame, key))
