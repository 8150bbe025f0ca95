"""From the frames in the order of their file numbers, with their times, to notices of what is odd about the times.

Repeats, gaps, a clock that goes backwards, one that was changed by about an hour, one that fell back to the camera's default.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise

from frametally.frames.clocks import count_of, some_of
from frametally.model import Notice
from frametally.pace import pace, usual_pause

GAP_AFTER = 1.5
"""A pause longer than this many usual intervals is reported."""

_MOST_OF_A_KIND = 20  # single notices of one kind, before the rest is summed up in one
_RESET_DISTANCE = timedelta(days=30)
_HOUR_S = 3600.0


@dataclass(frozen=True)
class Timed:
    """A frame's name, its running number where the names have one, and its time."""

    name: str
    number: int | None
    time: datetime


def drop_resets(names: Sequence[str], times: Sequence[datetime | None]) -> tuple[tuple[datetime | None, ...], tuple[Notice, ...]]:
    """Take away times from a clock that fell back to its default date, in file-number order; say so.

    A camera whose battery was out begins again at midnight of 1 January of some early year. Such a time is no time. Where the
    whole night is like that the intervals are still true and the times stay.
    """
    known = [time for time in times if time is not None]
    fresh = [time for time in known if not _is_default_day(time.date())]
    if not fresh:
        return tuple(times), _never_set(known)
    earliest = min(fresh)
    reset = [time is not None and _is_default_day(time.date()) and earliest - time > _RESET_DISTANCE for time in times]
    if not any(reset):
        return tuple(times), ()
    dropped = [name for name, bad in zip(names, reset, strict=True) if bad]
    first = next(time for time, bad in zip(times, reset, strict=True) if bad)
    text = (
        f"From {dropped[0]} on the camera's clock stood at its default date ({first:%Y-%m-%d %H:%M:%S}) in "
        f"{count_of(len(dropped), 'photo')}: it was reset. These frames keep their place by file number, without a time. "
        "Give --start and --every if the photos came at an even pace."
    )
    return tuple(None if bad else time for time, bad in zip(times, reset, strict=True)), (
        Notice("clock-reset", dropped[0], text),
    )


def _is_default_day(day: date) -> bool:
    return day.month == 1 and day.day <= 2


def _never_set(known: Sequence[datetime]) -> tuple[Notice, ...]:
    """All photos are of 1 or 2 January: a default if they begin with the year, or in a year before such cameras."""
    if not known or not (min(known).year < 2010 or (min(known).day == 1 and min(known).hour == 0)):
        return ()
    text = (
        f"All photos are dated from {_clock(min(known))} on: the camera's clock seems never to have been set. Pauses between "
        "photos are true, dates are not. Give --start and --every if the date matters."
    )
    return (Notice("clock-never-set", "", text),)


def find_irregularities(frames: Sequence[Timed]) -> tuple[Notice, ...]:
    """Give what is odd about the times of frames that stand in file-number order."""
    if len(frames) < 2:
        return ()
    by_time = sorted(frames, key=lambda frame: frame.time)
    interval = usual_interval_s(frames, by_time)
    return (*_repeats(by_time), *_backwards(frames, interval), *_gaps(by_time, interval))


def usual_interval_s(by_number: Sequence[Timed], by_time: Sequence[Timed]) -> float:
    """Give the median pause between frames, those within bursts left out [s], 0 where there is none.

    Taken in file-number order where the clock mostly rises in it (a clock put back would mix two hours in the order of time).
    """
    rising = [step for step in map(_step_s, by_number, by_number[1:]) if step > 0]
    if len(rising) < 0.9 * (len(by_number) - 1):
        rising = [step for step in map(_step_s, by_time, by_time[1:]) if step > 0]
    return usual_pause(rising) if rising else 0.0


def _step_s(earlier: Timed, later: Timed) -> float:
    return (later.time - earlier.time).total_seconds()


def _repeats(by_time: Sequence[Timed]) -> list[Notice]:
    pairs = [(a, b) for a, b in pairwise(by_time) if a.time == b.time]
    notices = [Notice("time-repeat", b.name, f"{a.name} and {b.name} carry the same time ({_clock(b.time)}).") for a, b in pairs]
    if len(notices) <= _MOST_OF_A_KIND:
        return notices
    names = [b.name for _, b in pairs]
    return [
        Notice("time-repeat", names[0], f"{count_of(len(names), 'frame')} carry the time of the one before: {some_of(names)}.")
    ]


