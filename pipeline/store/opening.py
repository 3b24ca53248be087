"""Open the stores that the settings name, take the data folder for one process, and feed a server store.

Everything is in one SQLite file of the data folder, or in a PostgreSQL database; beside a file the series may be on a
server of their own. Any number of processes may read; the one that writes has the lock of the folder, and in PostgreSQL
the lock of the site.

A server may answer that it has taken a row and still lose it. So a run of readings leaves the queue when it has been
read back, stays in the journal for seven days after, is read back once more, and only then is let go; a run the server
has lost by then goes back into the queue. One `Feeder.step` is bounded; the worker calls it.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import IO, TYPE_CHECKING

from pipeline.errors import PipelineFault, StoreAway
from pipeline.site.settings import SiteConfig, read_secret
from pipeline.store import Store
from pipeline.store.database import Database
from pipeline.store.diary import Diary
from pipeline.store.journal import Journal, WaitingRun
from pipeline.store.people import People
from pipeline.store.photos import DatabasePhotographs, FolderPhotographs, Photographs, take_in_folder
from pipeline.store.readings import Channels
from pipeline.store.redating import RedatedSpan
from pipeline.store.series import SqlStore
from pipeline.store.sql import SqlDatabase

if TYPE_CHECKING:
    from pipeline.store.influx import InfluxStore
    from pipeline.store.job_queue import JobQueue
    from pipeline.store.postgres import NewsSession, PostgresDatabase, WorkerSession

JOURNAL_FILE, LOCK_FILE = "journal.db", "pipeline.lock"
DATA_DIR_MODE = 0o750
SPARE_SESSIONS = 8  # reading connections to a server kept open; more are opened when needed and closed after
SET_ASIDE = ".before-restore-"  # how a folder with the data from before a restore begins


class DataInUse(PipelineFault):
    """Another process has the data folder."""


@dataclass(frozen=True)
class Stores:
    """The open stores. Reading is safe beside a running pipeline; writing needs the lock of the folder."""

    database: SqlDatabase
    journal: Journal
    store: Store
    diary: Diary
    people: People
    photographs: Photographs
    server: InfluxStore | None = None

    def close(self) -> None:
        """Close the stores."""
        self.store.close()
        self.database.close()


def open_stores(config: SiteConfig, *, spare_sessions: int = SPARE_SESSIONS, hold: bool = True) -> Stores:
    """Open the stores that the settings name; so many reading sessions with a PostgreSQL server stay open.

    Without `hold`, which PostgreSQL alone knows, another process is the one that keeps readings and works on them.

    Raises
    ------
    StoreFault
        When one cannot be opened, or a restore was cut short between what was there and what was brought.
    """
    folder = config.data.dir
    folder.mkdir(mode=DATA_DIR_MODE, parents=True, exist_ok=True)
    in_file = config.store.kind != "postgresql"
    if in_file and not (folder / JOURNAL_FILE).exists() and (aside := sorted(folder.glob(f"{SET_ASIDE}*"))):
        raise StoreAway(
            f"{folder / JOURNAL_FILE}: found none, and the one from before in {aside[-1]}: a restore was cut short. "
            "Restore the backup once more, with --replace."
        )
    database: SqlDatabase = (
        Database(folder / JOURNAL_FILE)
        if in_file
        else _open_postgres(config, make=hold, hold=hold, spare_sessions=spare_sessions)
    )
    channels = Channels()
    feeding = config.store.kind == "influx"
    journal = Journal(database, feeding=feeding, channels=channels)
    diary, people, photographs = Diary(database), People(database, config.site.name), _photographs(config, database)
    if isinstance(photographs, DatabasePhotographs):  # which an earlier version kept in the folder
        try:
            take_in_folder(folder, photographs)
        except BaseException:
            database.close()
            raise
    if not feeding:
        return Stores(database, journal, SqlStore(database, channels=channels), diary, people, photographs)
    server = open_server_store(config, redated=journal.redated)
    return Stores(database, journal, server, diary, people, photographs, server)


def _open_postgres(
    config: SiteConfig, *, make: bool, hold: bool, spare_sessions: int = SPARE_SESSIONS
) -> PostgresDatabase:
    """Open the database of a site, made there if asked for, and with `hold` held for this process."""
    opened: PostgresDatabase = _postgres().PostgresDatabase(
        dsn_of(config), config.site.name, make=make, hold=hold, spare_sessions=spare_sessions
    )
    return opened


def _photographs(config: SiteConfig, database: SqlDatabase) -> Photographs:
    in_file = config.store.kind != "postgresql"
    return FolderPhotographs(config.data.dir) if in_file else DatabasePhotographs(database)


def _postgres() -> ModuleType:
    try:
        from pipeline.store import postgres
    except ImportError as err:
        raise StoreAway(f"store: found no {err.name}, expected it: pip install 'underturf[postgresql]'") from err
    return postgres


def dsn_of(config: SiteConfig) -> str:
    """Return the connection string of a site that is kept on a PostgreSQL server.

    Raises
    ------
    StoreAway
        When its file cannot be read.
    """
    file = config.store.dsn_file
    assert file is not None, "the settings ask for it"
    try:
        return read_secret(file)
    except (OSError, UnicodeDecodeError) as err:
        expected = "expected the connection string alone, in UTF-8, in a file that this process may read"
        raise StoreAway(f"store.dsn_file: found {file} ({err}), {expected}") from err


def worker_session(dsn: str) -> WorkerSession:
    """Return a worker's session with the server of many sites. It is not asked for anything yet.

    Raises
    ------
    StoreAway
        When the program is not installed with what speaks to such a server.
    """
    session: WorkerSession = _postgres().WorkerSession(dsn)
    return session


def held_sites(dsn: str, sites: Iterable[str]) -> set[str]:
    """Return those of some sites of a server that a process holds; see `worker_session`."""
    held: set[str] = _postgres().held_sites(dsn, sites)
    return held


def news_session(dsn: str) -> NewsSession:
    """Return a session that carries news between processes; see `worker_session`."""
    session: NewsSession = _postgres().NewsSession(dsn)
    return session


def job_queue(dsn: str) -> JobQueue:
    """Return the queue of the long jobs of all sites of a server; see `worker_session`."""
    try:
        from pipeline.store.job_queue import JobQueue
    except ImportError as err:
        raise StoreAway(f"store: found no {err.name}, expected it: pip install 'underturf[postgresql]'") from err
    return JobQueue(dsn)


def open_server_store(config: SiteConfig, *, redated: Callable[[], Sequence[RedatedSpan]] = tuple) -> InfluxStore:
    """Return the server store that the settings name. It is not asked for anything yet.

    `redated` gives the readings that were dated again, which it then gives at the time at which they were taken.
    """
    try:
        from pipeline.store.influx import InfluxStore
    except ModuleNotFoundError as err:
        raise StoreAway(f"store: found no module {err.name}, expected it: pip install 'underturf[influx]'") from err

    token = None if config.store.token_file is None else read_secret(config.store.token_file)
    return InfluxStore(config.store, config.site.name, token=token, redated=redated)


def meet_server(config: SiteConfig) -> tuple[str, ...]:
    """Ask the server that the settings name what it is; returns a line about it and one for each warning.

    Raises
    ------
    StoreAway
        When it does not answer, refuses, or is of a version that is not known.
    """
    if config.store.kind == "sqlite":
        return ()
    if config.store.kind == "postgresql":
        about, *warnings = _postgres().about_server(dsn_of(config), config.site.name)
        return (f"store: {about}", *(f"store: warning: {warning}" for warning in warnings))
    with closing(open_server_store(config)) as store:
        server = store.meet()
    kept = "for ever" if config.store.keep_days is None else f"{config.store.keep_days} days"
    about = f"store: InfluxDB {server.version} at {config.store.url}, written to {server.writes_to}, rows kept {kept}"
    return (about, *(f"store: warning: {warning}" for warning in server.warnings))


@contextmanager
def open_journal(config: SiteConfig, *, writing: bool = False) -> Iterator[Journal]:
    """Open the journal of a site: to read it, beside a running server too, or alone, to write in it.

    Raises
    ------
    DataInUse
        When it is to be written, and another process has the folder.
    StoreAway
        When no server has kept anything there, or another process holds the site in the database.
    """
    path = config.data.dir / JOURNAL_FILE
    in_file = config.store.kind != "postgresql"
    if in_file and not path.exists():
        raise StoreAway(f"{path}: found no such file, expected the journal of a server that has run here")
    with ExitStack() as opened:
        if writing:
            opened.enter_context(lock_folder(config.data.dir))
        database: SqlDatabase = Database(path) if in_file else _open_postgres(config, make=False, hold=writing)
        opened.enter_context(closing(database))
        yield Journal(database, feeding=writing and config.store.kind == "influx")


@contextmanager
def open_people(config: SiteConfig) -> Iterator[People]:
    """Open the people of a data folder to change them, beside a running server too, which asks anew at each request.

    Raises
    ------
    StoreAway
        When no server has kept anything there.
    """
    with open_journal(config) as journal:
        yield People(journal.database, config.site.name)


@contextmanager
def open_for_reading(config: SiteConfig) -> Iterator[Stores]:
    """Open the stores to read them, beside a running server too.

    Raises
    ------
    StoreAway
        When no server has kept anything there.
    """
    with open_journal(config) as journal:
        server = open_server_store(config) if config.store.kind == "influx" else None
        store: Store = SqlStore(journal.database) if server is None else server
        try:
            people = People(journal.database, config.site.name)
            photographs = _photographs(config, journal.database)
            yield Stores(journal.database, journal, store, Diary(journal.database), people, photographs, server)
        finally:
            if server is not None:
                server.close()


def lock_folder(folder: Path) -> IO[bytes]:
    """Take the data folder for this process; it is let go when the file is closed, or the process ends.

    Raises
    ------
    DataInUse
        When another process has it.
    """
    folder.mkdir(mode=DATA_DIR_MODE, parents=True, exist_ok=True)
    file = (folder / LOCK_FILE).open("a+b")
    give_to_owner(folder / LOCK_FILE, folder)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as err:
        file.seek(0)
        owner = file.read(20).decode(errors="replace").strip()
        file.close()
        raise DataInUse(
            f"{folder}: found it in use by process {owner or 'unknown'}, expected it free. Stop the other first."
        ) from err
    file.truncate(0)
    file.write(f"{os.getpid()}\n".encode())
    file.flush()
    return file


def give_to_owner(path: Path, like: Path) -> None:
    """Give what root has made to the owner of another path, so that the service, which is not root, can use it."""
    if os.geteuid() == 0:
        owner = like.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


# --- feeding a server store ------------------------------------------------------------------------------------

STAY_MS = 7 * 86_400_000
RUNS_A_STEP = 50  # of at most 1000 readings


@dataclass(frozen=True, slots=True)
class Fed:
    """What one step did, in readings: read back, not given back yet, let go after their stay, queued again."""

    read_back: int = 0
    outstanding: int = 0
    let_go: int = 0
    queued_again: int = 0


class Feeder:
    """Feeds one store from one journal opened with `feeding=True`."""

    def __init__(self, journal: Journal, store: InfluxStore) -> None:
        self._journal = journal
        self._store = store

    def step(self, now_ms: int) -> Fed:
        """Carry a bounded number of runs, the least tried and oldest first, and let go of as many whose stay is over.

        Raises
        ------
        StoreAway, StoreFull
            Then everything is still in the journal.
        """
        waiting = self._journal.waiting(limit=RUNS_A_STEP)
        self._store.append_arrivals([(run.readings, run.received_at_ms) for run in waiting])
        held, lost = self._read_back(waiting)
        if held:
            self._journal.mark_read_back(held, now_ms)
        if lost:
            self._journal.put_back(lost)
        gone, missed = self._read_back(self._journal.stayed(now_ms - STAY_MS, limit=RUNS_A_STEP))
        if gone:
            self._journal.let_go(gone)
        if missed:
            self._journal.queue_again(missed)
        return Fed(_count(held), _count(lost), _count(gone), _count(missed))

    def _read_back(self, runs: Sequence[WaitingRun]) -> tuple[list[WaitingRun], list[WaitingRun]]:
        """Runs the server holds whole, and the others."""
        missing = set(self._store.not_held([reading for run in runs for reading in run.readings]))
        whole = [missing.isdisjoint(run.readings) for run in runs]
        held = [run for run, is_held in zip(runs, whole, strict=True) if is_held]
        return held, [run for run, is_held in zip(runs, whole, strict=True) if not is_held]


def _count(runs: Sequence[WaitingRun]) -> int:
    return sum(len(run.readings) for run in runs)
