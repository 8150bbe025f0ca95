"""Carbon monoxide breathed over time to carboxyhaemoglobin: the nonlinear equation of Coburn, Forster and Kane.

Takes pieces of time with constant carbon monoxide [ppm] and the figures of a person; gives carboxyhaemoglobin [% of the
haemoglobin]. Coburn, Forster and Kane, J. Clin. Invest. 44 (1965) 1899, full form: what carbon monoxide has taken is gone
for oxygen. Inspired carbon monoxide is that of air made wet and warm in the lungs (47 mmHg of water).

With u the part of the blood that still carries oxygen, the equation over a piece is du/dt = -(a + b) + b m / u. Its exact
solution, with w = u (a + b) / (b m) - 1 at the piece's start and s its shrinking, is s + w (1 - exp(-s)) = t (a + b)² / (b m).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.samples import Floats

WATER_MMHG = 47.0
SEA_LEVEL_MMHG = 760.0
OUTDOOR_OXYGEN = 0.21
"""Share of oxygen in fresh air, as rounded in the published parameter set."""

LEAST_CAPILLARY_MMHG = 40.0
"""Below this oxygen pressure in the capillaries the equation's premise, blood full of gas, no longer holds. [mmHg]"""

NEWTON_ENOUGH = 1e-5
"""Last step of Newton's method: what is left is its square, 1e-10 of a time constant."""

MOST_PPM = 100_000.0
"""More carbon monoxide than this is no air that anyone breathes for long enough to reckon with. [ppm]"""

CFK_SOURCE = "Coburn, Forster and Kane, J. Clin. Invest. 44 (1965) 1899-1910, full nonlinear form"
PARAMETER_SOURCE = (
    "Parameters: Peterson and Stewart, Arch. Environ. Health 21 (1970) 165, and NIOSH 1972 (from memory); OSHA laboratory method "
    "(blood volume 5500 mL, endogenous 0.007 mL/min, seen in copies)"
)


@dataclass(frozen=True)
class Person:
    """What the equation must know of a person.

    `diffusing` is the lungs' diffusing capacity [mL/(min mmHg)], `breathing` the alveolar ventilation [mL/min],
    `blood_ml` the blood volume, `haldane` how many times better haemoglobin holds carbon monoxide than oxygen,
    `capillary_mmhg` the oxygen pressure in the lungs' capillaries at sea level, `capacity` the oxygen that blood can
    carry [mL/mL], `own` the carbon monoxide that the body makes [mL/min], `start_pct` the carboxyhaemoglobin at the start.
    """

    words: str
    diffusing: float
    breathing: float
    blood_ml: float = 5500.0
    haldane: float = 218.0
    capillary_mmhg: float = 100.0
    capacity: float = 0.2
    own: float = 0.007
    start_pct: float = 0.75


RESTING = Person("resting adult", 30.0, 6000.0)
"""Sedentary set, the quicker of the two published for rest, so that it does not flatter."""
SLOW = Person("resting adult, slower published set", 20.0, 4957.0)
LIGHT = Person("lightly active adult", 40.0, 18000.0)
HEAVY = Person("adult at hard work", 60.0, 30000.0)


class Crowd:
    """Several persons in the same place: their figures as arrays, so that all are stepped at once.

    `pressure_mmhg` is the station pressure. [mmHg]
    """

    def __init__(self, persons: Sequence[Person], pressure_mmhg: float = SEA_LEVEL_MMHG) -> None:
        def column(name: str) -> Floats:
            return np.array([getattr(person, name) for person in persons], dtype=float)

        self.wet_mmhg = pressure_mmhg - WATER_MMHG
        resistance = 1 / column("diffusing") + self.wet_mmhg / column("breathing")
        self.per_mmhg = 1 / (column("blood_ml") * resistance)
        self.own = column("own") / column("blood_ml")
        self.haldane = column("haldane")
        self.capillary = column("capillary_mmhg")
        self.capacity = column("capacity")
        self.start_pct = column("start_pct")

    def course(self, length_min: Floats, ppm: Floats, oxygen: Floats | float = OUTDOOR_OXYGEN) -> Floats:
        """Give everyone's carboxyhaemoglobin at the start and after each piece. [%]

        Parameters
        ----------
        length_min : array (pieces,)
            How long each piece lasts. [min]
        ppm : array (pieces,) or (pieces, persons)
            Carbon monoxide in it. [ppm]
        oxygen : float or array (pieces,) or (pieces, persons)
            Share of oxygen in the air; less of it leaves more haemoglobin to carbon monoxide.

        Returns
        -------
        array (pieces + 1, persons)
        """
        pieces = len(length_min)
        amount = np.clip(np.asarray(ppm, dtype=float).reshape(pieces, -1), 0, MOST_PPM)
        share = np.broadcast_to(oxygen, (pieces,))[:, None] if np.ndim(oxygen) < 2 else np.asarray(oxygen, dtype=float)
        # The alveolar gas relation: the capillaries lose what the breath lacks against fresh air at sea level.
        lacking = OUTDOOR_OXYGEN * (SEA_LEVEL_MMHG - WATER_MMHG) - share * self.wet_mmhg
        capillary = np.maximum(self.capillary - lacking, LEAST_CAPILLARY_MMHG)
        gain = self.own + amount * 1e-6 * self.wet_mmhg * self.per_mmhg
        loss = self.per_mmhg * capillary / self.haldane
        at_rest = loss * self.capacity / (gain + loss)
        time = np.asarray(length_min, dtype=float)[:, None] * (gain + loss) / at_rest
        free = np.empty((pieces + 1, len(self.own)))
        free[0] = self.capacity * (1 - self.start_pct / 100)
        for piece in range(pieces):
            w = free[piece] / at_rest[piece] - 1
            free[piece + 1] = at_rest[piece] * (1 + w * np.exp(-_shrink(w, time[piece])))
        return 100 * (1 - free / self.capacity)


def _shrink(w: Floats, time: Floats) -> Floats:
    """Solve s + w (1 - exp(-s)) = time for s, where w > -1: Newton's method, which nears the root from one side only."""
    s = time / (1 + w)
    for _ in range(60):
        rest = np.exp(-s) * w
        step = (time - s - w + rest) / (1 + rest)
        s += step
        # The error that is left goes with the square of the step.
        if step.max() < NEWTON_ENOUGH and step.min() > -NEWTON_ENOUGH:
            break
    return s
