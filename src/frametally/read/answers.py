"""Takes a strip, a digits mask and what is known of the display; gives what the bars spell, and where it was looked for.

Where the places are known quick looks near them come first, then a closer one there, then where the network saw digits, then
anywhere in the marked region: each only where the one before does not settle the answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from statistics import median

import cv2
import numpy as np

from frametally.model import Display
from frametally.read.edges import runs_out
from frametally.read.follow import glance
from frametally.read.layout import Mask
from frametally.read.lesson import Levels
from frametally.read.network import View
from frametally.read.places import Fit, find_places, follow_places, levelled, seen_places
from frametally.read.rectify import STRIP_HEIGHT, Strip, ink_of
from frametally.read.segments import (
    FLOOR_FOLLOWED,
    FLOOR_FOUND,
    Bars,
    bare_of,
    explained,
    measure,
    place_likelihoods,
    sign_chance,
    sign_chances,
    stray_ink,
)
from frametally.read.texts import candidates
from frametally.read.verdict import WITNESSES

CLEAN = 0.93
"""A fit near the known places that explains less than this of its ink is checked against a search of the whole region."""

CLEAR = 0.97
"""Bars that spell a text near the known places with this probability are clear."""

CONTESTED = 0.5
"""Stray ink that a reading is charged with where another fit, about as good, says something else."""

GLINT_RATIO, GLINT_STEP = 1.3, 40.0
"""A lit bar whiter than the others by both, a factor and grey levels, may be a glint (drawn displays reach 1.08 and 9)."""

WHITE = 250.0
"""From here on a bar is white to the camera, whatever the factor."""

WORTH_ASKING = 0.03
"""A text less probable than this to the network is not looked for."""

BORNE_OUT = 0.9
"""Bars that spell with this probability what the network sees, where it sees it, settle where the digits are."""

EXPLAINS = 0.5
"""A quick look that bears the network out explains at least this share of what was explained in the reference frame."""


@dataclass(frozen=True)
class Known:
    """What the reference frame tells of a display, or what the night taught of it.

    `layouts` and `gains` have, by mask, the places and how much they explain, where the digits shown settle them; `contrast` is
    how far lit bars stand off, `dark` whether they are darker than the ground, `ground` how bright that is, 0 to 255. `levels`
    has, by mask, the bars' own ink, lit and unlit, where the night taught it. `hints` are, by mask, places found by digits
    that leave open how high and wide these are, such as a lone 1.
    """

    layouts: Mapping[str, np.ndarray]
    gains: Mapping[str, float]
    contrast: float
    dark: bool
    ground: float
    levels: Mapping[str, Levels] = field(default_factory=dict)
    hints: Mapping[str, np.ndarray] = field(default_factory=dict)


@dataclass(frozen=True)
class Answer:
    """What one look with one mask gave.

    `texts` are (text, glyphs, probability), the likeliest first; `fit` and `bars` where they were read; `share` (places,) the
    part of its ink that each place has on the bars of the first text; `stray` the largest blot that it leaves out, as a share of
    a bar's area; `cut` whether a digit may run out of the region; `veiled` whether bars lie under glare.
    """

    texts: list[tuple[str, str, float]]
    fit: Fit
    bars: Bars
    share: np.ndarray
    stray: float
    mask: Mask
    cut: bool = False
    veiled: bool = False

    @cached_property
    def explains(self) -> float:
        """The share of its ink that the worst explained place has on its bars."""
        return float(self.share.min())

    @cached_property
    def rated(self) -> list[tuple[str, float]]:
        """The bars' own (text, probability), best first."""
        return [(text, probability * self.trust) for text, _, probability in self.texts]

    @property
    def fitness(self) -> float:
        """What decides between two masks: how much ink the places explain, and how likely the text is."""
        return self.fit.gain * self.texts[0][2]

    @property
    def merit(self) -> float:
        """What decides between two looks: how likely the text is, how far the fit is trusted and how much it explains."""
        return self.texts[0][2] * self.trust * max(self.explains, 0.0) ** 4

    @cached_property
    def trust(self) -> float:
        """How far the fit can be trusted at all, 0 to 1, from the ink that the reading explains and leaves out."""
        explained = min(max((self.explains - 0.45) / 0.3, 0.0), 1.0)
        left_out = min(max((0.7 - self.stray) / 0.35, 0.0), 1.0)
        return explained * left_out

    @property
    def contrast(self) -> float:
        """How far the lit bars stand off the ground."""
        return self.fit.ink.contrast * self.bars.level


def with_every_mask(
    strip: Strip, display: Display, words: tuple[str, ...], known: Known | None, view: View, *, hasty: bool = False
) -> list[Answer]:
    """Read with every mask of a display; hastily with an only one at most: where several compete, all must be read alike.

    A `hasty` reader is content with a quick look near the known places if the network reads the same for sure.
    """
    masks = [Mask.parse(mask) for mask in display.masks]
    return [_answer(strip, mask, words, known, view, hasty=hasty and len(masks) == 1) for mask in masks]


