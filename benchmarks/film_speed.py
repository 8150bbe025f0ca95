"""Takes a photo of the demo night; gives how long a film of such photos at 12 megapixels takes, in plain decodes of the same.

    python benchmarks/film_speed.py [--photos N] [--height 1080] [--out benchmarks/RESULTS.md]

Every photo is opened, decoded, put back to the reference, painted and encoded, one film frame each. The measure is decoding the
same photos from memory straight to the size that the film needs, nothing else. Times are the process's own over all its threads,
so that a busy machine counts for little: two cores that do nothing else make twice as many frames a second as one second of it.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
import pandas as pd
import simplejpeg
from borrowed import ROOT
from report import write_section

from frametally.filming import DECODERS, PhotoDesk, ahead
from frametally.frames.reduced import reduction
from frametally.model import Calibration, Frame, FrameRecord, Night, Shift
from frametally.settings import load_calibration
from frametally.show.film import open_film
from frametally.show.film_frames import FilmNight, Painter

SIZE = (4000, 3000)
PROMISED = 25.0
"""Film frames a second at 1080p on two cores, or as fast as decoding allows."""

STAGES = ("plain decoding", "photo in its place", "painting", "encoding")


@dataclass(frozen=True)
class Made:
    """A night of large photos, ready to be filmed."""

    desk: PhotoDesk
    painter: Painter
    files: list[Path]


def draw(folder: Path, photos: int, height: int) -> Made:
    """Leave photos of 12 megapixels with a camera's grain, and give what films them."""
    calibration = enlarged(load_calibration(ROOT / "calibration" / "canal_boat.toml"))
    scene = cv2.imread(str(ROOT / "sample_frames" / calibration.reference_frame))
    if scene is None:
        sys.exit("the demo night's photos are not here")
    large = cv2.resize(scene, SIZE, interpolation=cv2.INTER_CUBIC).astype(np.int16)
    rng = np.random.default_rng(1)
    grain = cv2.GaussianBlur(rng.normal(0, 14, (SIZE[1] + 64, SIZE[0], 1)).astype(np.float32), (0, 0), 0.8).astype(np.int16)
    files, frames, records = [], [], []
    for number in range(photos):
        noise = grain[number % 64 : number % 64 + SIZE[1]].reshape(SIZE[1], SIZE[0], 1)
        path = folder / f"large_{number:03d}.jpg"
        cv2.imwrite(str(path), np.clip(large + noise, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])
        files.append(path)
        frames.append(Frame(path.name, path, 0, None, "none"))
        data, shift = path.read_bytes(), Shift(3.0 * np.sin(number), 2.0, 0.1, 1.0, 0.9)
        records.append(FrameRecord(path.name, None, len(data), hashlib.sha256(data).hexdigest(), "", shift, {}, {}))
    displays = calibration.displays
    minutes = np.arange(photos, dtype=float)
    table = pd.DataFrame({"time": [None] * photos, "elapsed_min": minutes, "frame": [path.name for path in files]})
    for number, display in enumerate(displays):
        table[display.key] = np.round(20 + 15 * np.sin(minutes / 9 + number), 1)
        table[f"{display.key}_flag"] = rng.choice(["ok", "doubtful", "hidden"], photos, p=[0.9, 0.07, 0.03])
        table.loc[table[f"{display.key}_flag"] == "hidden", display.key] = np.nan
    painter = Painter(FilmNight("Speed", table, displays, SIZE, {"co_ppm": [("a limit", 30.0)]}), height)
    layout = painter.layout
    return Made(PhotoDesk(Night(tuple(frames), "none"), records, calibration, layout.view, layout.photo), painter, files)


def enlarged(calibration: Calibration) -> Calibration:
    """Give a calibration for the large photos."""
    share = SIZE[0] / calibration.frame_size[0]
    instruments = tuple(
        one.model_copy(
            update={
                "display": tuple(
                    d.model_copy(update={"corners": tuple((share * x, share * y) for x, y in d.corners)}) for d in one.display
                )
            }
        )
        for one in calibration.instrument
    )
    return calibration.model_copy(update={"frame_size": SIZE, "instrument": instruments})


def measure(made: Made, folder: Path) -> tuple[dict[str, float], float, float]:
    """Give the least time of each stage, and per film frame of the whole: own time and the clock's. [s]"""
    painter, layout = made.painter, made.painter.layout
    spent: dict[str, list[float]] = {stage: [] for stage in STAGES}

    def clocked(stage: str, start: float) -> float:
        now = time.process_time()
        spent[stage].append(now - start)
        return now

    least = [side // reduction(layout.view.scale) for side in SIZE]
    size = (layout.width, layout.height)
    with open_film(folder / "stages.mp4", size, 25, "", transparent=False) as film:
        for row, path in enumerate(made.files[:12]):
            data = path.read_bytes()
            now = time.process_time()
            simplejpeg.decode_jpeg(data, "BGR", min_width=least[0], min_height=least[1])
            now = clocked(STAGES[0], now)
            photo, _ = made.desk.look(path.name)
            now = clocked(STAGES[1], now)
            picture = painter.paint(row, photo)
            now = clocked(STAGES[2], now)
            film.add(picture, 1)
            clocked(STAGES[3], now)
    own, wall = time.process_time(), time.perf_counter()
    with open_film(folder / "whole.mp4", size, 25, "", transparent=False) as film:
        for row, (photo, _) in enumerate(ahead(made.desk.look, [path.name for path in made.files])):
            film.add(painter.paint(row, photo), 1)
    count = len(made.files)
    return (
        {stage: float(np.median(times)) for stage, times in spent.items()},
        (time.process_time() - own) / count,
        (time.perf_counter() - wall) / count,
    )


def main() -> None:
    """Measure, then print or write."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=48, help="how many photos")
    parser.add_argument("--height", type=int, default=1080, help="the film's height [px]")
    parser.add_argument("--out", type=Path, help="a Markdown file to write the section into")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    with TemporaryDirectory(prefix="frametally-benchmark-") as name:
        folder = Path(name)
        made = draw(folder, asked.photos, asked.height)
        megabytes = np.mean([path.stat().st_size for path in made.files]) / 1e6
        stages, own, wall = measure(made, folder)
    bare = stages[STAGES[0]]
    for stage, seconds in stages.items():
        print(f"{stage}: {1000 * seconds:.1f} ms", file=sys.stderr)
    print(f"whole: {1000 * own:.1f} ms of its own, {1000 * wall:.1f} ms by the clock; {2 / own:.1f} a second", file=sys.stderr)
    lines = [
        f"{asked.photos} photos of {SIZE[0]} x {SIZE[1]} px, {megabytes:.1f} MB each, to a film {asked.height} px high;"
        f" {DECODERS} threads decode.",
        "",
        "| stage | in plain decodes to the size needed |",
        "| --- | --- |",
        *(f"| {stage} | {seconds / bare:.2f} |" for stage, seconds in stages.items() if stage != STAGES[0]),
        f"| a film frame as a whole, all threads | {own / bare:.2f} |",
        "",
        f"Two cores that do nothing else make {2 / own:.0f} frames a second on the machine of this run (promised: {PROMISED:g},"
        f" or as fast as decoding allows, which alone would give {2 / bare:.0f}).",
    ]
    write_section(asked.out, "Speed of the film", "\n".join(lines))


if __name__ == "__main__":
    main()
