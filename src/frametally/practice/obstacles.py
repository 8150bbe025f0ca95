"""Takes a scene and a view; gives what comes between camera and displays: things in front, and lights mirrored in the glass.

Also says what is still readable under a mirrored light, bar by bar, so that the truth can name what no one could read.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.practice.cabin import paint_mug
from frametally.practice.camera import View, view_matrix
from frametally.practice.glyphs import bars_of, place_polygons, signs_of, spread
from frametally.practice.instruments import Pose
from frametally.practice.paint import (
    Mask,
    Picture,
    as_mask,
    bevel,
    blend,
    fill_convex,
    grain,
    polygon_mask,
    rounded_points,
    write,
)
from frametally.practice.scene import Pane, Plate, Scene, project
from frametally.practice.window import Spot, Window, light_window

COVERS = ("book", "mug", "towel")
COVER_WORDS = {"book": "a book", "mug": "a mug", "towel": "a towel"}


@dataclass(frozen=True)
class Cover:
    """Something in front of an instrument: what it reflects and what it hides, over the whole frame."""

    word: str
    reflected: Picture
    mask: Mask
    part: tuple[slice, slice]


def window_box(scene: Scene, number: int, view: View, poses: tuple[Pose, Pose]) -> tuple[float, float, float, float]:
    """Give the upright box (left, top, right, bottom) around a window in the frame. [px]"""
    window = scene.instruments[number].window
    corners = np.array([[0, 0], [window.width, 0], [window.width, window.height], [0, window.height]], np.float64)
    seen = project(scene.window_matrix(number, view, poses[number]), corners)
    return float(seen[:, 0].min()), float(seen[:, 1].min()), float(seen[:, 0].max()), float(seen[:, 1].max())


def draw_cover(scene: Scene, number: int, view: View, poses: tuple[Pose, Pose], rng: np.random.Generator) -> Cover:
    """Draw something that hides an instrument's whole window and leaves the other's alone."""
    left, top, right, bottom = window_box(scene, number, view, poses)
    scale = scene.size[0] / 1280
    wide = right - left > 1.3 * (bottom - top)
    kinds = [k for k in COVERS if not (k == "mug" and wide)]
    kind = kinds[int(rng.integers(len(kinds)))]
    spare = 13 * scale
    foot = project(view_matrix(view, scene.size), np.array([[poses[number].x, poses[number].y]], np.float64))[0, 1]
    floor = bottom + float(rng.uniform(70, 130)) * scale if kind == "towel" else float(foot + rng.uniform(8, 40) * scale)
    box = (left - spare, top - spare * float(rng.uniform(1, 2.5)), right + spare, floor)
    width, height = scene.size
    # Room around the box for a mug's rim, handle and foot.
    x0, y0 = max(0, int(box[0] - 90 * scale)), max(0, int(box[1] - 80 * scale))
    x1, y1 = min(width, int(box[2] + 40 * scale)), min(height, int(box[3] + 60 * scale))
    local = (box[0] - x0, box[1] - y0, box[2] - x0, box[3] - y0)
    picture = np.zeros((y1 - y0, x1 - x0, 3), np.float32)
    painter = {"book": _paint_book, "mug": _paint_tall_mug, "towel": _paint_towel}[kind]
    mask = painter(picture, local, rng)
    return Cover(COVER_WORDS[kind], np.clip(picture, 0, 250), mask, (slice(y0, y1), slice(x0, x1)))


def _paint_book(picture: Picture, box: tuple[float, float, float, float], rng: np.random.Generator) -> Mask:
    left, top, right, bottom = box
    shape: tuple[int, int] = picture.shape[:2]
    lean = rng.uniform(-4, 4)
    mask = polygon_mask(
        shape, np.array([[left - lean, top], [right + 2, top - lean / 2], [right + lean, bottom], [left - 2, bottom]])
    )
    colour = ((60, 52, 132), (120, 84, 52), (58, 96, 64), (48, 96, 150))[int(rng.integers(4))]
    picture[:] = np.array(colour, np.float32) * grain(shape, rng, (3, 3), 0.04)[..., None]
    inner = polygon_mask(shape, rounded_points((left + 22, top + 22, right - 22, bottom - 22), 8))
    blend(picture, np.array(colour) * 1.35, inner * 0.25)
    bevel(picture, mask, 4, 1.5)
    title = ("a winter afloat", "the slow canal", "engines at rest")[int(rng.integers(3))]
    write(
        picture,
        title,
        ((left + right) / 2, top + (bottom - top) * 0.3),
        max(14, round((right - left) * 0.1)),
        (190, 214, 224),
        "mm",
    )
    return mask


def _paint_tall_mug(picture: Picture, box: tuple[float, float, float, float], rng: np.random.Generator) -> Mask:
    left, top, right, bottom = box
    width = (right - left) * 1.06
    colour = ((208, 214, 216), (150, 112, 60), (80, 96, 176))[int(rng.integers(3))]
    # The box's upper corners must lie below the rim's round edge.
    return paint_mug(picture, (left + right) / 2, bottom + width * 0.05, width, bottom - top + width * 0.27, colour)


def _paint_towel(picture: Picture, box: tuple[float, float, float, float], rng: np.random.Generator) -> Mask:
    left, top, right, bottom = box
    shape: tuple[int, int] = picture.shape[:2]
    xs = np.linspace(left - 3, right + 3, 30)
    hem = bottom + 5 * np.sin(xs / 17.0 + rng.uniform(0, 6))
    outline = np.concatenate([np.stack([xs, np.full_like(xs, top)], axis=1), np.stack([xs, hem], axis=1)[::-1]])
    mask = polygon_mask(shape, outline)
    x = np.arange(shape[1], dtype=np.float32)
    folds = 1 + 0.09 * np.sin(x / rng.uniform(13, 22)) + 0.05 * np.sin(x / 7.0 + 2)
    picture[:] = np.array([198, 206, 210], np.float32) * folds[None, :, None] * grain(shape, rng, (2, 2), 0.03)[..., None]
    stripe = ((150, 80, 50), (60, 60, 170), (80, 130, 70))[int(rng.integers(3))]
    for share in (0.2, 0.26, 0.8, 0.86):
        y = round(top + (bottom - top) * share)
        blend(
            picture[max(0, y - 4) : y + 4],
            np.array(stripe) * folds[None, :, None],
            np.full((len(picture[max(0, y - 4) : y + 4]), shape[1]), 0.8, np.float32),
        )
    return mask


def lay_cover(out: Picture, cover: Cover, light: Picture) -> None:
    """Put a cover in front of the lit scene, in place."""
    part = out[cover.part]
    blend(part, cover.reflected * light[cover.part], cover.mask)


def covered_share(scene: Scene, key: str, view: View, poses: tuple[Pose, Pose], cover: Cover) -> float:
    """Give how much of a display's digit region a cover hides, 0 to 1."""
    hull = cv2.convexHull(scene.outline(key, view, poses).astype(np.float32))[:, 0]
    region = polygon_mask((scene.size[1], scene.size[0]), hull)
    return float((region[cover.part] * cover.mask).sum() / region.sum())


