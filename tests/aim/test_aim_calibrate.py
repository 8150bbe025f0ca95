"""A calibration that belongs to other photos is refused in words that help."""

from __future__ import annotations

import math

import pytest
from aim_scenes import calibration

from frametally.aim import check_fit, digit_height_px, reference_of
from frametally.errors import CalibrationMisfit, ExitCode
from frametally.model import Calibration


def marked_on(name: str) -> Calibration:
    return calibration().model_copy(update={"reference_frame": name})


def test_the_marked_size_fits() -> None:
    check_fit(calibration(), (1280, 960))


@pytest.mark.parametrize(
    ("size", "words"),
    [((960, 1280), "swapped"), ((640, 480), "original"), ((1280, 720), "original"), ((2560, 1920), "original")],
)
def test_another_size_is_refused_with_both_sizes_and_a_remedy(size: tuple[int, int], words: str) -> None:
    with pytest.raises(CalibrationMisfit) as caught:
        check_fit(calibration(), size)
    text = str(caught.value)
    assert f"{size[0]} x {size[1]}" in text
    assert "1280 x 960" in text
    assert words in text
    assert "mark" in text
    assert ("swapped" in text) == (size == (960, 1280))
    assert caught.value.exit_code == ExitCode.CALIBRATION_MISFIT == 4


@pytest.mark.parametrize(
    ("wanted", "names", "found"),
    [
        ("a.jpg", ["a.jpg", "b.jpg"], "a.jpg"),
        ("a.jpg", ["roll/100/a.jpg", "roll/100/b.jpg"], "roll/100/a.jpg"),
        ("100/a.jpg", ["roll/100/a.jpg", "roll/101/a.jpg"], "roll/100/a.jpg"),
        ("roll\\100\\a.jpg", ["roll/100/a.jpg", "roll/101/a.jpg"], "roll/100/a.jpg"),
        ("elsewhere/a.jpg", ["a.jpg"], "a.jpg"),
        ("A.JPG", ["x/a.jpg"], "x/a.jpg"),
        ("a.jpg", ["a.jpg", "x/a.jpg"], "a.jpg"),
        ("clip.mp4#000003", ["clip.mp4#000000", "clip.mp4#000003"], "clip.mp4#000003"),
    ],
)
def test_the_reference_is_found(wanted: str, names: list[str], found: str) -> None:
    assert reference_of(marked_on(wanted), names) == found


def test_a_name_that_two_frames_have_is_refused() -> None:
    with pytest.raises(CalibrationMisfit, match="2 frames have that name") as caught:
        reference_of(marked_on("a.jpg"), ["x/a.jpg", "y/a.jpg"])
    assert "x/a.jpg" in str(caught.value)
    assert "reference_frame" in str(caught.value)


def test_an_absent_reference_brings_close_names() -> None:
    with pytest.raises(CalibrationMisfit, match="Did you mean") as caught:
        reference_of(marked_on("cabin_001.jpg"), ["x/cabin_0001.jpg", "x/other.jpg"])
    assert "'x/cabin_0001.jpg'" in str(caught.value)
    assert "other" not in str(caught.value)


def test_an_absent_reference_without_a_like_brings_no_guess() -> None:
    with pytest.raises(CalibrationMisfit) as caught:
        reference_of(marked_on("cabin_0001.jpg"), ["xyz.png"])
    assert "Did you mean" not in str(caught.value)
    assert "cabin_0001.jpg" in str(caught.value)


def test_an_absent_reference_of_a_video_brings_its_first_picture() -> None:
    names = [f"night.avi#{number:06d}" for number in range(20)]
    for wanted in ("cabin_0001.jpg", "night.avi", "night.avi#000021"):
        with pytest.raises(CalibrationMisfit) as caught:
            reference_of(marked_on(wanted), names)
        assert "The first picture of this video is 'night.avi#000000'." in str(caught.value)
        assert "Did you mean" not in str(caught.value)
    with pytest.raises(CalibrationMisfit, match="not among the frames") as caught:
        reference_of(marked_on("a.jpg"), ["a#1.jpg"])
    assert "video" not in str(caught.value)


def test_digit_height_is_the_mean_of_both_sides() -> None:
    display = calibration().displays[0].model_copy(update={"corners": ((0, 0), (100, 0), (103, 44), (0, 50))})
    assert digit_height_px(display) == pytest.approx((50 + math.hypot(3, 44)) / 2)
