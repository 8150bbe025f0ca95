"""The physics behind practice nights against published figures, and its own balances."""

import math

import numpy as np
import psychrolib
import pytest
from scipy.integrate import solve_ivp

from frametally.errors import BadInput
from frametally.practice import simulate
from frametally.practice.meters import Meter, lag, round_half_up, show
from frametally.practice.zone import (
    FUELS,
    Cabin,
    Night,
    dew_point_c,
    relax,
    saturation_pressure_pa,
    simulate_air,
    station_pressure_pa,
)

CABIN = Cabin(
    volume_m3=25.0,
    altitude_m=0.0,
    loss_w_per_k=70.0,
    storage_j_per_k=4e5,
    cold_surface_m2=0.0,
    outdoor_temp_c=15.0,
    outdoor_rh_pct=50.0,
    outdoor_co2_ppm=420.0,
    start_temp_c=15.0,
    start_rh_pct=50.0,
)


def steady(burn_kg_per_s: float, co_share: float, air_changes_per_h: float) -> Night:
    return Night(lambda _: burn_kg_per_s, lambda _: co_share, lambda _: air_changes_per_h, lambda _: 0.0, lambda _: 0.0)


@pytest.mark.parametrize(
    ("fuel", "expected"),
    [
        # C3H8 + 5 O2 -> 3 CO2 + 4 H2O; C12H26 + 18.5 O2 -> 12 CO2 + 13 H2O: chemistry's own integers.
        ("propane", 5 / 3),
        ("paraffin", 18.5 / 12),
    ],
)
def test_oxygen_per_co2_follows_from_the_formula(fuel: str, expected: float) -> None:
    assert FUELS[fuel].o2_per_co2 == pytest.approx(expected, rel=1e-12)


def test_coal_needs_a_little_more_oxygen_than_its_carbon_alone() -> None:
    # Mass shares C 0.86, H 0.030, O 0.025 with IUPAC atomic weights, worked by hand: 1 + (H/4 - O/2) / C.
    by_hand = 1 + (0.030 / 1.008 / 4 - 0.025 / 15.999 / 2) / (0.86 / 12.011)
    assert FUELS["smokeless coal"].o2_per_co2 == pytest.approx(by_hand, rel=1e-12)
    assert 1.0 < by_hand < 1.2


@pytest.mark.parametrize("name", sorted(FUELS))
def test_heat_per_oxygen_is_near_the_common_figure(name: str) -> None:
    # Huggett 1980 (Fire and Materials 4:61): 13.1 MJ per kg of oxygen, within 5 % for organic fuels; propane there 12.78.
    fuel = FUELS[name]
    mj_per_kg_o2 = fuel.net_mj_per_kg / (fuel.o2_per_kg * 31.998e-3)
    assert mj_per_kg_o2 == pytest.approx(13.1, rel=0.05)


def test_propane_heat_per_oxygen_matches_the_table() -> None:
    fuel = FUELS["propane"]
    assert fuel.net_mj_per_kg / (fuel.o2_per_kg * 31.998e-3) == pytest.approx(12.78, abs=0.02)


def test_decay_from_120_to_60_in_two_hours_is_0_34657_changes_per_hour() -> None:
    # Single-zone decay as in ASTM E741: n = ln(C0/C1) / t.
    changes = math.log(120 / 60) / 2
    assert changes == pytest.approx(0.34657, abs=5e-6)
    value = 120.0
    for _ in range(720):
        value = relax(value, 0.0, 0.0, changes, 10 / 3600)
    assert value == pytest.approx(60.0, rel=1e-9)


def test_relax_without_air_change_only_adds() -> None:
    assert relax(10.0, 0.0, 4.0, 0.0, 0.5) == 12.0


@pytest.mark.parametrize("temp_c", [0.5, 5.0, 12.0, 20.0, 30.0, 40.0])
def test_saturation_pressure_agrees_with_psychrolib(temp_c: float) -> None:
    # psychrolib: ASHRAE Fundamentals (Hyland and Wexler). Alduchov and Eskridge 1996 (J. Appl. Meteorol. 35:601) state that
    # their Magnus form errs by 0.384 % at most between -40 and 50 degrees (figure from memory).
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert saturation_pressure_pa(temp_c) == pytest.approx(psychrolib.GetSatVapPres(temp_c), rel=3.84e-3)


