"""Displays that share one place: each value stands under the key that it belongs to, or is a doubt; never under a wrong one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from clean_nights import display, minutes, night, nothing, numbers, reading, word

from frametally.clean import make_tables
from frametally.clean.alternating import SURE, find_shown, sharing
from frametally.model import VALUED, Display, Flag, Method, Reading

PLACE = {"corners": ((0.0, 0.0), (9.0, 0.0), (9.0, 4.0), (0.0, 4.0))}
CO = display("co_ppm", **PLACE)
OXYGEN = display("o2_pct", "##.#", quantity="oxygen", unit="%", range=(0, 25), resolution=0.1, **PLACE)
HUMIDITY = display("rh_pct", "##", quantity="relative humidity", unit="%", range=(5, 99), **PLACE)

LOOSER = {"corners": ((-0.5, -0.4), (9.3, 0.1), (9.5, 4.4), (-0.2, 4.2))}


def of_pixels(text: str, displays: tuple[Display, ...], unfit: float = 0.27) -> dict[str, Reading]:
    """Give what each display reads where `text` is shown: its digits in every mask. 0.27 is what drawn nights give for a mask
    that leaves a point unexplained; nothing is lost on a mask whose point is not there."""
    digits = text.replace(".", "")
    found = {}
    for one in displays:
        after = len(one.masks[0].partition(".")[2])
        own = f"{digits[:-after]}.{digits[-after:]}" if after else digits
        found[one.key] = reading(own, unfit if "." in text and own != text else 0.998)
    return found


def shown(texts: list[str], displays: tuple[Display, ...], unfit: float = 0.27) -> dict[str, list[Reading]]:
    rows = [of_pixels(text, displays, unfit) for text in texts]
    return {one.key: [row[one.key] for row in rows] for one in displays}


def table(columns: dict[str, list[Reading]], displays: tuple[Display, ...]) -> dict[str, list[tuple[float | None, str]]]:
    found = make_tables(night(columns), displays, Method()).readings
    return {
        one.key: [
            (None if math.isnan(value) else float(value), flag)
            for value, flag in zip(found[one.key], found[f"{one.key}_flag"], strict=True)
        ]
        for one in displays
    }


OXYGENS = [20.9, 20.8, 20.8, 20.7, 20.7, 20.6, 20.6, 20.7, 20.7, 20.8]
MONOXIDES = [5, 6, 6, 7, 8, 8, 9, 9, 10, 10]


def in_turn(first: list[float], second: list[float], form: str = "{:g}", other: str = "{:.1f}") -> list[str]:
    return [text for a, b in zip(first, second, strict=True) for text in (form.format(a), other.format(b))]


def test_displays_on_one_place_are_found_also_loosely_marked() -> None:
    apart = display("temp_c")
    loose = CO.model_copy(update=LOOSER)

    assert [[one.key for one in group] for group in sharing((CO, apart, OXYGEN, HUMIDITY))] == [["co_ppm", "o2_pct", "rh_pct"]]
    assert len(sharing((loose, OXYGEN))) == 1
    assert sharing((CO, apart)) == []


def test_each_value_stands_under_its_own_key_alone() -> None:
    texts = in_turn(MONOXIDES, OXYGENS)
    found = table(shown(texts, (CO, OXYGEN)), (CO, OXYGEN))

    assert found["co_ppm"][0::2] == [(value, "ok") for value in MONOXIDES]
    assert found["o2_pct"][1::2] == [(value, "ok") for value in OXYGENS]
    assert found["co_ppm"][1::2] == found["o2_pct"][0::2] == [(None, "blank")] * 10


def test_what_was_read_of_the_other_quantity_stays_in_the_audit_table() -> None:
    texts = in_turn(MONOXIDES, OXYGENS)
    audit = make_tables(night(shown(texts, (CO, OXYGEN))), (CO, OXYGEN), Method()).audit
    line = audit[(audit["display"] == "co_ppm") & (audit["frame"] == "f0001.jpg")].iloc[0]

    assert (line["raw_text"], line["raw_value"], line["flag"]) == ("209", 209.0, "blank")
    assert math.isnan(line["value"])


@pytest.mark.parametrize("peak", [206.0, 215.0, 400.0])
def test_a_true_peak_is_never_given_to_the_other_display(peak: float) -> None:
    """A peak of 206 ppm looks like the oxygen's 20.6 % but for the point."""
    texts = in_turn([*MONOXIDES[:5], peak, peak - 1, *MONOXIDES[5:8]], OXYGENS)
    found = table(shown(texts, (CO, OXYGEN)), (CO, OXYGEN))

    assert found["co_ppm"][10][0] == peak
    assert found["o2_pct"][10][1] not in ("ok", "repaired")


def test_one_lone_peak_that_reads_like_the_other_display_is_a_doubt_under_both() -> None:
    texts = in_turn([*MONOXIDES[:5], 206, *MONOXIDES[5:9]], OXYGENS)
    found = table(shown(texts, (CO, OXYGEN)), (CO, OXYGEN))

    assert found["co_ppm"][10] == (206.0, "doubtful")
    assert found["o2_pct"][10] in ((20.6, "doubtful"), (None, "blank"))


def test_without_a_point_the_neighbours_tell_which_is_shown() -> None:
    texts = in_turn(MONOXIDES, [61, 61, 62, 62, 61, 61, 60, 60, 61, 61], other="{:g}")
    readings = shown(texts, (CO, HUMIDITY))
    for index in range(0, 20, 2):
        readings["rh_pct"][index] = reading(texts[index], 0.02) if float(texts[index]) < 5 else readings["rh_pct"][index]
    found = table(readings, (CO, HUMIDITY))

    for index, text in enumerate(texts):
        own, other = ("co_ppm", "rh_pct") if index % 2 == 0 else ("rh_pct", "co_ppm")
        assert found[own][index] in ((float(text), "ok"), (float(text), "doubtful"))
        assert found[other][index][1] in ("blank", "doubtful")


