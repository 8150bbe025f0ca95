"""A table of readings to arrays: when each row was, and for each display what it showed and how far that is settled."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import IntEnum
from numbers import Real

import numpy as np
import numpy.typing as npt
import pandas as pd

from frametally.assess.facts import ZERO_FLOOR, DisplayFacts
from frametally.errors import BadInput
from frametally.model import SETTLED, STATUS_DEFAULTS, Flag

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int8]


LARGEST_NUMBER = 1e9
"""Larger numbers are faults of a file, and would overflow sums."""


class State(IntEnum):
    """How far a reading is settled."""

    SETTLED = 0
    DOUBTFUL = 1
    OVER = 2
    UNDER = 3
    GAP = 4


_STATE_OF_FLAG: dict[str, State] = {
    flag.value: State.SETTLED
    if flag in SETTLED
    else {Flag.DOUBTFUL: State.DOUBTFUL, Flag.OVER_RANGE: State.OVER, Flag.UNDER_RANGE: State.UNDER}.get(flag, State.GAP)
    for flag in Flag
}
_STATE_OF_WORD = {"over range": State.OVER, "under range": State.UNDER}


@dataclass(frozen=True)
class Timeline:
    """When each row was, in the order of time; rows whose time nobody knows come last.

    `elapsed_min` is NaN where unknown [min]; `times` the local time as the table gives it, None where it gives none.
    """

    elapsed_min: Floats
    times: tuple[datetime | None, ...]
    frames: tuple[str, ...]

    @property
    def timed(self) -> int:
        """Number of rows whose place in time is known (they come first)."""
        return int(np.isfinite(self.elapsed_min).sum())


@dataclass(frozen=True)
class Samples:
    """What one display showed, row by row in the order of the timeline.

    `values` in the display's unit, NaN where there is none; `states` are `State` numbers. `top` and `bottom` are the ends
    of what it can show (stated, or seen tonight; NaN where neither). `floor` and `ceiling` are what unmeasured time
    may have been at least and at most: the ceiling is the highest reading of any display of this kind in the night.
    `corrected` is True in rows whose number was set by hand.
    `elsewhere` is True in rows whose photo shows another display at its place (see `DisplayFacts.shares`).
    `over_nearby` and `under_nearby` are True in rows where any display of this kind ran out of range.
    """

    facts: DisplayFacts
    values: Floats
    states: Ints
    top: float
    bottom: float
    floor: float
    ceiling: float
    over_nearby: Bools
    under_nearby: Bools
    corrected: Bools
    elsewhere: Bools

    @property
    def settled(self) -> Bools:
        """Rows with a settled number."""
        return self.states == State.SETTLED

    @property
    def doubtful(self) -> Bools:
        """Rows with a number that the evidence does not settle."""
        return self.states == State.DOUBTFUL

    @property
    def over(self) -> Bools:
        """Rows in which the display was above its range."""
        return self.states == State.OVER

    @property
    def under(self) -> Bools:
        """Rows in which the display was below its range."""
        return self.states == State.UNDER

    @property
    def gap(self) -> Bools:
        """Rows without any reading."""
        return self.states == State.GAP


def read_samples(table: pd.DataFrame, facts: Sequence[DisplayFacts]) -> tuple[Timeline, tuple[Samples, ...]]:
    """Take a table apart.

    Parameters
    ----------
    table : DataFrame
        `time`, `elapsed_min`, `frame` (each may be missing), then `<key>` and `<key>_flag` (may be missing) per display.
        The rows may stand in any order. It is not changed.
    facts : sequence of DisplayFacts
        Which columns are displays.

    Raises
    ------
    BadInput
        A cell that is no time, number or flag; with the row and what to do.
    """
    frames = _read_frames(table)
    times = _read_times(table)
    elapsed = _read_elapsed(table, times)
    # Rows that share a time are ordered by their photo's name, so that a shuffled table gives the same result.
    order = np.lexsort((np.array(frames, dtype=str), np.where(np.isnan(elapsed), math.inf, elapsed)))
    timeline = Timeline(elapsed[order], tuple(times[i] for i in order), tuple(frames[i] for i in order))
    bare = [_read_display(table, one, order) for one in facts]
    return timeline, tuple(_with_neighbours(one, bare) for one in bare)


def _is_missing(cell: object) -> bool:
    if cell is None or cell is pd.NaT or cell is pd.NA:
        return True
    if isinstance(cell, str):
        return not cell.strip()
    return isinstance(cell, Real) and math.isnan(cell)


def _take_cells(table: pd.DataFrame, name: str) -> pd.Series:
    column = table[name]
    if isinstance(column, pd.DataFrame):
        raise BadInput(f"The table has two columns called {name!r}; every column needs its own name.")
    return column


def _read_frames(table: pd.DataFrame) -> list[str]:
    if "frame" not in table.columns:
        return [""] * len(table)
    return ["" if _is_missing(cell) else str(cell) for cell in _take_cells(table, "frame").tolist()]


def _read_times(table: pd.DataFrame) -> list[datetime | None]:
    if "time" not in table.columns:
        return [None] * len(table)
    return [_read_time(cell, row) for row, cell in enumerate(_take_cells(table, "time").tolist())]


def _read_time(cell: object, row: int) -> datetime | None:
    if _is_missing(cell):
        return None
    if isinstance(cell, pd.Timestamp):
        return cell.to_pydatetime(warn=False)
    if isinstance(cell, datetime):
        return cell
    try:
        return datetime.fromisoformat(str(cell).strip())
    except ValueError:
        raise BadInput(
            f"Row {row + 1} of the table: the time {str(cell)!r} is not in the form 2026-10-30T21:40:00 "
            "(an offset like +01:00 may follow). Write the times so, or give elapsed_min instead."
        ) from None


def _read_elapsed(table: pd.DataFrame, times: Sequence[datetime | None]) -> Floats:
    """Minutes from elapsed_min where it stands, else from the times; NaN where neither says."""
    given = _read_numbers(table, "elapsed_min") if "elapsed_min" in table.columns else np.full(len(table), math.nan)
    known = [time for time in times if time is not None]
    if np.isnan(given).any() and len({time.utcoffset() is None for time in known}) > 1:
        raise BadInput("Some times in the table have an offset from UTC and some have none. Give all of them one, or none.")
    missing = [i for i, time in enumerate(times) if time is not None and math.isnan(given[i])]
    if not missing:
        return given
    anchor = next((i for i, time in enumerate(times) if time is not None and not math.isnan(given[i])), None)
    zero = min(known) if anchor is None else times[anchor]
    shift = 0.0 if anchor is None else float(given[anchor])
    filled = given.copy()
    for i in missing:
        filled[i] = (times[i] - zero).total_seconds() / 60 + shift  # type: ignore[operator]
    return filled


def _read_numbers(table: pd.DataFrame, column: str) -> Floats:
    numbers, words = _split_cells(table, column)
    for row, word in words.items():
        raise BadInput(f"Row {row + 1} of the table: {column} is {word!r}, which is not a number of minutes.")
    return numbers


def _split_cells(table: pd.DataFrame, column: str) -> tuple[Floats, dict[int, str]]:
    """Give a column's numbers (NaN where none) and its words by row."""
    cells = _take_cells(table, column)
    if pd.api.types.is_bool_dtype(cells.dtype):
        raise BadInput(f"The column {column!r} holds true and false where readings are expected.")
    if pd.api.types.is_numeric_dtype(cells.dtype):
        numbers = cells.to_numpy(dtype=float, na_value=math.nan)
        words: dict[int, str] = {}
    else:
        numbers, words = _sort_cells(cells.tolist())
    absurd = np.abs(numbers) > LARGEST_NUMBER
    if absurd.any():
        row = int(np.flatnonzero(absurd)[0])
        raise BadInput(
            f"Row {row + 1} of the table: {column} is {numbers[row]:g}, which no display can show. "
            "Flag it over_range, or leave it empty."
        )
    return numbers, words


