"""What the tests of the desk share."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from desk_pages import SCREEN, open_chromium, set_screen
from desk_results import read_small_night
from selenium import webdriver

Require = Callable[[str | Path, str], Path]


@pytest.fixture(scope="session")
def _chromium(require: Require) -> Iterator[webdriver.Chrome]:
    why = "pages are tried in a real browser (Debian: chromium, chromium-driver)"
    chrome = open_chromium(require("chromium", why), require("chromedriver", why))
    try:
        yield chrome
    finally:
        chrome.quit()


@pytest.fixture
def browser(_chromium: webdriver.Chrome) -> Iterator[webdriver.Chrome]:
    """A headless Chromium with a tab of this test's own, that knows no cookie and has kept nothing, and with empty logs."""
    first = _chromium.current_window_handle
    _chromium.switch_to.new_window("tab")
    set_screen(_chromium, *SCREEN)
    for kept in ("Cookies", "Cache"):
        _chromium.execute_cdp_cmd(f"Network.clearBrowser{kept}", {})
    for kind in ("performance", "browser"):
        _chromium.get_log(kind)
    try:
        yield _chromium
    finally:
        _chromium.close()
        _chromium.switch_to.window(first)


@pytest.fixture(scope="session")
def _small_night(tmp_path_factory: pytest.TempPathFactory, sample_frames: Path, calibration_path: Path, trial_path: Path) -> Path:
    return read_small_night(tmp_path_factory.mktemp("night"), sample_frames, calibration_path, trial_path)


@pytest.fixture
def results(_small_night: Path, tmp_path: Path) -> Path:
    """The results folder of a small night, a copy for this test alone; its photos lie where they were read."""
    return Path(shutil.copytree(_small_night, tmp_path / "results"))
