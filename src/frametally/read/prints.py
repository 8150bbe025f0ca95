"""Takes a line of text and a digits mask; gives what it says by comparing every sign with drawn ones, and how clearly.

A second opinion beside Tesseract: it knows nothing of language, only how far a sign's picture is that of a digit in one of a few
faces. All digits of a display come from the same face.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from frametally.read.layout import Mask
from frametally.read.line import Line

SIGNS = "0123456789CFVRHPphm%"
"""What a sign is compared with: digits, and letters with which units begin. O is left out: it is a 0 to any eye."""

_ROWS, _COLUMNS = 24, 16
_DRAWN = 96

_DOTS = (
    ".xxx. x...x x...x x...x x...x x...x .xxx.",
    "..x.. .xx.. ..x.. ..x.. ..x.. ..x.. .xxx.",
    ".xxx. x...x ....x ...x. ..x.. .x... xxxxx",
    ".xxx. x...x ....x ..xx. ....x x...x .xxx.",
    "...x. ..xx. .x.x. x..x. xxxxx ...x. ...x.",
    "xxxxx x.... xxxx. ....x ....x x...x .xxx.",
    "..xx. .x... x.... xxxx. x...x x...x .xxx.",
    "xxxxx ....x ....x ...x. ..x.. ..x.. ..x..",
    ".xxx. x...x x...x .xxx. x...x x...x .xxx.",
    ".xxx. x...x x...x .xxxx ....x ...x. .xx..",
    ".xxx. x...x x.... x.... x.... x...x .xxx.",
    "xxxxx x.... x.... xxxx. x.... x.... x....",
    "x...x x...x x...x x...x .x.x. .x.x. ..x..",
    "xxxx. x...x x...x xxxx. x.x.. x..x. x...x",
    "x...x x...x x...x xxxxx x...x x...x x...x",
    "xxxx. x...x x...x xxxx. x.... x.... x....",
    "..... ..... xxxx. x...x xxxx. x.... x....",
    "x.... x.... xxxx. x...x x...x x...x x...x",
    "..... ..... xx.x. x.x.x x.x.x x.x.x x.x.x",
    "xx... xx..x ...x. ..x.. .x... x..xx ...xx",
)
"""The digits and letters in dots, five columns by seven rows, from the top row down: a drawing of our own."""

_HERSHEY = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_COMPLEX)
_STROKES = (0.08, 0.15)
"""Stroke widths of the drawn faces, over the height of a digit."""

_WIDEST = 1.0
"""No digit is wider, over its height."""

_LIGHTEST = 0.3
"""Ink below this, against the line's usual, does not hold a sign together."""


@dataclass(frozen=True)
class Print:
    """What the signs say: `text` written into the mask, "" where they are too many or too few; `likeness` (0 to 1) of the least
    alike digit, `margin` by which the least clear digit is more alike than its rival."""

    text: str
    likeness: float
    margin: float


NO_PRINT = Print("", 0.0, 0.0)


@dataclass(frozen=True)
class _Box:
    """The columns `left` to `right` and rows `top` to `bottom` that one sign fills, and what it may be. [px of the line]"""

    left: int
    right: int
    top: int
    bottom: int
    kind: str


def read_print(line: Line, masks: Mask | Sequence[Mask]) -> Print:
    """Compare every sign of a line with drawn digits; the face in which all digits together are most alike counts.

    Of several masks, one whose point stands where it is seen counts, and among those the one that takes most signs.
    """
    boxes = _boxes(line)
    tall = [box for box in boxes if box.kind == "#"]
    if not tall:
        return NO_PRINT
    alike = _likenesses(line, tall)
    at = next((i for i, box in enumerate(boxes) if box.kind == "." and i), None)
    before = None if at is None else sum(box.kind == "#" for box in boxes[:at])
    minus, several = boxes[0].kind == "-", [masks] if isinstance(masks, Mask) else masks
    prints = [_in_mask(alike, before, mask, minus=minus) for mask in several]
    return max(prints, key=lambda found: (bool(found.text), _point_of(found.text) == before, len(found.text), found.margin))


