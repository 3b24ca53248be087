"""Long jobs of sites that a worker holds: the same bytes as by the command, told on the way, put back when let go.

Expected values: what the command has worked out of the same readings, byte by byte.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from api import job_commands
from api.job_commands import cancel_one, follow_jobs, job_lines, recompute_sites
from api.records import ImportAsked, import_record
from hardware.reading import Batch
from pipeline import jobs, many_sites
from pipeline.errors import PipelineFault, StoreAway, StoreTaken
from pipeline.jobs import RECOMPUTE, JobRunner
from pipeline.many_sites import SiteWorker
from pipeline.records import hand_over, record_intake
from pipeline.records.record_intake import CheckedRecord
from pipeline.run.clock import SystemClock
from pipeline.service import Pipeline, load_settings
from pipeline.site.settings import SiteConfig
from pipeline.stages.field_limits import LIMIT_QUANTITIES
from pipeline.store.journal import Journal
from pipeline.store.opening import dsn_of, job_queue, open_for_reading, open_stores
from pipeline.store.readings import RECORDED
from pipeline.units import DAY_MS, HOUR_MS
from tests.api.site import NOW_MS, readings
from tests.pipeline.conftest import run_steps, wait_until
from tests.pipeline.hand import OUTBOX
from tests.pipeline.test_many_sites import write_sites
from tests.postgres_server import PostgresServer

FINDINGS = (
    "SELECT s.station, s.quantity, f.start_ms, f.end_ms, f.value, f.low, f.high, f.n, f.reason, v.label "
    "FROM finding f JOIN finding_series s ON s.id = f.series JOIN stage_version v ON v.id = f.stage_version "
    "ORDER BY s.station, s.quantity, f.start_ms"
)
MAP = """
[time]
columns = ["time"]
zone = "+00:00"
[[column]]
name = "soil"
channel = "s2/p2/temperature_035"
unit = "degC"
"""


@dataclass
class Held:
    """Two sites with the same readings, worked out by the command, and a worker that holds them."""

    configs: list[SiteConfig]
    folder: Path
    first: str  # of what is worked out
    running: ExitStack

    def work(self) -> SiteWorker:
        """Start a worker with its jobs."""
        worker = self.running.enter_context(
            run_steps(SiteWorker(self.folder / "sites", self.folder / "own", SystemClock()))
        )
        for part in (worker.exchange, worker.jobs):
            self.running.enter_context(run_steps(part))
        names = [config.site.name for config in self.configs]
        wait_until(lambda: sorted(worker.pipelines()) == names, "the worker holds both")
        return worker


def digest(config: SiteConfig) -> str:
    """A short name of every byte that is worked out of a site, without when it came."""
    made = hashlib.sha256()
    with open_for_reading(config) as stores:
        seen = stores.store.observations(list(config.channels()), 0, 2**61).drop(columns="received_at_ms")
        made.update(repr(seen.to_numpy().tolist()).encode())
        with stores.database.reading() as connection:
            made.update(repr(connection.execute(FINDINGS).fetchall()).encode())
    return made.hexdigest()[:16]


def throw_away(config: SiteConfig) -> None:
    """Remove all that is worked out of a site but the limits learned, which a recompute goes by."""
    with closing(open_stores(config)) as stores, stores.database.transaction() as tx:
        tx.execute("DELETE FROM observation_day")
        limits = "SELECT id FROM finding_series WHERE quantity IN (?, ?)"
        tx.execute(f"DELETE FROM finding WHERE series NOT IN ({limits})", LIMIT_QUANTITIES)


@pytest.fixture
def held(
    own_postgres: PostgresServer, broker_port: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Held]:
    monkeypatch.setattr(many_sites, "SITES_LOOK_S", 0.05)
    monkeypatch.setattr(jobs, "NEWS_LOOK_S", 0.05)
    write_sites(tmp_path / "sites", own_postgres, broker_port, 2)
    for file in sorted((tmp_path / "sites").glob("*.toml")):
        file.write_text(file.read_text().replace('dir = "data"', f'dir = "data-{file.stem}"', 1))
    configs = [load_settings(file) for file in sorted((tmp_path / "sites").glob("*.toml"))]
    for config in configs:
        with closing(open_stores(config)) as stores:
            heard = readings(240, first_hour=240)
            for first in range(0, len(heard), 500):
                stores.journal.append(
                    Batch(config.site.name, "hut", OUTBOX, 1, tuple(heard[first : first + 500])), NOW_MS
                )
        pipeline = Pipeline(config)
        pipeline.catch_up()
        pipeline.stop()
    first = digest(configs[0])
    assert digest(configs[1]) == first
    with ExitStack() as running:
        yield Held(configs, tmp_path, first, running)


def test_a_recompute_of_sites_that_a_worker_holds_leaves_the_same_bytes(
    held: Held, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of all stations, from nothing; then of one over what is there. The command tells how each site ended, and
    the list of jobs has them."""
    for config in held.configs:
        throw_away(config)
    assert digest(held.configs[0]) != held.first
    held.work()
    told = list[str]()
    for station in (None, "s1"):
        assert recompute_sites(held.configs, station, None, None, told.append) == 0
        assert [digest(config) for config in held.configs] == [held.first] * 2
    ended = [line for line in told if " done: " in line]
    assert len(ended) == 4 and all("stations" in line for line in ended)
    lines = job_lines(held.configs)
    assert len(lines) == 4 and all("recompute  done 100 %" in line and "by a command" in line for line in lines)


