"""Takes confidences and whether they were deserved; gives the reliability curve, the expected calibration error, and a figure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from measures.counting import Verdict, table

EDGES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999, 1.0)


@dataclass(frozen=True)
class Bin:
    """Readings whose confidence lies from `low` up to `high` (the last bin has its upper edge too)."""

    low: float
    high: float
    count: int
    said: float
    right: float


def bins(verdicts: Sequence[Verdict]) -> list[Bin]:
    """Sort readings into bins; `said` and `right` are the mean confidence and the share that was right, NaN in an empty one."""
    confidence = np.array([said for said, _ in verdicts], float)
    right = np.array([was for _, was in verdicts], float)
    place = np.clip(np.searchsorted(EDGES, confidence, side="right") - 1, 0, len(EDGES) - 2)
    found = []
    for index, (low, high) in enumerate(pairwise(EDGES)):
        here = place == index
        count = int(here.sum())
        said, was = (float(confidence[here].mean()), float(right[here].mean())) if count else (np.nan, np.nan)
        found.append(Bin(low, high, count, said, was))
    return found


def calibration_error(found: Sequence[Bin]) -> float:
    """Give the expected calibration error: the mean distance between said and right, each bin by its readings (Naeini et al.
    2015, "Obtaining Well Calibrated Probabilities Using Bayesian Binning", AAAI 29), 0 to 1."""
    total = sum(one.count for one in found)
    return sum(one.count * abs(one.said - one.right) for one in found if one.count) / total if total else float("nan")


def from_99(verdicts: Sequence[Verdict]) -> tuple[int, float]:
    """Give how many readings were given 0.99 or more, and the share of them that was right."""
    right = [was for said, was in verdicts if said >= 0.99]
    return len(right), float(np.mean(right)) if right else float("nan")


def reliability_text(verdicts: Sequence[Verdict], figure: str) -> str:
    """Give the section's text; `figure` is the figure's file name beside it, "" for none."""
    found = bins(verdicts)
    lines = [
        [f"{one.low:g} to {one.high:g}", str(one.count), f"{one.said:.4f}", f"{one.right:.4f}"] for one in found if one.count
    ]
    count, share = from_99(verdicts)
    words = (
        f"{len(verdicts)} drawn displays, each on its own, read by both readers: expected calibration error"
        f" {calibration_error(found):.2%}. Of the {count} readings given 0.99 or more, {share:.2%} were right."
    )
    picture = f"\n\n![How often readings are right, by how sure they are]({figure})" if figure else ""
    return words + "\n\n" + table(["confidence", "displays", "mean confidence", "share right"], lines) + picture


def draw_figure(verdicts: Sequence[Verdict], path: Path) -> None:
    """Draw the curve on scales that spread out what lies near certainty; the same verdicts give the same bytes."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    found = [one for one in bins(verdicts) if one.count]
    least = 1e-4
    x, y = ([max(1 - value, least) for value in values] for values in ([b.said for b in found], [b.right for b in found]))
    with matplotlib.rc_context({"svg.hashsalt": "frametally", "svg.fonttype": "none", "font.size": 9}):
        figure, axes = plt.subplots(figsize=(4.6, 4.2), layout="constrained")
        axes.plot([least, 1], [least, 1], color="0.6", linewidth=1, label="as sure as right")
        axes.scatter(x, y, s=[12 + 4 * np.sqrt(b.count) for b in found], color="#1b6ca8", alpha=0.8, label="readings, by bin")
        axes.set(xscale="log", yscale="log", xlabel="1 - confidence", ylabel=f"share wrong ({least:g} stands for none)")
        axes.set(xlim=(1.3, least / 1.5), ylim=(least / 1.5, 1.3))
        axes.legend(loc="upper right", frameon=False)
        figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None)
        plt.close(figure)
