"""Small tables of readings for the tests of the assessment; all invented, except where a test names its source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from frametally.assess import DisplayFacts, limits_for, load_limits
from frametally.assess.comparisons import Comparison, compare_all
from frametally.assess.exposure import Curve, build_curve
from frametally.assess.samples import Samples, Timeline, read_samples
from frametally.assess.study import study_display
from frametally.model import Accuracy, Assessment, Calibration, Finding, Trial
from frametally.settings import load_calibration, load_trial

ROOT = Path(__file__).resolve().parents[2]
CO = DisplayFacts("co_ppm", "carbon monoxide", "ppm", range=(0, 999), resolution=1, instrument="hand-held")
CO_EXACT = DisplayFacts("co_ppm", "carbon monoxide", "ppm", accuracy=Accuracy(absolute=3, relative=0.1))
O2 = DisplayFacts("o2_pct", "oxygen", "%", range=(0, 25), resolution=0.1, accuracy=Accuracy(absolute=0.3), instrument="hand-held")


def make_table(
    values: Sequence[float | None],
    *,
    flags: Sequence[str] | None = None,
    elapsed_min: Sequence[float] | None = None,
    every_min: float = 4.0,
    key: str = "co_ppm",
) -> pd.DataFrame:
    """A table with one display: a reading every `every_min`, None for a gap."""
    minutes = [every_min * i for i in range(len(values))] if elapsed_min is None else list(elapsed_min)
    numbers = [math.nan if value is None else float(value) for value in values]
    table = pd.DataFrame({"elapsed_min": minutes, "frame": [f"f{i:04d}.jpg" for i in range(len(numbers))], key: numbers})
    table[f"{key}_flag"] = [("hidden" if v is None else "ok") for v in values] if flags is None else list(flags)
    return table


def make_steps(steps: Sequence[tuple[float | None, float]], every_min: float = 30.0) -> pd.DataFrame:
    """A table that holds each level (None: a gap) for some hours, with two readings at each change."""
    minutes: list[float] = []
    levels: list[float | None] = []
    start = 0.0
    for level, hours in steps:
        count = round(hours * 60 / every_min)
        first = 1 if level is None else 0
        minutes += [start + every_min * i for i in range(first, count + 1)]
        levels += [level] * (count + 1 - first)
        start += hours * 60
    return make_table(levels, elapsed_min=minutes)


def curve_of(table: pd.DataFrame, facts: DisplayFacts = CO) -> Curve:
    """The curve of a table's one display."""
    timeline, samples = read_samples(table, [facts])
    return build_curve(timeline, samples[0])


def samples_of(table: pd.DataFrame, facts: DisplayFacts = CO) -> tuple[Timeline, Samples]:
    """Timeline and samples of a table's one display."""
    timeline, samples = read_samples(table, [facts])
    return timeline, samples[0]


def find(assessment: Assessment, slug: str, *, key: str = "", limit: str = "") -> Finding:
    """The one finding with this slug (and key, and limit)."""
    hits = [f for f in assessment.findings if f.slug == slug and (not key or f.key == key) and (not limit or f.limit == limit)]
    if len(hits) != 1:
        raise LookupError(f"{len(hits)} findings for {slug} {key} {limit}")
    return hits[0]


def average_of(assessment: Assessment, key: str, statistic: str, averaging_min: float) -> dict[str, object]:
    """The figures of one average of a display."""
    rows: list[dict[str, object]] = assessment.summary[key]["averages"]  # type: ignore[assignment]
    return next(row for row in rows if (row["statistic"], row["averaging_min"]) == (statistic, averaging_min))


def comparisons_of(table: pd.DataFrame, facts: DisplayFacts = CO) -> list[Comparison]:
    """A table's one display held against every limit of its kind; without the topics, which take longer."""
    timeline, samples = read_samples(table, [facts])
    studies = [study_display(timeline, one, limits_for(one.facts.kind)) for one in samples]
    return compare_all(studies, load_limits())


def verdicts_of(table: pd.DataFrame, facts: DisplayFacts = CO) -> dict[str, str]:
    """The verdict on every limit of a table's one display."""
    return {one.limit.id: one.decision.verdict for one in comparisons_of(table, facts)}


def demo_night() -> tuple[pd.DataFrame, Calibration, Trial]:
    """The demo night's truth as a table of readings, with its calibration and trial."""
    truth = pd.read_csv(ROOT / "sample_frames" / "truth.csv", dtype=str, keep_default_na=False)
    calibration = load_calibration(ROOT / "calibration" / "canal_boat.toml")
    trial = load_trial(ROOT / "calibration" / "canal_boat.trial.toml")
    words = {"HIDDEN": "hidden", "?": "unreadable", "": "blank", "OL": "over_range"}
    table = pd.DataFrame({"time": truth["time"], "frame": truth["frame"]})
    for display in calibration.displays:
        table[display.key] = pd.to_numeric(truth[display.key], errors="coerce")
        table[f"{display.key}_flag"] = [words.get(text, "ok") for text in truth[display.key]]
    return table, calibration, trial
