"""Lines read side by side: in virtual time that all threads share, and one after the other on clocks moved by hand.

Expected slots and times are counted from the grid and from what the emulated sensors announce.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from random import Random

import pytest

from hardware.probe import load_probe
from hardware.reading import Status
from hardware.sdi12 import UNCHANGED
from probe_agent.clock import ClockNote
from probe_agent.config import ProbeConfig
from probe_agent.line_worker import LONGEST_CALL_S, STUCK_S, LineWorker, PendingCommit, ScheduledProbe
from probe_agent.schedule import Cadence, Rain, lost_slots
from probe_agent.service import WATCHDOG_S
from tests.bench.bench_wrong_as_good import NoisyLine
from tests.probe_agent.sdi12_emulator import EmulatedAdapter, EmulatedSensor
from tests.under_unit import UNITS

BEGIN_MS = 1_772_323_200_000  # 2026-03-01 00:00:00 UTC
WEEK_S = 7 * 86_400
INTERVAL_S = 900


class SharedTime:
    """Virtual time of several threads: when all of them wait, it moves to what the first waits for."""

    follows = False

    def __init__(self, threads: int, until_s: float, stop: threading.Event) -> None:
        self.now_s = 0.0
        self._threads, self._until_s, self._stop = threads, until_s, stop
        self._waiting: dict[int, float] = {}
        self._turn = threading.Condition()

    def sleep_until(self, due_s: float) -> None:
        with self._turn:
            self._waiting[threading.get_ident()] = due_s
            if len(self._waiting) == self._threads:
                self.now_s = max(self.now_s, min(self._waiting.values()))
                if self.now_s >= self._until_s:
                    self._stop.set()
                    self._waiting.clear()
                self._waiting = {one: due for one, due in self._waiting.items() if due > self.now_s}
                self._turn.notify_all()
            while threading.get_ident() in self._waiting and not self._stop.is_set():
                self._turn.wait()

    def now_ms(self) -> int:
        return BEGIN_MS + round(self.now_s * 1000)

    def monotonic(self) -> float:
        return self.now_s

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        self.sleep_until(self.now_s + seconds)
        return stop.is_set()

    def wait_until(self, due_ms: int, stop: threading.Event) -> bool:
        self.sleep_until((due_ms - BEGIN_MS) / 1000)
        return True

    def note(self) -> ClockNote:
        return ClockNote(True, "boot", round(self.now_s * 1000), self.now_ms())


class VirtualLine:
    """A line with emulated sensors in virtual time, at SDI-12's pace."""

    adapter, reply_extra_s, protocol, state = UNCHANGED, 0.0, "sdi12", "ok"

    def __init__(self, name: str, far: EmulatedAdapter, time: SharedTime) -> None:
        self.name, self.far, self.time = name, far, time
        self.touched_at_s = 0.0
        self.coming: list[tuple[float, bytes]] = []

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        yield

    def send(self, data: bytes, *, wake: bool = False) -> float:
        self.touched_at_s = self.time.now_s
        self.time.sleep_until(self.time.now_s + 0.02 * wake + len(data) * 10 / 1200)
        self.coming = [
            (self.time.now_s + delay_s + len(piece) * 10 / 1200, piece)
            for delay_s, piece in self.far.receive(data.decode())
        ]
        return self.time.now_s

    def receive(self, deadline: float) -> bytes:
        self.touched_at_s = self.time.now_s
        first = min((at_s for at_s, _ in self.coming), default=deadline)
        self.time.sleep_until(max(self.time.now_s, min(first, deadline)))
        come = b"".join(piece for at_s, piece in self.coming if at_s <= self.time.now_s)
        self.coming = [piece for piece in self.coming if piece[0] > self.time.now_s]
        return come

    def discard(self, seconds: float) -> None:
        self.receive(self.time.now_s + seconds)
        self.coming = []


def probe(address: str, *, command: str = "M", interval_s: int = INTERVAL_S, line: str = "a") -> ProbeConfig:
    shipped = load_probe("thatch")
    described = replace(shipped, channels=tuple(replace(channel, command=command) for channel in shipped.channels))
    return ProbeConfig(f"p{address}", "s", line, address, Cadence(interval_s, interval_s, 0), described)


