"""Rate of ingest to durable store, beside bare SQLite on the same rows and beside a subscriber that only acknowledges.

    python tests/bench/bench_ingest.py [READINGS]

First the bytes of a batch as it travels, deflated against plain. Then without a broker: batches of 500 appended to the
journal, and decoded from the wire and appended, a synced commit each, against `executemany` of the same rows, in the
same batches, into the same table under the same settings; by turns of twenty batches, so that a busy machine weighs on
all of them alike. Last over MQTT at QoS 1 through a real
mosquitto, in batches of 500 and of 6: the whole pipeline until its receipt, against a bare paho subscriber that
acknowledges. The channels are not in the settings, so no stage runs. Prints each ratio with its limit; exits 1 when one
is missed or a reading was not kept just once.
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
    deflate,
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
from pipeline.store.series import SqlStore  # noqa: E402
from pipeline.worker import LOADS  # noqa: E402
from tests.bench.settings import write_one_probe  # noqa: E402
from tests.bench.store import is_on_server, store_settings  # noqa: E402
from tests.bench.table import measured  # noqa: E402

BATCH = 500
SMALL = 6  # a slot of a station
CHANNELS = [f"nowhere/p1/moisture_{depth:03d}" for depth in range(0, 600, 50)]
SITE, NODE, OUTBOX = "meadow", "node-1", "0123456789abcdef"
T0_MS = 1_704_067_200_000
DEADLINE_S = 300.0
TURN = 20  # batches
LIMITS = {"append": 0.8, "decode and append": 0.6, SMALL: 0.25, BATCH: 0.15}  # of the peer's rate, at least
BEFORE = {"append": "-", "decode and append": "-", SMALL: "490 readings/s", BATCH: "-"}  # before commits were shared
DEFLATED = 0.33  # of the bytes, at most
WINDOW = 8  # batches an agent has out beyond the receipt
COLUMNS = (
    "outbox INTEGER NOT NULL, seq INTEGER NOT NULL, channel INTEGER NOT NULL, measured_at_ms INTEGER NOT NULL, "
    "slot NOT NULL, raw REAL, status INTEGER NOT NULL, attempts INTEGER NOT NULL, clock_ok INTEGER NOT NULL"
)


def make(count: int, size: int = BATCH) -> list[Batch]:
    """Batches of twelve channels read every 15 minutes; one reading in fifty is silent."""
    rng = random.Random(1)
    batches = []
    for first in range(1, count + 1, size):
        readings = []
        for seq in range(first, first + size):
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


def deflated() -> bool:
    """Bytes of a batch deflated against the same batch plain, and the time of decoding either."""
    kept = True
    for size in (len(CHANNELS), BATCH):
        batches = make(20 * size, size)
        plain = [encode_batch(batch) for batch in batches]
        short = [deflate(payload) for payload in plain]
        spent = []
        for payloads in (plain, short):
            began_s = time.thread_time()
            for _ in range(10):
                for batch, payload in zip(batches, payloads, strict=True):
                    decode_batch(payload, parse_readings_topic(readings_topic(batch)))
            spent.append(time.thread_time() - began_s)
        before, after = (sum(map(len, payloads)) / len(payloads) for payloads in (plain, short))
        value = f"{before:.0f} to {after:.0f} bytes (n {len(batches)}; decoding takes {spent[1] / spent[0]:.2f} of it)"
        kept &= measured(f"batch of {size}, deflated", value, after / before, DEFLATED, of="the plain one")
    return kept


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


def against_sqlite(batches: list[Batch], folder: Path) -> bool:
    """Append, and decode and append, against executemany, taking turns. Returns whether the limits are kept."""
    wire = [(readings_topic(b), encode_batch(b)) for b in batches]
    number = {name: i + 1 for i, name in enumerate(CHANNELS)}
    rows = [
        [
            (1, r.seq, number[r.channel], r.measured_at_ms, int(r.slot), r.raw, STATUS_CODES[r.status], r.attempts, 1)
            for r in b.readings
        ]
        for b in batches
    ]
    databases = [Database(folder / f"{name}.db") for name in ("append", "decode")]
    plain, decoding = (Journal(database) for database in databases)
    same = bare(folder / "same.db", ", PRIMARY KEY (outbox, seq)) WITHOUT ROWID")
    gc.collect()
    gc.freeze()  # what the bench itself holds is not the pipeline's to sweep
    spent = dict.fromkeys(("append", "decode and append", "same"), 0.0)
    worked = dict(spent)

    def turn(part: str, work: Callable[[], object]) -> None:
        began_s, began_cpu_s = time.perf_counter(), time.thread_time()
        work()
        spent[part] += time.perf_counter() - began_s
        worked[part] += time.thread_time() - began_cpu_s

    def keep(some: list[tuple[str, bytes]]) -> None:
        for topic, payload in some:
            decoding.append(decode_batch(payload, parse_readings_topic(topic), loads=LOADS), T0_MS)

    for at in range(0, len(wire), TURN):
        some, these, those = wire[at : at + TURN], rows[at : at + TURN], batches[at : at + TURN]
        turn("append", lambda those=those: [plain.append(one, T0_MS) for one in those])
        turn("decode and append", lambda some=some: keep(some))
        turn("same", lambda these=these: [insert(same, one) for one in these])
    n = len(batches) * BATCH
    kept = True
    print(f"executemany into the same table    {n / spent['same']:9.0f} readings/s   n = {n}, {BATCH} a commit, FULL")
    for part in ("append", "decode and append"):
        ratio, by_cpu = spent["same"] / spent[part], worked["same"] / worked[part]
        value = f"{n / spent[part]:.0f} readings/s (n {n}; {ratio:.2f} of it, {by_cpu:.2f} by CPU)"
        best = max(ratio, by_cpu)  # a busy machine and its disk only add
        kept &= measured(part, value, 1 / best, 1 / LIMITS[part], of="executemany", before=BEFORE[part])
    same.close()
    for journal, database in zip((plain, decoding), databases, strict=True):
        assert journal.receipt(SITE, NODE, OUTBOX).seq == len(SqlStore(database).raw(CHANNELS, 0, 2 * T0_MS)) == n
        database.close()
    return kept


def send_at_once(client: mqtt.Client, data: object, sock: socket.socket) -> None:
    """Small packets do not wait for the answer to the one before."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def publish(port: int, count: int, size: int, window: int) -> None:
    """The node: publishes every batch at QoS 1 once told to on standard input (a process of its own).

    With a window it has no more batches out than that beyond the receipt, as an agent does.
    """
    batches = make(count, size)
    wire = [(readings_topic(b), encode_batch(b)) for b in batches]
    received, moved = [0], threading.Condition()

    def hear(client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        with moved:
            received[0] = decode_receipt(message.payload).seq
            moved.notify()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="node-1")
    client.on_socket_open = send_at_once
    client.on_message = hear
    client.connect("127.0.0.1", port)
    client.subscribe(receipt_topic(SITE, NODE), qos=1)
    client.loop_start()
    print("ready", flush=True)
    sys.stdin.readline()
    for batch, (topic, payload) in zip(batches, wire, strict=True):
        with moved:
            moved.wait_for(lambda: not window or batch.last - received[0] <= window * size, DEADLINE_S)  # noqa: B023
        told = client.publish(topic, payload, qos=1)
    told.wait_for_publish(DEADLINE_S)
    client.disconnect()
    client.loop_stop()


