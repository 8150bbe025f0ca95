"""The whole job from photos to results folder: read this file first, it names the stages in the order the data goes."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Literal

from frametally.clean import Tables, make_tables, with_shown_times
from frametally.corrections import load_corrections
from frametally.engines import Engine, LocalEngine
from frametally.errors import BadInput, TooDoubtful
from frametally.frames import open_night
from frametally.marks import mark_findings, tight_marks
from frametally.misfit import Misfit, check_fits, find_misfits, keep_pictures, misfit_notices
from frametally.model import Assessment, Calibration, Flag, FrameRecord, Method, Night, Notice
from frametally.notices import (
    correction_notices,
    trial_notices,
    unassessed_columns,
    unassessed_notices,
    view_findings,
    view_notices,
)
from frametally.places import Place, place_of
from frametally.reading import Progress, Settings, read_night
from frametally.results import Results
from frametally.settings import load_calibration, load_method, load_trial

if TYPE_CHECKING:
    import pandas as pd

# Assessment, report and foreign tables are imported where they are made: `read` needs none of that, nor the memory it takes.

log = logging.getLogger("frametally")


@dataclass(frozen=True)
class Options:
    """What a run can be told beside its files; with `teach`, settled frames teach the reader, and what is open is read again."""

    utc_offset: str | None = None
    start: datetime | None = None
    every_s: float | None = None
    camera: str | None = None
    jobs: int = 1
    fresh: bool = False
    readings_only: bool = False
    teach: bool = True


@dataclass(frozen=True)
class Outcome:
    """What a run gives back: both tables, the assessment (None where it was not asked for), what was odd, where it all lies."""

    tables: Tables
    calibration: Calibration
    method: Method
    results: Results
    assessment: Assessment | None
    notices: tuple[Notice, ...]
    misfits: tuple[Misfit, ...] = ()


def run(
    frames: Place,
    calibration: Path,
    results: Path,
    *,
    trial: Path | None = None,
    method: Path | None = None,
    options: Options | None = None,
    engine: Engine | None = None,
    progress: Progress | None = None,
) -> Outcome:
    """Do the whole job; a run that was stopped is taken up where it stopped.

    `engine` reads the photos; without one this computer does, `jobs` of the options at a time. Raises the exceptions of `errors`;
    one bad frame is a row in the table, never an exception.
    """
    options = options or Options()
    folder = Results(results)
    if options.readings_only:
        trial = folder.trial  # not this command's business: what an earlier run was given stays
    settings = load_settings(calibration, trial, method)
    folder.check_place(frames, calibration, trial, method)
    night = open_night(frames, utc_offset=options.utc_offset, start=options.start, every_s=options.every_s, camera=options.camera)
    bad_frames = read_night(
        night, settings, folder, engine or LocalEngine(options.jobs), options.fresh, progress, to_teach=options.teach
    )
    night = _with_clock_in_view(night, settings, folder)
    notices = [*night.notices, *bad_frames, *tight_marks(night, settings.calibration)]
    folder.keep_inputs(calibration, trial, method, night, notices, frames)
    return finish(folder, readings_only=options.readings_only)


def finish(
    folder: Results, *, readings_only: bool = False, units: Literal["metric", "us"] = "metric", figures: Path | None = None
) -> Outcome:
    """Make tables, assessment and report from a results folder's journal and corrections. No photo is read anew.

    `units` are those of the report; with `figures` its charts are written into that folder as well.
    """
    night, found = folder.night()
    settings = load_settings(folder.calibration, folder.trial, folder.method)
    calibration, displays = settings.calibration, settings.calibration.displays
    corrections, unused = folder.hand_corrections(night, displays)
    records = folder.records(night, calibration, settings.method)
    tables = make_tables(records, displays, settings.method, corrections)
    misfits = find_misfits(tables.readings, displays)
    notices = (*found, *unused, *_notices_of_the_users(folder, night, settings, records, tables))
    if readings_only:
        records = []  # of no more use, and of a long night they take more room than its tables
    folder.write_tables(tables.readings, tables.audit, calibration)
    notices = (*misfit_notices(misfits, keep_pictures(folder, misfits, night, calibration)), *notices)
    if readings_only:
        folder.drop_findings()
        notices = (*notices, *view_notices(tables.audit, displays))
        return Outcome(tables, calibration, settings.method, folder, None, notices, misfits)
    from frametally.assess import assess
    from frametally.showing import show_findings

    assessment = assess(tables.readings, displays, settings.trial)
    found_too = [*view_findings(tables.audit, displays), *mark_findings(found)]
    assessment = replace(assessment, findings=tuple(sorted((*assessment.findings, *found_too), key=lambda one: one.weight)))
    show_findings(folder, settings, night, tables, assessment, notices, records=records, units=units, figures=figures)
    return Outcome(tables, calibration, settings.method, folder, assessment, notices, misfits)


def _with_clock_in_view(night: Night, settings: Settings, folder: Results) -> Night:
    """Let a clock among the displays set the times that the photos lack, and check those that they have."""
    trial, displays = settings.trial, settings.calibration.displays
    records = folder.records(night, settings.calibration, settings.method)
    return with_shown_times(night, records, displays, trial.start.date() if trial and trial.start else None)


def _notices_of_the_users(
    folder: Results, night: Night, settings: Settings, records: Sequence[FrameRecord], tables: Tables
) -> Iterator[Notice]:
    """Say what in the user's files does not go with this night."""
    displays = settings.calibration.displays
    rows = load_corrections(folder.corrections)
    if rows:
        uncorrected = make_tables(records, displays, settings.method)
        yield from correction_notices(rows, displays, uncorrected.audit, tables.audit)
    if settings.trial is not None:
        times = [frame.time for frame in night.frames if frame.time is not None]
        yield from trial_notices(settings.trial, times, [instrument.name for instrument in settings.calibration.instrument])
    yield from unassessed_notices(displays)


