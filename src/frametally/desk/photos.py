"""Takes a night and gives its photos by number: pixels (the last ones stay in memory), what a browser shows, thumbnails."""

from __future__ import annotations

import io
import threading
from collections import OrderedDict

import cv2
import numpy as np
import simplejpeg

from frametally.desk.pictures import encode_jpeg
from frametally.errors import BadFrame, BadInput
from frametally.frames import load, size_of
from frametally.frames.containers import read_head
from frametally.model import Frame, Night

KEPT_BYTES = 400_000_000
"""Decoded photos are kept in memory up to this size: eleven of 12 megapixels, a whole short night of small ones."""

THUMB_HEIGHT = 96
_KEPT_THUMBS = 4000
_THUMB_PLACE, _THUMB_LENGTH = 0x0201, 0x0202  # JPEGInterchangeFormat and its length, CIPA DC-008 (Exif 2.32), 4.5.5

SHARP_TRIES = 7
SHARP_ENOUGH = 0.9
"""The first frame with this share of the best sharpness among those tried is sharp enough to begin on."""


class Photos:
    """The photos of one night. Safe to share between the threads of a server."""

    def __init__(self, night: Night) -> None:
        self.night = night
        self._numbers = {frame.name: number for number, frame in enumerate(night.frames)}
        self._pixels: OrderedDict[int, np.ndarray] = OrderedDict()
        self._thumbs: OrderedDict[int, bytes] = OrderedDict()
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self.night.frames)

    def frame(self, number: int) -> Frame:
        """Give a frame by its number in the night. Raises `BadInput` where there is none."""
        if not 0 <= number < len(self):
            raise BadInput(f"there is no frame number {number}; this night has {len(self)}")
        return self.night.frames[number]

    def number_of(self, name: str) -> int | None:
        """Give the number of the frame of that name, None where there is none."""
        return self._numbers.get(name)

    def size(self, number: int) -> tuple[int, int]:
        """Give width and height of the upright photo. [px] Raises `BadInput` where the file does not say."""
        try:
            return size_of(self.frame(number))
        except BadFrame as problem:
            raise BadInput(f"{self.frame(number).name}: {problem}") from None

    def pixels(self, number: int) -> np.ndarray:
        """Give a photo's pixels (rows, columns, 3), BGR, `uint8`, upright. Raises `BadInput` where it cannot be used."""
        frame = self.frame(number)
        with self._lock:
            known = self._pixels.get(number)
            if known is not None:
                self._pixels.move_to_end(number)
                return known
        try:
            found = load(frame).pixels
        except BadFrame as problem:
            raise BadInput(f"{frame.name}: {problem}") from None
        with self._lock:
            self._pixels[number] = found
            while len(self._pixels) > 1 and sum(kept.nbytes for kept in self._pixels.values()) > KEPT_BYTES:
                self._pixels.popitem(last=False)
        return found

    def shown(self, number: int) -> bytes:
        """Give the photo at full size as JPEG bytes: the file's own where it is one, which the browser turns upright itself."""
        frame = self.frame(number)
        try:
            data = frame.path.read_bytes() if frame.path.suffix.lower() in (".jpg", ".jpeg", ".jpe", ".jfif") else b""
        except OSError as error:
            raise BadInput(f"{frame.name}: the file cannot be read ({error.strerror})") from None
        head = read_head(io.BytesIO(data)) if data else None
        return data if head is not None and head.kind == "jpeg" else encode_jpeg(self.pixels(number), 92)

    def thumb(self, number: int) -> bytes:
        """Give a small JPEG of a photo, made when first asked for: from its EXIF thumbnail, or from pixels decoded small."""
        with self._lock:
            known = self._thumbs.get(number)
        if known is not None:
            return known
        found = encode_jpeg(self._small(self.frame(number)), 80)
        with self._lock:
            self._thumbs[number] = found
            while len(self._thumbs) > _KEPT_THUMBS:
                self._thumbs.popitem(last=False)
        return found

    def _small(self, frame: Frame) -> np.ndarray:
        try:
            quick = quick_look(frame, THUMB_HEIGHT)
            pixels = quick if quick is not None else load(frame).pixels
        except BadFrame as problem:
            raise BadInput(f"{frame.name}: {problem}") from None
        rows, columns = pixels.shape[:2]
        size = (max(1, round(columns * THUMB_HEIGHT / rows)), THUMB_HEIGHT)
        return cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)

    def sharp_frame(self) -> int:
        """Give the number of a frame to begin on: the first of some spread over the night that is nearly as sharp as any."""
        tried = sorted({round(step * (len(self) - 1) / max(SHARP_TRIES - 1, 1)) for step in range(SHARP_TRIES)})
        sharpness = {number: self._sharpness(number) for number in tried}
        best = max(sharpness.values())
        return next(number for number in tried if sharpness[number] >= SHARP_ENOUGH * best)

    def _sharpness(self, number: int) -> float:
        """How much fine detail a frame has: the spread of its Laplacian at about a thousand rows; -1 where it cannot be used."""
        frame = self.frame(number)
        try:
            quick = quick_look(frame, 700, thumbnail=False)
            pixels = quick if quick is not None else self.pixels(number)
        except (BadFrame, BadInput):
            return -1.0
        grey = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)
        return float(cv2.Laplacian(cv2.GaussianBlur(grey, (3, 3), 0), cv2.CV_32F).std())


