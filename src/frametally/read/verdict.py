"""Takes the rival readings of the bar reader and of the network; gives one list of rivals: two readers, one verdict.

The two fail differently: the one measures bars where it has found the places, the other sees the field as a whole. Where they
agree, that is worth more than either; where they do not, the reading is a doubt, whoever is right.
"""

from __future__ import annotations

from collections.abc import Sequence

AGREE_FROM = 0.6
"""The bar reader's own chance from which the network's agreement makes it surer: what glare hides, agreement does not settle."""

DISMISSED = 0.01
"""What a rival of the bar reader keeps where both readers agree on another text and the network gives it nothing."""

SURE_AT_MOST = 0.9995
CONTESTED = 0.5
"""Most that a reading gets which the other reader contradicts."""

GIVEN_UP, TAKEN_OVER = 0.2, 0.9
"""Below the first the bar reader has given up; from the second the network's reading stands in its place, as a doubt."""

NETWORK_ALONE = 0.1
"""Most that a text gets which only the network proposes."""

Rated = Sequence[tuple[str, float]]


def agree(bars: Rated, network: Rated) -> list[tuple[str, float]]:
    """Give texts with probabilities, the reading first; `bars` and `network` are (text, probability), best first."""
    if not bars:
        return []
    if not network:
        return list(bars)
    text, own = bars[0]
    other, other_share = network[0]
    if other == text and own < AGREE_FROM:
        return _with_rest(text, own, bars, network)
    if other == text:
        theirs = dict(network)
        left = [(rival, chance * max(theirs.get(rival, 0.0), DISMISSED)) for rival, chance in bars[1:]]
        return _with_rest(text, min(SURE_AT_MOST, 1 - (1 - own) * (1 - other_share)), [(text, own), *left], [])
    if own < GIVEN_UP and other_share >= TAKEN_OVER and other:
        return _with_rest(other, CONTESTED, bars, network)
    contested = min(own, CONTESTED) if other_share >= 0.5 else min(own, 1 - other_share)
    return _with_rest(text, contested, bars, network)


def _with_rest(text: str, share: float, bars: Rated, network: Rated) -> list[tuple[str, float]]:
    """Put the other texts after the reading, within what is left.

    What the network alone proposes gets little: neighbouring frames may settle a doubt between readings that the bars allow,
    and where glare hides bars, the network's guess is no evidence for the neighbours to lean on.
    """
    rest = {other: chance for other, chance in bars if other != text}
    for other, chance in network:
        if other != text:
            rest.setdefault(other, min(chance, NETWORK_ALONE))
    room, total = 1 - share, sum(rest.values())
    factor = min(1.0, room / total) if total > 0 else 0.0
    return [
        (text, share),
        *sorted(((other, chance * factor) for other, chance in rest.items()), key=lambda item: (-item[1], item[0])),
    ]
