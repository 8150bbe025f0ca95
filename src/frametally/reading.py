"""The stage from photos to journal: every frame is decoded, registered and read, in order, by many at once; then what that
left open is read once more with what the night taught."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.metadata import version

import cv2

from frametally.aim import check_fit
from frametally.engines import Engine
from frametally.errors import BadFrame, BadInput, CalibrationMisfit, NoFrames
from frametally.eyes import Eyes, Settings, fingerprint_or_none
from frametally.frames import load, size_of
from frametally.journal import Journal, JournalHeader, is_same
from frametally.model import Calibration, Frame, Night, Notice
from frametally.places import Url
from frametally.results import Results, reading_fingerprint
from frametally.teaching import Progress, forget, teach

__all__ = ["Eyes", "Progress", "Settings", "read_night"]

log = logging.getLogger("frametally")


def read_night(
    night: Night,
    settings: Settings,
    folder: Results,
    engine: Engine,
    fresh: bool,
    progress: Progress | None,
    *,
    to_teach: bool = True,
) -> list[Notice]:
    """Read every frame that the journal does not hold yet; give notices of the frames that could not be used.

    Then, with `to_teach`, what is still open is read once more with what the settled frames teach. The journal is written in
    the frames' order whatever the engine. Raises `NoFrames` where not one frame can be used, `CalibrationMisfit` where
    the calibration belongs to other frames.
    """
    with one_thread_each():
        return _read_night(night, settings, folder, engine, fresh, progress, to_teach)


def _read_night(
    night: Night,
    settings: Settings,
    folder: Results,
    engine: Engine,
    fresh: bool,
    progress: Progress | None,
    to_teach: bool,
) -> list[Notice]:
    _check_sizes(night, settings.calibration)
    try:
        eyes = Eyes.open(night, settings)
    except CalibrationMisfit:
        _check_any_loads(night)
        raise
    is_elsewhere = _check_sight(engine, eyes.reference)
    marks, method = reading_fingerprint(settings.calibration, settings.method)
    header = JournalHeader(version("frametally"), marks, method, eyes.reference_sha256)
    with Journal.open(folder.journal, header, fresh=fresh) as journal:
        waiting = _unknown(night, journal, engine)
        done = len(night.frames) - len(waiting)
        if done:
            log.info("%d of %d frames were read before; going on with the rest.", done, len(night.frames))
        if progress is not None:
            progress(done, len(night.frames))
        with (
            interruption_told(journal, len(night.frames)),
            closing(engine.in_order(eyes.look, ((frame,) for frame in waiting))) as records,
        ):
            for number, (frame, record) in enumerate(zip(waiting, records, strict=True), start=done + 1):
                # what a worker cannot open may be its own fault, not the photo's
                may_be_seen_here = not record.sha256 and (is_elsewhere or isinstance(frame.path, Url))
                journal.append(eyes.look(frame) if may_be_seen_here else record)
                if progress is not None:
                    progress(number, len(night.frames))
            if to_teach:
                teach(eyes, night.frames, settings.method, journal, engine, progress)
            else:
                forget(journal)
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


def _unknown(night: Night, journal: Journal, engine: Engine) -> list[Frame]:
    """Give the frames that the journal does not hold, or whose files have changed since."""
    known = [frame for frame in night.frames if frame.name in journal.known]
    with closing(engine.in_order(fingerprint_or_none, ((frame,) for frame in known), light=True)) as marks:
        same = {f.name for f, mark in zip(known, marks, strict=True) if is_same(journal.known[f.name], *mark)}
    return [frame for frame in night.frames if frame.name not in same]


def _check_sight(engine: Engine, reference: Frame) -> bool:
    """Say whether other computers work with; raises `BadInput` where one of them does not see the photos as they are here."""
    found = engine.everywhere(fingerprint_or_none, reference)
    here = fingerprint_or_none(reference)
    for worker, mark in sorted(found.items()):
        if mark != here:
            what = "has another file in its place" if mark[1] else "cannot open it"
            raise BadInput(
                f"{reference.path} is here, but the worker {worker} {what}; put the photos on a disk that all workers see by the"
                " same path, or into an object store and give its URL"
            )
    return bool(found)