def _sort_cells(cells: Iterable[object]) -> tuple[Floats, dict[int, str]]:
    numbers: list[float] = []
    words: dict[int, str] = {}
    for row, cell in enumerate(cells):
        number = math.nan
        if not _is_missing(cell):
            try:
                number = float(cell)  # type: ignore[arg-type]
            except (TypeError, ValueError):
                words[row] = str(cell).strip()
        numbers.append(number)
    return np.array(numbers, dtype=float), words


def _read_display(table: pd.DataFrame, facts: DisplayFacts, order: npt.NDArray[np.intp]) -> Samples:
    values, words = _split_cells(table, facts.key)
    states = np.where(np.isnan(values), State.GAP, State.SETTLED).astype(np.int8)
    flag_column = f"{facts.key}_flag"
    corrected = np.zeros(len(values), dtype=bool)
    if flag_column in table.columns:
        corrected = _read_flags(_take_cells(table, flag_column).tolist(), flag_column, states)
    for row, word in words.items():
        states[row] = _state_of_word(word, facts.key, row, State(int(states[row])))
    without_value = np.isnan(values) & np.isin(states, (State.SETTLED, State.DOUBTFUL))
    states[without_value] = State.GAP
    values = np.where(np.isin(states, (State.SETTLED, State.DOUBTFUL)), values, math.nan)
    top, bottom = _find_range(facts, values, states)
    nowhere = np.zeros(len(values), dtype=bool)
    return Samples(
        facts, values[order], states[order], top, bottom, math.nan, math.nan, nowhere, nowhere, corrected[order], nowhere
    )


