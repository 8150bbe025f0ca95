"""The displays of one kind held against a limit to one finding: does this night pass it, and why so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from frametally.assess.comparisons import Comparison, choose_of_family
from frametally.assess.exposure import LEAST_STRETCH_MIN, Window, known
from frametally.assess.extremes import Extreme
from frametally.assess.limits import SETTINGS, Limit
from frametally.assess.study import Study, nearest_frames
from frametally.assess.verdict import GUARD_BAND_SOURCE, OUTCOME_WORDS, PROBABILITY_SOURCE
from frametally.assess.wording import (
    capitalise,
    of_what,
    pick_frames,
    write_average,
    write_bounds,
    write_chance,
    write_level,
    write_list,
    write_minutes,
    write_moment,
    write_reading,
    write_unstated,
)
from frametally.model import Finding

TRAPEZOID_SOURCE = "Straight lines between readings (trapezoid)"
AVERAGE_SOURCES = {
    "twa-fixed": f"{TRAPEZOID_SOURCE}; concentration times time over a fixed divisor, 29 CFR 1910.1000(d)(1)(i)",
    "rolling-mean": f"{TRAPEZOID_SOURCE}; highest mean over any stretch of the averaging time",
    "hourly-mean": f"{TRAPEZOID_SOURCE}; means of clock hours, 40 CFR 50.8(c) and (d)",
}
BOUNDS_SOURCE = "Bounds over gaps: own convention, stated with the figure"

MISSED_WORSE = "While it showed nothing settled, another instrument ran out of range, so this one may have missed worse."

NEVER_A_NIGHT_MIN = 720.0
"""Averages longer than this are of a day: that a night is too short for one is nothing to warn of. [min]"""

_VERDICT_WEIGHT = {"exceeds": 0, "undecided": 20, "does not exceed": 40}
_INSTANT_WEIGHT = {"ceiling": 1, "instant-low": 2, "instant-high": 3}
_AVERAGE_WEIGHT = {"home": 4, "outdoors": 5, "work": 6, "accident": 0}
TOO_SHORT_WEIGHT = 29
DISCOMFORT = "aegl-1"
"""Accident limits of this family speak of discomfort that passes, not of danger."""


def judge(comparisons: Sequence[Comparison]) -> Finding:
    """Give the finding for one limit, or one family of limits, from all displays of its kind."""
    chosen = choose_of_family(comparisons)
    decision = chosen.decision
    same_limit = [one for one in comparisons if one.limit.id == chosen.limit.id]
    parts = (
        _figure_text(chosen),
        _limit_text(chosen),
        _verdict_text(chosen),
        _others_text(chosen, same_limit),
        _family_text(chosen, comparisons),
        decision.rule,
    )
    return Finding(
        slug="limit",
        title=_title(chosen, _twins(chosen, comparisons)),
        text=" ".join(part for part in parts if part),
        weight=_weigh(chosen),
        tone=_tone(chosen),
        key=chosen.study.facts.key,
        value=known(chosen.figure.middle) if chosen.has_average else None,
        lower=known(chosen.figure.lower) if chosen.has_average else None,
        upper=known(chosen.figure.upper) if chosen.has_average else None,
        unit=chosen.study.facts.unit,
        limit=chosen.limit.id,
        verdict=decision.verdict,
        verified=chosen.extreme is None or chosen.extreme.is_verified,
        evidence=_evidence(chosen),
        sources=(*_sources(chosen), *(limit.citation for limit in _twins(chosen, comparisons))),
    )


def _weigh(one: Comparison) -> int:
    limit, verdict = one.limit, one.decision.verdict
    if one.is_too_short and verdict == "undecided" and not one.is_beyond_while_measured:
        return TOO_SHORT_WEIGHT
    if limit.family.startswith(DISCOMFORT):
        base = _AVERAGE_WEIGHT["outdoors"]
    elif limit.setting == "accident":
        base = _AVERAGE_WEIGHT["accident"]
    else:
        base = _INSTANT_WEIGHT.get(limit.statistic, _AVERAGE_WEIGHT[limit.setting])
    return base + _VERDICT_WEIGHT[verdict]


def _sources(one: Comparison) -> tuple[str, ...]:
    averages = (AVERAGE_SOURCES[one.limit.statistic], BOUNDS_SOURCE) if one.limit.is_average else ()
    guard = (GUARD_BAND_SOURCE,) if one.study.facts.accuracy else ()
    chance = (PROBABILITY_SOURCE,) if _chance_text(one) else ()
    return (one.limit.citation, *averages, *guard, *chance)


def _title(one: Comparison, twins: Sequence[Limit]) -> str:
    limit, verdict = one.limit, one.decision.verdict
    value = write_level(limit, one.unit)
    if limit.is_low_side:
        words = {
            "exceeds": f"fell below {value}",
            "does not exceed": f"not seen below {value}",
            "undecided": f"below {value}: undecided",
        }
    elif limit.averaging_min is not None and not one.has_average:
        measured = write_minutes(one.window.measured_min if one.window else 0.0)
        words = {verdict: f"averaged over {write_minutes(limit.averaging_min)}: not known, {measured} measured"}
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
    more = f"; the same: {write_list(list(dict.fromkeys(twin.issuer for twin in twins)))}" if twins else ""
    return f"{capitalise(one.study.facts.quantity)} {words[verdict]} ({limit.label}{more})"


def _tone(one: Comparison) -> Literal["danger", "warning", "note", "calm"]:
    decision = one.decision
    beyond = decision.middle_beyond or one.is_beyond_while_measured
    if decision.verdict == "exceeds" or (decision.verdict == "undecided" and beyond):
        return "danger"
    if one.is_too_short and (one.limit.averaging_min or 0.0) > NEVER_A_NIGHT_MIN:
        return "note"
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
        text += "" if math.isnan(shown) else f" While it was measured it was {write_average(shown, facts)} on average."
        if one.decision.verdict == "exceeds":
            least = write_average(window.bounds.lower, facts)
            text += f" Even if the unknown time held none of the gas, the average over {write_minutes(length)} was {least}."
        return text
    if math.isnan(window.bounds.middle):
        text = f"On {facts.source_name} nothing was measured from {start} to {stop}."
        if window.measured_min > 0:
            text = f"On {facts.source_name} too little was measured from {start} to {stop} to form an average."
    else:
        between, whole = f"({start} to {stop})", write_minutes(length)
        which = f"the worst {whole} {between}" if window.rest_min <= 0 else f"the whole series {between}, reckoned over {whole},"
        if limit.statistic == "hourly-mean":
            hours = round(length / 60)
            which = f"the worst {f'{hours} clock hours' if hours > 1 else 'clock hour'} {between}"
        elif limit.statistic == "rolling-mean" and window.rest_min > 0:
            which = f"the whole series {between}"
        bounds = write_bounds(window.bounds, facts)
        text = f"On {facts.source_name}, {which} averaged "
        text += write_average(window.bounds.middle, facts) + of_what(facts) + (f": {bounds}." if bounds else ".")
    return text + _holes_text(window, limit)


def _holes_text(window: Window, limit: Limit) -> str:
    length = limit.averaging_min or 0.0
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
        missing = write_minutes(rest)
        if limit.statistic == "twa-fixed":
            text += (
                f" The rule divides by {write_minutes(length)} all the same: the other {missing}, which nobody "
                f"measured, count as none of the gas{upper}."
            )
        else:
            text += (
                f" The other {missing} of {write_minutes(length)}, which nobody measured, count as none of the gas in the "
                f"lower figure{upper}; the middle one leaves them out."
            )
    return text


def _limit_text(one: Comparison) -> str:
    limit = one.limit
    converted = limit.conversion_text(one.unit)
    value = f"{limit.amount} ({converted})" if converted else limit.amount
    return f"The limit is {value}. {limit.rule} It is made for {SETTINGS[limit.setting]}."


def _verdict_text(one: Comparison) -> str:
    side = "below" if one.limit.is_low_side else "above"
    within = f" The limit was {OUTCOME_WORDS[one.decision.outcome]}.{_chance_text(one)}" if _is_within_error(one) else ""
    if one.decision.verdict == "exceeds":
        return f"Verdict: {side} the limit."
    if one.decision.verdict == "does not exceed":
        return f"Verdict: not {side} the limit{_caveat(one)}."
    face_value = side if one.decision.middle_beyond else f"not {side}"
    unknown = math.isnan(one.figure.middle) or not one.has_average
    plain = "" if unknown else f"; the figure taken at face value is {face_value} the limit"
    return f"Verdict: undecided, because {write_list(_undecided_reasons(one))}{plain}.{within}"


def _is_within_error(one: Comparison) -> bool:
    return one.has_average and one.tolerance is not None and one.decision.outcome in ("conditional pass", "conditional fail")


def _chance_text(one: Comparison) -> str:
    """Say how likely it is that the limit was passed, where the instrument's error alone leaves that open."""
    if one.chance is None or not _is_within_error(one):
        return ""
    return (
        f" If the stated error holds for 95 readings in 100, the chance that the limit was passed is {write_chance(one.chance)}."
    )


