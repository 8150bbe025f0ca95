"""Takes one quantity of several nights and gives a chart of them one over another, against the time since switch-on.

As in a night's own chart, a line joins settled readings only and stops at every gap; a hollow mark is doubtful; a triangle
stands where a display ran out of its range. Nights are told apart by colour, dash and mark.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator, MultipleLocator

from frametally.compared import Course, Line
from frametally.show import callouts, look
from frametally.show.plots import CONCENTRATIONS, LEFT_PT, NARROW_PT, PLOT_PT, WIDE_PT, Chart
from frametally.show.tables import format_value
from frametally.show.traces import LONGEST_JOINED_STEP
from frametally.show.wording import count_text

MARKS_PER_LINE = 14
HOUR_STEPS = (0.25, 0.5, 1, 2, 3, 6, 12, 24)


def draw_overlay(course: Course, names: Sequence[str], places: int, *, narrow: bool = False) -> Chart:
    """Draw a course; `names` are the nights', `places` the decimals its numbers are told with."""
    with look.our_settings():
        figure = Figure(figsize=((NARROW_PT if narrow else WIDE_PT) / 72, 1))
        low, high = _value_range(course)
        limits, beyond = callouts.sort_limits(course.limits, low, high, course.unit)
        plot = _lay_out(figure, course, names, len(limits), narrow)
        for line in course.lines:
            _draw_line(plot, line)
        _scale(plot, course, min([low, *(v for _, v in limits)]), max([high, *(v for _, v in limits)]), narrow)
        callouts.draw_limits(plot, figure, FigureCanvasAgg(figure).get_renderer(), limits, course.unit, narrow)
    return Chart(course.label, figure, _describe(course, names, places), tuple(beyond))


