"""Takes a chart with its lines drawn and adds what is written on it: limits, highest, lowest, and words at the edge."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from frametally.model import Flag
from frametally.show import look
from frametally.show.labels import Box, Points, along, find_place, spread
from frametally.show.tables import format_value
from frametally.show.traces import EXTREMES, Extreme, TimeAxis, Trace, joined

EDGE = "edge"
"""Name of the marks that stand for values beyond the scale."""

Limits = list[tuple[str, float]]
Words = tuple[float, float, str, str]


def limit_text(label: str, value: float, unit: str) -> str:
    """Give a limit's label with its number and unit, once."""
    number = format_value(value)
    return label if number in label.replace(",", " ").split() else f"{label}: {number} {unit}".strip()


def sort_limits(limits: Sequence[tuple[str, float]], low: float, high: float, unit: str) -> tuple[Limits, list[str]]:
    """Give the limits to be drawn, lowest first, and the texts of those left out.

    Drawn are those inside the readings' range and the next one on either side if it is no farther off than that range is
    wide. Limits of the same value share a line.
    """
    merged: dict[float, list[str]] = {}
    for label, value in limits:
        names = merged.setdefault(float(value), [])
        names += [label] if label not in names else []
    ranked = [("; ".join(merged[value]), value) for value in sorted(merged)]
    span = max(high - low, 1e-9)
    inside = [pair for pair in ranked if low <= pair[1] <= high]
    above = [pair for pair in ranked if high < pair[1] <= high + span][:1]
    below = [pair for pair in ranked if low - span <= pair[1] < low][-1:]
    shown = below + inside + above
    return shown, [limit_text(label, value, unit) for label, value in ranked if (label, value) not in shown]


def draw_limits(plot: Axes, figure: Figure, renderer: Any, limits: Limits, unit: str, narrow: bool) -> None:
    """Draw each limit as a broken line; its words stand right of the plot, on a narrow chart in a key below it."""
    if not limits:
        return
    texts = []
    for number, (label, value) in enumerate(limits):
        plot.axhline(value, color=look.LIMIT, lw=1.0, ls=(0, (5, 3)), zorder=1.5, gid="limit")
        words = chr(ord("a") + number % 26) if narrow else _wrapped(limit_text(label, value, unit))
        texts.append(figure.text(0, 0, words, fontsize=look.SMALL, color=look.LIMIT, va="center", linespacing=1.25))
        if narrow:
            row = 11.0 * (len(limits) - 1 - number) + 5
            line = textwrap.shorten(f"{words}  {limit_text(label, value, unit)}", 54, placeholder="…")
            figure.text(8 / _points(figure)[0], row / _points(figure)[1], line, fontsize=look.SMALL, color=look.LIMIT)
    heights = [text.get_window_extent(renderer).height + 2 for text in texts]
    wanted = [float(plot.transData.transform((0, value))[1]) for _, value in limits]
    top = float(plot.bbox.y1) + 8
    for text, y, at in zip(texts, spread(wanted, heights, float(plot.bbox.y0) - 4, top), wanted, strict=True):
        start = figure.transFigure.inverted().transform((plot.bbox.x1, at))
        end = figure.transFigure.inverted().transform((plot.bbox.x1 + 9 * figure.dpi / 72, y))
        figure.add_artist(look.thin_path(figure, (start[0], end[0]), (start[1], end[1]), look.LIMIT))
        text.set_position((end[0] + 3 / _points(figure)[0], end[1]))


def _wrapped(text: str) -> str:
    """Break a limit's words into short lines; a number stays with its unit."""
    held = re.sub(r"(\d) (\S+)$", "\\1\N{NO-BREAK SPACE}\\2", text)
    return textwrap.fill(held, 23, max_lines=3).replace("\N{NO-BREAK SPACE}", " ")


