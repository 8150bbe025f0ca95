"""A calibration's displays, or a bare table's headers, to what the assessment must know about each display."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from frametally.errors import BadInput
from frametally.model import Accuracy, Display, key_kind

QUANTITIES: dict[str, tuple[str, str]] = {
    "co_ppm": ("carbon monoxide", "ppm"),
    "o2_pct": ("oxygen", "%"),
    "co2_ppm": ("carbon dioxide", "ppm"),
    "no2_ppm": ("nitrogen dioxide", "ppm"),
    "temp_c": ("temperature", "°C"),
    "temp_f": ("temperature", "°F"),
    "rh_pct": ("relative humidity", "%"),
}
"""For each kind of key: the quantity and its unit."""

GASES = frozenset({"co_ppm", "o2_pct", "co2_ppm", "no2_ppm"})
"""Kinds that are a share of the air."""

ZERO_FLOOR = frozenset({"co_ppm", "co2_ppm", "no2_ppm"})
"""Kinds whose lower bound counts unmeasured time as none of the gas at all."""


@dataclass(frozen=True)
class DisplayFacts:
    """What the assessment must know about one display.

    `kind` is the quantity-and-unit part of the key, None where the quantity is not one we hold against limits;
    `range`, `resolution` and `accuracy` are in `unit` and None where nobody stated them. `shares` are the keys of displays that
    stand at the same place of a screen, which shows one after another.
    """

    key: str
    quantity: str
    unit: str
    range: tuple[float, float] | None = None
    resolution: float | None = None
    accuracy: Accuracy | None = None
    instrument: str = ""
    shares: tuple[str, ...] = ()

    @property
    def kind(self) -> str | None:
        """The quantity-and-unit part of the key, None for quantities that are only charted."""
        return key_kind(self.key)

    @property
    def source_name(self) -> str:
        """The instrument in running text: its name, or the column where it has none."""
        return f"the {self.instrument}" if self.instrument else f"the display {self.key}"

    @property
    def short_name(self) -> str:
        """The instrument in a title: its name, or the column where it has none."""
        return self.instrument or self.key

    def tolerance_at(self, value: float) -> float | None:
        """Give the instrument's stated tolerance at a reading, in `unit`; None where none is stated."""
        return None if self.accuracy is None else self.accuracy.at(value)


def _sharing(display: Display, marked: Sequence[Display]) -> tuple[str, ...]:
    """Keys of the displays whose middle lies in this one's region, or whose region holds this one's middle."""
    return tuple(other.key for other in marked if other is not display and (_holds(display, other) or _holds(other, display)))


def _holds(one: Display, other: Display) -> bool:
    x, y = zip(*one.corners, strict=True)
    middle = [sum(axis) / 4 for axis in zip(*other.corners, strict=True)]
    return min(x) < middle[0] < max(x) and min(y) < middle[1] < max(y)


def from_display(display: Display, shares: tuple[str, ...] = ()) -> DisplayFacts:
    """Take what the assessment needs from a calibration's display."""
    return DisplayFacts(
        key=display.key,
        quantity=display.quantity,
        unit=display.unit,
        range=display.range,
        resolution=display.resolution,
        accuracy=display.accuracy,
        instrument=display.instrument,
        shares=shares,
    )


def facts_of(displays: Sequence[DisplayFacts | Display]) -> tuple[DisplayFacts, ...]:
    """Give the facts of a calibration's displays, with which of them share a place; facts are given back as they are."""
    marked = [one for one in displays if isinstance(one, Display)]
    return tuple(one if isinstance(one, DisplayFacts) else from_display(one, _sharing(one, marked)) for one in displays)


def facts_from_table(table: pd.DataFrame) -> tuple[DisplayFacts, ...]:
    """Guess the displays from a table's headers: keys with a known ending, and any column that has a flag column.

    Raises
    ------
    BadInput
        No column can be assessed.
    """
    names = [str(name) for name in table.columns]
    keys = [name for name in names if key_kind(name) or f"{name}_flag" in names]
    if not keys:
        known = ", ".join(QUANTITIES)
        raise BadInput(
            f"The table has no column that can be assessed. Columns there: {', '.join(names) or 'none'}. "
            f"Name them {known} (a prefix like wall_ may stand before), or map a header with --column."
        )
    return tuple(_guess(key) for key in keys)


def _guess(key: str) -> DisplayFacts:
    kind = key_kind(key)
    if kind is None:
        return DisplayFacts(key, key, "")
    quantity, unit = QUANTITIES[kind]
    return DisplayFacts(key, quantity, unit)


def gather_facts(table: pd.DataFrame, displays: Sequence[DisplayFacts | Display]) -> tuple[DisplayFacts, ...]:
    """Give the facts of the displays asked for, or of the table's own columns where none are.

    Raises
    ------
    BadInput
        A display has no column, or two displays share one key.
    """
    if not displays:
        return facts_from_table(table)
    facts = facts_of(displays)
    names = [str(name) for name in table.columns]
    for position, one in enumerate(facts):
        if one.key not in names:
            raise BadInput(
                f"The table has no column {one.key!r}, which the calibration names. Columns there: {', '.join(names)}."
            )
        if one.key in {other.key for other in facts[:position]}:
            raise BadInput(f"Two displays have the key {one.key!r}; every display needs its own.")
    return facts
