"""Readings and records made by hand, for the tests of cleaning: no pixels, only what a reader would have said of them."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

from frametally.model import Display, Flag, FrameRecord, Reading, Rival, Shift
from frametally.read.reader import number

ZONE = timezone(timedelta(hours=1))
START = datetime(2026, 11, 20, 21, 0, tzinfo=ZONE)
SHIFT = Shift(1.5, -2.25, 0.125, 1.0, 0.97)


def display(key: str = "co_ppm", digits: str = "###", **more: object) -> Display:
    """Give a display; only what cleaning looks at matters. Each key has a place of its own."""
    left = 10.0 * (zlib.crc32(key.encode()) % 997)
    corners = ((left, 0.0), (left + 9.0, 0.0), (left + 9.0, 4.0), (left, 4.0))
    usual = {"quantity": "carbon monoxide", "unit": "ppm", "range": (0, 999), "resolution": 1, "instrument": "a meter"}
    return Display.model_validate({"key": key, "corners": corners, "digits": digits} | usual | more)


CO = display()
WALL_CO = display("wall_co_ppm")
OXYGEN = display("o2_pct", "##.#", quantity="oxygen", unit="%", range=(0, 30), resolution=0.1)


def reading(text: str, probability: float = 0.9995, /, **rivals: float) -> Reading:
    """Give a reading of a number with its rivals: `reading("137", 0.6, _131=0.3)`, an underscore before each rival's text."""
    entries = [(text, probability), *((name.removeprefix("_").replace("_", "."), p) for name, p in rivals.items())]
    found = tuple(Rival(t, number(t), p) for t, p in entries)
    return Reading(text, number(text), probability, Flag.OK, found, "segments", 30.0)


def word(text: str, flag: Flag, probability: float = 0.999) -> Reading:
    """Give a reading of a word."""
    return Reading(text, None, probability, flag, (Rival(text, None, probability),), "segments", 30.0)


def nothing(flag: Flag) -> Reading:
    """Give a reading of a display that shows nothing, is hidden, or is lost."""
    return Reading("", None, 0.99 if flag is Flag.BLANK else 0.0, flag)


def numbers(values: Sequence[float], probability: float = 0.9995) -> list[Reading]:
    """Give clear readings."""
    return [reading(f"{value:g}", probability) for value in values]


def minutes(count: int, every: float = 1.0) -> list[float]:
    """Give the elapsed minutes of evenly spaced frames."""
    return [every * index for index in range(count)]


def record(
    index: int, readings: Mapping[str, Reading], *, time: datetime | None = START, every_min: float = 1.0, problem: str = ""
) -> FrameRecord:
    """Give what the journal holds of frame `index`: named f0000.jpg, f0001.jpg, ...; `time` that of frame 0."""
    at = None if time is None else time + timedelta(minutes=index * every_min)
    shown = {} if problem else dict(readings)
    quality = dict.fromkeys(shown, 0.93)
    return FrameRecord(f"f{index:04d}.jpg", at, 1000 + index, "0" * 64, problem, None if problem else SHIFT, quality, shown)


def night(columns: Mapping[str, Sequence[Reading]], **more: object) -> list[FrameRecord]:
    """Give the records of a night from the readings of every display."""
    count = len(next(iter(columns.values())))
    return [record(i, {key: found[i] for key, found in columns.items()}, **more) for i in range(count)]  # type: ignore[arg-type]


@dataclass(frozen=True)
class Correction:
    """A correction by hand, as `clean` sees one."""

    value: float | None
    flag: Flag | None
