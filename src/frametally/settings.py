"""Takes the TOML files the user writes (calibration, trial, method) and gives checked models; saves calibrations.

Every fault of a file becomes one plain sentence with its place and its remedy, and all of them are told at once.
"""

from __future__ import annotations

import contextlib
import difflib
import hashlib
import json
import math
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from frametally.calibration_writer import plain, save_calibration, tuples
from frametally.errors import BadInput
from frametally.faults import EXAMPLES, Place, example_for, place_in_words, sentences, shown, value_at
from frametally.model import FORMAT, Calibration, Manifest, Method, Trial

__all__ = [
    "LARGEST_FILE_BYTES", "check_manifest", "fingerprint", "load_calibration", "load_manifest", "load_method", "load_trial",
    "read_text", "save_calibration",
]  # fmt: skip

LARGEST_FILE_BYTES = 5_000_000
"""No settings file is this large; a video given in its place is."""

_KINDS: dict[type[BaseModel], tuple[str, str]] = {
    Calibration: ("calibration", "give it with -c"),
    Trial: ("trial", "give it with -t"),
    Method: ("method", "give it where a method file is asked for"),
    Manifest: ("manifest", "give it with --manifest"),
}

_Model = TypeVar("_Model", Calibration, Trial, Method, Manifest)


# --- load ------------------------------------------------------------------------------------------------------------


def load_calibration(path: Path) -> Calibration:
    """Give the calibration in a TOML file; `BadInput` lists every fault with its place and remedy."""
    return _load(path, Calibration)


def load_trial(path: Path) -> Trial:
    """Give the conditions of the test in a TOML file; `BadInput` lists every fault with its place and remedy."""
    return _load(path, Trial)


def load_method(path: Path) -> Method:
    """Give the method settings in a TOML file; `BadInput` lists every fault with its place and remedy."""
    return _load(path, Method)


def load_manifest(path: Path) -> Manifest:
    """Give the list of a fleet's nights in a TOML file; `BadInput` lists every fault with its place and remedy."""
    return _load(path, Manifest)


def check_manifest(path: Path, data: dict[str, Any]) -> Manifest:
    """Give the manifest that was read from another kind of file; `BadInput` as in `load_manifest`."""
    return _checked(path, data, Manifest)


def _load(path: Path, kind: type[_Model]) -> _Model:
    return _checked(path, _parsed(path, read_text(path, _KINDS[kind][0])), kind)


def _checked(path: Path, data: dict[str, Any], kind: type[_Model]) -> _Model:
    _check_kind(path, data, kind)
    _check_format(path, data)
    faults = [*_not_finite(data, data), *_EXTRA_CHECKS[kind](data)]
    try:
        model = kind.model_validate(tuples(data), strict=True)
    except ValidationError as error:
        faults += sentences(error, kind, data)
        if kind is Calibration:
            faults += _whole_faults(data)
    if faults:
        raise BadInput(_listed(path, faults))
    return model


def _listed(path: Path, faults: list[str]) -> str:
    told = list(dict.fromkeys(faults))
    if len(told) == 1:
        return f"{path}: {told[0]}"
    return f"{path} has {len(told)} faults:\n" + "\n".join(f"  {fault}" for fault in told)


def read_text(path: Path, name: str) -> str:
    """Give a settings file's text, or say in plain words why that cannot be done; `name` says what kind it should be."""
    try:
        if path.is_dir():
            raise BadInput(f"{path} is a folder; give the {name} file itself, like {path / (name + '.toml')}")
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise BadInput(f"{path} is far too large for a {name} file; give the file that holds the {name}")
        content = path.read_bytes()
    except FileNotFoundError:
        raise BadInput(f"{path}: there is no such file{_near_file(path)}") from None
    except OSError as error:
        raise BadInput(f"{path} cannot be read ({error.strerror}); check its name and that you may open it") from None
    except ValueError as error:
        raise BadInput(f"{str(path)!r} is not the name of a file ({error}); check the name") from None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise BadInput(f"{path}, line {line}: this is not UTF-8 text; save the file again with the encoding UTF-8") from None


def _near_file(path: Path) -> str:
    with contextlib.suppress(OSError):
        names = [entry.name for entry in path.parent.iterdir() if entry.suffix == ".toml"]
        near = difflib.get_close_matches(path.name, names, n=1)
        if near:
            return f"; did you mean {path.with_name(near[0])}?"
    return "; check the name and the folder you are in"


_TOML_SAYS = {
    "Invalid value": "the value is not valid; text stands in double quotes, numbers use a point, yes and no are true and false",
    "Expected '=' after a key in a key/value pair": "a line should be: key = value",
    "Cannot overwrite a value": "this key stands here a second time; keep one of the two",
    "Unclosed array": "a list is not closed; put the missing ] behind its last entry",
    "Expected newline or end of document after a statement": "there is something behind the value; one key and value per line",
    "Invalid statement": "this line is neither key = value, nor a [table], nor a # comment",
    "Exceeds the limit": "a number has far too many digits",
    "Unterminated string": "the closing quotation mark is missing",
    "Invalid initial character for a key part": "a key should be plain letters, digits and _ before the =",
}


