"""The oxygen that went and the fuel to the water that burning must have made, against the water that was found in the air."""

from __future__ import annotations

import numpy as np

from frametally.assess.burners import Burners
from frametally.assess.exposure import Bounded
from frametally.assess.fuels import MOLAR_MASS, burn
from frametally.assess.implied import IMPLIED_SOURCE, OxygenLoss, gained_per_lost
from frametally.assess.psychrometrics import PSYCHROMETRICS_SOURCE, vapour_pressure
from frametally.assess.signals import Signal, interpolate
from frametally.model import Finding, Trial

GAS_CONSTANT = 8.314462618


def tell_water(loss: OxygenLoss, burners: Burners, trial: Trial | None) -> tuple[Finding, dict[str, object]] | None:
    """Water that burning made against water found; None without humidity, outdoor air or a known fuel."""
    climate = loss.climate
    if climate is None or trial is None or not burners.known or burners.unknown or burners.is_silent:
        return None
    if trial.outdoor.temp_c is None or trial.outdoor.rh_pct is None:
        return None
    busy = loss.middle >= max(0.5 * float(loss.middle.max()), 1e-9)
    if float(loss.middle.max()) <= loss.tolerance / 2:
        return None
    pressure = 100 * loss.pressure_hpa
    outdoor_pa = float(vapour_pressure(trial.outdoor.temp_c, trial.outdoor.rh_pct))
    air_mol = pressure / (GAS_CONSTANT * (float(np.mean(climate.temp_c)) + 273.15))
    grams = air_mol * MOLAR_MASS["H2O"]

    def found(vapour: np.ndarray) -> float:
        at = interpolate(Signal(climate.humidity, climate.elapsed_min, vapour), loss.minutes[busy])
        return float(np.nanmean(at / (pressure - at)) - outdoor_pa / (pressure - outdoor_pa)) * grams

    spans = [fuel.span("water_per_o2") for _, fuel in burners.known]
    dry = burn(burners.known[0][1].usual)
    factor = gained_per_lost(dry.co2_per_o2) / dry.co2_per_o2 if dry.co2_per_o2 else 1 / (1 - 0.209476)
    made = Bounded(
        min(s[0] for s in spans) * float(loss.least[busy].mean()) / 100 * factor * grams,
        spans[0][1] * float(loss.middle[busy].mean()) / 100 * factor * grams,
        max(s[2] for s in spans) * float(loss.most[busy].mean()) / 100 * factor * grams,
    )
    there = Bounded(found(climate.vapour_least_pa), found(climate.vapour_pa), found(climate.vapour_most_pa))
    volume = trial.space.volume_m3
    room = (
        "" if volume is None else f" (in {volume:g} m³: {made.middle * volume:.0f} g made, {there.middle * volume:.0f} g found)"
    )
    if there.lower > made.upper:
        story = "More water was in the air than the burning explains: people, a kettle, wet clothes or damp gave the rest."
    elif there.upper < made.lower:
        story = (
            "Less water was in the air than the burning made: the rest settled on cold surfaces or went into linings and bedding."
        )
    else:
        story = "Within the errors of the instruments the two agree."
    text = (
        f"While most oxygen was missing, the gases in the room stood for {made.middle:.1f} g of water from burning in each "
        f"cubic metre "
        f"({made.lower:.1f} to {made.upper:.1f}); the air held {there.middle:.1f} g more than outdoors ({there.lower:.1f} to "
        f"{there.upper:.1f}){room}. {story}"
    )
    finding = Finding(
        "water-made-and-found",
        f"Water from burning: {made.middle:.1f} g/m³ made, {there.middle:.1f} g/m³ found",
        text,
        54,
        "note",
        key=climate.humidity.facts.key,
        value=there.middle,
        lower=there.lower,
        upper=there.upper,
        unit="g/m³",
        sources=(IMPLIED_SOURCE, PSYCHROMETRICS_SOURCE, burners.known[0][1].source),
    )
    return finding, {"made_g_per_m3": made.as_dict(), "found_g_per_m3": there.as_dict(), "volume_m3": volume}
