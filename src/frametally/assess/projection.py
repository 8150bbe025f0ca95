"""The night's carbon monoxide and air change to the nights that were not: sleepers in the space, more or less fresh air."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from frametally.assess.exposure import Bounded
from frametally.assess.limits import Limit, limits_for
from frametally.assess.signals import CHART_POINTS, Signal, readings_per_point, thin
from frametally.assess.sleepers import (
    ASLEEP_SOURCE,
    MOST_SLEEPERS,
    add_sleepers,
    air_change_for_sleepers,
    air_change_to_keep,
    with_air_change,
    worst_mean,
)
from frametally.assess.stretches import Gas
from frametally.assess.wording import write_list
from frametally.model import Finding, Trial

NIGHT_H = 8.0
PROJECTION_SOURCE = "Single-zone mass balance, same source, other air change (ASTM E741 model, from memory; own derivation)"
FOR_INSTANCE_PER_H = (0.5, 1.0, 2.0)
"""Air changes to reckon with where the night tells none: examples, not estimates."""

NO_ADVICE = "This is arithmetic on one night, not advice: no figure here makes it safe to sleep beside a burner."

Main = tuple[tuple[float, float], Bounded]
"""The time [min] an air change was found for, and the air change with bounds [per hour]."""


def project(
    lead: Signal, carbon: Gas | None, main: Main | None, trial: Trial | None, usual_co2_ppm: float
) -> tuple[list[Finding], dict[str, object]]:
    """Give the findings on other nights, and their figures."""
    findings: list[Finding] = []
    figures: dict[str, object] = {}
    if main is not None and carbon is not None:
        told = _tell_other_air(carbon, main)
        if told is not None:
            findings.append(told[0])
            figures["carbon_monoxide"] = told[1]
    volume = trial.space.volume_m3 if trial else None
    if volume is not None:
        stated = trial.outdoor.co2_ppm if trial else None
        finding, figures["sleepers"] = _tell_sleepers(lead, volume, main, stated, usual_co2_ppm)
        findings.append(finding)
    return findings, figures


def _tell_other_air(carbon: Gas, main: Main) -> tuple[Finding, dict[str, object]] | None:
    (start, stop), per_h = main
    signal, outdoor = carbon.signal, carbon.outdoor or 0.0
    inside = (signal.minutes >= start) & (signal.minutes <= stop)
    if inside.sum() < 4:
        return None
    minutes, values = thin(signal.minutes[inside], signal.values[inside], 2 * CHART_POINTS)
    rows, words = [], []
    for factor, name in ((0.5, "half"), (2.0, "twice"), (4.0, "four times")):
        courses = [with_air_change(minutes, values, outdoor, a, factor * a) for a in (per_h.lower, per_h.middle, per_h.upper)]
        means, tops = ([worst_mean(minutes, c, m) for c in courses] for m in (480.0, None))
        rows.append(
            {
                "air_change_factor": factor,
                "air_change_per_h": factor * per_h.middle,
                "worst_8h_ppm": means[1],
                "worst_8h_least_ppm": min(means),
                "worst_8h_most_ppm": max(means),
                "highest_ppm": tops[1],
            }
        )
        words.append(f"{name} the fresh air {means[1]:.0f} ppm (highest {tops[1]:.0f} ppm)")
    measured, per_point = worst_mean(minutes, values, 480.0), readings_per_point(int(inside.sum()), 2 * CHART_POINTS)
    thinned = f"Every {per_point} readings were averaged into one for this. " if per_point > 1 else ""
    limits, rates = _carbon_limits(), (per_h.lower, per_h.middle, per_h.upper)
    found = {
        (level, length): [air_change_to_keep(level, minutes, values, outdoor, a, length) for a in rates]
        for level, length in {(level, limit.averaging_min) for limit, level in limits}
    }
    needs = [(limit, level, found[level, limit.averaging_min]) for limit, level in limits]
    text = (
        f"Had the same carbon monoxide come in, its worst mean over up to 8 h, measured as {measured:.0f} ppm, would have "
        f"been: with "
        f"{write_list(words)}. A real burner gives off more or less when its air changes. "
        f"{_write_needs(needs, values, minutes)}{thinned}{NO_ADVICE}"
    )
    finding = Finding(
        "other-air-changes",
        "The same carbon monoxide with more or less fresh air",
        text,
        57,
        key=signal.facts.key,
        sources=(PROJECTION_SOURCE,),
    )
    figures = {
        "measured_worst_8h_ppm": measured,
        "other_air_changes": rows,
        "to_keep_limits_per_h": [
            {
                "limit": limit.id,
                "level_ppm": level,
                "averaging_min": limit.averaging_min,
                "lower": rates[0],
                "middle": rates[1],
                "upper": rates[2],
            }
            for limit, level, rates in needs
        ],
    }
    return finding, figures


def _carbon_limits() -> list[tuple[Limit, float]]:
    """The limits for carbon monoxide with their values in ppm, but for those of escape within minutes."""
    levels = [(limit, limit.level_in("ppm")) for limit in limits_for("co_ppm") if not limit.is_low_side]
    return [(limit, level) for limit, level in levels if level < 300]


Need = tuple[Limit, float, list[float | None]]
"""A limit, its value [ppm], and the air changes that would have kept it: least, middle and most [per hour]."""


def _write_needs(needs: Sequence[Need], values: np.ndarray, minutes: np.ndarray) -> str:
    """The strictest limits that the measured course passed, with the air change that would have kept it under each."""
    passed = [one for one in needs if worst_mean(minutes, values, one[0].averaging_min) > one[1]]
    if not passed:
        return ""
    parts = []
    for limit, level, rates in sorted(passed, key=lambda one: (one[1], one[0].averaging_min or 0))[:3]:
        span = [rate for rate in rates if rate is not None]
        amount = f"{min(span):.1f} to {max(span):.1f} an hour" if len(span) == 3 else "more than any that can be reckoned with"
        parts.append(f"{limit.label} of {level:.3g} ppm: {amount}")
    return f"Air changes that would have kept the readings at or under a limit they passed: {'; '.join(parts)}. "


def _tell_sleepers(
    lead: Signal, volume: float, main: Main | None, stated_co2: float | None, usual_co2_ppm: float
) -> tuple[Finding, dict[str, object]]:
    outdoor = usual_co2_ppm if stated_co2 is None else stated_co2
    rates = FOR_INSTANCE_PER_H if main is None else (main[1].lower, main[1].middle, main[1].upper)
    table = [add_sleepers(n, volume, a, NIGHT_H, outdoor) for n in range(1, MOST_SLEEPERS + 1) for a in rates]
    chosen = {n: [one for one in table if one.people == n] for n in range(1, MOST_SLEEPERS + 1)}
    parts = [
        f"{n} {'person' if n == 1 else 'people'}: carbon dioxide {max(o.co2_ppm for o in group):,.0f} to "
        f"{min(o.co2_ppm for o in group):,.0f} "
        f"ppm, oxygen {min(o.o2_pct for o in group):.2f} to {max(o.o2_pct for o in group):.2f} %, "
        f"{group[0].water_g / 1000:.1f} litres of water"
        for n, group in chosen.items()
    ]
    basis = (
        f"for {write_list([f'{a:g}' for a in rates])} air changes an hour (examples: this night tells no air change of its own)"
        if main is None
        else f"at the air change of this night ({rates[0]:.2g} to {rates[2]:.2g} an hour)"
    )
    limits = sorted({limit.value for limit in limits_for("co2_ppm") if limit.is_average and limit.value > outdoor})[:2]
    keep = [
        f"{value:,g} ppm takes "
        + write_list([f"{air_change_for_sleepers(n, volume, value, outdoor):.1f}" for n in range(1, MOST_SLEEPERS + 1)])
        for value in limits
    ]
    text = (
        f"People asleep use oxygen and give off carbon dioxide and water by themselves, besides any burner. After {NIGHT_H:g} "
        f"h in these "
        f"{volume:g} m³, {basis}, they alone would make: {'; '.join(parts)}."
    )
    if keep:
        text += f" To hold their carbon dioxide at {' and at '.join(keep)} air changes an hour for one to four people."
    if stated_co2 is None:
        text += f" Outdoor air was taken to hold {outdoor:g} ppm; the trial does not state it."
    text += f" What the burner adds comes on top. {NO_ADVICE}"
    finding = Finding(
        "sleepers",
        "What one to four sleepers would add to this air",
        text,
        58,
        key=lead.facts.key,
        sources=(ASLEEP_SOURCE, "Water: 40 g an hour asleep (BS 5250; from memory)", PROJECTION_SOURCE),
    )
    figures: dict[str, object] = {
        "volume_m3": volume,
        "is_air_change_told": main is not None,
        "outdoor_co2_ppm": outdoor,
        "nights": [
            {
                "people": o.people,
                "air_change_per_h": o.air_change_per_h,
                "hours": o.hours,
                "co2_ppm": o.co2_ppm,
                "o2_pct": o.o2_pct,
                "water_g": o.water_g,
            }
            for o in table
        ],
        "to_keep_co2_per_h": [
            {"people": n, "level_ppm": value, "air_change_per_h": air_change_for_sleepers(n, volume, value, outdoor)}
            for value in limits
            for n in range(1, MOST_SLEEPERS + 1)
        ],
    }
    return finding, figures
