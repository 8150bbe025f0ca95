"""The whole job from photos to results folder: read this file first, it names the stages in the order the data goes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from frametally.assess import assess
from frametally.clean import Tables, make_tables
from frametally.errors import TooDoubtful
from frametally.frames import open_night
from frametally.journal import latest_corrections, load_corrections
from frametally.model import Assessment, Calibration, Flag, Method, Notice
from frametally.reading import Progress, Settings, read_night
from frametally.results import Results
from frametally.settings import load_calibration, load_method, load_trial
from frametally.showing import show_findings, show_readings, write_assessment
from frametally.tables import read_table


@dataclass(frozen=True)
class Options:
    """What a run can be told beside its files."""

    utc_offset: str | None = None
    start: datetime | None = None
    every_s: float | None = None
    jobs: int = 1
    fresh: bool = False
    readings_only: bool = False


@dataclass(frozen=True)
class Outcome:
    """What a run gives back: both tables, the assessment (None where it was not asked for), what was odd, where it all lies."""

    tables: Tables
    calibration: Calibration
    method: Method
    results: Results
    assessment: Assessment | None
    notices: tuple[Notice, ...]


def run(
    frames: Path,
    calibration: Path,
    results: Path,
    *,
    trial: Path | None = None,
    method: Path | None = None,
    options: Options | None = None,
    progress: Progress | None = None,
) -> Outcome:
    """Do the whole job; a run that was stopped is taken up where it stopped.

    Raises the exceptions of `errors`; one bad frame is a row in the table, never an exception.
    """
    options = options or Options()
    folder = Results(results)
    settings = load_settings(calibration, trial, method)
    night = open_night(frames, utc_offset=options.utc_offset, start=options.start, every_s=options.every_s)
    bad_frames = read_night(night, settings, folder, options.jobs, options.fresh, progress)
    folder.keep_inputs(calibration, trial, method, night, [*night.notices, *bad_frames], frames)
    return finish(folder, readings_only=options.readings_only)


def finish(folder: Results, *, readings_only: bool = False) -> Outcome:
    """Make tables, assessment and report from a results folder's journal and corrections. No photo is read anew."""
    settings = load_settings(folder.calibration, folder.trial, folder.method)
    night, notices = folder.night()
    corrections = latest_corrections(load_corrections(folder.corrections))
    tables = make_tables(folder.records(night), settings.calibration.displays, settings.method, corrections)
    show_readings(folder, settings, tables)
    assessment = None
    if not readings_only:
        assessment = assess(tables.readings, settings.calibration.displays, settings.trial)
        show_findings(folder, settings, night, tables, assessment, notices)
    return Outcome(tables, settings.calibration, settings.method, folder, assessment, notices)


def load_settings(calibration: Path, trial: Path | None, method: Path | None) -> Settings:
    """Read and check the user's files."""
    return Settings(
        load_calibration(calibration),
        load_trial(trial) if trial is not None else None,
        load_method(method) if method is not None else Method(),
    )


def check_doubts(outcome: Outcome) -> None:
    """Raise `TooDoubtful` where more readings are doubtful or unreadable than the method allows."""
    flags = [flag for display in outcome.calibration.displays for flag in outcome.tables.readings[f"{display.key}_flag"]]
    doubts = sum(flag in (Flag.DOUBTFUL, Flag.UNREADABLE) for flag in flags)
    if flags and doubts / len(flags) > outcome.method.strict_share:
        raise TooDoubtful(
            f"{doubts} of {len(flags)} readings are doubtful or unreadable, more than the {outcome.method.strict_share:.1%} that the"
            f" method allows; everything is written to {outcome.results.path}, look at the flags in {outcome.results.readings.name}"
        )


def assess_table(table: Path, trial: Path | None, results: Path) -> tuple[Assessment, Path]:
    """Assess any CSV table with a time column and keys such as `co_ppm`; give the assessment and the file it was written to."""
    frame = read_table(table)
    assessment = assess(frame, (), load_trial(trial) if trial is not None else None)
    folder = Results(results)
    write_assessment(folder, assessment)
    return assessment, folder.assessment
