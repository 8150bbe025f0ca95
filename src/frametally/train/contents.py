"""Takes a random generator; gives what a display shows: its mask, its text, the sign in every place, what the net should say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from frametally.practice.matrix import LIT_DOTS

WORDS = (
    "OL", "OFL", "HI", "LO", "Lo", "UL", "Err", "ERR", "bAt", "Hi", "OFF", "On", "on", "CAL", "CO", "Er", "----", "---", "--",
    "FULL", "LoBAt", "End", "E1", "E2", "PUSH", "ALAr", "Hc", "Lc", "diSP", "Co2", "donE", "_--_", "____", "rEF", "Pr", "ch",
    "CH", "no", "A1", "tEst",
)  # fmt: skip
"""Words and codes that instruments show (common practice, no source)."""

BARS_OF = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc", "8": "abcdefg",
    "9": "abcdfg", " ": "", "-": "g", "_": "d", "O": "abcdef", "o": "cdeg", "L": "def", "l": "def", "E": "adefg", "r": "eg",
    "R": "eg", "H": "bcefg", "h": "cefg", "i": "c", "I": "bc", "b": "cdefg", "B": "cdefg", "A": "abcefg", "a": "abcefg",
    "t": "defg", "T": "defg", "U": "bcdef", "u": "cde", "F": "aefg", "C": "adef", "c": "deg", "d": "bcdeg", "n": "ceg",
    "P": "abefg", "J": "bcde", "y": "bcdfg", "S": "acdfg", "s": "acdfg", "|": "ef",
}  # fmt: skip
"""Which bars make each sign, in the fullest form (common practice, no source); "|" is an upright stroke at the left."""

_SAID = {"O": "0", "l": "L", "R": "r", "I": "1", "B": "b", "a": "A", "T": "t", "S": "5", "s": "5", "|": "I"}
"""What the net should say of a sign that it cannot tell from another."""


@dataclass(frozen=True)
class Content:
    """What a display shows.

    `mask` as in a calibration; `text` what is to be read, "" for off; `characters` one sign per digit place; `signed` whether a
    minus is lit in a place of its own; `marked` for every point or colon of the mask whether it is lit.
    """

    mask: str
    text: str
    characters: str
    signed: bool
    marked: tuple[bool, ...]

    @property
    def said(self) -> str:
        """The signs from left to right as the net should name them."""
        signs, place, mark = "-" if self.signed else "", 0, 0
        for kind in self.mask.lstrip("-"):
            if kind == "#":
                character = self.characters[place]
                signs += _SAID.get(character, character).strip()
                place += 1
            else:
                signs += kind if self.marked[mark] else ""
                mark += 1
        return signs

    @property
    def plain(self) -> bool:
        """Whether dots and print show this with the signs that the net says: not so for letters that seven segments bend."""
        return all(c in LIT_DOTS and (c == "O" or c not in _SAID) for c in self.characters)


def draw_mask(rng: np.random.Generator) -> str:
    """Draw a digits mask as displays have them: one to six places, most with a point, some with a colon or several points."""
    places = int(rng.choice([1, 2, 3, 4, 5, 6], p=[0.03, 0.19, 0.34, 0.29, 0.10, 0.05]))
    chance = rng.random()
    breaks: tuple[int, ...] = ()
    mark = "."
    if places > 1 and chance < 0.62:
        breaks = (int(np.clip(places - rng.choice([1, 2, 3], p=[0.7, 0.22, 0.08]), 1, places)),)
    elif places in (3, 4) and chance < 0.70:
        breaks, mark = (places - 2,), ":"
    elif places > 3 and chance < 0.76:
        breaks = tuple(sorted(int(b) for b in rng.choice(np.arange(1, places), 2, replace=False)))
    body = "".join("#" + (mark if place + 1 in breaks else "") for place in range(places))
    return ("-" if rng.random() < 0.2 else "") + body


def draw_content(rng: np.random.Generator) -> Content:
    """Draw what a display shows: mostly numbers, some words, odd signs, and now and then nothing."""
    mask = draw_mask(rng)
    chance = rng.random()
    if chance < 0.025:
        places = mask.count("#")
        return Content(mask, "", " " * places, False, (False,) * (mask.count(".") + mask.count(":")))
    if chance < 0.10:
        return _word(mask, rng)
    return _number(mask, rng)


def _number(mask: str, rng: np.random.Generator) -> Content:
    body = mask.lstrip("-")
    places = body.count("#")
    marks = [kind for kind in body if kind != "#"]
    whole = len(body.split(marks[0])[0]) if marks else places
    digits = [str(d) for d in rng.integers(0, 10, places)]
    if rng.random() < 0.12:  # round numbers and repeated digits are common on displays, rare among random ones
        digits = [digits[0]] * places if rng.random() < 0.5 else digits[:1] + ["0"] * (places - 1)
    if rng.random() < 0.02:
        digits = ["8"] * places  # the moment after switching on
    empty = int(rng.integers(0, whole)) if whole > 1 and rng.random() < 0.45 else 0
    if digits[empty] == "0" and empty < whole - 1 and rng.random() < 0.9:
        digits[empty] = str(rng.integers(1, 10))
    digits[:empty] = [" "] * empty
    minus = mask.startswith("-") and rng.random() < 0.55
    characters, signed = "".join(digits), minus
    if minus and empty and rng.random() < 0.4:  # the minus takes the middle bar of an empty place
        at = empty - 1 if rng.random() < 0.8 else 0
        characters, signed = characters[:at] + "-" + characters[at + 1 :], False
    text, place = "-" if minus else "", 0
    for kind in body:
        if kind == "#":
            text += digits[place].strip()
            place += 1
        else:
            text += kind
    return Content(mask, text, characters, signed, (True,) * len(marks))


def _word(mask: str, rng: np.random.Generator) -> Content:
    """Give a word of those that fit, or odd signs without meaning: the net should learn signs, not a vocabulary."""
    places = mask.count("#")
    fitting = [word for word in WORDS if len(word) <= places]
    if rng.random() < 0.35 or not fitting:
        word = "".join(rng.choice(list("0123456789AbCcdEFHhiLnoPrtUuJy-_|"), int(rng.integers(1, places + 1))))
    else:
        word = str(rng.choice(fitting))
    start = (
        0 if rng.random() < 0.3 else places - len(word) if rng.random() < 0.7 else int(rng.integers(0, places - len(word) + 1))
    )
    characters = word.rjust(start + len(word)).ljust(places)
    lit = bool(rng.random() < 0.05)
    return Content(mask, word.upper(), characters, False, (lit,) * (mask.count(".") + mask.count(":")))
