"""Displays are found where they were drawn, to a pixel; what is covered is called covered, what is gone is lost."""

from __future__ import annotations

import gc
import weakref
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache

import cv2
import numpy as np
import pytest
from aim_scenes import CENTRE, HEIGHT, QUADS, WIDTH, Motion, Photo, calibration, draw, true_corners

from frametally.aim import Registrar
from frametally.aim.view import Sight
from frametally.errors import CalibrationMisfit
from frametally.model import Calibration, Placement

ALL = frozenset(QUADS)
HAND_HELD, WALL_UNIT = (860.0, 550.0), (350.0, 610.0)
LARGEST_ERROR_PX = 1.0


@lru_cache(maxsize=1)
def registrar() -> Registrar:
    return Registrar(draw(Photo()), calibration(), lost_below=0.35)


def worst_error_px(photo: Photo, placement: Placement) -> float:
    distances = [np.linalg.norm(np.asarray(c) - true_corners(photo, key), axis=1).max() for key, c in placement.corners.items()]
    return float(max(distances, default=0.0))


def check(photo: Photo, covered: frozenset[str] = frozenset()) -> Placement:
    placement = registrar().locate(draw(photo))
    assert placement.covered == covered
    assert set(placement.corners) >= ALL - covered  # what may be covered has a place, too: the reader tells
    assert worst_error_px(photo, placement) <= LARGEST_ERROR_PX
    assert set(placement.quality) == ALL
    assert all(0 <= quality <= 1 for quality in placement.quality.values())
    assert all(placement.quality[key] >= 0.35 for key in placement.corners)
    return placement


@pytest.mark.parametrize(
    "view",
    [
        Motion(),
        Motion(0.4, -0.3),
        Motion(7, 4, 0.5),
        Motion(-80, 80, -3, 0.98),
        Motion(80, -80, -3, 1.02),
        Motion(0, 0, 3, 1.0),
        Motion(0, 0, 0, 0.98),
        Motion(35, 0, -2, 1.01),
        Motion(150, 40, 5, 1.0),
    ],
    ids=str,
)
def test_a_moved_camera_is_followed(view: Motion) -> None:
    photo = Photo(view=view, texts={"co_ppm": "87", "o2_pct": "196", "temp_c": "143"}, seed=4)
    shift = check(photo).shift
    moved = (view.matrix() @ [(WIDTH - 1) / 2, (HEIGHT - 1) / 2, 1])[:2] - [(WIDTH - 1) / 2, (HEIGHT - 1) / 2]
    assert (shift.dx, shift.dy) == pytest.approx(tuple(moved), abs=0.5)
    assert shift.rotation_deg == pytest.approx(view.degrees, abs=0.05)
    assert shift.scale == pytest.approx(view.scale, abs=0.001)
    assert shift.quality > 0.5


@pytest.mark.parametrize(
    ("own", "view"),
    [
        ({"hand-held": Motion(0, 3)}, Motion()),
        ({"hand-held": Motion(-10, 4, 1, 1, HAND_HELD)}, Motion()),
        ({"hand-held": Motion(60, 0)}, Motion()),
        ({"hand-held": Motion(-42, 42, 5, 1, HAND_HELD)}, Motion()),
        ({"hand-held": Motion(21.7, 31.8, -3.98, 1, HAND_HELD)}, Motion(56, -17, -0.12, 0.986)),
        ({"wall unit": Motion(20, -55, -4, 1, WALL_UNIT)}, Motion(-30, 25, 1.5)),
        (
            {"hand-held": Motion(40, -15, -5, 1, HAND_HELD), "wall unit": Motion(-30, 10, 3, 1, WALL_UNIT)},
            Motion(50, 20, -2, 1.01),
        ),
    ],
    ids=str,
)
def test_an_instrument_moved_on_its_own_is_followed(own: dict[str, Motion], view: Motion) -> None:
    check(Photo(view=view, own=own, seed=5))


@pytest.mark.parametrize(
    "photo",
    [
        Photo(light=0.22, noise=4, uneven=0.4),
        Photo(light=0.25, noise=4, view=Motion(-60, 30, 2.5), own={"wall unit": Motion(25, 10, 3, 1, WALL_UNIT)}),
        Photo(uneven=0.6),
        Photo(light=1.3, uneven=-0.4, view=Motion(5, -8, 1)),
        Photo(off=("temp_c", "rh_pct")),
        Photo(off=tuple(QUADS), light=0.3, noise=3, view=Motion(20, 10, -1)),
        Photo(glare=((430, 590, 50),)),
        Photo(glare=((280, 590, 70), (860, 450, 60)), uneven=0.4),
        Photo(glare=((880, 550, 90),), off=("co_ppm", "o2_pct"), view=Motion(10, 5, 1)),
        Photo(blur=2.0, view=Motion(30, -30, 2)),
        Photo(blur=3.0),
        Photo(covers=(("hand", 560, 380, 170, 600),)),
        Photo(covers=(("mug", 0, 0, 150, 960), ("paper", 1000, 0, 280, 960))),
    ],
    ids=lambda photo: repr({k: v for k, v in vars(photo).items() if v != getattr(Photo(), k)}),
)
def test_light_and_bystanders_hide_nothing(photo: Photo) -> None:
    check(photo)


