"""The courses of the gases in the room to its air change, and that to what it means: how much gas came, and other nights."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from frametally.assess.balance import BALANCE_SOURCE
from frametally.assess.emission import tell_emission
from frametally.assess.exposure import Bounded
from frametally.assess.implied import OUTDOOR_CO2_PPM
from frametally.assess.projection import project
from frametally.assess.signals import Signal, lead_signal, readings_per_point
from frametally.assess.steady import SteadyChange, find_steady_change
from frametally.assess.stretches import Regime, find_regimes, turned_regime
from frametally.assess.study import Study, nearest_frames
from frametally.assess.topic import Topic
from frametally.assess.warming import MOST_COOLER, MOST_WARMER, Room, find_room, find_warmths
from frametally.assess.wording import write_list, write_moment
from frametally.assess.zonefit import MOST_POINTS, ZoneFit
from frametally.model import Finding, Trial

INTERVAL_SOURCE = "95 % interval: profile of the joint fit, readings counted by how independent they are"

GAS_WORDS = {"co_ppm": "carbon monoxide", "co2_ppm": "carbon dioxide", "o2_pct": "oxygen"}


@dataclass(frozen=True)
class Told:
    """A regime with the air change found in it, from rise or fall alone where those tell, from water where that tells one (it
    does not count), and how the source was taken."""

    regime: Regime
    fit: ZoneFit
    alone: dict[str, ZoneFit]
    water: ZoneFit | None
    is_source_assumed: bool


def describe_air_change(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Say how often the air was replaced, how much carbon monoxide came, and what that means for other nights."""
    lead = lead_signal(studies, "co_ppm") or lead_signal(studies, "co2_ppm") or lead_signal(studies, "o2_pct")
    if lead is None or len(lead.minutes) < 4:
        return Topic()
    room = find_room(studies, trial)
    told = [_fit_regime(regime, room, lead) for regime in find_regimes(lead, trial)]
    steady = find_steady_change(studies, trial)
    findings = [_tell_regime(one, room, lead, steady if place == 0 else None) for place, one in enumerate(told)]
    if steady is not None:
        findings.append(_tell_steady(steady, lead))
    figures: dict[str, object] = {"regimes": [_regime_figures(one, room) for one in told]}
    if steady is not None:
        figures["steady"] = {"per_h": steady.per_h.as_dict(), "from_min": steady.start_min, "to_min": steady.stop_min}
    main = _main_change(told, steady)
    carbon = next((gas for gas in room.gases if gas.kind == "co_ppm"), None)
    if main is not None and carbon is not None:
        emission, figures["emission"] = tell_emission(carbon, main, trial)
        findings.append(emission)
    people, figures["other_nights"] = project(lead, carbon, None if main is None else (main[1], main[0]), trial, OUTDOOR_CO2_PPM)
    findings += people
    return Topic(tuple(findings), figures)


def _fit_regime(regime: Regime, room: Room, lead: Signal) -> Told:
    """The joint fit of a regime, first with the source as the trial tells it, then with the turns of the readings."""
    fit = room.fit(regime)
    # Only air that nothing is given off to any more, or a flush of fresh air, tells the air change without trusting the flame.
    assumed = not regime.is_opened and not any(one.is_off for one in regime.stretches[1:])
    turned = None if fit.is_told and regime.is_source_known else turned_regime(regime, lead)
    if turned is not None:
        second = room.fit(turned)
        # A fit that allows for the turns is believed before one that ignores them, unless it tells nothing.
        if second.is_told:
            regime, fit, assumed = turned, second, True
        elif not regime.is_source_known and fit.is_told:
            fit = replace(second, reason=second.reason or "it depends on how the source is taken to have changed")
    alone = _fit_parts(regime, room, lead) if len(regime.stretches) > 1 else {}
    told = {name: part for name, part in alone.items() if part.is_told}
    if fit.is_told:
        fit = replace(fit, reason=_contradiction(fit, told, assumed))
    water = None if room.water is None else room.fit(regime, [room.water])
    return Told(regime, fit, told, water if water is not None and water.is_told else None, assumed)


