"""Takes a practice night's seed, style and condition; draws it, does the whole run on it, gives what was right and what not.

Everything that was silently wrong is named with what it takes to draw it again.
"""

from __future__ import annotations

import csv
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType
from typing import Any

import cv2
from borrowed import borrow

from frametally.aim import Registrar
from frametally.errors import BadFrame
from frametally.frames import load, open_night
from frametally.model import Method
from frametally.practice import CONDITIONS, STYLES, TEXT_STYLES, TROUBLES, NightFiles, draw_night
from frametally.read import rectify
from frametally.read.reader import learn
from frametally.run import Options, run
from frametally.settings import load_calibration
from measures.counting import Counts, Tally
from measures.readers import BOTH, WITH_NIGHT, WITH_TEACHING, strip_readings

KINDS: dict[str, tuple[str, ...]] = {
    "LCD, dark on light": ("lcd-plain", "lcd-ghost", "lcd-slant"),
    "LED": ("led-red", "led-green", "led-amber", "led-white"),
    "backlit, negative, VFD": ("lcd-negative", "vfd-cyan", "lcd-backlit-blue", "lcd-backlit-green", "lcd-backlit-amber"),
}
"""Three kinds of display, and the looks that stand for each."""

IN_EACH = ("spike", "timeout")
"""What befalls every night of the ten conditions: a true peak that must survive, and a display that is off."""

TOO_DARK_TOGETHER = {"dark cabin": "dim"}
"""A trouble that makes a condition what nobody can read, so that no truth could be told."""

WRONG = ("silently_wrong", "misnamed", "misflagged", "doubtful", "given_up")


@dataclass(frozen=True)
class Wish:
    """A night to draw and read; `alone_every`: in every so many-th photo each reader is also asked alone (0: in none)."""

    seed: int
    style: str
    condition: str
    frames: int
    troubles: tuple[str, ...] = IN_EACH
    with_untaught: bool = False
    alone_every: int = 0


@dataclass
class Night:
    """What a night gave: its wish, how many readings, and by way of reading ("both, with the night") counts and misses.

    `scores` have the fields of `night_score.Score`, the lists as dicts of strings; `alone` the readers alone, by name;
    `draw_s` and `read_s` the processor's time. [s]
    """

    wish: dict[str, Any]
    readings: int
    scores: dict[str, dict[str, Any]]
    alone: dict[str, dict[str, int]] = field(default_factory=dict)
    draw_s: float = 0.0
    read_s: float = 0.0


def of_seed(seed: int, frames: int) -> Wish:
    """Give the big count's night of a seed: every trouble in it, styles and conditions in turn, each under each."""
    style, condition = list(STYLES)[seed % len(STYLES)], list(CONDITIONS)[seed % len(CONDITIONS)]  # 13 and 10: each meets each
    troubles = tuple(name for name in TROUBLES if name != TOO_DARK_TOGETHER.get(condition))
    return Wish(seed, style, condition, frames, troubles)


def in_condition(condition: str, kind: str, number: int, frames: int, alone_every: int) -> Wish:
    """Give the `number`-th night of a condition and a kind of display."""
    seed = 1000 * list(CONDITIONS).index(condition) + 100 * list(KINDS).index(kind) + number
    style = KINDS[kind][(number + list(CONDITIONS).index(condition)) % len(KINDS[kind])]
    return Wish(seed, style, condition, frames, with_untaught=True, alone_every=alone_every)


def on_text(style: str, number: int, frames: int) -> Wish:
    """Give the `number`-th night with text displays of one look."""
    return Wish(20_000 + 100 * list(TEXT_STYLES).index(style) + number, style, "plain", frames)


