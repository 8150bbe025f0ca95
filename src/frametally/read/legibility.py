"""Takes a photo and one display in it; gives what decides whether its digits can be read: height, blur, contrast, noise, light.

The figures are measured where the reader finds the digits, in pixels of the photo and in shares of the step from unlit to lit, so
that displays of all kinds can be held against one table (`read.expectation`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from frametally.model import Corners, Display
from frametally.read.layout import HEIGHT, SMALL, Mask
from frametally.read.line import find_line
from frametally.read.places import LEVEL_BAR, Fit, find_places, levelled
from frametally.read.reader import study
from frametally.read.rectify import PAD, Ink, Strip, ink_of, rectify
from frametally.read.segments import Bars, measure
from frametally.read.tightness import Tightness, tightness

GLARE_STEP, GLARE_SHARE, GLARE_LEVELS = 0.5, 0.3, 25.0
"""Ground counts as glare where it is brighter than usual by half the step from unlit to lit; but at least by this share of
itself (dark segments: a lamp is never quite even) or by so many grey levels (bright ones). Common practice, no source."""

_SPARE = 0.5
"""The noise is also measured this far around the region, over its height."""

_SMALLER = 0.9
"""Digits behind the point count as smaller ones below this share of the others' height."""

_ALONG, _STEP = 24, 0.25
_RISE = 1.349
"""Between a quarter and three quarters of a step softened by a Gaussian lie 1.349 of its standard deviations."""


@dataclass(frozen=True)
class Legibility:
    """What decides how well one display can be read.

    `height_px` the height of the smallest digits; `stroke_px` the thickness of their bars; `blur_px` how far edges are spread,
    as the standard deviation of a Gaussian; all in pixels of the photo, None where no digits show. `contrast` how far lit
    bars stand off, as a share of the ground's brightness (dark segments) or of the full scale (bright ones); `step` the same in
    grey levels; `noise` the camera's noise as a share of that step; `glare` and `clipped` the shares of the region that are far
    brighter than the usual ground, and white to the camera. `dark` whether the segments are darker than the ground; `boxes`
    the corners of every digit place that shows a digit [px of the photo]; `tight` where ink runs over the region's edges.
    """

    height_px: float | None
    stroke_px: float | None
    blur_px: float | None
    contrast: float
    step: float
    noise: float
    glare: float
    clipped: float
    dark: bool
    boxes: tuple[Corners, ...]
    tight: Tightness


def inspect(image: np.ndarray, corners: Corners, display: Display, text: str, others: Sequence[Corners] = ()) -> Legibility:
    """Measure one display.

    Parameters
    ----------
    image : uint8, shape (rows, columns, 3), BGR
    corners : where the display is in this photo, clockwise from the digits' own top left [px]
    display : its calibration
    text : what was read there; "" where nothing was
    others : where other displays are in this photo
    """
    strip = rectify(image, corners)
    if display.kind == "text":
        return _of_text(image, corners, strip, display, others)
    fit, mask, shown = _fit(strip, display, text)
    bars = measure(fit, mask)
    lit = shown if shown is not None else np.asarray(bars.lit > 0.5 * bars.level)
    digits = np.asarray(lit.any(axis=1))
    seen = bool(text) and bool(digits.any())
    contrast = fit.ink.contrast * bars.level
    step = _step(fit.ink, contrast)
    small = float(fit.layout[SMALL]) if mask.after and fit.layout[SMALL] < _SMALLER else 1.0
    return Legibility(
        float(fit.layout[HEIGHT]) * small / strip.scale if seen else None,
        float(bars.stroke.min()) / strip.scale if seen else None,
        edge_spread(fit.ink, bars, lit) / strip.scale if seen else None,
        contrast,
        step,
        _noise(image, corners, strip) / max(step, 1.0),
        _glare(fit.ink, step),
        float(strip.clipped[PAD:-PAD, PAD:-PAD].mean()),
        fit.ink.dark,
        _boxes(strip, corners, bars, digits) if seen else (),
        tightness(image, corners, dark=fit.ink.dark, sign=mask.sign, others=others),
    )


def _fit(strip: Strip, display: Display, text: str) -> tuple[Fit, Mask, np.ndarray | None]:
    """Give where the digits lie, and which bars are lit where they spell the text that was read."""
    sight = study(strip, display, None, text) if text else None
    if sight is not None:
        ink = levelled(ink_of(strip, dark=sight.dark))
        return Fit(sight.layout, ink, sight.gain), Mask.parse(sight.mask), sight.shape
    fits = [(find_places(strip, mask), mask) for mask in map(Mask.parse, display.masks)]
    fit, mask = max(fits, key=lambda pair: pair[0].gain)
    return fit, mask, None


def _of_text(image: np.ndarray, corners: Corners, strip: Strip, display: Display, others: Sequence[Corners]) -> Legibility:
    inks = [ink_of(strip, dark=dark) for dark in (True, False)]
    ink = max(inks, key=lambda one: one.contrast * one.likely)
    line = find_line(ink)
    step = _step(ink, ink.contrast)
    return Legibility(
        None if line is None else line.height / strip.scale,
        None,
        None,
        ink.contrast,
        step,
        _noise(image, corners, strip) / max(step, 1.0),
        _glare(ink, step),
        float(strip.clipped[PAD:-PAD, PAD:-PAD].mean()),
        ink.dark,
        (),
        tightness(image, corners, dark=ink.dark, sign=any(mask.startswith("-") for mask in display.masks), others=others),
    )


