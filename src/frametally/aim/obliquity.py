"""Takes a display's corners; gives how far from straight on the camera sees it, and how far it is turned in the picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from frametally.model import Corners

LENS_MM = 28.0
"""Focal length that is taken for the lens, as on film 36 mm wide: that of most phones and compact cameras (common practice, no
source). A longer lens means a steeper angle for the same corners."""

MARKED_TO = 0.015
"""How well people mark a corner, as a share of the region's height (standard deviation); and never better than a pixel."""


@dataclass(frozen=True)
class Obliquity:
    """`angle_deg` between the view and the display's own straight-on, 0 to 90, and its standard deviation from how well corners
    are marked, `unsure_deg`; `turned_deg` how far the line of digits runs clockwise off the level."""

    angle_deg: float
    unsure_deg: float
    turned_deg: float


def obliquity(regions: Sequence[Corners], frame_size: tuple[int, int]) -> Obliquity:
    """Tell how obliquely an instrument is seen, from the homographies of its displays' corners.

    The homography of a rectangle on the display's plane gives two directions in that plane, whatever the rectangle's shape and
    whether it leans as slanted digits do; they give the plane's normal, and its angle with the line of sight. The displays of
    one instrument lie in one plane: the surer of them count for more.

    Parameters
    ----------
    regions : for each display the corners, clockwise from the digits' own top left [px]
    frame_size : width and height of the photo [px]; the lens is taken to look at its middle
    """
    all_points = [np.asarray(corners, np.float64) for corners in regions]
    normals = [_normal(points, frame_size) for points in all_points]
    unsure = np.array([_unsure(*pair, frame_size) for pair in zip(all_points, normals, strict=True)])
    weights = 1 / np.square(unsure)
    middle = np.sum([weight * normal for weight, normal in zip(weights, normals, strict=True)], axis=0)
    sight = np.sum([_homography(points, frame_size)[:, 2] for points in all_points], axis=0)
    along = sum(points[1] - points[0] + points[2] - points[3] for points in all_points)
    return Obliquity(
        _between(middle / np.linalg.norm(middle), sight / np.linalg.norm(sight)),
        min(float(weights.sum() ** -0.5), 90.0),
        math.degrees(math.atan2(along[1], along[0])),
    )


def _unsure(points: np.ndarray, normal: np.ndarray, frame_size: tuple[int, int]) -> float:
    """Give how far the normal strays where each corner is marked as well as people mark them. [degrees]"""
    height = float(np.linalg.norm(points[3] - points[0]) + np.linalg.norm(points[2] - points[1])) / 2
    spread = max(MARKED_TO * height, 1.0)
    strays = []
    for corner, axis in np.ndindex(4, 2):
        moved = points.copy()
        moved[corner, axis] += spread
        strays.append(_between(normal, _normal(moved, frame_size)))
    return max(float(np.sqrt(np.sum(np.square(strays)))), 0.1)


def _rays(points: np.ndarray, frame_size: tuple[int, int]) -> np.ndarray:
    """Give the directions in which the camera sees points: (points, 3)."""
    focal = LENS_MM / 36 * max(frame_size)
    centred = (points - np.array(frame_size) / 2) / focal
    return np.column_stack([centred, np.ones(len(centred))])


def _homography(points: np.ndarray, frame_size: tuple[int, int]) -> np.ndarray:
    """Give the homography from a square around 0 to the directions of its corners; its last column is the middle's."""
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32)
    seen = _rays(points, frame_size)[:, :2].astype(np.float32)
    return np.asarray(cv2.getPerspectiveTransform(square, seen))


def _normal(points: np.ndarray, frame_size: tuple[int, int]) -> np.ndarray:
    matrix = _homography(points, frame_size)
    normal = np.cross(matrix[:, 0], matrix[:, 1])
    return np.asarray(normal / np.linalg.norm(normal) * (1.0 if normal[2] >= 0 else -1.0))


def _between(one: np.ndarray, other: np.ndarray) -> float:
    """Give the angle between two lines. [degrees, 0 to 90]"""
    return math.degrees(math.acos(min(abs(float(one @ other)), 1.0)))
