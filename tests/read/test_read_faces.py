"""What the reader promises of faces as makers build them, of regions marked badly, and of displays that hardly show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faces import Face, Piece, draw_face, in_a_row, started_at
from read_pictures import LOOKS, display_at, draw

from frametally.model import Corners, Flag, Reading
from frametally.read import reader as reader_module
from frametally.read.layout import ASPECT, HEIGHT, RIGHT, Mask, layouts_at, sample_points
from frametally.read.network import SIGNS, View, column_chances, prepare
from frametally.read.places import find_places, seen_places
from frametally.read.reader import read_segments
from frametally.read.rectify import rectify

SURE = 0.98
HEIGHTS_PX = (26.0, 60.0)


def read(face: Face, mask: str, height_px: float = 60.0, seed: int = 0, turn: int = 0) -> Reading:
    return read_marked(*draw_face(face, height_px, seed, turn), mask)


def read_marked(image: np.ndarray, corners: Corners, mask: str) -> Reading:
    return read_segments(rectify(image, corners), display_at(corners, mask))


def is_sure(reading: Reading) -> bool:
    return reading.flag is Flag.OK and reading.confidence >= SURE


# --- faces ------------------------------------------------------------------------------------------------------------

SMALL_LAST = (Piece("2", 0), Piece("6", 0.8), Piece("4", 1.62, height=0.55))
FACES = {
    "half-height last digit under the unit": (Face(SMALL_LAST, ((1.48, 0.97),), (("C", 1.68, 0.36, 0.28),)), "##.#", "26.4"),
    "half-height last 1": (
        Face((Piece("2", 0), Piece("1", 0.8), Piece("1", 1.62, height=0.5)), ((1.48, 0.97),), (("%", 1.68, 0.36, 0.3),)),
        "##.#",
        "21.1",
    ),
    "half-height last digit, bright": (
        Face((Piece("9", 0), Piece("8", 0.8), Piece("0", 1.62, height=0.6)), ((1.48, 0.97),), dark=False),
        "##.#",
        "98.0",
    ),
    "trailing point": (Face(in_a_row("583"), ((2.28, 0.95),)), "###", "583"),
    "leading point": (Face(in_a_row("583"), ((-0.1, 0.95),)), "###", "583"),
    "colon that the mask does not name": (Face(in_a_row("1229", (0.8, 1.0, 0.8)), ((1.57, 0.3), (1.57, 0.7))), "####", "1229"),
    "separators": (Face(in_a_row("2706"), ((0.68, 0.95), (2.28, 0.95))), "#.##.#", "2.70.6"),
    "blank place behind the sign": (Face(in_a_row("- 163")), "-####", "-163"),
    "uneven pitch, four digits": (Face(in_a_row("4265", (0.75, 1.05, 0.75))), "####", "4265"),
    "uneven pitch, wider first": (Face(in_a_row("920", (0.95, 0.75))), "###", "920"),
    "uneven pitch, wider last": (Face(in_a_row("368", (0.78, 0.95))), "###", "368"),
    "wide room between digits": (Face(in_a_row("417", 1.1)), "###", "417"),
    "wide room around ones": (Face(in_a_row("111", 1.1)), "###", "111"),
    "a lone 1": (Face(in_a_row("  1", 0.85)), "###", "1"),
    "a lone 1 in a wide region": (Face(in_a_row("  1", 0.85), room=(0.4, 0.2, 0.4, 0.2)), "###", "1"),
    "unlit bars in plain sight": (Face(in_a_row("205"), unlit=0.25), "###", "205"),
    "unlit places in plain sight": (Face(in_a_row(" 71"), unlit=0.35), "###", "71"),
    "unlit bars in plain sight, bright": (Face(in_a_row("416"), unlit=0.3, dark=False), "###", "416"),
    "unit right of the digits": (
        Face(in_a_row("208"), words=(("ppm", 2.3, 1.0, 0.35),), room=(0.1, 0.1, 1.1, 0.1)),
        "###",
        "208",
    ),
    "percent sign": (Face(in_a_row("64"), words=(("%", 1.5, 1.0, 0.5),), room=(0.1, 0.1, 0.7, 0.1)), "##", "64"),
    "label left of the digits": (
        Face(in_a_row("208"), words=(("CO", -0.75, 0.5, 0.35),), room=(0.9, 0.1, 0.1, 0.1)),
        "###",
        "208",
    ),
}


@pytest.mark.parametrize("height_px", HEIGHTS_PX)
@pytest.mark.parametrize("name", FACES)
def test_a_face_is_read(name: str, height_px: float) -> None:
    face, mask, text = FACES[name]
    reading = read(face, mask, height_px, seed=1)

    assert reading.text == text


def test_most_faces_are_read_for_sure() -> None:
    readings = {(name, tall): read(face, mask, tall) for name, (face, mask, _) in FACES.items() for tall in HEIGHTS_PX}

    assert {what for what, reading in readings.items() if is_sure(reading) and reading.text != FACES[what[0]][2]} == set()
    assert sum(reading.confidence >= SURE for reading in readings.values()) >= 0.7 * len(readings)


@pytest.mark.parametrize("text", ["1 5", "40 7", "8 42"])
def test_a_number_with_a_blank_inside_is_a_doubt(text: str) -> None:
    """Numbers have no holes: a digit may have failed or be hidden."""
    assert not is_sure(read(Face(in_a_row(text)), "#" * len(text)))


# --- turned displays --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", [1, 2, 3])
@pytest.mark.parametrize("text", ["689", "107", "246"])
def test_a_turned_display_is_read_like_an_upright_one(text: str, turn: int) -> None:
    """Corners go clockwise from the digits' own top left, so that the reader sees every display upright."""
    reading = read(Face(in_a_row(text)), "###", 50, 1, turn)

    assert (reading.text, reading.flag) == (text, Flag.OK)
    assert reading.confidence >= SURE


