"""Takes a digits mask, a text and a face's shape figures; gives the polygons of every bar or dot, lit and unlit.

Coordinates are in digit heights: x to the right, y down, the baseline of full-height digits at y = 1. Segments are named
as the trade names them: a top, b upper right, c lower right, d bottom, e lower left, f upper left, g middle.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from frametally.practice.matrix import LIT_DOTS, Dots, Print, dot_polygons

Tip = Literal["hexagon", "mitred", "flat", "rounded"]
Polygon = NDArray[np.float32]

SEGMENTS = "abcdefg"

PATTERNS: dict[str, str] = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc",
    "8": "abcdefg", "9": "abcdfg", " ": "", "-": "g", "_": "d", "O": "abcdef", "o": "cdeg", "L": "def", "l": "def",
    "E": "adefg", "r": "eg", "H": "bcefg", "h": "cefg", "i": "c", "I": "ef", "b": "cdefg", "A": "abcefg", "a": "abcefg",
    "t": "defg", "U": "bcdef", "u": "cde", "F": "aefg", "C": "adef", "c": "deg", "d": "bcdeg", "n": "ceg", "P": "abefg",
}  # fmt: skip
"""Which bars make each character, in the fullest form; `Shape` takes the optional bars of 6, 7 and 9 away or adds them."""

NUMBER = re.compile(r"^-?\d+(?:[.:]\d+)*$")


@dataclass(frozen=True)
class Shape:
    """The drawing of one maker's digits; lengths in digit heights.

    `thickness` of a bar; `gap` between bars; `slant_deg` to the right; `aspect` width over height; `pitch` from digit to
    digit over the digit's width; `tip` the bars' ends; `tailed_six`, `tailed_nine` whether 6 has its top and 9 its bottom
    bar; `hooked_seven` whether 7 has the upper left bar; `point_room` the extra room that a decimal point gets (0: it sits
    within the normal gap); `half_last` the height of the digit behind the point (1 = full); `sign_width` over digit width;
    `face` what the digits are made of, None for seven segments.
    """

    thickness: float = 0.13
    gap: float = 0.015
    slant_deg: float = 0.0
    aspect: float = 0.55
    pitch: float = 1.32
    tip: Tip = "hexagon"
    tailed_six: bool = True
    tailed_nine: bool = True
    hooked_seven: bool = False
    point_room: float = 0.12
    half_last: float = 1.0
    sign_width: float = 0.7
    face: Dots | Print | None = None


@dataclass(frozen=True)
class Place:
    """One position of a layout: `kind` "#" digit, "-" sign, "." point or ":" colon; a box in digit heights before slanting."""

    kind: str
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Layout:
    """All positions of one display, with the size of the block (before slanting) in digit heights."""

    places: tuple[Place, ...]
    width: float
    shape: Shape

    @property
    def digits(self) -> tuple[Place, ...]:
        """The digit positions, left to right."""
        return tuple(p for p in self.places if p.kind == "#")


def lay_out(mask: str, shape: Shape, *, small_last: bool = False) -> Layout:
    """Give where each position of a mask like "-##.#" stands; `small_last` makes the digits behind the point `half_last` tall."""
    places: list[Place] = []
    x, behind_point = 0.0, False
    gap = shape.aspect * (shape.pitch - 1)
    for sign in mask:
        scale = shape.half_last if (behind_point and small_last) else 1.0
        if sign == "#":
            width = shape.aspect * scale
            places.append(Place("#", x, 1 - scale, width, scale))
            x += width + gap * (0.5 + 0.5 * scale)
        elif sign == "-":
            width = shape.aspect * shape.sign_width
            places.append(Place("-", x, 0.0, width, 1.0))
            x += width + gap * 0.6
        else:
            size = shape.thickness * 1.1
            # A point never touches its neighbours, however narrow the gap is drawn.
            room = max(shape.point_room, 1.5 * size - gap)
            centre = x - gap / 2 + room / 2
            places.append(Place(sign, centre - size / 2, 1 - size, size, size))
            x += room
            behind_point = behind_point or sign == "."
    last = max(p.x + p.width for p in places)
    return Layout(tuple(places), last, shape)


def spread(text: str, mask: str, *, words_left: bool = False, known: Collection[str] = PATTERNS) -> tuple[str, bool, bool]:
    """Give the character of each digit place, whether the sign is lit, and whether points and colons are lit.

    Numbers stand at the right, with blank places in front; words too, unless `words_left`. A text of dashes only fills
    its places. Raises ValueError where the text does not fit the mask or has signs that are not `known`.
    """
    count = mask.count("#")
    if NUMBER.match(text):
        signed, bare = text.startswith("-"), text.lstrip("-")
        if signed and "-" not in mask:
            raise ValueError(f"{text!r} has a sign, and the mask {mask!r} has no place for one")
        if re.sub(r"\d", "", bare) != re.sub(r"[#-]", "", mask):
            raise ValueError(f"{text!r} has its decimal point elsewhere than the mask {mask!r}")
        behind = [len(part) for part in re.split(r"[.:]", mask.replace("-", ""))][1:]
        if [len(part) for part in re.split(r"[.:]", bare)][1:] != behind:
            raise ValueError(f"{text!r} has other places behind its point than the mask {mask!r}")
        characters = re.sub(r"\D", "", bare).rjust(count)
        lit_points = True
    else:
        signed, lit_points = False, False
        characters = text.ljust(count) if words_left else text.rjust(count)
        unknown = sorted(set(characters) - set(known))
        if unknown:
            makers = "seven segments" if known is PATTERNS else "these digits"
            raise ValueError(f"{text!r}: {makers} cannot show {''.join(unknown)!r}")
    if len(characters) > count:
        raise ValueError(f"{text!r} is too long for the mask {mask!r}")
    return characters, signed, lit_points


def signs_of(shape: Shape) -> Collection[str]:
    """Give what digits of this shape can show."""
    return PATTERNS if shape.face is None else LIT_DOTS


def bars_of(character: str, shape: Shape) -> str:
    """Give the names of the lit bars or dots of a character in this maker's drawing; "" where it is printed."""
    if isinstance(shape.face, Dots):
        return LIT_DOTS[character]
    if isinstance(shape.face, Print):
        return ""
    bars = PATTERNS[character]
    if character == "6" and not shape.tailed_six:
        return bars.replace("a", "")
    if character == "9" and not shape.tailed_nine:
        return bars.replace("d", "")
    if character == "7" and shape.hooked_seven:
        return bars + "f"
    return bars


