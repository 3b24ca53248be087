"""Migrations: each step with its record or neither, once, and never an older program on a newer file.

Expected behaviour: SQLite's transactional schema changes, and our own numbering.
"""

import json
import sqlite3
from contextlib import closing

import numpy as np
import pytest

from hardware.reading import Batch, Reading, Status
from pipeline.diary.entry import DiaryEntry
from pipeline.errors import StoreForeign, StoreTooNew
from pipeline.store.database import Database, tables_of
from pipeline.store.diary import Diary
from pipeline.store.journal import Journal
from pipeline.store.packed import pack
from pipeline.store.schema import MIGRATIONS, Migration, migrate
from pipeline.store.series import SqlStore
from pipeline.units import DAY_MS

T0_MS = 1_704_067_200_000

ONE = Migration(1, "one", ("CREATE TABLE a (x)",))
TWO = Migration(2, "two", ("CREATE TABLE b (x)", "INSERT INTO b VALUES (1)"))
BROKEN = Migration(2, "broken", ("CREATE TABLE b (x)", "INSERT INTO nowhere VALUES (1)"))


@pytest.fixture
def connection(tmp_path):
    with closing(sqlite3.connect(tmp_path / "a.db", isolation_level=None)) as opened:
        yield opened


def test_steps_are_applied_in_order_and_once(connection):
    """The first time both are applied and recorded, the second time none."""
    assert migrate(connection, "a.db", lambda: tables_of(connection), (ONE, TWO)) == 2
    assert migrate(connection, "a.db", lambda: tables_of(connection), (ONE, TWO)) == 0
    assert connection.execute("SELECT number, name FROM migration").fetchall() == [(1, "one"), (2, "two")]
    assert connection.execute("SELECT count(*) FROM b").fetchone() == (1,)


def test_an_older_file_gets_only_what_it_lacks(connection):
    """A file at step 1 with rows in it goes on to step 2 and keeps them."""
    migrate(connection, "a.db", lambda: tables_of(connection), (ONE,))
    connection.execute("INSERT INTO a VALUES (5)")
    assert migrate(connection, "a.db", lambda: tables_of(connection), (ONE, TWO)) == 1
    assert connection.execute("SELECT x FROM a").fetchall() == [(5,)]


def test_a_step_that_fails_leaves_neither_tables_nor_record(connection):
    """A step that stops half-way is undone with its record; the same file takes the repaired step."""
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        migrate(connection, "a.db", lambda: tables_of(connection), (ONE, BROKEN))
    assert tables_of(connection) == {"migration", "a"}
    assert connection.execute("SELECT max(number) FROM migration").fetchone() == (1,)
    assert migrate(connection, "a.db", lambda: tables_of(connection), (ONE, TWO)) == 1


def test_a_file_of_a_later_version_is_refused_and_not_touched(tmp_path):
    """An old program says what it found and what to do, and changes nothing."""
    path = tmp_path / "journal.db"
    Database(path).close()
    later = MIGRATIONS[-1].number + 1
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("INSERT INTO migration VALUES (?, 'of the future')", (later,))
    before = path.read_bytes()
    with pytest.raises(StoreTooNew, match=rf"found a database of version {later}, expected at most {later - 1}"):
        Database(path)
    assert path.read_bytes() == before


def test_another_programs_database_is_refused_and_not_touched(tmp_path):
    """A SQLite file with tables but without our record is somebody else's."""
    path = tmp_path / "journal.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("CREATE TABLE recipes (name)")
    with pytest.raises(StoreForeign, match=r"found the tables of another program \(recipes\)"):
        Database(path)
    with closing(sqlite3.connect(path)) as connection:
        assert tables_of(connection) == {"recipes"}


