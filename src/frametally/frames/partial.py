"""Takes the bytes of a JPEG and a region of its stored pixels; gives the region decoded alone, exactly as in the whole picture.

Nearly all the time of decoding goes into unpacking the entropy-coded bits, row after row from the top. So rows below the region
are left out: the height in the head is made smaller, and the decoder stops there. Where restart markers stand at the beginning of
rows, those above are left out as well. Only files whose one scan holds all colours allow it (baseline, not progressive); for
every other file, and wherever the decoder complains of anything, the answer is None and the whole file is to be decoded. Of the
bytes only so many are handed to it as the last photo took and a tenth more; where they end too soon, it gets them all.

A copy that broke off is noticed, as its end mark is missing or too little stands before it. Single damaged bytes are noticed in
the rows that are decoded, where the decoder notices them, and not below.

Source of the layout: ITU-T T.81 (1992), annex B; of the rows that depend on their neighbours: chroma is brought to full size from
the nearest two rows (libjpeg's "fancy upsampling"), so rows at a cut are not used.
"""

from __future__ import annotations

import re
import threading
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Region = tuple[int, int, int, int]
"""Left, top, right and bottom of some pixels, the last two one beyond. [px]"""

CUT_ROWS = 2
"""Rows at a cut that may differ from those of the whole picture."""
LEAST_REST = 0.25
"""What is left out must have this share of the bytes that its rows would have, were they like those decoded: else too little
came, or the picture is so plain below that the time to look hardly counts."""

_BASELINE, _RESTARTS, _SCAN = (0xC0, 0xC1), 0xDD, 0xDA
_OTHER_FRAMES = frozenset(range(0xC2, 0xD0)) - {0xC4, 0xC8, 0xCC}
_END = b"\xff\xd9"
_ALL_LEFT = re.compile(r"Corrupt JPEG data: ([0-9]+) extraneous bytes before marker 0xd9")


