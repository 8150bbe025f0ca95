"""Photos decoded small: as large as asked for, the same scene as the whole picture, and damage told as ever."""

from __future__ import annotations

import hashlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from frametally.errors import BadFrame
from frametally.frames import load
from frametally.frames.reduced import load_reduced
from frametally.model import Frame


def a_photo(path: Path, orientation: int = 1) -> Frame:
    rng = np.random.default_rng(2)
    scene = cv2.resize(rng.integers(0, 255, (30, 40, 3), np.uint8), (800, 600), interpolation=cv2.INTER_CUBIC)
    image = Image.fromarray(scene)
    exif = image.getexif()
    exif[0x0112] = orientation
    image.save(path, exif=exif, **({"quality": 97} if path.suffix == ".jpg" else {}))
    return Frame(path.name, path, 0, None, "none")


@pytest.mark.parametrize("suffix", [".jpg", ".png"])
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("share", [1.0, 0.5, 0.33, 0.1])
def test_the_same_scene_in_less_pixels(tmp_path: Path, suffix: str, orientation: int, share: float) -> None:
    frame = a_photo(tmp_path / f"one{suffix}", orientation)
    whole = load(frame)
    picture, size = load_reduced(frame, share)
    assert size == (whole.pixels.shape[1], whole.pixels.shape[0])
    height, width = picture.pixels.shape[:2]
    assert (width, height) >= (int(share * size[0]), int(share * size[1]))
    assert width <= max(2 * share, 0.125) * size[0] + 1
    assert (picture.bytes, picture.sha256) == (whole.bytes, hashlib.sha256(frame.path.read_bytes()).hexdigest())
    wanted = cv2.resize(whole.pixels, (width, height), interpolation=cv2.INTER_AREA)
    assert np.abs(wanted.astype(int) - picture.pixels).mean() < 4


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("share", [1.0, 0.5, 0.13])
def test_a_region_is_as_in_the_whole_and_the_rest_is_left_out(tmp_path: Path, orientation: int, share: float) -> None:
    frame = a_photo(tmp_path / "one.jpg", orientation)
    whole, (width, height) = load_reduced(frame, share)
    region = {1: (10, 20, width - 9, height // 2), 3: (5, height // 2, width, height)}.get(orientation, (0, 0, width, height))
    region = {6: (width // 2, 0, width, height), 8: (0, 7, width // 2, height)}.get(orientation, region)
    picture, size = load_reduced(frame, share, region)
    assert size == (width, height)
    assert picture.pixels.shape == whole.pixels.shape
    assert picture.sha256 == whole.sha256
    factor = width / picture.pixels.shape[1]
    left, top, right, bottom = (round(side / factor) for side in region)
    assert np.array_equal(picture.pixels[top:bottom, left:right], whole.pixels[top:bottom, left:right])
    assert (picture.pixels == 0).all(axis=2).mean() > 0.3  # what lies beyond was not decoded
    frame.path.write_bytes(frame.path.read_bytes()[:-4000])
    with pytest.raises(BadFrame, match="cut off or damaged"):
        load_reduced(frame, share, region)


def test_damage_is_told(tmp_path: Path) -> None:
    frame = a_photo(tmp_path / "one.jpg")
    data = frame.path.read_bytes()
    frame.path.write_bytes(data[: len(data) // 2])
    with pytest.raises(BadFrame, match="cut off or damaged"):
        load_reduced(frame, 0.5)
    frame.path.write_bytes(b"words, no picture")
    with pytest.raises(BadFrame, match="no JPEG"):
        load_reduced(frame, 0.5)
    frame.path.unlink()
    with pytest.raises(BadFrame, match="cannot be read"):
        load_reduced(frame, 0.5)
