"""Takes the tables in a results folder and leaves `datapackage.json`: what every column is, its unit, and each file's hash.

The form is that of the Frictionless Data standards, version 1 (specs.frictionlessdata.io: Tabular Data Package, Table
Schema, CSV Dialect). `unit`, `resolution` and `range` are our own additions to a field; the standard allows them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version as installed_version
from pathlib import Path

from frametally.errors import BadInput
from frametally.model import AUDIT_COLUMNS, Column, Display, Flag, reading_columns
from frametally.show.files import write_json

PACKAGE_NAME = "datapackage.json"


@dataclass(frozen=True)
class TableFile:
    """One CSV file of the results folder: its path inside the folder, what it is, and its columns in order."""

    path: str
    title: str
    columns: tuple[Column, ...]
    note: str = ""


def table_files(displays: Sequence[Display]) -> tuple[TableFile, ...]:
    """Give the two tables that every run leaves."""
    names = "Names of photos stand as they are; import that column as text, for a spreadsheet may take one for a formula."
    return (
        TableFile("readings.csv", "Readings: one row per frame", reading_columns(tuple(displays)), names),
        TableFile("readings_audit.csv", "Audit: one row per frame and display", AUDIT_COLUMNS, names),
    )


def write_datapackage(
    folder: Path,
    displays: Sequence[Display],
    *,
    title: str = "",
    files: Sequence[TableFile] | None = None,
    version: str | None = None,
) -> None:
    """Write `datapackage.json` for the tables in `folder`; by default those of `table_files`.

    Raises `BadInput` where one of the tables is not there or cannot be read.
    """
    chosen = table_files(displays) if files is None else tuple(files)
    package = {
        "profile": "tabular-data-package",
        "name": "frametally-results",
        "title": title or "Readings of a night",
        "description": "Instrument displays read from time-lapse photos. An empty cell means that there is no value.",
        "generator": {"name": "frametally", "version": version or installed_version("frametally")},
        "resources": [_resource(folder, file, displays) for file in chosen],
    }
    write_json(package, folder / PACKAGE_NAME)


def _resource(folder: Path, file: TableFile, displays: Sequence[Display]) -> dict[str, object]:
    path = folder / file.path
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadInput(
            f"{path}: this table cannot be read ({error.strerror or error}), so it cannot be described. Run the job again."
        ) from error
    return {
        "profile": "tabular-data-resource",
        "name": Path(file.path).stem.lower().replace(" ", "-"),
        "title": file.title,
        **({"description": file.note} if file.note else {}),
        "path": file.path,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"', "doubleQuote": True, "header": True},
        "schema": {"fields": [_field(column, displays) for column in file.columns], "missingValues": [""]},
    }


def _field(column: Column, displays: Sequence[Display]) -> dict[str, object]:
    field: dict[str, object] = {"name": column.name, "type": column.type, "description": column.meaning}
    if column.unit:
        field["unit"] = column.unit
    for display in displays:
        if display.key == column.name:
            field |= {"title": f"{display.quantity}, {display.instrument}".strip(", ")}
            field |= {"resolution": display.resolution} if display.resolution is not None else {}
            field |= {"range": list(display.range)} if display.range is not None else {}
    constraints = _constraints(column, displays)
    if constraints:
        field["constraints"] = constraints
    return field


def _constraints(column: Column, displays: Sequence[Display]) -> dict[str, object]:
    keys = [display.key for display in displays]
    if column.name == "flag" or column.name in {f"{key}_flag" for key in keys}:
        return {"required": True, "enum": [flag.value for flag in Flag]}
    if column.name in ("confidence", "rival_confidence", "quality"):
        return {"minimum": 0, "maximum": 1}
    if column.name in ("elapsed_min", "sharpness"):
        return {"minimum": 0}
    if column.name == "display" and keys:
        return {"required": True, "enum": keys}
    return {}
