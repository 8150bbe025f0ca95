"""Two looks at one night: a second reading counts where the first was open and it settles the value, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import pytest
from clean_nights import CO, OXYGEN, nothing, numbers, reading, record, word
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.clean import is_model, is_open, is_unseen, judge_first, make_tables
from frametally.clean.looks import DOUBT_AT_MOST, judge_night
from frametally.clean.rules import Settled
from frametally.model import Flag, FrameRecord, Method, Reading

METHOD = Method()
COUNT = 20


def night(at: int, first: Reading, again: Reading | None) -> list[FrameRecord]:
    """Give a calm night in which one frame was read as `first`, and read again as `again`."""
    readings = numbers([30 + index // 4 for index in range(COUNT)])
    readings[at] = first
    records = [record(index, {CO.key: one}) for index, one in enumerate(readings)]
    if again is not None:
        records[at] = replace(records[at], again={CO.key: again})
    return records


def settled(at: int, first: Reading, again: Reading | None) -> Settled:
    return judge_night(night(at, first, again), [CO], METHOD)[CO.key][at]


@pytest.mark.parametrize(
    ("first", "again", "value", "flag"),
    [
        (reading("32", 0.5), reading("32"), 32, Flag.OK),
        (reading("38", 0.5), reading("32"), 32, Flag.REPAIRED),
        (nothing(Flag.UNREADABLE), reading("32"), 32, Flag.REPAIRED),
        (reading("38", 0.5), word("OL", Flag.OVER_RANGE), None, Flag.OVER_RANGE),
    ],
)
def test_second_reading_settles_what_was_open(first: Reading, again: Reading, value: float | None, flag: Flag) -> None:
    found = settled(10, first, again)

    assert (found.value, found.flag, found.taught) == (value, flag, True)
    assert found.reading == first


@pytest.mark.parametrize("again", [reading("90", 0.5), nothing(Flag.UNREADABLE), nothing(Flag.BLANK), nothing(Flag.LOST), None])
def test_second_reading_that_settles_nothing_leaves_the_first_doubt(again: Reading | None) -> None:
    assert settled(10, reading("38", 0.5), again) == settled(10, reading("38", 0.5), None)


def test_of_two_doubts_the_likelier_is_shown() -> None:
    first, again = reading("38", 0.5), reading("32", 0.55)

    assert settled(10, first, again) == Settled(first, 32, Flag.DOUBTFUL, DOUBT_AT_MOST, taught=True)
    assert settled(10, again, first) == settled(10, again, None)


@pytest.mark.parametrize("flag", [Flag.HIDDEN, Flag.LOST])
def test_display_that_was_not_found_is_read_where_it_stood(flag: Flag) -> None:
    vague = replace(reading("32", 0.9), flag=Flag.DOUBTFUL)
    found, doubted = settled(10, nothing(flag), reading("32")), settled(10, nothing(flag), vague)

    assert (found.value, found.flag, found.taught) == (32, Flag.REPAIRED, True)
    assert (doubted.value, doubted.flag, doubted.confidence) == (32, Flag.DOUBTFUL, DOUBT_AT_MOST)


@pytest.mark.parametrize("flag", [Flag.HIDDEN, Flag.LOST])
def test_what_only_looks_like_digits_stays_hidden(flag: Flag) -> None:
    print_on_a_mug = replace(reading("49", 0.5), flag=Flag.DOUBTFUL)

    assert settled(10, nothing(flag), print_on_a_mug) == settled(10, nothing(flag), None)


def test_no_doubt_is_told_to_be_all_but_certain() -> None:
    faint = replace(reading("32", 0.97), flag=Flag.DOUBTFUL)
    found = settled(10, faint, None)

    assert (found.value, found.flag, found.confidence) == (32, Flag.DOUBTFUL, DOUBT_AT_MOST)


def test_audit_says_who_read_and_keeps_the_first_reading() -> None:
    tables = make_tables(night(10, reading("38", 0.5), reading("32")), (CO,), METHOD)
    row = tables.audit[tables.audit["frame"] == "f0010.jpg"].iloc[0]

    assert (row["raw_text"], row["raw_value"], row["value"], row["flag"]) == ("38", 38, 32, "repaired")
    assert row["reader"] == "segments+night"
    assert set(tables.audit["reader"]) == {"segments", "segments+night"}


def test_display_taken_for_off_is_open_where_its_bars_spell_a_number() -> None:
    number = replace(nothing(Flag.BLANK), rivals=reading("38", 0.7).rivals)
    bare = replace(nothing(Flag.BLANK), rivals=reading("38", 0.2).rivals)

    assert is_open(Settled(number, None, Flag.BLANK, 0.99))
    assert not is_open(Settled(bare, None, Flag.BLANK, 0.99))
    assert not is_open(Settled(nothing(Flag.BLANK), None, Flag.BLANK, 0.99))
    assert settled(10, number, reading("32")).flag is Flag.REPAIRED


def test_displays_are_learned_from_what_the_bars_alone_settle() -> None:
    clear, by_neighbours, by_ocr = reading("32"), reading("32", 0.9), replace(reading("32"), reader="ocr")

    assert is_model(Settled(clear, 32, Flag.OK, 0.9995))
    assert not is_model(Settled(by_neighbours, 32, Flag.OK, 0.9995))
    assert not is_model(Settled(by_ocr, 32, Flag.OK, 0.9995))
    assert not is_model(Settled(clear, 32, Flag.DOUBTFUL, 0.9995))


shares = st.sampled_from([0.3, 0.5, 0.7, 0.9, 0.985, 0.9995])
texts = st.integers(0, 999).map(str)
any_reading = st.one_of(
    st.builds(reading, texts, shares),
    st.builds(lambda text, share: reading(text, share, _31=(1 - share) * 0.9), texts, shares),
    st.sampled_from([nothing(flag) for flag in (Flag.BLANK, Flag.UNREADABLE, Flag.HIDDEN, Flag.LOST)]),
    st.just(word("OL", Flag.OVER_RANGE)),
)
nights = st.lists(st.tuples(any_reading, st.none() | any_reading, any_reading, st.none() | any_reading), min_size=1, max_size=12)


@given(nights)
@settings(max_examples=60)
def test_no_second_reading_turns_a_settled_one(drawn: list[tuple[Reading, Reading | None, Reading, Reading | None]]) -> None:
    records = []
    for index, (co, co_again, oxygen, oxygen_again) in enumerate(drawn):
        again = {key: one for key, one in ((CO.key, co_again), (OXYGEN.key, oxygen_again)) if one is not None}
        records.append(replace(record(index, {CO.key: co, OXYGEN.key: oxygen}), again=again))
    first, both = judge_first(records, [CO, OXYGEN], METHOD), judge_night(records, [CO, OXYGEN], METHOD)
    for key in first:
        for before, after in zip(first[key], both[key], strict=True):
            assert after.reading == before.reading
            doubted = (
                replace(before, confidence=min(before.confidence, DOUBT_AT_MOST)) if before.flag is Flag.DOUBTFUL else before
            )
            assert after == doubted or ((is_open(before) or is_unseen(before)) and after.taught)
