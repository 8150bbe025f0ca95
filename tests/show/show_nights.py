"""A small night with every kind of reading, drawn by hand, for the tests of tables, charts and the report."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from frametally.model import Display

SQUARE = ((0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))


def a_display(key: str, quantity: str, unit: str, resolution: float | None, instrument: str = "wall unit") -> Display:
    return Display(
        key=key,
        quantity=quantity,
        unit=unit,
        corners=SQUARE,
        digits="###",
        range=(0, 999),
        resolution=resolution,
        instrument=instrument,
    )


def small_displays() -> tuple[Display, ...]:
    return (
        a_display("co_ppm", "carbon monoxide", "ppm", 1, "hand-held monitor"),
        a_display("o2_pct", "oxygen", "%", 0.1, "hand-held monitor"),
        a_display("wall_co_ppm", "carbon monoxide", "ppm", 1),
    )


def small_night() -> pd.DataFrame:
    """40 rows, one every four minutes from 22:00: row 10 without a photo, each other trouble once."""
    start = datetime.fromisoformat("2026-10-30T22:00:00+00:00")
    rows = 40
    table = pd.DataFrame(
        {
            "time": [(start + timedelta(minutes=4 * row)).isoformat() for row in range(rows)],
            "elapsed_min": [4.0 * row for row in range(rows)],
            "frame": [f"cabin_{row + 1:04d}.jpg" for row in range(rows)],
            "co_ppm": np.linspace(5, 44, rows).round(),
            "co_ppm_flag": "ok",
            "o2_pct": np.linspace(20.9, 20.0, rows).round(1),
            "o2_pct_flag": "ok",
            "wall_co_ppm": np.linspace(4, 40, rows).round(),
            "wall_co_ppm_flag": "ok",
        }
    )
    table["frame"] = table["frame"].astype(object)
    table.loc[10, "frame"] = None
    for key in ("co_ppm", "o2_pct", "wall_co_ppm"):
        blank(table, 10, key, "no_frame")
    table.loc[30, "co_ppm"] = 193.0
    table.loc[20, "co_ppm_flag"] = "repaired"
    blank(table, 15, "co_ppm", "hidden")
    blank(table, 16, "o2_pct", "unreadable")
    blank(table, 30, "wall_co_ppm", "over_range")
    blank(table, 5, "wall_co_ppm", "blank")
    return table


def blank(table: pd.DataFrame, row: int, key: str, flag: str) -> None:
    """Take the value out of one cell and say why."""
    table.loc[row, key] = np.nan
    table.loc[row, f"{key}_flag"] = flag
