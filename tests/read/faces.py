"""Pictures of display faces as strangers build them: digits set one by one, however large and wherever, with what stands beside.

Drawn stroke by stroke, with nothing of the project's own way of drawing displays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.model import Corners

LIT = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc", "8": "abcdefg",
    "9": "abcdfg", "-": "g", " ": "",
}  # fmt: skip
"""Which bars make which digit (common practice, no source)."""

_STROKES = {
    "a": ((0, 0), (1, 0)), "b": ((1, 0), (1, 0.5)), "c": ((1, 0.5), (1, 1)), "d": ((0, 1), (1, 1)), "e": ((0, 0.5), (0, 1)),
    "f": ((0, 0), (0, 0.5)), "g": ((0, 0.5), (1, 0.5)),
}  # fmt: skip

SIZE = 100.0
"""Height of a full digit while drawing. [px]"""


@dataclass(frozen=True)
class Piece:
    """One digit: what it shows, its left edge and base line, its height, all in full digits' heights."""

    sign: str
    left: float
    base: float = 1.0
    height: float = 1.0


@dataclass(frozen=True)
class Face:
    """A face: its digits, `points` at (x, y), `words` as (text, x, base line, letter height); all in digit heights.

    `unlit` is how much of the lit bars' ink unlit ones have; `room` how much is marked around the digits (left to bottom).
    """

    pieces: tuple[Piece, ...]
    points: tuple[tuple[float, float], ...] = ()
    words: tuple[tuple[str, float, float, float], ...] = ()
    unlit: float = 0.0
    dark: bool = True
    room: tuple[float, float, float, float] = (0.12, 0.12, 0.12, 0.12)
    aspect: float = 0.55
    stroke: float = 0.12
    contrast: float = 0.75


def in_a_row(text: str, pitch: float | Sequence[float] = 0.8) -> tuple[Piece, ...]:
    """Set full digits side by side, `pitch` apart; several where it changes from digit to digit. [digit heights]"""
    steps = [pitch] * (len(text) - 1) if isinstance(pitch, (int, float)) else list(pitch)
    lefts = np.concatenate([[0.0], np.cumsum(steps)])
    return tuple(Piece(sign, float(left)) for sign, left in zip(text, lefts, strict=True))


def draw_face(face: Face, height_px: float = 60.0, seed: int = 0, turn: int = 0) -> tuple[NDArray[np.uint8], Corners]:
    """Draw a face; give the photo (uint8, BGR) and the marked corners, clockwise from the digits' own top left.

    `turn` is how many quarter turns clockwise the instrument is turned in the photo.
    """
    random = np.random.default_rng(seed)
    left, top, right, bottom = _box(face)
    margin = 0.9
    columns, rows = round((right - left + 2 * margin) * SIZE), round((bottom - top + 2 * margin) * SIZE)
    ink = np.zeros((rows, columns), np.float32)
    for piece in face.pieces:
        for bar in "abcdefg" if face.unlit else LIT[piece.sign]:
            level = 1.0 if bar in LIT[piece.sign] else face.unlit
            _stroke(ink, piece, bar, face, level, (margin - left, margin - top))
    for x, y in face.points:
        cv2.circle(ink, _px(x + margin - left, y + margin - top), round(0.6 * face.stroke * SIZE), 1.0, -1, cv2.LINE_AA)
    for text, x, y, tall in face.words:
        written = np.zeros(ink.shape, np.uint8)
        cv2.putText(written, text, _px(x + margin - left, y + margin - top), 0, tall * SIZE / 21, 255, round(0.1 * tall * SIZE))
        ink = np.maximum(ink, written.astype(np.float32) / 255)
    small = cv2.resize(ink, None, fx=height_px / SIZE, fy=height_px / SIZE, interpolation=cv2.INTER_AREA)
    ground, lit = (190.0, 190 * (1 - face.contrast)) if face.dark else (30.0, 30 + 220 * face.contrast)
    picture = cv2.GaussianBlur(ground + small * (lit - ground), (0, 0), 0.7) + random.normal(0, 1.5, small.shape)
    image = np.repeat(np.clip(np.rint(picture), 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    around = face.room
    box = np.array([margin - around[0], margin - around[1], margin + right - left + around[2], margin + bottom - top + around[3]])
    x0, y0, x1, y1 = box * height_px
    return _turned(image, [(x0, y0), (x1, y0), (x1, y1), (x0, y1)], turn)


def started_at(corners: Corners, first: int) -> Corners:
    """Give the same corners, clockwise as before, from another one on."""
    a, b, c, d = (corners[(first + i) % 4] for i in range(4))
    return a, b, c, d


def _box(face: Face) -> tuple[float, float, float, float]:
    """Give the box around all digit places. [digit heights]"""
    return (
        min(piece.left for piece in face.pieces),
        min(piece.base - piece.height for piece in face.pieces),
        max(piece.left + piece.height * face.aspect for piece in face.pieces),
        max(piece.base for piece in face.pieces),
    )


def _px(x: float, y: float) -> tuple[int, int]:
    return round(x * SIZE), round(y * SIZE)


def _stroke(ink: NDArray[np.float32], piece: Piece, bar: str, face: Face, level: float, shift: tuple[float, float]) -> None:
    """Paint one bar, its ends drawn in a little, as bars of one digit do not touch."""
    half = face.stroke * piece.height / 2
    width, height = piece.height * face.aspect - 2 * half, piece.height - 2 * half
    (ax, ay), (bx, by) = _STROKES[bar]
    gap = 0.08
    ends = [
        (
            piece.left + half + (x + gap * np.sign(ox - x)) * width + shift[0],
            piece.base - piece.height + half + (y + 0.5 * gap * np.sign(oy - y)) * height + shift[1],
        )
        for x, y, ox, oy in ((ax, ay, bx, by), (bx, by, ax, ay))
    ]
    along = np.array(ends[1]) - ends[0]
    across = np.array([-along[1], along[0]]) / np.linalg.norm(along) * half
    polygon = np.array([ends[0] + across, ends[1] + across, ends[1] - across, ends[0] - across]) * SIZE
    cv2.fillPoly(ink, [np.rint(polygon * 16).astype(np.int32)], level, cv2.LINE_AA, 4)


def _turned(image: NDArray[np.uint8], points: list[tuple[float, float]], turn: int) -> tuple[NDArray[np.uint8], Corners]:
    for _ in range(turn % 4):
        rows = image.shape[0]
        image = np.ascontiguousarray(np.rot90(image, -1))
        points = [(rows - 1 - y, x) for x, y in points]
    a, b, c, d = ((float(x), float(y)) for x, y in points)
    return image, (a, b, c, d)
