"""Nodes of the field broker are added, listed and revoked, on a real mosquitto as its settings are shipped."""

from __future__ import annotations

import json
import subprocess
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from paho.mqtt.client import CallbackAPIVersion, Client

from api.broker_users import ACCESS_LIST, KEPT_BELOW, access_list_text, add_node, node_names
from api.command import main
from pipeline.service import load_settings
from probe_agent.clock import SystemClock
from probe_agent.config import load as load_agent
from probe_agent.doctor import examined_users
from probe_agent.service import Agent
from tests.hardware.test_mosquitto import (
    NODE,
    NODE_BROKER,
    PIPELINE,
    RADIO,
    RADIO_PROBE,
    SERVER,
    SHIPPED,
    UP_FOR_S,
    broker,
    installed,
)
from tests.probe_agent.conftest import sensor_line, wait_for, write_config

__all__ = ["installed", "sensor_line", "write_config"]

EXAMPLE = Path(__file__).parents[2] / "hardware" / "docs" / "agent.toml"
PIPELINE_ID = "underturf-pipeline-home"
OUT_WITHIN_S = 5.0


class Connected:
    """A client over TLS: what it received, how its connection stands, and what the broker said to it."""

    def __init__(self, folder: Path, port: int, client_id: str, auth: dict[str, str], *topics: str) -> None:
        self.heard, self.up, self.lost, self.answer = list[tuple[str, bytes]](), False, 0, ""
        self.client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, reconnect_on_failure=False)
        self.client.username_pw_set(**auth)
        self.client.tls_set(str(folder / "etc/mosquitto/certs/underturf.crt"))
        self.client.on_message = lambda _client, _data, message: self.heard.append((message.topic, message.payload))
        self.client.on_connect = self._connected
        self.client.on_disconnect = self._lost
        self._topics = topics
        self.client.connect("localhost", port)
        self.client.loop_start()
        wait_for(lambda: self.answer != "")

    def _connected(self, client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self.up = not reason.is_failure
        for topic in self._topics if self.up else ():
            client.subscribe(topic, 1)
        self.answer = str(reason)

    def _lost(self, *_: Any) -> None:
        self.up, self.lost = False, self.lost + 1


@pytest.fixture
def connect(installed: Path, free_port: int) -> Iterator[Callable[..., Connected]]:
    """Connect a client; all are ended with the test."""
    with ExitStack() as ending:

        def make(client_id: str, auth: dict[str, str], *topics: str) -> Connected:
            made = Connected(installed, free_port, client_id, auth, *topics)
            ending.callback(made.client.loop_stop)
            ending.callback(made.client.disconnect)
            return made

        yield make


@pytest.fixture
def settings(installed: Path, free_port: int) -> Path:
    """The server's settings for that broker."""
    (installed / "pipeline").write_text(PIPELINE["password"] + "\n")
    file = installed / "underturf.toml"
    file.write_text(SERVER.format(port=free_port, place=installed))
    return file


def node(settings: Path, *words: str) -> int:
    """Run `underturf node` on what is installed below a folder in place of /."""
    place = settings.parent
    files = ["--passwords", str(place / "etc/mosquitto/underturf.passwords")]
    files += ["--pid-file", str(place / "run/mosquitto/mosquitto.pid")]
    return main(["node", *words, "--config", str(settings), *files])


def pasted(block: str, folder: Path) -> dict[str, Any]:
    """Do on a node what the block says, below a folder; return the tables for its agent.toml."""
    for place in ("/etc/underturf", "/etc/systemd", "/run/systemd"):
        block = block.replace(place, f"{folder}{place}")
    subprocess.run(["sh", "-eu", "-c", block], check=True)
    return tables_of(block)


def tables_of(block: str) -> dict[str, Any]:
    """Return the tables for agent.toml in a block."""
    return tomllib.loads(block.rpartition(": <<'END'\n")[2].partition("\nEND")[0])


def with_tables(tables: dict[str, Any], file: Path) -> Path:
    """Write the example's agent.toml with the tables of a block in it."""
    agent = tomllib.loads(EXAMPLE.read_text())
    file.write_text(tomli_w.dumps({**agent, "agent": agent["agent"] | tables["agent"], "broker": tables["broker"]}))
    return file


def test_a_node_is_added_writes_its_own_alone_and_is_out_when_revoked(
    settings: Path,
    free_port: int,
    connect: Callable[..., Connected],
    need_program: Callable[[str], str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What `add` prints is all the node needs; what it writes elsewhere is dropped; revoked it is off within 5 s and
    gets no more in."""
    with broker(settings.parent, free_port, need_program("mosquitto")):
        assert node(settings, "add", "mower", "--host", "localhost") == 0
        tables = pasted(capsys.readouterr().out, tmp_path / "node")
        given = load_agent(with_tables(tables, tmp_path / "node/etc/underturf/agent.toml")).broker
        assert (given.host, given.port, given.username) == ("localhost", free_port, "home/mower")
        assert given.password_file is not None and given.password_file.stat().st_mode & 0o077 == 0
        auth = {"username": "home/mower", "password": given.password_file.read_text().strip()}

        pipeline = connect(PIPELINE_ID, PIPELINE, "underturf/1/+/+/readings/#")
        mower = connect("underturf-home-mower", auth)
        mower.client.publish("underturf/1/home/hut/readings/x/1/1", b"forged", 1)
        mower.client.publish("underturf/1/home/mower/readings/x/1/1", b"own", 1)
        wait_for(lambda: bool(pipeline.heard))
        assert pipeline.heard == [("underturf/1/home/mower/readings/x/1/1", b"own")]

        began = time.monotonic()
        assert node(settings, "revoke", "mower") == 0
        wait_for(lambda: not mower.up, within_s=OUT_WITHIN_S)
        assert time.monotonic() - began < OUT_WITHIN_S and pipeline.up
        assert connect("underturf-home-mower", auth).answer == "Not authorized"
    assert node(settings, "list") == 0
    assert capsys.readouterr().out.splitlines() == ["home/hut"]


@pytest.mark.parametrize("bound", [True, False], ids=["as shipped", "without the rule"])
def test_a_stolen_client_id_pushes_nobody_off(
    installed: Path,
    free_port: int,
    connect: Callable[..., Connected],
    need_program: Callable[[str], str],
    *,
    bound: bool,
) -> None:
    """A node that gives the pipeline's client id stays itself; without the rule of the settings, the control, the
    pipeline is pushed off."""
    if not bound:
        file = installed / "etc/mosquitto/conf.d/underturf.conf"
        file.write_text(file.read_text().replace("use_username_as_clientid true", ""))
    with broker(installed, free_port, need_program("mosquitto")):
        pipeline = connect(PIPELINE_ID, PIPELINE, "underturf/1/+/+/readings/#")
        thief = connect(PIPELINE_ID, {"username": "home/hut", "password": "green"})
        assert thief.up
        if not bound:
            wait_for(lambda: pipeline.lost == 1)
            return
        thief.client.publish("underturf/1/home/hut/readings/x/1/1", b"still heard", 1)
        wait_for(lambda: bool(pipeline.heard))
        assert pipeline.up and pipeline.lost == 0


def test_another_password_ends_the_one_before(
    settings: Path,
    free_port: int,
    connect: Callable[..., Connected],
    need_program: Callable[[str], str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`--rotate` prints a new block, and who has the old password is out."""
    with broker(settings.parent, free_port, need_program("mosquitto")):
        old = {"username": "home/hut", "password": "green"}
        hut = connect("underturf-home-hut", old)
        assert node(settings, "add", "hut", "--rotate") == 0
        wait_for(lambda: not hut.up, within_s=OUT_WITHIN_S)
        assert connect("underturf-home-hut", old).answer == "Not authorized"
        new = capsys.readouterr().out.split("END'\n")[1].partition("\n")[0]
        assert connect("underturf-home-hut", {"username": "home/hut", "password": new}).up


def test_a_hundred_nodes_have_passwords_of_their_own(
    settings: Path, free_port: int, connect: Callable[..., Connected], need_program: Callable[[str], str]
) -> None:
    """Each its own, in a file that others may not read; the broker takes the first and the last. Prints the time."""
    need_program("mosquitto_passwd")
    config, passwords = load_settings(settings), settings.parent / "etc/mosquitto/new.passwords"
    began = time.monotonic()
    given = {f"n{i:03}": add_node(config, f"n{i:03}", passwords) for i in range(100)}
    print(f"100 nodes in {time.monotonic() - began:.1f} s")
    assert node_names(config, passwords) == sorted(given) and len({*given.values()}) == 100
    assert passwords.stat().st_mode & 0o077 == 0 and not any(word in passwords.read_text() for word in given.values())
    passwords.replace(settings.parent / "etc/mosquitto/underturf.passwords")
    with broker(settings.parent, free_port, need_program("mosquitto")):
        for name in ("n000", "n099"):
            assert connect(name, {"username": f"home/{name}", "password": given[name]}).up


def test_a_line_of_radio_nodes_is_added_reads_its_topic_alone_and_is_out_when_revoked(
    settings: Path,
    free_port: int,
    connect: Callable[..., Connected],
    need_program: Callable[[str], str],
    tmp_path: Path,
    write_config: Callable[..., Path],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What `add --reads` prints goes below the line: node and line stay connected, a message is kept, another's topic
    is not read; revoked it is off and the access list has no line of it, and still what else was added."""
    access_list = settings.parent / "etc/mosquitto" / ACCESS_LIST
    with broker(settings.parent, free_port, need_program("mosquitto")), ExitStack() as ending:
        assert node(settings, "add", "network-server") == 0
        server = {"username": "home/network-server", "password": capsys.readouterr().out.split("END'\n")[1].split()[0]}
        with access_list.open("a") as file:
            file.write("user home/network-server\ntopic write radio/+/up\ntopic write other/+/up\n")
        assert node(settings, "add", "hut-radio", "--reads", "radio/+/up", "--host", "localhost") == 0
        tables = pasted(capsys.readouterr().out, tmp_path / "node")
        (settings.parent / "hut").write_text(NODE["password"])
        path = write_config(port=free_port, more=RADIO + tomli_w.dumps(tables) + RADIO_PROBE)
        path.write_text(path.read_text().replace("[broker]\n", NODE_BROKER.format(place=settings.parent), 1))
        config = load_agent(path)
        own = config.uplink_lines[0].broker
        assert own.username == "home/hut-radio" and not list(examined_users(config))
        auth = {"username": own.username, "password": own.password_file.read_text().strip()}

        thief = connect("any", auth, "other/+/up", "underturf/1/+/+/readings/#", "radio/+/up")
        pipeline = connect("any", PIPELINE, "underturf/1/+/+/readings/#")
        network_server = connect("any", server)
        hut = connect("any", NODE)
        hut.client.publish("underturf/1/home/hut/readings/x/1/1", b"another's", 1)
        wait_for(lambda: bool(pipeline.heard))
        network_server.client.publish("other/a1/up", b"another's", 1)
        network_server.client.publish("radio/a1/up", b"its own", 1)
        wait_for(lambda: bool(thief.heard))
        assert thief.heard == [("radio/a1/up", b"its own")]
        for one in (thief, hut):
            one.client.disconnect()
            wait_for(lambda one=one: not one.up)

        agent, stop, states = Agent(config, SystemClock(trust_hardware=True)), threading.Event(), set[tuple[str, str]]()
        ending.callback(agent.close)
        (radio,) = agent.uplinks

        def step() -> None:
            agent.step(stop, reads=False)
            radio.step()
            states.add((agent.publisher.state, radio.state))

        wait_for(lambda: ("up", "ok") in states, within_s=30, step=step)
        states.clear()
        until_s = time.monotonic() + UP_FOR_S
        sent = json.dumps({"dev": "a1", "n": 1, "ts": time.time(), "values": [12.5, 8.25]})
        network_server.client.publish("radio/a1/up", sent, 1)
        wait_for(lambda: time.monotonic() > until_s and "square-1/r1" in radio.devices, within_s=30, step=step)
        # no server runs here, which the publisher says in time; its connection and the line's have held
        assert {line for _, line in states} == {"ok"}
        assert all(mine == "up" or mine.startswith("away: no receipt") for mine, _ in states)

        assert node(settings, "add", "hut-radio", "--rotate", "--host", "localhost") == 0
        assert tables_of(capsys.readouterr().out)["line"]["broker"]["username"] == "home/hut-radio"
        assert node(settings, "revoke", "hut-radio") == 0
        wait_for(lambda: radio.state != "ok", within_s=30, step=step)
        assert connect("any", auth).answer == "Not authorized"
        left = access_list.read_text()
        assert "hut-radio" not in left.partition(KEPT_BELOW)[2] and "topic write other/+/up" in left


def test_what_was_added_to_the_access_list_is_kept_when_the_broker_is_set_up_again(
    settings: Path, need_program: Callable[[str], str]
) -> None:
    """The list as shipped ends with the line that says so; a list of before without it is written anew."""
    need_program("mosquitto_passwd")
    access_list, shipped = settings.parent / "etc/mosquitto" / ACCESS_LIST, (SHIPPED / ACCESS_LIST).read_text()
    assert shipped.endswith(f"\n{KEPT_BELOW}\n")
    assert node(settings, "add", "hut-radio", "--reads", "radio/#") == 1  # 1: no broker runs that could be told
    added = "user home/hut-radio\ntopic read radio/#\n"
    assert access_list.read_text() == access_list_text(shipped, access_list) == shipped + added
    assert node(settings, "add", "hut-radio", "--rotate", "--reads", "barn/+") == 1
    assert access_list.read_text() == shipped + added.replace("radio/#", "barn/+")
    access_list.write_text(access_list.read_text().replace(KEPT_BELOW, "# of before"))
    assert access_list_text(shipped, access_list) == shipped


@pytest.mark.parametrize(
    "topic",
    [
        "#",
        "+/a1/up",
        "underturf/1/home/hut/readings/#",
        "underturf",
        "$SYS/#",
        " underturf/#",
        "a\ntopic read #",
        "a/#/b",
    ],
)
def test_a_topic_that_is_not_the_network_servers_is_refused(
    settings: Path, capsys: pytest.CaptureFixture[str], topic: str
) -> None:
    """What would have the nodes' own topics in it, or a second line of the list: no user is made, no line written."""
    place = settings.parent / "etc/mosquitto"
    before = [(place / name).read_text() for name in ("underturf.passwords", ACCESS_LIST)]
    assert node(settings, "add", "hut-radio", "--reads", topic) == 2
    assert "expected a topic without spaces" in capsys.readouterr().err
    (place / ACCESS_LIST).rename(place / "moved")
    assert node(settings, "add", "hut-radio", "--reads", "radio/+/up") == 2
    assert "user home/hut-radio" in capsys.readouterr().err
    assert [(place / name).read_text() for name in ("underturf.passwords", "moved")] == before


def test_what_cannot_be_done_is_said(settings: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name that is taken, none, or not there; a broker that does not run; one that nodes cannot reach."""
    for words, said in (
        (("add", "hut"), "--rotate"),
        (("add", "Hut"), "small letters"),
        (("add", "hit", "--rotate"), "'hut'?"),
        (("revoke", "hit"), "'hut'?"),
        (("revoke",), "the name of a node"),
    ):
        assert node(settings, *words) == 2, words
        assert said in capsys.readouterr().err, words
    assert node(settings, "revoke", "hut") == 1
    assert "systemctl reload mosquitto" in capsys.readouterr().err
    authority = settings.parent / "etc/mosquitto/certs/underturf.crt"
    authority.write_text("no certificate")
    assert node(settings, "add", "barn") == 1
    assert "expected one in PEM" in capsys.readouterr().err
    assert node(settings, "list") == 0
    assert capsys.readouterr().out == "no node has a password\n"
    text = settings.read_text()
    settings.write_text(text[: text.index("[broker]")] + text[text.index("[[surface]]") :])
    assert node(settings, "add", "shed") == 2
    assert 'expected "external"' in capsys.readouterr().err
