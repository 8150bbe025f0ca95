"""Takes the findings, the table and the pictures of a night and leaves `report.html`: one file that needs nothing else.

The page asks for nothing outside itself and runs no script but its own (its Content-Security-Policy forbids the rest), and
escapes whatever comes from file names, calibration or trial. Without scripts all of it is there but the pointer on the charts.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any, Literal
from urllib.parse import quote

import pandas as pd
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from frametally.model import FLAG_MEANING, Assessment, Display, Finding, Flag, Notice
from frametally.show import units, wording
from frametally.show.cards import (
    CAUTION,
    FRAMES_NAMED,
    SECTIONS,
    LimitNote,
    choose_first,
    describe_finding,
    related_limit,
    section_of,
)
from frametally.show.chart import Chart
from frametally.show.figures import chart_night, write_figures
from frametally.show.files import encode_text, write_whole
from frametally.show.limit_table import count_verdicts, implied_rows, limit_groups
from frametally.show.marks import Marks, phases_of
from frametally.show.plots import draw_chart
from frametally.show.proof import Crop, Proofs
from frametally.show.quality import count_quality, draw_quality
from frametally.show.sleepers import sleeper_table
from frametally.show.strips import Strips
from frametally.show.tables import flag_name, format_text, format_value, formula_like
from frametally.show.timeline import timeline_data, to_script_json
from frametally.show.topic_charts import TopicChart, chart_topics
from frametally.show.traces import EXTREMES, TimeAxis, Trace, read_axis, read_trace

__all__ = ["Crop", "LimitNote", "NightPage", "night_charts", "write_night_figures", "write_report"]

KNOWN_FILES: dict[str, str] = {
    "readings.csv": "the clean table: one row per photo",
    "readings_audit.csv": "one row per photo and display: what was seen, what became of it, how sure it is",
    "corrections.csv": "what was set by hand",
    "assessment.json": "the findings, for other programs",
    "datapackage.json": "what every column means, its unit, and a hash of each table",
    "journal.jsonl": "the record of the reading, photo by photo",
}

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

STANDING = "This looks back at one night and is no alarm: keep a working carbon monoxide alarm where people sleep."
NOT_FOR_SLEEPERS = "No limit here is made for people asleep at home."
"""What stands under the title of every report, and what follows where it holds."""

PUBLIC = "general public"
"""`LimitNote.who` of a limit that is made for everyone."""

NO_PICTURES = (
    "There are no pictures of the displays in this report: the photos were not to be found when it was made. Put them back where "
    "they were and make the report again to have them in it."
)
US_UNITS = (
    "Temperatures are shown in °F and heights in ft. The tables beside this report, and the displays in the pictures, keep "
    "their own units."
)

Units = Literal["metric", "us"]


@dataclass(frozen=True)
class NightPage:
    """What a report is made of.

    Parameters
    ----------
    table, audit : the readings table (columns as `reading_columns` lists them) and the audit table, None where there is none
    limits : for each display's key the (label, value) pairs that its chart may draw
    crops, strips : evidence pictures, and small pictures of all displays by photo
    method : name and text of what was done with what: versions, hashes, time source
    limit_notes : for each limit's id in the findings, what to say of it
    tested : name and text of what was tested, in few words, for the head of the page
    conditions : name and text of all conditions of the test, from the trial file
    events : what the trial says happened: minutes since the first photo, and words
    cautions : further cautions, besides those of the assessment and the ones that every report carries
    files : file name beside the report and what it is; by default those of `KNOWN_FILES` that are there
    """

    title: str
    assessment: Assessment
    table: pd.DataFrame
    displays: tuple[Display, ...]
    limits: Mapping[str, Sequence[tuple[str, float]]]
    audit: pd.DataFrame | None = None
    crops: Sequence[Crop] = ()
    strips: Strips | None = None
    notices: Sequence[Notice] = ()
    method: Mapping[str, str] = field(default_factory=dict)
    limit_notes: Mapping[str, LimitNote] = field(default_factory=dict)
    tested: Mapping[str, str] = field(default_factory=dict)
    conditions: Mapping[str, str] = field(default_factory=dict)
    events: Sequence[tuple[float, str]] = ()
    cautions: Sequence[str] = ()
    files: Mapping[str, str] | None = None
    units: Units = "metric"

    @property
    def marks(self) -> Marks:
        """Phases and events, for the charts."""
        return Marks(phases_of(self.assessment.topics)[1], tuple(self.events))

    @property
    def lead(self) -> str:
        """The key of the display whose chart stands first."""
        return phases_of(self.assessment.topics)[0]

    def in_its_units(self) -> NightPage:
        """Give the same in the units asked for."""
        if self.units == "metric":
            return self
        return replace(
            self,
            assessment=units.convert_assessment(self.assessment, self.displays),
            table=units.convert_table(self.table, self.displays),
            displays=tuple(units.convert_display(display) for display in self.displays),
            crops=[replace(c, caption=units.convert_text(c.caption), when=units.convert_text(c.when)) for c in self.crops],
            events=[(at, units.convert_text(words)) for at, words in self.events],
            tested=_converted(self.tested),
            conditions=_converted(self.conditions),
        )


def write_report(path: Path, page: NightPage) -> None:
    """Write the report of a night as one self-contained HTML file: same night, same bytes.

    Raises `BadInput` where the file cannot be written, `ValueError` where a crop is neither PNG nor JPEG.
    """
    files = page.files
    if files is None:
        files = {name: what for name, what in KNOWN_FILES.items() if (path.parent / name).exists()}
    write_whole(path, encode_text(_render(_parts(page.in_its_units(), files))))


def write_night_figures(folder: Path, page: NightPage) -> list[Path]:
    """Write every chart of the report as PNG, SVG and PDF into a folder; give the files. Raises `BadInput` as `write_report`."""
    shown = page.in_its_units()
    return write_figures(
        folder, shown.table, shown.displays, shown.limits, shown.assessment, shown.marks, shown.lead,
        fahrenheit=page.units == "us",
    )  # fmt: skip


def _converted(words: Mapping[str, str]) -> dict[str, str]:
    return {name: units.convert_text(text) for name, text in words.items()}


def _render(page: Mapping[str, Any]) -> str:
    folder = resources.files("frametally") / "data" / "report"
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["hold"] = wording.hold_units
    template = environment.from_string((folder / "report.html.j2").read_text(encoding="utf-8"))
    style = Markup((folder / "report.css").read_text(encoding="utf-8"))
    script = (folder / "chart.js").read_text(encoding="utf-8").replace("\r\n", "\n")
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    return template.render(page, style=style, script=Markup(script), script_hash=f"sha256-{digest}")


# --- the parts of the page -------------------------------------------------------------------------------------------


def _parts(page: NightPage, files: Mapping[str, str]) -> dict[str, Any]:
    findings, notes = page.assessment.findings, page.limit_notes
    shown = [finding for finding in findings if not finding.slug.startswith(CAUTION)]
    proofs = Proofs(page.table, page.displays, page.crops, page.strips, notes)
    resolutions = {display.key: display.resolution for display in page.displays}
    first = choose_first(shown, notes)
    cards = {id(one): describe_finding(one, number, notes, resolutions) for number, one in enumerate(shown, start=1)}
    for one in first:
        cards[id(one)]["gist"], cards[id(one)]["detail"] = wording.gist_of(one.text, wording.brief(one.text))
    for one in shown:
        related = related_limit(one, shown) if one in first else None
        cards[id(one)] |= {
            "pictures": proofs.pictures_of(one),
            "tiles": proofs.tiles_of(one),
            "related": cards[id(related)] if related is not None else None,
        }
    groups = limit_groups(page.assessment, page.displays, notes)
    charts, timeline = night_charts(page)
    axis = read_axis(page.table)
    topics = chart_topics(page.assessment.topics, page.displays, axis, fahrenheit=page.units == "us")
    return {
        "title": page.title or "A night of readings",
        "standing": _standing(findings, notes),
        "facts": [*_facts(page.table, page.displays), *page.tested.items()],
        "conditions": dict(page.conditions),
        "first": [cards[id(one)] for one in first],
        "sections": _sections([one for one in shown if not any(one is other for other in first)], cards),
        "limit_groups": groups,
        "limit_count": _tally(groups),
        "implied": implied_rows(page.assessment, notes),
        "sleepers": sleeper_table(page.assessment.topics),
        "contents": _contents(shown, has_charts=bool(charts), has_limits=bool(groups)),
        "charts": charts,
        "timeline": Markup(timeline),
        "topic_charts": _topic_charts(topics, axis),
        "quality_chart": _variants(
            "quality-strip", *(draw_quality(page.table, page.displays, narrow=narrow) for narrow in (False, True))
        ),
        "has_limits": any(page.limits.get(display.key) for display in page.displays),
        "pictures": proofs.pictures,
        "no_pictures": "" if page.crops or (page.strips and page.strips.images) else NO_PICTURES,
        "units": US_UNITS if page.units == "us" else "",
        "quality": count_quality(page.table, page.displays, page.audit),
        "notices": page.notices,
        "formula_names": formula_like(page.table["frame"].tolist())[:FRAMES_NAMED],
        "cautions": _cautions(findings, page.cautions),
        "limits": _limit_rows(findings, notes),
        "method": dict(page.method),
        "flags": [(flag_name(flag), *FLAG_MEANING[flag]) for flag in Flag],
        "files": [(quote(name), name, what) for name, what in files.items()],
    }  # fmt: skip


def _tally(groups: Sequence[Mapping[str, Any]]) -> str:
    """Give how many limits had which verdict as a sentence, "" where there are none."""
    words = count_verdicts(groups)
    return wording.sentence(words[:1].upper() + words[1:])


def _standing(findings: Sequence[Finding], notes: Mapping[str, LimitNote]) -> str:
    """Give the line under the title: what this is not, and whom its limits were not made for."""
    used = [notes[finding.limit] for finding in findings if finding.limit in notes]
    return STANDING if any(note.who == PUBLIC for note in used) else f"{STANDING} {NOT_FOR_SLEEPERS}"


def _sections(findings: Sequence[Finding], cards: Mapping[int, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Give each part of the page its findings, in the order of their weight."""
    held: dict[str, list[dict[str, Any]]] = {section.id: [] for section in SECTIONS}
    for finding in findings:
        held[section_of(finding)].append(cards[id(finding)])
    return {
        section.id: {
            "id": section.id,
            "title": section.title,
            "lead": section.lead,
            "open": held[section.id][: section.open_findings],
            "folded": held[section.id][section.open_findings :],
            "all": held[section.id],
        }
        for section in SECTIONS
    }


