"""Oxygen: what a percent is worth at a height, the part of water vapour, the meter's setting, time below the marks."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from assess_nights import O2, demo_night, find
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.assess import DisplayFacts, assess, from_display
from frametally.assess.atmosphere import pressure_at
from frametally.assess.facts import gather_facts
from frametally.assess.oxygen import describe_oxygen
from frametally.assess.oxygen_water import dilution
from frametally.assess.oxygen_worth import equivalent_height, inspired_oxygen, shown_share
from frametally.assess.psychrometrics import vapour_pressure
from frametally.assess.samples import read_samples
from frametally.assess.study import Study, study_display
from frametally.assess.topic import Topic
from frametally.model import Accuracy, Outdoor, Space, Trial, TrialInstrument

LAW = settings(max_examples=40, deadline=None)
SEA_LEVEL = 1013.25
O2_BARE = DisplayFacts("o2_pct", "oxygen", "%", instrument="hand-held")
TEMP = DisplayFacts("temp_c", "temperature", "°C", accuracy=Accuracy(absolute=0.5), instrument="wall unit")
RH = DisplayFacts("rh_pct", "relative humidity", "%", accuracy=Accuracy(absolute=3), instrument="wall unit")


def studies_of(table: pd.DataFrame, facts: list[DisplayFacts]) -> list[Study]:
    timeline, samples = read_samples(table, gather_facts(table, facts))
    return [study_display(timeline, one, ()) for one in samples]


def night(oxygen: list[float], flags: list[str] | None = None, **columns: list[float]) -> pd.DataFrame:
    count = len(oxygen)
    data = {"elapsed_min": [4.0 * i for i in range(count)], "frame": [f"f{i}.jpg" for i in range(count)], "o2_pct": oxygen}
    table = pd.DataFrame({**data, **columns})
    table["o2_pct_flag"] = flags or ["ok"] * count
    return table


def topic(table: pd.DataFrame, trial: Trial | None = None, facts: list[DisplayFacts] | None = None) -> Topic:
    return describe_oxygen(studies_of(table, facts or [O2]), trial)


def one(found: Topic, slug: str):
    hits = [finding for finding in found.findings if finding.slug == slug]
    if len(hits) != 1:
        raise LookupError(f"{len(hits)} findings for {slug}")
    return hits[0]


def at(altitude_m: float, **more) -> Trial:
    return Trial(format=1, space=Space(altitude_m=altitude_m), **more)


# --- height and pressure ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pct", "height_m"),
    # ICAO standard atmosphere, by hand; McManus (2009) names 610 m (2000 ft) for 19.5 %.
    [(20.5, 182), (20.0, 389), (19.5, 600), (19.0, 815), (18.0, 1261), (16.0, 2215), (12.5, 4148), (10.0, 5818)],
)
def test_equivalent_height_at_sea_level(pct, height_m):
    assert equivalent_height(pct, SEA_LEVEL) == pytest.approx(height_m, abs=0.6)


@pytest.mark.parametrize(("site_m", "hpa", "height_m"), [(1000, 175.26, 1586), (3000, 136.71, 3559)])
def test_a_percent_is_worth_less_higher_up(site_m, hpa, height_m):
    """19.5 % at a height, by hand from the ICAO standard atmosphere."""
    pressure = pressure_at(site_m)
    assert 0.195 * pressure == pytest.approx(hpa, abs=0.01)
    assert equivalent_height(19.5, pressure) == pytest.approx(height_m, abs=0.6)


def test_finding_at_sea_level_is_six_hundred_metres():
    found = topic(night([20.9, 19.5, 20.0]), at(0))
    finding = one(found, "oxygen-pressure")
    assert finding.value == pytest.approx(600, abs=0.6)
    assert (finding.lower, finding.upper) == pytest.approx((475.4, 727.8), abs=3)
    assert finding.lower < finding.value < finding.upper
    assert finding.evidence == ("f1.jpg",)
    assert "like fresh air at 600 m above sea level" in finding.title
    assert "rules for work go by the percent" in finding.text


def test_without_a_place_nothing_is_assumed_silently():
    found = topic(night([20.9, 19.5, 20.0]))
    finding = one(found, "oxygen-pressure")
    assert "if the place lies at sea level" in finding.title
    assert "with the altitude or the air pressure stated" in finding.text
    assert found.figures["lowest_o2_hpa"] is None
    assert found.figures["equivalent_altitude_m"] is None
    assert not any(finding.slug == "oxygen-setting" for finding in found.findings)


def test_stated_pressure_needs_no_word_of_the_weather():
    trial = Trial(format=1, space=Space(station_pressure_hpa=SEA_LEVEL))
    finding = one(topic(night([20.9, 19.5]), trial), "oxygen-pressure")
    assert "Weather" not in finding.text
    assert "Weather moves the pressure" in one(topic(night([20.9, 19.5]), at(0)), "oxygen-pressure").text


def test_a_breath_is_wet_and_warm():
    """Dry fresh air at 760 mmHg holds 0.209476 x (760 - 47) = 149.4 mmHg of oxygen in the lungs (the alveolar gas relation)."""
    assert inspired_oxygen(20.9476, SEA_LEVEL) / (SEA_LEVEL / 760) == pytest.approx(149.36, abs=0.01)
    # Water already in the air is not lost twice: clean damp air gives the same breath as clean dry air.
    vapour = 20.0
    assert inspired_oxygen(20.9476 * (1 - vapour / SEA_LEVEL), SEA_LEVEL, vapour) == pytest.approx(
        inspired_oxygen(20.9476, SEA_LEVEL), rel=1e-12
    )


# --- water vapour ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temp_c", "rh", "shows"),
    # O2 wet = O2 dry (p - e)/p as an oxygen analyser's manual prints it, for its 20.945 %; values by hand at 1013.25 hPa.
    [(10, 50, 20.82), (10, 100, 20.69), (20, 50, 20.70), (25, 50, 20.62), (32, 20, 20.75), (35, 100, 19.78)],
)
def test_clean_air_shows_less_when_damp(temp_c, rh, shows):
    vapour_hpa = float(vapour_pressure(temp_c, rh)) / 100
    assert 20.945 - dilution(vapour_hpa, SEA_LEVEL) * 20.945 / 20.9476 == pytest.approx(shows, abs=0.005)


def test_published_example_at_21_degrees():
    """The manual's own table: 18.650 mmHg of vapour at 21 °C; at 50 % and 760 mmHg clean air of 20.945 % shows 20.688 %."""
    own = 0.5 * 18.650 * SEA_LEVEL / 760
    assert 20.945 - dilution(own, SEA_LEVEL) * 20.945 / 20.9476 == pytest.approx(20.688, abs=0.0005)


