"""What the reader promises of single displays: numbers however they stand, words, nothing at all, doubt where it belongs."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from read_pictures import EASY, LOOKS, Picture, as_corners, display_at, draw, no_display

from frametally.errors import BadInput
from frametally.model import Corners, Display, Flag, Placement, Reading, Shift
from frametally.practice import Hardness, draw_number, random_style
from frametally.read import Reader, read_display
from frametally.read.reader import behind, flag_of, number, read_strip
from frametally.read.rectify import Strip, rectify

SURE = 0.98
ANYWHERE: Corners = ((0.0, 0.0), (100.0, 0.0), (100.0, 50.0), (0.0, 50.0))
STILL = Shift(0.0, 0.0, 0.0, 1.0, 1.0)


def read(picture: Picture, digits: str | tuple[str, ...]) -> Reading:
    return read_display(picture.image, digits=digits, corners=picture.corners)


# --- numbers ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize(
    ("text", "mask"),
    [
        pytest.param("137", "###", id="three places"),
        pytest.param("8", "###", id="a lone 8"),
        pytest.param("11", "###", id="only ones"),
        pytest.param("0", "#", id="one place"),
        pytest.param("42", "####", id="two empty places in front"),
        pytest.param("20.9", "##.#", id="a point"),
        pytest.param("7.5", "##.#", id="a point behind an empty place"),
        pytest.param("0.04", "#.##", id="a leading zero"),
        pytest.param("696", "###", id="6 and 9"),
        pytest.param("477", "###", id="4 and 7"),
    ],
)
def test_a_number_is_read_however_it_stands(look: str, text: str, mask: str) -> None:
    reading = read(draw(text, LOOKS[look], 41, mask), mask)

    assert (reading.text, reading.value, reading.flag, reading.reader) == (text, float(text), Flag.OK, "segments")
    assert reading.confidence > 0.5
    assert reading.sharpness > 0


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("text", ["-4.2", "-13.7", "4.2", "13.7"])
def test_a_minus_sign_in_a_place_of_its_own_is_read(look: str, text: str) -> None:
    assert read(draw(text, LOOKS[look], 43, "-##.#"), "-##.#").value == float(text)


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize(("bars", "text"), [("-42", "-42"), ("-8", "-8"), ("-70", "-70")])
def test_a_minus_sign_in_an_empty_digit_place_is_read(look: str, bars: str, text: str) -> None:
    """Many makers light the middle bar of the empty place in front, as wide as a digit's (common practice, no source)."""
    wide = replace(LOOKS[look], shape=replace(LOOKS[look].shape, sign_width=1.0))
    mask = "-" + "#" * (len(bars) - 1)

    assert read(draw(bars, wide, 5, mask), mask).value == float(text)


@pytest.mark.parametrize("look", ["plain", "ghost", "led"])
@pytest.mark.parametrize("text", ["20.9", "13.4", "8.8", "21.1"])
def test_a_smaller_digit_behind_the_point_is_read(look: str, text: str) -> None:
    picture = draw(text, LOOKS[look], 47, "##.#", height_px=70, small_last=True, unit="%")

    assert read(picture, "##.#").value == float(text)


def test_polarity_needs_no_telling() -> None:
    picture = draw("358", LOOKS["plain"], 3, "###")
    negative = Picture(255 - picture.image, picture.corners)

    assert read(picture, "###").text == read(negative, "###").text == "358"


@pytest.mark.parametrize(("text", "mask"), [("20.9", "##.#"), ("2.09", "#.##"), ("209", "###")])
def test_of_several_masks_one_that_fits_is_taken(text: str, mask: str) -> None:
    """The digits always agree; where the point stands cannot always be told from bars alone, so it is a mask of the list."""
    reading = read(draw(text, LOOKS["plain"], 9, mask), ("##.#", "#.##", "###"))

    assert reading.text.replace(".", "") == "209"


def test_of_several_masks_the_points_seen_decide() -> None:
    """A lost point is a number ten times too large: in looks of every kind, none is given for sure."""
    rng = np.random.default_rng(72)
    masks = ("###", "##.#", "#.##")
    right = 0
    for _ in range(12):
        mask = str(rng.choice(masks))
        text = "".join(str(rng.integers(10)) if place == "#" else place for place in mask)
        image, corners = draw_number(text, random_style(rng), rng, float(rng.uniform(24, 48)), mask=mask, hardness=EASY)
        reading = read_display(image, digits=masks, corners=as_corners(corners))
        right += reading.text == text
        assert reading.text == text or reading.confidence < SURE, f"{text} read as {reading}"
    assert right >= 11


