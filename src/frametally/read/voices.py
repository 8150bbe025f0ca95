"""Takes a strip and digits masks; gives what a dot-matrix or printed-looking display shows, and how likely that is.

Three voices that fail differently: the network and the drawn digits (`prints`) are quick and speak first; Tesseract is slow and
asked only where those two do not agree and are sure. Their word is pooled as a weighted product (a logarithmic opinion pool:
Genest and Zidek 1986), with weights fitted on drawn text displays. What a single voice says is never sure.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from importlib.resources import files

import numpy as np

from frametally.model import STATUS_DEFAULTS
from frametally.read.judging import FAINTEST, LEAST_CONTRAST, SEEN_ALONE, SEEN_BY_BOTH, number
from frametally.read.layout import Mask
from frametally.read.line import Line, find_line
from frametally.read.network import View, packaged_tuning, text_scores
from frametally.read.network import weigh as weigh_scores
from frametally.read.ocr import PREPARATIONS, TIMEOUT_S, ask, fit_to_masks, prepare
from frametally.read.prints import NO_PRINT, Print, read_print
from frametally.read.rectify import STRIP_HEIGHT, Ink, Strip, ink_of
from frametally.read.verdict import ONE_SIDED, WeightsMissing

SURE = 0.98
"""The quick voices are sure from here on, together and the network by itself too: then Tesseract is not asked."""

ALONE, CONTESTED = 0.9, 0.5
"""Most that a text gets which only one voice says; the second where another voice plainly says otherwise."""

PLAINLY = 0.5
"""So probable to the network, on so many of Tesseract's pages, so clear among the drawn digits: plainly said."""

_PLAIN_MARGIN = 0.15
"""A drawn digit so much more alike than any other is plain."""

_UNDECIDED = 0.25
"""Where dark and bright signs are so nearly as likely, both are tried."""

_VEILED_SHARE, _VEIL_AT_LEAST = 0.15, 64.0
"""Share of a region that a veil of light covers where it may hide what shows, and how bright a veil is. [of 255]"""

_LOOSE, _AROUND = 0.65, 0.2
"""Digits lower than this, over the strip's rows, are smaller than the network knows them; room then left around them, over their
height."""

_KEPT = 5


@dataclass(frozen=True)
class Answer:
    """What was read: `text` ("" where nothing), its `confidence`, the rivals with their probabilities, the text itself first;
    `off` says that nothing shows on the display, rather than that it cannot be read."""

    text: str
    confidence: float
    rivals: tuple[tuple[str, float], ...] = ()
    off: bool = False


NOTHING, OFF = Answer("", 0.0), Answer("", 0.99, off=True)


@dataclass(frozen=True)
class Weights:
    """How far each voice is believed: `quick` where Tesseract said nothing, `all` where it did, factors of `Heard.features`;
    `slip` is what the network gives at least to a text that it did not think of; `surest` the highest probability that the fitted
    displays can bear out."""

    quick: tuple[float, ...]
    all: tuple[float, ...]
    slip: float
    surest: float


@dataclass(frozen=True)
class Heard:
    """What each voice says: the `network` (text, probability), best first; the drawn digits (`printed`); Tesseract the text on
    each page where it `said` one, and how sure it was, 0 to 1."""

    network: tuple[tuple[str, float], ...] = ()
    printed: Print = NO_PRINT
    said: tuple[tuple[str, float], ...] = ()

    @cached_property
    def texts(self) -> list[str]:
        """Every text that a voice says."""
        named = {*(text for text, _ in self.network), *(text for text, _ in self.said), self.printed.text}
        return sorted(named - {""})

    @cached_property
    def clear(self) -> float:
        """How clearly the drawn digits say their text, 0 to 1."""
        printed = self.printed
        return float(np.clip(printed.likeness, 0, 1) * np.clip(printed.margin / _PLAIN_MARGIN, 0, 1)) if printed.text else 0.0

    @cached_property
    def shares(self) -> dict[str, float]:
        """The share of Tesseract's pages that has each text, 0 to 1."""
        return {text: min(1.0, count / len(PREPARATIONS)) for text, count in Counter(text for text, _ in self.said).items()}

    def features(self, slip: float) -> np.ndarray:
        """Give what speaks for each of `texts`, and in the last row for none of them: (texts + 1, 6), Tesseract's last."""
        rated, printed = dict(self.network), self.printed.text
        rows = []
        for text in self.texts:
            sure = float(np.mean([sure for said, sure in self.said if said == text])) if text in self.shares else 0.0
            share, alike = self.shares.get(text, 0.0), float(text == printed)
            rows.append([np.log(rated.get(text, 0.0) + slip), alike, alike * self.clear, 0.0, share, share * sure])
        rest = max(1.0 - sum(share for text, share in self.network if text), 0.0)
        return np.array([*rows, [np.log(rest + slip), 0.0, 0.0, 1.0, 0.0, 0.0]])

    def most(self, text: str) -> float:
        """Give the most that a text may get: what is sure is said by two voices, and by none plainly denied."""
        first, chance = self.network[0] if self.network else ("", 0.0)
        voices = [(first, chance, 0.0), (self.printed.text, self.clear, 0.0)]
        voices += [(said, share, PLAINLY) for said, share in self.shares.items()]
        agreed = sum(said == text and weight >= least for said, weight, least in voices)
        denied = any(said != text and said and weight >= PLAINLY for said, weight, _ in voices)
        if agreed >= 2:
            return ONE_SIDED if denied else 1.0
        return CONTESTED if denied else ALONE


