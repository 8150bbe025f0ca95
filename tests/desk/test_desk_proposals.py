"""What the desk fills in by itself: mask, range, step, column names, instruments."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from frametally.desk.proposals import (
    QUANTITIES,
    group_faces,
    masks_for,
    name_all,
    quantity_of,
    range_of,
    resolution_of,
    slug,
    surest_mask,
)
from frametally.model import MASK, Corners, Flag, Reading, key_kind


def box(x: float, y: float, width: float, height: float) -> Corners:
    return ((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def said(value: float | None, confidence: float, flag: Flag = Flag.OK) -> Reading:
    return Reading("" if value is None else str(value), value, confidence, flag)


def test_list_speaks_the_words_of_the_tables() -> None:
    for known in QUANTITIES:
        assert all(MASK.match(mask) for mask in known.masks)
        assert known.key == "clock" or key_kind(known.key) == known.key
    assert quantity_of("air temperature", "°C") is quantity_of("temperature", "°C")
    assert quantity_of("nitrogen monoxide", "ppm") is None


def test_surest_mask_wins_and_nearly_equal_ones_go_by_use() -> None:
    sure = {"###": 0.4, "##.#": 0.99, "##": 0.2}
    assert surest_mask(tuple(sure), lambda mask: [said(1, sure[mask])]) == ("##.#", 0.99)
    alike = {"###": 0.97, "##": 0.975}
    assert surest_mask(tuple(alike), lambda mask: [said(1, alike[mask])])[0] == "###"


def test_mask_is_judged_over_all_frames_not_by_one() -> None:
    readings: dict[str, Sequence[Reading]] = {"##": [said(4, 1.0), said(43, 1.0), said(19, 0.1)], "###": [said(4, 0.95)] * 3}
    assert surest_mask(("##", "###"), readings.__getitem__)[0] == "###"


def test_words_and_dark_displays_speak_for_no_mask() -> None:
    readings = {"###": [said(None, 0.99, Flag.BLANK)], "##.#": [said(20.9, 0.6, Flag.DOUBTFUL)]}
    assert surest_mask(("###", "##.#"), lambda mask: readings[mask])[0] == "##.#"


def test_masks_with_more_places_than_fit_are_not_tried() -> None:
    assert "####" not in masks_for("carbon monoxide", "ppm", box(0, 0, 60, 50))
    assert masks_for("carbon monoxide", "ppm", box(0, 0, 150, 70))[0] == "###"
    assert masks_for("oxygen", "%", box(0, 0, 5, 500)) == ("##.#",)


@pytest.mark.parametrize(
    ("mask", "unit", "step", "span"),
    [
        ("###", "ppm", 1, (0, 999)),
        ("##.#", "°C", 0.1, (0, 99.9)),
        ("-##.#", "°C", 0.1, (-99.9, 99.9)),
        ("###", "%", 1, (0, 100)),
        ("-##", "%", 1, (0, 99)),
        ("#.##", "ppm", 0.01, (0, 9.99)),
        ("##:##", "", None, None),
    ],
)
def test_step_and_range_follow_from_the_mask(mask: str, unit: str, step: float | None, span: tuple[float, float] | None) -> None:
    assert resolution_of(mask) == step
    assert range_of(mask, unit) == span


def test_displays_of_one_face_are_one_instrument() -> None:
    handheld = [box(760, 389, 126, 70), box(757, 484, 117, 62)]
    wall = [box(192, 522, 136, 80), box(343, 536, 78, 60), box(441, 535, 119, 63)]
    assert group_faces(handheld + wall) == [0, 0, 1, 1, 1]
    assert group_faces([wall[0], handheld[0], wall[2], wall[1], handheld[1]]) == [0, 1, 0, 0, 1]  # in any order, also by a chain
    assert group_faces([]) == []


def display(corners: Corners, quantity: str = "carbon monoxide", unit: str = "ppm", **more: Any) -> dict[str, Any]:
    return {"corners": corners, "quantity": quantity, "unit": unit, "key": "", "instrument": "", "own": (), **more}


def test_second_display_of_a_quantity_is_named_after_its_instrument() -> None:
    near, far = box(0, 0, 100, 50), box(900, 0, 100, 50)
    names = name_all([display(near), display(far, instrument="wall unit", own=("instrument",)), display(far, "oxygen", "%")])
    assert [name["key"] for name in names] == ["co_ppm", "wall_unit_co_ppm", "o2_pct"]
    assert [name["instrument"] for name in names] == ["instrument 1", "wall unit", "wall unit"]
    assert key_kind("wall_unit_co_ppm") == "co_ppm"


def test_what_was_set_by_hand_stays_and_nothing_is_named_twice() -> None:
    near = box(0, 0, 100, 50)
    displays = [display(near), display(near, key="co_ppm", own=("key",)), display(near), display(near, "", "")]
    keys = [name["key"] for name in name_all(displays)]
    assert keys[1] == "co_ppm"
    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize(
    ("text", "name"), [("Wall unit", "wall_unit"), ("3 gases!", "gases"), ("../é<b>", "b"), ("", ""), ("42", "")]
)
def test_names_become_column_names(text: str, name: str) -> None:
    assert slug(text) == name
