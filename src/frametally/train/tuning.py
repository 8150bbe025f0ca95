"""Takes the scores that a net gives to drawn examples it was not taught on; gives what makes them honest probabilities."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from frametally.read.layout import Mask
from frametally.read.network import Tuning, text_scores, weigh

COMMON_WORDS = ("OL", "OFL", "HI", "LO", "UL", "ERR", "BAT", "----", "---", "--")


@dataclass(frozen=True)
class Trial:
    """One held-out example: its true `text`, and every considered text's score."""

    text: str
    scores: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Figures:
    """How a net reads: of `count` examples the shares that are `exact`, `sure` (probability at least 0.98) and `sure_wrong`;
    `error`, the expected calibration error over ten equal parts by probability."""

    count: int
    exact: float
    sure: float
    sure_wrong: float
    error: float


def try_example(chances: np.ndarray, mask: str, text: str) -> Trial:
    """Score one example's texts; its own word, if it shows one, is among the display's words."""
    words = COMMON_WORDS if not text or text[-1].isdigit() else (*COMMON_WORDS, text)
    return Trial(text, tuple(text_scores(chances, Mask.parse(mask), words)))


def is_fair(mask: str, text: str) -> bool:
    """Tell whether a display may be asked for this text: nothing, a word, or a number with the mask's points.

    Odd signs that happen to be digits teach the net its signs, but no display that has a point shows a number without.
    """
    if not text:
        return True
    if re.fullmatch(r"-?[\d.:]+", text):
        return re.sub(r"[\d-]", "", text) == re.sub(r"[#-]", "", mask)
    return "|" not in text and (bool(re.search(r"[A-Z]", text)) or set(text) == {"-"})


def fit_tuning(trials: list[Trial]) -> Tuning:
    """Find the figures under which the truth is likeliest; the truth may be none of the texts considered."""

    def surprise(x: np.ndarray) -> float:
        tuning, total = _tuning(x, len(trials)), 0.0
        for trial in trials:
            weighed = dict(weigh(trial.scores, tuning))
            rest = max(1 - sum(weighed.values()), 1e-9)
            total -= float(np.log(max(weighed[trial.text], 1e-9) if trial.text in weighed else rest))
        return total / len(trials)

    corners = np.array([[0.3, -1.0, -7.5], [0.0, -1.0, -7.5], [0.3, 0.5, -7.5], [0.3, -1.0, -6.5]])
    options = {"initial_simplex": corners, "xatol": 0.02, "fatol": 1e-5, "maxiter": 120}
    return _tuning(minimize(surprise, corners[0], method="Nelder-Mead", options=options).x, len(trials))


def _tuning(logs: np.ndarray, count: int) -> Tuning:
    """Give the figures from their logarithms; `count` trials cannot show that fewer than one in so many goes wrong."""
    temperature, leak, slip = (round(float(value), 5) for value in np.exp(np.minimum(logs, [2.0, 2.0, -2.0])))
    return Tuning(temperature, leak, max(slip, round(1 / count, 5)))


def judge(trials: list[Trial], tuning: Tuning) -> Figures:
    """Measure how often the best text is the true one, and whether its probability says so."""
    best = [weigh(trial.scores, tuning)[0] for trial in trials]
    right = np.array([text == trial.text for (text, _), trial in zip(best, trials, strict=True)])
    probability = np.array([p for _, p in best])
    error = 0.0
    for part in np.array_split(np.argsort(probability), 10):
        error += len(part) / len(trials) * abs(float(right[part].mean()) - float(probability[part].mean()))
    sure = probability >= 0.98
    return Figures(len(trials), float(right.mean()), float(sure.mean()), float((sure & ~right).mean()), error)
