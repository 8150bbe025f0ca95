"""The stage from photos to journal: every frame is decoded, registered and read once, in order, by one or more threads."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

import cv2

from frametally.aim import Registrar, check_fit, reference_of
from frametally.errors import BadFrame, CalibrationMisfit, NoFrames
from frametally.frames import Picture, fingerprint, load, size_of
from frametally.journal import Journal, JournalHeader, is_same
from frametally.model import Calibration, Frame, FrameRecord, Method, Night, Notice, Trial
from frametally.read import Reader
from frametally.results import Results, reading_fingerprint

log = logging.getLogger("frametally")

Progress = Callable[[int, int], None]
"""Called with frames done and frames in all."""

_In = TypeVar("_In")
_Out = TypeVar("_Out")


@dataclass(frozen=True)
class Settings:
    """The user's files, read and checked."""

    calibration: Calibration
    trial: Trial | None
    method: Method


@dataclass(frozen=True)
class Eyes:
    """What looks at every frame: made once from the reference frame, shared by all threads, changed by none."""

    calibration: Calibration
    registrar: Registrar
    reader: Reader
    reference_sha256: str

    @classmethod
    def open(cls, night: Night, settings: Settings) -> Eyes:
        """Prepare the reference frame. Raises `CalibrationMisfit` where it is missing, damaged or of another size."""
        calibration = settings.calibration
        by_name = {frame.name: frame for frame in night.frames}
        name = reference_of(calibration, list(by_name))
        try:
            picture = load(by_name[name])
        except BadFrame as problem:
            raise CalibrationMisfit(_no_reference(by_name[name], problem)) from None
        registrar = Registrar(picture.pixels, calibration, lost_below=settings.method.lost_below)
        return cls(calibration, registrar, Reader(picture.pixels, calibration.displays), picture.sha256)

    def look(self, frame: Frame) -> FrameRecord:
        """Read one frame; whatever is wrong with its file becomes the record's `problem`."""
        try:
            picture = load(frame)
        except BadFrame as problem:
            size, digest = _fingerprint_or_none(frame)
            return FrameRecord(frame.name, frame.time, size, digest, str(problem), None, {}, {})
        misfit = self._size_problem(picture)
        if misfit:
            return FrameRecord(frame.name, frame.time, picture.bytes, picture.sha256, misfit, None, {}, {})
        placement = self.registrar.locate(picture.pixels)
        readings = self.reader.read(picture.pixels, placement)
        return FrameRecord(
            frame.name, frame.time, picture.bytes, picture.sha256, "", placement.shift, placement.quality, readings
        )

    def _size_problem(self, picture: Picture) -> str:
        try:
            check_fit(self.calibration, (picture.pixels.shape[1], picture.pixels.shape[0]))
        except CalibrationMisfit as problem:
            return str(problem)
        return ""


def _no_reference(frame: Frame, problem: BadFrame) -> str:
    folder = _top(frame)
    if not frame.path.exists() and not any(folder.glob("*")):
        return f"The photos are no longer in {folder}. Put the folder back and give the command again."
    said = str(problem).rstrip(".")
    return f"The reference frame {frame.name} cannot be used ({said}). Put it back, or mark the displays on another frame."


def _top(frame: Frame) -> Path:
    """Give the folder that the frame's name counts from."""
    return frame.path.parents[min(frame.name.count("/"), len(frame.path.parents) - 1)]


def read_night(
    night: Night, settings: Settings, folder: Results, jobs: int, fresh: bool, progress: Progress | None
) -> list[Notice]:
    """Read every frame that the journal does not hold yet; give notices of the frames that could not be used.

    The journal is written in the frames' order whatever the number of jobs. Raises `NoFrames` where not one frame can be
    used, `CalibrationMisfit` where the calibration belongs to other frames.
    """
    with one_thread_each():
        return _read_night(night, settings, folder, jobs, fresh, progress)


def _read_night(
    night: Night, settings: Settings, folder: Results, jobs: int, fresh: bool, progress: Progress | None
) -> list[Notice]:
    _check_sizes(night, settings.calibration)
    try:
        eyes = Eyes.open(night, settings)
    except CalibrationMisfit:
        _check_any_loads(night)
        raise
    marks, method = reading_fingerprint(settings.calibration, settings.method)
    header = JournalHeader(version("frametally"), marks, method, eyes.reference_sha256)
    with Journal.open(folder.journal, header, fresh=fresh) as journal:
        waiting = [frame for frame in night.frames if not _is_known(journal, frame)]
        done = len(night.frames) - len(waiting)
        if done:
            log.info("%d of %d frames were read before; going on with the rest.", done, len(night.frames))
        if progress is not None:
            progress(done, len(night.frames))
        with interruption_told(journal, len(night.frames)), closing(in_order(eyes.look, waiting, jobs)) as records:
            for number, record in enumerate(records, start=done + 1):
                journal.append(record)
                if progress is not None:
                    progress(number, len(night.frames))
        bad = [journal.known[frame.name] for frame in night.frames if journal.known[frame.name].problem]
    return [Notice("bad-frame", record.frame, record.problem) for record in bad]


@contextmanager
def interruption_told(journal: Journal, total: int) -> Iterator[None]:
    """Let a Ctrl-C carry on how many frames are kept by then."""
    try:
        yield
    except KeyboardInterrupt:
        raise KeyboardInterrupt(f"{len(journal.known)} of {total} frames are read and kept") from None


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Have OpenCV work in the calling thread alone: frames are read side by side, more threads would be in each other's way."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def _check_any_loads(night: Night) -> None:
    """Raise `NoFrames` where no frame has a picture at all: then it is the photos that are wrong, not the calibration."""
    first = ""
    for frame in night.frames:
        try:
            load(frame)
        except BadFrame as problem:
            first = first or f"{frame.name}: {problem}"
        else:
            return
    raise NoFrames(f"none of the {len(night.frames)} frames can be read; the first, {first}")


def _check_sizes(night: Night, calibration: Calibration) -> None:
    """Refuse a night most of whose frames have another size than the calibration's: not one odd photo, but the wrong file."""
    some = night.frames[:: max(1, len(night.frames) // 20)]
    misfits = []
    for frame in some:
        try:
            check_fit(calibration, size_of(frame))
        except CalibrationMisfit as misfit:
            misfits.append(CalibrationMisfit(f"{frame.name}: {misfit}"))
        except BadFrame:
            continue
    if len(misfits) > len(some) / 2:
        raise misfits[0]


def _is_known(journal: Journal, frame: Frame) -> bool:
    record = journal.known.get(frame.name)
    return record is not None and is_same(record, *_fingerprint_or_none(frame))


def _fingerprint_or_none(frame: Frame) -> tuple[int, str]:
    try:
        return fingerprint(frame)
    except BadFrame:
        return 0, ""


def in_order(work: Callable[[_In], _Out], items: Iterable[_In], jobs: int) -> Generator[_Out, None, None]:
    """Give the work's results in the items' order, `jobs` at a time; only a few wait in memory, however many items there are."""
    if jobs <= 1:
        yield from map(work, items)
        return
    with ThreadPoolExecutor(jobs) as pool:
        running: deque[Future[_Out]] = deque()
        try:
            for item in items:
                running.append(pool.submit(work, item))
                if len(running) >= 2 * jobs:
                    yield running.popleft().result()
            while running:
                yield running.popleft().result()
        finally:
            for future in running:
                future.cancel()
