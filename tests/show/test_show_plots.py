"""The charts: what they say, what they mark, that nothing overlaps, and that they are the same every time."""

from __future__ import annotations

import re
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta, timezone
from html import unescape
from itertools import combinations, pairwise
from pathlib import Path

import matplotlib
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from show_nights import a_display, blank

from frametally.model import Display
from frametally.show.callouts import _wrapped
from frametally.show.labels import find_place, spread
from frametally.show.look import DASHES, MARKERS, SERIES
from frametally.show.plots import draw_chart, value_range
from frametally.show.traces import group_displays, read_axis, read_trace, runs

LIMITS = [("NIOSH REL", 35.0), ("NIOSH ceiling", 200.0), ("NIOSH IDLH", 1200.0), ("EPA, 8 h", 9.0), ("OSHA PEL", 50.0)]


def co(displays: tuple[Display, ...]) -> tuple[Display, ...]:
    return group_displays(displays)[0]


def texts(svg: str) -> list[str]:
    return [unescape(text) for text in re.findall(r"<text[^>]*>([^<]*)</text>", svg)]


def group(svg: str, gid: str) -> str:
    """Give what stands inside the element with this id."""
    start = svg.index(f'id="{gid}"')
    return svg[start : svg.index("</g>", start)]


def test_one_chart_per_quantity(displays: tuple[Display, ...]) -> None:
    clock = a_display("clock", "clock", "h", None)
    assert [[d.key for d in g] for g in group_displays((*displays, clock))] == [["co_ppm", "wall_co_ppm"], ["o2_pct"]]


