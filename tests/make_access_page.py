"""Makes the page of who may do what, `api/docs/access.md`: `python tests/make_access_page.py`.

The table is `api.access.NEEDS`, which the program itself goes by; a test asks a real server whether the page is true.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "api" / "docs" / "access.md"
OPENING = """\
# Who may do what

Made by `python tests/make_access_page.py` from the table that the program goes by. A test asks a real server for each
address as each of these, and holds its answers against this page; an address without a row is for a head alone.

- **anyone**: whoever reaches the pages, without signing in. `/healthz` then says only whether all is well, `/readyz` no
  reasons.
- **link**: a link of `underturf link add`, for the committee. It can be withdrawn.
- **reader**, **keeper**, **head**: people with that role, signed in.
- **token**: of `underturf token add`, for machines: `read` gets as far as a reader, `diary` as far as a keeper.
- On the box itself, asked for as `127.0.0.1` or `localhost`, nobody has to sign in and all is open; not where a web
  server in front runs on the box too, as all come through that one.

Roles, tokens and links are those of one site.

| address | anyone | link | reader, token `read` | keeper, token `diary` | head |
|---|---|---|---|---|---|
"""


def page() -> str:
    """The page as it should be."""
    from api.access import NEEDS, Access

    def sort(address: str) -> tuple[str, str]:
        method, _, path = address.partition(" ")
        return path, method

    rows = []
    for address in sorted(NEEDS, key=sort):
        rows.append(f"| `{address}` | {' | '.join('yes' if has >= NEEDS[address] else '' for has in Access)} |\n")
    return OPENING + "".join(rows)


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    PAGE.write_text(page(), encoding="utf-8")