def fittest(answers: Sequence[Answer], seen: Sequence[tuple[str, float]]) -> Answer:
    """Give the answer of the mask that fits best.

    A point is small and bars do not tell it from a blot: what the network saw, (text, probability), decides; among masks that
    write the same numbers, or where it saw none, how much ink the bars explain.
    """
    if len(answers) == 1:
        return answers[0]
    shares = [sum(chance for text, chance in seen if answer.mask.writes(text)) for answer in answers]
    likely = [answer for answer, share in zip(answers, shares, strict=True) if share >= 0.5 * max(shares)]
    return max(likely, key=lambda answer: answer.fitness)


def _answer(strip: Strip, mask: Mask, words: tuple[str, ...], known: Known | None, view: View, *, hasty: bool) -> Answer:
    """Read with one mask: where the places are known, near them; if that does not settle it, anywhere in the region."""
    if known is None:
        return _searched(strip, mask, words, known, view)
    if hasty and (quick := _glanced(strip, mask, words, known, view)) is not None:
        return quick
    if mask.text not in known.layouts:
        return _searched(strip, mask, words, known, view)
    levels, asked = known.levels.get(mask.text), _worth_asking(view, mask, words)
    fit = follow_places(strip, mask, known.layouts[mask.text], dark=known.dark, contrast=known.contrast)
    near = _read_fit(strip, fit, mask, words, FLOOR_FOLLOWED, levels, asked)
    if _settles(near, known):
        return near
    return _likelier(_searched(strip, mask, words, known, view), near)


def _glanced(strip: Strip, mask: Mask, words: tuple[str, ...], known: Known, view: View) -> Answer | None:
    """Give what a quick look reads where it bears out, clearly, what the network is sure of; None where none does.

    The first look is near the known places, the second takes other widths and heights of the digits, too: what the reference
    frame showed may have left them open. Then it counts as found, no longer as followed.
    """
    seen, chance = next(iter(view.read(mask, words)), ("", 0.0))
    layout = known.layouts.get(mask.text, known.hints.get(mask.text))
    if chance < BORNE_OUT or layout is None:
        return None
    levels, least = known.levels.get(mask.text), EXPLAINS * known.gains[mask.text]
    ink = levelled(ink_of(strip, dark=known.dark, usual_contrast=known.contrast))
    for wide in (False, True) if mask.text in known.layouts else (True,):
        fit, bars = glance(ink, mask, layout, wide=wide)
        if fit.gain < least:
            continue
        veiled = _veiled_bars(strip, fit, bars)
        texts = _spelled(fit, bars, veiled, mask, words, FLOOR_FOUND if wide else FLOOR_FOLLOWED, levels)
        if texts[0][0] != seen or texts[0][2] < WITNESSES:
            continue
        answer = _answer_of(texts, fit, bars, veiled, mask)
        if answer.trust >= 1.0:
            return answer
    return None


def _settles(answer: Answer, known: Known) -> bool:
    """Tell whether what was read near the known places needs no search elsewhere: it is clear, and explains the ink."""
    return _is_clear(answer, known) and answer.explains >= CLEAN


def _is_clear(answer: Answer, known: Known) -> bool:
    explains_enough = answer.fit.gain >= 0.8 * known.gains[answer.mask.text]
    return answer.trust >= 1.0 and explains_enough and answer.texts[0][2] >= CLEAR


def _searched(strip: Strip, mask: Mask, words: tuple[str, ...], known: Known | None, view: View) -> Answer:
    """Read where the network saw digits; if the bars there do not bear it out, wherever bars explain most ink.

    The network says where digits are and never which: the bars are measured and spelled as if it had said nothing, and only
    where they spell the same, clearly, is no more looked for.
    """
    dark, contrast = (None, 0.0) if known is None else (known.dark, known.contrast)
    levels = None if known is None else known.levels.get(mask.text)
    asked = _worth_asking(view, mask, words)
    seen = view.sightings(mask, asked)
    starts = [] if known is None or mask.text not in known.layouts else [known.layouts[mask.text]]
    soon = None
    if seen:
        fit = seen_places(strip, mask, [sighting.x for sighting in seen], dark, contrast)
        soon = _read_fit(strip, fit, mask, words, FLOOR_FOUND, levels, asked)
        if soon.texts[0][0] == seen[0].text and soon.texts[0][2] >= BORNE_OUT and soon.trust >= 1.0:
            return soon
        starts.append(fit.layout)
    fit = find_places(strip, mask, np.array(starts) if starts else None, dark, contrast)
    anywhere = _read_fit(strip, fit, mask, words, FLOOR_FOUND, levels, asked)
    return anywhere if soon is None else _likelier(anywhere, soon)


