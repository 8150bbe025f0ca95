"""The heat input that the trial states to what burning takes and gives in an hour."""

from __future__ import annotations

from dataclasses import dataclass

from frametally.assess.fuels import MOLAR_MASS, Fuel, burn, net_mj_per_kg
from frametally.assess.wording import capitalise
from frametally.model import Appliance, Finding, Trial

LITRES_PER_MOL = 24.055
"""A mole of gas at 20 °C and 1013 hPa (ideal gas). [L]"""


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


def tell_heat(heats: list[tuple[Appliance, Fuel]], trial: Trial | None) -> tuple[Finding, dict[str, object]]:
    """Say what each appliance takes and gives in an hour at its stated heat input."""
    parts, figures, total = [], [], [0.0, 0.0]
    for one, fuel in heats:
        kw = float(one.heat_input_kw or 0.0)
        bases = (one.heat_basis,) if one.heat_basis else ("gross", "net")
        uses = [hourly_use(fuel, kw, basis) for basis in bases]
        first, last = uses[0], uses[-1]
        total = [total[0] + first.oxygen_l, total[1] + last.oxygen_l]
        parts.append(
            f"{capitalise(one.name or 'the appliance')} at {kw:g} kW "
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
