"""Takes a manifest; runs its nights one after the other and prints a table of how each ended. One that fails stops no other."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from frametally.cli.ending import as_ours
from frametally.cli.loudness import Loudness, progress_bar
from frametally.errors import ExitCode, FrametallyError, NightsFailed
from frametally.model import SETTLED, Flag

if TYPE_CHECKING:
    from frametally.engines import Engine
    from frametally.fleet import NightJob
    from frametally.run import Options, Outcome

log = logging.getLogger("frametally")

WORST_FIRST = (
    ExitCode.OUR_BUG,
    ExitCode.PROGRAM_MISSING,
    ExitCode.BAD_USE,
    ExitCode.NO_FRAMES,
    ExitCode.CALIBRATION_MISFIT,
    ExitCode.TOO_DOUBTFUL,
    ExitCode.FINISHED,
)
"""A fleet ends with the code of the night that comes first here: what may touch all nights before what touches one."""

MOST_FINDINGS = 3
"""So many of a night's findings of danger stand below its line; its report has all."""


@dataclass(frozen=True)
class Ended:
    """How one night ended; `photos`, `settled` and `doubtful` count frames and readings, None where nothing was read."""

    name: str
    results: Path
    code: ExitCode
    said: str = ""
    photos: int | None = None
    settled: float | None = None
    doubtful: int | None = None
    dangers: tuple[str, ...] = ()
    is_assessed: bool = False


def run_fleet(context: click.Context, manifest: Path, engine: Engine, options: Options, *, strict: bool) -> None:
    """Run every night of a manifest; raises `NightsFailed` at the end where some did not finish as they should."""
    from frametally.fleet import load_fleet

    jobs = load_fleet(manifest)
    ended = []
    for number, job in enumerate(jobs, start=1):
        if not context.ensure_object(Loudness).quiet:
            click.echo(f"Night {number} of {len(jobs)}: {job.name}", err=True)
        ended.append(_run_one(context, job, engine, options, strict=strict))
        if ended[-1].said:
            click.echo(f"frametally: {job.name}: {ended[-1].said}", err=True)
    click.echo(summary(ended))
    failed = [night for night in ended if night.code != ExitCode.FINISHED]
    if failed:
        worst = min((night.code for night in failed), key=WORST_FIRST.index)
        names = ", ".join(night.name for night in failed[:5]) + (", ..." if len(failed) > 5 else "")
        raise NightsFailed(
            f"{len(failed)} of {len(ended)} nights did not end well ({names}); the others are done. Put right what is said above"
            " and give the same command again: what is read is not read anew",
            worst,
        )


def _run_one(context: click.Context, job: NightJob, engine: Engine, options: Options, *, strict: bool) -> Ended:
    from frametally.run import check_calibration, check_doubts, run

    own = replace(options, utc_offset=job.utc_offset, start=job.start, every_s=job.every_s, camera=job.camera)
    outcome = None
    try:
        with progress_bar(context, f"Reading {job.name}") as progress:
            outcome = run(
                job.frames, job.calibration, job.results, trial=job.trial, method=job.method,
                options=own, engine=engine, progress=progress,
            )  # fmt: skip
        check_calibration(outcome)
        if strict:
            check_doubts(outcome)
    except FrametallyError as error:
        return _ended(job, outcome, ExitCode(error.exit_code), str(error))
    except Exception as error:  # a bug that one night's photos bring out must not keep the others from being read
        known = as_ours(error)
        if known is not None:
            return _ended(job, outcome, ExitCode(known.exit_code), str(known))
        log.debug("The fault arose here:", exc_info=True)
        said = f"a fault in frametally itself ({type(error).__name__}: {error}); report what the command prints with -v"
        return _ended(job, outcome, ExitCode.OUR_BUG, said)
    return _ended(job, outcome, ExitCode.FINISHED, "")


def _ended(job: NightJob, outcome: Outcome | None, code: ExitCode, said: str) -> Ended:
    if outcome is None:
        return Ended(job.name, job.results, code, said)
    table = outcome.tables.readings
    photos = table[table["frame"] != ""]
    flags = [flag for display in outcome.calibration.displays for flag in photos[f"{display.key}_flag"]]
    findings = outcome.assessment.findings if outcome.assessment is not None else ()
    return Ended(
        job.name,
        job.results,
        code,
        said,
        photos=len(photos),
        settled=sum(flag in SETTLED for flag in flags) / max(len(flags), 1),
        doubtful=sum(flag == Flag.DOUBTFUL for flag in flags),
        dangers=tuple(finding.title for finding in findings if finding.tone == "danger"),
        is_assessed=outcome.assessment is not None,
    )


def summary(ended: list[Ended]) -> str:
    """Give the table of all nights: photos, share of settled readings, doubtful ones, exit code, what to open."""
    lines = [("night", "photos", "settled", "doubtful", "code", "")]
    for night in ended:
        read = night.photos is not None
        lines.append(
            (
                night.name,
                str(night.photos) if read else "-",
                f"{night.settled:.1%}" if night.settled is not None else "-",
                str(night.doubtful) if read else "-",
                str(int(night.code)),
                str(night.results / ("report.html" if night.is_assessed else "readings.csv")) if read else "not read",
            )
        )
    widths = [max(len(line[column]) for line in lines) for column in range(5)]
    told = []
    for number, line in enumerate(lines):
        cells = [cell.rjust(width) for cell, width in zip(line[1:5], widths[1:], strict=True)]
        told.append("  ".join([line[0].ljust(widths[0]), *cells, line[5]]).rstrip())
        if number:
            dangers = ended[number - 1].dangers
            told += [f"   !! {title}" for title in dangers[:MOST_FINDINGS]]
            if len(dangers) > MOST_FINDINGS:
                told.append(f"   !! and {len(dangers) - MOST_FINDINGS} more of this weight in the report")
    return "\n".join(told)
