"""A small practice night from photos to film: length, what each frame shows, steadiness, and what is refused."""

from __future__ import annotations

import hashlib
import importlib
import json
import math
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from film_nights import read_film
from frametally.aim import Registrar
from frametally.errors import BadInput
from frametally.film_photos import Follower, PhotoDesk
from frametally.filming import Wanted, count_frames, film, row_of
from frametally.model import Calibration, Frame, FrameRecord, Method, Night, Placement, Shift
from frametally.practice import draw_night
from frametally.run import Options, run
from frametally.settings import load_calibration
from frametally.show.film_layout import Box, View, bounds, fit_photo, follow

Pixels = npt.NDArray[np.uint8]


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A practice night of six photos, read; the film's tests never change it."""
    folder = tmp_path_factory.mktemp("night")
    files = draw_night(folder / "drawn", seed=4, frames=6, troubles=())
    run(files.frames, files.calibration, folder / "results", trial=files.trial, options=Options(readings_only=True))
    before = _state(folder)
    yield folder
    assert {name: data for name, data in _state(folder).items() if name in before} == before  # photos and results untouched


def _state(folder: Path) -> dict[str, str]:
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()}


def _cut(picture: Pixels, box: Box) -> npt.NDArray[np.int64]:
    return picture[box[1] : box[3], box[0] : box[2], :3].astype(np.int64)


