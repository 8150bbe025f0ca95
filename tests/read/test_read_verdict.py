"""Two readers, one verdict: agreement makes surer, contradiction is never sure, and what glare hides stays open."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametally.errors import FrametallyError
from frametally.read import verdict
from frametally.read.verdict import ONE_SIDED, Weights, WeightsMissing, agree, packaged_weights, pool

TEXTS = st.sampled_from(["20.9", "20.8", "28.9", "OL", ""])
PLAIN = Weights(bars=1.0, network=1.0, bars_slip=1e-12, network_slip=1e-12, neither=0.0, surest=1.0)
"""Both readers believed alike: the verdict is the product of their probabilities, normed."""


@st.composite
def ratings(draw: st.DrawFn, least: int = 0) -> list[tuple[str, float]]:
    """Up to four texts with falling chances that sum to at most 1."""
    texts = draw(st.lists(TEXTS, unique=True, min_size=least, max_size=4))
    chances = sorted((draw(st.floats(0, 1)) for _ in texts), reverse=True)
    total = max(sum(chances), 1.0)
    return [(text, chance / total) for text, chance in zip(texts, chances, strict=True)]


WEIGHTS = st.builds(
    Weights,
    bars=st.floats(0.05, 2),
    network=st.floats(0.05, 2),
    bars_slip=st.floats(1e-5, 0.1),
    network_slip=st.floats(1e-5, 0.1),
    neither=st.floats(-3, 3),
    surest=st.floats(0.99, 1),
)


# --- laws -------------------------------------------------------------------------------------------------------------


@given(ratings(), ratings(), WEIGHTS, st.booleans())
def test_the_verdict_is_made_of_chances(
    bars: list[tuple[str, float]], network: list[tuple[str, float]], weights: Weights, veiled: bool
) -> None:
    rated = agree(bars, network, weights, veiled=veiled)

    assert (rated == []) == (bars == [])
    assert all(0 <= chance <= 1 for _, chance in rated)
    assert sum(chance for _, chance in rated) <= 1 + 1e-9
    assert len({text for text, _ in rated}) == len(rated)
    assert [chance for _, chance in rated] == sorted((chance for _, chance in rated), reverse=True)


@given(ratings(1), ratings(1), WEIGHTS)
def test_contradiction_is_never_sure(bars: list[tuple[str, float]], network: list[tuple[str, float]], weights: Weights) -> None:
    """Whatever the weights, and however sure the readers."""
    rated = agree(bars, network, weights)

    if bars[0][0] != network[0][0]:
        assert max(chance for _, chance in rated) <= ONE_SIDED


@given(ratings(1), ratings(1), WEIGHTS)
def test_no_reading_is_surer_than_the_displays_it_was_fitted_on_can_bear_out(
    bars: list[tuple[str, float]], network: list[tuple[str, float]], weights: Weights
) -> None:
    assert agree(bars, network, weights)[0][1] <= weights.surest


@given(ratings(1), ratings(1), WEIGHTS)
def test_the_order_in_which_a_reader_lists_its_rivals_does_not_matter(
    bars: list[tuple[str, float]], network: list[tuple[str, float]], weights: Weights
) -> None:
    assert dict(pool(bars, network, weights)) == pytest.approx(dict(pool(bars[::-1], network[::-1], weights)), abs=1e-9)


@given(ratings(1), st.floats(0.05, 0.9), WEIGHTS)
def test_a_text_gains_by_every_reader_that_likes_it_more(bars: list[tuple[str, float]], chance: float, weights: Weights) -> None:
    text = bars[0][0]
    less, more = (dict(pool(bars, [(text, c)], weights))[text] for c in (chance, chance + 0.09))

    assert more >= less - 1e-12


# --- the formula ------------------------------------------------------------------------------------------------------


def test_readers_believed_alike_give_the_normed_product_of_their_chances() -> None:
    """Logarithmic opinion pool (Genest and Zidek 1986) with both weights 1: worked by hand, the unnamed rest included."""
    rated = dict(pool([("20.9", 0.6), ("20.8", 0.3)], [("20.9", 0.5), ("28.9", 0.3)], PLAIN))
    total = 0.6 * 0.5 + 0.1 * 0.2

    assert rated["20.9"] == pytest.approx(0.3 / total)
    assert max(rated["20.8"], rated["28.9"]) < 1e-9  # each is impossible to one reader
    assert 1 - sum(rated.values()) == pytest.approx(0.02 / total)


def test_the_weights_are_powers() -> None:
    weights = replace(PLAIN, bars=0.5, network=2.0)
    rated = dict(pool([("1", 0.64), ("7", 0.36)], [("1", 0.5), ("7", 0.5)], weights))

    assert rated["1"] / rated["7"] == pytest.approx(0.8 / 0.6)


# --- the packaged weights ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bars", "network"), [(0.9, 0.9), (0.97, 0.9), (0.9, 0.97), (0.97, 0.97)])
def test_agreement_is_surer_than_either(bars: float, network: float) -> None:
    text, sure = agree([("20.9", bars), ("20.8", 1 - bars)], [("20.9", network), ("28.9", 1 - network)])[0]

    assert text == "20.9"
    assert sure > max(bars, network)


@pytest.mark.parametrize("other", ["28.9", "OL", ""])
@pytest.mark.parametrize(("bars", "network"), [(0.9999, 0.8), (0.8, 0.9999), (0.9999, 0.9999)])
def test_sure_readers_that_contradict_each_other_leave_a_doubt(other: str, bars: float, network: float) -> None:
    assert agree([("20.9", bars)], [(other, network)])[0][1] <= ONE_SIDED


def test_what_the_network_alone_sees_is_never_sure() -> None:
    text, sure = agree([("1", 0.01)], [("42", 0.999)])[0]

    assert text == "42"
    assert sure <= ONE_SIDED


def test_a_rival_that_both_allow_stays_before_one_that_only_one_allows() -> None:
    rated = dict(agree([("20.9", 0.6), ("28.9", 0.35)], [("20.9", 0.6), ("28.9", 0.35), ("20.8", 0.04)]))

    assert rated["28.9"] > rated["20.8"]


@given(ratings(), ratings(1))
def test_without_the_bars_there_is_no_verdict_and_without_the_network_the_bars_speak(
    bars: list[tuple[str, float]], network: list[tuple[str, float]]
) -> None:
    assert agree([], network) == []
    assert agree(bars, []) == bars


# --- glare ------------------------------------------------------------------------------------------------------------


def test_under_glare_the_network_tilts_the_odds_of_the_bars() -> None:
    """Of three numbers that the visible bars allow alike, the one that the network sees comes first, 3 to 1, still a doubt."""
    rated = agree([("24.0", 0.33), ("24.6", 0.33), ("24.8", 0.33)], [("24.6", 0.99)], veiled=True)

    assert [text for text, _ in rated] == ["24.6", "24.0", "24.8"]
    assert rated[0][1] == pytest.approx(3 * rated[2][1], rel=0.01)
    assert rated[0][1] <= 0.6


def test_under_glare_a_text_that_the_visible_bars_settle_is_the_bars_own() -> None:
    bars = [("24.6", 0.95), ("24.8", 0.02)]
    rated = agree(bars, [("24.8", 0.99)], veiled=True)

    assert [text for text, _ in rated] == ["24.6", "24.8"]
    assert rated[0][1] * 0.02 == pytest.approx(rated[1][1] * 0.95)


@given(ratings(2), ratings(1))
def test_under_glare_the_network_never_tilts_more_than_3_to_1(
    bars: list[tuple[str, float]], network: list[tuple[str, float]]
) -> None:
    rated = dict(agree(bars, network, veiled=True))
    (first, one), (second, two) = bars[:2]

    assert set(rated) == set(dict(bars))
    assert rated[first] * two <= 3 * rated[second] * one + 1e-12
    assert rated[second] * one <= 3 * rated[first] * two + 1e-12


def test_under_glare_a_network_that_sees_none_of_the_texts_lowers_them_all() -> None:
    bars = [("24.6", 0.5), ("24.8", 0.4)]
    borne_out = agree(bars, [("24.6", 0.9)], veiled=True)
    contradicted = agree(bars, [("91", 0.99)], veiled=True)

    assert all(low < 0.5 * high for (_, low), (_, high) in zip(contradicted, borne_out, strict=True))


# --- the file ---------------------------------------------------------------------------------------------------------


def test_the_packaged_weights_believe_both_readers() -> None:
    weights = packaged_weights()

    assert weights.bars > 0
    assert weights.network > 0
    assert 0 < weights.bars_slip < 0.1
    assert 0 < weights.network_slip < 0.1
    assert 0.99 < weights.surest < 1
    assert np.isfinite(weights.neither)


def test_without_its_weights_the_package_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verdict, "files", lambda package: tmp_path)
    packaged_weights.cache_clear()

    try:
        with pytest.raises(WeightsMissing, match=r"verdict\.json is missing.*install frametally again") as caught:
            agree([("1", 0.9)], [("1", 0.9)])
        assert isinstance(caught.value, FrametallyError)
        assert agree([("1", 0.9)], [("1", 0.9)], PLAIN)[0][0] == "1"  # with weights of its own it needs no file
    finally:
        packaged_weights.cache_clear()
