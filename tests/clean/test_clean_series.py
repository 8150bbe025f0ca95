"""From the journal's records to the two tables: every frame a row, gaps stay gaps, raw beside clean, corrections on top."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pandas as pd
import pytest
from clean_nights import CO, OXYGEN, SHIFT, START, WALL_CO, Correction, night, nothing, numbers, reading, record, word
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.clean import Tables, make_tables
from frametally.clean.series import MOST_GAP_ROWS
from frametally.model import AUDIT_COLUMNS, Display, Flag, FrameRecord, Method, Reading, reading_columns

METHOD = Method()
DISPLAYS = (CO, OXYGEN)
RAW = ["frame", "display", "raw_text", "raw_value", "rival_text", "rival_confidence", "reader", "sharpness", "quality"]


def tables(
    records: list[FrameRecord],
    displays: tuple[Display, ...] = DISPLAYS,
    corrections: dict[tuple[str, str], Correction] | None = None,
) -> Tables:
    return make_tables(records, displays, METHOD, corrections)


def calm_night(count: int = 10) -> list[FrameRecord]:
    return night({"co_ppm": numbers([20 + i % 2 for i in range(count)]), "o2_pct": numbers([20.8] * count)})


# --- columns ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 1, 7])
@pytest.mark.parametrize("displays", [(CO,), (CO, OXYGEN, WALL_CO)])
def test_tables_have_exactly_the_models_columns(count: int, displays: tuple[Display, ...]) -> None:
    shown = {d.key: numbers([20.5] * count) if d is OXYGEN else numbers([20] * count) for d in displays}
    found = tables(night(shown) if count else [], displays)

    assert list(found.readings.columns) == [column.name for column in reading_columns(displays)]
    assert list(found.audit.columns) == [column.name for column in AUDIT_COLUMNS]
    assert len(found.readings) == count
    assert len(found.audit) == count * len(displays)


def test_the_audit_table_has_a_row_for_every_frame_and_display_in_order() -> None:
    audit = tables(calm_night(3)).audit

    assert list(zip(audit["frame"], audit["display"], strict=True)) == [
        (f"f{i:04d}.jpg", key) for i in range(3) for key in ("co_ppm", "o2_pct")
    ]


def test_the_audit_table_says_what_was_read_and_how() -> None:
    records = night({"co_ppm": numbers([20, 20, 20, 20, 20, 20, 20])})
    records[3] = record(3, {"co_ppm": reading("28", 0.9, _20=0.05)})
    line = tables(records, (CO,)).audit.iloc[3]

    assert (line["raw_text"], line["raw_value"], line["rival_text"], line["rival_confidence"]) == ("28", 28.0, "20", 0.05)
    assert (line["reader"], line["sharpness"], line["quality"]) == ("segments", 30.0, 0.93)
    assert (line["shift_x_px"], line["shift_y_px"], line["rotation_deg"]) == (SHIFT.dx, SHIFT.dy, SHIFT.rotation_deg)
    assert line["time"] == "2026-11-20T21:03:00+01:00"
    assert line["elapsed_min"] == 3.0


def test_both_tables_agree() -> None:
    records = calm_night(8)
    records[4] = record(4, {"co_ppm": word("OL", Flag.OVER_RANGE), "o2_pct": reading("20.3", 0.6, _20_8=0.38)})
    found = tables(records)

    for key in ("co_ppm", "o2_pct"):
        lines = found.audit[found.audit["display"] == key].reset_index()
        pd.testing.assert_series_equal(lines["value"], found.readings[key], check_names=False, check_dtype=False)
        assert list(lines["flag"]) == list(found.readings[f"{key}_flag"])


# --- time -------------------------------------------------------------------------------------------------------------


def test_times_are_iso_with_their_offset() -> None:
    found = tables(calm_night(2)).readings

    assert list(found["time"]) == ["2026-11-20T21:00:00+01:00", "2026-11-20T21:01:00+01:00"]
    assert [datetime.fromisoformat(text).utcoffset() for text in found["time"]] == [timedelta(hours=1)] * 2


@pytest.mark.parametrize(
    ("time", "text"),
    [
        (datetime(2026, 11, 20, 21, 0), "2026-11-20T21:00:00"),
        (datetime(2026, 11, 20, 21, 0, tzinfo=UTC), "2026-11-20T21:00:00+00:00"),
        (datetime(2026, 11, 20, 21, 0, tzinfo=timezone(timedelta(hours=5, minutes=45))), "2026-11-20T21:00:00+05:45"),
        (datetime(2026, 11, 20, 21, 0, 0, 250_000), "2026-11-20T21:00:00.250"),
        (None, None),
    ],
)
def test_no_zone_is_added_and_none_taken_away(time: datetime | None, text: str | None) -> None:
    found = tables([record(0, {"co_ppm": reading("20")}, time=time)], (CO,))

    assert list(found.readings["time"]) == [text]
    assert list(found.audit["time"]) == [text]


def test_elapsed_minutes_count_from_the_first_frame_with_a_time() -> None:
    """Also across a change of the clock's offset: it is the moments that count."""
    records = calm_night(3)
    summer = timezone(timedelta(hours=2))
    records[2] = replace(records[2], time=datetime(2026, 11, 20, 22, 2, 30, tzinfo=summer))
    records[0] = replace(records[0], time=None)

    found = tables(records).readings

    assert math.isnan(found["elapsed_min"][0])
    assert list(found["elapsed_min"][1:]) == [0.0, 1.5]


