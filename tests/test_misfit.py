"""A calibration that does not fit is reported: which counts of flags speak of it, what is said, and what is left to look at."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from frametally.errors import CalibrationMisfit
from frametally.misfit import Misfit, check_fits, find_misfits, misfit_notices
from frametally.model import Display
from frametally.results import Results
from frametally.run import Options, check_calibration, finish, run
from frametally.settings import load_calibration


def table(*flags: str, missing: int = 0) -> pd.DataFrame:
    frames = [f"f{at}.jpg" for at in range(len(flags))] + [""] * missing
    return pd.DataFrame({"frame": frames, "co_ppm_flag": [*flags, *["no_frame"] * missing]})


def co() -> Display:
    corners = ((0, 0), (9, 0), (9, 4), (0, 4))
    return Display(key="co_ppm", quantity="carbon monoxide", unit="ppm", corners=corners, digits="###")


def misfit(flags: Sequence[str], missing: int = 0) -> tuple[str, int, int] | None:
    found = find_misfits(table(*flags, missing=missing), [co()])
    return (found[0].why, found[0].photos, found[0].read) if found else None


@pytest.mark.parametrize(
    ("flags", "expected"),
    [
        (["unreadable"] * 60, ("unread", 60, 0)),
        (["unreadable"] * 8, ("unread", 8, 0)),
        (["unreadable"] * 7, None),  # too few to say anything
        (["ok"] * 6 + ["doubtful"] * 54, None),  # a tenth
        (["ok"] * 5 + ["doubtful"] * 55, ("unread", 60, 5)),
        (["repaired"] * 3 + ["corrected"] * 3 + ["doubtful"] * 54, None),
        (["over_range"] * 60, None),  # a word was read on it
        (["status"] * 60, None),
        (["ok"] * 5 + ["blank"] * 20 + ["hidden"] * 20 + ["lost"] * 20, None),  # was looked for in five, and read
        (["unreadable"] * 8 + ["blank", "hidden", "lost"] * 4, ("unread", 8, 0)),
        (["ok"] * 10 + ["blank"] * 190, ("off", 200, 10)),
        (["ok"] * 20 + ["blank"] * 180, None),
        (["blank"] * 60, ("off", 60, 0)),
        (["blank"] * 4 + ["unreadable"] * 6, ("unread", 10, 0)),
        (["hidden"] * 60, None),
        (["lost"] * 60, ("lost", 60, 0)),
        (["lost"] * 54 + ["ok"] * 6, None),
        (["lost"] * 50 + ["hidden"] * 10, None),
        (["no_frame"] * 60, None),
    ],
)
def test_which_counts_of_flags_are_a_misfit(flags: list[str], expected: tuple[str, int, int] | None) -> None:
    assert misfit(flags) == expected
    assert misfit(flags[::-1]) == expected
    assert misfit(flags, missing=500) == expected  # photos that were never taken do not count


def test_what_is_said_of_each_kind() -> None:
    found = [Misfit("co_ppm", "unread", 60, 0), Misfit("o2_pct", "off", 60, 1), Misfit("temp_c", "lost", 60, 2)]
    told = [notice.text for notice in misfit_notices(found, {"co_ppm": Path("r/evidence/here.jpg")})]
    assert told[0] == (
        "co_ppm: read in 0 of 60 photos. Its corners or its digits mask are probably wrong:"
        " look at evidence/here.jpg and mark it again."
    )
    assert told[1].startswith(
        "o2_pct: read in 1 of 60 photos. In most of them it seems to be off: it was off or is marked wrongly"
    )
    assert "another photo" in told[2]


def test_only_when_no_display_was_read_does_the_calibration_misfit(calibration_path: Path, tmp_path: Path) -> None:
    calibration, folder = load_calibration(calibration_path), Results(tmp_path)
    keys = [display.key for display in calibration.displays]
    every = [Misfit(key, "unread", 60, 0) for key in keys]
    with pytest.raises(CalibrationMisfit, match="5 displays"):
        check_fits(every, calibration, folder)
    check_fits([], calibration, folder)
    check_fits(every[1:], calibration, folder)
    with pytest.raises(CalibrationMisfit):
        check_fits([Misfit(keys[0], "off", 60, 0), *every[1:]], calibration, folder)
    check_fits([Misfit(keys[0], "off", 60, 5), *every[1:]], calibration, folder)  # was on for a while, and read then


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory, sample_frames: Path) -> Path:
    folder = tmp_path_factory.mktemp("photos")
    for number in (1, 10, 20, 30, 40, 50, 60, 70):
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", folder)
    return folder


def marked_lower(calibration: Path, folder: Path, only: str = "") -> Path:
    """A calibration whose displays, or the `only` one, are marked 45 px too low: over the lower edge of the digits."""
    parts = re.split(r"(?=\[\[instrument)", calibration.read_text(encoding="utf-8"))

    def lower(part: str) -> str:
        line = re.search(r"corners = .*", part)
        if line is None or (only and f'"{only}"' not in part):
            return part
        return part.replace(line[0], re.sub(r", (\d+)\]", lambda y: f", {int(y[1]) + 45}]", line[0]))

    path = folder / "marked_lower.toml"
    path.write_text("".join(map(lower, parts)), encoding="utf-8")
    return path


def test_one_display_marked_wrongly_is_told_first_and_shown(
    photos: Path, calibration_path: Path, leave_out_charts: Callable[[], None], tmp_path: Path
) -> None:
    leave_out_charts()
    (photos / "notes.txt").write_text("left out\n", encoding="utf-8")
    wrong = marked_lower(calibration_path, tmp_path, "o2_pct")
    outcome = run(photos, wrong, tmp_path / "results")
    first = outcome.notices[0]
    assert first.code == "calibration-misfit"
    assert first.text.startswith("o2_pct: read in 0 of 8 photos.")
    assert [notice.code for notice in outcome.notices].count("calibration-misfit") == 1
    assert len(outcome.notices) > 1
    shown = tmp_path / "results" / re.search(r"evidence/\S+", first.text)[0]  # type: ignore[index]
    picture = cv2.imdecode(np.frombuffer(shown.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape[0] >= 200
    assert first.text.replace("'", "&#39;")[:40] in (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    check_calibration(outcome)  # the other displays fit
    shown_before = shown.read_bytes()
    again = finish(Results(tmp_path / "results"))
    assert again.notices == outcome.notices
    assert shown.read_bytes() == shown_before
    run(photos, calibration_path, tmp_path / "results", options=Options(fresh=True, readings_only=True))
    assert not shown.exists()


def test_the_right_calibration_is_not_called_wrong(photos: Path, calibration_path: Path, tmp_path: Path) -> None:
    outcome = run(photos, calibration_path, tmp_path / "results", options=Options(readings_only=True))
    assert outcome.misfits == ()
    assert not (tmp_path / "results" / "evidence").exists()


def test_every_display_marked_wrongly_ends_as_misfit_after_all_is_written(
    photos: Path, calibration_path: Path, tmp_path: Path
) -> None:
    outcome = run(photos, marked_lower(calibration_path, tmp_path), tmp_path / "results", options=Options(readings_only=True))
    assert (tmp_path / "results" / "readings.csv").exists()
    assert len(list((tmp_path / "results" / "evidence").iterdir())) == len(outcome.misfits) == 5
    with pytest.raises(CalibrationMisfit, match="--fresh") as caught:
        check_calibration(outcome)
    assert str(tmp_path / "results" / "evidence") in str(caught.value)
