"""Takes what a display shows and a random generator; gives its face as flat layers: lit bars, unlit bars, print, frame.

Lengths are in texture pixels; the digits are `tall` of them high.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.practice.glyphs import Layout, Place, Shape, bars_of, lay_out, outline, place_polygons
from frametally.practice.matrix import Print, paste_sign, printed_sign
from frametally.practice.paint import fill_convex
from frametally.practice.styles import random_shape
from frametally.practice.text import random_text_shape
from frametally.train.contents import BARS_OF, Content

Layer = NDArray[np.uint8]

TEXT_SHARE = 0.12
"""Share of the faces that have dots or printed digits instead of seven segments."""

UNITS = (
    "C",
    "F",
    "%",
    "ppm",
    "RH",
    "CO",
    "O2",
    "MAX",
    "AM",
    "PM",
    "V",
    "mA",
    "Pa",
    "kg",
    "%RH",
    "CO2",
    "min",
    "LEL",
    "H2S",
    "mg",
    "psi",
)


@dataclass(frozen=True)
class Face:
    """A display's face: uint8 layers of one shape, 255 where the layer is full; `outline` and `bright` the corner points of all
    places and of the lit bars, shape (points, 2); `lean` how far the top stands to the right, over the height."""

    lit: Layer
    unlit: Layer
    printed: Layer
    frame: Layer
    outline: NDArray[np.float32]
    bright: NDArray[np.float32]
    lean: float
    tall: float


def draw_shape(rng: np.random.Generator) -> Shape:
    """Draw a digit shape: `practice`'s range, half the time stretched beyond it."""
    shape = random_shape(rng)
    if rng.random() < 0.5:
        thickness = float(rng.uniform(0.065, 0.21))
        shape = replace(
            shape,
            thickness=thickness,
            gap=float(rng.choice([0.0, rng.uniform(0.0, 0.05)])),
            slant_deg=float(rng.choice([0.0, rng.uniform(-3, 16)])),
            aspect=float(rng.uniform(max(0.4, 2.6 * thickness), 0.75)),
            pitch=float(rng.uniform(1.16, 2.0)),
            point_room=float(rng.choice([0.0, rng.uniform(0.0, 0.4)])),
            sign_width=float(rng.uniform(0.35, 1.0)),
        )
    return shape


def draw_face(content: Content, rng: np.random.Generator, tall: float, *, uneven: float, text_share: float = TEXT_SHARE) -> Face:
    """Draw a face; `uneven` (0 to 1) is how much the bars' and places' light varies, as on multiplexed or poor displays.

    A `text_share` of those contents that dots and print show with the same signs has such a face.
    """
    in_text = rng.random() < text_share and content.plain
    shape = random_text_shape(rng) if in_text else draw_shape(rng)
    small = bool(rng.random() < 0.4)
    shape = replace(shape, half_last=float(rng.uniform(0.45, 0.8))) if small else shape
    layout = lay_out(content.mask, shape, small_last=small)
    if rng.random() < 0.4:
        layout = _jittered(layout, rng)
    room = rng.uniform(0.5, 0.9, 4) * tall
    points = outline(layout)
    left, top = room[0] - points[:, 0].min() * tall, room[1] - points[:, 1].min() * tall
    width = int(room[0] + room[2] + np.ptp(points[:, 0]) * tall)
    height = int(room[1] + room[3] + np.ptp(points[:, 1]) * tall)
    origin = np.array([left, top], np.float32)
    lit, unlit, printed, frame = (np.zeros((height, width), np.uint8) for _ in range(4))
    bright = _paint_places(content, layout, rng, tall, origin, uneven, lit, unlit)
    around = points * np.float32(tall) + origin
    _paint_print(printed, lit, around, rng, tall)
    _paint_frame(frame, around, rng, tall)
    if small and rng.random() < 0.8:
        _paint_unit_above(lit if rng.random() < 0.8 else printed, layout, origin, rng, tall)
    if rng.random() < 0.2:
        _paint_neighbours(lit, shape, around, rng, tall)
    lean = float(np.tan(np.radians(shape.slant_deg)))
    return Face(lit, unlit, printed, frame, around, bright if len(bright) else around, lean, tall)


