"""One display's samples to its highest and lowest reading of the night, and how far each is settled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from frametally.assess.exposure import Bounded
from frametally.assess.samples import Bools, Floats, Samples

Side = Literal["highest", "lowest"]

LEAST_SETTLED_SHARE = 0.75
"""Least share of rows with a settled reading that can clear a limit for single readings (own choice, as for averages)."""


@dataclass(frozen=True)
class Extreme:
    """The highest or lowest reading of a night.

    `value` and `row` are what must be reckoned with: the stated end of the range where the display ran out of range (NaN
    where nobody stated one), else the most extreme number, doubtful ones included. `is_open` where it may lie beyond;
    `is_verified` False where `value` is doubtful. `settled` and `settled_row` are the most extreme settled number (NaN and
    None where there is none). `rows` are all rows that show `value`; `possible` is how far it may have gone.
    """

    side: Side
    value: float
    row: int
    rows: tuple[int, ...]
    is_open: bool
    is_verified: bool
    settled: float
    settled_row: int | None
    possible: float

    @property
    def bounds(self) -> Bounded:
        """What the most extreme value is for certain, what it shows, and what it may be."""
        certain = self.value if self.is_open and math.isfinite(self.value) else self.settled
        middle = certain if self.is_open else self.value
        if self.side == "highest":
            return Bounded(-math.inf if math.isnan(certain) else certain, middle, self.possible)
        return Bounded(self.possible, middle, math.inf if math.isnan(certain) else certain)

    @property
    def may_have_missed(self) -> bool:
        """True where another instrument ran out of range while this one, within its own, showed nothing settled."""
        return not self.is_open and math.isinf(self.possible)


def find_extreme(samples: Samples, side: Side) -> Extreme | None:
    """Give the highest or the lowest reading; None where the display never gave one.

    Rows whose time is not known count too. Of equal readings the first one in time is named.
    """
    sign = 1.0 if side == "highest" else -1.0
    beyond, end = (samples.over, samples.top) if side == "highest" else (samples.under, samples.bottom)
    nearby = samples.over_nearby if side == "highest" else samples.under_nearby
    settled_row = _most(sign * samples.values, samples.settled)
    any_row = _most(sign * samples.values, samples.settled | samples.doubtful)
    settled = math.nan if settled_row is None else float(samples.values[settled_row])
    if beyond.any():
        row = int(np.flatnonzero(beyond)[0])
        # The most extreme number seen is no end of the range: beyond it the display may still have shown others.
        value, rows = (end if samples.facts.range is not None else math.nan), np.flatnonzero(beyond)
        return Extreme(side, value, row, _ints(rows), True, True, settled, settled_row, sign * math.inf)
    if any_row is None:
        return None
    # Another instrument of this kind that was out of range while this one showed nothing settled leaves the end open here too.
    unseen = bool((nearby & ~samples.settled).any())
    value = float(samples.values[any_row])
    verified = settled_row is not None and settled == value
    row = settled_row if verified and settled_row is not None else any_row
    rows = np.flatnonzero((samples.values == value) & (samples.settled if verified else samples.doubtful))
    return Extreme(side, value, row, _ints(rows), False, verified, settled, settled_row, sign * math.inf if unseen else value)


def is_enough(samples: Samples) -> bool:
    """True where enough of the rows are settled (or plainly out of range) to clear a limit for single readings."""
    count = len(samples.values)
    return count > 0 and int((~(samples.gap | samples.doubtful)).sum()) >= LEAST_SETTLED_SHARE * count


def _most(signed: Floats, among: Bools) -> int | None:
    """First row of the largest value among some rows; None where there are none."""
    rows = np.flatnonzero(among)
    return int(rows[np.argmax(signed[rows])]) if rows.size else None


def _ints(rows: np.ndarray) -> tuple[int, ...]:
    return tuple(int(row) for row in rows)
