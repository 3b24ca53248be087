"""A box that wakes an hour back reads and sends for three hours before anybody tells it the time.

Real agent, real mosquitto, real server on real stores; the machine's clock is in the hand. What must come out is known
beforehand: each reading once, at the time at which the sensor was asked (algebra), and what a server that never was in
doubt makes of them.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
import pytest

from api.app import create_app
from hardware.machine_clock import MachineClock
from hardware.reading import Batch, Reading, Redated, Status, encode_batch, readings_topic
from pipeline.run.clock import SystemClock
from pipeline.service import Pipeline
from pipeline.service import load_settings as load_server
from pipeline.stages.recompute import StationContexts, recompute
from pipeline.store.database import Database
from pipeline.store.journal import Journal
from pipeline.store.series import SqlStore
from probe_agent.config import load as load_agent
from probe_agent.service import Agent
from tests.api.served import TestClient
from tests.pipeline.hand import HOUR_MS, OUTBOX, SLOT_MS, Line, batches, lines, record, stored
from tests.ports import unused_port
from tests.probe_agent.conftest import sensor_line, start_broker, until, write_config

__all__ = ["sensor_line", "start_broker", "until", "write_config"]
STOP = threading.Event()
BEHIND_MS = 3_600_000
BEGAN_MS = 1_772_366_400_000  # 2026-03-01 12:00:00 UTC, in truth
CHANNELS = ("square-1/p1/moisture", "square-1/p1/temperature")


@dataclass
class Machine:
    """A box whose clock stood still for an hour, or however long, and that nobody has told."""

    true_ms: int = BEGAN_MS
    behind_ms: int = BEHIND_MS
    on_since_ms: int = BEGAN_MS - 700_000  # past the time in which a time service is waited for

    def pass_s(self, seconds: float) -> None:
        self.true_ms += round(seconds * 1000)


class WokenClock(MachineClock):
    """The clock of that box. Waits are real."""

    follows = stands = False
    machine: Machine

    def system_ms(self) -> int:
        return self.machine.true_ms - self.machine.behind_ms

    def uptime_ms(self) -> int:
        return self.machine.true_ms - self.machine.on_since_ms

    def is_kept(self) -> bool:
        return False

    def monotonic(self) -> float:
        return time.monotonic()

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.wait(seconds)

    def wait_until(self, due_ms: int, stop: threading.Event) -> bool:
        return True


class ServerClock(WokenClock, SystemClock):
    """The same for the server, which does not follow a step that nobody confirms."""


SERVER = """
[site]
name = "home"
[data]
dir = "data"
[broker]
kind = "external"
host = "127.0.0.1"
port = {port}
[[surface]]
name = "square"
title = "Square"
kind = "square"
[[surface.station]]
name = "square-1"
title = "long side"
soil = "loam"
[[surface.station.probe]]
name = "p1"
model = "thatch"
"""


@dataclass
class Box:
    """Agent and server on one machine."""

    machine: Machine
    agent: Agent
    pipeline: Pipeline

    def read_slots(self, count: int) -> None:
        """Let so many quarter hours pass, with a reading in each, and everything received."""
        for _ in range(count):
            self.step_until(lambda: not self.agent.outbox.backlog)
            self.machine.pass_s(900)
            self.agent._work(STOP, reads=True)
        self.step_until(lambda: not self.agent.outbox.backlog)

    def step_until(self, condition: Callable[[], bool]) -> None:
        until_s = time.monotonic() + 60
        while not condition():
            assert time.monotonic() < until_s, self.agent.publisher.state
            self.agent._work(STOP, reads=True)
            time.sleep(0.02)  # a bounded wait on the condition above

    def settle(self) -> None:
        """Until the stages have seen everything."""
        stages, worker = self.pipeline._stages, self.pipeline._worker
        self.step_until(lambda: not stages.waiting and not stages.periods_waiting and not worker._source.waiting)


@pytest.fixture
def switch_on(tmp_path: Path, start_broker, sensor_line, write_config) -> Callable[..., AbstractContextManager[Box]]:
    """Starts agent and server on a machine, on what they kept before; both end with the context."""
    port = unused_port()
    start_broker(port=port)
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    agent_file = write_config(port=port)
    text = (
        agent_file.read_text()
        .replace("interval_s = 1\n", "interval_s = 900\n")
        .replace("rain_interval_s = 900", "rain_interval_s = 300")
    )
    agent_file.write_text(text)
    server_file = tmp_path / "underturf.toml"

    @contextmanager
    def on(machine: Machine, store: str = "") -> Iterator[Box]:
        server_file.write_text(SERVER.format(port=port) + store)
        clocks = [type(kind.__name__, (kind,), {"machine": machine}) for kind in (WokenClock, ServerClock)]
        pipeline = Pipeline(load_server(server_file), clock=clocks[1]())
        agent = Agent(load_agent(agent_file), clocks[0]())
        pipeline.start()
        try:
            yield Box(machine, agent, pipeline)
        finally:
            agent.close()
            pipeline.stop()

    return on


@pytest.fixture(params=["sqlite", "influx"])
def box(request, switch_on: Callable[..., AbstractContextManager[Box]]) -> Iterator[Box]:
    store = "" if request.param == "sqlite" else store_table(request.getfixturevalue("influx_place"))
    with switch_on(Machine(), store) as made:
        yield made


def store_table(place: dict[str, str]) -> str:
    return "".join(['\n[store]\nkind = "influx"\n', *(f"{key} = {value!r}\n" for key, value in place.items())])


def runs_digest(pipeline: Pipeline, until_run: int) -> str:
    """What is on the disk of the first readings, as bytes."""
    with pipeline.journal.database.reading() as connection:
        rows = connection.execute("SELECT readings FROM run WHERE id <= ? ORDER BY id", (until_run,)).fetchall()
    return hashlib.sha256(b"".join(row[0] for row in rows)).hexdigest()


def never_in_doubt(pipeline: Pipeline, raw: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Observations and findings of a server that has the same readings from a node whose clock was right."""
    with TemporaryDirectory() as folder, closing(Database(Path(folder) / "journal.db")) as database:
        journal, store = Journal(database), SqlStore(database)
        columns = (raw["channel"], raw["slot"], raw["measured_at_ms"], raw["raw"])
        readings = tuple(
            Reading("home", "hut", OUTBOX, seq, channel, slot, at_ms, value, Status.OK, 1, True)
            for seq, (channel, slot, at_ms, value) in enumerate(zip(*columns, strict=True), 1)
        )
        journal.append(Batch("home", "hut", OUTBOX, 1, readings), readings[-1].measured_at_ms)
        recompute(store, StationContexts(pipeline.config, pipeline.diary, store)("square-1"))
        ever = (0, 2**61)
        return store.observations(CHANNELS, *ever), store.findings("square-1", None, *ever)


