"""The one door to SQLite: what is committed stays, what fails leaves nothing, and each fault has its kind.

Expected behaviour is SQLite's own documentation of transactions, result codes and WAL mode.
"""

import sqlite3
import subprocess
import sys
import threading
from contextlib import ExitStack, closing

import pytest

from pipeline.errors import PipelineFault, StoreAway, StoreDamaged, StoreForeign, StoreFull
from pipeline.store import database as module
from pipeline.store.database import Database

COUNT = "SELECT count(*) FROM channel"


@pytest.fixture
def database(tmp_path):
    opened = Database(tmp_path / "journal.db")
    yield opened
    opened.close()


def add(tx, name):
    tx.execute("INSERT INTO channel (name) VALUES (?)", (name,))


def count(database):
    with database.reading() as connection:
        return connection.execute(COUNT).fetchone()[0]


def test_a_commit_is_synced_to_the_disk(database):
    """The writer runs in WAL mode with synchronous=FULL (2): the only setting that outlives a power cut."""
    with database.transaction() as tx:
        assert tx.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert tx.execute("PRAGMA synchronous").fetchone() == (2,)


def test_a_transaction_that_raises_leaves_nothing(database):
    """All of a transaction is undone, and the next one works."""
    with pytest.raises(RuntimeError, match="on purpose"), database.transaction() as tx:
        add(tx, "a")
        raise RuntimeError("on purpose")
    assert count(database) == 0
    with database.transaction() as tx:
        add(tx, "b")
    assert count(database) == 1


def test_a_transaction_inside_another_is_part_of_it(database):
    """The outer one commits or undoes both."""
    with pytest.raises(RuntimeError), database.transaction():
        with database.transaction() as tx:
            add(tx, "a")
        raise RuntimeError
    assert count(database) == 0
    with database.transaction():
        with database.transaction() as tx:
            add(tx, "a")
        assert count(database) == 0
    assert count(database) == 1


def test_a_fault_inside_the_inner_one_undoes_its_part_alone(database):
    """An inner failure that the outer block lets pass is undone by itself, and the rest is committed."""
    with database.transaction() as tx:
        add(tx, "a")
        with pytest.raises(KeyError), database.transaction():
            add(tx, "of the part that fails")
            raise KeyError
        add(tx, "b")
    with database.reading() as connection:
        assert connection.execute("SELECT name FROM channel ORDER BY name").fetchall() == [("a",), ("b",)]


def test_a_full_disk_that_the_outer_block_lets_pass_commits_nothing(database):
    """SQLite undoes the whole transaction on a full disk: the outer commit fails, and says so."""
    with pytest.raises(sqlite3.OperationalError, match="no transaction is active"), database.transaction() as tx:
        add(tx, "a")
        with pytest.raises(StoreFull), database.transaction():
            tx.execute("PRAGMA max_page_count = 1")
            for i in range(2000):
                add(tx, f"{i:0>1000}")
    assert count(database) == 0


def test_reading_goes_on_beside_a_writer(database):
    """A reader sees what is committed while a transaction is open, and a snapshot does not move under it."""
    with database.snapshot() as reader:
        assert reader.execute(COUNT).fetchone() == (0,)
        with database.transaction() as tx:
            add(tx, "a")
            assert count(database) == 0
        assert count(database) == 1
        assert reader.execute(COUNT).fetchone() == (0,)


def test_a_reading_connection_cannot_write(database):
    """Only the one writer writes."""
    with pytest.raises(StoreAway), database.reading() as connection:
        add(connection, "a")


