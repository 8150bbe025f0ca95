"""Displays of temperature and of relative humidity to pairs of them: what the air was, row by row, with the stated errors.

Takes studies; gives `Climate`: temperature [°C], relative humidity [%] and what follows from both, in the order of time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from frametally.assess.exposure import HOLE_AFTER
from frametally.assess.facts import DisplayFacts
from frametally.assess.psychrometrics import celsius, vapour_pressure
from frametally.assess.samples import Bools, Floats, Timeline
from frametally.assess.study import Study
from frametally.assess.topic import of_kind
from frametally.assess.wording import pick_frames, write_moment

MOST_POINTS = 300
"""So many moments of a series at most go into figures for charts."""


@dataclass(frozen=True)
class Climate:
    """One temperature and one humidity display, in the timed rows in which both are settled.

    `rows` are the timeline's; `elapsed_min` [min], `temp_c` [°C], `rh_pct` [%] run beside them. `temp_error_c` [K] and
    `rh_error_pct` [points] are the stated errors row by row, 0 where none is stated.
    """

    temperature: Study
    humidity: Study
    rows: np.ndarray
    elapsed_min: Floats
    temp_c: Floats
    rh_pct: Floats
    temp_error_c: Floats
    rh_error_pct: Floats

    @property
    def timeline(self) -> Timeline:
        """When the rows were."""
        return self.humidity.timeline

    @property
    def is_one_instrument(self) -> bool:
        """True where both displays belong to one named instrument, so that they stood in the same air."""
        return bool(self.humidity.facts.instrument) and self.humidity.facts.instrument == self.temperature.facts.instrument

    @property
    def nearness(self) -> int:
        """2 for one named instrument, 1 for keys with the same prefix where no names are stated, 0 for anything else."""
        if self.is_one_instrument:
            return 2
        temperature, humidity = self.temperature.facts, self.humidity.facts
        named = temperature.instrument or humidity.instrument
        return 0 if named or _prefix(temperature) != _prefix(humidity) else 1

    @property
    def caution(self) -> str:
        """What to say of a pair that may not stand in the same air, "" where it does."""
        return (
            " Humidity and temperature come from different places, which can mislead.",
            " Whether humidity and temperature come from one instrument is not stated.",
            "",
        )[self.nearness]

    @property
    def has_errors(self) -> bool:
        """True where the makers' errors of both displays are stated."""
        return self.temperature.facts.accuracy is not None and self.humidity.facts.accuracy is not None

    @property
    def vapour_pa(self) -> Floats:
        """Pressure of the water vapour. [Pa]"""
        return np.asarray(vapour_pressure(self.temp_c, self.rh_pct))

    @property
    def vapour_least_pa(self) -> Floats:
        """The least that the stated errors allow. [Pa]"""
        return np.asarray(vapour_pressure(self.temp_c - self.temp_error_c, np.maximum(self.rh_pct - self.rh_error_pct, 0)))

    @property
    def vapour_most_pa(self) -> Floats:
        """The most that the stated errors allow; air never holds more than at 100 %. [Pa]"""
        most = np.maximum(np.minimum(self.rh_pct + self.rh_error_pct, 100), self.rh_pct)
        return np.asarray(vapour_pressure(self.temp_c + self.temp_error_c, most))

    @property
    def source_name(self) -> str:
        """The instruments in running text."""
        if self.is_one_instrument:
            return self.humidity.facts.source_name
        return f"{self.humidity.facts.source_name} (humidity) and {self.temperature.facts.source_name} (temperature)"

    @property
    def span_min(self) -> float:
        """From the first to the last timed row of the night. [min]"""
        return self.humidity.curve.span_min


def pair_climates(studies: Sequence[Study]) -> list[Climate]:
    """Pair humidity and temperature displays: of the same instrument first, then of the same prefix, then most rows first.

    A humidity display whose instrument shows no temperature is paired with the temperature display that was read in most of
    its rows, whichever instrument that belongs to; `is_one_instrument` is then False.
    """
    temperatures = of_kind(studies, "temp_c", "temp_f")
    climates = []
    for humidity in of_kind(studies, "rh_pct"):
        options = [_pair(temperature, humidity) for temperature in temperatures]
        options = [one for one in options if one.rows.size]
        if options:
            climates.append(max(options, key=lambda one: (one.nearness, one.rows.size)))
    return sorted(climates, key=lambda one: (-one.nearness, -one.rows.size))


