"""Signing in and out over an encrypted address of another machine: sessions, forms, invitations, links, and guesses.

Expected is the promise itself; what cookies may carry is RFC 6265bis, what a session must outlive OWASP's sheets on
session management and on forged requests (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape
from typing import Any
from urllib.parse import parse_qsl, urlencode

import httpx
import pytest
from fastapi import FastAPI

from api.access import FREE_OF_ADDRESS, FREE_OF_NAME, SESSION_IDLE_MS, SESSION_MOST_MS, digest_of
from api.app import create_app
from api.passwords import hashed
from api.people import add_person, invite, new_link
from api.who import LOOPBACK_COOKIE, SESSION_COOKIE
from pipeline.units import DAY_MS, HOUR_MS
from tests.api.served import TestClient, from_afar, signed_in
from tests.api.site import Ground, MakeGround

PASSWORD = "three words apart"
HTML = {"Accept": "text/html"}
OWN = {"Sec-Fetch-Site": "same-origin", **HTML}
NOTE = {"kind": "note", "surface": "square", "body": {"text": "dew"}}


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    return make_ground()


@pytest.fixture
def app(ground: Ground) -> FastAPI:
    """The application, with Ann, a keeper, who has a password."""
    person = add_person(ground.pipeline.people, "Ann", "keeper", ground.clock.now_ms(), by="a test")
    ground.pipeline.people.set_password(person, hashed(PASSWORD), ground.clock.now_ms(), by="a test")
    return create_app(ground.pipeline)


def sign_in(client: TestClient, name: str = "Ann", password: str = PASSWORD, **more: str) -> Any:
    return client.post("/sign-in", data={"name": name, "password": password, **more}, headers=OWN)


def fields_of(page: str, action: str) -> dict[str, str]:
    """The hidden fields of a page's form."""
    form = re.search(rf'<form[^>]*action="{re.escape(action)}"[^>]*>(.*?)</form>', page, re.S)
    assert form is not None, page
    return {unescape(k): unescape(v) for k, v in re.findall(r'type="hidden" name="([^"]*)" value="([^"]*)"', form[1])}


def test_a_password_begins_a_session_that_ends_when_its_person_says(app: FastAPI) -> None:
    """The cookie is for this host alone, encrypted, out of reach of scripts and of other sites' forms; signing out ends
    the session itself, so that a stolen copy is dead too, and the name is told who it is."""
    client, thief = from_afar(app), from_afar(app)
    assert client.get("/work", headers=HTML).status_code == 401
    answer = sign_in(client, "ANN", back="/work?x=1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/work?x=1")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"{SESSION_COOKIE}=") and "Domain" not in cookie
    assert {"HttpOnly", "Secure", "Path=/", "SameSite=lax"} <= {part.strip() for part in cookie.split(";")}
    page = client.get("/work", headers=HTML)
    assert page.status_code == 200 and "Signed in as Ann." in page.text and "private" in page.headers["cache-control"]
    thief.cookies.set(SESSION_COOKIE, client.cookies[SESSION_COOKIE])
    assert thief.get("/work", headers=HTML).status_code == 200
    out = client.post("/sign-out", data=fields_of(page.text, "/sign-out"), headers=OWN)
    assert out.status_code == 303 and out.headers["clear-site-data"] == '"cache"'
    assert [one.get("/work", headers=HTML).status_code for one in (client, thief)] == [401, 401]


def test_a_stream_ends_with_the_session_that_opened_it(
    ground: Ground, app: FastAPI, serve_ground: Callable[..., Any]
) -> None:
    """Nothing more is told on it once the session was ended elsewhere."""
    people, secret = ground.pipeline.people, signed_in(app, "keeper", "Ann").cookies[SESSION_COOKIE]
    headers = {"Host": "192.0.2.10", "Cookie": f"{SESSION_COOKIE}={secret}"}
    with (
        serve_ground(ground.pipeline) as at,
        httpx.stream("GET", f"{at}/api/v1/live", headers=headers, timeout=20) as stream,
    ):
        lines = stream.iter_lines()
        assert next(lines).startswith("id:") or "change" in next(lines)
        people.end(digest_of(secret))
        ground.pipeline.changes.bump("diary")
        assert [line for line in lines if line.startswith("data") and '"change": ' in line][1:] == []


