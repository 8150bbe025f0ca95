"""Takes nothing, or photographs with labels; gives how right readings are: ours alone, together, in a night, beside Tesseract.

    python benchmarks/accuracy.py --out benchmarks/RESULTS.md [--photos LABELS_CSV] [--processes P] [--only dseg,nights,...]
    python benchmarks/accuracy.py --readings 50000 --processes 16 --lines nights.jsonl --out benchmarks/RESULTS.md
    python benchmarks/accuracy.py --seeds 10000:10130 --lines part1.jsonl      (a part of a big count, here or on another machine)
    python benchmarks/accuracy.py --merge part1.jsonl part2.jsonl --out benchmarks/RESULTS.md

A labels file has the columns image, x1, y1, ..., x4, y4 (the display's corners, clockwise from the digits' own top left, in
pixels), text (what stands there) and kind (any word; "dotmatrix" in it makes a text display); its images lie beside it. They are
read where they are and never copied.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
from measures.count import FRAMES, count_nights, count_text, read_lines, seeds_for, side_by_side
from measures.counting import SURE_FROM, Counts, Tally, Verdict, counts_table, table
from measures.nights import KINDS, Night, Wish, add_night, in_condition, measure, misses, on_text
from measures.readers import WITH_TEACHING
from measures.reliability import draw_figure, reliability_text
from measures.singles import FAILURES, Task, count_drawn, count_photographs, dseg_levels, text_groups
from measures.timing import measure_times, times_text
from report import write_section

from frametally.practice import CONDITIONS, TEXT_STYLES

PART = 20
"""Displays that one process draws and reads at a time."""

ALONE_EVERY = 4

WORDS = (
    f"*Sure* is what the program gives a confidence of {SURE_FROM:g} or more and does not flag as a doubt; *silently wrong* what"
    ' is sure and not what the display showed: a value, or a word or "off" where a number stood. *Exact* reads as the display'
    " does, sure or not; sure, silently wrong and flagged are all there is."
)


@dataclass
class Session:
    """What was asked, and what one section leaves for another."""

    asked: argparse.Namespace
    verdicts: list[Verdict] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    def counted(self, section: str, groups: Sequence[str], each: int) -> Counts:
        """Draw and read `each` displays of every group, parts side by side; the numbers do not depend on the processes."""
        tasks = [
            Task(section, group, min(PART, each - start), start // PART) for group in groups for start in range(0, each, PART)
        ]
        found = {}
        for task, counts in side_by_side(count_drawn, tasks, self.asked.processes, self.failed):
            found[task] = counts
            print(f"{section}, {task.group}: part {task.part + 1} is done, {len(found)} of {len(tasks)}", file=sys.stderr)
        whole = Counts()
        for task in (task for task in tasks if task in found):
            whole.merge(found[task])
        return whole


# --- sections ---------------------------------------------------------------------------------------------------------


def dseg(session: Session) -> str:
    """Others' digits in three levels."""
    groups = dseg_levels()
    if not groups:
        return "The DSEG fonts (Debian package fonts-dseg) are not on this machine."
    counts = session.counted("dseg", groups, session.asked.numbers)
    session.verdicts += counts.verdicts
    about = f"{session.asked.numbers} numbers with point and sign in each level, one picture at a time, only the mask given."
    return f"{about} {WORDS}\n\n{counts_table('level', counts)}"


def nights(session: Session) -> str:
    """Practice nights in every condition on every kind of display: the whole run."""
    asked = session.asked
    cells = [(condition, kind) for condition in CONDITIONS for kind in KINDS]
    wishes = {
        in_condition(condition, kind, number, asked.frames, ALONE_EVERY): (condition, kind)
        for condition, kind in cells
        for number in range(asked.nights)
    }
    found: dict[tuple[str, str], list[Night]] = {cell: [] for cell in cells}
    for wish, night in sorted_nights(side_by_side(measure, list(wishes), asked.processes, session.failed)):
        found[wishes[wish]].append(night)
    return night_text(found, asked.frames)


def sorted_nights(found: Iterable[tuple[Wish, Night]]) -> list[tuple[Wish, Night]]:
    """Give nights in the order of their seeds, in whatever order they came."""
    return sorted(found, key=lambda pair: pair[0].seed)


