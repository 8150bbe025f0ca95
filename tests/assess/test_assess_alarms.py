"""What an alarm of a standard would have done: at the standards' own steady levels, over gaps, and in words."""

from __future__ import annotations

import math

import pytest
from assess_nights import CO, curve_of, make_table

from frametally.assess import DisplayFacts, assess, load_alarms
from frametally.assess.alarms import find_sounding

STANDARDS = {one.id: one for one in load_alarms()}


def sounding(values, standard, every_min=1.0, facts=CO, **more):
    found = find_sounding(curve_of(make_table(values, every_min=every_min, **more), facts), STANDARDS[standard])
    return found.may_from_min, found.must_by_min


@pytest.mark.parametrize(
    ("standard", "ppm", "may", "must"),
    [
        # EN 50291-1, 2010 with A1:2012, as the Dutch Health Council gives it.
        ("en-50291", 30, 120, math.inf),
        ("en-50291", 50, 60, 90),
        ("en-50291", 100, 10, 40),
        ("en-50291", 300, 0, 3),
        # UL 2034, as trade literature gives it; 30 days of silence are longer than this night.
        ("ul-2034", 30, math.inf, math.inf),
        ("ul-2034", 70, 60, 240),
        ("ul-2034", 150, 10, 50),
        ("ul-2034", 400, 4, 15),
    ],
)
def test_steady_levels_give_the_published_times(standard, ppm, may, must):
    assert sounding([ppm] * 301, standard) == pytest.approx((may, must))


def test_a_level_between_two_bands_keeps_the_silence_of_the_higher_and_the_duty_of_the_lower():
    assert sounding([60] * 301, "en-50291") == pytest.approx((10, 90))
    assert sounding([29] * 601, "en-50291")[1] == math.inf
    # Half of the lowest level uses up its silence of two hours half as fast.
    assert sounding([15] * 601, "en-50291")[0] == pytest.approx(240)
    assert sounding([0] * 601, "en-50291") == (math.inf, math.inf)


def test_a_break_starts_the_duty_anew_and_a_gap_is_one():
    levels = [55] * 80 + [20] * 5 + [55] * 100
    # Above 50 ppm again from a seventh of the minute before the 85th on.
    assert sounding(levels, "en-50291")[1] == pytest.approx(84 + 30 / 35 + 90)
    gap = [55] * 80 + [None] * 5 + [55] * 60
    assert sounding(gap, "en-50291")[1] == math.inf
    assert sounding(gap, "en-50291")[0] == pytest.approx(10)


def test_over_range_may_have_been_anything():
    low = DisplayFacts("co_ppm", "carbon monoxide", "ppm", range=(0, 100))
    flags = ["ok"] * 10 + ["over_range"] * 50
    values = [0] * 10 + [None] * 50
    may, must = sounding(values, "en-50291", facts=low, flags=flags)
    assert may == pytest.approx(9)
    assert must == pytest.approx(10 + 40)


def test_findings_say_when_and_that_silence_keeps_no_limit():
    result = assess(make_table([120] * 61, every_min=1), [CO])
    texts = {f.title: f for f in result.findings if f.slug == "alarm-standard"}
    assert "A carbon monoxide alarm to EN 50291-1 must have sounded by 40 min after the start" in texts
    assert [f.tone for f in texts.values()] == ["danger", "warning"]
    quiet = assess(make_table([12] * 31, every_min=1), [CO])
    silent = [f for f in quiet.findings if f.slug == "alarm-standard"]
    assert all("would have stayed silent" in f.title for f in silent)
    assert all("does not mean that the air keeps the limits" in f.text for f in silent)
    assert quiet.topics["alarms"] == {
        "standards": [
            {"standard": "en-50291", "may_sound_from_min": None, "must_sound_by_min": None},
            {"standard": "ul-2034", "may_sound_from_min": None, "must_sound_by_min": None},
        ]
    }


def test_no_carbon_monoxide_no_alarm():
    assert "alarms" not in assess(make_table([20.9] * 5, key="o2_pct")).topics
    assert "alarms" not in assess(make_table([None] * 5), [CO]).topics
