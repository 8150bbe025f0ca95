"""Takes the record of each frame as it is read and keeps it in `journal.jsonl`; gives the records back after any stop.

The first line says what the readings were made with, each further line is one frame. Lines are only ever added.
Everything behind the reading is made from these lines, so a stopped run goes on where it was.
"""

from __future__ import annotations

import errno
import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self, TypeVar

from frametally.corrections import Correction, append_correction, latest_corrections, load_corrections
from frametally.errors import BadInput
from frametally.lock import Lock
from frametally.model import FORMAT, Flag, FrameRecord, Reading, Rival, Shift

__all__ = [
    "READER_VERSION",
    "Correction",
    "Journal",
    "JournalHeader",
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

READER_VERSION = "1"
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


# --- records and lines -----------------------------------------------------------------------------------------------


def rounded(record: FrameRecord) -> FrameRecord:
    """Give the record with its numbers as the journal keeps them; a second call changes nothing.

    Confidences and probabilities have 6 decimals, qualities 4, sharpness 3, a shift's pixels and degrees 3, its scale 5.
    """
    shift = record.shift
    if shift is not None:
        shift = Shift(
            dx=_number(shift.dx, 3),
            dy=_number(shift.dy, 3),
            rotation_deg=_number(shift.rotation_deg, 3),
            scale=_number(shift.scale, 5),
            quality=_number(shift.quality, 4),
        )
    return replace(
        record,
        bytes=int(record.bytes),
        shift=shift,
        quality={key: _number(value, 4) for key, value in record.quality.items()},
        readings={key: _rounded_reading(reading) for key, reading in record.readings.items()},
    )


def _rounded_reading(reading: Reading) -> Reading:
    return replace(
        reading,
        value=None if reading.value is None else float(reading.value),
        confidence=_number(reading.confidence, 6),
        sharpness=_number(reading.sharpness, 3),
        rivals=tuple(
            Rival(rival.text, None if rival.value is None else float(rival.value), _number(rival.probability, 6))
            for rival in reading.rivals
        ),
    )


def _number(value: float, decimals: int) -> float:
    return round(float(value), decimals) + 0.0  # + 0.0 makes -0.0 a plain 0.0


def record_to_dict(record: FrameRecord) -> dict[str, Any]:
    """Give a record as JSON can hold it; `record_from_dict` gives exactly the same record back."""
    shift = record.shift
    return {
        "frame": record.frame,
        "time": None if record.time is None else record.time.isoformat(),
        "bytes": record.bytes,
        "sha256": record.sha256,
        "problem": record.problem,
        "shift": None if shift is None else [shift.dx, shift.dy, shift.rotation_deg, shift.scale, shift.quality],
        "quality": record.quality,
        "readings": {key: _reading_to_dict(reading) for key, reading in record.readings.items()},
    }


def _reading_to_dict(reading: Reading) -> dict[str, Any]:
    return {
        "text": reading.text,
        "value": reading.value,
        "confidence": reading.confidence,
        "flag": reading.flag.value,
        "rivals": [[rival.text, rival.value, rival.probability] for rival in reading.rivals],
        "reader": reading.reader,
        "sharpness": reading.sharpness,
    }


def record_from_dict(data: dict[str, Any]) -> FrameRecord:
    """Give the record that `record_to_dict` took apart. Raises KeyError, TypeError or ValueError where it is no such thing."""
    shift = data["shift"]
    return FrameRecord(
        frame=data["frame"],
        time=None if data["time"] is None else datetime.fromisoformat(data["time"]),
        bytes=data["bytes"],
        sha256=data["sha256"],
        problem=data["problem"],
        shift=None if shift is None else Shift(*shift),
        quality=data["quality"],
        readings={key: _reading_from_dict(reading) for key, reading in data["readings"].items()},
    )


def _reading_from_dict(data: dict[str, Any]) -> Reading:
    return Reading(
        data["text"],
        data["value"],
        data["confidence"],
        Flag(data["flag"]),
        tuple([Rival(text, value, probability) for text, value, probability in data["rivals"]]),
        data["reader"],
        data["sharpness"],
    )


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
        return header, {record.frame: record for record in _records(path, file)}


def stream_records(path: Path) -> Iterator[FrameRecord]:
    """Give a journal's records one by one as they were written: a frame that was read again comes again."""
    with _opened(path) as file:
        if _header(path, file) is not None:
            yield from _records(path, file)


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


def _records(path: Path, file: BinaryIO) -> Iterator[FrameRecord]:
    """Read the lines behind the header; a last one without its end was being written when the run was stopped."""
    for number, line in enumerate(file, start=2):
        if line.endswith(b"\n"):
            yield _decoded(path, number, line, record_from_dict)


def _decoded(path: Path, number: int, line: bytes, make: Callable[[dict[str, Any]], _Made]) -> _Made:
    try:
        return make(json.loads(line))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        remedy = (
            "it holds what the readings were made with, so start over"
            if number == 1
            else ("delete this one line in a text editor and run again, its frame is then read again; or start over")
        )
        raise BadInput(f"{path}, line {number} is damaged; {remedy} with --fresh (the old journal is kept)") from None


# --- writing a journal -----------------------------------------------------------------------------------------------


class Journal:
    """The journal of one results folder, open for adding; a context manager. Made by `Journal.open`.

    `known` has the last record of each frame that was read before, and of those added since. `append` may be called
    from any thread.
    """

    def __init__(self, path: Path, header: JournalHeader, known: dict[str, FrameRecord], file: BinaryIO, lock: Lock) -> None:
        """Take over an open file and a held lock; for `open` alone."""
        self.path = path
        self.header = header
        self.known = known
        self._file = file
        self._lock = lock
        self._one_at_a_time = threading.Lock()
        self._synced_s = time.monotonic()

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
        found, known, whole_bytes = _found(path)
        if found is not None:
            _check_agreement(path, found, header)
        file = path.open("ab", buffering=0)
        try:
            file.truncate(whole_bytes)
            journal = cls(path, found or header, known, file, lock)
            if found is None:
                journal._write({"journal": asdict(header)})
        except BaseException:
            file.close()
            raise
        return journal

    def append(self, record: FrameRecord) -> FrameRecord:
        """Add one frame's record and give it back as it was written (rounded), which is what later stages must use."""
        kept = rounded(record)
        with self._one_at_a_time:
            self._write(record_to_dict(kept))
            self.known[kept.frame] = kept
        return kept

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


def _found(path: Path) -> tuple[JournalHeader | None, dict[str, FrameRecord], int]:
    """Give what a journal holds and how many bytes of it are whole lines; nothing where there is none yet."""
    if not path.exists():
        return None, {}, 0
    with _opened(path) as file:
        header = _header(path, file)
        if header is None:
            return None, {}, 0
        known = {record.frame: record for record in _records(path, file)}
        return header, known, _whole_bytes(file)


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
