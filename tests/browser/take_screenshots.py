"""Take the pictures of the README from a running demo: `python tests/browser/take_screenshots.py ADDRESS [FOLDER]`."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

FOLDER = Path(__file__).parents[2] / "api" / "docs"
# File, the link from Today to the page, and the last thing on it that the picture shows.
PICTURES = (
    ("today.png", None, ".key"), ("station.png", "nav li:nth-child(2) a", ".lns + figcaption"),
    ("plan.png", 'footer a[href="/ground"]', ".find > .quiet"),
)  # fmt: skip
COLOURS = 96
LARGEST_BYTES = 250_000
WITHIN_MS = 30_000


def take(address: str, folder: Path) -> list[Path]:
    """Write Today, the page of the first station and the plan, on a desk and in light, and return the files."""
    program = shutil.which("chromium") or "/usr/bin/chromium"
    folder.mkdir(parents=True, exist_ok=True)
    files = [folder / name for name, _, _ in PICTURES]
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 900}, color_scheme="light")
        for file, (_, link, last) in zip(files, PICTURES, strict=True):
            page.goto(address, timeout=WITHIN_MS)
            if link is not None:
                page.locator(link).click()
            page.locator(last).first.wait_for(timeout=WITHIN_MS)
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
