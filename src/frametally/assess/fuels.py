"""A fuel's name to its make-up, and that to what it needs and gives when it burns: oxygen, carbon dioxide, water, heat.

A make-up is moles of each element in one kg. What burns is balanced element by element; the rest (ash, nitrogen, sulphur)
counts as not burning, which for coals leaves out about one hundredth of the oxygen.
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass

MOLAR_MASS = {"C": 12.011, "H": 1.008, "O": 15.999, "CO": 28.010, "CO2": 44.009, "H2O": 18.015, "O2": 31.998}
"""g/mol: standard atomic weights, abridged (IUPAC 2021), and their sums."""

STEAM_MJ_PER_MOL = 0.04401
"""Heat of evaporation of water at 25 °C: what separates gross from net heat (IAPWS; 44.01 kJ/mol, from memory)."""

HYDROCARBON_SOURCE = "Reaction balanced from its elements; gross heats of combustion after the NIST WebBook (from memory)"
TYPICAL_SOURCE = "Typical make-up and gross heat of a traded fuel (from memory; no two batches are alike)"


@dataclass(frozen=True)
class Makeup:
    """What one kg of fuel as burnt holds: moles of carbon, hydrogen, oxygen (bound in it) and free water; gross heat in MJ/kg."""

    carbon: float
    hydrogen: float
    oxygen: float
    gross_mj_per_kg: float
    water: float = 0.0


@dataclass(frozen=True)
class Products:
    """What burning one kg completely takes and gives. [mol]"""

    oxygen_mol: float
    carbon_dioxide_mol: float
    water_mol: float

    @property
    def co2_per_o2(self) -> float:
        """Moles of carbon dioxide made per mole of oxygen used."""
        return self.carbon_dioxide_mol / self.oxygen_mol

    @property
    def water_per_o2(self) -> float:
        """Moles of water vapour made (or driven off) per mole of oxygen used."""
        return self.water_mol / self.oxygen_mol


def burn(makeup: Makeup) -> Products:
    """Balance complete burning of one kg: carbon to CO2, hydrogen to water, oxygen from the fuel and the air."""
    return Products(
        oxygen_mol=makeup.carbon + makeup.hydrogen / 4 - makeup.oxygen / 2,
        carbon_dioxide_mol=makeup.carbon,
        water_mol=makeup.hydrogen / 2 + makeup.water,
    )


def net_mj_per_kg(makeup: Makeup) -> float:
    """Give the net heat: gross less the heat of the water that leaves as vapour. [MJ/kg]"""
    return makeup.gross_mj_per_kg - STEAM_MJ_PER_MOL * (makeup.hydrogen / 2 + makeup.water)


@dataclass(frozen=True)
class Fuel:
    """A fuel: its name in running text, other words for it, the usual make-up first and then how far it can differ."""

    name: str
    words: tuple[str, ...]
    makeups: tuple[Makeup, ...]
    source: str

    @property
    def usual(self) -> Makeup:
        """The make-up to reckon with first."""
        return self.makeups[0]

    def span(self, what: str) -> tuple[float, float, float]:
        """Give lowest, usual and highest of a figure of `Products` over the make-ups."""
        values = [float(getattr(burn(one), what)) for one in self.makeups]
        return min(values), values[0], max(values)


def of_formula(carbon: float, hydrogen: float, oxygen: float, gross_mj_per_kg: float) -> Makeup:
    """Give the make-up of a substance from its formula."""
    mass = carbon * MOLAR_MASS["C"] + hydrogen * MOLAR_MASS["H"] + oxygen * MOLAR_MASS["O"]
    return Makeup(1000 * carbon / mass, 1000 * hydrogen / mass, 1000 * oxygen / mass, gross_mj_per_kg)


def of_shares(carbon: float, hydrogen: float, oxygen: float, gross_mj_per_kg: float, moisture: float = 0.0) -> Makeup:
    """Give the make-up of a fuel from the mass shares of its dry part, the dry part's gross heat, and its moisture as burnt."""
    dry = 1 - moisture
    moles = [1000 * dry * share / MOLAR_MASS[e] for share, e in ((carbon, "C"), (hydrogen, "H"), (oxygen, "O"))]
    return Makeup(moles[0], moles[1], moles[2], dry * gross_mj_per_kg, 1000 * moisture / MOLAR_MASS["H2O"])


PROPANE = of_formula(3, 8, 0, 50.33)
BUTANE = of_formula(4, 10, 0, 49.51)
ISOBUTANE = of_formula(4, 10, 0, 49.36)
LPG = Makeup(*((a + b) / 2 for a, b in zip(vars(PROPANE).values(), vars(BUTANE).values(), strict=True)))

