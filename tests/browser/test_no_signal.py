"""A phone in the field: pages at the box's own address on a network, encrypted, and what is written without signal.

Box and phone are two network namespaces with a cable between them; the box runs `underturf serve` with the certificate
of `underturf certificate`, nothing of it is on this machine's loopback, and the cable is really pulled.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Error, Page, Playwright

from api.people import add_person, invite, new_link, new_session
from api.who import SESSION_COOKIE
from pipeline.diary.entry import DiaryEntry
from pipeline.run.clock import SystemClock
from pipeline.store.database import Database
from pipeline.store.diary import Diary
from pipeline.store.people import People
from pipeline.store.photos import FolderPhotographs, photos_named
from pipeline.units import DAY_MS, EVER_MS, MINUTE_MS
from tests.api.site import HOUR_MS, SETTINGS
from tests.browser.conftest import send_now
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
    server: subprocess.Popen[bytes]

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
def field(
    tmp_path_factory: pytest.TempPathFactory, need_program: Callable[[str], str], play: Playwright
) -> Iterator[Field]:
    folder, program = tmp_path_factory.mktemp("field"), need_program("chromium")
    settings = folder / "underturf.toml"
    settings.write_text(f'{SETTINGS}\n[pages]\nhost = "{BOX}"\n', encoding="utf-8")
    with lan() as (box, phone):
        box.run(UNDERTURF, "certificate", "--config", str(settings))
        with (folder / "log").open("w") as log:
            server = subprocess.Popen(
                [*box.entering, UNDERTURF, "serve", "--config", str(settings)], stdout=log, stderr=log
            )
            try:
                wait_until(lambda: "pages_at" in (folder / "log").read_text(), "the pages are served", 60)
                yield Field(box, phone, settings, play, program, server)
            finally:
                server.terminate()
                server.wait(30)


def signed_in(field: Field, page: Page, name: str) -> None:
    """Whoever it is takes the invitation that the command has made, and is signed in."""
    now_ms = SystemClock().now_ms()
    with closing(Database(field.journal)) as base:
        people = People(base, "meadow")
        path = invite(people, add_person(people, name, "keeper", now_ms, by="a test"), now_ms, by="a test")

    def has_opened() -> bool:
        try:
            return page.goto(ADDRESS + path) is not None
        except Error as err:  # of a cable that was just put in the browser hears late
            if "ERR_NETWORK_CHANGED" not in str(err):
                raise
            return False

    wait_until(has_opened, "the invitation is opened")
    page.fill("#password", PASSWORD)
    page.fill("#again", PASSWORD)
    page.get_by_role("button", name="Take it").click()
    page.get_by_text(f"Signed in as {name}.").wait_for()


def test_without_signal_the_last_today_opens_with_its_age(field: Field, tmp_path: Path) -> None:
    """Somebody signs in over HTTPS, by a certificate that the browser itself verifies, and the worker is taken. With
    the cable out Today opens with its time in the head (of nine days ago with its date and age, and nothing as a fact),
    another page with the way to it, and Work after some hours with
    no verdict that still stands, however many pages of the diary were turned meanwhile; signing out leaves neither."""
    phone, kept = field.new_phone(tmp_path / "phone"), "caches.open('pages').then((c) => c.match('/')).then(Boolean)"
    work = kept.replace("'/'", "'/work'")
    with phone.on() as page:
        signed_in(field, page, "Ann")
        assert page.evaluate("isSecureContext") is True
        await_worker(page)
        wait_until(lambda: page.evaluate(kept), "Today is kept")
        page.goto(f"{ADDRESS}/work")
        verdicts = page.locator(VERDICTS).all_inner_texts()
        page.evaluate(TURN)
        wait_until(lambda: page.evaluate(work), "Work is kept")
        field.phone.cable("down")
        try:
            page.goto(ADDRESS)
            now = page.inner_text("#head .now").rpartition(", ")[2]
            assert page.inner_text("#head .age").endswith(f" {now}")
            assert page.inner_text("#head .age").startswith("as it was, ")
            page.goto(f"{ADDRESS}/ground")
            page.get_by_role("heading", name="No link to the box").wait_for()
            page.add_init_script(f"Date.now = ((now) => () => now() + {7 * HOUR_MS})(Date.now)")
            page.goto(f"{ADDRESS}/work")
            assert verdicts
            assert page.locator(VERDICTS).all_inner_texts() == [f"Cannot tell It was: {one}" for one in verdicts]
            page.add_init_script(f"Date.now = ((now) => () => now() + {9 * DAY_MS})(Date.now)")
            page.goto(ADDRESS)
            assert page.inner_text("#head .age").endswith(", 9 days ago")
            said = page.locator(".slices figcaption > span, .many li span, .six ul.why li").all_text_contents()
            assert said and [one for one in said if "It was: " not in one] == []
        finally:
            field.phone.cable("up")
        page.goto(ADDRESS)
        assert not page.inner_text("#head").count("as it was")
        page.get_by_role("button", name="Sign out").click()
        page.get_by_role("heading", name="Sign in").wait_for()
        wait_until(lambda: not page.evaluate(kept), "nothing is left for whoever has the phone next")


def test_a_page_that_was_kept_tells_no_age_once_it_is_fresh_again(field: Field, tmp_path: Path) -> None:
    """With the cable in again it is brought up to date where it stands, and stays so when the next minute comes."""
    phone, kept = field.new_phone(tmp_path / "phone"), "caches.open('pages').then((c) => c.match('/')).then(Boolean)"
    with phone.on() as page:
        signed_in(field, page, "Kit")
        await_worker(page)
        wait_until(lambda: page.evaluate(kept), "Today is kept")
        field.phone.cable("down")
        try:
            page.clock.install(time=(SystemClock().now_ms() + 7 * HOUR_MS) / 1000)
            page.goto(ADDRESS)
            assert page.inner_text("#head .age").startswith("as it was, ")
            assert page.locator("body.old").count() == 1
        finally:
            field.phone.cable("up")
        wait_until(lambda: "as it was" not in page.inner_text("#head"), "it is fresh", 60)
        page.clock.run_for(MINUTE_MS + 1)
        assert "as it was" not in page.inner_text("#head") and page.locator("body.old").count() == 0


TURN = """(async () => { for (let n = 1; n < 30; n += 1) {
  const [older, others] = [`/diary?on=s1&older=${8 * n}`, `/diary?on=s1&rare=${n}`];
  for (const address of [older, others]) await fetch(address, { headers: { Accept: "text/html" } });
} })()"""  # pages of the diary, more of them than are kept
VERDICTS = "main :is(.row p:not(.quiet), .shut-for)"
KEPT = "caches.open('pages').then((c) => c.match('/diary?on=kept')).then(Boolean)"
KEEP_PAGE = "caches.open('pages').then((c) => c.put('/diary?on=kept', new Response('of somebody before')))"


def test_the_next_reader_does_not_get_the_pages_of_the_one_before(field: Field, tmp_path: Path) -> None:
    """What is kept goes when somebody else signs in, opens a link, or has lost the right to read it; and a page that
    was asked for before is not kept when its answer comes after."""
    with closing(Database(field.journal)) as base:
        link = new_link(People(base, "meadow"), "notice board", 1, SystemClock().now_ms(), by="a test")
    with field.new_phone(tmp_path / "phone").on() as page:
        signed_in(field, page, "Eve")
        opened_diary(field, page, "Eve")
        page.evaluate(KEEP_PAGE)
        page.goto(f"{ADDRESS}/sign-in?back=/work")
        page.fill("#name", "Eve")
        page.fill("#password", PASSWORD)
        page.locator("form.door").get_by_role("button", name="Sign in").click()
        page.get_by_text("Signed in as Eve.").wait_for()
        wait_until(lambda: not page.evaluate(KEPT), "it went as somebody signed in")
        late = "fetch('/diary?on=s1', { headers: { Accept: 'text/html' } })"
        field.server.send_signal(signal.SIGSTOP)  # the answer is not there yet as somebody else comes
        try:
            page.evaluate("caches.delete('pages')")
            # requests made at once may come to the worker in either order: each has time to be there
            for asked in (f"late = {late}", "door = fetch('/sign-in', { method: 'POST' })"):
                page.evaluate(f"() => {{ self.{asked}; }}")
                page.evaluate("fetch('/static/icon.svg', { signal: AbortSignal.timeout(500) }).catch(() => 0)")
        finally:
            field.server.send_signal(signal.SIGCONT)
        page.evaluate("Promise.all([late, door])")
        page.evaluate("fetch('/diary', { headers: { Accept: 'text/html' } })")
        paths = "caches.open('pages').then((c) => c.keys()).then((all) => all.map((one) => one.url))"
        wait_until(lambda: f"{ADDRESS}/diary" in page.evaluate(paths), "what was asked for since is kept")
        assert f"{ADDRESS}/diary?on=s1" not in page.evaluate(paths)
        page.evaluate(KEEP_PAGE)
        page.context.clear_cookies()
        assert page.goto(ADDRESS + link).status == 200
        wait_until(lambda: not page.evaluate(KEPT), "it went as a link was opened")
        page.evaluate(KEEP_PAGE)
        assert page.goto(ADDRESS).status == 403
        wait_until(lambda: not page.evaluate(KEPT), "it went as the reader may not read it")


def test_where_the_box_does_not_answer_the_last_today_opens_too(field: Field, tmp_path: Path) -> None:
    """A connection that stands and brings nothing is waited for a while, of the page and of its scripts alike."""
    phone, kept = field.new_phone(tmp_path / "phone"), "caches.open('pages').then((c) => c.match('/')).then(Boolean)"
    with phone.on() as page:
        signed_in(field, page, "Una")
        await_worker(page)
        wait_until(lambda: page.evaluate(kept), "Today is kept")
        field.server.send_signal(signal.SIGSTOP)
        try:
            page.goto(ADDRESS)
            assert page.inner_text("#head .age").startswith("as it was, ")
        finally:
            field.server.send_signal(signal.SIGCONT)


def test_in_the_clear_and_untrusted_nothing_opens(field: Field, tmp_path: Path) -> None:
    """By http:// the browser is told to write https://; one that was not given the authority says so."""
    with field.new_phone(tmp_path / "phone", trusts=False).on() as page:
        answer = page.goto(ADDRESS.replace("https", "http"))
        assert answer.status == 400 and "begin their address with https://" in answer.text()
        assert page.evaluate("isSecureContext") is False
        with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
            page.goto(ADDRESS)


