"""Takes what a command found; prints it for people: short tables and sentences that fit a terminal."""

from __future__ import annotations

import json
import textwrap
from typing import TYPE_CHECKING

import click

from frametally.model import Assessment, Display, Flag

if TYPE_CHECKING:
    import pandas as pd

    from frametally.run import Outcome

ROWS = 12
"""Rows of the short table."""

MOST_NOTICES = 12
WIDTH = 100

_SHORT = {
    Flag.OVER_RANGE: "over",
    Flag.UNDER_RANGE: "under",
    Flag.NO_FRAME: "no photo",
    Flag.UNREADABLE: "unreadable",
    Flag.STATUS: "word",
    Flag.BLANK: "off",
}


def print_outcome(outcome: Outcome, *, quiet: bool) -> None:
    """Print notices (to stderr), a short table, how well it was read, the findings and where everything lies."""
    if not quiet:
        for notice in outcome.notices[:MOST_NOTICES]:
            click.echo(_wrapped(f"Note: {notice.where + ': ' if notice.where else ''}{notice.text}", "      "), err=True)
        if len(outcome.notices) > MOST_NOTICES:
            click.echo(f"Note: and {len(outcome.notices) - MOST_NOTICES} more; the report lists all.", err=True)
    displays = outcome.calibration.displays
    click.echo(short_table(outcome.tables.readings, displays))
    click.echo()
    click.echo(quality_lines(outcome.tables.readings, displays))
    if outcome.assessment is not None:
        click.echo()
        print_findings(outcome.assessment)
    click.echo()
    click.echo(f"Table:  {outcome.results.readings}")
    if outcome.assessment is not None:
        click.echo(f"Report: {outcome.results.report}")


def short_table(table: pd.DataFrame, displays: tuple[Display, ...]) -> str:
    """Give some rows spread over the night, with every display's value, or its flag where there is none."""
    count = len(table)
    chosen = sorted({round(i * (count - 1) / max(ROWS - 1, 1)) for i in range(min(ROWS, count))})
    lines = [["time", "frame", *(f"{display.key}" for display in displays)]]
    for index in chosen:
        row = table.iloc[index]
        time = str(row["time"])[11:16] if isinstance(row["time"], str) else "-"
        lines.append([time, str(row["frame"]) or "-", *(_cell(row, display) for display in displays)])
    widths = [max(len(line[column]) for line in lines) for column in range(len(lines[0]))]
    return "\n".join(
        "  ".join(
            cell.ljust(width) if column < 2 else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    )


def _cell(row: pd.Series, display: Display) -> str:
    flag = Flag(row[f"{display.key}_flag"])
    value = row[display.key]
    if value != value:
        return _SHORT.get(flag, flag.value)
    decimals = 0 if display.resolution is None or display.resolution >= 1 else 1 if display.resolution >= 0.1 else 2
    text = f"{value:.{decimals}f}" if display.resolution is not None else f"{value:g}"
    return text + ("?" if flag is Flag.DOUBTFUL else "")


def quality_lines(table: pd.DataFrame, displays: tuple[Display, ...]) -> str:
    """Give one line per display: how many readings have which flag."""
    lines = []
    for display in displays:
        counts = table[f"{display.key}_flag"].value_counts()
        parts = [f"{counts[flag.value]} {flag.value.replace('_', ' ')}" for flag in Flag if flag.value in counts]
        lines.append(f"{display.key}: {', '.join(parts)}")
    return "\n".join(lines)


def print_findings(assessment: Assessment) -> None:
    """Print every finding's title and text, what matters most to a life first."""
    for finding in assessment.findings:
        mark = {"danger": "!!", "warning": "! ", "note": "- ", "calm": "- "}[finding.tone]
        click.echo(_wrapped(f"{mark} {finding.title}", "   "))
        click.echo(_wrapped(f"   {finding.text}", "   "))


def print_limits(*, as_json: bool) -> None:
    """Print the limit catalogue."""
    from frametally.assess import load_limits

    limits = load_limits()
    if as_json:
        click.echo(json.dumps([limit.model_dump() for limit in limits], ensure_ascii=False, indent=1))
        return
    for limit in limits:
        window = f", averaged over {limit.averaging_min / 60:g} h" if limit.averaging_min else ""
        click.echo(f"{limit.label}: {limit.value:g} {limit.unit}{window}  [{limit.id}]")
        click.echo(_wrapped(f"  For {limit.protects}. {limit.rule}", "  "))
        click.echo(_wrapped(f"  Source: {limit.citation}", "  "))
        if limit.note:
            click.echo(_wrapped(f"  Note: {limit.note}", "  "))


def _wrapped(text: str, indent: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False)
