"""What does not go together in the user's files is told: corrections, trials of another night, keys that hide a quantity."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pandas as pd
import pytest

from frametally.corrections import Correction
from frametally.model import Display, Event, Trial, TrialInstrument
from frametally.notices import correction_notices, trial_notices, unassessed_columns, unassessed_notices

EVENING = datetime(2026, 10, 30, 21, 40, tzinfo=UTC)
TIMES = [EVENING + timedelta(minutes=4 * at) for at in range(150)]


def display(key: str = "rh_pct", quantity: str = "relative humidity", unit: str = "%", **more: object) -> Display:
    corners = ((0.0, 0.0), (9.0, 0.0), (9.0, 4.0), (0.0, 4.0))
    given = {"key": key, "quantity": quantity, "unit": unit, "corners": corners, "digits": "##", "range": (20.0, 95.0)} | more
    return Display.model_validate(given)


def audit(**changes: float | None) -> pd.DataFrame:
    """Four frames of rh_pct; `changes` gives frames other values, None for none."""
    values: dict[str, float | None] = {"a": 50, "b": 96, "c": 41, "d": 60}
    lines = [
        {
            "frame": f"{frame}.jpg",
            "display": "rh_pct",
            "raw_text": "66" if frame == "d" else f"{value}",  # d was repaired from 66 to 60
            "raw_value": 66.0 if frame == "d" else value,
            "value": changes.get(frame, value),
            "flag": "unreadable" if changes.get(frame, value) is None else "corrected" if frame in changes else "ok",
        }
        for frame, value in values.items()
    ]
    empty = {"frame": "", "display": "rh_pct", "raw_text": "", "raw_value": None, "value": None, "flag": "no_frame"}
    return pd.DataFrame([*lines, empty])


def told(*rows: tuple[str, str, str], **changes: float | None) -> dict[str, str]:
    corrections = [Correction(f"{frame}.jpg", "rh_pct", said, to) for frame, said, to in rows]
    notices = correction_notices(corrections, [display()], audit(), audit(**changes))
    return {notice.code.removeprefix("correction-") + " " + notice.where: notice.text for notice in notices}


# --- corrections -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("said", ["50", " 50 ", "50.0", ""])
def test_from_that_was_read_says_nothing(said: str) -> None:
    assert told(("a", said, "52"), a=52) == {}


@pytest.mark.parametrize("said", ["66", "60"])
def test_from_may_be_the_first_or_the_cleaned_reading(said: str) -> None:
    assert told(("d", said, "61"), d=61) == {}


def test_from_may_be_an_earlier_correction() -> None:
    assert told(("a", "50", "52"), ("a", "52", "53"), a=53) == {}


def test_from_may_be_the_flag() -> None:
    corrections = [Correction("c.jpg", "rh_pct", "unreadable", "45")]
    before = audit(c=None)
    assert [n.code for n in correction_notices(corrections, [display()], before, audit(c=45))] == ["correction-extreme"]


@pytest.mark.parametrize("said", ["86", "OL", "9.6"])
def test_from_that_was_not_read_is_told(said: str) -> None:
    text = told(("a", said, "52"), a=52)["from a.jpg"]
    assert repr(said) in text
    assert "'50' was read there" in text


def test_to_outside_the_range_is_told() -> None:
    assert "20 to 95" in told(("a", "50", "9500"), a=9500)["range a.jpg"]
    assert "sets rh_pct in a.jpg to 19.9" in told(("a", "50", "19.9"), a=19.9)["range a.jpg"]
    assert not any(key.startswith("range") for key in told(("a", "50", "20"), ("b", "96", "95"), a=20, b=95))
    assert not any(key.startswith("range") for key in told(("a", "50", "hidden"), a=None))


def test_an_extreme_that_a_correction_took_away_or_made_is_named() -> None:
    assert told(("b", "96", "46"), b=46) == {
        "extreme b.jpg": "rh_pct: the highest reading, 96 in b.jpg, was corrected by hand to 46; the highest is now 60 in d.jpg."
    }
    assert "is now 50 in a.jpg" in told(("c", "41", "hidden"), c=None)["extreme c.jpg"]
    assert told(("a", "50", "30"), a=30) == {
        "extreme a.jpg": "rh_pct: the lowest of the night, 30 in a.jpg, was set by hand; without it, it is 41 in c.jpg."
    }


def test_corrections_taken_back_or_of_another_night_say_nothing() -> None:
    assert told(("a", "86", "9500"), ("a", "", "as_read")) == {}
    assert told(("z", "86", "9500")) == {}


# --- trial -----------------------------------------------------------------------------------------------------------


def shifted(by: timedelta) -> Trial:
    start, end = EVENING + by, TIMES[-1] + by
    return Trial(format=1, start=start, end=end, event=(Event(time=end - timedelta(hours=1), what="hatch opened"),))


@pytest.mark.parametrize("days", [0, 0.9, -0.9])
def test_a_trial_of_about_this_night_says_nothing(days: float) -> None:
    assert trial_notices(shifted(timedelta(days=days)), TIMES) == []


@pytest.mark.parametrize("days", [3, -120])
def test_a_trial_of_another_night_is_told(days: float) -> None:
    (notice,) = trial_notices(shifted(timedelta(days=days)), TIMES)
    assert notice.code == "trial-times"
    assert 'event "hatch opened"' in notice.text
    assert "2026-10-30 21:40 to 2026-10-31 07:36" in notice.text


def test_a_long_trial_around_the_night_says_nothing() -> None:
    trial = Trial(format=1, start=EVENING - timedelta(days=20), end=EVENING + timedelta(days=20))
    assert trial_notices(trial, TIMES) == []
    far = Event(time=EVENING + timedelta(days=9), what="vent shut")
    (notice,) = trial_notices(trial.model_copy(update={"event": (far,)}), TIMES)
    assert 'event "vent shut"' in notice.text
    assert "start" not in notice.text


def test_times_with_and_without_offset_are_compared_with_care() -> None:
    naive = [time.replace(tzinfo=None) for time in TIMES]
    assert trial_notices(shifted(timedelta(hours=36)), naive) == []  # an offset could be in it
    assert len(trial_notices(shifted(timedelta(days=3)), naive)) == 1
    elsewhere = [time.astimezone(timezone(timedelta(hours=10))) for time in TIMES]
    assert trial_notices(shifted(timedelta()), elsewhere) == []
    assert trial_notices(shifted(timedelta(days=3)), []) == []


def test_an_instrument_that_the_calibration_lacks_is_told() -> None:
    trial = Trial(
        format=1, instrument=(TrialInstrument(name="Wall unit"), TrialInstrument(name="wall unti"), TrialInstrument(name="x"))
    )
    near, far = trial_notices(trial, TIMES, ["wall unit", "hand-held"])
    assert '"wall unti"' in near.text
    assert 'did you mean "wall unit"?' in near.text
    assert '"wall unit", "hand-held"' in far.text
    assert trial_notices(trial, TIMES) == []  # a table has no instruments


# --- what will not be assessed -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "quantity", "unit", "remedy"),
    [
        ("oxygen", "oxygen", "%", "end the key in o2_pct to"),
        ("oxygen", "what we breathe", "%", "end the key in o2_pct to"),
        ("shelf", "Air temperature", "°F", "end the key in temp_f to"),
        ("shelf", "temperature", "K", "end the key in temp_c or temp_f if that is its unit"),
        ("co_mg", "carbon monoxide", "mg/m³", "end the key in co_ppm if that is its unit"),
    ],
)
def test_a_key_that_hides_its_quantity_is_told(key: str, quantity: str, unit: str, remedy: str) -> None:
    (notice,) = unassessed_notices([display(), display(key, quantity, unit)])
    assert notice.text.startswith(f"{key}: read and charted, but not assessed")
    assert remedy in notice.text


def test_other_quantities_and_right_keys_say_nothing() -> None:
    displays = [display("clock", "clock", ""), display("pressure_hpa", "pressure", "hPa"), display("wall_o2_pct", "oxygen")]
    assert unassessed_notices(displays) == []


def test_columns_of_a_table_that_name_a_quantity_are_told() -> None:
    (notice,) = unassessed_columns(["time", "frame", "co_ppm", "co_ppm_flag", "Oxygen", "pressure"])
    assert notice.text == "Oxygen: not assessed; give --column 'Oxygen=o2_pct' to have it assessed."
