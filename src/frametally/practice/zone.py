"""Takes a fuel, a cabin and a plan of the night; gives the cabin air second by second: gases, temperature, humidity.

One well-mixed room. The burnt fuel's elements balance (its carbon is found again in CO and CO2, its hydrogen in water
vapour), so oxygen, CO2, CO, warmth and moisture belong together. Gases are in parts of dry air by volume.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from frametally.errors import BadInput

Series = NDArray[np.float64]

MOLAR_MASS = {"C": 12.011, "H": 1.008, "O": 15.999, "H2O": 18.015, "air": 28.965}
"""g/mol. Standard atomic weights, abridged (IUPAC 2021); dry air 28.965 (ASHRAE Fundamentals, Psychrometrics)."""

OUTDOOR_O2 = 0.2095
"""Share of oxygen in dry air, rounded (U.S. Standard Atmosphere 1976: 0.209476)."""

GAS_CONSTANT = 8.314462618
CP_AIR = 1006.0
LATENT_HEAT = 2.47e6


@dataclass(frozen=True)
class Fuel:
    """A fuel by its make-up: moles of carbon, hydrogen and oxygen in one kg, and its net heat of combustion in MJ/kg."""

    name: str
    carbon: float
    hydrogen: float
    oxygen: float
    net_mj_per_kg: float

    @property
    def o2_per_kg(self) -> float:
        """Oxygen for complete burning. [mol/kg]"""
        return self.carbon + self.hydrogen / 4 - self.oxygen / 2

    @property
    def o2_per_co2(self) -> float:
        """Moles of oxygen used per mole of CO2 made, burning completely."""
        return self.o2_per_kg / self.carbon


def fuel_of(name: str, carbon: float, hydrogen: float, oxygen: float, net_mj_per_kg: float) -> Fuel:
    """Give a fuel from the mass shares of its elements (the rest is ash and water)."""
    per_kg = [1000 * share / MOLAR_MASS[e] for share, e in ((carbon, "C"), (hydrogen, "H"), (oxygen, "O"))]
    return Fuel(name, per_kg[0], per_kg[1], per_kg[2], net_mj_per_kg)


def hydrocarbon(name: str, carbon: int, hydrogen: int, net_mj_per_kg: float) -> Fuel:
    """Give a fuel from its formula."""
    mass = carbon * MOLAR_MASS["C"] + hydrogen * MOLAR_MASS["H"]
    return Fuel(name, 1000 * carbon / mass, 1000 * hydrogen / mass, 0.0, net_mj_per_kg)


FUELS: dict[str, Fuel] = {
    "propane": hydrocarbon("propane", 3, 8, 46.35),
    "paraffin": hydrocarbon("paraffin", 12, 26, 44.1),
    "smokeless coal": fuel_of("smokeless coal", 0.86, 0.030, 0.025, 32.0),
    "charcoal": fuel_of("charcoal", 0.89, 0.022, 0.040, 32.2),
}
"""Fuels of the practice nights; heats are net.

