"""Takes a random generator; gives the empty cabin: a boarded wall, a shelf, and things that stand and hang about."""

from __future__ import annotations

import math

import cv2
import numpy as np

from frametally.practice.paint import (
    Mask,
    Picture,
    as_mask,
    bevel,
    blend,
    blur,
    ellipse_mask,
    grain,
    part_of,
    polygon_mask,
    rounded_points,
    shadow,
    wood,
    write,
)

VIEW = (1280, 960)
"""The view that the scene is laid out for: width, height. [px]"""

MARGIN = (240, 170)
"""How much further the cabin goes on each side, so that a knocked camera sees no edge. [px]"""

SHELF_BACK_Y, SHELF_FRONT_Y = 585, 905
WALLS = ((176, 200, 208), (186, 196, 186), (168, 186, 196), (96, 136, 178), (196, 190, 178))
SHELVES = ((44, 74, 128), (38, 58, 98), (70, 104, 148), (60, 84, 110))


def canvas_size() -> tuple[int, int]:
    """Give the width and height of the whole cabin picture."""
    return VIEW[0] + 2 * MARGIN[0], VIEW[1] + 2 * MARGIN[1]


def _wall(rng: np.random.Generator) -> Picture:
    width, height = canvas_size()
    paint = np.array(WALLS[int(rng.integers(len(WALLS)))], np.float32)
    wall = wood((height, width), rng, (1.0, 1.0, 1.0), upright=True)
    wall = (1 + (wall - 1) * 0.6) * paint
    wall *= grain((height, width), rng, (2, 2), 0.012)[..., None]
    x = -rng.uniform(0, 140)
    while x < width:
        board = rng.uniform(120, 175)
        left, right = max(0, round(x)), min(width, round(x + board))
        wall[:, left:right] *= rng.uniform(0.95, 1.04)
        for offset, factor in ((-3, 0.9), (-2, 0.6), (-1, 0.42), (0, 0.45), (1, 0.75), (2, 1.1), (3, 1.06)):
            if 0 <= right + offset < width:
                wall[:, right + offset] *= factor
        x += board
    return wall


def _shelf(cabin: Picture, rng: np.random.Generator) -> None:
    width = canvas_size()[0]
    back, front = SHELF_BACK_Y + MARGIN[1], SHELF_FRONT_Y + MARGIN[1]
    colour = SHELVES[int(rng.integers(len(SHELVES)))]
    top = wood((front - back, width), rng, colour, upright=False)
    top *= np.linspace(0.72, 1.12, front - back, dtype=np.float32)[:, None, None]
    cabin[back:front] = top
    edge = wood((34, width), rng, tuple(c * 0.7 for c in colour), upright=False)  # type: ignore[arg-type]
    edge *= np.linspace(1.5, 0.7, 34, dtype=np.float32)[:, None, None]
    cabin[front : front + 34] = edge
    cabin[front + 34 :] *= np.linspace(0.35, 0.6, len(cabin) - front - 34, dtype=np.float32)[:, None, None]
    cabin[back - 26 : back] *= np.linspace(1.0, 0.62, 26, dtype=np.float32)[:, None, None]
    cabin[back : back + 8] *= 0.75


def _porthole(cabin: Picture, x: float, y: float, radius: float, rng: np.random.Generator) -> None:
    shape: tuple[int, int] = cabin.shape[:2]
    ring = ellipse_mask(shape, (x, y), (radius, radius))
    shadow(cabin, ring, (14, 16), 14, 0.5)
    inner = ellipse_mask(shape, (x, y), (radius * 0.72, radius * 0.72))
    brass = np.array([70, 152, 198], np.float32) * rng.uniform(0.85, 1.1)
    part = part_of(ring)
    ys, xs = np.mgrid[part[0], part[1]].astype(np.float32)
    turn = np.arctan2(ys - y, xs - x)
    blend(cabin[part], (0.72 + 0.38 * np.cos(2 * (turn + 2.2)) ** 2)[..., None] * brass, ring[part])
    bevel(cabin, ring, 9, 1.6)
    blend(cabin, (38, 26, 22), inner)
    bevel(cabin, inner, 6, -2.0)
    for k in range(8):
        a = k * math.pi / 4 + 0.3
        centre = (round(x + radius * 0.86 * math.cos(a)), round(y + radius * 0.86 * math.sin(a)))
        cv2.circle(cabin, centre, round(radius * 0.05), (96, 176, 220), -1, cv2.LINE_AA)
        turned = (round(5 * math.cos(a * 3)), round(5 * math.sin(a * 3)))
        cv2.line(
            cabin,
            (centre[0] - turned[0], centre[1] - turned[1]),
            (centre[0] + turned[0], centre[1] + turned[1]),
            (20, 44, 60),
            1,
            cv2.LINE_AA,
        )


