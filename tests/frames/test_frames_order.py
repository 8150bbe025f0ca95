"""Camera rolls: numbers count as numbers, rollovers are undone, the disk's order is of no matter."""

from __future__ import annotations

import random
from datetime import timedelta
from pathlib import Path

import pytest
from frames_files import EVENING, put, put_night
from hypothesis import given
from hypothesis import strategies as st

from frametally.frames import open_night
from frametally.frames.order import roll_order, running_numbers


@pytest.mark.parametrize(
    "ordered",
    [
        ("IMG_1.jpg", "IMG_2.jpg", "IMG_10.jpg"),
        ("IMG_9998.JPG", "IMG_9999.JPG", "IMG_0001.JPG", "IMG_0002.JPG"),  # DCF numbers run from 0001 to 9999 (JEITA CP-3461)
        ("IMG_9999.JPG", "IMG_0000.JPG", "IMG_0001.JPG"),  # some start at zero: common practice, no source
        ("IMG_9990.JPG", "IMG_9997.JPG", "IMG_0003.JPG"),  # photos around the rollover are missing
        ("100CABIN/IMG_9998.JPG", "100CABIN/IMG_9999.JPG", "101CABIN/IMG_0001.JPG"),
        ("9/a.jpg", "10/a.jpg"),
        ("a.jpg", "a1.jpg", "b.jpg"),
        ("IMG_0001.JPG", "IMG_5000.JPG"),  # a wide hole alone is no rollover
        ("1.jpg", "99.jpg"),
        ("cam_998_x.jpg", "cam_999_x.jpg", "cam_001_x.jpg"),
    ],
)
def test_order_of_names(ordered: tuple[str, ...]) -> None:
    shuffled = list(ordered)
    for seed in range(6):
        random.Random(seed).shuffle(shuffled)
        assert roll_order(shuffled) == ordered


@given(st.lists(st.text("aB0129_/ä .", min_size=1, max_size=12), unique=True), st.randoms(use_true_random=False))
def test_any_names_have_one_order(names: list[str], chance: random.Random) -> None:
    once = roll_order(names)
    chance.shuffle(names)

    assert roll_order(names) == once
    assert sorted(once) == sorted(names)


@pytest.mark.parametrize(
    ("names", "numbers"),
    [
        (("IMG_0001.JPG", "IMG_0002.jpg", "IMG_0004.HEIC"), (1, 2, 4)),
        (("IMG_9998.JPG", "IMG_9999.JPG", "IMG_0001.JPG"), (9998, 9999, 10000)),
        (("100X/IMG_9999.JPG", "101X/IMG_0001.JPG"), (9999, 10000)),
        (("IMG_9999.JPG", "IMG_0000.JPG"), (9999, 10000)),
        (("a9.jpg", "a10.jpg"), (9, 10)),
        (("a.jpg", "b.jpg"), None),
        (("a1.jpg", "b2.jpg"), None),
        (("IMG_0001.HEIC", "IMG_0001.JPG"), (1, 10000)),
    ],
)
def test_running_numbers(names: tuple[str, ...], numbers: tuple[int, ...] | None) -> None:
    assert running_numbers(names) == numbers


def test_rollover_in_one_folder_without_times(tmp_path: Path) -> None:
    for number in (1, 2, 3, 9997, 9998, 9999):
        put(tmp_path / f"IMG_{number:04d}.JPG")
    night = open_night(tmp_path, start=EVENING, every_s=60)

    assert [frame.name[4:8] for frame in night.frames] == ["9997", "9998", "9999", "0001", "0002", "0003"]
    assert [(frame.time - EVENING).total_seconds() for frame in night.frames] == [0, 60, 120, 180, 240, 300]
    assert night.notices == ()


def test_rollover_over_two_folders_with_times(tmp_path: Path) -> None:
    put_night(tmp_path / "DCIM" / "100CABIN", 3, first=9997, offset="+00:00")
    put_night(tmp_path / "DCIM" / "101CABIN", 3, start=EVENING + timedelta(minutes=12), offset="+00:00")
    night = open_night(tmp_path)

    assert [frame.name for frame in night.frames] == [
        *(f"DCIM/100CABIN/IMG_{number}.JPG" for number in (9997, 9998, 9999)),
        *(f"DCIM/101CABIN/IMG_000{number}.JPG" for number in (1, 2, 3)),
    ]
    assert night.notices == ()


def test_time_goes_before_name_and_it_is_said(tmp_path: Path) -> None:
    put(tmp_path / "IMG_0001.JPG", EVENING, offset="+00:00")
    put(tmp_path / "IMG_0002.JPG", EVENING + timedelta(minutes=8), offset="+00:00")
    put(tmp_path / "IMG_0003.JPG", EVENING + timedelta(minutes=4), offset="+00:00")
    put(tmp_path / "IMG_0004.JPG", EVENING + timedelta(minutes=12), offset="+00:00")
    night = open_night(tmp_path)

    assert [frame.name[7] for frame in night.frames] == ["1", "3", "2", "4"]
    assert [(notice.code, notice.where) for notice in night.notices] == [("time-backwards", "IMG_0003.JPG")]


def test_order_of_creation_is_of_no_matter(tmp_path: Path) -> None:
    jobs = [(f"{100 + at // 4}X/IMG_{at:04d}.JPG", EVENING + timedelta(minutes=at)) for at in range(12)]
    jobs += [("notes.txt", None), (".hidden", None), ("b/IMG_0001.JPG", None)]
    nights = []
    for seed in range(3):
        random.Random(seed).shuffle(jobs)
        folder = tmp_path / str(seed)
        for name, taken in jobs:
            put(folder / name, taken)
        night = open_night(folder)
        nights.append(([(frame.name, frame.time) for frame in night.frames], night.notices, night.time_source))

    assert nights[0] == nights[1] == nights[2]
    assert len(nights[0][0]) == 13
