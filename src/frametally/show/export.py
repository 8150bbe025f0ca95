"""Takes a night's tables and gives the same numbers in another form: what every form shares, and the long CSV.

A spreadsheet takes a cell that begins with "=", "+", "-" or "@" for a formula. In `.xlsx` a cell says itself that it is
text; a CSV cannot, so that the long form writes such a text so that it begins with another sign.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import pandas as pd

from frametally.errors import ProgramMissing
from frametally.model import Column, Finding
from frametally.show.files import encode_text

FORMS: dict[str, str] = {"xlsx": "readings.xlsx", "parquet": "readings.parquet", "long": "readings_long.csv"}
"""The forms a night can be given in, and the file each is written to by default."""

LONG_COLUMNS = (
    Column("time", "datetime", "", "When the photo was taken, ISO 8601, with the offset from UTC where it is known."),
    Column("elapsed_min", "number", "min", "Minutes since the first frame."),
    Column("frame", "string", "", "The photo; a name that a spreadsheet could take for a formula has ./ before it."),
    Column("display", "string", "", "The display's key in the calibration."),
    Column("quantity", "string", "", "What the display shows."),
    Column("unit", "string", "", "Unit of the value."),
    Column("value", "number", "the display's", "The value after cleaning and hand corrections; empty where there is none."),
    Column("flag", "string", "", "Why the reading is not simply ok."),
    Column("confidence", "number", "1", "Probability that the value is right, 0 to 1; empty where no audit table says."),
)
"""The columns of the long form, in order."""

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n")

_HIDDEN_START = re.compile(r"[\t\r\n;](?=\s*[=+\-@])")
"""What a spreadsheet may part cells at, before a sign that begins a formula."""


class Described(Protocol):
    """What is known of a display: the calibration's, or what a bare table's header tells."""

    @property
    def key(self) -> str: ...
    @property
    def quantity(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def instrument(self) -> str: ...
    @property
    def range(self) -> tuple[float, float] | None: ...
    @property
    def resolution(self) -> float | None: ...


@dataclass(frozen=True)
class Sheet:
    """One table: `cells` as text, exactly as in the CSV file; `values` the same with numbers as numbers."""

    columns: tuple[Column, ...]
    cells: pd.DataFrame
    values: pd.DataFrame


@dataclass(frozen=True)
class Package:
    """A night to be exported; `audit` None where there is none, `findings` None where the night was not assessed."""

    title: str
    version: str
    displays: Sequence[Described]
    readings: Sheet
    audit: Sheet | None
    findings: Sequence[Finding] | None


def to_long(night: Package) -> bytes:
    """Give the night as UTF-8 CSV with one row per frame and display, columns `LONG_COLUMNS`; cells as in the tables."""
    rows = _from_audit(night.audit, night.displays) if night.audit is not None else _from_readings(night.readings, night.displays)
    lines = [[column.name for column in LONG_COLUMNS], *rows]
    return encode_text("".join(",".join(map(_quoted, line)) + "\n" for line in lines))


def _from_audit(audit: Sheet, displays: Sequence[Described]) -> list[list[str]]:
    known = {one.key: (harmless(one.quantity), harmless(one.unit)) for one in displays}
    names = ("time", "elapsed_min", "frame", "display", "value", "flag", "confidence")
    return [
        [time, elapsed, harmless_name(frame), key, *known.get(key, ("", "")), value, flag, confidence]
        for time, elapsed, frame, key, value, flag, confidence in zip(*(audit.cells[n].tolist() for n in names), strict=True)
    ]


def _from_readings(readings: Sheet, displays: Sequence[Described]) -> list[list[str]]:
    cells = readings.cells
    times = list(zip(*(cells[name].tolist() for name in ("time", "elapsed_min", "frame")), strict=True))
    columns = [(one, cells[one.key].tolist(), cells[f"{one.key}_flag"].tolist()) for one in displays]
    return [
        [time, elapsed, harmless_name(frame), one.key, harmless(one.quantity), harmless(one.unit), values[row], flags[row], ""]
        for row, (time, elapsed, frame) in enumerate(times)
        for one, values, flags in columns
    ]


def harmless_name(name: str) -> str:
    """Give a photo's name so that no spreadsheet takes it for a formula: "./=x.jpg" is the same file as "=x.jpg"."""
    return _without_hidden_start(f"./{name}" if name.lstrip(" ").startswith(FORMULA_SIGNS) else name)


def harmless(text: str) -> str:
    """Give words so that no spreadsheet takes them for a formula: an apostrophe before what would begin one."""
    return _without_hidden_start(f"'{text}" if text.lstrip(" ").startswith(FORMULA_SIGNS) else text)


def _without_hidden_start(text: str) -> str:
    return _HIDDEN_START.sub(lambda sign: f"\\x{ord(sign[0]):02x}", text)


def missing_library(name: str, install: str, form: str) -> ProgramMissing:
    """Give the error that says which package a form needs and how to get it."""
    return ProgramMissing(
        f"--to {form} needs the Python package {name}, which is not installed; install it with"
        f" `pip install {install}`, or choose another form: {', '.join(one for one in FORMS if one != form)}"
    )


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(mark in cell for mark in ',";\t\n\r') else cell