def test_two_displays_that_nothing_tells_apart_are_doubts_all_night() -> None:
    twin = display("wall_co_ppm", **PLACE)
    texts = in_turn(MONOXIDES, [v + 1 for v in MONOXIDES], other="{:g}")
    found = table(shown(texts, (CO, twin)), (CO, twin))

    assert {flag for key in found for _, flag in found[key]} == {"doubtful"}


def test_where_the_point_is_too_small_to_be_seen_nothing_is_settled() -> None:
    """Read from afar, every mask fits every picture: the oxygen's 20.9 must not stand as 209 ppm of carbon monoxide."""
    texts = in_turn(MONOXIDES, OXYGENS)
    found = table(shown(texts, (CO, OXYGEN), unfit=0.998), (CO, OXYGEN))

    for index, text in enumerate(texts):
        own, other = ("co_ppm", "o2_pct") if index % 2 == 0 else ("o2_pct", "co_ppm")
        assert found[other][index][1] in ("blank", "doubtful"), (index, text)
        assert found[own][index][1] in ("ok", "doubtful", "blank"), (index, text)


def test_the_same_form_with_the_same_range_cannot_be_told() -> None:
    """Which of two temperatures is the inner and which the outer one, no photo says; the neighbours only sort them in two."""
    one, other = (
        display(key, "##.#", quantity="temperature", unit="°C", range=(0, 50), **PLACE) for key in ("temp_c", "sill_temp_c")
    )
    texts = in_turn([18.4, 18.4, 18.5, 18.5, 18.4, 18.4], [9.1, 9.1, 9.2, 9.2, 9.1, 9.1], form="{:.1f}")
    found = table(shown(texts, (one, other)), (one, other))

    assert {flag for key in found for _, flag in found[key]} == {"doubtful"}


def test_long_stretches_and_three_displays() -> None:
    third = display("temp_c", "##.#", quantity="temperature", unit="°C", range=(0, 20), resolution=0.1, **PLACE)
    displays = (CO, OXYGEN, third)
    texts, owners = [], []
    for turn in range(4):
        for key, values in (
            ("co_ppm", [f"{12 + turn}"] * 3),
            ("o2_pct", ["20.9", "20.8", "20.8"]),
            ("temp_c", ["14.5", "14.4", "14.4"]),
        ):
            texts += values
            owners += [key] * 3
    found = table(shown(texts, displays), displays)

    for index, (text, owner) in enumerate(zip(texts, owners, strict=True)):
        for one in displays:
            value, flag = found[one.key][index]
            assert flag in ("ok", "blank", "doubtful")
            if flag == "ok":
                assert (one.key, value) == (owner, float(text))
    assert sum(found[owner][index][1] == "ok" for index, owner in enumerate(owners)) >= 30


def test_hidden_off_and_unreadable_stay_what_they_are() -> None:
    texts = in_turn(MONOXIDES, OXYGENS)
    columns = shown(texts, (CO, OXYGEN))
    for index, flag in ((4, Flag.HIDDEN), (5, Flag.BLANK), (6, Flag.UNREADABLE), (7, Flag.LOST)):
        for key in columns:
            columns[key][index] = nothing(flag)
    found = table(columns, (CO, OXYGEN))

    for index, flag in ((4, "hidden"), (5, "blank"), (6, "unreadable"), (7, "lost")):
        assert {found[key][index] for key in found} == {(None, flag)}


def test_over_range_is_never_taken_for_off() -> None:
    texts = in_turn(MONOXIDES, OXYGENS)
    columns = shown(texts, (CO, OXYGEN))
    for key in columns:
        columns[key][8] = word("OL", Flag.OVER_RANGE)
    found = table(columns, (CO, OXYGEN))

    assert found["co_ppm"][8] == (None, "over_range")


def test_displays_apart_are_not_looked_at() -> None:
    columns = {"co_ppm": numbers([5, 5, 5]), "o2_pct": numbers([20.9, 20.9, 20.9])}

    assert find_shown(columns, minutes(3), (display("co_ppm"), display("o2_pct"))) == {}


def test_an_empty_night_and_one_frame() -> None:
    assert all(share.shape == (0,) for share in find_shown({"co_ppm": [], "o2_pct": []}, [], (CO, OXYGEN)).values())
    one = find_shown(shown(["20.9"], (CO, OXYGEN)), [0.0], (CO, OXYGEN))
    assert one["o2_pct"][0] >= SURE
    assert np.all(one["co_ppm"] <= 1 - SURE)


@pytest.mark.parametrize("seed", range(6))
def test_no_value_is_ever_settled_under_a_wrong_key(seed: int) -> None:
    rng = np.random.default_rng(seed)
    count = 40
    monoxide = np.clip(np.round(np.abs(np.cumsum(rng.normal(0, 6, count))) + 4), 0, 999)
    oxygen = np.clip(20.6 + np.cumsum(rng.normal(0, 0.05, count)), 18, 21)
    owners = rng.integers(0, 2, count)
    texts = [f"{monoxide[i]:.0f}" if owner == 0 else f"{oxygen[i]:.1f}" for i, owner in enumerate(owners)]
    found = table(shown(texts, (CO, OXYGEN)), (CO, OXYGEN))

    for index, (owner, text) in enumerate(zip(owners, texts, strict=True)):
        wrong, right = ("o2_pct", "co_ppm") if owner == 0 else ("co_ppm", "o2_pct")
        assert found[wrong][index][1] in ("blank", "doubtful")
        assert found[right][index][1] in {flag.value for flag in VALUED}
        assert found[right][index][0] == float(text)
