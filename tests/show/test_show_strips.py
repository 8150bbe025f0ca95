"""Strips: the displays of one photo side by side, found again at their place, thinned to what a page can carry."""

from __future__ import annotations

import cv2
import numpy as np
import pandas as pd
import pytest

from frametally.crops import MOST_FLAGGED, MOST_STRIPS, choose_frames
from frametally.model import Corners
from frametally.show.strips import HEIGHT_PX, WIDEST_PX, Strips, cut_strip, strip_widths

LEFT: Corners = ((100.0, 100.0), (300.0, 100.0), (300.0, 180.0), (100.0, 180.0))
RIGHT: Corners = ((500.0, 300.0), (560.0, 300.0), (560.0, 360.0), (500.0, 360.0))
PLACES = {"co_ppm": LEFT, "o2_pct": RIGHT}


def a_photo() -> np.ndarray:
    photo = np.full((600, 800, 3), 20, np.uint8)
    cv2.rectangle(photo, (100, 100), (300, 180), (200, 60, 60), -1)
    cv2.rectangle(photo, (500, 300), (560, 360), (60, 60, 200), -1)
    return photo


def decoded(data: bytes) -> np.ndarray:
    return np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR), float)


@pytest.mark.parametrize("factor", [0.3, 1, 5])
def test_each_display_is_in_the_middle_of_its_part_whatever_the_photos_size(factor: float) -> None:
    photo = cv2.resize(a_photo(), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    places: dict[str, Corners] = {key: tuple((x * factor, y * factor) for x, y in c) for key, c in PLACES.items()}  # type: ignore[misc]
    widths = strip_widths(places)
    assert widths == strip_widths(PLACES)
    strip = Strips(widths, {"a.jpg": cut_strip(photo, places, widths)})
    for key, blue, red in (("co_ppm", 200, 60), ("o2_pct", 60, 200)):
        tile = strip.tile("a.jpg", key)
        assert tile is not None
        part = decoded(tile)
        assert part.shape == (HEIGHT_PX, widths[key], 3)
        middle = part[HEIGHT_PX // 2 - 4 : HEIGHT_PX // 2 + 4, widths[key] // 2 - 4 : widths[key] // 2 + 4].mean(axis=(0, 1))
        assert abs(middle[0] - blue) < 25
        assert abs(middle[2] - red) < 25
        assert part[1, 1].max() < 90, "what stands around the display is seen as well"


def test_a_display_that_was_not_found_leaves_its_part_grey() -> None:
    widths = strip_widths(PLACES)
    strip = Strips(widths, {"a.jpg": cut_strip(a_photo(), {"co_ppm": LEFT}, widths)})
    tile = strip.tile("a.jpg", "o2_pct")
    assert tile is not None
    assert abs(decoded(tile) - 128).max() < 12
    assert strip.tile("b.jpg", "co_ppm") is None
    assert strip.tile("a.jpg", "temp_c") is None


def test_a_very_long_display_is_not_wider_than_the_page_allows() -> None:
    long: Corners = ((0.0, 0.0), (900.0, 0.0), (900.0, 30.0), (0.0, 30.0))
    assert strip_widths({"co_ppm": long}) == {"co_ppm": WIDEST_PX}


def test_strips_beyond_a_size_are_thinned_and_those_that_prove_something_stay() -> None:
    names = [f"{i}.jpg" for i in range(100)]
    strips = Strips({"a": 10}, dict.fromkeys(names, bytes(1000)))
    assert strips.thinned(names, [], 100_000).images.keys() == set(names)
    kept = list(strips.thinned(names, ["7.jpg"], 30_000).images)
    assert kept == sorted({*names[::4], "7.jpg"}, key=lambda name: int(name[:-4]))
    assert list(strips.thinned(names, ["7.jpg", "not there.jpg"], 1_000).images) == ["7.jpg"]
    assert strips.thinned([], [], 1_000).images == {}


def test_every_photo_of_a_short_night_has_a_strip_and_of_a_long_one_those_that_are_open() -> None:
    def table(rows: int) -> pd.DataFrame:
        flags = ["ok"] * rows
        for row in (3, rows - 2):
            flags[row] = "doubtful"
        return pd.DataFrame({"frame": [f"{i}.jpg" for i in range(rows)], "co_ppm_flag": flags})

    assert len(choose_frames(table(MOST_STRIPS), ["co_ppm"], [])) == MOST_STRIPS
    chosen = choose_frames(table(3000), ["co_ppm"], ["17.jpg"])
    assert {"3.jpg", "2998.jpg", "17.jpg", "0.jpg", "8.jpg"} <= set(chosen)
    assert "9.jpg" not in chosen
    assert len(chosen) < MOST_STRIPS + MOST_FLAGGED
    gap = pd.DataFrame({"frame": ["a.jpg", None], "co_ppm_flag": ["ok", "no_frame"]})
    assert choose_frames(gap, ["co_ppm"], []) == ["a.jpg"]
