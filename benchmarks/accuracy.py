"""Takes nothing, or photographs with labels; gives how right readings are: others' digits, practice nights, photographs.

    python benchmarks/accuracy.py [--numbers N] [--nights N] [--photos LABELS_CSV] [--jobs N] [--out benchmarks/RESULTS.md]

A labels file has the columns image, x1, y1, ..., x4, y4 (the display's corners, clockwise from the digits' own top left, in
pixels), text (what stands there) and kind (any word; "dotmatrix" in it makes a text display); its images lie beside it. They are
read where they are and never copied.
"""

from __future__ import annotations

import argparse
import csv
import re
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
from borrowed import borrow
from report import write_section

from frametally.model import MASK, Reading
from frametally.practice import STYLES, TROUBLES, draw_night
from frametally.read import read_display
from frametally.read.ocr import tesseract_version
from frametally.run import Options, run

SURE = 0.98
"""As `clean.rules.CONFIDENT`: from here on the night's rules do not exchange a reading."""

FIRST_SEED = 301
FRAMES = 40


@dataclass
class Tally:
    """How single displays were read: how many, how many right, how many for sure, and wrong for sure."""

    count: int = 0
    exact: int = 0
    sure: int = 0
    sure_but_wrong: int = 0
    seconds: list[float] = field(default_factory=list)

    def add(self, text: str, reading: Reading, seconds: float) -> None:
        """Count one display."""
        self.count += 1
        self.exact += reading.text == text
        self.sure += reading.confidence >= SURE
        self.sure_but_wrong += reading.confidence >= SURE and reading.text != text
        self.seconds.append(seconds)


def timed_reading(image: np.ndarray, mask: str, corners: object, kind: str) -> tuple[Reading, float]:
    """Read one display; give the reading and how long it took. [s]"""
    start = time.perf_counter()
    reading = read_display(image, digits=mask, corners=corners, kind=kind)  # type: ignore[arg-type]
    return reading, time.perf_counter() - start


# --- single displays --------------------------------------------------------------------------------------------------


def read_others_digits(numbers: int) -> Iterator[list[str]]:
    """Read numbers drawn with the DSEG7 fonts, 60 px tall; beside it Tesseract on the same pictures."""
    dseg = borrow("tests/read/dseg.py")
    if not dseg.font_file("Classic", "Regular").exists():
        print("The DSEG fonts (Debian package fonts-dseg) are not on this machine; left out.", file=sys.stderr)
        return
    with_tesseract = bool(tesseract_version())
    for family in dseg.FAMILIES:
        for polarity in dseg.POLARITIES:
            random = np.random.default_rng([61, len(family), len(polarity)])
            ours, theirs = Tally(), Tally()
            for sample in dseg.draw_samples(numbers, family, polarity, random):
                ours.add(sample.text, *timed_reading(sample.image, sample.mask, sample.corners, "segments"))
                if with_tesseract:
                    theirs.add(sample.text, *timed_reading(sample.image, sample.mask, sample.corners, "text"))
            print(f"DSEG7 {family} {polarity}: {ours.exact} of {ours.count}", file=sys.stderr)
            yield [
                f"{family}, {polarity}",
                *_cells(ours),
                f"{theirs.exact} of {theirs.count}" if theirs.count else "-",
                f"{np.median(theirs.seconds) / np.median(ours.seconds):.1f}" if theirs.count else "-",
            ]


def _cells(tally: Tally) -> list[str]:
    return [f"{tally.exact} of {tally.count}", f"{tally.sure}", f"{tally.sure_but_wrong}"]


def read_photographs(labels: Path) -> Iterator[list[str]]:
    """Read the displays of photographs, one row for each kind of display."""
    tallies: dict[str, Tally] = {}
    with labels.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        mask = re.sub(r"\d", "#", row["text"])
        if not MASK.match(mask):
            continue
        image = cv2.imdecode(np.fromfile(labels.parent / row["image"], np.uint8), cv2.IMREAD_COLOR)
        if image is None:
            raise SystemExit(f"{labels.parent / row['image']} is not a picture; take its row out of {labels}")
        corners = tuple((float(row[f"x{i}"]), float(row[f"y{i}"])) for i in range(1, 5))
        kind = "text" if "dotmatrix" in row["kind"] else "segments"
        tallies.setdefault(row["kind"], Tally()).add(row["text"], *timed_reading(image, mask, corners, kind))
    for kind, tally in sorted(tallies.items()):
        print(f"photographs, {kind}: {tally.exact} of {tally.count}", file=sys.stderr)
        yield [kind, *_cells(tally)]


