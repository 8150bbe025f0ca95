"""Temperature and humidity of a night to what the water in the air did: content, dew point, damp surfaces, heat.

Takes studies and a trial; gives a topic. Relative humidity alone misleads, because it falls when the air only gets warmer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.atmosphere import Site, find_site
from frametally.assess.climate import Climate, clock, pair_climates, pick, thin
from frametally.assess.dampness import describe_surfaces, surface_figures
from frametally.assess.exposure import known
from frametally.assess.psychrometrics import (
    HEAT_INDEX_SOURCE,
    PSYCHROMETRICS_SOURCE,
    absolute_humidity,
    celsius,
    dew_point,
    fahrenheit,
    heat_index_f,
    humidity_ratio,
)
from frametally.assess.samples import Floats
from frametally.assess.study import Study
from frametally.assess.surfaces import (
    dew_point_of,
)
from frametally.assess.topic import Topic, of_kind
from frametally.assess.wording import write_list, write_number
from frametally.model import Finding, Trial

LEAST_RH_CHANGE = 5.0
LEAST_WATER_CHANGE = 0.05
"""Smaller changes of relative humidity [points] and of water content [share] are not told as opposite (own choice)."""

HEAT_DANGER_F = 103.0
"""From here the US National Weather Service speaks of danger (from memory). [°F]"""

MOST_BINS = 120
"""So many stretches at most are compared with one another when looking for opposite movements."""


def describe_moisture(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Say what the water in the air did; nothing where no humidity was read."""
    climates = [one for one in pair_climates(studies) if one.rows.size >= 2]
    if not climates:
        return _say_unpaired(studies)
    climate, site = climates[0], find_site(trial)
    optional = [
        _describe_opposite(climate, site),
        _describe_content(climate, site, trial),
        _describe_dew_point(climate),
        *describe_surfaces(climate, trial),
        _describe_heat(climate),
    ]
    findings = tuple(one for one in optional if one is not None)
    return Topic(findings, _gather_figures(climate, site, trial))


def _say_unpaired(studies: Sequence[Study]) -> Topic:
    if not of_kind(studies, "rh_pct"):
        return Topic()
    text = (
        "Relative humidity alone does not say how much water the air holds: the same water is a lower percentage in warmer "
        "air. With a temperature read in the same photos, the water in the air, its dew point and damp on cold surfaces could "
        "be told."
    )
    title = "The water in the air cannot be told without a temperature beside the humidity"
    return Topic((Finding("moisture-no-temperature", title, text, 78),))


@dataclass(frozen=True)
class Water:
    """The water in the air, row by row, with what the stated errors allow, in `unit`."""

    unit: str
    least: Floats
    shown: Floats
    most: Floats


def _content(climate: Climate, site: Site | None) -> Water:
    """Mass of water per mass of dry air, which heating alone does not change; per volume where the pressure is not known."""
    vapours = (climate.vapour_least_pa, climate.vapour_pa, climate.vapour_most_pa)
    if site is not None:
        least, shown, most = (np.asarray(humidity_ratio(one, site.pressure_hpa)) for one in vapours)
        return Water("g/kg", least, shown, most)
    errors = (-climate.temp_error_c, 0 * climate.temp_error_c, climate.temp_error_c)
    least, shown, most = (
        np.asarray(absolute_humidity(one, climate.temp_c + error)) for one, error in zip(vapours, errors, strict=True)
    )
    return Water("g/m³", least, shown, most)


def _amount(value: float, unit: str) -> str:
    return f"{value:.1f} g of water per {'kg of dry air' if unit == 'g/kg' else 'm³ of air'}"


# --- opposite movements ----------------------------------------------------------------------------------------------


def find_opposite(climate: Climate) -> tuple[int, int] | None:
    """Give the two places between which relative humidity and water moved most clearly in opposite directions; None for none.

    The water is taken as its vapour pressure, which heating alone does not change. Medians of short stretches are compared,
    so that one odd reading makes no movement.
    """
    count = climate.rows.size
    size = max(3, math.ceil(count / MOST_BINS))
    bins = [np.arange(start, min(start + size, count)) for start in range(0, count, size)]
    bins = [one for one in bins if one.size >= min(3, count)]
    if len(bins) < 2:
        return None
    rh = np.array([np.median(climate.rh_pct[one]) for one in bins])
    vapour = climate.vapour_pa
    water = np.array([np.median(vapour[one]) for one in bins])
    rh_change = rh[None, :] - rh[:, None]
    water_change = (water[None, :] - water[:, None]) / max(float(water.mean()), 1e-9)
    clear = np.minimum(np.abs(rh_change) / LEAST_RH_CHANGE, np.abs(water_change) / LEAST_WATER_CHANGE)
    clear = np.triu(np.where(rh_change * water_change < 0, clear, 0.0))
    first, last = np.unravel_index(int(np.argmax(clear)), clear.shape)
    if clear[first, last] < 1:
        return None
    return _typical(bins[int(first)], vapour), _typical(bins[int(last)], vapour)


