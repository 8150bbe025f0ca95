"""The displays against one another, against fresh air and against their makers' statements: can these readings be trusted?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.agreement import AGREEMENT_SOURCE, Compared, compare
from frametally.assess.mismatch import FRESH_CO_PPM, describe_mismatch, say_value, tolerance_of
from frametally.assess.signals import (
    Signal,
    air_events,
    burning_span,
    chart_series,
    readings_per_point,
    runs_of,
    smooth,
    take_signal,
)
from frametally.assess.study import Study, nearest_frames
from frametally.assess.topic import Topic, of_kind
from frametally.assess.wording import capitalise, write_list, write_minutes, write_moment
from frametally.model import Finding, Trial, TrialInstrument

PRACTICE = "Common practice with gas instruments, no source"
LAG_SOURCE = "First-order lag: time to 90 % = 2.303 time constants"
STUCK_MIN = 120.0
"""A display that shows one number for this long, while another of its kind moves, counts as stuck (own choice)."""

KIND_WORDS = {
    "co_ppm": ("co",),
    "o2_pct": ("o2", "oxygen"),
    "co2_ppm": ("co2",),
    "no2_ppm": ("no2",),
    "rh_pct": ("rh",),
    "temp_c": ("temp",),
    "temp_f": ("temp",),
}


def describe_instruments(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Say how far the instruments agree with one another, with fresh air, and with what their makers state."""
    taken = [take_signal(study) for study in studies if study.facts.kind]
    signals = [signal for signal in taken if len(signal.minutes) >= 2]
    findings: list[Finding] = []
    figures: dict[str, object] = {}
    pairs = [_tell_pair(a, b) for a, b in itertools.combinations(signals, 2) if _same(a) == _same(b)]
    findings += [told[0] for told in pairs if told]
    figures["agreement"] = [told[1] for told in pairs if told]
    zeros = [told for one in signals if (told := _tell_zero(one, trial)) is not None]
    findings += [told[0] for told in zeros]
    figures["zero"] = [told[1] for told in zeros]
    findings += [one for signal in signals if (one := _tell_stuck(signal, signals)) is not None]
    findings += [one for signal in signals if (one := _tell_response(signal, trial)) is not None]
    findings += _tell_working_range(studies, trial)
    findings += [one for signal in signals if (one := _tell_resolution(signal)) is not None]
    odd = describe_mismatch(studies)
    findings += [odd] if odd is not None else []
    return Topic(tuple(findings), {name: value for name, value in figures.items() if value})


def _same(signal: Signal) -> str:
    return "temp" if signal.is_celsius else str(signal.facts.kind)


def _tell_pair(first: Signal, second: Signal) -> tuple[Finding, dict[str, object]] | None:
    found = compare(first, second)
    if found is None:
        return None
    one, facts = found.agreement, first.facts
    errors = [tolerance_of(s, float(np.mean(v))) for s, v in ((first, found.first), (second, found.second))]
    allowed = math.hypot(*(e for e in errors if e is not None)) if None not in errors else None
    apart = allowed is not None and abs(one.bias) > allowed
    lag = _lag_words(first, second, found.lag_min)
    higher = first if one.bias > 0 else second
    text = (
        f"Over {one.pairs} moments at which both were read, {facts.source_name} showed on average "
        f"{say_value(first, abs(one.bias), 1)} "
        f"{'more' if one.bias > 0 else 'less'} {facts.quantity} than {second.facts.source_name}; single differences lay "
        f"mostly between "
        f"{say_value(first, one.lower, 1)} and {say_value(first, one.upper, 1)}.{lag}"
    )
    if allowed is None:
        text += " Their makers' errors are not both stated, so whether that is much cannot be told."
    else:
        text += f" Together their stated errors allow a difference of {say_value(first, allowed, 1)}: " + (
            "they differ by more than that, so at least one of them is off." if apart else "on average they agree within it."
        )
    if first.facts.kind in {"co_ppm", "co2_ppm", "no2_ppm"}:
        text += (
            f" Where two {facts.quantity} readings differ, the higher one counts; here that is mostly {higher.facts.source_name}."
        )
    if first.study.samples.over.any() or second.study.samples.over.any():
        text += " Moments at which one of them was out of range are not among these."
    finding = Finding(
        "instruments-agree" if not apart else "instruments-differ",
        f"Two instruments on {facts.quantity}: {'apart' if apart else 'on average'} by {say_value(first, abs(one.bias), 1)}",
        text,
        22 if apart and first.facts.kind in {"co_ppm", "o2_pct"} else 62,
        "warning" if apart else "note",
        key=facts.key,
        value=one.bias,
        lower=one.lower,
        upper=one.upper,
        unit="°C" if first.is_celsius else facts.unit,
        evidence=_widest(found, first),
        sources=(AGREEMENT_SOURCE,),
    )
    figures: dict[str, object] = {
        "first": facts.key,
        "second": second.facts.key,
        "pairs": one.pairs,
        "bias": one.bias,
        "deviation": one.deviation,
        "lower": one.lower,
        "upper": one.upper,
        "bias_error": one.bias_error,
        "limit_error": one.limit_error,
        "lag_min": found.lag_min,
        "deviation_with_lag": found.raw.deviation,
        "allowed": allowed,
        "readings_per_point": readings_per_point(len(found.minutes)),
        "series": chart_series(found.minutes, mean=(found.first + found.second) / 2, difference=found.first - found.second),
    }
    return finding, figures


