"""The displays of one kind and the limits for it to one finding per limit: does this night pass it, and why so."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from frametally.assess.exposure import Bounded, Window, known
from frametally.assess.extremes import Extreme, is_enough
from frametally.assess.limits import PROTECTED_PEOPLE, Limit
from frametally.assess.study import Study, nearest_frames
from frametally.assess.verdict import GUARD_BAND_SOURCE, Decision, decide
from frametally.assess.wording import (
    capitalise,
    of_what,
    pick_frames,
    with_unit,
    write_average,
    write_bounds,
    write_list,
    write_minutes,
    write_moment,
    write_reading,
    write_unstated,
)
from frametally.model import Finding

AVERAGE_SOURCE = (
    "Straight lines between readings (trapezoid); concentration times time over a fixed divisor, 29 CFR 1910.1000(d)(1)(i)"
)
BOUNDS_SOURCE = "Bounds over gaps: own convention, stated with the figure"

MISSED_WORSE = "While it showed nothing settled, another instrument ran out of range, so this one may have missed worse."

_BASE_WEIGHT = {"ceiling": 1, "instant-low": 2, "instant-high": 3, "twa-fixed": 4, "rolling-mean": 4}
_VERDICT_WEIGHT = {"exceeds": 0, "undecided": 20, "does not exceed": 40}


@dataclass(frozen=True)
class Comparison:
    """One display held against one limit: the figure, what was decided, and what the figure rests on."""

    study: Study
    limit: Limit
    figure: Bounded
    decision: Decision
    window: Window | None
    extreme: Extreme | None
    enough: bool

    @property
    def is_too_short(self) -> bool:
        """True where the night is so much shorter than the averaging time that there is no such average."""
        return self.window is not None and self.window.rest_min > 0 and not self.enough

    @property
    def has_average(self) -> bool:
        """True where a figure may stand at the head; a short night's would look harmless, divided by hours nobody measured."""
        return not self.is_too_short or self.decision.verdict == "exceeds"

    @property
    def while_measured(self) -> float:
        """The average over the night as long as it was, not spread over the averaging time; NaN where there is none."""
        if self.window is None or self.limit.averaging_min is None:
            return math.nan
        return self.window.bounds.middle * self.limit.averaging_min / (self.limit.averaging_min - self.window.rest_min)


def compare(study: Study, limit: Limit) -> Comparison:
    """Hold one display against one limit, with the instrument's stated error at the limit as the guard band."""
    window, extreme = None, None
    if limit.averaging_min is not None:
        window = study.windows.get(limit.averaging_min)
        enough = window is not None and window.is_enough
        figure = window.bounds if window else _UNKNOWN
    else:
        extreme = study.lowest if limit.is_low_side else study.highest
        enough = is_enough(study.samples)
        figure = extreme.bounds if extreme else _UNKNOWN
    tolerance = study.facts.tolerance_at(limit.value)
    decision = decide(
        figure.lower,
        figure.middle,
        figure.upper,
        limit.value,
        tolerance,
        low_side=limit.is_low_side,
        enough=enough,
        unit=study.facts.unit,
    )
    return Comparison(study, limit, figure, decision, window, extreme, enough)


_UNKNOWN = Bounded(-math.inf, math.nan, math.inf)


def choose(comparisons: list[Comparison]) -> Comparison:
    """Give the display that counts: one that passes the limit for certain, else the one that comes nearest to passing it.

    Of two instruments on one gas the higher reading counts (the lower one where danger lies below the limit).
    """

    def severity(one: Comparison) -> tuple[bool, float]:
        sign = -1.0 if one.limit.is_low_side else 1.0
        middle = -math.inf if math.isnan(one.figure.middle) else sign * one.figure.middle
        return one.decision.verdict == "exceeds", middle

    return max(comparisons, key=severity)


def judge(studies: list[Study], limit: Limit) -> Finding:
    """Give the finding for one limit from all displays of its kind."""
    comparisons = [compare(study, limit) for study in studies]
    chosen = choose(comparisons)
    decision = chosen.decision
    base = 0 if limit.protects == "emergency" else _BASE_WEIGHT[limit.statistic]
    parts = (_figure_text(chosen), _limit_text(limit), _verdict_text(chosen), _others_text(chosen, comparisons), decision.rule)
    return Finding(
        slug="limit",
        title=_title(chosen),
        text=" ".join(part for part in parts if part),
        weight=base + _VERDICT_WEIGHT[decision.verdict],
        tone=_tone(chosen),
        key=chosen.study.facts.key,
        value=known(chosen.figure.middle) if chosen.has_average else None,
        lower=known(chosen.figure.lower) if chosen.has_average else None,
        upper=known(chosen.figure.upper) if chosen.has_average else None,
        unit=chosen.study.facts.unit,
        limit=limit.id,
        verdict=decision.verdict,
        verified=chosen.extreme is None or chosen.extreme.is_verified,
        evidence=_evidence(chosen),
        sources=_sources(chosen),
    )