def _step(ink: Ink, contrast: float) -> float:
    """Give how far lit bars stand off the ground. [grey levels]"""
    return contrast * (ink.usual if ink.dark else 255.0)


def _glare(ink: Ink, step: float) -> float:
    """Give the share of the region whose ground is much brighter than usual."""
    least = GLARE_SHARE * ink.usual if ink.dark else GLARE_LEVELS
    most = 0.7 * (255.0 - ink.usual)  # on a ground that is bright anyway, less than a whole step is left up to white
    ground = ink.ground[PAD:-PAD, PAD:-PAD]
    return float((ground - ink.usual > min(max(GLARE_STEP * step, least), most)).mean())


def _noise(image: np.ndarray, corners: Corners, strip: Strip) -> float:
    """Give the standard deviation of the photo's noise along the colour axis that carries the segments. [grey levels]

    Immerkaer's mask, blind to level and slope (J. Immerkaer, Fast noise variance estimation, 1996; from memory), with the median
    in place of the mean: edges of bars do not count.
    """
    points = np.asarray(corners, np.float64)
    room = _SPARE * float(np.ptp(points[:, 1])) + 3
    left, top = np.maximum(np.floor(points.min(axis=0) - room), 0).astype(int)
    right, bottom = np.ceil(points.max(axis=0) + room).astype(int)
    part = image[top:bottom, left:right].astype(np.float32)
    if min(part.shape[:2]) < 5:
        return 0.0
    grey = part if part.ndim == 2 else strip.along_axis(part)
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    rough = cv2.filter2D(grey, cv2.CV_32F, mask)[1:-1, 1:-1]
    return float(np.median(np.abs(rough))) / 0.6745 / 6


def edge_spread(ink: Ink, bars: Bars, lit: np.ndarray) -> float:
    """Give how far the edges of lit bars are spread: the standard deviation of a Gaussian that would do it. [px of the strip]

    Across every lit bar, averaged along it, the way from three quarters of its ink to one quarter is measured on either side.
    Where no bar falls to a quarter before the next begins, the blur is at least a bar's own thickness, and that is given.
    """
    spreads = []
    for place, bar in np.argwhere(lit):
        stroke = float(bars.stroke[place])
        across = np.arange(0, 1.6 * stroke, _STEP)
        for way in (-1.0, 1.0):
            fall = _fall(_profile(ink.map, bars, int(place), int(bar), way * across))
            if fall is not None:
                spreads.append(fall * _STEP / _RISE)
    if not spreads:
        return float(bars.stroke.mean())
    return float(np.median(spreads))


def _profile(values: np.ndarray, bars: Bars, place: int, bar: int, across: np.ndarray) -> np.ndarray:
    """Give the mean ink along a bar at distances across it: shape of `across`."""
    share = np.linspace(0, bars.x.shape[2] - 1, _ALONG)
    known = np.arange(bars.x.shape[2])
    x, y = np.interp(share, known, bars.x[place, bar]), np.interp(share, known, bars.y[place, bar])
    shift_x, shift_y = (0.0, 1.0) if LEVEL_BAR[bar, 0] else (1.0, 0.0)
    column = (x[None] + shift_x * across[:, None]).astype(np.float32)
    row = (y[None] + shift_y * across[:, None]).astype(np.float32)
    return cv2.remap(values, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).mean(axis=1)


def _fall(profile: np.ndarray) -> float | None:
    """Give over how many samples a profile falls from three quarters of its top to one quarter, None where it does not."""
    peak = int(profile[: max(len(profile) // 3, 1)].argmax())
    top = float(profile[peak])
    below = np.flatnonzero(profile[peak:] < 0.25 * top)
    if top <= 0 or not below.size:
        return None
    end = peak + int(below[0])
    start = peak + int(np.flatnonzero(profile[peak : end + 1] >= 0.75 * top)[-1])
    return _crossing(profile, end - 1, 0.25 * top) - _crossing(profile, start, 0.75 * top)


def _crossing(profile: np.ndarray, index: int, level: float) -> float:
    high, low = float(profile[index]), float(profile[index + 1])
    return index + (high - level) / max(high - low, 1e-6)


def _boxes(strip: Strip, corners: Corners, bars: Bars, digits: np.ndarray) -> tuple[Corners, ...]:
    """Give the corners of every place that shows a digit. [px of the photo]"""
    rows, columns = strip.pixels.shape[0] - 2 * PAD, strip.pixels.shape[1] - 2 * PAD
    straight = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float32) + PAD
    back = cv2.getPerspectiveTransform(straight, np.asarray(corners, np.float32))
    boxes = []
    for place in np.flatnonzero(digits):
        room = float(bars.stroke[place])
        ends = [bars.x[place, :, [0, -1]].T, bars.y[place, :, [0, -1]].T]
        top, bottom = float(ends[1].min()) - room, float(ends[1].max()) + room
        head, foot = (bars.x[place, bar] for bar in (0, 3))
        box = [
            [head.min() - room, top], [head.max() + room, top], [foot.max() + room, bottom], [foot.min() - room, bottom],
        ]  # fmt: skip
        a, b, c, d = cv2.perspectiveTransform(np.array([box], np.float32), back)[0].astype(float).round(2).tolist()
        boxes.append((tuple(a), tuple(b), tuple(c), tuple(d)))
    return tuple(boxes)
