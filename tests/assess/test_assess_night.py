"""The whole assessment: the demo night with its known truth, peaks that are not settled, two instruments, what must be said."""

from __future__ import annotations

import json
import time

import numpy as np
import pandas as pd
import pytest
from assess_nights import CO, CO_EXACT, O2, average_of, demo_night, find, make_steps, make_table

from frametally.assess import DisplayFacts, assess, assessment_to_dict, from_display
from frametally.model import Accuracy, Trial

WALL = DisplayFacts("wall_co_ppm", "carbon monoxide", "ppm", range=(0, 100), instrument="wall unit")
WALL_ALONE = DisplayFacts("co_ppm", "carbon monoxide", "ppm", range=(0, 100))


@pytest.fixture(scope="module")
def demo():
    table, calibration, trial = demo_night()
    return assess(table, calibration.displays, trial)


def test_demo_peak_is_the_real_spike(demo):
    """Truth of the demo night: 193 ppm on the hand-held in cabin_0118.jpg at 05:28, the wall unit off its range."""
    peak = find(demo, "highest", key="co_ppm")
    assert (peak.value, peak.lower, peak.upper, peak.unit) == (193, 193, 193, "ppm")
    assert peak.evidence == ("cabin_0118.jpg",)
    assert peak.verified
    assert peak.text.startswith("At 05:28 the hand-held gas monitor showed 193 ppm of carbon monoxide, the highest of the night.")
    wall = find(demo, "highest", key="wall_co_ppm")
    assert (wall.value, wall.lower, wall.upper) == (100, 100, None)
    assert wall.evidence[:2] == ("cabin_0118.jpg", "cabin_0119.jpg")
    assert "at least 100 ppm" in wall.title
    assert "74 ppm, at 05:36" in wall.text


def test_demo_oxygen(demo):
    low = find(demo, "lowest", key="o2_pct")
    assert low.value == 19.9
    assert low.evidence[0] == "cabin_0019.jpg"
    assert "9 photos" in low.text
    # 19.9 - 0.3 (the stated error) is still at or above 19.5: 29 CFR 1910.146(b).
    assert find(demo, "limit", limit="osha-o2-deficient").verdict == "does not exceed"
    assert find(demo, "limit", limit="osha-o2-enriched").verdict == "does not exceed"


def test_demo_limits_for_carbon_monoxide(demo):
    # 193 ppm with a stated error of 20 ppm at 200 ppm: the display cannot tell on which side of the ceiling it was.
    ceiling = find(demo, "limit", limit="niosh-co-ceiling")
    assert (ceiling.verdict, ceiling.value, ceiling.key) == ("undecided", 193, "co_ppm")
    assert "stated error of 20 ppm" in ceiling.text
    pel = find(demo, "limit", limit="osha-co-pel")
    assert pel.verdict == "does not exceed"
    assert pel.lower < pel.value < pel.upper < 45
    assert find(demo, "limit", limit="niosh-co-rel").verdict == "undecided"
    assert find(demo, "limit", limit="niosh-co-idlh").verdict == "does not exceed"


def test_demo_average_agrees_with_a_plain_sum(demo):
    """The middle value again, from the truth alone: a scan of every eight hours that begin at a photo."""
    table, _, _ = demo_night()
    moments = pd.to_datetime(table["time"])
    minutes = ((moments - moments.iloc[0]).dt.total_seconds() / 60).to_numpy()
    values = table["co_ppm"].to_numpy()
    long = np.diff(minutes)
    good = np.isfinite(values[:-1]) & np.isfinite(values[1:]) & (long <= 6)
    area = np.where(good, (values[:-1] + values[1:]) / 2 * long, 0.0)
    sums = {
        start: area[(minutes[:-1] >= start) & (minutes[1:] <= start + 480)].sum()
        for start in minutes[minutes <= minutes[-1] - 480]
    }
    average = average_of(demo, "co_ppm", "twa-fixed", 480)
    assert average["lower"] == pytest.approx(max(sums.values()) / 480, rel=2e-3)
    assert average["lower"] >= max(sums.values()) / 480 - 1e-9


def test_demo_counts(demo):
    summary = demo.summary["wall_co_ppm"]
    assert (summary["rows"], summary["settled"], summary["over_range"], summary["gaps"]) == (148, 142, 2, 4)
    quality = find(demo, "reading-quality", key="rh_pct")
    assert "142 of 148" in quality.title
    assert quality.evidence[:2] == ("cabin_0060.jpg", "cabin_0061.jpg")


