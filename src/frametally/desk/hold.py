"""Takes a file and keeps a second desk off it while the first is open."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from frametally.errors import BadInput
from frametally.lock import Lock


@contextmanager
def hold(path: Path, what: str) -> Iterator[None]:
    """Hold `path` (a file of its own beside `what` the desk works on); raises `BadInput` where another desk does.

    The operating system lets go of it when the process ends, however it ends.
    """
    try:
        lock = Lock(path)
    except BadInput as error:
        process = re.search(r" \(process \d+\)", str(error))
        raise BadInput(
            f"another desk{process[0] if process else ''} is open on {what};"
            " go on in its browser tab, or end it with Ctrl-C in its terminal first"
        ) from None
    except OSError as error:
        raise BadInput(f"{path.parent} cannot be written to ({error.strerror}); the desk keeps your work there") from None
    try:
        yield
    finally:
        lock.release()
