"""Takes lines with bounds along the night and gives a chart of them: what was reckoned from the readings, not read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from frametally.show import callouts, look
from frametally.show.chart import Chart, find_plot
from frametally.show.legend import place_legend
from frametally.show.plots import LEFT_PT, NARROW_PT, WIDE_PT, Limits
from frametally.show.tables import format_value
from frametally.show.traces import LONGEST_JOINED_STEP, Numbers, TimeAxis

PLOT_PT = 140.0


@dataclass(frozen=True)
class Line:
    """One line: its name, places in minutes since the first photo, values, and the bounds around them where there are any."""

    name: str
    minutes: Numbers
    values: Numbers
    lower: Numbers | None = None
    upper: Numbers | None = None

    @property
    def breaks(self) -> npt.NDArray[np.intp]:
        """The numbers of the points before which the line is interrupted."""
        steps = np.diff(self.minutes)
        usual = float(np.median(steps)) if steps.size else 0.0
        return np.flatnonzero(steps > LONGEST_JOINED_STEP * usual) + 1

    def broken(self, numbers: Numbers) -> Numbers:
        """Give numbers of the line's points with NaN where it is interrupted."""
        return np.insert(numbers.astype(float), self.breaks, np.nan)


def draw_lines(
    axis: TimeAxis,
    title: str,
    quantity: str,
    unit: str,
    lines: Sequence[Line],
    levels: Limits = (),
    *,
    narrow: bool = False,
    from_zero: bool = False,
) -> Chart:
    """Draw lines with their bounds over the time axis of the readings.

    Parameters
    ----------
    quantity, unit : str
        What stands beside the value axis.
    levels : (label, value) pairs
        Drawn as broken lines where they lie within or next to the range of what is drawn, in `unit`.
    from_zero : bool
        Let the value axis begin at zero.
    """
    everything = np.concatenate([part for line in lines for part in (line.values, line.lower, line.upper) if part is not None])
    known = everything[np.isfinite(everything)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
    shown, beyond = callouts.sort_limits(levels, low, high, unit)
    with look.our_settings():
        figure = Figure(figsize=((NARROW_PT if narrow else WIDE_PT) / 72, 1))
        plot = _lay_out(figure, lines, f"{quantity} [{unit}]", len(shown) if narrow else 0, len(shown), narrow=narrow)
        for number, line in enumerate(lines):
            _draw_line(plot, number, line)
        _scale(plot, axis, [low, high, *(value for _, value in shown)], narrow=narrow, from_zero=from_zero)
        callouts.draw_limits(plot, figure, FigureCanvasAgg(figure).get_renderer(), shown, unit, narrow)
    return Chart(title, figure, _describe(lines, unit), tuple(beyond), find_plot(plot))


def _lay_out(figure: Figure, lines: Sequence[Line], label: str, keys: int, levels: int, *, narrow: bool) -> Axes:
    width = NARROW_PT if narrow else WIDE_PT
    left = 40.0 if narrow else LEFT_PT
    right = 26.0 if narrow and levels else 14.0 if narrow else 116.0
    entries = [
        (Line2D([], [], color=look.SERIES[n % 4], ls=look.DASHES[n % 4], lw=1.6), line.name) for n, line in enumerate(lines)
    ]
    legend_pt = place_legend(figure, FigureCanvasAgg(figure).get_renderer(), entries, width - left)
    below = 44.0 + (11.0 * keys + 6 if keys else 0.0)
    height = legend_pt + 22 + PLOT_PT + below
    figure.set_size_inches(width / 72, height / 72)
    for legend in figure.legends:
        legend.set_bbox_to_anchor(((left - 4) / width, 1 - 2 / height), transform=figure.transFigure)
    plot = figure.add_axes((left / width, below / height, (width - left - right) / width, PLOT_PT / height))
    plot.set_gid("plot")
    figure.text(6 / width, (below + PLOT_PT + 9) / height, label, color=look.INK)
    for side in ("top", "right", "left"):
        plot.spines[side].set_visible(False)
    return plot


def _draw_line(plot: Axes, number: int, line: Line) -> None:
    colour = look.SERIES[number % 4]
    minutes = line.broken(line.minutes)
    if line.lower is not None and line.upper is not None:
        plot.fill_between(
            minutes, line.broken(line.lower), line.broken(line.upper), color=colour, alpha=0.16, lw=0, zorder=2 - 0.1 * number,
            gid=f"bounds-{number}",
        )  # fmt: skip
    plot.plot(minutes, line.broken(line.values), color=colour, ls=look.DASHES[number % 4], lw=1.6, zorder=3, gid=f"line-{number}")


def _scale(plot: Axes, axis: TimeAxis, values: Sequence[float], *, narrow: bool, from_zero: bool) -> None:
    low, high = min(values), max(values)
    span = max(high - low, 1e-6, 0.02 * abs(high))
    plot.set_ylim(0.0 if from_zero and low >= 0 else low - 0.1 * span, high + 0.12 * span)
    plot.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]))
    plot.grid(axis="y", color=look.GRID, lw=0.7, zorder=0)
    plot.tick_params(axis="y", length=0, labelsize=look.SIZE)
    plot.set_axisbelow(True)
    first, last = axis.span
    pad = max(axis.step * 0.75, (last - first) * 0.012)
    plot.set_xlim(first - pad, last + pad)
    ticks = axis.ticks(5 if narrow else 11)
    plot.set_xticks([tick.at for tick in ticks], [f"{tick.text}\n{tick.day}".rstrip() for tick in ticks])
    plot.tick_params(axis="x", labelsize=look.SIZE, length=3)
    plot.set_xlabel(axis.label, fontsize=look.SMALL, color=look.MUTED, labelpad=3)


def _describe(lines: Sequence[Line], unit: str) -> str:
    parts = []
    for line in lines:
        known = line.values[np.isfinite(line.values)]
        if known.size:
            low, high = (format_value(float(f"{value:.3g}")) for value in (known.min(), known.max()))
            parts.append(f"{line.name}: from {low} to {high} {unit}.")
    return " ".join(parts)
