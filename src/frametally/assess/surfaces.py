"""Room air and a surface's temperature to the damp on that surface: its relative humidity, dew, frost.

Takes a `Climate` and a surface temperature [°C] or a temperature factor; gives times [min] with bounds. Definitions of
ISO 13788: f_Rsi = (surface - outdoors) / (room - outdoors), 1 for a surface as warm as the room, 0 for one as cold as outdoors.
"""

from __future__ import annotations

import numpy as np

from frametally.assess.climate import Climate, measured_pieces, minutes_where
from frametally.assess.exposure import Bounded
from frametally.assess.psychrometrics import Numbers, dew_point, saturation_at_surface, saturation_over_water, temperature_holding
from frametally.assess.samples import Floats

MOULD_RH_PCT = 80.0
"""Humidity at a surface above which mould can grow if it lasts: a mean over a month, not a night (ISO 13788, 5.3). [%]"""

USUAL_FACTOR = 0.70
"""Least temperature factor that DIN 4108-2 asks of a dwelling's cold spots (seen in a third-party summary)."""

SURFACE_SOURCE = (
    "ISO 13788:2012 and BS 5250 (definitions, seen in third-party pages); mould from 80 %: ISO 13788, 5.3, IEA Annex 14"
)
FACTOR_SOURCE = "DIN 4108-2: f_Rsi of at least 0.70 (seen in a third-party page)"


def surface_temperature(room_c: Numbers, outdoors_c: Numbers, factor: float) -> Numbers:
    """Give the temperature of a surface with this temperature factor. [°C]"""
    return np.asarray(outdoors_c, dtype=float) + factor * (np.asarray(room_c, dtype=float) - np.asarray(outdoors_c, dtype=float))


def surface_humidity(vapour_pa: Numbers, surface_c: Numbers) -> Numbers:
    """Give the relative humidity at a surface; above 100 where water settles. [%]"""
    return 100 * np.asarray(vapour_pa, dtype=float) / saturation_over_water(surface_c)


def factor_needed(room_c: float, vapour_pa: float, outdoors_c: float, rh_pct: float) -> float | None:
    """Give the temperature factor below which a surface stands above a relative humidity; None where outdoors is not colder.

    More than 1 means that the room's own air is above it, so that no surface as warm as the room helps.
    """
    if room_c <= outdoors_c:
        return None
    return (float(temperature_holding(vapour_pa, rh_pct)) - outdoors_c) / (room_c - outdoors_c)


def minutes_damp(climate: Climate, surface_c: Floats, rh_pct: float) -> Bounded:
    """Give the time for which a surface stood above a relative humidity. [min]

    The lower value takes the stated errors dry and gaps as dry, the upper one the errors damp and gaps as damp.
    """
    limit = np.asarray(saturation_over_water(surface_c)) * rh_pct / 100
    return _minutes_over(climate, limit)


def minutes_wet(climate: Climate, surface_c: Floats, *, frost: bool | None = None) -> Bounded:
    """Give the time for which water settled on a surface; only as frost (below 0 °C) or only as dew, where asked. [min]"""
    counts = np.full(len(surface_c), True) if frost is None else (np.asarray(surface_c) < 0) == frost
    limit = np.where(counts, saturation_at_surface(surface_c), np.inf)
    return _minutes_over(climate, limit, can_be=bool(counts.any()))


def _minutes_over(climate: Climate, limit_pa: Floats, *, can_be: bool = True) -> Bounded:
    # Differences of logarithms, so that rows without a limit (infinity) stay far below instead of not a number.
    def over(vapour: Floats) -> float:
        return minutes_where(climate, np.maximum(np.log(np.maximum(vapour, 1e-9)) - np.log(limit_pa), -50.0))

    length, measured = measured_pieces(climate)
    hole = climate.span_min - float(length[measured].sum())
    time = climate.span_min - hole
    middle = over(climate.vapour_pa)
    whole = middle / time * climate.span_min if time > 0 else float("nan")
    least = over(climate.vapour_least_pa)
    most = over(climate.vapour_most_pa) + (hole if can_be else 0.0)
    return Bounded(min(least, whole), whole, max(most, whole)) if time > 0 else Bounded(least, whole, most)


def dew_point_of(climate: Climate) -> Floats:
    """Give the dew point row by row. [°C]"""
    return np.asarray(dew_point(climate.vapour_pa))
