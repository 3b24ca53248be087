"""People in the database: roles at a site, sessions, tokens, links, invitations, and a line for each change.

Expected is the promise itself: what was withdrawn holds no more, and nothing that lets anybody in lies in the file.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.store.database import Database, tables_of
from pipeline.store.people import MOST_AUDITED, MOST_SESSIONS, Credential, People
from pipeline.store.schema import MIGRATIONS, migrate
from pipeline.store.sql import SqlDatabase
from pipeline.units import DAY_MS

NOW_MS = 1_767_225_600_000


@pytest.fixture
def people(database: SqlDatabase) -> People:
    """The people of one site."""
    return People(database, "meadow")


def session(person_id: int, made_ms: int = NOW_MS) -> Credential:
    return Credential("session", "", "", "", made_ms, 0, made_ms + DAY_MS, person_id)


def test_a_name_is_one_person_however_it_is_written(people: People) -> None:
    """Capitals do not tell people apart, in any script, and a second of the name is not added."""
    ann = people.add("Ann Äugust", "head", NOW_MS, by="a test")
    assert ann is not None and people.person("ANN ÄUGUST") == ann and people.people() == [ann]
    assert people.add("ann äugust", "reader", NOW_MS, by="a test") is None


def test_a_role_is_one_of_a_site(people: People) -> None:
    """Who is head of one ground is nobody at another of the same file, whose sessions do not hold there."""
    ann = people.add("Ann", "head", NOW_MS, by="a test")
    assert ann is not None
    people.issue(session(ann.id), "s1", NOW_MS)
    elsewhere = People(people._database, "moor")
    assert elsewhere.people() == [] and elsewhere.person("Ann") is None
    assert elsewhere.credential("s1", NOW_MS) is None and people.credential("s1", NOW_MS).role == "head"
    assert elsewhere.audit(9) == [] and elsewhere.credentials("session", NOW_MS) == []


def test_two_roles_of_one_person_are_kept_apart(people: People) -> None:
    """Head of one ground and reader of another: each session has the role of its own ground, a change and a removal at
    one leave the other, and tokens of one name are withdrawn one by one."""
    ann = people.add("Ann", "head", NOW_MS, by="a test")
    assert ann is not None
    moor = People(people._database, "moor")
    with people._database.transaction() as tx:
        tx.execute("INSERT INTO person_role VALUES (?, 'moor', 'reader')", (ann.id,))
    there = moor.person("Ann")
    assert there is not None and there.role == "reader"
    token = Credential("token", "hut", "", "read", NOW_MS, 0, NOW_MS + DAY_MS)
    for of, name in ((people, "meadow"), (moor, "moor")):
        of.issue(session(ann.id), f"s-{name}", NOW_MS)
        of.issue(token, f"t-{name}", NOW_MS, by="a test")

    def roles() -> list[str | None]:
        found = [of.credential(f"s-{name}", NOW_MS) for of, name in ((people, "meadow"), (moor, "moor"))]
        return [None if one is None else one.role for one in found]

    assert roles() == ["head", "reader"]
    assert [len(of.credentials("session", NOW_MS)) for of in (people, moor)] == [1, 1]
    moor.set_role(there, "keeper", NOW_MS, by="a test")
    assert roles() == ["head", "keeper"] and people.person("Ann") == ann
    assert moor.revoke("token", "hut", NOW_MS, by="a test")
    assert people.credential("t-meadow", NOW_MS) is not None and moor.credential("t-moor", NOW_MS) is None
    moor.remove(there, NOW_MS, by="a test")
    assert roles() == ["head", None] and people.person("Ann") == ann and moor.people() == []


def test_a_change_holds_in_open_sessions_at_once(people: People) -> None:
    """Another role counts in a session from before; a new password and a removal end it."""
    ann = people.add("Ann", "head", NOW_MS, by="a test")
    assert ann is not None
    people.issue(session(ann.id), "s1", NOW_MS)
    people.set_role(ann, "reader", NOW_MS, by="a test")
    assert people.credential("s1", NOW_MS).role == "reader"
    people.set_password(ann, "hash", NOW_MS, by="a test")
    assert people.credential("s1", NOW_MS) is None and people.password_of(ann) == "hash"
    people.issue(session(ann.id), "s2", NOW_MS)
    people.remove(ann, NOW_MS, by="a test")
    assert people.credential("s2", NOW_MS) is None and people.people() == []
    again = people.add("Ann", "keeper", NOW_MS, by="a test")
    assert again is not None and again.id != ann.id and not again.has_password


def test_an_end_is_an_end(people: People) -> None:
    """A session holds until its time and no longer, a kept one until the later; ended ones leave the file."""
    ann = people.add("Ann", "head", NOW_MS, by="a test")
    assert ann is not None
    people.issue(session(ann.id), "s1", NOW_MS)
    assert people.credential("s1", NOW_MS + DAY_MS - 1) is not None and people.credential("s1", NOW_MS + DAY_MS) is None
    people.keep_alive("s1", NOW_MS + 5, NOW_MS + 2 * DAY_MS)
    assert people.credential("s1", NOW_MS + DAY_MS).used_at_ms == NOW_MS + 5
    people.issue(session(ann.id, NOW_MS + 3 * DAY_MS), "s2", NOW_MS + 3 * DAY_MS)
    with people._database.reading() as connection:
        assert connection.execute("SELECT digest FROM credential").fetchall() == [("s2",)]


def test_sessions_of_a_person_are_bounded(people: People) -> None:
    """The one used longest ago makes room, and nobody else's does."""
    ann, bob = (people.add(name, "reader", NOW_MS, by="a test") for name in ("Ann", "Bob"))
    assert ann is not None and bob is not None
    people.issue(session(bob.id), "of-bob", NOW_MS)
    for number in range(MOST_SESSIONS + 3):
        people.issue(session(ann.id, NOW_MS + number), f"s{number}", NOW_MS)
    held = [number for number in range(MOST_SESSIONS + 3) if people.credential(f"s{number}", NOW_MS) is not None]
    assert held == list(range(3, MOST_SESSIONS + 3)) and people.credential("of-bob", NOW_MS) is not None


