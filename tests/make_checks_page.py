"""Writes pipeline/docs/checks.md: every check value of `tests/published_checks.py` beside what our sums give, and where
each table of `tests/published_tables.py` is held or why it is not.

    python tests/make_checks_page.py

Run it when a sum or a check is added; a test says when the page is out of date.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "pipeline" / "docs" / "checks.md"
OPENING = """# The sums beside their check values

Made by `python tests/make_checks_page.py`; do not edit. Each figure is worked out by the sum named and set beside the
figure it is held against. `printed`: in the source, or in public code that quotes it. `computed`: by a program that is
not ours, from the source's equations. `memory`: the source's, from memory. The tests of each sum hold more than
figures; real data, refusals and limits are there.
"""
LEFT_OUT_OPENING = "No test holds these; there may be ten of them at most."


def page() -> str:
    """The page as it should be."""
    from tests.published_checks import CHAPTERS

    parts = [OPENING]
    for title, sums in CHAPTERS.items():
        parts.append(f"\n## {title}\n")
        for one in sums():
            parts.append(f"\n### {one.title}\n\nSource: {one.source}.\n\n")
            parts.append("| figure | held against | ours | difference | mark |\n|---|---|---|---|---|\n")
            for value in one.values:
                digits = len(value.printed.partition(".")[2].partition("e")[0])
                kind = "e" if "e" in value.printed else "f"
                shown = f"{value.ours:.{digits + (2 if digits else 0)}{kind}}"
                gap = value.ours - float(value.printed)
                told = "0" if abs(gap) < 1e-12 else f"{gap:+.1e}"
                parts.append(f"| {value.what} | {value.printed} | {shown} | {told} | {value.mark} |\n")
    return "".join(parts) + tables()


def tables() -> str:
    """Where each published table is held, and which are left out with the reason."""
    from tests.published_tables import LEFT_OUT, TABLES

    parts = ["\n## Tables and the tests that hold them\n\n| table | source | held by |\n|---|---|---|\n"]
    for one in TABLES:
        held = "; ".join(f"`{test}`" for test in one.held_by)
        parts.append(f"| {one.what} | {one.source} | {held} |\n")
    parts.append(f"\n## Tables left out\n\n{LEFT_OUT_OPENING}\n\n| table | source | why |\n|---|---|---|\n")
    parts += [f"| {one.what} | {one.source} | {one.reason} |\n" for one in LEFT_OUT]
    return "".join(parts)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(page(), encoding="utf-8")
