"""The page to mark on, without a browser: photos by number, readings, drafts that survive, saving, hostile names."""

from __future__ import annotations

import json
import re
import shutil
import time
import tomllib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from desk_pages import Visitor

from frametally.desk.door import Door
from frametally.desk.mark import OTHERS, Bench, make_mark, mark
from frametally.desk.previews import spread
from frametally.desk.server import Where
from frametally.errors import BadInput, CalibrationMisfit, NoFrames
from frametally.frames import open_night
from frametally.settings import load_calibration, load_trial

CO = [[742, 386], [890, 386], [890, 464], [742, 464]]
OXYGEN = [[738, 484], [878, 484], [878, 552], [738, 552]]
"""Boxes around the hand-held's digits in the demo night, upright though the digits slant."""


def marked(id: str, corners: list[list[float]], **more: Any) -> dict[str, Any]:
    return {"id": id, "corners": corners, **more}


CO_PPM = marked("a", CO, quantity="carbon monoxide", unit="ppm", digits="###", range=[0, 999], resolution=1)


class Desk:
    """A desk on some photos of the demo night, opened as often as wanted."""

    def __init__(self, frames: Path, calibration: Path) -> None:
        self.frames, self.calibration = frames, calibration

    def open(self) -> tuple[Bench, Visitor]:
        door = Door()
        bench = Bench(open_night(self.frames), self.calibration)
        return bench, Visitor(make_mark(bench, door), door)


@pytest.fixture
def frames(tmp_path: Path, sample_frames: Path) -> Path:
    folder = tmp_path / "frames"
    folder.mkdir()
    for number in (1, 20, 44, 75, 127):  # still; 43 ppm; covered by a book; the camera nudged; cut off in the middle
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", folder)
    return folder


@pytest.fixture
def desk(tmp_path: Path, frames: Path) -> Desk:
    return Desk(frames, tmp_path / "cabin.toml")


def draft(*displays: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"reference": "cabin_0001.jpg", "displays": list(displays), **more}


# --- photos


def test_photos_and_thumbnails_are_given_by_number_alone(desk: Desk) -> None:
    _, visitor = desk.open()
    photo, thumb = visitor.get("/photo/1.jpg"), visitor.get("/thumb/1.jpg")
    assert photo.data == (desk.frames / "cabin_0020.jpg").read_bytes()
    assert cv2.imdecode(np.frombuffer(thumb.data, np.uint8), cv2.IMREAD_COLOR).shape[0] == 96
    assert {photo.mimetype, thumb.mimetype} == {"image/jpeg"}


@pytest.mark.parametrize(
    "path",
    [
        "/photo/99.jpg",
        "/photo/-1.jpg",
        "/photo/..%2f..%2fetc%2fpasswd",
        "/thumb/cabin_0001.jpg",
        "/photo/1.jpg/../../x",
        "/photo/1e3.jpg",
    ],
)
def test_nothing_outside_the_night_can_be_asked_for(desk: Desk, path: str) -> None:
    _, visitor = desk.open()
    assert visitor.get(path).status_code in (400, 404)


def test_damaged_photo_is_a_sentence(desk: Desk) -> None:
    _, visitor = desk.open()
    answer = visitor.send("POST", "/read/4", {"draft": draft(CO_PPM), "id": "a"})
    assert answer.json["level"] == "none"
    assert "cut off" in answer.json["why"]


def test_hostile_file_names_are_text(tmp_path: Path, sample_frames: Path) -> None:
    folder = tmp_path / "frames"
    folder.mkdir()
    name = '"><img src=x onerror=alert(1)>{{7*7}}&.jpg'
    shutil.copy(sample_frames / "cabin_0001.jpg", folder / name)
    _, visitor = Desk(folder, tmp_path / "<b>&.toml").open()
    page = visitor.get("/").text
    assert "<img src=x" not in page
    assert "&lt;img src=x onerror=alert(1)&gt;{{7*7}}&amp;.jpg" in page
    assert "&lt;b&gt;&amp;.toml" in page
    assert "<b>" not in page
    assert visitor.get("/state").json["draft"]["reference"] == name


