"""Takes the charts and pictures of a night and adds the page that shows them minute by minute, and what both pages share."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources

from flask import Flask, Response, abort, jsonify, render_template

from frametally.desk.remake import Remaker
from frametally.desk.sights import Sights
from frametally.model import Display
from frametally.results import Results

_DAY_S = 86_400


def add_night(app: Flask, sights: Sights, display_at: Callable[[int], Display], remaker: Remaker, folder: Results) -> None:
    """Add the page of the night, the charts and the pictures; `display_at` gives a display by its place, or refuses."""

    @app.get("/night")
    def night() -> str:
        return render_template("review_night.html", results=folder.path, displays=sights.displays)

    @app.get("/charts")
    def charts() -> Response:
        if not remaker.charts:
            return jsonify(waiting=True, **remaker.status())
        return Response(remaker.charts, mimetype="application/json")

    @app.get("/chart.js")
    def script() -> Response:
        text = (resources.files("frametally.data") / "report" / "chart.js").read_text(encoding="utf-8")
        return Response(text, mimetype="text/javascript")

    @app.get("/picture/<kind>/<int:number>/<int:place>.jpg")
    def picture(kind: str, number: int, place: int) -> Response:
        makers = {"raw": sights.raw, "evened": sights.evened, "tile": sights.tile}
        if kind not in makers:
            abort(404, "there is no such picture")
        return _jpeg(makers[kind](number, display_at(place)))

    @app.get("/view/<int:number>.jpg")
    def view(number: int) -> Response:
        return _jpeg(sights.view(number))


def _jpeg(data: bytes) -> Response:
    response = Response(data, mimetype="image/jpeg")
    response.headers["Cache-Control"] = f"private, max-age={_DAY_S}"
    return response
