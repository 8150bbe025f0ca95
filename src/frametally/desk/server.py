"""Takes a Flask app and serves it on this machine until Ctrl-C: the address is the first line on stdout."""

from __future__ import annotations

import logging
import sys
import threading
import webbrowser
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flask import Flask
from werkzeug.serving import WSGIRequestHandler, make_server

from frametally.desk.door import Door, is_loopback
from frametally.errors import BadInput

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIEnvironment

log = logging.getLogger("frametally")


PATIENCE_S = 20.0
"""So long the end waits for readings under way."""


@dataclass(frozen=True)
class Where:
    """Where a desk is set up: host, port (0 = any free one), and whether the browser is opened on it."""

    host: str = "127.0.0.1"
    port: int = 0
    browser: bool = True


class _Quiet(WSGIRequestHandler):
    """Says nothing on stderr but with -v; HTTP/1.1, so that one connection serves a whole page."""

    protocol_version = "HTTP/1.1"

    def log(self, type: str, message: str, *args: Any) -> None:
        log.debug(message.replace("%", "%%") if not args else message, *args)

    def log_request(self, code: int | str = "-", size: int | str = "-") -> None:
        log.debug("%s %s %s", self.command, self.path.partition("?")[0], code)  # never the token


class Gate:
    """Lets requests through to an app and knows how many are inside; once it is closed, none gets in any more.

    A process must not end while a thread is inside a library: the threads are cut off there, and the process dies of it.
    """

    def __init__(self, app: Flask) -> None:
        self._app = app
        self._inside = 0
        self._closed = False
        self._changed = threading.Condition()

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Serve one request (PEP 3333)."""
        with self._changed:
            if self._closed:
                start_response("503 Service Unavailable", [("Content-Type", "text/plain")])
                return [b"The desk has been put away."]
            self._inside += 1
        try:
            return self._app(environ, start_response)
        finally:
            with self._changed:
                self._inside -= 1
                self._changed.notify_all()

    def close(self, patience_s: float) -> None:
        """Let nobody in any more, and wait until those inside have come out, but no longer than `patience_s`. [s]"""
        with self._changed:
            self._closed = True
            self._changed.wait_for(lambda: self._inside == 0, patience_s)


def serve(app: Flask, door: Door, where: Where, farewell: Callable[[], str]) -> None:
    """Serve until Ctrl-C, then say farewell on stderr.

    Raises `BadInput` where the host or port cannot be had.
    """
    try:
        gate = Gate(app)
        server = make_server(where.host, where.port, gate, threaded=True, request_handler=_Quiet)
    except (OSError, SystemExit, OverflowError) as error:
        reason = getattr(error, "strerror", None) or "it is taken, or not this machine's"
        raise BadInput(f"{where.host} port {where.port} cannot be used ({reason}); give another --port, or 0 for any") from None
    address = door.address(server.server_port)
    if not is_loopback(where.host):
        log.warning(
            "Note: this desk listens on %s: anyone on that network who learns the address can see the photos and change what"
            " you mark or correct, and the traffic is not encrypted.",
            where.host,
        )
    print(address, flush=True)
    log.info("Open it in a browser on this machine. Ctrl-C here ends it.")
    if where.browser:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    server.serve_forever()  # ends at KeyboardInterrupt
    gate.close(PATIENCE_S)
    log.info(farewell())
    sys.stdout.flush()
