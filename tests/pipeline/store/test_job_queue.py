"""The queue of long jobs over a real server: asked once, done once, put back, taken again after a kill.

Expected values: the promises of the queue; that a job of a process killed (SIGKILL) is seen by its missing heartbeat.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest

from pipeline.errors import JobCancelled, JobPutBack, StoreAway
from pipeline.store import job_queue
from pipeline.store.job_queue import JOBS_SCHEMA, JobQueue, QueuedJob
from tests.postgres_server import PostgresServer

KINDS = ("recompute", "import")
ASKED = {"by": "Ann", "asked_ms": 1}
ROOT = Path(__file__).parents[3]
KILLED = """
import sys, threading
from pipeline.store import job_queue
def do(job):
    print("begun", flush=True)
    threading.Event().wait()
job_queue.STALLED_S = float(sys.argv[3])
job_queue.JobQueue(sys.argv[1]).run_next([sys.argv[2]], ["recompute"], do)
"""


@pytest.fixture
def site() -> str:
    """A name as long as one may be, of which a channel of notifications would be too long."""
    return f"t{os.urandom(6).hex()}".ljust(64, "x")


@pytest.fixture
def queue(postgres: PostgresServer) -> JobQueue:
    return JobQueue(postgres.dsn)


def run_all(queue: JobQueue, site: str, do: Callable[[QueuedJob], None]) -> None:
    """Do what waits, a job at a call."""
    while queue.run_next([site], KINDS, do):
        pass


def leave(server: PostgresServer, site: str, stalled_s: float = 20.0) -> None:
    """Have a process begin the next job of a site and be killed in the middle of it."""
    command = [sys.executable, "-c", KILLED, server.dsn, site, str(stalled_s)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"begun\n"
        process.send_signal(signal.SIGKILL)


def states(queue: JobQueue, site: str) -> list[tuple[int, str]]:
    return [(one.number, one.state) for one in queue.jobs([site])]


def test_a_job_is_asked_for_once_and_done_once_in_its_turn(queue: JobQueue, site: str) -> None:
    """The same that waits already is one job; each is done with what was asked, the oldest first, and how far it is
    stands beside it. Those of another site are left."""
    first = queue.ask(site, "recompute", {**ASKED, "station": "s1"}, same="s1")
    assert queue.ask(site, "recompute", {**ASKED, "station": "s1"}, same="s1") == first
    second = queue.ask(site, "import", {**ASKED, "file": "a.csv"})
    other = queue.ask("another", "recompute", ASKED)
    assert states(queue, site) == [(second, "waits"), (first, "waits")]
    done = list[QueuedJob]()

    def do(job: QueuedJob) -> None:
        done.append(job)
        queue.note(job.number, 1.0, 4.0, 7)
        (shown,) = (one for one in queue.jobs([site]) if one.number == job.number)
        assert (shown.state, shown.share, shown.told_ms) == ("runs", 0.25, 7)
        queue.note(job.number, 1.0, 1.0, 8, "all of it")

    assert queue.run_next([site], KINDS, do) and [one.number for one in done] == [first]
    run_all(queue, site, do)
    assert [(one.number, one.site, one.kind) for one in done] == [
        (first, site, "recompute"), (second, site, "import"),
    ]  # fmt: skip
    assert done[0].arguments == {**ASKED, "station": "s1"}
    assert [(one.state, one.share, one.told) for one in queue.jobs([site])] == [("done", 1.0, "all of it")] * 2
    assert states(queue, "another")[0] == (other, "waits")
    assert queue.ask(site, "recompute", {**ASKED, "station": "s1"}, same="s1") > second


def test_one_that_fails_has_failed_and_one_that_is_put_back_is_done_later(
    queue: JobQueue, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of a store is no failure until the fifth time; of a kind that is not known here it is one at once."""
    monkeypatch.setattr(job_queue, "AGAIN_S", 0)
    bad, good, strange = (queue.ask(site, kind, ASKED) for kind in ("recompute", "import", "knit"))
    tries = list[int]()

    def do(job: QueuedJob) -> None:
        tries.append(job.number)
        if job.number == bad:
            raise ValueError("a bug")
        if tries.count(good) == 1:
            raise JobPutBack("let go")

    run_all(queue, site, do)
    assert (tries.count(bad), tries.count(good), tries.count(strange)) == (1, 2, 0)
    assert states(queue, site) == [(strange, "failed"), (good, "done"), (bad, "failed")]

    def away(job: QueuedJob) -> None:
        tries.append(job.number)
        raise StoreAway("of the test")

    never = queue.ask(site, "recompute", ASKED)
    run_all(queue, site, away)
    assert tries.count(never) == 5 and states(queue, site)[0] == (never, "failed")


