"""Drawn text displays: dots and print are what they should be, the truth stands there, nights with them say so."""

from __future__ import annotations

import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest

from frametally.model import MASK, Calibration
from frametally.practice import SCREENS, TEXT_STYLES, Hardness, draw_night, draw_number, draw_text
from frametally.practice.camera import View, draw_lamp, light_map
from frametally.practice.glyphs import Shape, bars_of, lay_out, place_polygons, polygons, spread
from frametally.practice.matrix import COLUMNS, DOT_NAMES, LIT_DOTS, ROWS, Dots, Print, printed_sign
from frametally.practice.scene import Shooter, build_scene, project
from frametally.practice.story import draw_story
from frametally.practice.text import LEVELS, random_text_style

DOTTED = Shape(aspect=0.64, pitch=1.2, point_room=0.4, face=Dots(0.8))


def test_every_digit_has_its_own_dots_far_from_any_other():
    dots = {digit: set(LIT_DOTS[digit]) for digit in "0123456789"}
    assert len(DOT_NAMES) == len(set(DOT_NAMES)) == COLUMNS * ROWS
    apart = [len(dots[a] ^ dots[b]) for a in dots for b in dots if a < b]
    assert min(apart) >= 3
    assert not set(DOT_NAMES) & set("abcdefg-.:")


@pytest.mark.parametrize("digit", "0123456789")
def test_dots_fill_their_place_and_do_not_touch(digit: str):
    place = lay_out("#", DOTTED).digits[0]
    boxes = place_polygons(place, DOTTED)
    assert len(boxes) == 35
    canvas = np.zeros((700, 448), np.uint8)
    for name in bars_of(digit, DOTTED):
        cv2.fillConvexPoly(canvas, np.round(boxes[name] * 700).astype(np.int32), 255)
    count, _ = cv2.connectedComponents(canvas)
    assert count - 1 == len(LIT_DOTS[digit])
    assert np.ptp(np.concatenate(list(boxes.values())), axis=0) == pytest.approx([0.64 * (1 - 0.2 / 5), 1 - 0.2 / 7], abs=1e-5)


def test_lit_and_unlit_dots_are_all_dots():
    lit, unlit = polygons(lay_out("##.#", DOTTED), "20.9", "##.#")
    dots = sum(len(LIT_DOTS[digit]) for digit in "209")
    assert len(lit) == dots + 1  # and the point
    assert len(lit) + len(unlit) == 3 * 35 + 1


def test_dots_can_show_units_that_segments_cannot():
    assert spread("ppm", "###", known=LIT_DOTS)[0] == "ppm"
    with pytest.raises(ValueError, match="seven segments cannot show 'mp'"):
        spread("pm", "##")
    with pytest.raises(ValueError, match="these digits cannot show"):
        spread("q", "#", known=LIT_DOTS)


@pytest.mark.parametrize("font", ["plain", "simplex", "duplex", "complex", "triplex"])
@pytest.mark.parametrize("pixels", [0, 12])
def test_printed_digits_are_as_high_as_asked_for(font: str, pixels: int):
    for digit in "0123456789":
        sign = printed_sign(digit, Print(font, 0.12, pixels), 60.0)  # type: ignore[arg-type]
        rows = np.flatnonzero((sign > 127).any(axis=1))
        assert sign.shape[0] == 90
        assert rows[0] <= 7
        assert 52 <= rows[-1] <= 66
        if pixels:
            assert set(np.unique(sign)) == {0, 255}


@pytest.mark.parametrize("screen", SCREENS)
def test_a_display_stands_off_its_ground_inside_its_marked_region(screen: str):
    for number in range(4):
        shown = draw_text(np.random.default_rng([5, number]), screen, "easy")  # type: ignore[arg-type]
        assert shown.image.dtype == np.uint8
        assert MASK.match(shown.mask)
        assert spread(shown.text, shown.mask)[0].strip().isdigit()
        flat = np.array([[0, 0], [200, 0], [200, 80], [0, 80]], np.float32)
        seen = cv2.warpPerspective(shown.image, cv2.getPerspectiveTransform(shown.corners.astype(np.float32), flat), (200, 80))
        grey = seen.max(axis=2).astype(float)
        assert np.percentile(grey, 97) - np.percentile(grey, 3) > 25


