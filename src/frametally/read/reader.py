"""Takes a photo and where a display is in it; gives the reading: text, value, confidence, flag and rivals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from pydantic import ValidationError

from frametally.errors import BadInput
from frametally.model import STATUS_DEFAULTS, Corners, Display, Flag, Placement, Reading, Rival
from frametally.read.layout import Mask
from frametally.read.network import read_network
from frametally.read.ocr import read_text
from frametally.read.places import Fit, find_places, follow_places
from frametally.read.rectify import STRIP_HEIGHT, Strip, rectify
from frametally.read.segments import (
    FLOOR_FOLLOWED,
    FLOOR_FOUND,
    Bars,
    explained,
    lit_levels,
    measure,
    place_likelihoods,
    sign_chances,
    stray_ink,
)
from frametally.read.texts import candidates
from frametally.read.verdict import agree

LEAST_CONTRAST = 0.06
"""Below this, nothing on the display stands off its ground: it is off. As in `rectify.Ink.contrast`."""

FAINTEST = 0.035
"""Where nothing is known of a display, it is off below this contrast, and at best a doubt below LEAST_CONTRAST."""

UNLIT_SHARE, FAINT_SHARE = 0.22, 0.4
"""Shares of the usual contrast: below the first only unlit segments are left to see, below the second a reading is a doubt."""

CLEAN = 0.93
"""A fit near the known places that explains less than this of its ink is checked against a search of the whole region."""

CONTESTED = 0.5
"""Stray ink that a reading is charged with where another fit, about as good, says something else."""

WORD_AT_LEAST = 0.5
"""A word less probable than this was not read."""

KEPT_RIVALS = 5

GIVEN_UP = 0.05
"""Below this confidence the segments reader has given up, and Tesseract is asked."""


@dataclass(frozen=True)
class Known:
    """What the reference frame tells of a display.

    `layouts` and `gains` have, by mask, the places and how much they explain, where the digits shown settle them; `contrast` is
    how far lit bars stand off, `dark` whether they are darker than the ground, `ground` how bright that is, 0 to 255.
    """

    layouts: Mapping[str, np.ndarray]
    gains: Mapping[str, float]
    contrast: float
    dark: bool
    ground: float


@dataclass(frozen=True)
class _Answer:
    texts: list[tuple[str, str, float]]
    fit: Fit
    bars: Bars
    share: np.ndarray
    stray: float
    mask: Mask

    @property
    def explains(self) -> float:
        """The share of its ink that the worst explained place has on its bars."""
        return float(self.share.min())

    @property
    def merit(self) -> float:
        """What decides between two answers: how likely the text is, how far the fit is trusted and how much it explains."""
        return self.texts[0][2] * self.trust * max(self.explains, 0.0) ** 4

    @property
    def trust(self) -> float:
        """How far the fit can be trusted at all, 0 to 1, from the ink that the reading explains and leaves out."""
        explained = np.clip((self.explains - 0.45) / 0.3, 0.0, 1.0)
        left_out = np.clip((0.7 - self.stray) / 0.35, 0.0, 1.0)
        return float(explained * left_out)

    @property
    def contrast(self) -> float:
        """How far the lit bars stand off the ground."""
        return self.fit.ink.contrast * float(lit_levels(self.bars.lit).max())


class Reader:
    """Reads the displays of one calibration; learns from the reference frame where the digits lie in each marked region.

    Nothing in it changes after it is made: one reader serves all threads.
    """

    def __init__(self, reference: np.ndarray, displays: Sequence[Display]) -> None:
        self._displays = tuple(displays)
        self._known = {display.key: learn(rectify(reference, display.corners), display) for display in displays}

    def read(self, image: np.ndarray, placement: Placement) -> dict[str, Reading]:
        """Give every display's reading in one photo; those that are covered or lost are not looked at."""
        readings = {}
        for display in self._displays:
            corners = placement.corners.get(display.key)
            if corners is None:
                flag = Flag.HIDDEN if display.key in placement.covered else Flag.LOST
                readings[display.key] = Reading("", None, 0.0, flag)
            else:
                readings[display.key] = read_strip(rectify(image, corners), display, self._known[display.key])
        return readings