def test_a_job_that_cannot_be_done_fails_and_says_why(held: Held) -> None:
    """A station that the settings have not got; the other site's job goes on."""
    held.work()
    queue, names = job_queue(dsn_of(held.configs[0])), [config.site.name for config in held.configs]
    asked = {queue.ask(name, RECOMPUTE, {"station": station, "by": "Ann", "asked_ms": 1}): name
             for name, station in zip(names, ("moon", "o1"), strict=True)}  # fmt: skip
    told = list[str]()
    failed = follow_jobs(dsn_of(held.configs[0]), asked, told.append)
    assert "failed: station: found 'moon', expected " in failed and len(failed.splitlines()) == 1
    assert any(f"{names[1]}: job" in line and "done" in line for line in told)


def test_a_record_is_taken_in_by_whoever_holds_the_site(held: Held, tmp_path: Path) -> None:
    """The other site takes the same record by the command; both have the same bytes then. Taken in again nothing is
    new, and nothing of it is left on its way."""
    rows = "".join(f"2023-0{m}-{d:02d} {h:02d}:00,{5 + m + h / 10:.1f}\n" for m in (5, 6) for d in range(1, 29)
                   for h in range(24))  # fmt: skip
    (tmp_path / "old.csv").write_text("time,soil\n" + rows)
    (tmp_path / "map.toml").write_text(MAP)
    asked = ImportAsked(tmp_path / "old.csv", tmp_path / "map.toml", preview=False)
    here, there = held.configs
    import_record(there, asked, NOW_MS, lambda line: None, lambda *_: None)
    held.work()
    with pytest.raises(StoreTaken):
        Pipeline(here)
    for expected in ("1344 readings kept, 0 were there before", "0 readings kept, 1344 were there before"):
        told = list[str]()
        import_record(here, asked, NOW_MS, told.append, lambda *_: None)
        assert expected in told[-1]
    assert digest(here) == digest(there) != held.first
    with open_for_reading(here) as stores, stores.database.reading() as connection:
        assert connection.execute("SELECT count(*) FROM record_piece").fetchone() == (0,)


