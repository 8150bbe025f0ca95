"""The usual pause between photos: bursts are none, gaps do not count, a drifting interval is followed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frametally.pace import pace, usual_pause


@pytest.mark.parametrize(
    ("pauses", "usual"),
    [
        ([240.0] * 10, 240),
        ([240.0, 0, 240, 0, 240], 240),  # the same second twice
        ([0.3, 0.3, 239.4] * 12, 239.4),
        ([1.0, 239.0] * 12, 239),
        ([0.5] * 4 + [58.0] + [0.5] * 4 + [58.0] + [0.5] * 4 + [58.5] + [0.5] * 4, 58),
        ([60.0] * 20 + [21600.0], 60),  # one long gap
        ([60.0] * 8 + [900.0, 1800.0, 3600.0, 7200.0], 60),  # gaps of any length are no pace
    ],
)
def test_the_usual_pause(pauses: list[float], usual: float) -> None:
    assert usual_pause(pauses) == pytest.approx(usual)


def test_nothing_known_is_no_number() -> None:
    assert math.isnan(usual_pause([]))
    assert math.isnan(usual_pause([0.0, float("nan"), -3.0]))
    assert pace([]).shape == (0,)


def test_a_pace_that_drifts_is_followed() -> None:
    drifting = np.linspace(60, 240, 200)
    assert np.abs(pace(drifting) / drifting - 1).max() < 0.4
    assert (drifting <= 1.5 * pace(drifting)).all()


def test_an_interval_that_was_changed_in_the_night_has_two_paces() -> None:
    found = pace([240.0] * 30 + [60.0] * 30)
    assert found[5] == 240
    assert found[-5] == 60


@given(st.lists(st.one_of(st.just(float("nan")), st.floats(-10, 1e6)), max_size=60))
def test_any_pauses_have_a_pace_that_is_one_of_theirs(pauses: list[float]) -> None:
    found = pace(pauses)
    known = [pause for pause in pauses if pause > 0]

    assert found.shape == (len(pauses),)
    if known:
        assert found.size == 0 or (min(known) <= found.min() and found.max() <= max(known))
