"""The work page in a real browser: readable, touchable, marks that are sent, and words that need no script."""

from __future__ import annotations

import re
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.diary.entry import DiaryEntry
from tests.api.advice_by_hand import advice
from tests.api.served import serving
from tests.api.site import HOUR_MS, NOW_MS, Ground, ground_at, readings
from tests.browser.test_pages import CONTRASTS, LEAST_CONTRAST, LEAST_TARGET_PX, LOOKS, WIDTHS
from tests.pipeline.conftest import wait_until

Opens = Callable[..., Any]
TARGETS = """() => [...document.querySelectorAll("nav a, .links a, footer a, summary, button, input")]
  .filter((e) => e.checkVisibility()).map((e) => [e.textContent.trim(), e.getBoundingClientRect().height])"""
# Verdicts by shape: how high each is drawn, how it is filled and edged, colours left out.
SHAPES = """() => Object.fromEntries(["open", "may_open", "wait", "closed", "cannot_tell"].map((kind) => {
  const mark = document.querySelector(`.legend i.${kind}`), style = getComputedStyle(mark);
  const filled = style.backgroundColor !== "rgba(0, 0, 0, 0)";
  const height = Math.round(mark.getBoundingClientRect().height), filling = style.backgroundImage.split("(")[0];
  return [kind, [height, filled, filling, style.borderTopStyle]];
}))"""
# Each row: its words above or beside its columns and never over them, each column under its day, all within the window.
BOXES = """() => {
  const box = (e) => e.getBoundingClientRect(), apart = (a, b) =>
    a.right <= b.left + 1 || b.right <= a.left + 1 || a.bottom <= b.top + 1 || b.bottom <= a.top + 1;
  const days = [...document.querySelectorAll(".axis .ten > span")].map(box), faults = [];
  for (const row of document.querySelectorAll(".rows .row")) {
    const name = row.querySelector("h3").textContent, ten = row.querySelector(".ten");
    const texts = [...row.querySelectorAll("p, h3")].map(box);
    if (ten && !texts.every((text) => apart(text, box(ten)))) faults.push(`${name}: words over columns`);
    for (const [i, cell] of [...(ten ? ten.children : [])].entries())
      if (Math.abs(box(cell).left - days[i].left) > 1 || box(cell).width < 20) faults.push(`${name}: column ${i}`);
    for (const mark of row.querySelectorAll(".ten i, .ten b"))
      if (box(mark).left < box(mark.closest("span")).left - 1 || box(mark).right > box(mark.closest("span")).right + 1)
        faults.push(`${name}: ${mark.className} beside its day`);
  }
  for (const one of document.querySelectorAll("main *"))
    if (one.checkVisibility() && !one.closest(".scroll") && (box(one).left < -1 || box(one).right > innerWidth + 1))
      faults.push(`${one.nodeName} ${one.className}: beyond the edge`);
  return faults;
}"""


