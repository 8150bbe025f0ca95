"""Takes readings and audit table and gives how well each display was read: counts, second looks, and a strip over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from frametally.model import SETTLED, Display, Flag
from frametally.show import look
from frametally.show.chart import Chart, find_plot
from frametally.show.legend import place_legend
from frametally.show.plots import NARROW_PT, WIDE_PT
from frametally.show.tables import count_flags, flag_name, format_text
from frametally.show.traces import BLANKS, TimeAxis, Trace, read_axis, read_trace, runs
from frametally.show.wording import count_text

RARE_FLAGS = frozenset({Flag.CORRECTED, Flag.UNDER_RANGE, Flag.STATUS})
"""Flags whose column is left out of the table of counts where all its counts are zero."""

TAUGHT = "+night"
"""What the audit table's `reader` ends with where a second look, with what the night taught, counts."""

ROW_PT = 22.0
_SETTLED, _DOUBT, _RANGE = look.SERIES[2], look.SERIES[1], look.SERIES[3]

# word, flags, colour, marker, whether the mark is hollow; in the order in which they are drawn
_SIGNS: tuple[tuple[str, tuple[Flag, ...], str, str, bool], ...] = (
    ("repaired or corrected", (Flag.REPAIRED, Flag.CORRECTED), look.INK, "|", False),
    ("doubtful", (Flag.DOUBTFUL,), _DOUBT, "o", True),
    ("over or under range", (Flag.OVER_RANGE, Flag.UNDER_RANGE), _RANGE, "^", False),
    ("no number: off, hidden, lost, a word, unreadable", BLANKS, look.INK, "x", False),
)


def count_quality(table: pd.DataFrame, displays: Sequence[Display], audit: pd.DataFrame | None) -> dict[str, Any]:
    """Give the table of how the displays were read: headings, and for each display its counts and shares; and second looks."""
    counts = count_flags(table, displays)
    totals = {flag: int(counts[flag.value].sum()) for flag in Flag} if len(counts) else dict.fromkeys(Flag, 0)
    columns = [flag for flag in Flag if flag not in RARE_FLAGS or totals[flag]]
    rows = []
    for display in displays:
        trace = read_trace(table, display)
        number = max(1, len(trace.flags))
        settled, doubtful = int(np.sum(trace.has(*SETTLED))), int(np.sum(trace.has(Flag.DOUBTFUL)))
        rows.append(
            {
                "key": display.key,
                "name": f"{display.quantity}, {display.instrument}".strip(", "),
                "cells": [int(counts[flag.value][display.key]) for flag in columns],
                "settled": settled,
                "of": len(trace.flags),
                "settled_share": f"{100 * settled / number:.4g}",
                "doubtful_share": f"{100 * doubtful / number:.4g}",
            }
        )
    return {"heads": [flag_name(flag) for flag in columns], "rows": rows, "again": _second_looks(audit, displays)}


def _second_looks(audit: pd.DataFrame | None, displays: Sequence[Display]) -> str:
    """Say how many readings only a second look settled, "" where nothing is known of one."""
    if audit is None or "reader" not in audit.columns:
        return ""
    again = audit[[format_text(reader).endswith(TAUGHT) for reader in audit["reader"].tolist()]]
    again = again[again["flag"].isin(SETTLED - {Flag.CORRECTED})]
    if again.empty:
        return ""
    names = {display.key: f"{display.quantity}, {display.instrument}".strip(", ") for display in displays}
    found = [(name, int((again["display"] == key).sum())) for key, name in names.items()]
    parts = "; ".join(f"{name}: {number}" for name, number in found if number)
    return (
        f"{count_text(len(again), 'reading')} that the first look left open became settled by a second look, made with what the "
        f"night's clear readings taught about each display ({parts}). The first readings stand beside them in the audit table."
    )


def draw_quality(table: pd.DataFrame, displays: Sequence[Display], *, narrow: bool = False) -> Chart:
    """Draw one row per display along the night: a bar where readings are settled, marks where they are not, gaps left empty."""
    axis, traces = read_axis(table), [read_trace(table, display) for display in displays]
    with look.our_settings():
        figure = Figure(figsize=((NARROW_PT if narrow else WIDE_PT) / 72, 1))
        plot = _lay_out(figure, traces, narrow=narrow)
        for row, trace in enumerate(traces):
            _draw_row(plot, axis, trace, -row)
        _scale(plot, axis, traces, narrow=narrow)
    return Chart("How each display was read along the night", figure, _describe(traces), (), find_plot(plot))


