"""Means of clock hours: completeness and rounding after 40 CFR 50.8(c) and (d), and what a short night gives."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from assess_nights import average_of, curve_of, find, make_table, samples_of

from frametally.assess import DisplayFacts, assess
from frametally.assess.hourly import mean_of_hours, minutes_past_the_hour, round_in_steps, worst_hours

FINE = DisplayFacts("co_ppm", "carbon monoxide", "ppm", range=(0, 999), resolution=0.1)


@pytest.mark.parametrize(
    ("hours", "mean"),
    [
        ([8.0] * 8, 8.0),
        # 40 CFR 50.8(c): with six or seven of eight hours the divisor is six or seven.
        ([7.0] * 7 + [math.nan], 7.0),
        ([12.0] * 3 + [6.0] * 3 + [math.nan] * 2, 9.0),
        ([12.0] * 5 + [math.nan] * 3, math.nan),
    ],
)
def test_six_of_eight_hours(hours, mean):
    assert mean_of_hours(np.array(hours)) == pytest.approx(mean, nan_ok=True)


@pytest.mark.parametrize(
    ("figure", "whole"),
    [
        # 40 CFR 50.8(d): to one decimal, then to a whole number, halves up; 9.4 meets 9, 9.5 does not.
        (9.4, 9),
        (9.449, 9),
        (9.45, 10),
        (9.5, 10),
        (35.4, 35),
        (35.5, 36),
        (math.inf, math.inf),
        (0.1 + 0.2 + 9.2, 10),
    ],
)
def test_rounding_in_steps(figure, whole):
    assert round_in_steps(figure, (1, 0)) == whole


def night(level, hours, start="2026-10-30T22:00:00", every_min=5):
    moments = pd.date_range(start, periods=hours * 60 // every_min + 1, freq=f"{every_min}min")
    return pd.DataFrame({"time": [one.isoformat() for one in moments], "co_ppm": float(level), "co_ppm_flag": "ok"})


@pytest.mark.parametrize(("level", "verdict"), [(9.4, "does not exceed"), (9.44, "does not exceed"), (9.5, "exceeds")])
def test_nine_point_four_meets_and_nine_point_five_does_not(level, verdict):
    """40 CFR 50.8(d), on a whole night of eight clock hours."""
    finding = find(assess(night(level, 8), [FINE]), "limit", limit="epa-co-8h")
    assert finding.verdict == verdict
    assert "9.4 keeps 9, 9.5 does not" in finding.text
    # Without that rounding, as in the guideline of 10 mg/m³ (8.73 ppm), all three are above.
    assert find(assess(night(level, 8), [FINE]), "limit", limit="who-indoor-co-8h").verdict == "exceeds"


@pytest.mark.parametrize(
    ("hours", "middle"),
    [(8, 20.0), (7, 20.0), (6, 20.0), (5, None)],
)
def test_a_night_of_six_hours_has_an_eight_hour_mean_and_one_of_five_has_none(hours, middle):
    """40 CFR 50.8(c): at least six of the eight hours; the bounds count the others as none and as the highest reading."""
    average = average_of(assess(night(20, hours), [FINE]), "co_ppm", "hourly-mean", 480)
    assert average["middle"] == (None if middle is None else pytest.approx(middle))
    assert average["lower"] == pytest.approx(20 * hours / 8)
    assert average["upper"] == pytest.approx(20)


def test_too_few_hours_convict_but_never_clear():
    short = assess(night(14, 5), [FINE])
    # 14 ppm for five of eight hours are at least 8.75 ppm, at most 14 ppm.
    assert find(short, "limit", limit="epa-co-8h").verdict == "undecided"
    assert find(short, "limit", limit="epa-co-8h").value is None
    assert find(assess(night(16, 5), [FINE]), "limit", limit="epa-co-8h").verdict == "exceeds"
    assert find(assess(night(1, 5), [FINE]), "limit", limit="epa-co-8h").verdict == "undecided"


def test_hours_go_by_the_clock():
    table = night(0, 3, start="2026-10-30T22:20:00")
    table.loc[table["time"].str.contains("T23:"), "co_ppm"] = 40.0
    curve = curve_of(table, FINE)
    timeline, _ = samples_of(table, FINE)
    assert minutes_past_the_hour(timeline) == 20
    window = worst_hours(curve, 60, 20)
    # From 22:55 to 23:00 the line rises to 40 ppm, from 23:55 it falls: the clock hour has 57.5 minutes at 40 ppm.
    assert window.bounds.middle == pytest.approx(40 * 57.5 / 60)
    assert (window.start_min, window.stop_min) == (40, 100)


def test_an_hour_needs_three_quarters_of_its_time():
    values = [20.0] * 5 + [None] * 3 + [20.0] * 5
    window = worst_hours(curve_of(make_table(values, every_min=5), FINE), 60, 0.0)
    # Unmeasured from minute 20 to 40: two thirds are left.
    assert math.isnan(window.bounds.middle)
    assert not window.is_enough
    assert window.bounds.lower == pytest.approx(20 * 40 / 60)
    assert worst_hours(curve_of(make_table([20.0] * 5 + [None] + [20.0] * 7, every_min=5), FINE), 60).bounds.middle == 20


def test_fixed_divisor_and_mean_over_the_measured_time_differ_on_a_short_night():
    """29 CFR 1910.1000(d)(1)(i) divides seven hours by eight; a rolling mean does not call that the eight-hour mean."""
    result = assess(night(40, 7), [FINE])
    assert average_of(result, "co_ppm", "twa-fixed", 480)["middle"] == pytest.approx(35)
    rolling = average_of(result, "co_ppm", "rolling-mean", 480)
    assert (rolling["lower"], rolling["middle"], rolling["upper"]) == pytest.approx((35, 40, 40))
    day = average_of(result, "co_ppm", "rolling-mean", 1440)
    assert (day["middle"], day["while_measured"]) == (None, pytest.approx(40))
    finding = find(result, "limit", limit="hc-co-24h")
    assert (finding.verdict, finding.value, finding.lower) == ("exceeds", None, pytest.approx(40 * 7 / 24))
    assert "Even if the unknown time held none of the gas, the average over 24 h was 11.67 ppm." in finding.text