def test_page_has_no_inline_script_or_style(desk: Desk) -> None:
    _, visitor = desk.open()
    page = visitor.get("/").text
    assert page.count("<script") == page.count('<script type="module" src="/static/')
    assert "<style" not in page
    assert " style=" not in page
    assert not re.search(r"\son[a-z]+\s*=", page)


# --- readings


def test_display_is_read_where_it_is_marked(desk: Desk) -> None:
    _, visitor = desk.open()
    read = visitor.send("POST", "/read", {"draft": draft(CO_PPM), "id": "a"}).json
    assert (read["text"], read["level"]) == ("3", "sure")
    assert read["crop"].startswith("data:image/jpeg;base64,")


def test_box_that_cuts_a_digit_is_told_of(desk: Desk) -> None:
    """The night's oxygen, boxed through its last digit: what is left reads as clearly as any number."""
    whole = marked("a", OXYGEN, quantity="oxygen", unit="%", digits="##.#")
    cut = marked("a", [[738, 484], [852, 484], [852, 552], [738, 552]], quantity="oxygen", unit="%", digits="##.#")
    _, visitor = desk.open()

    assert visitor.send("POST", "/read", {"draft": draft(whole), "id": "a"}).json["level"] == "sure"
    said = visitor.send("POST", "/read", {"draft": draft(cut), "id": "a"}).json
    assert (said["level"], said["said"]) == ("unsure", "cut?")
    assert "over its right edge" in said["why"]


def test_new_box_is_read_before_anything_is_known_of_it(desk: Desk) -> None:
    _, visitor = desk.open()
    read = visitor.send("POST", "/read", {"draft": draft(marked("a", OXYGEN)), "id": "a"}).json
    assert (read["text"], read["level"]) == ("20.9", "sure")


@pytest.mark.parametrize(
    ("corners", "quantity", "unit", "mask", "span"),
    [
        (CO, "carbon monoxide", "ppm", "###", [0, 999]),
        (OXYGEN, "oxygen", "%", "##.#", [0, 99.9]),
        (OXYGEN, "", "", "##.#", [0, 99.9]),
    ],
)
def test_mask_is_proposed_from_what_is_read(
    desk: Desk, corners: Any, quantity: str, unit: str, mask: str, span: list[float]
) -> None:
    _, visitor = desk.open()
    given = draft(marked("a", corners, quantity=quantity, unit=unit))
    proposed = visitor.send("POST", "/propose", {"draft": given, "id": "a"}).json
    assert (proposed["digits"], proposed["range"]) == (mask, span)
    assert proposed["resolution"] == (0.1 if "." in mask else 1)
    assert proposed["frames"] >= 3  # the cut-off photo tells nothing


def test_mask_is_proposed_anew_without_the_range_of_the_old_one(desk: Desk) -> None:
    _, visitor = desk.open()
    wrong = marked("a", OXYGEN, quantity="oxygen", unit="%", digits="##", range=[0, 15], resolution=1)
    assert visitor.send("POST", "/propose", {"draft": draft(wrong), "id": "a"}).json["digits"] == "##.#"


def test_dark_spot_gets_a_proposal_that_says_how_little_it_rests_on(desk: Desk) -> None:
    _, visitor = desk.open()
    porthole = marked("a", [[280, 100], [420, 100], [420, 180], [280, 180]], quantity="oxygen", unit="%")
    assert visitor.send("POST", "/propose", {"draft": draft(porthole), "id": "a"}).json["sureness"] < 0.5


