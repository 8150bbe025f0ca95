"""Takes -v and -q, given before or after the command; gives what is said on stderr: log lines, library noise, progress bars."""

from __future__ import annotations

import logging
import os
import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import click

NOISY_LIBRARIES = {"OPENCV_LOG_LEVEL": "SILENT", "OPENCV_FFMPEG_LOGLEVEL": "-8", "DASK_LOGGING__DISTRIBUTED": "critical"}
"""What keeps OpenCV, the video decoder in it, and Dask from writing past us to stderr; a user's own setting counts first."""


@dataclass
class Loudness:
    """How much one call of the program says; the command line's context carries it."""

    verbose: bool = False
    quiet: bool = False


class Command(click.Command):
    """A command that also takes -v and -q behind its name, where most people type them.

    `example` is what can be typed behind `frametally`; shown where something that is needed was left out.
    """

    def __init__(self, *arguments: Any, example: str = "", **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.example = example
        self.params += loudness_options()


def loudness_options() -> list[click.Parameter]:
    """Give the options -v and -q, which set the context's `Loudness`."""
    shared: dict[str, Any] = {"is_flag": True, "expose_value": False, "callback": _set}
    return [
        click.Option(["-v", "--verbose"], help="Say more, and show where an error arose.", **shared),
        click.Option(["-q", "--quiet"], help="Only errors on stderr: no notices, no progress bar.", **shared),
    ]


def _set(context: click.Context, option: click.Parameter, given: bool) -> None:
    loudness = context.ensure_object(Loudness)
    if not given:
        return
    setattr(loudness, str(option.name), True)
    if loudness.verbose and loudness.quiet:
        raise click.UsageError("-v and -q exclude each other", context)
    logging.getLogger("frametally").setLevel(_level(loudness))


def _level(loudness: Loudness) -> int:
    return logging.DEBUG if loudness.verbose else logging.ERROR if loudness.quiet else logging.INFO


class _ToStderr(logging.Handler):
    def emit(self, record: logging.LogRecord) -> None:
        click.echo(self.format(record), err=True)


@contextmanager
def only_our_words(loudness: Loudness) -> Iterator[None]:
    """Let our own log lines through to stderr, and nothing that a library says there, while the program runs."""
    for name, value in NOISY_LIBRARIES.items():
        os.environ.setdefault(name, value)
    ours, root, handler = logging.getLogger("frametally"), logging.getLogger(), _ToStderr()
    before = (ours.level, ours.propagate, root.level)
    ours.setLevel(_level(loudness))
    ours.propagate = False
    ours.addHandler(handler)
    root.setLevel(logging.CRITICAL)  # others' loggers have no handler of ours: Python would write their warnings to stderr
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        ours.removeHandler(handler)
        ours.level, ours.propagate, root.level = before


def keep_stderr() -> None:
    """Point our stderr at a copy of the real one, and the descriptor that C libraries (libtiff, libpng) write to at nothing."""
    real = sys.__stderr__
    if real is None or sys.stderr is not real:
        return  # there is none, or someone else has put theirs in its place
    real.flush()
    copy = os.dup(real.fileno())
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, real.fileno())
    os.close(nothing)
    sys.stderr = os.fdopen(copy, "w", buffering=1, encoding=real.encoding, errors="backslashreplace")


@contextmanager
def progress_bar(context: click.Context, label: str) -> Iterator[Callable[[int, int], None] | None]:
    """Give a progress function that draws a bar on stderr, where that is a terminal; None elsewhere."""
    if context.ensure_object(Loudness).quiet or not sys.stderr.isatty():
        yield None
        return
    bar = click.progressbar(length=1, label=label, file=sys.stderr, show_pos=True)

    def advance(done: int, total: int) -> None:
        bar.length = total
        bar.update(done - bar.pos)

    with bar:
        yield advance
