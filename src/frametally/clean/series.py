"""Takes the journal's records and hand corrections; gives the clean table and the audit table of the night."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

import numpy as np
import pandas as pd

from frametally.clean.rules import Settled, find_events, settle
from frametally.model import AUDIT_COLUMNS, Display, Flag, FrameRecord, Method, Reading, reading_columns

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
    elapsed = _elapsed_min([record.time for record in records])
    raw = {display.key: [_reading_of(record, display.key) for record in records] for display in displays}
    events = {display.key: find_events(raw[display.key], elapsed, display) for display in displays}
    settled = {}
    for display in displays:
        others = [found for key, found in events.items() if key != display.key]
        event = np.any(others, axis=0) if others else np.zeros(len(records), bool)
        judged = settle(raw[display.key], elapsed, display, method.doubtful_below, event)
        settled[display.key] = _corrected(judged, records, display.key, corrections or {})
    rows = _rows(records, elapsed, method.gap_after)
    return Tables(_readings(rows, records, settled, displays), _audit(rows, records, settled, displays))


def _reading_of(record: FrameRecord, key: str) -> Reading:
    if record.problem:
        return Reading("", None, 1.0, Flag.NO_FRAME)
    return record.readings.get(key, Reading("", None, 0.0, Flag.LOST))


def _corrected(
    settled: list[Settled], records: Sequence[FrameRecord], key: str, corrections: Mapping[tuple[str, str], HandCorrection]
) -> list[Settled]:
    result = []
    for item, record in zip(settled, records, strict=True):
        correction = corrections.get((record.frame, key))
        flag = correction.flag if correction is not None else None
        if correction is not None and flag is not None:
            item = Settled(item.reading, correction.value, flag, 1.0)
        result.append(item)
    return result


def _elapsed_min(times: Sequence[datetime | None]) -> list[float]:
    first = next((time for time in times if time is not None), None)
    return [float("nan") if time is None or first is None else (time - first).total_seconds() / 60 for time in times]


@dataclass(frozen=True)
class _Row:
    """One row of the table: the record's index, or None for a photo that is missing."""

    index: int | None
    time: datetime | None
    elapsed_min: float


def _rows(records: Sequence[FrameRecord], elapsed: list[float], gap_after: float) -> list[_Row]:
    pauses = np.diff(np.asarray(elapsed, float))
    known = pauses[np.isfinite(pauses) & (pauses > 0)]
    usual = float(np.median(known)) if known.size >= 3 else float("inf")
    rows: list[_Row] = []
    for index, record in enumerate(records):
        before = records[index - 1] if index else None
        pause = pauses[index - 1] if index else 0.0
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
    lines = []
    for row in rows:
        for display in displays:
            line: dict[str, object] = {
                "time": _time_text(row.time),
                "elapsed_min": round(row.elapsed_min, 3),
                "display": display.key,
            }
            if row.index is None:
                lines.append(
                    line | {"frame": "", "raw_text": "", "flag": Flag.NO_FRAME.value, "rival_text": "", "reader": "none"}
                )
                continue
            lines.append(line | _audit_line(records[row.index], settled[display.key][row.index], display.key))
    return pd.DataFrame(lines, columns=[column.name for column in AUDIT_COLUMNS])


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
        "reader": raw.reader,
        "sharpness": raw.sharpness,
        "quality": record.quality.get(key),
        "shift_x_px": shift.dx if shift else None,
        "shift_y_px": shift.dy if shift else None,
        "rotation_deg": shift.rotation_deg if shift else None,
    }
