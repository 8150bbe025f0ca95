"""Takes the photos of a night that was read and gives each display's picture in each of them; of photos that are gone, what an
earlier run has kept."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence

import cv2
import numpy as np

from frametally.aim import Registrar, reference_of
from frametally.crops import cut_display, kept_strips
from frametally.desk.photos import Photos, quick_look
from frametally.desk.pictures import encode_jpeg
from frametally.errors import BadFrame, BadInput, CalibrationMisfit
from frametally.eyes import Settings, fingerprint_or_none
from frametally.model import Corners, Display, FrameRecord
from frametally.read import rectify
from frametally.read.rectify import PAD, ink_of
from frametally.results import Results
from frametally.show.strips import Strips, cut_strip, strip_widths

VIEW_ROWS = 720
"""A whole photo is shown with about so many rows."""

_KEPT_PLACES, _KEPT_PICTURES = 4000, 600

PHOTO, EVIDENCE, NONE = "photo", "evidence", "none"
"""Where a display's picture comes from."""


class Sights:
    """The pictures of every display in every frame. Safe to share between the threads of a server."""

    def __init__(self, photos: Photos, settings: Settings, folder: Results, records: Sequence[FrameRecord]) -> None:
        self._photos, self._settings, self._records = photos, settings, records
        self.displays = settings.calibration.displays
        marked = {display.key: display.corners for display in self.displays}
        self._widths = strip_widths(marked)
        self._strips = Strips(self._widths, kept_strips(folder, records, settings.calibration))
        self._registrar: Registrar | None = None
        self._places: OrderedDict[int, Mapping[str, Corners]] = OrderedDict()
        self._pictures: OrderedDict[tuple[str, int, str], bytes] = OrderedDict()
        self._lock, self._opening = threading.Lock(), threading.Lock()

    def source(self, number: int) -> str:
        """Say whether a picture comes from the photo, from what an earlier run kept, or from nowhere."""
        if self._photos.frame(number).path.exists() and not self._records[number].problem:
            return PHOTO
        return EVIDENCE if self._photos.frame(number).name in self._strips.images else NONE

    def raw(self, number: int, display: Display) -> bytes:
        """Give the surroundings of a display, its region outlined, as JPEG. Raises `BadInput` where there is no picture."""
        return self._once("raw", number, display, self._cut_raw)

    def evened(self, number: int, display: Display) -> bytes:
        """Give a display straight on, dark on white, the light evened out, as JPEG. Raises `BadInput` as `raw`."""
        return self._once("evened", number, display, self._cut_evened)

    def tile(self, number: int, display: Display) -> bytes:
        """Give a small picture of a display: the one that a run kept, or one cut now. Raises `BadInput` as `raw`."""
        return self._once("tile", number, display, self._cut_tile)

    def view(self, number: int) -> bytes:
        """Give a whole photo at the size of a screen. Raises `BadInput` where it is gone or damaged."""
        frame = self._photos.frame(number)
        if not frame.path.exists():
            raise BadInput(f"the photo {frame.name} is no longer where it was")
        try:
            quick = quick_look(frame, VIEW_ROWS, thumbnail=False)
        except BadFrame as problem:
            raise BadInput(f"{frame.name}: {problem}") from None
        pixels = self._photos.pixels(number) if quick is None else quick
        factor = VIEW_ROWS / pixels.shape[0]
        if factor < 0.9:
            pixels = cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA).astype(np.uint8)
        return encode_jpeg(pixels, 85)

    # --- how ------------------------------------------------------------------------------------------------------------

    def _cut_raw(self, number: int, display: Display) -> bytes:
        if self.source(number) == EVIDENCE:
            return self._kept(number, display)
        return encode_jpeg(cut_display(self._pixels(number), self._corners(number, display)), 90)

    def _cut_evened(self, number: int, display: Display) -> bytes:
        pixels = self._pixels(number)
        strip = rectify(pixels, self._corners(number, display))
        ink = max((ink_of(strip, dark=dark) for dark in (True, False)), key=lambda one: one.likely)
        shown = np.clip(255 * (1 - ink.map[PAD:-PAD, PAD:-PAD]), 0, 255).astype(np.uint8)
        return encode_jpeg(cv2.copyMakeBorder(shown, 12, 12, 12, 12, cv2.BORDER_CONSTANT, value=255), 90)

    def _cut_tile(self, number: int, display: Display) -> bytes:
        if self._photos.frame(number).name in self._strips.images:
            return self._kept(number, display)
        corners = {display.key: self._corners(number, display)}
        return cut_strip(self._pixels(number), corners, {display.key: self._widths[display.key]})

    def _kept(self, number: int, display: Display) -> bytes:
        found = self._strips.tile(self._photos.frame(number).name, display.key)
        if found is None:
            raise BadInput("no picture of this display was kept")
        return found

    def _pixels(self, number: int) -> np.ndarray:
        frame, record = self._photos.frame(number), self._records[number]
        if not frame.path.exists():
            raise BadInput(f"the photo {frame.name} is no longer where it was, and no picture of this display was kept")
        if record.problem:
            raise BadInput(f"{frame.name}: {record.problem}")
        return self._photos.pixels(number)

    def _corners(self, number: int, display: Display) -> Corners:
        """Give where a display lies in a frame; where it was not found, where it was marked."""
        with self._lock:
            found = self._places.get(number)
        if found is None:
            self._check_same(number)
            found = self._open().locate(self._pixels(number)).corners
            with self._lock:
                self._places[number] = found
                while len(self._places) > _KEPT_PLACES:
                    self._places.popitem(last=False)
        return found.get(display.key, display.corners)

    def _check_same(self, number: int) -> None:
        frame, record = self._photos.frame(number), self._records[number]
        if fingerprint_or_none(frame)[1] != record.sha256:
            raise BadInput(f"the photo {frame.name} is not the one that was read: the file was changed since")

    def _open(self) -> Registrar:
        with self._opening:
            if self._registrar is None:
                calibration = self._settings.calibration
                try:
                    reference = reference_of(calibration, [frame.name for frame in self._photos.night.frames])
                except CalibrationMisfit as misfit:
                    raise BadInput(str(misfit)) from None
                number = self._photos.number_of(reference)
                if number is None or not self._photos.frame(number).path.exists():
                    raise BadInput(f"the photo {reference}, on which the displays were marked, is no longer where it was")
                pixels = self._photos.pixels(number)
                self._registrar = Registrar(pixels, calibration, lost_below=self._settings.method.lost_below)
            return self._registrar

    def _once(self, kind: str, number: int, display: Display, make: Callable[[int, Display], bytes]) -> bytes:
        key = (kind, number, display.key)
        with self._lock:
            known = self._pictures.get(key)
        if known is not None:
            return known
        made = make(number, display)
        with self._lock:
            self._pictures[key] = made
            while len(self._pictures) > _KEPT_PICTURES:
                self._pictures.popitem(last=False)
        return made
