"""Before the night: takes photos of the displays, the calibration and the plan; gives what to expect and what to change.

The recipe is `check`: find each display, read it, measure it, judge it; then the clock, the interval, card and battery.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from frametally.advice import Judgement, Verdict, judge_display
from frametally.aim import Registrar, check_fit, reference_of
from frametally.aim.obliquity import Obliquity, obliquity
from frametally.assess.cadence import Cadence, plan_cadence
from frametally.errors import BadFrame, BadInput, CalibrationMisfit, NoFrames, TooDoubtful
from frametally.frames import Picture, load, open_night
from frametally.frames.timekeeping import ClockCheck, check_clock
from frametally.model import Calibration, Corners, Display, Frame, Method, Placement, Reading, Shift, Trial
from frametally.read import Reader
from frametally.read.legibility import Legibility, inspect
from frametally.settings import load_calibration, load_trial

BYTES_PER_GB = 1e9
"""As makers of memory cards count."""


@dataclass(frozen=True)
class Plan:
    """What is planned for the night: time from photo to photo [s], and what the user knows of battery [h] and card [GB]; None
    where not told: nothing is assumed."""

    interval_s: float | None = None
    battery_h: float | None = None
    card_gb: float | None = None


@dataclass(frozen=True)
class Sighting:
    """One display in one photo: where it is (None where it was not found), what it reads, what was measured, the judgement."""

    display: Display
    corners: Corners | None
    reading: Reading
    seen: Legibility | None
    view: Obliquity | None
    judgement: Judgement


@dataclass(frozen=True)
class Photo:
    """One photo: its frame, its size in bytes, its displays in the calibration's order, and `placed`: "reference" where it is the
    photo that the displays were marked on, "found" where they were looked for, "as marked" where there was nothing to compare."""

    frame: Frame
    bytes: int
    placed: str
    sightings: tuple[Sighting, ...]


@dataclass(frozen=True)
class Endurance:
    """How long the night can be: photo size [bytes], photos an hour; photos and hours that fit on the card; the battery's hours
    as told; the trial's length and photos; `limited_by` "card", "battery" or "" where neither is told."""

    photo_bytes: int
    photos_an_hour: float
    card_photos: int | None = None
    card_h: float | None = None
    battery_h: float | None = None
    trial_h: float | None = None
    trial_photos: int | None = None
    limited_by: str = ""

    @property
    def lasts_h(self) -> float | None:
        """When the first of card and battery gives out. [h]"""
        return min((hours for hours in (self.card_h, self.battery_h) if hours is not None), default=None)

    @property
    def enough(self) -> bool | None:
        """Whether that is as long as the trial; None where one of the two is not told."""
        if self.trial_h is None or self.lasts_h is None:
            return None
        return self.lasts_h >= self.trial_h


@dataclass(frozen=True)
class Check:
    """Everything that was found: every photo, the worst verdict on each display, the clock, and the plan's consequences (None and
    empty where no interval was given). `notes` says what could not be done."""

    calibration: Calibration
    photos: tuple[Photo, ...]
    clock: ClockCheck
    endurance: Endurance | None = None
    cadences: tuple[Cadence, ...] = ()
    interval_s: float | None = None
    notes: tuple[str, ...] = ()

    def worst(self, key: str) -> Sighting:
        """Give a display's sighting with the worst verdict; of several, the one that is expected to be flagged most."""
        own = [one for photo in self.photos for one in photo.sightings if one.display.key == key]
        return max(own, key=lambda one: (list(Verdict).index(one.judgement.verdict), _expected(one)))

    @property
    def verdicts(self) -> dict[str, Verdict]:
        """The worst verdict on every display, by key."""
        return {display.key: self.worst(display.key).judgement.verdict for display in self.calibration.displays}


