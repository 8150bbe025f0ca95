"""A measured night and its air change to nights that were not: with people asleep, and with more or less fresh air.

Another air change A' is worked out without knowing the source: the difference D to the measured course follows
dD/dt = -A' D - (A' - A)(C - Cout), whatever gave the gas off. The source itself is taken to stay as it was, which a real burner
does not do for certain; people are taken from published averages.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from frametally.assess.balance import follow
from frametally.assess.samples import Floats

ASLEEP_CO2_L_PER_S = 0.0035
ASLEEP_SOURCE = "Sleeping adult, 0.0035 L of carbon dioxide a second (Persily and de Jonge 2017, seen in a third-party copy)"
BREATHING_RATIO = 0.85
"""Moles of CO2 breathed out per mole of oxygen used (Persily and de Jonge 2017; from memory)."""

ASLEEP_WATER_G_PER_H = 40.0
"""Water a sleeping adult gives off (BS 5250; from memory). [g/h]"""

MOST_SLEEPERS = 4
FRESH_O2_PCT = 20.95
FASTEST_PER_H = 200.0


@dataclass(frozen=True)
class SleepersNight:
    """What `people` asleep would add to a room by themselves after some hours, starting from fresh air."""

    people: int
    air_change_per_h: float
    hours: float
    co2_ppm: float
    o2_pct: float
    water_g: float


def add_sleepers(people: int, volume_m3: float, air_change_per_h: float, hours: float, outdoor_co2_ppm: float) -> SleepersNight:
    """Give the air after some hours with people asleep in a room that began with outdoor air.

    C = Cout + G/(A V) (1 - exp(-A t)) (single-zone balance; without fresh air C = Cout + G t / V). Water is what they give
    off, not what stays in the air.
    """
    litres_per_h = people * ASLEEP_CO2_L_PER_S * 3600
    per_hour = litres_per_h / (1000 * volume_m3)
    built_up = hours if air_change_per_h <= 0 else -math.expm1(-air_change_per_h * hours) / air_change_per_h
    share = per_hour * built_up
    return SleepersNight(
        people,
        air_change_per_h,
        hours,
        outdoor_co2_ppm + 1e6 * share,
        FRESH_O2_PCT - 100 * share / BREATHING_RATIO,
        people * ASLEEP_WATER_G_PER_H * hours,
    )


def with_air_change(minutes: Floats, values: Floats, outdoor: float, measured_per_h: float, other_per_h: float) -> Floats:
    """Give the course that the same source would have made with another air change, from the same start.

    Exact for straight lines between readings.
    """
    difference = follow(minutes, -(other_per_h - measured_per_h) / 60 * (values - outdoor), other_per_h)
    return np.maximum(values + difference, min(outdoor, float(values.min())))


def worst_mean(minutes: Floats, values: Floats, averaging_min: float | None) -> float:
    """Give the highest average over a time (of what there is, where the series is shorter), or the highest value for None."""
    if averaging_min is None or len(minutes) < 2:
        return float(values.max())
    area = np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) / 2 * np.diff(minutes))])
    length = min(averaging_min, float(minutes[-1] - minutes[0]))
    starts = minutes[minutes <= minutes[-1] - length + 1e-9]
    return float((np.interp(starts + length, minutes, area) - np.interp(starts, minutes, area)).max() / length)


def air_change_to_keep(
    limit: float, minutes: Floats, values: Floats, outdoor: float, measured_per_h: float, averaging_min: float | None
) -> float | None:
    """Give the least air change that would have kept the worst average at or under a limit; None where none up to 200 would.

    The course begins as measured. [per hour]
    """
    if outdoor >= limit:
        return None

    def worst(rate: float) -> float:
        return worst_mean(minutes, with_air_change(minutes, values, outdoor, measured_per_h, rate), averaging_min)

    low, high = 0.0, FASTEST_PER_H
    if worst(low) <= limit:
        return 0.0
    if worst(high) > limit:
        return None
    for _ in range(18):  # to a thousandth of an air change
        middle = (low + high) / 2
        low, high = (middle, high) if worst(middle) > limit else (low, middle)
    return high


def air_change_for_sleepers(people: int, volume_m3: float, limit_ppm: float, outdoor_co2_ppm: float) -> float:
    """Give the air change that holds carbon dioxide of sleepers at a limit for good. [per hour]"""
    return people * ASLEEP_CO2_L_PER_S * 3600 / (1000 * volume_m3) * 1e6 / (limit_ppm - outdoor_co2_ppm)
