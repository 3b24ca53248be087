"""Comparing in a real browser: picked by keys alone, on a narrow screen, with large text, on one sheet of paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.test_accessibility import AXE, RUN
from tests.conftest import missing

Opens = Callable[..., Any]
SHOWN = "/compare?station=s1&other_station=o1&from_month=3&until_month=3"


@pytest.mark.parametrize(("width", "look", "size"), [(320, "light", 100), (390, "dark", 200), (1280, "light", 100)])
def test_axe_finds_nothing_and_nothing_runs_out_sideways(
    opens: Opens, address: str, width: int, look: str, size: int
) -> None:
    """WCAG 2.2, success criteria 1.4.10 and 1.4.4 with them; no console error."""
    if not AXE.exists():
        missing("axe-core is not installed (npm ci --prefix tests/browser)")
    opened = opens(width, look, bypass_csp=True)
    opened.page.goto(f"{address}{SHOWN}")
    opened.page.add_style_tag(content=f"html {{ font-size: {106.25 * size / 100}% !important }}")
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
    opened.page.add_script_tag(path=AXE)
    assert opened.page.evaluate(RUN) == [] and opened.said == []


def test_sides_are_picked_by_keys_without_a_script(opens: Opens, address: str) -> None:
    """The first field by its letter, Tab to the button, Enter: the other station is shown, and stays picked."""
    page = opens(java_script_enabled=False).page
    page.goto(f"{address}{SHOWN}")
    page.locator("[name=station]").focus()
    page.keyboard.press("O")
    for _ in range(6):
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**station=o1&year=*")
    assert page.locator("[name=station]").input_value() == "o1"
    assert page.locator(".cuts").count() == 1 and page.locator(".day").count() >= 2


def test_it_prints_on_one_sheet(opens: Opens, address: str) -> None:
    """Upright A4, without the form, from a dark screen too."""
    page = opens(1280, "dark").page
    page.goto(f"{address}{SHOWN}")
    pdf = page.pdf(format="A4", print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