def test_demo_asks_only_for_what_the_trial_lacks(demo):
    text = find(demo, "missing-facts").text
    assert "coldest inside surface" in text
    assert "volume of the space" not in text
    table, calibration, _ = demo_night()
    bare = find(assess(table, calibration.displays), "missing-facts")
    assert "No trial file" in bare.text
    assert "volume of the space" in bare.text
    assert bare.text.count("needed to tell") > text.count("needed to tell")


def test_alarm_points_are_held_against_the_highest_reading(demo):
    """The demo's trial states alarms at 35 and 200 ppm for the hand-held, and none for the wall unit."""
    text = find(demo, "highest", key="co_ppm").text
    assert "Its alarm points are 35 and 200 ppm; this reading reached 35 ppm." in text
    assert "alarm point" not in find(demo, "lowest", key="co_ppm").text
    assert "alarm point" not in find(demo, "highest", key="wall_co_ppm").text
    trial = Trial.model_validate({"format": 1, "instrument": [{"name": "hand-held", "co_alarm_ppm": [50]}]})
    for value, told in ((49, "did not reach it"), (50, "reached it")):
        peak = find(assess(make_table([10, value]), [CO], trial), "highest")
        assert f"Its alarm point is 50 ppm; this reading {told}." in peak.text


def test_the_instrument_that_lacks_a_fact_is_named(demo):
    """The demo's trial: the hand-held was tested on 24 October, the wall unit's response times are given."""
    text = find(demo, "missing-facts").text
    assert "When the wall unit was last tested with gas (known for the hand-held gas monitor: 24 October 2026)" in text
    assert "How quickly the hand-held gas monitor responds" in text
    assert "each instrument" not in text


def test_findings_come_by_weight_and_cautions_always(demo):
    weights = [finding.weight for finding in demo.findings]
    assert weights == sorted(weights)
    slugs = {finding.slug for finding in demo.findings}
    assert {"caution-sleep", "caution-screening", "caution-rules", "who-limits-protect"} <= slugs
    assert "asleep" in find(demo, "who-limits-protect").text
    assert "alarm" in find(demo, "caution-sleep").text


def test_json_form_is_plain_and_repeats(demo):
    text = json.dumps(assessment_to_dict(demo), allow_nan=False)
    table, calibration, trial = demo_night()
    assert json.dumps(assessment_to_dict(assess(table, calibration.displays, trial)), allow_nan=False) == text
    back = json.loads(text)
    assert {row["upper"] for row in back["summary"]["wall_co_ppm"]["averages"]} == {None}
    assert len(back["findings"]) == len(demo.findings)


def test_table_is_not_changed():
    table, calibration, trial = demo_night()
    before = table.copy(deep=True)
    assess(table, calibration.displays, trial)
    pd.testing.assert_frame_equal(table, before)


def test_same_instants_in_another_zone_give_the_same_figures():
    table, calibration, trial = demo_night()
    moved = table.assign(time=[t.isoformat() for t in pd.to_datetime(table["time"]).dt.tz_convert("Etc/GMT-2")])
    first, second = assess(table, calibration.displays, trial), assess(moved, calibration.displays, trial)
    assert second.summary["co_ppm"]["averages"] == first.summary["co_ppm"]["averages"]
    assert find(second, "highest", key="co_ppm").text.startswith("At 07:28")


@pytest.mark.parametrize(
    ("values", "facts", "verdict", "tone"),
    [
        ([205, 205, 205], CO, "exceeds", "danger"),
        ([200, 200, 200], CO, "does not exceed", "calm"),
        # A stated error of 10 %: 205 ppm may be 185, so the limit may not have been passed; still a danger.
        ([205, 205, 205], CO_EXACT, "undecided", "danger"),
        ([230, 230, 230], CO_EXACT, "exceeds", "danger"),
    ],
)
def test_ceiling(values, facts, verdict, tone):
    """NIOSH ceiling, 200 ppm."""
    finding = find(assess(make_table(values), [facts]), "limit", limit="niosh-co-ceiling")
    assert (finding.verdict, finding.tone) == (verdict, tone)


