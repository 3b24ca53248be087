"""Somebody is invited, signs in, writes, and is signed out in the middle of a form, in a real browser and encrypted."""

from __future__ import annotations

import ssl
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from api.certificate import make_certificate, server_context
from api.people import add_person, invite
from pipeline.store.people import Person
from tests.api.served import serving
from tests.api.site import Ground, ground_at, readings

Opens = Callable[..., Any]
PASSWORD = "three words apart"
# As through a web server in front: whoever sits at this machine would not have to sign in.
ELSEWHERE = {"ignore_https_errors": True, "extra_http_headers": {"X-Forwarded-For": "192.0.2.7"}}

# The browser takes no worker by a certificate that it is only told to pass over, and says the second of a page that is
# left while it asks for it.
NO_WORKER = (
    "An SSL certificate error occurred when fetching the script",
    "An unknown error occurred when fetching the script",
)


@pytest.fixture
def ground(tmp_path: Path) -> Iterator[Ground]:
    made = ground_at(tmp_path)
    made.hear(readings(60, first_hour=420))
    yield made
    made.pipeline.stop()


@pytest.fixture
def person(ground: Ground) -> Person:
    """Ann, a keeper, who has no password yet."""
    return add_person(ground.pipeline.people, "Ann", "keeper", ground.clock.now_ms(), by="a test")


@pytest.fixture
def address(ground: Ground) -> Iterator[str]:
    """Where the pages are, encrypted."""
    make_certificate(ground.pipeline.config, ground.clock.now_ms())
    context: ssl.SSLContext = server_context(ground.pipeline.config)
    with serving(ground.pipeline, context=context) as found:
        yield found


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without"])
def test_what_is_typed_outlives_a_sign_out_elsewhere(
    opens: Opens, ground: Ground, person: Person, address: str, *, scripts: bool
) -> None:
    """From the invitation to a written entry, whatever happens in between; the entry bears the name."""
    page = opens(390, java_script_enabled=scripts, **ELSEWHERE).page
    page.goto(address + invite(ground.pipeline.people, person, ground.clock.now_ms(), by="a test"))
    page.fill("#password", PASSWORD)
    page.fill("#again", PASSWORD)
    page.get_by_role("button", name="Take it").click()
    page.get_by_text("Signed in as Ann.").wait_for()
    page.goto(f"{address}/ground")
    page.locator("#enter-buried summary").click()
    page.fill("#enter-buried [name=title]", "Old main")
    page.fill("#enter-buried [name=path]", "1 2\n3 4")
    other = page.context.new_page()
    other.goto(address)
    other.get_by_role("button", name="Sign out").click()
    other.get_by_role("heading", name="Sign in").wait_for()
    page.locator("#enter-buried").get_by_role("button", name="Write it down").click()
    page.get_by_text("Not written yet.").wait_for()
    page.fill("#name", "ann")
    page.fill("#password", PASSWORD)
    page.locator("form.door").get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Send it").click()
    page.wait_for_url(f"{address}/ground")
    (entry,) = ground.pipeline.diary.entries(["buried"], 0, 2**60)
    assert (entry.author, entry.body["title"], entry.body["path_m"]) == ("Ann", "Old main", [[1, 2], [3, 4]])


def test_marks_and_live_news_work_with_a_session(opens: Opens, ground: Ground, person: Person, address: str) -> None:
    """The scripts of a page ask and write as the one who is signed in, and the console says nothing."""
    opened = opens(1280, **ELSEWHERE)
    page = opened.page
    page.goto(address + invite(ground.pipeline.people, person, ground.clock.now_ms(), by="a test"))
    page.fill("#password", PASSWORD)
    page.fill("#again", PASSWORD)
    page.get_by_role("button", name="Take it").click()
    page.get_by_text("Signed in as Ann.").wait_for()
    page.goto(f"{address}/work")
    page.get_by_role("button", name="Seen").first.click()
    page.get_by_text("Noted.").first.wait_for()
    (mark,) = ground.pipeline.diary.entries(["mark"], 0, 2**60)
    said = [one for one in opened.said if not one.startswith(NO_WORKER)]
    assert mark.author == "Ann" and said == []
