"""Nights and a quantity that they share to the rows of a comparison: highest, lowest, means, times, air change, water."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd

from frametally.assess.climate import Climate, pair_climates
from frametally.assess.exposure import Bounded, Curve, build_curve, known, mean, minutes_above, minutes_below
from frametally.assess.extremes import Extreme
from frametally.assess.facts import GASES, DisplayFacts
from frametally.assess.limits import Limit, level_for, limits_for
from frametally.assess.phases import find_phases
from frametally.assess.psychrometrics import absolute_humidity, dew_point
from frametally.assess.samples import Timeline
from frametally.assess.scales import Scale
from frametally.assess.signals import take_signal
from frametally.assess.study import Study
from frametally.assess.wording import capitalise, write_moment
from frametally.compared import SPACE_AIR, Alignment, Change, Figure, Row
from frametally.model import Assessment, Trial

LEAST_STEADY_MIN = 45.0
"""A steady stretch shorter than this is no steady state (own choice). [min]"""

FIT_ALONE = "the interval is the fit's alone: a space that warms or is not well mixed shifts the figure by some percent more"
NOT_BOUNDED = "out of range: it may lie beyond"
NO_ERROR = "the meter's error is not stated"


@dataclass(frozen=True, eq=False)
class NightData:
    """One night, assessed; `zero_min` is switch-on in the table's own minutes, `aligned_by` what that rests on."""

    name: str
    table: pd.DataFrame
    facts: tuple[DisplayFacts, ...]
    trial: Trial | None
    timeline: Timeline
    studies: tuple[Study, ...]
    assessment: Assessment
    zero_min: float
    aligned_by: Alignment

    def study(self, key: str) -> Study:
        """Give the study of one display."""
        return next(one for one in self.studies if one.facts.key == key)

    @cached_property
    def climate(self) -> Climate | None:
        """The first pair of temperature and humidity; None where there is none."""
        return next((one for one in pair_climates(self.studies) if one.rows.size >= 2), None)


@dataclass(frozen=True)
class Shown:
    """One quantity in several nights: each night's display (None where it has none) and its scale to one unit."""

    facts: tuple[DisplayFacts | None, ...]
    scales: tuple[Scale, ...]

    @property
    def unit(self) -> str:
        """The unit that all are turned into."""
        return self.scales[0].unit

    @property
    def first(self) -> DisplayFacts:
        """The first night's display of those that have one."""
        return next(one for one in self.facts if one is not None)

    @property
    def label(self) -> str:
        """The quantity, with its instrument where all nights name the same one."""
        names = {one.instrument for one in self.facts if one is not None}
        quantity = capitalise(self.first.quantity)
        return f"{quantity}, {names.copy().pop()}" if len(names) == 1 and "" not in names else quantity

    @property
    def note(self) -> str:
        """What to say where the nights were read on different instruments."""
        told = list(dict.fromkeys(one.instrument or one.key for one in self.facts if one is not None))
        return f"read on different instruments ({' / '.join(told)}), which may differ by themselves" if len(told) > 1 else ""

    @property
    def places(self) -> int:
        """Decimals that the coarsest display shows."""
        pairs = zip(self.facts, self.scales, strict=True)
        steps = [one.resolution * scale.factor for one, scale in pairs if one is not None and one.resolution]
        return max(0, -math.floor(math.log10(max(steps)) + 1e-9)) if steps else 1


Take = Callable[[NightData, DisplayFacts, Scale], Figure]


