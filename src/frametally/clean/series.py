"""Takes the journal's records and hand corrections; gives the clean table and the audit table of the night."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Protocol

import numpy as np

from frametally.clean.looks import elapsed_min, judge_night
from frametally.clean.rules import Settled
from frametally.model import AUDIT_COLUMNS, Display, Flag, FrameRecord, Method, reading_columns
from frametally.pace import pace

if TYPE_CHECKING:
    import pandas as pd

MOST_GAP_ROWS = 3000
"""A pause is not filled with more rows than this: a camera left off for weeks is one gap, not a table of nothing."""


class HandCorrection(Protocol):
    """What a correction says (`corrections.Correction`): the value that was given, and the flag, None where it was taken back."""

    @property
    def value(self) -> float | None: ...
    @property
    def flag(self) -> Flag | None: ...


@dataclass(frozen=True)
class Tables:
    """`readings` as in `readings.csv`, `audit` as in `readings_audit.csv`; times are ISO 8601 text or None."""

    readings: pd.DataFrame
    audit: pd.DataFrame


def make_tables(
    records: Sequence[FrameRecord],
    displays: tuple[Display, ...],
    method: Method,
    corrections: Mapping[tuple[str, str], HandCorrection] | None = None,
) -> Tables:
    """Make both tables from a night's records.

    Every record becomes a row, also those without a picture; where the time-lapse pauses longer than
    `method.gap_after` usual intervals, rows without a frame stand for the photos that are missing. A correction counts
    for the value and the flag, never for the raw columns.

    Parameters
    ----------
    records : in the order of time
    corrections : by (frame, display key)
    """
    elapsed = elapsed_min([record.time for record in records])
    settled = {
        key: _corrected(judged, records, key, corrections or {}) for key, judged in judge_night(records, displays, method).items()
    }
    rows = _rows(records, elapsed, method.gap_after)
    return Tables(_readings(rows, records, settled, displays), _audit(rows, records, settled, displays))


def _corrected(
    settled: list[Settled], records: Sequence[FrameRecord], key: str, corrections: Mapping[tuple[str, str], HandCorrection]
) -> list[Settled]:
    result = []
    for item, record in zip(settled, records, strict=True):
        correction = corrections.get((record.frame, key))
        flag = correction.flag if correction is not None else None
        if correction is not None and flag is not None:
            item = Settled(item.reading, correction.value, flag, 1.0, item.taught)
        result.append(item)
    return result


@dataclass(frozen=True)
class _Row:
    """One row of the table: the record's index, or None for a photo that is missing."""

    index: int | None
    time: datetime | None
    elapsed_min: float


def _rows(records: Sequence[FrameRecord], elapsed: list[float], gap_after: float) -> list[_Row]:
    pauses = np.diff(np.asarray(elapsed, float))
    enough = int((np.isfinite(pauses) & (pauses > 0)).sum()) >= 3
    paces = pace(pauses) if enough else np.full(pauses.shape, np.inf)
    rows: list[_Row] = []
    for index, record in enumerate(records):
        before = records[index - 1] if index else None
        pause, usual = (pauses[index - 1], paces[index - 1]) if index else (0.0, np.inf)
        if before is not None and before.time is not None and np.isfinite(pause) and pause > gap_after * usual:
            missing = min(round(pause / usual) - 1, MOST_GAP_ROWS)
            for number in range(1, missing + 1):
                share = number / (missing + 1)
                time = before.time + timedelta(minutes=round(pause * share * 60) / 60)
                rows.append(_Row(None, time, elapsed[index - 1] + pause * share))
        rows.append(_Row(index, record.time, elapsed[index]))
    return rows


def _time_text(time: datetime | None) -> str | None:
    return None if time is None else time.isoformat(timespec="milliseconds" if time.microsecond else "seconds")


def _readings(
    rows: list[_Row], records: Sequence[FrameRecord], settled: Mapping[str, list[Settled]], displays: tuple[Display, ...]
) -> pd.DataFrame:
    import pandas as pd  # here, as photos are read without it, and it takes half as much memory as that does

    columns: dict[str, list[object]] = {
        "time": [_time_text(row.time) for row in rows],
        "elapsed_min": [round(row.elapsed_min, 3) for row in rows],
        "frame": ["" if row.index is None else records[row.index].frame for row in rows],
    }
    for display in displays:
        found = [None if row.index is None else settled[display.key][row.index] for row in rows]
        columns[display.key] = [float("nan") if item is None or item.value is None else item.value for item in found]
        columns[f"{display.key}_flag"] = [Flag.NO_FRAME.value if item is None else item.flag.value for item in found]
    return pd.DataFrame(columns, columns=[column.name for column in reading_columns(displays)])


def _audit(
    rows: list[_Row], records: Sequence[FrameRecord], settled: Mapping[str, list[Settled]], displays: tuple[Display, ...]
) -> pd.DataFrame:
    import pandas as pd

    columns: dict[str, list[object]] = {column.name: [] for column in AUDIT_COLUMNS}
    missing: dict[str, object] = {"frame": "", "raw_text": "", "flag": Flag.NO_FRAME.value, "rival_text": "", "reader": "none"}
    for row in rows:
        when = {"time": _time_text(row.time), "elapsed_min": round(row.elapsed_min, 3)}
        for display in displays:
            told = missing
            if row.index is not None:
                told = _audit_line(records[row.index], settled[display.key][row.index], display.key)
            line = {**when, "display": display.key, **told}
            for name, cells in columns.items():
                cells.append(line.get(name))
    return pd.DataFrame(columns)


def _audit_line(record: FrameRecord, item: Settled, key: str) -> dict[str, object]:
    raw = item.reading
    rival = raw.rivals[1] if len(raw.rivals) > 1 else None
    shift = record.shift
    return {
        "frame": record.frame,
        "raw_text": raw.text,
        "raw_value": raw.value,
        "value": item.value,
        "confidence": item.confidence,
        "flag": item.flag.value,
        "rival_text": rival.text if rival else "",
        "rival_confidence": rival.probability if rival else None,
        "reader": f"{raw.reader}+night" if item.taught else raw.reader,
        "sharpness": raw.sharpness,
        "quality": record.quality.get(key),
        "shift_x_px": shift.dx if shift else None,
        "shift_y_px": shift.dy if shift else None,
        "rotation_deg": shift.rotation_deg if shift else None,
    }
