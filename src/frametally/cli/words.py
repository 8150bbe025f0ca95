"""Takes what a command found; prints it for people: short tables and sentences that fit a terminal."""

from __future__ import annotations

import re
import textwrap
from typing import TYPE_CHECKING

import click

from frametally.model import Assessment, Display, Finding, Flag

if TYPE_CHECKING:
    import pandas as pd

    from frametally.run import Outcome

ROWS = 12
"""Rows of the short table."""

MOST_NOTICES = 6
WIDTH = 100

TOLD_BELOW = 30
"""Findings of a lower weight (see `model.Finding`) are told in sentences."""

MOST_TOLD, MOST_TITLES = 7, 6
"""So many findings are told in sentences and so many more by their title; the report has all of them."""

TWO_SENTENCES = 190
"""Two sentences are printed where together they are no longer than this, else the first alone. [characters]"""

_SENTENCE_END = re.compile(r"(?<=[.!?])\s+(?=[A-Z])")
_MARKS = {"danger": "!!", "warning": "! ", "note": "- ", "calm": "- "}

_SHORT = {
    Flag.OVER_RANGE: "over",
    Flag.UNDER_RANGE: "under",
    Flag.NO_FRAME: "no photo",
    Flag.UNREADABLE: "unreadable",
    Flag.STATUS: "word",
    Flag.BLANK: "off",
}


def print_outcome(outcome: Outcome, *, quiet: bool, in_full: bool = False) -> None:
    """Print notices (to stderr), a short table, how well it was read, the findings and where everything lies."""
    if not quiet:
        for notice in outcome.notices[:MOST_NOTICES]:
            where = f"{notice.where}: " if notice.where and notice.where not in notice.text else ""
            click.echo(_wrapped(f"Note: {where}{notice.text}", "      "), err=True)
        if len(outcome.notices) > MOST_NOTICES:
            click.echo(f"Note: and {len(outcome.notices) - MOST_NOTICES} more; the report lists all.", err=True)
    displays = outcome.calibration.displays
    click.echo(short_table(outcome.tables.readings, displays))
    click.echo()
    click.echo(quality_lines(outcome.tables.readings, displays))
    if outcome.assessment is not None:
        click.echo()
        print_findings(outcome.assessment, in_full=in_full)
    click.echo()
    click.echo(f"Table:  {outcome.results.readings}")
    if outcome.assessment is not None:
        click.echo(f"Report: {outcome.results.report}")


def short_table(table: pd.DataFrame, displays: tuple[Display, ...]) -> str:
    """Give some rows spread over the night, with every display's value, or its flag where there is none."""
    last, shown = len(table) - 1, min(ROWS, len(table))
    chosen = [round(number * last / max(shown - 1, 1)) for number in range(shown)]
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
    from frametally.show.tables import format_value

    flag = Flag(row[f"{display.key}_flag"])
    value = row[display.key]
    if value != value:
        return _SHORT.get(flag, flag.value)
    text = format_value(float(value), display.resolution)
    return text + ("?" if flag is Flag.DOUBTFUL else "")


def quality_lines(table: pd.DataFrame, displays: tuple[Display, ...]) -> str:
    """Give one line per display: how many readings have which flag."""
    lines = []
    for display in displays:
        counts = table[f"{display.key}_flag"].value_counts()
        parts = [f"{counts[flag.value]} {flag.value.replace('_', ' ')}" for flag in Flag if flag.value in counts]
        lines.append(f"{display.key}: {', '.join(parts)}")
    return "\n".join(lines)


def print_findings(assessment: Assessment, *, in_full: bool, where: str = "the report") -> None:
    """Print the findings that matter in brief, what matters most to a life first, or all of them in full."""
    if in_full:
        for finding in assessment.findings:
            click.echo(_titled(finding))
            click.echo(_wrapped(f"   {finding.text}", "   "))
        return
    cautions = [finding for finding in assessment.findings if _is_caution(finding)]
    others = [finding for finding in assessment.findings if not _is_caution(finding)]
    told = [finding for finding in others if finding.weight < TOLD_BELOW or finding.tone == "danger"][:MOST_TOLD]
    rest = [finding for finding in others if finding not in told]
    titles = [finding for finding in rest if finding.tone in ("danger", "warning") or finding.verdict][:MOST_TITLES]
    for finding in told:
        click.echo(_titled(finding))
        click.echo(_wrapped(f"   {_beginning(finding.text)}", "   "))
    for finding in titles:
        click.echo(_titled(finding))
    if cautions:
        click.echo(_wrapped("!  Before you rely on this: " + " ".join(f"{finding.title}." for finding in cautions), "   "))
    click.echo(f"In full, with {len(rest) - len(titles)} more findings and the rules behind them, in {where} (or with --all).")


def _is_caution(finding: Finding) -> bool:
    return finding.slug.startswith("caution")


def _titled(finding: Finding) -> str:
    return _wrapped(f"{_MARKS[finding.tone]} {finding.title}", "   ")


def _beginning(text: str) -> str:
    """Give the first two sentences of a text where they are short, else the first."""
    sentences = _SENTENCE_END.split(text)
    two = " ".join(sentences[:2])
    return two if len(two) <= TWO_SENTENCES else sentences[0]


def _wrapped(text: str, indent: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False)
