"""Takes a results folder and gives the page on which its doubtful readings are settled, most important first, by keyboard."""

from __future__ import annotations

import logging
from collections.abc import Collection
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, jsonify, render_template

from frametally.desk.app import body, make_desk
from frametally.desk.casebook import Casebook
from frametally.desk.door import Door
from frametally.desk.doubts import DOUBTS
from frametally.desk.hold import hold
from frametally.desk.night import add_night
from frametally.desk.photos import Photos
from frametally.desk.remake import Remaker
from frametally.desk.server import Where, serve
from frametally.desk.sights import EVIDENCE, NONE, PHOTO, Sights
from frametally.errors import BadInput
from frametally.model import Display, Flag
from frametally.results import Results

BESIDE = 3
"""So many frames before and after a reading are shown beside it."""

ALL_FLAGS = frozenset(Flag) - {Flag.OK, Flag.NO_FRAME}
"""What `--all` asks for."""

PICTURE_WORDS = {
    PHOTO: "",
    EVIDENCE: "The photo is no longer where it was; this small picture was kept by the run.",
    NONE: "The photo is no longer where it was, and no picture of this display was kept. Give its folder with --frames.",
}

log = logging.getLogger("frametally")


def review(results: Path, where: Where, *, frames: Path | None = None, flags: Collection[Flag] = DOUBTS, who: str = "") -> None:
    """Open the page and serve it until Ctrl-C; then findings and report are brought up to date.

    Raises `BadInput` where the folder holds no run, a file in it is damaged, or another desk is open on it.
    """
    folder = Results(results, frames)
    folder.night()  # says what is wrong with the folder before anything is written into it
    door = Door(where.host)
    with hold(results / ".review.lock", str(results)):
        bench = Bench(folder, frames, flags, who)
        bench.remaker.start()
        serve(make_review(bench, door), door, where, bench.farewell)


class Bench:
    """What the page works on: the readings and their pictures, the queue, and what makes the findings again."""

    def __init__(self, folder: Results, frames: Path | None, flags: Collection[Flag] = DOUBTS, who: str = "") -> None:
        self.folder = folder
        self.book = Casebook.open(folder, who)
        _check_frames(self.book, frames)
        self.photos = Photos(self.book.night)
        self.sights = Sights(self.photos, self.book.settings, folder, self.book.records)
        self.queue = self.book.doubts(flags)
        self.remaker = Remaker(folder.path, frames, is_behind=_is_behind(folder))

    def display(self, place: int) -> Display:
        """Give a display by its place in the calibration, as pages count; 404 where there is none."""
        if not 0 <= place < len(self.book.displays):
            abort(404, f"there is no display number {place}")
        return self.book.displays[place]

    def place(self, key: str) -> int:
        """Give the place of a display in the calibration."""
        return [display.key for display in self.book.displays].index(key)

    def reading(self, number: int, place: int) -> dict[str, Any]:
        """Give all of one reading that the page shows, with what stands beside it in time."""
        display = self.display(place)
        self.photos.frame(number)
        source = self.sights.source(number)
        beside = range(max(0, number - BESIDE), min(len(self.photos), number + BESIDE + 1))
        problem = self.book.records[number].problem
        return {
            **self.book.describe(number, display),
            "place": place,
            "picture": source,
            "picture_words": PICTURE_WORDS[source] if not (problem and source == NONE) else f"No picture: {problem}",
            "beside": [{**self.book.brief(other, display), "has_picture": self.sights.source(other) != NONE} for other in beside],
        }

    def farewell(self) -> str:
        """Bring findings and report up to date and say at the end where they are."""
        made = self.remaker.end()
        done = len(self.book.decisions)
        kept = f"{done} readings were settled; {self.folder.corrections} has them." if done != 1 else (
            f"1 reading was settled; {self.folder.corrections} has it."
        )  # fmt: skip
        return " ".join(part for part in ("Ended.", kept if done else "Nothing was changed.", made) if part)


def _check_frames(book: Casebook, frames: Path | None) -> None:
    if frames is None or any(frame.path.exists() for frame in book.night.frames):
        return
    first = book.night.frames[0].name if book.night.frames else "none"
    raise BadInput(f"{frames} holds none of the photos of this night (the first is {first}); give the folder they were moved to")


def _is_behind(folder: Results) -> bool:
    """Whether corrections are newer than the report: a desk was ended before it could make it again."""
    try:
        return folder.corrections.stat().st_mtime_ns > folder.report.stat().st_mtime_ns
    except OSError:
        return folder.corrections.exists()


def make_review(bench: Bench, door: Door) -> Flask:
    """Give the app of both pages."""
    app = make_desk(door)

    @app.get("/")
    def page() -> str:
        return render_template("review.html", results=bench.folder.path, report=bench.folder.report, who=bench.book.who)

    @app.get("/queue")
    def queue() -> Response:
        return jsonify(
            queue=[{"number": one.number, "place": bench.place(one.key), "reasons": one.reasons} for one in bench.queue],
            frames=[frame.name for frame in bench.book.night.frames],
            keys=[display.key for display in bench.book.displays],
            pictures=door.key[:12],  # part of pictures' addresses, so that no browser shows those of another night
            status=bench.remaker.status(),
        )

    @app.get("/reading/<int:number>/<int:place>")
    def reading(number: int, place: int) -> Response:
        return jsonify(bench.reading(number, place))

    @app.post("/decide/<int:number>/<int:place>")
    def decide(number: int, place: int) -> Response:
        display, sent = bench.display(place), body()
        bench.photos.frame(number)
        bench.book.decide(number, display, str(sent.get("said", "")), sure=sent.get("sure") is True)
        bench.remaker.want()
        return jsonify(reading=bench.reading(number, place), status=bench.remaker.status())

    @app.post("/undo")
    def undo() -> Response:
        body()
        last = bench.book.undo()
        if last is None:
            return jsonify(undone=False)
        bench.remaker.want()
        place = bench.place(last.key)
        return jsonify(undone=True, reading=bench.reading(last.number, place), status=bench.remaker.status())

    @app.get("/status")
    def status() -> Response:
        return jsonify(bench.remaker.status())

    add_night(app, bench.sights, bench.display, bench.remaker, bench.folder)
    return app
