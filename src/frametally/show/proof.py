"""Takes a finding, the evidence crops and the strips of the photos and gives the pictures that prove it, ready for the page."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from frametally.model import Display, Finding
from frametally.show.cards import LimitNote
from frametally.show.strips import Strips
from frametally.show.tables import format_text, format_value
from frametally.show.traces import read_axis, read_trace
from frametally.show.wording import with_unit

TILES_OF_AVERAGE, TILES_OF_EVIDENCE = 5, 3
"""So many photos stand for an average over many, and so many for a finding that names its photos."""


@dataclass(frozen=True)
class Crop:
    """A piece of a photo that shows a number.

    `image` is the bytes of a PNG or JPEG file; `verified` says that the reading is settled; `when` which photo it is
    and from what time ("1st of 9 photos, 22:52").
    """

    caption: str
    frame: str
    key: str
    image: bytes
    verified: bool
    when: str = ""


class Proofs:
    """The pictures of a night; gives those of a finding."""

    def __init__(
        self,
        table: pd.DataFrame,
        displays: Sequence[Display],
        crops: Sequence[Crop],
        strips: Strips | None,
        notes: Mapping[str, LimitNote],
    ) -> None:
        """Raises `ValueError` where a crop is neither PNG nor JPEG."""
        self.pictures = [_picture(crop, number) for number, crop in enumerate(crops, start=1)]
        self._table, self._strips, self._notes = table, strips, notes
        self._displays = {display.key: display for display in displays}
        self._frames = [format_text(name) for name in table["frame"].tolist()]
        self._axis = read_axis(table)

    def pictures_of(self, finding: Finding) -> list[dict[str, Any]]:
        """Give the evidence crops of a finding."""
        return [p for p in self.pictures if p["crop"].frame in finding.evidence and p["crop"].key == finding.key]

    def tiles_of(self, finding: Finding) -> list[dict[str, str]]:
        """Give small pictures of the display in the finding's photos; for an average some of those it was formed of."""
        if self._strips is None or finding.key not in self._displays:
            return []
        note = self._notes.get(finding.limit)
        rows = [row for row in map(self._row_of, finding.evidence) if row is not None]
        if finding.slug == "limit" and note is not None and note.average and len(rows) >= 2:
            rows = self._spread(finding.key, min(rows), max(rows))
        tiles = (self._tile(finding.key, row) for row in rows[: max(TILES_OF_AVERAGE, TILES_OF_EVIDENCE)])
        most = TILES_OF_AVERAGE if note is not None and note.average else TILES_OF_EVIDENCE
        return [tile for tile in tiles if tile is not None][:most]

    def _row_of(self, frame: str) -> int | None:
        return self._frames.index(frame) if frame in self._frames else None

    def _spread(self, key: str, first: int, last: int) -> list[int]:
        """Give rows spread over a time, all settled and with a picture, the highest among them."""
        trace = read_trace(self._table, self._displays[key])
        images = self._strips.images if self._strips is not None else {}
        rows = [row for row in range(first, last + 1) if trace.settled[row] and self._frames[row] in images]
        if len(rows) <= TILES_OF_AVERAGE:
            return rows
        places = np.linspace(0, len(rows) - 1, TILES_OF_AVERAGE).round().astype(int)
        chosen = {rows[place] for place in places.tolist()}
        top = max(rows, key=lambda row: (trace.values[row], -row))
        if top not in chosen:
            chosen.remove(min(chosen, key=lambda row: (abs(row - top), row)))
            chosen.add(top)
        return sorted(chosen)

    def _tile(self, key: str, row: int) -> dict[str, str] | None:
        data = self._strips.tile(self._frames[row], key) if self._strips is not None else None
        if data is None:
            return None
        display = self._displays[key]
        trace = read_trace(self._table, display)
        value = format_value(float(trace.values[row]), display.resolution)
        shown = with_unit(value, display.unit) if value else trace.flags[row].replace("_", " ")
        doubt = "?" if trace.doubtful[row] else ""
        return {
            "uri": _uri(data, "jpeg"),
            "frame": self._frames[row],
            "when": self._axis.text_at(row),
            "value": f"{shown}{doubt}",
        }


def _picture(crop: Crop, number: int) -> dict[str, Any]:
    if crop.image.startswith(b"\x89PNG"):
        kind = "png"
    elif crop.image.startswith(b"\xff\xd8\xff"):
        kind = "jpeg"
    else:
        raise ValueError(f"the crop of {crop.key} in {crop.frame} is neither PNG nor JPEG")
    return {"id": f"photo-{number}", "crop": crop, "uri": _uri(crop.image, kind)}


def _uri(data: bytes, kind: str) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"
