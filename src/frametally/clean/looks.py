"""Takes a night's records; gives what every reading became: by its first look, and by the second where the first left it open.

What the first look settles, no second one can turn.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from frametally.clean.alternating import SURE, find_shown
from frametally.clean.rules import CONFIDENT, Settled, find_events, settle
from frametally.model import Display, Flag, FrameRecord, Method, Reading

SUSPICIOUS = 0.5
"""A display taken for off whose bars spell a number with this probability is worth a second look."""

_ANSWERS = frozenset({Flag.OK, Flag.REPAIRED, Flag.OVER_RANGE, Flag.UNDER_RANGE, Flag.STATUS})

FROM_UNSEEN = 0.999
"""A display that was not found at first shows a doubtful number only where its neighbours make it more probable than this: what
stands in front may look like digits."""

DOUBT_AT_MOST = 0.95
"""No doubt is told to be more probable than this: on practice nights, of 169 that the neighbours made all but certain, 160 were
right."""

Judged = dict[str, list[Settled]]
"""By display key: what every record's reading became."""


def judge_night(records: Sequence[FrameRecord], displays: Sequence[Display], method: Method) -> Judged:
    """Judge all readings, the second ones where the first leave it open.

    A second reading counts where it settles the value, alone or with its neighbours: it is `repaired` where it says something
    else than the first, and what it says itself where it says the same. Of two doubts the likelier counts, and stays one.
    """
    judged = _with_second_looks(records, displays, method)
    return {key: [_as_a_doubt(item) for item in items] for key, items in judged.items()}


def _with_second_looks(records: Sequence[FrameRecord], displays: Sequence[Display], method: Method) -> Judged:
    first = judge_first(records, displays, method)
    if not any(record.again for record in records):
        return first
    again = {
        key: [
            record.again.get(key) if is_open(item) or is_unseen(item) else None
            for record, item in zip(records, judged, strict=True)
        ]
        for key, judged in first.items()
    }
    raw = {key: [new or item.reading for new, item in zip(again[key], first[key], strict=True)] for key in first}
    second = _judged(raw, records, displays, method)
    return {
        key: [
            item if new is None else _answer(item, other)
            for item, other, new in zip(first[key], second[key], again[key], strict=True)
        ]
        for key in first
    }


def judge_first(records: Sequence[FrameRecord], displays: Sequence[Display], method: Method) -> Judged:
    """Judge the first readings alone."""
    raw = {display.key: [_reading_of(record, display.key) for record in records] for display in displays}
    return _judged(raw, records, displays, method)


def _as_a_doubt(item: Settled) -> Settled:
    return replace(item, confidence=min(item.confidence, DOUBT_AT_MOST)) if item.flag is Flag.DOUBTFUL else item


def is_open(item: Settled) -> bool:
    """Tell whether a first reading left open what the display showed, so that a second look is worth its while."""
    if item.elsewhere:
        return False
    if item.flag in (Flag.DOUBTFUL, Flag.UNREADABLE):
        return True
    rivals = item.reading.rivals
    return item.flag is Flag.BLANK and bool(rivals) and rivals[0].value is not None and rivals[0].probability >= SUSPICIOUS


def is_unseen(item: Settled) -> bool:
    """Tell whether a display was not found, or something stood before it: where it stood may be told by the photos around."""
    return not item.elsewhere and item.flag in (Flag.HIDDEN, Flag.LOST)


def is_model(item: Settled) -> bool:
    """Tell whether a display can be learned from a reading: the bars alone settle it, and the neighbours agree."""
    reading = item.reading
    return item.flag is Flag.OK and reading.reader == "segments" and reading.confidence >= CONFIDENT


def _answer(first: Settled, second: Settled) -> Settled:
    if second.flag is Flag.DOUBTFUL and second.value is not None:
        least = FROM_UNSEEN if is_unseen(first) else first.confidence
        is_likelier = first.flag in (Flag.DOUBTFUL, Flag.HIDDEN, Flag.LOST) and second.confidence > least
        return Settled(first.reading, second.value, Flag.DOUBTFUL, second.confidence, taught=True) if is_likelier else first
    if second.flag not in _ANSWERS:
        return first
    same = second.value == first.reading.value
    flag = second.flag if same or second.flag is not Flag.OK else Flag.REPAIRED
    return Settled(first.reading, second.value, flag, second.confidence, taught=True)


def _judged(
    raw: Mapping[str, Sequence[Reading]], records: Sequence[FrameRecord], displays: Sequence[Display], method: Method
) -> Judged:
    elapsed = elapsed_min([record.time for record in records])
    shown = find_shown(raw, elapsed, displays)
    mine = {key: [i for i in range(len(records)) if key not in shown or not shown[key][i] <= 1 - SURE] for key in raw}
    events = {}
    for display in displays:
        own = mine[display.key]
        events[display.key] = np.zeros(len(records), bool)
        events[display.key][own] = find_events([raw[display.key][i] for i in own], [elapsed[i] for i in own], display)
    judged = {}
    for display in displays:
        key, own = display.key, mine[display.key]
        others = [found for other, found in events.items() if other != key]
        event = np.any(others, axis=0) if others else np.zeros(len(records), bool)
        settled = settle([raw[key][i] for i in own], [elapsed[i] for i in own], display, method.doubtful_below, event[own])
        whole = [_shown_another(reading) for reading in raw[key]]
        for i, item in zip(own, settled, strict=True):
            whole[i] = item if key not in shown or not shown[key][i] < SURE else _perhaps_another(item, float(shown[key][i]))
        judged[key] = whole
    return judged


def _shown_another(reading: Reading) -> Settled:
    """Judge what a display reads while another one is shown at its place: nothing of its own."""
    return Settled(reading, None, Flag.BLANK, SURE, elsewhere=True)


def _perhaps_another(item: Settled, share: float) -> Settled:
    """Judge what may as well be another display's reading: whatever the bars say, it is a doubt."""
    if item.value is None:
        return item
    return replace(item, flag=Flag.DOUBTFUL, confidence=min(item.confidence, share))


def _reading_of(record: FrameRecord, key: str) -> Reading:
    if record.problem:
        return Reading("", None, 1.0, Flag.NO_FRAME)
    return record.readings.get(key, Reading("", None, 0.0, Flag.LOST))


def elapsed_min(times: Sequence[datetime | None]) -> list[float]:
    """Give the minutes since the first known time, NaN where there is none."""
    first = next((time for time in times if time is not None), None)
    return [float("nan") if time is None or first is None else (time - first).total_seconds() / 60 for time in times]