def check(
    photos: Sequence[Path], calibration: Path, *, trial: Path | None = None, plan: Plan | None = None, now: datetime
) -> Check:
    """Check photos taken before the night.

    Parameters
    ----------
    photos : one or more photo files, taken as the night's photos will be
    trial : the conditions of the test: how fast the meters respond, how long the night is
    now : this moment, to hold the photos' clock against

    Raises
    ------
    BadInput, CalibrationMisfit
        As their texts say.
    NoFrames
        Where none of the photos can be opened.
    """
    plan = plan or Plan()
    _check_plan(plan)
    known, conditions = load_calibration(calibration), load_trial(trial) if trial is not None else None
    frames = [_frame_of(path) for path in photos]
    reference, notes = _reference(known, calibration, frames)
    eyes = _Eyes.open(known, reference)
    looked = []
    for frame in frames:
        try:
            picture = load(frame)
        except BadFrame as problem:
            notes.append(f"{frame.name}: {problem}")
        else:
            looked.append(eyes.look(frame, picture))
    if not looked:
        raise NoFrames("; ".join(notes))
    clock = _clock([photo.frame for photo in looked], now)
    if plan.interval_s is None:
        return Check(known, tuple(looked), clock, notes=tuple(notes))
    cadences = [plan_cadence(display, plan.interval_s, conditions) for display in known.displays]
    return Check(
        known,
        tuple(looked),
        clock,
        endurance(max(photo.bytes for photo in looked), plan, conditions),
        tuple(one for one in cadences if one is not None),
        plan.interval_s,
        tuple(notes),
    )


def check_legible(found: Check) -> None:
    """Raise `TooDoubtful` where a display is not legible."""
    lost = [key for key, verdict in found.verdicts.items() if verdict is Verdict.NOT_LEGIBLE]
    if lost:
        raise TooDoubtful(f"not legible: {', '.join(lost)}; change what is listed for them, take a photo and check it again")