def test_film_of_a_practice_night(night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from frametally import filming

    painted: list[Pixels] = []
    layouts = []

    class Watched(filming.Painter):
        def paint(self, row: int, photo: Pixels | None, reason: str = "", outlines: Any = None) -> Pixels:
            assert photo is not None
            assert reason == ""
            assert outlines is None
            picture = super().paint(row, photo, reason, outlines)
            painted.append(picture.copy())
            layouts.append(self.layout)
            return picture

    monkeypatch.setattr(filming, "Painter", Watched)
    steps: list[tuple[int, int]] = []
    path = film(night / "results", tmp_path / "night.mp4", Wanted(720, 20, 8), progress=lambda *done: steps.append(done))
    decoded, rate = read_film(path)
    assert rate == 20
    assert len(decoded) == 15  # six photos at 8 a second are 0.75 s
    assert len(painted) == 6
    assert steps[-1] == (15, 15)
    assert [done for done, _ in steps] == sorted({done for done, _ in steps})
    parts = [layouts[0].words, layouts[0].photo, *layouts[0].charts]
    for number, picture in enumerate(decoded):
        for part in parts:
            far = [np.abs(_cut(picture, part) - _cut(other, part)).mean() for other in painted]
            assert min(far) == far[row_of(number, 6, 15)]
            assert min(far) < 6
    with pytest.raises(BadInput, match="--force"):
        film(night / "results", path, Wanted(720))
    before = path.read_bytes()
    film(night / "results", path, Wanted(720, 20, 8), force=True)
    assert path.read_bytes() == before  # same night, same bytes


def test_moved_photos_are_found_and_missing_ones_told(night: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    results, photos = tmp_path / "results", tmp_path / "moved"
    shutil.copytree(night / "results", results)
    shutil.copytree(night / "drawn" / "frames", photos)
    known = json.loads((results / "night.json").read_text())
    known["source"] = str(tmp_path / "gone")
    (results / "night.json").write_text(json.dumps(known))
    with pytest.raises(BadInput, match="--frames FOLDER"):
        film(results, tmp_path / "night.mp4")
    names = [name for name, *_ in known["frames"]]
    (photos / names[1]).unlink()
    (photos / names[2]).write_bytes((photos / names[3]).read_bytes())
    film(results, tmp_path / "night.mp4", Wanted(720), frames=photos)
    assert "no picture of 2 photos" in caplog.text
    pictures, _ = read_film(tmp_path / "night.mp4")
    assert len(pictures) == 15
    caplog.clear()
    film(results, tmp_path / "over", Wanted(720, 10, 10, transparent=True))  # needs no photos
    # ... but it cannot be told then whether an instrument was moved
    assert "stay where it was marked: the photo they were marked on" in caplog.text
    assert len(list((tmp_path / "over").iterdir())) == 6
    told = re.search(r"a photo stands at ([\d.]+) % of its size, its top left corner at (-?\d+), (-?\d+)", caplog.text)
    assert told is not None
    scale, left, top = (float(number) for number in told.groups())
    displays = load_calibration(results / "calibration.toml").displays
    view = fit_photo((16, 16, 16 + 931, 16 + 469), (1280, 960), [display.corners for display in displays])
    assert (scale, left, top) == (round(100 * view.scale, 2), round(view.left), round(view.top))


@pytest.mark.parametrize(
    ("name", "wanted", "words"),
    [
        ("night.avi", Wanted(), "does not end in .mp4"),
        ("night.mov", Wanted(), "--transparent"),
        ("night.mp4", Wanted(transparent=True), "no transparent ground"),
        ("night.mp4", Wanted(height=1081), "--height 1080 or 1082"),
        ("night.mp4", Wanted(height=480), "720 to 2160"),
        ("night.mp4", Wanted(speed=5, seconds=9), "one of them"),
        ("night.mp4", Wanted(speed=60), "never be seen"),
        ("night.mp4", Wanted(seconds=0.1), "--seconds 0.3"),
        ("drawn/frames/night.mp4", Wanted(), "among the photos"),
        ("drawn", Wanted(transparent=True), "other files"),
        ("results", Wanted(transparent=True), "results folder itself"),
        ("results/journal.jsonl", Wanted(), "does not end in .mp4"),
    ],
)
def test_what_cannot_be_is_refused(night: Path, name: str, wanted: Wanted, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        film(night / "results", night / name, wanted)


def test_a_folder_without_a_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="holds no finished run"):
        film(tmp_path, tmp_path / "night.mp4")


@pytest.mark.parametrize(("rows", "fps", "speed"), [(1, 25, 10), (150, 25, 10), (7, 24, 23.976), (720, 60, 60), (5, 30, 0.5)])
def test_every_row_is_shown_in_order(rows: int, fps: int, speed: float) -> None:
    frames = count_frames(rows, Wanted(fps=fps, speed=speed))
    shown = [row_of(frame, rows, frames) for frame in range(frames)]
    assert sorted(set(shown)) == list(range(rows))
    assert shown == sorted(shown)
    assert frames == math.ceil(round(rows * fps / speed, 9))
    times = [shown.count(row) for row in range(rows)]
    assert max(times) - min(times) <= 1


# --- steady ------------------------------------------------------------------------------------------------------------

SIZE = (640, 480)
SHIFT = Shift(14.0, -9.0, 3.0, 1.02, 0.9)


def _moved(picture: Pixels, shift: Shift) -> Pixels:
    """The picture as a camera sees it that moved: turned clockwise about the middle, made larger, then moved."""
    middle = ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)
    matrix = cv2.getRotationMatrix2D(middle, -shift.rotation_deg, shift.scale)  # OpenCV counts the other way round
    matrix[:, 2] += (shift.dx, shift.dy)
    return np.asarray(cv2.warpAffine(picture, matrix, SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT), np.uint8)


@pytest.mark.parametrize("scale", [1.0, 0.6, 0.3])
def test_a_photo_is_put_back_to_where_the_reference_lies(tmp_path: Path, scale: float) -> None:
    rng = np.random.default_rng(5)
    scene = cv2.resize(rng.integers(0, 255, (48, 64, 3), np.uint8), SIZE, interpolation=cv2.INTER_CUBIC)
    place = (10, 20, 10 + round(640 * scale), 20 + round(480 * scale))
    seen = {}
    for name, picture, shift in (
        ("still", scene, None),
        ("moved", _moved(scene, SHIFT), SHIFT),
        ("left", _moved(scene, SHIFT), None),
    ):
        path = tmp_path / f"{name}.jpg"
        cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 98])
        data = path.read_bytes()
        record = FrameRecord(path.name, None, len(data), hashlib.sha256(data).hexdigest(), "", shift, {}, {})
        frame = Frame(path.name, path, 0, None, "none")
        desk = PhotoDesk(Night((frame,), "none"), [record], _calibration(), View(scale, place[0], place[1]), place, 0.35)
        pixels, reason, _ = desk.look(path.name)
        assert reason == ""
        assert pixels is not None
        seen[name] = pixels[:, :, :3].astype(float)[40:-40, 40:-40]
    wanted = cv2.resize(scene, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).astype(float)[40:-40, 40:-40]
    assert np.abs(seen["still"] - wanted).mean() < 5
    assert np.abs(seen["moved"] - seen["still"]).mean() < 5
    assert np.abs(seen["left"] - seen["still"]).mean() > 20