class Bare:
    """A paho subscriber that acknowledges and counts, nothing else."""

    def __init__(self, port: int) -> None:
        self.batches = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare")
        self._client.on_socket_open = send_at_once
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


def timed(port: int, count: int, size: int, window: int, done: Callable[[], bool]) -> float:
    """Seconds from the word to the node until `done()`."""
    command = [sys.executable, __file__, "--publish", *map(str, (port, count, size, window))]
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


def over_mqtt(count: int, size: int, folder: Path, mosquitto: str) -> bool:
    """The whole pipeline until its receipt, against a bare subscriber, over the same broker program.

    Returns whether the limit is kept.
    """
    folder.mkdir()
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port = listener.getsockname()[1]
    lines = (
        f"listener {port} 127.0.0.1",
        "allow_anonymous true",
        "max_queued_messages 0",
        "persistence false",
        "set_tcp_nodelay true",
    )
    (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
    broker = subprocess.Popen([mosquitto, "-c", str(folder / "mosquitto.conf")], stderr=subprocess.DEVNULL)
    try:
        pause = threading.Event()
        while socket.socket().connect_ex(("127.0.0.1", port)):
            pause.wait(0.05)
        bare_one = Bare(port)
        bare_one.subscribed.wait(10)
        bare_s = timed(port, count, size, 0, lambda: bare_one.batches * size >= count)
        bare_one.close()
        write_one_probe(folder / "underturf.toml", port, "deep_soil_profile")
        with (folder / "underturf.toml").open("a") as settings:
            settings.write(store_settings(folder))
        pipeline = Pipeline(load(folder / "underturf.toml"))
        pipeline.start()
        try:
            while not pipeline.ready:
                pause.wait(0.05)
            ours_s = timed(port, count, size, WINDOW, lambda: pipeline.journal.receipt(SITE, NODE, OUTBOX).seq >= count)
            kept = len(pipeline.store.raw(CHANNELS, 0, 2 * T0_MS))
        finally:
            pipeline.stop()
        assert kept == count, f"found {kept} readings, expected {count}"
    finally:
        broker.kill()
        broker.wait()
    print(f"over MQTT, a bare subscriber       {count / bare_s:9.0f} readings/s   n = {count}, {size} a batch")
    return measured(
        f"MQTT to receipt, batches of {size}", f"{count / ours_s:.0f} readings/s (n {count}, kept once: {kept})",
        ours_s / bare_s, 1 / LIMITS[size], of="bare subscriber", before=BEFORE[size],
    )  # fmt: skip


def main() -> int:
    """0 when every limit is kept."""
    if sys.argv[1:2] == ["--publish"]:
        publish(*map(int, sys.argv[2:]))
        return 0
    count = -(-int(sys.argv[1] if len(sys.argv) > 1 else 200_000) // BATCH) * BATCH
    folder = Path(tempfile.mkdtemp(prefix="bench-ingest-"))
    try:
        kept = is_on_server() or deflated() & against_sqlite(make(count), folder)
        mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
        if mosquitto is None:
            print("over MQTT: left out, mosquitto is not installed")
            return int(not kept)
        for size, many in ((BATCH, count), (SMALL, count // 5 // SMALL * SMALL)):
            kept = over_mqtt(many, size, folder / str(size), mosquitto) and kept
    finally:
        shutil.rmtree(folder)
    return int(not kept)


if __name__ == "__main__":
    sys.exit(main())
