"""SDI-12, the sensor's side, and recorder against sensor in memory, on good lines and bad."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware import sdi12
from hardware.reading import Status
from hardware.sdi12 import Done, Fail, Measurement, Send, Wait
from hardware.sdi12_frame import (
    BREAK_S,
    CHARACTER_S,
    MARKING_S,
    Command,
    CommandKind,
    Identification,
)
from hardware.sdi12_sensor import Group, Sensor, value_text

WHO = Identification("0", "13", "NEUTRAL", "THATCH", "1.0", "42")


class _Line:
    """Recorder and sensor on one line with a clock of its own; `hurt` may change each thing the sensor says."""

    def __init__(self, sensor: Sensor, hurt: Callable[[bytes], bytes] = lambda data: data) -> None:
        self.sensor, self.hurt = sensor, hurt
        self.now_s = 0.0
        self.said: list[bytes] = []

    def run(self, measurement: Measurement) -> Done | Fail:
        action = measurement.start()
        while not isinstance(action, Done | Fail):
            if isinstance(action, Send):
                self.now_s += action.quiet_s
                self.sensor.send(self.now_s)
                self.command(action.wire, with_break=action.needs_break)
                deadline_s = self.now_s + action.reply_within_s
            else:
                deadline_s = self.now_s + action.seconds
            action = self.listen(measurement, deadline_s)
        return action

    def command(self, wire: bytes, *, with_break: bool = True) -> None:
        self.said.append(wire)
        if with_break:
            self.now_s += BREAK_S
            self.sensor.receive(b"\0", self.now_s)  # what a line makes of a break
            self.now_s += MARKING_S
        self.now_s += len(wire) * CHARACTER_S
        self.sensor.receive(wire, self.now_s)

    def listen(self, measurement: Measurement, deadline_s: float) -> Send | Wait | Done | Fail:
        while (due_s := self.sensor.due_s) is not None and due_s <= deadline_s:
            self.now_s = max(self.now_s, due_s)
            data = self.hurt(self.sensor.send(self.now_s))
            following = measurement.receive(data)
            if following is not None:
                return following
        self.now_s = deadline_s
        return measurement.elapsed()

    def ask(self, wire: bytes, *, with_break: bool = True) -> bytes:
        """One command and all that is said within 20 ms of it."""
        self.command(wire, with_break=with_break)
        self.now_s += 0.020
        return self.sensor.send(self.now_s)


def _sensor(*values: str, ready_in_s: int = 0, takes_s: float | None = None) -> Sensor:
    return Sensor(WHO, {0: Group(len(values), lambda: values, ready_in_s, takes_s)})


def test_no_service_request_costs_the_whole_wait_and_nothing_else() -> None:
    """A sensor that forgets to say it is done is asked when its time is over."""
    line = _Line(_sensor("+1", "+2", ready_in_s=5), hurt=lambda data: b"" if data == b"0\r\n" else data)
    assert line.run(Measurement(sdi12.measurement("0", "M"))) == Done(("+1", "+2"), 1)
    assert line.now_s > 5


def test_early_service_request_ends_the_wait() -> None:
    """A sensor done before its time is asked at once."""
    line = _Line(_sensor("+1", ready_in_s=100, takes_s=0.7))
    assert line.run(Measurement(sdi12.measurement("0", "M"))) == Done(("+1",), 1)
    assert line.now_s < 2


def test_damaged_values_are_asked_for_again_not_measured_again() -> None:
    """A CRC that does not fit on a page repeats that page only."""
    replies = iter([b"00002\r\n", b"0+3.15+2.718IWO\r\n", b"0+3.14+2.718IWO\r\n"])
    line = _Line(_sensor("+3.14", "+2.718"), hurt=lambda data: next(replies))
    assert line.run(Measurement(sdi12.measurement("0", "M", crc=True))) == Done(("+3.14", "+2.718"), 2)
    assert line.said == [b"0MC!", b"0D0!", b"0D0!"]


def test_crc_that_never_fits_fails_as_bad_check() -> None:
    """Three damaged pages are enough."""
    line = _Line(_sensor("+3.14"), hurt=lambda data: data.replace(b"3.14", b"3.15"))
    result = line.run(Measurement(sdi12.measurement("0", "M", crc=True)))
    assert isinstance(result, Fail)
    assert (result.status, result.attempts) == (Status.BAD_CHECK, 3)


def test_aborted_measurement_is_started_again_and_given_up_in_the_end() -> None:
    """No values after a promise means the measurement was aborted: start anew, three times at most."""
    line = _Line(_sensor("+1", "+2"), hurt=lambda data: b"0\r\n" if b"+" in data else data)
    result = line.run(Measurement(sdi12.measurement("0", "M")))
    assert isinstance(result, Fail)
    assert (result.status, result.attempts) == (Status.NO_VALUE, 3)
    assert line.said == [b"0M!", b"0D0!"] * 3


def test_fewer_values_than_promised_are_never_done() -> None:
    """Three promised and two given is short, not two good ones."""
    line = _Line(_sensor("+1", "+2"), hurt=lambda data: data.replace(b"0002", b"0003"))
    result = line.run(Measurement(sdi12.measurement("0", "M")))
    assert isinstance(result, Fail)
    assert result.status is Status.SHORT


def test_more_values_than_promised_are_never_done() -> None:
    """One promised and two given is refused."""
    line = _Line(_sensor("+1", "+2"), hurt=lambda data: data.replace(b"0002", b"0001"))
    result = line.run(Measurement(sdi12.measurement("0", "M")))
    assert isinstance(result, Fail)
    assert result.status is Status.SHORT
    assert line.said == [b"0M!", b"0D0!"] * 3


def test_pages_got_before_an_abort_are_forgotten() -> None:
    """Started again after half the pages, the talk ends with each value once."""
    replies = iter([b"00003\r\n", b"0+1+2\r\n", b"0\r\n", b"00003\r\n", b"0+4+5\r\n", b"0+6\r\n"])
    line = _Line(_sensor("+1"), hurt=lambda data: next(replies))
    assert line.run(Measurement(sdi12.measurement("0", "M"))) == Done(("+4", "+5", "+6"), 2)


def test_other_count_than_described_is_refused_at_once() -> None:
    """Where the description says how many values there are, another count is not even waited for."""
    line = _Line(_sensor("+1", "+2", ready_in_s=20))
    result = line.run(Measurement(sdi12.measurement("0", "M"), expected_count=3))
    assert isinstance(result, Fail)
    assert result.status is Status.SHORT
    assert line.now_s < 2


def test_longer_wait_than_allowed_is_refused() -> None:
    """A wrong bit in the time does not hold the line for a quarter of an hour."""
    replies = iter([b"08001\r\n", b"00001\r\n", b"0+1\r\n"])
    line = _Line(_sensor("+1"), hurt=lambda data: next(replies))
    assert line.run(Measurement(sdi12.measurement("0", "M"), longest_wait_s=60)) == Done(("+1",), 2)
    assert line.now_s < 2


def test_sensor_without_that_group_is_done_with_no_values() -> None:
    """A group a sensor does not have is answered with a count of nought."""
    assert _Line(_sensor("+1")).run(Measurement(sdi12.measurement("0", "M7"))) == Done((), 1)
    assert _Line(_sensor("+1")).run(Measurement(sdi12.measurement("0", "C7", crc=True))) == Done((), 1)


def test_continuous_and_verification_are_measured_too() -> None:
    """aR0! needs no start; aV! goes like aM!."""
    sensor = Sensor(
        WHO, {}, continuous={2: lambda: ["+1.5", "-2"]}, verification=Group(1, lambda: ["+0"], ready_in_s=2)
    )
    line = _Line(sensor)
    assert line.run(Measurement(Command("0", CommandKind.CONTINUOUS, 2, crc=True))) == Done(("+1.5", "-2"), 1)
    assert line.run(Measurement(Command("0", CommandKind.VERIFY))) == Done(("+0",), 1)
    assert line.run(Measurement(Command("0", CommandKind.CONTINUOUS, 9))) == Done((), 1)


def test_sensor_says_the_printed_replies() -> None:
    """Given the printed values, the sensor's lines are those of sections 4.4.12.3 and 4.4.8.1, check and all."""
    groups = {
        0: Group(1, lambda: ["+3.14"]),
        1: Group(3, lambda: ["+3.14", "+2.718", "+1.414"], ready_in_s=5),
        2: Group(6, lambda: ["+1.11", "+2.22", "+3.33", "+4.44", "+5.55", "+6.66"]),
        3: Group(3, lambda: ["+7.77", "+8.88", "+9.99"]),
        4: Group(2, lambda: ["+3.14", "+2.718"], ready_in_s=1),
    }
    line = _Line(Sensor(WHO, groups))
    assert [line.ask(b"0MC!"), line.ask(b"0D0!")] == [b"00001\r\n", b"0+3.14OqZ\r\n"]
    assert line.ask(b"0D1!") == b"0AP@\r\n"
    assert line.ask(b"0MC1!") == b"00053\r\n"
    line.now_s += 5
    assert line.sensor.send(line.now_s) == b"0\r\n"
    assert line.ask(b"0D0!") == b"0+3.14+2.718+1.414Ipz\r\n"
    assert [line.ask(b"0CC2!"), line.ask(b"0D0!")] == [b"000006\r\n", b"0+1.11+2.22+3.33+4.44+5.55+6.66I]q\r\n"]
    assert [line.ask(b"0MC3!"), line.ask(b"0D0!")] == [b"00003\r\n", b"0+7.77+8.88+9.99IvW\r\n"]
    assert line.ask(b"0MC4!") == b"00012\r\n"
    line.now_s += 1
    assert line.sensor.send(line.now_s) == b"0\r\n"
    assert line.ask(b"0D0!") == b"0+3.14+2.718IWO\r\n"


