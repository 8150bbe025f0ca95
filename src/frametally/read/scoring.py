"""Takes every column's chance of every sign; gives the probability of every text, summed over all ways to lay it on the columns.

The columns come from a net trained by connectionist temporal classification (Graves et al. 2006): each holds a sign or nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import pairwise, product

import numpy as np

from frametally.read.layout import Mask

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

_LEAST_CHANCE = 1e-9
"""A text less probable than this to the net is left out."""

_PROPOSED = 24
_KEPT = 6


@dataclass(frozen=True)
class Tuning:
    """What makes scores honest, measured on drawn displays that the net was not trained on: `temperature` flattens the rivals'
    scores; `leak` weighs what belongs to no reading that the mask allows; `slip` is how often the surest readings are wrong."""

    temperature: float
    leak: float
    slip: float


def weigh(scores: Iterable[tuple[str, float]], tuning: Tuning) -> list[tuple[str, float]]:
    """Turn scores of texts (the net's own probabilities) into honest probabilities, best first."""
    ranked = sorted(scores, key=lambda item: (-item[1], item[0]))
    rest = tuning.leak * max(1 - sum(score for _, score in ranked), 0.0)
    shares = [score ** (1 / tuning.temperature) for score in [*(score for _, score in ranked), rest]]
    total = max(sum(shares), 1e-300) / (1 - tuning.slip)
    return [(text, share / total) for (text, _), share in zip(ranked[:_KEPT], shares, strict=False)]


def text_scores(chances: np.ndarray, masks: Mask | Sequence[Mask], words: Sequence[str]) -> list[tuple[str, float]]:
    """Give the net's probability of every text worth weighing, in no order; `chances` as `network.column_chances` gives them.

    One mask says where points and colons are, seen or not. Of several only what is seen can tell which it is.
    """
    masks = (masks,) if isinstance(masks, Mask) else tuple(masks)
    chances = _without_empty_columns(chances)
    rows = [row_of_number(minus, digits, mask) for mask in masks for minus, digits in _proposals(chances, mask)]
    if len(masks) == 1:
        rows += [row.without_marks for row in rows if row.marks]  # another string of signs, so that no way is counted twice
    else:
        rows = list(dict.fromkeys(replace(row, strays=False) for row in rows))
    emitted = chances @ _GROUPS
    anywhere = np.minimum(emitted.sum(axis=0), 1.0)  # a row is no likelier than that each of its signs stands somewhere
    there = anywhere.tolist()
    rows = [row for row in rows if math.prod([there[kind] for kind in row.course.signs]) >= _LEAST_CHANCE]
    of_words, signs = _rows_of_words(tuple(words))
    rows += [of_words[index] for index in np.flatnonzero(anywhere[signs].prod(axis=1) >= _LEAST_CHANCE).tolist()]
    totals: dict[str, float] = {}
    if rows:
        for row, score in zip(rows, _forward(emitted, rows).tolist(), strict=True):
            totals[row.text] = totals.get(row.text, 0.0) + score
    for mask in masks:
        _give_words_their_own(totals, mask, tuple(words))
    return list(totals.items())


def _give_words_their_own(totals: dict[str, float], mask: Mask, words: tuple[str, ...]) -> None:
    """Take from numbers what a word explains whole: the L of an OL, passed over like a unit's letter, would leave a 0."""
    for word, number, share in _numbers_in_words(mask, words):
        if word in totals and number in totals:
            totals[number] = max(totals[number] - share * totals[word], 0.0)


@lru_cache(maxsize=64)
def _numbers_in_words(mask: Mask, words: tuple[str, ...]) -> list[tuple[str, str, float]]:
    """Give (word, number, share): the words that leave a number where their letters are passed over, and how readily they do."""
    found = []
    for row in _rows_of_words(words)[0]:
        digits = [next((sign for sign in signs if sign.isdigit()), "") for signs in row.signs]
        passed_over = digits.count("")
        if passed_over and 0 < len(digits) - passed_over <= mask.places:
            found.append((row.text, row_of_number(False, "".join(digits), mask).text, _STRAY_OUTSIDE**passed_over))
    return found


@lru_cache(maxsize=64)
def _rows_of_words(words: tuple[str, ...]) -> tuple[list[Row], np.ndarray]:
    """Give the words' rows, the empty one's last, and the signs of each, (rows, most signs), filled up with what is anywhere."""
    rows = [Row(word, tuple(_SPELLINGS.get(letter, letter) for letter in word), False) for word in _usable(words)]
    rows.append(Row("", (), False))
    most = max(len(row.signs) for row in rows)
    return rows, np.array([[*row.course.signs, *[_KINDS[SIGNS]] * (most - len(row.signs))] for row in rows], np.intp)


@dataclass(frozen=True)
class Row:
    """A text with the signs that write it, each a string of those that will do; whether it is a `number`; whether points may
    stand anywhere (`strays`), as they may where the mask has none: it would be counted twice if a point could be both."""

    text: str
    signs: tuple[str, ...]
    number: bool
    strays: bool = True

    @cached_property
    def marks(self) -> bool:
        return ".:" in self.signs

    @cached_property
    def without_marks(self) -> Row:
        """The same with its points and colons not to be seen: the mask says where they are."""
        return Row(self.text, tuple(sign for sign in self.signs if sign != ".:"), self.number, self.strays)

    @cached_property
    def course(self) -> _Course:
        """What may stand at each step along it."""
        signs = [_KINDS[sign] for sign in self.signs]
        kinds = np.full(2 * len(signs) + 1, _KINDS[self.number, self.strays, False], np.intp)
        kinds[[0, -1]] = _KINDS[self.number, self.strays, True]
        kinds[1::2] = signs
        leap = np.zeros(len(kinds))
        leap[3::2] = [sign != before for before, sign in pairwise(self.signs)]
        return _Course(signs, kinds, leap)


@lru_cache(maxsize=4096)
def row_of_number(minus: bool, digits: str, mask: Mask) -> Row:
    """Give the row of a number written into a mask."""
    first = mask.places - len(digits)
    text = signs = "-" if minus else ""
    for place in range(mask.places):
        digit = digits[place - first] if place >= first else ""
        marks = [mark for position, mark in zip(mask.breaks, mask.marks, strict=True) if position == place + 1]
        if place + 1 < first:
            marks = []
        text += digit + "".join(marks)
        signs += digit + ("." if marks else "")
    return Row(text, tuple(".:" if sign == "." else sign for sign in signs), True, strays=not mask.marks)


def _usable(words: Sequence[str]) -> list[str]:
    capitals = dict.fromkeys(word.upper() for word in words)
    return [word for word in capitals if all(letter in _SPELLINGS or letter in "0123456789" for letter in word)]


def _without_empty_columns(chances: np.ndarray) -> np.ndarray:
    """Leave out columns that surely hold nothing, but for one between those that hold something: they change no score."""
    held = chances[:, BLANK] <= 1 - 1e-4
    kept = held.copy()
    kept[1:] |= held[:-1]
    return chances[kept] if held.any() else chances[:1]


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
    for start in starts.tolist():
        end = start + 1
        while end < len(held) and held[end] and best[end] == best[start]:
            end += 1
        missed = (1 - chances[start:end]).prod(axis=0).tolist()
        likely = sorted(range(len(missed)), key=missed.__getitem__)[:3]
        options = [(index, 1 - missed[index]) for index in likely if missed[index] < 1 - 1e-4]
        found.append([*options, (-1, max(float(nothing[start:end].prod()), 0.01))])
    return found


@dataclass(frozen=True)
class _Course:
    """What may stand at each step along a row of signs: `signs`, the signs' own columns of `_GROUPS`; `kinds` (states,), the same
    with nothing before, between and behind; `leap` (states,), 1 where a sign may follow another with nothing between."""

    signs: list[int]
    kinds: np.ndarray
    leap: np.ndarray


def _forward(emitted: np.ndarray, rows: Sequence[Row]) -> np.ndarray:
    """Give the probability of every row of signs, summed over all ways to lay it on the columns (the forward algorithm).

    `emitted` has every column's chance of every kind of sign, as `_GROUPS` orders them.
    """
    courses = [row.course for row in rows]
    shape = len(rows), max(len(course.kinds) for course in courses)
    kinds, leap, ends = np.zeros(shape, np.intp), np.zeros(shape), np.zeros(shape)
    for index, course in enumerate(courses):
        count = len(course.kinds)
        kinds[index, :count] = course.kinds
        leap[index, :count] = course.leap
        ends[index, max(count - 2, 0) : count] = 1
    chances = emitted[:, kinds]  # columns, rows, states
    room = np.zeros((shape[0], shape[1] + 2))  # two states before the first, which nothing reaches
    ways, one_before, two_before = room[:, 2:], room[:, 1:-1], room[:, :-2]
    ways[:, :2] = chances[0, :, :2]
    for column in chances[1:]:
        onward = leap * two_before
        onward += one_before
        onward += ways
        np.multiply(onward, column, out=ways)
    return np.einsum("rs,rs->r", ways, ends)


@dataclass(frozen=True)
class Nothing:
    """Every column's chance of holding nothing (`blank`), a point, or a letter: what may stand between a row's signs."""

    blank: np.ndarray
    points: np.ndarray
    letters: np.ndarray

    @classmethod
    def of(cls, chances: np.ndarray) -> Nothing:
        return cls(chances[:, BLANK], chances[:, _POINTS].sum(axis=1), chances[:, _LETTERS].sum(axis=1))

    def between(self, row: Row) -> np.ndarray:
        if not row.number:
            return self.blank
        return self.blank + _STRAY_LETTER * self.letters + (_STRAY_POINT * self.points if row.strays else 0.0)

    def beside(self, row: Row) -> np.ndarray:
        if not row.number:
            return self.blank
        return self.blank + _STRAY_OUTSIDE * (self.letters + (self.points if row.strays else 0.0))


def _groups() -> tuple[dict[str | tuple[bool, bool, bool], int], np.ndarray]:
    """Give the kinds of what may stand at a step of a row, and the weight of every sign in each: (signs, kinds).

    A kind is a string of signs, each of which will do, or (number, strays, beside): none of the signs of such a row, between
    or beside them. The first column is no kind: nothing at all may stand there.
    """
    strings = dict.fromkeys([*SIGNS, *_SPELLINGS.values(), ".:", SIGNS])
    weights = [np.zeros(len(SIGNS)), *(np.isin(list(SIGNS), list(string)).astype(float) for string in strings)]
    kinds: dict[str | tuple[bool, bool, bool], int] = {string: index for index, string in enumerate(strings, start=1)}
    nothing = Nothing.of(np.eye(len(SIGNS)))
    for number, strays, beside in product((False, True), repeat=3):
        row = Row("", (), number, strays)
        kinds[number, strays, beside] = len(weights)
        weights.append(nothing.beside(row) if beside else nothing.between(row))
    return kinds, np.array(weights).T


_KINDS, _GROUPS = _groups()
