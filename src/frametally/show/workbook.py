"""Takes a night's tables and findings and gives a spreadsheet (.xlsx): typed cells, a frozen header, units in the headers.

Excel knows no offset from UTC. `time` is the local time as the camera's clock said it; where the offset is known it stands
beside it in `utc_offset`, so that the hour that comes twice when summer time ends can be told apart. Every text is
stored as text and marked so that it stays text when its cell is edited: a photo called "=1+1" never becomes a formula.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from frametally.errors import BadInput
from frametally.model import FLAG_MEANING, Column, Finding, Flag
from frametally.show.export import Package, Sheet, missing_library
from frametally.show.tables import FIXED_PLACES, decimal_places

if TYPE_CHECKING:
    from openpyxl import Workbook

MOST_ROWS = 1_048_575
"""Rows that a sheet can hold under its header."""

MOST_LETTERS = 32_767
"""Letters that a cell can hold."""

OFFSET_COLUMN = Column("utc_offset", "string", "", "Offset of `time` from UTC; empty where it is not known.")
TIME_FORMAT = "yyyy-mm-dd hh:mm:ss"
TEXT_FORMAT = "@"

_UNWRITABLE = re.compile("[\x00-\x1f\x7f\ud800-\udfff\ufffe\uffff]")

_FINDING_COLUMNS: tuple[tuple[str, int, Callable[[Finding], object]], ...] = (
    ("what matters", 12, lambda f: f.tone),
    ("finding", 44, lambda f: f.title),
    ("in full", 90, lambda f: f.text),
    ("value", 10, lambda f: f.value),
    ("at least", 10, lambda f: f.lower),
    ("at most", 10, lambda f: f.upper),
    ("unit", 10, lambda f: f.unit),
    ("limit", 24, lambda f: f.limit),
    ("verdict", 18, lambda f: f.verdict),
    ("settled by its photo", 12, lambda f: "yes" if f.verified else "no: look at the photo"),
    ("display", 14, lambda f: f.key),
    ("photos", 30, lambda f: ", ".join(f.evidence)),
    ("rests on", 60, lambda f: "; ".join(f.sources)),
)


@dataclass(frozen=True)
class _Head:
    """A column of a sheet: its header, width in letters, and the number format of its cells."""

    text: str
    width: float
    format: str


def to_workbook(night: Package) -> bytes:
    """Give the night as the bytes of an .xlsx file; same night and same openpyxl, same bytes.

    Raises `ProgramMissing` where openpyxl is not installed, `BadInput` where the night has more rows than a sheet holds.
    """
    try:
        import openpyxl
    except ImportError:
        raise missing_library("openpyxl", "openpyxl", "xlsx") from None
    if len(night.readings.values) > MOST_ROWS:
        raise BadInput(
            f"the table has {len(night.readings.values)} rows, more than the {MOST_ROWS} that a spreadsheet holds;"
            " export it with --to parquet or --to long"
        )
    book = openpyxl.Workbook(write_only=True)
    _add_table(book, "Readings", night.readings, night)
    _add_findings(book, night)
    _add_flags(book, night)
    if night.audit is not None and len(night.audit.values) <= MOST_ROWS:
        _add_table(book, "Audit", night.audit, night)
    else:
        why = "has more rows than a sheet holds" if night.audit is not None else "is not in this results folder"
        words = f"The audit table (one row per photo and display: what was seen, what became of it, how sure it is) {why}"
        _add_sheet(book, "Audit", [_Head("audit table", 100, TEXT_FORMAT)], [[f"{words}: see readings_audit.csv."]])
    _add_columns(book, night)
    _add_about(book, night)
    data = io.BytesIO()
    book.save(data)
    return _without_clock(data.getvalue())


# --- sheets ----------------------------------------------------------------------------------------------------------


def _add_table(book: Workbook, title: str, sheet: Sheet, night: Package) -> None:
    """Add a table of ours; its time column becomes two."""
    heads: list[_Head] = []
    columns: list[list[Any]] = []
    for column in sheet.columns:
        if column.name == "time":
            clock = [datetime.fromisoformat(cell) if cell else None for cell in sheet.cells["time"].tolist()]
            heads += [_Head("time", 20, TIME_FORMAT), _Head(OFFSET_COLUMN.name, 11, TEXT_FORMAT)]
            columns.append([None if moment is None else moment.replace(tzinfo=None) for moment in clock])
            columns.append([None if moment is None else _offset_text(moment) for moment in clock])
            continue
        heads.append(_Head(_headed(column), _width(column), _format_of(column, night)))
        columns.append(sheet.values[column.name].tolist())
    _add_sheet(book, title, heads, zip(*columns, strict=True), frozen=heads[0].text == "time")


def _add_findings(book: Workbook, night: Package) -> None:
    if night.findings is None:
        words = "This night was read but not assessed; `frametally report` on its results folder makes the findings."
        _add_sheet(book, "Findings", [_Head("findings", 100, TEXT_FORMAT)], [[words]])
        return
    number = {"value", "at least", "at most"}
    heads = [_Head(name, width, "General" if name in number else TEXT_FORMAT) for name, width, _ in _FINDING_COLUMNS]
    _add_sheet(book, "Findings", heads, ([take(one) for _, _, take in _FINDING_COLUMNS] for one in night.findings))


def _add_flags(book: Workbook, night: Package) -> None:
    heads = [_Head("flag", 14, TEXT_FORMAT), _Head("what it means", 70, TEXT_FORMAT), _Head("what to do", 60, TEXT_FORMAT)]
    heads += [_Head(f"photos: {one.key}", 18, "0") for one in night.displays]
    counts = [night.readings.cells[f"{one.key}_flag"].value_counts() for one in night.displays]
    rows = ([flag.value, *FLAG_MEANING[flag], *(int(count.get(flag.value, 0)) for count in counts)] for flag in Flag)
    _add_sheet(book, "Flags", heads, rows)


def _add_columns(book: Workbook, night: Package) -> None:
    heads = [_Head(name, width, TEXT_FORMAT) for name, width in (("sheet", 12), ("column", 20), ("unit", 14), ("meaning", 90))]
    rows = []
    for title, sheet in (("Readings", night.readings), ("Audit", night.audit)):
        for column in sheet.columns if sheet is not None else ():
            rows.append([title, column.name, column.unit, column.meaning])
            if column.name == "time":
                rows.append([title, OFFSET_COLUMN.name, OFFSET_COLUMN.unit, OFFSET_COLUMN.meaning])
    _add_sheet(book, "Columns", heads, rows)


def _add_about(book: Workbook, night: Package) -> None:
    rows = [
        ["Night", night.title],
        ["Made by", f"frametally {night.version}"],
        ["Times", "Local time as the camera's clock said it; the offset from UTC stands beside it where it is known."],
        ["Empty cells", "There is no value. The flag beside says why; nothing was filled in."],
        ["Doubtful values", "A value flagged doubtful is shown but not settled: look at its photo before you use it."],
        [
            "Caution",
            "This looks back at one night and is no alarm: keep a working carbon monoxide alarm where people sleep. Limits and"
            " findings do not say that a place is safe; ask a licensed engineer, and follow the rules where you are.",
        ],
        [
            "Names of photos",
            "Control characters in a name are written with a backslash; the CSV tables have the names as they are.",
        ],
    ]
    _add_sheet(book, "About", [_Head("about", 18, TEXT_FORMAT), _Head("", 110, TEXT_FORMAT)], rows)


# --- cells -----------------------------------------------------------------------------------------------------------


def _add_sheet(
    book: Workbook, title: str, heads: Sequence[_Head], rows: Iterable[Sequence[object]], *, frozen: bool = False
) -> None:
    """Add a sheet whose header stays in view, and with `frozen` also the two columns that say when."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(title)
    sheet.freeze_panes = "C2" if frozen else "A2"
    for number, head in enumerate(heads, start=1):
        sheet.column_dimensions[get_column_letter(number)].width = head.width
    first = []
    for head in heads:
        cell = _text_cell(WriteOnlyCell(sheet), head.text)
        cell.font, cell.fill = Font(bold=True), PatternFill("solid", fgColor="DBE5EA")
        cell.alignment = Alignment(vertical="top", wrap_text=True)
        first.append(cell)
    sheet.append(first)
    wrapped = Alignment(vertical="top", wrap_text=True)
    cells = []
    for head in heads:
        cell = WriteOnlyCell(sheet)
        cell.number_format = head.format
        if head.width >= 40:
            cell.alignment = wrapped
        cell.quotePrefix = head.format == TEXT_FORMAT
        cells.append(cell)
    for row in rows:
        sheet.append(_filled(cells, row))


