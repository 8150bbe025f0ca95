"""Takes the demo night; gives what a run over very many small photos costs that is killed half way and taken up again.

    python benchmarks/many.py [--photos 100000] [--jobs N] [--out benchmarks/RESULTS.md]

The hand-held instrument is cut out of the demo's photos, and these small photos stand in the folder again and again under other
names. `frametally read` is killed when half of them are in the journal and started once more. Then every photo must have one
record, and every copy of a photo the same first reading, whichever of the two runs has read it.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
from borrowed import ROOT
from measures.counting import table
from measures.large import TELLS_PEAKS
from report import write_section

from frametally.calibration_writer import save_calibration
from frametally.settings import load_calibration

AROUND = 1.5
"""How much is cut out around the displays, in heights of the lowest. [1]"""


def draw_small(folder: Path, count: int) -> tuple[Path, int]:
    """Fill a folder with small photos, hard links to as many as the demo has; give their calibration and how many differ."""
    demo = load_calibration(ROOT / "calibration" / "canal_boat.toml")
    instrument = demo.instrument[0]
    points = np.array([corner for display in instrument.display for corner in display.corners])
    reach = AROUND * min(display.corners[3][1] - display.corners[0][1] for display in instrument.display)
    left, top = np.floor(points.min(axis=0) - reach).astype(int).tolist()
    right, bottom = np.ceil(points.max(axis=0) + reach).astype(int).tolist()
    displays = tuple(
        display.model_copy(update={"corners": tuple((x - left, y - top) for x, y in display.corners)})
        for display in instrument.display
    )
    marks = demo.model_copy(
        update={
            "frame_size": (right - left, bottom - top),
            "reference_frame": name_of(0),
            "instrument": (instrument.model_copy(update={"display": displays}),),
        }
    )
    pictures = [cv2.imread(str(path)) for path in sorted((ROOT / "sample_frames").glob("*.jpg"))[:count]]
    parts = [picture[top:bottom, left:right] for picture in pictures if picture is not None]
    for number, part in enumerate(parts):
        (folder / name_of(number)).write_bytes(cv2.imencode(".jpg", part, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes())
    for number in range(len(parts), count):
        os.link(folder / name_of(number % len(parts)), folder / name_of(number))
    calibration = folder.parent / "calibration.toml"
    save_calibration(marks, calibration)
    return calibration, len(parts)


def name_of(number: int) -> str:
    """Give the name of a photo."""
    return f"small_{number + 1:06d}.jpg"


def lines_of(journal: Path) -> int:
    """Count the lines of a journal."""
    return journal.read_bytes().count(b"\n") if journal.exists() else 0


def killed_half_way(words: list[str], journal: Path, count: int) -> float:
    """Start a run and kill it when half of the photos are read; give how long it ran. [s]"""
    start = time.perf_counter()
    run = subprocess.Popen([sys.executable, "-m", "frametally", *words], stderr=subprocess.DEVNULL)
    while lines_of(journal) <= count // 2:
        if run.poll() is not None:
            raise SystemExit(f"the first run ended by itself with code {run.returncode}")
        time.sleep(1)
    run.send_signal(signal.SIGKILL)
    run.wait()
    return time.perf_counter() - start


def check(journal: Path, count: int, different: int) -> int:
    """Give how many photos have their record in the journal. Raises SystemExit where one lacks it, or is unlike its copies."""
    first: dict[str, dict[str, object]] = {}
    for line in journal.read_text(encoding="utf-8").splitlines()[1:]:
        data = json.loads(line)
        if "lessons" not in data:
            first[data["frame"]] = data
    lacking = [name_of(number) for number in range(count) if name_of(number) not in first]
    unlike = [
        name_of(number)
        for number in range(count)
        if not lacking and first[name_of(number)]["readings"] != first[name_of(number % different)]["readings"]
    ]
    if lacking or unlike or len(first) != count:
        raise SystemExit(f"{len(lacking)} photos have no record, {len(unlike)} another than their like: {(lacking + unlike)[:5]}")
    return len(first)


def measure(count: int, jobs: int) -> str:
    """Give the section's text."""
    with TemporaryDirectory(prefix="frametally-benchmark-") as name:
        folder = Path(name) / "night"
        folder.mkdir()
        (calibration, different), results = draw_small(folder, count), Path(name) / "results"
        height, width, _ = cv2.imread(str(folder / name_of(0))).shape
        words = ["read", str(folder), "-c", str(calibration), "-o", str(results), "-q", "--jobs", str(jobs)]
        words += ["--start", "2026-10-30T21:40:00", "--every", "60"]
        journal = results / "journal.jsonl"
        before = killed_half_way(words, journal, count)
        kept = lines_of(journal) - 1
        start = time.perf_counter()
        done = subprocess.run([sys.executable, "-c", TELLS_PEAKS, *words], capture_output=True, text=True, check=True)
        after = time.perf_counter() - start
        own, *others = (int(word) / 1024 for word in done.stderr.splitlines()[-1].split())
        found = check(journal, count, different)
        rows = sum(1 for _ in (results / "readings.csv").open("rb")) - 1
    cells = [
        ["photos read before the run was killed", f"{kept}", f"{1000 * before / kept:.2f} ms a photo"],
        ["photos read by the run that went on, tables and second looks included", f"{count - kept}", f"{after:.0f} s"],
        ["photos with one record, equal to that of every copy", f"{found}", ""],
        ["rows of the table", f"{rows}", ""],
    ]
    about = f"{count} photos of {width} x {height} px with two displays, {jobs} jobs, times by the clock on the wall."
    memory = (
        f"Peak memory of the run that went on: {own:.0f} MB, and each of its processes up to {max(others, default=0):.0f} MB."
    )
    return f"{about}\n\n{table(('', 'count', 'time'), cells)}\n\n{memory}"


def main() -> None:
    """Measure, then print or write."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=100_000)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, help="a Markdown file to write the section into")
    asked = parser.parse_args()
    write_section(asked.out, "Very many photos", measure(asked.photos, asked.jobs))


if __name__ == "__main__":
    main()