def draw_extremes(
    plot: Axes, figure: Figure, renderer: Any, axis: TimeAxis, traces: Sequence[Trace], edge: Sequence[Sequence[Words]]
) -> None:
    """Write highest and lowest of each display with value and time, and the words for what lies beyond the scale."""
    marks, faint = _marks(plot, axis, traces), _limit_points(plot)
    taken: list[Box] = []
    wanted: list[Words] = []
    for number, trace in enumerate(traces):
        wanted += _extremes(plot, axis, trace, look.SERIES[number % 4])
    wanted += [words for some in edge for words in some]
    inside = (plot.bbox.x0 + 2, plot.bbox.y0 + 2, plot.bbox.x1 - 2, plot.bbox.y1 - 1)
    for x, y, words, colour in wanted:
        text = figure.text(0, 0, words, fontsize=look.SMALL, color=colour, va="bottom", ha="left", zorder=6)
        size = text.get_window_extent(renderer)
        point = tuple(float(v) for v in plot.transData.transform((x, y)))
        place = find_place((point[0], point[1]), (size.width, size.height), inside, taken, marks, faint)
        taken.append(place.box)
        corner = figure.transFigure.inverted().transform(place.box[:2])
        text.set_position((float(corner[0]), float(corner[1])))
        text.set_bbox({"facecolor": look.PAPER, "edgecolor": "none", "alpha": 0.75, "pad": 0.6})
        if place.led:
            target = (min(max(point[0], place.box[0]), place.box[2]), min(max(point[1], place.box[1]), place.box[3]))
            ends = figure.transFigure.inverted().transform([point, target])
            figure.add_artist(look.thin_path(figure, ends[:, 0].tolist(), ends[:, 1].tolist(), colour))


def _extremes(plot: Axes, axis: TimeAxis, trace: Trace, colour: str) -> list[Words]:
    """Give what is to be written about one display's highest and lowest value."""
    floor, ceiling = plot.get_ylim()
    unit = trace.display.unit
    names: dict[Extreme, str] = {
        "peak": "highest read" if trace.has(Flag.OVER_RANGE).any() else "highest",
        "lowest": "lowest read" if trace.has(Flag.UNDER_RANGE).any() else "lowest",
    }
    found: list[Words] = []
    same = trace.extremes("peak") == trace.extremes("lowest")
    for which in EXTREMES[:1] if same else EXTREMES:
        for row in trace.extremes(which):
            value = float(trace.values[row])
            if not (np.isfinite(axis.x[row]) and floor <= value <= ceiling):
                continue
            name = names[which] if row == trace.extremes(which)[0] else f"{'highest' if which == 'peak' else 'lowest'} settled"
            name = "" if same else name
            unsure = "" if trace.settled[row] else ", unverified"
            number = f"{format_value(value, trace.display.resolution)} {unit}"
            when = "in every reading" if same and trace.valued.sum() > 1 else f"at {axis.text_at(row)}"
            words = f"{name} {number} {when}{unsure}".strip()
            found.append((float(axis.x[row]), value, words, colour))
    return found


def _marks(plot: Axes, axis: TimeAxis, traces: Sequence[Trace]) -> Points:
    """Give points along everything drawn, where no text should stand. [px]"""
    found = []
    for trace in traces:
        y = np.where(trace.valued, trace.values, np.nan)
        pixels = plot.transData.transform(np.column_stack([axis.x, y]))
        starts = joined(axis, trace.valued)
        breaks = np.setdiff1d(np.arange(1, len(y)), starts + 1)
        found.append(along(np.insert(pixels, breaks, np.nan, axis=0)))
    found += [_around(line, plot) for line in plot.lines if line.get_gid() == EDGE]
    points = np.concatenate(found)
    return points[np.isfinite(points).all(axis=1)]


def _limit_points(plot: Axes) -> Points:
    """Give points along the limits' lines. [px]"""
    values = [float(np.asarray(line.get_ydata())[0]) for line in plot.lines if line.get_gid() == "limit"]
    heights = [float(plot.transData.transform((0.0, value))[1]) for value in values]
    x = np.arange(plot.bbox.x0, plot.bbox.x1, 8.0)
    return np.array([(place, height) for height in heights for place in x], dtype=float).reshape(-1, 2)


def _around(line: Line2D, plot: Axes) -> Points:
    """Give points on the rims of the marks at the chart's edge. [px]"""
    centres = plot.transData.transform(np.column_stack([line.get_xdata(), line.get_ydata()]))
    rim = np.array([(dx, dy) for dx in (-5, 0, 5) for dy in (-5, 0, 5)], dtype=float)
    return np.concatenate([centre + rim for centre in centres])


def _points(figure: Figure) -> tuple[float, float]:
    width, height = figure.get_size_inches()
    return float(width) * 72, float(height) * 72