def _jittered(layout: Layout, rng: np.random.Generator) -> Layout:
    """Move places a little, as real digits do not keep a perfect pitch, and make points larger or smaller."""
    spread = layout.shape.aspect * (layout.shape.pitch - 1) * 0.2
    places, drift = [], 0.0
    grown = float(rng.uniform(0.75, 1.5))
    for place in layout.places:
        drift += float(np.clip(rng.normal(0, 0.4), -1, 1)) * spread if place.kind == "#" else 0.0
        if place.kind in ".:":
            size = place.width * grown
            low = float(rng.uniform(-0.02, 0.1)) if place.kind == "." else 0.0
            places.append(Place(place.kind, place.x + drift + (place.width - size) / 2, 1 - size + low, size, size))
        else:
            places.append(replace(place, x=place.x + drift))
    return Layout(tuple(places), layout.width + drift, layout.shape)


def _bars(character: str, shape: Shape) -> str:
    """Give the lit bars or dots of a sign in this maker's drawing."""
    if shape.face is not None:
        return bars_of(character, shape)
    bars = BARS_OF[character]
    if character == "6" and not shape.tailed_six:
        return bars.replace("a", "")
    if character == "9" and not shape.tailed_nine:
        return bars.replace("d", "")
    return bars + "f" if character == "7" and shape.hooked_seven else bars


def _paint_places(
    content: Content,
    layout: Layout,
    rng: np.random.Generator,
    tall: float,
    origin: NDArray[np.float32],
    uneven: float,
    lit: Layer,
    unlit: Layer,
) -> NDArray[np.float32]:
    """Paint every place's bars on the lit or the unlit layer, in place; give the corner points of the lit ones."""
    characters, marks = iter(content.characters), iter(content.marked)
    pale = float(rng.uniform(0.35, 1.0)) if rng.random() < 0.25 else 1.0
    bright = [np.zeros((0, 2), np.float32)]
    for place in layout.places:
        level = 255 * (1 - uneven * rng.uniform(0, 0.6))
        if place.kind == "#":
            character = next(characters)
            on = _bars(character, layout.shape)
            if isinstance(layout.shape.face, Print):
                bright += _paint_printed(lit, layout.shape.face, character, place, tall, origin)
                continue
        elif place.kind == "-":
            on = "-" if content.signed else ""
        else:
            on, level = place.kind if next(marks) else "", level * pale
        for name, polygon in place_polygons(place, layout.shape).items():
            points = polygon * np.float32(tall) + origin
            if name[0] in on:
                bright.append(points)
                fill_convex(lit, points, int(level * (1 - uneven * rng.uniform(0, 0.35))))
            else:
                fill_convex(unlit, points, int(rng.uniform(200, 255)))
    return np.concatenate(bright)


def _paint_printed(
    lit: Layer, face: Print, character: str, place: Place, tall: float, origin: NDArray[np.float32]
) -> list[NDArray[np.float32]]:
    """Lay a printed sign on the layer, in place; give the corners of its box, none where it is blank."""
    if character == " ":
        return []
    left, top = place.x * tall + origin[0], place.y * tall + origin[1]
    width, height = place.width * tall, place.height * tall
    paste_sign(lit, printed_sign(character, face, height), float(left + width / 2), float(top))
    return [np.array([[left, top], [left + width, top + height]], np.float32)]


def _paint_print(printed: Layer, lit: Layer, around: NDArray[np.float32], rng: np.random.Generator, tall: float) -> None:
    """Print units and labels around the digits, in place; some are shown by the display itself."""
    left, top = around.min(axis=0)
    right, bottom = around.max(axis=0)
    for _ in range(int(rng.integers(0, 4))):
        target = lit if rng.random() < 0.4 else printed
        word = str(rng.choice(UNITS))
        size = float(rng.uniform(0.14, 0.32)) * tall
        side = int(rng.integers(0, 5))
        if side < 2:
            at = (float(rng.uniform(left, right)), top - rng.uniform(0.06, 0.3) * tall)
        elif side < 3:
            at = (float(rng.uniform(left, right)), bottom + size + rng.uniform(0.06, 0.3) * tall)
        else:
            at = (right + rng.uniform(0.08, 0.3) * tall, float(rng.uniform(top + size, bottom)))
        font = int(
            rng.choice([cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_PLAIN, cv2.FONT_HERSHEY_COMPLEX])
        )
        scale = size / (10.0 if font == cv2.FONT_HERSHEY_PLAIN else 21.0)
        stroke = max(1, round(size * rng.uniform(0.08, 0.22)))
        cv2.putText(target, word, (round(float(at[0])), round(float(at[1]))), font, scale, 255, stroke, cv2.LINE_AA)
        if rng.random() < 0.3:  # a degree sign, a lamp or the like
            centre = (round(float(at[0]) - 0.3 * size), round(float(at[1]) - 0.8 * size))
            cv2.circle(target, centre, max(2, round(0.2 * size)), 255, stroke if rng.random() < 0.7 else -1, cv2.LINE_AA)