def _fit_parts(regime: Regime, room: Room, lead: Signal) -> dict[str, ZoneFit]:
    """What the leading gas says in each stretch by itself, by the words for the stretch."""
    parts = {}
    for place, stretch in enumerate(regime.stretches):
        if stretch.is_off and place == 0:
            continue  # before anything burnt there is nothing to thin out
        part = replace(regime, start_min=stretch.start_min, stop_min=stretch.stop_min, stretches=(stretch,))
        name = "the fall after the appliance was out" if stretch.is_off else "the time"
        since, until = (write_moment(lead.timeline, m) for m in (stretch.start_min, stretch.stop_min))
        parts[f"{name} from {since} to {until}"] = room.fit(part, room.gases[:1])
    return parts


def _contradiction(fit: ZoneFit, alone: dict[str, ZoneFit], is_source_assumed: bool) -> str:
    """Why a joint fit that looks sharp is not to be believed; "" where nothing speaks against it."""
    for name, part in alone.items():
        if part.lower > fit.upper or part.upper < fit.lower:
            return (
                f"all readings together ask for {write_rate(fit.lower)} to {write_rate(fit.upper)} an hour, but {name} by "
                f"itself for "
                f"{write_rate(part.lower)} to {write_rate(part.upper)}, so the source or the air change did not stay the same"
            )
    if is_source_assumed:
        return (
            "no time is known in which nothing was given off, and a source that changes looks just like an air change. Had the "
            f"source been steady between the turns, it would be {write_rate(fit.lower)} to {write_rate(fit.upper)} an hour, "
            "but a burner that fades or flares can put that far off"
        )
    return ""


def _main_change(told: Sequence[Told], steady: SteadyChange | None) -> tuple[Bounded, tuple[float, float]] | None:
    """The air change that the night itself stood for: the longest regime that tells one, else the steady balance."""
    known = [one for one in told if one.fit.is_told and not one.regime.is_opened]
    if known:
        best = max(known, key=lambda one: one.regime.stop_min - one.regime.start_min)
        return Bounded(best.fit.lower, best.fit.value, best.fit.upper), (best.regime.start_min, best.regime.stop_min)
    if steady is not None and math.isfinite(steady.per_h.upper):
        return steady.per_h, (steady.start_min, steady.stop_min)
    return None


def write_rate(value: float) -> str:
    """Write an air change with two figures that count."""
    return f"{value:.2f}" if value < 1 else f"{value:.1f}" if value < 10 else f"{value:.0f}"


def _tell_regime(one: Told, room: Room, lead: Signal, steady: SteadyChange | None) -> Finding:
    regime, fit = one.regime, one.fit
    since, until = (write_moment(lead.timeline, m) for m in (regime.start_min, regime.stop_min))
    when = f"{regime.words} ({since} to {until})"
    kinds = {gas.key: GAS_WORDS[gas.kind] for gas in room.gases}
    used = write_list(list(dict.fromkeys(kinds[c.key] for c in fit.courses)))
    left = [kinds[key] for key in dict.fromkeys(fit.left_out) if key not in {c.key for c in fit.courses}]
    if fit.is_told:
        span = f"{write_rate(fit.lower)} to {write_rate(fit.upper)}"
        title = f"Air change: about {write_rate(fit.value)} an hour {regime.words}"
        text = (
            f"From {since} to {until} ({regime.words}), fresh air replaced the air of the space about {write_rate(fit.value)} "
            f"times an "
            f"hour (95 % interval {span}), by the course of {used}."
        )
        for name, part in one.alone.items():
            if part.is_told:
                text += (
                    f" From the {name} alone: {write_rate(part.value)} ({write_rate(part.lower)} to {write_rate(part.upper)})."
                )
        text += _assumption(one)
        if len(find_warmths(room.temperature, regime)) > 1:
            text += (
                " No temperature was displayed throughout, and a room that warms makes a source look stronger; the interval "
                f"allows for {MOST_WARMER:g} °C warmer or {MOST_COOLER:g} °C colder."
            )
    else:
        title = f"Air change: cannot be told from this night, {regime.words}"
        text = f"How often fresh air replaced the air of the space cannot be told {when}: {fit.reason}."
        text += _what_would_help(one, steady)
    if left:
        text += (
            f" {write_list(left).capitalize()} did not follow the same course or moved too little, and "
            f"{'was' if len(left) == 1 else 'were'} left out."
        )
    if one.water is not None:
        text += (
            f" The water vapour by itself would ask for {write_rate(one.water.lower)} to {write_rate(one.water.upper)} an hour; "
            "walls, bedding and cold panes take water up and give it back, so it is not counted."
        )
    if fit.courses and (blocks := _readings_per_point(one, room)) > 1:
        text += f" For this, every {blocks} readings of the long series were averaged into one."
    number, lower, upper = (fit.value, fit.lower, fit.upper) if fit.is_told else (math.nan, math.nan, math.nan)
    return Finding(
        slug="air-change",
        title=title,
        text=text,
        weight=52,
        key=lead.facts.key,
        value=_or_none(number),
        lower=_or_none(lower),
        upper=_or_none(upper),
        unit="per hour",
        evidence=nearest_frames(lead.study, regime.start_min, regime.stop_min),
        sources=(BALANCE_SOURCE, INTERVAL_SOURCE),
    )


