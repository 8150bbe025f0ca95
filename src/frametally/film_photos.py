"""Takes a night's photos and what the run knows of them; gives each as it stands in the film, and where its displays lie there.

An instrument may be moved while the camera stands still. The journal has no places of displays, so each is looked for once more,
in the film's own pixels: the surroundings of an instrument that stands where it stood are known at a glance, and only where
they are not is the whole search made.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from frametally.aim import Registrar, reference_of
from frametally.aim.fields import DARK_OFFSET, edges_of
from frametally.errors import BadFrame, CalibrationMisfit
from frametally.frames.reduced import load_reduced
from frametally.model import Calibration, Corners, Frame, FrameRecord, Night, Shift
from frametally.show.film_layout import Box, Outline, View

Pixels = npt.NDArray[np.uint8]
Similarity = npt.NDArray[np.float64]

AT_HOME = 0.7
"""Where the edges around an instrument agree so well, from 0 to 1, it stands where it stood. In practice nights, dark, noisy and
blurred ones as well, they agree from 0.8 on, and less than this where it was slid by a tenth of a display's height."""

GLANCE_PX = 700
"""The longer side of the picture that is glanced at, about. [px]"""

STILL_SHARE = 0.1
"""A display that strayed by less than this share of the lowest display's height of its instrument is drawn where it is marked:
frames shall not tremble."""

_LOGS = np.log(np.arange(256, dtype=np.float32) + np.float32(DARK_OFFSET))


class Seen(NamedTuple):
    """A photo for its place in the film, or None and why there is none; `outlines` of the displays in the film, None where all
    are where they are marked."""

    pixels: Pixels | None
    reason: str
    outlines: tuple[Outline, ...] | None = None


class PhotoDesk:
    """Gives each photo as it stands in the film: decoded small, put back to where the reference lies, cut to its place."""

    def __init__(
        self, night: Night, records: Sequence[FrameRecord], calibration: Calibration, view: View, place: Box, lost_below: float
    ) -> None:
        """`place` is the photo's in the film, `lost_below` as the night's method has it."""
        self._frames = {frame.name: frame for frame in night.frames}
        self._records = {record.frame: record for record in records}
        self._size = calibration.frame_size
        self._view, self._place = view, place
        self.missing: dict[str, str] = {}
        self.problem = ""
        """Why displays are not followed where their instrument was moved, "" where they are."""
        self._follower = self._make_follower(calibration, lost_below)

    def look(self, name: str) -> Seen:
        """Give a photo's pixels (height, width, 4) for its place in the film, or None and why there is none. Thread-safe."""
        if not name:
            return Seen(None, "No photo: a gap in the time-lapse")
        try:
            pixels = self._placed(self._frames[name], self._records[name])
        except BadFrame as problem:
            self.missing[name] = str(problem)
            return Seen(None, f"Photo not shown: {_first_sentence(str(problem))}")
        return Seen(pixels, "", self._follower.find(pixels) if self._follower is not None else None)

    def _make_follower(self, calibration: Calibration, lost_below: float) -> Follower | None:
        try:
            name = reference_of(calibration, list(self._records))
            reference = self._placed(self._frames[name], self._records[name])
        except (BadFrame, CalibrationMisfit) as problem:
            self.problem = f"the photo they were marked on cannot be looked at: {problem}"
            return None
        return Follower(reference, calibration, self._view, self._place, lost_below)

    def _placed(self, frame: Frame, record: FrameRecord) -> Pixels:
        if record.problem:
            raise BadFrame(record.problem)
        left, top, right, bottom = self._place
        back = _to_photo(self._view, (left, top), record.shift, self._size)
        size = (right - left, bottom - top)
        picture, full = load_reduced(frame, min(1.0, self._view.scale), _needed(back, size))
        if picture.sha256 != record.sha256:
            raise BadFrame("this is not the photo that was read; it has changed since")
        if full != self._size:
            raise BadFrame(f"it has {full[0]} x {full[1]} pixels, not {self._size[0]} x {self._size[1]} as the calibration says")
        height, width = picture.pixels.shape[:2]
        matrix = _to_decoded(full, (width, height)) @ back
        first, last = (min(max(row, 0), height - 1) for row in (_needed(matrix, size)[1], _needed(matrix, size)[3]))
        rows = picture.pixels[first : last + 1]
        matrix[1, 2] -= first
        four = cv2.cvtColor(rows, cv2.COLOR_BGR2BGRA)  # four bytes a pixel are moved more than twice as fast as three
        ground = (27, 22, 14, 255)  # blue, green, red of the page
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        warped = cv2.warpAffine(four, matrix[:2], size, flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=ground)
        return np.asarray(warped, np.uint8)


