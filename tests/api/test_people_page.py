"""The page of people, for a head: what is made is shown once and works, and nobody shuts themselves out."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest
from fastapi import FastAPI

from api.app import create_app
from api.people import add_person
from tests.api.served import TestClient, from_afar, signed_in
from tests.api.site import Ground, MakeGround
from tests.api.test_sign_in import HTML, OWN, PASSWORD, csrf_of


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    return make_ground()


@pytest.fixture
def app(ground: Ground) -> FastAPI:
    return create_app(ground.pipeline)


def post(client: TestClient, path: str, **fields: str) -> Any:
    return client.post(path, data={**fields, "csrf": csrf_of(client)}, headers=OWN)


def shown(answer: Any) -> str:
    """What the answer shows once."""
    (found,) = re.findall(r'<p class="secret">(.*?)</p>', answer.text)
    return unescape(found)


def test_a_head_adds_somebody_who_then_gets_in(ground: Ground, app: FastAPI) -> None:
    """The address that is shown leads to a session; it stands on no later answer; the log says who did it."""
    head, guest = signed_in(app, "head", "Ann"), from_afar(app)
    answer = post(head, "/people", name="Bob O'Neill / <b>", role="keeper")
    address = shown(answer)
    assert address.startswith("https://192.0.2.10/invitation/") and "Bob O&#39;Neill / &lt;b&gt;" in answer.text
    assert address not in head.get("/people", headers=HTML).text
    path = address.removeprefix("https://192.0.2.10")
    assert guest.post(path, data={"password": PASSWORD, "again": PASSWORD}, headers=OWN).status_code == 303
    assert guest.get("/work", headers=HTML).status_code == 200 and guest.get("/people", headers=HTML).status_code == 403
    assert ground.pipeline.people.audit(9)[2].who == "Ann"
    person = ground.pipeline.people.person("bob o'neill / <b>")
    assert person is not None
    for row, (action, more) in enumerate((("role", {"role": "reader"}), ("invite", {}), ("remove", {}))):
        page = head.get("/people", headers=HTML).text
        (there,) = re.findall(rf'action="(/people/{person.id}/{action})"', page)
        assert post(head, there, **more).status_code in (200, 303), row
    assert guest.get("/work", headers=HTML).status_code == 401 and ground.pipeline.people.person(person.name) is None


@pytest.mark.parametrize(("fields", "told"), [
    ({"name": "", "role": "reader"}, "Name: found &#39;&#39;"),
    ({"name": "Ann", "role": "reader"}, "who is there already"),
    ({"name": "Bob", "role": "boss"}, "Role: found &#39;boss&#39;, expected one of reader, keeper, head"),
], ids=["no name", "taken", "no role"])  # fmt: skip
def test_what_cannot_be_added_is_said_and_stays_in_the_form(app: FastAPI, fields: dict[str, str], told: str) -> None:
    """With what was typed."""
    answer = post(signed_in(app, "head", "Ann"), "/people", **fields)
    assert answer.status_code == 422 and told in answer.text
    assert f'value="{fields["name"]}"' in answer.text


def test_links_and_tokens_are_made_shown_once_and_withdrawn(app: FastAPI) -> None:
    """Each works as it is shown, and no more once it is withdrawn."""
    head, guest = signed_in(app, "head", "Ann"), from_afar(app)
    link = shown(post(head, "/people/links", name="committee", days="30"))
    token = shown(post(head, "/people/tokens", name="hut", scope="diary", days="30"))
    asked = {"Authorization": f"Bearer {token}"}
    assert guest.get(link.removeprefix("https://192.0.2.10")).status_code == 303
    assert guest.get("/season/square").status_code == guest.get("/api/v1/site", headers=asked).status_code == 200
    page = head.get("/people", headers=HTML).text
    assert link not in page and token not in page and "for 30 more days" in page
    for kind, name in (("links", "committee"), ("tokens", "hut")):
        assert post(head, f"/people/{kind}/revoke", name=name).status_code == 303
    assert guest.get("/season/square").status_code == guest.get("/api/v1/site", headers=asked).status_code == 401
    for days in ("0", "x", "99999", ""):
        assert post(head, "/people/links", name="other", days=days).status_code == 422


def test_nobody_takes_themselves_out(ground: Ground, app: FastAPI) -> None:
    """Neither out nor down: another head does, or the command."""
    head = signed_in(app, "head", "Ann")
    own = ground.pipeline.people.person("Ann")
    assert own is not None
    for action in ("role", "remove"):
        answer = post(head, f"/people/{own.id}/{action}", role="reader")
        assert answer.status_code == 422 and "another head" in answer.text
    other = add_person(ground.pipeline.people, "Bob", "head", ground.clock.now_ms(), by="a test")
    assert post(head, f"/people/{other.id}/role", role="reader").status_code == 303
    assert post(head, "/people/999/remove").status_code == 404


def test_its_twin_has_the_same_without_secrets(app: FastAPI) -> None:
    """Names, roles, ends, and the log; no digest and no hash."""
    head = signed_in(app, "head", "Ann")
    link = shown(post(head, "/people/links", name="committee", days="30"))
    invitation = shown(post(head, "/people", name="Bob", role="reader"))
    found = head.get("/api/v1/people")
    assert [(one["name"], one["role"], one["has_password"]) for one in found.json()["people"]] == [
        ("Ann", "head", False), ("Bob", "reader", False),
    ]  # fmt: skip
    assert [one["name"] for one in found.json()["links"]] == ["committee"]
    assert found.json()["audit"][0]["what"] == "invitation made, for Bob"
    assert not any(one.rpartition("/")[2] in found.text for one in (link, invitation))