FUELS: tuple[Fuel, ...] = (
    Fuel("propane", ("propane", "propane gas", "c3h8"), (PROPANE,), HYDROCARBON_SOURCE),
    Fuel("butane", ("butane", "butane gas", "n-butane", "isobutane", "c4h10"), (BUTANE, ISOBUTANE), HYDROCARBON_SOURCE),
    Fuel(
        "liquefied gas (propane and butane)",
        ("lpg", "lp gas", "liquefied petroleum gas", "liquefied gas", "bottled gas", "bottle gas", "camping gas", "gas cartridge",
         "propane butane", "butane propane", "propane and butane", "butane and propane", "propane butane mix"),
        (LPG, PROPANE, BUTANE),
        HYDROCARBON_SOURCE,
    ),
    Fuel("natural gas", ("natural gas", "methane", "mains gas", "town main gas", "ch4", "lng", "cng"),
         (of_formula(1, 4, 0, 55.50), of_formula(1.07, 4.14, 0, 54.9)), HYDROCARBON_SOURCE),
    Fuel("paraffin", ("paraffin", "paraffin oil", "kerosene", "kerosine", "lamp oil", "petroleum"),
         (of_formula(1, 2, 0, 46.2), of_formula(1, 1.85, 0, 45.9), of_formula(12, 26, 0, 47.4)), TYPICAL_SOURCE),
    Fuel("diesel", ("diesel", "diesel oil", "diesel fuel", "gas oil", "red diesel", "heating oil"),
         (of_formula(1, 1.86, 0, 45.6), of_formula(1, 1.75, 0, 45.2), of_formula(1, 2.0, 0, 46.2)), TYPICAL_SOURCE),
    Fuel("petrol", ("petrol", "gasoline", "white gas", "naphtha", "white spirit", "stove fuel"),
         (of_formula(1, 1.9, 0, 46.5), of_formula(1, 1.7, 0, 45.5), of_formula(1, 2.25, 0, 47.8)), TYPICAL_SOURCE),
    Fuel("alcohol (ethanol)", ("ethanol", "bioethanol", "bio ethanol", "alcohol", "spirit", "methylated spirit",
                               "methylated spirits", "meths", "denatured alcohol"),
         (of_formula(2, 6, 1, 29.67), of_formula(1, 4, 1, 22.66)), HYDROCARBON_SOURCE),
    Fuel("wood", ("wood", "logs", "firewood", "seasoned wood", "seasoned logs", "dry wood", "kiln dried logs", "wood logs",
                  "wood pellets", "pellets", "wood briquettes", "oak", "ash logs", "beech", "birch"),
         (of_shares(0.50, 0.060, 0.43, 20.0, 0.18), of_shares(0.48, 0.062, 0.45, 19.2, 0.08),
          of_shares(0.53, 0.058, 0.40, 20.8, 0.35)), TYPICAL_SOURCE),
    Fuel("charcoal", ("charcoal", "barbecue charcoal", "lumpwood", "lumpwood charcoal", "charcoal briquettes"),
         (of_shares(0.89, 0.022, 0.04, 32.6), of_shares(0.97, 0.005, 0.01, 33.5), of_shares(0.78, 0.035, 0.12, 29.5, 0.05)),
         TYPICAL_SOURCE),
    Fuel("smokeless coal", ("smokeless coal", "smokeless fuel", "smokeless", "anthracite", "smokeless briquettes", "coke"),
         (of_shares(0.86, 0.030, 0.025, 32.6), of_shares(0.92, 0.010, 0.010, 32.8), of_shares(0.82, 0.040, 0.045, 32.4)),
         TYPICAL_SOURCE),
    Fuel("house coal", ("coal", "house coal", "bituminous coal", "steam coal"),
         (of_shares(0.80, 0.052, 0.08, 33.0), of_shares(0.86, 0.045, 0.03, 35.0), of_shares(0.70, 0.055, 0.17, 29.0, 0.05)),
         TYPICAL_SOURCE),
    Fuel("peat", ("peat", "turf", "peat briquettes"),
         (of_shares(0.55, 0.056, 0.33, 22.0, 0.15), of_shares(0.58, 0.060, 0.30, 23.5, 0.10),
          of_shares(0.52, 0.053, 0.36, 20.5, 0.30)), TYPICAL_SOURCE),
    Fuel("candle wax", ("candle wax", "candles", "candle", "tealights", "tea lights", "paraffin wax", "wax", "stearin"),
         (of_formula(25, 52, 0, 46.6), of_formula(18, 36, 2, 39.7)), TYPICAL_SOURCE),
    Fuel("hydrogen", ("hydrogen", "hydrogen gas", "h2"), (of_formula(0, 2, 0, 141.8),), HYDROCARBON_SOURCE),
)  # fmt: skip

NOT_BURNT = frozenset({"electric", "electricity", "mains electricity", "electric heater", "none", "no fuel", "solar"})
"""Words that say that nothing burns."""


def _normalise(word: str) -> str:
    """Small letters, no signs, single spaces."""
    return " ".join("".join(c if c.isalnum() else " " for c in word.casefold()).split())


_BY_WORD: dict[str, Fuel] = {_normalise(word): fuel for fuel in FUELS for word in (fuel.name, *fuel.words)}


def find_fuel(word: str) -> Fuel | None:
    """Give the fuel that a word names, whatever its case and signs; None where it names none of ours."""
    return _BY_WORD.get(_normalise(word))


def is_not_burnt(word: str) -> bool:
    """True where the word says that nothing burns."""
    return _normalise(word) in {_normalise(one) for one in NOT_BURNT}


def suggest_fuels(word: str) -> list[str]:
    """Give up to three known words that look like this one, else the names of all fuels."""
    near = difflib.get_close_matches(_normalise(word), _BY_WORD, n=3, cutoff=0.6)
    shared = [known for known in _BY_WORD if set(known.split()) & set(_normalise(word).split())]
    found = list(dict.fromkeys([*near, *shared]))[:3]
    return found or [fuel.name for fuel in FUELS]
