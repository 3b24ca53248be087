"""The broker's settings as shipped, read by the real mosquitto where the distribution puts them."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt import publish, subscribe
from paho.mqtt.client import CallbackAPIVersion, Client

from hardware.reading import Notice, encode_notice
from pipeline.service import Pipeline
from pipeline.service import load_settings as load_server
from probe_agent.__main__ import main
from probe_agent.clock import SystemClock
from probe_agent.config import load as load_agent
from probe_agent.doctor import examine
from probe_agent.service import Agent
from tests.probe_agent.conftest import sensor_line, wait_for, write_config

__all__ = ["sensor_line", "write_config"]

SHIPPED = Path(__file__).parents[2] / "hardware" / "mosquitto"
# /etc/mosquitto/mosquitto.conf of Debian 12, package mosquitto 2.0.11-1.2+deb12u2, without its comment
DEBIAN_DEFAULT = """\
pid_file /run/mosquitto/mosquitto.pid

persistence true
persistence_location /var/lib/mosquitto/

log_dest file /var/log/mosquitto/mosquitto.log

include_dir /etc/mosquitto/conf.d
"""
NODE = {"username": "home/hut", "password": "green"}
PIPELINE = {"username": "pipeline", "password": "brown"}


@pytest.fixture
def installed(tmp_path: Path, free_port: int, need_program: Callable[[str], str]) -> Path:
    """Debian's default and our settings in their places, under a folder of this test in place of /, on a free port."""

    def put(path: str, text: str) -> None:
        for folder in ("/etc/mosquitto", "/var/lib/mosquitto", "/var/log/mosquitto", "/run/mosquitto"):
            (tmp_path / folder[1:]).mkdir(parents=True, exist_ok=True)
            text = text.replace(folder, f"{tmp_path}{folder}")
        (tmp_path / path).parent.mkdir(exist_ok=True)
        (tmp_path / path).write_text(text, encoding="utf-8")

    def run(*command: str) -> None:
        subprocess.run([need_program(command[0]), *command[1:]], cwd=tmp_path, check=True, capture_output=True)

    as_root = "user root\n" if os.geteuid() == 0 else ""  # else it gives up root and cannot read this test's folder
    put("etc/mosquitto/mosquitto.conf", DEBIAN_DEFAULT + as_root)
    settings = (SHIPPED / "underturf.conf").read_text(encoding="utf-8")
    put("etc/mosquitto/conf.d/underturf.conf", settings.replace("listener 8883", f"listener {free_port} 127.0.0.1"))
    put("etc/mosquitto/underturf.acl", (SHIPPED / "underturf.acl").read_text(encoding="utf-8"))
    passwords = "etc/mosquitto/underturf.passwords"
    run("mosquitto_passwd", "-b", "-c", passwords, *PIPELINE.values())
    run("mosquitto_passwd", "-b", passwords, *NODE.values())
    certs = tmp_path / "etc" / "mosquitto" / "certs"
    certs.mkdir()
    request = (
        "openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -addext subjectAltName=DNS:localhost"
    )
    run(*request.split(), "-keyout", str(certs / "underturf.key"), "-out", str(certs / "underturf.crt"))
    pem = "".join((certs / name).read_text() for name in ("underturf.key", "underturf.crt"))
    (certs / "underturf.pem").write_text(pem)
    return tmp_path


@contextmanager
def broker(installed: Path, port: int, mosquitto: str) -> Iterator[None]:
    """The real one on what is installed, until it listens."""
    command = [mosquitto, "-c", str(installed / "etc/mosquitto/mosquitto.conf")]
    with (installed / "errors").open("w") as errors:
        process = subprocess.Popen(command, stderr=errors)

    def listens() -> bool:
        assert process.poll() is None, (installed / "errors").read_text()
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
            return True
        return False

    try:
        wait_for(listens)
        yield
    finally:
        process.terminate()
        process.wait(20)