def test_a_chart_says_quantity_unit_times_peak_and_lowest(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    said = texts(draw_chart(night, co(displays), LIMITS).svg("c"))
    wanted = (
        "carbon monoxide [ppm]", "hand-held monitor", "wall unit", "22:00", "30 Oct", "00:00", "31 Oct", "local time (UTC+00:00)",
        "highest 193 ppm at 00:00", "lowest 5 ppm at 22:00", "highest read 40 ppm at 00:36", "over range", "no frame", "hidden",
        "blank",
    )  # fmt: skip
    assert [text for text in wanted if text not in said] == []
    assert "unreadable" not in said
    assert any("NIOSH REL: 35 ppm" in text for text in said)
    assert any("NIOSH ceiling:" in text for text in said)


def test_lines_differ_in_more_than_colour() -> None:
    assert len(set(SERIES)) == len(set(MARKERS)) == len(set(DASHES)) == 4


def test_limits_far_outside_are_named_instead_of_drawn(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    chart = draw_chart(night, co(displays), LIMITS)
    assert chart.beyond == ("NIOSH IDLH: 1200 ppm",)
    assert re.findall(r'id="c-limit([^"]*)"', chart.svg("c")) == ["", "-2", "-3", "-4"]
    assert draw_chart(night, co(displays)).svg("c").count('id="c-limit"') == 0


def test_a_chart_changes_when_a_reading_becomes_doubtful(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    before = draw_chart(night, co(displays)).svg("c")
    night.loc[30, "co_ppm_flag"] = "doubtful"
    after = draw_chart(night, co(displays)).svg("c")
    assert "c-doubtful-co_ppm" not in before
    assert "doubtful" in texts(after)
    assert "193?" in texts(after), "beyond the scale of the settled readings: at the edge, with its value"
    assert "highest settled 44 ppm at 00:36" in texts(after)
    night.loc[30, "co_ppm"] = 60.0
    within = draw_chart(night, co(displays)).svg("c")
    assert "highest 60 ppm at 00:00, unverified" in texts(within)
    assert "fill: var(--paper" in group(within, "c-doubtful-co_ppm"), "a hollow mark"
    assert "fill: var(--line-1" in group(within, "c-settled-co_ppm"), "a full mark"


def test_one_misread_number_does_not_flatten_the_night(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    calm = value_range([read_trace(night, displays[1])])
    night.loc[8, "o2_pct"] = 80.8
    night.loc[8, "o2_pct_flag"] = "doubtful"
    assert value_range([read_trace(night, displays[1])]) == calm
    night.loc[8, "o2_pct_flag"] = "ok"
    assert value_range([read_trace(night, displays[1])])[1] == 80.8


def test_a_line_stops_where_there_is_no_settled_reading(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    def moves(table: pd.DataFrame) -> int:
        return group(draw_chart(table, displays[1:2]).svg("c"), "c-line-o2_pct").count("M ")

    assert moves(night) == 3  # no photo, unreadable
    night.loc[25, "o2_pct_flag"] = "doubtful"
    assert moves(night) == 4
    later = night.copy()
    later.loc[32:, "elapsed_min"] += 60.0  # a pause without rows of its own
    assert moves(later) == 5


def test_gaps_and_over_range_are_drawn(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    svg = draw_chart(night, co(displays)).svg("c")
    assert svg.count('id="c-gap"') == 1
    assert group(svg, "c-edge").count("<use") == 1
    blank(night, 22, "co_ppm", "under_range")
    assert "under range" in texts(draw_chart(night, co(displays)).svg("c"))


@pytest.mark.parametrize("narrow", [False, True])
def test_no_text_stands_on_another(narrow: bool, displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    night.loc[12, "co_ppm_flag"] = night.loc[33, "wall_co_ppm_flag"] = "doubtful"
    limits = [*LIMITS, ("HSE WEL, 8 h", 20.0), ("EU, 8 h average", 20.0), ("ACGIH TLV", 25.0), ("WHO, 24 h", 6.0)]
    for shown in (co(displays), displays[1:2]):
        boxes = text_boxes(draw_chart(night, shown, limits, narrow=narrow).figure)
        assert len(boxes) > 12
        for (one, a), (other, b) in combinations(boxes, 2):
            wide = min(a[2], b[2]) - max(a[0], b[0])
            high = min(a[3], b[3]) - max(a[1], b[1])
            assert wide <= 1 or high <= 1.5, (one, other)


@pytest.mark.parametrize("narrow", [False, True])
def test_no_text_leaves_the_picture(narrow: bool, displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    figure = draw_chart(night, co(displays), LIMITS, narrow=narrow).figure
    width, height = figure.get_size_inches() * figure.dpi
    for text, (left, bottom, right, top) in text_boxes(figure):
        assert left >= 0, text
        assert bottom >= 0, text
        assert right <= width, text
        assert top <= height + 1, text


def text_boxes(figure: Figure) -> list[tuple[str, tuple[float, float, float, float]]]:
    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    found = list(figure.texts) + [text for legend in figure.legends for text in legend.get_texts()]
    for axes in figure.axes:
        found += [*axes.get_yticklabels(), axes.xaxis.label, *axes.texts]
        if axes is figure.axes[-1]:
            found += axes.get_xticklabels()
        low, high = axes.get_ylim()
        hidden = {label for label, at in zip(axes.get_yticklabels(), axes.get_yticks(), strict=True) if not low <= at <= high}
        found = [text for text in found if text not in hidden]
    return [(text.get_text(), text.get_window_extent(renderer).extents) for text in found if text.get_text().strip()]


def test_the_same_table_gives_the_same_text(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    first = draw_chart(night, co(displays), LIMITS).svg("c")
    with matplotlib.rc_context({"font.size": 30, "lines.linewidth": 9, "axes.facecolor": "red", "text.usetex": True}):
        second = draw_chart(night, co(displays), LIMITS).svg("c")
        assert matplotlib.rcParams["font.size"] == 30, "the user's own settings are left as they were"
    assert first == second
    assert re.search(r"\d{4}-\d{2}-\d{2}T", first) is None


def test_charts_on_one_page_share_no_id(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    one, two = (set(re.findall(r'\bid="([^"]+)"', draw_chart(night, co(displays)).svg(name))) for name in ("a", "b"))
    assert not one & two
    svg = draw_chart(night, co(displays)).svg("a")
    assert set(re.findall(r'href="#([^"]+)"', svg)) | set(re.findall(r"url\(#([^)]+)\)", svg)) <= one


def test_a_chart_is_a_picture_with_words_for_those_who_cannot_see_it(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    svg = draw_chart(night, co(displays)).svg("c")
    assert 'role="img"' in svg
    assert "<title" in svg
    assert "highest number 193 ppm at 00:00" in svg
    assert "over range in 1 photo." in svg


def test_png_is_written(tmp_path: Path, displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    chart = draw_chart(night, co(displays))
    chart.save_png(tmp_path / "a.png")
    chart.save_png(tmp_path / "b.png")
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_names_in_any_script_and_with_signs_of_their_own_are_drawn(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    names = ("_測定器 $x_1$ \N{FIRE}", "Küche & <b>")
    shown = [d.model_copy(update={"instrument": name}) for d, name in zip(co(displays), names, strict=True)]
    said = texts(draw_chart(night, shown, [("ab$c$d_e", 35.0)]).svg("c"))
    assert [text for text in (*names, "ab$c$d_e: 35 ppm") if text not in said] == []


def test_charts_drawn_in_threads_are_the_same(displays: tuple[Display, ...], night: pd.DataFrame) -> None:
    def draw(_: int) -> str:
        return draw_chart(night, co(displays), LIMITS).svg("c")

    with ThreadPoolExecutor(4) as pool:
        assert len(set(pool.map(draw, range(6)))) == 1


def test_charts_leave_pyplot_alone() -> None:
    code = "import sys, frametally.show.report; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# --- times -----------------------------------------------------------------------------------------------------------


def times(moments: list[str | None], elapsed: list[float] | None = None) -> pd.DataFrame:
    return pd.DataFrame({"time": moments, "elapsed_min": elapsed or [np.nan] * len(moments)})


def test_without_times_the_axis_counts_minutes_or_photos() -> None:
    minutes = read_axis(times([None] * 3, [0.0, 4.0, 300.0]))
    assert (minutes.kind, minutes.label) == ("elapsed", "time since the first photo [min]")
    assert [tick.text for tick in minutes.ticks(5)] == ["0", "60", "120", "180", "240", "300"]
    photos = read_axis(times([None] * 30))
    assert photos.label == "photo number (no times known)"
    assert photos.text_at(11) == "photo 12"


def test_times_without_offset_are_taken_as_they_stand() -> None:
    axis = read_axis(times(["2026-10-30T23:50:00", None, "2026-10-31T00:20:00"]))
    assert axis.label == "local time (offset from UTC not known)"
    np.testing.assert_array_equal(axis.x, [0.0, np.nan, 30.0])
    assert [(t.at, t.text, t.day) for t in axis.ticks(4)][:2] == [(0.0, "23:50", "30 Oct"), (10.0, "00:00", "31 Oct")]


def test_the_clock_on_the_axis_follows_the_end_of_summer_time() -> None:
    """From 01:00 UTC on 25 October 2026 British clocks show one hour less (last Sunday of October; from memory)."""
    start, switch = datetime.fromisoformat("2026-10-24T23:00:00+00:00"), datetime.fromisoformat("2026-10-25T01:00:00+00:00")
    moments = [start + timedelta(minutes=10 * i) for i in range(31)]
    local = [m.astimezone(timezone(timedelta(hours=1 if m < switch else 0))).isoformat() for m in moments]
    axis = read_axis(times(list(local), [10.0 * i for i in range(31)]))
    assert [(tick.at, tick.text) for tick in axis.ticks(6)] == [
        (0.0, "00:00"), (60.0, "01:00"), (120.0, "01:00"), (180.0, "02:00"), (240.0, "03:00"), (300.0, "04:00"),
    ]  # fmt: skip
    assert axis.label == "local time (the clock's offset from UTC changed)"


@given(st.lists(st.booleans(), max_size=30))
def test_runs_hold_each_true_row_once(rows: list[bool]) -> None:
    found = [row for first, last in runs(np.array(rows, dtype=bool)) for row in range(first, last + 1)]
    assert found == [row for row, true in enumerate(rows) if true]


# --- where labels go -------------------------------------------------------------------------------------------------


@given(st.lists(st.floats(0, 200), min_size=1, max_size=12))
def test_spread_labels_neither_touch_nor_swap(wanted: list[float]) -> None:
    wanted.sort()
    placed = spread(wanted, [10.0] * len(wanted), -10.0, 210.0)
    assert all(b - a >= 10.0 - 1e-6 for a, b in pairwise(placed))
    assert min(placed) >= -5.0 - 1e-6
    assert max(placed) <= 205.0 + 1e-6


def test_a_label_goes_where_nothing_is() -> None:
    column = np.column_stack([np.full(100, 50.0), np.linspace(0, 100, 100)])
    nothing = np.zeros((0, 2))
    place = find_place((50.0, 50.0), (30.0, 10.0), (0.0, 0.0, 200.0, 100.0), [], column, nothing)
    assert place.box[0] > 50 or place.box[2] < 50
    second = find_place((50.0, 50.0), (30.0, 10.0), (0.0, 0.0, 200.0, 100.0), [place.box], column, nothing)
    beside = second.box[0] >= place.box[2] or second.box[2] <= place.box[0]
    assert beside or second.box[1] >= place.box[3] or second.box[3] <= place.box[1]


def test_a_limits_number_stays_with_its_unit() -> None:
    lines = _wrapped("WHO guideline for indoor air, 8 h: 8.73 ppm").split("\n")
    assert lines[-1] == "8.73 ppm"
    assert " ".join(lines) == "WHO guideline for indoor air, 8 h: 8.73 ppm"
    assert max(map(len, lines)) <= 23
