"""A display's figures and a limit to what was decided about them, in the limit's own unit and with the instrument's error."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from frametally.assess.exposure import Bounded, Window, known
from frametally.assess.extremes import Extreme, is_enough
from frametally.assess.limits import Limit
from frametally.assess.study import Study
from frametally.assess.units import tidy_unit
from frametally.assess.verdict import Decision, decide, probability_beyond, rule_text

UNKNOWN = Bounded(-math.inf, math.nan, math.inf)
RANK = {"does not exceed": 0, "undecided": 1, "exceeds": 2}


@dataclass(frozen=True)
class Comparison:
    """One display held against one limit: the figure, what was decided, and what the figure rests on.

    `figure` and `tolerance` are in the display's unit; `decision` was made in the limit's.
    """

    study: Study
    limit: Limit
    figure: Bounded
    tolerance: float | None
    decision: Decision
    window: Window | None
    extreme: Extreme | None
    enough: bool

    @property
    def unit(self) -> str:
        """The display's unit where it is one of a gas, else the one that its key names."""
        return gas_unit(self.study, self.limit)

    @property
    def is_too_short(self) -> bool:
        """True where the night is so much shorter than the averaging time that there is no such average."""
        return self.window is not None and self.window.rest_min > 0 and not self.enough

    @property
    def has_average(self) -> bool:
        """True where a figure may stand at the head; a short night's would look harmless, divided by hours nobody measured."""
        return not self.is_too_short or self.decision.verdict == "exceeds"

    @property
    def while_measured(self) -> float:
        """The average over the night as long as it was, not spread over the averaging time; NaN where there is none."""
        return self.window.while_measured if self.window else math.nan

    @property
    def is_beyond_while_measured(self) -> bool:
        """True where no average can be formed, and that of the measured time lies past the limit."""
        shown = self.while_measured
        if not math.isfinite(shown) or not (self.is_too_short or math.isnan(self.figure.middle)):
            return False
        return self.limit.figure_in_own_unit(shown, self.unit) > self.limit.value

    @property
    def chance(self) -> float | None:
        """Probability that the limit was passed, the stated error being read as one that covers 95 %; None where it says nothing.

        It says nothing where no error is stated or where gaps leave the figure open.
        """
        low, high = self.figure.lower, self.figure.upper
        if not self.tolerance or not math.isfinite(high - low) or high - low > 0.01 * self.tolerance or not self.has_average:
            return None
        level = self.limit.level_in(self.unit)
        return probability_beyond((low + high) / 2, level, self.tolerance / 2, low_side=self.limit.is_low_side)

    @property
    def severity(self) -> tuple[int, float]:
        """What ranks comparisons: the verdict, then how near the figure comes to the limit (or how far it is past it)."""
        middle = self.figure.middle if self.has_average else math.nan
        middle = self.while_measured if math.isnan(middle) else middle
        share = -math.inf if math.isnan(middle) else self.limit.figure_in_own_unit(middle, self.unit) / self.limit.value
        return RANK[self.decision.verdict], -share if self.limit.is_low_side else share


def gas_unit(study: Study, limit: Limit) -> str:
    """Give the unit in which a display's figures stand, as `units` spells it."""
    return tidy_unit(study.facts.unit) or limit.display_unit


def compare(study: Study, limit: Limit) -> Comparison:
    """Hold one display against one limit, with the instrument's stated error at the limit as the guard band."""
    window, extreme = None, None
    if limit.averaging_min is not None:
        window = study.windows.get((limit.statistic, limit.averaging_min))
        enough = window is not None and window.is_enough
        figure = window.bounds if window else UNKNOWN
    else:
        extreme = study.lowest if limit.is_low_side else study.highest
        enough = is_enough(study.samples)
        figure = extreme.bounds if extreme else UNKNOWN
    unit = gas_unit(study, limit)
    tolerance = study.facts.tolerance_at(limit.level_in(unit))

    def own(value: float) -> float:
        return limit.figure_in_own_unit(value, unit)

    decision = decide(
        own(figure.lower),
        own(figure.middle),
        own(figure.upper),
        limit.value,
        None if tolerance is None else own(tolerance),
        low_side=limit.is_low_side,
        enough=enough,
        rounding=limit.rounding,
    )
    decision = replace(decision, rule=rule_text(tolerance, limit.is_low_side, study.facts.unit))
    return Comparison(study, limit, figure, tolerance, decision, window, extreme, enough)


def compare_all(studies: Sequence[Study], limits: Sequence[Limit]) -> list[Comparison]:
    """Hold every display against the limits of its kind, where any of that kind gave a reading and one night can be judged."""
    seen = {study.facts.kind for study in studies if study.highest is not None}
    return [
        compare(study, limit)
        for limit in limits
        for study in studies
        if study.facts.kind == limit.kind and limit.kind in seen and limit.is_of_one_night
    ]


def by_family(comparisons: Sequence[Comparison]) -> list[list[Comparison]]:
    """Give the comparisons in groups that make one finding: those of one family of limits, or of limits with the same number."""
    groups: dict[str, list[Comparison]] = {}
    for one in comparisons:
        groups.setdefault(one.limit.group, []).append(one)
    return list(groups.values())


def choose(comparisons: Sequence[Comparison]) -> Comparison:
    """Give the one that counts: one that passes its limit for certain, else the one that comes nearest to passing it.

    Of two instruments on one gas the higher reading counts (the lower one where danger lies below the limit).
    """
    exceeding = [one for one in comparisons if one.decision.verdict == "exceeds"]
    return max(exceeding or comparisons, key=lambda one: one.severity[1])


def choose_of_family(comparisons: Sequence[Comparison]) -> Comparison:
    """Give the one that counts in a family: of the display that counts for each limit, the one with the worst verdict."""
    limits = dict.fromkeys(one.limit.id for one in comparisons)
    chosen = [choose([one for one in comparisons if one.limit.id == name]) for name in limits]
    return max(chosen, key=lambda one: one.severity)


def summarise_comparisons(comparisons: Sequence[Comparison]) -> list[dict[str, object]]:
    """Give what was decided for one display as plain numbers and words, in the display's unit; None where open or not known."""
    return [
        {
            "limit": one.limit.id,
            "level": one.limit.level_in(one.unit),
            "unit": one.study.facts.unit,
            "verdict": one.decision.verdict,
            "outcome": one.decision.outcome,
            **(one.figure.as_dict() if one.has_average else UNKNOWN.as_dict()),
            "guard_band": known(math.nan if one.tolerance is None else one.tolerance),
            "probability_beyond": one.chance,
            "enough_measured": one.enough,
        }
        for one in comparisons
    ]