def _point_of(text: str) -> int | None:
    """Give how many digits stand before a text's point; None where it has none."""
    return len(text.lstrip("-").partition(".")[0]) if "." in text else None


def _in_mask(alike: np.ndarray, before: int | None, mask: Mask, *, minus: bool) -> Print:
    """Spell the signs that are a number of this mask; `before` digits stand before a point that was seen."""
    if mask.after and before is not None:  # what stands further right than the places after the point is a unit
        alike = alike[: before + mask.after]
    if not len(alike) or len(alike) > mask.places + 4:
        return NO_PRINT
    minus = mask.sign and minus
    whole = _spelled(alike, mask, minus=minus)
    return whole if whole.text else _spelled(alike[: mask.places], mask, minus=minus)


def _spelled(alike: np.ndarray, mask: Mask, *, minus: bool) -> Print:
    """Choose the face and its digits from likenesses of shape (signs, faces, SIGNS); a letter ends the number."""
    face = int(alike.max(axis=2).sum(axis=0).argmax())
    best = alike[:, face].argmax(axis=1)
    letters = np.flatnonzero(best >= 10)
    count = int(letters[0]) if len(letters) else len(best)
    if not count or (count == len(best) and count > mask.places):
        return NO_PRINT
    cut = [alike[count, face, best[count]] - alike[count, :, :10].max()] if count < len(best) else []
    alike, best = alike[:count], best[:count]
    chosen = alike[np.arange(count), face, best]
    rivals = alike.max(axis=1)  # a rival may come from any face
    rivals[np.arange(count), best] = -1.0
    text = write_into(mask, "".join(SIGNS[index] for index in best), minus=minus)
    margin = float(np.append(chosen - rivals.max(axis=1), cut).min())
    return Print(text, float(chosen.min()), margin) if text else NO_PRINT


def write_into(mask: Mask, digits: str, *, minus: bool) -> str:
    """Write digits into the mask from the right, its points and colons put in; "" where they are too many or too few."""
    least = (mask.after or 0) + 1 if mask.after else 1
    if not least <= len(digits) <= mask.places:
        return ""
    breaks = [position - (mask.places - len(digits)) for position in mask.breaks]
    marked = "".join(digit + (mask.marks[breaks.index(i + 1)] if i + 1 in breaks else "") for i, digit in enumerate(digits))
    return ("-" if minus else "") + marked


def _boxes(line: Line) -> list[_Box]:
    """Part the line into signs where no ink joins them; dots of one sign are joined first."""
    joined = cv2.GaussianBlur(line.ink, (0, 0), 0.035 * line.height)
    strong = joined > _LIGHTEST * max(float(np.percentile(joined, 98)), 0.05)
    filled = np.concatenate([[0], (strong.sum(axis=0) >= 2).astype(np.int8), [0]])
    starts, ends = np.flatnonzero(np.diff(filled) > 0), np.flatnonzero(np.diff(filled) < 0)
    boxes = []
    for left, right in zip(starts, ends, strict=True):
        rows = np.flatnonzero(strong[:, left:right].any(axis=1))
        top, bottom = int(rows[0]), int(rows[-1]) + 1
        kind = _kind((top - line.top) / line.height, (bottom - line.top) / line.height, (right - left) / line.height)
        if kind:
            boxes.append(_Box(int(left), int(right), top, bottom, kind))
    return _parted(boxes, joined.sum(axis=0), line.height)


