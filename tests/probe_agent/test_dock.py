"""A penetrometer docked on a pseudo-terminal: strokes come into the outbox before the device may forget them.

The device's side is `hardware.cone_dock`'s; the expected depths and forces are those pushed into it.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time

import pytest

from hardware.cone import MAX_SENTENCE
from hardware.cone_dock import DockDevice
from hardware.probe import load_probe
from hardware.reading import Status
from probe_agent import dock as dock_module
from probe_agent.clock import ClockNote, SystemClock
from probe_agent.config import LineConfig, ProbeConfig
from probe_agent.dock import PARTIAL_ROUNDS, QUIET_S, Dock, describe_dock
from probe_agent.line import SerialLine
from probe_agent.outbox import Outbox, OutboxFull
from probe_agent.schedule import Cadence

PROFILE = [(0.010 * n, 100.0 + 10 * n) for n in range(1, 31)]
PATIENT_S = 60.0  # a device that this busy machine has not run for a second or two has not fallen silent
CONE = ProbeConfig("cone", "square-1", "dock", "0", Cadence(60, 60, 0), load_probe("cone_hard"))


class DeviceOnPty:
    """A device at the far end; `mangle` is what the wire does to its n-th sentence."""

    def __init__(self, plug, last_id: int = 0) -> None:
        self.device = DockDevice("C-7", last_id=last_id)
        self.lock = threading.Lock()
        self.mangle = lambda data, n: data
        self.said = 0
        plug.plug_in(self.serve)

    def serve(self, master: int, stop: threading.Event) -> None:
        while not stop.is_set():
            ready = select.select([master], [], [], 0.001)[0]
            with self.lock, contextlib.suppress(OSError):
                if ready:
                    self.device.receive(os.read(master, 4096))
                data = self.device.send(time.monotonic())
                if data:
                    os.write(master, self.mangle(data, self.said))
                    self.said += 1


class Bench:
    def __init__(self, plug, outbox: Outbox) -> None:
        self.far = DeviceOnPty(plug)
        self.outbox = outbox
        self.clock = SystemClock()
        self.line = SerialLine(
            LineConfig("dock", str(plug.link), "cone", 9600, "8N1"), monotonic=self.clock.monotonic, chance=lambda: 0.0
        )
        self.dock = Dock(CONE)

    def collect(self) -> str:
        note = ClockNote(True, "boot-1", 5000, self.clock.now_ms())
        return self.dock.collect(self.line, self.outbox, self.clock, note, threading.Event())

    def held(self) -> tuple[int, ...]:
        with self.far.lock:
            return self.far.device.held

    def said(self) -> int:
        with self.far.lock:
            return self.far.said

    def readings(self):
        batch = self.outbox.batch(0, 1000)
        return () if batch is None else batch.readings


@pytest.fixture
def outbox(tmp_path):
    made = Outbox(tmp_path, site="home", node="hut", max_bytes=4 << 20)
    yield made
    made.close()


@pytest.fixture
def bench(pty_plug, outbox, monkeypatch):
    """A device in the dock and a host that asks again only where the device has said that this was all."""
    monkeypatch.setattr(dock_module, "QUIET_S", PATIENT_S)
    made = Bench(pty_plug, outbox)
    yield made
    made.line.close()


def test_strokes_become_readings_and_are_forgotten_by_the_device(bench, until):
    """Each step is a depth and a force under the stroke's slot, and the device holds nothing afterwards."""
    bench.far.device.push(PROFILE, None)
    bench.far.device.push(PROFILE[:5], None)
    assert bench.collect() == "docked"
    readings = bench.readings()
    first = [r for r in readings if r.slot.startswith("stroke:C-7-1:")]
    assert [r.slot for r in first[::2]] == [f"stroke:C-7-1:{n}" for n in range(1, 31)]
    assert [r.channel for r in first[:2]] == ["square-1/cone/depth", "square-1/cone/force"]
    assert [r.raw for r in first[::2]] == pytest.approx([d for d, _ in PROFILE], abs=0.00005)  # sent to 0.1 mm
    assert [r.raw for r in first[1::2]] == pytest.approx([f for _, f in PROFILE], abs=0.05)  # sent to 0.1 N
    assert len(readings) == 2 * 35
    assert bench.said() == 35 + 2 + 1  # steps, ends, all: nothing had to be said twice
    until(lambda: bench.held() == ())


def test_no_two_readings_of_a_channel_share_a_time(bench):
    """A channel's reading is known by its time in the store, so steps and strokes must not fall together."""
    for _ in range(3):
        bench.far.device.push(PROFILE, None)
    bench.clock.now_ms = lambda: 1_772_323_200_000  # all three at one moment
    bench.collect()
    keys = [(r.channel, r.measured_at_ms) for r in bench.readings()]
    assert len(keys) == len(set(keys)) == 180