def _filled(cells: Sequence[Any], row: Sequence[object]) -> Iterator[Any]:
    """Give one row: each column's one cell anew with its value; it is written before the next is asked for."""
    for cell, value in zip(cells, row, strict=True):
        if value is None or value == "" or value != value:
            yield None
        elif isinstance(value, str):
            yield _text_cell(cell, value)
        else:
            cell.value = value
            yield cell


def _text_cell(cell: Any, text: str) -> Any:
    """Put a text into a cell as text, whatever it begins with."""
    plain = _UNWRITABLE.sub(_written_out, text)
    cell.value = plain if len(plain) <= MOST_LETTERS else plain[: MOST_LETTERS - 1] + "…"
    cell.data_type = "s"  # the library takes "=..." for a formula and "#N/A" for an error
    cell.quotePrefix = True
    return cell


def _written_out(sign: re.Match[str]) -> str:
    code = ord(sign[0])
    return {9: "\\t", 10: "\\n", 13: "\\r"}.get(code, f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}")


def _headed(column: Column) -> str:
    return f"{column.name} [{column.unit}]" if column.unit not in ("", "1", "the display's") else column.name


def _width(column: Column) -> float:
    return 22 if column.name == "frame" else max(11, len(_headed(column)) + 2)


def _format_of(column: Column, night: Package) -> str:
    """The number format of a column: as many places as the display shows."""
    if column.type == "string":
        return TEXT_FORMAT
    for one in night.displays:
        if one.key == column.name and one.resolution is not None:
            return _places(decimal_places(one.resolution))
    return _places(FIXED_PLACES[column.name]) if column.name in FIXED_PLACES else "General"


def _places(count: int) -> str:
    return "0" if count == 0 else f"0.{'0' * count}"


def _offset_text(moment: datetime) -> str | None:
    offset: timedelta | None = moment.utcoffset()
    if offset is None:
        return None
    minutes = round(offset.total_seconds() / 60)
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _without_clock(data: bytes) -> bytes:
    """Take out of an .xlsx file when it was made, so that the same night gives the same bytes."""
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as made, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as fixed:
        for entry in made.infolist():
            content = made.read(entry)
            if entry.filename == "docProps/core.xml":
                content = re.sub(rb"<dcterms:(created|modified)[^>]*>[^<]*</dcterms:\1>", b"", content)
            plain = zipfile.ZipInfo(entry.filename, (1980, 1, 1, 0, 0, 0))
            plain.compress_type = zipfile.ZIP_DEFLATED
            plain.create_system = 3
            fixed.writestr(plain, content)
    return packed.getvalue()
