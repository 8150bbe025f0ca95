"""Short drawn nights with what real displays and cameras do: whatever it is, no number is given that was not shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from frametally.practice.camera import View
from frametally.practice.instruments import Pose
from frametally.practice.paint import Mask
from frametally.practice.styles import DisplayStyle
from frametally.run import Outcome
from odd_nights import START, Lighting, OddNight, column

SETTLED = ("ok", "repaired")
OTHERS = {"temp_c": "18.4", "rh_pct": "61", "wall_co_ppm": "12"}


def texts(count: int, monoxide: Sequence[str] | None = None, oxygen: Sequence[str] | None = None) -> list[dict[str, str]]:
    """Give what a night of `count` photos shows: carbon monoxide and oxygen as given or slowly changing, the others at rest."""
    monoxide = monoxide or [f"{12 + at // 2}" for at in range(count)]
    oxygen = oxygen or [f"{20.9 - at // 4 * 0.1:.1f}" for at in range(count)]
    return [{"co_ppm": co, "o2_pct": o2} | OTHERS for co, o2 in zip(monoxide, oxygen, strict=True)]


def wrong(outcome: Outcome, shown: Sequence[Mapping[str, str]], keys: Sequence[str] = ("co_ppm", "o2_pct")) -> list[object]:
    """Give every settled value that was not shown under its key."""
    return [
        (at, key, value, flag, row.get(key, ""))
        for key in keys
        for at, ((value, flag), row) in enumerate(zip(column(outcome, key), shown, strict=True))
        if flag in SETTLED and (value is None or not row.get(key) or abs(value - float(row[key])) > 1e-9)
    ]


def right(outcome: Outcome, shown: Sequence[Mapping[str, str]], keys: Sequence[str] = ("co_ppm", "o2_pct")) -> float:
    """Give the share of the numbers shown that were settled."""
    counted = [
        flag in SETTLED
        for key in keys
        for (_, flag), row in zip(column(outcome, key), shown, strict=True)
        if row.get(key, "").replace(".", "").isdigit()
    ]
    return sum(counted) / len(counted)


# --- screens that show one quantity after another -----------------------------------------------------------------------


@pytest.mark.parametrize("style", ["lcd-plain", "led-red"])
def test_two_quantities_in_turn_on_one_screen(tmp_path: Path, style: str) -> None:
    pairs = texts(14)
    shown = [{key: text for key, text in row.items() if key != ("o2_pct", "co_ppm")[at % 2]} for at, row in enumerate(pairs)]
    outcome = OddNight(shown, shared=True, style=style).run(tmp_path / "night")

    assert wrong(outcome, shown) == []
    assert right(outcome, shown) >= 0.9
    for at in range(14):
        assert column(outcome, ("o2_pct", "co_ppm")[at % 2])[at] == (None, "blank")


def test_a_peak_on_a_screen_that_alternates_stays_under_its_key(tmp_path: Path) -> None:
    pairs = texts(
        16, monoxide=["12", "12", "13", "13", "14", "14", "14", "14", "209", "208", "206", "90", "40", "20", "16", "14"]
    )
    shown = [{key: text for key, text in row.items() if key != ("o2_pct", "co_ppm")[at // 2 % 2]} for at, row in enumerate(pairs)]
    outcome = OddNight(shown, shared=True).run(tmp_path / "night")

    assert wrong(outcome, shown) == []
    peak = next(at for at, row in enumerate(shown) if row.get("co_ppm") in ("209", "208"))
    assert column(outcome, "co_ppm")[peak][0] == float(shown[peak]["co_ppm"])


# --- points, words, darkness -------------------------------------------------------------------------------------------


def test_a_point_that_moves_with_the_range(tmp_path: Path) -> None:
    """One display, two masks: below 100 it shows tenths, above it does not; the point's place decides by the pixels alone."""
    values = ["9.8", "12.4", "35.6", "71.2", "98.7", "134", "256", "187", "112", "99.4", "64.1", "30.3"]
    shown = texts(12, monoxide=values)
    night = OddNight(shown, digits={"co_ppm": "##.#"}, masks={"co_ppm": ("##.#", "###")})
    outcome = night.run(tmp_path / "night")

    assert wrong(outcome, shown) == []
    assert right(outcome, shown, ["co_ppm"]) >= 0.6


