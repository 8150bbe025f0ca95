"""The limits used and the trial to the findings that every report must carry: whom limits protect, what is missing, cautions."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from frametally.assess.facts import QUANTITIES
from frametally.assess.limits import SETTINGS, Limit, Setting
from frametally.assess.wording import write_day, write_list, write_minutes
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
        "caution-symptoms",
        "Headache, dizziness or sickness: out into fresh air first, and call for help",
        "Carbon monoxide has no smell, and its first signs pass for a cold or for tiredness: headache, dizziness, sickness, a "
        "weakness that gets better outdoors, animals that fall ill. Whoever feels them leaves the space at once, takes the "
        "others along, calls the emergency number and does not go back in, whatever an instrument or this report says.",
    ),
    (
        "caution-screening",
        "This is screening, not proof that a limit was kept",
        "The figures come from consumer instruments read off photos, at one place in the space. They can show that something "
        "was wrong; they cannot certify that the air was fit to breathe. A measurement that is to hold before an authority "
        "needs instruments made, checked and placed for it, and more nights than one (EN 689:2018 asks for three at least).",
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
    for_sleepers = any(limit.is_for_sleepers for limit in limits)
    if for_sleepers:
        head = (
            "Only the limits made for the air at home, and for the air outdoors, say anything about people asleep; "
            "those for work and for accidents do not."
        )
    else:
        head = (
            "No limit here is made for people asleep at home, and less still for children, the unborn, the old or those with a "
            "weak heart or lungs. Keeping a workplace limit does not mean that the air is fit to sleep in."
        )
    without = _kinds_without_home_limit(limits) if for_sleepers else []
    lack = f" For {write_list(without)} there is none made for people at home." if without else ""
    parts = [_name_group(setting, limits) for setting in SETTINGS if any(limit.setting == setting for limit in limits)]
    return Finding(
        slug="who-limits-protect",
        title="For whom these limits are made, and for whom not",
        text=" ".join([head + lack, *parts]),
        weight=30,
        tone="note" if for_sleepers and not without else "warning",
        sources=tuple(dict.fromkeys(limit.citation for limit in limits)),
    )


def _kinds_without_home_limit(limits: tuple[Limit, ...]) -> list[str]:
    kinds = dict.fromkeys(limit.kind for limit in limits)
    return [QUANTITIES[kind][0] for kind in kinds if not any(one.is_for_sleepers for one in limits if one.kind == kind)]


def _name_group(setting: Setting, limits: tuple[Limit, ...]) -> str:
    """Name the limits of one setting: each issuer's name once, with its values."""
    names: dict[str, list[str]] = {}
    for limit in limits:
        if limit.setting == setting:
            over = f" over {write_minutes(limit.averaging_min)}" if limit.averaging_min else ""
            names.setdefault(f"{limit.label} for {QUANTITIES[limit.kind][0]}", []).append(limit.amount + over)
    return f"Made for {SETTINGS[setting]}: {'; '.join(f'{name} ({write_list(values)})' for name, values in names.items())}."


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
