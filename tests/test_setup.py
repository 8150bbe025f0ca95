"""The set-up scripts: what they install as root, what they ask of anyone else, on machines made of stand-in programs."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(os.uname().sysname != "Linux" if hasattr(os, "uname") else True, reason="the set-up is for Linux")

PYTHON = r"""
case "$2" in
    *"version_info < "*) exit "${TOO_OLD:-0}" ;;
    *sys.executable*) echo "${CALLED:-$MACHINE/python3}" ;;
    *ctypes*) [ -e "$MACHINE/has-$3" ] ;;
    *ensurepip*) [ -e "$MACHINE/has-ensurepip" ] ;;
    *) [ "$1" = --version ] && echo "Python 3.9.2" ;;
esac
"""

APT = r"""
echo "$*" >>"$MACHINE/apt.log"
case "$*" in
    update*) exit "${APT_FAILS:-0}" ;;
    *install*)
        for package in "$@"; do
            case "$package" in
                libgl1) touch "$MACHINE/has-libGL.so.1" ;;
                libglib2.0-0) touch "$MACHINE/has-libgthread-2.0.so.0" ;;
                python3-venv) touch "$MACHINE/has-ensurepip" ;;
                tesseract-ocr) echo >"$MACHINE/tesseract"; chmod +x "$MACHINE/tesseract" ;;
            esac
        done ;;
esac
"""

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """A folder that is all there is on the search path: the usual small programs, and a Python that lacks everything."""
    for name in ("sh", "dirname", "head", "uname", "mktemp", "cat", "rm", "touch", "chmod"):
        found = shutil.which(name)
        assert found is not None
        (tmp_path / name).symlink_to(found)
    for name, text in (("python3", PYTHON), ("apt-get", APT), ("id", 'echo "${USER_NUMBER:-1000}"')):
        (tmp_path / name).write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
        (tmp_path / name).chmod(0o755)
    return tmp_path


@pytest.fixture
def run(repository: Path, machine: Path) -> Run:
    def call(script: str, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        surroundings = {"PATH": str(machine), "MACHINE": str(machine), "TMPDIR": str(machine), **environment}
        command = [str(repository / ".ci" / script), *arguments]
        return subprocess.run(command, env=surroundings, capture_output=True, text=True, encoding="utf-8")

    return call


def give(machine: Path, *things: str) -> None:
    for thing in things:
        (machine / thing).touch(mode=0o755)


LIBRARIES = ("has-libGL.so.1", "has-libgthread-2.0.so.0", "has-ensurepip")


def test_user_without_rights_gets_the_one_command(run: Run, machine: Path) -> None:
    told = run("system.sh", "demo")
    assert told.returncode == 1
    assert "sudo apt-get install python3-venv libgl1 libglib2.0-0\n" in told.stderr
    assert "sudo apt-get install tesseract-ocr\n" in told.stderr
    assert not (machine / "apt.log").exists()


def test_missing_tesseract_alone_is_told_and_no_obstacle(run: Run, machine: Path) -> None:
    give(machine, *LIBRARIES)
    told = run("system.sh", "demo")
    assert told.returncode == 0
    assert "sudo apt-get install tesseract-ocr\n" in told.stderr
    assert 'displays of kind "text" stay unread' in told.stderr


def test_nothing_missing_is_silent(run: Run, machine: Path) -> None:
    give(machine, *LIBRARIES, "tesseract")
    told = run("system.sh", "demo", USER_NUMBER="0")
    assert (told.returncode, told.stdout, told.stderr) == (0, "", "")
    assert not (machine / "apt.log").exists()


def test_nothing_may_be_missing_in_the_whole_check(run: Run, machine: Path) -> None:
    give(machine, *LIBRARIES, "chromium")
    told = run("system.sh", "all")
    assert told.returncode == 1
    assert "tesseract-ocr" in told.stderr


@pytest.mark.skipif(not Path("/etc/debian_version").exists(), reason="only Debian has Debian's packages")
def test_root_on_debian_installs_what_is_missing_and_only_that(run: Run, machine: Path) -> None:
    give(machine, "has-libgthread-2.0.so.0", "has-ensurepip")
    told = run("system.sh", "demo", USER_NUMBER="0")
    assert (told.returncode, told.stderr) == (0, "")
    lines = (machine / "apt.log").read_text(encoding="utf-8").splitlines()
    assert lines == ["update -q", "install -q -y --no-install-recommends libgl1 tesseract-ocr"]
    assert run("system.sh", "demo", USER_NUMBER="0").stdout == ""


@pytest.mark.skipif(not Path("/etc/debian_version").exists(), reason="only Debian has Debian's packages")
def test_failed_installation_is_told_and_stops_only_where_it_must(run: Run, machine: Path) -> None:
    told = run("system.sh", "demo", USER_NUMBER="0", APT_FAILS="100")
    assert told.returncode == 1
    assert "apt-get could not install python3-venv libgl1 libglib2.0-0 tesseract-ocr" in told.stderr
    give(machine, *LIBRARIES)
    assert run("system.sh", "demo", USER_NUMBER="0", APT_FAILS="100").returncode == 0


def test_python_built_without_venv_is_told_apart(run: Run, machine: Path) -> None:
    give(machine, *LIBRARIES[:2], "tesseract")
    told = run("system.sh", "demo")
    assert told.returncode == 1
    assert "was built without venv or ensurepip; use the system's: make demo PYTHON=/usr/bin/python3" in told.stderr


def test_old_python_is_told_with_its_version(run: Run) -> None:
    told = run("python.sh", TOO_OLD="1")
    assert (told.returncode, told.stdout) == (1, "")
    assert "frametally needs Python 3.11 or newer, but Python 3.9.2 is what python3 gives." in told.stderr


def test_no_python_is_told(run: Run, machine: Path) -> None:
    (machine / "python3").unlink()
    told = run("python.sh")
    assert told.returncode == 1
    assert "no Python 3 was found" in told.stderr


def test_newer_python_under_another_name_is_found(run: Run, machine: Path) -> None:
    (machine / "python3").rename(machine / "python3.12")
    told = run("python.sh", CALLED="/opt/python3.12")
    assert (told.returncode, told.stdout) == (0, "/opt/python3.12\n")
