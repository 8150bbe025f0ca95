"""Averages, doses and times above a level: against published examples, against numpy's own trapezoid, and by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from assess_nights import CO, O2, curve_of, make_steps, make_table

from frametally.assess import DisplayFacts
from frametally.assess.exposure import Ramp, build_curve, dose, highest_area, mean, minutes_above, minutes_below, worst_window
from frametally.assess.facts import gather_facts
from frametally.assess.samples import read_samples
from frametally.model import Display


def eight_hours(table, facts=CO):
    window = worst_window(curve_of(table, facts), 480)
    if window is None:
        raise LookupError("no window")
    return window


def test_published_example_of_a_time_weighted_average():
    """29 CFR 1910.1000(d)(1)(ii): 2 h at 150 ppm, 2 h at 75 ppm and 4 h at 50 ppm make 81.25 ppm."""
    window = eight_hours(make_steps([(150, 2), (75, 2), (50, 4)]))
    assert window.bounds.lower == pytest.approx(81.25, abs=1e-9)
    assert window.bounds.middle == pytest.approx(81.25, abs=1e-9)
    assert window.bounds.upper == pytest.approx(81.25, abs=1e-9)
    assert window.is_enough


def test_hole_gives_three_values():
    """Own convention, worked by hand: 6 h at a mean of 20 ppm with a worst reading of 60 ppm and a hole of 2 h."""
    window = eight_hours(make_steps([(60, 1), (12, 5), (None, 2)]))
    assert (window.bounds.lower, window.bounds.middle, window.bounds.upper) == pytest.approx((15.0, 20.0, 30.0), abs=1e-9)
    assert window.measured_min == pytest.approx(360)
    # 6 of 8 hours is just enough, as for hourly means in 40 CFR 50.8(c).
    assert window.is_enough
    assert not eight_hours(make_steps([(60, 1), (12, 4.5), (None, 2.5)])).is_enough


def test_short_night_keeps_the_divisor():
    """29 CFR 1910.1000(d)(1)(i) divides by eight hours whatever the shift's length: 4 h at 40 ppm make 20 ppm."""
    window = eight_hours(make_steps([(40, 4)]))
    assert (window.bounds.lower, window.bounds.middle) == pytest.approx((20.0, 20.0))
    assert window.bounds.upper == pytest.approx(40.0)
    assert window.rest_min == pytest.approx(240)


def test_long_night_takes_the_worst_eight_hours():
    window = eight_hours(make_steps([(10, 3), (50, 8), (20, 4)]))
    assert window.bounds.middle == pytest.approx(50.0)
    assert (window.start_min, window.stop_min) == pytest.approx((180, 660))


def test_less_than_six_hours_measured_clears_nothing():
    """40 CFR 50.8(c): an eight-hour average needs at least three quarters of its hours."""
    assert not eight_hours(make_steps([(1, 1)])).is_enough
    assert not eight_hours(make_steps([(1, 5.5)])).is_enough
    assert eight_hours(make_steps([(1, 6)])).is_enough


def test_mean_agrees_with_numpy():
    rng = np.random.default_rng(7)
    minutes = np.cumsum(rng.uniform(3.2, 4.4, 200))
    values = rng.integers(0, 300, 200).astype(float)
    figure = mean(curve_of(make_table(values, elapsed_min=minutes)))
    expected = np.trapezoid(values, minutes) / (minutes[-1] - minutes[0])
    assert (figure.lower, figure.middle, figure.upper) == pytest.approx((expected,) * 3, rel=1e-12)


def test_no_interval_bridges_a_pause():
    table = make_table([10, 10, 100, 100], elapsed_min=[0, 4, 14, 18])
    curve = curve_of(table)
    assert curve.measured_min == pytest.approx(8)
    figure = mean(curve)
    assert figure.middle == pytest.approx(55)
    assert figure.lower == pytest.approx((40 + 400) / 18)
    assert figure.upper == pytest.approx((40 + 1000 + 400) / 18)


def test_interval_of_one_and_a_half_still_counts():
    assert curve_of(make_table([10, 10, 10, 10], elapsed_min=[0, 4, 8, 14])).measured_min == pytest.approx(14)
    assert curve_of(make_table([10, 10, 10, 10], elapsed_min=[0, 4, 8, 14.1])).measured_min == pytest.approx(8)


