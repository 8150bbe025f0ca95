"""Takes a readings table and gives what charts draw: a time axis, and each display's values, doubts and blanks along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from frametally.model import SETTLED, Display, Flag, key_kind
from frametally.show.tables import as_number, format_text

Numbers = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
TICK_STEPS_MIN = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440, 2880, 7200, 14400, 43200)
LONGEST_JOINED_STEP = 2.5
"""Two readings farther apart than this many usual intervals are not joined by a line."""

Extreme = Literal["peak", "lowest"]
EXTREMES: tuple[Extreme, ...] = ("peak", "lowest")

BLANKS = (Flag.STATUS, Flag.BLANK, Flag.HIDDEN, Flag.LOST, Flag.UNREADABLE)
"""Flags that leave no value although there is a photo, in the order in which charts list them."""


@dataclass(frozen=True)
class Tick:
    """A mark on the time axis: where, what stands at it, and the day where a new one begins ("" elsewhere)."""

    at: float
    text: str
    day: str


@dataclass(frozen=True)
class TimeAxis:
    """Where each row of the table stands: minutes since the first frame, or the row's number where no time is known.

    `clock` holds the local time of each row (None where unknown), as the camera's clock said it.
    """

    x: Numbers
    clock: tuple[datetime | None, ...]
    kind: Literal["clock", "elapsed", "photo"]

    @property
    def span(self) -> tuple[float, float]:
        """First and last place on the axis; never of no length."""
        known = self.x[np.isfinite(self.x)]
        if known.size == 0:
            return 0.0, 1.0
        first, last = float(known.min()), float(known.max())
        return (first, last) if last > first else (first - 0.5, first + 0.5)

    @property
    def step(self) -> float:
        """The usual distance from one row to the next."""
        steps = np.diff(np.sort(self.x[np.isfinite(self.x)]))
        steps = steps[steps > 0]
        return float(np.median(steps)) if steps.size else 1.0

    @property
    def label(self) -> str:
        """What stands under the axis."""
        if self.kind == "photo":
            return "photo number (no times known)"
        if self.kind == "elapsed":
            return "time since the first photo [min]"
        offsets = {t.utcoffset() for t in self.clock if t is not None}
        if len(offsets) > 1:
            return "local time (the clock's offset from UTC changed)"
        offset = offsets.pop()
        return "local time (offset from UTC not known)" if offset is None else f"local time (UTC{_offset_text(offset)})"

    def text_at(self, row: int) -> str:
        """Say when a row was: "05:28", "at 452 min", "photo 12"."""
        moment = self.clock[row]
        if moment is not None:
            return f"{moment:%H:%M}"
        return f"photo {row + 1}" if self.kind == "photo" else f"{self.x[row]:.4g} min"

    def ticks(self, most: int) -> list[Tick]:
        """Give at most `most` ticks (about) at round times."""
        first, last = self.span
        if self.kind != "clock":
            step = next((s for s in TICK_STEPS_MIN if (last - first) / s <= most), TICK_STEPS_MIN[-1])
            places = np.arange(np.ceil(first / step), np.floor(last / step) + 1) * step
            return [Tick(float(p), f"{p:.0f}", "") for p in places]
        return self._clock_ticks(first, last, most)

    def _clock_ticks(self, first: float, last: float, most: int) -> list[Tick]:
        known = [(float(x), t) for x, t in zip(self.x, self.clock, strict=True) if t is not None and np.isfinite(x)]
        known.sort(key=lambda pair: pair[0])
        base_x, base = known[0]
        start = base.replace(tzinfo=None) - timedelta(minutes=base_x - first)
        step = next((s for s in TICK_STEPS_MIN if (last - first) / s <= most), TICK_STEPS_MIN[-1])
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        into_day = (start - midnight).total_seconds() / 60
        ticks: list[Tick] = []
        shown_day = ""
        for number in range(int(np.ceil(into_day / step)), int((into_day + last - first) // step) + 1):
            at = first + number * step - into_day
            local = midnight + timedelta(minutes=number * step) + _change(known, at)
            day = f"{local.day} {MONTHS[local.month - 1]}"
            ticks.append(Tick(at, f"{local:%H:%M}", "" if day == shown_day else day))
            shown_day = day
        return ticks


@dataclass(frozen=True)
class Trace:
    """One display along the time axis; all arrays have one entry per row of the table."""

    display: Display
    values: Numbers
    flags: tuple[str, ...]

    def has(self, *flags: Flag) -> Truths:
        """Tell for each row whether its flag is one of these."""
        return np.array([flag in flags for flag in self.flags], dtype=bool)

    @property
    def settled(self) -> Truths:
        """Rows whose value may be used as it stands."""
        return self.has(*SETTLED) & np.isfinite(self.values)

    @property
    def doubtful(self) -> Truths:
        """Rows whose value the evidence does not settle."""
        return self.has(Flag.DOUBTFUL) & np.isfinite(self.values)

    @property
    def valued(self) -> Truths:
        """Rows with a value, settled or not."""
        return self.settled | self.doubtful

    @property
    def shows(self) -> bool:
        """Tell whether there is anything to place on the value axis."""
        return bool(self.valued.any() or self.has(Flag.OVER_RANGE, Flag.UNDER_RANGE).any())

    def extreme(self, which: Extreme, rows: Truths) -> int | None:
        """Give the first row among `rows` with the highest or lowest value, None where there is none."""
        if not rows.any():
            return None
        places = np.flatnonzero(rows)
        values = self.values[places]
        return int(places[int(values.argmax() if which == "peak" else values.argmin())])

    def extremes(self, which: Extreme) -> list[int]:
        """Give the row with the highest or lowest value of all, and where that one is doubtful also that of the settled."""
        rows = [self.extreme(which, self.valued), self.extreme(which, self.settled)]
        return list(dict.fromkeys(row for row in rows if row is not None))


def read_axis(table: pd.DataFrame) -> TimeAxis:
    """Give the time axis of a readings table (columns `time` as ISO 8601 text, `elapsed_min`)."""
    clock = tuple(_moment(value) for value in table["time"].tolist())
    x = np.array([_or_nan(value) for value in table["elapsed_min"].tolist()], dtype=float)
    known = [t for t in clock if t is not None]
    if known and not np.isfinite(x).any():
        plain = any(t.utcoffset() is None for t in known)
        first = min(t.replace(tzinfo=None) if plain else t for t in known)
        gone = [None if t is None else ((t.replace(tzinfo=None) if plain else t) - first) for t in clock]
        x = np.array([np.nan if g is None else g.total_seconds() / 60 for g in gone], dtype=float)
    if known:
        return TimeAxis(x, clock, "clock")
    if np.isfinite(x).any():
        return TimeAxis(x, clock, "elapsed")
    return TimeAxis(np.arange(1, len(clock) + 1, dtype=float), clock, "photo")


def read_trace(table: pd.DataFrame, display: Display) -> Trace:
    """Give one display's values and flags out of a readings table."""
    values = np.array([_or_nan(value) for value in table[display.key].tolist()], dtype=float)
    return Trace(display, values, tuple(format_text(value) for value in table[f"{display.key}_flag"].tolist()))


