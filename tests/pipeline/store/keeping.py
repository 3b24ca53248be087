"""How tests put readings of any order into a store: by the journal of its database, or as a server store is fed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from hardware.reading import Batch, Reading
from pipeline.store import Store
from pipeline.store.journal import Journal
from pipeline.store.sqlite import SqliteStore


def keep(store: Store, readings: Iterable[Reading], received_at_ms: int) -> int:
    """Have a store hold readings, each identity once; returns how many were new, or of a server how many were given."""
    if not isinstance(store, SqliteStore):
        return store.append_arrivals([(list(readings), received_at_ms)])  # type: ignore[attr-defined, no-any-return]
    with store._database.transaction():
        journal = Journal(store._database, channels=store._channels)
        return sum(journal.append(batch, received_at_ms).new for batch in consecutive(readings))


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
