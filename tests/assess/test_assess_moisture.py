"""Moisture: pairs of displays, opposite movements, water in the space, damp and frost on surfaces, heat."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from assess_nights import demo_night, find
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.assess import DisplayFacts, assess, from_display
from frametally.assess.climate import Climate, nearest, pair_climates, thin
from frametally.assess.facts import gather_facts
from frametally.assess.moisture import describe_moisture, find_opposite
from frametally.assess.psychrometrics import saturation_over_water, vapour_pressure
from frametally.assess.samples import read_samples
from frametally.assess.study import Study, study_display
from frametally.assess.surfaces import factor_needed, minutes_damp, minutes_wet, surface_humidity, surface_temperature
from frametally.assess.topic import Topic
from frametally.model import Accuracy, Outdoor, Space, Trial

LAW = settings(max_examples=40, deadline=None)
TEMP = DisplayFacts("temp_c", "temperature", "°C", resolution=0.1, accuracy=Accuracy(absolute=0.5), instrument="wall unit")
TEMP_F = DisplayFacts("temp_f", "temperature", "°F", resolution=0.1, accuracy=Accuracy(absolute=0.9), instrument="wall unit")
RH = DisplayFacts("rh_pct", "relative humidity", "%", resolution=1, accuracy=Accuracy(absolute=3), instrument="wall unit")
BARE = [DisplayFacts("temp_c", "temperature", "°C"), DisplayFacts("rh_pct", "relative humidity", "%")]


def night(temp_c: list[float], rh: list[float], every_min: float = 4.0, flags: list[str] | None = None) -> pd.DataFrame:
    count = len(rh)
    return pd.DataFrame(
        {
            "elapsed_min": [every_min * i for i in range(count)],
            "frame": [f"f{i}.jpg" for i in range(count)],
            "temp_c": temp_c,
            "rh_pct": rh,
            "rh_pct_flag": flags or ["ok"] * count,
        }
    )


def studies_of(table: pd.DataFrame, facts: list[DisplayFacts]) -> list[Study]:
    timeline, samples = read_samples(table, gather_facts(table, facts))
    return [study_display(timeline, one, ()) for one in samples]


def topic(table: pd.DataFrame, trial: Trial | None = None, facts: list[DisplayFacts] | None = None) -> Topic:
    return describe_moisture(studies_of(table, facts or [TEMP, RH]), trial)


def climate_of(table: pd.DataFrame, facts: list[DisplayFacts] | None = None) -> Climate:
    return pair_climates(studies_of(table, facts or [TEMP, RH]))[0]


def one(found: Topic, slug: str):
    hits = [finding for finding in found.findings if finding.slug == slug]
    if len(hits) != 1:
        raise LookupError(f"{len(hits)} findings for {slug}")
    return hits[0]


def has(found: Topic, slug: str) -> bool:
    return any(finding.slug == slug for finding in found.findings)


def cabin(**space) -> Trial:
    return Trial(format=1, space=Space(altitude_m=0, **space))


# --- pairs -----------------------------------------------------------------------------------------------------------


def test_temperature_and_humidity_of_one_instrument_are_paired():
    table = night([20.0] * 4, [50.0] * 4).assign(hand_temp_c=10.0)
    hand = DisplayFacts("hand_temp_c", "temperature", "°C", instrument="hand-held")
    for facts in ([hand, TEMP, RH], [TEMP, hand, RH]):
        climate = climate_of(table, facts)
        assert climate.temperature.facts.key == "temp_c"
        assert climate.is_one_instrument


def test_a_strange_temperature_is_used_only_where_there_is_no_own_one_and_it_is_said():
    table = night([20.0] * 4, [50.0] * 4)
    away = DisplayFacts("temp_c", "temperature", "°C", instrument="hand-held")
    climate = climate_of(table, [away, RH])
    assert not climate.is_one_instrument
    assert "different places" in one(topic(table, None, [away, RH]), "moisture-content").text


def test_humidity_alone_says_what_is_missing():
    found = topic(night([20.0] * 4, [50.0] * 4), None, [RH])
    assert [finding.slug for finding in found.findings] == ["moisture-no-temperature"]
    assert topic(night([20.0] * 4, [50.0] * 4), None, [TEMP]) == Topic()


def test_only_rows_with_both_count():
    table = night([20.0, math.nan, 20.0, 20.0], [50.0, 50.0, 50.0, 50.0], flags=["ok", "ok", "doubtful", "ok"])
    assert climate_of(table).rows.tolist() == [0, 3]


def test_nearest_and_thin():
    climate = climate_of(night([20.0] * 5, [50.0] * 5))
    assert nearest(climate, np.array([0.0, 5.9, 16.0, 22.0, 23.0, np.nan]), 4.0).tolist() == [0, 1, 4, 4, -1, -1]
    assert thin(5).tolist() == [0, 1, 2, 3, 4]
    places = thin(10_000, [7777])
    assert places[0] == 0
    assert places[-1] == 9999
    assert 7777 in places
    assert len(places) <= 301


# --- opposite movements ----------------------------------------------------------------------------------------------


def rising(start: float, stop: float, count: int = 30) -> list[float]:
    return np.linspace(start, stop, count).tolist()


def test_warmer_air_that_seems_to_dry():
    """By hand: 12 °C at 70 % holds 982 Pa of vapour, 24 °C at 45 % holds 1344 Pa: a lower percentage and 37 % more water."""
    table = night(rising(12, 24), rising(70, 45))
    finding = one(topic(table, cabin()), "moisture-opposite")
    assert finding.title == "The relative humidity fell, yet the air did not dry: it held more water"
    assert "warmer" in finding.text
    # 0.621945 e/(p - e): 6.09 and 8.36 g/kg; the medians of the first and last few readings lie a little inside.
    assert finding.value == pytest.approx(8.36 - 6.09, abs=0.35)
    assert finding.lower < finding.value < finding.upper
    assert finding.unit == "g/kg"
    assert len(finding.evidence) == 2


def test_colder_air_that_seems_to_get_damper():
    finding = one(topic(night(rising(24, 12), rising(45, 70)), cabin()), "moisture-opposite")
    assert finding.title == "The relative humidity rose, yet the air did not get damper: it held less water"
    assert "colder" in finding.text
    assert finding.value < 0


def test_no_opposite_where_both_rise_or_only_the_air_warms():
    assert not has(topic(night([20.0] * 30, rising(40, 70)), cabin()), "moisture-opposite")
    temps = rising(12, 24)
    same_water = [60.0 * float(saturation_over_water(12.0) / saturation_over_water(t)) for t in temps]
    assert not has(topic(night(temps, same_water), cabin()), "moisture-opposite")


def test_one_odd_reading_makes_no_movement():
    temps, rh = [20.0] * 30, [50.0] * 30
    temps[15], rh[15] = 30.0, 40.0
    assert find_opposite(climate_of(night(temps, rh))) is None


def test_without_a_pressure_the_water_is_told_per_volume():
    finding = one(topic(night(rising(12, 24), rising(70, 45))), "moisture-opposite")
    assert finding.unit == "g/m³"


# --- water in the space and dew point --------------------------------------------------------------------------------


def test_mass_of_water_in_the_space():
    """PsychroLib 2.5.0 and the ideal gas: 20 °C, 60 % holds 10.373 g/m³ and has a dew point of 12.0075 °C."""
    found = topic(night([20.0] * 5, [60.0] * 5), cabin(volume_m3=24))
    content = one(found, "moisture-content")
    assert content.value == pytest.approx(24 * 10.373, abs=0.1)
    assert content.lower < content.value < content.upper
    assert content.unit == "g"
    assert one(found, "moisture-dew-point").value == pytest.approx(12.0075, abs=1e-3)
    assert found.figures["series"]["humidity_ratio_g_kg"] == pytest.approx([8.7345] * 5, abs=1e-3)
    assert found.figures["series"]["water_g"] == pytest.approx([24 * 10.373] * 5, abs=0.1)


def test_unknown_volume_and_pressure_are_asked_for():
    text = one(topic(night([20.0] * 5, [60.0] * 5)), "moisture-content").text
    assert "volume of the space is not stated" in text
    assert "altitude or the air pressure" in text
    assert "water_g" not in topic(night([20.0] * 5, [60.0] * 5)).figures["series"]


def test_errors_not_stated_give_no_bounds():
    finding = one(topic(night([20.0] * 5, [60.0] * 5), cabin(volume_m3=24), BARE), "moisture-content")
    assert (finding.lower, finding.upper) == (None, None)
    assert "errors are not stated" in finding.text


def test_humidity_above_the_range_is_said():
    table = night([20.0] * 5, [60.0, 60.0, math.nan, 60.0, 60.0], flags=["ok", "ok", "over_range", "ok", "ok"])
    assert "In 1 photo the humidity was above" in one(topic(table), "moisture-dew-point").text


@LAW
@given(st.lists(st.tuples(st.integers(-100, 400), st.integers(5, 99)), min_size=2, max_size=20))
def test_the_unit_of_temperature_changes_nothing(rows):
    """In tenths, as displays show them: between water and ice at exactly 0 °C the last bit of a number would decide."""
    temps, rh = [t / 10 for t, _ in rows], [float(h) for _, h in rows]
    trial = Trial(format=1, space=Space(altitude_m=95, volume_m3=24), outdoor=Outdoor(temp_c=3.0))
    table = night(temps, rh)
    in_f = table.drop(columns="temp_c").assign(temp_f=[t * 1.8 + 32 for t in temps])
    a, b = topic(table, trial), topic(in_f, trial, [TEMP_F, RH])
    for name, values in a.figures["series"].items():
        assert values == pytest.approx(b.figures["series"][name], rel=1e-6, abs=1e-6), name
    for surface, other in zip(a.figures["surfaces"], b.figures["surfaces"], strict=True):
        for name in ("minutes_above_80_pct", "minutes_dew", "minutes_frost"):
            assert list(surface[name].values()) == pytest.approx(list(other[name].values()), abs=1e-3)


# --- surfaces --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("room_c", "rh", "outdoors_c", "level", "factor"),
    # ISO 13788's definition of the temperature factor, by hand with PsychroLib 2.5.0's saturation pressure.
    [
        (20, 60, 0, 80, 0.7719),
        (20, 60, 0, 100, 0.6004),
        (20, 50, 0, 80, 0.6314),
        (20, 60, -5, 80, 0.8175),
        (15, 70, 2, 80, 0.8418),
    ],
)
def test_factor_needed(room_c, rh, outdoors_c, level, factor):
    vapour = float(vapour_pressure(room_c, rh))
    assert factor_needed(room_c, vapour, outdoors_c, level) == pytest.approx(factor, abs=1e-4)


def test_factor_needed_may_be_out_of_reach():
    """12 °C and 85 %, 3 °C outdoors: 1.10, for the room's own air is above 80 % already."""
    assert factor_needed(12, float(vapour_pressure(12, 85)), 3, 80) == pytest.approx(1.10, abs=0.005)
    assert factor_needed(10, 500.0, 10, 80) is None
    trial = Trial(format=1, outdoor=Outdoor(temp_c=3))
    text = one(topic(night([12.0] * 5, [85.0] * 5), trial), "moisture-surface").text
    assert "the room's own air was above 80 %" in text


