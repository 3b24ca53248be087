"""Messages to people: what each of them has been told, and what waits to be sent.

A message is kept together with the events it tells before anybody tries to send it; so a kill at any moment leaves it
with the same id and the same words, and no event is in two messages to one person. It reads no clock and decides
nothing: what is in a message, and when it goes, is `pipeline.notify.policy`'.
"""

from __future__ import annotations

import json

from pipeline.notify.policy import Due, Message, SentMessage
from pipeline.store.database import Connection, Database
from pipeline.store.journal import Event

UNTOLD_MOST = 200  # events looked at for one message; in a storm the rest comes with the next one
KEPT_MS = 400 * 86_400_000  # messages sent longer ago are let go
_UNTOLD = (
    "FROM event e WHERE e.number > (SELECT after FROM told_way WHERE name = ?) AND NOT EXISTS "
    "(SELECT 1 FROM event_told t WHERE t.way = ? AND t.number = e.number)"
)


class Messages:
    """The messages in one database, beside the events they tell."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def begin(self, way: str, since_ms: int, last_digest: str) -> str:
        """Local date of a way's last digest. One not known before begins with the events since a time.

        Parameters
        ----------
        way : str
        since_ms : int
            Events before it are not told on a new way. [ms since 1970, UTC]
        last_digest : str
            Local date of the digest a new way is taken to have had; empty for none.
        """
        with self._database.reading() as connection:
            row = connection.execute("SELECT last_digest FROM told_way WHERE name = ?", (way,)).fetchone()
        if row is not None:
            return str(row[0])
        with self._database.transaction() as tx:
            tx.execute(
                "INSERT OR IGNORE INTO told_way SELECT ?, coalesce(max(number), 0), ? FROM event WHERE at_ms < ?",
                (way, last_digest, since_ms),
            )
        return last_digest

    def untold(self, way: str) -> list[Event]:
        """Events in no message to a way, and not dropped, in the order they came about; at most `UNTOLD_MOST`."""
        with self._database.reading() as connection:
            rows = connection.execute(
                f"SELECT e.id, e.at_ms, e.body {_UNTOLD} ORDER BY e.number LIMIT ?", (way, way, UNTOLD_MOST)
            ).fetchall()
        return [Event(i, at_ms, json.loads(body)) for i, at_ms, body in rows]

    def past(self, way: str, since_ms: int) -> list[SentMessage]:
        """What was made for a way since a time, sent or not, the oldest first."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT kind, at_ms, body FROM message WHERE way = ? AND at_ms >= ? ORDER BY number", (way, since_ms)
            ).fetchall()
        return [SentMessage(kind, at_ms, tuple(json.loads(body)["alerts"])) for kind, at_ms, body in rows]

    def keep(self, way: str, due: Due, now_ms: int) -> None:
        """Keep what is due to a way, with the events it does away with: all of it or, after a kill, nothing."""
        with self._database.transaction() as tx:
            for message in due.messages:
                words = {"subject": message.subject, "lines": message.lines, "news": message.news}
                body = json.dumps({**words, "alerts": message.alerts}, ensure_ascii=False)
                tx.execute(
                    "INSERT INTO message (way, id, at_ms, kind, urgent, body) VALUES (?, ?, ?, ?, ?, ?)",
                    (way, _free_id(tx, way, message.id), message.at_ms, message.kind, int(message.urgent), body),
                )
            done = [*due.dropped, *(event for message in due.messages for event in message.news)]
            tx.executemany(
                "INSERT OR IGNORE INTO event_told SELECT ?, number FROM event WHERE id = ?", [(way, i) for i in done]
            )
            if due.digest_date:
                tx.execute("UPDATE told_way SET last_digest = ? WHERE name = ?", (due.digest_date, way))
                _tidy(tx, way, now_ms)

    def waiting(self, way: str) -> list[Message]:
        """Messages to a way that it has not taken: the urgent first, then the oldest."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT id, at_ms, kind, urgent, body FROM message "
                "WHERE way = ? AND sent_at_ms IS NULL ORDER BY urgent DESC, number",
                (way,),
            ).fetchall()
        return [_message(*row) for row in rows]

    def mark_sent(self, message_id: str, way: str, at_ms: int) -> None:
        """Note that a way has taken a message; a kill before this makes it go again, as it is."""
        with self._database.transaction() as tx:
            tx.execute(
                "UPDATE message SET sent_at_ms = ? WHERE way = ? AND id = ? AND sent_at_ms IS NULL",
                (at_ms, way, message_id),
            )

    def sent(self, way: str) -> list[str]:
        """Ids of the messages a way has taken, in the order they were made."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT id FROM message WHERE way = ? AND sent_at_ms IS NOT NULL ORDER BY number", (way,)
            ).fetchall()
        return [i for (i,) in rows]


def _free_id(tx: Connection, way: str, wanted: str) -> str:
    """The id, or with a number behind it where a clock set back has made the same day come again."""
    taken = {i for (i,) in tx.execute("SELECT id FROM message WHERE way = ? AND id GLOB ? || '*'", (way, wanted))}
    return next(i for i in (wanted, *(f"{wanted}-{k}" for k in range(2, len(taken) + 3))) if i not in taken)


def _tidy(tx: Connection, way: str, now_ms: int) -> None:
    """Move `after` up to the first event still to be told, so that no look goes through all that ever was."""
    tx.execute(
        f"UPDATE told_way SET after = coalesce((SELECT min(e.number) - 1 {_UNTOLD}), "
        "(SELECT max(number) FROM event), after) WHERE name = ?",
        (way, way, way),
    )
    tx.execute(
        "DELETE FROM event_told WHERE way = ? AND number <= (SELECT after FROM told_way WHERE name = ?)", (way, way)
    )
    tx.execute("DELETE FROM message WHERE way = ? AND sent_at_ms < ?", (way, now_ms - KEPT_MS))


def _message(message_id: str, at_ms: int, kind: str, urgent: int, body: str) -> Message:
    told = json.loads(body)
    words = (told["subject"], tuple(told["lines"]), tuple(told["news"]), tuple(told["alerts"]))
    return Message(message_id, at_ms, kind, bool(urgent), *words)
