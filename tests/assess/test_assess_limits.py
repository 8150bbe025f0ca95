"""The limit catalogue against the documents it names."""

from __future__ import annotations

import re

import pytest

from frametally.assess import limits_for, load_alarms, load_limits
from frametally.assess.limits import parse_alarms, parse_limits
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
protects = "{protects}"
setting = "{setting}"
rule = "A rule."
source = "A document"
clause = "1"
edition = "2026"
status = "{status}"
"""


def entry(**changes: object) -> str:
    usual = {"id": "a-limit", "value": 50, "statistic": "ceiling", "averaging": "", "status": "seen"}
    return ENTRY.format(**usual | {"protects": "healthy adult workers", "setting": "work"} | changes)


AEGL_MINUTES = (10, 30, 60, 240, 480)
PUBLISHED = [
    # 29 CFR 1910.1000, Table Z-1; the formula with its divisor of 8 h in (d)(1)(i).
    ("osha-co-pel", 50, "ppm", "twa-fixed", 480, "work", "seen"),
    # NIOSH, documentation for immediately dangerous concentrations, carbon monoxide, May 1994: REL 35 ppm, ceiling 200 ppm.
    ("niosh-co-rel", 35, "ppm", "twa-fixed", 480, "work", "seen"),
    ("niosh-co-ceiling", 200, "ppm", "ceiling", None, "work", "seen"),
    # The same, revised IDLH 1200 ppm (figure seen in third-party copies).
    ("niosh-co-idlh", 1200, "ppm", "instant-high", None, "accident", "seen"),
    # ACGIH TLV as OSHA's chemical sampling information gives it.
    ("acgih-co-tlv", 25, "ppm", "twa-fixed", 480, "work", "seen"),
    # 40 CFR 50.8(a)(1) and (2) (seen in the state rule that repeats it).
    ("epa-co-8h", 9, "ppm", "hourly-mean", 480, "outdoors", "seen"),
    ("epa-co-1h", 35, "ppm", "hourly-mean", 60, "outdoors", "seen"),
    # WHO guidelines for indoor air quality, 2010 (24 h and 8 h seen as 6 and 9 ppm; the shorter ones from memory).
    ("who-indoor-co-15min", 100, "mg/m³", "rolling-mean", 15, "home", "from memory"),
    ("who-indoor-co-1h", 35, "mg/m³", "rolling-mean", 60, "home", "from memory"),
    ("who-indoor-co-8h", 10, "mg/m³", "rolling-mean", 480, "home", "seen"),
    ("who-indoor-co-24h", 7, "mg/m³", "rolling-mean", 1440, "home", "seen"),
    # WHO global air quality guidelines, 2021 (seen in copies).
    ("who-2021-co-24h", 4, "mg/m³", "rolling-mean", 1440, "home", "seen"),
    ("who-2021-no2-24h", 25, "µg/m³", "rolling-mean", 1440, "home", "seen"),
    ("who-2021-no2-year", 10, "µg/m³", "annual-mean", 525600, "home", "seen"),
    # Health Canada, residential indoor air quality guidelines.
    ("hc-co-1h", 25, "ppm", "rolling-mean", 60, "home", "seen"),
    ("hc-co-24h", 10, "ppm", "rolling-mean", 1440, "home", "seen"),
    ("hc-co2-24h", 1000, "ppm", "rolling-mean", 1440, "home", "seen"),
    # Directive 2004/37/EC, Annex III as amended by (EU) 2022/431; EH40/2005, 4th edition, 2020 (third-party copies).
    ("eu-co-8h", 20, "ppm", "twa-fixed", 480, "work", "seen"),
    ("eu-co-15min", 100, "ppm", "rolling-mean", 15, "work", "seen"),
    ("hse-co-8h", 20, "ppm", "twa-fixed", 480, "work", "seen"),
    ("hse-co-15min", 100, "ppm", "rolling-mean", 15, "work", "seen"),
    ("hse-co2-15min", 15000, "ppm", "rolling-mean", 15, "work", "seen"),
    # US NRC, acute exposure guideline levels, volume 8, 2010 (from memory).
    *(
        (f"aegl-{tier}-co-{name}", value, "ppm", "rolling-mean", minutes, "accident", "from memory")
        for tier, values in ((2, (420, 150, 83, 33, 27)), (3, (1700, 600, 330, 150, 130)))
        for name, minutes, value in zip(("10min", "30min", "1h", "4h", "8h"), AEGL_MINUTES, values, strict=True)
    ),
    # 29 CFR 1910.146(b), hazardous atmosphere (seen in third-party copies).
    ("osha-o2-deficient", 19.5, "%", "instant-low", None, "work", "seen"),
    ("osha-o2-enriched", 23.5, "%", "instant-high", None, "work", "seen"),
    # NIOSH, documentation for immediately dangerous concentrations, carbon dioxide, May 1994.
    ("osha-co2-pel", 5000, "ppm", "twa-fixed", 480, "work", "seen"),
    ("niosh-co2-stel", 30000, "ppm", "rolling-mean", 15, "work", "seen"),
    ("niosh-co2-idlh", 40000, "ppm", "instant-high", None, "accident", "seen"),
    # The same for nitrogen dioxide, and publication 2017-202.
    ("osha-no2-ceiling", 5, "ppm", "ceiling", None, "work", "seen"),
    ("niosh-no2-stel", 1, "ppm", "rolling-mean", 15, "work", "seen"),
    ("niosh-no2-idlh", 13, "ppm", "instant-high", None, "accident", "seen"),
    # 40 CFR 50.11 (seen in a copy).
    ("epa-no2-1h", 100, "ppb", "hourly-mean", 60, "outdoors", "seen"),
    ("epa-no2-year", 53, "ppb", "annual-mean", 525600, "outdoors", "seen"),
]


@pytest.mark.parametrize(("name", "value", "unit", "statistic", "averaging_min", "setting", "status"), PUBLISHED)
def test_catalogue_has_the_published_values(name, value, unit, statistic, averaging_min, setting, status):
    limit = {one.id: one for one in load_limits()}[name]
    assert (limit.value, limit.unit, limit.statistic, limit.averaging_min) == (value, unit, statistic, averaging_min)
    assert (limit.setting, limit.status) == (setting, status)
    assert limit.source in limit.citation


def test_alarm_bands_are_the_published_ones():
    """EN 50291-1 (2010 with A1:2012) and UL 2034, both as third parties give them: level, silence, sounding. [ppm, min, min]"""
    bands = {one.id: [(p.ppm, p.silent_min, p.sounds_by_min) for p in one.point] for one in load_alarms()}
    assert bands == {
        "en-50291": [(30, 120, None), (50, 60, 90), (100, 10, 40), (300, 0, 3)],
        "ul-2034": [(30, 30 * 1440, None), (70, 60, 240), (150, 10, 50), (400, 4, 15)],
    }


def test_converted_values_name_their_molar_volume():
    """25 °C and 101.325 kPa: 24.45 L/mol, carbon monoxide 28.01 g/mol; 10 mg/m³ are 8.73 ppm."""
    limit = {one.id: one for one in load_limits()}["who-indoor-co-8h"]
    assert limit.conversion_text("ppm") == "8.73 ppm at 25 °C and 101.325 kPa, 24.45 L/mol"
    assert limit.level_in("ppm") == pytest.approx(10 / 28.01 * 24.45)
    assert limit.conversion_text("mg/m³") == ""


def test_what_is_printed_beside_a_limit_is_near_its_conversion():
    """Issuers round their pairs (OSHA's table calls them approximate): none is off by more than a tenth."""
    for limit in load_limits():
        match = re.match(r"([\d.]+) (mg/m³|ppm)\Z", limit.also_published)
        if match:
            assert float(match[1]) == pytest.approx(limit.level_in(match[2]), rel=0.1), limit.id


def test_only_what_is_made_for_home_is_for_sleepers():
    for limit in load_limits():
        assert limit.is_for_sleepers == (limit.issuer in {"WHO", "Health Canada"}), limit.id


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
        (entry(statistic="hourly-mean", averaging="averaging_min = 90"), "whole hours"),
        (entry(setting="home"), "made for work"),
        (entry(protects="general public"), "made for work"),
        ("[[limits]]", "may have"),
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


def test_alarm_points_must_rise():
    point = "{ ppm = 50, silent_min = 60 }, { ppm = 40, silent_min = 10 }"
    text = f'[[alarm]]\nid = "a"\nstandard = "A"\npoint = [{point}]\nsource = "A"\nclause = "1"\nedition = "1"\nstatus = "seen"'
    with pytest.raises(BadInput, match="points rise"):
        parse_alarms(text)
