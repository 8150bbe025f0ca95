"""Takes readings with the truth; gives how many were exact, silently wrong or flagged, as the rows of tables.

A reading is *sure* where its confidence reaches the threshold below which the program calls it doubtful, and its flag names no
doubt. What is not sure is *flagged*. What is sure and not what the display showed is *silently wrong*, be it a value, or a word
or "off" where a number stood. *Exact* is what reads as the display does, sure or not.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Self

from frametally.model import Flag, Method, Reading

SURE_FROM = Method().doubtful_below

DOUBTS = frozenset({Flag.DOUBTFUL, Flag.UNREADABLE, Flag.HIDDEN, Flag.LOST, Flag.NO_FRAME})
"""Flags that say: do not use this."""

Verdict = tuple[float, bool]
"""A confidence, and whether the reading was right."""


class Outcome(StrEnum):
    """What became of one reading."""

    RIGHT = "right and sure"
    WRONG_VALUE = "a wrong value, silently"
    WRONG_STATE = "a word or off instead of a number, silently"
    FLAGGED = "flagged"


def judge(truth: str, reading: Reading, sure_from: float = SURE_FROM) -> Outcome:
    """Say what a reading is worth, beside the text that the display showed ("" = off)."""
    if reading.flag in DOUBTS or reading.confidence < sure_from:
        return Outcome.FLAGGED
    if reading.text == truth:
        return Outcome.RIGHT
    return Outcome.WRONG_STATE if reading.value is None else Outcome.WRONG_VALUE


@dataclass
class Tally:
    """How many readings of one kind by one reader: in all, exact, and by outcome; `confusions` of the kind that was provoked."""

    count: int = 0
    exact: int = 0
    right: int = 0
    wrong_value: int = 0
    wrong_state: int = 0
    flagged: int = 0
    confusions: int = 0

    def add(self, truth: str, reading: Reading, *, confused: bool = False) -> None:
        """Count one reading."""
        outcome = judge(truth, reading)
        self.count += 1
        self.exact += reading.text == truth
        self.right += outcome is Outcome.RIGHT
        self.wrong_value += outcome is Outcome.WRONG_VALUE
        self.wrong_state += outcome is Outcome.WRONG_STATE
        self.flagged += outcome is Outcome.FLAGGED
        self.confusions += confused

    def merge(self, other: Self) -> None:
        """Count another tally in."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))

    @property
    def silently_wrong(self) -> int:
        """All that was said for sure and was not so."""
        return self.wrong_value + self.wrong_state


@dataclass
class Counts:
    """Tallies by group ("hard") and reader ("both"), in the order in which they came, and the verdicts of the whole reader."""

    tallies: dict[tuple[str, str], Tally] = field(default_factory=dict)
    verdicts: list[Verdict] = field(default_factory=list)

    def of(self, group: str, reader: str) -> Tally:
        """Give the tally of a group and a reader, a new one where there is none."""
        return self.tallies.setdefault((group, reader), Tally())

    def merge(self, other: Counts) -> None:
        """Count others in."""
        for (group, reader), tally in other.tallies.items():
            self.of(group, reader).merge(tally)
        self.verdicts += other.verdicts


HEADS = ("displays", "exact", "of these sure", "silently wrong: value", "silently wrong: word or off", "flagged")


def cells(tally: Tally) -> list[str]:
    """Give one row's cells under `HEADS`."""
    counted = (tally.exact, tally.right, tally.wrong_value, tally.wrong_state, tally.flagged)
    return [str(tally.count), *(share(number, tally.count) for number in counted)]


def share(number: int, count: int) -> str:
    """Give a number with its percentage, a bare 0 for none."""
    if not count:
        return "-"
    return f"{number} ({number / count:.1%})" if number else "0"


def counts_table(group: str, counts: Counts, rows: Sequence[tuple[str, str]] | None = None, more: Sequence[str] = ()) -> str:
    """Give the table of all tallies; `rows` chooses and orders them, `more` names further columns out of the tally's fields."""
    wanted = list(counts.tallies) if rows is None else rows
    lines = []
    for name, reader in wanted:
        tally = counts.tallies.get((name, reader), Tally())
        lines.append([name, reader, *cells(tally), *(share(getattr(tally, extra), tally.count) for extra in more)])
    return table([group, "reader", *HEADS, *more], lines)


def table(heads: Sequence[str], lines: Iterable[Sequence[str]]) -> str:
    """Give a Markdown table."""
    rows = [heads, ["---"] * len(heads), *lines]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)