def test_signing_in_gives_another_secret_each_time(app: FastAPI) -> None:
    """A secret planted before, or of the session before, lets nobody in after."""
    client, before = from_afar(app), "planted-by-somebody-else"
    client.cookies.set(SESSION_COOKIE, before)
    sign_in(client)
    first = client.cookies.get(SESSION_COOKIE, domain="192.0.2.10")
    page = client.get("/work", headers=HTML).text
    again = sign_in(client, csrf=fields_of(page, "/sign-out")["csrf"])
    second = again.headers["set-cookie"].partition("=")[2].partition(";")[0]
    assert len({before, first, second}) == 3
    for dead in (before, first):
        thief = from_afar(app)
        thief.cookies.set(SESSION_COOKIE, dead)
        assert thief.get("/work", headers=HTML).status_code == 401


def test_a_session_that_is_used_goes_on_and_an_unused_one_ends(ground: Ground, app: FastAPI) -> None:
    """Thirty days without use, half a year in all; its use is written once an hour, and not at each request."""
    client = signed_in(app, "keeper", "Ann")
    people, digest = ground.pipeline.people, digest_of(client.cookies[SESSION_COOKIE])
    begun_ms = ground.clock.now_ms()
    ground.clock.wall_ms = begun_ms + HOUR_MS - 1
    client.get("/api/v1/site")
    assert people.credential(digest, ground.clock.now_ms()).used_at_ms == 0
    for day in range(29, 180, 29):
        ground.clock.wall_ms = begun_ms + day * DAY_MS
        assert client.get("/api/v1/site").status_code == 200, day
    assert people.credential(digest, ground.clock.now_ms()).ends_at_ms == begun_ms + SESSION_MOST_MS
    ground.clock.wall_ms = begun_ms + SESSION_MOST_MS
    assert client.get("/api/v1/site").status_code == 401
    client = signed_in(app, "keeper", "Ann")
    ground.clock.wall_ms += SESSION_IDLE_MS
    assert client.get("/api/v1/site").status_code == 401


FORMS = [
    ("/alerts/x/mark", {"mark": "wrong", "why": "it is <dry> & \"fine\"", "back": "/work"}),
    ("/work/book", {"surface": "square", "what": "spike.solid", "strips": "a=b;c&d", "author": "", "sent_as": "1"}),
    ("/ground/buried", {"what": "cable", "title": "Old main", "path": "1 2\n3 4"}),
]  # fmt: skip


@pytest.mark.parametrize(("to", "typed"), FORMS, ids=[to for to, _ in FORMS])
def test_what_was_typed_outlives_a_session_that_ended(app: FastAPI, to: str, typed: dict[str, str]) -> None:
    """The form is answered with the sign-in and with what was typed, a wrong password in between too; then it is shown,
    and sent as it was, as the one who signed in."""
    client = from_afar(app)
    late = client.post(to, data={**typed, "csrf": "of-an-old-session"}, headers=OWN)
    assert late.status_code == 401 and "Not written yet." in late.text
    wrong = sign_in(client, password="not this one", **fields_of(late.text, "/sign-in"))
    assert wrong.status_code == 401 and "do not belong together" in wrong.text
    back = sign_in(client, **fields_of(wrong.text, "/sign-in"))
    assert back.status_code == 200 and "Not written yet" in back.text
    shown = [unescape(one) for one in re.findall(r"<dd>(.*?)</dd>", back.text, re.S)]
    assert shown == [value for key, value in typed.items() if value and key not in ("back", "sent_as")]
    fields = fields_of(back.text, to)
    assert {key: value for key, value in fields.items() if key != "csrf"} == typed
    assert client.post(to, data=fields, headers=OWN).status_code not in (401, 403)


