"""The types that cross rooms, the flags, and the one list of columns: what every other module speaks in.

Times are `datetime`, with an offset where one is known and without where not; nobody adds the computer's own zone.
Pixels are x to the right, y down, in the upright photo (after EXIF rotation). Images are `numpy` arrays, `uint8`, BGR.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from frametally.places import Place

FORMAT = 1
"""Version of the calibration, trial, method and journal files this program writes and reads."""


# --- flags -----------------------------------------------------------------------------------------------------------


class Flag(StrEnum):
    """Why a reading is not simply "ok"; the values are what the tables show."""

    OK = "ok"
    REPAIRED = "repaired"
    CORRECTED = "corrected"
    DOUBTFUL = "doubtful"
    OVER_RANGE = "over_range"
    UNDER_RANGE = "under_range"
    STATUS = "status"
    BLANK = "blank"
    HIDDEN = "hidden"
    LOST = "lost"
    UNREADABLE = "unreadable"
    NO_FRAME = "no_frame"


FLAG_MEANING: dict[Flag, tuple[str, str]] = {
    Flag.OK: ("Read, and the evidence settles it.", "Nothing to do."),
    Flag.REPAIRED: (
        "The pixels and the neighbouring frames agree on another reading than the first.",
        "Nothing to do; the first reading stands beside it in the audit table.",
    ),
    Flag.CORRECTED: ("Set by hand.", "Nothing to do; corrections.csv says who and when."),
    Flag.DOUBTFUL: (
        "A value is shown, but the evidence does not settle it.",
        "Look at the photo before using the value.",
    ),
    Flag.OVER_RANGE: (
        "The display said that the quantity is above what it can show.",
        "Count it as at least the top of the range.",
    ),
    Flag.UNDER_RANGE: (
        "The display said that the quantity is below what it can show.",
        "Count it as at most the bottom of the range.",
    ),
    Flag.STATUS: ("The display showed a word, not a number.", "See the raw text in the audit table."),
    Flag.BLANK: (
        "The display was off, or its place on the screen showed another quantity.",
        "None: there was no number of this display.",
    ),
    Flag.HIDDEN: ("Something stood in front of the display.", "None for this night; keep the view free."),
    Flag.LOST: (
        "The display was not found in this frame.",
        "Check whether the camera or the instrument moved; mark it again if it did.",
    ),
    Flag.UNREADABLE: ("The display was found, but nothing on it could be read.", "Look at the photo."),
    Flag.NO_FRAME: ("There is no photo for this time, or the file is damaged.", "Gap: nothing is filled in."),
}
"""For each flag: what it means, and what to do about it."""

SETTLED = frozenset({Flag.OK, Flag.REPAIRED, Flag.CORRECTED})
"""Flags of readings whose value may be used as it stands."""

VALUED = SETTLED | {Flag.DOUBTFUL}
"""Flags of readings that carry a value at all."""


# --- what is read ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rival:
    """One possible reading of a display, with its probability (0 to 1) given the pixels alone."""

    text: str
    value: float | None
    probability: float


@dataclass(frozen=True, slots=True)
class Reading:
    """What one display showed in one frame.

    `text` is what stands there ("20.9", "OL", "" where nothing could be told); `value` its number or None;
    `confidence` the probability (0 to 1) that the text is right; `rivals` every candidate kept, most probable first
    (the first is the reading itself); `reader` which reader spoke ("segments", "ocr", "none"); `sharpness` the
    contrast between lit and unlit over the noise around it (0 where not measured).
    """

    text: str
    value: float | None
    confidence: float
    flag: Flag
    rivals: tuple[Rival, ...] = ()
    reader: str = "none"
    sharpness: float = 0.0


@dataclass(frozen=True, slots=True)
class Frame:
    """One photo of the time-lapse (or one picture of a video).

    `name` is its path inside the source folder with forward slashes (for a video "clip.mp4#000123"), unique in a night;
    `path` the file (or URL) to open; `index` the picture's number inside a video, 0 for a photo; `time` None where unknown;
    `time_source` a slug of `frames.clocks` ("exif-offset", "exif-utc-offset", "exif", "name", "video", "start-every", "none").
    """

    name: str
    path: Place
    index: int
    time: datetime | None
    time_source: str


@dataclass(frozen=True)
class Notice:
    """Something about the input that the user should know: a slug, the frame (or "" for the whole), a sentence."""

    code: str
    where: str
    text: str


@dataclass(frozen=True)
class Night:
    """The frames of one source in the order of time, what gave them their times, and what was odd about them."""

    frames: tuple[Frame, ...]
    time_source: str
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True, slots=True)
class Shift:
    """How a view moved against the reference frame: pixels, degrees (clockwise positive), factor; quality 0 to 1."""

    dx: float
    dy: float
    rotation_deg: float
    scale: float
    quality: float


Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]
"""Four points clockwise from the digits' own top left. [px]"""


