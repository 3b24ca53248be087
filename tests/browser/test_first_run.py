"""The first run in a real browser: the page of a probe ticks while it is looked at; and, longer, all of it over virtual
copper, from a site without a station to the first reading that is believed, with each wrong turn on the way."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from hardware.reading import LiveReading, encode_live
from tests.api.served import serving
from tests.api.site import ground_at
from tests.api.test_first_page import AIR, CHANNELS, SITE, WATER, status
from tests.ports import unused_port
from tests.probe_agent.conftest import SensorOnPty

Opens = Callable[..., Any]
ADDRESS = "0"  # as most sensors come
TEMPERATURE = "+12.0"
WATERS = {"air": 0.0, "jug": 0.55, "ground": 0.18}
STARTS_MS, TICKS_MS = 60_000, 90_000


def test_the_page_of_a_probe_ticks_while_it_is_looked_at(opens: Opens, tmp_path: Path) -> None:
    """Each live reading is asked for by its script and shown without a reload; the button begins it, and what is half
    chosen stays."""
    ground = ground_at(tmp_path, SITE)
    status(ground)
    pipeline = ground.pipeline

    def reads(value: float) -> None:
        ground.clock.wall_ms += 2000
        values = tuple((c.name, value if c.heard == "water_content" else 12.0, "ok") for c in CHANNELS)
        live = LiveReading("s1/p1", ground.clock.now_ms(), values, "")
        pipeline.nodes.hear_live(encode_live(live))
        pipeline._checked(live)

    with serving(pipeline) as address:
        opened = opens(390)
        page = opened.page
        page.goto(f"{address}/first")
        page.get_by_role("link", name="Profile").click()
        page.get_by_role("button", name="Begin the check").click()
        page.locator("#step-line.now").wait_for()
        with page.expect_response(f"{address}/first/s1/p1"):
            reads(AIR)
        page.locator("#step-air.now .dot").first.wait_for()
        for value in (AIR, AIR, AIR, WATER, WATER):
            reads(value)
        page.locator("#step-water.now").get_by_text("2 in a row").first.wait_for()
        reads(WATER)
        page.locator("#step-ground.now").wait_for()
        page.get_by_label("Again from").select_option("water")  # it has come with the tick
        reads(WATER)
        assert page.get_by_label("Again from").input_value() == "water"
        page.get_by_role("button", name="Go back").click()
        page.locator("#step-water.now").wait_for()
        assert opened.said == []
    pipeline.stop()


class Walk:
    """A walk through pages, which counts its steps and its time."""

    def __init__(self, page: Any, address: str) -> None:
        self.page, self.address = page, address
        self.began_s, self.steps = time.monotonic(), list[str]()

    def to(self, path: str) -> None:
        self.page.goto(f"{self.address}{path}")

    def sees(self, text: str, what: str, within_ms: int = TICKS_MS) -> None:
        self.page.get_by_text(text).first.wait_for(timeout=within_ms)
        self.noted(f"sees: {what}")

    def presses(self, name: str) -> None:
        self.page.get_by_role("button", name=name).first.click()
        self.noted(f"presses {name!r}")

    def noted(self, what: str) -> None:
        self.steps.append(f"{time.monotonic() - self.began_s:6.1f} s  {what}")


class Copper:
    """A probe of four depths at the end of a virtual line, which the test carries about."""

    def __init__(self, folder: Path) -> None:
        self.line = SensorOnPty(folder / "port")
        self.values, self.depths = [""] * 4, [0.0] * 4
        self.line.add(ADDRESS, {0: self.values, 1: [TEMPERATURE] * 4})
        self.stands("air")
        self.sensors = list(self.line.sensors)
        self.line.plug_in()

    def stands(self, where: str, *risen: float) -> None:
        self.depths = [WATERS[where] + (risen[i] if i < len(risen) else 0.0) for i in range(4)]
        self.values[:] = [f"+{value:.3f}" for value in self.depths]

    def has_power(self, *, on: bool) -> None:
        self.line.sensors[:] = self.sensors if on else []

    def meets_another(self, *, there: bool) -> None:
        """Another sensor at its address: both answer at once, and their bytes meet on the wire."""
        if there:
            self.line.add(ADDRESS, {0: ["+0.300"] * 4, 1: ["+15.0"] * 4})
            self.line.mangle = lambda reply, n: [(0.002 * i + 0.001 * (n % 2), bytes([b])) for i, b in enumerate(reply)]
        else:
            self.line.sensors[:] = self.sensors
            self.line.mangle = lambda reply, n: [(0.0, reply)]


MAIN = """
[data]
dir = "data"
[pages]
settings = "data/settings.toml"
"""
EMPTY = """\
[site]
name = "home"   # as in agent.toml
title = "Home"

