"""The second look: takes a journal whose frames are all read; adds what the settled frames teach of each display, and the open
readings read once more with that; displays that were not found, where the photos around them say that they stood.

Everything is chosen from the journal's first readings alone, so that a stopped run goes on where it was, and what the first look
settled no second one sees.
"""

from __future__ import annotations

import hashlib
import json
import logging
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from functools import partial
from typing import Any

from frametally.aim import Stand
from frametally.clean import Settled, is_model, is_open, is_unseen, judge_first
from frametally.engines import Engine
from frametally.errors import BadInput
from frametally.eyes import Eyes, Stood
from frametally.journal import Journal, Lessons
from frametally.model import Flag, Frame, FrameRecord, Method
from frametally.read import LEAST_SIGHTS, Lesson, conclude

log = logging.getLogger("frametally")

Progress = Callable[[int, int], None]
"""Called with frames done and frames in all."""

SAMPLE = 24
"""Settled frames that teach, one from each part of the night."""

ENOUGH = 12
"""A display that is settled in fewer of those gets more of its own, up to this many."""

Around = dict[int, tuple[int | None, int | None]]
"""By the number of a record in which a display was not found: the last record before that has it, and the first after."""

Models = Mapping[str, Mapping[int, str]]
"""By display key: the texts of the settled readings it can be learned from, by the record's number."""


def teach(
    eyes: Eyes, frames: Sequence[Frame], method: Method, journal: Journal, engine: Engine, progress: Progress | None = None
) -> None:
    """Learn from the settled frames and read the open ones again; what the journal holds of that already stays.

    Parameters
    ----------
    frames : in the order of time; the journal knows all of them
    progress : called with frames done and in all, the open ones counted a second time
    """
    records = [replace(journal.known[frame.name], time=frame.time) for frame in frames]
    displays = [display for display in eyes.calibration.displays if display.kind == "segments"]
    judged = judge_first(records, eyes.calibration.displays, method)
    around = {key: _around(items) for key, items in judged.items()}
    doubts = {d.key: [i for i, item in enumerate(judged[d.key]) if is_open(item)] for d in displays}
    models = {
        d.key: {i: item.reading.text for i, item in enumerate(judged[d.key]) if is_model(item)} for d in displays if doubts[d.key]
    }
    chosen = choose(models)
    if not chosen and not any(around.values()):
        return
    made_of = _fingerprint(chosen, models, around, records)
    if journal.lessons is None or journal.lessons.made_of != made_of:
        journal.append_lessons(Lessons(made_of, _learned(eyes, frames, records, chosen, models, engine)))
    _read_again(eyes, frames, records, doubts, around, journal, engine, progress)


def forget(journal: Journal) -> None:
    """Make second readings of earlier runs void."""
    if journal.lessons is not None and journal.lessons.made_of:
        journal.append_lessons(Lessons(""))


