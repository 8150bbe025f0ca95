"""Takes photos of the demo night; gives how fast a film is made of such photos at 12 megapixels, against bare decoding of them.

    python benchmarks/film.py [--photos N] [--height 1080] [--rounds N] [--out benchmarks/RESULTS.md]

Every photo is opened, decoded, put back to the reference, looked at for instruments that were moved, painted and encoded. The
measure is decoding the same photos, whole and from memory, straight to the size that the film needs, on two threads and nothing
else: as fast as decoding allows. Both are timed in turn, by the clock on the wall and by the own time of all threads, which a
busy machine spoils less; the quickest of some rounds counts.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
import pandas as pd
import simplejpeg
from borrowed import ROOT
from measures.counting import table
from measures.large import SIZE, draw_large
from report import write_section

from frametally.film_photos import PhotoDesk
from frametally.filming import ahead, row_of
from frametally.frames.reduced import reduction
from frametally.model import Frame, Method, Night
from frametally.show import film as film_file
from frametally.show.film import H264, open_film
from frametally.show.film_frames import FilmNight, Painter

THREADS = 2
FILES = 8
"""So many different photos, again and again."""

FPS = 25
ASKED = 25.0
"""Film frames a second at 1080p on two cores, or as fast as decoding allows."""

SPEEDS = {"a new photo in every film frame": 25, "ten photos a second of film, as without --speed": 10}
BARE = "bare decoding"
PRESETS = ("ultrafast", "superfast", "veryfast")


@dataclass(frozen=True)
class Made:
    """A night of large photos, ready to be filmed: `names` of its rows, `files` with the photos' bytes, `least` width and height
    to which they are decoded [px]."""

    desk: PhotoDesk
    night: FilmNight
    names: list[str]
    files: list[bytes]
    least: tuple[int, int]
    height: int

    def decode(self, row: int) -> None:
        """Decode a photo to the size that the film needs, and nothing else."""
        simplejpeg.decode_jpeg(self.files[row % FILES], "BGR", min_width=self.least[0], min_height=self.least[1])


def draw(folder: Path, photos: int, height: int) -> Made:
    """Leave photos of 12 megapixels in a folder, read them, and give what films them."""
    large = draw_large(folder, ROOT / "sample_frames", ROOT / "calibration" / "canal_boat.toml", 0.5, FILES)
    known = [large.eyes.look(frame) for frame in large.frames]
    frames, records = [], []
    for row in range(photos):
        frame, record = large.frames[row % FILES], known[row % FILES]
        name = f"{row:04d}.jpg" if row else frame.name  # the first is the reference
        frames.append(Frame(name, frame.path, 0, None, "none"))
        records.append(replace(record, frame=name))
    calibration, rng = large.eyes.calibration, np.random.default_rng(1)
    minutes = np.arange(photos, dtype=float)
    readings = pd.DataFrame({"time": [None] * photos, "elapsed_min": minutes, "frame": [frame.name for frame in frames]})
    for number, display in enumerate(calibration.displays):
        readings[display.key] = np.round(20 + 15 * np.sin(minutes / 9 + number), 1)
        flags = rng.choice(["ok", "doubtful", "hidden"], photos, p=[0.9, 0.07, 0.03])
        readings[f"{display.key}_flag"] = flags
        readings.loc[flags == "hidden", display.key] = np.nan
    night = FilmNight("Speed", readings, calibration.displays, SIZE, {calibration.displays[0].key: [("a limit", 30.0)]})
    layout = Painter(night, height).layout
    desk = PhotoDesk(Night(tuple(frames), "none"), records, calibration, layout.view, layout.photo, Method().lost_below)
    least = (SIZE[0] // reduction(layout.view.scale), SIZE[1] // reduction(layout.view.scale))
    return Made(desk, night, readings["frame"].tolist(), [frame.path.read_bytes() for frame in large.frames], least, height)


def make_film(made: Made, path: Path, speed: int) -> int:
    """Make the film at a speed [photos a second]; give how many frames it has."""
    painter, rows = Painter(made.night, made.height), len(made.names)
    count = rows * FPS // speed
    shown = [row_of(frame, rows, count) for frame in range(count)]
    size = (painter.layout.width, painter.layout.height)
    with open_film(path, size, FPS, "", transparent=False) as film, closing(ahead(made.desk.look, made.names)) as seen:
        for row, (pixels, reason, outlines) in enumerate(seen):
            film.add(painter.paint(row, pixels, reason, outlines), shown.count(row))
    return count


@dataclass
class Pace:
    """The least that one way of working took for all photos: by the clock on the wall, and of all threads' own time. [s]"""

    wall: float = float("inf")
    own: float = float("inf")

    def clock(self, work: Callable[[], object]) -> None:
        """Do it once more."""
        wall, own = time.perf_counter(), time.process_time()
        work()
        self.wall = min(self.wall, time.perf_counter() - wall)
        self.own = min(self.own, time.process_time() - own)


