"""Takes a level of the reference, a level of a frame and a first guess, gives the motion between them to a fraction of a pixel.

Gauss-Newton on the reliefs in its inverse compositional form: the slopes are taken from the reference, once; every step only
looks up the frame at the moved points. Points that do not fit (a hand, a highlight, something that moved on its own) lose
their weight by Tukey's rule.

Source of the method: S. Baker and I. Matthews, "Lucas-Kanade 20 years on: a unifying framework", International Journal of
Computer Vision 56 (2004), 221-255, doi:10.1023/B:VISI.0000011205.11775.fd. Tukey's constant 4.685: P. J. Huber and
E. M. Ronchetti, Robust Statistics, 2nd ed., Wiley 2009.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from frametally.aim.fields import Bounds, Floats, Level, Plane, Similarity, compose, inverse, move

TUKEY = 4.685
SPREADS = (0.1, 0.03, 0.01)
"""Residuals are first never taken to be smaller than 0.1 (logarithm of brightness), then 0.03, then 0.01, which is rounding
and noise. Starting strict would throw out just the edges that show a shift: upright edges fit well when it is downwards."""
PLANE_HOLD = 1e-4
"""How strongly a flat face is held to the guess, as a share of the template's stiffness: what tells its turn is faint."""
TURNED_PX = 0.2
"""A face of which the first step moves no part by more than this has not turned."""
NEAR_PX = 0.02
STILL_PX = 0.01
"""A step that moves no point by more than this is the last."""


@dataclass(frozen=True)
class Template:
    """Points of the reference that can be followed: where they are, their relief and how it changes with the motion.

    `points` (n, 2) px; `values` (n,); `slopes` (4, n): change of the value with a shift to the right and down, with size and
    turn about `centre`, in units that make the four alike (`reach` px); `weights` (n,) 0 to 1: how surely the point belongs
    to what is followed.
    """

    points: npt.NDArray[np.float64]
    values: Floats
    slopes: Floats
    weights: Floats
    centre: npt.NDArray[np.float64]
    reach: float

    @cached_property
    def plane_slopes(self) -> Floats:
        """The slopes with four more: change of the value with stretch, slant, and turns about the upright and the level axis."""
        u, v = ((self.points - self.centre) / self.reach).T.astype(np.float32)
        gx, gy, size, _ = self.slopes
        return np.asarray([*self.slopes, gx * u - gy * v, gx * v + gy * u, size * u, size * v], np.float32)


def pick_points(level: Level, weight: Floats, most: int, tiles: int) -> Template:
    """Choose the points with the steepest relief, spread over `tiles` x `tiles` fields, where `weight` (h, w) is above 0."""
    along_x = cv2.Scharr(level.relief, cv2.CV_32F, 1, 0, scale=1 / 32)
    along_y = cv2.Scharr(level.relief, cv2.CV_32F, 0, 1, scale=1 / 32)
    steepness = cv2.magnitude(along_x, along_y) * weight
    steepness[:3], steepness[-3:], steepness[:, :3], steepness[:, -3:] = 0, 0, 0, 0
    rows, columns = _steepest(steepness, most, tiles)
    points = np.stack([columns, rows], axis=1).astype(np.float64)
    if len(points) == 0:
        empty = np.zeros(0, np.float32)
        return Template(points, empty, np.zeros((4, 0), np.float32), empty, np.zeros(2), 1.0)
    centre = points.mean(axis=0)
    reach = float(max(1.0, np.sqrt(((points - centre) ** 2).sum(axis=1).mean())))
    x, y = ((points - centre) / reach).T.astype(np.float32)
    gx, gy = along_x[rows, columns], along_y[rows, columns]
    slopes = np.stack([gx, gy, gx * x + gy * y, gy * x - gx * y]).astype(np.float32)
    return Template(points, level.relief[rows, columns], slopes, weight[rows, columns], centre, reach)


