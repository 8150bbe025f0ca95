"""Heights and pressures of the standard atmosphere, and the pressure at a trial's place.

Takes heights [m], pressures [hPa] or a trial; gives pressures [hPa], heights [m] or a `Site`. Standard atmosphere of ICAO
(Doc 7488) and the US (1976), which agree up to 11 km.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from frametally.model import Trial

SEA_LEVEL_HPA = 1013.25
SEA_LEVEL_K = 288.15
LAPSE_K_PER_M = 0.0065
EXPONENT = 5.255876
"""g0 M / (R L) of the standard atmosphere, without unit."""
EARTH_RADIUS_M = 6_356_766.0
TOP_M = 11_000.0
"""Above this geopotential height the temperature no longer falls with height. [m]"""

OXYGEN_SHARE = 0.209476
"""Share of oxygen in dry air, by volume (US Standard Atmosphere 1976; from memory, pages seen print 20.945 to 20.95 %)."""

HPA_PER_MMHG = 1013.25 / 760
WATER_IN_LUNGS_HPA = 47 * HPA_PER_MMHG
"""Vapour pressure of water at 37 °C, which every breath takes up: 47 mmHg. [hPa]"""

WEATHER_SHARE = 0.03
"""How far ordinary weather moves the pressure at one place (common practice, no source)."""

ATMOSPHERE_SOURCE = "ICAO standard atmosphere (Doc 7488; US Standard Atmosphere 1976)"


def pressure_at(geopotential_m: float) -> float:
    """Give the standard pressure at a geopotential height. [hPa]

    Raises
    ------
    ValueError
        The height lies above 11 km, where the formula ends.
    """
    if geopotential_m > TOP_M:
        raise ValueError(f"the standard atmosphere's lowest layer ends at {TOP_M:g} m; {geopotential_m:g} m lies above it")
    return SEA_LEVEL_HPA * (1 - LAPSE_K_PER_M * geopotential_m / SEA_LEVEL_K) ** EXPONENT


def height_of(pressure_hpa: float) -> float:
    """Give the geopotential height at which the standard pressure is this one; infinity above 11 km. [m]"""
    if pressure_hpa < pressure_at(TOP_M):
        return math.inf
    return SEA_LEVEL_K / LAPSE_K_PER_M * (1 - (pressure_hpa / SEA_LEVEL_HPA) ** (1 / EXPONENT))


def geopotential_of(height_m: float) -> float:
    """Give the geopotential height of a place at a height as maps give it. [m]"""
    return EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M + height_m)


def oxygen_height(pressure_hpa: float) -> float:
    """Give the height at which dry fresh air holds oxygen of this partial pressure; infinity above 11 km. [m]"""
    return height_of(pressure_hpa / OXYGEN_SHARE)


def oxygen_at(height_m: float) -> float:
    """Give the partial pressure of oxygen in dry fresh air at a geopotential height. [hPa]"""
    return OXYGEN_SHARE * pressure_at(height_m)


@dataclass(frozen=True)
class Site:
    """The air pressure of the place [hPa], whether it was stated rather than reckoned, and in words where it comes from."""

    pressure_hpa: float
    is_stated: bool
    words: str
    source: str

    @property
    def pressure_mmhg(self) -> float:
        """The pressure in the unit of physiology. [mmHg]"""
        return self.pressure_hpa / HPA_PER_MMHG


def find_site(trial: Trial | None) -> Site | None:
    """Give the pressure at the trial's place: the stated one, else from its altitude; None where neither is stated."""
    if trial is None:
        return None
    stated, altitude = trial.space.station_pressure_hpa, trial.space.altitude_m
    if stated is not None:
        return Site(stated, True, f"the stated air pressure of {stated:g} hPa", "Station pressure stated in the trial")
    if altitude is None:
        return None
    pressure = pressure_at(geopotential_of(altitude))
    words = f"the usual air pressure at {altitude:g} m, {pressure:.0f} hPa"
    return Site(pressure, False, words, ATMOSPHERE_SOURCE)
