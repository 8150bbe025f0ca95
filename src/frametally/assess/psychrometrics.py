"""Temperature and humidity to what water does in air: vapour pressure, dew point, water content, heat index.

Takes and gives numbers or arrays; NaN goes through. Temperatures in °C, vapour pressures in Pa, air pressure in hPa, relative
humidity in % over liquid water, also below freezing, because that is what humidity sensors follow (WMO-No. 8).
Formulas of the ASHRAE Handbook, Fundamentals, ch. 1, as arrays: psychrolib has the same ones, a number at a time.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Numbers = float | npt.NDArray[np.float64]

ZERO_C_IN_K = 273.15
WATER_GAS_CONSTANT = 461.5
"""Gas constant of water vapour. [J/(kg K)]"""
MASS_RATIO = 0.621945
"""Molar mass of water over that of dry air."""

HEAT_INDEX_FROM_F = 80.0
"""Below this temperature the heat index means nothing. [°F]"""

PSYCHROMETRICS_SOURCE = "ASHRAE Handbook, Fundamentals (2017), ch. 1: Hyland and Wexler's saturation pressure, ideal gas"
HEAT_INDEX_SOURCE = "US National Weather Service, heat index equation (Rothfusz, with its adjustments)"


def saturation_over_water(temp_c: Numbers) -> Numbers:
    """Give the saturation vapour pressure over liquid water, super-cooled below 0 °C (ASHRAE eq. 6). [Pa]"""
    k = np.asarray(temp_c, dtype=float) + ZERO_C_IN_K
    power = -5.8002206e3 / k + 1.3914993 - 4.8640239e-2 * k + 4.1764768e-5 * k**2 - 1.4452093e-8 * k**3 + 6.5459673 * np.log(k)
    return np.exp(power)


def saturation_over_ice(temp_c: Numbers) -> Numbers:
    """Give the saturation vapour pressure over ice, for temperatures up to 0 °C (ASHRAE eq. 5). [Pa]"""
    k = np.asarray(temp_c, dtype=float) + ZERO_C_IN_K
    power = (
        -5.6745359e3 / k
        + 6.3925247
        - 9.677843e-3 * k
        + 6.2215701e-7 * k**2
        + 2.0747825e-9 * k**3
        - 9.484024e-13 * k**4
        + 4.1635019 * np.log(k)
    )
    return np.exp(power)


def saturation_at_surface(temp_c: Numbers) -> Numbers:
    """Give the vapour pressure at which water settles on a surface: as dew from 0 °C, as frost below. [Pa]"""
    t = np.asarray(temp_c, dtype=float)
    return np.where(t < 0, saturation_over_ice(t), saturation_over_water(t))


def vapour_pressure(temp_c: Numbers, rh_pct: Numbers) -> Numbers:
    """Give the pressure of the water vapour in air. [Pa]"""
    return np.asarray(rh_pct, dtype=float) / 100 * saturation_over_water(temp_c)


def dew_point(vapour_pa: Numbers) -> Numbers:
    """Give the temperature at which air of this vapour pressure is saturated over liquid water; NaN for no vapour. [°C]"""
    return _invert(vapour_pa, over_ice=False)


def frost_point(vapour_pa: Numbers) -> Numbers:
    """Give the temperature at which frost settles from air of this vapour pressure; NaN where that would be above 0 °C. [°C]"""
    point = _invert(vapour_pa, over_ice=True)
    return np.where(point <= 0, point, np.nan)


def _invert(vapour_pa: Numbers, *, over_ice: bool) -> Numbers:
    """Newton's method on the logarithm of the saturation pressure, which is nearly a straight line in 1/T."""
    saturation = saturation_over_ice if over_ice else saturation_over_water
    pressure = np.asarray(vapour_pa, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        aim = np.where(pressure > 0, np.log(pressure), np.nan)
        # Magnus's formula (WMO-No. 8) is the first guess, within 0.05 K from -20 °C to 50 °C.
        g = aim - np.log(611.2)
        t = 243.12 * g / (17.62 - g)
        for _ in range(4):
            slope = (np.log(saturation(t + 0.005)) - np.log(saturation(t - 0.005))) / 0.01
            t = t - (np.log(saturation(t)) - aim) / slope
    return t


def humidity_ratio(vapour_pa: Numbers, pressure_hpa: float) -> Numbers:
    """Give the mass of water per mass of dry air. [g/kg]"""
    vapour = np.asarray(vapour_pa, dtype=float)
    return 1000 * MASS_RATIO * vapour / (100 * pressure_hpa - vapour)


def absolute_humidity(vapour_pa: Numbers, temp_c: Numbers) -> Numbers:
    """Give the mass of water in a volume of air. [g/m³]"""
    return 1000 * np.asarray(vapour_pa, dtype=float) / (WATER_GAS_CONSTANT * (np.asarray(temp_c, dtype=float) + ZERO_C_IN_K))


def temperature_holding(vapour_pa: Numbers, rh_pct: float) -> Numbers:
    """Give the surface temperature at which air of this vapour pressure stands at a relative humidity. [°C]"""
    return dew_point(np.asarray(vapour_pa, dtype=float) / (rh_pct / 100))


def heat_index_f(temp_f: Numbers, rh_pct: Numbers) -> Numbers:
    """Give the US National Weather Service's heat index; NaN below 80 °F, where it is not defined. [°F]"""
    t, h = np.asarray(temp_f, dtype=float), np.asarray(rh_pct, dtype=float)
    index = (
        -42.379
        + 2.04901523 * t
        + 10.14333127 * h
        - 0.22475541 * t * h
        - 0.00683783 * t**2
        - 0.05481717 * h**2
        + 0.00122874 * t**2 * h
        + 0.00085282 * t * h**2
        - 0.00000199 * t**2 * h**2
    )
    dry = (h < 13) & (t <= 112)
    damp = (h > 85) & (t <= 87)
    with np.errstate(invalid="ignore"):
        index = index - np.where(dry, (13 - h) / 4 * np.sqrt(np.maximum(17 - np.abs(t - 95), 0) / 17), 0.0)
        index = index + np.where(damp, (h - 85) / 10 * (87 - t) / 5, 0.0)
    return np.where(t >= HEAT_INDEX_FROM_F, index, np.nan)


def fahrenheit(temp_c: Numbers) -> Numbers:
    """Give degrees Celsius in degrees Fahrenheit."""
    return np.asarray(temp_c, dtype=float) * 1.8 + 32


def celsius(temp_f: Numbers) -> Numbers:
    """Give degrees Fahrenheit in degrees Celsius."""
    return (np.asarray(temp_f, dtype=float) - 32) / 1.8
