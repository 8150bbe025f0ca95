"""Takes a folder, a seed and wishes; gives a practice night in it: photos, calibration, trial, and the truth about every photo.

Same seed and wishes, same night: pixel for pixel with the same libraries.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from frametally.errors import BadInput
from frametally.practice.camera import Lamp, View, draw_lamp, encode_photo, expose, light_map, noise_tile
from frametally.practice.conditions import Condition, check_condition, lay_over, paled
from frametally.practice.instruments import Pose
from frametally.practice.obstacles import Cover, Glare, aim_glare, covered_share, draw_cover, lay_cover, lay_glare, settle_glare
from frametally.practice.paint import Picture
from frametally.practice.papers import HIDDEN, NOBODY_READS, TruthRow, calibration_text, trial_text, truth_text
from frametally.practice.scene import Scene, Shooter, build_scene, knock_camera, move_instrument
from frametally.practice.story import Story, draw_story
from frametally.practice.styles import STYLES, TEXT_STYLES
from frametally.practice.troubles import LASTING, SHARES, Stretch, check_troubles, schedule

KEPT_OF_CUT_FILE = 0.6
SHORT_NAMES = ("hand-held", "shelf unit")

TROUBLE_NOTES: dict[str, str] = {
    "nudge": "camera nudged from here on",
    "instrument-moved": "moved from here on",
    "dim": "lamp turned down",
    "glare": "a light mirrored in the",
    "timeout": "display off",
    "covered": "in front of the",
    "spike": "a puff of smoke past the instruments",
    "truncated": "file cut to 60 % of its bytes",
    "low-battery": "shows Lo: low battery",
    "blink": "blinks",
}
"""What the truth's note says of a trouble in its frames (of a lasting one in its first); a gap has no row to say it in."""


@dataclass(frozen=True)
class NightFiles:
    """What a practice night left: the folder of photos, the calibration, the trial and the truth table."""

    frames: Path
    calibration: Path
    trial: Path
    truth: Path


@dataclass(frozen=True)
class _Fate:
    """What the seed decided about the troubles: whom each befalls and how strongly."""

    stretches: tuple[Stretch, ...]
    nudged: View
    moved: int
    moved_pose: Pose
    dim_level: float
    off: int
    covered: int
    glared: int
    glare_drift: tuple[float, float]
    weak_key: str
    blinking_key: str

    def during(self, trouble: str, frame: int) -> bool:
        """Whether a trouble befalls a frame."""
        return any(s.trouble == trouble and frame in s for s in self.stretches)


@dataclass
class _Shoot:
    """One night being drawn."""

    scene: Scene
    story: Story
    fate: _Fate
    lamp: Lamp
    tile: Picture
    frames: int
    seed: int
    condition: Condition
    shooter: Shooter = field(init=False)
    cover: Cover | None = None
    glare: Glare | None = None

    def __post_init__(self) -> None:
        self.shooter = Shooter(self.scene)

    def view(self, frame: int) -> View:
        """Where the camera looks in a frame."""
        return self.fate.nudged if self.fate.during("nudge", frame) else View()

    def poses(self, frame: int) -> tuple[Pose, Pose]:
        """How the instruments stand in a frame."""
        if not self.fate.during("instrument-moved", frame):
            return self.scene.poses
        hand, shelf = self.scene.poses
        return (self.fate.moved_pose, shelf) if self.fate.moved == 0 else (hand, self.fate.moved_pose)

    def keys_of(self, number: int) -> tuple[str, ...]:
        """The displays of one instrument."""
        return tuple(m.key for m in self.scene.instruments[number].meters)

    def texts(self, frame: int) -> dict[str, str]:
        """What the displays show in a frame, whether it can be seen or not."""
        shown = {key: texts[frame] for key, texts in self.story.texts.items()}
        if self.fate.during("low-battery", frame):
            shown[self.fate.weak_key] = "Lo"
        if self.fate.during("blink", frame) and frame % 2:
            shown[self.fate.blinking_key] = ""
        if self.fate.during("timeout", frame):
            shown |= dict.fromkeys(self.keys_of(self.fate.off), "")
        return shown

    def draw(self, frame: int) -> tuple[NDArray[np.uint8], dict[str, str]]:
        """Draw one photo and give it with the truth about its displays."""
        rng = np.random.default_rng([self.seed, 7, frame])
        view, poses, texts = self.view(frame), self.poses(frame), self.texts(frame)
        dim = self.fate.during("dim", frame)
        share = frame / max(1, self.frames - 1)
        level = self.condition.light * (self.fate.dim_level if dim else 1.0)
        light = light_map(self.lamp, share, level, self.scene.size)
        out = self.shooter.shine(view, poses, texts, light)
        truth = dict(texts)
        if self.fate.during("covered", frame):
            self._put_cover(out, light, view, poses, truth)
        else:
            self.cover = None
        if self.fate.during("glare", frame):
            self._put_glare(out, light, frame, truth)
        night, shot = np.random.default_rng([self.seed, 12]), np.random.default_rng([self.seed, 13, frame])
        out = lay_over(out, self.condition, share, night, shot)
        return expose(out, self.tile, self.condition.gain * (2.2 if dim else 1.0), rng), truth

    def _put_cover(self, out: Picture, light: Picture, view: View, poses: tuple[Pose, Pose], truth: dict[str, str]) -> None:
        if self.cover is None:
            self.cover = draw_cover(self.scene, self.fate.covered, view, poses, np.random.default_rng([self.seed, 8]))
        lay_cover(out, self.cover, light)
        for key in truth:
            if covered_share(self.scene, key, view, poses, self.cover) >= 0.5:
                truth[key] = HIDDEN

    def _put_glare(self, out: Picture, light: Picture, frame: int, truth: dict[str, str]) -> None:
        view, poses, number = self.view(frame), self.poses(frame), self.fate.glared
        stretch = next(s for s in self.fate.stretches if s.trouble == "glare")
        aimed = aim_glare(self.scene, number, view, poses, np.random.default_rng([self.seed, 9]))
        step = frame - (stretch.first + stretch.last) / 2
        long = max(
            1.0, (stretch.last - stretch.first + 1) / SHARES["glare"][2]
        )  # one that stays for long drifts as far, not further
        dx, dy = (drift / long for drift in self.fate.glare_drift)
        # It comes and goes: weak at first, in the middle of its stretch as strong as it gets.
        strength = aimed.strength * (1 - (abs(step) / ((stretch.last - stretch.first + 1) / 2)) ** 1.5)
        passing = replace(aimed, x=aimed.x + dx * step, y=aimed.y + dy * step, strength=strength)
        plate = self.shooter.plate(view, poses)
        shown = {key: truth[key] for key in self.keys_of(number)}
        glare, hides = settle_glare(self.scene, plate, number, passing, shown, light)
        lay_glare(out, glare, plate.panes[number], (0.94, 0.98, 1.0))
        truth.update({key: NOBODY_READS for key, lost in hides.items() if lost})


