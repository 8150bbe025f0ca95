"""What neighbouring frames may and may not do to a reading, and their arithmetic against trying every sequence."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from clean_nights import CO, OXYGEN, display, minutes, nothing, numbers, reading, word
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.clean.rules import (
    CONFIDENT,
    EVENT_SHARE,
    GUESSED_BELOW,
    JUMP_SHARE,
    JUMP_STEPS,
    PIXELS_FOR_GUESS,
    PIXELS_FOR_REPAIR,
    Settled,
    find_events,
    neighbours_say,
    settle,
    step_scale,
    whole_night_lost,
)
from frametally.model import Display, Flag, Reading, Rival

DOUBTFUL_BELOW = 0.98

CALM = [41, 42, 42, 43, 42, 43, 43, 42, 43, 42, 42, 43, 42, 42]
"""Long enough a night for its steps to be learned from it."""


def judge(readings: list[Reading], shown: Display = CO, events: np.ndarray | None = None) -> list[Settled]:
    return settle(readings, minutes(len(readings)), shown, DOUBTFUL_BELOW, events)


def flags(settled: list[Settled]) -> list[str]:
    return [item.flag.value for item in settled]


# --- what is never done -----------------------------------------------------------------------------------------------


def test_what_was_read_stays_beside_what_it_became() -> None:
    readings = numbers(CALM)
    readings[5:7] = [reading("98", 0.6, _42=0.35), nothing(Flag.BLANK)]

    settled = judge(readings)

    assert [item.reading for item in settled] == readings
    assert (settled[5].value, settled[5].reading.value) == (42, 98)


@pytest.mark.parametrize("peak", [60, 150, 480, 999])
def test_a_real_spike_survives(peak: int) -> None:
    """A clear reading far from all others, in one frame alone: nothing but the pixels may say that it is wrong."""
    readings = numbers([10, 11, 11, 12, 11, 12, peak, 12, 11, 12, 11, 11, 10])

    settled = judge(readings)

    assert [item.value for item in settled] == [r.value for r in readings]
    assert set(flags(settled)) == {"ok"}


def test_a_spike_that_has_a_rival_in_the_neighbours_value_stays_where_the_pixels_are_sure() -> None:
    readings = numbers([11, 11, 12, 11, 12, 11])
    readings.insert(3, reading("71", 0.985, _11=0.014))

    settled = judge(readings)

    assert (settled[3].value, settled[3].reading.text) == (71, "71")
    assert settled[3].flag in (Flag.OK, Flag.DOUBTFUL)


@settings(max_examples=60, derandomize=True, database=None)
@given(
    base=st.lists(st.integers(0, 40), min_size=4, max_size=12),
    place=st.integers(0, 11),
    wild=st.integers(0, 999),
    sure=st.floats(CONFIDENT, 0.9999),
)
def test_a_confident_reading_is_never_exchanged(base: list[int], place: int, wild: int, sure: float) -> None:
    readings = numbers(base)
    place %= len(base)
    readings[place] = reading(str(wild), sure, **{f"_{base[place - 1] + 1000}": (1 - sure) * 0.9})

    settled = judge(readings)

    assert settled[place].value == wild
    assert settled[place].flag in (Flag.OK, Flag.DOUBTFUL)


@settings(max_examples=60, derandomize=True, database=None)
@given(
    first=st.floats(0.3, 0.84),
    support=st.floats(0.0, PIXELS_FOR_REPAIR - 0.001),
    level=st.integers(1, 60),
)
def test_neighbours_alone_never_make_a_value(first: float, support: float, level: int) -> None:
    """Below the pixels' least support the rival is never taken, however well it fits in; of mere guesses it may be the doubt."""
    readings = numbers([level] * 9)
    readings[4] = reading(str(level + 300), first, **{f"_{level}": support})

    settled = judge(readings)

    a_guess = first < GUESSED_BELOW and support >= max(PIXELS_FOR_GUESS, first / 3)
    assert settled[4].value in (None, level if a_guess else level + 300)
    assert settled[4].flag in (Flag.DOUBTFUL, Flag.UNREADABLE)