def learn(strip: Strip, display: Display) -> Known | None:
    """Learn a display's layout from one photo; None where it cannot be read there with confidence."""
    if display.kind != "segments":
        return None
    answers = [_answer(strip, Mask.parse(mask), (), None) for mask in display.masks]
    best = max(answers, key=_merit)
    if best.texts[0][2] * best.trust < 0.9:
        return None
    tall = any(glyph in "02356890" for glyph in best.texts[0][1])  # top and bottom bars say how high the digits are, a 1 does not
    layouts = {answer.mask.text: answer.fit.layout for answer in answers if tall}
    gains = {answer.mask.text: answer.fit.gain for answer in answers if tall}
    return Known(layouts, gains, best.contrast, best.fit.ink.dark, best.fit.ink.usual)


def read_strip(strip: Strip, display: Display, known: Known | None = None) -> Reading:
    """Read a display that was seen straight on, with the reader its `kind` asks for, and Tesseract where segments give up."""
    if display.kind == "text":
        return _read_text(strip, display)
    reading = read_segments(strip, display, known)
    gave_up = reading.flag is Flag.UNREADABLE or (reading.flag is not Flag.BLANK and reading.confidence < GIVEN_UP)
    if not gave_up:
        return reading
    other = _read_text(strip, display)
    full = max(mask.count("#") for mask in display.masks)
    if other.value is None or sum(character.isdigit() for character in other.text) < full:
        return reading
    return replace(
        other,
        confidence=min(other.confidence, 0.5),
        rivals=tuple(replace(r, probability=min(r.probability, 0.5)) for r in other.rivals),
    )


def _read_text(strip: Strip, display: Display) -> Reading:
    answers = [read_text(strip, Mask.parse(mask)) for mask in display.masks]
    best = max(answers, key=lambda answer: (bool(answer.text), answer.confidence))
    if not best.text:
        return Reading("", None, 0.0, Flag.UNREADABLE, (), "ocr")
    value, flag = number(best.text), flag_of(best.text, display)
    return Reading(best.text, value, best.confidence, flag, (Rival(best.text, value, best.confidence),), "ocr")


def read_segments(strip: Strip, display: Display, known: Known | None = None) -> Reading:
    """Read a seven-segment display that was seen straight on.

    Where the mask is a list, every mask is tried; the one whose reading explains most ink counts.
    """
    words = tuple(dict.fromkeys([*display.status, *STATUS_DEFAULTS]))
    answers = [_answer(strip, Mask.parse(mask), words, known) for mask in display.masks]
    best = max(answers, key=_merit)
    network = read_network(strip, best.mask, words)
    return _judge(best, network, display, known, float(strip.clipped.mean()))


def _merit(answer: _Answer) -> float:
    return answer.fit.gain * answer.texts[0][2]


def _answer(strip: Strip, mask: Mask, words: tuple[str, ...], known: Known | None) -> _Answer:
    """Read with one mask: near the known places first; if that does not settle it, anywhere in the region.

    Where near and far say different things, and the one that explains more ink is not clearly the likelier too, neither is
    trusted.
    """
    if known is None:
        return _read_fit(strip, find_places(strip, mask), mask, words)
    if mask.text not in known.layouts:
        return _read_fit(strip, find_places(strip, mask, None, known.dark, known.contrast), mask, words)
    fit = follow_places(strip, mask, known.layouts[mask.text], dark=known.dark, contrast=known.contrast)
    near = _read_fit(strip, fit, mask, words, FLOOR_FOLLOWED)
    clean = near.trust >= 1.0 and near.explains >= CLEAN and near.fit.gain >= 0.8 * known.gains[mask.text]
    if clean and near.texts[0][2] >= 0.97:
        return near
    fit = find_places(strip, mask, known.layouts[mask.text][None], known.dark, known.contrast)
    far = _read_fit(strip, fit, mask, words)
    better, other = sorted((far, near), key=lambda answer: answer.merit, reverse=True)
    if better.texts[0][0] != other.texts[0][0] and other.merit > 0.8 * better.merit:
        return replace(better, stray=max(better.stray, CONTESTED))
    return better


