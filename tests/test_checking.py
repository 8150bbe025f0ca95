"""Before the night: tall, small, blurred, glared, tightly marked and turned displays get the verdict that they deserve."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from frametally.advice import Verdict, judge_display
from frametally.aim.obliquity import Obliquity
from frametally.checking import Check, Plan, check, check_legible, endurance
from frametally.errors import BadInput, CalibrationMisfit, NoFrames, TooDoubtful
from frametally.model import Calibration, Display, Flag, Reading, Trial
from frametally.practice import STYLES, Hardness, draw_number
from frametally.practice.camera import encode_photo
from frametally.read.legibility import Legibility
from frametally.read.tightness import Tightness
from frametally.settings import save_calibration

NOW = datetime(2026, 10, 30, 21, 40, tzinfo=UTC)
SHARP = Hardness(tilt_deg=2.0, blur_px=0.5, noise=0.8, darkest=0.9)
ORDER = list(Verdict)


def photograph(
    folder: Path,
    *,
    text: str = "20.9",
    height_px: float = 48.0,
    look: str = "lcd-plain",
    tight: tuple[str, float] | None = None,
    blur_px: float = 0.0,
    glare: float = 0.0,
    tilt_deg: float = 2.0,
    name: str = "photo.jpg",
    taken: datetime = NOW,
) -> tuple[Path, Path]:
    """Draw a photo of one oxygen display on a plain wall, with its calibration; give both files."""
    image, points = draw_number(
        text, STYLES[look].hand, np.random.default_rng(6), height_px, mask="##.#", hardness=replace(SHARP, tilt_deg=tilt_deg)
    )
    image, points = on_a_wall(image, points)
    if blur_px:
        image = cv2.GaussianBlur(image, (0, 0), blur_px)
    if glare:
        rows, columns = np.mgrid[0 : image.shape[0], 0 : image.shape[1]]
        x, y = points.mean(axis=0)
        spot = glare * np.exp(-(((columns - x) / height_px) ** 2 + ((rows - y) / height_px) ** 2))
        image = np.clip(image + spot[..., None], 0, 255).astype(np.uint8)
    if tight is not None:
        points = tightened(points, *tight)
    photo, file = folder / name, folder / "calibration.toml"
    photo.write_bytes(encode_photo(np.ascontiguousarray(image), taken, 0.1))
    display = {
        "key": "o2_pct", "quantity": "oxygen", "unit": "%", "digits": "##.#", "range": [0, 25], "resolution": 0.1,
        "corners": points.tolist(),
    }  # fmt: skip
    known = {
        "format": 1, "reference_frame": name, "frame_size": [image.shape[1], image.shape[0]],
        "instrument": [{"name": "pocket meter", "display": [display]}],
    }  # fmt: skip
    save_calibration(Calibration.model_validate(known), file)
    return photo, file


def on_a_wall(image: NDArray[np.uint8], points: NDArray[np.float64]) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Set a display into a larger photo."""
    wall = np.full((image.shape[0] + 160, image.shape[1] + 200, 3), (120, 130, 140), np.uint8)
    wall[80 : 80 + image.shape[0], 100 : 100 + image.shape[1]] = image
    return wall, points + np.array([100.0, 80.0])


def tightened(points: NDArray[np.float64], side: str, share: float) -> NDArray[np.float64]:
    out = points.copy()
    height = points[3, 1] - points[0, 1]
    which, axis, way = {"left": ([0, 3], 0, 1), "right": ([1, 2], 0, -1), "top": ([0, 1], 1, 1), "bottom": ([2, 3], 1, -1)}[side]
    out[which, axis] += way * share * height
    return out


def checked(folder: Path, **drawn: object) -> Check:
    photo, calibration = photograph(folder, **drawn)  # type: ignore[arg-type]
    return check([photo], calibration, now=NOW)


def slugs(found: Check) -> set[str]:
    return {reason.slug for reason in found.worst("o2_pct").judgement.reasons}


# --- verdicts -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", ["lcd-plain", "lcd-ghost", "led-red", "lcd-negative"])
def test_a_tall_sharp_display_is_good(tmp_path: Path, look: str) -> None:
    found = checked(tmp_path, look=look)

    one = found.worst("o2_pct")
    assert one.reading.text == "20.9"
    assert one.judgement.verdict is Verdict.GOOD
    assert one.judgement.expected is not None
    assert one.judgement.expected.flagged < 0.1
    assert found.verdicts == {"o2_pct": Verdict.GOOD}
    check_legible(found)


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
def test_a_region_marked_too_tightly_is_refused(tmp_path: Path, side: str) -> None:
    found = checked(tmp_path, text="20.8", tight=(side, 0.35))

    one = found.worst("o2_pct")
    assert one.judgement.verdict is Verdict.NOT_LEGIBLE
    assert one.judgement.expected is None
    assert f"Mark it looser on the {side}" in one.judgement.remedies[0]
    with pytest.raises(TooDoubtful, match="o2_pct"):
        check_legible(found)