def test_a_job_in_the_middle_of_which_the_site_is_let_go_is_done_by_the_next(
    held: Held, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The stages do not come through while the first holds it; the second begins it anew, once, though how far it is
    cannot be noted at first."""
    caplog.set_level("INFO", "pipeline.jobs")
    monkeypatch.setattr("pipeline.store.job_queue.AGAIN_S", 1)
    monkeypatch.setattr(jobs, "JOBS_LOOK_S", 0.2)
    throw_away(held.configs[0])
    config = held.configs[0]
    queue, site = job_queue(dsn_of(config)), config.site.name
    number = queue.ask(site, RECOMPUTE, {"station": None, "by": "Ann", "asked_ms": 1})
    clock = SystemClock()
    first = Pipeline(config, among_many=True)
    with run_steps(JobRunner(queue, lambda: {site: first}, clock)):  # its parts do not run: nothing is worked out
        wait_until(lambda: queue.jobs([site])[0].state == "runs", "it is begun")
        first.stop()
        wait_until(lambda: queue.jobs([site])[0].state == "waits", "it is put back")
    assert queue.jobs([site])[0].told.startswith(f"put back: {site}: let go in the middle of job ")
    noted, faults = queue.note, iter([StoreAway("of the test")])

    def note(*asked: Any) -> None:
        for fault in faults:
            raise fault
        noted(*asked)

    monkeypatch.setattr(queue, "note", note)
    second = Pipeline(config, among_many=True)
    second.start()
    with run_steps(JobRunner(queue, lambda: {site: second}, clock)):
        wait_until(lambda: queue.jobs([site])[0].state == "done", "the next has done it", 60.0)
    second.stop()
    assert queue.jobs([site])[0].number == number and digest(config) == held.first
    assert [one.getMessage().split()[0] for one in caplog.records if "number=" in one.getMessage()] == [
        "job_begins", "job_begins", "job_not_noted", "job_ends",
    ]  # fmt: skip


def test_a_recompute_that_is_cancelled_ends_its_stretch_and_leaves_no_other(
    held: Held, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cancelled by the command in the middle of the first of many; the command that follows ends with it. What was
    begun is worked out to its end, so the bytes are those of before."""
    monkeypatch.setattr(jobs, "STRETCH_MS", 6 * HOUR_MS)
    monkeypatch.setattr(jobs, "NOTE_S", 0.0)
    config = held.configs[0]
    dsn, site, queue = dsn_of(config), config.site.name, job_queue(dsn_of(config))
    held.work()
    number = queue.ask(site, RECOMPUTE, {"station": None, "by": "Ann", "asked_ms": 1})
    wait_until(lambda: queue.jobs([site])[0].state == "runs", "it is begun")
    assert cancel_one(held.configs, number) == f"{site}: job {number} stops at its next piece"
    failed = follow_jobs(dsn, {number: site}, lambda line: None)
    assert f"{site}: job {number} cancelled: " in failed and "days were worked out anew" in failed
    assert digest(config) == held.first


def test_an_import_that_is_cancelled_leaves_whole_pieces_and_goes_on_from_there(
    held: Held, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 480 readings in pieces of 100 some are kept and worked out; the same command takes in the rest, and both sites
    have the same bytes then."""
    monkeypatch.setattr(record_intake, "KEPT_AT_ONCE", 100)
    monkeypatch.setattr(hand_over, "KEPT_AT_ONCE", 100)
    monkeypatch.setattr(hand_over, "PIECE_BYTES", 100 * RECORDED.itemsize)
    monkeypatch.setattr(jobs, "NOTE_S", 0.0)
    here, there = held.configs
    site, queue = here.site.name, job_queue(dsn_of(here))
    rows = "".join(f"2023-05-{d:02d} {h:02d}:00,{5 + h / 10:.1f}\n" for d in range(1, 21) for h in range(24))
    (tmp_path / "old.csv").write_text("time,soil\n" + rows)
    (tmp_path / "map.toml").write_text(MAP)
    asked = ImportAsked(tmp_path / "old.csv", tmp_path / "map.toml", preview=False)
    import_record(there, asked, NOW_MS, lambda line: None, lambda *_: None)
    keep, kept = Journal.keep_recorded, list[int]()

    def cancelled_amid(journal: Journal, *given: Any) -> int:
        kept.append(keep(journal, *given))
        if len(kept) == 2:
            cancel_one(held.configs, queue.jobs([site])[0].number)
        return kept[-1]

    monkeypatch.setattr(Journal, "keep_recorded", cancelled_amid)
    worker = held.work()
    with pytest.raises(PipelineFault, match="cancelled: what was kept of it stays"):
        import_record(here, asked, NOW_MS, lambda line: None, lambda *_: None)
    assert kept == [100, 200]
    pipeline = worker.pipelines()[site]
    wait_until(lambda: all(map(pipeline.stages.is_through, here.stations())), "what was kept is worked out")
    with open_for_reading(here) as stores, stores.database.reading() as connection:
        assert connection.execute("SELECT count(*) FROM record_piece").fetchone() == (0,)
        assert len(stores.store.observations(["s2/p2/temperature_035"], 0, NOW_MS - 300 * DAY_MS)) == 200
    told = list[str]()
    import_record(here, asked, NOW_MS, told.append, lambda *_: None)
    assert "280 readings kept, 200 were there before" in told[-1]
    assert digest(here) == digest(there) != held.first


def test_a_record_on_its_way_keeps_nobody_from_writing(held: Held, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between two pieces of it others write in the same site."""
    monkeypatch.setattr(hand_over, "PIECE_BYTES", RECORDED.itemsize)
    config, written = held.configs[0], list[int]()
    with closing(open_stores(config)) as stores, closing(open_stores(config, hold=False)) as handing:
        with tempfile.TemporaryFile() as spool:
            checked = CheckedRecord("e" * 32, ("a",), spool)
            checked.put(np.zeros(3, dtype=RECORDED))
            read = spool.read

            def between(size: int) -> bytes:
                stores.journal.keep_note("of the test", {"n": len(written)})
                written.append(size)
                return read(size)

            monkeypatch.setattr(checked, "spool", SimpleNamespace(flush=spool.flush, seek=spool.seek, read=between))
            hand_over.hand_over(checked, handing.database)
        assert len(written) == 4


def test_who_follows_a_job_of_a_site_that_nobody_holds_is_told(held: Held, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a while, in place of for ever; so is who follows one that is not in the queue."""
    monkeypatch.setattr(job_commands, "UNHELD_S", 0.5)
    monkeypatch.setattr(job_commands, "HELD_LOOK_S", 0.1)
    monkeypatch.setattr(job_commands, "FOLLOW_S", 0.1)
    dsn, site = dsn_of(held.configs[0]), held.configs[0].site.name
    number = job_queue(dsn).ask(site, RECOMPUTE, {"station": None, "by": "Ann", "asked_ms": 1})
    failed = follow_jobs(dsn, {number: site, 10**9: site}, lambda line: None)
    assert "waits: found no process that holds the site" in failed and "found it no more in the queue" in failed
    job = job_queue(dsn).job(number)
    assert job is not None and job.state == "waits"


def test_a_job_in_the_middle_of_which_its_site_crashes_has_failed(held: Held) -> None:
    """By what the site has crashed of; nobody begins it anew."""
    config = held.configs[0]
    queue, site = job_queue(dsn_of(config)), config.site.name
    queue.ask(site, RECOMPUTE, {"station": None, "by": "Ann", "asked_ms": 1})
    crashing = Pipeline(config, among_many=True)
    with run_steps(JobRunner(queue, lambda: {site: crashing}, SystemClock())):
        wait_until(lambda: queue.jobs([site])[0].state == "runs", "it is begun")
        crashing._crashed("worker", RuntimeError("of the test"))
        wait_until(lambda: queue.jobs([site])[0].has_ended, "it is given up")
    crashing.stop()
    job = queue.jobs([site])[0]
    assert (job.state, job.told) == ("failed", "worker crashed: RuntimeError('of the test')")