def test_a_photo_that_changed_since_is_not_shown(tmp_path: Path) -> None:
    path = tmp_path / "one.png"
    cv2.imwrite(str(path), np.zeros((480, 640, 3), np.uint8))
    record = FrameRecord(path.name, None, 1, "0" * 64, "", None, {}, {})
    frame = Frame(path.name, path, 0, None, "none")
    desk = PhotoDesk(Night((frame,), "none"), [record], _calibration(), View(1.0, 0.0, 0.0), (0, 0, 640, 480), 0.35)
    pixels, reason, outlines = desk.look(path.name)
    assert pixels is None
    assert outlines is None
    assert "not the photo that was read" in reason
    assert list(desk.missing) == ["one.png"]
    assert desk.look("") == (None, "No photo: a gap in the time-lapse", None)


# --- instruments that were moved ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def slid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A practice night in which an instrument is slid along the shelf while the camera stands still, read."""
    folder = tmp_path_factory.mktemp("slid")
    files = draw_night(folder / "drawn", seed=7, frames=8, troubles=("instrument-moved",))
    run(files.frames, files.calibration, folder / "results", trial=files.trial, options=Options(readings_only=True))
    return folder


def _found(slid: Path) -> dict[str, Placement]:
    """Where registration finds the displays in the whole photos of that night."""
    calibration = load_calibration(slid / "results" / "calibration.toml")
    photos = {path.name: cv2.imread(str(path)) for path in sorted((slid / "drawn" / "frames").glob("*.jpg"))}
    registrar = Registrar(np.asarray(photos[calibration.reference_frame], np.uint8), calibration, lost_below=Method().lost_below)
    return {name: registrar.locate(np.asarray(picture, np.uint8)) for name, picture in photos.items()}


@pytest.mark.parametrize("transparent", [False, True])
def test_frame_and_label_follow_an_instrument_that_was_moved(
    slid: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, transparent: bool
) -> None:
    from frametally import filming

    seen: list[tuple[Any, Any]] = []

    class Watched(filming.Painter):
        def paint(self, row: int, photo: Pixels | None, reason: str = "", outlines: Any = None) -> Pixels:
            seen.append((outlines, self.layout))
            return super().paint(row, photo, reason, outlines)

    monkeypatch.setattr(filming, "Painter", Watched)
    film(slid / "results", tmp_path / ("over" if transparent else "night.mp4"), Wanted(720, 10, 10, transparent=transparent))
    calibration, moved_rows = load_calibration(slid / "results" / "calibration.toml"), 0
    for (outlines, layout), placement in zip(seen, _found(slid).values(), strict=True):
        assert math.hypot(placement.shift.dx, placement.shift.dy) < 1  # the camera stood still
        labels = layout.labels if outlines is None else follow(layout, outlines)
        for number, display in enumerate(calibration.displays):
            there = layout.view.place(placement.corners[display.key])
            drawn = layout.outlines[number] if outlines is None else outlines[number]
            assert np.abs(drawn - there).max() <= 1.5
            own = there.mean(axis=0) - layout.outlines[number].mean(axis=0)
            if np.hypot(*own) > 5:
                moved_rows += 1
                with_it = np.array(labels[number][:2]) - layout.labels[number][:2]
                assert np.abs(with_it - own).max() <= 2  # the label stands to it as it stood
    assert moved_rows >= 3


