"""Takes four corners that are refused and says which mistake they look like, with corners that would be right."""

from __future__ import annotations

import math
from itertools import permutations
from typing import Any

Point = tuple[float, float]

_ORDER = "clockwise from the digits' own top left (top left, top right, bottom right, bottom left)"


def corners_fault(value: Any, frame_size: Any = None) -> str:
    """Say what is wrong with the four corners of a display: outside the photo, x and y swapped, anticlockwise, crossed, ...

    `value` and `frame_size` (width, height) are as they stand in the file; gives "" where they are no four points or right.
    """
    points = _points(value)
    if not points:
        return ""
    if len(set(points)) < 4:
        return f"two of the four corners are the same point; they go {_ORDER}"
    turns = _turns(points)
    turned_over = all(turn < 0 for turn in turns)
    swapped = [(y, x) for x, y in points]
    out, out_if_swapped = _outside(points, frame_size), _outside(swapped, frame_size)
    if turned_over and (_is_swapped(points) if bool(out) == bool(out_if_swapped) else bool(out)):
        return f"x and y seem to be swapped, x comes first: {_written(swapped)}"
    if out:
        width, height = frame_size
        return f"[{out[0][0]:g}, {out[0][1]:g}] lies outside the frame of {width} x {height}; x comes first, then y"
    if turned_over:
        return f"they go anticlockwise, but should go {_ORDER}: {_written([points[0], points[3], points[2], points[1]])}"
    if all(turn > 0 for turn in turns):
        return ""
    return _tangled(points, turns)


def _points(value: Any) -> list[Point]:
    if not (isinstance(value, list | tuple) and len(value) == 4):
        return []
    for point in value:
        if not (isinstance(point, list | tuple) and len(point) == 2):
            return []
        if not all(isinstance(part, int | float) and math.isfinite(part) for part in point):
            return []
    return [(float(x), float(y)) for x, y in value]


def _turns(points: list[Point]) -> list[float]:
    """Give twice the area of the triangle at each corner; above 0 where the way turns clockwise there (y goes down)."""
    corners = ((points[i], points[(i + 1) % 4], points[(i + 2) % 4]) for i in range(4))
    return [(b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0]) for a, b, c in corners]


def _outside(points: list[Point], frame_size: Any) -> list[Point]:
    if not (isinstance(frame_size, list | tuple) and len(frame_size) == 2 and all(type(side) is int for side in frame_size)):
        return []
    width, height = frame_size
    return [(x, y) for x, y in points if not (0 <= x <= width and 0 <= y <= height)]


def _is_swapped(points: list[Point]) -> bool:
    """Swapping x and y of a region wider than high makes its first side, along the digits, the long one and lead downwards."""
    first, second = math.dist(points[0], points[1]), math.dist(points[1], points[2])
    (x0, y0), (x1, y1) = points[:2]
    return first > second and abs(y1 - y0) > abs(x1 - x0)


def _tangled(points: list[Point], turns: list[float]) -> str:
    """Sides that cross can be put right by another order; a corner on or within the line of the others cannot."""
    for order in permutations((1, 2, 3)):
        better = [points[0], *(points[i] for i in order)]
        if all(turn > 0 for turn in _turns(better)):
            return f"their sides cross, because two corners are swapped; they go {_ORDER}: {_written(better)}"
    if any(turn == 0 for turn in turns):
        return f"three of the four corners lie in one line; they go {_ORDER} and make a convex shape"
    return f"one of the corners lies within the triangle of the others; they go {_ORDER} and make a convex shape"


def _written(points: list[Point]) -> str:
    return "corners = [" + ", ".join(f"[{x:g}, {y:g}]" for x, y in points) + "]"