def test_half_a_zero_is_refused_whatever_it_reads_as(tmp_path: Path) -> None:
    """The region ends in the middle of the last digit, so that what is left of the 0 looks like a 1."""
    for share in (0.4, 0.5):
        found = checked(tmp_path, text="20.0", tight=("right", share))
        assert found.worst("o2_pct").judgement.verdict is Verdict.NOT_LEGIBLE


def test_small_digits_ask_for_a_nearer_camera(tmp_path: Path) -> None:
    found = checked(tmp_path, height_px=7.5)

    assert found.verdicts["o2_pct"] is not Verdict.GOOD
    assert "small" in slugs(found)
    assert any("nearer" in remedy for remedy in found.worst("o2_pct").judgement.remedies)


def test_smaller_digits_never_get_a_better_verdict(tmp_path: Path) -> None:
    verdicts = [checked(tmp_path, height_px=height).verdicts["o2_pct"] for height in (60.0, 30.0, 15.0, 8.0, 4.5)]

    assert all(ORDER.index(one) <= ORDER.index(other) for one, other in pairwise(verdicts))
    assert verdicts[0] is Verdict.GOOD
    assert verdicts[-1] is Verdict.NOT_LEGIBLE


def test_blur_never_gets_a_better_verdict_and_asks_for_the_focus(tmp_path: Path) -> None:
    found = [checked(tmp_path, blur_px=blur) for blur in (0.0, 3.0, 6.0, 12.0)]
    verdicts = [one.verdicts["o2_pct"] for one in found]

    assert all(ORDER.index(one) <= ORDER.index(other) for one, other in pairwise(verdicts))
    assert verdicts[-1] is Verdict.NOT_LEGIBLE
    assert any("focus" in remedy for remedy in found[2].worst("o2_pct").judgement.remedies)


def test_glare_asks_for_another_lamp(tmp_path: Path) -> None:
    found = checked(tmp_path, glare=350)

    assert found.verdicts["o2_pct"] is not Verdict.GOOD
    assert "glare" in slugs(found)
    assert any(remedy.startswith("Turn the lamp") for remedy in found.worst("o2_pct").judgement.remedies)


def test_a_display_that_is_off_is_to_be_switched_on(tmp_path: Path) -> None:
    found = checked(tmp_path, text="")

    assert slugs(found) == {"blank"}
    assert found.verdicts["o2_pct"] is Verdict.NOT_LEGIBLE
    assert "Switch it on" in found.worst("o2_pct").judgement.remedies[0]


# --- the judgement alone --------------------------------------------------------------------------------------------------

CLEAR = Legibility(40.0, 5.4, 0.6, 0.6, 90.0, 0.01, 0.0, 0.0, True, (), Tightness())
SURE = Reading("20.9", 20.9, 0.999, Flag.OK)
STRAIGHT = Obliquity(5.0, 8.0, 0.0)
DISPLAY = Display(
    key="o2_pct", quantity="oxygen", unit="%", corners=((0, 0), (90, 0), (90, 40), (0, 40)), digits="##.#", instrument="meter"
)


@pytest.mark.parametrize(
    ("slug", "worse", "harmless"),
    [
        ("glare", {"glare": 0.1}, {"glare": 0.02}),
        ("faint", {"step": 15.0}, {"step": 25.0}),
        ("too-tight", {"tight": Tightness(runs=("left",))}, {"tight": Tightness()}),
        ("digit-beside", {"tight": Tightness(beside=("right",))}, {"tight": Tightness()}),
        ("small", {"height_px": 11.0}, {"height_px": 16.0}),
        ("noisy", {"noise": 0.2}, {"noise": 0.05}),
        ("soft", {"blur_px": 1.5}, {"blur_px": 0.7}),
    ],
)
def test_each_reason_has_its_threshold(slug: str, worse: dict[str, object], harmless: dict[str, object]) -> None:
    bad = judge_display(DISPLAY, SURE, replace(CLEAR, **worse), STRAIGHT)  # type: ignore[arg-type]
    fine = judge_display(DISPLAY, SURE, replace(CLEAR, **harmless), STRAIGHT)  # type: ignore[arg-type]

    assert slug in {reason.slug for reason in bad.reasons}
    assert slug not in {reason.slug for reason in fine.reasons}
    assert bad.remedies


@pytest.mark.parametrize("flag", [Flag.HIDDEN, Flag.LOST])
def test_what_was_not_seen_is_not_legible(flag: Flag) -> None:
    found = judge_display(DISPLAY, Reading("", None, 0.0, flag), None, None)

    assert found.verdict is Verdict.NOT_LEGIBLE
    assert found.expected is None
    assert len(found.remedies) == 1


def test_an_unsure_angle_condemns_nothing_and_a_sure_one_does() -> None:
    unsure = judge_display(DISPLAY, SURE, CLEAR, Obliquity(60.0, 20.0, 0.0))
    sure = judge_display(DISPLAY, SURE, CLEAR, Obliquity(60.0, 5.0, 0.0))

    assert (unsure.verdict, sure.verdict) == (Verdict.GOOD, Verdict.BORDERLINE)