def test_settings_start_beside_the_default_and_keep_receipts(
    installed: Path, free_port: int, need_program: Callable[[str], str]
) -> None:
    """mosquitto takes both files; a receipt given over TLS is there for its node after a restart of the broker."""
    tls = {"ca_certs": str(installed / "etc/mosquitto/certs/underturf.crt")}
    receipt = "underturf/1/home/hut/receipt"
    mosquitto = need_program("mosquitto")
    with broker(installed, free_port, mosquitto):
        publish.single(receipt, "{}", 1, retain=True, hostname="localhost", port=free_port, auth=PIPELINE, tls=tls)
    with broker(installed, free_port, mosquitto):
        message = subscribe.simple(receipt, 1, hostname="localhost", port=free_port, auth=NODE, tls=tls)
    assert (message.payload, message.retain) == (b"{}", True)


SERVER = """
[site]
name = "home"
[data]
dir = "data"
[broker]
kind = "external"
host = "localhost"
port = {port}
username = "pipeline"
password_file = "{place}/pipeline"
ca_file = "{place}/etc/mosquitto/certs/underturf.crt"
[[surface]]
name = "square"
title = "Square"
kind = "square"
[[surface.station]]
name = "square-1"
title = "long side"
soil = "loam"
[[surface.station.probe]]
name = "p9"
model = "thatch"
"""
NODE_BROKER = """[broker]
host = "localhost"
username = "home/hut"
password_file = "{place}/hut"
ca_file = "{place}/etc/mosquitto/certs/underturf.crt"
"""


def test_what_the_server_does_not_know_reaches_the_node_and_its_doctor_alone(
    installed: Path, free_port: int, need_program: Callable[[str], str], sensor_line, write_config
) -> None:
    """Real agent, real server, the shipped access list over TLS: a probe that the server's settings call otherwise is
    named by `doctor`. Another node neither receives that notice nor is able to send one."""
    tls = {"ca_certs": str(installed / "etc/mosquitto/certs/underturf.crt")}
    other = {"username": "home/shed", "password": "grey"}
    passwords = installed / "etc/mosquitto/underturf.passwords"
    subprocess.run([need_program("mosquitto_passwd"), "-b", passwords, *other.values()], check=True)
    for name, auth in (("pipeline", PIPELINE), ("hut", NODE)):
        (installed / name).write_text(auth["password"] + "\n")
    sensor_line.add("1", {0: ["+12.5", "+8.25"]})
    agent_file, server_file = write_config(port=free_port), installed / "underturf.toml"
    agent_file.write_text(agent_file.read_text().replace("[broker]\n", NODE_BROKER.format(place=installed)))
    server_file.write_text(SERVER.format(port=free_port, place=installed))
    notice, heard = "underturf/1/home/hut/notice", list[bytes]()

    def listen(auth: dict[str, str]) -> Client:
        client = Client(CallbackAPIVersion.VERSION2)
        client.username_pw_set(**auth)
        client.tls_set(**tls)
        client.on_message = lambda _client, _data, message: heard.append(message.payload)
        client.on_connect = lambda *_: client.subscribe(notice, 1)
        client.connect("localhost", free_port)
        client.loop_start()
        return client

    with broker(installed, free_port, need_program("mosquitto")), contextlib.ExitStack() as ending:
        stranger = listen(other)
        ending.callback(stranger.loop_stop)
        pipeline = Pipeline(load_server(server_file))
        ending.callback(pipeline.stop)
        pipeline.start()
        agent, stop = Agent(load_agent(agent_file), SystemClock(trust_hardware=True)), threading.Event()
        ending.callback(agent.close)
        forged = encode_notice(Notice(None, "", ("square-1/p1/forged",)))
        seen = set[object]()

        def step() -> None:
            agent.step(stop)
            seen.add(agent._unknown)

        wait_for(lambda: agent.publisher.state == "up", within_s=30, step=step)
        publish.single(notice, forged, 1, hostname="localhost", port=free_port, auth=other, tls=tls)
        expected = ("square-1/p1/moisture", "square-1/p1/temperature")
        wait_for(lambda: agent._unknown == expected, within_s=30, step=step)
        assert seen <= {None, (), expected[:1], expected}
        running = threading.Thread(target=lambda: [agent.step(stop) for _ in iter(stop.is_set, True)])
        running.start()
        ending.callback(running.join)
        ending.callback(stop.set)
        told = {one.subject: (one.good, one.text) for one in examine(load_agent(agent_file), SystemClock())}
    assert told["broker"] == (True, f"localhost:{free_port} takes this node")
    assert told["channels"] == (
        False,
        "the server does not know square-1/p1/moisture, square-1/p1/temperature: name their station and probe alike "
        "in both files",
    )
    assert heard == []