def test_steps_are_numbered_without_a_gap():
    """The numbers are 1, 2, 3 ...: a record of the last one stands for all before it."""
    assert [m.number for m in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


def test_notes_that_stood_among_the_alerts_move_to_their_own_table(tmp_path):
    """A file of the version before keeps what worker and notifier noted, apart from the states of alerts."""
    path = tmp_path / "journal.db"
    state = '{"rule":"roots_dry","station":"s1"}'
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrate(connection, "journal.db", lambda: tables_of(connection), MIGRATIONS[:5])
        rows = [
            ("s1/roots_dry", state),
            ("worker/worked", '{"a/b/c":7}'),
            ("notify/refused", '{"events":[{"id":"e"}]}'),
        ]
        connection.executemany("INSERT INTO alert_state VALUES (?, ?)", rows)
    journal = Journal(Database(path))
    assert journal.alert_states() == {"s1/roots_dry": {"rule": "roots_dry", "station": "s1"}}
    assert journal.note("worker/worked") == {"a/b/c": 7}
    assert journal.note("notify/refused") == {"events": [{"id": "e"}]}
    journal.keep_note("worker/worked", {"a/b/c": 8})
    assert journal.note("worker/worked") == {"a/b/c": 8} and journal.note("of nobody") == {}
    journal.database.close()


def test_rows_written_before_the_mark_of_a_noisy_line_read_as_they_were(tmp_path):
    """A file of the version before: tries of any number, also those by which such a line was told then, and no mark.
    It takes marked ones beside them, and once it is of this version the program of before refuses it."""
    path = tmp_path / "journal.db"
    tries, outbox = [1, 3, 65, 99], "0" * 16
    readings = tuple(
        Reading("c", "n", outbox, i + 1, "a/b/c", str(i + 1), T0_MS + i, 0.5, Status.OK, tried, True)
        for i, tried in enumerate(tries)
    )
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrate(connection, "journal.db", lambda: tables_of(connection), MIGRATIONS[:10])
        connection.execute("INSERT INTO channel VALUES (1, 'a/b/c')")
        connection.execute(
            "INSERT INTO outbox (id, site, node, outbox_id, received) VALUES (1, 'c', 'n', ?, 4)", (outbox,)
        )
        packed = pack(Batch("c", "n", outbox, 1, readings).columns, {"a/b/c": 1})[0].tobytes()
        connection.execute("INSERT INTO run VALUES (1, ?, NULL)", (packed,))
        connection.execute("INSERT INTO span VALUES (1, 1, 4, 1, 1, ?, ?, 7, 0, 0, NULL, 0)", (T0_MS, T0_MS + 3))
    database = Database(path)
    journal, store = Journal(database), SqlStore(database)
    marked = Reading("c", "n", outbox, 5, "a/b/c", "5", T0_MS + 4, 0.5, Status.OK, 2, True, noisy=True)
    journal.append(Batch("c", "n", outbox, 1, (marked,)), T0_MS + 9)
    found = store.raw(["a/b/c"], 0, 2**61)
    assert found["attempts"].tolist() == [*tries, 2] and found["noisy"].tolist() == [False] * 4 + [True]
    assert journal.append(Batch("c", "n", outbox, 1, readings), T0_MS + 9).conflicts == 0
    database.close()
    with closing(sqlite3.connect(path, isolation_level=None)) as connection, pytest.raises(StoreTooNew):
        migrate(connection, "journal.db", lambda: tables_of(connection), MIGRATIONS[:10])


def test_keys_of_entries_of_before_are_their_identities(tmp_path):
    """A file of the version before knows what was sent under a key; what had none has none."""
    path = tmp_path / "journal.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrate(connection, "journal.db", lambda: tables_of(connection), MIGRATIONS[:12])
        for text in ("a", "b"):
            row = ("note", "square", T0_MS, f'{{"text":"{text}"}}', "Ann", T0_MS)
            columns = "kind, surface, at_ms, body, author, written_at_ms"
            connection.execute(f"INSERT INTO diary ({columns}) VALUES (?, ?, ?, ?, ?, ?)", row)
        connection.execute("INSERT INTO diary_key VALUES ('k', 2)")
    with closing(Database(path)) as database:
        diary = Diary(database)
        assert [(one.id, one.sent_as) for one in diary.entries(None, 0, 2**61)] == [(1, ""), (2, "k")]
        assert diary.add(DiaryEntry("note", "square", T0_MS, {"text": "b"}, sent_as="k")).id == 2
        assert diary.add(DiaryEntry("note", "square", T0_MS, {"text": "c"}, sent_as="l")).id == 3


def test_observations_kept_in_rows_are_the_same_in_days(tmp_path):
    """A file of the version before gives back every observation to the last bit, the same days, and the edges of its
    readings (the rows put in; the roll-up is SQLite's own avg over them)."""
    path, rng = tmp_path / "journal.db", np.random.default_rng(1)
    readings = tuple(
        Reading("c", "n", "0" * 16, i + 1, f"a/b/c{i % 2}", str(i + 1), T0_MS + i * 60_000, 0.5, Status.OK, 1, True)
        for i in range(30)
    )
    packed = pack(Batch("club", "north", "0" * 16, 1, readings).columns, {"a/b/c0": 1, "a/b/c1": 2})[0].tobytes()
    times = T0_MS + np.sort(rng.choice(3 * DAY_MS, 300, replace=False))
    raw, value, flag = rng.random(300), rng.random(300), rng.choice([1, 2, 3, 4, 9], 300)
    rows = [
        (2, int(t), None if f == 9 else float(r), None if f in (4, 9) else float(v), int(f), 1, int(t) + 5)
        for t, r, v, f in zip(times, raw, value, flag, strict=True)
    ]
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrate(connection, "journal.db", lambda: tables_of(connection), MIGRATIONS[:6])
        connection.executemany("INSERT INTO channel VALUES (?, ?)", [(1, "a/b/c0"), (2, "a/b/c1")])
        connection.execute("INSERT INTO outbox (id, site, node, outbox_id) VALUES (1, 'c', 'n', '0000000000000000')")
        connection.executemany("INSERT INTO carries VALUES (?, 1)", [(1,), (2,)])
        connection.execute("INSERT INTO run VALUES (1, ?, NULL)", (packed,))
        span = (1, 1, 30, 1, 1, T0_MS, T0_MS + 29 * 60_000, 7)
        connection.execute("INSERT INTO span VALUES (?, ?, ?, ?, ?, ?, ?, ?, 0, 0, NULL)", span)
        connection.execute("INSERT INTO stage_version VALUES (1, 5)")
        connection.executemany("INSERT INTO observation VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        days = connection.execute(
            f"SELECT measured_at_ms / {DAY_MS} * {DAY_MS} AS day, min(value), avg(value), max(value), count(*) "
            "FROM observation WHERE value IS NOT NULL AND flag IN (1, 2) GROUP BY day"
        ).fetchall()
    store = SqlStore(Database(path))
    found = store.observations(["a/b/c0", "a/b/c1"], 0, 2**61)
    assert found["channel"].unique().tolist() == ["a/b/c1"] and found["stage_version"].unique().tolist() == [5]
    columns = ["measured_at_ms", "raw", "value", "flag", "received_at_ms"]
    again = [tuple(None if v != v else v for v in row) for row in found[columns].itertuples(index=False)]
    assert again == [(*row[1:5], row[6]) for row in rows]
    assert [tuple(row[1:]) for row in store.steps(["a/b/c1"], 0, 2**61, DAY_MS).values.tolist()] == days
    assert store.span(["a/b/c0"]) == (T0_MS, T0_MS + 28 * 60_000)
    assert store.span(["a/b/c1"]) == (T0_MS + 60_000, T0_MS + 29 * 60_000)
    assert len(store.raw(["a/b/c0", "a/b/c1"], T0_MS, T0_MS + 60_001)) == 2


def test_versions_of_stages_are_spelt_alike_whatever_they_were(tmp_path):
    """A number and a text that reads as that number stay two versions when a file of the version before is opened."""
    path = tmp_path / "journal.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrate(connection, "journal.db", lambda: tables_of(connection), MIGRATIONS[:13])
        connection.executemany("INSERT INTO stage_version VALUES (?, ?)", [(1, 5), (2, "5"), (3, '"5"'), (4, "5b")])
    with closing(Database(path)) as database, database.reading() as connection:
        found = connection.execute("SELECT id, label FROM stage_version ORDER BY id").fetchall()
    assert [(number, json.loads(label)) for number, label in found] == [(1, 5), (2, "5"), (3, '"5"'), (4, "5b")]
