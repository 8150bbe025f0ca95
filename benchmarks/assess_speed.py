"""Takes made-up nights; gives how long the whole assessment takes, in plain sums over the same table, and checks the seconds.

    python benchmarks/assess_speed.py [--out benchmarks/RESULTS.md]

The measure is pandas' mean of every column of the same table, taken in the same run. Seconds are the process's own time,
the least of several repeats, and are held against what is promised: 1,000 frames of five displays under 3 s, and 30 days at
one a minute under 15 s.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from report import write_section

from frametally.assess import assess, assessment_to_dict
from frametally.model import Trial

DISPLAYS = {
    "co_ppm": (30.0, 25.0),
    "wall_co_ppm": (28.0, 24.0),
    "o2_pct": (20.4, 0.4),
    "temp_c": (19.0, 4.0),
    "rh_pct": (62.0, 9.0),
}
"""For each display: the middle of what it shows, and how far it swings."""

TRIAL = Trial.model_validate(
    {
        "format": 1,
        "space": {"volume_m3": 24, "altitude_m": 95, "coldest_surface_c": 9},
        "appliance": [{"fuel": "propane", "flue": False, "heat_input_kw": 1.5, "heat_basis": "gross"}],
        "people": {"sleeping": 2},
        "outdoor": {"temp_c": 4, "rh_pct": 88},
    }
)
"""Conditions under which no topic has to pass for want of facts."""

CASES = {"1,000 frames, five displays": (1000, 4.0, 3.0, 5), "30 days at one a minute, five displays": (30 * 1440, 1.0, 15.0, 3)}
"""For each case: rows, minutes from row to row, the seconds it may take, repeats."""


def make_night(rows: int, every_min: float, seed: int = 3) -> pd.DataFrame:
    """A table as `readings.csv` has it: slow swings with noise, and all the faults that readings have."""
    rng = np.random.default_rng(seed)
    elapsed = every_min * np.arange(rows)
    moments = pd.Timestamp("2026-10-01T21:40:00Z") + pd.to_timedelta(elapsed, unit="min")
    table = pd.DataFrame({"time": [one.isoformat() for one in moments], "elapsed_min": elapsed})
    table["frame"] = [f"f{row:06d}.jpg" for row in range(rows)]
    for number, (key, (middle, swing)) in enumerate(DISPLAYS.items()):
        wave = np.sin(2 * np.pi * elapsed / 1440 + number) + rng.normal(0, 0.1, rows)
        table[key] = (middle + swing * wave).round(1)
        table[f"{key}_flag"] = rng.choice(["ok", "doubtful", "over_range", "hidden"], rows, p=[0.9, 0.05, 0.01, 0.04])
        table.loc[table[f"{key}_flag"].isin(["over_range", "hidden"]), key] = np.nan
    return table


def least_time(work: Callable[[], object], repeats: int) -> float:
    """Give the least of the process's own times of several repeats. [s]"""
    spent = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return min(spent)


def measure() -> tuple[str, list[str]]:
    """Give the section's text and a sentence for every promise that was not kept."""
    lines = ["| the whole assessment | in plain means of its columns | promise kept |", "| --- | --- | --- |"]
    broken = []
    for name, (rows, every_min, allowed, repeats) in CASES.items():
        table = make_night(rows, every_min)
        keys = list(DISPLAYS)
        assess(table.head(50), (), TRIAL)  # imports and caches are not the assessment's
        seconds = least_time(lambda table=table: assessment_to_dict(assess(table, (), TRIAL)), repeats)  # type: ignore[misc]
        plain = least_time(lambda table=table, keys=keys: [table[keys].mean() for _ in range(100)], repeats) / 100  # type: ignore[misc]
        print(f"{name}: {seconds:.2f} s of {allowed:g} s, {seconds / plain:.0f} plain means", file=sys.stderr)
        lines.append(f"| {name} | {seconds / plain:.0f} | {'yes' if seconds < allowed else 'no'}: under {allowed:g} s |")
        if seconds >= allowed:
            broken.append(f"{name}: {seconds:.1f} s, more than {allowed:g} s")
    return "\n".join(lines), broken


def main() -> None:
    """Measure, then print or write; ends with 1 where a promise is not kept."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, help="a Markdown file to write the section into")
    asked = parser.parse_args()
    text, broken = measure()
    write_section(asked.out, "Speed of the assessment", text)
    sys.exit("\n".join(broken) or None)


if __name__ == "__main__":
    main()