@settings(max_examples=80, derandomize=True, database=None)
@given(st.data())
def test_whatever_the_night_a_value_is_one_that_the_pixels_gave(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 9))
    readings = []
    for _ in range(count):
        texts = data.draw(st.lists(st.integers(0, 300), min_size=1, max_size=4, unique=True))
        weights = data.draw(st.lists(st.floats(0.01, 1), min_size=len(texts), max_size=len(texts)))
        share = data.draw(st.floats(0.2, 1.0))
        chances = sorted((share * w / sum(weights) for w in weights), reverse=True)
        rivals = tuple(Rival(str(t), float(t), p) for t, p in zip(texts, chances, strict=True))
        readings.append(Reading(rivals[0].text, rivals[0].value, chances[0], Flag.OK, rivals, "segments", 9.0))

    settled = judge(readings)

    for item, raw in zip(settled, readings, strict=True):
        assert item.reading is raw
        assert item.value is None or item.value in {rival.value for rival in raw.rivals}
        assert 0 <= item.confidence <= 1
        assert (item.value is None) == (item.flag is Flag.UNREADABLE)
        if item.flag is Flag.REPAIRED:
            assert item.value != raw.value
        elif item.flag is not Flag.DOUBTFUL or raw.confidence >= GUESSED_BELOW:
            assert item.value in (None, raw.value)
        if item.flag in (Flag.OK, Flag.REPAIRED):
            assert item.confidence >= DOUBTFUL_BELOW


# --- what is done -----------------------------------------------------------------------------------------------------


def test_a_misread_frame_between_agreeing_neighbours_is_repaired() -> None:
    readings = numbers(CALM)
    readings[5] = reading("48", 0.55, _43=0.4)

    settled = judge(readings)

    assert (settled[5].value, settled[5].flag) == (43, Flag.REPAIRED)
    assert settled[5].reading.value == 48
    assert settled[5].confidence >= 0.99
    assert set(flags(settled[:5] + settled[6:])) == {"ok"}


def test_a_doubt_that_the_neighbours_confirm_is_settled() -> None:
    readings = numbers(CALM)
    readings[5] = reading("43", 0.8, _93=0.15)

    settled = judge(readings)

    assert (settled[5].value, settled[5].flag) == (43, Flag.OK)
    assert settled[5].confidence > 0.99


def test_a_doubt_that_the_neighbours_leave_open_stays_one() -> None:
    """42 and 43 fit equally well between 42 and 43."""
    readings = numbers([42, 43, 42, 43, 42, 43, 42, 43])
    readings.insert(4, reading("43", 0.52, _42=0.46))

    settled = judge(readings)

    assert (settled[4].value, settled[4].flag) == (43, Flag.DOUBTFUL)


def test_a_likely_first_reading_far_off_becomes_a_doubt_not_another_value() -> None:
    readings = numbers([20, 21, 20, 21, 20, 21, 20])
    readings.insert(4, reading("80", 0.93, _20=0.05))

    assert (judge(readings)[4].value, judge(readings)[4].flag) == (80, Flag.DOUBTFUL)


def test_of_several_guesses_a_doubt_shows_the_one_that_the_neighbours_confirm() -> None:
    readings = numbers([20, 21, 20, 21, 20, 21, 20])
    readings.insert(4, replace(reading("80", 0.3, _20=0.14, _50=0.2), flag=Flag.DOUBTFUL))
    found = judge(readings)[4]

    assert (found.reading.value, found.value, found.flag) == (80, 20, Flag.DOUBTFUL)


def test_what_hardly_anything_speaks_for_is_no_reading() -> None:
    readings = numbers([20, 21, 20, 21, 20])
    readings.insert(2, reading("814", 0.1, _811=0.06))

    assert (judge(readings)[2].value, judge(readings)[2].flag) == (None, Flag.UNREADABLE)


def test_a_stricter_method_doubts_more() -> None:
    lone = [reading("20", 0.985)]

    assert flags(settle(lone, [0.0], CO, 0.9)) == ["ok"]
    assert flags(settle(lone, [0.0], CO, 0.99)) == ["doubtful"]


# --- flags ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("neighbours", [[5, 5, 5], [990, 995, 998]])
def test_over_range_stays_over_range(neighbours: list[int]) -> None:
    around = numbers(neighbours)
    readings = [*around, word("OL", Flag.OVER_RANGE), word("OL", Flag.OVER_RANGE, 0.95), *around]

    settled = judge(readings)

    assert [(item.value, item.flag) for item in settled[3:5]] == [(None, Flag.OVER_RANGE)] * 2


def test_a_word_that_is_hardly_seen_is_unreadable() -> None:
    assert judge([*numbers([5, 5]), word("OL", Flag.OVER_RANGE, 0.4)])[2].flag is Flag.UNREADABLE


@pytest.mark.parametrize("flag", [Flag.BLANK, Flag.HIDDEN, Flag.UNREADABLE, Flag.NO_FRAME])
def test_a_display_without_a_number_gets_none_from_its_neighbours(flag: Flag) -> None:
    settled = judge([*numbers([20, 20, 20]), nothing(flag), *numbers([20, 20, 20])])

    assert (settled[3].value, settled[3].flag) == (None, flag)


