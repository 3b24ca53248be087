"""A damaged database: nothing more is receipted, the pages go on and say how to restore, people and machines are told.

The damage is planted: pages of the file written over. Expected is the promise itself.
"""

from __future__ import annotations

import http.server
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from api.app import create_app
from api.command import main
from api.damaged import damaged_app
from hardware.reading import Batch, encode_batch, readings_topic
from pipeline.errors import StoreDamaged
from pipeline.mqtt.ingest import Arrival
from pipeline.service import Pipeline, tell_of_damage, unreadable_lines
from pipeline.service import load_settings as load
from pipeline.store.backup import BackupRecord, write_record
from pipeline.store.database import Database
from pipeline.store.integrity import CHECK_EVERY_S, TELL_AGAIN_S, TELL_RETRY_S, IntegrityCheck
from tests.api.served import TestClient
from tests.api.site import NOW_MS, SETTINGS, Ground, ground_at, readings
from tests.api.test_command import START_WITHIN_S, _health
from tests.pipeline.conftest import wait_until
from tests.pipeline.hand import HOUR_MS, OUTBOX, HandClock, HandSource
from tests.ports import unused_port

ROOT = Path(__file__).parents[2]
PAGE = 4096
NOISE = b"\xa5" * PAGE


def page_of(file: Path, table: str) -> int:
    """Return the number, from 0, of the first page of a table, as the schema says."""
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
    return int(root) - 1


