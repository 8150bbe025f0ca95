"""Videos: every picture with its own time, the same pixels in any order and from any thread."""

from __future__ import annotations

import random
import struct
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import pytest
from frames_files import EVENING, frame_of, traces, write_video

from frametally.errors import BadFrame, BadInput, NoFrames
from frametally.frames import fingerprint, load, open_night, size_of
from frametally.frames.video import VideoReader, VideoShelf

CODES = {".mp4": "mp4v", ".mov": "mp4v", ".m4v": "mp4v", ".mkv": "mp4v", ".avi": "MJPG"}


def in_order(path: Path) -> list[np.ndarray]:
    """Outside reference: OpenCV's own reading from the beginning."""
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    views = []
    while True:
        done, view = capture.read()
        if not done:
            break
        views.append(view)
    capture.release()
    return views


@pytest.mark.parametrize("suffix", CODES)
def test_a_clip_becomes_frames_with_timestamps(tmp_path: Path, suffix: str) -> None:
    path = write_video(tmp_path / f"Nacht ä{suffix}", 12, fps=4, code=CODES[suffix])
    night = open_night(path, start=EVENING)

    assert [frame.name for frame in night.frames[:2]] == [f"Nacht ä{suffix}#000000", f"Nacht ä{suffix}#000001"]
    assert [frame.index for frame in night.frames] == list(range(12))
    assert [frame.time for frame in night.frames] == [EVENING + timedelta(seconds=at / 4) for at in range(12)]
    assert night.time_source == night.frames[0].time_source == "video"
    assert [notice.code for notice in night.notices] == ["video-begin"]
    assert size_of(night.frames[3]) == (64, 48)


@pytest.mark.parametrize("suffix", [".mp4", ".avi"])
def test_pixels_are_the_same_in_any_order(tmp_path: Path, suffix: str) -> None:
    path = write_video(tmp_path / f"clip{suffix}", 50, code=CODES[suffix])
    expected = in_order(path)
    frames = list(open_night(path, start=EVENING).frames)
    assert len(frames) == len(expected) == 50
    random.Random(3).shuffle(frames)

    for frame in frames:
        found = load(frame).pixels
        np.testing.assert_array_equal(found, expected[frame.index])
        assert found.flags.c_contiguous


def test_order_is_of_no_matter_where_nothing_can_be_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("frametally.frames.video._KEPT_BYTES", 0)
    path = write_video(tmp_path / "clip.mp4", 40)
    expected = in_order(path)
    reader = VideoReader(path)

    for index in (39, 0, 20, 19, 21, 5, 39, 38):
        np.testing.assert_array_equal(reader.read(index), expected[index])
    reader.close()
    np.testing.assert_array_equal(reader.read(7), expected[7])
    reader.close()


def test_in_order_each_picture_is_decoded_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_video(tmp_path / "clip.mp4", 40)
    passed: list[int] = []
    original = VideoReader._pass_one

    def counted(self: VideoReader, fetch: bool) -> None:
        passed.append(self._next)
        original(self, fetch)

    monkeypatch.setattr(VideoReader, "_pass_one", counted)
    frames = open_night(path, start=EVENING).frames
    order = [at ^ 1 for at in range(40)]  # pairs swapped, as two threads would ask
    for at in order:
        load(frames[at])

    assert passed == list(range(40))


def test_many_threads_give_the_same(tmp_path: Path) -> None:
    paths = [write_video(tmp_path / f"{name}.mp4", 30) for name in "abc"]
    frames = [frame for path in paths for frame in open_night(path, start=EVENING).frames]
    expected = [view.tobytes() for path in paths for view in in_order(path)]
    order = list(range(len(frames)))
    random.Random(5).shuffle(order)
    with ThreadPoolExecutor(8) as pool:
        found = dict(zip(order, pool.map(lambda at: load(frames[at]).pixels.tobytes(), order), strict=True))

    assert [found[at] for at in range(len(frames))] == expected


def test_what_is_given_out_is_not_shared(tmp_path: Path) -> None:
    frame = open_night(write_video(tmp_path / "clip.mp4", 3), start=EVENING).frames[1]
    first = load(frame).pixels
    before = first.copy()
    first[:] = 0

    np.testing.assert_array_equal(load(frame).pixels, before)


def test_fingerprints_differ_by_picture_and_file(tmp_path: Path) -> None:
    frames = open_night(write_video(tmp_path / "a.mp4", 3), start=EVENING).frames
    other = open_night(write_video(tmp_path / "b.mp4", 4), start=EVENING).frames
    prints = {fingerprint(frame) for frame in (*frames, *other)}

    assert len(prints) == 7
    assert fingerprint(frames[1]) == (load(frames[1]).bytes, load(frames[1]).sha256)
    assert fingerprint(frames[1])[0] == (tmp_path / "a.mp4").stat().st_size


