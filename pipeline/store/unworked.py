"""Which readings the stages have not seen: those after the last seq worked on, outbox by outbox.

The worker notes how far it is when nothing waits; after a kill the rest is found here and worked on again, which gives
the same results. It changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hardware.reading import MAX_SEQ
from pipeline.store.database import Connection, Database
from pipeline.store.packed import rows_of
from pipeline.store.readings import runs_between


def unworked(database: Database, worked: Mapping[str, int]) -> list[tuple[str, int, int]]:
    """Channel, first and last time of the readings beyond what was worked on.

    Parameters
    ----------
    database : Database
        The journal's.
    worked : mapping of str to int
        Receipt of each outbox, by `site/node/outbox_id`, up to which the stages have seen everything. An outbox that
        is not named was never worked on.

    Returns
    -------
    list of (str, int, int)
        Channel id, first and last measured_at_ms, both included. [ms since 1970, UTC]
    """
    found = []
    with database.reading() as connection:
        outboxes = connection.execute("SELECT id, site || '/' || node || '/' || outbox_id FROM outbox").fetchall()
        for number, name in outboxes:
            since = min(worked.get(name, 0), MAX_SEQ)
            runs = runs_between(connection, number, since + 1, MAX_SEQ)
            parts = [rows_of(run.packed)[max(0, since + 1 - run.first) :] for run in runs]
            if parts:
                found += _spans(connection, np.concatenate(parts))
    return found


def _spans(connection: Connection, rows: np.ndarray) -> list[tuple[str, int, int]]:
    names = dict(connection.execute("SELECT id, name FROM channel").fetchall())
    spans = []
    for number in np.unique(rows["channel"]).tolist():
        times = rows["measured_at_ms"][rows["channel"] == number]
        spans.append((names[number], int(times.min()), int(times.max())))
    return spans