def test_a_list_of_masks_reads_numbers_of_different_length() -> None:
    masks = ("##.#", "###.#")

    assert read(draw("20.9", LOOKS["plain"], 9, "##.#"), masks).value == 20.9
    assert read(draw("120.9", LOOKS["plain"], 9, "###.#"), masks).value == 120.9


@pytest.mark.parametrize("seed", range(6))
def test_loose_and_skewed_marks_are_enough(seed: int) -> None:
    """DESIGN: regions marked 8 to 15 % loose, and no corner in line with the others."""
    picture = draw("267", LOOKS["plain"], 200 + seed, "###", hardness=Hardness(tilt_deg=1.0, blur_px=0.6, noise=1.5, darkest=0.8))
    random = np.random.default_rng(seed)
    corners = np.array(picture.corners) + random.uniform(-0.05, 0.05, (4, 2)) * 56

    assert read(Picture(picture.image, as_corners(corners)), "###").text == "267"


@settings(max_examples=40, derandomize=True, database=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    whole=st.integers(0, 999),
    tenths=st.integers(0, 9),
    kind=st.sampled_from(["###", "##.#", "-##.#", "###.#"]),
    height_px=st.floats(36, 90),
)
def test_what_is_drawn_is_what_is_read(seed: int, whole: int, tenths: int, kind: str, height_px: float) -> None:
    places = kind.split(".")[0].count("#")
    text = str(whole % 10**places) + (f".{tenths}" if "." in kind else "")
    random = np.random.default_rng(seed)
    image, corners = draw_number(text, random_style(random), random, height_px, mask=kind, hardness=EASY)

    reading = read_display(image, digits=kind, corners=as_corners(corners))

    assert reading.value == float(text)


def test_hard_pictures_are_read_or_doubted() -> None:
    """Dark, noisy, soft, tilted: of what the reader is sure of, nothing is wrong; and it is sure of most."""
    random = np.random.default_rng(77)
    hard = Hardness(tilt_deg=10.0, blur_px=2.4, noise=12.0, darkest=0.18)
    sure, wrong = 0, []
    for _ in range(60):
        text = str(random.integers(1000))
        image, corners = draw_number(text, random_style(random), random, float(random.uniform(28, 60)), mask="###", hardness=hard)
        reading = read_display(image, digits="###", corners=as_corners(corners))
        sure += reading.confidence >= SURE
        if reading.text != text and reading.confidence >= SURE:
            wrong.append((text, reading.text, reading.confidence))

    assert wrong == []
    assert sure > 30


# --- words ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize(
    ("text", "mask", "flag"),
    [
        ("OL", "###", Flag.OVER_RANGE),
        ("OL", "##.#", Flag.OVER_RANGE),
        ("---", "###", Flag.OVER_RANGE),
        ("----", "####", Flag.OVER_RANGE),
        ("Lo", "###", Flag.STATUS),
        ("Err", "###", Flag.STATUS),
        ("Err", "####", Flag.STATUS),
        ("bAt", "###", Flag.STATUS),
    ],
)
def test_words_are_flagged_for_what_they_mean(look: str, text: str, mask: str, flag: Flag) -> None:
    reading = read(draw(text, LOOKS[look], 53, mask), mask)

    assert (reading.value, reading.flag) == (None, flag), reading
    assert reading.text.upper() == text.upper()


def test_a_displays_own_word_counts_before_the_usual_meaning() -> None:
    """The word Lo is a low battery on one instrument and below the range on the next: the calibration says which."""
    picture = draw("Lo", LOOKS["plain"], 53, "###")
    strip = rectify(picture.image, picture.corners)

    assert read_strip(strip, display_at(picture.corners, status={"Lo": "under range"})).flag is Flag.UNDER_RANGE
    assert read_strip(strip, display_at(picture.corners, status={"Lo": "low battery"})).flag is Flag.STATUS
    assert read_strip(strip, display_at(picture.corners)).flag is Flag.STATUS


