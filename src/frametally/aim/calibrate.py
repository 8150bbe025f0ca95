"""Takes a calibration and what is known of the frames, says whether they belong together and which photo is the reference."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Sequence

from frametally.errors import CalibrationMisfit
from frametally.model import Calibration, Display

_OF_A_VIDEO = re.compile(r"#[0-9]{6,}$")
"""How the name of a video's picture ends, as in night.avi#000000; all its names are alike, so the first is as near as any."""


def check_fit(calibration: Calibration, size: tuple[int, int]) -> None:
    """Raise CalibrationMisfit where the frames' upright `size` (width, height) is not the one the displays were marked on."""
    marked = (calibration.frame_size[0], calibration.frame_size[1])
    if (size[0], size[1]) == marked:
        return
    sizes = f"The frame is {size[0]} x {size[1]} px, but the calibration was marked on {marked[0]} x {marked[1]} px."
    if (size[1], size[0]) == marked:
        remedy = "Width and height are swapped: turn the photos as they were when the displays were marked, or mark again."
    elif size[0] * marked[1] == size[1] * marked[0]:
        remedy = "The shape is the same: use the original photos, not a smaller or larger copy, or mark the displays again."
    else:
        remedy = "Use the original photos of this calibration, or mark the displays again on these."
    raise CalibrationMisfit(f"{sizes} {remedy}")


def reference_of(calibration: Calibration, names: Sequence[str]) -> str:
    """Give the name, among the night's frame names, of the photo the displays were marked on.

    The name in the calibration counts as it stands, then the file name without its folders where only one frame has it.
    Raises CalibrationMisfit where no frame, or more than one, can be meant.
    """
    wanted = calibration.reference_frame.replace("\\", "/")
    if wanted in names:
        return wanted
    same = [name for name in names if _base(name).casefold() == _base(wanted).casefold()]
    # A folder given in the calibration may be the tail of a longer one: roll/100/a.jpg for 100/a.jpg.
    tails = [name for name in same if f"/{name}".casefold().endswith(f"/{wanted}".casefold())]
    for found in (same, tails):
        if len(found) == 1:
            return found[0]
    intro = f"The calibration was marked on {calibration.reference_frame!r}"
    if same:
        listed = ", ".join(repr(name) for name in same[:3])
        raise CalibrationMisfit(
            f"{intro}, and {len(same)} frames have that name ({listed}). "
            "Give the name with its folder as reference_frame in the calibration."
        )
    raise CalibrationMisfit(
        f"{intro}, which is not among the frames.{_suggest(wanted, names)} "
        "Put that photo into the folder, correct reference_frame in the calibration, or mark the displays again on one of these."
    )


def digit_height_px(display: Display) -> float:
    """Give about how high the display's digits are: the mean of the marked region's left and right side. [px]"""
    top_left, top_right, bottom_right, bottom_left = display.corners
    return (math.dist(top_left, bottom_left) + math.dist(top_right, bottom_right)) / 2


def _base(name: str) -> str:
    return name.rsplit("/", 1)[-1]


def _suggest(wanted: str, names: Sequence[str]) -> str:
    if names and _OF_A_VIDEO.search(names[0]):
        return f" The first picture of this video is {names[0]!r}."
    by_base: dict[str, str] = {}
    for name in names:
        by_base.setdefault(_base(name), name)
    close = difflib.get_close_matches(_base(wanted), list(by_base), n=3, cutoff=0.6)
    if not close:
        return ""
    return f" Did you mean {' or '.join(repr(by_base[base]) for base in close)}?"
