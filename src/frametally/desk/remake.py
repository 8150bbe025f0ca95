"""Takes a results folder and makes its findings and report again after corrections, in a process of its own; gives the charts.

A process of its own keeps the page quick, and is not stopped by the Ctrl-C that ends the desk.
"""

from __future__ import annotations

import json
import logging
import subprocess
import sys
import threading
from datetime import datetime
from pathlib import Path
from typing import Any

from frametally.assess import assess
from frametally.desk.casebook import Casebook
from frametally.errors import FrametallyError
from frametally.results import Results
from frametally.run import finish
from frametally.showing import draw_night

QUIET_S = 2.0
"""Findings are made again when no correction has come for so long."""

log = logging.getLogger("frametally")


class Remaker:
    """Makes findings and report again behind the page's back; `charts` are the newest, as JSON bytes."""

    def __init__(self, results: Path, frames: Path | None, *, is_behind: bool = False) -> None:
        self._results, self._frames = results, frames
        self._changed = threading.Condition()
        self._wanted = 1 if is_behind else 0
        self._done = 0
        self._ending = self._is_making = False
        self._fault = self._made_at = ""
        self._version = 0
        self.charts = b""
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._work, name="remake", daemon=True)

    def start(self) -> None:
        """Begin: the charts first, the findings where they are behind the corrections."""
        self._thread.start()

    def want(self) -> None:
        """Say that a correction was made."""
        with self._changed:
            self._wanted += 1
            self._changed.notify_all()

    def status(self) -> dict[str, Any]:
        """Say how things stand: `state` is "current", "waiting", "making" or "failed"; `version` counts the charts."""
        with self._changed:
            behind = self._wanted > self._done
            state = "making" if self._is_making else "waiting" if behind else "failed" if self._fault else "current"
            return {"state": state, "fault": self._fault, "at": self._made_at, "version": self._version}

    def end(self) -> str:
        """Finish what is still to be made, without charts; give a sentence that says how it went."""
        with self._changed:
            self._ending = True
            if self._is_making and self._process is not None:
                self._process.terminate()  # what it leaves behind is whole, and older than what is made next
            if self._wanted > self._done:
                log.info("Making findings and report again ...")
            self._changed.notify_all()
        self._thread.join()
        return self._fault or (f"Findings and report were made again at {self._made_at}." if self._made_at else "")

    # --- how ------------------------------------------------------------------------------------------------------------

    def _work(self) -> None:
        while self._wait():
            with self._changed:
                wanted, self._is_making = self._wanted, True
                steps = ("findings" if wanted > self._done else "", "" if self._ending else "charts")
                try:
                    process = self._process = _start(self._results, self._frames, *steps)
                except OSError as error:
                    self._is_making, self._done = False, wanted
                    self._fault = (
                        f"findings and report could not be made again ({error.strerror}); `frametally report` makes them"
                    )
                    continue
            made, told = process.communicate()
            with self._changed:
                self._is_making = False
                if self._ending and steps[1]:
                    continue  # ended by `end`; what is behind is made without charts
                self._done, self._fault = wanted, "" if process.returncode == 0 else _why(process.returncode, told)
                if not self._fault:
                    self.charts, self._version = made, self._version + 1
                    self._made_at = f"{datetime.now():%H:%M:%S}" if steps[0] else self._made_at

    def _wait(self) -> bool:
        """Wait until there is work and nobody is in the middle of more; False at the end."""
        with self._changed:
            while True:
                if not self._version and not self._fault and not self._ending:
                    return True
                if self._wanted > self._done:
                    before = self._wanted
                    if not self._ending:
                        self._changed.wait(QUIET_S)
                    if self._ending or self._wanted == before:
                        return True
                    continue
                if self._ending:
                    return False
                self._changed.wait()


def _start(results: Path, frames: Path | None, *steps: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "frametally.desk.remake", str(results), str(frames or ""), *steps]
    apart: dict[str, Any] = {"creationflags": 0x200} if sys.platform == "win32" else {"start_new_session": True}
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **apart)


def _why(code: int, told: bytes) -> str:
    text = told.decode("utf-8", "replace").strip()
    log.debug("%s", text)
    return f"findings and report could not be made again: {text.splitlines()[-1] if text else f'code {code}'}"


def draw_charts(folder: Results) -> dict[str, Any]:
    """Give the charts of a night as `showing.draw_night` does, their styles as `data-look`; nothing is written."""
    book = Casebook.open(folder)
    tables = book.tables()
    drawn = draw_night(book.settings, tables, assess(tables.readings, book.displays, book.settings.trial))
    for chart in drawn["charts"]:
        for form in ("wide", "narrow"):  # the page may not hold styles in its text; its script sets them
            chart[form] = chart[form].replace(' style="', ' data-look="')
    return drawn


def _main(results: str, frames: str, *steps: str) -> int:
    logging.basicConfig(level=logging.ERROR)
    place = Path(frames) if frames else None
    try:
        if "findings" in steps:
            finish(Results(Path(results), place))
        found = draw_charts(Results(Path(results), place)) if "charts" in steps else {}
    except FrametallyError as error:
        print(str(error).replace("\n", " "), file=sys.stderr)
        return 2
    sys.stdout.write(json.dumps(found, ensure_ascii=True))
    return 0


if __name__ == "__main__":
    sys.exit(_main(*sys.argv[1:]))