def test_sensor_answers_who_it_is_and_takes_a_new_address() -> None:
    """a!, ?!, aI! and aAb! are answered; after a change only the new address is."""
    line = _Line(_sensor("+1"))
    assert line.ask(b"0!") == b"0\r\n"
    assert line.ask(b"?!") == b"0\r\n"
    assert line.ask(b"0I!") == b"013NEUTRAL THATCH1.042\r\n"
    assert line.ask(b"0A6!") == b"6\r\n"
    assert line.ask(b"0!") == b""
    assert line.ask(b"6!") == b"6\r\n"
    assert line.sensor.address == "6"


@pytest.mark.parametrize("wire", [b"1!", b"0X!", b"0M", b"x0M!", b"?M!", b"0" * 40 + b"0M!"])
def test_sensor_is_silent_on_what_is_no_command_to_it(wire: bytes) -> None:
    """Another's command, half a command or a damaged one gets no answer, and the next proper one does."""
    line = _Line(_sensor("+1"))
    assert line.ask(wire) == b""
    assert line.ask(b"0!") == b"0\r\n"


def test_sensor_hears_a_command_after_noise_and_other_replies() -> None:
    """Without a break to start anew, NULs and the line ends of others do."""
    line = _Line(_sensor("+1"))
    assert line.ask(b"\0\xff0!", with_break=False) == b"0\r\n"
    assert line.ask(b"5+3.14\r\n0!", with_break=False) == b"0\r\n"


