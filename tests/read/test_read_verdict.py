"""Two readers, one verdict: agreement makes surer, contradiction makes doubtful, and the network alone settles nothing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametally.read.verdict import CONTESTED, NETWORK_ALONE, agree

TEXTS = st.sampled_from(["20.9", "20.8", "28.9", "OL", ""])


@st.composite
def ratings(draw: st.DrawFn) -> list[tuple[str, float]]:
    """Up to four texts with falling chances that sum to at most 1."""
    texts = draw(st.lists(TEXTS, unique=True, max_size=4))
    chances = sorted((draw(st.floats(0, 1)) for _ in texts), reverse=True)
    total = max(sum(chances), 1.0)
    return [(text, chance / total) for text, chance in zip(texts, chances, strict=True)]


def test_agreement_makes_surer() -> None:
    text, sure = agree([("20.9", 0.9), ("20.8", 0.1)], [("20.9", 0.95)])[0]
    assert (text, sure) == ("20.9", pytest.approx(1 - 0.1 * 0.05))


def test_agreement_does_not_settle_what_glare_hides() -> None:
    """Three numbers that the bars allow alike stay so, however sure the network is of one."""
    assert agree([("24.6", 0.33), ("24.8", 0.33)], [("24.6", 0.99)])[0] == ("24.6", 0.33)


@pytest.mark.parametrize("other", ["28.9", "OL", ""])
def test_contradiction_makes_doubtful(other: str) -> None:
    text, sure = agree([("20.9", 0.9999)], [(other, 0.8)])[0]
    assert text == "20.9"
    assert sure <= CONTESTED


def test_the_network_speaks_up_where_the_bars_gave_up_but_only_as_a_doubt() -> None:
    assert agree([("1", 0.01)], [("42", 0.97)])[0] == ("42", CONTESTED)
    assert agree([("1", 0.01)], [("", 0.97)])[0][0] == "1"


def test_what_the_network_alone_proposes_is_no_ground_for_a_repair() -> None:
    rated = dict(agree([("25", 0.4), ("35", 0.3)], [("24", 0.99)]))
    assert rated["24"] <= NETWORK_ALONE
    assert rated["35"] > rated["24"]


@given(ratings(), ratings())
def test_the_verdict_is_made_of_chances(bars: list[tuple[str, float]], network: list[tuple[str, float]]) -> None:
    rated = agree(bars, network)
    assert (rated == []) == (bars == [])
    assert all(0 <= chance <= 1 for _, chance in rated)
    assert sum(chance for _, chance in rated) <= 1 + 1e-9
    assert len({text for text, _ in rated}) == len(rated)
    if bars and network and bars[0][0] != network[0][0] and network[0][1] >= 0.5:
        assert rated[0][1] <= CONTESTED
