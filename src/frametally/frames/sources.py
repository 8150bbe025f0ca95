"""From a folder of photos, one photo, or a video file to a Night: the frames in order, with times, and what was odd.

Only the head of each photo is read; nothing is ever written. The result does not depend on the order in which the disk lists
the files, nor on their dates on disk, nor on this computer's zone.
"""

from __future__ import annotations

import os
import stat
from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

from frametally.errors import BadInput, NoFrames
from frametally.frames.cameras import camera_of, pick_camera
from frametally.frames.clocks import (
    Clock,
    Stamp,
    check_start_every,
    choose_clock,
    count_times,
    read_utc_offset,
    some_of,
    time_from_name,
)
from frametally.frames.containers import movie_created, read_head
from frametally.frames.exif import taken_at, with_offset
from frametally.frames.irregularities import Timed, find_irregularities, usual_interval_s
from frametally.frames.mending import mend_clock
from frametally.frames.order import roll_order, running_numbers
from frametally.frames.video import VIDEO_SUFFIXES, timestamps_s
from frametally.model import Frame, Night, Notice
from frametally.places import Place, Url

PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".hif"})
_KINDS = "JPEG, PNG, TIFF, WebP or HEIC"

_LEFT_OUT = {
    "left-out-hidden": "hidden",
    "left-out-other": "not a photo by its name",
    "left-out-video": "a video; give the video file itself to read it",
    "left-out-link": "a link to a folder or to nowhere",
    "left-out-special": "no ordinary file",
    "left-out-closed": "a folder that may not be opened",
}
"""Why something in the folder is no frame: the notice's code and the words for it."""

_NIGHTS_APART_S = 6 * 3600.0
_FEWEST_OF_A_NIGHT = 3  # photos on either side of such a pause
_HEADS_AT_ONCE = 16  # of photos in a store, which takes its time for each


def open_night(
    source: Place,
    *,
    utc_offset: str | None = None,
    start: datetime | None = None,
    every_s: float | None = None,
    camera: str | None = None,
) -> Night:
    """Give the night in a folder (with its sub-folders), in one photo, or in a video file; or of photos at a URL.

    Times come from the best source that nearly all good files have (see `clocks`); a frame without a time by it gets None.
    `start` with `every_s` (seconds from one photo to the next) is the user's explicit word and overrides every other source.
    `utc_offset` ("+01:00") is attached to local times whose offset is not known. For a video, `start` alone sets its beginning.
    `camera` picks one camera's photos where those of several are mixed (see `cameras.pick_camera`).

    Raises BadInput where the path or an option is wrong, also where photos of several cameras are mixed and `camera` does not say
    which; NoFrames where there is no photo in it.
    """
    offset = read_utc_offset(utc_offset)
    told = _Told(offset, start, every_s, camera)
    if isinstance(source, Url):
        check_start_every(start, every_s, needs_every=True)
        return _listed_night(source, _list_url(source), told)
    is_video = source.suffix.lower() in VIDEO_SUFFIXES and not source.is_dir()
    check_start_every(start, every_s, needs_every=not is_video)
    try:
        mode = source.stat().st_mode
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise BadInput(f"{source} cannot be opened: {reason}. Give the folder of photos or the video file.") from None
    if stat.S_ISDIR(mode):
        return _folder_night(source, told)
    if not stat.S_ISREG(mode):
        raise BadInput(f"{source} is neither a folder nor a file. Give the folder of photos or the video file.")
    if is_video:
        return _video_night(source, offset, start, every_s)
    if source.suffix.lower() in PHOTO_SUFFIXES:
        return _photo_night({source.name: source}, [], told)
    videos = ", ".join(sorted(VIDEO_SUFFIXES))
    raise BadInput(f"{source} is neither a folder, nor a photo ({_KINDS}), nor a video ({videos}). Give the folder of photos.")


# --- photos --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Told:
    """What the user said of a night: the clock's offset from UTC, the first photo's time, the pause behind each, the camera."""

    offset: timedelta | None
    start: datetime | None
    every_s: float | None
    camera: str | None


