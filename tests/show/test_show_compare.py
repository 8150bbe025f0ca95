"""The page of nights side by side: complete in itself, honest in its words, and no name in it is ever markup or a formula."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
import subprocess
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from compare_nights import NASTY, small_comparison
from matplotlib.axes import Axes

from frametally.compared import Comparison
from frametally.show.compare import TABLE_COLUMNS, render_page, shared_text, write_page, write_table
from frametally.show.overlay import draw_overlay, style_of


class Words(HTMLParser):
    """The text of a page, and its tags with attributes."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def test_conditions_stand_before_what_changed() -> None:
    text = Words(render_page(small_comparison())).text
    assert text.index("What differed between the nights") < text.index("What changed") < text.index("The nights over one another")
    assert "2 conditions at once" in text
    assert "not stated" in text
    assert "no alarm" in text


def test_every_figure_has_unit_bounds_and_words() -> None:
    text = Words(render_page(small_comparison())).text
    figures = ("147 ppm", "132 ppm to 162 ppm", "at least 899 ppm", "5 h 49 min", "−5 h 49 min", "1.47 per hour")
    for words in (*figures, "cannot be told"):
        assert words in text
    assert "−2.0 points" in text  # a change of percent is no percentage of anything
    assert "not settled: no bounds" in text
    assert "Read on different instruments (a / b)" in text
    assert shared_text((0.0, 508.0)) == "from switch-on to 8\u00a0h 28\u00a0min after it"


def test_the_page_needs_nothing_and_runs_nothing() -> None:
    page = render_page(small_comparison("<script>alert(1)</script>"))
    parsed = Words(page)
    assert not [tag for tag, _ in parsed.tags if tag in ("script", "iframe", "object", "embed", "form")]
    links = [value for _, attributes in parsed.tags for name, value in attributes.items() if name in ("src", "href") and value]
    assert all(value.startswith(("#", "data:")) for value in links)
    assert "&lt;script&gt;" in page
    assert "default-src 'none'" in page
    ids = [attributes["id"] for _, attributes in parsed.tags if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_same_comparison_same_bytes(tmp_path: Path) -> None:
    for name in ("one.html", "two.html"):
        write_page(small_comparison(), tmp_path / name)
    assert (tmp_path / "one.html").read_bytes() == (tmp_path / "two.html").read_bytes()


def test_the_table_has_one_row_per_figure_and_night(tmp_path: Path) -> None:
    write_table(small_comparison(NASTY), tmp_path / "compare.csv")
    head, *rows = csv.reader(io.StringIO((tmp_path / "compare.csv").read_text("utf-8")))
    assert tuple(head) == TABLE_COLUMNS
    assert len(rows) == 8
    assert rows[0][:7] == ["Carbon monoxide", "Highest", "ppm", "vent shut", "147", "132.3", "161.7"]
    assert rows[1][7:11] == ["852", "737.4", "", "higher"]
    assert rows[0][7:11] == ["", "", "", ""]
    texts = [row[place] for row in rows for place in (0, 1, 2, 3, 11)]
    assert not [text for text in texts if text.startswith(("=", "+", "-", "@"))]
    assert rows[1][3] == f"'{NASTY}"


# --- charts ----------------------------------------------------------------------------------------------------------


def plot_of(comparison: Comparison, *, narrow: bool = False) -> Axes:
    chart = draw_overlay(comparison.courses[0], [one.name for one in comparison.nights], 0, narrow=narrow)
    return next(axes for axes in chart.figure.axes if axes.get_gid() == "plot")


def test_a_line_stops_at_doubts_ends_of_range_and_gaps() -> None:
    comparison = small_comparison()
    plot = plot_of(comparison)
    (line,) = [one for one in plot.lines if one.get_gid() == "night-1"]
    assert np.isnan(np.asarray(line.get_ydata(), float)).sum() == 2
    (doubtful,) = [one for one in plot.lines if one.get_gid() == "d-1"]
    (beyond,) = [one for one in plot.lines if one.get_gid() == "o-1"]
    assert (len(doubtful.get_xdata()), len(beyond.get_xdata())) == (2, 3)
    assert beyond.get_marker() == "^"
    course = comparison.courses[0]
    minutes = tuple(minute + (200.0 if number > 30 else 0.0) for number, minute in enumerate(course.lines[0].minutes))
    gap = dataclasses.replace(course, lines=(dataclasses.replace(course.lines[0], minutes=minutes), course.lines[1]))
    plot = plot_of(dataclasses.replace(comparison, courses=(gap,)))
    (line,) = [one for one in plot.lines if one.get_gid() == "night-0"]
    assert np.isnan(np.asarray(line.get_ydata(), float)).sum() == 1


def test_axes_are_labelled_and_switch_on_is_drawn() -> None:
    plot = plot_of(small_comparison())
    assert plot.get_xlabel() == "time since switch-on [h]"
    assert [one for one in plot.lines if one.get_gid() == "switch-on"]
    assert len([one for one in plot.lines if one.get_gid() == "limit"]) == 1


@pytest.mark.parametrize("narrow", [False, True])
def test_charts_say_in_words_what_they_show(narrow: bool) -> None:
    comparison = small_comparison()
    chart = draw_overlay(comparison.courses[0], ["vent shut", "vent open"], 0, narrow=narrow)
    assert "vent shut: 68 settled readings; highest 118 ppm 3.9 h after switch-on" in chart.description
    assert chart.beyond == ("NIOSH far off: 1200 ppm",)
    assert "<svg" in chart.svg("x")


def test_sixteen_nights_look_different() -> None:
    styles = [style_of(night) for night in range(16)]
    assert len({json.dumps(style) for style in styles}) == 16
    assert len({(style["marker"], json.dumps(style["ls"])) for style in styles[:4]}) == 4  # without colour


def test_the_page_opens_in_a_browser_without_a_word(tmp_path: Path, require: Callable[[str, str], Path]) -> None:
    browser = require("chromium", "the page could not be looked at")
    write_page(small_comparison(), tmp_path / "compare.html")
    command = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--enable-logging=stderr", "--v=0"]
    shot = tmp_path / "shot.png"
    called = subprocess.run(
        [*command, "--window-size=420,2600", f"--screenshot={shot}", (tmp_path / "compare.html").as_uri()],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert shot.stat().st_size > 20_000
    assert "CONSOLE" not in called.stderr
