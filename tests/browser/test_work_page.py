"""The work page in a real browser: readable, touchable, marks that are sent, and words that need no script."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.api.advice_by_hand import advice
from tests.api.served import serving
from tests.api.site import Ground, ground_at, readings
from tests.browser.test_pages import CONTRASTS, LEAST_CONTRAST, LEAST_TARGET_PX, LOOKS, WIDTHS
from tests.pipeline.conftest import wait_until

Opens = Callable[..., Any]
TARGETS = """() => [...document.querySelectorAll("nav a, .links a, footer a, summary, button, input")]
  .filter((e) => e.checkVisibility()).map((e) => [e.textContent.trim(), e.getBoundingClientRect().height])"""
# Verdicts by shape: how high each is drawn, and whether it is filled, hatched or dotted, colours left out.
SHAPES = """() => Object.fromEntries(["open", "may_open", "wait", "closed", "cannot_tell"].map((kind) => {
  const cell = document.querySelector(`.legend .seg.${kind}`), after = getComputedStyle(cell, "::after");
  const solid = getComputedStyle(cell).backgroundColor !== "rgba(0, 0, 0, 0)";
  const edge = getComputedStyle(cell).borderTopStyle;
  return [kind, [solid ? "full" : after.height, after.backgroundImage.split("(")[0] + edge, cell.textContent]];
}))"""


@pytest.fixture(scope="module")
def advised(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Two days of readings and advice made by hand."""
    ground = ground_at(tmp_path_factory.mktemp("advised"))
    ground.hear(readings(60, first_hour=420))
    ground.advise(advice())
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
    page.locator("#hours-square summary").click()
    page.locator(".marks summary").first.click()
    assert opened.said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert [(text, r) for text, r in page.evaluate(CONTRASTS) if r < LEAST_CONTRAST] == []
    targets = page.evaluate(TARGETS)
    assert len(targets) > 12 and [(text, h) for text, h in targets if h < LEAST_TARGET_PX] == []


@pytest.mark.parametrize("look", LOOKS)
def test_verdicts_differ_without_their_colours(opens: Opens, place: str, look: str) -> None:
    """No two are of the same height and filling, and each has a letter of its own."""
    page = opens(390, look).page
    page.goto(f"{place}/work")
    shapes = page.evaluate(SHAPES)
    assert len({(height, filling) for height, filling, _ in shapes.values()}) == 5, shapes
    assert [letter for _, _, letter in shapes.values()] == ["O", "M", "W", "C", "?"]


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
    page.locator("#hours-square summary").click()
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
    wait_until(lambda: page.locator("#hours-square").get_attribute("open") is not None, "it is open again")


def test_words_and_calendar_need_no_script(opens: Opens, place: str) -> None:
    """With scripts switched off all is there, the buttons of the alerts too."""
    page = opens(java_script_enabled=False).page
    page.goto(f"{place}/work")
    assert page.get_by_text("Scarifying to 8").first.is_visible()
    box = page.locator(".days").first.bounding_box()
    assert box is not None and box["width"] > 300 and box["height"] > 30
    assert page.locator("svg .curve").count() == 4
    assert page.get_by_role("button", name="Seen").first.is_visible()