def _backwards(by_number: Sequence[Timed], interval: float) -> list[Notice]:
    pairs = [(a, b) for a, b in pairwise(by_number) if b.time < a.time]
    if len(pairs) > _MOST_OF_A_KIND:
        names = [b.name for _, b in pairs]
        text = (
            f"The order of the file names is not the order of the times ({count_of(len(names), 'step')} back: {some_of(names)}). "
            "The frames stand in the order of their times."
        )
        return [Notice("time-backwards", names[0], text)]
    return [_backward(a, b, interval) for a, b in pairs]


def _backward(a: Timed, b: Timed, interval: float) -> Notice:
    step = _step_s(a, b)
    facts = f"{b.name} follows {a.name} by file number, but its time ({_clock(b.time)}) is {_span(-step)} earlier."
    remedy = "The frames stand in the order of their times; if that is wrong, give --start and --every."
    if _is_about(step - interval, -_HOUR_S, interval):
        return Notice("clock-change", b.name, f"{facts} The camera's clock seems to have been put back by an hour. {remedy}")
    return Notice("time-backwards", b.name, f"{facts} {remedy}")


def _gaps(by_time: Sequence[Timed], interval: float) -> list[Notice]:
    whole_seconds = all(frame.time.microsecond == 0 for frame in by_time)
    steps = [_step_s(a, b) for a, b in pairwise(by_time)]
    pairs = []
    for (a, b), step, usual in zip(pairwise(by_time), steps, pace(steps), strict=True):
        # a clock of whole seconds shows a steady pause as one a second longer now and then
        if interval > 0 and step > max(GAP_AFTER * usual, usual + 1.0 if whole_seconds else 0.0):
            pairs.append((a, b, float(usual)))
    notices = [_gap(a, b, usual) for a, b, usual in pairs[:_MOST_OF_A_KIND]]
    rest = pairs[_MOST_OF_A_KIND:]
    if rest:
        missing = sum(_missing(a, b, usual) for a, b, usual in rest)
        text = f"{count_of(len(rest), 'more gap')} with about {count_of(missing, 'photo')} missing, from {rest[0][0].name} on."
        notices.append(Notice("time-gap", rest[0][1].name, text))
    return notices


def _gap(a: Timed, b: Timed, interval: float) -> Notice:
    step = _step_s(a, b)
    missing = _missing(a, b, interval)
    what = f"about {count_of(missing, 'photo')} missing" if missing else "less than a whole photo missing"
    facts = f"{_span(step)} between {a.name} and {b.name} (usual: {_span(interval)}): {what}."
    goes_on = a.number is not None and b.number is not None and b.number == a.number + 1
    if goes_on and _is_about(step - interval, _HOUR_S, interval):
        return Notice(
            "clock-change", b.name, f"{facts} The file numbers go on: the camera's clock seems to have been put on by an hour."
        )
    if goes_on:
        return Notice("time-gap", b.name, f"{facts} The file numbers go on: the camera paused, or its clock was set.")
    return Notice("time-gap", b.name, facts)


def _missing(a: Timed, b: Timed, interval: float) -> int:
    return max(round(_step_s(a, b) / interval) - 1, 0)


def is_about_an_hour(seconds: float, interval: float) -> bool:
    """Tell whether a clock that is off by so much was changed by an hour; with long intervals nothing tells. [s]"""
    return _is_about(seconds, _HOUR_S, interval)


def _is_about(value: float, target: float, interval: float) -> bool:
    return interval < _HOUR_S / 2 and abs(value - target) <= min(max(60.0, interval / 2), _HOUR_S / 6)


def _clock(time: datetime) -> str:
    return time.isoformat(sep=" ", timespec="seconds")


def _span(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.3g} s"
    if seconds < 7200:
        return f"{seconds / 60:.4g} min"
    return f"{seconds / 3600:.4g} h" if seconds < 172800 else f"{seconds / 86400:.4g} days"