def write_note(page: Page, text: str, photo: Path | None = None) -> None:
    """Write a note in the form of the diary, as a thumb does."""
    page.goto(f"{ADDRESS}/diary?on=s1#note")
    page.fill("#note [name=text]", text)
    if photo is not None:
        page.set_input_files("#note [name=photo]", photo)
    page.locator("#note button.ok").click()
    wait_until(lambda: page.input_value("#note [name=text]") == "", "the form has been taken")


def unsent(page: Page) -> list[str]:
    """What waits in the browser, in its order: the words of each entry and its state."""
    found: list[str] = page.evaluate(
        "unsent.all().then((all) => all.map((one) => one.fields.find(([n]) => n === 'text')[1] + ', ' + one.state))"
    )
    return found


def notes(field: Field, beginning: str) -> list[str]:
    """The notes of one test in the diary, in the order of writing."""
    texts = [str(one.body.get("text")) for one in field.entries()]
    return [text for text in texts if text.startswith(beginning)]


def again_signed_in(field: Field, page: Page, name: str) -> None:
    """Give the browser a session: its cookies go to the disk half a minute late, and it may have been killed before."""
    now_ms = SystemClock().now_ms()
    with closing(Database(field.journal)) as base:
        people = People(base, "meadow")
        person = people.person(name) or add_person(people, name, "keeper", now_ms, by="a test")
        secret = new_session(people, person, now_ms)
    page.context.add_cookies([{"name": SESSION_COOKIE, "value": secret, "url": ADDRESS, "secure": True}])