def test_a_display_that_is_covered_is_drawn_where_its_instrument_was_slid_to(slid: Path) -> None:
    """The other displays of the instrument tell where it is; what cannot be told at all stays where it is marked."""
    calibration = load_calibration(slid / "results" / "calibration.toml")
    place, view = (0, 0, 1280, 960), View(1.0, 0.0, 0.0)
    still, moved = (
        np.asarray(cv2.cvtColor(np.asarray(cv2.imread(str(path))), cv2.COLOR_BGR2BGRA), np.uint8)
        for path in (sorted((slid / "drawn" / "frames").glob("*.jpg"))[at] for at in (0, -1))
    )
    follower = Follower(still, calibration, view, place, 0.35)
    assert follower.find(still) is None
    wanted = follower.find(moved)
    assert wanted is not None
    displays = calibration.displays
    far = [float(np.abs(one - view.place(display.corners)).max()) for one, display in zip(wanted, displays, strict=True)]
    group = next(one.display for one in calibration.instrument if far[[d.key for d in displays].index(one.display[0].key)] > 5)
    number = [display.key for display in displays].index(group[-1].key)
    left, top, right, bottom = bounds(wanted[number])
    moved[top - 20 : bottom + 20, left - 20 : right + 20] = (40, 60, 40, 255)  # something dark stands in front of it
    outlines = follower.find(moved)
    assert outlines is not None
    assert np.abs(outlines[number] - wanted[number]).max() <= 3
    moved[:] = (40, 60, 40, 255)
    assert follower.find(moved) is None


def _calibration() -> Calibration:
    display = {"key": "co_ppm", "quantity": "carbon monoxide", "unit": "ppm", "digits": "###",
               "corners": [[300, 200], [380, 200], [380, 240], [300, 240]]}  # fmt: skip
    return Calibration.model_validate(
        {"format": 1, "reference_frame": "still.jpg", "frame_size": SIZE, "instrument": [{"name": "one", "display": [display]}]}
    )


def test_the_night_of_the_film_is_the_calibrations(night: Path) -> None:
    calibration = load_calibration(night / "results" / "calibration.toml")
    assert calibration.frame_size == (1280, 960)


@pytest.mark.parametrize(("slide", "follows"), [(0, False), (3, False), (12, True), (30, True)])
def test_an_instrument_is_followed_as_a_whole_and_alone(slid: Path, slide: int, follows: bool) -> None:
    """The second photo with what is around one instrument pushed to the right."""
    calibration = load_calibration(slid / "results" / "calibration.toml")
    reference, photo = (
        np.asarray(cv2.cvtColor(np.asarray(cv2.imread(str(path))), cv2.COLOR_BGR2BGRA), np.uint8)
        for path in sorted((slid / "drawn" / "frames").glob("*.jpg"))[:2]
    )
    follower = Follower(reference, calibration, View(1.0, 0.0, 0.0), (0, 0, 1280, 960), 0.35)
    group = {display.key for display in calibration.instrument[1].display}
    points = np.concatenate([display.corners for display in calibration.instrument[1].display])
    (left, top), (right, bottom) = (points.min(axis=0) - 70).astype(int), (points.max(axis=0) + 70).astype(int)
    photo[top:bottom, left + slide : right + slide] = photo[top:bottom, left:right].copy()
    outlines = follower.find(photo)
    assert (outlines is not None) is follows
    for display, outline in zip(calibration.displays, outlines or (), strict=outlines is not None):
        own = outline - np.asarray(display.corners)
        assert np.abs(own - ((slide, 0) if display.key in group else (0, 0))).max() <= 1.5


# --- the benchmark -----------------------------------------------------------------------------------------------------


def test_the_films_benchmark_writes_its_section(repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(repository / "benchmarks"))
    bench = importlib.import_module("film")
    monkeypatch.setattr(bench, "FILES", 2)
    bench.main(["--photos", "4", "--rounds", "1", "--height", "720", "--out", str(tmp_path / "RESULTS.md")])
    text = (tmp_path / "RESULTS.md").read_text(encoding="utf-8")
    assert "## Speed of the film\n" in text
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in text.splitlines() if line.startswith("| ")]
    rates = {row[0]: row[1:] for row in rows if len(row) == 5}
    assert rates[f"{bench.BARE} on two threads"][2] == "1.00"
    for name, speed in bench.SPEEDS.items():
        photos, frames, ratio, own = (float(cell) for cell in rates[name])
        assert own > 1  # a film cannot be made with less than its photos' decoding, a sixth of them left out
        assert photos * bench.FPS / speed == pytest.approx(frames, abs=0.2)
        assert ratio == pytest.approx(photos / float(rates[f"{bench.BARE} on two threads"][0]), abs=0.03)
    assert {row[0] for row in rows if row[0].startswith("encoding")} == {f"encoding, preset {name}" for name in bench.PRESETS}
