"""Rate of ingest to durable store, beside bare SQLite on the same rows and beside a subscriber that only acknowledges.

    python tests/bench/bench_ingest.py [READINGS]

First without a broker: the wire form decoded and appended to the journal, one synced commit a batch, against
`executemany` of the same rows, in the same batches, into the same table under the same settings (and into a plain table
without a key). They take turns of twenty batches, so that a busy machine weighs on all of them alike. Then over MQTT
at QoS 1 through a real mosquitto: the whole pipeline until its receipt, against a bare paho subscriber. The channels
are not in the settings, so no stage runs. Prints; nothing is asserted but that every reading was kept once.
"""

from __future__ import annotations

import gc
import random
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from paho.mqtt import client as mqtt  # noqa: E402
from paho.mqtt.enums import CallbackAPIVersion  # noqa: E402

from hardware.reading import (  # noqa: E402
    Batch,
    Reading,
    Status,
    decode_batch,
    decode_receipt,
    encode_batch,
    parse_readings_topic,
    readings_topic,
    receipt_topic,
)
from pipeline.service import Pipeline  # noqa: E402
from pipeline.service import load_settings as load  # noqa: E402
from pipeline.store.database import CACHE_KIB, WAL_PAGES, Database  # noqa: E402
from pipeline.store.journal import Journal  # noqa: E402
from pipeline.store.packed import STATUS_CODES  # noqa: E402
from pipeline.store.sqlite import SqliteStore  # noqa: E402

BATCH = 500
CHANNELS = [f"nowhere/p1/moisture_{depth:03d}" for depth in range(0, 600, 50)]
SITE, NODE, OUTBOX = "meadow", "node-1", "0123456789abcdef"
T0_MS = 1_704_067_200_000
DEADLINE_S = 300.0
TURN = 20  # batches
WINDOW = 8  # batches an agent has out beyond the receipt
COLUMNS = (
    "outbox INTEGER NOT NULL, seq INTEGER NOT NULL, channel INTEGER NOT NULL, measured_at_ms INTEGER NOT NULL, "
    "slot NOT NULL, raw REAL, status INTEGER NOT NULL, attempts INTEGER NOT NULL, clock_ok INTEGER NOT NULL"
)
SETTINGS = """
[site]
name = "meadow"
[data]
dir = "{folder}"
[broker]
kind = "external"
port = {port}
[[surface]]
name = "square"
title = "Square"
kind = "square"
[[surface.station]]
name = "s1"
title = "north end"
soil = "loam"
[[surface.station.probe]]
name = "p1"
model = "deep_soil_profile"
"""


def make(count: int) -> list[Batch]:
    """Batches of twelve channels read every 15 minutes; one reading in fifty is silent."""
    rng = random.Random(1)
    batches = []
    for first in range(1, count + 1, BATCH):
        readings = []
        for seq in range(first, first + BATCH):
            slot, place = divmod(seq - 1, len(CHANNELS))
            at_s = T0_MS // 1000 + slot * 900
            silent = seq % 50 == 0
            readings.append(
                Reading(
                    *(SITE, NODE, OUTBOX, seq, CHANNELS[place], str(at_s), at_s * 1000 + place * 37),
                    *(None if silent else round(rng.uniform(0.1, 0.5), 4), Status.SILENT if silent else Status.OK),
                    *(3 if silent else 1, True),
                )
            )
        batches.append(Batch(SITE, NODE, OUTBOX, 1, tuple(readings)))
    return batches


def bare(path: Path, key: str) -> sqlite3.Connection:
    """SQLite with the journal's settings and one table."""
    connection = sqlite3.connect(path, isolation_level=None)
    for pragma in ("journal_mode = WAL", "synchronous = FULL", f"wal_autocheckpoint = {WAL_PAGES}"):
        connection.execute(f"PRAGMA {pragma}")
    connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
    connection.execute(f"CREATE TABLE reading ({COLUMNS}{key}")
    return connection


def insert(connection: sqlite3.Connection, rows: list[tuple[object, ...]]) -> None:
    connection.execute("BEGIN IMMEDIATE")
    connection.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
    connection.execute("COMMIT")


def against_sqlite(batches: list[Batch], folder: Path) -> None:
    """Decode and append against executemany, taking turns."""
    wire = [(readings_topic(b), encode_batch(b)) for b in batches]
    number = {name: i + 1 for i, name in enumerate(CHANNELS)}
    rows = [
        [
            (1, r.seq, number[r.channel], r.measured_at_ms, int(r.slot), r.raw, STATUS_CODES[r.status], r.attempts, 1)
            for r in b.readings
        ]
        for b in batches
    ]
    database = Database(folder / "journal.db")
    journal = Journal(database)
    same = bare(folder / "same.db", ", PRIMARY KEY (outbox, seq)) WITHOUT ROWID")
    plain = bare(folder / "plain.db", ")")
    gc.collect()
    gc.freeze()  # what the bench itself holds is not the pipeline's to sweep
    parts = ("ours", "decode", "same", "plain")
    spent, worked = dict.fromkeys(parts, 0.0), dict.fromkeys(parts, 0.0)

    def turn(part: str, work: Callable[[], object]) -> None:
        began_s, began_cpu_s = time.perf_counter(), time.thread_time()
        work()
        spent[part] += time.perf_counter() - began_s
        worked[part] += time.thread_time() - began_cpu_s

    def keep(some: list[tuple[str, bytes]]) -> None:
        for topic, payload in some:
            journal.append(decode_batch(payload, parse_readings_topic(topic)), T0_MS)

    for at in range(0, len(wire), TURN):
        some, these = wire[at : at + TURN], rows[at : at + TURN]
        turn("ours", lambda some=some: keep(some))
        turn("same", lambda these=these: [insert(same, one) for one in these])
        turn("plain", lambda these=these: [insert(plain, one) for one in these])
        turn("decode", lambda some=some: [decode_batch(p, parse_readings_topic(t)) for t, p in some])
    n = len(batches) * BATCH
    assert journal.received(SITE, NODE, OUTBOX) == n
    assert len(SqliteStore(database).raw(CHANNELS, 0, 2 * T0_MS)) == n
    ours, ours_cpu = spent["ours"], worked["ours"]
    print(
        f"decode + append to the journal     {n / ours:9.0f} readings/s   n = {n}, {BATCH} a commit, synchronous=FULL"
    )
    print(f"  decoding alone                   {n / spent['decode']:9.0f} readings/s")
    for part, words in (("same", "executemany, the same table    "), ("plain", "executemany, a plain table     ")):
        ratio = f"{spent[part] / ours:.2f} of it ({worked[part] / ours_cpu:.2f} by processor time)"
        print(f"{words}    {n / spent[part]:9.0f} readings/s   ours is {ratio}")
    for connection in (same, plain):
        connection.close()
    database.close()