def test_humidity_at_a_surface():
    """20 °C, 60 %, a wall of 15 °C: 82.3 % (ISO 13788's definition, PsychroLib 2.5.0's saturation pressure)."""
    assert float(surface_humidity(vapour_pressure(20, 60), 15.0)) == pytest.approx(82.3, abs=0.05)
    assert float(surface_temperature(20.0, 0.0, 0.7)) == pytest.approx(14.0)


def test_hours_on_a_measured_surface():
    """By hand: humidity rises from 40 to 80 % in 100 min at 20 °C; a surface of 12.0075 °C gets wet at 60 %: for 50 min."""
    table = night([20.0] * 26, rising(40, 80, 26))
    climate = climate_of(table, BARE)
    course = np.full(26, 12.0075)
    wet = minutes_wet(climate, course, frost=False)
    assert wet.middle == pytest.approx(50, abs=0.1)
    # Above 80 % at the surface where the room stands at 48 %: for 80 min.
    assert minutes_damp(climate, course, 80).middle == pytest.approx(80, abs=0.1)
    finding = one(topic(table, cabin(coldest_surface_c=12.0075)), "moisture-surface")
    assert finding.value == pytest.approx(50, abs=0.1)
    assert finding.lower < finding.value < finding.upper
    assert finding.tone == "warning"
    assert "mean over weeks" in finding.text