def _sources(one: Comparison) -> tuple[str, ...]:
    averages = (AVERAGE_SOURCE, BOUNDS_SOURCE) if one.limit.is_average else ()
    guard = (GUARD_BAND_SOURCE,) if one.study.facts.accuracy else ()
    return (one.limit.citation, *averages, *guard)


def _title(one: Comparison) -> str:
    limit, verdict = one.limit, one.decision.verdict
    value = with_unit(f"{limit.value:g}", limit.unit)
    if limit.is_low_side:
        words = {
            "exceeds": f"fell below {value}",
            "does not exceed": f"not seen below {value}",
            "undecided": f"below {value}: undecided",
        }
    elif limit.averaging_min is not None and not one.has_average:
        measured = write_minutes(one.window.measured_min if one.window else 0.0)
        words = {one.decision.verdict: f"averaged over {write_minutes(limit.averaging_min)}: not known, {measured} measured"}
    elif limit.averaging_min is not None:
        over = f"averaged over {write_minutes(limit.averaging_min)}"
        words = {
            "exceeds": f"{over} was above {value}",
            "does not exceed": f"{over} was not above {value}",
            "undecided": f"{over}, above {value}: undecided",
        }
    else:
        words = {
            "exceeds": f"rose above {value}",
            "does not exceed": f"not seen above {value}",
            "undecided": f"above {value}: undecided",
        }
    return f"{capitalise(one.study.facts.quantity)} {words[verdict]} ({limit.label})"


def _tone(one: Comparison) -> Literal["danger", "warning", "calm"]:
    decision = one.decision
    beyond = decision.middle_beyond or (one.is_too_short and one.while_measured > one.limit.value)
    if decision.verdict == "exceeds" or (decision.verdict == "undecided" and beyond):
        return "danger"
    return "warning" if decision.verdict == "undecided" else "calm"


def _evidence(one: Comparison) -> tuple[str, ...]:
    if one.extreme is not None:
        rows = (*one.extreme.rows[:3], *(() if one.extreme.settled_row is None else (one.extreme.settled_row,)))
        return pick_frames(one.study.timeline, rows)
    return nearest_frames(one.study, one.window.start_min, one.window.stop_min) if one.window else ()


def _figure_text(one: Comparison) -> str:
    facts = one.study.facts
    if one.extreme is not None:
        return _extreme_text(one.study, one.extreme)
    if one.window is not None:
        return _window_text(one, one.window)
    reason = (
        "gave no reading"
        if one.limit.averaging_min is None
        else "gave no readings over a stretch of time, so there is no average"
    )
    return f"{capitalise(facts.source_name)} {reason}."


def _extreme_text(study: Study, extreme: Extreme) -> str:
    facts, side = study.facts, extreme.side
    if extreme.is_open:
        edge = "top" if side == "highest" else "bottom"
        least = "at least" if side == "highest" else "at most"
        value = (
            f" ({least} {write_reading(extreme.value, facts)})"
            if math.isfinite(extreme.value)
            else write_unstated(extreme, facts)
        )
        return f"{capitalise(facts.source_name)} ran off the {edge} of its range{value}; how far beyond, nobody can say."
    shown = write_reading(extreme.value, facts) + of_what(facts)
    text = f"The {side} reading of {facts.source_name} was {shown}."
    if not extreme.is_verified:
        settled = (
            f"the {side} settled one was {write_reading(extreme.settled, facts)}"
            if math.isfinite(extreme.settled)
            else "no other is settled"
        )
        text += f" That reading is doubtful; {settled}."
    return text + (f" {MISSED_WORSE}" if extreme.may_have_missed else "")


