"""Takes a strip, a digits mask and a display's words; gives the rival readings of a small convolutional net.

The net looks at the whole field at once and says, column by column, which sign stands there (connectionist temporal
classification, Graves et al. 2006). It knows nothing of bars, so that it fails on other displays than the bar reader does.
It was trained on drawn displays alone; `frametally.train` says how.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import cv2
import numpy as np

from frametally.errors import FrametallyError
from frametally.read.layout import Mask
from frametally.read.rectify import PAD, STRIP_HEIGHT, Strip

PLANES, ROWS = 3, 48
"""Planes and rows of the net's input. [px]"""

STRIDE = 4
"""Columns of the input per column of the output."""

WIDTH_STEP = 32
"""Inputs are filled up to a multiple of this width: a net of OpenCV's is prepared anew for every new width. [px]"""

MOST_COLUMNS = 448

BLANK = 0
SIGNS = "~0123456789-.:AbCcdEFHhIiLnoPrtUuJy_"
"""What the net tells apart, in the order of its output; the first is "no sign here"."""

_SPELLINGS = {
    "A": "A", "B": "b8", "C": "Cc", "D": "d0", "E": "E", "F": "F", "G": "6C", "H": "Hh", "I": "1Ii", "J": "J", "L": "L",
    "N": "n", "O": "0o", "P": "P", "R": "r", "S": "5", "T": "t", "U": "Uu", "Y": "y", "-": "-", "_": "_",
}  # fmt: skip
"""How seven segments write a letter: any of these signs (common practice, no source)."""

_DIGITS = np.array([SIGNS.index(digit) for digit in "0123456789"])
_POINTS = np.array([SIGNS.index(point) for point in ".:"])
_MINUS = SIGNS.index("-")
_LETTERS = np.arange(SIGNS.index("A"), len(SIGNS))

_STRAY_POINT, _STRAY_LETTER, _STRAY_OUTSIDE = 0.05, 0.02, 0.5
"""How readily a sign is passed over: a point where the mask has none, a letter inside a number, either beside it (a unit's)."""

_PROPOSED = 24
_KEPT = 6


class NetworkMissing(FrametallyError):
    """The net's weights are not where the package keeps them."""


@dataclass(frozen=True)
class Tuning:
    """What makes scores honest, measured on drawn displays that the net was not trained on: `temperature` flattens the rivals'
    scores; `leak` weighs what belongs to no reading that the mask allows; `slip` is how often the surest readings are wrong."""

    temperature: float
    leak: float
    slip: float


def prepare(strip: Strip) -> np.ndarray:
    """Bring a strip to the net's input: uint8, shape (PLANES, ROWS, columns), columns proportional to the strip's width.

    The colour axis along which the strip varies most carries the segments. The first plane is that brightness between its
    darkest and brightest hundredth; the second what stands off its surroundings, over how much they vary, so that neither the
    light's level nor its gradient matters; the third how colourful each point is, since the pale bodies of unlit red bars can
    be as bright as lit ones. Light and dark digits are not told apart: the net sees both.
    """
    columns = int(np.clip(round(strip.colour.shape[1] * ROWS / strip.colour.shape[0]), 8, MOST_COLUMNS))
    small = cv2.resize(strip.colour, (columns, ROWS), interpolation=cv2.INTER_AREA)
    grey = _along_colour_axis(small)
    low, span = _range(grey, 2.0)
    off = grey - cv2.blur(grey, _AROUND, borderType=cv2.BORDER_REPLICATE)
    spread = cv2.blur(off * off, _AROUND, borderType=cv2.BORDER_REPLICATE)
    unrest = np.sqrt(np.maximum(spread, 0)) + np.float32(0.04 * span + 0.3)
    blue, green, red = cv2.split(small)
    colourful = cv2.max(cv2.max(blue, green), red) - cv2.min(cv2.min(blue, green), red)
    least, reach = _range(colourful, 40.0)
    planes = np.stack([(grey - low) * (170 / span) + 42.5, off / unrest * 50 + 127.5, (colourful - least) * (170 / reach) + 42.5])
    return np.clip(np.rint(planes), 0, 255).astype(np.uint8)


