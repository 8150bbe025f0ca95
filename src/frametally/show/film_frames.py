"""Takes a night's readings and, row by row, its photos; gives the pictures of a film: photo, labels, numbers, clock and charts.

What a row looks like depends on the night and the row alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pandas as pd

from frametally.model import Corners, Display
from frametally.show import film_text as ink
from frametally.show.film_chart import GrowingChart, plan_charts
from frametally.show.film_layout import Box, Outline, bounds, follow, lay_out
from frametally.show.film_panel import Panel
from frametally.show.film_signs import Sign, sign_of
from frametally.show.plots import Limits
from frametally.show.traces import read_axis, read_trace

LABEL_PX, NOTE_PX = 27, 17
"""Height of a label's number and of the word below it, at a height of 1080. [px]"""

VEIL = 0.88
"""How far panels hide what is under them, in a film that an editor lays over something."""


@dataclass(frozen=True)
class FilmNight:
    """A night to be filmed.

    `table` is as `readings.csv` has it; `limits` those of each display's chart, by its key; `words` what a display with a
    status showed, by row and key; `frame_size` that of the upright photos [px], in which the displays' corners are.
    """

    title: str
    table: pd.DataFrame
    displays: tuple[Display, ...]
    frame_size: tuple[int, int]
    limits: Mapping[str, Limits] = field(default_factory=dict)
    words: Mapping[tuple[int, str], str] = field(default_factory=dict)