def endurance(photo_bytes: int, plan: Plan, trial: Trial | None) -> Endurance:
    """Give how long card and battery last. `plan.interval_s` must be given; what is not told stays open."""
    interval_s = plan.interval_s or math.nan
    photos_an_hour = 3600 / interval_s
    card_photos = None if plan.card_gb is None else int(plan.card_gb * BYTES_PER_GB // max(photo_bytes, 1))
    card_h = None if card_photos is None else card_photos / photos_an_hour
    trial_h = None
    if trial is not None and trial.start is not None and trial.end is not None and _comparable(trial.start, trial.end):
        trial_h = (trial.end - trial.start).total_seconds() / 3600
    ends = {"card": card_h, "battery": plan.battery_h}
    told = {name: hours for name, hours in ends.items() if hours is not None}
    return Endurance(
        photo_bytes,
        photos_an_hour,
        card_photos,
        card_h,
        plan.battery_h,
        trial_h,
        None if trial_h is None else int(trial_h * photos_an_hour) + 1,
        min(told, key=lambda name: told[name]) if told else "",
    )


def _comparable(one: datetime, other: datetime) -> bool:
    return (one.tzinfo is None) == (other.tzinfo is None) and other > one


def _check_plan(plan: Plan) -> None:
    for option, value in (
        ("--interval", plan.interval_s),
        ("--battery-h", plan.battery_h),
        ("--card-gb", plan.card_gb),
    ):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise BadInput(f"{option} {value:g} must be a number above 0; leave it out where it is not known")
    if plan.interval_s is None and (plan.battery_h is not None or plan.card_gb is not None):
        raise BadInput("--battery-h and --card-gb need --interval, the time from photo to photo, such as --interval 60s")


# --- photos ---------------------------------------------------------------------------------------------------------------


def _frame_of(path: Path) -> Frame:
    if path.is_dir():
        raise BadInput(f"{path} is a folder; give one or more photos in it, such as the last one taken")
    night = open_night(path)
    if len(night.frames) != 1:
        raise BadInput(f"{path} is a video; give a photo taken with the camera as it will stand in the night")
    return night.frames[0]


def _reference(calibration: Calibration, path: Path, frames: Sequence[Frame]) -> tuple[Picture | None, list[str]]:
    """Give the photo that the displays were marked on: among the photos, beside them, or beside the calibration."""
    named = calibration.reference_frame.replace("\\", "/")
    try:
        name = reference_of(calibration, [frame.name for frame in frames])
        places = [next(frame.path for frame in frames if frame.name == name)]
    except CalibrationMisfit:
        folders = dict.fromkeys([*(frame.path.parent for frame in frames), path.parent])
        places = [folder / part for folder in folders for part in (named, named.rsplit("/", 1)[-1])]
    found = next((place for place in places if place.is_file()), None)
    if found is None:
        return None, [f"The photo that the displays were marked on, {named}, is not beside these; {_AS_MARKED}"]
    try:
        return load(open_night(found).frames[0]), []
    except (BadFrame, BadInput, NoFrames) as problem:
        return None, [f"The photo that the displays were marked on, {found}, cannot be used ({problem}); {_AS_MARKED}"]


_AS_MARKED = "the corners are taken as they stand. If camera or instrument were moved since, mark the displays again first."


@dataclass(frozen=True)
class _Eyes:
    """What finds and reads the displays in every photo: made once, from the photo that they were marked on where it is there."""

    calibration: Calibration
    sha256: str
    registrar: Registrar | None
    reader: Reader | None

    @classmethod
    def open(cls, calibration: Calibration, reference: Picture | None) -> _Eyes:
        if reference is None:
            return cls(calibration, "", None, None)
        registrar = Registrar(reference.pixels, calibration, lost_below=Method().lost_below)
        return cls(calibration, reference.sha256, registrar, Reader(reference.pixels, calibration.displays))

    def look(self, frame: Frame, picture: Picture) -> Photo:
        """Find, read, measure and judge every display in one photo."""
        pixels, displays = picture.pixels, self.calibration.displays
        size = (pixels.shape[1], pixels.shape[0])
        try:
            check_fit(self.calibration, size)
        except CalibrationMisfit as misfit:
            raise CalibrationMisfit(f"{frame.name}: {misfit}") from None
        is_same = picture.sha256 == self.sha256
        if self.registrar is None or is_same:
            as_marked = {display.key: display.corners for display in displays}
            placement = Placement(Shift(0.0, 0.0, 0.0, 1.0, 1.0), as_marked, dict.fromkeys(as_marked, 1.0))
        else:
            placement = self.registrar.locate(pixels)
        readings = (self.reader or Reader(pixels, displays)).read(pixels, placement)
        views = _views(self.calibration, placement, size)
        sightings = tuple(
            _sight(pixels, display, placement.corners, readings[display.key], views.get(display.key)) for display in displays
        )
        placed = "as marked" if self.registrar is None else "reference" if is_same else "found"
        return Photo(frame, picture.bytes, placed, sightings)


def _views(calibration: Calibration, placement: Placement, size: tuple[int, int]) -> dict[str, Obliquity]:
    """Give how each instrument is seen, by its displays' keys."""
    views: dict[str, Obliquity] = {}
    for instrument in calibration.instrument:
        keys = [display.key for display in instrument.display if display.key in placement.corners]
        if keys:
            views |= dict.fromkeys(keys, obliquity([placement.corners[key] for key in keys], size))
    return views


def _sight(
    pixels: np.ndarray, display: Display, places: Mapping[str, Corners], reading: Reading, view: Obliquity | None
) -> Sighting:
    corners = places.get(display.key)
    others = [place for key, place in places.items() if key != display.key]
    seen = None if corners is None else inspect(pixels, corners, display, reading.text, others)
    return Sighting(display, corners, reading, seen, view, judge_display(display, reading, seen, view))


def _expected(one: Sighting) -> float:
    return one.judgement.expected.flagged if one.judgement.expected is not None else 1.0


def _clock(frames: Sequence[Frame], now: datetime) -> ClockCheck:
    """Check the clock by the photo that seems to be the latest."""
    timed = [frame for frame in frames if frame.time is not None]
    if not timed:
        return check_clock(None, "none", now)
    latest = max(timed, key=lambda frame: frame.time.replace(tzinfo=None) if frame.time else now.replace(tzinfo=None))
    return check_clock(latest.time, latest.time_source, now)
