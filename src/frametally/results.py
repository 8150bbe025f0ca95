"""The results folder of one run: where each file lies, the copies of what the user gave, and which frames the night had."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path

from frametally.errors import BadInput
from frametally.journal import load_journal
from frametally.model import FORMAT, Calibration, Frame, FrameRecord, Method, Night, Notice
from frametally.settings import fingerprint


class Results:
    """One results folder. Nothing is written before `keep_inputs`, but the journal."""

    def __init__(self, path: Path) -> None:
        self.path = path
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

    def keep_inputs(
        self, calibration: Path, trial: Path | None, method: Path | None, night: Night, notices: Sequence[Notice], source: Path
    ) -> None:
        """Copy what the user gave, and write down which frames the night had, in order, with their times."""
        for given, kept in ((calibration, self.calibration), (trial, self._trial), (method, self._method)):
            if given is None:
                kept.unlink(missing_ok=True)
            elif given.resolve() != kept.resolve():
                _write(kept, given.read_bytes())
        data = {
            "format": FORMAT,
            "source": str(source.resolve()),
            "time_source": night.time_source,
            "frames": [[f.name, None if f.time is None else f.time.isoformat(), f.time_source, f.index] for f in night.frames],
            "notices": [asdict(notice) for notice in notices],
        }
        _write(self._night, (json.dumps(data, ensure_ascii=True, indent=1) + "\n").encode())

    def night(self) -> tuple[Night, tuple[Notice, ...]]:
        """Give the frames and notices written down by `keep_inputs`. Raises `BadInput` where the folder holds no run."""
        try:
            data = json.loads(self._night.read_text(encoding="utf-8"))
            source = Path(data["source"])
            frames = tuple(
                Frame(name, _path_of(source, name), index, None if time is None else datetime.fromisoformat(time), time_source)
                for name, time, time_source, index in data["frames"]
            )
            notices = tuple(Notice(**notice) for notice in data["notices"])
        except FileNotFoundError:
            raise BadInput(f"{self.path} holds no finished run; give the folder that `frametally run` wrote with -o") from None
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise BadInput(
                f"{self._night} cannot be read ({error}); run the job again, the readings in the journal are kept"
            ) from None
        return Night(frames, data["time_source"]), notices

    def records(self, night: Night) -> list[FrameRecord]:
        """Give the journal's records for the night's frames, in the night's order and with its times."""
        _, known = load_journal(self.journal)
        missing = [frame.name for frame in night.frames if frame.name not in known]
        if missing:
            raise BadInput(
                f"{self.journal} lacks {len(missing)} frames, the first is {missing[0]}; run the job again to read them"
            )
        return [replace(known[frame.name], time=frame.time) for frame in night.frames]


def _path_of(source: Path, name: str) -> Path:
    """Give the file of a frame: inside the source folder, or the source itself where that is one file."""
    if source.is_file():
        return source
    return source / name.split("#", 1)[0] if "#" in name and not (source / name).exists() else source / name


def _write(path: Path, data: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        half = path.with_name(path.name + ".part")
        half.write_bytes(data)
        os.replace(half, path)
    except OSError as error:
        raise BadInput(f"{path} cannot be written ({error.strerror}); make room or give another folder with -o") from None


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