def spoil(file: Path, page: int) -> None:
    with file.open("r+b") as opened:
        opened.seek(page * PAGE)
        opened.write(NOISE)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A stopped site with a day of readings, worked out; for copying."""
    folder = tmp_path_factory.mktemp("day")
    ground = ground_at(folder)
    ground.hear(readings(24))
    ground.pipeline.stop()
    return folder


@pytest.fixture
def file(day: Path, tmp_path: Path) -> Path:
    """The database of a copy of it."""
    shutil.copytree(day, tmp_path, dirs_exist_ok=True)
    return tmp_path / "data" / "journal.db"


@contextmanager
def opened(folder: Path) -> Iterator[Ground]:
    """A pipeline on a folder, its clock and its broker in the hand."""
    clock = HandClock(NOW_MS)
    pipeline = Pipeline(load(folder / "underturf.toml"), clock=clock, mosquitto=None)
    pipeline._worker._source = HandSource(clock)
    try:
        yield Ground(pipeline, clock)
    finally:
        pipeline.stop()


@contextmanager
def receiver() -> Iterator[tuple[str, list[dict[str, object]]]]:
    """A web receiver: its address, and what it was told."""
    told: list[dict[str, object]] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            told.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}/", told
        server.shutdown()


def test_damage_found_at_the_start_stops_receipts_and_keeps_the_pages(file: Path, tmp_path: Path) -> None:
    """A page of the messages is noise: nothing is receipted, not even again; pages are read as far as they can be, and
    say at their head how to restore; health and metrics have it."""
    spoil(file, page_of(file, "message"))
    with opened(tmp_path) as ground:
        worker, source, stop = ground.pipeline._worker, ground.pipeline._worker._source, threading.Event()
        assert isinstance(source, HandSource)
        for _ in range(3):
            worker.step(stop)
        assert source.said == [], "not even the receipts from before"
        assert "found it damaged" in worker.keeping.reason and not ground.pipeline.ready
        with pytest.raises(StoreDamaged), ground.pipeline.journal.database.transaction():
            pass
        client = TestClient(create_app(ground.pipeline), raise_server_exceptions=False)
        page = client.get("/", headers={"Accept": "text/html"})
        assert page.status_code == 200 and "Stop the service and restore the last good" in page.text
        assert "north end" in page.text
        health = client.get("/healthz").json()
        assert health["state"] == "degraded" and "found it damaged" in health["store"]["damage"]
        assert "underturf_store_damaged 1.0" in client.get("/metrics").text
        assert client.get("/readyz").status_code == 503
        assert ground.pipeline.journal.receipt("meadow", "node-1", OUTBOX).seq == len(readings(24))


def test_what_was_set_aside_cannot_be_counted_where_it_is_damaged(file: Path, tmp_path: Path) -> None:
    """Health and pages go without the number: the damage itself is told."""
    with opened(tmp_path) as ground:
        spoil(file, page_of(file, "quarantine"))
        ground.pipeline.journal.database._idle.clear()
        health = ground.pipeline.health()
        assert health["quarantine"]["entries"] == 0 and "found it damaged" in ground.pipeline.journal.database.damage
        assert not any("set aside" in line for line in ground.pipeline.notices())


def test_damage_met_on_the_way_stops_receipts_too(file: Path, tmp_path: Path) -> None:
    """The file was whole at the start; a page spoiled since is met by whoever reads it, and from then on nothing more
    is written or receipted."""
    with opened(tmp_path) as ground:
        worker, source, stop = ground.pipeline._worker, ground.pipeline._worker._source, threading.Event()
        assert isinstance(source, HandSource)
        worker.step(stop)
        assert source.receipts() == [len(readings(24))]
        spoil(file, page_of(file, "diary_by_time"))
        client = TestClient(create_app(ground.pipeline), raise_server_exceptions=False)
        for _ in range(20):  # until a connection that has the page in its cache is not the one that is asked
            ground.pipeline.journal.database._idle.clear()
            if client.get("/api/v1/diary?from=2024-01-01T00:00:00Z").status_code == 503:
                break
        assert "found it damaged" in ground.pipeline.journal.database.damage
        heard = readings(1, first_hour=24, first_seq=len(readings(24)) + 1)
        batch = Batch("meadow", "node-1", OUTBOX, 1, tuple(heard))
        source.messages.append(Arrival(readings_topic(batch), encode_batch(batch), mid=1, qos=1, generation=1))
        worker.step(stop)
        assert source.receipts() == [len(readings(24))] and worker.keeping.reason


def test_people_and_machines_are_told_of_damage_at_once(tmp_path: Path) -> None:
    """On every way, with what to do; one that does not take it is named as not told."""
    with receiver() as (address, told):
        (tmp_path / "underturf.toml").write_text(f'{SETTINGS}[notify]\nwebhook = "{address}"\n')
        config = load(tmp_path / "underturf.toml")
        assert tell_of_damage(config, HandClock(NOW_MS), "journal.db: found it damaged") is True
        assert tell_of_damage(config, HandClock(NOW_MS + HOUR_MS), "journal.db: found it damaged") is True
    assert [(one["rule"], one["kind"], one["text"]) for one in told] == [
        ("store_damaged", "opened", "journal.db: found it damaged")
    ] * 2
    assert told[0]["id"] == told[1]["id"], "a repeat on one day is known as one"
    assert tell_of_damage(config, HandClock(NOW_MS), "journal.db: found it damaged") is False


class Checked(Database):
    """A database whose check is in the hand."""

    checks, finished, found = 0, True, ""

    def check(self, *, whole: bool, go_on: object) -> bool:
        assert whole
        self.checks += 1
        if self.found:
            self.damage = self.found
            raise StoreDamaged(self.found)
        return self.finished


def test_the_whole_check_is_made_once_a_night_and_damage_is_told_each_day(
    file: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Not by day, at three by the site's clock, once, and every block is read; what was not taken is told again soon,
    what was, a day later."""
    database, told, takes = Checked(file), list[str](), [False, True, True]
    with database.transaction() as tx:
        tx.execute("UPDATE run SET readings = x'00' WHERE id = 1")

    def tell(text: str) -> bool:
        told.append(text)
        return takes[len(told) - 1]

    clock, stop = HandClock(1_719_838_800_000), threading.Event()  # 2024-07-01 13:00 UTC, 15:00 on the site's clock
    check = IntegrityCheck(database, ZoneInfo("Etc/GMT-2"), clock, tell=tell)

    def go(hours: float) -> None:
        for _ in range(round(hours * 4)):
            check.step(stop)
            clock.wall_ms += HOUR_MS // 4
            clock.real_s += 900.0

    go(11.75)  # until 02:45
    assert database.checks == 0
    assert database.unreadable == {}
    go(2)
    assert database.checks == 1 and check.checked_at_ms is not None and list(database.unreadable) == ["run 1"]
    go(24)
    assert database.checks == 2
    database.finished = False
    go(24)
    assert database.checks == 3 and "store_check_given_up" in caplog.text
    database.found = "page 7"
    go(24)
    assert database.checks == 4 and told == ["page 7", "page 7"], "the first was not taken"
    assert "store_damaged" in caplog.text
    go(24)
    assert len(told) == 3
    database.close()
    assert CHECK_EVERY_S < 24 * 3600 and TELL_RETRY_S < TELL_AGAIN_S


