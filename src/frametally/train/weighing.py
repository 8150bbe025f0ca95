"""Takes both readers' rivals for drawn displays with their truth; gives the weights that make their verdict honest.

    python -m frametally.train.weighing --out verdict.json [--seed N] [--examples N] [--processes N]

Fitted on one half of the displays, judged on the other. Needs no torch: run it anew after either reader has changed.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize

from frametally.model import STATUS_DEFAULTS, Display
from frametally.read.reader import opinions
from frametally.read.rectify import rectify
from frametally.read.verdict import Rated, Weights, agree, pool
from frametally.train.crops import draw_photo
from frametally.train.tuning import is_fair

BATCH = 50

PRACTICE_SHARE = 0.35
"""Share of displays drawn as the practice nights are, rather than in train's far wider range."""


@dataclass(frozen=True)
class Opinions:
    """One drawn display: what stands there, and how both readers rate it."""

    text: str
    bars: tuple[tuple[str, float], ...]
    network: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Figures:
    """How a verdict does on `count` displays: the shares that are `exact`, `sure` (at least 0.98) and `sure_wrong`; `error`, the
    expected calibration error over ten equal parts by probability."""

    count: int
    exact: float
    sure: float
    sure_wrong: float
    error: float


def ask_both(seed: int, examples: int, processes: int = 1) -> list[Opinions]:
    """Draw displays that show something and ask both readers; the same seed draws the same ones on any number of processes."""
    tasks = [(seed, number) for number in range(-(-examples // BATCH))]
    if processes <= 1:
        return [one for task in tasks for one in _ask_batch(task)]
    with multiprocessing.get_context("spawn").Pool(processes) as workers:
        return [one for batch in workers.imap(_ask_batch, tasks) for one in batch]


def _ask_batch(task: tuple[int, int]) -> list[Opinions]:
    cv2.setNumThreads(1)
    rng = np.random.default_rng([*task, 29])
    asked: list[Opinions] = []
    while len(asked) < BATCH:
        photo = draw_photo(rng, PRACTICE_SHARE)
        if not photo.text or not is_fair(photo.mask, photo.text):
            continue
        status = {} if photo.text[-1].isdigit() or photo.text in STATUS_DEFAULTS else {photo.text: "status"}
        display = Display(key="display", quantity="reading", unit="", corners=photo.corners, digits=photo.mask, status=status)
        bars, network = opinions(rectify(photo.image, photo.corners), display)
        asked.append(Opinions(photo.text, tuple(bars), tuple(network)))
    return asked


def fit_weights(asked: Sequence[Opinions]) -> Weights:
    """Find the weights under which the truth is likeliest; the truth may be none of the texts."""

    def surprise(x: np.ndarray) -> float:
        weights = _weights(x, len(asked))
        return -float(np.mean([np.log(_chance_of_truth(one, weights)) for one in asked]))

    start = np.array([0.5, 1.0, -5.0, -6.0, 0.0])
    options = {"xatol": 0.005, "fatol": 1e-6, "maxiter": 600}
    return _weights(minimize(surprise, start, method="Nelder-Mead", options=options).x, len(asked))


def _weights(x: np.ndarray, count: int) -> Weights:
    bars, network, bars_slip, network_slip, neither = x
    first, second = (round(float(np.exp(np.clip(slip, -12.0, -1.0))), 7) for slip in (bars_slip, network_slip))
    return Weights(
        round(float(bars), 4), round(float(network), 4), first, second, round(float(neither), 4), round(1 - 1 / count, 6)
    )


def _chance_of_truth(one: Opinions, weights: Weights) -> float:
    shares = dict(pool(one.bars, one.network, weights))
    return max(shares[one.text] if one.text in shares else 1 - sum(shares.values()), 1e-9)


def judge(asked: Sequence[Opinions], rate: Callable[[Opinions], Rated]) -> Figures:
    """Measure how often the likeliest text is the true one, and whether its probability says so."""
    best = [rate(one)[0] if rate(one) else ("", 0.0) for one in asked]
    right = np.array([text == one.text for (text, _), one in zip(best, asked, strict=True)])
    probability = np.array([share for _, share in best])
    error = sum(
        len(part) / len(asked) * abs(float(right[part].mean()) - float(probability[part].mean()))
        for part in np.array_split(np.argsort(probability, kind="stable"), 10)
    )
    sure = probability >= 0.98
    return Figures(len(asked), float(right.mean()), float(sure.mean()), float((sure & ~right).mean()), float(error))


def main() -> None:
    """Draw, ask, fit, judge, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--out", type=Path, required=True, help="file to write, as read/weights/verdict.json")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--examples", type=int, default=6000, help="drawn displays, half to fit on and half to judge on")
    parser.add_argument("--processes", type=int, default=multiprocessing.cpu_count())
    chosen = parser.parse_args()
    asked = ask_both(chosen.seed, chosen.examples, chosen.processes)
    fitted, judged = asked[::2], asked[1::2]
    weights = fit_weights(fitted)
    both = judge(judged, lambda one: agree(one.bars, one.network, weights))
    alone = {"bars": judge(judged, lambda one: one.bars), "network": judge(judged, lambda one: one.network), "both": both}
    written = {
        **asdict(weights),
        "recipe": {"seed": chosen.seed, "examples": chosen.examples},
        "held_out": {name: {k: round(v, 5) for k, v in asdict(figures).items()} for name, figures in alone.items()},
    }
    chosen.out.write_text(json.dumps(written, indent=2) + "\n", encoding="utf-8")
    print(json.dumps(written, indent=2))


if __name__ == "__main__":
    main()