READY = (
    "Promise.race([navigator.serviceWorker.ready.then(() => true), new Promise((on) => setTimeout(on, 20_000, false))])"
)


def await_worker(page: Page) -> None:
    """Wait for the worker; one whose files did not all come is tried for again by the next page."""
    if not page.evaluate(READY):
        page.reload()
        assert page.evaluate(READY)


def opened_diary(field: Field, page: Page, name: str) -> None:
    """Open the diary of a station as somebody signed in, and wait until the worker keeps it."""
    again_signed_in(field, page, name)
    page.goto(f"{ADDRESS}/diary?on=s1")
    await_worker(page)
    page.reload()
    kept = f"caches.open('pages').then((c) => c.match('{ADDRESS}/diary?on=s1')).then(Boolean)"
    wait_until(lambda: page.evaluate(kept), "the diary is kept")


@pytest.mark.parametrize("count", [6, pytest.param(50, marks=[pytest.mark.soak, pytest.mark.timeout(900)])])
def test_what_is_written_without_signal_is_written_once_each_in_order(field: Field, tmp_path: Path, count: int) -> None:
    """The browser is killed in the middle and at the end; with the cable in again everything is in the diary once, in
    the order and with the times of its writing, every third with its photograph."""
    phone, texts = field.new_phone(tmp_path / "phone"), [f"{count}: number {n}" for n in range(count)]
    half = count // 2
    photos = [tmp_path / f"{n}.jpg" if n % 3 == 0 else None for n in range(count)]
    for n in range(0, count, 3):
        Image.effect_noise((1600, 1200), 60).save(tmp_path / f"{n}.jpg")  # some megabytes in all, as a phone's are
    with phone.on() as page:
        opened_diary(field, page, f"Ann {count}")
        field.phone.cable("down")
        for text, photo in zip(texts[:half], photos, strict=False):
            write_note(page, text, photo)
        phone.kill()
    with phone.on() as page:
        for text, photo in zip(texts[half:], photos[half:], strict=True):
            write_note(page, text, photo)
        page.get_by_text(f"{count} entries wait on this phone").wait_for()
        assert unsent(page) == [f"{text}, waiting" for text in texts]
        phone.kill()
    assert notes(field, f"{count}:") == []
    field.phone.cable("up")
    with phone.on() as page:
        again_signed_in(field, page, f"Ann {count}")
        page.goto(f"{ADDRESS}/diary?on=s1")
        wait_until(lambda: unsent(page) == [], "all are sent", 120)
    assert notes(field, f"{count}:") == texts
    written = [one for one in field.entries() if str(one.body.get("text")).startswith(f"{count}:")]
    times, named = [one.at_ms for one in written], [photos_named(one) for one in written]
    assert list(map(len, named)) == [0 if one is None else 1 for one in photos]
    names = {name for several in named for name in several}
    assert len(names) == len(list(tmp_path.glob("*.jpg")))
    assert FolderPhotographs(field.settings.parent / "data").kept(names) == names
    assert times == sorted(times) and times[-1] > times[0]


