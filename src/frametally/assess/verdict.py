"""A figure with its bounds, a limit and the instrument's tolerance to one of three verdicts, with the rule that gave it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["exceeds", "does not exceed", "undecided"]

GUARD_BAND_SOURCE = "Decision rule with a guard band after ILAC-G8:09/2019, 4.2"


@dataclass(frozen=True)
class Decision:
    """A verdict and the rule that gave it in words.

    `middle_beyond`: the middle value lies past the limit; `is_clear`: the bounds alone would clear the night.
    For a limit below which danger lies, "exceeds" means that the figure is below it.
    """

    verdict: Verdict
    rule: str
    middle_beyond: bool
    is_clear: bool


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

    Notes
    -----
    Exceeds: lower - tolerance > limit. Does not exceed: upper + tolerance <= limit. Mirrored on the low side.
    """
    guard = tolerance or 0.0
    if low_side:
        beyond, clear = _at_most(upper) + guard < limit, _at_least(lower) - guard >= limit
        middle_beyond = _known(middle) and float(middle or 0.0) < limit
    else:
        beyond, clear = _at_least(lower) - guard > limit, _at_most(upper) + guard <= limit
        middle_beyond = _known(middle) and float(middle or 0.0) > limit
    verdict: Verdict = "exceeds" if beyond else "does not exceed" if clear and enough else "undecided"
    return Decision(verdict, _rule_text(tolerance, low_side, unit), middle_beyond, clear)


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _at_least(lower: float | None) -> float:
    """An open or unknown lower bound may be anything below."""
    return -math.inf if lower is None or math.isnan(lower) else lower


def _at_most(upper: float | None) -> float:
    """An open or unknown upper bound may be anything above."""
    return math.inf if upper is None or math.isnan(upper) else upper


def _rule_text(tolerance: float | None, low_side: bool, unit: str) -> str:
    bad, good = ("highest", "lowest") if low_side else ("lowest", "highest")
    passed, kept = ("below", "at or above") if low_side else ("above", "at or below")
    margin = (
        "" if tolerance is None else f" by more than the instrument's stated error of {tolerance:g}{' ' + unit if unit else ''}"
    )
    spare = "" if tolerance is None else " with that error to spare"
    none = " No error is stated for this instrument, so none is allowed for." if tolerance is None else ""
    return (
        f"Rule: passed only if even the {bad} possible figure is {passed} the limit{margin}; "
        f"kept only if even the {good} possible figure is {kept} it{spare}; otherwise undecided.{none}"
    )
