"""The wheel: everything is in it, and it does the whole job away from the sources, the test packages and the network."""

from __future__ import annotations

import csv
import hashlib
import os
import shutil
import subprocess
import sys
import textwrap
import zipfile
from pathlib import Path

import pytest

BIN = "Scripts" if os.name == "nt" else "bin"
EXE = ".exe" if os.name == "nt" else ""
FRAMES = ("cabin_0001.jpg", "cabin_0002.jpg", "cabin_0003.jpg", "cabin_0004.jpg")

GUARD = textwrap.dedent("""
    import sys

    class Guard:
        test_only = {
            "_pytest", "build", "frictionless", "hatchling", "hypothesis", "importlinter", "mypy", "pytest", "ruff", "xdist",
        }

        def find_spec(self, name, path=None, target=None):
            if name.partition(".")[0] in self.test_only:
                raise ModuleNotFoundError(f"{name} is not there for users", name=name)

    def hook(event, arguments):
        if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto"):
            sys.stderr.write(f"NETWORK {event} {arguments[1:]}\\n")
            raise RuntimeError("the network was asked for")

    sys.meta_path.insert(0, Guard())
    sys.addaudithook(hook)
""")
"""Runs at the start of the wheel's Python: there are no test packages, and there is no network."""


def call(*command: str | Path, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a program with nothing of this process's Python settings in its environment."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "COVERAGE", "PYTEST"))}
    return subprocess.run(
        [str(part) for part in command], cwd=cwd, env={**kept, **environment}, capture_output=True, text=True, encoding="utf-8"
    )


def build_wheel(repository: Path, folder: Path) -> Path:
    built = call(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, repository, cwd=folder)
    assert built.returncode == 0, built.stdout + built.stderr
    (wheel,) = folder.glob("*.whl")
    return wheel


def install(wheel: Path, folder: Path) -> Path:
    """Install into a new environment and give its Python; what the package depends on is lent by ours."""
    made = call(sys.executable, "-m", "venv", "--without-pip", folder, cwd=wheel.parent)
    assert made.returncode == 0, made.stderr
    python = folder / BIN / f"python{EXE}"
    pip = (sys.executable, "-m", "pip", "--disable-pip-version-check", "--python", python)
    installed = call(*pip, "install", "--no-index", "--no-deps", wheel, cwd=wheel.parent)
    assert installed.returncode == 0, installed.stdout + installed.stderr
    found = call(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=wheel.parent)
    site_packages = Path(found.stdout.strip())
    # A folder named in a .pth file is only searched: the .pth files inside it, such as our editable one, do not count.
    lent = [path for path in sys.path if Path(path).name in ("site-packages", "dist-packages")]
    # The line of code in it starts the guard; a sitecustomize would not do, as some systems have one of their own.
    (site_packages / "lent.pth").write_text("\n".join([*lent, "import wheel_guard"]) + "\n", encoding="utf-8")
    (site_packages / "wheel_guard.py").write_text(GUARD, encoding="utf-8")
    return python


def names_in_sources(repository: Path) -> set[str]:
    source = repository / "src"
    files = (path for path in (source / "frametally").rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    return {path.relative_to(source).as_posix() for path in files}


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def test_wheel_has_all_files_and_does_the_whole_job(
    tmp_path: Path, repository: Path, sample_frames: Path, calibration_path: Path, trial_path: Path
) -> None:
    wheel = build_wheel(repository, tmp_path)
    with zipfile.ZipFile(wheel) as archive:
        inside = {name for name in archive.namelist() if not name.split("/")[0].endswith(".dist-info")}
        licences = [name for name in archive.namelist() if name.endswith("/LICENSE")]
    assert inside == names_in_sources(repository)
    assert licences

    python = install(wheel, tmp_path / "environment")
    away = tmp_path / "Kajüte im Boot"
    frames = away / "frames"
    frames.mkdir(parents=True)
    for source in (*(sample_frames / name for name in FRAMES), calibration_path, trial_path):
        shutil.copy(source, frames if source.name in FRAMES else away)
    before = digests(frames)

    where = call(python, "-c", "import frametally, sys; print(frametally.__file__, *sys.path, sep='\\n')", cwd=away)
    assert where.returncode == 0, where.stderr
    package, *search = where.stdout.splitlines()
    assert Path(package).resolve().is_relative_to((tmp_path / "environment").resolve())
    assert not [path for path in search if path and Path(path).resolve().is_relative_to((repository / "src").resolve())]

    for forbidden, told in (
        ("import pytest", "not there for users"),
        ("import socket; socket.create_connection(('::1', 9))", "NETWORK"),
    ):
        assert told in call(python, "-c", forbidden, cwd=away).stderr, "the guard does not stand"

    run = call(
        *(python.with_name(f"frametally{EXE}"), "run", "frames"),
        *("-c", calibration_path.name, "-t", trial_path.name, "-o", "results"),
        cwd=away,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    assert "NETWORK" not in run.stderr
    with (away / "results" / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["frame"] for row in rows] == list(FRAMES)
    assert [float(row["co_ppm"]) for row in rows[:3]] == [3, 7, 11]
    for name in ("journal.jsonl", "readings_audit.csv", "assessment.json", "report.html", "datapackage.json"):
        assert (away / "results" / name).stat().st_size > 0
    assert digests(frames) == before


@pytest.mark.parametrize("library", ["libGL.so.1", "libgthread-2.0.so.0"])
def test_missing_system_library_is_one_sentence(
    tmp_path: Path, sample_frames: Path, calibration_path: Path, library: str
) -> None:
    fake = tmp_path / "fake" / "cv2"
    fake.mkdir(parents=True)
    text = f"{library}: cannot open shared object file: No such file or directory"
    (fake / "__init__.py").write_text(f"raise ImportError({text!r})\n", encoding="utf-8")
    command = (sys.executable, "-m", "frametally", "run", sample_frames, "-c", calibration_path, "-o", tmp_path / "results")
    run = call(*command, cwd=tmp_path, PYTHONPATH=str(fake.parent))
    assert run.returncode == 6, run.stdout + run.stderr
    assert "Traceback" not in run.stderr
    assert library in run.stderr
    assert "apt-get install" in run.stderr
    assert len(run.stderr.strip().splitlines()) <= 3
