"""One probe at one slot, over a real pseudo-terminal with the codec's sensor role at the far end.

The values the sensor is given are the expected ones; what the wire does to its replies is the test's.
"""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest

from hardware.probe import load_probe
from hardware.reading import Status
from probe_agent.clock import SystemClock
from probe_agent.config import LineConfig, ProbeConfig
from probe_agent.line import SerialLine
from probe_agent.sampler import Stopped, decode, sample
from probe_agent.schedule import Cadence

SLOT = 1_772_323_200
GOOD = ["+12.5", "+8.25"]


def probe_of(model: str = "thatch", address: str = "1") -> ProbeConfig:
    return ProbeConfig("p1", "square-1", "north", address, Cadence(900, 300, 3600), load_probe(model))


class Bench:
    """A sampler on a line with sensors at its far end."""

    def __init__(self, sensor_line) -> None:
        self.far = sensor_line
        self.clock = SystemClock()
        self.stop = threading.Event()
        config = LineConfig("north", str(sensor_line.plug.link), "sdi12", 1200, "7E1")
        self.line = SerialLine(config, monotonic=self.clock.monotonic, chance=lambda: 0.0)

    def sample(self, probe=None):
        heard, reason = sample(probe or probe_of(), SLOT, self.line, self.clock, self.stop)
        return heard, reason

    def outcome(self, probe=None):
        return [(one.status, one.raw) for one in self.sample(probe)[0]]


@pytest.fixture
def bench(sensor_line):
    made = Bench(sensor_line)
    yield made
    made.line.close()


def test_good_probe_gives_one_reading_a_channel(bench):
    """Values come as the sensor gave them, with channel, slot and one try."""
    bench.far.add("1", {0: GOOD})
    heard, reason = bench.sample()
    assert reason is None
    assert [(h.channel, h.slot, h.raw, h.status, h.attempts) for h in heard] == [
        ("square-1/p1/moisture", str(SLOT), 12.5, Status.OK, 1),
        ("square-1/p1/temperature", str(SLOT), 8.25, Status.OK, 1),
    ]


def test_all_commands_of_a_profile_are_asked(bench):
    """Fifteen channels in three groups, several replies each, all in their places; the wait is cut by the sensor."""
    groups = {n: [f"+{10 * n + i + 1}.25" for i in range(5)] for n in range(2)}
    groups[2] = [f"+{i}.125" for i in range(5)]
    bench.far.add("1", groups, ready_in_s=1, takes_s=0.02)
    heard, reason = bench.sample(probe_of("root_zone_profile"))
    assert reason is None
    expected = [float(v) for n in range(3) for v in groups[n]]
    assert [h.raw for h in heard] == expected
    assert [h.channel.rsplit("/", 1)[1] for h in heard] == [c.name for c in load_probe("root_zone_profile").channels]


def test_silent_probe_is_silent_after_three_tries(bench):
    """No sensor at the address: every channel is silent, asked three times, the last without check characters in case
    it knows none, and the reason says so."""
    heard, reason = bench.sample()
    assert {(h.status, h.raw, h.attempts) for h in heard} == {(Status.SILENT, None, 3)}
    assert reason is not None and "silence" in reason
    assert b"".join(bench.far.commands) == b"1MC!1MC!1M!"


def test_probe_that_gave_check_characters_is_never_read_without(bench):
    """Once a probe has answered with them, silence asks for them again each time."""
    bench.far.add("1", {0: GOOD})
    known: set[str] = set()
    sample(probe_of(), SLOT, bench.line, bench.clock, bench.stop, with_crc=known)
    bench.far.commands.clear()
    bench.far.mangle = lambda reply, n: []
    sample(probe_of(), SLOT, bench.line, bench.clock, bench.stop, with_crc=known)
    assert known == {"square-1/p1"}
    assert b"".join(bench.far.commands) == b"1MC!" * 3


def test_one_lost_reply_costs_a_try_and_no_reading(bench):
    """Silence once, then an answer: good values, two tries."""
    bench.far.add("1", {0: GOOD})
    bench.far.mangle = lambda reply, n: [] if n == 0 else [(0.0, reply)]
    heard, _ = bench.sample()
    assert [(h.status, h.raw, h.attempts) for h in heard] == [(Status.OK, 12.5, 2), (Status.OK, 8.25, 2)]


