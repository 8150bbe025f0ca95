"""Takes a motion and a list of troubles, gives a drawn photo of a shelf with two instruments and where their displays lie.

Everything is drawn here, twice as large as it is shown, so that the places are known to a fraction of a pixel. It shares no
code with the rooms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from frametally.model import Calibration

WIDTH, HEIGHT, MARGIN, OVER = 1280, 960, 240, 2
CENTRE = (WIDTH / 2, HEIGHT / 2)

SEGMENTS = {
    "0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc", "5": "afgcd", "6": "afgedc", "7": "abc", "8": "abcdefg",
    "9": "abcdfg",
}  # fmt: skip

QUADS = {
    "co_ppm": [[800, 420], [920, 424], [917, 486], [797, 482]],
    "o2_pct": [[799, 516], [916, 520], [913, 582], [796, 578]],
    "temp_c": [[226, 560], [346, 556], [349, 620], [229, 624]],
    "rh_pct": [[384, 555], [464, 552], [467, 616], [387, 619]],
}
BODIES = {"hand-held": ("co_ppm", "o2_pct"), "wall unit": ("temp_c", "rh_pct")}
TEXTS = {"co_ppm": "12", "o2_pct": "209", "temp_c": "218", "rh_pct": "47"}


@dataclass(frozen=True)
class Motion:
    """Shift to the right and down [px], clockwise turn [°], factor; about `about`."""

    dx: float = 0.0
    dy: float = 0.0
    degrees: float = 0.0
    scale: float = 1.0
    about: tuple[float, float] = CENTRE

    def matrix(self) -> np.ndarray:
        cosine, sine = self.scale * math.cos(math.radians(self.degrees)), self.scale * math.sin(math.radians(self.degrees))
        x, y = self.about
        return np.array(
            [[cosine, -sine, x - cosine * x + sine * y + self.dx], [sine, cosine, y - sine * x - cosine * y + self.dy], [0, 0, 1]]
        )


@dataclass(frozen=True)
class Photo:
    """What the drawer is asked for. `own` moves an instrument before the camera moves; `off` are dark displays."""

    view: Motion = Motion()
    own: dict[str, Motion] = field(default_factory=dict)
    texts: dict[str, str] = field(default_factory=dict)
    off: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    light: float = 1.0
    uneven: float = 0.0
    noise: float = 1.5
    blur: float = 0.0
    glare: tuple[tuple[float, float, float], ...] = ()
    covers: tuple[tuple[str, float, float, float, float], ...] = ()
    seed: int = 1


def calibration() -> Calibration:
    instruments = [
        {
            "name": name,
            "display": [{"key": key, "quantity": key, "unit": "", "corners": QUADS[key], "digits": "###"} for key in keys],
        }
        for name, keys in BODIES.items()
    ]
    return Calibration.model_validate(
        {"format": 1, "reference_frame": "shelf_0001.png", "frame_size": [WIDTH, HEIGHT], "instrument": instruments}
    )


def true_corners(photo: Photo, key: str) -> np.ndarray:
    """Where the display's corners lie in the photo, (4, 2)."""
    name = next(name for name, keys in BODIES.items() if key in keys)
    whole = photo.view.matrix() @ photo.own.get(name, Motion()).matrix()
    return np.asarray(QUADS[key], float) @ whole[:2, :2].T + whole[:2, 2]


def draw(photo: Photo) -> np.ndarray:
    """Draw the photo, (HEIGHT, WIDTH, 3) uint8 BGR."""
    at_rest = not (photo.own or photo.texts or photo.off or photo.absent)
    canvas = _draw_at_rest() if at_rest else _draw_shelf(photo)
    if photo.covers:
        canvas = canvas.copy()
        for cover in photo.covers:
            _draw_cover(canvas, *cover)
    picture = _shoot(canvas, photo.view.matrix())
    return _expose(picture, photo)


@lru_cache(maxsize=1)
def _draw_at_rest() -> np.ndarray:
    return _draw_shelf(Photo())


def _draw_shelf(photo: Photo) -> np.ndarray:
    canvas = _draw_background().copy()
    for name in BODIES:
        if name not in photo.absent:
            _place_instrument(canvas, name, photo)
    return canvas


def _to_canvas(points: object) -> np.ndarray:
    return (np.asarray(points, float) + MARGIN + 0.5) * OVER - 0.5


def _polygon(canvas: np.ndarray, points: object, colour: tuple[int, int, int]) -> None:
    cv2.fillPoly(canvas, [np.round(_to_canvas(points) * 16).astype(np.int32)], colour, cv2.LINE_AA, 4)


def _write(canvas: np.ndarray, text: str, x: float, y: float, size: float, colour: tuple[int, int, int]) -> None:
    place = tuple(int(v) for v in _to_canvas([x, y]))
    cv2.putText(canvas, text, place, cv2.FONT_HERSHEY_SIMPLEX, size * OVER, colour, OVER, cv2.LINE_AA)


