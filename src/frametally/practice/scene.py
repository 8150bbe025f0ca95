"""Takes a style and meters; gives the scene and its photos: who stands where, what they show, in which light.

Scene coordinates are pixels of the first frame at 1280 x 960; a frame of another size shows the same scene larger or smaller.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from frametally.practice.cabin import draw_cabin
from frametally.practice.camera import View, view_matrix, warp_cabin
from frametally.practice.instruments import Instrument, Pose, build_hand, build_shelf
from frametally.practice.meters import Meter
from frametally.practice.paint import Picture, blend, blur, polygon_mask, shadow
from frametally.practice.styles import Style, vary
from frametally.practice.window import SUPER, Spot, draw_window

Quad = NDArray[np.float64]
CAMERA_BLUR_PX = 0.65


@dataclass(frozen=True)
class Pane:
    """One window in one view: the homography from its texture to the frame, and the frame's part that it lies in."""

    instrument: int
    matrix: NDArray[np.float64]
    left: int
    top: int
    alpha: Picture

    @property
    def part(self) -> tuple[slice, slice]:
        """The rows and columns of the frame."""
        height, width = self.alpha.shape[:2]
        return slice(self.top, self.top + height), slice(self.left, self.left + width)


@dataclass(frozen=True)
class Plate:
    """The whole view without light: what every point reflects, windows unlit, and where the windows are."""

    reflected: Picture
    panes: tuple[Pane, ...]


@dataclass(frozen=True)
class Scene:
    """One night's cabin: the picture of the empty room, two instruments and how they stand at the start."""

    size: tuple[int, int]
    cabin: Picture
    instruments: tuple[Instrument, Instrument]
    poses: tuple[Pose, Pose]

    def spot_of(self, key: str) -> tuple[int, Spot]:
        """Give the instrument's number and the display of a key."""
        for number, instrument in enumerate(self.instruments):
            for spot in instrument.window.spots:
                if spot.key == key:
                    return number, spot
        raise KeyError(key)

    def window_matrix(self, number: int, view: View, pose: Pose) -> NDArray[np.float64]:
        """Give the homography from a window's texture pixels to the frame."""
        return view_matrix(view, self.size) @ self.instruments[number].window_to_view(pose)

    def outline(self, key: str, view: View, poses: tuple[Pose, Pose]) -> Quad:
        """Give every corner of a display's digit places in the frame. [px]"""
        number, spot = self.spot_of(key)
        return project(self.window_matrix(number, view, poses[number]), spot.outline)


def project(matrix: NDArray[np.float64], points: NDArray[np.floating]) -> Quad:
    """Bring points through a homography."""
    flat = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(flat[:, :2] / flat[:, 2:], np.float64)


def build_scene(
    style: Style, meters: tuple[tuple[Meter, ...], tuple[Meter, ...]], size: tuple[int, int], rng: np.random.Generator
) -> Scene:
    """Build both instruments in the style's looks, stand them on the shelf, and draw the room around them."""
    looks = vary(style.hand, rng), vary(style.shelf, rng)
    instruments = build_hand(meters[0], looks[0], rng), build_shelf(meters[1], looks[1], rng)
    order = (0, 1) if rng.random() < 0.5 else (1, 0)
    left = float(rng.uniform(70, 120))
    poses: list[Pose] = [Pose(0, 0, 0, 0)] * 2
    for number in order:
        width = instruments[number].shape.shape[1] / SUPER
        toward_middle = 1.0 if left < 300 else -1.0
        poses[number] = Pose(
            x=left + width / 2,
            y=float(rng.uniform(725, 775)),
            yaw_deg=toward_middle * float(rng.uniform(-4, 13)),
            lean_deg=float(rng.uniform(3, 11)),
            roll_deg=float(rng.uniform(-0.8, 0.8)),
        )
        left += width + float(rng.uniform(75, 115))
    return Scene(size, draw_cabin(rng, left), instruments, (poses[0], poses[1]))


