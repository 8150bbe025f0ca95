"""Verdicts from bounds and a guard band (decision rule after ILAC-G8:09/2019, 4.2: acceptance limit = limit - w)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frametally.assess.verdict import decide

RANK = {"does not exceed": 0, "undecided": 1, "exceeds": 2}


@pytest.mark.parametrize(
    ("lower", "upper", "tolerance", "verdict"),
    [
        (51, 60, None, "exceeds"),
        (50, 60, None, "undecided"),  # exactly at the limit is not above it
        (40, 50, None, "does not exceed"),
        (40, 51, None, "undecided"),
        # w = U = 5: the four outcomes pass, conditional pass, conditional fail, fail.
        (45, 45, 5, "does not exceed"),
        (46, 46, 5, "undecided"),
        (54, 54, 5, "undecided"),
        (55, 55, 5, "undecided"),
        (55.1, 55.1, 5, "exceeds"),
        (55.1, None, 5, "exceeds"),
        (10, None, 5, "undecided"),
        (10, math.inf, 5, "undecided"),
        (None, 40, None, "does not exceed"),
        (math.nan, math.nan, None, "undecided"),
    ],
)
def test_high_side(lower, upper, tolerance, verdict):
    assert decide(lower, None, upper, 50, tolerance).verdict == verdict


@pytest.mark.parametrize(
    ("lower", "upper", "tolerance", "verdict"),
    [
        (19.0, 19.4, None, "exceeds"),
        (19.0, 19.5, None, "undecided"),  # 29 CFR 1910.146(b): below 19.5, so 19.5 itself is not deficient
        (19.5, 20.9, None, "does not exceed"),
        (19.9, 19.9, 0.3, "does not exceed"),
        (19.7, 19.7, 0.3, "undecided"),
        (19.3, 19.3, 0.3, "undecided"),
        (19.1, 19.1, 0.3, "exceeds"),
        (None, 19.9, 0.3, "undecided"),
        (-math.inf, 19.1, 0.3, "exceeds"),
    ],
)
def test_low_side(lower, upper, tolerance, verdict):
    assert decide(lower, None, upper, 19.5, tolerance, low_side=True).verdict == verdict


def test_too_little_measured_never_clears_but_still_convicts():
    assert decide(1, 2, 3, 50, enough=False).verdict == "undecided"
    assert decide(60, 60, 60, 50, enough=False).verdict == "exceeds"


def test_rule_is_printed_with_the_error_and_its_unit():
    assert "5 ppm" in decide(1, 2, 3, 50, 5, unit="ppm").rule
    assert "No error is stated" in decide(1, 2, 3, 50).rule


@settings(max_examples=200, deadline=None)
@given(st.floats(0, 100), st.floats(0, 50), st.floats(0, 50), st.floats(0, 50), st.none() | st.floats(0, 20), st.booleans())
def test_worse_bounds_never_soften_the_verdict(lower, width, rise_lower, rise_upper, tolerance, low_side):
    sign = -1 if low_side else 1
    mild, bad = (
        (sign * lower, sign * (lower + width)),
        (sign * (lower + rise_lower), sign * (lower + width + rise_lower + rise_upper)),
    )
    limit = sign * 50
    before = decide(min(mild), None, max(mild), limit, tolerance, low_side=low_side)
    after = decide(min(bad), None, max(bad), limit, tolerance, low_side=low_side)
    assert RANK[after.verdict] >= RANK[before.verdict]


@settings(max_examples=200, deadline=None)
@given(st.floats(0, 100), st.floats(0, 50), st.floats(0, 20), st.floats(0, 20))
def test_a_larger_error_never_decides_more(lower, width, tolerance, more):
    loose = decide(lower, None, lower + width, 50, tolerance + more).verdict
    assert loose in {"undecided", decide(lower, None, lower + width, 50, tolerance).verdict}
