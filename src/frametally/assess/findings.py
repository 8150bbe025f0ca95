"""One display's figures to the findings about it: its highest, its lowest, its mean, time past the limits, reading quality."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from frametally.assess.exposure import known
from frametally.assess.extremes import Extreme
from frametally.assess.facts import ZERO_FLOOR, DisplayFacts
from frametally.assess.limits import Limit, level_for
from frametally.assess.samples import State
from frametally.assess.study import Study, longest_unsettled
from frametally.assess.verdicts import BOUNDS_SOURCE, MISSED_WORSE
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
    write_shown,
    write_when,
)
from frametally.model import Finding

TOO_MANY_UNSETTLED = 0.25
"""Share of rows without a settled reading from which on the reading quality itself is a warning (own choice)."""

_PEAK_WEIGHT = {("co_ppm", "highest"): 10, ("o2_pct", "lowest"): 11, ("co2_ppm", "highest"): 12, ("no2_ppm", "highest"): 12}
_OTHER_EXTREME_WEIGHT = 70
MOST_NAMED = 3
"""So many hand-corrected readings are named before "and n more"."""

_SIDE_WORDS = {"highest": ("highest", "above", "top", "at least"), "lowest": ("lowest", "below", "bottom", "at most")}


def find_extremes(study: Study, limits: tuple[Limit, ...], alarms: Sequence[float] = ()) -> list[Finding]:
    """Give the findings on the highest and the lowest reading; none where the display gave no reading.

    `alarms` are the points at which the instrument sounds, in the display's unit; they are held against the highest.
    """
    return [_describe_extreme(study, one, limits, alarms) for one in (study.highest, study.lowest) if one is not None]


def _describe_extreme(study: Study, extreme: Extreme, limits: tuple[Limit, ...], alarms: Sequence[float]) -> Finding:
    facts = study.facts
    weight = _PEAK_WEIGHT.get((facts.kind or "", extreme.side), _OTHER_EXTREME_WEIGHT)
    passed = any(
        extreme.value < level_for(limit, facts.unit) if limit.is_low_side else extreme.value > level_for(limit, facts.unit)
        for limit in limits
        if limit.is_low_side == (extreme.side == "lowest")
    )
    by_hand = np.flatnonzero(study.samples.corrected)[:MOST_NAMED].tolist()
    rows = (*extreme.rows[:3], *(() if extreme.settled_row is None else (extreme.settled_row,)), *by_hand)
    return Finding(
        slug="highest" if extreme.side == "highest" else "lowest",
        title=_extreme_title(study, extreme),
        text=_extreme_text(study, extreme) + _alarm_text(study, extreme, alarms),
        weight=weight,
        tone="warning" if passed or not extreme.is_verified or extreme.is_open or _is_by_hand(study, extreme) else "note",
        key=facts.key,
        value=known(extreme.value),
        lower=known(extreme.bounds.lower),
        upper=known(extreme.bounds.upper),
        unit=facts.unit,
        verified=extreme.is_verified,
        evidence=pick_frames(study.timeline, rows),
    )


def _extreme_title(study: Study, extreme: Extreme) -> str:
    facts = study.facts
    word, _, _, least = _SIDE_WORDS[extreme.side]
    doubt = "" if extreme.is_verified else " (unverified)"
    if not math.isfinite(extreme.value):
        return f"{capitalise(word)} {facts.quantity}: beyond what {facts.source_name} can show"
    value = write_reading(extreme.value, facts)
    amount = f"{least} {value}" if extreme.is_open or extreme.may_have_missed else value
    by_hand = " (corrected by hand)" if _is_by_hand(study, extreme) else ""
    return f"{capitalise(word)} {facts.quantity}, {facts.short_name}: {amount}{doubt}{by_hand}"


def _extreme_text(study: Study, extreme: Extreme) -> str:
    facts, timeline = study.facts, study.timeline
    word, beyond, edge, least = _SIDE_WORDS[extreme.side]
    when = write_when(timeline, extreme.row)
    by_hand = _by_hand_text(study, extreme)
    settled = ""
    if extreme.settled_row is not None and (extreme.is_open or not extreme.is_verified):
        at = write_when(timeline, extreme.settled_row)
        settled = f" The {word} settled reading was {write_reading(extreme.settled, facts)}, {at[:1].lower() + at[1:]}."
    if extreme.is_open:
        many = f" ({len(extreme.rows)} photos)" if len(extreme.rows) > 1 else ""
        counts = (
            f"That counts as {least} {write_reading(extreme.value, facts)}{of_what(facts)}: the {edge} of its range."
            if math.isfinite(extreme.value)
            else f"Where its range ends is not stated{_known_edge(extreme, facts)}."
        )
        return (
            f"{when} {facts.source_name} was {beyond} what it can show{many}. {counts} "
            f"How far beyond it went, nobody can say.{settled}{by_hand}"
        )
    if not extreme.is_verified:
        return (
            f"{when} {facts.source_name} seems to have shown {write_shown(extreme.value, facts)}, which would be the {word} of "
            f"the night. The picture does not settle that reading: it is unverified. Look at the photo.{settled}{by_hand}"
        )
    more = f" It showed that value in {len(extreme.rows)} photos; this is the first." if len(extreme.rows) > 1 else ""
    missed = f" {MISSED_WORSE}" if extreme.may_have_missed else ""
    shown = write_shown(extreme.value, facts)
    return f"{when} {facts.source_name} showed {shown}, the {word} of the night.{missed}{more}{by_hand}"


def _alarm_text(study: Study, extreme: Extreme, alarms: Sequence[float]) -> str:
    """Hold the highest reading against the instrument's own alarm points."""
    if not alarms or extreme.side != "highest":
        return ""
    unit, points = study.facts.unit, sorted(alarms)
    most = extreme.bounds.middle
    reached = [point for point in points if most >= point]
    told = f"reached {write_list([f'{point:g}' for point in reached])} {unit}" if reached else "reached none of them"
    listed = with_unit(write_list([f"{point:g}" for point in points]), unit)
    if len(points) == 1:
        told = "reached it" if reached else "did not reach it"
        return f" Its alarm point is {listed}; this reading {told}."
    return f" Its alarm points are {listed}; this reading {told}."