@dataclass(frozen=True)
class _Layout:
    """Where things are in the file: `height_at` the two bytes of the height, `scan_at` the entropy-coded bits; the size of the
    picture and of its smallest coded unit [px]; `restart`, units between restart markers, 0 = none."""

    height_at: int
    scan_at: int
    width: int
    height: int
    unit_width: int
    unit_height: int
    restart: int

    @property
    def units_across(self) -> int:
        return -(-self.width // self.unit_width)


class _Canvas(threading.local):
    """Each thread's own picture that is lent for a while: new memory for every photo costs a tenth of its decoding."""

    def __init__(self) -> None:
        self._pixels = np.zeros((0, 0, 3), np.uint8)
        self._used = 0

    def blank(self, height: int, width: int, bottom: int) -> npt.NDArray[np.uint8]:
        """Give a picture that is black below `bottom`; what is above is to be painted over."""
        if self._pixels.shape[:2] != (height, width):
            self._pixels, self._used = np.zeros((height, width, 3), np.uint8), 0
        self._pixels[bottom : self._used] = 0
        self._used = bottom
        return self._pixels


_CANVAS = _Canvas()


class _Used(threading.local):
    """What share of a photo's bits each thread's last ones took down to some row: the next of the night takes about as many, and
    what is beyond need neither be copied nor searched for the end mark. It changes how long decoding takes, never what it gives.
    """

    SPARE, FADING = 1.1, 0.95

    def __init__(self) -> None:
        self._of: tuple[int, int, int] | None = None
        self._share = 1.0

    def share(self, layout: _Layout, bottom: int) -> float:
        """Give the share that will do for a photo like the last ones, 1 where it is the first."""
        return min(self.SPARE * self._share, 1.0) if self._of == (layout.width, layout.height, bottom) else 1.0

    def note(self, layout: _Layout, bottom: int, share: float) -> None:
        """Keep what share this photo took; where those of a night differ in turn, that of the fuller ones."""
        of = layout.width, layout.height, bottom
        self._share = max(share, self.FADING * self._share) if of == self._of else share
        self._of = of


_USED = _Used()


def decode_part(data: bytes, region: Region, *, lent: bool = False) -> tuple[npt.NDArray[np.uint8], Region] | None:
    """Give a picture of the file's full size, BGR as stored, in which at least a region is filled in, and what is.

    The rest of the picture is black. None where the whole file has to be decoded. A picture that is `lent` is good until this
    thread borrows the next.
    """
    layout = _read_layout(data)
    if layout is None or not 0 <= region[1] < region[3] <= layout.height:
        return None
    bottom = -(-(region[3] + CUT_ROWS) // layout.unit_height) * layout.unit_height
    if bottom >= layout.height:
        return None
    if layout.restart:
        return _decode_band(data, layout, region[1], bottom)
    return _decode_top(data, layout, bottom, lent)


def decode_top_reduced(data: bytes, last_row: int, factor: int) -> npt.NDArray[np.uint8] | None:
    """Give a picture at 1, 1/2, 1/4 or 1/8 of its size, BGR as stored, decoded down to a full row at least and black below it.

    None where the whole file has to be decoded.
    """
    layout = _read_layout(data)
    if layout is None:
        return None
    bottom = -(-(max(last_row, 0) + CUT_ROWS * factor) // layout.unit_height) * layout.unit_height
    if bottom >= layout.height:
        return None
    pixels = np.zeros((-(-layout.height // factor), -(-layout.width // factor), 3), np.uint8)
    return pixels if _decodes_top(data, layout, bottom, pixels[: bottom // factor]) else None


def _read_layout(data: bytes) -> _Layout | None:
    place, restart = 2, 0
    frame: tuple[int, bytes] | None = None
    while place + 4 <= len(data) and data[place] == 0xFF:
        marker, length = data[place + 1], int.from_bytes(data[place + 2 : place + 4], "big")
        body = data[place + 4 : place + 2 + length]
        if marker == 0xFF or length < 2 or marker in _OTHER_FRAMES:
            return None
        if marker in _BASELINE:
            if frame is not None or len(body) < 6:
                return None
            frame = (place + 5, body)
        elif marker == _RESTARTS and len(body) == 2:
            restart = int.from_bytes(body, "big")
        elif marker == _SCAN:
            return _lay_out(frame, body, place + 2 + length, restart)
        place += 2 + length
    return None


def _lay_out(frame: tuple[int, bytes] | None, scan: bytes, scan_at: int, restart: int) -> _Layout | None:
    if frame is None:
        return None
    height_at, head = frame
    bits, height, width, colours = head[0], int.from_bytes(head[1:3], "big"), int.from_bytes(head[3:5], "big"), head[5]
    if bits != 8 or min(width, height) < 1 or colours not in (1, 3) or scan[:1] != head[5:6] or len(head) < 6 + 3 * colours:
        return None
    # A scan of one colour is coded block by block, whatever its sampling factors say (A.2.2).
    factors = [divmod(head[7 + 3 * number], 16) for number in range(colours)] if colours > 1 else [(1, 1)]
    across, down = max(factor[0] for factor in factors), max(factor[1] for factor in factors)
    if not (1 <= across <= 4 and 1 <= down <= 4):
        return None
    return _Layout(height_at, scan_at, width, height, 8 * across, 8 * down, restart)


def _decode_top(data: bytes, layout: _Layout, bottom: int, lent: bool) -> tuple[npt.NDArray[np.uint8], Region] | None:
    """Decode everything down to a row at which a coded unit ends."""
    size = layout.height, layout.width
    pixels = _CANVAS.blank(*size, bottom) if lent else np.zeros((*size, 3), np.uint8)
    if not _decodes_top(data, layout, bottom, pixels[:bottom]):
        return None
    return _known(pixels, layout, 0, bottom)


def _decodes_top(data: bytes, layout: _Layout, bottom: int, rows: npt.NDArray[np.uint8]) -> bool:
    """Decode down to a full row at which a coded unit ends, into rows of that height or of a half, quarter or eighth of it; tell
    whether the decoder met nothing wrong on the way."""
    whole, coded = len(data), len(data) - layout.scan_at
    stop = layout.scan_at + int(_USED.share(layout, bottom) * coded)
    left = _left_after(data, stop, layout, bottom, rows) if stop < whole and data.find(_END, stop) >= 0 else None
    if left is None:
        left = _left_after(data, whole, layout, bottom, rows)
    if left is None:
        return False
    _USED.note(layout, bottom, (coded - left) / coded)
    return left / max(1, coded - left) >= LEAST_REST * (layout.height - bottom) / bottom


def _left_after(data: bytes, stop: int, layout: _Layout, bottom: int, rows: npt.NDArray[np.uint8]) -> int | None:
    """Decode down to a row with the bytes up to some place alone; give how many of the whole file were not used, None where the
    decoder met anything wrong on the way, be it their end."""
    shorter = bytearray(memoryview(data)[:stop])
    shorter[layout.height_at : layout.height_at + 2] = bottom.to_bytes(2, "big")
    if stop < len(data):
        shorter += _END
    # All that the decoder may say is that the rest of this file, up to its end mark, was not used. It tells its first complaint:
    # a file that broke off, or bits that make no sense, come before that.
    said = _ALL_LEFT.fullmatch(_complaint(shorter, rows))
    return None if said is None else int(said[1]) + len(data) - stop


def _decode_band(data: bytes, layout: _Layout, top: int, bottom: int) -> tuple[npt.NDArray[np.uint8], Region] | None:
    """Decode a band of rows that begins and ends where restart markers stand."""
    end = data.find(_END, layout.scan_at)
    if end < 0:
        return None
    codes = np.frombuffer(data, np.uint8, end - layout.scan_at, layout.scan_at)
    leads = np.flatnonzero(codes[:-1] == 0xFF)
    kinds = codes[leads + 1]
    marks = leads[(kinds >= 0xD0) & (kinds <= 0xD7)]
    rows = -(-layout.height // layout.unit_height)
    promised = -(-rows * layout.units_across // layout.restart) - 1
    if len(marks) != promised or np.any(codes[marks + 1] != 0xD0 + np.arange(promised) % 8):
        return None
    first_row = max(0, top - CUT_ROWS) // layout.unit_height
    while first_row * layout.units_across % layout.restart:
        first_row -= 1
    last_row = bottom // layout.unit_height
    while last_row < rows and last_row * layout.units_across % layout.restart:
        last_row += 1
    first, last = (row * layout.units_across // layout.restart for row in (first_row, last_row))
    start = layout.scan_at + (int(marks[first - 1]) + 2 if first else 0)
    stop = layout.scan_at + int(marks[last - 1]) if last_row < rows else end
    head = bytearray(data[: layout.scan_at])
    stop_row = min(last_row * layout.unit_height, layout.height)
    height = stop_row - first_row * layout.unit_height
    head[layout.height_at : layout.height_at + 2] = height.to_bytes(2, "big")
    scan = np.frombuffer(data, np.uint8, stop - start, start).copy()
    inner = marks[first : last - 1] + layout.scan_at - start
    scan[inner + 1] = 0xD0 + np.arange(len(inner)) % 8  # restart markers count from 0 again (E.1.1)
    pixels = np.zeros((layout.height, layout.width, 3), np.uint8)
    if _complaint(bytes(head) + scan.tobytes() + _END, pixels[first_row * layout.unit_height : stop_row]):
        return None
    return _known(pixels, layout, first_row * layout.unit_height, stop_row)


def _complaint(data: bytes | bytearray, rows: npt.NDArray[np.uint8]) -> str:
    """Decode into some rows; give the decoder's first complaint, "" where it has none."""
    import simplejpeg

    try:
        least = {"min_width": rows.shape[1], "min_height": rows.shape[0]}  # at its full size, where the rows are so wide
        simplejpeg.decode_jpeg(data, "BGR", **least, buffer=rows, strict=True)
    except ValueError as error:
        return str(error)
    return ""


def _known(pixels: npt.NDArray[np.uint8], layout: _Layout, top: int, bottom: int) -> tuple[npt.NDArray[np.uint8], Region]:
    top += CUT_ROWS if top else 0
    bottom -= CUT_ROWS if bottom < layout.height else 0
    return pixels, (0, top, layout.width, bottom)
