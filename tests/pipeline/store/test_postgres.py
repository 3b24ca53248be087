"""PostgreSQL as the place of a site's tables: the same tables as in a file, steps over a filled database, strangers.

Expected values: the tables SQLite has after the same steps, and PostgreSQL's documented behaviour.
"""

import os
import resource
import select
import signal
import threading
from contextlib import ExitStack, closing, suppress
from functools import partial

import psycopg
import pytest

from pipeline.errors import StoreAway, StoreForeign, StoreTaken, StoreTooNew
from pipeline.store import schema
from pipeline.store.database import Database
from pipeline.store.diary import Diary
from pipeline.store.journal import Journal
from pipeline.store.postgres import _NEWS, NewsSession, PostgresDatabase, about_server, spelt
from pipeline.store.schema import LONGEST_SCHEMA, MIGRATIONS, Migration, schema_of
from pipeline.store.series import SqlStore
from tests.pipeline.conftest import wait_until
from tests.pipeline.store.test_diary import CORE
from tests.pipeline.store.test_journal import CHANNELS, FOREVER, T0_MS, batch

TYPES = {"INTEGER": "bigint", "TEXT": "text", "BLOB": "bytea", "REAL": "double precision", "": "text"}


@pytest.fixture
def site():
    return f"t{os.urandom(6).hex()}"


@pytest.fixture
def ask(postgres):
    """A connection that is not ours."""
    with psycopg.connect(postgres.dsn, autocommit=True) as connection:
        yield connection


def test_tables_and_columns_are_those_of_a_file(postgres, site, ask, tmp_path):
    """Every table has the columns of SQLite's in their order, each of the type that holds as much."""
    with closing(Database(tmp_path / "a.db")) as file, file.reading() as connection:
        tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        expected = {
            (table, name): TYPES[kind]
            for table in tables
            if not table.startswith("sqlite_")
            for _, name, kind, *_ in connection.execute(f"PRAGMA table_info({table})")
        }
    PostgresDatabase(postgres.dsn, site).close()
    query = (
        "SELECT table_name, column_name, data_type FROM information_schema.columns WHERE table_schema = %s "
        "ORDER BY table_name, ordinal_position"
    )
    found = {(table, name): kind for table, name, kind in ask.execute(query, (schema_of(site),))}
    assert found == expected
    order = {table: [name for t, name in found if t == table] for table, _ in found}
    assert order == {table: [name for t, name in expected if t == table] for table, _ in expected}


def fill(database):
    """A few rows of every kind that people or nodes write."""
    journal = Journal(database)
    journal.append(batch(1, 40), T0_MS)
    Diary(database).add(CORE)
    journal.keep_note("a", {"b": 1})
    return state_of(database)


def state_of(database):
    journal = Journal(database)
    rows = SqlStore(database).raw(CHANNELS, *FOREVER)
    return rows.to_dict("list"), journal.outboxes(), Diary(database).entries(None, *FOREVER), journal.note("a")


LATER = Migration(
    MIGRATIONS[-1].number + 1,
    "a column, filled",
    (
        "ALTER TABLE diary ADD COLUMN weight REAL NOT NULL DEFAULT 0",
        lambda tx: tx.execute("UPDATE diary SET weight = ? WHERE kind = ?", (2.5, "core")),
        "CREATE TABLE weighed (id INTEGER PRIMARY KEY, packed BLOB NOT NULL, name TEXT)",
    ),
)