def read_text(
    strip: Strip, masks: Mask | Sequence[Mask], words: Sequence[str] = tuple(STATUS_DEFAULTS), *, timeout_s: float = TIMEOUT_S
) -> Answer:
    """Read one line of text, with one call of Tesseract where the quick voices do not settle it.

    Parameters
    ----------
    masks : one or several, as where the decimal point moves
    words : what else the display may show, like "OL"

    Without Tesseract, what the two quick voices say counts.
    """
    sight = look(strip, [masks] if isinstance(masks, Mask) else masks, words)
    if sight.off:
        return OFF
    quick = weigh(sight.heard)
    if is_settled(sight.heard, quick):
        return quick
    return weigh(sight.with_pages(list(ask(sight.pages, timeout_s).values())))


def is_settled(heard: Heard, quick: Answer) -> bool:
    """Tell whether the quick voices settle what shows: they agree, and are sure together and the network by itself."""
    return quick.confidence >= SURE and heard.network[0][1] >= SURE


@dataclass(frozen=True)
class Sight:
    """What the quick voices see of a strip: what they say (`heard`), whether the display is `off`; `inks`, the likelier first,
    with its `line`; the masks and words by which Tesseract's answer is to be taken."""

    heard: Heard
    off: bool
    inks: tuple[Ink, Ink]
    line: Line | None
    masks: Sequence[Mask]
    words: Sequence[str]

    @cached_property
    def pages(self) -> list[np.ndarray]:
        """The pages to ask Tesseract about."""
        likely, other = self.inks
        pages = prepare(likely, self.line)
        if likely.likely - other.likely < _UNDECIDED:
            pages += prepare(other, find_line(other))
        return pages

    def with_pages(self, found: Sequence[tuple[str, float]]) -> Heard:
        """Add what Tesseract `found` on the pages, as (text, how sure)."""
        fitted = ((fit_to_masks(text, self.masks, self.words), sure) for text, sure in found)
        return replace(self.heard, said=tuple((text, sure) for text, sure in fitted if text))


def look(strip: Strip, masks: Sequence[Mask], words: Sequence[str]) -> Sight:
    """Hear the quick voices."""
    dark, bright = ink_of(strip, dark=True), ink_of(strip, dark=False)
    inks = (dark, bright) if dark.likely >= bright.likely else (bright, dark)
    line = find_line(inks[0])
    printed = read_print(line, masks) if line is not None else NO_PRINT
    heard = Heard(tuple(_network(_closer(strip, line), masks, words)), printed)
    off = _is_off(heard, inks[0]) and not _is_veiled(strip, inks[0])
    return Sight(heard, off, inks, line, masks, words)


def _closer(strip: Strip, line: Line | None) -> Strip:
    """Cut a strip that was marked far too loosely down to its line."""
    if line is None or line.height >= _LOOSE * STRIP_HEIGHT:
        return strip
    room = _AROUND * line.height
    top, right = line.above + line.top, line.left + line.ink.shape[1]
    rows = slice(max(0, round(top - room)), round(top + line.height + room))
    return replace(strip, pixels=strip.pixels[rows, max(0, round(line.left - room)) : round(right + room)])


def _network(strip: Strip, masks: Sequence[Mask], words: Sequence[str]) -> list[tuple[str, float]]:
    chances = View(strip).chances
    scores: dict[str, float] = {}
    for mask in masks:
        for text, score in text_scores(chances, mask, words):
            scores[text] = max(score, scores.get(text, 0.0))
    rated = weigh_scores(scores.items(), packaged_tuning())
    return [(text, chance) for text, chance in rated if not text.lstrip("-").startswith((".", ":"))]  # no screen writes ".5"


def _is_off(heard: Heard, ink: Ink) -> bool:
    """Tell whether nothing shows: nothing stands off the ground or the network sees nothing, and no number is seen.

    Where hardly anything stands off, the network's best guess must be that nothing is there: a faint number is not off.
    """
    text, chance = heard.network[0] if heard.network else ("", 0.0)
    if number(text) is not None and chance >= (SEEN_BY_BOTH if text == heard.printed.text else SEEN_ALONE):
        return False
    if ink.contrast < (LEAST_CONTRAST if not text else FAINTEST):
        return True
    return not text and chance >= SEEN_BY_BOTH and heard.clear < PLAINLY


def _is_veiled(strip: Strip, ink: Ink) -> bool:
    """Tell whether light may hide what shows."""
    bright = ink.ground > max(1.3 * ink.usual, _VEIL_AT_LEAST)
    return float(strip.clipped.mean()) > 0.1 or float(bright.mean()) > _VEILED_SHARE


def weigh(heard: Heard, weights: Weights | None = None) -> Answer:
    """Pool the voices; the texts' probabilities sum to less than 1, the rest belongs to none of them."""
    if not heard.texts:
        return NOTHING
    believed = weights or packaged_weights()
    chosen = np.array(believed.all if heard.said else believed.quick)
    scores = heard.features(believed.slip)[:, : len(chosen)] @ chosen
    shares = np.exp(scores - scores.max())
    shares *= believed.surest / shares.sum()
    ranked = sorted(zip(heard.texts, shares[:-1].tolist(), strict=True), key=lambda item: (-item[1], item[0]))
    ranked = [(text, min(share, heard.most(text))) for text, share in ranked[:_KEPT]]
    return Answer(*ranked[0], tuple(ranked))


@lru_cache(maxsize=1)
def packaged_weights() -> Weights:
    """Give the weights that belong to the packaged voices (`python -m frametally.train.texts`).

    Raises `WeightsMissing` where the package lacks them.
    """
    try:
        figures = json.loads((files("frametally.read") / "weights" / "text.json").read_text(encoding="utf-8"))
    except OSError as problem:
        raise WeightsMissing(
            f"the file text.json is missing from the installed package ({problem}); install frametally again"
        ) from problem
    return Weights(tuple(figures["quick"]), tuple(figures["all"]), float(figures["slip"]), float(figures["surest"]))