def _typical(places: np.ndarray, vapour: Floats) -> int:
    """The place of a stretch whose vapour pressure is nearest to the stretch's median."""
    return int(places[np.argmin(np.abs(vapour[places] - np.median(vapour[places])))])


def _describe_opposite(climate: Climate, site: Site | None) -> Finding | None:
    found = find_opposite(climate)
    if found is None:
        return None
    first, last = found
    water = _content(climate, site)
    rh, temp = climate.rh_pct[[first, last]], climate.temp_c[[first, last]]
    before, after = float(water.shown[first]), float(water.shown[last])
    if (after - before) * (rh[1] - rh[0]) >= 0:
        return None
    gained = after > before
    moved = "fell" if rh[1] < rh[0] else "rose"
    warmer = temp[1] > temp[0]
    became = "warmer, and warm air can hold more" if warmer else "colder, and cold air can hold less"
    why = f"The air had become {became} water: the percentage says how full it is, not how much is in it."
    sure = water.least[last] > water.most[first] if gained else water.most[last] < water.least[first]
    doubt = (
        ""
        if sure or not climate.has_errors
        else " The change is smaller than the stated errors would allow if they pointed opposite ways at the two times; the same "
        "instruments were read at both, so that the direction is likely, the amount less so."
    )
    if not climate.has_errors:
        doubt = " The meters' errors are not stated."
    title = (
        f"The relative humidity {moved}, yet the air did not {'dry' if gained else 'get damper'}: it held "
        f"{'more' if gained else 'less'} water"
    )
    text = (
        f"From {clock(climate, first)} to {clock(climate, last)} the relative humidity {moved} from {rh[0]:.0f} % to "
        f"{rh[1]:.0f} %, while the air went from {_amount(before, water.unit)} to {after:.1f} g. It went from {temp[0]:.1f} "
        f"°C to {temp[1]:.1f} °C. {why}{doubt}"
    )
    return Finding(
        slug="moisture-opposite",
        title=title,
        text=text,
        weight=51,
        key=climate.humidity.facts.key,
        value=known(after - before),
        lower=known(float(water.least[last] - water.most[first])) if climate.has_errors else None,
        upper=known(float(water.most[last] - water.least[first])) if climate.has_errors else None,
        unit=water.unit,
        evidence=pick(climate, first, last),
        sources=(PSYCHROMETRICS_SOURCE,),
    )


# --- content and dew point -------------------------------------------------------------------------------------------


def _mass(climate: Climate, volume_m3: float) -> Water:
    """Mass of the water in the air of the space. [g]"""
    vapours = (climate.vapour_least_pa, climate.vapour_pa, climate.vapour_most_pa)
    errors = (-climate.temp_error_c, 0 * climate.temp_error_c, climate.temp_error_c)
    least, shown, most = (
        volume_m3 * np.asarray(absolute_humidity(one, climate.temp_c + error)) for one, error in zip(vapours, errors, strict=True)
    )
    return Water("g", least, shown, most)


def _describe_content(climate: Climate, site: Site | None, trial: Trial | None) -> Finding:
    volume = trial.space.volume_m3 if trial else None
    water = _content(climate, site) if volume is None else _mass(climate, volume)
    low, high = int(np.argmin(water.shown)), int(np.argmax(water.shown))
    last = len(water.shown) - 1
    if volume is None:
        per = "per kg of dry air" if water.unit == "g/kg" else "per m³ of air"
        places = 1
        tail = " The volume of the space is not stated; with it the mass of water in the air could be told."
    else:
        per = f"in the air of the space ({volume:g} m³)"
        places = 0
        tail = " Walls, wood and bedding hold many times more and give and take without being seen here."
    if site is None:
        tail += " With the altitude or the air pressure stated, the content per kg of air could be told."

    def told(place: int) -> str:
        value = write_number(float(water.shown[place]), places)
        return f"{value} g at {clock(climate, place)}{_between(water, place, places) if climate.has_errors else ''}"

    named = [f"the {word} was {told(place)}" for word, place in (("least", low), ("most", high)) if place not in (0, last)]
    extremes = f"; {write_list(named)}" if named else ""
    text = (
        f"By {climate.source_name}, the water {per} was {told(0)} and {told(last)}{extremes}."
        + ("" if climate.has_errors else " The meters' errors are not stated.")
        + climate.caution
        + tail
    )
    unit = "g" if volume is not None else water.unit
    return Finding(
        slug="moisture-content",
        title=f"Water {'in the air of the space' if volume is not None else per}: {water.shown[low]:.{places}f} to "
        f"{water.shown[high]:.{places}f} g",
        text=text,
        weight=68,
        key=climate.humidity.facts.key,
        value=known(float(water.shown[high])),
        lower=known(float(water.least[high])) if climate.has_errors else None,
        upper=known(float(water.most[high])) if climate.has_errors else None,
        unit=unit,
        evidence=pick(climate, low, high),
        sources=(PSYCHROMETRICS_SOURCE,),
    )


def _between(water: Water, place: int, places: int) -> str:
    least, most = (write_number(float(one[place]), places) for one in (water.least, water.most))
    return f" ({least} to {most} g with the stated errors)"


