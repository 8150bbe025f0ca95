"""The desk as a program: its address first, loopback only, one desk at a time, a clean end."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from desk_pages import desk

from frametally.cli.ending import run_to_code
from frametally.cli.main import cli


@pytest.fixture
def frames(tmp_path: Path, sample_frames: Path) -> Path:
    folder = tmp_path / "frames"
    folder.mkdir()
    shutil.copy2(sample_frames / "cabin_0001.jpg", folder)
    return folder


def test_address_is_the_first_line_and_ctrl_c_a_clean_end(frames: Path, tmp_path: Path) -> None:
    with desk("mark", frames, "-c", tmp_path / "cabin.toml") as (address, process):
        with urllib.request.urlopen(address) as answer:
            assert b"Mark the displays" in answer.read()
        with pytest.raises(urllib.error.HTTPError, match="403"):
            urllib.request.urlopen(address.partition("?")[0])
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0
    assert out == ""
    assert "Ended. Nothing was marked." in err
    assert "Traceback" not in err
    assert address.partition("=")[2] not in err
    assert [path.name for path in tmp_path.iterdir()] == ["frames"]  # no lock, no draft, nothing in the photos' folder
    assert [path.name for path in frames.iterdir()] == ["cabin_0001.jpg"]


def test_ctrl_c_in_the_middle_of_readings_is_a_clean_end_too(frames: Path, tmp_path: Path) -> None:
    box = {"id": "a", "corners": [[742, 386], [890, 386], [890, 464], [742, 464]]}
    sent = {"draft": {"reference": "cabin_0001.jpg", "displays": [box]}, "id": "a"}
    with desk("mark", frames, "-c", tmp_path / "cabin.toml") as (address, process):
        with urllib.request.urlopen(address) as answer:
            key = re.search(r'name="desk-key" content="([^"]+)"', answer.read().decode())[1]
            cookie = answer.headers["Set-Cookie"].partition(";")[0]
        base = address.partition("/?")[0]
        headers = {"Cookie": cookie, "Origin": base, "X-Desk-Key": key, "Content-Type": "application/json"}
        under_way = threading.Barrier(7)

        def ask() -> None:
            wanted = urllib.request.Request(f"{base}/propose", json.dumps(sent).encode(), headers, method="POST")
            under_way.wait()
            with contextlib.suppress(OSError), urllib.request.urlopen(wanted, timeout=60) as answer:
                answer.read()

        askers = [threading.Thread(target=ask) for _ in range(6)]
        for asker in askers:
            asker.start()
        under_way.wait()
        time.sleep(0.15)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
        for asker in askers:
            asker.join()
    assert process.returncode == 0, err
    assert "Ended." in err


def test_only_this_machine_is_listened_to(frames: Path, tmp_path: Path) -> None:
    with desk("mark", frames, "-c", tmp_path / "cabin.toml") as (address, process):
        port = int(re.search(r":(\d+)/", address)[1])
        listening = Path(f"/proc/{process.pid}/net/tcp")
        if not listening.exists():
            pytest.skip("only Linux tells who listens where")
        wanted = [line.split()[1] for line in listening.read_text().splitlines() if f":{port:04X} " in line and " 0A " in line]
        assert wanted == [f"0100007F:{port:04X}"]


def test_second_desk_on_the_same_calibration_is_told(frames: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with desk("mark", frames, "-c", tmp_path / "cabin.toml") as (_, process):
        code = run_to_code(cli, ["mark", str(frames), "-c", str(tmp_path / "cabin.toml"), "--no-browser"])
        assert code == 2
        assert f"another desk (process {process.pid}) is open on {tmp_path / 'cabin.toml'}" in capsys.readouterr().err


def test_port_that_is_taken_is_told(frames: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        code = run_to_code(cli, ["mark", str(frames), "-c", str(tmp_path / "cabin.toml"), "--no-browser", "--port", port])
    out, err = capsys.readouterr()
    assert (code, out) == (2, "")
    assert f"port {port} cannot be used" in err
    assert "--port" in err


def test_listening_to_others_is_warned_of(frames: Path, tmp_path: Path) -> None:
    with desk("mark", frames, "-c", tmp_path / "cabin.toml", "--host", "0.0.0.0") as (_, process):
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert "anyone on that network" in err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["none", "-c", "a.toml"], "none cannot be opened"),
        ([".", "-c", "a.toml"], "There are no photos"),
        ([".", "-c", "."], "is a folder"),
        (["."], "Missing option '-c'"),
        ([".", "-c", "a.toml", "--port", "70000"], "70000"),
    ],
)
def test_what_is_wrong_is_said_before_anything_is_served(
    arguments: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    code = run_to_code(cli, ["mark", *arguments, "--no-browser"])
    out, err = capsys.readouterr()
    assert code in (2, 3)
    assert out == ""
    assert says in err


def test_help_loads_no_server() -> None:
    code = (
        "import sys\nfrom frametally.cli.main import cli\ntry:\n    cli(['mark', '--help'])\n"
        "except SystemExit:\n    pass\nprint('flask' in sys.modules)"
    )
    called = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=os.environ, check=True)
    assert called.stdout.splitlines()[-1] == "False"
    assert "first line on stdout" in called.stdout
