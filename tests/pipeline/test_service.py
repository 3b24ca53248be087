"""The pipeline whole: a real broker, a node on the wire, real files, and the process killed and started again."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from api.export import csv_text
from hardware.reading import (
    Batch,
    Reading,
    decode_receipt,
    encode_batch,
    readings_topic,
    receipt_topic,
    status_topic,
)
from pipeline import worker
from pipeline.__main__ import main
from pipeline.advice import advisor
from pipeline.diary.entry import DiaryEntry
from pipeline.mqtt import ingest
from pipeline.mqtt.broker import EmbeddedBroker, find_mosquitto
from pipeline.notify import outbox
from pipeline.service import Pipeline
from pipeline.service import load_settings as load
from pipeline.site.settings import SiteConfig
from pipeline.store import integrity
from pipeline.store.journal import Event
from pipeline.store.opening import DataInUse, lock_folder, open_stores
from pipeline.worker import WORKED_KEY
from tests.pipeline.hand import OUTBOX, SETTINGS, SLOT_MS, START_MS, batches, reading, record

ROOT = Path(__file__).parents[2]
Until = Callable[..., None]


class Node:
    """What an agent does on the wire: sends batches, hears receipts, sends again what has none."""

    def __init__(self, port: int) -> None:
        self.received = 0
        self.server: list[str] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="node-1")
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda c, d, f, reason, p: c.subscribe(
            [(receipt_topic("meadow", "node-1"), 1), ("underturf/1/meadow/server", 1)]
        )
        self._client.on_message = self._hear
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()

    def _hear(self, client: mqtt.Client, data: Any, message: mqtt.MQTTMessage) -> None:
        if message.topic.endswith("/receipt"):
            self.received = max(self.received, decode_receipt(message.payload).seq)
        else:
            self.server.append(json.loads(message.payload)["state"])

    def send(self, readings: list[Reading], lowest_kept: int = 1) -> None:
        batch = Batch("meadow", "node-1", OUTBOX, lowest_kept, tuple(readings))
        self._client.publish(readings_topic(batch), encode_batch(batch), qos=1)

    def say(self, topic: str, payload: bytes) -> None:
        self._client.publish(topic, payload, qos=1, retain=topic.endswith("/status"))

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def node_at(port: int) -> Iterator[Node]:
    node = Node(port)
    try:
        yield node
    finally:
        node.close()


@pytest.fixture
def settings(tmp_path: Path, free_port: int) -> Path:
    path = tmp_path / "underturf.toml"
    path.write_text(SETTINGS + f"\n[broker]\nport = {free_port}\n")
    return path


@pytest.fixture(params=["mosquitto", "amqtt"])
def running(request: pytest.FixtureRequest, settings: Path) -> Iterator[Pipeline]:
    """The pipeline, started, with each kind of embedded broker in turn."""
    program = request.getfixturevalue("mosquitto") if request.param == "mosquitto" else None
    pipeline = Pipeline(load(settings), mosquitto=program)
    pipeline.start()
    yield pipeline
    pipeline.stop()


def test_readings_on_the_wire_become_findings_and_a_receipt(running: Pipeline, free_port: int, until: Until) -> None:
    """From MQTT to findings: everything receipted, everything kept, poison set aside, the node and health told."""
    readings, seen = record(96), running.changes.count
    until(lambda: running.ready, "it is ready")
    with node_at(free_port) as node:
        node.say(status_topic("meadow", "node-1"), b'{"state": "up", "backlog": 384}')
        for batch in batches(readings, 100):
            node.send(batch)
        node.say(f"underturf/1/meadow/node-1/readings/{OUTBOX}/385/390", b"\x00\xff not a batch")
        until(lambda: node.received == 390, "all is receipted, poison too")
        until(lambda: len(running.store.findings("s1", None, 0, 2**61)) > 0, "there are findings")
        until(lambda: running.health()["nodes"], "the node is known")
    health = running.health()
    (told,) = health["reasons"]  # the message that was set aside, and nothing else
    assert health["state"] == "degraded" and "1 message could not be read, and is set aside" in told
    assert len(running.store.raw(list(running.config.channels()), 0, 2**61)) == len(readings)
    assert len(running.journal.quarantine()) == 1
    assert running.changes.wait(seen, 5.0) > seen
    text = running.metrics.text().decode()
    assert "underturf_readings_kept_total 384.0" in text and "# HELP underturf_ingest_queue_messages" in text


def test_every_part_is_woken_for_what_comes(
    settings: Path, free_port: int, until: Until, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Left alone each looks once an hour here. Readings, an entry of the diary and an alert get through all the same,
    and all of them end when told to."""
    for module, name in (
        (ingest, "EXCHANGE_REST_S"), (worker, "TAKE_REST_S"), (worker, "JUDGE_EVERY_MS"), (outbox, "NOTIFY_POLL_S"),
        (advisor, "DUE_CHECK_REST_S"), (integrity, "CHECK_POLL_S"),
    ):  # fmt: skip
        monkeypatch.setattr(module, name, 3600.0 * (1000.0 if name.endswith("_MS") else 1.0))
    pipeline = Pipeline(load(settings), mosquitto=None)
    pipeline.start()
    try:
        until(lambda: pipeline.ready, "it is ready")
        now_ms, pause = pipeline.clock.now_ms(), threading.Event()
        readings = record(96, start_ms=now_ms // SLOT_MS * SLOT_MS - 96 * SLOT_MS)

        def comes_to_rest() -> None:
            until(lambda: pipeline._worker._patience_s() > 1.0, "the worker is at rest")
            until(lambda: pipeline._advisor._pause_s() > 1.0, "the advisor is at rest")
            pause.wait(0.6)  # the steps that were under way

        comes_to_rest()
        with node_at(free_port) as node:
            node.send(readings)
            until(lambda: node.received == len(readings), "they are receipted")
        comes_to_rest()
        advised = pipeline.advice()
        pipeline.diary.add(DiaryEntry("core", "square", readings[0].measured_at_ms, {"thatch_mm": 40.0}, station="s1"))
        pipeline.changes.bump("diary")
        until(lambda: len(pipeline.store.findings("s1", ["thatch_water"], 0, 2**61)) > 0, "the worker has seen it")
        until(lambda: pipeline.advice().at_ms > advised.at_ms, "it is advised on")
        comes_to_rest()
        pipeline.journal.save_alerts({}, [Event("e-1", now_ms, {"kind": "opened", "text": "wet"})])
        pipeline._changed("alerts")
        until(lambda: not pipeline.journal.unsent("log", limit=1), "the alert is delivered")
    finally:
        pipeline.stop()
    assert "part_does_not_end" not in caplog.text


def test_a_message_that_breaks_its_handling_is_not_met_again_at_the_next_start(
    real_broker: EmbeddedBroker, settings: Path, free_port: int, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The broker's session outlives the pipeline: two batches beyond every receipt and one that raises RuntimeError
    are set aside by the first pipeline, and the second, which would break on it again, never sees it."""
    text = settings.read_text().replace("[broker]", '[broker]\nkind = "external"\nhost = "127.0.0.1"')
    settings.write_text(text)
    readings, beyond, tried = record(4), 2**63 - 1, list[int]()

    def start() -> Pipeline:
        pipeline = Pipeline(load(settings))
        append = pipeline.journal.append

        def breaks_on_5(batch: Batch, at_ms: int) -> Any:
            tried.append(batch.first)
            if batch.first <= 5 <= batch.last:
                raise RuntimeError("a fault of ours")
            return append(batch, at_ms)

        monkeypatch.setattr(pipeline.journal, "append", breaks_on_5)
        pipeline.start()
        return pipeline

    start_and_stop(start, until)  # from here on the broker keeps a session
    with node_at(free_port) as node:
        for _ in range(2):
            node.send([reading(beyond, "s1/p1/rain", START_MS, 0.0)], lowest_kept=beyond)
        for batch in batches(readings[:12], 4):
            node.send(batch)
        first = start()
        until(lambda: node.received == 12 or first.crash, "all until now is receipted")
        first.stop()
        assert first.crash == "" and tried[-3:] == [1, 5, 9]  # by themselves, where they were joined before that
        met = list(tried)
        second = start()
        node.send(readings[12:])
        until(lambda: node.received == 16 or second.crash, "what comes later is receipted")
        reasons = [q.reason for q in second.journal.quarantine()]
        second.stop()
    assert second.crash == "" and tried == [*met, 13]
    assert sorted(reason.partition(":")[0] for reason in reasons) == ["RuntimeError", "topic", "topic"]


def start_and_stop(start: Callable[[], Pipeline], until: Until) -> None:
    pipeline = start()
    until(lambda: pipeline.ready, "it is ready")
    pipeline.stop()


def test_a_second_pipeline_on_the_same_folder_is_refused(settings: Path) -> None:
    """Two writers would spoil each other's work: the second one is told who has the folder."""
    config = load(settings)
    with lock_folder(config.data.dir), pytest.raises(DataInUse, match=f"process {os.getpid()}"):
        Pipeline(config)
    Pipeline(config).stop()  # and once it is free it opens


def test_a_bug_in_a_part_ends_the_whole(settings: Path, until: Until, monkeypatch: pytest.MonkeyPatch) -> None:
    """A crash is never a thread that quietly is no more: the pipeline ends and says why."""
    pipeline = Pipeline(load(settings), mosquitto=None)

    def bug(*_: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(pipeline._worker, "step", bug)
    pipeline.start()
    try:
        assert pipeline.wait(20.0)
        assert "worker crashed: ZeroDivisionError" in pipeline.crash
        assert not pipeline.ready
        assert pipeline.crash in pipeline.health()["reasons"]  # type: ignore[operator]
    finally:
        pipeline.stop()


def test_listeners_hear_what_kind_of_thing_changed(running: Pipeline, free_port: int, until: Until) -> None:
    """Whoever shows live values is told of readings and findings, and no more after leaving."""
    words: list[str] = []
    leave = running.changes.listen(words.append)
    until(lambda: running.ready, "it is ready")
    with node_at(free_port) as node:
        node.send(record(2))
        until(lambda: {"readings", "findings"} <= set(words), "both are told")
        leave()
        count = len(words)
        node.send(record(1, first_seq=9))
        until(lambda: node.received == 12, "the next batch is kept")
    assert len(words) == count


def test_a_server_at_rest_has_not_loaded_what_it_seldom_needs() -> None:
    """Trends of cores, fits of the water balance and services for phones load their libraries when they are used."""
    asked = "import sys, pipeline.service; print({'scipy.stats', 'scipy.optimize', 'apprise'} & sys.modules.keys())"
    answer = subprocess.run([sys.executable, "-c", asked], cwd=ROOT, capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "set()"


def start_process(settings: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline", "serve", "--config", str(settings)], cwd=ROOT, stderr=subprocess.DEVNULL
    )


def test_a_killed_process_loses_nothing_and_keeps_nothing_twice(
    mosquitto: Path, settings: Path, free_port: int, until: Until
) -> None:
    """SIGKILL while batches flow: a node that sends again what has no receipt ends with each reading kept once."""
    readings = record(100)
    with node_at(free_port) as node:
        pipe, stop = start_process(settings), threading.Event()
        feeder = threading.Thread(target=_send_until_received, args=(node, readings, stop))
        feeder.start()
        try:
            until(lambda: node.received >= 100, "a quarter is receipted")
            pipe.kill()
            pipe.wait()
            pipe = start_process(settings)
            until(lambda: node.received == len(readings), "all is receipted")
        finally:
            stop.set()
            feeder.join()
            pipe.send_signal(signal.SIGTERM)
            assert pipe.wait(20) == 0
    stores = open_stores(load(settings))
    raw = stores.store.raw(sorted({r.channel for r in readings}), 0, 2**61)
    stores.close()
    kept = sorted(zip(raw["channel"], raw["measured_at_ms"], raw["raw"], strict=True))
    assert kept == sorted((r.channel, r.measured_at_ms, r.raw) for r in readings)


def test_an_entry_of_the_diary_outlives_a_kill(mosquitto: Path, settings: Path, free_port: int, until: Until) -> None:
    """SIGKILL just after a core was written, as a page writes it: the process started again works out its thatch."""
    readings, stop = record(96), threading.Event()
    pipe = start_process(settings)
    stores = open_stores(load(settings))
    try:
        with node_at(free_port) as node:
            feeder = threading.Thread(target=_send_until_received, args=(node, readings, stop))
            feeder.start()
            until(lambda: node.received == len(readings), "all is receipted")
            feeder.join()
        until(lambda: len(stores.store.findings("s1", None, 0, 2**61)) > 0, "there are findings")
        until(lambda: len(readings) in stores.journal.note(WORKED_KEY).values(), "the stages have noted all of it")
        stores.diary.add(DiaryEntry("core", "square", START_MS, {"thatch_mm": 40.0}, station="s1"))
        pipe.kill()
        pipe.wait()
        pipe = start_process(settings)
        until(lambda: len(stores.store.findings("s1", ["thatch_water"], 0, 2**61)) == 96, "there is thatch all along")
    finally:
        stop.set()
        stores.close()
        pipe.send_signal(signal.SIGTERM)
        assert pipe.wait(20) == 0


def _send_until_received(node: Node, readings: list[Reading], stop: threading.Event) -> None:
    """Two batches in flight; again after half a second without a receipt."""
    pause = threading.Event()
    while not stop.is_set() and node.received < len(readings):
        before = node.received
        for first in (before, before + 10):
            if first < len(readings):
                node.send(readings[first : first + 10])
        for _ in range(50):
            if stop.is_set() or node.received > before:
                break
            pause.wait(0.01)


def test_the_commands_check_and_recompute(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`check` names every fault with status 2, `recompute` works a span out anew and refuses an unknown station."""
    assert main(["check", "--config", str(settings)]) == 0
    assert "1 stations, 16 channels" in capsys.readouterr().out
    _fill(load(settings), 96)
    assert main(["recompute", "--config", str(settings), "--station", "s1", "--from", "2024-03-01"]) == 0
    assert "s1: 384 observations" in capsys.readouterr().out
    assert main(["recompute", "--config", str(settings), "--station", "s9"]) == 2
    settings.write_text("[site]\n")
    assert main(["check", "--config", str(settings)]) == 2
    assert "site.name: found nothing" in capsys.readouterr().err


def _fill(config: SiteConfig, slots: int) -> None:
    stores = open_stores(config)
    for batch in batches(record(slots), 500):
        stores.journal.append(Batch("meadow", "node-1", OUTBOX, 1, tuple(batch)), batch[-1].measured_at_ms)
    stores.close()


def test_export_gives_every_observation_with_its_unit(settings: Path) -> None:
    """A row for each, in order, with UTC time, unit, depth and flag in words."""
    config = load(settings)
    _fill(config, 20)
    assert main(["recompute", "--config", str(settings)]) == 0
    stores = open_stores(config)
    channels = ["s1/p1/moisture_0050", "s1/w1/rain"]
    asked = (stores.store, config.channels(), channels, START_MS, START_MS + 10 * SLOT_MS)
    lines = "".join(csv_text(*asked)).splitlines()
    stores.close()
    lines = [line for line in lines if not line.startswith("#")]
    assert lines[0] == "channel,time,quantity,unit,depth_m,raw,value,flag,stage_version,received"
    assert len(lines) == 1 + 20
    assert lines[1].startswith("s1/p1/moisture_0050,2024-03-01T00:00:01.000Z,water_content,m3 m-3,0.05,")
    assert lines[1].split(",")[7] == "good"
    assert lines[-1].split(",")[2:5] == ["rain", "mm", ""]


def test_mosquitto_is_found_or_said_to_be_missing() -> None:
    """What is found on this machine is a program."""
    found = find_mosquitto()
    assert found is None or os.access(found, os.X_OK)
