"""Takes a comparison of nights and leaves `compare.html`, one self-contained page, and `compare.csv`, its table.

The page has the look of the report and its promises: it asks for nothing outside itself, runs no script, and escapes
whatever comes from folder names, calibrations or trials. What differed between the nights stands before what changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from itertools import groupby
from pathlib import Path

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from frametally.compared import SPACE_AIR, Change, ComparedNight, Comparison, Condition, Figure, Row
from frametally.show.export import harmless
from frametally.show.files import encode_text, write_whole
from frametally.show.overlay import draw_overlay
from frametally.show.tables import format_value
from frametally.show.wording import duration_text, hold_units, moment_text, with_unit

ALIGNED_WORDS = {
    "trial": "by the trial file",
    "rise": "where the rise was found to begin",
    "first reading": "not known: the first reading stands at 0",
}
SENSE_WORDS = {
    "higher": "higher",
    "lower": "lower",
    "not settled": "not settled: the bounds meet",
    "not known": "not settled: no bounds",
}
SENSE_MARKS = {"higher": "▲", "lower": "▼", "not settled": "?", "not known": "?"}

CAUTIONS = (
    "Two nights side by side show that something changed, never why. Only one condition changed, and the nights repeated with"
    " and without it, begin to show a cause.",
    "A night that was better than another is not thereby safe. Keep a working carbon monoxide alarm where people sleep, follow"
    " the rules where you are, and have appliances, flues and vents checked by a licensed engineer.",
    "The numbers are what the instruments showed. An instrument that drifted between the nights looks like a change of the air.",
)


def write_page(comparison: Comparison, path: Path) -> None:
    """Write the comparison as one self-contained HTML file."""
    write_whole(path, encode_text(render_page(comparison)))


def render_page(comparison: Comparison) -> str:
    """Give the page's HTML; same comparison, same text."""
    folder = resources.files("frametally.data").joinpath("report")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["hold"] = hold_units
    template = environment.from_string(folder.joinpath("compare.html.j2").read_text(encoding="utf-8"))
    style = "".join(folder.joinpath(name).read_text(encoding="utf-8") for name in ("report.css", "compare.css"))
    names = [night.name for night in comparison.nights]
    return template.render(
        title=f"{len(names)} nights side by side",
        style=Markup(style),
        nights=[_night(night) for night in comparison.nights],
        names=names,
        verdict=comparison.verdict,
        one_candidate=len(comparison.differing) == 1,
        conditions=[_condition(one) for one in comparison.conditions],
        alike=comparison.alike,
        shared=shared_text(comparison.shared_min),
        groups=[(group, [_row(row) for row in rows]) for group, rows in groupby(comparison.rows, key=lambda row: row.group)],
        charts=_charts(comparison),
        notices=comparison.notices,
        space=SPACE_AIR,
        cautions=CAUTIONS,
    )


def shared_text(shared: tuple[float, float] | None) -> str:
    """Say which hours the nights share: "from switch-on to 9 h 30 min after it"."""
    if shared is None:
        return ""
    start = "switch-on" if shared[0] <= 0 else f"{duration_text(shared[0])} after switch-on"
    return f"from {start} to {duration_text(shared[1])} after {'it' if shared[0] <= 0 else 'switch-on'}"


def _night(night: ComparedNight) -> dict[str, str]:
    when = moment_text(night.switch_on) if night.switch_on is not None and night.aligned_by != "first reading" else ""
    return {
        "name": night.name,
        "title": night.title if night.title != night.name else "",
        "switch_on": ", ".join(part for part in (when, ALIGNED_WORDS[night.aligned_by]) if part),
        "watched": duration_text(night.last_min - night.first_min),
        "trial": "" if night.has_trial else "no trial file",
    }


def _condition(one: Condition) -> dict[str, object]:
    words = {"differs": "differs", "small": "nearly alike", "not stated": "not known", "words": "read the notes"}
    return {
        "name": one.part,
        "label": one.label,
        "values": [v or "not stated" for v in one.values],
        "standing": words[one.standing],
    }