def test_box_at_the_edge_is_tried_in_moved_frames_too(desk: Desk) -> None:
    _, visitor = desk.open()
    edge = marked("a", [[0, 0], [140, 0], [140, 70], [0, 70]])
    assert visitor.send("POST", "/propose", {"draft": draft(edge), "id": "a"}).status_code == 200


def test_other_frames_are_read_as_a_run_would(desk: Desk) -> None:
    _, visitor = desk.open()
    sent = {"draft": draft(CO_PPM), "id": "a"}
    assert visitor.send("POST", "/others", sent).json == {"numbers": [1, 2, 3, 4]}
    high, covered = (visitor.send("POST", f"/read/{number}", sent).json for number in (1, 2))
    assert (high["text"], high["level"], high["frame"]) == ("43", "sure", "cabin_0020.jpg")
    assert covered["said"] in ("hidden", "not found")
    assert covered["text"] == ""


def test_boxes_go_along_to_another_photo(desk: Desk) -> None:
    _, visitor = desk.open()
    carried = visitor.send("POST", "/carry/3", {"draft": draft(CO_PPM)}).json
    assert carried["reference"] == "cabin_0075.jpg"
    moved = np.array(carried["corners"]["a"]) - np.array(CO)
    assert 3 < np.linalg.norm(moved.mean(axis=0)) < 60  # from frame 70 on the camera stands otherwise


@pytest.mark.parametrize(
    ("corners", "says"),
    [
        ([[0, 0], [50, 0], [0, 50], [50, 50]], "cross"),
        ([[0, 0], [0, 50], [50, 50], [50, 0]], "clockwise"),
        ([[0, 0], [9000, 0], [9000, 50], [0, 50]], "outside"),
    ],
)
def test_impossible_corners_are_told(desk: Desk, corners: Any, says: str) -> None:
    _, visitor = desk.open()
    answer = visitor.send("POST", "/read", {"draft": draft(marked("a", corners)), "id": "a"})
    assert answer.status_code == 400
    assert says in answer.json["fault"]


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"draft": None},
        {"draft": draft(), "id": "a"},
        {"draft": draft(CO_PPM), "id": "b"},
        {"draft": {**draft(CO_PPM), "reference": "../../etc/passwd"}, "id": "a"},
        {"draft": draft(marked("a", [[0, 0]])), "id": "a"},
        {"draft": draft(marked("a", CO, digits="%s")), "id": "a"},
        {"draft": draft(*[CO_PPM] * 100), "id": "a"},
    ],
)
def test_odd_requests_are_faults_not_crashes(desk: Desk, sent: dict[str, Any]) -> None:
    _, visitor = desk.open()
    for path in ("/read", "/propose", "/read/1"):
        answer = visitor.send("POST", path, sent)
        assert answer.status_code == 400 or path == "/propose"
        assert answer.status_code in (200, 400)


@pytest.mark.parametrize("scale", [1.0, 3.125])
def test_dropped_corner_is_read_in_a_fifth_of_a_second(desk: Desk, scale: float) -> None:
    """The processor's time, which other programs do not change; also on a photo of 12 megapixels."""
    path = desk.frames / "cabin_0001.jpg"
    if scale > 1:
        cv2.imwrite(str(path), cv2.resize(cv2.imread(str(path)), None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC))
    _, visitor = desk.open()
    times = []
    for shift in range(6):  # never the same corners: nothing may be remembered
        corners = [[x * scale + shift, y * scale] for x, y in CO]
        begin = time.process_time()
        read = visitor.send("POST", "/read", {"draft": draft({**CO_PPM, "corners": corners}), "id": "a"}).json
        times.append(time.process_time() - begin)
        assert (read["text"], read["level"]) == ("3", "sure")
    assert sorted(times[1:])[2] < 0.2


# --- the draft


