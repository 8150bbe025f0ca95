"""Takes pixels and gives what a page can show: JPEG bytes, or a crop as a `data:` address inside JSON."""

from __future__ import annotations

import base64

import cv2
import numpy as np

from frametally.model import Corners
from frametally.read import rectify

CROP_HEIGHT = 96
"""Rows of a crop as `rectify` gives it, its padding not counted. [px]"""


def encode_jpeg(pixels: np.ndarray, quality: int = 88) -> bytes:
    """Give a picture, (rows, columns, 3) BGR or (rows, columns) grey, `uint8`, as JPEG bytes."""
    done, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError("the picture has no size")
    return bytes(data)


def data_url(pixels: np.ndarray, quality: int = 88) -> str:
    """Give a picture as an address that holds it, for `<img src>`."""
    return "data:image/jpeg;base64," + base64.b64encode(encode_jpeg(pixels, quality)).decode("ascii")


def crop_of(pixels: np.ndarray, corners: Corners) -> np.ndarray:
    """Give a display's region seen straight on, as the reader sees it, `uint8`."""
    return rectify(pixels, corners).pixels
