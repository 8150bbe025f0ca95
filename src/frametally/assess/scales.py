"""Displays of one quantity in different units to one unit: how a reading, and a span between readings, is turned into it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from frametally.assess.facts import GASES, QUANTITIES, DisplayFacts
from frametally.assess.units import factor, tidy_unit

FAHRENHEIT, CELSIUS = "temp_f", "temp_c"


@dataclass(frozen=True)
class Scale:
    """A reading times `factor`, plus `offset`, is a reading in `unit`."""

    unit: str
    factor: float = 1.0
    offset: float = 0.0

    def of(self, value: float) -> float:
        """Turn a reading."""
        return value if self.factor == 1.0 and self.offset == 0.0 else float(f"{value * self.factor + self.offset:.12g}")

    def of_span(self, span: float) -> float:
        """Turn a difference between readings."""
        return span * self.factor


def family_of(one: DisplayFacts) -> str:
    """Give what makes displays comparable: their kind (both temperatures are one), else the quantity's own name."""
    kind = one.kind
    return CELSIUS if kind == FAHRENHEIT else kind or f"{one.quantity.strip().lower()} {one.key}"


def place_of(one: DisplayFacts) -> str:
    """Give a display's key without the unit of temperature, so that a place's °F stands beside its °C."""
    return one.key[:-2] if one.kind in (FAHRENHEIT, CELSIUS) else one.key


def common_scale(displays: Sequence[DisplayFacts | None]) -> tuple[Scale, ...] | None:
    """Give each display's scale to one unit: the one its kind of key names; None where a unit is not known here.

    Where all show the same unit, none is converted. A missing display gets a scale that is never used.
    """
    known = [one for one in displays if one is not None]
    if not known:
        return None
    if len({(one.kind, one.unit) for one in known}) == 1:
        return tuple(Scale(known[0].unit) for _ in displays)
    if family_of(known[0]) == CELSIUS:
        return tuple(
            Scale("°C", 5 / 9, -160 / 9) if one is not None and one.kind == FAHRENHEIT else Scale("°C") for one in displays
        )
    kind = known[0].kind
    if kind not in GASES or not all(tidy_unit(one.unit) for one in known):
        return None
    unit = QUANTITIES[kind][1]
    return tuple(Scale(unit) if one is None else Scale(unit, factor(kind, tidy_unit(one.unit), unit)) for one in displays)
