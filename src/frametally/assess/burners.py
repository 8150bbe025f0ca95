"""The trial's appliances to what burnt: known fuels and what they may have made of the oxygen, and fuels to ask for."""

from __future__ import annotations

import math
from dataclasses import dataclass

from frametally.assess.fuels import Fuel, find_fuel, is_not_burnt, suggest_fuels
from frametally.assess.implied import BREATHING_RATIO
from frametally.assess.wording import write_list
from frametally.model import Appliance, Finding, Trial

ANY_FUEL = (0.5, math.nan, 1.0)
"""CO2 made per oxygen used, least and most of every fuel with carbon in it: methane and pure carbon."""


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


def ask_fuel(burners: Burners) -> list[Finding]:
    """Ask for each fuel whose words are not known here."""
    findings = []
    for word in burners.unknown:
        near = write_list([f'"{one}"' for one in suggest_fuels(word)])
        text = (
            f'The trial names the fuel "{word}", which is not known here; nothing was assumed. Words that '
            f"come near it, or all fuels: {near}. With a known fuel the carbon dioxide and the water it made can be reckoned."
        )
        findings.append(Finding("unknown-fuel", f"Which fuel is {word!r}?", text, 79, "note"))
    return findings
