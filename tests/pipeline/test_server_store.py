"""The pipeline over an InfluxDB server: the same results as over a file, and what health says while it fails."""

from __future__ import annotations

import contextlib
import shutil
import threading
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd
import pytest

from api.command import main as underturf
from hardware.reading import Batch
from pipeline.__main__ import main
from pipeline.errors import StoreAway
from tests.api.site import SETTINGS, Ground, ground_at, readings
from tests.influx_server import InfluxServer
from tests.pipeline.hand import OUTBOX

LONG_AFTER_MS = 2**61
HOURS = 10 * 24
WHOLE = {"damage": "", "unreadable": [], "unreadable_blocks": 0, "checked_at_ms": None}


@pytest.fixture(scope="module")
def influxd(tmp_path_factory: pytest.TempPathFactory, need_program: Callable[[str], str]) -> Iterator[InfluxServer]:
    server = InfluxServer(need_program("influxd"), tmp_path_factory.mktemp("influxd")).start()
    yield server
    server.kill()


@pytest.fixture
def ground(influxd: InfluxServer, tmp_path: Path) -> Iterator[Ground]:
    """A ground whose series are on the server, in a database of the test's own."""
    made = ground_at(tmp_path, server_settings(influxd, tmp_path.name))
    yield made
    made.pipeline.stop()


def server_settings(server: InfluxServer, database: str) -> str:
    return f'{SETTINGS}\n[store]\nkind = "influx"\nurl = "{server.url}"\nbucket = "{database}"\n'


def keep(ground: Ground, hours: int = HOURS) -> None:
    """Have the journal keep the readings of some hours."""
    heard = readings(hours)
    for first in range(0, len(heard), 500):
        batch = Batch("meadow", "node-1", OUTBOX, 1, tuple(heard[first : first + 500]))
        ground.pipeline.journal.append(batch, ground.clock.now_ms())


def feed(ground: Ground) -> None:
    while ground.pipeline._feed():
        pass


