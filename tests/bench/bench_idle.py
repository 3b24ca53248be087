"""What the server costs while nobody looks: memory at rest, and processor time while two stations are heard.

    python tests/bench/bench_idle.py [SEED]

Two stations of six depths of moisture and a gauge, with 30 days behind them, served by a process of its own whose clock
runs 60 times as fast as life, as in the demo: every 15 s a quarter of an hour's readings come over MQTT, every minute
advice is worked out for another hour. No page is asked for. Exits 1 when the memory or the share of one processor is
beyond its limit.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path
from urllib.parse import quote

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from paho.mqtt import client as mqtt  # noqa: E402

from hardware.reading import Batch, Reading, Status, encode_batch, readings_topic  # noqa: E402
from tests.bench.bench_pages import OUTBOX, SLOT_MS, ask, build, free_port, serving  # noqa: E402
from tests.bench.table import measured  # noqa: E402

RATE = 60.0
DAYS = 30
SLOTS = 5
MEMORY_MOST_MB = 200.0
SHARE_MOST = 0.08


def main() -> int:
    """0 when both are within their limits."""
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    with tempfile.TemporaryDirectory() as name:
        port, broker_port = free_port(), free_port()
        seq, channels = build(Path(name), port, broker_port, seed, days=DAYS)
        clock = (int(time.time() * 1000), time.monotonic(), RATE)
        with serving(Path(name), port, clock) as server:
            memory_mb = server.memory_mb()
            sender = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
            sender.connect("127.0.0.1", broker_port)
            sender.loop_start()
            before_s, began_s = server.cpu_s(), time.monotonic()
            for _ in range(SLOTS):
                at_ms = clock[0] + round((time.monotonic() - clock[1]) * 1000 * RATE)
                slot, first = str(at_ms // SLOT_MS * SLOT_MS // 1000), seq + 1
                made = []
                for channel in channels:
                    seq += 1
                    made.append(Reading(*OUTBOX, seq, channel, slot, at_ms, 12.0, Status.OK, 1, True))
                batch = Batch(*OUTBOX, first, tuple(made))
                sender.publish(readings_topic(batch), encode_batch(batch), qos=1).wait_for_publish(10)
                time.sleep(SLOT_MS / 1000 / RATE)  # the pace of the demo's agent
            share = (server.cpu_s() - before_s) / (time.monotonic() - began_s)
            sender.loop_stop()
            start = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(clock[0] / 1000))
            path = f"/api/v1/observations?channel={quote(channels[0])}&from={start}&every=raw"
            heard = len(json.loads(ask(server.connect(), path, encoding="identity")[1])["observations"])
            if heard != SLOTS:
                raise RuntimeError(f"found {heard} observations of {channels[0]}, expected {SLOTS}")
    within = [
        measured("server at rest", f"{memory_mb:.0f} MB", memory_mb / MEMORY_MOST_MB, 1.0, of=f"{MEMORY_MOST_MB:g} MB",
                 before="1.07"),
        measured("two stations at the demo's pace", f"{share * 100:.1f} % of a core", share / SHARE_MOST, 1.0,
                 of=f"{SHARE_MOST * 100:g} % of a core", before="0.88"),
    ]  # fmt: skip
    return int(not all(within))


if __name__ == "__main__":
    sys.exit(main())
