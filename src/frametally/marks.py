"""Takes a night and its calibration; says which marks seem to cut a digit or to leave one out, by the photo they were made on.

Such a mark is read clearly and wrongly all night, a 2 for a 20: no flag can tell, only the photo around the mark.
"""

from __future__ import annotations

from collections.abc import Iterable

from frametally.aim import reference_of
from frametally.errors import BadFrame, CalibrationMisfit
from frametally.frames import load
from frametally.model import Calibration, Finding, Night, Notice
from frametally.read.legibility import inspect
from frametally.read.reader import read_strip
from frametally.read.rectify import rectify
from frametally.read.tightness import Tightness

_CODE = "mark-cuts-digits"

_WEIGHT = 7
"""Beside the limits that are exceeded: what is read may be a tenth of what was shown."""


def tight_marks(night: Night, calibration: Calibration) -> list[Notice]:
    """Give a notice of each display that reads as a number while its mark seems to cut a digit, or one stands just beside it.

    Measured on 1,283 rightly marked displays of drawn nights: 2 false alarms.
    """
    by_name = {frame.name: frame for frame in night.frames}
    try:
        pixels = load(by_name[reference_of(calibration, list(by_name))]).pixels
    except (BadFrame, CalibrationMisfit):
        return []  # told elsewhere
    notices = []
    for display in calibration.displays:
        reading = read_strip(rectify(pixels, display.corners), display)
        if reading.value is None:
            continue
        others = [other.corners for other in calibration.displays if other.corners != display.corners]
        tight = inspect(pixels, display.corners, display, reading.text, others).tight
        if words := cut_words(tight):
            notices.append(Notice(_CODE, calibration.reference_frame, f"{display.key}: {words}"))
    return notices


def cut_words(tight: Tightness) -> str:
    """Say what a mark seems to leave out, and what to do; "" where it seems whole."""
    where = [f"digits run over its {side} edge" for side in tight.runs]
    where += [f"something as tall as a digit stands just outside, on the {side}" for side in tight.beside]
    if not where:
        return ""
    return (
        f"Its mark seems to leave out a part of the number: {' and '.join(where)}. A digit that is cut or left out makes another"
        " number, 2 of 20, and no flag can tell. Look at the photo, and mark it again if it is so."
    )


def mark_findings(notices: Iterable[Notice]) -> list[Finding]:
    """Give the notices of `tight_marks` among others as findings."""
    return [
        Finding(
            slug="mark-cuts-digits",
            title=f"The mark of {notice.text.partition(':')[0]} may cut its numbers",
            text=notice.text,
            weight=_WEIGHT,
            tone="warning",
            key=notice.text.partition(":")[0],
            evidence=(notice.where,),
        )
        for notice in notices
        if notice.code == _CODE
    ]
