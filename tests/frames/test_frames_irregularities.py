"""What is odd about a night's times: repeats, gaps, clocks that go back, change by an hour, or fall back to a default."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from frames_files import EVENING, put, put_night
from hypothesis import given
from hypothesis import strategies as st

from frametally.frames import open_night
from frametally.frames.irregularities import Timed, drop_resets, find_irregularities
from frametally.model import Notice

MINUTE = timedelta(minutes=1)


def timed(minutes: Sequence[float], numbers: Sequence[int] | None = None) -> list[Timed]:
    numbers = range(1, len(minutes) + 1) if numbers is None else numbers
    return [Timed(f"IMG_{n:04d}.JPG", n, EVENING + at * MINUTE) for n, at in zip(numbers, minutes, strict=True)]


def codes(notices: Sequence[Notice]) -> list[str]:
    return [notice.code for notice in notices]


def test_an_even_night_has_nothing_odd() -> None:
    assert find_irregularities(timed([4 * at for at in range(50)])) == ()
    assert find_irregularities(timed([0])) == ()
    assert find_irregularities([]) == ()


@pytest.mark.parametrize(("pause", "missing"), [(8, 1), (12, 2), (40, 9), (10, 1), (7, 1)])
def test_a_gap_says_how_many_photos_lack(pause: int, missing: int) -> None:
    minutes = [*range(0, 40, 4), *range(36 + pause, 80 + pause, 4)]
    numbers = [*range(1, 11), *range(20, 20 + len(minutes) - 10)]
    (notice,) = find_irregularities(timed(minutes, numbers))

    assert (notice.code, notice.where) == ("time-gap", "IMG_0020.JPG")
    assert f"about {missing} photo" in notice.text
    assert "IMG_0010.JPG" in notice.text


def test_a_pause_of_less_than_one_and_a_half_intervals_is_no_gap() -> None:
    assert find_irregularities(timed([0, 4, 8, 14, 18, 22])) == ()
    assert codes(find_irregularities(timed([0, 4, 8, 14.1, 18, 22]))) == ["time-gap"]


def test_a_gap_over_which_the_numbers_go_on_is_a_pause() -> None:
    (notice,) = find_irregularities(timed([0, 4, 8, 12, 40, 44, 48]))

    assert notice.code == "time-gap"
    assert "file numbers go on" in notice.text


def test_whole_seconds_do_not_make_gaps_of_a_steady_second() -> None:
    seconds = [0, 1, 2, 4, 5, 6, 8, 9, 10]  # a pause of 1.2 s on a clock of whole seconds
    assert find_irregularities(timed([second / 60 for second in seconds])) == ()
    assert codes(find_irregularities(timed([second / 60 for second in [*seconds, 13, 14]]))) == ["time-gap"]


def test_repeats_are_named() -> None:
    (notice,) = find_irregularities(timed([0, 4, 4, 8, 12]))

    assert (notice.code, notice.where) == ("time-repeat", "IMG_0003.JPG")
    assert "IMG_0002.JPG" in notice.text


def test_all_the_same_time_is_one_notice() -> None:
    (notice,) = find_irregularities(timed([0] * 100))

    assert notice.code == "time-repeat"
    assert "99 frames" in notice.text


def test_a_clock_put_back_by_an_hour() -> None:
    minutes = [*range(0, 80, 4), *range(80 - 60, 160 - 60, 4)]
    notices = find_irregularities(timed(minutes))

    back = [notice for notice in notices if notice.code == "clock-change"]
    assert [notice.where for notice in back] == ["IMG_0021.JPG"]
    assert "put back by an hour" in back[0].text
    assert "time-gap" not in codes(notices)


def test_a_clock_put_on_by_an_hour() -> None:
    notices = find_irregularities(timed([*range(0, 80, 4), *range(80 + 60, 160 + 60, 4)]))

    assert [(notice.code, notice.where) for notice in notices] == [("clock-change", "IMG_0021.JPG")]
    assert "put on by an hour" in notices[0].text


def test_an_hour_of_missing_numbers_is_a_gap_and_no_clock_change() -> None:
    minutes = [*range(0, 80, 4), *range(80 + 60, 160 + 60, 4)]
    (notice,) = find_irregularities(timed(minutes, [*range(1, 21), *range(36, 56)]))

    assert notice.code == "time-gap"
    assert "about 15 photos missing" in notice.text


def test_a_clock_that_steps_back_otherwise() -> None:
    notices = find_irregularities(timed([0, 4, 8, 12, 2, 16, 20]))

    assert ("time-backwards", "IMG_0005.JPG") in [(notice.code, notice.where) for notice in notices]


def test_names_that_have_nothing_to_do_with_time_make_one_notice() -> None:
    minutes = [(at * 37) % 101 * 4 for at in range(101)]
    notices = find_irregularities(timed(minutes))

    assert codes(notices) == ["time-backwards"]
    assert "order of the file names is not the order of the times" in notices[0].text


def test_many_gaps_are_summed_up() -> None:
    minutes = [0.0]
    for at in range(200):
        minutes.append(minutes[-1] + (12 if at % 4 == 0 else 4))
    notices = find_irregularities(timed(minutes, range(1, 1000, 4)[: len(minutes)]))

    assert len(notices) == 21
    assert "30 more gaps" in notices[-1].text
    assert "60 photos" in notices[-1].text


@given(st.lists(st.integers(0, 3000), max_size=40))
def test_any_times_give_notices_that_name_frames(minutes: list[int]) -> None:
    frames = timed(minutes)
    notices = find_irregularities(frames)

    assert {notice.where for notice in notices} <= {frame.name for frame in frames}
    assert ("time-repeat" in codes(notices)) == (len(set(minutes)) < len(minutes))
    assert ({"time-backwards", "clock-change"} & set(codes(notices)) != set()) >= (sorted(minutes) != minutes)


@given(st.lists(st.one_of(st.none(), st.datetimes()), max_size=12))
def test_no_times_are_too_strange(times: list[datetime | None]) -> None:
    names = [f"IMG_{at:04d}.JPG" for at in range(len(times))]
    kept, notices = drop_resets(names, times)
    known = [Timed(name, None, time) for name, time in zip(names, kept, strict=True) if time is not None]

    assert all(after in (before, None) for before, after in zip(times, kept, strict=True))
    assert (list(kept) != times) == ("clock-reset" in codes(notices))
    assert all(notice.text for notice in find_irregularities(known))


# --- clocks that were reset ------------------------------------------------------------------------------------------------


def test_a_reset_in_the_middle_takes_the_times_away_and_keeps_the_place(tmp_path: Path) -> None:
    put_night(tmp_path, 5)
    for number in (6, 7, 8):
        put(tmp_path / f"IMG_{number:04d}.JPG", datetime(2000, 1, 1) + 4 * number * MINUTE)
    night = open_night(tmp_path)

    assert [frame.name[4:8] for frame in night.frames] == [f"{number:04d}" for number in range(1, 9)]
    assert [frame.time is None for frame in night.frames] == [False] * 5 + [True] * 3
    assert [frame.time_source for frame in night.frames[5:]] == ["none"] * 3
    (notice,) = (notice for notice in night.notices if notice.code == "clock-reset")
    assert notice.where == "IMG_0006.JPG"
    assert "2000-01-01" in notice.text
    assert "3 photos" in notice.text


def test_a_clock_that_was_never_set_keeps_its_intervals() -> None:
    times = [datetime(2000, 1, 1, 3) + 4 * at * MINUTE for at in range(5)]
    kept, notices = drop_resets(list("abcde"), times)

    assert list(kept) == times
    assert codes(notices) == ["clock-never-set"]


def test_a_new_years_night_is_no_reset() -> None:
    times = [datetime(2026, 12, 31, 23, 50) + 4 * at * MINUTE for at in range(6)]
    later = [datetime(2027, 1, 1, 20, 0) + 4 * at * MINUTE for at in range(6)]

    assert drop_resets(list("abcdef"), times) == (tuple(times), ())
    assert drop_resets(list("abcdef"), later) == (tuple(later), ())


def test_a_night_counted_from_the_users_start_is_not_doubted(tmp_path: Path) -> None:
    put_night(tmp_path, 3)
    night = open_night(tmp_path, start=datetime(2000, 1, 1), every_s=60)

    assert night.notices == ()
    assert night.frames[2].time == datetime(2000, 1, 1, 0, 2)


def test_the_end_of_summer_time_is_no_jump_where_offsets_are_known(tmp_path: Path) -> None:
    """Summer time ended on 2026-10-25 at 01:00 UTC (Directive 2000/84/EC, Article 3: last Sunday of October)."""
    for at in range(40):
        utc = datetime(2026, 10, 25, 0, 0) + 4 * at * MINUTE
        hours = 2 if utc < datetime(2026, 10, 25, 1, 0) else 1
        put(tmp_path / f"IMG_{at:04d}.JPG", utc + timedelta(hours=hours), offset=f"+0{hours}:00")
    night = open_night(tmp_path)

    assert [frame.name[4:8] for frame in night.frames] == [f"{at:04d}" for at in range(40)]
    assert codes(night.notices) == ["offset-change"]
    assert "+01:00 in 25, +02:00 in 15" in night.notices[0].text
