"""Takes what a person says a display showed and keeps it in `corrections.csv`; gives all such rows back, checked.

Rows are only ever added; the last one for a frame and display counts. The file may also be written by hand.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from frametally.errors import BadInput
from frametally.model import Flag

COLUMNS = ("frame", "display", "from", "to", "who", "when", "note")
"""The columns of `corrections.csv`, in this order."""

AS_READ = "as_read"
"""Written in the column `to`: an earlier correction is taken back."""

TO_FLAGS = (Flag.BLANK, Flag.HIDDEN, Flag.UNREADABLE, Flag.LOST, Flag.OVER_RANGE, Flag.UNDER_RANGE, Flag.STATUS)
"""What a person can say instead of a number."""

_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?")


@dataclass(frozen=True)
class Correction:
    """One row: in this frame this display showed `to_text`, not `from_text`.

    `to_text` is a number ("20.9"), the word of a flag in `TO_FLAGS` ("hidden": nobody can read it, and why), or `AS_READ`.
    """

    frame: str
    display: str
    from_text: str
    to_text: str
    who: str = ""
    when: datetime | None = None
    note: str = ""

    @property
    def value(self) -> float | None:
        """The number that was given, None where it was a word."""
        return float(self.to_text) if _NUMBER.fullmatch(self.to_text) else None

    @property
    def flag(self) -> Flag | None:
        """The flag that the reading gets, None where the correction was taken back."""
        if self.to_text == AS_READ:
            return None
        return Flag.CORRECTED if self.value is not None else Flag(self.to_text)


def load_corrections(path: Path) -> tuple[Correction, ...]:
    """Give all rows in the order of the file, none where there is no file; `BadInput` names each bad row and its remedy."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise BadInput(f"{path} cannot be read ({error.strerror}); check that it is a file and that you may open it") from None
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content.count(b"\n", 0, error.start) + 1
        raise BadInput(f"{path}, row {row}: this is not UTF-8 text; save the file again with the encoding UTF-8") from None
    corrections: list[Correction] = []
    faults: list[str] = []
    for row, cells in _rows(path, text):
        found, wrong = _correction(cells)
        faults += [f"row {row}: {fault}" for fault in wrong]
        if found is not None:
            corrections.append(found)
    if faults:
        raise BadInput(
            f"{path}, {faults[0]}" if len(faults) == 1 else f"{path} has {len(faults)} faults:\n  " + "\n  ".join(faults)
        )
    return tuple(corrections)


def _rows(path: Path, text: str) -> Iterator[tuple[int, list[str]]]:
    """Give each row with the number of its first line in the file, without the header and without empty rows."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    first_line, header_seen = 1, False
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                if header_seen:
                    yield first_line, cells
                else:
                    _check_header(path, cells)
                    header_seen = True
            first_line = reader.line_num + 1
    except csv.Error as error:
        raise BadInput(f"{path}, row {first_line}: {error}; check the quotation marks in this row") from None


def _check_header(path: Path, cells: list[str]) -> None:
    if tuple(cell.strip() for cell in cells) == COLUMNS:
        return
    expected = ",".join(COLUMNS)
    if len(cells) == 1 and ";" in cells[0]:
        raise BadInput(f"{path}, row 1: the columns are parted by semicolons; save the file with commas, first row {expected}")
    raise BadInput(f"{path}, row 1: the columns should be {expected}, but are {','.join(cells)[:100]}")


def _correction(cells: list[str]) -> tuple[Correction | None, list[str]]:
    """Give the row's correction, or what is wrong with it."""
    if len(cells) != len(COLUMNS):
        return None, [
            f"there are {len(cells)} columns, but should be {len(COLUMNS)}: {','.join(COLUMNS)}; quote what contains a comma"
        ]
    frame, display, from_text, to_text, who, when_text, note = cells
    faults: list[str] = []
    when = None
    if when_text.strip():
        try:
            when = datetime.fromisoformat(when_text.strip())
        except ValueError:
            faults.append(f"when is {when_text!r}; write date and time like 2026-10-31T08:15:00+00:00, or leave it empty")
    correction = Correction(frame.strip(), display.strip(), from_text, to_text.strip(), who, when, note)
    faults = [*_faults(correction), *faults]
    return (None, faults) if faults else (correction, [])


def _faults(correction: Correction) -> list[str]:
    faults = [f"{name} is empty; write the {what}" for name, what, text in (
        ("frame", "photo's name", correction.frame), ("display", "display's key, like co_ppm", correction.display),
    ) if not text]  # fmt: skip
    words = [AS_READ, *(flag.value for flag in TO_FLAGS)]
    if not _NUMBER.fullmatch(correction.to_text) and correction.to_text not in words:
        remedy = (
            "write a decimal point"
            if re.fullmatch(r"[+-]?\d+,\d+", correction.to_text)
            else f"write a number or one of {', '.join(words)}"
        )
        faults.append(f"to is {correction.to_text!r}; {remedy}")
    return faults


def append_correction(path: Path, correction: Correction) -> None:
    """Add one row and bring it to the disk; the file begins with its header where it is new.

    Raises `BadInput` where the correction is none, where the file is damaged, and where it cannot be written.
    """
    faults = _faults(correction)
    if faults:
        raise BadInput(f"this correction of {correction.display} in {correction.frame} cannot be kept: {'; '.join(faults)}")
    load_corrections(path)  # a row behind damaged ones would be hard to find again
    try:
        with path.open("a+b") as file:
            file.write(_addition(file.seek(0, os.SEEK_END), _last_byte(file), correction))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise BadInput(f"{path} cannot be written ({error.strerror}); check that you may write there") from None


def _last_byte(file: io.BufferedRandom) -> bytes:
    if file.seek(0, os.SEEK_END) == 0:
        return b""
    file.seek(-1, os.SEEK_END)
    return file.read(1)


def _addition(size_bytes: int, last: bytes, correction: Correction) -> bytes:
    when = "" if correction.when is None else correction.when.isoformat()
    cells = (
        correction.frame,
        correction.display,
        correction.from_text,
        correction.to_text,
        correction.who,
        when,
        correction.note,
    )
    text = io.StringIO(newline="")
    # The csv module leaves a lone carriage return unquoted, and then ends the row there when it reads.
    needs_quotes = any("\r" in cell for cell in cells)
    writer = csv.writer(text, lineterminator="\n", quoting=csv.QUOTE_ALL if needs_quotes else csv.QUOTE_MINIMAL)
    if last not in (b"", b"\n"):
        text.write("\n")
    if size_bytes == 0:
        writer.writerow(COLUMNS)
    writer.writerow(cells)
    return text.getvalue().encode("utf-8")


def latest_corrections(corrections: Iterable[Correction]) -> dict[tuple[str, str], Correction]:
    """Give for each frame and display the correction that counts: the last row, unless it takes the others back."""
    last = {(correction.frame, correction.display): correction for correction in corrections}
    return {place: correction for place, correction in last.items() if correction.to_text != AS_READ}
