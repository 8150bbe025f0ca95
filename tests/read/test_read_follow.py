"""The quick look at known places: it reads as the careful look does, and settles nothing that the careful look would doubt."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest
from read_pictures import LOOKS, Picture, as_corners, display_at, draw

from frametally.model import Display, Flag, Reading
from frametally.read import answers
from frametally.read.follow import glance
from frametally.read.layout import Mask
from frametally.read.network import View
from frametally.read.places import levelled
from frametally.read.reader import Known, learn, read_strip
from frametally.read.rectify import PAD, Ink, Strip, ink_of, rectify
from frametally.read.segments import FLOOR_FOLLOWED


def known_from(text: str, look: str, seed: int, mask: str = "###") -> tuple[Known, Display]:
    """What a reference frame that shows `text` tells of a display."""
    picture = draw(text, LOOKS[look], seed, mask)
    display = display_at(picture.corners, mask)
    known = learn(rectify(picture.image, picture.corners), display)
    assert known is not None
    return known, display


def quick(strip: Strip, known: Known, mask: str = "###") -> tuple[str, float, bool]:
    """Give what the quick look reads, with which probability, and whether that is all the looking that is done."""
    parsed = Mask.parse(mask)
    settled = answers._glanced(strip, parsed, (), known, View(strip))
    if settled is not None:
        text, _, probability = settled.texts[0]
        return text, probability, True
    fit, bars = glance(ink_at_known(strip, known), parsed, known.layouts[mask])
    text, _, probability = answers._spelled(fit, bars, np.zeros((parsed.places, 7), bool), parsed, (), FLOOR_FOLLOWED, None)[0]
    return text, probability, False


def ink_at_known(strip: Strip, known: Known) -> Ink:
    return levelled(ink_of(strip, dark=known.dark, usual_contrast=known.contrast))


def careful(strip: Strip, display: Display, known: Known, monkeypatch: pytest.MonkeyPatch) -> Reading:
    """Read with the quick look never believed."""
    with monkeypatch.context() as patched:
        patched.setattr(answers, "_glanced", lambda *_: None)
        return read_strip(strip, display, known)


@pytest.mark.parametrize("look", LOOKS)
def test_a_quick_look_reads_what_a_careful_one_reads(look: str, monkeypatch: pytest.MonkeyPatch) -> None:
    known, display = known_from("208", look, 61)
    settled = 0
    for text in ("137", "42", "8", "696", "950", "21"):
        picture = draw(text, LOOKS[look], 61, "###")
        strip = rectify(picture.image, picture.corners)
        slow, fast = careful(strip, display, known, monkeypatch), read_strip(strip, display, known)
        assert (fast.text, fast.flag) == (slow.text, slow.flag) == (text, Flag.OK)
        assert abs(fast.confidence - slow.confidence) < 0.03
        settled += quick(strip, known)[2]

    assert settled >= 5


@pytest.mark.parametrize("look", ["plain", "led"])
def test_the_pitch_need_not_be_known(look: str) -> None:
    """A reference that shows one digit tells how large the digits are, but little of how far they stand apart."""
    known, _ = known_from("3", look, 61)

    for text in ("39", "19", "240", "856"):
        picture = draw(text, LOOKS[look], 61, "###")
        read, _, done = quick(rectify(picture.image, picture.corners), known)
        assert read == text or not done


@pytest.mark.parametrize("shift", [(4.0, 0.0), (-4.0, 2.0), (0.0, -3.0), (2.0, 2.0)])
def test_a_display_that_registration_misses_by_a_little_is_read(shift: tuple[float, float]) -> None:
    """In strip pixels: a camera's nudge is found to about a pixel of the photo."""
    known, _ = known_from("208", "plain", 61)
    picture = draw("467", LOOKS["plain"], 61, "###")

    read, _, done = quick(moved(picture, *shift), known)

    assert (read, done) == ("467", True)


@pytest.mark.parametrize("shift", [(25.0, 0.0), (-30.0, 0.0), (0.0, 20.0)])
def test_a_display_that_is_elsewhere_is_not_settled(shift: tuple[float, float]) -> None:
    known, _ = known_from("208", "plain", 61)
    picture = draw("467", LOOKS["plain"], 61, "###")

    read, _, done = quick(moved(picture, *shift), known)

    assert read == "467" or not done


def moved(picture: Picture, right: float, down: float) -> Strip:
    """Give the strip of a picture whose digits stand some strip pixels further to the right and down than they were marked."""
    corners = np.array(picture.corners)
    scale = rectify(picture.image, picture.corners).scale
    along, upright = corners[1] - corners[0], corners[3] - corners[0]
    apart = right / scale * along / np.linalg.norm(along) + down / scale * upright / np.linalg.norm(upright)
    return rectify(picture.image, as_corners(corners - apart))


@pytest.mark.parametrize("seed", [3, 5, 8])
@pytest.mark.parametrize("share", [0.65, 0.7, 0.75])
def test_a_bar_between_lit_and_unlit_is_not_settled(seed: int, share: float) -> None:
    """About two thirds of the way from 180 to 188 the middle bar of the last digit says neither."""
    known, _ = known_from("208", "plain", seed)
    one, two = draw("180", LOOKS["plain"], seed, "###"), draw("188", LOOKS["plain"], seed, "###")
    mixed = ((1 - share) * one.image.astype(np.float32) + share * two.image).astype(np.uint8)

    read, probability, done = quick(rectify(mixed, one.corners), known)

    assert not done, (read, probability)