def _box(x: float, y: float, w: float, h: float) -> list[list[float]]:
    return [[x, y], [x + w, y], [x + w, y + h], [x, y + h]]


@lru_cache(maxsize=1)
def _draw_background() -> np.ndarray:
    rng = np.random.default_rng(7)
    high, wide = (HEIGHT + 2 * MARGIN) * OVER, (WIDTH + 2 * MARGIN) * OVER
    canvas = np.full((high, wide, 3), (150, 178, 190), np.uint8)
    for x in range(-MARGIN, WIDTH + MARGIN, 173):
        _polygon(canvas, _box(x, -MARGIN, 7, HEIGHT + 2 * MARGIN), (70, 88, 95))
    _polygon(canvas, _box(-MARGIN, 760, WIDTH + 2 * MARGIN, 500), (50, 80, 130))
    grain = cv2.resize(rng.normal(0, 9, (high // 16, wide // 90)).astype(np.float32), (wide, high), interpolation=cv2.INTER_CUBIC)
    for x, y, r, colour in ((330, 230, 150, (40, 150, 200)), (330, 230, 110, (25, 20, 20)), (1130, 660, 80, (200, 205, 210))):
        cv2.circle(canvas, tuple(int(v) for v in _to_canvas([x, y])), r * OVER, colour, -1, cv2.LINE_AA)
    for _ in range(14):
        x, y = rng.uniform(-MARGIN, WIDTH + MARGIN), rng.uniform(800, HEIGHT + MARGIN - 60)
        colour = tuple(int(v) for v in rng.integers(40, 220, 3))
        _polygon(canvas, _box(x, y, rng.uniform(20, 120), rng.uniform(10, 50)), colour)
    _write(canvas, "waterways", 640, 300, 0.9, (90, 60, 50))
    _write(canvas, "tide table", 1000, 250, 0.8, (60, 60, 60))
    return np.clip(canvas.astype(np.float32) + grain[:, :, None], 0, 255).astype(np.uint8)


def _place_instrument(canvas: np.ndarray, name: str, photo: Photo) -> None:
    layer = np.zeros_like(canvas)
    mask = np.zeros_like(canvas)
    (_draw_hand_held if name == "hand-held" else _draw_wall_unit)(layer, mask, photo)
    motion = photo.own.get(name, Motion()).matrix()
    if name in photo.own:
        up = np.array([[OVER, 0, OVER * (MARGIN + 0.5) - 0.5], [0, OVER, OVER * (MARGIN + 0.5) - 0.5], [0, 0, 1.0]])
        whole = (up @ motion @ np.linalg.inv(up))[:2]
        size = (canvas.shape[1], canvas.shape[0])
        layer, mask = cv2.warpAffine(layer, whole, size), cv2.warpAffine(mask, whole, size)
    left, top, wide, high = cv2.boundingRect(mask[:, :, 0])
    part = np.s_[top : top + high, left : left + wide]
    share = mask[part].astype(np.float32) / 255
    canvas[part] = (canvas[part] * (1 - share) + layer[part] * share).astype(np.uint8)


def _draw_hand_held(layer: np.ndarray, mask: np.ndarray, photo: Photo) -> None:
    _polygon(mask, _box(745, 330, 230, 440), (255, 255, 255))
    _polygon(layer, _box(745, 330, 230, 440), (110, 105, 30))
    _polygon(layer, _box(772, 372, 172, 232), (45, 40, 35))
    _polygon(layer, _box(780, 380, 156, 216), (160, 180, 180))
    for x in (800, 860, 920):
        cv2.circle(layer, tuple(int(v) for v in _to_canvas([x, 690])), 18 * OVER, (40, 120, 220), -1, cv2.LINE_AA)
    _write(layer, "two gases", 800, 640, 0.6, (210, 220, 220))
    if "co_ppm" not in photo.off:
        _write(layer, "CO  ppm", 790, 408, 0.5, (60, 60, 60))
        _write(layer, "O2  %", 790, 509, 0.5, (60, 60, 60))
    for key in BODIES["hand-held"]:
        _draw_digits(layer, key, photo)


def _draw_wall_unit(layer: np.ndarray, mask: np.ndarray, photo: Photo) -> None:
    body = [[170, 505], [520, 490], [530, 720], [180, 735]]
    _polygon(mask, body, (255, 255, 255))
    _polygon(layer, body, (170, 195, 205))
    _polygon(layer, [[192, 528], [500, 517], [506, 668], [198, 679]], (60, 55, 50))
    _polygon(layer, [[200, 536], [492, 526], [498, 660], [206, 670]], (155, 170, 165))
    for x in (230, 290, 350):
        _polygon(layer, _box(x, 694, 36, 14), (90, 100, 110))
    if "temp_c" not in photo.off:
        _write(layer, "room", 232, 652, 0.5, (70, 70, 70))
        _write(layer, "moisture", 390, 645, 0.5, (70, 70, 70))
    for key in BODIES["wall unit"]:
        _draw_digits(layer, key, photo)


def _draw_digits(layer: np.ndarray, key: str, photo: Photo) -> None:
    quad = np.asarray(QUADS[key], float)
    text = photo.texts.get(key, TEXTS[key]).rjust(2 if key == "rh_pct" else 3)
    bars = {
        "a": (0.1, 0, 0.9, 0.12), "d": (0.1, 0.88, 0.9, 1), "g": (0.1, 0.44, 0.9, 0.56), "f": (0, 0.05, 0.16, 0.48),
        "b": (0.84, 0.05, 1, 0.48), "e": (0, 0.52, 0.16, 0.95), "c": (0.84, 0.52, 1, 0.95),
    }  # fmt: skip
    for place, digit in enumerate(text):
        for name, (left, top, right, bottom) in bars.items():
            lit = key not in photo.off and name in SEGMENTS.get(digit, "")
            pitch = 0.84 / len(text)
            across = [0.08 + pitch * (place + 0.1 + 0.75 * v) for v in (left, right)]
            down = [0.1 + 0.8 * v for v in (top, bottom)]
            corners = [(across[0], down[0]), (across[1], down[0]), (across[1], down[1]), (across[0], down[1])]
            shape = [quad[0] + u * (quad[1] - quad[0]) + v * (quad[3] - quad[0]) for u, v in corners]
            _polygon(layer, shape, (45, 45, 40) if lit else (148, 166, 164))


def _draw_cover(canvas: np.ndarray, kind: str, x: float, y: float, w: float, h: float) -> None:
    if kind == "book":
        _polygon(canvas, _box(x, y, w, h), (45, 40, 120))
        _polygon(canvas, _box(x + 0.04 * w, y + 0.05 * h, 0.92 * w, 0.3 * h), (60, 55, 150))
        _write(canvas, "pilot", x + 0.2 * w, y + 0.7 * h, 0.9, (120, 180, 210))
    elif kind == "paper":
        _polygon(canvas, _box(x, y, w, h), (215, 220, 222))
    elif kind == "mug":
        for i in range(40):
            shade = 120 + 100 * math.sin(math.pi * (i + 1) / 41)
            _polygon(canvas, _box(x + w * i / 40, y, w / 40 + 0.5, h), (int(shade), int(shade), int(shade)))
        centre = tuple(int(v) for v in _to_canvas([x + w / 2, y]))
        cv2.ellipse(canvas, centre, (int(w * OVER / 2), int(w * OVER / 10)), 0, 0, 360, (110, 50, 40), 8 * OVER, cv2.LINE_AA)
    elif kind == "hand":
        for i in range(4):
            start, end = _to_canvas([[x + w * (i + 0.5) / 4, y + h * 0.1 * abs(i - 1.5)], [x + w / 2 + 20 * (i - 1.5), y + h]])
            cv2.line(
                canvas, start.astype(int).tolist(), end.astype(int).tolist(), (120, 150, 205), int(w * OVER / 3.6), cv2.LINE_AA
            )
            cv2.line(
                canvas, start.astype(int).tolist(), end.astype(int).tolist(), (130, 160, 215), int(w * OVER / 5), cv2.LINE_AA
            )


def _shoot(canvas: np.ndarray, view: np.ndarray) -> np.ndarray:
    down = np.array([[OVER, 0, OVER * (MARGIN + 0.5) - 0.5], [0, OVER, OVER * (MARGIN + 0.5) - 0.5], [0, 0, 1.0]])
    whole = (down @ np.linalg.inv(view))[:2]
    soft = cv2.GaussianBlur(canvas, (0, 0), 1.1)
    picture = cv2.warpAffine(
        soft, whole, (WIDTH, HEIGHT), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(picture, np.float32)


def _expose(picture: np.ndarray, photo: Photo) -> np.ndarray:
    rng = np.random.default_rng(photo.seed)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    if photo.uneven:
        picture = picture * (1 + photo.uneven * (columns / WIDTH - 0.5) * 2 - photo.uneven * (rows / HEIGHT - 0.5))[:, :, None]
    picture = picture * photo.light
    for x, y, radius in photo.glare:
        away = np.hypot(columns - x, rows - y)
        picture = picture + (330 * np.exp(-((away / radius) ** 4)))[:, :, None]
    if photo.blur:
        picture = cv2.GaussianBlur(picture, (0, 0), photo.blur)
    grain = rng.standard_normal((HEIGHT, WIDTH, 3), np.float32)
    picture = picture + grain * np.sqrt(photo.noise**2 + 0.02 * np.clip(picture, 0, 255))
    picture = np.clip(picture, 0, 255).astype(np.uint8)
    _, coded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
    return cv2.imdecode(coded, cv2.IMREAD_COLOR)
