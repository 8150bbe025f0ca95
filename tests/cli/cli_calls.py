"""Calls of the command line for tests, inside this process or as a program of its own, and photos to call it on."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

from frametally.cli.ending import run_to_code
from frametally.cli.main import cli


@dataclass(frozen=True)
class Called:
    """How a call ended."""

    code: int
    out: str
    err: str


class Caller:
    """Calls the command line inside this process and gives its exit code and what it printed."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def __call__(self, *arguments: str | Path) -> Called:
        self._capsys.readouterr()
        code = run_to_code(cli, [str(argument) for argument in arguments])
        out, err = self._capsys.readouterr()
        assert "Traceback" not in out + err
        return Called(int(code), out, err)


def start(*arguments: str | Path, **environment: str) -> subprocess.Popen[str]:
    """Start the program as a process of its own, which Ctrl-C reaches also where ours is deaf to it."""
    code = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);from frametally.cli.main import main; main()"
    command = [sys.executable, "-c", code, *(str(argument) for argument in arguments)]
    pipe = subprocess.PIPE
    surroundings = {**os.environ, **environment}
    return subprocess.Popen(command, stdout=pipe, stderr=pipe, encoding="utf-8", errors="replace", env=surroundings)


def call(*arguments: str | Path, **environment: str) -> Called:
    """Run the program as a process of its own."""
    with start(*arguments, **environment) as process:
        out, err = process.communicate(timeout=120)
    assert "Traceback" not in out + err
    return Called(process.returncode, out, err)


def copy_frames(source: Path, numbers: Iterable[int], folder: Path) -> Path:
    """Copy some photos of the demo night, by number, with their dates."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        shutil.copy2(source / f"cabin_{number:04d}.jpg", folder)
    return folder


def state_of(*places: Path) -> dict[str, tuple[str, int]]:
    """Give hash and date of every file in these places: what must be the same after a run as before."""
    files = [file for place in places for file in ([place] if place.is_file() else sorted(place.rglob("*"))) if file.is_file()]
    return {str(file): (hashlib.sha256(file.read_bytes()).hexdigest(), file.stat().st_mtime_ns) for file in files}
