"""Takes what was typed behind `compare`, has the nights set side by side, and prints what may be concluded and what changed."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from frametally.cli.loudness import Command, Loudness

if TYPE_CHECKING:
    from frametally.compared import Comparison

FOLDER = click.Path(path_type=Path)
WIDTH = 100


@click.command(
    "compare",
    cls=Command,
    short_help="Nights side by side, aligned at switch-on.",
    example="compare vent_shut vent_open -o comparison",
)
@click.argument("results", type=FOLDER, nargs=-1, required=True)
@click.option("-o", "--output", type=FOLDER, required=True, help="Folder for compare.html, .csv and .json; made where missing.")
@click.option("--force", is_flag=True, help="Write over a comparison that is there.")
@click.pass_context
def compare_command(context: click.Context, results: tuple[Path, ...], output: Path, force: bool) -> None:
    """Set two or more nights (results folders, RESULTS) side by side: what differed between them, and what changed.

    The first night is what the others are held against.
    """
    from frametally.comparing import compare

    comparison, page = compare(results, output, force=force)
    if not context.ensure_object(Loudness).quiet:
        for notice in comparison.notices:
            click.echo(_wrapped(f"Note: {notice}", "      "), err=True)
    for sentence in comparison.verdict:
        click.echo(_wrapped(f"- {sentence}", "  "))
    click.echo()
    _print_changes(comparison)
    click.echo()
    click.echo(f"Page: {page}")


def _print_changes(comparison: Comparison) -> None:
    """Print the changes that are settled, one line each."""
    first, *others = (night.name for night in comparison.nights)
    settled = 0
    for row in comparison.rows:
        for name, change in zip(others, row.changes, strict=True):
            if change.value is None or change.sense not in ("higher", "lower"):
                continue
            settled += 1
            unit = "points" if row.unit == "%" else row.unit
            unit = "points" if row.unit == "%" else row.unit
            amount = f"{abs(change.value):.{row.places}f} {unit}".rstrip()
            figure = f"{row.group}, {row.label[:1].lower()}{row.label[1:]}"
            click.echo(_wrapped(f"{figure}: {name} {change.sense} than {first} by {amount}", "  "))
    if not settled:
        click.echo("No change is settled: the bounds of the nights meet, or nobody stated the meters' errors.")


def _wrapped(text: str, indent: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