def test_a_filled_database_is_brought_to_the_next_step(postgres, site, monkeypatch):
    """A step that adds, fills and makes is applied once, over rows that stay; then this version refuses it."""
    with closing(PostgresDatabase(postgres.dsn, site)) as database:
        before = fill(database)
    for _ in range(2):
        with monkeypatch.context() as newer:
            newer.setattr(schema.migrate, "__defaults__", ((*MIGRATIONS, LATER),))
            with closing(PostgresDatabase(postgres.dsn, site)) as database, database.reading() as connection:
                assert state_of(database) == before
                assert connection.execute("SELECT weight FROM diary").fetchall() == [(2.5,)]
                assert connection.execute("SELECT count(*) FROM weighed").fetchone() == (0,)
                assert connection.execute("SELECT count(*) FROM migration").fetchone() == (LATER.number,)
    for make in (True, False):
        with pytest.raises(StoreTooNew, match=rf"found a database of version {LATER.number}, expected at most"):
            PostgresDatabase(postgres.dsn, site, make=make)


def test_who_comes_beside_another_leaves_older_tables_as_they_are(postgres, site, monkeypatch):
    """Pages of a later version do not change tables under the workers of an older one; they say what comes first."""
    with monkeypatch.context() as older:
        older.setattr(schema.migrate, "__defaults__", (MIGRATIONS[:-1],))
        PostgresDatabase(postgres.dsn, site).close()
    with pytest.raises(
        StoreAway, match=rf"version {MIGRATIONS[-1].number - 1}, expected .* workers of this version first"
    ):
        PostgresDatabase(postgres.dsn, site, make=False)
    PostgresDatabase(postgres.dsn, site).close()
    PostgresDatabase(postgres.dsn, site, make=False).close()


def test_tables_of_a_site_that_another_version_holds_are_left_as_they_are(postgres, site, monkeypatch):
    """A later version is refused the site, and its tables have the steps that the holder knows; once it has the site
    they are brought on."""
    with monkeypatch.context() as older:
        older.setattr(schema.migrate, "__defaults__", (MIGRATIONS[:-1],))
        holder = PostgresDatabase(postgres.dsn, site, hold=True)
    with closing(holder):
        with pytest.raises(StoreTaken):
            PostgresDatabase(postgres.dsn, site, hold=True)
        with holder.reading() as connection:
            assert schema.version_of(connection) == MIGRATIONS[-1].number - 1
    with closing(PostgresDatabase(postgres.dsn, site, hold=True)) as database, database.reading() as connection:
        assert schema.version_of(connection) == MIGRATIONS[-1].number


def test_words_of_others_on_the_channel_of_news_are_left_out(postgres, site, ask):
    """Whoever may connect may notify: what has not three words is no news of ours."""
    with closing(NewsSession(postgres.dsn)) as mine, closing(NewsSession(postgres.dsn)) as other:
        mine.hear(0.0)
        for payload in ("", "moss", "a b c d"):
            ask.execute("SELECT pg_notify(%s, %s)", (_NEWS, payload))
        other.tell(site, ["diary"])
        heard = []
        wait_until(lambda: heard.extend(mine.hear(0.1)) or (site, "diary") in heard, "the news comes")


def test_a_step_that_fails_leaves_neither_its_tables_nor_its_record(postgres, site, monkeypatch):
    """It is undone whole, and the database opens as it was."""
    with closing(PostgresDatabase(postgres.dsn, site)) as database:
        before = fill(database)
    broken = Migration(LATER.number, "broken", (*LATER.statements, "INSERT INTO nowhere VALUES (1)"))
    with monkeypatch.context() as newer:
        newer.setattr(schema.migrate, "__defaults__", ((*MIGRATIONS, broken),))
        with pytest.raises(psycopg.errors.UndefinedTable):
            PostgresDatabase(postgres.dsn, site)
    with closing(PostgresDatabase(postgres.dsn, site)) as database, database.reading() as connection:
        assert state_of(database) == before
        assert connection.execute("SELECT to_regclass('weighed')").fetchone() == (None,)


def test_tables_of_another_program_are_refused_and_not_touched(postgres, site, ask):
    """A schema of our name with tables but without our record is somebody else's."""
    ask.execute(f'CREATE SCHEMA "{schema_of(site)}"')
    ask.execute(f'CREATE TABLE "{schema_of(site)}".recipes (name text)')
    with pytest.raises(StoreForeign, match=r"found the tables of another program \(recipes\)"):
        PostgresDatabase(postgres.dsn, site)
    query = "SELECT count(*) FROM pg_tables WHERE schemaname = %s"
    assert ask.execute(query, (schema_of(site),)).fetchone() == (1,)


