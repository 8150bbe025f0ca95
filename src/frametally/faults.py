"""Takes what is wrong with a settings file and gives plain sentences: where it is, what it should be, a line that is right."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from frametally.corners import corners_fault
from frametally.model import FORMAT, Display

Place = tuple[str | int, ...]
"""The way to a value in a file: keys of tables and numbers of entries, from the top."""

EXAMPLES: dict[str, str] = {
    "format": f"format = {FORMAT}",
    "title": 'title = "Canal-boat cabin, two instruments on the shelf"',
    "reference_frame": 'reference_frame = "cabin_0001.jpg"',
    "frame_size": "frame_size = [1280, 960]",
    "instrument": '[[instrument]] and below it name = "wall unit"',
    "name": 'name = "wall unit"',
    "display": '[[instrument.display]] and below it key = "co_ppm"',
    "key": 'key = "co_ppm"',
    "quantity": 'quantity = "carbon monoxide"',
    "unit": 'unit = "ppm"',
    "corners": "corners = [[412, 318], [590, 322], [588, 391], [410, 387]]",
    "digits": 'digits = "##.#"',
    "range": "range = [0, 999]",
    "resolution": "resolution = 0.1",
    "accuracy": "accuracy = { absolute = 3, relative = 0.10 }",
    "absolute": "absolute = 3",
    "relative": "relative = 0.10",
    "kind": 'kind = "segments"',
    "status": 'status = { "OL" = "over range" }',
    "start": "start = 2026-10-30T21:40:00+00:00",
    "end": "end = 2026-10-31T07:36:00+00:00",
    "space": "[space] and below it volume_m3 = 24.0",
    "volume_m3": "volume_m3 = 24.0",
    "altitude_m": "altitude_m = 95",
    "station_pressure_hpa": "station_pressure_hpa = 1004.5",
    "coldest_surface_c": "coldest_surface_c = 6.5",
    "appliance": '[[appliance]] and below it fuel = "smokeless coal"',
    "fuel": 'fuel = "smokeless coal"',
    "heat_input_kw": "heat_input_kw = 2.9",
    "heat_basis": 'heat_basis = "net"',
    "rated_output_kw": "rated_output_kw = 4.0",
    "flue": "flue = true",
    "on": "on = 2026-10-30T20:50:00+00:00",
    "off": "off = 2026-10-31T07:36:00+00:00",
    "night": '[[night]] and below it frames = "boat_a/photos"',
    "frames": 'frames = "boat_a/photos"',
    "calibration": 'calibration = "boat_a/calibration.toml"',
    "trial": 'trial = "boat_a/trial.toml"',
    "method": 'method = "method.toml"',
    "results": 'results = "boat_a/results"',
    "utc_offset": 'utc_offset = "+01:00"',
    "every_s": "every_s = 60",
    "camera": 'camera = "IMG_*"',
    "notes": 'notes = "Kettle on top until about 01:00."',
    "vent": "[[vent]] and below it free_area_cm2 = 70",
    "free_area_cm2": "free_area_cm2 = 70",
    "open": "open = true",
    "event": '[[event]] and below it what = "hatch opened"',
    "time": "time = 2026-10-31T06:48:00+00:00",
    "what": 'what = "hatch opened"',
    "people": "[people] and below it sleeping = 2",
    "sleeping": "sleeping = 2",
    "outdoor": "[outdoor] and below it temp_c = 4.0",
    "temp_c": "temp_c = 4.0",
    "rh_pct": "rh_pct = 88",
    "co_ppm": "co_ppm = 0.2",
    "co2_ppm": "co2_ppm = 430",
    "co_alarm_ppm": "co_alarm_ppm = [35, 200]",
    "last_bump_test": "last_bump_test = 2026-10-24",
    "response_t90_s": "response_t90_s = { co = 360, rh = 550 }",
    "working_temp_c": "working_temp_c = [0, 40]",
    "zeroed_at_altitude_m": "zeroed_at_altitude_m = 95",
    "doubtful_below": "doubtful_below = 0.98",
    "lost_below": "lost_below = 0.35",
    "gap_after": "gap_after = 1.5",
    "strict_share": "strict_share = 0.02",
}
"""For each key of the three files, a line that is right; shown wherever one is missing or wrong."""


def sentences(error: ValidationError, kind: type[BaseModel], data: dict[str, Any]) -> list[str]:
    """Turn what the model found into sentences; a key that is only misspelt is not told as missing too."""
    details = error.errors(include_url=False)
    meant: set[Place] = set()
    unknown: dict[Place, str] = {}
    for detail in details:
        if detail["type"] == "extra_forbidden":
            place = detail["loc"]
            unknown[place], near = _unknown_key(place, kind, data)
            if near:
                meant.add((*place[:-1], near))
    faults = []
    for detail in details:
        place = _real_place(detail["loc"], data)
        if detail["type"] == "extra_forbidden":
            faults.append(unknown[detail["loc"]])
        elif not (detail["type"] == "missing" and place in meant) and not _told_before(place, detail, data):
            faults.append(_sentence(detail, place, data))
    return faults


def _told_before(place: Place, detail: ErrorDetails, data: dict[str, Any]) -> bool:
    """Whether another sentence says it: an entry with a fault of its own counts as missing for the model, not for us."""
    value = value_at(place, data)
    if detail["type"] == "too_short" and isinstance(value, list):
        return len(value) >= detail["ctx"]["min_length"]
    return any(not math.isfinite(number) for number in _floats(value))


def _floats(value: Any) -> Iterator[float]:
    if isinstance(value, float):
        yield value
    elif isinstance(value, list):
        for inner in value:
            yield from _floats(inner)


def _unknown_key(place: Place, kind: type[BaseModel], data: dict[str, Any]) -> tuple[str, str]:
    """Give the sentence about a key nobody knows, and the missing key that was meant ("" where none is near)."""
    model = _model_at(kind, place[:-1])
    key = str(place[-1])
    known = list(model.model_fields)
    known = [name for name in known if not (model is Display and name == "instrument")]
    near = difflib.get_close_matches(key.lower(), known, n=1, cutoff=0.6)
    where = place_in_words(place[:-1], data)
    start = f"{where}: there is no key {key}" if where else f"there is no key {key}"
    if near:
        return f"{start}; did you mean {near[0]}?", near[0]
    home = next((table for table, fields in _homes(kind) if key in fields and table is not model), None)
    if home is not None:
        return f"{start} here; it belongs below {_HEADINGS.get(home.__name__, 'the top of the file')}", ""
    return f"{start}; the keys here are {', '.join(known)}", ""


_HEADINGS = {
    "Instrument": "[[instrument]]", "Display": "[[instrument.display]]", "Accuracy": "accuracy = { ... }", "Space": "[space]",
    "Appliance": "[[appliance]]", "Vent": "[[vent]]", "Event": "[[event]]", "People": "[people]", "Outdoor": "[outdoor]",
    "TrialInstrument": "[[instrument]]", "ManifestNight": "[[night]]",
}  # fmt: skip


def _homes(kind: type[BaseModel]) -> Iterator[tuple[type[BaseModel], Mapping[str, Any]]]:
    yield kind, kind.model_fields
    for field in kind.model_fields.values():
        inner = _model_in(field.annotation)
        if inner is not None:
            yield from _homes(inner)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((model for part in get_args(annotation) if (model := _model_in(part)) is not None), None)


def _model_at(kind: type[BaseModel], place: Place) -> type[BaseModel]:
    for step in place:
        if isinstance(step, str) and step in kind.model_fields:
            kind = _model_in(kind.model_fields[step].annotation) or kind
    return kind


def _real_place(place: tuple[int | str, ...], data: Any) -> Place:
    """Drop the steps that pydantic adds for the alternatives of a type: they are in no file."""
    kept: list[int | str] = []
    value = data
    for number, step in enumerate(place):
        last = number == len(place) - 1
        if (isinstance(value, dict) and (step in value or last)) or (isinstance(value, list) and isinstance(step, int)):
            kept.append(step)
            value = value_at((step,), value)
    return tuple(kept)


def value_at(place: Place, data: Any) -> Any:
    for step in place:
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def place_in_words(place: Place, data: Any) -> str:
    """Give a place in words: `instrument "wall unit", display temp_c: corners, entry 2`."""
    tables: list[str] = []
    keys: list[str] = []
    number = 0
    while number < len(place):
        step = place[number]
        following = place[number + 1] if number + 1 < len(place) else None
        entry = value_at(place[: number + 2], data)
        if isinstance(step, int):
            keys.append(f"entry {step + 1}")
        elif isinstance(following, int) and (isinstance(entry, dict) or step in ("instrument", "display")):
            tables.append(_table_name(step, following, entry))
            number += 1
        else:
            keys.append(step)
        number += 1
    inside = ", ".join(keys)
    return ", ".join(tables) + (": " if tables and inside else "") + inside


def _table_name(step: str, number: int, entry: Any) -> str:
    named = entry if isinstance(entry, dict) else {}
    key, name = named.get("key"), named.get("name")
    if isinstance(key, str) and key:
        return f"{step} {key}"
    return f'{step} "{name}"' if isinstance(name, str) and name else f"{step} {number + 1}"


def shown(value: Any) -> str:
    """Give a value as it stands in the file, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, dict):
        return "a table" if value else "an empty table"
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(inner) for inner in value) + "]"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def example_for(place: Place) -> str:
    key = next((step for step in reversed(place) if isinstance(step, str) and step in EXAMPLES), "")
    return f"write it like: {EXAMPLES[key]}" if key else "see the example calibration"


