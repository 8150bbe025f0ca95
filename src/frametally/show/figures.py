"""Takes a night's table, limits and assessment and gives every chart of its report, for the page or as files to print."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from frametally.model import Assessment, Display
from frametally.show.chart import Chart
from frametally.show.marks import Marks
from frametally.show.plots import draw_chart
from frametally.show.quality import draw_quality
from frametally.show.topic_charts import TopicChart, chart_topics
from frametally.show.traces import group_displays, read_axis

FORMS = ("png", "svg", "pdf")

LimitPairs = Mapping[str, Sequence[tuple[str, float]]]


@dataclass(frozen=True)
class NightChart:
    """The chart of one quantity: its displays, the limits and marks it shows."""

    name: str
    displays: tuple[Display, ...]
    limits: tuple[tuple[str, float], ...]
    marks: Marks


def chart_night(displays: Sequence[Display], limits: LimitPairs, marks: Marks, lead: str) -> list[NightChart]:
    """Give the charts of the readings, that with the display `lead` first: it alone carries the phases, in words."""
    groups = group_displays(displays)
    groups.sort(key=lambda group: all(display.key != lead for display in group))
    charts = []
    for number, group in enumerate(groups):
        pairs = tuple(dict.fromkeys((label, float(value)) for one in group for label, value in limits.get(one.key, ())))
        own = marks if number == 0 else marks.without_phases()
        charts.append(NightChart(file_name(group[0].quantity, number), group, pairs, own))
    return charts


def file_name(quantity: str, number: int) -> str:
    """Give a plain file name, without its ending, for the chart of a quantity."""
    plain = re.sub(r"[^a-z0-9]+", "_", quantity.lower()).strip("_")
    return f"night_{number + 1}_{plain}" if plain else f"night_{number + 1}"


def write_figures(
    folder: Path,
    table: pd.DataFrame,
    displays: Sequence[Display],
    limits: LimitPairs,
    assessment: Assessment,
    marks: Marks,
    lead: str,
    *,
    fahrenheit: bool = False,
) -> list[Path]:
    """Write every chart as PNG (200 dots per inch), SVG and PDF; give the files. The same night gives the same bytes.

    Raises `BadInput` where the folder cannot be written.
    """
    axis = read_axis(table)
    drawn: dict[str, Callable[[], Chart]] = {}
    for one in chart_night(displays, limits, marks, lead):
        own = Marks(one.marks.phases, one.marks.events)
        drawn[one.name] = lambda one=one, own=own: draw_chart(table, one.displays, one.limits, marks=own)  # type: ignore[misc]
    for topic in chart_topics(assessment.topics, displays, axis, fahrenheit=fahrenheit):
        drawn[topic.name] = _drawer(topic, table)
    drawn["reading_quality"] = lambda: draw_quality(table, displays)
    written = []
    for name, draw in drawn.items():
        chart = draw()
        for form in FORMS:
            path = folder / f"{name}.{form}"
            chart.save(path)
            written.append(path)
    return written


def _drawer(topic: TopicChart, table: pd.DataFrame) -> Callable[[], Chart]:
    return lambda: topic.draw(read_axis(table))
