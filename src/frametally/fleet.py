"""Takes a manifest, the list of many cameras' nights in TOML or CSV; gives the jobs in it, each with its own files."""

from __future__ import annotations

import csv
import io
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from frametally.errors import BadInput
from frametally.model import FORMAT, ManifestNight
from frametally.places import Place, Url, place_of
from frametally.settings import check_manifest, load_manifest, read_text

_CSV = ".csv"


@dataclass(frozen=True)
class NightJob:
    """One night of a fleet: where its files lie, what its clock needs, and which camera's photos count."""

    name: str
    frames: Place
    calibration: Path
    results: Path
    trial: Path | None
    method: Path | None
    utc_offset: str | None
    start: datetime | None
    every_s: float | None
    camera: str | None


def load_fleet(path: Path) -> list[NightJob]:
    """Give the jobs of a manifest, in its order; relative paths count from the folder that the manifest lies in.

    Whatever ends in .csv is read as a table with one row per night, all else as TOML. Raises `BadInput` with every fault, also
    where two nights would write into the same results folder.
    """
    manifest = check_manifest(path, _rows(path)) if path.suffix.lower() == _CSV else load_manifest(path)
    jobs = [_job(night, path.parent) for night in manifest.night]
    _check_apart(path, jobs)
    return jobs


def _job(night: ManifestNight, folder: Path) -> NightJob:
    frames = place_of(night.frames)
    return NightJob(
        night.name or night.results,
        frames if isinstance(frames, Url) else folder / frames,
        folder / night.calibration,
        folder / night.results,
        folder / night.trial if night.trial else None,
        folder / night.method if night.method else None,
        night.utc_offset,
        night.start,
        night.every_s,
        night.camera,
    )


def _check_apart(path: Path, jobs: list[NightJob]) -> None:
    """Raise `BadInput` where one night's results would be written over another's, or into another's photos."""
    taken: dict[Path, NightJob] = {}
    for job in jobs:
        here = job.results.resolve()
        if here in taken:
            raise BadInput(
                f"{path}: the nights {taken[here].name!r} and {job.name!r} have the same results folder {job.results};"
                " give each night one of its own"
            )
        taken[here] = job
    for job in jobs:
        photos = job.frames.resolve() if isinstance(job.frames, Path) else None
        for here, other in taken.items():
            if photos is not None and other is not job and here.is_relative_to(photos):
                raise BadInput(
                    f"{path}: the results of the night {other.name!r} would lie among the photos of {job.name!r} in {job.frames},"
                    " and be taken for some of them; give a folder beside them"
                )


def _rows(path: Path) -> dict[str, Any]:
    """Give a CSV manifest as TOML would hold it; empty cells and empty rows are left out."""
    lines = list(csv.reader(io.StringIO(read_text(path, "manifest"), newline="")))
    rows = [[cell.strip() for cell in line] for line in lines]
    header = rows[0] if rows else []
    if "frames" not in header:
        raise BadInput(f"{path}: the first line should name the columns, such as: {','.join(_COLUMNS)}")
    nights = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(row):
            continue
        if len(row) > len(header):
            raise BadInput(f"{path}, line {number}: {len(row)} cells, {len(header)} columns; put cells with a comma in quotes")
        nights.append({key: _typed(key, cell) for key, cell in zip(header, row, strict=False) if cell})
    return {"format": FORMAT, "night": nights}


_COLUMNS = ("name", "frames", "calibration", "trial", "results")


def _typed(key: str, cell: str) -> Any:
    """Give a cell as TOML would: what cannot be turned stays text, and is told as a fault by the check."""
    with suppress(ValueError):
        if key == "every_s":
            return float(cell)
        if key == "start":
            return datetime.fromisoformat(cell)
    return cell