def _contents(findings: Sequence[Finding], *, has_charts: bool, has_limits: bool) -> list[tuple[str, str]]:
    """Give id and name of each part of the page that is there, in the page's order."""
    held = {section_of(finding) for finding in findings}
    held |= {"quality"} | ({"limits"} if has_limits else set())
    named = [(section.id, section.title) for section in SECTIONS if section.id in held - {"figures", "unknown"}]
    head = [("charts", "The night, minute by minute")] if has_charts else []
    return [*head, *named, ("cautions", "Before you rely on this"), ("method", "How this was made")]


def _facts(table: pd.DataFrame, displays: Sequence[Display]) -> list[tuple[str, str]]:
    """Give the line of facts under the title."""
    axis = read_axis(table)
    photos = sum(1 for name in table["frame"].tolist() if format_text(name))
    facts = [("When", wording.span_text(axis.clock) or "no times known")]
    if axis.kind != "photo" and photos > 1:
        long = wording.duration_text(axis.span[1] - axis.span[0])
        facts.append(("How long", f"{long}, a photo every {wording.duration_text(axis.step)}"))
    facts.append(("Photos", f"{photos}"))
    instruments = dict.fromkeys(display.instrument or display.key for display in displays)
    facts.append(("Instruments", ", ".join(instruments) or "none"))
    return facts


