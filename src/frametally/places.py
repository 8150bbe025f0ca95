"""Takes the name of where frames lie; gives a path of this computer, or a URL that can be opened much as a path is.

URLs are opened with fsspec (extra `cluster`), which is imported when the first one is.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO, cast
from urllib.parse import urlsplit

from frametally.errors import BadInput, ProgramMissing

CLUSTER_INSTALL = "python -m pip install 'frametally[cluster]'"
"""What installs all that the extra `cluster` needs."""

_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")  # two characters at least: one is a drive of Windows
_HEAD_BLOCK = 1 << 16  # bytes asked for at a time where only a file's head is wanted
_PAUSES_S = (0.5, 2.0)  # before the second and the third try
_FINAL = (FileNotFoundError, PermissionError, IsADirectoryError)  # no second try changes these


@dataclass(frozen=True)
class Url:
    """A file or folder of an object store or server, such as "s3://nights/boat"; pickles, and opens anew on every worker.

    The methods have the names that `pathlib.Path` gives them. What goes wrong in a store is raised as OSError, `ProgramMissing`
    where the package is missing that knows this kind of URL.
    """

    text: str

    def __str__(self) -> str:
        return self.text

    def __truediv__(self, name: str) -> Url:
        return Url(f"{self.text.rstrip('/')}/{name}")

    @property
    def name(self) -> str:
        """The last part."""
        return PurePosixPath(self.text).name

    @property
    def suffix(self) -> str:
        """The ending of the name with its point, "" where it has none."""
        return PurePosixPath(self.text).suffix

    @property
    def parent(self) -> Url:
        """The folder it lies in."""
        return Url(self.text.rstrip("/").rpartition("/")[0])

    def exists(self) -> bool:
        """Whether there is such a file or folder; False also where the store cannot be asked."""
        return self._holds("exists")

    def is_file(self) -> bool:
        """Whether there is such a file; False also where the store cannot be asked."""
        return self._holds("isfile")

    def _holds(self, question: str) -> bool:
        try:
            with _as_os_error(self):
                system, path = self.opened()
                return bool(getattr(system, question)(path))
        except OSError:
            return False

    def size(self) -> int:
        """Give the file's size. [bytes]"""
        return int(self._ask(lambda system, path: system.size(path)))

    def open(self, mode: str = "rb") -> BinaryIO:
        """Open for reading; bytes are fetched as they are read."""
        if mode != "rb":
            raise ValueError(f"a URL is opened for reading bytes alone, not with {mode!r}")
        with _as_os_error(self):
            system, path = self.opened()
            return cast(BinaryIO, system.open(path, "rb", block_size=_HEAD_BLOCK))

    def read_bytes(self) -> bytes:
        """Give the whole file."""
        return bytes(self._ask(lambda system, path: system.cat_file(path)))

    def _ask(self, question: Callable[[Any, Any], Any]) -> Any:
        """Ask the store; one that stumbles is asked up to three times."""
        for pause_s in (*_PAUSES_S, None):
            try:
                with _as_os_error(self):
                    return question(*self.opened())
            except _FINAL:
                raise
            except OSError:
                if pause_s is None:
                    raise
                time.sleep(pause_s)
        raise AssertionError("the last try gives or raises")

    def files(self) -> dict[str, Url]:
        """Give the files below, also in sub-folders, by their paths inside this one; itself by its name where it is a file.

        Raises `BadInput` where there is nothing of this name, or the store does not answer.
        """
        try:
            with _as_os_error(self):
                system, path = self.opened()
                system.invalidate_cache()
                found = {str(key): facts for key, facts in system.find(path, detail=True).items()}
        except OSError as error:
            raise BadInput(f"{self} cannot be listed ({error}); check the address, and that you may read it") from None
        top = str(path).rstrip("/")
        names = {key: key.removeprefix(top).lstrip("/") for key, facts in found.items() if facts.get("type", "file") == "file"}
        files = {name or self.name: self / name if name else self for name in names.values()}
        if not files:
            raise BadInput(f"there are no files at {self}; check the address, and that you may read it")
        return files

    def opened(self) -> tuple[Any, Any]:
        """Give fsspec's file system for this URL and the path in it."""
        try:
            from fsspec.core import url_to_fs
        except ImportError:
            raise ProgramMissing(f"{self} needs the Python package fsspec, which is not installed: {CLUSTER_INSTALL}") from None
        try:
            system, path = url_to_fs(self.text)
        except ImportError as error:
            scheme = self.text.partition("://")[0]
            raise ProgramMissing(
                f"{scheme}:// needs one more Python package, here and on every worker ({error}): install it with python -m pip"
            ) from None
        except ValueError as error:
            raise BadInput(f"{self} cannot be opened ({error}); check how the URL begins") from None
        return system, path


Place = Path | Url
"""Where a frame, or a folder of frames, lies."""


def place_of(text: str | Path) -> Place:
    """Give the path or URL that is meant. Raises `BadInput` for a URL with a password: it would be kept in the results."""
    if isinstance(text, Path) or not _URL.match(text):
        return Path(text)
    if "::" in text:
        raise BadInput(f"{text} leads through one URL into another; give the URL of the folder with the photos itself")
    if urlsplit(text).password:
        raise BadInput(
            "the URL has a password in it, which would be written into the results; leave it out, and give it to fsspec in its"
            " configuration file or as the store's own environment variable"
        )
    return Url(text)


@contextmanager
def _as_os_error(url: Url) -> Iterator[None]:
    """Raise as OSError what the many packages behind fsspec raise of their own kinds."""
    try:
        yield
    except (OSError, BadInput, ProgramMissing):
        raise
    except Exception as error:
        raise OSError(f"{url}: {type(error).__name__}: {error}") from error
