"""The film's pictures and files: what each row shows, that nothing overlaps, what a transparent film leaves clear."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from film_nights import FRAME_SIZE, film_night, plain_photo, read_film
from frametally.errors import BadInput, ExitCode, ProgramMissing
from frametally.model import FLAG_MEANING, Display, Flag
from frametally.show import film_text as ink
from frametally.show.film import open_film, straight
from frametally.show.film_chart import _limit_words
from frametally.show.film_frames import Painter
from frametally.show.film_layout import LEAST_SHOWN, Box, bounds, film_size, fit_photo, follow, lay_out, overlap
from frametally.show.film_signs import key_of, sign_of

Picture = np.ndarray[Any, np.dtype[np.uint8]]


def cut(picture: Picture, box: Box | None) -> Picture:
    assert box is not None
    return picture[box[1] : box[3], box[0] : box[2], :3]


def grey(picture: Picture) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Brightness alone: colours are halved in the film."""
    return cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(np.int64)


def within(inner: Box, outer: Box) -> bool:
    return inner[0] >= outer[0] and inner[1] >= outer[1] and inner[2] <= outer[2] and inner[3] <= outer[3]


# --- layout ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("height", [720, 1080, 1440, 2160])
def test_sizes_are_even_and_of_16_to_9(height: int) -> None:
    width, same = film_size(height)
    assert same == height
    assert width % 2 == 0
    assert abs(width / height - 16 / 9) < 2 / height


@st.composite
def marked(draw: st.DrawFn) -> tuple[tuple[int, int], list[Any], list[tuple[float, float]]]:
    """A photo's size and displays in it that do not overlap."""
    size = draw(st.sampled_from([(1280, 960), (4000, 3000), (1920, 1080), (3000, 4000)]))
    cells = draw(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=1, max_size=6, unique=True))
    wide, high = size[0] / 5, size[1] / 5
    corners, labels = [], []
    for column, row in cells:
        left, top = column * wide + 0.2 * wide, row * high + 0.3 * high
        right, bottom = left + draw(st.floats(0.2, 0.6)) * wide, top + draw(st.floats(0.1, 0.4)) * high
        corners.append(((left, top), (right, top), (right, bottom), (left, bottom)))
        labels.append((draw(st.floats(60, 170)), draw(st.floats(34, 64))))
    return size, corners, labels


@settings(max_examples=60)
@given(marked(), st.sampled_from([720, 1080, 2160]))
def test_labels_cover_no_display_and_no_other_label(given_night: Any, height: int) -> None:
    size, corners, sizes = given_night
    layout = lay_out(height, size, corners, sizes, [1.0, 1.4])
    displays = [bounds(outline) for outline in layout.outlines]
    labels = [label for label in layout.labels if label is not None]
    assert len(labels) == len(corners)
    for number, label in enumerate(labels):
        assert within(label, layout.photo)
        assert not any(overlap(label, display) for display in displays)
        assert not any(overlap(label, other) for other in labels[:number])
    assert all(within(display, layout.photo) for display in displays)
    parts = [layout.photo, layout.words, *layout.charts]
    assert not any(overlap(one, other) for n, one in enumerate(parts) for other in parts[:n])
    assert all(within(part, (0, 0, layout.width, layout.height)) for part in parts)
    again = lay_out(height, size, corners, sizes, [1.0, 1.4])
    assert (layout.labels, layout.charts, layout.view) == (again.labels, again.charts, again.view)