def _chart(cabin: Picture, x: float, y: float, rng: np.random.Generator) -> None:
    """Hang a framed sketch map of a waterway."""
    width, height = rng.uniform(230, 300), rng.uniform(180, 240)
    shape: tuple[int, int] = cabin.shape[:2]
    frame = polygon_mask(
        shape, rounded_points((x - width / 2 - 12, y - height / 2 - 12, x + width / 2 + 12, y + height / 2 + 12), 3)
    )
    shadow(cabin, frame, (8, 12), 9, 0.5)
    blend(cabin, (34, 48, 66), frame)
    bevel(cabin, frame, 4, 1.5)
    sheet = polygon_mask(shape, rounded_points((x - width / 2, y - height / 2, x + width / 2, y + height / 2), 1))
    blend(cabin, np.array([196, 214, 218], np.float32) * grain(shape, rng, (30, 30), 0.02)[..., None], sheet)
    for colour, thick in (((150, 120, 70), 5), ((110, 150, 120), 2), ((90, 90, 140), 2), ((120, 120, 120), 1)):
        xs = np.linspace(x - width / 2 + 8, x + width / 2 - 8, 40)
        wave = sum(rng.normal(0, height * 0.09) * np.sin((xs - x) / width * k * 3 + rng.uniform(0, 6)) for k in (1, 2, 3))
        line = np.stack([xs, np.clip(y + wave + rng.uniform(-0.2, 0.2) * height, y - height / 2 + 6, y + height / 2 - 6)], axis=1)
        cv2.polylines(cabin, [np.round(line).astype(np.int32)], False, colour, thick, cv2.LINE_AA)
    for word in ("lock 7", "winding hole", "water point"):
        write(cabin, word, (x + rng.uniform(-0.35, 0.1) * width, y + rng.uniform(-0.4, 0.4) * height), 13, (60, 60, 60))


def _rope(cabin: Picture, x: float, y: float, rng: np.random.Generator) -> None:
    """Hang a coil of rope on a hook."""
    shape: tuple[int, int] = cabin.shape[:2]
    cover = np.zeros(shape, np.uint8)
    layer = cabin.copy()
    colour = np.array([120, 170, 196]) * rng.uniform(0.8, 1.05)
    for k in range(6):
        radii = (58 + rng.uniform(-9, 9), 104 + rng.uniform(-12, 12))
        centre = (x + rng.uniform(-7, 7), y + 96 + rng.uniform(-6, 6))
        turns = np.linspace(0, 2 * math.pi, 200)
        loop = np.round(np.stack([centre[0] + radii[0] * np.cos(turns), centre[1] + radii[1] * np.sin(turns)], axis=1)).astype(
            np.int32
        )
        cv2.polylines(cover, [loop], True, 255, 13, cv2.LINE_AA)
        cv2.polylines(layer, [loop], True, (colour * 0.45).tolist(), 13, cv2.LINE_AA)
        cv2.polylines(layer, [loop], True, (colour * (0.82 + 0.04 * k)).tolist(), 10, cv2.LINE_AA)
        for point in loop[::4]:
            cv2.line(
                layer,
                (int(point[0]) - 4, int(point[1]) - 3),
                (int(point[0]) + 4, int(point[1]) + 3),
                (colour * 0.6).tolist(),
                1,
                cv2.LINE_AA,
            )
    mask = as_mask(cover)
    shadow(cabin, mask, (10, 12), 7, 0.5)
    blend(cabin, layer, mask)
    cv2.circle(cabin, (round(x), round(y - 6)), 9, (60, 110, 140), -1, cv2.LINE_AA)