def _lay_out(figure: Figure, traces: Sequence[Trace], *, narrow: bool) -> Axes:
    width = NARROW_PT if narrow else WIDE_PT
    left, right = (74.0, 10.0) if narrow else (136.0, 14.0)
    entries: list[tuple[Any, str]] = [(Line2D([], [], color=_SETTLED, lw=6, solid_capstyle="butt"), "settled")]
    for word, flags, colour, marker, hollow in _SIGNS:
        if any(trace.has(*flags).any() for trace in traces):
            face = look.PAPER if hollow else colour
            words = "no number" if narrow and flags == BLANKS else word
            entries.append((Line2D([], [], ls="none", marker=marker, color=colour, mfc=face, ms=5.5), words))
    legend_pt = place_legend(figure, FigureCanvasAgg(figure).get_renderer(), entries, width - 12)
    body, below = ROW_PT * max(1, len(traces)), 44.0
    height = legend_pt + 8 + body + below
    figure.set_size_inches(width / 72, height / 72)
    for legend in figure.legends:
        legend.set_bbox_to_anchor((6 / width, 1 - 2 / height), transform=figure.transFigure)
    plot = figure.add_axes((left / width, below / height, (width - left - right) / width, body / height))
    for side in ("top", "right", "left"):
        plot.spines[side].set_visible(False)
    return plot


def _draw_row(plot: Axes, axis: TimeAxis, trace: Trace, y: float) -> None:
    half = axis.step / 2
    for first, last in runs(trace.has(*SETTLED) & np.isfinite(axis.x)):
        plot.plot(
            [axis.x[first] - half, axis.x[last] + half], [y, y], color=_SETTLED, lw=6, solid_capstyle="butt", zorder=2,
            gid=f"settled-{trace.display.key}-{first}",
        )  # fmt: skip
    for _, flags, colour, marker, hollow in _SIGNS:
        x = axis.x[trace.has(*flags) & np.isfinite(axis.x)]
        if len(x):
            face = look.PAPER if hollow else colour
            plot.plot(
                x, np.full(len(x), y), ls="none", marker=marker, color=colour, mfc=face, mew=1.2,
                ms=8 if marker == "|" else 5, zorder=4, gid=f"{flags[0]}-{trace.display.key}",
            )  # fmt: skip


def _scale(plot: Axes, axis: TimeAxis, traces: Sequence[Trace], *, narrow: bool) -> None:
    plot.set_ylim(-max(1, len(traces)) + 0.45, 0.55)
    names = [f"{t.display.quantity}\n{t.display.instrument}".strip() if not narrow else t.display.key for t in traces]
    plot.set_yticks([-row for row in range(len(traces))], [_shortened(name, 24 if not narrow else 13) for name in names])
    plot.tick_params(axis="y", length=0, labelsize=look.SMALL)
    for label in plot.get_yticklabels():
        label.set_linespacing(1.0)
    first, last = axis.span
    pad = max(axis.step * 0.75, (last - first) * 0.012)
    plot.set_xlim(first - pad, last + pad)
    ticks = axis.ticks(5 if narrow else 11)
    plot.set_xticks([tick.at for tick in ticks], [f"{tick.text}\n{tick.day}".rstrip() for tick in ticks])
    plot.tick_params(axis="x", labelsize=look.SIZE, length=3)
    plot.set_xlabel(axis.label, fontsize=look.SMALL, color=look.MUTED, labelpad=3)


def _shortened(name: str, most: int) -> str:
    return "\n".join(line if len(line) <= most else f"{line[: most - 1]}…" for line in name.split("\n"))


def _describe(traces: Sequence[Trace]) -> str:
    parts = []
    for trace in traces:
        settled, of = int(trace.has(*SETTLED).sum()), len(trace.flags)
        doubtful = int(trace.has(Flag.DOUBTFUL).sum())
        name = f"{trace.display.quantity}, {trace.display.instrument}".strip(", ")
        parts.append(f"{name}: {settled} of {of} settled, {doubtful} doubtful.")
    return " ".join(parts)
