"""From file names to the order in which a camera wrote them: numbers count as numbers, a camera's rollover is undone.

Cameras number to 9999 and go on with 0001 (DCF, JEITA CP-3461), in a next folder or, once copied together, in the same one.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePosixPath

_RUN = re.compile(r"(\d+)")
_WRAP_SLACK = 20  # so many photos may lack around the rollover
_SHORTEST_ROLL = 3  # digits; a two-digit counter says too little to call a jump a rollover


@dataclass(frozen=True)
class _Numbered:
    series: tuple[str, str, str, int]  # folder, what stands before and after the number, how many digits
    number: int


def roll_order(names: Sequence[str]) -> tuple[str, ...]:
    """Give the names in the order of their numbers, folder by folder, each series turned so that a rollover is in its middle."""
    members: dict[tuple[str, str, str, int], set[int]] = defaultdict(set)
    parts = {name: _numbered(name) for name in names}
    for part in parts.values():
        if part is not None:
            members[part.series].add(part.number)
    begins = {series: _roll_begin(sorted(numbers), series[3]) for series, numbers in members.items()}

    def key(name: str) -> tuple[tuple[tuple[int, int, str], ...], ...]:
        path, part = PurePosixPath(name), parts[name]
        before, number, after = (path.stem, -1, "") if part is None else (part.series[1], part.number, part.series[2])
        rolled = 1 if part is not None and number < begins[part.series] else 0
        place = (0, rolled, ""), (0, number, "")
        return (_natural(str(path.parent)), _natural(before), place, _natural(after), ((1, 0, path.suffix.lower()), (1, 0, name)))

    return tuple(sorted(names, key=key))


def running_numbers(names: Sequence[str]) -> tuple[int, ...] | None:
    """Give the running number of each name in roll order, going on over a rollover; None where they are not one rising series."""
    numbers: list[int] = []
    turned = 0
    kind: tuple[str, str, int] | None = None
    for name in names:
        part = _numbered(name)
        if part is None:
            return None
        here = (part.series[1], part.series[2], part.series[3])
        if kind is not None and (here[:2] != kind[:2] or (here[2] != kind[2] and numbers[-1] + 1 < 10 ** (here[2] - 1))):
            return None
        number = part.number + turned
        if numbers and number <= numbers[-1]:
            turned += 10 ** here[2] - (1 if part.number else 0)
            number = part.number + turned
            if number <= numbers[-1]:
                return None
        numbers.append(number)
        kind = here
    return tuple(numbers)


def _numbered(name: str) -> _Numbered | None:
    path = PurePosixPath(name)
    found = list(_RUN.finditer(path.stem))
    if not found:
        return None
    last = found[-1]
    before, after = path.stem[: last.start()].lower(), path.stem[last.end() :].lower()
    return _Numbered((str(path.parent), before, after, len(last[0])), int(last[0]))


def _roll_begin(numbers: list[int], digits: int) -> int:
    """Give the number at which a series begins: its lowest, or the one behind the wide hole where it rolled over."""
    if digits < _SHORTEST_ROLL or numbers[0] + 10**digits - 1 - numbers[-1] > _WRAP_SLACK:
        return numbers[0]
    hole, behind = max(((later - earlier, later) for earlier, later in pairwise(numbers)), default=(0, 0))
    return behind if hole >= 10 ** (digits - 1) else numbers[0]


def _natural(text: str) -> tuple[tuple[int, int, str], ...]:
    pieces = _RUN.split(text.lower())
    return tuple((0, int(piece), "") if at % 2 else (1, 0, piece) for at, piece in enumerate(pieces) if piece)
