"""The types of nights side by side: what `assess` finds between them and `show` puts on a page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

Alignment = Literal["trial", "rise", "first reading"]
"""What minute 0 of a night is: the trial's switch-on, the start of a rise that was found, or no more than the first reading."""

Sense = Literal["higher", "lower", "not settled", "not known"]
"""Of a change against the first night: settled either way; within the bounds of both; or bounds that nobody stated."""

Standing = Literal["differs", "small", "not stated", "words"]
"""Of a condition: stated and different; different by less than counts; not stated for every night; free words that differ."""


SPACE_AIR = "The air of the space"
"""The group of what is reckoned from several displays together; a row's note is its own there, else its group's."""


@dataclass(frozen=True)
class Figure:
    """A figure of one night with its bounds; `value` None where there is none, `lower` or `upper` None where open or not known.

    `note` says when it was, why it is missing, or why it is weak.
    """

    value: float | None = None
    lower: float | None = None
    upper: float | None = None
    note: str = ""

    @property
    def is_bounded(self) -> bool:
        """True where both bounds are known."""
        return self.lower is not None and self.upper is not None


@dataclass(frozen=True)
class Change:
    """A figure less that of the first night, with the bounds that both figures' bounds allow."""

    value: float | None
    lower: float | None
    upper: float | None
    sense: Sense


@dataclass(frozen=True)
class Row:
    """One line of the table: a figure of every night, and for each night after the first its change.

    `slug` names its kind ("highest", "air-change"); `group` the quantity it belongs to; `places` how many decimals are worth
    showing; `note` what holds for all.
    """

    slug: str
    group: str
    label: str
    unit: str
    places: int
    figures: tuple[Figure, ...]
    changes: tuple[Change, ...]
    note: str = ""


@dataclass(frozen=True)
class Condition:
    """One condition of the trials: which it is part of ("vent: hatch"), what it is, and what each trial says ("" = nothing)."""

    part: str
    label: str
    values: tuple[str, ...]
    standing: Standing


@dataclass(frozen=True)
class Line:
    """One night's readings of one quantity: minutes since switch-on, values in the course's unit, state of each.

    `states` has one letter per reading: s settled, d doubtful, o over range, u under range.
    """

    night: int
    instrument: str
    minutes: tuple[float, ...]
    values: tuple[float, ...]
    states: str
    step_min: float


@dataclass(frozen=True)
class Course:
    """One quantity of several nights, to be drawn one over another; `limits` are (label, value) in `unit`."""

    label: str
    unit: str
    lines: tuple[Line, ...]
    limits: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class ComparedNight:
    """One night and how it was placed: `aligned_by` says what minute 0 is, `switch_on` its moment where a clock is known.

    `first_min` and `last_min` are its first and last reading. [minutes since switch-on]
    """

    name: str
    title: str
    aligned_by: Alignment
    switch_on: datetime | None
    first_min: float
    last_min: float
    has_trial: bool


@dataclass(frozen=True)
class Comparison:
    """Nights side by side: `verdict` says what their conditions allow to be concluded, `shared_min` the hours all have."""

    nights: tuple[ComparedNight, ...]
    verdict: tuple[str, ...]
    differing: tuple[str, ...]
    conditions: tuple[Condition, ...]
    alike: tuple[str, ...]
    rows: tuple[Row, ...]
    courses: tuple[Course, ...]
    shared_min: tuple[float, float] | None
    notices: tuple[str, ...]
