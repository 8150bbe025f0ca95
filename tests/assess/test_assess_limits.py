"""The limit catalogue against the documents it names."""

from __future__ import annotations

import pytest

from frametally.assess import limits_for, load_limits
from frametally.assess.limits import parse_limits
from frametally.errors import BadInput

ENTRY = """
[[limit]]
id = "{id}"
kind = "co_ppm"
issuer = "Someone"
name = "a limit"
value = {value}
unit = "ppm"
statistic = "{statistic}"
{averaging}
protects = "healthy adult workers"
rule = "A rule."
source = "A document"
clause = "1"
edition = "2026"
status = "{status}"
"""


def entry(**changes: object) -> str:
    return ENTRY.format(**{"id": "a-limit", "value": 50, "statistic": "ceiling", "averaging": "", "status": "seen"} | changes)


@pytest.mark.parametrize(
    ("name", "value", "unit", "statistic", "averaging_min", "protects"),
    [
        # 29 CFR 1910.1000, Table Z-1; the formula with its divisor of 8 h in (d)(1)(i).
        ("osha-co-pel", 50, "ppm", "twa-fixed", 480, "healthy adult workers"),
        # NIOSH, documentation for immediately dangerous concentrations, carbon monoxide, May 1994: REL 35 ppm, ceiling 200 ppm.
        ("niosh-co-rel", 35, "ppm", "twa-fixed", 480, "healthy adult workers"),
        ("niosh-co-ceiling", 200, "ppm", "ceiling", None, "healthy adult workers"),
        # The same, revised IDLH 1200 ppm (figure seen in third-party copies).
        ("niosh-co-idlh", 1200, "ppm", "instant-high", None, "emergency"),
        # 29 CFR 1910.146(b), hazardous atmosphere (seen in third-party copies).
        ("osha-o2-deficient", 19.5, "%", "instant-low", None, "healthy adult workers"),
        ("osha-o2-enriched", 23.5, "%", "instant-high", None, "healthy adult workers"),
    ],
)
def test_catalogue_has_the_published_values(name, value, unit, statistic, averaging_min, protects):
    limit = {one.id: one for one in load_limits()}[name]
    assert (limit.value, limit.unit, limit.statistic, limit.averaging_min, limit.protects) == (
        value,
        unit,
        statistic,
        averaging_min,
        protects,
    )
    assert limit.status == "seen"
    assert limit.source in limit.citation


def test_limits_for_picks_one_kind():
    assert {limit.kind for limit in limits_for("co_ppm")} == {"co_ppm"}
    assert [limit.value for limit in limits_for("o2_pct")] == [19.5, 23.5]
    assert limits_for("temp_c") == limits_for(None) == ()


def test_low_side_is_oxygen_deficiency_alone():
    assert [limit.id for limit in load_limits() if limit.is_low_side] == ["osha-o2-deficient"]


def test_value_from_memory_says_so():
    (limit,) = parse_limits(entry(status="from memory"))
    assert "from memory" in limit.citation
    (seen,) = parse_limits(entry())
    assert "memory" not in seen.citation


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (entry(statistic="twa-fixed"), "averaging_min"),
        (entry(averaging="averaging_min = 15"), "averaging_min"),
        (entry(value=-1), "value"),
        (entry(status="rumour"), "status"),
        (entry() + "colour = 'red'\n", "colour"),
        (entry() + entry(), "a-limit"),
        ("[[limit", "TOML"),
    ],
)
def test_faulty_catalogue_is_refused(text, says):
    with pytest.raises(BadInput, match=says):
        parse_limits(text)
