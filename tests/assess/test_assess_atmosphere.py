"""The standard atmosphere and what water does in air, against published tables and the packages that print them."""

from __future__ import annotations

import math

import numpy as np
import psychrolib
import pytest
from ambiance import Atmosphere
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.assess.atmosphere import (
    HPA_PER_MMHG,
    find_site,
    geopotential_of,
    height_of,
    oxygen_at,
    oxygen_height,
    pressure_at,
)
from frametally.assess.psychrometrics import (
    absolute_humidity,
    celsius,
    dew_point,
    fahrenheit,
    frost_point,
    heat_index_f,
    humidity_ratio,
    saturation_at_surface,
    saturation_over_ice,
    saturation_over_water,
    temperature_holding,
    vapour_pressure,
)
from frametally.model import Space, Trial

SEA_LEVEL = 1013.25
LAW = settings(max_examples=60, deadline=None)


# --- standard atmosphere ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("height_m", "pascal"),
    # ASHRAE Handbook, Fundamentals (2017), ch. 1, table 1 (geopotential), as printed in psychrolib's own tests.
    [(-500, 107478), (0, 101325), (500, 95461), (1000, 89875), (4000, 61640), (10000, 26436)],
)
def test_standard_atmosphere_table(height_m, pascal):
    assert 100 * pressure_at(height_m) == pytest.approx(pascal, abs=2)


@pytest.mark.parametrize("height_m", [-500, 0, 95, 1000, 2000, 3000, 5000, 9000])
def test_heights_on_maps_agree_with_ambiance(height_m):
    """PyPI `ambiance` 1.3.1 (ICAO Doc 7488, geometric heights); `fluids` 1.3.1 prints 54048.286 Pa for 5000 m."""
    assert 100 * pressure_at(geopotential_of(height_m)) == pytest.approx(float(Atmosphere(height_m).pressure[0]), abs=2)


def test_geometric_and_geopotential_heights_differ():
    """At 5000 m by 0.28 hPa: 540.20 hPa for a geopotential height, 540.48 hPa for a geometric one (`fluids` 1.3.1)."""
    assert pressure_at(5000) == pytest.approx(540.20, abs=0.005)
    assert pressure_at(geopotential_of(5000)) == pytest.approx(540.48, abs=0.005)


def test_above_the_lowest_layer_nothing_is_made_up():
    with pytest.raises(ValueError, match="11000 m"):
        pressure_at(11_001)
    assert math.isinf(height_of(200))
    assert height_of(pressure_at(10_999)) == pytest.approx(10_999, abs=1e-6)


@pytest.mark.parametrize(
    ("height_m", "hpa", "mmhg"),
    # Computed by hand from the table above with 20.9476 % oxygen (US Standard Atmosphere 1976).
    [(0, 212.25, 159.2), (1000, 188.27, 141.2), (2000, 166.52, 124.9), (4000, 129.12, 96.85)],
)
def test_oxygen_in_fresh_air(height_m, hpa, mmhg):
    assert oxygen_at(height_m) == pytest.approx(hpa, abs=0.01)
    assert oxygen_at(height_m) / HPA_PER_MMHG == pytest.approx(mmhg, abs=0.05)
    assert oxygen_height(oxygen_at(height_m)) == pytest.approx(height_m, abs=1e-6)


def test_the_stated_pressure_counts_before_the_altitude():
    both = find_site(Trial(format=1, space=Space(altitude_m=1000, station_pressure_hpa=890)))
    assert both is not None
    assert (both.pressure_hpa, both.is_stated) == (890, True)
    reckoned = find_site(Trial(format=1, space=Space(altitude_m=1000)))
    assert reckoned is not None
    assert (round(reckoned.pressure_hpa, 2), reckoned.is_stated) == (898.76, False)
    assert find_site(Trial(format=1)) is None
    assert find_site(None) is None


