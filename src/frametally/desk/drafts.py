"""Takes the work as the page sends it, keeps it in a file beside the calibration, and turns it into a calibration.

The draft is written with every change and removed when the calibration is saved: a closed tab, a stopped desk or a power cut
costs nothing.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from frametally.calibration_writer import plain, tuples
from frametally.corners import corners_fault
from frametally.desk.proposals import name_all, resolution_of
from frametally.errors import BadInput
from frametally.faults import sentences
from frametally.model import FORMAT, Calibration, Corners, Display
from frametally.show.files import write_json

MOST_DISPLAYS = 60
_TEXT = 200


class Marked(BaseModel):
    """One display as far as the user has got with it; `own` names the fields set by hand, which no proposal changes."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    id: str = Field(max_length=40)
    corners: Corners
    quantity: str = Field("", max_length=_TEXT)
    unit: str = Field("", max_length=40)
    digits: str | tuple[str, ...] = ""
    range: tuple[float, float] | None = None
    resolution: float | None = None
    accuracy: dict[str, float] | None = None
    kind: str = Field("segments", max_length=20)
    status: dict[str, str] = Field(default_factory=dict)
    key: str = Field("", max_length=_TEXT)
    instrument: str = Field("", max_length=_TEXT)
    own: tuple[str, ...] = ()

    @property
    def masks(self) -> tuple[str, ...]:
        """The masks; none where none is known yet."""
        return tuple(mask for mask in ((self.digits,) if isinstance(self.digits, str) else self.digits) if mask)


class Draft(BaseModel):
    """The work of one desk: the photo marked on (by name), the displays, and the answers of the trial's form, by their names."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    reference: str
    title: str = Field("", max_length=_TEXT)
    displays: tuple[Marked, ...] = Field((), max_length=MOST_DISPLAYS)
    trial: dict[str, Any] = Field(default_factory=dict)


def draft_of(calibration: Calibration, reference: str, trial: dict[str, Any]) -> Draft:
    """Give a calibration as work to go on with: everything in it was set by hand."""
    displays = []
    for number, display in enumerate(calibration.displays):
        said = display.model_dump(exclude_unset=True)
        own = tuple(name for name in said if name != "corners")
        displays.append(Marked(id=f"d{number}", own=own, **said))
    return Draft(reference=reference, title=calibration.title, displays=tuple(displays), trial=trial)


def parse_draft(data: Any) -> Draft:
    """Check what a page sent. Raises `BadInput` where it is no draft."""
    try:
        return Draft.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BadInput(f"the page sent something odd ({where}: {first['msg']}); reload the page") from None


def named(draft: Draft) -> Draft:
    """Give the draft with every display's instrument and key filled in."""
    names = name_all([display.model_dump() for display in draft.displays])
    displays = tuple(display.model_copy(update=given) for display, given in zip(draft.displays, names, strict=True))
    return draft.model_copy(update={"displays": displays})


def display_of(marked: Marked, frame_size: tuple[int, int], mask: str = "") -> Display:
    """Give a display to read with, whatever is still missing filled in for the moment. Raises `BadInput` where it cannot be."""
    fault = corners_fault([list(corner) for corner in marked.corners], list(frame_size))
    if fault:
        raise BadInput(f"The corners: {fault}")
    masks = (mask,) if mask else marked.masks or ("###",)
    said: dict[str, Any] = {
        "key": marked.key or "display",
        "quantity": marked.quantity or "reading",
        "unit": marked.unit,
        "corners": marked.corners,
        "digits": masks[0] if len(masks) == 1 else masks,
        "kind": marked.kind,
        "status": marked.status,
        "instrument": marked.instrument,
    }
    if marked.masks:
        said |= {"range": marked.range, "resolution": marked.resolution or resolution_of(masks[0])}
    try:
        return Display.model_validate(said)
    except ValidationError as error:
        details = error.errors(include_url=False)
        raise BadInput("; ".join(f"{d['loc'][0]}: {d['msg'].removeprefix('Value error, ')}" for d in details)) from None


def calibration_of(draft: Draft, frame_size: tuple[int, int]) -> Calibration:
    """Give the calibration that the work amounts to; `BadInput` lists, one a line, what is still missing or wrong."""
    tables: dict[str, list[dict[str, Any]]] = {}
    faults = []
    for number, display in enumerate(named(draft).displays, start=1):
        if not display.quantity.strip():
            faults.append(f"display {number} ({display.key}): say what it shows; choose from the list or write it")
        if not display.masks:
            faults.append(f"display {number} ({display.key}): its digits are missing, like ##.#")
        tables.setdefault(display.instrument, []).append(_entry(display))
    if not draft.displays:
        faults.append("no display is marked yet: draw a frame around the digits of one")
    if faults:
        raise BadInput("\n".join(faults))
    data: dict[str, Any] = {"format": FORMAT, "reference_frame": draft.reference, "frame_size": list(frame_size)}
    if draft.title.strip():
        data["title"] = draft.title.strip()
    data["instrument"] = [{"name": name, "display": displays} for name, displays in tables.items()]
    try:
        return Calibration.model_validate(tuples(data), strict=True)
    except ValidationError as error:
        raise BadInput("\n".join(dict.fromkeys(sentences(error, Calibration, data)))) from None


def _entry(display: Marked) -> dict[str, Any]:
    said: dict[str, Any] = {
        "key": display.key.strip(),
        "quantity": display.quantity.strip(),
        "unit": display.unit.strip(),
        "corners": plain(display.corners),
        "digits": display.digits if isinstance(display.digits, str) else list(display.digits),
        "kind": display.kind,
    }
    optional = {"range": display.range, "resolution": display.resolution, "status": display.status}
    said |= {name: plain(value) for name, value in optional.items() if value}
    accuracy = {name: plain(value) for name, value in (display.accuracy or {}).items() if value}
    if accuracy:
        said["accuracy"] = accuracy
    return said


# --- the file ------------------------------------------------------------------------------------------------------------


class DraftFile:
    """The file that keeps unsaved work, beside the calibration it belongs to."""

    def __init__(self, calibration: Path) -> None:
        self.path = calibration.with_name(f".{calibration.name}.draft.json")

    def load(self) -> Draft | None:
        """Give the work kept there, None where there is none or it cannot be understood (it then stays under another name)."""
        try:
            return parse_draft(json.loads(self.path.read_text(encoding="utf-8")))
        except FileNotFoundError:
            return None
        except OSError as error:
            raise BadInput(f"{self.path} cannot be read ({error.strerror}); see that you may open it") from None
        except (ValueError, BadInput, RecursionError):
            self.set_aside("damaged")
            return None

    def save(self, draft: Draft) -> None:
        """Keep the work; the file appears whole or not at all."""
        write_json(draft, self.path)

    def set_aside(self, why: str) -> None:
        """Keep the file under another name, so that no new work is written over it."""
        self.path.replace(self.path.with_name(f"{self.path.name}.{why}"))

    def remove(self) -> None:
        """There is nothing unsaved any more."""
        self.path.unlink(missing_ok=True)