def test_sensor_answers_between_marking_and_15_ms() -> None:
    """The reply begins 8.33 to 15 ms after the command, as instrument manuals restate the standard."""
    sensor = _sensor("+1")
    sensor.receive(b"0!", 10.0)
    assert sensor.due_s is not None
    assert 0.00833 - 0.0004 <= sensor.due_s - 10.0 <= 0.015 + 0.0004
    assert sensor.send(10.008) == b""
    assert sensor.send(10.009) == b"0\r\n"
    assert sensor.send(10.010) == b""


@pytest.mark.parametrize("start", [b"0M!", b"0C!"])
@pytest.mark.parametrize("second", [b"0D0!", b"0!", b"?!", b"0I!"])
def test_command_aborts_a_measurement_under_way(start: bytes, second: bytes) -> None:
    """Any command to the sensor before its time is over ends the measurement without values."""
    line = _Line(_sensor("+1", ready_in_s=5))
    line.ask(start, with_break=False)
    line.ask(second, with_break=False)
    line.now_s += 10
    assert line.sensor.send(line.now_s) == b""
    assert line.ask(b"0D0!") == b"0\r\n"


def test_command_to_another_sensor_does_not_abort() -> None:
    """A concurrent measurement goes on while others are asked."""
    line = _Line(_sensor("+1", ready_in_s=5))
    line.ask(b"0C!")
    line.ask(b"3M!")
    line.now_s += 10
    assert line.ask(b"0D0!") == b"0+1\r\n"