def _card(cabin: Picture, x: float, y: float, lines: tuple[str, ...], rng: np.random.Generator) -> None:
    """Pin a printed card to the wall."""
    shape: tuple[int, int] = cabin.shape[:2]
    width, height = 26 + 9.2 * max(len(line) for line in lines), 24 + 24 * len(lines)
    card = polygon_mask(shape, rounded_points((x, y, x + width, y + height), 3))
    shadow(cabin, card, (4, 5), 4, 0.4)
    blend(cabin, np.array([206, 222, 226]) * rng.uniform(0.9, 1.0), card)
    for k, line in enumerate(lines):
        write(cabin, line, (x + 13, y + 24 + 24 * k), 18, (58, 52, 50))
    cv2.circle(cabin, (round(x + width / 2), round(y + 7)), 4, (50, 60, 190), -1, cv2.LINE_AA)


def mug_mask(shape: tuple[int, int], x: float, base: float, width: float, height: float) -> tuple[Mask, Mask]:
    """Give the masks of a mug's body and of its handle; `x` is its middle, `base` its foot."""
    half, dip = width / 2, width * 0.1
    turns = np.linspace(0, math.pi, 40)
    foot = np.stack([x + half * 0.94 * np.cos(turns), base - dip + dip * np.sin(turns)], axis=1)
    rim = np.stack([x - half * np.cos(turns), base - height + dip - dip * np.sin(turns)], axis=1)
    body = polygon_mask(shape, np.concatenate([foot, rim]))
    ring = np.zeros(shape, np.uint8)
    cv2.ellipse(
        ring,
        (round(x - half), round(base - height * 0.5)),
        (round(width * 0.3), round(height * 0.3)),
        0,
        70,
        290,
        255,
        round(width * 0.09),
        cv2.LINE_AA,
    )
    return body, as_mask(ring)


def paint_mug(picture: Picture, x: float, base: float, width: float, height: float, colour: tuple[int, ...]) -> Mask:
    """Paint an enamel mug in place and give the mask of what it hides."""
    shape: tuple[int, int] = picture.shape[:2]
    body, handle = mug_mask(shape, x, base, width, height)
    blend(picture, np.array(colour) * 0.8, handle)
    bevel(picture, handle, 4, 2.0)
    across = (np.arange(shape[1], dtype=np.float32) - x) / (width / 2)
    round_off = np.clip(1.05 - 0.55 * np.clip(across + 0.25, -2, 2) ** 2, 0.3, 1.1)
    blend(picture, np.array(colour, np.float32) * round_off[None, :, None], body)
    rim = (round(x), round(base - height + width * 0.1))
    cv2.ellipse(picture, rim, (round(width / 2), round(width * 0.1)), 0, 0, 360, (40, 40, 46), -1, cv2.LINE_AA)
    cv2.ellipse(
        picture, rim, (round(width / 2), round(width * 0.1)), 0, 0, 360, (110, 50, 36), max(2, round(width * 0.03)), cv2.LINE_AA
    )
    lip = ellipse_mask(shape, (rim[0], rim[1]), (width / 2 + 3, width * 0.1 + 3))
    return np.maximum(np.maximum(body, handle), lip)


def _books(cabin: Picture, left: float, base: float, rng: np.random.Generator) -> float:
    """Lay one or two books flat on the shelf; gives the height of the pile's top."""
    shape: tuple[int, int] = cabin.shape[:2]
    titles = ("waterways", "knots", "birds of the bank", "engines", "night skies")
    order = rng.permutation(len(titles))
    for k in range(int(rng.integers(1, 3))):
        height, length = rng.uniform(46, 62), rng.uniform(250, 330)
        x = left + rng.uniform(-10, 14)
        spine = polygon_mask(shape, rounded_points((x, base - height, x + length, base), 6))
        shadow(cabin, spine, (6, 10), 8, 0.5)
        colour = ((56, 44, 120), (110, 76, 44), (52, 92, 60), (40, 110, 150))[int(rng.integers(4))]
        blend(cabin, colour, spine)
        part = part_of(spine)
        cabin[part] *= grain(cabin[part].shape[:2], rng, (4, 4), 0.03)[..., None]
        bevel(cabin, spine, 6, 1.8)
        for edge in (14, 20):
            cv2.line(
                cabin,
                (round(x + edge), round(base - height + 3)),
                (round(x + edge), round(base - 3)),
                (110, 170, 190),
                1,
                cv2.LINE_AA,
            )
        write(cabin, titles[order[k]], (x + length / 2, base - height / 2), 24, (196, 214, 222), "mm")
        base -= height + (1 if k else 0)
    return base


