"""Who may do what: each address asked for on a real server as each kind of sender, held against the docs page."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from api.access import GRANTED, NEEDS, ROLES, Access, form_token
from api.app import create_app
from api.people import add_person, new_link, new_session, new_token
from api.who import SESSION_COOKIE
from pipeline.store.people import People
from tests.api.served import api_routes, serving
from tests.api.site import SETTINGS, Ground, ground_at
from tests.make_access_page import PAGE, page
from tests.reference import bare, tables

ELSEWHERE = "192.0.2.10"  # who asks by it is not taken to sit at this machine
SENDERS = {
    "anyone": "anyone", "bad token": "anyone", "bad cookie": "anyone", "head of another site": "anyone", "link": "link",
    "reader": "reader, token read", "token read": "reader, token read", "keeper": "keeper, token diary",
    "token diary": "keeper, token diary", "head": "head", "here": "head",
}  # fmt: skip
SIGN_OUT = "POST /sign-out"  # asked last
UNASKED = {"GET /openapi.json"}  # no route of ours; test_openapi.py asks for it


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """A ground with people."""
    made = ground_at(tmp_path_factory.mktemp("access"), SETTINGS + '[pages]\nallowed_hosts = ["turf.example.org"]\n')
    yield made
    made.pipeline.stop()


@pytest.fixture(scope="module")
def shown(ground: Ground) -> dict[str, tuple[dict[str, str], str]]:
    """What each sender shows: headers, and the secret that forms are bound to."""
    people, now_ms = ground.pipeline.people, ground.clock.now_ms()
    found: dict[str, tuple[dict[str, str], str]] = {"anyone": ({}, ""), "here": ({"Host": "localhost"}, "")}
    for role in ROLES:
        secret = new_session(people, add_person(people, role, role, now_ms, by="a test"), now_ms)
        found[role] = ({"Cookie": f"{SESSION_COOKIE}={secret}"}, secret)
    for scope in ("read", "diary"):
        token = new_token(people, scope, scope, 9, now_ms, by="a test")
        found[f"token {scope}"] = ({"Authorization": f"Bearer {token}"}, "")
    link = new_link(people, "committee", 9, now_ms, by="a test").rpartition("/")[2]
    found["link"] = ({"Cookie": f"{SESSION_COOKIE}={link}"}, link)
    found["bad token"] = ({"Authorization": f"Bearer {link}"}, "")
    found["bad cookie"] = ({"Cookie": f"{SESSION_COOKIE}={token}"}, "")
    other = People(people._database, "moor")
    secret = new_session(other, add_person(other, "Zoe", "head", now_ms, by="a test"), now_ms)
    found["head of another site"] = ({"Cookie": f"{SESSION_COOKIE}={secret}"}, secret)
    return found


def addresses(app: Any) -> set[str]:
    return {f"{method} {route.path}" for route in api_routes(app.routes) for method in route.methods}


def documented() -> dict[str, dict[str, bool]]:
    """The table of the page: address, then column, then whether it says yes."""
    (table,) = tables(PAGE.read_text(encoding="utf-8"))
    columns = [bare(name).replace("`", "") for name in table.columns[1:]]
    return {bare(row[0]): dict(zip(columns, (cell == "yes" for cell in row[1:]), strict=True)) for row in table.rows}


def test_the_page_is_current() -> None:
    """It says what the table of the program says."""
    assert PAGE.read_text(encoding="utf-8") == page(), "run python tests/make_access_page.py"


def test_every_address_has_its_row_and_no_other_has(ground: Ground) -> None:
    """A route without a row is named here, and for a head alone until it has one."""
    assert addresses(create_app(ground.pipeline)) ^ NEEDS.keys() == UNASKED


def filled_in(path: str) -> str:
    for name, value in {
        "{name}.ics": "square.ics", "surfaces/{name}": "surfaces/square", "{name}": "s1", "{surface}": "square",
        "{station}": "s1", "{probe}": "t1", "{entry_id}": "999", "{alert_id}": "x", "{secret}": "x",
        "{person_id}": "999",
    }.items():  # fmt: skip
        path = path.replace(name, value)
    return path


@pytest.mark.parametrize("sender", SENDERS)
def test_each_sender_gets_what_the_page_says(
    ground: Ground, shown: dict[str, tuple[dict[str, str], str]], sender: str
) -> None:
    """Every address: refused with 401 who is nobody, with 403 who may not, and answered who may."""
    headers, secret = shown[sender]
    table, asked, strange = documented(), 0, []
    with serving(ground.pipeline) as at, httpx.Client(base_url=at, headers={"Host": ELSEWHERE, **headers}) as client:
        for address in sorted(addresses(create_app(ground.pipeline)), key=lambda one: (one == SIGN_OUT, one)):
            method, _, path = address.partition(" ")
            more: dict[str, Any] = {}
            if path.startswith("/api/") and method != "GET":
                more = {"headers": {"Sec-Fetch-Site": "same-origin"}, "json": {}}
            elif method == "POST":
                more = {"headers": {"Sec-Fetch-Site": "same-origin"}, "data": {"csrf": form_token(secret, "1")}}
            with client.stream(method, filled_in(path), timeout=60, **more) as answer:
                status = answer.status_code
                body = "" if path.startswith("/api/v1/live") and status == 200 else answer.read().decode()
            refused = status == 401 or (status == 403 and "Not for you" in body)
            if path == "/sign-in" and method == "POST":
                refused = "found nobody signed in" in body  # it says 401 to a wrong password
            asked += 1
            if refused is table[address][SENDERS[sender]]:
                strange.append((address, status))
            if refused and (status == 401) != (SENDERS[sender] == "anyone"):
                strange.append((address, status, "the other refusal"))
            if status == 401:
                assert "Bearer" in answer.headers["www-authenticate"]
    assert asked == len(NEEDS) - len(UNASKED) and strange == []


def test_a_step_of_access_has_all_before_it() -> None:
    """Roles, scopes and links are on one ladder, and no write is open to less than a keeper."""
    assert sorted(GRANTED, key=lambda one: GRANTED[one]) == ["season", "reader", "read", "keeper", "diary", "head"]
    open_writes = {a for a, need in NEEDS.items() if not a.startswith("GET ") and need < Access.WRITE}
    assert open_writes == {"POST /sign-in", "POST /sign-out", "POST /invitation/{secret}"}


def test_a_token_is_taken_as_the_password_of_a_calendar(
    ground: Ground, shown: dict[str, tuple[dict[str, str], str]]
) -> None:
    """A program that can send a name and a password alone (RFC 7617) is asked for them, and let in by a token."""
    token = shown["token read"][0]["Authorization"].partition(" ")[2]
    with serving(ground.pipeline) as at, httpx.Client(base_url=at, headers={"Host": ELSEWHERE}) as client:
        asked = client.get("/calendar/work.ics")
        assert asked.status_code == 401 and asked.headers["www-authenticate"].startswith('Basic realm="Underturf"')
        assert client.get("/calendar/work.ics", auth=("phone", token)).status_code != 401
        spoiled = base64.b64encode(b"\xff\xfe:\xff").decode()
        for header in (f"Basic {spoiled}", "Basic !", "Basic", "Bearer", "Negotiate x", ""):
            assert client.get("/api/v1/site", headers={"Authorization": header}).status_code == 401, header


HERE = [
    ({"Host": "127.0.0.1:8420"}, True), ({"Host": "localhost"}, True), ({"Host": "[::1]:8420"}, True),
    ({"Host": "turf.example.org"}, False),  # a web server in front that keeps the name it was asked for
    ({"Host": "192.0.2.10"}, False),
    ({"X-Forwarded-For": "192.0.2.7"}, False), ({"Forwarded": "for=192.0.2.7"}, False), ({"Via": "1.1 front"}, False),
    ({"X-Real-IP": "192.0.2.7"}, False), ({"X-Forwarded-Host": "turf.example.org"}, False),
]  # fmt: skip


@pytest.mark.parametrize(("headers", "here"), HERE, ids=str)
def test_who_comes_through_a_web_server_in_front_is_not_here(
    ground: Ground, headers: dict[str, str], *, here: bool
) -> None:
    """One in front shows by a header of its own or by the name it asks for; then nobody is let in unsigned."""
    with serving(ground.pipeline) as at:
        answer = httpx.get(f"{at}/api/v1/site", headers=headers)
    assert answer.status_code == (200 if here else 401)


def test_behind_a_web_server_on_this_machine_nobody_is_here(tmp_path: Any) -> None:
    """Named as the proxy, all come through it: one that forwards no address too lets nobody in unsigned."""
    ground = ground_at(tmp_path, SETTINGS + '[pages]\nproxy = "127.0.0.1"\n')
    try:
        with serving(ground.pipeline) as at:
            for headers in ({}, {"X-Forwarded-For": "127.0.0.1"}, {"X-Forwarded-For": "192.0.2.7"}):
                assert httpx.get(f"{at}/api/v1/site", headers=headers).status_code == 401
            assert httpx.get(f"{at}/healthz").json().keys() == {"state"}
    finally:
        ground.pipeline.stop()
