"""From a frame to a smaller picture of it, decoded no larger than it is needed; or BadFrame with the reason why there is none."""

from __future__ import annotations

import hashlib
import io

import cv2
import numpy as np

from frametally.errors import BadFrame
from frametally.frames.containers import read_head
from frametally.frames.decode import MOST_PIXELS, Picture, _read_bytes, _rotate, _turn_back, load
from frametally.frames.partial import Region, decode_top_reduced
from frametally.frames.video import VIDEO_SUFFIXES
from frametally.model import Frame


def load_reduced(frame: Frame, share: float, region: Region | None = None) -> tuple[Picture, tuple[int, int]]:
    """Give a frame's picture, upright, at no less than a share (above 0, at most 1) of its width and height, and its full size.

    A JPEG is decoded straight to that size or up to twice it, which spares most of the work but unpacking its bits; anything
    else is decoded whole and made smaller. Its `sha256` is that of the file, as in `load`. `region`, of the upright picture at
    its full size, allows to leave what lies beyond it black where that spares work.

    Raises BadFrame where the file holds no whole picture.
    """
    if frame.path.suffix.lower() not in VIDEO_SUFFIXES:
        data = _read_bytes(frame)
        head = read_head(io.BytesIO(data))
        if head is not None and head.kind == "jpeg" and 0 < head.width * head.height <= MOST_PIXELS:
            last_row = _turn_back(region, head)[3] if region is not None else head.height
            pixels = _decode(data, (head.width, head.height), share, last_row)
            if pixels is not None:
                upright = np.ascontiguousarray(_rotate(pixels, head.tags.orientation))
                size = (head.height, head.width) if head.tags.orientation >= 5 else (head.width, head.height)
                return Picture(upright, len(data), hashlib.sha256(data).hexdigest()), size
    whole = load(frame)
    size = (whole.pixels.shape[1], whole.pixels.shape[0])
    factor = int(1 / share)
    if factor < 2:
        return whole, size
    smaller = (-(-size[0] // factor), -(-size[1] // factor))
    return Picture(cv2.resize(whole.pixels, smaller, interpolation=cv2.INTER_AREA), whole.bytes, whole.sha256), size


def reduction(share: float) -> int:
    """Give by how much a JPEG is decoded smaller: 8, 4, 2 or 1, at which the decoder is quickest, and never below the share."""
    return next((factor for factor in (8, 4, 2) if factor * share <= 1), 1)


def _decode(data: bytes, size: tuple[int, int], share: float, last_row: int) -> np.ndarray | None:
    """Decode a JPEG to a share of its size or a little more; None where its colours need the long way."""
    import simplejpeg

    factor = reduction(share)
    try:
        _, _, space, _ = simplejpeg.decode_jpeg_header(data)
        if space in ("CMYK", "YCCK"):
            return None
        part = decode_top_reduced(data, last_row, factor) if last_row < size[1] else None
        if part is not None:
            return part
        least = [max(1, side // factor) for side in size]
        return np.asarray(simplejpeg.decode_jpeg(data, "BGR", min_width=least[0], min_height=least[1]))
    except ValueError as error:
        raise BadFrame(
            f"the file is cut off or damaged: the JPEG decoder says: {error}. Copy it from the camera again if you still can."
        ) from None
