"""The oxygen that went, the fuel and the heat to what burning must have made: carbon dioxide and water nobody metered."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.exposure import Bounded, known
from frametally.assess.fuels import MOLAR_MASS, Fuel, burn, find_fuel, is_not_burnt, net_mj_per_kg, suggest_fuels
from frametally.assess.implied import BREATHING_RATIO, ImpliedCO2, OxygenLoss, find_loss, gained_per_lost, hold_against, imply_co2
from frametally.assess.limits import Limit, limits_for
from frametally.assess.psychrometrics import PSYCHROMETRICS_SOURCE, vapour_pressure
from frametally.assess.signals import Signal, chart_series, interpolate, lead_signal
from frametally.assess.study import Study, nearest_frames
from frametally.assess.topic import Topic
from frametally.assess.wording import write_list, write_moment
from frametally.model import Appliance, Finding, Trial

IMPLIED_SOURCE = "Carbon dioxide from missing oxygen: elements balanced, dry air, one well-mixed room (own derivation)"
ANY_FUEL = (0.5, math.nan, 1.0)
"""CO2 made per oxygen used, least and most of every fuel with carbon in it: methane and pure carbon."""

LITRES_PER_MOL = 24.055
"""A mole of gas at 20 °C and 1013 hPa (ideal gas). [L]"""

GAS_CONSTANT = 8.314462618


@dataclass(frozen=True)
class Burners:
    """What the trial says burnt: known fuels with their appliances, words that name no fuel, and whether all have a flue."""

    known: tuple[tuple[Appliance, Fuel], ...]
    unknown: tuple[str, ...]
    is_silent: bool

    def ratios(self, people: int | None) -> tuple[float, float, float]:
        """CO2 made per oxygen used: least, usual, most; people who may have been in the room count towards the most."""
        if not self.known or self.unknown or self.is_silent:
            return ANY_FUEL
        spans = [fuel.span("co2_per_o2") for _, fuel in self.known]
        usual = spans[0][1] if len({fuel.name for _, fuel in self.known}) == 1 else math.nan
        breath = () if people == 0 else (BREATHING_RATIO,)
        least = min([low for low, _, _ in spans] + list(breath))
        return least, usual, max([high for _, _, high in spans] + list(breath))

    @property
    def flue_words(self) -> str:
        """What a flue means for the reckoning, as a sentence."""
        flues = {one.flue for one, _ in self.known}
        if flues == {True}:
            return (
                " With a flue, most of a stove's gases leave the space, and the oxygen they took leaves with them; what is "
                "missing "
                "from the air of the space is the mark of the gases that came in."
            )
        if None in flues:
            return (
                " Whether the appliance has a flue is not stated; it would tell which part of its gases should have stayed "
                "outside."
            )
        return ""


def find_burners(trial: Trial | None) -> Burners:
    """Sort the trial's appliances by whether their fuel is known."""
    known, unknown, silent = [], [], trial is None or not trial.appliance
    for one in trial.appliance if trial else ():
        fuel = find_fuel(one.fuel)
        if fuel is not None:
            known.append((one, fuel))
        elif not one.fuel:
            silent = True
        elif not is_not_burnt(one.fuel):
            unknown.append(one.fuel)
    return Burners(tuple(known), tuple(unknown), silent)