def worker(line: VirtualLine, probes: list[ProbeConfig], keep: Callable[[PendingCommit], None]) -> LineWorker:
    scheduled = [ScheduledProbe(one, None) for one in probes]
    return LineWorker(line, scheduled, line.time, keep, lambda *_: None, pytest.fail, Rain)  # type: ignore[arg-type]


class HangsAtTimes(EmulatedAdapter):
    """An adapter whose sensor announces 999 s, and takes them, at every two hundredth measurement."""

    measured = 0

    def receive(self, command: str) -> list[tuple[float, bytes]]:
        if "M" in command:
            self.measured += 1
            self.sensors[0].ttt = 999 if self.measured % 200 in (0, 1) else 40  # told twice, as the reader asks
        return super().receive(command)


def test_week_of_three_lines_with_a_slow_sensor_on_one() -> None:
    """The slow line takes 40 s a slot and now and then 1000: no other loses one, each slot is there or said lost, each
    value is the sensor's."""
    stop, kept = threading.Event(), list[PendingCommit]()
    time = SharedTime(3, WEEK_S, stop)
    lines = {
        "a": (EmulatedAdapter([EmulatedSensor("1"), EmulatedSensor("2")]), [probe("1"), probe("2")]),
        "b": (HangsAtTimes([EmulatedSensor("3", ttt=40)]), [probe("3", interval_s=300)]),
        "c": (EmulatedAdapter([EmulatedSensor("4", ttt=3, done_after_s=2.0)]), [probe("4")]),
    }
    workers = [worker(VirtualLine(name, far, time), probes, kept.append) for name, (far, probes) in lines.items()]
    threads = [threading.Thread(target=one.run, args=(stop,)) for one in workers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
        assert not thread.is_alive()
    slots: dict[str, dict[int, Status]] = {}
    for pending in kept:
        for one in pending.samples:
            assert one.raw == (None if one.status is not Status.OK else 12.5 if "moisture" in one.channel else 8.25)
            seconds = slots.setdefault(one.channel, {})
            assert int(one.slot) not in seconds
            seconds[int(one.slot)] = one.status
    counted: Counter[tuple[str, str]] = Counter()
    for channel, seconds in slots.items():
        interval_s = 300 if "p3" in channel else INTERVAL_S
        expected = set(range(BEGIN_MS // 1000, BEGIN_MS // 1000 + WEEK_S, interval_s))
        assert expected - set(seconds) <= {max(expected)}, channel  # the last may still be under way
        counted.update((channel.split("/")[1], status.value) for status in seconds.values())
    print("a week of three lines:", dict(counted))
    assert {status for name, status in counted if name != "p3"} == {"ok"}
    assert {status for name, status in counted if name == "p3"} == {"ok", "not_read"}
    # 1000 s from a slot on: those 300 and 600 s later are over, that at 900 s is read late; of two channels
    assert counted["p3", "not_read"] == 4 * (counted["p3", "ok"] // 2 // 199)


def test_concurrent_sensors_take_as_long_as_the_slowest() -> None:
    """Four of 5 s side by side and one of 2 s that needs the line: 5.5 s and talk by hand, 22 s one after the other."""
    stop, kept = threading.Event(), list[PendingCommit]()
    time = SharedTime(1, WEEK_S, stop)
    sensors = [EmulatedSensor(str(n), ttt=5) for n in range(4)] + [EmulatedSensor("9", ttt=2, done_after_s=1.9)]
    far = EmulatedAdapter(sensors)
    probes = [*(probe(str(n), command="C") for n in range(4)), probe("9")]
    one = worker(VirtualLine("a", far, time), probes, kept.append)
    assert one.step(stop)
    print(f"four concurrent sensors of 5 s and one of 2 s: {time.now_s:.1f} s")
    assert time.now_s < 8.5
    assert [command for command in far.heard if "CC" in command] == [f"{n}CC!" for n in range(4)]
    assert far.heard.index("9MC!") < far.heard.index("0D0!")
    assert {(s.status, s.raw) for pending in kept for s in pending.samples} == {(Status.OK, 12.5), (Status.OK, 8.25)}
    assert [pending.probe for pending in kept] == [each.id for each in probes]


def test_no_probe_of_a_line_with_too_little_time_is_left_out() -> None:
    """Three probes of 20 s on a slot of 30: each is read about as often as the others (15 readings in 5 minutes, so 5
    each), and what there was no time for is said lost."""
    stop, kept = threading.Event(), list[PendingCommit]()
    time = SharedTime(1, 300.0, stop)
    far = EmulatedAdapter([EmulatedSensor(str(n), ttt=20) for n in range(3)])
    worker(VirtualLine("a", far, time), [probe(str(n), interval_s=30) for n in range(3)], kept.append).run(stop)
    read = Counter(one.probe for one in kept if one.samples[0].status is Status.OK)
    print("three probes of 20 s every 30 s for 300 s:", dict(read))
    assert max(read.values()) - min(read[f"s/p{n}"] for n in range(3)) <= 1
    lost = Counter(one.probe for one in kept if one.samples[0].status is Status.NOT_READ)
    assert set(lost) == {"s/p0", "s/p1", "s/p2"}


def test_slots_are_lost_between_two_that_were_read() -> None:
    """By the grid: 00:15 to 01:00 at 15 minutes are 00:30 and 00:45; a clock that was set has lost none."""
    assert lost_slots(900, 3600, 900, within_s=3600) == [1800, 2700]
    assert lost_slots(900, 1800, 900, within_s=1800) == []
    assert lost_slots(1000, 1800, 300, within_s=1800) == [1200, 1500]
    assert lost_slots(900, 90_000, 900, within_s=1800) == []
    assert lost_slots(1800, 900, 900, within_s=1800) == []
    assert len(lost_slots(0, 10**6, 1, within_s=1e6)) == 100


def test_longest_legal_call_is_within_the_watchdog() -> None:
    """By arithmetic: a sound line's thread moves more often than it is thought stuck, and the rest fits the unit."""
    unit = (UNITS / "underturf-agent.service").read_text()
    (minutes,) = re.findall(r"^WatchdogSec=(\d+)min$", unit, re.MULTILINE)
    print(f"longest call {LONGEST_CALL_S:.2f} s, stuck after {STUCK_S:g} s, watchdog {minutes} min")
    assert LONGEST_CALL_S < STUCK_S / 2
    assert int(minutes) * 60 / 2 > STUCK_S + WATCHDOG_S


class NoisyPort(NoisyLine):
    """A line whose bits turn, and the clock of its time, as a worker wants both."""

    name, state, touched_at_s, protocol = "north", "ok", 0.0, "sdi12"

    def note(self) -> ClockNote:
        return ClockNote(True, "boot", self.now_ms(), self.now_ms())


@pytest.mark.parametrize(
    ("crc", "chance", "doubted"), [(False, 0.001, True), (False, 0.0, False), (True, 0.001, False)]
)
def test_readings_without_check_characters_of_a_noisy_line_are_marked(crc, chance, doubted):
    """Of some 1 in 10 answers damaged (a byte of 8 bits, 12 and more to an answer) more than 1 in 50 are, so what comes
    is marked once a hundred answers are in; not where check characters guard it, nor on a quiet line. When the noise is
    over, five hundred good answers clear it."""
    shipped = load_probe("deep_soil_profile")
    described = replace(shipped, crc=crc, channels=tuple(c for c in shipped.channels if c.command == "M"))
    probe = ProbeConfig("p1", "s", "north", "1", Cadence(900, 900, 0), described)
    sensor = EmulatedSensor(count=5)
    sensor.pages = ["+0.1+0.2+0.3", "+0.4+0.5"]
    line, kept = NoisyPort(sensor, chance, True, Random(f"{crc}/{chance}")), []
    worker = LineWorker(line, [ScheduledProbe(probe, None)], line, kept.append, lambda *_: None, pytest.fail, Rain)

    def read(slots: int) -> list[bool]:
        del kept[:]
        for _ in range(slots):
            line.now_s = (line.now_s // 900 + 1) * 900
            assert worker.step(threading.Event())
        return [any(one.noisy for one in pending.samples) for pending in kept]

    first = read(100)
    assert not any(first[:15]) and all(first[40:]) == doubted == any(first)
    assert worker.state.startswith("noisy: ") == (chance > 0.0)
    line.chance = 0.0
    assert not any(read(150)[-10:]) and worker.state == "ok"
