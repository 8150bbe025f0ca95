"""Takes when a photo says it was taken, and what time it is now; gives whether the camera's clock can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from frametally.frames.clocks import TIME_SOURCES

ClockState = Literal["agrees", "ahead", "behind", "off by hours", "older", "never set", "no time"]

CLOSE = timedelta(seconds=60)
"""Within this, two clocks agree: a night is sampled no finer."""

JUST_TAKEN = timedelta(minutes=10)
"""A photo that seems no older than this was taken for this check, or by a clock that is a little behind."""

NEVER_SET = timedelta(days=3 * 365)
"""A clock further back than this was most likely never set, or lost its setting with the battery."""

_STEP = timedelta(minutes=30)
_SLACK = timedelta(minutes=4)
_MOST_HOURS = timedelta(hours=26)


@dataclass(frozen=True)
class ClockCheck:
    """What a photo's time says of the camera's clock.

    `taken` and `source` (a slug of `frames.clocks`) are the photo's; `ahead_s` how far it is ahead of now, below 0 where behind;
    `has_offset` whether the photo states its offset from UTC; `text` says it in sentences.
    """

    taken: datetime | None
    source: str
    ahead_s: float | None
    state: ClockState
    has_offset: bool
    text: str


def check_clock(taken: datetime | None, source: str, now: datetime) -> ClockCheck:
    """Hold a photo's time against now. Only a photo that was just taken tells how far the clock is off.

    Parameters
    ----------
    taken : with an offset where the photo states one; a local time is held against the local time of `now`
    source : the slug of `frames.clocks` that the time comes from
    now : with its offset, or as a local time
    """
    if taken is None:
        text = (
            "The photo carries no time. Set the camera to write one (EXIF); or note when the first photo is taken, and give "
            "--start and --every to the run."
        )
        return ClockCheck(None, source, None, "no time", False, text)
    both = taken.tzinfo is not None and now.tzinfo is not None
    ahead = taken - now if both else taken.replace(tzinfo=None) - now.replace(tzinfo=None)
    state = _state(ahead)
    known = taken.tzinfo is not None
    parts = [_words(state, taken, ahead), "" if known else _OFFSET_MISSING]
    if source != "none" and not source.startswith("exif"):
        parts.append(TIME_SOURCES[source])
    return ClockCheck(taken, source, ahead.total_seconds(), state, known, " ".join(part for part in parts if part))


_OFFSET_MISSING = (
    "The photo does not say how far its clock is from UTC; it was held against the local time here. Give --utc-offset "
    "(such as +01:00) to the run, above all where the clocks change in the night."
)


def _state(ahead: timedelta) -> ClockState:
    if abs(ahead) <= CLOSE:
        return "agrees"
    if ahead < -NEVER_SET:
        return "never set"
    near = round(ahead / _STEP) * _STEP
    if near and abs(ahead) <= _MOST_HOURS and abs(ahead - near) <= _SLACK:
        return "off by hours"
    if ahead > timedelta(0):
        return "ahead"
    return "behind" if ahead >= -JUST_TAKEN else "older"


def _words(state: ClockState, taken: datetime, ahead: timedelta) -> str:
    when, far = taken.isoformat(sep=" ", timespec="seconds"), duration_text(ahead)
    which = "from now" if ahead > timedelta(0) else "ago"
    return {
        "agrees": f"The photo says {when}; that is now, to a minute.",
        "ahead": f"The photo says {when}, which is {far} from now. No photo comes from the future: set the camera's clock, or "
        "this computer's.",
        "behind": f"The photo says {when}, {far} ago. If it was just taken, the camera's clock is that much behind: set it.",
        "off by hours": f"The photo says {when}, {far} {which}: whole or half hours, as where the "
        "zone or daylight saving is set wrongly. If the photo was just taken, set the camera's clock.",
        "older": f"The photo says {when}, {far} ago. If it was just taken, the camera's clock is wrong by that; if it is an "
        "older one, take one now and check again.",
        "never set": f"The photo says {when}: the camera's clock was never set, or lost its time with the battery. Set it.",
        "no time": "",
    }[state]


def duration_text(span: timedelta) -> str:
    """Write how long, without its sign: "45 s", "7 min", "2 h 10 min", "12 days"."""
    seconds = abs(span.total_seconds())
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    hours, rest = divmod(minutes, 60)
    if hours < 48:
        return " ".join(part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part)
    days = round(seconds / 86400)
    return f"{days} days" if days < 800 else f"{days / 365.25:.0f} years"
