"""Takes a night's readings and a place in a film; gives a chart there that is drawn once and grows with every photo.

Axes, limits and words are matplotlib's and stay; lines and signs are added row by row. The scales are those of the whole night.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from frametally.model import Display, Flag
from frametally.show import film_text as ink
from frametally.show import look
from frametally.show.callouts import sort_limits
from frametally.show.film_layout import Box
from frametally.show.labels import spread
from frametally.show.plots import CONCENTRATIONS, Limits, value_range
from frametally.show.tables import format_value
from frametally.show.traces import BLANKS, TimeAxis, Trace, group_displays, joined, read_trace

MOST_CHARTS = 4
"""So many quantities have room for a chart; the others stand among the numbers."""

_MANY_SIGNS = 60
_DPI = 100
_LIMIT_CHARACTERS = 17


@dataclass(frozen=True)
class Plan:
    """One chart before it has a place: traces of one quantity with their numbers in the film, range, and limits to be drawn."""

    numbers: tuple[int, ...]
    traces: tuple[Trace, ...]
    low: float
    high: float
    limits: tuple[tuple[str, float], ...]

    @property
    def weight(self) -> float:
        """How wide the chart should be against others: limits have their words beside the plot."""
        return 1.4 if self.limits else 1.0


@dataclass(frozen=True)
class _Line:
    """One display's line: its number in the film, what is settled and doubtful, the rows that are joined with the next one, also
    over a doubt, and every which settled reading has its sign."""

    number: int
    trace: Trace
    settled: npt.NDArray[np.bool_]
    doubtful: npt.NDArray[np.bool_]
    joined: frozenset[int]
    doubted: frozenset[int]
    every: int

    @classmethod
    def of(cls, number: int, trace: Trace, axis: TimeAxis) -> _Line:
        """Look through a trace once, for all the rows that are to be drawn."""
        settled, doubtful = trace.settled, trace.doubtful
        count = int(settled.sum())
        plain, over_doubts = (frozenset(rows.tolist()) for rows in (joined(axis, settled), joined(axis, trace.valued, doubtful)))
        return cls(number, trace, settled, doubtful, plain, over_doubts, count // 14 if count > _MANY_SIGNS else 1)


def plan_charts(table: pd.DataFrame, displays: Sequence[Display], limits: Mapping[str, Limits]) -> list[Plan]:
    """Give the charts of a night: one per quantity that shows anything, as far as there is room."""
    plans = []
    for group in group_displays(displays):
        traces = tuple(read_trace(table, display) for display in group)
        if not any(trace.shows for trace in traces):
            continue
        low, high = value_range(traces)
        shown, _ = sort_limits(limits.get(group[0].key, ()), low, high, group[0].unit)
        numbers = tuple(list(displays).index(display) for display in group)
        plans.append(Plan(numbers, traces, low, high, tuple(shown)))
    return plans[:MOST_CHARTS]


class GrowingChart:
    """A chart in its place: `card` is its picture up to the last row that `grow` was told."""

    def __init__(self, plan: Plan, axis: TimeAxis, box: Box, unit: float, opaque: float) -> None:
        """Draw what stays. `unit` is 1 for a film 1080 px high; `opaque` how far the ground hides what is under it, 0 to 1."""
        self.box = box
        self._plan, self._axis, self._unit, self._opaque = plan, axis, unit, opaque
        self.card = self._draw_ground()
        self._done = -1
        self._free_from = 0.0
        self._lines = [_Line.of(number, trace, axis) for number, trace in zip(plan.numbers, plan.traces, strict=True)]

    @property
    def plot(self) -> Box:
        """Where the axes lie in the card. [px]"""
        return self._plot

    def grow(self, row: int) -> None:
        """Draw the rows up to this one."""
        for number in range(self._done + 1, row + 1):
            self._add(number)
        self._done = max(self._done, row)

    def x_of(self, row: int) -> float | None:
        """Give where a row stands in the card, None where its time is not known. [px]"""
        left, _, right, _ = self._plot
        first, last = self._span
        at = float(self._axis.x[row])
        return left + (right - left) * (at - first) / (last - first) if np.isfinite(at) else None

    def y_of(self, value: float) -> float:
        """Give where a value stands in the card, at the nearest edge where it lies beyond the scale. [px]"""
        _, top, _, bottom = self._plot
        floor, ceiling = self._scale
        return bottom - (bottom - top) * (min(max(value, floor), ceiling) - floor) / (ceiling - floor)

    def ends(self, row: int) -> list[tuple[int, ink.Point, bool]]:
        """Give the display's number and the place of each value in a row, and whether it is settled. [px]"""
        x = self.x_of(row)
        if x is None:
            return []
        return [
            (line.number, (x, self.y_of(float(line.trace.values[row]))), bool(line.settled[row]))
            for line in self._lines
            if line.settled[row] or line.doubtful[row]
        ]

    # --- what grows --------------------------------------------------------------------------------------------------

    def _add(self, row: int) -> None:
        x = self.x_of(row)
        if x is None:
            return
        if all(trace.flags[row] == Flag.NO_FRAME for trace in self._plan.traces):
            self._hatch(x)
        for place, line in enumerate(self._lines):
            self._add_reading(row, x, place, line)

    def _add_reading(self, row: int, x: float, place: int, line: _Line) -> None:
        number, trace = line.number, line.trace
        colour, thick, radius = ink.series_colour(number), max(1, round(2.4 * self._unit)), 4.2 * self._unit
        _, top, _, bottom = self._plot
        y, before = self.y_of(float(trace.values[row])), self._before(row, trace)
        if before is not None and row - 1 in line.joined:
            ink.draw_line(self.card, [before, (x, y)], colour, thick)
        elif before is not None and row - 1 in line.doubted:
            ink.draw_dashes(self.card, [before, (x, y)], colour, max(1, thick - 1), 4 * self._unit)
        if line.settled[row]:
            alone = row - 1 not in line.joined and row not in line.joined
            if alone or row % line.every == 0:
                ink.draw_sign(self.card, (x, y), number, radius, colour)
        elif line.doubtful[row]:
            self._write_beyond(row, (x, y), trace)
            ink.draw_sign(self.card, (x, y), number, 2 * radius, colour, hollow=ink.colour_of(ink.PAPER))
        elif trace.flags[row] == Flag.OVER_RANGE:
            high, arm = top + 2 * radius, 1.7 * radius
            ink.fill(self.card, [(x, high - 1.8 * radius), (x + arm, high + radius), (x - arm, high + radius)], colour)
        elif trace.flags[row] == Flag.UNDER_RANGE:
            low, arm = bottom - 2 * radius, 1.7 * radius
            ink.fill(self.card, [(x, low + 1.8 * radius), (x - arm, low - radius), (x + arm, low - radius)], colour)
        elif trace.flags[row] in BLANKS:
            low, arm = bottom + (3 + 9 * place + 3.5) * self._unit, 3.5 * self._unit
            for slant in (-1, 1):
                ink.draw_line(self.card, [(x - arm, low - slant * arm), (x + arm, low + slant * arm)], colour, max(1, thick - 1))

    def _write_beyond(self, row: int, at: ink.Point, trace: Trace) -> None:
        """Write a value beside its sign where that had to be put at the edge of the scale, as far as there is room."""
        value, (floor, ceiling) = float(trace.values[row]), self._scale
        size = max(1, round(15 * self._unit))
        if floor <= value <= ceiling or at[0] < self._free_from:
            return
        number = format_value(value, trace.display.resolution)
        left = at[0] + 12 * self._unit
        shade = ink.colour_of(ink.INK)
        ink.draw_text(self.card, (left, min(at[1], self._plot[3] - size) - size / 2), f"{number} ?", size, shade)
        self._free_from = left + ink.text_width(f"{number} ?", size)

    def _before(self, row: int, trace: Trace) -> ink.Point | None:
        x = self.x_of(row - 1) if row else None
        return None if x is None else (x, self.y_of(float(trace.values[row - 1])))

    def _hatch(self, x: float) -> None:
        """Hatch the time of a missing photo, as wide as the usual step."""
        left, top, right, bottom = self._plot
        first, last = self._span
        half = max((right - left) * self._axis.step / (last - first) / 2, 3 * self._unit)
        start, stop = max(left, round(x - half)), min(right, max(round(x + half), round(x - half) + 1))
        self.card[top:bottom, start:stop] = np.where(
            ((np.arange(top, bottom)[:, None] + np.arange(start, stop)) // max(1, round(1.7 * self._unit)) % 3 == 0)[:, :, None],
            np.array(ink.colour_of(ink.MUTED), np.uint8),
            np.array(ink.colour_of(ink.GAP), np.uint8),
        )

    # --- what stays ----------------------------------------------------------------------------------------------------

    def _draw_ground(self) -> ink.Picture:
        left, top, right, bottom = self.box
        width, height = right - left, bottom - top
        with look.our_settings():
            figure = Figure(figsize=(width / _DPI, height / _DPI), dpi=_DPI, facecolor=ink.PAPER)
            canvas = FigureCanvasAgg(figure)
            plot = self._lay_out(figure, width, height)
            self._draw_limits(figure, canvas, plot, width, height)
            canvas.draw()
            picture = np.asarray(canvas.buffer_rgba())[:, :, [2, 1, 0, 3]].copy()
        first, last = (float(v) for v in plot.get_xlim())
        floor, ceiling = (float(v) for v in plot.get_ylim())
        self._span, self._scale = (first, last), (floor, ceiling)
        box = plot.bbox
        self._plot = (round(box.x0), round(height - box.y1), round(box.x1), round(height - box.y0))
        return picture if self._opaque >= 1 else np.round(picture * self._opaque).astype(np.uint8)

    def _pt(self, size: float) -> float:
        """Give a length in px at a height of 1080 in points of the figure."""
        return size * self._unit * 72 / _DPI

    def _lay_out(self, figure: Figure, width: int, height: int) -> Axes:
        unit, plan = self._unit, self._plan
        left, right = 62 * unit, (182 if plan.limits else 22) * unit
        high, low = 48 * unit, (40 + 9 * len(plan.traces)) * unit
        plot = figure.add_axes((left / width, low / height, (width - left - right) / width, (height - high - low) / height))
        display = plan.traces[0].display
        title = f"{display.quantity} [{display.unit or '1'}]"
        figure.text(
            16 * unit / width, 1 - 14 * unit / height, title, va="top", fontsize=self._pt(20), color=ink.INK, weight="bold"
        )
        for side in ("top", "right", "left"):
            plot.spines[side].set_visible(False)
        plot.spines["bottom"].set_color(ink.MUTED)
        first, last = self._axis.span
        pad = max(self._axis.step * 0.75, (last - first) * 0.015)
        plot.set_xlim(first - pad, last + pad)
        bottom, top = min([plan.low, *(v for _, v in plan.limits)]), max([plan.high, *(v for _, v in plan.limits)])
        span = top - bottom
        zero = display.unit in CONCENTRATIONS and bottom >= 0
        plot.set_ylim(-0.04 * top if zero else bottom - 0.1 * span, top + 0.14 * span)
        plot.yaxis.set_major_locator(MaxNLocator(nbins=4, steps=[1, 2, 2.5, 5, 10]))
        plot.grid(axis="y", color=ink.GRID, lw=self._pt(1.2))
        ticks = self._axis.ticks(max(2, int((width - left - right) / (95 * unit))))
        plot.set_xticks([tick.at for tick in ticks], [tick.text for tick in ticks])
        plot.tick_params(axis="y", length=0, labelsize=self._pt(17), labelcolor=ink.INK)
        room = 9 * len(plan.traces) * unit * 72 / _DPI
        plot.tick_params(axis="x", length=0, pad=room + 2, labelsize=self._pt(17), labelcolor=ink.INK)
        return plot

    def _draw_limits(self, figure: Figure, canvas: FigureCanvasAgg, plot: Axes, width: int, height: int) -> None:
        limits, unit = self._plan.limits, self._plan.traces[0].display.unit
        texts = []
        for label, value in limits:
            plot.axhline(value, color=ink.LIMIT, lw=self._pt(1.6), ls=(0, (5, 3)))
            words = _limit_words(label, value, unit)
            texts.append(figure.text(0, 0, words, fontsize=self._pt(15), color=ink.LIMIT, va="center", linespacing=1.05))
        heights = [text.get_window_extent(canvas.get_renderer()).height + 3 for text in texts]
        wanted = [float(plot.transData.transform((0, value))[1]) for _, value in limits]
        places = spread(wanted, heights, 6 * self._unit, height - 6 * self._unit)
        for text, y, at in zip(texts, places, wanted, strict=True):
            end = float(plot.bbox.x1) + 14 * self._unit
            figure.add_artist(
                look.thin_path(figure, (float(plot.bbox.x1) / width, end / width), (at / height, y / height), ink.LIMIT)
            )
            text.set_position(((end + 4 * self._unit) / width, y / height))


def _limit_words(label: str, value: float, unit: str) -> str:
    """Give a limit's words in short lines; whatever has to go, its number stays."""
    number = f"{format_value(value)} {unit}".strip()
    if len(label) + len(number) + 2 <= _LIMIT_CHARACTERS:
        return f"{label}: {number}"
    return f"{textwrap.fill(label, _LIMIT_CHARACTERS, max_lines=2, placeholder='…')}\n{number}"
