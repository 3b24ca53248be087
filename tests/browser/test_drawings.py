"""The sheets for the shed as a browser sets them: no word on another, none beyond the margin, one page each."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

FOLDER = Path(__file__).parents[2] / "hardware" / "docs"
SHEETS = sorted(path.stem for path in FOLDER.glob("*.svg"))
MARGIN_MM = (14.0, 197.0, 10.0, 288.0)
FAULTS = """([left, right, top, bottom]) => {
  const placed = [...document.querySelectorAll('text')].map(e => [e.textContent, e.getBBox()])
  const faults = placed.filter(([, b]) => b.x < left || b.x + b.width > right || b.y < top || b.y + b.height > bottom)
    .map(([words]) => `beyond the margin: ${words}`)
  placed.forEach(([words, b], i) => placed.slice(i + 1).forEach(([others, o]) => {
    const wide = Math.min(b.x + b.width, o.x + o.width) - Math.max(b.x, o.x)
    const high = Math.min(b.y + b.height, o.y + o.height) - Math.max(b.y, o.y)
    if (wide > 0.3 && high > 1.2) faults.push(`${words} on ${others}`)
  }))
  return faults
}"""


@pytest.mark.parametrize("name", SHEETS)
def test_words_of_a_sheet_stand_clear_of_each_other_on_one_page(browser: Browser, name: str) -> None:
    """Measured by the browser in millimetres of the page, then printed: one A4 sheet."""
    page = browser.new_page(viewport={"width": 794, "height": 1123})
    try:
        page.goto((FOLDER / f"{name}.svg").as_uri())
        assert page.evaluate(FAULTS, MARGIN_MM) == []
        printed = page.pdf(prefer_css_page_size=True)
        assert printed.count(b"/Type /Page") - printed.count(b"/Type /Pages") == 1
    finally:
        page.close()
