"""Takes what was typed and calls what it asks for: every command, its arguments and its options."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from frametally.cli.check import check_command
from frametally.cli.compare import compare_command
from frametally.cli.desk import mark_command, review_command
from frametally.cli.ending import own_name, run_to_code
from frametally.cli.export import export_command
from frametally.cli.film import film_command
from frametally.cli.interruption import one_interruption
from frametally.cli.loudness import Command, Loudness, keep_stderr, loudness_options, progress_bar
from frametally.errors import EXIT_MEANING
from frametally.places import Place, place_of

if TYPE_CHECKING:
    from frametally.engines import Engine
    from frametally.run import Options

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


class PlaceOfFrames(click.ParamType):
    """A path, or a URL such as s3://nights/boat."""

    name = "path"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> object:
        """Give the path or URL."""
        return place_of(value) if isinstance(value, str) else value


@click.group(
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=EXIT_HELP,
    no_args_is_help=True,
)
@click.version_option(package_name="frametally", message="%(prog)s %(version)s")
def cli() -> None:
    """Read the numbers off instrument displays in a folder of time-lapse photos, and say what the night's air meant."""


cli.params += loudness_options()
cli.command_class = Command
cli.add_command(mark_command)
cli.add_command(check_command)
cli.add_command(review_command)
cli.add_command(export_command)
cli.add_command(compare_command)
cli.add_command(film_command)

ALL_FINDINGS = click.option("--all", "all_findings", is_flag=True, help="Print every finding in full, as in the report.")


def _frames_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the arguments and options that `run` and `read` share."""
    for decorate in reversed(
        (
            click.argument("frames", type=PlaceOfFrames(), required=False),
            click.option("-c", "--calibration", type=FOLDER, help="Calibration file: where the displays are."),
            click.option("-o", "--results", type=FOLDER, help="Results folder; made where it is missing."),
            click.option(
                "--manifest", type=FOLDER, help="Many nights, listed in this TOML or CSV file, in the place of FRAMES, -c and -o."
            ),
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
                "--camera", metavar="NAME", help='The camera whose photos count, where several are mixed: its name, or "IMG_*".'
            ),
            click.option(
                "--jobs",
                type=click.IntRange(1, 64),
                default=1,
                show_default=True,
                help="Frames read at the same time; from 40 frames on by as many processes.",
            ),
            click.option(
                "--engine",
                type=click.Choice(["local", "dask"]),
                default="local",
                show_default=True,
                help="Who reads the frames: --jobs processes here, or a Dask cluster (needs frametally[cluster]).",
            ),
            click.option("--scheduler", metavar="ADDRESS", help="The cluster's scheduler, such as tcp://10.0.0.5:8786."),
            click.option("--fresh", is_flag=True, help="Read everything anew; the old journal is kept beside the new one."),
            click.option(
                "--teach/--no-teach",
                default=True,
                show_default=True,
                help="Learn each display from the settled frames, then read the doubtful ones again.",
            ),
            click.option("--strict", is_flag=True, help="End with code 5 where too much is doubtful."),
        )
    ):
        command = decorate(command)
    return command


@cli.command("run", short_help="The whole job: read, clean, assess, report.", example="run photos -c calibration.toml -o results")
@click.option("-t", "--trial", type=FOLDER, help="Trial file: the conditions of the test.")
@_frames_options
@ALL_FINDINGS
@click.pass_context
def run_command(context: click.Context, trial: Path | None, **options: Any) -> None:
    """Read FRAMES (a folder of photos, a video, or the URL of photos), clean the readings, assess the night, write the report.

    Stopped at any moment, the same command goes on where it stopped. With --manifest many nights are one job: one that fails
    stops no other, and the exit code is that of the worst (of 70, 6, 2, 3, 4, 5, 0 the first that a night ended with).
    """
    _run(context, trial, readings_only=False, **options)


@cli.command("read", short_help="Photos to readings only.", example="read photos -c calibration.toml -o results")
@_frames_options
@click.pass_context
def read_command(context: click.Context, **options: Any) -> None:
    """Read FRAMES (a folder of photos, a video, or the URL of photos) into tables, without assessment or report."""
    _run(context, None, readings_only=True, **options)


def _run(
    context: click.Context,
    trial: Path | None,
    *,
    readings_only: bool,
    engine: str,
    scheduler: str | None,
    manifest: Path | None,
    strict: bool,
    all_findings: bool = False,
    jobs: int,
    fresh: bool,
    teach: bool,
    **of_one_night: Any,
) -> None:
    if (engine == "dask") != (scheduler is not None):
        raise click.UsageError("--engine dask and --scheduler ADDRESS go together; give both, or neither")
    of_one_night["trial"] = trial
    _check_given(context, manifest, of_one_night)
    from frametally.engines import open_engine
    from frametally.run import Options

    options = Options(jobs=jobs, fresh=fresh, teach=teach, readings_only=readings_only)
    with open_engine(scheduler, jobs) as reads:
        if manifest is not None:
            from frametally.cli.fleet import run_fleet

            run_fleet(context, manifest, reads, options, strict=strict)
        else:
            _run_night(context, reads, options, strict=strict, all_findings=all_findings, **of_one_night)


def _check_given(context: click.Context, manifest: Path | None, of_one_night: dict[str, Any]) -> None:
    """Raise a usage error where something is missing, or stands in the manifest instead."""
    parameters = {str(parameter.name): parameter for parameter in context.command.params}
    if manifest is None:
        for name in ("frames", "calibration", "results"):
            if of_one_night[name] is None:
                raise click.MissingParameter(ctx=context, param=parameters[name])
        return
    given = [parameters[name].get_error_hint(context) for name, value in of_one_night.items() if value is not None]
    if given:
        raise click.UsageError(f"{', '.join(given)}: write this into the manifest, for each night its own")


def _run_night(
    context: click.Context,
    engine: Engine,
    options: Options,
    *,
    strict: bool,
    all_findings: bool,
    frames: Place,
    calibration: Path,
    results: Path,
    trial: Path | None,
    method: Path | None,
    **clock: Any,
) -> None:
    from frametally.cli.words import print_outcome
    from frametally.run import check_calibration, check_doubts, run

    own = replace(options, **clock)
    with progress_bar(context, "Reading") as progress:
        outcome = run(frames, calibration, results, trial=trial, method=method, options=own, engine=engine, progress=progress)
    print_outcome(outcome, quiet=_quiet(context), in_full=all_findings)
    check_calibration(outcome)
    if strict:
        check_doubts(outcome)


def _quiet(context: click.Context) -> bool:
    return context.ensure_object(Loudness).quiet


@cli.command("report", short_help="Tables, assessment and report again, after corrections.", example="report results")
@click.argument("results", type=FOLDER)
@click.option(
    "--units",
    type=click.Choice(["metric", "us"]),
    default="metric",
    show_default=True,
    help="Units of the report and its figures: us for °F and ft. Tables keep theirs.",
)
@click.option("--figures", type=FOLDER, help="Folder for every chart as PNG, SVG and PDF; made where it is missing.")
@ALL_FINDINGS
@click.pass_context
def report_command(
    context: click.Context, results: Path, units: Literal["metric", "us"], figures: Path | None, all_findings: bool
) -> None:
    """Make the tables, the assessment and the report of RESULTS again from its journal and corrections.csv."""
    from frametally.cli.words import print_outcome
    from frametally.results import Results
    from frametally.run import check_calibration, finish

    outcome = finish(Results(results), units=units, figures=figures)
    print_outcome(outcome, quiet=_quiet(context), in_full=all_findings)
    if figures is not None:
        click.echo(f"Charts: {figures}")
    check_calibration(outcome)


@cli.command("assess", short_help="The assessment of any table of readings.", example="assess table.csv -o results")
@click.argument("table", type=FOLDER)
@click.option("-t", "--trial", type=FOLDER, help="Trial file: the conditions of the test.")
@click.option("-o", "--results", type=FOLDER, required=True, help="Folder for assessment.json; made where it is missing.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="HEADER=MEANING",
    help="What another header means, such as 'CO (ppm)=carbon monoxide[ppm]', 'Date=time' or 'Wall=wall_co_ppm'.",
)
@ALL_FINDINGS
def assess_command(table: Path, trial: Path | None, results: Path, columns: tuple[str, ...], all_findings: bool) -> None:
    """Assess TABLE, a CSV file with a time column and columns such as co_ppm, o2_pct, temp_c, rh_pct; ours or a logger's."""
    from frametally.cli.words import print_findings
    from frametally.run import assess_table

    assessment, written = assess_table(table, trial, results, columns)
    print_findings(assessment, in_full=all_findings, where="the assessment")
    click.echo()
    click.echo(f"Assessment: {written}")


