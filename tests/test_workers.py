"""Processes of this computer do the work as one would: in order, whoever dies or is stopped, and none is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from frametally import engines
from frametally.engines import LocalEngine
from frametally.errors import BadInput, NoFrames
from frametally.model import Frame

needs_proc = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="only Linux tells in /proc who started a process")


@pytest.fixture
def always(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let even one item be worth the start of processes."""
    monkeypatch.setattr(engines, "WORTH_PROCESSES", 1)


# --- work for processes: what they can import ------------------------------------------------------------------------------


def where(number: int) -> tuple[int, int]:
    return number, os.getpid()


def die_once(mark: Path, number: int) -> int:
    """The process that is given 3 first dies over it."""
    if number == 3 and not mark.exists():
        mark.touch()
        os._exit(1)
    return -number


def die(frame: Frame) -> None:
    os._exit(1)


def fail(number: int) -> int:
    raise NoFrames(f"nothing at {number}")


class NotMadeAgain(Exception):
    def __init__(self, place: str, number: int) -> None:
        super().__init__(f"{place} {number}")


def fail_oddly(number: int) -> int:
    raise NotMadeAgain("lock", number)


def say_and_listen(number: int) -> tuple[int, str]:
    """What a library prints and what a program that it starts would read must not be taken from the orders and answers."""
    os.write(1, b"noise")
    print("noise", flush=True)
    listens = [sys.executable, "-c", "import sys; print(sys.stdin.read())"]
    return number, subprocess.run(listens, stdout=subprocess.PIPE, text=True, check=True).stdout.strip()


# --- who works -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("jobs", [2, 3])
def test_enough_items_are_done_by_as_many_processes_as_asked_for(jobs: int) -> None:
    done = list(LocalEngine(jobs).in_order(where, ((number,) for number in range(engines.WORTH_PROCESSES))))
    assert [number for number, _ in done] == list(range(engines.WORTH_PROCESSES))
    assert os.getpid() not in (workers := {process for _, process in done})
    assert 1 <= len(workers) <= jobs


@pytest.mark.parametrize(("jobs", "fewer", "light"), [(1, 0, False), (3, 1, False), (3, 0, True)])
def test_otherwise_this_process_does_them(jobs: int, fewer: int, light: bool) -> None:
    count = engines.WORTH_PROCESSES - fewer
    done = list(LocalEngine(jobs).in_order(where, ((number,) for number in range(count)), light=light))
    assert done == [(number, os.getpid()) for number in range(count)]


@pytest.mark.usefixtures("always")
def test_only_a_few_items_are_under_way() -> None:
    taken: list[int] = []

    def items() -> Iterator[tuple[int]]:
        for number in range(40):
            taken.append(number)
            yield (number,)

    for given, result in enumerate(LocalEngine(2).in_order(abs, items())):
        assert result == given
        assert len(taken) - given <= 4
    assert len(taken) == 40


@pytest.mark.usefixtures("always")
def test_what_is_printed_there_disturbs_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    assert list(LocalEngine(2).in_order(say_and_listen, ((number,) for number in range(4)))) == [(n, "") for n in range(4)]
    assert capfd.readouterr().out == ""


# --- who dies or fails -----------------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("always")
def test_a_worker_that_dies_loses_nothing(tmp_path: Path) -> None:
    mark = tmp_path / "died"
    done = list(LocalEngine(2).in_order(partial(die_once, mark), ((number,) for number in range(8))))
    assert mark.exists()
    assert done == [-number for number in range(8)]


@pytest.mark.usefixtures("always")
def test_a_photo_that_kills_its_workers_ends_with_words(tmp_path: Path) -> None:
    frame = Frame("locks/gate_0007.jpg", tmp_path / "gate_0007.jpg", 0, None, "none")
    with pytest.raises(BadInput, match=r"3 processes died one after the other over locks/gate_0007\.jpg.*use fewer --jobs"):
        list(LocalEngine(2).in_order(die, [(frame,)]))


@pytest.mark.usefixtures("always")
def test_what_the_work_raises_comes_out_with_where_it_was() -> None:
    with pytest.raises(NoFrames, match="nothing at 1") as failed:
        list(LocalEngine(2).in_order(fail, [(1,)]))
    assert "in fail" in "".join(failed.value.__notes__)
    with pytest.raises(RuntimeError, match=r"NotMadeAgain: lock 1"):
        list(LocalEngine(2).in_order(fail_oddly, [(1,)]))


# --- who is left behind ----------------------------------------------------------------------------------------------------

SCRIPT = """
import signal, sys
from pathlib import Path
from frametally.run import Options, run
signal.signal(signal.SIGINT, signal.default_int_handler)
photos, calibration, results = map(Path, sys.argv[1:])
run(photos, calibration, results, options=Options(jobs=2, readings_only=True), progress=lambda *done: print(*done, flush=True))
"""


@pytest.fixture
def script(sample_frames: Path, calibration_path: Path, tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """A user's program in the middle of reading the demo night, the head of a group of its own, as a terminal makes it.

    It has no `if __name__ == "__main__"`: were the workers to import it, each would begin to read the night as well.
    """
    path = tmp_path / "script.py"
    path.write_text(SCRIPT, encoding="utf-8")
    command = [sys.executable, path, sample_frames, calibration_path, tmp_path / "results"]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True, start_new_session=True) as process:
        assert process.stdout is not None
        while process.stdout.readline() != "3 148\n":
            assert process.poll() is None
        yield process
        process.kill()


def children_of(parent: int) -> list[int]:
    """Give the processes that another one has started, but those that have ended."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, started_by = path.read_text().rpartition(")")[2].split()[:2]
        except OSError:  # it has just ended
            continue
        if int(started_by) == parent and state != "Z":
            found.append(int(path.parent.name))
    return found


def wait_until_ended(processes: list[int]) -> None:
    end = time.monotonic() + 60
    while any(Path(f"/proc/{process}").exists() and "(zombie)" not in status(process) for process in processes):
        assert time.monotonic() < end, "a worker outlives who started it"
        time.sleep(0.02)


def status(process: int) -> str:
    try:
        return Path(f"/proc/{process}/status").read_text()
    except OSError:
        return "(zombie)"


@needs_proc
def test_ctrl_c_in_a_terminal_ends_the_workers_without_a_word(script: subprocess.Popen[str], tmp_path: Path) -> None:
    workers = children_of(script.pid)
    os.killpg(script.pid, signal.SIGINT)
    _, errors = script.communicate(timeout=60)
    kept = len((tmp_path / "results" / "journal.jsonl").read_bytes().splitlines()) - 1
    assert 3 <= kept < 148
    assert errors.count("Traceback") == 1
    assert errors.splitlines()[-1] == f"KeyboardInterrupt: {kept} of 148 frames are read and kept"
    wait_until_ended(workers)


@needs_proc
def test_workers_end_with_whoever_is_killed(script: subprocess.Popen[str]) -> None:
    workers = children_of(script.pid)
    assert len(workers) == 2
    script.kill()
    wait_until_ended(workers)
