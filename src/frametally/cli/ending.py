"""Takes a command and its arguments, runs it; gives the exit code. The one place where errors become sentences."""

from __future__ import annotations

import errno
import shlex
import shutil
import sys
import traceback
from pathlib import Path

import click

from frametally.cli.interruption import was_interrupted
from frametally.cli.loudness import Loudness, only_our_words
from frametally.errors import BadInput, ExitCode, FrametallyError, ProgramMissing

_OF_THE_MACHINE = {
    errno.EACCES: "see that you may open it",
    errno.EPERM: "see that you may open it",
    errno.EROFS: "choose a folder that can be written to",
    errno.ENOSPC: "make room on the disk",
    errno.EDQUOT: "make room on the disk",
    errno.ENAMETOOLONG: "choose shorter names",
    errno.EMFILE: "use fewer --jobs",
    errno.EIO: "see whether the disk or card is sound",
}
"""Errors of the system that are neither a bug of ours nor foreseen where they arose, and what can be done."""


def run_to_code(command: click.Command, arguments: list[str] | None = None) -> int:
    """Run a command line; give one of `errors.ExitCode`. Nothing is raised."""
    loudness = Loudness()
    with only_our_words(loudness):
        try:
            command.main(arguments, prog_name="frametally", standalone_mode=False, obj=loudness)
        except SystemExit:  # click ends so where nobody reads our output any more, as in `frametally limits | head`
            return ExitCode.FINISHED
        except click.ClickException as error:
            error.show()
            _show_example(error)
            return ExitCode.BAD_USE
        except (KeyboardInterrupt, click.Abort) as stop:
            return _say_stopped(stop)
        except FrametallyError as error:
            return _say(error, loudness)
        except Exception as error:  # the one place where a bug of ours is caught
            if was_interrupted():  # a Ctrl-C inside a library can come out as any error of its own
                return _say_stopped(error)
            known = as_ours(error)
            if known is not None:
                return _say(known, loudness)
            _trace(loudness)
            click.echo(f"frametally: a fault in frametally itself ({type(error).__name__}: {error}).", err=True)
            click.echo("What has been read is kept. Run the same command with -v and report what it prints.", err=True)
            return ExitCode.OUR_BUG
    return ExitCode.FINISHED


def as_ours(error: Exception) -> FrametallyError | None:
    """Give what to tell of an error of the machine or of a missing library, None for a bug of ours."""
    if isinstance(error, ImportError):
        return _missing(error)
    if isinstance(error, OSError) and error.errno in _OF_THE_MACHINE:
        what = f"{error.filename}: {error.strerror}" if error.filename else error.strerror
        return BadInput(f"{what}; {_OF_THE_MACHINE[error.errno]}")
    return None


def own_name() -> list[str]:
    """Give what has to be typed to start this program again: its name where the shell finds it, else as it was started now."""
    started = Path(sys.argv[0])
    if started.name == "__main__.py":
        return [sys.executable, "-m", "frametally"]
    found = shutil.which("frametally")
    if started.stem != "frametally" or (found is not None and Path(found).resolve() == started.resolve()):
        return ["frametally"]
    return [sys.argv[0]]


def _show_example(error: click.ClickException) -> None:
    if not isinstance(error, click.MissingParameter) or error.ctx is None:
        return
    example = getattr(error.ctx.command, "example", "")
    if example:
        click.echo(f"For example: {shlex.join(own_name())} {example}", err=True)


def _say_stopped(stop: BaseException) -> int:
    """Say what is kept, where the stage that was stopped has told it."""
    told = stop if isinstance(stop, KeyboardInterrupt) else stop.__cause__
    kept = str(told) if isinstance(told, KeyboardInterrupt) else ""
    click.echo(f"Stopped{f': {kept}' if kept else ''}; run the same command again to go on.", err=True)
    return ExitCode.INTERRUPTED


def _say(error: FrametallyError, loudness: Loudness) -> int:
    _trace(loudness)
    click.echo(f"frametally: {error}", err=True)
    return error.exit_code


def _trace(loudness: Loudness) -> None:
    if loudness.verbose:
        traceback.print_exc(file=sys.stderr)


def _missing(error: ImportError) -> ProgramMissing:
    """Say which library is missing, and how to get it."""
    text = str(error)
    for library, package in (("libGL", "libgl1"), ("libgthread", "libglib2.0-0"), ("libglib", "libglib2.0-0")):
        if library in text:
            return ProgramMissing(
                f"the system library {text.split(':')[0]} is missing, which OpenCV needs; on Debian: apt-get install {package}"
            )
    return ProgramMissing(
        f"a Python package cannot be loaded ({text});"
        " install frametally again: python -m pip install --force-reinstall frametally"
    )