@pytest.mark.parametrize(
    ("cover", "covered"),
    [
        (
            ("book", 740, 340, 240, 300),
            (
                "co_ppm",
                "o2_pct",
            ),
        ),
        (("paper", 770, 360, 180, 138), ("co_ppm",)),
        (("book", 740, 555, 200, 300), ("o2_pct",)),
        (("mug", 180, 510, 180, 300), ("temp_c",)),
        (("hand", 370, 480, 190, 300), ("rh_pct",)),
        (("hand", 150, 540, 115, 300), ("temp_c",)),
        (
            ("book", 0, 0, 700, 960),
            (
                "temp_c",
                "rh_pct",
            ),
        ),
    ],
    ids=str,
)
def test_something_in_front_is_covered(cover: tuple[str, float, float, float, float], covered: tuple[str, ...]) -> None:
    check(Photo(covers=(cover,), seed=6), frozenset(covered))


def test_something_in_front_is_covered_in_a_moved_dark_view() -> None:
    view = Motion(-40, 25, 2, 1.01)
    check(Photo(covers=(("book", 370, 480, 190, 300),), view=view, light=0.3, noise=3), frozenset({"rh_pct"}))


def test_an_instrument_carried_away_is_covered() -> None:
    check(Photo(absent=("hand-held",)), frozenset({"co_ppm", "o2_pct"}))


def noise_picture() -> np.ndarray:
    return np.random.default_rng(3).integers(0, 255, (HEIGHT, WIDTH, 3), np.uint8)


def other_scene() -> np.ndarray:
    rng = np.random.default_rng(11)
    picture = np.full((HEIGHT, WIDTH, 3), 120, np.uint8)
    for _ in range(60):
        x, y, w, h = (int(v) for v in rng.integers(0, [WIDTH, HEIGHT, 300, 200]))
        cv2.rectangle(picture, (x, y), (x + w, y + h), tuple(int(v) for v in rng.integers(0, 255, 3)), -1)
    return picture


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((HEIGHT, WIDTH, 3), np.uint8),
        np.full((HEIGHT, WIDTH, 3), 255, np.uint8),
        noise_picture(),
        other_scene(),
        np.clip(np.random.default_rng(2).normal(3, 2, (HEIGHT, WIDTH, 3)), 0, 255).astype(np.uint8),
    ],
    ids=["black", "white", "noise", "other scene", "lens cap"],
)
def test_another_view_is_lost_not_covered(picture: np.ndarray) -> None:
    placement = registrar().locate(picture)
    assert placement.corners == {}
    assert placement.covered == frozenset()
    assert set(placement.quality) == ALL
    assert placement.shift.quality < 0.3


def test_a_display_out_of_the_frame_is_lost() -> None:
    placement = registrar().locate(draw(Photo(view=Motion(-300, 0))))
    assert "temp_c" not in placement.corners
    assert "temp_c" not in placement.covered
    assert placement.quality["temp_c"] == 0
    assert {"co_ppm", "o2_pct"} <= set(placement.corners)


def test_the_limit_for_lost_is_the_callers() -> None:
    reference, image = draw(Photo()), draw(Photo(off=("temp_c", "rh_pct")))
    quality = registrar().locate(image).quality["temp_c"]
    strict = Registrar(reference, calibration(), lost_below=quality + 0.01).locate(image)
    assert "temp_c" not in strict.corners
    assert "temp_c" not in strict.covered
    assert "co_ppm" in strict.corners
    assert "temp_c" in Registrar(reference, calibration(), lost_below=quality).locate(image).corners


def test_the_answer_depends_on_this_frame_alone() -> None:
    photos = [draw(p) for p in (Photo(), Photo(view=Motion(60, -30, 2)), Photo(covers=(("book", 740, 340, 240, 300),)))]
    fresh = [Registrar(photos[0], calibration(), lost_below=0.35).locate(photo) for photo in photos]
    one = registrar()
    assert [one.locate(photo) for photo in reversed(photos)] == fresh[::-1]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(one.locate, photos * 2))
    assert together == fresh * 2
    assert [repr(placement) for placement in together] == [repr(placement) for placement in fresh * 2]


