"""A night's oxygen to what it was worth to a breath: time below marks, partial pressure, equivalent altitude, the part of water.

Takes studies and a trial; gives a topic. The limits themselves are judged on the displayed percent, as the rules want it
(29 CFR 1910.134(d)(2)(iii) and OSHA's letter of 2 April 2007); what stands here says what the percent means at this place.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.atmosphere import OXYGEN_SHARE, SEA_LEVEL_HPA, Site, find_site
from frametally.assess.climate import Climate, nearest, pair_climates, thin
from frametally.assess.exposure import Bounded, known, minutes_below
from frametally.assess.oxygen_water import WaterPart, describe_water, explain_by_water
from frametally.assess.oxygen_worth import (
    Low,
    describe_pressure,
    describe_setting,
    equivalent_height,
    find_low,
    inspired_oxygen,
    set_height,
    water_at,
)
from frametally.assess.study import Study
from frametally.assess.topic import Topic, of_kind
from frametally.assess.wording import capitalise, pick_frames, write_minutes
from frametally.model import Finding, Trial


@dataclass(frozen=True)
class Mark:
    """A level of oxygen [%], what happens or is required there, and where it stands."""

    level_pct: float
    meaning: str
    source: str


MARKS = (
    Mark(19.5, "where air counts as short of oxygen at work", "29 CFR 1910.146(b), hazardous atmosphere"),
    Mark(
        18.0,
        "where the oxygen guard of an unvented room heater must have shut it off",
        "ANSI Z21.11.2 (from memory; one page prints 18.5 %)",
    ),
    Mark(
        16.0,
        "where judgment and coordination begin to fail and breath and pulse quicken",
        "OSHA's table of effects, letter of 2 April 2007 (seen in paraphrase); other tables differ by a percent",
    ),
)

DANGER_BELOW_PCT = 18.0
"""Below this the time below the marks is told as a danger (own choice: the level at which a heater's guard must trip). [%]"""


def describe_oxygen(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Say what the lowest oxygen was worth; nothing where no oxygen was read."""
    sources = of_kind(studies, "o2_pct")
    if not sources:
        return Topic()
    study = min(sources, key=lambda one: float(one.samples.values[one.samples.settled].min()))
    site = find_site(trial)
    climates = pair_climates(studies)
    climate = next((one for one in climates if one.humidity.facts.instrument == study.facts.instrument), None)
    climate = climate or (climates[0] if climates else None)
    low = find_low(study)
    water = explain_by_water(study, low, climate, site)
    optional = (
        _describe_times(study, low),
        describe_pressure(study, low, site, water_at(study, low, climate)),
        describe_water(study, water, site, climate),
        describe_setting(study, site, trial),
    )
    findings = tuple(one for one in optional if one is not None)
    return Topic(findings, _gather_figures(study, low, site, climate, water, trial))


# --- time below the marks --------------------------------------------------------------------------------------------


def _time_below(study: Study, level: float) -> Bounded:
    """Time below a level: at least (meter reading too low, gaps above it) and at most (too high, gaps below it). [min]"""
    error = study.facts.tolerance_at(level) or 0.0
    middle = minutes_below(study.curve, level)
    least = minutes_below(study.curve, level - error).lower
    most = minutes_below(study.curve, level + error).upper
    return Bounded(least, middle.middle, most)


def _describe_times(study: Study, low: Low) -> Finding | None:
    """The time below the marks; None where no reading came near one, which the finding on the limit says already."""
    doubtful = math.inf if study.lowest is None else study.lowest.possible
    least = min(low.value, doubtful) - (low.error or 0.0)
    reached = [mark for mark in MARKS if least < mark.level_pct]
    if not reached or study.curve.measured_min <= 0:
        return None
    times = [_time_below(study, mark.level_pct) for mark in reached]
    parts = [
        f"Below {mark.level_pct:g} %, {mark.meaning}: {_write_time(time)}." for mark, time in zip(reached, times, strict=True)
    ]
    with_error = (
        f"with the meter's stated error of {low.error:g} points counted both ways"
        if low.error
        else "without the meter's error, which is not stated"
    )
    hole = study.curve.span_min - study.curve.measured_min
    gaps = f" The {write_minutes(hole)} without a settled reading count in the longest time only." if hole >= 0.5 else ""
    first = times[0]
    return Finding(
        slug="oxygen-marks",
        title=f"Oxygen below {reached[0].level_pct:g} %: {_write_time(first)}",
        text=f"{capitalise(study.facts.source_name)}, out of {write_minutes(study.curve.span_min)}, {with_error}. "
        f"{' '.join(parts)}{gaps} Effects differ from person to person, and carbon monoxide or hard work brings them on sooner.",
        weight=15 if first.lower > 0 else 26 if first.middle > 0 else 46,
        tone="danger" if first.middle > 0 and low.value < DANGER_BELOW_PCT else "warning" if first.middle > 0 else "note",
        key=study.facts.key,
        value=known(first.middle),
        lower=known(first.lower),
        upper=known(first.upper),
        unit="min",
        evidence=pick_frames(study.timeline, [low.row]),
        sources=tuple(mark.source for mark in reached),
    )


def _write_time(time: Bounded) -> str:
    least, middle, most = (write_minutes(value) for value in (time.lower, time.middle, time.upper))
    if time.upper <= 0:
        return "at no time"
    if time.middle <= 0:
        return f"in no reading, at most {most}"
    return middle if least == most else f"{middle} (at least {least}, at most {most})"


# --- figures ---------------------------------------------------------------------------------------------------------


def _gather_figures(
    study: Study, low: Low, site: Site | None, climate: Climate | None, water: WaterPart | None, trial: Trial | None
) -> dict[str, object]:
    pressure = None if site is None else site.pressure_hpa
    elapsed = study.timeline.elapsed_min
    rows = np.flatnonzero(study.samples.settled & np.isfinite(elapsed))
    rows = rows[thin(rows.size, np.flatnonzero(rows == low.row).tolist())]
    values = study.samples.values[rows]
    series: dict[str, object] = {"elapsed_min": elapsed[rows].tolist(), "o2_pct": values.tolist()}
    if pressure is not None:
        series["o2_hpa"] = (values / 100 * pressure).tolist()
        series["equivalent_altitude_m"] = [known(equivalent_height(float(value), pressure)) for value in values]
        if climate is not None:
            places = nearest(climate, elapsed[rows], study.curve.usual_interval_min)
            vapour = np.where(places >= 0, climate.vapour_pa[places] / 100, np.nan)
            series["fresh_air_would_show_pct"] = (100 * OXYGEN_SHARE * (1 - vapour / pressure)).tolist()
    bounds = low.bounds
    vapour_low = water_at(study, low, climate)
    return {
        "key": study.facts.key,
        "pressure_hpa": pressure,
        "pressure_is_stated": site is not None and site.is_stated,
        "lowest_pct": bounds.as_dict(),
        "lowest_elapsed_min": known(float(elapsed[low.row])),
        "minutes_below": [
            {"level_pct": mark.level_pct, **_time_below(study, mark.level_pct).as_dict(), "source": mark.source} for mark in MARKS
        ]
        if study.curve.measured_min > 0
        else [],
        "lowest_o2_hpa": None if pressure is None else bounds.middle / 100 * pressure,
        "lowest_o2_of_dry_air_pct": None
        if pressure is None or vapour_low is None
        else bounds.middle / (1 - vapour_low / pressure),
        "lowest_inspired_o2_hpa": None if pressure is None else inspired_oxygen(bounds.middle, pressure, vapour_low or 0.0),
        "equivalent_altitude_m": None
        if pressure is None
        else {
            name: known(equivalent_height(pct, pressure))
            for name, pct in (("lower", bounds.upper), ("middle", bounds.middle), ("upper", bounds.lower))
        },
        "equivalent_altitude_if_at_sea_level_m": known(equivalent_height(bounds.middle, SEA_LEVEL_HPA)),
        "drop_pct": None if water is None else water.drop,
        "drop_by_water_pct": None if water is None else water.part.as_dict(),
        "zeroed_at_altitude_m": set_height(study, trial),
        "series": series,
    }
