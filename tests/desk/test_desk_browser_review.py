"""The pages that settle doubts and show the night, in a real browser: ten readings by keyboard, the charts, the pictures."""

from __future__ import annotations

import csv
import shutil
import statistics
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from desk_pages import addresses_asked, complaints, console_errors, desk, set_screen
from desk_results import audit_of, raw_columns
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement

from frametally.corrections import AS_READ, Correction, load_corrections

TO_SETTLE = 10
MOST_KEYS = 40
"""What ten readings may take: one key each where the answer is on the page, T, the number and Enter where it is not."""

NEXT_MS = 100
"""The next reading is on the screen, pictures and all, in less than this."""

WORDS = {"HIDDEN": ("h", "hidden"), "": ("b", "blank"), "OL": ("o", "over_range"), "?": ("x", "unreadable")}
"""For what stands in the truth beside numbers: the key to press, and the text that is kept."""


class Page:
    """What a test does on the page, with every key counted, and what it looks for."""

    def __init__(self, browser: webdriver.Chrome, address: str) -> None:
        self.browser, self.address, self.keys = browser, address, 0
        browser.get(address)
        self.wait(lambda: self.told("ready") == "true")

    def wait(self, happened: Callable[[], object], seconds: float = 60) -> None:
        end = time.monotonic() + seconds
        while not happened():
            assert time.monotonic() < end, f"waited in vain; the page says: {self.browser.find_element(By.TAG_NAME, 'body').text}"
            time.sleep(0.05)

    def told(self, name: str) -> str | None:
        return self.browser.execute_script("return document.body.dataset[arguments[0]] ?? null", name)

    def by_id(self, name: str) -> WebElement:
        return self.browser.find_element(By.ID, name)

    def press(self, *keys: str) -> None:
        for key in keys:
            ActionChains(self.browser).send_keys(key).perform()
            self.keys += 1

    def reading(self) -> tuple[str, str]:
        """Give frame and display of what is shown, when the next is fetched, too."""
        self.wait(lambda: self.told("shown") not in (None, "ending") and self.told("ahead") == self.told("shown"))
        number, place = str(self.told("shown")).split("/")
        told = self.browser.execute_async_script("const done = arguments[0]; fetch('/queue').then((a) => a.json()).then(done)")
        return told["frames"][int(number)], told["keys"][int(place)]

    def answers(self) -> dict[str, str]:
        """Give the readings on the buttons and their keys, likeliest first."""
        found: dict[str, str] = {}
        for button in self.browser.find_elements(By.CSS_SELECTOR, "#answers button"):
            key = button.find_element(By.TAG_NAME, "kbd").text
            found.setdefault(str(button.get_attribute("data-answer")), Keys.ENTER if key == "Enter" else key)
        return found

    def show(self, path: str) -> None:
        self.browser.get(self.address.partition("?")[0].rstrip("/") + path)


@pytest.fixture
def page(browser: webdriver.Chrome, results: Path) -> Iterator[Page]:
    with desk("review", results, "--all", "--who", "Night Watch") as (address, _):
        yield Page(browser, address)


