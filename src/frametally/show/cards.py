"""Takes findings and gives what the page says of each: which three stand first, which section each belongs to, its words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from frametally.model import Finding, key_kind
from frametally.show import wording

FIRST_FINDINGS = 3
"""So many findings stand large, with their photo."""

FRAMES_NAMED = 8
"""So many evidence frames are named before "and n more"."""

CAUTION = "caution"
"""Findings whose slug begins so stand under "Before you rely on this", not among what the night showed."""


@dataclass(frozen=True)
class LimitNote:
    """What the report says of one limit: its name, number, rule ("8-hour average"), whom it is for, and its source.

    `setting` ("home", "outdoors", "work", "accident") groups limits, `made_for` says in words what that is, `for_sleepers`
    whether people asleep at home are meant; `amount` is the value as published, with what that is in the display's unit;
    `level` is the value in that unit; `average` says over what time ("8 h", "" for single readings); with `low_side` danger
    lies below the value.
    """

    name: str
    value: float
    unit: str
    rule: str
    source: str
    who: str = ""
    note: str = ""
    setting: str = ""
    made_for: str = ""
    for_sleepers: bool = False
    amount: str = ""
    level: float | None = None
    average: str = ""
    low_side: bool = False

    @property
    def published(self) -> str:
        """The number with its unit, as published."""
        return self.amount or wording.with_unit(wording.number_text(self.value), self.unit)

    @property
    def line(self) -> str:
        """Everything in one line."""
        who = f"Made for: {self.made_for or self.who}" if self.made_for or self.who else ""
        return " ".join(wording.sentence(part) for part in (f"{self.name}: {self.published}", self.rule, who) if part)


@dataclass(frozen=True)
class Section:
    """A part of the page: its id, heading, the sentence below it, and the slugs (or beginnings of slugs, with *) it takes."""

    id: str
    title: str
    lead: str
    slugs: tuple[str, ...]
    open_findings: int = 3


SECTIONS = (
    Section("course", "How the night went", "", ("how-the-night-went",)),
    Section("limits", "Every limit, and for whom it is made", "", ("limit", "mixture", "time-beyond", "who-limits-protect")),
    Section(
        "alarms",
        "Would an alarm have sounded?",
        "An alarm is made to wake people before strong poisoning. That it stays silent does not mean that the air is clean.",
        ("alarm-standard",),
        open_findings=2,
    ),
    Section(
        "blood",
        "Carbon monoxide in the blood",
        "What breathing this air all night would have done to the blood of an adult. An estimate, no blood test.",
        ("cohb-*",),
    ),
    Section("oxygen", "Oxygen", "", ("oxygen-marks", "oxygen-pressure", "oxygen-water", "oxygen-setting")),
    Section(
        "burning",
        "What the burning made, and nobody metered",
        "What takes oxygen out of the air puts carbon dioxide and water into it. This is reckoned from the readings.",
        ("implied-carbon-dioxide", "water-made-and-found", "oxygen-for-the-heat", "unknown-fuel"),
    ),
    Section("damp", "Damp", "", ("moisture-*",)),
    Section(
        "air",
        "Fresh air, and people asleep",
        "",
        ("air-change*", "carbon-monoxide-source", "other-air-changes", "sleepers"),
    ),
    Section(
        "instruments",
        "Can the instruments be trusted?",
        "What the readings themselves tell about the instruments.",
        (
            "signals-do-not-fit", "instruments-*", "zero-check", "stuck-display", "slow-response", "working-temperature",
            "coarse-display",
        ),
        open_findings=4,
    ),
    Section("figures", "Highest, lowest and mean of each display", "", ("highest", "lowest", "mean")),
    Section(
        "quality",
        "How well the displays were read",
        "",
        ("reading-quality", "no-readings", "no-times", "mark-cuts-digits", "camera-nudged", "instrument-left"),
    ),
    Section("unknown", "What is not known about this night", "", ("missing-facts",)),
    Section("further", "What else was found", "", ("*",)),
)  # fmt: skip
"""The parts of the page that hold findings; each finding stands in the first that takes it."""

RECKONED = frozenset({"alarms", "blood", "oxygen", "burning", "damp", "air", "instruments"})
"""Sections whose figures are reckoned from readings: shown with three digits, and beside the words that say what they are."""

_NEVER_FIRST = ("how-the-night-went", "who-limits-protect", "missing-facts")
_PER_QUANTITY = ("limit", "highest", "lowest", "mean", "time-beyond", "reading-quality")


def section_of(finding: Finding) -> str:
    """Give the id of the section a finding belongs to."""
    for section in SECTIONS:
        for slug in section.slugs:
            if finding.slug == slug or (slug.endswith("*") and finding.slug.startswith(slug[:-1])):
                return section.id
    return SECTIONS[-1].id


def choose_first(findings: Sequence[Finding], notes: Mapping[str, LimitNote]) -> list[Finding]:
    """Give the findings that matter most, in the order of their weight, each on another subject.

    Ten limits of one gas would all say one thing: of those that weigh the same, the one passed by the largest factor speaks.
    """
    chosen: list[Finding] = []
    subjects: set[str] = set()
    ranked = sorted(findings, key=lambda finding: (finding.weight, -_factor(finding, notes)))
    for finding in ranked:
        subject = subject_of(finding)
        if subject in subjects or finding.slug in _NEVER_FIRST:
            continue
        subjects.add(subject)
        chosen.append(finding)
        if len(chosen) == FIRST_FINDINGS:
            break
    return chosen


def subject_of(finding: Finding) -> str:
    """Give what a finding is about, so that the first three are not thrice the same."""
    if finding.slug in _PER_QUANTITY:
        return f"{finding.slug} {key_kind(finding.key) or finding.key}"
    return finding.slug


def _factor(finding: Finding, notes: Mapping[str, LimitNote]) -> float:
    """How far a finding's figure lies beyond its limit, as a factor; 0 where that is not known or would compare unlike things."""
    note = notes.get(finding.limit)
    figure = finding.lower if finding.value is None else finding.value
    if finding.slug != "limit" or note is None or figure is None or note.value <= 0 or figure <= 0 or finding.value is None:
        return 0.0
    level = _level(finding, note)
    if level is None:
        return 0.0
    return level / figure if note.low_side else figure / level


