"""Takes a photo and where a display is in it; gives the reading: text, value, confidence, flag and rivals."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from copy import copy
from dataclasses import replace
from typing import Literal

import numpy as np
from pydantic import ValidationError

from frametally.errors import BadInput
from frametally.model import STATUS_DEFAULTS, Corners, Display, Flag, Placement, Reading, Rival
from frametally.read.answers import Answer, Known, fittest, with_every_mask
from frametally.read.glyphs import likeliest_shape
from frametally.read.judging import WORD_AT_LEAST, flag_of, judge, number
from frametally.read.layout import Mask
from frametally.read.lesson import Lesson, Sight
from frametally.read.network import View
from frametally.read.rectify import Strip, rectify
from frametally.read.segments import lit_levels
from frametally.read.voices import read_text

SETTLED_ALONE = 0.9
"""A single photo's reading is doubtful below this. It follows from the calibration: of 4,000 drawn displays, far harder than
most in use, 78 % reach it and of these 0.4 % are wrong all the same; of 652 in another's digits (a third of them hard) and on
photographs, 67 % reach it and none is wrong. In a night, where neighbours speak too, the method's `doubtful_below` counts."""

IN_VIEW, GLIMPSED = 0.9, 0.3
"""Where something may stand in front of a display, a number this probable is the display's own; or may be."""

GIVEN_UP = 0.05
"""Below this confidence the segments reader has given up, and Tesseract is asked."""


class Reader:
    """Reads the displays of one calibration; learns from the reference frame where the digits lie in each marked region.

    Nothing in it changes after it is made: one reader serves all threads.
    """

    def __init__(self, reference: np.ndarray, displays: Sequence[Display]) -> None:
        self._displays = tuple(displays)
        self._known = {display.key: learn(rectify(reference, display.corners), display) for display in displays}

    def read(self, image: np.ndarray, placement: Placement) -> dict[str, Reading]:
        """Give every display's reading in one photo.

        Those that have no place there are not looked at; of those that have one and may be covered all the same, only what
        `behind` lets through counts.
        """
        placed = [display for display in self._displays if placement.corners.get(display.key) is not None]
        strips = {display.key: rectify(image, placement.corners[display.key]) for display in placed}
        views = {key: View(strip) for key, strip in strips.items()}
        for display in placed:
            if display.kind == "segments":
                views[display.key].look()
        readings = {}
        for display in self._displays:
            key, covered = display.key, display.key in placement.covered
            if key not in strips:
                readings[key] = Reading("", None, 0.0, Flag.HIDDEN if covered else Flag.LOST)
                continue
            reading = read_strip(strips[key], display, self._known[key], views[key])
            readings[key] = behind(reading, display) if covered else reading
        return readings

    def taught(self, lessons: Mapping[str, Lesson]) -> Reader:
        """Give a reader that knows what the night taught of some displays, by their keys."""
        other = copy(self)
        other._known = {**self._known, **{key: taught(lesson, self._known[key]) for key, lesson in lessons.items()}}
        return other

    def only(self, keys: Iterable[str]) -> Reader:
        """Give a reader of some displays alone, by their keys."""
        other, wanted = copy(self), frozenset(keys)
        other._displays = tuple(display for display in self._displays if display.key in wanted)
        return other

    def study(self, image: np.ndarray, placement: Placement, texts: Mapping[str, str]) -> dict[str, Sight]:
        """Give what one settled photo shows of displays whose texts are known, by their keys; those it tells nothing of lack."""
        sights = {}
        for display in self._displays:
            if display.key in texts and display.key in placement.corners:
                strip = rectify(image, placement.corners[display.key])
                seen = study(strip, display, self._known[display.key], texts[display.key])
                if seen is not None:
                    sights[display.key] = seen
        return sights

    def recalls(self, key: str, sights: Sequence[Sight]) -> bool:
        """Tell whether this reader gives back the settled text of every sight of one display."""
        display = next(display for display in self._displays if display.key == key)
        return all(read_strip(sight.strip, display, self._known[key]).text == sight.text for sight in sights)


def behind(reading: Reading, display: Display) -> Reading:
    """Give what counts of a reading where something may stand in front of the display.

    A number that fills every place of the mask was in full view. One that leaves places empty may be the rest of a longer one,
    and one that is not sure may be made up of what stands in front: they are doubts at best.
    """
    full = {mask.count("#") for mask in display.masks} == {sum(character.isdigit() for character in reading.text)}
    if reading.value is None or reading.confidence < (GLIMPSED if full else IN_VIEW):
        return Reading("", None, 0.0, Flag.HIDDEN)
    if full and reading.confidence >= IN_VIEW:
        return reading
    flag = Flag.DOUBTFUL if reading.flag is Flag.OK else reading.flag
    return replace(reading, flag=flag, confidence=min(reading.confidence, 0.5))


def learn(strip: Strip, display: Display) -> Known | None:
    """Learn a display's layout from one photo; None where it cannot be read there with confidence."""
    if display.kind != "segments":
        return None
    view = View(strip)
    answers = with_every_mask(strip, display, (), None, view)
    best = fittest(answers, view.read([answer.mask for answer in answers], ()))
    if best.texts[0][2] * best.trust < 0.9:
        return None
    tall = any(glyph in "02356890" for glyph in best.texts[0][1])  # top and bottom bars say how high the digits are, a 1 does not
    places = {answer.mask.text: answer.fit.layout for answer in answers}
    gains = {answer.mask.text: answer.fit.gain for answer in answers}
    layouts, hints = (places, {}) if tall else ({}, places)
    return Known(layouts, gains, best.contrast, best.fit.ink.dark, best.fit.ink.usual, hints=hints)


