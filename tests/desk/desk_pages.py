"""Desks for tests: a client that comes through the door as a browser does, and a real server with a real Chromium before it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

from flask import Flask
from flask.testing import FlaskClient
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from werkzeug.test import TestResponse

from frametally.desk.door import KEY_HEADER, Door

BASE = "http://127.0.0.1:8000"


class Visitor:
    """A browser tab as the door sees it: it knows the token and the key, and comes from the desk's own origin."""

    def __init__(self, app: Flask, door: Door) -> None:
        self.client: FlaskClient = app.test_client()
        self.door = door
        first = self.client.get(f"/?token={door.token}", base_url=BASE)
        assert first.status_code == 200, first.text

    def get(self, path: str) -> TestResponse:
        return self.client.get(path, base_url=BASE, buffered=True)

    def send(self, method: str, path: str, body: Any = None, **headers: str) -> TestResponse:
        given = {"Origin": BASE, KEY_HEADER: self.door.key, **headers}
        return self.client.open(path, method=method, json=body, base_url=BASE, headers=given)


@contextmanager
def desk(*arguments: str | Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Start `frametally ARGUMENTS --no-browser` as a process of its own; give its address; end it with Ctrl-C."""
    code = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); from frametally.cli.main import main; main()"
    command = [sys.executable, "-c", code, *(str(argument) for argument in arguments), "--no-browser"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8", env={**os.environ, "PYTHONUNBUFFERED": "1"}
    ) as process:
        try:
            assert process.stdout is not None
            address = process.stdout.readline().strip()
            if not re.fullmatch(r"http://127\.0\.0\.1:\d+/\?token=[\w-]+", address):
                process.kill()
                raise AssertionError(f"no address but {address!r}; {process.communicate()[1]}")
            yield address, process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
                try:
                    process.wait(120)  # findings and report may have to be made first
                except subprocess.TimeoutExpired:
                    process.kill()
                    raise


SCREEN = 1280, 860
"""Width and height of a browser's window, where a test does not say otherwise. [px]"""


def open_chromium(chromium: Path, driver: Path) -> webdriver.Chrome:
    """Start a headless Chromium that logs its network and console; nothing of its own may go out."""
    options = webdriver.ChromeOptions()
    options.binary_location = str(chromium)
    for argument in (
        "--headless=new",
        "--no-sandbox",
        "--disable-dev-shm-usage",
        "--disable-gpu",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--hide-scrollbars",
        f"--window-size={SCREEN[0]},{SCREEN[1]}",
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    return webdriver.Chrome(options=options, service=Service(str(driver)))


def set_screen(
    browser: webdriver.Chrome, width: int, height: int, *, phone: bool = False, dark: bool = False, factor: float = 1
) -> None:
    """Make the page as large as a screen would be, light or dark, with or without fingers, and let it lay itself out anew."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": height, "deviceScaleFactor": factor, "mobile": phone}
    )
    browser.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {
            "features": [
                {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
                {"name": "prefers-reduced-motion", "value": "reduce"},
            ]
        },
    )
    # A page hears of its new size with the next picture that is drawn; hands that aim before would miss what has moved.
    browser.execute_async_script("const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(done))")


def addresses_asked(browser: webdriver.Chrome) -> list[str]:
    """Give every address that pages have asked for since the last call, by the browser's own network log."""
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [event["params"]["request"]["url"] for event in events if event["method"] == "Network.requestWillBeSent"]


def console_errors(browser: webdriver.Chrome) -> list[str]:
    """Give what the console complained of since the last call."""
    return [entry["message"] for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")]


RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
"""Sets of axe-core's rules: WCAG 2.1, levels A and AA, and what its makers hold to be good practice."""


def complaints(browser: webdriver.Chrome) -> list[str]:
    """Give what axe-core finds wrong with the page as it stands, one line for each element."""
    browser.execute_script((resources.files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[1];"
        "axe.run(document, { runOnly: arguments[0] }).then((all) => done(all.violations), (error) => done(String(error)))",
        RULES,
    )
    assert isinstance(found, list), found
    return [f"{rule['id']}: {node['html'][:160]} {node['any'][:1]}" for rule in found for node in rule["nodes"]]