def _stand(picture: Picture, instrument: Instrument, pose: Pose, to_frame: NDArray[np.float64], scale: float) -> None:
    """Put one instrument into the picture: shadow, sides, front, in place."""
    shape: tuple[int, int] = picture.shape[:2]
    front = project(to_frame, instrument.project(pose, instrument.outline))
    back = project(to_frame, instrument.project(pose, instrument.outline, instrument.depth_px * 2))
    hull = cv2.convexHull(np.concatenate([front, back]).astype(np.float32))[:, 0]
    solid = polygon_mask(shape, hull)
    shadow(picture, solid, (26 * scale, 8 * scale), 16 * scale, 0.42)
    foot = front[front[:, 1] > front[:, 1].max() - 40 * scale]
    cx, width = foot[:, 0].mean(), np.ptp(foot[:, 0])
    contact = polygon_mask(shape, cx_ellipse(cx, front[:, 1].max() - 2 * scale, width * 0.55, 9 * scale))
    shadow(picture, contact, (4 * scale, 4 * scale), 6 * scale, 0.75)
    blend(picture, instrument.side_colour, solid)
    matrix = to_frame @ instrument.face_to_view(pose)
    face = cv2.warpPerspective(
        blur(instrument.face, 0.5), matrix, shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    blend(picture, face, polygon_mask(shape, front))


def cx_ellipse(x: float, y: float, half_width: float, half_height: float) -> Quad:
    """Give the outline of an upright ellipse."""
    turns = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    return np.stack([x + half_width * np.cos(turns), y + half_height * np.sin(turns)], axis=1)


def _pane(scene: Scene, number: int, view: View, pose: Pose) -> Pane:
    window = scene.instruments[number].window
    matrix = scene.window_matrix(number, view, pose)
    corners = project(
        matrix, np.array([[0, 0], [window.width, 0], [window.width, window.height], [0, window.height]], np.float64)
    )
    left, top = (max(0, int(v)) for v in np.floor(corners.min(axis=0)) - 1)
    right, bottom = (int(v) for v in np.minimum(np.ceil(corners.max(axis=0)) + 2, scene.size))
    shift = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1]], np.float64)
    alpha = polygon_mask((max(1, bottom - top), max(1, right - left)), corners - [left, top])
    return Pane(number, shift @ matrix, left, top, alpha[..., None])


def draw_plate(scene: Scene, view: View, poses: tuple[Pose, Pose]) -> Plate:
    """Draw what a view reflects, once per view: room and instruments, windows still to be filled in."""
    to_frame = view_matrix(view, scene.size)
    scale = scene.size[0] / 1280
    picture = warp_cabin(scene.cabin, to_frame, scene.size)
    for number in sorted((0, 1), key=lambda k: poses[k].y):
        _stand(picture, scene.instruments[number], poses[number], to_frame, scale)
    picture = np.minimum(blur(picture, CAMERA_BLUR_PX * scale), 250)
    return Plate(picture, tuple(_pane(scene, n, view, poses[n]) for n in (0, 1)))


def warp_window(pane: Pane, picture: Picture) -> Picture:
    """Bring a window's picture into the frame's part of its pane, as sharp as the camera is."""
    height, width = pane.alpha.shape[:2]
    soft = blur(picture, CAMERA_BLUR_PX * SUPER)
    return np.asarray(
        cv2.warpPerspective(soft, pane.matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
        np.float32,
    )


class Shooter:
    """Draws the frames of one scene one after another; keeps the plate and the windows that have not changed."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self._placed: tuple[View, tuple[Pose, Pose]] | None = None
        self._plate: Plate | None = None
        self._shown: dict[int, tuple[str, ...]] = {}
        self._given: dict[int, Picture] = {}

    def plate(self, view: View, poses: tuple[Pose, Pose]) -> Plate:
        """Give the plate of a view, drawn anew only where something moved."""
        if self._plate is None or self._placed != (view, poses):
            self._plate = draw_plate(self.scene, view, poses)
            self._placed, self._shown = (view, poses), {}
        return self._plate

    def shine(self, view: View, poses: tuple[Pose, Pose], texts: Mapping[str, str], light: Picture) -> Picture:
        """Give the light that reaches the camera: the plate in its light, and what the windows give out. [0 to 255 and more]"""
        plate = self.plate(view, poses)
        for pane in plate.panes:
            window = self.scene.instruments[pane.instrument].window
            wanted = tuple(texts[s.key] for s in window.spots)
            if self._shown.get(pane.instrument) == wanted:
                continue
            reflected, given = draw_window(window, texts)
            part = plate.reflected[pane.part]
            part *= 1 - pane.alpha
            part += warp_window(pane, reflected) * pane.alpha
            self._given[pane.instrument] = warp_window(pane, given) * pane.alpha if given.any() else np.zeros(0, np.float32)
            self._shown[pane.instrument] = wanted
        out = np.asarray(cv2.multiply(plate.reflected, light), np.float32)
        for pane in plate.panes:
            given = self._given[pane.instrument]
            if given.size:
                out[pane.part] += given
        return out


def move_instrument(pose: Pose, rng: np.random.Generator) -> Pose:
    """Give a pose slid 10 to 40 px along the shelf and turned a little."""
    side = 1 if rng.random() < 0.5 else -1
    return replace(
        pose,
        x=pose.x + side * float(rng.uniform(10, 36)),
        y=pose.y + float(rng.uniform(-8, 12)),
        yaw_deg=pose.yaw_deg + float(rng.uniform(-4, 4)),
        roll_deg=pose.roll_deg + float(rng.uniform(-1.2, 1.2)),
    )


def knock_camera(view: View, rng: np.random.Generator) -> View:
    """Give a view moved by up to 60 px and turned by up to 2 degrees."""
    away = rng.uniform(0, 2 * np.pi)
    far = rng.uniform(18, 58)
    return View(
        view.dx + float(far * np.cos(away)), view.dy + float(far * np.sin(away)), view.turn_deg + float(rng.uniform(-2, 2))
    )
