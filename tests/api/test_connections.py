"""Connections to the pages are bounded in number and time, whatever is sent on them or not read; pages stay alive."""

from __future__ import annotations

import resource
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import httpx
import pytest
from fastapi import Request
from fastapi.responses import Response

from api import connections, live
from api.app import create_app
from tests.api.served import serving
from tests.api.site import SETTINGS, Ground, MakeGround
from tests.pipeline.conftest import wait_until

ROOT = Path(__file__).parents[2]
HELD = 1200
GET = b"GET /api/v1/site HTTP/1.1\r\nHost: localhost\r\n\r\n"
POST = b"POST /api/v1/diary HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 60\r\n\r\n"
LIVE = b"GET /api/v1/live HTTP/1.1\r\nHost: localhost\r\n\r\n"


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Deadlines of a second in place of many."""
    for name in ("HEAD_WITHIN_S", "BODY_WITHIN_S", "READ_WITHIN_S"):
        monkeypatch.setattr(connections, name, 1.0)


@contextmanager
def open_to(address: str, *begins: bytes) -> Iterator[list[socket.socket]]:
    """A connection for each beginning, with that sent on it."""
    host, _, port = address.rpartition("/")[2].rpartition(":")
    with ExitStack() as stack:
        held = []
        for begin in begins:
            held.append(stack.enter_context(socket.create_connection((host, int(port)), timeout=20)))
            held[-1].sendall(begin)
        yield held


def gauge(ground: Ground, name: str, **labels: str) -> float:
    return ground.pipeline.metrics.registry.get_sample_value(f"underturf_pages_{name}", labels) or 0.0


def ended_after_s(connection: socket.socket, drip: bytes) -> float:
    """How long until the other end hangs up, while a byte is sent each 50 ms. [s]"""
    began = time.monotonic()
    connection.settimeout(0.05)
    while time.monotonic() - began < 10:
        try:
            if drip:
                connection.sendall(drip)
            if not connection.recv(65536):
                break
        except TimeoutError:
            continue
        except OSError:
            break
    return time.monotonic() - began


@pytest.mark.parametrize(
    ("begin", "drip"),
    [(b"", b""), (b"GET / HTTP/1.1\r\nX-A: ", b"a"), (POST + b"{", b" "), (GET + b"GET /a", b"a")],
    ids=["silent", "head", "body", "second head"],
)
def test_a_client_that_drips_is_ended_at_the_deadline(
    hasty: None, make_ground: MakeGround, begin: bytes, drip: bytes
) -> None:
    """A second for the whole is kept, though a byte comes each 50 ms; the end is counted."""
    ground = make_ground()
    with serving(ground.pipeline) as address, open_to(address, begin) as (connection,):
        assert 0.5 < ended_after_s(connection, drip) < 5.0
        wait_until(lambda: gauge(ground, "connections") == 0, "nothing is left of it")
    reason = "body" if begin.startswith(b"POST") else "head"
    assert gauge(ground, "connections_cut_total", reason=reason) == 1


def test_a_client_that_does_not_read_is_ended(hasty: None, make_ground: MakeGround) -> None:
    """An answer of 30 MB that nobody reads is cut off, while one that is read comes whole, if slowly."""
    ground = make_ground()
    app = create_app(ground.pipeline)
    whole = b"x" * 30_000_000

    @app.get("/long")
    def long(request: Request) -> Response:
        return Response(whole)

    with serving(ground.pipeline, app=app) as address:
        with open_to(address, b"GET /long HTTP/1.1\r\nHost: localhost\r\n\r\n"):
            wait_until(lambda: gauge(ground, "connections_cut_total", reason="reader") == 1, "it is ended", 20)
        with httpx.stream("GET", f"{address}/long", timeout=20, headers={"accept-encoding": "identity"}) as answer:
            came = 0
            for part in answer.iter_raw(1_000_000):
                came += len(part)
                time.sleep(0.06)  # 16 MB/s: two seconds, twice the deadline
        assert came == len(whole)


def test_a_connection_that_waits_makes_room_for_a_new_one(
    make_ground: MakeGround, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of ten that wait the one that came first goes; where all are at work the new one is told to come again."""
    monkeypatch.setattr(connections, "MOST_OF_AN_ADDRESS", 10)
    ground = make_ground()
    with serving(ground.pipeline) as address:
        with open_to(address, *[b""] * 10) as held:
            assert httpx.get(f"{address}/api/v1/site").status_code == 200
            assert held[0].recv(1) == b""  # the one that has waited longest
            held[-1].sendall(GET)
            assert held[-1].recv(12) == b"HTTP/1.1 200"
        wait_until(lambda: gauge(ground, "connections") == 0, "all have gone")
        with open_to(address, *[LIVE] * 10) as held:
            for one in held:
                assert one.recv(12) == b"HTTP/1.1 200"
            answer = httpx.get(f"{address}/api/v1/site")
            assert answer.status_code == 503 and int(answer.headers["retry-after"]) > 0
        assert gauge(ground, "connections_cut_total", reason="refused") == 1


