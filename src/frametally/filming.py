"""Takes a results folder and its photos and leaves a film: the steady time-lapse with every reading beside its display."""

from __future__ import annotations

import logging
import math
from collections import deque
from collections.abc import Callable, Generator, Iterable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from frametally.assess import level_for, limits_for
from frametally.clean import Tables, make_tables
from frametally.errors import BadInput
from frametally.eyes import Settings
from frametally.film_photos import PhotoDesk, Seen
from frametally.model import Calibration, Display, FrameRecord, Method, Night, key_kind
from frametally.reading import one_thread_each
from frametally.results import Results
from frametally.settings import load_calibration, load_method, load_trial
from frametally.show.film import is_pictures, load_av, open_film
from frametally.show.film_frames import FilmNight, Painter
from frametally.show.tables import format_text
from frametally.show.wording import count_text

log = logging.getLogger("frametally")

Progress = Callable[[int, int], None]
DECODERS = 2
"""Photos decoded at the same time, ahead of the one that is painted."""

SPEED = 10.0
"""Photos a second, where nothing else is asked for: changes can be followed, and a night takes a minute or two."""

HEIGHTS = (720, 2160)


@dataclass(frozen=True)
class Wanted:
    """How a film should be: height [px], film frames per second, and photos of the night per second or seconds in all."""

    height: int = 1080
    fps: int = 25
    speed: float | None = None
    seconds: float | None = None
    transparent: bool = False


def film(
    results: Path,
    output: Path,
    wanted: Wanted | None = None,
    *,
    frames: Path | None = None,
    force: bool = False,
    progress: Progress | None = None,
) -> Path:
    """Make the film of a night and give its path.

    Parameters
    ----------
    results : results folder of a finished run; nothing in it is changed
    output : file ending in .mp4; for a transparent film one ending in .mov, or a folder of PNG files
    frames : where the photos lie now, if not where the run found them
    force : replace a film that is there

    Raises
    ------
    BadInput
        No finished run, no photos, a film too short for the night's photos, or a place that cannot be written.
    ProgramMissing
        PyAV, or an encoder in it, is not installed.
    """
    wanted = wanted or Wanted()
    _check_wanted(wanted)
    folder = Results(results, frames)
    _check_output(output, wanted.transparent)
    night, _ = folder.night()
    _check_place(folder, night, output, force)
    settings = _settings(folder)
    records = folder.records(night, settings.calibration, settings.method)
    corrections, _ = folder.hand_corrections(night, settings.calibration.displays)
    tables = make_tables(records, settings.calibration.displays, settings.method, corrections)
    _check_photos(night, frames, wanted.transparent)
    film_frames = count_frames(len(tables.readings), wanted)
    if output.suffix:
        load_av()
    _write(output, wanted, night, settings, records, tables, film_frames, progress)
    return output


def count_frames(rows: int, wanted: Wanted) -> int:
    """Give how many frames a film of so many rows has; raises `BadInput` where some rows would never be seen."""
    if not rows:
        raise BadInput("this night has no photos, so that there is nothing to film")
    fps = Fraction(wanted.fps)
    speed = Fraction(str(SPEED if wanted.speed is None else wanted.speed))
    count = round(fps * Fraction(str(wanted.seconds))) if wanted.seconds is not None else math.ceil(rows * fps / speed)
    if count < rows or (wanted.seconds is None and speed > fps):
        raise BadInput(
            f"the night has {rows} photos and gaps, and the film would have {count} frames, so that some readings would never be"
            f" seen; give at least --seconds {math.ceil(10 * rows / fps) / 10:g} (or --speed {wanted.fps}), or a higher --fps"
        )
    return count


def row_of(frame: int, rows: int, film_frames: int) -> int:
    """Give the row that a film's frame (from 0) shows: all equally long, as far as whole frames go."""
    return frame * rows // film_frames