@settings(max_examples=60)
@given(marked(), st.integers(0, 5), st.floats(-300, 300), st.floats(-200, 200))
def test_labels_make_room_for_a_display_that_was_moved(given_night: Any, which: int, right: float, down: float) -> None:
    size, corners, sizes = given_night
    layout = lay_out(1080, size, corners, sizes, [1.0, 1.4])
    outlines = list(layout.outlines)
    which %= len(outlines)
    low, high = np.array(layout.photo[:2]), np.array(layout.photo[2:]) - 1
    move = np.clip((right, down), low - outlines[which].min(axis=0), high - outlines[which].max(axis=0))
    outlines[which] = outlines[which] + move
    labels = follow(layout, outlines)
    displays = [bounds(outline) for outline in outlines]
    for number, label in enumerate(labels):
        assert label is None or within(label, layout.photo)
        assert label is None or not any(overlap(label, display) for display in displays)
        assert label is None or not any(overlap(label, other) for other in labels[:number] if other is not None)
    assert follow(layout, layout.outlines) == layout.labels  # nothing moved, nothing moves


@given(marked())
def test_the_photo_is_cut_at_its_edges_only(given_night: Any) -> None:
    size, corners, _ = given_night
    place = (24, 24, 1420, 730)
    view = fit_photo(place, size, corners)
    for axis in (0, 1):
        shown = min((place[axis + 2] - place[axis]) / view.scale, size[axis])
        assert shown >= LEAST_SHOWN * size[axis] - 1e-6 or view.scale <= min(1396 / size[0], 706 / size[1]) + 1e-9


def test_a_photo_of_the_places_own_shape_fills_it() -> None:
    view = fit_photo((0, 0, 800, 400), (1600, 800), [((700, 300), (900, 300), (900, 500), (700, 500))])
    assert (view.scale, view.left, view.top) == (0.5, 0.0, 0.0)
    assert view.place([(0, 0)])[0] == pytest.approx((-0.25, -0.25))  # the middle of its first pixel, seen at half the size


# --- signs -------------------------------------------------------------------------------------------------------------


def test_every_flag_is_told_by_words_or_shape(displays: tuple[Display, ...]) -> None:
    settled = sign_of(displays[0], 38.0, "ok")
    assert (settled.text, settled.note, settled.kind) == ("38 ppm", "", "settled")
    seen = {(settled.text, settled.note, settled.kind)}
    for flag in Flag:
        if flag is Flag.OK:
            continue
        value = 38.0 if flag in (Flag.REPAIRED, Flag.CORRECTED, Flag.DOUBTFUL) else float("nan")
        sign = sign_of(displays[0], value, flag.value, "bAt" if flag is Flag.STATUS else "")
        assert (sign.text, sign.note, sign.kind) not in seen, flag
        seen.add((sign.text, sign.note, sign.kind))
        assert key_of([flag.value]), flag
    assert len(seen) == len(FLAG_MEANING)
    doubtful = sign_of(displays[0], 38.0, "doubtful")
    assert doubtful.text.endswith("?")
    assert doubtful.note == "doubtful"
    assert key_of(["ok"]) == []


def test_a_flag_without_its_value_shows_no_number(displays: tuple[Display, ...]) -> None:
    assert sign_of(displays[0], float("nan"), "ok").text == "no value"
    assert sign_of(displays[0], 5.0, "hidden").text == "hidden"
    assert sign_of(displays[0], 5.0, "something new").kind == "none"


def test_a_limits_number_is_never_cut_off() -> None:
    assert _limit_words("WHO 8 h", 8.73, "ppm") == "WHO 8 h: 8.73 ppm"
    lines = _limit_words("An issuer with a very long name indeed, 24 h; and another one", 19.5, "%").split("\n")
    assert lines[-1] == "19.5 %"
    assert max(map(len, lines)) <= 17


# --- pictures ----------------------------------------------------------------------------------------------------------


def paint_all(painter: Painter) -> list[Picture]:
    photo = plain_photo(painter)
    gap = "No photo: a gap in the time-lapse"
    return [painter.paint(row, None if row == 10 else photo, gap if row == 10 else "").copy() for row in range(painter.rows)]


@pytest.fixture(scope="module")
def painted() -> tuple[Painter, list[Picture]]:
    from show_nights import small_displays, small_night

    painter = Painter(film_night(small_night(), small_displays()), 720)
    return painter, paint_all(painter)


