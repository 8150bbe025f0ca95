"""From the bytes of a picture or video file to what its wrapping says: kind, stored size, EXIF tags; no pixel is decoded.

Works on any seekable binary stream, so that a listing reads a few kilobytes of each file. Published layouts: JPEG ITU-T T.81
annex B; PNG third edition (W3C); WebP container RFC 9649; TIFF 6.0; ISO base media file format ISO/IEC 14496-12 and HEIF
ISO/IEC 23008-12 for HEIC and for the creation time of MP4.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import BinaryIO

from frametally.frames.exif import IMAGE_HEIGHT, IMAGE_WIDTH, NO_TAGS, Tags, read_tags

_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_JPEG_FRAME_HEADERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_MOST_FILL = 4096
_MOVIE_EPOCH = datetime(1904, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Head:
    """What a picture file says about itself: kind ("jpeg", "png", "tiff", "webp", "heif"), stored size, tags.

    Width and height are those of the stored pixels, before rotation [px]; 0 where the head does not say.
    """

    kind: str
    width: int
    height: int
    tags: Tags


def read_head(stream: BinaryIO) -> Head | None:
    """Give what the head of a picture file says; None where this is no picture of a kind this program reads.

    Raises OSError where the stream cannot be read; damage inside the file costs the part it hits and is no error.
    """
    stream.seek(0)
    start = stream.read(12)
    if start[:3] == b"\xff\xd8\xff":
        return _read_jpeg(stream)
    if start[:8] == b"\x89PNG\r\n\x1a\n":
        return _read_png(stream)
    if start[:4] == b"RIFF" and start[8:12] == b"WEBP":
        return _read_webp(stream)
    if start[:4] in (b"II*\0", b"MM\0*"):
        tags = read_tags(stream)
        return Head("tiff", tags.numbers.get(IMAGE_WIDTH, 0), tags.numbers.get(IMAGE_HEIGHT, 0), tags)
    if start[4:8] == b"ftyp" and (start[8:12] in _HEIF_BRANDS):
        return Head("heif", 0, 0, _heif_tags(stream))
    return None


def _read_jpeg(stream: BinaryIO) -> Head:
    width = height = 0
    tags = None
    for marker, length in _jpeg_segments(stream):
        start = stream.tell()
        if marker in _JPEG_FRAME_HEADERS:
            body = stream.read(5)
            if len(body) == 5:
                height, width = struct.unpack(">HH", body[1:])
        elif marker == 0xE1 and tags is None and length > 6:
            body = stream.read(length)
            if body[:6] == b"Exif\0\0":
                tags = read_tags(io.BytesIO(body), 6)
        stream.seek(start + length)
    return Head("jpeg", width, height, tags or NO_TAGS)


def _jpeg_segments(stream: BinaryIO) -> Iterator[tuple[int, int]]:
    """Give marker and length of each segment up to the first scan; the stream stands at the segment's body each time."""
    stream.seek(2)
    while True:
        lead = stream.read(2)
        for _ in range(_MOST_FILL):  # fill bytes are allowed before a marker
            if lead != b"\xff\xff":
                break
            lead = lead[1:] + stream.read(1)
        if len(lead) < 2 or lead[0] != 0xFF or lead[1] in (0xD9, 0xDA):
            return
        if lead[1] == 0x01 or 0xD0 <= lead[1] <= 0xD7:  # markers without a body
            continue
        size = stream.read(2)
        if len(size) < 2 or size < b"\0\2":
            return
        yield lead[1], int.from_bytes(size, "big") - 2


def _read_png(stream: BinaryIO) -> Head:
    width = height = 0
    tags = NO_TAGS
    stream.seek(8)
    while len(lead := stream.read(8)) == 8:
        (length,), name = struct.unpack(">L", lead[:4]), lead[4:]
        start = stream.tell()
        if name == b"IHDR" and length >= 8:
            width, height = struct.unpack(">LL", stream.read(8).ljust(8, b"\0"))
        elif name == b"eXIf":
            tags = read_tags(io.BytesIO(stream.read(min(length, 1 << 20))))
        elif name == b"IEND" or not name.isalpha():
            break
        stream.seek(start + length + 4)
    return Head("png", width, height, tags)


def _read_webp(stream: BinaryIO) -> Head:
    width = height = 0
    tags = NO_TAGS
    stream.seek(12)
    while len(lead := stream.read(8)) == 8:
        name, (length,) = lead[:4], struct.unpack("<L", lead[4:])
        start = stream.tell()
        if name in (b"VP8X", b"VP8 ", b"VP8L") and not width:
            width, height = _webp_size(name, stream.read(10))
        elif not name.isascii() or b"\0" in name:
            break
        elif name == b"EXIF":
            body = stream.read(min(length, 1 << 20))
            tags = read_tags(io.BytesIO(body), 6 if body[:6] == b"Exif\0\0" else 0)
        stream.seek(start + length + (length & 1))
    return Head("webp", width, height, tags)


