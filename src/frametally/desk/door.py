"""Takes every request before any route does; lets it in or refuses it by host, token, origin and key; guards every answer.

Who may come in: a browser on this machine (or on the host that the user named) that knows the token of the address. Host names
are checked because a page elsewhere can have its own name point at this machine (DNS rebinding), the origin and the key because
a page elsewhere can send forms here.
"""

from __future__ import annotations

import ipaddress
import secrets
import socket
from dataclasses import dataclass, field
from hmac import compare_digest
from urllib.parse import quote, urlsplit

from flask import Flask, Request, Response, abort, g, request

TOKEN = "token"
KEY_HEADER = "X-Desk-Key"
_READING = ("GET", "HEAD")

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


@dataclass(frozen=True)
class Door:
    """The secrets of one desk and the host it listens on: `token` lets a browser in, `key` lets a page change something."""

    host: str = "127.0.0.1"
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    def address(self, port: int) -> str:
        """Give the address to open, with its token."""
        host = "127.0.0.1" if _is_any(self.host) else self.host
        return f"http://{f'[{host}]' if ':' in host else host}:{port}/?{TOKEN}={quote(self.token)}"

    def guard(self, app: Flask) -> None:
        """Stand before every route of an app."""
        app.before_request(self._check)
        app.after_request(self._finish)

    def _check(self) -> None:
        if not self._knows_host(request.headers.get("Host", "")):
            abort(403, "This desk does not go by that name. Open the address that was printed in the terminal.")
        given = request.args.get(TOKEN, "")
        g.came_with_token = request.method in _READING and _same(given, self.token)
        if not (g.came_with_token or _same(request.cookies.get(_cookie_name(request), ""), self.token)):
            abort(403, "The address lacks this desk's token. Open the whole address that was printed in the terminal.")
        if request.method not in _READING:
            self._check_change()

    def _check_change(self) -> None:
        own = request.headers.get("Origin") == f"http://{request.headers['Host']}"
        site = request.headers.get("Sec-Fetch-Site", "same-origin")
        if not (own and site == "same-origin" and _same(request.headers.get(KEY_HEADER, ""), self.key)):
            abort(403, "This change does not come from the desk's own page. Reload the page and try again.")

    def _knows_host(self, header: str) -> bool:
        try:
            parts = urlsplit(f"//{header}")
            name, port = parts.hostname or "", parts.port or 80
        except ValueError:
            return False
        if parts.netloc != header or "@" in header or str(port) != request.environ.get("SERVER_PORT"):
            return False
        if name in ("localhost", "127.0.0.1", "::1", self.host.lower()):
            return True
        # A number cannot be made to point elsewhere; names of this machine count where it listens to others at all.
        return _is_any(self.host) and (_is_number(name) or name in _own_names())

    def _finish(self, response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers[name] = value
        response.headers.setdefault("Cache-Control", "no-store")
        if g.get("came_with_token"):
            response.set_cookie(_cookie_name(request), self.token, httponly=True, samesite="Strict", path="/")
        return response


def is_loopback(host: str) -> bool:
    """Tell whether only this machine can reach the host."""
    if host.lower() == "localhost":
        return True
    return _is_number(host) and ipaddress.ip_address(host).is_loopback


def _same(one: str, other: str) -> bool:
    return compare_digest(one.encode("utf-8", "replace"), other.encode())


def _cookie_name(given: Request) -> str:
    return f"desk-{given.environ.get('SERVER_PORT', '')}"  # browsers do not part cookies by port, and two desks may be open


def _is_any(host: str) -> bool:
    return _is_number(host) and ipaddress.ip_address(host).is_unspecified


def _is_number(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _own_names() -> set[str]:
    name = socket.gethostname().lower()
    return {name, name.partition(".")[0], f"{name.partition('.')[0]}.local"}
