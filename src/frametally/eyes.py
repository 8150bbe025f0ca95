"""Takes a night and the user's files; gives what looks at every frame: decoded, registered and read, one or several at a time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from frametally.aim import Registrar, Stand, check_fit, reference_of, stands_between
from frametally.errors import BadFrame, CalibrationMisfit
from frametally.frames import Picture, fingerprint, load
from frametally.model import Calibration, Frame, FrameRecord, Method, Night, Placement, Reading, Trial
from frametally.read import Reader, Sight

Stood = tuple[Stand | None, Stand | None]
"""Where a display stood in the last photo before that showed it, and in the first after; None where there is none."""


@dataclass(frozen=True)
class Settings:
    """The user's files, read and checked."""

    calibration: Calibration
    trial: Trial | None
    method: Method


@dataclass(frozen=True)
class Eyes:
    """What looks at every frame: made once from the reference frame, shared by threads or sent to processes, changed by none."""

    calibration: Calibration
    registrar: Registrar
    reader: Reader
    reference: Frame
    reference_sha256: str

    @classmethod
    def open(cls, night: Night, settings: Settings) -> Eyes:
        """Prepare the reference frame. Raises `CalibrationMisfit` where it is missing, damaged or of another size."""
        calibration = settings.calibration
        by_name = {frame.name: frame for frame in night.frames}
        name = reference_of(calibration, list(by_name))
        try:
            picture = load(by_name[name])
        except BadFrame as problem:
            raise CalibrationMisfit(_no_reference(by_name[name], problem)) from None
        registrar = Registrar(picture.pixels, calibration, lost_below=settings.method.lost_below)
        return cls(calibration, registrar, Reader(picture.pixels, calibration.displays), by_name[name], picture.sha256)

    def look(self, frame: Frame) -> FrameRecord:
        """Read one frame; whatever is wrong with its file becomes the record's `problem`."""
        try:
            picture, placement = self.find(frame)
        except BadFrame as problem:
            size, digest = fingerprint_or_none(frame)
            return FrameRecord(frame.name, frame.time, size, digest, str(problem), None, {}, {})
        if placement is None:
            misfit = self._size_problem(picture)
            return FrameRecord(frame.name, frame.time, picture.bytes, picture.sha256, misfit, None, {}, {})
        readings = self.reader.read(picture.pixels, placement)
        return FrameRecord(
            frame.name, frame.time, picture.bytes, picture.sha256, "", placement.shift, placement.quality, readings
        )

    def find(self, frame: Frame) -> tuple[Picture, Placement | None]:
        """Give a frame's picture and where the displays lie in it, None where its size is another than the calibration's.

        Of files that allow it only what the displays need is decoded; all of it where that does not settle where they are. Raises
        BadFrame where the file does not hold a whole picture. The pixels are good until this thread asks for another frame's.
        """
        picture = load(frame, self.registrar.region, lent=True)
        if self._size_problem(picture):
            return picture, None
        if picture.known is None:
            return picture, self.registrar.locate(picture.pixels)
        placement = self.registrar.locate_in(picture.pixels, picture.known)
        if placement is not None:
            return picture, placement
        # A band was not enough, so only the whole is left: `locate` looks at the band once more, which does not count here.
        picture = load(frame)
        return picture, self.registrar.locate(picture.pixels)

    def study(self, frame: Frame, record: FrameRecord, texts: Mapping[str, str]) -> dict[str, Sight]:
        """Give what a frame shows of displays that the first look settled, with their texts; nothing where the photo changed."""
        picture, placement = self._seen_before(frame, record)
        return {} if picture is None or placement is None else self.reader.study(picture.pixels, placement, texts)

    def place(self, frame: Frame, record: FrameRecord) -> Placement | None:
        """Give where the displays lie in a frame; None where the photo changed."""
        return self._seen_before(frame, record)[1]

    def look_again(
        self, taught: Reader, frame: Frame, record: FrameRecord, keys: Iterable[str], stood: Mapping[str, Stood] | None = None
    ) -> dict[str, Reading] | None:
        """Read some displays of a frame with a reader that the night has taught; None where the photo changed.

        `stood` says of displays that were not found where they stood in the photos before and after. There they are looked at,
        as displays that something may stand in front of.
        """
        picture, placement = self._seen_before(frame, record)
        if picture is None or placement is None:
            return None
        size = picture.pixels.shape[1], picture.pixels.shape[0]
        for key, (before, after) in (stood or {}).items():
            corners = None if key in placement.corners else stands_between(before, after, placement, size)
            if corners is not None:
                placement = replace(placement, corners={**placement.corners, key: corners}, covered=placement.covered | {key})
        return taught.only(keys).read(picture.pixels, placement)

    def _seen_before(self, frame: Frame, record: FrameRecord) -> tuple[Picture | None, Placement | None]:
        try:
            picture, placement = self.find(frame)
        except BadFrame:
            return None, None
        return (picture, placement) if picture.sha256 == record.sha256 else (None, None)

    def _size_problem(self, picture: Picture) -> str:
        try:
            check_fit(self.calibration, (picture.pixels.shape[1], picture.pixels.shape[0]))
        except CalibrationMisfit as problem:
            return str(problem)
        return ""


def _no_reference(frame: Frame, problem: BadFrame) -> str:
    if isinstance(frame.path, Path) and not frame.path.exists() and not any((folder := _top(frame, frame.path)).glob("*")):
        return f"The photos are no longer in {folder}. Put the folder back and give the command again."
    said = str(problem).rstrip(".")
    return f"The reference frame {frame.name} cannot be used ({said}). Put it back, or mark the displays on another frame."


def _top(frame: Frame, path: Path) -> Path:
    """Give the folder that the frame's name counts from."""
    return path.parents[min(frame.name.count("/"), len(path.parents) - 1)]


def fingerprint_or_none(frame: Frame) -> tuple[int, str]:
    """Give a file's size and fingerprint, 0 and "" where it cannot be opened. [bytes]"""
    try:
        return fingerprint(frame)
    except BadFrame:
        return 0, ""