def _cautions(findings: Sequence[Finding], further: Sequence[str]) -> list[tuple[str, str]]:
    """Give title ("" where there is none) and text of each caution."""
    own = [(finding.title, finding.text) for finding in findings if finding.slug.startswith(CAUTION)]
    common = CAUTIONS if own else CAUTIONS_WITHOUT_ASSESSMENT + CAUTIONS
    return [*own, *(("", text) for text in (*further, *common))]


def night_charts(page: NightPage) -> tuple[list[dict[str, Any]], str]:
    """Give the charts of the readings for the page, and what its script needs to know about them."""
    charts, places = [], []
    for number, one in enumerate(chart_night(page.displays, page.limits, page.marks, page.lead), start=1):
        wide = draw_chart(page.table, one.displays, one.limits, marks=one.marks)
        narrow = draw_chart(page.table, one.displays, one.limits, narrow=True, marks=one.marks)
        name = f"chart-{number}"
        rows = [_extremes(page.table, read_trace(page.table, display)) for display in one.displays]
        charts.append({**_variants(name, wide, narrow), "rows": rows})
        both = {"wide": wide.place, "narrow": narrow.place}
        places.append((name, one.displays, {variant: place for variant, place in both.items() if place is not None}))
    data = timeline_data(page.table, page.displays, places, page.marks, page.strips)
    return charts, to_script_json(data)


def _topic_charts(topics: Sequence[TopicChart], axis: TimeAxis) -> dict[str, list[dict[str, Any]]]:
    """Give the charts of each topic for the page."""
    found: dict[str, list[dict[str, Any]]] = {}
    for number, topic in enumerate(topics, start=1):
        drawn = _variants(f"topic-{number}", topic.draw(axis), topic.draw(axis, narrow=True))
        found.setdefault(topic.topic, []).append({**drawn, "caption": topic.caption})
    return found


def _variants(name: str, wide: Chart, narrow: Chart) -> dict[str, Any]:
    """Give a chart for the page, once for wide and once for narrow windows."""
    return {
        "id": name,
        "title": wide.title,
        "wide": Markup(wide.svg(f"{name}-wide")),
        "narrow": Markup(narrow.svg(f"{name}-narrow")),
        "beyond": wide.beyond,
    }


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


def _limit_rows(findings: Sequence[Finding], notes: Mapping[str, LimitNote]) -> list[dict[str, str]]:
    """Give each limit that a finding speaks of, once, with its source."""
    rows = []
    for slug in dict.fromkeys(finding.limit for finding in findings if finding.limit):
        note = notes.get(slug)
        sources = dict.fromkeys(source for finding in findings if finding.limit == slug for source in finding.sources)
        rows.append(
            {
                "line": note.line if note else slug,
                "source": wording.sentence(note.source if note else "; ".join(sources)),
                "note": wording.sentence(note.note if note else ""),
            }
        )
    return rows
