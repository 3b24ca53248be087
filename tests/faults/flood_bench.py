"""Flood bench: good readings beside a flood of messages that cannot be read; their delay, and the server's memory.

    python tests/faults/flood_bench.py --minutes 2 --poison 10000

A real mosquitto and `python -m pipeline serve` as a process. A node sends a batch of six readings each second and takes
the time to its receipt: first alone, then while another client publishes so many bad messages a minute (no JSON, deep
JSON, numbers beyond all limits, foreign topics, payloads of up to 200 kB), spread evenly. Prints the delay of both
spans, the resident memory at the end of each and their ratio, and what was set aside. Exits 1 when a reading was lost
or kept twice, nothing was set aside, or the memory has grown beyond `LIMIT`.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from paho.mqtt import client as mqtt  # noqa: E402
from paho.mqtt.enums import CallbackAPIVersion  # noqa: E402

from hardware.reading import (  # noqa: E402
    Batch,
    Reading,
    Status,
    decode_receipt,
    digest_of,
    encode_batch,
    readings_topic,
    receipt_topic,
)
from pipeline.service import load_settings  # noqa: E402
from pipeline.store.opening import open_stores  # noqa: E402
from tests.bench.settings import write_one_probe  # noqa: E402
from tests.pipeline.conftest import wait_until  # noqa: E402

SLOT = 6
EVERY_S = 1.0
LIMIT = 1.3  # of the memory before
RESEND_S, RECEIPT_WITHIN_S = 10.0, 120.0
OUTBOX = "0123456789abcdef"
NODE = ("meadow", "hut", OUTBOX)


class Node:
    """A node that sends a slot at a time and waits for its receipt."""

    def __init__(self, port: int) -> None:
        self.seq, self.received, self.before, self.resends = 0, 0, "", 0
        self._arrived = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="node")
        self.ready = threading.Event()
        self.client.on_connect = lambda c, *_: c.subscribe(
            [(receipt_topic("meadow", "hut"), 1), ("underturf/1/meadow/server", 1)]
        )
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _hear(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.topic.endswith("/server"):
            self.ready.set()  # the server is subscribed
            return
        receipt = decode_receipt(message.payload)
        if receipt.outbox_id == OUTBOX:
            self.received = receipt.seq
            self._arrived.set()

    def send(self) -> float:
        """Send one slot; return how long its receipt took. [s]"""
        now_ms = time.time_ns() // 1_000_000
        readings = tuple(
            Reading(*NODE, self.seq + i + 1, f"s1/p1/c{i}", str(now_ms // 1000), now_ms, 0.25, Status.OK, 1, True)
            for i in range(SLOT)
        )  # fmt: skip
        batch = Batch(*NODE, 1, readings, self.before)
        self.seq += SLOT
        began = time.monotonic()
        self.client.publish(readings_topic(batch), encode_batch(batch), qos=1)
        while self.received < self.seq:
            self._arrived.clear()
            if self.received < self.seq and not self._arrived.wait(RESEND_S):  # as an agent does
                self.resends += 1
                self.client.publish(readings_topic(batch), encode_batch(batch), qos=1)
            if time.monotonic() - began > RECEIPT_WITHIN_S:
                raise RuntimeError(f"waited {RECEIPT_WITHIN_S:.0f} s in vain for the receipt of {self.seq}")
        self.before = digest_of(readings[-1])
        return time.monotonic() - began


class Flood(threading.Thread):
    """Publishes bad messages at an even rate until it is stopped."""

    def __init__(self, port: int, a_minute: int) -> None:
        super().__init__(daemon=True)
        self.sent, self.stop = 0, threading.Event()
        self._pause_s, self._rng = 60.0 / a_minute, random.Random(1)
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="flood")
        self._client.max_queued_messages_set(0)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def run(self) -> None:
        began = time.monotonic()
        while not self.stop.is_set():
            self._client.publish(*self._bad(), qos=1)
            self.sent += 1
            self.stop.wait(max(0.0, began + self.sent * self._pause_s - time.monotonic()))
        self._client.disconnect()

    def _bad(self) -> tuple[str, bytes]:
        rng, n = self._rng, self.sent
        outbox = f"{rng.randrange(20):032x}"
        topic = f"underturf/1/meadow/bad-{n % 9}/readings/{outbox}/{n + 1}/{n + 3}"
        kind = n % 6
        if kind == 0:
            return topic, rng.randbytes(rng.randint(1, 2000))
        if kind == 1:
            return topic, b"[" * 20_000
        if kind == 2:
            return topic, b'[{"v": ' + b"9" * 5000 + b"}]"
        if kind == 3:
            return f"underturf/1/meadow/bad/readings/{outbox}/1/{2**63}", b"[]"
        if kind == 4:
            return f"underturf/1/meadow/bad-{n % 9}/status", json.dumps({"state": "up", "backlog": -1}).encode()
        return topic, b"x" * rng.choice((10, 1000, 200_000))


def memory_mb(pid: int) -> float:
    """Resident memory of a process. [MB]"""
    text = Path(f"/proc/{pid}/status").read_text()
    return int(text.partition("VmRSS:")[2].split()[0]) / 1024


def listens(port: int) -> bool:
    """Whether somebody takes connections on a port of this machine."""
    with socket.socket() as tried:
        return tried.connect_ex(("127.0.0.1", port)) == 0


def span(node: Node, seconds: float) -> list[float]:
    """Send a slot each second for so long; the delays. [s]"""
    delays, began = [], time.monotonic()
    while time.monotonic() - began < seconds:
        delays.append(node.send())
        time.sleep(max(0.0, EVERY_S - delays[-1]))  # the pace of a node
    return delays


def told(name: str, delays: list[float], mb: float) -> str:
    """One span in words."""
    many = sorted(delays)
    worst = many[-1]
    return (
        f"{name}: {len(many)} slots of {SLOT} readings; receipt after {statistics.median(many) * 1000:.0f} ms in the "
        f"median, {many[int(0.95 * (len(many) - 1))] * 1000:.0f} in 95 of 100, {worst * 1000:.0f} at most; {mb:.0f} MB"
    )


def kept(folder: Path, node: Node) -> tuple[int, int]:
    """Readings of the node that are stored, and how often each at most."""
    stores = open_stores(load_settings(folder / "site.toml"))
    raw = stores.store.raw([f"s1/p1/c{i}" for i in range(SLOT)], 0, 2**61)
    stores.close()
    return len(raw), int(raw.groupby(["channel", "measured_at_ms"]).size().max())


def main() -> int:
    """0 when nothing was lost and the memory stayed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=2.0, help="of each span")
    parser.add_argument("--poison", type=int, default=10_000, help="bad messages a minute")
    given = parser.parse_args()
    mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if mosquitto is None:
        print("mosquitto: found none, expected it on PATH (Debian: apt-get install mosquitto)", file=sys.stderr)
        return 1
    with tempfile.TemporaryDirectory() as temporary, socket.socket() as listener:
        folder = Path(temporary)
        listener.bind(("127.0.0.1", 0))
        port = listener.getsockname()[1]
        listener.close()
        (folder / "broker.conf").write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
            "max_inflight_messages 64\nmax_queued_messages 1000\n"  # as hardware/mosquitto/underturf.conf has them
        )
        write_one_probe(folder / "site.toml", port, "root_zone_profile")
        with (folder / "serve.log").open("ab") as log:
            broker = subprocess.Popen([mosquitto, "-c", str(folder / "broker.conf")], stderr=subprocess.DEVNULL)
            serve = subprocess.Popen(
                [sys.executable, "-m", "pipeline", "serve", "--config", str(folder / "site.toml")],
                cwd=ROOT, stdout=log, stderr=log,
            )  # fmt: skip
        try:
            wait_until(lambda: listens(port), "the broker listens")
            node = Node(port)
            if not node.ready.wait(RECEIPT_WITHIN_S):
                raise RuntimeError(f"waited {RECEIPT_WITHIN_S:.0f} s in vain for the server")
            span(node, 20.0)  # what is loaded once
            alone = span(node, given.minutes * 60)
            before_mb = memory_mb(serve.pid)
            print(told("alone", alone, before_mb), flush=True)
            flood = Flood(port, given.poison)
            flood.start()
            flooded = span(node, given.minutes * 60)
            after_mb = memory_mb(serve.pid)
            flood.stop.set()
            flood.join()
            print(told(f"beside {flood.sent} bad messages", flooded, after_mb), flush=True)
            span(node, 5.0)  # behind the last bad one
        finally:
            serve.send_signal(signal.SIGTERM)
            serve.wait(30)
            broker.terminate()
            broker.wait(10)
        count, most = kept(folder, node)
        stores = open_stores(load_settings(folder / "site.toml"))
        size, log_bytes = stores.journal.quarantine_size(), (folder / "serve.log").stat().st_size
        stores.close()
    ratio = after_mb / before_mb
    print(
        f"memory {ratio:.2f} of before, at most {LIMIT}; {count} of {node.seq} readings kept, each {most} time(s), "
        f"sent again {node.resends} times; in quarantine {size.entries} messages, "
        f"{size.payload_bytes / 1e6:.1f} MB; log {log_bytes / 1000:.0f} kB"
    )
    return 0 if ratio <= LIMIT and count == node.seq and most == 1 and size.entries > 0 else 1


if __name__ == "__main__":
    sys.exit(main())
