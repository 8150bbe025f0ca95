"""Takes a night's records with a clock among the displays; gives the times of frames that have none, and what disagrees.

A clock in view (`quantity = "clock"`, read as "23:41" or "23:41:05") has no date and may be set wrong; but it goes on evenly,
also where the camera's own clock was reset. Where the photos have times it only checks them: how far it is ahead is the median
over all frames, so that single misreadings count for nothing. Frames without a time get theirs from it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from statistics import median

from frametally.model import Display, Flag, FrameRecord, Night, Notice, Reading

QUANTITY = "clock"

SURE = 0.98
"""A clock's reading less probable than this from its pixels tells no time."""

CLOSE_S = 90.0
"""Two clocks go together while they differ by no more than this from their usual difference: one shows whole minutes. [s]"""

FEWEST = 3
"""Fewer frames than these say nothing of how two clocks stand to one another."""

UNKNOWN_DAY = date(2000, 1, 1)
"""Stands for the first day where nothing says which it was; pauses between frames are true then, dates are not."""

_DAY_S, _HALF_S = 86400.0, 43200.0


@dataclass(frozen=True)
class ShownTimes:
    """Each frame's time, in the order of the records (None where still unknown), which of them the clock in view has set, and
    what there is to say."""

    times: tuple[datetime | None, ...]
    set_by_clock: tuple[bool, ...]
    notices: tuple[Notice, ...]


def tell_times(records: Sequence[FrameRecord], displays: Sequence[Display], day: date | None = None) -> ShownTimes:
    """Set or check a night's times by the clock in view; of several clocks, by the one that is read most often.

    Parameters
    ----------
    records : in the night's order
    day : that of the first frame, as far as somebody said it; only asked for where no frame has a time
    """
    known = tuple(record.time for record in records)
    unchanged = ShownTimes(known, (False,) * len(records), ())
    clocks = {one.key: _shown_s(records, one) for one in displays if one.quantity.strip().casefold() == QUANTITY}
    if not clocks:
        return unchanged
    key = max(clocks, key=lambda name: sum(second is not None for second in clocks[name]))
    shown = _run_of_night(clocks[key])
    both = [i for i, time in enumerate(known) if time is not None and shown[i] is not None]
    if len(both) >= FEWEST:
        return _checked(records, shown, both, key)
    if any(known):
        return unchanged
    return _set(records, shown, key, day)


def with_shown_times(night: Night, records: Sequence[FrameRecord], displays: Sequence[Display], day: date | None = None) -> Night:
    """Give the night with the times that a clock among its displays sets, and with what it says of the others (`tell_times`)."""
    told = tell_times(records, displays, day)
    frames = tuple(
        replace(frame, time=time, time_source="clock") if is_new else frame
        for frame, time, is_new in zip(night.frames, told.times, told.set_by_clock, strict=True)
    )
    source = "clock" if any(told.set_by_clock) and night.time_source == "none" else night.time_source
    solved = {"no-times"} if source == "clock" else set()
    notices = [notice for notice in night.notices if notice.code not in solved]
    return Night(frames, source, (*notices, *told.notices))


# --- what the clock shows --------------------------------------------------------------------------------------------------


def _shown_s(records: Sequence[FrameRecord], display: Display) -> list[float | None]:
    """Give the seconds since midnight that the clock shows in each frame, None where it is not clear. [s]"""
    return [None if record.problem else _seconds(record.readings.get(display.key)) for record in records]


def _seconds(reading: Reading | None) -> float | None:
    if reading is None or reading.flag is not Flag.OK or reading.confidence < SURE:
        return None
    parts = reading.text.strip().split(":")
    if len(parts) not in (2, 3) or not all(part.isascii() and part.isdigit() for part in parts):
        return None
    hours, minutes, seconds = (*(int(part) for part in parts), 0)[:3]
    if hours > 24 or minutes > 59 or seconds > 59 or not all(len(part) == 2 for part in parts[1:]):
        return None
    # A clock of whole minutes has shown its minute for half a minute on average.
    return hours % 24 * 3600.0 + minutes * 60.0 + (seconds if len(parts) == 3 else 30.0)