def _parted(boxes: list[_Box], ink: np.ndarray, height: float) -> list[_Box]:
    """Part signs that touch: a box much wider than others, or than any digit, at the thinnest columns near equal parts."""
    widths = [box.right - box.left for box in boxes if box.kind == "#" and box.right - box.left < _WIDEST * height]
    wide = [width for width in widths if width > 0.35 * height]
    usual = float(np.median(wide)) if wide else 0.66 * height
    parted = []
    for box in boxes:
        width = box.right - box.left
        count = round(width / (1.1 * usual)) if box.kind == "#" and width > min(1.5 * usual, _WIDEST * height) else 1
        cuts = [box.left]
        for part in range(1, count):
            at, reach = box.left + width * part / count, 0.25 * width / count
            first = max(cuts[-1] + 1, round(at - reach))
            cuts.append(first + int(ink[first : round(at + reach) + 1].argmin()))
        ends = [*cuts[1:], box.right]
        parted += [replace(box, left=left, right=right) for left, right in zip(cuts, ends, strict=True)]
    return parted


def _kind(top: float, bottom: float, width: float) -> str:
    """Tell a digit "#", a point "." and a minus "-" by where they begin and end below the digits' top, in digits' heights."""
    if bottom - top > 0.75:
        return "#"
    if top > 0.55 and bottom > 0.8 and width < 0.45:
        return "."
    return "-" if bottom - top < 0.4 and 0.25 < (top + bottom) / 2 < 0.75 and width > 0.2 else ""


def _likenesses(line: Line, boxes: list[_Box]) -> np.ndarray:
    """Give how far each sign is like each digit of each face: (signs, faces, SIGNS), 1 the same, 0 or less nothing alike."""
    pictures, aspects = _faces()
    seen = np.stack([_normal(line.ink[box.top : box.bottom, box.left : box.right]) for box in boxes])
    alike = np.einsum("sp,fdp->sfd", seen, pictures)
    widths = np.array([(box.right - box.left) / (box.bottom - box.top) for box in boxes])
    odd = np.log(widths[:, None, None] / aspects)  # narrow ones are a 1 whatever fills them
    return np.asarray(alike - 0.25 * np.minimum(np.abs(odd), 1.5) ** 2, np.float64)


def _normal(picture: np.ndarray) -> np.ndarray:
    """Bring a sign to one size, soften it, take its mean away: a vector of length 1."""
    small = cv2.resize(picture.astype(np.float32), (_COLUMNS, _ROWS), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), 1.2)
    small = small - small.mean()
    return np.asarray(small / max(float(np.linalg.norm(small)), 1e-6), np.float32).ravel()


@lru_cache(maxsize=1)
def _faces() -> tuple[np.ndarray, np.ndarray]:
    """Draw every digit of every face: pictures (faces, SIGNS, pixels) as `_normal` gives them; widths over heights."""
    drawn = [[_dotted(rows) for rows in _DOTS], [_pillow(sign) for sign in SIGNS]]
    drawn += [[_hershey(sign, font, stroke) for sign in SIGNS] for font in _HERSHEY for stroke in _STROKES]
    pictures = np.array([[_normal(sign) for sign in face] for face in drawn])
    return pictures, np.array([[sign.shape[1] / sign.shape[0] for sign in face] for face in drawn])


def _dotted(rows: str) -> np.ndarray:
    dots = np.array([[dot == "x" for dot in row] for row in rows.split()], np.float32)
    dots = np.kron(dots, np.ones((12, 12), np.float32))
    return _tight(dots)


def _hershey(digit: str, font: int, stroke: float) -> np.ndarray:
    page = np.zeros((3 * _DRAWN, 3 * _DRAWN), np.uint8)
    cv2.putText(page, digit, (_DRAWN // 2, 2 * _DRAWN), font, _DRAWN / 21.0, 255, round(stroke * _DRAWN), cv2.LINE_AA)
    return _tight(page.astype(np.float32))


def _pillow(digit: str) -> np.ndarray:
    font: Any = ImageFont.load_default(_DRAWN)
    page = Image.new("L", (3 * _DRAWN, 3 * _DRAWN), 0)
    ImageDraw.Draw(page).text((_DRAWN, _DRAWN), digit, fill=255, font=font)
    return _tight(np.asarray(page, np.float32))


def _tight(page: np.ndarray) -> np.ndarray:
    rows, columns = np.flatnonzero(page.max(axis=1) > 0), np.flatnonzero(page.max(axis=0) > 0)
    return page[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
