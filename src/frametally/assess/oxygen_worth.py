"""The lowest oxygen of a night to what it was worth to a breath: partial pressure, equivalent altitude, the meter's setting.

Takes a study, a `Site` and a trial; gives the lowest reading and findings. A percent is a share; what a breath holds depends on
the air's pressure as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from frametally.assess.atmosphere import (
    ATMOSPHERE_SOURCE,
    HPA_PER_MMHG,
    OXYGEN_SHARE,
    SEA_LEVEL_HPA,
    WATER_IN_LUNGS_HPA,
    WEATHER_SHARE,
    Site,
    geopotential_of,
    oxygen_height,
    pressure_at,
)
from frametally.assess.climate import Climate, nearest
from frametally.assess.exposure import Bounded, known
from frametally.assess.study import Study
from frametally.assess.wording import capitalise, pick_frames, write_reading, write_when
from frametally.model import Finding, Trial

SHOWN_OUTDOORS = 20.9
"""What a meter is set to in fresh air (common practice, no source). [%]"""

SHARE_ONLY = (
    " None of this makes it mountain air: something took the oxygen's place, and the rules for work go by the percent, not by "
    "height."
)

CELL_SOURCE = "A galvanic cell's signal follows the partial pressure of oxygen (common practice, no source)"


@dataclass(frozen=True)
class Low:
    """The lowest settled reading [%], its row, and the meter's stated error there (None where not stated)."""

    value: float
    row: int
    error: float | None

    @property
    def bounds(self) -> Bounded:
        """What the air may have held, with the stated error. [%]"""
        error = self.error or 0.0
        return Bounded(max(self.value - error, 0.0), self.value, self.value + error)


def find_low(study: Study) -> Low:
    settled = np.flatnonzero(study.samples.settled)
    row = int(settled[np.argmin(study.samples.values[settled])])
    value = float(study.samples.values[row])
    return Low(value, row, study.facts.tolerance_at(value))


def when_in_text(study: Study, row: int) -> str:
    """When a row was, in the middle of a sentence."""
    words = write_when(study.timeline, row)
    return (words[:1].lower() + words[1:]).rstrip(",")


# --- partial pressure and equivalent altitude ------------------------------------------------------------------------


def equivalent_height(oxygen_pct: float, pressure_hpa: float) -> float:
    """Give the height at which dry fresh air holds as much oxygen as air of this share at this pressure. [m]"""
    return oxygen_height(oxygen_pct / 100 * pressure_hpa)


def inspired_oxygen(oxygen_pct: float, pressure_hpa: float, vapour_hpa: float = 0.0) -> float:
    """Give the oxygen pressure of a breath, made wet and warm on its way in (47 mmHg of water). [hPa]

    `vapour_hpa` is the water vapour that the air already held, which the display's share counts as air.
    """
    return oxygen_pct / 100 * pressure_hpa / (pressure_hpa - vapour_hpa) * (pressure_hpa - WATER_IN_LUNGS_HPA)


def water_at(study: Study, low: Low, climate: Climate | None) -> float | None:
    """Give the vapour pressure at the lowest reading. [hPa]"""
    place = place_near(study, low.row, climate)
    return None if climate is None or place is None else float(climate.vapour_pa[place]) / 100


def place_near(study: Study, row: int, climate: Climate | None) -> int | None:
    """Give the place in a climate that belongs to a row of an oxygen display; None where there is none."""
    if climate is None:
        return None
    place = int(nearest(climate, study.timeline.elapsed_min[[row]], study.curve.usual_interval_min)[0])
    return None if place < 0 else place


def _write_height(height: float) -> str:
    if math.isinf(height):
        return "more than 11 000 m"
    step = 10 if abs(height) < 3000 else 50
    return f"{step * math.floor(height / step + 0.5):d} m".replace("-", "−")


def describe_pressure(study: Study, low: Low, site: Site | None, vapour_hpa: float | None) -> Finding:
    pressure = SEA_LEVEL_HPA if site is None else site.pressure_hpa
    bounds = low.bounds
    heights = [equivalent_height(pct, pressure) for pct in (bounds.upper, bounds.middle, bounds.lower)]
    shown = write_reading(low.value, study.facts)
    spread = (
        f" (with the meter's stated error of {low.error:g} points, between {_write_height(heights[0])} and "
        f"{_write_height(heights[2])})"
        if low.error
        else " (the meter's error is not stated)"
    )
    head = f"{write_when(study.timeline, low.row)} {study.facts.source_name} showed {shown} oxygen, its lowest settled reading."
    head += _lower_words(study, low)
    if site is None:
        text = (
            f"{head} If the place lies at sea level, that is as much oxygen as fresh air holds at {_write_height(heights[1])} "
            f"above the sea{spread}. The higher the place, the less a percent is worth: with the altitude or the air pressure "
            f"stated, this is reckoned for the place.{SHARE_ONLY}"
        )
        title = f"Lowest oxygen, {shown}: like fresh air at {_write_height(heights[1])}, if the place lies at sea level"
    else:
        worth = f"{_pressure_words(low.value, site, vapour_hpa)} {_height_words(heights[1], site, spread)}"
        text = f"{head} {worth}.{_weather(site)}{SHARE_ONLY}"
        title = f"Lowest oxygen, {shown}: like fresh air at {_write_height(heights[1])} above sea level"
    return Finding(
        slug="oxygen-pressure",
        title=title,
        text=text,
        weight=47,
        key=study.facts.key,
        value=known(heights[1]),
        lower=known(heights[0]),
        upper=known(heights[2]),
        unit="m",
        evidence=pick_frames(study.timeline, [low.row]),
        sources=(ATMOSPHERE_SOURCE, *((site.source,) if site and site.is_stated else ())),
    )


