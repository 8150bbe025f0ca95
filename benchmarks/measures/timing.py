"""Takes one drawn night; gives how long each reader takes for a display: followed in a night, searched, and Tesseract.

One thread; the processor's own time, so that a busy machine counts for little. Tesseract is a program of its own: its time
is that of the child processes.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np

from frametally.aim import Registrar
from frametally.errors import BadFrame
from frametally.frames import load, open_night
from frametally.model import STATUS_DEFAULTS, Method
from frametally.practice import draw_night
from frametally.read import rectify
from frametally.read.layout import Mask
from frametally.read.network import read_network
from frametally.read.reader import learn, opinions, read_segments
from frametally.read.voices import read_text
from frametally.settings import load_calibration
from measures.counting import table
from measures.readers import AS_TEXT, TESSERACT, bare_tesseract, has_tesseract, others, straight

SEED, STYLE = 5, "lcd-ghost"
BASE = "both readers, followed in a night"
FOLLOWED, SEARCHED = "followed", "searched"


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
    """Give the processor's time for every display of a drawn night, by what was done. [s]"""
    cv2.setNumThreads(1)
    spent: dict[str, list[float]] = {}
    with TemporaryDirectory(prefix="frametally-benchmark-") as folder:
        files = draw_night(Path(folder) / "night", seed=SEED, frames=frames, style=STYLE, troubles=())
        calibration, night = load_calibration(files.calibration), open_night(files.frames)
        reference = load(night.frames[0]).pixels
        registrar = Registrar(reference, calibration, lost_below=Method().lost_below)
        known = {display.key: learn(rectify(reference, display.corners), display) for display in calibration.displays}
        for frame in night.frames[1:]:
            try:
                pixels = load(frame).pixels
            except BadFrame:
                continue
            placement = registrar.locate(pixels)
            for display in calibration.displays:
                corners = placement.corners.get(display.key)
                if corners is not None:
                    _time_display(pixels, corners, display, known[display.key], spent)
    return spent


def _time_display(pixels, corners, display, known, spent) -> None:  # type: ignore[no-untyped-def]  # types as in measure_times
    def note(name: str, work: Callable[[], object], clock: Callable[..., None] = _clock) -> None:
        clock(work, spent.setdefault(name, []))

    strip, mask = rectify(pixels, corners), Mask.parse(display.masks[0])
    words = tuple(dict.fromkeys([*display.status, *STATUS_DEFAULTS]))
    read_network(strip, mask, words)  # a net is prepared anew for every new width: once is enough
    note(BASE, lambda: read_segments(strip, display, known))
    note("both readers, searched", lambda: read_segments(strip, display, None))
    note("their opinions, followed in a night", lambda: opinions(strip, display, known))
    note("their opinions, searched", lambda: opinions(strip, display, None))
    note("network alone", lambda: read_network(strip, mask, words))
    note("cutting out and straightening", lambda: rectify(pixels, corners))
    if has_tesseract():
        note(AS_TEXT, lambda: read_text(strip, [mask]), _clock_children)
        note(TESSERACT, lambda: bare_tesseract(straight(strip)), _clock_children)
    for name, other in others().items():
        note(name, lambda other=other: other(straight(strip)), _clock_children)  # type: ignore[misc]


def times_text(spent: dict[str, list[float]]) -> str:
    """Give the section's text: milliseconds and ratios to both readers together, followed in a night."""
    network = spent["network alone"]
    rows = {
        "cutting out and straightening": spent["cutting out and straightening"],
        "segments alone, followed in a night": _less(spent["their opinions, followed in a night"], network),
        "segments alone, searched": _less(spent["their opinions, searched"], network),
        **{name: seconds for name, seconds in spent.items() if not name.startswith(("their", "cutting"))},
    }
    base = float(np.mean(spent[BASE]))
    lines = [
        [name, f"{1000 * np.median(seconds):.1f}", f"{1000 * np.mean(seconds):.1f}", f"{np.mean(seconds) / base:.2f}"]
        for name, seconds in rows.items()
    ]
    about = (
        f"{len(spent[BASE])} displays of a drawn night ({STYLE}); one thread, the processor's own time. What the segments take"
        " alone is what both readers take for their opinions less what the network takes."
    )
    return about + "\n\n" + table(["a display", "median [ms]", "mean [ms]", "mean, to both followed"], lines)


def _less(whole: list[float], part: list[float]) -> list[float]:
    return [max(a - b, 0.0) for a, b in zip(whole, part, strict=True)]