def test_stroke_is_dated_by_its_age(bench):
    """A stroke made ten minutes before it is handed over began ten minutes ago."""
    bench.far.device.push(PROFILE[:3], time.monotonic() - 600)
    bench.collect()
    age_s = bench.clock.now_ms() / 1000 - bench.readings()[0].measured_at_ms / 1000
    assert age_s == pytest.approx(600, abs=3)  # whole seconds on the wire, and a busy machine


def test_stroke_is_not_acknowledged_before_it_is_committed(bench, monkeypatch, until):
    """When the disk refuses it the device keeps the stroke, and hands it over again later."""
    bench.far.device.push(PROFILE, None)

    def refuse(*_args, **_keys):
        raise OutboxFull("no room")

    with monkeypatch.context() as patched:
        patched.setattr(bench.outbox, "put", refuse)
        with pytest.raises(OutboxFull):
            bench.collect()
    assert bench.held() == (1,)
    assert bench.collect() == "docked"
    assert len(bench.readings()) == 60
    until(lambda: bench.held() == ())


def test_lost_acknowledgement_stores_nothing_twice(bench, until):
    """Also when the agent was started anew in between and knows of the stroke from its outbox alone."""
    bench.far.device.push(PROFILE, None)
    with bench.far.lock:
        forget, bench.far.device._held = bench.far.device._held, dict(bench.far.device._held)
    bench.collect()
    until(lambda: bench.held() == ())
    with bench.far.lock:
        bench.far.device._held = forget  # as if the acknowledgement had never come
    bench.dock = Dock(CONE)
    assert bench.collect() == "docked"
    assert len(bench.readings()) == 60
    until(lambda: bench.held() == ())


def test_damaged_sentence_costs_a_repetition(bench):
    """A wrong bit in a step: the stroke is asked for again and comes whole."""
    bench.far.device.push(PROFILE, None)
    bench.far.mangle = lambda data, n: data.replace(b"UTPEN", b"UTPEM") if n == 10 else data
    assert bench.collect() == "docked"
    assert {r.status for r in bench.readings()} == {Status.OK}
    assert len(bench.readings()) == 60


def test_stroke_that_never_comes_whole_stays_then_is_kept_with_gaps(bench, until):
    """A step always damaged: the device keeps the stroke for some dockings, then it is kept with that step bad."""
    bench.far.device.push(PROFILE[:4], None)
    bench.far.mangle = lambda data, n: data if b",1,3,30.0," not in data else data[:-4] + b"!!\r\n"
    for _ in range(PARTIAL_ROUNDS - 1):
        assert bench.collect() == "docked, left in the device: stroke 1 partial"
        assert (bench.readings(), bench.held()) == ((), (1,))
    assert bench.collect() == "docked"
    assert [r.status for r in bench.readings()[::2]] == [Status.OK, Status.OK, Status.BAD_FRAME, Status.OK]
    until(lambda: bench.held() == ())


def test_empty_dock_is_no_fault(pty_plug, outbox):
    """Nothing in the dock: asked once, nothing stored, no line fault."""
    pty_plug.plug_in(lambda master, stop: None)
    clock = SystemClock()
    line = SerialLine(LineConfig("dock", str(pty_plug.link), "cone", 9600, "8N1"), monotonic=clock.monotonic)
    note = ClockNote(True, "boot-1", 5000, clock.now_ms())
    assert Dock(CONE).collect(line, outbox, clock, note, threading.Event()) == "undocked"
    assert os.read(pty_plug.master, 1000) == b"$UTASK,0*44\r\n"  # checksum by hand: XOR of the characters
    assert line.state == "ok"
    line.close()


def test_line_is_quiet_for_longer_than_a_sentence_takes() -> None:
    """A device that talks is not asked again: 10 bits a character at 9600 baud (arithmetic)."""
    assert CONE.description.baud == 9600
    assert QUIET_S > 2 * MAX_SENTENCE * 10 / 9600


def test_cable_pulled_during_the_hand_over_costs_nothing(bench, pty_plug, monkeypatch):
    """Unplugged in the middle of a stroke: nothing half is stored, and it comes whole after plugging in."""
    monkeypatch.setattr(dock_module, "QUIET_S", QUIET_S)
    bench.far.device.push(PROFILE, None)

    def cut(data: bytes, n: int) -> bytes:
        if n == 10:
            raise OSError("cut")
        return data if n < 10 else b""

    bench.far.mangle = cut
    bench.collect()
    assert bench.held() == (1,)
    assert bench.readings() == ()
    pty_plug.unplug()
    assert bench.collect().startswith("away: ")
    bench.line._open_not_before = 0.0
    bench.far.mangle = lambda data, n: data
    pty_plug.plug_in(bench.far.serve)
    monkeypatch.setattr(dock_module, "QUIET_S", PATIENT_S)
    assert bench.collect() == "docked"
    assert len(bench.readings()) == 60


def test_look_takes_nothing(bench):
    """The command that shows what is in the dock leaves it there."""
    bench.far.device.push(PROFILE, None)
    text, answered = describe_dock(CONE, bench.line, bench.clock, threading.Event())
    assert answered
    assert text == "docked, offers 1 strokes: 1 (30 steps, complete)"
    assert bench.held() == (1,)
