"""The agent as a whole: steps by hand on a clock moved by hand, then the real command from sensor to receipt.

Expected readings are counted from the slots the clock passed and the values the sensor was given.
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from hardware.machine_clock import MachineClock
from hardware.reading import (
    Notice,
    Receipt,
    Sample,
    Status,
    decode_batch,
    encode_notice,
    encode_receipt,
    notice_topic,
    parse_readings_topic,
    receipt_topic,
    status_topic,
)
from hardware.sdi12_frame import Identification
from hardware.sdi12_sensor import Group, Sensor
from probe_agent.clock import SystemClock
from probe_agent.config import load
from probe_agent.line_worker import STUCK_S, PendingCommit
from probe_agent.outbox import FILE_NAME, Outbox, OutboxFull, peek
from probe_agent.service import GATHER_S, Agent, ServiceManager
from tests.ports import unused_port
from tests.probe_agent.conftest import TRUSTED, SensorOnPty

ROOT = Path(__file__).parents[2]
STOP = threading.Event()


@pytest.fixture
def make_agent(write_config, hand_clock):
    made = []

    def make(*, interval_s: int = 900, more: str = "", clock=hand_clock, **keys) -> Agent:
        path = write_config(more=more, **keys)
        text = path.read_text().replace("\ninterval_s = 1\n", f"\ninterval_s = {interval_s}\n")
        path.write_text(text.replace("rain_interval_s = 1\n", "rain_interval_s = 300\n"))
        made.append(Agent(load(path), clock))
        return made[-1]

    yield make
    for agent in made:
        agent.close()


def readings(agent: Agent):
    batch = agent.outbox.batch(0, 1000)
    return () if batch is None else batch.readings


def run_until(agent: Agent, clock, until_ms: int) -> None:
    while clock.now_ms() < until_ms:
        agent.step(STOP)


def test_each_slot_gives_one_reading_a_channel_even_without_a_line(make_agent, hand_clock):
    """An unplugged adapter for an hour: four slots, two channels, all line_away, each slot once (by hand)."""
    begin = hand_clock.at_ms
    agent = make_agent()
    run_until(agent, hand_clock, begin + 3_600_000)
    kept = readings(agent)
    assert [(r.channel.rsplit("/", 1)[1], int(r.slot) - begin // 1000) for r in kept] == [
        (channel, slot) for slot in (0, 900, 1800, 2700) for channel in ("moisture", "temperature")
    ]
    assert {(r.status, r.raw) for r in kept} == {(Status.LINE_AWAY, None)}


def test_restart_reads_no_slot_twice(make_agent, hand_clock):
    """An agent started again within a slot waits for the next."""
    agent = make_agent()
    agent.step(STOP)
    assert len(readings(agent)) == 2
    agent.close()
    again = make_agent()
    again.step(STOP)
    assert len(readings(again)) == 2
    again.step(STOP)
    assert len(readings(again)) == 4


def test_values_of_a_real_line_come_through(make_agent, sensor_line):
    """A sensor on a pseudo-terminal: its values, good, in the outbox."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    agent = make_agent()
    agent.step(STOP)
    assert [(r.raw, r.status, r.clock_ok) for r in readings(agent)] == [
        (12.5, Status.OK, True),
        (8.25, Status.OK, True),
    ]