def group_displays(displays: Sequence[Display]) -> list[tuple[Display, ...]]:
    """Put displays of the same quantity and unit together, one group per chart; a clock on a display gets none."""
    groups: dict[tuple[str, str], list[Display]] = {}
    for display in displays:
        if display.quantity.lower() == "clock":
            continue
        kind = key_kind(display.key)
        groups.setdefault((kind, "") if kind else (display.quantity.lower(), display.unit), []).append(display)
    return [tuple(group) for group in groups.values()]


def runs(rows: Truths) -> list[tuple[int, int]]:
    """Give the first and last row of each unbroken run."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], rows, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def joined(axis: TimeAxis, rows: Truths, touching: Truths | None = None) -> npt.NDArray[np.intp]:
    """Give the first of each two neighbouring rows that a line joins: both in `rows`, no gap between them.

    With `touching`, only pairs of which at least one is in it.
    """
    if len(rows) < 2:
        return np.zeros(0, dtype=np.intp)
    wanted = rows[:-1] & rows[1:] & (np.diff(axis.x) <= LONGEST_JOINED_STEP * axis.step)
    if touching is not None:
        wanted &= touching[:-1] | touching[1:]
    return np.flatnonzero(wanted)


def _or_nan(value: object) -> float:
    number = as_number(value)
    return np.nan if number is None else number


def _moment(value: object) -> datetime | None:
    text = format_text(value)
    return datetime.fromisoformat(text) if text else None


def _offset_text(offset: timedelta) -> str:
    minutes = round(offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _change(known: Sequence[tuple[float, datetime]], at: float) -> timedelta:
    """Give how far the clock's offset at a place differs from that at the start (summer time begins or ends)."""
    start = known[0][1].utcoffset()
    here = next((t.utcoffset() for x, t in reversed(known) if x <= at), start)
    return (here or timedelta()) - (start or timedelta())