def _lag_words(first: Signal, second: Signal, lag: float) -> str:
    if abs(lag) < 1e-9:
        return ""
    slow, fast = (second, first) if lag > 0 else (first, second)
    return (
        f" {capitalise(slow.facts.source_name)} ran about {write_minutes(abs(lag))} behind {fast.facts.source_name}; that "
        f"is taken out."
    )


def _widest(found: Compared, first: Signal) -> tuple[str, ...]:
    away = np.abs(found.first - found.second - found.agreement.bias)
    return nearest_frames(first.study, *(float(found.minutes[k]) for k in np.argsort(-away, kind="stable")[:2]))


@dataclass(frozen=True)
class Fresh:
    """A time in which the air was fresh by the trial: ends [min], in words."""

    start_min: float
    stop_min: float
    words: str


def find_fresh(signal: Signal, trial: Trial | None) -> list[Fresh]:
    """Give the times of fresh air: before the appliance was lit, and the last third of a time with things opened to air."""
    first, last = float(signal.minutes[0]), float(signal.minutes[-1])
    on, _ = burning_span(signal.timeline, trial)
    found = [Fresh(first, min(on, last), "before the appliance was lit")] if on is not None and on > first else []
    events = air_events(signal.timeline, trial)
    for place, (moment, what, opened) in enumerate(events):
        stop = events[place + 1][0] if place + 1 < len(events) else last
        if opened and first <= moment < stop and stop - moment >= 20:
            found.append(Fresh(stop - (stop - moment) / 3, stop, f'at the end of the time after "{what}"'))
    return found