def _lower_words(study: Study, low: Low) -> str:
    """Say that the oxygen may have been lower than the lowest settled reading, where it may."""
    lowest = study.lowest
    if lowest is None or lowest.possible >= low.value:
        return ""
    if math.isinf(lowest.possible):
        return " A meter was below what it can show that night, so that there was less than is told here."
    return f" A doubtful reading of {write_reading(lowest.possible, study.facts)} is not counted here: look at its photo."


def _pressure_words(shown: float, site: Site, vapour_hpa: float | None) -> str:
    here = shown / 100 * site.pressure_hpa
    fresh = OXYGEN_SHARE * site.pressure_hpa
    inspired, inspired_fresh = (inspired_oxygen(pct, site.pressure_hpa) for pct in (shown, 100 * OXYGEN_SHARE))
    wet = ""
    if vapour_hpa is not None:
        inspired = inspired_oxygen(shown, site.pressure_hpa, vapour_hpa)
        wet = " (the air's own water, which the display counts as air, taken off)"
    return (
        f"With {site.words}, the oxygen's share of that pressure was {here:.0f} hPa ({here / HPA_PER_MMHG:.0f} mmHg) instead "
        f"of {fresh:.0f} hPa in dry fresh air there. Wet and warm in the lungs it is {inspired:.0f} hPa instead of "
        f"{inspired_fresh:.0f} hPa{wet}."
    )


def _height_words(height: float, site: Site, spread: str) -> str:
    own = oxygen_height(OXYGEN_SHARE * site.pressure_hpa)
    higher = math.isfinite(height) and height - own >= 5
    return f"That is as much oxygen as fresh air holds at {_write_height(height)} above the sea{spread}" + (
        f"; {_write_height(height - own)} of that are the night's, the rest is the place's own height" if higher else ""
    )


def _weather(site: Site) -> str:
    if site.is_stated:
        return ""
    moves = oxygen_height(OXYGEN_SHARE * site.pressure_hpa * (1 - WEATHER_SHARE)) - oxygen_height(
        OXYGEN_SHARE * site.pressure_hpa
    )
    return (
        f" Weather moves the pressure by up to about {100 * WEATHER_SHARE:.0f} %, which is worth about "
        f"{_write_height(moves)}; a pressure read that night and stated in the trial takes that away."
    )


# --- where the meter was set -----------------------------------------------------------------------------------------


def shown_share(true_pct: float, pressure_hpa: float, set_at_hpa: float) -> float:
    """Give what a meter shows whose cell senses oxygen's pressure and that was set to 20.9 at another air pressure. [%]"""
    return true_pct * pressure_hpa / set_at_hpa


def set_height(study: Study, trial: Trial | None) -> float | None:
    told = trial.instrument if trial else ()
    return next((one.zeroed_at_altitude_m for one in told if one.name == study.facts.instrument), None)


def describe_setting(study: Study, site: Site | None, trial: Trial | None) -> Finding | None:
    """Say what the percent means, given where the meter was set to 20.9."""
    if site is None:
        return None
    height = set_height(study, trial)
    here = (
        f"Many oxygen cells feel the oxygen's pressure and show it as a percent of what they felt when set to {SHOWN_OUTDOORS} %."
    )
    if height is None:
        fresh = shown_share(SHOWN_OUTDOORS, site.pressure_hpa, SEA_LEVEL_HPA)
        text = (
            f"{here} Set in fresh air at this place, such a meter shows {SHOWN_OUTDOORS} % there, whatever a breath holds "
            f"({OXYGEN_SHARE * site.pressure_hpa:.0f} hPa of oxygen here, {OXYGEN_SHARE * SEA_LEVEL_HPA:.0f} hPa at sea "
            f"level). Set at sea level and carried here, it would show {fresh:.1f} % in fresh air. Where "
            f"{study.facts.source_name} was set is not stated; with zeroed_at_altitude_m in the trial this could be told."
        )
        return Finding(
            "oxygen-setting", "Where the oxygen meter was set is not known", text, 77, key=study.facts.key, sources=(CELL_SOURCE,)
        )
    set_at = pressure_at(geopotential_of(height))
    fresh = shown_share(SHOWN_OUTDOORS, site.pressure_hpa, set_at)
    low = find_low(study)
    true = low.value * set_at / site.pressure_hpa
    hides = true < low.value - 0.05
    text = (
        f"{here} {capitalise(study.facts.source_name)} was set at {height:g} m. If its cell is of that kind, it shows "
        f"{fresh:.1f} % in fresh air at this place, and the lowest reading of {low.value:.1f} % was in truth {true:.1f} % of "
        "the air. "
        + (
            "It makes the air look better than it is: set it again where it is used."
            if hides
            else "It makes the air look worse than it is, not better."
            if true > low.value + 0.05
            else "That makes no difference that the display could show."
        )
        + " If its cell feels the share itself (air enters it through a fine hole), the reading stands as shown."
    )
    return Finding(
        slug="oxygen-setting",
        title=f"An oxygen meter set at {height:g} m shows {fresh:.1f} % in fresh air here",
        text=text,
        weight=16 if hides else 58,
        tone="warning" if hides else "note",
        key=study.facts.key,
        value=known(true),
        unit="%",
        sources=(CELL_SOURCE, ATMOSPHERE_SOURCE),
    )
