"""Nights of a room that a burner warms, by the practice rooms' own balance, as meters show them; all invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from frametally.assess import DisplayFacts
from frametally.model import Accuracy, Trial
from frametally.practice.meters import Meter, indicate
from frametally.practice.zone import FUELS, Cabin, Night, simulate_air

START = pd.Timestamp("2026-10-30T21:00:00+00:00")
ON_MIN, OFF_MIN, END_MIN, STEP_S = 32.0, 300.0, 540.0, 20.0
VOLUME_M3, OUTDOOR_C, START_C, LOSS_W_PER_K = 30.0, 5.0, 10.0, 60.0

METERS = (
    Meter("co_ppm", "carbon monoxide", "ppm", "CO", "###", (0, 999.0), 1, 3, 0.10, 25, 0.5),
    Meter("o2_pct", "oxygen", "%", "O2", "##.#", (0.0, 25.0), 0.1, 0.3, 0.0, 18, 0.03),
    Meter("co2_ppm", "carbon dioxide", "ppm", "CO2", "####", (0, 9999), 1, 50, 0.03, 60, 6.0),
    Meter("temp_c", "air temperature", "°C", "room", "-##.#", (-19.9, 60.0), 0.1, 0.8, 0.0, 300, 0.04),
    Meter("rh_pct", "relative humidity", "%", "moisture", "##", (5, 99), 1, 4, 0.0, 200, 0.3),
)
ALL = tuple(meter.key for meter in METERS)


@dataclass(frozen=True)
class WarmNight:
    """What a night is made of; `warming_k` is how far the room warms in the end, `is_wet` whether water settles on cold panes."""

    air_change_per_h: float
    warming_k: float
    is_wet: bool = False
    peak_ppm: float = 60.0
    burn_kw: float = 0.8
    every_min: float = 4.0
    keys: tuple[str, ...] = ALL


def facts_of(keys: Sequence[str]) -> list[DisplayFacts]:
    """What the calibration would say of the meters."""
    return [
        DisplayFacts(m.key, m.quantity, m.unit, m.span, m.resolution, Accuracy(absolute=m.accuracy_absolute), "shelf unit")
        for m in METERS
        if m.key in keys
    ]


def warm_trial() -> Trial:
    """The trial that goes with every such night."""
    on, off = (START + pd.Timedelta(minutes=m) for m in (ON_MIN, OFF_MIN))
    return Trial.model_validate(
        {
            "format": 1,
            "space": {"volume_m3": VOLUME_M3, "altitude_m": 0},
            "appliance": [{"fuel": "propane", "on": on.to_pydatetime(), "off": off.to_pydatetime()}],
        }
    )


def warm_table(night: WarmNight, seed: int) -> pd.DataFrame:
    """What the meters show: they lag, are noisy, stand off within their stated errors, and round."""
    rng, fuel, per_h = np.random.default_rng(seed), FUELS["propane"], night.air_change_per_h
    cabin = Cabin(
        VOLUME_M3, 0.0, LOSS_W_PER_K, 3.5e5, 8.0 if night.is_wet else 0.0, OUTDOOR_C, 80.0, 420.0, START_C,
        75.0 if night.is_wet else 60.0,
    )  # fmt: skip
    moles = 101325 * VOLUME_M3 / (8.314462618 * (START_C + 273.15))
    burn = night.burn_kw * 1e3 / (fuel.net_mj_per_kg * 1e6)
    built_up = -np.expm1(-per_h * (OFF_MIN - ON_MIN) / 60)
    share = night.peak_ppm * 1e-6 * moles * per_h / 3600 / (burn * fuel.carbon * built_up)
    loss = LOSS_W_PER_K + moles * 0.028965 * 1006 * per_h / 3600
    held = loss * (START_C - OUTDOOR_C)

    def is_lit(now: float) -> bool:
        return ON_MIN * 60 <= now < OFF_MIN * 60

    air = simulate_air(
        cabin,
        fuel,
        Night(
            burn_kg_per_s=lambda now: burn if is_lit(now) else 0.0,
            co_share=lambda _: share,
            air_changes_per_h=lambda _: per_h,
            other_heat_w=lambda now: held + loss * night.warming_k - night.burn_kw * 1e3 if is_lit(now) else held,
            other_water_kg_per_s=lambda now: (4e-5 if night.is_wet else 2e-5) if is_lit(now) else 0.4e-5,
        ),
        END_MIN * 60,
        STEP_S,
    )
    columns = {}
    for meter in METERS:
        if meter.key not in night.keys:
            continue
        own = replace(meter, offset=float(rng.uniform(-0.3, 0.3)) * meter.accuracy_absolute, gain=float(rng.uniform(0.98, 1.02)))
        texts, _ = indicate(getattr(air, meter.key), STEP_S, round(night.every_min * 60 / STEP_S), own, rng)
        columns[meter.key] = pd.to_numeric(pd.Series(texts), errors="coerce")
    minutes = np.arange(len(next(iter(columns.values())))) * night.every_min
    times = [(START + pd.Timedelta(minutes=float(m))).isoformat() for m in minutes]
    frames = [f"f{number:04d}.jpg" for number in range(len(minutes))]
    return pd.DataFrame({"time": times, "elapsed_min": minutes, "frame": frames, **columns})