def course_rows(nights: Sequence[NightData], shown: Shown, shared: tuple[float, float] | None) -> list[Row]:
    """Give the rows of one quantity: what matters depends on its kind. Times beyond a level that no night passed give none."""
    kind, rows = shown.first.kind, []
    low = kind == "o2_pct"
    if not low:
        rows.append(_row(nights, shown, "highest", "Highest", _extreme("highest")))
    if low or kind not in GASES:
        rows.append(_row(nights, shown, "lowest", "Lowest", _extreme("lowest")))
    if kind in GASES:
        rows.append(_row(nights, shown, "steady", "Steady level", _steady, more=1))
    if shared is None:
        return rows
    rows.append(_row(nights, shown, "mean", "Mean of the shared hours", _mean_in(shared), more=1))
    for limit in limits_for(kind):
        if limit.in_chart:
            level = float(f"{level_for(limit, shown.unit):.3g}")
            label = f"Time {'below' if limit.is_low_side else 'above'} {level:g} {shown.unit} ({limit.issuer})"
            if _is_reached(rows[0].figures, level, low=limit.is_low_side):
                rows.append(_row(nights, shown, "time-beyond", label, _time_in(shared, limit), unit="min"))
    return rows


def _is_reached(extremes: Sequence[Figure], level: float, *, low: bool) -> bool:
    """True where some night's extreme, as far as its bounds go, reached a level; `extremes` are the side that is told."""
    for one in extremes:
        bound = one.lower if low else one.upper
        if one.value is None:
            continue
        if NOT_BOUNDED in one.note or (bound is None and NO_ERROR not in one.note):
            return True
        farthest = one.value if bound is None else bound
        if (farthest <= level) if low else (farthest >= level):
            return True
    return False


def _row(
    nights: Sequence[NightData], shown: Shown, slug: str, label: str, take: Take, *, unit: str | None = None, more: int = 0
) -> Row:
    figures = tuple(
        Figure(note="not read") if facts is None else take(night, facts, scale)
        for night, facts, scale in zip(nights, shown.facts, shown.scales, strict=True)
    )
    places = 0 if unit == "min" else shown.places + more
    return Row(slug, shown.label, label, shown.unit if unit is None else unit, places, figures, changes_of(figures), shown.note)


def changes_of(figures: Sequence[Figure]) -> tuple[Change, ...]:
    """Give each figure less the first; settled only where the bounds of both do not meet."""
    first, changes = figures[0], []
    for one in figures[1:]:
        value = None if one.value is None or first.value is None else one.value - first.value
        lower = None if one.lower is None or first.upper is None else one.lower - first.upper
        upper = None if one.upper is None or first.lower is None else one.upper - first.lower
        if value is None:
            sense: Literal["higher", "lower", "not settled", "not known"] = "not known"
        elif lower is not None and lower > 0:
            sense = "higher"
        elif upper is not None and upper < 0:
            sense = "lower"
        else:
            stated = NO_ERROR not in first.note and NO_ERROR not in one.note
            sense = "not settled" if stated else "not known"
        changes.append(Change(value, lower, upper, sense))
    return tuple(changes)


def _figure(facts: DisplayFacts, scale: Scale, lower: float, middle: float, upper: float, note: str) -> Figure:
    """Widen bounds by the stated error and turn all into the common unit; without a stated error there are no bounds."""
    if not math.isfinite(middle):
        return Figure(note=note or "no settled reading")
    low, high = (
        facts.tolerance_at(lower if math.isfinite(lower) else middle),
        facts.tolerance_at(upper if math.isfinite(upper) else middle),
    )
    if low is None or high is None:
        return Figure(scale.of(middle), None, None, "; ".join(part for part in (note, NO_ERROR) if part))
    least = 0.0 if facts.kind in GASES or facts.kind == "rh_pct" else -math.inf
    most = max(100.0, middle) if facts.kind in ("o2_pct", "rh_pct") else math.inf
    return Figure(
        scale.of(middle),
        scale.of(max(lower - low, least)) if math.isfinite(lower) else None,
        scale.of(min(upper + high, most)) if math.isfinite(upper) else None,
        note,
    )


# --- one quantity ----------------------------------------------------------------------------------------------------