@pytest.fixture(scope="module")
def _open_desk(_small_night: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    results = Path(shutil.copytree(_small_night, tmp_path_factory.mktemp("looked at") / "results"))
    with desk("review", results, "--all", "--who", "Night Watch") as (address, _):
        yield address
    assert kept(results) == (), "it was only looked at"


@pytest.fixture
def look(browser: webdriver.Chrome, _open_desk: str) -> Page:
    """The page of a desk that several tests look at, one after the other, and say nothing to."""
    return Page(browser, _open_desk)


@pytest.fixture
def truth(sample_frames: Path) -> dict[str, dict[str, str]]:
    with (sample_frames / "truth.csv").open(encoding="utf-8", newline="") as lines:
        return {row["frame"]: row for row in csv.DictReader(lines)}


def test_ten_readings_are_settled_by_keyboard(browser: webdriver.Chrome, results: Path, truth: dict[str, dict[str, str]]) -> None:
    raw = raw_columns(results)
    wanted = {}
    with desk("review", results, "--all", "--who", "Night Watch") as (address, process):
        page = Page(browser, address)
        for _ in range(TO_SETTLE):
            frame, key = page.reading()
            shows, answers = truth[frame][key], page.answers()
            before = page.told("shown")
            if shows in WORDS:
                press, wanted[frame, key] = WORDS[shows]
                page.press(press)
            elif shows in answers:
                wanted[frame, key] = shows
                page.press(answers[shows])
            else:
                wanted[frame, key] = shows
                page.press("t", *shows, Keys.ENTER)
            page.wait(lambda before=before: page.told("shown") != before)
        page.wait(lambda: len(kept(results)) == TO_SETTLE)
        took = browser.execute_script("return performance.getEntriesByName('reading-shown').slice(1).map((one) => one.duration)")
        assert console_errors(browser) == []
        hosts = {urlsplit(address).hostname for address in addresses_asked(browser) if not address.startswith("data:")}
    assert process.returncode == 0
    assert page.keys <= MOST_KEYS
    assert statistics.median(took) < NEXT_MS, took
    assert hosts == {"127.0.0.1"}
    assert len(wanted) == TO_SETTLE
    assert {(row.frame, row.display): row.to_text for row in kept(results)} == wanted
    assert {row.who for row in kept(results)} == {"Night Watch"}
    assert all(row.when is not None for row in kept(results))
    assert raw_columns(results) == raw
    for (frame, key), text in wanted.items():  # ended with Ctrl-C, and yet the tables have all of it
        row = audit_of(results, frame, key)
        assert (row["flag"], float(row["value"])) == ("corrected", float(text)) if row["value"] else row["flag"] == text


def kept(results: Path) -> tuple[Correction, ...]:
    return load_corrections(results / "corrections.csv")


def test_back_next_undo_and_a_number_out_of_range(page: Page, results: Path) -> None:
    first = page.reading()
    page.press(Keys.ARROW_RIGHT)
    page.wait(lambda: page.reading() != first)
    page.press(Keys.ARROW_LEFT)
    page.wait(lambda: page.reading() == first)
    assert kept(results) == ()
    page.press("x")
    page.wait(lambda: page.reading() != first)
    page.press("z")
    page.wait(lambda: page.reading() == first)
    assert [row.to_text for row in kept(results)] == ["unreadable", AS_READ]
    page.press("t", *"99999", Keys.ENTER)
    page.wait(lambda: page.by_id("typed-fault").is_displayed())
    assert len(kept(results)) == 2
    page.press(Keys.ENTER)
    page.wait(lambda: page.reading() != first)
    assert kept(results)[-1].to_text == "99999"
    page.press("?")
    assert page.by_id("keys").is_displayed()


def test_report_follows_a_correction_and_says_so(page: Page, results: Path) -> None:
    page.wait(lambda: page.browser.find_elements(By.CSS_SELECTOR, "#charts svg.live"))
    old = (results / "report.html").read_bytes()
    frame, key = page.reading()
    page.press("x")
    page.wait(lambda: "Report made again" in page.by_id("made").text, 120)
    assert (results / "report.html").read_bytes() != old
    assert audit_of(results, frame, key)["flag"] == "unreadable"


def test_chart_marks_the_place(look: Page) -> None:
    look.wait(lambda: look.browser.find_elements(By.CSS_SELECTOR, "#charts svg.live"))
    look.reading()

    def place() -> str:
        lines = look.browser.find_elements(By.CSS_SELECTOR, "#charts .chart:not([hidden]) .cursor-line")
        return str([line.get_attribute("x1") for line in lines])

    seen = place()
    title = look.by_id("what").text
    while look.by_id("what").text.rpartition(" ")[2] == title.rpartition(" ")[2]:
        look.press("n")
        look.reading()
    assert place() != seen


def test_night_shows_photo_and_displays_of_each_minute_and_leads_to_review(look: Page) -> None:
    look.show("/night")
    look.wait(lambda: look.told("photo"))
    first = look.told("photo")
    look.press(Keys.ARROW_RIGHT)  # to the left of the peak this time-lapse has a gap
    look.wait(lambda: look.told("photo") not in (first, "none"))
    assert look.by_id("view-words").text == look.told("photo")
    panel = look.browser.find_elements(By.CLASS_NAME, "reader-picture")
    pictures = [one.value_of_css_property("background-image") for one in panel]
    assert len(pictures) == 5
    assert all("/picture/tile/" in one for one in pictures)
    shown = look.told("photo")
    chart = look.browser.find_element(By.CSS_SELECTOR, "#chart-1 .wide svg")
    photo = None
    for away in range(-200, 0, 20):  # where there are photos between the gaps
        ActionChains(look.browser).move_to_element_with_offset(chart, away, 0).perform()
        look.browser.execute_async_script("setTimeout(arguments[0], 250)")
        photo = look.told("photo")
        if photo not in (shown, "none"):
            break
    ActionChains(look.browser).click().perform()
    look.wait(lambda: look.told("shown"))
    assert look.reading()[0] == photo
    assert console_errors(look.browser) == []


def test_photos_that_are_gone_are_told_of(browser: webdriver.Chrome, results: Path, tmp_path: Path) -> None:
    night = results / "night.json"
    source = night.read_text(encoding="utf-8").split('"source": "', 1)[1].split('"', 1)[0]
    night.write_text(night.read_text(encoding="utf-8").replace(source, str(tmp_path / "gone")), encoding="utf-8")
    with desk("review", results) as (address, _):
        page = Page(browser, address)
        page.reading()
        assert "no longer where it was" in page.by_id("picture-words").text
        picture = browser.find_element(By.CSS_SELECTOR, "#raw img")
        assert int(str(picture.get_property("naturalWidth"))) > 30
        browser.get("about:blank")
        assert all("/picture/evened" not in line for line in console_errors(browser))  # what is not there is not asked for
        shutil.copytree(source, tmp_path / "moved")
    with desk("review", results, "--frames", tmp_path / "moved") as (address, _):
        page = Page(browser, address)
        page.reading()
        assert not page.by_id("picture-words").is_displayed()
        assert console_errors(browser) == []


@pytest.mark.parametrize(
    ("width", "height", "phone", "dark"), [(1280, 860, False, False), (1280, 860, False, True), (390, 844, True, False)]
)
def test_both_pages_are_accessible(look: Page, width: int, height: int, phone: bool, dark: bool) -> None:
    """WCAG 2.1 A and AA, by axe-core's rules, and nothing to be scrolled sideways."""
    set_screen(look.browser, width, height, phone=phone, dark=dark)
    look.wait(lambda: look.browser.find_elements(By.CSS_SELECTOR, "#charts svg.live"))
    assert complaints(look.browser) == []
    assert look.browser.execute_script("return document.documentElement.scrollWidth") <= width
    look.show("/night")
    look.wait(lambda: look.told("photo"))
    assert complaints(look.browser) == []
    assert look.browser.execute_script("return document.documentElement.scrollWidth") <= width
