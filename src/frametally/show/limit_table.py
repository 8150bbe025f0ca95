"""Takes what was decided about every limit and gives the table of the page: grouped by whom the limits are made for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from frametally.model import Assessment, Display
from frametally.show import wording
from frametally.show.cards import LimitNote
from frametally.show.tables import decimal_places

SETTINGS = ("home", "outdoors", "work", "accident", "")
"""Order of the groups: what is made for people asleep at home first."""

MEANT = {
    "home": "Made for people at home, asleep ones included",
    "outdoors": "Made for the air outdoors, for everyone",
    "work": "Made for workplaces: not for people asleep",
    "accident": "Made for accidents: not for people asleep",
    "": "Whom these are made for is not stated",
}
"""Heading of each group: whether people asleep are meant."""

SIGNS = {"exceeds": "\u25b2", "does not exceed": "\u2713", "undecided": "?"}
WORDS = {
    ("exceeds", False): "above the limit",
    ("exceeds", True): "below the limit",
    ("does not exceed", False): "not above",
    ("does not exceed", True): "not below",
    ("undecided", False): "undecided",
    ("undecided", True): "undecided",
}
TONES = {"exceeds": "danger", "undecided": "warning", "does not exceed": "calm"}


@dataclass(frozen=True)
class Decided:
    """One display held against one limit, as the assessment's figures have it."""

    display: Display
    note: LimitNote
    level: float
    unit: str
    verdict: str
    lower: float | None
    middle: float | None
    upper: float | None
    enough: bool

    @property
    def severity(self) -> tuple[bool, float]:
        """What makes one display count before another: that it passes the limit, then how near it comes to it."""
        figure = self.middle if self.middle is not None else self.lower
        share = -math.inf if figure is None or self.level == 0 else figure / self.level
        return self.verdict == "exceeds", -share if self.note.low_side else share


def limit_groups(assessment: Assessment, displays: Sequence[Display], notes: Mapping[str, LimitNote]) -> list[dict[str, Any]]:
    """Give the groups of the table, each with its heading and rows; limits of which nothing was decided are left out.

    Of several displays the one that counts makes the row: one that passes the limit, else the one that comes nearest to it.
    """
    known = {display.key: display for display in displays}
    found: dict[str, list[Decided]] = {}
    for key, figures in assessment.summary.items():
        for one in _entries(figures.get("limits")):
            note = notes.get(str(one.get("limit")))
            if note is not None and key in known:
                found.setdefault(str(one["limit"]), []).append(_decided(known[key], note, one))
    rows: dict[str, list[dict[str, Any]]] = {}
    for name, note in notes.items():
        if name in found:
            rows.setdefault(note.setting, []).append(_row(found[name]))
    order = [*SETTINGS, *(setting for setting in rows if setting not in SETTINGS)]
    return [
        {
            "title": MEANT.get(setting, setting),
            "fold": setting == "accident" and all(row["verdict"] != "exceeds" for row in rows[setting]),
            "count": count_verdicts([{"rows": rows[setting]}]),
            "rows": rows[setting],
        }
        for setting in order
        if setting in rows
    ]


def implied_rows(assessment: Assessment, notes: Mapping[str, LimitNote]) -> list[dict[str, Any]]:
    """Give the rows of limits of carbon dioxide that nobody metered, held against what the oxygen implies."""
    given = assessment.topics.get("combustion", {}).get("carbon_dioxide")
    entries = _entries(given.get("against_limits")) if isinstance(given, dict) else []
    rows = []
    for one in entries:
        note = notes.get(str(one.get("limit")))
        if note is not None:
            lower, middle, upper = (_rounded(_number(one.get(name))) for name in ("lower", "middle", "upper"))
            rows.append(_cells(note, str(one.get("verdict", "")), "", (lower, middle, upper), 0, "ppm"))
    return rows


def count_verdicts(groups: Sequence[Mapping[str, Any]]) -> str:
    """Say how many limits had which verdict, "" where there are none: "of 7 limits, 6 were passed, 1 is undecided"."""
    verdicts = [row["verdict"] for group in groups for row in group["rows"]]
    if not verdicts:
        return ""
    words = {
        "exceeds": ("was", "were", "passed"),
        "undecided": ("is", "are", "undecided"),
        "does not exceed": ("was", "were", "not passed"),
    }
    counts = {name: verdicts.count(name) for name in words}
    parts = [
        f"{counts[name]} {one if counts[name] == 1 else many} {word}" for name, (one, many, word) in words.items() if counts[name]
    ]
    return f"of {wording.count_text(len(verdicts), 'limit')}, {', '.join(parts)}"


def _entries(value: object) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and math.isfinite(value) else None


def _rounded(value: float | None) -> float | None:
    """Round a reckoned concentration to three digits: it is known no better."""
    return None if value is None else float(f"{value:.3g}")


def _decided(display: Display, note: LimitNote, one: Mapping[str, Any]) -> Decided:
    level = _number(one.get("level"))
    return Decided(
        display,
        note,
        note.value if level is None else level,
        display.unit,
        str(one.get("verdict", "")),
        _number(one.get("lower")),
        _number(one.get("middle")),
        _number(one.get("upper")),
        bool(one.get("enough_measured", True)),
    )


def _row(found: Sequence[Decided]) -> dict[str, Any]:
    one = max(found, key=lambda decided: decided.severity)
    places = 0 if one.display.resolution is None else decimal_places(one.display.resolution)
    places += 1 if one.note.average else 0
    row = _cells(
        one.note, one.verdict, one.display.instrument or one.display.key, (one.lower, one.middle, one.upper), places, one.unit
    )
    others = [
        f"{other.display.instrument or other.display.key}: {_found(other, places)}, {_word(other.verdict, other.note)}"
        for other in found
        if other is not one
    ]
    return row | {"others": others}


def _cells(
    note: LimitNote, verdict: str, counts: str, figures: tuple[float | None, float | None, float | None], places: int, unit: str
) -> dict[str, Any]:
    lower, middle, upper = ("" if value is None else wording.with_unit(f"{value:.{places}f}", unit) for value in figures)
    return {
        "name": note.name,
        "rule": note.rule,
        "limit": note.published,
        "over": f"averaged over {note.average}" if note.average else "at any moment",
        "counts": counts,
        "lower": lower,
        "middle": middle,
        "upper": upper,
        "verdict": verdict,
        "word": _word(verdict, note),
        "sign": SIGNS.get(verdict, ""),
        "tone": TONES.get(verdict, "note"),
        "others": [],
        "source": note.source,
    }


def _word(verdict: str, note: LimitNote) -> str:
    return WORDS.get((verdict, note.low_side), verdict)


def _found(one: Decided, places: int) -> str:
    if one.middle is not None:
        return wording.with_unit(f"{one.middle:.{places}f}", one.unit)
    return f"at least {wording.with_unit(f'{one.lower:.{places}f}', one.unit)}" if one.lower is not None else "no figure"