def named(wrong: Sequence[str]) -> str:
    """Give the list of what was silently wrong."""
    return "\n".join(f"- {line}" for line in wrong) or "Nothing was silently wrong in a run."


def night_text(found: dict[tuple[str, str], list[Night]], frames: int) -> str:
    """Give the section's text: by condition, by kind of display, and both for the whole run."""
    by_condition, by_kind, both = Counts(), Counts(), Counts()
    for (condition, kind), some in found.items():
        for night in some:
            add_night(by_condition, condition, night)
            add_night(by_kind, kind, night)
            add_night(both, f"{condition}, {kind}", night)
    conditions, kinds = (list(dict.fromkeys(cell[place] for cell in found)) for place in (0, 1))

    def cell(condition: str, kind: str) -> str:
        tally = both.tallies.get((f"{condition}, {kind}", WITH_TEACHING), Tally())
        return f"{tally.exact} of {tally.count}; {tally.silently_wrong}; {tally.flagged}"

    grid = [[condition, *(cell(condition, kind) for kind in kinds)] for condition in conditions]
    wrong = [line for some in found.values() for night in some for line in misses(night, ("silently_wrong", "misnamed"))]
    about = (
        f"Nights of {frames} photos with a puff of smoke and a display that is off for a while. With the night: the whole run,"
        f" where what is sure is vouched for. Alone: in one photo of {ALONE_EVERY}, places known from the reference frame, no"
        " neighbours."
    )
    return "\n\n".join(
        [
            f"{about} {WORDS}",
            counts_table("condition", by_condition),
            counts_table("kind of display", by_kind),
            "The whole run (exact of readable; silently wrong; flagged):",
            table(["condition", *kinds], grid),
            named(wrong),
        ]
    )


def photos(session: Session) -> str:
    """Photographs given by their labels."""
    counts = count_photographs(session.asked.photos)
    about = "Single photographs by strangers, no part of this project: no night to learn from, only the mask given."
    return f"{about} {WORDS}\n\n{counts_table('kind', counts)}"


def failures(session: Session) -> str:
    """Numbers made to provoke one kind of failure each."""
    counts = session.counted("failures", list(FAILURES), session.asked.pairs)
    session.verdicts += counts.verdicts
    about = (
        f"{session.asked.pairs} drawn numbers of each kind, 20 to 48 px high, in looks from the whole range, blurred, tilted,"
        " noisy and in weak light. Confusions are the failures of that kind, sure or not: the point elsewhere (three masks"
        " given), unlit bars read as lit (strong ghosts), one digit for another of the set, the sign lost or invented."
    )
    return f"{about}\n\n{counts_table('provoked', counts, more=('confusions',))}"


def text(session: Session) -> str:
    """Drawn text displays."""
    counts = session.counted("text", text_groups(), session.asked.texts)
    about = (
        f"{session.asked.texts} drawn displays of each screen and level, with a unit and other rows close by. The whole reader is"
        ' what a run uses for `kind = "text"`; beside it Tesseract on the plain crop, without preparation or mask.'
    )
    wishes = [on_text(style, number, session.asked.frames) for style in TEXT_STYLES for number in range(session.asked.nights)]
    whole, wrong = Counts(), []
    for wish, night in sorted_nights(side_by_side(measure, wishes, session.asked.processes, session.failed)):
        add_night(whole, wish.style, night)
        wrong += misses(night, ("silently_wrong", "misnamed"))
    runs = f"Practice nights of {session.asked.frames} photos with such displays, the whole run:"
    return "\n\n".join([about, counts_table("screen, level", counts), runs, counts_table("look", whole), named(wrong)])


def reliability(session: Session) -> str:
    """How far the confidence can be trusted: everything that the other sections drew, one display at a time."""
    if not session.verdicts:
        return "Ask for dseg or failures in the same run: their displays are what this is measured on."
    figure = session.asked.out.with_name("reliability.svg") if session.asked.out is not None else None
    if figure is not None:
        draw_figure(session.verdicts, figure)
    return reliability_text(session.verdicts, figure.name if figure is not None else "")


