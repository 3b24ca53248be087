"""Which readings the stages have not seen: those after the last seq worked on, outbox by outbox.

The worker notes how far it is when nothing waits; after a kill the rest is found here and worked on again, which gives
the same results. It changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.store.database import Database


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
            found += connection.execute(
                "SELECT c.name, r.first_ms, r.last_ms FROM (SELECT channel, min(measured_at_ms) AS first_ms, "
                "max(measured_at_ms) AS last_ms FROM reading WHERE outbox = ? AND seq > ? GROUP BY channel) r "
                "JOIN channel c ON c.id = r.channel",
                (number, worked.get(name, 0)),
            ).fetchall()
    return found
