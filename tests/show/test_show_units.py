"""Units of the page: degrees Fahrenheit and feet, a temperature told from a difference of temperatures."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from show_nights import a_display

from frametally.model import Accuracy, Finding
from frametally.show.units import convert_display, convert_finding, convert_table, convert_text, to_fahrenheit


def test_the_fixed_points_of_the_scale() -> None:
    """0 °C is 32 °F, 100 °C is 212 °F, -40 is the same on both (definition of the Fahrenheit scale; common knowledge)."""
    assert [to_fahrenheit(celsius) for celsius in (0, 100, -40)] == [32, 212, -40]


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        ("It went from 13.9 °C to 27.6 °C.", "It went from 57.0 °F to 81.7 °F."),
        ("(between 3.2 and 10.9 °C with the stated errors)", "(between 37.8 and 51.6 °F with the stated errors)"),
        ("Dew point: 3.2 to 10.9 °C", "Dew point: 37.8 to 51.6 °F"),
        ("drifted by 0.5 °C.", "drifted by 0.9 °F."),
        ("on average by 3.4 °C an hour", "on average by 6.1 °F an hour"),
        ("showed on average 0.3 °C more temperature than", "showed on average 0.5 °F more temperature than"),
        ("allow a difference of 1.1 °C:", "allow a difference of 2.0 °F:"),
        (
            "about 2.0 °C below the air, more than its error of 0.8 °C.",
            "about 3.6 °F below the air, more than its error of 1.4 °F.",
        ),
        ("feels like 33 °C (91 °F) by the heat index", "feels like 91 °F by the heat index"),
        ("made to work from -10 °C to 40 °C", "made to work from 14 °F to 104 °F"),
        ("95 m altitude, at 00:30 and 12 °C outdoors", "310 ft altitude, at 00:30 and 54 °F outdoors"),
        ("like fresh air at 520 m above sea level", "like fresh air at 1,710 ft above sea level"),
        ("more than 11 000 m", "more than 36,100 ft"),
        ("24 m³, 12 min, 3 mg/m³ and 40 cm²", "24 m³, 12 min, 3 mg/m³ and 40 cm²"),
        ("−0.5 °C", "31.1 °F"),
        ("was at about 19.0 °C until 05:00", "was at about 66.2 °F until 05:00"),
        ("193 ppm at 21:40", "193 ppm at 21:40"),
    ],
)
def test_words(metric: str, us: str) -> None:
    assert convert_text(metric) == us


@given(st.floats(-60, 60).map(lambda value: round(value, 1)))
def test_every_temperature_in_words_is_the_one_of_the_table(celsius: float) -> None:
    shown = convert_text(f"It was {celsius:.1f} °C.")
    assert float(shown.removeprefix("It was ").removesuffix(" °F.")) == pytest.approx(1.8 * celsius + 32, abs=0.0501)


def test_findings_carry_the_same_number_in_words_and_figures() -> None:
    high = Finding(
        "highest", "Highest: 28 °C", "It showed 28 °C.", 0, key="temp_c", value=28.0, lower=28.0, upper=28.0, unit="°C"
    )
    told = convert_finding(high, 0)
    assert (told.title, told.value, told.unit) == ("Highest: 82 °F", 82, "°F")
    apart = Finding(
        "instruments-differ",
        "apart by 2.0 °C",
        "lay mostly between -1.0 and 3.0.",
        0,
        value=2.0,
        lower=-1.0,
        upper=3.0,
        unit="°C",
    )
    told = convert_finding(apart)
    assert (told.title, told.value, told.lower) == ("apart by 3.6 °F", pytest.approx(3.6), pytest.approx(-1.8))
    assert told.text == "lay mostly between -1.8 and 5.4 °F."
    height = convert_finding(Finding("oxygen-pressure", "520 m", "x", 0, value=520.0, upper=None, unit="m"))
    assert (height.value, height.upper, height.unit) == (pytest.approx(1706.04, abs=0.01), None, "ft")
    gas = Finding("highest", "193 ppm", "x", 0, value=193.0, unit="ppm")
    assert convert_finding(gas) == gas


def test_a_table_keeps_its_own_values() -> None:
    warm = a_display("temp_c", "temperature", "°C", 0.1).model_copy(update={"accuracy": Accuracy(absolute=0.5), "range": (0, 50)})
    other = a_display("co_ppm", "carbon monoxide", "ppm", 1)
    table = pd.DataFrame({"temp_c": [13.9, np.nan], "co_ppm": [3.0, 4.0]})
    changed = convert_table(table, [warm, other])
    assert changed["temp_c"].tolist()[0] == 57.0
    assert np.isnan(changed["temp_c"].tolist()[1])
    assert table["temp_c"].tolist()[0] == 13.9
    assert changed["co_ppm"].tolist() == [3.0, 4.0]
    shown = convert_display(warm)
    assert (shown.unit, shown.range) == ("°F", (32.0, 122.0))
    assert shown.accuracy is not None
    assert shown.accuracy.absolute == pytest.approx(0.9)
    assert convert_display(other) is other
