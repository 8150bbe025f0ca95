"""Takes what was typed; gives exit code, data on stdout and words for people on stderr. Turns every error into a sentence, once."""

from __future__ import annotations

import logging
import os
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import click

from frametally.errors import EXIT_MEANING, ExitCode, FrametallyError, ProgramMissing

FOLDER = click.Path(path_type=Path)
EXIT_HELP = "Exit codes: " + "; ".join(f"{code.value} {meaning}" for code, meaning in EXIT_MEANING.items()) + "."


class Iso(click.ParamType):
    """A date and time as in ISO 8601, with or without an offset."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        """Give the datetime; the user's own zone is never added."""
        if isinstance(value, datetime):
            return value
        try:
            return datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r} is no date and time; write it like 2026-10-30T21:40:00+00:00 or 2026-10-30 21:40", param, ctx)


@click.group(
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=EXIT_HELP,
    no_args_is_help=True,
)
@click.version_option(package_name="frametally", message="%(prog)s %(version)s")
@click.option("-v", "--verbose", is_flag=True, help="Say more, and show where an error arose.")
@click.option("-q", "--quiet", is_flag=True, help="Only errors on stderr: no notices, no progress bar.")
@click.pass_context
def cli(context: click.Context, verbose: bool, quiet: bool) -> None:
    """Read the numbers off instrument displays in a folder of time-lapse photos, and say what the night's air meant."""
    context.obj = {"verbose": verbose, "quiet": quiet}
    level = logging.DEBUG if verbose else logging.ERROR if quiet else logging.INFO
    logging.basicConfig(level=logging.WARNING, format="%(message)s", stream=sys.stderr)
    logging.getLogger("frametally").setLevel(level)


def _frames_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the arguments and options that `run` and `read` share."""
    for decorate in reversed(
        (
            click.argument("frames", type=FOLDER),
            click.option("-c", "--calibration", type=FOLDER, required=True, help="Calibration file: where the displays are."),
            click.option("-o", "--results", type=FOLDER, required=True, help="Results folder; made where it is missing."),
            click.option("--method", type=FOLDER, help="Method file: how strict to be."),
            click.option(
                "--utc-offset", metavar="±HH:MM", help="Offset of the camera's clock from UTC, where the photos do not say."
            ),
            click.option("--start", type=Iso(), help="Time of the first frame, where the photos do not say."),
            click.option(
                "--every",
                "every_s",
                type=click.FloatRange(min=0, min_open=True),
                metavar="SECONDS",
                help="Time from frame to frame, with --start.",
            ),
            click.option(
                "--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Frames read at the same time."
            ),
            click.option("--fresh", is_flag=True, help="Read everything anew; the old journal is kept beside the new one."),
            click.option("--strict", is_flag=True, help="End with code 5 where too much is doubtful."),
        )
    ):
        command = decorate(command)
    return command


@cli.command("run", short_help="The whole job: read, clean, assess, report.")
@click.option("-t", "--trial", type=FOLDER, help="Trial file: the conditions of the test.")
@_frames_options
@click.pass_context
def run_command(context: click.Context, trial: Path | None, **options: object) -> None:
    """Read FRAMES (a folder of photos, or a video), clean the readings, assess the night and write the report.

    Stopped at any moment, the same command goes on where it stopped.
    """
    _run(context, trial, readings_only=False, **options)


@cli.command("read", short_help="Photos to readings only.")
@_frames_options
@click.pass_context
def read_command(context: click.Context, **options: object) -> None:
    """Read FRAMES (a folder of photos, or a video) into tables, without assessment or report."""
    _run(context, None, readings_only=True, **options)


def _run(context: click.Context, trial: Path | None, *, readings_only: bool, **given: object) -> None:
    from frametally.cli.words import print_outcome
    from frametally.run import Options, check_doubts, run

    names = ("utc_offset", "start", "every_s", "jobs", "fresh")
    options = Options(**{name: given[name] for name in names}, readings_only=readings_only)  # type: ignore[arg-type]
    with _bar(context, "Reading") as progress:
        outcome = run(
            _path(given["frames"]),
            _path(given["calibration"]),
            _path(given["results"]),
            trial=trial,
            method=given["method"],  # type: ignore[arg-type]
            options=options,
            progress=progress,
        )
    print_outcome(outcome, quiet=context.obj["quiet"])
    if given["strict"]:
        check_doubts(outcome)


def _path(value: object) -> Path:
    return Path(str(value))


@cli.command("report", short_help="Tables, assessment and report again, after corrections.")
@click.argument("results", type=FOLDER)
@click.pass_context
def report_command(context: click.Context, results: Path) -> None:
    """Make the tables, the assessment and the report of RESULTS again from its journal and corrections.csv."""
    from frametally.cli.words import print_outcome
    from frametally.results import Results
    from frametally.run import finish

    print_outcome(finish(Results(results)), quiet=context.obj["quiet"])


@cli.command("assess", short_help="The assessment of any table of readings.")
@click.argument("table", type=FOLDER)
@click.option("-t", "--trial", type=FOLDER, help="Trial file: the conditions of the test.")
@click.option("-o", "--results", type=FOLDER, required=True, help="Folder for assessment.json; made where it is missing.")
def assess_command(table: Path, trial: Path | None, results: Path) -> None:
    """Assess TABLE, a CSV file with a time column and columns such as co_ppm, o2_pct, temp_c, rh_pct; ours or a logger's."""
    from frametally.cli.words import print_findings
    from frametally.run import assess_table

    assessment, written = assess_table(table, trial, results)
    print_findings(assessment)
    click.echo(f"Assessment: {written}")