def _read_flags(cells: Sequence[object], column: str, states: Ints) -> Bools:
    """Put the flags' states into `states`, an empty flag leaving what the number says; give the rows set by hand."""
    codes, kinds = pd.factorize(np.array(cells, dtype=object))
    flags = ["" if _is_missing(kind) else str(kind).strip() for kind in kinds]
    unknown = [number for number, flag in enumerate(flags) if flag and flag not in _STATE_OF_FLAG]
    if unknown:
        row = int(np.flatnonzero(np.isin(codes, unknown))[0])
        flag = flags[codes[row]]
        near = difflib.get_close_matches(flag, _STATE_OF_FLAG, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"flags are {', '.join(_STATE_OF_FLAG)}."
        raise BadInput(f"Row {row + 1} of the table: {column} is {flag!r}; {hint}")
    corrected = np.zeros(len(codes), dtype=bool)
    for number, flag in enumerate(flags):
        if flag:
            states[codes == number] = _STATE_OF_FLAG[flag]
            corrected |= (codes == number) & (flag == Flag.CORRECTED)
    return corrected


def _state_of_word(word: str, key: str, row: int, flagged: State) -> State:
    """A logger's word in place of a number: out of range where it says so, else a gap; never a number guessed."""
    if flagged in (State.OVER, State.UNDER):
        return flagged
    if any(c.isdigit() for c in word):
        raise BadInput(
            f"Row {row + 1} of the table: {key} is {word!r}, which is not a number. "
            "Write numbers with a point as the decimal sign and without a unit; leave the cell empty where there is none."
        )
    return _STATE_OF_WORD.get(STATUS_DEFAULTS.get(word.upper(), ""), State.GAP)


def _find_range(facts: DisplayFacts, values: Floats, states: Ints) -> tuple[float, float]:
    """The ends of what the display can show: stated, but never narrower than what it has shown."""
    shown = values[states == State.SETTLED]
    tops = [*shown.tolist(), *([facts.range[1]] if facts.range else [])]
    bottoms = [*shown.tolist(), *([facts.range[0]] if facts.range else [])]
    return max(tops, default=math.nan), min(bottoms, default=math.nan)


def _with_neighbours(one: Samples, all_samples: Sequence[Samples]) -> Samples:
    """Add what the displays of one kind say together; a display of no known kind stands alone."""
    kind = one.facts.kind
    group = [other for other in all_samples if other is one or (kind is not None and other.facts.kind == kind)]
    readings = [*(other.values for other in group)]
    tops = [other.top for other in group if other.over.any()]
    bottoms = [other.bottom for other in group if other.under.any()]
    known = np.concatenate([*readings, np.array([*tops, *bottoms], dtype=float)])
    known = known[np.isfinite(known)]
    highest = float(known.max()) if known.size else math.nan
    lowest = float(known.min()) if known.size else math.nan
    instead = [~other.gap for other in all_samples if other.facts.key in one.facts.shares]
    return replace(
        one,
        floor=min(0.0, lowest) if kind in ZERO_FLOOR and known.size else lowest,
        ceiling=highest,
        over_nearby=np.logical_or.reduce([other.over for other in group]),
        under_nearby=np.logical_or.reduce([other.under for other in group]),
        elsewhere=one.gap & np.logical_or.reduce([one.elsewhere, *instead]),
    )