def measure(wish: Wish) -> Night:
    """Draw one night, read it, score it."""
    cv2.setNumThreads(1)
    scores = borrow("tests/night_score.py")
    with TemporaryDirectory(prefix="frametally-benchmark-") as folder:
        start = time.process_time()
        print(f"night: {wish.style}, {wish.condition}, seed {wish.seed}", file=sys.stderr)
        files = draw_night(
            Path(folder) / "night",
            seed=wish.seed,
            frames=wish.frames,
            style=wish.style,
            troubles=wish.troubles,
            condition=wish.condition,
        )
        drawn = time.process_time()
        results, truth = Path(folder) / "results", _rows(files.truth)
        found = {}
        if wish.with_untaught:
            run(files.frames, files.calibration, results, options=Options(readings_only=True, teach=False))
            found[WITH_NIGHT] = _score(scores, results, truth)
        run(files.frames, files.calibration, results, options=Options(readings_only=True, teach=True))
        found[WITH_TEACHING] = _score(scores, results, truth)
        read = time.process_time()
        alone = read_alone(files, truth, wish.alone_every) if wish.alone_every else {}
    displays = len(truth) * (len(truth[0]) - len(scores.NOT_DISPLAYS))
    return Night(asdict(wish), displays, found, alone, drawn - start, read - drawn)


def _score(scores: ModuleType, results: Path, truth: list[dict[str, str]]) -> dict[str, Any]:
    score = scores.score_night(_rows(results / "readings.csv"), truth, _rows(results / "readings_audit.csv"))
    return asdict(score)


def read_alone(files: NightFiles, truth: list[dict[str, str]], every: int) -> dict[str, dict[str, int]]:
    """Ask each reader alone in some photos: no neighbours, but the places known from the reference frame, as in a run.

    Only displays that show a number count; those not found in the photo are flagged for every reader.
    """
    calibration = load_calibration(files.calibration)
    night = open_night(files.frames)
    texts = {row["frame"]: row for row in truth}
    reference = load(next(frame for frame in night.frames if frame.name == calibration.reference_frame)).pixels
    registrar = Registrar(reference, calibration, lost_below=Method().lost_below)
    known = {display.key: learn(rectify(reference, display.corners), display) for display in calibration.displays}
    tallies: dict[str, Tally] = {}
    unseen = Tally()
    for frame in night.frames[1::every]:
        try:
            pixels = load(frame).pixels
        except BadFrame:
            continue
        placement = registrar.locate(pixels)
        for display in calibration.displays:
            text = texts[frame.name][display.key]
            if not _is_number(text):
                continue
            if display.key not in placement.corners:
                unseen.merge(Tally(count=1, flagged=1))
                continue
            strip = rectify(pixels, placement.corners[display.key])
            for reader, reading in strip_readings(strip, display, known=known[display.key]):
                tallies.setdefault(reader, Tally()).add(text, reading)
    for tally in tallies.values():
        tally.merge(unseen)
    return {reader: asdict(tally) for reader, tally in tallies.items()}


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# --- counting -----------------------------------------------------------------------------------------------------------------


def as_tally(score: dict[str, Any]) -> Tally:
    """Count a night's score as single displays are counted: of the displays that could be read.

    A doubtful value that is what the display showed counts as exact, and as flagged. What was vouched for where there was
    nothing to read counts as a wrong value too.
    """
    doubtful_but_right = sum(float(one["value"]) == float(one["truth"]) for one in score["doubtful"] if one["value"])
    return Tally(
        count=score["readable"],
        exact=score["exact"] + doubtful_but_right,
        right=score["exact"],
        wrong_value=len(score["silently_wrong"]),
        wrong_state=len(score["misnamed"]),
        flagged=len(score["doubtful"]) + len(score["given_up"]) - len(score["misnamed"]),
    )


def add_night(counts: Counts, group: str, night: Night) -> None:
    """Count a night into a group."""
    for reader, numbers in night.alone.items():
        counts.of(group, reader).merge(Tally(**numbers))
        if reader == BOTH:  # keeps the order of the table's rows: the night's own come next
            for way in night.scores:
                counts.of(group, way)
    for way, score in night.scores.items():
        counts.of(group, way).merge(as_tally(score))


def misses(night: Night, kinds: Sequence[str] = WRONG[:3]) -> list[str]:
    """Name every reading of some kinds with what it takes to draw it again."""
    wish = night.wish
    lines = []
    for way, score in night.scores.items():
        for kind in kinds:
            lines += [
                f"{kind}: seed {wish['seed']}, {wish['style']}, {wish['condition']}, {wish['frames']} frames, {one['frame']}"
                f" {one['display']}: shows {one['truth']!r}, read {one['raw_text']!r}, given {one['value'] or 'no value'},"
                f" {one['flag']}, confidence {one['confidence'] or '-'} ({way})"
                for one in score[kind]
            ]
    return lines
