"""The tables and trials of several nights to what changed between them: every figure with its bounds, against the first night.

Takes tables of readings, displays and trials; gives a `Comparison`. Every night is assessed in the same way, here and now, so
that no difference comes from two versions of the program. A change counts as settled only where the bounds of both figures
do not meet: gaps, doubtful readings, range ends and the makers' stated errors are all in them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from frametally.assess.assessment import assess
from frametally.assess.conditions import compare_conditions, judge_conditions, parts_that
from frametally.assess.facts import DisplayFacts, gather_facts
from frametally.assess.limits import level_for, limits_for
from frametally.assess.night_figures import NightData, Shown, air_change_rows, course_rows, water_rows
from frametally.assess.samples import Floats, State, Timeline, read_samples
from frametally.assess.scales import common_scale, family_of, place_of
from frametally.assess.signals import burning_span
from frametally.assess.study import Study, study_display
from frametally.assess.topic import settled_series
from frametally.assess.wording import write_list, write_minutes
from frametally.compared import Alignment, ComparedNight, Comparison, Course, Line, Row
from frametally.errors import BadInput
from frametally.model import Assessment, Display, Trial

LEAST_SHARED_MIN = 30.0
"""Shorter hours in common are not enough to form means of. [min]"""

LONGEST_BEFORE_MIN = 12 * 60.0
"""A switch-on longer before the first reading than this, or after the last, belongs to another night. [min]"""

RISEN_SHARE = 0.05
"""A reading that has risen by no more than this share of the whole rise counts as before it (own choice)."""

LEAST_MEASURED_SHARE = 0.9
"""A night measured for less than this share of its time gets a notice (own choice)."""

_STATE_LETTERS = {State.SETTLED: "s", State.DOUBTFUL: "d", State.OVER: "o", State.UNDER: "u"}


@dataclass(frozen=True)
class NightInput:
    """One night as it was read: a name that is unique among the nights, and what `assess` takes."""

    name: str
    title: str
    table: pd.DataFrame
    displays: Sequence[Display | DisplayFacts]
    trial: Trial | None


def compare_nights(inputs: Sequence[NightInput]) -> Comparison:
    """Set nights side by side, aligned at switch-on.

    Raises
    ------
    BadInput
        Fewer than two nights, a night without times, or nights that share no quantity.
    """
    if len(inputs) < 2:
        raise BadInput("a comparison needs at least two nights; give two or more results folders")
    nights = [_take(one) for one in inputs]
    placed = [_place(one, night) for one, night in zip(inputs, nights, strict=True)]
    shared = _share(placed)
    pairings, notices = pair_displays(nights)
    if not pairings:
        raise BadInput(
            f"{write_list([one.name for one in inputs])} share no quantity in a common unit, so there is nothing to compare"
        )
    names = [one.name for one in inputs]
    trials = [one.trial for one in inputs]
    conditions, alike = compare_conditions(trials, [one.switch_on for one in placed], [_instruments(one) for one in nights])
    rows: list[Row] = []
    for shown in pairings:
        rows += course_rows(nights, shown, shared)
    rows += air_change_rows(nights)
    rows += water_rows(nights)
    return Comparison(
        tuple(placed),
        judge_conditions(conditions, names, trials),
        parts_that(conditions, "differs"),
        conditions,
        alike,
        tuple(rows),
        tuple(_course(nights, shown) for shown in pairings),
        shared,
        (*_notice_nights(nights, placed, shared), *notices),
    )


def _take(given: NightInput) -> NightData:
    """Assess one night and keep what the figures are made of."""
    try:
        facts = gather_facts(given.table, given.displays)
        timeline, samples = read_samples(given.table, facts)
        assessment = assess(given.table, given.displays, given.trial)
    except BadInput as error:
        raise BadInput(f"{given.name}: {error}") from None
    if timeline.timed < 2:
        raise BadInput(
            f"{given.name} has no times, so that it cannot be laid over another night; read it again with --start and --every,"
            " or with photos that know when they were taken"
        )
    studies = tuple(study_display(timeline, one, limits_for(one.facts.kind)) for one in samples)
    zero, by = _find_zero(timeline, studies, assessment, given.trial)
    return NightData(given.name, given.table, facts, given.trial, timeline, studies, assessment, zero, by)


def _find_zero(
    timeline: Timeline, studies: Sequence[Study], assessment: Assessment, trial: Trial | None
) -> tuple[float, Alignment]:
    """Give switch-on in the table's minutes, and what it rests on."""
    first, last = float(timeline.elapsed_min[0]), float(timeline.elapsed_min[timeline.timed - 1])
    lit, _ = burning_span(timeline, trial)
    if lit is not None and first - LONGEST_BEFORE_MIN <= lit < last:
        return lit, "trial"
    phases: Any = assessment.topics.get("phases", {}).get("phases", ())
    rise = next((phase for phase in phases if phase["name"] == "rise"), None)
    if rise is None:
        return first, "first reading"
    lead = next(one for one in studies if one.facts.key == assessment.topics["phases"]["key"])
    return find_onset(*settled_series(lead), float(rise["from_min"]), float(rise["to_min"])), "rise"


def find_onset(minutes: Floats, values: Floats, start_min: float, stop_min: float) -> float:
    """Give when a rise began: the last reading of it that had not yet risen by more than a twentieth of the whole. [min]"""
    inside = (minutes >= start_min) & (minutes <= stop_min)
    if not inside.any():
        return start_min
    times, levels = minutes[inside], values[inside]
    top = int(np.argmax(levels))
    still = np.flatnonzero(levels[: top + 1] <= levels[0] + RISEN_SHARE * (levels[top] - levels[0]))
    return float(times[still[-1]])