# --- mirrored lights -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Glare:
    """A light mirrored in a window: its middle and radii in the frame [px], how bright, and how hard its edge is (0 to 1)."""

    x: float
    y: float
    radius_x: float
    radius_y: float
    strength: float
    hardness: float


def glare_map(glare: Glare, part: tuple[slice, slice]) -> Mask:
    """Give the light a glare adds to a part of the frame. [0 to 255 and more]"""
    rows, columns = part
    y, x = np.mgrid[rows.start : rows.stop, columns.start : columns.stop].astype(np.float32)
    away = np.sqrt(((x - glare.x) / glare.radius_x) ** 2 + ((y - glare.y) / glare.radius_y) ** 2)
    soft = np.exp(-0.5 * (away * 1.25) ** 2)
    hard = 1 / (1 + np.exp(np.clip((away - 1) * 18, -30, 30)))
    return np.asarray(glare.strength * ((1 - glare.hardness) * soft + glare.hardness * hard), np.float32)


def aim_glare(scene: Scene, number: int, view: View, poses: tuple[Pose, Pose], rng: np.random.Generator) -> Glare:
    """Give a glare over one digit or two of one of an instrument's displays."""
    spots = scene.instruments[number].window.spots
    spot = spots[int(rng.integers(len(spots)))]
    digit = spot.layout.digits[-1 - int(rng.integers(min(2, len(spot.layout.digits))))]
    centre = spot.place(np.array([[digit.x + digit.width / 2, 0.5 + rng.uniform(-0.15, 0.15)]], np.float32))
    x, y = project(scene.window_matrix(number, view, poses[number]), centre)[0]
    tall = spot.height / 2 * scene.size[0] / 1280
    hardness = float(rng.choice([0.0, rng.uniform(0.7, 1)]))
    return Glare(
        x=float(x),
        y=float(y),
        radius_x=tall * float(rng.uniform(0.5, 1.0)),
        radius_y=tall * float(rng.uniform(0.55, 0.9)),
        strength=float(rng.uniform(320, 650)),
        hardness=hardness,
    )


def _all_bars(spot: Spot) -> list[tuple[int, str, NDArray[np.float32]]]:
    """Give every bar of a display: position number, name, polygon in the window."""
    return [
        (number, name, spot.place(polygon))
        for number, place in enumerate(spot.layout.places)
        for name, polygon in place_polygons(place, spot.layout.shape).items()
    ]


@dataclass(frozen=True)
class Visible:
    """How much of one bar tells lit from unlit, 0 to 1: at least faintly, and plainly."""

    faintly: float
    plainly: float


