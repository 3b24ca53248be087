"""The serial line over real pseudo-terminals: deadlines, exclusive use, unplugging. Far end played by the test."""

from __future__ import annotations

import errno
import os
import termios
import threading
import time

import pytest
import serial

from probe_agent.config import LineConfig
from probe_agent.faults import FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S
from probe_agent.line import LineAway, SerialLine, refuse_bad_parity


def no_one(master: int, stop: threading.Event) -> None:
    """A far end that neither reads nor writes by itself."""


def line_at(plug, *, monotonic=time.monotonic, frame="7E1") -> SerialLine:
    config = LineConfig("north", str(plug.link), "sdi12", 1200, frame)
    return SerialLine(config, monotonic=monotonic, chance=lambda: 0.5)


def test_request_goes_out_and_reply_comes_back(pty_plug):
    """Bytes pass unchanged both ways, also when 7E1 is asked for on a pseudo-terminal."""
    pty_plug.plug_in(no_one)
    pty_plug.leave_to_the_agent()
    line = line_at(pty_plug)
    for _ in range(3):  # opening again must work too: a pseudo-terminal may refuse 7E1 then
        line.send(b"1M!")
        assert os.read(pty_plug.master, 100) == b"1M!"
        os.write(pty_plug.master, b"100013\r\n")
        assert line.receive(time.monotonic() + 2) == b"100013\r\n"
        assert (line._port.bytesize, line._port.parity) == (8, "N")
        line.close()


def test_silence_ends_at_the_deadline(pty_plug):
    """Nothing heard gives nothing, not earlier than the deadline and soon after it."""
    pty_plug.plug_in(no_one)
    line = line_at(pty_plug)
    line.send(b"1M!")
    begin = time.monotonic()
    assert line.receive(begin + 0.1) == b""
    assert 0.1 <= time.monotonic() - begin < 1.0  # a busy machine may be late, never early


def test_late_bytes_are_thrown_away_before_the_next_request(pty_plug):
    """What came after the deadline is not the beginning of the next reply."""
    pty_plug.plug_in(no_one)
    line = line_at(pty_plug)
    line.send(b"1M!")
    assert line.receive(time.monotonic()) == b""
    os.write(pty_plug.master, b"late rest\r\n")
    line.send(b"1D0!")
    assert line.receive(time.monotonic() + 0.05) == b""


def test_line_is_for_one_process_alone(pty_plug):
    """A second opener is told that the port is held, and leaves the first undisturbed."""
    pty_plug.plug_in(no_one)
    first, second = line_at(pty_plug), line_at(pty_plug)
    first.send(b"1M!")
    with pytest.raises(LineAway, match="held by another program"):
        second.send(b"2M!")
    os.write(pty_plug.master, b"ok")
    assert first.receive(time.monotonic() + 2) == b"ok"


def test_missing_port_is_away_with_a_reason(pty_plug):
    """A port that is not there is an away line that says so."""
    line = line_at(pty_plug)
    with pytest.raises(LineAway, match="Is the adapter plugged in"):
        line.send(b"1M!")
    assert line.state.startswith("away: ")


@pytest.mark.parametrize("act", ["send", "receive", "discard"])
def test_unplugged_adapter_is_away_and_comes_back(pty_plug, act):
    """Whichever call meets the unplugging says LineAway, and the line works again once it is plugged in."""
    pty_plug.plug_in(no_one)
    line = line_at(pty_plug)
    line.send(b"1M!")
    pty_plug.unplug()
    calls = {
        "send": lambda: line.send(b"1M!"),
        "receive": lambda: line.receive(time.monotonic() + 2),
        "discard": lambda: line.discard(0.0),
    }
    with pytest.raises(LineAway):
        calls[act]()
    assert line.state.startswith("away: ")
    pty_plug.plug_in(no_one)
    line.send(b"1M!")
    assert os.read(pty_plug.master, 100) == b"1M!"
    assert line.state == "ok"


