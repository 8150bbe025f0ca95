"""Takes results folders and leaves a comparison: nights side by side, as a page, a table and for other programs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path

from frametally.assess.side_by_side import NightInput, compare_nights
from frametally.compared import Comparison
from frametally.errors import BadInput
from frametally.loading import load
from frametally.model import FORMAT
from frametally.results import Results
from frametally.show.compare import write_page, write_table
from frametally.show.files import write_json

PAGE, TABLE, DATA = "compare.html", "compare.csv", "compare.json"


def compare(results: Sequence[Path], output: Path, *, force: bool = False) -> tuple[Comparison, Path]:
    """Compare nights and write `compare.html`, `compare.csv` and `compare.json` into a folder; give the page's path too.

    Every night is assessed anew from its readings, its calibration's displays and its trial; no photo is opened and nothing in
    the results folders is changed. The first night is what the others are held against.

    Raises
    ------
    BadInput
        Fewer than two nights, the same one twice, a folder without readings or times, or an output that holds something else.
    """
    _check_output(results, output, force)
    comparison = compare_nights(read_nights(results))
    page = output / PAGE
    write_json(_as_data(comparison), output / DATA)
    write_table(comparison, output / TABLE)
    write_page(comparison, page)
    return comparison, page


def read_nights(results: Sequence[Path]) -> list[NightInput]:
    """Load results folders, each under a name of its own: the folder's, with its parent's where two are called the same."""
    places = [path.resolve() for path in results]
    for number, place in enumerate(places):
        if place in places[:number]:
            raise BadInput(f"{results[number]} is given twice; a night is compared with another one")
    names = [place.name for place in places]
    names = [name if names.count(name) == 1 else f"{place.parent.name}/{name}" for name, place in zip(names, places, strict=True)]
    if len(set(names)) < len(names):
        names = [place.as_posix() for place in places]
    nights = [load(path) for path in results]
    return [
        NightInput(name, night.title, night.readings, night.displays, night.trial)
        for name, night in zip(names, nights, strict=True)
    ]


def _check_output(results: Sequence[Path], output: Path, force: bool) -> None:
    if output.exists() and not output.is_dir():
        raise BadInput(f"{output} is a file; give a folder for the comparison with -o")
    if output.resolve() in {path.resolve() for path in results} or Results(output).holds_run:
        raise BadInput(f"{output} is the results folder of a night; give another folder for the comparison with -o")
    there = [name for name in (PAGE, TABLE, DATA) if (output / name).exists()]
    if there and not force:
        raise BadInput(f"{output} holds {', '.join(there)} already; give --force to write over it, or another folder with -o")


def _as_data(comparison: Comparison) -> dict[str, object]:
    """Give the comparison as plain data; the courses stand in the nights' own tables."""
    data = asdict(comparison)
    del data["courses"]
    shared = comparison.shared_min
    data["shared_min"] = None if shared is None else {"from": shared[0], "to": shared[1]}
    return {"format": FORMAT, "generator": f"frametally {version('frametally')}"} | data
