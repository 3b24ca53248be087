"""The queue of long jobs on a PostgreSQL server, kept by the library procrastinate in a schema of its own.

A job is of one site, and is done by the process that holds that site, one at a time there. The job of a process that
was killed is seen by its missing heartbeat and waits again, a few times: it may be what kills them. How far a job is,
and what came of it, stands beside the library's tables, which hold neither.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Awaitable, Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from procrastinate import App, JobContext, PsycopgConnector, RetryStrategy, SyncPsycopgConnector
from procrastinate.exceptions import AlreadyEnqueued, ConnectorException, JobAborted
from procrastinate.jobs import Job, Status
from psycopg_pool import AsyncConnectionPool, ConnectionPool

from pipeline.errors import JobCancelled, StoreAway, StoreFault
from pipeline.store.postgres import SERVER_WITHIN_S, place_of, translated

JOBS_SCHEMA = "underturf_jobs_1"  # another name when the library's tables change, so that two versions have their own
PROGRESS_TABLE = """
CREATE TABLE progress (
    job bigint PRIMARY KEY REFERENCES procrastinate_jobs ON DELETE CASCADE,
    done double precision NOT NULL, whole double precision NOT NULL, at_ms bigint NOT NULL, told text NOT NULL)
"""
MAKE_LOCK = 0x7579  # of whoever makes the tables
HEARTBEAT_S, STALLED_S = 5.0, 20.0  # of a process that does a job, and when it is taken for dead
AGAIN_S = 5  # a job that was put back waits so long
BEGUN_MOST, LEFT_MOST = 5, 2  # how often one is begun, and how often it may be left by a killed process and waits again
KEPT_H = 30 * 24  # what has ended is shown for so long
DELETE_EVERY_S = 3600.0  # what is older is deleted so often
JOBS_SHOWN = 30  # of a site, the newest
JOB_STATES = {
    "todo": "waits", "doing": "runs", "succeeded": "done", "failed": "failed", "cancelled": "cancelled",
    "aborted": "cancelled",
}  # fmt: skip
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class QueuedJob:
    """A job in the queue.

    Attributes
    ----------
    number : int
    site, kind : str
    arguments : mapping
        What was asked, as JSON; `by` and `asked_ms` say by whom and when. [ms since 1970, UTC]
    state : str
        `waits`, `runs`, `stops` once somebody has cancelled one that runs, then `done`, `failed` or `cancelled`.
    share : float
        How much of it is done, 0 to 1.
    told_ms : int
        When that was told; 0 for never. [ms since 1970, UTC]
    told : str
        What came of it, in words.
    """

    number: int
    site: str
    kind: str
    arguments: Mapping[str, Any]
    state: str
    share: float = 0.0
    told_ms: int = 0
    told: str = ""

    @property
    def has_ended(self) -> bool:
        return self.state not in ("waits", "runs", "stops")


class JobQueue:
    """The queue of all sites of a server. No session stays open but while jobs are done.

    Parameters
    ----------
    dsn : str
        As of `postgres.PostgresDatabase`.

    Raises
    ------
    StoreAway
        Each method, when the server cannot be asked.
    """

    def __init__(self, dsn: str) -> None:
        self._dsn = dsn
        self._delete_at_s = 0.0  # by the steady clock
        self._is_made = False  # its tables, as far as this object knows
        self._kept: ConnectionPool | None = None  # the one connection for notes while a job is done

    def make(self) -> None:
        """Make the tables unless they are there, which is asked once; of several that come at once one does."""
        from procrastinate.schema import SchemaManager

        if self._is_made:
            return
        there = "SELECT 1 FROM pg_namespace WHERE nspname = %s"
        with self._pool() as pool, pool.connection() as connection:
            if connection.execute(there, (JOBS_SCHEMA,)).fetchone() is None:
                connection.execute("SELECT pg_advisory_xact_lock(%s, 0)", (MAKE_LOCK,))
                if connection.execute(there, (JOBS_SCHEMA,)).fetchone() is None:
                    connection.execute(f"CREATE SCHEMA {JOBS_SCHEMA}".encode())
                    connection.execute(SchemaManager.get_schema().encode())
                    connection.execute(PROGRESS_TABLE.encode())
        self._is_made = True

    def ask(self, site: str, kind: str, arguments: Mapping[str, Any], *, same: str = "") -> int:
        """Put a job into the queue and return its number; where one of the same name waits already, that one's."""
        self.make()
        name = f"{kind} {site} {same}"
        with self._pool() as pool:
            app = _app(pool)
            task = app.configure_task(
                kind, queue=_queue_of(site), lock=site, queueing_lock=name if same else None, allow_unknown=True
            )
            while True:
                try:
                    return task.defer(site=site, **arguments)
                except AlreadyEnqueued:
                    for one in app.job_manager.list_jobs(queueing_lock=name, status="todo"):
                        assert one.id is not None
                        return one.id  # else it was taken meanwhile: asked once more

    def jobs(self, sites: Collection[str]) -> list[QueuedJob]:
        """Return the newest jobs of some sites, at most `JOBS_SHOWN` a site, the newest first."""
        with self._pool() as pool:
            app = _app(pool)
            if not app.check_connection():  # nobody has made the tables yet
                return []
            listed = (sorted(app.job_manager.list_jobs(queue=_queue_of(one)), key=_number) for one in sites)
            found = [one for jobs in listed for one in jobs[-JOBS_SHOWN:]]
            return _with_progress(pool, sorted(found, key=_number, reverse=True))

    def job(self, number: int) -> QueuedJob | None:
        """Return a job by its number; None where it is not in the queue, or not any more."""
        with self._pool() as pool:
            app = _app(pool)
            found = list(app.job_manager.list_jobs(id=number)) if app.check_connection() else []
            return next(iter(_with_progress(pool, found)), None)

    def cancel(self, number: int, now_ms: int, told: str) -> bool:
        """Cancel a job: one that waits at once, with what is told of it; one that runs stops at its next piece.

        Returns whether it waited or ran.
        """
        with self._pool() as pool:
            app = _app(pool)
            done = app.check_connection() and app.job_manager.cancel_job_by_id(number, abort=True)
        if done and (job := self.job(number)) is not None and job.has_ended:
            self.note(number, 0.0, 1.0, now_ms, told)
        return done

    def note(self, number: int, done: float, whole: float, now_ms: int, told: str = "") -> bool:
        """Note how much of a job is done, and at its end what came of it; return whether somebody has cancelled it."""
        with self._noting() as connection:
            connection.execute(
                "INSERT INTO progress VALUES (%s, %s, %s, %s, %s) ON CONFLICT (job) DO UPDATE SET "
                "done = excluded.done, whole = excluded.whole, at_ms = excluded.at_ms, told = excluded.told",
                (number, done, whole, now_ms, told),
            )
            asked = "SELECT abort_requested FROM procrastinate_jobs WHERE id = %s"
            return bool(connection.execute(asked, (number,)).fetchone()[0])

    def run_next(self, sites: Collection[str], kinds: Iterable[str], do: Callable[[QueuedJob], None]) -> bool:
        """Do the oldest job that waits for some sites; return whether there was one.

        Before that jobs of theirs that a killed process has left wait again, or have failed at the third time.

        Parameters
        ----------
        sites : collection of str
        kinds : iterable of str
            What is known of here; a job of another kind fails.
        do : callable
            Does one, in a thread of its own. A StoreFault, a JobPutBack among them, has it wait for another try, five
            in all; by a JobCancelled it is cancelled; anything else it raises is how it failed.
        """
        with self._pool() as self._kept:
            try:
                return asyncio.run(self._run_next(sites, kinds, do))
            finally:
                self._kept = None

    async def _run_next(self, sites: Collection[str], kinds: Iterable[str], do: Callable[[QueuedJob], None]) -> bool:
        app, queues, did = App(connector=PsycopgConnector()), [_queue_of(site) for site in sites], list[int]()
        retry = RetryStrategy(max_attempts=BEGUN_MOST - 1, wait=AGAIN_S, retry_exceptions=[StoreFault])

        def task(context: JobContext, /, **arguments: Any) -> None:
            try:
                do(_queued(context.job))
            except JobCancelled as err:
                raise JobAborted from err

        async def stop_after_one(call: Callable[[], Awaitable[Any]], context: JobContext, worker: Any) -> Any:
            try:
                return await call()
            finally:
                did.append(_number(context.job))
                worker.stop()

        for kind in kinds:
            app.task(name=kind, pass_context=True, retry=retry)(task)
        async with AsyncConnectionPool(**self._connection, min_size=1, max_size=2, open=False) as pool:
            await pool.wait(SERVER_WITHIN_S)
            await app.open_async(pool)
            for job in await app.job_manager.get_stalled_jobs(seconds_since_heartbeat=STALLED_S):
                if job.queue in queues:  # those of other sites are for whoever holds them
                    for found in await app.job_manager.list_jobs_async(id=job.id):  # which says more of it
                        await self._retry_or_give_up(app, found)
            if (now_s := asyncio.get_running_loop().time()) >= self._delete_at_s:
                await app.job_manager.delete_old_jobs(
                    KEPT_H, include_failed=True, include_cancelled=True, include_aborted=True
                )
                self._delete_at_s = now_s + DELETE_EVERY_S
            await app.run_worker_async(
                queues=queues,
                wait=False,
                listen_notify=False,
                install_signal_handlers=False,
                update_heartbeat_interval=HEARTBEAT_S,
                stalled_worker_timeout=STALLED_S,
                worker_middleware=[stop_after_one],
            )
        return bool(did)

    async def _retry_or_give_up(self, app: App, job: Job) -> None:
        """Have a job wait again that a process has left, but for one that was begun so often that it is to blame, and
        one that was cancelled."""
        if job.attempts < LEFT_MOST and not job.abort_requested:
            log.warning("job_taken_again number=%s kind=%s", job.id, job.task_name)
            await app.job_manager.retry_job(job)
            return
        log.error("job_given_up number=%s kind=%s begun=%d", job.id, job.task_name, job.attempts + 1)
        if job.abort_requested:
            told = "the process that did it was killed before it had stopped: ask for it once more"
        else:
            told = f"begun {job.attempts + 1} times, and the process that did it was killed in the middle of the last"
        with self._noting() as connection:
            now = "(extract(epoch FROM now()) * 1000)::bigint"
            connection.execute(
                f"INSERT INTO progress VALUES (%s, 0, 1, {now}, %s) ON CONFLICT (job) DO UPDATE SET "
                "done = 0, at_ms = excluded.at_ms, told = excluded.told".encode(),
                (job.id, told),
            )
        status = Status.ABORTED if job.abort_requested else Status.FAILED
        await app.job_manager.finish_job(job, status, delete_job=False)

    @contextmanager
    def _noting(self) -> Iterator[Any]:
        """Return a connection for a note: the one that is kept while a job is done, else one for this alone."""
        if (kept := self._kept) is not None:
            with self._translated(), kept.connection() as connection:
                yield connection
        else:
            with self._pool() as pool, pool.connection() as connection:
                yield connection

    @property
    def _connection(self) -> dict[str, Any]:
        """What every connection is made with."""
        options = f"-c search_path={JOBS_SCHEMA}"
        return {
            "conninfo": self._dsn,
            "kwargs": {"options": options, "connect_timeout": SERVER_WITHIN_S, "application_name": "underturf jobs"},
        }

    @contextmanager
    def _pool(self) -> Iterator[ConnectionPool]:
        """One connection, made when it is wanted first; one that is lost is made anew."""
        with (
            self._translated(),
            ConnectionPool(
                **self._connection, min_size=0, max_size=1, timeout=SERVER_WITHIN_S, num_workers=1,
                check=ConnectionPool.check_connection, open=True,
            ) as pool,
        ):  # fmt: skip
            yield pool

    @contextmanager
    def _translated(self) -> Iterator[None]:
        """Turn what the library says of the server into faults of ours."""
        with translated(place_of(self._dsn, JOBS_SCHEMA)):
            try:
                yield
            except ConnectorException as err:
                if err.__cause__ is None:
                    raise StoreAway(f"the queue of jobs: {err}") from err
                raise err.__cause__ from err