def _prefix(facts: DisplayFacts) -> str:
    return facts.key.removesuffix(facts.kind or "")


def _pair(temperature: Study, humidity: Study) -> Climate:
    elapsed = humidity.timeline.elapsed_min
    both = temperature.samples.settled & humidity.samples.settled & np.isfinite(elapsed)
    # A damaged or badly marked display can show a humidity that no air has; it says nothing of the water.
    both &= (humidity.samples.values >= 0) & (humidity.samples.values <= 100)
    rows = np.flatnonzero(both)
    shown, rh = temperature.samples.values[rows], humidity.samples.values[rows]
    in_f = temperature.facts.kind == "temp_f"
    temp_error = _errors(temperature, shown)
    return Climate(
        temperature=temperature,
        humidity=humidity,
        rows=rows,
        elapsed_min=elapsed[rows],
        temp_c=np.asarray(celsius(shown)) if in_f else shown,
        rh_pct=rh,
        temp_error_c=temp_error / 1.8 if in_f else temp_error,
        rh_error_pct=_errors(humidity, rh),
    )


def _errors(study: Study, values: Floats) -> Floats:
    accuracy = study.facts.accuracy
    if accuracy is None:
        return np.zeros(len(values))
    return np.maximum(accuracy.absolute, accuracy.relative * np.abs(values))


def nearest(climate: Climate, moments: Floats, usual_min: float) -> np.ndarray:
    """Give, for each moment, the place in a climate's rows nearest to it; -1 where none is within 1.5 usual intervals. [min]"""
    rows = climate.elapsed_min
    after = np.clip(np.searchsorted(rows, moments), 0, rows.size - 1)
    before = np.clip(after - 1, 0, rows.size - 1)
    with np.errstate(invalid="ignore"):
        place = np.where(np.abs(rows[before] - moments) <= np.abs(rows[after] - moments), before, after)
        return np.where(np.abs(rows[place] - moments) <= HOLE_AFTER * usual_min * (1 + 1e-9), place, -1)


def minutes_where(climate: Climate, excess: Floats) -> float:
    """Give the measured time in which `excess`, one value a row and straight lines between, lies above zero. [min]"""
    length, measured = measured_pieces(climate)
    a, b = excess[:-1], excess[1:]
    high, low = np.maximum(a, b), np.minimum(a, b)
    share = np.divide(high, high - low, out=np.zeros_like(high), where=(low <= 0) & (high > 0) & (high > low))
    share = np.where(low > 0, 1.0, share)
    return float((np.where(measured, share, 0.0) * length).sum())


def measured_pieces(climate: Climate) -> tuple[Floats, Bools]:
    """Give the lengths between a climate's rows [min] and which of them count as measured, as for every display."""
    length = np.diff(climate.elapsed_min)
    usual = climate.humidity.curve.usual_interval_min
    return length, length <= HOLE_AFTER * usual * (1 + 1e-9)


def thin(count: int, keep: Sequence[int] = (), most: int = MOST_POINTS) -> np.ndarray:
    """Give at most about `most` of `count` places, evenly spread, with the first, the last and those to keep."""
    even = np.unique(np.linspace(0, max(count - 1, 0), min(count, most)).round().astype(int))
    return np.unique(np.concatenate([even, np.array(keep, dtype=int)])) if count else even[:0]


def pick(climate: Climate, *places: int) -> tuple[str, ...]:
    """Give the photos of some places of a climate."""
    return pick_frames(climate.timeline, [int(climate.rows[place]) for place in places])


def clock(climate: Climate, place: int) -> str:
    """Write when a place of a climate was."""
    return write_moment(climate.timeline, float(climate.elapsed_min[place]))
