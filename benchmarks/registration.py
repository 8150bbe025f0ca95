"""Takes a number of scenes; gives how well displays are found again in drawn photos: corner errors, and how many are lost.

    python benchmarks/registration.py [--scenes N] [--out benchmarks/RESULTS.md]

The scenes are those of the practice nights, each seen as it was marked and then with something changed. The error of a display is
that of its worst corner: the distance from where the marked corner is in the photo, as the drawing knows it. [px of 1280 x 960]
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np
from measures.counting import share, table
from numpy.typing import NDArray
from report import write_section

from frametally.aim import Registrar
from frametally.model import Method
from frametally.practice import CONDITIONS, STYLES
from frametally.practice.camera import View, draw_lamp, expose, light_map, noise_tile
from frametally.practice.conditions import Condition, lay_over, paled
from frametally.practice.obstacles import covered_share, draw_cover, lay_cover
from frametally.practice.papers import calibration_text
from frametally.practice.scene import Scene, Shooter, build_scene, knock_camera, move_instrument, project
from frametally.practice.story import draw_story
from frametally.settings import load_calibration

SIZE = (1280, 960)
BREATHING = 0.02
"""A lens that focuses anew shows all up to this share larger or smaller (common practice, no source)."""
TURN_DEG = 4.0
ASKED_PX = 1.0
"""A display that is given a place should lie no farther off."""
FIRST_SEED = 500
STORY_FRAMES = 40

Poses = tuple  # of practice.instruments.Pose, one for each instrument
Marked = dict[str, NDArray[np.float64]]


@dataclass(frozen=True)
class Change:
    """What is different from the reference photo: `camera` and `instrument` tell what moved, `condition` what lies over it.

    `zoomed`: the lens focused anew and shows all a little larger or smaller; `turned`: an instrument turned where it stands.
    """

    camera: bool = False
    instrument: bool = False
    covered: bool = False
    condition: str = "plain"
    zoomed: bool = False
    turned: bool = False


CHANGES: dict[str, Change] = {
    "nothing moved": Change(),
    "camera knocked": Change(camera=True),
    "lens breathing": Change(zoomed=True),
    "camera knocked, lens breathing, dark cabin": Change(camera=True, zoomed=True, condition="dark cabin"),
    "instrument slid": Change(instrument=True),
    "instrument turned in its place": Change(turned=True),
    "both": Change(camera=True, instrument=True),
    "both, dark cabin": Change(True, True, condition="dark cabin"),
    "both, condensation": Change(True, True, condition="condensation"),
    "both, motion blur": Change(True, True, condition="motion blur"),
    "both, noise": Change(True, True, condition="noise"),
    "both, viewing angle": Change(True, True, condition="viewing angle"),
    "both, heavy JPEG": Change(True, True, condition="heavy JPEG"),
    "both, one instrument covered": Change(True, True, covered=True),
}


@dataclass
class Found:
    """What became of the displays under one change: errors of those found [px], and how many were lost or called covered; and of
    every photo the greatest of its errors.

    `behind` counts displays that a thing stands in front of (half of them or more), `seen_behind` those of them that were given a
    place nevertheless.
    """

    errors: list[float] = field(default_factory=list)
    photos: list[float] = field(default_factory=list)
    lost: int = 0
    called_covered: int = 0
    behind: int = 0
    seen_behind: int = 0

    @property
    def in_view(self) -> int:
        """Displays with nothing in front of them."""
        return len(self.errors) + self.lost + self.called_covered


class Drawn:
    """One scene: the reference photo with its calibration, and photos with something changed."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.style = STYLES[list(STYLES)[seed % len(STYLES)]]
        self.story = draw_story(STORY_FRAMES, 60, np.random.default_rng([seed, 1]))

    def scene(self, condition: Condition) -> Scene:
        """Build the scene, paled where the condition says so: else the same each time."""
        return build_scene(paled(self.style, condition), self.story.meters, SIZE, np.random.default_rng([self.seed, 4]))

    def photo(self, scene: Scene, view: View, poses: Poses, frame: int, condition: Condition, cover: object = None) -> np.ndarray:
        """Draw a photo, (rows, columns, 3), uint8."""
        random = np.random.default_rng([self.seed, 6])
        lamp, tile = draw_lamp(random), noise_tile(SIZE, random)
        share_of_night = frame / (STORY_FRAMES - 1)
        light = light_map(lamp, share_of_night, condition.light, SIZE)
        texts = {key: shown[frame] for key, shown in self.story.texts.items()}
        out = Shooter(scene).shine(view, poses, texts, light)
        if cover is not None:
            lay_cover(out, cover, light)  # type: ignore[arg-type]
        night, shot = np.random.default_rng([self.seed, 12]), np.random.default_rng([self.seed, 13, frame])
        out = lay_over(out, condition, share_of_night, night, shot)
        image = expose(out, tile, condition.gain, np.random.default_rng([self.seed, 7, frame]))
        _, packed = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, condition.quality])
        return np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))


