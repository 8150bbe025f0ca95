"""The trials of several nights to what differs between their conditions, and to what that allows to be concluded.

Two nights never show why something changed: they show that it did, and which conditions were not the same. Where more than
one differed, or one is not known, no single one can be named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from frametally.assess.wording import write_list, write_minutes
from frametally.compared import Condition, Standing
from frametally.model import Appliance, Trial

SMALL_TEMP_C = 1.0
SMALL_RH_PCT = 5.0
SMALL_CO2_PPM = 20.0
SMALL_PRESSURE_HPA = 5.0
SMALL_DURATION_MIN = 10.0
"""Differences up to these are shown but not counted: about as much as an outdoor reading or a noted time is off (own choice)."""

EVENTS, OUTDOORS, NOT_NOTED = "events", "outdoor air", "not noted"

MUST_KNOW = (
    (OUTDOORS, "temperature"),
    (OUTDOORS, "relative humidity"),
    ("people", "asleep inside"),
)
"""What has to be stated before another condition can be singled out, beside the vents and the appliance."""

MOST_TOLD_IN_FULL = 2
"""Of more differing conditions than this only the names are told; the table has what each trial says."""

WIND = "No trial file states the wind, and wind changes how much air comes in."


@dataclass(frozen=True)
class _Stated:
    """What one trial says of one condition; `number` where it can be held against another within `small`."""

    text: str
    number: float | None = None
    small: float = 0.0
    is_words: bool = False


_Key = tuple[str, str]


@dataclass
class _Listing:
    """What one trial states, by part and label, in the order of the file."""

    stated: dict[_Key, _Stated]

    def add(self, part: str, label: str, value: str | bool | float | None, unit: str = "", small: float = 0.0) -> None:
        """Take in a condition, nothing where it is not stated."""
        if isinstance(value, bool):
            self.stated[part, label] = _Stated("yes" if value else "no")
        elif isinstance(value, str):
            if value:
                self.stated[part, label] = _Stated(value, is_words=label == "notes")
        elif value is not None:
            self.stated[part, label] = _Stated(f"{value:g} {unit}".rstrip(), float(value), small)


def list_conditions(trial: Trial | None, switch_on: datetime | None, one_appliance: bool = True) -> dict[_Key, _Stated]:
    """Give what a trial states, by part and label, in the order of the file.

    With `one_appliance`, it is "appliance" whatever its name, so that one swapped for another is one condition.
    """
    listing = _Listing({})
    if trial is None:
        return listing.stated
    space, outdoor, add = trial.space, trial.outdoor, listing.add
    add("space", "name", space.name)
    add("space", "volume", space.volume_m3, "m³")
    add("space", "altitude", space.altitude_m, "m")
    add("space", "air pressure", space.station_pressure_hpa, "hPa", SMALL_PRESSURE_HPA)
    for number, one in enumerate(trial.appliance, start=1):
        _add_appliance(
            listing, one, "appliance" if one_appliance else f"appliance “{one.name}”" if one.name else f"appliance {number}"
        )
    for number, vent in enumerate(trial.vent, start=1):
        part = f"vent “{vent.name}”" if vent.name else f"vent {number}"
        add(part, "state", None if vent.open is None else "open" if vent.open else "shut")
        add(part, "free area", vent.free_area_cm2, "cm²")
    for event in trial.event:
        listing.stated[EVENTS, event.what] = _since(event.time, switch_on)
    add("people", "asleep inside", trial.people.sleeping)
    add("people", "notes", trial.people.notes)
    add(OUTDOORS, "temperature", outdoor.temp_c, "°C", SMALL_TEMP_C)
    add(OUTDOORS, "relative humidity", outdoor.rh_pct, "%", SMALL_RH_PCT)
    add(OUTDOORS, "carbon monoxide", outdoor.co_ppm, "ppm")
    add(OUTDOORS, "carbon dioxide", outdoor.co2_ppm, "ppm", SMALL_CO2_PPM)
    return listing.stated


def _add_appliance(listing: _Listing, one: Appliance, part: str) -> None:
    listing.add(part, "name", one.name)
    listing.add(part, "fuel", one.fuel)
    heat = None if one.heat_input_kw is None else f"{one.heat_input_kw:g} kW {one.heat_basis or ''}".strip()
    listing.add(part, "heat input", heat)
    listing.add(part, "rated output", one.rated_output_kw, "kW")
    listing.add(part, "flue", one.flue)
    if one.on is not None and one.off is not None and (one.on.utcoffset() is None) == (one.off.utcoffset() is None):
        minutes = (one.off - one.on).total_seconds() / 60
        listing.stated[part, "alight for"] = _Stated(write_minutes(minutes), minutes, SMALL_DURATION_MIN)
    listing.add(part, "notes", one.notes)


def _since(moment: datetime, switch_on: datetime | None) -> _Stated:
    """Say when something was, counted from switch-on where both are known."""
    if switch_on is None or (moment.utcoffset() is None) != (switch_on.utcoffset() is None):
        return _Stated(f"at {moment:%H:%M}")
    minutes = (moment - switch_on).total_seconds() / 60
    text = f"{write_minutes(abs(minutes))} {'after' if minutes >= 0 else 'before'} switch-on"
    return _Stated(text, minutes, SMALL_DURATION_MIN)


def compare_conditions(
    trials: Sequence[Trial | None], switch_ons: Sequence[datetime | None], instruments: Sequence[str]
) -> tuple[tuple[Condition, ...], tuple[str, ...]]:
    """Give the conditions in which nights differ or may differ, and the names of those that are alike.

    `instruments` says for each night which instruments were read.
    """
    single = all(trial is None or len(trial.appliance) <= 1 for trial in trials)
    lists = [list_conditions(trial, moment, single) for trial, moment in zip(trials, switch_ons, strict=True)]
    for one, trial, names in zip(lists, trials, instruments, strict=True):
        if names:
            one["instruments", "read"] = _Stated(names)
        if trial is not None:  # an event that a trial does not note did not happen
            one |= {key: _Stated(NOT_NOTED) for other in lists for key in other if key[0] == EVENTS and key not in one}
    keys = dict.fromkeys([key for one in lists for key in one] + list(MUST_KNOW))
    for part, label in (("vent", "state"), ("appliance", "fuel")):
        if not any(known.startswith(part) for known, _ in keys):
            keys[part, label] = None
    conditions, alike = [], []
    for part, label in keys:
        stated = [one.get((part, label)) for one in lists]
        standing = _standing(stated)
        if standing is not None:
            conditions.append(Condition(part, label, tuple("" if one is None else one.text for one in stated), standing))
        elif stated[0] is not None:
            alike.append(f"{part}, {label}: {stated[0].text}")
    order = {"differs": 0, "not stated": 1, "words": 2, "small": 3}
    return tuple(sorted(conditions, key=lambda one: order[one.standing])), tuple(alike)


def _standing(stated: Sequence[_Stated | None]) -> Standing | None:
    known = [one for one in stated if one is not None]
    if len(known) < len(stated):
        return "words" if known and all(one.is_words for one in known) else "not stated"
    numbers = [one.number for one in known if one.number is not None]
    if len(numbers) == len(known):
        spread = max(numbers) - min(numbers)
        return None if spread == 0 else "small" if spread <= known[0].small + 1e-9 else "differs"
    if len({one.text.strip().lower() for one in known}) == 1:
        return None
    return "words" if known[0].is_words else "differs"


def judge_conditions(conditions: Sequence[Condition], names: Sequence[str], trials: Sequence[Trial | None]) -> tuple[str, ...]:
    """Say what may be concluded from these conditions: none, one or several differ; which are not known."""
    differing = parts_that(conditions, "differs")
    unknown = [one for one in conditions if one.standing == "not stated"]
    lacking = [name for name, trial in zip(names, trials, strict=True) if trial is None]
    said = []
    if lacking:
        said.append(
            f"For {write_list(lacking)} there is no trial file, so that the conditions are not known. What changed can be read"
            " below; nothing can be said of why."
        )
    if not differing and not lacking:
        said.append(
            "No condition that all trial files state differs. What changed came from something that they do not state, from"
            " chance, or from the instruments."
        )
    elif len(differing) == 1:
        said.append(
            f"As far as the trial files state it, the nights differ in one condition: {_told(conditions, differing[0], names)}."
            " It is the one candidate for what changed, and not shown to be its cause: that takes repeated nights, with it and"
            " without."
        )
    elif differing:
        in_full = len(differing) <= MOST_TOLD_IN_FULL
        told = write_list([_told(conditions, part, names) if in_full else part for part in differing])
        said.append(
            f"The nights differ in {len(differing)} conditions at once: {told}. What changed cannot be credited to any one of"
            " them. To learn what one does, repeat the nights with only that one changed."
        )
    if unknown and not lacking:
        labels = list(dict.fromkeys(f"{one.part}, {one.label}" for one in unknown))
        tail = " With these unknown, no condition can be singled out." if len(differing) <= 1 else ""
        said.append(f"Not stated for every night, and so perhaps different as well: {write_list(labels)}.{tail}")
    if parts_that(conditions, "words"):
        said.append("Notes differ: read whether they tell of another condition.")
    small = [f"{one.part}, {one.label}" for one in conditions if one.standing == "small"]
    if small:
        said.append(f"Different by so little that it is not counted: {write_list(small)}.")
    return (*said, WIND)


def parts_that(conditions: Sequence[Condition], standing: Standing) -> tuple[str, ...]:
    """Give the parts of which some condition stands so, each once."""
    return tuple(dict.fromkeys(one.part for one in conditions if one.standing == standing))


def _told(conditions: Sequence[Condition], part: str, names: Sequence[str]) -> str:
    """Tell one part's differences: "vent “hatch” (state open in A, shut in B)"."""
    told = []
    for one in conditions:
        if one.part == part and one.standing == "differs":
            values = ", ".join(f"{value} in {name}" for name, value in zip(names, one.values, strict=True))
            told.append(f"{one.label} {values}")
    return f"{part} ({'; '.join(told)})"