def time(session: Session) -> str:
    """Milliseconds for a display."""
    return times_text(measure_times(session.asked.timed))


def count(session: Session) -> str:
    """The big count over practice nights."""
    asked = session.asked
    if asked.merge:
        return count_text(read_lines(asked.merge))
    seeds = asked.seeds if asked.seeds is not None else seeds_for(asked.readings)
    return count_text(count_nights(seeds, asked.processes, asked.lines, session.failed, asked.frames))


SECTIONS: dict[str, tuple[str, Callable[[Session], str]]] = {
    "dseg": ("Accuracy: DSEG7 digits", dseg),
    "nights": ("Accuracy: practice nights in ten conditions", nights),
    "photos": ("Accuracy: photographs", photos),
    "failures": ("Accuracy: one kind of failure at a time", failures),
    "text": ("Accuracy: text displays", text),
    "reliability": ("Accuracy: how far the confidence can be trusted", reliability),
    "time": ("Time: one display", time),
    "count": ("Accuracy: many nights", count),
}


# --- the command ------------------------------------------------------------------------------------------------------


def seed_range(words: str) -> range:
    """Read "A:B" as the seeds from A up to, not with, B."""
    first, _, last = words.partition(":")
    if not (first.isdigit() and last.isdigit() and int(first) < int(last)):
        raise argparse.ArgumentTypeError(f"{words!r} is no range of seeds; give two numbers like 10000:10100")
    return range(int(first), int(last))


def sections(words: str) -> list[str]:
    """Read names of sections, with commas between."""
    unknown = [name for name in words.split(",") if name not in SECTIONS]
    if unknown:
        raise argparse.ArgumentTypeError(f"unknown section {unknown[0]!r}; choose from: {', '.join(SECTIONS)}")
    return [name for name in SECTIONS if name in words.split(",")]


def parse(arguments: Sequence[str] | None = None) -> argparse.Namespace:
    """Read the command line; a count asked for by number, seeds or files is made alone unless `--only` says otherwise."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", type=sections, metavar="NAMES", help=f"sections, of {', '.join(SECTIONS)}")
    parser.add_argument("--numbers", type=int, default=200, help="DSEG numbers in each level")
    parser.add_argument("--nights", type=int, default=1, help="nights for each condition and kind of display")
    parser.add_argument("--frames", type=int, default=FRAMES, help="photos in each night")
    parser.add_argument("--pairs", type=int, default=200, help="numbers for each kind of failure")
    parser.add_argument("--texts", type=int, default=20, help="text displays for each screen and level")
    parser.add_argument("--timed", type=int, default=30, help="photos whose displays are timed")
    parser.add_argument("--photos", type=Path, metavar="LABELS_CSV", help="photographs with labels")
    parser.add_argument("--readings", type=int, default=0, help="readings of practice nights to count")
    parser.add_argument("--seeds", type=seed_range, metavar="A:B", help="the nights to count, instead of --readings")
    parser.add_argument("--lines", type=Path, help="a file for one line of JSON a night; what it holds is not measured again")
    parser.add_argument("--merge", type=Path, nargs="+", metavar="FILE", help="counts made before, instead of measuring")
    parser.add_argument("--processes", type=int, default=1, help="processes side by side")
    parser.add_argument("--out", type=Path, help="a Markdown file to write the sections into")
    asked = parser.parse_args(arguments)
    counting = bool(asked.readings or asked.seeds or asked.merge)
    if asked.only is None:
        asked.only = ["count"] if counting else [name for name in SECTIONS if name != "count"]
    if not counting:
        asked.only = [name for name in asked.only if name != "count"]
    if asked.photos is None:
        asked.only = [name for name in asked.only if name != "photos"]
    return asked


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure, then print or write, section by section."""
    session = Session(parse(arguments))
    cv2.setNumThreads(1)
    for name in session.asked.only:
        title, measured = SECTIONS[name]
        before = len(session.failed)
        text = measured(session)
        for item in session.failed[before:]:
            text += f"\n\n**Could not be measured, and is in no figure:** {item}"
        write_section(session.asked.out, title, text)
    if session.failed:
        raise SystemExit(f"{len(session.failed)} parts could not be measured; stderr says why")


if __name__ == "__main__":
    main()
