"""Photos of two cameras in one folder: refused or chosen, and said; nothing of another camera slips in."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from frames_files import EVENING, put, put_night

from frametally.errors import BadInput
from frametally.frames import open_night


def two_cameras(folder: Path, second: dict[str, object], prefix: str = "DSC_") -> Path:
    put_night(folder, 6, model="Pond 3", make="Reed")
    for at in range(5):
        put(folder / f"{prefix}{at + 801:04d}.JPG", EVENING + timedelta(seconds=100 + 240 * at), **second)
    return folder


def names(folder: Path, **options: object) -> list[str]:
    return [frame.name for frame in open_night(folder, **options).frames]  # type: ignore[arg-type]


@pytest.mark.parametrize("second", [{"model": "Heron", "make": "Sedge"}, {"model": "Pond 3", "make": "Reed", "serial": "0042"}])
def test_two_cameras_are_refused_with_their_names_and_the_way_out(tmp_path: Path, second: dict[str, object]) -> None:
    with pytest.raises(BadInput) as refused:
        open_night(two_cameras(tmp_path, second))

    assert 'of 2 cameras: "Reed Pond 3" (6 photos, IMG_0001.JPG to IMG_0006.JPG)' in str(refused.value) or (
        '"Reed Pond 3" (6 photos, IMG_0001.JPG to IMG_0006.JPG)' in str(refused.value)
    )
    assert "5 photos, DSC_0801.JPG to DSC_0805.JPG" in str(refused.value)
    assert "--camera" in str(refused.value)


@pytest.mark.parametrize(
    ("wanted", "kept"), [("Reed Pond 3", "IMG"), ("pond", "IMG"), ("sedge heron", "DSC"), ("dsc_*", "DSC"), ("IMG_*", "IMG")]
)
def test_the_wanted_camera_alone_is_read_and_it_is_said(tmp_path: Path, wanted: str, kept: str) -> None:
    two_cameras(tmp_path, {"model": "Heron", "make": "Sedge"})
    night = open_night(tmp_path, camera=wanted)

    assert {frame.name[:3] for frame in night.frames} == {kept}
    (notice,) = (notice for notice in night.notices if notice.code == "left-out-camera")
    assert f"{11 - len(night.frames)} photos" in notice.text


def test_a_serial_number_tells_two_of_the_same_make_apart(tmp_path: Path) -> None:
    two_cameras(tmp_path, {"model": "Pond 3", "make": "Reed", "serial": "0042"})

    assert {name[:3] for name in names(tmp_path, camera="serial 0042")} == {"DSC"}
    assert {name[:3] for name in names(tmp_path, camera="Reed Pond 3")} == {"IMG"}
    with pytest.raises(BadInput, match="fits several cameras"):
        open_night(tmp_path, camera="pond")


def test_a_camera_that_is_not_there_is_refused(tmp_path: Path) -> None:
    put_night(tmp_path, 4, model="Pond 3")
    with pytest.raises(BadInput, match='"Heron" fits no photo; the photos are of: "Pond 3"'):
        open_night(tmp_path, camera="Heron")


def test_a_damaged_photo_stays_with_the_roll_whose_names_it_shares(tmp_path: Path) -> None:
    two_cameras(tmp_path, {"model": "Heron"})
    (tmp_path / "IMG_0007.JPG").write_bytes(b"\xff\xd8 cut off")

    assert "IMG_0007.JPG" in names(tmp_path, camera="Pond 3")
    assert "IMG_0007.JPG" not in names(tmp_path, camera="Heron")


def test_one_or_two_strays_of_another_camera_are_told_and_stay(tmp_path: Path) -> None:
    put_night(tmp_path, 8, model="Pond 3")
    put(tmp_path / "PHONE_1.JPG", EVENING + timedelta(minutes=2), model="Heron")
    night = open_night(tmp_path)

    assert len(night.frames) == 9
    assert ("other-camera", "PHONE_1.JPG") in [(notice.code, notice.where) for notice in night.notices]


def test_names_of_two_forms_that_say_no_camera_are_asked_about(tmp_path: Path) -> None:
    put_night(tmp_path, 6)
    for at in range(6):
        put(tmp_path / f"DSC_{at + 801:04d}.JPG", EVENING + timedelta(seconds=100 + 240 * at))
    (notice,) = (notice for notice in open_night(tmp_path).notices if notice.code == "two-cameras")

    assert '--camera with a pattern of names, such as "DSC_*"' in notice.text
    assert {name[:3] for name in names(tmp_path, camera="DSC_*")} == {"DSC"}


def test_one_camera_in_two_folders_is_one(tmp_path: Path) -> None:
    put_night(tmp_path / "100REED", 4, first=9996, model="Pond 3")
    put_night(tmp_path / "101REED", 4, start=EVENING + timedelta(minutes=16), model="Pond 3")
    night = open_night(tmp_path)

    assert len(night.frames) == 8
    assert night.notices == () or {notice.code for notice in night.notices} == {"offset-unknown"}


def test_start_and_every_count_the_chosen_photos_alone(tmp_path: Path) -> None:
    two_cameras(tmp_path, {"model": "Heron"})
    night = open_night(tmp_path, camera="Heron", start=EVENING, every_s=240)

    assert [frame.time for frame in night.frames] == [EVENING + timedelta(seconds=240 * at) for at in range(5)]
