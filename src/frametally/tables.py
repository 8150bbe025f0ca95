"""Takes the path of a CSV table of readings, ours or a logger's; gives it as a DataFrame with our column names, checked."""

from __future__ import annotations

import difflib
import logging
import re
import warnings
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from frametally.assess.facts import GASES, QUANTITIES
from frametally.assess.units import factor, molar_volume, tidy_unit
from frametally.errors import BadInput
from frametally.model import key_kind

log = logging.getLogger("frametally")

_QUANTITIES = {
    "co_ppm": ("carbon monoxide[ppm]", "co[ppm]"),
    "o2_pct": ("oxygen[%]", "o2[%]"),
    "co2_ppm": ("carbon dioxide[ppm]", "co2[ppm]"),
    "no2_ppm": ("nitrogen dioxide[ppm]", "no2[ppm]"),
    "temp_c": ("temperature[°C]", "temperature[C]", "air temperature[°C]", "air temperature[C]"),
    "temp_f": ("temperature[°F]", "temperature[F]", "air temperature[°F]", "air temperature[F]"),
    "rh_pct": ("relative humidity[%]", "humidity[%]"),
}
"""Ways to say what a column holds, by the key that it gets."""

_TIMES = ("time", "elapsed_min")
_WORDS = {word.lower().replace(" ", ""): key for key, words in _QUANTITIES.items() for word in words}
_GAS_NAMES = {name: kind for kind in GASES for name in (kind.split("_")[0], QUANTITIES[kind][0].replace(" ", ""))}
_GAS_IN_UNIT = re.compile(r"^(?:(?P<prefix>[a-z0-9_]+)_)?(?P<name>[a-z0-9]+)\[(?P<unit>[^\]]+)\]\Z")


def read_table(path: Path, columns: Sequence[str] = ()) -> pd.DataFrame:
    """Read a UTF-8 CSV file.

    `columns` says what headers mean that are not ours: "CO (ppm)=carbon monoxide[ppm]", "Date=time", or with a key of our
    own, "Wall=wall_co_ppm"; a gas in another unit, "CO=carbon monoxide[mg/m³]" or "Wall=wall_co[ppb]", is converted. Raises
    `BadInput` where the file cannot be read, has no rows or header, or lacks a named header.
    """
    table = _renamed(path, _read(path), columns)
    if table.empty:
        raise BadInput(f"{path} has a header but no rows; give a table with readings in it")
    for column in table.columns:
        if column.endswith("_flag") or column == "frame":
            table[column] = table[column].fillna("").astype(str).astype(object)
    if "time" in table.columns:
        table["time"] = table["time"].astype("string")
    return table


def _read(path: Path) -> pd.DataFrame:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)  # cells beyond the header's would be dropped
            table = pd.read_csv(
                path,
                dtype={"frame": "string", "time": "string"},
                encoding="utf-8-sig",
                skipinitialspace=True,
                index_col=False,  # else rows longer than the header would shift every column
                low_memory=False,  # else the type of a column could depend on how much of it is read at once
            )
    except FileNotFoundError:
        raise BadInput(f"{path} does not exist; give a CSV file, like readings.csv in a results folder") from None
    except UnicodeDecodeError:
        raise BadInput(f"{path} is not UTF-8 text; save it as CSV with UTF-8 encoding") from None
    except pd.errors.EmptyDataError:
        raise BadInput(f"{path} is empty; a table needs a header line with time and columns such as co_ppm") from None
    except pd.errors.ParserWarning:
        raise BadInput(f"{path} has rows with more cells than the header; every row needs as many cells as the header") from None
    except pd.errors.ParserError as error:
        raise BadInput(f"{path} is no regular CSV table ({error}); every row needs as many cells as the header") from None
    except OSError as error:
        raise BadInput(f"{path} cannot be read ({error.strerror}); give a CSV file") from None
    table.columns = [str(column).strip() for column in table.columns]
    if len(table.columns) == 1 and ";" in table.columns[0]:
        raise BadInput(f"{path}: the columns are parted by semicolons; save the table as CSV with commas and decimal points")
    return table


def _renamed(path: Path, table: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Give the headers that `columns` speaks of their keys."""
    names, factors = {}, {}
    for column in columns:
        header, _, meaning = (part.strip() for part in column.rpartition("="))
        if header not in table.columns:
            close = difflib.get_close_matches(header, list(table.columns), n=1, cutoff=0.4)
            near = f"did you mean {close[0]!r}?" if close else "write HEADER=MEANING, as in 'CO (ppm)=carbon monoxide[ppm]'"
            raise BadInput(f"--column {column!r}: {path} has no column {header!r}, only {', '.join(table.columns)}; {near}")
        other = _gas_in_other_unit(meaning)
        names[header] = _key(column, meaning) if other is None else other[0]
        if other is not None:
            factors[other[0]] = other[1]
    taken = [names.get(name, name) for name in table.columns]
    doubled = sorted({name for name in taken if taken.count(name) > 1})
    if doubled:
        raise BadInput(f"{path} would have two columns {doubled[0]}; put a prefix before one, as in 'Wall=wall_{doubled[0]}'")
    renamed = table.rename(columns=names)
    for key, by in factors.items():
        renamed[key] = _times(renamed[key], by)
    return renamed


def _gas_in_other_unit(meaning: str) -> tuple[str, float] | None:
    """Give the key of a gas that is given in another unit than its key's, and what one of that unit is in the key's."""
    match = _GAS_IN_UNIT.match(re.sub(r"\s", "", meaning.lower()))
    kind = _GAS_NAMES.get(match["name"]) if match else None
    unit = tidy_unit(match["unit"]) if match else ""
    if match is None or kind is None or not unit or (unit == QUANTITIES[kind][1] and not match["prefix"]):
        return None
    own = QUANTITIES[kind][1]
    if "/" in unit:
        log.warning("Note: %s is converted from %s to %s at 25 °C and 101.325 kPa (%.2f L/mol)", kind, unit, own, molar_volume())
    key = f"{match['prefix']}_{kind}" if match["prefix"] else kind
    return key, factor(kind, unit, own)


def _times(cells: pd.Series, by: float) -> pd.Series:
    """Multiply the numbers of a column; words such as OL stay, and so does what is no number at all."""
    numbers = pd.to_numeric(cells, errors="coerce")
    scaled = numbers.map(lambda number: float(f"{number * by:.12g}"))
    return scaled if numbers.notna().sum() == cells.notna().sum() else cells.astype(object).where(numbers.isna(), scaled)


def _key(column: str, meaning: str) -> str:
    plain = re.sub(r"\s", "", meaning.lower())
    if plain in _TIMES or key_kind(plain) is not None:
        return plain
    if plain in _WORDS:
        return _WORDS[plain]
    known = ", ".join([*_TIMES, *(words[0] for words in _QUANTITIES.values())])
    raise BadInput(f"--column {column!r}: {meaning!r} is nothing that is assessed; write one of {known}, or a key such as co_ppm")
