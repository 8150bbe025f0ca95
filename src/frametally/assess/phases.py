"""The studies and the trial to how the night went: when the air was quiet, rose, turned, held and cleared, in plain words."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from frametally.assess.changes import Burst, Piece, find_bursts, noise_of, split_course
from frametally.assess.samples import Floats
from frametally.assess.signals import Signal, air_events, chart_series, elapsed_of, lead_signal, readings_per_point, take_signal
from frametally.assess.study import Study, nearest_frames
from frametally.assess.topic import Topic, of_kind
from frametally.assess.wording import capitalise, write_list, write_minutes, write_moment, write_number, write_reading
from frametally.model import Finding, Trial

PHASES_SOURCE = "Straight pieces fitted to the readings, as many as the readings ask for (least squares, Schwarz's criterion)"

SLOW_SHARE_PER_H = 0.06
"""A course that moves by less than this share of the night's whole range in an hour holds steady (own choice)."""

CLEAR_SHARE = 0.15
"""At or below this share of the night's range above its lowest, the air counts as clear again (own choice)."""

MOST_NAMED = 6
"""Most phases spelt out one by one; more than that are told in short."""

Way = Literal["rise", "fall", "steady"]


@dataclass(frozen=True)
class Phase:
    """One phase: `name` is before, rise, fall, steady or after; levels in the signal's unit; rate in its unit per hour."""

    name: str
    start_min: float
    stop_min: float
    first: float
    last: float
    mean: float
    lowest: float
    highest: float

    @property
    def rate_per_h(self) -> float:
        """How fast the level moved, from one end to the other."""
        hours = (self.stop_min - self.start_min) / 60
        return (self.last - self.first) / hours if hours > 0 else 0.0


@dataclass(frozen=True)
class Course:
    """How one quantity went: its phases, the moment it turned for good, and bursts too short to be phases."""

    phases: tuple[Phase, ...]
    turn_min: float | None
    turn_value: float
    bursts: tuple[Burst, ...]


def find_phases(minutes: Floats, values: Floats, half_step: float = 0.0) -> Course | None:
    """Give the phases of one quantity; None where there are too few readings to tell (fewer than eight)."""
    if len(minutes) < 8 or minutes[-1] <= minutes[0]:
        return None
    bursts = find_bursts(minutes, values, half_step)
    kept = np.ones(len(minutes), dtype=bool)
    for burst in bursts:
        kept &= (minutes < burst.start_min) | (minutes > burst.stop_min)
    if kept.sum() < 8:
        return None
    times, levels = minutes[kept], values[kept]
    pieces = split_course(times, levels, half_step)
    low, high = float(np.percentile(levels, 1)), float(np.percentile(levels, 99))
    reach = high - low
    merged: list[tuple[Way, Piece]] = []
    for piece in pieces:
        way = _way(piece, reach, half_step)
        if merged and merged[-1][0] == way:
            merged[-1] = (way, replace(merged[-1][1], stop_min=piece.stop_min, last=piece.last))
        else:
            merged.append((way, piece))
    phases = [_measure(way, piece, times, levels) for way, piece in merged]
    named = _name_ends(phases, low, reach)
    turn = next((p for p, q in itertools.pairwise(named) if p.name == "rise" and q.name != "rise"), None)
    if turn is None:
        return Course(tuple(named), None, math.nan, bursts)
    near = (times >= turn.start_min) & (times <= turn.stop_min + 60)
    top = int(np.flatnonzero(near)[np.argmax(levels[near])])
    return Course(tuple(named), float(times[top]), float(levels[top]), bursts)


def _way(piece: Piece, reach: float, half_step: float) -> Way:
    hours = (piece.stop_min - piece.start_min) / 60
    change = piece.last - piece.first
    if reach <= 0 or abs(change) <= 3 * half_step or abs(change) < SLOW_SHARE_PER_H * reach * max(hours, 0.5):
        return "steady"
    return "rise" if change > 0 else "fall"


def _measure(way: Way, piece: Piece, times: Floats, levels: Floats) -> Phase:
    inside = (times >= piece.start_min) & (times <= piece.stop_min)
    within = levels[inside] if inside.any() else np.array([piece.first, piece.last])
    return Phase(
        way,
        piece.start_min,
        piece.stop_min,
        float(within[0]),
        float(within[-1]),
        float(within.mean()),
        float(within.min()),
        float(within.max()),
    )


