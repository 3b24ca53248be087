"""The broker's settings as shipped, read by the real mosquitto where the distribution puts them."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt import publish, subscribe

from tests.probe_agent.conftest import wait_for

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
    return tmp_path


def test_settings_start_beside_the_default_and_keep_receipts(
    installed: Path, free_port: int, need_program: Callable[[str], str]
) -> None:
    """mosquitto takes both files; a receipt given over TLS is there for its node after a restart of the broker."""
    tls = {"ca_certs": str(installed / "etc/mosquitto/certs/underturf.crt")}
    receipt = "underturf/1/home/hut/receipt"

    @contextmanager
    def broker() -> Iterator[None]:
        command = [need_program("mosquitto"), "-c", str(installed / "etc/mosquitto/mosquitto.conf")]
        with (installed / "errors").open("w") as errors:
            process = subprocess.Popen(command, stderr=errors)

        def listens() -> bool:
            assert process.poll() is None, (installed / "errors").read_text()
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", free_port), 0.2):
                return True
            return False

        try:
            wait_for(listens)
            yield
        finally:
            process.terminate()
            process.wait(20)

    with broker():
        publish.single(receipt, "{}", 1, retain=True, hostname="localhost", port=free_port, auth=PIPELINE, tls=tls)
    with broker():
        message = subscribe.simple(receipt, 1, hostname="localhost", port=free_port, auth=NODE, tls=tls)
    assert (message.payload, message.retain) == (b"{}", True)
