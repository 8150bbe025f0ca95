"""Two instruments agree or not, a zero is off or not; a display is stuck, slow, too cold, too coarse, or odd."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from assess_nights import demo_night
from hypothesis import given
from hypothesis import strategies as st
from test_assess_combustion import CO, O2, studies_of, trial_of

from frametally.assess import DisplayFacts
from frametally.assess.agreement import bland_altman, compare, find_lag
from frametally.assess.facts import gather_facts
from frametally.assess.instruments import describe_instruments
from frametally.assess.signals import take_signal
from frametally.model import Accuracy

WALL = DisplayFacts("wall_co_ppm", "carbon monoxide", "ppm", (0, 100), 1, Accuracy(absolute=5, relative=0.15), "wall unit")
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
MINUTES = np.arange(0, 541, 3.0)
HILL = 5 + 60 * np.exp(-(((MINUTES - 200) / 70) ** 2))


def table_of(**columns: object) -> pd.DataFrame:
    times = pd.Timestamp("2026-10-30T21:00:00+00:00") + pd.to_timedelta(MINUTES, unit="min")
    return pd.DataFrame({"time": [t.isoformat() for t in times], "frame": [f"f{i}.jpg" for i in range(len(MINUTES))], **columns})


def slugs(table: pd.DataFrame, facts, trial=None) -> dict[str, object]:
    return {f.slug: f for f in describe_instruments(studies_of(table, facts), trial).findings}


def at(minute: float):
    return (pd.Timestamp("2026-10-30T21:00:00+00:00") + pd.Timedelta(minutes=minute)).to_pydatetime()


def test_the_peak_flow_meters_of_bland_and_altman():
    # Bland and Altman, Lancet 1986, table 1 (17 pairs, litres a minute); 1.96 s as in their paper of 1999.
    found = bland_altman(np.array(WRIGHT), np.array(MINI))
    assert found.bias == pytest.approx(-2.1176, abs=5e-5)
    assert found.deviation == pytest.approx(38.7651, abs=5e-5)
    assert (found.lower, found.upper) == (pytest.approx(-78.097, abs=2e-3), pytest.approx(73.862, abs=2e-3))
    assert found.bias_error == pytest.approx(9.402, abs=1e-3)
    assert found.limit_error == pytest.approx(16.285, abs=1e-3)


def test_one_pair_is_no_comparison():
    with pytest.raises(ValueError, match="two pairs or more"):
        bland_altman(np.array([1.0]), np.array([2.0]))


@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=2, max_size=40), st.floats(0.1, 10))
def test_limits_enclose_the_bias_and_units_change_nothing(pairs, scale):
    a, b = (np.array(v) for v in zip(*pairs, strict=True))
    one, two = bland_altman(a, b), bland_altman(a * scale, b * scale)
    assert one.lower <= one.bias <= one.upper
    assert two.bias == pytest.approx(one.bias * scale, rel=1e-9, abs=1e-6)
    assert bland_altman(b, a).bias == pytest.approx(-one.bias)


@pytest.mark.parametrize("lag", [-15, 0, 6, 12])
def test_the_lag_is_found_and_taken_out(lag):
    rng = np.random.default_rng(1)
    late = np.interp(MINUTES - lag, MINUTES, HILL)
    table = table_of(co_ppm=np.round(HILL + rng.normal(0, 0.5, len(HILL))), wall_co_ppm=np.round(late + 2))
    first, second = (take_signal(study) for study in studies_of(table, (CO, WALL)))
    assert find_lag(first, second) == pytest.approx(lag, abs=1.6)
    found = compare(first, second)
    assert found.agreement.bias == pytest.approx(-2, abs=0.3)
    assert found.agreement.deviation < 1.5
    if lag:
        assert found.raw.deviation > 3 * found.agreement.deviation


def test_the_higher_reading_counts():
    found = slugs(table_of(co_ppm=np.round(HILL + 30), wall_co_ppm=np.round(HILL)), (CO, WALL))
    assert found["instruments-differ"].tone == "warning"
    assert "the higher one counts; here that is mostly the hand-held" in found["instruments-differ"].text
    assert re.search(r"mostly between [\d.]+ ppm and [\d.]+ ppm\.", found["instruments-differ"].text)
    assert "instruments-agree" in slugs(table_of(co_ppm=np.round(HILL + 2), wall_co_ppm=np.round(HILL)), (CO, WALL))


def test_zero_before_and_after():
    trial = trial_of(appliance=[{"on": at(60)}], event=[{"time": at(450), "what": "doors opened"}])
    values = np.where(MINUTES < 60, 1, np.where(MINUTES > 460, 9, 40))
    found = slugs(table_of(co_ppm=values), (CO,), trial)["zero-check"]
    assert found.tone == "warning"
    assert "before the appliance was lit" in found.text
    assert "drifted by 8 ppm" in found.text
    calm = slugs(table_of(co_ppm=np.where(MINUTES < 60, 1, np.where(MINUTES > 460, 2, 40))), (CO,), trial)["zero-check"]
    assert calm.tone == "calm"
    assert "zero-check" not in slugs(table_of(co_ppm=values), (CO,))


def test_a_stuck_display():
    found = slugs(table_of(co_ppm=np.full(len(HILL), 12.0), wall_co_ppm=np.round(HILL)), (CO, WALL))
    assert found["stuck-display"].key == "co_ppm"
    steady = slugs(table_of(co_ppm=np.full(len(HILL), 12.0), wall_co_ppm=np.full(len(HILL), 13.0)), (CO, WALL))
    assert "stuck-display" not in steady


def test_a_slow_display():
    fast = 5 + 90 * np.exp(-(((MINUTES - 200) / 12) ** 2))
    trial = trial_of(instrument=[{"name": "wall unit", "response_t90_s": {"co": 600}}])
    found = slugs(table_of(wall_co_ppm=np.round(fast)), (replace(WALL, range=(0, 200)),), trial)["slow-response"]
    # First order: the display is behind by rate x t90 / 2.3026; steepest is 90 / 12 min x sqrt(2) exp(-1/2) = 6.43 ppm/min.
    assert abs(found.value) == pytest.approx(6.43 * 10 / 2.3026, rel=0.05)
    quick = trial_of(instrument=[{"name": "wall unit", "response_t90_s": {"co": 20}}])
    assert "slow-response" not in slugs(table_of(wall_co_ppm=np.round(fast)), (WALL,), quick)


@pytest.mark.parametrize(("key", "unit"), [("temp_c", "°C"), ("temp_f", "°F")])
def test_too_cold_for_the_instrument(key, unit):
    warmth = np.where(MINUTES < 100, -4.0, 15.0)
    shown = warmth if key == "temp_c" else warmth * 1.8 + 32
    trial = trial_of(instrument=[{"name": "hand-held", "working_temp_c": [0, 40]}])
    facts = (CO, DisplayFacts(key, "temperature", unit, None, 0.1, None, "wall unit"))
    found = slugs(table_of(co_ppm=np.round(HILL), **{key: shown}), facts, trial)["working-temperature"]
    assert found.value == pytest.approx(-4.0)
    assert "1 h 42 min" in found.text


def test_a_coarse_display():
    found = slugs(table_of(o2_pct=np.round(20.9 - HILL / 250, 1)), (O2,))
    assert found["coarse-display"].value == 3.0


def test_oxygen_back_while_carbon_monoxide_stays():
    co = np.interp(MINUTES, [0, 60, 100, 540], [1, 1, 50, 50])
    oxygen = np.interp(MINUTES, [0, 60, 100, 300, 320, 540], [20.9, 20.9, 20.0, 20.0, 20.9, 20.9])
    found = slugs(table_of(co_ppm=co, o2_pct=np.round(oxygen, 1)), (CO, O2))["signals-do-not-fit"]
    assert found.value > 180
    assert "Possible causes" in found.text
    in_step = np.interp(MINUTES, [0, 60, 100, 540], [20.9, 20.9, 20.0, 20.0])
    assert "signals-do-not-fit" not in slugs(table_of(co_ppm=co, o2_pct=np.round(in_step, 1)), (CO, O2))


def test_the_demo_night():
    table, calibration, trial = demo_night()
    topic = describe_instruments(studies_of(table, gather_facts(table, calibration.displays)), trial)
    by_slug = {f.slug: f for f in topic.findings}
    assert "signals-do-not-fit" not in by_slug
    assert "stuck-display" not in by_slug
    assert "The wall unit ran about" in by_slug["instruments-agree"].text
    assert sum(f.slug == "zero-check" for f in topic.findings) == 3
