"""The report: every finding with number and unit, nothing from outside, nothing injected, readable in light and dark."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from html import unescape
from html.parser import HTMLParser
from importlib import resources
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from show_nights import small_displays, small_night

from frametally.model import FLAG_MEANING, Assessment, Display, Finding, Notice
from frametally.show.look import CSS_NAMES
from frametally.show.report import CAUTIONS, CAUTIONS_WITHOUT_ASSESSMENT, Crop, LimitNote, NightPage, write_report
from frametally.show.wording import (
    duration_text,
    finding_bounds,
    finding_number,
    hold_units,
    number_text,
    ordinal_text,
    verdict_text,
)

FINDINGS = (
    Finding(
        "peak", "Highest carbon monoxide", "A puff.", 0, "danger", "co_ppm", 193.0, 173.0, 213.0, "ppm", "niosh-c", "undecided",
        False, ("cabin_0031.jpg",), ("NIOSH criteria document, 1972",),
    ),
    Finding("over", "Over range", "OL.", 1, "warning", "wall_co_ppm", lower=100.0, unit="ppm", evidence=("cabin_0031.jpg",)),
    Finding("lowest", "Lowest oxygen", "Low.", 2, "calm", "o2_pct", 20.0, 19.7, 20.3, "%", "osha-o2", "does not exceed"),
    Finding(
        "twa", "8-hour average", "Mean.", 3, "note", "co_ppm", 28.4231, 27.94, 31.26, "ppm", "osha", "does not exceed", True,
        tuple(f"cabin_{i:04d}.jpg" for i in range(1, 30)), ("29 CFR 1910.1000 Table Z-1",),
    ),
    Finding("open", "Not known", "No value.", 4),
)  # fmt: skip
NOTES = {"niosh-c": LimitNote("NIOSH ceiling", 200, "ppm", "at no time", "NIOSH 1972", "workers", "a note")}


def a_crop(frame: str = "cabin_0031.jpg", verified: bool = False) -> Crop:
    done, data = cv2.imencode(".png", np.full((20, 40, 3), 90, np.uint8))
    assert done
    return Crop("Peak 193 ppm at 00:00", frame, "co_ppm", data.tobytes(), verified)


def report(folder: Path, night: pd.DataFrame, displays: tuple[Display, ...], **changed: object) -> str:
    parts: dict[str, object] = {
        "title": "A night in the cabin",
        "assessment": Assessment(FINDINGS),
        "table": night,
        "displays": displays,
        "limits": {"co_ppm": [("NIOSH REL", 35.0)]},
        "crops": [a_crop()],
        "notices": [Notice("gap", "", "One photo is missing."), Notice("bad", "cabin_0011.jpg", "The file ends early.")],
        "method": {"Program": "frametally 1.2.3", "Calibration": "sha256 abc"},
        "limit_notes": NOTES,
    }
    write_report(folder / "report.html", NightPage(**(parts | changed)))  # type: ignore[arg-type]
    return (folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The report of the small night, beside its table."""
    folder = tmp_path_factory.mktemp("usual")
    (folder / "readings.csv").write_text("x")
    return report(folder, small_night(), small_displays())


