"""Takes what every display showed through the night and gives the readings to look at, what could change a finding first.

A doubt could change a finding where one of the numbers that the display may have shown lies beyond every settled one, or where
they lie on both sides of a limit. Of these the highest of a poisonous gas and the lowest oxygen come first.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from frametally.model import SETTLED, Display, Flag, key_kind

DOUBTS = (Flag.DOUBTFUL, Flag.UNREADABLE)
"""Flags of readings that are shown where nothing else is asked for."""

_OPEN = frozenset(DOUBTS) | {Flag.LOST}
"""Flags of readings that may have been another number; a dark display's ghosts spell numbers too, and mean nothing."""

WORTH_ASKING = 0.01
"""A rival less probable than this, from its pixels, counts for nothing in the order."""

POISONS = frozenset({"co_ppm", "co2_ppm", "no2_ppm"})
OXYGEN = "o2_pct"


@dataclass(frozen=True)
class Seen:
    """What one display showed in one frame: `value` counts now (None where there is none), `possible` are the numbers that the
    pixels allow, each probable enough to ask about."""

    value: float | None
    flag: Flag
    possible: tuple[float, ...] = ()


@dataclass(frozen=True)
class Level:
    """One limit in a display's own unit."""

    value: float
    name: str


@dataclass(frozen=True)
class Doubt:
    """A reading to look at: the frame's number, the display's key, what it could change in words, and its place (0 first)."""

    number: int
    key: str
    reasons: tuple[str, ...] = ()
    rank: int = 9


def order_doubts(
    night: Mapping[str, Sequence[Seen]],
    displays: Sequence[Display],
    levels: Mapping[str, Sequence[Level]],
    flags: Collection[Flag] = DOUBTS,
) -> list[Doubt]:
    """Give the readings with one of `flags`, in the order in which to look at them.

    Parameters
    ----------
    night : by display key, one `Seen` for each frame, in the order of time
    levels : by display key, the limits that its readings are held against
    """
    found = []
    for display in displays:
        seen = night[display.key]
        judge = _Judge(display, seen, levels.get(display.key, ()))
        found += [judge.doubt(number) for number, one in enumerate(seen) if one.flag in flags]
    places = {display.key: place for place, display in enumerate(displays)}
    return sorted(found, key=lambda doubt: (doubt.rank, doubt.number, places[doubt.key]))


class _Judge:
    """Says of one display's readings what they could change."""

    def __init__(self, display: Display, seen: Sequence[Seen], levels: Sequence[Level]) -> None:
        self._display, self._seen, self._levels = display, seen, levels
        self._kind = key_kind(display.key)
        settled = [one.value for one in seen if one.flag in SETTLED and one.value is not None]
        self._highest = max(settled, default=float("-inf"))
        self._lowest = min(settled, default=float("inf"))

    def doubt(self, number: int) -> Doubt:
        """Give the doubt of one frame."""
        one = self._seen[number]
        around = self._around(number)
        may_be = [value for value in (one.value, *one.possible) if value is not None]
        may_be = may_be or around  # nothing is known of it but what stands beside it
        ranked: list[tuple[int, str]] = []
        if may_be and one.flag in _OPEN:
            ranked = [*self._extremes(may_be, is_read=may_be is not around), *self._crossed([*may_be, *around])]
        ranked.sort(key=lambda pair: pair[0])
        return Doubt(number, self._display.key, tuple(words for _, words in ranked), ranked[0][0] if ranked else 9)

    def _extremes(self, may_be: Sequence[float], *, is_read: bool) -> list[tuple[int, str]]:
        if not is_read:  # an unread display beside the highest reading may have shown a higher one
            high, low = max(may_be) >= self._highest, min(may_be) <= self._lowest
        else:
            high, low = max(may_be) > self._highest, min(may_be) < self._lowest
        high_rank = 0 if self._kind in POISONS else 3
        low_rank = 0 if self._kind == OXYGEN else 3
        found = [(high_rank, "could be the highest of the night")] if high else []
        return [*found, (low_rank, "could be the lowest of the night")] if low else found

    def _crossed(self, values: Sequence[float]) -> list[tuple[int, str]]:
        low, high = min(values), max(values)
        rank = 1 if self._kind in POISONS or self._kind == OXYGEN else 2
        return [(rank, f"near a limit: {level.name}") for level in self._levels if low <= level.value <= high]

    def _around(self, number: int) -> list[float]:
        """Give the nearest settled values before and after."""
        found = []
        for step in (-1, 1):
            at = number + step
            while 0 <= at < len(self._seen) and self._seen[at].flag not in SETTLED:
                at += step
            value = self._seen[at].value if 0 <= at < len(self._seen) else None
            if value is not None:
                found.append(value)
        return found