def _small_things(cabin: Picture, dx: int, dy: int, rng: np.random.Generator) -> None:
    """Put a pencil and a matchbox at the shelf's front."""
    shape: tuple[int, int] = cabin.shape[:2]
    x, y = dx + rng.uniform(80, 240), dy + rng.uniform(815, 860)
    ends = np.array([[x, y], [x + rng.uniform(170, 220), y + rng.uniform(-22, 22)]])
    normal = np.array([-(ends[1] - ends[0])[1], (ends[1] - ends[0])[0]]) / np.linalg.norm(ends[1] - ends[0]) * 5.5
    shaft = polygon_mask(
        shape,
        np.array([ends[0] + normal, ends[1] + normal, ends[1] + (ends[1] - ends[0]) * 0.12, ends[1] - normal, ends[0] - normal]),
    )
    shadow(cabin, shaft, (3, 7), 3, 0.5)
    blend(cabin, ((70, 110, 40), (40, 60, 160), (40, 150, 200))[int(rng.integers(3))], shaft)
    bevel(cabin, shaft, 3, 1.5)
    left, top = dx + rng.uniform(480, 640), dy + rng.uniform(805, 840)
    box = polygon_mask(shape, np.array([[left, top], [left + 112, top - 4], [left + 126, top + 44], [left + 6, top + 50]]))
    shadow(cabin, box, (4, 8), 5, 0.5)
    blend(cabin, (70, 140, 200), box)
    bevel(cabin, box, 4, 1.5)
    write(cabin, "matches", (left + 62, top + 22), 22, (40, 40, 90), "mm")


def draw_cabin(rng: np.random.Generator, free_from_x: float) -> Picture:
    """Give the cabin without instruments; things that stand at the right begin at `free_from_x` in the view.

    The picture is `canvas_size()` wide and high; the view's own top left is at `MARGIN`.
    """
    dx, dy = MARGIN
    cabin = _wall(rng)
    _shelf(cabin, rng)
    left_side = rng.random() < 0.5
    big, small = (rng.uniform(300, 420), rng.uniform(900, 1040)) if left_side else (rng.uniform(880, 1000), rng.uniform(180, 300))
    if rng.random() < 0.55:
        _porthole(cabin, dx + big, dy + rng.uniform(160, 200), rng.uniform(150, 180), rng)
    else:
        _chart(cabin, dx + big, dy + rng.uniform(170, 220), rng)
    _rope(cabin, dx + small, dy + rng.uniform(40, 90), rng)
    cards = (("mind your head",), ("water tank", "fill on friday"), ("stove: riddle", "before bed"), ("lamp oil", "matches, tea"))
    _card(cabin, dx + rng.uniform(560, 640), dy + rng.uniform(60, 260), cards[int(rng.integers(len(cards)))], rng)
    top = _books(cabin, dx + max(free_from_x, 990), dy + rng.uniform(760, 800), rng)
    width = rng.uniform(130, 160)
    mug_x = dx + max(free_from_x, 990) + rng.uniform(130, 170)
    shape: tuple[int, int] = cabin.shape[:2]
    body, _ = mug_mask(shape, mug_x, top + 6, width, 190)
    shadow(cabin, body, (24, 6), 16, 0.45)
    mugs = ((206, 212, 214), (150, 110, 60), (70, 90, 170))
    paint_mug(cabin, mug_x, top + 6, width, rng.uniform(170, 210), mugs[int(rng.integers(len(mugs)))])
    _small_things(cabin, dx, dy, rng)
    return blur(cabin, 0.7)