def test_status_words_and_under_range_keep_their_flags() -> None:
    settled = judge([*numbers([5, 5]), word("Err", Flag.STATUS), word("Lo", Flag.UNDER_RANGE), *numbers([5])])

    assert flags(settled)[2:4] == ["status", "under_range"]


def test_hidden_and_seen_again_was_hidden() -> None:
    readings = [*numbers([5]), *[nothing(Flag.HIDDEN)] * 3, *numbers([6])]

    assert flags(judge(readings)) == ["ok", "hidden", "hidden", "hidden", "ok"]


def test_hidden_until_the_end_is_lost() -> None:
    readings = [*numbers([5]), nothing(Flag.HIDDEN), *numbers([5, 6]), *[nothing(Flag.HIDDEN)] * 3]

    assert flags(judge(readings)) == ["ok", "hidden", "ok", "ok", "lost", "lost", "lost"]


def test_missing_frames_after_hiding_do_not_count_as_seeing_it_again() -> None:
    readings = [*numbers([5]), nothing(Flag.HIDDEN), nothing(Flag.NO_FRAME), nothing(Flag.LOST)]

    assert [r.flag for r in whole_night_lost(readings)] == [Flag.OK, Flag.LOST, Flag.NO_FRAME, Flag.LOST]


def test_blank_after_hiding_counts_as_seeing_it_again() -> None:
    readings = [*numbers([5]), nothing(Flag.HIDDEN), nothing(Flag.BLANK)]

    assert [r.flag for r in whole_night_lost(readings)] == [Flag.OK, Flag.HIDDEN, Flag.BLANK]


# --- how far things move ----------------------------------------------------------------------------------------------


def test_steps_are_learned_from_the_night() -> None:
    """A quantity that moves by ten in every frame: the mean step is ten, whatever the resolution."""
    readings = numbers([10 * i for i in range(30)])

    assert step_scale(readings, np.ones(30), CO) == pytest.approx(np.full(30, 10.0))


def test_steps_are_never_smaller_than_the_display_can_show() -> None:
    assert step_scale(numbers([20] * 30), np.ones(30), CO) == pytest.approx(np.full(30, 1.0))
    assert step_scale(numbers([20.9] * 30), np.ones(30), OXYGEN) == pytest.approx(np.full(30, 0.1))
    bare = display("o2_pct", "##.#", range=None, resolution=None)
    assert step_scale(numbers([20.9] * 30), np.ones(30), bare) == pytest.approx(np.full(30, 0.1))


def test_doubts_teach_nothing_about_steps() -> None:
    readings = numbers([20] * 30)
    readings[10] = reading("900", 0.7)

    assert step_scale(readings, np.ones(30), CO) == pytest.approx(np.full(30, 1.0))


def test_a_livelier_hour_is_given_more_room() -> None:
    calm = [20] * 40
    lively = [20 + 15 * i for i in range(12)]
    scale = step_scale(numbers(calm + lively), np.ones(52), CO)

    assert scale[20] < 10
    assert scale[47] == pytest.approx(15.0)


def test_with_few_frames_the_steps_are_guessed_from_the_resolution() -> None:
    assert step_scale(numbers([20, 90, 20]), np.ones(3), CO) == pytest.approx(np.full(3, 3.0))


# --- events -----------------------------------------------------------------------------------------------------------


def test_a_clear_jump_is_an_event() -> None:
    values = [10, 11, 10, 11, 10, 11, 10, 11, 90, 91, 90, 91]

    found = find_events(numbers(values), minutes(12), CO)

    assert np.flatnonzero(found).tolist() == [8]


def test_going_over_range_and_coming_back_are_events() -> None:
    readings = [*numbers([10, 11, 10]), word("OL", Flag.OVER_RANGE), word("OL", Flag.OVER_RANGE), *numbers([10, 11])]

    assert np.flatnonzero(find_events(readings, minutes(7), CO)).tolist() == [3, 5]


def test_a_night_that_begins_over_range_begins_without_an_event() -> None:
    readings = [word("OL", Flag.OVER_RANGE), word("OL", Flag.OVER_RANGE), *numbers([10, 11])]

    assert np.flatnonzero(find_events(readings, minutes(4), CO)).tolist() == [2]


