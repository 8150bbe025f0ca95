"""Takes a readings table and gives one chart per quantity: values, doubts, gaps, over range, limits, highest and lowest.

A line joins settled readings only and stops at every gap. A doubtful reading is a hollow mark on a dotted line. "Over
range" is a triangle at the upper edge. What left no value is marked in a strip below, one row per reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from frametally.model import Display, Flag
from frametally.show import callouts, look
from frametally.show.chart import Chart, find_plot
from frametally.show.legend import place_legend
from frametally.show.marks import TAGS_PT, Marks, draw_marks
from frametally.show.tables import flag_name, format_value
from frametally.show.traces import BLANKS, EXTREMES, TimeAxis, Trace, joined, read_axis, read_trace, runs
from frametally.show.wording import count_text

WIDE_PT, NARROW_PT = 560.0, 270.0
LEFT_PT, PLOT_PT, LOW_PLOT_PT, ROW_PT = 60.0, 190.0, 145.0, 12.0
MANY_MARKS = 60
"""A line with more readings than this carries a mark on some of them only."""

CONCENTRATIONS = ("ppm", "ppb", "mg/m3", "mg/m³")
"""Units of what cannot be below zero: their scale begins at zero."""

Limits = Sequence[tuple[str, float]]


@dataclass
class Canvas:
    """What the steps of drawing one chart share; sizes in points."""

    axis: TimeAxis
    traces: list[Trace]
    narrow: bool
    figure: Figure = field(default_factory=Figure)
    plot: Axes = field(init=False)
    reasons: list[Flag] = field(default_factory=list)
    marks: Marks = field(default_factory=Marks)

    @property
    def unit(self) -> str:
        """The unit of every trace."""
        return self.traces[0].display.unit

    @property
    def plot_pt(self) -> float:
        """Height of the axes: less for a chart that accompanies the first. [pt]"""
        return PLOT_PT if self.marks.has_key else LOW_PLOT_PT

    @property
    def renderer(self) -> Any:
        """What measures texts."""
        return FigureCanvasAgg(self.figure).get_renderer()


def draw_chart(
    table: pd.DataFrame, displays: Sequence[Display], limits: Limits = (), *, narrow: bool = False, marks: Marks | None = None
) -> Chart:
    """Draw the chart of one quantity, from the columns of one or several displays that share a unit.

    Parameters
    ----------
    limits : (label, value) pairs
        Drawn where they lie within or next to the range of the readings, in the displays' unit.
    narrow : bool
        For a page as wide as a telephone.
    marks : Marks, optional
        Phases and events of the night.
    """
    if not displays:
        raise ValueError("a chart needs at least one display")
    canvas = Canvas(read_axis(table), [read_trace(table, display) for display in displays], narrow, marks=marks or Marks())
    with look.our_settings():
        canvas.figure = Figure(figsize=((NARROW_PT if narrow else WIDE_PT) / 72, 1))
        low, high = value_range(canvas.traces)
        shows = any(trace.shows for trace in canvas.traces)
        shown, beyond = callouts.sort_limits(limits if shows else (), low, high, canvas.unit)
        _lay_out(canvas, len(shown))
        _draw_gaps(canvas)
        for number, trace in enumerate(canvas.traces):
            _draw_trace(canvas, number, trace)
        _scale(canvas, low, high, [value for _, value in shown])
        edge = [_draw_edge(canvas, number, trace) for number, trace in enumerate(canvas.traces)]
        _draw_times(canvas)
        callouts.draw_limits(canvas.plot, canvas.figure, canvas.renderer, shown, canvas.unit, narrow)
        draw_marks(canvas.plot, canvas.figure, canvas.renderer, canvas.marks, _key_pt(canvas, len(shown)) + 5, narrow=narrow)
        if not shows:
            canvas.plot.text(0.5, 0.5, "no number could be read", transform=canvas.plot.transAxes, ha="center", color=look.MUTED)
        callouts.draw_extremes(canvas.plot, canvas.figure, canvas.renderer, canvas.axis, canvas.traces, edge)
    quantity = displays[0].quantity
    title = quantity[:1].upper() + quantity[1:]
    return Chart(title, canvas.figure, describe(canvas.axis, canvas.traces), tuple(beyond), find_plot(canvas.plot))


def value_range(traces: Sequence[Trace]) -> tuple[float, float]:
    """Give the lowest and highest value that the scale should hold.

    Settled values decide. A doubtful one widens the scale by at most their own span on either side; beyond, it is drawn at
    the edge with its value beside it, so that one misread number does not flatten the night.
    """
    settled = np.concatenate([trace.values[trace.settled] for trace in traces])
    doubtful = np.concatenate([trace.values[trace.doubtful] for trace in traces])
    if settled.size == 0:
        settled = doubtful
    if settled.size == 0:
        spans = [trace.display.range for trace in traces if trace.display.range]
        return (min(s[0] for s in spans), max(s[1] for s in spans)) if spans else (0.0, 1.0)
    low, high = float(settled.min()), float(settled.max())
    finest = max((trace.display.resolution or 0.0) for trace in traces)
    span = max(high - low, 10 * finest, 0.02 * abs(high), 1e-6)
    near = doubtful[(doubtful >= low - span) & (doubtful <= high + span)]
    if near.size:
        low, high = min(low, float(near.min())), max(high, float(near.max()))
    short = max(0.0, span - (high - low))
    if traces[0].display.unit in CONCENTRATIONS and low >= 0:
        down = min(short / 2, low)
        return low - down, high + short - down
    return low - short / 2, high + short / 2


def describe(axis: TimeAxis, traces: Sequence[Trace]) -> str:
    """Say in words what a chart shows: the alternative text."""
    parts = []
    for trace in traces:
        display = trace.display
        name = f"{display.quantity}, {display.instrument}".strip(", ")
        text = f"{name}: {count_text(int(trace.settled.sum()), 'settled reading')}, {int(trace.doubtful.sum())} doubtful"
        for which in EXTREMES:
            row = trace.extreme(which, trace.valued)
            if row is not None:
                value = format_value(float(trace.values[row]), display.resolution)
                unsure = "" if trace.settled[row] else ", unverified"
                kind = "highest number" if which == "peak" else "lowest number"
                text += f"; {kind} {value} {display.unit} at {axis.text_at(row)}{unsure}"
        over = int(trace.has(Flag.OVER_RANGE).sum())
        parts.append(text + (f"; over range in {count_text(over, 'photo')}" if over else "") + ".")
    return " ".join(parts)


# --- the parts of a chart, in the order in which they are drawn -------------------------------------------------------


def _lay_out(canvas: Canvas, limits: int) -> None:
    """Put the legend on top, the strip below, and between them the axes; the figure grows to what they need."""
    figure, narrow = canvas.figure, canvas.narrow
    canvas.reasons = [flag for flag in BLANKS if any(trace.has(flag).any() for trace in canvas.traces)]
    width = NARROW_PT if narrow else WIDE_PT
    right = 26.0 if narrow and limits else 14.0 if narrow else 116.0
    left = LEFT_PT if canvas.reasons or not narrow else 34.0
    legend_pt = _draw_legend(canvas, left, width)
    strip_pt = ROW_PT * len(canvas.reasons) + (6 if canvas.reasons else 0)
    below = 44.0 + strip_pt + _key_pt(canvas, limits) + canvas.marks.key_pt
    height = legend_pt + 22 + canvas.marks.head_pt + canvas.plot_pt + below
    figure.set_size_inches(width / 72, height / 72)
    for legend in figure.legends:
        legend.set_bbox_to_anchor(((left - 4) / width, 1 - 2 / height), transform=figure.transFigure)
    wide = (width - left - right) / width
    canvas.plot = figure.add_axes((left / width, below / height, wide, canvas.plot_pt / height))
    canvas.plot.set_gid("plot")
    name = canvas.traces[0].display.quantity
    tags = TAGS_PT if canvas.marks.events else 0.0
    figure.text(6 / width, (below + canvas.plot_pt + tags + 9) / height, f"{name} [{canvas.unit or '1'}]", color=look.INK)
    strip = canvas.plot
    if canvas.reasons:
        strip = figure.add_axes((left / width, (below - strip_pt) / height, wide, (strip_pt - 6) / height), sharex=canvas.plot)
        canvas.plot.tick_params(labelbottom=False, bottom=False)
        _draw_strip(canvas, strip)
    for axes in {canvas.plot, strip}:
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
    strip.set_xlabel(canvas.axis.label, fontsize=look.SMALL, color=look.MUTED, labelpad=3)
    first, last = canvas.axis.span
    pad = max(canvas.axis.step * 0.75, (last - first) * 0.012)
    canvas.plot.set_xlim(first - pad, last + pad)


def _key_pt(canvas: Canvas, limits: int) -> float:
    """Height of the key of limits below a narrow chart."""
    return 11.0 * limits + 6 if canvas.narrow and limits else 0.0


def _draw_legend(canvas: Canvas, left: float, width: float) -> float:
    """Draw the legend in as many columns as fit; give its height in points."""
    entries: list[tuple[Any, str]] = []
    several = len(canvas.traces) > 1
    for number, trace in enumerate(canvas.traces):
        line = Line2D(
            [], [], color=look.SERIES[number % 4], ls=look.DASHES[number % 4], marker=look.MARKERS[number % 4], ms=3.6, lw=1.5
        )
        entries.append((line, trace.display.instrument or trace.display.key))
    first = look.SERIES[0] if not several else look.INK
    if any(trace.doubtful.any() for trace in canvas.traces):
        hollow = Line2D([], [], ls=(0, (1, 2)), lw=1, color=first, marker="o", mfc=look.PAPER, mec=first, ms=5.5)
        entries.append((hollow, flag_name(Flag.DOUBTFUL)))
    if any(trace.has(Flag.OVER_RANGE).any() for trace in canvas.traces):
        entries.append((Line2D([], [], ls="none", color=first, marker="^", ms=6), "over range"))
    if any(trace.has(Flag.UNDER_RANGE).any() for trace in canvas.traces):
        entries.append((Line2D([], [], ls="none", color=first, marker="v", ms=6), "under range"))
    if any(trace.has(Flag.NO_FRAME).any() for trace in canvas.traces):
        entries.append((Patch(facecolor=look.GAP, edgecolor=look.MUTED, hatch="////", lw=0.5), flag_name(Flag.NO_FRAME)))
    return place_legend(canvas.figure, canvas.renderer, entries, width - left)


def _draw_gaps(canvas: Canvas) -> None:
    """Shade the times without a photo."""
    none = np.logical_and.reduce([trace.has(Flag.NO_FRAME) for trace in canvas.traces])
    half = canvas.axis.step / 2
    for first, last in runs(none & np.isfinite(canvas.axis.x)):
        canvas.plot.axvspan(
            canvas.axis.x[first] - half, canvas.axis.x[last] + half, facecolor=look.GAP, edgecolor=look.MUTED,
            hatch="////", lw=0, zorder=0.5, gid="gap",
        )  # fmt: skip


def _draw_trace(canvas: Canvas, number: int, trace: Trace) -> None:
    """Draw the line of one display: settled readings solid, doubtful ones hollow on a dotted line."""
    colour, marker = look.SERIES[number % 4], look.MARKERS[number % 4]
    x, plot = canvas.axis.x, canvas.plot
    solid = np.where(trace.settled, trace.values, np.nan)
    line = _broken(x, trace.values, joined(canvas.axis, trace.settled))
    plot.plot(*line, color=colour, ls=look.DASHES[number % 4], lw=1.5, zorder=3 - 0.1 * number, gid=f"line-{trace.display.key}")
    plot.plot(
        x[_marked(canvas, trace)], solid[_marked(canvas, trace)], ls="none", marker=marker, ms=3.2, color=colour,
        zorder=3.2 - 0.1 * number, gid=f"settled-{trace.display.key}",
    )  # fmt: skip
    if not trace.doubtful.any():
        return
    dotted = _broken(x, trace.values, joined(canvas.axis, trace.valued, trace.doubtful))
    plot.plot(*dotted, color=colour, ls=(0, (1, 2)), lw=1.1, zorder=2.5)
    plot.plot(
        x[trace.doubtful], trace.values[trace.doubtful], ls="none", marker=marker, ms=6, mfc=look.PAPER, mec=colour, mew=1.3,
        zorder=4, gid=f"doubtful-{trace.display.key}",
    )  # fmt: skip


def _marked(canvas: Canvas, trace: Trace) -> np.ndarray[Any, np.dtype[np.intp]]:
    """Give the rows that carry a mark: all where there are few; else every so often, and those no line reaches."""
    rows = np.flatnonzero(trace.settled)
    if len(rows) <= MANY_MARKS:
        return rows
    starts = joined(canvas.axis, trace.settled)
    lonely = np.setdiff1d(rows, np.union1d(starts, starts + 1))
    return np.union1d(rows[:: max(1, len(rows) // (12 if canvas.narrow else 30))], lonely)


def _broken(x: np.ndarray[Any, Any], y: np.ndarray[Any, Any], starts: np.ndarray[Any, Any]) -> tuple[list[float], list[float]]:
    """Give x and y of a line through the pairs (row, row + 1) of `starts`, with NaN where it stops."""
    line_x: list[float] = []
    line_y: list[float] = []
    for number, row in enumerate(starts.tolist()):
        if number == 0 or starts[number - 1] != row - 1:
            line_x += [np.nan, float(x[row])]
            line_y += [np.nan, float(y[row])]
        line_x.append(float(x[row + 1]))
        line_y.append(float(y[row + 1]))
    return line_x, line_y


def _scale(canvas: Canvas, low: float, high: float, limits: Sequence[float]) -> None:
    """Fit the value axis: room above for the peak's label, and for quantities that cannot be negative a floor at zero."""
    low, high = min([low, *limits]), max([high, *limits])
    span = high - low
    floor = low - 0.16 * span
    if canvas.unit in CONCENTRATIONS and low >= 0:
        floor = -0.05 * high
    edge = any(trace.has(Flag.OVER_RANGE).any() for trace in canvas.traces)
    canvas.plot.set_ylim(floor, high + (0.3 if edge else 0.2) * span)
    canvas.plot.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]))
    canvas.plot.grid(axis="y", color=look.GRID, lw=0.7, zorder=0)
    canvas.plot.tick_params(axis="y", length=0, labelsize=look.SIZE)
    canvas.plot.set_axisbelow(True)