def taught(lesson: Lesson, known: Known | None) -> Known:
    """Give what is known of a display after a lesson; masks that no settled frame shows stay as the reference frame told them."""
    layouts, gains = ({}, {}) if known is None else (known.layouts, known.gains)
    return Known(
        {**layouts, **lesson.layouts},
        {**gains, **lesson.gains},
        lesson.contrast,
        lesson.dark,
        lesson.ground,
        lesson.levels,
        {} if known is None else known.hints,
    )


def study(strip: Strip, display: Display, known: Known | None, text: str) -> Sight | None:
    """Give what a display shows whose text is known; None where its bars do not spell that text."""
    best, _ = _looked_at(strip, display, (), known)
    if best.texts[0][0] != text:
        return None
    glyphs, lit = best.texts[0][1], best.bars.lit
    return Sight(
        strip,
        text,
        best.mask.text,
        best.fit.layout,
        best.fit.gain,
        best.fit.ink.dark,
        best.contrast,
        best.fit.ink.usual,
        lit / lit_levels(lit)[:, None],
        np.array([likeliest_shape(glyph, bars) for glyph, bars in zip(glyphs, lit, strict=True)]),
        np.array([glyph != " " for glyph in glyphs]),
    )


def read_strip(strip: Strip, display: Display, known: Known | None = None, view: View | None = None) -> Reading:
    """Read a display that was seen straight on, with the reader its `kind` asks for, and Tesseract where segments give up."""
    if display.kind == "text":
        return _read_text(strip, display)
    reading = read_segments(strip, display, known, view)
    gave_up = reading.flag is Flag.UNREADABLE or (reading.flag is not Flag.BLANK and reading.confidence < GIVEN_UP)
    if not gave_up:
        return reading
    other = _read_text(strip, display)
    full = max(mask.count("#") for mask in display.masks)
    if other.value is None or sum(character.isdigit() for character in other.text) < full:
        return reading
    return replace(
        other,
        flag=Flag.DOUBTFUL if other.flag is Flag.OK else other.flag,  # what glare hides is not for neighbours to settle
        confidence=min(other.confidence, 0.5),
        rivals=tuple(replace(r, probability=min(r.probability, 0.5)) for r in other.rivals),
    )


def _read_text(strip: Strip, display: Display) -> Reading:
    answer = read_text(strip, [Mask.parse(mask) for mask in display.masks], _words(display))
    if not answer.text:
        return Reading("", None, answer.confidence, Flag.BLANK if answer.off else Flag.UNREADABLE, (), "ocr")
    flag = flag_of(answer.text, display)
    if flag is not Flag.OK and number(answer.text) is None and answer.confidence < WORD_AT_LEAST:
        flag = Flag.UNREADABLE  # a word says more than a number: it must be more than the best of bad fits
    rivals = tuple(Rival(text, number(text), probability) for text, probability in answer.rivals)
    return Reading(answer.text, number(answer.text), answer.confidence, flag, rivals, "ocr")


def read_segments(strip: Strip, display: Display, known: Known | None = None, view: View | None = None) -> Reading:
    """Read a seven-segment display that was seen straight on; the network's `view` of it may be there already.

    Where the mask is a list, every mask is tried; the one whose points are seen counts.
    """
    best, network = _looked_at(strip, display, _words(display), known, view, hasty=True)
    return judge(best, network, display, known, np.count_nonzero(strip.clipped) / strip.clipped.size)


def _looked_at(
    strip: Strip,
    display: Display,
    words: tuple[str, ...],
    known: Known | None,
    view: View | None = None,
    *,
    hasty: bool = False,
) -> tuple[Answer, list[tuple[str, float]]]:
    """Give what the bars say with the fittest mask, and what the network says of all masks."""
    view = view or View(strip)
    answers = with_every_mask(strip, display, words, known, view, hasty=hasty)
    seen = view.read([answer.mask for answer in answers], words)
    return fittest(answers, seen), seen


def opinions(
    strip: Strip, display: Display, known: Known | None = None
) -> tuple[list[tuple[str, float]], list[tuple[str, float]]]:
    """Give both readers' own (text, probability), best first, the bars' and then the network's: what the verdict rests on."""
    best, network = _looked_at(strip, display, _words(display), known, hasty=True)
    return best.rated, network


def _words(display: Display) -> tuple[str, ...]:
    """Give the words that a display may show, its own first."""
    return tuple(dict.fromkeys([*display.status, *STATUS_DEFAULTS]))


def read_display(
    image: np.ndarray,
    digits: str | Sequence[str] = "###",
    corners: Corners | None = None,
    kind: Literal["segments", "text"] = "segments",
) -> Reading:
    """Read one display in one picture, knowing nothing of a night; a reading that the pixels alone do not settle is doubtful.

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
    reading = read_strip(rectify(image, display.corners), display)
    doubtful = reading.flag is Flag.OK and reading.confidence < SETTLED_ALONE
    return replace(reading, flag=Flag.DOUBTFUL) if doubtful else reading