# --- saturation pressure ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temp_c", "pascal"),
    # ASHRAE Handbook, Fundamentals (2017), ch. 1, table 3, as printed in psychrolib's own tests.
    [(5, 872.6), (25, 3169.7), (50, 12351.3), (100, 101418.0), (150, 476101.4)],
)
def test_saturation_over_water_table(temp_c, pascal):
    assert float(saturation_over_water(temp_c)) == pytest.approx(pascal, rel=3e-4)


@pytest.mark.parametrize(("temp_c", "pascal"), [(-20, 103.24), (-5, 401.74)])
def test_saturation_over_ice_table(temp_c, pascal):
    """The same table below freezing."""
    assert float(saturation_over_ice(temp_c)) == pytest.approx(pascal, rel=3e-4)


@pytest.mark.parametrize(
    ("temp_c", "pascal"),
    # IAPWS-95, as CoolProp 8.0.0 gives it: an independent formulation.
    [(5, 872.575), (10, 1228.199), (20, 2339.318), (30, 4246.971), (50, 12351.946)],
)
def test_saturation_agrees_with_the_steam_tables(temp_c, pascal):
    assert float(saturation_over_water(temp_c)) == pytest.approx(pascal, rel=3e-4)


def test_saturation_is_psychrolibs():
    """PsychroLib 2.5.0: over water from the triple point up, over ice below it."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    warm, cold = np.linspace(0.02, 60, 121), np.linspace(-40, 0, 81)
    assert saturation_over_water(warm) == pytest.approx([psychrolib.GetSatVapPres(t) for t in warm], rel=1e-6)
    assert saturation_over_ice(cold) == pytest.approx([psychrolib.GetSatVapPres(t) for t in cold], rel=1e-6)


def test_frost_settles_at_less_vapour_than_dew():
    assert float(saturation_at_surface(-5.0)) == float(saturation_over_ice(-5.0)) < float(saturation_over_water(-5.0))
    assert float(saturation_at_surface(5.0)) == float(saturation_over_water(5.0))


# --- dew point and content -------------------------------------------------------------------------------------------

CASES = [
    # °C, %, dew point °C, humidity ratio g/kg, vapour Pa, absolute humidity g/m³: PsychroLib 2.5.0 at 101325 Pa (the last
    # column by the ideal gas); CoolProp 8.0.0 and MetPy 1.7.1 agree within 0.005 and 0.05 K.
    (10, 50, 0.0626, 3.7918, 613.998, 4.699),
    (32, 20, 6.2525, 5.8971, 951.707, 6.758),
    (20, 60, 12.0075, 8.7345, 1403.282, 10.373),
    (25, 80, 21.3094, 15.9618, 2535.373, 18.426),
    (5, 90, 3.4985, 4.8575, 785.238, 6.117),
    (15, 100, 15.0000, 10.6475, 1705.448, 12.825),
    (30, 35, 12.8802, 9.2577, 1486.111, 10.622),
]


@pytest.mark.parametrize(("temp_c", "rh", "dew", "ratio", "pascal", "mass"), CASES)
def test_dew_point_and_content(temp_c, rh, dew, ratio, pascal, mass):
    vapour = vapour_pressure(temp_c, rh)
    assert float(vapour) == pytest.approx(pascal, abs=1e-3)
    # PsychroLib stops its search at 0.001 K.
    assert float(dew_point(vapour)) == pytest.approx(dew, abs=1e-3)
    assert float(humidity_ratio(vapour, SEA_LEVEL)) == pytest.approx(ratio, abs=1e-4)
    assert float(absolute_humidity(vapour, temp_c)) == pytest.approx(mass, abs=1e-3)


def test_below_freezing_humidity_is_over_water():
    """-5 °C and 70 %: MetPy 1.7.1 over water -9.6375 °C and 1.8166 g/kg, Magnus (WMO-No. 8) -9.6293 °C."""
    vapour = vapour_pressure(-5.0, 70.0)
    assert float(dew_point(vapour)) == pytest.approx(-9.6293, abs=0.05)
    assert float(humidity_ratio(vapour, SEA_LEVEL)) == pytest.approx(1.8166, abs=0.002)


def test_over_ice_it_is_psychrolibs_frost_point():
    """-5 °C and 70 % over ice: PsychroLib 2.5.0 gives -9.1084 °C, 1.7311 g/kg, 281.235 Pa."""
    vapour = 0.7 * saturation_over_ice(-5.0)
    assert float(vapour) == pytest.approx(281.235, abs=1e-3)
    assert float(frost_point(vapour)) == pytest.approx(-9.1084, abs=1e-3)
    assert float(humidity_ratio(vapour, SEA_LEVEL)) == pytest.approx(1.7311, abs=1e-4)
    assert math.isnan(float(frost_point(vapour_pressure(20, 60))))


@pytest.mark.parametrize(
    ("temp_c", "ratio"),
    # Saturated air at 101325 Pa, ASHRAE (2017) ch. 1, table 2; the ideal gas stays up to 1 % below it.
    [(5, 0.005425), (25, 0.020173)],
)
def test_saturated_content_table(temp_c, ratio):
    assert float(humidity_ratio(saturation_over_water(temp_c), SEA_LEVEL)) / 1000 == pytest.approx(ratio, rel=0.01)


@LAW
@given(st.floats(-30, 50), st.floats(1, 100))
def test_the_dew_point_is_where_the_air_is_full(temp_c, rh):
    vapour = vapour_pressure(temp_c, rh)
    point = float(dew_point(vapour))
    assert point <= temp_c + 1e-9
    assert float(saturation_over_water(point)) == pytest.approx(float(vapour), rel=1e-9)
    assert float(temperature_holding(vapour, 100.0)) == pytest.approx(point, abs=1e-9)


@LAW
@given(st.floats(-30, 50), st.floats(0, 100), st.floats(-40, 120))
def test_units_turn_back(temp_c, rh, temp_f):
    assert float(celsius(fahrenheit(temp_c))) == pytest.approx(temp_c, abs=1e-9)
    assert float(fahrenheit(celsius(temp_f))) == pytest.approx(temp_f, abs=1e-9)


def test_no_vapour_has_no_dew_point():
    points = dew_point(np.array([0.0, np.nan, 1000.0]))
    assert np.isnan(points).tolist() == [True, True, False]


# --- heat index ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temp_f", "rh", "index"),
    # US National Weather Service, heat index chart (srh.noaa.gov/tsa), up to 85 %, for which the chart's formula is the full one.
    [
        (80, 40, 80), (80, 80, 84), (84, 60, 88), (88, 60, 95), (90, 40, 91), (90, 50, 95), (90, 60, 100), (90, 70, 106),
        (92, 65, 108), (94, 45, 100), (96, 65, 121), (100, 40, 109), (100, 50, 118), (100, 60, 129), (104, 55, 137),
        (110, 40, 136),
    ],
)  # fmt: skip
def test_heat_index_chart(temp_f, rh, index):
    assert float(heat_index_f(temp_f, rh)) == pytest.approx(index, abs=1)


@pytest.mark.parametrize(
    ("temp_f", "rh", "index"),
    # The same service's equation page (wpc.ncep.noaa.gov), with its two adjustments; MetPy 1.7.1 gives the same. The chart leaves
    # the one for damp air out: 93 instead of 93.97 at 82/95, 87 instead of 89.29 at 80/100.
    [(86, 90, 105.39), (82, 95, 93.97), (84, 100, 103.56), (80, 100, 89.29), (100, 10, 94.12), (89.6, 20, 85.96)],
)
def test_heat_index_adjustments(temp_f, rh, index):
    assert float(heat_index_f(temp_f, rh)) == pytest.approx(index, abs=0.01)


def test_no_heat_index_in_a_cold_cabin():
    assert np.isnan(heat_index_f(np.array([50.0, 79.99]), 60)).all()