def test_a_leading_1_beside_the_places_is_not_settled() -> None:
    """Marked for two places, a display that has come to show a third: the 1 in front stands where no place is."""
    wide = draw("120", LOOKS["plain"], 9, "###")
    corners = np.array(wide.corners)
    cut = corners.copy()
    cut[[0, 3]] = corners[[0, 3]] + 0.22 * (corners[[1, 2]] - corners[[0, 3]])
    before = draw("20", LOOKS["plain"], 9, "###")
    display = display_at(as_corners(cut), "##")
    known = learn(rectify(before.image, as_corners(cut)), display)
    assert known is not None

    read, _, done = quick(rectify(wide.image, as_corners(cut)), known, "##")

    assert not done, read


@pytest.mark.parametrize("look", LOOKS)
def test_glare_over_a_bar_settles_nothing_that_a_careful_look_reads_otherwise(look: str, monkeypatch: pytest.MonkeyPatch) -> None:
    known, display = known_from("208", look, 61)
    random = np.random.default_rng(5)
    otherwise, wrong, settled = [], [], 0
    for _ in range(10):
        text = str(random.integers(100, 1000))
        picture = draw(text, LOOKS[look], 61, "###")
        strip = rectify(under_light(picture, random), picture.corners)
        read, _, done = quick(strip, known)
        settled += done
        if done and read != careful(strip, display, known, monkeypatch).text:
            otherwise.append((text, read))
        if done and read != text:
            wrong.append((text, read))

    assert settled < 10
    assert otherwise == []
    if known.dark:  # light hides dark bars and makes none
        assert wrong == []


def under_light(picture: Picture, random: np.random.Generator) -> np.ndarray:
    """Lay a white patch with a soft edge, as large as a digit's half, somewhere over the marked region."""
    a, b, _, d = np.array(picture.corners)
    centre = a + random.uniform(0.2, 0.8) * (b - a) + random.uniform(0.2, 0.8) * (d - a)
    patch = np.zeros(picture.image.shape[:2], np.float32)
    cv2.circle(patch, tuple(np.rint(centre).astype(int).tolist()), int(random.uniform(8, 16)), 1.0, -1)
    veil = cv2.GaussianBlur(patch, (0, 0), 2.0)[..., None]
    return np.clip(picture.image * (1 - veil) + 255 * veil, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("look", LOOKS)
def test_a_display_that_is_off_is_not_settled_as_a_number(look: str) -> None:
    known, display = known_from("208", look, 61)
    picture = draw("", LOOKS[look], 61, "###")

    assert read_strip(rectify(picture.image, picture.corners), display, known).flag is Flag.BLANK


def test_the_answer_depends_on_the_picture_alone() -> None:
    """Whatever was read before, and in whichever thread: what is prepared for a layout is no memory of pictures."""
    known, display = known_from("208", "ghost", 61)
    strips = [rectify(p.image, p.corners) for p in (draw(t, LOOKS["ghost"], 61, "###") for t in ("137", "696", "42", "8"))]

    def read(strip: Strip) -> Reading:
        return read_strip(Strip(strip.pixels, strip.scale), display, known)

    first = [read(strip) for strip in strips]
    with ThreadPoolExecutor(4) as pool:
        again = list(pool.map(read, [*reversed(strips), *strips] * 3))

    assert again == [*reversed(first), *first] * 3


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("first", ["1", "3", "7"])
def test_what_a_lone_first_digit_left_open_is_looked_for_quickly(look: str, first: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A 1 tells neither how wide digits are nor how far apart, a 3 not where they begin on the left."""
    known, display = known_from(first, look, 61)
    parsed, settled = Mask.parse("###"), 0
    for text in ("39", "40", "16", "208", "950", "5"):
        picture = draw(text, LOOKS[look], 61, "###")
        strip = rectify(picture.image, picture.corners)
        glanced = answers._glanced(strip, parsed, (), known, View(strip))
        slow, fast = careful(strip, display, known, monkeypatch), read_strip(strip, display, known)
        assert (fast.text, fast.flag) == (slow.text, slow.flag) == (text, Flag.OK)
        settled += glanced is not None

    assert settled >= 4


def test_a_wide_look_settles_nothing_that_the_network_reads_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    """Among so many widths some make a 3 of a 9: what the bars say there counts only where the network says it, too."""
    known, _ = known_from("3", "plain", 61)
    picture = draw("39", LOOKS["plain"], 61, "###")
    strip = rectify(picture.image, picture.corners)
    parsed = Mask.parse("###")
    assert answers._glanced(strip, parsed, (), known, View(strip)) is not None

    for seen in ([("33", 0.999)], [("39", answers.BORNE_OUT - 0.01)], []):
        view = View(strip)
        monkeypatch.setattr(view, "read", lambda *_, seen=seen: seen)
        assert answers._glanced(strip, parsed, (), known, view) is None


def test_places_partly_outside_the_strip_hold_no_ink_there() -> None:
    known, _ = known_from("208", "plain", 61)
    layout = known.layouts["###"].copy()
    layout[0] -= 1.5 * PAD + layout[2]  # far to the left: the first place is over the edge
    picture = draw("888", LOOKS["plain"], 61, "###")

    fit, bars = glance(ink_at_known(rectify(picture.image, picture.corners), known), Mask.parse("###"), layout)

    outside = bars.x.max(axis=-1) < 0
    assert outside.any()
    assert (bars.lit[outside] == 0).all()
    assert np.isfinite(fit.gain)