def _undecided_reasons(one: Comparison) -> list[str]:
    limit, figure = one.limit, one.figure
    outer = figure.lower if limit.is_low_side else figure.upper
    reasons = []
    if not one.enough:
        stretch = max(limit.averaging_min or 0.0, LEAST_STRETCH_MIN)
        need = f"three quarters of every {write_minutes(stretch)}" if limit.averaging_min else "three quarters"
        reasons.append(f"too little was settled to clear the night ({need} are needed)")
    if one.is_too_short:
        return reasons
    if not math.isfinite(outer):
        reasons.append("how far it went is not known")
    elif not one.decision.is_clear:
        reasons.append(
            "gaps and doubtful readings leave both open"
            if one.decision.outcome == "open"
            else "the instrument's stated error reaches across the limit"
        )
    return reasons


def _caveat(one: Comparison) -> str:
    if one.decision.verdict == "exceeds":
        return ""
    curve = one.study.curve
    if one.limit.is_average:
        hole = curve.span_min - curve.measured_min
        is_short = (one.limit.averaging_min or 0.0) < LEAST_STRETCH_MIN
        return f" in the time that was measured; for {write_minutes(hole)} nobody could look" if is_short and hole >= 0.5 else ""
    usual = curve.usual_interval_min
    return (
        f" in the readings taken, one every {write_minutes(usual)}; between them nobody looked"
        if usual > 0
        else " in the readings taken"
    )


def _others_text(chosen: Comparison, comparisons: Sequence[Comparison]) -> str:
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


def _twins(chosen: Comparison, comparisons: Sequence[Comparison]) -> list[Limit]:
    """Other limits with the same number for the same average: what holds for the one holds for them."""
    limits = {one.limit.id: one.limit for one in comparisons}
    return [limit for limit in limits.values() if limit.id != chosen.limit.id and not limit.family]


def _family_text(chosen: Comparison, comparisons: Sequence[Comparison]) -> str:
    """Name the limits of the same number, or the others of the family with what was decided for the display that counts."""
    twins = _twins(chosen, comparisons)
    if twins:
        return f"The same number, and so the same verdict, is the {write_list([limit.label for limit in twins])}."
    others = [one for one in comparisons if one.study is chosen.study and one.limit.id != chosen.limit.id]
    if not others:
        return ""
    parts = []
    for one in others:
        over = write_minutes(one.limit.averaging_min or 0.0)
        middle = one.figure.middle
        shown = "" if math.isnan(middle) or not one.has_average else f", {write_average(middle, one.study.facts)} here"
        parts.append(f"{one.limit.amount} over {over} ({one.decision.verdict}{shown})")
    return f"The same guideline for other times: {write_list(parts)}."