def test_adapter_that_goes_away_while_it_settles_is_away_and_comes_back(pty_plug, hand_clock):
    """Unplugged between its opening and the end of its settling, the line is away, backs off, and works again."""
    pty_plug.plug_in(no_one)
    config = LineConfig("north", str(pty_plug.link), "sdi12", 1200, "7E1", settle_s=0.5)
    line = SerialLine(config, monotonic=hand_clock.monotonic, chance=lambda: 0.5)
    unplugging = threading.Timer(0.2, pty_plug.unplug)
    unplugging.start()
    with pytest.raises(LineAway, match="line north: "):
        line.send(b"1M!")
    unplugging.join()
    assert line.state.startswith("away: ")
    pty_plug.plug_in(no_one)
    with pytest.raises(LineAway):  # its back-off is not over
        line.send(b"1M!")
    hand_clock.move(FIRST_BACK_OFF_S + 0.001)
    line.send(b"1M!")
    assert os.read(pty_plug.master, 100) == b"1M!"
    os.write(pty_plug.master, b"100013\r\n")
    assert line.receive(hand_clock.monotonic() + 2) == b"100013\r\n"
    assert line.state == "ok"


def test_back_off_doubles_to_its_limit_and_is_forgotten(pty_plug, hand_clock):
    """Failed openings are 1, 2, 4 ... s apart, at most 60, with no jitter at the middle of the chance (arithmetic)."""
    line = line_at(pty_plug, monotonic=hand_clock.monotonic)
    expected_s = FIRST_BACK_OFF_S
    for _ in range(9):
        with pytest.raises(LineAway):
            line.send(b"1M!")
        hand_clock.move(expected_s - 0.001)
        if not pty_plug.link.is_symlink():
            pty_plug.plug_in(no_one)
        with pytest.raises(LineAway):  # plugged in again, but not tried yet
            line.send(b"1M!")
        pty_plug.unplug()
        hand_clock.move(0.002)
        expected_s = min(2 * expected_s, LONGEST_BACK_OFF_S)
    pty_plug.plug_in(no_one)
    line.send(b"1M!")
    assert line.state == "ok"


def test_bad_parity_is_made_visible(pty_plug):
    """The flags are those of termios(3): INPCK without IGNPAR and PARMRK gives a NUL for a byte of wrong parity."""
    pty_plug.plug_in(no_one)
    fd = os.open(pty_plug.link, os.O_RDWR | os.O_NOCTTY)
    refuse_bad_parity(fd)
    flags = termios.tcgetattr(fd)[0]
    os.close(fd)
    assert flags & termios.INPCK
    assert not flags & (termios.IGNPAR | termios.PARMRK)


def test_line_without_back_off_is_tried_each_time(pty_plug, hand_clock):
    """Under a simulated clock the first question after plugging in is answered."""
    config = LineConfig("north", str(pty_plug.link), "sdi12", 1200, "7E1")
    line = SerialLine(config, monotonic=hand_clock.monotonic, back_off=False)
    with pytest.raises(LineAway):
        line.send(b"1M!")
    pty_plug.plug_in(no_one)
    line.send(b"1M!")
    assert line.state == "ok"
    line.close()


def test_adapter_that_holds_no_break_is_named(pty_plug, monkeypatch):
    """ENOTTY to the break, as drivers without one answer: the reason names the line and the key to set."""

    def no_break(self):
        raise OSError(errno.ENOTTY, "Inappropriate ioctl for device")

    pty_plug.plug_in(no_one)
    monkeypatch.setattr(serial.Serial, "_update_break_state", no_break)
    line = line_at(pty_plug)
    line.send(b"1M!")
    line._virtual = False  # a pseudo-terminal is never asked for a break
    with pytest.raises(LineAway, match=r'holds no break .*set break = "adapter" for line north'):
        line.send(b"1M!", wake=True)


def test_line_whose_break_is_not_ours_holds_none(pty_plug, monkeypatch):
    """`adapter` and `none` leave the line alone; with the adapter's the reply is waited for from its own break on.

    12 ms break, 8.33 ms marking and 3 characters of 8.33 ms (SDI-12 4.1, 7).
    """
    pty_plug.plug_in(no_one)
    monkeypatch.setattr(serial.Serial, "_update_break_state", lambda self: pytest.fail("a break was held"))
    for break_by, after_s in (("none", 0.0), ("adapter", 0.012 + 0.00833 + 3 * 10 / 1200)):
        config = LineConfig("north", str(pty_plug.link), "sdi12", 9600, "8N1", break_by)
        line = SerialLine(config, monotonic=lambda: 7.0)
        line.send(b"1M!")
        line._virtual = False
        assert line.send(b"1M!", wake=True) == pytest.approx(7.0 + 3 * 10 / 9600 + after_s, abs=1e-9)
        line.close()