def _along(start: tuple[float, float], end: tuple[float, float], thick: float, gap: float, tip: Tip) -> Polygon:
    """Give one bar between two nodes with its ends in the wanted form."""
    p, q = np.array(start), np.array(end)
    d = (q - p) / np.linalg.norm(q - p)
    n = np.array([-d[1], d[0]]) * thick / 2
    half = thick / 2
    if tip == "flat":
        a, b = p + d * gap, q - d * gap
        points = [a + n, a - n, b - n, b + n]
    elif tip == "rounded":
        a, b = p + d * (half * 0.9 + gap), q - d * (half * 0.9 + gap)
        turns = np.linspace(-math.pi / 2, math.pi / 2, 7)
        points = [b + d * half * math.cos(t) + n * math.sin(t) for t in turns]
        points += [a - d * half * math.cos(t) - n * math.sin(t) for t in turns]
    else:
        a, b = p + d * gap, q - d * gap
        points = [a, a + d * half - n, b - d * half - n, b, b - d * half + n, a + d * half + n]
    return np.array(points, np.float32)


def _mitred(width: float, thick: float, gap: float) -> dict[str, Polygon]:
    """Give the bars with their long edge on the outline, cut at 45 degrees, in a box of height 1."""
    t, g = thick, gap
    top = np.array([[g, 0], [width - g, 0], [width - t - g, t], [t + g, t]])
    upper = np.array([[width, g], [width, 0.5 - g], [width - t, 0.5 - t / 2 - g], [width - t, t + g]])
    flip_x, flip_y = np.array([-1.0, 1.0]), np.array([1.0, -1.0])
    across, down = np.array([width, 0.0]), np.array([0.0, 1.0])
    bars = {
        "a": top, "d": top * flip_y + down, "b": upper, "f": upper * flip_x + across,
        "c": upper * flip_y + down, "e": upper * flip_x * flip_y + across + down,
        "g": _along((t / 2, 0.5), (width - t / 2, 0.5), t, g, "hexagon"),
    }  # fmt: skip
    return {name: bar.astype(np.float32) for name, bar in bars.items()}


def _blocks(width: float, thick: float, gap: float) -> dict[str, Polygon]:
    """Give plain blocks in a box of height 1: the upright bars keep the corners, the level ones end at them."""

    def block(left: float, top: float, right: float, bottom: float) -> Polygon:
        return np.array([[left, top], [right, top], [right, bottom], [left, bottom]], np.float32)

    t, half = thick, gap / 2
    inner, outer = t + gap, width - t - gap
    return {
        "a": block(inner, 0, outer, t), "d": block(inner, 1 - t, outer, 1),
        "g": block(inner, 0.5 - t / 2, outer, 0.5 + t / 2),
        "b": block(width - t, 0, width, 0.5 - half), "c": block(width - t, 0.5 + half, width, 1),
        "f": block(0, 0, t, 0.5 - half), "e": block(0, 0.5 + half, t, 1),
    }  # fmt: skip


