"""Takes what was typed behind `film` and has the night's film made."""

from __future__ import annotations

from pathlib import Path

import click

from frametally.cli.loudness import Command, progress_bar

FOLDER = click.Path(path_type=Path)


@click.command(
    "film",
    cls=Command,
    short_help="The time-lapse with readings and charts drawn in.",
    example="film results -o night.mp4",
)
@click.argument("results", type=FOLDER)
@click.option(
    "-o",
    "--output",
    type=FOLDER,
    required=True,
    help="File ending in .mp4; with --transparent one ending in .mov, or a folder for PNG files.",
)
@click.option("--height", type=click.IntRange(720, 2160), default=1080, show_default=True, help="Height in pixels, even.")
@click.option("--fps", type=click.IntRange(1, 60), default=25, show_default=True, help="Film frames per second.")
@click.option(
    "--speed",
    type=click.FloatRange(min=0, min_open=True, max=60),
    metavar="PHOTOS",
    help="Photos of the night per second; 10 where neither this nor --seconds is given.",
)
@click.option(
    "--seconds", type=click.FloatRange(min=0, min_open=True, max=86400), help="Length of the film, in place of --speed."
)
@click.option("--frames", type=FOLDER, help="Where the photos lie now, if they were moved since they were read.")
@click.option(
    "--transparent", is_flag=True, help="Labels, numbers and charts alone, for an editor: ProRes 4444 (.mov) or PNG files."
)
@click.option("--force", is_flag=True, help="Write over a film that is there.")
@click.pass_context
def film_command(
    context: click.Context,
    results: Path,
    output: Path,
    height: int,
    fps: int,
    speed: float | None,
    seconds: float | None,
    frames: Path | None,
    transparent: bool,
    force: bool,
) -> None:
    """Make a film of the night in RESULTS, which a run has left: steady photos, each reading beside its display, growing charts.

    Doubtful readings are drawn hollow with a question mark, and gaps stay gaps. Photos are only read.
    """
    from frametally.filming import Wanted, film

    wanted = Wanted(height, fps, speed, seconds, transparent)
    with progress_bar(context, "Filming") as progress:
        written = film(results, output, wanted, frames=frames, force=force, progress=progress)
    click.echo(f"Film: {written}")
