"""What the report is told about a night: which photo a picture is, when an event was, what the instruments are."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from frametally.assess import load_limits
from frametally.assess.limits import SETTINGS
from frametally.crops import cut_evidence, which_photo
from frametally.model import Calibration, Finding, Frame, Method, Night, Trial
from frametally.reading import Settings
from frametally.show.report import LimitNote
from frametally.showing import _conditions, _limit_note

START = datetime.fromisoformat("2026-10-30T22:00:00+00:00")


def a_night(folder: Path = Path("photos"), count: int = 5) -> Night:
    frames = [Frame(f"p{i}.jpg", folder / f"p{i}.jpg", 0, START + timedelta(minutes=4 * i), "exif") for i in range(count)]
    return Night(tuple(frames), "exif")


def a_table(values: list[float], flags: list[str]) -> pd.DataFrame:
    return pd.DataFrame({"frame": [f"p{i}.jpg" for i in range(len(values))], "co_ppm": values, "co_ppm_flag": flags})


def caption(finding: Finding, row: int, table: pd.DataFrame) -> str:
    return which_photo(finding, f"p{row}.jpg", START + timedelta(minutes=4 * row), table)


def test_a_picture_says_which_of_the_photos_it_is() -> None:
    lowest = Finding("lowest", "t", "x", 0, key="co_ppm", value=3.0, unit="ppm")
    table = a_table([3, 9, 3, 3, 5], ["ok", "ok", "repaired", "doubtful", "ok"])
    assert caption(lowest, 0, table) == "1st of 2 photos, 22:00"
    assert caption(lowest, 2, table) == "2nd of 2 photos, 22:08"
    assert which_photo(lowest, "p0.jpg", None, table) == "1st of 2 photos"
    highest = Finding("highest", "t", "x", 0, key="co_ppm", value=9.0, unit="ppm")
    assert caption(highest, 1, table) == "the only photo of it, 22:04"


def test_a_picture_of_an_over_range_display_and_of_the_settled_reading_beside_it() -> None:
    highest = Finding("highest", "t", "x", 0, key="co_ppm", value=999.0, lower=999.0, unit="ppm")
    table = a_table([3, np.nan, np.nan, 74, 5], ["ok", "over_range", "over_range", "ok", "ok"])
    assert caption(highest, 2, table) == "2nd of 2 photos, 22:08"
    assert caption(highest, 3, table) == "shows 74 ppm, 22:12"


def test_a_corrected_photo_is_not_said_to_show_what_was_set_by_hand() -> None:
    highest = Finding("highest", "t", "x", 0, key="co_ppm", value=52.0, unit="ppm")
    table = a_table([3, 39, 52], ["ok", "corrected", "ok"])
    assert caption(highest, 1, table) == "corrected by hand to 39 ppm, 22:04"


def test_an_event_of_another_night_carries_its_date() -> None:
    trial = Trial.model_validate(
        {
            "format": 1,
            "event": [
                {"time": "2026-10-30T22:08:00+00:00", "what": "hatch opened"},
                {"time": "2026-02-27T06:48:00+00:00", "what": "door opened"},
                {"time": "2026-10-31T06:00:00", "what": "lamp lit"},
            ],
        }
    )
    words = _conditions(trial, a_night())
    assert words["At 22:08"] == "hatch opened"
    assert words["At 06:48 on 27 Feb 2026 (not during these photos)"] == "door opened"
    assert words["At 06:00 on 31 Oct 2026 (not during these photos)"] == "lamp lit"
    assert _conditions(trial, Night((), "none"))["At 22:08 on 30 Oct 2026"] == "hatch opened"


def test_what_the_trial_says_of_an_instrument_is_shown() -> None:
    trial = Trial.model_validate(
        {
            "format": 1,
            "instrument": [
                {"name": "hand-held", "co_alarm_ppm": [35, 200], "last_bump_test": "2026-10-24", "response_t90_s": {"co": 60}},
                {"name": "wall unit"},
            ],
        }
    )
    words = _conditions(trial, a_night())
    assert words["Instrument: hand-held"] == (
        "carbon monoxide alarm at 35 and 200 ppm; last tested with gas on 24 Oct 2026; time to show 90 % of a change: co 60 s"
    )
    assert words["Instrument: wall unit"] == "no test with gas stated"


def test_photos_that_have_moved_are_said_to_have_moved(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    calibration = Calibration.model_validate(
        {
            "format": 1,
            "reference_frame": "p0.jpg",
            "frame_size": [20, 20],
            "instrument": [
                {
                    "name": "m",
                    "display": [
                        {
                            "key": "co_ppm",
                            "quantity": "carbon monoxide",
                            "unit": "ppm",
                            "corners": [[0, 0], [9, 0], [9, 9], [0, 9]],
                            "digits": "###",
                        }
                    ],
                }
            ],
        }
    )
    finding = Finding("highest", "t", "x", 0, key="co_ppm", value=3.0)
    night = a_night(tmp_path / "away")
    with caplog.at_level(logging.WARNING, logger="frametally"):
        assert cut_evidence([(finding, "p0.jpg")], night, Settings(calibration, None, Method())) == {}
    assert caplog.messages == [
        f"The photos are no longer in {tmp_path / 'away'}. Put the folder back to renew the pictures; those of the last run stay."
    ]


def test_the_catalogue_reads_as_whole_sentences() -> None:
    for limit in load_limits():
        line = _limit_note(limit).line
        assert ".," not in line
        assert ".." not in line
        assert line.endswith(f"Made for: {SETTINGS[limit.setting]}.")
        assert "third-party" not in limit.note
        assert not limit.note or limit.note.endswith(".")
    assert LimitNote("A", 5, "ppm", "", "").line == "A: 5\u00a0ppm."