def test_frost_below_zero():
    table = night([5.0] * 10, [70.0] * 10)
    found = topic(table, cabin(coldest_surface_c=-3))
    finding = one(found, "moisture-surface")
    assert finding.title.startswith("Frost on the coldest surface")
    # 5 °C at 70 %: 611 Pa; ice at -3 °C is at 475.7 Pa (ASHRAE 2017): frost all the time.
    assert finding.value == pytest.approx(36)
    assert found.figures["surfaces"][0]["minutes_dew"]["upper"] == 0


def test_frost_needs_less_vapour_than_dew():
    """-10 °C: 259.9 Pa over ice, 286.5 over water (ASHRAE 2017); 270 Pa settles as frost, though super-cooled dew would not."""
    rh = 100 * 270 / float(saturation_over_water(2.0))
    climate = climate_of(night([2.0] * 5, [rh] * 5), BARE)
    assert minutes_wet(climate, np.full(5, -10.0), frost=True).middle == pytest.approx(16)
    assert minutes_wet(climate, np.full(5, -10.0), frost=False).upper == 0


def test_unmeasured_surface_is_held_between_outdoors_and_room():
    found = topic(night([20.0] * 10, [60.0] * 10), Trial(format=1, outdoor=Outdoor(temp_c=0)))
    finding = one(found, "moisture-surface")
    assert (finding.lower, finding.upper) == (0, 36)
    assert finding.lower <= finding.value <= finding.upper
    assert finding.tone == "note"
    assert "f_Rsi below 0.60" in finding.text
    assert "f_Rsi below 0.77" in finding.text
    assert [one["surface"] for one in found.figures["surfaces"]] == ["as cold as outdoors", "f_Rsi 0.70", "as warm as the room"]


