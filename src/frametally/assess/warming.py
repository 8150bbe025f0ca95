"""The temperature displays to how warm the room was over a regime, which a constant source needs (see `balance`).

Where no display tells, the most that a heated room may have warmed or cooled stands in for it, and the interval takes it in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from frametally.assess.atmosphere import find_site
from frametally.assess.implied import SEA_LEVEL_HPA
from frametally.assess.samples import Floats
from frametally.assess.signals import Signal, lead_signal, smooth
from frametally.assess.stretches import Gas, Regime, build_courses, find_bursts_of, find_gases, find_water
from frametally.assess.study import Study
from frametally.assess.zonefit import ZoneFit, fit_zone
from frametally.model import Trial

KELVIN = 273.15
LONGEST_HOLE_MIN = 60.0
"""Hours with longer holes in the temperature count as not told (own choice). [min]"""

MOST_WARMER, MOST_COOLER = 15.0, 5.0
"""How far a room whose temperature nobody displays may have warmed or cooled while something was given off (own choice). [K]
A warming that is over sooner matters less than one that goes on."""

COOL_ROOM_K = 285.0
"""Temperature such a room starts from; what counts is the share by which it changes. [K]"""

Warmth = Callable[[Floats], Floats]
"""Minutes to the room's absolute temperature there. [K]"""


def find_warmths(temperature: Signal | None, regime: Regime) -> tuple[Warmth | None, ...]:
    """Give the ways the room's temperature may have gone: the one displayed, or three where none is: stayed, warmed, cooled.

    None stands for a temperature that stayed. Where nothing is given off it does not matter.
    """
    sources = [one for one in regime.stretches if not one.is_off]
    if not sources:
        return (None,)
    start, stop = sources[0].start_min, sources[-1].stop_min
    if temperature is not None:
        inside = temperature.minutes[(temperature.minutes > start) & (temperature.minutes < stop)]
        if np.diff(np.concatenate([[start], inside, [stop]])).max() <= LONGEST_HOLE_MIN:
            minutes, kelvin = temperature.minutes, smooth(temperature.values) + KELVIN
            return (lambda moments: np.interp(moments, minutes, kelvin),)

    def steadily(by: float) -> Warmth:
        return lambda moments: COOL_ROOM_K + by * np.clip((moments - start) / (stop - start), 0, 1)

    return None, steadily(MOST_WARMER), steadily(-MOST_COOLER)


@dataclass(frozen=True)
class Room:
    """What the displays say of a room's balance: gases, the leading one first; water vapour; bursts [min]; temperature."""

    gases: tuple[Gas, ...]
    water: Gas | None
    bursts: tuple[tuple[float, float], ...]
    temperature: Signal | None

    def fit(self, regime: Regime, gases: Sequence[Gas] | None = None) -> ZoneFit:
        """Give the air change of a regime from all gases (or some of them), whichever way the temperature may have gone."""
        taken = self.gases if gases is None else gases
        ways = find_warmths(self.temperature, regime)
        fits = [fit_zone(build_courses(taken, regime, self.bursts, way)) for way in ways]
        untold = next((one for one in fits if not one.is_told), None)
        if untold is not None:
            return untold
        return replace(fits[0], lower=min(one.lower for one in fits), upper=max(one.upper for one in fits))


def find_room(studies: Sequence[Study], trial: Trial | None) -> Room:
    """Give the room as its displays show it."""
    site, gases = find_site(trial), find_gases(studies, trial)
    water = find_water(studies, site.pressure_hpa if site else SEA_LEVEL_HPA)
    return Room(tuple(gases), water, tuple(find_bursts_of(gases)), lead_signal(studies, "temp_c", "temp_f"))
