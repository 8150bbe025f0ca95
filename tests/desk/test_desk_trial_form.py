"""The form about the test's conditions: what it writes is a trial file, what it does not ask about stays."""

from __future__ import annotations

import shutil
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from frametally.desk.trial_form import QUESTIONS, VENT_WHY, answers_of, save_trial, trial_path
from frametally.errors import BadInput
from frametally.model import Trial
from frametally.settings import load_trial


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "cabin.trial.toml"


def test_every_question_has_a_place_in_the_trial_and_says_what_for() -> None:
    assert VENT_WHY
    for question in (each for group in QUESTIONS.values() for each in group):
        table, key = question.name.split(".")
        annotation = Trial.model_fields[table].annotation
        inside = getattr(annotation, "__args__", (annotation,))[0]
        assert key in inside.model_fields
        assert question.why.endswith(".")
        assert "\n" not in question.why


def test_trial_stands_beside_its_calibration() -> None:
    assert trial_path(Path("a/cabin.toml")) == Path("a/cabin.trial.toml")
    assert trial_path(Path("cabin")) == Path("cabin.trial.toml")


def test_nothing_answered_writes_nothing(path: Path) -> None:
    assert not save_trial(path, {}, UTC)
    assert not save_trial(path, {"vent": [{"name": "", "free_area_cm2": "", "open": ""}], "space.volume_m3": " "}, UTC)
    assert not path.exists()


def test_answers_come_back_as_they_were_given(path: Path) -> None:
    answers: dict[str, Any] = {
        "space.volume_m3": "24.5",
        "appliance.fuel": "smokeless coal",
        "appliance.flue": "yes",
        "appliance.on": "2026-10-30T20:50",
        "people.sleeping": "2",
        "outdoor.temp_c": "-4",
        "vent": [{"name": "low", "free_area_cm2": "70", "open": "no"}],
    }
    assert save_trial(path, answers, UTC)
    assert answers_of(load_trial(path)) == answers
    assert path.read_text(encoding="utf-8").startswith("format = 1\n")
    assert not save_trial(path, answers, UTC)  # nothing has changed
    assert not path.with_name(path.name + ".bak").exists()


def test_what_is_not_asked_stays_with_its_comments(path: Path, trial_path: Path) -> None:
    shutil.copy(trial_path, path)
    before = path.read_text(encoding="utf-8")
    answers = answers_of(load_trial(path))
    assert not save_trial(path, answers, UTC)
    assert path.read_text(encoding="utf-8") == before
    assert save_trial(path, {**answers, "space.altitude_m": "120"}, UTC)
    after = path.read_text(encoding="utf-8")
    assert load_trial(path).space.altitude_m == 120
    assert load_trial(path).event == load_trial(trial_path).event
    assert load_trial(path).instrument == load_trial(trial_path).instrument
    assert "# mean over the night" in after
    assert path.with_name(path.name + ".bak").read_text(encoding="utf-8") == before


def test_answer_taken_back_is_taken_out(path: Path, trial_path: Path) -> None:
    shutil.copy(trial_path, path)
    answers = answers_of(load_trial(path))
    assert save_trial(path, {**answers, "space.volume_m3": "", "vent": []}, UTC)
    assert load_trial(path).space.volume_m3 is None
    assert load_trial(path).vent == ()


@pytest.mark.parametrize(
    ("name", "answer", "says"),
    [
        ("space.volume_m3", "big", "'big' is no number"),
        ("space.volume_m3", "nan", "'nan' is no number"),
        ("space.volume_m3", "-3", "volume_m3"),
        ("people.sleeping", "1.5", "no whole number of people"),
        ("appliance.on", "tomorrow", "no date and time"),
        ("appliance.heat_basis", "both", "heat_basis"),
        ("vent", [{"free_area_cm2": "wide"}], "Free area of a vent: 'wide' is no number"),
    ],
)
def test_wrong_answers_are_told_by_their_question_and_nothing_is_written(path: Path, name: str, answer: Any, says: str) -> None:
    with pytest.raises(BadInput) as told:
        save_trial(path, {name: answer}, UTC)
    assert says in str(told.value)
    assert ".new" not in str(told.value)
    assert list(path.parent.iterdir()) == []


def test_out_before_lit_is_told(path: Path) -> None:
    with pytest.raises(BadInput, match="later than on"):
        save_trial(path, {"appliance.on": "2026-10-31T07:00", "appliance.off": "2026-10-30T20:00"}, UTC)
