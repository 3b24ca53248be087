"""The rules of axe-core, best practices among them, over every page as it is seen and with all of it opened."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from pipeline.diary.entry import DiaryEntry
from pipeline.mqtt.field_checks import ProbeCheck
from tests.api.advice_by_hand import advice
from tests.api.served import serving
from tests.api.site import NOW_MS, ground_at, readings
from tests.conftest import missing

Opens = Callable[..., Any]
AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
PATHS = (
    "/",
    "/work",
    "/work/book?surface=square",
    "/diary?on=s1",
    "/diary?on=s1#core",
    "/diary?on=s1#pass",
    "/diary/1",
    "/work/square/windows",
    "/season/square",
    "/sheet/square",
    "/probes",
    "/alerts",
    "/ground",
    "/compare",
    "/first",
    "/first/s1/p1",
    "/first/o1/d1",
    "/settings",
    "/tour",
    "/trust",
    "/people",
    "/jobs",
    "/sign-in",
    "/offline",
    "/stations/s1",
    "/stations/s2",
    "/stations/o1?days=366",
    "/nothing-here",
)
RUN = """async () => (await axe.run()).violations.map((v) =>
  `${v.id}: ${v.help}: ${v.nodes.map((n) => n.target.join(" ")).slice(0, 3).join(" | ")}`)"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where the pages are, with alerts, advice and a station that was never heard."""
    ground = ground_at(tmp_path_factory.mktemp("axe"))
    ground.hear(readings(60, first_hour=420))
    ground.advise(advice())
    ground.pipeline.diary.add(DiaryEntry("core", "square", NOW_MS, {"thatch_mm": 1.5, "root_mm": 70}, "s1"))
    ground.pipeline.keep_check(ProbeCheck("o1/d1", 0, "", {"line": 1, "air": 2}))
    with serving(ground.pipeline) as address:
        yield address
    ground.pipeline.stop()


def faults(page: Page) -> list[str]:
    """What axe-core finds on the page as it stands."""
    if not AXE.exists():
        missing("axe-core is not installed (npm ci --prefix tests/browser)")
    page.add_script_tag(path=AXE)
    return list(page.evaluate(RUN))


OPEN_ALL = "for (const one of document.querySelectorAll('details')) one.open = true"


@pytest.mark.parametrize("path", PATHS)
def test_axe_finds_nothing(opens: Opens, place: str, path: str) -> None:
    """No violation on a page, closed on a small phone by day, and all of it opened on a desk at night."""
    page = opens(320, "light", bypass_csp=True).page
    page.goto(f"{place}{path}")
    assert faults(page) == []
    page.evaluate(OPEN_ALL)
    page.set_viewport_size({"width": 1280, "height": 900})
    page.emulate_media(color_scheme="dark")
    assert faults(page) == [], "opened"


@pytest.mark.soak
@pytest.mark.parametrize(("width", "look"), [(w, look) for w in (320, 390, 1280) for look in ("light", "dark")])
@pytest.mark.parametrize("path", PATHS)
def test_axe_finds_nothing_at_any_size_and_look(opens: Opens, place: str, path: str, width: int, look: str) -> None:
    """No violation on a page, closed and opened."""
    page = opens(width, look, bypass_csp=True).page
    page.goto(f"{place}{path}")
    assert faults(page) == []
    page.evaluate(OPEN_ALL)
    assert faults(page) == [], "opened"