def quick_look(frame: Frame, least_rows: int, *, thumbnail: bool = True) -> np.ndarray | None:
    """Give a JPEG photo decoded small but with at least so many rows, upright, BGR; None where it is no JPEG, or damaged.

    Its EXIF thumbnail is taken instead where that is large enough and asked for: cameras write one, and it costs no decoding.
    """
    try:
        with frame.path.open("rb") as stream:
            head = read_head(stream)
            if head is None or head.kind != "jpeg":
                return None
            stream.seek(0)
            small = _exif_thumbnail(stream.read(1 << 17)) if thumbnail else b""
            stream.seek(0)
            pixels = _decoded(small, least_rows) if small else None
            if pixels is None:
                pixels = _decoded(stream.read(), least_rows)
    except OSError as error:
        raise BadFrame(f"the file cannot be read: {error.strerror}") from None
    return None if pixels is None else _upright(pixels, head.tags.orientation)


def _decoded(data: bytes, least_rows: int) -> np.ndarray | None:
    try:
        pixels = simplejpeg.decode_jpeg(data, "BGR", fastdct=True, fastupsample=True, min_height=least_rows, min_width=0)
    except ValueError:
        return None
    return pixels if pixels.ndim == 3 else None


def _upright(pixels: np.ndarray, orientation: int) -> np.ndarray:
    """Turn stored pixels by the EXIF orientation (CIPA DC-008: where row 0 and column 0 belong)."""
    if orientation >= 5:
        pixels = pixels.transpose(1, 0, 2)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)


def _exif_thumbnail(start: bytes) -> bytes:
    """Give the JPEG thumbnail in the second directory of a photo's EXIF, b"" where there is none."""
    place = start.find(b"Exif\0\0")
    if place < 0:
        return b""
    block = start[place + 6 :]
    order = {b"II": "little", b"MM": "big"}.get(block[:2])
    if order is None:
        return b""

    def whole(at: int, size: int) -> int:
        return int.from_bytes(block[at : at + size], order)  # type: ignore[arg-type]

    first = whole(4, 4)
    second = whole(first + 2 + 12 * whole(first, 2), 4)
    if not 0 < second < len(block):
        return b""
    entries = {whole(at, 2): whole(at + 8, 4) for at in range(second + 2, second + 2 + 12 * min(whole(second, 2), 64), 12)}
    at, length = entries.get(_THUMB_PLACE, 0), entries.get(_THUMB_LENGTH, 0)
    found = block[at : at + length]
    return found if at and len(found) == length and found[:2] == b"\xff\xd8" else b""
