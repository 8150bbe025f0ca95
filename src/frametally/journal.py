"""Takes the record of each frame as it is read and keeps it in `journal.jsonl`; gives the records back after any stop.

The first line says what the readings were made with, each further line is one frame; or what the night taught the reader, and
behind that what it then read in one frame anew. Lines are only ever added. Everything behind the reading is made from these
lines, so a stopped run goes on where it was.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self, TypeVar

from frametally.corrections import Correction, append_correction, latest_corrections, load_corrections
from frametally.errors import BadInput
from frametally.lock import Lock
from frametally.model import FORMAT, FrameRecord, Reading
from frametally.records import (
    reading_from_dict,
    reading_to_dict,
    record_from_dict,
    record_to_dict,
    rounded,
    rounded_reading,
)

__all__ = [
    "READER_VERSION",
    "Correction",
    "Journal",
    "JournalHeader",
    "Lessons",
    "append_correction",
    "is_same",
    "latest_corrections",
    "load_corrections",
    "load_journal",
    "record_from_dict",
    "record_to_dict",
    "rounded",
    "stream_records",
]

READER_VERSION = "5"
"""To be raised whenever the same photo would be read otherwise than before: older journals are then not continued."""

SECONDS_BETWEEN_SYNCS = 5.0
"""How much time's lines a power cut can take; a killed process loses only the line it is writing."""

_Made = TypeVar("_Made")


@dataclass(frozen=True)
class JournalHeader:
    """What the readings of a journal were made with.

    `version` is the program's; `calibration` and `method` are fingerprints (`settings.fingerprint`); `reference` is the
    SHA-256 of the reference frame's file, "" where there is none; `source` says for people where the frames came from.
    """

    version: str
    calibration: str
    method: str
    reference: str
    source: str = ""
    reader: str = READER_VERSION
    format: int = FORMAT


_MUST_AGREE = {
    "calibration": "calibration",
    "method": "method",
    "reference": "reference frame",
    "reader": "version of the reader",
}
"""What two runs must share for their readings to stand in one table; program version and source may differ."""


@dataclass(frozen=True)
class Lessons:
    """What the settled frames of a night taught.

    `made_of` is a fingerprint of what the lessons were made from; `displays` has the plain numbers of each display that
    was taught, by its key, as the readers know them. Later lessons make the second readings of earlier ones void.
    """

    made_of: str
    displays: Mapping[str, Any] = field(default_factory=dict)

    @property
    def sha256(self) -> str:
        """The fingerprint by which second readings name the lessons they were made with."""
        return hashlib.sha256(_line({"made_of": self.made_of, "displays": dict(self.displays)})).hexdigest()


def is_same(record: FrameRecord, size_bytes: int, sha256: str) -> bool:
    """Tell whether a frame's file is still the one that the record was read from."""
    return record.bytes == size_bytes and record.sha256 == sha256


def _line(data: dict[str, Any]) -> bytes:
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8") + b"\n"


# --- reading a journal -----------------------------------------------------------------------------------------------


def load_journal(path: Path) -> tuple[JournalHeader, dict[str, FrameRecord]]:
    """Give a journal's header and the last record of each frame, without writing; `BadInput` where it is none or damaged."""
    with _opened(path) as file:
        header = _header(path, file)
        if header is None:
            raise BadInput(f"{path} is empty; start the run again")
        return header, _kept(path, file).known


def stream_records(path: Path) -> Iterator[FrameRecord]:
    """Give a journal's first readings one by one as they were written: a frame that changed and was read anew comes again."""
    with _opened(path) as file:
        if _header(path, file) is not None:
            yield from (made for made in _lines(path, file) if isinstance(made, FrameRecord))