def test_same_night_same_pictures(painted: tuple[Painter, list[Picture]], night: pd.DataFrame, displays: Any) -> None:
    again = paint_all(Painter(film_night(night, displays), 720))
    assert all(np.array_equal(a, b) for a, b in zip(painted[1], again, strict=True))


def test_label_shows_the_row_and_changes_with_it(painted: tuple[Painter, list[Picture]]) -> None:
    painter, pictures = painted
    for number, signs in enumerate(painter.signs):
        first: dict[Any, Picture] = {}
        for row, sign in enumerate(signs):
            label = cut(pictures[row], painter.layout.labels[number])
            if sign in first:
                assert np.array_equal(label, first[sign])
            else:
                assert not any(np.array_equal(label, other) for other in first.values())
            first.setdefault(sign, label)


def test_a_doubtful_label_has_a_broken_frame(painted: tuple[Painter, list[Picture]]) -> None:
    painter, pictures = painted
    box = painter.layout.labels[0]
    line = np.array(ink.series_colour(0)[:3], float)

    def share(row: int) -> float:
        top = cut(pictures[row], box)[1].astype(float)
        return float((np.abs(top - line).max(axis=1) < 40).mean())

    assert share(24) > 0.95
    assert 0.4 < share(25) < 0.8
    assert share(26) < 0.05  # a word in place of a number


def test_the_photo_is_shown_as_it_is_between_the_labels(painted: tuple[Painter, list[Picture]]) -> None:
    painter, pictures = painted
    left, top, right, bottom = painter.layout.photo
    touched = np.zeros((painter.layout.height, painter.layout.width), bool)
    for label, outline in zip(painter.layout.labels, painter.layout.outlines, strict=True):
        for box in (label, bounds(outline)):
            assert box is not None
            touched[box[1] - 24 : box[3] + 24, box[0] - 24 : box[2] + 24] = True
    clear = ~touched[top:bottom, left:right]
    assert clear.mean() > 0.7
    assert (pictures[24][top:bottom, left:right, :3][clear] == 140).all()
    assert not (pictures[10][top:bottom, left:right, :3][clear] == 140).all(axis=1).any()  # the gap shows no photo


def test_charts_grow_and_never_show_what_is_to_come(painted: tuple[Painter, list[Picture]]) -> None:
    painter, pictures = painted
    for chart in painter.charts:
        left, top = chart.box[:2]
        _, high, right, low = chart.plot
        for row in (3, 12, 33):
            x = chart.x_of(row)
            assert x is not None
            ahead = (left + round(x) + 14, top + high, left + right, top + low)
            assert np.array_equal(cut(pictures[row], ahead), cut(pictures[0], ahead))
        behind = (left + chart.plot[0], top + high, left + round(x) - 14, top + low)
        assert not np.array_equal(cut(pictures[33], behind), cut(pictures[0], behind))


def test_a_night_without_times_is_counted_in_photos(night: pd.DataFrame, displays: tuple[Display, ...]) -> None:
    night["time"], night["elapsed_min"] = None, np.nan
    painter = Painter(film_night(night, displays), 720)
    assert painter.paint(3, plain_photo(painter)).shape == (720, 1280, 4)


def test_a_night_that_shows_nothing_has_no_charts(night: pd.DataFrame, displays: tuple[Display, ...]) -> None:
    plain = film_night(night, displays)
    table = plain.table.assign(**{f"{d.key}_flag": "lost" for d in displays}, **{d.key: np.nan for d in displays})
    painter = Painter(type(plain)("", table, plain.displays, FRAME_SIZE), 720)
    assert painter.charts == []
    assert painter.paint(0, plain_photo(painter)).any()


