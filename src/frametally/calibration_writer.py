"""Takes a calibration and a path and writes the TOML file, keeping comments of a file that is there already where it can."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import BaseModel, ValidationError
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from frametally.errors import BadInput
from frametally.model import Calibration, Display, Instrument


def save_calibration(calibration: Calibration, path: Path) -> None:
    """Write a calibration; comments of a file that is there already stay where they can.

    The old file stays beside the new one as `NAME.bak`. The new one appears whole or not at all. Nothing is written
    where nothing has changed. Raises `BadInput` where the file cannot be written.
    """
    try:
        target = path.resolve()
        old = target.read_bytes() if target.is_file() else None
        text = _document(calibration, old)
        new = text.encode("utf-8")
        if old == new:
            return
        if old is not None:
            _write_whole(target.with_name(target.name + ".bak"), old, like=target)
        _write_whole(target, new, like=target if old is not None else None)
    except OSError as error:
        raise BadInput(
            f"{path} cannot be written ({error.strerror}); choose a folder that is there and that you may write to"
        ) from None


def _write_whole(path: Path, content: bytes, *, like: Path | None) -> None:
    """Write beside the target, bring it to the disk, then swap: a crash leaves the old file or the new one."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        with beside.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if like is not None:
            shutil.copymode(like, beside)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def _document(calibration: Calibration, old: bytes | None) -> str:
    """Give the new text: the old one with what has changed, or a fresh one where that does not say the same."""
    if old is not None:
        with contextlib.suppress(
            UnicodeDecodeError, TOMLKitError, ValueError, RecursionError, KeyError, AttributeError, TypeError
        ):
            before = old.decode("utf-8-sig")
            if _says(before, calibration):
                return before
            text = _aired(_updated(calibration, before))
            if _says(text, calibration):
                return text
    return _fresh(calibration)


def _aired(text: str) -> str:
    """Put an empty line before each table that has none, unless a comment leads it."""
    return re.sub(r"(?m)^([^\S\n]*[^\s#][^\n]*\n)([^\S\n]*\[\[)", r"\1\n\2", text).rstrip() + "\n"


def _says(text: str, calibration: Calibration) -> bool:
    try:
        return Calibration.model_validate(tuples(tomllib.loads(text)), strict=True) == calibration
    except (ValidationError, ValueError):
        return False


def plain(value: Any) -> Any:
    """Give whole numbers without a point, as one writes them by hand."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, tuple | list):
        return [plain(inner) for inner in value]
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 else value


def _entries(model: BaseModel) -> dict[str, Any]:
    """Give the keys of one table that say something, in the order of the model, without the tables below it."""
    said = model.model_dump(exclude={"instrument", "display"}, exclude_defaults=True)
    said |= {key: getattr(model, key) for key in ("format", "kind") if key in type(model).model_fields}
    return {key: plain(said[key]) for key in type(model).model_fields if key in said}


def _as_item(value: Any) -> Any:
    if not isinstance(value, dict):
        return tomlkit.item(value)
    table = tomlkit.inline_table()
    table.update(value)
    return table


def _fresh(calibration: Calibration) -> str:
    document = tomlkit.document()
    for key, value in _entries(calibration).items():
        document.add(key, _as_item(value))
    instruments = tomlkit.aot()
    for instrument in calibration.instrument:
        instruments.append(_fresh_instrument(instrument))
    document.add("instrument", instruments)
    return tomlkit.dumps(document)


def _fresh_instrument(instrument: Instrument) -> Table:
    table = tomlkit.table()
    for key, value in _entries(instrument).items():
        table.add(key, _as_item(value))
    displays = tomlkit.aot()
    for display in instrument.display:
        displays.append(_fresh_display(display))
    table.add("display", displays)
    return table


def _fresh_display(display: Display) -> Table:
    table = tomlkit.table()
    for key, value in _entries(display).items():
        table.add(key, _as_item(value))
    return table


def _updated(calibration: Calibration, old: str) -> str:
    document = tomlkit.parse(old)
    _update_keys(document, _entries(calibration))
    instruments = document["instrument"]
    if not isinstance(instruments, AoT):
        raise TypeError("the instruments do not stand in tables of their own")
    _match_tables(instruments, calibration.instrument, "name", _fresh_instrument)
    for table, instrument in zip(instruments, calibration.instrument, strict=True):
        _update_keys(table, _entries(instrument))
        displays = table["display"]
        if not isinstance(displays, AoT):
            raise TypeError("the displays do not stand in tables of their own")
        _match_tables(displays, instrument.display, "key", _fresh_display)
        for inner, display in zip(displays, instrument.display, strict=True):
            _update_keys(inner, _entries(display))
    return tomlkit.dumps(document)


def _match_tables(tables: AoT, models: tuple[Any, ...], name: str, make: Callable[[Any], Table]) -> None:
    """Bring an array of tables to as many entries, in the same order, as the models; known ones stay as they are."""
    wanted = [getattr(model, name) for model in models]
    if [str(table[name]) for table in tables] == wanted:
        return
    known = {str(table[name]): table for table in tables}
    kept = [known.pop(key, None) or make(model) for key, model in zip(wanted, models, strict=True)]
    while len(tables):
        del tables[0]
    for table in kept:
        tables.append(table)


def _update_keys(table: Any, entries: dict[str, Any]) -> None:
    for key in [key for key in table if key not in entries and key not in ("instrument", "display")]:
        if key in Calibration.model_fields or key in Display.model_fields:
            del table[key]
    for key, value in entries.items():
        if key not in table or table[key] != value:
            if key in table:
                comment = table[key].trivia
                item = _as_item(value)
                item.trivia.indent, item.trivia.comment_ws = comment.indent, comment.comment_ws
                item.trivia.comment, item.trivia.trail = comment.comment, comment.trail
                table[key] = item
            else:
                table[key] = _as_item(value)


def tuples(value: Any) -> Any:
    """Turn lists into tuples, which is what the models hold, so that pydantic can be told to convert nothing else."""
    if isinstance(value, dict):
        return {key: tuples(inner) for key, inner in value.items()}
    return tuple(tuples(inner) for inner in value) if isinstance(value, list) else value
