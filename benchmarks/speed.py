"""Takes the demo night (or any night with its calibration); gives how long each stage of reading a photo takes, as ratios.

    python benchmarks/speed.py [--frames FOLDER -c CALIBRATION] [--photos N] [--memory N,M] [--out benchmarks/RESULTS.md]

Everything is measured in one run, stage after stage on the same photo, so that a busy machine slows all of it alike. The
measure is OpenCV's bare decoding of the same file from memory. Then the same for photos of 12 megapixels, against bare decoding
in grey, with the memory that nights of N and M such photos take.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import cv2
import numpy as np
from borrowed import ROOT
from measures.counting import table
from measures.large import CENTRES, draw_large, help_time, measure_jobs, measure_stages, peak_memory
from measures.large import STAGES as LARGE_STAGES
from report import write_section

from frametally.errors import BadFrame
from frametally.frames import load, open_night
from frametally.model import Frame
from frametally.reading import Eyes, Settings
from frametally.run import Options, load_settings, run

LARGE_PHOTOS = 150
"""A short night: one job reads it in half a minute or so."""

STAGES = ("bare decoding", "open and decode", "register", "read all displays")

_Out = TypeVar("_Out")


def clock(work: Callable[[], _Out], spent: list[float]) -> _Out:
    """Do something and note how long it took. [s]"""
    start = time.perf_counter()
    result = work()
    spent.append(time.perf_counter() - start)
    return result


def time_stages(frames: list[Frame], eyes: Eyes) -> dict[str, list[float]]:
    """Give every stage's time for every photo that can be decoded. [s]"""
    spent: dict[str, list[float]] = {stage: [] for stage in STAGES}
    for frame in frames:
        data = np.fromfile(frame.path, np.uint8)
        try:
            picture = load(frame)
        except BadFrame:
            continue
        clock(lambda data=data: cv2.imdecode(data, cv2.IMREAD_COLOR), spent[STAGES[0]])  # type: ignore[misc]
        clock(lambda frame=frame: load(frame), spent[STAGES[1]])  # type: ignore[misc]
        placement = clock(lambda picture=picture: eyes.registrar.locate(picture.pixels), spent[STAGES[2]])  # type: ignore[misc]
        clock(lambda p=picture, at=placement: eyes.reader.read(p.pixels, at), spent[STAGES[3]])  # type: ignore[misc]
    return spent


def time_run(frames: Path, calibration: Path, jobs: int) -> float:
    """Give how long `frametally read` takes over the whole night. [s]"""
    with TemporaryDirectory(prefix="frametally-benchmark-") as folder:
        spent: list[float] = []
        options = Options(jobs=jobs, readings_only=True)
        clock(lambda: run(frames, calibration, Path(folder) / "results", options=options), spent)
    return spent[0]


def measure(frames: Path, calibration: Path, most: int) -> str:
    """Give the section's text."""
    settings: Settings = load_settings(calibration, None, None)
    night = open_night(frames)
    eyes = Eyes.open(night, settings)
    spent = time_stages(list(night.frames[:: max(1, len(night.frames) // most)]), eyes)
    bare = float(np.median(spent[STAGES[0]]))
    lines = ["| stage, one thread | median, in bare decodings | slowest tenth begins at |", "| --- | --- | --- |"]
    for stage in STAGES:
        middle, slow = np.quantile(spent[stage], [0.5, 0.9])
        print(f"{stage}: {1000 * middle:.1f} ms, slowest tenth {1000 * slow:.1f} ms", file=sys.stderr)
        lines.append(f"| {stage} | {middle / bare:.1f} | {slow / bare:.1f} |")
    whole = {jobs: time_run(frames, calibration, jobs) for jobs in (1, 2)}
    count = len(night.frames)
    lines += ["", "| the whole night, photos to table | a photo, in bare decodings | against one job |", "| --- | --- | --- |"]
    for jobs, seconds in whole.items():
        print(f"{jobs} jobs: {seconds:.1f} s, {1000 * seconds / count:.0f} ms a photo", file=sys.stderr)
        lines.append(
            f"| {jobs} {'job' if jobs == 1 else 'jobs'} | {seconds / count / bare:.1f} | {whole[1] / seconds:.2f} times as fast |"
        )
    displays = len(settings.calibration.displays)
    width, height = settings.calibration.frame_size
    about = f"{count} photos of {width} x {height} px with {displays} displays; {len(spent[STAGES[0]])} of them for the stages."
    return about + "\n\n" + "\n".join(lines)


def measure_large(frames: Path, calibration: Path, photos: int, memory: tuple[int, ...]) -> str:
    """Give the section's text on photos of 12 megapixels."""
    shares: list[list[str]] = [[stage] for stage in LARGE_STAGES]
    with TemporaryDirectory(prefix="frametally-benchmark-") as name:
        folder = Path(name)
        for place, centre in CENTRES.items():
            (folder / place).mkdir()
            large = draw_large(folder / place, frames, calibration, centre, photos)
            spent = measure_stages(large, rounds=4)
            bare = float(np.median(spent[LARGE_STAGES[0]]))
            for row, stage in zip(shares, LARGE_STAGES, strict=True):
                row.append(f"{float(np.median(spent[stage])) / bare:.2f}")
            print(f"{place}: bare decoding in grey {1000 * bare:.1f} ms", file=sys.stderr)
        walls = measure_jobs(large, photos=LARGE_PHOTOS, rounds=3)
        peaks = {count: peak_memory(large, folder, count) for count in memory}
        shared = peak_memory(large, folder, min(memory), jobs=2) if memory else []
    lines = [table(("stage, in bare decodings in grey", *(f"displays in the {place}" for place in CENTRES)), shares), ""]
    speed = f"{walls[1] / walls[2]:.2f} times as fast as one, by the clock on the wall"
    lines.append(f"{LARGE_PHOTOS} photos: two jobs are {speed}, the start of their processes included.")
    lines += [f"Peak memory of `frametally read` for {count} of these photos: {peak:.0f} MB." for count, (peak,) in peaks.items()]
    if shared:
        each = f"each of its processes up to {max(shared[1:]):.0f} MB"
        lines.append(f"With `--jobs 2`, {min(memory)} photos: {shared[0]:.0f} MB, and {each}.")
    lines.append(f"`frametally --help`: {1000 * help_time(9):.0f} ms of the processor's time.")
    return "\n".join(lines)


def main() -> None:
    """Measure, then print or write."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=Path, default=ROOT / "sample_frames")
    parser.add_argument("-c", "--calibration", type=Path, default=ROOT / "calibration" / "canal_boat.toml")
    parser.add_argument("--photos", type=int, default=60, help="photos for the stages")
    parser.add_argument("--memory", default="200,2000", help="numbers of 12-megapixel photos whose peak memory is measured")
    parser.add_argument("--out", type=Path, help="a Markdown file to write the section into")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    memory = tuple(int(count) for count in asked.memory.split(",") if count)
    write_section(asked.out, "Speed", measure(asked.frames, asked.calibration, asked.photos))
    large = measure_large(ROOT / "sample_frames", ROOT / "calibration" / "canal_boat.toml", 5, memory)
    write_section(asked.out, "Speed with 12 megapixels", large)


if __name__ == "__main__":
    main()