def _window_text(one: Comparison, window: Window) -> str:
    facts, timeline, limit = one.study.facts, one.study.timeline, one.limit
    start, stop = write_moment(timeline, window.start_min), write_moment(timeline, window.stop_min)
    length = limit.averaging_min or 0.0
    if one.is_too_short:
        text = (
            f"On {facts.source_name}, {write_minutes(window.measured_min)} were measured ({start} to {stop}) and "
            f"{write_minutes(length - window.measured_min)} of {write_minutes(length)} are unknown: there is no "
            f"{write_minutes(length)} average."
        )
        shown = one.while_measured
        return text + ("" if math.isnan(shown) else f" While it was measured it was {write_average(shown, facts)} on average.")
    if math.isnan(window.bounds.middle):
        text = f"On {facts.source_name} nothing was measured from {start} to {stop}."
    else:
        between, whole = f"({start} to {stop})", write_minutes(length)
        which = f"the worst {whole} {between}" if window.rest_min <= 0 else f"the whole series {between}, reckoned over {whole},"
        bounds = write_bounds(window.bounds, facts)
        text = f"On {facts.source_name}, {which} averaged "
        text += write_average(window.bounds.middle, facts) + of_what(facts) + (f": {bounds}." if bounds else ".")
    return text + _holes_text(window, length)


def _holes_text(window: Window, length: float) -> str:
    hole, rest = length - window.rest_min - window.measured_min, window.rest_min
    is_open = math.isinf(window.bounds.upper)
    text = ""
    if hole >= 0.5:
        upper = "" if is_open else "the upper one as the highest reading of the night, "
        text += (
            f" For {write_minutes(hole)} of it nothing settled was read: the lower figure counts that time as none of the gas, "
            f"{upper}and the middle one leaves it out."
        )
    if is_open and not math.isnan(window.bounds.middle):
        text += " A display ran out of range, so there is no upper figure."
    if rest >= 0.5:
        upper = "" if is_open else ", and in the upper figure as the highest reading of the night"
        text += (
            f" The rule divides by {write_minutes(length)} all the same: the other {write_minutes(rest)}, which nobody "
            f"measured, count as none of the gas{upper}."
        )
    return text


def _limit_text(limit: Limit) -> str:
    return f"The limit is {limit.value:g} {limit.unit}. {limit.rule} It is made for {PROTECTED_PEOPLE[limit.protects]}."


def _verdict_text(one: Comparison) -> str:
    side = "below" if one.limit.is_low_side else "above"
    if one.decision.verdict == "exceeds":
        return f"Verdict: {side} the limit."
    if one.decision.verdict == "does not exceed":
        return f"Verdict: not {side} the limit{_caveat(one)}."
    face_value = side if one.decision.middle_beyond else f"not {side}"
    unknown = math.isnan(one.figure.middle) or not one.has_average
    plain = "" if unknown else f"; the figure taken at face value is {face_value} the limit"
    return f"Verdict: undecided, because {write_list(_undecided_reasons(one))}{plain}."


def _undecided_reasons(one: Comparison) -> list[str]:
    limit, figure = one.limit, one.figure
    outer = figure.lower if limit.is_low_side else figure.upper
    reasons = []
    if not one.enough:
        need = f"three quarters of every {write_minutes(limit.averaging_min)}" if limit.averaging_min else "three quarters"
        reasons.append(f"too little was settled to clear the night ({need} are needed)")
    if one.is_too_short:
        return reasons
    if not math.isfinite(outer):
        reasons.append("how far it went is not known")
    elif not one.decision.is_clear:
        straddles = (
            figure.lower < limit.value <= figure.upper if limit.is_low_side else figure.lower <= limit.value < figure.upper
        )
        reasons.append(
            "gaps and doubtful readings leave both open"
            if straddles
            else "the instrument's stated error reaches across the limit"
        )
    return reasons


def _caveat(one: Comparison) -> str:
    if one.decision.verdict == "exceeds" or one.limit.is_average:
        return ""
    usual = one.study.curve.usual_interval_min
    return (
        f" in the readings taken, one every {write_minutes(usual)}; between them nobody looked"
        if usual > 0
        else " in the readings taken"
    )


def _others_text(chosen: Comparison, comparisons: list[Comparison]) -> str:
    others = [one for one in comparisons if one is not chosen]
    if not others:
        return ""
    which = "lower" if chosen.limit.is_low_side else "higher"
    text = f"Of several instruments for one gas the {which} one counts: here {chosen.study.facts.source_name}."
    for one in others:
        facts, middle = one.study.facts, one.figure.middle
        write = write_average if one.limit.is_average else write_reading
        figure = "no figure" if math.isnan(middle) or not one.has_average else write(middle, facts)
        more = " or more" if math.isinf(one.figure.upper) and figure != "no figure" else ""
        text += f" {capitalise(facts.source_name)} gives {figure}{more} (on its own: {one.decision.verdict})."
    return text
