"""Takes the answers of the short form about the test's conditions and gives the trial file; what the form does not ask stays.

Every question is optional and says in one line what an answer makes possible.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from frametally.errors import BadInput
from frametally.model import FORMAT, Trial
from frametally.settings import load_trial
from frametally.show.files import write_whole


@dataclass(frozen=True)
class Question:
    """One field of the form: its value's place in the trial file, what is shown; `kind`: text, number, choice, yes, time."""

    name: str
    label: str
    why: str
    kind: str = "text"
    unit: str = ""
    choices: tuple[tuple[str, str], ...] = ()


QUESTIONS: dict[str, tuple[Question, ...]] = {
    "The space": (
        Question("space.name", "Which space", "Names it in the report."),
        Question(
            "space.volume_m3",
            "Air volume",
            "Turns the readings into litres: how much gas came, how often the air changed.",
            "number",
            "m³",
        ),
        Question(
            "space.altitude_m",
            "Height above the sea",
            "Gives the air pressure, and so how much oxygen a breath holds.",
            "number",
            "m",
        ),
        Question("space.coldest_surface_c", "Coldest inside surface", "Says whether water could condense there.", "number", "°C"),
    ),
    "The appliance": (
        Question("appliance.name", "Which appliance", "Names it in the report."),
        Question("appliance.fuel", "Fuel", "Gives how much oxygen it uses and how much water it makes."),
        Question("appliance.heat_input_kw", "Heat input", "Compares the oxygen used with the fuel burnt.", "number", "kW"),
        Question(
            "appliance.heat_basis",
            "Heat input is stated",
            "Net and gross differ by up to a tenth.",
            "choice",
            choices=(("", "not known"), ("net", "net"), ("gross", "gross")),
        ),
        Question("appliance.flue", "It has a flue", "Tells fumes into the space from fumes that leave it.", "yes"),
        Question("appliance.on", "Lit at", "Parts the night into before, with and after.", "time"),
        Question("appliance.off", "Out at", "From here on the fall of the gases shows how fast the air changes.", "time"),
    ),
    "People and outdoors": (
        Question("people.sleeping", "People who sleep there", "Counts the oxygen, water and carbon dioxide of breath.", "number"),
        Question("people.notes", "Who came and went", "Explains a step in the curves that nobody else could explain."),
        Question("outdoor.temp_c", "Temperature outdoors", "Shows how much moisture airing can take away.", "number", "°C"),
        Question("outdoor.rh_pct", "Humidity outdoors", "Shows how much moisture airing can take away.", "number", "%"),
        Question("outdoor.co_ppm", "Carbon monoxide outdoors", "Parts what was made inside from what came in.", "number", "ppm"),
        Question("outdoor.co2_ppm", "Carbon dioxide outdoors", "The level that airing comes down to.", "number", "ppm"),
    ),
}

VENT_WHY = "Free area and whether it was open: compares the air that came with the air that should."
VENT_ROWS = 2
"""So many empty rows for vents stand below those that are there."""

_BY_NAME = {question.name: question for questions in QUESTIONS.values() for question in questions}
_YES = {"yes": True, "no": False}


def trial_path(calibration: Path) -> Path:
    """Give the trial file that belongs to a calibration: cabin.toml and cabin.trial.toml."""
    return calibration.with_name(f"{calibration.name.removesuffix('.toml')}.trial.toml")


def answers_of(trial: Trial | None) -> dict[str, Any]:
    """Give what a trial already says, as the form's answers: texts by question, and the vents."""
    if trial is None:
        return {"vent": []}
    said = trial.model_dump(exclude_unset=True)
    answers: dict[str, Any] = {}
    for name in _BY_NAME:
        table, key = name.split(".")
        found = said.get(table) or {}
        value = (found[0] if isinstance(found, tuple | list) else found).get(key)
        if value is not None:
            answers[name] = _as_answer(value)
    answers["vent"] = [{key: _as_answer(value) for key, value in vent.items()} for vent in said.get("vent", ())]
    return answers