@pytest.mark.parametrize(
    ("text", "value"),
    [("20.9", 20.9), ("-4.2", -4.2), ("007", 7.0), ("", None), ("-", None), (".", None), ("OL", None), ("13:57", None)],
)
def test_the_number_in_a_text(text: str, value: float | None) -> None:
    assert number(text) == value


@pytest.mark.parametrize(
    ("text", "flag"),
    [
        ("21", Flag.OK),
        ("22", Flag.DOUBTFUL),  # off the resolution
        ("203", Flag.DOUBTFUL),  # out of the range
        ("OL", Flag.OVER_RANGE),
        ("ol", Flag.OVER_RANGE),
        ("Lo", Flag.STATUS),
        ("Err", Flag.STATUS),
        ("H1", Flag.STATUS),
        ("CAL", Flag.UNREADABLE),
        ("", Flag.UNREADABLE),
    ],
)
def test_the_flag_of_a_text(text: str, flag: Flag) -> None:
    display = display_at(ANYWHERE, range=(0, 99), resolution=3, status={"H1": "status"})

    assert flag_of(text, display) is flag


def test_what_the_display_cannot_show_is_held_to_be_rare() -> None:
    """A bar in doubt makes 8 or 0 of the last place; on a display in steps of ten only one of them can stand."""
    strip, corners = strip_between("180", "188")

    plain = chance_of("188", read_strip(strip, display_at(corners)))
    stepped = chance_of("188", read_strip(strip, display_at(corners, resolution=10)))
    ranged = chance_of("188", read_strip(strip, display_at(corners, range=(0, 185))))

    assert plain > 1e-6  # there is a doubt, though both readers lean to 180
    assert stepped < plain / 100
    assert ranged < plain / 100


def chance_of(text: str, reading: Reading) -> float:
    return sum(rival.probability for rival in reading.rivals if rival.text == text)


def strip_between(text: str, other: str) -> tuple[Strip, Corners]:
    """Give a display half way between two texts that differ in one bar."""
    one, two = draw(text, LOOKS["plain"], 3, "###"), draw(other, LOOKS["plain"], 3, "###")
    mixed = ((one.image.astype(np.float32) + two.image) / 2).astype(np.uint8)
    return rectify(mixed, one.corners), one.corners


# --- nothing to read --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", [look for look in LOOKS if look != "negative"])
def test_a_display_that_is_off_is_blank(look: str) -> None:
    """Also where its unlit segments show a little.

    Not a negative LCD: it shows its unlit segments so well that one photo alone does not tell them from lit ones. It must not
    be a number for sure (next test), and is blank to a reader that has seen it lit (below).
    """
    readings = [read(draw("", LOOKS[look], seed, "###"), "###") for seed in range(5)]

    assert [(r.text, r.value, r.flag) for r in readings] == [("", None, Flag.BLANK)] * len(readings)


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("mask", ["###", "##.#"])
def test_a_display_that_is_off_is_never_a_number_for_sure(look: str, mask: str) -> None:
    readings = [read(draw("", LOOKS[look], seed, mask, hardness=Hardness()), mask) for seed in range(4)]

    assert [r for r in readings if r.value is not None and r.confidence >= SURE] == []


@pytest.mark.parametrize("look", LOOKS)
def test_a_lone_1_is_read(look: str) -> None:
    texts = [read(draw("1", LOOKS[look], seed, "###"), "###").text for seed in range(5)]

    assert texts == ["1"] * len(texts)


@pytest.mark.parametrize("look", LOOKS)
def test_a_display_that_is_off_is_blank_to_a_reader_that_knows_it(look: str) -> None:
    on = draw("358", LOOKS[look], 61, "###")
    off = draw("", LOOKS[look], 61, "###")

    reading = Reader(on.image, [display_at(on.corners)]).read(off.image, placed(on.corners))["co_ppm"]

    assert (reading.text, reading.value, reading.flag) == ("", None, Flag.BLANK)


def placed(corners: Corners) -> Placement:
    return Placement(STILL, {"co_ppm": corners}, {"co_ppm": 1.0})


def test_covered_and_lost_displays_are_not_looked_at() -> None:
    picture = draw("358", LOOKS["plain"], 61, "###")
    reader = Reader(picture.image, [display_at(picture.corners)])

    covered = reader.read(picture.image, Placement(STILL, {}, {"co_ppm": 0.2}, frozenset({"co_ppm"})))["co_ppm"]
    lost = reader.read(picture.image, Placement(STILL, {}, {"co_ppm": 0.2}))["co_ppm"]

    assert (covered.flag, covered.value, covered.rivals) == (Flag.HIDDEN, None, ())
    assert (lost.flag, lost.value, lost.rivals) == (Flag.LOST, None, ())


