"""From a frame to its pixels: BGR `uint8`, upright, whole or a region; or BadFrame with the reason why there are none.

A file that is cut off is never passed on as a picture with its rest in grey: JPEG is decoded with every complaint of the decoder
taken as an error, the others must hold all the bytes that their wrapping promises.
"""

from __future__ import annotations

import hashlib
import io
import stat
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from frametally.errors import BadFrame
from frametally.frames.containers import Head, read_head, unreadable_item
from frametally.frames.exif import ORIENTATION, STRIP_BYTE_COUNTS, STRIP_OFFSETS, TILE_BYTE_COUNTS, TILE_OFFSETS
from frametally.frames.partial import Region, decode_part
from frametally.frames.video import VIDEO_SUFFIXES, VideoShelf
from frametally.model import Frame

if TYPE_CHECKING:
    from PIL.ImageFile import ImageFile

MOST_PIXELS = 400_000_000
"""Pictures with more pixels are refused before memory is taken for them (a 400-megapixel picture takes 1.2 GB)."""

MOST_BYTES = 1 << 30
"""Photo files larger than this are refused."""

_ZERO_TAIL = 256  # bytes
_ADVICE = "Not used; the other frames are read as usual."
_videos = VideoShelf()  # open files only: what it gives depends on the path alone, never on what was asked before


@dataclass(frozen=True)
class Picture:
    """A frame's pixels (HxWx3, BGR, `uint8`, upright, C-contiguous), its file's size [bytes] and SHA-256.

    For a picture of a video, `bytes` is the size of the video file and `sha256` that of "<sha256 of the file>#<index>".
    `known`: left, top, right and bottom of the pixels that were decoded, [px], where not all were; the others are black.
    """

    pixels: np.ndarray
    bytes: int
    sha256: str
    known: Region | None = None


def load(frame: Frame, region: Region | None = None, *, lent: bool = False) -> Picture:
    """Give a frame's picture; raises BadFrame with the reason where the file does not hold a whole one. Thread-safe.

    `region`, of the upright picture, allows to leave out what lies beyond it where that spares work; the pixels in `known` are
    those of the whole picture all the same. It is not used where it does not lie in the picture. Pixels that are `lent` are good
    until this thread borrows the next.
    """
    video = _video_of(frame)
    if video is not None:
        size, digest = fingerprint(frame)
        return Picture(np.ascontiguousarray(_videos.reader(video).read(frame.index)), size, digest)
    data = _read_bytes(frame)
    head = _head_of(data)
    _check_size(head.width, head.height)
    if min(head.width, head.height) < 1 and head.kind != "heif":
        raise BadFrame(f"the {head.kind.upper()} file's head is damaged: it names no size. {_ADVICE}")
    known = None
    stored = _turn_back(region, head) if region is not None and head.kind == "jpeg" else None
    part = None if stored is None else decode_part(data, stored, lent=lent)
    if part is None:
        pixels = _DECODERS[head.kind](data, head)
    else:
        pixels, known = _rotate(part[0], head.tags.orientation), _turn(part[1], head)
    return Picture(np.ascontiguousarray(pixels), len(data), hashlib.sha256(data).hexdigest(), known)


def fingerprint(frame: Frame) -> tuple[int, str]:
    """Give size and SHA-256 as in `load`, without decoding; raises BadFrame where the file cannot be read."""
    video = _video_of(frame)
    if video is not None:
        try:
            whole = _videos.sha256(video)
            return video.stat().st_size, hashlib.sha256(f"{whole}#{frame.index}".encode()).hexdigest()
        except OSError as error:
            raise BadFrame(f"the file cannot be read: {error.strerror or error}") from None
    data = _read_bytes(frame)
    return len(data), hashlib.sha256(data).hexdigest()


def size_of(frame: Frame) -> tuple[int, int]:
    """Give width and height of the upright picture [px] from the file's head; raises BadFrame where it does not say."""
    video = _video_of(frame)
    if video is not None:
        return _videos.reader(video).size()
    try:
        with frame.path.open("rb") as stream:
            head = read_head(stream)
    except OSError as error:
        raise BadFrame(f"the file cannot be read: {error.strerror or error}") from None
    if head is not None and head.kind == "heif":
        return _open_heif(_read_bytes(frame)).size
    if head is None or min(head.width, head.height) < 1:
        raise BadFrame(f"the file does not begin like a picture. {_ADVICE}")
    sideways = head.tags.orientation >= 5
    return (head.height, head.width) if sideways else (head.width, head.height)