def _to_photo(view: View, corner: tuple[int, int], shift: Shift | None, full: tuple[int, int]) -> Similarity:
    """Give where a pixel of the photo's place in the film comes from in the photo, as 3 x 3 numbers.

    Two steps: film to reference photo, and reference to this photo (as `aim` gives the shift: about the picture's middle, turned
    clockwise, then moved).
    """
    scale = view.scale
    offset = ((corner[0] + 0.5 - view.left) / scale - 0.5, (corner[1] + 0.5 - view.top) / scale - 0.5)
    to_reference = np.array([[1 / scale, 0, offset[0]], [0, 1 / scale, offset[1]], [0, 0, 1]])
    moved = shift or Shift(0.0, 0.0, 0.0, 1.0, 0.0)
    turn = math.radians(moved.rotation_deg)
    along, across = moved.scale * math.cos(turn), moved.scale * math.sin(turn)
    middle = np.array([(full[0] - 1) / 2, (full[1] - 1) / 2])
    start = middle + np.array([moved.dx, moved.dy]) - np.array([[along, -across], [across, along]]) @ middle
    to_frame = np.array([[along, -across, start[0]], [across, along, start[1]], [0, 0, 1]])
    return np.asarray(to_frame @ to_reference, np.float64)


def _to_decoded(full: tuple[int, int], decoded: tuple[int, int]) -> Similarity:
    """Give where a pixel of the photo stands in the photo as it was decoded."""
    wide, high = decoded[0] / full[0], decoded[1] / full[1]
    return np.array([[wide, 0, (wide - 1) / 2], [0, high, (high - 1) / 2], [0, 0, 1]])


def _needed(to_photo: Similarity, size: tuple[int, int]) -> Box:
    """Give the region that a place of this size shows, of what `to_photo` leads to. [px]"""
    corners = np.array([[0, 0, 1], [size[0] - 1, 0, 1], [0, size[1] - 1, 1], [size[0] - 1, size[1] - 1, 1]], float)
    there = (corners @ to_photo.T)[:, :2]
    left, top = np.floor(there.min(axis=0)).astype(int).tolist()
    right, bottom = np.ceil(there.max(axis=0)).astype(int).tolist()
    return left - 1, top - 1, right + 2, bottom + 2


def _first_sentence(text: str) -> str:
    return text.split(". ")[0].split("; ")[0].rstrip(".")