@dataclass
class Listing:
    """The photos of a folder by their names, and what else is in it, by why it is left out."""

    photos: dict[str, Place] = field(default_factory=dict)
    left_out: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))


def _folder_night(source: Path, told: _Told) -> Night:
    return _listed_night(source, _list_folder(source), told)


def _listed_night(source: Place, listing: Listing, told: _Told) -> Night:
    notices = [
        Notice(code, sorted(names)[0], f"Left out as {_LEFT_OUT[code]}: {some_of(sorted(names))}.")
        for code, names in sorted(listing.left_out.items())
    ]
    if not listing.photos:
        seen = " ".join(notice.text for notice in notices) or "The folder is empty."
        videos = sorted(listing.left_out.get("left-out-video", ()))
        remedy = f"Give the video itself: {source / videos[0]}." if videos else "Give the folder that holds the photos."
        raise NoFrames(f"There are no photos ({_KINDS}) in {source}. {seen} {remedy}")
    return _photo_night(listing.photos, notices, told)


def _list_folder(source: Path) -> Listing:
    """Walk the folder; links to folders are not followed and none is entered twice, so that no circle can hold up the walk."""
    listing = Listing()
    waiting = [source]
    entered: set[tuple[int, int]] = set()
    while waiting:
        folder = waiting.pop()
        try:
            facts = folder.stat()
            if (facts.st_dev, facts.st_ino) in entered:  # a junction or a mount that leads back is no link by its looks
                listing.left_out["left-out-link"].append(_name(folder, source))
                continue
            entered.add((facts.st_dev, facts.st_ino))
            with os.scandir(folder) as found:
                entries = sorted(found, key=lambda entry: entry.name)
        except OSError as error:
            if folder == source:
                raise BadInput(
                    f"The folder {source} cannot be opened: {error.strerror}. Give yourself the right to read it."
                ) from None
            listing.left_out["left-out-closed"].append(_name(folder, source))
            continue
        for entry in entries:
            path = folder / entry.name
            verdict = _judge(entry)
            if verdict == "folder":
                waiting.append(path)
            elif verdict == "photo":
                listing.photos[_unique(_name(path, source), listing.photos)] = path
            else:
                listing.left_out[verdict].append(_name(path, source))
    return listing


def _list_url(source: Url) -> Listing:
    """List what lies at a URL; the same names are left out for the same reasons as in a folder."""
    listing = Listing()
    for name, url in sorted(source.files().items()):
        parts = name.split("/")
        hidden = next((at for at, part in enumerate(parts, start=1) if part.startswith(".")), 0)
        if hidden:
            first = "/".join(parts[:hidden])
            if first not in listing.left_out["left-out-hidden"]:
                listing.left_out["left-out-hidden"].append(first)
        elif url.suffix.lower() in PHOTO_SUFFIXES:
            listing.photos[name] = url
        else:
            listing.left_out["left-out-video" if url.suffix.lower() in VIDEO_SUFFIXES else "left-out-other"].append(name)
    return Listing(listing.photos, {code: names for code, names in listing.left_out.items() if names})


def _judge(entry: os.DirEntry[str]) -> str:
    """Give "folder", "photo", or why the entry is left out."""
    if entry.name.startswith("."):
        return "left-out-hidden"
    suffix = Path(entry.name).suffix.lower()
    try:
        if entry.is_dir(follow_symlinks=False):
            return "folder"
        mode = entry.stat().st_mode
    except OSError:  # a link that leads nowhere or in a circle
        return "left-out-link"
    if stat.S_ISDIR(mode):
        return "left-out-link"
    if not stat.S_ISREG(mode):  # opening a pipe would wait for ever
        return "left-out-special"
    if suffix in PHOTO_SUFFIXES:
        return "photo"
    return "left-out-video" if suffix in VIDEO_SUFFIXES else "left-out-other"


