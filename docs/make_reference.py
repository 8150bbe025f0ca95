"""Takes nothing; gives docs/reference.md: every command, option, exit code, flag, column and limit, as the code has them.

    python docs/make_reference.py

A test holds the committed page against what this gives: run it after a change to any of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import click

from frametally.assess import load_alarms, load_limits
from frametally.assess.limits import SETTINGS, AlarmPoint, Limit
from frametally.cli.main import cli
from frametally.errors import EXIT_MEANING
from frametally.model import AUDIT_COLUMNS, FLAG_MEANING, TIME_COLUMNS, Column, Method

PAGE = Path(__file__).with_name("reference.md")

STATISTICS = {
    "twa-fixed": "average over {}, divided by that time",
    "rolling-mean": "average over any {}",
    "hourly-mean": "average of the clock hours in {}",
    "annual-mean": "average of a year; held against no night",
    "ceiling": "never above",
    "instant-high": "danger above",
    "instant-low": "danger below",
}
KINDS = {
    "co_ppm": "Carbon monoxide",
    "o2_pct": "Oxygen",
    "co2_ppm": "Carbon dioxide",
    "no2_ppm": "Nitrogen dioxide",
}

HEAD = """# Reference

This page is made from the code by `docs/make_reference.py`; change the code, not the page.
"""


def make_reference() -> str:
    """Give the whole page."""
    parts = (HEAD, *_commands(), _exit_codes(), _flags(), _columns(), _method(), *_limits(), _alarms())
    return "\n".join(part.rstrip() + "\n" for part in parts)


def _table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [header, ["---"] * len(header), *rows]
    return "\n".join("| " + " | ".join(_cell(cell) for cell in line) + " |" for line in lines)


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


# --- commands --------------------------------------------------------------------------------------------------------


def _commands() -> Iterator[str]:
    yield "## Commands\n"
    yield _table(
        ("command", "does"),
        [(f"[`frametally {name}`](#frametally-{name})", cli.commands[name].short_help or "") for name in sorted(cli.commands)],
    )
    yield "Every command takes `-v`, `-q` and `-h`. `frametally --version` gives the version.\n"
    for name in sorted(cli.commands):
        yield _command(name, cli.commands[name])


def _command(name: str, command: click.Command) -> str:
    arguments = [param for param in command.params if isinstance(param, click.Argument)]
    options = [param for param in command.params if isinstance(param, click.Option)]
    words = [_argument(argument) for argument in arguments]
    usage = " ".join(["frametally", name, *words, *(_usage(option) for option in options if option.required), "[OPTIONS]"])
    rows = [(_declared(option), _helped(option)) for option in options]
    text = "\n\n".join(" ".join(paragraph.split()) for paragraph in (command.help or "").split("\n\n"))
    return f"### frametally {name}\n\n```text\n{usage}\n```\n\n{text}\n\n{_table(('option', 'meaning'), rows)}"


def _argument(argument: click.Argument) -> str:
    word = f"{str(argument.name).upper()}{'...' if argument.nargs == -1 else ''}"
    return word if argument.required else f"[{word}]"


def _usage(option: click.Option) -> str:
    return f"{option.opts[0]} {_value(option)}"


def _declared(option: click.Option) -> str:
    names = [*option.opts, *option.secondary_opts]
    value = "" if option.is_flag else _value(option)
    return ", ".join(f"`{name}{' ' + value if value and '|' not in value else ''}`" for name in names)


def _value(option: click.Option) -> str:
    """What stands behind an option: its own word, else the kind of value."""
    if option.metavar:
        return option.metavar
    if isinstance(option.type, click.Choice):
        return "FORM"
    return option.type.name.split()[0].upper()


def _helped(option: click.Option) -> str:
    notes = []
    if option.required:
        notes.append("needed")
    if isinstance(option.type, click.Choice):
        notes.append("one of " + ", ".join(f"`{choice}`" for choice in option.type.choices))
    if isinstance(option.type, (click.IntRange, click.FloatRange)):
        notes.append(_range(option.type))
    if option.multiple:
        notes.append("may be given several times")
    if option.show_default and not (option.is_flag and not option.secondary_opts):
        default = option.default
        notes.append(f"default `{option.opts[0] if option.is_flag and default else default}`")
    help_text = (option.help or "").replace("<", "&lt;")
    return help_text + (f" ({'; '.join(notes)})" if notes else "")


def _range(kind: click.IntRange | click.FloatRange) -> str:
    low, high = kind.min, kind.max
    if high is None:
        return f"{'above' if kind.min_open else 'at least'} {low:g}"
    return f"{'above ' if kind.min_open else ''}{low:g} to {high:g}"


# --- codes, flags, columns -------------------------------------------------------------------------------------------


def _exit_codes() -> str:
    rows = [(f"`{code.value}`", meaning) for code, meaning in EXIT_MEANING.items()]
    return (
        f"## Exit codes\n\n{_table(('code', 'meaning'), rows)}\n\n"
        "`mark` and `review` are put away with Ctrl-C and then end with `0`. `check` with `--strict` ends with `5` where a "
        "display is not legible. A limit that was exceeded in the air is a finding, not an exit code. `1` is never used."
    )


def _flags() -> str:
    rows = [(f"[`{flag.value}`](flags.md#{flag.value})", meaning, remedy) for flag, (meaning, remedy) in FLAG_MEANING.items()]
    return f"## Flags\n\n{_table(('flag', 'meaning', 'what to do'), rows)}"


def _columns() -> str:
    readings = (
        *TIME_COLUMNS,
        Column("<key>", "number", "the display's", "The display's value after cleaning and hand corrections; empty = no value."),
        Column("<key>_flag", "string", "", "Its flag."),
    )
    return (
        "## Columns\n\n### readings.csv\n\nOne row per photo, and one per photo that is missing; the last two columns once "
        f"for each display.\n\n{_column_table(readings)}\n\n"
        f"### readings_audit.csv\n\nOne row per photo and display.\n\n{_column_table(AUDIT_COLUMNS)}"
    )


def _column_table(columns: Iterable[Column]) -> str:
    rows = [(f"`{one.name}`", one.type, one.unit, one.meaning) for one in columns]
    return _table(("column", "type", "unit", "meaning"), rows)


def _method() -> str:
    fields = {name: field for name, field in Method.model_fields.items() if name != "format"}
    rows = [(f"`{name}`", f"{field.default:g}", field.description or "") for name, field in fields.items()]
    return (
        "## Method file\n\nGiven with `--method`; TOML, begins with `format = 1`; every line is optional.\n\n"
        f"{_table(('line', 'default', 'meaning'), rows)}"
    )


# --- limits ----------------------------------------------------------------------------------------------------------


def _limits() -> Iterator[str]:
    yield (
        "## Limits\n\nWhat `frametally limits` prints, in short. How averages are formed: [limits and averages](limits.md). "
        "Made for: " + "; ".join(f"*{name}*: {words}" for name, words in SETTINGS.items()) + ".\n"
    )
    for kind, title in KINDS.items():
        rows = [_limit(limit) for limit in load_limits() if limit.kind == kind]
        yield f"### {title}\n\n{_table(('id', 'limit', 'value', 'how it is held', 'made for', 'source'), rows)}"


def _limit(limit: Limit) -> tuple[str, ...]:
    over = "" if limit.averaging_min is None else _time(limit.averaging_min)
    held = STATISTICS[limit.statistic].format(over)
    return f"`{limit.id}`", limit.label, limit.amount, held, limit.setting, limit.citation


def _time(minutes: float) -> str:
    if minutes >= 2880:
        return f"{minutes / 1440:g} days"
    return f"{minutes / 60:g} h" if minutes >= 60 else f"{minutes:g} min"


def _alarms() -> str:
    rows = [(f"`{one.id}`", one.standard, "; ".join(_point(point) for point in one.point), one.citation) for one in load_alarms()]
    return f"### Alarm standards\n\n{_table(('id', 'standard', 'at a steady level', 'source'), rows)}"


def _point(point: AlarmPoint) -> str:
    parts = [f"silent for {_time(point.silent_min)}"] if point.silent_min else []
    parts += [f"sounds within {_time(point.sounds_by_min)}"] if point.sounds_by_min is not None else ["need not sound"]
    return f"{point.ppm:g} ppm: {', '.join(parts)}"


if __name__ == "__main__":
    PAGE.write_text(make_reference(), encoding="utf-8")
