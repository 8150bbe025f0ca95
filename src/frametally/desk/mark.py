"""Takes the photos and the calibration file and gives the page on which the displays are marked, read at once, and saved."""

from __future__ import annotations

from datetime import tzinfo
from pathlib import Path
from threading import Lock

from flask import Flask, Response, jsonify, render_template

from frametally.aim import check_fit, reference_of
from frametally.desk.app import body, make_desk
from frametally.desk.door import Door
from frametally.desk.drafts import Draft, DraftFile, Marked, calibration_of, draft_of, named, parse_draft
from frametally.desk.hold import hold
from frametally.desk.photos import Photos
from frametally.desk.previews import Previews, spread
from frametally.desk.proposals import QUANTITIES, range_of, resolution_of
from frametally.desk.server import Where, serve
from frametally.desk.trial_form import QUESTIONS, VENT_ROWS, VENT_WHY, answers_of, save_trial, trial_path
from frametally.errors import BadInput, CalibrationMisfit
from frametally.frames import open_night
from frametally.model import Night
from frametally.settings import load_calibration, load_trial, save_calibration

OTHERS = 12
"""A display is tried on so many other frames through the night."""

_DAY_S = 86_400


def mark(frames: Path, calibration: Path, where: Where) -> None:
    """Open the page and serve it until Ctrl-C.

    Raises `BadInput` where a file is wrong or another desk is open on the calibration, `NoFrames` where there are no photos.
    """
    if calibration.is_dir():
        raise BadInput(f"{calibration} is a folder; give the calibration file itself, like {calibration / 'cabin.toml'}")
    if not calibration.parent.is_dir():
        raise BadInput(f"there is no folder {calibration.parent}; make it first, or name another file with -c")
    night = open_night(frames)
    door = Door(where.host)
    with hold(calibration.with_name(f".{calibration.name}.lock"), str(calibration)):
        bench = Bench(night, calibration)
        serve(make_mark(bench, door), door, where, bench.farewell)


class Bench:
    """What the page works on: the photos, the calibration and trial files, the draft."""

    def __init__(self, night: Night, calibration: Path) -> None:
        self.photos = Photos(night)
        self.previews = Previews(self.photos)
        self.calibration = calibration
        self.trial = trial_path(calibration)
        self.drafts = DraftFile(calibration)
        self._lock = Lock()
        self._saved = self._from_files()
        kept = self.drafts.load()
        self.restored = kept is not None and self.photos.number_of(kept.reference) is not None
        if kept is not None and not self.restored:
            self.drafts.set_aside("other-photos")
        self.draft = kept if kept is not None and self.restored else self._saved

    @property
    def zone(self) -> tzinfo | None:
        """The night's offset from UTC, None where the photos do not say."""
        return next((frame.time.tzinfo for frame in self.photos.night.frames if frame.time is not None), None)

    def _from_files(self) -> Draft:
        trial = answers_of(load_trial(self.trial) if self.trial.is_file() else None)
        names = [frame.name for frame in self.photos.night.frames]
        if not self.calibration.is_file():
            return Draft(reference=names[self.photos.sharp_frame()], trial=trial)
        known = load_calibration(self.calibration)
        try:
            reference = reference_of(known, names)
            check_fit(known, self.photos.size(names.index(reference)))
        except CalibrationMisfit as misfit:
            raise CalibrationMisfit(f"{misfit} To mark these photos anew, name another file with -c.") from None
        return draft_of(known, reference, trial)

    def number(self, draft: Draft) -> int:
        """Give the number of the frame that a draft is marked on."""
        number = self.photos.number_of(draft.reference)
        if number is None:
            raise BadInput("the photo that was marked on is not in this night; choose another on the strip")
        return number

    def keep(self, draft: Draft) -> Draft:
        """Name instruments and keys and keep the work in its file; give it."""
        self.number(draft)
        with self._lock:
            self.draft = named(draft)
            self.drafts.save(self.draft)
            return self.draft

    def drop(self) -> Draft:
        """Go back to what is saved."""
        with self._lock:
            self._saved = self._from_files()
            self.draft, self.restored = self._saved, False
            self.drafts.remove()
            return self.draft

    def save(self, draft: Draft) -> list[str]:
        """Write the calibration and, where the form says anything, the trial; give what was written, in sentences."""
        with self._lock:
            had = self.calibration.is_file()
            calibration = calibration_of(draft, self.photos.size(self.number(draft)))
            trial_written = save_trial(self.trial, draft.trial, self.zone)
            save_calibration(calibration, self.calibration)
            self.draft = self._saved = named(draft)
            self.restored = False
            self.drafts.remove()
        done = [f"Saved {len(calibration.displays)} displays in {self.calibration}."]
        if had:
            done.append(f"The file from before is kept as {self.calibration.name}.bak.")
        if trial_written:
            done.append(f"Saved the conditions in {self.trial}.")
        return done

    def farewell(self) -> str:
        """Say at the end where the work is."""
        if self.drafts.path.exists():
            return f"Ended. Unsaved work is kept in {self.drafts.path}; the same command goes on with it."
        if self.calibration.is_file():
            return f"Ended. The calibration is in {self.calibration}."
        return "Ended. Nothing was marked."