def _video_of(frame: Frame) -> Path | None:
    """Give the video file that the frame is a picture of, None for a photo."""
    return frame.path if isinstance(frame.path, Path) and frame.path.suffix.lower() in VIDEO_SUFFIXES else None


def _read_bytes(frame: Frame) -> bytes:
    try:
        size = _file_size(frame.path) if isinstance(frame.path, Path) else frame.path.size()
        if size > MOST_BYTES:
            raise BadFrame(f"the file has {size / 1e9:.1f} GB, more than a photo can have here (1 GB). {_ADVICE}")
        data = frame.path.read_bytes()
    except OSError as error:
        raise BadFrame(f"the file cannot be read: {error.strerror or error}") from None
    if not data:
        raise BadFrame(f"the file is empty (0 bytes). {_ADVICE}")
    return data


def _file_size(path: Path) -> int:
    facts = path.stat()
    if not stat.S_ISREG(facts.st_mode):
        raise BadFrame(f"this is no file but a folder or device. {_ADVICE}")
    return facts.st_size


def _head_of(data: bytes) -> Head:
    head = read_head(io.BytesIO(data))
    if head is None:
        looks = "text" if _is_text(data[:512]) else "something else"
        raise BadFrame(f"the file is no JPEG, PNG, TIFF, WebP or HEIC picture inside, but {looks}. {_ADVICE}")
    return head


def _is_text(start: bytes) -> bool:
    return all(byte >= 32 or byte in b"\t\r\n" for byte in start)


def _check_size(width: int, height: int) -> None:
    if width * height > MOST_PIXELS:
        raise BadFrame(
            f"the picture has {width} x {height} pixels, more than the {MOST_PIXELS // 1_000_000} million that are read. "
            "Make it smaller, or cut out the displays."
        )


def _cut_off(what: str) -> BadFrame:
    return BadFrame(f"the file is cut off or damaged: {what}. Copy it from the camera again if you still can.")


# --- one decoder per kind ------------------------------------------------------------------------------------------------


def _decode_jpeg(data: bytes, head: Head) -> np.ndarray:
    import simplejpeg

    try:
        _, _, space, _ = simplejpeg.decode_jpeg_header(data)
        pixels = simplejpeg.decode_jpeg(data, "CMYK" if space in ("CMYK", "YCCK") else "BGR", strict=True)
    except ValueError as error:
        raise _cut_off(f"the JPEG decoder says: {error}") from None
    if space in ("CMYK", "YCCK"):
        from PIL.JpegImagePlugin import JpegImageFile

        return _rotate(_from_pillow(_open_pillow(JpegImageFile, data)), head.tags.orientation)
    return _rotate(pixels, head.tags.orientation)


def _decode_png(data: bytes, head: Head) -> np.ndarray:
    _check_png(data)
    return _rotate(_decode_cv2(data), head.tags.orientation)


def _decode_webp(data: bytes, head: Head) -> np.ndarray:
    promised = int.from_bytes(data[4:8], "little") + 8
    if promised > len(data):
        raise _cut_off(f"the WebP file should have {promised} bytes and has {len(data)}")
    _check_tail(data)
    from PIL.WebPImagePlugin import WebPImageFile

    return _rotate(_from_pillow(_open_pillow(WebPImageFile, data)), head.tags.orientation)


def _check_tail(data: bytes) -> None:
    """A broken-off copy can have its full length with zeros at the end, which these decoders take for picture."""
    if len(data) > _ZERO_TAIL and not any(data[-_ZERO_TAIL:]):
        raise _cut_off("the file ends in zeros where picture data should be")


def _decode_cv2(data: bytes) -> np.ndarray:
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error as error:
        raise _cut_off(f"the decoder says: {error.err}") from None
    if pixels is None:
        raise _cut_off("the decoder gives no picture")
    return pixels


def _check_png(data: bytes) -> None:
    """Every chunk must be there with its right checksum, up to the end chunk (PNG third edition, 5.3)."""
    place = 8
    while place + 12 <= len(data):
        body = place + 8
        stop = body + int.from_bytes(data[place : place + 4], "big")
        if stop + 4 > len(data):
            break
        if zlib.crc32(memoryview(data)[place + 4 : stop]) != int.from_bytes(data[stop : stop + 4], "big"):
            raise _cut_off("a part of the PNG file does not fit its checksum")
        if data[place + 4 : body] == b"IEND":
            return
        place = stop + 4
    raise _cut_off("the PNG file ends before its end mark")


