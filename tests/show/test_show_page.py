"""The report of a night with trial and assessment: what stands first, every finding once, limits, pictures, units, figures."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import lru_cache
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from show_nights import SQUARE, a_display

from frametally.assess import assess, load_limits
from frametally.model import Accuracy, Assessment, Display, Finding, Trial
from frametally.show.cards import LimitNote, choose_first, related_limit, section_of
from frametally.show.limit_table import implied_rows, limit_groups
from frametally.show.marks import Marks
from frametally.show.proof import Proofs
from frametally.show.report import NO_PICTURES, US_UNITS, NightPage, write_night_figures, write_report
from frametally.show.strips import Strips, cut_strip, strip_widths
from frametally.showing import _events, _limit_note, _tested

START = datetime.fromisoformat("2026-10-30T21:00:00+00:00")

TRIAL = Trial.model_validate(
    {
        "format": 1,
        "title": "Stove night",
        "space": {"name": "cabin", "volume_m3": 24.0, "altitude_m": 95},
        "appliance": [{"name": "stove", "fuel": "smokeless coal", "heat_input_kw": 2.9, "heat_basis": "net", "flue": True}],
        "vent": [{"name": "low", "open": True, "free_area_cm2": 70}, {"name": "roof", "open": False}],
        "event": [
            {"time": "2026-10-31T04:00:00+00:00", "what": "hatch <opened>"},
            {"time": "2026-12-01T04:00:00+00:00", "what": "no"},
        ],
        "people": {"sleeping": 0},
        "outdoor": {"temp_c": 4.0, "rh_pct": 88},
    }
)


def displays() -> tuple[Display, ...]:
    near = {"accuracy": Accuracy(absolute=3, relative=0.1)}
    return (
        a_display("co_ppm", "carbon monoxide", "ppm", 1, "hand-held monitor").model_copy(update=near),
        a_display("o2_pct", "oxygen", "%", 0.1, "hand-held monitor").model_copy(update={"accuracy": Accuracy(absolute=0.3)}),
        a_display("temp_c", "air temperature", "°C", 0.1).model_copy(update={"accuracy": Accuracy(absolute=0.8)}),
        a_display("rh_pct", "relative humidity", "%", 1).model_copy(update={"accuracy": Accuracy(absolute=5)}),
        a_display("wall_co_ppm", "carbon monoxide", "ppm", 1).model_copy(update=near),
    )


def night(rows: int = 120) -> pd.DataFrame:
    """A made-up night: carbon monoxide rises, holds and falls; oxygen mirrors it; the cabin warms and cools."""
    minutes = np.arange(rows) * 5.0
    co = np.interp(minutes, [0, 60, 300, 420, 600], [2, 30, 24, 40, 1]).round()
    table = pd.DataFrame(
        {
            "time": [(START + timedelta(minutes=float(m))).isoformat() for m in minutes],
            "elapsed_min": minutes,
            "frame": [f"cabin_{row + 1:04d}.jpg" for row in range(rows)],
            "co_ppm": co,
            "o2_pct": (20.9 - co / 60).round(1),
            "temp_c": np.interp(minutes, [0, 90, 600], [13.9, 27.6, 16.5]).round(1),
            "rh_pct": np.interp(minutes, [0, 90, 600], [62, 34, 45]).round(),
            "wall_co_ppm": np.maximum(co - 2, 0),
        }
    )
    for display in displays():
        table[f"{display.key}_flag"] = "ok"
    for row, key, flag in ((40, "co_ppm", "doubtful"), (50, "temp_c", "hidden"), (60, "rh_pct", "repaired")):
        table.loc[row, f"{key}_flag"] = flag
    table.loc[50, "temp_c"] = np.nan
    return table


@lru_cache(maxsize=1)
def assessment() -> Assessment:
    return assess(night(), displays(), TRIAL)


NOTES = {limit.id: _limit_note(limit) for limit in load_limits()}


def strips(table: pd.DataFrame) -> Strips:
    """Strips of drawn photos: each display's digits are cut out of a grey field with its row's number in it."""
    corners = {display.key: SQUARE for display in displays()}
    widths = strip_widths(corners)
    images = {}
    for row, frame in enumerate(table["frame"]):
        picture = np.full((24, 24, 3), 60 + row, np.uint8)
        images[frame] = cut_strip(picture, corners, widths)
    return Strips(widths, images)


def a_page(**changed: object) -> NightPage:
    table = night()
    page = NightPage(
        title="Stove night",
        assessment=assessment(),
        table=table,
        displays=displays(),
        limits={"co_ppm": [("OSHA PEL, 8 h", 50.0)]},
        strips=strips(table),
        limit_notes=NOTES,
        tested=_tested(TRIAL),
        events=_events(TRIAL, table),
    )
    return replace(page, **changed)  # type: ignore[arg-type]


def write(folder: Path, page: NightPage) -> str:
    write_report(folder / "report.html", page)
    return (folder / "report.html").read_text(encoding="utf-8")


def words(html: str) -> str:
    """Give what a reader sees, tags and scripts taken out."""
    html = re.sub(r"<(style|script)[^>]*>.*?</\1>", "", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html))).replace("\u00a0", " ")


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    return write(tmp_path_factory.mktemp("page"), a_page())


# --- the first screen ------------------------------------------------------------------------------------------------


def test_the_first_three_are_on_three_subjects_and_come_with_limit_and_whom_it_is_for(page: str) -> None:
    cards = re.findall(r"<article.*?</article>", page, flags=re.DOTALL)
    assert len(cards) == 3
    first = words(cards[0])
    assert "Carbon monoxide averaged over 8 h was above 10 mg/m³ (8.73 ppm) (WHO guideline for indoor air)" in first
    assert "Made for the air at home, for everyone, people asleep included" in first
    assert "limit exceeded" in first
    assert re.search(r"\d+\.\d ppm between \d+\.\d and \d+\.\d ppm", first)
    assert cards[0].count("data:image/jpeg") == 5, "photos of the hours that were averaged"
    assert ["Lowest oxygen" in words(card) for card in cards] == [False, False, True]
    assert "OSHA oxygen-deficient atmosphere" in words(cards[2])
    assert "not for people asleep at home" in words(cards[2])


def test_the_head_says_what_was_tested(page: str) -> None:
    head = words(page.split("</header>")[0])
    for told in ("Space cabin, 24 m³", "Burner stove, smokeless coal, 2.9 kW", "Vents 1 of 2 vents open", "Asleep inside nobody"):
        assert told in head, told


def test_of_findings_that_weigh_the_same_the_one_passed_by_the_largest_factor_speaks() -> None:
    near = Finding("limit", "near", "x", 4, key="co_ppm", value=12.0, unit="ppm", limit="a")
    far = replace(near, title="far", value=30.0, limit="b")
    low = replace(near, title="low", key="o2_pct", value=17.0, unit="%", limit="c")
    notes = {
        "a": LimitNote("a", 10.0, "ppm", "", ""),
        "b": LimitNote("b", 10.0, "mg/m³", "", "", level=8.73),
        "c": LimitNote("c", 19.5, "%", "", "", low_side=True),
    }
    caution = Finding("who-limits-protect", "whom", "x", 0)
    assert [one.title for one in choose_first([caution, near, far, low], notes)] == ["far", "low"]
    highest = replace(near, slug="highest", title="highest", limit="")
    assert related_limit(highest, [low, far, near]) is near
    assert related_limit(near, [far]) is None


def test_no_id_stands_twice_and_every_link_within_the_page_leads_somewhere(page: str) -> None:
    """HTML, 3.2.6: an id is unique in its page; charts have the same parts over and over, such as gaps and limits."""

    class Ids(HTMLParser):
        def __init__(self) -> None:
            super().__init__()
            self.ids: Counter[str] = Counter()
            self.parts: Counter[str] = Counter()
            self.links: list[str] = []

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            given = {name: value or "" for name, value in attrs}
            self.ids.update([given["id"]] if "id" in given else [])
            self.parts.update([tag] if "id" in given else [])
            self.links += [given[name][1:] for name in ("href", "xlink:href") if given.get(name, "").startswith("#")]

    found = Ids()
    found.feed(page)
    found.close()
    assert found.parts["g"] > 100  # the charts' parts are among them
    assert {one for one, count in found.ids.items() if count > 1} == set()
    assert any(re.fullmatch(r"[a-z0-9-]+-wide-(limit|gap)-\d+", one) for one in found.ids)  # ... also such as it has many of
    assert set(found.links) - {""} <= set(found.ids)


# --- every finding, once ---------------------------------------------------------------------------------------------


def test_every_finding_stands_on_the_page_exactly_once(page: str) -> None:
    text = words(page)
    ids = Counter(re.findall(r'id="(finding-\d+)"', page))
    shown = [finding for finding in assessment().findings if not finding.slug.startswith("caution")]
    assert set(ids.values()) == {1}
    assert len(ids) == len(shown) > 25
    for finding in assessment().findings:
        assert finding.title in text, finding.title
        for sentence in re.split(r"(?<=[.!?]) (?=[A-Z])", finding.text.split(" (1) ")[0]):
            assert sentence in text, sentence


def test_each_kind_of_finding_has_its_section() -> None:
    places = {finding.slug: section_of(finding) for finding in assessment().findings}
    assert places["limit"] == "limits"
    assert places["cohb-peak"] == "blood"
    assert places["implied-carbon-dioxide"] == "burning"
    assert places["sleepers"] == "air"
    assert section_of(Finding("of-a-kind-not-made-yet", "t", "x", 0)) == "further"
    told = {slug: place for slug, place in places.items() if place == "further" and not slug.startswith("caution")}
    assert told == {}, "every kind of finding that the assessment makes has a section of its own"


def test_no_number_stands_without_its_unit(page: str) -> None:
    for number in re.findall(r'<(?:p|span) class="number">([^<]+)<', page):
        assert re.search(r"\d\u00a0?(?:ppm|%|°C|m|g|g/kg|g/m³|L/h|h|min|s|mg/m³|per\u00a0hour|% COHb|steps)", number), number
    for cell in re.findall(r'<td data-head="(?:Limit|Found)">(.*?)</td>', page, flags=re.DOTALL):
        assert re.search(r"\d\u00a0?(?: ?ppm| ?%| ?mg/m³| ?µg/m³| ?ppb)|not known", cell), cell


def test_a_verdict_is_told_by_word_and_sign_not_by_colour_alone(page: str) -> None:
    verdicts = re.findall(r'<span class="verdict-word"><span aria-hidden="true">(.)</span> ([^<]+)</span>', page)
    assert len(verdicts) > 25
    assert set(verdicts) <= {
        ("▲", "above the limit"),
        ("▲", "below the limit"),
        ("✓", "not above"),
        ("✓", "not below"),
        ("?", "undecided"),
    }


# --- limits ----------------------------------------------------------------------------------------------------------


def test_limits_made_for_sleepers_come_first_and_the_rest_is_said_not_to_be() -> None:
    groups = limit_groups(assessment(), displays(), NOTES)
    assert [group["title"] for group in groups] == [
        "Made for people at home, asleep ones included",
        "Made for the air outdoors, for everyone",
        "Made for workplaces: not for people asleep",
        "Made for accidents: not for people asleep",
    ]
    rows = [row for group in groups for row in group["rows"]]
    decided = {one["limit"] for figures in assessment().summary.values() for one in figures["limits"]}  # type: ignore[union-attr]
    assert len(rows) == len(decided)
    who = next(row for row in groups[0]["rows"] if row["limit"] == "10 mg/m³ (8.73 ppm)")
    assert (who["over"], who["word"], who["counts"]) == ("averaged over 8\u00a0h", "above the limit", "hand-held monitor")
    assert who["others"][0].startswith("wall unit: ")
    low = next(row for row in rows if row["name"].startswith("OSHA oxygen-deficient"))
    assert low["word"] in ("not below", "undecided")


def a_summary(*entries: dict[str, object], key: str = "co_ppm") -> Assessment:
    return Assessment((), {key: {"limits": list(entries)}})


def test_what_the_table_says_of_open_and_unknown_figures() -> None:
    notes = {"a": LimitNote("A", 10, "ppm", "", "", average="8 h"), "b": LimitNote("B", 19.5, "%", "", "", low_side=True)}
    told = a_summary(
        {"limit": "a", "level": 10, "verdict": "undecided", "lower": 3.04, "middle": None, "upper": None},
        {"limit": "not-in-the-catalogue", "level": 10, "verdict": "exceeds"},
    )
    (row,) = limit_groups(told, displays(), notes)[0]["rows"]
    assert (row["lower"], row["middle"], row["upper"], row["word"]) == ("3.0\u00a0ppm", "", "", "undecided")
    below = a_summary(
        {"limit": "b", "level": 19.5, "verdict": "exceeds", "lower": 17.0, "middle": 17.0, "upper": 17.0}, key="o2_pct"
    )
    (row,) = limit_groups(below, displays(), notes)[0]["rows"]
    assert (row["middle"], row["word"], row["tone"]) == ("17.0\u00a0%", "below the limit", "danger")
    assert limit_groups(Assessment(()), displays(), notes) == []
    assert implied_rows(Assessment((), {}, {"combustion": {"carbon_dioxide": None}}), notes) == []


# --- pictures --------------------------------------------------------------------------------------------------------


def test_an_average_is_proved_by_photos_of_its_hours_the_highest_among_them() -> None:
    table = night()
    proofs = Proofs(table, displays(), (), strips(table), NOTES)
    finding = Finding("limit", "t", "x", 0, key="co_ppm", limit="who-indoor-co-8h", evidence=("cabin_0010.jpg", "cabin_0100.jpg"))
    tiles = proofs.tiles_of(finding)
    assert len(tiles) == 5
    assert "40 ppm" in [tile["value"].replace("\u00a0", " ") for tile in tiles]
    assert [tile["when"] for tile in tiles] == sorted(tile["when"] for tile in tiles if tile["when"] > "12") + sorted(
        tile["when"] for tile in tiles if tile["when"] < "12"
    )
    doubtful = Finding("highest", "t", "x", 0, key="co_ppm", evidence=("cabin_0041.jpg", "cabin_9999.jpg"))
    assert [tile["value"][-1] for tile in proofs.tiles_of(doubtful)] == ["?"]
    assert Proofs(table, displays(), (), None, NOTES).tiles_of(finding) == []


def test_a_report_without_photos_says_so(tmp_path: Path, page: str, leave_out_charts: Callable[[], None]) -> None:
    leave_out_charts()
    assert NO_PICTURES not in words(page)
    assert NO_PICTURES in words(write(tmp_path, a_page(strips=None)))


# --- marks, units, figures -------------------------------------------------------------------------------------------


def test_phases_and_events_are_drawn(page: str) -> None:
    lead = page.split('<figure class="chart" id="chart-1">')[1].split("</figure>")[0]
    assert "rising" in words(lead)
    assert "04:00 hatch <opened>" in words(lead)
    assert 'id="chart-1-wide-event-1"' in lead
    assert 'id="chart-1-wide-phase-1"' in lead
    assert _events(TRIAL, night()) == [(420.0, "04:00 hatch <opened>")], "the other one is no part of this night"
    assert _events(None, night()) == []
    assert Marks((), ((1.0, "x"),)).without_phases().key_pt == 0


def test_us_units_change_the_page_and_leave_no_celsius_behind(tmp_path: Path, page: str) -> None:
    text = words(write(tmp_path, a_page(units="us")))
    assert US_UNITS in text
    assert US_UNITS not in words(page)
    assert "Highest air temperature, wall unit: 81.7 °F" in text
    assert "air temperature [°F]" in text
    shown = re.sub(r"Sources .*?(?:What|Danger|Warning|Note|Within)|Source: [^.]*\.[^.]*\.", "", text)
    assert re.findall(r".{30}\d °C", shown) == []
    assert re.search(r"like fresh air at [\d,]+ ft above sea level", text)
    assert "24 m³" in text


def test_every_chart_is_written_in_three_forms_and_twice_the_same(tmp_path: Path) -> None:
    first = write_night_figures(tmp_path / "a", a_page())
    second = write_night_figures(tmp_path / "b", a_page())
    names = {path.name for path in first}
    wanted = {"night_1_carbon_monoxide", "night_2_oxygen", "blood", "carbon_dioxide", "dew_point", "water", "reading_quality"}
    assert {f"{name}.{form}" for name in wanted for form in ("png", "svg", "pdf")} <= names
    begins = {".png": b"\x89PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}
    for one, other in zip(first, second, strict=True):
        data = one.read_bytes()
        assert data.startswith(begins[one.suffix]), one
        assert data == other.read_bytes(), one
        ids = re.findall(rb'\bid="([^"]+)"', data) if one.suffix == ".svg" else []
        assert len(ids) == len(set(ids)), one
    height, width = cv2.imread(str(tmp_path / "a" / "night_1_carbon_monoxide.png")).shape[:2]
    assert abs(width - 560 / 72 * 200) < 1.5
    assert height > 500


def test_the_same_night_gives_the_same_bytes_with_its_pictures(tmp_path: Path, page: str) -> None:
    assert write(tmp_path, a_page()) == page
