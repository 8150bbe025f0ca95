"""A figure with its bounds, a limit and the instrument's tolerance to one of three verdicts, with the rule that gave it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from frametally.assess.hourly import round_in_steps

Verdict = Literal["exceeds", "does not exceed", "undecided"]
Outcome = Literal["pass", "conditional pass", "conditional fail", "fail", "open"]

GUARD_BAND_SOURCE = "Decision rule with a guard band after ILAC-G8:09/2019, 4.2"
PROBABILITY_SOURCE = (
    "Probability that a normally spread value lies past a limit, JCGM 106:2012, clause 7 (from memory; confirm it there)"
)

OUTCOME_WORDS: dict[Outcome, str] = {
    "pass": "kept, with the stated error to spare",
    "conditional pass": "kept on the face of it, but by less than the stated error",
    "conditional fail": "passed on the face of it, but by less than the stated error",
    "fail": "passed by more than the stated error",
    "open": "gaps and doubtful readings leave both sides possible",
}
"""The four outcomes of a decision with a guard band, and the fifth where the figure itself is not settled."""

SLACK = 1e-9
"""Share of a limit by which a figure may lie past it through the rounding of sums alone."""


@dataclass(frozen=True)
class Decision:
    """A verdict and the rule that gave it in words.

    `middle_beyond`: the middle value lies past the limit; `is_clear`: the bounds alone would clear the night.
    `outcome` says on which side of the limit the bounds lie, and whether by more than the stated error.
    For a limit below which danger lies, "exceeds" means that the figure is below it.
    """

    verdict: Verdict
    rule: str
    middle_beyond: bool
    is_clear: bool
    outcome: Outcome


def decide(
    lower: float | None,
    middle: float | None,
    upper: float | None,
    limit: float,
    tolerance: float | None = None,
    *,
    low_side: bool = False,
    enough: bool = True,
    unit: str = "",
    rounding: tuple[int, ...] = (),
) -> Decision:
    """Decide whether a figure passes a limit, whatever the gaps hid and whatever the instrument's error was.

    Parameters
    ----------
    lower, middle, upper : float or None
        The figure with its bounds; None (or a non-finite number) where a bound is open or the middle not known.
    limit : float
        The limit, in the same unit.
    tolerance : float, optional
        The instrument's stated error at the limit, in the same unit; None where none is stated (then no guard band).
    low_side : bool
        True where danger lies below the limit (oxygen).
    enough : bool
        False where too little was measured to clear the night; it never stands in the way of "exceeds".
    unit : str
        For the rule's words.
    rounding : tuple of int
        Decimal places to which the rule rounds a figure before it is compared, step after step.

    Notes
    -----
    Exceeds: lower - tolerance > limit. Does not exceed: upper + tolerance <= limit. Mirrored on the low side.
    """
    sign, guard = (-1.0 if low_side else 1.0), tolerance or 0.0
    line = sign * limit
    # Turned so that danger always lies above: the least bad and the worst that the figure can be.
    least, most = _or(lower, -math.inf), _or(upper, math.inf)
    mild, bad = (-most, -least) if low_side else (least, most)

    def is_past(figure: float) -> bool:
        return sign * round_in_steps(sign * figure, rounding) > line + SLACK * max(1.0, abs(line))

    beyond, clear = is_past(mild - guard), not is_past(bad + guard)
    outcome: Outcome
    if is_past(mild):
        outcome = "fail" if beyond else "conditional fail"
    elif is_past(bad):
        outcome = "open"
    else:
        outcome = "pass" if clear else "conditional pass"
    verdict: Verdict = "exceeds" if beyond else "does not exceed" if clear and enough else "undecided"
    middle_beyond = middle is not None and math.isfinite(middle) and is_past(sign * middle)
    return Decision(verdict, rule_text(tolerance, low_side, unit), middle_beyond, clear, outcome)


def _or(bound: float | None, open_end: float) -> float:
    """An open or unknown bound may lie anywhere beyond."""
    return open_end if bound is None or math.isnan(bound) else bound


def probability_beyond(figure: float, limit: float, standard_uncertainty: float, *, low_side: bool = False) -> float:
    """Give the probability that the true value lies past a limit, its error being spread normally.

    Parameters
    ----------
    figure, limit : float
        In one unit.
    standard_uncertainty : float
        Above 0, in the same unit; half of an error that covers 95 %.
    low_side : bool
        True where danger lies below the limit.

    Returns
    -------
    float
        0 to 1: 1 - Phi((limit - figure) / u), or Phi of it on the low side.

    References
    ----------
    JCGM 106:2012, clause 7.
    """
    z = (figure - limit) / standard_uncertainty
    return 0.5 * math.erfc((z if low_side else -z) / math.sqrt(2))


def rule_text(tolerance: float | None, low_side: bool, unit: str) -> str:
    """Write the rule by which a verdict was found, with the stated error in a unit ("" where the unit goes without saying)."""
    bad, good = ("highest", "lowest") if low_side else ("lowest", "highest")
    passed, kept = ("below", "at or above") if low_side else ("above", "at or below")
    margin = (
        ""
        if tolerance is None
        else f" by more than the instrument's stated error of {float(f'{tolerance:.3g}'):g}{' ' + unit if unit else ''}"
    )
    spare = "" if tolerance is None else " with that error to spare"
    none = " No error is stated for this instrument, so none is allowed for." if tolerance is None else ""
    return (
        f"Rule: passed only if even the {bad} possible figure is {passed} the limit{margin}; "
        f"kept only if even the {good} possible figure is {kept} it{spare}; otherwise undecided.{none}"
    )