def test_noise_before_a_reply_does_not_spoil_it(bench):
    """Unprintable noise, as a switching line makes it, is passed over."""
    bench.far.add("1", {0: GOOD})
    bench.far.mangle = lambda reply, n: [(0.0, b"\x00\xff\x80"), (0.002, reply)]
    assert bench.outcome() == [(Status.OK, 12.5), (Status.OK, 8.25)]


def test_noise_instead_of_replies_is_a_bad_frame(bench):
    """Only noise gives a status and no value."""
    bench.far.add("1", {0: GOOD})
    bench.far.mangle = lambda reply, n: [(0.0, b"\xfe\x81~garble")]
    assert bench.outcome() == [(Status.BAD_FRAME, None)] * 2


def test_half_a_line_is_a_bad_frame(bench):
    """A reply that breaks off is refused, however it begins."""
    bench.far.add("1", {0: GOOD})
    bench.far.mangle = lambda reply, n: [(0.0, reply[: len(reply) // 2])]
    assert bench.outcome() == [(Status.BAD_FRAME, None)] * 2


def test_late_reply_is_never_taken_for_the_next(bench):
    """A reply that comes after its deadline, into the next one, costs tries; the values are right or there are none."""
    bench.far.add("1", {0: GOOD})
    bench.far.mangle = lambda reply, n: [(0.0, reply[:3]), (0.3, reply[3:])] if n in (0, 2) else [(0.0, reply)]
    outcome = bench.outcome()
    assert outcome == [(Status.OK, 12.5), (Status.OK, 8.25)]


def test_after_trouble_late_bytes_are_not_left_for_the_next_question(bench):
    """A lost reply and then every reply twice, the second time late: the line is empty when the slot is over."""
    bench.far.add("1", {0: GOOD})
    bench.far.mangle = lambda reply, n: [] if n == 0 else [(0.0, reply), (0.3, reply)]
    assert bench.outcome() == [(Status.OK, 12.5), (Status.OK, 8.25)]
    assert bench.line.receive(bench.clock.monotonic() + 0.4) == b""


def test_another_sensor_answering_is_the_wrong_address(bench):
    """An answer under another address is not this probe's."""
    bench.far.add("1", {0: GOOD})
    bench.far.mangle = lambda reply, n: [(0.0, b"2" + reply[1:])]
    assert bench.outcome() == [(Status.WRONG_ADDRESS, None)] * 2


def test_flipped_bits_never_give_a_wrong_value(bench):
    """A flipped bit in address, sign, digit, check or line end: the value is right, after a retry."""
    bench.far.add("1", {0: GOOD})
    for bit in (11, 17, 97):  # the codec's own tests flip every one
        start = bench.far.replies

        def flip(reply: bytes, n: int, start=start, bit=bit):
            if n != start + 1:
                return [(0.0, reply)]
            changed = bytearray(reply)
            changed[bit // 8 % len(reply)] ^= 1 << bit % 8
            return [(0.0, bytes(changed))]

        bench.far.mangle = flip
        assert bench.outcome() == [(Status.OK, 12.5), (Status.OK, 8.25)]


FIVE = [["+0.311", "+0.322", "+0.333", "+0.344", "+0.355"], ["+1.5", "+2.5", "+3.5", "+4.5", "+5.5"]]


@pytest.mark.parametrize("hurt", [1, 2, 4])
def test_changed_digit_is_found_without_check_characters(bench, hurt):
    """A probe without a CRC on a line without parity: a digit changed once never comes through as a good value."""
    bench.far.add("1", {0: FIVE[0], 1: FIVE[1]})
    bench.far.mangle = lambda reply, n: [(0.0, reply.replace(b"+0.322", b"+0.722") if n == hurt else reply)]
    outcome = bench.outcome(probe_of("deep_soil_profile"))
    assert outcome == [(Status.OK, float(text)) for group in FIVE for text in group]


def test_values_never_heard_twice_alike_are_bad_check(bench):
    """When each reply says something else none of them is believed."""
    bench.far.add("1", {0: FIVE[0], 1: FIVE[1]})
    bench.far.mangle = lambda reply, n: [(0.0, reply.replace(b"+0.322", b"+0.%03d" % (300 + n)))]
    outcome = bench.outcome(probe_of("deep_soil_profile"))
    assert outcome == [(Status.BAD_CHECK, None)] * 5 + [(Status.OK, float(text)) for text in FIVE[1]]


def test_damaged_checks_give_no_value(bench):
    """A check that never fits ends as bad_check."""
    bench.far.add("1", {0: GOOD})
    bench.far.mangle = lambda reply, n: [(0.0, reply.replace(b"+12.5", b"+13.5"))]
    assert bench.outcome() == [(Status.BAD_CHECK, None)] * 2


def test_fewer_values_than_described_are_short(bench):
    """Values that came are kept, missing ones are short."""
    bench.far.add("1", {0: GOOD[:1]})
    assert bench.outcome() == [(Status.OK, 12.5), (Status.SHORT, None)]


def test_no_values_are_no_value(bench):
    """A sensor that has nothing for the command is not silent."""
    bench.far.add("1", {})
    assert bench.outcome() == [(Status.NO_VALUE, None)] * 2


def test_impossible_values_are_no_value(bench):
    """A probe's own error numbers and readings beyond physics do not pass as good."""
    bench.far.add("1", {0: ["-9999", "+85.5"]})
    assert bench.outcome() == [(Status.NO_VALUE, None)] * 2


def test_two_probes_share_a_line(bench):
    """Each address gives its own values."""
    bench.far.add("1", {0: GOOD})
    bench.far.add("2", {0: ["+20.5", "+9.5"]})
    assert bench.outcome(probe_of(address="2")) == [(Status.OK, 20.5), (Status.OK, 9.5)]
    assert bench.outcome() == [(Status.OK, 12.5), (Status.OK, 8.25)]


def test_unplugged_adapter_is_line_away_and_recovers(bench):
    """Unplugged: a status for each channel. Plugged in again: values, in the same process."""
    bench.far.add("1", {0: GOOD})
    assert bench.outcome() == [(Status.OK, 12.5), (Status.OK, 8.25)]
    bench.far.plug.unplug()
    heard, reason = bench.sample()
    assert {(h.status, h.raw, h.attempts) for h in heard} == {(Status.LINE_AWAY, None, 3)}
    assert reason is not None and "north" in reason
    bench.line._open_not_before = 0.0  # the back-off has its own test
    bench.far.plug_in()
    assert bench.outcome() == [(Status.OK, 12.5), (Status.OK, 8.25)]


def test_adapter_replaced_between_slots_costs_no_reading(bench):
    """A handle gone stale while nobody asked is opened anew within the slot."""
    bench.far.add("1", {0: GOOD})
    bench.outcome()
    bench.far.plug.unplug()
    bench.far.plug_in()
    assert bench.outcome() == [(Status.OK, 12.5), (Status.OK, 8.25)]


def test_stop_ends_a_long_measurement(bench):
    """A sensor that measures for two minutes does not keep the agent from stopping."""
    bench.far.add("1", {0: GOOD}, ready_in_s=100, takes_s=100.0)
    threading.Timer(0.2, bench.stop.set).start()
    with pytest.raises(Stopped):
        bench.sample()


def test_decode_is_scale_and_offset():
    """Number heard = scale x number sent + offset (the description's own definition)."""
    channel = replace(load_probe("thatch").channel("temperature"), scale=0.1, offset=-40.0)
    assert decode(channel, 480.0) == pytest.approx(8.0, abs=1e-12)  # rounding of one product and one sum
    assert decode(channel, 1200.0) is None  # 80 degC is beyond what soil can be


def test_value_that_means_none_is_no_value(bench):
    """+9999 from a rain gauge is within the limits of a total; by the description's `missing` it is no value."""
    rain = load_probe("rain_total")
    bench.far.add("1", {0: ["+9999"]})
    assert bench.outcome(replace(probe_of(), description=rain)) == [(Status.NO_VALUE, None)]
    open_ended = replace(rain, channels=tuple(replace(channel, missing=()) for channel in rain.channels))
    assert bench.outcome(replace(probe_of(), description=open_ended)) == [(Status.OK, 9999.0)]