@pytest.fixture(scope="module")
def advised(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Two days of readings and advice made by hand."""
    ground = ground_at(tmp_path_factory.mktemp("advised"))
    ground.hear(readings(60, first_hour=420))
    ground.advise(advice())
    for hours, what in ((8, "scarifying"), (32, "solid_tining"), (54, "verticutting")):
        ground.pipeline.diary.add(
            DiaryEntry("pass", "square", NOW_MS + hours * HOUR_MS, {"pass": what, "state": "booked"})
        )
    yield ground
    ground.pipeline.stop()


@pytest.fixture(scope="module")
def place(advised: Ground) -> Iterator[str]:
    """Where its pages are."""
    with serving(advised.pipeline) as address:
        yield address


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("width", WIDTHS)
def test_the_work_page_is_readable(opens: Opens, place: str, width: int, look: str) -> None:
    """No fault in the console, nothing beyond the edge, every word in enough contrast, all big enough for a thumb."""
    opened = opens(width, look)
    page = opened.page
    page.goto(f"{place}/work")
    page.locator(".marks summary").first.click()
    assert opened.said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert [(text, r) for text, r in page.evaluate(CONTRASTS) if r < LEAST_CONTRAST] == []
    targets = page.evaluate(TARGETS)
    assert len(targets) > 12 and [(text, h) for text, h in targets if h < LEAST_TARGET_PX] == []
    assert page.evaluate(BOXES) == []


@pytest.mark.parametrize("size", [100, 200])
def test_nothing_runs_out_sideways(opens: Opens, place: str, size: int) -> None:
    """At 320 px, and with text twice as large: WCAG 2.2, success criteria 1.4.10 and 1.4.4."""
    page = opens(320 if size == 100 else 390).page
    page.goto(f"{place}/work")
    page.add_style_tag(content=f"html {{ font-size: {106.25 * size / 100}% !important }}")
    page.evaluate("for (const one of document.querySelectorAll('main details')) one.open = true")
    assert page.evaluate(BOXES) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]


def test_what_is_booked_is_seen_before_anything_else(opens: Opens, place: str) -> None:
    """In the first window of a phone, with its verdict; its day is framed, and the days stay in sight."""
    page = opens(390).page
    page.set_viewport_size({"width": 390, "height": 664})
    page.goto(f"{place}/work")
    first = page.locator("#booked .row").first
    bottom = page.locator("nav").bounding_box()["y"]
    assert "Wait: thatch too wet." in first.inner_text()
    box, framed = first.locator(".ten").bounding_box(), first.locator(".ten .on")
    assert box["y"] + box["height"] <= bottom and framed.count() == 1
    edge = framed.evaluate("(e) => getComputedStyle(e, '::before').borderTopStyle")
    assert edge == "solid" and first.locator(".ten > span").first.get_attribute("class") == "on"  # today
    page.evaluate("document.querySelector('#water').scrollIntoView()")
    assert abs(page.locator(".axis").bounding_box()["y"]) < 1


def test_the_work_page_prints_on_three_sheets(opens: Opens, place: str) -> None:
    """Upright A4, without what is closed."""
    page = opens(1280, "dark").page
    page.goto(f"{place}/work")
    pdf = page.pdf(format="A4", print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 3


@pytest.mark.parametrize("look", LOOKS)
def test_verdicts_differ_without_their_colours(opens: Opens, place: str, look: str) -> None:
    """No two are of the same height, filling and edge."""
    page = opens(390, look).page
    page.goto(f"{place}/work")
    shapes = page.evaluate(SHAPES)
    assert len({tuple(shape) for shape in shapes.values()}) == 5 and all(shape[0] >= 4 for shape in shapes.values()), (
        shapes
    )


def test_a_button_beside_an_alert_sends_its_mark(opens: Opens, advised: Ground, place: str) -> None:
    """Seen, snoozed, wrong with why: each is noted in the diary and told on the page without loading it anew."""
    page = opens(390).page
    page.goto(f"{place}/work")
    first = page.locator(".see > li").first
    first.get_by_role("button", name="Seen").click()
    first.get_by_text("Seen 02:00 today.").wait_for()
    first.get_by_role("button", name="Snooze 3 days").click()
    first.get_by_text("Snoozed until Sun 24 Mar 02:00.").wait_for()
    first.locator("summary").click()
    first.get_by_label("Why?").fill("covers were on")
    first.get_by_role("button", name="It is wrong").click()
    first.get_by_text("Called wrong 02:00 today: covers were on.").wait_for()
    entries = advised.pipeline.diary.entries(("mark",), 0, 2**62)
    assert [e.body["mark"] for e in entries] == ["seen", "snoozed", "wrong"]


def test_news_does_not_take_away_what_is_being_written(opens: Opens, advised: Ground, place: str) -> None:
    """While somebody types why, the page stays as it is; what was opened stays open when it is filled anew."""
    page = opens(390).page
    page.goto(f"{place}/work")
    alert = page.locator(".see > li").last
    page.locator("#missing summary").click()
    alert.locator("summary").click()
    alert.get_by_label("Why?").fill("half a sent")
    page.evaluate("window.news = 0; new EventSource('/api/v1/live').addEventListener('change', () => news++)")
    wait_until(lambda: page.evaluate("news") == 1, "the first event has come")
    advised.pipeline.changes.bump("advice")
    wait_until(lambda: page.evaluate("news") == 2, "the news has come")
    assert alert.get_by_label("Why?").input_value() == "half a sent"
    page.evaluate("document.activeElement.blur()")
    with page.expect_response("**/work"):
        advised.pipeline.changes.bump("advice")
    wait_until(lambda: page.locator("#missing").get_attribute("open") is not None, "it is open again")


def test_what_is_booked_for_today_is_done_by_one_button(opens: Opens, tmp_path: Path) -> None:
    """Without a script; over a probe that is not lifted it is refused, then written once, and the booking is gone."""
    ground = ground_at(tmp_path)
    ground.advise(advice())
    body = {"pass": "scarifying", "depth_mm": 8, "state": "booked"}
    for hours in (8, 32):
        ground.pipeline.diary.add(DiaryEntry("pass", "square", NOW_MS + hours * HOUR_MS, body))
    with serving(ground.pipeline) as address:
        page = opens(java_script_enabled=False).page
        page.goto(f"{address}/work")
        assert page.get_by_role("button", name="Done").count() == 1  # not for tomorrow's
        first = page.locator("#booked .row").first.get_attribute("id").removeprefix("booked-")
        page.get_by_role("button", name="Done").click()
        assert "lift" in page.locator("main").inner_text().casefold()
        for station, probe in (("s1", "t1"), ("s1", "p1"), ("s2", "p2")):
            ground.pipeline.diary.add(DiaryEntry("lift", "square", NOW_MS - HOUR_MS, {"probe": probe}, station))
        ground.pipeline.changes.bump("diary")
        page.goto(f"{address}/work")
        page.get_by_role("button", name="Done").click()
        assert page.url == f"{address}/work" and page.locator("#booked .row").count() == 1
        told = {"form": {"back": "/work"}, "headers": {"Origin": address, "Accept": "text/html"}, "max_redirects": 0}
        assert page.request.post(f"{address}/work/{first}/done", **told).status == 303  # pressed twice
        assert page.request.post(f"{address}/work/999/done", **told).status == 404
    made = [e for e in ground.pipeline.diary.entries(("pass",), 0, 2**62) if e.body["state"] == "done"]
    assert [(e.at_ms, e.body["depth_mm"]) for e in made] == [(NOW_MS, 8)]
    ground.pipeline.stop()


def tabbed(page: Any, name: str) -> None:
    """Press the tabulator until the focus stands on what has this name, as a voice would say it."""
    for _ in range(80):
        page.keyboard.press("Tab")
        said = page.evaluate("""() => { const e = document.activeElement;
          return e.ariaLabel || (e.labels && e.labels[0] && e.labels[0].textContent) || e.textContent }""")
        if said.strip().startswith(name):
            return
    raise AssertionError(f"{name} is not reached by the tabulator")


def test_a_pass_is_booked_and_moved_and_withdrawn_by_keyboard_alone(opens: Opens, tmp_path: Path) -> None:
    """From the work page and back; what is made of it is said as soon as something changes, and nothing is written."""
    ground = ground_at(tmp_path)
    ground.advise(advice())
    with serving(ground.pipeline) as address:
        opened = opens(390)
        page = opened.page
        page.goto(f"{address}/work")
        tabbed(page, "Book a pass")
        page.keyboard.press("Enter")
        page.locator("#judged").get_by_text("Go,").wait_for()
        tabbed(page, "Which pass")
        page.keyboard.press("ArrowDown")
        page.keyboard.press("ArrowDown")  # solid tining, shut in season
        page.locator("#judged").get_by_text("Do not:").wait_for()
        tabbed(page, "Depth")
        page.keyboard.type("80")
        page.locator("#judged").get_by_text("Judged as solid tining").wait_for()
        assert ground.pipeline.diary.entries(("pass",), 0, 2**62) == []
        tabbed(page, "Write it down")
        page.keyboard.press("Enter")
        page.wait_for_url("**/work#booked-1")
        tabbed(page, "Change: Solid tining")
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="Change a booking: Square").wait_for()
        tabbed(page, "Depth")
        page.keyboard.press("Control+a")
        page.keyboard.type("60")
        tabbed(page, "Write it anew")
        page.keyboard.press("Enter")
        page.wait_for_url("**/work#booked-2")
        (one,) = ground.pipeline.diary.entries(("pass",), 0, 2**62)
        assert (one.body["pass"], one.body["depth_mm"]) == ("solid_tining", 60)
        tabbed(page, "Change: Solid tining")
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="Change a booking: Square").wait_for()
        tabbed(page, "Withdraw")
        page.keyboard.press("Enter")
        page.get_by_text("No pass and no water is booked from today on.").wait_for()
        assert opened.said == []
    ground.pipeline.stop()


def test_news_leaves_a_half_written_booking_as_it_is(opens: Opens, tmp_path: Path) -> None:
    """Through ten updates the text stays, and the focus in its field, and what is made of it goes on being true."""
    ground = ground_at(tmp_path)
    ground.advise(advice())
    with serving(ground.pipeline) as address:
        page = opens().page
        page.goto(f"{address}/work/book?surface=square")
        page.evaluate("document.body.dataset.every = 0")
        page.locator("#more summary").click()
        page.get_by_label("Which strips").fill("strips 4 to")
        depth = page.get_by_label("Depth, mm")
        depth.fill("1")
        page.locator("#judged").get_by_text("Is it inches?").wait_for()
        depth.press_sequentially("0")
        page.locator("#judged").get_by_text("Scarifying to 10").wait_for()
        for number in range(10):
            taken = (
                "() => { window.took = new Promise((ok) => document.addEventListener('changed', ok, { once: true })) }"
            )
            page.evaluate(taken)
            ground.clock.wall_ms += 60_000
            ground.pipeline.changes.bump("findings")
            page.evaluate("window.took.then(() => 1)")
            assert depth.evaluate("(e) => e === document.activeElement"), number
        assert (depth.input_value(), page.get_by_label("Which strips").input_value()) == ("10", "strips 4 to")
        assert page.locator("#more").get_attribute("open") is not None
        assert "02:10" in page.locator("#head").inner_text()
    ground.pipeline.stop()


def test_a_pass_is_booked_without_a_script(opens: Opens, tmp_path: Path) -> None:
    """One button judges, another writes; a fault is said beside the form, which keeps what was typed."""
    ground = ground_at(tmp_path)
    ground.advise(advice())
    with serving(ground.pipeline) as address:
        page = opens(java_script_enabled=False).page
        page.goto(f"{address}/work/book?surface=square")
        page.get_by_label("Depth, mm").fill("eight")
        page.get_by_role("button", name="Judge it").click()
        assert "found 'eight', expected a number of mm" in page.locator("#judged").inner_text()
        assert page.get_by_label("Depth, mm").input_value() == "eight"
        page.get_by_label("Depth, mm").fill("8")
        page.get_by_label("Day").fill("2024-03-21")
        page.get_by_role("button", name="Judge it").click()
        assert "Wait: thatch too wet." in page.locator("#judged").inner_text()
        page.get_by_role("button", name="Write it down").click()
        assert page.url == f"{address}/work#booked-1"
        for name in ("Lifted", "Begun", "Done"):
            page.get_by_role("button", name=name).first.click()
        assert page.locator("#booked .row").count() == 0
    ground.pipeline.stop()


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("width", WIDTHS)
def test_the_booking_page_is_readable(opens: Opens, place: str, width: int, look: str) -> None:
    """No fault in the console, nothing beyond the edge, words in enough contrast, all big enough for a thumb."""
    opened = opens(width, look)
    page = opened.page
    page.goto(f"{place}/work/book?surface=square&what=solid_tining.needle")
    page.locator("#more summary").click()
    assert opened.said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert [(text, r) for text, r in page.evaluate(CONTRASTS) if r < LEAST_CONTRAST] == []
    assert [(text, h) for text, h in page.evaluate(TARGETS) if h < LEAST_TARGET_PX] == []
    page.set_viewport_size({"width": 320, "height": 664})
    page.add_style_tag(content="html { font-size: 212.5% !important }")
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_the_work_page_comes_in_few_bytes(place: str) -> None:
    """Packed, with style and drawings of two surfaces, at most 10 kB."""
    asked = urllib.request.Request(f"{place}/work", headers={"Accept-Encoding": "gzip"})
    with urllib.request.urlopen(asked, timeout=20) as answer:
        assert answer.headers["Content-Encoding"] == "gzip" and len(answer.read()) <= 10_000


def test_words_and_columns_need_no_script(opens: Opens, place: str) -> None:
    """With scripts switched off all is there, the buttons of the alerts too."""
    page = opens(java_script_enabled=False).page
    page.goto(f"{place}/work")
    assert page.get_by_text("Scarifying to 8").first.is_visible()
    box = page.locator(".rows .ten").first.bounding_box()
    assert box is not None and box["width"] > 300 and box["height"] > 30
    assert page.locator("svg .curve").count() == 4
    assert page.get_by_role("button", name="Seen").first.is_visible()


def test_reasons_of_windows_need_no_dragging_on_a_phone(opens: Opens, place: str) -> None:
    """At 390 px every cell of the tables of windows lies within the window, what would open one under its own word; at
    1280 px they are tables with a head."""
    phone, desk = opens(390).page, opens(1280).page
    for page in (phone, desk):
        page.goto(f"{place}/work/square/windows")
    edges = phone.evaluate("[...document.querySelectorAll('.stacks tbody :is(th, td)')].map((e) => [e.textContent, "
                           "e.getBoundingClientRect().right])")  # fmt: skip
    assert len(edges) > 20 and [one for one in edges if one[1] > 390] == []
    told = "getComputedStyle(document.querySelector('.stacks td[data-head]'), '::before').content"
    assert phone.evaluate(told) == '"What would open it: "' and desk.evaluate(told) == "none"
    assert desk.locator(".stacks thead th").first.is_visible()