def test_an_invitation_is_taken_once(people: People) -> None:
    """Of twenty that take it at one moment one does; a newer one ends the older."""
    ann = people.add("Ann", "head", NOW_MS, by="a test")
    assert ann is not None
    given = Credential("invitation", "", "Ann", "", NOW_MS, 0, NOW_MS + DAY_MS, ann.id)
    people.issue(given, "i1", NOW_MS, by="a test")
    people.issue(given, "i2", NOW_MS, by="a test")
    assert people.use_invitation("i1", "hash", NOW_MS) is None
    taken: list[object] = []
    threads = [
        threading.Thread(target=lambda n=n: taken.append(people.use_invitation("i2", f"hash-{n}", NOW_MS)))
        for n in range(20)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(taken) == 20 and sum(one is not None for one in taken) == 1
    assert people.use_invitation("i2", "hash", NOW_MS + DAY_MS) is None


def test_a_token_is_withdrawn_by_its_name_and_kind(people: People) -> None:
    """It holds no more at once; a link of the same name stays."""
    for kind, digest in (("token", "t1"), ("link", "l1")):
        people.issue(Credential(kind, "hut", "", "read", NOW_MS, 0, NOW_MS + DAY_MS), digest, NOW_MS, by="a test")  # type: ignore[arg-type]
    assert [one.name for one in people.credentials("token", NOW_MS)] == ["hut"]
    assert people.revoke("token", "hut", NOW_MS, by="a test") and not people.revoke("token", "hut", NOW_MS, by="x")
    assert people.credential("t1", NOW_MS) is None and people.credential("l1", NOW_MS).kind == "link"


def test_every_change_has_its_line(people: People) -> None:
    """Who did what, the newest first; a session is no change. The log is bounded."""
    ann = people.add("Ann", "head", NOW_MS, by="root on the box")
    assert ann is not None
    given = Credential("invitation", "", "Ann", "", NOW_MS, 0, NOW_MS + DAY_MS, ann.id)
    people.issue(given, "i1", NOW_MS, by="root on the box")
    people.use_invitation("i1", "hash", NOW_MS + 1)
    people.issue(session(ann.id), "s1", NOW_MS)
    people.issue(Credential("link", "c", "", "season", NOW_MS, 0, NOW_MS + DAY_MS), "l1", NOW_MS, by="Ann")
    people.revoke("link", "c", NOW_MS, by="Ann")
    people.set_role(ann, "keeper", NOW_MS, by="Ann")
    people.remove(ann, NOW_MS, by="Bob")
    lines = [(one.who, one.what) for one in reversed(people.audit(99))]
    assert lines == [
        ("root on the box", "person Ann added as head"),
        ("root on the box", "invitation made, for Ann"),
        ("Ann", "password of Ann set"),
        ("Ann", "link c made, for season"),
        ("Ann", "link c revoked"),
        ("Ann", "person Ann made keeper, was head"),
        ("Bob", "person Ann removed"),
    ]
    with people._database.transaction() as tx:
        tx.execute("UPDATE audit SET id = id - ? WHERE id <= 6", (MOST_AUDITED,))
    people.note(NOW_MS, "x", "y")
    assert len(people.audit(99)) == 2  # the first six are too far behind


def test_a_change_that_fails_leaves_no_line(people: People, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both or neither."""

    def fail(*_: object) -> None:
        raise OSError("the disk is away")

    monkeypatch.setattr(people, "_note", fail)
    with pytest.raises(OSError, match="away"):
        people.add("Ann", "head", NOW_MS, by="a test")
    assert people.people() == []


def test_another_process_changes_people_beside_a_running_one(
    people: People, new_database: Callable[..., SqlDatabase]
) -> None:
    """What a command writes through a connection of its own is seen at the next question."""
    ann = people.add("Ann", "head", NOW_MS, by="a test")
    assert ann is not None
    people.issue(session(ann.id), "s1", NOW_MS)
    People(new_database("journal"), "meadow").remove(ann, NOW_MS, by="root on the box")
    assert people.credential("s1", NOW_MS) is None and people.audit(1)[0].who == "root on the box"


def test_a_file_of_before_gets_the_tables(tmp_path: Path) -> None:
    """One of the version before has nobody in it and takes somebody."""
    with closing(sqlite3.connect(tmp_path / "journal.db", isolation_level=None)) as connection:
        migrate(connection, "journal.db", lambda: tables_of(connection), MIGRATIONS[:11])
    with closing(Database(tmp_path / "journal.db")) as database:
        found = People(database, "meadow")
        assert found.people() == [] and found.add("Ann", "head", NOW_MS, by="a test") is not None