@cli.command("limits", short_help="The limit catalogue with its sources.", example="limits --kind co")
@click.option("--kind", "gas", metavar="GAS", help="Only this gas: co, o2, co2 or no2; or alarm, for the alarm standards.")
@click.option("--short", is_flag=True, help="One line each, without rules and sources.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def limits_command(gas: str | None, short: bool, as_json: bool) -> None:
    """Print the published limits that findings are held against: value, rule, whom it protects, source."""
    from frametally.cli.catalogue import print_limits

    print_limits(gas, as_json=as_json, short=short)


def _list_practice(context: click.Context, option: click.Parameter, given: bool) -> None:
    if not given:
        return
    from frametally.practice import STYLES, TEXT_STYLES, TROUBLES

    click.echo("Styles: " + ", ".join(STYLES | TEXT_STYLES))
    click.echo("Troubles:")
    for name, meaning in TROUBLES.items():
        click.echo(f"  {name}: {meaning}")
    context.exit()


@cli.command("practice", short_help="Draw a practice night with known truth.", example="practice my_night")
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
@click.option(
    "--list",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_list_practice,
    help="List styles and troubles, and draw nothing.",
)
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
) -> None:
    """Draw a practice night into FOLDER: photos, calibration, trial, and truth.csv with what every display showed."""
    from frametally.practice import draw_night

    if clean and troubles:
        raise click.UsageError("--clean and --trouble exclude each other")
    wanted = () if clean else troubles or None
    try:
        with progress_bar(context, "Drawing") as progress:
            night = draw_night(
                folder, seed=seed, frames=frames, style=style, interval_s=interval_s, troubles=wanted, progress=progress
            )
    except KeyboardInterrupt:
        if not folder.exists():
            raise
        raise KeyboardInterrupt(f"{folder} may hold part of a night by now; delete it first, or name another folder") from None
    click.echo(f"Photos:      {night.frames}")
    click.echo(f"Truth:       {night.truth}")
    command = [*own_name(), "run", night.frames, "-c", night.calibration, "-t", night.trial, "-o", folder / "results"]
    click.echo(f"Read it:     {shlex.join(str(part) for part in command)}")


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and end the process with one of `errors.ExitCode`."""
    keep_stderr()
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")  # a name or sign that the terminal lacks must not stop a run
    with one_interruption():
        code = run_to_code(cli, arguments)
    sys.exit(code)