def test_start_with_every_counts_a_time_lapse(tmp_path: Path) -> None:
    path = write_video(tmp_path / "2026-10-01_08-00-00.mp4", 5, fps=25)
    night = open_night(path, start=EVENING, every_s=240, utc_offset="+01:00")

    zone = timezone(timedelta(hours=1))
    assert night.time_source == "start-every"
    assert [frame.time for frame in night.frames] == [EVENING.replace(tzinfo=zone) + timedelta(minutes=4 * at) for at in range(5)]
    assert night.notices == ()


def test_the_begin_comes_from_the_name(tmp_path: Path) -> None:
    path = write_video(tmp_path / "VID_20261030_214000.mp4", 5)
    night = open_night(path, utc_offset="+01:00")

    assert night.frames[0].time == EVENING.replace(tzinfo=timezone(timedelta(hours=1)))
    assert "its name" in night.notices[0].text


def test_the_begin_comes_from_the_container(tmp_path: Path) -> None:
    path = write_video(tmp_path / "clip.mp4", 5)
    data = bytearray(path.read_bytes())
    at = data.index(b"mvhd") + 8
    begin = datetime(2026, 10, 30, 21, 40, tzinfo=UTC)
    data[at : at + 4] = struct.pack(">L", int((begin - datetime(1904, 1, 1, tzinfo=UTC)).total_seconds()))
    path.write_bytes(data)
    night = open_night(path)

    assert night.frames[0].time == begin
    assert "--start" in night.notices[0].text


def test_without_any_begin_there_are_no_times(tmp_path: Path) -> None:
    night = open_night(write_video(tmp_path / "clip.avi", 5, code="MJPG"))

    assert night.time_source == "none"
    assert [frame.time for frame in night.frames] == [None] * 5
    assert [notice.code for notice in night.notices] == ["no-times"]


def test_a_video_that_is_turned_comes_upright(tmp_path: Path) -> None:
    """ISO/IEC 14496-12, 8.3.2: the matrix of the track header turns the picture; this one by 90 degrees clockwise."""
    path = write_video(tmp_path / "clip.mp4", 3)
    straight = in_order(path)[1]
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40  # version 0
    one = 1 << 16
    assert struct.unpack(">9l", data[at : at + 36]) == (one, 0, 0, 0, one, 0, 0, 0, 1 << 30)
    data[at : at + 36] = struct.pack(">9l", 0, one, 0, -one, 0, 0, 48 * one, 0, 1 << 30)
    path.write_bytes(data)
    frame = open_night(path, start=EVENING).frames[1]

    assert size_of(frame) == (48, 64)
    np.testing.assert_array_equal(load(frame).pixels, cv2.rotate(straight, cv2.ROTATE_90_CLOCKWISE))


def test_a_cut_video_says_so(tmp_path: Path) -> None:
    path = write_video(tmp_path / "clip.avi", 60, code="MJPG")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    night = open_night(path, start=EVENING)

    assert 10 < len(night.frames) < 40
    assert "video-short" in [notice.code for notice in night.notices]


@pytest.mark.parametrize("data", [b"", b"hello", b"\0\0\0\x18ftypmp42" + bytes(200)])
def test_files_that_are_no_video(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "clip.mp4"
    path.write_bytes(data)
    with pytest.raises(NoFrames, match="no picture"):
        open_night(path)
    with pytest.raises(BadFrame, match="cannot be opened"):
        load(frame_of(path))


def test_a_picture_that_is_not_there(tmp_path: Path) -> None:
    path = write_video(tmp_path / "clip.mp4", 5)
    with pytest.raises(BadFrame, match="ends or is damaged"):
        load(frame_of(path, 5))
    assert load(frame_of(path, 4)).pixels.shape == (48, 64, 3)
    for ask in (load, size_of, fingerprint):
        with pytest.raises(BadFrame, match="cannot be read"):
            ask(frame_of(tmp_path / "gone.mp4"))


def test_wrong_options_for_a_video(tmp_path: Path) -> None:
    path = write_video(tmp_path / "clip.mp4", 5)
    with pytest.raises(BadInput, match="--start"):
        open_night(path, every_s=5)
    with pytest.raises(BadInput, match="calendar"):
        open_night(path, start=datetime(9999, 12, 31, 23, 59, 59, 999_999))


def test_few_videos_are_held_open(tmp_path: Path) -> None:
    shelf = VideoShelf(most_open=2)
    readers = [shelf.reader(write_video(tmp_path / f"{name}.mp4", 3)) for name in "abc"]

    assert not readers[0]._capture.isOpened()
    assert readers[1]._capture.isOpened()
    assert shelf.reader(tmp_path / "b.mp4") is readers[1]
    assert readers[0].read(1).shape == (48, 64, 3)
    for reader in readers:
        reader.close()


def test_reading_leaves_the_video_alone(tmp_path: Path) -> None:
    path = write_video(tmp_path / "clip.mp4", 5)
    before = traces(tmp_path)
    for frame in open_night(path, start=EVENING).frames:
        load(frame)

    assert traces(tmp_path) == before