def test_a_foreign_page_s_form_is_not_kept_to_be_sent_as_our_own(app: FastAPI) -> None:
    """It comes without the cookie, as from somebody whose session ended, and would pass for what they typed."""
    client = from_afar(app)
    for origin in ({"Sec-Fetch-Site": "cross-site"}, {}):
        answer = client.post("/people/1/remove", data={"role": "head"}, headers={**origin, **HTML})
        assert answer.status_code == 401
        fields = fields_of(answer.text, "/sign-in")
        assert "to" not in fields and "sent" not in fields


def test_a_password_typed_in_a_tab_of_before_is_not_shown(app: FastAPI) -> None:
    """Two tabs ask to sign in; the second is sent after the first has begun a session."""
    client = from_afar(app)
    sign_in(client)
    late = sign_in(client)
    assert (late.status_code, late.headers["location"]) == (303, "/sign-in") and PASSWORD not in late.text


def test_a_cookie_that_anybody_can_plant_counts_on_this_machine_alone(app: FastAPI) -> None:
    """Only the name with the prefix is bound to this host and encryption (RFC 6265bis, 4.1.3.2)."""
    client, planted = from_afar(app), from_afar(app)
    sign_in(client)
    planted.cookies.set(LOOPBACK_COOKIE, client.cookies[SESSION_COOKIE])
    assert planted.get("/work", headers=HTML).status_code == 401


def test_what_is_written_bears_the_name_of_who_is_signed_in(ground: Ground, app: FastAPI) -> None:
    """Whatever the entry says; an entry of a machine bears its token's name, and unsigned on the box what it says."""
    keeper, here = signed_in(app, "keeper", "Ann"), TestClient(app)
    told = {"headers": {"Sec-Fetch-Site": "same-origin"}}
    for client, expected in ((keeper, "Ann"), (here, "Bob")):
        written = client.post("/api/v1/diary", json={**NOTE, "author": "Bob"}, **told).json()["entry"]
        assert written["author"] == expected
        changed = client.put(f"/api/v1/diary/{written['id']}", json={**NOTE, "author": "Zoe"}, **told).json()["entry"]
        assert changed["author"] == ("Ann" if client is keeper else "Zoe")
    assert "dew (Ann)" in re.sub(r"\s|&nbsp;", " ", keeper.get("/work", headers=HTML).text).replace("\xa0", " ")
    keeper.post("/ground/buried", headers=OWN, data={
        "what": "cable", "title": "Old main", "path": "1 2", "csrf": csrf_of(keeper)})  # fmt: skip
    (entry,) = ground.pipeline.diary.entries(["buried"], 0, 2**60)
    assert entry.author == "Ann"


def csrf_of(client: TestClient) -> str:
    return fields_of(client.get("/work", headers=HTML).text, "/sign-out")["csrf"]


def test_a_form_without_the_token_of_its_session_is_not_taken(ground: Ground, app: FastAPI) -> None:
    """None, one of another session, and a spoiled one: nothing is written, and the form comes back to be sent again."""
    client, other = signed_in(app, "keeper", "Ann"), signed_in(app, "keeper", "Bob")
    good, typed = csrf_of(client), {"what": "cable", "title": "Old main", "path": "1 2"}
    assert good != csrf_of(client)  # another each time: what is packed does not tell it
    for bad in ({}, {"csrf": csrf_of(other)}, {"csrf": good[:-1] + "g"}, {"csrf": ""}, {"csrf": "é."}):
        answer = client.post("/ground/buried", data={**typed, **bad}, headers=OWN)
        assert answer.status_code == 403 and "Not written yet" in answer.text
    assert ground.pipeline.diary.entries(["buried"], 0, 2**60) == []
    again = fields_of(answer.text, "/ground/buried")
    assert client.post("/ground/buried", data=again, headers=OWN).status_code == 303
    assert client.post("/ground/buried", data={**typed, "csrf": good}, headers=OWN).status_code == 303