def test_three_hours_without_a_time_are_dated_when_it_is_told(box: Box) -> None:
    """Twelve slots are sent an hour back and used, with the doubt named. The time is given on the server's page: each
    row stands at its true time then, none lost, none twice, what was kept of it unchanged; and so do the observations
    and findings, of which none is left where they stood. A recompute makes the same."""
    pipeline, machine = box.pipeline, box.machine
    box.step_until(lambda: box.agent.publisher.state == "up")
    box.read_slots(12)
    box.settle()
    ever = (0, 2**61)
    before = pipeline.store.raw(CHANNELS, *ever)
    assert len(before) >= 24 and not before["clock_ok"].any()
    wrong = pipeline.store.observations(CHANNELS, *ever)
    assert (wrong["flag"] == 1).sum() >= 12 and pipeline.advice() is not None
    client = TestClient(create_app(pipeline), client=("127.0.0.1", 1))
    assert "ime not confirmed since" in client.get("/stations/square-1").text
    assert any(line.startswith("Time of Square, long side not confirmed since") for line in pipeline.notices())
    last_run, name = pipeline.journal.last_run(), box.agent.outbox.outbox_id
    kept = runs_digest(pipeline, last_run)

    now = datetime.fromtimestamp(machine.true_ms / 1000, UTC).isoformat()
    assert client.post("/api/v1/clock", json={"now": now}).status_code == 200
    box.step_until(lambda: box.agent._clock_ok)
    box.read_slots(2)
    box.settle()
    assert runs_digest(pipeline, last_run) == kept

    after = pipeline.store.raw(CHANNELS, *ever)
    assert after["clock_ok"].all() and len(after) == box.agent.outbox.assigned > len(before)
    for channel in CHANNELS:
        old, new = (frame.loc[frame["channel"] == channel, "measured_at_ms"].to_numpy() for frame in (before, after))
        assert np.all(np.abs(new[: len(old)] - old - BEHIND_MS) < 1000)  # the time taken by hand is that exact
        # the slot that the time was told in is read in its turn: two slots of one time, both kept
        assert sorted(np.diff(new).tolist()) == [0] + [SLOT_MS] * (len(new) - 2)
    (outbox,) = pipeline.journal.outboxes()
    assert (outbox.outbox_id, outbox.received, outbox.conflicts, outbox.holes) == (
        name,
        box.agent.outbox.assigned,
        0,
        0,
    )
    observed = pipeline.store.observations(CHANNELS, *ever)
    assert len(observed) == len(after)
    assert np.abs(observed["measured_at_ms"].to_numpy() - after["measured_at_ms"].to_numpy()).max() == 1
    findings = pipeline.store.findings("square-1", None, *ever)
    for one, other in zip((observed, findings), never_in_doubt(pipeline, after), strict=True):
        left_out = ["received_at_ms"] if "received_at_ms" in one else []
        pd.testing.assert_frame_equal(one.drop(columns=left_out), other.drop(columns=left_out), check_exact=True)
    assert "not confirmed" not in client.get("/stations/square-1").text
    (span,) = pipeline.journal.redated()
    assert (span.node, span.readings, span.first) == ("hut", len(before), 1) and abs(span.by_ms - BEHIND_MS) < 1000
    told = client.get("/api/v1/nodes").json()["nodes"][0]["dated_again"]
    assert [one["readings"] for one in told] == [len(before)]

    pipeline._worker.step = lambda stop: stop.wait(0.1)
    recompute(pipeline.store, pipeline.context("square-1"))
    pd.testing.assert_frame_equal(pipeline.store.observations(CHANNELS, *ever), observed)
    pd.testing.assert_frame_equal(pipeline.store.findings("square-1", None, *ever), findings)