def test_a_fall_that_is_only_water_is_called_so():
    """Clean air at 25 °C whose humidity rises from 20 to 95 % loses 0.49 points of oxygen, and nothing burned."""
    rh = [20.0, 40.0, 60.0, 80.0, 95.0]
    oxygen = [20.9476 * (1 - float(vapour_pressure(25.0, h)) / 101325) for h in rh]
    found = topic(night(oxygen, temp_c=[25.0] * 5, rh_pct=rh), at(0), [O2, TEMP, RH])
    finding = one(found, "oxygen-water")
    assert finding.value == pytest.approx(oxygen[0] - oxygen[-1], abs=1e-9)
    assert finding.value == pytest.approx(0.491, abs=0.001)
    assert finding.lower < finding.value < finding.upper
    assert found.figures["series"]["fresh_air_would_show_pct"] == pytest.approx(oxygen, abs=1e-9)


def test_without_humidity_the_part_of_water_is_not_told():
    finding = one(topic(night([20.9, 20.1]), at(0)), "oxygen-water")
    assert finding.value is None
    assert "cannot be told" in finding.title


def test_fahrenheit_changes_nothing():
    rh, temps = [40.0, 60.0, 80.0], [10.0, 18.0, 25.0]
    in_c = topic(night([20.9, 20.4, 20.1], temp_c=temps, rh_pct=rh), at(95), [O2, TEMP, RH])
    in_f = DisplayFacts("temp_f", "temperature", "°F", accuracy=Accuracy(absolute=0.9), instrument="wall unit")
    table = night([20.9, 20.4, 20.1], temp_f=[t * 1.8 + 32 for t in temps], rh_pct=rh)
    other = topic(table, at(95), [O2, in_f, RH])
    a, b = one(in_c, "oxygen-water"), one(other, "oxygen-water")
    assert (a.value, a.lower, a.upper) == pytest.approx((b.value, b.lower, b.upper), abs=1e-9)
    assert a.text == b.text


# --- the meter's setting ---------------------------------------------------------------------------------------------


def test_a_cell_shows_pressure_as_percent():
    assert shown_share(20.9, SEA_LEVEL, SEA_LEVEL) == 20.9
    # Set at sea level, carried to 2000 m: 20.9 x 794.95 / 1013.25 (ICAO standard atmosphere).
    assert shown_share(20.9, pressure_at(2000), SEA_LEVEL) == pytest.approx(16.397, abs=0.001)


def test_a_meter_set_higher_up_hides_a_lack_of_oxygen():
    told = (TrialInstrument(name="hand-held", zeroed_at_altitude_m=1000),)
    finding = one(topic(night([20.9, 19.6]), at(0, instrument=told)), "oxygen-setting")
    assert finding.tone == "warning"
    # 19.6 x 898.76 / 1013.25
    assert finding.value == pytest.approx(17.385, abs=0.005)
    assert "look better than it is" in finding.text


def test_a_meter_set_lower_down_shows_too_little():
    told = (TrialInstrument(name="hand-held", zeroed_at_altitude_m=0),)
    finding = one(topic(night([18.6, 18.0]), at(1000, instrument=told)), "oxygen-setting")
    assert finding.tone == "note"
    assert finding.value == pytest.approx(18.0 * SEA_LEVEL / 898.76, abs=0.01)


def test_an_unknown_setting_is_asked_for():
    finding = one(topic(night([20.9, 20.0]), at(1000)), "oxygen-setting")
    assert "zeroed_at_altitude_m" in finding.text
    # 20.9 x 898.76 / 1013.25 = 18.54
    assert "would show 18.5 % in fresh air" in finding.text


