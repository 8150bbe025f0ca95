"""Where times come from: each source, which one wins, and what is said about it."""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from frames_files import EVENING, put, put_night

from frametally.errors import BadInput
from frametally.frames import describe_time_source, open_night
from frametally.frames.clocks import TIME_SOURCES, time_from_name
from frametally.frames.exif import parse_offset
from frametally.model import Night

HOUR = timezone(timedelta(hours=1))


def codes(night: Night) -> list[str]:
    return [notice.code for notice in night.notices]


def test_demo_night_has_the_cameras_own_times(sample_frames: Path) -> None:
    night = open_night(sample_frames)

    assert night.time_source == "exif-offset"
    assert len(night.frames) == 148
    assert night.frames[0].time == datetime(2026, 10, 30, 21, 40, tzinfo=UTC)
    assert night.frames[-1].time == datetime(2026, 10, 30, 21, 40, tzinfo=UTC) + timedelta(minutes=4 * 149)
    gaps = [notice for notice in night.notices if notice.code == "time-gap"]
    assert [gap.where for gap in gaps] == ["cabin_0037.jpg", "cabin_0096.jpg"]
    assert all("about 1 photo missing" in gap.text for gap in gaps)
    assert sorted(set(codes(night))) == ["left-out-other", "time-gap"]


def test_offset_and_fractions_of_a_second_are_read(tmp_path: Path) -> None:
    put(tmp_path / "a.jpg", EVENING, offset="-03:30", subsec="25")
    night = open_night(tmp_path)

    expected = EVENING.replace(microsecond=250_000, tzinfo=timezone(-timedelta(hours=3, minutes=30)))
    assert night.frames[0].time == expected
    assert night.frames[0].time.utcoffset() == timedelta(hours=-3, minutes=-30)
    assert night.time_source == night.frames[0].time_source == "exif-offset"


def test_given_offset_is_attached_to_local_times(tmp_path: Path) -> None:
    put_night(tmp_path, 3)
    night = open_night(tmp_path, utc_offset="+01:00")

    assert night.time_source == "exif-utc-offset"
    assert night.frames[0].time == EVENING.replace(tzinfo=HOUR)
    assert {frame.time_source for frame in night.frames} == {"exif-utc-offset"}
    assert codes(night) == []


def test_photos_own_offset_wins_over_the_given_one_and_it_is_said(tmp_path: Path) -> None:
    put_night(tmp_path, 3, offset="+02:00")
    night = open_night(tmp_path, utc_offset="+01:00")

    assert night.time_source == "exif-offset"
    assert night.frames[0].time.utcoffset() == timedelta(hours=2)
    assert codes(night) == ["offset-differs"]


def test_without_any_offset_times_stay_local_and_it_is_said(tmp_path: Path) -> None:
    put_night(tmp_path, 3)
    night = open_night(tmp_path)

    assert night.time_source == "exif"
    assert night.frames[0].time == EVENING
    assert night.frames[0].time.tzinfo is None
    assert codes(night) == ["offset-unknown"]
    assert "--utc-offset" in night.notices[0].text


def test_half_with_and_half_without_offset_is_one_local_clock(tmp_path: Path) -> None:
    for at in range(6):
        more = {"offset": "+01:00"} if at % 2 else {}
        put(tmp_path / f"IMG_{at:04d}.JPG", EVENING + timedelta(minutes=4 * at), **more)

    plain, given = open_night(tmp_path), open_night(tmp_path, utc_offset="+01:00")

    assert plain.time_source == "exif"
    assert all(frame.time.tzinfo is None for frame in plain.frames)
    assert given.time_source == "exif-utc-offset"
    assert [frame.time_source for frame in given.frames] == ["exif-utc-offset", "exif-offset"] * 3


def test_the_offset_of_another_tag_counts_only_for_the_same_time(tmp_path: Path) -> None:
    put(tmp_path / "same" / "a.jpg", EVENING, changed="2026:10:30 21:40:00", change_offset="+01:00")
    put(tmp_path / "other" / "a.jpg", EVENING, changed="2026:11:02 08:00:00", change_offset="+01:00")

    assert open_night(tmp_path / "same").time_source == "exif-offset"
    assert open_night(tmp_path / "other").time_source == "exif"


def test_time_of_change_is_used_last_and_it_is_said(tmp_path: Path) -> None:
    put(tmp_path / "a.jpg", changed="2026:10:30 21:40:00")
    put(tmp_path / "b.jpg", digitized="2026:10:30 21:44:00", changed="2026:11:02 08:00:00")
    night = open_night(tmp_path)

    assert [frame.time for frame in night.frames] == [EVENING, EVENING + timedelta(minutes=4)]
    assert [notice.where for notice in night.notices if notice.code == "time-of-change"] == ["a.jpg"]


@pytest.mark.parametrize("text", ["0000:00:00 00:00:00", "    :  :     :  :  ", "2026:13:40 25:61:00", "yesterday", ""])
def test_a_clock_that_was_never_set_is_no_time(tmp_path: Path, text: str) -> None:
    """CIPA DC-008 has blanks for an unknown time; zeros are common practice, no source."""
    put(tmp_path / "a.jpg", text)
    night = open_night(tmp_path)

    assert night.frames[0].time is None
    assert night.frames[0].time_source == night.time_source == "none"
    assert "no-times" in codes(night)