def _name_ends(phases: list[Phase], low: float, reach: float) -> list[Phase]:
    """A quiet, low beginning is "before"; a low end after a fall is "after"."""
    named = list(phases)
    clear = low + CLEAR_SHARE * reach
    if len(named) > 1 and named[0].name == "steady" and named[0].mean <= clear and named[1].name == "rise":
        named[0] = replace(named[0], name="before")
    if len(named) > 1 and named[-1].name == "steady" and named[-1].mean <= clear:
        named[-1] = replace(named[-1], name="after")
    return named


def describe_phases(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Tell how the night went, from its carbon monoxide where there is any, else from carbon dioxide or temperature."""
    lead = next((s for kinds in (("co_ppm",), ("co2_ppm",), ("temp_c", "temp_f")) if (s := lead_signal(studies, *kinds))), None)
    if lead is None:
        return Topic()
    course = find_phases(lead.minutes, lead.values, lead.half_step())
    if course is None:
        return Topic()
    words = [_tell_course(lead, course, trial), *_tell_others(studies, lead, course)]
    finding = Finding(
        slug="how-the-night-went",
        title="How the night went",
        text=" ".join(words),
        weight=29,
        tone="calm",
        key=lead.facts.key,
        evidence=nearest_frames(lead.study, *_turning_points(course)),
        sources=(PHASES_SOURCE,),
    )
    return Topic((finding,), _figures(lead, course))


def _turning_points(course: Course) -> list[float]:
    moments = [phase.start_min for phase in course.phases]
    moments += [] if course.turn_min is None else [course.turn_min]
    return sorted([*moments, *(burst.peak_min for burst in course.bursts), course.phases[-1].stop_min])[:12]


def _say(lead: Signal, value: float) -> str:
    if lead.is_celsius:
        return f"{write_number(value, 1)} °C"
    return write_reading(round(value, 1) if lead.facts.kind != "co2_ppm" else round(value), lead.facts)


def _tell_course(lead: Signal, course: Course, trial: Trial | None) -> str:
    facts = lead.facts
    subject = f"{capitalise(facts.quantity)} on {facts.source_name}"
    moved = [phase for phase in course.phases if phase.name in {"rise", "fall"}]
    if not moved and _is_restless(lead):
        low, high = (float(v) for v in np.percentile(lead.values, [1, 99]))
        text = f"{subject} went up and down between {_say(lead, low)} and {_say(lead, high)} without a lasting rise or fall."
    elif not moved:
        whole = course.phases[0]
        text = (
            f"{subject} held at about {_say(lead, whole.mean)} all night, between {_say(lead, whole.lowest)} and "
            f"{_say(lead, whole.highest)}."
        )
    elif len(course.phases) > MOST_NAMED:
        text = _tell_short(lead, course, subject)
    else:
        text = f"{subject} " + "; then it ".join(_tell_phase(lead, phase) for phase in course.phases) + "."
        if course.turn_min is not None:
            text += f" It turned at {write_moment(lead.timeline, course.turn_min)}, at {_say(lead, course.turn_value)}."
    return text + _tell_bursts(lead, course.bursts) + _tell_events(lead, course, trial)


def _is_restless(lead: Signal) -> bool:
    """True where a course without a lasting rise or fall is still far from steady."""
    low, middle, high = np.percentile(lead.values, [1, 50, 99])
    calm = max(noise_of(lead.values, lead.half_step()), lead.half_step())
    return bool(high - low > max(8 * calm, 0.25 * abs(middle)))


def _tell_phase(lead: Signal, phase: Phase) -> str:
    since, until = (write_moment(lead.timeline, m) for m in (phase.start_min, phase.stop_min))
    duration = write_minutes(phase.stop_min - phase.start_min)
    if phase.name == "before":
        return f"was quiet at about {_say(lead, phase.mean)} until {until}"
    if phase.name == "after":
        return f"stayed low from {since} on, at about {_say(lead, phase.mean)}"
    if phase.name == "steady":
        spread = (
            f" (readings from {_say(lead, phase.lowest)} to {_say(lead, phase.highest)})" if phase.highest > phase.lowest else ""
        )
        return f"held near {_say(lead, phase.mean)} from {since} to {until}{spread}"
    word = "rose" if phase.name == "rise" else "fell"
    unit = "°C" if lead.is_celsius else lead.facts.unit
    rate = abs(phase.rate_per_h)
    amount = write_number(rate, 0 if rate >= 10 else 1 if rate >= 1 else 2)
    return (
        f"{word} from {_say(lead, phase.first)} at {since} to {_say(lead, phase.last)} at {until} "
        f"(in {duration}, on average by {amount} {unit} an hour)"
    )


def _tell_short(lead: Signal, course: Course, subject: str) -> str:
    """A long or restless series: its longest steady time, fastest rise and fastest fall."""
    rises = [phase for phase in course.phases if phase.name == "rise"]
    falls = [phase for phase in course.phases if phase.name == "fall"]
    holds = [phase for phase in course.phases if phase.name in {"steady", "before", "after"}]
    parts = []
    if rises:
        parts.append("rose most steeply: it " + _tell_phase(lead, max(rises, key=lambda p: p.rate_per_h)))
    if falls:
        parts.append("fell most steeply: it " + _tell_phase(lead, min(falls, key=lambda p: p.rate_per_h)))
    if holds:
        longest = max(holds, key=lambda p: p.stop_min - p.start_min)
        parts.append("was longest steady: it " + _tell_phase(lead, replace(longest, name="steady")))
    counts = write_list(
        [f"{len(group)} {word}" for group, word in ((rises, "rises"), (falls, "falls"), (holds, "steady times")) if group]
    )
    return f"{subject} went up and down: {counts}. " + " ".join(f"Where it {part}." for part in parts)


def _tell_bursts(lead: Signal, bursts: Sequence[Burst]) -> str:
    if not bursts:
        return ""
    first = max(bursts, key=lambda burst: abs(burst.peak - burst.base))
    text = (
        f" A short burst reached {_say(lead, first.peak)} at {write_moment(lead.timeline, first.peak_min)} and was gone within "
        f"{write_minutes(first.stop_min - first.start_min)}"
        if first.peak > first.base
        else f" A short dip reached {_say(lead, first.peak)} at {write_moment(lead.timeline, first.peak_min)}"
    )
    return text + (f" (the largest of {len(bursts)} such bursts)." if len(bursts) > 1 else ".")


def _tell_events(lead: Signal, course: Course, trial: Trial | None) -> str:
    """What the trial says was opened or shut, or when the appliance was lit and put out, within the series."""
    timeline, told = lead.timeline, []
    first, last = float(lead.minutes[0]), float(lead.minutes[-1])
    for moment, what, _ in air_events(timeline, trial):
        if first <= moment <= last:
            told.append(f"{what} at {write_moment(timeline, moment)}")
    for one in trial.appliance if trial else ():
        for when, word in ((one.on, "lit"), (one.off, "put out")):
            moment_of = elapsed_of(timeline, when)
            if moment_of is not None and first < moment_of < last:
                told.append(f"{one.name or 'the appliance'} {word} at {write_moment(timeline, moment_of)}")
    return f" The trial notes: {write_list(told)}." if told else ""


def _tell_others(studies: Sequence[Study], lead: Signal, course: Course) -> list[str]:
    """One sentence with the ends and extremes of oxygen and temperature."""
    parts = []
    oxygen = lead_signal(studies, "o2_pct")
    if oxygen is not None:
        low = int(np.argmin(oxygen.values))
        parts.append(
            f"oxygen went from {_say(oxygen, float(oxygen.values[0]))} down to {_say(oxygen, float(oxygen.values[low]))} at "
            f"{write_moment(oxygen.timeline, float(oxygen.minutes[low]))} and ended at {_say(oxygen, float(oxygen.values[-1]))}"
        )
    warmth = [take_signal(s) for s in of_kind(studies, "temp_c", "temp_f")][:1]
    if warmth and not lead.is_celsius:
        one = warmth[0]
        top = int(np.argmax(one.values))
        parts.append(
            f"the temperature went from {_say(one, float(one.values[0]))} up to {_say(one, float(one.values[top]))} at "
            f"{write_moment(one.timeline, float(one.minutes[top]))} and ended at {_say(one, float(one.values[-1]))}"
        )
    return [f"Meanwhile {write_list(parts)}."] if parts else []


def _figures(lead: Signal, course: Course) -> dict[str, object]:
    return {
        "key": lead.facts.key,
        "unit": "°C" if lead.is_celsius else lead.facts.unit,
        "phases": [
            {
                "name": phase.name,
                "from_min": phase.start_min,
                "to_min": phase.stop_min,
                "first": phase.first,
                "last": phase.last,
                "mean": phase.mean,
                "lowest": phase.lowest,
                "highest": phase.highest,
                "rate_per_h": phase.rate_per_h,
            }
            for phase in course.phases
        ],
        "turn_min": course.turn_min,
        "turn_value": course.turn_value,
        "bursts": [
            {"from_min": b.start_min, "to_min": b.stop_min, "peak_min": b.peak_min, "peak": b.peak, "base": b.base}
            for b in course.bursts
        ],
        "readings_per_point": readings_per_point(len(lead.minutes)),
        "series": chart_series(lead.minutes, value=lead.values),
    }
