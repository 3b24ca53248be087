"""How tests put readings of any order into a store: by the journal of its database, or as a server store is fed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

from hardware.reading import Batch, Reading, Redated
from pipeline.store import Store
from pipeline.store.database import Database
from pipeline.store.journal import Journal
from pipeline.store.series import SqlStore


def keep(store: Store, readings: Iterable[Reading], received_at_ms: int) -> int:
    """Have a store hold readings, each identity once; returns how many were new, or of a server how many were given."""
    if not isinstance(store, SqlStore):
        return store.append_arrivals([(list(readings), received_at_ms)])  # type: ignore[attr-defined, no-any-return]
    with store._database.transaction():
        journal = Journal(store._database, channels=store._channels)
        return sum(journal.append(batch, received_at_ms).new for batch in consecutive(readings))


def date_again(store: Store, readings: list[Reading], redated: Redated, at_ms: int) -> None:
    """Tell a store, with readings that go on from there, that earlier ones of their outbox are dated again: by the
    journal of its database, or, for a server store, by a journal that has had the same readings."""
    first = readings[-1]
    told = Batch(first.site, first.node, first.outbox_id, 1, tuple(readings[-1:]), redated=(redated,))
    if isinstance(store, SqlStore):
        Journal(store._database, channels=store._channels).append(told, at_ms)
        return
    store.append_arrivals([(list(told.readings), at_ms)])  # type: ignore[attr-defined]
    with TemporaryDirectory() as folder, closing(Database(Path(folder) / "journal.db")) as database:
        journal = Journal(database)
        for batch in consecutive(readings[:-1]):
            journal.append(batch, at_ms)
        journal.append(told, at_ms)
        spans = journal.redated()
    store._redated = lambda: spans  # type: ignore[attr-defined]


def consecutive(readings: Iterable[Reading]) -> Iterator[Batch]:
    """Return readings as batches of consecutive seq, one identity once; the first of two wins. They claim no hole."""
    unique: dict[tuple[str, str, str, int], Reading] = {}
    for reading in readings:
        unique.setdefault((reading.site, reading.node, reading.outbox_id, reading.seq), reading)
    run: list[Reading] = []
    for key in sorted(unique):
        reading = unique[key]
        if run and (key[:3], key[3] - 1) != ((run[-1].site, run[-1].node, run[-1].outbox_id), run[-1].seq):
            yield Batch(run[0].site, run[0].node, run[0].outbox_id, 1, tuple(run))
            run = []
        run.append(reading)
    if run:
        yield Batch(run[0].site, run[0].node, run[0].outbox_id, 1, tuple(run))
