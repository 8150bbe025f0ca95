"""The door: who comes in, who may change something, and what every answer carries (OWASP's cheat sheets on CSRF and CSP)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from desk_pages import BASE, Visitor
from flask import Flask

from frametally.desk.app import LARGEST_REQUEST_BYTES, body, make_desk
from frametally.desk.door import HEADERS, KEY_HEADER, Door, is_loopback
from frametally.desk.hold import hold
from frametally.errors import BadInput


def desk_behind(door: Door) -> Flask:
    """The smallest page: one to see, one to change."""
    app = make_desk(door)

    @app.get("/")
    def page() -> str:
        return "the page"

    @app.post("/change")
    def change() -> str:
        return str(body()["wish"])

    @app.get("/broken")
    def broken() -> str:
        raise RuntimeError("inside")

    return app


@pytest.fixture
def door() -> Door:
    return Door()


@pytest.fixture
def app(door: Door) -> Flask:
    return desk_behind(door)


@pytest.mark.parametrize("path", ["/", "/static/desk.css", "/static/desk.js", "/nothing", "/broken"])
@pytest.mark.parametrize("token", ["", "?token=", "?token=guessed", "?token=%F0%9F%9A%A2"])
def test_without_the_token_nothing_is_served(app: Flask, path: str, token: str) -> None:
    answer = app.test_client().get(path + token, base_url=BASE)
    assert answer.status_code == 403
    assert "token" in answer.json["fault"]
    assert "Set-Cookie" not in answer.headers


def test_token_becomes_a_cookie_that_scripts_and_other_sites_cannot_use(app: Flask, door: Door) -> None:
    answer = app.test_client().get(f"/?token={door.token}", base_url=BASE)
    cookie = answer.headers["Set-Cookie"]
    assert answer.text == "the page"
    assert cookie.startswith(f"desk-8000={door.token}")
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert Visitor(app, door).get("/").text == "the page"


def test_cookie_of_another_desk_does_not_let_in(app: Flask) -> None:
    other = Door()
    client = app.test_client()
    client.set_cookie("desk-8000", other.token, domain="127.0.0.1")
    assert client.get("/", base_url=BASE).status_code == 403


@pytest.mark.parametrize(
    "host",
    [
        "evil.example:8000",
        "127.0.0.1.evil.example:8000",
        "127.0.0.1:8001",
        "127.0.0.1",
        "192.168.1.2:8000",
        "user@127.0.0.1:8000",
        "127.0.0.1:8000/x",
        "",
        "[",
        "127.0.0.1:port",
    ],
)
def test_other_host_names_are_refused_with_the_right_token_too(app: Flask, door: Door, host: str) -> None:
    answer = app.test_client().get(f"/?token={door.token}", base_url=BASE, headers={"Host": host})
    assert answer.status_code in (400, 403)
    assert "the page" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000", "[::1]:8000"])
def test_names_of_this_machine_are_known(app: Flask, door: Door, host: str) -> None:
    answer = app.test_client().get(f"/?token={door.token}", base_url=BASE, headers={"Host": host})
    assert answer.status_code == 200


def test_desk_on_all_addresses_knows_numbers_but_no_foreign_names() -> None:
    door = Door(host="0.0.0.0")
    client = desk_behind(door).test_client()

    def status(host: str) -> int:
        return client.get(f"/?token={door.token}", base_url=BASE, headers={"Host": host}).status_code

    assert status("192.168.1.2:8000") == 200
    assert status("evil.example:8000") == 403


def test_change_from_the_own_page_is_done(app: Flask, door: Door) -> None:
    assert Visitor(app, door).send("POST", "/change", {"wish": "yes"}).text == "yes"


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9000"},
        {"Origin": "https://127.0.0.1:8000"},
        {"Origin": ""},
        {KEY_HEADER: "guessed"},
        {KEY_HEADER: ""},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_change_from_elsewhere_is_refused(app: Flask, door: Door, method: str, headers: dict[str, str]) -> None:
    answer = Visitor(app, door).send(method, "/change", {"wish": "no"}, **headers)
    assert answer.status_code == 403
    assert "own page" in answer.json["fault"]


def test_token_in_the_address_is_no_way_to_change_anything(app: Flask, door: Door) -> None:
    headers = {"Origin": BASE, KEY_HEADER: door.key}
    answer = app.test_client().post(f"/change?token={door.token}", base_url=BASE, json={"wish": "no"}, headers=headers)
    assert answer.status_code == 403


def test_every_answer_carries_the_guarding_headers(app: Flask, door: Door) -> None:
    visitor = Visitor(app, door)
    answers = [
        visitor.get("/"),
        visitor.get("/static/desk.js"),
        visitor.get("/nothing"),
        visitor.get("/broken"),
        app.test_client().get("/", base_url=BASE),
    ]
    for answer in answers:
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    policy = HEADERS["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy.replace("https", "http").replace("'self'", "")


@pytest.mark.parametrize(
    "path",
    [
        "/static/../templates/base.html",
        "/static/..%2ftemplates/base.html",
        "/static/%2e%2e/%2e%2e/limits.toml",
        "/static//etc/passwd",
        "/static/..\\templates\\base.html",
    ],
)
def test_static_files_end_at_their_folder(app: Flask, door: Door, path: str) -> None:
    assert Visitor(app, door).get(path).status_code == 404


@pytest.mark.parametrize("sent", ["[]", "3", '"text"', "null", "{", ""])
def test_what_is_no_object_is_a_fault_not_a_crash(app: Flask, door: Door, sent: str) -> None:
    visitor = Visitor(app, door)
    headers = {"Origin": BASE, KEY_HEADER: door.key}
    answer = visitor.client.post("/change", base_url=BASE, data=sent, content_type="application/json", headers=headers)
    assert (answer.status_code, list(answer.json)) == (400, ["fault"])


def test_huge_request_is_refused(app: Flask, door: Door) -> None:
    answer = Visitor(app, door).send("POST", "/change", {"wish": "x" * LARGEST_REQUEST_BYTES})
    assert answer.status_code in (400, 413)


def test_fault_of_ours_says_nothing_of_the_inside(app: Flask, door: Door) -> None:
    answer = Visitor(app, door).get("/broken")
    assert answer.status_code == 500
    assert "inside" not in json.dumps(answer.json)


def test_secrets_are_long_and_new_each_time() -> None:
    doors = [Door() for _ in range(20)]
    secrets = {door.token for door in doors} | {door.key for door in doors}
    assert len(secrets) == 40
    assert min(map(len, secrets)) >= 32  # 24 bytes in base64, above the 128 bits that OWASP asks of session identifiers


@pytest.mark.parametrize(
    ("host", "own"), [("127.0.0.1", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("a.b", False)]
)
def test_loopback_is_told_from_the_rest(host: str, own: bool) -> None:
    assert is_loopback(host) is own


def test_second_desk_says_that_there_is_a_first(tmp_path: Path) -> None:
    with hold(tmp_path / ".lock", "cabin.toml"):  # noqa: SIM117
        with (
            pytest.raises(BadInput, match=r"another desk \(process \d+\) is open on cabin.toml"),
            hold(tmp_path / ".lock", "cabin.toml"),
        ):
            pass
    with hold(tmp_path / ".lock", "cabin.toml"):
        pass
    assert list(tmp_path.iterdir()) == []