_AROUND = (27, 27)


def _range(values: np.ndarray, least: float) -> tuple[float, float]:
    """Give the lowest value and the span up to the highest, a hundredth left out at both ends; the span is `least` or more."""
    ordered = np.sort(values[::2, ::2], axis=None)
    spare = len(ordered) // 100
    return float(ordered[spare]), max(float(ordered[-1 - spare] - ordered[spare]), least)


def _along_colour_axis(small: np.ndarray) -> np.ndarray:
    """Project colours on the axis of greatest variance inside the marked region, brighter upwards: float32, (rows, columns)."""
    edge = PAD * ROWS // (STRIP_HEIGHT + 2 * PAD)
    pixels = small[edge:-edge:2, edge:-edge:2].reshape(-1, 3)
    _, vectors = np.linalg.eigh(np.cov(pixels, rowvar=False) + 1e-6 * np.eye(3))
    axis = np.abs(vectors[:, -1])
    return np.ascontiguousarray(small @ (axis / axis.sum()).astype(np.float32))


def fill_up(planes: np.ndarray) -> np.ndarray:
    """Give the net's input, middle grey at the right up to the next usual width: float32, (1, PLANES, ROWS, columns)."""
    columns = planes.shape[2]
    filled = np.full((1, *planes.shape[:2], -(-columns // WIDTH_STEP) * WIDTH_STEP), 0.5, np.float32)
    filled[0, :, :, :columns] = planes * np.float32(1 / 255)
    return filled - np.float32(0.5)


@lru_cache(maxsize=1)
def _weights() -> np.ndarray:
    return np.frombuffer(_packaged("network.onnx"), np.uint8)


@lru_cache(maxsize=1)
def packaged_tuning() -> Tuning:
    """Give the figures that belong to the packaged weights."""
    figures = json.loads(_packaged("network.json"))
    return Tuning(float(figures["temperature"]), float(figures["leak"]), float(figures["slip"]))


def _packaged(name: str) -> bytes:
    try:
        return (files("frametally.read") / "weights" / name).read_bytes()
    except OSError as problem:
        raise NetworkMissing(
            f"the net's file {name} is missing from the installed package ({problem}); install frametally again"
        ) from problem


class _Nets(threading.local):
    """Each thread's own nets, by input width: a net of OpenCV's may not be used by two threads, nor quickly change its width."""

    def __init__(self) -> None:
        self.by_width: dict[int, cv2.dnn.Net] = {}

    def of_width(self, columns: int) -> cv2.dnn.Net:
        if columns not in self.by_width:
            self.by_width[columns] = cv2.dnn.readNetFromONNX(_weights())
        return self.by_width[columns]


_NETS = _Nets()


def sign_chances(planes: np.ndarray) -> np.ndarray:
    """Run the packaged net on a prepared strip; give every output column's chance of every sign: (columns, len(SIGNS))."""
    filled = fill_up(planes)
    net = _NETS.of_width(filled.shape[3])
    net.setInput(filled)
    scores = net.forward()[0, :, 0, :].T.astype(np.float64)
    scores = scores[: -(-planes.shape[2] // STRIDE)]
    chances = np.exp(scores - scores.max(axis=1, keepdims=True))
    return chances / chances.sum(axis=1, keepdims=True)


def read_network(strip: Strip, mask: Mask, words: Sequence[str]) -> list[tuple[str, float]]:
    """Read a strip with the packaged net.

    Parameters
    ----------
    words : what else than numbers the display may show, like "OL"; case does not matter

    Returns
    -------
    (text, probability), best first, at most six. A text is a number written into the mask, blanks in front left out, one of
    the words in capitals, or "" for a display on which nothing shows. The probabilities sum to less than 1: the rest belongs to
    what is none of these. Raises NetworkMissing where the package lacks its weights.
    """
    return weigh(text_scores(sign_chances(prepare(strip)), mask, words), packaged_tuning())


def weigh(scores: Iterable[tuple[str, float]], tuning: Tuning) -> list[tuple[str, float]]:
    """Turn scores of texts (the net's own probabilities) into honest probabilities, best first."""
    ranked = sorted(scores, key=lambda item: (-item[1], item[0]))
    values = np.array([score for _, score in ranked] + [tuning.leak * max(1 - sum(score for _, score in ranked), 0.0)])
    logs = np.log(np.maximum(values, 1e-300)) / tuning.temperature
    shares = np.exp(logs - logs.max())
    shares *= (1 - tuning.slip) / shares.sum()
    return [(text, float(share)) for (text, _), share in zip(ranked[:_KEPT], shares, strict=False)]


def text_scores(chances: np.ndarray, mask: Mask, words: Sequence[str]) -> list[tuple[str, float]]:
    """Give the net's probability of every text worth considering, in no order; `chances` as `sign_chances` gives them."""
    chances = _without_empty_columns(chances)
    rows = [_Row.of_number(minus, digits, mask) for minus, digits in _proposals(chances, mask)]
    rows += [_Row(word, tuple(_SPELLINGS.get(letter, letter) for letter in word), False) for word in _usable(words)]
    rows.append(_Row("", (), False))
    with_marks = [row for row in rows if row.marks]
    rows += [row.without_marks() for row in with_marks]  # another string of signs, so that no way is counted twice
    totals: dict[str, float] = {}
    for row, score in zip(rows, _forward(chances, rows), strict=True):
        totals[row.text] = totals.get(row.text, 0.0) + float(score)
    return list(totals.items())


@dataclass(frozen=True)
class _Row:
    """A text with the signs that write it, each a string of those that will do; whether it is a `number`; whether points may
    stand anywhere (`strays`), as they may where the mask has none: it would be counted twice if a point could be both."""

    text: str
    signs: tuple[str, ...]
    number: bool
    strays: bool = True

    @property
    def marks(self) -> bool:
        return ".:" in self.signs

    def without_marks(self) -> _Row:
        """The same with its points and colons not to be seen: the mask says where they are."""
        return _Row(self.text, tuple(sign for sign in self.signs if sign != ".:"), self.number, self.strays)

    @classmethod
    def of_number(cls, minus: bool, digits: str, mask: Mask) -> _Row:
        first = mask.places - len(digits)
        text = signs = "-" if minus else ""
        for place in range(mask.places):
            digit = digits[place - first] if place >= first else ""
            marks = [mark for position, mark in zip(mask.breaks, mask.marks, strict=True) if position == place + 1]
            if place + 1 < first:
                marks = []
            text += digit + "".join(marks)
            signs += digit + ("." if marks else "")
        return cls(text, tuple(".:" if sign == "." else sign for sign in signs), True, strays=not mask.marks)


def _usable(words: Sequence[str]) -> list[str]:
    capitals = dict.fromkeys(word.upper() for word in words)
    return [word for word in capitals if all(letter in _SPELLINGS or letter in "0123456789" for letter in word)]


def _without_empty_columns(chances: np.ndarray) -> np.ndarray:
    """Leave out columns that surely hold nothing, but for one between those that hold something: they change no score."""
    empty = chances[:, BLANK] > 1 - 1e-4
    again = empty & np.concatenate([[True], empty[:-1]])
    return chances[~again] if not again.all() else chances[:1]


def _proposals(chances: np.ndarray, mask: Mask) -> list[tuple[bool, str]]:
    """Give the likely numbers of this mask as (minus, digits), by combining what each stretch of columns may hold."""
    whole = mask.breaks[0] if mask.breaks else mask.places - 1
    least = max(mask.places - whole, 1)
    signs = np.append(_DIGITS, _MINUS) if mask.sign else _DIGITS
    beams: dict[str, float] = {"": 1.0}
    for options in _stretches(chances[:, signs], chances[:, BLANK] + chances[:, _POINTS].sum(axis=1)):
        grown: dict[str, float] = {}
        for text, score in beams.items():
            for index, chance in options:
                more = text if index < 0 else text + SIGNS[signs[index]]
                if len(more) - more.count("-") <= mask.places and (not more.endswith("-") or len(more) == 1):
                    grown[more] = grown.get(more, 0.0) + score * chance
        beams = dict(sorted(grown.items(), key=lambda item: -item[1])[: 2 * _PROPOSED])
    numbers = [(text.startswith("-"), text.lstrip("-")) for text in beams]
    return [number for number in numbers if least <= len(number[1]) <= mask.places][:_PROPOSED]


def _stretches(chances: np.ndarray, nothing: np.ndarray) -> list[list[tuple[int, float]]]:
    """Give, stretch by stretch, the few signs (column of `chances`, or -1 for none) that may stand there, with rough chances."""
    held = chances.sum(axis=1) > 0.004
    best = chances.argmax(axis=1)
    starts = np.flatnonzero(held & ~np.concatenate([[False], held[:-1] & (best[1:] == best[:-1])]))
    found = []
    for start in starts:
        end = start + 1
        while end < len(held) and held[end] and best[end] == best[start]:
            end += 1
        missed = np.prod(1 - chances[start:end], axis=0)
        likely = np.argsort(missed)[:3]
        options = [(int(index), float(1 - missed[index])) for index in likely if missed[index] < 1 - 1e-4]
        found.append([*options, (-1, max(float(np.prod(nothing[start:end])), 0.01))])
    return found


def _forward(chances: np.ndarray, rows: Sequence[_Row]) -> np.ndarray:
    """Give the probability of every row of signs, summed over all ways to lay it on the columns (the forward algorithm)."""
    states = 2 * max(len(row.signs) for row in rows) + 1
    emitted = np.zeros((len(rows), states, len(chances)))
    leap = np.zeros((len(rows), states))
    ends = np.zeros((len(rows), states))
    nothing = _Nothing.of(chances)
    for index, row in enumerate(rows):
        count = len(row.signs)
        emitted[index, 0 : 2 * count + 1 : 2] = nothing.between(row)
        emitted[index, [0, 2 * count]] = nothing.beside(row)
        for place, sign in enumerate(row.signs):
            emitted[index, 2 * place + 1] = chances[:, [SIGNS.index(s) for s in sign]].sum(axis=1)
            leap[index, 2 * place + 1] = place > 0 and row.signs[place - 1] != sign
        ends[index, max(2 * count - 1, 0) : 2 * count + 1] = 1
    ways = np.zeros((len(rows), states))
    ways[:, :2] = emitted[:, :2, 0]
    for column in range(1, len(chances)):
        onward = ways.copy()
        onward[:, 1:] += ways[:, :-1]
        onward[:, 2:] += leap[:, 2:] * ways[:, :-2]
        ways = onward * emitted[:, :, column]
    return (ways * ends).sum(axis=1)


@dataclass(frozen=True)
class _Nothing:
    """Every column's chance of holding nothing (`blank`), a point, or a letter: what may stand between a row's signs."""

    blank: np.ndarray
    points: np.ndarray
    letters: np.ndarray

    @classmethod
    def of(cls, chances: np.ndarray) -> _Nothing:
        return cls(chances[:, BLANK], chances[:, _POINTS].sum(axis=1), chances[:, _LETTERS].sum(axis=1))

    def between(self, row: _Row) -> np.ndarray:
        if not row.number:
            return self.blank
        return self.blank + _STRAY_LETTER * self.letters + (_STRAY_POINT * self.points if row.strays else 0.0)

    def beside(self, row: _Row) -> np.ndarray:
        if not row.number:
            return self.blank
        return self.blank + _STRAY_OUTSIDE * (self.letters + (self.points if row.strays else 0.0))