def test_a_block_that_does_not_read_is_at_the_head_of_the_pages(file: Path, tmp_path: Path) -> None:
    """Named with what it held, how many there are, in health and in the metrics; nothing stops for it."""
    with closing(sqlite3.connect(file)) as connection, connection:
        connection.execute("UPDATE run SET readings = substr(readings, 1, 100) WHERE id <= 2")
    with opened(tmp_path) as ground:
        ground.pipeline.recompute("s1")
        client = TestClient(create_app(ground.pipeline), raise_server_exceptions=False)
        page = client.get("/", headers={"Accept": "text/html"}).text
        assert "Left out, because they do not read: readings 1 to 500 of node node-1, 2024-03-01 00:00 UTC to" in page
        assert ", and 1 more." in page
        health = client.get("/healthz").json()
        assert health["store"]["unreadable_blocks"] == 2 and health["state"] == "degraded"
        assert health["store"]["unreadable"][1].startswith("run 2: readings 501 to ")
        assert "underturf_store_unreadable_blocks 2.0" in client.get("/metrics").text
    assert unreadable_lines({}) == []


def test_a_database_that_does_not_open_is_told_at_every_address(file: Path, tmp_path: Path, free_port: int) -> None:
    """The real service on a file whose head is noise: it stays up, says at every page what to do, tells the receiver,
    starts no broker, and ends with 0 when told to."""
    with receiver() as (address, told):
        broker = unused_port()
        more = f'[pages]\nport = {free_port}\n[broker]\nport = {broker}\n[notify]\nwebhook = "{address}"\n'
        (tmp_path / "underturf.toml").write_text(SETTINGS + more)
        write_record(file.parent, BackupRecord(NOW_MS, "/media/stick/meadow-1", 1))
        spoil(file, 0)
        with (tmp_path / "serve.log").open("w") as out:
            server = subprocess.Popen(
                [sys.executable, "-m", "api.command", "serve", "--config", str(tmp_path / "underturf.toml")],
                cwd=ROOT, stderr=out, stdout=out, env={**os.environ, "UNDERTURF_PAGES_HOST": "127.0.0.1"},
            )  # fmt: skip
        try:
            wait_until(lambda: _health(free_port), "it answers", START_WITHIN_S)
            assert _health(free_port)["state"] == "degraded"
            url = f"http://127.0.0.1:{free_port}"
            page = httpx.get(f"{url}/stations/s1", headers={"Accept": "text/html"})
            assert page.status_code == 503 and str(file) in page.text
            assert "underturf restore /media/stick/meadow-1 --config" in page.text
            data = httpx.get(f"{url}/api/v1/now")
            assert data.status_code == 503 and "expected one" in data.json()["detail"]
            assert httpx.get(f"{url}/readyz").status_code == 503
            wait_until(lambda: told, "the receiver is told")
            assert told[0]["rule"] == "store_damaged" and str(file) in str(told[0]["text"])
            with pytest.raises(OSError):
                socket.create_connection(("127.0.0.1", broker), 1.0)
        finally:
            server.send_signal(signal.SIGTERM)
            assert server.wait(20) == 0


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", ""])
@pytest.mark.parametrize("path", ["/", "/healthz", "/api/v1/now"])
def test_the_page_of_damage_is_for_this_servers_own_hosts(tmp_path: Path, host: str, path: str) -> None:
    """A name that somebody else can point to this machine (DNS rebinding) learns no folder of it; ours are answered."""
    settings = f'{SETTINGS}[pages]\nallowed_hosts = ["turf.example.org"]\n'
    (tmp_path / "underturf.toml").write_text(settings)
    client = TestClient(damaged_app(load(tmp_path / "underturf.toml"), "/srv/journal.db: found it damaged"))
    refused = client.get(path, headers={"host": host, "Accept": "text/html"})
    assert refused.status_code == 421 and "/srv" not in refused.text
    assert refused.headers["content-type"] == "application/problem+json"
    answered = client.get(path, headers={"host": "turf.example.org"})
    assert answered.status_code == (200 if path == "/healthz" else 503) and "/srv" in answered.text
    for answer in (refused, answered):
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_readings_flow_again_once_it_is_restored(file: Path, tmp_path: Path) -> None:
    """Damaged, restored from the backup of before, started: receipts go on from the backup's, and the rest comes in."""
    config = str(tmp_path / "underturf.toml")
    (tmp_path / "stick").mkdir()
    assert main(["backup", "--config", config, "--to", str(tmp_path / "stick")]) == 0
    spoil(file, page_of(file, "run"))
    with opened(tmp_path) as ground:
        ground.pipeline._worker.step(threading.Event())
        assert ground.pipeline.journal.database.damage
    (backup,) = (tmp_path / "stick").iterdir()
    assert main(["restore", str(backup), "--config", config, "--replace"]) == 0
    with opened(tmp_path) as ground:
        worker, source = ground.pipeline._worker, ground.pipeline._worker._source
        assert isinstance(source, HandSource)
        worker.step(threading.Event())
        assert source.receipts() == [len(readings(24))] and ground.pipeline.notices() == []