def _bars(width: float, thick: float, gap: float, tip: Tip) -> dict[str, Polygon]:
    """Give the seven bars of one digit in a box of `width` by 1."""
    if tip == "mitred":
        return _mitred(width, thick, gap)
    if tip == "flat":
        return _blocks(width, thick, gap)
    left, right, top, middle, bottom = thick / 2, width - thick / 2, thick / 2, 0.5, 1 - thick / 2
    nodes = {
        "a": ((left, top), (right, top)), "b": ((right, top), (right, middle)), "c": ((right, middle), (right, bottom)),
        "d": ((left, bottom), (right, bottom)), "e": ((left, middle), (left, bottom)), "f": ((left, top), (left, middle)),
        "g": ((left, middle), (right, middle)),
    }  # fmt: skip
    return {name: _along(start, end, thick, gap, tip) for name, (start, end) in nodes.items()}


def _lean(points: Polygon, slant_deg: float) -> Polygon:
    """Lean points to the right about the baseline."""
    leaning = points.copy()
    leaning[:, 0] += np.tan(np.radians(slant_deg)) * (1 - points[:, 1])
    return leaning.astype(np.float32)


def _dot(place: Place, x: float, y: float, tip: Tip) -> Polygon:
    """Give a point of the place's size about a centre: square, or round where the bars are."""
    half = place.width / 2
    if tip == "rounded":
        turns = np.linspace(0, 2 * math.pi, 16, endpoint=False)
        return np.stack([x + half * np.cos(turns), y + half * np.sin(turns)], axis=1).astype(np.float32)
    return np.array([[x - half, y - half], [x + half, y - half], [x + half, y + half], [x - half, y + half]], np.float32)


def place_polygons(place: Place, shape: Shape) -> dict[str, Polygon]:
    """Give the polygons of one position by name: a to g for a digit, or its dots, or "#" for the box of a printed one; "-" for a
    sign, "." or ":" (and ":2") for points."""
    lean = shape.slant_deg
    if place.kind == "#" and isinstance(shape.face, Dots):
        dots = dot_polygons(place.x, place.y, place.width, place.height, shape.face, rounded=shape.tip == "rounded")
        return {name: _lean(dot, lean) for name, dot in dots.items()}
    if place.kind == "#" and isinstance(shape.face, Print):
        left, right, top, bottom = place.x, place.x + place.width, place.y, place.y + place.height
        return {"#": np.array([[left, top], [right, top], [right, bottom], [left, bottom]], np.float32)}
    if place.kind == "#":
        thick = shape.thickness if place.height == 1 else shape.thickness * 1.12
        bars = _bars(place.width / place.height, thick, shape.gap / place.height, shape.tip)
        origin = np.array([place.x, place.y], np.float32)
        return {name: _lean(bar * np.float32(place.height) + origin, lean) for name, bar in bars.items()}
    if place.kind == "-":
        bar = _along((place.x, 0.5), (place.x + place.width, 0.5), shape.thickness * 0.9, shape.gap, shape.tip)
        return {"-": _lean(bar, lean)}
    centre = place.x + place.width / 2
    if place.kind == ".":
        return {".": _lean(_dot(place, centre, place.y + place.height / 2, shape.tip), lean)}
    return {":": _lean(_dot(place, centre, 0.3, shape.tip), lean), ":2": _lean(_dot(place, centre, 0.7, shape.tip), lean)}


def polygons(layout: Layout, text: str, mask: str) -> tuple[list[Polygon], list[Polygon]]:
    """Give the lit and the unlit polygons of a whole display showing `text` ("" = switched off: all unlit).

    Printed digits have none.
    """
    shape = layout.shape
    small = any(p.height < 1 for p in layout.digits)
    known = signs_of(shape)
    characters, signed, points = (
        spread(text, mask, words_left=small, known=known) if text else (" " * len(layout.digits), False, False)
    )
    lit: list[Polygon] = []
    unlit: list[Polygon] = []
    remaining = iter(characters)
    for place in layout.places:
        if place.kind == "#":
            on = bars_of(next(remaining), shape)
        else:
            on = place.kind if (signed if place.kind == "-" else points) else ""
        for name, polygon in place_polygons(place, shape).items():
            if name != "#":
                (lit if name[0] in on else unlit).append(polygon)
    return lit, unlit


def outline(layout: Layout) -> Polygon:
    """Give every corner point of all digit and sign places, blank ones too: what a marked region has to contain."""
    wanted = [p for p in layout.places if p.kind in "#-"]
    return np.concatenate([polygon for place in wanted for polygon in place_polygons(place, layout.shape).values()])
