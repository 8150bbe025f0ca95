"""The report in a real browser: the pointer, a finger and the keyboard on the charts; without scripts; a long night."""

from __future__ import annotations

import base64
import re
import time
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from test_show_page import a_page, night, strips
from test_show_report import a_long_night

from frametally.model import Assessment
from frametally.show.report import NightPage, write_report
from frametally.show.strips import HEIGHT_PX, Strips

Require = Callable[[str | Path, str], Path]


@pytest.fixture(scope="module")
def chrome(require: Require) -> Iterator[webdriver.Chrome]:
    why = "reports are tried in a real browser (Debian: chromium, chromium-driver)"
    options = webdriver.ChromeOptions()
    options.binary_location = str(require("chromium", why))
    for argument in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(str(require("chromedriver", why))))
    yield browser
    browser.quit()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("browser") / "report.html"
    write_report(path, a_page())
    return path


def set_screen(chrome: webdriver.Chrome, width: int, height: int = 900) -> None:
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def shown(chrome: webdriver.Chrome) -> str:
    return str(chrome.find_element(By.CLASS_NAME, "reader").text)


def over_chart(chrome: webdriver.Chrome, share: float, chart: str = "chart-1", variant: str = "wide") -> tuple[Any, int]:
    """Give a chart's picture and how far right of its middle a share of its axes lies. [px]"""
    svg = chrome.find_element(By.CSS_SELECTOR, f"#{chart} .{variant} svg")
    place = chrome.execute_script(
        "return JSON.parse(document.getElementById('night-data').textContent).charts.find(c => c.id === arguments[0])"
        ".places[arguments[1]]",
        chart,
        variant,
    )
    box = svg.rect
    x = (place["left"] + share * (place["right"] - place["left"])) / place["width"] * box["width"]
    return svg, round(x - box["width"] / 2)


def test_the_pointer_shows_time_values_and_picture(chrome: webdriver.Chrome, report: Path) -> None:
    set_screen(chrome, 1400)
    chrome.get(report.as_uri())
    assert "40 ppm" in shown(chrome), "it begins at the highest reading"
    svg, across = over_chart(chrome, 0.5)
    ActionChains(chrome).scroll_to_element(svg).move_to_element_with_offset(svg, across, 0).perform()
    text = shown(chrome)
    table = night()
    row = 59 if re.search(r"^01:55", text) else 60
    assert text.startswith(table["time"][row][11:16])
    for key, unit in (("co_ppm", "ppm"), ("o2_pct", "%"), ("temp_c", "°C")):
        value = table[key][row]
        number = f"{value:.1f}" if key != "co_ppm" else f"{value:.0f}"
        assert f"{number}\u00a0{unit}" in text or f"{number} {unit}" in text, (key, number)
    assert f"cabin_{row + 1:04d}.jpg" in text
    picture = chrome.find_element(By.CLASS_NAME, "reader-picture")
    address = picture.value_of_css_property("background-image")
    data = base64.b64decode(address.split("base64,")[1].split('"')[0])
    grey = float(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).mean())
    assert grey == pytest.approx(60 + row, abs=1.5), "the picture is of this very photo"
    assert picture.size["height"] == HEIGHT_PX
    lines = [line.get_attribute("x1") for line in chrome.find_elements(By.CSS_SELECTOR, ".wide .cursor-line")]
    assert len(set(lines)) == 1, "the line stands at the same time on every chart"
    assert chrome.get_log("browser") == []


def test_the_keyboard_goes_from_photo_to_photo_and_to_what_is_flagged(chrome: webdriver.Chrome, report: Path) -> None:
    set_screen(chrome, 1400)
    chrome.get(report.as_uri())
    slider = chrome.find_element(By.CLASS_NAME, "reader-slider")
    slider.send_keys(Keys.HOME)
    assert shown(chrome).startswith("21:00")
    slider.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert shown(chrome).startswith("21:10")
    assert (slider.get_attribute("aria-valuetext") or "").startswith("21:10: carbon monoxide")
    on = chrome.find_elements(By.CSS_SELECTOR, ".reader button")[1]
    on.send_keys(Keys.ENTER)
    assert "doubtful" in shown(chrome)
    assert "?" in shown(chrome)
    on.send_keys(Keys.ENTER)
    assert "hidden" in shown(chrome)
    slider.send_keys(Keys.END)
    assert shown(chrome).startswith(night()["time"].iloc[-1][11:16])


