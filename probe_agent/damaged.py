"""A damaged outbox file is set aside, never deleted at once, and a new one begun.

It only renames files; what is in them is `outbox`'s.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from probe_agent.outbox import FILE_NAME, Outbox, OutboxDamaged

KEEP_SET_ASIDE = 3  # damaged files kept for a look by hand


def open_outbox(folder: Path, *, site: str, node: str, max_bytes: int) -> tuple[Outbox, Path | None]:
    """An outbox; a damaged file is set aside and a new one, with a new name, begun. Where it was set aside, or None."""
    folder.mkdir(parents=True, exist_ok=True)
    try:
        return Outbox(folder, site=site, node=node, max_bytes=max_bytes), None
    except OutboxDamaged:
        aside = set_aside(folder)
    return Outbox(folder, site=site, node=node, max_bytes=max_bytes), aside


def set_aside(folder: Path) -> Path:
    """Rename a damaged outbox out of the way, for a look by hand. The newest KEEP_SET_ASIDE are kept."""
    numbers = sorted(_numbers(folder.glob("outbox-damaged-*.db")))
    for number in numbers[: max(0, len(numbers) - KEEP_SET_ASIDE + 1)]:
        for suffix in ("", "-wal", "-shm"):
            (folder / f"outbox-damaged-{number}.db{suffix}").unlink(missing_ok=True)
    aside = folder / f"outbox-damaged-{numbers[-1] + 1 if numbers else 1}.db"
    for suffix in ("", "-wal", "-shm"):
        file = folder / f"{FILE_NAME}{suffix}"
        if file.exists():
            file.rename(f"{aside}{suffix}")
    return aside


def _numbers(files: Iterable[Path]) -> Iterator[int]:
    for file in files:
        number = file.stem.rpartition("-")[2]
        if number.isdigit():
            yield int(number)
