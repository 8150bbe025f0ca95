"""The packaged limit catalogue to checked `Limit` values: what each limit is, whom it protects, where it stands written."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from frametally.errors import BadInput

Statistic = Literal["twa-fixed", "rolling-mean", "ceiling", "instant-high", "instant-low"]
Protects = Literal["healthy adult workers", "general public", "emergency"]
Status = Literal["seen", "from memory"]

AVERAGES: frozenset[Statistic] = frozenset({"twa-fixed", "rolling-mean"})
"""Statistics that are a mean over `averaging_min`; the others are held against single readings."""

PROTECTED_PEOPLE: dict[Protects, str] = {
    "healthy adult workers": "healthy adults at work, awake and able to leave",
    "general public": "everyone, sensitive people and children included",
    "emergency": "people who must get out of danger quickly",
}
"""For each group a limit can be made for: who they are, in plain words."""


class Limit(BaseModel):
    """One published exposure limit or guideline; the catalogue's head explains the fields."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)

    id: str = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")
    kind: Literal["co_ppm", "o2_pct", "co2_ppm", "no2_ppm"]
    issuer: str = Field(min_length=1)
    name: str = Field(min_length=1)
    value: float = Field(gt=0)
    unit: Literal["ppm", "%", "mg/m³", "µg/m³"]
    statistic: Statistic
    averaging_min: float | None = Field(None, gt=0)
    protects: Protects
    rule: str = Field(min_length=1)
    source: str = Field(min_length=1)
    clause: str = Field(min_length=1)
    edition: str = Field(min_length=1)
    url: str = ""
    status: Status
    note: str = ""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.statistic in AVERAGES) != (self.averaging_min is not None):
            raise ValueError(
                f"{self.id}: averaging_min belongs to an average, and only there; the statistic is {self.statistic!r}"
            )
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
    def citation(self) -> str:
        """The document with clause and edition, and a warning where the value was not seen in it."""
        text = f"{self.source}, {self.clause}, {self.edition}"
        return text if self.status == "seen" else f"{text} (value from memory; confirm it in the document)"

    @property
    def label(self) -> str:
        """Issuer and name, as in running text."""
        return f"{self.issuer} {self.name}"


def parse_limits(text: str) -> tuple[Limit, ...]:
    """Read a catalogue in TOML.

    Raises
    ------
    BadInput
        Not TOML, an entry that is not whole, or two with one id.
    """
    try:
        entries = tomllib.loads(text).get("limit", [])
        limits = tuple(Limit.model_validate(entry) for entry in entries)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"The limit catalogue is not valid TOML: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "entry"
        raise BadInput(f"The limit catalogue has an entry that is not whole: {where}: {first['msg']}") from error
    ids = [limit.id for limit in limits]
    twice = sorted({name for name in ids if ids.count(name) > 1})
    if twice:
        raise BadInput(f"The limit catalogue has the id {twice[0]!r} twice; every limit needs its own.")
    return limits


def load_limits() -> tuple[Limit, ...]:
    """Give all limits of the packaged catalogue, in its order."""
    return parse_limits(resources.files("frametally.data").joinpath("limits.toml").read_text(encoding="utf-8"))


def limits_for(kind: str | None, limits: tuple[Limit, ...] | None = None) -> tuple[Limit, ...]:
    """Give the limits for one kind of display ("co_ppm", "o2_pct", ...); empty where there are none."""
    return tuple(limit for limit in (load_limits() if limits is None else limits) if limit.kind == kind)