@cli.command("limits", short_help="The limit catalogue with its sources.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def limits_command(as_json: bool) -> None:
    """Print the published limits that findings are held against: value, rule, whom it protects, source."""
    from frametally.cli.words import print_limits

    print_limits(as_json=as_json)


@cli.command("practice", short_help="Draw a practice night with known truth.")
@click.argument("folder", type=FOLDER)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="The same seed draws the same night.")
@click.option("--frames", type=click.IntRange(1, 9999), default=120, show_default=True, help="How many photos.")
@click.option(
    "--every",
    "interval_s",
    type=click.FloatRange(min=1),
    default=60.0,
    show_default=True,
    metavar="SECONDS",
    help="Time from photo to photo.",
)
@click.option("--style", help="Look of the displays; the seed chooses where none is given. --list shows them.")
@click.option(
    "--trouble",
    "troubles",
    multiple=True,
    help="A trouble of real nights; may be given several times. All by default. --list shows them.",
)
@click.option("--clean", is_flag=True, help="No troubles at all.")
@click.option("--list", "show_list", is_flag=True, help="List styles and troubles, and draw nothing.")
@click.pass_context
def practice_command(
    context: click.Context,
    folder: Path,
    seed: int,
    frames: int,
    interval_s: float,
    style: str | None,
    troubles: tuple[str, ...],
    clean: bool,
    show_list: bool,
) -> None:
    """Draw a practice night into FOLDER: photos, calibration, trial, and truth.csv with what every display showed."""
    from frametally.practice import STYLES, TROUBLES, draw_night

    if show_list:
        click.echo("Styles: " + ", ".join(STYLES))
        click.echo("Troubles:")
        for name, meaning in TROUBLES.items():
            click.echo(f"  {name}: {meaning}")
        return
    if clean and troubles:
        raise click.UsageError("--clean and --trouble exclude each other")
    wanted = () if clean else troubles or None
    with _bar(context, "Drawing") as progress:
        night = draw_night(
            folder, seed=seed, frames=frames, style=style, interval_s=interval_s, troubles=wanted, progress=progress
        )
    click.echo(f"Photos:      {night.frames}")
    click.echo(f"Truth:       {night.truth}")
    click.echo(f"Read it:     frametally run {night.frames} -c {night.calibration} -t {night.trial} -o {folder / 'results'}")


@contextmanager
def _bar(context: click.Context, label: str) -> Iterator[Callable[[int, int], None] | None]:
    """Give a progress function that draws a bar on stderr, where that is a terminal; None elsewhere."""
    if context.obj["quiet"] or not sys.stderr.isatty():
        yield None
        return
    bar = click.progressbar(length=1, label=label, file=sys.stderr, show_pos=True)

    def advance(done: int, total: int) -> None:
        bar.length = total
        bar.update(done - bar.pos)

    with bar:
        yield advance


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and end the process with one of `errors.ExitCode`."""
    sys.exit(run_cli(arguments))


def run_cli(arguments: list[str] | None = None) -> int:
    """Run the command line; give the exit code."""
    verbose = any(argument in ("-v", "--verbose") for argument in (sys.argv[1:] if arguments is None else arguments))
    try:
        cli.main(arguments, prog_name="frametally", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as help_wanted:
        click.echo(help_wanted.format_message(), err=True)
        return ExitCode.BAD_USE
    except click.ClickException as error:
        error.show()
        return ExitCode.BAD_USE
    except (KeyboardInterrupt, click.Abort):
        click.echo("\nStopped. What has been read is kept; run the same command again to go on.", err=True)
        return ExitCode.INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return ExitCode.FINISHED
    except ImportError as error:
        return _say(_missing(error), verbose)
    except FrametallyError as error:
        return _say(error, verbose)
    except Exception as error:  # the one place where a bug of ours is caught
        _trace(verbose)
        click.echo(f"frametally: a fault in frametally itself ({type(error).__name__}: {error}).", err=True)
        click.echo("What has been read is kept. Run again with -v before the command and report what it prints.", err=True)
        return ExitCode.OUR_BUG
    return ExitCode.FINISHED


def _say(error: FrametallyError, verbose: bool) -> int:
    _trace(verbose)
    click.echo(f"frametally: {error}", err=True)
    return error.exit_code


def _trace(verbose: bool) -> None:
    if verbose:
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
        f"a Python package cannot be loaded ({text}); install frametally again: python -m pip install --force-reinstall frametally"
    )
