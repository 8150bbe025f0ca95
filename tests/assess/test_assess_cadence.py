"""Whether photos come often enough, against figures worked by hand."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from frametally.assess.cadence import plan_cadence
from frametally.model import Display, Trial

CORNERS = ((0, 0), (10, 0), (10, 5), (0, 5))


def display(key: str) -> Display:
    return Display(key=key, quantity="a gas", unit="", corners=CORNERS, digits="###", instrument="wall unit")


def trial(**t90_s: float) -> Trial:
    return Trial.model_validate({"format": 1, "instrument": [{"name": "wall unit", "response_t90_s": t90_s}]})


def test_the_shortest_average_is_a_quarter_of_an_hour() -> None:
    """WHO guidelines for indoor air quality: selected pollutants, 2010: 100 mg/m3 carbon monoxide over 15 min."""
    found = plan_cadence(display("co_ppm"), 60, None)

    assert found is not None
    assert (found.window_min, found.photos, found.t90_s, found.fit) == (15, 15, None, "good")
    assert found.left is None


@pytest.mark.parametrize(("interval_s", "photos", "fit"), [(90, 10, "good"), (91, 9, "borderline"), (225, 4, "borderline"),
                                                           (226, 3, "too long"), (1800, 0, "too long")])  # fmt: skip
def test_the_fit_follows_the_photos_in_the_window(interval_s: float, photos: int, fit: str) -> None:
    found = plan_cadence(display("co_ppm"), interval_s, None)

    assert found is not None
    assert (found.photos, found.fit) == (photos, fit)


def test_a_first_order_meter_keeps_a_tenth_after_t90() -> None:
    """By the definition of t90 a tenth of a step is left after it, and the square root of a tenth after half of it."""
    after, half = (plan_cadence(display("co_ppm"), seconds, trial(co=120)) for seconds in (120, 60))

    assert after is not None
    assert half is not None
    assert after.left == pytest.approx(0.1)
    assert half.left == pytest.approx(0.1**0.5)
    assert half.fit == "borderline"


def test_a_slow_meter_shows_less_than_the_average() -> None:
    """Mean of 1 - exp(-t/T) over W: 1 - T/W (1 - exp(-W/T)), with T = 360 / ln 10 = 156.35 s and W = 900 s: 0.8268."""
    found = plan_cadence(display("co_ppm"), 60, trial(co=360))

    assert found is not None
    assert found.shown == pytest.approx(0.8268, abs=1e-4)
    time = [900 * (step + 0.5) / 20000 for step in range(20000)]
    assert found.shown == pytest.approx(sum(1 - 10 ** (-t / 360) for t in time) / len(time), abs=1e-6)


def test_oxygen_has_no_average_and_temperature_no_limit() -> None:
    oxygen = plan_cadence(display("o2_pct"), 600, trial(oxygen=30))

    assert oxygen is not None
    assert (oxygen.window_min, oxygen.photos, oxygen.shown) == (None, None, None)
    assert oxygen.fit == "too long"
    assert plan_cadence(display("temp_c"), 60, None) is None
    assert plan_cadence(display("voltage"), 60, None) is None


def test_a_longer_interval_never_fits_better() -> None:
    order = ["good", "borderline", "too long"]
    fits = [plan_cadence(display("co_ppm"), 5 * 1.3**step, trial(co=100)) for step in range(24)]

    assert all(order.index(one.fit) <= order.index(other.fit) for one, other in pairwise(fits) if one and other)
    assert {one.fit for one in fits if one} == set(order)
    assert all(math.isfinite(one.left) for one in fits if one and one.left is not None)
