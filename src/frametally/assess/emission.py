"""An air change and the course of carbon monoxide to how much of it came into the room."""

from __future__ import annotations

import numpy as np

from frametally.assess.balance import BALANCE_SOURCE
from frametally.assess.exposure import Bounded
from frametally.assess.signals import burning_span
from frametally.assess.stretches import Gas, mean_excess
from frametally.assess.study import nearest_frames
from frametally.assess.wording import write_moment
from frametally.model import Finding, Trial

CO_G_PER_L = 28.010 / 24.055
"""Carbon monoxide at 20 °C. [g/L]"""


def emission_rate(minutes: np.ndarray, values: np.ndarray, outdoor: float, per_h: float, volume_m3: float) -> float:
    """Give how much of a gas came into the room on average: V ((C_end - C_start)/T + A mean(C - Cout)). ppm in, L/h out."""
    hours = float(minutes[-1] - minutes[0]) / 60
    ends = max(1, min(3, len(values) // 4))
    change = float(np.median(values[-ends:]) - np.median(values[:ends])) / hours
    return volume_m3 * 1e-3 * (change + per_h * mean_excess(minutes, values, outdoor))


def tell_emission(
    carbon: Gas, main: tuple[Bounded, tuple[float, float]], trial: Trial | None
) -> tuple[Finding, dict[str, object]]:
    """How much carbon monoxide came into the room in an hour, over the time that the air change was found for."""
    per_h, (start, stop) = main
    lead, outdoor = carbon.signal, carbon.outdoor or 0.0
    on, off = burning_span(lead.timeline, trial)
    start, stop = max(start, on if on is not None else start), min(stop, off if off is not None else stop)
    inside = (lead.minutes >= start) & (lead.minutes <= stop)
    volume = trial.space.volume_m3 if trial else None
    minutes, values = lead.minutes[inside], lead.values[inside]
    if inside.sum() < 4:
        minutes, values = lead.minutes, lead.values
    stated = lead.facts.accuracy
    level = float(values.mean())
    error = (carbon.scale * stated.at(level / carbon.scale) if stated else 2 * carbon.half_step) / max(level, 1e-9)
    size = volume if volume is not None else 1.0
    rates = [emission_rate(minutes, values, outdoor, a, size) for a in (per_h.lower, per_h.middle, per_h.upper)]
    bounds = Bounded(max(rates[0], 0) * max(1 - error, 0), max(rates[1], 0), max(rates[2], 0) * (1 + error))
    since, until = (write_moment(lead.timeline, float(m)) for m in (minutes[0], minutes[-1]))
    unit = "L/h" if volume is not None else "L/h per m³"
    digits = 2 if bounds.middle < 1 else 1
    span = f"{bounds.lower:.{digits}f} to {bounds.upper:.{digits}f}"
    if volume is not None:
        title = f"Carbon monoxide that came into the space: about {bounds.middle:.{digits}f} litres an hour"
        text = (
            f"To keep the readings of {since} to {until} up against the fresh air, about {bounds.middle:.{digits}f} litres of "
            f"carbon monoxide "
            f"an hour ({span}; {bounds.middle * CO_G_PER_L:.{digits}f} g) had to come into the {volume:g} m³ of the space on "
            f"average."
        )
    else:
        title = "Carbon monoxide that came into the space: the volume is needed"
        text = (
            f"In each cubic metre about {1000 * bounds.middle:.0f} ml of carbon monoxide an hour had to come in on average "
            f"from {since} to "
            f"{until}. With the volume of the space stated, this gives the rate of the whole source."
        )
    finding = Finding(
        "carbon-monoxide-source",
        title,
        text,
        53,
        key=lead.facts.key,
        value=bounds.middle,
        lower=bounds.lower,
        upper=bounds.upper,
        unit=unit,
        evidence=nearest_frames(lead.study, float(minutes[0]), float(minutes[-1])),
        sources=(BALANCE_SOURCE,),
    )
    return finding, {"co_l_per_h" if volume is not None else "co_l_per_h_m3": bounds.as_dict(), "from_min": start, "to_min": stop}