def true_corners(scene: Scene, marked: Marked, view: View, poses: Poses) -> Marked:
    """Bring the marked corners to where they are in a view: through the window that each display lies in."""
    places = {}
    for key, corners in marked.items():
        number, _ = scene.spot_of(key)
        there, here = scene.window_matrix(number, View(), scene.poses[number]), scene.window_matrix(number, view, poses[number])
        places[key] = project(here @ np.linalg.inv(there), corners)
    return places


def measure_scene(seed: int, found: dict[str, Found]) -> None:
    """Draw one scene, find its displays under every change, note the errors."""
    drawn = Drawn(seed)
    for name, change in CHANGES.items():
        condition = CONDITIONS[change.condition]
        scene = drawn.scene(condition)
        reference = drawn.photo(scene, View(), scene.poses, 0, replace(condition, smear_px=0.0))
        with TemporaryDirectory(prefix="frametally-benchmark-") as folder:
            path = Path(folder) / "calibration.toml"
            path.write_text(calibration_text(scene, "frame.jpg", {}, np.random.default_rng([seed, 11])), encoding="utf-8")
            calibration = load_calibration(path)
        marked = {display.key: np.asarray(display.corners, float) for display in calibration.displays}
        random = np.random.default_rng([seed, 20, list(CHANGES).index(name)])
        view = knock_camera(View(), random) if change.camera else View()
        if change.zoomed:
            view = replace(view, zoom=1 + float(random.uniform(-BREATHING, BREATHING)))
        poses = list(scene.poses)
        if change.turned:
            which = int(random.integers(2))
            turn = float(random.uniform(-TURN_DEG, TURN_DEG))
            poses[which] = replace(poses[which], yaw_deg=poses[which].yaw_deg + turn)
        if change.instrument:
            which = int(random.integers(2))
            poses[which] = move_instrument(poses[which], random)
        places = tuple(poses)
        cover = draw_cover(scene, int(random.integers(2)), view, places, random) if change.covered else None  # type: ignore[arg-type]
        photo = drawn.photo(scene, view, places, STORY_FRAMES // 2, condition, cover)
        placement = Registrar(reference, calibration, lost_below=Method().lost_below).locate(photo)
        hidden = {key: cover is not None and covered_share(scene, key, view, places, cover) >= 0.5 for key in marked}  # type: ignore[arg-type]
        noted = found.setdefault(name, Found())
        known = len(noted.errors)
        for key, corners in true_corners(scene, marked, view, places).items():
            _note(noted, placement.corners.get(key), corners, key in placement.covered, hidden[key])
        noted.photos += [max(noted.errors[known:])] if noted.errors[known:] else []


def _note(found: Found, given: object, true: NDArray[np.float64], called_covered: bool, hidden: bool) -> None:
    if hidden:
        found.behind += 1
        found.seen_behind += given is not None
    elif given is not None:
        found.errors.append(float(np.linalg.norm(np.asarray(given, float) - true, axis=1).max()))
    elif called_covered:
        found.called_covered += 1
    else:
        found.lost += 1


HEADS = (
    "changed since the reference",
    "displays",
    "median [px]",
    "95 % [px]",
    "99 % [px]",
    "worst [px]",
    "lost",
    "called covered",
)


def registration_text(found: dict[str, Found]) -> str:
    """Give the section's text."""
    together = Found()
    for some in found.values():
        together.errors += some.errors
        together.photos += some.photos
        together.lost += some.lost
        together.called_covered += some.called_covered
        together.behind += some.behind
        together.seen_behind += some.seen_behind
    lines = [_cells(name, some) for name, some in found.items()]
    lines.append(_cells("**all**", together))
    within = sum(error <= ASKED_PX for error in together.photos)
    behind = (
        f" Of {together.behind} displays with a thing in front of them, {together.seen_behind} were given a place nevertheless."
        if together.behind
        else ""
    )
    return (
        "Drawn scenes, camera knocked by 18 to 58 px and up to 2°, an instrument slid by 10 to 36 px and turned."
        f" A lens that breathes shows all up to {BREATHING:.0%} larger or smaller; an instrument that turns in its place does so"
        f" by up to {TURN_DEG:g}°. The error of a display is that of its worst corner. In {within} of {len(together.photos)}"
        f" photos every display that was given a place lies within {ASKED_PX:g} px." + behind + "\n\n" + table(HEADS, lines)
    )


def _cells(name: str, found: Found) -> list[str]:
    figures: list[str] = ["-"] * 4
    if found.errors:
        quantile: Callable[[float], float] = lambda q: float(np.quantile(found.errors, q))  # noqa: E731
        figures = [f"{quantile(q):.2f}" for q in (0.5, 0.95, 0.99, 1.0)]
    return [name, str(found.in_view), *figures, share(found.lost, found.in_view), share(found.called_covered, found.in_view)]


def main() -> None:
    """Measure, then print or write."""
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=int, default=40, help="scenes, looks in turn, each under every change")
    parser.add_argument("--out", type=Path, help="a Markdown file to write the section into")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    found: dict[str, Found] = {}
    for number in range(asked.scenes):
        measure_scene(FIRST_SEED + number, found)
        print(f"scene {number + 1} of {asked.scenes}", file=sys.stderr)
    write_section(asked.out, "Registration", registration_text(found))


if __name__ == "__main__":
    main()