def _steepest(steepness: Floats, most: int, tiles: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    rows, columns = np.nonzero(steepness > 0.004)
    if len(rows) == 0:
        return rows, columns
    top, left = rows.min(), columns.min()
    tile = (rows - top) * tiles // (rows.max() - top + 1) * tiles + (columns - left) * tiles // (columns.max() - left + 1)
    # Steepest first inside each field; ties by place, so that the choice is the same everywhere.
    order = np.lexsort((columns, rows, -steepness[rows, columns], tile))
    tile_sorted = tile[order]
    starts = np.searchsorted(tile_sorted, tile_sorted, side="left")
    rank = np.arange(len(order)) - starts
    kept = np.sort(order[rank < max(1, most // tiles**2)])
    return rows[kept], columns[kept]


def align(
    template: Template,
    level: Level,
    guess: Similarity,
    steps: int,
    *,
    hold: float = 0.0,
    weights: Floats | None = None,
    shift_only: bool = False,
) -> Similarity:
    """Give the motion from the reference to the frame near `guess`.

    `steps` is the most for each of SPREADS; `weights` (n,) goes with the template's own, for what this frame hides.
    `shift_only` leaves size and turn as they are in the guess.
    `hold` pulls towards the guess with this share of the template's own stiffness, so that a direction in which there is
    nothing to see (a template of one straight edge) stays where the whole view says.
    """
    if len(template.points) < 12:
        return guess.copy()
    trust = template.weights if weights is None else template.weights * weights
    return _follow(template, level, guess, trust, steps, hold, 2 if shift_only else 4)


def _follow(template: Template, level: Level, guess: Similarity, trust: Floats, steps: int, hold: float, ways: int) -> Similarity:
    motion = guess.copy()
    near = False
    for spread in SPREADS:
        if near and spread != SPREADS[-1]:
            continue
        for count in range(steps):
            step = _step(template, level, guess, motion, trust, spread, hold, ways)
            if step is None:
                return guess.copy()
            motion = compose(motion, inverse(_motion(step, template)))
            size = float(np.abs(step).max())
            # As good as there at the first step: only the strict look is left to do.
            near = near or (count == 0 and size < NEAR_PX)
            if size < STILL_PX or (near and spread != SPREADS[-1]):
                break
    return motion


def _step(
    template: Template,
    level: Level,
    guess: Similarity,
    motion: Similarity,
    trust: Floats,
    spread: float,
    hold: float,
    ways: int,
) -> npt.NDArray[np.float64] | None:
    values, inside = look_up(level.relief, move(motion, template.points), level.raised)
    residual = values - template.values
    weights = _tukey(residual, trust * inside, spread)
    slopes = template.slopes[:ways]
    weighted = slopes * weights
    stiffness = _gram(weighted, slopes)
    gradient = (weighted * residual).sum(axis=1, dtype=np.float64)
    trace = float(np.trace(stiffness))
    if trace <= 0:
        return None
    stiffness[np.diag_indices(ways)] += (1e-6 + hold) * trace
    if hold:
        gradient += hold * trace * _parameters(compose(inverse(guess), motion), template)[:ways]
    return np.linalg.solve(stiffness, gradient)


def align_plane(
    template: Template, level: Level, guess: Similarity, steps: int, *, weights: Floats | None = None
) -> Similarity | Plane:
    """Give the motion of a flat face near `guess`, which may have turned away from the camera or towards it meanwhile.

    Arguments as in `align`. The guess is given back as it is where the face has not turned, or there is too little to see.
    """
    if len(template.points) < 12:
        return guess
    trust = template.weights if weights is None else template.weights * weights
    slopes = template.plane_slopes
    motion, gone = np.vstack([guess, [0.0, 0.0, 1.0]]), np.zeros(len(slopes))
    for spread in SPREADS[1:]:
        for _ in range(steps):
            values, inside = look_up(level.relief, move(motion, template.points), level.raised)
            residual = values - template.values
            weighted = slopes * _tukey(residual, trust * inside, spread)
            stiffness = _gram(weighted, slopes)
            trace = float(np.trace(stiffness))
            if trace <= 0:
                return guess
            stiffness[np.diag_indices(len(slopes))] += PLANE_HOLD * trace
            step = np.linalg.solve(stiffness, (weighted * residual).sum(axis=1, dtype=np.float64) + PLANE_HOLD * trace * gone)
            size = float(np.abs(step).max())
            if not gone.any() and size < TURNED_PX:
                return guess
            gone -= step
            motion = motion @ np.linalg.inv(_plane(step, template))
            motion /= motion[2, 2]
            if size < STILL_PX:
                break
    return motion


def _plane(step: npt.NDArray[np.float64], template: Template) -> Plane:
    x, y, size, turn, stretch, slant, upright, across = step / template.reach
    turned = np.array([[1 + size + stretch, slant - turn, x], [slant + turn, 1 + size - stretch, y], [-upright, -across, 1.0]])
    (left, top), reach = template.centre, template.reach
    apart = np.array([[reach, 0.0, left], [0.0, reach, top], [0.0, 0.0, 1.0]])
    return np.asarray(apart @ turned @ np.linalg.inv(apart), np.float64)


def look_up(
    picture: Floats | npt.NDArray[np.uint8], places: npt.NDArray[np.float64], seen: Bounds
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Give a picture's values, (n,) or (n, channels), at places (n, 2) between its pixels, and 1 or 0 for `seen` or not."""
    if len(places) == 0:
        return np.zeros((0, *picture.shape[2:]), np.float32), np.zeros(0, np.float32)
    places_32 = places.astype(np.float32)
    values = cv2.remap(picture, places_32[None], None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    x, y = places[:, 0], places[:, 1]
    inside = (x >= seen[0]) & (x <= seen[1]) & (y >= seen[2]) & (y <= seen[3])
    return values.reshape(len(places), *picture.shape[2:]).astype(np.float32, copy=False), inside.astype(np.float32)


def _tukey(residual: Floats, prior: Floats, smallest: float) -> Floats:
    away = np.abs(residual)
    seen = away[prior > 0]
    middle = len(seen) // 2
    spread = max(smallest, 1.4826 * float(np.partition(seen, middle)[middle])) if len(seen) else smallest
    share = np.minimum(away * np.float32(1 / (TUKEY * spread)), np.float32(1))
    rest = np.float32(1) - share * share
    return np.asarray(prior * rest * rest, np.float32)


def _gram(weighted: Floats, slopes: Floats) -> npt.NDArray[np.float64]:
    # Sums by numpy, not by BLAS: the same order of adding on every call and for every number of threads.
    return np.asarray(np.einsum("in,jn->ij", weighted, slopes, dtype=np.float64, optimize=False))


def _motion(step: npt.NDArray[np.float64], template: Template) -> Similarity:
    grow, turn = step[2:] / template.reach if len(step) == 4 else (0.0, 0.0)
    turned = np.array([[1 + grow, -turn], [turn, 1 + grow]])
    offset = template.centre - turned @ template.centre + step[:2]
    return np.column_stack([turned, offset])


def _parameters(motion: Similarity, template: Template) -> npt.NDArray[np.float64]:
    shift = motion[:, :2] @ template.centre + motion[:, 2] - template.centre
    return np.array([shift[0], shift[1], (motion[0, 0] - 1) * template.reach, motion[1, 0] * template.reach])
