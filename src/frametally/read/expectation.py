"""Takes how high, clear and noisy a display's digits are; gives what share of such displays the reader leaves as a doubt.

The table is measured (`benchmarks/legibility.py`): drawn displays, each read alone, without a night. Between its cells it is
interpolated, beyond them the nearest counts. It never calls smaller, fainter, softer or noisier digits better.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from itertools import product

import numpy as np
from scipy.optimize import isotonic_regression

from frametally.errors import FrametallyError

AXES = ("height_px", "contrast", "blur", "noise")
"""The table's axes: height of the digits [px], contrast (a share), blur over the thickness of a bar, noise over the step from
unlit to lit; all as `legibility.inspect` measures them."""

HARDER_UPWARDS = (False, False, True, True)
"""Whether more of it makes a display harder to read, by axis."""

_ROUNDS = 100
_Z95 = 1.96


class TableMissing(FrametallyError):
    """The table of expectations is not where the package keeps it."""


@dataclass(frozen=True)
class Expected:
    """The share of readings that are flagged, with its 95 % interval from the number of displays it rests on, `count`."""

    flagged: float
    lower: float
    upper: float
    count: float


@dataclass(frozen=True)
class Table:
    """Shares on a grid: `centres` by axis, rising; `flagged` and `count` of the shape of the grid; `displays` drawn in all."""

    centres: tuple[np.ndarray, ...]
    flagged: np.ndarray
    count: np.ndarray
    displays: int

    def at(self, values: Sequence[float]) -> Expected:
        """Give what to expect of a display with these values, in the order of AXES."""
        share = count = 0.0
        for weight, cell in _corners(self.centres, values):
            share += weight * float(self.flagged[cell])
            count += weight * float(self.count[cell])
        return Expected(share, *wilson(share, count), count)


def _corners(centres: Sequence[np.ndarray], values: Sequence[float]) -> list[tuple[float, tuple[int, ...]]]:
    """Give the cells around a point with their weights (linear in the logarithm of every axis)."""
    ends: list[tuple[tuple[int, float], ...]] = []
    for known, value in zip(centres, values, strict=True):
        place = float(np.interp(math.log(max(value, 1e-9)), np.log(known), np.arange(len(known))))
        low = min(int(place), len(known) - 2)
        ends.append(((low, 1 - (place - low)), (low + 1, place - low)))
    return [(math.prod(weight for _, weight in some), tuple(cell for cell, _ in some)) for some in product(*ends)]


def wilson(share: float, count: float) -> tuple[float, float]:
    """Give the 95 % interval of a share that was seen in `count` trials (E. B. Wilson 1927); (0, 1) where there were none."""
    if count <= 0:
        return 0.0, 1.0
    z2 = _Z95**2
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = _Z95 / (1 + z2 / count) * math.sqrt(max(share * (1 - share), 0.0) / count + z2 / (4 * count**2))
    return min(max(middle - half, 0.0), share), max(min(middle + half, 1.0), share)


def in_order(share: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Give the shares nearest to the given ones (squares weighted with `count`) that rise with hardness along every axis.

    Axis by axis in turn, each time from what the other axes' corrections left (Dykstra's projections onto cones: R. L. Dykstra
    and T. Robertson, 1982; from memory). Cells without a count take what their neighbours say.
    """
    weights = np.maximum(count, 1e-6)
    usual = float((share * count).sum() / max(count.sum(), 1))
    fitted, corrections = np.where(count > 0, share, usual), [np.zeros(share.shape) for _ in AXES]
    for _ in range(_ROUNDS):
        for axis, upwards in enumerate(HARDER_UPWARDS):
            before = fitted - corrections[axis]
            fitted = _along(before, weights, axis, upwards)
            corrections[axis] = fitted - before
    for axis, upwards in enumerate(HARDER_UPWARDS):  # what the last turns left open by a hair
        turned = fitted if upwards else np.flip(fitted, axis)
        turned = np.maximum.accumulate(turned, axis=axis)
        fitted = turned if upwards else np.flip(turned, axis)
    return np.clip(fitted, 0.0, 1.0)


def _along(values: np.ndarray, weights: np.ndarray, axis: int, upwards: bool) -> np.ndarray:
    lines, heavy = np.moveaxis(values, axis, -1), np.moveaxis(weights, axis, -1)
    out = np.empty_like(lines)
    for place in np.ndindex(lines.shape[:-1]):
        out[place] = isotonic_regression(lines[place], weights=heavy[place], increasing=upwards).x
    return np.moveaxis(out, -1, axis)


@lru_cache(maxsize=1)
def packaged_table() -> Table:
    """Give the table that belongs to the packaged readers. Raises `TableMissing` where the package lacks it."""
    try:
        data = json.loads((files("frametally.data") / "legibility.json").read_text(encoding="utf-8"))
    except OSError as problem:
        raise TableMissing(
            f"the file legibility.json is missing from the installed package ({problem}); install frametally again"
        ) from problem
    return Table(
        tuple(np.array(data["axes"][axis]["centres"], float) for axis in AXES),
        np.array(data["share_flagged"], float),
        np.array(data["count"], float),
        int(data["displays"]),
    )


def expect(height_px: float, contrast: float, blur: float, noise: float) -> Expected:
    """Give what to expect of displays like this one: see AXES."""
    return packaged_table().at((height_px, contrast, blur, noise))
