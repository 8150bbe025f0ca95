"""The fall of a night's oxygen to the part that water vapour explains: vapour takes the place of air.

Takes a study of oxygen, its lowest reading, a `Climate` and a `Site`; gives a `WaterPart` and a finding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from frametally.assess.atmosphere import OXYGEN_SHARE, SEA_LEVEL_HPA, Site
from frametally.assess.climate import Climate, nearest
from frametally.assess.exposure import Bounded, known
from frametally.assess.oxygen_worth import SHOWN_OUTDOORS, Low, place_near, when_in_text
from frametally.assess.psychrometrics import PSYCHROMETRICS_SOURCE
from frametally.assess.study import Study
from frametally.assess.wording import capitalise, pick_frames
from frametally.model import Finding


@dataclass(frozen=True)
class WaterPart:
    """How much of the fall from the highest to the lowest settled reading the air's water explains. [points of oxygen]"""

    drop: float
    high_row: int
    low_row: int
    vapour_high_hpa: float
    vapour_low_hpa: float
    part: Bounded
    since_dry: float


def dilution(vapour_hpa: float, pressure_hpa: float) -> float:
    """Give by how much water vapour lowers the oxygen of otherwise fresh air: O2 wet = O2 dry (p - e)/p. [points]"""
    return 100 * OXYGEN_SHARE * vapour_hpa / pressure_hpa


def explain_by_water(study: Study, low: Low, climate: Climate | None, site: Site | None) -> WaterPart | None:
    """Compare the lowest reading with the highest settled one that has a humidity beside it."""
    place_low = place_near(study, low.row, climate)
    if climate is None or place_low is None:
        return None
    settled = np.flatnonzero(study.samples.settled)
    places = nearest(climate, study.timeline.elapsed_min[settled], study.curve.usual_interval_min)
    highest = int(np.argmax(np.where(places >= 0, study.samples.values[settled], -np.inf)))
    high_row, place_high = int(settled[highest]), int(places[highest])
    drop = float(study.samples.values[high_row]) - low.value
    if drop <= 0:
        return None
    pressure = SEA_LEVEL_HPA if site is None else site.pressure_hpa
    least, shown, most = (np.asarray(one) / 100 for one in (climate.vapour_least_pa, climate.vapour_pa, climate.vapour_most_pa))
    part = Bounded(
        dilution(float(least[place_low] - most[place_high]), pressure),
        dilution(float(shown[place_low] - shown[place_high]), pressure),
        dilution(float(most[place_low] - least[place_high]), pressure),
    )
    since_dry = dilution(float(shown[place_low]), pressure)
    return WaterPart(drop, high_row, low.row, float(shown[place_high]), float(shown[place_low]), part, since_dry)


def describe_water(study: Study, water: WaterPart | None, site: Site | None, climate: Climate | None) -> Finding | None:
    if water is None:
        if climate is not None or study.curve.span_min <= 0:
            return None
        text = (
            "Water vapour takes the place of air: at 20 °C and 50 % humidity clean air holds 0.25 points of oxygen less than "
            "dry air. Temperature and humidity were not both read beside the oxygen; with them, the part of the fall that is "
            "only water could be told."
        )
        return Finding("oxygen-water", "How much of the oxygen's fall was water vapour cannot be told", text, 78)
    part = water.part
    if part.middle >= 0.005:
        told = f"explains about {part.middle:.2f} points of it"
    elif part.middle <= -0.005:
        told = f"would by itself have raised the reading by about {-part.middle:.2f} points"
    else:
        told = "explains nothing of it"
    bounds = (
        f" (between {_signed(part.lower)} and {_signed(part.upper)} points if the stated errors of both meters are used up "
        "both ways)"
        if climate is not None and climate.has_errors
        else " (the meters' errors are not stated)"
    )
    rest = water.drop - part.middle
    left = "Nearly all of the fall is left" if abs(part.middle) < 0.05 else f"About {rest:.1f} points are left"
    where = "" if site is not None else " The air pressure is taken as at sea level, for neither altitude nor pressure is stated."
    text = (
        f"{capitalise(study.facts.source_name)} showed {study.samples.values[water.high_row]:.1f} % "
        f"{when_in_text(study, water.high_row)} and {study.samples.values[water.low_row]:.1f} % "
        f"{when_in_text(study, water.low_row)}: {water.drop:.1f} points less. Water vapour takes the place of air: its "
        f"pressure was {water.vapour_high_hpa:.1f} hPa at the higher and {water.vapour_low_hpa:.1f} hPa at the lower reading, "
        f"which {told}{bounds}. {left} for what burned and breathed. Against dry air, the vapour at the lowest reading takes "
        f"{water.since_dry:.2f} points; how much of that the meter shows depends on the air in which it was set to "
        f"{SHOWN_OUTDOORS} %.{where}"
    )
    return Finding(
        slug="oxygen-water",
        title=f"Of the oxygen's fall by {water.drop:.1f} points, water vapour explains {max(part.middle, 0):.2f} points",
        text=text,
        weight=57,
        key=study.facts.key,
        value=known(part.middle),
        lower=known(part.lower),
        upper=known(part.upper),
        unit="% O2",
        evidence=pick_frames(study.timeline, [water.high_row, water.low_row]),
        sources=("O2 wet = O2 dry (p - e)/p, Dalton's law", PSYCHROMETRICS_SOURCE),
    )


def _signed(value: float) -> str:
    return f"{value:.2f}".replace("-", "−") if round(value, 2) else "0.00"
