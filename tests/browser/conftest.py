"""A real Chromium, and a real server with a filled ground behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page, Playwright, sync_playwright

from tests.api.served import serving
from tests.api.site import SETTINGS, Ground, ground_at, readings
from tests.pipeline.conftest import wait_until

SETTLE_MS = 20_000  # a busy machine may take long to start a browser and to draw
QUIET = ("--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-sync")


@pytest.fixture(scope="session")
def play() -> Iterator[Playwright]:
    """What drives browsers: one in a process, it refuses a second."""
    with sync_playwright() as started:
        yield started


@pytest.fixture(scope="session")
def browser(play: Playwright, need_program: Callable[[str], str]) -> Iterator[Browser]:
    """Chromium of this machine, without a window."""
    started = play.chromium.launch(executable_path=need_program("chromium"), args=["--no-sandbox", *QUIET])
    yield started
    started.close()


@pytest.fixture(scope="session")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Twenty days of three stations."""
    filled = ground_at(tmp_path_factory.mktemp("browser"), SETTINGS + "[pages]\ntour = true\n")
    filled.hear(readings())
    yield filled
    filled.pipeline.stop()


@pytest.fixture(scope="session")
def address(ground: Ground) -> Iterator[str]:
    """Where the pages are."""
    with serving(ground.pipeline) as found:
        yield found


class Opened:
    """A page and what its console said."""

    def __init__(self, page: Page) -> None:
        self.page, self.said, self.blocked = page, [], []  # type: ignore[var-annotated]
        page.on("console", lambda m: self.said.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda fault: self.said.append(str(fault)))
        page.on("requestfailed", lambda r: self.blocked.append(r.url))


@pytest.fixture
def opens(browser: Browser) -> Iterator[Callable[..., Opened]]:
    """`opens(width, look)` gives a fresh page of that width in pixels and that look."""
    contexts = []

    def opened(width: int = 390, look: str = "light", **options: object) -> Opened:
        size = {"width": width, "height": 844 if width < 600 else 900}
        context = browser.new_context(viewport=size, color_scheme=look, **options)  # type: ignore[arg-type]
        context.set_default_timeout(SETTLE_MS)
        contexts.append(context)
        return Opened(context.new_page())

    yield opened
    for context in contexts:
        context.close()


IDLE = "navigator.locks.query().then(({ held, pending }) => !held.length && !pending.length)"


def send_now(page: Page, frees_the_way: Callable[[], object]) -> None:
    """Let what waits on a page be sent, and press "Send now".

    A page sends by itself as it opens, as an entry is kept and every 30 s, and whoever comes second finds the button
    gone: it is looked at while nothing can be sent, and pressed in one step, there or not.
    """
    wait_until(lambda: page.evaluate(IDLE), "nothing is being sent")
    page.get_by_role("button", name="Send now").click(trial=True)
    frees_the_way()
    page.locator("#unsent button", has_text="Send now").evaluate("(button) => button.click()")