def test_sites_of_long_names_have_schemas_of_their_own():
    """PostgreSQL cuts names off at 63 bytes (its manual, 4.1.1): two that differ after that do not meet."""
    names = [schema_of("a" * 60 + end) for end in ("", "b", "c", "bcde")]
    assert len(set(names)) == 4 and all(len(name) <= LONGEST_SCHEMA for name in names)
    assert schema_of("meadow") == "site_meadow"


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("SELECT a FROM b WHERE c = ? AND d = ?", b"SELECT a FROM b WHERE c = $1 AND d = $2"),
        ("SELECT ?2, ?1, ?2", b"SELECT $2, $1, $2"),
        ("CREATE TABLE a (id INTEGER PRIMARY KEY, b BLOB) WITHOUT ROWID",
         b"CREATE TABLE a (id BIGINT GENERATED BY DEFAULT AS IDENTITY PRIMARY KEY, b BYTEA)"),
    ],
)  # fmt: skip
def test_statements_are_spelt_for_the_server(ours, theirs):
    """Marks of parameters by their number, and the server's own types."""
    assert spelt(ours) == theirs


def test_a_reading_connection_cannot_write(database):
    """Not even by mistake: readers are told apart from the one that writes."""
    with pytest.raises(Exception, match=r"read-?only"), database.reading() as connection:
        connection.execute("DELETE FROM note")


def test_a_server_that_may_lose_what_it_committed_is_warned_of(postgres, site):
    """The server of the tests syncs: no warning. Nothing but where it is and its version is said."""
    (about,) = about_server(postgres.dsn, site)
    assert f"underturf.site_{site}, version " in about


@pytest.mark.parametrize("dsn", ["nonsense", "host=/nowhere dbname=x", "postgresql://127.0.0.1:1/x"])
def test_what_leads_to_no_server_is_said(dsn, site):
    """A string that is none, a socket and a port where nobody is."""
    for wrong in (lambda: PostgresDatabase(dsn, site), lambda: about_server(dsn, site)):
        with pytest.raises(StoreAway, match=r"store\.dsn_file: found|PostgreSQL at"):
            wrong()