def _parsed(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise BadInput(f"{path}: lists or tables are nested too deeply; check the brackets") from None
    except ValueError as error:
        found = re.fullmatch(r"(.*?)(?: \(at (?:line (\d+), column (\d+)|end of document)\))?", str(error), re.DOTALL)
        said, line, column = found.groups() if found else (str(error), None, None)
        said = next((plain for start, plain in _TOML_SAYS.items() if said.startswith(start)), said)
        if line is None:
            line, column = str(len(text.splitlines()) or 1), None
        where = f"line {line}" + (f", column {column}" if column else " (the last)")
        lines = text.split("\n")
        shown = lines[int(line) - 1].strip()[:80] if int(line) <= len(lines) else ""
        raise BadInput(f"{path}, {where}: {said}" + (f"\n  {shown}" if shown else "")) from None


def _check_kind(path: Path, data: dict[str, Any], kind: type[BaseModel]) -> None:
    for other, (name, use) in _KINDS.items():
        foreign = set(data) - set(kind.model_fields)
        if other is not kind and foreign and set(data) <= set(other.model_fields):
            raise BadInput(f"{path} looks like a {name} file, but a {_KINDS[kind][0]} file is asked for here; {use}")


def _check_format(path: Path, data: dict[str, Any]) -> None:
    number = data.get("format")
    if number is None:
        raise BadInput(f"{path}: format is missing; put this into the first line: {EXAMPLES['format']}")
    if type(number) is int and number > FORMAT:
        raise BadInput(f"{path} has format {number}, but this frametally reads format {FORMAT}; install a newer frametally")
    if type(number) is not int or number != FORMAT:
        raise BadInput(f"{path}: format should be {FORMAT}, but is {shown(number)}; write it like: {EXAMPLES['format']}")


# --- checks that no single key can make ------------------------------------------------------------------------------


def _not_finite(value: Any, data: dict[str, Any], place: Place = ()) -> Iterator[str]:
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _not_finite(inner, data, (*place, key))
    elif isinstance(value, float) and not math.isfinite(value):
        yield f"{place_in_words(place, data)} should be a finite number, but is {value}; {example_for(place)}"
    elif type(value) is int and abs(value) >= 2**63:
        yield f"{place_in_words(place, data)} is a larger number than any instrument shows; {example_for(place)}"


def _calibration_faults(data: dict[str, Any]) -> Iterator[str]:
    size = data.get("frame_size")
    if isinstance(size, list) and len(size) == 2 and all(type(side) is int for side in size) and min(size) <= 0:
        yield f"frame_size should be width and height, both above 0, but is {shown(size)}; {example_for(('frame_size',))}"
    for place, display in _displays(data):
        if "instrument" in display:
            yield f"{place_in_words(place, data)}: there is no key instrument; a display belongs to the [[instrument]] above it"


def _displays(data: dict[str, Any]) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Give each display that is a table at all, with its place."""
    for outer, instrument in enumerate(_list_of_tables(data.get("instrument"))):
        for inner, display in enumerate(_list_of_tables(instrument.get("display"))):
            yield ("instrument", outer, "display", inner), display


def _list_of_tables(value: Any) -> list[dict[str, Any]]:
    return [entry if isinstance(entry, dict) else {} for entry in value] if isinstance(value, list) else []


def _whole_faults(data: dict[str, Any]) -> Iterator[str]:
    """Check each display as if it were the only one: a fault between keys in one must not hide that in another."""
    for place, display in _displays(data):
        instrument = value_at(place[:2], data)
        alone = {**data, "instrument": [{**instrument, "display": [display]}]}
        try:
            Calibration.model_validate(tuples(alone), strict=True)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                if detail["type"] == "value_error" and not detail["loc"]:
                    yield str(detail["ctx"]["error"])


def _time_faults(data: dict[str, Any]) -> Iterator[str]:
    """Times of one trial must be comparable with one another, and what ends must have begun."""
    times = dict(_times(data))
    with_offset = [place for place, time in times.items() if time.tzinfo is not None]
    without = [place for place, time in times.items() if time.tzinfo is None]
    if with_offset and without:
        yield (
            f"{place_in_words(without[0], data)} has no offset from UTC, but {place_in_words(with_offset[0], data)} has one;"
            f" write all times the same way, like: {EXAMPLES['start']}"
        )
        return
    for first, last in (("start", "end"), ("on", "off")):
        for place, began in times.items():
            ended = times.get((*place[:-1], last))
            if place[-1] == first and ended is not None and ended <= began:
                yield f"{place_in_words((*place[:-1], last), data)} ({ended}) should be later than {first} ({began})"


def _times(value: Any, place: Place = ()) -> Iterator[tuple[Place, datetime]]:
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _times(inner, (*place, key))
    elif isinstance(value, datetime) and place[-1] in ("start", "end", "on", "off", "time"):
        yield place, value


def _no_more_faults(data: dict[str, Any]) -> tuple[str, ...]:
    return ()


_EXTRA_CHECKS: dict[type[BaseModel], Callable[[dict[str, Any]], Iterable[str]]] = {
    Calibration: _calibration_faults,
    Trial: _time_faults,
    Method: _no_more_faults,
    Manifest: _no_more_faults,
}


# --- fingerprint -----------------------------------------------------------------------------------------------------


def fingerprint(model: BaseModel) -> str:
    """Give the SHA-256 of what a settings model says, in hex; equal models have equal fingerprints on any machine."""
    said = json.dumps(plain(model.model_dump(mode="json")), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(said.encode("utf-8")).hexdigest()
