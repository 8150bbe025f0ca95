"""What is taken from a folder and what is left out: never a crash, never a hang, never a changed file."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import AbstractContextManager
from datetime import timedelta
from pathlib import Path

import pytest
from frames_files import EVENING, frame_of, put, put_night, traces

from frametally.errors import BadFrame, BadInput, ExitCode, NoFrames
from frametally.frames import load, open_night, sources
from frametally.frames.sources import PHOTO_SUFFIXES

needs_links = pytest.mark.skipif(sys.platform == "win32", reason="making links needs a right on Windows")


def test_sub_folders_umlauts_and_blanks(tmp_path: Path) -> None:
    folder = tmp_path / "Küche ä #1"
    put(folder / "Nacht über Tag" / "Foto 2.jpg", EVENING, offset="+01:00")
    put(folder / "Foto 1.jpg", EVENING.replace(minute=44), offset="+01:00")
    night = open_night(folder)

    assert [frame.name for frame in night.frames] == ["Nacht über Tag/Foto 2.jpg", "Foto 1.jpg"]
    assert load(night.frames[0]).pixels.shape == (12, 16, 3)
    assert night.frames[0].path == folder / "Nacht über Tag" / "Foto 2.jpg"
    assert {frame.index for frame in night.frames} == {0}


@pytest.mark.skipif(sys.platform == "win32", reason="these names are not possible on Windows")
@pytest.mark.parametrize(
    "name", ["a\nb.jpg", 'quote"s,semi;colon.jpg', "-rf.jpg", "%s{0}$HOME.jpg", "*?.jpg", "日本語 📷.jpg", "=1+1.jpg", "a\\b.jpg"]
)
def test_hostile_names(tmp_path: Path, name: str) -> None:
    put(tmp_path / name, EVENING, offset="+01:00")
    (frame,) = open_night(tmp_path).frames

    assert frame.name == name
    assert load(frame).pixels.shape == (12, 16, 3)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not allow names that are no text")
def test_names_that_are_no_utf8_can_stand_in_a_table(tmp_path: Path) -> None:
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/K\xfcche.jpg")).write_bytes(put(tmp_path / "Küche.jpg").read_bytes())
    night = open_night(tmp_path)

    assert sorted(frame.name for frame in night.frames) == ["K\\xfcche.jpg", "Küche.jpg"]
    assert all(frame.name.encode("utf-8") for frame in night.frames)
    assert all(load(frame).bytes > 0 for frame in night.frames)


def test_what_is_no_photo_is_left_out_and_said(tmp_path: Path) -> None:
    put_night(tmp_path, 2, offset="+00:00")
    for name in (
        ".DS_Store",
        "._IMG_0001.JPG",
        "notes.txt",
        "truth.csv",
        "IMG_0001.CR2",
        "clip.mp4",
        "no_suffix",
        ".cache/x.jpg",
    ):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"something")
    night = open_night(tmp_path)

    assert [frame.name for frame in night.frames] == ["IMG_0001.JPG", "IMG_0002.JPG"]
    said = {notice.code: notice.text for notice in night.notices}
    assert set(said) == {"left-out-hidden", "left-out-other", "left-out-video"}
    assert ".DS_Store, ._IMG_0001.JPG, .cache" in said["left-out-hidden"]
    assert "IMG_0001.CR2, no_suffix, notes.txt and 1 more" in said["left-out-other"]
    assert "clip.mp4" in said["left-out-video"]


def test_every_suffix_in_any_case(tmp_path: Path) -> None:
    for suffix in PHOTO_SUFFIXES:
        (tmp_path / f"a{suffix}").write_bytes(b"x")
        (tmp_path / f"B{suffix.upper()}").write_bytes(b"x")

    assert len(open_night(tmp_path).frames) == 2 * len(PHOTO_SUFFIXES)


def test_a_photo_that_is_none_inside_stays_a_frame(tmp_path: Path) -> None:
    (tmp_path / "text.jpg").write_text("hello")
    (tmp_path / "empty.jpg").write_bytes(b"")
    night = open_night(tmp_path)

    assert [frame.name for frame in night.frames] == ["empty.jpg", "text.jpg"]
    for frame in night.frames:
        with pytest.raises(BadFrame):
            load(frame)


@needs_links
def test_links_in_a_circle_do_not_hang(tmp_path: Path) -> None:
    folder = tmp_path / "night"
    put(folder / "a.jpg", EVENING, offset="+00:00")
    (folder / "round").symlink_to(folder, target_is_directory=True)
    (folder / "self.jpg").symlink_to("self.jpg")
    (folder / "nowhere.jpg").symlink_to("gone.jpg")
    (folder / "good.jpg").symlink_to(put(tmp_path / "elsewhere.jpg", EVENING.replace(minute=44), offset="+00:00"))
    (tmp_path / "way").symlink_to(folder, target_is_directory=True)
    night = open_night(tmp_path / "way")

    assert [frame.name for frame in night.frames] == ["a.jpg", "good.jpg"]
    (notice,) = night.notices
    assert notice.code == "left-out-link"
    assert "nowhere.jpg, round, self.jpg" in notice.text


def test_a_folder_that_leads_back_without_being_a_link_does_not_hang(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Like a junction on Windows or a mount on Linux: here a link that says it is none."""
    put(tmp_path / "a.jpg", EVENING, offset="+00:00")
    try:
        (tmp_path / "round").symlink_to(tmp_path, target_is_directory=True)
    except OSError:
        pytest.skip("making links needs a right on Windows")
    judge = sources._judge
    monkeypatch.setattr(sources, "_judge", lambda entry: "folder" if entry.name == "round" else judge(entry))
    night = open_night(tmp_path)

    assert [frame.name for frame in night.frames] == ["a.jpg"]
    assert [(notice.code, notice.where) for notice in night.notices] == [("left-out-link", "round")]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_does_not_hang(tmp_path: Path) -> None:
    put(tmp_path / "a.jpg", EVENING, offset="+00:00")
    os.mkfifo(tmp_path / "pipe.jpg")

    assert [(notice.code, notice.where) for notice in open_night(tmp_path).notices] == [("left-out-special", "pipe.jpg")]
    with pytest.raises(BadFrame, match="no file"):
        load(frame_of(tmp_path / "pipe.jpg"))
    with pytest.raises(BadInput, match="neither a folder nor a file"):
        open_night(tmp_path / "pipe.jpg")