@pytest.mark.parametrize(("told", "status"), [
    ({}, 403), ({"Origin": "https://192.0.2.10"}, 201), ({"Sec-Fetch-Site": "same-origin"}, 201),
    ({"Origin": "https://evil.example"}, 403), ({"Sec-Fetch-Site": "cross-site"}, 403), ({"Origin": "null"}, 403),
], ids=str)  # fmt: skip
def test_data_written_with_a_session_says_from_which_page(app: FastAPI, told: dict[str, str], status: int) -> None:
    """A browser says so; what shows a cookie and does not say is refused, where a token without a cookie is not."""
    assert signed_in(app, "keeper").post("/api/v1/diary", json=NOTE, headers=told).status_code == status


def test_every_form_of_every_page_bears_the_token(ground: Ground, app: FastAPI) -> None:
    """Each form that is posted, and each button that posts one, on pages with alerts and bookings; none without."""
    ground.hear(readings_of_a_dry_ground())
    client, seen = signed_in(app, "head"), 0
    now = ground.clock.now_ms()
    booked = {"pass": "light_raking", "depth_mm": 0, "state": "booked"}
    entry = {"kind": "pass", "surface": "square", "at": iso_of(now + DAY_MS), "body": booked}
    assert client.post("/api/v1/diary", headers=OWN, json=entry).status_code == 201
    for path in ("/", "/work", "/work/book?surface=square", "/alerts", "/ground", "/probes", "/stations/s1", "/trust"):
        page = client.get(path, headers=HTML).text
        forms = re.findall(r'<form[^>]*method="post".*?</form>', page, re.S)
        buttons = re.findall(r'<button[^>]*formmethod="post"[^>]*>', page)
        seen += len(forms) + len(buttons)
        for one in [*forms, *buttons]:
            assert re.search(r'name="csrf" value="[0-9a-f]{16}\.[0-9a-f]{64}"', one), (path, one)
        assert "token-" not in page and "name-" not in re.sub(r'"[^"]*"', "", page)
    assert seen > 12


def readings_of_a_dry_ground() -> Any:
    from tests.api.site import readings

    return readings(60, first_hour=420)


def iso_of(at_ms: int) -> str:
    from api.data import iso

    return iso(at_ms)


def test_a_page_kept_for_all_is_each_reader_s_own(app: FastAPI) -> None:
    """Two keepers and a reader, one after another: each finds their own name, and a reader nothing to press."""
    ann, bob, reader = signed_in(app, "keeper", "Ann"), signed_in(app, "keeper", "Bob"), signed_in(app, "reader", "Zoe")
    for client, name in ((ann, "Ann"), (bob, "Bob"), (reader, "Zoe"), (ann, "Ann")):
        page = client.get("/work", headers=HTML).text
        assert [one for one in ("Ann", "Bob", "Zoe") if f"Signed in as {one}." in page] == [name]
    assert 'action="/ground/buried"' in ann.get("/ground", headers=HTML).text
    for path in ("/work", "/work/book?surface=square", "/ground", "/alerts", "/"):
        page = reader.get(path, headers=HTML).text
        posts = re.findall(r'formmethod="post"|<form[^>]*method="post"[^>]*action="([^"]*)"', page)
        assert posts == ["/sign-out"], path
    here = TestClient(app).get("/work", headers=HTML).text
    assert "On this machine nobody has to sign in." in here and "csrf" not in here