def test_nothing_known_of_surfaces_names_the_dew_point_and_what_is_missing():
    finding = one(topic(night([20.0] * 10, [60.0] * 10)), "moisture-surface")
    assert finding.value == pytest.approx(12.0075, abs=1e-3)
    assert "colder than 15.4 °C stood above 80 %" in finding.text
    assert "state the coldest inside surface" in finding.text


rows = st.lists(st.tuples(st.floats(0, 35), st.integers(5, 99)), min_size=2, max_size=20)


@LAW
@given(rows, st.integers(0, 19), st.floats(-10, 25))
def test_bounds_enclose_and_a_gap_never_narrows(pairs, place, surface):
    temps, rh = [t for t, _ in pairs], [float(h) for _, h in pairs]
    place %= len(pairs)
    flags = ["ok"] * len(pairs)
    before = climate_of(night(temps, rh, flags=flags))
    flags[place] = "hidden"
    later = pair_climates(studies_of(night(temps, rh, flags=flags), [TEMP, RH]))
    for measure in (
        lambda climate: minutes_damp(climate, np.full(climate.rows.size, surface), 80),
        lambda climate: minutes_wet(climate, np.full(climate.rows.size, surface), frost=surface < 0),
    ):
        first = measure(before)
        assert first.lower <= first.middle <= first.upper
        assert first.upper <= before.span_min + 1e-9
        if later and later[0].rows.size >= 2:
            second = measure(later[0])
            assert second.lower <= first.lower + 1e-9
            assert second.upper >= first.upper - 1e-9


