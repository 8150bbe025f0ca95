"""Takes the findings, the table and the crops of a night and leaves `report.html`: one file that needs nothing else.

The page asks for nothing outside itself (its Content-Security-Policy forbids it), runs no script, and escapes whatever
comes from file names, calibration or trial.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from frametally.model import FLAG_MEANING, SETTLED, Assessment, Display, Finding, Flag, Notice
from frametally.show import wording
from frametally.show.files import encode_text, write_whole
from frametally.show.plots import Chart, draw_chart
from frametally.show.tables import count_flags, flag_name, format_text, format_value, formula_like
from frametally.show.traces import EXTREMES, Trace, group_displays, read_axis, read_trace

FIRST_FINDINGS = 3
"""So many findings stand large, with their photo; the rest follow as a list."""

FRAMES_NAMED = 8
"""So many evidence frames are named before "and n more"."""

KNOWN_FILES: dict[str, str] = {
    "readings.csv": "the clean table: one row per photo",
    "readings_audit.csv": "one row per photo and display: what was seen, what became of it, how sure it is",
    "corrections.csv": "what was set by hand",
    "assessment.json": "the findings, for other programs",
    "datapackage.json": "what every column means, its unit, and a hash of each table",
    "journal.jsonl": "the record of the reading, photo by photo",
}

CAUTION = "caution"
"""Findings whose slug begins so stand under "Before you rely on this", not among what the night showed."""

CAUTIONS = (
    "The numbers are what the instruments showed. An instrument that is off, slow, cold or out of test shows wrong numbers, and "
    "a photo of them is no better.",
    "The instruments stood in one place. Air elsewhere in the room, and lower or higher, may have been different.",
)
"""What every report carries."""

CAUTIONS_WITHOUT_ASSESSMENT = (
    "This is a look back at a recorded night. It is no alarm, and it cannot take the place of one: keep a working carbon "
    "monoxide alarm where people sleep.",
    "Limits for workplaces are made for healthy adults and working hours. They are no promise for sleepers, children, pregnant "
    "women, or people with heart or lung disease.",
)
"""What a report carries as well where the assessment brings no cautions of its own."""

RARE_FLAGS = frozenset({Flag.CORRECTED, Flag.UNDER_RANGE, Flag.STATUS})
"""Flags whose column is left out of the table of counts where all its counts are zero."""

STANDING = "This looks back at one night and is no alarm: keep a working carbon monoxide alarm where people sleep."
NOT_FOR_SLEEPERS = "No limit here is made for people asleep at home."
"""What stands under the title of every report, and what follows where it holds."""

PUBLIC = "general public"
"""`LimitNote.who` of a limit that is made for everyone."""


@dataclass(frozen=True)
class Crop:
    """A piece of a photo that shows a number.

    `image` is the bytes of a PNG or JPEG file; `verified` says that the reading is settled; `when` which photo it is
    and from what time ("1st of 9 photos, 22:52").
    """

    caption: str
    frame: str
    key: str
    image: bytes
    verified: bool
    when: str = ""


@dataclass(frozen=True)
class LimitNote:
    """What the report says of one limit: its name, number, rule ("8-hour average"), whom it is for, and its source."""

    name: str
    value: float
    unit: str
    rule: str
    source: str
    who: str = ""
    note: str = ""


def write_report(
    path: Path,
    *,
    title: str,
    assessment: Assessment,
    table: pd.DataFrame,
    displays: Sequence[Display],
    limits: Mapping[str, Sequence[tuple[str, float]]],
    crops: Sequence[Crop] = (),
    notices: Sequence[Notice] = (),
    method: Mapping[str, str] | None = None,
    limit_notes: Mapping[str, LimitNote] | None = None,
    conditions: Mapping[str, str] | None = None,
    cautions: Sequence[str] = (),
    files: Mapping[str, str] | None = None,
) -> None:
    """Write the report of a night as one self-contained HTML file.

    Parameters
    ----------
    table : the readings table (columns as `reading_columns` lists them)
    limits : for each display's key the (label, value) pairs that its chart may draw
    method : name and text of what was done with what: versions, hashes, time source
    limit_notes : for each limit's id in the findings, what to say of it
    conditions : name and text of the conditions of the test, from the trial file
    cautions : further cautions, besides those of the assessment and the ones that every report carries
    files : file name beside the report and what it is; by default those of `KNOWN_FILES` that are there

    Raises `BadInput` where the file cannot be written, `ValueError` where a crop is neither PNG nor JPEG.
    """
    beside = {name: what for name, what in KNOWN_FILES.items() if (path.parent / name).exists()} if files is None else files
    traces = [read_trace(table, display) for display in displays]
    pictures = [_picture(crop, number) for number, crop in enumerate(crops, start=1)]
    shown = [finding for finding in assessment.findings if not finding.slug.startswith(CAUTION)]
    resolutions = {display.key: display.resolution for display in displays}
    findings = [_finding(finding, number, pictures, limit_notes or {}, resolutions) for number, finding in enumerate(shown)]
    page = {
        "title": title or "A night of readings",
        "standing": _standing(assessment.findings, limit_notes or {}),
        "facts": _facts(table, displays),
        "conditions": dict(conditions or {}),
        "first": findings[:FIRST_FINDINGS],
        "rest": findings[FIRST_FINDINGS:],
        "charts": _charts(table, displays, limits),
        "has_limits": any(limits.get(display.key) for display in displays),
        "pictures": pictures,
        "quality": _quality(table, displays, traces),
        "notices": notices,
        "formula_names": formula_like(table["frame"].tolist())[:FRAMES_NAMED],
        "cautions": _cautions(assessment.findings, cautions),
        "limits": _limit_rows(assessment.findings, limit_notes or {}),
        "method": dict(method or {}),
        "flags": [(flag_name(flag), *FLAG_MEANING[flag]) for flag in Flag],
        "files": [(quote(name), name, what) for name, what in beside.items()],
    }
    write_whole(path, encode_text(_render(page)))


def _render(page: Mapping[str, Any]) -> str:
    folder = resources.files("frametally") / "data" / "report"
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["hold"] = wording.hold_units
    template = environment.from_string((folder / "report.html.j2").read_text(encoding="utf-8"))
    style = Markup((folder / "report.css").read_text(encoding="utf-8"))
    return template.render(page, style=style)


# --- the parts of the page -------------------------------------------------------------------------------------------


def _standing(findings: Sequence[Finding], notes: Mapping[str, LimitNote]) -> str:
    """Give the line under the title: what this is not, and whom its limits were not made for."""
    used = [notes[finding.limit] for finding in findings if finding.limit in notes]
    return STANDING if any(note.who == PUBLIC for note in used) else f"{STANDING} {NOT_FOR_SLEEPERS}"


def _facts(table: pd.DataFrame, displays: Sequence[Display]) -> list[tuple[str, str]]:
    """Give the line of facts under the title."""
    axis = read_axis(table)
    photos = sum(1 for name in table["frame"].tolist() if format_text(name))
    facts = [("When", wording.span_text(axis.clock) or "no times known")]
    if axis.kind != "photo" and photos > 1:
        facts.append(
            (
                "How long",
                f"{wording.duration_text(axis.span[1] - axis.span[0])}, a photo every {wording.duration_text(axis.step)}",
            )
        )
    facts.append(("Photos", f"{photos}"))
    instruments = dict.fromkeys(display.instrument or display.key for display in displays)
    facts.append(("Instruments", ", ".join(instruments) or "none"))
    return facts


def _picture(crop: Crop, number: int) -> dict[str, Any]:
    if crop.image.startswith(b"\x89PNG"):
        kind = "png"
    elif crop.image.startswith(b"\xff\xd8\xff"):
        kind = "jpeg"
    else:
        raise ValueError(f"the crop of {crop.key} in {crop.frame} is neither PNG nor JPEG")
    data = base64.b64encode(crop.image).decode("ascii")
    return {"id": f"photo-{number}", "crop": crop, "uri": f"data:image/{kind};base64,{data}"}


def _finding(
    finding: Finding,
    number: int,
    pictures: Sequence[dict[str, Any]],
    notes: Mapping[str, LimitNote],
    resolutions: Mapping[str, float | None],
) -> dict[str, Any]:
    shown = [p for p in pictures if p["crop"].frame in finding.evidence and p["crop"].key == finding.key]
    note = notes.get(finding.limit)
    head, items = wording.list_items(finding.text) if finding.slug == "missing-facts" else ("", [])
    gist, detail = (head, "") if items else wording.gist_of(finding.text)
    resolution = None if finding.slug == "reading-quality" else resolutions.get(finding.key)
    number_text = wording.finding_number(finding, resolution)
    return {
        "items": items,
        "gist": gist,
        "detail": detail,
        "id": f"finding-{number + 1}",
        "it": finding,
        "tone_word": wording.TONE_WORDS[finding.tone],
        "number": number_text,
        "in_title": number_text.replace("\u00a0", " ") in finding.title,
        "bounds": wording.finding_bounds(finding, resolution),
        "verdict": wording.verdict_text(finding, note.value if note else None),
        "limit": _limit_line(note) if note else finding.limit,
        "frames": finding.evidence[:FRAMES_NAMED],
        "more_frames": max(0, len(finding.evidence) - FRAMES_NAMED),
        "pictures": shown,
    }


def _limit_line(note: LimitNote) -> str:
    number = wording.with_unit(wording.number_text(note.value), note.unit)
    who = f"Made for: {note.who}" if note.who else ""
    return " ".join(wording.sentence(part) for part in (f"{note.name}: {number}", note.rule, who) if part)


def _cautions(findings: Sequence[Finding], further: Sequence[str]) -> list[tuple[str, str]]:
    """Give title ("" where there is none) and text of each caution."""
    own = [(finding.title, finding.text) for finding in findings if finding.slug.startswith(CAUTION)]
    common = CAUTIONS if own else CAUTIONS_WITHOUT_ASSESSMENT + CAUTIONS
    return [*own, *(("", text) for text in (*further, *common))]


def _charts(
    table: pd.DataFrame, displays: Sequence[Display], limits: Mapping[str, Sequence[tuple[str, float]]]
) -> list[dict[str, Any]]:
    charts = []
    for number, group in enumerate(group_displays(displays), start=1):
        pairs = list(dict.fromkeys((label, float(value)) for display in group for label, value in limits.get(display.key, ())))
        wide = draw_chart(table, group, pairs)
        narrow = draw_chart(table, group, pairs, narrow=True)
        charts.append(
            {
                "id": f"chart-{number}",
                "title": wide.title,
                "wide": _markup(wide, f"wide-{number}"),
                "narrow": _markup(narrow, f"narrow-{number}"),
                "beyond": wide.beyond,
                "rows": [_extremes(table, read_trace(table, display)) for display in group],
            }
        )
    return charts


def _markup(chart: Chart, name: str) -> Markup:
    return Markup(chart.svg(name))


def _extremes(table: pd.DataFrame, trace: Trace) -> dict[str, Any]:
    """Give highest and lowest number of one display, each with when, where from, and whether it is settled."""
    axis = read_axis(table)
    cells: dict[str, Any] = {"name": trace.display.instrument or trace.display.key, "key": trace.display.key}
    frames = table["frame"].tolist()
    for which in EXTREMES:
        cells[which] = [
            {
                "number": wording.with_unit(format_value(float(trace.values[row]), trace.display.resolution), trace.display.unit),
                "when": axis.text_at(row),
                "frame": format_text(frames[row]),
                "verified": bool(trace.settled[row]),
            }
            for row in trace.extremes(which)
        ]
    cells["over"] = int(trace.has(Flag.OVER_RANGE).sum())
    cells["under"] = int(trace.has(Flag.UNDER_RANGE).sum())
    return cells


def _quality(table: pd.DataFrame, displays: Sequence[Display], traces: Sequence[Trace]) -> dict[str, Any]:
    """Give the table of how the displays were read: headings, and for each display its counts and shares."""
    counts = count_flags(table, displays)
    totals = {flag: int(counts[flag.value].sum()) for flag in Flag} if len(counts) else dict.fromkeys(Flag, 0)
    columns = [flag for flag in Flag if flag not in RARE_FLAGS or totals[flag]]
    rows = []
    for trace in traces:
        key = trace.display.key
        number = max(1, len(trace.flags))
        settled = int(np.sum(trace.has(*SETTLED)))
        doubtful = int(np.sum(trace.has(Flag.DOUBTFUL)))
        rows.append(
            {
                "key": key,
                "name": f"{trace.display.quantity}, {trace.display.instrument}".strip(", "),
                "cells": [int(counts[flag.value][key]) for flag in columns],
                "settled": settled,
                "of": len(trace.flags),
                "settled_share": f"{100 * settled / number:.4g}",
                "doubtful_share": f"{100 * doubtful / number:.4g}",
            }
        )
    return {"heads": [flag_name(flag) for flag in columns], "rows": rows}


def _limit_rows(findings: Sequence[Finding], notes: Mapping[str, LimitNote]) -> list[dict[str, str]]:
    """Give each limit that a finding speaks of, once, with its source."""
    rows = []
    for slug in dict.fromkeys(finding.limit for finding in findings if finding.limit):
        note = notes.get(slug)
        sources = dict.fromkeys(source for finding in findings if finding.limit == slug for source in finding.sources)
        rows.append(
            {
                "line": _limit_line(note) if note else slug,
                "source": wording.sentence(note.source if note else "; ".join(sources)),
                "note": wording.sentence(note.note if note else ""),
            }
        )
    return rows