def test_low_oxygen():
    """29 CFR 1910.146(b): below 19.5 %; the instrument's stated error is 0.3 %."""
    finding = find(assess(make_table([20.5, 19.0, 20.0], key="o2_pct"), [O2]), "limit", limit="osha-o2-deficient")
    assert (finding.verdict, finding.value, finding.evidence) == ("exceeds", 19.0, ("f0001.jpg",))
    near = find(assess(make_table([20.5, 19.4, 20.0], key="o2_pct"), [O2]), "limit", limit="osha-o2-deficient")
    assert (near.verdict, near.tone) == ("undecided", "danger")
    open_end = make_table([20.5, None, 20.0], flags=["ok", "under_range", "ok"], key="o2_pct")
    assert find(assess(open_end, [O2]), "limit", limit="osha-o2-deficient").verdict == "exceeds"


def test_exceeding_the_eight_hour_limit():
    """29 CFR 1910.1000(d)(1)(ii): the example's 81.25 ppm against the PEL of 50 ppm."""
    result = assess(make_steps([(150, 2), (75, 2), (50, 4)]), [CO])
    pel = find(result, "limit", limit="osha-co-pel")
    assert (pel.verdict, round(pel.value, 2)) == ("exceeds", 81.25)
    assert result.findings[0].verdict == "exceeds"
    assert any("1910.1000" in source for source in pel.sources)


def test_short_night_says_what_it_does_with_the_rest():
    pel = find(assess(make_steps([(20, 7)]), [CO]), "limit", limit="osha-co-pel")
    assert pel.verdict == "does not exceed"
    assert "the other 1 h, which nobody measured" in pel.text


def test_a_night_far_shorter_than_the_average_has_none():
    """A figure of 59 min spread over 8 h would look harmless: it is not given, and the verdict stays open."""
    table = make_table([72] * 60, every_min=1)
    pel = find(assess(table, [CO]), "limit", limit="osha-co-pel")
    assert (pel.verdict, pel.value, pel.lower, pel.upper) == ("undecided", None, None, None)
    assert pel.title == "Carbon monoxide averaged over 8 h: not known, 59 min measured (OSHA permissible exposure limit (PEL))"
    assert "59 min were measured" in pel.text
    assert "7 h 1 min of 8 h are unknown: there is no 8 h average" in pel.text
    assert "it was 72.0 ppm on average" in pel.text
    assert "8.9" not in pel.text
    assert pel.tone == "danger", "72 ppm while it was measured is above the limit's 50 ppm"
    calm = find(assess(make_table([20] * 60, every_min=1), [CO]), "limit", limit="osha-co-pel")
    assert (calm.verdict, calm.tone) == ("undecided", "warning")


def test_a_short_night_that_passes_the_average_all_the_same_is_told_so():
    """29 CFR 1910.1000(d)(1)(i): 2 h at 240 ppm are 60 ppm over eight hours, whatever the other six held."""
    pel = find(assess(make_steps([(240, 2)]), [CO]), "limit", limit="osha-co-pel")
    assert (pel.verdict, pel.value) == ("exceeds", pytest.approx(60))


def test_the_end_of_a_range_that_nobody_stated_is_not_claimed():
    bare = DisplayFacts("wall_co_ppm", "carbon monoxide", "ppm")
    table = make_table([10, 44, None, 20], flags=["ok", "ok", "over_range", "ok"], key="wall_co_ppm")
    peak = find(assess(table, [bare]), "highest")
    assert (peak.value, peak.lower, peak.upper) == (None, 44, None)
    assert "top of its range" not in peak.text
    assert "44" not in peak.title
    assert "it is not below 44 ppm" in peak.text
    ceiling = find(assess(table, [bare]), "limit", limit="niosh-co-ceiling")
    assert (ceiling.verdict, ceiling.upper) == ("undecided", None)
    assert "the end of its range is not stated" in ceiling.text
    assert find(assess(table, [bare]), "limit", limit="niosh-co-idlh").verdict == "undecided"
    low = make_table([20.5, 20.2, None], flags=["ok", "ok", "under_range"], key="o2_pct")
    oxygen = find(assess(low), "lowest")
    assert (oxygen.value, oxygen.lower, oxygen.upper) == (None, None, 20.2)
    assert "bottom of its range" not in oxygen.text


