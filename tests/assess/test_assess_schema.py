"""The published JSON Schema: a valid schema, kept by every assessment, strict, and with a description at every field."""

from __future__ import annotations

import copy
import json

import pandas as pd
import pytest
from assess_nights import CO, CO_EXACT, O2, demo_night, make_table
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from frametally.assess import DisplayFacts, assess, assessment_schema, assessment_to_dict
from frametally.assess.assessment import TOPICS
from frametally.model import Outdoor, Space

SCHEMA = assessment_schema()
VALIDATOR = Draft202012Validator(SCHEMA)


def faults(result):
    """What the schema says against an assessment, as it stands in the file."""
    written = json.loads(json.dumps(assessment_to_dict(result), allow_nan=False))
    return [f"{error.json_path}: {error.message[:200]}" for error in VALIDATOR.iter_errors(written)]


@pytest.fixture(scope="module")
def demo():
    table, calibration, trial = demo_night()
    return assess(table, calibration.displays, trial)


def test_schema_is_valid():
    Draft202012Validator.check_schema(SCHEMA)


def test_the_demo_night_keeps_it(demo):
    assert faults(demo) == []
    table, calibration, trial = demo_night()
    assert faults(assess(table, calibration.displays)) == []
    bare = trial.model_copy(update={"space": Space(), "outdoor": Outdoor()})
    assert faults(assess(table, calibration.displays, bare)) == []


@pytest.mark.parametrize(
    ("table", "displays"),
    [
        (make_table([]), [CO]),
        (make_table([None] * 4), [CO]),
        (make_table([40]), [CO_EXACT]),
        (make_table([10, 893, 30], flags=["ok", "doubtful", "ok"]), [CO_EXACT]),
        (make_table([10, None, 30], flags=["ok", "over_range", "ok"]), [DisplayFacts("co_ppm", "carbon monoxide", "ppm")]),
        (make_table([20.9, None], flags=["ok", "under_range"], key="o2_pct"), [O2]),
        (make_table([1.5, 2.5], key="draught_pa"), [DisplayFacts("draught_pa", "draught", "Pa", resolution=0.1)]),
        (make_table([10, 20, 30]).drop(columns="elapsed_min"), [CO]),
        (pd.DataFrame({"time": ["2026-10-30T22:00:00+01:00"] * 3, "co2_ppm": [400, 6000, 800], "no2_ppm": [0, 0.1, 0]}), []),
    ],
)
def test_odd_nights_keep_it(table, displays):
    assert faults(assess(table, displays)) == []


readings = st.tuples(st.integers(0, 400), st.sampled_from(["ok", "doubtful", "over_range", "under_range", "hidden"]))


@settings(max_examples=25, deadline=None)
@given(st.lists(readings, max_size=25), st.sampled_from(["co_ppm", "o2_pct", "co2_ppm", "rh_pct"]))
def test_every_night_keeps_it(night, key):
    values = [value if flag in ("ok", "doubtful") else None for value, flag in night]
    assert faults(assess(make_table(values, flags=[flag for _, flag in night], key=key, every_min=20))) == []


def test_every_topic_is_described():
    """A topic that is added is added to the schema as well: its figures with their units."""
    assert set(TOPICS) <= set(SCHEMA["properties"]["topics"]["properties"])


def parts_of(schema, where="schema"):
    """Every subschema that stands for a value in the file, with where it stands."""
    yield where, schema
    for name in ("properties", "$defs"):
        for key, part in schema.get(name, {}).items():
            yield from parts_of(part, f"{where}.{key}")
    for name in ("items", "additionalProperties"):
        if isinstance(schema.get(name), dict):
            yield from parts_of(schema[name], f"{where}.{name}")
    for part in schema.get("oneOf", ()):
        yield from parts_of(part, f"{where}.oneOf")


def test_every_named_field_has_a_description_and_every_object_is_closed():
    free = {"schema.summary", "schema.topics", "schema.$defs.topic", "schema.topic"}
    for where, part in parts_of(SCHEMA):
        for name, field in part.get("properties", {}).items():
            assert "description" in field or "$ref" in field, f"{where}.{name}"
        if part.get("type") == "object" and where not in free:
            # Named fields and no others, or names of the night's own with one kind of value.
            rest = part.get("additionalProperties")
            assert rest is False or ("properties" not in part and isinstance(rest, dict)), where


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("findings", 0, "verdict"), "maybe"),
        (("findings", 0, "weight"), -1),
        (("findings", 0, "colour"), "red"),
        (("summary", "co_ppm", "highest", "value"), "193"),
        (("summary", "co_ppm", "mean", "upper"), "open"),
        (("summary", "co_ppm", "limits", 0, "outcome"), "good"),
        (("summary", "co_ppm", "rows"), -3),
        (("topics", "alarms", "standards"), []),
        (("format",), 2),
        (("made_by",), "someone"),
    ],
)
def test_what_is_wrong_is_refused(demo, path, value):
    written = copy.deepcopy(json.loads(json.dumps(assessment_to_dict(demo))))
    place = written
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    assert not VALIDATOR.is_valid(written)
