"""Takes a results folder and leaves its table in another form: a spreadsheet, Parquet, or CSV in the long form."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path

from frametally.errors import BadInput
from frametally.loading import LoadedNight, load, read_cells
from frametally.model import AUDIT_COLUMNS
from frametally.results import Results
from frametally.show.export import FORMS, Package, Sheet, to_long
from frametally.show.files import write_whole


def export(results: Path, form: str, output: Path | None = None, *, force: bool = False) -> Path:
    """Write a night in another form and give the file.

    Parameters
    ----------
    results : results folder; nothing in it is changed, but a file is added where no `output` is given
    form : one of `show.export.FORMS`
    output : the file to write
    force : write over a file that is there; never over one of the run's own

    Raises
    ------
    BadInput
        The folder holds no readings, the file is there already, or its ending does not go with the form.
    ProgramMissing
        A package that the form needs is not installed.
    """
    folder = Results(results)
    path = results / FORMS[form] if output is None else output
    _check_output(folder, path, form, force)
    night = load(results)
    write_whole(path, _encode(_package(night), form))
    return path


def _check_output(folder: Results, path: Path, form: str, force: bool) -> None:
    ending = Path(FORMS[form]).suffix
    if path.is_dir():
        raise BadInput(f"{path} is a folder; name a file for the table with -o, such as {path / FORMS[form]}")
    if path.suffix.lower() != ending:
        raise BadInput(f"{path} does not end in {ending}, as --to {form} does; name the file so that programs know what it is")
    if path.resolve() in {own.resolve() for own in (folder.readings, folder.audit, folder.corrections)}:
        raise BadInput(f"{path} is a file of the run itself and is never written over; give another name with -o")
    if path.exists() and not force:
        raise BadInput(f"{path} exists already; give --force to write over it, or another name with -o")


def _package(night: LoadedNight) -> Package:
    folder = Results(night.folder)
    readings = Sheet(night.columns, read_cells(folder.readings, night.columns), night.readings)
    audit = None if night.audit is None else Sheet(AUDIT_COLUMNS, read_cells(folder.audit, AUDIT_COLUMNS), night.audit)
    findings = None if night.stored is None else night.stored.findings
    return Package(night.title, version("frametally"), night.displays, readings, audit, findings)


def _encode(night: Package, form: str) -> bytes:
    if form == "xlsx":
        from frametally.show.workbook import to_workbook

        return to_workbook(night)
    if form == "parquet":
        from frametally.show.parquet import to_parquet

        return to_parquet(night)
    return to_long(night)