Propane and paraffin (as dodecane): from the heats of formation in the NIST WebBook; make-up and heat of the coals: typical
values, from memory.
"""


@dataclass(frozen=True)
class Cabin:
    """The room and the weather: volume, altitude, heat loss to outside, heat stored in air and lining, outdoor air."""

    volume_m3: float
    altitude_m: float
    loss_w_per_k: float
    storage_j_per_k: float
    cold_surface_m2: float
    outdoor_temp_c: float
    outdoor_rh_pct: float
    outdoor_co2_ppm: float
    start_temp_c: float
    start_rh_pct: float


Plan = Callable[[float], float]
"""A figure over time: seconds since the start to a value."""


@dataclass(frozen=True)
class Night:
    """What is done to the air: each a function of the seconds since the start.

    `burn_kg_per_s` fuel whose products come into the room; `co_share` how much of the fuel's carbon becomes CO;
    `air_changes_per_h` fresh air that comes in, as its volume at the room's temperature over the room's; what leaves is more by
    what expands; `other_heat_w` and `other_water_kg_per_s` (a stove's casing, a kettle).
    """

    burn_kg_per_s: Plan
    co_share: Plan
    air_changes_per_h: Plan
    other_heat_w: Plan
    other_water_kg_per_s: Plan


@dataclass(frozen=True)
class Air:
    """The cabin air over time, one value per step."""

    elapsed_s: Series
    co_ppm: Series
    co2_ppm: Series
    o2_pct: Series
    temp_c: Series
    rh_pct: Series
    dew_point_c: Series


def saturation_pressure_pa(temp_c: float) -> float:
    """Give the saturation vapour pressure over liquid water (Magnus form of Alduchov and Eskridge 1996). [Pa]"""
    return 610.94 * math.exp(17.625 * temp_c / (243.04 + temp_c))


def dew_point_c(vapour_pa: float) -> float:
    """Give the dew point over liquid water: the same Magnus form solved for temperature. [°C]"""
    x = math.log(max(vapour_pa, 1.0) / 610.94)
    return 243.04 * x / (17.625 - x)


def station_pressure_pa(altitude_m: float) -> float:
    """Give the air pressure at an altitude (ICAO standard atmosphere, troposphere). [Pa]"""
    return float(101325.0 * (1 - 2.25577e-5 * altitude_m) ** 5.25588)


def relax(value: float, outdoor: float, made_per_h: float, air_changes_per_h: float, hours: float) -> float:
    """Step one gas of a well-mixed room with constant source and air change: the exact solution (as in ASTM E741's decay)."""
    if air_changes_per_h <= 0:
        return value + made_per_h * hours
    settled = outdoor + made_per_h / air_changes_per_h
    return settled + (value - settled) * math.exp(-air_changes_per_h * hours)


def _humidity_ratio(vapour_pa: float, pressure_pa: float) -> float:
    return 0.62198 * vapour_pa / (pressure_pa - vapour_pa)


def simulate_air(cabin: Cabin, fuel: Fuel, night: Night, seconds: float, step_s: float = 10.0) -> Air:
    """Give the cabin air from 0 to `seconds` (at least one step), every `step_s`.

    Raises BadInput where the span or the step is not positive.
    """
    if not (seconds > 0 and step_s > 0):
        raise BadInput(
            f"a night of {seconds:g} s in steps of {step_s:g} s cannot be simulated; give a span and a step above zero"
        )
    count = math.ceil(seconds / step_s) + 1
    pressure = station_pressure_pa(cabin.altitude_m)
    outdoor_w = _humidity_ratio(saturation_pressure_pa(cabin.outdoor_temp_c) * cabin.outdoor_rh_pct / 100, pressure)
    co, co2, o2 = 0.5e-6, cabin.outdoor_co2_ppm * 1e-6, OUTDOOR_O2
    temp = cabin.start_temp_c
    water = _humidity_ratio(saturation_pressure_pa(temp) * cabin.start_rh_pct / 100, pressure)
    rows = np.empty((count, 6))
    for k in range(count):
        vapour = water * pressure / (0.62198 + water)
        rows[k] = co * 1e6, co2 * 1e6, o2 * 100, temp, 100 * vapour / saturation_pressure_pa(temp), dew_point_c(vapour)
        now, hours = k * step_s, step_s / 3600
        moles = pressure * cabin.volume_m3 / (GAS_CONSTANT * (temp + 273.15))
        air_kg = moles * MOLAR_MASS["air"] / 1000
        burnt, x, changes = night.burn_kg_per_s(now), night.co_share(now), night.air_changes_per_h(now)
        made_co, made_co2 = burnt * fuel.carbon * x, burnt * fuel.carbon * (1 - x)
        used_o2 = burnt * (fuel.o2_per_kg - fuel.carbon * x / 2)
        swell = made_co + made_co2 - used_o2
        per_h = 3600 / moles
        co = relax(co, 0.2e-6, (made_co - co * swell) * per_h, changes, hours)
        co2 = relax(co2, cabin.outdoor_co2_ppm * 1e-6, (made_co2 - co2 * swell) * per_h, changes, hours)
        o2 = relax(o2, OUTDOOR_O2, -(used_o2 + o2 * swell) * per_h, changes, hours)
        steam = burnt * fuel.hydrogen / 2 * MOLAR_MASS["H2O"] / 1000 + night.other_water_kg_per_s(now)
        water = relax(water, outdoor_w, steam * 3600 / air_kg, changes, hours)
        heat = burnt * fuel.net_mj_per_kg * 1e6 + night.other_heat_w(now)
        water, freed_w = _condense(cabin, water, temp, pressure, air_kg, step_s)
        loss = cabin.loss_w_per_k + air_kg * CP_AIR * changes / 3600
        store = cabin.storage_j_per_k + air_kg * CP_AIR
        temp = relax(temp, cabin.outdoor_temp_c, (heat + freed_w) * 3600 / store, loss * 3600 / store, hours)
    return Air(np.arange(count, dtype=np.float64) * step_s, *(np.ascontiguousarray(column) for column in rows.T))


def _condense(cabin: Cabin, water: float, temp: float, pressure: float, air_kg: float, step_s: float) -> tuple[float, float]:
    """Take out what condenses on the coldest surface in one step (mass transfer 3 mm/s, common practice, no source)."""
    surface = cabin.outdoor_temp_c + 0.45 * (temp - cabin.outdoor_temp_c)
    at_surface = _humidity_ratio(saturation_pressure_pa(surface), pressure)
    most = _humidity_ratio(saturation_pressure_pa(temp), pressure)
    if water <= at_surface and water <= most:
        return water, 0.0
    rate = 0.003 * 1.2 * cabin.cold_surface_m2 / air_kg
    drier = water if water <= at_surface else at_surface + (water - at_surface) * math.exp(-rate * step_s)
    drier = min(drier, most)
    return drier, (water - drier) * air_kg * LATENT_HEAT / step_s
