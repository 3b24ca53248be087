"""Error handlers that the tests of the ordinary ways do not go through; where it can be, the fault is a real one."""

from __future__ import annotations

import argparse
import logging
import os
import socket
import threading
import time
from pathlib import Path

import pytest

from hardware.machine_clock import EARLIEST_SET_MS
from hardware.reading import Notice, Status
from probe_agent import doctor
from probe_agent.__main__ import _show, main
from probe_agent.clock import ClockAway, FollowClock, SystemClock
from probe_agent.config import LineConfig, load
from probe_agent.control import SOCKET_FILE, ControlSocket
from probe_agent.dock import describe_dock
from probe_agent.line import LineAway, SerialLine
from probe_agent.line_setup import find_way
from probe_agent.line_worker import FAULT_PAUSE_S, LineWorker
from probe_agent.mqtt import try_broker
from probe_agent.outbox import Outbox, OutboxFull
from probe_agent.publisher import Publisher
from probe_agent.sampler import Stopped
from probe_agent.service import Agent, lock_folder
from tests.probe_agent.sdi12_emulator import EmulatedAdapter, EmulatedSensor
from tests.probe_agent.test_line_worker import SharedTime, VirtualLine, probe, worker


@pytest.fixture
def answering_agent(tmp_path):
    """A socket in the state folder that answers like an agent that has no such probe."""
    state = tmp_path / "state"
    state.mkdir()
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listening:
        listening.bind(str(state / SOCKET_FILE))
        listening.listen()

        def answer() -> None:
            connection, _ = listening.accept()
            with connection:
                connection.recv(1000)
                connection.sendall(b'{"fault": "the running agent has none of that name"}\n')

        thread = threading.Thread(target=answer)
        thread.start()
        yield
        thread.join()


@pytest.mark.parametrize("command", [["read", "p1"], ["live", "p1", "--count", "1"]])
def test_what_the_running_agent_refuses_is_said(write_config, answering_agent, capsys, command):
    """Exit 1 and the agent's words, for one reading as for many."""
    assert main([*command, "--config", str(write_config())]) == 1
    assert "the running agent has none of that name" in capsys.readouterr().err


def test_doctor_says_what_an_agent_does_not_tell(write_config, answering_agent):
    """One that does not say what the server knows, as an earlier version: neither good nor a fault, in its words."""
    found = doctor._names(load(write_config()))
    assert found.good is None and found.text.endswith("(the running agent has none of that name)")


def test_once_says_where_it_cannot_keep_anything(write_config, tmp_path, capsys):
    """A file where the state folder should be: exit 1 and which one."""
    (tmp_path / "state").write_text("")
    assert main(["once", "--config", str(write_config())]) == 1
    assert str(tmp_path / "state") in capsys.readouterr().err


def test_setup_says_where_it_cannot_write(pty_plug, tmp_path, capsys):
    """The way to the adapter is found, the folder for it is not there: exit 1."""
    pty_plug.plug_in(EmulatedAdapter([EmulatedSensor("1")]).serve)
    gone = tmp_path / "gone" / "agent.toml"
    assert main(["setup", "--port", str(pty_plug.link), "--write", str(gone)]) == 1
    assert str(gone) in capsys.readouterr().err


class Deaf(EmulatedSensor):
    """One that does not take another address."""

    def answer(self, command: str) -> list[tuple[float, str]]:
        return [] if command[1:2] == "A" else super().answer(command)


def test_a_sensor_that_keeps_its_address_is_told(pty_plug, write_config, capsys):
    """Asked to change it stays silent: exit 1, both addresses and why."""
    pty_plug.plug_in(EmulatedAdapter([Deaf("0")]).serve)
    assert main(["scan", "north", "--change", "0", "5", "--config", str(write_config(line="line-plug"))]) == 1
    assert "address 0 to 5: " in capsys.readouterr().err


def test_no_port_is_no_way_to_an_adapter(tmp_path, hand_clock):
    """Each way is tried and told to be away; none is found."""
    said: list[str] = []
    assert find_way("north", str(tmp_path / "gone"), hand_clock, threading.Event(), said.append) is None
    assert len([line for line in said if "gone: no such port" in line]) == len(said) / 2 > 1


class Damaged(VirtualLine):
    """A line that hurts the second answer with values."""

    answers = 0

    def receive(self, deadline: float) -> bytes:
        come = super().receive(deadline)
        self.answers += b"+12.5" in come
        return come[:-3] + b"\xff\r\n" if self.answers == 2 and come else come


