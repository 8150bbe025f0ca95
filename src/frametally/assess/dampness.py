"""Room air and what is known of the cold surfaces to findings about dew, frost and damp on them.

Takes a `Climate` and a trial; gives findings and figures. Where no surface was measured, the truth is held between a surface as
cold as outdoors and one as warm as the room.
"""

from __future__ import annotations

import numpy as np

from frametally.assess.climate import Climate, clock, pick
from frametally.assess.exposure import Bounded, known
from frametally.assess.psychrometrics import PSYCHROMETRICS_SOURCE, dew_point, temperature_holding
from frametally.assess.samples import Floats
from frametally.assess.surfaces import (
    FACTOR_SOURCE,
    MOULD_RH_PCT,
    SURFACE_SOURCE,
    USUAL_FACTOR,
    factor_needed,
    minutes_damp,
    minutes_wet,
    surface_temperature,
)
from frametally.assess.wording import capitalise, write_minutes
from frametally.model import Finding, Trial

NIGHT_ONLY = "Mould goes by the mean over weeks, so that one night only says for how many hours it was damp enough."


def describe_surfaces(climate: Climate, trial: Trial | None) -> list[Finding]:
    measured = trial.space.coldest_surface_c if trial else None
    outdoors = trial.outdoor.temp_c if trial else None
    if measured is not None:
        return [_describe_measured(climate, measured)]
    # Where it was warmer outdoors than inside, the outdoors say nothing of how cold a surface was.
    if outdoors is None or outdoors >= climate.temp_c.max():
        return [_describe_unknown_surface(climate)]
    return [_describe_bounded(climate, outdoors)]


def _describe_measured(climate: Climate, surface: float) -> Finding:
    course = np.full(climate.rows.size, surface)
    damp = minutes_damp(climate, course, MOULD_RH_PCT)
    frost = surface < 0
    wet = minutes_wet(climate, course, frost=frost)
    word = "frost" if frost else "water"
    text = (
        f"The coldest inside surface was stated as {surface:g} °C, which is taken for the whole night. By "
        f"{climate.source_name}, {word} settled on it {_write_time(wet)}, and the air at it stood above {MOULD_RH_PCT:g} % "
        f"{_write_time(damp)}, out of {write_minutes(climate.span_min)}. {NIGHT_ONLY}"
    )
    return _surface_finding(
        climate, f"{capitalise(word)} on the coldest surface: {_write_time(wet)}", text, wet, (SURFACE_SOURCE,)
    )


def _describe_bounded(climate: Climate, outdoors: float) -> Finding:
    """No surface was measured: say what would have happened on one as cold as outdoors, and on a usual cold spot."""
    room = climate.temp_c
    usual, worst = (np.minimum(surface_temperature(room, outdoors, factor), room) for factor in (USUAL_FACTOR, 0.0))
    wet_usual, damp_usual = minutes_wet(climate, usual), minutes_damp(climate, usual, MOULD_RH_PCT)
    wet_worst, damp_worst = minutes_wet(climate, worst), minutes_damp(climate, worst, MOULD_RH_PCT)
    place = int(np.argmax(climate.vapour_pa))
    vapour = float(climate.vapour_pa[place])
    point = float(dew_point(vapour))
    kind = "frost or water" if (worst < 0).any() else "water"
    text = (
        f"No inside surface was measured. By {climate.source_name} and {outdoors:g} °C outdoors (one value for the whole "
        f"night): on bare metal or glass as cold as outdoors {kind} settled {_write_time(wet_worst)}, and its air stood above "
        f"{MOULD_RH_PCT:g} % {_write_time(damp_worst)}; under a clear sky metal can be colder still. On a cold spot that "
        f"keeps {100 * USUAL_FACTOR:.0f} % of the difference between room and outdoors (f_Rsi 0.70, the least that a German "
        f"rule for dwellings asks) {kind} settled {_write_time(wet_usual)}, and its air stood above {MOULD_RH_PCT:g} % "
        f"{_write_time(damp_usual)}. {_factor_words(climate, place, outdoors, point)} {NIGHT_ONLY} Measure the coldest "
        "surface (coldest_surface_c in the trial) to have one answer."
    )
    title = f"{capitalise(kind)} on bare metal or glass as cold as outdoors: {_write_time(wet_worst)}"
    # The coldest surface lies somewhere between the room's warmth and the cold outdoors.
    wet = Bounded(minutes_wet(climate, room).lower, wet_usual.middle, wet_worst.upper)
    return _surface_finding(climate, title, text, wet, (SURFACE_SOURCE, FACTOR_SOURCE), (place,))