def test_streams_are_bounded_by_address(make_ground: MakeGround, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of three from one address the third is refused with a word; one that ends makes room, and all are counted."""
    monkeypatch.setattr(live, "MOST_STREAMS_OF_AN_ADDRESS", 2)
    ground = make_ground()
    with serving(ground.pipeline) as address:
        with open_to(address, LIVE, LIVE) as held:
            for one in held:
                assert one.recv(12) == b"HTTP/1.1 200"
            answer = httpx.get(f"{address}/api/v1/live")
            assert answer.status_code == 503 and answer.json()["title"] == "Too many streams"
            assert int(answer.headers["retry-after"]) > 0
            assert gauge(ground, "live_streams") == 2
        wait_until(lambda: gauge(ground, "live_streams") == 0, "both are known to have ended")
        with open_to(address, LIVE) as (one,):
            assert one.recv(12) == b"HTTP/1.1 200"
        assert gauge(ground, "live_streams_refused_total") == 1


@contextmanager
def program(settings: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The real `underturf serve`, with as many open files as a login gives."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (1024, 1024))

    with (settings.parent / "serve.log").open("wb") as log:
        server = subprocess.Popen(
            [sys.executable, "-m", "api.command", "serve", "--config", str(settings)],
            cwd=ROOT, stderr=log, stdout=log, preexec_fn=limit,
        )  # fmt: skip
    try:
        yield server
    finally:
        server.terminate()
        server.wait(30)


def test_pages_are_alive_under_1200_held_connections(tmp_path: Path, free_port: int) -> None:
    """Silent ones, heads that never end and streams, 400 each, held against the real program: every page answers.

    The program may open 1024 files, fewer than there are connections.
    """
    settings, address = tmp_path / "underturf.toml", f"http://127.0.0.1:{free_port}"
    settings.write_text(f"{SETTINGS}[pages]\nport = {free_port}\n[broker]\nport = {free_port + 1}\n")
    resource.setrlimit(resource.RLIMIT_NOFILE, (4096, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))
    with program(settings) as server:

        def ready() -> bool:
            try:
                return httpx.get(f"{address}/readyz").status_code == 200
            except httpx.HTTPError:
                return False

        wait_until(lambda: server.poll() is not None or ready(), "it is ready", 60)
        taken_s = []
        with open_to(address, *[b"", b"GET / HTTP/1.1\r\nHost:", LIVE] * (HELD // 3)):
            for path in ("/", "/work", "/stations/s1", "/healthz", "/api/v1/now"):
                began = time.monotonic()
                assert httpx.get(f"{address}{path}", timeout=20).status_code == 200
                taken_s.append(time.monotonic() - began)
            text = httpx.get(f"{address}/metrics", timeout=20).text
        assert server.poll() is None
    most = float(text.partition("\nunderturf_pages_connections ")[2].partition("\n")[0])
    assert 0 < most <= connections.MOST_OF_AN_ADDRESS
    print(f"{HELD} held: pages in {max(taken_s):.2f} s at most, {most:.0f} connections open")
