"""Takes the limit catalogue; prints it by gas and by whom each limit was made for, for a terminal or as JSON."""

from __future__ import annotations

import json
import shutil
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from frametally.errors import BadInput

if TYPE_CHECKING:
    from frametally.assess.limits import AlarmStandard, Limit

NARROWEST, WIDEST = 60, 120
USUAL_WIDTH = 100
"""Columns where the output goes to no terminal and nothing says how wide it should be."""

ALARM = "alarm"
_AVERAGED = {
    "twa-fixed": "average over {}",
    "rolling-mean": "average over any {}",
    "hourly-mean": "average over {} by the clock",
    "annual-mean": "average over a year (held against no night)",
    "ceiling": "never above",
    "instant-high": "danger above",
    "instant-low": "danger below",
}


def print_limits(gas: str | None = None, *, as_json: bool = False, short: bool = False) -> None:
    """Print the catalogue.

    Parameters
    ----------
    gas : str, optional
        Only this gas: its name, its formula or the end of a display's key; "alarm" for the alarm standards alone.
    as_json : bool
        Every field, as one JSON list (limits first, then alarm standards).
    short : bool
        One line for each entry.

    Raises
    ------
    BadInput
        The catalogue has nothing for this gas.
    """
    from frametally.assess import load_alarms, load_limits

    limits, alarms = _pick(gas, load_limits(), load_alarms())
    if as_json:
        click.echo(json.dumps([one.model_dump() for one in (*limits, *alarms)], ensure_ascii=False, indent=1))
        return
    width = min(max(shutil.get_terminal_size((USUAL_WIDTH, 24)).columns, NARROWEST), WIDEST)
    lines = _limit_lines(limits, width, short=short)
    lines += _alarm_lines(alarms, width, short=short)
    if limits:
        lines += ["", *_wrap("From memory: nobody has seen the value in the document yet; confirm it there.", "", width)]
    click.echo("\n".join(lines).lstrip("\n"))


def _pick(
    gas: str | None, limits: tuple[Limit, ...], alarms: tuple[AlarmStandard, ...]
) -> tuple[tuple[Limit, ...], tuple[AlarmStandard, ...]]:
    if gas is None:
        return limits, alarms
    wanted = gas.strip().lower()
    if wanted in (ALARM, f"{ALARM}s"):
        return (), alarms
    names = _names()
    kind = next((kind for kind, words in names.items() if wanted in words), None)
    if kind is None:
        known = ", ".join(words[0] for words in names.values())
        raise BadInput(f"--kind {gas}: the catalogue has no such gas; write one of {known}, or {ALARM}")
    return tuple(limit for limit in limits if limit.kind == kind), alarms if kind == "co_ppm" else ()


def _names() -> dict[str, tuple[str, ...]]:
    """For each gas: its formula, its name, and the end of a display's key."""
    from frametally.assess.facts import GASES, QUANTITIES

    return {kind: (kind.split("_")[0], words[0], kind) for kind, words in QUANTITIES.items() if kind in GASES}


def _limit_lines(limits: Sequence[Limit], width: int, *, short: bool) -> list[str]:
    from frametally.assess.facts import QUANTITIES
    from frametally.assess.limits import SETTINGS

    lines: list[str] = []
    for kind in dict.fromkeys(limit.kind for limit in limits):
        lines += ["", QUANTITIES[kind][0].upper()]
        for setting, meaning in SETTINGS.items():
            group = [limit for limit in limits if limit.kind == kind and limit.setting == setting]
            if not group:
                continue
            lines += ["", *_wrap(f"For {meaning}", "", width)]
            for limit in group:
                lines += _entry(limit, width, short=short)
    return lines


def _entry(limit: Limit, width: int, *, short: bool) -> list[str]:
    from frametally.assess.wording import write_level, write_minutes

    window = "hour" if limit.averaging_min == 60 else write_minutes(limit.averaging_min or 0.0)
    unsure = ", from memory" if limit.status == "from memory" else ""
    head = f"{write_level(limit, limit.display_unit)}, {_AVERAGED[limit.statistic].format(window)}"
    lines = _wrap(f"  {head}: {limit.label} [{limit.id}]{unsure}", "      ", width)
    if short:
        return lines
    also = f" Also published as {limit.also_published}." if limit.also_published else ""
    lines += _wrap(f"      {limit.rule}{also}", "      ", width)
    lines += _wrap(f"      Source: {limit.source}, {limit.clause}, {limit.edition}", "      ", width)
    if limit.url:
        lines.append(f"      {limit.url}")
    if limit.note:
        lines += _wrap(f"      Note: {limit.note}", "      ", width)
    return lines


def _alarm_lines(alarms: Sequence[AlarmStandard], width: int, *, short: bool) -> list[str]:
    from frametally.assess.alarms import write_bands

    lines: list[str] = []
    if alarms:
        lines += ["", "ALARMS FOR CARBON MONOXIDE", ""]
        lines += _wrap(
            "When an alarm built to a standard sounds. That it is silent does not mean that a limit is kept.", "", width
        )
    for alarm in alarms:
        lines += _wrap(f"  {alarm.standard} [{alarm.id}]: {write_bands(alarm)}", "      ", width)
        if not short:
            lines += _wrap(f"      Source: {alarm.citation}", "      ", width)
            lines += _wrap(f"      Note: {alarm.note}", "      ", width) if alarm.note else []
    return lines


def _wrap(text: str, indent: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False)