def test_a_night_without_times_keeps_its_order_and_has_no_gaps() -> None:
    records = night({"co_ppm": numbers([20, 21, 22, 23])}, time=None)
    found = tables(records, (CO,)).readings

    assert list(found["frame"]) == [r.frame for r in records]
    assert list(found["co_ppm"]) == [20, 21, 22, 23]
    assert found["time"].isna().all()
    assert found["elapsed_min"].isna().all()


def test_repeated_times_are_no_gap() -> None:
    records = [replace(r, time=START) for r in calm_night(5)]

    assert list(tables(records).readings["frame"]) == [r.frame for r in records]


# --- gaps -------------------------------------------------------------------------------------------------------------


def without(records: list[FrameRecord], *missing: int) -> list[FrameRecord]:
    return [r for i, r in enumerate(records) if i not in missing]


@pytest.mark.parametrize("missing", [(4,), (3, 4), (2, 3, 4, 5), (1, 6)])
def test_every_missing_photo_of_a_pause_has_a_row(missing: tuple[int, ...]) -> None:
    whole = tables(calm_night(10)).readings
    found = tables(without(calm_night(10), *missing)).readings

    assert len(found) == 10
    gaps = found[found["frame"] == ""]
    assert sorted(gaps.index) == list(missing)
    assert set(gaps["co_ppm_flag"]) == set(gaps["o2_pct_flag"]) == {"no_frame"}
    assert gaps[["co_ppm", "o2_pct"]].isna().all(axis=None)
    assert list(found["time"]) == list(whole["time"])
    assert list(found["elapsed_min"]) == pytest.approx(list(whole["elapsed_min"]))


def test_gap_rows_stand_in_the_audit_table_too() -> None:
    audit = tables(without(calm_night(10), 4)).audit
    gap = audit[audit["frame"] == ""]

    assert list(gap["display"]) == ["co_ppm", "o2_pct"]
    assert set(gap["flag"]) == {"no_frame"}
    assert set(gap["raw_text"]) == {""}
    assert gap[["raw_value", "value", "confidence", "quality"]].isna().all(axis=None)


def test_a_pause_at_the_end_or_the_beginning_is_unknown_and_has_no_rows() -> None:
    assert len(tables(without(calm_night(10), 0, 9)).readings) == 8


def test_a_slow_shutter_is_no_gap() -> None:
    """1.4 intervals are no gap by the method's 1.5; 1.6 are, though less than one whole photo is missing: see the rounding."""
    records = calm_night(8)
    later = [replace(r, time=r.time + timedelta(seconds=24)) for r in records[4:] if r.time]
    assert len(tables(records[:4] + later).readings) == 8

    later = [replace(r, time=r.time + timedelta(seconds=36)) for r in records[4:] if r.time]
    assert len(tables(records[:4] + later).readings) == 9


def test_the_method_says_what_a_gap_is() -> None:
    records = without(calm_night(10), 4)

    assert len(make_tables(records, DISPLAYS, Method(gap_after=2.5)).readings) == 9


def test_a_camera_left_off_for_weeks_is_not_a_table_of_nothing() -> None:
    records = calm_night(8)
    later = [replace(r, time=r.time + timedelta(days=40)) for r in records[4:] if r.time]

    assert len(tables(records[:4] + later).readings) == 8 + MOST_GAP_ROWS


def test_two_or_three_frames_do_not_tell_the_interval() -> None:
    assert len(tables(without(calm_night(10), 1, 2, 4, 5, 6, 7, 8, 9)).readings) == 2


# --- bad frames and missing displays ----------------------------------------------------------------------------------