def test_an_invitation_lets_its_person_choose_a_password_once(ground: Ground, app: FastAPI) -> None:
    """Short, guessed and mistyped ones are refused in words; then they are in, and the address is used up."""
    people, client = ground.pipeline.people, from_afar(app)
    person = add_person(people, "Bob Miller", "reader", ground.clock.now_ms(), by="a test")
    path = invite(people, person, ground.clock.now_ms(), by="a test")
    assert "For Bob Miller." in client.get(path, headers=HTML).text
    for password, again, told in (
        ("short", "short", "found 5 characters, expected 10 to 200"),
        ("aaaaaaaaaaaaaaa", "aaaaaaaaaaaaaaa", "easily guessed"),
        ("bob millerb", "bob millerb", "easily guessed"),
        (PASSWORD, PASSWORD + "x", "not the same"),
    ):
        answer = client.post(path, data={"password": password, "again": again}, headers=OWN)
        assert answer.status_code == 422 and told in answer.text
        assert password not in re.sub(r"<style.*?</style>", "", answer.text, flags=re.S)
    assert client.post(path, data={"password": PASSWORD, "again": PASSWORD}, headers=OWN).status_code == 303
    assert client.get("/work", headers=HTML).status_code == 200
    assert client.get(path, headers=HTML).status_code == 404
    assert from_afar(app).post(path, data={"password": PASSWORD, "again": PASSWORD}, headers=OWN).status_code == 404
    assert sign_in(from_afar(app), "bob miller").status_code == 303
    path = invite(people, person, ground.clock.now_ms(), by="a test")
    ground.clock.wall_ms += 7 * DAY_MS
    assert from_afar(app).get(path, headers=HTML).status_code == 404


def test_a_link_shows_season_and_sheet_until_it_is_withdrawn(ground: Ground, app: FastAPI) -> None:
    """Those and nothing else, in the navigation too; who is signed in with more keeps that."""
    people, client = ground.pipeline.people, from_afar(app)
    path = new_link(people, "committee", 30, ground.clock.now_ms(), by="a test")
    answer = client.get(path)
    assert (answer.status_code, answer.headers["location"]) == (303, "/season")
    page = client.get("/season/square", headers=HTML)
    assert page.status_code == 200 and client.get("/sheet/square", headers=HTML).status_code == 200
    assert re.findall(r'<li><a href="([^"]*)"', page.text.partition("<nav")[2].partition("</nav>")[0]) == ["/season"]
    assert client.get("/work", headers=HTML).status_code == 403
    keeper = signed_in(app, "keeper", "Ann")
    assert "set-cookie" not in keeper.get(path).headers and keeper.get("/work").status_code == 200
    people.revoke("link", "committee", ground.clock.now_ms(), by="a test")
    assert client.get("/season/square", headers=HTML).status_code == 401
    assert from_afar(app).get(path, headers=HTML).status_code == 404


def test_nobody_to_sign_in_yet_is_said_and_nothing_else(ground: Ground) -> None:
    """From elsewhere every page says how the first is made; on the box itself all is open."""
    app = create_app(ground.pipeline)
    for path in ("/", "/work", "/sign-in"):
        page = from_afar(app).get(path, headers=HTML).text
        assert "underturf person add NAME --role head" in page and "<form" not in page
        assert "square" not in page.lower().partition("<main")[2]
    assert TestClient(app).get("/work").status_code == 200


def test_a_password_in_the_clear_is_not_taken(app: FastAPI) -> None:
    """From elsewhere without encryption, as behind a web server in front that does not say that it encrypts."""
    client = TestClient(app, "http://192.0.2.10", client=("192.0.2.7", 1), follow_redirects=False)
    answer = sign_in(client)
    assert answer.status_code == 403 and "X-Forwarded-Proto" in answer.text and "set-cookie" not in answer.headers


def test_where_signing_in_leads_is_a_page_of_this_server(app: FastAPI) -> None:
    """An address elsewhere, in whichever way browsers read one, leads to the first page."""
    for back in ("//evil.example", "https://evil.example/", "/\\evil.example", "/\t/evil.example", "javascript:1", ""):
        assert sign_in(from_afar(app), back=back).headers["location"] == "/", back
        page = sign_in(from_afar(app), to=back, sent="a=b")
        assert "evil.example" not in page.text and page.status_code == 303
    assert sign_in(from_afar(app), back="/stations/s1?days=14").headers["location"] == "/stations/s1?days=14"


