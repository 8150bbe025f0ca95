"""Heads of files: the tags agree with Pillow's reading, and no damage makes the reading fail or hang."""

from __future__ import annotations

import io
import struct
from datetime import UTC, datetime
from pathlib import Path

import pytest
from frames_files import EVENING, EXIF_IFD, encode, exif_of, picture, write_video
from hypothesis import given
from hypothesis import strategies as st
from PIL import ExifTags, Image

from frametally.frames import exif
from frametally.frames.containers import Head, movie_created, read_head

DATA = Path(__file__).parent / "data"
FULL = exif_of(EVENING, offset="+01:00", subsec="5", orientation=6, changed="2026:11:01 08:00:00").tobytes()
SAMPLES = {kind: encode(picture(), kind, exif=FULL) for kind in ("JPEG", "PNG", "WEBP", "TIFF")}
SAMPLES["HEIF"] = (DATA / "quarters_6.heic").read_bytes()


def head_of(data: bytes) -> Head:
    head = read_head(io.BytesIO(data))
    if head is None:
        raise AssertionError("no head")
    return head


def test_tag_numbers_are_the_published_ones() -> None:
    """CIPA DC-008 (Exif 2.32), tables 3 to 8; the names are those of Pillow's list of them."""
    for name, number in {
        "Orientation": exif.ORIENTATION,
        "ImageWidth": exif.IMAGE_WIDTH,
        "ImageLength": exif.IMAGE_HEIGHT,
        "DateTime": exif.DATE_TIME,
        "ExifOffset": exif.EXIF_POINTER,
        "DateTimeOriginal": exif.DATE_TIME_ORIGINAL,
        "DateTimeDigitized": exif.DATE_TIME_DIGITIZED,
        "OffsetTime": exif.OFFSET_TIME,
        "OffsetTimeOriginal": exif.OFFSET_TIME_ORIGINAL,
        "OffsetTimeDigitized": exif.OFFSET_TIME_DIGITIZED,
        "SubsecTime": exif.SUB_SEC_TIME,
        "SubsecTimeOriginal": exif.SUB_SEC_TIME_ORIGINAL,
        "SubsecTimeDigitized": exif.SUB_SEC_TIME_DIGITIZED,
        "StripOffsets": exif.STRIP_OFFSETS,
        "StripByteCounts": exif.STRIP_BYTE_COUNTS,
        "TileOffsets": exif.TILE_OFFSETS,
        "TileByteCounts": exif.TILE_BYTE_COUNTS,
    }.items():
        assert ExifTags.Base[name] == number


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_tags_agree_with_pillow(kind: str) -> None:
    image = Image.open(io.BytesIO(SAMPLES[kind]))
    seen = {**image.getexif(), **image.getexif().get_ifd(EXIF_IFD)}
    head = head_of(SAMPLES[kind])

    assert (head.width, head.height) == (40, 24)
    assert image.size == ((24, 40) if kind == "TIFF" else (40, 24))  # Pillow gives a TIFF's size upright
    assert head.tags.orientation == seen[exif.ORIENTATION] == 6
    for tag in (exif.DATE_TIME, exif.DATE_TIME_ORIGINAL, exif.OFFSET_TIME_ORIGINAL, exif.SUB_SEC_TIME_ORIGINAL):
        assert head.tags.texts[tag] == seen[tag]


def test_demo_photos_agree_with_pillow(sample_frames: Path) -> None:
    for path in sorted(sample_frames.glob("*.jpg"))[::25]:
        image = Image.open(path)
        inner = image.getexif().get_ifd(EXIF_IFD)
        with path.open("rb") as stream:
            head = read_head(stream)
        image.close()

        assert head is not None
        assert (head.width, head.height) == image.size
        assert head.tags.texts[exif.DATE_TIME_ORIGINAL] == inner[exif.DATE_TIME_ORIGINAL]
        assert head.tags.texts[exif.OFFSET_TIME_ORIGINAL] == inner[exif.OFFSET_TIME_ORIGINAL] == "+00:00"


@pytest.mark.parametrize("lossless", [True, False])
@pytest.mark.parametrize("size", [(1, 1), (640, 17), (301, 999)])
def test_sizes_of_webp_without_extras(size: tuple[int, int], lossless: bool) -> None:
    head = head_of(encode(picture(*size), "WEBP", lossless=lossless))

    assert (head.kind, head.width, head.height) == ("webp", *size)


