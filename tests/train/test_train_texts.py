"""How the readers of text displays are weighed: honest weights, figures that count what they say, all of it in miniature."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from frametally.practice.text import LEVELS
from frametally.read.layout import Mask
from frametally.read.prints import NO_PRINT, Print
from frametally.read.rectify import rectify
from frametally.read.voices import Heard, Weights, packaged_weights, read_text, weigh
from frametally.train.texts import Case, draw_other_face, fit, judge, main, with_all, without_tesseract

Require = Callable[[str | Path, str], Path]

AGREED = Heard((("25", 0.9), ("26", 0.05)), Print("25", 0.9, 0.2))
CONTESTED = Heard((("25", 0.6), ("26", 0.3)), Print("26", 0.9, 0.05))
ALONE = Heard((("25", 0.8), ("26", 0.1)), NO_PRINT)


def _cases(seed: int, count: int) -> list[Case]:
    """Displays on which agreement is right 99 times in 100, the network alone 8 times in 10, contested 6 times in 10."""
    random = np.random.default_rng(seed)
    cases = []
    for _ in range(count):
        kind = random.integers(3)
        right = random.random() < (0.99, 0.8, 0.6)[kind]
        cases.append(Case("tft", "easy", "25" if right else "26", (AGREED, ALONE, CONTESTED)[kind]))
    return cases


def test_fitted_weights_are_honest_about_each_kind_of_evidence():
    cases = _cases(1, 6000)
    scores = [case.features(0.003)[:, :4] @ np.array(fit(cases).quick) for case in (AGREED, ALONE, CONTESTED)]
    for (first, *others), share in zip(scores, (0.99, 0.8, 0.6), strict=True):
        assert abs(1 / (1 + sum(np.exp(other - first) for other in others)) - share) < 0.04


def test_figures_count_what_they_say():
    cases = [Case("tft", "easy", truth, Heard((("25", 0.999),), Print("25", 0.9, 0.4))) for truth in ("25", "25", "25", "26")]
    weights = Weights((1.0, 3.0, 0.0, 0.0), (1.0, 3.0, 0.0, 0.0, 0.0, 0.0), 0.003, 0.99)
    figures = judge(cases, weights)

    assert (figures.count, figures.exact, figures.sure, figures.sure_but_wrong, figures.asked) == (4, 0.75, 1.0, 0.25, 0.0)
    assert abs(figures.error - 0.5 * (0.01 + 0.01 + 0.01 + 0.99) / 2) < 0.02


def test_tesseract_is_asked_only_where_the_quick_voices_do_not_settle_it():
    heard = Heard((("25", 0.9995),), Print("25", 0.9, 0.4), (("26", 0.9),) * 6)
    open_ = Heard((("25", 0.7), ("26", 0.2)), Print("25", 0.9, 0.4), (("26", 0.9),) * 6)
    weights = packaged_weights()

    assert with_all(heard, weights) == without_tesseract(heard, weights)
    assert with_all(open_, weights) == weigh(open_)
    assert weigh(open_) != without_tesseract(open_, weights)


def test_packaged_weights_belong_to_what_was_held_out():
    """What was promised of the packaged weights is what is written beside them."""
    written = json.loads((Path(__file__).parents[2] / "src/frametally/read/weights/text.json").read_text(encoding="utf-8"))
    for figures in written["held_out"].values():
        assert figures["count"] >= 300
        assert figures["sure_but_wrong"] == 0
    assert written["held_out"]["with_all"]["exact"] > 0.95
    assert written["held_out"]["with_all"]["error"] < 0.02
    assert packaged_weights().surest <= 1 - 1 / figures["count"]


@pytest.mark.parametrize("level", LEVELS)
def test_other_faces_are_drawn_where_they_are_marked(level: str, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("frametally.read.voices.ask", lambda pages, timeout_s: {})
    right = 0
    for number in range(8):
        image, corners, text, mask = draw_other_face(np.random.default_rng([3, number]), level)
        answer = read_text(rectify(image, corners), Mask.parse(mask))
        right += answer.text == text
        assert answer.text == text or answer.confidence < 0.98
    assert right >= 7


def test_whole_weighing_in_miniature(tmp_path: Path, require: Require):
    require("tesseract", "it is the Debian package tesseract-ocr")
    assert main(["--out", str(tmp_path), "--seed", "5", "--each", "2"]) == 0
    written = json.loads((tmp_path / "text.json").read_text(encoding="utf-8"))
    assert (len(written["quick"]), len(written["all"])) == (4, 6)
    assert {name: figures["count"] for name, figures in written["held_out"].items()} == {"with_all": 18, "without_tesseract": 18}
