"""Takes edges of a reference and of a frame, gives first guesses of the motion between them, however far it went.

Every turn and size on a grid is tried; for each, one correlation of the two edge pictures gives all shifts at once. Nothing is
drawn at random, so the same two pictures always give the same guesses.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from frametally.aim.fields import Floats, Similarity, compose, edges_of, turn_about

Edges = npt.NDArray[np.complex64]


@dataclass(frozen=True)
class Pose:
    """One turn and size of the reference: its motion (without the shift) and its edges' spectrum, ready to be correlated."""

    motion: Similarity
    spectrum: Floats


@dataclass(frozen=True)
class Guess:
    """One possible motion, with how well the edges agree there (1 = all)."""

    motion: Similarity
    score: float


class Finder:
    """Looks for (a part of) the reference in a frame: `log` float32 (h, w), `weight` 0 to 1 of the same shape."""

    def __init__(
        self, log: Floats, weight: Floats, reach: tuple[int, int], turns: list[tuple[float, float]], *, outlines: bool = False
    ) -> None:
        """Prepare the reference turned and enlarged by each of `turns` (degrees, factor), for shifts up to `reach` (x, y) px.

        `outlines`: an edge counts whichever of its sides is the brighter.
        """
        self._outlines = outlines
        self._reach = reach
        height, width = log.shape
        self._shape = cv2.getOptimalDFTSize(height + reach[1]), cv2.getOptimalDFTSize(width + reach[0])
        rows, columns = np.nonzero(weight)
        self._centre = (float(columns.mean()), float(rows.mean())) if len(rows) else (width / 2, height / 2)
        self._energy = 0.0
        self.poses = [self._prepare(log, weight, degrees, factor) for degrees, factor in turns]

    def _prepare(self, log: Floats, weight: Floats, degrees: float, factor: float) -> Pose:
        height, width = log.shape
        motion = turn_about(self._centre, degrees, factor)
        turned = cv2.warpAffine(log, motion, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        mask = cv2.warpAffine(weight, motion, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        edges = self._kind(edges_of(turned)) * mask
        energy = float((np.abs(edges) ** 2).sum(dtype=np.float64))
        return Pose(motion, self._spectrum(edges) / np.float32(max(energy, 1e-6)))

    def _spectrum(self, edges: Edges) -> Floats:
        """Give the transform of some edges, (h, w, 2), with room around them for the shifts."""
        roomy = np.zeros((*self._shape, 2), np.float32)
        roomy[: edges.shape[0], : edges.shape[1]] = edges.view(np.float32).reshape(*edges.shape, 2)
        return np.asarray(cv2.dft(roomy), np.float32)

    def _kind(self, edges: Edges) -> Edges:
        # Twice the angle is the same for an edge and its reverse.
        if not self._outlines:
            return edges
        return np.asarray(edges * edges / np.maximum(np.abs(edges), np.float32(1e-6)), np.complex64)

    def find(self, edges: Edges, poses: slice) -> list[Guess]:
        """Give the best guess of each pose, best first; `edges` of the frame (`edges_of`), of the reference's size."""
        spectrum = self._spectrum(self._kind(edges))
        guesses = [self._peak(self._correlate(spectrum, pose), pose) for pose in self.poses[poses]]
        return sorted(guesses, key=lambda guess: -guess.score)

    def _correlate(self, spectrum: Floats, pose: Pose) -> Floats:
        joined = cv2.mulSpectrums(spectrum, pose.spectrum, 0, conjB=True)
        return np.asarray(cv2.dft(joined, flags=cv2.DFT_INVERSE | cv2.DFT_SCALE)[..., 0], np.float32)

    def _peak(self, surface: Floats, pose: Pose) -> Guess:
        height, width = surface.shape
        across = np.arange(-self._reach[0], self._reach[0] + 1)
        down = np.arange(-self._reach[1], self._reach[1] + 1)
        allowed = surface[np.ix_(down % height, across % width)]
        row, column = np.unravel_index(int(np.argmax(allowed)), allowed.shape)
        shift = np.array([[1.0, 0.0, float(across[column])], [0.0, 1.0, float(down[row])]])
        return Guess(compose(shift, pose.motion), float(allowed[row, column]))
