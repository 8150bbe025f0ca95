"""Takes one drawn night; gives how long each reader takes for a display: followed in a night, searched, and Tesseract.

One thread; the processor's own time, so that a busy machine counts for little. Tesseract is a program of its own: its time
is that of the child processes.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np

from frametally.aim import Registrar
from frametally.errors import BadFrame
from frametally.frames import load, open_night
from frametally.model import STATUS_DEFAULTS, Display, Method
from frametally.practice import draw_night
from frametally.read import Reader, rectify
from frametally.read.answers import Known
from frametally.read.layout import Mask
from frametally.read.network import read_network
from frametally.read.reader import learn, opinions, read_segments
from frametally.read.rectify import Strip
from frametally.read.voices import read_text
from frametally.settings import load_calibration
from measures.counting import table
from measures.readers import AS_TEXT, TESSERACT, bare_tesseract, has_tesseract, others, straight

SEED, STYLE = 5, "lcd-ghost"
BASE = "both readers, followed in a night"
WHOLE = "cutting out, straightening, both readers, followed in a night"


def _clock(work: Callable[[], object], spent: list[float]) -> None:
    start = time.process_time()
    work()
    spent.append(time.process_time() - start)


def _clock_children(work: Callable[[], object], spent: list[float]) -> None:
    before = os.times()
    work()
    after = os.times()
    spent.append(sum(after[:4]) - sum(before[:4]))


def measure_times(frames: int) -> dict[str, list[float]]:
    """Give the processor's time for every display of a drawn night, by what was done; the readers' for a whole photo at a time,
    over its displays. [s]"""
    cv2.setNumThreads(1)
    spent: dict[str, list[float]] = {}
    with TemporaryDirectory(prefix="frametally-benchmark-") as folder:
        files = draw_night(Path(folder) / "night", seed=SEED, frames=frames, style=STYLE, troubles=())
        calibration, night = load_calibration(files.calibration), open_night(files.frames)
        reference = load(night.frames[0]).pixels
        registrar = Registrar(reference, calibration, lost_below=Method().lost_below)
        reader = Reader(reference, calibration.displays)
        known = {display.key: learn(rectify(reference, display.corners), display) for display in calibration.displays}
        strips = []
        for frame in night.frames[:1] + night.frames:  # the first only so that everything is ready
            try:
                pixels = load(frame).pixels
            except BadFrame:
                continue
            placement = registrar.locate(pixels)
            whole: list[float] = []
            _clock(lambda: reader.read(pixels, placement), whole)  # noqa: B023  # called at once
            spent.setdefault(WHOLE, []).append(whole[0] / len(placement.corners))
            placed = [display for display in calibration.displays if display.key in placement.corners]
            strips += [(rectify(pixels, placement.corners[display.key]), display) for display in placed]
        del spent[WHOLE][0]
        for name, (work, clock) in _works(known).items():
            for strip, display in strips:
                clock(lambda: work(strip, display), spent.setdefault(name, []))  # noqa: B023  # called at once
    return spent


def _works(known: Mapping[str, Known | None]) -> dict[str, tuple[Callable[[Strip, Display], object], Callable[..., None]]]:
    """Give what is timed on every strip, one after the other, and how: programs of their own would push the rest out of the
    processor's cache."""

    def words(display: Display) -> tuple[str, ...]:
        return tuple(dict.fromkeys([*display.status, *STATUS_DEFAULTS]))

    def fresh(strip: Strip) -> Strip:
        return Strip(strip.pixels, strip.scale)  # what it keeps once reckoned is to be reckoned each time

    works: dict[str, Callable[[Strip, Display], object]] = {
        BASE: lambda strip, display: read_segments(fresh(strip), display, known[display.key]),
        "both readers, searched": lambda strip, display: read_segments(fresh(strip), display, None),
        "their opinions, followed in a night": lambda strip, display: opinions(fresh(strip), display, known[display.key]),
        "their opinions, searched": lambda strip, display: opinions(fresh(strip), display, None),
        "network alone": lambda strip, display: read_network(fresh(strip), Mask.parse(display.masks[0]), words(display)),
    }
    programs = {name: (lambda strip, display, other=other: other(straight(strip))) for name, other in others().items()}
    if has_tesseract():
        programs[AS_TEXT] = lambda strip, display: read_text(strip, [Mask.parse(display.masks[0])])
        programs[TESSERACT] = lambda strip, display: bare_tesseract(straight(strip))
    return {
        **{name: (work, _clock) for name, work in works.items()},
        **{name: (work, _clock_children) for name, work in programs.items()},
    }


def times_text(spent: dict[str, list[float]]) -> str:
    """Give the section's text: milliseconds and ratios to both readers together, followed in a night."""
    network = spent["network alone"]
    rows = {
        WHOLE: spent[WHOLE],
        "segments alone, followed in a night": _less(spent["their opinions, followed in a night"], network),
        "segments alone, searched": _less(spent["their opinions, searched"], network),
        **{name: seconds for name, seconds in spent.items() if not name.startswith("their") and name != WHOLE},
    }
    base = float(np.mean(spent[BASE]))
    lines = [
        [name, f"{1000 * np.median(seconds):.1f}", f"{1000 * np.mean(seconds):.1f}", f"{np.mean(seconds) / base:.2f}"]
        for name, seconds in rows.items()
    ]
    about = (
        f"{len(spent[BASE])} displays of a drawn night ({STYLE}); one thread, the processor's own time. The first line is what a"
        " run does after decoding and finding the displays, a photo's time over its displays; the others are of displays one by"
        " one, cut out already. What the segments take alone is what both readers take for their opinions less what the network"
        " takes."
    )
    return about + "\n\n" + table(["a display", "median [ms]", "mean [ms]", "mean, to both followed"], lines)


def _less(whole: list[float], part: list[float]) -> list[float]:
    return [max(a - b, 0.0) for a, b in zip(whole, part, strict=True)]