def style_of(night: int) -> dict[str, Any]:
    """Give a night's colour, dash and mark: sixteen nights look different."""
    return {
        "color": look.SERIES[night % 4],
        "ls": look.DASHES[(night + night // 4) % 4],
        "marker": look.MARKERS[(night + night // 4) % 4],
    }


def _value_range(course: Course) -> tuple[float, float]:
    """The span of settled values and range ends; doubtful ones count where there is nothing else."""
    settled = [v for line in course.lines for v, state in zip(line.values, line.states, strict=True) if state != "d"]
    known = [v for v in settled or [v for line in course.lines for v in line.values] if np.isfinite(v)]
    if not known:
        return 0.0, 1.0
    low, high = min(known), max(known)
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def _lay_out(figure: Figure, course: Course, names: Sequence[str], limits: int, narrow: bool) -> Axes:
    width = NARROW_PT if narrow else WIDE_PT
    left, right = (34.0 if narrow else LEFT_PT), (26.0 if narrow and limits else 14.0 if narrow else 116.0)
    legend_pt = _draw_legend(figure, course, names, width - left)
    below = 44.0 + (11.0 * limits + 6 if narrow and limits else 0.0)
    height = legend_pt + 22 + PLOT_PT + below
    figure.set_size_inches(width / 72, height / 72)
    for legend in figure.legends:
        legend.set_bbox_to_anchor(((left - 4) / width, 1 - 2 / height), transform=figure.transFigure)
    plot = figure.add_axes((left / width, below / height, (width - left - right) / width, PLOT_PT / height))
    plot.set_gid("plot")
    title = f"{course.label[:1].lower()}{course.label[1:]}"
    figure.text(6 / width, (below + PLOT_PT + 9) / height, f"{title} [{course.unit or '1'}]", color=look.INK)
    plot.set_xlabel("time since switch-on [h]", fontsize=look.SMALL, color=look.MUTED, labelpad=3)
    for side in ("top", "right", "left"):
        plot.spines[side].set_visible(False)
    return plot


def _draw_legend(figure: Figure, course: Course, names: Sequence[str], room: float) -> float:
    """Draw the legend in as many columns as fit; give its height in points."""
    entries = [(Line2D([], [], ms=3.6, lw=1.5, **style_of(line.night)), names[line.night]) for line in course.lines]
    for letter, mark, words in (("d", "o", "doubtful"), ("o", "^", "over range"), ("u", "v", "under range")):
        if any(letter in line.states for line in course.lines):
            face = look.PAPER if letter == "d" else look.INK
            entries.append((Line2D([], [], ls="none", marker=mark, ms=5.5, mfc=face, mec=look.INK), words))
    renderer = FigureCanvasAgg(figure).get_renderer()
    for columns in range(len(entries), 0, -1):
        for old in list(figure.legends):
            old.remove()
        legend = figure.legend(
            [handle for handle, _ in entries], [str(number) for number in range(len(entries))], loc="upper left",
            ncols=columns, frameon=False, fontsize=look.SIZE, borderpad=0, borderaxespad=0, handlelength=3.0,
            columnspacing=1.4, labelspacing=0.35,
        )  # fmt: skip
        for written, (_, text) in zip(legend.get_texts(), entries, strict=True):
            written.set_text(text)
        box = legend.get_window_extent(renderer)
        if box.width * 72 / figure.dpi <= room:
            break
    return float(box.height) * 72 / figure.dpi + 4


def _draw_line(plot: Axes, line: Line) -> None:
    hours, values = np.array(line.minutes) / 60, np.array(line.values)
    states = np.array(list(line.states))
    style = style_of(line.night)
    top = 3 - 0.1 * line.night
    settled = np.flatnonzero((states == "s") & np.isfinite(values))
    broken = np.flatnonzero(np.diff(np.array(line.minutes)[settled]) > LONGEST_JOINED_STEP * max(line.step_min, 1e-9)) + 1
    skipped = np.flatnonzero(np.diff(settled) > 1) + 1  # a doubt or an end of the range stands between
    cuts = np.union1d(broken, skipped)
    plot.plot(
        np.insert(hours[settled], cuts, np.nan), np.insert(values[settled], cuts, np.nan), lw=1.5, color=style["color"],
        ls=style["ls"], zorder=top, gid=f"night-{line.night}",
    )  # fmt: skip
    some = settled[:: max(1, len(settled) // MARKS_PER_LINE)]
    plot.plot(hours[some], values[some], ls="none", marker=style["marker"], ms=3.4, color=style["color"], zorder=top + 0.1)
    for letter, mark, face in (("d", "o", look.PAPER), ("o", "^", style["color"]), ("u", "v", style["color"])):
        rows = np.flatnonzero((states == letter) & np.isfinite(values))
        plot.plot(
            hours[rows], values[rows], ls="none", marker=mark, ms=5.5, mfc=face, mec=style["color"], mew=1.2, zorder=4,
            gid=f"{letter}-{line.night}",
        )  # fmt: skip


def _scale(plot: Axes, course: Course, low: float, high: float, narrow: bool) -> None:
    span = high - low
    floor = -0.05 * high if course.unit in CONCENTRATIONS and low >= 0 else low - 0.1 * span
    plot.set_ylim(floor, high + 0.12 * span)
    plot.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]))
    plot.grid(axis="y", color=look.GRID, lw=0.7, zorder=0)
    plot.tick_params(axis="y", length=0, labelsize=look.SIZE)
    plot.set_axisbelow(True)
    minutes = [moment for line in course.lines for moment in line.minutes] or [0.0, 60.0]
    first, last = min(minutes) / 60, max(minutes) / 60
    pad = max(0.02 * (last - first), 0.02)
    plot.set_xlim(first - pad, last + pad)
    most = 5 if narrow else 12
    step = next((one for one in HOUR_STEPS if (last - first) / one <= most), max((last - first) / most, 24))
    plot.xaxis.set_major_locator(MultipleLocator(step))
    plot.tick_params(axis="x", labelsize=look.SIZE, length=3)
    if first <= 0 <= last:
        plot.axvline(0, color=look.MUTED, lw=1.0, ls=(0, (1, 2)), zorder=1, gid="switch-on")


def _describe(course: Course, names: Sequence[str], places: int) -> str:
    """Say in words what the chart shows: the alternative text."""
    parts = []
    for line in course.lines:
        settled = [(v, m) for v, m, s in zip(line.values, line.minutes, line.states, strict=True) if s == "s" and np.isfinite(v)]
        text = f"{names[line.night]}: {count_text(len(settled), 'settled reading')}"
        if settled:
            (low, low_at), (high, high_at) = min(settled), max(settled)
            text += (
                f"; highest {format_value(round(high, places))} {course.unit} {high_at / 60:.1f} h after switch-on"
                f", lowest {format_value(round(low, places))} {course.unit} {low_at / 60:.1f} h after it"
            )
        parts.append(text + ".")
    return " ".join(parts)