def test_a_second_answer_that_is_damaged_is_asked_for_again():
    """A probe without check characters: the first answer, one with a byte hurt, and one like the first."""
    stop, kept = threading.Event(), []
    line = Damaged("a", EmulatedAdapter([EmulatedSensor("1", crc="plain")]), SharedTime(1, 600.0, stop))
    assert worker(line, [probe("1")], kept.append).step(stop)
    assert [(s.status, s.raw) for s in kept[0].samples] == [(Status.OK, 12.5), (Status.OK, 8.25)]
    assert line.answers >= 3


class Gone(VirtualLine):
    """A line whose adapter is pulled out for the third second."""

    def receive(self, deadline: float) -> bytes:
        if 2.0 < self.time.now_s < 3.0:
            raise LineAway("line a: unplugged")
        return super().receive(deadline)


def test_an_adapter_away_while_nothing_is_due_costs_no_measurement():
    """Four concurrent sensors measure for 5 s; the line is away meanwhile, and back when their values are fetched."""
    stop, kept = threading.Event(), []
    time_of_line = SharedTime(1, 600.0, stop)
    far = EmulatedAdapter([EmulatedSensor(str(n), ttt=5) for n in range(4)])
    one = worker(Gone("a", far, time_of_line), [probe(str(n), command="C") for n in range(4)], kept.append)
    assert one.step(stop)
    assert {s.status for pending in kept for s in pending.samples} == {Status.OK}


def test_a_dock_whose_line_is_away_says_so(tmp_path, hand_clock):
    """No port: the words of the line, and that nothing answered."""
    line = SerialLine(LineConfig("dock", str(tmp_path / "gone"), "cone", 9600, "8N1"), monotonic=hand_clock.monotonic)
    text, answered = describe_dock(None, line, hand_clock, threading.Event())
    assert not answered and "line dock" in text and "no such port" in text


def test_a_broken_description_is_listed_with_its_fault(tmp_path, capsys):
    """One's own models are listed all, the one that cannot be used with why."""
    (tmp_path / "broken.toml").write_text("title = 3\n")
    assert main(["model", "list", "--folder", str(tmp_path)]) == 0
    (line,) = [one for one in capsys.readouterr().out.splitlines() if one.startswith("broken ")]
    assert "own  cannot be used: " in line


def test_a_control_socket_that_cannot_be_made_does_without(tmp_path, caplog):
    """No folder: it is logged once, and steps and ends without one."""
    with caplog.at_level(logging.WARNING, "underturf.agent"):
        control = ControlSocket(tmp_path / "gone", lambda name: None, lambda request: False, lambda: None)
    control.step()
    control.close()
    assert "no_control_socket" in caplog.text


def test_doctor_names_a_group_by_its_number_and_the_own_machine_by_its_name(tmp_path, monkeypatch):
    """A port of a group that has no name here; hosts in digits and in words."""
    port = tmp_path / "port"
    port.write_text("")
    monkeypatch.setattr(doctor.os, "access", lambda *_: False)
    monkeypatch.setattr(doctor.grp, "getgrgid", {}.__getitem__)  # raises KeyError, as for a number without a name
    examined = doctor._port(LineConfig("north", str(port), "sdi12", 1200, "7E1"))
    assert examined.text.endswith(f"add this user to the group {os.stat(port).st_gid}")
    assert [doctor._is_here(host) for host in ("127.0.0.1", "localhost", "broker.example")] == [True, True, False]


def test_a_simulator_that_ends_while_it_is_waited_for_is_away(tmp_path):
    """It answers hello and hangs up at `until`: the clock is away, with its socket."""
    path = tmp_path / "clock"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listening:
        listening.bind(str(path))
        listening.listen()

        def answer() -> None:
            connection, _ = listening.accept()
            with connection:
                connection.recv(100)
                connection.sendall(b"1772323200000 1\n")
                connection.recv(100)

        thread = threading.Thread(target=answer)
        thread.start()
        clock = FollowClock(path, "hut")
        with pytest.raises(ClockAway, match="expected the simulator to answer until"):
            while not clock.wait_until(1_772_323_300_000, threading.Event()):
                pass
        thread.join()


@pytest.fixture
def make_publisher(write_config, tmp_path):
    """A publisher with settings in `[broker]`, and files that were there when they were read."""
    outbox = Outbox(tmp_path, site="home", node="hut", max_bytes=4 << 20)

    def make(more: str, file: str) -> tuple[Publisher, Path]:
        secret = tmp_path / file
        secret.write_text("sesame")
        path = write_config(port=1)
        path.write_text(path.read_text().replace("[broker]", f"[broker]\n{more}"))
        return Publisher(load(path), outbox, monotonic=time.monotonic), secret

    yield make
    outbox.close()


def test_a_password_file_that_is_gone_keeps_the_node_away_and_is_said(make_publisher):
    """Neither the agent nor doctor ends by it: both say which file."""
    publisher, secret = make_publisher('username = "hut"\npassword_file = "secret"', "secret")
    secret.unlink()
    publisher.step()
    assert str(secret) in publisher.state
    told = try_broker(publisher._config, within_s=1.0)
    assert told is not None and str(secret) in told


