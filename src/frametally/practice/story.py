"""Takes a seed's generator and the length of a night; gives its story: cabin, appliance, the air, and what each meter shows.

The appliance, the weather and what happens are drawn anew for each night; the numbers follow from them (`zone`, `meters`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from frametally.errors import BadInput
from frametally.practice.meters import Meter, indicate
from frametally.practice.zone import FUELS, Air, Cabin, Fuel, Night, Series, simulate_air


@dataclass(frozen=True)
class Heater:
    """What burns: `spill` is the share of the products that comes into the room (1 where there is no flue)."""

    name: str
    fuel: str
    heat_kw: float
    spill: float
    room_share: float

    @property
    def has_flue(self) -> bool:
        """Whether the products are meant to leave by a flue."""
        return self.spill < 1


@dataclass(frozen=True)
class Story:
    """One night: what stood where, what happened at which second, the air, and the displays' texts per frame by key."""

    cabin: Cabin
    heater: Heater
    air: Air
    meters: tuple[tuple[Meter, ...], tuple[Meter, ...]]
    lit_s: float
    smothered_s: float
    aired_s: float
    puff_s: float | None
    texts: dict[str, list[str]]


def _draw_heater(rng: np.random.Generator) -> Heater:
    kind = int(rng.integers(4))
    if kind == 0:
        return Heater("cabin heater without flue", "propane", float(rng.uniform(0.9, 1.6)), 1.0, 1.0)
    if kind == 1:
        return Heater("paraffin stove without flue", "paraffin", float(rng.uniform(0.8, 1.4)), 1.0, 1.0)
    if kind == 2:
        return Heater(
            "small cast stove, with flue", "smokeless coal", float(rng.uniform(2.2, 3.4)), float(rng.uniform(0.08, 0.16)), 0.7
        )
    return Heater("sheet-iron stove, with flue", "charcoal", float(rng.uniform(1.8, 2.8)), float(rng.uniform(0.1, 0.2)), 0.7)


def _draw_cabin(rng: np.random.Generator, frost: bool) -> Cabin:
    outdoor = float(rng.uniform(-9, -4) if frost else rng.uniform(1, 11))
    return Cabin(
        volume_m3=round(float(rng.uniform(18, 34)), 1),
        altitude_m=float(round(rng.uniform(5, 180))),
        loss_w_per_k=float(rng.uniform(55, 90)),
        storage_j_per_k=float(rng.uniform(2.5e5, 5e5)),
        cold_surface_m2=float(rng.uniform(2, 5)),
        outdoor_temp_c=round(outdoor, 1),
        outdoor_rh_pct=float(round(rng.uniform(78, 93))),
        outdoor_co2_ppm=float(round(rng.uniform(420, 450))),
        start_temp_c=float(rng.uniform(-6, -2) if frost else outdoor + rng.uniform(2, 8)),
        start_rh_pct=float(rng.uniform(55, 72)),
    )


def _ramp(at: float, over: float) -> Callable[[float], float]:
    return lambda now: min(max((now - at) / over, 0.0), 1.0)


def _bump(at: float, rise: float, fall: float) -> Callable[[float], float]:
    """A figure that rises from `at` over `rise` seconds and then decays with the time constant `fall`."""
    return lambda now: 0.0 if now < at else min((now - at) / rise, 1.0) * math.exp(-max(now - at - rise, 0.0) / fall)


@dataclass(frozen=True)
class _Course:
    lit_s: float
    smothered_s: float
    aired_s: float
    changes_per_h: float
    wave: float


def _draw_course(seconds: float, rng: np.random.Generator) -> _Course:
    return _Course(
        lit_s=seconds * float(rng.uniform(0.02, 0.08)),
        smothered_s=seconds * float(rng.uniform(0.35, 0.6)),
        aired_s=seconds * float(rng.uniform(0.86, 0.93)),
        changes_per_h=float(rng.uniform(0.6, 1.4)),
        wave=float(rng.uniform(0, 2 * math.pi)),
    )


def _plan(heater: Heater, fuel: Fuel, course: _Course, co_share: float, seconds: float) -> Night:
    lit, smothered = _ramp(course.lit_s, 240), _bump(course.smothered_s, seconds * 0.04, seconds * 0.12)
    burn = heater.heat_kw * 1e3 / (fuel.net_mj_per_kg * 1e6)
    casing_w = heater.heat_kw * 1e3 * (heater.room_share - heater.spill) if heater.has_flue else 0.0

    def rate(now: float) -> float:
        return lit(now) * (1 - 0.35 * smothered(now)) * (1 + 0.08 * math.sin(course.wave + now / 1900))

    def changes(now: float) -> float:
        calm = course.changes_per_h * (1 + 0.15 * math.sin(course.wave * 2 + now / 2700))
        return calm + (9.0 if now >= course.aired_s else 0.0)

    return Night(
        burn_kg_per_s=lambda now: burn * heater.spill * rate(now),
        co_share=lambda now: min(0.3, co_share * (1 + 3.0 * smothered(now))),
        air_changes_per_h=changes,
        other_heat_w=lambda now: casing_w * rate(now),
        other_water_kg_per_s=lambda now: 2.0e-5 if course.lit_s < now < course.smothered_s else 0.4e-5,
    )


