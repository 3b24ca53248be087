"""Counting what was said against what was true: hours, precision, recall, and the interval each lies in."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Open = NDArray[np.bool_]

NORMAL_95 = 1.959964


@dataclass(frozen=True)
class Hours:
    """Counts of hours: all, said open, truly open by the raw and by the widened bounds, their overlaps, cannot tell.

    `in_season` is what "always open in season" would have said, and of it the hours that were truly open.
    """

    asked: int = 0
    said: int = 0
    raw: int = 0
    wide: int = 0
    said_raw: int = 0
    said_wide: int = 0
    unknown: int = 0
    unknown_raw: int = 0  # cannot tell, and truly open
    in_season: int = 0
    in_season_wide: int = 0
    in_season_raw: int = 0

    def __add__(self, other: Hours) -> Hours:
        return Hours(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


def count(said: Open, unknown: Open, raw: Open, wide: Open, season: Open, where: Open) -> Hours:
    """Count the hours `where` it is asked. All shape (hour,)."""

    def number(*each: Open) -> int:
        return int(np.logical_and.reduce([where, *each]).sum())

    return Hours(
        number(), number(said), number(raw), number(wide), number(said, raw), number(said, wide), number(unknown),
        number(unknown, raw), number(season), number(season, wide), number(season, raw),
    )  # fmt: skip


def wilson(hits: int, total: int) -> tuple[float, float, float]:
    """A share and its 95 % interval (Wilson 1927, J. Am. Stat. Assoc. 22, 209-212); NaN of nothing."""
    if total == 0:
        return float("nan"), float("nan"), float("nan")
    share, z2 = hits / total, NORMAL_95**2
    middle = (share + z2 / (2 * total)) / (1 + z2 / total)
    half = NORMAL_95 / (1 + z2 / total) * np.sqrt(share * (1 - share) / total + z2 / (4 * total**2))
    return share, max(float(middle - half), 0.0), min(float(middle + half), 1.0)


def told(hits: int, total: int) -> str:
    """A share with its interval, in words of a table."""
    if total == 0:
        return "-"
    share, low, high = wilson(hits, total)
    return f"{share:.2f} ({low:.2f}-{high:.2f})"


HEADS = (
    "said open of asked", "precision", "recall", "recall where it can tell", "precision raw", "recall of widened",
    "cannot tell", "always open in season: precision / recall",
)  # fmt: skip


def row(name: str, found: Hours) -> str:
    """One line of the table of hours."""
    always = f"{_share(found.in_season_wide, found.in_season)} / {_share(found.in_season_raw, found.raw)}"
    cells = (
        f"{found.said} of {found.asked}",
        told(found.said_wide, found.said),
        told(found.said_raw, found.raw),
        _share(found.said_raw, found.raw - found.unknown_raw),
        _share(found.said_raw, found.said),
        _share(found.said_wide, found.wide),
        f"{found.unknown / max(found.asked, 1):.0%}",
        always,
    )
    return f"| {name} | " + " | ".join(cells) + " |"


def _share(hits: int, total: int) -> str:
    return f"{hits / total:.2f}" if total else "-"
