"""Two nights of one room made up by the mass balance of a single well-mixed zone, for the tests of nights side by side."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from frametally.assess import DisplayFacts
from frametally.assess.side_by_side import NightInput
from frametally.model import Accuracy, Trial

START = datetime(2026, 10, 30, 21, 0, tzinfo=UTC)
ON_MIN, OFF_MIN, END_MIN, EVERY_MIN = 32.0, 300.0, 540.0, 4.0
VOLUME_M3 = 30.0

DISPLAYS = (
    DisplayFacts("co_ppm", "carbon monoxide", "ppm", (0, 999), 1, Accuracy(absolute=3, relative=0.1), "hand-held"),
    DisplayFacts("o2_pct", "oxygen", "%", (0, 25), 0.1, Accuracy(absolute=0.3), "hand-held"),
    DisplayFacts("temp_c", "temperature", "°C", None, 0.1, Accuracy(absolute=0.8), "wall unit"),
    DisplayFacts("rh_pct", "relative humidity", "%", None, 1, Accuracy(absolute=4), "wall unit"),
)


def zone_ppm(minutes: np.ndarray, per_h: float, litres_per_h: float) -> np.ndarray:
    """Carbon monoxide of one well-mixed room with a steady source between on and off: C = (S/QV)(1 - exp(-Qt)), then decay."""
    settled = litres_per_h / VOLUME_M3 * 1000 / per_h
    burning = np.clip(minutes - ON_MIN, 0, OFF_MIN - ON_MIN) / 60
    after = np.clip(minutes - OFF_MIN, 0, None) / 60
    return settled * (1 - np.exp(-per_h * burning)) * np.exp(-per_h * after)


def make_night_table(per_h: float, seed: int, *, litres_per_h: float = 2.0, shift_min: float = 0.0) -> pd.DataFrame:
    """Readings every four minutes, with a meter's noise and steps; `shift_min` starts the photos later."""
    rng = np.random.default_rng(seed)
    minutes = np.arange(shift_min, END_MIN + 1, EVERY_MIN)
    co = zone_ppm(minutes, per_h, litres_per_h)
    warm = 14 + 4 * (1 - np.exp(-np.clip(minutes - ON_MIN, 0, None) / 90))
    columns = {
        "co_ppm": np.round(np.maximum(co + rng.normal(0, 0.8, len(minutes)), 0)),
        "o2_pct": np.round(20.9 - 0.004 * co + rng.normal(0, 0.02, len(minutes)), 1),
        "temp_c": np.round(warm + rng.normal(0, 0.05, len(minutes)), 1),
        "rh_pct": np.full(len(minutes), 60.0),
    }
    table = pd.DataFrame({"time": [(START + timedelta(minutes=float(m))).isoformat() for m in minutes]})
    table["elapsed_min"] = minutes - shift_min
    table["frame"] = [f"f{number:04d}.jpg" for number in range(len(minutes))]
    for key, values in columns.items():
        table[key] = values
        table[f"{key}_flag"] = "ok"
    return table


def make_trial(**parts: Any) -> Trial:
    """A trial that states what must be known; `parts` replaces whole parts of it."""
    whole: dict[str, Any] = {
        "space": {"volume_m3": VOLUME_M3, "altitude_m": 50},
        "appliance": [
            {
                "name": "gas ring", "fuel": "propane", "heat_input_kw": 1.2, "heat_basis": "net", "flue": False,
                "on": START + timedelta(minutes=ON_MIN), "off": START + timedelta(minutes=OFF_MIN),
            }
        ],
        "vent": [{"name": "roof vent", "open": False}],
        "people": {"sleeping": 0},
        "outdoor": {"temp_c": 4.0, "rh_pct": 85},
    }  # fmt: skip
    return Trial.model_validate({"format": 1} | whole | parts)


def night_of(
    name: str,
    per_h: float = 0.5,
    seed: int = 1,
    *,
    trial: Trial | None = None,
    displays: Sequence[DisplayFacts] = DISPLAYS,
    table: pd.DataFrame | None = None,
) -> NightInput:
    """One made-up night."""
    given = make_night_table(per_h, seed) if table is None else table
    return NightInput(name, f"Night {name}", given, displays, trial)
