"""What an install brings and how large it is, from what is installed here: the table of `api/docs/install.md`.

    python tests/install_sizes.py

Writes the packages of `pip install '.[server]'` and those they need into the table, with their size on disk, the
compiled files of Python included; below it those that the extra for PostgreSQL brings besides.
"""

from __future__ import annotations

import sys
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "api" / "docs" / "install.md"
HEAD = "| package | MB | with what it needs | what for |\n|---|---|---|---|\n"
US = "underturf"
WHAT_FOR = {
    "amqtt": "the broker where mosquitto is not installed",
    "apprise": "messages by phone services, and the addresses of all channels",
    "argon2-cffi": "passwords of people",
    "astral": "sunrise and sunset",
    "contourpy": "lines of equal water in a drawing",
    "cryptography": "the certificate of the pages and of the broker",
    "fastapi": "pages and data interface",
    "h11": "bounds on a connection before a request is read",
    "httpcore": "fetches over the network, with bounds",
    "httpx": "the same, and the demo's look at its server",
    "icalendar": "calendars read and written",
    "isal": "pages packed for a slow link",
    "jinja2": "templates of the pages",
    "markupsafe": "text that cannot become markup",
    "numpy": "all sums",
    "paho-mqtt": "MQTT, the agent too",
    "pandas": "series by time: the store, the stages, records of other years",
    "pillow": "photographs of the diary made anew",
    "prometheus-client": "counters for a monitoring system",
    "pydantic": "the forms of the data interface",
    "pyserial": "serial lines, the agent too",
    "python-multipart": "forms that bring photographs",
    "recurring-ical-events": "fixtures that repeat",
    "scipy": "fits, trends and normal quantiles of stages and forecast",
    "sse-starlette": "pages that keep themselves up to date",
    "starlette": "what the pages are served by",
    "tomli-w": "settings written",
    "tomlkit": "settings changed on a page, comments kept",
    "tzdata": "time zones where the system has none",
    "uvicorn": "the server of the pages",
}

WHAT_FOR_POSTGRES = {
    "procrastinate": "the queue of long jobs of many sites",
    "psycopg": "PostgreSQL",
}


def direct(extra: str) -> set[str]:
    """Return the names of the packages that our own settings ask for, an extra's among them."""
    return {name for name, _ in _needs(US, extra)}


def needed(name: str, extra: str = "") -> set[str]:
    """Return the names of all packages that one needs with an extra, and that these need in turn."""
    waiting, seen = [(name, extra)], {(name, extra)}
    while waiting:
        new = _needs(*waiting.pop()) - seen
        seen |= new
        waiting += new
    return {package for package, _ in seen} - {name}


def _needs(name: str, extra: str) -> set[tuple[str, str]]:
    """Return what one package needs on this machine, each with the extra asked of it."""
    found: set[tuple[str, str]] = set()
    for one in map(Requirement, _of(name).requires or []):
        if one.marker is None or one.marker.evaluate({"extra": extra}):
            package = canonicalize_name(one.name)
            found |= {(package, ""), *((package, more) for more in one.extras)}
    return found


def _of(name: str) -> Distribution:
    try:
        return distribution(name)
    except PackageNotFoundError as err:
        raise SystemExit(f"{name}: found not installed, expected it. pip install '.[server]'") from err


def size_mb(name: str) -> float:
    """Return the size on disk of an installed package. [MB, 10^6 bytes]"""
    paths = [Path(str(file.locate())) for file in _of(name).files or []]
    return sum(path.stat().st_size for path in paths if path.is_file()) / 1e6


def sizes_mb(extra: str) -> dict[str, float]:
    """Return the size of each package that an extra of ours brings. [MB, 10^6 bytes]"""
    return {name: size_mb(name) for name in sorted(needed(US, extra))}


def table() -> str:
    """Return the table: what our settings ask for, the largest first, then the sum."""
    sizes = sizes_mb("server")
    rows = sorted(direct("server"), key=lambda name: -sizes[name])
    lines = [
        f"| {name} | {sizes[name]:.1f} | {sizes[name] + sum(sizes[one] for one in needed(name)):.1f} |"
        f" {WHAT_FOR[name]} |\n"
        for name in rows
    ]
    with_postgres = sizes_mb("postgresql")
    for name in WHAT_FOR_POSTGRES:
        asked = {name, *needed(name), *(needed("psycopg", "binary") if name == "psycopg" else ())}
        size = sum(with_postgres[one] for one in asked & with_postgres.keys())
        lines.append(
            f"| {name} (`postgresql`) | {with_postgres[name]:.1f} | {size:.1f} | {WHAT_FOR_POSTGRES[name]} |\n"
        )
    more = {name: size for name, size in with_postgres.items() if name not in sizes}
    return (
        HEAD + "".join(lines) + f"| all {len(sizes)} together | {sum(sizes.values()):.0f} | | |\n"
        f"| what `postgresql` brings besides, {len(more)} | {sum(more.values()):.0f} | | |\n"
    )


def main() -> int:
    """Write the table at the end of the page."""
    before, _, _ = PAGE.read_text(encoding="utf-8").partition(HEAD)
    PAGE.write_text(before + table(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
