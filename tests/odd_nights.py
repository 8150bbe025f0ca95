"""Draws short nights whose displays do something of their own: share a place, fall dark, change their light, show half digits."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np

from frametally.practice.camera import View, draw_lamp, encode_photo, expose, light_map, noise_tile
from frametally.practice.glyphs import lay_out
from frametally.practice.instruments import Instrument, Pose
from frametally.practice.meters import Meter
from frametally.practice.paint import Mask, Picture
from frametally.practice.papers import mark_corners
from frametally.practice.scene import Plate, Scene, build_scene, draw_plate, warp_window
from frametally.practice.styles import STYLES, DisplayStyle
from frametally.practice.window import Window, bar_masks, build_window, light_window
from frametally.run import Options, Outcome, run

SIZE = (1280, 960)
START = datetime(2026, 11, 20, 23, 0, tzinfo=UTC)
METERS = {
    "co_ppm": Meter("co_ppm", "carbon monoxide", "ppm", "", "###", (0, 999), 1, 3, 0.1, 0, 0),
    "o2_pct": Meter("o2_pct", "oxygen", "%", "", "##.#", (0, 25), 0.1, 0.3, 0, 0, 0),
    "temp_c": Meter("temp_c", "air temperature", "°C", "", "##.#", (0, 50), 0.1, 0.8, 0, 0, 0),
    "rh_pct": Meter("rh_pct", "relative humidity", "%", "", "##", (5, 99), 1, 4, 0, 0, 0),
    "clock": Meter("clock", "clock", "h", "", "##:##", (0, 2400), 1, 0, 0, 0, 0),
}

BESIDE_THE_POINT = ("rh_pct", "wall_co_ppm")
"""Displays that are drawn and not read: one beside those that do something of their own is enough."""

Lighting = Callable[[int, Mask, Mask], tuple[Mask, Mask]]
"""Frame, what is lit and what is unlit, to what the camera sees lit and unlit."""


@dataclass
class OddNight:
    """What to draw: each frame's texts by key; `hand` and `shelf` say which displays the instruments have, `shared` whether the
    hand-held's stand one upon the other; `look` changes its style by frame, `lighting` its bars, `view` and `poses` the camera
    and the instruments. `digits` and `extra` go into the calibration; `times` are the photos' own."""

    texts: Sequence[Mapping[str, str]]
    hand: tuple[str, ...] = ("co_ppm", "o2_pct")
    shelf: tuple[str, ...] = ("temp_c", "rh_pct", "wall_co_ppm")
    shared: bool = False
    style: str = "lcd-plain"
    seed: int = 5
    digits: Mapping[str, object] = field(default_factory=dict)
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    masks: Mapping[str, Sequence[str]] = field(default_factory=dict)
    status: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    look: Callable[[int, DisplayStyle], DisplayStyle] | None = None
    lighting: Lighting | None = None
    view: Callable[[int], View] = lambda frame: View()
    poses: Callable[[int, tuple[Pose, Pose]], tuple[Pose, Pose]] = lambda frame, poses: poses
    paint: Callable[[int, np.ndarray], np.ndarray] | None = None
    times: Callable[[int], datetime | None] = lambda frame: START + timedelta(minutes=frame)
    light: Callable[[int], float] = lambda frame: 1.0

    def draw(self, folder: Path) -> Path:
        """Write frames and calibration into a folder; give the calibration."""
        scene = self._scene()
        (folder / "frames").mkdir(parents=True)
        rng = np.random.default_rng([self.seed, 6])
        lamp, tile = draw_lamp(rng), noise_tile(SIZE, rng)
        plates: dict[tuple[View, tuple[Pose, Pose]], Plate] = {}
        for frame, texts in enumerate(self.texts):
            view, poses = self.view(frame), self.poses(frame, scene.poses)
            if (view, poses) not in plates:
                plates[view, poses] = draw_plate(scene, view, poses)
            plate = plates[view, poses]
            light = light_map(lamp, 0.5, self.light(frame), SIZE)
            shown = self._shine(frame, plate, scene, texts, light)
            pixels = expose(shown, tile, 1.0, np.random.default_rng([self.seed, 7, frame]))
            pixels = self.paint(frame, pixels) if self.paint else pixels
            time = self.times(frame)
            photo = encode_photo(pixels, time or START, 0.1)
            photo = photo if time is not None else photo.replace(b"Exif\0\0", b"Nope\0\0", 1)
            (folder / "frames" / f"night_{frame + 1:04d}.jpg").write_bytes(photo)
        calibration = folder / "calibration.toml"
        calibration.write_text(self._calibration(scene), encoding="utf-8")
        return calibration

    def run(self, folder: Path, **options: object) -> Outcome:
        """Draw the night and read it."""
        calibration = self.draw(folder)
        options = {"readings_only": True} | options
        return run(folder / "frames", calibration, folder / "results", options=Options(**options))  # type: ignore[arg-type]

    def _scene(self) -> Scene:
        groups = tuple(tuple(self._meter(key) for key in keys) for keys in (self.hand, self.shelf))
        scene = _cabin(self.style, groups, self.seed)
        return self._stacked(scene) if self.shared else scene

    def _meter(self, key: str) -> Meter:
        kind = next(kind for kind in METERS if key == kind or key.endswith(f"_{kind}"))
        return replace(METERS[kind], key=key, mask=str(self.digits.get(key, METERS[kind].mask)))

    def _stacked(self, scene: Scene) -> Scene:
        hand, shelf = scene.instruments
        return replace(scene, instruments=(replace(hand, window=_one_place(hand, self.seed)), shelf))

    def _shine(self, frame: int, plate: Plate, scene: Scene, texts: Mapping[str, str], light: Picture) -> Picture:
        reflected, glows = plate.reflected.copy(), []
        for pane in plate.panes:
            window = scene.instruments[pane.instrument].window
            shown = {spot.key: texts.get(spot.key, "") for spot in window.spots}
            if self.look is not None and pane.instrument == 0:
                window = _restyled(window, self.look(frame, window.style), self.seed)
            window = _with_moved_points(window, shown)
            lit, unlit = bar_masks(window, shown)
            if self.lighting is not None and pane.instrument == 0:
                lit, unlit = self.lighting(frame, lit, unlit)
            back, given = light_window(window, lit, unlit, powered=any(shown.values()))
            part = reflected[pane.part]
            part *= 1 - pane.alpha
            part += warp_window(pane, back) * pane.alpha
            glows.append((pane, warp_window(pane, given) * pane.alpha))
        out = reflected * light
        for pane, glow in glows:
            out[pane.part] += glow
        return out

    def _calibration(self, scene: Scene) -> str:
        marks = np.random.default_rng([self.seed, 11])
        lines = ["format = 1", 'reference_frame = "night_0001.jpg"', f"frame_size = [{SIZE[0]}, {SIZE[1]}]"]
        for instrument in scene.instruments:
            lines += ["[[instrument]]", f'name = "{instrument.name}"']
            for meter in (meter for meter in instrument.meters if meter.key not in BESIDE_THE_POINT):
                span = self.ranges.get(meter.key, meter.span)
                masks = list(self.masks.get(meter.key, [meter.mask]))
                lines += [
                    "[[instrument.display]]",
                    f'key = "{meter.key}"',
                    f'quantity = "{meter.quantity}"',
                    f'unit = "{meter.unit}"',
                ]
                lines += [f"corners = {mark_corners(scene, meter.key, marks).tolist()}", f"digits = {json.dumps(masks)}"]
                if meter.quantity != "clock":
                    lines += [f"range = [{span[0]}, {span[1]}]"]
                if len(masks) == 1 and meter.quantity != "clock":
                    lines += [f"resolution = {meter.resolution}"]
                words = ", ".join(f'"{word}" = "{meaning}"' for word, meaning in self.status.get(meter.key, {}).items())
                lines += [f"status = {{ {words} }}"] if words else []
        return "\n".join(lines) + "\n"