def _readings_per_point(one: Told, room: Room) -> int:
    """How many readings of the fullest series were averaged into one before the fit."""
    inside = [
        int(np.count_nonzero((g.signal.minutes >= one.regime.start_min) & (g.signal.minutes <= one.regime.stop_min)))
        for g in room.gases
    ]
    return readings_per_point(max(inside, default=0), MOST_POINTS)


def _or_none(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _assumption(one: Told) -> str:
    if one.regime.is_opened:
        return " That is with things opened; closed, it was another night."
    return " This takes the source to have been steady while the appliance burned."


def _what_would_help(one: Told, steady: SteadyChange | None) -> str:
    if one.regime.is_source_known and any(s.is_off for s in one.regime.stretches[1:]):
        return " A longer series after the appliance is out would tell it: the gas then only thins out."
    if steady is not None:
        return " The balance of the steady hours below tells what it can."
    return (
        " What would tell it: readings that go on for an hour or two after the appliance is out, with its times in the trial; "
        "or the "
        "heat input of an appliance without a flue, its fuel and the volume of the space."
    )


def _regime_figures(one: Told, room: Room) -> dict[str, object]:
    fit = one.fit
    alone = one.alone if one.water is None else {**one.alone, "water vapour": one.water}
    return {
        "from_min": one.regime.start_min,
        "to_min": one.regime.stop_min,
        "is_opened": one.regime.is_opened,
        "is_told": fit.is_told,
        "reason": fit.reason,
        "per_h": {"lower": fit.lower, "middle": _or_none(fit.value), "upper": _or_none(fit.upper)},
        "used": [c.key for c in fit.courses],
        "left_out": [key for key in dict.fromkeys(fit.left_out) if key not in {c.key for c in fit.courses}],
        "misfit": {c.key: c.rms for c in fit.courses},
        "independent_readings": {c.key: c.freedom for c in fit.courses},
        "alone_per_h": {
            name: {"lower": p.lower, "middle": _or_none(p.value), "upper": _or_none(p.upper)} for name, p in alone.items()
        },
        "readings_per_point": _readings_per_point(one, room),
        "source_changes_min": [s.start_min for s in one.regime.stretches[1:]],
    }


def _tell_steady(steady: SteadyChange, lead: Signal) -> Finding:
    since, until = (write_moment(lead.timeline, m) for m in (steady.start_min, steady.stop_min))
    upper = f" to {write_rate(steady.per_h.upper)}" if math.isfinite(steady.per_h.upper) else " or more"
    text = (
        f"From {since} to {until} the oxygen stayed {steady.loss.middle:.2f} points under fresh air ({steady.loss.lower:.2f} to "
        f"{steady.loss.upper:.2f}) while the stated heat used {steady.litres_per_h.middle:.0f} litres of it an hour. That "
        f"balance needs "
        f"about {write_rate(steady.per_h.middle)} air changes an hour ({write_rate(steady.per_h.lower)}{upper}). It holds "
        f"only if the heat "
        "input was as stated and nothing else used oxygen."
    )
    return Finding(
        "air-change-steady",
        f"Air change by the oxygen balance: about {write_rate(steady.per_h.middle)} an hour",
        text,
        52,
        key=lead.facts.key,
        value=steady.per_h.middle,
        lower=steady.per_h.lower,
        upper=_or_none(steady.per_h.upper),
        unit="per hour",
        evidence=nearest_frames(lead.study, steady.start_min, steady.stop_min),
        sources=(BALANCE_SOURCE, steady.source),
    )
