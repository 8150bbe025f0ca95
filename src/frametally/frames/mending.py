"""From the times of photos in file-number order to times by one clock: a camera's clock that was set or reset while it took them.

File numbers go on whatever the clock does. Only what they prove is mended, and each time it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from frametally.frames.clocks import Clock, count_of
from frametally.frames.irregularities import Timed, drop_resets, is_about_an_hour, usual_interval_s
from frametally.model import Notice

MOST_MISSING = 5
"""So many photos may lack between two numbers that count as going on."""

FELL_BACK = timedelta(days=30)
"""A clock that is this much earlier from one photo to the next was reset, whatever its default date is."""

_HOUR = timedelta(hours=1)
_LOCAL_CLOCKS = ("exif", "exif-utc-offset", "name")
_CHANGE_MONTHS = (3, 4, 9, 10, 11)
_MOST_CHANGES = 2

Times = tuple[datetime | None, ...]
Notices = list[Notice]


def mend_clock(names: Sequence[str], numbers: Sequence[int] | None, clock: Clock) -> tuple[Times, Notices]:
    """Give the frames' times (in file-number order) without those of a clock that was reset; by the clock of the evening where it
    was changed by an hour."""
    if clock.source == "start-every":  # the user's word is not doubted
        return clock.times, []
    times, told = drop_resets(names, clock.times)
    times, fell = _drop_fallen(names, numbers, times)
    if clock.source not in _LOCAL_CLOCKS:
        return times, [*told, *fell]
    times, changes = undo_hours(names, numbers, times)
    return times, [*told, *fell, *changes]


def _drop_fallen(names: Sequence[str], numbers: Sequence[int] | None, times: Times) -> tuple[Times, Notices]:
    """Take away the times of a clock that fell back by over a month while the file numbers went on, until it is right again."""
    if numbers is None:
        return times, []
    kept: list[datetime | None] = []
    last: tuple[int, datetime] | None = None
    fallen: list[int] = []
    for at, time in enumerate(times):
        if time is not None and last is not None and last[1] - time > FELL_BACK:
            if fallen or numbers[at] - numbers[last[0]] <= MOST_MISSING:
                fallen.append(at)
                kept.append(None)
                continue
            return times, []  # photos of another time, and no clock that was reset
        if time is not None:
            last = (at, time)
        kept.append(time)
    if not fallen:
        return times, []
    first = fallen[0]
    text = (
        f"From {names[first]} on the camera's clock stood at {times[first]:%Y-%m-%d %H:%M:%S}, long before the photos in front of"
        f" it, in {count_of(len(fallen), 'photo')}: it was reset. These frames keep their place by file number, without a time."
        " Give --start and --every if the photos came at an even pace."
    )
    return tuple(kept), [Notice("clock-reset", names[first], text)]


def undo_hours(names: Sequence[str], numbers: Sequence[int] | None, times: Times) -> tuple[Times, Notices]:
    """Give times that run on where a clock without an offset from UTC was changed by an hour.

    Put back, it would have two hours' photos among one another: the file numbers prove the change. Put on, the camera could have
    paused as well, so that counts only in the small hours of a Sunday in a month of such changes.
    """
    known = [at for at, time in enumerate(times) if time is not None]
    if numbers is None or len(known) < 4:
        return times, []
    timed = [Timed(names[at], numbers[at], time) for at in known if (time := times[at]) is not None]
    interval = usual_interval_s(timed, sorted(timed, key=lambda frame: frame.time))
    changes = {later.name: change for earlier, later in pairwise(timed) if (change := _change(earlier, later, interval))}
    back_otherwise = any(b.time < a.time and b.name not in changes for a, b in pairwise(timed))
    if not changes or len(changes) > _MOST_CHANGES or back_otherwise:
        return times, []
    shift = timedelta(0)
    mended: list[datetime | None] = []
    notices: list[Notice] = []
    for name, time in zip(names, times, strict=True):
        if name in changes:
            shift += changes[name]
            notices.append(_said(name, time, changes[name]))
        mended.append(None if time is None else time + shift)
    return tuple(mended), notices


def _change(a: Timed, b: Timed, interval_s: float) -> timedelta | None:
    """Give what is to be added from `b` on, None where its clock goes on from that of `a`."""
    if a.number is None or b.number is None or not 1 <= b.number - a.number <= MOST_MISSING:
        return None
    odd_s = (b.time - a.time).total_seconds() - (b.number - a.number) * interval_s
    if b.time < a.time and is_about_an_hour(-odd_s, interval_s):
        return _HOUR
    sunday_night = b.time.weekday() == 6 and b.time.hour < 5 and b.time.month in _CHANGE_MONTHS
    if b.time > a.time and sunday_night and is_about_an_hour(odd_s, interval_s):
        return -_HOUR
    return None


def _said(name: str, time: datetime | None, change: timedelta) -> Notice:
    word, done = ("back", "added to") if change > timedelta(0) else ("on", "taken from")
    text = (
        f"The camera's clock was put {word} by an hour before {name} ({time:%Y-%m-%d %H:%M}), while the file numbers go on. From"
        f" there on an hour was {done} the times, so that all of the night's are by the clock of its beginning; if that is wrong,"
        " give --start and --every."
    )
    return Notice("clock-change", name, text)