def test_many_threads_write_and_read_at_once(database):
    """Transactions of several threads come one after the other, and none is lost."""

    def work(name):
        for i in range(20):
            with database.transaction() as tx:
                add(tx, f"{name}{i}")
            count(database)

    threads = [threading.Thread(target=work, args=(name,)) for name in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert count(database) == 80


def test_a_full_disk_raises_store_full_and_undoes(tmp_path):
    """Reaching the bound of the file undoes the transaction whole; reading goes on."""
    database = Database(tmp_path / "journal.db", max_bytes=200_000)
    with pytest.raises(StoreFull, match="found no room"), database.transaction() as tx:
        for i in range(1000):
            add(tx, f"{i:0>1000}")
    assert count(database) == 0
    database.close()


def test_a_database_another_process_holds_is_away(tmp_path, monkeypatch):
    """A lock that is not given in time is an environment fault, and passes."""
    monkeypatch.setattr(module, "BUSY_S", 0.02)
    database = Database(tmp_path / "journal.db")
    with closing(sqlite3.connect(tmp_path / "journal.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreAway, match="another process holds"), database.transaction():
            pass
        other.execute("ROLLBACK")
    with database.transaction() as tx:
        add(tx, "a")
    assert count(database) == 1
    database.close()


def test_a_folder_that_is_not_there_is_away(tmp_path):
    """A file that cannot be opened names itself and is an environment fault."""
    with pytest.raises(StoreAway, match=r"nowhere/journal\.db: the file cannot be opened"):
        Database(tmp_path / "nowhere" / "journal.db")


def test_a_file_that_is_no_database_is_refused(tmp_path):
    """A text file is refused by name and left as it was."""
    path = tmp_path / "journal.db"
    path.write_text("not a database, but somebody's notes\n" * 100)
    before = path.read_bytes()
    with pytest.raises(StoreForeign, match="found a file that is no SQLite database"):
        Database(path)
    assert path.read_bytes() == before


def test_a_damaged_file_is_away_and_says_to_restore(tmp_path):
    """Pages overwritten with noise raise an environment fault that names the remedy, not a wrong row."""
    path = tmp_path / "journal.db"
    database = Database(path)
    with database.transaction() as tx:
        for i in range(2000):
            add(tx, f"{i:0>100}")
    database.close()
    spoiled = bytearray(path.read_bytes())
    spoiled[4096 * 2 :] = b"\xa5" * len(spoiled[4096 * 2 :])
    path.write_bytes(spoiled)
    with pytest.raises(StoreDamaged, match="restore the last backup"):
        damaged = Database(path)
        with damaged.reading() as connection:
            connection.execute("SELECT sum(length(name)) FROM channel").fetchall()


def test_our_own_wrong_sql_is_a_bug_and_not_a_fault(database):
    """A misspelt table leaves as sqlite3's own error, so that nobody backs off and tries again for ever."""
    with pytest.raises(sqlite3.OperationalError, match="no such table") as raised, database.transaction() as tx:
        tx.execute("SELECT * FROM channels")
    assert not isinstance(raised.value, PipelineFault)


def test_idle_readers_are_few(database):
    """However many read at once, only a bounded number of connections stay open."""
    with ExitStack() as stack:
        for _ in range(3 * module.IDLE_READERS):
            stack.enter_context(database.reading())
    assert len(database._idle) == module.IDLE_READERS


def test_opening_a_file_again_leaves_the_locks_of_this_process_in_place(tmp_path):
    """POSIX drops every lock of a process on a file when any descriptor of it is closed: to open the database once more
    must not do that. Another process sees a lock (fcntl, F_GETLK) before and after."""
    path = tmp_path / "journal.db"
    first = Database(path)
    held = "import fcntl, struct, sys; f = open(sys.argv[1], 'r+b'); print(struct.unpack('hhlli', fcntl.fcntl(f, fcntl."
    held += "F_GETLK, struct.pack('hhlli', fcntl.F_WRLCK, 0, 0, 0, 0)))[0] != fcntl.F_UNLCK)"

    def is_locked():
        return subprocess.run(
            [sys.executable, "-c", held, str(path)], capture_output=True, text=True, check=True
        ).stdout

    assert is_locked() == "True\n"
    second = Database(path)
    assert is_locked() == "True\n"
    second.close()
    first.close()


def test_a_file_that_others_may_read_is_closed_to_them(tmp_path):
    """One left by a careless umask, and one that is new: owner and group alone."""
    path = tmp_path / "journal.db"
    for mode in (None, 0o666):
        if mode is not None:
            path.chmod(mode)
        Database(path).close()
        assert path.stat().st_mode & 0o777 == 0o640


def test_a_check_ends_when_it_is_told_to_and_finds_what_is_wrong_else(tmp_path, monkeypatch):
    """Given up between two looks it says so and leaves the connection usable; finished it has found the noise."""
    monkeypatch.setattr(module, "LOOK_OPS", 10)
    path = tmp_path / "journal.db"
    database = Database(path)
    with database.transaction() as tx:
        for i in range(2000):
            add(tx, f"{i:0>100}")
    assert database.check(whole=True, go_on=lambda: False) is False
    assert database.check(whole=True, go_on=lambda: True) is True and count(database) == 2000
    database.close()
    spoiled = bytearray(path.read_bytes())
    spoiled[-4096:] = b"\xa5" * 4096
    path.write_bytes(spoiled)
    database = Database(path)
    for _ in range(2):  # once found it is known, and not looked for again
        with pytest.raises(StoreDamaged, match="found it damaged"):
            database.check(whole=False, go_on=lambda: True)
    with pytest.raises(StoreDamaged), database.transaction():
        pass
    database.close()