@dataclass(frozen=True)
class Placement:
    """Where the displays are in one frame.

    `shift` is the whole frame's; `corners` has each display's key that was found; `quality` (0 to 1) every key's;
    a key that is in `covered` was looked for where the view says it must be, and something else is there, or may be where
    `corners` has it too; a key that is in neither `corners` nor `covered` is lost.
    """

    shift: Shift
    corners: dict[str, Corners]
    quality: dict[str, float]
    covered: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class FrameRecord:
    """What one frame gave: the journal holds one per line. `problem` says why there is no picture, "" where there is one.

    `again` has the second readings, by display, of what the night left open at first: made with what the night taught, and kept
    in lines of their own. `readings` are the first ones and never change.
    """

    frame: str
    time: datetime | None
    bytes: int
    sha256: str
    problem: str
    shift: Shift | None
    quality: dict[str, float]
    readings: dict[str, Reading]
    again: dict[str, Reading] = field(default_factory=dict)


# --- what the assessment gives ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Finding:
    """One statement about the night.

    `slug` names its kind; `weight` orders findings by what matters to a life (0 first); `tone` is one of
    "danger", "warning", "note", "calm"; `value`, `lower`, `upper` carry `unit` (None = open or not known);
    `verdict` is "exceeds", "does not exceed", "undecided" or ""; `limit` the id in the limit catalogue or "";
    `evidence` the frames that show it; `sources` the documents or formulas it rests on.
    """

    slug: str
    title: str
    text: str
    weight: int
    tone: Literal["danger", "warning", "note", "calm"] = "note"
    key: str = ""
    value: float | None = None
    lower: float | None = None
    upper: float | None = None
    unit: str = ""
    limit: str = ""
    verdict: str = ""
    verified: bool = True
    evidence: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


@dataclass(frozen=True)
class Assessment:
    """All findings, ordered, with the figures behind the charts: `summary[key]` those of a display, `topics[name]` those of a
    topic (oxygen, moisture, ...), as plain dicts of numbers."""

    findings: tuple[Finding, ...]
    summary: dict[str, dict[str, object]] = field(default_factory=dict)
    topics: dict[str, dict[str, object]] = field(default_factory=dict)


# --- the one list of columns -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """One column of a table: name, Frictionless field type, unit ("" where none), meaning."""

    name: str
    type: str
    unit: str
    meaning: str


TIME_COLUMNS = (
    Column("time", "datetime", "", "When the photo was taken, ISO 8601, with the offset from UTC where it is known."),
    Column("elapsed_min", "number", "min", "Minutes since the first frame."),
    Column("frame", "string", "", "The photo's name inside the frames folder; empty where the time-lapse has a gap."),
)

AUDIT_COLUMNS = (
    *TIME_COLUMNS,
    Column("display", "string", "", "The display's key in the calibration."),
    Column("raw_text", "string", "", "What the reader saw, never changed afterwards."),
    Column("raw_value", "number", "the display's", "The number in the raw text."),
    Column("value", "number", "the display's", "The value after cleaning and hand corrections."),
    Column("confidence", "number", "1", "Probability that the value is right, 0 to 1."),
    Column("flag", "string", "", "Why the reading is not simply ok."),
    Column("rival_text", "string", "", "The runner-up reading."),
    Column("rival_confidence", "number", "1", "Probability of the runner-up, 0 to 1."),
    Column("reader", "string", "", "Which reader spoke; +night where its second look counts."),
    Column("sharpness", "number", "1", "Contrast of lit against unlit over the noise; higher is clearer."),
    Column("quality", "number", "1", "How well the display's place was found, 0 to 1."),
    Column("shift_x_px", "number", "px", "How far the view moved to the right against the reference frame."),
    Column("shift_y_px", "number", "px", "How far the view moved down against the reference frame."),
    Column("rotation_deg", "number", "°", "How far the view turned clockwise against the reference frame."),
)


