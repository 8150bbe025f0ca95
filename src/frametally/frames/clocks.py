"""From what each file says about its time to one clock for the night: which source of time, and each frame's time by it.

Sources, best first: EXIF with its own offset; EXIF with the user's `--utc-offset`; EXIF alone; the file's name; a video's
timestamps. `--start` with `--every` is the user's explicit word and goes over all of them. Neither the file's date on disk nor
the computer's own zone is ever used.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import PurePosixPath

from frametally.errors import BadInput
from frametally.frames.exif import DATE_TIME, ExifTime, parse_offset, with_offset
from frametally.model import Notice

TIME_SOURCES: dict[str, str] = {
    "exif-offset": "The times are the camera's own (EXIF), with the offset from UTC that the camera wrote beside them.",
    "exif-utc-offset": "The times are the camera's own (EXIF); their offset from UTC was given with --utc-offset.",
    "exif": "The times are the camera's own (EXIF), as local time; their offset from UTC is not known.",
    "name": "The times were read from the file names.",
    "video": "The times are the start of the recording plus the timestamps inside the video.",
    "start-every": "The times were counted from --start in steps of --every.",
    "clock": "The times were read from a clock in view; whether it is right the photos do not say.",
    "none": "No times are known; the frames stand in the order of their names.",
}
"""Each source of time by its slug, as a sentence."""

NEARLY_ALL = 0.9
"""A source of time is taken for the night when at least this share of the good files has a time of its own by it."""


@dataclass(frozen=True)
class Stamp:
    """What one file says about its time: its name in the night, whether it is a picture at all, its EXIF time; and its camera."""

    name: str
    is_picture: bool
    exif: ExifTime | None
    camera: str = ""


@dataclass(frozen=True)
class Clock:
    """The night's source of time, each frame's time and source by it (in the order of the stamps), and what was odd."""

    source: str
    times: tuple[datetime | None, ...]
    sources: tuple[str, ...]
    notices: tuple[Notice, ...]


def describe_time_source(slug: str) -> str:
    """Give the sentence for a source of time; raises BadInput for a slug that is none."""
    if slug not in TIME_SOURCES:
        raise BadInput(f'"{slug}" is no source of time. Known are: {", ".join(TIME_SOURCES)}.')
    return TIME_SOURCES[slug]


def read_utc_offset(text: str | None) -> timedelta | None:
    """Give the offset that `--utc-offset` states; raises BadInput where it states none."""
    if text is None:
        return None
    offset = parse_offset(text)
    if offset is None:
        raise BadInput(f'--utc-offset "{text}" is not an offset from UTC. Write it like +01:00, -03:30 or Z (-12:00 to +14:00).')
    return offset


def check_start_every(start: datetime | None, every_s: float | None, needs_every: bool) -> None:
    """Raise BadInput where `--start` and `--every` do not make a clock together."""
    if every_s is not None and not (math.isfinite(every_s) and every_s > 0):
        raise BadInput(
            f"--every {every_s:g} is not a pause between photos. Give the seconds from one photo to the next, above 0."
        )
    if every_s is not None and start is None:
        raise BadInput(
            "--every was given without --start. Give the time of the first photo too, such as --start 2026-10-30T21:40:00."
        )
    if start is not None and every_s is None and needs_every:
        raise BadInput("--start was given without --every. Give the seconds from one photo to the next too, such as --every 240.")


# --- times in names ----------------------------------------------------------------------------------------------------

_DATE = r"(?<!\d)(?P<year>(?:19|20)\d\d)(?P<d>[-_.]?)(?P<month>[01]\d)(?P=d)(?P<day>[0-3]\d)"
_BETWEEN = r"(?:[-_. T/]{0,3}|[ _-]at[ _-])"
_SECONDS = r"(?P<hour>[0-2]\d)(?P<t>[-_.:h]?)(?P<minute>[0-5]\d)[-_.:m]?(?P<second>[0-5]\d)"
_FRACTION = r"(?:(?P<glued>\d{3})|[.,](?P<fraction>\d{1,6}))?(?!\d)"
_ZONE = r"(?P<zone>Z|\+\d\d:?\d\d)?"
_FULL = re.compile(_DATE + _BETWEEN + _SECONDS + _FRACTION + _ZONE, re.IGNORECASE)
_TO_THE_MINUTE = re.compile(
    _DATE + r"(?:[-_ T/]|[ _-]at[ _-])" + r"(?P<hour>[0-2]\d)[-.:h](?P<minute>[0-5]\d)(?![\d])(?![-_.:]\d)"
)

_RUNNING = re.compile(_DATE + r"[-_. ]?\d{6}(?!\d)")


def time_from_name(name: str) -> tuple[datetime, timedelta | None] | None:
    """Give the time that a file's name (with its folders) spells, and its offset from UTC if it spells one.

    Understood are year, month, day, hour, minute, second in this order, with or without `-`, `_`, `.`, `:`, blank or `T` between
    (ISO 8601 basic and extended, and what cameras make of it), milliseconds, and `Z` or `+hhmm` behind. Seconds may lack only
    where the minutes stand apart from the hours, because 20261030_2140 can be a running number. The date may be a folder's name.
    """
    path = PurePosixPath(name)
    for text in (path.stem, str(path.with_suffix(""))):
        for pattern in (_FULL, _TO_THE_MINUTE):
            for match in pattern.finditer(text):
                found = _time_of(match.groupdict())
                if found is not None:
                    return found
    return None


def times_from_names(names: Sequence[str]) -> dict[str, tuple[datetime, timedelta | None] | None]:
    """Give the time that each name spells.

    A date with a running number of six digits (20261030_000123) looks like a time as long as the number stays below 60; one that
    cannot be a time says that none of them is.
    """
    named = {name: time_from_name(name) for name in names}
    if any(found is None and _RUNNING.search(PurePosixPath(name).stem) for name, found in named.items()):
        return dict.fromkeys(names)
    return named


def _time_of(part: dict[str, str | None]) -> tuple[datetime, timedelta | None] | None:
    fraction = part.get("glued") or part.get("fraction") or "0"
    fields = ("year", "month", "day", "hour", "minute", "second")
    year, month, day, hour, minute, second = (int(part.get(key) or 0) for key in fields)
    try:
        time = datetime(year, month, day, hour, minute, second, int(fraction.ljust(6, "0")))
    except ValueError:
        return None
    return time, parse_offset(part.get("zone") or "")


# --- one clock for the night -------------------------------------------------------------------------------------------

_Teller = Callable[[Stamp], datetime | None]


def choose_clock(stamps: Sequence[Stamp], utc_offset: timedelta | None) -> Clock:
    """Give the best clock that nearly all good files have; else the one that most have; frames it does not know get no time."""
    named = times_from_names([stamp.name for stamp in stamps])
    zoned_names = all(found is None or found[1] is not None for found in named.values())

    def by_name(stamp: Stamp) -> datetime | None:
        found = named[stamp.name]
        if found is None:
            return None
        own = found[1] if zoned_names else None  # some with and some without would not be one clock
        return with_offset(found[0], own if own is not None else utc_offset)

    def by_own_offset(stamp: Stamp) -> datetime | None:
        return with_offset(stamp.exif.local, stamp.exif.offset) if stamp.exif and stamp.exif.offset is not None else None

    def by_given_offset(stamp: Stamp) -> datetime | None:
        own = by_own_offset(stamp)
        return own if own or stamp.exif is None else with_offset(stamp.exif.local, utc_offset)

    def by_local(stamp: Stamp) -> datetime | None:
        return stamp.exif.local if stamp.exif else None

    tellers: dict[str, _Teller] = {"exif-offset": by_own_offset}
    tellers |= {"exif-utc-offset": by_given_offset} if utc_offset is not None else {"exif": by_local}
    tellers["name"] = by_name
    source = _best_source(stamps, tellers)
    if source == "none":
        return Clock("none", (None,) * len(stamps), ("none",) * len(stamps), ())
    tell = by_given_offset if source == "exif-offset" and utc_offset is not None else tellers[source]
    times = tuple(tell(stamp) for stamp in stamps)
    sources = tuple(_source_of(stamp, time, source) for stamp, time in zip(stamps, times, strict=True))
    return Clock(source, times, sources, tuple(_notices(stamps, times, source, utc_offset)))


def _best_source(stamps: Sequence[Stamp], tellers: dict[str, _Teller]) -> str:
    """A source counts by its different times: a tag that reads the same in every file tells no time."""
    good = [stamp for stamp in stamps if stamp.is_picture] or list(stamps)
    cover = {slug: len({tell(stamp) for stamp in good} - {None}) / max(len(good), 1) for slug, tell in tellers.items()}
    full = next((slug for slug, share in cover.items() if share >= NEARLY_ALL), None)
    most = max(cover, key=lambda slug: cover[slug])
    return full or (most if cover[most] > 0 else "none")


def _source_of(stamp: Stamp, time: datetime | None, source: str) -> str:
    if time is None:
        return "none"
    if source in ("exif-offset", "exif-utc-offset") and stamp.exif:
        return "exif-offset" if stamp.exif.offset is not None else "exif-utc-offset"
    return source


def _notices(
    stamps: Sequence[Stamp], times: Sequence[datetime | None], source: str, utc_offset: timedelta | None
) -> list[Notice]:
    notices = _missing(stamps, times, source)
    if source == "exif":
        notices.append(
            Notice(
                "offset-unknown",
                "",
                "The photos do not say how far their clock is from UTC; the times are local times as the camera showed them. "
                "Give --utc-offset (such as +01:00) if it is known.",
            )
        )
    exif_used = [stamp for stamp, time in zip(stamps, times, strict=True) if time and stamp.exif and source.startswith("exif")]
    offsets = Counter(stamp.exif.offset for stamp in exif_used if stamp.exif and stamp.exif.offset is not None)
    if source != "exif" and len(offsets) > 1:
        listed = ", ".join(f"{_offset_text(offset)} in {count}" for offset, count in sorted(offsets.items()))
        notices.append(
            Notice(
                "offset-change", "", f"The photos' offset from UTC changes within the night ({listed}); the order follows UTC."
            )
        )
    if utc_offset is not None and any(offset != utc_offset for offset in offsets):
        notices.append(
            Notice(
                "offset-differs",
                "",
                f"--utc-offset says {_offset_text(utc_offset)}, but photos carry another offset of their own "
                f"({', '.join(_offset_text(offset) for offset in sorted(offsets))}); the photos' own was used.",
            )
        )
    changed = [stamp.name for stamp in exif_used if stamp.exif and stamp.exif.tag == DATE_TIME]
    if changed:
        notices.append(
            Notice(
                "time-of-change",
                changed[0],
                f"{count_of(len(changed), 'photo')}, from {changed[0]} on, with only their time of last change (EXIF DateTime); "
                "it is when they were taken only if no program has saved them since.",
            )
        )
    return notices


def _missing(stamps: Sequence[Stamp], times: Sequence[datetime | None], source: str) -> list[Notice]:
    without = [stamp.name for stamp, time in zip(stamps, times, strict=True) if time is None]
    if not without:
        return []
    text = (
        f"No time by the night's clock ({source}) for {count_of(len(without), 'frame')} of {len(stamps)}: {some_of(without)}. "
        "Such a frame stays where its name puts it, without a time."
    )
    return [Notice("time-missing", without[0], text)]


def _offset_text(offset: timedelta) -> str:
    minutes = round(offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def count_of(number: int, noun: str) -> str:
    """Give "1 photo", "3 photos"."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def some_of(names: Sequence[str], most: int = 3) -> str:
    """Give the first names of a list, and how many more there are."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


# --- --start with --every -----------------------------------------------------------------------------------------------


def count_times(
    numbers: Sequence[int] | None, frames: int, start: datetime, every_s: float, utc_offset: timedelta | None
) -> tuple[tuple[datetime, ...], tuple[Notice, ...]]:
    """Give each frame's time counted from `start`: by the files' running numbers where they are one series, else by place.

    `numbers` are the running numbers in order (None where the names have no common series), so that a photo that was deleted
    leaves its gap. Raises BadInput where the last time is beyond the calendar.
    """
    first = start if utc_offset is None or start.tzinfo else with_offset(start, utc_offset)
    steps = list(range(frames)) if numbers is None else _steps(numbers)
    try:
        times = tuple(first + timedelta(seconds=step * every_s) for step in steps)
    except OverflowError:
        raise BadInput(f"--start {start} with --every {every_s:g} s leads beyond the calendar. Give smaller values.") from None
    missing = steps[-1] + 1 - frames if steps else 0
    if not missing:
        return times, ()
    text = (
        f"The file numbers leave out {count_of(missing, 'photo')}; the times were counted by file number, so that each missing "
        "photo leaves its gap. Rename the files if their numbers do not count the photos."
    )
    return times, (Notice("counted-by-number", "", text),)


def _steps(numbers: Sequence[int]) -> list[int]:
    differences = [later - earlier for earlier, later in pairwise(numbers)]
    stride = math.gcd(*differences) if differences else 1
    return [(number - numbers[0]) // max(stride, 1) for number in numbers]