@pytest.mark.parametrize(("temp_c", "rh"), [(20.0, 0.5), (25.0, 0.8), (10.0, 0.9)])
def test_dew_point_agrees_with_psychrolib(temp_c: float, rh: float) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    ours = dew_point_c(rh * saturation_pressure_pa(temp_c))
    assert ours == pytest.approx(psychrolib.GetTDewPointFromRelHum(temp_c, rh), abs=0.05)


@pytest.mark.parametrize(("altitude_m", "pascal"), [(0, 101325), (500, 95461), (1000, 89875)])
def test_station_pressure_matches_the_standard_atmosphere(altitude_m: float, pascal: float) -> None:
    # ICAO Doc 7488 / U.S. Standard Atmosphere 1976, tables.
    assert station_pressure_pa(altitude_m) == pytest.approx(pascal, rel=2e-4)


def test_steady_co2_is_source_over_ventilation() -> None:
    # One-zone balance: C = C0 + G / (n V), with the gas at the room's own temperature (ASHRAE Fundamentals, Ventilation).
    fuel, burn = FUELS["propane"], 1.0e-6
    air = simulate_air(CABIN, fuel, steady(burn, 0.0, 1.0), 24 * 3600.0)
    litres_per_mol = 8.314462618 * (air.temp_c[-1] + 273.15) / 101325 * 1000
    rise_ppm = burn * fuel.carbon * litres_per_mol / 1000 * 3600 / (1.0 * CABIN.volume_m3) * 1e6
    assert air.co2_ppm[-1] - 420 == pytest.approx(rise_ppm, rel=2e-3)


def test_carbon_and_oxygen_of_a_closed_room_balance() -> None:
    fuel, burn, share, seconds = FUELS["propane"], 3.0e-6, 0.05, 3600.0
    air = simulate_air(CABIN, fuel, steady(burn, share, 0.0), seconds)
    co_rise, co2_rise = air.co_ppm[-1] - air.co_ppm[0], air.co2_ppm[-1] - air.co2_ppm[0]
    assert co_rise / (co_rise + co2_rise) == pytest.approx(share, rel=3e-3)
    o2_drop_ppm = (air.o2_pct[0] - air.o2_pct[-1]) * 1e4
    # 5 O2 per C3H8, less half a mole per mole of CO; the gas that is lost (5 used, 3 made) lifts every share by its part.
    used = (5 - 3 * share / 2) / 3
    swell = 1 - used
    assert o2_drop_ppm / (co_rise + co2_rise) == pytest.approx(used + 0.2095 * swell, rel=5e-3)


@pytest.mark.parametrize("per_h", [0.3, 1.5])
def test_a_room_that_warms_keeps_the_balance_of_its_moles(per_h: float) -> None:
    # Single zone (ASTM E741, equation from memory) and ideal gas, by moles and integrated apart: fresh air comes in at n N, what
    # expands and what the flame gives more than it takes goes out with it. C3H8 + (5 - 3x/2) O2 -> 3x CO + 3(1 - x) CO2.
    fuel, burn, share, lit_s, end_s = FUELS["propane"], 1.7e-5, 0.01, 4 * 3600.0, 7 * 3600.0
    night = Night(lambda s: burn * (s < lit_s), lambda _: share, lambda _: per_h, lambda s: 1200.0 * (s < lit_s), lambda _: 0.0)
    air = simulate_air(CABIN, fuel, night, end_s, 10.0)
    assert np.ptp(air.temp_c) > 12

    def moles(second: float) -> float:
        kelvin = float(np.interp(second, air.elapsed_s, air.temp_c)) + 273.15
        return 101325 * CABIN.volume_m3 / (8.314462618 * kelvin)

    def rise(second: float, amounts: np.ndarray) -> np.ndarray:
        step = min(int(second / 10), len(air.temp_c) - 2) * 10.0
        room, growth = moles(second), (moles(step + 10) - moles(step)) / 10
        propane = burn / 44.097e-3 if second < lit_s else 0.0
        made = propane * np.array([3 * share, 3 * (1 - share), -(5 - 3 * share / 2)])
        inward = per_h / 3600 * room
        outward = inward + made.sum() - growth
        return inward * np.array([0.2e-6, 420e-6, 0.2095]) + made - outward * amounts / room

    amounts = moles(0) * np.array([0.5e-6, 420e-6, 0.2095])
    for begin, stop in ((0.0, lit_s), (lit_s, end_s)):
        run = solve_ivp(rise, (begin, stop - 1e-6), amounts, rtol=1e-8, atol=1e-12, max_step=60)
        amounts = run.y[:, -1]
        place = int(stop / 10)
        shown = np.array([air.co_ppm[place] / 1e6, air.co2_ppm[place] / 1e6, air.o2_pct[place] / 100])
        # Steps of 10 s against the integral: 0.2 % of what is there above (or, of oxygen, below) the air outdoors.
        by_moles = amounts / moles(stop)
        outdoors = np.array([0.2e-6, 420e-6, 0.2095])
        assert shown - outdoors == pytest.approx(by_moles - outdoors, rel=2e-3, abs=1e-7)


