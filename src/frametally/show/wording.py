"""Takes numbers, bounds and times and gives the words that the report shows: no number without its unit."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime

from frametally.model import Finding
from frametally.show.tables import decimal_places, format_value
from frametally.show.traces import MONTHS

TONE_WORDS = {"danger": "Danger", "warning": "Warning", "note": "Note", "calm": "Within"}

_NEXT_TO_NOTHING = 60
"""A first sentence shorter than this does not stand alone. [characters]"""

VERDICT_WORDS = {
    "exceeds": "limit exceeded",
    "does not exceed": "within the limit",
    "undecided": "undecided: the night does not settle it",
}


def number_text(value: float) -> str:
    """Print a computed number with four significant digits, whole above a thousand: 20.95, 193, 0.0042, 12345."""
    if abs(value) >= 1000:
        return format_value(float(round(value)))
    return format_value(float(f"{value:.4g}"))


def count_text(number: int, noun: str) -> str:
    """Say how many: "1 photo", "3 photos"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def with_unit(text: str, unit: str) -> str:
    """Put the unit behind a number, with a space that no line breaks at; nothing where the unit is "1" or empty."""
    return text if unit in ("", "1") else f"{text}\u00a0{unit}"


def rounded_finding(finding: Finding, digits: int = 3) -> Finding:
    """Give a finding whose numbers have so many significant digits; what is reckoned from readings is known no better."""
    if finding.unit == "min":
        return finding
    return change_numbers(finding, lambda number: float(f"{number:.{digits}g}"))


def change_numbers(finding: Finding, change: Callable[[float], float]) -> Finding:
    """Give a finding with its number and bounds changed; what is open or not known stays so."""
    value, lower, upper = (None if v is None else change(v) for v in (finding.value, finding.lower, finding.upper))
    return replace(finding, value=value, lower=lower, upper=upper)


def finding_number(finding: Finding, resolution: float | None = None) -> str:
    """Give a finding's number with its unit: "193 ppm", "at least 100 ppm", "1 h to 2 h", "" where there is none.

    With the display's `resolution`, a reading has the display's places, and what is computed from readings one more.
    """
    if finding.unit == "min":
        return _span_of_minutes(finding)
    if finding.value is not None and not _is_only_bound(finding):
        return with_unit(figure_text(finding.value, resolution, computed=finding.slug == "mean"), finding.unit)
    return bounds_text(finding.lower, finding.upper, finding.unit, resolution)


def finding_bounds(finding: Finding, resolution: float | None = None) -> str:
    """Give the bounds around a finding's number, "" where there are none or they all are the same."""
    if finding.unit == "min" or finding.value is None or _is_only_bound(finding):
        return ""
    if finding.lower == finding.upper == finding.value:
        return ""
    return bounds_text(finding.lower, finding.upper, finding.unit, resolution, computed=finding.slug == "mean")


def figure_text(value: float, resolution: float | None, *, computed: bool = False) -> str:
    """Print a figure as the words beside it do: a reading as the display shows it, a computed figure with one place more."""
    if resolution is None:
        return number_text(value)
    places = decimal_places(resolution)
    is_reading = not computed and abs(round(value, places) - value) < 1e-9
    text = f"{value:.{places if is_reading else places + 1}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _span_of_minutes(finding: Finding) -> str:
    """Give how long, from the shortest to the longest that it can have been."""
    least, most = finding.lower, finding.upper
    if least is None or most is None:
        return "" if finding.value is None else duration_text(finding.value)
    if round(least) == 0 < round(most):
        return ""  # all of it is unread time, which the title says; a number would speak against the readings
    words = [duration_text(float(round(minutes))) if round(minutes) else "0\u00a0min" for minutes in (least, most)]
    return words[0] if words[0] == words[1] else f"{words[0]} to {words[1]}"


def _is_only_bound(finding: Finding) -> bool:
    """Tell whether the number itself is no more than a bound: an over-range display shows "at least", not a value."""
    low = finding.upper is None and finding.lower == finding.value
    high = finding.lower is None and finding.upper == finding.value
    return low or high


def bounds_text(
    lower: float | None, upper: float | None, unit: str, resolution: float | None = None, *, computed: bool = False
) -> str:
    """Say bounds in words."""
    low, high = ("" if v is None else figure_text(v, resolution, computed=computed) for v in (lower, upper))
    if low and high:
        return f"between {low} and {with_unit(high, unit)}"
    if low:
        return f"at least {with_unit(low, unit)}"
    return f"at most {with_unit(high, unit)}" if high else ""


def verdict_text(finding: Finding, limit: float | None) -> str:
    """Give a verdict in words; below a limit that must not be fallen short of, "exceeded" would say the opposite."""
    if finding.verdict == "exceeds" and limit is not None and finding.value is not None and finding.value < limit:
        return "fell below the limit"
    return VERDICT_WORDS.get(finding.verdict, finding.verdict)


def moment_text(moment: datetime) -> str:
    """Give a local time for people: "30 Oct 2026, 21:40"."""
    return f"{day_text(moment)}, {moment:%H:%M}"


def day_text(moment: date) -> str:
    """Give a day for people: "30 Oct 2026"."""
    return f"{moment.day} {MONTHS[moment.month - 1]} {moment.year}"


def span_text(clock: Sequence[datetime | None]) -> str:
    """Say from when to when the photos were taken, "" where no time is known."""
    known = [moment for moment in clock if moment is not None]
    if not known:
        return ""
    first, last = known[0], known[-1]
    end = f"{last:%H:%M}" if first.date() == last.date() else moment_text(last)
    return moment_text(first) if first == last else f"{moment_text(first)} to {end}"


def duration_text(minutes: float) -> str:
    """Say how long: "9 h 56 min", "45 min", "20 s"."""
    if minutes < 1:
        return f"{round(minutes * 60)}\u00a0s"
    if minutes < 60 or (minutes < 120 and round(minutes) != minutes):
        return f"{format_value(round(minutes, 1))}\u00a0min"
    hours, rest = divmod(round(minutes), 60)
    return f"{hours}\u00a0h {rest}\u00a0min" if rest else f"{hours}\u00a0h"


def ordinal_text(number: int) -> str:
    """Give a place in a row: "1st", "2nd", "3rd", "11th"."""
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def list_items(text: str) -> tuple[str, list[str]]:
    """Give what stands before a numbered list "(1) ... (2) ..." in a text, and its entries; no entries where there is no list."""
    head, *items = re.split(r"(?:^| )\(\d+\) ", text)
    return head, items


def hold_units(text: str) -> str:
    """Keep each number and its unit on one line."""
    return re.sub(r"(?<=\d) (?=(?:ppm|°C|°F|h|min|s)\b|%)", "\u00a0", text)


def sentence(text: str) -> str:
    """Put a full stop behind a text that has none; nothing stays nothing."""
    return text if not text or text.endswith((".", "!", "?")) else f"{text}."


def brief(text: str, most: int = 170) -> int:
    """Give how many sentences to show first: two where they fit into so many characters or the first says next to nothing."""
    return 2 if len(gist_of(text)[0]) <= most or len(gist_of(text, 1)[0]) < _NEXT_TO_NOTHING else 1


def gist_of(text: str, sentences: int = 2) -> tuple[str, str]:
    """Give a finding's first sentences, and the rest."""
    parts = re.split(r"(?<=[.!?]) (?=[A-Z(])", text)
    return " ".join(parts[:sentences]), " ".join(parts[sentences:])
