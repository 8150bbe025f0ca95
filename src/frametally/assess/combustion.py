"""The oxygen that went, the fuel and the heat to what burning must have made: carbon dioxide and water nobody metered."""

from __future__ import annotations

from collections.abc import Sequence

from frametally.assess.burners import ask_fuel, find_burners
from frametally.assess.burnt_oxygen import tell_carbon_dioxide
from frametally.assess.burnt_water import tell_water
from frametally.assess.heat import tell_heat
from frametally.assess.implied import find_loss, imply_co2
from frametally.assess.signals import Signal, in_kinds_unit, lead_signal
from frametally.assess.study import Study
from frametally.assess.topic import Topic
from frametally.model import Finding, Trial


def describe_combustion(studies: Sequence[Study], trial: Trial | None) -> Topic:
    """Say what burning must have made, from the oxygen that went and from the heat that was stated."""
    burners = find_burners(trial)
    loss = find_loss(studies, trial)
    findings: list[Finding] = [*ask_fuel(burners)]
    figures: dict[str, object] = {}
    if loss is not None:
        people = trial.people.sleeping if trial else None
        outdoor = trial.outdoor.co2_ppm if trial else None
        carbon, metered = (None if one is None else in_kinds_unit(one)[0] for one in _leads(studies))
        implied = imply_co2(loss, burners.ratios(people), carbon, outdoor)
        finding, figures["carbon_dioxide"] = tell_carbon_dioxide(implied, burners, people, metered)
        findings.append(finding)
        water = tell_water(loss, burners, trial)
        if water is not None:
            findings.append(water[0])
            figures["water"] = water[1]
    heats = [one for one in burners.known if one[0].heat_input_kw is not None]
    if heats:
        told, figures["heat"] = tell_heat(heats, trial)
        findings.append(told)
    return Topic(tuple(findings), figures)


def _leads(studies: Sequence[Study]) -> tuple[Signal | None, Signal | None]:
    return lead_signal(studies, "co_ppm"), lead_signal(studies, "co2_ppm")