FAINT_LEVELS, PLAIN_LEVELS = 4, 14
"""Grey levels between lit and unlit that a keen eye finds in the noise, and that nobody misses (common practice, no source)."""


def visible_bars(window: Window, pane: Pane, glare: Glare, lamp_light: float) -> dict[tuple[str, int, str], Visible]:
    """Give for each bar (display, position, bar) how much of it can be seen under a glare."""
    shape = (window.height, window.width)
    every = np.zeros(shape, np.uint8)
    for spot in window.spots:
        for _, _, polygon in _all_bars(spot):
            fill_convex(every, polygon)
    on = as_mask(every)
    off: Mask = np.zeros(shape, np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    added = cv2.warpPerspective(glare_map(glare, pane.part), pane.matrix, shape[::-1], flags=flags)[..., None]
    seen = [
        np.minimum(reflected * lamp_light + given + added, 255)
        for reflected, given in (light_window(window, on, off), light_window(window, off, on))
    ]
    apart = np.abs(seen[0] - seen[1]).max(axis=2)
    bars = {}
    for spot in window.spots:
        for number, name, polygon in _all_bars(spot):
            bar = np.zeros(shape, np.uint8)
            fill_convex(bar, polygon)
            levels = apart[bar > 127]
            bars[(spot.key, number, name)] = Visible(float((levels > FAINT_LEVELS).mean()), float((levels > PLAIN_LEVELS).mean()))
    return bars


def _open_places(spot: Spot, text: str, told: set[tuple[int, str]]) -> tuple[bool, bool]:
    """Say whether a lit place, and whether a blank one, could show something else as far as the told bars go."""
    small = any(p.height < 1 for p in spot.layout.digits)
    characters, signed, _ = spread(text, spot.mask, words_left=small, known=signs_of(spot.layout.shape))
    remaining = iter(characters)
    lit_open, blank_open, leading = False, False, True
    for number, place in enumerate(spot.layout.places):
        if place.kind == "-":
            hidden = (number, "-") not in told
            lit_open, blank_open = lit_open or (hidden and signed), blank_open or (hidden and not signed)
        if place.kind != "#":
            continue
        shown = next(remaining)
        here = {name for position, name in told if position == number}
        bars = set(bars_of(shown, spot.layout.shape)) & here
        rivals = [c for c in "0123456789" if c != shown and set(bars_of(c, spot.layout.shape)) & here == bars]
        if shown != " " and leading and not bars:
            rivals.append(" ")
        if shown == " ":
            blank_open = blank_open or bool(rivals)
        else:
            lit_open, leading = lit_open or bool(rivals), False
    return lit_open, blank_open


def judge_glare(window: Window, bars: dict[tuple[str, int, str], Visible], texts: dict[str, str]) -> dict[str, bool] | None:
    """Give for each display whether a glare hides what its number needs; None where that is a matter of opinion.

    A keen eye tells a bar by a tenth of it, faint as it may be; a lazy one wants 45 % of it, and plain. Both must come to
    the same, and a hidden blank place alone must not be what decides.
    """
    verdicts: dict[str, bool] = {}
    for spot in window.spots:
        text = texts[spot.key]
        if not text:
            verdicts[spot.key] = False
            continue
        own = {(number, name): seen for (key, number, name), seen in bars.items() if key == spot.key}
        keen = _open_places(spot, text, {bar for bar, seen in own.items() if seen.faintly >= 0.10})
        lazy = _open_places(spot, text, {bar for bar, seen in own.items() if seen.plainly >= 0.45})
        if keen[0] != lazy[0] or (lazy[1] and not keen[0]):
            return None
        verdicts[spot.key] = keen[0]
    return verdicts


def settle_glare(
    scene: Scene, plate: Plate, number: int, glare: Glare, texts: dict[str, str], light: Picture
) -> tuple[Glare, dict[str, bool]]:
    """Give a glare like the wanted one that leaves no doubt about what it hides, and what that is."""
    pane, window = plate.panes[number], scene.instruments[number].window
    lamp_light = float(light[pane.part].mean())
    for bright, small in itertools.product((1.0, 1.6, 2.5, 0.6, 0.3, 0.15), (1.0, 0.8, 1.25)):
        tried = Glare(glare.x, glare.y, glare.radius_x * small, glare.radius_y * small, glare.strength * bright, glare.hardness)
        verdict = judge_glare(window, visible_bars(window, pane, tried, lamp_light), texts)
        if verdict is not None:
            return tried, verdict
    return Glare(glare.x, glare.y, glare.radius_x, glare.radius_y, 0.0, 0.0), dict.fromkeys(texts, False)


def lay_glare(out: Picture, glare: Glare, pane: Pane, colour: tuple[float, float, float]) -> None:
    """Add a mirrored light to one window of the lit scene, in place."""
    part = out[pane.part]
    part += (glare_map(glare, pane.part)[..., None] * np.array(colour, np.float32)) * pane.alpha
