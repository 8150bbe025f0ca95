"""Remembers in this process what each photo gave, for tests in which reading is beside the point: it is looked at once only.

What a photo gives depends on the photo, the reference photo, the calibration and the method alone; the tests of `aim`, `read`,
the engines and the whole nights hold that to be so, and none of them remembers anything.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import replace
from pathlib import Path

import pytest

import frametally.run
from frametally.aim import reference_of
from frametally.errors import CalibrationMisfit
from frametally.eyes import Eyes, Settings
from frametally.model import Calibration, Frame, FrameRecord, Night, Notice

KEPT = 4
"""So many eyes are remembered with what they saw: each holds its reference photo in many forms, some hundred megabytes in all."""

_eyes: OrderedDict[tuple[object, ...], tuple[Eyes, dict[tuple[str, bytes], FrameRecord]]] = OrderedDict()
_marks: dict[tuple[object, ...], list[Notice]] = {}


def remember(patch: pytest.MonkeyPatch) -> None:
    """Let runs in this process look at each photo once; a photo that is spoilt or gone is looked at anew every time."""
    really_open, really_look, really_judge = Eyes.open.__func__, Eyes.look, frametally.run.tight_marks  # type: ignore[attr-defined]

    def open_eyes(cls: type[Eyes], night: Night, settings: Settings) -> Eyes:
        seen = _reference(night, settings.calibration)
        if seen is None:
            return really_open(cls, night, settings)  # type: ignore[no-any-return]
        frame, data, marks = seen
        place = data, marks, settings.method.model_dump_json()
        if place not in _eyes:
            _eyes[place] = really_open(cls, night, settings), {}
        _eyes.move_to_end(place)
        while len(_eyes) > KEPT:
            _eyes.popitem(last=False)
        return replace(_eyes[place][0], reference=frame)

    # the name is the one by which other processes find what is remembered only here
    def look(self: Eyes, frame: Frame) -> FrameRecord:
        data = _bytes(frame)
        records = next((records for eyes, records in list(_eyes.values()) if eyes.reader is self.reader), None)
        if data is None or records is None:
            return really_look(self, frame)
        place = frame.name, data
        if place not in records:
            record = really_look(self, frame)
            if record.problem:
                return record
            records[place] = record
        return replace(records[place], time=frame.time)

    def tight_marks(night: Night, calibration: Calibration) -> list[Notice]:
        seen = _reference(night, calibration)
        if seen is None:
            return really_judge(night, calibration)
        if seen[1:] not in _marks:
            _marks[seen[1:]] = really_judge(night, calibration)
        return list(_marks[seen[1:]])

    patch.setattr(Eyes, "open", classmethod(open_eyes))
    patch.setattr(Eyes, "look", look)
    patch.setattr("frametally.run.tight_marks", tight_marks)


def _reference(night: Night, calibration: Calibration) -> tuple[Frame, bytes, str] | None:
    """Give the reference frame, what is in it, and the calibration; None where there is none."""
    by_name = {frame.name: frame for frame in night.frames}
    try:
        frame = by_name[reference_of(calibration, list(by_name))]
    except CalibrationMisfit:
        return None
    data = _bytes(frame)
    return None if data is None else (frame, data, calibration.model_dump_json())


def _bytes(frame: Frame) -> bytes | None:
    try:
        return frame.path.read_bytes() if isinstance(frame.path, Path) else None
    except OSError:
        return None