def _known_edge(extreme: Extreme, facts: DisplayFacts) -> str:
    side = "below" if extreme.side == "highest" else "above"
    return (
        f"; it is not {side} {write_reading(extreme.settled, facts)}, which it showed" if math.isfinite(extreme.settled) else ""
    )


def _is_by_hand(study: Study, extreme: Extreme) -> bool:
    """True where a value that makes the extreme was set by hand."""
    return not extreme.is_open and bool(study.samples.corrected[list(extreme.rows)].any())


def _by_hand_text(study: Study, extreme: Extreme) -> str:
    """Say that readings were set by hand: a wrong correction can make a highest reading, or take it away."""
    rows = np.flatnonzero(study.samples.corrected).tolist()
    if not rows:
        return ""
    named = [_write_row(study, row) for row in rows[:MOST_NAMED]]
    named += [f"{len(rows) - MOST_NAMED} more"] if len(rows) > MOST_NAMED else []
    head = "This value was corrected by hand. " if _is_by_hand(study, extreme) else ""
    many = "1 reading of this display was" if len(rows) == 1 else f"{len(rows)} readings of this display were"
    return (
        f" {head}{many} corrected by hand ({write_list(named)}); a wrong correction can make or hide the {extreme.side} "
        "reading. Check them: the audit table has what was read first."
    )


def _write_row(study: Study, row: int) -> str:
    """Write a corrected row: "193 ppm at 05:28"."""
    value = float(study.samples.values[row])
    when = write_when(study.timeline, row)
    shown = write_reading(value, study.facts) if math.isfinite(value) else "no value"
    return f"{shown}, {when[:1].lower() + when[1:]}".removesuffix(",")


def describe_mean(study: Study) -> Finding | None:
    """Give the finding on the mean of the night; None where nothing was measured over time."""
    facts, figure, curve = study.facts, study.mean, study.curve
    if math.isnan(figure.middle):
        return None
    bounds = write_bounds(figure, facts)
    hole = curve.span_min - curve.measured_min
    average = write_average(figure.middle, facts)
    text = f"Over {write_minutes(curve.span_min)}, {facts.source_name} averaged {average}{of_what(facts)}"
    if bounds and hole >= 0.5:
        least = "none of the gas" if facts.kind in ZERO_FLOOR else "the lowest reading of the night"
        text += (
            f": {bounds}, with the {write_minutes(hole)} without a settled reading taken as {least} or as the highest reading."
        )
    else:
        text += f": {bounds}." if bounds else "."
    return Finding(
        slug="mean",
        title=f"Mean {facts.quantity}, {facts.short_name}: {average}",
        text=text,
        weight=55 if facts.kind in {"co_ppm", "o2_pct"} else 75,
        key=facts.key,
        value=known(figure.middle),
        lower=known(figure.lower),
        upper=known(figure.upper),
        unit=facts.unit,
        sources=("Time-weighted mean, straight lines between readings (trapezoid)", BOUNDS_SOURCE),
    )


