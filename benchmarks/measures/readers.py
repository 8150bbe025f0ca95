"""Takes one drawn or photographed display; gives what each reader says of it: ours alone and together, Tesseract, others.

Other recognisers are used where somebody has installed them; nothing here installs or downloads any.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from typing import Literal

import cv2
import numpy as np

from frametally.model import Corners, Display, Flag, Reading
from frametally.read import rectify
from frametally.read.ocr import tesseract_version
from frametally.read.reader import Known, flag_of, number, opinions, read_strip
from frametally.read.rectify import PAD, Strip

SEGMENTS, NETWORK, BOTH = "segments alone", "network alone", "both"
WITH_NIGHT, WITH_TEACHING = "both, with the night", "both, with the night and teaching"
WHOLE, AS_TEXT, TESSERACT = "the whole reader", "text displays' reader", "Tesseract, the plain crop"

Other = Callable[[np.ndarray], tuple[str, float]]
"""Takes the region seen straight on (uint8, BGR); gives text and confidence."""


@dataclass(frozen=True)
class Shown:
    """One display to read: the picture, where and what it is, and the text it shows."""

    image: np.ndarray
    display: Display
    text: str


def as_display(corners: Corners | np.ndarray, digits: str | tuple[str, ...], kind: Literal["segments", "text"]) -> Display:
    """Make a display of which nothing is known but its place and mask."""
    points = tuple((float(x), float(y)) for x, y in corners)
    return Display(key="display", quantity="reading", unit="", corners=points, digits=digits, kind=kind)  # type: ignore[arg-type]


def reading_of(text: str, confidence: float, display: Display, reader: str) -> Reading:
    """Make a reading of a bare text."""
    flag = flag_of(text, display) if text else Flag.UNREADABLE
    return Reading(text, number(text), confidence, flag, (), reader)


def readings(shown: Shown, *, tesseract: bool = True, known: Known | None = None) -> Iterator[tuple[str, Reading]]:
    """Give each reader's name and reading; a text display is none for segments and network."""
    display = shown.display
    strip = rectify(shown.image, display.corners)
    yield from strip_readings(strip, display, tesseract=tesseract, known=known)


def strip_readings(
    strip: Strip, display: Display, *, tesseract: bool = True, known: Known | None = None
) -> Iterator[tuple[str, Reading]]:
    """As `readings`, of a region seen straight on already."""
    if display.kind == "segments":
        for name, rated in zip((SEGMENTS, NETWORK), opinions(strip, display, known), strict=True):
            text, confidence = rated[0] if rated else ("", 0.0)
            yield name, reading_of(text, confidence, display, name)
        yield BOTH, read_strip(strip, display, known)
    else:
        yield WHOLE, read_strip(strip, display, known)
    if tesseract and has_tesseract():
        if display.kind == "segments":
            yield AS_TEXT, read_strip(strip, display.model_copy(update={"kind": "text"}))
        yield TESSERACT, reading_of(*bare_tesseract(straight(strip)), display, TESSERACT)
    for name, other in others().items():
        text, confidence = other(straight(strip))
        yield name, reading_of(text.replace(" ", ""), confidence, display, name)


@lru_cache(maxsize=1)
def has_tesseract() -> bool:
    """Tell whether Tesseract is on this machine."""
    return bool(tesseract_version())


def bare_tesseract(image: np.ndarray) -> tuple[str, float]:
    """Read one line with Tesseract as anybody would: no preparation, no mask, all signs allowed."""
    import pytesseract

    data = pytesseract.image_to_data(image[..., ::-1], config="--psm 7", output_type=pytesseract.Output.DICT)
    words = [(text.strip(), float(sure) / 100) for text, sure in zip(data["text"], data["conf"], strict=True) if text.strip()]
    return ("".join(text for text, _ in words), min(sure for _, sure in words)) if words else ("", 0.0)


def straight(strip: Strip) -> np.ndarray:
    """Give the region as a picture for other recognisers: uint8, (rows, columns, 3), BGR."""
    return cv2.copyMakeBorder(strip.pixels[PAD:-PAD, PAD:-PAD], 12, 12, 12, 12, cv2.BORDER_REPLICATE)


# --- recognisers that may be installed -----------------------------------------------------------------------------------


def _easyocr() -> Other:
    reader = import_module("easyocr").Reader(["en"], gpu=False, download_enabled=False, verbose=False)

    def read(image: np.ndarray) -> tuple[str, float]:
        found = reader.recognize(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), allowlist="0123456789.-:OL", detail=1)
        return ("".join(text for _, text, _ in found), min(sure for *_, sure in found)) if found else ("", 0.0)

    return read


def _rapidocr(module: str) -> Other:
    engine = import_module(module).RapidOCR()

    def read(image: np.ndarray) -> tuple[str, float]:
        answer = engine(image, use_det=False, use_cls=False, use_rec=True)
        if hasattr(answer, "txts"):
            lines = list(zip(answer.txts or (), answer.scores or (), strict=True))
        else:  # older releases give a list and their times
            lines = [(str(line[0]), float(line[1])) for line in answer[0] or ()]
        return ("".join(text for text, _ in lines), float(min(sure for _, sure in lines))) if lines else ("", 0.0)

    return read


_MAKERS: dict[str, Callable[[], Other]] = {
    "easyocr": _easyocr,
    "rapidocr": lambda: _rapidocr("rapidocr"),
    "rapidocr_onnxruntime": lambda: _rapidocr("rapidocr_onnxruntime"),
}


@lru_cache(maxsize=1)
def others() -> dict[str, Other]:
    """Give the other recognisers that are installed and can be started without a download, by name."""
    ready: dict[str, Other] = {}
    for name, make in _MAKERS.items():
        if find_spec(name) is None:
            continue
        try:
            ready[name] = make()
        except Exception as problem:  # whatever keeps it from starting is its own affair: said, and left out
            print(f"{name} is installed but does not start ({problem}); left out.", file=sys.stderr)
    return ready
