"""Takes what was typed behind `export` and has the night's table written in another form."""

from __future__ import annotations

from pathlib import Path

import click

from frametally.cli.loudness import Command

FOLDER = click.Path(path_type=Path)
FORM_NAMES = ("xlsx", "parquet", "long")


@click.command(
    "export",
    cls=Command,
    short_help="The table in another form: spreadsheet, Parquet, long CSV.",
    example="export results --to xlsx",
)
@click.argument("results", type=FOLDER)
@click.option(
    "--to",
    "form",
    type=click.Choice(FORM_NAMES),
    required=True,
    help="xlsx: a spreadsheet with the tables, findings and flags explained; parquet: typed columns with units, for programs; "
    "long: CSV with one row per photo and display, for plotting.",
)
@click.option("-o", "--output", type=FOLDER, help="File to write; a file in RESULTS where none is given.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
def export_command(results: Path, form: str, output: Path | None, force: bool) -> None:
    """Write the readings in RESULTS, which a run has left, in another form."""
    from frametally.exporting import export

    click.echo(f"Table: {export(results, form, output, force=force)}")
