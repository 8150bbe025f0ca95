"""Takes a chart with its axes laid out and adds what divides the night: phases as words above it, events as numbered lines."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from frametally.show import look

PHASE_WORDS = {"before": "before", "rise": "rising", "fall": "falling", "steady": "steady", "after": "after"}
"""For each name of a phase in the assessment: the word that stands above the chart."""

MOST_EVENTS = 6
"""So many events are drawn; the page lists all of them."""

TAGS_PT, PHASES_PT, KEY_ROW_PT = 13.0, 18.0, 11.0
_KEY_CHARACTERS = {False: 96, True: 52}


@dataclass(frozen=True)
class Marks:
    """What divides the night, in minutes since the first photo: phases (from, to, word) and events (when, clock time and words).

    With `has_key` the chart writes below itself what its events were.
    """

    phases: tuple[tuple[float, float, str], ...] = ()
    events: tuple[tuple[float, str], ...] = ()
    has_key: bool = True

    @property
    def drawn_events(self) -> tuple[tuple[float, str], ...]:
        """The first few events."""
        return self.events[:MOST_EVENTS]

    @property
    def head_pt(self) -> float:
        """Height needed above the axes. [pt]"""
        return (TAGS_PT if self.events else 0.0) + (PHASES_PT if self.phases else 0.0)

    @property
    def key_pt(self) -> float:
        """Height needed below the axes. [pt]"""
        return KEY_ROW_PT * len(self.drawn_events) + 3 if self.events and self.has_key else 0.0

    def without_phases(self) -> Marks:
        """Give the same for a chart of another quantity: the events' lines, without the words."""
        return replace(self, phases=(), has_key=False)


def phases_of(topics: Mapping[str, Mapping[str, Any]]) -> tuple[str, tuple[tuple[float, float, str], ...]]:
    """Give the key of the display whose phases the assessment found, and the phases; "" and none where it found none."""
    found = topics.get("phases", {})
    phases = [
        (float(one["from_min"]), float(one["to_min"]), PHASE_WORDS.get(str(one["name"]), str(one["name"])))
        for one in found.get("phases", [])
    ]
    return str(found.get("key", "")), tuple(phases)


def draw_marks(plot: Axes, figure: Figure, renderer: Any, marks: Marks, key_bottom_pt: float, *, narrow: bool) -> None:
    """Draw phases and events into a chart whose scales are set; the key's lowest row stands `key_bottom_pt` above the foot."""
    _draw_events(plot, figure, marks, key_bottom_pt, narrow=narrow)
    _draw_phases(plot, figure, renderer, marks)


def _draw_events(plot: Axes, figure: Figure, marks: Marks, key_bottom_pt: float, *, narrow: bool) -> None:
    width, height = (72 * side for side in figure.get_size_inches())
    box, (first, last) = plot.get_position(), plot.get_xlim()
    taken = -1e9
    for number, (at, words) in enumerate(marks.drawn_events, start=1):
        if not first <= at <= last:
            continue
        plot.axvline(at, color=look.MUTED, lw=0.9, ls=(0, (1, 1.6)), zorder=1.4, gid=f"event-{number}")
        x = max((box.x0 + box.width * (at - first) / (last - first)) * width, taken + 11)
        taken = x
        figure.text(
            x / width, box.y1 + 6.5 / height, str(number), fontsize=look.SMALL - 0.5, color=look.INK, ha="center", va="center",
            bbox={"boxstyle": "round,pad=0.18", "facecolor": look.PAPER, "edgecolor": look.MUTED, "linewidth": 0.7},
        )  # fmt: skip
        if marks.has_key:
            row = key_bottom_pt + KEY_ROW_PT * (len(marks.drawn_events) - number)
            line = textwrap.shorten(f"{number}  {words}", _KEY_CHARACTERS[narrow], placeholder="…")
            figure.text(8 / width, row / height, line, fontsize=look.SMALL, color=look.MUTED)


def _draw_phases(plot: Axes, figure: Figure, renderer: Any, marks: Marks) -> None:
    if not marks.phases:
        return
    width, height = (72 * side for side in figure.get_size_inches())
    box, (first, last) = plot.get_position(), plot.get_xlim()
    low = box.y1 + ((TAGS_PT if marks.events else 0.0) + 23) / height
    for place, (start, stop, word) in enumerate(marks.phases):
        left, right = (box.x0 + box.width * (min(max(at, first), last) - first) / (last - first) for at in (start, stop))
        if place:
            plot.axvline(start, color=look.MUTED, lw=0.6, ls=(0, (3, 3)), zorder=1.2, gid=f"phase-{place}")
        _draw_bracket(figure, left, right, low, 3 / height)
        text = figure.text(
            (left + right) / 2, low + 4 / height, word, fontsize=look.SMALL - 0.5, color=look.MUTED, ha="center", va="bottom"
        )
        if text.get_window_extent(renderer).width * 72 / figure.dpi > (right - left) * width - 2:
            text.remove()


def _draw_bracket(figure: Figure, left: float, right: float, low: float, depth: float) -> None:
    gap = 0.0025
    xs: Sequence[float] = (left + gap, left + gap, right - gap, right - gap)
    ys: Sequence[float] = (low - depth, low, low, low - depth)
    figure.add_artist(look.thin_path(figure, xs, ys, look.MUTED))