class Page(HTMLParser):
    """What a browser would see: tags with attributes, and the text outside style and scripts."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self._in_style = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        self._in_style = tag in ("style", "script")

    def handle_endtag(self, tag: str) -> None:
        self._in_style = False

    def handle_data(self, data: str) -> None:
        if not self._in_style:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def test_every_finding_stands_there_with_number_unit_and_bounds(usual: str) -> None:
    text = Page(usual).text
    for finding in FINDINGS:
        assert finding.title in text
        assert finding.text in text
    wanted = (
        "193 ppm", "between 173 and 213 ppm", "at least 100 ppm", "20.0 %", "between 19.7 and 20.3 %", "28.4 ppm",
        "between 27.9 and 31.3 ppm",
    )  # fmt: skip
    assert [words for words in wanted if words not in text] == []
    titles = [finding.title for finding in FINDINGS]
    assert [title for title in re.findall(r"<h3>([^<]+)</h3>", usual) if title in titles] == titles
    for tone in ("Danger", "Warning", "Within", "Note"):
        assert tone in text
    assert "unverified: look at the photo" in text
    assert "undecided: the night does not settle it" in text
    assert "NIOSH ceiling: 200 ppm. at no time. Made for: workers." in text
    assert "NIOSH criteria document, 1972" in text
    assert "and 21 more" in text


def test_the_rest_of_the_night_is_there(usual: str) -> None:
    text = Page(usual).text
    assert "30 Oct 2026, 22:00 to 31 Oct 2026, 00:36" in text
    assert "2 h 36 min, a photo every 4 min" in text
    for caution in CAUTIONS + CAUTIONS_WITHOUT_ASSESSMENT:
        assert caution in text
    for meaning, remedy in FLAG_MEANING.values():
        assert meaning in text
        assert remedy in text
    for wanted in (
        "One photo is missing.",
        "cabin_0011.jpg : The file ends early.",
        "frametally 1.2.3",
        "Source: NIOSH 1972. a note.",
        "38 of 40",
        "37 of 40",
    ):
        assert wanted in text, wanted
    assert 'href="readings.csv"' in usual
    assert "readings_audit.csv" not in usual, "only files that are there are offered"


def test_cautions_of_the_assessment_stand_with_the_cautions(
    tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...], leave_out_charts: Callable[[], None]
) -> None:
    leave_out_charts()
    caution = Finding("caution-sleep", "Do not sleep beside a burner", "One night proves nothing.", 31, "warning")
    html = report(tmp_path, night, displays, assessment=Assessment((*FINDINGS, caution)), cautions=["Look at the flue."])
    before, after = html.split('<h2 id="cautions">')
    assert "Do not sleep beside a burner" not in before
    text = Page(after).text
    assert "Do not sleep beside a burner. One night proves nothing." in text
    assert "Look at the flue." in text
    assert [caution for caution in CAUTIONS if caution not in text] == []
    assert [caution for caution in CAUTIONS_WITHOUT_ASSESSMENT if caution in text] == []


def test_a_doubtful_peak_is_called_unverified_beside_its_photo(
    usual: str, tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...], leave_out_charts: Callable[[], None]
) -> None:
    leave_out_charts()
    gallery = usual.split('<div class="gallery">')[1].split("</section>")[0]
    assert "unverified" in gallery
    assert "cabin_0031.jpg" in gallery
    assert "settled" not in gallery
    gallery = (
        report(tmp_path, night, displays, crops=[a_crop(verified=True)]).split('<div class="gallery">')[1].split("</section>")[0]
    )
    assert "unverified" not in gallery


def test_the_page_asks_for_nothing_from_outside(usual: str) -> None:
    page = Page(usual)
    tags = [tag for tag, _ in page.tags]
    assert not {"iframe", "object", "embed", "base", "form"} & set(tags)
    for tag, attributes in page.tags:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href", "srcset", "data", "poster", "action", "xlink:href"):
            if name in attributes:
                assert attributes[name].startswith(("data:", "#")) or (tag == "a" and attributes[name] == "readings.csv"), (
                    attributes
                )
    policy = next(a["content"] for _, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")
    assert "connect-src" not in policy
    css = (resources.files("frametally") / "data" / "report" / "report.css").read_text(encoding="utf-8")
    assert "url(" not in css
    assert "@import" not in css


def data_of(html: str) -> str:
    """Give the JSON in the page; the browser ends it at the first "</script", whatever stands before."""
    return html.split('id="night-data">', 1)[1].split("</script", 1)[0]


def test_only_its_own_script_may_run(usual: str) -> None:
    """The policy names the script's hash (W3C Content Security Policy Level 3, 2.3.1: base64 of the SHA-256 of its text)."""
    script = usual.split("<script>", 1)[1].split("</script>", 1)[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert usual.count("<script>") == 1
    assert f"script-src &#39;sha256-{digest}&#39;" in usual or f"script-src 'sha256-{digest}'" in usual
    assert "eval(" not in script
    assert "innerHTML" not in script


def test_nothing_is_injected(tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...]) -> None:
    evil = '"><img src=x onerror=alert(1)><script>alert(2)</script>{{ 7*7 }}'
    night["frame"] = [f"={evil}{row}.jpg" for row in range(len(night))]
    shown = tuple(display.model_copy(update={"instrument": evil, "quantity": evil, "unit": evil}) for display in displays)
    finding = Finding(
        "x", evil, evil, 0, "danger", "co_ppm", 1.0, 0.5, 2.0, evil, evil, evil, False, (night["frame"][0],), (evil,)
    )
    html = report(
        tmp_path, night, shown, title=evil, assessment=Assessment((finding,)), crops=[a_crop(night["frame"][0])],
        limits={"co_ppm": [(evil, 20.0)]}, notices=[Notice("a", evil, evil)], method={evil: evil},
        conditions={evil: evil}, cautions=[evil],
        limit_notes={evil: LimitNote(evil, 1, evil, evil, evil, evil, evil)}, files={evil: evil},
    )  # fmt: skip
    page = Page(html)
    assert [attributes for tag, attributes in page.tags if tag == "script"] == [
        {"type": "application/json", "id": "night-data"},
        {},
    ]
    assert json.loads(data_of(html))["displays"][0]["quantity"] == evil
    assert all("onerror" not in attributes for _, attributes in page.tags)
    assert all(attributes["src"].startswith("data:image/png;base64,") for tag, attributes in page.tags if tag == "img")
    assert "49" not in re.sub(r"[^{}0-9]", " ", page.text).split()
    assert evil in unescape(html)
    assert "a spreadsheet may take for a formula" in page.text


