"""From an EXIF block (or a TIFF file) to the few tags this program uses, without decoding pixels.

Tag numbers and types: CIPA DC-008 (Exif 2.32), section 4.6, and TIFF 6.0, section 2. Anything damaged is left out, so that a
broken block costs its tags and never the frame.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from typing import BinaryIO

ORIENTATION = 0x0112
IMAGE_WIDTH = 0x0100
IMAGE_HEIGHT = 0x0101
STRIP_OFFSETS, STRIP_BYTE_COUNTS = 0x0111, 0x0117
TILE_OFFSETS, TILE_BYTE_COUNTS = 0x0144, 0x0145
MAKE, MODEL = 0x010F, 0x0110
DATE_TIME = 0x0132
EXIF_POINTER = 0x8769
DATE_TIME_ORIGINAL, DATE_TIME_DIGITIZED = 0x9003, 0x9004
OFFSET_TIME, OFFSET_TIME_ORIGINAL, OFFSET_TIME_DIGITIZED = 0x9010, 0x9011, 0x9012
SUB_SEC_TIME, SUB_SEC_TIME_ORIGINAL, SUB_SEC_TIME_DIGITIZED = 0x9290, 0x9291, 0x9292
BODY_SERIAL = 0xA431

_NUMBERS = {ORIENTATION, IMAGE_WIDTH, IMAGE_HEIGHT, EXIF_POINTER}
_LISTS = {STRIP_OFFSETS, STRIP_BYTE_COUNTS, TILE_OFFSETS, TILE_BYTE_COUNTS}
_TEXTS = {
    MAKE,
    MODEL,
    BODY_SERIAL,
    DATE_TIME,
    DATE_TIME_ORIGINAL,
    DATE_TIME_DIGITIZED,
    OFFSET_TIME,
    OFFSET_TIME_ORIGINAL,
    OFFSET_TIME_DIGITIZED,
    SUB_SEC_TIME,
    SUB_SEC_TIME_ORIGINAL,
    SUB_SEC_TIME_DIGITIZED,
}
_LONGEST_TEXT = 64  # bytes; a time has 20
_LONGEST_LIST = 1 << 20
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}  # TIFF 6.0, section 2: BYTE to DOUBLE

_TIME = re.compile(r"(\d{4})[:\-/.](\d{2})[:\-/.](\d{2})[ T](\d{2}):(\d{2}):(\d{2})")
_OFFSET = re.compile(r"([+-])(\d{1,2})(?::?(\d{2}))?")


@dataclass(frozen=True)
class Tags:
    """What was found, by tag number: whole numbers, texts, and (for a TIFF file) the places of its pixels.

    `reach` is the byte behind the last one that the directories speak of: a shorter file is cut off.
    """

    numbers: dict[int, int]
    texts: dict[int, str]
    lists: dict[int, tuple[int, ...]]
    reach: int = 0

    @property
    def orientation(self) -> int:
        """1 to 8 as in CIPA DC-008; 1 ("as is") where the tag is missing or holds anything else."""
        value = self.numbers.get(ORIENTATION, 1)
        return value if 1 <= value <= 8 else 1


NO_TAGS = Tags({}, {}, {})


@dataclass(frozen=True)
class ExifTime:
    """When a photo was taken by its EXIF: local time, its offset from UTC where stated, and the tag it came from."""

    local: datetime
    offset: timedelta | None
    tag: int


def read_tags(stream: BinaryIO, origin: int = 0) -> Tags:
    """Give the wanted tags of the TIFF structure that begins at byte `origin` of `stream`."""
    stream.seek(origin)
    header = stream.read(8)
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(header[:4])
    if order is None or len(header) < 8:
        return NO_TAGS
    tags = Tags({}, {}, {})
    (first,) = struct.unpack(order + "L", header[4:])
    reach = _read_directory(stream, origin, first, order, tags)
    pointer = tags.numbers.pop(EXIF_POINTER, 0)
    if pointer:
        reach = max(reach, _read_directory(stream, origin, pointer, order, tags))
        tags.numbers.pop(EXIF_POINTER, None)
    return replace(tags, reach=reach)


def _read_directory(stream: BinaryIO, origin: int, place: int, order: str, tags: Tags) -> int:
    """Add a directory's wanted tags to `tags`; give how far into the stream the directory and its values reach."""
    stream.seek(origin + place)
    head = stream.read(2)
    if len(head) < 2:
        return origin + place + 2
    (count,) = struct.unpack(order + "H", head)
    entries = stream.read(count * 12)
    reach = origin + place + 2 + count * 12 + 4
    for start in range(0, len(entries) - 11, 12):
        tag, kind, items = struct.unpack_from(order + "HHL", entries, start)
        length = items * _TYPE_BYTES.get(kind, 0)
        if length > 4:
            reach = max(reach, origin + struct.unpack_from(order + "L", entries, start + 8)[0] + length)
        if tag in tags.numbers or tag in tags.texts or tag in tags.lists:
            continue
        if tag in _NUMBERS and kind in (3, 4) and items == 1:
            tags.numbers[tag] = struct.unpack_from(order + ("H" if kind == 3 else "L"), entries, start + 8)[0]
        elif tag in _TEXTS and kind in (1, 2, 7):
            raw = _read_value(stream, origin, order, kind, min(items, _LONGEST_TEXT), entries[start + 8 : start + 12])
            tags.texts[tag] = raw.split(b"\0")[0].decode("ascii", "replace").strip()
        elif tag in _LISTS and kind in (3, 4) and items <= _LONGEST_LIST:
            raw = _read_value(stream, origin, order, kind, items, entries[start + 8 : start + 12])
            tags.lists[tag] = struct.unpack(
                f"{order}{len(raw) // _TYPE_BYTES[kind]}{'H' if kind == 3 else 'L'}",
                raw[: len(raw) // _TYPE_BYTES[kind] * _TYPE_BYTES[kind]],
            )
    return reach


def _read_value(stream: BinaryIO, origin: int, order: str, kind: int, items: int, inline: bytes) -> bytes:
    length = items * _TYPE_BYTES[kind]
    if length <= 4:
        return inline[:length]
    (place,) = struct.unpack(order + "L", inline)
    stream.seek(origin + place)
    return stream.read(length)


def taken_at(tags: Tags) -> ExifTime | None:
    """Give when the photo was taken: DateTimeOriginal, else DateTimeDigitized, else DateTime; None where all are empty.

    DateTime is the time of the last change by its definition (CIPA DC-008), but some simple cameras write nothing else.
    An offset counts for the time it belongs to, or for one that reads the same.
    """
    triples = (
        (DATE_TIME_ORIGINAL, OFFSET_TIME_ORIGINAL, SUB_SEC_TIME_ORIGINAL),
        (DATE_TIME_DIGITIZED, OFFSET_TIME_DIGITIZED, SUB_SEC_TIME_DIGITIZED),
        (DATE_TIME, OFFSET_TIME, SUB_SEC_TIME),
    )
    for tag, offset_tag, subsecond_tag in triples:
        local = _parse_time(tags.texts.get(tag, ""), tags.texts.get(subsecond_tag, ""))
        if local is None:
            continue
        offset = parse_offset(tags.texts.get(offset_tag, ""))
        if offset is None:
            twins = (other for time, other, _ in triples if tags.texts.get(time) == tags.texts[tag])
            offset = next(
                (found for found in map(parse_offset, (tags.texts.get(twin, "") for twin in twins)) if found is not None), None
            )
        return ExifTime(local, offset, tag)
    return None


def _parse_time(text: str, subsecond: str) -> datetime | None:
    match = _TIME.match(text)
    if match is None:
        return None
    digits = subsecond.strip()
    microsecond = int(digits[:6].ljust(6, "0")) if digits.isascii() and digits.isdigit() else 0
    try:
        year, month, day, hour, minute, second = (int(part) for part in match.groups())
        return datetime(year, month, day, hour, minute, second, microsecond)
    except ValueError:  # 0000:00:00 and the like: the clock was never set
        return None


def parse_offset(text: str) -> timedelta | None:
    """Give the offset from UTC that a text such as "+01:00", "-0330", "+1" or "Z" states; None where it states none.

    Offsets in use run from -12:00 to +14:00 (IANA time zone database); others are taken as not stated.
    """
    text = text.strip()
    if text.upper() in ("Z", "UTC"):
        return timedelta(0)
    match = _OFFSET.fullmatch(text)
    if match is None:
        return None
    hours, minutes = int(match[2]), int(match[3] or 0)
    offset = timedelta(hours=hours, minutes=minutes) * (-1 if match[1] == "-" else 1)
    if minutes > 59 or not timedelta(hours=-12) <= offset <= timedelta(hours=14):
        return None
    return offset


def with_offset(local: datetime, offset: timedelta | None) -> datetime:
    """Give the local time with its offset attached, or as it is where none is known."""
    return local if offset is None else local.replace(tzinfo=timezone(offset))
