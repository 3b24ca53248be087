"""A worker with everything about it in the hand: clock, broker and readings; the stores are real."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from hardware.reading import Batch, Reading, Receipt, Status, encode_batch, readings_topic
from pipeline.alerts.runner import AlertRunner, OpenAlert
from pipeline.mqtt.ingest import Arrival
from pipeline.mqtt.nodes import Nodes
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import Metrics
from pipeline.service import load_settings as load
from pipeline.site.settings import SiteConfig
from pipeline.stages.recompute import StationContexts
from pipeline.stages.runner import RestageQueue
from pipeline.store.opening import Stores, open_stores
from pipeline.worker import Worker

OUTBOX = "00112233445566778899aabbccddeeff"
START_MS = 1_709_251_200_000  # 2024-03-01 00:00 UTC
SLOT_MS = 900_000
HOUR_MS = 3_600_000

SETTINGS = """
[site]
name = "meadow"
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
[[surface.station.probe]]
name = "w1"
model = "weather"
"""


SMALL = SETTINGS[: SETTINGS.rindex("[[surface.station.probe]]")].replace("deep_soil_profile", "thatch")


class HandSystemClock(SystemClock):
    """A machine's clock that can be set while the time goes on; no time service keeps it."""

    def __init__(self, now_ms: int) -> None:
        self.wall_ms, self.steady_ms, self.real_s = now_ms, 1_000_000, 1000.0
        super().__init__()

    def system_ms(self) -> int:
        return self.wall_ms

    def uptime_ms(self) -> int:
        return self.steady_ms

    def is_kept(self) -> bool:
        return False

    def go_on(self, by_ms: int) -> None:
        self.wall_ms, self.steady_ms, self.real_s = (
            self.wall_ms + by_ms,
            self.steady_ms + by_ms,
            self.real_s + by_ms / 1000,
        )

    def monotonic(self) -> float:
        return self.real_s

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        self.real_s += seconds
        return stop.is_set()


class HandClock:
    """A clock that moves only when it is moved, or waited on."""

    def __init__(self, now_ms: int) -> None:
        self.wall_ms, self.real_s = now_ms, 1000.0

    def now_ms(self) -> int:
        return self.wall_ms

    def monotonic(self) -> float:
        return self.real_s

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        self.real_s += seconds
        return stop.is_set()


@dataclass
class HandSource:
    """A broker in the hand: messages to take, and everything said to it in order.

    Unless they come `together`, a message is here only when it is waited for.
    """

    clock: HandClock | HandSystemClock
    messages: list[Arrival] = field(default_factory=list)
    said: list[tuple[str, Any]] = field(default_factory=list)
    together: bool = False
    waits: list[float] = field(default_factory=list)  # how long it was waited for messages [s]

    def take(self, timeout_s: float) -> Arrival | None:
        self.waits += [timeout_s] if timeout_s else []
        if self.messages and (timeout_s > 0 or self.together):
            return self.messages.pop(0)
        self.clock.real_s += timeout_s
        return None

    def acknowledge(self, arrival: Arrival) -> None:
        self.said.append(("acknowledged", arrival.mid))

    def publish_receipt(self, site: str, node: str, receipt: Receipt) -> None:
        self.said.append(("receipt", receipt.seq))

    def interrupt(self) -> None:
        """Nothing waits here."""

    @property
    def waiting(self) -> int:
        return len(self.messages)

    def receipts(self) -> list[int]:
        return [value for word, value in self.said if word == "receipt"]


@dataclass
class Line:
    """A worker with real stores and everything about it in the hand."""

    config: SiteConfig
    stores: Stores
    clock: HandClock | HandSystemClock
    source: HandSource
    study: RestageQueue
    judge: AlertRunner
    nodes: Nodes
    metrics: Metrics
    worker: Worker
    words: list[str] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def send(self, payload: bytes, topic: str | None) -> None:
        self.source.messages.append(Arrival(topic, payload, mid=len(self.source.said) + 1, qos=1, generation=1))

    def send_batch(self, readings: list[Reading], lowest_kept: int = 1) -> None:
        batch = Batch("meadow", "node-1", OUTBOX, lowest_kept, tuple(readings))
        self.send(encode_batch(batch), readings_topic(batch))

    def run(self, steps: int) -> None:
        for _ in range(steps):
            self.worker.step(self.stop)

    def run_until_quiet(self) -> None:
        """Steps until the queue is empty, the stages have seen everything, and the rules were asked once more."""
        for _ in range(5000):
            self.worker.step(self.stop)
            if not self.source.messages and not self.study.waiting and not self.worker._held:
                break
        else:
            raise AssertionError("the worker never came to rest")
        self.clock.real_s += 10.0
        for _ in range(40):
            self.worker.step(self.stop)

    def open_alerts(self) -> list[OpenAlert]:
        """As they are said now."""
        return self.judge.open_alerts(self.clock.now_ms())

    def value(self, name: str, **labels: str) -> float:
        return self.metrics.registry.get_sample_value(f"underturf_{name}", labels) or 0.0