def test_headings_descend_and_pictures_have_words(usual: str) -> None:
    page = Page(usual)
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert all(len(attributes.get("alt", "")) > 5 for tag, attributes in page.tags if tag == "img")
    assert all(attributes.get("role") == "img" for tag, attributes in page.tags if tag == "svg")
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert {name for name in ids if ids.count(name) > 1} == set()


def test_the_main_caution_stands_under_the_title(
    tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...], leave_out_charts: Callable[[], None]
) -> None:
    leave_out_charts()
    for who, wanted in (("healthy adult workers", True), ("general public", False)):
        notes = {"niosh-c": LimitNote("A ceiling", 200, "ppm", "Never.", "x", who)}
        head = Page(report(tmp_path, night, displays, limit_notes=notes)).text.split("What the night showed")[0]
        assert "no alarm" in head
        assert ("No limit here is made for people asleep at home." in head) is wanted


def test_a_long_finding_folds_all_but_two_sentences(
    tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...], leave_out_charts: Callable[[], None]
) -> None:
    leave_out_charts()
    finding = Finding("limit", "Title", "One is so. Two is so. Three is the rule.", 0, "danger", "co_ppm", 193.0, unit="ppm")
    card = report(tmp_path, night, displays, assessment=Assessment((finding,))).split("<article")[1].split("</article>")[0]
    before, folded = card.split("<details>")
    assert "One is so. Two is so." in before
    assert "Three is the rule." not in before
    assert "Three is the rule." in folded


def test_all_that_is_missing_stands_on_the_face(
    tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...], leave_out_charts: Callable[[], None]
) -> None:
    leave_out_charts()
    text = "Nothing was assumed. Look. (1) A (of B): needed to tell C. (2) D: needed to tell E. (3) F: needed to tell G."
    finding = Finding("missing-facts", "Not known: 3 things", text, 80)
    html = report(tmp_path, night, displays, assessment=Assessment((*FINDINGS, finding)))
    card = html.split("Not known: 3 things")[1].split("</li>\n</ul>")[0]
    for entry in ("A (of B): needed to tell C.", "D: needed to tell E.", "F: needed to tell G."):
        assert f"<li>{entry}</li>" in card.split("<details>")[0]


def test_a_picture_says_which_photo_and_when(
    tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...], leave_out_charts: Callable[[], None]
) -> None:
    leave_out_charts()
    crop = Crop("Lowest", "cabin_0031.jpg", "co_ppm", a_crop().image, True, "1st of 9 photos, 22:52")
    gallery = report(tmp_path, night, displays, crops=[crop]).split('<div class="gallery">')[1]
    assert "1st of 9 photos, 22:52" in gallery
    assert [ordinal_text(n) for n in (1, 2, 3, 4, 11, 12, 21, 113)] == [
        "1st", "2nd", "3rd", "4th", "11th", "12th", "21st", "113th",
    ]  # fmt: skip


def test_low_oxygen_is_not_called_an_exceeded_limit() -> None:
    low = Finding("limit", "t", "x", 0, "danger", "o2_pct", 19.0, 19.0, 19.0, "%", "a", "exceeds")
    high = Finding("limit", "t", "x", 0, "danger", "co_ppm", 60.0, 60.0, 60.0, "ppm", "b", "exceeds")
    assert verdict_text(low, 19.5) == "fell below the limit"
    assert verdict_text(high, 50) == "limit exceeded"


def test_a_number_and_its_unit_stay_on_one_line() -> None:
    held = hold_units("At 05:28 193 ppm, 19.9 % oxygen over 8 h 5 min at 21.0 °C; 9 photos, 2 hours")
    assert held == ("At 05:28 193\u00a0ppm, 19.9\u00a0% oxygen over 8\u00a0h 5\u00a0min at 21.0\u00a0°C; 9 photos, 2 hours")


