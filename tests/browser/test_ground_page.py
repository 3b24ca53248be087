"""The pages in a real browser: drawn, readable, touchable, and complete in words when a part is missing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.api.served import serving
from tests.api.site import HOUR_MS, NOW_MS, Ground, ground_at, readings
from tests.pipeline.conftest import wait_until

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
    if (!text || !e.checkVisibility() || e.closest("script, style, .bk-Column")) continue;
    const inDrawing = e.closest("svg");
    const ink = luminance(rgba(inDrawing ? getComputedStyle(e).fill : getComputedStyle(e).color));
    const paper = luminance(ground(e));
    found.push([text, (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05)]);
  }
  return found;
}"""
TARGETS = """() => [...document.querySelectorAll("nav a, .choices a, .links a, footer a, summary, button")]
  .filter((e) => e.checkVisibility()).map((e) => [e.textContent.trim(), e.getBoundingClientRect().height])"""
DRAWN = "[data-chart][data-drawn=yes]"
INK_ON_CANVAS = """() => {
  const inside = (e) => [e, ...(e.shadowRoot ? shadows(e.shadowRoot) : [])];
  const shadows = (root) => [...root.querySelectorAll("*")].flatMap(inside);
  return shadows(document).filter((e) => e.tagName === "CANVAS" && e.width > 100).some((canvas) => {
    const pixels = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
    let inked = 0;
    for (let i = 3; i < pixels.length; i += 4) if (pixels[i] > 128) inked += 1;
    return inked > 500;
  });
}"""


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("width", WIDTHS)
def test_a_station_is_drawn_and_readable(opens: Opens, address: str, width: int, look: str) -> None:
    """On a phone and on a desk, light and dark: no fault in the console, nothing beyond the edge, the chart drawn,
    every word in enough contrast, everything to be touched big enough."""
    opened = opens(width, look)
    page = opened.page
    page.goto(f"{address}/stations/s1")
    page.locator(DRAWN).wait_for()
    wait_until(lambda: page.evaluate(INK_ON_CANVAS), "the chart is painted")
    assert opened.said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    pale = [(text, round(ratio, 2)) for text, ratio in page.evaluate(CONTRASTS) if ratio < LEAST_CONTRAST]
    assert pale == []
    small = [(text, height) for text, height in page.evaluate(TARGETS) if height < LEAST_TARGET_PX]
    assert small == []


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("width", WIDTHS)
def test_the_first_page_is_readable(opens: Opens, address: str, width: int, look: str) -> None:
    """Answers and slices: the same demands, without a chart."""
    opened = opens(width, look)
    page = opened.page
    page.goto(address)
    assert opened.said == []
    assert page.locator(".slices figure").count() == 3
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert [(text, r) for text, r in page.evaluate(CONTRASTS) if r < LEAST_CONTRAST] == []
    assert [(text, h) for text, h in page.evaluate(TARGETS) if h < LEAST_TARGET_PX] == []


def test_words_and_profile_need_no_script(opens: Opens, address: str) -> None:
    """With scripts switched off the alert, the layers and the profile are seen, and the chart's place says why not."""
    page = opens(java_script_enabled=False).page
    page.goto(f"{address}/stations/s1")
    assert page.get_by_text("Thatch still holds water").is_visible()
    assert page.get_by_text("Root zone: 44 mm of water").is_visible()
    assert page.locator("svg .bar").count() == 6
    box = page.locator(".profile svg").bounding_box()
    assert box is not None and box["height"] > 200 and box["width"] > 200
    assert page.get_by_text("The chart is drawn by a script and has not come yet.").is_visible()


def test_a_page_whose_chart_script_does_not_come_is_whole_without_it(opens: Opens, address: str) -> None:
    """On a poor line Bokeh may never arrive: the words stay, the chart's place says so, nothing throws."""
    opened = opens()
    opened.page.route("**/bokeh/*", lambda route: route.abort())
    opened.page.goto(f"{address}/stations/s1")
    assert opened.blocked and all("/bokeh/" in url for url in opened.blocked)
    assert all("bokeh" in said or "ERR_FAILED" in said for said in opened.said)
    assert opened.page.get_by_text("The chart is drawn by a script and has not come yet.").is_visible()
    assert opened.page.get_by_text("Thatch still holds water").is_visible()


def test_a_page_keeps_what_it_has_and_says_so_when_the_service_is_away(opens: Opens, ground: Ground) -> None:
    """The server goes: words and chart stay, and the page says of what time they are."""
    page = opens().page
    with serving(ground.pipeline) as address:
        page.goto(f"{address}/stations/s1")
        page.locator(DRAWN).wait_for()
        assert not page.locator("#away").is_visible()
    page.locator("#away").wait_for()
    assert "The service does not answer. What you see is as it was at" in page.locator("#away").inner_text()
    assert page.get_by_text("Thatch still holds water").is_visible()
    assert page.evaluate(INK_ON_CANVAS)


def test_news_comes_to_an_open_page(opens: Opens, tmp_path: Any) -> None:
    """A reading that arrives while the page is open is seen without loading it anew; an opened table stays open."""
    ground = ground_at(tmp_path)
    try:
        ground.hear(readings(24, first_hour=456))
        page = opens().page
        with serving(ground.pipeline) as address:
            page.goto(f"{address}/stations/o1")
            page.locator("#every-channel summary").click()
            assert page.get_by_text("Last heard 01:00 today").is_visible()
            with page.expect_request("**/stations/o1"):
                ground.clock.wall_ms = NOW_MS + 2 * HOUR_MS
                ground.hear(readings(2, first_hour=480, first_seq=10**6))
                ground.pipeline.changes.bump("findings")
            page.get_by_text("Last heard 03:00 today").wait_for()
            assert page.locator("details table").is_visible()
    finally:
        ground.pipeline.stop()


def test_labels_at_the_right_of_the_chart_are_whole(opens: Opens, address: str) -> None:
    """The widest label, `1000 mm`, fits between the end of the lines and the edge of a phone."""
    page = opens(390).page
    page.goto(f"{address}/stations/o1")
    page.locator(DRAWN).wait_for()
    room = page.evaluate(
        """() => {
          const children = Bokeh.index.roots[0].model.children;
          const soil = children[children.length - 1];
          const range = soil.x_range, now = soil.center.find((m) => m.type === "Span").location;
          return (range.end - now) / (range.end - range.start) * soil.inner_width;
        }"""
    )
    assert room >= 9 + 48  # its offset, and `1000 mm` in 12 px type


def test_a_chart_on_its_way_is_drawn_whatever_comes_meanwhile(opens: Opens, ground: Ground) -> None:
    """News while the chart is asked for neither drops its answer nor asks for it again."""
    page, held = opens().page, list[Any]()
    with serving(ground.pipeline) as address:
        page.route("**/chart.json*", lambda route: held.append(route))
        page.goto(f"{address}/stations/s1")
        wait_until(lambda: page.evaluate("1") and held != [], "the chart is asked for")
        for _ in range(2):
            with page.expect_request("**/stations/s1"):
                ground.pipeline.changes.bump("findings")
        for route in held:
            route.continue_()
        page.locator(DRAWN).wait_for()
        assert len(held) == 1