def _draw_fate(scene: Scene, stretches: tuple[Stretch, ...], rng: np.random.Generator) -> _Fate:
    moved, off, covered, glared = (int(n) for n in rng.integers(0, 2, 4))
    keys = [m.key for instrument in scene.instruments for m in instrument.meters]
    return _Fate(
        stretches=stretches,
        nudged=knock_camera(View(), rng),
        moved=moved,
        moved_pose=move_instrument(scene.poses[moved], rng),
        dim_level=float(rng.uniform(0.25, 0.35)),
        off=off,
        covered=covered,
        glared=glared,
        glare_drift=(float(rng.uniform(-9, 9)), float(rng.uniform(-3, 3))),
        weak_key=keys[int(rng.integers(len(keys)))],
        blinking_key="co_ppm",
    )


def _note(shoot: _Shoot, frame: int, truth: dict[str, str]) -> str:
    """Say in words what was going on in a frame."""
    fate = shoot.fate
    who = {"instrument-moved": fate.moved, "glare": fate.glared, "timeout": fate.off, "covered": fate.covered}
    keys = {"low-battery": fate.weak_key, "blink": fate.blinking_key}
    notes = []
    for trouble, words in TROUBLE_NOTES.items():
        starts = any(s.trouble == trouble and s.first == frame for s in fate.stretches)
        if not (starts if trouble in LASTING else fate.during(trouble, frame)):
            continue
        if trouble == "covered" and shoot.cover is not None:
            words = f"{shoot.cover.word} {words}"
        if trouble in who:
            name = SHORT_NAMES[who[trouble]]
            words = f"{name} {words}" if trouble in ("instrument-moved", "timeout") else f"{words} {name}"
        notes.append(f"{keys[trouble]} {words}" if trouble in keys else words)
    over = [key for key, text in truth.items() if text == "OL"]
    if over:
        notes.append(f"{' and '.join(over)} over range")
    return "; ".join(notes)


def _start_time(rng: np.random.Generator) -> datetime:
    """Give an evening in a heating season of our own, with a fixed offset."""
    offset = timezone(timedelta(hours=int(rng.integers(0, 3))))
    day = datetime(2026, 10, 5, tzinfo=offset) + timedelta(days=int(rng.integers(0, 170)))
    return day + timedelta(hours=20, minutes=5 * int(rng.integers(0, 36)))


def _prepare_folder(folder: Path) -> NightFiles:
    """Make the folder for a night; raises BadInput where something is there already, or it cannot be made."""
    files = NightFiles(folder / "frames", folder / "calibration.toml", folder / "trial.toml", folder / "truth.csv")
    try:
        files.frames.mkdir(parents=True, exist_ok=True)
        taken = next((p for p in (*files.frames.iterdir(), files.calibration, files.trial, files.truth) if p.exists()), None)
    except OSError as problem:
        raise BadInput(f"cannot make the folder {files.frames}: {problem.strerror}; choose another place") from problem
    if taken is not None:
        raise BadInput(f"{taken} is there already, and nothing is overwritten; choose an empty folder for the practice night")
    return files


