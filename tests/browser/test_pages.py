"""The pages in a real browser: drawn, readable, touchable, printable, and complete in words when a part is missing."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from typing import Any

import pytest

from api import live
from tests.api.served import serving
from tests.api.site import HOUR_MS, NOW_MS, Ground, ground_at, readings

Opens = Callable[..., Any]
WIDTHS, LOOKS = (390, 1280), ("light", "dark")
LEAST_CONTRAST = 4.5  # WCAG 2.2, success criterion 1.4.3, for text of ordinary size
LEAST_TARGET_PX = 44  # WCAG 2.2, success criterion 2.5.5: a thumb in a wet glove

# Contrast by the formula of WCAG 2.2 (relative luminance), of every text against the nearest opaque ground behind it.
CONTRASTS = """() => {
  const channel = (c) => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
  const rgba = (text) => text.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const c = rgba(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] > 0.99) return c;
    }
    return [255, 255, 255];
  };
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement, text = walk.currentNode.textContent.trim();
    if (!text || !e.checkVisibility() || e.closest("script, style")) continue;
    const inDrawing = e.closest("svg");
    const ink = luminance(rgba(inDrawing ? getComputedStyle(e).fill : getComputedStyle(e).color));
    const paper = luminance(ground(e));
    found.push([text, (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05)]);
  }
  return found;
}"""
TARGETS = """() => [...document.querySelectorAll("nav a, .spans a, footer a, .others a, summary, button, input")]
  .filter((e) => e.checkVisibility()).map((e) => [e.textContent.trim(), e.getBoundingClientRect().height])"""
PATHS = ("/", "/stations/s1", "/stations/s2", "/stations/o1", "/stations/s1?days=366")


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("width", WIDTHS)
def test_every_page_is_readable(opens: Opens, address: str, width: int, look: str) -> None:
    """On a phone and on a desk, light and dark: no fault in the console, nothing beyond the edge, every word in enough
    contrast, everything to be touched big enough."""
    opened = opens(width, look)
    page = opened.page
    for path in PATHS:
        page.goto(f"{address}{path}")
        page.evaluate("for (const one of document.querySelectorAll('main details')) one.open = true")
        assert opened.said == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        assert [(text, round(r, 2)) for text, r in page.evaluate(CONTRASTS) if r < LEAST_CONTRAST] == []
        assert [(text, h) for text, h in page.evaluate(TARGETS) if h < LEAST_TARGET_PX] == []


@pytest.mark.parametrize("size", [100, 200])
def test_a_station_does_not_run_out_sideways(opens: Opens, address: str, size: int) -> None:
    """At 320 px, and with text twice as large: WCAG 2.2, success criteria 1.4.10 and 1.4.4."""
    page = opens(320 if size == 100 else 390).page
    for path in PATHS[1:]:
        page.goto(f"{address}{path}")
        page.add_style_tag(content=f"html {{ font-size: {106.25 * size / 100}% !important }}")
        assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"], path


def test_words_and_drawings_need_no_script(opens: Opens, address: str) -> None:
    """With scripts switched off the alert, the slice, the picture and the numbers are there; the slider is not."""
    page = opens(java_script_enabled=False).page
    page.goto(f"{address}/stations/s1")
    assert page.get_by_text("thatch still holds water").first.is_visible()
    for drawing in (".big svg", ".dt svg"):
        box = page.locator(drawing).first.bounding_box()
        assert box is not None and box["height"] > 200 and box["width"] > 200
    page.locator("#numbers summary").click()
    assert page.get_by_role("row", name="35 mm").first.is_visible()
    assert not page.locator("#turn").is_visible()


def test_the_slice_turns_back_to_any_past_hour(opens: Opens, address: str) -> None:
    """By the keys and by a finger on the picture: labels, sentence and the edge of the water are those that the data
    have for that hour; back at the end it is as the server drew it."""
    page = opens(1280).page
    page.goto(f"{address}/stations/s1")
    edge, label = page.locator('.big [data-draw="edge"]'), page.locator('[data-way="s1/p1/moisture_035"]')
    drawn, now = edge.get_attribute("d"), label.text_content()
    told = page.request.get(f"{address}/api/v1/stations/s1/depths?days=14").json()
    wet = next(d for d in told["depths"] if d["channel"] == "s1/p1/moisture_035")["wetness"]
    page.locator("#turn").focus()
    for _ in range(100):
        page.keyboard.press("ArrowLeft")
    assert label.text_content() == f"{round(wet[-101] * 100)} %" != now
    assert edge.get_attribute("d") != drawn and "Of the way to drained" in page.locator("#say").inner_text()
    at = datetime.datetime.fromisoformat(told["end"]) - datetime.timedelta(
        hours=100 - 2
    )  # the site's clock is 2 h ahead
    assert f"{at:%H:%M}" in page.locator("#say").inner_text()
    x = float(edge.get_attribute("d").removeprefix("M").split()[0])
    assert x == pytest.approx(44 + wet[-101] * 0.74 * 122, abs=0.6)
    page.keyboard.press("End")
    assert edge.get_attribute("d") == drawn and label.text_content() == now
    box = page.locator(".dt").bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 40)
    page.mouse.down()
    assert page.locator("#turn").input_value() == str(len(wet) // 2)


def test_a_page_keeps_what_it_has_and_says_so_when_the_service_is_away(opens: Opens, ground: Ground) -> None:
    """The server goes: all stays, the slice still turns, and the page says in sight of what time it is."""
    page = opens().page
    with serving(ground.pipeline) as address:
        page.goto(f"{address}/stations/s1")
        page.locator("#turn").wait_for()
        assert not page.locator("#away").is_visible()
    page.locator("#away").wait_for()
    assert "The service does not answer. What you see is as it was at" in page.locator("#away").inner_text()
    box, size = page.locator("#away").bounding_box(), page.viewport_size
    assert box["y"] >= 0 and box["y"] + box["height"] <= size["height"]
    page.locator("#turn").focus()
    page.keyboard.press("PageDown")
    assert "Of the way to drained" in page.locator("#say").inner_text()


def test_news_comes_to_an_open_page(opens: Opens, tmp_path: Any) -> None:
    """A reading that arrives while the page is open is seen without loading it anew; an opened table stays open, and a
    slice that is turned back stays at its hour."""
    ground = ground_at(tmp_path)
    try:
        ground.hear(readings(24, first_hour=456))
        page = opens().page
        with serving(ground.pipeline) as address:
            page.goto(f"{address}/stations/o1")
            page.locator("#numbers summary").click()
            assert page.get_by_text("Last heard 01:00 today").first.is_visible()
            page.locator("#turn").focus()
            page.keyboard.press("ArrowLeft")
            ground.clock.wall_ms = NOW_MS + 2 * HOUR_MS
            ground.hear(readings(2, first_hour=480, first_seq=10**6))
            ground.pipeline.changes.bump("findings")
            page.get_by_text("Last heard 03:00 today").first.wait_for()
            assert page.locator("#numbers table").first.is_visible()
            assert page.locator("#turn").input_value() == "334" and "drained" in page.locator("#say").inner_text()
            assert page.locator("#turn").evaluate("(e) => e === document.activeElement")
    finally:
        ground.pipeline.stop()


def test_figures_are_asked_for_seldom_while_news_comes(opens: Opens, ground: Ground) -> None:
    """News every half second for ten seconds: the page of a station asks for itself once."""
    page, asked = opens().page, list[str]()
    with serving(ground.pipeline) as address:
        page.goto(f"{address}/stations/s1")
        page.locator("#turn").wait_for()
        page.on("request", lambda r: asked.append(r.url) if "/stations/s1" in r.url else None)
        for _ in range(20):
            ground.pipeline.changes.bump("findings")
            page.wait_for_timeout(500)  # the pace of the news
        assert len(asked) <= 2


# A link of 400 kbit/s each way with 300 ms to the other end and back.
SLOW = {"offline": False, "latency": 300, "downloadThroughput": 50_000, "uploadThroughput": 50_000}


@pytest.mark.parametrize(("path", "ready", "most_s", "most_bytes"), [
    ("/", ".six li:nth-child(6) b", 2.0, 12_000), ("/stations/s1", ".dt svg path", 3.0, 20_000),
    ("/work", "#see", 3.0, 10_000), ("/season/square", ".track svg path", 3.0, 10_000),
    ("/ground", "#find", 3.0, 8_000), ("/compare", ".day svg path", 3.0, 10_000), ("/alerts", "main", 3.0, 8_000),
    ("/probes", "#nodes", 3.0, 8_000),
])  # fmt: skip
def test_a_page_comes_over_a_slow_link(
    opens: Opens, address: str, path: str, ready: str, most_s: float, most_bytes: int
) -> None:
    """Cold, its answer has few bytes and is there in one request; the time is printed, and held at twice the limit."""
    page = opens().page
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    session.send("Network.emulateNetworkConditions", SLOW)
    sizes = list[float]()
    session.on("Network.loadingFinished", lambda e: sizes.append(e["encodedDataLength"]))
    page.goto(f"{address}{path}", wait_until="commit")
    page.locator(ready).first.wait_for(state="attached")
    took_s = page.evaluate("performance.now()") / 1000
    page.wait_for_load_state("load")  # the answer's size is told after its last byte, which may come later
    while not sizes:
        page.wait_for_timeout(50)
    print(f"{path}: {took_s:.2f} s, {sizes[0]:.0f} bytes over 400 kbit/s and 300 ms")
    assert sizes[0] <= most_bytes and took_s < 2 * most_s


@pytest.mark.parametrize(("path", "most"), [("/", 1), ("/stations/s1", 3)])
def test_a_page_prints_on_a_few_sheets(opens: Opens, address: str, path: str, most: int) -> None:
    """Upright A4: Today is one sheet, a station three at most; printed from the dark look it is black on white."""
    page = opens(1280, "dark").page
    page.goto(f"{address}{path}")
    pdf = page.pdf(format="A4", print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= most
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert not page.locator("nav").is_visible()


def test_a_page_that_is_refused_live_updates_asks_by_itself(
    opens: Opens, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where too many listen already the page asks for itself again, and says nothing of a service that is away."""
    monkeypatch.setattr(live, "MOST_STREAMS", 0)
    page, place = opens(390).page, f"{address}/stations/s1"
    with page.expect_response(lambda answer: answer.request.resource_type == "fetch" and answer.url == place) as asked:
        page.goto(place)
    assert asked.value.status == 200
    assert not page.locator("#away").is_visible()