def _opened(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except FileNotFoundError:
        raise BadInput(f"there is no {path.name} in {path.parent}; give a folder that frametally run or read has made") from None
    except OSError as error:
        raise BadInput(f"{path} cannot be read ({error.strerror}); check that you may open it") from None


def _header(path: Path, file: BinaryIO) -> JournalHeader | None:
    """Read the first line; None where no whole line was ever written."""
    line = file.readline()
    if not line.endswith(b"\n"):
        return None
    data = _decoded(path, 1, line, lambda data: dict(data["journal"]))
    if data.get("format") != FORMAT:
        raise BadInput(
            f"{path} has format {data.get('format')}, but this frametally reads format {FORMAT};"
            " use the frametally that wrote it, or start over with --fresh (the old journal is kept)"
        )
    return _decoded(path, 1, line, lambda data: JournalHeader(**data["journal"]))


@dataclass(frozen=True)
class _Again:
    """One line of second readings: the frame, the fingerprint of the lessons, the readings by display."""

    frame: str
    lessons: str
    readings: dict[str, Reading]


@dataclass
class _Kept:
    """What the lines of a journal come to: the last record of each frame, with the second readings that count."""

    known: dict[str, FrameRecord] = field(default_factory=dict)
    lessons: Lessons | None = None

    def take(self, made: FrameRecord | Lessons | _Again) -> None:
        """Count one more line in. Second readings count with the lessons before them, for the photo that was read before them."""
        if isinstance(made, FrameRecord):
            self.known[made.frame] = made
        elif isinstance(made, Lessons):
            self.lessons = made
            self.known = {frame: replace(record, again={}) for frame, record in self.known.items()}
        elif self.lessons is not None and made.lessons == self.lessons.sha256 and made.frame in self.known:
            self.known[made.frame] = replace(self.known[made.frame], again={**self.known[made.frame].again, **made.readings})


def _kept(path: Path, file: BinaryIO) -> _Kept:
    kept = _Kept()
    for made in _lines(path, file):
        kept.take(made)
    return kept


def _lines(path: Path, file: BinaryIO) -> Iterator[FrameRecord | Lessons | _Again]:
    """Read the lines behind the header; a last one without its end was being written when the run was stopped."""
    for number, line in enumerate(file, start=2):
        if line.endswith(b"\n"):
            yield _decoded(path, number, line, _from_dict)


def _from_dict(data: dict[str, Any]) -> FrameRecord | Lessons | _Again:
    if "lessons" not in data:
        return record_from_dict(data)
    if "again" in data:
        readings = {key: reading_from_dict(reading) for key, reading in data["readings"].items()}
        return _Again(str(data["again"]), str(data["lessons"]), readings)
    lessons = Lessons(**data["lessons"])
    if lessons.sha256 != data["sha256"]:
        raise ValueError("these are not the lessons that were written")
    return lessons


def _decoded(path: Path, number: int, line: bytes, make: Callable[[dict[str, Any]], _Made]) -> _Made:
    try:
        return make(json.loads(line))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        remedy = (
            "it holds what the readings were made with, so start over"
            if number == 1
            else ("delete this one line in a text editor and run again, what it held is then read again; or start over")
        )
        raise BadInput(f"{path}, line {number} is damaged; {remedy} with --fresh (the old journal is kept)") from None


# --- writing a journal -----------------------------------------------------------------------------------------------


class Journal:
    """The journal of one results folder, open for adding; a context manager. Made by `Journal.open`.

    `known` has the last record of each frame that was read before, and of those added since, with the second readings that
    count; `lessons` what they were made with. What adds to it may be called from any thread.
    """

    def __init__(self, path: Path, header: JournalHeader, kept: _Kept, file: BinaryIO, lock: Lock) -> None:
        """Take over an open file and a held lock; for `open` alone."""
        self.path = path
        self.header = header
        self._kept = kept
        self._file = file
        self._lock = lock
        self._one_at_a_time = threading.Lock()
        self._synced_s = time.monotonic()

    @property
    def known(self) -> dict[str, FrameRecord]:
        """The last record of each frame, by its name."""
        return self._kept.known

    @property
    def lessons(self) -> Lessons | None:
        """What the night taught, None where it was never asked."""
        return self._kept.lessons

    @classmethod
    def open(cls, path: Path, header: JournalHeader, *, fresh: bool = False) -> Journal:
        """Open a journal for adding, or begin one; the folder is made where it is missing.

        With `fresh` the journal that is there is renamed to `journal.1.jsonl`, `.2`, ... and a new one begun.
        Raises `BadInput` where another run is writing there, where a line is damaged, where the journal was made with
        another calibration, method, reference frame or reader, and where the folder cannot be written to.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            lock = Lock(path.with_suffix(".lock"))
        except OSError as error:
            raise BadInput(f"{path.parent} cannot be written to ({error.strerror}); give another folder with -o") from None
        try:
            return cls._opened(path, header, fresh, lock)
        except OSError as error:
            lock.release()
            raise BadInput(f"{path} cannot be written ({error.strerror}); give another folder with -o") from None
        except BaseException:
            lock.release()
            raise

    @classmethod
    def _opened(cls, path: Path, header: JournalHeader, fresh: bool, lock: Lock) -> Journal:
        if fresh and path.exists():
            path.rename(_next_name(path))
        found, kept, whole_bytes = _found(path)
        if found is not None:
            _check_agreement(path, found, header)
        file = path.open("ab", buffering=0)
        try:
            file.truncate(whole_bytes)
            journal = cls(path, found or header, kept, file, lock)
            if found is None:
                journal._write({"journal": asdict(header)})
        except BaseException:
            file.close()
            raise
        return journal

    def append(self, record: FrameRecord) -> FrameRecord:
        """Add one frame's record and give it back as it was written (rounded), which is what later stages must use."""
        kept = rounded(record)
        self._add(kept, record_to_dict(kept))
        return kept

    def append_lessons(self, lessons: Lessons) -> None:
        """Add what the night taught; second readings made with other lessons do not count from here on."""
        self._add(lessons, {"lessons": asdict(lessons), "sha256": lessons.sha256})

    def append_again(self, frame: str, readings: Mapping[str, Reading]) -> None:
        """Add one frame's second readings, made with the lessons that were added last; the first ones stay as they are."""
        if self.lessons is None:
            raise ValueError("there are no second readings without lessons")
        again = _Again(frame, self.lessons.sha256, {key: rounded_reading(reading) for key, reading in readings.items()})
        plain = {key: reading_to_dict(reading) for key, reading in again.readings.items()}
        self._add(again, {"again": frame, "lessons": again.lessons, "readings": plain})

    def _add(self, made: FrameRecord | Lessons | _Again, data: dict[str, Any]) -> None:
        with self._one_at_a_time:
            self._write(data)
            self._kept.take(made)

    def _write(self, data: dict[str, Any]) -> None:
        rest = memoryview(_line(data))
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError as error:
            raise self._not_written(error) from None
        if time.monotonic() - self._synced_s > SECONDS_BETWEEN_SYNCS:
            self._sync()

    def _sync(self) -> None:
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.ENOSYS):  # some network folders have no such call
                raise self._not_written(error) from None
        self._synced_s = time.monotonic()

    def _not_written(self, error: OSError) -> BadInput:
        return BadInput(
            f"{self.path} cannot be written ({error.strerror}); make room on the disk and run the same command again,"
            " what has been read is kept"
        )

    def close(self) -> None:
        """Bring everything to the disk and let others write; a second call does nothing."""
        if self._file.closed:
            return
        try:
            self._sync()
        finally:
            self._file.close()
            self._lock.release()

    def __enter__(self) -> Self:
        """Give the journal itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Close, whatever happened."""
        self.close()


