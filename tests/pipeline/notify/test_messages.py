"""Messages to people in the journal: each event in one message, each message once, all of it after a kill or nothing.

What is expected follows from the tables alone (counting by hand).
"""

from __future__ import annotations

import pytest

from pipeline.notify.outbox import KEPT_MS, UNTOLD_MOST, Messages
from pipeline.notify.policy import Due, Message, SentMessage
from pipeline.store.journal import Event, Journal
from pipeline.store.sql import SqlDatabase
from tests.pipeline.receivers import sent

DAY_MS = 86_400_000
NOW_MS = 1_780_000_000_000


@pytest.fixture
def messages(database: SqlDatabase) -> Messages:
    return Messages(database)


def put(database: SqlDatabase, *names: str, at_ms: int = NOW_MS) -> None:
    Journal(database).save_alerts({}, [Event(name, at_ms, {"text": name}) for name in names])


def message(name: str, *news: str, urgent: bool = False, at_ms: int = NOW_MS) -> Message:
    return Message(name, at_ms, "interruption", urgent, "Thatch is wet", ("It is wet.",), news, ("a", "b"))


def names(events: list[Event]) -> list[str]:
    return [event.id for event in events]


def test_somebody_new_is_told_what_came_about_since_a_time(database: SqlDatabase, messages: Messages) -> None:
    """Events of before are never told, later ones are; asked again it stands as it stood."""
    put(database, "old", at_ms=NOW_MS - 2 * DAY_MS)
    put(database, "young", at_ms=NOW_MS - 1)
    assert messages.begin("mail-1", NOW_MS - DAY_MS, "2026-05-28") == "2026-05-28"
    put(database, "late", at_ms=NOW_MS - 9 * DAY_MS)  # came about later, of an earlier time: a node was away
    assert messages.begin("mail-1", NOW_MS, "2026-05-29") == "2026-05-28"
    assert names(messages.untold("mail-1")) == ["young", "late"]


def test_a_way_that_was_not_begun_is_told_nothing(database: SqlDatabase, messages: Messages) -> None:
    """Without a beginning there is nothing untold."""
    put(database, "a")
    assert messages.untold("mail-1") == []


def test_an_event_is_in_one_message_to_each_way(database: SqlDatabase, messages: Messages) -> None:
    """What is kept for one way is untold to the other; what is dropped is not told either."""
    for way in ("mail-1", "mail-2"):
        messages.begin(way, 0, "")
    put(database, "a", "b", "c")
    messages.keep("mail-1", Due((message("m", "a"),), ("c",)), NOW_MS)
    assert names(messages.untold("mail-1")) == ["b"]
    assert names(messages.untold("mail-2")) == ["a", "b", "c"]
    assert messages.waiting("mail-2") == []


def test_a_message_comes_back_as_it_was_until_it_is_marked_sent(database: SqlDatabase, messages: Messages) -> None:
    """Every field there and back; the urgent go first; one that is sent waits no more."""
    messages.begin("mail-1", 0, "")
    put(database, "a", "b")
    kept = (message("m-1", "a"), message("m-2", "b", urgent=True))
    messages.keep("mail-1", Due(kept), NOW_MS)
    assert messages.waiting("mail-1") == [kept[1], kept[0]]
    messages.mark_sent("m-2", "mail-1", NOW_MS)
    messages.mark_sent("m-1", "mail-2", NOW_MS)  # another way's
    assert messages.waiting("mail-1") == [kept[0]]
    assert sent(database, "mail-1") == ["m-2"]
    assert messages.past("mail-1", NOW_MS, NOW_MS) == [SentMessage("interruption", NOW_MS, ("a", "b"))] * 2
    assert messages.past("mail-1", NOW_MS + 1, NOW_MS + 1) == []
    assert messages.past("mail-1", 0, NOW_MS - 1) == []  # made while the clock was ahead


def test_after_a_digest_the_look_begins_where_something_is_untold(database: SqlDatabase, messages: Messages) -> None:
    """What is done with is let go of, what is not is still told, and the date stands."""
    messages.begin("mail-1", 0, "")
    put(database, "a", "b", "c", "d")
    messages.keep("mail-1", Due((message("m", "a", "b", "d"),), (), "2026-06-03"), NOW_MS)
    assert names(messages.untold("mail-1")) == ["c"]
    assert messages.begin("mail-1", 0, "") == "2026-06-03"
    with database.reading() as connection:
        assert connection.execute("SELECT number FROM event_told").fetchall() == [(4,)]
        assert connection.execute("SELECT after FROM told_way").fetchall() == [(2,)]
    messages.keep("mail-1", Due((message("n", "c"),), (), "2026-06-04"), NOW_MS)
    put(database, "e")
    assert names(messages.untold("mail-1")) == ["e"]


def test_a_day_that_comes_again_gets_a_number(database: SqlDatabase, messages: Messages) -> None:
    """A clock set back by a day makes the same digest anew: it has an id of its own, and nothing breaks."""
    messages.begin("mail-1", 0, "")
    for _ in range(3):
        messages.keep("mail-1", Due((message("digest-home-2026-06-03"),), (), "2026-06-03"), NOW_MS)
    ids = [m.id for m in messages.waiting("mail-1")]
    assert ids == ["digest-home-2026-06-03", "digest-home-2026-06-03-2", "digest-home-2026-06-03-3"]


def test_a_kill_keeps_message_and_events_or_neither(database: SqlDatabase, messages: Messages) -> None:
    """When the second message cannot be kept, the first is not kept either, and nothing is told."""
    messages.begin("mail-1", 0, "")
    put(database, "a", "b")
    bad = Message("m-2", NOW_MS, "interruption", False, "x", (object(),), ("b",))  # type: ignore[arg-type]
    with pytest.raises(TypeError):
        messages.keep("mail-1", Due((message("m-1", "a"), bad)), NOW_MS)
    assert messages.waiting("mail-1") == [] and names(messages.untold("mail-1")) == ["a", "b"]


def test_in_a_storm_one_look_is_bounded_and_old_messages_are_let_go(database: SqlDatabase, messages: Messages) -> None:
    """Of many events so many at a time; of messages those of the last year or so."""
    messages.begin("mail-1", 0, "")
    put(database, *(f"e{k:04d}" for k in range(UNTOLD_MOST + 5)))
    assert len(messages.untold("mail-1")) == UNTOLD_MOST
    messages.keep("mail-1", Due((message("old", at_ms=NOW_MS - KEPT_MS - 2), message("new"))), NOW_MS)
    messages.mark_sent("old", "mail-1", NOW_MS - KEPT_MS - 1)
    messages.mark_sent("new", "mail-1", NOW_MS)
    messages.keep("mail-1", Due((), (), "2026-06-03"), NOW_MS)
    assert sent(database, "mail-1") == ["new"]
