"""Laws that hold for every night: bounds enclose, gaps never narrow, worse readings never soften, units change nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd
import pytest
from assess_nights import CO, CO_EXACT, comparisons_of, curve_of, make_table, verdicts_of
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.assess import DisplayFacts, assess, assessment_to_dict, load_alarms, load_limits
from frametally.assess.alarms import Sounding, find_sounding
from frametally.assess.comparisons import by_family
from frametally.assess.exposure import Bounded, as_rolling, build_curve, dose, mean, minutes_above, worst_window
from frametally.assess.hourly import worst_hours
from frametally.assess.samples import read_samples
from frametally.assess.units import factor, tidy_unit
from frametally.assess.verdicts import judge
from frametally.model import Accuracy

CO_RANGED = DisplayFacts("co_ppm", "carbon monoxide", "ppm", range=(0, 999), accuracy=Accuracy(absolute=3, relative=0.1))
RANK = {"does not exceed": 0, "undecided": 1, "exceeds": 2}
LAW = settings(max_examples=60, deadline=None)
NEAR = 1e-6

readings = st.tuples(
    st.integers(0, 400), st.sampled_from(["ok", "ok", "ok", "ok", "repaired", "doubtful", "over_range", "under_range", "hidden"])
)
nights = st.lists(readings, min_size=2, max_size=40)
intervals = st.sampled_from([4.0, 15.0, 30.0])


def table_of(night: list[tuple[int, str]], every_min: float) -> pd.DataFrame:
    valued = {"ok", "repaired", "doubtful"}
    return make_table(
        [value if flag in valued else None for value, flag in night], flags=[flag for _, flag in night], every_min=every_min
    )


def figures_of(table: pd.DataFrame, past_the_hour_min: float = 17.0) -> list[Bounded]:
    """Every bounded figure of a night: means of every kind, and the time above 35 and 200 ppm."""
    curve = curve_of(table)
    windows = [
        one
        for length in (15, 60, 480, 1440)
        for fixed in (worst_window(curve, length),)
        for one in (fixed, None if fixed is None else as_rolling(fixed, length))
    ]
    windows += [worst_hours(curve, length, past_the_hour_min) for length in (60, 480)]
    averages = [mean(curve), *(one.bounds for one in windows if one is not None)]
    return [*averages, minutes_above(curve, 35), minutes_above(curve, 200)]


def soundings_of(table: pd.DataFrame) -> list[Sounding]:
    """When an alarm of each standard sounds."""
    return [find_sounding(curve_of(table), standard) for standard in load_alarms()]


@LAW
@given(nights, intervals)
def test_bounds_enclose_the_middle(night, every_min):
    for figure in figures_of(table_of(night, every_min)):
        assert figure.lower <= figure.upper
        assert math.isnan(figure.middle) or figure.lower <= figure.middle <= figure.upper


@LAW
@given(nights, intervals, st.data())
def test_a_new_gap_never_narrows_the_bounds(night, every_min, data):
    """Any reading but the highest, which the upper bound rests on, may be lost; a doubtful one may be any."""
    valued = [value for value, flag in night if flag in {"ok", "repaired", "doubtful"}]
    place = data.draw(st.integers(0, len(night) - 1))
    value, flag = night[place]
    is_only_highest = flag in {"ok", "repaired", "doubtful"} and value == max(valued) and valued.count(value) == 1
    lost = (
        "doubtful"
        if is_only_highest or flag in {"over_range", "under_range"}
        else data.draw(st.sampled_from(["hidden", "doubtful"]))
    )
    if flag in {"over_range", "under_range", "hidden"}:
        return
    changed = [*night[:place], (value, lost), *night[place + 1 :]]
    for before, after in zip(figures_of(table_of(night, every_min)), figures_of(table_of(changed, every_min)), strict=True):
        assert after.lower <= before.lower + NEAR
        assert after.upper >= before.upper - NEAR
    alarms = zip(soundings_of(table_of(night, every_min)), soundings_of(table_of(changed, every_min)), strict=True)
    for sounding, widened in alarms:
        assert widened.may_from_min <= sounding.may_from_min + NEAR
        assert widened.must_by_min >= sounding.must_by_min - NEAR


@LAW
@given(st.lists(st.tuples(st.integers(0, 400), st.booleans()), min_size=3, max_size=40), st.data())
def test_a_gap_never_narrows_the_bounds_of_displays_that_take_turns(photos, data):
    """Each photo shows carbon monoxide or, at the same place, oxygen; any photo but that of the highest reading may be lost."""

    def night_with(lost: int | None) -> list[Bounded]:
        shown = [(None, None) if k == lost else (value, None) if own else (None, 20.9) for k, (value, own) in enumerate(photos)]
        table = make_table([own for own, _ in shown]).assign(o2_pct=[math.nan if other is None else other for _, other in shown])
        facts = [replace(CO, shares=("o2_pct",)), DisplayFacts("o2_pct", "oxygen", "%", shares=("co_ppm",))]
        timeline, samples = read_samples(table, facts)
        curve = build_curve(timeline, samples[0])
        windows = [worst_window(curve, length) for length in (15, 60, 480)]
        return [mean(curve), minutes_above(curve, 35), *(one.bounds for one in windows if one is not None)]

    own = [value for value, is_own in photos if is_own]
    place = data.draw(st.integers(0, len(photos) - 1))
    if photos[place][1] and own.count(max(own)) == 1 and photos[place][0] == max(own):
        return
    for before, after in zip(night_with(None), night_with(place), strict=True):
        assert after.lower <= before.lower + NEAR
        assert after.upper >= before.upper - NEAR
        assert before.lower <= before.upper


@LAW
@given(nights, intervals)
def test_an_alarm_may_sound_before_it_must(night, every_min):
    for sounding in soundings_of(table_of(night, every_min)):
        assert sounding.may_from_min <= sounding.must_by_min


@LAW
@given(nights, intervals, st.integers(1, 300), st.data())
def test_raising_a_reading_never_softens_a_verdict(night, every_min, rise, data):
    place = data.draw(st.integers(0, len(night) - 1))
    value, flag = night[place]
    raised = [*night[:place], (value + rise, flag), *night[place + 1 :]]
    before, after = (verdicts_of(table_of(one, every_min), CO_EXACT) for one in (night, raised))
    assert set(before) == set(after)
    for limit, verdict in before.items():
        assert RANK[after[limit]] >= RANK[verdict], limit


@LAW
@given(nights, intervals, st.data())
def test_raising_a_reading_never_softens_a_finding(night, every_min, data):
    """The same for what is told: limits of one group make one finding, which names the one that counts."""
    place = data.draw(st.integers(0, len(night) - 1))
    value, flag = night[place]
    raised = [*night[:place], (value + data.draw(st.integers(1, 300)), flag), *night[place + 1 :]]
    groups = {limit.id: limit.group for limit in load_limits()}
    before, after = (
        {groups[f.limit]: f.verdict for f in map(judge, by_family(comparisons_of(table_of(one, every_min), CO_EXACT)))}
        for one in (night, raised)
    )
    for group, verdict in before.items():
        assert RANK[after[group]] >= RANK[verdict], group


@LAW
@given(nights, intervals, st.floats(0, 1))
def test_dose_of_two_parts_is_the_dose_of_the_whole(night, every_min, share):
    curve = curve_of(table_of(night, every_min))
    end = every_min * (len(night) - 1)
    cut = share * end
    whole, first, second = dose(curve, 0, end), dose(curve, 0, cut), dose(curve, cut, end)
    for name in ("lower", "middle", "upper"):
        assert getattr(first, name) + getattr(second, name) == pytest.approx(getattr(whole, name), rel=1e-9, abs=1e-6)


@LAW
@given(nights, intervals, st.floats(-1e4, 1e4))
def test_the_origin_of_time_changes_nothing(night, every_min, shift_min):
    table = table_of(night, every_min)
    moved = table.assign(elapsed_min=table["elapsed_min"] + shift_min)
    for before, after in zip(figures_of(table), figures_of(moved, 17.0 - shift_min), strict=True):
        assert (after.lower, after.middle, after.upper) == pytest.approx(
            (before.lower, before.middle, before.upper), rel=1e-6, abs=1e-6, nan_ok=True
        )


@LAW
@given(nights, intervals, st.sampled_from(["ppb", "mg/m³", "µg/m³", "MG/M3"]))
def test_the_unit_changes_nothing(night, every_min, unit):
    """The same night in another unit (mg/m³ at 25 °C): the mean by the factor between them, and every verdict the same."""
    by = factor("co_ppm", "ppm", tidy_unit(unit))
    in_ppm = verdicts_of(table_of(night, every_min), CO_RANGED)
    error = Accuracy(absolute=3 * by, relative=0.1)
    facts = DisplayFacts("co_ppm", "carbon monoxide", unit, range=(0, 999 * by), accuracy=error)
    assert verdicts_of(table_of([(value * by, flag) for value, flag in night], every_min), facts) == in_ppm
    means = [
        mean(curve_of(table_of([(v * f, flag) for v, flag in night], every_min), one)) for f, one in ((1, CO_RANGED), (by, facts))
    ]
    assert (means[1].lower, means[1].middle, means[1].upper) == pytest.approx(
        (means[0].lower * by, means[0].middle * by, means[0].upper * by), nan_ok=True
    )


@LAW
@given(nights, intervals, st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(night, every_min, random):
    table = table_of(night, every_min)
    order = list(range(len(table)))
    random.shuffle(order)
    assert assessment_to_dict(assess(table.iloc[order], [CO])) == assessment_to_dict(assess(table, [CO]))


@settings(max_examples=10, deadline=None)
@given(nights, intervals)
def test_findings_and_figures_give_the_same_verdicts(night, every_min):
    result = assess(table_of(night, every_min), [CO_EXACT])
    told = {finding.limit: finding.verdict for finding in result.findings if finding.slug == "limit"}
    figures = {row["limit"]: row["verdict"] for row in result.summary["co_ppm"]["limits"]}
    assert told.items() <= figures.items()