def _factor_words(climate: Climate, place: int, outdoors: float, point: float) -> str:
    """What a surface needs at the dampest moment."""
    room, vapour = float(climate.temp_c[place]), float(climate.vapour_pa[place])
    dry = factor_needed(room, vapour, outdoors, 100.0)
    firm = factor_needed(room, vapour, outdoors, MOULD_RH_PCT)
    head = f"When the air held most water ({clock(climate, place)}), everything colder than {point:.1f} °C got wet"
    if dry is None or firm is None:
        return f"{head}."
    if firm >= 1:
        return (
            f"{head} (f_Rsi below {dry:.2f}); the room's own air was above {MOULD_RH_PCT:g} %, and so was the air at every "
            "surface no warmer than the room."
        )
    warm = float(temperature_holding(vapour, MOULD_RH_PCT))
    return (
        f"{head} (f_Rsi below {dry:.2f}), and the air at everything colder than {warm:.1f} °C stood above {MOULD_RH_PCT:g} % "
        f"(f_Rsi below {firm:.2f})."
    )


def _describe_unknown_surface(climate: Climate) -> Finding:
    place = int(np.argmax(climate.vapour_pa))
    vapour = float(climate.vapour_pa[place])
    point, warm = float(dew_point(vapour)), float(temperature_holding(vapour, MOULD_RH_PCT))
    text = (
        f"At {clock(climate, place)}, when the air held most water, it settled on everything colder than {point:.1f} °C, and "
        f"the air at everything colder than {warm:.1f} °C stood above {MOULD_RH_PCT:g} %. Whether anything was so cold is not "
        "known: state the coldest inside surface, or at least the temperature outdoors where that is the colder side, to "
        "have the hours told."
    )
    return Finding(
        slug="moisture-surface",
        title=f"Everything colder than {point:.1f} °C got wet; how cold the surfaces were is not known",
        text=text,
        weight=72,
        key=climate.humidity.facts.key,
        value=known(point),
        unit="°C",
        evidence=pick(climate, place),
        sources=(SURFACE_SOURCE, PSYCHROMETRICS_SOURCE),
    )


def _surface_finding(
    climate: Climate, title: str, text: str, wet: Bounded, sources: tuple[str, ...], places: tuple[int, ...] = ()
) -> Finding:
    return Finding(
        slug="moisture-surface",
        title=title,
        text=text + ("" if climate.has_errors else " The meters' errors are not stated and not counted."),
        weight=56 if wet.middle > 0 else 71,
        tone="warning" if wet.lower > 0 else "note",
        key=climate.humidity.facts.key,
        value=known(wet.middle),
        lower=known(wet.lower),
        upper=known(wet.upper),
        unit="min",
        evidence=pick(climate, *places),
        sources=(*sources, PSYCHROMETRICS_SOURCE),
    )


def _write_time(time: Bounded) -> str:
    least, middle, most = (write_minutes(value) for value in (time.lower, time.middle, time.upper))
    if time.upper < 0.5:
        return "at no time"
    if time.middle < 0.5:
        return f"in no reading, at most for {most}"
    return f"for {middle}" if least == most else f"for {middle} (at least {least}, at most {most})"


def surface_figures(climate: Climate, measured: float | None, outdoors: float | None) -> list[dict[str, object]]:
    """Times of damp, dew and frost on the measured surface, or on bounding ones. [min]"""
    courses: list[tuple[str, Floats]] = []
    if measured is not None:
        courses.append(("measured", np.full(climate.rows.size, measured)))
    elif outdoors is not None:
        for name, factor in (
            ("as cold as outdoors", 0.0),
            (f"f_Rsi {USUAL_FACTOR:.2f}", USUAL_FACTOR),
            ("as warm as the room", 1.0),
        ):
            courses.append((name, np.minimum(surface_temperature(climate.temp_c, outdoors, factor), climate.temp_c)))
    return [
        {
            "surface": name,
            "coldest_c": float(course.min()),
            "minutes_above_80_pct": minutes_damp(climate, course, MOULD_RH_PCT).as_dict(),
            "minutes_dew": minutes_wet(climate, course, frost=False).as_dict(),
            "minutes_frost": minutes_wet(climate, course, frost=True).as_dict(),
        }
        for name, course in courses
    ]
