"""Takes a random generator; gives one drawn display as a camera sees it, cut out as the reader does, and what is to be said.

Most are drawn here, in a range far wider than any maker's; the rest by `practice`, as the practice nights are. No photograph
goes into them, and no font but OpenCV's strokes and Pillow's own.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.model import Corners
from frametally.practice import Hardness, draw_number, random_style
from frametally.read.network import MOST_COLUMNS, SIGNS, STRIDE, prepare
from frametally.read.rectify import rectify
from frametally.train.contents import Content, draw_content
from frametally.train.faces import TEXT_SHARE, Face, draw_face

Picture = NDArray[np.float32]

PRACTICE_SHARE = 0.15


@dataclass(frozen=True)
class Crop:
    """One example: the net's input `planes` (uint8, as `network.prepare` gives them), the `said` signs, and the truth."""

    planes: NDArray[np.uint8]
    said: str
    mask: str
    text: str


@dataclass(frozen=True)
class Photo:
    """One drawn display as a camera saw it: `image` (BGR, uint8), the marked `corners`, the mask, the truth, the `said` signs."""

    image: NDArray[np.uint8]
    corners: Corners
    mask: str
    text: str
    said: str


def draw_photo(rng: np.random.Generator, practice_share: float = PRACTICE_SHARE, text_share: float = TEXT_SHARE) -> Photo:
    """Draw one display: a `practice_share` of plain numbers as in practice nights, a `text_share` of others in dots or print."""
    content = draw_content(rng)
    by_practice = rng.random() < practice_share and _is_plain(content)
    image, corners = _by_practice(content, rng) if by_practice else _by_camera(content, rng, text_share)
    return Photo(image, corners, content.mask, content.text, content.said)


def draw_crop(rng: np.random.Generator) -> Crop:
    """Draw one example. Those that the net could not say, since they have more signs than columns, are drawn anew."""
    while True:
        photo = draw_photo(rng)
        planes, said = prepare(rectify(photo.image, photo.corners)), photo.said
        repeats = sum(a == b for a, b in itertools.pairwise(said))
        if planes.shape[2] < MOST_COLUMNS and len(said) + repeats <= planes.shape[2] // STRIDE and all(s in SIGNS for s in said):
            return Crop(planes, said, photo.mask, photo.text)


def _is_plain(content: Content) -> bool:
    """Tell whether `practice` can draw this: numbers in their places, one mark at most, the sign in its own place."""
    bare = content.characters.strip()
    return bare.isdigit() and len(content.marked) <= 1 and all(content.marked) and content.said == content.text


def _by_practice(content: Content, rng: np.random.Generator) -> tuple[NDArray[np.uint8], Corners]:
    hardness = Hardness(
        float(rng.uniform(2, 10)), float(rng.uniform(0.6, 1.8)), float(rng.uniform(1, 8)), float(rng.uniform(0.12, 0.6))
    )
    unit = str(rng.choice(["", "ppm", "%", "°C", "RH"]))
    small = bool(rng.random() < 0.4)
    height = float(rng.uniform(18, 60))
    image, points = draw_number(
        content.text, random_style(rng), rng, height, mask=content.mask, unit=unit, small_last=small, hardness=hardness
    )
    return image, _as_corners(points)


def _as_corners(points: NDArray[np.float64]) -> Corners:
    a, b, c, d = ((float(x), float(y)) for x, y in points)
    return a, b, c, d


def _by_camera(content: Content, rng: np.random.Generator, text_share: float) -> tuple[NDArray[np.uint8], Corners]:
    height = float(np.exp(rng.uniform(np.log(15), np.log(80))))
    tall = float(np.clip(1.35 * height, 40, 88))
    emits = bool(rng.random() < 0.45)
    uneven = float(rng.uniform(0.2, 1.0)) if rng.random() < (0.4 if emits else 0.12) else float(rng.uniform(0, 0.15))
    face = draw_face(content, rng, tall, uneven=uneven, text_share=text_share)
    if not content.text and rng.random() < 0.85:  # off: what shows of the bars, if anything, would be read as eights
        face.unlit[:] = 0
    layers, matrix, _ = _seen(face, height, emits, rng)
    picture = _lit(layers, height, rng) if emits else _shaded(layers, rng)
    picture = _spoilt(picture, height, rng)
    image = _recorded(picture, height, rng)
    return image, _marked(face, matrix, height, rng)