def publish(port: int, count: int, window: int) -> None:
    """The node: publishes every batch at QoS 1 once told to on standard input (a process of its own).

    With a window it has no more batches out than that beyond the receipt, as an agent does.
    """
    batches = make(count)
    wire = [(readings_topic(b), encode_batch(b)) for b in batches]
    received, moved = [0], threading.Condition()

    def hear(client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        with moved:
            received[0] = decode_receipt(message.payload).seq
            moved.notify()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="node-1")
    client.on_message = hear
    client.connect("127.0.0.1", port)
    client.subscribe(receipt_topic(SITE, NODE), qos=1)
    client.loop_start()
    print("ready", flush=True)
    sys.stdin.readline()
    for batch, (topic, payload) in zip(batches, wire, strict=True):
        with moved:
            moved.wait_for(lambda: not window or batch.last - received[0] <= window * BATCH, DEADLINE_S)  # noqa: B023
        told = client.publish(topic, payload, qos=1)
    told.wait_for_publish(DEADLINE_S)
    client.disconnect()
    client.loop_stop()


class Bare:
    """A paho subscriber that acknowledges and counts, nothing else."""

    def __init__(self, port: int) -> None:
        self.batches = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare")
        self.subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: self.subscribed.set()
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(f"underturf/1/{SITE}/+/readings/#", qos=1)
        self._client.loop_start()

    def _hear(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        self.batches += 1

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def timed(port: int, count: int, window: int, done) -> float:
    """Seconds from the word to the node until `done()`."""
    command = [sys.executable, __file__, "--publish", str(port), str(count), str(window)]
    node = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert node.stdout.readline() == "ready\n"
        pause = threading.Event()
        began = time.perf_counter()
        node.stdin.write("go\n")
        node.stdin.flush()
        while not done():
            assert time.perf_counter() - began < DEADLINE_S, "not done within the deadline"
            pause.wait(0.01)
        return time.perf_counter() - began
    finally:
        node.kill()
        node.wait()


def over_mqtt(count: int, folder: Path, mosquitto: str) -> None:
    """The whole pipeline until its receipt, against a bare subscriber, over the same broker program."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port = listener.getsockname()[1]
    lines = (f"listener {port} 127.0.0.1", "allow_anonymous true", "max_queued_messages 0", "persistence false")
    (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
    broker = subprocess.Popen([mosquitto, "-c", str(folder / "mosquitto.conf")], stderr=subprocess.DEVNULL)
    try:
        pause = threading.Event()
        while socket.socket().connect_ex(("127.0.0.1", port)):
            pause.wait(0.05)
        bare_one = Bare(port)
        bare_one.subscribed.wait(10)
        bare_s = timed(port, count, 0, lambda: bare_one.batches * BATCH >= count)
        bare_one.close()
        (folder / "underturf.toml").write_text(SETTINGS.format(folder=folder / "data", port=port))
        pipeline = Pipeline(load(folder / "underturf.toml"))
        pipeline.start()
        try:
            while not pipeline.ready:
                pause.wait(0.05)
            ours_s = timed(port, count, WINDOW, lambda: pipeline.journal.received(SITE, NODE, OUTBOX) >= count)
            kept = len(pipeline.store.raw(CHANNELS, 0, 2 * T0_MS))
        finally:
            pipeline.stop()
        assert kept == count, f"found {kept} readings, expected {count}"
    finally:
        broker.kill()
        broker.wait()
    print(f"over MQTT, the pipeline to receipt {count / ours_s:9.0f} readings/s   n = {count}, kept once: {kept}")
    print(f"over MQTT, a bare subscriber       {count / bare_s:9.0f} readings/s   ours is {bare_s / ours_s:.2f} of it")


def main() -> None:
    if sys.argv[1:2] == ["--publish"]:
        publish(*map(int, sys.argv[2:]))
        return
    count = -(-int(sys.argv[1] if len(sys.argv) > 1 else 200_000) // BATCH) * BATCH
    folder = Path(tempfile.mkdtemp(prefix="bench-ingest-"))
    try:
        against_sqlite(make(count), folder)
        mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if mosquitto is None:
            print("over MQTT: left out, mosquitto is not installed")
        else:
            over_mqtt(count, folder, mosquitto)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