def measure_paces(made: Made, folder: Path, rounds: int) -> dict[str, Pace]:
    """Give the pace of bare decoding on two threads, and of the film at each speed, in turn."""
    paces = {name: Pace() for name in (BARE, *SPEEDS)}

    def decode_all() -> None:
        with ThreadPoolExecutor(THREADS) as pool:
            list(pool.map(made.decode, range(len(made.names))))

    for _ in range(rounds):
        paces[BARE].clock(decode_all)
        for name, speed in SPEEDS.items():
            paces[name].clock(lambda speed=speed: make_film(made, folder / "night.mp4", speed))  # type: ignore[misc]
    return paces


def measure_stages(made: Made, folder: Path) -> tuple[dict[str, float], dict[str, float]]:
    """Give the middle of the own times of every stage of a photo [s], and the kilobytes of a film frame by preset."""
    spent: dict[str, list[float]] = {}
    painted = []
    painter = Painter(made.night, made.height)

    def clock(stage: str, work: Callable[[], object]) -> object:
        start = time.process_time()  # other threads are at rest, but for such as the work has of its own
        result = work()
        spent.setdefault(stage, []).append(time.process_time() - start)
        return result

    for row in range(min(24, len(made.names))):
        clock(BARE, lambda row=row: made.decode(row))  # type: ignore[misc]
        seen = clock("photo in its place", lambda row=row: made.desk.look(made.names[row]))  # type: ignore[misc]
        picture = clock("painting", lambda row=row, seen=seen: painter.paint(row, *seen))  # type: ignore[misc]
        painted.append(picture.copy())  # type: ignore[attr-defined]
    sizes, size = {}, (painter.layout.width, painter.layout.height)
    for preset in PRESETS:
        film_file.H264 = {**H264, "preset": preset}
        path = folder / f"{preset}.mp4"
        with open_film(path, size, FPS, "", transparent=False) as film:
            for picture in painted:
                clock(f"encoding, preset {preset}", lambda film=film, picture=picture: film.add(picture, 1))  # type: ignore[misc]
        sizes[preset] = path.stat().st_size / 1000 / len(painted)
    film_file.H264 = H264
    return {stage: float(np.median(times)) for stage, times in spent.items()}, sizes


def text(made: Made, folder: Path, rounds: int) -> str:
    """Give the section's text."""
    paces, count = measure_paces(made, folder, rounds), len(made.names)
    stages, sizes = measure_stages(made, folder)
    megabytes = np.mean([len(data) for data in made.files]) / 1e6
    bare = paces[BARE]
    lines = [[f"{BARE} on two threads", f"{count / bare.wall:.1f}", "", "1.00", "1.00"]]
    for name, speed in SPEEDS.items():
        wall, own = paces[name].wall, paces[name].own
        rates = [f"{count / wall:.1f}", f"{count / wall * FPS / speed:.1f}"]
        lines.append([name, *rates, f"{bare.wall / wall:.2f}", f"{own / bare.own:.2f}"])
    costs = []
    for stage, seconds in stages.items():
        size = next((f"{sizes[preset]:.0f}" for preset in PRESETS if stage.endswith(preset)), "")
        costs.append([stage, f"{seconds / stages[BARE]:.2f}", size])
    alone = [f"{THREADS * count / paces[name].own:.0f}" for name in (*SPEEDS, BARE)]
    return "\n\n".join(
        [
            f"{count} photos of {SIZE[0]} x {SIZE[1]} px, {megabytes:.1f} MB each, to a film {made.height} px high; {THREADS}"
            f" threads decode, the quickest of {rounds} rounds.",
            table(
                ["", "photos a second", "film frames a second", "photos, to bare decoding", "own time, to bare decoding"], lines
            ),
            f"Asked are {ASKED:g} film frames a second on two cores, or as fast as decoding allows. By the own time of all"
            f" threads two cores that do nothing else make {alone[0]} photos a second with a new one in every film frame,"
            f" {alone[1]} at ten a second of film ({FPS / 10:g} film frames each), and decode {alone[2]}.",
            table(["own time of a photo", "in bare decodings", "kB a film frame"], costs),
        ]
    )


def main(arguments: list[str] | None = None) -> None:
    """Measure, then print or write."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=48, help="how many photos")
    parser.add_argument("--height", type=int, default=1080, help="the film's height [px]")
    parser.add_argument("--rounds", type=int, default=5, help="how often all is timed by the clock on the wall")
    parser.add_argument("--out", type=Path, help="a Markdown file to write the section into")
    asked = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    with TemporaryDirectory(prefix="frametally-benchmark-") as name:
        made = draw(Path(name), asked.photos, asked.height)
        section = text(made, Path(name), asked.rounds)
    write_section(asked.out, "Speed of the film", section)


if __name__ == "__main__":
    main()