def test_figures_have_the_places_of_their_display() -> None:
    """The number beside a sentence is rounded once, as the sentence is."""
    mean = Finding("mean", "t", "x", 0, value=25.461, lower=23.611, upper=None, unit="ppm")
    assert finding_number(mean, 1) == "25.5\u00a0ppm"
    assert finding_bounds(mean, 1) == "at least 23.6\u00a0ppm"
    oxygen = Finding("highest", "t", "x", 0, value=21.0, lower=21.0, upper=21.0, unit="%")
    assert finding_number(oxygen, 0.1) == "21.0\u00a0%"
    time = Finding("time-beyond", "t", "x", 0, value=90.71, lower=84.2, upper=128.0, unit="min")
    assert finding_number(time, 1) == "1\u00a0h 24\u00a0min to 2\u00a0h 8\u00a0min"
    assert finding_bounds(time, 1) == ""


def test_the_same_night_gives_the_same_page(
    usual: str, tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...]
) -> None:
    (tmp_path / "readings.csv").write_text("x")
    assert report(tmp_path, night, displays) == usual


def test_a_picture_of_another_kind_is_refused(tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...]) -> None:
    with pytest.raises(ValueError, match="neither PNG nor JPEG"):
        report(tmp_path, night, displays, crops=[Crop("x", "a.jpg", "co_ppm", b"<svg>", True)])


# --- odd nights ------------------------------------------------------------------------------------------------------


def test_a_night_without_a_single_value(tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...]) -> None:
    for display in displays:
        night[display.key] = np.nan
        night[f"{display.key}_flag"] = "unreadable"
    text = Page(report(tmp_path, night, displays, assessment=Assessment(()), crops=[])).text
    assert "There is no finding" in text
    assert "no number could be read" in text
    assert "0 of 40" in text


@pytest.mark.parametrize("rows", [0, 1, 2])
def test_a_night_of_hardly_any_photos(rows: int, tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...]) -> None:
    text = Page(report(tmp_path, night.iloc[:rows], displays)).text
    assert f"{rows} of {rows}" in text


def test_a_night_without_times(tmp_path: Path, night: pd.DataFrame, displays: tuple[Display, ...]) -> None:
    night["time"] = None
    assert "time since the first photo [min]" in report(tmp_path, night, displays)
    night["elapsed_min"] = np.nan
    text = Page(report(tmp_path, night, displays)).text
    assert "no times known" in text
    assert "193 ppm at photo 31" in text


def a_long_night(rows: int) -> tuple[pd.DataFrame, tuple[Display, ...]]:
    """A drawn night: a slow random walk per display, two in a hundred readings doubtful, one hidden."""
    random = np.random.default_rng(5)
    start = datetime.fromisoformat("2026-10-30T21:00:00+00:00")
    table = pd.DataFrame(
        {
            "time": [(start + timedelta(seconds=40 * row)).isoformat() for row in range(rows)],
            "elapsed_min": np.arange(rows) * 40 / 60,
            "frame": [f"IMG_{row:04d}.JPG" for row in range(rows)],
        }
    )
    displays = small_displays()
    for display in displays:
        walk = np.cumsum(random.normal(0, 1, rows))
        table[display.key] = np.round(50 + walk - walk.min(), 1 if display.resolution == 0.1 else 0)
        share = random.random(rows)
        table[f"{display.key}_flag"] = np.where(share < 0.02, "doubtful", np.where(share < 0.03, "hidden", "ok"))
        table.loc[share.argsort()[: rows // 100], display.key] = np.nan
    return table, displays


def test_a_thousand_photos_make_a_page_of_sensible_size_in_sensible_time(tmp_path: Path) -> None:
    table, displays = a_long_night(1000)
    start = time.perf_counter()
    html = report(tmp_path, table, displays)
    assert time.perf_counter() - start < 20
    assert len(html) < 2_000_000  # the issue allows 12 MB, crops included


# --- contrast --------------------------------------------------------------------------------------------------------


def palettes() -> dict[str, dict[str, str]]:
    css = (resources.files("frametally") / "data" / "report" / "report.css").read_text(encoding="utf-8")
    roots = [
        dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,8})", block)) for block in re.findall(r":root \{(.*?)\}", css, flags=re.DOTALL)
    ]
    light, dark, paper = roots
    return {"light": light, "dark": light | dark, "print": light | paper}


