"""Takes nothing; gives what share of displays is read for sure, by height of the digits, contrast, blur and noise.

    python benchmarks/legibility.py --spread 2000 --careful 800 --processes 2 --table src/frametally/data/legibility.json \\
        --out benchmarks/RESULTS.md
    python benchmarks/legibility.py --spread 0 --careful 5000 --merge TABLE... --table TABLE     (more, on top of earlier counts)

`frametally check` looks its expectation up in the table. Displays in looks from the whole range are drawn with values spread over
the four axes, or as a careful person's photo has them, pressed as JPEG, measured as `check` measures a photo, and read one at a
time, with nothing but their mask known. Make the table again after a change to reading.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from measures.count import side_by_side
from measures.counting import Outcome, judge, share, table
from measures.readers import as_display
from report import write_section

from frametally.model import Display
from frametally.practice import Hardness, draw_number, random_style
from frametally.read import rectify
from frametally.read.expectation import AXES, in_order
from frametally.read.legibility import inspect
from frametally.read.reader import read_strip

EDGES: dict[str, tuple[float, ...]] = {
    "height_px": (6.5, 8.5, 11.5, 16.0, 24.0),
    "contrast": (0.06, 0.12, 0.25, 0.45),
    "blur": (0.2, 0.25),
    "noise": (0.04, 0.12, 0.3),
}
"""Where the cells of the table meet, by axis."""

CENTRES: dict[str, tuple[float, ...]] = {
    "height_px": (5.7, 7.4, 9.9, 13.6, 19.6, 32.0),
    "contrast": (0.042, 0.085, 0.17, 0.34, 0.6),
    "blur": (0.17, 0.225, 0.28),
    "noise": (0.016, 0.07, 0.19, 0.55),
}
"""The values that the cells stand for: the geometric mean of their edges, at the ends about as far outside."""

SPANS: dict[str, tuple[tuple[float, float], ...]] = {
    "spread": ((5.0, 40.0), (0.06, 1.0), (0.02, 0.16), (0.3, 25.0)),
    "careful": ((8.0, 60.0), (0.5, 1.0), (0.01, 0.05), (0.3, 4.0)),
}
"""What is drawn, evenly in the logarithm: height of the digits [px], contrast against the look's own, blur over the height, noise
[grey levels]; over all that can be, and as somebody takes it who looks after the light and the focus."""

SEEDS = {"spread": 74, "careful": 75}

LEAST_BLUR_PX = 0.47
"""The softest edge that a camera gives. [px]"""

PLAIN = Hardness(tilt_deg=6.0, blur_px=LEAST_BLUR_PX, noise=0.5, darkest=0.5)
QUALITY = (75, 96)
PART = 25
OUTCOMES = {
    Outcome.RIGHT: "exact",
    Outcome.FLAGGED: "flagged",
    Outcome.WRONG_STATE: "taken_for_off",
    Outcome.WRONG_VALUE: "wrong_value",
}
"""The table's names of what can become of a reading; the last two are silently wrong, a word or "off" and a value."""


@dataclass(frozen=True)
class Drawn:
    """One display: the picture, its calibration, the text it shows."""

    image: np.ndarray
    display: Display
    text: str


def draw(kind: str, count: int, part: int) -> Iterator[Drawn]:
    """Draw displays of one kind of `SPANS`; each part has its own random numbers."""
    rng = np.random.default_rng([SEEDS[kind], part])
    for _ in range(count):
        mask = str(rng.choice(["###", "##.#", "##"]))
        text = "".join(str(rng.integers(10)) if sign == "#" else sign for sign in mask)
        height, contrast, blur, noise = (_spread(rng, span) for span in SPANS[kind])
        style = random_style(rng)
        style = replace(style, contrast=style.contrast * contrast, ghost=style.ghost * contrast)
        image, corners = draw_number(text, style, rng, height, mask=mask, hardness=PLAIN)
        softer = (blur * height) ** 2 - LEAST_BLUR_PX**2
        if softer > 0.01:
            image = cv2.GaussianBlur(image, (0, 0), softer**0.5)
        noisy = image + rng.normal(0, noise, image.shape)
        image = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
        _, pressed = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(*QUALITY))])
        yield Drawn(cv2.imdecode(pressed, cv2.IMREAD_COLOR), as_display(corners, mask, "segments"), text)


def _spread(rng: np.random.Generator, span: tuple[float, float]) -> float:
    return float(np.exp(rng.uniform(*np.log(span))))


def measure_part(task: tuple[str, int, int]) -> list[tuple[list[float], str]]:
    """Give the values (in the order of AXES) and the outcome of every display of a part: (kind, count, part)."""
    found = []
    for drawn in draw(*task):
        reading = read_strip(rectify(drawn.image, drawn.display.corners), drawn.display)
        seen = inspect(drawn.image, drawn.display.corners, drawn.display, drawn.text)  # also where the reader saw nothing
        if seen.height_px is None or seen.blur_px is None or seen.stroke_px is None:
            continue
        outcome = OUTCOMES[judge(drawn.text, reading)]
        found.append(([seen.height_px, seen.contrast, seen.blur_px / seen.stroke_px, seen.noise], outcome))
    return found