def test_many_displays_and_long_names_stay_in_their_places(night: pd.DataFrame, displays: tuple[Display, ...]) -> None:
    many, table = [], night.copy()
    for number in range(14):
        x, y = 100 + 250 * (number % 4), 120 + 180 * (number // 4)
        key = f"n{number}_co_ppm"
        corners = ((x, y), (x + 90, y), (x + 90, y + 50), (x, y + 50))
        name = {"key": key, "corners": corners, "instrument": "an instrument with a name that is far too long for one line"}
        many.append(displays[0].model_copy(update=name))
        table[key], table[f"{key}_flag"] = 12345.0, "ok"
    night_of_many = type(film_night(night, displays))("A title " * 30, table, tuple(many), FRAME_SIZE)
    painter = Painter(night_of_many, 720)
    picture = painter.paint(0, plain_photo(painter))
    left, top, right, bottom = painter.layout.words
    rim = np.concatenate(
        [picture[top:bottom, right - 2 : right].reshape(-1, 4), picture[bottom - 2 : bottom, left:right].reshape(-1, 4)]
    )
    assert (rim == ink.colour_of(ink.PAPER)).all()


# --- files -------------------------------------------------------------------------------------------------------------


def test_mp4_is_decoded_by_another_library(painted: tuple[Painter, list[Picture]], tmp_path: Path) -> None:
    painter, pictures = painted
    path, repeats = tmp_path / "night.mp4", [1, 3, 2, 1, 1, 2]
    rows = [0, 5, 10, 25, 26, 30]
    with open_film(path, (1280, 720), 25, "A night", transparent=False) as film:
        for row, times in zip(rows, repeats, strict=True):
            film.add(pictures[row], times)
    decoded, rate = read_film(path)
    assert rate == 25
    assert len(decoded) == sum(repeats)
    shown = [row for row, times in zip(rows, repeats, strict=True) for _ in range(times)]
    for row, picture in zip(shown, decoded, strict=True):
        for box in (*painter.layout.labels, painter.layout.words):
            far = {other: np.abs(grey(cut(picture, box)) - grey(cut(pictures[other], box))).mean() for other in rows}
            assert far[row] < 6
            assert far[row] == min(far.values())
    head = path.read_bytes()
    assert head.index(b"moov") < head.index(b"mdat")  # the index in front: a browser starts before all has come
    assert [file.name for file in tmp_path.iterdir()] == ["night.mp4"]


def test_mp4_says_what_editors_ask_for(painted: tuple[Painter, list[Picture]], tmp_path: Path) -> None:
    av = pytest.importorskip("av")
    path = tmp_path / "night.mp4"
    for _ in range(2):
        before = path.read_bytes() if path.exists() else None
        with open_film(path, (1280, 720), 30, "A night", transparent=False) as film:
            film.add(painted[1][0], 5)
        assert before in (None, path.read_bytes())
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.format.name) == ("h264", "yuv420p")
        assert (stream.average_rate, stream.frames) == (30, 5)
        assert stream.codec_context.color_range == stream.codec_context.colorspace == 1  # ITU-T H.273: 16 to 235, BT.709
        assert container.metadata["title"] == "A night"


def test_prores_keeps_what_is_clear(night: pd.DataFrame, displays: tuple[Display, ...], tmp_path: Path) -> None:
    av = pytest.importorskip("av")
    painter, path = Painter(film_night(night, displays), 720, transparent=True), tmp_path / "over.mov"
    with open_film(path, (1280, 720), 25, "", transparent=True) as film:
        film.add(painter.paint(0, None), 2)
    with av.open(str(path)) as container:
        frames = [frame.to_ndarray(format="bgra") for frame in container.decode(video=0)]
        assert container.streams.video[0].format.name.startswith("yuva444p1")
    assert len(frames) == 2
    left, _, right, bottom = painter.layout.photo
    label = painter.layout.labels[0]
    assert label is not None
    assert (frames[0][bottom - 40 : bottom, left:right, 3] == 0).all()
    assert frames[0][label[1] + 8, label[0] + 8, 3] > 200
    words = painter.layout.words
    assert abs(int(frames[0][words[1] + 3, words[0] + 3, 3]) - round(0.88 * 255)) <= 2


