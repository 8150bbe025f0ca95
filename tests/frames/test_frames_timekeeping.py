"""A photo's time held against now, by cases whose answer is plain."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from frametally.frames.timekeeping import check_clock, duration_text

EAST = timezone(timedelta(hours=1))
NOW = datetime(2026, 10, 30, 21, 40, tzinfo=UTC)


@pytest.mark.parametrize(
    ("ahead", "state"),
    [
        (timedelta(seconds=0), "agrees"),
        (timedelta(seconds=-60), "agrees"),
        (timedelta(seconds=61), "ahead"),
        (timedelta(minutes=-7), "behind"),
        (timedelta(minutes=-58), "off by hours"),
        (timedelta(hours=1, minutes=2), "off by hours"),
        (timedelta(hours=-5, minutes=-30), "off by hours"),
        (timedelta(minutes=-20), "older"),
        (timedelta(days=-3), "older"),
        (timedelta(days=400), "ahead"),
        (timedelta(days=-9800), "never set"),
    ],
)
def test_every_state(ahead: timedelta, state: str) -> None:
    found = check_clock(NOW + ahead, "exif-offset", NOW)

    assert found.state == state
    assert found.ahead_s == ahead.total_seconds()
    assert found.has_offset
    assert f"{(NOW + ahead).year}" in found.text


def test_offsets_count() -> None:
    """21:40 UTC and 22:40 an hour east are one moment (ISO 8601)."""
    assert check_clock(NOW.astimezone(EAST), "exif-offset", NOW).state == "agrees"


def test_a_local_time_is_held_against_the_local_time_and_its_lack_is_told() -> None:
    now = datetime(2026, 10, 30, 22, 40, tzinfo=EAST)

    found = check_clock(datetime(2026, 10, 30, 22, 39, 30), "exif", now)

    assert found.state == "agrees"
    assert not found.has_offset
    assert "--utc-offset" in found.text


def test_a_now_without_offset_is_taken_as_local() -> None:
    assert check_clock(NOW, "exif-offset", NOW.replace(tzinfo=None)).state == "agrees"


def test_no_time_says_what_to_do() -> None:
    found = check_clock(None, "none", NOW)

    assert (found.state, found.ahead_s) == ("no time", None)
    assert "--start" in found.text


def test_a_time_from_the_name_is_told_as_such() -> None:
    assert "file names" in check_clock(NOW.replace(tzinfo=None), "name", NOW).text


@pytest.mark.parametrize(
    ("span", "text"),
    [
        (timedelta(seconds=61), "61 s"), (timedelta(minutes=-7), "7 min"), (timedelta(hours=2, minutes=10), "2 h 10 min"),
        (timedelta(hours=3), "3 h"), (timedelta(days=12), "12 days"), (timedelta(days=9800), "27 years"),
    ],
)  # fmt: skip
def test_how_long_is_written(span: timedelta, text: str) -> None:
    assert duration_text(span) == text
