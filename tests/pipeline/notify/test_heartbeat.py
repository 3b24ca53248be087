"""A sign of life goes out while readings can be kept, stops when they cannot, and what keeps it back is said."""

from __future__ import annotations

import json
import threading
from typing import Any

import pytest

from pipeline.notify.heartbeat import LIFE_LOOK_S, Heartbeat
from pipeline.run.metrics import Metrics
from tests.pipeline.hand import HandClock
from tests.pipeline.receivers import HttpServer, http_server


class Waits(HandClock):
    """A clock that notes how long it was asked to wait, and does not."""

    def __init__(self) -> None:
        super().__init__(1_780_000_000_000)
        self.waits: list[float] = []

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        self.waits.append(seconds)
        return False


def beats(address: str, alive: list[bool], **more: Any) -> tuple[Heartbeat, Waits, Metrics]:
    clock, metrics = Waits(), Metrics()
    made = Heartbeat(address, 300.0, "meadow", lambda: alive[0], metrics, clock, timeout_s=5.0)
    return made, clock, metrics


def test_a_sign_goes_out_only_while_there_is_life() -> None:
    """Site and time in JSON at the interval; nothing while readings cannot be kept, and again when they can."""
    alive, stop = [True], threading.Event()
    with http_server() as server:
        beat, clock, metrics = beats(f"http://{server.address}/key-1234567890", alive)
        for alive[0] in (True, False, False, True):
            beat.step(stop)
    assert [json.loads(body) for _, body in server.heard] == [{"site": "meadow", "at_ms": 1_780_000_000_000}] * 2
    assert clock.waits == [300.0, LIFE_LOOK_S, LIFE_LOOK_S, 300.0]
    assert metrics.registry.get_sample_value("underturf_heartbeats_sent_total") == 2


@pytest.mark.parametrize("status", [404, 503])
def test_a_receiver_that_does_not_take_it_is_said_without_the_secret(status: int) -> None:
    """Tried again in less than a minute; health has the host and the status, not the path."""
    with http_server(HttpServer(answers=[status])) as server:
        beat, clock, _ = beats(f"http://user:word@{server.address}/key-1234567890", [True])
        beat.step(threading.Event())
        assert f"found {status}" in beat.beating.reason and "127.0.0.1" in beat.beating.reason
        assert "key-123" not in beat.beating.reason and "word" not in beat.beating.reason
        assert clock.waits[0] < 60.0
        beat.step(threading.Event())
        assert beat.beating.reason == ""


def test_no_receiver_is_said(free_port: int) -> None:
    """Nobody there: the host and what the network says."""
    beat, _, _ = beats(f"http://127.0.0.1:{free_port}/key-1234567890", [True])
    beat.step(threading.Event())
    assert "127.0.0.1: found no answer" in beat.beating.reason and "key-1" not in beat.beating.reason