def test_doubtful_counts_as_none_below_and_as_the_highest_above():
    table = make_table([10, 10, 90, 10, 10], flags=["ok", "ok", "doubtful", "ok", "ok"])
    figure = mean(curve_of(table))
    assert figure.middle == pytest.approx(10)
    assert figure.lower == pytest.approx(10 * 8 / 16)
    assert figure.upper == pytest.approx((10 * 8 + 90 * 8) / 16)


def test_over_range_counts_at_the_top_and_opens_the_upper_end():
    facts = DisplayFacts("co_ppm", "carbon monoxide", "ppm", range=(0, 100))
    table = make_table([0, 0, None, 0, 0], flags=["ok", "ok", "over_range", "ok", "ok"])
    figure = mean(curve_of(table, facts))
    assert figure.lower == figure.middle == pytest.approx(100 * 4 / 16)
    assert figure.upper == math.inf
    assert figure.as_dict()["upper"] is None


def test_over_range_without_a_stated_range_counts_at_the_highest_reading():
    facts = DisplayFacts("co_ppm", "carbon monoxide", "ppm")
    table = make_table([0, 60, None, 60, 0], flags=["ok", "ok", "over_range", "ok", "ok"])
    assert mean(curve_of(table, facts)).lower == pytest.approx((30 * 2 + 60 * 2) * 4 / 16)


def test_under_range_counts_between_none_and_the_bottom():
    facts = DisplayFacts("co_ppm", "carbon monoxide", "ppm", range=(10, 100))
    table = make_table([None, None, None], flags=["under_range"] * 3)
    figure = mean(curve_of(table, facts))
    # With the bottom of the range at 10 ppm, nothing is known but that there was at most that much.
    assert (figure.lower, figure.middle, figure.upper) == pytest.approx((0, 10, 10))


def test_oxygen_below_its_range_opens_the_lower_end():
    facts = DisplayFacts("o2_pct", "oxygen", "%", range=(5, 25))
    table = make_table([20, None, 20], flags=["ok", "under_range", "ok"], key="o2_pct")
    figure = mean(curve_of(table, facts))
    assert figure.lower == -math.inf
    assert figure.upper == figure.middle == pytest.approx(12.5)


def test_holes_in_oxygen_lie_between_its_lowest_and_highest_reading():
    figure = mean(curve_of(make_table([20, 20, None, None, 18, 18], key="o2_pct"), O2))
    assert (figure.lower, figure.middle, figure.upper) == pytest.approx((18.4, 19, 19.6))


def test_time_above_and_below_a_level():
    curve = curve_of(make_table([0, 100, 100, 0], every_min=10))
    # The line crosses 50 in the middle of both slopes.
    above = minutes_above(curve, 50)
    assert (above.lower, above.middle, above.upper) == pytest.approx((20, 20, 20))
    assert minutes_below(curve, 50).middle == pytest.approx(10)
    assert minutes_above(curve, 100).upper == 0
    assert minutes_above(curve, 0).lower == pytest.approx(30)


def test_a_hole_may_have_been_above_a_level_all_the_time():
    above = minutes_above(curve_of(make_table([100, 100, None, 0, 0], every_min=10)), 50)
    assert (above.lower, above.middle, above.upper) == pytest.approx((10, 20, 30))


def test_over_range_is_surely_above_what_lies_below_its_top():
    facts = DisplayFacts("co_ppm", "carbon monoxide", "ppm", range=(0, 100))
    table = make_table([100, None, None, 100], flags=["ok", "over_range", "over_range", "ok"])
    curve = curve_of(table, facts)
    assert minutes_above(curve, 99).lower == pytest.approx(12)
    beyond = minutes_above(curve, 200)
    assert (beyond.lower, beyond.upper) == pytest.approx((0, 12))
    below = minutes_below(curve, 200)
    assert (below.lower, below.upper) == pytest.approx((0, 12))


def test_under_range_is_surely_above_nothing():
    facts = DisplayFacts("temp_c", "temperature", "°C", range=(0, 50))
    table = make_table([None, None, 5, 5], flags=["under_range", "under_range", "ok", "ok"], key="temp_c")
    above = minutes_above(curve_of(table, facts), -10)
    assert (above.lower, above.upper) == pytest.approx((4, 12))


def test_tiny_numbers_do_not_overflow():
    table = make_table([5e-324, 0.0, 400.0, 5e-324], elapsed_min=[0, 5e-324, 1e-320, 500])
    assert minutes_above(curve_of(table), 35).upper <= 500
    assert worst_window(curve_of(table), 480).bounds.upper <= 400


