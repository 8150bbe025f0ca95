"""Writes small photos and videos for the tests of the frames room; EXIF comes from Pillow, which is no part of that room."""

from __future__ import annotations

import hashlib
import io
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from frametally.model import Frame

EVENING = datetime(2026, 10, 30, 21, 40)

DESCRIPTION, ORIENTATION, DATE_TIME, EXIF_IFD = 0x010E, 0x0112, 0x0132, 0x8769  # tag numbers: CIPA DC-008, tables 3 to 8
DATE_TIME_ORIGINAL, DATE_TIME_DIGITIZED = 0x9003, 0x9004
MAKE, MODEL, BODY_SERIAL = 0x010F, 0x0110, 0xA431
OFFSET_TIME, OFFSET_TIME_ORIGINAL, SUB_SEC_ORIGINAL = 0x9010, 0x9011, 0x9291


def picture(width: int = 40, height: int = 24, seed: int = 0) -> Image.Image:
    """A smooth colourful picture without any symmetry."""
    noise = np.random.default_rng(seed).integers(0, 255, (3, 5, 3), dtype=np.uint8)
    return Image.fromarray(cv2.resize(noise, (width, height), interpolation=cv2.INTER_LINEAR))


def exif_of(taken: datetime | str | None = None, **more: object) -> Image.Exif:
    """DateTimeOriginal and more: offset, subsec, orientation, digitized, changed, change_offset, make, model, serial."""
    exif = Image.Exif()
    exif[DESCRIPTION] = "drawn for a test"  # Pillow takes EXIF without any tag in its first directory for empty
    inner = exif.get_ifd(EXIF_IFD)
    if taken is not None:
        inner[DATE_TIME_ORIGINAL] = taken if isinstance(taken, str) else f"{taken:%Y:%m:%d %H:%M:%S}"
    for key, place, tag in (
        ("offset", inner, OFFSET_TIME_ORIGINAL),
        ("subsec", inner, SUB_SEC_ORIGINAL),
        ("digitized", inner, DATE_TIME_DIGITIZED),
        ("change_offset", inner, OFFSET_TIME),
        ("changed", exif, DATE_TIME),
        ("orientation", exif, ORIENTATION),
        ("make", exif, MAKE),
        ("model", exif, MODEL),
        ("serial", inner, BODY_SERIAL),
    ):
        if key in more:
            place[tag] = more.pop(key)
    if more:
        raise TypeError(f"unknown {sorted(more)}")
    return exif


def encode(image: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    """An image as the bytes of a file."""
    stream = io.BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


def put(path: Path, taken: datetime | str | None = None, kind: str = "JPEG", **more: object) -> Path:
    """Write a small photo with EXIF; folders are made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(encode(picture(16, 12), kind, exif=exif_of(taken, **more).tobytes()))
    return path


def put_night(
    folder: Path, count: int, every_s: float = 240, first: int = 1, start: datetime = EVENING, **more: object
) -> list[Path]:
    """Write photos IMG_0001.JPG and on, one every so many seconds."""
    return [put(folder / f"IMG_{first + at:04d}.JPG", start + timedelta(seconds=at * every_s), **more) for at in range(count)]


def frame_of(path: Path, index: int = 0) -> Frame:
    """A frame without a time."""
    return Frame(path.name, path, index, None, "none")


def write_video(path: Path, pictures: int, fps: float = 5.0, code: str = "mp4v") -> Path:
    """A clip in which each picture is a little brighter and a bar moves; 64 x 48."""
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*code), fps, (64, 48))
    if not writer.isOpened():
        raise OSError(f"no writer for {path.name}")
    for at in range(pictures):
        view = np.full((48, 64, 3), 20 + at * 3, np.uint8)
        view[:, at % 60 : at % 60 + 4] = (0, 0, 255)
        writer.write(view)
    writer.release()
    return path


def traces(folder: Path) -> dict[str, tuple[str, int]]:
    """What shows whether a file was touched: hash and time of change of each file below a folder."""
    return {
        str(path): (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