def test_data_says_that_somebody_has_to_sign_in(app: FastAPI) -> None:
    """A problem document with the way to show who one is (RFC 9110, 11.6.1)."""
    answer = from_afar(app).get("/api/v1/site", headers=HTML)
    assert answer.headers["content-type"] == "application/problem+json"
    assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")
    assert answer.json()["title"] == "Sign in first"


# --- guesses ---------------------------------------------------------------------------------------------------------


def test_guesses_of_an_address_are_slowed_and_told(
    ground: Ground, app: FastAPI, caplog: pytest.LogCaptureFixture
) -> None:
    """After five tries it has to wait, twice as long each time, and is told how long; the right password too. The head
    reads of it on the pages and in the audit log, by the names of people alone: another name may be a password."""
    client = from_afar(app)
    for number in range(FREE_OF_ADDRESS):
        assert sign_in(client, "Ann" if number else "my-secret-in-the-wrong-field", "guessed").status_code == 401
    waits = []
    for _ in range(4):
        answer = sign_in(client)
        assert answer.status_code == 429 and "Too many tries" in answer.text and 'value="Ann"' in answer.text
        waits.append(int(answer.headers["retry-after"]))
        ground.clock.real_s += waits[-1]
        assert sign_in(client, "Ann", "guessed").status_code == 401
    assert waits == [1, 2, 4, 8]
    assert sign_in(from_afar(app, "192.0.2.9")).status_code == 303
    told = "Somebody guesses at passwords"
    pages = {role: signed_in(app, role).get("/work", headers=HTML).text for role in ("head", "keeper")}
    assert told in pages["head"] and "8 for Ann, 1 for names nobody has" in pages["head"]
    assert told not in pages["keeper"] and "192.0.2.7" in pages["head"]
    lines = [one.what for one in ground.pipeline.people.audit(9)]
    assert "passwords guessed from 192.0.2.7 for Ann; slowed" in lines
    assert caplog.text.count("passwords_guessed") == 1
    assert "my-secret" not in caplog.text + pages["head"] + str(lines)


def test_guesses_at_a_name_are_slowed_from_wherever_they_come(ground: Ground, app: FastAPI) -> None:
    """Each from another address: after ten they wait, a minute at most, so that the owner gets in; another name does at
    once."""
    bob = add_person(ground.pipeline.people, "Bob", "reader", ground.clock.now_ms(), by="a test")
    ground.pipeline.people.set_password(bob, hashed(PASSWORD), ground.clock.now_ms(), by="a test")

    def guess(number: int, name: str = "Ann", password: str = "guessed") -> Any:
        return sign_in(from_afar(app, f"198.51.100.{number}"), name, password)

    assert [guess(n).status_code for n in range(FREE_OF_NAME)] == [401] * FREE_OF_NAME
    waits = []
    for number in range(9):
        waits.append(int(guess(100 + number).headers["retry-after"]))
        ground.clock.real_s += waits[-1]
        assert guess(150 + number).status_code == 401
    assert waits[:7] == [1, 2, 4, 8, 16, 32, 60] and set(waits[7:]) == {60}
    assert guess(201, "Bob", PASSWORD).status_code == 303
    ground.clock.real_s += 60
    assert guess(202, "Ann", PASSWORD).status_code == 303 and guess(203).status_code == 401


def test_addresses_of_one_network_of_ipv6_count_as_one(app: FastAPI) -> None:
    """A machine has 2^64 of them to itself."""
    statuses = [sign_in(from_afar(app, f"2001:db8::{n:x}"), f"name {n}", "guessed").status_code for n in range(1, 8)]
    assert statuses == [401] * FREE_OF_ADDRESS + [429] * 2


def test_the_body_of_a_form_is_kept_to_the_letter() -> None:
    """What is carried through the sign-in is the form's own encoding (WHATWG), read as it was."""
    typed = {"why": "ä & = + % \n ; 100%", "empty": ""}
    assert dict(parse_qsl(urlencode(typed), keep_blank_values=True)) == typed