def _found(path: Path) -> tuple[JournalHeader | None, _Kept, int]:
    """Give what a journal holds and how many bytes of it are whole lines; nothing where there is none yet."""
    if not path.exists():
        return None, _Kept(), 0
    with _opened(path) as file:
        header = _header(path, file)
        if header is None:
            return None, _Kept(), 0
        return header, _kept(path, file), _whole_bytes(file)


def _whole_bytes(file: BinaryIO) -> int:
    """Give the place behind the last line end."""
    place = file.seek(0, os.SEEK_END)
    while place > 0:
        step = min(place, 65536)
        file.seek(place - step)
        end = file.read(step).rfind(b"\n")
        if end >= 0:
            return place - step + end + 1
        place -= step
    return 0


def _check_agreement(path: Path, found: JournalHeader, wanted: JournalHeader) -> None:
    differing = [words for name, words in _MUST_AGREE.items() if getattr(found, name) != getattr(wanted, name)]
    if differing:
        raise BadInput(
            f"the readings in {path} were made with another {' and another '.join(differing)}, new ones would not belong"
            f" with them; read all frames again with --fresh (the old journal is kept as {_next_name(path).name}),"
            " or give another folder with -o"
        )


def _next_name(path: Path) -> Path:
    """Give `journal.1.jsonl` or the number after the highest that is there, so that the numbers tell the order."""
    taken = [name.stem.rpartition(".")[2] for name in path.parent.glob(f"{path.stem}.*{path.suffix}")]
    number = max((int(text) for text in taken if text.isdigit()), default=0) + 1
    return path.with_name(f"{path.stem}.{number}{path.suffix}")