def describe_combustion(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Say what burning must have made, from the oxygen that went and from the heat that was stated."""
    burners = find_burners(trial)
    loss = find_loss(studies, trial)
    findings: list[Finding] = [*_ask_fuel(burners)]
    figures: dict[str, object] = {}
    if loss is not None:
        people = trial.people.sleeping if trial else None
        outdoor = trial.outdoor.co2_ppm if trial else None
        implied = imply_co2(loss, burners.ratios(people), lead_signal(studies, "co_ppm"), outdoor)
        metered = lead_signal(studies, "co2_ppm")
        finding, figures["carbon_dioxide"] = _tell_co2(implied, burners, people, metered)
        findings.append(finding)
        water = _tell_water(loss, burners, trial)
        if water is not None:
            findings.append(water[0])
            figures["water"] = water[1]
    heats = [one for one in burners.known if one[0].heat_input_kw is not None]
    if heats:
        told, figures["heat"] = _tell_heat(heats, trial)
        findings.append(told)
    return Topic(tuple(findings), figures)


def _ask_fuel(burners: Burners) -> list[Finding]:
    findings = []
    for word in burners.unknown:
        near = write_list([f'"{one}"' for one in suggest_fuels(word)])
        text = (
            f'The trial names the fuel "{word}", which is not known here; nothing was assumed. Words that '
            f"come near it, or all fuels: {near}. With a known fuel the carbon dioxide and the water it made can be reckoned."
        )
        findings.append(Finding("unknown-fuel", f"Which fuel is {word!r}?", text, 79, "note"))
    return findings


def _hundreds(value: float) -> str:
    """A reckoned concentration, rounded to what it can bear."""
    step = 100 if value >= 1000 else 10
    return f"{round(value / step) * step:,.0f} ppm"


def _tell_co2(
    implied: ImpliedCO2, burners: Burners, people: int | None, metered: Signal | None
) -> tuple[Finding, dict[str, object]]:
    loss = implied.loss
    place = loss.at_worst
    peak = Bounded(float(implied.least.max()), float(implied.middle[place]), float(implied.most.max()))
    moment = write_moment(loss.signal.timeline, float(loss.minutes[place]))
    limits = [] if metered is not None else list(limits_for("co2_ppm"))
    figures_for = {length: hold_against(implied, length) for length in {limit.averaging_min for limit in limits}}
    held = [(limit, figures_for[limit.averaging_min]) for limit in limits]
    results = [(limit, bounds, _verdict(bounds, limit)) for limit, bounds in held]
    over = [one for one in results if one[2] == "exceeds"]
    unsettled = [one for one in results if one[2] == "undecided"]
    span = f"{_hundreds(peak.lower).removesuffix(' ppm')} to {_hundreds(peak.upper)}"
    head = f"about {_hundreds(peak.middle)} ({span})" if math.isfinite(peak.middle) else f"{span}"
    title = "Carbon dioxide " + ("reckoned from the oxygen" if metered is not None else "that nobody metered") + f": {head}"
    text = _explain_loss(loss, place) + (
        f" For {_what_burnt(burners, people)} this means {head} of carbon dioxide at {moment}"
        f"{'' if metered is None else ' ' + _compare(metered, implied, place)}."
    )
    text += _write_results(over, unsettled, len(results)) + burners.flue_words + _write_basis(implied, burners, people)
    worst = (over or unsettled or [None])[0]  # type: ignore[list-item]
    verdict = "exceeds" if over else "undecided" if unsettled else "does not exceed" if results else ""
    finding = Finding(
        slug="implied-carbon-dioxide",
        title=title,
        text=text,
        weight={"exceeds": 6, "undecided": 26}.get(verdict, 46),
        tone="warning" if over or any(bounds.middle > limit.value for limit, bounds, _ in unsettled) else "note",
        key=loss.signal.facts.key,
        value=known(peak.middle),
        lower=known(peak.lower),
        upper=known(peak.upper),
        unit="ppm",
        limit=worst[0].id if worst else "",
        verdict=verdict,
        evidence=nearest_frames(loss.signal.study, float(loss.minutes[place])),
        sources=tuple(
            dict.fromkeys([IMPLIED_SOURCE, *(fuel.source for _, fuel in burners.known), *([worst[0].citation] if worst else [])])
        ),
    )
    figures: dict[str, object] = {
        "highest_ppm": peak.as_dict(),
        "oxygen_missing_pct": Bounded(*(float(v[place]) for v in (loss.least, loss.middle, loss.most))).as_dict(),
        "fresh_air_reading_pct": loss.fresh,
        "outdoor_co2_ppm": implied.outdoor_ppm,
        "against_limits": [
            {"limit": limit.id, "level": limit.value, "verdict": verdict_of, **bounds.as_dict()}
            for limit, bounds, verdict_of in results
        ],
        "series": chart_series(loss.minutes, lower_ppm=implied.least, middle_ppm=implied.middle, upper_ppm=implied.most),
    }
    return finding, figures


def _verdict(bounds: Bounded, limit: Limit) -> str:
    if bounds.lower > limit.value:
        return "exceeds"
    return "does not exceed" if bounds.upper <= limit.value else "undecided"


def _explain_loss(loss: OxygenLoss, place: int) -> str:
    facts = loss.signal.facts
    reading = float(interpolate(loss.signal, loss.minutes[place : place + 1])[0])
    fresh = (
        f"the {loss.fresh:.1f} % it showed in the freshest air of the night"
        if loss.is_fresh_shown
        else "the 20.9 % that fresh air should show (this night it never showed that, so its own zero is not known)"
    )
    text = f"{facts.source_name[:1].upper() + facts.source_name[1:]} fell to {reading:.1f} % of oxygen, from {fresh}."
    if loss.climate is not None:
        text += " Water vapour in the air is taken out of this;"
    else:
        text += " Humidity was not measured beside it, so the least value allows for oxygen that water vapour pushed aside;"
    text += f" {loss.middle[place]:.2f} points of oxygen were used up ({loss.least[place]:.2f} to {loss.most[place]:.2f} with "
    return text + (
        "the maker's stated error)." if loss.is_tolerance_stated else "one step of the display; the maker's error is not stated)."
    )


def _what_burnt(burners: Burners, people: int | None) -> str:
    if not burners.known or burners.unknown or burners.is_silent:
        return "any fuel with carbon in it (the fuel is not known)"
    names = write_list(list(dict.fromkeys(fuel.name for _, fuel in burners.known)))
    return names if people == 0 else f"{names}, or people breathing,"


def _compare(metered: Signal, implied: ImpliedCO2, place: int) -> str:
    shown = float(interpolate(metered, implied.loss.minutes[place : place + 1])[0])
    if not math.isfinite(shown):
        return "(the carbon dioxide meter showed nothing settled then)"
    inside = implied.least[place] <= shown <= implied.most[place]
    return (
        f"({metered.facts.source_name} showed {shown:,.0f} ppm then, which {'fits' if inside else 'does not fit'}; what "
        f"was measured counts)"
    )


def _write_results(over: list[tuple[Limit, Bounded, str]], unsettled: list[tuple[Limit, Bounded, str]], count: int) -> str:
    def names(group: list[tuple[Limit, Bounded, str]]) -> str:
        values = list(dict.fromkeys(one.value for one, _, _ in group))
        labels = [", ".join(one.label for one, _, _ in group if one.value == value) for value in values]
        return write_list([f"{value:,g} ppm ({label})" for value, label in zip(values, labels, strict=True)])

    text = ""
    if over:
        text += f" Even the least of it is more than these limits for carbon dioxide: {names(over)}."
    if unsettled:
        text += f" It may or may not be more than: {names(unsettled)}."
    if count and len(over) + len(unsettled) < count:
        text += f" {count - len(over) - len(unsettled)} further limits for carbon dioxide lie above it."
    return text


def _write_basis(implied: ImpliedCO2, burners: Burners, people: int | None) -> str:
    text = (
        ""
        if implied.is_outdoor_stated
        else f" Outdoor air was taken to hold {implied.outdoor_ppm:g} ppm; the trial does not state it."
    )
    if people is None:
        text += (
            " Whether people slept there is not stated; their breath gives more carbon dioxide for the same oxygen than "
            "most gases do."
        )
    if not burners.known:
        text += " With the fuel stated, the range would be narrower."
    return text + " This is reckoned, not measured: only a carbon dioxide meter can show it."


def _tell_water(loss: OxygenLoss, burners: Burners, trial: Trial | None) -> tuple[Finding, dict[str, object]] | None:
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


@dataclass(frozen=True)
class HourlyUse:
    """What a heat input takes and gives in an hour; oxygen and CO2 in litres at 20 °C, fuel in kg, water in g."""

    fuel_kg: float
    oxygen_l: float
    carbon_dioxide_l: float
    water_g: float


def hourly_use(fuel: Fuel, heat_kw: float, basis: str) -> HourlyUse:
    """Give what burning completely takes and gives in an hour, from the heat input [kW] and its basis, "net" or "gross"."""
    heat = fuel.usual.gross_mj_per_kg if basis == "gross" else net_mj_per_kg(fuel.usual)
    kg, made = heat_kw * 3.6 / heat, burn(fuel.usual)
    return HourlyUse(
        kg,
        kg * made.oxygen_mol * LITRES_PER_MOL,
        kg * made.carbon_dioxide_mol * LITRES_PER_MOL,
        kg * made.water_mol * MOLAR_MASS["H2O"],
    )


def _tell_heat(heats: list[tuple[Appliance, Fuel]], trial: Trial | None) -> tuple[Finding, dict[str, object]]:
    parts, figures, total = [], [], [0.0, 0.0]
    for one, fuel in heats:
        kw = float(one.heat_input_kw or 0.0)
        bases = (one.heat_basis,) if one.heat_basis else ("gross", "net")
        uses = [hourly_use(fuel, kw, basis) for basis in bases]
        first, last = uses[0], uses[-1]
        total = [total[0] + first.oxygen_l, total[1] + last.oxygen_l]
        parts.append(
            f"{one.name or 'The appliance'} at {kw:g} kW "
            f"({one.heat_basis or 'gross or net is not stated, so both are given'}) burns "
            f"{_range(first.fuel_kg, last.fuel_kg, 2)} kg of {fuel.name} an hour, which takes "
            f"{_range(first.oxygen_l, last.oxygen_l, 0)} "
            f"litres of oxygen and makes {_range(first.carbon_dioxide_l, last.carbon_dioxide_l, 0)} litres of carbon dioxide and "
            f"{_range(first.water_g, last.water_g, 0)} g of water"
        )
        figures += [
            {
                "appliance": one.name,
                "fuel": fuel.name,
                "heat_kw": kw,
                "basis": basis,
                "fuel_kg_per_h": use.fuel_kg,
                "oxygen_l_per_h": use.oxygen_l,
                "carbon_dioxide_l_per_h": use.carbon_dioxide_l,
                "water_g_per_h": use.water_g,
            }
            for basis, use in zip(bases, uses, strict=True)
        ]
    text = ". ".join(parts) + "."
    flues = {one.flue for one, _ in heats}
    volume = trial.space.volume_m3 if trial else None
    if flues == {True}:
        text += (
            " It has a flue: those gases should go up it, and the air that feeds the fire must come in from outside all the time."
        )
    elif flues == {False} and volume is not None:
        low, high = (100 * litres / 1000 / volume for litres in total)
        text += (
            f" It has no flue, so all of this happens in the room: without fresh air the {volume:g} m³ would lose "
            f"{_range(low, high, 2)} points of oxygen every hour."
        )
    elif flues == {False}:
        text += (
            " It has no flue, so all of this happens in the room; with the volume stated one could tell how fast its oxygen goes."
        )
    else:
        text += (
            " Whether it has a flue is not stated for all: with one, the gases should leave; without one, they all stay "
            "in the room."
        )
    source = tuple(dict.fromkeys(fuel.source for _, fuel in heats))
    finding = Finding(
        "oxygen-for-the-heat",
        f"Oxygen the stated heat needs: {_range(total[0], total[1], 0)} litres an hour",
        text,
        56,
        "note",
        value=total[-1],
        lower=min(total),
        upper=max(total),
        unit="L/h",
        sources=("Elements balanced; ideal gas at 20 °C", *source),
    )
    return finding, {"appliances": figures}


def _range(a: float, b: float, decimals: int) -> str:
    low, high = f"{min(a, b):.{decimals}f}", f"{max(a, b):.{decimals}f}"
    return low if low == high else f"{low} to {high}"