def test_rain_on_one_probe_shortens_the_interval_of_all(make_agent, hand_clock, sensor_line):
    """A rising total makes 5-minute slots for an hour; then the quarter hours are back (by hand)."""
    begin = hand_clock.at_ms
    total = iter(["+10.0", "+10.2", *["+10.2"] * 100])
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    weather = Group(6, lambda: [next(total), "+9.5", "+80.0", "+1.5", "+100", "+8.0"])
    sensor_line.sensors.append(Sensor(Identification("2", "13", "NEUTRAL", "RAIN", "001"), {0: weather}))
    more = '[[probe]]\nname = "w"\nstation = "square-1"\nmodel = "weather"\nline = "north"\naddress = "2"\n'
    agent = make_agent(more=more)
    run_until(agent, hand_clock, begin + 6_300_000)
    slots = [int(r.slot) - begin // 1000 for r in readings(agent) if r.channel == "square-1/p1/moisture"]
    assert slots == [0, 900, *range(1200, 4501, 300), 5400]


def test_unset_clock_marks_then_dates_readings(make_agent, hand_clock):
    """Heard at a wrong time: marked; when the clock is set: the true time of hearing, and no mark."""
    true_ms = hand_clock.at_ms
    hand_clock.clock_ok = False
    hand_clock.at_ms = 60_000
    agent = make_agent()
    agent.step(STOP)
    assert {r.clock_ok for r in readings(agent)} == {False}
    hand_clock.at_ms = true_ms + 100_000
    hand_clock.steady_s += 100
    hand_clock.clock_ok = True
    agent.step(STOP)
    first = readings(agent)[:2]
    assert {(r.clock_ok, r.measured_at_ms) for r in first} == {(True, true_ms)}
    assert {int(r.slot) % 900 for r in first} == {0}


class StoodStill(MachineClock):
    """A machine without a time service whose clock stood still while power was off; the test moves it."""

    follows = stands = False

    def __init__(self, at_ms: int) -> None:
        self.at_ms, self.steady_s = at_ms, 30.0
        super().__init__()

    def system_ms(self) -> int:
        return self.at_ms

    def uptime_ms(self) -> int:
        return round(self.steady_s * 1000)

    def is_kept(self) -> bool:
        return False

    def monotonic(self) -> float:
        return self.steady_s

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        self.at_ms += round(seconds * 1000)
        self.steady_s += seconds
        return stop.is_set()

    def wait_until(self, due_ms: int, stop: threading.Event) -> bool:
        self.wait(max(0.0, (due_ms - self.now_ms()) / 1000), stop)
        return True


def test_no_slot_is_used_twice_by_a_clock_that_stood_still(make_agent, hand_clock, monkeypatch):
    """Power is away for 47 minutes and the machine wakes an hour back: the slots go on, marked, none given twice; once
    the server tells the time each stands where the uptime puts it."""
    begin = hand_clock.at_ms
    agent = make_agent()
    run_until(agent, hand_clock, begin + 3_600_000)
    agent.close()
    clock = StoodStill(begin + 900_000)
    again = make_agent(clock=clock)
    run_until(again, clock, begin + 3 * 3_600_000 - 1)
    rows = readings(again)[::2]
    slots = [int(r.slot) - begin // 1000 for r in rows]
    assert len(set(slots)) == len(slots) and slots == sorted(slots)
    assert [r.clock_ok for r in rows] == [True] * 4 + [False] * (len(rows) - 4) and len(rows) > 8
    assert again._clock_state(clock.note())["unconfirmed_since_ms"] == max(r.measured_at_ms for r in rows[:4])
    told_ms = clock.now_ms() + 47 * 60_000
    monkeypatch.setattr(again.publisher, "notice", lambda: Notice(told_ms, "hand", ()))
    again.step(STOP)
    after = readings(again)[::2]
    assert all(r.clock_ok for r in after)
    assert [a.measured_at_ms - b.measured_at_ms for a, b in zip(after[4:], rows[4:], strict=False)] == [47 * 60_000] * (
        len(rows) - 4
    )
    assert again._clock_state(clock.note()) == {"ok": True, "by": "hand", "unconfirmed_since_ms": None}
    assert len({r.slot for r in after}) == len(after)


def test_three_hours_without_time_are_dated_when_the_server_tells_it(make_agent, start_broker, hand_clock, until):
    """A node wakes an hour back and reads for three hours without a broker; then one is there, and a server that
    answers the first status with the time: all rows come dated right, each once, none before it was told."""
    begin = hand_clock.at_ms
    port, clock = unused_port(), StoodStill(begin)
    clock.steady_s = 700.0  # past the time in which a time service is waited for
    agent = make_agent(clock=clock, port=port)
    run_until(agent, clock, begin + 3 * 3_600_000)
    marked = readings(agent)
    assert len(marked) == 24 and not any(r.clock_ok for r in marked)
    start_broker(port=port)
    heard: list = []
    asked_s: list = []

    def on_message(client, _data, message):
        if message.topic == status_topic("home", "hut"):
            asked_s.append(clock.steady_s)
            return
        batch = decode_batch(message.payload, parse_readings_topic(message.topic))
        heard.extend(batch.readings)
        receipt = Receipt(batch.outbox_id, batch.last)
        client.publish(receipt_topic("home", "hut"), encode_receipt(receipt), qos=1, retain=True)

    def step() -> None:
        agent._work(STOP, reads=True)
        clock.wait(0.1, STOP)
        if asked_s and clock.steady_s > asked_s[0] + 8:  # a busy server takes its time
            asked_s[0] = float("inf")
            notice = encode_notice(Notice(clock.now_ms() + 3_600_000, "hand", ()))
            server.publish(notice_topic("home", "hut"), notice, qos=0)

    server = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="pipeline")
    server.on_message = on_message
    subscribed = threading.Event()
    server.on_subscribe = lambda *_: subscribed.set()
    server.on_connect = lambda c, *_: c.subscribe(
        [("underturf/1/home/hut/readings/#", 1), (status_topic("home", "hut"), 1)]
    )
    server.connect("127.0.0.1", port)
    server.loop_start()
    assert subscribed.wait(10)
    at_ms = {r.seq: r.measured_at_ms for r in marked}
    until(lambda: len(heard) >= 24, step=step, within_s=30)
    server.disconnect()
    server.loop_stop()
    came = [r for r in heard if r.seq in at_ms]
    assert [r.seq for r in came] == sorted(at_ms) and all(r.clock_ok for r in came)
    (moved_ms,) = {r.measured_at_ms - at_ms[r.seq] for r in came}
    assert abs(moved_ms - 3_600_000) < 5_000  # what the message takes, on a clock that runs ahead of the broker's


def test_a_probe_that_somebody_looks_at_is_read_beside_its_slots(make_agent, sensor_line, monkeypatch, hand_clock):
    """Every two seconds for a minute, sent and not kept; then it is over. A name it does not know is left alone."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    agent = make_agent()
    sent: list = []
    monkeypatch.setattr(agent.publisher, "publish_live", sent.append)
    while agent.workers[0].step(STOP):
        pass
    kept, told = agent.outbox.assigned, ["square-9/p1", "square-1/p1"]
    monkeypatch.setattr(agent.publisher, "notice", lambda: Notice(None, "", (), told.pop()) if told else None)
    begin_s = hand_clock.steady_s
    while hand_clock.steady_s < begin_s + 70:
        agent._work(STOP, reads=True)
        hand_clock.move(1.0)
    assert {one.probe for one in sent} == {"square-1/p1"} and 15 <= len(sent) <= 31
    assert sent[0].values == (("moisture", 12.5, "ok"), ("temperature", 8.25, "ok")) and agent._live is None
    assert agent.outbox.assigned == kept


def test_names_the_server_does_not_know_are_logged_once(make_agent, monkeypatch, caplog):
    """With what that means; and that it is over, when they have been named. A notice that does not say is no end."""
    caplog.set_level(logging.INFO, logger="underturf.agent")
    agent = make_agent()
    for unknown in (("square-9/p1/moisture",), None, ("square-9/p1/moisture",), ()):
        monkeypatch.setattr(agent.publisher, "notice", lambda unknown=unknown: Notice(None, "", unknown))
        agent.step(STOP)
    told = [r.message for r in caplog.records if "unknown channels" in r.message]
    assert len(told) == 2 and "square-9/p1/moisture" in told[0] and "settings do not name them" in told[0]
    assert "now=over" in told[1]


def test_full_disk_loses_nothing_that_memory_holds(make_agent, hand_clock, monkeypatch, caplog):
    """Readings wait in memory while the disk refuses them, are kept in order later, and the fault is logged once."""
    caplog.set_level(logging.INFO, logger="underturf.agent")
    begin = hand_clock.at_ms
    agent = make_agent()
    put = agent.outbox.put

    def refuse(*_args, **_keys):
        raise OutboxFull("outbox.db: found disk full")

    monkeypatch.setattr(agent.outbox, "put", refuse)
    run_until(agent, hand_clock, begin + 3_600_000)
    assert readings(agent) == ()
    monkeypatch.setattr(agent.outbox, "put", put)
    agent.step(STOP)
    slots = [int(r.slot) - begin // 1000 for r in readings(agent)]
    assert slots[::2] == [0, 900, 1800, 2700, *range(3600, 900 * (len(slots) // 2), 900)]
    assert sum("disk full" in record.message for record in caplog.records) == 1


def test_supply_of_a_probe_that_falls_silent_is_told_no_more(make_agent):
    """What a channel last said counts until a sample of it is not good; that is news of the node's health."""
    agent = make_agent()
    agent._supply_channels = {"square-1/p1/supply"}
    note = agent._clock.note()

    def sample(raw: float | None, status: Status) -> Sample:
        return Sample("square-1/p1/supply", "1", note.now_ms, raw, status)

    agent._note_samples([sample(12.5, Status.OK)])
    assert agent._health(note)["supply_v"] == 12.5
    agent._health_at = 1000.0
    agent._note_samples([sample(None, Status.NO_VALUE)])
    assert agent._health(note).get("supply_v") != 12.5 and agent._health_at == float("-inf")
    agent._note_samples([sample(12.25, Status.OK)])
    assert agent._health(note)["supply_v"] == 12.25


def test_damaged_outbox_is_replaced_under_way(make_agent, hand_clock, tmp_path):
    """Damage while running: the file is set aside, a new outbox begun, and reading goes on."""
    agent = make_agent()
    agent.step(STOP)
    name = agent.outbox.outbox_id
    path = tmp_path / "state" / FILE_NAME
    agent.outbox._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    path.write_bytes(b"\xa5" * path.stat().st_size)
    agent.outbox._db.execute("PRAGMA shrink_memory")
    begin = hand_clock.at_ms
    run_until(agent, hand_clock, begin + 1_800_000)
    assert agent.outbox.outbox_id != name
    assert len(list((tmp_path / "state").glob("outbox-damaged-*.db"))) == 1
    assert [r.seq for r in readings(agent)][:2] == [1, 2]


def test_line_state_is_told_once_and_kept_for_show(make_agent, hand_clock, caplog, sensor_line, tmp_path):
    """Away and back again are one log line each, however long they last; `show` finds the state in the file."""
    caplog.set_level(logging.INFO, logger="underturf.agent")
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    sensor_line.plug.unplug()
    agent = make_agent()
    begin = hand_clock.at_ms
    run_until(agent, hand_clock, begin + 3_600_000)
    assert peek(tmp_path / "state").lines["north"][0].startswith("away: no such port")
    sensor_line.plug_in()
    run_until(agent, hand_clock, begin + 7_200_000)
    assert peek(tmp_path / "state").lines["north"] == ("ok", peek(tmp_path / "state").lines["north"][1])
    told = [r.message for r in caplog.records if 'what="line north"' in r.message]
    assert len(told) == 2
    assert "no such port" in told[0]
    assert told[1].endswith("now=ok")
    assert readings(agent)[-1].status is Status.OK


def test_lock_step_waits_for_the_pipeline(make_agent, hand_clock):
    """With more unreceipted than allowed simulated time is not asked on; after the receipt it is."""
    hand_clock.follows = True
    agent = make_agent(more="\n[clock]\nlockstep_backlog = 4\n")
    begin = hand_clock.at_ms
    waited: list[int] = []
    hand_clock.wait_until = lambda due_ms, stop: waited.append(due_ms) or setattr(hand_clock, "at_ms", due_ms)
    hand_clock.wait = lambda seconds, stop: False
    for _ in range(20):
        agent.step(STOP)
    assert waited == [begin + 900_000, begin + 1_800_000]
    assert agent.outbox.backlog == 6
    agent.outbox.receive(Receipt(agent.outbox.outbox_id, 6))
    agent.step(STOP)
    assert waited[-1] == begin + 2_700_000


def test_in_a_history_what_is_read_is_committed_together(make_agent, hand_clock, monkeypatch):
    """Hours that pass within a moment are one commit; none of it is lost where the disk refuses it for a while, and
    what waits when the agent ends is kept."""
    hand_clock.follows = hand_clock.stands = True
    hand_clock.wait_until = lambda due_ms, stop: setattr(hand_clock, "at_ms", due_ms)
    hand_clock.wait = lambda seconds, stop: False
    agent = make_agent(more="\n[clock]\nlockstep_backlog = 1000\n")
    begin, commits = hand_clock.at_ms, []
    agent.outbox._db.set_trace_callback(lambda said: commits.append(said) if said == "COMMIT" else None)
    run_until(agent, hand_clock, begin + 9_000_000)  # no time passes on the steady clock
    hand_clock.steady_s += GATHER_S
    agent.step(STOP)
    slots = [int(reading.slot) - begin // 1000 for reading in readings(agent)[::2]]
    assert slots == [900 * n for n in range(len(slots))]
    assert len(slots) >= 10
    assert len(commits) == 4  # the first slot, all others, and what dates and prunes

    def refuse(*_args, **_keys):
        raise OutboxFull("outbox.db: found disk full")

    with monkeypatch.context() as full:
        full.setattr(agent.outbox, "put", refuse)
        hand_clock.steady_s += GATHER_S
        agent.step(STOP)
        agent.step(STOP)
    hand_clock.steady_s += GATHER_S
    agent.step(STOP)
    run_until(agent, hand_clock, begin + 18_000_000)
    folder = agent.config.state_dir
    agent.close()
    agent.close = lambda: None
    kept = Outbox(folder, site="home", node="hut", max_bytes=4 << 20)
    slots = [int(reading.slot) - begin // 1000 for reading in kept.batch(0, 1000).readings[::2]]
    assert slots == [900 * n for n in range(20)]
    kept.close()


def test_in_a_history_lines_are_read_side_by_side(make_agent, hand_clock, sensor_line, tmp_path):
    """Each of two sensors measures only once the other has been asked too; both give their values in one step."""
    hand_clock.follows = hand_clock.stands = True
    both, south = threading.Barrier(2, timeout=2.0), SensorOnPty(tmp_path / "line-south")

    def measured() -> list[str]:
        try:
            both.wait()
        except threading.BrokenBarrierError:
            return ["+0.0", "+0.0"]
        return ["+12.5", "+8.25"]

    for line in (sensor_line, south):
        groups = {0: Group(2, measured)}
        line.sensors.append(Sensor(Identification("1", "13", "NEUTRAL", "PROBE", "001"), groups))
    south.plug_in()
    more = f'[[line]]\nname = "south"\nport = "{tmp_path}/line-south"\nprotocol = "sdi12"\n'
    more += '[[probe]]\nname = "p2"\nstation = "square-1"\nmodel = "thatch"\nline = "south"\naddress = "1"\n'
    agent = make_agent(more=more)
    try:
        agent.step(STOP)
        hand_clock.steady_s += GATHER_S
        agent.step(STOP)
        assert [(r.raw, r.status) for r in readings(agent)] == [(12.5, Status.OK), (8.25, Status.OK)] * 2
    finally:
        south.plug.unplug()


def test_service_manager_hears_of_the_start(tmp_path, monkeypatch):
    """The notification is a datagram to the socket named by the environment; without one nothing happens."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        ServiceManager().tell("READY=1")
        assert manager.recv(100) == b"READY=1"
    monkeypatch.delenv("NOTIFY_SOCKET")
    ServiceManager().tell("READY=1")


def test_state_folder_belongs_to_one_process(write_config, tmp_path, until):
    """A second agent ends with 1, naming folder and owner; the first reads on; once it is killed another may start."""
    command = [sys.executable, "-m", "probe_agent", "run", "--config", str(write_config())]
    state = tmp_path / "state"

    def start(log: Path) -> subprocess.Popen:
        with log.open("w") as out:
            agent = subprocess.Popen(command, cwd=ROOT, stderr=out)
        until(lambda: "INFO started" in log.read_text() or agent.poll() is not None, within_s=20)
        return agent

    first = start(tmp_path / "first")
    try:
        second = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=20, check=False)
        assert second.returncode == 1
        assert second.stderr.startswith(f"underturf-agent: state_dir {state}: found it in use by process {first.pid},")
        assert "Traceback" not in second.stderr
        kept = peek(state).kept
        until(lambda: peek(state).kept > kept, within_s=10)
        assert first.poll() is None
    finally:
        first.kill()
        first.wait(10)
    third = start(tmp_path / "third")
    third.terminate()
    assert third.wait(10) == 0


def test_lock_is_taken_where_its_owner_cannot_be_written(tmp_path):
    """A file system that refuses every byte: the folder is locked all the same, and the owner is unknown."""
    program = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from probe_agent.service import lock_folder\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))\n"
        "held = lock_folder(Path(sys.argv[1]))\n"
        "lock_folder(Path(sys.argv[1]))\n"
    )
    done = subprocess.run([sys.executable, "-c", program, tmp_path], cwd=ROOT, capture_output=True, text=True)
    assert f"StateInUse: state_dir {tmp_path}: found it in use by process unknown, expected it free" in done.stderr


def test_from_sensor_to_receipt_with_the_real_command(start_broker, sensor_line, write_config, tmp_path, until):
    """Sensor, agent process, mosquitto, receipts: values arrive, rows are freed, a kill and a stop lose nothing."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    port = start_broker().port
    values: dict[tuple[str, int], tuple[float | None, str]] = {}
    ready = threading.Event()

    def keep(client, _userdata, message):
        batch = decode_batch(message.payload, parse_readings_topic(message.topic))
        for reading in batch.readings:
            values[batch.outbox_id, reading.seq] = (reading.raw, reading.channel)
        seq = 0
        while (batch.outbox_id, seq + 1) in values:
            seq += 1
        client.publish(receipt_topic("home", "hut"), encode_receipt(Receipt(batch.outbox_id, seq)), qos=1, retain=True)

    pipeline = mqtt.Client(CallbackAPIVersion.VERSION2)
    pipeline.on_connect = lambda client, *_: client.subscribe("underturf/1/home/hut/readings/#", 1)
    pipeline.on_subscribe = lambda *_: ready.set()
    pipeline.on_message = keep
    pipeline.connect("127.0.0.1", port)
    pipeline.loop_start()
    assert ready.wait(10)
    config = write_config(port=port, more=TRUSTED)
    command = [sys.executable, "-m", "probe_agent", "run", "--config", str(config)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    log = (tmp_path / "log").open("w+")

    def start() -> subprocess.Popen:
        return subprocess.Popen(command, env=environment, stderr=log, cwd=tmp_path)

    agent = start()
    until(lambda: len(values) >= 4, within_s=20)
    agent.send_signal(signal.SIGKILL)
    agent.wait(10)
    agent = start()
    until(lambda: peek(tmp_path / "state").received >= 8, within_s=20)
    agent.send_signal(signal.SIGTERM)
    assert agent.wait(10) == 0
    pipeline.disconnect()
    pipeline.loop_stop()
    log.close()
    seen = peek(tmp_path / "state")
    assert len({outbox_id for outbox_id, _ in values}) == 1
    assert seen.received >= 8
    assert set(range(1, seen.received + 1)) <= {seq for _, seq in values}
    assert set(values.values()) == {(12.5, "square-1/p1/moisture"), (8.25, "square-1/p1/temperature")}
    text = (tmp_path / "log").read_text()
    assert text.count("INFO started") == 2
    assert text.count("INFO stopped") == 1


def test_line_that_hangs_or_breaks_is_noticed(make_agent, hand_clock, monkeypatch):
    """A thread that has not moved for a minute is named; one that ends in a fault of ours stops the agent with it."""
    agent, stop = make_agent(clock=SystemClock()), threading.Event()
    (worker,) = agent.workers
    hung = threading.Event()
    monkeypatch.setattr(type(worker), "step", lambda self, stop: hung.wait(10) and 1 / 0)
    agent.start(stop)
    assert agent.stuck is None
    worker.began_at_s -= STUCK_S + 1.0
    assert agent.stuck == "north"
    hung.set()
    assert stop.wait(10)
    assert isinstance(agent.crash, ZeroDivisionError)


def test_rows_on_their_way_while_the_clock_is_set_are_dated_again(make_agent, hand_clock):
    """Read before the clock was set and committed after: the row has the time of the set clock (by hand)."""
    agent = make_agent()
    hand_clock.clock_ok, set_ms = False, hand_clock.at_ms
    hand_clock.at_ms -= 1_000_000_000
    note, slot_s = hand_clock.note(), hand_clock.at_ms // 1000
    sample = Sample("square-1/p1/moisture", str(slot_s), hand_clock.at_ms, 1.0, Status.OK, 1)
    hand_clock.at_ms, hand_clock.clock_ok = set_ms, True
    agent._update_clock(hand_clock.note())
    agent._keep(PendingCommit([sample], note, "square-1/p1", slot_s, 900))
    agent._commit_waiting()
    (row,) = readings(agent)
    assert (row.measured_at_ms, row.slot, row.clock_ok) == (set_ms, str(set_ms // 1000), True)


def test_reading_is_on_disk_before_the_line_is_asked_again(make_agent, sensor_line, tmp_path):
    """By the thread that read it: a kill between two questions loses nothing that was said before."""
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    agent = make_agent(clock=SystemClock())
    (worker,) = agent.workers
    assert worker.step(STOP)
    assert [(r.raw, r.status) for r in readings(agent)] == [(12.5, Status.OK), (8.25, Status.OK)]
    assert peek(tmp_path / "state").kept == 2