def test_pictures_keep_what_is_clear(night: pd.DataFrame, displays: tuple[Display, ...], tmp_path: Path) -> None:
    painter, folder = Painter(film_night(night, displays), 720, transparent=True), tmp_path / "over"
    with open_film(folder, (1280, 720), 25, "", transparent=True) as film:
        film.add(painter.paint(0, None), 2)
        film.add(painter.paint(1, None), 1)
    assert sorted(path.name for path in folder.iterdir()) == [f"frame_{n:06d}.png" for n in (1, 2, 3)]
    picture = cv2.imread(str(folder / "frame_000001.png"), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    assert picture.shape == (720, 1280, 4)
    assert picture[painter.layout.photo[3] - 20, painter.layout.photo[0] + 20, 3] == 0
    words = painter.layout.words
    paper = np.array(ink.colour_of(ink.PAPER)[:3], int)
    assert np.abs(picture[words[1] + 3, words[0] + 3, :3] - paper).max() <= 1  # not darkened by being partly clear


def test_straight_colours_are_those_before_they_were_made_clear() -> None:
    picture = np.array([[ink.colour_of("#4080c0", 0.5), ink.colour_of("#4080c0"), (0, 0, 0, 0)]], np.uint8)
    colours = straight(picture)[0]
    assert np.abs(colours[0].astype(int) - (0xC0, 0x80, 0x40, 128)).max() <= 1
    assert colours[1].tolist() == [0xC0, 0x80, 0x40, 255]
    assert colours[2].tolist() == [0, 0, 0, 0]


def stop_in_the_middle(path: Path, picture: Picture, clear: bool) -> None:
    with open_film(path, (96, 64), 25, "", transparent=clear) as film:
        film.add(picture, 5)
        raise KeyboardInterrupt


@pytest.mark.parametrize("name", ["night.mp4", "over.mov", "over"])
def test_what_stops_it_leaves_the_old_film_and_no_half_one(name: str, tmp_path: Path) -> None:
    path, clear = tmp_path / name, name != "night.mp4"
    picture = np.zeros((64, 96, 4), np.uint8)
    with open_film(path, (96, 64), 25, "", transparent=clear) as film:
        film.add(picture, 3)
    old = path.read_bytes() if path.is_file() else sorted(p.name for p in path.iterdir())
    with pytest.raises(KeyboardInterrupt):
        stop_in_the_middle(path, picture, clear)
    assert [one.name for one in tmp_path.iterdir()] == [name]
    assert old == (path.read_bytes() if path.is_file() else sorted(p.name for p in path.iterdir()))
    with open_film(path, (96, 64), 25, "", transparent=clear) as film:
        film.add(picture, 1)
    assert [one.name for one in tmp_path.iterdir()] == [name]
    assert old != (path.read_bytes() if path.is_file() else sorted(p.name for p in path.iterdir()))


def test_without_av_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    real = builtins.__import__

    def no_av(name: str, *rest: Any) -> Any:
        if name == "av":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", no_av)
    with pytest.raises(ProgramMissing, match=r"pip install 'frametally\[film\]'") as caught:
        open_film(tmp_path / "night.mp4", (96, 64), 25, "", transparent=False).__enter__()
    assert caught.value.exit_code == ExitCode.PROGRAM_MISSING
    assert list(tmp_path.iterdir()) == []
    with open_film(tmp_path / "over", (96, 64), 25, "", transparent=True) as film:  # PNG files need none
        film.add(np.zeros((64, 96, 4), np.uint8), 1)


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(BadInput, match="cannot be written"),
        open_film(tmp_path / "file" / "night.mp4", (96, 64), 25, "", transparent=False),
    ):
        pass
