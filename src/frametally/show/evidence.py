"""Takes crops of photos and leaves them as picture files in `evidence/`, under names that every file system takes."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from frametally.show.files import write_whole

LONGEST_NAME = 80
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")
_SUFFIXES = (".png", ".jpg", ".jpeg")

Picture = npt.NDArray[np.uint8]


def write_evidence(folder: Path, crops: Mapping[str, Picture]) -> dict[str, Path]:
    """Write each crop (h x w x 3 BGR or h x w grey, uint8) into `folder`; give each name's file.

    A name that ends in .jpg is written as JPEG, any other as PNG. Raises `ValueError` for an empty crop, `BadInput` where
    the folder cannot be written.
    """
    written: dict[str, Path] = {}
    taken: set[str] = set()
    for name, crop in crops.items():
        file_name = safe_name(name)
        if file_name.lower() in taken:
            file_name = _tagged(file_name, name)
        taken.add(file_name.lower())
        written[name] = folder / file_name
        write_whole(folder / file_name, encode_picture(crop, Path(file_name).suffix))
    return written


def encode_picture(crop: Picture, suffix: str = ".png") -> bytes:
    """Give a crop as the bytes of a PNG or JPEG file; raises `ValueError` where it holds no pixels."""
    if crop.size == 0 or crop.dtype != np.uint8:
        raise ValueError(f"a crop needs pixels of type uint8; this one has shape {crop.shape} and type {crop.dtype}")
    options = [cv2.IMWRITE_JPEG_QUALITY, 92] if suffix.lower() in (".jpg", ".jpeg") else [cv2.IMWRITE_PNG_COMPRESSION, 6]
    done, data = cv2.imencode(suffix, crop, options)
    if not done:
        raise ValueError(f"a crop of shape {crop.shape} cannot be written as {suffix}")
    return data.tobytes()


def safe_name(name: str) -> str:
    """Give a plain file name for any text: ASCII letters, digits, dot, dash, underscore; a changed name carries a tag."""
    stem, suffix = name, ".png"
    for known in _SUFFIXES:
        if name.lower().endswith(known):
            stem, suffix = name[: -len(known)], known
    plain = _UNSAFE.sub("_", stem).strip("._-")[:LONGEST_NAME]
    if _RESERVED.match(plain) or not plain:
        plain = f"crop_{plain}".rstrip("_")
    return plain + suffix if plain == stem else _tagged(plain + suffix, name)


def _tagged(file_name: str, name: str) -> str:
    tag = hashlib.sha256(name.encode("utf-8", errors="backslashreplace")).hexdigest()[:8]
    path = Path(file_name)
    return f"{path.stem}-{tag}{path.suffix}"
