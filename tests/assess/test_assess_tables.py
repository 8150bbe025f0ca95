"""Odd tables: a clear result or a clear refusal, never a crash."""

from __future__ import annotations

import json
import math
from datetime import datetime

import numpy as np
import pandas as pd
import pytest
from assess_nights import CO, O2, find, make_table, samples_of
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.assess import assess, assessment_to_dict
from frametally.assess.facts import facts_from_table
from frametally.assess.samples import State
from frametally.assess.wording import write_minutes, write_number
from frametally.errors import BadInput


def plain(table, displays=()):
    """The assessment as JSON and back; fails where a value is not plain."""
    return json.loads(json.dumps(assessment_to_dict(assess(table, displays)), allow_nan=False))


def test_empty_table():
    result = assess(make_table([]), [CO])
    assert result.findings[0].slug == "no-readings"
    assert "caution-sleep" in {finding.slug for finding in result.findings}
    assert plain(make_table([]), [CO])["summary"]["co_ppm"]["highest"] is None


def test_one_row():
    result = assess(make_table([40]), [CO])
    assert find(result, "highest").value == 40
    average = find(result, "limit", limit="osha-co-pel")
    assert (average.verdict, average.value, average.lower, average.upper) == ("undecided", None, None, None)
    assert "no average" in average.text


def test_nothing_was_read():
    result = assess(make_table([None] * 5), [CO])
    assert "limit" not in {finding.slug for finding in result.findings}
    quality = find(result, "reading-quality")
    assert (quality.tone, quality.value) == ("warning", 0)
    assert plain(make_table([None] * 5), [CO])["summary"]["co_ppm"]["mean"] == {"lower": 0, "middle": None, "upper": None}


def test_only_doubtful_readings():
    result = assess(make_table([40, 50, 60], flags=["doubtful"] * 3), [CO])
    peak = find(result, "highest")
    assert (peak.value, peak.lower, peak.upper, peak.verified) == (60, None, 60, False)
    assert {finding.verdict for finding in result.findings if finding.slug == "limit"} == {"undecided"}


def test_no_times_at_all():
    table = make_table([10, 300, 20]).drop(columns="elapsed_min")
    result = assess(table, [CO])
    assert find(result, "highest").text.startswith("In the photo f0001.jpg, whose time is not known, ")
    assert find(result, "limit", limit="niosh-co-ceiling").verdict == "exceeds"
    assert find(result, "limit", limit="osha-co-pel").value is None
    assert "3 of 3 rows" in find(result, "no-times").text


def test_some_times_missing():
    table = make_table([10, 10, 900, 10, 10])
    table.loc[2, "elapsed_min"] = math.nan
    result = assess(table, [CO])
    assert find(result, "highest").value == 900
    assert find(result, "mean").value == pytest.approx(10)
    assert "1 of 5 rows" in find(result, "no-times").text


def test_elapsed_is_filled_from_the_time():
    table = pd.DataFrame(
        {
            "time": ["2026-10-30T22:00", "2026-10-30T22:04", "2026-10-30T22:08"],
            "elapsed_min": [10, math.nan, 18],
            "co_ppm": [1, 2, 3],
        }
    )
    timeline, _ = samples_of(table)
    assert timeline.elapsed_min.tolist() == [10, 14, 18]


def test_times_may_be_text_or_datetimes_with_or_without_offset():
    text = ["2026-10-30T23:56:00+01:00", "2026-10-31T00:00:00+01:00", "2026-10-31T00:04:00+01:00"]
    stamps = [datetime.fromisoformat(one) for one in text]
    for times in (text, stamps, pd.to_datetime(text), [s.replace(tzinfo=None) for s in stamps]):
        result = assess(pd.DataFrame({"time": times, "co_ppm": [1, 9, 1]}))
        assert find(result, "highest").text.startswith("At 00:00 ")
        assert result.summary["co_ppm"]["span_min"] == pytest.approx(8)


def test_clock_change_is_followed():
    """Clocks go back from +01:00 to +00:00: four minutes pass, the local time jumps back by 56."""
    times = ["2026-10-25T01:56:00+01:00", "2026-10-25T01:00:00+00:00", "2026-10-25T01:04:00+00:00"]
    result = assess(pd.DataFrame({"time": times, "co_ppm": [1, 2, 9]}))
    assert result.summary["co_ppm"]["span_min"] == pytest.approx(8)
    assert find(result, "highest").text.startswith("At 01:04 ")


def test_longer_series_name_the_day():
    table = pd.DataFrame({"time": pd.date_range("2026-10-30 12:00", periods=31, freq="h"), "co_ppm": [1.0] * 30 + [9.0]})
    assert find(assess(table), "highest").text.startswith("At 18:00 on 31 October ")


def test_repeated_and_unsorted_times():
    table = make_table([10, 20, 30, 40], elapsed_min=[8, 0, 8, 4])
    result = assess(table, [CO])
    # In order: 20 at 0, 40 at 4, then 10 and 30 at 8 (by the photo's name).
    assert find(result, "mean").value == pytest.approx((30 * 4 + 25 * 4) / 8)


def test_table_without_flags_or_frames():
    result = assess(pd.DataFrame({"elapsed_min": [0, 1, 2, 3], "co_ppm": [1, np.nan, 3, 4]}))
    assert result.summary["co_ppm"]["gaps"] == 1
    assert result.summary["co_ppm"]["settled"] == 3
    assert find(result, "highest").evidence == ()
    assert "the display co_ppm showed 4 ppm of carbon monoxide" in find(result, "highest").text