def _read_fit(strip: Strip, fit: Fit, mask: Mask, words: tuple[str, ...], floor: float = FLOOR_FOUND) -> _Answer:
    bars = measure(fit, mask)
    veiled = _veiled_bars(strip, fit, bars)
    signs = sign_chances(fit, bars)
    texts = candidates(place_likelihoods(bars, fit, veiled, floor), mask, words, signs if mask.sign else None)
    text, glyphs, _ = texts[0]
    share = explained(fit, bars, mask, glyphs)
    if text.startswith("-"):
        share[: len(glyphs) - len(glyphs.lstrip())] = 1.0  # the empty places before the first digit hold the sign
    stray = stray_ink(fit, bars, mask, glyphs, minus=text.startswith("-"))
    if not mask.sign and text[:1].isdigit():  # a minus where the mask allows none: a temperature below zero, marked without it
        stray = max(stray, float(signs[len(glyphs) - len(glyphs.lstrip())]))
    return _Answer(texts, fit, bars, share, stray, mask)


def _veiled_bars(strip: Strip, fit: Fit, bars: Bars) -> np.ndarray:
    """Tell which bars lie under glare: (places, 7).

    On a display with dark segments, what is white to the camera, or so near to it that the halo covers it. On one with
    bright segments, where the ground is so bright that a lit bar could not stand off it.
    """
    if fit.ink.dark:
        reach = round(0.1 * STRIP_HEIGHT)
        veil = cv2.dilate(strip.clipped.astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    else:
        lit = 255 * fit.ink.contrast * float(lit_levels(bars.lit).max())
        veil = 255 - fit.ink.ground < 0.7 * lit
    column = np.clip(np.rint(bars.x), 0, veil.shape[1] - 1).astype(int)
    row = np.clip(np.rint(bars.y), 0, veil.shape[0] - 1).astype(int)
    return veil[row, column].mean(axis=-1) > 0.25


def _judge(answer: _Answer, network: list[tuple[str, float]], display: Display, known: Known | None, veiled: float) -> Reading:
    noise = max(answer.fit.ink.noise, 0.01)
    sharpness = answer.contrast / answer.fit.ink.contrast / noise
    texts = _weighed([(text, probability) for text, _, probability in answer.texts], display)
    text, probability = texts[0]
    confidence = probability * answer.trust
    rivals = tuple(Rival(t, number(t), p * answer.trust) for t, p in texts[:KEPT_RIVALS])
    if _is_off(answer, text, confidence, known):
        flag = Flag.UNREADABLE if _is_glaring(answer, veiled, known) else Flag.BLANK
        return Reading("", None, 0.99 if flag is Flag.BLANK else 0.0, flag, rivals, "segments", sharpness)
    if network:
        rated = agree([(rival.text, rival.probability) for rival in rivals], _weighed(network, display))
        text, confidence = rated[0]
        rivals = tuple(Rival(t, number(t), p) for t, p in rated[:KEPT_RIVALS])
    flag = flag_of(text, display)
    if flag is not Flag.OK and confidence < WORD_AT_LEAST and number(text) is None:
        flag = Flag.UNREADABLE  # a word says more than a number: it must be more than the best of bad fits
    if flag is Flag.OK and answer.contrast < (LEAST_CONTRAST if known is None else FAINT_SHARE * known.contrast):
        flag = Flag.DOUBTFUL  # so faint that it may be what shows on the display unlit
        confidence = min(confidence, 0.5)
    return Reading(text, number(text), confidence, flag, rivals, "segments", sharpness)


def _is_glaring(answer: _Answer, veiled: float, known: Known | None) -> bool:
    """Tell whether a display on which nothing shows may be under glare, rather than off."""
    ink = answer.fit.ink
    if veiled > 0.1 or ink.glare > 0.15:
        return True
    if known is None:
        return False
    return answer.contrast >= FAINT_SHARE * known.contrast or ink.usual > max(1.3 * known.ground, 150.0)


def _weighed(texts: Sequence[tuple[str, float]], display: Display) -> list[tuple[str, float]]:
    """Weigh texts with what the display can show: a number outside its range or off its resolution is a thousand times rarer."""
    weighed = []
    for text, probability in texts:
        value = number(text)
        weighed.append((text, probability * (1.0 if value is None or _can_show(value, display) else 1e-3)))
    total, known = sum(p for _, p in weighed), sum(p for _, p in texts)
    return sorted(((text, p / total * known if total > 0 else 0.0) for text, p in weighed), key=lambda item: -item[1])


def _can_show(value: float, display: Display) -> bool:
    if display.range is not None and not display.range[0] <= value <= display.range[1]:
        return False
    if display.resolution is None:
        return True
    steps = value / display.resolution
    return abs(steps - round(steps)) < 1e-6 * max(1.0, abs(steps))


def _is_off(answer: _Answer, text: str, confidence: float, known: Known | None) -> bool:
    """Tell whether the display is off: nothing stands out, or only what stands out on an unlit one too, all bars alike."""
    contrast = answer.contrast
    all_lit = not set(text) - set("8.")
    if known is not None:
        unlit = contrast < max(LEAST_CONTRAST, UNLIT_SHARE * known.contrast)
        return not text or unlit or (all_lit and contrast < FAINT_SHARE * known.contrast)
    if not text or contrast < FAINTEST or (contrast < LEAST_CONTRAST and confidence < 0.6):
        return True
    return contrast < 2.5 * LEAST_CONTRAST and (all_lit or (not answer.fit.ink.dark and confidence < 0.5))


def flag_of(text: str, display: Display) -> Flag:
    """Give the flag of a text before anything is known of its neighbours."""
    value = number(text)
    if value is not None:
        return Flag.OK if _can_show(value, display) else Flag.DOUBTFUL
    meaning = display.meaning_of(text)
    if meaning == "over range":
        return Flag.OVER_RANGE
    if meaning == "under range":
        return Flag.UNDER_RANGE
    return Flag.STATUS if meaning is not None else Flag.UNREADABLE


def number(text: str) -> float | None:
    """Give the number in a display's text, None where it is not one."""
    try:
        return float(text) if text.strip("-.") and ":" not in text else None
    except ValueError:
        return None


def read_display(
    image: np.ndarray,
    digits: str | Sequence[str] = "###",
    corners: Corners | None = None,
    kind: Literal["segments", "text"] = "segments",
) -> Reading:
    """Read one display in one picture, without any knowledge of a night.

    Parameters
    ----------
    image : uint8, shape (rows, columns, 3), BGR, or (rows, columns)
    digits : the mask, one # per digit place, like "##.#" or "-##.#"; several where the point moves
    corners : where the digits are, clockwise from their own top left [px]; None = the whole picture
    kind : "segments" or "text"

    Raises
    ------
    BadInput
        Where `image` is no picture, or a mask, the corners or the kind are not what they should be.
    """
    coloured = isinstance(image, np.ndarray) and image.shape[2:] in ((), (3,)) and image.ndim in (2, 3)
    if not coloured or image.size == 0 or image.dtype != np.uint8:
        raise BadInput(
            "read_display needs a picture: a numpy array of uint8, grey or with three colours (BGR);"
            " cv2.imread gives None where it finds no picture"
        )
    rows, columns = image.shape[:2]
    if corners is None:
        corners = ((0, 0), (columns, 0), (columns, rows), (0, rows))
    masks = digits if isinstance(digits, str) else tuple(digits)
    try:
        display = Display(key="display", quantity="reading", unit="", corners=corners, digits=masks, kind=kind)
    except ValidationError as error:
        faults = "; ".join(f"{fault['loc'][0]}: {fault['msg'].removeprefix('Value error, ')}" for fault in error.errors())
        raise BadInput(f"read_display cannot work with this: {faults}") from None
    return read_strip(rectify(image, display.corners), display)