def test_the_same_entry_from_two_phones_is_told(field: Field, tmp_path: Path) -> None:
    """Two people write the same watering where there is no signal: both are kept, and the second is told of the first.
    What comes under an identity under which something else is written is not: both are told, and it stays to be
    corrected."""
    one, other = field.new_phone(tmp_path / "one"), field.new_phone(tmp_path / "other")
    with one.on() as first, other.on() as second:
        for page, name, water in ((first, "Fay", "5"), (second, "Gil", "6")):
            opened_diary(field, page, name)
            field.phone.cable("down")
            page.goto(f"{ADDRESS}/diary?on=s1#watering")
            page.fill("#watering [name=water_mm]", water)
            page.locator("#watering button.ok").click()
            page.get_by_text("1 entry waits on this phone").wait_for()
            field.phone.cable("up")
            if page is first:
                wait_until(lambda: unsent_states(first) == [], "the first is sent")
        second.locator("#unsent .fault").get_by_text("Is it the same that is written already?").wait_for()
        assert "water given: 5 mm (Fay)" in second.inner_text("#unsent .fault")
        waterings = [(one.author, one.body["water_mm"]) for one in field.entries() if one.kind == "watering"]
        assert waterings == [("Fay", 5), ("Gil", 6)]
        second.locator("#unsent").get_by_role("button", name="Noted").click()
        second.locator("#unsent").wait_for(state="hidden")
        for page, text in ((first, "of the first"), (second, "of the second")):
            page.evaluate(SAME, text)
            page.evaluate("unsent.send()")
        told = second.locator("#unsent .fault")
        told.get_by_text("Two entries have one identity").wait_for()
        assert "of the first" in told.inner_text() and "of the second" in told.inner_text()
        assert unsent_states(second) == ["refused"] and unsent_states(first) == []
        assert notes(field, "of the ") == ["of the first"]


def unsent_states(page: Page) -> list[str]:
    """The states of what the browser keeps."""
    found: list[str] = page.evaluate("unsent.all().then((all) => all.map((one) => one.state))")
    return found


