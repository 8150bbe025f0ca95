"""The gas displays of a night to the air that was breathed: piece by piece, with a lower, a middle and an upper value.

Takes studies; gives `Breathed`. Of several instruments the higher carbon monoxide counts, and the lower oxygen. A middle value
runs straight across gaps; the lower one counts them as none of the gas, the upper one as the night's highest reading. While
one instrument was read and another was not, the other may have shown more by as much as it ever did tonight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.samples import Bools, Floats
from frametally.assess.study import Study
from frametally.assess.topic import of_kind
from frametally.assess.uptake import OUTDOOR_OXYGEN

LONGEST_PIECE_MIN = 5.0
"""Longer pieces are cut, so that a straight rise is not taken as a step. [min]"""
SHORTEST_PIECE_MIN = 2.5
"""Shorter pieces are put together: what the blood takes up follows the mean over minutes. [min]"""
MOST_CUTS = 200
"""No piece is cut into more parts than this: a pause of days needs no finer course."""

LEAST_SHARED = 30
"""So many intervals must two instruments have been read together to say how far they can differ (own choice)."""

SLOW_METER_MIN = 15.0
"""For so long a slow meter may stay out of its range after a peak that a quicker one has shown (own choice). [min]"""

SHOWN_OUTDOORS = 20.9
"""What oxygen displays show in fresh air. [%]"""


@dataclass(frozen=True)
class Breathed:
    """The air over time, in pieces.

    `knots` are the pieces' ends [min] (pieces + 1); `lower`, `middle`, `upper` the carbon monoxide [ppm], with the stated
    errors in the outer two; `oxygen` and `oxygen_least` the share of oxygen; `open_from` the moment [min] from which
    the carbon monoxide has no known upper end, None where it always has.
    """

    knots: Floats
    lower: Floats
    middle: Floats
    upper: Floats
    oxygen: Floats
    oxygen_least: Floats
    open_from: float | None

    @property
    def length_min(self) -> Floats:
        """How long each piece lasts. [min]"""
        return np.diff(self.knots)


Line = tuple[Floats, Floats]
"""Value at the start and at the end of every piece."""


def find_monoxide(studies: Sequence[Study]) -> list[Study]:
    """Give the carbon monoxide displays that showed any settled number or ran out of their range."""
    return [one for one in studies if one.facts.kind == "co_ppm" and (one.samples.settled | one.samples.over).any()]


def find_breathed(studies: Sequence[Study]) -> Breathed | None:
    """Give the air that was breathed; None where no carbon monoxide was measured over any time."""
    sources = find_monoxide(studies)
    if not sources or sources[0].curve.span_min <= 0:
        return None
    lower, middle, upper = _bound_monoxide(sources)
    oxygen, oxygen_least = _bound_oxygen(of_kind(studies, "o2_pct"), len(lower[0]))
    knots = sources[0].curve.lower.knots
    parts = np.clip(np.ceil(np.diff(knots) / LONGEST_PIECE_MIN - 1e-9), 1, MOST_CUTS).astype(int)
    cut = _Cut(parts, knots)
    open_pieces = np.flatnonzero(_is_open(sources) & (np.diff(knots) > 0))
    return Breathed(
        knots=cut.knots,
        lower=cut.means(lower),
        middle=cut.means(middle),
        upper=cut.means(upper),
        oxygen=cut.means(oxygen),
        oxygen_least=cut.means(oxygen_least),
        open_from=float(knots[open_pieces[0]]) if open_pieces.size else None,
    )


class _Cut:
    """Cuts long pieces into equal parts and puts short ones together; gives the mean of straight lines over each."""

    def __init__(self, parts: np.ndarray, knots: Floats) -> None:
        first = np.cumsum(parts) - parts
        self.piece = np.repeat(np.arange(len(parts)), parts)
        self.place = np.arange(int(parts.sum())) - first[self.piece]
        self.parts = parts[self.piece]
        start, stop = knots[:-1][self.piece], knots[1:][self.piece]
        ends = np.concatenate([knots[:1], start + (stop - start) * (self.place + 1) / self.parts])
        self.length = np.diff(ends)
        # The small allowance keeps pieces of exactly the shortest length apart, whatever the rounding of minutes did to them.
        group = np.floor((ends[:-1] - ends[0]) / SHORTEST_PIECE_MIN + 1e-6)
        self.heads = np.flatnonzero(np.diff(group, prepend=-1.0) > 0)
        self.knots = np.append(ends[self.heads], ends[-1])

    def means(self, line: Line) -> Floats:
        start, stop = line[0][self.piece], line[1][self.piece]
        values = start + (stop - start) * (self.place + 0.5) / self.parts
        total = np.add.reduceat(values * self.length, self.heads)
        # Rows that share a moment make pieces of no length; what stands in them does not matter.
        whole = np.diff(self.knots)
        return np.divide(total, whole, out=np.zeros_like(total), where=whole > 0)


def _bound_monoxide(sources: Sequence[Study]) -> tuple[Line, Line, Line]:
    """Lower, middle and upper carbon monoxide at both ends of every piece, from all instruments. [ppm]"""
    lows, highs, shown = [], [], []
    for study in sources:
        curve = study.curve
        good = curve.measured.start > 0
        lows.append([np.maximum(end - _error_at(study, end), 0) * good for end in (curve.lower.start, curve.lower.stop)])
        highs.append([end + _error_at(study, end) for end in (curve.upper.start, curve.upper.stop)])
        shown.append([np.where(good, end, -np.inf) for end in (curve.middle.start, curve.middle.stop)])
    _narrow(sources, highs, shown)
    middle = _bridge(sources, (np.max([one[0] for one in shown], axis=0), np.max([one[1] for one in shown], axis=0)))
    lower = (np.max([one[0] for one in lows], axis=0), np.max([one[1] for one in lows], axis=0))
    upper = (np.max([one[0] for one in highs], axis=0), np.max([one[1] for one in highs], axis=0))
    return lower, middle, upper


def _narrow(sources: Sequence[Study], highs: list[list[Floats]], shown: list[list[Floats]]) -> None:
    """Bring down, in `highs`, the upper values of an instrument that was not read while another one was, within its range."""
    bounds = [list(one) for one in highs]
    for study, high, own in zip(sources, highs, shown, strict=True):
        hole = study.curve.measured.start <= 0
        for other, other_bound, theirs in zip(sources, bounds, shown, strict=True):
            closed = (other.curve.measured.start > 0) & ~other.curve.open_above
            both = closed & ~hole
            if other is study or both.sum() < LEAST_SHARED:
                continue
            more = max(0.0, *(float((mine[both] - its[both]).max()) for mine, its in zip(own, theirs, strict=True)))
            for end in (0, 1):
                high[end] = np.where(hole & closed, np.minimum(high[end], other_bound[end] + more), high[end])


def _bridge(sources: Sequence[Study], line: Line, highest: bool = True) -> Line:
    """Put straight lines between settled readings where no instrument measured; level before the first and after the last."""
    knots = sources[0].curve.lower.knots
    count = len(knots)
    sign = 1.0 if highest else -1.0
    level = np.full(count, -np.inf)
    for study in sources:
        samples = study.samples
        shown = np.where(samples.over[:count], samples.top, np.where(samples.settled[:count], samples.values[:count], np.nan))
        level = np.fmax(level, np.where(np.isfinite(shown), sign * shown, -np.inf))
    there = np.isfinite(level)
    if not there.any():
        return np.zeros(count - 1), np.zeros(count - 1)
    across = sign * np.interp(knots, knots[there], level[there])
    hole = ~np.isfinite(line[0])
    return np.where(hole, across[:-1], line[0]), np.where(hole, across[1:], line[1])


def _error_at(study: Study, values: Floats) -> Floats:
    """The stated error of an instrument at some readings; 0 where none is stated."""
    accuracy = study.facts.accuracy
    if accuracy is None:
        return np.zeros_like(values)
    return np.maximum(accuracy.absolute, accuracy.relative * np.abs(values))


def _is_open(sources: Sequence[Study]) -> Bools:
    """Pieces without an upper end: some instrument has none there, and no other one, within its range, says how high it was."""
    opened = np.zeros(len(sources[0].curve.lower.start), dtype=bool)
    for study in sources:
        others = [other for other in sources if other is not study]
        good = [(other.curve.measured.start > 0) & ~other.curve.open_above for other in others]
        bare = study.samples.over[: len(opened) + 1] & ~_explained(study, others)
        closed = np.logical_or.reduce([np.zeros(len(opened), dtype=bool), *good]) & ~(bare[:-1] | bare[1:])
        opened |= study.curve.open_above & ~closed
    return opened


def _explained(study: Study, others: Sequence[Study]) -> Bools:
    """Rows in which an instrument out of its range is explained by another that showed as much just before, within its own."""
    timed = study.timeline.timed
    moments, top = study.timeline.elapsed_min[:timed], study.samples.top
    enough = np.zeros(timed, dtype=bool)
    for other in others:
        values = other.samples.values[:timed]
        with np.errstate(invalid="ignore"):
            enough |= other.samples.settled[:timed] & (values + _error_at(other, values) >= top)
    counts = np.concatenate([[0], np.cumsum(enough)])
    first, last = np.searchsorted(moments, moments - SLOW_METER_MIN), np.searchsorted(moments, moments, side="right")
    return np.asarray(counts[last] > counts[first])


def _bound_oxygen(sources: Sequence[Study], pieces: int) -> tuple[Line, Line]:
    """Share of oxygen as shown, and the least it may have been; fresh air where there is no display."""
    if not sources:
        fresh = np.full(pieces, OUTDOOR_OXYGEN)
        return (fresh, fresh), (fresh, fresh)
    shown, least = [], []
    for study in sources:
        curve = study.curve
        good = curve.measured.start > 0
        shown.append([np.where(good, end, np.inf) for end in (curve.middle.start, curve.middle.stop)])
        least.append([end - _error_at(study, end) for end in (curve.lower.start, curve.lower.stop)])
    middle = _bridge(
        sources, (np.min([one[0] for one in shown], axis=0), np.min([one[1] for one in shown], axis=0)), highest=False
    )
    lowest = (np.min([one[0] for one in least], axis=0), np.min([one[1] for one in least], axis=0))
    return _as_share(middle), _as_share(lowest)


def _as_share(line: Line) -> Line:
    start, stop = (np.clip(end / SHOWN_OUTDOORS, 0, 1) * OUTDOOR_OXYGEN for end in line)
    return start, stop
