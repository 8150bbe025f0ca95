"""Takes what to draw, or a labels file; gives how single displays were read, with nothing but their masks known.

DSEG digits in three levels, drawn pairs that provoke one failure each, drawn text displays, and photographs.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from borrowed import borrow

from frametally.model import MASK
from frametally.practice import Hardness, draw_number, random_style
from frametally.practice.styles import DisplayStyle
from frametally.practice.text import LEVELS as TEXT_LEVELS
from frametally.practice.text import SCREENS, draw_text
from measures.counting import Counts
from measures.readers import BOTH, Shown, as_display, readings

# --- DSEG digits -----------------------------------------------------------------------------------------------------------


def draw_dseg(level: str, count: int, part: int) -> Iterator[Shown]:
    """Draw numbers of one level; each part of a level has its own random numbers."""
    dseg = borrow("tests/read/dseg.py")
    rng = np.random.default_rng([71, list(dseg.LEVELS).index(level), part])
    for sample in dseg.draw_level(count, dseg.LEVELS[level], rng):
        yield Shown(sample.image, as_display(sample.corners, sample.mask, "segments"), sample.text)


def dseg_levels() -> list[str]:
    """Give the levels' names; none where the fonts are missing."""
    dseg = borrow("tests/read/dseg.py")
    return list(dseg.LEVELS) if dseg.font_file("Classic", "Regular").exists() else []


# --- one kind of failure each -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Failure:
    """A kind of failure: the number drawn, the mask or masks it is read with, what counts as this confusion (truth, read)."""

    draw: Callable[[np.random.Generator], tuple[str, str]]
    confused: Callable[[str, str], bool]
    masks: tuple[str, ...] = ()
    ghostly: bool = False


def _number_of(digits: str, mask: str = "##.#") -> Callable[[np.random.Generator], tuple[str, str]]:
    def draw(rng: np.random.Generator) -> tuple[str, str]:
        text = "".join(str(rng.choice(list(digits))) if place == "#" else place for place in mask.lstrip("-"))
        return text, mask

    return draw


def _moving_point(rng: np.random.Generator) -> tuple[str, str]:
    return _number_of("0123456789", str(rng.choice(_POINTS)))(rng)


def _signed(rng: np.random.Generator) -> tuple[str, str]:
    text, mask = _number_of("0123456789", "-##.#")(rng)
    return ("-" if rng.random() < 0.5 else "") + text.removeprefix("0"), mask


def _digits_in(*sets: str) -> Callable[[str, str], bool]:
    """Tell a confusion of two digits of one set, place by place from the right."""

    def confused(truth: str, read: str) -> bool:
        pairs = zip(re.sub(r"\D", "", truth)[::-1], re.sub(r"\D", "", read)[::-1], strict=False)
        return any(a != b and any({a, b} <= set(some) for some in sets) for a, b in pairs)

    return confused


_BARS = {
    "0": "abcdef", "1": "bc", "2": "abdeg", "3": "abcdg", "4": "bcfg", "5": "acdfg", "6": "acdefg", "7": "abc", "8": "abcdefg",
    "9": "abcdfg", " ": "",
}  # fmt: skip


def _unlit_taken_for_lit(truth: str, read: str) -> bool:
    """Tell whether some place was read as a digit that has all bars of the true one and more."""
    width = max(len(truth), len(read))
    digits = [re.sub(r"[^\d]", "", text).rjust(width)[::-1] for text in (truth, read)]
    return any(set(_BARS[a]) < set(_BARS[b]) for a, b in zip(*digits, strict=True))


_POINTS = ("###", "##.#", "#.##")

FAILURES: dict[str, Failure] = {
    "lost point": Failure(
        _moving_point,
        lambda truth, read: truth != read and re.sub(r"[.]", "", truth) == re.sub(r"[.]", "", read),
        _POINTS,
    ),
    "ghost": Failure(_number_of("0123457", "##.#"), _unlit_taken_for_lit, ghostly=True),
    "1/7": Failure(_number_of("17"), _digits_in("17")),
    "5/6/9": Failure(_number_of("569"), _digits_in("569")),
    "0/8": Failure(_number_of("08"), _digits_in("08")),
    "sign": Failure(_signed, lambda truth, read: truth.startswith("-") != read.startswith("-") and bool(read)),
    "any number": Failure(_number_of("0123456789", "-##.#"), lambda truth, read: False),
}
"""The last is none: what any number gives in the same looks, to compare with."""

