"""Takes how likely every sign is at every place; gives the texts that can stand on the display, most probable first."""

from __future__ import annotations

import numpy as np

from frametally.read.glyphs import DISTINCT, GLYPHS, USUAL
from frametally.read.layout import Mask


def candidates(
    likelihoods: np.ndarray, mask: Mask, words: tuple[str, ...], signs: np.ndarray | None = None, count: int = 6
) -> list[tuple[str, str, float]]:
    """Give the most probable texts: (text, glyphs place by place, probability), best first.

    A text is a number written into the mask (blanks only in front) or one of the display's words. The probabilities do not
    sum to 1: what is missing belongs to everything that is no text, a blank in the middle of a number or bars that form no
    sign at all. Of all ways the bars of a place can be lit, those that form no sign are held to be fifty times rarer.

    Parameters
    ----------
    signs : for a mask with a sign, `sign_chances`
    """
    texts: dict[str, tuple[float, str]] = {}
    numbers = _numbers(likelihoods, mask, 3 * count)
    for glyphs, minus, score in [*_signed(numbers, signs), *((g, "", s) for g, s in _words(likelihoods, mask, words))]:
        text = minus + _as_text(glyphs, mask)
        if text not in texts or texts[text][0] < score:
            texts[text] = (score, glyphs)
    ranked = sorted(texts.items(), key=lambda item: (-item[1][0], item[0]))[:count]
    scores = np.array([score for _, (score, _) in ranked])
    total = max(_log_of_everything(likelihoods), float(np.logaddexp.reduce(scores)))
    return [(text, glyphs, float(np.exp(score - total))) for text, (score, glyphs) in ranked]


def _signed(numbers: list[tuple[str, float]], signs: np.ndarray | None) -> list[tuple[str, str, float]]:
    """Give every number without and, where a sign can stand, with a minus; a minus bar in an empty place is part of the sign."""
    if signs is None:
        return [(glyphs, "", score) for glyphs, score in numbers]
    both = []
    for glyphs, score in numbers:
        first = next((i for i, glyph in enumerate(glyphs) if glyph.isdigit()), len(glyphs) - 1)
        chance = float(np.clip(signs[first], 1e-3, 1 - 1e-3))
        plain = glyphs.replace("-", " ")
        both += [(plain, "", score + np.log1p(-chance)), (plain, "-", score + np.log(chance))]
    return both


def _log_of_everything(likelihoods: np.ndarray) -> float:
    """Give the log of the summed chance of all that the places can show.

    Digits and blanks count fully, letters a twentieth, bars that form no sign a fiftieth.
    """
    chances = np.exp(likelihoods[:, DISTINCT])
    usual = chances[:, USUAL].sum(axis=1)
    letters = chances[:, ~USUAL].sum(axis=1)
    no_sign = np.clip(1 - usual - letters, 0, 1)
    return float(np.log(usual + 0.05 * letters + 0.02 * no_sign).sum())


def _numbers(likelihoods: np.ndarray, mask: Mask, width: int) -> list[tuple[str, float]]:
    """Search the likeliest numbers place by place, keeping the best `width` beginnings."""
    digits = [GLYPHS.index(d) for d in "0123456789"]
    blanks = [GLYPHS.index(glyph) for glyph in (" -" if mask.sign else " ")]
    whole = mask.places - (mask.after or 0)
    beams: list[tuple[str, float]] = [("", 0.0)]
    for place in range(mask.places):
        row = likelihoods[place]
        grown = []
        for glyphs, score in beams:
            started = bool(glyphs.strip(" -"))
            for index in digits:
                grown.append((glyphs + GLYPHS[index], score + row[index]))
            if not started and place < mask.places - 1 and place < whole:
                grown += [(glyphs + GLYPHS[index], score + row[index]) for index in blanks]
        beams = sorted(grown, key=lambda item: (-item[1], item[0]))[:width]
    return beams


def _words(likelihoods: np.ndarray, mask: Mask, words: tuple[str, ...]) -> list[tuple[str, float]]:
    found = [(" " * mask.places, float(likelihoods[:, GLYPHS.index(" ")].sum()))]
    for word in words:
        letters = word.upper()
        if len(letters) > mask.places or any(letter not in GLYPHS for letter in letters):
            continue
        for start in range(mask.places - len(letters) + 1):
            glyphs = letters.rjust(start + len(letters)).ljust(mask.places)
            score = sum(likelihoods[place, GLYPHS.index(glyph)] for place, glyph in enumerate(glyphs))
            found.append((glyphs, float(score) - 3.0))
    return found


def _as_text(glyphs: str, mask: Mask) -> str:
    """Write glyphs as they stand on the display: the mask's points and colons put back, outer blanks left out."""
    if not any(glyph.isdigit() for glyph in glyphs) or any(glyph.isalpha() for glyph in glyphs):
        return glyphs.strip()
    text = "".join(
        glyph + (mask.marks[mask.breaks.index(place + 1)] if place + 1 in mask.breaks else "")
        for place, glyph in enumerate(glyphs)
    )
    return text.strip().lstrip(" ").replace(" ", "")
