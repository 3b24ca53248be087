"""The diary on a phone: ten tasks with their taps and seconds, the ruler, the keyboard, no script, nothing lost.

Bounds are our own: six taps a task, 20 s a core, 48 px for a thumb in a glove, 8 kB a page.
"""

from __future__ import annotations

import time
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from api.people import add_person, new_session
from api.who import LOOPBACK_COOKIE
from pipeline.diary.entry import DiaryEntry
from tests.api.advice_by_hand import advice
from tests.api.served import serving
from tests.api.site import HOUR_MS, NOW_MS, Ground, ground_at, readings
from tests.browser.conftest import IDLE, send_now
from tests.browser.test_pages import CONTRASTS, LEAST_CONTRAST, LOOKS, WIDTHS
from tests.browser.test_work_page import tabbed
from tests.pipeline.conftest import wait_until

Opens = Callable[..., Any]
MOST_TAPS, CORE_S, GLOVE_PX, PAGE_BYTES = 6, 20.0, 48, 8_000
WIDE = """() => [...document.querySelectorAll("main *")]
  .filter((e) => e.checkVisibility() && e.getBoundingClientRect().right > innerWidth + 1).map((e) => e.outerHTML)"""
TARGETS = """() => [...document.querySelectorAll("main a, nav a, summary, button, input:not([type=hidden]), select")]
  .filter((e) => e.checkVisibility()).map((e) => [e.name || e.textContent.trim(), e.getBoundingClientRect().height])"""


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Two days of readings, an alert, advice made by hand, a core and a pass that is booked for today."""
    made = ground_at(tmp_path_factory.mktemp("diary"))
    made.hear(readings(60, first_hour=420))
    made.advise(advice())
    made.pipeline.diary.add(DiaryEntry("core", "square", NOW_MS - 90 * HOUR_MS, {"thatch_mm": 14, "root_mm": 70}, "s1"))
    booked = {"pass": "scarifying", "variant": "standard", "depth_mm": 8, "state": "booked"}
    made.pipeline.diary.add(DiaryEntry("pass", "square", NOW_MS + 8 * HOUR_MS, booked))
    yield made
    made.pipeline.stop()


@pytest.fixture(scope="module")
def place(ground: Ground) -> Iterator[str]:
    """Where its pages are."""
    with serving(ground.pipeline) as address:
        yield address


def standing(ground: Ground) -> list[tuple[str, Any]]:
    """What stands in the diary."""
    return [(e.kind, dict(e.body)) for e in ground.pipeline.diary.entries(None, 0, 2**62, asked=True)]


@cache
def photograph() -> bytes:
    """A picture as a phone of 12 million points takes it."""
    made = BytesIO()
    Image.effect_noise((3000, 4000), 60).save(made, "JPEG")
    return made.getvalue()


class Thumb:
    """Taps on a page, counted."""

    def __init__(self, page: Any) -> None:
        self.page, self.taps = page, 0

    def on(self, name: str, *, within: str = "main") -> None:
        """Tap what bears this name."""
        one = self.page.locator(within).get_by_text(name, exact=True).locator("visible=true").first
        one.tap()
        self.taps += 1

    def button(self, name: str, *, within: str = "main") -> None:
        self.page.locator(within).get_by_role("button", name=name).locator("visible=true").first.tap()
        self.taps += 1


def core(thumb: Thumb) -> None:
    thumb.on("Core")
    thumb.button("Thatch: more")
    thumb.button("Thatch: more")
    thumb.button("Write it down")


def booked(thumb: Thumb) -> None:
    thumb.on("Pass")
    thumb.on("Book one to come")
    thumb.button("Write it down")


def done(thumb: Thumb) -> None:
    thumb.on("Pass")
    thumb.on("Lifted now")
    thumb.button("Write it down")


def watering(thumb: Thumb) -> None:
    thumb.on("Watering")
    thumb.button("About: more")
    thumb.button("Write it down")


def rain(thumb: Thumb) -> None:
    thumb.on("Rain")
    thumb.button("In the gauge: more")
    thumb.button("Write it down")


def lifted(thumb: Thumb) -> None:
    thumb.on("Probe lifted")
    thumb.on("The north-end probe", within="#lift")
    thumb.button("Write it down")


def returned(thumb: Thumb) -> None:
    thumb.on("Probe back")
    thumb.on("The north-end probe", within="#return")
    thumb.button("Write it down")


def seen(thumb: Thumb) -> None:
    thumb.on("What I see")
    thumb.on("Wilting")
    thumb.button("Write it down")


def photographed(thumb: Thumb) -> None:
    """The camera of a phone opens with the tap on the field; what it takes is given to the page as a file."""
    thumb.on("Note")
    with thumb.page.expect_file_chooser() as chooser:
        thumb.page.locator("#note").get_by_label("Photograph", exact=True).tap()
    chooser.value.set_files({"name": "moles.jpg", "mimeType": "image/jpeg", "buffer": photograph()})
    thumb.taps += 2  # the field, and the release
    thumb.page.locator("#note .picture img").wait_for()
    thumb.page.get_by_label("In your words").tap()
    thumb.taps += 1
    thumb.page.keyboard.type("moles by the gate")
    thumb.button("Write it down")


TASKS: dict[str, tuple[Callable[[Thumb], None], list[tuple[str, dict[str, Any]]]]] = {
    "core": (core, [("core", {"thatch_mm": 16, "root_mm": 70})]),
    "pass booked": (booked, [("pass", {"pass": "scarifying", "variant": "standard", "state": "booked"})]),
    "pass done": (done, [("lift", {"probe": name}) for name in ("t1", "p1", "p2")] + [("pass", {
        "pass": "scarifying", "variant": "standard", "depth_mm": 8, "state": "done", "follows": 2})]),
    "watering": (watering, [("watering", {"water_mm": 5})]),
    "hand rain": (rain, [("rain", {"rain_mm": 5})]),
    "probe lifted": (lifted, [("lift", {"probe": "p1"})]),
    "probe returned": (returned, [("return", {"probe": "p1"})]),
    "what I see": (seen, [("sight", {"what": "wilt", "value": 1})]),
    "photograph with note": (photographed, [("note", {"text": "moles by the gate"})]),
}  # fmt: skip


def test_ten_tasks_take_few_taps_and_each_is_undone(opens: Opens, ground: Ground, place: str) -> None:
    """From the first page; what is written is what was meant, and the button that takes it back leaves no trace."""
    opened = opens(390, has_touch=True)
    page, before, told, _ = opened.page, standing(ground), [], photograph()
    for name, (task, written) in TASKS.items():
        page.goto(place)
        thumb, began = Thumb(page), time.monotonic()
        thumb.on("Diary", within="nav")
        task(thumb)
        undo = page.locator("form.undo button").locator("visible=true").first
        undo.wait_for()
        told.append((name, thumb.taps, time.monotonic() - began))
        found = [one for one in standing(ground) if one not in before]
        photos = [photo for _, body in found for photo in body.pop("photos", [])]
        assert found == written and len(photos) == (task is photographed), name
        for photo in photos:
            with Image.open(BytesIO(page.request.get(f"{place}/photos/{photo}").body())) as picture:
                assert picture.size == (1500, 2000)  # upright as it was, made smaller
        assert thumb.taps <= MOST_TAPS, told
        with page.expect_response("**/diary/undone"):
            undo.tap()
        assert standing(ground) == before, name
    page.goto(place)
    began, alert = time.monotonic(), page.locator(".see > li").first
    alert.get_by_role("button", name="Snooze 3 days").tap()
    alert.get_by_role("button", name="Undo").wait_for()
    told.append(("alert snoozed", 1, time.monotonic() - began))
    with page.expect_response("**/diary/undone"):
        alert.get_by_role("button", name="Undo").tap()
    assert standing(ground) == before and opened.said == []
    print("\n" + "\n".join(f"{name}: {taps} taps, {seconds:.1f} s" for name, taps, seconds in told))
    assert told[0][2] < CORE_S and len(told) == 10


def test_the_core_is_pulled_on_its_ruler(opens: Opens, place: str) -> None:
    """The edge follows the finger by whole millimetres, roots by five; the field and the drawing say the same."""
    page = opens(390).page
    page.goto(f"{place}/diary?on=s1#core")
    box = page.locator(".corebox svg").bounding_box()
    scale, head = 1.7, 12.0  # px a mm and down to the leaf, as the drawing has them
    for name, from_mm, to_mm, expected in (("thatch_mm", 14, 22, "22"), ("root_mm", 70, 91, "90")):
        x = box["x"] + 90
        page.mouse.move(x, box["y"] + head + from_mm * scale)
        page.mouse.down()
        page.mouse.move(x, box["y"] + head + to_mm * scale, steps=4)
        page.mouse.up()
        assert page.locator(f"#core [name={name}]").input_value() == expected
    edge = page.locator("[data-draw=edge]").get_attribute("d")
    assert edge == f"M32 {head + 22 * scale:g}H150"


def test_a_figure_is_asked_about_beside_its_field(opens: Opens, ground: Ground, place: str) -> None:
    """Nothing is written until it is said to be right; typed anew it is an entry like any other."""
    before = standing(ground)
    page = opens(390).page
    page.goto(f"{place}/diary?on=s1#core")
    thatch = page.locator("#core [name=thatch_mm]")
    thatch.fill("1")
    page.locator("#core .ok").click()
    page.locator("#core .step .fault").get_by_text("Is it inches?").wait_for()
    assert page.locator("#core .ok").inner_text() == "It is right: write it down" and standing(ground) == before
    thatch.fill("11")
    assert "Square, north end" in page.locator("#core .ok").inner_text()
    thatch.fill("thick")
    page.locator("#core .ok").click()
    page.locator("#core .step .fault").get_by_text("Found 'thick'").wait_for()
    assert thatch.input_value() == "thick" and standing(ground) == before
    thatch.fill("1")
    page.locator("#core .ok").click()
    page.get_by_role("button", name="It is right: write it down").click()
    page.locator("#undo button").click()
    page.locator("#undo button").wait_for(state="detached")
    assert standing(ground) == before


def test_a_pass_asks_at_once_for_the_probes_in_its_way(opens: Opens, place: str) -> None:
    """As soon as it is picked; a brush meets none."""
    page = opens(390).page
    page.goto(f"{place}/diary?on=s1#pass")
    page.get_by_text("Scarifying to 8 mm", exact=True).click()
    page.locator(".way").get_by_text("Lift the north-end thatch probe").wait_for()
    page.locator("#pass summary", has_text="Another pass").click()
    page.locator("#pass").get_by_text("Brushing", exact=True).click()
    page.locator(".way").wait_for(state="hidden")


def test_what_cannot_be_sent_waits_in_the_browser(opens: Opens, ground: Ground, place: str) -> None:
    """Without an answer the form is free again and what was in it waits, with the way to discard it; it is sent before
    what is written next."""
    page = opens(390, service_workers="block").page  # so that the test can be in the way
    page.clock.set_fixed_time(ground.clock.now_ms() / 1000)  # the phone has the time of this ground
    page.goto(f"{place}/diary?on=s1#watering")
    page.route("**/diary", lambda route: route.abort())
    for water in ("7", "8"):
        page.locator("#watering [name=water_mm]").fill(water)
        page.locator("#watering .ok").click()
        wait_until(lambda: page.input_value("#watering [name=water_mm]") == "", "the form is free again")
        page.goto(f"{place}/diary?on=s1#watering")
    page.get_by_text("2 entries wait on this phone").wait_for()
    page.get_by_role("button", name="Discard").first.click()
    page.get_by_role("button", name="Discard it: it is written nowhere else").click()
    page.get_by_text("1 entry waits on this phone").wait_for()
    assert not page.locator("#unsent").get_by_role("link", name="Sign in").is_visible()
    page.unroute("**/diary")
    page.locator("#watering [name=water_mm]").fill("9")
    page.locator("#watering .ok").click()
    page.locator("#unsent").wait_for(state="hidden")
    written = sorted(ground.pipeline.diary.entries(["watering"], 0, 2**60), key=lambda e: e.id)[-2:]
    assert [e.body["water_mm"] for e in written] == [8, 9]
    for entry in written:
        ground.pipeline.diary.strike(entry.id, ground.clock.now_ms())


QUEUE = "unsent.all().then((all) => all.map((one) => [one.sent_as, one.state]))"


def test_over_what_the_box_fails_nothing_else_waits_for_ever(opens: Opens, ground: Ground, place: str) -> None:
    """A core over which the server fails three times stays on the phone and says so, to be corrected, sent or
    discarded; what was written after it is sent then, and it too once the server can."""
    page = waiting_cores(opens, ground, place, "failing", "behind")

    def fails(route: Any) -> None:
        route.fulfill(status=500) if b"failing" in route.request.post_data_buffer else route.continue_()

    page.unroute("**/diary")
    page.route("**/diary", fails)
    states = []
    for _ in range(3):
        page.evaluate("unsent.send()")
        states.append(dict(page.evaluate(QUEUE)).get("failing"))
    assert states == ["waiting", "waiting", "refused"] and ground.pipeline.diary.sent_as("failing") is None
    wait_until(lambda: ground.pipeline.diary.sent_as("behind"), "what is behind it is written")
    one = page.locator("#unsent li", has_text="failing")
    one.get_by_text("The box failed over it three times").wait_for()
    buttons = one.get_by_role("button").all_inner_texts()
    assert buttons == ["Send it as it is", "Correct", "Discard"] and page.locator("#unsent li").count() == 1
    page.unroute("**/diary")
    one.get_by_role("button", name="Send it as it is").click()
    wait_until(lambda: ground.pipeline.diary.sent_as("failing"), "it is written")
    for text in ("failing", "behind"):
        ground.pipeline.diary.strike(ground.pipeline.diary.sent_as(text).id, ground.clock.now_ms())


PHOTO = """unsent.all().then(async (all) => { const [[, file]] = all[0].files;
  const made = await createImageBitmap(file);
  return [file.size, made.width, made.height]; })"""


def test_a_photograph_comes_through_a_weak_link(opens: Opens, ground: Ground, place: str) -> None:
    """What a camera takes is made as small as the server keeps it before it is kept on the phone, but whole where its
    place is to be kept. On a link over which it takes longer than the usual time for an answer it is sent all the
    same (both times shortened here), and what is behind it after it."""
    page = opens(390, service_workers="block").page
    page.clock.set_system_time(ground.clock.now_ms() / 1000)
    page.route(
        "**/static/unsent.js",
        lambda route: route.fulfill(
            body=route.fetch().text().replace("60_000", "1_500"), content_type="text/javascript"
        ),
    )
    page.goto(f"{place}/diary?on=s1")
    page.route("**/diary", lambda route: route.abort())
    camera, sizes = {"name": "core.jpg", "mimeType": "image/jpeg", "buffer": photograph()}, []
    for whole in (True, False):
        page.goto(f"{place}/diary?on=s1#note")
        page.fill("#note [name=text]", f"weak {whole}")
        page.set_input_files("#note [name=photo]", camera)
        page.locator("#note").get_by_label("Keep where it was taken").set_checked(whole)
        page.locator("#note button.ok").click()
        page.get_by_text("1 entry waits on this phone").wait_for()
        sizes.append(page.evaluate(PHOTO))
        if whole:
            page.evaluate("unsent.all().then((all) => unsent.drop(all[0].sent_as))")
    assert sizes[0] == [len(photograph()), 3000, 4000] and sizes[1][1:] == [1500, 2000]
    assert sizes[1][0] < len(photograph()) / 2
    page.fill("#note [name=text]", "weak after")
    page.locator("#note button.ok").click()
    page.get_by_text("2 entries wait on this phone").wait_for()
    line = page.context.new_cdp_session(page)
    line.send("Network.enable")
    slow = {"offline": False, "latency": 30, "downloadThroughput": -1, "uploadThroughput": sizes[1][0] / 4}
    line.send("Network.emulateNetworkConditions", slow)
    send_now(page, lambda: page.unroute("**/diary"))
    page.locator("#unsent").wait_for(state="hidden")
    written = sorted(ground.pipeline.diary.entries(["note"], 0, 2**60), key=lambda e: e.id)[-2:]
    assert [e.body["text"] for e in written] == ["weak False", "weak after"] and len(written[0].body["photos"]) == 1
    for entry in written:
        ground.pipeline.diary.strike(entry.id, ground.clock.now_ms())


def test_an_edit_that_comes_too_late_is_a_new_entry(opens: Opens, ground: Ground, place: str) -> None:
    """Somebody else has changed it meanwhile: that is told, and sent once more it is written beside what stands. What
    was pressed without a connection to take it back is not taken back, says so, and can be pressed again."""
    diary, now_ms = ground.pipeline.diary, ground.clock.now_ms()
    old = diary.add(DiaryEntry("note", "square", now_ms, {"text": "first"}))
    page = opens(390, service_workers="block").page
    page.clock.set_fixed_time(now_ms / 1000)
    page.goto(f"{place}/diary/{old.id}")
    other = diary.write_anew(old.id, DiaryEntry("note", "square", now_ms, {"text": "of another"}), now_ms)
    page.fill("#note [name=text]", "my long words")
    page.locator("#note .ok").click()
    page.locator("#note .fault").get_by_text("Written down now it is a new entry").wait_for()
    page.goto(f"{place}/diary?on=s1")
    page.locator("#unsent .fault").get_by_text("Written down now it is a new entry").wait_for()
    page.locator("#unsent").get_by_role("button", name="Correct").click()
    wait_until(lambda: page.input_value("#note [name=text]") == "my long words", "it stands in its form")
    page.locator("#note .ok").click()
    undo = page.locator("#undo form")
    undo.get_by_text("my long words").wait_for()
    assert [e.body["text"] for e in diary.entries(["note"], now_ms, now_ms + 1)] == ["of another", "my long words"]
    page.route("**/diary/undone", lambda route: route.abort())
    undo.get_by_role("button").click()
    undo.get_by_text("Not taken back: no connection.").wait_for()
    page.unroute("**/diary/undone")
    undo.get_by_role("button").click()
    undo.wait_for(state="detached")
    assert [e.id for e in diary.entries(["note"], now_ms, now_ms + 1)] == [other.id]
    page.goto(f"{place}/diary/{old.id}")
    assert page.url == f"{place}/diary/{other.id}"
    page.route("**/withdrawn", lambda route: route.abort())
    page.get_by_role("button", name="Withdraw it").click()
    page.get_by_text("1 entry waits on this phone").wait_for()
    send_now(page, lambda: page.unroute("**/withdrawn"))
    page.locator("#unsent").wait_for(state="hidden")
    assert diary.entry(other.id) is None


def test_what_somebody_wrote_is_his_on_a_phone_that_another_uses(opens: Opens, tmp_path: Path) -> None:
    """Who signs out is told what is not sent. The door tells the number alone; another may send it as his own, but
    neither correct nor discard it; and it is sent as soon as its writer is signed in again."""
    made = ground_at(tmp_path)
    people, now_ms = made.pipeline.people, made.clock.now_ms()
    ann, bob = (add_person(people, name, "keeper", now_ms, by="a test") for name in ("Ann", "Bob"))
    with serving(made.pipeline) as address:
        page = opens(390, service_workers="block").page
        page.clock.set_fixed_time(now_ms / 1000)

        def signed_in(person: Any) -> None:
            secret = new_session(people, person, now_ms)
            page.context.add_cookies([{"name": LOOPBACK_COOKIE, "value": secret, "url": address}])

        signed_in(ann)
        page.goto(f"{address}/diary?on=s1#note")
        page.route("**/diary", lambda route: route.abort() if route.request.method == "POST" else route.continue_())
        page.fill("#note [name=text]", "Ann saw disease")
        page.locator("#note .ok").click()
        unsent = page.locator("#unsent")
        unsent.get_by_text("Ann saw disease").wait_for()
        page.get_by_role("button", name="Sign out").click()
        page.get_by_text("1 entry is not sent yet.").wait_for()
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_url("**/sign-in*")
        unsent.get_by_text("1 entry waits on this phone").wait_for()
        assert "Ann saw" not in unsent.inner_text()
        page.unroute("**/diary")
        signed_in(bob)
        page.goto(f"{address}/diary?on=s1")
        unsent.get_by_role("button", name="Send it as mine").wait_for()
        assert unsent.get_by_text("Ann saw disease").is_visible()
        assert unsent.get_by_role("button", name="Correct").count() == 0
        assert unsent.get_by_role("button", name="Discard").count() == 0
        signed_in(ann)
        page.goto(f"{address}/diary?on=s1")
        wait_until(lambda: standing(made), "it is sent")
    assert [e.author for e in made.pipeline.diary.entries(None, 0, 2**62)] == ["Ann"]
    made.pipeline.stop()


IDENTITY = "import('/static/offline.js').then((all) => all.identify(document.getElementById('core')))"
CORE = """async ([texts, at]) => { for (const text of texts) await unsent.keep({
  state: "waiting", sent_as: text, action: "/diary", page: "/diary?on=s1", form: "core",
  said: text, at, fields: [["kind", "core"], ["surface", "square"], ["station", "s1"], ["thatch_mm", "13"],
    ["at", at], ["sent_as", text]],
  files: [["photo", new File([await (await fetch("/static/icon-192.png")).blob()], "core.png"), "core.png"]],
}); }"""


def waiting_cores(opens: Opens, ground: Ground, place: str, *texts: str) -> Any:
    """A page on which cores wait that were cut an hour ago, each with its photograph; the box does not answer."""
    page = opens(390, service_workers="block").page  # so that the test can be in the way
    page.clock.set_fixed_time(ground.clock.now_ms() / 1000)  # the phone has the time of this ground
    page.goto(f"{place}/diary?on=s1")
    page.route("**/diary", lambda route: route.abort())
    at = datetime.fromtimestamp((ground.clock.now_ms() - HOUR_MS + 1) / 1000, UTC).isoformat("T", "milliseconds")
    page.evaluate(CORE, [texts, at.replace("+00:00", "Z")])
    with page.expect_event("requestfailed", lambda request: request.method == "POST"):
        page.reload()  # it has tried by itself, so that it is the test alone that sends
    wait_until(lambda: page.evaluate(IDLE), "nothing is being sent")
    return page


def test_what_is_corrected_keeps_its_time_and_its_photograph(opens: Opens, ground: Ground, place: str) -> None:
    """A core of an hour ago, corrected while it waits: it is not sent until it is right, then with the time at which it
    was cut and with its picture, which is shown meanwhile. The other one, corrected to nothing, is sent as it is."""
    page = waiting_cores(opens, ground, place, "first", "second")
    one = page.locator("#unsent li", has_text="first")
    one.get_by_role("button", name="Correct").click()
    wait_until(lambda: page.input_value("#core [name=thatch_mm]") == "13", "it stands in its form")
    page.locator("#core .picture img").wait_for()
    page.locator("#unsent li", has_text="second").get_by_role("button", name="Correct").click()
    page.get_by_text("It is not sent while it is corrected.").nth(1).wait_for()
    send_now(page, lambda: page.unroute("**/diary"))
    wait_until(lambda: page.evaluate(IDLE), "all that can be sent is")
    page.get_by_text("2 entries wait on this phone").wait_for()
    assert ground.pipeline.diary.sent_as("first") is None
    page.locator("#unsent li", has_text="second").get_by_role("button", name="Send it as it is").click()
    page.get_by_text("1 entry waits on this phone").wait_for()
    one.get_by_role("button", name="Correct").click()
    wait_until(lambda: page.evaluate(IDENTITY) == "first", "it stands in its form")
    page.fill("#core [name=thatch_mm]", "15")
    page.locator("#core .ok").click()
    wait_until(lambda: ground.pipeline.diary.sent_as("first"), "it is written")
    page.locator("#unsent").wait_for(state="hidden")
    found = {text: ground.pipeline.diary.sent_as(text) for text in ("first", "second")}
    for text, thatch_mm in (("first", 15), ("second", 13)):
        assert found[text].body["thatch_mm"] == thatch_mm
        assert found[text].at_ms == ground.clock.now_ms() - HOUR_MS + 1, "to the millisecond"
        assert len(found[text].body["photos"]) == 1
        ground.pipeline.diary.strike(found[text].id, ground.clock.now_ms())


def test_what_stands_otherwise_on_the_server_is_corrected_under_a_new_identity(
    opens: Opens, ground: Ground, place: str
) -> None:
    """Its first sending was written and its answer lost, and it was corrected: that is told once and not for ever."""
    entry = DiaryEntry("core", "square", ground.clock.now_ms(), {"thatch_mm": 17}, "s1", sent_as="taken")
    old = ground.pipeline.diary.add(entry)
    page = waiting_cores(opens, ground, place, "taken")
    send_now(page, lambda: page.unroute("**/diary"))
    page.locator("#unsent .fault").get_by_text("Two entries have one identity").wait_for()
    page.locator("#unsent").get_by_role("button", name="Correct").click()
    wait_until(lambda: page.input_value("#core [name=thatch_mm]") == "13", "it stands in its form")
    identity = page.evaluate(IDENTITY)
    page.locator("#core .ok").click()
    wait_until(lambda: ground.pipeline.diary.sent_as(identity), "it is written")
    page.locator("#unsent").wait_for(state="hidden")
    new = ground.pipeline.diary.sent_as(identity)
    assert identity != "taken" and new.body["thatch_mm"] == 13 and len(new.body["photos"]) == 1
    for one in (old, new):
        ground.pipeline.diary.strike(one.id, ground.clock.now_ms())


def offline(opened: Any, ground: Ground, address: str, minutes_ago: int) -> Any:
    """A page that is open as the box goes out of reach, on a phone with the time of the ground some minutes ago."""
    page = opened.page
    page.clock.set_fixed_time(ground.clock.now_ms() / 1000 - 60 * minutes_ago)
    page.goto(address)
    page.route("**/*", lambda route: route.abort() if route.request.method == "POST" else route.continue_())
    return page


def test_marks_buttons_and_bookings_wait_as_entries_do(opens: Opens, ground: Ground, place: str) -> None:
    """What is made of an alert, that probes are lifted and a pass is begun, and another booked: each says that it
    waits, and is written once with the time at which it was pressed, though the answer to each first sending is lost.
    Another phone on which the pass was begun too is told that it was."""
    before = ground.pipeline.diary.entries(None, 0, 2**62)
    page, other = (offline(opens(390, service_workers="block"), ground, f"{place}/work", ago) for ago in (30, 20))
    other.locator("#booked").get_by_role("button", name="Begun").click()
    page.locator(".see > li").first.get_by_role("button", name="Seen").click()
    page.locator(".see .told").get_by_text("Unsent. Sent as soon as the box is reached").wait_for()
    page.locator("#booked").get_by_role("button", name="Lifted").click()
    page.get_by_text("2 entries wait on this phone").wait_for()
    page.locator("#booked").get_by_role("button", name="Begun").click()
    page.get_by_text("3 entries wait on this phone").wait_for()
    page.goto(f"{place}/work/book?surface=square&what=light_raking.standard")
    page.locator("#more summary").click()
    page.fill("#strips", "4 to 6")
    page.get_by_role("button", name="Write it down").click()
    page.get_by_text("4 entries wait on this phone").wait_for()
    said = page.locator("#unsent li b").all_inner_texts()
    assert [line.partition(": ")[0] for line in said] == ["Seen", "Lifted", "Begun", "Book a pass"], said
    assert "Which strips 4 to 6" in said[3] and page.locator("#unsent").get_by_text("Correct").count() == 1
    lost = set()

    def new() -> list[DiaryEntry]:
        found = [e for e in ground.pipeline.diary.entries(None, 0, 2**62) if e not in before]
        return sorted(found, key=lambda e: e.id)

    def written_and_lost(route: Any) -> None:
        if route.request.method != "POST" or route.request.url in lost:
            return route.continue_()
        lost.add(route.request.url)
        route.fetch()
        return route.abort()

    def frees_the_way() -> None:
        page.unroute_all()
        page.route("**/*", written_and_lost)

    unsent = page.locator("#unsent")
    send_now(page, frees_the_way)
    wait_until(lambda: page.evaluate(IDLE), "all that can be sent is")
    while unsent.is_visible():
        unsent.locator("button", has_text="Send now").evaluate("(button) => button.click()")
        wait_until(lambda: page.evaluate(IDLE), "all that can be sent is")
    assert len(lost) == 4
    written = new()
    kinds = [next(e.body[key] for key in ("state", "mark", "probe") if key in e.body) for e in written]
    assert kinds == ["seen", "t1", "p1", "p2", "begun", "booked"]
    pressed_ms = ground.clock.now_ms() - 30 * 60_000
    assert {e.at_ms for e in written if e.body.get("state") != "booked"} == {pressed_ms}
    send_now(other, other.unroute_all)
    other.locator("#unsent .fault").get_by_text("It was written already, and stands as it was: ").wait_for()
    other.locator("#unsent").get_by_role("button", name="Noted").click()
    other.locator("#unsent").wait_for(state="hidden")
    assert new() == written
    for entry in written:
        ground.pipeline.diary.strike(entry.id, ground.clock.now_ms())


def test_thatch_is_measured_on_a_photograph_by_four_touches(opens: Opens, place: str, tmp_path: Path) -> None:
    """A picture of 10 points a millimetre: two touches 50 mm apart on the ruler, two on a thatch of 14 mm (drawn so).
    Touches are whole points of a window of 390, so that a millimetre is the tolerance."""
    picture = Image.new("RGB", (800, 1000), "white")
    picture.paste("brown", (400, 300, 700, 440))
    picture.save(tmp_path / "core.png")
    opened = opens(390)
    page = opened.page
    page.goto(f"{place}/diary?on=s1#core")
    page.set_input_files("#core [name=photo]", tmp_path / "core.png")
    shown = page.locator("#core .picture img")
    wait_until(lambda: (shown.bounding_box() or {"height": 0})["height"] > 200, "the picture is shown")
    scale = shown.bounding_box()["width"] / 800
    for x, y in ((100, 300), (100, 800), (500, 300), (500, 440)):
        page.locator("#core .picture").click(position={"x": x * scale, "y": y * scale})
    page.get_by_text("is in the field of the thatch").wait_for()
    assert float(page.input_value("#core [name=thatch_mm]")) == pytest.approx(14, abs=1)
    page.fill("#core .measure input", "100")
    assert float(page.input_value("#core [name=thatch_mm]")) == pytest.approx(28, abs=1)
    page.screenshot(path=tmp_path / "measured.png")
    assert opened.said == []


def test_where_the_browser_keeps_nothing_the_form_stays(opens: Opens, place: str) -> None:
    """Without an answer it says that nothing is written, and what was typed is in it."""
    page = opens(390).page
    page.add_init_script("Object.defineProperty(self, 'indexedDB', { value: undefined })")
    page.goto(f"{place}/diary?on=s1#watering")
    page.locator("#watering [name=water_mm]").fill("7")
    page.route("**/diary", lambda route: route.abort())
    page.locator("#watering .ok").click()
    page.locator("#watering .fault").get_by_text("Nothing is written; what you typed stays.").wait_for()
    assert page.locator("#watering [name=water_mm]").input_value() == "7"


def test_a_core_is_written_and_changed_without_a_script(opens: Opens, tmp_path: Path) -> None:
    """By links and plain forms; what is wrong stands beside its field, and what was typed stays."""
    made = ground_at(tmp_path)
    with serving(made.pipeline) as address:
        page = opens(java_script_enabled=False).page
        page.goto(f"{address}/diary")
        page.get_by_role("link", name="Core").click()
        page.locator("#core [name=thatch_mm]").fill("1")
        page.locator("#core .ok").click()
        page.get_by_text("Is it inches?").wait_for()
        page.get_by_role("button", name="It is right: write it down").click()
        page.locator("#list a").first.click()
        page.locator("#core [name=thatch_mm]").fill("12")
        page.get_by_role("button", name="Write it anew").click()
        assert "thatch 1\N{NO-BREAK SPACE}mm" in page.locator("s").inner_text()
        page.get_by_role("link", name="To the diary").click()
        page.get_by_role("button", name="Undo").click()
        assert "thatch 1\N{NO-BREAK SPACE}mm" in page.locator("#list").inner_text()
        assert not page.locator(".step button").first.is_visible()
    made.pipeline.stop()


@pytest.mark.parametrize(("kind", "field", "key", "written"), [
    ("Watering", "About: more", "Enter", "water given: 5 mm"), ("Core", "Thatch: more", "Space", "thatch 15 mm"),
    ("What I see", "Firm, no mark", "ArrowDown", "faint mark"),
])  # fmt: skip
def test_an_entry_is_written_by_keyboard_alone(
    opens: Opens, ground: Ground, place: str, kind: str, field: str, key: str, written: str
) -> None:
    """By tabulator, enter and space, and taken back so."""
    before = standing(ground)
    opened = opens(390)
    page = opened.page
    page.goto(f"{place}/diary?on=s1")
    tabbed(page, kind)
    page.keyboard.press("Enter")
    tabbed(page, field)
    page.keyboard.press(key)
    tabbed(page, "Write it down")
    page.keyboard.press("Enter")
    page.locator("#undo").get_by_text(written).wait_for()
    tabbed(page, "Undo")
    with page.expect_response("**/diary/undone"):
        page.keyboard.press("Enter")
    assert standing(ground) == before and opened.said == []


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("width", WIDTHS)
def test_the_diary_is_readable(opens: Opens, place: str, width: int, look: str) -> None:
    """Each form: nothing beyond the edge, words in enough contrast, all big enough for a thumb; twice as large too."""
    opened = opens(width, look)
    page = opened.page
    for kind in ("", "core", "pass", "sight", "moisture", "fixture", "note"):
        page.goto(f"{place}/diary?on=s1#{kind}")
        page.evaluate("for (const one of document.querySelectorAll('form:target details')) one.open = true")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, kind
        assert [(text, r) for text, r in page.evaluate(CONTRASTS) if r < LEAST_CONTRAST] == []
        assert [(text, h) for text, h in page.evaluate(TARGETS) if h < GLOVE_PX] == [], kind
    assert opened.said == []
    page.set_viewport_size({"width": 320, "height": 664})
    page.add_style_tag(content="html { font-size: 212.5% !important }")
    assert page.evaluate(WIDE) == []


def test_the_diary_comes_in_few_bytes(place: str) -> None:
    """Packed, with every form in it."""
    asked = urllib.request.Request(f"{place}/diary?on=s1", headers={"Accept-Encoding": "gzip"})
    with urllib.request.urlopen(asked, timeout=20) as answer:
        assert answer.headers["Content-Encoding"] == "gzip" and len(answer.read()) <= PAGE_BYTES