def _describe_dew_point(climate: Climate) -> Finding:
    points = dew_point_of(climate)
    high, low = int(np.nanargmax(points)), int(np.nanargmin(points))
    least, most = (float(dew_point(one[high])) for one in (climate.vapour_least_pa, climate.vapour_most_pa))
    spread = f" (between {least:.1f} and {most:.1f} °C with the stated errors)" if climate.has_errors else ""
    text = (
        f"Water settles on whatever is colder than the dew point. By {climate.source_name} it was highest at "
        f"{clock(climate, high)}, {points[high]:.1f} °C{spread}, and lowest at {clock(climate, low)}, {points[low]:.1f} °C."
    )
    if points[low] < 0:
        text += " Below 0 °C water settles as frost, already at a slightly higher temperature."
    if (climate.temp_c < 0).any():
        text += " The room itself was below freezing; its humidity is taken over liquid water, as humidity sensors show it."
    over = int(climate.humidity.samples.over.sum())
    if over:
        many = "1 photo" if over == 1 else f"{over} photos"
        text += f" In {many} the humidity was above what the meter can show; then the dew point was higher."
    return Finding(
        slug="moisture-dew-point",
        title=f"Dew point: {points[low]:.1f} to {points[high]:.1f} °C",
        text=text,
        weight=69,
        key=climate.humidity.facts.key,
        value=known(float(points[high])),
        lower=known(least) if climate.has_errors else None,
        upper=known(most) if climate.has_errors else None,
        unit="°C",
        evidence=pick(climate, high, low),
        sources=(PSYCHROMETRICS_SOURCE,),
    )


# --- heat ------------------------------------------------------------------------------------------------------------


def _describe_heat(climate: Climate) -> Finding | None:
    """The highest heat index; None where it was never warm enough for one."""
    index = np.asarray(heat_index_f(fahrenheit(climate.temp_c), climate.rh_pct))
    if np.isnan(index).all():
        return None
    place = int(np.nanargmax(index))
    in_c = float(celsius(float(index[place])))
    text = (
        f"At {clock(climate, place)} it was {climate.temp_c[place]:.1f} °C at {climate.rh_pct[place]:.0f} % relative "
        f"humidity, which in the shade feels like {in_c:.0f} °C ({index[place]:.0f} °F) by the heat index. It is defined from "
        "26.7 °C (80 °F) up only."
    )
    return Finding(
        slug="moisture-heat",
        title=f"Heat index: up to {in_c:.0f} °C",
        text=text,
        weight=74 if index[place] < HEAT_DANGER_F else 27,
        tone="note" if index[place] < HEAT_DANGER_F else "warning",
        key=climate.temperature.facts.key,
        value=known(in_c),
        unit="°C",
        evidence=pick(climate, place),
        sources=(HEAT_INDEX_SOURCE,),
    )


# --- figures ---------------------------------------------------------------------------------------------------------


def _gather_figures(climate: Climate, site: Site | None, trial: Trial | None) -> dict[str, object]:
    volume = trial.space.volume_m3 if trial else None
    measured = trial.space.coldest_surface_c if trial else None
    outdoors = trial.outdoor.temp_c if trial else None
    vapour, points = climate.vapour_pa, dew_point_of(climate)
    keep = [int(np.argmax(vapour)), int(np.argmin(vapour))]
    at = thin(climate.rows.size, keep)
    series: dict[str, object] = {
        "elapsed_min": climate.elapsed_min[at].tolist(),
        "temp_c": climate.temp_c[at].tolist(),
        "rh_pct": climate.rh_pct[at].tolist(),
        "vapour_hpa": (vapour[at] / 100).tolist(),
        "dew_point_c": points[at].tolist(),
        "dew_point_c_lower": np.asarray(dew_point(climate.vapour_least_pa[at])).tolist(),
        "dew_point_c_upper": np.asarray(dew_point(climate.vapour_most_pa[at])).tolist(),
        "absolute_humidity_g_m3": np.asarray(absolute_humidity(vapour[at], climate.temp_c[at])).tolist(),
    }
    if site is not None:
        series["humidity_ratio_g_kg"] = np.asarray(humidity_ratio(vapour[at], site.pressure_hpa)).tolist()
    if volume is not None:
        mass = _mass(climate, volume)
        for name, values in (("water_g", mass.shown), ("water_g_lower", mass.least), ("water_g_upper", mass.most)):
            series[name] = values[at].tolist()
    found = find_opposite(climate)
    return {
        "temperature_key": climate.temperature.facts.key,
        "humidity_key": climate.humidity.facts.key,
        "one_instrument": climate.is_one_instrument,
        "pressure_hpa": None if site is None else site.pressure_hpa,
        "volume_m3": volume,
        "dew_point_highest_c": float(np.nanmax(points)),
        "dew_point_lowest_c": float(np.nanmin(points)),
        "opposite_elapsed_min": None if found is None else [float(climate.elapsed_min[place]) for place in found],
        "surfaces": surface_figures(climate, measured, outdoors),
        "series": series,
    }
