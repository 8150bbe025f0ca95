"""Laws that hold for every night: bounds enclose, gaps never narrow, worse readings never soften, units change nothing."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from assess_nights import CO, CO_EXACT, curve_of, make_table
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.assess import assess, assessment_to_dict
from frametally.assess.exposure import Bounded, dose, mean, minutes_above, worst_window

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


def figures_of(table: pd.DataFrame) -> list[Bounded]:
    """Every bounded figure of a night: mean, worst eight hours, time above 35 and 200 ppm."""
    curve = curve_of(table)
    window = worst_window(curve, 480)
    averages = [mean(curve)] + ([window.bounds] if window else [])
    return [*averages, minutes_above(curve, 35), minutes_above(curve, 200)]


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


@LAW
@given(nights, intervals, st.integers(1, 300), st.data())
def test_raising_a_reading_never_softens_a_verdict(night, every_min, rise, data):
    place = data.draw(st.integers(0, len(night) - 1))
    value, flag = night[place]
    raised = [*night[:place], (value + rise, flag), *night[place + 1 :]]
    before, after = (assess(table_of(one, every_min), [CO_EXACT]).findings for one in (night, raised))
    verdicts = {finding.limit: finding.verdict for finding in after if finding.slug == "limit"}
    for finding in before:
        if finding.slug == "limit":
            assert RANK[verdicts[finding.limit]] >= RANK[finding.verdict]


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
    for before, after in zip(figures_of(table), figures_of(moved), strict=True):
        assert (after.lower, after.middle, after.upper) == pytest.approx(
            (before.lower, before.middle, before.upper), rel=1e-6, abs=1e-6, nan_ok=True
        )


@LAW
@given(nights, intervals)
def test_the_unit_changes_nothing(night, every_min):
    """The same night in parts per billion: a thousand times the mean."""
    in_ppm = mean(curve_of(table_of(night, every_min)))
    facts = CO.__class__("co_ppm", "carbon monoxide", "ppb", range=(0, 999_000))
    in_ppb = mean(curve_of(table_of([(value * 1000, flag) for value, flag in night], every_min), facts))
    assert (in_ppb.lower, in_ppb.middle, in_ppb.upper) == pytest.approx(
        (in_ppm.lower * 1000, in_ppm.middle * 1000, in_ppm.upper * 1000), nan_ok=True
    )


@LAW
@given(nights, intervals, st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(night, every_min, random):
    table = table_of(night, every_min)
    order = list(range(len(table)))
    random.shuffle(order)
    assert assessment_to_dict(assess(table.iloc[order], [CO])) == assessment_to_dict(assess(table, [CO]))
