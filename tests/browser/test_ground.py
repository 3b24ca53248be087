"""The plan of the ground in a real browser: entered by a tap or by keys, on one sheet, whole without a script."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.diary.entry import DiaryEntry
from tests.api.served import serving
from tests.api.site import HOUR_MS, NOW_MS, Ground, ground_at, readings
from tests.api.test_ground import PLANNED
from tests.browser.test_accessibility import AXE, RUN
from tests.browser.test_today import FORTY
from tests.conftest import missing

Opens = Callable[..., Any]
NEITHER_OVER = """() => {
  const boxes = [...document.querySelectorAll(".plan > span")].filter((e) => !e.hidden && e.textContent.trim())
    .map((e) => [e.textContent, e.getBoundingClientRect()]);
  const plan = document.querySelector(".plan").getBoundingClientRect();
  return boxes.filter(([, b]) => b.left < plan.left - 20 || b.right > plan.right + 20).map(([words]) => words);
}"""


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Three stations with a plan, a booked pass over a cable, and something buried of the diary."""
    ground = ground_at(tmp_path_factory.mktemp("plan"), PLANNED)
    ground.hear(readings(24, first_hour=456))
    body = {"pass": "solid_tining", "depth_mm": 100, "state": "booked"}
    ground.pipeline.diary.add(DiaryEntry("pass", "outfield", NOW_MS + 26 * HOUR_MS, body))
    drain = {"title": "the old drain", "what": "drain", "path_m": [[-40, 20], [20, 40]]}
    ground.pipeline.diary.add(DiaryEntry("buried", "outfield", NOW_MS - HOUR_MS, drain))
    yield ground
    ground.pipeline.stop()


@pytest.fixture(scope="module")
def place(planned: Ground) -> Iterator[str]:
    with serving(planned.pipeline) as address:
        yield address


@pytest.mark.parametrize(("width", "look", "size"), [(320, "light", 100), (390, "light", 200), (1280, "dark", 100)])
def test_axe_finds_nothing_and_nothing_runs_out_sideways(
    opens: Opens, place: str, width: int, look: str, size: int
) -> None:
    """On a narrow phone, with text twice as large (WCAG 2.2, 1.4.10 and 1.4.4), on a desk in the dark; all opened."""
    if not AXE.exists():
        missing("axe-core is not installed (npm ci --prefix tests/browser)")
    opened = opens(width, look, bypass_csp=True)
    page = opened.page
    page.goto(f"{place}/ground")
    page.add_style_tag(content=f"html {{ font-size: {106.25 * size / 100}% !important }}")
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(NEITHER_OVER) == []
    page.add_script_tag(path=AXE)
    assert page.evaluate(RUN) == [] and opened.said == []


def test_a_tap_fills_the_place_that_was_tapped(opens: Opens, place: str, planned: Ground) -> None:
    """Where the data have the station, to half a metre; written down, it stands there, and the page is back."""
    page = opens(390).page
    page.goto(f"{place}/ground")
    dot = page.locator(".plan .st").last.bounding_box()
    page.mouse.click(dot["x"] + dot["width"] / 2, dot["y"] + dot["height"] / 2)
    x, y = (float(page.locator(f"[name={name}]").input_value()) for name in ("x_m", "y_m"))
    assert x == pytest.approx(37.0, abs=0.5) and y == pytest.approx(12.0, abs=0.5)
    page.locator("#enter-place select").first.select_option("s2")
    page.locator("#enter-place button").click()
    page.wait_for_url(f"{place}/ground")
    assert page.locator(".plan .st").count() == 3
    (entry,) = planned.pipeline.diary.entries(("place",), 0, 2**62)
    assert (entry.station, entry.body["x_m"], entry.body["y_m"]) == ("s2", x, y)


def test_it_is_entered_by_keys_alone_and_without_a_script(opens: Opens, tmp_path: Path) -> None:
    """Tab to what is buried, Enter, the fields one by one, Enter: it is on the plan; then it is struck out again."""
    ground = ground_at(tmp_path, PLANNED)
    try:
        page = opens(java_script_enabled=False).page
        with serving(ground.pipeline) as address:
            page.goto(f"{address}/ground")
            page.locator("#enter-buried summary").focus()
            for keys in ("Enter", "Tab", "d", "Tab"):
                page.keyboard.press(keys)
            page.keyboard.type("the wet drain")
            page.keyboard.press("Tab")
            page.keyboard.type("-20 0\n20 0")
            page.keyboard.press("Tab")
            page.keyboard.type("300")
            page.keyboard.press("Tab")
            page.keyboard.press("Enter")
            page.get_by_text("drain 300").wait_for()
            page.get_by_role("button", name="Strike out the wet drain").click()
            assert page.get_by_text("drain 300").count() == 0
    finally:
        ground.pipeline.stop()


def test_it_prints_on_one_sheet_across(opens: Opens, place: str) -> None:
    """A4, with plan, tapes and what the blades would meet, from a dark screen too."""
    page = opens(1280, "dark").page
    page.goto(f"{place}/ground")
    pdf = page.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    assert re.search(rb"/MediaBox\s*\[0 0 84[12]\.?\d* 59[45]", pdf)  # 297 by 210 mm in points


def test_forty_stations_without_a_place_are_told_in_a_line(opens: Opens, tmp_path: Path) -> None:
    """Each with its cover in the table; whose place is not entered is counted, not listed."""
    ground = ground_at(tmp_path, PLANNED + FORTY)
    try:
        page = opens(390).page
        with serving(ground.pipeline) as address:
            page.goto(f"{address}/ground")
            said = page.locator(".doubt").inner_text()
            assert "and 36 more." in said and len(said) < 600 and page.locator("tbody[id^=of-]").count() == 40
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
    finally:
        ground.pipeline.stop()
