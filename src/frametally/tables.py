"""Takes the path of a CSV table of readings, ours or a logger's; gives it as a DataFrame with text times, checked."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from frametally.errors import BadInput


def read_table(path: Path) -> pd.DataFrame:
    """Read a UTF-8 CSV file. Raises `BadInput` where it cannot be read or has no rows or header."""
    try:
        table = pd.read_csv(
            path,
            dtype={"frame": "string", "time": "string"},
            encoding="utf-8-sig",
            skipinitialspace=True,
            low_memory=False,  # else the type of a column could depend on how much of it is read at once
        )
    except FileNotFoundError:
        raise BadInput(f"{path} does not exist; give a CSV file, like readings.csv in a results folder") from None
    except UnicodeDecodeError:
        raise BadInput(f"{path} is not UTF-8 text; save it as CSV with UTF-8 encoding") from None
    except pd.errors.EmptyDataError:
        raise BadInput(f"{path} is empty; a table needs a header line with time and columns such as co_ppm") from None
    except pd.errors.ParserError as error:
        raise BadInput(f"{path} is no regular CSV table ({error}); every row needs as many cells as the header") from None
    except OSError as error:
        raise BadInput(f"{path} cannot be read ({error.strerror}); give a CSV file") from None
    if len(table.columns) == 1 and ";" in str(table.columns[0]):
        raise BadInput(f"{path}: the columns are parted by semicolons; save the table as CSV with commas and decimal points")
    if table.empty:
        raise BadInput(f"{path} has a header but no rows; give a table with readings in it")
    for column in table.columns:
        if str(column).endswith("_flag") or column == "frame":
            table[column] = table[column].fillna("").astype(object)
    return table
