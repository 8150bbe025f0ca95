"""Takes the edges round one display in the reference and the edges of a frame, says how much of them is still there.

A display that is off, a dimmed lamp or a highlight leave the rim of the screen and the case where they were; a mug, a book or a
hand takes whole sides of them away. So the surroundings are judged side by side, and burnt-out points are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from frametally.aim.align import Template, look_up
from frametally.aim.border import FOREIGN_SHARE, Change
from frametally.aim.fields import Bounds, Floats, Level, Similarity, glare_of, move

Edges = npt.NDArray[np.complex64]

SECTORS = 8
GONE_SECTOR = 0.25
"""A sector with less than this share of its edges left shows something else. Chance gives about 0 +- 0.1."""
COVERED_SECTORS = 0.375
"""A display is covered when this share of its sectors is gone: three of eight, the better part of one side."""
COVERED_BELOW, UNSURE_BELOW = 0.4, 0.5
"""... or when less than the first share of all its surroundings is left; up to the second it may be."""
FIELDS = 10
"""A patch is judged in this many fields across and down."""
CHANCE_FIELD = 0.5
"""A field of few edges reaches this share of them by chance; above it, it counts with the square of the rest."""
SIDE_BELOW, SIDE_SECTORS = 0.6, 0.25
"""... or when both are nearly so. (Words and rules that went out with a display left 0.67 with two sectors gone.)"""
DOUBTED_BELOW = 0.75
"""Below this share of the edges the strip beside the digits is asked, too."""
WHOLE_OUTLINE = 0.72
"""With this share of the outlines in place nothing stands in front. (A backlit screen gone dark kept 0.79, a mug left 0.62.)"""
LEAST_SHARE = 0.25
"""With less than this share of the points inside the frame and not burnt out, nothing can be said."""


@dataclass(frozen=True)
class Patch:
    """Points of one part of the reference: `template` what is followed, `edges` (n,) the squeezed gradients,
    `sector` and `field` (n,) which part of the patch each belongs to: by direction, and by place."""

    template: Template
    edges: Edges
    sector: npt.NDArray[np.intp]
    field: npt.NDArray[np.intp]

    @cached_property
    def energy(self) -> float:
        """The most that all its edges together could agree."""
        return float((self.template.weights * np.abs(self.edges) ** 2).sum(dtype=np.float64))


@dataclass(frozen=True)
class Scene:
    """What judging needs of one level of a frame: squeezed gradients as (h, w, 2) float32, and 1 where it is burnt out, if it is
    anywhere; `seen` where there is something to be seen."""

    edges: Floats
    glare: Floats | None
    seen: Bounds

    @classmethod
    def build(cls, edges: Edges, level: Level) -> Scene:
        """Lay out the pictures for looking up."""
        return cls(edges.view(np.float32).reshape(*edges.shape, 2), glare_of(level.log), level.seen)


@dataclass(frozen=True)
class Match:
    """How a patch fits, 0 to 1 each: `share` of its edges found (about 0 by chance), `seen` share that could be judged,
    `gone` share of the sectors in which something else stands, `outline` share of the edges found whichever side is brighter."""

    share: float
    seen: float
    gone: float
    outline: float

    @property
    def best(self) -> float:
        """The better of the two shares: a screen whose light went out turns its edges from bright-dark to dark-bright."""
        return max(self.share, self.outline)

    def is_covered(self, change: Change) -> bool:
        """Say whether something stands in front; `change` is what became of the strip beside the digits.

        More than half of the edges gone, or those of one side, is enough. Where the outlines are all there, only the light has
        changed.
        """
        if self._is_whole(change):
            return False
        lost = self.share < COVERED_BELOW or self.gone >= COVERED_SECTORS
        return lost or (self.share < SIDE_BELOW and self.gone >= SIDE_SECTORS)

    def may_be_covered(self, change: Change) -> bool:
        """Say whether something may stand in front, be it for certain or not: only what the display shows can tell.

        Where less is gone than that (words that go out with the display, a highlight, a dark panel under the compression of
        the photo), the strip must have changed as well.
        """
        if self._is_whole(change):
            return False
        changed = change.foreign >= FOREIGN_SHARE or change.tinted
        return self.is_covered(change) or self.share < UNSURE_BELOW or (self.share < DOUBTED_BELOW and changed)

    def _is_whole(self, change: Change) -> bool:
        return self.outline >= WHOLE_OUTLINE and change.foreign < FOREIGN_SHARE


def build_patch(template: Template, edges: Edges, middle: npt.NDArray[np.float64] | None = None) -> Patch:
    """Give the template's points with the reference's edges; sectors are counted round `middle` (x, y), where given."""
    places = template.points.astype(np.intp)
    sector = np.zeros(len(places), np.intp)
    if middle is not None and len(places):
        x, y = (template.points - middle).T
        # Wide displays have wide surroundings: the angle is taken in a picture squeezed to a square.
        angle = np.arctan2(y / max(1.0, float(np.abs(y).max())), x / max(1.0, float(np.abs(x).max())))
        sector = np.floor((angle / (2 * np.pi) + 0.5 / SECTORS) * SECTORS).astype(np.intp) % SECTORS
    return Patch(template, edges[places[:, 1], places[:, 0]], sector, _fields(template.points))


def _fields(points: npt.NDArray[np.float64]) -> npt.NDArray[np.intp]:
    if len(points) == 0:
        return np.zeros(0, np.intp)
    places = (points - points.min(axis=0)) * FIELDS / (np.ptp(points, axis=0) + 1)
    return places[:, 1].astype(np.intp) * FIELDS + places[:, 0].astype(np.intp)


def judge(patch: Patch, scene: Scene, motion: Similarity) -> Match:
    """Compare the patch, moved, with the frame."""
    if len(patch.template.points) == 0:
        return Match(0.0, 0.0, 1.0, 0.0)
    return _match(patch, *_agreement(patch, scene, motion))


def judge_twice(patch: Patch, scene: Scene, motion: Similarity) -> tuple[Match, float]:
    """Give what `judge` gives and the first of `judge_fields`, for the work of one."""
    if len(patch.template.points) == 0:
        return Match(0.0, 0.0, 1.0, 0.0), 0.0
    found = _agreement(patch, scene, motion)
    return _match(patch, *found), _firmness(patch, *found)[0]


def _match(patch: Patch, agreement: Floats, outline: Floats, expected: Floats) -> Match:
    total = float(expected.sum(dtype=np.float64))
    seen = total / max(patch.energy, 1e-9)
    if seen < LEAST_SHARE:
        return Match(0.0, seen, 1.0, 0.0)
    share = float(agreement.sum(dtype=np.float64)) / total
    shape = float(outline.sum(dtype=np.float64)) / total
    sums, totals = np.bincount(patch.sector, agreement, SECTORS), np.bincount(patch.sector, expected, SECTORS)
    # A sector with next to no edges of its own says nothing.
    speaking = totals > 0.2 * patch.energy / SECTORS
    gone = float((speaking & (sums < GONE_SECTOR * totals)).sum()) / SECTORS
    return Match(min(1.0, max(0.0, share)), seen, gone, min(1.0, max(0.0, shape)))


def judge_fields(patch: Patch, scene: Scene, motion: Similarity) -> tuple[float, Floats]:
    """Judge the patch field by field (FIELDS x FIELDS).

    Gives the share of its edges that lie in fields which fit well, and a weight (n,) for each point: 0 where its field shows
    something else, 1 where it fits. Where something stands in front, the right motion makes some fields fit fully and others
    not at all; a wrong one makes all fit somewhat. So the first number tells the right motion from a tempting one.
    """
    return _firmness(patch, *_agreement(patch, scene, motion))


def _firmness(patch: Patch, agreement: Floats, outline: Floats, expected: Floats) -> tuple[float, Floats]:
    sums = np.maximum(np.bincount(patch.field, agreement, FIELDS**2), np.bincount(patch.field, outline, FIELDS**2))
    totals = np.bincount(patch.field, expected, FIELDS**2)
    share = sums / np.maximum(totals, 1e-6)
    firmness = np.clip((share - CHANCE_FIELD) / (1 - CHANCE_FIELD), 0, 1) ** 2
    firm = float((totals * firmness).sum() / max(float(totals.sum()), 1e-6))
    return firm, np.clip((share - 0.5) / 0.3, 0, 1).astype(np.float32)[patch.field]


def _agreement(patch: Patch, scene: Scene, motion: Similarity) -> tuple[Floats, Floats, Floats]:
    """Give for each point (n,) how far the edges agree, how far their outlines do (whichever side is the brighter: the edge of
    a screen whose own light went out is still there), and the most it could be. Chance gives 0 on average for both."""
    template = patch.template
    places = move(motion, template.points)
    found, trust = look_up(scene.edges, places, scene.seen)
    if scene.glare is not None:
        trust = trust * (look_up(scene.glare, places, scene.seen)[0] < 0.01)
    length = float(np.hypot(motion[0, 0], motion[1, 0]))
    turned = patch.edges * np.complex64(complex(motion[0, 0] / length, motion[1, 0] / length))
    weights = (template.weights * trust).astype(np.float32)
    along = turned.real * found[:, 0] + turned.imag * found[:, 1]
    across = turned.real * found[:, 1] - turned.imag * found[:, 0]
    return weights * along, weights * (along**2 - across**2), weights * (turned.real**2 + turned.imag**2)
