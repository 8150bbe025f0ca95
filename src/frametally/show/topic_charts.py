"""Takes the figures of the assessment's topics and gives their charts: blood, implied carbon dioxide, damp, two instruments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from frametally.model import Display
from frametally.show.chart import Chart
from frametally.show.lines import Line, draw_lines
from frametally.show.traces import Numbers, TimeAxis

Topics = Mapping[str, Mapping[str, Any]]

FEWEST_POINTS = 3
"""A line of fewer points is not drawn."""


@dataclass(frozen=True)
class TopicChart:
    """What a chart is drawn from: the topic it belongs to, a name for files, and the words and numbers."""

    topic: str
    name: str
    title: str
    quantity: str
    unit: str
    lines: tuple[Line, ...]
    levels: tuple[tuple[str, float], ...] = ()
    from_zero: bool = False
    caption: str = ""

    def draw(self, axis: TimeAxis, *, narrow: bool = False) -> Chart:
        """Draw it over the time axis of the readings."""
        return draw_lines(
            axis, self.title, self.quantity, self.unit, self.lines, self.levels, narrow=narrow, from_zero=self.from_zero
        )


def chart_topics(topics: Topics, displays: Sequence[Display], axis: TimeAxis, *, fahrenheit: bool = False) -> list[TopicChart]:
    """Give the charts that the topics' figures allow, in the order of the page; none where no times are known."""
    if axis.kind == "photo":
        return []
    found = [
        _blood(topics.get("carboxyhaemoglobin", {})),
        _carbon_dioxide(topics.get("combustion", {})),
        _dew_point(topics.get("moisture", {}), fahrenheit=fahrenheit),
        _water(topics.get("moisture", {})),
        *_agreement(topics.get("instruments", {}), displays, fahrenheit=fahrenheit),
    ]
    return [_with_spacing(chart, axis) for chart in found if chart is not None]


def _with_spacing(chart: TopicChart, axis: TimeAxis) -> TopicChart:
    """Say below a chart of a long night how many readings each of its points stands for."""
    apart = np.diff(chart.lines[0].minutes)
    per_point = round(float(np.median(apart)) / axis.step) if apart.size else 1
    words = f"One point stands for {per_point} readings." if per_point > 1 else ""
    return replace(chart, caption=" ".join(part for part in (chart.caption, words) if part))


def _blood(figures: Mapping[str, Any]) -> TopicChart | None:
    lines = _lines(
        figures.get("series", {}),
        ("resting adult", "resting_cohb_pct", "resting_cohb_pct_lower", "resting_cohb_pct_upper"),
        ("lightly active adult", "lightly_active_cohb_pct", "lightly_active_cohb_pct_lower", "lightly_active_cohb_pct_upper"),
    )
    marks = figures.get("resting", {}).get("minutes_above", [])
    levels = tuple((f"mark of {one['level_pct']:g} %", float(one["level_pct"])) for one in marks)
    caption = (
        "Estimated, not measured. The shaded bands are the spread over published figures for the body, gaps and meters' errors."
    )
    title = "Carbon monoxide in the blood, estimated"
    return (
        None
        if lines is None
        else TopicChart(
            "carboxyhaemoglobin", "blood", title, "carboxyhaemoglobin", "% of haemoglobin", lines, levels, True, caption
        )
    )


def _carbon_dioxide(figures: Mapping[str, Any]) -> TopicChart | None:
    given = figures.get("carbon_dioxide", {})
    lines = _lines(
        given.get("series", {}), ("carbon dioxide implied by the oxygen missing", "middle_ppm", "lower_ppm", "upper_ppm")
    )
    wanted = {float(one["level"]) for one in given.get("against_limits", [])}
    levels = tuple((f"limit of {level:g} ppm", level) for level in sorted(wanted))
    caption = "Reckoned from the oxygen display, not measured: the shaded band is what that display's stated error leaves open."
    return (
        None
        if lines is None
        else TopicChart(
            "combustion",
            "carbon_dioxide",
            "Carbon dioxide that nobody metered",
            "carbon dioxide",
            "ppm",
            lines,
            levels,
            True,
            caption,
        )
    )