def _as_answer(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.replace(tzinfo=None).isoformat(timespec="minutes")
    return f"{value:g}" if isinstance(value, float) else str(value)


def save_trial(path: Path, answers: dict[str, Any], zone: tzinfo | None) -> bool:
    """Write the trial file; the old one stays beside it as NAME.bak. Give whether anything was written.

    `zone` is the night's offset from UTC, which times are given in; what the form does not ask about stays as it is in the
    file. Raises `BadInput` that lists what is wrong with the answers.
    """
    old = path.read_bytes() if path.is_file() else None
    document = _document(old)
    before = copy.deepcopy(document.unwrap())
    faults = list(_enter(document, answers, zone))
    if faults:
        raise BadInput("\n".join(faults))
    if document.unwrap() == before and (old is not None or not before):
        return False
    text = tomlkit.dumps(document)
    if old is None:
        text = f"format = {FORMAT}\n\n{text.lstrip()}"
    beside = path.with_name(f".{path.name}.new")
    try:
        write_whole(beside, text.encode("utf-8"))
        load_trial(beside)
    except BadInput as error:
        raise BadInput(str(error).replace(str(beside), path.name)) from None
    finally:
        beside.unlink(missing_ok=True)
    if old is not None:
        write_whole(path.with_name(path.name + ".bak"), old)
    write_whole(path, text.encode("utf-8"))
    return True


def _document(old: bytes | None) -> tomlkit.TOMLDocument:
    if old is None:
        return tomlkit.document()
    with suppress(UnicodeDecodeError, TOMLKitError, ValueError):
        return tomlkit.parse(old.decode("utf-8-sig"))
    return tomlkit.document()


def _enter(document: Any, answers: dict[str, Any], zone: tzinfo | None) -> Iterator[str]:
    """Put every answer into its table; give a sentence for each that cannot be."""
    known = answers_of_document(document)
    for name, question in _BY_NAME.items():
        answer = str(answers.get(name) or "").strip()
        if answer == known.get(name, ""):
            continue
        table, key = name.split(".")
        try:
            value = _value(question, answer, zone)
        except ValueError as error:
            yield f"{question.label}: {error}"
            continue
        _put(_table(document, table), key, value)
    yield from _enter_vents(document, answers.get("vent"), known.get("vent", []))


def answers_of_document(document: Any) -> dict[str, Any]:
    """Give the answers that a document holds already; none where it is not a whole trial yet."""
    with suppress(ValueError):
        from frametally.calibration_writer import tuples

        return answers_of(Trial.model_validate(tuples(document.unwrap()), strict=True))
    return {}


def _enter_vents(document: Any, rows: Any, known: list[dict[str, str]]) -> Iterator[str]:
    if not isinstance(rows, list):
        return
    given = [
        {key: str(row.get(key) or "").strip() for key in ("name", "free_area_cm2", "open")}
        for row in rows
        if isinstance(row, dict)
    ]
    given = [row for row in given if any(row.values())]
    if given == [{key: vent.get(key, "") for key in ("name", "free_area_cm2", "open")} for vent in known]:
        return
    vents = tomlkit.aot()
    for row in given:
        vent = tomlkit.table()
        if row["name"]:
            vent["name"] = row["name"]
        if row["free_area_cm2"]:
            try:
                vent["free_area_cm2"] = _number(row["free_area_cm2"])
            except ValueError as error:
                yield f"Free area of a vent: {error}"
        if row["open"] in _YES:
            vent["open"] = _YES[row["open"]]
        vents.append(vent)
    if "vent" in document:
        del document["vent"]
    if len(vents):
        document["vent"] = vents


def _table(document: Any, name: str) -> Any:
    """Give the table of that name, made where it is missing; of several appliances the first."""
    if name == "appliance":
        if "appliance" not in document:
            tables = tomlkit.aot()
            tables.append(tomlkit.table())
            document["appliance"] = tables
        return document["appliance"][0]
    if name not in document:
        document[name] = tomlkit.table()
    return document[name]


def _put(table: Any, key: str, value: Any) -> None:
    if value is None:
        table.pop(key, None)
    else:
        table[key] = value


def _value(question: Question, answer: str, zone: tzinfo | None) -> Any:
    if not answer:
        return None
    if question.kind == "number":
        number = _number(answer)
        if question.name == "people.sleeping" and not isinstance(number, int):
            raise ValueError(f"{answer!r} is no whole number of people")
        return number
    if question.kind == "yes":
        return _YES.get(answer)
    if question.kind == "time":
        return _time(answer, zone)
    return answer


def _number(answer: str) -> float | int:
    try:
        number = float(answer.replace(",", "."))
    except ValueError:
        raise ValueError(f"{answer!r} is no number; write it like 24.5") from None
    if number != number or abs(number) == float("inf"):
        raise ValueError(f"{answer!r} is no number; write it like 24.5")
    return int(number) if number.is_integer() and abs(number) < 1e15 else number


def _time(answer: str, zone: tzinfo | None) -> datetime:
    try:
        time = datetime.fromisoformat(answer)
    except ValueError:
        raise ValueError(f"{answer!r} is no date and time; write it like 2026-10-30 21:40") from None
    return time.replace(tzinfo=zone) if time.tzinfo is None and zone is not None else time