def _name(path: Path, source: Path) -> str:
    """Give the path inside the source with forward slashes; bytes that are no UTF-8 are spelled out for the tables."""
    return path.relative_to(source).as_posix().encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _unique(name: str, taken: dict[str, Place]) -> str:
    return name if name not in taken else _unique(name + "~", taken)


def _photo_night(photos: Mapping[str, Place], notices: list[Notice], told: _Told) -> Night:
    every_name = roll_order(tuple(photos))
    stamps = {stamp.name: stamp for stamp in _stamps(every_name, photos)}
    names, picked = pick_camera(every_name, {name: stamp.camera for name, stamp in stamps.items()}, told.camera)
    numbers = running_numbers(names)
    if told.start is not None and told.every_s is not None:
        clock = _counted_clock(names, numbers, told.start, told.every_s, told.offset)
    else:
        clock = choose_clock([stamps[name] for name in names], told.offset)
    times, mended = mend_clock(names, numbers, clock)
    frames = [
        Frame(name, photos[name], 0, time, slug if time else "none")
        for name, time, slug in zip(names, times, clock.sources, strict=True)
    ]
    notices = [*notices, *picked, *clock.notices, *mended]
    if clock.source == "none":
        text = "No photo says when it was taken, and no file name does. Give --start and --every to get times; without them "
        notices.append(Notice("no-times", "", text + "the frames are counted in the order of their names."))
    known = [
        Timed(frame.name, numbers[at] if numbers else None, frame.time)
        for at, frame in enumerate(frames)
        if frame.time is not None
    ]
    return Night(_in_order(frames), clock.source, (*_two_nights(known), *notices, *find_irregularities(known)))


def _two_nights(frames: Sequence[Timed]) -> tuple[Notice, ...]:
    """Ask whether the frames are of more than one night: many hours and many photos lie between two groups of them."""
    by_time = sorted(frames, key=lambda frame: frame.time)
    interval = usual_interval_s(frames, by_time)
    longest = max(_NIGHTS_APART_S, 20 * interval)
    pauses_s = [(later.time - earlier.time).total_seconds() for earlier, later in pairwise(by_time)]
    starts = [at for at, pause_s in enumerate(pauses_s, start=1) if interval > 0 and pause_s > longest]
    edges = [0, *starts, len(by_time)]
    groups = [by_time[low:high] for low, high in pairwise(edges) if high - low >= _FEWEST_OF_A_NIGHT]
    if len(groups) < 2:
        return ()
    listed = "; ".join(
        f"{group[0].name} to {group[-1].name}, from {group[0].time.isoformat(sep=' ', timespec='minutes')}"
        for group in groups[:3]
    )
    nights = "two nights" if len(groups) == 2 else f"{len(groups)} nights"
    text = (
        f"Are these {nights}? Long pauses part the photos into groups ({listed}{'; and more' if len(groups) > 3 else ''}). "
        "The pause counts as missing photos here; put each night into a folder of its own and read it by itself."
    )
    return (Notice("two-nights", groups[1][0].name, text),)


def _stamps(names: Sequence[str], photos: Mapping[str, Place]) -> list[Stamp]:
    paths = [photos[name] for name in names]
    if not any(isinstance(path, Url) for path in paths):
        return list(map(_stamp, names, paths))
    with ThreadPoolExecutor(_HEADS_AT_ONCE) as pool:
        return list(pool.map(_stamp, names, paths))


def _stamp(name: str, path: Place) -> Stamp:
    try:
        with path.open("rb") as stream:
            head = read_head(stream)
    except OSError:  # the frame stays, and is flagged when it is read
        return Stamp(name, False, None)
    return Stamp(name, head is not None, taken_at(head.tags) if head else None, camera_of(head.tags) if head else "")


def _counted_clock(
    names: Sequence[str], numbers: Sequence[int] | None, start: datetime, every_s: float, offset: timedelta | None
) -> Clock:
    if numbers is not None and (numbers[-1] - numbers[0] >= 2 * len(names) or any(map(time_from_name, names))):
        numbers = None  # these numbers do not count the photos
    times, notices = count_times(numbers, len(names), start, every_s, offset)
    return Clock("start-every", times, ("start-every",) * len(times), notices)


