"""Today in a real browser: six verdicts at once, updates that do not get in the way, words that need no script."""

from __future__ import annotations

import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from tests.api.advice_by_hand import advice
from tests.api.served import serving
from tests.api.site import SETTINGS, Ground, ground_at, readings

Opens = Callable[..., Any]
PHONE = (390, 664)  # what a browser leaves of a common phone
FORTY = "".join(
    f'[[surface]]\nname = "green-{n}"\ntitle = "Green {n}"\nkind = "green"\n[[surface.station]]\nname = "g{n}"\n'
    f'title = "centre of the green"\nsoil = "sand"\n[[surface.station.probe]]\nname = "p1"\nmodel = "thatch"\n'
    for n in range(37)
)


@pytest.fixture(scope="module", params=["three stations", "forty stations"])
def place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where the pages are, of two surfaces with three stations, and of 39 surfaces with forty."""
    more = FORTY if request.param == "forty stations" else ""
    ground = ground_at(tmp_path_factory.mktemp("today"), SETTINGS + more)
    ground.hear(readings(60, first_hour=420))
    ground.advise(advice())
    with serving(ground.pipeline) as address:
        yield address
    ground.pipeline.stop()


def test_all_six_verdicts_stand_in_the_first_window_of_a_phone(opens: Opens, place: str) -> None:
    """Question, verdict and clause of each lie above the navigation, and none is cut off."""
    page = opens(PHONE[0]).page
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    page.goto(place)
    bottom = page.locator("nav").bounding_box()["y"]
    boxes = [one.bounding_box() for one in page.locator(".six summary").all()]
    assert len(boxes) == 6 and bottom < PHONE[1]
    for one in page.locator(".six summary span.c, .six summary i").all():
        box = one.bounding_box()
        assert box["y"] > 0 and box["y"] + box["height"] <= bottom, (one.inner_text(), box, bottom)
        assert box["x"] + box["width"] <= PHONE[0]


def test_today_comes_in_few_bytes(place: str) -> None:
    """Packed, with style and drawings, at most 12 kB: what 400 kbit/s bring in a quarter of a second."""
    asked = urllib.request.Request(place, headers={"Accept-Encoding": "gzip"})
    with urllib.request.urlopen(asked, timeout=20) as answer:
        assert answer.headers["Content-Encoding"] == "gzip" and len(answer.read()) <= 12_000


@pytest.mark.parametrize("size", [100, 200])
def test_nothing_runs_out_sideways(opens: Opens, place: str, size: int) -> None:
    """At 320 px, and with text twice as large: WCAG 2.2, success criteria 1.4.10 and 1.4.4."""
    page = opens(320 if size == 100 else 390).page
    page.goto(place)
    page.add_style_tag(content=f"html {{ font-size: {106.25 * size / 100}% !important }}")
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]


def test_answers_slices_and_marks_need_no_script(opens: Opens, place: str) -> None:
    """With scripts switched off every verdict is there and opens to what stands behind it, and an alert is marked."""
    page = opens(java_script_enabled=False).page
    page.goto(place)
    page.locator(".six summary").nth(1).click()
    assert page.get_by_text("Rain in the last 24 hours: 0.0 mm.").first.is_visible()
    assert page.locator(".slices figure, .many li").first.is_visible()
    alert = page.locator(".see > li").first
    alert.get_by_role("button", name="Seen").click()  # a plain form, which leads back
    assert page.url.rstrip("/") == place and "Seen 02:00 today." in alert.inner_text()
    alert.locator("summary").click()
    alert.get_by_label("Why?").fill("covers were on")
    alert.get_by_role("button", name="It is wrong").click()
    assert "Called wrong 02:00 today: covers were on." in page.locator(".see > li").first.inner_text()


def refreshed(page: Page, ground: Ground) -> None:
    """Let the page ask for itself again, and take in what comes."""
    page.evaluate(
        "() => { window.took = new Promise((ok) => document.addEventListener('changed', () => ok(), { once: true })) }"
    )
    ground.clock.wall_ms += 60_000
    ground.pipeline.changes.bump("findings")
    page.evaluate("window.took.then(() => 1)")


def test_updates_never_take_the_focus_wipe_a_note_or_jump(opens: Opens, tmp_path: Path) -> None:
    """Through ten updates the focus stays on its button, an opened answer open, a half written why written, and what is
    looked at where it is."""
    ground = ground_at(tmp_path)
    try:
        ground.hear(readings(60, first_hour=420))
        ground.advise(advice())
        page = opens().page
        with serving(ground.pipeline) as address:
            page.goto(address)
            page.evaluate("document.body.dataset.every = 0")
            page.locator(".six summary").nth(4).click()
            alert = page.locator(".see > li").last
            alert.locator("summary").click()
            alert.get_by_label("Why?").fill("half a sent")
            button = alert.get_by_role("button", name="Seen")
            button.focus()
            top = button.bounding_box()["y"]
            for _ in range(10):
                refreshed(page, ground)
                assert button.evaluate("(e) => e === document.activeElement")
                assert alert.get_by_label("Why?").input_value() == "half a sent"
                assert page.locator("#why-5").get_attribute("open") is not None
                assert abs(button.bounding_box()["y"] - top) < 1.0
            assert "02:10" in page.locator("#head").inner_text()
    finally:
        ground.pipeline.stop()


def test_everything_is_done_by_keys_alone(opens: Opens, tmp_path: Path) -> None:
    """Past the navigation to the page, an answer opened and closed, an alert marked: with Tab, Enter and Space."""
    ground = ground_at(tmp_path)
    try:
        ground.hear(readings(60, first_hour=420))
        ground.advise(advice())
        page = opens().page
        with serving(ground.pipeline) as address:
            page.goto(address)

            def tab_to(selector: str) -> None:
                for _ in range(40):
                    page.keyboard.press("Tab")
                    if page.evaluate("(s) => document.activeElement.matches(s)", selector):
                        return
                raise AssertionError(f"{selector} is not reached")

            page.keyboard.press("Tab")
            assert page.evaluate("document.activeElement.className") == "skip"
            page.keyboard.press("Enter")
            tab_to("#why-2 > summary")
            page.keyboard.press("Enter")
            assert page.get_by_text("Rain in the last 24 hours").is_visible()
            page.keyboard.press("Space")
            assert not page.get_by_text("Rain in the last 24 hours").is_visible()
            tab_to(".see button")
            page.keyboard.press("Enter")
            page.get_by_text("Seen 02:00 today.").first.wait_for()
            assert page.evaluate("document.activeElement.matches('.see button')")
    finally:
        ground.pipeline.stop()