@pytest.mark.parametrize("first", [1, 3])
@pytest.mark.parametrize("text", ["689", "608", "107", "246", "111", "888"])
def test_corners_from_a_wrong_start_a_quarter_on_give_no_sure_number(text: str, first: int) -> None:
    image, corners = draw_face(Face(in_a_row(text)), 50, 1)

    assert not is_sure(read_marked(image, started_at(corners, first), "###"))


@pytest.mark.parametrize("text", ["107", "246", "340", "473", "137", "731", "604", "937"])
def test_a_number_upside_down_is_no_sure_number_where_a_digit_tells(text: str) -> None:
    """A 3, 4 or 7 upside down is no digit, and a 1 stands at the wrong side of its place. (0, 2, 5, 6, 8, 9 do not tell.)"""
    image, corners = draw_face(Face(in_a_row(text)), 50, 1)

    assert not is_sure(read_marked(image, started_at(corners, 2), "###"))


# --- regions that cut digits ------------------------------------------------------------------------------------------

CUTS = tuple(float(cut) for cut in np.arange(0.05, 0.61, 0.05).round(2))


@pytest.mark.parametrize("cut", CUTS)
def test_a_cut_digit_is_never_surely_another(cut: float) -> None:
    """What is left of a cut 0 is a 1, of a cut 8 a 3: the reader sees that ink runs out of the region."""
    wrong = []
    for number in ("420", "428", "409", "326"):
        for text, room in ((number, (0.1, 0.1, -cut, 0.1)), (number[::-1], (-cut, 0.1, 0.1, 0.1))):
            reading = read(Face(in_a_row(text), room=room), "###", 50, 1)
            wrong += [(text, reading.text, reading.confidence)] if is_sure(reading) and reading.text != text else []

    assert wrong == []


@pytest.mark.parametrize(("text", "cut"), [("420", 0.35), ("420", 0.25), ("428", 0.3), ("326", 0.5)])
def test_a_digit_cut_at_the_right_is_flagged(text: str, cut: float) -> None:
    assert read(Face(in_a_row(text), room=(0.1, 0.1, -cut, 0.1)), "###", 50, 1).flag is Flag.DOUBTFUL


@pytest.mark.parametrize("text", ["420", "888", "111"])
def test_digits_that_just_fill_the_region_are_no_doubt(text: str) -> None:
    reading = read(Face(in_a_row(text), room=(0.0, 0.0, 0.0, 0.0)), "###", 50, 1)

    assert (reading.text, reading.flag) == (text, Flag.OK)


# --- displays that hardly show ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("dark", [True, False])
@pytest.mark.parametrize("height_px", HEIGHTS_PX)
@pytest.mark.parametrize("contrast", [0.035, 0.05])
def test_a_faint_number_is_a_doubt_and_no_blank_display(contrast: float, height_px: float, dark: bool) -> None:
    reading = read(Face(in_a_row("472"), contrast=contrast, dark=dark), "###", height_px)

    assert (reading.text, reading.flag) == ("472", Flag.DOUBTFUL)


@pytest.mark.parametrize("dark", [True, False])
@pytest.mark.parametrize("text", ["8", "88", "80"])
def test_faint_eights_beside_an_empty_place_are_a_doubt_and_no_blank_display(text: str, dark: bool) -> None:
    """Unlit bars are eights too, but in every place: where one is empty and both readers see the same, it is a number."""
    for contrast in (0.035, 0.045):
        reading = read(Face(in_a_row(text.rjust(3)), contrast=contrast, dark=dark), "###")

        assert (reading.text, is_sure(reading)) == (text, False)
        assert reading.flag in (Flag.DOUBTFUL, Flag.OK)


