"""Takes what the user marked and what was read there; gives what can be filled in: mask, range, resolution, key, instrument."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from frametally.model import TIME_COLUMNS, Corners, Flag, Reading
from frametally.read.rectify import side_lengths


@dataclass(frozen=True)
class Quantity:
    """One entry of the list to choose from; `masks`: how it is usually shown, the likelier first (common practice, no source)."""

    quantity: str
    unit: str
    key: str
    label: str
    masks: tuple[str, ...]


QUANTITIES = (
    Quantity("carbon monoxide", "ppm", "co_ppm", "CO ppm", ("###", "####", "##", "##.#")),
    Quantity("oxygen", "%", "o2_pct", "Oxygen %", ("##.#", "##", "##.##")),
    Quantity("temperature", "°C", "temp_c", "Temperature °C", ("##.#", "##", "-##.#")),
    Quantity("temperature", "°F", "temp_f", "Temperature °F", ("##.#", "###.#", "##", "###")),
    Quantity("relative humidity", "%", "rh_pct", "Humidity %", ("##", "##.#")),
    Quantity("carbon dioxide", "ppm", "co2_ppm", "CO₂ ppm", ("####", "###", "#####")),
    Quantity("nitrogen dioxide", "ppm", "no2_ppm", "NO₂ ppm", ("#.##", "##.#", "#.#", "##.##")),
    Quantity("clock", "", "clock", "Clock", ("##:##", "#:##")),
)

ANY_MASKS = ("###", "##.#", "##", "####", "#.##")
"""What is tried where nothing is known of the quantity."""

NEARLY = 0.02
"""Masks whose readings are surest to within this are told apart by which is the more usual."""

LEAST_PITCH = 0.5
"""Digits are not set closer than this share of the marked height (seven-segment faces, common practice, no source)."""

SAME_FACE = 1.2
"""Displays nearer to each other than this many times their height are taken for one instrument's."""


def quantity_of(quantity: str, unit: str) -> Quantity | None:
    """Give the list's entry for a quantity and unit, None for a free one."""
    name = quantity.strip().lower().removeprefix("air ")
    return next((known for known in QUANTITIES if known.quantity == name and known.unit == unit), None)


def masks_for(quantity: str, unit: str, corners: Corners) -> tuple[str, ...]:
    """Give the masks worth trying in a region, the more usual first: those with more places than fit in are left out."""
    known = quantity_of(quantity, unit)
    width, height = side_lengths(corners)
    room = width / max(height, 1.0) / LEAST_PITCH
    masks = known.masks if known else ANY_MASKS
    fitting = tuple(mask for mask in masks if mask.count("#") <= room)
    return fitting or masks[:1]


def surest_mask(masks: Sequence[str], read: Callable[[str], Sequence[Reading]]) -> tuple[str, float]:
    """Give the mask whose readings (over some frames) are surest, and how sure they are, 0 to 1; nearly equal: the more usual.

    A word, a display that is off or nothing at all speaks for no mask.
    """
    sureness: dict[str, float] = {}
    for mask in masks:
        sureness[mask] = _mean([_speaks_for(reading) for reading in read(mask)])
        if sureness[mask] >= 1.0 - NEARLY:
            break  # no other can be surer by so much that it would be chosen
    best = max(sureness.values())
    chosen = next(mask for mask in sureness if sureness[mask] >= best - NEARLY)
    return chosen, sureness[chosen]


def _speaks_for(reading: Reading) -> float:
    return reading.confidence if reading.value is not None and reading.flag is not Flag.BLANK else 0.0


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else 0.0


def resolution_of(mask: str) -> float | None:
    """Give the last digit's step: 0.1 for "##.#"; None for a clock."""
    if ":" in mask:
        return None
    after = len(mask.partition(".")[2])
    return round(10.0**-after, after)