def told_of(box: Box) -> str:
    """The pages of the station and of the morning, and all that the advice says of what it rests on."""
    client = TestClient(create_app(box.pipeline), client=("127.0.0.1", 1))
    box.step_until(lambda: box.pipeline.advice() is not None)
    pages = [client.get(address).text for address in ("/", "/stations/square-1", "/work", "/probes")]
    return "\n".join([*pages, *client.get("/api/v1/advice").json()["notes"]])


@pytest.mark.parametrize(("year", "month"), [(1970, 1), (2024, 12)])
def test_a_box_whose_clock_was_never_set_goes_on_with_its_doubt_named(switch_on, year: int, month: int) -> None:
    """A clock that starts in 1970, or at the day its system was made: twelve slots are all kept, good, a quarter of an
    hour apart; station and advice stand, and say that the time was never set. Once it is given all are of today."""
    began_ms = round(datetime(year, month, 1, tzinfo=UTC).timestamp() * 1000)
    machine = Machine(behind_ms=BEGAN_MS - 700_000 - began_ms)
    with switch_on(machine) as box:
        box.step_until(lambda: box.agent.publisher.state == "up")
        box.read_slots(12)
        box.settle()
        observed = box.pipeline.store.observations(CHANNELS, 0, 2**61)
        assert len(observed) == box.agent.outbox.assigned and len(observed) >= 24
        assert (observed["flag"] == 1).all(), observed["flag"].tolist()
        assert set(np.diff(observed.loc[observed["channel"] == CHANNELS[0], "measured_at_ms"])) == {SLOT_MS}
        # the advice that the pages hold may have been begun a slot before
        never_set = "ime of Square, long side never set: dates are wrong until it is given"
        box.step_until(lambda: told_of(box).count(never_set) >= 5)
        said = told_of(box)
        assert "Last heard" in said and "Nothing has been heard" not in said
        if year == 1970:  # the stages would look through 26 years, piece by piece
            return
        now = datetime.fromtimestamp(machine.true_ms / 1000, UTC).isoformat()
        client = TestClient(create_app(box.pipeline), client=("127.0.0.1", 1))
        assert client.post("/api/v1/clock", json={"now": now}).status_code == 200
        box.step_until(lambda: box.agent._clock_ok)
        box.read_slots(2)
        box.settle()
        after = box.pipeline.store.raw(CHANNELS, 0, 2**61)
        assert after["clock_ok"].all() and len(after) == box.agent.outbox.assigned
        assert after["measured_at_ms"].min() >= BEGAN_MS - 1000
        box.step_until(lambda: "never set" not in told_of(box))  # as above


