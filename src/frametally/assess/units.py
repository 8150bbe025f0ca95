"""An amount of a gas in one unit to the same amount in another: ppm, ppb, % by volume, mg/m³ and µg/m³."""

from __future__ import annotations

GAS_CONSTANT = 8.314462618
"""Molar gas constant. [J/(mol K)] (CODATA 2018, exact since 2019)"""

STANDARD_PRESSURE_PA = 101_325.0
MOLAR_VOLUME_25_C = 24.45
"""Litres that one mole of gas fills at 25 °C and 101.325 kPa, rounded as the limits' issuers round it (NIOSH, ACGIH; OSHA's
Table Z-1 states 25 °C and 760 torr in its footnote (a)). [L/mol]"""

MOLAR_MASS: dict[str, float] = {"co_ppm": 28.01, "co2_ppm": 44.01, "no2_ppm": 46.01, "o2_pct": 32.00}
"""For each kind of gas display: the gas's molar mass. [g/mol]"""

SHARE: dict[str, float] = {"ppm": 1e-6, "ppb": 1e-9, "%": 1e-2}
MASS_PER_VOLUME: dict[str, float] = {"mg/m³": 1e-3, "µg/m³": 1e-6}
"""Units of a gas in air: shares of the volume, and grams in a cubic metre."""

_SPELLINGS = {
    "mg/m3": "mg/m³", "mg/m^3": "mg/m³", "mg m-3": "mg/m³", "ug/m3": "µg/m³", "µg/m3": "µg/m³", "μg/m3": "µg/m³",
    "ug/m³": "µg/m³", "μg/m³": "µg/m³", "ug/m^3": "µg/m³", "µg/m^3": "µg/m³", "ppmv": "ppm", "ppm vol": "ppm", "ppbv": "ppb",
    "% vol": "%", "vol %": "%", "vol%": "%", "%vol": "%", "% v/v": "%",
}  # fmt: skip


def molar_volume(temp_c: float = 25.0) -> float:
    """Give the litres that one mole of gas fills at 101.325 kPa.

    Parameters
    ----------
    temp_c : float
        Temperature; at 25 the issuers' own 24.45 is given, elsewhere the ideal gas (24.06 at 20). [°C]

    Returns
    -------
    float
        [L/mol]
    """
    if temp_c == 25.0:
        return MOLAR_VOLUME_25_C
    return GAS_CONSTANT * (temp_c + 273.15) / STANDARD_PRESSURE_PA * 1000


def tidy_unit(unit: str) -> str:
    """Give a unit of gas in air as this module spells it, "" where it is none: " MG/M3 " -> "mg/m³"."""
    plain = unit.strip().lower()
    plain = _SPELLINGS.get(plain, plain)
    return plain if plain in SHARE or plain in MASS_PER_VOLUME else ""


def factor(kind: str, unit_from: str, unit_to: str, temp_c: float = 25.0) -> float:
    """Give the number by which an amount in one unit is multiplied to have it in another.

    Parameters
    ----------
    kind : str
        Which gas, as the end of a display's key ("co_ppm").
    unit_from, unit_to : str
        As `tidy_unit` gives them.
    temp_c : float
        Temperature of the air that mg/m³ speak of, at 101.325 kPa. [°C]

    Raises
    ------
    KeyError
        A unit or a gas that is not known here.
    """
    if unit_from == unit_to:
        return 1.0
    return _share(kind, unit_from, temp_c) / _share(kind, unit_to, temp_c)


def _share(kind: str, unit: str, temp_c: float) -> float:
    """The share of the air's volume that one unit is."""
    if unit in SHARE:
        return SHARE[unit]
    return MASS_PER_VOLUME[unit] / MOLAR_MASS[kind] * molar_volume(temp_c) / 1000


def convert(value: float, kind: str, unit_from: str, unit_to: str, temp_c: float = 25.0) -> float:
    """Give an amount in another unit (see `factor`), without the last digits in which only rounding lives."""
    if unit_from == unit_to:
        return value
    return float(f"{value * factor(kind, unit_from, unit_to, temp_c):.12g}")