def test_big_endian_blocks_are_read() -> None:
    """TIFF 6.0, section 2: "MM" puts the highest byte first. Laid out by hand: one directory with Orientation and DateTime."""
    text = b"2026:10:30 21:40:00\0"
    block = b"MM\0*" + struct.pack(">LH", 8, 2)
    block += struct.pack(">HHLHH", 0x0112, 3, 1, 8, 0) + struct.pack(">HHLL", 0x0132, 2, 20, 38) + struct.pack(">L", 0) + text
    tags = exif.read_tags(io.BytesIO(block))

    assert tags.orientation == 8
    assert exif.taken_at(tags) == exif.ExifTime(EVENING, None, exif.DATE_TIME)
    assert tags.reach == len(block)


def test_a_thumbnails_or_second_block_does_not_win() -> None:
    data = SAMPLES["JPEG"]
    second = b"Exif\0\0" + exif_of(datetime(2001, 1, 1)).tobytes()[6:]
    at = data.index(b"\xff\xe1") + 2 + int.from_bytes(data[data.index(b"\xff\xe1") + 2 :][:2], "big")
    both = data[:at] + b"\xff\xff\xff\xe1" + struct.pack(">H", len(second) + 2) + second + data[at:]
    found = exif.taken_at(head_of(both).tags)

    assert found is not None
    assert found.local == EVENING.replace(microsecond=500_000)


def test_exif_behind_other_segments() -> None:
    data = SAMPLES["JPEG"]
    other = b"\xff\xe2" + struct.pack(">H", 60_000) + bytes(59_998)
    found = exif.taken_at(head_of(data[:2] + other * 5 + data[2:]).tags)

    assert found is not None
    assert found.local.year == 2026


@pytest.mark.parametrize(
    "data", [b"", b"\xff", b"\xff\xd8\xff", b"hello", b"GIF89a", bytes(64), b"RIFF\0\0\0\0WAVE", b"%PDF-1.7"]
)
def test_other_files_have_no_head_or_an_empty_one(data: bytes) -> None:
    head = read_head(io.BytesIO(data))

    assert head is None or (head.width, head.height, head.tags.texts) == (0, 0, {})


@given(st.sampled_from(sorted(SAMPLES)), st.data())
def test_damage_never_stops_the_reading(kind: str, data: st.DataObject) -> None:
    body = bytearray(SAMPLES[kind])
    for _ in range(data.draw(st.integers(0, 6))):
        body[data.draw(st.integers(0, len(body) - 1))] = data.draw(st.integers(0, 255))
    cut = bytes(body[: data.draw(st.integers(0, len(body)))])
    head = read_head(io.BytesIO(cut))

    assert head is None or 1 <= head.tags.orientation <= 8
    assert head is None or exif.taken_at(head.tags) is None or exif.taken_at(head.tags).local.year >= 1  # type: ignore[union-attr]


@given(
    st.sampled_from(
        [b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF\x00\x10\x00\x00WEBP", b"II*\0", b"MM\0*", b"\0\0\0\x18ftypheic"]
    ),
    st.binary(),
)
def test_noise_behind_a_good_beginning_never_stops_the_reading(start: bytes, noise: bytes) -> None:
    head = read_head(io.BytesIO(start + noise))

    assert head is None or head.kind in ("jpeg", "png", "webp", "tiff", "heif")
    assert movie_created(io.BytesIO(start + noise)) is None or noise


def test_a_file_full_of_fill_bytes_ends_soon() -> None:
    assert head_of(b"\xff\xd8" + b"\xff" * 3_000_000).width == 0
    assert head_of(b"\x89PNG\r\n\x1a\n" + bytes(3_000_000)).width == 0
    assert head_of(b"RIFF\0\0\0\0WEBP" + bytes(3_000_000)).width == 0


def test_creation_time_of_a_movie(tmp_path: Path) -> None:
    """ISO/IEC 14496-12, 8.2.2: creation_time counts seconds since 1904-01-01 UTC: 2082844800 of them to 1970."""
    data = write_video(tmp_path / "clip.mp4", 3).read_bytes()
    assert movie_created(io.BytesIO(data)) is None

    at = data.index(b"mvhd") + 8
    seconds = 2_082_844_800 + int(datetime(2026, 10, 30, 21, 40, tzinfo=UTC).timestamp())
    assert movie_created(io.BytesIO(data[:at] + struct.pack(">L", seconds) + data[at + 4 :])) == datetime(
        2026, 10, 30, 21, 40, tzinfo=UTC
    )