# --- time below the marks --------------------------------------------------------------------------------------------


def test_time_below_with_the_meters_error():
    """By hand: a straight fall from 20.9 to 18.9 % and back in 2 x 20 min, with an error of 0.3 points."""
    fall = [20.9, 20.5, 20.1, 19.7, 19.3, 18.9]
    finding = one(topic(night([*fall, *fall[-2::-1]])), "oxygen-marks")
    # The line lies below 19.5 % for 2 x 6 min, below 19.2 % for 2 x 3 min, below 19.8 % for 2 x 9 min.
    assert (finding.lower, finding.value, finding.upper) == pytest.approx((6, 12, 18), abs=1e-6)
    assert finding.tone == "warning"
    assert "18 %" not in finding.text


def test_no_marks_where_no_reading_came_near_one():
    found = topic(night([20.9, 20.1, 20.9]))
    assert not any(finding.slug == "oxygen-marks" for finding in found.findings)
    assert found.figures["minutes_below"][0]["middle"] == 0


def test_a_doubtful_low_reading_is_not_passed_over():
    found = topic(night([20.9, 20.4, 17.0, 20.4], ["ok", "ok", "doubtful", "ok"]), at(0))
    marks = one(found, "oxygen-marks")
    assert (marks.lower, marks.value) == (0, 0)
    assert marks.upper == pytest.approx(8)
    assert "18 %" in marks.text
    assert "A doubtful reading of 17.0 %" in one(found, "oxygen-pressure").text


def test_deep_lack_is_a_danger():
    assert one(topic(night([20.9, 15.0, 15.0, 20.9])), "oxygen-marks").tone == "danger"


@LAW
@given(st.lists(st.integers(120, 209), min_size=2, max_size=20), st.integers(0, 19))
def test_bounds_enclose_and_a_gap_never_narrows(tenths, place):
    values = [tenth / 10 for tenth in tenths]
    place %= len(values)
    flags = ["ok"] * len(values)
    before = topic(night(values, flags)).figures["minutes_below"]
    flags[place] = "doubtful"
    after = topic(night(values, flags)).figures["minutes_below"]
    for one_before, one_after in zip(before, after or before, strict=True):
        assert one_before["lower"] <= one_before["middle"] <= one_before["upper"]
        assert one_after["lower"] <= one_before["lower"] + 1e-9
        assert one_after["upper"] >= one_before["upper"] - 1e-9


# --- the whole -------------------------------------------------------------------------------------------------------


def test_demo_night():
    table, calibration, trial = demo_night()
    found = describe_oxygen(studies_of(table, [from_display(d) for d in calibration.displays]), trial)
    pressure = one(found, "oxygen-pressure")
    # 19.9 % at 95 m: 0.199 x 1001.89 hPa (ICAO standard atmosphere).
    assert found.figures["lowest_o2_hpa"] == pytest.approx(199.376, abs=0.01)
    assert pressure.value == pytest.approx(525, abs=1)
    assert pressure.evidence[0] == "cabin_0019.jpg"
    assert one(found, "oxygen-water").value == pytest.approx(0.05, abs=0.03)
    assert len(found.figures["series"]["elapsed_min"]) == len(found.figures["series"]["o2_pct"]) <= 310


def test_the_lower_of_two_meters_counts():
    table = night([20.9, 20.4], wall_o2_pct=[20.9, 19.9])
    wall = DisplayFacts("wall_o2_pct", "oxygen", "%", instrument="wall unit")
    assert one(topic(table, at(0), [O2, wall]), "oxygen-pressure").key == "wall_o2_pct"


def test_nothing_without_oxygen_and_nothing_breaks_without_time():
    co = DisplayFacts("co_ppm", "carbon monoxide", "ppm")
    assert topic(pd.DataFrame({"co_ppm": [1.0, 2.0]}), None, [co]) == Topic()
    finding = one(topic(pd.DataFrame({"o2_pct": [20.9, 19.0]}), at(0), [O2_BARE]), "oxygen-pressure")
    assert "19.0 %" in finding.text
    assert math.isfinite(finding.value)


def test_it_reaches_the_assessment():
    table = night([20.9, 19.0, 19.0, 20.9])
    whole = assess(table, [O2], Trial(format=1, space=Space(altitude_m=0), outdoor=Outdoor(temp_c=4)))
    assert find(whole, "oxygen-marks").upper > 0
    assert np.isfinite(whole.topics["oxygen"]["lowest_o2_hpa"])


def test_a_night_that_begins_low_is_compared_with_its_end():
    found = topic(night([19.9, 20.4, 20.9], temp_c=[20.0] * 3, rh_pct=[80.0, 60.0, 40.0]), at(0), [O2, TEMP, RH])
    finding = one(found, "oxygen-water")
    # 40 points of humidity at 20 °C: 20.9476 x 0.4 x 2338.8 / 101325 = 0.193 points.
    assert finding.value == pytest.approx(0.193, abs=0.001)
    assert "20.9 % 8 min after the start and 19.9 % at the start: 1.0 points less" in finding.text