def _run_of_night(shown: Sequence[float | None]) -> list[float | None]:
    """Count the seconds on over midnight; clocks that show 12 hours go round twice a day. Readings that go against the run of the
    others are left out. [s]"""
    told = [(i, second) for i, second in enumerate(shown) if second is not None]
    hours = {int(second // 3600) for _, second in told}
    turn = _HALF_S if hours and 12 in hours and 1 in hours and max(hours) <= 12 and 0 not in hours else _DAY_S
    counted: list[tuple[int, float]] = []
    for i, second in told:
        step = (second - counted[-1][1] + turn / 2) % turn - turn / 2 if counted else 0.0
        counted.append((i, counted[-1][1] + step if counted else second))
    result: list[float | None] = [None] * len(shown)
    for i, second in _rising(counted):
        result[i] = second
    return result


def _rising(points: Sequence[tuple[int, float]]) -> list[tuple[int, float]]:
    """Give the longest part of the points that never goes back."""
    tails: list[float] = []
    ends: list[int] = []
    before: list[int] = []
    for at, (_, second) in enumerate(points):
        place = bisect_right(tails, second)
        before.append(ends[place - 1] if place else -1)
        tails[place:], ends[place:] = [second, *tails[place + 1 :]], [at, *ends[place + 1 :]]
    way, at = [], ends[-1] if ends else -1
    while at >= 0:
        way.append(points[at])
        at = before[at]
    return way[::-1]


# --- checked ---------------------------------------------------------------------------------------------------------------


def _checked(records: Sequence[FrameRecord], shown: Sequence[float | None], both: Sequence[int], key: str) -> ShownTimes:
    """Hold the frames' own times against the clock, and give those without a time theirs."""
    own = {i: _of_day(record.time) for i, record in enumerate(records) if record.time is not None}
    ahead = {i: _around((shown[i] or 0.0) - own[i]) for i in both}
    usual = _usual(list(ahead.values()))
    off = [i for i in both if abs(_around(ahead[i] - usual)) > CLOSE_S]
    notices = [_standing(usual, len(both), key)]
    if off:
        listed = ", ".join(f"{records[i].frame} ({_span(_around(ahead[i] - usual))})" for i in off[:5])
        more = f" and {len(off) - 5} more" if len(off) > 5 else ""
        notices.append(Notice("clock-disagrees", records[off[0]].frame, (
            f"{key}: in {len(off)} of {len(both)} photos the clock in view stands otherwise to the photos' times than usual:"
            f" {listed}{more}. One of the two was set, or the clock was misread; the photos' times were kept."
            " Look at these photos."
        )))  # fmt: skip
    times = [record.time for record in records]
    for i, second in enumerate(shown):
        if times[i] is None and second is not None:
            times[i] = _beside(i, second - usual, records, own, shown)
    return _outcome(records, times, notices, key)


def _beside(
    i: int, second: float, records: Sequence[FrameRecord], own: dict[int, float], shown: Sequence[float | None]
) -> datetime | None:
    """Give a frame's time counted from the nearest frame that has both, by how far the clock in view went on."""
    near = min((j for j in own if shown[j] is not None), key=lambda j: (abs(j - i), j), default=None)
    time = records[near].time if near is not None else None
    if near is None or time is None:
        return None
    return time.replace(microsecond=0) + timedelta(seconds=round((shown[i] or 0.0) - (shown[near] or 0.0)))


def _of_day(time: datetime) -> float:
    return time.hour * 3600.0 + time.minute * 60.0 + time.second


def _around(seconds: float) -> float:
    """Give a difference of two clocks as the shorter way round the day. [s]"""
    return (seconds + _HALF_S) % _DAY_S - _HALF_S


def _usual(ahead: Sequence[float]) -> float:
    """Give the median difference, taken around the one that most others are close to, so that midnight cuts nothing apart. [s]"""
    middle = max(ahead, key=lambda one: sum(abs(_around(other - one)) <= CLOSE_S for other in ahead))
    return _around(middle + median(_around(one - middle) for one in ahead))


def _standing(usual: float, count: int, key: str) -> Notice:
    if abs(usual) <= CLOSE_S:
        text = f"{key}: the clock in view and the photos' times agree (median of {count} photos)."
    else:
        text = (
            f"{key}: the clock in view is about {_span(abs(usual))} {'ahead of' if usual > 0 else 'behind'} the photos' times"
            f" (median of {count} photos). Which of the two is right no photo says; the photos' times were kept."
        )
    return Notice("clock-in-view", "", text)


# --- set -------------------------------------------------------------------------------------------------------------------


def _set(records: Sequence[FrameRecord], shown: Sequence[float | None], key: str, day: date | None) -> ShownTimes:
    """Give frames of which none has a time that of the clock; frames in which it cannot be read get none."""
    midnight = datetime.combine(day or UNKNOWN_DAY, datetime.min.time())
    times = [None if second is None else midnight + timedelta(seconds=second) for second in shown]
    if not any(times):
        return ShownTimes((None,) * len(records), (False,) * len(records), ())
    said = f"the first day is the {day.isoformat()} of the trial" if day else (
        f"which day it was nobody says, {UNKNOWN_DAY.isoformat()} stands for the first; give a trial with its start"
    )  # fmt: skip
    text = (
        f"{key}: the photos carry no times, so they were read from the clock in view; {said}. Whether that clock is right no"
        " photo says."
    )
    return _outcome(records, times, [Notice("clock-sets", "", text)], key)


def _outcome(records: Sequence[FrameRecord], times: Sequence[datetime | None], notices: Sequence[Notice], key: str) -> ShownTimes:
    is_new = [time is not None and record.time is None for record, time in zip(records, times, strict=True)]
    told = list(notices)
    if any(is_new) and any(record.time is not None for record in records):
        first = records[is_new.index(True)].frame
        told.append(Notice("clock-sets", first, (
            f"{key}: {sum(is_new)} photos without a time of their own, from {first} on, got it from the clock in view."
        )))  # fmt: skip
    return ShownTimes(tuple(times), tuple(is_new), tuple(told))


def _span(seconds: float) -> str:
    """Give a difference in whole minutes, as clocks are read; long ones in hours."""
    minutes = round(seconds / 60)
    return f"{minutes} min" if abs(minutes) < 120 else f"{minutes / 60:.3g} h"