def reading_columns(displays: tuple[Display, ...]) -> tuple[Column, ...]:
    """Give the columns of `readings.csv` for these displays, in order."""
    columns = list(TIME_COLUMNS)
    for display in displays:
        columns.append(Column(display.key, "number", display.unit, f"{display.quantity.capitalize()}, {display.instrument}."))
        columns.append(Column(f"{display.key}_flag", "string", "", f"Flag of {display.key}."))
    return tuple(columns)


KEY_PATTERN = re.compile(
    r"^(?:(?P<prefix>[a-z][a-z0-9]*(?:_[a-z0-9]+)*)_)?(?P<kind>co_ppm|o2_pct|co2_ppm|no2_ppm|temp_c|temp_f|rh_pct)\Z"
)


def key_kind(key: str) -> str | None:
    """Give the quantity-and-unit part of a display's key ("wall_co_ppm" -> "co_ppm"), None where the key is not one we assess."""
    match = KEY_PATTERN.match(key)
    return match["kind"] if match else None


# --- files the user writes -------------------------------------------------------------------------------------------


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Accuracy(_Strict):
    """A maker's statement: the larger of `absolute` (display's unit) and `relative` (share of the reading)."""

    absolute: float = Field(0.0, ge=0)
    relative: float = Field(0.0, ge=0, lt=1)

    def at(self, value: float) -> float:
        """Give the tolerance at a reading, in the display's unit."""
        return max(self.absolute, self.relative * abs(value))


MASK = re.compile(r"^-?(?:[#][.:]?)+$")

STATUS_DEFAULTS: dict[str, str] = {
    "OL": "over range",
    "OFL": "over range",
    "HI": "over range",
    "----": "over range",
    "---": "over range",
    "--": "over range",
    "LO": "status",  # low battery on one instrument, under range on the next: the calibration says which
    "ERR": "error",
    "BAT": "low battery",
    "LOBAT": "low battery",
}
"""What the usual words on displays mean (common practice, no source); a display's own `status` counts before these."""

StatusMeaning = Literal["over range", "under range", "error", "low battery", "status"]


class Display(_Strict):
    """One number on an instrument's face; see the calibration file. `instrument` is filled in from the table it stands in."""

    key: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    quantity: str = Field(min_length=1)
    unit: str
    corners: Corners
    digits: str | tuple[str, ...]
    range: tuple[float, float] | None = None
    resolution: float | None = Field(None, gt=0)
    accuracy: Accuracy | None = None
    kind: Literal["segments", "text"] = "segments"
    status: dict[str, StatusMeaning] = Field(default_factory=dict)
    instrument: str = ""

    @field_validator("digits")
    @classmethod
    def _mask(cls, digits: str | tuple[str, ...]) -> str | tuple[str, ...]:
        for mask in (digits,) if isinstance(digits, str) else digits:
            if not MASK.match(mask):
                raise ValueError(
                    f"the mask {mask!r} should be one # per digit place, '.' at a fixed point, '-' in front for a sign, like ##.#"
                )
        if not digits:
            raise ValueError("at least one mask is needed, like ##.#")
        return digits

    @field_validator("range")
    @classmethod
    def _ordered(cls, span: tuple[float, float] | None) -> tuple[float, float] | None:
        if span is not None and not span[0] < span[1]:
            raise ValueError(f"the range {list(span)} should be [lowest, highest]")
        return span

    @field_validator("corners")
    @classmethod
    def _clockwise(cls, corners: Corners) -> Corners:
        if not all(math.isfinite(v) for point in corners for v in point):
            raise ValueError("every corner is two finite numbers")
        turns = [
            (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])
            for a, b, c in ((corners[i], corners[(i + 1) % 4], corners[(i + 2) % 4]) for i in range(4))
        ]
        if min(turns) <= 0:
            raise ValueError("the four corners should go clockwise from the digits' own top left, and make a convex shape")
        return corners

    @property
    def masks(self) -> tuple[str, ...]:
        """The masks, also where only one is given."""
        return (self.digits,) if isinstance(self.digits, str) else self.digits

    def meaning_of(self, word: str) -> StatusMeaning | None:
        """Give what a word on this display means, None where it is not a known word. Case does not matter."""
        for table in (self.status, STATUS_DEFAULTS):
            for known, meaning in table.items():
                if known.upper() == word.upper():
                    return meaning  # type: ignore[return-value]
        return None


class Instrument(_Strict):
    """One meter in view."""

    name: str = Field(min_length=1)
    display: tuple[Display, ...] = Field(min_length=1)


