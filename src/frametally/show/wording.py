"""Takes numbers, bounds and times and gives the words that the report shows: no number without its unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

from frametally.model import Finding
from frametally.show.tables import format_value
from frametally.show.traces import MONTHS

TONE_WORDS = {"danger": "Danger", "warning": "Warning", "note": "Note", "calm": "Calm"}

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


def finding_number(finding: Finding) -> str:
    """Give a finding's number with its unit: "193 ppm", "at least 100 ppm", "between 21 and 30 ppm", "" where there is none."""
    if finding.value is not None and not _is_only_bound(finding):
        return with_unit(number_text(finding.value), finding.unit)
    return bounds_text(finding.lower, finding.upper, finding.unit)


def finding_bounds(finding: Finding) -> str:
    """Give the bounds around a finding's number, "" where there are none or they all are the same."""
    if finding.value is None or (finding.lower is None and finding.upper is None) or _is_only_bound(finding):
        return ""
    if finding.lower == finding.upper == finding.value:
        return ""
    return bounds_text(finding.lower, finding.upper, finding.unit)


def _is_only_bound(finding: Finding) -> bool:
    """Tell whether the number itself is no more than a bound: an over-range display shows "at least", not a value."""
    low = finding.upper is None and finding.lower == finding.value
    high = finding.lower is None and finding.upper == finding.value
    return low or high


def bounds_text(lower: float | None, upper: float | None, unit: str) -> str:
    """Say bounds in words."""
    if lower is not None and upper is not None:
        return f"between {number_text(lower)} and {with_unit(number_text(upper), unit)}"
    if lower is not None:
        return f"at least {with_unit(number_text(lower), unit)}"
    return "" if upper is None else f"at most {with_unit(number_text(upper), unit)}"


def moment_text(moment: datetime) -> str:
    """Give a local time for people: "30 Oct 2026, 21:40"."""
    return f"{day_text(moment)}, {moment:%H:%M}"


def day_text(moment: datetime) -> str:
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
    if minutes < 120:
        return f"{format_value(round(minutes, 1))}\u00a0min"
    hours, rest = divmod(round(minutes), 60)
    return f"{hours}\u00a0h {rest}\u00a0min" if rest else f"{hours}\u00a0h"


def gist_of(text: str, sentences: int = 2) -> tuple[str, str]:
    """Give a finding's first sentences, and the rest."""
    parts = re.split(r"(?<=[.!?]) (?=[A-Z(])", text)
    return " ".join(parts[:sentences]), " ".join(parts[sentences:])