# --- where the displays are -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Home:
    """The surroundings of one instrument in the reference: their box, by how much they are made smaller, and their edges, 0 where
    the digits are and beyond what surrounds them."""

    box: Box
    step: int
    edges: npt.NDArray[np.complex64]

    @classmethod
    def of(cls, reference: Pixels, outlines: Sequence[Outline]) -> _Home:
        """Take what lies around an instrument's displays, up to the height of each."""
        digits, around = np.zeros(reference.shape[:2], np.uint8), np.zeros(reference.shape[:2], np.uint8)
        for outline in outlines:
            alone = np.zeros(reference.shape[:2], np.uint8)
            cv2.fillConvexPoly(alone, np.round(outline).astype(np.int32), 1)
            reach = max(6, round(float(np.linalg.norm(outline[3] - outline[0]))))
            around |= cv2.dilate(alone, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
            digits |= cv2.dilate(alone, np.ones((5, 5), np.uint8))
        step = max(1, round(max(reference.shape[:2]) / GLANCE_PX))
        left, top, width, height = cv2.boundingRect(around)
        box = (left, top, left + max(1, width // step) * step, top + max(1, height // step) * step)
        kept = (around & ~digits)[top : box[3], left : box[2]][::step, ::step]
        return cls(box, step, _edges(reference, box, step) * kept)

    def share(self, placed: Pixels) -> float:
        """Give how well the edges of another photo agree: 1 where they are the same, 0 where they have nothing in common."""
        edges = _edges(placed, self.box, self.step)[self.edges != 0]
        known = self.edges[self.edges != 0]
        return float(np.vdot(known, edges).real) / max(float(np.linalg.norm(known) * np.linalg.norm(edges)), 1e-9)


def _edges(placed: Pixels, box: Box, step: int) -> npt.NDArray[np.complex64]:
    """Give the edges in a part of a photo, whatever its light."""
    part = cv2.cvtColor(placed[box[1] : box[3], box[0] : box[2]], cv2.COLOR_BGRA2GRAY)
    size = ((box[2] - box[0]) // step, (box[3] - box[1]) // step)
    small = part if step == 1 else cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    log = cv2.GaussianBlur(cv2.LUT(small, _LOGS), (0, 0), 0.8)
    return edges_of(np.asarray(log, np.float32))


class Follower:
    """Finds the displays in photos that stand in their place of the film. Nothing in it changes after it is made."""

    def __init__(self, reference: Pixels, calibration: Calibration, view: View, place: Box, lost_below: float) -> None:
        """`reference` is the reference photo in its place."""
        self._corner, size = np.array(place[:2], float), (place[2] - place[0], place[3] - place[1])
        marked = [[view.place(display.corners) - self._corner for display in one.display] for one in calibration.instrument]
        self._marked = {
            display.key: outline
            for one, outlines in zip(calibration.instrument, marked, strict=True)
            for display, outline in zip(one.display, outlines, strict=True)
        }
        self._instruments = tuple(tuple(display.key for display in one.display) for one in calibration.instrument)
        self._registrar = Registrar(_colours(reference), self._scaled(calibration, size), lost_below=lost_below)
        self._homes = tuple(_Home.of(reference, outlines) for outlines in marked)

    def find(self, placed: Pixels) -> tuple[Outline, ...] | None:
        """Give the outlines of all displays in the film, in the calibration's order; None where all are where they are marked."""
        if all(home.share(placed) >= AT_HOME for home in self._homes):
            return None
        corners = self._registrar.locate(_colours(placed)).corners
        outlines = [self._follow(key, keys, corners) for keys in self._instruments for key in keys]
        if all(outline is self._marked[key] for outline, key in zip(outlines, self._marked, strict=True)):
            return None
        return tuple(outline + self._corner for outline in outlines)

    def _follow(self, key: str, keys: tuple[str, ...], corners: Mapping[str, Corners]) -> Outline:
        """Give where a display is: where it was found, else where another of its instrument says, else where it is marked."""
        here = self._marked[key]
        known = next((other for other in (key, *keys) if other in corners), None)
        if known is None:
            return here
        motion, _ = cv2.estimateAffinePartial2D(self._marked[known], np.asarray(corners[known], float))
        if motion is None:
            return here
        there = np.round(here @ motion[:, :2].T + motion[:, 2])
        lowest = min(float(np.linalg.norm(self._marked[other][3] - self._marked[other][0])) for other in keys)
        return there if np.abs(there - here).max() > max(1.0, STILL_SHARE * lowest) else here

    def _scaled(self, calibration: Calibration, size: tuple[int, int]) -> Calibration:
        """Give the calibration as it is for photos that stand in their place."""
        instruments = tuple(
            one.model_copy(
                update={
                    "display": tuple(
                        display.model_copy(update={"corners": tuple(map(tuple, self._marked[display.key].tolist()))})
                        for display in one.display
                    )
                }
            )
            for one in calibration.instrument
        )
        return calibration.model_copy(update={"frame_size": size, "instrument": instruments})


def _colours(placed: Pixels) -> Pixels:
    return np.asarray(cv2.cvtColor(placed, cv2.COLOR_BGRA2BGR), np.uint8)
