"""Takes the signal of Ctrl-C; the first one stops the program in good order, more of them do not disturb it doing so."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from frametally.errors import ExitCode

PATIENCE_S = 3.0
"""Who presses Ctrl-C again so long after the first time is not heard by what is going on, and ends the process at once."""


class _Interruption:
    """What the handler has seen: when Ctrl-C was first pressed."""

    def __init__(self) -> None:
        self.first_s: float | None = None

    def __call__(self, number: int, frame: FrameType | None) -> None:
        now = time.monotonic()
        if self.first_s is None:
            self.first_s = now
            raise KeyboardInterrupt
        if now - self.first_s > PATIENCE_S:  # the journal holds whole lines only, so that this harms nothing
            with suppress(OSError, ValueError, AttributeError):  # not through the stream: it may be in the middle of a line
                os.write(sys.stderr.fileno(), b"Stopped at once; run the same command again to go on.\n")
            os._exit(ExitCode.INTERRUPTED)


@contextmanager
def one_interruption() -> Iterator[None]:
    """Let the first Ctrl-C raise `KeyboardInterrupt`, and no other, until the process ends.

    Python would raise it again at every press: in the middle of waiting for threads, as a traceback, or as the process ends,
    which then dies of the signal. Where Ctrl-C was not to be heard at all (a background job) it stays so.
    """
    before = signal.getsignal(signal.SIGINT)
    if before is not signal.default_int_handler or threading.current_thread() is not threading.main_thread():
        yield
        return
    interruption = _Interruption()
    signal.signal(signal.SIGINT, interruption)
    try:
        yield
    finally:
        # The process is ending: Python gives a handler back to the system while it cleans up, and would die of one more signal.
        signal.signal(signal.SIGINT, before if interruption.first_s is None else signal.SIG_IGN)


def was_interrupted() -> bool:
    """Whether Ctrl-C was pressed since `one_interruption` began."""
    handler = signal.getsignal(signal.SIGINT)
    return isinstance(handler, _Interruption) and handler.first_s is not None