def test_dose_adds_up():
    curve = curve_of(make_table([3, 50, 20, None, 20, 80, 60, 5], every_min=7))
    whole, first, second = dose(curve, 0, 49), dose(curve, 0, 17.3), dose(curve, 17.3, 49)
    for name in ("lower", "middle", "upper"):
        assert getattr(first, name) + getattr(second, name) == pytest.approx(getattr(whole, name))


def test_no_stretch_of_time_gives_no_average():
    for table in (make_table([]), make_table([5]), make_table([5, 6], elapsed_min=[3, 3])):
        curve = curve_of(table)
        assert math.isnan(mean(curve).middle)
        assert worst_window(curve, 480) is None
        assert minutes_above(curve, 1).upper == 0


@pytest.mark.parametrize("seed", range(5))
def test_worst_window_is_found_exactly(seed):
    """Against a scan of many starts: no start is higher, and one comes as close as the scan is fine."""
    rng = np.random.default_rng(seed)
    knots = np.cumsum(rng.uniform(1, 9, 60))
    levels = rng.uniform(0, 200, 60)
    ramp = Ramp(knots, levels[:-1], levels[1:])
    best, start = highest_area(ramp, 77.0)
    starts = np.linspace(knots[0], knots[-1] - 77.0, 20001)
    scanned = ramp.area_until(starts + 77.0) - ramp.area_until(starts)
    assert scanned.max() <= best + 1e-6
    assert scanned.max() == pytest.approx(best, rel=1e-5)
    assert ramp.area(start, start + 77.0) == pytest.approx(best, rel=1e-9)


def taking_turns(every: int, shares: bool) -> tuple[pd.DataFrame, list[DisplayFacts]]:
    """Carbon monoxide in every so manyth photo, oxygen at the same place in the others."""
    number = np.arange(121)
    table = make_table([20 + 10 * math.sin(n / 20) if n % every == 0 else None for n in number])
    table["o2_pct"] = np.where(number % every == 0, np.nan, 20.9)
    place = {"shares": ("o2_pct",)}, {"shares": ("co_ppm",)}
    return table, [replace(one, **(given if shares else {})) for one, given in zip((CO, O2), place, strict=True)]


def test_displays_that_take_turns_are_measured_at_their_own_interval():
    table, facts = taking_turns(2, shares=True)
    timeline, (carbon, oxygen) = read_samples(table, facts)
    curve, number = build_curve(timeline, carbon), np.arange(0, 121, 2)
    by_hand = np.trapezoid(20 + 10 * np.sin(number / 20), number * 4.0) / 480
    assert (curve.usual_interval_min, curve.measured_min) == (8.0, 480.0)
    assert (mean(curve).lower, mean(curve).upper) == pytest.approx((by_hand, by_hand), rel=1e-9)
    # Oxygen is in no photo at the ends of the night: those four minutes each are not measured.
    assert build_curve(timeline, oxygen).measured_min == 472.0
    # The same table without word of the shared place: nobody can tell turns from gaps, so nothing is measured.
    timeline, (unshared, _) = read_samples(*taking_turns(2, shares=False))
    assert build_curve(timeline, unshared).measured_min == 0.0


def test_a_reading_missed_in_a_display_that_takes_turns_is_a_hole():
    table, facts = taking_turns(2, shares=True)
    table.loc[60, ["co_ppm", "co_ppm_flag"]] = [math.nan, "hidden"]
    timeline, (carbon, _) = read_samples(table, facts)
    assert build_curve(timeline, carbon).measured_min == 480 - 16
    # Photos 60 and 61 hidden both: the other display was not seen instead, so its turn is missed as well.
    table.loc[61, "o2_pct"] = math.nan
    timeline, (carbon, oxygen) = read_samples(table, facts)
    assert build_curve(timeline, carbon).measured_min == 480 - 16
    assert build_curve(timeline, oxygen).measured_min == 472 - 16


def test_the_place_that_displays_share_is_taken_from_their_regions():
    place, beside = ((10, 10), (90, 10), (90, 50), (10, 50)), ((100, 10), (180, 10), (180, 50), (100, 50))
    inner = ((12, 12), (92, 11), (92, 49), (12, 50))
    displays = [
        Display(key=key, quantity="a gas", unit="", corners=corners, digits="###")
        for key, corners in (("co_ppm", place), ("o2_pct", inner), ("co2_ppm", beside))
    ]
    table = pd.DataFrame({"elapsed_min": [0.0, 4.0], "co_ppm": [1, 2], "o2_pct": [3, 4], "co2_ppm": [5, 6]})
    assert [one.shares for one in gather_facts(table, displays)] == [("o2_pct",), ("co_ppm",), ()]