@pytest.mark.parametrize(
    ("mask", "text", "confidence", "flag", "given"),
    [
        pytest.param("##.#", "20.9", 0.99, Flag.OK, (Flag.OK, 20.9), id="every place shows a digit"),
        pytest.param("###", "23", 0.99, Flag.OK, (Flag.DOUBTFUL, 23.0), id="it may be 123"),
        pytest.param(("###", "##.#"), "123", 0.99, Flag.OK, (Flag.OK, 123.0), id="every mask has as many places"),
        pytest.param("##.#", "20.9", 0.5, Flag.DOUBTFUL, (Flag.DOUBTFUL, 20.9), id="glimpsed"),
        pytest.param("##.#", "20.9", 0.2, Flag.OK, (Flag.HIDDEN, None), id="what stands in front"),
        pytest.param("###", "23", 0.8, Flag.OK, (Flag.HIDDEN, None), id="neither full nor sure"),
        pytest.param("###", "LO", 0.99, Flag.STATUS, (Flag.HIDDEN, None), id="a word"),
        pytest.param("###", "", 0.99, Flag.BLANK, (Flag.HIDDEN, None), id="nothing"),
    ],
)
def test_what_counts_where_something_may_stand_in_front(
    mask: str | tuple[str, ...], text: str, confidence: float, flag: Flag, given: tuple[Flag, float | None]
) -> None:
    display = Display(key="x", quantity="x", unit="", corners=ANYWHERE, digits=mask)
    seen = behind(Reading(text, number(text), confidence, flag), display)

    assert (seen.flag, seen.value) == given
    assert seen.flag is not Flag.DOUBTFUL or seen.confidence <= 0.5


@pytest.mark.parametrize("kind", ["noise", "cloth", "stripes", "edge"])
def test_what_is_no_display_is_never_read_with_confidence(kind: str) -> None:
    random = np.random.default_rng([17, len(kind)])
    sure = []
    for _ in range(7):
        reading = read_display(no_display(kind, random), digits="###")
        if reading.value is not None and reading.confidence >= SURE:
            sure.append((reading.text, reading.confidence))

    assert sure == []


@pytest.mark.parametrize("look", ["plain", "ghost", "backlit", "led", "negative"])
def test_glare_is_never_read_through_with_confidence(look: str) -> None:
    """A light mirrored over a place: the reader may still know, or doubt; it is never sure of a wrong text."""
    random = np.random.default_rng([23, len(look)])
    wrong = []
    for seed in range(7):
        text = str(random.integers(100, 1000))
        known = draw("520", LOOKS[look], seed, "###")
        picture = draw(text, LOOKS[look], seed, "###")
        veiled = under_glare(picture, random)
        alone = read_display(veiled, digits="###", corners=picture.corners)
        after = Reader(known.image, [display_at(known.corners)]).read(veiled, placed(known.corners))["co_ppm"]
        wrong += [
            (text, r.text, r.confidence) for r in (alone, after) if r.value not in (None, float(text)) and r.confidence >= SURE
        ]

    assert wrong == []


def under_glare(picture: Picture, random: np.random.Generator) -> np.ndarray:
    """Lay a white patch with a soft edge over about a digit of the marked region."""
    points = np.array(picture.corners)
    weights = random.uniform(0.15, 0.85, 2)
    centre = points[0] + weights[0] * (points[1] - points[0]) + weights[1] * (points[3] - points[0])
    y, x = np.mgrid[0 : picture.image.shape[0], 0 : picture.image.shape[1]]
    apart = np.hypot(x - centre[0], y - centre[1]) / random.uniform(12, 26)
    veil = 420.0 * np.exp(-(apart**2))
    return np.clip(picture.image + veil[..., None], 0, 255).astype(np.uint8)


# --- what was learned from the reference ------------------------------------------------------------------------------


