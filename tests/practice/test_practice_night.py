"""Whole practice nights: files, truth, calibration, EXIF, every style and every trouble, same seed same night."""

import csv
import io
import itertools
import math
import tomllib
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from frametally.errors import BadInput
from frametally.model import Calibration, Trial
from frametally.practice import STYLES, TROUBLES, NightFiles, draw_night
from frametally.practice.cabin import draw_cabin
from frametally.practice.camera import View, draw_lamp, light_map
from frametally.practice.glyphs import bars_of, place_polygons, spread
from frametally.practice.night import TROUBLE_NOTES
from frametally.practice.obstacles import Glare, covered_share, draw_cover, judge_glare, visible_bars
from frametally.practice.paint import Picture
from frametally.practice.scene import Scene, Shooter, build_scene, draw_plate, project
from frametally.practice.story import draw_story
from frametally.practice.troubles import DEFAULT_TROUBLES, check_troubles, schedule

FRAMES = 48


def rows_of(files: NightFiles) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(files.truth.read_text(encoding="utf-8"))))


def picture_of(files: NightFiles, name: str) -> np.ndarray:
    picture = cv2.imdecode(np.frombuffer((files.frames / name).read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return picture


def calibration_of(files: NightFiles) -> Calibration:
    return Calibration.model_validate(tomllib.loads(files.calibration.read_text(encoding="utf-8")))


def number_of(row: dict[str, str]) -> int:
    return int(row["frame"][6:10])


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> NightFiles:
    return draw_night(tmp_path_factory.mktemp("nights") / "Nacht über Schleuse 7", seed=11, frames=FRAMES, style="lcd-ghost")


@pytest.fixture(scope="module")
def cabin() -> Picture:
    return draw_cabin(np.random.default_rng(1), 990.0)


@pytest.fixture
def one_cabin(monkeypatch: pytest.MonkeyPatch, cabin: Picture) -> None:
    """Stands the instruments in the same room always, where the room is beside the point: most of the time goes into it."""
    monkeypatch.setattr("frametally.practice.scene.draw_cabin", lambda *_: cabin)


def test_truth_has_one_row_for_every_file(night: NightFiles) -> None:
    assert [r["frame"] for r in rows_of(night)] == sorted(p.name for p in night.frames.iterdir())


def test_missing_photos_keep_their_numbers_and_times(night: NightFiles) -> None:
    rows = rows_of(night)
    numbers = [number_of(r) for r in rows]
    missing = set(range(1, FRAMES + 1)) - set(numbers)
    assert len(missing) >= 2
    assert numbers[0] == 1
    start = datetime.fromisoformat(rows[0]["time"])
    assert start.utcoffset() is not None
    for row in rows:
        assert datetime.fromisoformat(row["time"]) - start == timedelta(minutes=number_of(row) - 1)


def test_truth_columns_are_the_calibration_s_displays(night: NightFiles) -> None:
    keys = [d.key for d in calibration_of(night).displays]
    assert list(rows_of(night)[0]) == ["frame", "time", *keys, "note"]


def test_every_default_trouble_leaves_its_mark_in_the_truth(night: NightFiles) -> None:
    rows = rows_of(night)
    notes = "\n".join(r["note"] for r in rows)
    for trouble in DEFAULT_TROUBLES:
        if trouble != "gap":
            assert TROUBLE_NOTES[trouble] in notes, trouble
    texts = {r[d.key] for r in rows for d in calibration_of(night).displays}
    assert {"", "HIDDEN", "OL", "?", "Lo"} <= texts


def test_truth_texts_fit_their_masks_and_ranges(night: NightFiles) -> None:
    for display in calibration_of(night).displays:
        for row in rows_of(night):
            text = row[display.key]
            if text in ("", "HIDDEN", "OL", "?", "Lo"):
                continue
            spread(text, display.masks[0])
            assert display.range is not None
            assert display.range[0] <= float(text) <= display.range[1]


def test_over_range_meets_a_high_number_on_the_other_instrument(night: NightFiles) -> None:
    spike = [r for r in rows_of(night) if TROUBLE_NOTES["spike"] in r["note"]]
    gases = [d for d in calibration_of(night).displays if d.unit == "ppm"]
    over = [(r, d.key) for r in spike for d in gases if r[d.key] == "OL"]
    assert over
    for row, key in over:
        other = next(d for d in gases if d.key != key)
        usual = float(rows_of(night)[0][other.key])
        assert float(row[other.key]) > usual + 60


def test_status_words_are_explained_in_the_calibration(night: NightFiles) -> None:
    calibration = calibration_of(night)
    for row in rows_of(night):
        for display in calibration.displays:
            if row[display.key] == "Lo":
                assert display.meaning_of("Lo") == "low battery"
            if row[display.key] == "OL":
                assert display.meaning_of("OL") == "over range"


def test_only_the_cut_file_cannot_be_decoded(night: NightFiles) -> None:
    for row in rows_of(night):
        path = night.frames / row["frame"]
        if TROUBLE_NOTES["truncated"] in row["note"]:
            with Image.open(path) as image, pytest.raises(OSError, match="truncated"):
                image.load()
            assert {row[d.key] for d in calibration_of(night).displays} == {"?"}
        elif number_of(row) % 6 == 1:
            with Image.open(path) as image:
                image.load()
                assert image.size == (1280, 960)


def test_exif_has_time_and_offset_of_the_truth(night: NightFiles) -> None:
    # Tag numbers of EXIF 2.32 (CIPA DC-008): 0x9003 DateTimeOriginal, 0x9011 OffsetTimeOriginal, 0x0112 Orientation.
    for row in rows_of(night)[::9]:
        with Image.open(night.frames / row["frame"]) as image:
            exif = image.getexif()
            inner = exif.get_ifd(0x8769)
        taken = datetime.strptime(inner[0x9003] + inner[0x9011], "%Y:%m:%d %H:%M:%S%z")
        assert taken == datetime.fromisoformat(row["time"])
        assert exif[0x0112] == 1
        assert exif[0x0110] == "drawn camera"
        assert exif[0x0132] == inner[0x9003]


def test_dim_frames_are_much_darker(night: NightFiles) -> None:
    rows = rows_of(night)
    dim = next(r for r in rows if r["note"] == TROUBLE_NOTES["dim"])
    level = picture_of(night, dim["frame"]).mean() / picture_of(night, rows[0]["frame"]).mean()
    assert 0.2 < level < 0.45


def test_glare_that_hides_a_number_is_blown_out_there(night: NightFiles) -> None:
    calibration = calibration_of(night)
    hidden = [
        (r["frame"], d)
        for r in rows_of(night)
        if TROUBLE_NOTES["glare"] in r["note"]
        for d in calibration.displays
        if r[d.key] == "?"
    ]
    assert hidden
    for name, display in hidden:
        corners = np.array(display.corners)
        tall = np.linalg.norm(corners[3] - corners[0])
        # The camera may have been knocked and the instrument slid since: look a hand's breadth around the marked region.
        left, top = np.maximum(corners.min(axis=0) - 110, 0).astype(int)
        right, bottom = (corners.max(axis=0) + 110).astype(int)
        blown = (picture_of(night, name)[top:bottom, left:right].min(axis=2) >= 250).sum()
        assert blown > 0.12 * tall * tall


def test_trial_validates_and_matches_the_night(night: NightFiles) -> None:
    trial = Trial.model_validate(tomllib.loads(night.trial.read_text(encoding="utf-8")))
    rows = rows_of(night)
    assert trial.start == datetime.fromisoformat(rows[0]["time"])
    assert trial.end == trial.start + timedelta(minutes=FRAMES - 1)
    assert trial.space.volume_m3 is not None
    assert trial.appliance[0].heat_input_kw is not None
    assert trial.appliance[0].heat_basis == "net"
    keys = {d.key for d in calibration_of(night).displays}
    assert {k for i in trial.instrument for k in i.response_t90_s} == keys
    assert [i.name for i in trial.instrument] == [i.name for i in calibration_of(night).instrument]


def test_same_seed_same_bytes_and_other_seed_other_night(tmp_path: Path) -> None:
    first, second, other = (
        draw_night(tmp_path / name, seed=seed, frames=3, troubles=("nudge",), size=(640, 480))
        for name, seed in (("a", 5), ("b", 5), ("c", 6))
    )
    for path in sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*.*")):
        assert (tmp_path / "a" / path).read_bytes() == (tmp_path / "b" / path).read_bytes(), path
    assert first.truth.read_bytes() == second.truth.read_bytes() != other.truth.read_bytes()
    assert first.calibration.read_bytes() != other.calibration.read_bytes()


@pytest.mark.usefixtures("one_cabin")
def test_a_clean_night_has_numbers_only_and_tells_its_progress(tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    clean = draw_night(tmp_path / "n", seed=8, frames=3, troubles=(), size=(640, 480), progress=lambda *k: seen.append(k))
    assert seen == [(1, 3), (2, 3), (3, 3)]
    assert all(r["note"] == "" for r in rows_of(clean))
    for display in calibration_of(clean).displays:
        assert all(math.isfinite(float(r[display.key])) for r in rows_of(clean))


@pytest.mark.parametrize(
    ("wishes", "word"),
    [
        ({"style": "lcd-plian"}, "unknown style"),
        ({"troubles": ("glaer",)}, "unknown trouble"),
        ({"frames": 0}, "1 to 9999"),
        ({"frames": 8}, "too few"),
        ({"size": (200, 100)}, "640 x 480"),
        ({"seed": -1}, "below zero"),
        ({"interval_s": 0.2}, "1 to 3600 s"),
    ],
)
def test_wishes_that_cannot_be_met_say_why_and_leave_nothing(tmp_path: Path, wishes: dict[str, object], word: str) -> None:
    with pytest.raises(BadInput, match=word):
        draw_night(tmp_path / "n", **({"seed": 1, "frames": 60} | wishes))  # type: ignore[arg-type]
    assert not (tmp_path / "n").exists()


@pytest.mark.usefixtures("one_cabin")
def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "truth.csv").write_text("mine")
    with pytest.raises(BadInput, match="nothing is overwritten"):
        draw_night(tmp_path, seed=1, frames=2, troubles=())
    assert (tmp_path / "truth.csv").read_text() == "mine"
    (tmp_path / "file").write_text("x")
    with pytest.raises(BadInput, match="choose another place"):
        draw_night(tmp_path / "file", seed=1, frames=2, troubles=())


@pytest.mark.parametrize("frames", [25, 40, 120, 700])
@pytest.mark.parametrize("seed", range(5))
def test_troubles_are_apart_and_spare_the_first_frame(frames: int, seed: int) -> None:
    stretches = schedule(frames, tuple(TROUBLES), np.random.default_rng(seed))
    assert {s.trouble for s in stretches} == set(TROUBLES)
    assert min(s.first for s in stretches) >= 1
    assert max(s.last for s in stretches) <= frames - 1
    passing = sorted((s.first, s.last) for s in stretches if s.trouble not in ("nudge", "instrument-moved"))
    assert all(after[0] > before[1] + 1 for before, after in itertools.pairwise(passing))


def test_the_number_of_frames_a_refusal_names_is_enough() -> None:
    with pytest.raises(BadInput) as refusal:
        schedule(5, DEFAULT_TROUBLES, np.random.default_rng(1))
    needed = int(str(refusal.value).split("ask for ")[1].split()[0])
    assert schedule(needed, DEFAULT_TROUBLES, np.random.default_rng(1))
    with pytest.raises(BadInput):
        schedule(needed - 1, DEFAULT_TROUBLES, np.random.default_rng(1))


def test_troubles_keep_one_order() -> None:
    assert check_troubles(("gap", "nudge", "gap")) == ("nudge", "gap")
    assert "blink" not in check_troubles(None)


@pytest.mark.usefixtures("one_cabin")
@pytest.mark.parametrize("trouble", sorted(TROUBLES))
def test_each_trouble_alone_can_be_drawn(tmp_path: Path, trouble: str) -> None:
    files = draw_night(tmp_path, seed=4, frames=8, style="led-red", troubles=(trouble,), size=(640, 480))
    rows = rows_of(files)
    keys = [d.key for d in calibration_of(files).displays]
    assert (len(rows) < 8) == (trouble == "gap")
    if trouble != "gap":
        assert any(TROUBLE_NOTES[trouble] in r["note"] for r in rows)
    sign = {"timeout": "", "covered": "HIDDEN", "truncated": "?", "low-battery": "Lo", "blink": "", "spike": "OL"}.get(trouble)
    if sign is not None:
        assert any(r[k] == sign for r in rows for k in keys)


# --- what is drawn is what the truth says ----------------------------------------------------------------------------


def bar_levels(scene: Scene, number: int, picture: np.ndarray, texts: dict[str, str]) -> tuple[list[float], list[float]]:
    """Give the brightness in the middle of every lit and of every unlit bar of one instrument."""
    lit, unlit = [], []
    bright = picture.max(axis=2)
    matrix = scene.window_matrix(number, View(), scene.poses[number])
    for spot in scene.instruments[number].window.spots:
        small = any(p.height < 1 for p in spot.layout.digits)
        characters = iter(spread(texts[spot.key], spot.mask, words_left=small)[0])
        for place in spot.layout.digits:
            on = bars_of(next(characters), spot.layout.shape)
            for name, polygon in place_polygons(place, spot.layout.shape).items():
                x, y = project(matrix, spot.place(polygon)).mean(axis=0)
                level = float(bright[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2].mean())
                (lit if name in on else unlit).append(level)
    return lit, unlit


@pytest.mark.usefixtures("one_cabin")
@pytest.mark.parametrize("name", sorted(STYLES))
def test_each_style_draws_what_the_truth_says_at_a_fair_size(name: str) -> None:
    seed = sorted(STYLES).index(name) + 30
    story = draw_story(30, 60, np.random.default_rng([seed, 1]))
    scene = build_scene(STYLES[name], story.meters, (1280, 960), np.random.default_rng([seed, 4]))
    light = light_map(draw_lamp(np.random.default_rng(seed)), 0.5, 1.0, scene.size)
    texts = {key: shown[20] for key, shown in story.texts.items()}
    picture = np.clip(Shooter(scene).shine(View(), scene.poses, texts, light), 0, 255)
    for number, instrument in enumerate(scene.instruments):
        lit, unlit = bar_levels(scene, number, picture, texts)
        if instrument.window.style.is_emissive:
            assert min(lit) > max(unlit) + 40
        else:
            assert max(lit) < min(unlit) - 40
        for meter in instrument.meters:
            tall = np.ptp(scene.outline(meter.key, View(), scene.poses)[:, 1])
            assert 38 <= tall <= 70


@pytest.mark.usefixtures("one_cabin")
@pytest.mark.parametrize("seed", range(4))
def test_marked_corners_hold_every_digit_place_eight_to_fifteen_percent_loose(tmp_path: Path, seed: int) -> None:
    files = draw_night(tmp_path, seed=seed, frames=1, troubles=())
    story = draw_story(1, 60, np.random.default_rng([seed, 1]))
    names = list(STYLES)
    style = STYLES[names[int(np.random.default_rng([seed, 2]).integers(len(names)))]]
    scene = build_scene(style, story.meters, (1280, 960), np.random.default_rng([seed, 4]))
    for display in calibration_of(files).displays:
        points = scene.outline(display.key, View(), scene.poses)
        quad = np.array(display.corners, np.float32)
        tall = np.ptp(points[:, 1])
        inside = min(cv2.pointPolygonTest(quad, (float(x), float(y)), True) for x, y in points)
        assert 0.05 * tall < inside
        marked = np.linalg.norm(quad[3] - quad[0]) * 0.5 + np.linalg.norm(quad[2] - quad[1]) * 0.5
        assert 1.1 < marked / tall < 1.4


@pytest.mark.usefixtures("one_cabin")
@pytest.mark.parametrize("seed", range(4))
def test_things_in_front_hide_a_whole_instrument_and_nothing_of_the_other(seed: int) -> None:
    story = draw_story(2, 60, np.random.default_rng(seed))
    scene = build_scene(STYLES["lcd-plain"], story.meters, (1280, 960), np.random.default_rng(seed))
    for number in (0, 1):
        cover = draw_cover(scene, number, View(), scene.poses, np.random.default_rng(seed))
        for display in (spot.key for i in scene.instruments for spot in i.window.spots):
            share = covered_share(scene, display, View(), scene.poses, cover)
            assert share > 0.99 if scene.spot_of(display)[0] == number else share == 0


@pytest.mark.usefixtures("one_cabin")
@pytest.mark.parametrize("name", ["lcd-ghost", "lcd-backlit-blue", "led-red"])
def test_no_glare_hides_nothing_and_a_blinding_one_everything(name: str) -> None:
    story = draw_story(2, 60, np.random.default_rng(1))
    scene = build_scene(STYLES[name], story.meters, (640, 480), np.random.default_rng(1))
    texts = {key: shown[0] for key, shown in story.texts.items()}
    plate = draw_plate(scene, View(), scene.poses)
    for pane in plate.panes:
        window = scene.instruments[pane.instrument].window
        own = {spot.key: texts[spot.key] for spot in window.spots}
        middle = pane.left + pane.alpha.shape[1] / 2, pane.top + pane.alpha.shape[0] / 2
        for strength, hides in ((0.0, False), (900.0, True)):
            glare = Glare(*middle, 600, 600, strength, 1.0)
            assert judge_glare(window, visible_bars(window, pane, glare, 0.9), own) == dict.fromkeys(own, hides)


@pytest.mark.usefixtures("one_cabin")
def test_a_display_that_is_off_has_nothing_to_hide() -> None:
    story = draw_story(2, 60, np.random.default_rng(1))
    scene = build_scene(STYLES["led-red"], story.meters, (640, 480), np.random.default_rng(1))
    pane = draw_plate(scene, View(), scene.poses).panes[0]
    window = scene.instruments[0].window
    bars = visible_bars(window, pane, Glare(pane.left + 50, pane.top + 50, 600, 600, 900.0, 1.0), 0.9)
    assert judge_glare(window, bars, {s.key: "" for s in window.spots}) == {s.key: False for s in window.spots}


@pytest.mark.usefixtures("one_cabin")
def test_negative_temperatures_are_told_and_drawn_with_a_minus(tmp_path: Path) -> None:
    frosty = next(
        seed for seed in range(40) if draw_story(3, 60, np.random.default_rng([seed, 1])).texts["temp_c"][0].startswith("-")
    )
    files = draw_night(tmp_path, seed=frosty, frames=2, style="lcd-plain", troubles=())
    row = rows_of(files)[0]
    display = next(d for d in calibration_of(files).displays if d.key == "temp_c")
    assert row["temp_c"].startswith("-")
    assert display.digits == "-##.#"
    # Rectify by the marked corners alone: the sign is the level dark bar in the left fifth, at half height.
    corners = np.array(display.corners, np.float32)
    flat = np.array([[0, 0], [400, 0], [400, 140], [0, 140]], np.float32)
    seen = cv2.warpPerspective(picture_of(files, row["frame"]), cv2.getPerspectiveTransform(corners, flat), (400, 140)).mean(
        axis=2
    )
    sign = seen[:, 10:72]
    ground = float(np.median(seen))
    dark = np.flatnonzero(sign.min(axis=1) < ground - 40)
    assert len(dark) > 5
    assert 45 < dark.mean() < 95
    assert math.isclose(float(row["temp_c"]), float(story_temp(frosty)), abs_tol=1e-9)


def story_temp(seed: int) -> str:
    return draw_story(2, 60, np.random.default_rng([seed, 1])).texts["temp_c"][0]