def range_of(mask: str, unit: str) -> tuple[float, float] | None:
    """Give what so many digits can show, a share no more than 100 %; None for a clock. The maker may state less."""
    step = resolution_of(mask)
    if step is None:
        return None
    after = len(mask.partition(".")[2])
    most = round(10.0 ** (mask.count("#") - after) - step, after)
    lowest = -most if mask.startswith("-") else 0.0
    return (max(lowest, 0.0), min(most, 100.0)) if unit == "%" else (lowest, most)


# --- instruments and keys ------------------------------------------------------------------------------------------------


def group_faces(regions: Sequence[Corners]) -> list[int]:
    """Give for each region the number of the instrument whose face it seems to lie on, counted as they first appear."""
    boxes = [_box(region) for region in regions]
    group = list(range(len(boxes)))
    for one in range(len(boxes)):
        for two in range(one):
            if _gap(boxes[one], boxes[two]) <= SAME_FACE * max(_height(boxes[one]), _height(boxes[two])):
                old, new = group[one], group[two]
                group = [new if number == old else number for number in group]
    order = list(dict.fromkeys(group))
    return [order.index(number) for number in group]


_Box = tuple[float, float, float, float]


def _box(region: Corners) -> _Box:
    xs, ys = [x for x, _ in region], [y for _, y in region]
    return min(xs), min(ys), max(xs), max(ys)


def _height(box: _Box) -> float:
    return box[3] - box[1]


def _gap(one: _Box, two: _Box) -> float:
    across = max(one[0] - two[2], two[0] - one[2], 0.0)
    down = max(one[1] - two[3], two[1] - one[3], 0.0)
    return math.hypot(across, down)


def name_all(displays: Sequence[dict[str, Any]]) -> list[dict[str, str]]:
    """Give each display its instrument and its key; what the user has set by hand (named in `own`) stays.

    `displays` have `corners`, `quantity`, `unit`, `key`, `instrument`, `own`.
    """
    faces = group_faces([display["corners"] for display in displays])
    names: dict[int, str] = {}
    for face, display in zip(faces, displays, strict=True):
        if "instrument" in display["own"] and display["instrument"]:
            names.setdefault(face, display["instrument"])
    taken = {display["instrument"] for display in displays if "instrument" in display["own"]}
    for face in dict.fromkeys(faces):
        if face not in names:
            names[face] = _free((f"instrument {number}" for number in range(1, len(displays) + 2)), taken)
            taken.add(names[face])
    instruments = [
        display["instrument"] if "instrument" in display["own"] and display["instrument"] else names[face]
        for face, display in zip(faces, displays, strict=True)
    ]
    keys = _keys(displays, instruments)
    return [{"instrument": instrument, "key": key} for instrument, key in zip(instruments, keys, strict=True)]


def _keys(displays: Sequence[dict[str, Any]], instruments: Sequence[str]) -> list[str]:
    taken = {display["key"] for display in displays if "key" in display["own"]} | {column.name for column in TIME_COLUMNS}
    keys = []
    for display, instrument in zip(displays, instruments, strict=True):
        if "key" in display["own"]:
            keys.append(display["key"])
            continue
        base = base_key(display["quantity"], display["unit"])
        prefix = slug(instrument) or "other"
        tries = (base, f"{prefix}_{base}", *(f"{prefix}_{number}_{base}" for number in range(2, len(displays) + 2)))
        keys.append(_free(tries, taken))
        taken.add(keys[-1])
    return keys


def base_key(quantity: str, unit: str) -> str:
    """Give the key for a quantity: the list's, or one made of its words."""
    known = quantity_of(quantity, unit)
    if known is not None:
        return known.key
    words = "_".join(part for part in (slug(quantity), slug(unit.replace("%", "pct"))) if part)
    return words or "display"


def slug(text: str) -> str:
    """Give a text as letters, digits and _ that begins with a letter; "" where nothing is left."""
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).lstrip("_0123456789").rstrip("_")


def _free(tries: Iterable[str], taken: set[str]) -> str:
    return next(name for name in tries if name not in taken)
