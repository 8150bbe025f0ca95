"""`frametally check` on a screen and for machines: words, codes, picture."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import pytest
from cli_calls import Caller, state_of

NOW = "2026-10-30T21:40:20+00:00"  # the first photo of the demo night was taken at 21:40:00


@pytest.fixture
def photo(sample_frames: Path) -> Path:
    """The photo that the demo night's displays were marked on."""
    return sample_frames / "cabin_0001.jpg"


@pytest.fixture
def glared(sample_frames: Path) -> Path:
    """A photo with a lamp mirrored in the wall unit."""
    return sample_frames / "cabin_0060.jpg"


def test_a_photo_is_told_display_by_display(calls: Caller, photo: Path, calibration_path: Path, trial_path: Path) -> None:
    """What the displays show stands in truth.csv; the wall unit's t90 of 360 s in the trial."""
    done = calls("check", photo, "-c", calibration_path, "-t", trial_path, "--interval", "1min", "--now", NOW)

    assert done.code == 0
    assert done.err == ""
    for words in (
        'Reads "20.9"',
        "co_ppm",
        "wall unit",
        "good",
        "px high",
        "Expect",
        "now, to a minute",
        "360 s",
        "The trial lasts 9.9 h",
    ):
        assert words in " ".join(done.out.split())
    assert "Interval for wall_co_ppm: good. 15 photos in 15 min" in done.out
    assert max(map(len, done.out.splitlines())) <= 100


def test_glare_is_told_with_its_remedy_and_ends_strictly_with_5(calls: Caller, glared: Path, calibration_path: Path) -> None:
    done = calls("check", glared, "-c", calibration_path, "--now", NOW)
    strict = calls("check", glared, "-c", calibration_path, "--now", NOW, "--strict")

    assert done.code == 0
    assert "!! rh_pct (wall unit): not legible" in done.out
    assert "1. Turn the lamp" in done.out
    assert strict.code == 5
    assert "rh_pct" in strict.err
    assert strict.out == done.out


def test_json_holds_what_the_words_say(calls: Caller, photo: Path, glared: Path, calibration_path: Path) -> None:
    done = calls(
        "check",
        photo,
        glared,
        "-c",
        calibration_path,
        "--json",
        "--interval",
        "60s",
        "--card-gb",
        "4",
        "--battery-h",
        "8",
        "--now",
        NOW,
    )

    assert done.code == 0
    data = json.loads(done.out)
    assert [one["photo"] for one in data["photos"]] == ["cabin_0001.jpg", "cabin_0060.jpg"]
    first = {display["key"]: display for display in data["photos"][0]["displays"]}
    assert first["o2_pct"]["text"] == "20.9"
    assert first["o2_pct"]["value"] == 20.9
    assert 40 < first["o2_pct"]["measured"]["height_px"] < 70
    assert first["o2_pct"]["expected_flagged"]["lower"] <= first["o2_pct"]["expected_flagged"]["upper"]
    assert data["verdicts"]["rh_pct"] == "not legible"
    assert data["clock"]["state"] in ("ahead", "off by hours")
    assert data["endurance"]["card_photos"] == 4_000_000_000 // data["endurance"]["photo_bytes"]
    assert data["endurance"]["limited_by"] == "battery"
    assert {one["key"] for one in data["cadence"]} == {"co_ppm", "o2_pct", "wall_co_ppm"}


def test_the_picture_is_written_and_the_photos_are_not_touched(
    calls: Caller, photo: Path, glared: Path, calibration_path: Path, tmp_path: Path
) -> None:
    before, picture = state_of(photo, glared, calibration_path), tmp_path / "new" / "check.png"

    done = calls("check", photo, glared, "-c", calibration_path, "-o", picture, "--now", NOW)

    assert done.code == 0
    assert str(picture) in done.out
    drawn = cv2.imread(str(picture))
    assert drawn is not None
    assert drawn.shape[0] > 2 * 960
    assert state_of(photo, glared, calibration_path) == before
    first = picture.read_bytes()
    assert calls("check", photo, glared, "-c", calibration_path, "-o", picture, "--now", NOW).code == 0
    assert picture.read_bytes() == first


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--interval", "soon"), "60s, 2min or 1h"),
        (("--interval", "0s"), "60s, 2min or 1h"),
        (("--card-gb", "4"), "--interval"),
        (("--interval", "60s", "--battery-h", "-1"), "--battery-h"),
        (("--now", "today"), "2026-10-30T21:40:00"),
        (("-o", "picture.gif"), ".png or .jpg"),
        (("-t", "missing.toml"), "missing.toml"),
    ],
)
def test_wrong_options_end_with_2_and_say_what_is_right(
    calls: Caller, photo: Path, calibration_path: Path, more: tuple[str, ...], words: str
) -> None:
    done = calls("check", photo, "-c", calibration_path, *more)

    assert done.code == 2
    assert words in done.err


def test_files_that_do_not_do(calls: Caller, photo: Path, calibration_path: Path, tmp_path: Path) -> None:
    broken, small = tmp_path / "broken.jpg", tmp_path / "small.jpg"
    broken.write_bytes(photo.read_bytes()[:5000])
    cv2.imwrite(str(small), cv2.resize(cv2.imread(str(photo)), (640, 480)))
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(photo.read_bytes())

    assert calls("check", broken, "-c", calibration_path).code == 3
    assert calls("check", small, "-c", calibration_path).code == 4
    assert calls("check", tmp_path, "-c", calibration_path).code == 2
    assert calls("check", tmp_path / "none.jpg", "-c", calibration_path).code == 2
    assert calls("check", copy, "-c", calibration_path, "-o", copy).code == 2
    assert copy.read_bytes() == photo.read_bytes()
    assert calls("check", "-c", calibration_path).code == 2
