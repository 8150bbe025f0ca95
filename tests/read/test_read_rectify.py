"""A marked region becomes a strip seen straight on, and the strip a map of ink, whatever the light and the polarity."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from frametally.model import Corners
from frametally.read.rectify import MAX_WIDTH, PAD, STRIP_HEIGHT, Strip, ink_of, rectify, side_lengths

SQUARE: Corners = ((0.0, 0.0), (96.0, 0.0), (96.0, 96.0), (0.0, 96.0))


def ramp(rows: int = 240, columns: int = 250) -> np.ndarray:
    """A picture whose blue says the column and whose green says the row of every pixel."""
    y, x = np.mgrid[0:rows, 0:columns]
    return np.stack([x, y, np.full_like(x, 77)], axis=2).astype(np.uint8)


def bars(ground: np.ndarray | float, lit: float, *, rows: int = 96, columns: int = 170) -> np.ndarray:
    """A region with two upright and two level strokes on a ground."""
    picture = np.broadcast_to(np.asarray(ground, float), (rows, columns)).copy()
    stroke = np.zeros((rows, columns), bool)
    stroke[20:76, 40:50] = stroke[20:76, 90:100] = stroke[20:30, 100:140] = stroke[66:76, 100:140] = True
    picture[stroke] = picture[stroke] * lit if lit < 2 else lit
    return cv2.GaussianBlur(picture, (0, 0), 0.8)


def strip_of(grey: np.ndarray) -> Strip:
    picture = np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    rows, columns = grey.shape
    return rectify(picture, ((0, 0), (columns, 0), (columns, rows), (0, rows)))


# --- geometry ---------------------------------------------------------------------------------------------------------


def test_side_lengths_are_means_of_opposite_sides() -> None:
    # A trapezium worked out by hand: sides 30 and 50 across, 3-4-5 triangles at the ends.
    assert side_lengths(((10, 0), (40, 0), (50, 20), (0, 20))) == pytest.approx((40.0, np.hypot(10, 20)))


def test_a_strip_has_its_height_and_the_regions_proportion() -> None:
    strip = rectify(ramp(), ((10.0, 20.0), (130.0, 20.0), (130.0, 60.0), (10.0, 60.0)))

    assert strip.pixels.shape == (STRIP_HEIGHT + 2 * PAD, 3 * STRIP_HEIGHT + 2 * PAD, 3)
    assert strip.pixels.dtype == np.uint8
    assert strip.colour.dtype == np.float32
    assert strip.scale == pytest.approx(STRIP_HEIGHT / 40)


@pytest.mark.parametrize(
    "corners",
    [
        pytest.param(((40.0, 50.0), (190.0, 50.0), (190.0, 120.0), (40.0, 120.0)), id="level"),
        pytest.param(((50.0, 40.0), (190.0, 75.0), (170.0, 145.0), (30.0, 110.0)), id="turned"),
        pytest.param(((200.0, 150.0), (60.0, 150.0), (60.0, 80.0), (200.0, 80.0)), id="upside down"),
        pytest.param(((80.0, 40.0), (180.0, 40.0), (160.0, 110.0), (60.0, 110.0)), id="slanted"),
    ],
)
def test_every_corner_of_a_parallelogram_comes_to_its_place(corners: Corners) -> None:
    """Between the corners the picture's own ramp must go evenly: bilinear, since a parallelogram maps affinely."""
    strip = rectify(ramp(), corners).colour
    rows, columns = strip.shape[0] - 2 * PAD, strip.shape[1] - 2 * PAD
    a, b, _, d = (np.array(point) for point in corners)
    for across, down in ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (0.5, 0.5), (0.25, 0.8)):
        x, y = a + across * (b - a) + down * (d - a)
        seen = strip[round(PAD + down * rows), round(PAD + across * columns)]
        assert seen[0] == pytest.approx(x, abs=1.6)
        assert seen[1] == pytest.approx(y, abs=1.6)
        assert seen[2] == 77