def _seen(
    face: Face, height: float, emits: bool, rng: np.random.Generator
) -> tuple[Picture, NDArray[np.float64], tuple[int, int]]:
    """Bring the layers (lit, unlit, printed, frame, shadow or halo) into the camera's pixels, out of focus as it may be.

    Gives them as float32 of shape (rows, columns, 5), 0 to 1, with the homography from texture to photo.
    """
    rows, columns = face.lit.shape
    scale = height / face.tall
    if emits:
        quarter = cv2.resize(face.lit, (columns // 4 + 1, rows // 4 + 1), interpolation=cv2.INTER_AREA)
        fifth = cv2.resize(cv2.GaussianBlur(quarter, (0, 0), face.tall * float(rng.uniform(0.01, 0.05))), (columns, rows))
    else:
        move = np.array([[1, 0, rng.uniform(-0.07, 0.07)], [0, 1, rng.uniform(-0.02, 0.08)]]) * [[1, 1, face.tall]]
        fifth = cv2.GaussianBlur(
            cv2.warpAffine(face.lit, move, (columns, rows)), (0, 0), face.tall * float(rng.uniform(0.01, 0.04))
        )
    layers = cv2.merge([face.lit, face.unlit, face.printed, face.frame])
    blur = float(rng.choice([rng.uniform(0.004, 0.03), rng.uniform(0.02, 0.085)], p=[0.6, 0.4]))
    soft = max(blur * face.tall, 0.4 / scale)
    layers = cv2.GaussianBlur(layers, (0, 0), soft)
    if rng.random() < 0.12:
        layers = _smeared(layers, face.tall * float(rng.uniform(0.03, 0.15)), float(rng.uniform(0, np.pi)))
    corners = np.array([[0, 0], [columns, 0], [columns, rows], [0, rows]], np.float64)
    turn = float(rng.normal(0, 3.0)) if rng.random() < 0.85 else float(rng.uniform(-25, 25))
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    stretch = np.array([float(rng.uniform(0.85, 1.12)), 1.0])
    target = ((corners - [columns / 2, rows / 2]) * scale * stretch) @ np.array([[c, s], [-s, c]])
    target += rng.uniform(-0.06, 0.06, (4, 2)) * height
    target -= target.min(axis=0)
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), target.astype(np.float32))
    size = (int(np.ceil(target[:, 0].max())), int(np.ceil(target[:, 1].max())))
    merged = cv2.merge([layers, fifth])
    warped = cv2.warpPerspective(merged, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return warped.astype(np.float32) * np.float32(1 / 255), matrix, size


def _smeared(layers: NDArray[np.uint8], length: float, angle: float) -> NDArray[np.uint8]:
    """Smear along a line, as a shaken camera does."""
    reach = max(1, round(length))
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    end = (round(reach + reach / 2 * np.cos(angle)), round(reach + reach / 2 * np.sin(angle)))
    start = (2 * reach - end[0], 2 * reach - end[1])
    cv2.line(kernel, start, end, 1.0, 1)
    return np.asarray(cv2.filter2D(layers, -1, kernel / kernel.sum()), np.uint8)


def _colour(rng: np.random.Generator, level: float, tint: float) -> NDArray[np.float32]:
    return np.asarray(level * rng.uniform(1 - tint, 1 + tint, 3), np.float32)


def _gradient(shape: tuple[int, ...], rng: np.random.Generator, most: float) -> Picture:
    small = (1 + rng.uniform(-most, most, (3, 4))).astype(np.float32)
    return np.asarray(cv2.resize(small, shape[1::-1], interpolation=cv2.INTER_CUBIC), np.float32)[..., None]


def _shaded(layers: Picture, rng: np.random.Generator) -> Picture:
    """Give a display with dark digits on a lighter ground, lit by the room or from behind."""
    lit, unlit, printed, frame, cast = (layers[..., i : i + 1] for i in range(5))
    ground = _colour(rng, float(rng.uniform(35, 250)), float(rng.choice([0.12, 0.6])))
    ink = ground * float(rng.uniform(0, 0.25))
    contrast = float(rng.choice([rng.uniform(0.45, 1.0), rng.uniform(0.11, 0.45)], p=[0.6, 0.4]))
    ghost = float(rng.uniform(0, 0.22)) if rng.random() < 0.55 else 0.0
    dark = np.clip(contrast * (lit + ghost * unlit), 0, 1)
    picture = ground * (1 - dark) + ink * dark
    if rng.random() < 0.5:
        picture *= 1 - contrast * float(rng.uniform(0, 0.45)) * cast * (1 - lit)
    if rng.random() < 0.8:
        picture += (_colour(rng, float(rng.uniform(0, 255)), 0.2) - picture) * printed * float(rng.uniform(0.15, 0.95))
    picture += (_colour(rng, float(rng.uniform(5, 250)), 0.2) - picture) * frame
    return np.asarray(picture * _gradient(layers.shape, rng, float(rng.uniform(0, 0.35))), np.float32)


def _lit(layers: Picture, height: float, rng: np.random.Generator) -> Picture:
    """Give a display with bright digits on a darker ground: glowing ones, or a light LCD on a dark ground."""
    lit, unlit, printed, frame, halo = (layers[..., i : i + 1] for i in range(5))
    ground = _colour(rng, float(rng.choice([rng.uniform(3, 60), rng.uniform(40, 140)], p=[0.75, 0.25])), 0.35)
    hue = np.array(
        [(52, 52, 300), (92, 270, 92), (26, 160, 300), (262, 250, 244), (290, 150, 60), (205, 245, 110), (236, 228, 216)]
    )
    ink = np.asarray(hue[int(rng.integers(len(hue)))] * rng.uniform(0.85, 1.1, 3), np.float32)
    strength = float(rng.choice([rng.uniform(0.4, 1.6), rng.uniform(0.1, 0.4)], p=[0.65, 0.35]))
    ghost = float(rng.uniform(0, 0.2)) if rng.random() < 0.5 else 0.0
    glow = float(rng.uniform(0, 0.7)) if rng.random() < 0.6 else 0.05
    light = lit
    if rng.random() < 0.2:  # the camera catches a multiplexed display half way
        rows = np.arange(layers.shape[0], dtype=np.float32)[:, None, None]
        wave = 0.5 + 0.5 * np.sin(rows / height * float(rng.uniform(1, 9)) + float(rng.uniform(0, 6.3)))
        light = lit * (1 - float(rng.uniform(0.1, 0.65)) * wave)
    if rng.random() < 0.12:  # a fine mesh, as vacuum tubes have
        lines = np.ones((layers.shape[0], layers.shape[1], 1), np.float32)
        period = int(rng.integers(2, 6))
        lines[:, ::period] -= float(rng.uniform(0, 0.4))
        lines[::period] -= float(rng.uniform(0, 0.3))
        light = light * lines
    picture = ground + strength * ink * (light + glow * halo)
    if rng.random() < 0.15 and np.ptp(ink) > 60:  # in daylight the bars' pale bodies show, lit or not
        picture += _colour(rng, strength * float(rng.uniform(30, 190)), 0.06) * np.clip(lit + unlit, 0, 1)
    picture += strength * np.minimum(ink, 255) * ghost * float(rng.uniform(0.5, 1.0)) * unlit
    if rng.random() < 0.6:
        picture += (_colour(rng, float(rng.uniform(30, 250)), 0.2) - picture) * printed * float(rng.uniform(0.1, 0.8))
    picture += (_colour(rng, float(rng.uniform(3, 220)), 0.2) - picture) * frame
    return np.asarray(picture * _gradient(layers.shape, rng, float(rng.uniform(0, 0.2))), np.float32)


def _spoilt(picture: Picture, height: float, rng: np.random.Generator) -> Picture:
    """Lay glare, reflections, veils, dirt and scratches over a display."""
    rows, columns = picture.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    if rng.random() < 0.16:
        centre, reach = rng.uniform(0, 1, 2) * (columns, rows), rng.uniform(0.25, 1.6, 2) * height
        spot = np.exp(-(((x - centre[0]) / reach[0]) ** 2) - ((y - centre[1]) / reach[1]) ** 2)
        picture = picture + (spot * float(rng.uniform(15, 230)))[..., None]
    if rng.random() < 0.14:
        turn, at, wide = rng.uniform(0, np.pi), rng.uniform(-0.3, 0.3) * columns, rng.uniform(0.1, 0.9) * height
        across = (x - columns / 2) * np.cos(turn) + (y - rows / 2) * np.sin(turn) - at
        band = 1 / (1 + np.exp(-np.clip((wide - np.abs(across)) / (0.06 * height), -30, 30)))
        picture = picture + (band * float(rng.uniform(-35, 70)))[..., None]
    if rng.random() < 0.12:
        veil = float(rng.uniform(0.1, 0.6))
        picture = picture * (1 - veil) + veil * float(rng.uniform(60, 255))
    if rng.random() < 0.2:
        picture = picture.copy()
        for _ in range(int(rng.integers(1, 9))):
            at = (int(rng.uniform(0, columns)), int(rng.uniform(0, rows)))
            shade = [float(v) for v in np.clip(picture[at[1] - 1, at[0] - 1] * rng.uniform(0.5, 1.5), 0, 255)]
            if rng.random() < 0.7:
                cv2.circle(picture, at, max(1, round(height * rng.uniform(0.01, 0.05))), shade, -1, cv2.LINE_AA)
            else:
                end = (int(at[0] + rng.normal(0, 0.6) * height), int(at[1] + rng.normal(0, 0.6) * height))
                cv2.line(picture, at, end, shade, max(1, round(height * 0.02)), cv2.LINE_AA)
    return picture


def _recorded(picture: Picture, height: float, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Give what the camera writes: noise, sharpening, its tone curve, JPEG."""
    if rng.random() < 0.2:
        picture = picture * float(rng.uniform(0.3, 1.3))
    noise = float(rng.choice([rng.uniform(0.3, 3.0), rng.uniform(2.0, 9.0)], p=[0.6, 0.4]))
    grain = rng.standard_normal(picture.shape, dtype=np.float32) * np.float32(noise)
    if rng.random() < 0.4:  # a camera's own smoothing leaves blotches
        grain = cv2.GaussianBlur(grain, (0, 0), float(rng.uniform(0.5, 1.2))) * np.float32(1.6)
    picture = picture + grain
    if rng.random() < 0.3:
        picture = picture + (picture - cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.8, 2.0)))) * np.float32(
            rng.uniform(0.3, 1.5)
        )
    picture = np.clip(picture, 0, 255)
    if rng.random() < 0.3:
        picture = np.asarray(255 * (picture / 255) ** float(rng.uniform(0.6, 1.6)), np.float32)
    image = np.asarray(np.rint(picture), np.uint8)
    if rng.random() < 0.15:
        image = np.repeat(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)[..., None], 3, axis=2)
    if rng.random() < 0.6:
        _, packed = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(35, 97))])
        image = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)
    return image


def _marked(face: Face, matrix: NDArray[np.float64], height: float, rng: np.random.Generator) -> Corners:
    """Mark the region as people do: 3 % too tight to 25 % loose, following the slant more or less, never quite straight."""
    around = face.bright if rng.random() < 0.1 else face.outline
    follow = face.lean * float(rng.choice([0.0, 1.0, rng.uniform(0, 1)]))
    base = float(face.outline[:, 1].max())
    upright = around[:, 0] - follow * (base - around[:, 1])
    most = float(rng.choice([0.12, 0.25]))
    pads = rng.uniform(-0.03, most, 4) * face.tall
    left, right = upright.min() - pads[0], upright.max() + pads[1]
    top, bottom = around[:, 1].min() - pads[2], around[:, 1].max() + pads[3]
    if bottom - top < 0.6 * face.tall:  # a lone dash: nobody marks a region that flat
        top, bottom = face.outline[:, 1].min() - pads[2], base + pads[3]
    if right - left < 0.3 * face.tall:
        left, right = left - 0.15 * face.tall, right + 0.15 * face.tall
    box = [(left + follow * (base - top), top), (right + follow * (base - top), top), (right, bottom), (left, bottom)]
    box[2:] = [(x + follow * (base - bottom), y) for x, y in box[2:]]
    points = cv2.perspectiveTransform(np.asarray([box], np.float64), matrix)[0]
    points = points + rng.uniform(-0.025, 0.025, (4, 2)) * height
    return _as_corners(points)