@LAW
@given(rows)
def test_a_colder_surface_is_never_drier(pairs):
    climate = climate_of(night([t for t, _ in pairs], [float(h) for _, h in pairs]))
    times = [minutes_damp(climate, np.full(climate.rows.size, surface), 80).middle for surface in (18.0, 10.0, 2.0)]
    assert times == sorted(times)


# --- heat and the whole ----------------------------------------------------------------------------------------------


def test_heat_index_only_where_it_is_warm():
    """US National Weather Service, chart: 90 °F at 70 % feels like 106 °F (41 °C)."""
    assert not has(topic(night([12.0] * 5, [60.0] * 5)), "moisture-heat")
    finding = one(topic(night([(90 - 32) / 1.8] * 5, [70.0] * 5)), "moisture-heat")
    assert finding.value * 1.8 + 32 == pytest.approx(106, abs=1)


def test_demo_night():
    table, calibration, trial = demo_night()
    found = describe_moisture(studies_of(table, [from_display(display) for display in calibration.displays]), trial)
    finding = one(found, "moisture-opposite")
    assert finding.title.startswith("The relative humidity fell, yet the air did not dry")
    assert finding.value > 0
    assert found.figures["one_instrument"]
    # The wall unit's own truth at the start: 13.9 °C and 62 %.
    assert found.figures["series"]["dew_point_c"][0] == pytest.approx(6.75, abs=0.01)
    assert find(assess(table, calibration.displays, trial), "moisture-opposite").text == finding.text


def test_impossible_humidities_say_nothing():
    climate = climate_of(night([20.0] * 3, [50.0, 130.0, -4.0]))
    assert climate.rows.tolist() == [0]
    found = topic(night([20.0] * 3, [50.0, 130.0, -4.0]))
    assert [finding.slug for finding in found.findings] == ["moisture-no-temperature"]


def test_without_names_the_prefix_pairs():
    """A bare table's wall_rh_pct belongs to wall_temp_c, not to temp_c; which instrument that is, nobody stated."""
    table = night([20.0] * 4, [50.0] * 4).assign(wall_temp_c=10.0, wall_rh_pct=70.0)
    names = ("temp_c", "wall_temp_c", "rh_pct", "wall_rh_pct")
    climates = pair_climates(studies_of(table, [DisplayFacts(name, name, "") for name in names]))
    assert [(one.temperature.facts.key, one.humidity.facts.key) for one in climates] == [
        ("temp_c", "rh_pct"),
        ("wall_temp_c", "wall_rh_pct"),
    ]
    assert "is not stated" in climates[0].caution


def test_a_warm_night_outdoors_bounds_no_surface():
    table = night([20.0] * 10, [60.0] * 10)
    finding = one(topic(table, Trial(format=1, outdoor=Outdoor(temp_c=24))), "moisture-surface")
    assert "how cold the surfaces were is not known" in finding.title
    # A night that begins colder than outdoors: no surface is taken as warmer than the room.
    table = night(rising(10, 20, 10), [60.0] * 10)
    found = topic(table, Trial(format=1, outdoor=Outdoor(temp_c=15)))
    finding = one(found, "moisture-surface")
    assert finding.lower <= finding.value <= finding.upper
    cold, warm = (found.figures["surfaces"][place]["minutes_above_80_pct"]["middle"] for place in (0, 2))
    assert cold >= warm