def _extreme(side: Literal["highest", "lowest"]) -> Take:
    def take(night: NightData, facts: DisplayFacts, scale: Scale) -> Figure:
        study = night.study(facts.key)
        found: Extreme | None = getattr(study, side)
        if found is None:
            return Figure(note="no reading")
        elapsed = float(study.timeline.elapsed_min[found.row])
        notes = [f"at {write_moment(study.timeline, elapsed)}" if math.isfinite(elapsed) else ""]
        if not found.is_verified:
            notes.append("unverified: look at the photo")
        if found.is_open:
            notes.append(NOT_BOUNDED)
        bounds = found.bounds
        note = ", ".join(part for part in notes if part)
        if found.is_open and math.isfinite(bounds.middle):  # one bound stands even so
            return _open(facts, scale, bounds, side, note)
        return _figure(facts, scale, bounds.lower, bounds.middle, bounds.upper, note)

    return take


def _open(facts: DisplayFacts, scale: Scale, bounds: Bounded, side: str, note: str) -> Figure:
    """The display ran out of its range: at least (or at most) the range's end, less its error."""
    tolerance = facts.tolerance_at(bounds.middle)
    full = note if tolerance is not None else f"{note}; {NO_ERROR}"
    value = scale.of(bounds.middle)
    if tolerance is None:
        return Figure(value, None, None, full)
    if side == "highest":
        return Figure(value, scale.of(bounds.middle - tolerance), None, full)
    return Figure(value, None, scale.of(bounds.middle + tolerance), full)


def _steady(night: NightData, facts: DisplayFacts, scale: Scale) -> Figure:
    """The longest steady stretch after switch-on."""
    signal = take_signal(night.study(facts.key))
    course = find_phases(signal.minutes, signal.values, signal.half_step())
    held = [p for p in course.phases if p.name == "steady" and p.stop_min > night.zero_min] if course else []
    held = [p for p in held if p.stop_min - p.start_min >= LEAST_STEADY_MIN]
    if not held:
        return Figure(note="it did not hold steady")
    longest = max(held, key=lambda phase: phase.stop_min - phase.start_min)
    since, until = (write_moment(night.timeline, moment) for moment in (longest.start_min, longest.stop_min))
    return _figure(facts, scale, longest.mean, longest.mean, longest.mean, f"mean of {since} to {until}")


def _slice(night: NightData, key: str, shared: tuple[float, float]) -> Curve:
    """One display's curve over the hours that the nights share."""
    timeline, one = night.timeline, night.study(key).samples
    start, stop = (night.zero_min + moment for moment in shared)
    inside = (timeline.elapsed_min >= start - 1e-6) & (timeline.elapsed_min <= stop + 1e-6)
    names = ("values", "states", "over_nearby", "under_nearby", "corrected", "elsewhere")
    rows = np.flatnonzero(inside)
    part = Timeline(timeline.elapsed_min[rows], tuple(timeline.times[r] for r in rows), tuple(timeline.frames[r] for r in rows))
    return build_curve(part, replace(one, **{name: getattr(one, name)[rows] for name in names}))


def _mean_in(shared: tuple[float, float]) -> Take:
    def take(night: NightData, facts: DisplayFacts, scale: Scale) -> Figure:
        found = mean(_slice(night, facts.key, shared))
        return _figure(
            facts, scale, found.lower, found.middle, found.upper, "" if math.isfinite(found.middle) else "not measured"
        )

    return take


def _time_in(shared: tuple[float, float], limit: Limit) -> Take:
    """Time beyond a limit's level; the bounds hold where the display is off by as much as its maker allows."""

    def take(night: NightData, facts: DisplayFacts, scale: Scale) -> Figure:
        curve, level = _slice(night, facts.key, shared), level_for(limit, facts.unit)
        count = minutes_below if limit.is_low_side else minutes_above
        middle = count(curve, level).middle
        error = facts.tolerance_at(level)
        if not math.isfinite(middle):
            return Figure(note="not measured")
        if error is None:
            return Figure(middle, None, None, NO_ERROR)
        strict, lenient = (level - error, level + error) if limit.is_low_side else (level + error, level - error)
        return Figure(middle, known(count(curve, strict).lower), known(count(curve, lenient).upper))

    return take


# --- the air of the space --------------------------------------------------------------------------------------------


