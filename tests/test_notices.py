"""What does not go together in the user's files is told: corrections, trials of another night, keys that hide a quantity."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pandas as pd
import pytest

from frametally.corrections import Correction
from frametally.model import Display, Event, Notice, Trial, TrialInstrument
from frametally.notices import (
    correction_notices,
    trial_notices,
    unassessed_columns,
    unassessed_notices,
    view_findings,
    view_notices,
)

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


# --- the camera's path -------------------------------------------------------------------------------------------------


def path(
    places: list[tuple[float, float, float] | None], flags: dict[str, list[str]] | None = None, instrument: str = "shelf unit"
) -> list[Notice]:
    """Give the notices of a night in which the view stood at these places, None where it was not found at all."""
    flags = flags or {"rh_pct": ["ok" if place else "lost" for place in places]}
    lines = [
        {
            "time": (EVENING + timedelta(minutes=4 * at)).isoformat(),
            "elapsed_min": 4.0 * at,
            "frame": f"f{at:03d}.jpg",
            "display": key,
            "flag": flags[key][at],
        }
        | dict(zip(("shift_x_px", "shift_y_px", "rotation_deg"), place or (None, None, None), strict=True))
        for at, place in enumerate(places)
        for key in flags
    ]
    return view_notices(pd.DataFrame(lines), [display(key, instrument=instrument) for key in flags])


STILL = (0.2, -0.1, 0.0)


def test_a_nudge_is_told_with_its_time_its_frame_and_how_far() -> None:
    (notice,) = path([STILL] * 20 + [(30.2, -16.1, 1.2)] * 20)

    assert (notice.code, notice.where) == ("camera-nudged", "f020.jpg")
    assert "At 2026-10-30 23:00 (f020.jpg)" in notice.text
    assert "34 px (30 right, 16 up)" in notice.text
    assert "+1.2°" in notice.text


@pytest.mark.parametrize(
    "places",
    [
        [STILL] * 30,
        [(0.2 * at, -0.3 * at, 0.0) for at in range(30)],  # a tripod that sags
        [(3.0 * (-1) ** at, 0, 0) for at in range(30)],  # a floor that trembles
        [STILL] * 10 + [(25.0, 3.0, 0.5)] + [STILL] * 10,  # one photo in which somebody leans on the table
        [STILL] * 10 + [None] * 5 + [STILL] * 10,  # a view that was blocked
        [],
        [STILL],
        [None] * 5,
    ],
)
def test_what_is_no_nudge(places: list[tuple[float, float, float] | None]) -> None:
    assert [notice for notice in path(places) if notice.code == "camera-nudged"] == []


def test_a_nudge_is_a_finding_with_its_measure_and_the_photo_that_shows_it() -> None:
    table = pd.DataFrame(
        {
            "time": [(EVENING + timedelta(minutes=4 * at)).isoformat() for at in range(12)],
            "elapsed_min": [4.0 * at for at in range(12)],
            "frame": [f"f{at:03d}.jpg" for at in range(12)],
            "display": "co_ppm",
            "flag": "ok",
            "shift_x_px": [0.0] * 6 + [30.0] * 6,
            "shift_y_px": [0.0] * 6 + [-40.0] * 6,
            "rotation_deg": 0.0,
        }
    )
    (finding,) = view_findings(table, [display("co_ppm")])

    assert (finding.slug, finding.value, finding.unit, finding.evidence) == ("camera-nudged", 50.0, "px", ("f006.jpg",))
    assert finding.title.startswith("At 2026-10-30 22:04 (f006.jpg) the camera was nudged by 50 px")


def test_a_nudge_while_the_view_was_blocked() -> None:
    (notice,) = path([STILL] * 8 + [None] * 4 + [(9.0, 0, 0)] * 8)
    assert notice.where == "f012.jpg"


def test_each_of_two_nudges_is_told_once() -> None:
    places = [STILL] * 6 + [(20.0, 0, 0)] * 2 + [(20.0, 30.0, 0)] * 6
    assert [notice.where for notice in path(places)] == ["f006.jpg", "f008.jpg"]


def test_a_camera_that_is_nudged_all_night_is_summed_up() -> None:
    rng = np.random.default_rng(1)
    places = [(100.0 * k + float(rng.normal()), 0.0, 0.0) for k in range(15) for _ in range(4)]
    notices = path(places)

    assert len(notices) == 11
    assert notices[-1].text.startswith("The camera was nudged 4 times more")


def test_an_instrument_that_left_is_told_once_with_all_its_displays() -> None:
    flags = {"rh_pct": ["ok"] * 10 + ["lost"] * 8, "temp_c": ["ok"] * 9 + ["doubtful"] + ["lost"] * 8}
    (notice,) = path([STILL] * 18, flags)

    assert (notice.code, notice.where) == ("instrument-left", "f010.jpg")
    assert "rh_pct, temp_c of the shelf unit" in notice.text
    assert "lost in the 8 photos from then on" in notice.text


@pytest.mark.parametrize(
    "flags",
    [
        ["ok"] * 8 + ["lost"] * 5 + ["ok"] * 2,  # it came back
        ["ok"] * 13 + ["lost"] * 2,  # too short to say
        ["lost"] * 15,  # never seen: a calibration that does not fit
        ["ok"] * 12 + ["hidden"] * 3,
    ],
)
def test_what_is_no_departure(flags: list[str]) -> None:
    assert path([STILL] * 15, {"rh_pct": flags}) == []
