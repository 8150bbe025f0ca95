"""The drawn examples: what the net is told to say stands on the display, and the same seed draws the same."""

from __future__ import annotations

import re

import numpy as np
import pytest

from frametally.model import MASK
from frametally.practice.glyphs import PATTERNS
from frametally.read.network import PLANES, ROWS, SIGNS, STRIDE
from frametally.train.contents import BARS_OF, WORDS, Content, draw_content, draw_mask
from frametally.train.crops import draw_crop, draw_photo
from frametally.train.faces import draw_face
from frametally.train.shards import BATCH, draw_all, load_shelves, save_shelves, shelve


def test_masks_are_such_as_a_calibration_takes():
    rng = np.random.default_rng(1)
    masks = [draw_mask(rng) for _ in range(300)]
    assert all(MASK.match(mask) for mask in masks)
    assert {mask.count("#") for mask in masks} == {1, 2, 3, 4, 5, 6}
    assert any(":" in mask for mask in masks)
    assert any(mask.startswith("-") for mask in masks)


def test_said_is_the_number_that_stands_there():
    rng = np.random.default_rng(2)
    seen = 0
    for _ in range(600):
        content = draw_content(rng)
        if re.fullmatch(r"-?[\d.:]+", content.text) and all(content.marked):
            assert content.said == content.text
            seen += 1
    assert seen > 400


def test_words_are_said_in_signs_that_the_net_knows():
    for word in WORDS:
        content = Content("#" * len(word), word.upper(), word, False, ())
        assert len(content.said) == len(word)
        assert set(content.said) <= set(SIGNS)
        assert set(word) <= set(BARS_OF)


def test_signs_are_drawn_as_practice_draws_them():
    # The optional strokes aside, both rooms must mean the same by a sign; "I" alone differs (here a 1, there a left stroke).
    for sign, bars in BARS_OF.items():
        if sign in PATTERNS and sign != "I":
            assert set(PATTERNS[sign]) == set(bars), sign


def test_minus_in_an_empty_place_comes_before_the_digits():
    rng = np.random.default_rng(3)
    found = [
        c
        for c in (draw_content(rng) for _ in range(3000))
        if "-" in c.characters and c.text.startswith("-") and c.text[1:].isdigit()
    ]
    assert len(found) > 5
    assert all(not c.signed and c.said == c.text for c in found)


@pytest.mark.parametrize("seed", [4, 5])
def test_lit_bars_of_a_face_are_where_its_outline_says(seed):
    rng = np.random.default_rng(seed)
    content = Content("##.#", "88.8", "888", False, (True,))
    face = draw_face(content, rng, 60.0, uneven=0.0)
    left, top = np.floor(face.outline.min(axis=0)).astype(int) - 1
    right, bottom = np.ceil(face.outline.max(axis=0)).astype(int) + 1
    assert face.lit[top:bottom, left:right].mean() > 20
    assert face.unlit.max() == 0
    assert abs(face.outline[:, 1].max() - face.outline[:, 1].min() - 60.0) < 1.5


def test_off_display_has_no_lit_bar():
    face = draw_face(Content("##", "", "  ", False, ()), np.random.default_rng(6), 60.0, uneven=0.0)
    assert face.unlit.max() > 150
    assert len(face.bright) == len(face.outline)


def test_a_crop_has_room_for_what_it_says():
    rng = np.random.default_rng(7)
    for _ in range(25):
        crop = draw_crop(rng)
        assert crop.planes.dtype == np.uint8
        assert crop.planes.shape[:2] == (PLANES, ROWS)
        assert len(crop.said) <= crop.planes.shape[2] // STRIDE
        assert set(crop.said) <= set(SIGNS[1:])


def test_same_seed_draws_the_same_whatever_the_processes(tmp_path):
    alone = shelve(draw_all(8, BATCH, 1))
    shared = shelve(draw_all(8, BATCH, 2))
    assert alone.keys() == shared.keys()
    for width in alone:
        assert np.array_equal(alone[width].planes, shared[width].planes)
        assert np.array_equal(alone[width].said, shared[width].said)
    save_shelves(alone, tmp_path / "kept")
    again = load_shelves(tmp_path / "kept")
    assert {width: shelf.planes.tobytes() for width, shelf in again.items()} == {w: s.planes.tobytes() for w, s in alone.items()}


@pytest.mark.parametrize("seed", range(6))
def test_text_faces_show_their_content_where_their_outline_says(seed):
    content = Content("##.#", "20.9", "209", False, (True,))
    face = draw_face(content, np.random.default_rng(seed), 60.0, uneven=0.0, text_share=1.0)
    bars = draw_face(content, np.random.default_rng(seed), 60.0, uneven=0.0, text_share=0.0)
    left, top = np.floor(face.outline.min(axis=0)).astype(int) - 1
    right, bottom = np.ceil(face.outline.max(axis=0)).astype(int) + 1
    assert face.lit[top:bottom, left:right].mean() > 15
    assert 54 < np.ptp(face.outline[:, 1]) < 61.5
    assert face.lit.shape != bars.lit.shape or not np.array_equal(face.lit, bars.lit)


def test_text_faces_have_only_what_they_show_with_the_same_signs():
    assert Content("###", "OL", " OL", False, ()).plain
    assert Content("##.#", "-1.5", "-15", False, (True,)).plain
    assert not Content("###", "5.5", "S.S", False, ()).plain  # a drawn S is no 5
    assert not Content("###", "bat", "bAt|", False, ()).plain


def test_share_of_text_faces_decides_how_many_there_are():
    drawn = {share: [draw_photo(np.random.default_rng([9, n]), 0.0, share).image for n in range(12)] for share in (0.0, 1.0)}
    same = sum(a.shape == b.shape and np.array_equal(a, b) for a, b in zip(drawn[0.0], drawn[1.0], strict=True))
    assert same < 6
