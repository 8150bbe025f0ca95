"""Takes a results folder; gives its tables with units, its findings and the files it was made with, for notebooks and scripts.

Nothing is computed anew and no photo is opened: what is given is what stands in the folder.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from frametally.assess.facts import DisplayFacts, facts_from_table, facts_of
from frametally.errors import BadInput
from frametally.model import AUDIT_COLUMNS, FORMAT, TIME_COLUMNS, Assessment, Calibration, Column, Finding, Trial, reading_columns
from frametally.results import Results
from frametally.settings import load_calibration, load_trial

_TEXT_COLUMNS = frozenset(column.name for column in (*TIME_COLUMNS, *AUDIT_COLUMNS) if column.type == "string")


@dataclass(frozen=True, eq=False)
class LoadedNight:
    """One night's results.

    Parameters
    ----------
    folder : where they lie
    readings : one row per frame: `time` (datetime, see `load`), `elapsed_min`, `frame`, then per display `<key>` (float, NaN
        where there is no value) and `<key>_flag` (text). `readings.attrs` has `title` and `units`.
    audit : one row per frame and display, columns of `model.AUDIT_COLUMNS`; None where the folder has none
    displays : what each display is: key, quantity, unit, instrument, range, resolution, accuracy
    columns : meaning and unit of every column of `readings`, in order
    calibration, trial : the files of the run; None where it had none
    stored : the assessment as it stands in the folder; None where the night was read but not assessed
    """

    folder: Path
    readings: pd.DataFrame
    audit: pd.DataFrame | None
    displays: tuple[DisplayFacts, ...]
    columns: tuple[Column, ...]
    calibration: Calibration | None
    trial: Trial | None
    stored: Assessment | None

    @property
    def title(self) -> str:
        """The trial's title, else the calibration's, else the folder's name."""
        titles = [given.title for given in (self.trial, self.calibration) if given is not None]
        return next((title for title in titles if title), self.folder.resolve().name)

    @property
    def units(self) -> dict[str, str]:
        """The unit of every column that has one, by the column's name."""
        return {column.name: column.unit for column in self.columns if column.unit}

    @property
    def assessment(self) -> Assessment:
        """Findings and figures. Raises `BadInput` where the night was never assessed: no finding is not the same as none made."""
        if self.stored is None:
            raise BadInput(
                f"{self.folder} was read but not assessed, so that it has no findings;"
                f" run `frametally report {self.folder}` first"
            )
        return self.stored

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings, what matters most to a life first. Raises as `assessment` does."""
        return self.assessment.findings


def load(results: str | Path) -> LoadedNight:
    """Give what a results folder holds.

    Times become datetimes with their offset where all share one; where the offset changes in the night (summer time ends)
    they are given in UTC; where no offset is known they have none, and none is added.

    Raises
    ------
    BadInput
        The folder is missing, holds no table of readings, or a file in it is damaged.
    """
    folder = Results(Path(results))
    if not folder.path.is_dir():
        raise BadInput(f"{folder.path} is no folder; give the results folder that `frametally run` wrote with -o")
    if not folder.readings.is_file():
        raise BadInput(
            f"{folder.path} holds no {folder.readings.name}; give the results folder of a finished `frametally run` or"
            " `frametally read` (an assessment of another table leaves only its findings here: load that table itself)"
        )
    calibration = load_calibration(folder.calibration) if folder.calibration.is_file() else None
    trial = load_trial(folder.trial) if folder.trial is not None else None
    readings = read_cells(folder.readings, TIME_COLUMNS)
    displays = _displays(folder, readings, calibration)
    columns = _columns(displays, calibration)
    for name in [column.name for column in columns if column.name not in readings.columns]:
        raise BadInput(f"{folder.readings} lacks the column {name!r}; `frametally report {folder.path}` makes it again")
    _type_columns(folder.readings, readings, [column.name for column in columns])
    night = LoadedNight(
        folder.path,
        readings,
        _read_audit(folder.audit),
        displays,
        columns,
        calibration,
        trial,
        _read_assessment(folder.assessment) if folder.assessment.is_file() else None,
    )
    readings.attrs |= {"title": night.title, "units": night.units}
    return night


def _displays(folder: Results, readings: pd.DataFrame, calibration: Calibration | None) -> tuple[DisplayFacts, ...]:
    if calibration is not None:
        return facts_of(calibration.displays)
    try:
        return facts_from_table(readings)
    except BadInput as error:
        raise BadInput(f"{folder.readings}: {error}") from None


def _columns(displays: Sequence[DisplayFacts], calibration: Calibration | None) -> tuple[Column, ...]:
    if calibration is not None:
        return reading_columns(calibration.displays)
    columns = list(TIME_COLUMNS)
    for one in displays:
        columns.append(Column(one.key, "number", one.unit, f"{one.quantity.capitalize()}."))
        columns.append(Column(f"{one.key}_flag", "string", "", f"Flag of {one.key}."))
    return tuple(columns)


def read_cells(path: Path, needed: Sequence[Column]) -> pd.DataFrame:
    """Give a table of ours as text, cell for cell, "" where a cell is empty.

    Raises `BadInput` where it cannot be read or lacks one of the columns `needed`.
    """
    try:
        table = pd.read_csv(path, dtype=object, keep_default_na=False, encoding="utf-8", index_col=False)
    except (OSError, ValueError) as error:  # what pandas says of a damaged table are ValueErrors
        reason = getattr(error, "strerror", None) or error
        raise BadInput(
            f"{path} cannot be read ({reason}); close programs that have it open, or make it again with"
            f" `frametally report {path.parent}`"
        ) from None
    missing = [column.name for column in needed if column.name not in table.columns]
    if missing:
        raise BadInput(f"{path} lacks the column {missing[0]!r}; make it again with `frametally report {path.parent}`")
    return table


def _read_audit(path: Path) -> pd.DataFrame | None:
    if not path.is_file():
        return None
    audit = read_cells(path, AUDIT_COLUMNS)
    _type_columns(path, audit, [column.name for column in AUDIT_COLUMNS])
    audit.attrs["units"] = {column.name: column.unit for column in AUDIT_COLUMNS if column.unit}
    return audit


def _type_columns(path: Path, table: pd.DataFrame, names: Sequence[str]) -> None:
    """Turn the text of our columns into times and numbers, in place."""
    for name in names:
        if name == "time":
            table[name] = _times(path, table[name].tolist())
        elif name in _TEXT_COLUMNS or name.endswith("_flag"):
            table[name] = table[name].astype(object)
        else:
            table[name] = _numbers(path, table[name])


def _numbers(path: Path, cells: pd.Series) -> pd.Series:
    try:
        return pd.to_numeric(cells.where(cells != "")).astype(float)
    except (ValueError, TypeError):
        wrong = cells[pd.to_numeric(cells.where(cells != ""), errors="coerce").isna() & (cells != "")]
        raise BadInput(
            f"{path}, row {int(wrong.index[0]) + 1}: {cells.name} is {wrong.iloc[0]!r}, which is no number;"
            f" make the table again with `frametally report {path.parent}`"
        ) from None


def _times(path: Path, cells: Sequence[str]) -> pd.Series:
    moments: list[datetime | None] = []
    for row, cell in enumerate(cells):
        try:
            moments.append(datetime.fromisoformat(cell) if cell else None)
        except ValueError:
            raise BadInput(
                f"{path}, row {row + 1}: the time {cell!r} is not in the form 2026-10-30T21:40:00+00:00;"
                f" make the table again with `frametally report {path.parent}`"
            ) from None
    offsets = {moment.utcoffset() for moment in moments if moment is not None}
    if None in offsets and len(offsets) > 1:
        raise BadInput(f"{path}: some times have an offset from UTC and some have none; run the job again with --utc-offset")
    zone = next((m.tzinfo for m in moments if m is not None), None) if len(offsets) == 1 else None
    if offsets <= {None}:
        return pd.Series(pd.to_datetime(pd.Series(moments, dtype=object)).astype("datetime64[us]"), dtype="datetime64[us]")
    times = pd.Series(pd.to_datetime(pd.Series(moments, dtype=object), utc=True)).astype("datetime64[us, UTC]")
    return times if zone is None else times.dt.tz_convert(zone)


def _read_assessment(path: Path) -> Assessment:
    try:
        data: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if data["format"] != FORMAT:
            raise BadInput(
                f"{path} has format {data['format']!r}, and this program reads {FORMAT}; make it again with"
                f" `frametally report {path.parent}`"
            )
        findings = tuple(_finding(one) for one in data["findings"])
        return Assessment(findings, dict(data["summary"]), dict(data.get("topics", {})))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadInput(f"{path} cannot be read ({error}); make it again with `frametally report {path.parent}`") from None


def _finding(given: dict[str, Any]) -> Finding:
    names = {field.name for field in fields(Finding)}
    plain: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in given.items() if name in names
    }
    return Finding(**plain)