def test_one_photo_is_a_night_of_one_frame(tmp_path: Path) -> None:
    path = put(tmp_path / "a.jpg", EVENING, offset="+00:00")
    (frame,) = open_night(path).frames

    assert (frame.name, frame.path) == ("a.jpg", path)


def test_an_empty_folder_and_one_without_photos(tmp_path: Path) -> None:
    with pytest.raises(NoFrames, match="empty") as caught:
        open_night(tmp_path)
    assert caught.value.exit_code == ExitCode.NO_FRAMES
    (tmp_path / "clip.mp4").write_bytes(b"x")
    (tmp_path / "notes.txt").write_text("x")
    with pytest.raises(NoFrames, match=r"clip\.mp4.*notes\.txt|notes\.txt.*clip\.mp4") as caught:
        open_night(tmp_path)
    assert str(caught.value).endswith(f"Give the video itself: {tmp_path / 'clip.mp4'}.")
    (tmp_path / "clip.mp4").unlink()
    with pytest.raises(NoFrames, match="Give the folder that holds the photos"):
        open_night(tmp_path)


@pytest.mark.parametrize("hours_apart", [24, 7])
def test_two_nights_in_one_folder_are_asked_about(tmp_path: Path, hours_apart: int) -> None:
    put_night(tmp_path, 5, every_s=60, offset="+00:00")
    put_night(tmp_path, 4, every_s=60, first=6, start=EVENING + timedelta(hours=hours_apart), offset="+00:00")
    first = open_night(tmp_path).notices[0]

    assert (first.code, first.where) == ("two-nights", "IMG_0006.JPG")
    assert first.text.startswith("Are these two nights?")
    assert "IMG_0001.JPG to IMG_0005.JPG, from 2026-10-30 21:40+00:00; IMG_0006.JPG to IMG_0009.JPG" in first.text
    put_night(tmp_path, 4, every_s=60, first=10, start=EVENING + timedelta(hours=3 * hours_apart), offset="+00:00")
    assert open_night(tmp_path).notices[0].text.startswith("Are these 3 nights?")