class Painter:
    """Paints the rows of a night, in their order."""

    def __init__(self, night: FilmNight, height: int, *, transparent: bool = False) -> None:
        """Lay out a film of an even height [px], and draw what stays the same in it."""
        self._night = night
        self._axis = read_axis(night.table)
        self._opaque = VEIL if transparent else 1.0
        self._transparent = transparent
        self.signs = [self._signs(display) for display in night.displays]
        plans = plan_charts(night.table, night.displays, night.limits)
        corners: Sequence[Corners] = [display.corners for display in night.displays]
        sizes = [_label_size(signs) for signs in self.signs]
        self.layout = lay_out(height, night.frame_size, corners, sizes, [plan.weight for plan in plans])
        unit = self.layout.unit
        self.charts = [
            GrowingChart(plan, self._axis, box, unit, self._opaque) for plan, box in zip(plans, self.layout.charts, strict=True)
        ]
        self._panel = Panel(
            night.title, night.table, night.displays, self._axis, self.layout, self._opaque, any(plan.limits for plan in plans)
        )
        self._sprite = lru_cache(maxsize=512)(self._draw_label)
        self._picture = np.zeros((self.layout.height, self.layout.width, 4), np.uint8)
        if not transparent:
            self._picture[:] = ink.colour_of(ink.PAGE)

    @property
    def rows(self) -> int:
        """How many rows the night has."""
        return len(self._night.table)

    def paint(
        self, row: int, photo: ink.Picture | None, reason: str = "", outlines: Sequence[Outline] | None = None
    ) -> ink.Picture:
        """Give the picture of a row; it is valid until the next row is painted. Rows come in their order.

        `photo` fills the photo's place (height, width, 4), None where there is none, and `reason` says why; `outlines` say where
        the displays are in the film, where not all are where they are marked.
        """
        left, top, right, bottom = self.layout.photo
        if self._transparent:
            self._picture[top:bottom, left:right] = 0
        elif photo is not None:
            self._picture[top:bottom, left:right] = photo
        if photo is None and reason:
            self._no_photo(reason)
        signs = [signs[row] for signs in self.signs]
        labels = self.layout.labels if outlines is None else follow(self.layout, outlines)
        for number, (sign, outline, box) in enumerate(zip(signs, outlines or self.layout.outlines, labels, strict=True)):
            self._label(number, sign, outline, box)
        self._panel.paint(self._picture, row, signs)
        for chart in self.charts:
            chart.grow(row)
            x0, y0, x1, y1 = chart.box
            self._picture[y0:y1, x0:x1] = chart.card
            self._now(chart, row)
        return self._picture

    def _signs(self, display: Display) -> list[Sign]:
        trace, words = read_trace(self._night.table, display), self._night.words
        return [
            sign_of(display, float(value), flag, words.get((row, display.key), ""))
            for row, (value, flag) in enumerate(zip(trace.values, trace.flags, strict=True))
        ]

    # --- over the photo --------------------------------------------------------------------------------------------------

    def _no_photo(self, reason: str) -> None:
        """Hatch the photo's place and say why nothing is in it."""
        left, top, right, bottom = self.layout.photo
        step = self.layout.px(14)
        stripes = (np.arange(top, bottom)[:, None] + np.arange(left, right)) // step % 3 == 0
        ground = ink.colour_of(ink.PAPER, self._opaque), ink.colour_of(ink.GAP, self._opaque)
        colours = np.array(ground, np.uint8)
        self._picture[top:bottom, left:right] = colours[stripes.astype(np.intp)]
        size, room = self.layout.px(30), (right - left) * 0.8
        middle, y = (left + right) / 2, top + self.layout.px(60)
        for line in ink.wrap(reason, size, room, 3, bold=True):
            width = ink.text_width(line, size, True)
            pad = self.layout.px(12)
            box = (round(middle - width / 2) - pad, y, round(middle + width / 2) + pad, y + ink.text_height(size))
            self._picture[box[1] : box[3], box[0] : box[2]] = ink.colour_of(ink.PAGE, self._opaque)
            ink.draw_text(self._picture, (middle, y), line, size, ink.colour_of(ink.INK), bold=True, anchor="middle")
            y += ink.text_height(size)

    def _label(self, number: int, sign: Sign, outline: Outline, box: Box | None) -> None:
        """Draw the outline of a display, its label, and what joins them."""
        layout = self.layout
        colour, dark = ink.series_colour(number), ink.colour_of(ink.PAGE, 0.75)
        thick = layout.px(2)
        ends = None if box is None else _nearest(bounds(outline), box)
        for shade, width in ((dark, thick + layout.px(2)), (colour, thick)):
            if sign.kind == "settled":
                ink.draw_line(self._picture, outline, shade, width, closed=True)
            else:
                ink.draw_dashes(self._picture, outline, shade, width, layout.px(9), closed=True)
            if ends is not None:
                ink.draw_line(self._picture, ends, shade, width)
        if box is not None:
            ink.lay_over(self._picture, self._sprite(number, sign), box[0], box[1])

    def _draw_label(self, number: int, sign: Sign) -> ink.Picture:
        """Draw a label as a small picture: a frame closed, broken or thin, as the reading is settled, doubtful or no number."""
        box = self.layout.labels[number]
        assert box is not None
        width, height = box[2] - box[0], box[3] - box[1]
        scale = self.layout.label_scale * self.layout.unit
        sprite = np.empty((height, width, 4), np.uint8)
        sprite[:] = ink.colour_of(ink.PAGE, 0.86)
        thick = max(1, round(2.4 * scale))
        rim = [(thick / 2, thick / 2), (width - 1 - thick / 2, thick / 2)]
        rim += [(x, height - 1 - thick / 2) for x, _ in reversed(rim)]
        colour = ink.series_colour(number)
        if sign.kind == "settled":
            ink.draw_line(sprite, rim, colour, thick, closed=True)
        elif sign.kind == "doubtful":
            ink.draw_dashes(sprite, rim, colour, thick, 8 * scale, closed=True)
        else:
            ink.draw_line(sprite, rim, ink.colour_of(ink.MUTED), 1, closed=True)
        is_word = sign.kind == "none"
        large, small = (max(1, round(size * scale)) for size in (NOTE_PX + 4 if is_word else LABEL_PX, NOTE_PX))
        text_height = ink.text_height(large) + (ink.text_height(small) if sign.note else 0)
        y = (height - text_height) / 2
        shade = ink.colour_of(ink.MUTED if is_word else ink.INK)
        ink.draw_text(sprite, (width / 2, y), sign.text, large, shade, bold=not is_word, anchor="middle")
        below = (width / 2, y + ink.text_height(large))
        ink.draw_text(sprite, below, sign.note, small, ink.colour_of(ink.INK), anchor="middle")
        return sprite

    def _now(self, chart: GrowingChart, row: int) -> None:
        """Draw where in the chart the row is, and its values."""
        x = chart.x_of(row)
        if x is None:
            return
        left, top = chart.box[:2]
        _, high, _, low = chart.plot
        ink.draw_line(self._picture, [(left + x, top + high), (left + x, top + low)], ink.colour_of(ink.INK), self.layout.px(1.5))
        for number, (at_x, at_y), is_settled in chart.ends(row):
            place, radius = (left + at_x, top + at_y), 7.0 * self.layout.unit
            hollow = None if is_settled else ink.colour_of(ink.PAPER)
            ink.draw_sign(self._picture, place, number, radius + 2 * self.layout.unit, ink.colour_of(ink.PAPER))
            ink.draw_sign(self._picture, place, number, radius, ink.series_colour(number), hollow=hollow)


def _label_size(signs: Sequence[Sign]) -> tuple[float, float]:
    """Give the size that holds every sign of a display, at a height of 1080. [px]"""
    widths = [
        max(
            ink.text_width(sign.text, NOTE_PX + 4 if sign.kind == "none" else LABEL_PX, sign.kind != "none"),
            ink.text_width(sign.note, NOTE_PX),
        )
        for sign in set(signs)
    ]
    note = any(sign.note for sign in signs)
    return max(widths, default=0) + 24.0, ink.text_height(LABEL_PX) + (ink.text_height(NOTE_PX) if note else 0) + 12.0


def _nearest(one: Box, other: Box) -> tuple[ink.Point, ink.Point]:
    """Give the ends of the shortest line between two boxes, in the middle of what they share of a side."""
    ends: list[tuple[float, float]] = []
    for axis in (0, 1):
        low, high = max(one[axis], other[axis]), min(one[axis + 2], other[axis + 2])
        if low <= high:
            ends.append(((low + high) / 2, (low + high) / 2))
        else:
            ends.append(
                (one[axis + 2] - 1.0, float(other[axis]))
                if one[axis + 2] <= other[axis]
                else (float(one[axis]), other[axis + 2] - 1.0)
            )
    return (ends[0][0], ends[1][0]), (ends[0][1], ends[1][1])