HARDNESS = Hardness(tilt_deg=8.0, blur_px=1.8, noise=6.0, darkest=0.25)
HEIGHT_PX = (20.0, 48.0)


def _ghostly(style: DisplayStyle, rng: np.random.Generator) -> DisplayStyle:
    return replace(style, contrast=style.contrast * float(rng.uniform(0.4, 0.7)), ghost=float(rng.uniform(0.08, 0.12)))


def draw_failures(name: str, count: int, part: int) -> Iterator[Shown]:
    """Draw numbers made to provoke one failure, each in a look of its own."""
    failure = FAILURES[name]
    rng = np.random.default_rng([72, list(FAILURES).index(name), part])
    for _ in range(count):
        text, mask = failure.draw(rng)
        style = random_style(rng)
        style = _ghostly(style, rng) if failure.ghostly else style
        image, corners = draw_number(text, style, rng, float(rng.uniform(*HEIGHT_PX)), mask=mask, hardness=HARDNESS)
        yield Shown(image, as_display(corners, failure.masks or mask, "segments"), text)


# --- text displays and photographs --------------------------------------------------------------------------------------------


def draw_texts(group: str, count: int, part: int) -> Iterator[Shown]:
    """Draw text displays of one screen and level, named like "tft, hard"."""
    screen, level = group.split(", ")
    rng = np.random.default_rng([73, text_groups().index(group), part])
    for _ in range(count):
        drawn = draw_text(rng, screen, level)  # type: ignore[arg-type]
        yield Shown(drawn.image, as_display(drawn.corners, drawn.mask, "text"), drawn.text)


def text_groups() -> list[str]:
    """Give all screens in all levels."""
    return [f"{screen}, {level}" for screen in SCREENS for level in TEXT_LEVELS]


def photographs(labels: Path) -> Iterator[tuple[str, Shown]]:
    """Give the displays of photographs with their kinds; rows whose text is no number are passed over."""
    with labels.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        mask = re.sub(r"\d", "#", row["text"])
        if not MASK.match(mask):
            continue
        image = cv2.imdecode(np.fromfile(labels.parent / row["image"], np.uint8), cv2.IMREAD_COLOR)
        if image is None:
            raise SystemExit(f"{labels.parent / row['image']} is not a picture; take its row out of {labels}")
        corners = np.array([(float(row[f"x{i}"]), float(row[f"y{i}"])) for i in range(1, 5)])
        kind = "text" if "dotmatrix" in row["kind"] else "segments"
        yield row["kind"], Shown(image, as_display(corners, mask, kind), row["text"])  # type: ignore[arg-type]


# --- counting -----------------------------------------------------------------------------------------------------------------

DRAWERS: dict[str, Callable[[str, int, int], Iterable[Shown]]] = {
    "dseg": draw_dseg,
    "failures": draw_failures,
    "text": draw_texts,
}


@dataclass(frozen=True)
class Task:
    """A part of one group to draw and read."""

    section: str
    group: str
    count: int
    part: int


def count_drawn(task: Task) -> Counts:
    """Draw and read one part of a group."""
    counts = Counts()
    for shown in DRAWERS[task.section](task.group, task.count, task.part):
        _count(counts, task.group, shown, FAILURES[task.group].confused if task.section == "failures" else None)
    return counts


def count_photographs(labels: Path) -> Counts:
    """Read photographs."""
    counts = Counts()
    for kind, shown in photographs(labels):
        _count(counts, kind, shown, None)
        _count(counts, "all segment kinds" if shown.display.kind == "segments" else "all text kinds", shown, None)
    counts.tallies = dict(sorted(counts.tallies.items(), key=lambda item: item[0][0].startswith("all")))
    return counts


def _count(counts: Counts, group: str, shown: Shown, confused: Callable[[str, str], bool] | None) -> None:
    for reader, reading in readings(shown):
        mistaken = confused is not None and reading.text != shown.text and confused(shown.text, reading.text)
        counts.of(group, reader).add(shown.text, reading, confused=mistaken)
        if reader == BOTH:
            counts.verdicts.append((reading.confidence, reading.text == shown.text))