SAME = """async (text) => { await unsent.keep({
  state: "waiting", sent_as: "one identity", action: "/diary", said: text, at: new Date().toISOString(), form: "note",
  fields: [["kind", "note"], ["surface", "square"], ["station", "s1"], ["text", text], ["sent_as", "one identity"]],
}); }"""
LOSE = """(lost) => { const real = fetch; let told = 0; self.fetch = async (...asked) => {
  const answer = await real(...asked);
  if (String(asked[0]).endsWith("/diary") && told++ < lost) throw new TypeError("lost");
  return answer;
}; }"""
KEEP = """async ([text, named]) => { for (const n of [1, 2]) await unsent.keep({
  state: "waiting", sent_as: `${text} ${n}`, action: "/diary", said: "a note", at: new Date().toISOString(),
  fields: [["kind", "note"], ["surface", "square"], ["station", "s1"], ["text", `${text} ${n}`],
    ["at", new Date().toISOString()], ...(named ? [["sent_as", `${text} ${n}`]] : [])],
}); }"""


def test_an_answer_that_is_lost_makes_no_second_entry(field: Field, tmp_path: Path) -> None:
    """The server has written it and the phone does not know: it sends again, and it is there once. The control, the
    same without an identity, makes a second one."""
    with field.new_phone(tmp_path / "phone").on() as page:
        opened_diary(field, page, "Bob")
        page.evaluate(LOSE, 1)
        for text, named in (("named", True), ("unnamed", False)):
            page.evaluate(KEEP, [text, named])
            outcomes = [page.evaluate("unsent.send()") for _ in range(2)]
            assert outcomes == (["away", "sent"])
            page.evaluate(LOSE, 1)
    assert notes(field, "named") == ["named 1", "named 2"]
    assert notes(field, "unnamed") == ["unnamed 1", "unnamed 1", "unnamed 2"]


def test_a_sign_in_that_ended_and_an_entry_that_is_not_taken(field: Field, tmp_path: Path) -> None:
    """What was written while the sign-in ended waits for another, and is then sent. An entry with a fault stays on the
    phone with its fault, opens in its form again, and is written once it is right."""
    with field.new_phone(tmp_path / "phone").on() as page:
        signed_in(field, page, "Cid")
        opened_diary(field, page, "Cid")
        field.phone.cable("down")
        page.goto(f"{ADDRESS}/diary?on=s1#core")
        page.fill("#core [name=thatch_mm]", "999")
        page.locator("#core button.ok").click()
        page.get_by_text("1 entry waits on this phone").wait_for()
        write_note(page, "signed: a note")
        with closing(Database(field.journal)) as base, base.transaction() as change:
            change.execute("DELETE FROM credential WHERE kind = 'session'")
        field.phone.cable("up")
        page.goto(f"{ADDRESS}/diary?on=s1")
        page.get_by_text("Nobody is signed in: sign in, and it is sent.").wait_for()
        page.locator("#unsent").get_by_role("link", name="Sign in").click()
        page.fill("#name", "Cid")
        page.fill("#password", PASSWORD)
        page.locator("form.door").get_by_role("button", name="Sign in").click()
        page.get_by_text("Signed in as Cid.").wait_for()
        page.get_by_text("Of what was sent from this phone").wait_for()
        assert notes(field, "signed:") == ["signed: a note"] and "999" in page.inner_text("#unsent .fault")
        page.locator("#unsent").get_by_role("button", name="Correct").click()
        wait_until(lambda: page.input_value("#core [name=thatch_mm]") == "999", "it stands in its form")
        page.fill("#core [name=thatch_mm]", "19")
        page.locator("#core button.ok").click()
        wait_until(lambda: page.locator("#unsent").is_hidden(), "nothing waits")
    assert [one.body["thatch_mm"] for one in field.entries() if one.kind == "core"] == [19]


def test_a_keeper_made_a_reader_is_told_that_he_may_not_write(field: Field, tmp_path: Path) -> None:
    """What he wrote waits, with the reason; as a keeper again it is sent."""
    with field.new_phone(tmp_path / "phone").on() as page, closing(Database(field.journal)) as base:
        opened_diary(field, page, "Dee")
        people = People(base, "meadow")
        person = people.person("Dee")
        field.phone.cable("down")
        write_note(page, "role: a note")
        people.set_role(person, "reader", SystemClock().now_ms(), by="a test")
        field.phone.cable("up")
        page.goto(f"{ADDRESS}/work")
        page.get_by_text("Whoever is signed in may read and not write").wait_for()
        assert "Nobody is signed in" not in page.inner_text("#unsent") and notes(field, "role:") == []
        send_now(page, lambda: people.set_role(person, "keeper", SystemClock().now_ms(), by="a test"))
        wait_until(lambda: page.locator("#unsent").is_hidden(), "it is sent")
    assert notes(field, "role:") == ["role: a note"]
