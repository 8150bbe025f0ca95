"""One display's samples to every figure the findings and charts need, computed once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from frametally.assess.exposure import (
    Bounded,
    Curve,
    Window,
    as_rolling,
    build_curve,
    known,
    mean,
    minutes_above,
    minutes_below,
    worst_window,
)
from frametally.assess.extremes import Extreme, find_extreme
from frametally.assess.facts import DisplayFacts
from frametally.assess.hourly import minutes_past_the_hour, worst_hours
from frametally.assess.limits import Limit, Statistic, level_for
from frametally.assess.samples import Samples, State, Timeline

Average = tuple[Statistic, float]
"""A way to average and its length. [min]"""


@dataclass(frozen=True)
class Study:
    """A display's figures: its curve over time, its highest and lowest reading, its mean, and its averages by length.

    `windows` has one entry per average that a limit asks for; `beyond` the minutes past each level [the display's unit] that a
    limit names, below it for oxygen deficiency (`level_for` gives a limit's level).
    """

    samples: Samples
    timeline: Timeline
    curve: Curve
    highest: Extreme | None
    lowest: Extreme | None
    mean: Bounded
    windows: dict[Average, Window | None]
    beyond: dict[str, Bounded]

    @property
    def facts(self) -> DisplayFacts:
        """What is known about the display."""
        return self.samples.facts

    def count(self, state: State) -> int:
        """Number of rows in a state."""
        return int((self.samples.states == state).sum())


def study_display(timeline: Timeline, samples: Samples, limits: tuple[Limit, ...]) -> Study:
    """Compute all figures of one display for the limits of its kind."""
    curve = build_curve(timeline, samples)
    unit = samples.facts.unit
    return Study(
        samples=samples,
        timeline=timeline,
        curve=curve,
        highest=find_extreme(samples, "highest"),
        lowest=find_extreme(samples, "lowest"),
        mean=mean(curve),
        windows=_find_windows(curve, timeline, limits),
        beyond={
            limit.id: minutes_below(curve, level_for(limit, unit))
            if limit.is_low_side
            else minutes_above(curve, level_for(limit, unit))
            for limit in limits
        },
    )


def _find_windows(curve: Curve, timeline: Timeline, limits: tuple[Limit, ...]) -> dict[Average, Window | None]:
    """The worst window of every average that the limits ask for, in the order of length."""
    asked = {(limit.averaging_min, limit.statistic) for limit in limits if limit.averaging_min and limit.is_of_one_night}
    past = minutes_past_the_hour(timeline) if any(statistic == "hourly-mean" for _, statistic in asked) else 0.0
    windows: dict[Average, Window | None] = {}
    fixed = {length: worst_window(curve, length) for length in sorted({one for one, _ in asked})}
    for length, statistic in sorted(asked):
        window = fixed[length]
        if statistic == "hourly-mean":
            window = worst_hours(curve, length, past)
        elif statistic == "rolling-mean" and window is not None:
            window = as_rolling(window, length)
        windows[statistic, length] = window
    return windows


def longest_unsettled(study: Study) -> tuple[float, int] | None:
    """Give the longest hole in the measured time and the row at which it begins; None where there is none. [min]"""
    measured = study.curve.measured.start > 0
    if measured.all():
        return None
    length, best, began = study.curve.length_min, (0.0, 0), None
    running = 0.0
    for piece, good in enumerate(measured):
        if good:
            running, began = 0.0, None
            continue
        began = piece if began is None else began
        running += float(length[piece])
        if running > best[0]:
            best = (running, began)
    return best if best[0] > 0 else None


def summarise(study: Study, limits: tuple[Limit, ...]) -> dict[str, object]:
    """Give the figures behind a display's charts and tables as plain numbers, None where open or not known."""
    facts, curve = study.facts, study.curve
    return {
        "quantity": facts.quantity,
        "unit": facts.unit,
        "instrument": facts.instrument,
        "kind": facts.kind,
        "range": list(facts.range) if facts.range else None,
        "resolution": facts.resolution,
        "accuracy": {"absolute": facts.accuracy.absolute, "relative": facts.accuracy.relative} if facts.accuracy else None,
        "rows": len(study.samples.values),
        "settled": study.count(State.SETTLED),
        "doubtful": study.count(State.DOUBTFUL),
        "over_range": study.count(State.OVER),
        "under_range": study.count(State.UNDER),
        "gaps": study.count(State.GAP),
        "span_min": curve.span_min,
        "measured_min": curve.measured_min,
        "usual_interval_min": curve.usual_interval_min,
        "highest": _summarise_extreme(study, study.highest),
        "lowest": _summarise_extreme(study, study.lowest),
        "mean": study.mean.as_dict(),
        "averages": [_summarise_window(average, window) for average, window in study.windows.items() if window is not None],
        "minutes_beyond": [
            {
                "limit": limit.id,
                "level": level_for(limit, facts.unit),
                "side": "below" if limit.is_low_side else "above",
                **study.beyond[limit.id].as_dict(),
            }
            for limit in limits
        ],
    }


def _summarise_extreme(study: Study, extreme: Extreme | None) -> dict[str, object] | None:
    if extreme is None:
        return None
    timeline = study.timeline
    time = timeline.times[extreme.row]
    settled_row = extreme.settled_row
    return {
        "value": known(extreme.value),
        "frame": timeline.frames[extreme.row],
        "time": None if time is None else time.isoformat(),
        "elapsed_min": known(float(timeline.elapsed_min[extreme.row])),
        "verified": extreme.is_verified,
        "open": extreme.is_open,
        "settled": known(extreme.settled),
        "settled_frame": None if settled_row is None else timeline.frames[settled_row],
    }


def _summarise_window(average: Average, window: Window) -> dict[str, object]:
    return {
        "statistic": average[0],
        "averaging_min": average[1],
        **window.bounds.as_dict(),
        "while_measured": known(window.while_measured),
        "from_min": window.start_min,
        "to_min": window.stop_min,
        "measured_min": window.measured_min,
        "rest_min": window.rest_min,
        "enough_measured": window.is_enough,
    }


def nearest_frames(study: Study, *moments: float) -> tuple[str, ...]:
    """Give the photos nearest to some moments, each once."""
    timed = study.timeline.elapsed_min[: study.timeline.timed]
    rows = [int(np.argmin(np.abs(timed - moment))) for moment in moments] if timed.size else []
    return tuple(dict.fromkeys(name for row in rows if (name := study.timeline.frames[row])))
