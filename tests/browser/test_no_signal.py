"""A phone in the field: pages at the box's own address on a network, encrypted, and what is written without signal.

Box and phone are two network namespaces with a cable between them; the box runs `underturf serve` with the certificate
of `underturf certificate`, nothing of it is on this machine's loopback, and the cable is really pulled.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Error, Page, Playwright, sync_playwright

from api.people import add_person, invite
from pipeline.diary.entry import DiaryEntry
from pipeline.run.clock import SystemClock
from pipeline.store.database import Database
from pipeline.store.diary import Diary
from pipeline.store.people import People
from pipeline.units import EVER_MS
from tests.api.site import SETTINGS
from tests.browser.phone import Phone
from tests.lan import BOX, Machine, lan
from tests.pipeline.conftest import wait_until

UNDERTURF = str(Path(sys.executable).parent / "underturf")
PASSWORD = "three words apart"
ADDRESS = f"https://{BOX}:8420"


@dataclass
class Field:
    """A box that serves, a phone that is on the same network, and the addresses of those who may sign in."""

    box: Machine
    phone: Machine
    settings: Path
    play: Playwright
    program: str

    def new_phone(self, folder: Path, *, trusts: bool = True) -> Phone:
        authority = self.settings.parent / "data" / "certificate" / "authority.crt"
        return Phone(self.play, self.phone, folder, self.program, authority if trusts else None)

    @property
    def journal(self) -> Path:
        return self.settings.parent / "data" / "journal.db"

    def entries(self) -> list[DiaryEntry]:
        """What stands in the diary, in the order of writing."""
        with closing(Database(self.journal)) as base:
            return sorted(Diary(base).entries(None, *EVER_MS), key=lambda one: one.id)


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory, need_program: Callable[[str], str]) -> Iterator[Field]:
    folder, program = tmp_path_factory.mktemp("field"), need_program("chromium")
    settings = folder / "underturf.toml"
    settings.write_text(f'{SETTINGS}\n[pages]\nhost = "{BOX}"\n', encoding="utf-8")
    with lan() as (box, phone), sync_playwright() as play:
        box.run(UNDERTURF, "certificate", "--config", str(settings))
        with (folder / "log").open("w") as log:
            server = subprocess.Popen(
                [*box.entering, UNDERTURF, "serve", "--config", str(settings)], stdout=log, stderr=log
            )
            try:
                wait_until(lambda: "pages_at" in (folder / "log").read_text(), "the pages are served", 60)
                yield Field(box, phone, settings, play, program)
            finally:
                server.terminate()
                server.wait(30)


def signed_in(field: Field, page: Page, name: str) -> None:
    """Whoever it is takes the invitation that the command has made, and is signed in."""
    now_ms = SystemClock().now_ms()
    with closing(Database(field.journal)) as base:
        people = People(base, "meadow")
        path = invite(people, add_person(people, name, "keeper", now_ms, by="a test"), now_ms, by="a test")
    page.goto(ADDRESS + path)
    page.fill("#password", PASSWORD)
    page.fill("#again", PASSWORD)
    page.get_by_role("button", name="Take it").click()
    page.get_by_text(f"Signed in as {name}.").wait_for()


def test_without_signal_the_last_today_opens_with_its_age(field: Field, tmp_path: Path) -> None:
    """Somebody signs in over HTTPS, by a certificate that the browser itself verifies, and the worker is taken. With
    the cable out Today opens with its time in the head, another page with the way to it; signing out leaves neither."""
    phone, kept = field.new_phone(tmp_path / "phone"), "caches.open('pages').then((c) => c.match('/')).then(Boolean)"
    with phone.on() as page:
        signed_in(field, page, "Ann")
        assert page.evaluate("isSecureContext") is True
        page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
        wait_until(lambda: page.evaluate(kept), "Today is kept")
        field.phone.cable("down")
        try:
            page.goto(ADDRESS)
            now = page.inner_text("#head .now").rpartition(", ")[2]
            assert page.inner_text("#head .age").endswith(f" {now}")
            assert page.inner_text("#head .age").startswith("as it was, ")
            page.goto(f"{ADDRESS}/ground")
            page.get_by_role("heading", name="No link to the box").wait_for()
        finally:
            field.phone.cable("up")
        page.goto(ADDRESS)
        assert not page.inner_text("#head").count("as it was")
        page.get_by_role("button", name="Sign out").click()
        page.get_by_role("heading", name="Sign in").wait_for()
        wait_until(lambda: not page.evaluate(kept), "nothing is left for whoever has the phone next")


def test_in_the_clear_and_untrusted_nothing_opens(field: Field, tmp_path: Path) -> None:
    """By http:// the browser is told to write https://; one that was not given the authority says so."""
    with field.new_phone(tmp_path / "phone", trusts=False).on() as page:
        answer = page.goto(ADDRESS.replace("https", "http"))
        assert answer.status == 400 and "begin their address with https://" in answer.text()
        assert page.evaluate("isSecureContext") is False
        with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
            page.goto(ADDRESS)