RADIO = """
[[line]]
name = "radio"
protocol = "mqtt"
topic = "radio/+/up"
"""
RADIO_PROBE = """
[[probe]]
name = "r1"
station = "square-1"
model = "radio_flat"
line = "radio"
address = "a1"
"""
UP_FOR_S = 3.0  # longer than the back-off after which a connection that was pushed off comes again


@pytest.mark.parametrize("own", [True, False], ids=["a user of its own", "the node's user"])
def test_a_line_of_radio_nodes_is_a_user_of_its_own(
    installed: Path, free_port: int, need_program: Callable[[str], str], write_config, capsys, *, own: bool
) -> None:
    """As the reference says: with a user and leave to read its topic, both connections hold and a message is kept.
    With the node's user, the control, they push each other off, and `check` says so."""
    line_user = {"username": "home/hut-radio", "password": "blue"}
    server_user = {"username": "home/network-server", "password": "grey"}
    for name, auth in (("hut", NODE), ("line", line_user), ("server", server_user)):
        command = [need_program("mosquitto_passwd"), "-b", str(installed / "etc/mosquitto/underturf.passwords")]
        subprocess.run([*command, *auth.values()], check=True)
        (installed / name).write_text(auth["password"] + "\n")
    with (installed / "etc/mosquitto/underturf.acl").open("a") as acl:
        reader = line_user if own else NODE
        acl.write(f"\nuser {reader['username']}\ntopic read radio/+/up\n")
        acl.write(f"\nuser {server_user['username']}\ntopic write radio/+/up\n")
    more = RADIO
    if own:
        more += NODE_BROKER.format(place=installed).replace("[broker]", f"[line.broker]\nport = {free_port}")
        more = more.replace('"home/hut"', '"home/hut-radio"').replace('/hut"', '/line"')
    path = write_config(port=free_port, more=more + RADIO_PROBE)
    path.write_text(path.read_text().replace("[broker]\n", NODE_BROKER.format(place=installed), 1))
    assert main(["check", "--config", str(path)]) == 0
    assert ("push each other off" in capsys.readouterr().err) is not own

    with broker(installed, free_port, need_program("mosquitto")), contextlib.ExitStack() as ending:
        agent, stop = Agent(load_agent(path), SystemClock(trust_hardware=True)), threading.Event()
        ending.callback(agent.close)
        (radio,) = agent.uplinks
        states = set[tuple[str, str]]()

        def step() -> None:
            agent.step(stop, reads=False)
            radio.step()
            states.add((agent.publisher.state, radio.state))

        if not own:
            wait_for(
                lambda: any("connection ended" in word for pair in states for word in pair), within_s=30, step=step
            )
            return
        wait_for(lambda: ("up", "ok") in states, within_s=30, step=step)
        states.clear()
        until_s = time.monotonic() + UP_FOR_S
        tls = {"ca_certs": str(installed / "etc/mosquitto/certs/underturf.crt")}
        sent = json.dumps({"dev": "a1", "n": 1, "ts": time.time(), "values": [12.5, 8.25]})
        publish.single("radio/a1/up", sent, 1, hostname="localhost", port=free_port, auth=server_user, tls=tls)
        wait_for(lambda: time.monotonic() > until_s and "square-1/r1" in radio.devices, within_s=30, step=step)
        # no server runs here, which the publisher says in time; its connection and the line's have held
        assert {radio for _, radio in states} == {"ok"}
        assert all(mine == "up" or mine.startswith("away: no receipt") for mine, _ in states)
