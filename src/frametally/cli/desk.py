"""Takes `mark` and `review` with their options and opens the desk on them: local web pages, until Ctrl-C."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click

from frametally.cli.loudness import Command

_PATH = click.Path(path_type=Path)


def desk_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that both pages share."""
    for decorate in reversed(
        (
            click.option("--no-browser", is_flag=True, help="Only print the address; do not open a browser."),
            click.option(
                "--port",
                type=click.IntRange(0, 65535),
                default=0,
                show_default=True,
                help="Port to listen on; 0 is any free one.",
            ),
            click.option(
                "--host",
                default="127.0.0.1",
                show_default=True,
                help="Address to listen on. Anything but this machine's own lets others on the network in who know the address.",
            ),
        )
    ):
        command = decorate(command)
    return command


@click.command(
    "mark", cls=Command, short_help="Web page: mark the displays once, see them read.", example="mark photos -c calibration.toml"
)
@click.argument("frames", type=_PATH)
@click.option("-c", "--calibration", type=_PATH, required=True, help="Calibration file; made where it is missing.")
@desk_options
def mark_command(frames: Path, calibration: Path, no_browser: bool, port: int, host: str) -> None:
    """Mark the displays on a photo of FRAMES in a web page on this machine, and see at once how they are read.

    The address is the first line on stdout. Ctrl-C in the terminal ends it, with code 0; unsaved work is kept.
    """
    from frametally.desk.mark import mark
    from frametally.desk.server import Where

    mark(frames, calibration, Where(host, port, not no_browser))


@click.command(
    "review", cls=Command, short_help="Web page: settle the doubtful readings, see the night.", example="review results"
)
@click.argument("results", type=_PATH)
@click.option("--frames", type=_PATH, help="Where the photos lie now, if they were moved since the run.")
@click.option("--all", "everything", is_flag=True, help="Every reading that is not simply ok, not only the doubtful ones.")
@click.option(
    "--flag",
    "flags",
    multiple=True,
    metavar="FLAG",
    help="Readings with this flag (hidden, repaired, ...), as in readings.csv; may be given several times.",
)
@click.option("--who", default="", help="Your name in corrections.csv.  [default: the name you are logged in with]")
@desk_options
def review_command(
    results: Path,
    frames: Path | None,
    everything: bool,
    flags: tuple[str, ...],
    who: str,
    no_browser: bool,
    port: int,
    host: str,
) -> None:
    """Settle the doubtful readings of RESULTS in a web page on this machine, most important first, and see the whole night.

    The address is the first line on stdout. Every correction is kept at once. Ctrl-C in the terminal ends it, with code 0,
    when findings and report are up to date.
    """
    from frametally.desk.review import ALL_FLAGS, DOUBTS, review
    from frametally.desk.server import Where
    from frametally.model import Flag

    known = [flag.value for flag in Flag if flag is not Flag.NO_FRAME]
    unknown = [flag for flag in flags if flag not in known]
    if unknown:
        raise click.BadParameter(f"{unknown[0]!r} is no flag; choose among {', '.join(known)}", param_hint="--flag")
    chosen = ALL_FLAGS if everything else [Flag(flag) for flag in flags] or DOUBTS
    review(results, Where(host, port, not no_browser), frames=frames, flags=chosen, who=who)
