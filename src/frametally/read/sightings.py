"""Takes every column's chance of every sign and the texts seen there; gives where on the strip the digits of each stand."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from frametally.read.layout import Mask
from frametally.read.scoring import SIGNS, Nothing, Row, row_of_number


@dataclass(frozen=True)
class Sighting:
    """Where the net sees the digits of a number: `text`, and the `x` of every digit on the strip, left to right. [px]

    The net marks a digit where it has seen enough of it, not at its middle; how far off is alike for all digits of a display.
    """

    text: str
    x: tuple[float, ...]


def sightings(chances: np.ndarray, columns: int, mask: Mask, texts: Iterable[str]) -> list[Sighting]:
    """Give where the digits of each number stand, by the likeliest way to lay it on the columns (Viterbi's algorithm).

    Parameters
    ----------
    chances : as `network.column_chances` gives them
    columns : how many columns of the strip they stand for [px]
    texts : as `read_network` gives them; words and numbers that the mask does not allow are left out
    """
    found = []
    for text in texts:
        digits = "".join(sign for sign in text if sign.isdigit())
        if not digits or len(digits) > mask.places or text.strip("-.:0123456789"):
            continue
        row = row_of_number(text.startswith("-"), digits, mask)
        rows = [row, row.without_marks] if row.marks else [row]
        ways = [(score, row, columns_of) for row in rows for score, columns_of in [_likeliest_way(chances, row)]]
        score, row, columns_of = max(ways, key=lambda way: way[0])
        if score == -np.inf:
            continue
        scale = columns / len(chances)
        x = [(place + 0.5) * scale for place, sign in zip(columns_of, row.signs, strict=True) if sign.isdigit()]
        found.append(Sighting(text, tuple(x)))
    return found


def _likeliest_way(chances: np.ndarray, row: Row) -> tuple[float, list[float]]:
    """Give the log chance of the likeliest way to lay a row on the columns, and the middle column of every sign in it."""
    nothing, count = Nothing.of(chances), len(row.signs)
    emitted = np.empty((len(chances), 2 * count + 1))
    emitted[:, ::2] = nothing.between(row)[:, None]
    emitted[:, [0, 2 * count]] = nothing.beside(row)[:, None]
    leap = np.zeros(2 * count + 1, bool)
    for place, sign in enumerate(row.signs):
        emitted[:, 2 * place + 1] = chances[:, [SIGNS.index(s) for s in sign]].sum(axis=1)
        leap[2 * place + 1] = place > 0 and row.signs[place - 1] != sign
    emitted = np.log(np.maximum(emitted, 1e-12))
    best = np.full(2 * count + 1, -np.inf)
    best[:2] = emitted[0, :2]
    came = np.zeros(emitted.shape, np.intp)
    states = np.arange(2 * count + 1)
    for column in range(1, len(chances)):
        options = np.full((3, 2 * count + 1), -np.inf)
        options[0] = best
        options[1, 1:] = best[:-1]
        options[2, 2:] = np.where(leap[2:], best[:-2], -np.inf)
        came[column] = options.argmax(axis=0)
        best = options[came[column], states] + emitted[column]
    state = 2 * count if best[2 * count] > best[2 * count - 1] else 2 * count - 1
    score, path = float(best[state]), [state]
    for column in range(len(chances) - 1, 0, -1):
        state -= int(came[column, state])
        path.append(state)
    along = np.array(path[::-1])
    middles = []
    for place in range(count):
        on = np.flatnonzero(along == 2 * place + 1)
        weight = np.exp(emitted[on, 2 * place + 1])
        middles.append(float((on * weight).sum() / weight.sum()) if len(on) else np.nan)
    return score, middles
