"""The demo night: every display of every frame is found, but for the two that a mug and a book hide."""

from __future__ import annotations

import csv
import tomllib
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from frametally.aim import Registrar
from frametally.model import Calibration, Placement

ROOT = Path(__file__).parents[2]
FRAMES = ROOT / "sample_frames"
TORN = "cabin_0127.jpg"
COVERED = ("cabin_0043.jpg", "cabin_0044.jpg")
PICKED = (2, 15, 30, 42, 43, 44, 45, 58, 59, 60, 61, 62, 63, 69, 70, 71, 80, 81, 82, 90, 95, 100, 109, 110, 118, 126, 138, 150)


@lru_cache(maxsize=1)
def night() -> tuple[Calibration, dict[str, Placement]]:
    calibration = Calibration.model_validate(tomllib.loads((ROOT / "calibration/canal_boat.toml").read_text("utf-8")))
    registrar = Registrar(load(calibration.reference_frame), calibration, lost_below=0.35)
    names = [f"cabin_{number:04d}.jpg" for number in PICKED]
    return calibration, {name: registrar.locate(load(name)) for name in names if (FRAMES / name).exists()}


def load(name: str) -> np.ndarray:
    return cv2.imdecode(np.frombuffer((FRAMES / name).read_bytes(), np.uint8), cv2.IMREAD_COLOR)


def test_only_what_is_hidden_is_covered_and_nothing_is_lost() -> None:
    calibration, placements = night()
    truth = {row["frame"]: row for row in csv.DictReader((FRAMES / "truth.csv").read_text("utf-8").splitlines())}
    assert len(placements) >= 27
    for name, placement in placements.items():
        hidden = {d.key for d in calibration.displays if truth[name][d.key] == "HIDDEN"}
        assert placement.covered == hidden, name
        assert set(placement.corners) == {d.key for d in calibration.displays} - hidden, name
    assert all(placements[name].covered == {"co_ppm", "o2_pct"} for name in COVERED)


def test_until_the_camera_is_nudged_nothing_moves() -> None:
    calibration, placements = night()
    for name, placement in placements.items():
        if name < "cabin_0070.jpg":
            for display in calibration.displays:
                if display.key in placement.corners:
                    assert np.abs(np.subtract(placement.corners[display.key], display.corners)).max() < 0.5, (name, display.key)


def test_after_the_nudge_the_view_stays_where_it_is() -> None:
    calibration, placements = night()
    after = {name: placement for name, placement in placements.items() if name >= "cabin_0070.jpg"}
    assert all(abs(p.shift.dx) > 5 and abs(p.shift.rotation_deg) > 0.5 for p in after.values())
    for display in calibration.displays:
        places = np.array([placement.corners[display.key] for placement in after.values()])
        assert np.abs(places - np.median(places, axis=0)).max() < 0.6, display.key


@pytest.mark.parametrize("number", [90, 100, 109])
def test_the_dimmed_lamp_costs_no_quality(number: int) -> None:
    _, placements = night()
    assert min(placements[f"cabin_{number:04d}.jpg"].quality.values()) > 0.9
