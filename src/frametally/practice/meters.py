"""Takes a quantity of the cabin air over time and a meter's figures; gives the texts its display shows.

A meter lags (first order, stated as the time to 90 % of a step), is noisy, rounds to its resolution and ends at its range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from frametally.practice.zone import Series


@dataclass(frozen=True)
class Meter:
    """One display's measuring side: key and quantity as in the calibration, figures as its maker would state them.

    `accuracy_absolute` and `accuracy_relative` as in the calibration; `t90_s` the response time; `noise` the scatter of
    single readings (standard deviation, display's unit); `offset` and `gain` this one's own error within its accuracy.
    """

    key: str
    quantity: str
    unit: str
    label: str
    mask: str
    span: tuple[float, float]
    resolution: float
    accuracy_absolute: float
    accuracy_relative: float
    t90_s: float
    noise: float
    offset: float = 0.0
    gain: float = 1.0

    @property
    def decimals(self) -> int:
        """Places behind the point."""
        return len(self.mask.partition(".")[2])


def lag(values: Series, step_s: float, t90_s: float) -> Series:
    """Give what a first-order sensor makes of a series: after a step it has gone 90 % of the way in `t90_s`."""
    if t90_s <= 0:
        return values.copy()
    keep = math.exp(-step_s * math.log(10) / t90_s)
    out = np.empty_like(values)
    state = float(values[0])
    for k, value in enumerate(values):
        state = value + (state - value) * keep
        out[k] = state
    return out


def _scatter(count: int, noise: float, rng: np.random.Generator) -> Series:
    """Give noise with a quick and a slow part, as sensors have."""
    quick = rng.normal(0, noise * 0.6, count)
    slow = np.empty(count)
    state = 0.0
    for k, push in enumerate(rng.normal(0, noise * 0.8 * math.sqrt(1 - 0.9**2), count)):
        state = 0.9 * state + push
        slow[k] = state
    return quick + slow


def round_half_up(value: float, resolution: float) -> float:
    """Round to a multiple of the resolution, halves away from zero, as displays do."""
    return math.copysign(math.floor(abs(value) / resolution + 0.5) * resolution, value)


def show(value: float, meter: Meter) -> str:
    """Give the text on the display: the rounded value, "OL" above the range, "Lo" below it."""
    rounded = round_half_up(value, meter.resolution)
    tolerance = meter.resolution * 1e-6
    if rounded > meter.span[1] + tolerance:
        return "OL"
    if rounded < meter.span[0] - tolerance:
        return "Lo"
    text = f"{rounded:.{meter.decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text


def indicate(true: Series, step_s: float, every: int, meter: Meter, rng: np.random.Generator) -> tuple[list[str], Series]:
    """Give the texts of every `every`-th step, and the unrounded values behind them. Gas meters do not show below zero,
    humidity meters stop at the ends of their range without a word (common practice, no source).
    """
    sensed = lag(true, step_s, meter.t90_s)[::every] * meter.gain + meter.offset
    sensed = sensed + _scatter(len(sensed), meter.noise, rng)
    if meter.span[0] >= 0 and meter.unit in ("ppm", "%"):
        sensed = np.maximum(sensed, 0.0)
    if meter.quantity == "relative humidity":
        sensed = np.clip(sensed, *meter.span)
    return [show(float(v), meter) for v in sensed], sensed
