"""Takes a marked display and gives what the tool reads there: in the frame it was marked on, and in others as a run would."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from frametally.aim import Registrar
from frametally.desk.drafts import Draft, Marked, display_of, named
from frametally.desk.photos import Photos
from frametally.desk.pictures import crop_of, data_url
from frametally.desk.proposals import masks_for, range_of, resolution_of, surest_mask
from frametally.errors import BadInput
from frametally.marks import cut_words
from frametally.model import FLAG_MEANING, Calibration, Corners, Display, Flag, Instrument, Method, Placement, Reading
from frametally.read import Reader, read_display, rectify
from frametally.read.legibility import inspect
from frametally.read.reader import read_segments

FIRST_LOOK_MASKS = 2
"""So many masks are tried at once when a region is new; the others when it has been shown."""

PROPOSED_FROM = 4
"""A mask is proposed from what so many frames show."""

_KEPT = {"try": 100, "registrar": 2, "reader": 20, "placement": 200}
"""So many things of each kind are kept: a registrar of a large photo takes much memory, a placement none to speak of."""

_T = TypeVar("_T")

_SAID = {
    Flag.OK: "sure",
    Flag.DOUBTFUL: "not sure",
    Flag.OVER_RANGE: "over range",
    Flag.UNDER_RANGE: "under range",
    Flag.STATUS: "a word",
    Flag.BLANK: "off",
    Flag.HIDDEN: "hidden",
    Flag.LOST: "not found",
    Flag.UNREADABLE: "not read",
}


class Previews:
    """What is read of marked displays. Safe to share between the threads of a server."""

    def __init__(self, photos: Photos) -> None:
        self._photos = photos
        self._method = Method()
        self._made: OrderedDict[tuple[Hashable, ...], Any] = OrderedDict()
        self._lock = threading.RLock()

    def here(self, number: int, marked: Marked) -> dict[str, Any]:
        """Read a display on the frame it is marked on; where it has no mask yet, with the likeliest few.

        A number is not sure where the mark seems to cut a digit. One that stands beside the mark may belong to a display that
        is yet to be marked: of that a run tells, which knows them all.
        """
        pixels, mask = self._photos.pixels(number), ""
        if marked.masks or marked.kind == "text":
            reading = self._read(pixels, display_of(marked, self._size(number)))
        else:
            masks = masks_for(marked.quantity, marked.unit, marked.corners)[:FIRST_LOOK_MASKS]
            mask, _ = surest_mask(masks, lambda mask: [self._try(number, marked, marked.corners, mask)])
            reading = self._try(number, marked, marked.corners, mask)
        shown = self._shown(reading, crop_of(pixels, marked.corners))
        if reading.value is not None:
            display = display_of(marked, self._size(number), mask)
            cut = cut_words(replace(inspect(pixels, marked.corners, display, reading.text).tight, beside=()))
            shown |= {"said": "cut?", "level": "unsure", "why": cut} if cut else {}
        return shown

    def propose(self, number: int, marked: Marked, draft: Draft) -> dict[str, Any]:
        """Give mask, range and resolution for a display, from what some frames of the night show."""
        others = spread(len(self._photos), PROPOSED_FROM - 1, number)
        placed = [(number, marked.corners)]
        for other in others:
            corners = self._place(number, draft, other, marked)
            if corners is not None:
                placed.append((other, corners))

        def read(mask: str) -> list[Reading]:
            return [self._try(frame, marked, corners, mask) for frame, corners in placed]

        mask, sureness = surest_mask(masks_for(marked.quantity, marked.unit, marked.corners), read)
        return {
            "digits": mask,
            "resolution": resolution_of(mask),
            "range": range_of(mask, marked.unit),
            "sureness": sureness,
            "frames": len(placed),
        }

    def there(self, number: int, marked: Marked, draft: Draft, other: int) -> dict[str, Any]:
        """Read a display in another frame as a run would: found by registration, read by what the marked frame taught."""
        name = self._photos.frame(other).name
        display = display_of(marked, self._size(number)).model_copy(update={"key": marked.id})
        try:
            placement = self._placement(number, draft, other)
            corners = placement.corners.get(marked.id)
            reader = self._once(
                ("reader", number, display.model_dump_json()), lambda: Reader(self._photos.pixels(number), (display,))
            )
            reading = reader.read(self._photos.pixels(other), placement)[marked.id]
        except BadInput as problem:
            return {
                "frame": name,
                "number": other,
                "text": "",
                "said": "no photo",
                "level": "none",
                "why": str(problem),
                "crop": "",
            }
        seen = crop_of(self._photos.pixels(other), corners if corners is not None else marked.corners)
        return {"frame": name, "number": other, **self._shown(self._with_doubt(reading), seen)}

    def carry(self, draft: Draft, number: int, other: int) -> dict[str, Corners]:
        """Give where the displays lie in another frame, by their ids; those that are not found there lack."""
        return dict(self._placement(number, draft, other).corners)

    # --- how ------------------------------------------------------------------------------------------------------------

    def _size(self, number: int) -> tuple[int, int]:
        rows, columns = self._photos.pixels(number).shape[:2]
        return columns, rows

    def _read(self, pixels: np.ndarray, display: Display) -> Reading:
        return read_display(pixels, display.masks, display.corners, display.kind)

    def _try(self, number: int, marked: Marked, corners: Corners, mask: str) -> Reading:
        """Read with one mask of several: by the bars and the network alone, for most of the masks are wrong."""
        pixels = self._photos.pixels(number)
        display = display_of(marked.model_copy(update={"digits": ""}), self._size(number), mask)  # no range of another mask
        if display.kind == "text":
            return read_display(pixels, mask, corners, display.kind)
        key = ("try", number, corners, mask)
        return self._once(key, lambda: self._with_doubt(read_segments(rectify(pixels, corners), display)), alone=False)

    def _with_doubt(self, reading: Reading) -> Reading:
        doubtful = reading.flag is Flag.OK and reading.confidence < self._method.doubtful_below
        return replace(reading, flag=Flag.DOUBTFUL) if doubtful else reading

    def _shown(self, reading: Reading, crop: np.ndarray) -> dict[str, Any]:
        rivals = [rival.text for rival in reading.rivals[1:3] if rival.probability >= 0.01 and rival.text]
        level = {Flag.OK: "sure", Flag.OVER_RANGE: "sure", Flag.UNDER_RANGE: "sure", Flag.DOUBTFUL: "unsure"}.get(
            reading.flag, "none"
        )
        return {
            "text": reading.text,
            "value": reading.value,
            "confidence": round(reading.confidence, 4),
            "said": _SAID[reading.flag],
            "level": level,
            "why": FLAG_MEANING[reading.flag][0],
            "rivals": rivals,
            "crop": data_url(crop),
        }

    def _place(self, number: int, draft: Draft, other: int, marked: Marked) -> Corners | None:
        try:
            return self._placement(number, draft, other).corners.get(marked.id)
        except BadInput:
            return None

    def _placement(self, number: int, draft: Draft, other: int) -> Placement:
        marks = tuple((marked.id, marked.corners, marked.instrument) for marked in named(draft).displays)
        registrar = self._once(("registrar", number, marks), lambda: self._registrar(number, draft))
        pixels = self._photos.pixels(other)
        if pixels.shape != self._photos.pixels(number).shape:
            raise BadInput("this photo is of another size")
        return self._once(("placement", number, marks, other), lambda: registrar.locate(pixels), alone=False)

    def _registrar(self, number: int, draft: Draft) -> Registrar:
        size = self._size(number)
        faces: dict[str, list[Display]] = {}
        for marked in named(draft).displays:
            try:
                display = display_of(marked, size)
            except BadInput:
                continue  # it is told of where it is worked on
            faces.setdefault(marked.instrument, []).append(display.model_copy(update={"key": marked.id}))
        if not faces:
            raise BadInput("no display is marked yet")
        instruments = tuple(Instrument.model_construct(name=name, display=tuple(shown)) for name, shown in faces.items())
        calibration = Calibration.model_construct(
            format=1, title="", reference_frame=draft.reference, frame_size=size, instrument=instruments
        )
        return Registrar(self._photos.pixels(number), calibration, lost_below=self._method.lost_below)

    def _once(self, key: tuple[Hashable, ...], make: Callable[[], _T], *, alone: bool = True) -> _T:
        """Make a thing once and keep the last ones made; `alone` makes other threads wait for it rather than make it too."""
        with self._lock:
            if key in self._made:
                self._made.move_to_end(key)
                return self._made[key]
            if alone:
                return self._keep(key, make())
        made = make()
        with self._lock:
            return self._keep(key, made)

    def _keep(self, key: tuple[Hashable, ...], made: _T) -> _T:
        self._made[key] = made
        alike = [kept for kept in self._made if kept[0] == key[0]]
        for old in alike[: -_KEPT[str(key[0])]]:
            del self._made[old]
        return made


def spread(length: int, count: int, without: int) -> Sequence[int]:
    """Give the numbers of `count` frames spread evenly over a night of `length`, all but one; fewer where there are fewer."""
    rest = [number for number in range(length) if number != without]
    if len(rest) <= count:
        return rest
    return [rest[round(step * (len(rest) - 1) / max(count - 1, 1))] for step in range(count)]
