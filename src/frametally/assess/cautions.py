"""The limits used and the trial to the findings that every report must carry: whom limits protect, what is missing, cautions."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from frametally.assess.limits import PROTECTED_PEOPLE, Limit, Protects
from frametally.assess.wording import write_day, write_list
from frametally.model import Finding, Trial, TrialInstrument

CAUTIONS: tuple[tuple[str, str, str], ...] = (
    (
        "caution-sleep",
        "Do not sleep beside an unvented burner on the strength of this",
        "One night without trouble proves nothing about the next: wind, damp fuel, a blocked flue or a shut vent change "
        "everything. Never sleep in a room with a burner that has no flue because a report like this one looked harmless. "
        "Keep a working carbon monoxide alarm where people sleep, test it, and get out into fresh air when it sounds.",
    ),
    (
        "caution-screening",
        "This is screening, not proof that a limit was kept",
        "The figures come from consumer instruments read off photos. They can show that something was wrong; they cannot "
        "certify that the air was fit to breathe. A measurement that is to hold before an authority needs instruments made, "
        "checked and placed for it.",
    ),
    (
        "caution-rules",
        "Makers' instructions, local codes and licensed people come first",
        "Follow the instructions of the appliance's and the instruments' makers and the codes of the place. Have work on "
        "burners, flues, gas and vents done by those who are licensed to do it.",
    ),
)
"""Slug, title and text of what must stand in every report."""


def give_cautions() -> list[Finding]:
    """Give the cautions that belong to every assessment."""
    return [
        Finding(slug=slug, title=title, text=text, weight=31 + place, tone="warning" if place == 0 else "note")
        for place, (slug, title, text) in enumerate(CAUTIONS)
    ]


def explain_limits(limits: tuple[Limit, ...]) -> Finding | None:
    """Say whom the limits held against this night were made for; None where none were."""
    if not limits:
        return None
    parts = []
    groups: tuple[Protects, ...] = ("healthy adult workers", "general public", "emergency")
    for group in groups:
        names = [f"{limit.label} ({limit.value:g} {limit.unit})" for limit in limits if limit.protects == group]
        if names:
            parts.append(f"Made for {PROTECTED_PEOPLE[group]}: {write_list(names)}.")
    has_public = any(limit.protects == "general public" for limit in limits)
    if has_public:
        parts.insert(0, "Only the limits made for everyone say anything about people asleep at home; the others do not.")
    else:
        parts.insert(
            0,
            "No limit here is made for people asleep at home, and less still for children, the unborn, the old or those with a "
            "weak heart or lungs. Keeping a workplace limit does not mean that the air is fit to sleep in.",
        )
    return Finding(
        slug="who-limits-protect",
        title="For whom these limits are made, and for whom not",
        text=" ".join(parts),
        weight=30,
        tone="note" if has_public else "warning",
        sources=tuple(dict.fromkeys(limit.citation for limit in limits)),
    )


def _has_appliance(trial: Trial, name: str) -> bool:
    return bool(trial.appliance) and all(getattr(one, name) not in (None, "") for one in trial.appliance)


MISSING_FACTS: tuple[tuple[str, str, Callable[[Trial], bool]], ...] = (
    (
        "which appliance burned, its fuel and whether it has a flue",
        "what used up the oxygen, and what else must have been made",
        lambda t: _has_appliance(t, "fuel") and _has_appliance(t, "flue"),
    ),
    (
        "the appliance's heat input, and whether net or gross",
        "how much oxygen it needed, and how much water and carbon dioxide it gave",
        lambda t: _has_appliance(t, "heat_input_kw") and _has_appliance(t, "heat_basis"),
    ),
    (
        "when the appliance was lit and put out",
        "which part of the night belongs to it, and how fast the air cleared",
        lambda t: _has_appliance(t, "on") and _has_appliance(t, "off"),
    ),
    (
        "the volume of the space",
        "how much gas and water the air held, and at what rate it came",
        lambda t: t.space.volume_m3 is not None,
    ),
    (
        "the altitude or the station pressure",
        "how much oxygen a breath held, and whether the oxygen meter was set for the place",
        lambda t: t.space.altitude_m is not None or t.space.station_pressure_hpa is not None,
    ),
    (
        "the vents, their free area and whether they were open",
        "whether a night with other vents can be compared with this one",
        lambda t: bool(t.vent) and all(one.open is not None and one.free_area_cm2 is not None for one in t.vent),
    ),
    (
        "how many people slept in the space",
        "how much of the carbon dioxide and the damp came from them",
        lambda t: t.people.sleeping is not None,
    ),
    (
        "the temperature and humidity outdoors",
        "where the damp came from, and whether cold surfaces got wet",
        lambda t: t.outdoor.temp_c is not None and t.outdoor.rh_pct is not None,
    ),
    (
        "the temperature of the coldest inside surface",
        "whether and for how long water settled there",
        lambda t: t.space.coldest_surface_c is not None,
    ),
)
"""What a trial may lack: the fact, what one could tell with it, and how to see that it is there."""


INSTRUMENT_FACTS: tuple[tuple[str, str, Callable[[TrialInstrument], str]], ...] = (
    (
        "when {} was last tested with gas",
        "whether its readings can be trusted at all",
        lambda one: write_day(one.last_bump_test) if one.last_bump_test else "",
    ),
    (
        "how quickly {} responds",
        "whether a short peak was higher than the display had time to show",
        lambda one: "given" if one.response_t90_s else "",
    ),
)
"""What is asked of every gas instrument: the fact, what one could tell with it, and how to say what is there ("" for nothing)."""


def ask_for_facts(trial: Trial | None, gas_instruments: Sequence[str] = ()) -> Finding | None:
    """List what the trial does not say and what each fact would let one tell; None where it says everything.

    `gas_instruments` are the names of the instruments that measured a gas; each is asked about by name.
    """
    missing = [(fact, gain) for fact, gain, is_there in MISSING_FACTS if trial is None or not is_there(trial)]
    missing += _missing_of_instruments(trial, gas_instruments)
    if not missing:
        return None
    head = "No trial file was given. " if trial is None else ""
    items = " ".join(
        f"({number}) {fact[:1].upper() + fact[1:]}: needed to tell {gain}." for number, (fact, gain) in enumerate(missing, 1)
    )
    return Finding(
        slug="missing-facts",
        title=f"Not known about this night: {len(missing)} {'thing' if len(missing) == 1 else 'things'}",
        text=f"{head}Photos cannot show these, and nothing was assumed. {items}",
        weight=80,
    )


def _missing_of_instruments(trial: Trial | None, gas_instruments: Sequence[str]) -> list[tuple[str, str]]:
    told = {one.name: one for one in trial.instrument} if trial else {}
    names = list(dict.fromkeys([*gas_instruments, *told]))
    missing = []
    for fact, gain, tell in INSTRUMENT_FACTS:
        there = {name: tell(told[name]) for name in names if name in told and tell(told[name])}
        lacking = [f"the {name}" for name in names if name not in there]
        if lacking or not names:
            known = write_list([f"the {name}: {text}" for name, text in there.items() if text != "given"])
            known = f" (known for {known})" if known else ""
            missing.append((fact.format(write_list(lacking) or "each instrument") + known, gain))
    return missing
