"""Takes a seed and a count; draws text displays, hears all three voices, fits how much each is worth, writes the weights.

python -m frametally.train.texts --out weights --seed 1
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont
from scipy.optimize import minimize

from frametally.model import STATUS_DEFAULTS, Corners
from frametally.practice.text import HEIGHTS, LEVELS, SCREENS, draw_text, random_number
from frametally.read.layout import Mask
from frametally.read.ocr import ask, tesseract_version
from frametally.read.rectify import rectify
from frametally.read.voices import SURE, Answer, Heard, Weights, is_settled, look, weigh

SLIP = 0.003
"""What the network gives at least to a text that it did not think of."""

OTHER_FACES = "other faces"
"""The screen whose digits are in faces that neither the network nor the drawn digits know: what real screens often are."""

_TYPEFACES = (
    "DejaVuSans", "DejaVuSans-Bold", "DejaVuSansMono", "DejaVuSansMono-Bold", "DejaVuSerif", "STIXGeneral", "cmss10", "cmtt10",
)  # fmt: skip
"""Typefaces that come with matplotlib."""

_QUICK = 4
"""So many of the features are there without Tesseract."""

_RIDGE = 0.5
_TIMEOUT_S = 300.0


@dataclass(frozen=True)
class Case:
    """One drawn display: its `screen` and `level`, the `truth`, and what each voice says."""

    screen: str
    level: str
    truth: str
    heard: Heard


@dataclass(frozen=True)
class Figures:
    """How often a set of cases is read exactly, surely, surely but wrong; the expected calibration `error`, over ten equal parts
    by probability; how often Tesseract was `asked`."""

    count: int
    exact: float
    sure: float
    sure_but_wrong: float
    error: float
    asked: float


def draw_cases(seed: int, each: int) -> list[Case]:
    """Draw and read `each` displays of every screen and level; Tesseract is asked about many at once."""
    cases = []
    for number in range(each):
        drawn = []
        for a, screen in enumerate((*SCREENS, OTHER_FACES)):
            for b, level in enumerate(LEVELS):
                image, corners, text, mask = _draw(np.random.default_rng([seed, a, b, number]), screen, level)
                drawn.append((screen, level, text, look(rectify(image, corners), [Mask.parse(mask)], tuple(STATUS_DEFAULTS))))
        found = ask([page for *_, sight in drawn for page in sight.pages], _TIMEOUT_S)
        first_page = 0
        for screen, level, text, sight in drawn:
            pages = range(first_page, first_page + len(sight.pages))
            first_page += len(sight.pages)
            cases.append(Case(screen, level, text, sight.with_pages([found[page] for page in pages if page in found])))
    return cases


def _draw(rng: np.random.Generator, screen: str, level: str) -> tuple[np.ndarray, Corners, str, str]:
    if screen == OTHER_FACES:
        return draw_other_face(rng, level)
    shown = draw_text(rng, next(one for one in SCREENS if one == screen), level)
    first, second, third, fourth = ((float(x), float(y)) for x, y in shown.corners)
    return shown.image, (first, second, third, fourth), shown.text, shown.mask


def draw_other_face(rng: np.random.Generator, level: str) -> tuple[np.ndarray, Corners, str, str]:
    """Draw a number in a typeface; give the photo (uint8, BGR), its marked corners [px], the text and the mask."""
    text, mask = random_number(rng)
    hardness, (low, high) = LEVELS[level], HEIGHTS[level]
    tall = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    font = ImageFont.truetype(_typeface(str(rng.choice(_TYPEFACES))), round(3 * tall / 0.7))  # drawn three times as large
    left, top, right, bottom = font.getbbox(text)
    room = round(3 * tall)
    page = Image.new("L", (round(right - left) + 2 * room, round(bottom - top) + 2 * room))
    ImageDraw.Draw(page).text((room - left, room - top), text, fill=255, font=font)
    columns, rows = page.width / 3, page.height / 3
    square = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32)
    seen = square + np.float32(0.012 * hardness.tilt_deg * tall) * rng.uniform(-1, 1, (4, 2)).astype(np.float32)
    loose = tall * rng.uniform(0.05, 0.2, 4)
    box = np.array([[room / 3, room / 3], [columns - room / 3, rows - room / 3]]) + np.array([-loose[:2], loose[2:]])
    marked = np.array([[box[0], [box[1, 0], box[0, 1]], box[1], [box[0, 0], box[1, 1]]]], np.float32)
    turned = cv2.getPerspectiveTransform(square, seen)
    ink = cv2.warpPerspective(
        np.asarray(page, np.float32) / 255, turned @ np.diag([1 / 3, 1 / 3, 1.0]), (round(columns), round(rows))
    )
    ink = cv2.GaussianBlur(ink, (0, 0), float(rng.uniform(0.5, 1.0)) * hardness.blur_px)[..., None]
    ground, lit = rng.uniform(0, 60, 3), rng.uniform(150, 255, 3)
    if rng.random() < 0.5:
        ground, lit = lit, ground
    light = rng.uniform(hardness.darkest, 1)
    image = light * (ground + (lit - ground) * ink) + rng.normal(0, hardness.noise, (*ink.shape[:2], 3))
    first, second, third, fourth = ((float(x), float(y)) for x, y in cv2.perspectiveTransform(marked, turned)[0])
    return np.clip(np.rint(image), 0, 255).astype(np.uint8), (first, second, third, fourth), text, mask


def _typeface(name: str) -> str:
    found = find_spec("matplotlib")
    if found is None or found.origin is None:
        raise ModuleNotFoundError("matplotlib is missing, whose typefaces are drawn here; install frametally again")
    return str(Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / f"{name}.ttf")


def fit(cases: Sequence[Case]) -> Weights:
    """Find the weights under which the truth is likeliest, with and without Tesseract; the truth may be none of the texts."""
    quick = [(replace(case.heard, said=()), case.truth) for case in cases]
    slow = [(case.heard, case.truth) for case in cases if case.heard.said]
    return Weights(_likeliest(quick, _QUICK), _likeliest(slow, _QUICK + 2), SLIP, round(1 - 1 / len(cases), 6))


def _likeliest(heard: Sequence[tuple[Heard, str]], count: int) -> tuple[float, ...]:
    """Fit the first `count` features: a conditional logit, a little shrunk."""
    seen = [voices.features(SLIP)[:, :count] for voices, _ in heard]
    truth = [voices.texts.index(text) if text in voices.texts else len(voices.texts) for voices, text in heard]

    start = np.zeros(count)
    start[0] = 1.0

    def surprise(weights: np.ndarray) -> float:
        scores = [features @ weights for features in seen]
        lost = sum(float(np.logaddexp.reduce(one)) - float(one[at]) for one, at in zip(scores, truth, strict=True))
        return lost + _RIDGE / 2 * float(((weights - start) ** 2).sum())

    return tuple(round(float(weight), 4) for weight in minimize(surprise, start, method="L-BFGS-B").x)


def with_all(heard: Heard, weights: Weights) -> Answer:
    """Read as `read_text` does: Tesseract counts only where the quick voices do not settle it."""
    quick = without_tesseract(heard, weights)
    return quick if is_settled(heard, quick) else weigh(heard, weights)


def without_tesseract(heard: Heard, weights: Weights) -> Answer:
    """Read as where Tesseract is missing."""
    return weigh(replace(heard, said=()), weights)


def judge(cases: Sequence[Case], weights: Weights, read: Callable[[Heard, Weights], Answer] = with_all) -> Figures:
    """Judge the weights on cases they were not fitted on."""
    answers = [read(case.heard, weights) for case in cases]
    right = np.array([answer.text == case.truth for answer, case in zip(answers, cases, strict=True)])
    p = np.array([answer.confidence for answer in answers])
    error = sum(
        len(part) / len(cases) * abs(float(right[part].mean()) - float(p[part].mean()))
        for part in np.array_split(np.argsort(p, kind="stable"), 10)
        if len(part)
    )
    sure = p >= SURE
    settled = [is_settled(case.heard, without_tesseract(case.heard, weights)) for case in cases]
    asked = 1 - float(np.mean(settled)) if read is with_all else 0.0
    return Figures(len(cases), float(right.mean()), float(sure.mean()), float((sure & ~right).mean()), float(error), asked)


def main(words: list[str] | None = None) -> int:
    """Fit on one half of the displays, judge on the other, write both."""
    parser = argparse.ArgumentParser(prog="python -m frametally.train.texts", description="Weigh the readers of text displays.")
    parser.add_argument("--out", type=Path, required=True, help="folder for text.json; made if missing")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--each", type=int, default=120, help="displays of every screen and level, half of them to judge with")
    chosen = parser.parse_args(words)
    if not tesseract_version():
        parser.error("Tesseract is missing; install it (Debian: tesseract-ocr) and run this again")
    cases = draw_cases(chosen.seed, chosen.each)
    half = len(cases) // 2
    weights = fit(cases[:half])
    figures = {read.__name__: judge(cases[half:], weights, read) for read in (with_all, without_tesseract)}
    print(figures, file=sys.stderr)
    written = {
        **asdict(weights),
        "recipe": {"seed": chosen.seed, "each": chosen.each, "tesseract": tesseract_version()},
        "held_out": {name: {key: round(value, 5) for key, value in asdict(held).items()} for name, held in figures.items()},
    }
    chosen.out.mkdir(parents=True, exist_ok=True)
    (chosen.out / "text.json").write_text(json.dumps(written, indent=2) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
