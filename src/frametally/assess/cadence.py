"""Takes the time from photo to photo, how slow the meter is and the limits; gives whether the photos can catch what they need."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from frametally.assess.instruments import KIND_WORDS
from frametally.assess.limits import Limit, limits_for
from frametally.model import Display, Trial, key_kind

Fit = Literal["good", "borderline", "too long"]

ENOUGH, LEAST = 10, 4
"""Photos in the shortest averaging time: from the first number on one lost photo is no matter, below the second the average rests
on too few (common practice, no source)."""

LEFT_ENOUGH, LEFT_LEAST = 0.5, 0.1
"""Share of a short peak that the meter still shows at the next photo: half of it, or the tenth by which t90 is defined."""


@dataclass(frozen=True)
class Cadence:
    """What one display's photos can catch.

    `window_min` the shortest averaging time of a limit for this quantity, and that `limit`'s label (None, "" where there is
    none); `photos` how many photos fall into it; `t90_s` the time the meter takes to show 90 % of a change, None where it is not
    stated; `left` the share of a peak, as the meter showed it, that is left at the next photo; `shown` the share of the true
    average that the meter shows where the gas is there for just that averaging time.
    """

    key: str
    window_min: float | None
    limit: str
    photos: int | None
    t90_s: float | None
    left: float | None
    shown: float | None
    fit: Fit


def plan_cadence(display: Display, interval_s: float, trial: Trial | None) -> Cadence | None:
    """Give what photos at this interval catch of one display; None for a quantity that no limit is about.

    The meter is taken as a first-order sensor: after a step it is short of it by 10 to the power of -t/t90.
    """
    limits = limits_for(key_kind(display.key))
    if not limits:
        return None
    shortest = _shortest(limits)
    t90_s = response_s(display, trial)
    window_s = None if shortest is None else 60 * float(shortest.averaging_min or 0)
    photos = None if window_s is None else int(window_s / interval_s + 1e-9)
    left = None if t90_s is None else 10 ** (-interval_s / t90_s)
    shown = None if t90_s is None or window_s is None else _shown(window_s, t90_s)
    return Cadence(
        display.key,
        None if window_s is None else window_s / 60,
        "" if shortest is None else shortest.label,
        photos,
        t90_s,
        left,
        shown,
        _worse(_fit(photos, ENOUGH, LEAST), _fit(left, LEFT_ENOUGH, LEFT_LEAST)),
    )


def response_s(display: Display, trial: Trial | None) -> float | None:
    """Give the time in which the meter shows 90 % of a change, as the trial states it. [s]"""
    kind = key_kind(display.key)
    if trial is None or kind is None:
        return None
    names = (*KIND_WORDS.get(kind, ()), kind, display.key)
    told = (one.response_t90_s for one in trial.instrument if one.name == display.instrument)
    return next((times[name] for times in told for name in names if times.get(name, 0) > 0), None)


def _shortest(limits: tuple[Limit, ...]) -> Limit | None:
    averages = [limit for limit in limits if limit.is_average and limit.is_of_one_night and limit.setting != "accident"]
    return min(averages, key=lambda limit: (limit.averaging_min, not limit.is_for_sleepers), default=None)


def _shown(window_s: float, t90_s: float) -> float:
    """Give the mean of 1 - exp(-t/T) over the window, T = t90 / ln 10: what the meter shows of a step as long as the window."""
    constant = t90_s / math.log(10)
    return 1 - constant / window_s * (1 - math.exp(-window_s / constant))


def _fit(value: float | None, enough: float, least: float) -> Fit:
    if value is None or value >= enough:
        return "good"
    return "borderline" if value >= least else "too long"


def _worse(one: Fit, other: Fit) -> Fit:
    order: tuple[Fit, ...] = ("good", "borderline", "too long")
    return max(one, other, key=order.index)
