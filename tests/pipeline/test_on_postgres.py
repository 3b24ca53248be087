"""The whole service on PostgreSQL: the same results as in a file, one service a site, and nothing lost when it dies.

Expected values: the results of the same readings in a file; of the kills the readings that were sent, by counting.
"""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path

import pandas as pd
import psycopg
import pytest
from fastapi.testclient import TestClient
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from api.app import create_app
from api.command import main as underturf
from hardware.reading import Batch, Reading, decode_receipt, encode_batch, readings_topic, receipt_topic
from pipeline.alerts.model import CLOSED, Change
from pipeline.errors import StoreAway, StoreFault, StoreTaken
from pipeline.service import Pipeline, load_settings
from pipeline.store.journal import Journal
from pipeline.store.postgres import PostgresDatabase
from tests.api.site import NOW_MS, SETTINGS, Ground, ground_at, readings
from tests.pipeline.conftest import wait_until
from tests.pipeline.hand import OUTBOX
from tests.postgres_server import PostgresServer

LONG_AFTER_MS = 2**61
BATCH = 100


def settings_on(server: PostgresServer, folder: Path, more: str = "") -> tuple[str, str]:
    """Settings of a site of the test's own on a server, and its name; the connection string is in a file beside."""
    folder.mkdir(exist_ok=True)
    (folder / "dsn").write_text(server.dsn)
    (folder / "dsn").chmod(0o600)
    site = f"t{os.urandom(6).hex()}"
    text = SETTINGS.replace('name = "meadow"', f'name = "{site}"', 1)
    return f'{text}\n[store]\nkind = "postgresql"\ndsn_file = "dsn"\n{more}', site


@pytest.fixture
def ground(postgres: PostgresServer, tmp_path: Path) -> Iterator[Ground]:
    """A ground whose whole state is on the server."""
    made = ground_at(tmp_path, settings_on(postgres, tmp_path)[0])
    yield made
    made.pipeline.stop()


def results(ground: Ground) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All observations and findings of a ground."""
    pipeline = ground.pipeline
    owners = [*pipeline.config.stations(), *pipeline.config.channels()]
    findings = [pipeline.store.findings(owner, None, 0, LONG_AFTER_MS) for owner in owners]
    observations = pipeline.store.observations(list(pipeline.config.channels()), 0, LONG_AFTER_MS)
    return observations, pd.concat(findings, ignore_index=True)


def test_results_and_alerts_are_those_of_a_file(ground: Ground, tmp_path: Path) -> None:
    """Ten days of three stations: every column of every row, and every event, the same to the last bit."""
    (tmp_path / "file").mkdir()
    file = ground_at(tmp_path / "file")
    for one in (ground, file):
        one.hear(readings(10 * 24))
    for mine, theirs in zip(results(ground), results(file), strict=True):
        assert len(theirs) > 1000
        pd.testing.assert_frame_equal(mine, theirs, check_exact=True)
    mine, theirs = ([(e.body["kind"], e.at_ms, e.body["text"]) for e in one.pipeline.journal.events(0, LONG_AFTER_MS)]
                    for one in (ground, file))  # fmt: skip
    assert mine == theirs and mine
    file.pipeline.stop()
    assert not (tmp_path / "data" / "journal.db").exists()


def test_pages_diary_and_people_are_served_from_it(ground: Ground) -> None:
    """The pages and their twins answer, what is written in the diary is there, and health says what keeps it."""
    ground.hear(readings(30))
    ground.pipeline.people.add("Ann", "head", NOW_MS, by="a test")
    with TestClient(create_app(ground.pipeline), base_url="http://127.0.0.1", client=("127.0.0.1", 1)) as client:
        said = {"kind": "note", "surface": "square", "at": "2024-03-01T10:00:00Z", "body": {"text": "moss"}}
        assert client.post("/api/v1/diary", json=said).status_code == 201
        pages = (
            "/",
            "/work",
            "/stations/s1",
            "/probes",
            "/nodes",
            "/alerts",
            "/ground",
            "/compare",
            "/people",
            "/season",
        )
        for path in (*pages, "/api/v1/observations", "/api/v1/quarantine", "/api/v1/now"):
            assert client.get(path).status_code == 200, path
        assert [one["body"]["text"] for one in client.get("/api/v1/diary").json()["entries"]] == ["moss"]
        assert "Ann" in client.get("/people").text
        assert client.get("/healthz").json()["store"]["kind"] == "postgresql"


def test_commands_read_and_write_beside_the_service_and_say_what_they_leave_to_pg_dump(
    postgres: PostgresServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Checked before and after the first start, sized, people added; a backup is refused with what to use; and a
    backup folder in the settings is."""
    text, site = settings_on(postgres, tmp_path)
    file = tmp_path / "underturf.toml"
    file.write_text(text)
    assert underturf(["check", "--config", str(file)]) == 0
    assert f"underturf.site_{site}, version 1" in capsys.readouterr().out
    assert underturf(["size", "--config", str(file)]) == 1
    assert "found no such schema" in capsys.readouterr().err
    made = ground_at(tmp_path, text)
    try:
        made.hear(readings(2))
        assert underturf(["size", "--config", str(file)]) == 0
        assert f"site_{site}: " in capsys.readouterr().out
        assert underturf(["quarantine", "--config", str(file)]) == 0
        assert underturf(["verify", "--config", str(file)]) == 0
        capsys.readouterr()
        assert underturf(["backup", "--config", str(file), "--to", str(tmp_path)]) == 3
        assert f"pg_dump --format=custom --schema=site_{site}" in capsys.readouterr().err
    finally:
        made.pipeline.stop()
    file.write_text(text + f'[backup]\ndir = "{tmp_path}"\n')
    assert underturf(["check", "--config", str(file)]) == 2
    assert "backup.dir: found " in (said := capsys.readouterr().err) and "pg_dump" in said


