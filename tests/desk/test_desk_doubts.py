"""The order in which doubtful readings are shown: what could change a finding first, then the rest in the order of time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametally.desk.doubts import DOUBTS, Doubt, Level, Seen, order_doubts
from frametally.model import Display, Flag

CORNERS = ((0.0, 0.0), (10.0, 0.0), (10.0, 5.0), (0.0, 5.0))


def display(key: str, quantity: str, unit: str) -> Display:
    return Display(key=key, quantity=quantity, unit=unit, corners=CORNERS, digits="###", instrument="meter")


CO, OXYGEN, TEMPERATURE = (
    display("co_ppm", "carbon monoxide", "ppm"),
    display("o2_pct", "oxygen", "%"),
    display("temp_c", "temperature", "°C"),
)
LEVELS = {"co_ppm": [Level(30.0, "a limit, 30 ppm")]}


def ok(value: float) -> Seen:
    return Seen(value, Flag.OK, (value,))


def doubtful(value: float, *possible: float) -> Seen:
    return Seen(value, Flag.DOUBTFUL, (value, *possible))


def order(flags: object = DOUBTS, **night: list[Seen]) -> list[Doubt]:
    displays = [one for one in (CO, OXYGEN, TEMPERATURE) if one.key in night]
    return order_doubts(night, displays, LEVELS, flags)  # type: ignore[arg-type]


def places(doubts: list[Doubt]) -> list[tuple[int, str]]:
    return [(doubt.number, doubt.key) for doubt in doubts]


def test_possible_peak_comes_before_earlier_doubts_that_change_nothing() -> None:
    found = order(co_ppm=[ok(10), doubtful(11, 12), ok(20), doubtful(12, 82), ok(12)])
    assert places(found) == [(3, "co_ppm"), (1, "co_ppm")]
    assert found[0].reasons[0] == "could be the highest of the night"
    assert found[1].reasons == ()


def test_lowest_oxygen_comes_with_the_peak_and_a_low_temperature_after_limits() -> None:
    found = order(
        co_ppm=[ok(40), doubtful(28, 32), ok(29), ok(31), ok(0)],
        o2_pct=[ok(20.9), ok(20.1), doubtful(18.2, 19.2), ok(20.4), ok(20.9)],
        temp_c=[doubtful(5.0), ok(20), ok(21), ok(21), ok(22)],
    )
    assert places(found) == [(2, "o2_pct"), (1, "co_ppm"), (0, "temp_c")]
    assert found[1].reasons == ("near a limit: a limit, 30 ppm",)


@pytest.mark.parametrize(("possible", "is_near"), [((29.0, 31.0), True), ((30.0,), True), ((24.0, 26.0), False)])
def test_near_a_limit_is_what_may_lie_on_both_sides_of_it(possible: tuple[float, ...], is_near: bool) -> None:
    found = order(co_ppm=[ok(20), Seen(possible[0], Flag.DOUBTFUL, possible), ok(25), ok(90)])
    assert bool(found[0].reasons) is is_near


def test_neighbours_on_the_other_side_of_a_limit_make_it_near() -> None:
    assert order(co_ppm=[ok(35), doubtful(28), ok(36), ok(90), ok(0)])[0].reasons == ("near a limit: a limit, 30 ppm",)


def test_unread_display_beside_the_highest_reading_may_have_shown_a_higher_one() -> None:
    unread = Seen(None, Flag.UNREADABLE)
    found = order(co_ppm=[ok(1), unread, ok(2), ok(24), unread, ok(20), ok(0)])
    assert places(found) == [(4, "co_ppm"), (1, "co_ppm")]


def test_ghosts_of_a_dark_display_raise_no_alarm() -> None:
    dark = Seen(None, Flag.BLANK, (888.0,))
    found = order({Flag.BLANK, Flag.DOUBTFUL}, co_ppm=[dark, ok(3), doubtful(9)])
    assert places(found) == [(2, "co_ppm"), (0, "co_ppm")]
    assert found[1].reasons == ()


def test_only_flags_that_were_asked_for_are_shown() -> None:
    night = [ok(3), Seen(None, Flag.HIDDEN), doubtful(4), Seen(4.0, Flag.REPAIRED, (4.0, 9.0))]
    assert places(order(co_ppm=night)) == [(2, "co_ppm")]
    assert places(order({Flag.HIDDEN}, co_ppm=night)) == [(1, "co_ppm")]


def test_night_without_any_settled_reading() -> None:
    assert len(order(co_ppm=[doubtful(3), Seen(None, Flag.UNREADABLE), doubtful(4)])) == 3


SEEN = st.builds(
    Seen,
    st.none() | st.floats(0, 999),
    st.sampled_from(sorted(Flag)),
    st.lists(st.floats(0, 999), max_size=4).map(tuple),
)


@given(st.lists(st.tuples(SEEN, SEEN), max_size=12))
def test_every_doubt_is_there_once_and_the_rest_stands_in_the_order_of_time(pairs: list[tuple[Seen, Seen]]) -> None:
    night = {"co_ppm": [one for one, _ in pairs], "temp_c": [other for _, other in pairs]}
    found = order(**night)
    wanted = {(number, key) for key, seen in night.items() for number, one in enumerate(seen) if one.flag in DOUBTS}
    assert set(places(found)) == wanted
    assert len(found) == len(wanted)
    assert [doubt.rank for doubt in found] == sorted(doubt.rank for doubt in found)
    rest = [doubt.number for doubt in found if not doubt.reasons]
    assert rest == sorted(rest)
    assert all(doubt.reasons for doubt in found[: len(found) - len(rest)])
