"""Takes a strip and a digits mask; gives what the Tesseract program reads there, for printed-looking and dot-matrix screens.

Tesseract is an outside program. Where it is missing, hangs or crashes, the answer is empty, never an error: a run does not
stop for one display. Its own confidence does not tell when it is wrong, so its readings are held to be doubtful until the
neighbouring frames agree.
"""

from __future__ import annotations

import os
import re
import threading
from dataclasses import dataclass

import cv2
import numpy as np

from frametally.read.layout import Mask
from frametally.read.rectify import PAD, Strip, ink_of

TIMEOUT_S = 10.0
SURE_AT_MOST = 0.9
"""Never more than this, however sure Tesseract says it is."""

_WHITELIST = "0123456789.:-OLERrHIoFba"
_TEXT = re.compile(r"[0-9.:\-A-Za-z]+")
_environment = threading.Lock()


@dataclass(frozen=True)
class OcrAnswer:
    """What was read: `text` ("" where nothing, or no Tesseract), `confidence` 0 to SURE_AT_MOST."""

    text: str
    confidence: float


NOTHING = OcrAnswer("", 0.0)


def tesseract_version() -> str:
    """Give Tesseract's version, "" where the program is missing."""
    import pytesseract

    try:
        return str(pytesseract.get_tesseract_version())
    except (pytesseract.TesseractNotFoundError, OSError, SystemExit):
        return ""


def prepare(strip: Strip, *, dark: bool) -> np.ndarray:
    """Give the strip as Tesseract likes it: dark characters on white, evened, with a white margin. uint8, (rows, columns)."""
    ink = ink_of(strip, dark=dark)
    page = np.clip(255 * (1 - np.clip(ink.map[PAD:-PAD, PAD:-PAD], 0, 1)), 0, 255).astype(np.uint8)
    page = cv2.GaussianBlur(page, (0, 0), 1.2)  # joins the dots of a dot matrix
    page = cv2.resize(page, None, fx=0.75, fy=0.75, interpolation=cv2.INTER_AREA)
    return cv2.copyMakeBorder(page, 24, 24, 24, 24, cv2.BORDER_CONSTANT, value=255)


def read_text(strip: Strip, mask: Mask, *, timeout_s: float = TIMEOUT_S) -> OcrAnswer:
    """Read one line of text with Tesseract, trying dark and bright characters; the answer that fits the mask better counts."""
    answers = [_ask(prepare(strip, dark=dark), timeout_s) for dark in (True, False)]
    fitted = [OcrAnswer(fit_to_mask(answer.text, mask), answer.confidence) for answer in answers]
    return max(fitted, key=lambda answer: (bool(answer.text), answer.confidence))


def _ask(page: np.ndarray, timeout_s: float) -> OcrAnswer:
    import pytesseract

    with _environment:
        os.environ.setdefault("OMP_THREAD_LIMIT", "1")  # Tesseract's own threads slow it down, and ours run beside them
    config = f"--psm 7 -c tessedit_char_whitelist={_WHITELIST}"
    try:
        data = pytesseract.image_to_data(page, config=config, timeout=timeout_s, output_type=pytesseract.Output.DICT)
    except (pytesseract.TesseractError, pytesseract.TesseractNotFoundError, RuntimeError, OSError, ValueError, SystemExit):
        return NOTHING
    found = zip(data.get("text", ()), data.get("conf", ()), strict=False)  # a program that was cut off gives half a table
    words = [(text.strip(), float(sure)) for text, sure in found if text.strip() and float(sure) >= 0]
    if not words:
        return NOTHING
    text = "".join(_TEXT.findall("".join(word for word, _ in words)))
    return OcrAnswer(text, min(SURE_AT_MOST, min(sure for _, sure in words) / 100))


def fit_to_mask(text: str, mask: Mask) -> str:
    """Write the read characters into the mask: a fixed point is put where the mask has it; "" where the digits are too many.

    Words without any digit are left as they are.
    """
    if not any(character.isdigit() for character in text):
        return text.strip(".:")
    sign = "-" if text.startswith("-") and mask.sign else ""
    digits = re.sub(r"[^0-9]", "", text.replace("O", "0").replace("o", "0").replace("I", "1"))
    places = mask.places
    least = (mask.after or 0) + 1 if mask.after else 1
    if not least <= len(digits) <= places:
        return ""
    breaks = [position - (places - len(digits)) for position in mask.breaks]
    marked = "".join(digit + (mask.marks[breaks.index(i + 1)] if i + 1 in breaks else "") for i, digit in enumerate(digits))
    return sign + marked
