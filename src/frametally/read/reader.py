"""Takes a photo and where a display is in it; gives the reading: text, value, confidence, flag and rivals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from frametally.model import STATUS_DEFAULTS, Corners, Display, Flag, Reading, Rival
from frametally.read.layout import Mask
from frametally.read.rectify import STRIP_HEIGHT, Strip, rectify
from frametally.read.segments import Bars, Fit, candidates, explained, find_places, lit_levels, measure, place_likelihoods

LEAST_CONTRAST = 0.06
"""Below this, nothing on the display stands off its ground: it is off. As in `rectify.Ink.contrast`."""

KEPT_RIVALS = 5


@dataclass(frozen=True)
class Known:
    """What the reference frame tells of a display: the `layout` of its places and how far lit bars stand off, `contrast`."""

    layout: np.ndarray
    contrast: float
    dark: bool


@dataclass(frozen=True)
class _Answer:
    texts: list[tuple[str, str, float]]
    fit: Fit
    bars: Bars
    share: np.ndarray
    mask: Mask


def read_segments(strip: Strip, display: Display, known: Known | None = None) -> Reading:
    """Read a seven-segment display that was seen straight on.

    Where the mask is a list, every mask is tried; the one whose reading explains most ink counts.
    """
    words = tuple(dict.fromkeys([*display.status, *STATUS_DEFAULTS]))
    answers = [_answer(strip, Mask.parse(mask), words, known) for mask in display.masks]
    best = max(answers, key=lambda answer: answer.fit.gain * answer.texts[0][2])
    return _judge(best, display, known)


def _answer(strip: Strip, mask: Mask, words: tuple[str, ...], known: Known | None) -> _Answer:
    layouts = known.layout[None] if known is not None else None
    fit = find_places(strip, mask, layouts)
    bars = measure(fit, mask)
    veiled = _veiled_bars(strip, bars) if fit.ink.dark else np.zeros(bars.lit.shape, bool)
    texts = candidates(place_likelihoods(bars, fit, veiled), mask, words)
    return _Answer(texts, fit, bars, explained(fit, bars, texts[0][1]), mask)


def _veiled_bars(strip: Strip, bars: Bars) -> np.ndarray:
    """Tell which bars lie under glare: white to the camera, or so near to white that its halo covers them. (places, 7)"""
    reach = round(0.1 * STRIP_HEIGHT)
    veil = cv2.dilate(strip.clipped.astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    column = np.clip(np.rint(bars.x), 0, veil.shape[1] - 1).astype(int)
    row = np.clip(np.rint(bars.y), 0, veil.shape[0] - 1).astype(int)
    return veil[row, column].mean(axis=-1) > 0.25


def _judge(answer: _Answer, display: Display, known: Known | None) -> Reading:
    ink = answer.fit.ink
    text, _, probability = answer.texts[0]
    level = float(lit_levels(answer.bars.lit).mean())
    sharpness = level / max(ink.noise, 0.01)
    contrast = ink.contrast * level
    confidence = probability * _trust(answer)
    rivals = tuple(Rival(t, number(t), p * confidence / probability) for t, _, p in answer.texts[:KEPT_RIVALS])
    if _is_off(contrast, text, known):
        return Reading("", None, 0.99, Flag.BLANK, rivals, "segments", sharpness)
    flag = flag_of(text, display)
    return Reading(text, number(text) if flag is Flag.OK else None, confidence, flag, rivals, "segments", sharpness)


def _is_off(contrast: float, text: str, known: Known | None) -> bool:
    """Tell whether the display is off: nothing stands out, or only what stands out on an unlit one too, all bars alike."""
    if contrast < LEAST_CONTRAST or not text:
        return True
    if known is not None and contrast < 0.35 * known.contrast:
        return set(text) <= set("8.")
    return contrast < 2.5 * LEAST_CONTRAST and set(text) <= set("8.")


def _trust(answer: _Answer) -> float:
    """Give how far a fit can be trusted at all, 0 to 1, from the share of the ink that the reading explains."""
    return float(np.clip((float(answer.share.min()) - 0.45) / 0.3, 0.0, 1.0))


def flag_of(text: str, display: Display) -> Flag:
    """Give the flag of a text before anything is known of its neighbours."""
    value = number(text)
    if value is not None:
        if display.range is not None and not display.range[0] <= value <= display.range[1]:
            return Flag.DOUBTFUL
        return Flag.OK
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
    """
    rows, columns = image.shape[:2]
    if corners is None:
        corners = ((0, 0), (columns, 0), (columns, rows), (0, rows))
    masks = digits if isinstance(digits, str) else tuple(digits)
    display = Display(key="display", quantity="reading", unit="", corners=corners, digits=masks, kind=kind)
    return read_segments(rectify(image, display.corners), display)