@pytest.mark.parametrize("look", LOOKS)
def test_a_reader_that_knows_the_display_reads_its_other_numbers(look: str) -> None:
    reference = draw("258", LOOKS[look], 71, "###")
    reader = Reader(reference.image, [display_at(reference.corners)])
    texts = ("0", "1", "49", "306", "777", "OL", "---")

    readings = [reader.read(draw(t, LOOKS[look], 71, "###").image, placed(reference.corners))["co_ppm"] for t in texts]

    assert [reading.text for reading in readings] == list(texts)
    assert all(reading.confidence >= 0.9 for reading in readings)


@pytest.mark.parametrize("look", ["plain", "backlit", "negative", "led"])
@pytest.mark.parametrize("first", ["1", "2", "4", "7", "8"])
def test_a_reference_with_little_to_learn_from_does_not_mislead(look: str, first: str) -> None:
    """A night often begins with one digit: where the next place is, it does not say; a 1 hardly says how high digits are."""
    texts = ("9", "49", "OL", "80", "0", "14", "119")
    reference = draw(first, LOOKS[look], 71, "###")
    reader = Reader(reference.image, [display_at(reference.corners)])

    wrong = []
    for text in texts:
        reading = reader.read(draw(text, LOOKS[look], 71, "###").image, placed(reference.corners))["co_ppm"]
        if reading.text != text and reading.confidence >= SURE:
            wrong.append((text, reading.text, round(reading.confidence, 4)))

    assert wrong == []


# --- laws -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("look", LOOKS)
def test_rivals_are_ordered_chances_and_the_first_is_the_reading(look: str) -> None:
    for seed, text in enumerate(("83", "OL", "609", "")):
        reading = read(draw(text, LOOKS[look], seed, "###", hardness=Hardness()), "###")
        chances = [rival.probability for rival in reading.rivals]

        assert all(0 <= chance <= 1 for chance in chances)
        assert chances == sorted(chances, reverse=True)
        assert sum(chances) <= 1 + 1e-9
        assert len({rival.text for rival in reading.rivals}) == len(chances)
        if text:
            first = reading.rivals[0]
            assert (first.text, first.value, first.probability) == (reading.text, reading.value, reading.confidence)


def test_the_same_picture_gives_the_same_reading() -> None:
    picture = draw("20.9", LOOKS["led"], 5, "##.#", hardness=Hardness())
    before = picture.image.copy()

    first, second = read(picture, "##.#"), read(picture, "##.#")

    assert first == second
    assert np.array_equal(picture.image, before)


def test_one_reader_serves_many_threads() -> None:
    reference = draw("258", LOOKS["ghost"], 71, "###")
    reader = Reader(reference.image, [display_at(reference.corners)])
    images = [draw(str(n), LOOKS["ghost"], 71, "###", hardness=EASY).image for n in (3, 47, 128, 999)] * 4

    def look(image: np.ndarray) -> Reading:
        return reader.read(image, placed(reference.corners))["co_ppm"]

    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(look, images))

    assert together == [look(image) for image in images]
    assert [reading.text for reading in together[:4]] == ["3", "47", "128", "999"]


# --- odd pictures -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["segments", "text"])
@pytest.mark.parametrize(
    "image",
    [
        pytest.param(np.zeros((2, 2, 3), np.uint8), id="2 x 2 px"),
        pytest.param(np.full((40, 90), 128, np.uint8), id="one channel, all grey"),
        pytest.param(np.zeros((40, 90, 3), np.uint8), id="black"),
        pytest.param(np.full((40, 90, 3), 255, np.uint8), id="white"),
        pytest.param(np.full((3, 400, 3), 90, np.uint8), id="a thread"),
        pytest.param(np.full((400, 3, 3), 90, np.uint8), id="a pole"),
    ],
)
def test_a_picture_with_nothing_on_it_is_no_number(image: np.ndarray, kind: str) -> None:
    reading = read_display(image, digits="##.#", kind=kind)  # type: ignore[arg-type]

    assert reading.value is None
    assert reading.flag in (Flag.BLANK, Flag.UNREADABLE)


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        pytest.param({"digits": "##.."}, "mask", id="mask"),
        pytest.param({"digits": ()}, "mask", id="no mask"),
        pytest.param({"corners": ((0, 0), (90, 0), (0, 40), (90, 40))}, "clockwise", id="crossed corners"),
        pytest.param({"corners": ((0, 0), (float("nan"), 0), (90, 40), (0, 40))}, "finite", id="corners without a number"),
        pytest.param({"kind": "words"}, "segments", id="kind"),
    ],
)
def test_wrong_arguments_are_refused_in_words(wrong: dict[str, object], word: str) -> None:
    with pytest.raises(BadInput, match=word):
        read_display(np.zeros((40, 90, 3), np.uint8), **({"digits": "##"} | wrong))  # type: ignore[arg-type]