def test_a_second_service_of_the_site_is_refused(ground: Ground, postgres: PostgresServer, tmp_path: Path) -> None:
    """On another machine, with a data folder of its own, it does not start; once the first has ended it does."""
    other = tmp_path / "other"
    settings_on(postgres, other)
    (other / "underturf.toml").write_text((tmp_path / "underturf.toml").read_text())
    config = load_settings(other / "underturf.toml")
    with pytest.raises(StoreTaken, match="found the site held by another service, expected none"):
        Pipeline(config, mosquitto=None)
    ground.pipeline._stores.close()
    Pipeline(config, mosquitto=None).stop()


@pytest.mark.parametrize("held", [True, False])
def test_a_service_that_lost_the_site_writes_nothing(postgres: PostgresServer, held: bool) -> None:
    """Its connection is ended and another takes the site: what it would write then is refused, and what the other
    wrote stands. Without the lock, the control, it writes over it."""
    site = f"t{os.urandom(6).hex()}"
    with (
        closing(PostgresDatabase(postgres.dsn, site)) as first,
        closing(PostgresDatabase(postgres.dsn, site)) as second,
    ):
        if held:
            first.hold_site()
            with pytest.raises(StoreTaken):
                second.hold_site()
        Journal(first).keep_note("worker/worked", {"seq": 1})
        with psycopg.connect(postgres.dsn, autocommit=True) as connection:
            connection.execute("SELECT pg_terminate_backend(%s)", (first._writer.session.info.backend_pid,))
        if held:
            wait_until(lambda: _taken(second), "the other has the site")
        Journal(second).keep_note("worker/worked", {"seq": 2})
        if held:
            for _ in range(2):
                with pytest.raises(StoreTaken):
                    Journal(first).keep_note("worker/worked", {"seq": 1})
        else:
            wait_until(lambda: first._writer.is_lost, "the connection is seen to be lost")
            Journal(first).keep_note("worker/worked", {"seq": 1})
        assert Journal(second).note("worker/worked") == {"seq": 2 if held else 1}


def _taken(database: PostgresDatabase) -> bool:
    with suppress(StoreTaken):
        database.hold_site()
        return True
    return False


def test_a_service_whose_site_another_had_ends_and_reads_it_anew(
    ground: Ground, postgres: PostgresServer, tmp_path: Path
) -> None:
    """An alert opens and is closed by another service; the first, which knows it as open, ends, to be started again,
    and the one that is started has it closed."""
    pipeline = ground.pipeline
    ground.hear(readings(10 * 24))
    opened = pipeline._alerts._open()
    assert opened
    config, database = pipeline.config, pipeline._stores.database
    assert isinstance(database, PostgresDatabase)
    with closing(PostgresDatabase(postgres.dsn, config.site.name)) as other:
        with psycopg.connect(postgres.dsn, autocommit=True) as connection:  # both are there: who asks first has it
            connection.execute("SELECT pg_terminate_backend(%s)", (database._writer.session.info.backend_pid,))
        wait_until(lambda: _taken(other), "the other has the site")
        closed = opened[0].said(Change(CLOSED, ""), NOW_MS)
        Journal(other).save_alerts({closed.key: closed.to_json()}, [])
    with pytest.raises(StoreTaken):  # found by this write, or by a heartbeat while the other still held it
        pipeline.journal.keep_note("a", {})
    assert pipeline.wait(0.0) and pipeline.starts_again and not pipeline.crash
    pipeline.stop()
    again = Pipeline(config, mosquitto=None)
    try:
        assert {one.key for one in again._alerts._open()} == {one.key for one in opened} - {closed.key}
    finally:
        again.stop()


