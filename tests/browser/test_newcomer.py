"""A newcomer in a real browser before a real demo: an alert read, its reason opened, an entry made, advice changed.

A tap is one press of a finger; nothing is typed. What it took is printed beside the limits of a machine at rest.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MOST_TAPS, WITHIN_S = 8, 120.0
PATIENCE_S = 900.0  # a busy machine may be slow to have the history


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[tuple[str, float]]:
    """The address of the tour, and when the demo was started, once its history is in."""
    began_s, printed = time.monotonic(), tmp_path / "printed.txt"
    with printed.open("w") as out:
        program = subprocess.Popen(
            [sys.executable, "-m", "api.command", "demo", "--dir", str(tmp_path / "demo"), "--port", "8460"],
            cwd=ROOT, stdout=out, stderr=subprocess.STDOUT,
        )  # fmt: skip
    try:
        while "The history is in" not in (said := printed.read_text()):
            assert program.poll() is None and time.monotonic() - began_s < PATIENCE_S, said
            time.sleep(0.2)
        yield re.findall(r"Pages: (\S+)", said)[0], began_s
    finally:
        program.terminate()
        program.wait(60)


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_a_newcomer_gets_from_the_start_to_advice_that_follows_an_entry(
    demo: tuple[str, float], opens: Callable[..., object]
) -> None:
    """At most eight taps on a phone, all of them on what the tour or a page offers by name."""
    address, began_s = demo
    page = opens(390).page  # type: ignore[attr-defined]
    page.set_default_timeout(60_000)
    taps: list[str] = []

    def tap(what: str, name: str, where: str = "body") -> None:
        taps.append(name)
        page.locator(where).get_by_role(what, name=name).first.click()

    page.goto(address)
    assert len(page.locator("#lines li").all()) <= 5
    tap("link", "The morning", "#steps")
    alert = page.locator("[id^=alert-]").first
    alert.wait_for()
    read = alert.inner_text()
    assert "Square" in read
    water = page.locator("details", has_text="Water tonight?").first
    before = water.locator("summary").inner_text()
    taps.append("Water tonight?")
    water.locator("summary").click()
    reason = water.locator("li, p").last
    reason.wait_for(state="visible")
    told = water.inner_text()
    assert len(told) > len(before)
    tap("link", "Tour", "nav")
    tap("link", "Your own entry", "#steps")
    tap("link", "Watering")
    taps.append("+")
    page.locator("#watering [data-by='1']").click()
    taps.append("Write it down")
    page.locator("#watering button.ok").click()
    page.locator("#list li", has_text="mm").first.wait_for()  # no longer marked as new: 20 s of the demo are a moment
    tap("link", "Today", "nav")
    changed = page.locator("details", has_text="Water tonight?").first
    page.wait_for_function(
        "before => [...document.querySelectorAll('details')].some(one => one.textContent.includes('Water tonight?')"
        " && one.querySelector('summary').innerText !== before)",
        arg=before, timeout=120_000,
    )  # fmt: skip
    after = changed.locator("summary").inner_text()
    took_s = time.monotonic() - began_s
    print(f"\nfirst alert: {' '.join(read.split())[:160]}")
    print(f"before: {' '.join(before.split())}\nafter:  {' '.join(after.split())}")
    print(f"{len(taps)} taps ({', '.join(taps)}), limit {MOST_TAPS}")
    print(f"{took_s:.0f} s from the start of the demo, limit {WITHIN_S:g}; load {os.getloadavg()[0]:.1f}")
    assert len(taps) <= MOST_TAPS