@pytest.mark.parametrize(("hours_apart", "every_s", "photos"), [(5, 60, 5), (24, 60, 2), (9, 1800, 5), (0.1, 60, 5)])
def test_one_night_with_a_pause_or_stray_photos_is_not(tmp_path: Path, hours_apart: float, every_s: float, photos: int) -> None:
    put_night(tmp_path, 5, every_s=every_s, offset="+00:00")
    put_night(tmp_path, photos, every_s, first=6, start=EVENING + timedelta(hours=hours_apart), offset="+00:00")

    assert "two-nights" not in [notice.code for notice in open_night(tmp_path).notices]


@pytest.mark.parametrize("name", ["gone", "gone.jpg", "gone.mp4", "bad\0name"])
def test_a_missing_path(tmp_path: Path, name: str) -> None:
    with pytest.raises(BadInput, match="cannot be opened"):
        open_night(tmp_path / name)


def test_a_file_of_another_kind(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("a,b")
    with pytest.raises(BadInput, match="neither a folder"):
        open_night(path)


@pytest.fixture
def no_entry(monkeypatch: pytest.MonkeyPatch) -> None:
    """Folders and files named "closed" refuse, as for a user without the right; root may open everything, so it is faked."""
    scan, read, opened = os.scandir, Path.read_bytes, Path.open

    def scandir(path: Path) -> AbstractContextManager[Iterator[os.DirEntry[str]]]:
        if Path(path).name == "closed":
            raise PermissionError(13, "Permission denied")
        return scan(path)

    def read_bytes(self: Path) -> bytes:
        if self.stem == "closed":
            raise PermissionError(13, "Permission denied")
        return read(self)

    def open_path(self: Path, *arguments: object, **more: object) -> object:
        if self.stem == "closed":
            raise PermissionError(13, "Permission denied")
        return opened(self, *arguments, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(os, "scandir", scandir)
    monkeypatch.setattr(Path, "read_bytes", read_bytes)
    monkeypatch.setattr(Path, "open", open_path)


@pytest.mark.usefixtures("no_entry")
def test_without_permission(tmp_path: Path) -> None:
    put_night(tmp_path, 2, offset="+00:00")
    (tmp_path / "closed").mkdir()
    (tmp_path / "closed.jpg").touch()
    (tmp_path / "closed.mp4").touch()
    night = open_night(tmp_path)

    assert "closed.jpg" in [frame.name for frame in night.frames]
    assert ("left-out-closed", "closed") in [(notice.code, notice.where) for notice in night.notices]
    with pytest.raises(BadFrame, match="Permission denied"):
        load(frame_of(tmp_path / "closed.jpg"))
    for name in ("closed", "closed.mp4"):
        with pytest.raises(BadInput, match="Permission denied"):
            open_night(tmp_path / name)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may open everything")
def test_really_without_permission(tmp_path: Path) -> None:
    path = put(tmp_path / "closed" / "a.jpg")
    path.chmod(0)
    with pytest.raises(BadFrame, match="cannot be read"):
        load(frame_of(path))
    path.parent.chmod(0)
    try:
        with pytest.raises(BadInput, match="cannot be opened"):
            open_night(path.parent)
    finally:
        path.parent.chmod(0o700)


def test_inputs_stay_as_they_are(tmp_path: Path) -> None:
    put_night(tmp_path, 3, offset="+01:00", orientation=6)
    (tmp_path / "text.jpg").write_text("hello")
    (tmp_path / "notes.txt").write_text("hello")
    before = traces(tmp_path)
    for frame in open_night(tmp_path).frames:
        if frame.name != "text.jpg":
            load(frame)
    open_night(tmp_path, start=EVENING, every_s=60)

    assert traces(tmp_path) == before
    assert len(before) == 5


def test_opening_reads_heads_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = put(tmp_path / "a.jpg", EVENING, offset="+00:00")
    size = path.stat().st_size
    with path.open("r+b") as stream:  # 64 MB behind the picture
        stream.truncate(size + (1 << 26))
    monkeypatch.setattr(Path, "read_bytes", lambda self: pytest.fail(f"{self.name} was read whole"))

    assert open_night(tmp_path).frames[0].time is not None
