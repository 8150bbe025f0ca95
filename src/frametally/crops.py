"""Takes a night and its findings; leaves the pictures that show the numbers: evidence crops, and a strip of displays per photo.

Pictures that an earlier run has cut stand where a photo is no longer there. What is cut depends on the photo, the calibration
and the method alone, so that the same night gives the same pictures.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pandas as pd

from frametally.errors import BadFrame, CalibrationMisfit
from frametally.frames import load
from frametally.model import SETTLED, Calibration, Corners, Finding, Flag, Frame, FrameRecord, Night
from frametally.reading import Eyes, Settings, one_thread_each
from frametally.results import Results
from frametally.show.evidence import safe_name, write_evidence
from frametally.show.files import write_whole
from frametally.show.report import Crop
from frametally.show.strips import Strips, cut_strip, strip_widths
from frametally.show.wording import ordinal_text

log = logging.getLogger("frametally")

MOST_STRIPS = 400
"""A night of more photos has a strip of every second, third, ... photo, and of those whose readings are not simply ok."""

MOST_FLAGGED = 150
"""So many photos with readings that are not simply ok have a strip on top of those."""


def keep_evidence(
    folder: Results, findings: Sequence[Finding], night: Night, settings: Settings, table: pd.DataFrame
) -> list[Crop]:
    """Leave the pictures that prove a highest or lowest value in `evidence/`, and none that proves another run's.

    Where a photo is no longer there, the picture that an earlier run has cut from it stands; else there is none.
    """
    wanted = [(finding, frame) for finding in findings if finding.slug in ("highest", "lowest") for frame in finding.evidence[:2]]
    with one_thread_each():
        cut = cut_evidence(wanted, night, settings)
    pictures = {_evidence_name(finding, frame): cut.get((finding.key, frame)) for finding, frame in wanted}
    files = {name: folder.evidence / safe_name(name) for name in pictures}
    files |= write_evidence(folder.evidence, {name: picture for name, picture in pictures.items() if picture is not None})
    for left_over in set(folder.crops()) - set(files.values()):
        left_over.unlink(missing_ok=True)
    times = {frame.name: frame.time for frame in night.frames}
    crops = []
    for finding, frame in wanted:
        path = files[_evidence_name(finding, frame)]
        if path.exists():
            when = which_photo(finding, frame, times.get(frame), table)
            crops.append(Crop(finding.title, frame, finding.key, path.read_bytes(), finding.verified, when))
    return crops


def which_photo(finding: Finding, frame: str, time: datetime | None, table: pd.DataFrame) -> str:
    """Say which of the photos that show a highest or lowest reading this is, and from when: "1st of 9 photos, 22:52"."""
    flags, values = table[f"{finding.key}_flag"], table[finding.key]
    beyond = Flag.OVER_RANGE if finding.slug == "highest" else Flag.UNDER_RANGE
    rows = flags == beyond
    if not rows.any():
        rows = (values == finding.value) & flags.isin(SETTLED if finding.verified else [Flag.DOUBTFUL])
    names = table["frame"][rows].tolist()
    here = table["frame"] == frame
    if frame not in names:
        known = [value for value in values[here].tolist() if value == value]
        verb = "corrected by hand to" if (flags[here] == Flag.CORRECTED).any() else "shows"
        place = f"{verb} {known[0]:g} {finding.unit}".rstrip() if known else ""
    elif len(names) == 1:
        place = "the only photo of it"
    else:
        place = f"{ordinal_text(names.index(frame) + 1)} of {len(names)} photos"
    return ", ".join(part for part in (place, f"{time:%H:%M}" if time else "") if part)


def cut_evidence(
    wanted: Sequence[tuple[Finding, str]], night: Night, settings: Settings
) -> dict[tuple[str, str], npt.NDArray[np.uint8]]:
    """Cut displays out of photos, by the display's key and the frame; a photo that is gone or damaged gives none."""
    frames = {frame.name: frame for frame in night.frames}
    crops: dict[tuple[str, str], npt.NDArray[np.uint8]] = {}
    if not wanted:
        return crops
    gone = [frame.path.parent for frame in night.frames if not frame.path.exists()]
    if gone and len(gone) == len(night.frames):
        log.warning(
            "The photos are no longer in %s. Put the folder back to renew the pictures; those of the last run stay.", gone[0]
        )
        return crops
    try:
        eyes = Eyes.open(night, settings)
    except CalibrationMisfit as problem:
        log.warning("No pictures can be cut out of the photos now; those of an earlier run stay. %s", problem)
        return crops
    keys = {display.key for display in settings.calibration.displays}
    for name in dict.fromkeys(frame for _, frame in wanted if frame in frames):
        try:
            picture = load(frames[name])
            corners = eyes.registrar.locate(picture.pixels).corners
        except (BadFrame, CalibrationMisfit):
            continue
        for key in {finding.key for finding, frame in wanted if frame == name} & keys & set(corners):
            crops[key, name] = cut_display(picture.pixels, corners[key])
    return crops


