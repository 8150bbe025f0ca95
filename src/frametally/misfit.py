"""Takes a night's table and says which displays could hardly ever be read: a calibration that does not fit, and its pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from frametally.aim import reference_of
from frametally.errors import BadFrame, CalibrationMisfit
from frametally.frames import load
from frametally.model import SETTLED, Calibration, Display, Flag, Night, Notice
from frametally.results import Results
from frametally.show.evidence import safe_name, write_evidence

if TYPE_CHECKING:
    import pandas as pd

FEWEST_PHOTOS = 8
"""Fewer photos than these say nothing about a calibration."""

LEAST_SHARE = 0.1
"""A display that was read in a smaller share of the photos is reported."""

_READ = {flag.value for flag in SETTLED | {Flag.OVER_RANGE, Flag.UNDER_RANGE, Flag.STATUS}}
"""A word on the display was read as well as a number is."""


@dataclass(frozen=True)
class Misfit:
    """A display that was read in `read` of `photos` photos only.

    `why` is "unread" (it was looked for in `photos`, and there was nothing to read), "off" (it seemed to be off in most of
    them) or "lost" (its place was not found in most of them).
    """

    key: str
    why: Literal["unread", "off", "lost"]
    photos: int
    read: int


def find_misfits(table: pd.DataFrame, displays: Sequence[Display]) -> tuple[Misfit, ...]:
    """Give the displays that were read in fewer than a tenth of at least 8 photos, in the calibration's order.

    `table` is as in `readings.csv`. Where a display is off, hidden or lost it was not looked for, and does not count; one that
    seems to be off, or is lost, nearly all night is reported as that.
    """
    photos = table[table["frame"] != ""]
    found = []
    for display in displays:
        flags = [str(flag) for flag in photos[f"{display.key}_flag"] if flag != Flag.NO_FRAME]
        misfit = _misfit(display.key, flags)
        if misfit is not None:
            found.append(misfit)
    return tuple(found)


def _misfit(key: str, flags: Sequence[str]) -> Misfit | None:
    read, off, lost = sum(flag in _READ for flag in flags), flags.count(Flag.BLANK), flags.count(Flag.LOST)
    looked_for = len(flags) - off - lost - flags.count(Flag.HIDDEN)
    if looked_for >= FEWEST_PHOTOS and read < LEAST_SHARE * looked_for:
        return Misfit(key, "unread", looked_for, read)
    seen = looked_for + off
    if seen >= FEWEST_PHOTOS and read < LEAST_SHARE * seen:
        return Misfit(key, "off" if off >= seen / 2 else "unread", seen, read)
    if len(flags) >= FEWEST_PHOTOS and read < LEAST_SHARE * len(flags) and lost >= (1 - LEAST_SHARE) * len(flags):
        return Misfit(key, "lost", len(flags), read)
    return None


def misfit_notices(misfits: Sequence[Misfit], pictures: dict[str, Path]) -> list[Notice]:
    """Give a sentence on each display; `pictures` are those that show where it was marked, by its key."""
    return [Notice("calibration-misfit", "", _sentence(misfit, pictures.get(misfit.key))) for misfit in misfits]


def _sentence(misfit: Misfit, picture: Path | None) -> str:
    look = f"look at {picture.parent.name}/{picture.name} and" if picture is not None else "look at the reference frame and"
    start = f"{misfit.key}: read in {misfit.read} of {misfit.photos} photos."
    if misfit.why == "unread":
        return f"{start} Its corners or its digits mask are probably wrong: {look} mark it again."
    if misfit.why == "off":
        return f"{start} In most of them it seems to be off: it was off or is marked wrongly; {look} mark it again if it was on."
    return (
        f"{start} It was hardly ever found: the camera or the instrument moved after the photo that it was marked on;"
        f" {look} mark it again on another photo."
    )


def keep_pictures(folder: Results, misfits: Sequence[Misfit], night: Night, calibration: Calibration) -> dict[str, Path]:
    """Leave a picture in `evidence/` of where each such display was marked on the reference frame; give them by key.

    Pictures of displays that are read by now are taken away. Where the photo is gone, what an earlier run has left stands.
    """
    reference = safe_name(calibration.reference_frame)
    names = {misfit.key: f"{misfit.key}_as_marked_{Path(reference).stem}.jpg" for misfit in misfits}
    files = {key: folder.evidence / safe_name(name) for key, name in names.items()}
    for left_over in set(folder.marked_pictures()) - set(files.values()):
        left_over.unlink(missing_ok=True)
    corners = {display.key: display.corners for display in calibration.displays}
    by_name = {frame.name: frame for frame in night.frames}
    if misfits:
        from frametally.crops import cut_display

        try:
            pixels = load(by_name[reference_of(calibration, list(by_name))]).pixels
        except (BadFrame, CalibrationMisfit):
            return {key: path for key, path in files.items() if path.exists()}
        write_evidence(folder.evidence, {name: cut_display(pixels, corners[key]) for key, name in names.items()})
    return files


def check_fits(misfits: Sequence[Misfit], calibration: Calibration, folder: Results) -> None:
    """Raise `CalibrationMisfit` where not one display could be read; a display that was read while it was on counts as read."""
    keys = {misfit.key for misfit in misfits if misfit.why != "off" or misfit.read == 0}
    if keys != {display.key for display in calibration.displays}:
        return
    which = "the display was" if len(keys) == 1 else f"each of the {len(keys)} displays was"
    raise CalibrationMisfit(
        f"the calibration does not fit these photos: {which} read in fewer than a tenth of them. Everything is written to"
        f" {folder.path}; the pictures *_as_marked_* in {folder.evidence} show what was marked. Correct corners and digits in the"
        " calibration, or mark the displays again, and run the job again with --fresh"
    )