def _worth_asking(view: View, mask: Mask, words: tuple[str, ...]) -> list[str]:
    """Give the texts of the network that the bars shall rate, too, however little they make of them."""
    return [text for text, chance in view.read(mask, words)[:2] if chance >= WORTH_ASKING]


def _likelier(one: Answer, two: Answer) -> Answer:
    """Give the better of two answers; where they say different things and neither is clearly better, with little trust."""
    better, other = sorted((one, two), key=lambda answer: answer.merit, reverse=True)
    if better.texts[0][0] != other.texts[0][0] and other.merit > 0.8 * better.merit:
        return replace(better, stray=max(better.stray, CONTESTED))
    return better


def _read_fit(
    strip: Strip,
    fit: Fit,
    mask: Mask,
    words: tuple[str, ...],
    floor: float,
    levels: Levels | None,
    asked: Sequence[str] = (),
) -> Answer:
    bars = measure(fit, mask)
    veiled = _veiled_bars(strip, fit, bars)
    return _answer_of(_spelled(fit, bars, veiled, mask, words, floor, levels, asked), fit, bars, veiled, mask)


def _spelled(
    fit: Fit,
    bars: Bars,
    veiled: np.ndarray,
    mask: Mask,
    words: tuple[str, ...],
    floor: float,
    levels: Levels | None,
    asked: Sequence[str] = (),
) -> list[tuple[str, str, float]]:
    signs = sign_chances(fit, bars) if mask.sign else None
    return candidates(place_likelihoods(bars, fit, veiled, floor, levels), mask, words, signs, asked=asked)


def _answer_of(texts: list[tuple[str, str, float]], fit: Fit, bars: Bars, veiled: np.ndarray, mask: Mask) -> Answer:
    """Give what the bars spell, with what of the ink it explains and leaves out."""
    text, glyphs, _ = texts[0]
    bare, inked = bare_of(fit, bars, glyphs), cv2.compare(fit.ink.map, 0.5 * bars.level, cv2.CMP_GT)
    share = explained(fit, bars, mask, bare)
    if text.startswith("-"):
        share[: len(glyphs) - len(glyphs.lstrip())] = 1.0  # the empty places before the first digit hold the sign
    stray = stray_ink(inked, bare, bars, mask, minus=text.startswith("-"))
    if not mask.sign and text[:1].isdigit():  # a minus where the mask allows none: a temperature below zero, marked without it
        stray = max(stray, sign_chance(fit, bars, len(glyphs) - len(glyphs.lstrip())))
    return Answer(texts, fit, bars, share, stray, mask, runs_out(inked, bars, glyphs), bool(veiled.any()))


def _veiled_bars(strip: Strip, fit: Fit, bars: Bars) -> np.ndarray:
    """Tell which bars lie under glare: (places, 7).

    On a display with dark segments, what is white to the camera, or so near to it that the halo covers it. On one with
    bright segments, where the ground is so bright that a lit bar could not stand off it, and a bar that may itself be a glint.
    """
    rows, columns = fit.ink.map.shape
    row = np.minimum(np.maximum(np.rint(bars.y), 0), rows - 1).astype(int)
    column = np.minimum(np.maximum(np.rint(bars.x), 0), columns - 1).astype(int)
    if not fit.ink.dark:
        veil = 255 - fit.ink.ground[row, column] < 0.7 * 255 * fit.ink.contrast * bars.level
        return (veil.mean(axis=-1) > 0.25) | _glints(_whiteness(strip.colour[row, column]).mean(axis=-1), bars)
    elif strip.clipped.any():
        reach = round(0.1 * STRIP_HEIGHT)
        veil = cv2.dilate(strip.clipped.view(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))[row, column] > 0
    else:
        return np.zeros(bars.lit.shape, bool)
    return veil.mean(axis=-1) > 0.25


def _whiteness(colours: np.ndarray) -> np.ndarray:
    """Give the least channel of some colours (..., 3), 0 to 255."""
    return np.minimum(np.minimum(colours[..., 0], colours[..., 1]), colours[..., 2])


def _glints(white: np.ndarray, bars: Bars) -> np.ndarray:
    """Tell which bars that seem lit are much whiter than lit bars are here, as the mirror image of a lamp is: (places, 7).

    `white` (places, 7) is every bar's least colour channel, 0 to 255: light in all colours raises it. Lit bars of one display are
    alike; where most are white to the camera themselves, nothing tells a glint from them.
    """
    lit = bars.lit > 0.5 * bars.levels[:, None]
    usual = median(white[lit].tolist()) if lit.any() else 255.0
    return lit & (white > max(min(GLINT_RATIO * usual, WHITE), usual + GLINT_STEP))
