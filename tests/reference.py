"""The reference page as data: its tables by heading, its fenced blocks, its links. Read by tests/test_docs.py alone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]


@dataclass(frozen=True)
class Table:
    """One table: the headings it stands under (`##` and `###`), its columns, its rows."""

    chapter: str
    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def column(self, name: str) -> list[str]:
        """One column, without the backticks about a whole cell."""
        return [bare(row[self.columns.index(name)]) for row in self.rows]


def bare(cell: str) -> str:
    """A cell without backticks about all of it."""
    match = re.fullmatch(r"`([^`]*)`", cell)
    return cell if match is None else match[1]


def quoted(text: str) -> list[str]:
    """Everything in backticks."""
    return re.findall(r"`([^`\n]+)`", text)


def without_blocks(text: str) -> str:
    """A page without its fenced blocks."""
    return re.sub(r"^( *)```.*?^\1```$", "", text, flags=re.M | re.S)


def tables(text: str) -> list[Table]:
    """Every table of a page."""
    found, chapter, heading, rows = [], "", "", []
    for line in [*without_blocks(text).splitlines(), ""]:
        if line.startswith("|"):
            rows.append(tuple(cell.strip() for cell in line.strip("|").split("|")))
            continue
        if rows:
            found.append(Table(chapter, heading, rows[0], tuple(rows[2:])))
            rows = []
        if line.startswith("## "):
            chapter, heading = line[3:], ""
        elif line.startswith("### "):
            heading = line[4:]
    return found


def blocks(text: str, kind: str) -> list[str]:
    """The fenced blocks of a kind, as printed, those in a list among them."""
    return [body for _, body in re.findall(rf"^( *)```{kind}\n(.*?)^\1```$", text, re.M | re.S)]


def links(text: str) -> list[str]:
    """Targets of links and pictures that stay in the project."""
    found = re.findall(r"\]\(([^)\s]+)\)", without_blocks(text))
    return [target for target in found if not re.match(r"[a-z]+:", target)]


def anchors(text: str) -> set[str]:
    """What a link may point to inside a page: its headings as the usual page makers name them."""
    heads = re.findall(r"^#+ (.*)$", without_blocks(text), re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}