def test_what_the_server_says_out_of_form_is_counted_and_passed_over(make_publisher):
    """Bytes that are no notice: none, and one more that was not understood."""
    publisher, _ = make_publisher("", "unused")
    publisher._connection = type("Connection", (), {"notice": (b"{", 0.0), "let_go": lambda self: None})()
    assert publisher.notice() is None and publisher.bad_receipts == 1


@pytest.fixture
def agent(write_config, hand_clock):
    made = Agent(load(write_config()), hand_clock)
    yield made
    made.close()


def test_a_fault_of_a_line_is_told_waited_out_and_over(agent, hand_clock, monkeypatch):
    """The worker of a line goes on after a fault, and says when it is over; when told to stop it ends."""
    worker, seen, stop = agent.workers[0], [], threading.Event()
    steps = iter([OutboxFull("no room"), True, Stopped()])

    def step(_: object) -> bool:
        one = next(steps)
        seen.append(dict(agent._states))
        if isinstance(one, Exception):
            raise one
        return one

    monkeypatch.setattr(LineWorker, "step", lambda self, stop: step(stop))
    began_s = hand_clock.steady_s
    worker.run(stop)
    assert [states.get("fault north") for states in seen] == [None, "no room", ""]
    assert hand_clock.steady_s - began_s >= FAULT_PAUSE_S


def test_a_fault_of_a_step_is_told_and_waited_out(agent, monkeypatch):
    """One that is away is said; stopping in the middle of a step is none."""
    for fault, told in ((LineAway("line north: unplugged"), "line north: unplugged"), (Stopped(), None)):

        def work(_: object, *, reads: bool, fault: Exception = fault) -> bool:
            raise fault

        agent._states.pop("fault", None)
        monkeypatch.setattr(agent, "_work", work)
        agent.step(threading.Event())
        assert agent._states.get("fault") == told


def test_an_agent_that_cannot_begin_leaves_its_folder_to_the_next(write_config, hand_clock, monkeypatch):
    """Whatever its outbox raises, the lock on the folder is let go."""
    config = load(write_config())

    def broken(_: object) -> None:
        raise ZeroDivisionError("a bug")

    with monkeypatch.context() as patch:
        patch.setattr(Agent, "_open_outbox", broken)
        with pytest.raises(ZeroDivisionError):
            Agent(config, hand_clock)
    lock_folder(config.state_dir).close()


def test_a_time_that_is_none_of_our_days_is_not_taken_from_the_server(write_config, monkeypatch):
    """It is told once as the state of the time, and the clock stays."""
    agent = Agent(load(write_config()), SystemClock())
    monkeypatch.setattr(agent.publisher, "notice", lambda: Notice(EARLIEST_SET_MS - 1, "gps", ()))
    agent._heed_notice()
    assert "expected one between 2025 and 2100" in agent._states["time"]
    agent.close()


def test_a_service_that_would_not_find_its_settings_is_not_installed(write_config, tmp_path, capsys):
    """Settings and data in a home folder, which the unit hides: exit 1, each named with where it should be."""
    assert main(["install-service", "--config", str(write_config())]) == 1
    said = capsys.readouterr()
    assert f"found data kept in {tmp_path / 'state'}, expected /var/lib/underturf-agent" in said.err and said.out == ""


@pytest.fixture
def closed_folder(write_config, tmp_path):
    """Settings whose state folder lies below one that this user may not look into, as below /var/lib/private."""
    path = write_config()
    path.write_text(path.read_text().replace('"state"', '"private/state"'))
    config, user = load(path), os.geteuid()
    (tmp_path / "private" / "state").mkdir(parents=True)
    (tmp_path / "private").chmod(0)
    if user == 0:
        _show(config, argparse.Namespace())  # both once as root: another user may not be able to import what they need
        list(doctor.examine(config, SystemClock()))
        os.seteuid(65534)
    yield config
    if user == 0:
        os.seteuid(0)
    (tmp_path / "private").chmod(0o700)


def test_a_folder_that_this_user_may_not_look_into_is_said_in_words(closed_folder, capsys, monkeypatch):
    """`show` ends with 1 and what to do; `doctor` goes on to its end."""
    monkeypatch.setattr(doctor, "BROKER_WITHIN_S", 0.1)
    capsys.readouterr()
    assert _show(closed_folder, argparse.Namespace()) == 1
    assert "found Permission denied, expected leave to look into the outbox; try as root" in capsys.readouterr().err
    told = {one.subject: one for one in doctor.examine(closed_folder, SystemClock())}
    assert told["disk"].good is None and "Permission denied" in told["disk"].text and "unit" in told