def test_a_frame_is_not_changed() -> None:
    image = draw(Photo(view=Motion(10, 0)))
    before = image.copy()
    image.flags.writeable = False
    registrar().locate(image)
    assert np.array_equal(image, before)


def test_a_grey_frame_is_followed_too() -> None:
    photo = Photo(view=Motion(12, -9, 1))
    placement = registrar().locate(cv2.cvtColor(draw(photo), cv2.COLOR_BGR2GRAY))
    assert set(placement.corners) == ALL
    assert worst_error_px(photo, placement) <= LARGEST_ERROR_PX


def test_another_size_is_refused() -> None:
    with pytest.raises(CalibrationMisfit, match="640 x 480"):
        registrar().locate(np.zeros((480, 640, 3), np.uint8))
    with pytest.raises(CalibrationMisfit, match="640 x 480"):
        Registrar(np.zeros((480, 640, 3), np.uint8), calibration(), lost_below=0.35)


@pytest.mark.parametrize("factor", [0.25, 2.5])
def test_small_and_large_photos(factor: float) -> None:
    size = (round(WIDTH * factor), round(HEIGHT * factor))

    def resize(picture: np.ndarray) -> np.ndarray:
        return cv2.resize(picture, size, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC)

    marked = calibration().model_dump()
    marked["frame_size"] = list(size)
    for instrument in marked["instrument"]:
        for display in instrument["display"]:
            display["corners"] = [[(x + 0.5) * factor - 0.5, (y + 0.5) * factor - 0.5] for x, y in display["corners"]]
    scaled = Calibration.model_validate(marked)
    photo = Photo(view=Motion(30, -20, 2, 1.01, CENTRE), own={"hand-held": Motion(20, 5, 2, 1, HAND_HELD)})
    placement = Registrar(resize(draw(Photo())), scaled, lost_below=0.35).locate(resize(draw(photo)))
    assert set(placement.corners) == ALL
    for key, corners in placement.corners.items():
        expected = (true_corners(photo, key) + 0.5) * factor - 0.5
        assert np.abs(np.asarray(corners) - expected).max() <= LARGEST_ERROR_PX * max(1, factor)


def test_a_flat_reference_finds_nothing_and_does_not_fail() -> None:
    flat = Registrar(np.full((HEIGHT, WIDTH, 3), 90, np.uint8), calibration(), lost_below=0.35)
    placement = flat.locate(draw(Photo()))
    assert placement.corners == {}
    assert placement.covered == frozenset()


def test_nothing_of_a_photo_is_kept_once_its_displays_are_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not even for as long as the collector of rings of references takes to come by: photos are large and many."""
    seen: list[weakref.ref[object]] = []
    real = Sight.__init__

    def noted(self: Sight, *given: object, **named: object) -> None:
        real(self, *given, **named)  # type: ignore[arg-type]
        seen.append(weakref.ref(self))

    one, image = registrar(), draw(Photo(own={"hand-held": Motion(60, 0)}))
    monkeypatch.setattr(Sight, "__init__", noted)
    gc.disable()
    try:
        one.locate(image)
        assert len(seen) == 2  # the region, then all of it
        assert [sight() for sight in seen] == [None, None]
    finally:
        gc.enable()


@pytest.mark.parametrize("photo", [Photo(), Photo(view=Motion(6, -4, 0.4)), Photo(light=0.6, noise=3)])
def test_the_region_alone_gives_the_same_place(photo: Photo) -> None:
    """What lies beyond the region is never looked at where the region settles it."""
    image, one = draw(photo), registrar()
    left, top, right, bottom = one.region
    part = np.zeros_like(image)
    part[top:bottom, left:right] = image[top:bottom, left:right]

    assert one.locate_in(part, one.region) == one.locate(image)


def test_the_region_alone_settles_nothing_that_is_covered_lost_or_cut() -> None:
    one = registrar()
    left, top, right, bottom = one.region
    still = draw(Photo())

    assert one.locate_in(draw(Photo(covers=(("hand", 370, 480, 190, 300),))), one.region) is None
    assert one.locate_in(draw(Photo(absent=("hand-held",))), one.region) is None
    assert one.locate_in(draw(Photo(view=Motion(-300, 0))), one.region) is None
    assert one.locate_in(still, (left, top + 1, right, bottom)) is None
    assert one.locate_in(still, (left, top, right, bottom - 1)) is None
