"""The types that cross rooms: every flag explained, keys understood, displays and calibrations that cannot be refused."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from frametally import errors, settings
from frametally.errors import EXIT_MEANING, BadInput, ExitCode, FrametallyError
from frametally.model import (
    AUDIT_COLUMNS,
    FLAG_MEANING,
    SETTLED,
    TIME_COLUMNS,
    VALUED,
    Accuracy,
    Calibration,
    Display,
    Flag,
    Method,
    Trial,
    key_kind,
    reading_columns,
)

SQUARE = ((10.0, 10.0), (30.0, 10.0), (30.0, 20.0), (10.0, 20.0))


def display(**update: Any) -> Display:
    return Display(**{"key": "co_ppm", "quantity": "carbon monoxide", "unit": "ppm", "corners": SQUARE, "digits": "###"} | update)


def calibration(*displays: Display) -> Calibration:
    instrument = {"name": "wall unit", "display": [one.model_dump() for one in displays]}
    return Calibration.model_validate(
        {"format": 1, "reference_frame": "a.jpg", "frame_size": (100, 100), "instrument": [instrument]}
    )


# --- flags and exit codes --------------------------------------------------------------------------------------------


def test_every_flag_has_a_meaning_and_a_remedy() -> None:
    assert set(FLAG_MEANING) == set(Flag)
    assert all(meaning.endswith(".") and remedy.endswith(".") for meaning, remedy in FLAG_MEANING.values())


def test_settled_readings_are_those_that_may_be_used() -> None:
    assert set(SETTLED) == {"ok", "repaired", "corrected"}
    assert list(VALUED - SETTLED) == ["doubtful"]


def test_every_exit_code_has_a_meaning_and_none_is_one() -> None:
    assert set(EXIT_MEANING) == set(ExitCode)
    assert sorted(ExitCode) == [0, 2, 3, 4, 5, 6, 70, 130]


def test_every_error_of_ours_has_its_own_exit_code() -> None:
    kinds = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, FrametallyError)]
    codes = {kind.__name__: int(kind.exit_code) for kind in kinds}
    assert codes == {
        "FrametallyError": 2,
        "BadInput": 2,
        "NoFrames": 3,
        "CalibrationMisfit": 4,
        "TooDoubtful": 5,
        "ProgramMissing": 6,
        "NightsFailed": 2,  # until a job says which of its nights ended worst
    }


# --- keys and columns ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "kind"),
    [
        ("co_ppm", "co_ppm"),
        ("wall_co_ppm", "co_ppm"),
        ("wall_unit_2_co_ppm", "co_ppm"),
        ("co2_ppm", "co2_ppm"),
        ("no2_ppm", "no2_ppm"),
        ("bunk_temp_f", "temp_f"),
        ("o2_pct", "o2_pct"),
        ("rh_pct", "rh_pct"),
        ("clock", None),
        ("xco_ppm", None),
        ("_co_ppm", None),
        ("wall__co_ppm", None),
        ("co_ppm_flag", None),
        ("Wall_co_ppm", None),
        ("co_ppm\n", None),
    ],
)
def test_key_tells_quantity_and_unit(key: str, kind: str | None) -> None:
    assert key_kind(key) == kind


def test_columns_of_the_readings_are_the_times_and_two_for_each_display(calibration_path: Path) -> None:
    columns = reading_columns(settings.load_calibration(calibration_path).displays)
    names = [column.name for column in columns]
    assert names[:5] == ["time", "elapsed_min", "frame", "co_ppm", "co_ppm_flag"]
    assert names[5:] == [
        "o2_pct",
        "o2_pct_flag",
        "temp_c",
        "temp_c_flag",
        "rh_pct",
        "rh_pct_flag",
        "wall_co_ppm",
        "wall_co_ppm_flag",
    ]
    assert columns[3].unit == "ppm"
    assert columns[3].meaning == "Carbon monoxide, hand-held gas monitor."


def test_columns_have_names_of_their_own_and_a_meaning() -> None:
    for columns in (TIME_COLUMNS, AUDIT_COLUMNS):
        assert len({column.name for column in columns}) == len(columns)
        assert all(column.meaning.endswith(".") and column.type in ("string", "number", "datetime") for column in columns)


# --- displays --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mask", ["#", "###", "##.#", "-##.#", "#.##", "##:##", "####"])
def test_mask_is_accepted(mask: str) -> None:
    assert display(digits=mask).masks == (mask,)


@pytest.mark.parametrize("mask", ["", "-", ".", ".##", "##,#", "12.3", "#-#", "--#", "# #", ()])
def test_mask_is_refused(mask: Any) -> None:
    with pytest.raises(ValidationError):
        display(digits=mask)


def test_several_masks_are_kept_in_order() -> None:
    assert display(digits=("##.#", "###")).masks == ("##.#", "###")


@pytest.mark.parametrize(
    "corners",
    [
        SQUARE[::-1],
        (SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3]),
        (SQUARE[0],) * 4,
        (SQUARE[0], SQUARE[1], (50.0, 10.0), SQUARE[3]),
        (SQUARE[0], SQUARE[1], SQUARE[2], (28.0, 18.0)),
        ((float("nan"), 10.0), *SQUARE[1:]),
        ((float("inf"), 10.0), *SQUARE[1:]),
        SQUARE[:3],
    ],
    ids=["anticlockwise", "crossed", "one point", "three in a line", "dented", "nan", "infinite", "three"],
)
def test_corners_are_refused(corners: Any) -> None:
    with pytest.raises(ValidationError):
        display(corners=corners)


def test_corners_may_begin_anywhere_as_text_may_lie_on_its_side_or_head() -> None:
    for turn in range(4):
        turned = SQUARE[turn:] + SQUARE[:turn]
        assert display(corners=turned).corners == turned


@pytest.mark.parametrize("span", [(5, 5), (9, 1), (0, float("nan"))])
def test_range_is_refused(span: Any) -> None:
    with pytest.raises(ValidationError, match=r"\[lowest, highest\]"):
        display(range=span)


@pytest.mark.parametrize(
    ("word", "meaning"),
    [("OL", "over range"), ("ol", "over range"), ("----", "over range"), ("Lo", "status"), ("Err", "error"),
     ("bAt", "low battery"), ("20.9", None), ("", None)],
)  # fmt: skip
def test_usual_words_have_their_meaning(word: str, meaning: str | None) -> None:
    # Common practice, no source.
    assert display().meaning_of(word) == meaning


def test_own_words_count_before_the_usual_ones() -> None:
    own = display(status={"OL": "error", "CAL": "status"})
    assert [own.meaning_of(word) for word in ("ol", "cal", "HI")] == ["error", "status", "over range"]


@pytest.mark.parametrize(("value", "tolerance"), [(0, 3), (20, 3), (100, 10), (-100, 10)])
def test_accuracy_is_the_larger_of_the_two(value: float, tolerance: float) -> None:
    assert Accuracy(absolute=3, relative=0.10).at(value) == pytest.approx(tolerance)


# --- calibrations ----------------------------------------------------------------------------------------------------


def test_displays_know_their_instrument() -> None:
    assert [one.instrument for one in calibration(display(), display(key="rh_pct")).displays] == ["wall unit", "wall unit"]


@pytest.mark.parametrize(
    ("displays", "told"),
    [
        ((display(), display()), "put a prefix before one, like wall_co_ppm"),
        ((display(), display(key="co_ppm_flag")), "is taken by a column of the table"),
        ((display(key="frame"),), "is taken by a column of the table"),
        ((display(key="elapsed_min"),), "is taken by a column of the table"),
        (
            (display(corners=(*SQUARE[:2], (130.0, 20.0), SQUARE[3])),),
            r"the corner \[130, 20\] lies outside the frame of 100 x 100",
        ),
        ((display(corners=((10.0, -1.0), *SQUARE[1:])),), r"the corner \[10, -1\] lies outside"),
    ],
)
def test_calibration_is_refused(displays: tuple[Display, ...], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        calibration(*displays)


def test_flag_column_is_taken_whichever_of_the_two_comes_first() -> None:
    with pytest.raises(ValidationError, match="is taken by a column of the table"):
        calibration(display(key="co_ppm_flag"), display())


def test_models_cannot_be_changed(calibration_path: Path) -> None:
    with pytest.raises(ValidationError):
        settings.load_calibration(calibration_path).title = "other"
    with pytest.raises(dataclasses.FrozenInstanceError):
        TIME_COLUMNS[0].name = "other"


def test_trial_and_method_need_nothing_but_have_defaults() -> None:
    trial = Trial(format=1)
    assert (trial.space.volume_m3, trial.appliance, trial.people.sleeping, trial.outdoor.rh_pct) == (None, (), None, None)
    assert 0 < Method().lost_below < Method().doubtful_below < 1


def test_errors_of_ours_are_caught_as_one_kind() -> None:
    with pytest.raises(FrametallyError):
        raise BadInput("x")