def make_mark(bench: Bench, door: Door) -> Flask:
    """Give the app of the page."""
    app = make_desk(door)
    _add_pictures(app, bench.photos)

    @app.get("/")
    def page() -> str:
        return render_template(
            "mark.html",
            frames=bench.photos.night.frames,
            calibration=bench.calibration,
            quantities=QUANTITIES,
            questions=QUESTIONS,
            vent_why=VENT_WHY,
            vent_rows=range(max(VENT_ROWS, len(bench.draft.trial.get("vent") or ()) + 1)),
        )

    @app.get("/state")
    def state() -> Response:
        draft = named(bench.draft)
        number = bench.number(draft)
        return jsonify(
            draft=draft.model_dump(),
            number=number,
            size=bench.photos.size(number),
            restored=bench.restored,
            unsaved=bench.drafts.path.exists(),
        )

    @app.put("/draft")
    def keep() -> Response:
        return jsonify(draft=bench.keep(parse_draft(body())).model_dump())

    @app.delete("/draft")
    def drop() -> Response:
        return jsonify(draft=named(bench.drop()).model_dump())

    @app.post("/save")
    def save() -> Response:
        return jsonify(done=bench.save(parse_draft(body())))

    _add_readings(app, bench)
    return app


def _add_pictures(app: Flask, photos: Photos) -> None:
    @app.get("/photo/<int:number>.jpg")
    def photo(number: int) -> Response:
        return _jpeg(photos.shown(number))

    @app.get("/thumb/<int:number>.jpg")
    def thumb(number: int) -> Response:
        return _jpeg(photos.thumb(number))


def _jpeg(data: bytes) -> Response:
    response = Response(data, mimetype="image/jpeg")
    response.headers["Cache-Control"] = f"private, max-age={_DAY_S}"
    return response


def _add_readings(app: Flask, bench: Bench) -> None:
    def asked() -> tuple[Draft, Marked, int]:
        sent = body()
        draft = parse_draft(sent.get("draft"))
        marked = next((display for display in draft.displays if display.id == sent.get("id")), None)
        if marked is None:
            raise BadInput("that display is not there any more")
        return draft, marked, bench.number(draft)

    @app.post("/read")
    def read() -> Response:
        _, marked, number = asked()
        return jsonify(bench.previews.here(number, marked))

    @app.post("/propose")
    def propose() -> Response:
        draft, marked, number = asked()
        return jsonify(bench.previews.propose(number, marked, draft))

    @app.post("/others")
    def others() -> Response:
        _, _, number = asked()
        return jsonify(numbers=list(spread(len(bench.photos), OTHERS, number)))

    @app.post("/read/<int:other>")
    def read_other(other: int) -> Response:
        draft, marked, number = asked()
        return jsonify(bench.previews.there(number, marked, draft, other))

    @app.post("/carry/<int:other>")
    def carry(other: int) -> Response:
        draft = parse_draft(body().get("draft"))
        name, size = bench.photos.frame(other).name, bench.photos.size(other)
        corners = bench.previews.carry(draft, bench.number(draft), other) if draft.displays else {}
        return jsonify(reference=name, size=size, corners=corners)

    @app.post("/mask")
    def mask() -> Response:
        sent = body()
        given, unit = str(sent.get("digits", "")), str(sent.get("unit", ""))
        return jsonify(resolution=resolution_of(given), range=range_of(given, unit))