@lru_cache(maxsize=2)
def _cabin(style: str, meters: tuple[tuple[Meter, ...], ...], seed: int) -> Scene:
    """Give the cabin with its instruments: most nights of a seed are in the same."""
    return build_scene(STYLES[style], meters, SIZE, np.random.default_rng([seed, 4]))  # type: ignore[arg-type]


def _one_place(instrument: Instrument, seed: int) -> Window:
    """Give the instrument's window with all its displays on one place, right edges in line."""
    window = instrument.window
    first = window.spots[0]
    right = first.left + first.layout.width * first.height
    spots = tuple(
        replace(
            spot, layout=lay_out(spot.mask, window.style.shape), height=first.height, top=first.top, label="", unit="",
            left=right - lay_out(spot.mask, window.style.shape).width * first.height,
        )
        for spot in window.spots
    )  # fmt: skip
    return build_window(window.width, window.height, window.style, spots, np.random.default_rng([seed, 21]))


def _with_moved_points(window: Window, shown: Mapping[str, str]) -> Window:
    """Give the window with each number's own mask where it has no point: the digits stay at their places, the point is dark."""
    spots = tuple(
        replace(
            spot,
            mask=spot.mask.replace(".", ""),
            layout=replace(spot.layout, places=tuple(place for place in spot.layout.places if place.kind != ".")),
        )
        if "." in spot.mask and shown[spot.key].isdigit()
        else spot
        for spot in window.spots
    )
    return replace(window, spots=spots)


def _restyled(window: Window, style: DisplayStyle, seed: int) -> Window:
    return build_window(window.width, window.height, style, window.spots, np.random.default_rng([seed, 21]))


def column(outcome: Outcome, key: str) -> list[tuple[float | None, str]]:
    """Give value and flag of every row of one display."""
    table = outcome.tables.readings
    values = [None if value != value else float(value) for value in table[key]]
    return list(zip(values, table[f"{key}_flag"], strict=True))
