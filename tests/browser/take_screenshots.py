"""Take the pictures of the README from a running demo: `python tests/browser/take_screenshots.py ADDRESS [FOLDER]`."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

FOLDER = Path(__file__).parents[2] / "api" / "docs"
STATION = "nav li:nth-child(2) a"
COLOURS = 96
LARGEST_BYTES = 250_000
WITHIN_MS = 30_000


def take(address: str, folder: Path) -> list[Path]:
    """Write Today and the page of the first station, on a desk and in light, and return the files."""
    program = shutil.which("chromium") or "/usr/bin/chromium"
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / "today.png", folder / "station.png"]
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 900}, color_scheme="light")
        page.goto(address, timeout=WITHIN_MS)
        for file, last in zip(files, ("main", ".lns + figcaption"), strict=True):
            if file is files[1]:
                page.locator(STATION).click()
            page.locator(last).wait_for(timeout=WITHIN_MS)
            bottom = page.evaluate("(last) => document.querySelector(last).getBoundingClientRect().bottom", last)
            clip = {"x": 0, "y": 0, "width": 1280, "height": bottom + 16}
            page.screenshot(path=file, full_page=True, clip=clip)
        browser.close()
    for file in files:
        # Ink on paper needs few colours: a third of the size, and no eye sees the difference.
        Image.open(file).convert("RGB").quantize(COLOURS).save(file, optimize=True)
    return files


def main() -> int:
    """Take them; 1 when one is too large for a README."""
    if len(sys.argv) not in (2, 3):
        print(__doc__, file=sys.stderr)
        return 2
    files = take(sys.argv[1], Path(sys.argv[2]) if len(sys.argv) == 3 else FOLDER)
    for file in files:
        print(f"{file}: {file.stat().st_size} bytes")
    return int(any(file.stat().st_size > LARGEST_BYTES for file in files))


if __name__ == "__main__":
    raise SystemExit(main())
