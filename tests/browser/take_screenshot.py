"""Take the picture of the README from a running demo: `python tests/browser/take_screenshot.py ADDRESS [FILE]`."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

FILE = Path(__file__).parents[2] / "api" / "docs" / "demo.png"
WIDTH, HEIGHT = 1280, 1800
COLOURS = 96
LARGEST_BYTES = 250_000
WITHIN_MS = 30_000


def take(address: str, file: Path) -> int:
    """Write the picture of the first station's page, light, and return its size. [bytes]"""
    program = shutil.which("chromium") or "/usr/bin/chromium"
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
        page.goto(address, timeout=WITHIN_MS)
        if page.locator("section.station").count():
            page.locator("section.station h2 a").first.click()
        page.locator("[data-chart][data-drawn=yes]").wait_for(timeout=WITHIN_MS)
        page.wait_for_timeout(500)  # the chart is painted in the frame after it is there
        file.parent.mkdir(parents=True, exist_ok=True)
        bottom = page.evaluate("document.querySelector('main').getBoundingClientRect().bottom")
        page.screenshot(path=file, clip={"x": 0, "y": 0, "width": WIDTH, "height": min(HEIGHT, bottom + 16)})
        browser.close()
    # Ink on paper needs few colours: a third of the size, and no eye sees the difference.
    Image.open(file).convert("RGB").quantize(COLOURS).save(file, optimize=True)
    return file.stat().st_size


def main() -> int:
    """Take it; 1 when it is too large for a README."""
    if len(sys.argv) not in (2, 3):
        print(__doc__, file=sys.stderr)
        return 2
    file = Path(sys.argv[2]) if len(sys.argv) == 3 else FILE
    size = take(sys.argv[1], file)
    print(f"{file}: {size} bytes")
    return 0 if size < LARGEST_BYTES else 1


if __name__ == "__main__":
    raise SystemExit(main())
