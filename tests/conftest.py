"""What all tests share: the demo night's files, what a test may ask of the machine, and how hypothesis searches."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections import OrderedDict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import hypothesis
import numpy as np
import pytest

from frametally import eyes

ROOT = Path(__file__).resolve().parent.parent

IN_CI = os.environ.get("CI", "").lower() == "true"

hypothesis.settings.register_profile("local", deadline=None)
hypothesis.settings.register_profile(
    "ci", deadline=None, derandomize=True, database=None, print_blob=True, max_examples=40
)  # always the same ones: more of them belong on people's machines, where they differ from run to run
hypothesis.settings.load_profile("ci" if IN_CI else "local")


@pytest.fixture(scope="session")
def repository() -> Path:
    """The top folder of the sources."""
    return ROOT


@pytest.fixture(scope="session")
def sample_frames() -> Path:
    """The folder with the photos of the demo night; only ever to be read."""
    return ROOT / "sample_frames"


@pytest.fixture(scope="session")
def calibration_path() -> Path:
    """The calibration of the demo night."""
    return ROOT / "calibration" / "canal_boat.toml"


@pytest.fixture(scope="session")
def trial_path() -> Path:
    """The trial of the demo night."""
    return ROOT / "calibration" / "canal_boat.trial.toml"


@pytest.fixture(scope="session")
def require() -> Callable[[str | Path, str], Path]:
    """Ask for a program (by name) or a file (by path): gives where it is, or skips the test; in CI it fails instead."""

    def ask(program_or_file: str | Path, why: str) -> Path:
        if isinstance(program_or_file, Path):
            found = program_or_file if program_or_file.exists() else None
        else:
            on_path = shutil.which(program_or_file)
            found = Path(on_path) if on_path else None
        if found is not None:
            return found
        reason = f"{program_or_file} is not on this machine; {why}"
        if IN_CI:
            pytest.fail(reason)
        pytest.skip(reason)

    return ask


@pytest.fixture(scope="session", autouse=True)
def learned_once() -> Iterator[None]:
    """Learn each reference photo once, however many tests of a process start with it: that takes a fifth of a second, and nothing
    in a registrar or a reader changes after it is made."""
    with pytest.MonkeyPatch.context() as patched:
        for kind in ("Registrar", "Reader"):
            patched.setattr(f"frametally.eyes.{kind}", _once(getattr(eyes, kind)))
        yield


def _once(make: Callable[..., Any]) -> Callable[..., Any]:
    kept: OrderedDict[object, Any] = OrderedDict()

    def ask(pixels: np.ndarray, marks: object, **options: object) -> Any:
        key = pixels.shape, hashlib.sha256(pixels).digest(), repr(marks), repr(options)
        if key not in kept:
            kept[key] = make(pixels, marks, **options)
        kept.move_to_end(key)
        while len(kept) > KEPT:
            kept.popitem(last=False)
        return kept[key]

    return ask


KEPT = 4
"""What was learned of so many reference photos stays in memory."""


@pytest.fixture
def leave_out_charts(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Call it, and the reports that this process makes from then on have no charts.

    Everything else of the report is as ever. It is for tests in which charts are beside the point: they take more than half of
    the time of a small run.
    """

    def variants(name: str, *_: object) -> dict[str, Any]:
        return {"id": name, "title": "", "wide": "", "narrow": "", "beyond": ()}

    def leave_out() -> None:
        monkeypatch.setattr("frametally.show.report.night_charts", lambda page: ([], "{}"))
        monkeypatch.setattr("frametally.show.report._topic_charts", lambda topics, axis: {})
        monkeypatch.setattr("frametally.show.report.draw_quality", lambda *_, **__: None)
        monkeypatch.setattr("frametally.show.report._variants", variants)

    return leave_out