def test_a_display_that_goes_off_to_save_its_battery(tmp_path: Path) -> None:
    shown = [row | ({"co_ppm": "", "o2_pct": ""} if 4 <= at < 9 else {}) for at, row in enumerate(texts(14))]
    outcome = OddNight(shown).run(tmp_path / "night")

    assert wrong(outcome, shown) == []
    assert {flag for key in ("co_ppm", "o2_pct") for _, flag in column(outcome, key)[4:9]} == {"blank"}
    assert right(outcome, shown) >= 0.9


@pytest.mark.parametrize("style", ["lcd-ghost", "lcd-backlit-blue"])
def test_an_alarm_that_flashes_is_caught_dark_and_lit(tmp_path: Path, style: str) -> None:
    shown = [row | ({"co_ppm": ""} if at >= 5 and at % 2 else {}) for at, row in enumerate(texts(14))]
    outcome = OddNight(shown, style=style).run(tmp_path / "night")

    assert wrong(outcome, shown) == []
    assert all(column(outcome, "co_ppm")[at] == (None, "blank") for at in range(5, 14, 2))
    assert right(outcome, shown) >= 0.85


def test_words_of_a_weak_battery_are_words(tmp_path: Path) -> None:
    shown = [row | ({"co_ppm": "Lo"} if at in (5, 6, 12, 13) else {}) for at, row in enumerate(texts(14))]
    outcome = OddNight(shown, status={"co_ppm": {"Lo": "low battery"}}).run(tmp_path / "night")

    assert [column(outcome, "co_ppm")[at] for at in (5, 6, 12, 13)] == [(None, "status")] * 4
    assert wrong(outcome, shown) == []


# --- light -----------------------------------------------------------------------------------------------------------------


def test_a_backlight_that_comes_on_in_the_night(tmp_path: Path) -> None:
    def lit(frame: int, style: DisplayStyle) -> DisplayStyle:
        return style if frame < 6 else replace(style, kind="backlit", window=(214, 150, 60), ink=(56, 20, 8))

    shown = texts(14)
    outcome = OddNight(shown, look=lit).run(tmp_path / "night")

    assert wrong(outcome, shown) == []
    assert right(outcome, shown) >= 0.8


def test_a_display_that_turns_dark_on_light_into_light_on_dark(tmp_path: Path) -> None:
    def turned(frame: int, style: DisplayStyle) -> DisplayStyle:
        return style if frame < 6 else replace(style, kind="negative", window=(44, 30, 24), ink=(236, 228, 216), shadow=0.0)

    shown = texts(14)
    outcome = OddNight(shown, look=turned).run(tmp_path / "night")

    assert wrong(outcome, shown) == []
    assert right(outcome, shown) >= 0.4  # those before it turned, at the least; the others must not be wrong


