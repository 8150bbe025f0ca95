"""The workplace averages of several gases to one sum: each as a share of its limit, as 29 CFR 1910.1000(d)(2) has it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from frametally.assess.comparisons import Comparison, choose
from frametally.assess.exposure import Bounded, known
from frametally.assess.facts import QUANTITIES
from frametally.assess.verdict import decide
from frametally.assess.wording import write_list, write_minutes
from frametally.model import Finding

MIXTURE_SOURCE = "29 CFR 1910.1000, (d)(2), mixtures of air contaminants"
_ISSUER = "OSHA"
_WEIGHT = {"exceeds": 6, "undecided": 26, "does not exceed": 46}


def mixture_sum(concentrations: Sequence[float], limits: Sequence[float]) -> float:
    """Give the equivalent exposure to several contaminants at once.

    Parameters
    ----------
    concentrations, limits : sequences of float
        The average of each contaminant and its limit, pair by pair in one unit.

    Returns
    -------
    float
        C1/L1 + C2/L2 + ...; above 1 the mixture is over the limit though no single gas may be.

    References
    ----------
    29 CFR 1910.1000(d)(2)(i).
    """
    return sum(concentration / limit for concentration, limit in zip(concentrations, limits, strict=True))


def describe_mixture(comparisons: Sequence[Comparison]) -> list[Finding]:
    """Give the finding on the sum over the gases with an eight-hour limit of this rule; none for fewer than two gases."""
    ruled = [one for one in comparisons if one.limit.issuer == _ISSUER and one.limit.statistic == "twa-fixed"]
    kinds = dict.fromkeys(one.limit.kind for one in ruled)
    chosen = [choose([one for one in ruled if one.limit.kind == kind]) for kind in kinds]
    chosen = [one for one in chosen if one.window is not None]
    if len(chosen) < 2:
        return []
    levels = [one.limit.level_in(one.unit) for one in chosen]
    sums = Bounded(*(mixture_sum([getattr(one.figure, side) for one in chosen], levels) for side in ("lower", "middle", "upper")))
    enough = all(one.enough for one in chosen)
    decision = decide(sums.lower, sums.middle, sums.upper, 1.0, _error(chosen, levels), enough=enough)
    if not enough and decision.verdict == "undecided":
        return []
    names = write_list(
        [f"{QUANTITIES[one.limit.kind][0]} {one.figure.middle / level:.2f}" for one, level in zip(chosen, levels, strict=True)]
    )
    words = {"exceeds": "above", "does not exceed": "not above", "undecided": "above or not: undecided,"}[decision.verdict]
    over = write_minutes(chosen[0].limit.averaging_min or 0.0)
    return [
        Finding(
            slug="mixture",
            title=f"The gases together, over {over}: {words} 1 ({_ISSUER} sum for mixtures)",
            text=(
                f"Each gas as a share of its own limit over {over}: {names}; together {sums.middle:.2f}. At work the sum may not "
                f"be above 1, though no gas alone is over its limit. It is made for healthy adults at work. {decision.rule}"
            ),
            weight=_WEIGHT[decision.verdict],
            tone="danger"
            if decision.verdict == "exceeds" or decision.middle_beyond
            else "calm"
            if decision.verdict == "does not exceed"
            else "warning",
            value=known(sums.middle),
            lower=known(sums.lower),
            upper=known(sums.upper),
            unit="",
            verdict=decision.verdict,
            sources=(MIXTURE_SOURCE, *(one.limit.citation for one in chosen)),
        )
    ]


def _error(chosen: Sequence[Comparison], levels: Sequence[float]) -> float | None:
    """The stated errors as shares of the limits, added up; None where any is not stated."""
    errors = [math.nan if one.tolerance is None else one.tolerance / level for one, level in zip(chosen, levels, strict=True)]
    return None if any(math.isnan(error) for error in errors) else sum(errors)