@pytest.mark.parametrize("unlit", [0.0, 0.06, 0.1])
@pytest.mark.parametrize("dark", [True, False])
def test_a_display_that_is_off_is_blank(dark: bool, unlit: float) -> None:
    assert read(Face(in_a_row("   "), unlit=unlit, dark=dark), "###").flag is Flag.BLANK


# --- the network proposes, the bars verify ----------------------------------------------------------------------------


class Fooled(View):
    """A network that mistakes digits: what it sees as `sees` it reports as `says`, as surely as the truth."""

    sees, says = "", ""

    @property
    def chances(self) -> np.ndarray:  # type: ignore[override]
        """Give the true chances, with the two signs' columns exchanged."""
        chances = column_chances(prepare(self._strip))
        one, two = SIGNS.index(self.sees), SIGNS.index(self.says)
        chances[:, [one, two]] = chances[:, [two, one]]
        return chances


@pytest.mark.parametrize("look", ["plain", "ghost", "led", "tailless"])
@pytest.mark.parametrize(("text", "sees", "says"), [("280", "8", "6"), ("137", "7", "1"), ("905", "9", "5"), ("408", "0", "8")])
def test_bars_contradict_a_network_that_is_fooled(
    look: str, text: str, sees: str, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Now(Fooled):
        pass

    Now.sees, Now.says = sees, says
    monkeypatch.setattr(reader_module, "View", Now)
    picture = draw(text, LOOKS[look], 41, "###")
    strip, display = rectify(picture.image, picture.corners), display_at(picture.corners)
    bars, network = reader_module.opinions(strip, display)

    assert network[0][0] == text.translate(str.maketrans(sees + says, says + sees))
    assert bars[0][0] == text
    assert bars[0][1] > 0.9
    assert dict(bars)[network[0][0]] < 0.05  # the bars' own word on what the network says is given along
    assert not is_sure(read_segments(strip, display))


@pytest.mark.parametrize("look", ["plain", "led"])
def test_places_are_found_where_the_network_saw_digits(look: str) -> None:
    """The seeded search explains about as much ink as the full one."""
    ratios = []
    for seed, text in enumerate(("358", "207", "694", "42")):
        picture = draw(text, LOOKS[look], seed, "###")
        strip, mask = rectify(picture.image, picture.corners), Mask.parse("###")
        seen = View(strip).sightings(mask, [text])
        ratios.append(seen_places(strip, mask, [sighting.x for sighting in seen]).gain / find_places(strip, mask).gain)

    assert min(ratios) > 0.85
    assert float(np.mean(ratios)) > 0.94


@pytest.mark.parametrize("look", ["plain", "ghost", "led", "negative"])
@pytest.mark.parametrize(("text", "mask"), [("358", "###"), ("42", "###"), ("20.9", "##.#"), ("-13.7", "-##.#")])
def test_sightings_stand_alike_beside_the_places(text: str, mask: str, look: str) -> None:
    """How far off a digit's middle the network marks it is what the seeded layouts count on; new weights must keep it."""
    picture = draw(text, LOOKS[look], 41, mask)
    strip, parsed = rectify(picture.image, picture.corners), Mask.parse(mask)
    (sighting,) = View(strip).sightings(parsed, [text])
    fit = find_places(strip, parsed)
    middles = sample_points(fit.layout[None], parsed, 5, fit.ink.map.shape).x[0, :, 6].mean(axis=-1)
    off = (np.array(sighting.x) - middles[-len(sighting.x) :]) / fit.layout[HEIGHT]

    assert len(sighting.x) == sum(sign.isdigit() for sign in text)
    assert off.mean() == pytest.approx(0.33, abs=0.16)
    assert off.std() < 0.12


def test_sightings_leave_out_what_the_mask_does_not_allow() -> None:
    picture = draw("358", LOOKS["plain"], 3, "###")
    view = View(rectify(picture.image, picture.corners))

    assert [s.text for s in view.sightings(Mask.parse("###"), ["358", "OL", "", "3581", "58"])] == ["358", "58"]


def test_seeded_layouts_lie_where_digits_were_seen() -> None:
    mask, seen = Mask.parse("###"), (70.0, 130.0, 190.0)
    layouts = layouts_at(mask, (114, 240), 50, seen, np.random.default_rng(1))
    middles = sample_points(layouts, mask, 5, (114, 240)).x[:, :, 6].mean(axis=-1)

    assert np.isfinite(layouts).all()
    assert np.diff(middles, axis=1) == pytest.approx(np.full((50, 2), 60.0), abs=2.0)
    assert ((seen[2] - middles[:, 2]) / layouts[:, HEIGHT]).mean() == pytest.approx(0.33, abs=0.05)
    assert (layouts[:, RIGHT] > middles[:, 2]).all()
    assert layouts[:, ASPECT].std() > 0.05


def test_a_face_is_read_the_same_every_time() -> None:
    face = replace(FACES["uneven pitch, four digits"][0], contrast=0.2)

    assert read(face, "####", 26) == read(face, "####", 26)
