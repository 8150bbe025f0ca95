"""The packaged limit catalogue to checked values: what each limit and alarm standard is, whom it protects, where it stands."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib import resources
from typing import Any, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from frametally.assess.facts import QUANTITIES
from frametally.assess.units import convert, molar_volume, tidy_unit
from frametally.errors import BadInput

Statistic = Literal["twa-fixed", "rolling-mean", "hourly-mean", "annual-mean", "ceiling", "instant-high", "instant-low"]
Protects = Literal["healthy adult workers", "general public", "emergency"]
Setting = Literal["home", "outdoors", "work", "accident"]
Status = Literal["seen", "from memory"]

AVERAGES: frozenset[Statistic] = frozenset({"twa-fixed", "rolling-mean", "hourly-mean", "annual-mean"})
"""Statistics that are a mean over `averaging_min`; the others are held against single readings."""

SETTINGS: dict[Setting, str] = {
    "home": "the air at home, for everyone, people asleep included",
    "outdoors": "the air outdoors, for everyone, sensitive people included",
    "work": "workplaces: healthy adults, awake, some hours a day; not for people asleep at home",
    "accident": "accidents, to say when people come to harm or cannot get out; below it is not where one may stay",
}
"""For each setting a limit can be made for: what that is, in plain words."""


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)

    id: str = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")
    source: str = Field(min_length=1)
    clause: str = Field(min_length=1)
    edition: str = Field(min_length=1)
    url: str = ""
    status: Status
    note: str = ""

    @property
    def citation(self) -> str:
        """The document with clause and edition, and a warning where the value was not seen in it."""
        text = f"{self.source}, {self.clause}, {self.edition}"
        return text if self.status == "seen" else f"{text} (value from memory; confirm it in the document)"


class Limit(_Entry):
    """One published exposure limit or guideline; the catalogue's head explains the fields."""

    kind: Literal["co_ppm", "o2_pct", "co2_ppm", "no2_ppm"]
    issuer: str = Field(min_length=1)
    name: str = Field(min_length=1)
    value: float = Field(gt=0)
    unit: Literal["ppm", "ppb", "%", "mg/m³", "µg/m³"]
    also_published: str = ""
    statistic: Statistic
    averaging_min: float | None = Field(None, gt=0)
    rounding: tuple[int, ...] = ()
    protects: Protects
    setting: Setting
    family: str = ""
    in_chart: bool = False
    rule: str = Field(min_length=1)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.statistic in AVERAGES) != (self.averaging_min is not None):
            raise ValueError(
                f"{self.id}: averaging_min belongs to an average, and only there; the statistic is {self.statistic!r}"
            )
        if (self.protects == "healthy adult workers") != (self.setting == "work"):
            raise ValueError(f"{self.id}: what protects healthy adult workers is made for work, and nothing else is")
        if self.statistic == "hourly-mean" and (self.averaging_min or 0) % 60:
            raise ValueError(f"{self.id}: a mean of whole hours needs an averaging_min of whole hours")
        return self

    @property
    def is_average(self) -> bool:
        """True where a mean is held against the limit, not single readings."""
        return self.statistic in AVERAGES

    @property
    def is_low_side(self) -> bool:
        """True where danger lies below the value."""
        return self.statistic == "instant-low"

    @property
    def is_for_sleepers(self) -> bool:
        """True where the limit is made for people at home, asleep ones included."""
        return self.setting == "home"

    @property
    def is_of_one_night(self) -> bool:
        """False where only a year can be held against the limit."""
        return self.statistic != "annual-mean"

    @property
    def label(self) -> str:
        """Issuer and name, as in running text."""
        return f"{self.issuer} {self.name}"

    @property
    def group(self) -> str:
        """What limits have in common that make one finding: their family, or the same number for the same average."""
        return self.family or f"{self.kind} {self.statistic} {self.averaging_min} {self.amount} {self.setting} {self.rounding}"

    @property
    def amount(self) -> str:
        """The value as it is published: "10 mg/m³"."""
        return f"{self.value:g} {self.unit}"

    @property
    def display_unit(self) -> str:
        """The unit that displays of this kind usually show."""
        return QUANTITIES[self.kind][1]

    def level_in(self, unit: str) -> float:
        """Give the value in another unit of the gas (see `units.tidy_unit`)."""
        return convert(self.value, self.kind, self.unit, unit)

    def figure_in_own_unit(self, figure: float, unit: str) -> float:
        """Give a figure that stands in another unit in the unit in which the limit is published."""
        return convert(figure, self.kind, unit, self.unit)

    def conversion_text(self, unit: str) -> str:
        """Say how the value was converted: "8.73 ppm at 25 °C and 101.325 kPa, 24.45 L/mol"; "" where it need not be."""
        if unit == self.unit:
            return ""
        text = f"{self.level_in(unit):.3g} {unit}"
        if "/" not in self.unit + unit:
            return text
        return f"{text} at 25 °C and 101.325 kPa, {molar_volume():.2f} L/mol"


