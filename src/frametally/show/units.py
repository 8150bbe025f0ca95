"""Takes what a report shows in °C and m and gives it in °F and ft; the tables in the results folder stay as they are.

A temperature is told from a difference of temperatures by the words around it: a temperature of 20 °C is 68 °F,
a difference of 20 °C is one of 36 °F. Only temperatures and lengths in metres change: ppm, percent, litres and the rest stay.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from frametally.model import Accuracy, Assessment, Display, Finding
from frametally.show.tables import as_number, decimal_places
from frametally.show.wording import change_numbers

FT_PER_M = 1 / 0.3048
"""International foot of 0.3048 m, exactly (international yard and pound agreement, 1959; from memory)."""

DIFFERENCE_SLUGS = frozenset({"instruments-agree", "instruments-differ", "slow-response"})
"""Findings whose number is a difference, not a temperature."""

_NUMBER = r"[-−]?\d(?:[\d,]|[ \u00a0](?=\d{3}\b))*(?:\.\d+)?"
_TEMPERATURES = re.compile(
    r"(?P<before>\b(?:by|difference of|errors? of|steps? of) (?:about )?)?"
    rf"(?<![\d:.])(?:(?P<first>{_NUMBER})(?P<join> to )|(?<=between )(?P<low>{_NUMBER})(?P<and> and ))?"
    rf"(?<![\d:.])(?P<second>{_NUMBER})"
    r"(?P<unit>[ \u00a0]°C)(?P<both> \(-?\d+ °F\))?(?P<after> an hour| more\b| less\b| below the air| above the air)?"
)
_MOSTLY = re.compile(rf"(lay mostly between )({_NUMBER})( and )({_NUMBER})")
_METRES = re.compile(rf"({_NUMBER})([ \u00a0])m\b(?![³²/·])")


def to_fahrenheit(celsius: float) -> float:
    """Give a temperature in °F."""
    return 1.8 * celsius + 32


def _scaled(celsius: float) -> float:
    return 1.8 * celsius


def _feet(metres: float) -> float:
    return FT_PER_M * metres


def convert_display(display: Display) -> Display:
    """Give a display that shows °C as one that shows °F; any other as it is."""
    if display.unit != "°C":
        return display
    accuracy = display.accuracy
    span = display.range
    return display.model_copy(
        update={
            "unit": "°F",
            "range": None if span is None else (to_fahrenheit(span[0]), to_fahrenheit(span[1])),
            "accuracy": None if accuracy is None else Accuracy(absolute=1.8 * accuracy.absolute, relative=0.0),
        }
    )


def convert_table(table: pd.DataFrame, displays: Sequence[Display]) -> pd.DataFrame:
    """Give a readings table with the values of displays that show °C in °F, with as many places; the table itself stays."""
    changed = table.copy()
    for display in displays:
        if display.unit == "°C":
            places = decimal_places(display.resolution or 0.1)
            values = [as_number(value) for value in table[display.key].tolist()]
            changed[display.key] = [None if v is None else round(to_fahrenheit(v), places) for v in values]
            changed[display.key] = changed[display.key].astype(float)
    return changed


def convert_assessment(assessment: Assessment, displays: Sequence[Display]) -> Assessment:
    """Give the findings in °F and ft; figures behind charts stay, the charts convert them."""
    places = {display.key: decimal_places(display.resolution or 0.1) for display in displays}
    return replace(assessment, findings=tuple(convert_finding(one, places.get(one.key)) for one in assessment.findings))


def convert_finding(finding: Finding, places: int | None = None) -> Finding:
    """Give a finding with its words and numbers in °F and ft; a reading keeps as many `places` as its display shows."""
    is_difference = finding.slug in DIFFERENCE_SLUGS
    title, text = convert_text(finding.title), convert_text(finding.text)
    if is_difference and finding.unit == "°C":
        text = _MOSTLY.sub(_scale_both, text)
    if finding.unit == "°C":
        changed = change_numbers(finding, _scaled if is_difference else to_fahrenheit)
        if finding.slug in ("highest", "lowest") and places is not None:
            changed = change_numbers(changed, lambda number: round(number, places))
        return replace(changed, title=title, text=text, unit="°F")
    if finding.unit == "m":
        return replace(change_numbers(finding, _feet), title=title, text=text, unit="ft")
    return replace(finding, title=title, text=text)


def convert_text(text: str) -> str:
    """Give words with every temperature in °F and every length in ft."""
    return _METRES.sub(_in_feet, _TEMPERATURES.sub(_in_fahrenheit, text))


def _in_fahrenheit(match: re.Match[str]) -> str:
    before, after = match["before"] or "", match["after"] or ""
    if match["both"]:
        return before + match["both"].strip(" ()") + after
    difference = bool(before or after)
    first, join = (match["first"] or match["low"], match["join"] or match["and"])
    text = before + (_number(first, difference=difference) + join if first else "")
    return text + _number(match["second"], difference=difference) + match["unit"].replace("C", "F") + after


def _number(text: str, *, difference: bool) -> str:
    places = len(text.partition(".")[2])
    value = float(re.sub(r"[ \u00a0,]", "", text).replace("−", "-"))
    found = 1.8 * value if difference else to_fahrenheit(value)
    shown = f"{found:.{places}f}"
    return shown.removeprefix("-") if float(shown) == 0 else shown


def _scale_both(match: re.Match[str]) -> str:
    low, high = (_number(match[place], difference=True) for place in (2, 4))
    return f"{match[1]}{low}{match[3]}{high} °F"


def _in_feet(match: re.Match[str]) -> str:
    value = float(re.sub(r"[ \u00a0,]", "", match[1]).replace("−", "-")) * FT_PER_M
    step = 1 if abs(value) < 100 else 10 if abs(value) < 10_000 else 100
    return f"{step * round(value / step):,}{match[2]}ft"
