"""How the verdict's weights are made: honest on what it was not fitted on, and better than either reader alone."""

from __future__ import annotations

import numpy as np
import pytest

from frametally.read.verdict import agree, packaged_weights, pool
from frametally.train.weighing import Opinions, ask_both, fit_weights, judge

DISPLAYS = 100


@pytest.fixture(scope="module")
def asked() -> list[Opinions]:
    """Drawn displays that the packaged weights were not fitted on."""
    return ask_both(seed=2026, examples=DISPLAYS)


def simulated(random: np.random.Generator, count: int, boast: float) -> list[Opinions]:
    """Two independent readers of two-way choices. The bars are right as often as they say; the network takes `boast` times the
    log odds that it has reason for."""
    opinions = []
    for _ in range(count):
        truth, other = random.permutation(["3", "8"]).tolist()
        rated = []
        for factor in (1.0, boast):
            odds = abs(random.normal(0, 2.0))
            right = random.random() < 1 / (1 + np.exp(-odds))
            said = float(1 / (1 + np.exp(-factor * odds)))
            first, second = (truth, other) if right else (other, truth)
            rated.append(((first, said), (second, 1 - said)))
        opinions.append(Opinions(truth, *rated))
    return opinions


@pytest.mark.parametrize("boast", [1.0, 3.0])
def test_a_reader_that_boasts_is_believed_less(boast: float) -> None:
    """For independent readers the product of the odds is right (Bayes' rule): weights of 1, and of 1 over the boast."""
    random = np.random.default_rng(3)
    weights = fit_weights(simulated(random, 400, boast))
    others = simulated(random, 1500, boast)

    assert weights.bars == pytest.approx(1.0, abs=0.3)
    assert weights.network == pytest.approx(1 / boast, abs=0.3 / boast)
    judged = judge(others, lambda one: pool(one.bars, one.network, weights))
    assert judged.error < 0.03
    assert judged.exact > judge(others, lambda one: one.bars).exact


def test_figures_count_what_they_say() -> None:
    right, wrong = Opinions("3", (("3", 0.99),), ()), Opinions("8", (("3", 0.99),), ())
    figures = judge([right] * 15 + [wrong] * 5, lambda one: one.bars)

    assert (figures.count, figures.exact, figures.sure, figures.sure_wrong) == (20, 0.75, 1.0, 0.25)
    assert judge([right] * 20, lambda one: one.bars).error == pytest.approx(0.01)


def test_no_probability_is_higher_than_the_displays_can_bear_out() -> None:
    asked = simulated(np.random.default_rng(4), 40, 1.0)

    assert fit_weights(asked).surest == 1 - 1 / 40


def test_the_same_seed_asks_about_the_same_displays(asked: list[Opinions]) -> None:
    assert ask_both(seed=2026, examples=50) == asked[:50]
    assert len(asked) == DISPLAYS
    assert all(one.text for one in asked)


def test_the_packaged_weights_make_two_readers_better_than_either(asked: list[Opinions]) -> None:
    """By the mean log probability of the truth, a proper score (Good 1952; from memory); at least 0.001 for any text."""
    weights = packaged_weights()

    def score(rated: list[dict[str, float]]) -> float:
        return float(np.mean([np.log(max(r.get(one.text, 0.0), 1e-3)) for r, one in zip(rated, asked, strict=True)]))

    both = score([dict(agree(one.bars, one.network, weights)) for one in asked])
    assert both > score([dict(one.bars) for one in asked])
    assert both > score([dict(one.network) for one in asked]) - 0.01  # the better reader; the bars' part is to catch its slips


def test_what_the_packaged_weights_call_sure_is_right(asked: list[Opinions]) -> None:
    figures = judge(asked, lambda one: agree(one.bars, one.network))

    assert figures.sure_wrong <= 1 / DISPLAYS
    assert figures.sure > 0.4
    assert figures.error < 0.08