def test_a_bad_file_is_a_row() -> None:
    records = calm_night(6)
    records[2] = record(2, {}, problem="the file ends in the middle of the picture")
    found = tables(records)

    row = found.readings.iloc[2]
    assert (row["frame"], row["co_ppm_flag"], row["o2_pct_flag"]) == ("f0002.jpg", "no_frame", "no_frame")
    assert math.isnan(row["co_ppm"])
    line = found.audit[found.audit["frame"] == "f0002.jpg"].iloc[0]
    assert (line["raw_text"], line["flag"]) == ("", "no_frame")
    assert math.isnan(line["shift_x_px"])


def test_only_bad_files_are_a_table_of_them() -> None:
    found = tables([record(i, {}, problem="no photo") for i in range(4)])

    assert set(found.readings["co_ppm_flag"]) == {"no_frame"}
    assert len(found.audit) == 8


def test_a_display_without_a_reading_is_lost() -> None:
    records = calm_night(4)
    records[1] = record(1, {"co_ppm": reading("20")})
    found = tables(records).readings

    assert found["o2_pct_flag"][1] == "lost"
    assert found["co_ppm"][1] == 20


def test_over_range_is_never_missing() -> None:
    shown = [*numbers([5, 6, 5]), *[word("OL", Flag.OVER_RANGE)] * 3, *numbers([6, 5])]
    found = tables(night({"co_ppm": shown}), (CO,))

    assert list(found.readings["co_ppm_flag"])[3:6] == ["over_range"] * 3
    assert list(found.audit["raw_text"])[3:6] == ["OL"] * 3
    assert found.readings["co_ppm"][3:6].isna().all()


# --- what other displays do -------------------------------------------------------------------------------------------


def confidence_in_the_jump(wall: list[Reading]) -> float:
    """How far a jump of one display that is not quite clear is believed, while another does this."""
    shown = [*numbers([10, 11, 10, 11, 10, 11, 10, 11]), reading("88", 0.93, _11=0.05), *numbers([89])]
    found = tables(night({"co_ppm": shown, "wall_co_ppm": wall}), (CO, WALL_CO)).audit
    line = found[(found["display"] == "co_ppm") & (found["frame"] == "f0008.jpg")].iloc[0]
    return float(line["confidence"])


def test_a_jump_is_more_believable_where_another_display_jumps_too() -> None:
    calm = numbers([4, 5, 4, 5, 4, 5, 4, 5, 4, 5])
    jumping = numbers([4, 5, 4, 5, 4, 5, 4, 5, 60, 61])
    over = [*numbers([4, 5, 4, 5, 4, 5, 4, 5]), *[word("OL", Flag.OVER_RANGE)] * 2]

    assert confidence_in_the_jump(jumping) > confidence_in_the_jump(calm)
    assert confidence_in_the_jump(over) > confidence_in_the_jump(calm)


def test_a_displays_own_jump_is_no_evidence_for_itself() -> None:
    shown = [*numbers([10, 11] * 4), *numbers([88, 89])]
    alone = tables(night({"co_ppm": shown}), (CO,)).audit
    beside = tables(night({"co_ppm": shown, "wall_co_ppm": numbers([4, 5] * 5)}), (CO, WALL_CO)).audit
    beside = beside[beside["display"] == "co_ppm"]

    assert list(beside["confidence"]) == pytest.approx(list(alone["confidence"]))


# --- corrections ------------------------------------------------------------------------------------------------------


def test_a_correction_counts_for_value_and_flag_and_never_for_what_was_read() -> None:
    plain = tables(calm_night())
    found = tables(calm_night(), corrections={("f0003.jpg", "co_ppm"): Correction(77.0, Flag.CORRECTED)})

    assert (found.readings["co_ppm"][3], found.readings["co_ppm_flag"][3]) == (77.0, "corrected")
    line = found.audit[(found.audit["frame"] == "f0003.jpg") & (found.audit["display"] == "co_ppm")].iloc[0]
    assert (line["value"], line["flag"], line["confidence"], line["raw_value"]) == (77.0, "corrected", 1.0, 21.0)
    pd.testing.assert_frame_equal(found.audit[RAW], plain.audit[RAW])
    others = found.readings.drop(index=3)
    pd.testing.assert_frame_equal(others, plain.readings.drop(index=3))


@pytest.mark.parametrize("flag", [Flag.BLANK, Flag.HIDDEN, Flag.OVER_RANGE, Flag.UNREADABLE, Flag.STATUS])
def test_a_correction_can_say_that_there_is_no_number(flag: Flag) -> None:
    found = tables(calm_night(), corrections={("f0003.jpg", "o2_pct"): Correction(None, flag)}).readings

    assert found["o2_pct_flag"][3] == flag.value
    assert math.isnan(found["o2_pct"][3])
    assert found["co_ppm_flag"][3] == "ok"