def test_unsaved_work_survives_a_stopped_desk(desk: Desk) -> None:
    _, visitor = desk.open()
    visitor.send("PUT", "/draft", draft(CO_PPM, trial={"space.volume_m3": "24"}))
    bench, again = desk.open()
    state = again.get("/state").json
    assert state["restored"]
    assert state["draft"]["displays"][0]["corners"] == CO
    assert state["draft"]["trial"] == {"space.volume_m3": "24"}
    assert str(bench.drafts.path) in bench.farewell()
    assert not desk.calibration.exists()


def test_draft_is_gone_once_it_is_saved_or_dropped(desk: Desk) -> None:
    bench, visitor = desk.open()
    visitor.send("PUT", "/draft", draft(CO_PPM))
    visitor.send("POST", "/save", draft(CO_PPM))
    assert not bench.drafts.path.exists()
    visitor.send("PUT", "/draft", draft())
    assert visitor.send("DELETE", "/draft").json["draft"]["displays"][0]["key"] == "co_ppm"
    assert not bench.drafts.path.exists()


@pytest.mark.parametrize("content", ["", "{", "[]", '{"reference": 3}', "[" * 100_000, "\0"])
def test_damaged_draft_is_put_aside(desk: Desk, content: str) -> None:
    bench, _ = desk.open()
    bench.drafts.path.write_text(content, encoding="utf-8")
    again, visitor = desk.open()
    assert not visitor.get("/state").json["restored"]
    assert again.drafts.path.with_name(again.drafts.path.name + ".damaged").read_text(encoding="utf-8") == content


def test_draft_of_other_photos_is_kept_under_another_name(desk: Desk) -> None:
    bench, _ = desk.open()
    kept = json.dumps(draft(CO_PPM, reference="another_night.jpg"))
    bench.drafts.path.write_text(kept, encoding="utf-8")
    again, visitor = desk.open()
    assert visitor.get("/state").json["draft"]["displays"] == []
    visitor.send("PUT", "/draft", draft(CO_PPM))
    aside = again.drafts.path.with_name(again.drafts.path.name + ".other-photos")
    assert aside.read_text(encoding="utf-8") == kept


# --- saving


def test_saved_calibration_is_one_that_a_run_reads(desk: Desk) -> None:
    _, visitor = desk.open()
    oxygen = marked(
        "b", OXYGEN, quantity="oxygen", unit="%", digits="##.#", range=[0, 25], resolution=0.1, accuracy={"absolute": 0.3}
    )
    done = visitor.send("POST", "/save", draft(CO_PPM, oxygen, title="Cabin")).json["done"]
    known = load_calibration(desk.calibration)
    assert str(desk.calibration) in done[0]
    assert [display.key for display in known.displays] == ["co_ppm", "o2_pct"]
    assert (known.title, known.reference_frame, known.frame_size) == ("Cabin", "cabin_0001.jpg", (1280, 960))
    assert known.displays[1].accuracy is not None
    assert len(known.instrument) == 1


def test_old_calibration_is_kept_and_its_comments_and_other_keys_stay(desk: Desk, calibration_path: Path) -> None:
    shutil.copy(calibration_path, desk.calibration)
    before = desk.calibration.read_text(encoding="utf-8")
    _, visitor = desk.open()
    state = visitor.get("/state").json["draft"]
    visitor.send("POST", "/save", state)
    assert desk.calibration.read_text(encoding="utf-8") == before  # loading and saving changes nothing
    state["displays"][0]["corners"][0] = [750, 380]
    visitor.send("POST", "/save", state)
    after = desk.calibration.read_text(encoding="utf-8")
    assert "[750, 380]" in after
    assert "# the tenths digit is about half as tall" in after
    assert 'status = { "OL" = "over range" }' in after
    assert desk.calibration.with_name("cabin.toml.bak").read_text(encoding="utf-8") == before