class AlarmPoint(BaseModel):
    """A test level of an alarm standard: the alarm is silent for so long, and sounds before so long is over."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    ppm: float = Field(gt=0)
    silent_min: float = Field(0.0, ge=0)
    sounds_by_min: float | None = Field(None, gt=0)


class AlarmStandard(_Entry):
    """When a carbon monoxide alarm built to a standard sounds; the catalogue's head explains the fields."""

    standard: str = Field(min_length=1)
    point: tuple[AlarmPoint, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        for low, high in zip(self.point, self.point[1:], strict=False):
            if low.ppm >= high.ppm or low.silent_min < high.silent_min:
                raise ValueError(f"{self.id}: points rise in ppm, and the time of silence does not rise with them")
        return self


_Kind = TypeVar("_Kind", bound=_Entry)


def parse_limits(text: str) -> tuple[Limit, ...]:
    """Read the limits of a catalogue in TOML.

    Raises
    ------
    BadInput
        Not TOML, an entry that is not whole, or two with one id.
    """
    return _parse(text, "limit", Limit)


def parse_alarms(text: str) -> tuple[AlarmStandard, ...]:
    """Read the alarm standards of a catalogue in TOML; raises as `parse_limits`."""
    return _parse(text, "alarm", AlarmStandard)


def _parse(text: str, table: str, kind: type[_Kind]) -> tuple[_Kind, ...]:
    try:
        tables: dict[str, Any] = tomllib.loads(text)
        odd = sorted(set(tables) - {"limit", "alarm"})
        if odd:
            raise BadInput(f"The limit catalogue has a table {odd[0]!r}; it may have [[limit]] and [[alarm]].")
        entries = tuple(kind.model_validate(entry) for entry in tables.get(table, []))
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"The limit catalogue is not valid TOML: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "entry"
        raise BadInput(f"The limit catalogue has an entry that is not whole: {where}: {first['msg']}") from error
    ids = [entry.id for entry in entries]
    twice = sorted({name for name in ids if ids.count(name) > 1})
    if twice:
        raise BadInput(f"The limit catalogue has the id {twice[0]!r} twice; every limit needs its own.")
    return entries


def _packaged() -> str:
    return resources.files("frametally.data").joinpath("limits.toml").read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def load_limits() -> tuple[Limit, ...]:
    """Give all limits of the packaged catalogue, in its order."""
    return parse_limits(_packaged())


@lru_cache(maxsize=1)
def load_alarms() -> tuple[AlarmStandard, ...]:
    """Give the alarm standards of the packaged catalogue, in its order."""
    return parse_alarms(_packaged())


def limits_for(kind: str | None, limits: tuple[Limit, ...] | None = None) -> tuple[Limit, ...]:
    """Give the limits for one kind of display ("co_ppm", "o2_pct", ...); empty where there are none."""
    return tuple(limit for limit in (load_limits() if limits is None else limits) if limit.kind == kind)


def level_for(limit: Limit, unit: str) -> float:
    """Give a limit's value in a display's unit; a unit that is none of a gas is taken to be the one that the key names."""
    return limit.level_in(tidy_unit(unit) or limit.display_unit)