def test_a_correction_that_was_taken_back_counts_no_more() -> None:
    found = tables(calm_night(), corrections={("f0003.jpg", "co_ppm"): Correction(77.0, None)})

    pd.testing.assert_frame_equal(found.readings, tables(calm_night()).readings)


@pytest.mark.parametrize("place", [("f0003.jpg", "no_such_ppm"), ("no such frame.jpg", "co_ppm"), ("", "co_ppm")])
def test_a_correction_of_something_else_changes_nothing(place: tuple[str, str]) -> None:
    records = without(calm_night(), 5)
    found = tables(records, corrections={place: Correction(77.0, Flag.CORRECTED)})

    pd.testing.assert_frame_equal(found.readings, tables(records).readings)


def test_a_correction_can_give_a_bad_frame_its_value() -> None:
    records = calm_night()
    records[3] = record(3, {}, problem="torn")

    found = tables(records, corrections={("f0003.jpg", "co_ppm"): Correction(20.0, Flag.CORRECTED)}).readings

    assert (found["co_ppm"][3], found["co_ppm_flag"][3]) == (20.0, "corrected")


# --- laws -------------------------------------------------------------------------------------------------------------


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    kind = draw(st.sampled_from(["clear", "clear", "clear", "doubt", "word", "nothing"]))
    if kind == "clear":
        return reading(str(draw(st.integers(0, 99))))
    if kind == "doubt":
        first, second = draw(st.lists(st.integers(0, 99), min_size=2, max_size=2, unique=True))
        sure = draw(st.floats(0.3, 0.97))
        return reading(str(first), sure, **{f"_{second}": min(sure, (1 - sure) * 0.9)})
    if kind == "word":
        return word("OL", Flag.OVER_RANGE, draw(st.floats(0.2, 1.0)))
    return nothing(draw(st.sampled_from([Flag.BLANK, Flag.HIDDEN, Flag.LOST, Flag.UNREADABLE])))


@settings(max_examples=50, derandomize=True, database=None)
@given(shown=st.lists(readings(), min_size=1, max_size=12), extra=readings(), place=st.integers(0, 12))
def test_one_frame_more_never_changes_what_was_read_in_the_others(shown: list[Reading], extra: Reading, place: int) -> None:
    place = min(place, len(shown))
    before = night({"co_ppm": shown})
    added = replace(record(99, {"co_ppm": extra}), time=START + timedelta(minutes=place - 0.5))
    after = [*before[:place], added, *before[place:]]

    one = tables(before, (CO,)).audit[RAW]
    two = tables(after, (CO,)).audit[RAW]

    assert one.to_csv(index=False) == two[two["frame"] != added.frame].to_csv(index=False)


@settings(max_examples=60, derandomize=True, database=None)
@given(shown=st.lists(readings(), max_size=14), bad=st.sets(st.integers(0, 13)), missing=st.sets(st.integers(0, 13)))
def test_nothing_is_lost_and_nothing_invented(shown: list[Reading], bad: set[int], missing: set[int]) -> None:
    records = [record(i, {"co_ppm": one}, problem="torn" if i in bad else "") for i, one in enumerate(shown) if i not in missing]
    found = tables(records, (CO,))
    table, audit = found.readings, found.audit

    assert [frame for frame in table["frame"] if frame] == [r.frame for r in records]
    for row, line in zip(table.itertuples(), audit.itertuples(), strict=True):
        flag = Flag(row.co_ppm_flag)
        has_value = not math.isnan(row.co_ppm)
        assert has_value == (flag in (Flag.OK, Flag.REPAIRED, Flag.DOUBTFUL))
        if flag is Flag.OK:
            assert row.co_ppm == line.raw_value
        if flag is Flag.DOUBTFUL:
            read = next(r for r in records if r.frame == row.frame).readings["co_ppm"]
            assert row.co_ppm == line.raw_value or (
                read.confidence < 0.5 and row.co_ppm in [rival.value for rival in read.rivals if rival.probability >= 0.1]
            )
        assert (row.frame == "") <= (flag is Flag.NO_FRAME)
    over = sum(1 for r in records if not r.problem and r.readings["co_ppm"].text == "OL")
    shown_over = Counter(table["co_ppm_flag"])["over_range"] + sum(
        1 for line in audit.itertuples() if line.raw_text == "OL" and line.flag == "unreadable"
    )
    assert shown_over == over


@settings(max_examples=30, derandomize=True, database=None)
@given(shown=st.lists(readings(), min_size=1, max_size=10))
def test_the_same_records_give_the_same_bytes(shown: list[Reading]) -> None:
    records = night({"co_ppm": shown})

    assert tables(records, (CO,)).audit.to_csv() == tables(list(records), (CO,)).audit.to_csv()