def test_the_same_generator_draws_the_same():
    first, second, other = (draw_text(np.random.default_rng(seed), "oled-pixels", "hard") for seed in (3, 3, 4))
    assert np.array_equal(first.image, second.image)
    assert (first.text, first.corners.tolist()) == (second.text, second.corners.tolist())
    assert first.image.shape != other.image.shape or not np.array_equal(first.image, other.image)


def test_harder_levels_are_smaller_and_fainter():
    tall, contrast = {}, {}
    for level in LEVELS:
        shown = [draw_text(np.random.default_rng([6, n]), SCREENS[n % 5], level) for n in range(20)]
        tall[level] = np.median([np.linalg.norm(s.corners[3] - s.corners[0]) for s in shown])
        contrast[level] = np.median([np.ptp(np.percentile(s.image, (3, 97))) for s in shown])
    assert tall["easy"] > tall["moderate"] > tall["hard"]
    assert contrast["easy"] > contrast["hard"]


def test_draw_number_draws_dots_and_print_too():
    for screen in SCREENS:
        style = random_text_style(screen, np.random.default_rng(2))
        lit, _ = draw_number("88.8", style, np.random.default_rng(1), mask="##.#", hardness=Hardness(0.0, 0.5, 0.5, 1.0))
        off, _ = draw_number("", style, np.random.default_rng(1), mask="##.#", hardness=Hardness(0.0, 0.5, 0.5, 1.0))
        assert lit.shape == off.shape
        assert np.abs(lit.astype(int) - off).max(axis=2).mean() > 3


@pytest.mark.parametrize("name", sorted(TEXT_STYLES))
def test_each_text_style_draws_what_the_truth_says(name: str):
    story = draw_story(30, 60, np.random.default_rng([3, 1]))
    scene = build_scene(TEXT_STYLES[name], story.meters, (1280, 960), np.random.default_rng([3, 4]))
    light = light_map(draw_lamp(np.random.default_rng(3)), 0.5, 1.0, scene.size)
    texts = {key: shown[20] for key, shown in story.texts.items()}
    picture = np.clip(Shooter(scene).shine(View(), scene.poses, texts, light), 0, 255).max(axis=2)
    window, matrix = scene.instruments[1].window, scene.window_matrix(1, View(), scene.poses[1])
    assert isinstance(window.style.shape.face, Dots)
    for spot in window.spots:
        levels: dict[bool, list[float]] = {True: [], False: []}
        characters = spread(texts[spot.key], spot.mask, known=LIT_DOTS)[0]
        for place, character in zip(spot.layout.digits, characters, strict=True):
            for dot, polygon in place_polygons(place, spot.layout.shape).items():
                x, y = project(matrix, spot.place(polygon)).mean(axis=0)
                levels[dot in LIT_DOTS[character]].append(float(picture[round(y), round(x)]))
        apart = np.mean(levels[True]) - np.mean(levels[False])
        assert apart > 60 if window.style.is_emissive else apart < -60


@pytest.mark.parametrize("name", sorted(TEXT_STYLES))
def test_a_night_with_a_text_display_says_so_in_its_calibration(tmp_path: Path, name: str):
    files = draw_night(tmp_path, seed=4, frames=2, style=name, troubles=(), size=(640, 480))
    calibration = Calibration.model_validate(tomllib.loads(files.calibration.read_text(encoding="utf-8")))
    kinds = [{display.kind for display in instrument.display} for instrument in calibration.instrument]
    assert kinds == [{"segments"}, {"text"}]


def test_glare_over_dots_can_hide_what_they_show(tmp_path: Path):
    files = draw_night(tmp_path, seed=3, frames=12, style="oled", troubles=("glare",), size=(640, 480))
    assert "mirrored" in files.truth.read_text(encoding="utf-8")