# --- nights -----------------------------------------------------------------------------------------------------------


def read_nights(count: int, jobs: int) -> Iterator[list[str]]:
    """Draw and read practice nights with all troubles, each look in turn; the last row is all together."""
    scores = borrow("tests/night_score.py")
    together = scores.Score()
    costs: list[float] = []
    for number in range(count):
        style, seed = list(STYLES)[number % len(STYLES)], FIRST_SEED + number
        with TemporaryDirectory(prefix="frametally-benchmark-") as folder:
            files = draw_night(Path(folder) / "night", seed=seed, frames=FRAMES, style=style, troubles=tuple(TROUBLES))
            results = Path(folder) / "results"
            decoding_s = _decoding_s(files.frames)
            start = time.perf_counter()
            run(files.frames, files.calibration, results, options=Options(jobs=jobs, readings_only=True))
            seconds = time.perf_counter() - start
            truth = _rows(files.truth)
            score = scores.score_night(_rows(results / "readings.csv"), truth)
        displays = len(truth) * (len(truth[0]) - len(scores.NOT_DISPLAYS))
        costs.append(seconds / displays / decoding_s)
        together.add(score)
        print(f"night {style} {seed}: {score.exact} of {score.readable}", file=sys.stderr)
        for miss in [*score.silently_wrong, *score.misflagged]:
            print(f"    {miss}", file=sys.stderr)
        yield [f"{style}, seed {seed}", *_night_cells(score), f"{costs[-1]:.1f}"]
    yield ["**all**", *_night_cells(together), f"{np.mean(costs):.1f}" if costs else "-"]


def _night_cells(score: object) -> list[str]:
    counts = [len(getattr(score, name)) for name in ("silently_wrong", "doubtful", "given_up", "misflagged")]
    exact, readable, troubles = (getattr(score, name) for name in ("exact", "readable", "troubles"))
    return [f"{exact} of {readable} ({exact / max(readable, 1):.2%})", *map(str, counts[:3]), f"{counts[3]} of {troubles}"]


def _decoding_s(frames: Path) -> float:
    """Give how long bare decoding of one of these photos takes: what the costs are measured in. [s]"""
    photos = [np.fromfile(path, np.uint8) for path in sorted(frames.iterdir())[:10]]
    start = time.perf_counter()
    for photo in photos:
        cv2.imdecode(photo, cv2.IMREAD_COLOR)
    return (time.perf_counter() - start) / len(photos)


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# --- the table --------------------------------------------------------------------------------------------------------


def table(heads: list[str], lines: Iterable[list[str]]) -> str:
    """Give a Markdown table."""
    rows = [heads, ["---"] * len(heads), *lines]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def main() -> None:
    """Measure, then print or write."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--numbers", type=int, default=250, help="numbers for each of the four kinds of DSEG digits")
    parser.add_argument("--nights", type=int, default=len(STYLES), help="practice nights, each look in turn")
    parser.add_argument("--photos", type=Path, metavar="LABELS_CSV", help="photographs with labels")
    parser.add_argument("--jobs", type=int, default=2, help="photos of a night read side by side")
    parser.add_argument("--out", type=Path, help="a Markdown file to write the section into")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    parts = []
    if asked.numbers:
        heads = ["DSEG7 digits, 60 px", "exact", f"sure (>= {SURE})", "sure but wrong", "Tesseract exact", "its time, in ours"]
        parts.append(table(heads, read_others_digits(asked.numbers)))
    if asked.nights:
        heads = [
            "practice night",
            "exact",
            "silently wrong",
            "doubtful",
            "given up",
            "misflagged",
            "a display's time, in decodings",
        ]
        parts.append(
            f"{FRAMES} photos a night, every trouble in each. A display's time is that of the whole run over the displays in it,"
            " against the bare decoding of one of its photos in the same run.\n\n"
            + table(heads, read_nights(asked.nights, asked.jobs))
        )
    if asked.photos:
        heads = ["photographs, by kind", "exact", f"sure (>= {SURE})", "sure but wrong"]
        parts.append(
            "Single photographs by strangers, no part of this project: no night to learn from, only the mask given.\n\n"
            + table(heads, read_photographs(asked.photos))
        )
    write_section(asked.out, "Accuracy", "\n\n".join(parts))


if __name__ == "__main__":
    main()