def _draw_edge(canvas: Canvas, number: int, trace: Trace) -> list[tuple[float, float, str, str]]:
    """Draw what lies beyond the scale at its edge; give (x, y, words, colour) of what is to be written beside it."""
    colour, (floor, ceiling) = look.SERIES[number % 4], canvas.plot.get_ylim()
    inset = 0.035 * (ceiling - floor)
    words: list[tuple[float, float, str, str]] = []
    for flag, marker, y, text in (
        (Flag.OVER_RANGE, "^", ceiling - inset, "over range"),
        (Flag.UNDER_RANGE, "v", floor + inset, "under range"),
    ):
        rows = trace.has(flag) & np.isfinite(canvas.axis.x)
        if rows.any():
            canvas.plot.plot(
                canvas.axis.x[rows],
                np.full(rows.sum(), y),
                ls="none",
                marker=marker,
                ms=6.5,
                color=colour,
                zorder=5,
                gid=callouts.EDGE,
            )
        words += [(float(canvas.axis.x[first]), y, text, colour) for first, _ in runs(rows)[:4]]
    for row in np.flatnonzero(trace.doubtful).tolist():
        value = float(trace.values[row])
        if floor <= value <= ceiling or not np.isfinite(canvas.axis.x[row]):
            continue
        y = ceiling - inset if value > ceiling else floor + inset
        canvas.plot.plot(
            [canvas.axis.x[row]],
            [y],
            ls="none",
            marker=look.MARKERS[number % 4],
            ms=6,
            mfc=look.PAPER,
            mec=colour,
            mew=1.3,
            zorder=5,
            gid=callouts.EDGE,
        )
        words.append((float(canvas.axis.x[row]), y, f"{format_value(value, trace.display.resolution)}?", colour))
    return words


