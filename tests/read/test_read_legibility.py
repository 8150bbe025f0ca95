"""What decides whether digits can be read is measured as it was drawn, and what harms a display never counts for it."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from read_pictures import LOOKS, Picture, display_at, draw

from frametally.model import Corners
from frametally.practice import Hardness, draw_text
from frametally.read import rectify
from frametally.read.expectation import AXES, HARDER_UPWARDS, expect, in_order, packaged_table, wilson
from frametally.read.legibility import Legibility, inspect
from frametally.read.reader import read_strip

SHARP = Hardness(tilt_deg=2.0, blur_px=0.5, noise=0.5, darkest=0.9)
MASK = "##.#"
SIDES = ("left", "right", "top", "bottom")


def measured(picture: Picture, text: str = "20.9") -> Legibility:
    """Measure a picture whose text is known."""
    return inspect(picture.image, picture.corners, display_at(picture.corners, MASK), text)


def changed(picture: Picture, image: NDArray[np.uint8]) -> Picture:
    return Picture(image, picture.corners)


def softened(picture: Picture, sigma: float) -> Picture:
    return changed(picture, np.asarray(cv2.GaussianBlur(picture.image, (0, 0), sigma), np.uint8))


def tightened(corners: Corners, side: str, share: float) -> Corners:
    """Move one side of a region inwards by a share of its height."""
    points = np.array(corners)
    height = np.linalg.norm(points[3] - points[0])
    across, down = points[1] - points[0], points[3] - points[0]
    across, down = across / np.linalg.norm(across), down / np.linalg.norm(down)
    which, way = {"left": ([0, 3], across), "right": ([1, 2], -across), "top": ([0, 1], down), "bottom": ([2, 3], -down)}[side]
    points[which] += way * share * height
    a, b, c, d = ((float(x), float(y)) for x, y in points)
    return a, b, c, d


# --- what is measured ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("height", [18.0, 28.0, 56.0])
def test_the_height_is_what_was_drawn(look: str, height: float) -> None:
    """`draw_number` draws digits of the height that it is asked for; a tilt of 2 degrees takes next to nothing of it."""
    seen = measured(draw("20.9", LOOKS[look], 3, MASK, height_px=height, hardness=SHARP))

    assert seen.height_px == pytest.approx(height, rel=0.12)
    assert len(seen.boxes) == 3


@pytest.mark.parametrize("look", LOOKS)
def test_blur_is_what_was_laid_over(look: str) -> None:
    """A Gaussian of 2 px over edges already softened by 0.5 px: the root of the sum of squares (standard deviations add so)."""
    picture = draw("20.9", LOOKS[look], 3, MASK, height_px=90.0, hardness=SHARP)

    assert measured(softened(picture, 2.0)).blur_px == pytest.approx(2.06, rel=0.25)


@pytest.mark.parametrize("look", ["plain", "negative"])
def test_noise_is_what_was_laid_over(look: str) -> None:
    """Independent noise of 6 grey levels in three colours, seen along an axis about equally made of them: 6 / root of 3."""
    picture = draw("20.9", LOOKS[look], 3, MASK, height_px=56.0, hardness=SHARP)
    noisy = picture.image + np.random.default_rng(5).normal(0, 6, picture.image.shape)

    seen = measured(changed(picture, np.clip(np.rint(noisy), 0, 255).astype(np.uint8)))

    assert seen.noise * seen.step == pytest.approx(6 / 3**0.5, rel=0.25)


def test_contrast_falls_with_the_look_s_own() -> None:
    """Segments mixed half and half with their ground have half the contrast."""
    picture = draw("20.9", LOOKS["plain"], 3, MASK, hardness=SHARP)
    ground = np.full_like(picture.image, 0)
    ground[:] = np.median(picture.image.reshape(-1, 3), axis=0)
    pale = cv2.addWeighted(picture.image, 0.5, ground, 0.5, 0)

    assert measured(changed(picture, pale)).contrast == pytest.approx(measured(picture).contrast / 2, rel=0.15)


@pytest.mark.parametrize("look", ["plain", "ghost", "tailless"])
def test_glare_and_clipping_are_seen(look: str) -> None:
    picture = draw("20.9", LOOKS[look], 3, MASK, hardness=SHARP)
    clear = measured(picture)
    rows, columns = picture.image.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns]
    spot = 420 * np.exp(-(((x - 0.3 * columns) / (0.22 * rows)) ** 2 + ((y - 0.5 * rows) / (0.22 * rows)) ** 2))
    glared = np.clip(picture.image + spot[..., None], 0, 255).astype(np.uint8)

    seen = measured(changed(picture, glared))

    assert clear.glare < 0.03
    assert clear.clipped == 0
    assert seen.glare > 0.05
    assert seen.clipped > 0.03


def test_a_text_display_is_measured_too() -> None:
    drawn = draw_text(np.random.default_rng(4), "tft", "easy")
    corners = tuple((float(x), float(y)) for x, y in drawn.corners)
    display = display_at(corners, drawn.mask, kind="text")  # type: ignore[arg-type]

    seen = inspect(drawn.image, display.corners, display, drawn.text)

    assert seen.height_px is not None
    assert 0.4 < seen.height_px / np.linalg.norm(drawn.corners[3] - drawn.corners[0]) < 1.05
    assert seen.contrast > 0.1
    assert seen.blur_px is None


@pytest.mark.parametrize("look", LOOKS)
def test_what_harms_a_display_never_measures_better(look: str) -> None:
    picture = draw("20.9", LOOKS[look], 3, MASK, height_px=48.0, hardness=SHARP)

    soft = [measured(softened(picture, sigma)) for sigma in (0.5, 1.0, 2.0, 4.0)]
    small = [measured(draw("20.9", LOOKS[look], 3, MASK, height_px=height, hardness=SHARP)) for height in (48.0, 24.0, 12.0)]

    assert all(one.blur_px < other.blur_px for one, other in pairwise(soft))  # type: ignore[operator]
    assert all(one.contrast > other.contrast for one, other in pairwise(soft))
    assert all(one.height_px > other.height_px for one, other in pairwise(small))  # type: ignore[operator]
    shares = [expectation_of(one) for one in soft]
    assert shares == sorted(shares)
    shares = [expectation_of(one) for one in small]
    assert shares == sorted(shares)


def expectation_of(seen: Legibility) -> float:
    assert seen.height_px is not None
    assert seen.blur_px is not None
    assert seen.stroke_px is not None
    return expect(seen.height_px, seen.contrast, seen.blur_px / seen.stroke_px, seen.noise).flagged


# --- regions marked too tightly -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("side", SIDES)
def test_a_region_that_cuts_digits_is_told_on_its_side(look: str, side: str) -> None:
    picture = draw("880", LOOKS[look], 3, "###", hardness=SHARP)
    corners = tightened(picture.corners, side, 0.33)

    tight = inspect(picture.image, corners, display_at(corners, "###"), "880").tight

    assert side in tight.runs


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_loose_region_is_not_called_tight(look: str, seed: int) -> None:
    """Regions 8 to 15 % loose, with a unit and a label close by."""
    picture = draw("20.9", LOOKS[look], seed, MASK, unit="%", label="oxygen")

    tight = measured(picture).tight

    assert tight.runs == ()
    assert tight.beside == ()


def test_a_digit_left_out_is_told_but_not_another_display_s() -> None:
    """The region ends in the gap before the last digit; where another display is marked there, it is that one's."""
    picture = draw("888", LOOKS["plain"], 3, "###", hardness=SHARP)
    seen = inspect(picture.image, picture.corners, display_at(picture.corners), "888")
    (_, right_before, _, _), (left_last, *_, foot_last) = seen.boxes[1], seen.boxes[2]
    points = np.array(picture.corners)
    gap = (right_before[0] + left_last[0]) / 2
    points[1:3, 0] = gap
    short = tuple((float(x), float(y)) for x, y in points)
    other = (left_last, seen.boxes[2][1], seen.boxes[2][2], foot_last)

    alone = inspect(picture.image, short, display_at(short, "##"), "88").tight  # type: ignore[arg-type]
    marked = inspect(picture.image, short, display_at(short, "##"), "88", [other]).tight  # type: ignore[arg-type]

    assert alone.beside == ("right",)
    assert marked.beside == ()