def _in_order(frames: Sequence[Frame]) -> tuple[Frame, ...]:
    """Order by time; a frame without one stays behind the frame that its name puts it behind."""
    first = next((frame.time for frame in frames if frame.time is not None), None)
    if first is None:
        return tuple(frames)
    keys: dict[str, tuple[datetime, int, int]] = {}
    behind = (first, -1)
    for at, frame in enumerate(frames):
        if frame.time is not None:
            behind = (frame.time, at)
        keys[frame.name] = (*behind, at)
    return tuple(sorted(frames, key=lambda frame: keys[frame.name]))


# --- video ---------------------------------------------------------------------------------------------------------------


def _video_night(source: Path, offset: timedelta | None, start: datetime | None, every_s: float | None) -> Night:
    try:
        with source.open("rb") as stream:
            created = movie_created(stream) if source.suffix.lower() in (".mp4", ".mov", ".m4v") else None
    except OSError as error:
        raise BadInput(f"{source} cannot be opened: {error.strerror}. Give yourself the right to read it.") from None
    stamps, promised = timestamps_s(source)
    if not stamps:
        raise NoFrames(
            f"{source} holds no picture that can be decoded: damaged, empty, or no video. Give the folder of photos instead."
        )
    name = _name(source, source.parent)
    short = _cut_short(name, len(stamps), promised)
    if start is not None and every_s is not None:
        times, notices = count_times(None, len(stamps), start, every_s, offset)
        return _video_frames(source, name, times, "start-every", [*notices, *short])
    begin, notice = _video_begin(name, offset, start, created)
    if begin is None:
        return _video_frames(source, name, [None] * len(stamps), "none", [notice, *short])
    try:
        pictures = [begin + timedelta(seconds=stamp - stamps[0]) for stamp in stamps]
    except OverflowError:
        raise BadInput(f"--start {start} with the length of {source} leads beyond the calendar. Give another start.") from None
    return _video_frames(source, name, pictures, "video", [notice, *short])


def _cut_short(name: str, decoded: int, promised: int) -> list[Notice]:
    """The count in the header is an estimate in some containers; only a clear shortfall says that the file is cut off."""
    if promised - decoded <= max(1, promised // 50):
        return []
    text = f"The video should hold {promised} pictures, but only {decoded} can be decoded: it is cut off or damaged."
    return [Notice("video-short", name, text)]


def _video_begin(
    name: str, offset: timedelta | None, start: datetime | None, created: datetime | None
) -> tuple[datetime | None, Notice]:
    """Give when the recording began: by the user, by the file's name, by the container; and a notice that says by which."""
    warning = "If the clip is a time-lapse, its timestamps are those of playing it: give --start and --every then."
    if start is not None:
        begin = with_offset(start, offset) if start.tzinfo is None else start
        return begin, Notice("video-begin", name, f"The recording's begin is the given --start. {warning}")
    named = time_from_name(name)
    if named is not None:
        text = f"The recording's begin was read from its name ({named[0].isoformat(sep=' ')}). {warning}"
        return with_offset(named[0], named[1] if named[1] is not None else offset), Notice("video-begin", name, text)
    if created is not None:
        text = (
            f"The recording's begin is the creation time that the file states ({created:%Y-%m-%d %H:%M:%S} UTC); some cameras "
            f"write local time or the end there. Give --start if it is wrong. {warning}"
        )
        return created, Notice("video-begin", name, text)
    text = "The video does not say when it was recorded. Give --start (and --every for a time-lapse); without them the "
    return None, Notice("no-times", name, text + "pictures are counted.")


def _video_frames(source: Path, name: str, times: Sequence[datetime | None], slug: str, notices: Sequence[Notice]) -> Night:
    frames = tuple(Frame(f"{name}#{index:06d}", source, index, time, slug) for index, time in enumerate(times))
    known = [Timed(frame.name, frame.index, frame.time) for frame in frames if frame.time is not None]
    return Night(frames, slug, (*notices, *find_irregularities(known)))