def air_change_rows(nights: Sequence[NightData]) -> list[Row]:
    """Give the air change of each night: its longest stretch with nothing opened that it can be told for."""
    figures = tuple(_air_change(night) for night in nights)
    if all(one.value is None for one in figures) and all(not one.note for one in figures):
        return []
    rows = [Row("air-change", SPACE_AIR, "Air changes", "per hour", 2, figures, changes_of(figures), FIT_ALONE)]
    balance = tuple(_balance(night) for night in nights)
    if any(one.value is not None for one in balance):
        label = "Air changes by the oxygen balance of steady hours"
        rows.append(Row("air-change-steady", SPACE_AIR, label, "per hour", 2, balance, changes_of(balance)))
    return rows


def _topic(night: NightData, name: str) -> dict[str, Any]:
    return dict(night.assessment.topics.get(name, {}))


def _air_change(night: NightData) -> Figure:
    regimes = [one for one in _topic(night, "air_change").get("regimes", ()) if not one["is_opened"]]
    told = [one for one in regimes if one["is_told"] and one["per_h"]["middle"] is not None]
    if not told:
        reason = max(regimes, key=lambda one: one["to_min"] - one["from_min"])["reason"] if regimes else "no gas rose and fell"
        return Figure(note=f"cannot be told: {reason}")
    longest = max(told, key=lambda one: one["to_min"] - one["from_min"])
    since, until = (write_moment(night.timeline, longest[name]) for name in ("from_min", "to_min"))
    rate = longest["per_h"]
    return Figure(rate["middle"], _finite(rate["lower"]), _finite(rate["upper"]), f"{since} to {until}, 95 % interval")


def _balance(night: NightData) -> Figure:
    steady = _topic(night, "air_change").get("steady")
    if not steady:
        return Figure(note="not told")
    rate = steady["per_h"]
    return Figure(_finite(rate["middle"]), _finite(rate["lower"]), _finite(rate["upper"]))


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def water_rows(nights: Sequence[NightData]) -> list[Row]:
    """Give the most water in the air, and its dew point, where temperature and humidity were read in two nights or more."""
    if sum(night.climate is not None for night in nights) < 2:
        return []
    water, dew = (tuple(take(night) for night in nights) for take in (_water, _dew_point))
    return [
        Row("water", SPACE_AIR, "Most water in the air", "g/m³", 1, water, changes_of(water)),
        Row("dew-point", SPACE_AIR, "Highest dew point", "°C", 1, dew, changes_of(dew)),
    ]


def _at_most_water(climate: Climate) -> tuple[int, str]:
    vapour = climate.vapour_pa
    place = int(np.argmax(np.asarray(absolute_humidity(vapour, climate.temp_c))))
    return place, f"at {write_moment(climate.timeline, float(climate.elapsed_min[place]))}"


def _water(night: NightData) -> Figure:
    climate = night.climate
    if climate is None:
        return Figure(note="not read")
    place, when = _at_most_water(climate)
    temp, error = float(climate.temp_c[place]), float(climate.temp_error_c[place])
    middle = float(absolute_humidity(float(climate.vapour_pa[place]), temp))
    if not climate.has_errors:
        return Figure(middle, None, None, f"{when}; {NO_ERROR}")
    lower = float(absolute_humidity(float(climate.vapour_least_pa[place]), temp - error))
    upper = float(absolute_humidity(float(climate.vapour_most_pa[place]), temp + error))
    return Figure(middle, lower, upper, when)


def _dew_point(night: NightData) -> Figure:
    climate = night.climate
    if climate is None:
        return Figure(note="not read")
    points = np.asarray(dew_point(climate.vapour_pa))
    place = int(np.nanargmax(points))
    when = f"at {write_moment(climate.timeline, float(climate.elapsed_min[place]))}"
    if not climate.has_errors:
        return Figure(float(points[place]), None, None, f"{when}; {NO_ERROR}")
    lower, upper = (float(dew_point(float(one[place]))) for one in (climate.vapour_least_pa, climate.vapour_most_pa))
    return Figure(float(points[place]), lower, upper, when)