def test_humidity_dew_point_and_temperature_belong_together() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    air = simulate(3, 60, seed=4).air
    warm = air.temp_c > 1
    assert warm.any()
    for k in np.flatnonzero(warm)[:: max(1, int(warm.sum()) // 25)]:
        expected = psychrolib.GetTDewPointFromRelHum(float(air.temp_c[k]), float(air.rh_pct[k]) / 100)
        if expected > 0.5:
            assert air.dew_point_c[k] == pytest.approx(expected, abs=0.08)


@pytest.mark.parametrize("seed", range(6))
def test_a_night_stays_in_believable_bounds(seed: int) -> None:
    story = simulate(2, 60, seed=seed)
    air = story.air
    assert 20 < air.co_ppm.max() < 90
    assert air.co_ppm.min() >= 0
    assert 17 < air.o2_pct.min() <= air.o2_pct.max() < 21
    assert air.rh_pct.min() > 5
    assert air.rh_pct.max() <= 100.001
    assert -15 < air.temp_c.min() <= air.temp_c.max() < 45
    assert {len(texts) for texts in story.texts.values()} == {121}
    hand = [float(t) for t in story.texts["co_ppm"]]
    assert max(abs(a - b) for a, b in zip(hand, air.co_ppm[:: (len(air.co_ppm) - 1) // 120], strict=False)) < 15


def test_oxygen_falls_as_co2_rises_in_a_flueless_night() -> None:
    story = next(s for s in (simulate(2, 60, seed=k) for k in range(20)) if not s.heater.has_flue)
    air, fuel = story.air, FUELS[story.heater.fuel]
    peak = int(np.argmax(air.co2_ppm))
    rise = (air.co2_ppm[peak] - air.co2_ppm[0]) / 1e4
    assert 20.95 - air.o2_pct[peak] == pytest.approx(rise * fuel.o2_per_co2, rel=0.1)


def test_lag_reaches_ninety_percent_at_its_t90() -> None:
    step = np.concatenate([[0.0], np.ones(600)])
    shown = lag(step, 1.0, 60.0)
    assert shown[60] == pytest.approx(0.9, abs=1e-9)
    assert lag(step, 1.0, 0.0) == pytest.approx(step)


METER = Meter("temp_c", "air temperature", "°C", "room", "-##.#", (-9.9, 50.0), 0.1, 0.8, 0.0, 300, 0.0)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (20.04, "20.0"),
        (20.05, "20.1"),
        (-4.26, "-4.3"),
        (-0.04, "0.0"),
        (50.04, "50.0"),
        (50.06, "OL"),
        (-9.96, "Lo"),
        (7.0, "7.0"),
    ],
)
def test_texts_round_half_up_and_end_at_the_range(value: float, text: str) -> None:
    assert show(value, METER) == text


def test_rounding_is_symmetric_about_zero() -> None:
    assert (round_half_up(2.5, 1), round_half_up(-2.5, 1)) == (3, -3)


def test_same_seed_same_numbers_and_other_seed_other_numbers() -> None:
    assert simulate(1, 60, seed=3).texts == simulate(1, 60, seed=3).texts
    assert simulate(1, 60, seed=3).texts != simulate(1, 60, seed=5).texts


def test_nights_without_length_are_refused() -> None:
    with pytest.raises(BadInput, match="no length"):
        simulate(0, 60, seed=1)
    with pytest.raises(BadInput, match="1 to 3600 s"):
        simulate(1, 0.1, seed=1)
    with pytest.raises(BadInput, match="above zero"):
        simulate_air(CABIN, FUELS["propane"], steady(0, 0, 1), 0.0)