def _row(row: Row) -> dict[str, object]:
    return {
        "label": row.label,
        "note": row.note,
        "figures": [_figure(one, row) for one in row.figures],
        "changes": [_change(one, row) for one in row.changes],
    }


def _figure(figure: Figure, row: Row) -> dict[str, str]:
    if figure.value is None:
        return {"number": "", "bounds": "", "note": figure.note}
    return {"number": _amount(figure.value, row), "bounds": _bounds(figure.lower, figure.upper, row), "note": figure.note}


def _change(change: Change, row: Row) -> dict[str, str]:
    if change.value is None:
        return {"number": "", "bounds": "", "sense": "", "words": "no figure to compare", "mark": ""}
    return {
        "number": _amount(change.value, row, signed=True),
        "bounds": _bounds(change.lower, change.upper, row, signed=True),
        "sense": change.sense.replace(" ", "-"),
        "words": SENSE_WORDS[change.sense],
        "mark": SENSE_MARKS[change.sense],
    }


def _amount(value: float, row: Row, *, signed: bool = False) -> str:
    number = f"{abs(value):.{row.places}f}"
    nothing = float(number) == 0
    sign = "" if nothing else "−" if value < 0 else "+" if signed else ""
    if row.unit == "min":
        return sign + (with_unit("0", "min") if nothing else duration_text(float(round(abs(value)))))
    return with_unit(f"{sign}{number}", "points" if signed and row.unit == "%" else row.unit)


def _bounds(lower: float | None, upper: float | None, row: Row, *, signed: bool = False) -> str:
    low, high = ("" if v is None else _amount(v, row, signed=signed) for v in (lower, upper))
    if low and high:
        return low if low == high else f"{low} to {high}"
    return f"at least {low}" if low else f"at most {high}" if high else ""


def _charts(comparison: Comparison) -> list[dict[str, object]]:
    names = [night.name for night in comparison.nights]
    places = {row.group: row.places for row in reversed(comparison.rows) if row.slug in ("highest", "lowest")}
    charts: list[dict[str, object]] = []
    for number, course in enumerate(comparison.courses, start=1):
        wide, narrow = (draw_overlay(course, names, places.get(course.label, 1), narrow=one) for one in (False, True))
        charts.append(
            {
                "title": course.label,
                "wide": Markup(wide.svg(f"wide-{number}")),
                "narrow": Markup(narrow.svg(f"narrow-{number}")),
                "beyond": wide.beyond,
            }
        )
    return charts


# --- the table -------------------------------------------------------------------------------------------------------

TABLE_COLUMNS = (
    "group",
    "figure",
    "unit",
    "night",
    "value",
    "lower",
    "upper",
    "change",
    "change_lower",
    "change_upper",
    "sense",
    "note",
)
"""Columns of `compare.csv`: one row per figure and night; a change is against the first night, whose own is empty."""


def write_table(comparison: Comparison, path: Path) -> None:
    """Write the table as UTF-8 CSV in the long form; no text in it can be taken for a formula."""
    lines: list[Sequence[str]] = [TABLE_COLUMNS]
    for row in comparison.rows:
        for night, figure, change in zip(comparison.nights, row.figures, (None, *row.changes), strict=True):
            numbers = (figure.value, figure.lower, figure.upper)
            differences = (None, None, None) if change is None else (change.value, change.lower, change.upper)
            cells = [_plain(value, row) for value in (*numbers, *differences)]
            note = "; ".join(part for part in (figure.note, row.note) if part)
            words = [harmless(text) for text in (row.group, row.label, row.unit, night.name)]
            lines.append([*words, *cells, "" if change is None else change.sense, harmless(note)])
    write_whole(path, encode_text("".join(",".join(map(_quoted, line)) + "\n" for line in lines)))


def _plain(value: float | None, row: Row) -> str:
    return "" if value is None else format_value(round(value, row.places + 2))


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(mark in cell for mark in ',";\t\n\r') else cell
