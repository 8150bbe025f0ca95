"""A clock among the displays: it sets the times that photos lack, checks those they have, and never turns them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from clean_nights import CO, Display, display, reading, record
from clean_nights import START as ON_THE_HOUR

from frametally.clean.shown_clock import UNKNOWN_DAY, ShownTimes, tell_times, with_shown_times
from frametally.model import Flag, Frame, FrameRecord, Night, Notice, Reading

CLOCK = display("clock", "##:##", quantity="clock", unit="h", range=None, resolution=None)
EVENING = datetime(2026, 11, 20, 21, 0)
START = ON_THE_HOUR + timedelta(seconds=30)  # a clock of whole minutes has shown its minute for so long


def shows(text: str, confidence: float = 0.999, flag: Flag = Flag.OK) -> Reading:
    return Reading(text, None, confidence, flag, (), "segments", 20.0)


def photos(
    texts: list[str | Reading], times: datetime | list[datetime | None] | None = START, every_min: float = 4.0
) -> list[FrameRecord]:
    rows = [shows(text) if isinstance(text, str) else text for text in texts]
    found = [record(i, {"clock": row, "co_ppm": reading("5")}, every_min=every_min) for i, row in enumerate(rows)]
    told = times if isinstance(times, list) else [times and times + timedelta(minutes=every_min * i) for i in range(len(rows))]
    return [replace(one, time=time) for one, time in zip(found, told, strict=True)]


def hands(start: datetime, count: int, every_min: float = 4.0, form: str = "%H:%M") -> list[str]:
    return [(start + timedelta(minutes=every_min * i)).strftime(form) for i in range(count)]


def codes(told: ShownTimes) -> list[str]:
    return [notice.code for notice in told.notices]


def test_without_a_clock_nothing_is_said() -> None:
    told = tell_times(photos(hands(EVENING, 5)), (CO,))

    assert told.notices == ()
    assert told.times == tuple(one.time for one in photos(hands(EVENING, 5)))


# --- checked ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ahead_min", "words"), [(0, "agree"), (7, "7 min ahead"), (-12, "12 min behind"), (180, "3 h ahead")])
def test_how_far_the_clock_is_ahead_is_said_and_the_photos_times_stay(ahead_min: int, words: str) -> None:
    records = photos(hands(EVENING + timedelta(minutes=ahead_min), 30))
    told = tell_times(records, (CO, CLOCK))

    assert told.times == tuple(one.time for one in records)
    assert codes(told) == ["clock-in-view"]
    assert words in told.notices[0].text


def test_a_clock_is_held_against_local_times_over_midnight() -> None:
    late = START.replace(hour=23, minute=40)
    told = tell_times(photos(hands(EVENING.replace(hour=23, minute=43), 20), late), (CLOCK,))

    assert codes(told) == ["clock-in-view"]
    assert "3 min ahead" in told.notices[0].text


def test_misreadings_do_not_shift_the_clock_and_are_listed() -> None:
    texts = hands(EVENING, 30)
    texts[10], texts[20] = "21:48", "22:14"  # 21:40 and 22:20
    told = tell_times(photos(texts), (CLOCK,))

    assert "agree" in told.notices[0].text
    (listed,) = (notice for notice in told.notices if notice.code == "clock-disagrees")
    assert "f0010.jpg" in listed.text or "f0020.jpg" in listed.text


def test_a_camera_set_back_by_an_hour_in_the_night_is_seen_by_the_clock_in_view() -> None:
    times = [START + timedelta(minutes=4 * i - (60 if i >= 20 else 0)) for i in range(30)]
    told = tell_times(photos(hands(EVENING, 30), times), (CLOCK,))

    (listed,) = (notice for notice in told.notices if notice.code == "clock-disagrees")
    assert listed.where == "f0020.jpg"
    assert "10 of 30 photos" in listed.text
    assert "60 min" in listed.text


def test_photos_whose_camera_was_reset_get_their_times_from_the_clock_in_view() -> None:
    times: list[datetime | None] = [START + timedelta(minutes=4 * i) if i < 10 else None for i in range(20)]
    told = tell_times(photos(hands(EVENING + timedelta(minutes=3), 20), times), (CLOCK,))

    assert told.times == tuple(START + timedelta(minutes=4 * i) for i in range(20))
    assert told.set_by_clock == (False,) * 10 + (True,) * 10
    assert codes(told) == ["clock-in-view", "clock-sets"]
    assert "10 photos" in told.notices[1].text


# --- set -------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["%H:%M", "%H:%M:%S"])
def test_photos_without_times_get_those_of_the_clock(form: str) -> None:
    start = EVENING.replace(hour=23, minute=40)
    told = tell_times(photos(hands(start, 15, form=form), None), (CLOCK,), date(2026, 11, 20))

    half_a_minute = timedelta(seconds=30 if form == "%H:%M" else 0)
    assert told.times == tuple(start + half_a_minute + timedelta(minutes=4 * i) for i in range(15))
    assert codes(told) == ["clock-sets"]
    assert "2026-11-20" in told.notices[0].text


def test_a_day_that_nobody_said_is_told_to_be_unknown() -> None:
    told = tell_times(photos(hands(EVENING, 5), None), (CLOCK,))

    assert {time.date() for time in told.times if time} == {UNKNOWN_DAY}
    assert "nobody says" in told.notices[0].text


def test_a_clock_of_twelve_hours_goes_round_twice() -> None:
    start = EVENING.replace(hour=23, minute=0)
    texts = [text.lstrip("0") for text in hands(start, 60, form="%I:%M")]
    told = tell_times(photos(texts, None), (CLOCK,), date(2026, 11, 20))

    steps = {later - earlier for earlier, later in zip(told.times, told.times[1:], strict=False) if earlier and later}
    assert steps == {timedelta(minutes=4)}


def test_doubtful_and_impossible_readings_set_no_time() -> None:
    texts: list[str | Reading] = list(hands(EVENING, 9))
    texts[2], texts[4], texts[6] = shows("21:09", 0.9), shows("21:76"), shows("", 0.99, Flag.BLANK)
    told = tell_times(photos(texts, None), (CLOCK,))

    assert [time is None for time in told.times] == [i in (2, 4, 6) for i in range(9)]


def test_a_reading_against_the_run_of_the_others_sets_no_time() -> None:
    texts = hands(EVENING, 9)
    texts[4] = "23:16"  # 21:16
    told = tell_times(photos(texts, None), (CLOCK,))

    assert told.times[4] is None
    assert all(time is not None for i, time in enumerate(told.times) if i != 4)


def test_a_night_takes_the_times_over() -> None:
    records = photos(hands(EVENING, 4), None)
    frames = tuple(Frame(one.frame, Path(one.frame), 0, None, "none") for one in records)
    night = with_shown_times(Night(frames, "none", (Notice("no-times", "", "none"),)), records, (CLOCK,))

    assert night.time_source == "clock"
    assert [frame.time_source for frame in night.frames] == ["clock"] * 4
    assert [notice.code for notice in night.notices] == ["clock-sets"]


@pytest.mark.parametrize("displays", [(), (CO,), (CLOCK,)])
def test_an_empty_night(displays: tuple[Display, ...]) -> None:
    assert tell_times([], displays) == ShownTimes((), (), ())
