"""Takes the record of one frame; gives it with the numbers that the journal keeps, as JSON can hold it, and back."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from sys import intern
from typing import Any

from frametally.model import Flag, FrameRecord, Reading, Rival, Shift


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
        readings={key: rounded_reading(reading) for key, reading in record.readings.items()},
    )


def rounded_reading(reading: Reading) -> Reading:
    """Give one reading with its numbers as the journal keeps them."""
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
        "readings": {key: reading_to_dict(reading) for key, reading in record.readings.items()},
    }


def reading_to_dict(reading: Reading) -> dict[str, Any]:
    """Give one reading as JSON can hold it; `reading_from_dict` gives exactly the same back."""
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
        quality={intern(key): value for key, value in data["quality"].items()},
        readings={intern(key): reading_from_dict(reading) for key, reading in data["readings"].items()},
    )


def reading_from_dict(data: dict[str, Any]) -> Reading:
    """Give the reading that `reading_to_dict` took apart; raises as `record_from_dict`."""
    return Reading(
        intern(data["text"]),
        data["value"],
        data["confidence"],
        Flag(data["flag"]),
        tuple([Rival(intern(text), value, probability) for text, value, probability in data["rivals"]]),
        intern(data["reader"]),
        data["sharpness"],
    )
