"""Two instruments on one quantity to how far they agree: the lag between them found and taken out, bias and limits of agreement.

Method of Bland and Altman (Lancet 1986; Stat Methods Med Res 1999): the differences' mean and mean ± 1.96 standard deviations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from frametally.assess.samples import Floats
from frametally.assess.signals import Signal, interpolate, thin

LONGEST_LAG_MIN = 30.0
MOST_PAIRS = 2000
LEAST_PAIRS = 10
AGREEMENT_SOURCE = "Limits of agreement, bias ± 1.96 standard deviations of the differences (Bland and Altman 1986, 1999)"


@dataclass(frozen=True)
class Agreement:
    """Differences of two instruments, the first less the second, in the unit of the readings.

    `bias` is their mean, `deviation` their standard deviation, `lower` and `upper` the limits of agreement, `bias_error` and
    `limit_error` the standard errors of the bias and of a limit, which hold for independent pairs.
    """

    pairs: int
    bias: float
    deviation: float
    lower: float
    upper: float
    bias_error: float
    limit_error: float


def bland_altman(first: Floats, second: Floats) -> Agreement:
    """Compare paired readings; differences are the first less the second.

    Raises
    ------
    ValueError
        Fewer than two pairs, or not as many of one as of the other.
    """
    if len(first) != len(second) or len(first) < 2:
        raise ValueError(f"{len(first)} and {len(second)} readings make no pairs to compare; two pairs or more are needed")
    difference = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    bias, deviation = float(difference.mean()), float(difference.std(ddof=1))
    count = len(difference)
    return Agreement(
        count,
        bias,
        deviation,
        bias - 1.96 * deviation,
        bias + 1.96 * deviation,
        deviation / math.sqrt(count),
        deviation * math.sqrt(3 / count),
    )


@dataclass(frozen=True)
class Compared:
    """Two displays side by side: the second one's lag behind the first [min], and their agreement with the lag taken out."""

    lag_min: float
    agreement: Agreement
    raw: Agreement
    minutes: Floats
    first: Floats
    second: Floats


def find_lag(first: Signal, second: Signal) -> float:
    """Give by how much the second signal runs behind the first: the shift with the least spread of differences. [min]

    0 where the shift makes no difference that counts: less than a tenth of the variance.
    """
    step = max(first.step_min, second.step_min)
    if step <= 0:
        return 0.0
    reach = min(LONGEST_LAG_MIN, float(first.minutes[-1] - first.minutes[0]) / 4)
    shifts = np.arange(-math.floor(reach / step * 4), math.floor(reach / step * 4) + 1) * step / 4
    if len(shifts) > 241:
        shifts = np.linspace(-reach, reach, 241)
    minutes, values = thin(first.minutes, first.values, MOST_PAIRS)
    inside = (minutes >= max(first.minutes[0], second.minutes[0]) + reach) & (minutes <= second.minutes[-1] - reach)
    if inside.sum() < LEAST_PAIRS:
        return 0.0
    minutes, values = minutes[inside], values[inside]
    spreads = np.array([_spread(values - interpolate(second, minutes + shift)) for shift in shifts])
    if not np.isfinite(spreads).any():
        return 0.0
    best = int(np.nanargmin(spreads))
    none = int(np.argmin(np.abs(shifts)))
    return float(shifts[best]) if spreads[best] < 0.9 * spreads[none] else 0.0


def _spread(difference: Floats) -> float:
    known = difference[np.isfinite(difference)]
    return float(known.var()) if len(known) >= LEAST_PAIRS else math.nan


def compare(first: Signal, second: Signal) -> Compared | None:
    """Compare two displays of one quantity; None where fewer than ten readings pair up."""
    lag = find_lag(first, second)
    raw = _pair(first, second, 0.0)
    lagged = _pair(first, second, lag) if lag else raw
    if raw is None or lagged is None:
        return None
    minutes, a, b = lagged
    return Compared(lag, bland_altman(a, b), bland_altman(raw[1], raw[2]), minutes, a, b)


def _pair(first: Signal, second: Signal, lag: float) -> tuple[Floats, Floats, Floats] | None:
    other = interpolate(second, first.minutes + lag)
    known = np.isfinite(other)
    if known.sum() < LEAST_PAIRS:
        return None
    return first.minutes[known], first.values[known], other[known]