ISO = datetime(2026, 10, 30, 21, 40, 5)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("2026-10-30_21-40-05.jpg", ISO),
        ("20261030_214005.jpg", ISO),
        ("20261030214005.jpg", ISO),
        ("20261030T214005.jpg", ISO),  # ISO 8601 basic
        ("2026-10-30T21:40:05.jpg", ISO),  # ISO 8601 extended
        ("2026-10-30T21.40.05.jpg", ISO),
        ("IMG_20261030_214005123.jpg", ISO.replace(microsecond=123_000)),
        ("2026-10-30T21-40-05.250.png", ISO.replace(microsecond=250_000)),
        ("cabin 2026-10-30 at 21.40.05.jpg", ISO),
        ("2026_10_30 21_40_05 (2).jpg", ISO),
        ("cam1-20261030-214005-01.jpg", ISO),
        ("2026-10-30/21-40-05.jpg", ISO),
        ("shelf/20261030/cam_214005.jpg", None),
        ("2026-10-30 21-40.jpg", ISO.replace(second=0)),
        ("2026-10-30_21h40.jpg", ISO.replace(second=0)),
        ("Kajüte 2026-10-30_21-40-05.jpg", ISO),
        ("20261030_2140.jpg", None),  # could be a running number
        ("IMG-20261030-WA0001.jpg", None),
        ("20261330_214005.jpg", None),
        ("20260230_214005.jpg", None),
        ("20261030_246005.jpg", None),
        ("120261030_214005.jpg", None),
        ("IMG_0001.jpg", None),
        ("cabin.jpg", None),
    ],
)
def test_times_in_names(name: str, expected: datetime | None) -> None:
    found = time_from_name(name)

    assert (found[0] if found else None) == expected
    assert found is None or found[1] is None


@pytest.mark.parametrize(("tail", "hours"), [("Z", 0), ("+01:00", 1), ("+0100", 1)])
def test_offsets_in_names(tail: str, hours: int) -> None:
    assert time_from_name(f"20261030T214005{tail}.jpg") == (ISO, timedelta(hours=hours))


def test_names_give_the_times_where_exif_has_none(tmp_path: Path) -> None:
    for minute in (44, 40, 48):
        put(tmp_path / f"cam_2026-10-30_21-{minute}-00.jpg")
    local, offset = open_night(tmp_path), open_night(tmp_path, utc_offset="+01:00")

    assert local.time_source == "name"
    assert [frame.time for frame in local.frames] == [EVENING + timedelta(minutes=at) for at in (0, 4, 8)]
    assert offset.frames[0].time == EVENING.replace(tzinfo=HOUR)


def test_a_running_number_behind_a_date_is_no_time(tmp_path: Path) -> None:
    for number in range(50, 70):
        put(tmp_path / f"20261030_{number:06d}.jpg")

    assert open_night(tmp_path).time_source == "none"


def test_names_win_where_few_photos_have_exif_or_all_have_the_same(tmp_path: Path) -> None:
    for at in range(10):
        put(tmp_path / "few" / f"20261030_21{40 + at}00.jpg", EVENING + timedelta(days=1) if at < 2 else None)
        put(tmp_path / "same" / f"20261030_21{40 + at}00.jpg", EVENING + timedelta(days=1), offset="+00:00")

    assert open_night(tmp_path / "few").time_source == "name"
    assert open_night(tmp_path / "same").time_source == "name"


def test_a_frame_without_the_nights_source_gets_no_time_but_keeps_its_place(tmp_path: Path) -> None:
    put_night(tmp_path, 20, offset="+01:00")
    put(tmp_path / "IMG_0007.JPG")
    (tmp_path / "IMG_0011.JPG").write_text("this is a text")
    night = open_night(tmp_path)

    assert [frame.name for frame in night.frames] == [f"IMG_{at:04d}.JPG" for at in range(1, 21)]
    assert [frame.name for frame in night.frames if frame.time is None] == ["IMG_0007.JPG", "IMG_0011.JPG"]
    assert night.frames[6].time_source == "none"
    missing = next(notice for notice in night.notices if notice.code == "time-missing")
    assert "2 frames of 20" in missing.text
    assert missing.where == "IMG_0007.JPG"


def test_no_times_at_all_says_which_options_help(tmp_path: Path) -> None:
    for name in ("IMG_10.jpg", "IMG_9.jpg", "IMG_1.jpg"):
        put(tmp_path / name)
    night = open_night(tmp_path)

    assert [frame.name for frame in night.frames] == ["IMG_1.jpg", "IMG_9.jpg", "IMG_10.jpg"]
    assert [frame.time for frame in night.frames] == [None] * 3
    assert night.time_source == "none"
    (notice,) = (notice for notice in night.notices if notice.code == "no-times")
    assert "--start" in notice.text
    assert "--every" in notice.text


