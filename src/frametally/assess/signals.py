"""Studies and the trial to plain signals for the topics that reckon across displays: in one unit, thinned, on shared moments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from frametally.assess.exposure import HOLE_AFTER
from frametally.assess.facts import QUANTITIES, DisplayFacts
from frametally.assess.samples import Bools, Floats, Timeline
from frametally.assess.study import Study
from frametally.assess.topic import of_kind, settled_series
from frametally.assess.units import factor, tidy_unit
from frametally.model import Trial

CHART_POINTS = 300
"""Most points of a time series among the figures."""

LEAST_SHARE = 0.5
"""A display with fewer settled readings than this share of the best-read one of its kind does not lead (own choice)."""


@dataclass(frozen=True)
class Signal:
    """One display's settled readings in the order of time: `minutes` since the first row, `values` in its unit (°F as °C)."""

    study: Study
    minutes: Floats
    values: Floats

    @property
    def facts(self) -> DisplayFacts:
        """What is known about the display."""
        return self.study.facts

    @property
    def timeline(self) -> Timeline:
        """When the rows were."""
        return self.study.timeline

    @property
    def step_min(self) -> float:
        """Usual time between readings; 0 where there are fewer than two. [min]"""
        gaps = np.diff(self.minutes)
        return float(np.median(gaps[gaps > 0])) if (gaps > 0).any() else 0.0

    @property
    def is_celsius(self) -> bool:
        """True where `values` are degrees Celsius, whatever the display shows."""
        return self.facts.kind in {"temp_c", "temp_f"}

    def half_step(self) -> float:
        """Half of what one step of the display is worth: stated, or the smallest change seen, or nothing. [unit of values]"""
        resolution = self.facts.resolution
        if resolution is not None:
            return resolution / 2 * (5 / 9 if self.facts.kind == "temp_f" else 1.0)
        steps = np.abs(np.diff(np.unique(np.round(self.values, 9))))
        return float(steps.min()) / 2 if steps.size else 0.0


def take_signal(study: Study) -> Signal:
    """Give a study's settled readings; temperatures in °C."""
    minutes, values = settled_series(study)
    return Signal(study, minutes, (values - 32) * 5 / 9 if study.facts.kind == "temp_f" else values)


def lead_signal(studies: Sequence[Study], *kinds: str) -> Signal | None:
    """Give the display that speaks for its kind: of those read often enough, the one that shows the worse air.

    For gases the higher mean counts (for oxygen the lower one), for anything else the display read most often.
    """
    signals = [one for one in map(take_signal, of_kind(studies, *kinds)) if len(one.minutes)]
    if not signals:
        return None
    most = max(len(one.minutes) for one in signals)
    often = [one for one in signals if len(one.minutes) >= LEAST_SHARE * most]
    kind = often[0].facts.kind
    if kind in {"co_ppm", "co2_ppm", "no2_ppm"}:
        return max(often, key=lambda one: float(one.values.mean()))
    if kind == "o2_pct":
        return min(often, key=lambda one: float(one.values.mean()))
    return max(often, key=lambda one: len(one.minutes))


def in_kinds_unit(signal: Signal) -> tuple[Signal, float]:
    """Give a gas's signal in the unit that its kind names (ppm, %), and what one of the display's own unit is in it."""
    kind = str(signal.facts.kind)
    own = QUANTITIES[kind][1]
    scale = factor(kind, tidy_unit(signal.facts.unit) or own, own)
    return replace(signal, values=signal.values * scale), scale


def elapsed_of(timeline: Timeline, when: datetime | None) -> float | None:
    """Give the minute of a moment of the trial; None where it is not stated or the two cannot be told against each other."""
    if when is None:
        return None
    for elapsed, time in zip(timeline.elapsed_min[: timeline.timed], timeline.times, strict=False):
        if time is not None:
            if (time.utcoffset() is None) != (when.utcoffset() is None):
                return None
            return float(elapsed) + (when - time).total_seconds() / 60
    return None


def block_edges(count: int, most: int) -> npt.NDArray[np.intp]:
    """Give the starts of at most `most` blocks of equally many consecutive readings."""
    return np.arange(0, count, readings_per_point(count, most), dtype=np.intp)


def readings_per_point(count: int, most: int = CHART_POINTS) -> int:
    """Give how many readings `thin` averages into each point it leaves."""
    return max(-(-count // most), 1)


def thin(minutes: Floats, values: Floats, most: int) -> tuple[Floats, Floats]:
    """Give means over blocks of consecutive readings, so that at most `most` are left."""
    if len(minutes) <= most:
        return minutes, values
    edges = block_edges(len(minutes), most)
    sizes = np.diff(np.append(edges, len(minutes)))
    return np.add.reduceat(minutes, edges) / sizes, np.add.reduceat(values, edges) / sizes


def interpolate(signal: Signal, moments: Floats) -> Floats:
    """Give a signal's values at other moments, straight between readings; NaN outside them and in gaps."""
    found = np.interp(moments, signal.minutes, signal.values, left=np.nan, right=np.nan)
    place = np.searchsorted(signal.minutes, moments)
    place = np.clip(place, 1, max(len(signal.minutes) - 1, 1))
    if len(signal.minutes) < 2:
        return np.where(moments == signal.minutes[0], signal.values[0], np.nan) if len(signal.minutes) else found
    wide = signal.minutes[place] - signal.minutes[place - 1] > 2 * HOLE_AFTER * signal.step_min
    exact = (moments == signal.minutes[place]) | (moments == signal.minutes[place - 1])
    return np.where(wide & ~exact, np.nan, found)


def smooth(values: Floats, width: int = 5) -> Floats:
    """Give a running median, which keeps steps and drops single spikes; the ends use what there is."""
    if len(values) < 3 or width < 3:
        return values.copy()
    half = width // 2
    padded = np.concatenate([np.full(half, np.nan), values, np.full(half, np.nan)])
    return np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)


def runs_of(mask: Bools) -> list[tuple[int, int]]:
    """Give the stretches of True as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def chart_series(minutes: Floats, **named: Floats) -> dict[str, list[float]]:
    """Give thinned series for the figures: `elapsed_min` and one list per name."""
    series = {"elapsed_min": [round(float(v), 2) for v in thin(minutes, minutes, CHART_POINTS)[0]]}
    for name, values in named.items():
        series[name] = [float(v) for v in thin(minutes, values, CHART_POINTS)[1]]
    return series


def burning_span(timeline: Timeline, trial: Trial | None) -> tuple[float | None, float | None]:
    """Give when the first appliance was lit and the last one put out, by the trial. [min]"""
    appliances = trial.appliance if trial else ()
    lit = [moment for one in appliances if (moment := elapsed_of(timeline, one.on)) is not None]
    out = [moment for one in appliances if (moment := elapsed_of(timeline, one.off)) is not None]
    return (min(lit) if lit else None), (max(out) if out and len(out) == len(appliances) else None)


OPENING_WORDS = ("open", "opened", "ajar", "aired", "airing", "ventilated")
CLOSING_WORDS = ("shut", "close", "closed", "sealed")


def air_events(timeline: Timeline, trial: Trial | None) -> list[tuple[float, str, bool]]:
    """Give the trial's events that speak of opening or shutting something: minute, words, True for opening; in order of time."""
    found = []
    for event in trial.event if trial else ():
        words = {word.strip(".,;:()").lower() for word in event.what.split()}
        opening, closing = words & set(OPENING_WORDS), words & set(CLOSING_WORDS)
        moment = elapsed_of(timeline, event.time)
        if moment is not None and (opening or closing):
            found.append((moment, event.what, bool(opening)))
    return sorted(found)