def test_a_quadrilaterals_diagonals_still_cross_in_the_strips_middle() -> None:
    """The law of perspective: where the diagonals cross is the middle of the rectangle that was photographed."""
    corners = ((40.0, 40.0), (200.0, 60.0), (180.0, 150.0), (60.0, 120.0))
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = corners
    share = ((bx - ax) * (by - dy) - (by - ay) * (bx - dx)) / ((cx - ax) * (by - dy) - (cy - ay) * (bx - dx))
    crossing = (ax + share * (cx - ax), ay + share * (cy - ay))

    strip = rectify(ramp(), corners).colour
    middle = strip[strip.shape[0] // 2, strip.shape[1] // 2]

    assert middle[:2] == pytest.approx(crossing, abs=1.6)


def test_what_is_over_the_edge_repeats_the_edge() -> None:
    strip = rectify(ramp(), ((-40.0, 10.0), (60.0, 10.0), (60.0, 60.0), (-40.0, 60.0))).colour

    assert np.all(strip[:, :PAD, 0] == 0)
    assert np.all(np.diff(strip[PAD + 5, :, 0]) >= -1)


def test_grey_pictures_come_out_with_three_channels() -> None:
    strip = rectify(ramp()[..., 0], ((40.0, 50.0), (190.0, 50.0), (190.0, 120.0), (40.0, 120.0))).colour

    assert strip.shape[2] == 3
    assert np.array_equal(strip[..., 0], strip[..., 2])


def test_shrinking_averages_instead_of_picking_pixels() -> None:
    """Stripes one pixel wide, shrunk four times, are their mean: 127.5 grey, without a pattern."""
    picture = np.zeros((400, 800, 3), np.uint8)
    picture[:, ::2] = 255

    strip = rectify(picture, ((0.0, 0.0), (800.0, 0.0), (800.0, 400.0), (0.0, 400.0))).colour[PAD:-PAD, PAD:-PAD]

    assert float(strip.mean()) == pytest.approx(127.5, abs=2)
    assert float(strip.std()) < 8


def test_a_very_wide_region_is_held_to_a_widest_strip() -> None:
    strip = rectify(ramp(), ((0.0, 0.0), (250.0, 0.0), (250.0, 2.0), (0.0, 2.0))).colour

    assert strip.shape[1] == MAX_WIDTH + 2 * PAD


def test_white_pixels_are_clipped() -> None:
    picture = np.full((96, 96, 3), 120, np.uint8)
    picture[:, 48:] = 255

    clipped = rectify(picture, SQUARE).clipped

    assert clipped[:, PAD + 52 :].all()
    assert not clipped[:, : PAD + 44].any()


# --- ink --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ground", "lit", "dark"), [(180.0, 0.3, True), (30.0, 220.0, False)])
def test_ink_is_none_on_the_ground_and_full_on_the_strokes(ground: float, lit: float, dark: bool) -> None:
    ink = ink_of(strip_of(bars(ground, lit)), dark=dark)
    inner = ink.map[PAD:-PAD, PAD:-PAD]

    assert float(inner[48, 45]) == pytest.approx(1.0, abs=0.1)
    assert float(inner[48, 70]) == pytest.approx(0.0, abs=0.05)
    assert ink.dark is dark
    assert ink.usual == pytest.approx(ground, rel=0.05)
    assert ink.glare == 0


def test_contrast_is_a_share_of_the_ground_or_of_full_scale() -> None:
    assert ink_of(strip_of(bars(180.0, 0.4)), dark=True).contrast == pytest.approx(0.6, abs=0.05)
    assert ink_of(strip_of(bars(40.0, 142.0)), dark=False).contrast == pytest.approx((142 - 40) / 255, abs=0.04)


def test_uneven_light_does_not_show_in_the_ink() -> None:
    """A lamp multiplies: half the light on one side leaves the share of a dark stroke what it was."""
    light = np.linspace(0.45, 1.0, 170)[None, :] * np.linspace(1.0, 0.8, 96)[:, None]
    even = ink_of(strip_of(bars(190.0, 0.3)), dark=True).map
    uneven = ink_of(strip_of(bars(190.0 * light, 0.3)), dark=True).map
    inner = (slice(PAD, -PAD), slice(PAD, -PAD))

    assert float(np.abs(even[inner] - uneven[inner]).mean()) < 0.03
    assert float(np.abs(even[inner] - uneven[inner])[20:76, 40:50].max()) < 0.2


def test_noise_is_measured_on_the_ground() -> None:
    """White noise of 6 levels under strokes 126 levels dark: a twentieth, less what averaging in the cut takes away."""
    random = np.random.default_rng(1)
    quiet = ink_of(strip_of(bars(180.0, 0.3)), dark=True).noise
    loud = ink_of(strip_of(bars(180.0, 0.3) + random.normal(0, 6, (96, 170))), dark=True).noise

    assert quiet < 0.01
    assert 0.025 < loud < 0.06


def test_colour_carries_the_segments_where_brightness_does_not() -> None:
    """Red segments as bright as their bluish ground are ink all the same."""
    lit = bars(0.0, 255.0) / 255
    picture = np.stack([110 * (1 - lit), np.full(lit.shape, 30.0), 30 + 190 * lit], axis=2).astype(np.uint8)
    ink = ink_of(rectify(picture, ((0, 0), (170, 0), (170, 96), (0, 96))), dark=False).map[PAD:-PAD, PAD:-PAD]

    assert float(ink[48, 45]) > 0.8
    assert abs(float(ink[48, 70])) < 0.1


def test_a_frame_around_the_region_is_no_ink() -> None:
    framed = bars(180.0, 0.3)
    framed[:4] = framed[-4:] = 40.0
    framed[:, :5] = 40.0

    ink = ink_of(strip_of(framed), dark=True).map[PAD:-PAD, PAD:-PAD]

    assert float(np.abs(ink[1, 20:-20]).max()) < 0.1
    assert float(np.abs(ink[20:-20, 2]).max()) < 0.1
    assert float(ink[48, 45]) > 0.8


def test_a_bright_patch_counts_as_glare() -> None:
    patched = bars(100.0, 0.3)
    patched[:, 110:] += 120

    assert 0.2 < ink_of(strip_of(patched), dark=True, usual_contrast=0.7).glare < 0.5


def test_a_known_contrast_keeps_the_scale_where_little_is_lit() -> None:
    """A region with one faint speck has no full ink, once it is known how far lit bars stand off."""
    speck = np.full((96, 170), 180.0)
    speck[40:50, 80:90] = 150.0
    strip = strip_of(cv2.GaussianBlur(speck, (0, 0), 1.0))

    unknown = ink_of(strip, dark=True).map
    known = ink_of(strip, dark=True, usual_contrast=0.7).map

    assert float(known.max()) < 0.5
    assert float(unknown.max()) > float(known.max())