def test_a_box_that_wakes_before_its_last_reading_goes_on_from_there(switch_on) -> None:
    """Confirmed until the power went; after an hour without it the clock stands three hours before that, unconfirmed.
    Agent and server go on from the last slot: what is read is good, no slot is used twice, and the doubt is named."""
    with switch_on(Machine(behind_ms=0)) as box:
        type(box.agent._clock).is_kept = type(box.pipeline.clock).is_kept = lambda self: True
        box.step_until(lambda: box.agent.publisher.state == "up")
        box.read_slots(8)
        box.settle()
        before, cut_ms = box.pipeline.store.raw(CHANNELS, 0, 2**61), box.machine.true_ms
        assert before["clock_ok"].all()
    woken_ms = cut_ms + HOUR_MS
    with switch_on(Machine(woken_ms, 4 * HOUR_MS, woken_ms - 700_000)) as box:
        box.step_until(lambda: box.agent.publisher.state == "up")
        box.read_slots(8)
        box.settle()
        raw = box.pipeline.store.raw(CHANNELS, 0, 2**61)
        after = raw[~raw["clock_ok"]]
        assert len(after) >= 16 and len(raw) == len(before) + len(after)
        assert not set(after["slot"]) & set(before["slot"])
        assert 0 <= after["measured_at_ms"].min() - cut_ms < 2 * SLOT_MS
        observed = box.pipeline.store.observations(CHANNELS, 0, 2**61)
        assert len(observed) == len(raw) and (observed["flag"] == 1).all(), observed["flag"].tolist()
        said = told_of(box)
        assert "ime of Square, long side not confirmed since" in said and "Silent" not in said


SLOTS = 40


def send_told(line: Line, *, kill: bool = False) -> None:
    """Send readings three hours back without a clock, then one of now that tells by how much they are dated again."""
    readings = record(SLOTS)
    unset = [replace(r, measured_at_ms=r.measured_at_ms - 3 * HOUR_MS, clock_ok=False) for r in readings[:-4]]
    for batch in batches(unset, 30):
        line.send_batch(batch)
    line.run_until_quiet()
    told = Batch("meadow", "node-1", OUTBOX, 1, tuple(readings[-4:]), redated=(Redated(1, len(unset), 3 * HOUR_MS),))
    line.send(encode_batch(told), readings_topic(told))
    if kill:
        line.worker._keep_next(line.stop)  # it is on the disk, and nothing has been made of it
        return
    line.run_until_quiet()


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Line]]:
    with lines(tmp_path) as build:
        yield build


def test_a_kill_after_the_readings_were_dated_again_leaves_nothing_where_they_stood(make) -> None:
    """The next start makes of them what a server makes that never was in doubt, and the one that was not killed too."""
    now_ms = record(SLOTS)[-1].measured_at_ms
    killed, spared, clean = (
        make(folder="a", now_ms=now_ms),
        make(folder="b", now_ms=now_ms),
        make(folder="c", now_ms=now_ms),
    )
    send_told(killed, kill=True)
    wrong, _ = stored(killed)
    assert wrong["measured_at_ms"].min() == record(1)[0].measured_at_ms - 3 * HOUR_MS
    again = make(folder="a", now_ms=now_ms)
    again.run_until_quiet()
    send_told(spared)
    for batch in batches(record(SLOTS), 30):
        clean.send_batch(batch)
    clean.run_until_quiet()
    for line in (again, spared):
        for one, other in zip(stored(line), stored(clean), strict=True):
            pd.testing.assert_frame_equal(one, other, check_exact=True)
        receipt = line.stores.journal.receipt("meadow", "node-1", OUTBOX)
        assert receipt.seq == len(record(SLOTS))
    assert spared.source.receipts()[-1] == len(record(SLOTS))