def _tell_zero(signal: Signal, trial: Trial | None) -> tuple[Finding, dict[str, object]] | None:
    """Compare what a gas display showed in fresh air with what it should; drift where there were two such times."""
    kind = signal.facts.kind
    if kind not in {"co_ppm", "o2_pct"}:
        return None
    right = 20.9 if kind == "o2_pct" else 0.0
    shown = []
    for fresh in find_fresh(signal, trial):
        inside = (signal.minutes >= fresh.start_min) & (signal.minutes <= fresh.stop_min)
        if inside.sum() >= 3:
            shown.append((fresh, float(np.median(signal.values[inside])), (fresh.start_min + fresh.stop_min) / 2))
    if not shown:
        return None
    allowed = tolerance_of(signal, right)
    limit = allowed if allowed is not None else max(2 * signal.half_step(), FRESH_CO_PPM if kind == "co_ppm" else 0.2)
    off = [one for one in shown if abs(one[1] - right) > limit + 1e-9]
    parts = write_list([f"{say_value(signal, value)} {fresh.words}" for fresh, value, _ in shown])
    text = (
        f"In fresh air {signal.facts.source_name} should show {say_value(signal, right)} of {signal.facts.quantity}; it showed "
        f"{parts}. "
        + ("That is further off than " if off else "That is within ")
        + (
            "its maker's stated error."
            if allowed is not None
            else f"{say_value(signal, limit)}, which is taken here as its maker's error is not stated."
        )
    )
    if off:
        text += " All its readings of this night may be off by as much; or the air was not fresh yet."
    if len(shown) > 1:
        text += f" Between these times it drifted by {say_value(signal, shown[-1][1] - shown[0][1])}."
    else:
        text += " One such time shows no drift; fresh air both before and after a night would."
    finding = Finding(
        "zero-check",
        f"Zero check of {signal.facts.short_name} ({signal.facts.quantity}): {'off' if off else 'within its error'}",
        text,
        23 if off else 63,
        "warning" if off else "calm",
        key=signal.facts.key,
        value=shown[-1][1] - right,
        unit=signal.facts.unit,
        evidence=nearest_frames(signal.study, *(middle for _, _, middle in shown)),
        sources=(PRACTICE,),
    )
    return finding, {
        "key": signal.facts.key,
        "should_show": right,
        "shown": [{"from_min": fresh.start_min, "to_min": fresh.stop_min, "value": value} for fresh, value, _ in shown],
    }


def _tell_stuck(signal: Signal, signals: Sequence[Signal]) -> Finding | None:
    """A display that stood still for long while another of its kind moved beyond both their errors."""
    if len(signal.minutes) < 10:
        return None
    edges = np.flatnonzero(np.diff(signal.values) != 0) + 1
    bounds = np.concatenate([[0], edges, [len(signal.values)]])
    longest = int(np.argmax(signal.minutes[bounds[1:] - 1] - signal.minutes[bounds[:-1]]))
    a, b = int(bounds[longest]), int(bounds[longest + 1]) - 1
    start, stop = float(signal.minutes[a]), float(signal.minutes[b])
    if stop - start < STUCK_MIN or b - a < 10:
        return None
    for other in signals:
        if other is signal or _same(other) != _same(signal):
            continue
        inside = (other.minutes >= start) & (other.minutes <= stop)
        if inside.sum() < 10:
            continue
        calm = smooth(other.values[inside], 5)
        moved = float(np.ptp(calm))
        errors = [tolerance_of(s, float(calm.mean())) or 2 * s.half_step() for s in (signal, other)]
        if moved > 2 * sum(errors) + signal.half_step() * 2:
            text = (
                f"{capitalise(signal.facts.source_name)} showed {say_value(signal, float(signal.values[a]))} unchanged from "
                f"{write_moment(signal.timeline, start)} to {write_moment(signal.timeline, stop)}, while "
                f"{other.facts.source_name} moved by "
                f"{say_value(other, moved)}. It may be stuck or out of its working range; its readings of that time are not "
                f"to be trusted."
            )
            return Finding(
                "stuck-display",
                f"{capitalise(signal.facts.short_name)} may have been stuck for {write_minutes(stop - start)}",
                text,
                21,
                "warning",
                key=signal.facts.key,
                value=stop - start,
                unit="min",
                evidence=nearest_frames(signal.study, start, stop),
                sources=(PRACTICE,),
            )
    return None


def _told_instrument(signal: Signal, trial: Trial | None) -> TrialInstrument | None:
    return next((one for one in trial.instrument if one.name == signal.facts.instrument), None) if trial else None