def test_values_stay_until_the_next_measurement() -> None:
    """A page may be asked for again, after a break too; but never after another measurement was started and aborted."""
    groups = {0: Group(2, lambda: ["+1.5", "-2.5"]), 1: Group(1, lambda: ["+9"], ready_in_s=5)}
    line = _Line(Sensor(WHO, groups))
    line.ask(b"0M!")
    assert [line.ask(b"0D0!") for _ in range(3)] == [b"0+1.5-2.5\r\n"] * 3
    line.ask(b"0M1!")
    assert line.ask(b"0D0!") == b"0\r\n"


@pytest.mark.parametrize(
    ("number", "decimals", "text"),
    [
        (3.14159, 2, "+3.14"),
        (-0.5, 3, "-0.500"),
        (0.0, 0, "+0"),
        (123456.789, 3, "+123456.8"),
        (9999999, 2, "+9999999"),
    ],
)
def test_value_text_keeps_sign_and_seven_digits(number: float, decimals: int, text: str) -> None:
    """A number is written with its sign, and loses decimals before it has more than seven digits."""
    assert value_text(number, decimals) == text


numbers = st.floats(-9_999_999, 9_999_999, allow_nan=False)
value_texts = st.builds(value_text, numbers, st.integers(0, 6))
setups = st.fixed_dictionaries(
    {
        "name": st.sampled_from(["M", "M3", "C", "C9"]),
        "crc": st.booleans(),
        "values": st.lists(value_texts, min_size=1, max_size=9),
        "ready_in_s": st.sampled_from([0, 1, 7, 999]),
        "done_early": st.booleans(),
    }
)


def _setup(setup: dict[str, object]) -> tuple[Sensor, Command, tuple[str, ...]]:
    name, values, ready_in_s = str(setup["name"]), setup["values"], setup["ready_in_s"]
    assert isinstance(values, list)
    assert isinstance(ready_in_s, int)
    group = Group(len(values), lambda: values, ready_in_s, ready_in_s / 2 if setup["done_early"] else None)
    command = sdi12.measurement("0", name, crc=bool(setup["crc"]))
    return Sensor(WHO, {int(name[1:] or 0): group}), command, tuple(values)


@settings(deadline=None)
@given(setups)
def test_recorder_has_what_the_sensor_measured(setup: dict[str, object]) -> None:
    """Any values, in any measurement command, come through a good line as they were, at the first attempt."""
    sensor, command, values = _setup(setup)
    assert _Line(sensor).run(Measurement(command)) == Done(values, 1)