def count_cells(found: Sequence[tuple[list[float], str]]) -> dict[str, np.ndarray]:
    """Give the counts in every cell, by outcome."""
    shape = tuple(len(CENTRES[axis]) for axis in AXES)
    counts = {name: np.zeros(shape, int) for name in OUTCOMES.values()}
    for values, outcome in found:
        place = tuple(int(np.searchsorted(EDGES[axis], value)) for axis, value in zip(AXES, values, strict=True))
        counts[outcome][place] += 1
    return counts


def tabulate(counts: dict[str, np.ndarray]) -> dict[str, object]:
    """Give the table as it is packaged: the axes, counts by outcome in every cell, and the shares flagged, put in order.

    A faint display that is taken for one that is off counts with the flagged ones: either way the night lacks the reading.
    """
    count = np.sum(list(counts.values()), axis=0)
    unread = counts["flagged"] + counts["taken_for_off"]
    flagged = in_order(unread / np.maximum(count, 1), count)
    axes = {axis: {"edges": list(EDGES[axis]), "centres": list(CENTRES[axis])} for axis in AXES}
    outcomes = {name: cells.tolist() for name, cells in counts.items()}
    share_flagged = flagged.round(4).tolist()
    return {"displays": int(count.sum()), "axes": axes, "count": count.tolist(), **outcomes, "share_flagged": share_flagged}


def counts_of(path: Path) -> dict[str, np.ndarray]:
    """Give the counts of a table that was written before."""
    data = json.loads(path.read_text(encoding="utf-8"))
    if {axis: tuple(data["axes"][axis]["edges"]) for axis in AXES} != EDGES:
        raise SystemExit(f"{path} has other cells than this program; make it again")
    return {name: np.array(data[name], int) for name in OUTCOMES.values()}


def write_table(data: dict[str, object], path: Path) -> None:
    """Write the table; same data, same bytes."""
    path.write_text(json.dumps(data, separators=(",", ":")) + "\n", encoding="utf-8")


def legibility_text(data: dict[str, object]) -> str:
    """Give the section's text: what became of the displays along every axis."""
    counts = {name: np.array(data[name]) for name in OUTCOMES.values()}
    lines = []
    for number, axis in enumerate(AXES):
        others = tuple(other for other in range(len(AXES)) if other != number)
        sums = {name: counts[name].sum(axis=others) for name in OUTCOMES.values()}
        edges = ["0", *(f"{edge:g}" for edge in EDGES[axis]), ""]
        for cell in range(len(EDGES[axis]) + 1):
            whole = int(sum(sums[name][cell] for name in OUTCOMES.values()))
            upto = f"{edges[cell]} to {edges[cell + 1]}" if edges[cell + 1] else f"over {edges[cell]}"
            lines.append([axis, upto, str(whole), *(share(int(sums[name][cell]), whole) for name in OUTCOMES.values())])
    about = (
        f"{data['displays']} drawn displays, over the whole range and as in careful photos, read alone: exact and sure, flagged,"
        " or silently wrong in one of two ways. The other three values vary over their whole range in every row, so that rows"
        " compare with each other and say nothing of an ordinary photo. `frametally check` uses the four together."
    )
    return f"{about}\n\n{table(['value', 'range', 'displays', *(name.replace('_', ' ') for name in OUTCOMES.values())], lines)}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure, then write the table and the section."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--spread", type=int, default=2000, help="displays with values over the whole range")
    parser.add_argument("--careful", type=int, default=800, help="displays as in a careful person's photo")
    parser.add_argument("--merge", type=Path, nargs="*", default=[], metavar="TABLE", help="tables whose counts are added")
    parser.add_argument("--processes", type=int, default=1, help="processes side by side")
    parser.add_argument("--table", type=Path, help="the file to write the table to")
    parser.add_argument("--out", type=Path, help="a Markdown file to write the section into")
    asked = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    wanted = {"spread": asked.spread, "careful": asked.careful}
    tasks = [(kind, min(PART, whole - start), start // PART) for kind, whole in wanted.items() for start in range(0, whole, PART)]
    failed: list[str] = []
    found = [one for _, part in side_by_side(measure_part, tasks, asked.processes, failed) for one in part]
    counts = count_cells(found)
    for path in asked.merge:
        counts = {name: cells + counts_of(path)[name] for name, cells in counts.items()}
    data = tabulate(counts)
    if asked.table is not None:
        write_table(data, asked.table)
    text = legibility_text(data)
    if failed:
        text += f"\n\n**Could not be measured, and is in no figure:** {'; '.join(failed)}"
    write_section(asked.out, "Legibility: what single displays need", text)


if __name__ == "__main__":
    main()
