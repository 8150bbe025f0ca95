"""Numbers, times and durations to the words of a finding."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from itertools import chain

import numpy as np

from frametally.assess.exposure import Bounded
from frametally.assess.extremes import Extreme
from frametally.assess.facts import DisplayFacts
from frametally.assess.limits import Limit
from frametally.assess.samples import Timeline

MONTHS = ("January", "February", "March", "April", "May", "June", "July",
          "August", "September", "October", "November", "December")  # fmt: skip
"""Written out here because a computer's own month names depend on its language settings."""


def decimals_of(facts: DisplayFacts) -> int:
    """Give the decimal places a display shows, from its resolution; 1 where that is not stated and values may have some."""
    if facts.resolution is None:
        return 1 if facts.kind in {"o2_pct", "temp_c", "temp_f"} else 0
    return max(0, -math.floor(math.log10(facts.resolution) + 1e-9))


def write_number(value: float, decimals: int) -> str:
    """Write a number with at most one thin step of rounding: 193, 20.4, -3.5; never -0."""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def with_unit(text: str, unit: str) -> str:
    """Put the unit behind a number, where there is one."""
    return f"{text} {unit}" if unit else text


def write_reading(value: float, facts: DisplayFacts) -> str:
    """Write one reading as the display shows it, with its unit. More places are kept where the value has them."""
    places = decimals_of(facts)
    while places < 3 and abs(round(value, places) - value) > 1e-9:
        places += 1
    return with_unit(write_number(value, places), facts.unit)


def write_average(value: float, facts: DisplayFacts) -> str:
    """Write an average: one place more than the display shows."""
    return with_unit(write_number(value, decimals_of(facts) + 1), facts.unit)


def write_level(limit: Limit, unit: str) -> str:
    """Write a limit's value as it is published, with what that is in a display's unit: "10 mg/m³ (8.73 ppm)"."""
    return limit.amount if unit == limit.unit else f"{limit.amount} ({limit.level_in(unit):.3g} {unit})"


def write_chance(chance: float) -> str:
    """Write a probability in whole percents: "about 25 %", "under 1 %", "over 99 %"."""
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"about {math.floor(100 * chance + 0.5)} %"


def write_unstated(extreme: Extreme, facts: DisplayFacts) -> str:
    """Write what is known of a reading beyond a range that nobody stated, in brackets behind a sentence; "" for nothing."""
    side = "below" if extreme.side == "highest" else "above"
    if not math.isfinite(extreme.settled):
        return " (the end of its range is not stated)"
    return f" (the end of its range is not stated; it is not {side} {write_reading(extreme.settled, facts)})"


def of_what(facts: DisplayFacts) -> str:
    """Give the words that join an amount to its quantity, as in "193 ppm of carbon monoxide"; "" where none are needed."""
    if facts.kind in {"co_ppm", "co2_ppm", "no2_ppm"}:
        return f" of {facts.quantity}"
    return f" {facts.quantity}" if facts.kind == "o2_pct" else ""


def write_shown(value: float, facts: DisplayFacts) -> str:
    """Write what an instrument showed: "193 ppm of carbon monoxide", "a relative humidity of 62 %"."""
    amount = write_reading(value, facts)
    if of_what(facts):
        return amount + of_what(facts)
    article = "an" if facts.quantity[:1].lower() in "aeiou" else "a"
    return f"{article} {facts.quantity} of {amount}"


def write_minutes(minutes: float) -> str:
    """Write a duration: "12 min", "1 h 40 min", "8 h"; "under 1 min" for less than half a minute but not none."""
    whole = math.floor(minutes + 0.5)
    if whole == 0:
        return "under 1 min" if minutes > 1e-9 else "0 min"
    hours, rest = divmod(whole, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def write_moment(timeline: Timeline, elapsed_min: float) -> str:
    """Write a moment as local time ("05:28"; with the date where the series is longer than a day), else as time passed."""
    time = _time_at(timeline, elapsed_min)
    if time is None:
        passed = elapsed_min - float(timeline.elapsed_min[0])
        return f"{write_minutes(passed)} after the start" if passed > 0 else "the start"
    clock = f"{time.hour:02d}:{time.minute:02d}"
    span = timeline.elapsed_min[timeline.timed - 1] - timeline.elapsed_min[0]
    return f"{clock} on {time.day} {MONTHS[time.month - 1]}" if span >= 24 * 60 else clock


def write_day(day: date) -> str:
    """Write a day: "24 October 2026"."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def write_when(timeline: Timeline, row: int) -> str:
    """Write when a row was, to stand at the head of a sentence: "At 05:28", "2 h after the start", "In the photo ..."."""
    elapsed = float(timeline.elapsed_min[row])
    if math.isfinite(elapsed):
        moment = write_moment(timeline, elapsed)
        return moment if moment.endswith("after the start") else f"At {moment}"
    frame = timeline.frames[row]
    return f"In the photo {frame}, whose time is not known," if frame else "In a row without a time"


def _time_at(timeline: Timeline, elapsed_min: float) -> datetime | None:
    """Local time at a moment: from the last row before it that has one, so that a change of the clocks is followed.

    Before the first such row it is reckoned back from that row.
    """
    elapsed = timeline.elapsed_min[: timeline.timed]
    before = int(np.searchsorted(elapsed, elapsed_min + 1e-9, side="right"))
    for row in chain(range(before - 1, -1, -1), range(before, len(elapsed))):
        time = timeline.times[row]
        if time is not None:
            return time + timedelta(minutes=float(elapsed_min - elapsed[row]))
    return None


def write_bounds(bounds: Bounded, facts: DisplayFacts) -> str:
    """Write what gaps leave open: "" where the bounds meet, else "at least 26.9 ppm and at most 28.8 ppm"."""
    low, high = (math.isfinite(v) for v in (bounds.lower, bounds.upper))
    if low and high and write_average(bounds.lower, facts) == write_average(bounds.upper, facts):
        return ""
    parts = [f"at least {write_average(bounds.lower, facts)}"] if low else ["with no known lower end"]
    parts.append(f"at most {write_average(bounds.upper, facts)}" if high else "with no known upper end")
    return " and ".join(parts)


def write_list(words: Sequence[str]) -> str:
    """Join words: "a", "a and b", "a, b and c"."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


def pick_frames(timeline: Timeline, rows: Iterable[int], most: int = 12) -> tuple[str, ...]:
    """Give the names of the photos of some rows, each once, the first `most` of them; rows without a photo give none."""
    names = dict.fromkeys(timeline.frames[row] for row in rows)
    return tuple(name for name in names if name)[:most]


def capitalise(text: str) -> str:
    """Put a capital at the head of a sentence and leave the rest as it is."""
    return text[:1].upper() + text[1:]