@settings(deadline=None)
@given(st.lists(value_texts, min_size=10, max_size=60))
def test_concurrent_measurement_brings_many_values(values: list[str]) -> None:
    """More values than aM! can have come through aC! in up to ten replies."""
    sensor = Sensor(WHO, {}, concurrent={0: Group(len(values), lambda: values, ready_in_s=3)})
    assert _Line(sensor).run(Measurement(sdi12.measurement("0", "C", crc=True))) == Done(tuple(values), 1)


class _BadLine:
    """Damages some replies: one wrong bit, a cut, silence, noise in front, or said twice."""

    def __init__(self, plan: list[tuple[str, int]]) -> None:
        self.plan = list(plan)

    def __call__(self, data: bytes) -> bytes:
        if not data or not self.plan:
            return data
        how, number = self.plan.pop(0)
        place = number % len(data)
        flipped = bytes((data[place] ^ 1 << number % 8,))
        return {
            "well": data,
            "bit": data[:place] + flipped + data[place + 1 :],
            "cut": data[:place],
            "noise": b"\0\xff" + data,
            "twice": data + data,
        }[how]


plans = st.lists(
    st.tuples(st.sampled_from(["well", "bit", "cut", "noise", "twice"]), st.integers(0, 10**6)), max_size=12
)


@settings(max_examples=200, deadline=None)
@given(setup=setups, plan=plans)
def test_bad_line_with_crc_gives_the_true_values_or_none(setup: dict[str, object], plan: list[tuple[str, int]]) -> None:
    """Whatever the line does to single replies, checked values are the true ones, and the talk always ends."""
    sensor, command, values = _setup({**setup, "crc": True})
    line = _Line(sensor, _BadLine(plan))
    result = line.run(Measurement(command, expected_count=len(values)))
    assert isinstance(result, Fail) or result.values == values
    assert len(line.said) < 120


@settings(max_examples=200, deadline=None)
@given(setup=setups, plan=plans)
def test_bad_line_without_crc_never_shifts_a_value(setup: dict[str, object], plan: list[tuple[str, int]]) -> None:
    """Without CRC a wrong bit can change a digit, but never the count, a sign, a point or the order."""
    sensor, command, values = _setup({**setup, "crc": False})
    result = _Line(sensor, _BadLine(plan)).run(Measurement(command, expected_count=len(values)))
    if isinstance(result, Done):
        assert [[c if c in "+-." else "d" for c in v] for v in result.values] == [
            [c if c in "+-." else "d" for c in v] for v in values
        ]


@pytest.mark.parametrize(
    "make",
    [
        lambda: Group(1, lambda: ["+1"], ready_in_s=1000),
        lambda: Group(1, lambda: ["+1"], ready_in_s=1, takes_s=2),
        lambda: Sensor(WHO, {0: Group(10, lambda: ["+1"] * 10)}),
        lambda: Sensor(WHO, {10: Group(1, lambda: ["+1"])}),
        lambda: Sensor(Identification("0", "13", "TOO LONG A NAME", "M", "1"), {}),
        lambda: value_text(float("nan"), 2),
        lambda: value_text(float("inf"), 2),
        lambda: value_text(12345678.0, 0),
        lambda: _Line(Sensor(WHO, {0: Group(2, lambda: ["+1"])})).ask(b"0M!"),
        lambda: _Line(Sensor(WHO, {0: Group(1, lambda: ["1"])})).ask(b"0M!"),
        lambda: _Line(Sensor(WHO, {}, continuous={0: lambda: ["+1234567"] * 10})).ask(b"0R0!"),
        lambda: _Line(Sensor(WHO, {}, concurrent={0: Group(99, lambda: ["+123456.7"] * 99)})).ask(b"0C!"),
    ],
)
def test_sensor_that_cannot_be_is_a_value_error(make: Callable[[], object]) -> None:
    """What the standard has no room for is refused to the caller, never sent."""
    with pytest.raises(ValueError, match="expected"):
        make()
