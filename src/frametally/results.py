"""The results folder of one run: where each file lies, the copies of what the user gave, and which frames the night had."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from frametally.errors import BadInput
from frametally.journal import Correction, latest_corrections, load_corrections, load_journal
from frametally.model import FORMAT, Calibration, Display, Frame, FrameRecord, Method, Night, Notice
from frametally.places import Place, Url, place_of
from frametally.settings import fingerprint
from frametally.show.files import write_whole

if TYPE_CHECKING:
    import pandas as pd


class Results:
    """One results folder. Nothing is written before `keep_inputs`, but the journal.

    `frames` is where the photos lie now, None where they are still where the run found them.
    """

    def __init__(self, path: Path, frames: Path | None = None) -> None:
        self.path = path
        self._frames = frames
        self.journal = path / "journal.jsonl"
        self.readings = path / "readings.csv"
        self.audit = path / "readings_audit.csv"
        self.corrections = path / "corrections.csv"
        self.assessment = path / "assessment.json"
        self.report = path / "report.html"
        self.evidence = path / "evidence"
        self.calibration = path / "calibration.toml"
        self._trial = path / "trial.toml"
        self._method = path / "method.toml"
        self._night = path / "night.json"

    @property
    def trial(self) -> Path | None:
        """The copy of the trial file, None where none was given."""
        return self._trial if self._trial.exists() else None

    @property
    def method(self) -> Path | None:
        """The copy of the method file, None where none was given."""
        return self._method if self._method.exists() else None

    @property
    def holds_run(self) -> bool:
        """Whether a run has left its readings here."""
        return self._night.exists()

    def check_is_folder(self) -> None:
        """Raise `BadInput` where something other than a folder has this name."""
        if self.path.exists() and not self.path.is_dir():
            raise BadInput(f"{self.path} is a file; give a folder for the results with -o")

    def check_place(self, frames: Place, calibration: Path, trial: Path | None, method: Path | None) -> None:
        """Raise `BadInput` where results here would be mixed up with the photos, or would overwrite what is the user's."""
        self.check_is_folder()
        here, photos = self.path.resolve(), frames.resolve() if isinstance(frames, Path) else None
        inside = photos is not None and (here.is_relative_to(photos) or photos.is_relative_to(here / self.evidence.name))
        if photos is not None and photos.is_dir() and inside:
            raise BadInput(
                f"the results folder {self.path} and the folder of photos {frames} lie within one another, so that the"
                " pictures of the results would be taken for photos of the night; give a folder beside the photos with -o"
            )
        copies = {self.calibration: calibration, self._trial: trial, self._method: method}
        for kept, given in copies.items():
            if given is not None and given.resolve() in {path.resolve() for path in self._written if path != kept}:
                raise BadInput(f"{given} would be overwritten by the results in {self.path}; give another folder with -o")
        if self.path.is_dir() and not any(self.path.glob("journal*.jsonl")):
            given_here = {given.resolve() for given in copies.values() if given is not None}
            foreign = [path.name for path in self._written if path.exists() and path.resolve() not in given_here]
            if foreign:
                raise BadInput(
                    f"{self.path} holds {', '.join(foreign)}, but no journal of a run that made it, and the results would"
                    " overwrite it; give a new folder with -o"
                )

    @property
    def _written(self) -> tuple[Path, ...]:
        """What a run writes beside its journal, anew each time."""
        copies = (self.calibration, self._trial, self._method, self._night)
        return (self.readings, self.audit, self.assessment, self.report, *copies)

    def keep_inputs(
        self, calibration: Path, trial: Path | None, method: Path | None, night: Night, notices: Sequence[Notice], source: Place
    ) -> None:
        """Copy what the user gave, and write down which frames the night had, in order, with their times.

        The list of frames comes last: a folder that has one has everything from which tables and report can be made again.
        """
        for given, kept in ((calibration, self.calibration), (trial, self._trial), (method, self._method)):
            if given is None:
                kept.unlink(missing_ok=True)
            elif given.resolve() != kept.resolve():
                write_whole(kept, given.read_bytes())
        data = {
            "format": FORMAT,
            "source": str(source.resolve() if isinstance(source, Path) else source),
            "time_source": night.time_source,
            "frames": [[f.name, None if f.time is None else f.time.isoformat(), f.time_source, f.index] for f in night.frames],
            "notices": [asdict(notice) for notice in notices],
        }
        write_whole(self._night, (json.dumps(data, ensure_ascii=True, indent=1) + "\n").encode())

    def write_tables(self, readings: pd.DataFrame, audit: pd.DataFrame, calibration: Calibration) -> None:
        """Write both tables and what describes them."""
        from frametally.show.package import write_datapackage
        from frametally.show.tables import write_audit, write_readings

        displays = calibration.displays
        write_readings(readings, displays, self.readings)
        write_audit(audit, self.audit, displays)
        write_datapackage(self.path, displays, title=calibration.title)

    def drop_findings(self) -> None:
        """Take away an assessment and a report that were made of other readings than those that stand here now."""
        for path in (self.assessment, self.report, *self.crops()):
            path.unlink(missing_ok=True)

    def marked_pictures(self) -> list[Path]:
        """Give the pictures that runs have left of how displays were marked which they could not read."""
        return sorted(self.evidence.glob("*_as_marked_*.jpg"))

    def crops(self) -> list[Path]:
        """Give the evidence crops that runs have left; other pictures in that folder are the user's own."""
        return sorted(path for side in ("highest", "lowest") for path in self.evidence.glob(f"*_{side}_*.jpg"))

    def night(self) -> tuple[Night, tuple[Notice, ...]]:
        """Give the frames and notices written down by `keep_inputs`. Raises `BadInput` where the folder holds no run."""
        try:
            data = json.loads(self._night.read_text(encoding="utf-8"))
            source = self._frames or place_of(data["source"])
            frames = tuple(
                Frame(name, _path_of(source, name), index, None if time is None else datetime.fromisoformat(time), time_source)
                for name, time, time_source, index in data["frames"]
            )
            notices = tuple(Notice(**notice) for notice in data["notices"])
            time_source = data["time_source"]
        except (FileNotFoundError, NotADirectoryError):
            if self.journal.is_file():
                raise BadInput(
                    f"{self.path} holds no finished run: it was stopped while it read. Give the same `frametally run` command"
                    " again; it goes on where it stopped"
                ) from None
            raise BadInput(f"{self.path} holds no finished run; give the folder that `frametally run` wrote with -o") from None
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise BadInput(
                f"{self._night} cannot be read ({error}); run the job again, the readings in the journal are kept"
            ) from None
        return Night(frames, time_source), notices

    def records(self, night: Night, calibration: Calibration, method: Method) -> list[FrameRecord]:
        """Give the journal's records for the night's frames, in the night's order and with its times.

        Raises `BadInput` where some are missing, and where they were read with another calibration or method.
        """
        header, known = load_journal(self.journal)
        if (header.calibration, header.method) != reading_fingerprint(calibration, method):
            raise BadInput(
                f"{self.calibration} (or the method beside it) is not the one that the readings in {self.journal.name} were"
                " made with; put the old one back, or run the job again with the new one and --fresh"
            )
        missing = [frame.name for frame in night.frames if frame.name not in known]
        if missing:
            raise BadInput(
                f"{self.journal} lacks {len(missing)} frames, the first is {missing[0]}; run the job again to read them"
            )
        return [replace(known[frame.name], time=frame.time) for frame in night.frames]

    def hand_corrections(
        self, night: Night, displays: Sequence[Display]
    ) -> tuple[dict[tuple[str, str], Correction], list[Notice]]:
        """Give the corrections that count, by frame and display, and a notice of each that fits nothing in this night."""
        corrections = latest_corrections(load_corrections(self.corrections))
        frames, keys = {frame.name for frame in night.frames}, {display.key for display in displays}
        notices = [
            Notice(
                "correction-unused",
                frame,
                f"{self.corrections.name} corrects {key} in {frame}, but this night has no such"
                f" {'display' if frame in frames else 'frame'}; the correction does not count.",
            )
            for frame, key in corrections
            if frame not in frames or key not in keys
        ]
        return corrections, notices


def _path_of(source: Place, name: str) -> Place:
    """Give the file of a frame: inside the source folder, or the source itself where that is one file."""
    if isinstance(source, Url):
        return source if source.name == name else source / name
    if source.is_file():
        return source
    return source / name.split("#", 1)[0] if "#" in name and not (source / name).exists() else source / name


def reading_fingerprint(calibration: Calibration, method: Method) -> tuple[str, str]:
    """Give fingerprints of what the readings depend on: titles, names and accuracies may change without reading anew."""
    plain = calibration.model_copy(
        update={
            "title": "",
            "instrument": tuple(
                instrument.model_copy(
                    update={
                        "name": str(number),
                        "display": tuple(
                            d.model_copy(update={"quantity": "-", "unit": "", "accuracy": None}) for d in instrument.display
                        ),
                    }
                )
                for number, instrument in enumerate(calibration.instrument)
            ),
        }
    )
    return fingerprint(plain), fingerprint(Method(lost_below=method.lost_below))