def results(ground: Ground) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All observations and findings of a ground worked out anew from what its store holds."""
    pipeline = ground.pipeline
    for station in pipeline.config.stations():
        pipeline.recompute(station)
    owners = [*pipeline.config.stations(), *pipeline.config.channels()]
    findings = [pipeline.store.findings(owner, None, 0, LONG_AFTER_MS) for owner in owners]
    observations = pipeline.store.observations(list(pipeline.config.channels()), 0, LONG_AFTER_MS)
    return observations, pd.concat(findings, ignore_index=True)


def test_observations_and_findings_are_those_of_a_file(ground: Ground, tmp_path: Path) -> None:
    """Ten days of three stations through either store: every column of every row the same, to the last bit."""
    (tmp_path / "file").mkdir()
    file = ground_at(tmp_path / "file")
    keep(file)
    keep(ground)
    feed(ground)
    for mine, theirs in zip(results(ground), results(file), strict=True):
        assert len(theirs) > 1000
        pd.testing.assert_frame_equal(mine, theirs, check_exact=True)
    assert {f"{e.body}" for e in ground.pipeline.journal.events(0, LONG_AFTER_MS)} == {
        f"{e.body}" for e in file.pipeline.journal.events(0, LONG_AFTER_MS)
    }
    file.pipeline.stop()


def test_health_says_which_server_it_is_and_how_much_waits(ground: Ground) -> None:
    """Nothing is known before it is reached; then its version, how it is written to, and an empty queue."""
    keep(ground, 2)
    waiting = len(readings(2))
    assert ground.pipeline.health()["store"] == {
        **WHOLE, "kind": "influx", "version": None, "writes_to": None, "waiting_readings": waiting
    }  # fmt: skip
    feed(ground)
    assert ground.pipeline.health()["store"] == {
        **WHOLE, "kind": "influx", "version": "1.6.7~rc0", "writes_to": "/write", "waiting_readings": 0
    }  # fmt: skip


def test_a_database_that_keeps_rows_otherwise_than_set_is_a_reason_in_health(
    ground: Ground, influxd: InfluxServer, tmp_path: Path
) -> None:
    """Somebody made it to keep 30 days, the settings say for ever: health is degraded, with both durations in words."""
    made = urllib.parse.urlencode({"q": f'CREATE DATABASE "{tmp_path.name}" WITH DURATION 30d'}).encode()
    urllib.request.urlopen(f"{influxd.url}/query", made).close()
    keep(ground, 1)
    with contextlib.suppress(StoreAway):  # readings of 2024 are older than it keeps
        feed(ground)
    (reason,) = [r for r in ground.pipeline.health()["reasons"] if r.startswith("store: ")]  # type: ignore[attr-defined]
    assert "keeping rows for 720h0m0s" in reason and "expected 0s by store.keep_days" in reason
    assert ground.pipeline.journal.waiting_readings() == len(readings(1))


def test_the_worker_carries_what_is_kept_to_the_server(ground: Ground) -> None:
    """A few steps of the worker, without a message, and every reading of the journal is in the server."""
    keep(ground, 2)
    for _ in range(5):
        ground.pipeline._worker.step(threading.Event())
    assert ground.pipeline.journal.waiting_readings() == 0
    raw = ground.pipeline.store.raw(list(ground.pipeline.config.channels()), 0, LONG_AFTER_MS)
    assert len(raw) == len(readings(2))


def test_an_outage_is_named_in_health_and_over_nothing_is_lost(
    tmp_path: Path, need_program: Callable[[str], str]
) -> None:
    """The server is away from the start, and goes away again: the pipeline starts, health names the address, the
    journal holds; when it is back every reading is read back and once in the server."""
    server = InfluxServer(need_program("influxd"), tmp_path / "influxd")
    ground = ground_at(tmp_path, server_settings(server, "turf"))
    pipeline, worker = ground.pipeline, ground.pipeline._worker
    try:
        keep(ground, 2)
        for run in (server.start, server.kill, server.start):
            with pytest.raises(StoreAway) as away:
                feed(ground)
            worker.studying.begins(away.value)
            (reason,) = [r for r in pipeline.health()["reasons"] if r.startswith("studying")]  # type: ignore[attr-defined]
            assert server.url in reason and "found no answer" in reason
            assert pipeline.journal.waiting_readings() == len(readings(2))
            run()
            if run == server.start:
                break
        feed(ground)
        raw = pipeline.store.raw(list(pipeline.config.channels()), 0, LONG_AFTER_MS)
        assert len(raw) == len(readings(2)) and pipeline.journal.waiting_readings() == 0
    finally:
        pipeline.stop()
        server.kill()


def test_a_server_that_lost_what_it_gave_back_is_fed_again_within_seven_days(
    tmp_path: Path, need_program: Callable[[str], str]
) -> None:
    """The server is put back to an older state of its disk after it gave readings back: the second look finds the loss,
    and the journal writes them again before it lets any go."""
    server = InfluxServer(need_program("influxd"), tmp_path / "influxd").start()
    ground = ground_at(tmp_path, server_settings(server, "turf"))
    pipeline = ground.pipeline
    try:
        keep(ground, 2)
        feed(ground)
        server.kill()
        shutil.rmtree(server.folder / "data")
        shutil.rmtree(server.folder / "wal")
        server.start()
        channels = list(pipeline.config.channels())
        assert pipeline.store.raw(channels, 0, LONG_AFTER_MS).empty
        ground.clock.wall_ms += 7 * 86_400_000 + 1
        feed(ground)
        assert len(pipeline.store.raw(channels, 0, LONG_AFTER_MS)) == len(readings(2))
    finally:
        pipeline.stop()
        server.kill()


@pytest.mark.parametrize("reachable", [True, False])
def test_check_says_what_the_server_is_or_that_it_is_away(
    reachable: bool, influxd: InfluxServer, tmp_path: Path, free_port: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """A line with version, address and how long rows are kept, exit 0; or the fault with the address, exit 1."""
    text = server_settings(influxd, tmp_path.name)
    path = tmp_path / "underturf.toml"
    path.write_text(text if reachable else text.replace(influxd.url, f"http://127.0.0.1:{free_port}"))
    for check in (underturf, main):
        status = check(["check", "--config", str(path)])
        said = capsys.readouterr()
        if reachable:
            assert status == 0
            assert f"store: InfluxDB 1.6.7~rc0 at {influxd.url}, written to /write, rows kept for ever" in said.out
        else:
            assert status == 1 and f"127.0.0.1:{free_port}: found no answer" in said.err
