"""Takes a night and the place for words in a film; gives what stands there: title, clock, every number, and what signs mean."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pandas as pd

from frametally.model import Display
from frametally.show import film_text as ink
from frametally.show.film_layout import Layout
from frametally.show.film_signs import Sign, key_of
from frametally.show.tables import format_text
from frametally.show.traces import MONTHS, TimeAxis

CAUTION = "A record of displays, not an alarm. Sources, bounds and verdicts are in the report."
LIMIT_WORDS = "limit; how it is averaged: see the report"

_TITLE, _CLOCK, _TEXT, _SMALL = 24, 80, 20, 16
_LEAST_ROW, _MOST_ROW = 30, 62
_KEY_ROW = 23


class Panel:
    """The words beside the photo: `ground` is what stays the same, and each row is written over it, where it changes."""

    def __init__(
        self,
        title: str,
        table: pd.DataFrame,
        displays: Sequence[Display],
        axis: TimeAxis,
        layout: Layout,
        opaque: float,
        has_limits: bool,
    ) -> None:
        self._axis, self._layout, self._displays = axis, layout, displays
        left, top, right, bottom = layout.words
        self._width, self._height = right - left, bottom - top
        self._has_photo = [bool(format_text(name)) for name in table["frame"].tolist()]
        self._count = np.cumsum(self._has_photo)
        flags = [flag for display in displays for flag in table[f"{display.key}_flag"].tolist()]
        self._key = key_of(flags) + ([("limit", LIMIT_WORDS)] if has_limits else [])
        self.ground = np.empty((self._height, self._width, 4), np.uint8)
        self.ground[:] = ink.colour_of(ink.PAPER, opaque)
        self._pad = layout.px(20)
        self._clock_top = self._draw_title(title)
        self._rows_top = self._clock_top + layout.px(_CLOCK * 1.08 + 3 * 27 + 14)
        self._draw_key()
        self._rows_height = self._row_height()
        for number in range(self._shown):
            self._draw_name(number)
        self._value = lru_cache(maxsize=512)(self._draw_value)
        self._written: list[Sign | None] = []

    def paint(self, picture: ink.Picture, row: int, signs: Sequence[Sign]) -> None:
        """Write a row into its place in the film's picture, which must be the one that the row before was written into."""
        left, top, right, bottom = self._layout.words
        panel = picture[top:bottom, left:right]
        if not self._written:
            panel[:] = self.ground
            self._written = [None] * self._shown
        panel[self._clock_top : self._rows_top] = self.ground[self._clock_top : self._rows_top]
        self._write_time(panel, row)
        for number, sign in enumerate(signs[: self._shown]):
            if sign != self._written[number]:
                y = self._rows_top + number * self._rows_height
                panel[y : y + self._rows_height, self._width // 2 :] = self._value(number, sign)
                self._written[number] = sign

    # --- what stays ----------------------------------------------------------------------------------------------------

    def _draw_title(self, title: str) -> int:
        px, y = self._layout.px, self._layout.px(14)
        for line in ink.wrap(title, px(_TITLE), self._width - 2 * self._pad, 3, bold=True) if title else ():
            ink.draw_text(self.ground, (self._pad, y), line, px(_TITLE), ink.colour_of(ink.INK), bold=True)
            y += ink.text_height(px(_TITLE))
        return y + px(4)

    def _draw_key(self) -> None:
        px = self._layout.px
        size, room = px(_SMALL), self._width - 2 * self._pad
        caution = ink.wrap(CAUTION, size, room, 2)
        y = self._height - px(10) - ink.text_height(size) * len(caution)
        for number, line in enumerate(caution):
            place = (self._pad, y + number * ink.text_height(size))
            ink.draw_text(self.ground, place, line, size, ink.colour_of(ink.MUTED))
        y -= px(_KEY_ROW) * len(self._key) + px(8)
        self._key_top = y
        for sign, words in self._key:
            middle = (self._pad + px(10), y + px(_KEY_ROW) / 2)
            self._draw_key_sign(sign, middle)
            line = ink.shorten(words, size, room - px(30))
            ink.draw_text(self.ground, (self._pad + px(30), y + px(2)), line, size, ink.colour_of(ink.INK))
            y += px(_KEY_ROW)

    def _draw_key_sign(self, sign: str, middle: ink.Point) -> None:
        px, (x, y), colour = self._layout.px, middle, ink.colour_of(ink.INK)
        if sign == "hollow":
            ink.draw_sign(self.ground, middle, 0, px(7), colour, hollow=ink.colour_of(ink.PAPER))
        elif sign == "limit":
            ink.draw_dashes(self.ground, [(x - px(10), y), (x + px(11), y)], ink.colour_of(ink.LIMIT), px(2), px(5))
        elif sign == "hatched":
            for shift in (-6, 0, 6):
                foot = (x + px(6) * shift / 6 - px(4), y + px(7))
                ink.draw_line(self.ground, [foot, (foot[0] + px(8), y - px(7))], ink.colour_of(ink.MUTED), px(2))
        elif sign == "×":
            for slant in (-1, 1):
                ends = [(x - px(4), y - slant * px(4)), (x + px(4), y + slant * px(4))]
                ink.draw_line(self.ground, ends, colour, px(2))
        else:
            size = px(_SMALL + 2)
            ink.draw_text(self.ground, (x, y - ink.text_height(size) / 2), sign, size, colour, anchor="middle")

    def _row_height(self) -> int:
        """Give the height of each display's row, and settle how many there is room for."""
        px, free = self._layout.px, self._key_top - self._layout.px(8) - self._rows_top
        least = px(_LEAST_ROW)
        self._shown = min(len(self._displays), max(1, free // least))
        if self._shown < len(self._displays):
            self._shown = max(1, (free - px(24)) // least)
            left_out = len(self._displays) - self._shown
            y = self._rows_top + self._shown * least
            words = f"and {left_out} more in the table"
            ink.draw_text(self.ground, (self._pad, y), words, px(_SMALL), ink.colour_of(ink.MUTED))
        return int(min(px(_MOST_ROW), max(least, free // self._shown)))

    def _draw_name(self, number: int) -> None:
        px, display, height = self._layout.px, self._displays[number], self._rows_height
        y = self._rows_top + number * height
        rule = [(self._pad, y), (self._width - self._pad, y)]
        ink.draw_line(self.ground, rule, ink.colour_of(ink.GRID), 1)
        colour = ink.series_colour(number)
        ink.draw_sign(self.ground, (self._pad + px(9), y + height / 2), number, px(7), colour)
        room = self._width * 0.52 - self._pad - px(28)
        size, small = px(_TEXT), px(_SMALL)
        two = display.instrument and height >= ink.text_height(size) + ink.text_height(small)
        top = y + (height - ink.text_height(size) - (ink.text_height(small) if two else 0)) / 2
        place = (self._pad + px(28), top)
        quantity = display.quantity[:1].upper() + display.quantity[1:]
        ink.draw_text(self.ground, place, ink.shorten(quantity, size, room), size, ink.colour_of(ink.INK))
        if two:
            below = (place[0], top + ink.text_height(size))
            ink.draw_text(self.ground, below, ink.shorten(display.instrument, small, room), small, ink.colour_of(ink.MUTED))

    # --- what changes --------------------------------------------------------------------------------------------------

    def _write_time(self, panel: ink.Picture, row: int) -> None:
        px, (head, *lines) = self._layout.px, time_words(self._axis, row, self._photo_words(row))
        y: float = self._clock_top
        size = px(_CLOCK)
        while size > px(30) and ink.text_width(head, size, True) > self._width - 2 * self._pad:
            size -= px(4)
        ink.draw_text(panel, (self._pad - px(4), y), head, size, ink.colour_of(ink.INK), bold=True)
        y += px(_CLOCK * 1.08)
        for line, text, colour in zip(lines, (_TEXT, _SMALL, _SMALL), (ink.INK, ink.MUTED, ink.MUTED), strict=True):
            shown = ink.shorten(line, px(text), self._width - 2 * self._pad)
            ink.draw_text(panel, (self._pad, y), shown, px(text), ink.colour_of(colour))
            y += px(27)

    def _photo_words(self, row: int) -> str:
        count = int(self._count[-1])
        return f"photo {int(self._count[row])} of {count}" if self._has_photo[row] else "no photo"

    def _draw_value(self, number: int, sign: Sign) -> ink.Picture:
        """Give the right half of a display's row."""
        px, height = self._layout.px, self._rows_height
        top, left = self._rows_top + number * height, self._width // 2
        half = self.ground[top : top + height, left:].copy()
        right, is_word = self._width - self._pad - left, sign.kind == "none"
        size, small = min(px(22 if is_word else 32), round(0.62 * height)), px(_SMALL)
        note = sign.note if height >= ink.text_height(size) + ink.text_height(small) else ""
        text = sign.text if note or not sign.note else f"{sign.note}: {sign.text}"
        while size > px(14) and ink.text_width(text, size, not is_word) > self._width * 0.45 - self._pad:
            size -= 1
        y = round((height - ink.text_height(size) - (ink.text_height(small) if note else 0)) / 2)
        shade = ink.colour_of(ink.MUTED if is_word else ink.INK)
        ink.draw_text(half, (right, y), text, size, shade, bold=not is_word, anchor="right")
        ink.draw_text(half, (right, y + ink.text_height(size)), note, small, ink.colour_of(ink.INK), anchor="right")
        return half


def time_words(axis: TimeAxis, row: int, photo: str) -> tuple[str, str, str, str]:
    """Give what the clock shows in a row, the day, what kind of time that is, and how far the night has come."""
    moment, x = axis.clock[row], float(axis.x[row])
    since = f"{_span_text(x)} after the first" if axis.kind != "photo" and np.isfinite(x) and x > 0 else ""
    progress = ", ".join(part for part in (photo, since) if part)
    if axis.kind == "photo":
        return f"photo {row + 1}", "", "no times known", photo
    if moment is None:
        return (f"{x:.0f} min" if np.isfinite(x) else "no time"), "", "" if np.isfinite(x) else "time not known", progress
    return f"{moment:%H:%M}", f"{moment.day} {MONTHS[moment.month - 1]} {moment.year}", axis.label, progress


def _span_text(minutes: float) -> str:
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"