def test_start_and_every_go_over_everything(tmp_path: Path) -> None:
    put_night(tmp_path, 4, offset="+01:00")
    start = datetime(2027, 2, 1, 20, 0)
    night = open_night(tmp_path, start=start, every_s=90, utc_offset="-05:00")

    zone = timezone(timedelta(hours=-5))
    assert night.time_source == "start-every"
    assert [frame.time for frame in night.frames] == [start.replace(tzinfo=zone) + timedelta(seconds=90 * at) for at in range(4)]
    assert codes(night) == []


def test_counting_leaves_the_gap_of_a_deleted_photo(tmp_path: Path) -> None:
    for at, path in enumerate(put_night(tmp_path, 10)):
        if at in (4, 5):
            path.unlink()
    night = open_night(tmp_path, start=EVENING, every_s=60)

    assert [(frame.time - EVENING).total_seconds() / 60 for frame in night.frames] == [0, 1, 2, 3, 6, 7, 8, 9]
    assert codes(night) == ["counted-by-number", "time-gap"]
    assert "about 2 photos missing" in night.notices[-1].text


def test_counting_goes_by_place_where_numbers_do_not_count(tmp_path: Path) -> None:
    for name in ("dawn.jpg", "2026-10-30_21-40-00.jpg", "x7.jpg"):
        put(tmp_path / name)
    night = open_night(tmp_path, start=EVENING, every_s=60)

    assert [(frame.time - EVENING).total_seconds() for frame in night.frames] == [0, 60, 120]


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ({"start": EVENING}, "--every"),
        ({"every_s": 60.0}, "--start"),
        ({"start": EVENING, "every_s": 0.0}, "above 0"),
        ({"start": EVENING, "every_s": -5.0}, "above 0"),
        ({"start": EVENING, "every_s": float("nan")}, "above 0"),
        ({"start": EVENING, "every_s": float("inf")}, "above 0"),
        ({"start": EVENING, "every_s": 1e300}, "calendar"),
        ({"utc_offset": "CET"}, "+01:00"),
        ({"utc_offset": "+15:00"}, "+14:00"),
        ({"utc_offset": "+01:75"}, "+01:00"),
        ({"utc_offset": ""}, "+01:00"),
    ],
)
def test_wrong_options_say_what_to_write(tmp_path: Path, options: dict[str, object], word: str) -> None:
    put_night(tmp_path, 2)
    with pytest.raises(BadInput) as caught:
        open_night(tmp_path, **options)  # type: ignore[arg-type]

    assert word in str(caught.value)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [("+01:00", 60), ("-0330", -210), ("+1", 60), ("Z", 0), (" +05:45 ", 345), ("+14:00", 840), ("-12:00", -720)],
)
def test_offsets_in_use(text: str, minutes: int) -> None:
    """Range and odd quarters: IANA time zone database (Kiritimati +14, Kathmandu +05:45, Etc/GMT+12)."""
    assert parse_offset(text) == timedelta(minutes=minutes)


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "America/St_Johns", "UTC"])
def test_the_computers_zone_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, zone: str) -> None:
    put_night(tmp_path / "exif", 3)
    put(tmp_path / "named" / "2026-10-30_21-40-00.jpg")
    before = [open_night(tmp_path / "exif"), open_night(tmp_path / "named", utc_offset="+01:00")]
    monkeypatch.setenv("TZ", zone)
    try:
        if hasattr(time, "tzset"):
            time.tzset()
        after = [open_night(tmp_path / "exif"), open_night(tmp_path / "named", utc_offset="+01:00")]
    finally:
        monkeypatch.undo()
        if hasattr(time, "tzset"):
            time.tzset()

    assert after == before
    assert after[0].frames[0].time == EVENING


def test_dates_on_disk_change_nothing(tmp_path: Path) -> None:
    paths = put_night(tmp_path, 3)
    before = open_night(tmp_path)
    for at, path in enumerate(paths):
        os.utime(path, (1_000_000_000 - at, 1_000_000_000 - at))

    assert open_night(tmp_path) == before


def test_every_source_is_described() -> None:
    assert set(TIME_SOURCES) == {"exif-offset", "exif-utc-offset", "exif", "name", "video", "start-every", "clock", "none"}
    assert all(describe_time_source(slug).endswith(".") for slug in TIME_SOURCES)
    with pytest.raises(BadInput, match="no source of time"):
        describe_time_source("moon")


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_exif_time_is_found_in_each_kind(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"a.{kind.lower()}"
    put(path, EVENING, kind, offset="+01:00")

    assert open_night(tmp_path).frames[0].time == EVENING.replace(tzinfo=HOUR)


def test_exif_time_is_found_in_heic() -> None:
    """The files were written by libheif's encoder, with the time in minute 40 + orientation."""
    folder = Path(__file__).parent / "data"
    for at in range(1, 9):
        (frame,) = open_night(folder / f"quarters_{at}.heic").frames
        assert frame.time == datetime(2026, 10, 30, 21, 40 + at, tzinfo=HOUR)