def _draw_air(cabin: Cabin, heater: Heater, course: _Course, peak_ppm: float, seconds: float, step_s: float) -> Air:
    """Give the air with the CO share of the flame such that CO peaks where the story wants it."""
    fuel, share = FUELS[heater.fuel], 0.004
    coarse = max(step_s, 30.0)
    for _ in range(3):
        trial = simulate_air(cabin, fuel, _plan(heater, fuel, course, share, seconds), seconds, coarse)
        share = min(0.25, share * (peak_ppm - 0.2) / max(float(trial.co_ppm.max()) - 0.2, 0.05))
    return simulate_air(cabin, fuel, _plan(heater, fuel, course, share, seconds), seconds, step_s)


def draw_meters(rng: np.random.Generator, third: str, frost: bool) -> tuple[tuple[Meter, ...], tuple[Meter, ...]]:
    """Give the hand-held's and the shelf unit's displays; `third` is "wall_co_ppm" or "co2_ppm"."""

    def own(accuracy: float) -> float:
        return float(rng.uniform(-0.3, 0.3)) * accuracy

    top = 999.0 if third == "wall_co_ppm" else 300.0
    hand = (
        Meter("co_ppm", "carbon monoxide", "ppm", "CO", "###", (0, top), 1, 3, 0.10, 25, 0.5, own(1.0), 1 + own(0.06)),
        Meter("o2_pct", "oxygen", "%", "O2", "##.#", (0.0, 25.0), 0.1, 0.3, 0.0, 18, 0.03, own(0.15)),
    )
    temp_mask, coldest = ("-##.#", -19.9) if frost or rng.random() < 0.4 else ("##.#", 0.0)
    extra = (
        Meter("wall_co_ppm", "carbon monoxide", "ppm", "CO", "###", (0, 100), 1, 5, 0.15, 80, 0.8, own(2.0), 1 + own(0.1))
        if third == "wall_co_ppm"
        else Meter("co2_ppm", "carbon dioxide", "ppm", "CO2", "####", (0, 9999), 1, 50, 0.03, 60, 6.0, own(30), 1 + own(0.02))
    )
    shelf = (
        Meter("temp_c", "air temperature", "°C", "room", temp_mask, (coldest, 50.0), 0.1, 0.8, 0.0, 300, 0.04, own(0.5)),
        Meter("rh_pct", "relative humidity", "%", "moisture", "##", (5, 99), 1, 4, 0.0, 200, 0.3, own(2.0)),
        extra,
    )
    return hand, shelf


def _with_puff(air: Air, puff_s: float, tau_s: float, co_ppm: float, o2_per_co2: float) -> Air:
    """Add a puff of smoke that passes the instruments before it mixes: CO with ten times as much CO2, and the oxygen for it."""
    since = air.elapsed_s - puff_s
    shape = np.where(since < 0, 0.0, np.minimum(np.maximum(since, 0) / 20.0, 1.0) * np.exp(-np.maximum(since, 0) / tau_s))
    co2 = 10 * co_ppm * shape
    return replace(air, co_ppm=air.co_ppm + co_ppm * shape, co2_ppm=air.co2_ppm + co2, o2_pct=air.o2_pct - co2 * o2_per_co2 / 1e4)


def _true_of(key: str, air: Air) -> Series:
    kinds = {"co_ppm": air.co_ppm, "wall_co_ppm": air.co_ppm, "co2_ppm": air.co2_ppm, "o2_pct": air.o2_pct}
    return kinds[key] if key in kinds else {"temp_c": air.temp_c, "rh_pct": air.rh_pct}[key]


def draw_story(frames: int, interval_s: float, rng: np.random.Generator, *, puff_frame: int | None = None) -> Story:
    """Give a night of `frames` photos every `interval_s` seconds; `puff_frame` (from 0) is where smoke puffs out, if anywhere.

    Raises BadInput where the night has no length or is too long to draw.
    """
    if frames < 1 or not (1 <= interval_s <= 3600):
        raise BadInput(f"{frames} frames every {interval_s:g} s make no night; ask for 1 frame or more, every 1 to 3600 s")
    seconds = max((frames - 1) * interval_s, interval_s)
    # Whole steps per interval; about five seconds each, coarser over long nights so that drawing them stays quick.
    per_interval = max(1, round(interval_s / max(5.0, seconds / 8000)))
    step_s = interval_s / per_interval
    frost = bool(rng.random() < 0.3)
    cabin, heater = _draw_cabin(rng, frost), _draw_heater(rng)
    course = _draw_course(seconds, rng)
    third = "wall_co_ppm" if rng.random() < 0.6 else "co2_ppm"
    meters = draw_meters(rng, third, frost)
    air = _draw_air(cabin, heater, course, float(rng.uniform(28, 78)), seconds, step_s)
    puff_s = None
    if puff_frame is not None:
        puff_s = max(0.0, (puff_frame - 0.5) * interval_s)
        top = meters[0][0].span[1]
        wanted = rng.uniform(450, 700) if top > 500 else rng.uniform(700, 900)
        air = _with_puff(air, puff_s, max(0.8 * interval_s, 60.0), float(wanted), FUELS[heater.fuel].o2_per_co2)
    texts = {m.key: indicate(_true_of(m.key, air), step_s, per_interval, m, rng)[0][:frames] for pair in meters for m in pair}
    return Story(cabin, heater, air, meters, course.lit_s, course.smothered_s, course.aired_s, puff_s, texts)


def simulate(hours: float, interval_s: float, seed: int) -> Story:
    """Give the numbers of a practice night without its pictures: same seed, same night."""
    if not hours > 0:
        raise BadInput(f"a night of {hours:g} hours has no length; ask for more than 0")
    return draw_story(int(hours * 3600 / interval_s) + 1, interval_s, np.random.default_rng([seed, 1]))
