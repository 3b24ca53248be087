"""What a database of rows is to those who keep them in it, whichever it is: `database.Database` or another.

The statements stand once, in words that every one of them takes: parameters are `?` or `?1`, a number is `coalesce`d,
what is there already is met by `ON CONFLICT`, an id is `RETURNING`, and a query that is not read to its end has a
`LIMIT`. Times and counts are whole numbers of 64 bits, yes and no are 1 and 0.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Any, Protocol


class Rows(Protocol):
    """What a statement gave."""

    def fetchone(self) -> Any: ...

    def fetchall(self) -> list[Any]: ...

    def __iter__(self) -> Iterator[Any]: ...

    @property
    def rowcount(self) -> int: ...


class Connection(Protocol):
    """A connection of a database, with that one's `unreadable`."""

    @property
    def unreadable(self) -> dict[str, str]: ...

    @property
    def in_transaction(self) -> bool: ...

    def execute(self, statement: str, parameters: Sequence[Any] = ..., /) -> Rows: ...

    def executemany(self, statement: str, rows: Iterable[Sequence[Any]], /) -> Rows: ...


class SqlDatabase(Protocol):
    """A database that is open, of one site; see `database.Database` for what each method promises."""

    unreadable: dict[str, str]

    @property
    def damage(self) -> str: ...

    @property
    def place(self) -> str:
        """Return where it is, in a few words, without any secret."""

    def transaction(self) -> AbstractContextManager[Connection]: ...

    def reading(self) -> AbstractContextManager[Connection]: ...

    def snapshot(self) -> AbstractContextManager[Connection]: ...

    def check(self, *, whole: bool, go_on: Callable[[], bool]) -> bool: ...

    def used_bytes(self) -> tuple[int, int]: ...

    def when_undone(self, forget: Callable[[], None]) -> None: ...

    @property
    def taken(self) -> str:
        """Return why nothing more is written in a site that was held: another process has had it. Empty while not."""

    def when_taken(self, tell: Callable[[], None]) -> None: ...

    def close(self) -> None: ...


def words_of_transaction(depth: int) -> tuple[str, str, tuple[str, ...]]:
    """Return how a transaction inside so many others is begun, ended and undone: each but the outermost is a part."""
    if not depth:
        return "BEGIN IMMEDIATE", "COMMIT", ("ROLLBACK",)
    part = f"part_{depth}"
    return f"SAVEPOINT {part}", f"RELEASE {part}", (f"ROLLBACK TO {part}", f"RELEASE {part}")
