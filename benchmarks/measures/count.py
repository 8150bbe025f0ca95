"""Takes how many readings to measure, or which seeds; draws and reads that many practice nights side by side, a line for each.

The lines (JSON) of several runs are merged into one table, so that a count of many thousand readings can be made in parts.
"""

from __future__ import annotations

import json
import os
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

from measures.counting import Counts, Tally, share, table
from measures.nights import Night, add_night, as_tally, measure, misses, of_seed
from measures.readers import WITH_TEACHING

FRAMES = 40
READINGS_A_NIGHT = 5 * (FRAMES - 2)
"""Five displays, and two photos missing where "gap" befalls the night."""

FIRST_SEED = 10_000
ALL = "all"

_In = TypeVar("_In")
_Out = TypeVar("_Out")


def side_by_side(
    work: Callable[[_In], _Out], items: Iterable[_In], processes: int, failed: list[str]
) -> Iterator[tuple[_In, _Out]]:
    """Do the work on each item in processes of one thread each; give items and results as they come.

    An item whose work fails is told on stderr, added to `failed` and left out: one fault does not lose a long count.
    """
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_THREAD_LIMIT"):
        os.environ.setdefault(variable, "1")  # more threads than cores would be in each other's way
    if processes <= 1:
        for item in items:
            with _told(item, failed):
                yield item, work(item)
        return
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(work, item): item for item in items}
        try:
            for done in as_completed(waiting):
                with _told(waiting[done], failed):
                    yield waiting[done], done.result()
        finally:
            for future in waiting:
                future.cancel()


@contextmanager
def _told(item: object, failed: list[str]) -> Iterator[None]:
    try:
        yield
    except Exception:
        failed.append(str(item))
        print(f"Could not measure {item}:\n{traceback.format_exc()}", file=sys.stderr)


def seeds_for(readings: int) -> range:
    """Give the seeds of as many nights as that many readings take."""
    return range(FIRST_SEED, FIRST_SEED + -(-readings // READINGS_A_NIGHT))


def count_nights(seeds: range, processes: int, lines: Path | None, failed: list[str], frames: int = FRAMES) -> list[Night]:
    """Measure the nights of these seeds; each is added to the file of lines as soon as it is done.

    Nights that the file holds already are not measured again.
    """
    known = {night.wish["seed"]: night for night in (read_lines([lines]) if lines is not None and lines.exists() else [])}
    nights = [known[seed] for seed in seeds if seed in known]
    wishes = [of_seed(seed, frames) for seed in seeds if seed not in known]
    for wish, night in side_by_side(measure, wishes, processes, failed):
        nights.append(night)
        if lines is not None:
            with lines.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(night), sort_keys=True) + "\n")
        score = as_tally(night.scores[WITH_TEACHING])
        print(
            f"{len(nights)} of {len(seeds)}: {wish.style}, {wish.condition}, seed {wish.seed}: {score.exact} of {score.count},"
            f" silently wrong {score.silently_wrong}; drawn in {night.draw_s:.1f} s, read in {night.read_s:.1f} s",
            file=sys.stderr,
        )
        for line in misses(night):
            print(f"    {line}", file=sys.stderr)
    return sorted(nights, key=lambda night: night.wish["seed"])


def read_lines(files: Iterable[Path]) -> list[Night]:
    """Read the lines of earlier counts; a night that several files hold counts once. A line cut off by a stop is passed over."""
    nights: dict[int, Night] = {}
    for path in files:
        for line in path.read_text(encoding="utf-8").splitlines():
            try:
                night = Night(**json.loads(line))
            except (json.JSONDecodeError, TypeError):
                print(f"{path}: a line is no night's and is left out: {line[:60]}", file=sys.stderr)
                continue
            nights[night.wish["seed"]] = night
    return [nights[seed] for seed in sorted(nights)]


HEADS = (
    "readings",
    "readable",
    "exact",
    "of these vouched for",
    "silently wrong: value",
    "silently wrong: word or off",
    "flagged",
    "unreadable displays flagged otherwise than expected",
)


def count_text(nights: list[Night]) -> str:
    """Give the section's text: by condition, by look, all together, and every silently wrong reading by name."""
    if not nights:
        return "No night was measured."
    groups: dict[str, list[Night]] = {}
    for field in ("condition", "style"):
        for night in nights:
            groups.setdefault(f"{field}: {night.wish[field]}", []).append(night)
    lines = [[name, *_cells(some)] for name, some in groups.items()]
    lines.append([f"**{ALL}**", *_cells(nights)])
    frames = sum(night.wish["frames"] for night in nights)
    drawn, read = sum(night.draw_s for night in nights), sum(night.read_s for night in nights)
    seeds = [night.wish["seed"] for night in nights]
    about = (
        f"{len(nights)} nights (seeds {min(seeds)} to {max(seeds)}), every trouble in each, looks and conditions in turn; the"
        f" whole run with neighbours and teaching. Processor time a photo: {1000 * drawn / frames:.0f} ms to draw,"
        f" {1000 * read / frames:.0f} ms to read its displays, everything counted in. *Exact* is the number shown, also where it"
        " is given as a doubt; *flagged* are those not vouched for, doubts and displays without a value."
    )
    wrong = [line for night in nights for line in misses(night, ("silently_wrong", "misnamed"))]
    named = "\n".join(f"- {line}" for line in wrong) or "No reading was silently wrong."
    return f"{about}\n\n{table(['nights', *HEADS], lines)}\n\n{named}"


def _cells(nights: list[Night]) -> list[str]:
    counts = Counts()
    for night in nights:
        add_night(counts, ALL, night)
    tally = counts.tallies.get((ALL, WITH_TEACHING), Tally())
    scores = [night.scores[WITH_TEACHING] for night in nights]
    troubles, misflagged = sum(score["troubles"] for score in scores), sum(len(score["misflagged"]) for score in scores)
    return [
        str(sum(night.readings for night in nights)),
        str(tally.count),
        f"{tally.exact} ({tally.exact / max(tally.count, 1):.3%})",
        f"{tally.right} ({tally.right / max(tally.count, 1):.3%})",
        str(tally.wrong_value),
        str(tally.wrong_state),
        share(tally.flagged, tally.count),
        f"{misflagged} of {troubles}",
    ]