def _tell_response(signal: Signal, trial: Trial | None) -> Finding | None:
    """The stated response time against the steepest change: how far the display can have been behind the air."""
    told = _told_instrument(signal, trial)
    names = KIND_WORDS.get(str(signal.facts.kind), ())
    t90_s = (
        next((told.response_t90_s[name] for name in (*names, str(signal.facts.kind)) if name in told.response_t90_s), None)
        if told
        else None
    )
    if t90_s is None or t90_s <= 0 or len(signal.minutes) < 4:
        return None
    constant = t90_s / 60 / math.log(10)
    rate = np.diff(signal.values) / np.maximum(np.diff(signal.minutes), 1e-9)
    near = np.diff(signal.minutes) <= 1.6 * signal.step_min
    if not near.any():
        return None
    place = int(np.argmax(np.where(near, np.abs(rate), -1)))
    behind = float(rate[place]) * constant
    error = tolerance_of(signal, float(signal.values[place])) or 2 * signal.half_step()
    if abs(behind) <= max(error, 2 * signal.half_step()):
        return None
    moment = float(signal.minutes[place])
    text = (
        f"{capitalise(signal.facts.source_name)} takes {write_minutes(t90_s / 60)} to show 90 % of a change. When its "
        f"{signal.facts.quantity} moved "
        f"fastest, at {write_moment(signal.timeline, moment)}, it was about {say_value(signal, abs(behind))} "
        f"{'below' if behind > 0 else 'above'} the "
        f"air, more than its error of {say_value(signal, error)}. A peak shorter than that time was "
        f"{'higher' if behind > 0 else 'different'} than shown."
    )
    is_gas = signal.facts.kind in {"co_ppm", "co2_ppm", "no2_ppm", "o2_pct"}
    return Finding(
        "slow-response",
        f"{capitalise(signal.facts.short_name)} was slower than the air ({signal.facts.quantity})",
        text,
        48 if is_gas else 64,
        "note",
        key=signal.facts.key,
        value=behind,
        unit="°C" if signal.is_celsius else signal.facts.unit,
        evidence=nearest_frames(signal.study, moment),
        sources=(LAG_SOURCE,),
    )


def _tell_working_range(studies: Sequence[Study], trial: Trial | None) -> list[Finding]:
    """Whether the room was colder or warmer than the makers allow for their instruments."""
    warmth = [take_signal(s) for s in of_kind(studies, "temp_c", "temp_f")]
    findings = []
    for told in trial.instrument if trial and warmth else ():
        if told.working_temp_c is None:
            continue
        own = next((one for one in warmth if one.facts.instrument == told.name), warmth[0])
        low, high = told.working_temp_c
        beyond = (own.values < low) | (own.values > high)
        if not beyond.any():
            continue
        worst = float(own.values.min()) if (own.values < low).any() else float(own.values.max())
        spans = [(float(own.minutes[a]), float(own.minutes[b - 1])) for a, b in runs_of(beyond)]
        text = (
            f"The {told.name} is made to work from {low:g} °C to {high:g} °C. {capitalise(own.facts.source_name)} showed "
            f"{worst:.1f} °C, and was "
            f"outside those limits for about {write_minutes(sum(b - a for a, b in spans) + own.step_min * len(spans))}, first at "
            f"{write_moment(own.timeline, spans[0][0])}. What the {told.name} showed in that time may be wrong by more than "
            f"its stated error."
        )
        findings.append(
            Finding(
                "working-temperature",
                f"The {told.name} was outside its working temperature",
                text,
                22,
                "warning",
                key=own.facts.key,
                value=worst,
                unit="°C",
                evidence=nearest_frames(own.study, spans[0][0]),
                sources=("Working temperature stated in the trial",),
            )
        )
    return findings


def _tell_resolution(signal: Signal) -> Finding | None:
    """A display whose whole night is a handful of its own steps."""
    step = 2 * signal.half_step()
    if step <= 0 or signal.facts.resolution is None or signal.facts.kind not in {"o2_pct", "co_ppm", "co2_ppm"}:
        return None
    steps = round(float(np.ptp(signal.values)) / step)
    if not 1 <= steps <= 5:
        return None
    text = (
        f"All night {signal.facts.source_name} moved by only {steps} {'step' if steps == 1 else 'steps'} of "
        f"{say_value(signal, step)} of "
        f"{signal.facts.quantity}. What is reckoned from such readings is no finer than that."
    )
    return Finding(
        "coarse-display",
        f"{capitalise(signal.facts.short_name)} moved by {steps} of its own steps ({signal.facts.quantity})",
        text,
        65,
        key=signal.facts.key,
        value=float(steps),
        unit="steps",
        sources=(PRACTICE,),
    )
