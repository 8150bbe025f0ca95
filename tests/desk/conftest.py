"""What the tests of the desk share."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from desk_pages import open_chromium
from desk_results import read_small_night
from selenium import webdriver

Require = Callable[[str | Path, str], Path]


@pytest.fixture
def browser(require: Require) -> Iterator[webdriver.Chrome]:
    """A headless Chromium of its own for one test."""
    why = "pages are tried in a real browser (Debian: chromium, chromium-driver)"
    chrome = open_chromium(require("chromium", why), require("chromedriver", why))
    try:
        yield chrome
    finally:
        chrome.quit()


@pytest.fixture(scope="session")
def _small_night(tmp_path_factory: pytest.TempPathFactory, sample_frames: Path, calibration_path: Path, trial_path: Path) -> Path:
    return read_small_night(tmp_path_factory.mktemp("night"), sample_frames, calibration_path, trial_path)


@pytest.fixture
def results(_small_night: Path, tmp_path: Path) -> Path:
    """The results folder of a small night, a copy for this test alone; its photos lie where they were read."""
    return Path(shutil.copytree(_small_night, tmp_path / "results"))