def test_what_must_be_done_first_stands_first_and_the_rest_by_what_it_gains() -> None:
    seen = replace(CLEAR, height_px=9.0, stroke_px=1.2, step=15.0, tight=Tightness(runs=("right",)))

    found = judge_display(DISPLAY, SURE, seen, STRAIGHT)

    gains = [reason.gain for reason in found.reasons]
    assert found.reasons[0].slug == "too-tight"
    assert gains == sorted(gains, reverse=True)


def test_under_glare_the_lamp_comes_first_and_the_mark_is_still_refused() -> None:
    """The rim of a glare looks like ink that runs over the edge."""
    found = judge_display(DISPLAY, SURE, replace(CLEAR, glare=0.1, tight=Tightness(runs=("right",))), STRAIGHT)

    assert [reason.slug for reason in found.reasons] == ["glare", "too-tight"]
    assert found.verdict is Verdict.NOT_LEGIBLE


def test_a_doubtful_reading_is_borderline_at_best() -> None:
    found = judge_display(DISPLAY, replace(SURE, confidence=0.9), CLEAR, STRAIGHT)

    assert found.verdict is Verdict.BORDERLINE


# --- several photos, and the photo the displays were marked on ----------------------------------------------------------------


def test_several_photos_count_by_their_worst(tmp_path: Path) -> None:
    good, calibration = photograph(tmp_path)
    picture = cv2.imread(str(good))
    worse = tmp_path / "later.jpg"
    worse.write_bytes(encode_photo(cv2.GaussianBlur(picture, (0, 0), 9), NOW - timedelta(seconds=30), 0.1))

    found = check([good, worse], calibration, now=NOW)

    assert [photo.frame.name for photo in found.photos] == ["photo.jpg", "later.jpg"]
    assert found.photos[0].sightings[0].judgement.verdict is Verdict.GOOD
    assert found.verdicts["o2_pct"] is Verdict.NOT_LEGIBLE
    assert [photo.placed for photo in found.photos] == ["reference", "found"]
    assert found.clock.state == "agrees"


def test_without_the_reference_photo_the_corners_count_as_they_stand_and_that_is_told(tmp_path: Path) -> None:
    photo, calibration = photograph(tmp_path)
    alone = tmp_path / "elsewhere" / "another.jpg"
    alone.parent.mkdir()
    photo.rename(alone)

    found = check([alone], calibration, now=NOW)

    assert found.photos[0].placed == "as marked"
    assert found.verdicts["o2_pct"] is Verdict.GOOD
    assert "photo.jpg" in found.notes[0]


def test_a_moved_camera_is_followed_from_the_reference_photo(sample_frames: Path, calibration_path: Path) -> None:
    """In photo 118 of the demo night the camera had been nudged; truth.csv says what the displays show."""
    found = check([sample_frames / "cabin_0118.jpg"], calibration_path, now=NOW)

    photo = found.photos[0]
    assert photo.placed == "found"
    assert photo.sightings[0].reading.text == "193"


def test_inputs_that_do_not_do_are_refused(tmp_path: Path) -> None:
    photo, calibration = photograph(tmp_path)
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(photo.read_bytes()[:900])
    small = tmp_path / "small.png"
    cv2.imwrite(str(small), np.zeros((40, 60, 3), np.uint8))

    with pytest.raises(NoFrames, match=r"broken\.jpg"):
        check([broken], calibration, now=NOW)
    with pytest.raises(CalibrationMisfit, match=r"small\.png"):
        check([small], calibration, now=NOW)
    with pytest.raises(BadInput, match="folder"):
        check([tmp_path], calibration, now=NOW)
    with pytest.raises(BadInput, match="--interval"):
        check([photo], calibration, plan=Plan(card_gb=4), now=NOW)
    with pytest.raises(BadInput, match="--card-gb"):
        check([photo], calibration, plan=Plan(60, card_gb=-1), now=NOW)
    found = check([broken, photo], calibration, now=NOW)
    assert [one.frame.name for one in found.photos] == ["photo.jpg"]
    assert "broken.jpg" in found.notes[0]


# --- card and battery -----------------------------------------------------------------------------------------------------

NIGHT = Trial.model_validate({"format": 1, "start": NOW, "end": NOW + timedelta(hours=9)})


def test_the_first_to_give_out_ends_the_night() -> None:
    """4 GB over 4 MB are 1000 photos; at one a minute 16 h 40 min. Nine hours take 541 photos, first and last counted."""
    found = endurance(4_000_000, Plan(60, 8, 4), NIGHT)

    assert (found.card_photos, found.card_h) == (1000, pytest.approx(1000 / 60))
    assert (found.limited_by, found.lasts_h, found.enough) == ("battery", 8, False)
    assert (found.trial_h, found.trial_photos) == (9, 541)
    assert endurance(4_000_000, Plan(60, 10, 4), NIGHT).enough is True


def test_what_is_not_told_stays_open() -> None:
    found = endurance(4_000_000, Plan(60), None)

    assert (found.card_h, found.battery_h, found.lasts_h, found.enough, found.limited_by) == (None, None, None, None, "")
