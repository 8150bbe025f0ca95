"""Takes the name of a lock file and gives a lock on it: one program at a time, and nothing stale after a crash.

The operating system holds the lock and lets go of it when the process ends, however it ends.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path

from frametally.errors import BadInput

_HELD_BY_ANOTHER = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)
_FAR_BYTE = 1 << 30
"""Windows locks bytes, and others may not read those; this one lies behind anything written into the file."""


class Lock:
    """A lock on a file of its own; `release` removes the file again."""

    def __init__(self, path: Path) -> None:
        """Take the lock at once, or raise `BadInput` that says which process holds it."""
        self.path = path
        self._descriptor = self._taken()

    def _taken(self) -> int:
        while True:
            descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o666)
            try:
                _lock(descriptor)
            except OSError as error:
                holder = self._holder()
                os.close(descriptor)
                if error.errno in _HELD_BY_ANOTHER:
                    raise BadInput(
                        f"another frametally{holder} is writing into {self.path.parent};"
                        " wait until it has finished, or give another folder with -o"
                    ) from None
                raise
            if self._is_still_there(descriptor):
                os.ftruncate(descriptor, 0)
                os.write(descriptor, f"{os.getpid()}\n".encode())
                return descriptor
            os.close(descriptor)

    def _is_still_there(self, descriptor: int) -> bool:
        """Whether the file that was locked is the one that has the name: its former holder removes it on release."""
        with contextlib.suppress(FileNotFoundError):
            return os.path.samestat(os.fstat(descriptor), self.path.stat())
        return False

    def _holder(self) -> str:
        with contextlib.suppress(OSError, ValueError):
            return f" (process {int(self.path.read_text(encoding='utf-8'))})"
        return ""

    def release(self) -> None:
        """Let go; a second call does nothing."""
        if self._descriptor < 0:
            return
        if sys.platform != "win32":
            self.path.unlink(missing_ok=True)
        os.close(self._descriptor)
        self._descriptor = -1
        if sys.platform == "win32":
            with contextlib.suppress(OSError):
                self.path.unlink(missing_ok=True)


if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        os.lseek(descriptor, _FAR_BYTE, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        os.lseek(descriptor, 0, os.SEEK_SET)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            # Some network folders cannot lock at all: a lone run must still be possible there.
            if error.errno in _HELD_BY_ANOTHER:
                raise
