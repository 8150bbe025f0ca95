"""Takes the tables of a night and leaves `readings.csv` and `readings_audit.csv`: same table, same bytes.

Plain UTF-8 without a mark in front, comma between cells, "\\n" at line ends, decimal points, an empty cell where there is
no value. A value is printed as the display prints it (resolution 0.1: "20.0"); where a value has more digits than the
display, all of them are kept.

Names of photos are written as they are, also where one begins with "=", "+", "-" or "@" and a spreadsheet would take it
for a formula: the name is the way back to the photo, and a changed name would lose it. `formula_like` finds such names;
the report warns of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from pathlib import Path

import pandas as pd

from frametally.model import AUDIT_COLUMNS, Display, Flag, reading_columns
from frametally.show.files import encode_text, write_whole

FIXED_PLACES = {
    "confidence": 4,
    "rival_confidence": 4,
    "quality": 4,
    "sharpness": 2,
    "shift_x_px": 2,
    "shift_y_px": 2,
    "rotation_deg": 3,
}
"""Decimal places of the audit table's measured columns."""

ELAPSED_PLACES = 4

_NOISE = Decimal("1e-9")
"""Share of a value below which a difference is taken for the computer's, not the display's."""

Cell = Callable[[object], str]


def write_readings(table: pd.DataFrame, displays: Sequence[Display], path: Path) -> None:
    """Write `readings.csv`: time, elapsed_min, frame, then each display's value and flag.

    Raises `ValueError` where the table lacks one of these columns.
    """
    columns = [column.name for column in reading_columns(tuple(displays))]
    _require(table, columns)
    cells: dict[str, list[str]] = _time_cells(table)
    for display in displays:
        cells[display.key] = [format_value(as_number(v), display.resolution) for v in table[display.key].tolist()]
        cells[f"{display.key}_flag"] = [format_text(v) for v in table[f"{display.key}_flag"].tolist()]
    _write(columns, cells, path)


def write_audit(audit: pd.DataFrame, path: Path, displays: Sequence[Display] = ()) -> None:
    """Write `readings_audit.csv`: one row per frame and display, columns as in `AUDIT_COLUMNS`.

    With `displays`, values are printed with their display's resolution, else as short as they can be.
    Raises `ValueError` where the table lacks a column.
    """
    columns = [column.name for column in AUDIT_COLUMNS]
    _require(audit, columns)
    resolution = {display.key: display.resolution for display in displays}
    keys = [format_text(v) for v in audit["display"].tolist()]
    cells: dict[str, list[str]] = _time_cells(audit)
    for name in columns:
        values = audit[name].tolist()
        if name in cells:
            continue
        if name in ("raw_value", "value"):
            cells[name] = [format_value(as_number(v), resolution.get(key)) for v, key in zip(values, keys, strict=True)]
        elif name in FIXED_PLACES:
            cells[name] = [_fixed(name)(v) for v in values]
        else:
            cells[name] = [format_text(v) for v in values]
    _write(columns, cells, path)


def count_flags(table: pd.DataFrame, displays: Sequence[Display]) -> pd.DataFrame:
    """Give how often each flag stands in a readings table: one row per display's key, one column per flag, in order."""
    rows = {}
    for display in displays:
        found = pd.Series([format_text(v) for v in table[f"{display.key}_flag"].tolist()], dtype=object).value_counts()
        rows[display.key] = [int(found.get(flag.value, 0)) for flag in Flag]
    return pd.DataFrame.from_dict(rows, orient="index", columns=[flag.value for flag in Flag], dtype=int)


def flag_name(flag: Flag) -> str:
    """Give a flag's word as people read it: the table's own, with spaces ("over range")."""
    return flag.value.replace("_", " ")


def formula_like(names: Iterable[object]) -> list[str]:
    """Give the names that a spreadsheet would take for a formula, each once, in order."""
    texts = dict.fromkeys(format_text(name) for name in names)
    return [text for text in texts if text.startswith(("=", "+", "-", "@", "\t", "\r"))]


# --- cells -----------------------------------------------------------------------------------------------------------


def format_value(value: float | None, resolution: float | None = None) -> str:
    """Print a value with the display's resolution, "" where there is none; never with fewer digits than it has."""
    if value is None or math.isnan(value):
        return ""
    exact = _exact(value)
    if resolution is not None and abs(exact) < Decimal(10) ** 15:
        rounded = exact.quantize(Decimal(1).scaleb(-decimal_places(resolution)), rounding=ROUND_HALF_EVEN)
        if abs(rounded - exact) <= _NOISE * max(Decimal(1), abs(exact)):
            exact = rounded
    elif exact == exact.to_integral_value():
        exact = exact.to_integral_value()
    return format(abs(exact) if exact == 0 else exact, "f")


def decimal_places(resolution: float) -> int:
    """Give how many decimals a display of this resolution shows: 0.1 -> 1, 0.25 -> 2, 5 -> 0."""
    exponent = Decimal(repr(float(resolution))).normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def as_number(value: object) -> float | None:
    """Give a cell of a table as a number, None where it is empty."""
    if value is None or value is pd.NA:
        return None
    number = float(value)  # type: ignore[arg-type]
    return None if math.isnan(number) else number


def format_text(value: object) -> str:
    """Give a cell of a table as text, "" where it is empty; a time as ISO 8601."""
    if isinstance(value, str):
        return str(value)
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value)


def _exact(value: float) -> Decimal:
    if not math.isfinite(value):
        raise ValueError(f"a table cannot hold the value {value}")
    return Decimal(repr(float(value)))


def _fixed(name: str) -> Cell:
    """Give the printer of a measured column; a probability is rounded down, so that none is shown surer than it is."""
    step = Decimal(1).scaleb(-FIXED_PLACES[name])
    rounding = ROUND_FLOOR if name.endswith("confidence") else ROUND_HALF_EVEN

    def cell(value: object) -> str:
        number = as_number(value)
        if number is None:
            return ""
        rounded = _exact(number).quantize(step, rounding=rounding)
        return format(abs(rounded) if rounded == 0 else rounded, "f")

    return cell


def _elapsed(value: object) -> str:
    number = as_number(value)
    return "" if number is None else format_value(round(number, ELAPSED_PLACES))


def _time_cells(table: pd.DataFrame) -> dict[str, list[str]]:
    return {
        "time": [format_text(v) for v in table["time"].tolist()],
        "elapsed_min": [_elapsed(v) for v in table["elapsed_min"].tolist()],
        "frame": [format_text(v) for v in table["frame"].tolist()],
    }


def _require(table: pd.DataFrame, columns: Sequence[str]) -> None:
    missing = [name for name in columns if name not in table.columns]
    if missing:
        raise ValueError(f"the table lacks the columns {', '.join(missing)}")


def _write(columns: Sequence[str], cells: dict[str, list[str]], path: Path) -> None:
    rows = [columns, *zip(*(cells[name] for name in columns), strict=True)]
    write_whole(path, encode_text("".join(",".join(map(_quoted, row)) + "\n" for row in rows)))


def _quoted(cell: str) -> str:
    """Quote a cell as RFC 4180 says; by ourselves, for Python versions differ on a lone carriage return."""
    return '"' + cell.replace('"', '""') + '"' if any(mark in cell for mark in ',"\n\r') else cell