def test_words_of_a_logger_keep_their_meaning():
    """Common practice, no source: OL is over range; a word that means nothing to us, or two things like Lo, is a gap."""
    _, samples = samples_of(pd.DataFrame({"elapsed_min": [0, 1, 2, 3, 4], "co_ppm": ["12", "OL", "Lo", "n/a", ""]}))
    assert samples.states.tolist() == [State.SETTLED, State.OVER, State.GAP, State.GAP, State.GAP]
    assert samples.values[0] == 12


def test_value_beside_a_flag_without_one_is_not_used():
    _, samples = samples_of(make_table([5, 7, 9], flags=["ok", "hidden", "over_range"]))
    assert np.isnan(samples.values[1:]).all()
    assert samples.top == 999


def test_ok_without_a_number_is_a_gap():
    _, samples = samples_of(make_table([5, None], flags=["ok", "ok"]))
    assert samples.states.tolist() == [State.SETTLED, State.GAP]


def test_displays_are_guessed_from_headers():
    table = pd.DataFrame(columns=["time", "cabin_o2_pct", "fan_rpm", "fan_rpm_flag", "note", "temp_f"])
    facts = {one.key: (one.quantity, one.unit) for one in facts_from_table(table)}
    assert facts == {"cabin_o2_pct": ("oxygen", "%"), "fan_rpm": ("fan_rpm", ""), "temp_f": ("temperature", "°F")}


@pytest.mark.parametrize(
    ("table", "displays", "says"),
    [
        (pd.DataFrame({"time": ["2026-10-30T22:00"], "Carbon": [1]}), [], "--column"),
        (make_table([1]), [O2], "no column 'o2_pct'"),
        (make_table([1]), [CO, CO], "Two displays"),
        (make_table([1], flags=["doubtfull"]), [CO], "did you mean 'doubtful'"),
        (make_table([1], flags=["xyz"]), [CO], "flags are ok"),
        (pd.DataFrame({"elapsed_min": [0], "co_ppm": ["20,9"]}), [CO], "point as the decimal sign"),
        (pd.DataFrame({"elapsed_min": [0], "co_ppm": [math.inf]}), [CO], "no display can show"),
        (pd.DataFrame({"elapsed_min": [0], "co_ppm": [-1e300]}), [CO], "no display can show"),
        (pd.DataFrame({"elapsed_min": [0], "co_ppm": [True]}), [CO], "true and false"),
        (pd.DataFrame({"elapsed_min": ["later"], "co_ppm": [1]}), [CO], "number of minutes"),
        (pd.DataFrame({"time": ["30.10.2026 22:00"], "co_ppm": [1]}), [CO], "Row 1 of the table: the time"),
        (pd.DataFrame({"time": ["2026-10-30T22:00", "2026-10-30T22:04+00:00"], "co_ppm": [1, 2]}), [CO], "offset"),
        (pd.DataFrame([[0, 1, 2]], columns=["elapsed_min", "co_ppm", "co_ppm"]), [CO], "two columns called 'co_ppm'"),
        (pd.DataFrame([["a", "b", 2]], columns=["frame", "frame", "co_ppm"]), [CO], "two columns called 'frame'"),
    ],
)
def test_bad_tables_are_refused_with_a_reason(table, displays, says):
    with pytest.raises(BadInput, match=says):
        assess(table, displays)


cells = st.none() | st.floats() | st.integers(-50, 2000) | st.sampled_from(["", "OL", "12.5", "----", "nan", "?", "1,5"])
times = (
    st.none()
    | st.datetimes(min_value=datetime(2020, 1, 1), max_value=datetime(2030, 1, 1))
    | st.sampled_from(["", "2026-10-30T22:00:00", "2026-10-30T22:00:00+01:00", "noon"])
)
flags = st.sampled_from(["ok", "doubtful", "over_range", "under_range", "blank", "", "none of these"])


def _has_absurd_number(row):
    return any(isinstance(cell, float) and abs(cell) > 1e9 for cell in row)


def _mixes_offsets(rows):
    known = [datetime.fromisoformat(row[0]) if isinstance(row[0], str) else row[0] for row in rows if row[0]]
    return len({one.utcoffset() is None for one in known}) > 1


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(times, cells, flags, cells), max_size=8))
def test_any_table_gives_plain_findings_or_a_clear_refusal(rows):
    table = pd.DataFrame(
        {
            "time": pd.Series([row[0] for row in rows], dtype=object),
            "co_ppm": pd.Series([row[1] for row in rows], dtype=object),
            "co_ppm_flag": pd.Series([row[2] for row in rows], dtype=object),
            "o2_pct": pd.Series([row[3] for row in rows], dtype=object),
        }
    )
    try:
        result = plain(table)
    except BadInput:
        # The cells above hold every kind of fault; refusing them is right, any other exception fails the test.
        assert any(row[2] == "none of these" or "1,5" in row or "noon" in row or _has_absurd_number(row) for row in rows) or (
            _mixes_offsets(rows)
        )
        return
    assert {"co_ppm", "o2_pct"} == set(result["summary"])
    assert len(result["findings"]) >= 3


@pytest.mark.parametrize(
    ("minutes", "text"),
    [(0, "0 min"), (0.2, "under 1 min"), (0.5, "1 min"), (59.4, "59 min"), (59.6, "1 h"), (100, "1 h 40 min"), (480, "8 h")],
)
def test_durations_in_words(minutes, text):
    assert write_minutes(minutes) == text


def test_numbers_in_words():
    assert [write_number(193.0, 0), write_number(-0.04, 1), write_number(-3.46, 1)] == ["193", "0.0", "-3.5"]