def _place(given: NightInput, night: NightData) -> ComparedNight:
    elapsed = night.timeline.elapsed_min[: night.timeline.timed]
    first, last = float(elapsed[0]) - night.zero_min, float(elapsed[-1]) - night.zero_min
    return ComparedNight(night.name, given.title, night.aligned_by, _moment_of(night), first, last, given.trial is not None)


def _moment_of(night: NightData) -> datetime | None:
    for elapsed, time in zip(night.timeline.elapsed_min[: night.timeline.timed], night.timeline.times, strict=False):
        if time is not None:
            return time + timedelta(minutes=night.zero_min - float(elapsed))
    return None


def _share(placed: Sequence[ComparedNight]) -> tuple[float, float] | None:
    """The minutes since switch-on that every night was watched for, from switch-on on; None where too few."""
    start = max(0.0, *(one.first_min for one in placed))
    stop = min(one.last_min for one in placed)
    return (start, stop) if stop - start >= LEAST_SHARED_MIN else None


def _instruments(night: NightData) -> str:
    return ", ".join(dict.fromkeys(one.instrument for one in night.facts if one.instrument))


# --- which display stands beside which -------------------------------------------------------------------------------


def pair_displays(nights: Sequence[NightData]) -> tuple[list[Shown], list[str]]:
    """Set displays of one quantity beside one another: those of the same key, else the first of that quantity in each night."""
    notices: list[str] = []
    families = dict.fromkeys(family_of(one) for night in nights for one in night.facts)
    pairings: list[Shown] = []
    paired: set[tuple[int, str]] = set()
    for family in families:
        keys = [[one for one in night.facts if family_of(one) == family] for night in nights]
        places = dict.fromkeys(place_of(one) for group in keys for one in group)
        common = [p for p in places if sum(any(place_of(one) == p for one in group) for group in keys) >= 2]
        for place in common or list(places)[:1]:
            chosen = [next((one for one in group if place_of(one) == place), None) for group in keys]
            stand_in = [next((one for one in group if place_of(one) not in common), None) for group in keys]
            chosen = [one or other for one, other in zip(chosen, stand_in, strict=True)]
            scales = common_scale(chosen)
            if sum(one is not None for one in chosen) < 2:
                continue
            if scales is None:
                units = write_list([f"{n.name}: {one.unit}" for n, one in zip(nights, chosen, strict=True) if one is not None])
                notices.append(f"{chosen[0].quantity if chosen[0] else place} stands in units that are not known here ({units}).")
                continue
            pairings.append(Shown(tuple(chosen), scales))
            paired |= {(number, one.key) for number, one in enumerate(chosen) if one is not None}
    for number, night in enumerate(nights):
        left = [one.key for one in night.facts if (number, one.key) not in paired]
        if left:
            notices.append(f"Only in {night.name}, or without a counterpart, and so not compared: {write_list(left)}.")
    return pairings, notices


# --- curves ----------------------------------------------------------------------------------------------------------


def _course(nights: Sequence[NightData], shown: Shown) -> Course:
    lines = []
    for number, (night, facts, scale) in enumerate(zip(nights, shown.facts, shown.scales, strict=True)):
        if facts is None:
            continue
        samples = night.study(facts.key).samples
        timed = night.timeline.timed
        minutes, states = night.timeline.elapsed_min[:timed] - night.zero_min, samples.states[:timed]
        levels = np.where(
            states == State.OVER, samples.top, np.where(states == State.UNDER, samples.bottom, samples.values[:timed])
        )
        rows = np.flatnonzero(states != State.GAP)
        letters = "".join(_STATE_LETTERS[State(int(states[row]))] for row in rows)
        values = [scale.of(float(levels[row])) for row in rows]
        steps = np.diff(minutes)
        step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
        lines.append(Line(number, facts.instrument, tuple(minutes[rows].tolist()), tuple(values), letters, step))
    unit = shown.unit
    kind = next(one.kind for one in shown.facts if one is not None)
    limits = tuple(
        (f"{limit.issuer} {limit.name}", float(f"{level_for(limit, unit):.3g}")) for limit in limits_for(kind) if limit.in_chart
    )
    return Course(shown.label, unit, tuple(lines), limits)


def _notice_nights(nights: Sequence[NightData], placed: Sequence[ComparedNight], shared: tuple[float, float] | None) -> list[str]:
    notices = []
    unstated = "no switch-on within its hours is stated in a trial file"
    for one in placed:
        if one.aligned_by == "first reading":
            notices.append(f"{one.name}: {unstated} and no rise was found; its first reading stands at 0.")
        elif one.aligned_by == "rise":
            notices.append(f"{one.name}: {unstated}; the start of the rise that was found stands at 0.")
    if len({one.aligned_by for one in placed}) > 1:
        notices.append("The nights are not all aligned in the same way; their charts may be shifted against one another.")
    if shared is None:
        notices.append("The nights have too few hours after switch-on in common to compare means and times.")
    lengths = [one.last_min - one.first_min for one in placed]
    if max(lengths) - min(lengths) > 0.1 * max(lengths):
        told = write_list([f"{one.name} {write_minutes(length)}" for one, length in zip(placed, lengths, strict=True)])
        notices.append(
            f"The nights were not watched equally long ({told}): a longer night has had more time to reach its highest reading."
        )
    for night in nights:
        for study in night.studies:
            if study.curve.span_min and study.curve.measured_min < LEAST_MEASURED_SHARE * study.curve.span_min:
                share = math.floor(100 * study.curve.measured_min / study.curve.span_min)
                notices.append(
                    f"{night.name}: {study.facts.key} was measured for only {share} % of the time; its highest and lowest"
                    " readings may have been missed."
                )
    return notices