@pytest.mark.parametrize("many", [3, 250])
def test_many_rows_are_brought_as_few_are(database, many):
    """Whether each is a statement or all are copied: those of known keys are replaced, the others added, in both
    kinds of database, with texts that COPY spells otherwise; and none of a transaction that was undone."""
    rows = [(f"key {i}", f'{{"at": {i}, "text": "tab\\t, line\\n, \\\\N and {i}"}}') for i in range(many)]
    keep = "INSERT INTO note VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET body = excluded.body"
    add = "INSERT INTO event (id, at_ms, body) VALUES (?, ?, ?) ON CONFLICT DO NOTHING"
    with database.transaction() as tx:
        tx.executemany(keep, [(key, "before") for key, _ in rows[: many // 2]])
        assert tx.executemany(keep, rows).rowcount == many
        assert tx.executemany(add, [(key, 5, body) for key, body in rows]).rowcount == many
        assert tx.executemany(add, [(key, 6, "again") for key, _ in rows]).rowcount == 0
    with pytest.raises(ZeroDivisionError), database.transaction() as tx:
        tx.executemany(keep, [(f"other {i}", "undone") for i in range(many)])
        raise ZeroDivisionError
    with database.reading() as connection:
        assert sorted(connection.execute("SELECT key, body FROM note").fetchall()) == sorted(rows)
        events = connection.execute("SELECT id, at_ms, body FROM event ORDER BY number").fetchall()
    assert events == [(key, 5, body) for key, body in rows]


def test_a_process_with_many_open_files_reads_and_writes(postgres, site):
    """Connections beyond the 1024th file of a process, where select(2) ends, are looked at like any other."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(4096, hard), hard))
    files = [os.open(os.devnull, os.O_RDONLY) for _ in range(1100)]
    try:
        with closing(PostgresDatabase(postgres.dsn, site)) as database:
            for number in range(2):
                Journal(database).keep_note("a", {"b": number})
                assert Journal(database).note("a") == {"b": number}
    finally:
        for file in files:
            os.close(file)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_a_server_that_is_gone_is_seen_by_our_side_too(postgres, site):
    """What libpq was told, read back from its connection: a question after 5 s of silence, lost after 15 s more."""
    with closing(PostgresDatabase(postgres.dsn, site)) as database:
        told = database._writer.session.info.get_parameters()
    assert {name: told[name] for name in told if name.startswith("keepalives_")} == {
        "keepalives_idle": "5",
        "keepalives_interval": "5",
        "keepalives_count": "3",
    }


def test_a_connection_whose_settings_are_refused_is_closed(postgres, site, monkeypatch):
    """No session is left on the server: it has only so many."""
    made, connect = [], psycopg.connect
    monkeypatch.setattr(psycopg, "connect", lambda *a, **k: made.append(connect(*a, **k)) or made[-1])
    monkeypatch.setattr("pipeline.store.postgres.LOCK_WAIT_MS", "no time")
    with pytest.raises(psycopg.errors.InvalidParameterValue):
        PostgresDatabase(postgres.dsn, site)
    assert [one.closed for one in made] == [True]


def test_nothing_is_written_and_the_site_is_not_taken_once_it_is_closed(postgres, site):
    """A thread that comes late is refused, and another service has the site."""
    first = PostgresDatabase(postgres.dsn, site)
    first.hold_site()
    first.close()
    with pytest.raises(StoreAway, match="found it closed"):
        Journal(first).keep_note("a", {"b": 1})
    with closing(PostgresDatabase(postgres.dsn, site)) as second:
        second.hold_site()
        assert Journal(second).note("a") == {}


def test_a_site_is_free_as_soon_as_it_is_closed(postgres, site, ask):
    """The server takes its time to end a session: thirty times over, the lock is gone before."""
    for _ in range(30):
        database = PostgresDatabase(postgres.dsn, site, hold=True)
        pid = database._writer.session.info.backend_pid
        database.close()
        query = "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND pid = %s"
        assert ask.execute(query, (pid,)).fetchone() == (0,)


def test_what_a_server_says_out_of_turn_is_no_end_of_the_connection(postgres, site, ask):
    """A notification is read and the same session goes on; an end that is said is an end, though more can be read."""
    with closing(PostgresDatabase(postgres.dsn, site)) as database:
        writer = database._writer
        writer.execute("LISTEN wind")
        ask.execute("NOTIFY wind")
        arrived(writer)
        assert not writer.is_lost
        Journal(database).keep_note("a", {"b": 1})
        assert database._writer is writer
        ask.execute("SELECT pg_terminate_backend(%s)", (writer.session.info.backend_pid,))
        arrived(writer)
        assert writer.is_lost


def arrived(session):
    """Wait until something can be read."""
    assert select.select([session.session.fileno()], [], [], 20.0)[0]


@pytest.mark.parametrize("ends", [True, False])
def test_a_lost_connection_of_our_own_is_waited_for_and_not_told_as_another_service(
    postgres, site, ask, monkeypatch, ends
):
    """The server's process that held the site is stopped (SIGSTOP), so that it does not see our end of the connection
    closed. Let go on while we wait, it ends and the site is ours again; else it is said whose it is."""
    monkeypatch.setattr("pipeline.store.postgres.LOCK_WAIT_MS", 20_000 if ends else 200)
    with closing(PostgresDatabase(postgres.dsn, site)) as database:
        database.hold_site()
        ghost = database._writer.session.info.backend_pid
        os.kill(ghost, signal.SIGSTOP)
        going_on = threading.Thread(target=go_on_when_waited_for, args=(postgres.dsn, ghost))
        try:
            database._writer.session.close()
            if ends:
                going_on.start()
                Journal(database).keep_note("a", {"b": 1})
                assert Journal(database).note("a") == {"b": 1}
            else:
                with pytest.raises(StoreAway, match="this service's own lost connection"):
                    Journal(database).keep_note("a", {"b": 1})
                assert not database.taken
        finally:
            if ends:
                going_on.join()
            else:
                os.kill(ghost, signal.SIGCONT)


@pytest.mark.parametrize("where", ["idle", "in a transaction", "in a copy"])
def test_a_stopped_process_loses_the_site_wherever_it_was_stopped(postgres, site, monkeypatch, where):
    """No heartbeat comes any more: the server ends the session, or, in the midst of a statement, who wants the site
    does. When the first goes on, the second has been at work: it writes nothing more, not even once it is free."""
    monkeypatch.setattr("pipeline.store.postgres.BEAT_S", 3600.0)
    monkeypatch.setattr("pipeline.store.postgres.STOPPED_MS", 300)
    told = []
    with closing(PostgresDatabase(postgres.dsn, site)) as first, ExitStack() as stopped:
        first.hold_site()
        first.when_taken(lambda: told.append(first.taken))
        if where != "idle":
            first._writer.execute("BEGIN IMMEDIATE")
        if where == "in a copy":
            stopped.enter_context(suppress(psycopg.Error))
            copy = psycopg.Cursor(first._writer.session).copy("COPY note FROM STDIN")
            stopped.enter_context(copy).write_row(("a", "{}"))
        if where == "in a copy":
            first._ended.wait(0.4)
        else:
            wait_until(lambda: first._writer.is_lost, "the server ends the session by itself")
        with closing(PostgresDatabase(postgres.dsn, site)) as second:
            wait_until(lambda: took(second), "the site is free")
            Journal(second).keep_note("b", {"by": "second"})
        for _ in range(2):
            with pytest.raises(StoreTaken, match="another service has had the site since"):
                Journal(first).keep_note("b", {"by": "first"})
        assert told == [first.taken] and Journal(first).note("b") == {"by": "second"}


def fail_with(fault):
    raise fault


def test_a_process_that_writes_nothing_keeps_the_site(postgres, site, monkeypatch, caplog):
    """Its heartbeats come oftener than the server waits for; the session stays the same."""
    monkeypatch.setattr("pipeline.store.postgres.BEAT_S", 0.05)
    monkeypatch.setattr("pipeline.store.postgres.STOPPED_MS", 400)
    with (
        closing(PostgresDatabase(postgres.dsn, site)) as first,
        closing(PostgresDatabase(postgres.dsn, site)) as second,
    ):
        with monkeypatch.context() as broken:  # a beat that fails for a reason nobody knows is logged, the next comes
            broken.setattr(first, "_renew_writer", partial(fail_with, psycopg.ProgrammingError("of the test")))
            first.hold_site()
            wait_until(lambda: "of the test" in caplog.text, "it is logged")
        writer = first._writer
        for _ in range(10):
            assert not took(second)
            first._ended.wait(0.1)
        assert first._writer is writer and not writer.is_lost


def took(database):
    """Whether a process could take the site."""
    with suppress(StoreTaken):
        database.hold_site()
        return True
    return False


def go_on_when_waited_for(dsn, ghost):
    """Let a stopped process go on once somebody waits for a lock that it holds, or after some seconds."""
    with psycopg.connect(dsn, autocommit=True) as connection:
        for _ in range(500):
            query = "SELECT count(*) FROM pg_locks WHERE NOT granted AND %s = ANY(pg_blocking_pids(pid))"
            if connection.execute(query, (ghost,)).fetchone() != (0,):
                break
            connection.execute("SELECT pg_sleep(0.01)")
    os.kill(ghost, signal.SIGCONT)
