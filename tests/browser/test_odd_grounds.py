"""Pages over grounds of odd shape: dead pipeline, gaps, seldom readings, one probe, no thatch known, forty stations.

Each is a real server. A page says what is so, fits its window, and stays short enough to be used; on paper Today and
the plan are one sheet.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hardware.reading import Reading
from pipeline.advice.advisor import site_advice
from pipeline.diary.entry import DiaryEntry
from pipeline.site.plan import Plan
from tests.api.served import serving
from tests.api.site import DAYS, HOUR_MS, SETTINGS, Ground, ground_at, readings

Opens = Callable[..., Any]
DAY_MS = 24 * HOUR_MS
PHONE = {"width": 390, "height": 664}
CORE = "[[surface.station.core]]\ndate = 2024-01-10\nthatch_mm = 14\n"
FIRST = SETTINGS[SETTINGS.index("[[surface.station]]") : SETTINGS.index('[[surface.station]]\nname = "s2"')]
GREENS = "".join(
    f'[[surface]]\nname = "green-{n}"\ntitle = "Green {n}"\nkind = "green"\n'
    + FIRST.replace('"s1"', f'"g{n}"').replace("north end", "centre of the green")
    for n in range(37)
)
ONE = SETTINGS[: SETTINGS.index("[[surface]]")] + (
    '[[surface]]\nname = "lawn"\ntitle = "Lawn"\nkind = "lawn"\n'
    '[[surface.station]]\nname = "s1"\ntitle = "by the oak"\nsoil = "loam"\n'
    '[[surface.station.probe]]\nname = "t1"\nmodel = "thatch"\n'
)
MARKS = [
    {"letter": "A", "title": "the left peg", "at_m": (-15.0, -11.0)},
    {"letter": "B", "title": "the right peg", "at_m": (150.0, -11.0)},
]
WIDE = "document.documentElement.scrollWidth"


def numbered(found: list[Reading]) -> list[Reading]:
    """Readings with their place in one outbox."""
    return [replace(one, seq=number) for number, one in enumerate(found, 1)]


def advised(ground: Ground) -> Ground:
    """Let the real advice be worked out over what the ground holds."""
    pipeline = ground.pipeline
    ground.advise(
        site_advice(
            pipeline.config, pipeline.store, pipeline.diary, ground.clock.now_ms(), forecast=None, fixtures=None
        )
    )
    return ground


def dead(folder: Path) -> Ground:
    ground = ground_at(folder)
    ground.hear(readings(96, first_hour=24 * DAYS - 96))
    ground.clock.wall_ms += 6 * DAY_MS
    ground.judge()
    return ground


def gaps(folder: Path) -> Ground:
    """Read every three hours, with five days of nothing in the middle."""
    ground = ground_at(folder)
    hours = [h for h in range(0, 24 * DAYS, 3) if not 250 <= h < 370]
    ground.hear(numbered([one for hour in hours for one in readings(1, first_hour=hour)]))
    return ground


def one_probe(folder: Path) -> Ground:
    ground = ground_at(folder, ONE)
    last = readings(96, first_hour=24 * DAYS - 96)
    ground.hear(numbered([one for one in last if one.channel.startswith("s1/t1")]))
    return ground


def no_thatch(folder: Path) -> Ground:
    ground = ground_at(folder, SETTINGS.replace(CORE, ""))
    ground.hear(readings(96, first_hour=24 * DAYS - 96))
    return ground


def forty(folder: Path) -> Ground:
    ground = ground_at(folder, SETTINGS + GREENS)
    last = readings(30, first_hour=24 * DAYS - 30)
    square = [one for one in last if one.channel.startswith("s1/")]
    greens = [replace(one, channel=f"g{n}{one.channel[2:]}") for n in range(37) for one in square]
    ground.hear(numbered(last + greens))
    pipeline = ground.pipeline
    pipeline.config = pipeline.config.model_copy(update={"plan": Plan.model_validate({"mark": MARKS})})
    for number, surface in enumerate(pipeline.config.surfaces):
        for place, station in enumerate(surface.stations):
            at_m = {"x_m": 10.0 + number % 8 * 18 + 3 * place, "y_m": 5.0 + number // 8 * 17}
            pipeline.diary.add(DiaryEntry("place", surface.name, ground.clock.now_ms(), at_m, station.name))
    return ground


GROUNDS = {one.__name__: one for one in (dead, gaps, one_probe, no_thatch, forty)}


SOAKED = ("gaps", "one_probe", "no_thatch")


@pytest.fixture(
    scope="module",
    params=[pytest.param(one, marks=[pytest.mark.soak] if one in SOAKED else []) for one in GROUNDS],
)
def odd(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str, str]]:
    """Name of the ground, address of its pages, name of its first surface."""
    ground = advised(GROUNDS[request.param](tmp_path_factory.mktemp(request.param)))
    with serving(ground.pipeline) as address:
        yield request.param, address, ground.pipeline.config.surfaces[0].name
    ground.pipeline.stop()


def test_every_page_fits_its_window_and_faults_nothing(opens: Opens, odd: tuple[str, str, str]) -> None:
    """At 320 px, nothing runs out sideways, the console is silent, and no page is endless."""
    _, address, surface = odd
    opened = opens(320)
    for path in (
        "/", "/work", "/ground", "/compare", "/alerts", "/probes", "/stations/s1", "/stations/s1?days=366",
        f"/season/{surface}", f"/sheet/{surface}", f"/work/book?surface={surface}", f"/work/{surface}/windows",
    ):  # fmt: skip
        assert opened.page.goto(f"{address}{path}").status == 200, path
        assert opened.page.evaluate(WIDE) <= 320, path
        assert opened.page.evaluate("document.documentElement.scrollHeight") < 16_000, path
    assert opened.said == []


def test_all_verdicts_stand_in_the_first_window(opens: Opens, odd: tuple[str, str, str]) -> None:
    """Whatever the ground: at 390 by 664 each question, verdict and clause lies above the navigation."""
    _, address, _ = odd
    page = opens(PHONE["width"]).page
    page.set_viewport_size(PHONE)
    page.goto(address)
    bottom = page.locator("nav").bounding_box()["y"]
    found = [one.bounding_box() for one in page.locator(".six summary span.c, .six summary i").all()]
    assert len(found) == 12 and max(box["y"] + box["height"] for box in found) <= bottom


def test_today_and_plan_are_one_sheet_each(opens: Opens, odd: tuple[str, str, str]) -> None:
    """Printed with the sizes that their styles ask for: one A4 page, and of Work at most three."""
    name, address, _ = odd
    page = opens(1280).page
    for path, most in (("/", 1), ("/ground", 1), ("/work", 3)):
        page.goto(f"{address}{path}")
        pdf = page.pdf(format="A4", print_background=True, prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= most, (name, path)


SAID = {
    "dead": ("/", [
        "Silent, all of them since", "As it was Thu 01:00: nothing heard since",
        "probe has said nothing of use for 6 days",
    ]),
    "gaps": ("/stations/s1", ["no reading"]),
    "one_probe": ("/", ["Thatch not known: cut a core."]),
    "no_thatch": ("/stations/s1", ["Thatch not known:"]),
    "forty": ("/work", ["All 40 stations", "Green 0, Green 1, Green 2, Green 3, Green 4 and 32 more"]),
}  # fmt: skip


def test_what_is_so_is_said(opens: Opens, odd: tuple[str, str, str]) -> None:
    """The page that is looked at first says what is odd, in so many words."""
    name, address, _ = odd
    path, said = SAID[name]
    page = opens(1280).page
    page.goto(f"{address}{path}")
    words = page.locator("main").text_content()
    assert [one for one in said if one not in words] == []
    if name == "gaps":  # read every three hours, the span is told by three hours: one gap, not a hundred
        told = json.loads(page.locator(".cut").get_attribute("data-history"))
        assert told["step"] == 3 * HOUR_MS and page.locator(".iso", has_text="no reading").count() == 1
