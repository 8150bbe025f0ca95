"""Takes the rival readings of the bar reader and of the network; gives one list of rivals: two readers, one verdict.

The two fail differently: the one measures bars where it has found the places, the other sees the field as a whole. Their
probabilities are pooled as a weighted product (a logarithmic opinion pool: Genest and Zidek 1986), with weights that were
fitted on drawn displays, so that of readings given a probability of 0.99 about 99 in 100 are right. The fit is made on single
displays whose places had to be searched for, where the bars count little; what both are sure of is as sure as two independent
witnesses make it. On 5,000 other drawn displays the calibration error is 0.8 % (`weights/verdict.json`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

from frametally.errors import FrametallyError

ONE_SIDED = 0.97
"""Most that a reading gets which is not both readers' first: what one of them alone says is for the neighbours to settle."""

WITNESSES = 0.95
"""Where both readers give the same text at least this, they count as independent witnesses. Below it what they doubt may be the
same, a point that the mask does not know for instance."""

CLEAR_OF_GLARE = 0.9
"""Where glare hides bars, a text must have this share of all that the visible bars allow."""

GUESS = 0.5
"""Where it has less, the network is asked which of them it is, and believed halfway: two texts alike become 3 to 1."""

Rated = Sequence[tuple[str, float]]
"""Texts with probabilities, best first; what is missing to 1 belongs to none of them."""


class WeightsMissing(FrametallyError):
    """The weights of the two readers are not where the package keeps them."""


@dataclass(frozen=True)
class Weights:
    """How far each reader is believed: `bars` and `network` are the powers to which their probabilities are raised;
    `bars_slip` and `network_slip` what each gives at least to a text that it did not think of; `neither` weighs that the truth is
    none of the texts; `surest` is the highest probability that the fitted displays can bear out."""

    bars: float
    network: float
    bars_slip: float
    network_slip: float
    neither: float
    surest: float


def agree(bars: Rated, network: Rated, weights: Weights | None = None, *, veiled: bool = False) -> list[tuple[str, float]]:
    """Give texts with probabilities, the likeliest first; with no `network`, the bars' alone.

    Where bars are `veiled` by glare, which of the texts that the visible bars leave open the network prefers is a guess: then the
    bars give the odds, which the network can only tilt, and it says whether it is one of them at all.

    Raises `WeightsMissing` where the package lacks its weights and none are given.
    """
    if not bars or not network:
        return list(bars)
    weights = weights or packaged_weights()
    rated = pool(bars, network, weights)
    if veiled:
        pooled, total = dict(rated), sum(chance for _, chance in bars)
        one_of_them = sum(pooled[text] for text in dict(bars))
        is_open = bars[0][1] < CLEAR_OF_GLARE * total
        odds = [chance * (GUESS + pooled[text] / max(one_of_them, 1e-9)) if is_open else chance for text, chance in bars]
        given = [(text, one_of_them * odd / max(sum(odds), 1e-12)) for (text, _), odd in zip(bars, odds, strict=True)]
        return sorted(given, key=lambda item: -item[1])
    text, share = rated[0]
    own, theirs = bars[0][1], network[0][1]
    if text == bars[0][0] == network[0][0] and min(own, theirs) >= WITNESSES:
        share = max(share, min(weights.surest, 1 - (1 - own) * (1 - theirs)))
    elif text != bars[0][0] or text != network[0][0]:
        share = min(share, ONE_SIDED)
    room = sum(chance for _, chance in rated[1:])
    return [(text, share), *((other, chance * min(1.0, (1 - share) / max(room, 1e-12))) for other, chance in rated[1:])]


def pool(bars: Rated, network: Rated, weights: Weights) -> list[tuple[str, float]]:
    """Pool two readers' probabilities; what is missing to 1 belongs to none of the texts."""
    ours, theirs = dict(bars), dict(network)

    def weigh(first: float, second: float) -> float:
        return (first + weights.bars_slip) ** weights.bars * (second + weights.network_slip) ** weights.network

    shares = {text: weigh(ours.get(text, 0.0), theirs.get(text, 0.0)) for text in {*ours, *theirs}}
    rest = weigh(max(1 - sum(ours.values()), 0.0), max(1 - sum(theirs.values()), 0.0)) * math.exp(weights.neither)
    total = (sum(shares.values()) + rest) / weights.surest
    return sorted(((text, share / total) for text, share in shares.items()), key=lambda item: (-item[1], item[0]))


@lru_cache(maxsize=1)
def packaged_weights() -> Weights:
    """Give the weights that belong to the packaged readers."""
    try:
        figures = json.loads((files("frametally.read") / "weights" / "verdict.json").read_text(encoding="utf-8"))
    except OSError as problem:
        raise WeightsMissing(
            f"the file verdict.json is missing from the installed package ({problem}); install frametally again"
        ) from problem
    return Weights(**{name: float(figures[name]) for name in Weights.__dataclass_fields__})