def _dew_point(figures: Mapping[str, Any], *, fahrenheit: bool) -> TopicChart | None:
    series = dict(figures.get("series", {}))
    if fahrenheit:
        names = [name for name in series if name.startswith(("temp_c", "dew_point_c"))]
        series |= {name: [None if v is None else 1.8 * v + 32 for v in series[name]] for name in names}
    lines = _lines(
        series, ("air temperature", "temp_c", "", ""), ("dew point", "dew_point_c", "dew_point_c_lower", "dew_point_c_upper")
    )
    caption = "Water settles on every surface that is colder than the dew point. The nearer the two lines, the damper the air."
    unit = "°F" if fahrenheit else "°C"
    return (
        None
        if lines is None
        else TopicChart("moisture", "dew_point", "Air temperature and dew point", "temperature", unit, lines, caption=caption)
    )


def _water(figures: Mapping[str, Any]) -> TopicChart | None:
    series = figures.get("series", {})
    lines = _lines(series, ("water in the air of the space", "water_g", "water_g_lower", "water_g_upper"))
    if lines:
        volume = figures.get("volume_m3")
        caption = f"Water vapour in the {volume:g} m³ of the space." if volume else ""
        return TopicChart("moisture", "water", "Water in the air", "water", "g", lines, caption=caption)
    lines = _lines(series, ("water in a cubic metre of air", "absolute_humidity_g_m3", "", ""))
    return None if lines is None else TopicChart("moisture", "water", "Water in the air", "water", "g/m³", lines)


def _agreement(figures: Mapping[str, Any], displays: Sequence[Display], *, fahrenheit: bool) -> list[TopicChart]:
    known = {display.key: display for display in displays}
    charts = []
    for number, pair in enumerate(figures.get("agreement", []), start=1):
        first, second = (known.get(str(pair.get(name))) for name in ("first", "second"))
        if first is None or second is None:
            continue
        warm = first.key.endswith(("temp_c", "temp_f"))
        by, unit = (1.8, "°F") if warm and fahrenheit else (1.0, "°C" if warm else first.unit)
        series = {name: [None if v is None else v for v in values] for name, values in pair.get("series", {}).items()}
        series["difference"] = [None if v is None else by * v for v in series.get("difference", [])]
        name = f"{first.instrument or first.key} less {second.instrument or second.key}"
        lines = _lines(series, (name, "difference", "", ""))
        if lines is None:
            continue
        words = (("mean difference", "bias"), ("most lie above", "lower"), ("most lie below", "upper"))
        levels = tuple((word, round(by * float(pair[key]), 1)) for word, key in words if pair.get(key) is not None)
        caption = "Zero would be perfect agreement. Times at which one of them showed no settled number are left out."
        title = f"Two instruments on {first.quantity}: the difference between them"
        file_name = f"difference_{number}"
        charts.append(TopicChart("instruments", file_name, title, "difference", unit, lines, levels, caption=caption))
    return charts


def _lines(series: Mapping[str, Any], *wanted: tuple[str, str, str, str]) -> tuple[Line, ...] | None:
    """Give the lines of (name, values, lower, upper) that the series hold; None where they hold none."""
    minutes = _numbers(series.get("elapsed_min", ()))
    lines = []
    for name, *keys in wanted:
        values, lower, upper = (_numbers(series[key]) if key in series else None for key in keys)
        if values is not None and len(values) == len(minutes) >= FEWEST_POINTS:
            lines.append(Line(name, minutes, values, lower, upper))
    return tuple(lines) or None


def _numbers(values: Sequence[float | None]) -> Numbers:
    return np.array([np.nan if value is None else float(value) for value in values], dtype=float)
