"""Takes a door and gives the Flask app that every page of the desk starts from: templates, static files, errors as sentences."""

from __future__ import annotations

import logging
from importlib import resources
from typing import Any

from flask import Flask, Response, jsonify, request
from jinja2 import StrictUndefined
from werkzeug.exceptions import HTTPException

from frametally.desk.door import Door
from frametally.errors import FrametallyError

LARGEST_REQUEST_BYTES = 1_000_000

log = logging.getLogger("frametally")


def make_desk(door: Door) -> Flask:
    """Give an app behind its door, with nothing on it yet but the static files."""
    data = resources.files("frametally.data") / "desk"
    app = Flask("frametally.desk", static_folder=str(data / "static"), template_folder=str(data / "templates"))
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST_BYTES
    app.jinja_env.autoescape = True
    app.jinja_env.undefined = StrictUndefined
    app.jinja_env.globals["desk_key"] = door.key
    app.url_map.merge_slashes = False
    door.guard(app)
    app.register_error_handler(HTTPException, _refusal)
    app.register_error_handler(FrametallyError, _fault)
    app.register_error_handler(Exception, _bug)
    return app


def body() -> dict[str, Any]:
    """Give the JSON object that a request carries; anything else is refused with 400."""
    found = request.get_json(silent=True)
    if not isinstance(found, dict):
        raise FrametallyError("the page sent something that is no JSON object; reload the page")
    return found


def _refusal(error: HTTPException) -> tuple[Response, int]:
    return jsonify(fault=error.description or error.name), error.code or 500


def _fault(error: FrametallyError) -> tuple[Response, int]:
    return jsonify(fault=str(error)), 400


def _bug(error: Exception) -> tuple[Response, int]:
    log.error("a fault in frametally itself (%s: %s)", type(error).__name__, error, exc_info=log.isEnabledFor(logging.DEBUG))
    return jsonify(fault=f"a fault in frametally itself ({type(error).__name__}); the terminal says more"), 500
