"""A camera's clock that is changed by an hour, or reset, while the file numbers go on; bursts and intervals that drift."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from frames_files import EVENING, put, put_night, write_video

from frametally.frames import open_night, sources
from frametally.model import Night

MINUTE = timedelta(minutes=1)


def steps(night: Night) -> set[timedelta]:
    return {b.time - a.time for a, b in pairwise(night.frames) if a.time and b.time}


def codes(night: Night) -> list[str]:
    return [notice.code for notice in night.notices if notice.code != "offset-unknown"]


def put_times(folder: Path, times: list[datetime], first: int = 1, **more: object) -> Path:
    for number, time in enumerate(times, start=first):
        put(folder / f"IMG_{number:04d}.JPG", time, **more)
    return folder


# --- an hour ---------------------------------------------------------------------------------------------------------------


def summer_ends(count: int = 40) -> list[datetime]:
    """Local times of a camera that follows the end of summer time on 2026-10-25, 03:00 to 02:00 (Directive 2000/84/EC)."""
    start, change = datetime(2026, 10, 25, 1, 30), datetime(2026, 10, 25, 3, 0)
    steady = [start + 4 * at * MINUTE for at in range(count)]
    return [time if time < change else time - timedelta(hours=1) for time in steady]


@pytest.mark.parametrize("offset", [None, "+02:00"])
def test_the_end_of_summer_time_without_offsets_keeps_the_order_and_the_pauses(tmp_path: Path, offset: str | None) -> None:
    night = open_night(put_times(tmp_path, summer_ends()), utc_offset=offset)

    assert [frame.name[4:8] for frame in night.frames] == [f"{at:04d}" for at in range(1, 41)]
    assert steps(night) == {4 * MINUTE}
    assert codes(night) == ["clock-change"]
    (notice,) = (notice for notice in night.notices if notice.code == "clock-change")
    assert notice.where == "IMG_0024.JPG"
    assert "put back by an hour" in notice.text
    assert "an hour was added" in notice.text


def test_the_begin_of_summer_time_without_offsets_is_no_gap(tmp_path: Path) -> None:
    """Summer time began on 2027-03-28, 02:00 to 03:00 (Directive 2000/84/EC, Article 2: last Sunday of March)."""
    change = datetime(2027, 3, 28, 2, 0)
    steady = [datetime(2027, 3, 28, 0, 30) + 4 * at * MINUTE for at in range(40)]
    night = open_night(put_times(tmp_path, [t if t < change else t + timedelta(hours=1) for t in steady]))

    assert steps(night) == {4 * MINUTE}
    assert codes(night) == ["clock-change"]


def test_an_hours_pause_on_another_day_stays_a_pause(tmp_path: Path) -> None:
    times = [EVENING + 4 * at * MINUTE + (timedelta(hours=1) if at >= 20 else timedelta(0)) for at in range(40)]
    night = open_night(put_times(tmp_path, times))

    assert max(steps(night)) == 64 * MINUTE
    assert codes(night) == ["clock-change"]


def test_a_clock_put_back_otherwise_is_told_and_not_mended(tmp_path: Path) -> None:
    times = [EVENING + 4 * at * MINUTE - (23 * MINUTE if at >= 20 else timedelta(0)) for at in range(40)]
    night = open_night(put_times(tmp_path, times))

    assert "time-backwards" in codes(night)
    assert {frame.time for frame in night.frames} == set(times)


def test_names_that_do_not_count_prove_no_change(tmp_path: Path) -> None:
    times = summer_ends()
    for at, time in enumerate(times):
        put(tmp_path / f"{(at * 37) % 41:02d}_{at}.JPG", time)
    night = open_night(tmp_path)

    assert {frame.time for frame in night.frames} == set(times)


# --- resets ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("default", [datetime(2000, 1, 1), datetime(2015, 7, 1, 12, 0), datetime(1980, 1, 6)])
def test_a_battery_changed_in_the_middle(tmp_path: Path, default: datetime) -> None:
    put_night(tmp_path, 10)
    put_times(tmp_path, [default + 4 * at * MINUTE for at in range(5)], first=11)
    put_times(tmp_path, [EVENING + 4 * at * MINUTE for at in range(20, 25)], first=16)
    night = open_night(tmp_path)

    assert [frame.name[4:8] for frame in night.frames] == [f"{at:04d}" for at in range(1, 21)]
    assert [frame.time is None for frame in night.frames] == [10 <= at < 15 for at in range(20)]
    (notice,) = (notice for notice in night.notices if notice.code == "clock-reset")
    assert notice.where == "IMG_0011.JPG"
    assert "5 photos" in notice.text


def test_an_older_night_in_the_same_folder_is_no_reset(tmp_path: Path) -> None:
    put_night(tmp_path, 6, first=500)
    put_times(tmp_path, [EVENING - timedelta(days=60) + 4 * at * MINUTE for at in range(6)], first=900)
    night = open_night(tmp_path)

    assert all(frame.time is not None for frame in night.frames)
    assert "two-nights" in codes(night)


# --- bursts and drift --------------------------------------------------------------------------------------------------------


def test_bursts_are_no_pace(tmp_path: Path) -> None:
    for at in range(15):
        for shot in range(3):
            put(tmp_path / f"IMG_{3 * at + shot:04d}.JPG", EVENING + 4 * at * MINUTE, subsec=f"{300 * shot:03d}")
    night = open_night(tmp_path)

    assert codes(night) == []
    assert len({frame.time for frame in night.frames}) == 45


def test_a_photo_missing_among_bursts_is_a_gap(tmp_path: Path) -> None:
    for at in (*range(8), *range(10, 18)):
        for shot in range(2):
            put(tmp_path / f"IMG_{2 * at + shot:04d}.JPG", EVENING + 4 * at * MINUTE, subsec=f"{500 * shot:03d}")
    gaps = [notice for notice in open_night(tmp_path).notices if notice.code == "time-gap"]

    assert [notice.where for notice in gaps] == ["IMG_0020.JPG"]
    assert "about 2 photos missing" in gaps[0].text


def test_an_interval_that_drifts_has_no_gaps(tmp_path: Path) -> None:
    """A camera whose card gets slow: 60 s at first, 200 s at the end, no photo missing."""
    times, time = [], EVENING
    for at in range(80):
        times.append(time)
        time += timedelta(seconds=round(60 + 140 * at / 79))
    night = open_night(put_times(tmp_path, times))

    assert codes(night) == []


def test_an_interval_that_was_changed_has_no_gaps_and_a_true_gap_is_told(tmp_path: Path) -> None:
    times = [EVENING + 4 * at * MINUTE for at in range(20)]
    times += [times[-1] + at * MINUTE for at in range(1, 40) if not 20 <= at < 24]
    gaps = [notice for notice in open_night(put_times(tmp_path, times)).notices if notice.code == "time-gap"]

    assert [notice.where for notice in gaps] == ["IMG_0040.JPG"]
    assert "about 4 photos missing" in gaps[0].text


# --- video -----------------------------------------------------------------------------------------------------------------


def test_a_video_of_variable_rate_has_its_own_timestamps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Phones write pictures as they come: the container's timestamps count, not a mean rate; a hole in them is a gap."""
    path = write_video(tmp_path / "VID_20261030_214000.mp4", 12)
    stamps = [0.0, 0.2, 0.41, 0.6, 0.83, 1.0, 1.2, 1.41, 3.0, 3.2, 3.4, 3.61]
    monkeypatch.setattr(sources, "timestamps_s", lambda _: (stamps, 12))
    night = open_night(path)

    assert [(frame.time - EVENING).total_seconds() for frame in night.frames if frame.time] == pytest.approx(stamps)
    assert [notice.where for notice in night.notices if notice.code == "time-gap"] == ["VID_20261030_214000.mp4#000008"]