def test_what_is_missing_is_listed_and_nothing_written(desk: Desk) -> None:
    _, visitor = desk.open()
    answer = visitor.send("POST", "/save", draft(marked("a", CO), marked("b", OXYGEN, quantity="oxygen", unit="%")))
    assert answer.status_code == 400
    assert len(answer.json["fault"].splitlines()) == 3
    assert "display 1" in answer.json["fault"]
    assert visitor.send("POST", "/save", draft()).status_code == 400
    assert not desk.calibration.exists()


def test_conditions_are_written_beside_the_calibration(desk: Desk) -> None:
    _, visitor = desk.open()
    trial = {
        "space.volume_m3": "24,5",
        "appliance.on": "2026-10-30T20:50",
        "vent": [{"name": "low", "free_area_cm2": "70", "open": "yes"}],
    }
    visitor.send("POST", "/save", draft(CO_PPM, trial=trial))
    known = load_trial(desk.calibration.with_name("cabin.trial.toml"))
    assert known.space.volume_m3 == 24.5
    assert known.appliance[0].on.isoformat() == "2026-10-30T20:50:00+00:00"  # the photos' own offset
    assert known.vent[0].open is True


def test_wrong_condition_is_told_and_nothing_written(desk: Desk) -> None:
    _, visitor = desk.open()
    answer = visitor.send("POST", "/save", draft(CO_PPM, trial={"space.volume_m3": "big", "outdoor.rh_pct": "120"}))
    assert answer.status_code == 400
    assert "Air volume: 'big' is no number" in answer.json["fault"]
    answer = visitor.send("POST", "/save", draft(CO_PPM, trial={"outdoor.rh_pct": "120"}))
    assert "rh_pct" in answer.json["fault"]
    assert [path.suffix for path in desk.calibration.parent.iterdir()] == [""]


# --- opening


def test_opens_on_the_calibrations_photo_or_a_sharp_one(desk: Desk, calibration_path: Path, frames: Path) -> None:
    blurred = cv2.GaussianBlur(cv2.imread(str(frames / "cabin_0001.jpg")), (0, 0), 6)
    cv2.imwrite(str(frames / "cabin_0001.jpg"), blurred)
    bench, _ = desk.open()
    assert bench.draft.reference == "cabin_0020.jpg"
    shutil.copy(calibration_path, desk.calibration)
    assert desk.open()[0].draft.reference == "cabin_0001.jpg"


def test_calibration_of_other_photos_is_told(desk: Desk, calibration_path: Path) -> None:
    (desk.frames / "cabin_0001.jpg").unlink()
    shutil.copy(calibration_path, desk.calibration)
    with pytest.raises(CalibrationMisfit, match="name another file with -c"):
        desk.open()


def test_wrong_places_are_told_before_anything_is_served(tmp_path: Path, frames: Path) -> None:
    with pytest.raises(BadInput, match="is a folder"):
        mark(frames, tmp_path, Where())
    with pytest.raises(BadInput, match="there is no folder"):
        mark(frames, tmp_path / "none" / "cabin.toml", Where())
    (tmp_path / "empty").mkdir()
    with pytest.raises(NoFrames):
        mark(tmp_path / "empty", tmp_path / "cabin.toml", Where())


@pytest.mark.parametrize(("length", "without"), [(1, 0), (5, 2), (148, 0), (148, 147), (13, 6)])
def test_other_frames_are_spread_over_the_night(length: int, without: int) -> None:
    numbers = spread(length, OTHERS, without)
    assert len(set(numbers)) == min(OTHERS, length - 1)
    assert without not in numbers
    assert list(numbers) == sorted(numbers)
    if length > OTHERS + 1:
        assert numbers[0] <= 1
        assert numbers[-1] >= length - 2


def test_saved_file_is_plain_toml(desk: Desk) -> None:
    _, visitor = desk.open()
    visitor.send("POST", "/save", draft({**CO_PPM, "instrument": 'a "b" \\ <c>\n', "own": ["instrument"]}))
    assert tomllib.loads(desk.calibration.read_text(encoding="utf-8"))["instrument"][0]["name"].startswith('a "b"')
