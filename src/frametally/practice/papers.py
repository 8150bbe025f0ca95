"""Takes a night's scene and story; gives its papers as text: the calibration as a person marks it, the trial, the truth table."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from frametally.model import FORMAT
from frametally.practice.camera import View
from frametally.practice.meters import Meter
from frametally.practice.scene import Scene, project
from frametally.practice.story import Story

HIDDEN, NOBODY_READS = "HIDDEN", "?"


@dataclass(frozen=True)
class TruthRow:
    """What one photo shows: its file, its time, the text of each display, and what was going on."""

    frame: str
    time: datetime
    shown: dict[str, str]
    note: str


def mark_corners(scene: Scene, key: str, rng: np.random.Generator) -> NDArray[np.int64]:
    """Mark a display on the first frame as a person does: 8 to 15 % of the digits' height loose, a little skewed, whole pixels.

    Gives four corners clockwise from the digits' own top left, all digit places inside.
    """
    number, spot = scene.spot_of(key)
    points = spot.outline.astype(np.float64)
    # People follow leaning digits more or less: the box is drawn in coordinates that lean by a part of the slant.
    follow = np.tan(np.radians(spot.layout.shape.slant_deg * rng.uniform(0.5, 1.0)))
    upright = points[:, 0] - follow * (spot.top + spot.height - points[:, 1])
    pads = rng.uniform(0.085, 0.145, 4) * spot.height
    left, right = upright.min() - pads[0], upright.max() + pads[1]
    top, bottom = points[:, 1].min() - pads[2], points[:, 1].max() + pads[3]
    lean_top, lean_bottom = follow * (spot.top + spot.height - top), follow * (spot.top + spot.height - bottom)
    box = np.array([[left + lean_top, top], [right + lean_top, top], [right + lean_bottom, bottom], [left + lean_bottom, bottom]])
    seen = project(scene.window_matrix(number, View(), scene.poses[number]), box)
    shake = rng.uniform(-0.018, 0.018, (4, 2)) * spot.height / 2 * scene.size[0] / 1280
    return np.round(np.clip(seen + shake, 0, np.array(scene.size))).astype(np.int64)


def _number(value: float) -> str:
    return f"{value:g}" if value != int(value) else str(int(value))


def _display_table(meter: Meter, corners: NDArray[np.int64], status: dict[str, str], kind: str) -> list[str]:
    accuracy = f"absolute = {_number(meter.accuracy_absolute)}"
    if meter.accuracy_relative:
        accuracy += f", relative = {_number(meter.accuracy_relative)}"
    lines = [
        "  [[instrument.display]]",
        f'  key = "{meter.key}"',
        f'  quantity = "{meter.quantity}"',
        f'  unit = "{meter.unit}"',
        f"  corners = {json.dumps(corners.tolist())}",
        f'  digits = "{meter.mask}"',
        f"  range = [{_number(meter.span[0])}, {_number(meter.span[1])}]",
        f"  resolution = {_number(meter.resolution)}",
        f"  accuracy = {{ {accuracy} }}",
        f'  kind = "{kind}"',
    ]
    if status:
        lines.append("  status = { " + ", ".join(f'"{word}" = "{meaning}"' for word, meaning in status.items()) + " }")
    return [*lines, ""]


def calibration_text(scene: Scene, reference_frame: str, status: dict[str, dict[str, str]], rng: np.random.Generator) -> str:
    """Give the calibration file of a night; `status` has each display's words and their meanings."""
    lines = [
        "# Where the displays are in this practice night. Corners as a person marks them on the first photo: clockwise from",
        "# the digits' own top left, 8 to 15 % loose.",
        f"format = {FORMAT}",
        'title = "Practice night in a canal-boat cabin, two instruments on the shelf"',
        f'reference_frame = "{reference_frame}"',
        f"frame_size = [{scene.size[0]}, {scene.size[1]}]",
        "",
    ]
    for instrument in scene.instruments:
        lines += ["[[instrument]]", f'name = "{instrument.name}"', ""]
        kind = "segments" if instrument.window.style.shape.face is None else "text"
        for meter in instrument.meters:
            lines += _display_table(meter, mark_corners(scene, meter.key, rng), status.get(meter.key, {}), kind)
    return "\n".join(lines)


def _trial_instruments(scene: Scene) -> list[str]:
    lines = []
    for instrument in scene.instruments:
        times = ", ".join(f"{m.key} = {_number(m.t90_s)}" for m in instrument.meters)
        lines += ["[[instrument]]", f'name = "{instrument.name}"', f"response_t90_s = {{ {times} }}", ""]
    return lines


def trial_text(scene: Scene, story: Story, start: datetime, end: datetime) -> str:
    """Give the trial file of a night: the conditions that its numbers were made with."""
    cabin, heater = story.cabin, story.heater

    def at(seconds: float) -> str:
        return (start + timedelta(seconds=round(seconds))).isoformat()

    lines = [
        "# Conditions of this practice night: what the photos cannot show.",
        f"format = {FORMAT}",
        f'title = "Practice night: {heater.name}, canal-boat cabin"',
        f"start = {start.isoformat()}",
        f"end = {end.isoformat()}",
        "",
        "[space]",
        'name = "cabin of a canal boat"',
        f"volume_m3 = {_number(cabin.volume_m3)}",
        f"altitude_m = {_number(cabin.altitude_m)}",
        "",
        "[[appliance]]",
        f'name = "{heater.name}"',
        f'fuel = "{heater.fuel}"',
        f"heat_input_kw = {heater.heat_kw:.2f}",
        'heat_basis = "net"',
        f"flue = {'true' if heater.has_flue else 'false'}",
        f"on = {at(story.lit_s)}",
        f"off = {end.isoformat()}",
        'notes = "Still burning when the series ends."',
        "",
    ]
    events = [(story.smothered_s, "air supply of the flame smothered"), (story.aired_s, "hatch and doors opened to air")]
    if story.puff_s is not None:
        events.append((story.puff_s, "a puff of smoke past the instruments"))
    for seconds, what in sorted(events):
        lines += ["[[event]]", f"time = {at(seconds)}", f'what = "{what}"', ""]
    lines += ["[people]", "sleeping = 0", ""]
    lines += [
        "[outdoor]",
        f"temp_c = {_number(cabin.outdoor_temp_c)}",
        f"rh_pct = {_number(cabin.outdoor_rh_pct)}",
        f"co2_ppm = {_number(cabin.outdoor_co2_ppm)}",
        "",
        *_trial_instruments(scene),
    ]
    return "\n".join(lines)


def truth_text(rows: Sequence[TruthRow], keys: Sequence[str]) -> str:
    """Give the truth table: one row per photo, one column per display with the text shown."""
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    writer.writerow(["frame", "time", *keys, "note"])
    for row in rows:
        writer.writerow([row.frame, row.time.isoformat(), *(row.shown[k] for k in keys), row.note])
    return page.getvalue()