def load_settings(calibration: Path, trial: Path | None, method: Path | None) -> Settings:
    """Read and check the user's files."""
    return Settings(
        load_calibration(calibration),
        load_trial(trial) if trial is not None else None,
        load_method(method) if method is not None else Method(),
    )


def check_calibration(outcome: Outcome) -> None:
    """Raise `CalibrationMisfit` where not one display of the calibration could be read."""
    check_fits(outcome.misfits, outcome.calibration, outcome.results)


def check_doubts(outcome: Outcome) -> None:
    """Raise `TooDoubtful` where more readings are doubtful, unreadable or lost than the method allows."""
    flags = [flag for display in outcome.calibration.displays for flag in outcome.tables.readings[f"{display.key}_flag"]]
    doubts = sum(flag in (Flag.DOUBTFUL, Flag.UNREADABLE, Flag.LOST) for flag in flags)
    if flags and doubts / len(flags) > outcome.method.strict_share:
        raise TooDoubtful(
            f"{doubts} of {len(flags)} readings are doubtful, unreadable or lost, more than the"
            f" {outcome.method.strict_share:.1%} that the method allows; everything is written to {outcome.results.path},"
            f" look at the flags in {outcome.results.readings.name}"
        )


def assess_table(table: Path, trial: Path | None, results: Path, columns: Sequence[str] = ()) -> tuple[Assessment, Path]:
    """Assess any CSV table with a time column and keys such as `co_ppm`; give the assessment and the file it was written to.

    `columns` says what other headers mean, as in `tables.read_table`.
    """
    from frametally.assess import assess
    from frametally.showing import write_assessment
    from frametally.tables import read_table

    folder = Results(results)
    folder.check_is_folder()
    if folder.holds_run:
        raise BadInput(
            f"{results} holds a run with an assessment of its own, which `frametally report` makes again;"
            " give another folder with -o"
        )
    readings, conditions = read_table(table, columns), load_trial(trial) if trial is not None else None
    assessment = assess(readings, (), conditions)
    notices = unassessed_columns(list(readings.columns))
    if conditions is not None and "time" in readings.columns:
        notices += trial_notices(conditions, list(_times(readings["time"].dropna())))
    for notice in notices:
        log.warning("Note: %s", notice.text)
    write_assessment(folder, assessment)
    return assessment, folder.assessment


def _times(texts: Iterable[str]) -> Iterator[datetime]:
    for text in texts:
        with suppress(ValueError):  # what is no time is told by the assessment
            yield datetime.fromisoformat(text)


def read_frames(
    folder: str | Path,
    calibration: str | Path | Calibration,
    *,
    utc_offset: str | None = None,
    start: datetime | None = None,
    every_s: float | None = None,
    method: Method | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Read a folder of photos (or a video) into a table like `readings.csv`; nothing is written that stays.

    Parameters
    ----------
    folder : of photos, or a video file, or the URL of photos (extra `cluster`)
    calibration : file, or what `load_calibration` gives
    utc_offset, start, every_s : the clock's offset ("+01:00"), the first frame's time, seconds from frame to frame;
        where the photos do not say
    method : how strict to be
    jobs : frames read at the same time
    progress : called with frames done and frames in all

    Returns
    -------
    DataFrame
        One row per frame in the order of time: `time` (ISO 8601 text, None where unknown), `elapsed_min`, `frame`, then
        for each display `<key>` (its unit is in the key; NaN = no value) and `<key>_flag` (a `Flag`).

    Raises
    ------
    BadInput, NoFrames, CalibrationMisfit
        As their texts say; one bad frame is a row in the table, never an exception.
    """
    known = calibration if isinstance(calibration, Calibration) else load_calibration(Path(calibration))
    settings = Settings(known, None, method or Method())
    night = open_night(place_of(folder), utc_offset=utc_offset, start=start, every_s=every_s)
    with TemporaryDirectory(prefix="frametally-") as place:
        journal = Results(Path(place))
        read_night(night, settings, journal, LocalEngine(jobs), False, progress)
        night = _with_clock_in_view(night, settings, journal)
        records = journal.records(night, known, settings.method)
    return make_tables(records, known.displays, settings.method).readings