def describe_time_beyond(study: Study, limits: tuple[Limit, ...]) -> Finding | None:
    """Give the finding on the time past the limits' values; None where there is no limit or no stretch of time."""
    facts = study.facts
    chosen = _levels_to_name(study, limits)
    if not chosen or study.curve.span_min <= 0:
        return None
    phrases = [_beyond_phrase(study, limit) for limit in chosen]
    times = [study.beyond[limit.id] for limit in chosen]
    ranges = any(time.lower > 0 and write_minutes(time.lower) != write_minutes(time.upper) for time in times)
    first = study.beyond[chosen[0].id]
    return Finding(
        slug="time-beyond",
        title=f"{capitalise(facts.quantity)} {phrases[0]} ({facts.short_name})",
        text=(
            f"{capitalise(facts.source_name)} showed {facts.quantity} {write_list(phrases)}, out of "
            f"{write_minutes(study.curve.span_min)}."
            + (" The shorter time counts settled readings only, the longer one all time without them as well." if ranges else "")
        ),
        weight=50,
        tone="warning" if first.lower > 0 else "note",
        key=facts.key,
        value=known(first.middle),
        lower=known(first.lower),
        upper=known(first.upper),
        unit="min",
        limit=chosen[0].id,
        sources=(chosen[0].citation, "Straight lines between readings", BOUNDS_SOURCE),
    )


def _levels_to_name(study: Study, limits: tuple[Limit, ...]) -> list[Limit]:
    """The lowest level that charts have, and the further ones that the night may have reached; for oxygen the low one."""
    few = [limit for limit in limits if limit.in_chart] or list(limits)
    low = [limit for limit in few if limit.is_low_side]
    if low:
        return low
    unit = study.facts.unit
    rising = sorted(few, key=lambda limit: level_for(limit, unit))
    most = study.highest.possible if study.highest else -math.inf
    return [limit for place, limit in enumerate(rising) if place == 0 or most > level_for(limit, unit)]


def _beyond_phrase(study: Study, limit: Limit) -> str:
    time = study.beyond[limit.id]
    least, most = write_minutes(time.lower), write_minutes(time.upper)
    side = "below" if limit.is_low_side else "above"
    level = with_unit(f"{float(f'{level_for(limit, study.facts.unit):.3g}'):g}", study.facts.unit)
    level += f" ({limit.issuer}'s {limit.amount})" if "/" in limit.unit and "/" not in study.facts.unit else ""
    if time.lower <= 0 < time.upper:
        return f"{side} {level} in no settled reading, with {most} unknown"
    return f"{side} {level} for {least if least == most else f'{least} to {most}'}"


def describe_quality(study: Study) -> Finding:
    """Give the finding on how much of the night this display was read, and where it was not."""
    facts, samples, timeline = study.facts, study.samples, study.timeline
    total, settled = len(samples.values), study.count(State.SETTLED)
    bad = samples.doubtful | samples.gap
    counts = [
        (study.count(State.DOUBTFUL), "doubtful"),
        (study.count(State.OVER), "over range"),
        (study.count(State.UNDER), "under range"),
        (study.count(State.GAP), "without a reading"),
    ]
    rest = write_list([f"{number} {word}" for number, word in counts if number])
    text = f"{settled} of {total} readings of {facts.quantity} on {facts.source_name} are settled" + (
        f"; {rest}." if rest else "."
    )
    hole = longest_unsettled(study)
    if hole is not None:
        began = write_moment(timeline, float(timeline.elapsed_min[hole[1]]))
        text += f" The longest stretch without settled readings lasted {write_minutes(hole[0])}, from {began}."
    if samples.doubtful.any():
        text += " Doubtful readings count only towards upper figures until someone has looked at the photo."
    share = float(bad.mean()) if total else 1.0
    # Doubtful readings first: those are the ones that a look at the photo can settle.
    rows = [*np.flatnonzero(samples.doubtful).tolist(), *np.flatnonzero(samples.gap).tolist()]
    return Finding(
        slug="reading-quality",
        title=f"Settled readings: {settled} of {total} ({facts.quantity}, {facts.short_name})",
        text=text,
        weight=25 if share > TOO_MANY_UNSETTLED and facts.kind in {"co_ppm", "o2_pct"} else 60,
        tone="warning" if share > TOO_MANY_UNSETTLED else "note",
        key=facts.key,
        value=float(math.floor(100 * settled / total)) if total else None,
        unit="%",
        evidence=pick_frames(timeline, rows),
    )