class Calibration(_Strict):
    """Where the displays are and what they show; one per camera set-up."""

    format: Literal[1]
    title: str = ""
    reference_frame: str = Field(min_length=1)
    frame_size: tuple[int, int]
    instrument: tuple[Instrument, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        keys: set[str] = set()
        taken = {column.name for column in TIME_COLUMNS} | {f"{display.key}_flag" for display in self.displays}
        for display in self.displays:
            if display.key in keys:
                raise ValueError(f"two displays have the key {display.key!r}; put a prefix before one, like wall_{display.key}")
            if display.key in taken:
                raise ValueError(f"the key {display.key!r} is taken by a column of the table")
            keys.add(display.key)
            for x, y in display.corners:
                if not (0 <= x <= self.frame_size[0] and 0 <= y <= self.frame_size[1]):
                    size = f"{self.frame_size[0]} x {self.frame_size[1]}"
                    raise ValueError(f"{display.key}: the corner [{x:g}, {y:g}] lies outside the frame of {size}")
        return self

    @property
    def displays(self) -> tuple[Display, ...]:
        """All displays in the order of the file, each with its instrument's name."""
        return tuple(d.model_copy(update={"instrument": i.name}) for i in self.instrument for d in i.display)


class Space(_Strict):
    name: str = ""
    volume_m3: float | None = Field(None, gt=0)
    altitude_m: float | None = Field(None, ge=-500, le=9000)
    station_pressure_hpa: float | None = Field(None, ge=300, le=1100)
    coldest_surface_c: float | None = None


class Appliance(_Strict):
    name: str = ""
    fuel: str = ""
    heat_input_kw: float | None = Field(None, gt=0)
    heat_basis: Literal["net", "gross"] | None = None
    rated_output_kw: float | None = Field(None, gt=0)
    flue: bool | None = None
    on: datetime | None = None
    off: datetime | None = None
    notes: str = ""


class Vent(_Strict):
    name: str = ""
    free_area_cm2: float | None = Field(None, ge=0)
    open: bool | None = None


class Event(_Strict):
    time: datetime
    what: str


class People(_Strict):
    sleeping: int | None = Field(None, ge=0)
    notes: str = ""


class Outdoor(_Strict):
    temp_c: float | None = Field(None, ge=-60, le=60)
    rh_pct: float | None = Field(None, ge=0, le=100)
    co_ppm: float | None = Field(None, ge=0)
    co2_ppm: float | None = Field(None, ge=0)


class TrialInstrument(_Strict):
    name: str = Field(min_length=1)
    co_alarm_ppm: tuple[float, ...] = ()
    last_bump_test: date | None = None
    response_t90_s: dict[str, float] = Field(default_factory=dict)
    working_temp_c: tuple[float, float] | None = None
    zeroed_at_altitude_m: float | None = None


class Trial(_Strict):
    """The conditions of the test. Every part is optional; what is missing is asked for, never assumed."""

    format: Literal[1]
    title: str = ""
    start: datetime | None = None
    end: datetime | None = None
    space: Space = Space()
    appliance: tuple[Appliance, ...] = ()
    vent: tuple[Vent, ...] = ()
    event: tuple[Event, ...] = ()
    people: People = People()
    outdoor: Outdoor = Outdoor()
    instrument: tuple[TrialInstrument, ...] = ()


class ManifestNight(_Strict):
    """One night of a fleet; paths are relative to the manifest, `frames` may be a URL."""

    name: str = ""
    frames: str = Field(min_length=1)
    calibration: str = Field(min_length=1)
    trial: str = ""
    method: str = ""
    results: str = Field(min_length=1)
    utc_offset: str | None = None
    start: datetime | None = None
    every_s: float | None = Field(None, gt=0)
    camera: str | None = Field(None, min_length=1)


class Manifest(_Strict):
    """Many cameras' nights that are one job."""

    format: Literal[1]
    night: tuple[ManifestNight, ...] = Field(min_length=1)


class Method(_Strict):
    """How strict the run is: a separate file, so that a calibration can serve many nights."""

    format: Literal[1] = 1
    doubtful_below: float = Field(0.98, gt=0, lt=1, description="a reading less probable than this is doubtful")
    lost_below: float = Field(0.35, gt=0, lt=1, description="a display whose place was found worse than this is lost")
    gap_after: float = Field(1.5, gt=1, description="a pause longer than this many intervals is a gap")
    strict_share: float = Field(0.02, ge=0, le=1, description="with --strict, more doubtful than this share ends with code 5")