def choose(models: Models) -> dict[str, list[int]]:
    """Choose the frames that teach each display, spread over the night and over what the digits show; as few photos as will do.

    The night is cut into SAMPLE parts, and from each the frame is taken from which most displays can be learned; of those the
    one that shows most digits at places where no frame before it did; of those the first. Displays with too few settled frames
    are left out.
    """
    models = {key: texts for key, texts in models.items() if len(texts) >= LEAST_SIGHTS}
    usable = sorted({index for texts in models.values() for index in texts})
    seen: set[tuple[str, int, str]] = set()
    chosen: set[int] = set()

    def take(some: Sequence[int]) -> None:
        best = max(some, key=lambda i: (_width(models, i), len(_shapes(models, i) - seen), -i))
        chosen.add(best)
        seen.update(_shapes(models, best))

    parts = min(SAMPLE, len(usable))
    for part in range(parts):
        take(usable[part * len(usable) // parts : (part + 1) * len(usable) // parts])
    for texts in models.values():
        while (missing := min(ENOUGH, len(texts)) - len(chosen & texts.keys())) > 0:
            left = sorted(texts.keys() - chosen)
            take(left[: max(1, len(left) // missing)])
    return {key: sorted(chosen & texts.keys()) for key, texts in models.items()}


def _width(models: Models, index: int) -> int:
    return sum(index in texts for texts in models.values())


def _shapes(models: Models, index: int) -> set[tuple[str, int, str]]:
    """Give which digits a frame shows at which place of which display."""
    return {
        (key, place, digit)
        for key, texts in models.items()
        for place, digit in enumerate(reversed(texts.get(index, "")))
        if digit.isdigit()
    }


def _around(judged: Sequence[Settled]) -> Around:
    seen = [index for index, item in enumerate(judged) if item.flag is not Flag.NO_FRAME and not is_unseen(item)]
    around: Around = {}
    for index in (index for index, item in enumerate(judged) if is_unseen(item)) if seen else ():
        place = bisect_left(seen, index)
        around[index] = seen[place - 1] if place else None, seen[place] if place < len(seen) else None
    return around


def _fingerprint(
    chosen: Mapping[str, list[int]], models: Models, around: Mapping[str, Around], records: Sequence[FrameRecord]
) -> str:
    sample = {key: [[records[i].frame, records[i].sha256, models[key][i]] for i in indices] for key, indices in chosen.items()}
    stood = {
        key: [[None if i is None else records[i].sha256 for i in (index, *pair)] for index, pair in some.items()]
        for key, some in around.items()
        if some
    }
    return hashlib.sha256(json.dumps([sample, stood], sort_keys=True).encode()).hexdigest()


def _learned(
    eyes: Eyes,
    frames: Sequence[Frame],
    records: Sequence[FrameRecord],
    chosen: Mapping[str, list[int]],
    models: Models,
    engine: Engine,
) -> dict[str, Any]:
    """Give the lessons of all displays that could be learned, as JSON can hold them."""

    indices = sorted({index for some in chosen.values() for index in some})
    texts = {index: {key: models[key][index] for key, some in chosen.items() if index in some} for index in indices}
    samples = ((frames[index], records[index], texts[index]) for index in indices)
    with closing(engine.in_order(eyes.study, samples)) as studied:
        seen = list(studied)
    lessons = {}
    for key in chosen:
        sights = [sights[key] for sights in seen if key in sights]
        lesson = conclude(sights)
        if lesson is None:
            log.info("The settled frames are too few or too unlike one another to teach anything of %s.", key)
        elif not eyes.reader.taught({key: lesson}).recalls(key, sights):
            log.info("What the settled frames teach of %s does not give back their own readings, so it is not used.", key)
        else:
            lessons[key] = lesson.to_dict()
    return lessons


def _read_again(
    eyes: Eyes,
    frames: Sequence[Frame],
    records: Sequence[FrameRecord],
    doubts: Mapping[str, list[int]],
    around: Mapping[str, Around],
    journal: Journal,
    engine: Engine,
    progress: Progress | None,
) -> None:
    lessons = _lessons(journal)
    taught = eyes.reader.taught(lessons)
    open_keys: dict[int, list[str]] = {}
    for indices in ({key: doubts[key] for key in lessons}, around):
        for key, some in indices.items():
            for index in some:
                open_keys.setdefault(index, []).append(key)
    total = len(frames) + len(open_keys)
    waiting = {}
    for index, keys in sorted(open_keys.items()):
        again = journal.known[frames[index].name].again
        if left := [key for key in keys if key not in again]:
            waiting[index] = left
    if not waiting:
        return
    log.info("Looking again at %d frames whose displays were doubtful or not found.", len(waiting))

    done = total - len(waiting)
    stood = _stood(eyes, frames, records, waiting, around, engine)
    doubtful = ((frames[index], records[index], keys, stood.get(index, {})) for index, keys in waiting.items())
    with closing(engine.in_order(partial(eyes.look_again, taught), doubtful)) as looks:
        for number, (index, readings) in enumerate(zip(waiting, looks, strict=True), start=done + 1):
            if readings is not None:
                journal.append_again(frames[index].name, readings)
            if progress is not None:
                progress(number, total)


def _stood(
    eyes: Eyes,
    frames: Sequence[Frame],
    records: Sequence[FrameRecord],
    waiting: Mapping[int, list[str]],
    around: Mapping[str, Around],
    engine: Engine,
) -> dict[int, dict[str, Stood]]:
    """Give for the waiting frames where the displays stood that were not found in them: before and after, by their keys."""
    pairs = {index: {key: around[key][index] for key in keys if index in around[key]} for index, keys in waiting.items()}
    needed = sorted({i for some in pairs.values() for pair in some.values() for i in pair if i is not None})
    with closing(engine.in_order(eyes.place, ((frames[i], records[i]) for i in needed))) as found:
        places = dict(zip(needed, found, strict=True))

    def stand(index: int | None, key: str) -> Stand | None:
        placement = None if index is None else places[index]
        if placement is None or key not in placement.corners:
            return None
        return Stand(placement.shift, placement.corners[key])

    return {
        index: {key: (stand(before, key), stand(after, key)) for key, (before, after) in some.items()}
        for index, some in pairs.items()
    }


def _lessons(journal: Journal) -> dict[str, Lesson]:
    try:
        return {key: Lesson.from_dict(data) for key, data in (journal.lessons or Lessons("")).displays.items()}
    except (KeyError, TypeError, ValueError):
        raise BadInput(f"{journal.path} holds lessons that are none; start over with --fresh (the old journal is kept)") from None