[[surface]]
name = "square"
kind = "square"
"""
AGENT = """
[agent]
site = "{site}"
node = "hut"
state_dir = "state"
[broker]
port = {broker}
receipt_timeout_s = 1.0
[schedule]
interval_s = 10
rain_interval_s = 10
[[line]]
name = "north"
port = "{port}"
protocol = "sdi12"
[[probe]]
name = "p1"
station = "square-1"
model = "profile_4"
line = "north"
address = "0"
"""


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[bytes]]]:
    """`box(program, *words)` starts a program in an empty folder; all end with the test."""
    running: list[subprocess.Popen[bytes]] = []
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}

    def started(*words: str, **more: str) -> subprocess.Popen[bytes]:
        with (tmp_path / f"{words[0]}.log").open("ab") as log:
            made = subprocess.Popen(words, cwd=tmp_path, env={**environment, **more}, stdout=log, stderr=log)
        running.append(made)
        return made

    yield started
    for process in reversed(running):
        process.send_signal(signal.SIGTERM)
    for process in running:
        process.wait(60)


@pytest.mark.soak
@pytest.mark.timeout(900)
def test_from_an_empty_site_to_the_first_reading_that_is_believed(opens: Opens, tmp_path: Path, box: Any) -> None:
    """In the browser, over a real line, agent, broker and server; the wrong turns are another site's name, no power,
    two at one address, no clock where this machine has none, and depths that answer the wrong way round."""
    pages, broker, copper = unused_port(), unused_port(), Copper(tmp_path)
    (tmp_path / "underturf.toml").write_text(MAIN)
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "settings.toml").write_text(EMPTY)
    box(
        "underturf",
        "serve",
        "--config",
        "underturf.toml",
        UNDERTURF_PAGES_PORT=str(pages),
        UNDERTURF_BROKER_PORT=str(broker),
    )
    address = f"http://127.0.0.1:{pages}"
    wait_for(lambda: httpx.get(f"{address}/healthz", timeout=2).status_code == 200)
    walk = Walk(opens(390).page, address)

    def agent(site: str) -> subprocess.Popen[bytes]:
        (tmp_path / "agent.toml").write_text(AGENT.format(site=site, broker=broker, port=copper.line.plug.link))
        return box("underturf-agent", "run", "--config", "agent.toml")

    walk.to("/")
    walk.page.get_by_role("link", name="From the box to the first reading").click()
    walk.sees("No agent is heard.", "no agent, and what to look at")
    wrong = agent("hone")
    walk.sees('hone/hut names another site: write site = "home"', "wrong turn: another site's name")
    wrong.send_signal(signal.SIGTERM)
    wrong.wait(60)
    agent("home")
    walk.page.locator("#step-agent.done").wait_for(timeout=STARTS_MS)
    walk.sees(
        "Heard, and not in underturf.toml", "wrong turn: channels that nobody named, with the lines that name them"
    )
    missing = httpx.get(f"{address}/api/v1/first").json()["missing"]
    assert 'model = "profile_4"' in missing
    walk.page.locator("#step-names").get_by_role("link", name="Settings").click()
    walk.page.locator("#text summary").click()
    walk.page.fill("#whole", f"{EMPTY}\n{missing}\n")
    walk.page.locator("#text").get_by_role("button", name="Look at the difference").click()
    walk.presses("Write it")
    walk.presses("Start again now")
    walk.sees("What is set", "the server again, with the station", STARTS_MS)
    wait_for(lambda: not httpx.get(f"{address}/api/v1/settings", timeout=5).json()["start_needed"])
    walk.to("/first")
    walk.page.locator("#step-probes.done").wait_for(timeout=STARTS_MS)
    walk.noted("sees: the probe is heard, and named")
    if walk.page.locator("#step-time.now").count():
        walk.sees("no clock that is set", "wrong turn: no clock")
        walk.page.get_by_role("link", name="The time", exact=True).click()
        with walk.page.expect_response(f"{address}/api/v1/clock") as answer:
            walk.presses("Take this device's time")
        assert answer.value.ok
        walk.to("/first")
        walk.page.locator("#step-time.done").wait_for(timeout=STARTS_MS)
    walk.page.get_by_role("link", name="Profile").click()
    walk.presses("Begin the check")
    copper.has_power(on=False)
    walk.sees("see to its power", "wrong turn: no power")
    copper.has_power(on=True)
    copper.meets_another(there=True)
    walk.sees("two probes may have one address", "wrong turn: two at one address")
    copper.meets_another(there=False)
    walk.page.locator("#step-water.now").wait_for(timeout=TICKS_MS)
    walk.noted("on the line and in the air: ticked")
    copper.stands("jug")
    walk.page.locator("#step-ground.now").wait_for(timeout=TICKS_MS)
    walk.noted("in water: ticked")
    assert not httpx.get(f"{address}/api/v1/first/square-1/p1").json()["believed"]
    pushed_in(walk, copper)
    copper.stands("ground", 0.0, 0.06)  # 100 mm first
    walk.page.wait_for_timeout(6000)  # it is read every two seconds
    copper.stands("ground", 0.06, 0.06)
    walk.sees("the two depths may be swapped", "wrong turn: swapped depths")
    walk.page.get_by_label("Again from").select_option("ground")
    walk.presses("Go back")
    copper.stands("ground")
    pushed_in(walk, copper, out=False)
    for n, seconds in ((1, 22), (2, 22), (3, 22), (4, 0)):
        copper.stands("ground", *[0.06] * n)
        walk.page.wait_for_timeout(1000 * seconds)  # as water goes down
    walk.sees("The first reading to be believed", "the first reading that is believed")
    told = httpx.get(f"{address}/api/v1/first/square-1/p1").json()
    assert told["believed"] and told["state"] == "done" and re.search(r"24 % at 50 mm", told["trusted"])
    minutes = (time.monotonic() - walk.began_s) / 60
    print("\n" + "\n".join(walk.steps) + f"\n{len(walk.steps)} steps, {minutes:.1f} minutes")


def pushed_in(walk: Walk, copper: Copper, *, out: bool = True) -> None:
    """Out of the jug, and into the ground, until the cup may come."""
    if out:
        copper.stands("air")
        walk.page.wait_for_timeout(5000)
    copper.stands("ground")
    walk.page.locator("#step-cup.now").wait_for(timeout=TICKS_MS)
    walk.noted("pushed in: ticked")
    walk.page.wait_for_timeout(14_000)  # four quiet readings before the cup


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + STARTS_MS / 1000
    while time.monotonic() < deadline:
        try:
            if condition():
                return
        except (httpx.HTTPError, KeyError, ValueError):
            pass
        time.sleep(0.2)  # a bounded wait on the condition above
    raise AssertionError("not within a minute")
