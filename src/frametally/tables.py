"""Takes the path of a CSV table of readings, ours or a logger's; gives it as a DataFrame with our column names, checked."""

from __future__ import annotations

import difflib
import re
import warnings
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from frametally.errors import BadInput
from frametally.model import key_kind

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


def read_table(path: Path, columns: Sequence[str] = ()) -> pd.DataFrame:
    """Read a UTF-8 CSV file.

    `columns` says what headers mean that are not ours: "CO (ppm)=carbon monoxide[ppm]", "Date=time", or with a key of our
    own, "Wall=wall_co_ppm". Raises `BadInput` where the file cannot be read, has no rows or header, or lacks a named header.
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
    names = {}
    for column in columns:
        header, _, meaning = (part.strip() for part in column.rpartition("="))
        if header not in table.columns:
            close = difflib.get_close_matches(header, list(table.columns), n=1, cutoff=0.4)
            near = f"did you mean {close[0]!r}?" if close else "write HEADER=MEANING, as in 'CO (ppm)=carbon monoxide[ppm]'"
            raise BadInput(f"--column {column!r}: {path} has no column {header!r}, only {', '.join(table.columns)}; {near}")
        names[header] = _key(column, meaning)
    taken = [names.get(name, name) for name in table.columns]
    doubled = sorted({name for name in taken if taken.count(name) > 1})
    if doubled:
        raise BadInput(f"{path} would have two columns {doubled[0]}; put a prefix before one, as in 'Wall=wall_{doubled[0]}'")
    return table.rename(columns=names)


def _key(column: str, meaning: str) -> str:
    plain = re.sub(r"\s", "", meaning.lower())
    if plain in _TIMES or key_kind(plain) is not None:
        return plain
    if plain in _WORDS:
        return _WORDS[plain]
    known = ", ".join([*_TIMES, *(words[0] for words in _QUANTITIES.values())])
    raise BadInput(f"--column {column!r}: {meaning!r} is nothing that is assessed; write one of {known}, or a key such as co_ppm")