def _app(pool: ConnectionPool) -> App:
    app = App(connector=SyncPsycopgConnector())
    app.open(pool)
    return app


def _with_progress(pool: ConnectionPool, found: Collection[Job]) -> list[QueuedJob]:
    """Return jobs with how far they are and what was told of them."""
    with pool.connection() as connection:
        rows = connection.execute(
            "SELECT job, done / greatest(whole, 1e-9), at_ms, told FROM progress WHERE job = ANY(%s)",
            ([one.id for one in found],),
        ).fetchall()
    told = {job: rest for job, *rest in rows}
    return [_queued(one, *told.get(one.id, ())) for one in found]


def _queued(job: Job, share: float = 0.0, told_ms: int = 0, told: str = "") -> QueuedJob:
    arguments = dict(job.task_kwargs)
    site, state = str(arguments.pop("site", "")), JOB_STATES.get(job.status or "doing", str(job.status))
    if state == "runs" and job.abort_requested:
        state = "stops"
    return QueuedJob(_number(job), site, job.task_name, arguments, state, share, told_ms, told)


def _number(job: Job) -> int:
    assert job.id is not None, "it is in the queue"
    return job.id


def _queue_of(site: str) -> str:
    """Return the name of a site's queue, of which the library makes a channel of at most 63 bytes."""
    return hashlib.sha256(site.encode()).hexdigest()[:32]