def _write(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as problem:
        raise BadInput(f"cannot write {path}: {problem.strerror}; make room or choose another folder") from problem


def _status_words(scene: Scene, fate: _Fate) -> dict[str, dict[str, str]]:
    words: dict[str, dict[str, str]] = {
        m.key: {"OL": "over range"} for instrument in scene.instruments for m in instrument.meters if m.unit == "ppm"
    }
    if any(s.trouble == "low-battery" for s in fate.stretches):
        words.setdefault(fate.weak_key, {})["Lo"] = "low battery"
    return words


def _set_up(
    seed: int,
    frames: int,
    style: str | None,
    interval_s: float,
    wanted: tuple[str, ...],
    size: tuple[int, int],
    condition: Condition,
) -> _Shoot:
    rng = np.random.default_rng([seed, 2])
    names = list(STYLES)
    look = (STYLES | TEXT_STYLES)[style] if style is not None else STYLES[names[int(rng.integers(len(names)))]]
    stretches = schedule(frames, wanted, np.random.default_rng([seed, 3]), SHARES | dict(condition.shares))
    puff = next((s.first for s in stretches if s.trouble == "spike"), None)
    story = draw_story(frames, interval_s, np.random.default_rng([seed, 1]), puff_frame=puff)
    scene = build_scene(paled(look, condition), story.meters, size, np.random.default_rng([seed, 4]))
    fate = _draw_fate(scene, stretches, np.random.default_rng([seed, 5]))
    light = np.random.default_rng([seed, 6])
    return _Shoot(scene, story, fate, draw_lamp(light), noise_tile(size, light), frames, seed, condition)


def _check_wishes(seed: int, frames: int, style: str | None, size: tuple[int, int]) -> None:
    if seed < 0:
        raise BadInput(f"the seed {seed} is below zero; give 0 or more")
    if not 1 <= frames <= 9999:
        raise BadInput(f"{frames} frames cannot be drawn; ask for 1 to 9999")
    if style is not None and style not in STYLES | TEXT_STYLES:
        raise BadInput(f"unknown style {style!r}; choose from: {', '.join(STYLES | TEXT_STYLES)}")
    if not (640 <= size[0] <= 8000 and 480 <= size[1] <= 8000):
        raise BadInput(f"a frame of {size[0]} x {size[1]} cannot be drawn; ask for 640 x 480 to 8000 x 8000")


def draw_night(
    folder: Path,
    *,
    seed: int,
    frames: int = 120,
    style: str | None = None,
    interval_s: float = 60,
    troubles: Sequence[str] | None = None,
    size: tuple[int, int] = (1280, 960),
    condition: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> NightFiles:
    """Draw a practice night into a folder: `frames/`, `calibration.toml`, `trial.toml`, `truth.csv`.

    `style` a name of `STYLES` or `TEXT_STYLES` (None: the seed chooses one of `STYLES`); `troubles` names of `TROUBLES` (None:
    all but the blinking; empty: a clean night); `size` width and height in pixels; `condition` a name of `CONDITIONS` that lies
    over the whole night, with its own troubles beside the wanted ones; `progress` is called with frames done and frames in all.
    Missing photos keep their number: there is no file and no row for it. Raises BadInput for wishes that cannot be met, and
    where the folder already holds a night.
    """
    lasting = check_condition(condition)
    size = (round(size[0] * lasting.size), round(size[1] * lasting.size))
    _check_wishes(seed, frames, style, size)
    wanted = check_troubles(troubles)
    wanted = check_troubles((*wanted, *lasting.troubles))
    shoot = _set_up(seed, frames, style, interval_s, wanted, size, lasting)
    files = _prepare_folder(Path(folder))
    start = _start_time(np.random.default_rng([seed, 10]))
    rows = []
    for frame in range(frames):
        if not shoot.fate.during("gap", frame):
            rows.append(_shoot_frame(shoot, frame, start + timedelta(seconds=frame * interval_s), files.frames))
        if progress is not None:
            progress(frame + 1, frames)
    keys = [key for number in (0, 1) for key in shoot.keys_of(number)]
    marks = np.random.default_rng([seed, 11])
    end = start + timedelta(seconds=(frames - 1) * interval_s)
    status = _status_words(shoot.scene, shoot.fate)
    _write(files.calibration, calibration_text(shoot.scene, rows[0].frame, status, marks).encode())
    _write(files.trial, trial_text(shoot.scene, shoot.story, start, end).encode())
    _write(files.truth, truth_text(rows, keys).encode())
    return files


def _shoot_frame(shoot: _Shoot, frame: int, time: datetime, folder: Path) -> TruthRow:
    """Draw one photo, write its file, give its row of the truth."""
    picture, truth = shoot.draw(frame)
    photo = encode_photo(picture, time, 0.1, quality=shoot.condition.quality)
    if shoot.fate.during("truncated", frame):
        photo = photo[: int(len(photo) * KEPT_OF_CUT_FILE)]
        truth = dict.fromkeys(truth, NOBODY_READS)
    name = f"night_{frame + 1:04d}.jpg"
    _write(folder / name, photo)
    return TruthRow(name, time, truth, _note(shoot, frame, truth))