def test_a_finger_does_what_the_pointer_does_on_a_telephone(chrome: webdriver.Chrome, report: Path) -> None:
    set_screen(chrome, 390, 844)
    chrome.get(report.as_uri())
    svg, across = over_chart(chrome, 0.25, "chart-2", "narrow")
    before = shown(chrome)
    chrome.execute_script("arguments[0].scrollIntoView({block: 'start'})", svg)
    box = chrome.execute_script("const b = arguments[0].getBoundingClientRect(); return [b.left + b.width / 2, b.top + 60]", svg)
    touch = {"x": box[0] + across, "y": box[1]}
    chrome.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [touch]})
    chrome.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert shown(chrome) != before
    assert re.match(r"23:(?:25|30)", shown(chrome)), shown(chrome)
    panel = chrome.find_element(By.CLASS_NAME, "reader")
    assert panel.size["height"] < 844 * 0.4, "the panel leaves the chart in sight"
    assert chrome.execute_script("return document.documentElement.scrollWidth") == 390


def test_without_scripts_all_but_the_pointer_is_there(chrome: webdriver.Chrome, report: Path) -> None:
    set_screen(chrome, 1400)
    chrome.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        chrome.get(report.as_uri())
        assert not chrome.find_element(By.CLASS_NAME, "reader").is_displayed()
        chart = chrome.find_element(By.CSS_SELECTOR, "#chart-1 .wide svg")
        assert chart.size["width"] > 1000, "the chart takes the place of the panel"
        assert "highest 40 ppm" in chart.get_attribute("innerHTML")
    finally:
        chrome.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pytest.mark.parametrize(("width", "dark"), [(320, False), (390, True), (760, False), (1400, True)])
def test_nothing_sticks_out_at_any_width(width: int, dark: bool, chrome: webdriver.Chrome, report: Path) -> None:
    set_screen(chrome, width)
    scheme = {"features": [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]}
    chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", scheme)
    chrome.get(report.as_uri())
    chrome.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert chrome.execute_script("return document.documentElement.scrollWidth") == width
    ground = chrome.execute_script("return getComputedStyle(document.body).backgroundColor")
    assert (int(re.findall(r"\d+", ground)[0]) < 60) is dark
    assert chrome.get_log("browser") == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_keeps_anyone_from_reading_it(scheme: str, chrome: webdriver.Chrome, report: Path) -> None:
    """WCAG 2.1 A and AA, by axe-core's rules, with everything unfolded."""
    set_screen(chrome, 1400)
    chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})
    chrome.get(report.as_uri())
    chrome.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    chrome.execute_script((resources.files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8"))
    chrome.set_script_timeout(120)
    found = chrome.execute_async_script(
        "const done = arguments[1];"
        "axe.run(document, { runOnly: arguments[0] }).then((all) => done(all.violations), (error) => done(String(error)))",
        ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"],
    )
    assert [f"{rule['id']}: {node['html'][:120]}" for rule in found for node in rule["nodes"]] == []


def a_long_page(rows: int) -> NightPage:
    """A night of so many photos, each with a strip of noise, which packs worse than any photo."""
    table, displays = a_long_night(rows)
    random = np.random.default_rng(3)
    widths = {display.key: 110 for display in displays} | {"temp_c": 110, "rh_pct": 80}
    images = {}
    for frame in table["frame"]:
        noise = cv2.GaussianBlur(random.integers(0, 255, (HEIGHT_PX, sum(widths.values()), 3)).astype(np.uint8), (5, 5), 0)
        images[frame] = cv2.imencode(".jpg", noise, [cv2.IMWRITE_JPEG_QUALITY, 60])[1].tobytes()
    order = table["frame"].tolist()
    return NightPage(
        "A long night", Assessment(()), table, displays, {}, strips=Strips(widths, images).thinned(order, order[::10])
    )


def test_a_thousand_photos_make_a_page_of_at_most_12_megabytes_that_opens_in_two_seconds(
    chrome: webdriver.Chrome, tmp_path: Path
) -> None:
    page = a_long_page(1000)
    write_report(tmp_path / "report.html", page)
    size = (tmp_path / "report.html").stat().st_size
    assert 5_000_000 < size < 12_000_000, size
    set_screen(chrome, 1400)
    took: list[float] = []
    while len(took) < 8 and min(took, default=9.0) >= 2.0:  # other work on the machine can only make it slower
        start = time.perf_counter()
        chrome.get((tmp_path / "report.html").as_uri())
        took.append(time.perf_counter() - start)
    assert chrome.find_element(By.CLASS_NAME, "reader").is_displayed()
    assert chrome.get_log("browser") == []
    assert min(took) < 2.0, took


def test_the_pictures_of_a_page_are_those_that_were_given(report: Path) -> None:
    assert report.read_text(encoding="utf-8").count("/9j/") >= len(strips(night()).images)