def test_what_another_display_did_makes_a_jump_believable() -> None:
    """The same pixels, the same neighbours: with an event the far reading is trusted more than without."""
    readings = [*numbers([10, 11, 10, 11, 10, 11]), reading("88", 0.93, _11=0.03), *numbers([89, 88, 89, 88])]
    readings[7:] = [reading("89", 0.93, _19=0.03), *numbers([60, 40, 20])]
    event = np.zeros(len(readings), bool)
    event[6] = event[8] = True

    alone, together = judge(readings), judge(readings, events=event)

    assert together[6].confidence > alone[6].confidence
    assert together[6].value == 88


def test_events_leave_calm_frames_as_they_are() -> None:
    readings = numbers([10, 11, 10, 11, 10, 11])

    assert flags(judge(readings, events=np.ones(6, bool))) == ["ok"] * 6


# --- odd nights -------------------------------------------------------------------------------------------------------


def test_a_night_without_frames_has_no_judgements() -> None:
    assert settle([], [], CO, DOUBTFUL_BELOW) == []
    assert find_events([], [], CO).tolist() == []


@pytest.mark.parametrize("one", [reading("7"), reading("7", 0.7, _1=0.2), word("OL", Flag.OVER_RANGE), nothing(Flag.HIDDEN)])
def test_one_frame_is_judged_by_its_pixels(one: Reading) -> None:
    (settled,) = judge([one])

    assert settled.value == one.value
    expected = {0.7: Flag.DOUBTFUL, 0.0: Flag.LOST}.get(one.confidence, one.flag)
    assert settled.flag is expected


@pytest.mark.parametrize(
    "elapsed",
    [
        pytest.param([math.nan] * 5, id="no times"),
        pytest.param([0.0] * 5, id="one time for all"),
        pytest.param([0, 1, math.nan, 3, 4], id="a time missing"),
        pytest.param([0, 1, 1, 1, 500_000], id="repeats and a long pause"),
    ],
)
def test_odd_times_are_no_crash(elapsed: list[float]) -> None:
    settled = settle(numbers([20, 21, 20, 21, 20]), elapsed, CO, DOUBTFUL_BELOW)

    assert [item.value for item in settled] == [20, 21, 20, 21, 20]
    assert set(flags(settled)) == {"ok"}


def test_after_a_pause_a_move_is_more_believable() -> None:
    readings = [*numbers([20, 21, 20, 21, 20, 21, 20, 21, 20, 21]), reading("50", 0.9, _20=0.08), *numbers([51, 50])]
    at_once = minutes(len(readings))
    later = [*minutes(10), *(9 + 120 + m for m in (1.0, 2.0, 3.0))]

    soon = settle(readings, at_once, CO, DOUBTFUL_BELOW)[10].confidence
    then = settle(readings, later, CO, DOUBTFUL_BELOW)[10].confidence

    assert then > soon


# --- the arithmetic ---------------------------------------------------------------------------------------------------

# The outside truth: marginals of a hidden Markov chain by summing over every sequence of states, which is what the forward
# and backward passes save (L. R. Rabiner, "A tutorial on hidden Markov models", Proc. IEEE 77 (2), 1989, equations 19 to 27).


def step_chance(moved: float, width: float, jump_share: float, least: float, count: float) -> float:
    """The chance of a step, as `neighbours_say` words it; NaN stands for a state without a value."""
    wide = JUMP_STEPS * width
    near = 0.0 if math.isnan(moved) else least / (2 * width) * math.exp(-moved / width)
    far = 0.0 if math.isnan(moved) else 0.5 * least / (2 * wide) * math.exp(-moved / wide)
    return (1 - jump_share) * near + jump_share * (far + 0.5 / count)


def by_trying_every_sequence(
    readings: list[Reading], steps: np.ndarray, scale: np.ndarray, jumps: np.ndarray, least: float, count: float
) -> list[np.ndarray]:
    states = []
    for raw in readings:
        rivals = [] if raw.flag in (Flag.HIDDEN, Flag.LOST, Flag.NO_FRAME, Flag.BLANK) else raw.rivals
        known = [(math.nan if r.value is None else r.value, max(r.probability, 1e-9)) for r in rivals]
        states.append([*known, (math.nan, max(1 - sum(p for _, p in known), 1e-6))])
    marginals = [np.zeros(len(options)) for options in states]
    for path in itertools.product(*(range(len(options)) for options in states)):
        chance = 1.0
        for frame, state in enumerate(path):
            value, pixels = states[frame][state]
            chance *= pixels
            if frame:
                moved = abs(value - states[frame - 1][path[frame - 1]][0])
                width = float(scale[frame] * math.sqrt(steps[frame]))
                chance *= step_chance(moved, width, float(jumps[frame]), least, count)
        for frame, state in enumerate(path):
            marginals[frame][state] += chance
    return [m / m.sum() for m in marginals]