def luminance(colour: str) -> float:
    """Relative luminance, W3C WCAG 2.1, definition of "relative luminance"."""
    full = colour if len(colour) == 7 else "#" + "".join(c * 2 for c in colour[1:])
    parts = [int(full[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, W3C WCAG 2.1, definition of "contrast ratio"."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_the_standard_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # just misses AA; from memory


@pytest.mark.parametrize("theme", ["light", "dark", "print"])
def test_texts_have_the_contrast_of_wcag_aa(theme: str) -> None:
    """W3C WCAG 2.1, 1.4.3: at least 4.5:1 for text."""
    colours = palettes()[theme]
    pairs = [(text, ground) for text in ("ink", "muted", "link") for ground in ("page", "paper")]
    pairs += [(tone, f"{tone}-wash") for tone in ("danger", "warning", "note", "calm")]
    pairs += [(tone, "paper") for tone in ("danger", "warning", "note", "calm", "limit", "line-1", "line-2", "line-3", "line-4")]
    pairs += [("on-night", "night"), ("on-night-muted", "night")]
    too_low = {
        pair: round(contrast(colours[pair[0]], colours[pair[1]]), 2)
        for pair in pairs
        if contrast(colours[pair[0]], colours[pair[1]]) < 4.5
    }
    assert too_low == {}


def test_every_colour_of_the_charts_has_a_dark_partner() -> None:
    light, dark = palettes()["light"], palettes()["dark"]
    for colour, name in CSS_NAMES.items():
        assert light[name] == colour
        assert dark[name] != colour


# --- words -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "text"),
    [(193.0, "193"), (20.95, "20.95"), (28.4231, "28.42"), (0.00421, "0.00421"), (12345.6, "12346"), (0.0, "0"), (-3.5, "-3.5")],
)
def test_numbers_are_printed_plainly(value: float, text: str) -> None:
    assert number_text(value) == text


def test_bounds_in_words() -> None:
    assert finding_number(FINDINGS[1]) == "at least 100\u00a0ppm"
    assert finding_bounds(FINDINGS[1]) == ""
    assert finding_number(FINDINGS[4]) == ""
    assert [duration_text(minutes) for minutes in (0.5, 4, 90, 596, 600)] == [
        "30\u00a0s",
        "4\u00a0min",
        "1\u00a0h 30\u00a0min",
        "9\u00a0h 56\u00a0min",
        "10\u00a0h",
    ]


# --- in a browser ----------------------------------------------------------------------------------------------------

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
needs_browser = pytest.mark.skipif(CHROMIUM is None and os.environ.get("CI") != "true", reason="no Chromium on this machine")


def browse(page: Path, profile: Path, *options: str) -> tuple[str, list[str]]:
    """Open a page without a window; give its content afterwards and the lines of its console."""
    assert CHROMIUM is not None, "Chromium must be there in CI"
    done = subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", f"--user-data-dir={profile}",
         "--enable-logging=stderr", "--allow-file-access-from-files", *options, "--dump-dom", page.as_uri()],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    return done.stdout, [line for line in done.stderr.splitlines() if "CONSOLE" in line]


@needs_browser
def test_a_browser_opens_it_without_complaint_at_any_width(usual: str, tmp_path: Path) -> None:
    (tmp_path / "report.html").write_text(usual, encoding="utf-8")
    frames = "".join(
        f'<iframe src="report.html" style="width:{width}px;height:900px"></iframe>' for width in (320, 360, 700, 1200)
    )
    measure = (
        "onload = () => { const wide = f => f.contentDocument.documentElement.scrollWidth - f.clientWidth;"
        "document.title = [...document.querySelectorAll('iframe')].map(wide).join() }"
    )
    (tmp_path / "widths.html").write_text(f"<!DOCTYPE html><title></title>{frames}<script>{measure}</script>", encoding="utf-8")
    content, console = browse(tmp_path / "widths.html", tmp_path / "profile", "--hide-scrollbars")
    assert console == []
    assert "<title>0,0,0,0</title>" in content, content[:200]


@needs_browser
def test_the_browser_check_would_notice(usual: str, tmp_path: Path) -> None:
    html = usual.replace("<main>", "<main><script>alert(1)</script><img src='https://example.invalid/x.png'>")
    (tmp_path / "bad.html").write_text(html, encoding="utf-8")
    _, console = browse(tmp_path / "bad.html", tmp_path / "profile")
    assert len(console) >= 2
    assert any("Content Security Policy" in line for line in console)
