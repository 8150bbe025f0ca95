"""Takes the readings, the charts' places and the strips of photos and gives what the page's script needs, as JSON.

The form is described at the head of `data/report/chart.js`, which reads it.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from frametally.model import Display, Flag
from frametally.show.chart import Place
from frametally.show.marks import Marks
from frametally.show.strips import HEIGHT_PX, Strips
from frametally.show.tables import flag_name, format_text, format_value
from frametally.show.traces import read_axis, read_trace

FLAGS = tuple(Flag)

Charts = Sequence[tuple[str, Sequence[Display], Mapping[str, Place]]]
"""Each chart's id in the page, its displays, and the place of its axes in each variant ("wide", "narrow")."""


def timeline_data(
    table: pd.DataFrame, displays: Sequence[Display], charts: Charts, marks: Marks, strips: Strips | None
) -> dict[str, Any]:
    """Give times, readings, flags, phases, events, the charts' places and the pictures of a night as plain values."""
    axis = read_axis(table)
    frames = [format_text(name) for name in table["frame"].tolist()]
    shown = strips or Strips({})
    charted = [display for _, group, _ in charts for display in group]
    ordered = [*charted, *(display for display in displays if display not in charted)]
    return {
        "format": 1,
        "times": [round(float(x), 4) if np.isfinite(x) else None for x in axis.x],
        "labels": [axis.text_at(row) for row in range(len(frames))],
        "frames": frames,
        "flags": [flag_name(flag) for flag in FLAGS],
        "displays": [_display(table, display) for display in ordered],
        "phases": [list(phase) for phase in marks.phases],
        "events": [list(event) for event in marks.events],
        "charts": [
            {
                "id": name,
                "keys": [display.key for display in group],
                "places": {variant: _rounded(place) for variant, place in places.items()},
            }
            for name, group, places in charts
        ],
        "strips": {
            "height": HEIGHT_PX,
            "tiles": {key: [shown.lefts[key], width] for key, width in shown.widths.items()},
            "images": {
                str(row): base64.b64encode(shown.images[frame]).decode("ascii")
                for row, frame in enumerate(frames)
                if frame in shown.images
            },
        },
    }


def to_script_json(data: Mapping[str, Any]) -> str:
    """Give plain values as JSON that cannot end the script element it stands in; same values, same text."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _display(table: pd.DataFrame, display: Display) -> dict[str, Any]:
    trace = read_trace(table, display)
    return {
        "key": display.key,
        "quantity": display.quantity,
        "instrument": display.instrument,
        "unit": display.unit,
        "values": [None if np.isnan(value) else float(value) for value in trace.values],
        "texts": [format_value(float(value), display.resolution) for value in trace.values],
        "flags": [FLAGS.index(Flag(flag)) if flag in set(FLAGS) else None for flag in trace.flags],
    }


def _rounded(place: Place) -> dict[str, float]:
    return {name: round(float(value), 4) for name, value in asdict(place).items()}