def test_hand_corrected_readings_are_named_with_the_extremes():
    made = find(assess(make_table([10, 193, 12], flags=["ok", "corrected", "ok"]), [CO]), "highest")
    assert made.title.endswith("193 ppm (corrected by hand)")
    assert "This value was corrected by hand." in made.text
    assert made.tone == "warning"
    hidden = find(assess(make_table([10, 39, 52], flags=["ok", "corrected", "ok"]), [CO]), "highest")
    assert "by hand" not in hidden.title
    assert "1 reading of this display was corrected by hand (39 ppm, 4 min after the start)" in hidden.text
    assert "f0001.jpg" in hidden.evidence
    none = find(assess(make_table([10, 39, 52]), [CO]), "highest")
    assert "by hand" not in none.text


def test_a_highest_reading_that_may_have_missed_worse_says_so():
    table = make_table([150] + [20] * 8 + [None]).assign(
        wall_co_ppm=[20.0] * 9 + [np.nan], wall_co_ppm_flag=["ok"] * 9 + ["over_range"]
    )
    peak = find(assess(table, [CO, WALL]), "highest", key="co_ppm")
    assert peak.title.endswith("at least 150 ppm")
    assert "may have missed worse" in peak.text


def test_an_open_upper_figure_is_not_explained_as_the_highest_reading():
    table = make_steps([(20, 4), (None, 1), (20, 4)])
    table.loc[0, "co_ppm_flag"] = "over_range"
    pel = find(assess(table, [CO]), "limit", limit="osha-co-pel")
    assert "no known upper end" in pel.text
    assert "the upper one as" not in pel.text
    closed = find(assess(make_steps([(20, 4), (None, 1), (20, 4)]), [CO]), "limit", limit="osha-co-pel")
    assert "the upper one as the highest reading" in closed.text


def test_unread_time_does_not_speak_against_the_readings(demo):
    """A verdict on the readings and "below the limit for 0 to 36 min" beside it would contradict each other."""
    beyond = find(demo, "time-beyond", key="o2_pct")
    assert "below 19.5 % in no settled reading, with" in beyond.title
    assert find(demo, "limit", limit="osha-o2-deficient").title.startswith("Oxygen not seen below 19.5 %")


def test_mostly_unread_night_is_never_cleared():
    result = assess(make_steps([(5, 1), (None, 5), (5, 2)]), [CO])
    pel = find(result, "limit", limit="osha-co-pel")
    assert pel.upper < 50
    assert pel.verdict == "undecided"
    assert "too little was settled" in pel.text


def test_doubtful_peak_is_unverified_and_stands_beside_the_settled_one():
    table = make_table([10, 893, 30, 10], flags=["ok", "doubtful", "ok", "ok"])
    result = assess(table, [CO])
    peak = find(result, "highest")
    assert (peak.value, peak.lower, peak.upper, peak.verified) == (893, 30, 893, False)
    assert "unverified" in peak.title
    assert "30 ppm" in peak.text
    assert peak.evidence == ("f0001.jpg", "f0002.jpg")
    ceiling = find(result, "limit", limit="niosh-co-ceiling")
    assert (ceiling.verdict, ceiling.verified) == ("undecided", False)


def test_doubtful_reading_below_the_peak_leaves_it_verified():
    peak = find(assess(make_table([10, 20, 30], flags=["ok", "doubtful", "ok"]), [CO]), "highest")
    assert (peak.value, peak.verified) == (30, True)


def test_of_two_instruments_the_higher_counts():
    table = make_table([20] * 10).assign(wall_co_ppm=[60.0] * 10, wall_co_ppm_flag="ok")
    finding = find(assess(table, [CO, WALL]), "limit", limit="niosh-co-ceiling")
    assert (finding.key, finding.value) == ("wall_co_ppm", 60)
    assert "hand-held gives 20 ppm" in finding.text.replace("The ", "")


def test_one_instrument_hidden_while_the_other_is_over_range_clears_nothing():
    table = make_table([150] + [20] * 8 + [None]).assign(
        wall_co_ppm=[20.0] * 9 + [np.nan], wall_co_ppm_flag=["ok"] * 9 + ["over_range"]
    )
    finding = find(assess(table, [CO, WALL]), "limit", limit="niosh-co-ceiling")
    assert (finding.key, finding.verdict, finding.upper) == ("co_ppm", "undecided", None)
    alone = find(assess(table, [CO]), "limit", limit="niosh-co-ceiling")
    assert alone.verdict == "does not exceed"


