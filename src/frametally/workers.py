"""Takes one piece of work; gives a way of having it done by processes of this computer, each called by one thread at a time.

A worker is a Python of its own that is told through its standard input what to do, and answers through its standard output.
Ctrl-C does not reach it, and it ends when the process that started it does, in whatever way. It imports nothing of the program
that it works for, so that a script needs no `if __name__ == "__main__"`.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import traceback
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, BinaryIO, TypeVar, cast

from frametally.errors import BadInput

_Out = TypeVar("_Out")

LIVES = 3
"""So many workers may die over one item."""

_APART: dict[str, Any] = (
    {"creationflags": 0x200 | 0x08000000}  # CREATE_NEW_PROCESS_GROUP, CREATE_NO_WINDOW
    if sys.platform == "win32"
    else {"start_new_session": True}
)


@contextmanager
def in_processes(work: Callable[..., _Out]) -> Iterator[Callable[..., _Out]]:
    """Give a function that has the work done in another process; in as many as there are threads that call it side by side.

    What the work raises comes out as it is. An item whose worker died goes to another; `BadInput` is raised where LIVES died over
    it. Leave only when no call is under way.
    """
    packed, idle = _pickled(work), deque[_Worker]()

    def do(*item: Any) -> _Out:
        order = _pickled(item)
        for _ in range(LIVES):
            worker = _any_of(idle) or _Worker(packed)
            try:
                succeeded, outcome = worker.ask(order)
            except (EOFError, OSError, pickle.UnpicklingError):  # it has died, perhaps in the middle of its answer
                worker.end()
                continue
            idle.append(worker)
            if succeeded:
                return cast(_Out, outcome)
            raise outcome
        raise BadInput(
            f"{LIVES} processes died one after the other over {getattr(item[0], 'name', item[0])}, perhaps for want of memory;"
            " use fewer --jobs, or take that photo out. Then give the same command again: what is read is kept, and it goes on"
            " from there"
        )

    try:
        yield do
    finally:
        for worker in idle:
            worker.end()


def _any_of(idle: deque[_Worker]) -> _Worker | None:
    try:
        return idle.pop()
    except IndexError:
        return None


class _Worker:
    """A process that is told its work with the first item."""

    def __init__(self, work: bytes) -> None:
        command = [sys.executable, "-P", "-c", "from frametally.workers import serve; serve()"]
        where = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=where, **_APART)
        self._untold = work

    def ask(self, order: bytes) -> tuple[bool, Any]:
        """Give whether the work succeeded with an item, and its result or what it raised."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(self._untold)
        self._process.stdin.write(order)
        self._process.stdin.flush()
        self._untold = b""
        answer: tuple[bool, Any] = pickle.load(self._process.stdout)
        return answer

    def end(self) -> None:
        """End the process, which is idle or dead, and close the pipes."""
        self._process.kill()
        with suppress(OSError), self._process:
            pass


def serve() -> None:
    """Do the work that comes in, until nobody gives any more: what a worker's process runs."""
    orders, answers = _own_pipes()
    import cv2

    cv2.setNumThreads(1)  # other workers sit on the other cores
    with suppress(EOFError, OSError):  # whoever gave the work is gone
        work = pickle.load(orders)
        while True:
            answers.write(_answer(work, pickle.load(orders)))
            answers.flush()


def _own_pipes() -> tuple[BinaryIO, BinaryIO]:
    """Give what comes in and goes out, out of the reach of libraries that print, and of programs that they start."""
    orders, answers = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDWR)
    os.dup2(nothing, 0)
    os.dup2(nothing, 1)
    return orders, answers


def _answer(work: Callable[..., Any], item: tuple[Any, ...]) -> bytes:
    try:
        return _pickled((True, work(*item)))
    except Exception as error:
        told = traceback.format_exc()
        error.add_note(f"In a process of --jobs:\n{told}")
        try:
            answer = _pickled((False, error))
            pickle.loads(answer)
        except Exception:  # some errors cannot be made again from what is kept of them
            answer = _pickled((False, RuntimeError(told)))
        return answer


def _pickled(what: Any) -> bytes:
    return pickle.dumps(what, protocol=pickle.HIGHEST_PROTOCOL)