def _decode_tiff(data: bytes, head: Head) -> np.ndarray:
    from PIL.TiffImagePlugin import TiffImageFile

    lists = head.tags.lists
    if head.tags.reach > len(data):
        raise _cut_off("the TIFF file ends before its last entry")
    for places, counts in ((STRIP_OFFSETS, STRIP_BYTE_COUNTS), (TILE_OFFSETS, TILE_BYTE_COUNTS)):
        pairs = zip(lists.get(places, ()), lists.get(counts, ()), strict=False)
        if any(place + count > len(data) for place, count in pairs):
            raise _cut_off("the TIFF file ends before its last pixels")
    image = _open_pillow(TiffImageFile, data)
    is_upright = image.getexif().get(ORIENTATION, 1) == 1  # Pillow turns TIFFs upright while loading and then drops the tag
    return _rotate(_from_pillow(image), 1 if is_upright else head.tags.orientation)


def _open_pillow(kind: type[ImageFile], data: bytes) -> ImageFile:
    """Decode with one of Pillow's decoders; its size guard is not in it, ours has looked at the head before.

    The decoders meet damage with whatever the parsing stumbles over; under `-W error` also with a warning.
    """
    try:
        image = kind(io.BytesIO(data))
        image.load()
    except (OSError, SyntaxError, ValueError, LookupError, TypeError, ArithmeticError, struct.error, UserWarning) as error:
        raise _cut_off(f"the decoder says: {error}") from None
    return image


def _from_pillow(image: ImageFile) -> np.ndarray:
    try:
        if image.mode.startswith("I;16"):
            return cv2.cvtColor((np.asarray(image) >> 8).astype(np.uint8), cv2.COLOR_GRAY2BGR)
        if image.mode in ("I", "F"):
            raise BadFrame(f"the picture holds 32-bit numbers instead of 8- or 16-bit brightness. {_ADVICE}")
        return np.asarray(image.convert("RGB"))[:, :, ::-1]
    except (OSError, SyntaxError, ValueError) as error:
        raise _cut_off(f"the decoder says: {error}") from None


def _open_heif(data: bytes):  # type: ignore[no-untyped-def]
    import pi_heif

    if unreadable_item(io.BytesIO(data)):
        raise _cut_off("an item of the HEIC file has no proper name")
    try:
        image = pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True, bgr_mode=True)
        _check_size(*image.size)
    except (OSError, ValueError, RuntimeError, EOFError, SyntaxError, LookupError) as error:
        raise _cut_off(f"the HEIC decoder says: {error}") from None
    return image


def _decode_heif(data: bytes, head: Head) -> np.ndarray:
    """The rotation of HEIC is in the container (ISO/IEC 23008-12, irot and imir) and done by the decoder; EXIF's is ignored."""
    _check_tail(data)
    image = _open_heif(data)
    try:
        pixels = np.array(image)  # a copy while `image` lives: its memory goes with it, an array made of it does not hold it
    except (OSError, ValueError, RuntimeError, EOFError, SyntaxError, LookupError) as error:
        raise _cut_off(f"the HEIC decoder says: {error}") from None
    if pixels.ndim == 2:
        return cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR)
    return pixels[:, :, :3]


_DECODERS = {
    "jpeg": _decode_jpeg,
    "png": _decode_png,
    "webp": _decode_webp,
    "tiff": _decode_tiff,
    "heif": _decode_heif,
}


def _rotate(pixels: np.ndarray, orientation: int) -> np.ndarray:
    """Turn stored pixels upright by the EXIF orientation (CIPA DC-008, Orientation: where row 0 and column 0 belong)."""
    if orientation >= 5:
        pixels = pixels.transpose(1, 0, 2)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return pixels


def _turn(region: Region, head: Head) -> Region:
    """Give where a region of the stored pixels lies in the upright picture, as `_rotate` turns it."""
    left, top, right, bottom = region
    width, height = head.width, head.height
    if head.tags.orientation >= 5:
        left, top, right, bottom, width, height = top, left, bottom, right, height, width
    return _flip((left, top, right, bottom), (width, height), head.tags.orientation)


def _turn_back(region: Region, head: Head) -> Region:
    """Give where a region of the upright picture lies in the stored pixels."""
    sideways = head.tags.orientation >= 5
    size = (head.height, head.width) if sideways else (head.width, head.height)
    left, top, right, bottom = _flip(region, size, head.tags.orientation)
    return (top, left, bottom, right) if sideways else (left, top, right, bottom)


def _flip(region: Region, size: tuple[int, int], orientation: int) -> Region:
    left, top, right, bottom = region
    if orientation in (2, 3, 6, 7):
        left, right = size[0] - right, size[0] - left
    if orientation in (3, 4, 7, 8):
        top, bottom = size[1] - bottom, size[1] - top
    return left, top, right, bottom