def test_a_cut_zero_that_reads_as_a_sure_one_is_refused() -> None:
    """Where the reader itself would believe half a 0, the photo around the region still tells."""
    believed = 0
    for seed in range(6):
        picture = draw("20", LOOKS["plain"], seed, "##", hardness=SHARP)
        for share in (0.45, 0.5, 0.55, 0.6):
            corners = tightened(picture.corners, "right", share)
            display = display_at(corners, "##")
            reading = read_strip(rectify(picture.image, corners), display)
            if reading.text != "20":
                believed += 1
                tight = inspect(picture.image, corners, display, reading.text).tight
                assert "right" in tight.runs + tight.beside
    assert believed > 0


# --- the table ----------------------------------------------------------------------------------------------------------


@given(
    st.tuples(st.floats(2, 200), st.floats(0.005, 1), st.floats(0.01, 0.6), st.floats(0.0005, 3)),
    st.integers(0, 3),
    st.floats(1.0, 4.0),
)
def test_harder_is_never_expected_to_be_better(values: tuple[float, ...], axis: int, times: float) -> None:
    harder = list(values)
    harder[axis] = harder[axis] * times if HARDER_UPWARDS[axis] else harder[axis] / times

    one, other = packaged_table().at(values), packaged_table().at(harder)

    assert other.flagged >= one.flagged - 1e-9
    assert 0 <= one.lower <= one.flagged <= one.upper <= 1


def test_the_packaged_table_is_whole() -> None:
    table = packaged_table()

    assert table.flagged.shape == table.count.shape == tuple(len(centres) for centres in table.centres)
    assert len(table.centres) == len(AXES)
    assert table.count.sum() == table.displays >= 1000
    assert expect(40, 0.6, 0.15, 0.02).flagged < 0.1
    assert expect(5, 0.05, 0.28, 0.5).flagged > 0.7


def test_wilson_s_interval() -> None:
    """Worked by hand for 2 of 10 and z = 1.96: (0.2 + 0.19208 -+ 1.96 sqrt(0.016 + 0.009604)) / 1.38416."""
    assert wilson(0.2, 10) == pytest.approx(((0.39208 - 0.31362) / 1.38416, (0.39208 + 0.31362) / 1.38416), abs=1e-4)
    assert wilson(0.0, 0) == (0.0, 1.0)


def test_shares_are_put_in_order_with_as_little_change_as_can_be() -> None:
    """Along one axis it is the pooling of neighbours: shares 0.2 and 0.6 of 10 and 30 displays in the wrong order become 0.5."""
    share, count = np.zeros((2, 1, 1, 1)), np.zeros((2, 1, 1, 1))
    share[:, 0, 0, 0], count[:, 0, 0, 0] = (0.2, 0.6), (10, 30)  # higher digits, flagged more

    assert in_order(share, count)[:, 0, 0, 0] == pytest.approx([0.5, 0.5])
    assert in_order(share[::-1], count[::-1])[:, 0, 0, 0] == pytest.approx([0.6, 0.2])