def test_the_job_of_a_process_that_was_killed_is_taken_again(
    postgres: PostgresServer, queue: JobQueue, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not while it may live, and then by the next that looks."""
    number = queue.ask(site, "recompute", ASKED)
    leave(postgres, site)
    done = list[int]()

    def do(job: QueuedJob) -> None:
        done.append(job.number)

    run_all(queue, site, do)
    assert done == [] and states(queue, site) == [(number, "runs")]
    monkeypatch.setattr(job_queue, "STALLED_S", 0.0)
    run_all(queue, "yet another", do)
    assert states(queue, site) == [(number, "runs")], "it is for whoever holds that site"
    run_all(queue, site, do)
    assert done == [number] and states(queue, site) == [(number, "done")]


def test_a_job_that_kills_whoever_does_it_is_given_up(
    postgres: PostgresServer, queue: JobQueue, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the third; the next of the site is done."""
    number, after = queue.ask(site, "recompute", ASKED), queue.ask(site, "import", ASKED)
    for _ in range(3):
        leave(postgres, site, stalled_s=0.0)
    monkeypatch.setattr(job_queue, "STALLED_S", 0.0)
    done = list[int]()

    def do(job: QueuedJob) -> None:
        done.append(job.number)

    run_all(queue, site, do)
    assert done == [after] and states(queue, site) == [(after, "done"), (number, "failed")]
    assert queue.jobs([site])[1].told.startswith("begun 3 times, and the process that did it was killed")


def test_a_job_that_waits_or_runs_is_cancelled(queue: JobQueue, site: str) -> None:
    """One that waits is never begun; one that runs is told at its next note, and has stopped when it says so."""
    runs, waits = queue.ask(site, "recompute", ASKED), queue.ask(site, "import", ASKED)
    told = list[bool]()

    def do(job: QueuedJob) -> None:
        told.append(queue.note(job.number, 1.0, 4.0, 1))
        assert queue.cancel(runs, 2, "by Ann") and queue.cancel(waits, 2, "by Ann")
        assert states(queue, site) == [(waits, "cancelled"), (runs, "stops")]
        told.append(queue.note(job.number, 1.0, 4.0, 3, "half of it"))
        raise JobCancelled("half of it")

    run_all(queue, site, do)
    assert told == [False, True]
    assert [(one.state, one.told) for one in queue.jobs([site])] == [
        ("cancelled", "by Ann"), ("cancelled", "half of it"),
    ]  # fmt: skip
    assert not queue.cancel(runs, 4, "again") and not queue.cancel(10**9, 4, "of no number")
    shown = queue.job(runs)
    assert shown is not None and shown.told == "half of it" and queue.job(10**9) is None


def test_a_cancelled_job_whose_process_was_killed_is_not_begun_again(
    postgres: PostgresServer, queue: JobQueue, site: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is told that it had not stopped."""
    number = queue.ask(site, "recompute", ASKED)
    leave(postgres, site)
    assert queue.cancel(number, 1, "by Ann")
    monkeypatch.setattr(job_queue, "STALLED_S", 0.0)
    run_all(queue, site, lambda job: pytest.fail("begun again"))
    job = queue.job(number)
    assert job is not None and job.state == "cancelled" and job.told.startswith("the process that did it was killed")


def test_a_question_opens_one_session_and_a_lost_one_is_made_anew(postgres: PostgresServer, site: str) -> None:
    """The server counts what was opened under the queue's name; a session that the server has ended is replaced."""
    queue = JobQueue(postgres.dsn)
    queue.ask(site, "recompute", ASKED)
    opened = set[int]()
    own = "SELECT pid FROM pg_stat_activity WHERE application_name = 'underturf jobs' AND query NOT LIKE '%%pg_stat%%'"
    with psycopg.connect(postgres.dsn, autocommit=True) as connection, queue._pool() as pool:
        for _ in range(3):
            with pool.connection() as one:
                opened.add(one.info.backend_pid)
        assert len(opened) == 1
        connection.execute("SELECT pg_terminate_backend(%s, 5000)", (opened.pop(),))
        with pool.connection() as one:
            assert one.execute("SELECT 1").fetchone() == (1,)
            assert len(connection.execute(own).fetchall()) <= 1


def test_tables_that_are_there_are_not_waited_for(postgres: PostgresServer, site: str) -> None:
    """Whoever makes them holds the lock of all: a look for jobs does not take it, and what is old is deleted once an
    hour."""
    JobQueue(postgres.dsn).make()
    queue = JobQueue(postgres.dsn)
    with psycopg.connect(postgres.dsn) as maker:
        maker.execute("SELECT pg_advisory_xact_lock(%s, 0)", (job_queue.MAKE_LOCK,))
        queue.make()
        with psycopg.connect(postgres.dsn, autocommit=True) as connection:
            waits = connection.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND NOT granted")
            assert waits.fetchone() == (0,)
    number = queue.ask(site, "recompute", ASKED)
    run_all(queue, site, lambda job: None)
    with psycopg.connect(postgres.dsn, autocommit=True) as connection:
        long_ago = f"UPDATE {JOBS_SCHEMA}.procrastinate_events SET at = at - interval '2 years' WHERE job_id = %s"
        connection.execute(long_ago, (number,))
    queue.run_next([site], KINDS, print)
    assert queue.job(number) is not None
    JobQueue(postgres.dsn).run_next([site], KINDS, print)
    assert queue.job(number) is None


def test_a_server_that_is_away_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """By every question, within its time."""
    monkeypatch.setattr(job_queue, "SERVER_WITHIN_S", 1)
    away = JobQueue(f"host={tmp_path} dbname=nothing")
    asks: list[Callable[[], object]] = [away.make, lambda: away.jobs(["a"]), lambda: away.run_next(["a"], KINDS, print)]
    for ask in asks:
        with pytest.raises(StoreAway, match=JOBS_SCHEMA):
            ask()


def test_the_tables_are_made_once_and_before_that_there_is_no_job(own_postgres: PostgresServer) -> None:
    """In a schema of their own."""
    queue = JobQueue(own_postgres.dsn)
    assert queue.jobs(["a"]) == []
    for _ in range(2):
        queue.make()
    with psycopg.connect(own_postgres.dsn) as connection:
        found = connection.execute("SELECT DISTINCT schemaname FROM pg_tables WHERE tablename ~ 'procrastinate'")
        assert found.fetchall() == [(JOBS_SCHEMA,)]