def test_one_instrument_over_range_while_the_other_reads_is_settled_by_the_other():
    table = make_table([20] * 8 + [150, 20]).assign(
        wall_co_ppm=[20.0] * 8 + [np.nan, 20.0], wall_co_ppm_flag=["ok"] * 8 + ["over_range", "ok"]
    )
    assert find(assess(table, [CO, WALL]), "limit", limit="niosh-co-ceiling").verdict == "does not exceed"


def test_quantity_without_limits_is_charted_but_not_judged():
    result = assess(make_table([1.5, 2.5, 2.0], key="draught_pa"), [DisplayFacts("draught_pa", "draught", "Pa", resolution=0.1)])
    assert find(result, "highest").title == "Highest draught, draught_pa: 2.5 Pa"
    assert not [finding for finding in result.findings if finding.slug in {"limit", "who-limits-protect"}]
    assert result.summary["draught_pa"]["mean"]["middle"] == pytest.approx(2.125)


def test_display_of_a_calibration_gives_its_facts():
    _, calibration, _ = demo_night()
    facts = from_display(calibration.displays[0])
    assert (facts.key, facts.kind, facts.range, facts.instrument) == ("co_ppm", "co_ppm", (0, 999), "hand-held gas monitor")
    assert facts.accuracy == Accuracy(absolute=3, relative=0.1)


def test_whole_trial_leaves_nothing_to_ask():
    trial = Trial.model_validate(
        {
            "format": 1,
            "space": {"volume_m3": 24, "altitude_m": 95, "coldest_surface_c": 9},
            "appliance": [
                {
                    "fuel": "wood",
                    "flue": True,
                    "heat_input_kw": 3,
                    "heat_basis": "net",
                    "on": "2026-10-30T20:50:00Z",
                    "off": "2026-10-31T07:00:00Z",
                }
            ],
            "vent": [{"free_area_cm2": 70, "open": True}],
            "people": {"sleeping": 0},
            "outdoor": {"temp_c": 4, "rh_pct": 88},
            "instrument": [{"name": "hand-held", "last_bump_test": "2026-10-24", "response_t90_s": {"co": 60}}],
        }
    )
    assert "missing-facts" not in {finding.slug for finding in assess(make_table([1, 2]), [CO], trial).findings}


def test_a_thousand_frames_of_five_displays_take_under_three_seconds():
    rng = np.random.default_rng(3)
    table = pd.DataFrame({"elapsed_min": np.arange(1000.0), "frame": [f"f{i:04d}.jpg" for i in range(1000)]})
    for key, centre in {"co_ppm": 40, "wall_co_ppm": 38, "o2_pct": 20, "temp_c": 22, "rh_pct": 45}.items():
        table[key] = centre + rng.normal(0, 1, 1000).round(1)
        table[f"{key}_flag"] = rng.choice(["ok", "doubtful", "over_range", "hidden"], 1000, p=[0.9, 0.05, 0.01, 0.04])
    assess(table.head(20))  # imports are not the assessment's
    start = time.process_time()
    assess(table)
    assert time.process_time() - start < 3.0


def test_longest_unread_stretch_is_named(demo):
    """By the truth: the hand-held was hidden in 0043 and 0044 (00:24 to 00:36); two other stretches are shorter."""
    assert "lasted 12 min, from 00:24." in find(demo, "reading-quality", key="co_ppm").text
    two = find(assess(make_table([1, None, 1, 1, None, 1, 1]), [CO]), "reading-quality")
    assert "lasted 8 min, from the start." in two.text


def test_time_above_names_only_levels_that_were_reached(demo):
    text = find(demo, "time-beyond", key="co_ppm").text
    assert "above 50 ppm" in text
    assert "200 ppm" not in text
    # The wall unit went off its range, so it may have been above any level.
    assert "above 1200 ppm in no settled reading, with" in find(demo, "time-beyond", key="wall_co_ppm").text


def test_an_undecided_verdict_names_its_reason(demo):
    assert "the instrument's stated error reaches across the limit" in find(demo, "limit", limit="niosh-co-ceiling").text
    assert "gaps and doubtful readings leave both open" in find(demo, "limit", limit="niosh-co-rel").text
    lone = find(
        assess(make_table([20, None, 20, 20], flags=["ok", "over_range", "ok", "ok"]), [WALL_ALONE]),
        "limit",
        limit="niosh-co-ceiling",
    )
    assert "how far it went is not known" in lone.text