@contextmanager
def lines(tmp_path: Path) -> Iterator[Callable[..., Line]]:
    """Makes workers on real stores under a folder; two of one `folder` share what is kept."""
    opened: list[Stores] = []

    def build(
        settings: str = SETTINGS,
        folder: str = "a",
        now_ms: int = START_MS,
        clock: HandClock | HandSystemClock | None = None,
    ) -> Line:
        path = tmp_path / f"{folder}.toml"
        path.write_text(settings + f'\n[data]\ndir = "{folder}"\n')
        config = load(path)
        stores = open_stores(config)
        opened.append(stores)
        metrics, nodes = Metrics(), Nodes()
        clock = HandClock(now_ms) if clock is None else clock
        source = HandSource(clock)

        context = StationContexts(config, stores.diary, stores.store)
        until_now = {"now_ms": clock.now_ms} if isinstance(clock, HandSystemClock) else {}
        study = RestageQueue(config, stores.store, stores.database, metrics, context, **until_now)
        judge = AlertRunner(config, stores.store, stores.journal, metrics, context, stores.diary)
        words: list[str] = []
        worker = Worker(
            config, source, stores.journal, study, judge, nodes, metrics, clock,
            on_change=words.append, rng=random.Random(1),
        )  # fmt: skip
        return Line(config, stores, clock, source, study, judge, nodes, metrics, worker, words)

    yield build
    for stores in opened:
        stores.close()


def reading(seq: int, channel: str, at_ms: int, raw: float | None, status: Status = Status.OK) -> Reading:
    return Reading(
        "meadow", "node-1", OUTBOX, seq, channel, str(at_ms // SLOT_MS * SLOT_MS // 1000), at_ms, raw, status, 1, True
    )


def record(slots: int, *, first_seq: int = 1, start_ms: int = START_MS, seed: int = 20240301) -> list[Reading]:
    """A made-up wetting and drying at two depths with rain, slot by slot; every 200th value at 50 mm is a spike, which
    can only be known by the value after it."""
    rng = np.random.default_rng(seed)
    readings: list[Reading] = []
    rain = 0.0
    for i in range(slots):
        at_ms = start_ms + i * SLOT_MS
        rain += 2.0 if i % 400 == 30 else 0.0
        spike = 0.08 if i % 200 == 199 else 0.0
        values = {
            "s1/p1/moisture_0050": 0.28 + spike + 0.05 * np.sin(i / 60) + 0.001 * rng.standard_normal(),
            "s1/p1/moisture_0100": 0.27 + 0.03 * np.sin(i / 60 - 0.5) + 0.001 * rng.standard_normal(),
            "s1/p1/temperature_0050": 9.0 + 3.0 * np.sin(i / 15) + 0.05 * rng.standard_normal(),
            "s1/w1/rain": rain,
        }
        for channel, value in values.items():
            readings.append(reading(first_seq + len(readings), channel, at_ms + 1000, round(float(value), 5)))
    return readings


def small_record(slots: int) -> list[Reading]:
    """Both channels of the one probe of `SMALL`, permittivity and temperature, moving a little."""
    readings: list[Reading] = []
    for i in range(slots):
        at_ms = START_MS + i * SLOT_MS
        readings.append(reading(len(readings) + 1, "s1/p1/moisture", at_ms, round(18.0 + np.sin(i / 20), 3)))
        readings.append(reading(len(readings) + 1, "s1/p1/temperature", at_ms, round(9.0 + np.sin(i / 15), 3)))
    return readings


def batches(readings: list[Reading], size: int) -> list[list[Reading]]:
    return [readings[i : i + size] for i in range(0, len(readings), size)]


def stored(line: Line) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All observations (without the time of arrival, which differs) and findings."""
    observations = line.stores.store.observations(list(line.config.channels()), 0, 2**61)
    findings = line.stores.store.findings("s1", None, 0, 2**61)
    return observations.drop(columns="received_at_ms"), findings
