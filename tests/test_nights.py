"""Whole nights with known truth, from photos to the clean table: what was read right, what was doubted, what troubles became."""

from __future__ import annotations

import csv
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from frametally.practice import TROUBLES, draw_night
from frametally.run import Options, run
from night_score import NOT_DISPLAYS, Score, score_night

OF_ALL, OF_SAMPLE, OF_EACH = 0.99, 0.99, 0.975
"""Least shares of readable displays read exactly right: of all nights together, of the demo night, of each small night. A small
night has about 115 readable displays, so that the last leaves two of them open."""

WAIT_S = 300


@dataclass(frozen=True)
class Drawn:
    """A night to draw."""

    style: str
    seed: int

    @property
    def name(self) -> str:
        return f"{self.style}-{self.seed}"


FRAMES = 28
"""Room for every trouble, and with enough settled frames for a second look."""

DRAWN = (
    Drawn("lcd-slant", 202),
    Drawn("led-red", 204),
    Drawn("vfd-cyan", 205),
)
SAMPLE = "sample_frames"
NIGHTS = (SAMPLE, *(night.name for night in DRAWN))

Row = dict[str, str]


@dataclass(frozen=True)
class Read:
    """A night that was read: the rows of its clean table and of its truth."""

    readings: list[Row]
    truth: list[Row]

    @property
    def displays(self) -> list[str]:
        return [name for name in self.truth[0] if name not in NOT_DISPLAYS]

    @property
    def score(self) -> Score:
        return score_night(self.readings, self.truth)


def rows(path: Path) -> list[Row]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="session")
def read(
    tmp_path_factory: pytest.TempPathFactory, worker_id: str, sample_frames: Path, calibration_path: Path
) -> Callable[[str], Read]:
    """Gives a night by its name, drawn and read by the first who asks for it, in whichever process."""
    base = tmp_path_factory.getbasetemp()
    shared = (base if worker_id == "master" else base.parent) / "nights"
    shared.mkdir(exist_ok=True)

    def ask(name: str) -> Read:
        place, lock, done = shared / name, shared / f"{name}.lock", shared / f"{name}.done"
        deadline = time.monotonic() + WAIT_S
        while not done.exists():
            try:
                lock.mkdir()
            except FileExistsError:
                if time.monotonic() > deadline:
                    pytest.fail(f"another test process did not finish the night {name} in {WAIT_S} s")
                time.sleep(0.1)
                continue
            frames, calibration, truth = find_or_draw(name, place)
            run(frames, calibration, place / "results", options=Options(jobs=2, readings_only=True))
            done.write_text(str(truth), encoding="utf-8")
        return Read(rows(place / "results" / "readings.csv"), rows(Path(done.read_text(encoding="utf-8"))))

    def find_or_draw(name: str, place: Path) -> tuple[Path, Path, Path]:
        if name == SAMPLE:
            return sample_frames, calibration_path, sample_frames / "truth.csv"
        night = next(night for night in DRAWN if night.name == name)
        files = draw_night(place, seed=night.seed, frames=FRAMES, style=night.style, troubles=tuple(TROUBLES))
        return files.frames, files.calibration, files.truth

    return ask


@pytest.mark.parametrize("name", NIGHTS)
def test_readings_are_exact_and_none_is_silently_wrong(read: Callable[[str], Read], name: str) -> None:
    score = read(name).score

    assert score.silently_wrong == []
    assert score.exact_share >= (OF_SAMPLE if name == SAMPLE else OF_EACH), (score.doubtful, score.given_up)


@pytest.mark.parametrize("name", NIGHTS)
def test_every_trouble_has_its_own_flag(read: Callable[[str], Read], name: str) -> None:
    score = read(name).score

    assert score.troubles > 0
    assert score.misflagged == []


def test_of_all_nights_together_nearly_everything_is_exact(read: Callable[[str], Read]) -> None:
    together = Score()
    for name in NIGHTS:
        together.add(read(name).score)

    assert together.exact_share >= OF_ALL, (together.doubtful, together.given_up)
    assert together.silently_wrong == []


@pytest.mark.parametrize("name", NIGHTS)
def test_a_spike_over_the_range_is_kept(read: Callable[[str], Read], name: str) -> None:
    """One instrument's display goes over its range and says so; the other's peak stands in the table with its value."""
    night = read(name)
    readings = {row["frame"]: row for row in night.readings}
    carbon_monoxide = [key for key in night.displays if key.endswith("co_ppm")]
    over = [(row["frame"], key) for row in night.truth for key in carbon_monoxide if row[key] == "OL"]

    assert over
    assert {readings[frame][f"{key}_flag"] for frame, key in over} == {"over_range"}
    for key in carbon_monoxide:
        peak = max((row for row in night.truth if row[key].isdigit()), key=lambda row: int(row[key]))
        found = readings[peak["frame"]]
        assert found[f"{key}_flag"] in ("ok", "doubtful", "repaired")
        assert float(found[key]) == float(peak[key])


@pytest.mark.parametrize("name", NIGHTS)
def test_every_photo_has_a_row_and_every_missing_one_too(read: Callable[[str], Read], name: str) -> None:
    """Photos keep their number when others are missing, so the numbers say how many rows there must be between them."""
    night = read(name)
    expected: list[str] = []
    before = None
    for frame in (row["frame"] for row in night.truth):
        number = int(frame.rsplit(".", 1)[0][-4:])
        expected += [""] * (number - before - 1 if before is not None else 0)
        expected.append(frame)
        before = number

    assert [row["frame"] for row in night.readings] == expected
    assert "" in expected
    flags = {row[f"{key}_flag"] for row in night.readings if not row["frame"] for key in night.displays}
    assert flags == {"no_frame"}


def test_the_nights_have_every_trouble(read: Callable[[str], Read]) -> None:
    """What the tests above say of troubles, they say of all kinds of them."""
    texts = {name: {row[key] for row in read(name).truth for key in read(name).displays} for name in NIGHTS}

    assert all({"OL", "HIDDEN", ""} <= texts[name] for name in NIGHTS)
    assert all({"?", "Lo"} <= texts[night.name] for night in DRAWN)