def cut_display(image: npt.NDArray[np.uint8], corners: Corners) -> npt.NDArray[np.uint8]:
    """Give the neighbourhood of a display, upright, about 240 px high, with the marked region outlined. uint8, BGR."""
    points = np.asarray(corners, float)
    size = points.max(axis=0) - points.min(axis=0)
    low = np.maximum(np.floor(points.min(axis=0) - 0.45 * size[1]), 0).astype(int)
    high = np.minimum(np.ceil(points.max(axis=0) + 0.45 * size[1]), (image.shape[1], image.shape[0])).astype(int)
    part = image[low[1] : high[1], low[0] : high[0]]
    factor = 240 / max(part.shape[0], 1)
    method = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    part = cv2.resize(part, None, fx=factor, fy=factor, interpolation=method)
    outline = np.rint((points - low) * factor).astype(np.int32)
    cv2.polylines(part, [outline], True, (40, 40, 40), 3, cv2.LINE_AA)
    cv2.polylines(part, [outline], True, (255, 255, 255), 1, cv2.LINE_AA)
    return part


def _evidence_name(finding: Finding, frame: str) -> str:
    name = f"{finding.key}_{finding.slug}_{frame}"
    return name if name.lower().endswith(".jpg") else f"{name}.jpg"


def keep_strips(
    folder: Results, night: Night, settings: Settings, records: Sequence[FrameRecord], table: pd.DataFrame, wanted: Sequence[str]
) -> Strips:
    """Leave a strip of all displays for each photo of the night (of a long one, for some) in `evidence/minutes/`; give them.

    `wanted` are photos that have one whatever the length of the night. A strip's name tells the photo and the calibration that
    it was cut with: one that is there is not cut again, and where the photo is gone it stands.
    """
    calibration = settings.calibration
    widths = strip_widths({display.key: display.corners for display in calibration.displays})
    chosen = choose_frames(table, [display.key for display in calibration.displays], wanted)
    photos = {record.frame: record.sha256 for record in records if not record.problem}
    places = {name: _strip_path(folder, name, photos[name], calibration) for name in chosen if name in photos}
    missing = [frame for frame in night.frames if frame.name in places and not places[frame.name].exists()]
    _cut_strips([frame for frame in missing if frame.path.exists()], photos, places, night, settings, widths)
    if _minutes(folder).is_dir():
        for left_over in set(_minutes(folder).glob("*.jpg")) - set(places.values()):
            left_over.unlink(missing_ok=True)
    images = {name: path.read_bytes() for name, path in places.items() if path.exists()}
    return Strips(widths, images).thinned(chosen, wanted)


def kept_strips(folder: Results, records: Sequence[FrameRecord], calibration: Calibration) -> dict[str, bytes]:
    """Give the strips that runs have left in `evidence/minutes/`, by the frame's name; of photos as they were read."""
    places = {record.frame: _strip_path(folder, record.frame, record.sha256, calibration) for record in records}
    return {name: path.read_bytes() for name, path in places.items() if path.exists()}


def choose_frames(table: pd.DataFrame, keys: Sequence[str], wanted: Sequence[str]) -> list[str]:
    """Give the photos that have a strip, in the table's order: all of a short night; of a long one, as `MOST_STRIPS` says."""
    names = [name if isinstance(name, str) else "" for name in table["frame"].tolist()]
    step = -(-len(names) // MOST_STRIPS) if names else 1
    flagged = np.zeros(len(names), bool)
    for key in keys:
        flagged |= ~table[f"{key}_flag"].isin([Flag.OK, Flag.NO_FRAME]).to_numpy(bool)
    rows = np.flatnonzero(flagged)
    some = set(rows[:: max(1, -(-len(rows) // MOST_FLAGGED))].tolist())
    must = set(wanted)
    return [name for row, name in enumerate(names) if name and (row % step == 0 or row in some or name in must)]


def _minutes(folder: Results) -> Path:
    return folder.evidence / "minutes"


def _strip_path(folder: Results, name: str, photo: str, calibration: Calibration) -> Path:
    places = repr([(display.key, display.corners) for display in calibration.displays]) + calibration.reference_frame
    mark = hashlib.sha256(f"{photo} {places}".encode()).hexdigest()[:12]
    return _minutes(folder) / f"{Path(safe_name(name)).stem}-{mark}.jpg"


def _cut_strips(
    frames: Sequence[Frame],
    photos: Mapping[str, str],
    places: Mapping[str, Path],
    night: Night,
    settings: Settings,
    widths: Mapping[str, int],
) -> None:
    if not frames:
        return
    with one_thread_each():
        try:
            eyes = Eyes.open(night, settings)
        except CalibrationMisfit as problem:
            log.warning("No pictures of each minute can be cut out of the photos now. %s", problem)
            return
        for frame in frames:
            try:
                picture = load(frame)
                if picture.sha256 == photos[frame.name]:
                    corners = eyes.registrar.locate(picture.pixels).corners
                    write_whole(places[frame.name], cut_strip(picture.pixels, corners, widths))
            except (BadFrame, CalibrationMisfit):
                continue
