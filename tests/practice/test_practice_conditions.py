"""What lies over a whole practice night makes it as hard as it says, and an ordinary night stays as it was."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from frametally.errors import BadInput
from frametally.model import Corners
from frametally.practice import CONDITIONS, draw_night
from frametally.settings import load_calibration


def drawn(folder: Path, condition: str | None, frames: int = 2) -> tuple[np.ndarray, Corners, int]:
    """Draw a night; give its second photo, where the first display is, and the photo's bytes."""
    files = draw_night(folder, seed=6, frames=frames, style="lcd-plain", troubles=(), condition=condition)
    photo = sorted(files.frames.iterdir())[1]
    corners = load_calibration(files.calibration).displays[0].corners
    return cv2.imread(str(photo), cv2.IMREAD_GRAYSCALE).astype(float), corners, photo.stat().st_size


def window(photo: np.ndarray, corners: Corners) -> np.ndarray:
    (left, top), (right, bottom) = np.min(corners, axis=0).astype(int), np.max(corners, axis=0).astype(int)
    return photo[top:bottom, left:right]


def contrast(photo: np.ndarray, corners: Corners) -> float:
    """How far the digits stand off their ground, in grey levels."""
    return float(np.ptp(np.quantile(window(photo, corners), [0.02, 0.8])))


def sharpness(photo: np.ndarray, corners: Corners) -> float:
    return float(np.abs(np.diff(window(photo, corners), axis=1)).max())


def unrest(photo: np.ndarray) -> float:
    """The noise: how far pixels are from the middle one of those around."""
    return float(np.std(photo - cv2.medianBlur(photo.astype(np.uint8), 5)))


def test_no_condition_and_the_plain_one_are_the_same_night(tmp_path: Path) -> None:
    without, _, _ = drawn(tmp_path / "a", None)
    plain, _, _ = drawn(tmp_path / "b", "plain")

    assert np.array_equal(without, plain)


def test_each_condition_does_what_it_says(tmp_path: Path) -> None:
    photos = {name: drawn(tmp_path / name, name) for name in CONDITIONS if not CONDITIONS[name].troubles}
    plain, corners, size = photos["plain"]

    assert photos["dark cabin"][0].mean() < 0.45 * plain.mean()
    assert contrast(photos["condensation"][0], corners) < 0.75 * contrast(plain, corners)
    assert sharpness(photos["motion blur"][0], corners) < 0.9 * sharpness(plain, corners)
    assert unrest(photos["noise"][0]) > 1.5 * unrest(plain)
    assert contrast(photos["viewing angle"][0], corners) < 0.7 * contrast(plain, corners)
    assert photos["heavy JPEG"][2] < 0.5 * size
    assert photos["small in frame"][0].shape == (480, 640)


@pytest.mark.parametrize("condition", ["lamp glare", "nudged camera"])
def test_a_condition_brings_its_troubles(tmp_path: Path, condition: str) -> None:
    files = draw_night(tmp_path, seed=6, frames=20, style="lcd-plain", troubles=(), condition=condition, size=(640, 480))
    notes = files.truth.read_text(encoding="utf-8").count

    if condition == "lamp glare":
        assert notes("a light mirrored") == round(0.3 * 20)
    else:
        assert (notes("camera nudged"), notes("moved from here on")) == (1, 1)


def test_an_unknown_condition_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"unknown condition 'fog'; choose from: plain, dark cabin"):
        draw_night(tmp_path, seed=1, frames=3, condition="fog")
