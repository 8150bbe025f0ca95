"""Amounts of gas from one unit to another: against published conversions and limits that are printed in two units."""

from __future__ import annotations

import math

import pytest
from assess_nights import find, make_steps, make_table
from hypothesis import given
from hypothesis import strategies as st

from frametally.assess import DisplayFacts, assess
from frametally.assess.mixture import mixture_sum
from frametally.assess.units import MASS_PER_VOLUME, SHARE, convert, factor, molar_volume, tidy_unit
from frametally.assess.verdict import probability_beyond
from frametally.assess.wording import write_chance

UNITS = sorted({*SHARE, *MASS_PER_VOLUME})


@pytest.mark.parametrize(
    ("value", "kind", "unit_from", "unit_to", "expected", "within"),
    [
        # NIOSH, documentation for carbon monoxide (1994): 35 ppm = 40 mg/m³, 200 ppm = 229 mg/m³.
        (35, "co_ppm", "ppm", "mg/m³", 40, 0.1),
        (200, "co_ppm", "ppm", "mg/m³", 229, 0.5),
        # Health Canada: 25 ppm = 28.6 mg/m³, 10 ppm = 11.5 mg/m³; NIOSH: CO2 5000 ppm = 9000 mg/m³.
        (25, "co_ppm", "ppm", "mg/m³", 28.6, 0.05),
        (10, "co_ppm", "ppm", "mg/m³", 11.5, 0.05),
        (5000, "co2_ppm", "ppm", "mg/m³", 9000, 5),
        # A converter of the trade: 50 ppm of carbon monoxide = 57.2 mg/m³ at 25 °C.
        (50, "co_ppm", "ppm", "mg/m³", 57.2, 0.1),
        (1, "no2_ppm", "ppm", "mg/m³", 1.88, 0.005),
        (0.5, "co2_ppm", "%", "ppm", 5000, 1e-9),
        (100, "no2_ppm", "ppb", "ppm", 0.1, 1e-12),
        (200, "no2_ppm", "µg/m³", "ppb", 106.3, 0.1),
    ],
)
def test_published_pairs(value, kind, unit_from, unit_to, expected, within):
    assert convert(value, kind, unit_from, unit_to) == pytest.approx(expected, abs=within)


def test_molar_volume():
    """24.45 L/mol at 25 °C and 101.325 kPa as the issuers round it; ideal gas, computed: 24.055 at 20 °C, 22.414 at 0 °C."""
    assert molar_volume() == 24.45
    assert molar_volume(20) == pytest.approx(24.055, abs=5e-4)
    assert molar_volume(0) == pytest.approx(22.414, abs=5e-4)
    assert factor("co_ppm", "ppm", "mg/m³", 20.0) == pytest.approx(1.164, abs=5e-4)


@given(st.floats(1e-3, 1e6), st.sampled_from(UNITS), st.sampled_from(UNITS), st.sampled_from([0.0, 20.0, 25.0]))
def test_there_and_back(value, unit_from, unit_to, temp_c):
    there = convert(value, "co_ppm", unit_from, unit_to, temp_c)
    assert convert(there, "co_ppm", unit_to, unit_from, temp_c) == pytest.approx(value, rel=1e-10)


@pytest.mark.parametrize(
    ("spelt", "unit"), [(" MG/M3", "mg/m³"), ("ug/m3", "µg/m³"), ("PPM", "ppm"), ("% vol", "%"), ("bar", "")]
)
def test_spellings(spelt, unit):
    assert tidy_unit(spelt) == unit


def test_a_display_in_mg_per_m3_is_held_against_limits_in_ppm():
    """60 mg/m³ look like more than the PEL of 50 ppm, and are 52.4 ppm; 55 mg/m³ are 48.0 ppm."""
    facts = DisplayFacts("co_ppm", "carbon monoxide", "mg/m³")
    for level, verdict in ((60, "exceeds"), (55, "does not exceed")):
        finding = find(assess(make_steps([(level, 8)]), [facts]), "limit", limit="osha-co-pel")
        assert (finding.verdict, finding.value, finding.unit) == (verdict, pytest.approx(level), "mg/m³")
        assert "(57.3 mg/m³ at 25 °C and 101.325 kPa, 24.45 L/mol)" in finding.text


def test_a_unit_that_is_none_of_a_gas_counts_as_the_keys():
    facts = DisplayFacts("co_ppm", "carbon monoxide", "")
    assert find(assess(make_table([250] * 3), [facts]), "limit", limit="niosh-co-ceiling").verdict == "exceeds"


def test_published_example_of_a_mixture():
    """29 CFR 1910.1000(d)(2)(ii): 500 of 1000, 45 of 200 and 40 of 200 ppm make 0.925."""
    assert mixture_sum([500, 45, 40], [1000, 200, 200]) == pytest.approx(0.925, abs=1e-12)


def test_two_gases_may_be_over_together_that_are_not_alone():
    """29 CFR 1910.1000(d)(2): 30 of 50 ppm and 3000 of 5000 ppm make 1.2."""
    table = make_steps([(30, 8)]).assign(co2_ppm=3000.0)
    result = assess(table)
    assert find(result, "limit", limit="osha-co-pel").verdict == "does not exceed"
    together = find(result, "mixture")
    assert (together.verdict, together.value, together.tone) == ("exceeds", pytest.approx(1.2), "danger")
    assert "carbon monoxide 0.60 and carbon dioxide 0.60" in together.text
    assert find(assess(table.assign(co2_ppm=500.0)), "mixture").verdict == "does not exceed"
    assert not [f for f in assess(make_steps([(30, 8)])).findings if f.slug == "mixture"]


@pytest.mark.parametrize(("figure", "kept"), [(33, 0.9088), (35, 0.5), (32, 0.9772)])
def test_published_probabilities(figure, kept):
    """JCGM 106:2012, clause 7 (formula from memory, values computed with SciPy): limit 35, standard uncertainty 1.5."""
    assert 1 - probability_beyond(figure, 35, 1.5) == pytest.approx(kept, abs=5e-5)
    assert probability_beyond(figure, 35, 1.5, low_side=True) == pytest.approx(kept, abs=5e-5)


def test_probabilities_in_words():
    assert [write_chance(one) for one in (0.001, 0.2399, 0.999)] == ["under 1 %", "about 24 %", "over 99 %"]
    assert math.isclose(probability_beyond(193, 200, 10), 0.242, abs_tol=5e-4)