def _webp_size(name: bytes, body: bytes) -> tuple[int, int]:
    body = body.ljust(10, b"\0")
    if name == b"VP8X":
        return 1 + int.from_bytes(body[4:7], "little"), 1 + int.from_bytes(body[7:10], "little")
    if name == b"VP8L":
        packed = int.from_bytes(body[1:5], "little")
        return 1 + (packed & 0x3FFF), 1 + (packed >> 14 & 0x3FFF)
    width, height = struct.unpack("<HH", body[6:10])
    return width & 0x3FFF, height & 0x3FFF


# --- ISO base media boxes (HEIC, MP4) ----------------------------------------------------------------------------------


def boxes(stream: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Give name, start and end of the body of each box between two places; stops at the first damaged one."""
    while start + 8 <= end:
        stream.seek(start)
        lead = stream.read(16)
        if len(lead) < 8:
            return
        size, body = int.from_bytes(lead[:4], "big"), start + 8
        if size == 1:
            size, body = int.from_bytes(lead[8:16], "big"), start + 16
        stop = end if size == 0 else start + size
        if stop < body or stop > end:
            return
        yield lead[4:8], body, stop
        start = stop


def _length_of(stream: BinaryIO) -> int:
    return stream.seek(0, io.SEEK_END)


def _find(stream: BinaryIO, start: int, end: int, name: bytes) -> tuple[int, int] | None:
    return next(((body, stop) for found, body, stop in boxes(stream, start, end) if found == name), None)


def _heif_tags(stream: BinaryIO) -> Tags:
    end = _length_of(stream)
    meta = _find(stream, 0, end, b"meta")
    if meta is None:
        return NO_TAGS
    items = _find(stream, meta[0] + 4, meta[1], b"iinf")
    places = _find(stream, meta[0] + 4, meta[1], b"iloc")
    number = _exif_item(stream, *items) if items else None
    if number is None or places is None:
        return NO_TAGS
    stream.seek(places[0])
    place = _item_place(stream.read(places[1] - places[0]), number)
    if place is None:
        return NO_TAGS
    stream.seek(place)
    lead = stream.read(4)  # the distance from here to the TIFF header, which usually skips "Exif\0\0"
    return read_tags(stream, place + 4 + int.from_bytes(lead, "big"))


def _exif_item(stream: BinaryIO, start: int, end: int) -> int | None:
    """Give the number of the item that holds the EXIF block."""
    for entry in _item_entries(stream, start, end):
        wide = entry[:1] == b"\3"
        if entry[10:14] == b"Exif" if wide else entry[8:12] == b"Exif":
            return int.from_bytes(entry[4:8] if wide else entry[4:6], "big")
    return None


def _item_entries(stream: BinaryIO, start: int, end: int) -> Iterator[bytes]:
    """Give what the item information box, whose body lies between two places, says of each item: the body of its `infe` box."""
    stream.seek(start)
    skip = 4 + (2 if stream.read(1) == b"\0" else 4)
    for name, body, stop in boxes(stream, start + skip, end):
        if name == b"infe":
            stream.seek(body)
            yield stream.read(stop - body)


def unreadable_item(stream: BinaryIO) -> bool:
    """Tell whether a HEIF file names an item in letters that are none (ISO/IEC 14496-12, 8.11.6: UTF-8), as damage makes them.

    They bring pi_heif 1.4 down with the whole program.
    """
    end = _length_of(stream)
    meta = _find(stream, 0, end, b"meta")
    items = _find(stream, meta[0] + 4, meta[1], b"iinf") if meta else None
    for entry in _item_entries(stream, *items) if items else ():
        try:
            entry[10 if entry[:1] == b"\3" else 8 :].decode()
        except UnicodeDecodeError:
            return True
    return False


def _item_place(body: bytes, wanted: int) -> int | None:
    """Give where in the file an item begins, from the body of the `iloc` box."""
    view = io.BytesIO(body)

    def number(width: int) -> int:
        return int.from_bytes(view.read(width), "big")

    version = number(4) >> 24
    sizes = number(2)
    offset_bytes, length_bytes, base_bytes, index_bytes = sizes >> 12, sizes >> 8 & 15, sizes >> 4 & 15, sizes & 15
    for _ in range(number(2 if version < 2 else 4)):
        if view.tell() >= len(body):
            break
        item = number(2 if version < 2 else 4)
        method = number(2) & 15 if version > 0 else 0
        view.read(2)
        base = number(base_bytes)
        extents = []
        for _ in range(number(2)):
            if version > 0:
                number(index_bytes)
            extents.append(number(offset_bytes))
            number(length_bytes)
        if item == wanted:
            return base + extents[0] if extents and method == 0 else None
    return None


def movie_created(stream: BinaryIO) -> datetime | None:
    """Give the creation time in the `mvhd` box of an MP4 or MOV, in UTC by ISO/IEC 14496-12; None where not set."""
    movie = _find(stream, 0, _length_of(stream), b"moov")
    header = _find(stream, *movie, b"mvhd") if movie else None
    if header is None:
        return None
    stream.seek(header[0])
    body = stream.read(12)
    seconds = int.from_bytes(body[4:12] if body[:1] == b"\1" else body[4:8], "big")
    try:
        return _MOVIE_EPOCH + timedelta(seconds=seconds) if seconds else None
    except OverflowError:
        return None