def _draw_strip(canvas: Canvas, strip: Axes) -> None:
    """Mark each reading that left no value, one row per reason, one height within the row per display."""
    count = len(canvas.traces)
    for row, flag in enumerate(canvas.reasons):
        strip.axhline(-row, color=look.GRID, lw=0.6, zorder=0)
        for number, trace in enumerate(canvas.traces):
            x = canvas.axis.x[trace.has(flag)]
            y = -row + (0.0 if count == 1 else 0.22 - 0.44 * number / (count - 1))
            strip.plot(
                x,
                np.full(len(x), y),
                ls="none",
                marker=look.MARKERS[number % 4],
                ms=3.4,
                color=look.SERIES[number % 4],
                gid=f"{flag}-{trace.display.key}",
            )
    strip.set_ylim(-len(canvas.reasons) + 0.4, 0.6)
    strip.set_yticks([-row for row in range(len(canvas.reasons))], [flag_name(flag) for flag in canvas.reasons])
    strip.tick_params(axis="y", length=0, labelsize=look.SMALL)


def _draw_times(canvas: Canvas) -> None:
    ticks = canvas.axis.ticks(5 if canvas.narrow else 11)
    canvas.plot.set_xticks([tick.at for tick in ticks], [f"{tick.text}\n{tick.day}".rstrip() for tick in ticks])
    for axes in canvas.figure.axes:
        axes.tick_params(axis="x", labelsize=look.SIZE, length=3)