def _write(
    output: Path,
    wanted: Wanted,
    night: Night,
    settings: Settings,
    records: list[FrameRecord],
    tables: Tables,
    film_frames: int,
    progress: Progress | None,
) -> None:
    title = (settings.trial.title if settings.trial is not None else "") or settings.calibration.title
    painter = Painter(_film_night(title, settings.calibration, tables), wanted.height, transparent=wanted.transparent)
    rows, size = painter.rows, (painter.layout.width, painter.layout.height)
    photos = PhotoDesk(
        night, records, settings.calibration, painter.layout.view, painter.layout.photo, settings.method.lost_below
    )
    names = [format_text(name) for name in tables.readings["frame"].tolist()]
    done = 0
    try:
        with (
            one_thread_each(),
            open_film(output, size, wanted.fps, title, transparent=wanted.transparent) as file,
            closing(ahead(photos.look, names)) as seen,
        ):
            for row, (pixels, reason, outlines) in enumerate(seen):
                until = -(-(row + 1) * film_frames // rows)  # the first film frame that shows the next row, see `row_of`
                file.add(painter.paint(row, pixels, "" if wanted.transparent else reason, outlines), until - done)
                done = until
                if progress is not None:
                    progress(done, film_frames)
    except KeyboardInterrupt:
        raise KeyboardInterrupt("no film was left, as it was not finished") from None
    if wanted.transparent:
        view, (left, top, right, bottom) = painter.layout.view, painter.layout.photo
        place = f"{right - left} x {bottom - top} px, from {left}, {top}"
        photo = f"{100 * view.scale:.2f} % of its size, its top left corner at {view.left:.0f}, {view.top:.0f}"
        log.warning("Note: the clear place for photos is %s. There a photo stands at %s.", place, photo)
    _tell(photos, wanted.transparent)


def _tell(photos: PhotoDesk, transparent: bool) -> None:
    """Say which photos the film is without, and where displays could not be followed."""
    why = photos.problem
    if photos.missing:
        first, problem = next(iter(sorted(photos.missing.items())))
        count = count_text(len(photos.missing), "photo")
        if transparent:
            why = why or f"{count} could not be looked at; the first, {first}: {problem}"
        else:
            log.warning("Note: the film has no picture of %s and says so in its place; the first, %s: %s", count, first, problem)
    if why:
        log.warning("Note: where an instrument was moved, its frame and label stay where it was marked: %s", why)


def ahead(look: Callable[[str], Seen], names: Iterable[str]) -> Generator[Seen, None, None]:
    """Give the photos in their order, decoded by other threads a few ahead of the one that is painted."""
    with ThreadPoolExecutor(DECODERS) as pool:
        waiting: deque[Future[Seen]] = deque()
        try:
            for name in names:
                waiting.append(pool.submit(look, name))
                if len(waiting) > 2 * DECODERS:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


def _film_night(title: str, calibration: Calibration, tables: Tables) -> FilmNight:
    displays = calibration.displays
    rows = {format_text(name): row for row, name in enumerate(tables.readings["frame"].tolist()) if format_text(name)}
    audit = tables.audit[tables.audit["flag"] == "status"]
    words: Mapping[tuple[int, str], str] = {
        (rows[frame], key): format_text(text)
        for frame, key, text in zip(audit["frame"].tolist(), audit["display"].tolist(), audit["raw_text"].tolist(), strict=True)
        if frame in rows
    }
    limits = {display.key: _limits(display) for display in displays}
    return FilmNight(title, tables.readings, displays, calibration.frame_size, limits, words)


def _limits(display: Display) -> list[tuple[str, float]]:
    """Give the limits for a display's chart: issuer, averaging time or name, and the level in the display's unit."""
    found = []
    for limit in limits_for(key_kind(display.key)):
        if limit.in_chart:
            kind = f"{limit.averaging_min / 60:g} h" if limit.averaging_min else limit.name.split(" (")[0]
            found.append((f"{limit.issuer} {kind}", float(f"{level_for(limit, display.unit):.3g}")))
    return found


def _settings(folder: Results) -> Settings:
    return Settings(
        load_calibration(folder.calibration),
        load_trial(folder.trial) if folder.trial is not None else None,
        load_method(folder.method) if folder.method is not None else Method(),
    )


# --- checks ------------------------------------------------------------------------------------------------------------


def _check_wanted(wanted: Wanted) -> None:
    if wanted.height % 2:
        raise BadInput(
            f"a height of {wanted.height} px is odd, and H.264 films have even sizes;"
            f" give --height {wanted.height - 1} or {wanted.height + 1}"
        )
    if not HEIGHTS[0] <= wanted.height <= HEIGHTS[1]:
        raise BadInput(
            f"a height of {wanted.height} px is outside {HEIGHTS[0]} to {HEIGHTS[1]}; give --height 1080 for most screens"
        )
    if wanted.speed is not None and wanted.seconds is not None:
        raise BadInput("--speed and --seconds both say how long the film is; give one of them")


def _check_output(output: Path, transparent: bool) -> None:
    ending = output.suffix.lower()
    if transparent and ending not in ("", ".mov"):
        raise BadInput(
            f"{output}: a film that ends in {ending} has no transparent ground; name a file ending in .mov (ProRes 4444),"
            " or a folder for PNG files"
        )
    if not transparent and ending != ".mp4":
        raise BadInput(
            f"{output} does not end in .mp4; name the film so, or give --transparent for an overlay (.mov, or a folder)"
        )
    if ending and output.is_dir():
        raise BadInput(f"{output} is a folder; name a file for the film with -o, such as {output / 'night'}{ending}")


def _check_place(folder: Results, night: Night, output: Path, force: bool) -> None:
    """Refuse to write among the photos, over the run's own files, and over anything without being told."""
    here = output.resolve()
    photos = {frame.path.resolve().parent for frame in night.frames if isinstance(frame.path, Path)}
    if here.parent in photos or here in photos:
        raise BadInput(
            f"{output} lies among the photos of the night and would be taken for one of them; give another place with -o"
        )
    if here == folder.path.resolve():
        raise BadInput(f"{output} is the results folder itself; give another name with -o")
    if output.is_dir() and not is_pictures(output):
        raise BadInput(f"{output} holds other files than pictures of a film, which would be lost; give another folder with -o")
    is_there = any(output.iterdir()) if output.is_dir() else output.exists()
    if is_there and not output.suffix and not output.is_dir():
        raise BadInput(f"{output} is a file; give a folder for the pictures, or a file ending in .mov")
    if is_there and not force:
        raise BadInput(f"{output} exists already; give --force to write over it, or another name with -o")


def _check_photos(night: Night, frames: Path | None, transparent: bool) -> None:
    if transparent or any(frame.path.exists() for frame in night.frames):
        return
    folder = frames or (night.frames[0].path.parent if night.frames else Path())
    raise BadInput(
        f"not one of the night's {len(night.frames)} photos is in {folder};"
        " say where they lie now with --frames FOLDER, or give --transparent for an overlay without photos"
    )