def _paint_unit_above(target: Layer, layout: Layout, origin: NDArray[np.float32], rng: np.random.Generator, tall: float) -> None:
    """Write a unit into the room above the small digits, in place: in bars of its own, or in letters."""
    small = [place for place in layout.digits if place.height < 0.95]
    if not small:
        return
    lean = layout.shape.slant_deg
    room = 1 - small[0].height
    height = room * float(rng.uniform(0.55, 0.92))
    top = float(rng.uniform(0.0, 1.0)) * (room - height) * 0.6
    left, right = small[0].x, small[-1].x + small[-1].width
    corner = origin + np.array([np.tan(np.radians(lean)) * tall * (1 - top - height), 0], np.float32)
    at = left + float(rng.uniform(-0.1, 0.5)) * (right - left)
    if rng.random() < 0.6:
        width = min(height * float(rng.uniform(0.45, 0.7)), right - left)
        shape = replace(layout.shape, face=None, thickness=float(rng.uniform(0.08, 0.2)), gap=float(rng.uniform(0.01, 0.05)))
        place = Place("#", 0.0, 0.0, width / height, 1.0)
        bars = BARS_OF[str(rng.choice(list("CCCFFPhH")))]
        for name, polygon in place_polygons(place, shape).items():
            if name in bars:
                fill_convex(target, polygon * np.float32(height * tall) + corner + np.array([at * tall, top * tall], np.float32))
        ring = corner + np.array([at * tall - 0.1 * height * tall, (top + 0.15 * height) * tall], np.float32)
        cv2.circle(
            target, (round(float(ring[0])), round(float(ring[1]))), max(1, round(0.12 * height * tall)), 255, 1, cv2.LINE_AA
        )
    else:
        size = height * tall * float(rng.uniform(0.6, 1.0))
        where = corner + np.array([at * tall, top * tall + size], np.float32)
        stroke = max(1, round(size * rng.uniform(0.08, 0.2)))
        word = str(rng.choice(UNITS))
        cv2.putText(
            target,
            word,
            (round(float(where[0])), round(float(where[1]))),
            cv2.FONT_HERSHEY_SIMPLEX,
            size / 21.0,
            255,
            stroke,
            cv2.LINE_AA,
        )


def _paint_frame(frame: Layer, around: NDArray[np.float32], rng: np.random.Generator, tall: float) -> None:
    """Paint what lies beyond the display's window, in place; on some faces the window has a line around it besides."""
    if rng.random() < 0.6:
        return
    near = rng.uniform(0.07, 0.6, 4) * tall
    (left, top), (right, bottom) = around.min(axis=0) - near[:2], around.max(axis=0) + near[2:]
    box = ((round(float(left)), round(float(top))), (round(float(right)), round(float(bottom))))
    if rng.random() < 0.6:
        frame[:] = 255
        cv2.rectangle(frame, *box, 0, -1)
    else:
        cv2.rectangle(frame, *box, 255, max(1, round(tall * rng.uniform(0.015, 0.08))), cv2.LINE_AA)


def _paint_neighbours(lit: Layer, shape: Shape, around: NDArray[np.float32], rng: np.random.Generator, tall: float) -> None:
    """Paint another row of digits above or below, whose edge a loosely marked region takes in, in place."""
    size = tall * float(rng.uniform(0.4, 1.0))
    layout = lay_out("#" * int(rng.integers(2, 6)), shape)
    left = float(rng.uniform(around[:, 0].min() - 0.5 * tall, around[:, 0].max() - 0.5 * size))
    distance = float(rng.uniform(0.16, 0.5)) * tall
    top = around[:, 1].max() + distance if rng.random() < 0.5 else around[:, 1].min() - distance - size
    corner = np.array([left, top], np.float32)
    for place in layout.digits:
        digit = str(rng.integers(0, 10))
        if isinstance(shape.face, Print):
            _paint_printed(lit, shape.face, digit, place, size, corner)
            continue
        on = _bars(digit, shape)
        for name, polygon in place_polygons(place, shape).items():
            if name in on:
                fill_convex(lit, polygon * np.float32(size) + corner)
