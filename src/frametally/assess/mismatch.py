"""Oxygen and carbon monoxide of one night to whether they can both be true: two gases of one fire in one air."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from frametally.assess.signals import Signal, interpolate, lead_signal, runs_of, smooth
from frametally.assess.study import Study, nearest_frames
from frametally.assess.wording import write_moment, write_number, write_reading
from frametally.model import Finding

LEAST_ODD_MIN = 20.0
"""Shortest time for which signals must disagree to be worth a finding (own choice)."""

FRESH_CO_PPM = 3.0
"""Carbon monoxide up to this counts as none where the maker states no error (common practice, no source)."""


def say_value(signal: Signal, value: float, extra: int = 0) -> str:
    """Write one of a signal's values with its unit, `extra` places finer than the display shows whole ones."""
    if signal.is_celsius:
        return f"{write_number(value, 1 + extra)} °C"
    return write_reading(round(value, extra + (1 if signal.facts.kind == "o2_pct" else 0)), signal.facts)


def tolerance_of(signal: Signal, value: float) -> float | None:
    """Give the stated error at one of a signal's values, in the unit of the values; None where none is stated."""
    shown = value * 1.8 + 32 if signal.facts.kind == "temp_f" else value
    stated = signal.facts.tolerance_at(shown)
    return None if stated is None else stated / 1.8 if signal.facts.kind == "temp_f" else stated


def describe_mismatch(studies: Sequence[Study]) -> Finding | None:
    """Oxygen back at its fresh-air reading while the carbon monoxide that came with its fall stays up."""
    carbon, oxygen = lead_signal(studies, "co_ppm"), lead_signal(studies, "o2_pct")
    if carbon is None or oxygen is None or len(oxygen.minutes) < 20:
        return None
    step = max(2 * oxygen.half_step(), 1e-9)
    monoxide = interpolate(carbon, oxygen.minutes)
    known = np.isfinite(monoxide)
    if known.sum() < 20:
        return None
    minutes, level, gas = oxygen.minutes[known], smooth(oxygen.values[known], 5), smooth(monoxide[known], 5)
    fresh = float(np.sort(level)[-3])
    lack = fresh - level
    deep = float(np.percentile(lack, 95))
    if deep < 3 * step:
        return None
    low = lack >= 0.7 * deep
    busy = float(np.median(gas[low]))
    error = tolerance_of(carbon, busy) or max(2 * carbon.half_step(), FRESH_CO_PPM)
    if busy < 3 * error:
        return None
    after = np.arange(len(minutes)) > int(np.flatnonzero(low)[0])
    odd = (lack <= 0.5 * step + 1e-9) & (gas >= 0.6 * busy) & after
    spans = [
        (float(minutes[a]), float(minutes[b - 1]), float(gas[a:b].mean()))
        for a, b in runs_of(odd)
        if minutes[b - 1] - minutes[a] >= LEAST_ODD_MIN
    ]
    if not spans:
        return None
    start, stop, mean = max(spans, key=lambda one: one[1] - one[0])
    text = (
        f"From {write_moment(oxygen.timeline, start)} to {write_moment(oxygen.timeline, stop)} {oxygen.facts.source_name} was "
        f"back at "
        f"{say_value(oxygen, fresh)} of oxygen, as in fresh air, while {carbon.facts.source_name} still showed "
        f"{say_value(carbon, mean)} of carbon monoxide. "
        f"Earlier, {say_value(carbon, busy)} went with {say_value(oxygen, deep)} less oxygen. Both cannot be true of one air "
        f"with one burner. "
        "Possible causes: the oxygen display set itself to 20.9 again, drifted or ran out of its working range; the carbon "
        "monoxide came "
        "from elsewhere (an engine, another flue) or with fresh air; the flame changed and gave more carbon monoxide for less "
        "oxygen; the "
        "carbon monoxide cell answers to another gas; the two stood in different air. Until one of these is shown, take the "
        "worse reading "
        "of each as true."
    )
    return Finding(
        "signals-do-not-fit",
        "Oxygen says fresh air, carbon monoxide says not",
        text,
        19,
        "warning",
        key=oxygen.facts.key,
        value=stop - start,
        unit="min",
        evidence=nearest_frames(oxygen.study, start, (start + stop) / 2, stop),
        sources=("One well-mixed air holds both gases in step (own reasoning)",),
    )