def test_a_server_that_is_away_is_named_without_its_password(tmp_path: Path) -> None:
    """Where it is looked for, in words; never what is secret in the connection string."""
    with pytest.raises(StoreAway) as away:
        PostgresDatabase(f"postgresql://warden:open-sesame@/turf?host={tmp_path}", "meadow")
    assert f"PostgreSQL at {tmp_path}, turf.site_meadow" in str(away.value) and "sesame" not in str(away.value)


class Node:
    """A node that sends numbered readings, and again from its receipt on while none comes."""

    def __init__(self, port: int, site: str, total: int) -> None:
        self.received, self.total = 0, total
        self._batches = [
            Batch(site, "node-1", OUTBOX, 1, tuple(_reading(site, seq) for seq in range(first, first + BATCH)))
            for first in range(1, total + 1, BATCH)
        ]
        self._moved = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="node-1")
        self._client.on_connect = lambda client, *_: client.subscribe(receipt_topic(site, "node-1"), 1)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _hear(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        self.received = max(self.received, decode_receipt(message.payload).seq)
        self._moved.set()

    def run(self) -> None:
        while self.received < self.total:
            self._moved.clear()
            for batch in [one for one in self._batches if one.last > self.received][:4]:
                self._client.publish(readings_topic(batch), encode_batch(batch), qos=1)
            self._moved.wait(2.0)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def _reading(site: str, seq: int) -> Reading:
    (one,) = readings(1)[:1]
    at_ms = one.measured_at_ms + seq * 1000
    return Reading(site, "node-1", OUTBOX, seq, one.channel, str(at_ms // 1000), at_ms, seq / 8, one.status, 1, True)


def killed(
    programs: PostgresServer, folder: Path, port: int, mosquitto: Path, kills: int, total: int, seed: int
) -> None:
    """Let a service keep what a node sends while the server is killed at random moments: nothing lost or twice."""
    rng, pause = random.Random(seed), threading.Event()
    text, site = settings_on(programs, folder, f"[broker]\nport = {port}\n")
    (folder / "underturf.toml").write_text(text)
    pipeline = Pipeline(load_settings(folder / "underturf.toml"), mosquitto=mosquitto)
    pipeline.start()
    try:
        wait_until(lambda: pipeline.ready, "the service is ready")
        node = Node(port, site, total)
        sender = threading.Thread(target=node.run)
        sender.start()
        for number in range(kills):
            wait_until(lambda n=number: node.received >= (n + 1) * total // (kills + 2), "readings were receipted", 60)  # type: ignore[misc]
            pause.wait(rng.uniform(0, 0.2))
            programs.kill()
            pause.wait(rng.uniform(0, 0.3))
            programs.start()
        wait_until(lambda: node.received >= total, "all was receipted", 120)
        sender.join()
        node.close()
        assert not pipeline.crash
        with suppress(StoreFault):  # of the last restart
            pipeline.store.span(["x"])
        raw = pipeline.store.raw(list(pipeline.config.channels()), 0, LONG_AFTER_MS)
        kept = (raw["raw"] * 8).astype(int).tolist()
        assert sorted(kept) == list(range(1, total + 1)), "lost or twice"
    finally:
        pipeline.stop()


@pytest.fixture
def own_server(postgres: PostgresServer) -> Iterator[PostgresServer]:
    """A server that may be killed."""
    server = PostgresServer(postgres.programs).start()
    yield server
    server.remove()


def test_nothing_is_lost_or_twice_when_the_server_is_killed(
    own_server: PostgresServer, tmp_path: Path, free_port: int, need_program: Callable[[str], str]
) -> None:
    """Two kills while readings flow, each with an immediate start: 0 and 0, the promise itself."""
    killed(own_server, tmp_path, free_port, Path(need_program("mosquitto")), 2, 3000, 1)


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_nothing_is_lost_or_twice_in_twenty_kills(
    own_server: PostgresServer, tmp_path: Path, free_port: int, need_program: Callable[[str], str]
) -> None:
    """The same for longer."""
    print("seed 2")
    killed(own_server, tmp_path, free_port, Path(need_program("mosquitto")), 20, 40_000, 2)
