"""Takes the demo night; gives photos of 12 megapixels made of it and what reading them costs, against bare decoding in grey.

Every photo is one of the demo's, enlarged, with a sensor's noise, saved as baseline JPEG of 3.5 to 4 MB. Three displays are read:
those of one instrument, once in the middle of the photo and once in its upper third. The measure is `cv2.imread` in grey of the
same files. Costs are the processor's own time of one thread, measured in turn, so that a busy machine counts for little.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import cycle, islice
from pathlib import Path

import cv2
import numpy as np

from frametally.aim import Registrar
from frametally.calibration_writer import save_calibration
from frametally.engines import LocalEngine
from frametally.eyes import Eyes
from frametally.frames import load
from frametally.model import Calibration, Frame, Method
from frametally.read import Reader
from frametally.settings import load_calibration

SIZE = (4000, 3000)
INSTRUMENT = "wall unit"
QUALITY = 95
GREY_NOISE, COLOUR_NOISE = 3.0, 1.5
"""Standard deviations of the noise: of each pixel, and of the colour of two by two. [grey levels]"""
CENTRES = {"middle": 0.5, "upper third": 0.26}
"""Where the displays' middle lies, as a share of the photo's height: in the upper third the lowest ends above one third."""


@dataclass(frozen=True)
class Large:
    """Photos of 12 megapixels and what looks at them."""

    frames: tuple[Frame, ...]
    eyes: Eyes


def draw_large(folder: Path, demo: Path, calibration: Path, centre: float, count: int) -> Large:
    """Write `count` photos into a folder, the displays' middle at a share of the height."""
    marks, shift = _enlarged(load_calibration(calibration), centre)
    rng = np.random.default_rng(12)
    frames = []
    for number, path in enumerate(sorted(demo.glob("*.jpg"))[:count]):
        small = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
        picture = np.roll(cv2.resize(small, SIZE, interpolation=cv2.INTER_CUBIC), shift, axis=0).astype(np.float32)
        picture += rng.normal(0, GREY_NOISE, (SIZE[1], SIZE[0], 1)).astype(np.float32)
        blotches = rng.normal(0, COLOUR_NOISE, (SIZE[1] // 2, SIZE[0] // 2, 3)).astype(np.float32)
        picture += cv2.resize(blotches, SIZE)
        packed = cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1]
        target = folder / f"large_{number + 1:04d}.jpg"
        target.write_bytes(packed.tobytes())
        frames.append(Frame(target.name, target, 0, None, "none"))
    reference = load(frames[0])
    registrar = Registrar(reference.pixels, marks, lost_below=Method().lost_below)
    reader = Reader(reference.pixels, marks.displays)
    return Large(tuple(frames), Eyes(marks, registrar, reader, frames[0], reference.sha256))


def _enlarged(calibration: Calibration, centre: float) -> tuple[Calibration, int]:
    factor = SIZE[0] / calibration.frame_size[0]
    instrument = next(one for one in calibration.instrument if one.name == INSTRUMENT)
    rows = [y * factor for display in instrument.display for _, y in display.corners]
    shift = round(centre * SIZE[1] - (min(rows) + max(rows)) / 2)
    displays = tuple(
        display.model_copy(update={"corners": tuple((x * factor, y * factor + shift) for x, y in display.corners)})
        for display in instrument.display
    )
    marks = {"frame_size": SIZE, "reference_frame": "large_0001.jpg"}
    return calibration.model_copy(update={**marks, "instrument": (instrument.model_copy(update={"display": displays}),)}), shift


STAGES = ("bare decoding in grey", "the whole of reading", "decode", "register", "read three displays")


def measure_stages(large: Large, rounds: int) -> dict[str, list[float]]:
    """Give the processor's time of every stage, photo after photo. [s]"""
    spent: dict[str, list[float]] = {stage: [] for stage in STAGES}

    def clock(stage: str, work: Callable[[], object]) -> object:
        start = time.thread_time()
        result = work()
        spent[stage].append(time.thread_time() - start)
        return result

    for frame in large.frames[1:] * rounds:
        clock(STAGES[0], lambda frame=frame: cv2.imread(str(frame.path), cv2.IMREAD_GRAYSCALE))  # type: ignore[misc]
        clock(STAGES[1], lambda frame=frame: large.eyes.look(frame))  # type: ignore[misc]
        picture = clock(STAGES[2], lambda frame=frame: load(frame, large.eyes.registrar.region, lent=True))  # type: ignore[misc]
        known = picture.known or (0, 0, *SIZE)  # type: ignore[attr-defined]
        placement = clock(STAGES[3], lambda p=picture, k=known: large.eyes.registrar.locate_in(p.pixels, k))  # type: ignore[misc]
        clock(STAGES[4], lambda p=picture, at=placement: large.eyes.reader.read(p.pixels, at))  # type: ignore[misc]
    return spent


def measure_jobs(large: Large, photos: int, rounds: int) -> dict[int, float]:
    """Give how long reading takes with one and with two jobs, the quickest of some rounds. [s of the clock on the wall]

    In one round after the other, as no measure of the processor's own time tells what is lost by waiting for one another. The
    start of the processes counts.
    """
    best = {1: float("inf"), 2: float("inf")}
    for _ in range(rounds):
        for jobs in best:
            frames = islice(cycle(large.frames[1:]), photos)
            start = time.perf_counter()
            list(LocalEngine(jobs).in_order(large.eyes.look, ((frame,) for frame in frames)))
            best[jobs] = min(best[jobs], time.perf_counter() - start)
    return best


def peak_memory(photos: Large, folder: Path, count: int, jobs: int = 1) -> list[float]:
    """Give the most memory that `frametally read` takes for `count` photos, the same few again and again. [MB]

    That of the program itself comes first, then that of the processes it has read by.
    """
    calibration = folder / f"calibration_{count}_{jobs}.toml"
    save_calibration(photos.eyes.calibration, calibration)
    night = folder / f"night_{count}_{jobs}"
    night.mkdir()
    for number in range(count):
        os.link(photos.frames[number % len(photos.frames)].path, night / f"large_{number + 1:04d}.jpg")
    words = ["read", str(night), "-c", str(calibration), "-o", str(folder / f"results_{count}_{jobs}"), "-q"]
    words += ["--start", "2026-10-30T21:40:00", "--every", "60", "--jobs", str(jobs)]
    done = subprocess.run([sys.executable, "-c", TELLS_PEAKS, *words], capture_output=True, text=True, check=True)
    return [int(word) / 1024 for word in done.stderr.splitlines()[-1].split()]


TELLS_PEAKS = """
import re, sys
from pathlib import Path
from frametally import workers
from frametally.cli.main import main
def peak(process):
    return re.search(r"VmHWM:\\s*([0-9]+) kB", Path(f"/proc/{process}/status").read_text())[1]
def end(worker, real=workers._Worker.end):
    peaks.append(peak(worker._process.pid))
    real(worker)
peaks, workers._Worker.end = [], end
try:
    main()
finally:
    print(peak("self"), *peaks, file=sys.stderr)
"""
"""Linux tells a process's own peak as VmHWM; that of getrusage counts the program which started it as well."""


def help_time(times: int) -> float:
    """Give the processor's time of `frametally --help`, the middle of some. [s]"""
    spent = []
    for _ in range(times):
        before = os.times()
        subprocess.run([sys.executable, "-m", "frametally", "--help"], stdout=subprocess.DEVNULL, check=True)
        after = os.times()
        spent.append(after.children_user - before.children_user + after.children_system - before.children_system)
    return float(np.median(spent))