@pytest.mark.parametrize("shape", [(0, 0, 3), (0, 90), (40, 90, 4), (40,)])
def test_what_is_no_picture_is_refused_in_words(shape: tuple[int, ...]) -> None:
    """Also one with a fourth, transparent channel: which of its colours would be seen, nobody can tell."""
    with pytest.raises(BadInput, match=r"picture|image"):
        read_display(np.zeros(shape, np.uint8), digits="##")


def test_a_grey_picture_reads_like_a_coloured_one() -> None:
    picture = draw("358", LOOKS["plain"], 3, "###")
    grey = cv2.cvtColor(picture.image, cv2.COLOR_BGR2GRAY)

    assert read_display(grey, digits="###", corners=picture.corners).text == "358"


@pytest.mark.parametrize(("dx", "dy"), [(-60, 0), (60, 0), (0, -60), (0, 60), (-170, -90)])
def test_a_region_over_the_edge_is_no_crash(dx: float, dy: float) -> None:
    """The picture is cut at the region's own edge, so that the region reaches over it, by a digit or by all."""
    picture = draw("358", LOOKS["plain"], 3, "###")
    points = np.array(picture.corners)
    left, top = np.floor(points.min(axis=0)).astype(int) - 4
    right, bottom = np.ceil(points.max(axis=0)).astype(int) + 4
    corners = as_corners(points - [left, top] + [dx, dy])

    reading = read_display(picture.image[top:bottom, left:right], digits="###", corners=corners)

    assert isinstance(reading.flag, Flag)
    assert reading.text != "358" or (dx, dy) != (-170, -90)


@pytest.mark.parametrize(("dx", "dy"), [(5000, 5000), (-5000, 0), (0, 9000)])
def test_a_region_beside_the_picture_is_no_number(dx: float, dy: float) -> None:
    picture = draw("358", LOOKS["plain"], 3, "###")

    reading = read_display(picture.image, digits="###", corners=as_corners(np.array(picture.corners) + np.array([dx, dy])))

    assert reading.value is None or reading.confidence < SURE


@pytest.mark.parametrize("size", [1.5, 4.0, 9.0])
def test_a_region_of_few_pixels_is_never_read_with_confidence(size: float) -> None:
    picture = draw("358", LOOKS["plain"], 3, "###")
    shrunk = cv2.resize(picture.image, None, fx=size / 70, fy=size / 70, interpolation=cv2.INTER_AREA)
    corners = as_corners(np.array(picture.corners) * size / 70)

    reading = read_display(shrunk, digits="###", corners=corners)

    assert reading.value in (None, 358.0) or reading.confidence < 0.9


def test_a_region_too_large_for_the_strip_is_averaged() -> None:
    picture = draw("358", LOOKS["plain"], 3, "###", height_px=420)

    assert read(picture, "###").text == "358"


def test_a_whole_picture_needs_no_corners() -> None:
    picture = draw("358", LOOKS["plain"], 3, "###", hardness=Hardness(tilt_deg=0, blur_px=0.6, noise=1, darkest=0.9))
    points = np.array(picture.corners)
    (left, top), (right, bottom) = points.min(axis=0).astype(int), points.max(axis=0).astype(int)

    assert read_display(picture.image[top:bottom, left:right], digits="###").text == "358"


def test_a_displays_own_kind_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A "text" display goes to the text reader alone, a "segments" display to it only where the segments give up."""
    asked: list[str] = []
    monkeypatch.setattr(
        "frametally.read.reader.read_text", lambda strip, masks, words: asked.extend(m.text for m in masks) or _nothing()
    )
    picture = draw("358", LOOKS["plain"], 3, "###")

    def one(kind: str) -> Display:
        return display_at(picture.corners, kind=kind)

    strip = rectify(picture.image, picture.corners)
    assert read_strip(strip, one("segments")).text == "358"
    assert asked == []
    assert read_strip(strip, one("text")).flag is Flag.UNREADABLE
    assert asked == ["###"]


def _nothing() -> object:
    from frametally.read.voices import NOTHING

    return NOTHING
