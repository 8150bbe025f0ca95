"""Takes how likely every sign is at every place; gives the texts that can stand on the display, most probable first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from frametally.read.glyphs import DISTINCT, GLYPHS, USUAL
from frametally.read.layout import Mask


def candidates(
    likelihoods: np.ndarray,
    mask: Mask,
    words: tuple[str, ...],
    signs: np.ndarray | None = None,
    count: int = 6,
    asked: Sequence[str] = (),
) -> list[tuple[str, str, float]]:
    """Give the most probable texts: (text, glyphs place by place, probability), best first, and those that were `asked` for.

    A text is a number written into the mask (blanks only in front) or one of the display's words. The probabilities do not
    sum to 1: what is missing belongs to everything that is no text, a blank in the middle of a number or bars that form no
    sign at all. Of all ways the bars of a place can be lit, those that form no sign are held to be fifty times rarer.

    Parameters
    ----------
    signs : for a mask with a sign, `segments.sign_chances`
    asked : numbers whose probability is wanted, however small it is; those that the mask does not allow are left out
    """
    rows = likelihoods.tolist()
    scored = [*_signed(_numbers(rows, mask, 3 * count), signs), *((g, "", s) for g, s in _words(likelihoods, mask, words))]
    scored.sort(key=lambda item: -item[2])
    texts: dict[str, tuple[float, str]] = {}
    last = math.inf
    for glyphs, minus, score in scored:
        if len(texts) >= count and score < last:
            break
        last = score
        texts.setdefault(minus + _as_text(glyphs, mask), (score, glyphs))
    ranked = sorted(texts.items(), key=lambda item: (-item[1][0], item[0]))[:count]
    for text in asked:
        if all(text != one for one, _ in ranked) and (found := _score_of(text, rows, mask, signs)):
            ranked.append((text, found))
    highest = max(score for _, (score, _) in ranked)
    all_ranked = highest + math.log(sum(math.exp(score - highest) for _, (score, _) in ranked))
    total = max(_log_of_everything(likelihoods), all_ranked)
    return [(text, glyphs, math.exp(score - total)) for text, (score, glyphs) in ranked]


def _signed(numbers: list[tuple[str, float]], signs: np.ndarray | None) -> list[tuple[str, str, float]]:
    """Give every number without and, where a sign can stand, with a minus; a minus bar in an empty place is part of the sign."""
    if signs is None:
        return [(glyphs, "", score) for glyphs, score in numbers]
    both = []
    for glyphs, score in numbers:
        first = next((i for i, glyph in enumerate(glyphs) if glyph.isdigit()), len(glyphs) - 1)
        chance = min(max(float(signs[first]), 1e-3), 1 - 1e-3)
        plain = glyphs.replace("-", " ")
        both += [(plain, "", score + math.log1p(-chance)), (plain, "-", score + math.log(chance))]
    return both


def _score_of(text: str, rows: list[list[float]], mask: Mask, signs: np.ndarray | None) -> tuple[float, str] | None:
    """Give a number's score and glyphs, None where it is no number that the mask allows."""
    digits = "".join(sign for sign in text if sign.isdigit())
    glyphs = digits.rjust(mask.places)
    minus = text[:1] if text.startswith("-") else ""
    if not digits or len(digits) > mask.places or minus + _as_text(glyphs, mask) != text:
        return None
    empty = [GLYPHS.index(glyph) for glyph in (" -" if minus else " ")]  # a minus may light the middle bar of an empty place
    score = sum(
        max(row[index] for index in empty) if glyph == " " else row[GLYPHS.index(glyph)]
        for row, glyph in zip(rows, glyphs, strict=True)
    )
    scores = {sign: more for _, sign, more in _signed([(glyphs, score)], signs)}
    return (scores[minus], glyphs) if minus in scores else None


def _log_of_everything(likelihoods: np.ndarray) -> float:
    """Give the log of the summed chance of all that the places can show.

    Digits and blanks count fully, letters a twentieth, bars that form no sign a fiftieth.
    """
    total = 0.0
    for usual, letters in (np.exp(likelihoods) @ _KINDS).tolist():
        no_sign = min(max(1 - usual - letters, 0.0), 1.0)
        total += math.log(usual + 0.05 * letters + 0.02 * no_sign)
    return total


_KINDS = np.zeros((len(GLYPHS), 2))
_KINDS[DISTINCT, np.where(USUAL, 0, 1)] = 1
"""Which glyphs are the usual ones of numbers, and which are letters that no digit looks like: (glyphs, 2)."""


def _numbers(rows: list[list[float]], mask: Mask, width: int) -> list[tuple[str, float]]:
    """Search the likeliest numbers place by place, keeping the best `width` beginnings.

    Of the beginnings and digits in order, best first, the i-th with the j-th has i times j others that are as good or better.
    """
    blanks = [(GLYPHS.index(glyph), glyph) for glyph in (" -" if mask.sign else " ")]
    last_empty = min(mask.places - (mask.after or 0), mask.places - 1)
    beams = [(0.0, "")]  # each with its cost, the score's negative: then they sort as they are
    for place, row in enumerate(rows):
        digits = sorted([(-row[index], GLYPHS[index]) for index in _DIGITS])
        grown = []
        for rank, (cost, glyphs) in enumerate(beams, start=1):
            grown += [(cost + more, glyphs + digit) for more, digit in digits[: width // rank]]
            if place < last_empty and not glyphs.strip(" -"):
                grown += [(cost - row[index], glyphs + blank) for index, blank in blanks]
        grown.sort()
        beams = grown[:width]
    return [(glyphs, -cost) for cost, glyphs in beams]


_DIGITS = [GLYPHS.index(digit) for digit in "0123456789"]


def _words(likelihoods: np.ndarray, mask: Mask, words: tuple[str, ...]) -> list[tuple[str, float]]:
    ways, signs, odds = _placed(mask.places, words)
    scores = likelihoods[np.arange(mask.places), signs].sum(axis=1) + odds
    return list(zip(ways, scores.tolist(), strict=True))


@lru_cache(maxsize=64)
def _placed(places: int, words: tuple[str, ...]) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Give every way the words can stand in so many places, an empty display first: as glyphs, as their indices (ways, places),
    and the log of how likely each is beforehand."""
    ways = [" " * places]
    for word in words:
        letters = word.upper()
        if len(letters) > places or any(letter not in GLYPHS for letter in letters):
            continue
        for start in range(places - len(letters) + 1):
            ways.append(letters.rjust(start + len(letters)).ljust(places))
    signs = np.array([[GLYPHS.index(glyph) for glyph in glyphs] for glyphs in ways])
    return ways, signs, np.array([0.0] + [-3.0] * (len(ways) - 1))


@lru_cache(maxsize=4096)
def _as_text(glyphs: str, mask: Mask) -> str:
    """Write glyphs as they stand on the display: the mask's points and colons put back, outer blanks left out."""
    if not any(glyph.isdigit() for glyph in glyphs) or any(glyph.isalpha() for glyph in glyphs):
        return glyphs.strip()
    text = "".join(
        glyph + (mask.marks[mask.breaks.index(place + 1)] if place + 1 in mask.breaks else "")
        for place, glyph in enumerate(glyphs)
    )
    return text.strip().lstrip(" ").replace(" ", "")
