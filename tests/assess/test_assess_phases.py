"""How the night went: phases found from the readings, in spite of noise, gaps and short bursts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from assess_nights import demo_night
from test_assess_combustion import studies_of

from frametally.assess.changes import find_bursts, split_course
from frametally.assess.facts import gather_facts
from frametally.assess.phases import describe_phases, find_phases


def made_up(seed: int = 0, noise: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Quiet for 1 h, up to 60 ppm over 1 h, held 4 h, down over 1 h, low for 2 h; a reading every 3 min."""
    minutes = np.arange(0, 541, 3.0)
    level = np.interp(minutes, [0, 60, 120, 360, 420, 540], [2, 2, 60, 60, 2, 2])
    return minutes, np.round(level + np.random.default_rng(seed).normal(0, noise, len(minutes)))


@pytest.mark.parametrize("seed", range(8))
def test_the_five_phases_of_a_made_up_night(seed):
    minutes, values = made_up(seed)
    course = find_phases(minutes, values, 0.5)
    assert [phase.name for phase in course.phases] == ["before", "rise", "steady", "fall", "after"]
    assert [phase.start_min for phase in course.phases[1:]] == pytest.approx([60, 120, 360, 420], abs=12)
    assert course.phases[2].mean == pytest.approx(60, abs=1.0)
    assert course.phases[1].rate_per_h == pytest.approx(58, rel=0.15)
    assert course.turn_min == pytest.approx(120, abs=70)


def test_a_gap_moves_nothing():
    minutes, values = made_up(3)
    kept = (minutes < 200) | (minutes > 290)
    course = find_phases(minutes[kept], values[kept], 0.5)
    assert [phase.name for phase in course.phases] == ["before", "rise", "steady", "fall", "after"]


def test_a_burst_is_no_phase():
    minutes, values = made_up(1)
    values[80:84] = [250, 160, 110, 75]
    course = find_phases(minutes, values, 0.5)
    assert [phase.name for phase in course.phases] == ["before", "rise", "steady", "fall", "after"]
    assert [burst.peak for burst in course.bursts] == [250]
    assert course.bursts[0].peak_min == minutes[80]


def test_a_flat_night_has_one_phase():
    minutes = np.arange(0, 480, 4.0)
    course = find_phases(minutes, np.full(len(minutes), 3.0), 0.5)
    assert [phase.name for phase in course.phases] == ["steady"]
    assert course.turn_min is None
    assert course.bursts == ()


def test_noise_alone_makes_no_phases():
    for seed in range(10):
        values = np.random.default_rng(seed).normal(20, 1.0, 150)
        assert len(split_course(np.arange(150.0) * 4, values, 0.5)) == 1
        assert find_bursts(np.arange(150.0) * 4, values, 0.5) == ()


def test_too_few_readings_say_nothing():
    assert find_phases(np.arange(5.0), np.arange(5.0)) is None
    assert find_phases(np.zeros(20), np.arange(20.0)) is None


def test_units_change_nothing():
    minutes, values = made_up(2)
    celsius = pd.DataFrame({"elapsed_min": minutes, "temp_c": values})
    fahrenheit = pd.DataFrame({"elapsed_min": minutes, "temp_f": values * 1.8 + 32})
    one, two = (describe_phases(studies_of(table), None).figures["phases"] for table in (celsius, fahrenheit))
    assert [p["name"] for p in one] == [p["name"] for p in two]
    assert [p["mean"] for p in one] == pytest.approx([p["mean"] for p in two])


def test_the_demo_night_in_words():
    table, calibration, trial = demo_night()
    topic = describe_phases(studies_of(table, gather_facts(table, calibration.displays)), trial)
    (finding,) = topic.findings
    assert "rose from 3 ppm at 21:40" in finding.text
    assert "A short burst reached 193 ppm at 05:28" in finding.text
    assert "hatch and both doors opened to air at 06:48" in finding.text
    assert "oxygen went from 20.9 % down to 19.9 %" in finding.text
    assert len(finding.evidence) >= 4