def _level(finding: Finding, note: LimitNote | None) -> float | None:
    """Give a limit's value in the unit of a finding's figure, None where the note does not have it."""
    if note is None:
        return None
    return note.value if note.unit == finding.unit else note.level


def related_limit(finding: Finding, findings: Sequence[Finding]) -> Finding | None:
    """Give the most serious finding that holds the same reading of the same display against a limit, None where there is none."""
    if finding.slug not in ("highest", "lowest") or finding.value is None:
        return None
    same = [one for one in findings if one.slug == "limit" and one.key == finding.key and one.value == finding.value]
    return min(same, key=lambda one: one.weight, default=None)


def describe_finding(
    finding: Finding, number: int, notes: Mapping[str, LimitNote], resolutions: Mapping[str, float | None]
) -> dict[str, Any]:
    """Give everything that the page shows of one finding, but its pictures."""
    note = notes.get(finding.limit)
    head, items = wording.list_items(finding.text) if finding.slug == "missing-facts" else ("", [])
    gist, detail = (head, "") if items else wording.gist_of(finding.text, wording.brief(finding.text, 260))
    is_reckoned = section_of(finding) in RECKONED
    resolution = None if finding.slug == "reading-quality" or is_reckoned else resolutions.get(finding.key)
    shown = wording.rounded_finding(finding) if is_reckoned else finding
    number_text = wording.finding_number(shown, resolution)
    return {
        "items": items,
        "gist": gist,
        "detail": detail,
        "id": f"finding-{number}",
        "it": finding,
        "tone_word": wording.TONE_WORDS[finding.tone],
        "number": number_text,
        "in_title": number_text.replace("\u00a0", " ") in finding.title,
        "bounds": wording.finding_bounds(shown, resolution),
        "is_reckoned": is_reckoned,
        "verdict": wording.verdict_text(finding, _level(finding, note)),
        "limit": note.line if note else finding.limit,
        "note": note,
        "frames": finding.evidence[:FRAMES_NAMED],
        "more_frames": max(0, len(finding.evidence) - FRAMES_NAMED),
    }