def some_night(random: np.random.Generator, count: int) -> list[Reading]:
    readings: list[Reading] = []
    for _ in range(count):
        kind = random.random()
        if kind < 0.12:
            readings.append(nothing(Flag.HIDDEN if kind < 0.06 else Flag.BLANK))
            continue
        texts = random.choice(120, int(random.integers(1, 5)), replace=False)
        chances = np.sort(random.dirichlet(np.ones(len(texts) + 1))[:-1])[::-1]
        rivals = [Rival(str(t), float(t), float(p)) for t, p in zip(texts, chances, strict=True)]
        if random.random() < 0.3:
            rivals[-1] = Rival("OL", None, rivals[-1].probability)
        first = rivals[0]
        readings.append(Reading(first.text, first.value, first.probability, Flag.OK, tuple(rivals), "segments", 9.0))
    return readings


@settings(max_examples=60, derandomize=True, database=None)
@given(seed=st.integers(0, 2**32 - 1), count=st.integers(1, 5))
def test_forward_and_backward_agree_with_every_sequence(seed: int, count: int) -> None:
    random = np.random.default_rng(seed)
    readings = some_night(random, count)
    steps = random.uniform(1, 30, count)
    scale = random.uniform(0.5, 20, count)
    jumps = np.where(random.random(count) < 0.3, EVENT_SHARE, JUMP_SHARE)

    found = neighbours_say(readings, steps, scale, jumps, CO)
    expected = by_trying_every_sequence(readings, steps, scale, jumps, least=1.0, count=999.0)

    for ours, theirs in zip(found, expected, strict=True):
        assert ours == pytest.approx(theirs, abs=1e-9)
        assert float(ours.sum()) == pytest.approx(1.0, abs=1e-12)


def test_the_finest_step_comes_from_the_mask_where_no_resolution_is_given() -> None:
    bare = display("o2_pct", "##.#", range=None, resolution=None)
    readings = [reading("20.9", 0.6, _28_9=0.3), reading("20.8", 0.7, _20_0=0.2), reading("20.9", 0.9)]
    ones = np.ones(3)

    found = neighbours_say(readings, ones, 0.2 * ones, JUMP_SHARE * ones, bare)
    # Three digits, the last of them tenths: a thousand values, 0.1 apart.
    expected = by_trying_every_sequence(readings, ones, 0.2 * ones, JUMP_SHARE * ones, least=0.1, count=1000.0)

    for ours, theirs in zip(found, expected, strict=True):
        assert ours == pytest.approx(theirs, abs=1e-9)


def test_a_long_night_does_not_run_out_of_numbers() -> None:
    """Five thousand frames of small chances: every answer is finite and sums to one."""
    random = np.random.default_rng(3)
    readings = some_night(random, 5000)
    ones = np.ones(5000)

    found = neighbours_say(readings, ones, 2 * ones, JUMP_SHARE * ones, CO)

    assert all(np.isfinite(p).all() and abs(float(p.sum()) - 1) < 1e-9 for p in found)


# --- digits that are dark to the shutter ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "at"),
    [
        ([112, 112, 113, 13, 113, 114, 114, 114], [3]),  # the first digit was dark
        ([112, 112, 13, 113, 13, 14, 114, 114], [2, 4, 5]),
        ([112, 112, 113, 3, 113, 114, 114, 114], [3]),  # the first two were
        ([112, 113, 113, 113, 113, 113, 113, 13], [7]),  # at the end of the night nothing comes behind
    ],
)
def test_what_is_left_of_a_number_when_its_first_digits_are_dark_is_a_doubt(values: list[float], at: list[int]) -> None:
    settled = settle(numbers(values), minutes(len(values)), CO, 0.98)
    assert [i for i, item in enumerate(settled) if item.flag is Flag.DOUBTFUL and item.reading.value < 100] == at


@pytest.mark.parametrize(
    "values",
    [
        [112, 112, 113, 60, 113, 114, 114, 114],  # a true dip: no digit would make a 113 of it
        [118, 113, 60, 40, 13, 12, 11, 11],  # aired: it does not come back
        [9, 10, 9, 11, 9, 12, 9, 10],
        [12, 8, 5, 12, 8, 5, 12, 8],
    ],
)
def test_numbers_that_lack_no_digit_are_not_doubted_for_it(values: list[float]) -> None:
    settled = settle(numbers(values), minutes(len(values)), CO, 0.98)
    assert [item.flag for item in settled] == [Flag.OK] * len(values)
