"""Takes a line of text as ink; gives what Tesseract reads in it, written into the display's digits mask.

The line is brought to Tesseract in several preparations, all in one call: what they agree on is worth something, Tesseract's
own confidence alone is not. Tesseract is an outside program: where it is missing, hangs or crashes, that is no error.
"""

from __future__ import annotations

import os
import re
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from frametally.read.layout import Mask
from frametally.read.line import Line
from frametally.read.prints import write_into
from frametally.read.rectify import PAD, STRIP_HEIGHT, Ink

TIMEOUT_S = 10.0

PREPARATIONS = ((28, 0.35, True), (32, 0.35, True), (24, 0.35, True), (32, 0.25, True), (32, 0.35, False), (24, 0.35, False))
"""Height of the digits [px], softness that joins dots (over a seventh of that height), whether other rows are cut away."""

_WHITELIST = "0123456789.:-OLERrHIoFba"
_TEXT = re.compile(r"[0-9.:\-A-Za-z]+")
_NUMBER = re.compile(r"-?[0-9OoI][0-9OoI.:\-]*")
_environment = threading.Lock()


def tesseract_version() -> str:
    """Give Tesseract's version, "" where the program is missing."""
    import pytesseract

    try:
        return str(pytesseract.get_tesseract_version())
    except (pytesseract.TesseractNotFoundError, OSError, SystemExit):
        return ""


def prepare(ink: Ink, line: Line | None) -> list[np.ndarray]:
    """Give pages as Tesseract likes them: dark signs on white, 24 to 32 px high, with a white margin. uint8, (rows, columns)."""
    whole = np.clip(ink.map[PAD:-PAD, PAD:-PAD], 0, 1.3).astype(np.float32)
    height = line.height if line is not None else 0.75 * STRIP_HEIGHT
    pages = []
    for wanted, softness, alone in PREPARATIONS:
        part = line.ink if alone and line is not None else whole
        soft = cv2.GaussianBlur(part, (0, 0), softness * height / 7)
        soft = np.clip(soft / max(float(np.percentile(soft, 99.5)), 0.05), 0, 1)
        size = tuple(max(8, round(length * wanted / height)) for length in soft.shape[::-1])
        page = 255 - np.rint(255 * cv2.resize(soft, size, interpolation=cv2.INTER_AREA)).astype(np.uint8)
        room = round(0.6 * wanted)
        pages.append(cv2.copyMakeBorder(page, room, room, room, room, cv2.BORDER_CONSTANT, value=255))
    return pages


def ask(pages: list[np.ndarray], timeout_s: float = TIMEOUT_S) -> dict[int, tuple[str, float]]:
    """Give the text of every page on which Tesseract finds one, by page, and how sure it is of its least sure word, 0 to 1."""
    import pytesseract

    with _environment:
        os.environ.setdefault("OMP_THREAD_LIMIT", "1")  # Tesseract's own threads slow it down, and ours run beside them
    config = f"--psm 7 -c tessedit_char_whitelist={_WHITELIST}"
    try:
        with tempfile.TemporaryDirectory(prefix="frametally_") as folder:
            paths = [Path(folder) / f"{number}.pgm" for number in range(len(pages))]
            for path, page in zip(paths, pages, strict=True):
                path.write_bytes(b"P5 %d %d 255\n" % page.shape[::-1] + page.tobytes())
            listed = Path(folder) / "pages.txt"
            listed.write_text("".join(f"{path}\n" for path in paths), encoding="utf-8")
            data = pytesseract.image_to_data(str(listed), config=config, timeout=timeout_s, output_type=pytesseract.Output.DICT)
    except (pytesseract.TesseractError, pytesseract.TesseractNotFoundError, RuntimeError, OSError, ValueError, SystemExit):
        return {}
    columns = (data.get(name, ()) for name in ("page_num", "text", "conf"))  # a program that was cut off gives half a table
    words: dict[int, list[tuple[str, float]]] = {}
    for number, text, sure in zip(*columns, strict=False):
        if str(text).strip() and float(sure) >= 0:
            words.setdefault(int(number) - 1, []).append((str(text).strip(), float(sure)))
    return {
        number: ("".join(_TEXT.findall("".join(word for word, _ in found))), min(1.0, min(sure for _, sure in found) / 100))
        for number, found in words.items()
    }


def fit_to_masks(text: str, masks: Sequence[Mask], words: Sequence[str]) -> str:
    """Write the read signs into the mask that takes most of them, as they stand if possible; "" where none does.

    What has no digit counts where it is one of the words; it is given in capitals.
    """
    fitted = [fit_to_mask(text, mask) for mask in masks]
    if not any(character.isdigit() for character in text):
        return fitted[0].upper() if fitted[0].upper() in {word.upper() for word in words} else ""
    return max(fitted, key=lambda one: (sum(sign.isdigit() for sign in one), one in text))


def fit_to_mask(text: str, mask: Mask) -> str:
    """Write the read signs into the mask; "" where the digits are too many or too few, or the point stands elsewhere.

    A fixed point that was not seen is put where the mask has it; what follows its last place is a unit's letter. Words without
    any digit are left as they are.
    """
    if not any(character.isdigit() for character in text):
        word = text.strip(".:")
        return word if len(word) > 1 else ""  # a lone letter is a stain or a unit's
    match = _NUMBER.search(text)
    if match is None:
        return ""
    number = match.group().replace("O", "0").replace("o", "0").replace("I", "1").rstrip(".:-")
    minus = number.startswith("-") and mask.sign
    if mask.marks == "." and number.count(".") == 1 and mask.after:
        before, after = number.split(".")
        if len(after) < mask.after:
            return ""
        number = before + after[: mask.after]
    elif not mask.marks and "." in number.lstrip("-."):
        return ""
    return write_into(mask, re.sub(r"[^0-9]", "", number), minus=minus)