_SHOULD_BE = {
    "string_type": "text in double quotes", "float_type": "a number", "int_type": "a whole number", "bool_type": "true or false",
    "int_from_float": "a whole number", "tuple_type": "a list in square brackets", "dict_type": "a table of names and values",
    "model_type": "a table with keys of its own", "datetime_type": "a date and time without quotes",
    "date_type": "a date without quotes", "date_from_datetime_inexact": "a date without a time",
    "greater_than": "above {gt:g}", "greater_than_equal": "{ge:g} or more", "less_than": "below {lt:g}",
    "less_than_equal": "{le:g} or less", "finite_number": "a finite number",
}  # fmt: skip


def _sentence(detail: ErrorDetails, place: Place, data: dict[str, Any]) -> str:
    sort, context = detail["type"], detail.get("ctx", {})
    where, value = place_in_words(place, data), value_at(place, data)
    if sort == "missing" and not isinstance(place[-1], int):
        return f"{place_in_words(place[:-1], data)}{': ' if place[:-1] else ''}{place[-1]} is missing; {_line(place)}"
    if sort == "missing" or sort in ("too_short", "too_long"):
        if sort == "missing":
            where, value = place_in_words(place[:-1], data), value_at(place[:-1], data)
        few = "many" if sort == "too_long" else "few"
        return f"{where} has too {few} entries ({len(value) if isinstance(value, list) else 0}); {example_for(place)}"
    if sort == "value_error":
        said = corners_fault(value, data.get("frame_size")) if place[-1:] == ("corners",) else ""
        return f"{where}{': ' if where else ''}{said or context['error']}"
    if sort == "string_too_short":
        return f"{where} is empty; {example_for(place)}"
    if sort == "string_pattern_mismatch":
        return (
            f"{where} should be small letters, digits and _, beginning with a letter, but is {shown(value)}; {example_for(place)}"
        )
    if sort == "literal_error":
        return f"{where} should be {str(context['expected']).replace(chr(39), chr(34))}, but is {shown(value)}"
    if sort not in _SHOULD_BE:
        return f"{where} cannot be {shown(value)}; {example_for(place)}"
    if place[-1] == "digits" or (len(place) > 1 and place[-2] == "digits"):
        where, value = (
            place_in_words(place[: place.index("digits") + 1], data),
            value_at(place[: place.index("digits") + 1], data),
        )
        return f"{where} should be a mask in double quotes or a list of masks, but is {shown(value)}; {example_for(('digits',))}"
    return f"{where} should be {_SHOULD_BE[sort].format(**context)}, but is {shown(value)}; {example_for(place)}"


def _line(place: Place) -> str:
    return f"add a line like: {EXAMPLES[str(place[-1])]}"