def digit_dark(frame: int, lit: Mask, unlit: Mask) -> tuple[Mask, Mask]:
    """Leave one of three digits dark in every second photo, as a short shutter sees digits that are driven one after another."""
    if frame % 2 == 0:
        return lit, unlit
    columns = np.flatnonzero((lit + unlit).max(axis=0) > 0.5)
    edges = np.linspace(columns[0], columns[-1] + 1, 4).astype(int)
    place = slice(edges[frame // 2 % 3], edges[frame // 2 % 3 + 1])
    part = lit.copy()
    part[:, place] = 0
    return part, np.maximum(unlit, lit - part)


def band_dim(frame: int, lit: Mask, unlit: Mask) -> tuple[Mask, Mask]:
    """Dim a band of rows in every second photo, as a shutter that runs down the picture sees digits that flicker."""
    if frame % 2 == 0:
        return lit, unlit
    rows = lit.shape[0]
    part = lit.copy()
    part[(np.arange(rows // 3) + frame * rows // 5) % rows] *= 0.3
    return part, unlit


@pytest.mark.parametrize("lighting", [digit_dark, band_dim])
def test_digits_that_the_shutter_catches_half_lit(tmp_path: Path, lighting: Lighting) -> None:
    shown = texts(14, monoxide=[f"{112 + at}" for at in range(14)])
    outcome = OddNight(shown, style="led-red", lighting=lighting).run(tmp_path / "night")

    assert wrong(outcome, shown) == []
    assert right(outcome, shown, ["o2_pct"]) >= 0.45  # those that were caught wholly lit


# --- camera and instruments ---------------------------------------------------------------------------------------------


def test_a_nudge_is_a_notice_with_its_time_and_a_path_in_the_audit_table(tmp_path: Path) -> None:
    shown = texts(12)
    outcome = OddNight(shown, view=lambda frame: View() if frame < 6 else View(22.0, -14.0, 0.8)).run(tmp_path / "night")
    (notice,) = (notice for notice in outcome.notices if notice.code == "camera-nudged")
    path = outcome.tables.audit.drop_duplicates("frame")[["shift_x_px", "shift_y_px"]].to_numpy(float)

    assert notice.where == "night_0007.jpg"
    assert "2026-11-20 23:06" in notice.text
    assert wrong(outcome, shown) == []
    assert np.hypot(*path[:6].T).max() < 1
    assert np.ptp(path[6:], axis=0).max() < 1
    assert 20 < np.hypot(*path[8]) < 60


def test_what_was_blocked_is_found_again(tmp_path: Path) -> None:
    """Somebody stands before the camera, and the tripod is nudged while nothing is to be seen."""

    def blocked(frame: int, pixels: np.ndarray) -> np.ndarray:
        return np.full_like(pixels, 35) if 5 <= frame < 8 else pixels

    shown = texts(13)
    night = OddNight(shown, paint=blocked, view=lambda frame: View() if frame < 6 else View(-18.0, 10.0, -0.5))
    outcome = night.run(tmp_path / "night")

    assert all(column(outcome, key)[at][1] in ("lost", "hidden") for key in ("co_ppm", "o2_pct") for at in (5, 6, 7))
    assert wrong(outcome, shown) == []
    assert all(column(outcome, key)[at][1] in SETTLED for key in ("co_ppm", "o2_pct") for at in range(9, 13))
    assert [notice.where for notice in outcome.notices if notice.code == "camera-nudged"] == ["night_0009.jpg"]


def test_an_instrument_that_was_taken_away_is_lost_from_then_on(tmp_path: Path) -> None:
    def taken(frame: int, poses: tuple[Pose, Pose]) -> tuple[Pose, Pose]:
        return poses if frame < 6 else (replace(poses[0], y=poses[0].y + 3000), poses[1])

    shown = texts(12)
    outcome = OddNight(shown, poses=taken).run(tmp_path / "night")

    assert {column(outcome, key)[at] for key in ("co_ppm", "o2_pct") for at in range(6, 12)} == {(None, "lost")}
    (notice,) = (notice for notice in outcome.notices if notice.code == "instrument-left")
    assert notice.where == "night_0007.jpg"
    assert "co_ppm, o2_pct" in notice.text
    assert wrong(outcome, shown, ["temp_c"]) == []
    assert right(outcome, shown, ["temp_c"]) >= 0.9


# --- a clock in view ----------------------------------------------------------------------------------------------------


def test_a_clock_in_view_sets_the_times_that_photos_lack(tmp_path: Path) -> None:
    start = datetime(2026, 11, 20, 23, 52)
    shown = [row | {"o2_pct": ""} for row in texts(12)]
    shown = [{**row, "clock": (start + timedelta(minutes=at)).strftime("%H:%M")} for at, row in enumerate(shown)]
    outcome = OddNight(shown, hand=("co_ppm", "clock"), times=lambda frame: None).run(tmp_path / "night")
    table = outcome.tables.readings

    known = [time for time in table["time"] if time]
    assert len(known) >= 10
    assert all(time[11:16] == row["clock"] for time, row in zip(table["time"], shown, strict=True) if time)
    assert "clock-sets" in {notice.code for notice in outcome.notices}
    assert wrong(outcome, shown, ["co_ppm"]) == []


def test_a_clock_in_view_checks_the_photos_own_times(tmp_path: Path) -> None:
    ahead = timedelta(minutes=9)
    shown = [{**row, "clock": (START + ahead + timedelta(minutes=at)).strftime("%H:%M")} for at, row in enumerate(texts(12))]
    outcome = OddNight(shown, hand=("co_ppm", "clock")).run(tmp_path / "night")
    (notice,) = (notice for notice in outcome.notices if notice.code == "clock-in-view")

    assert "9 min ahead" in notice.text or "10 min ahead" in notice.text
    assert outcome.tables.readings["time"][0] == START.isoformat()
