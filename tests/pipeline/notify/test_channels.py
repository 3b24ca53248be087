"""Alert events over MQTT, with real brokers. What is expected is what a client of the plain library hears."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from typing import Any

import pytest

from pipeline.mqtt.broker import EmbeddedBroker
from pipeline.mqtt.ingest import Ingest
from pipeline.notify.channels import MqttWay, NotifyAway
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import Metrics
from pipeline.site.server import BrokerConfig
from pipeline.store.journal import Event
from tests.pipeline.mqtt.test_ingest import plain_client

Until = Callable[..., None]
Steps = Callable[[Any], Any]
TOPIC = "underturf/1/meadow/alerts"


def event(number: int) -> Event:
    return Event(f"e-{number}", 1_780_000_000_000 + number, {"kind": "opened", "text": f"thatch is wet {number}"})


class OutOfPatience(SystemClock):
    """A clock whose every wait is over before what it waits for has come."""

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return False


@pytest.fixture
def ingest(free_port: int) -> Ingest:
    return Ingest(BrokerConfig(port=free_port), "meadow", Metrics(), SystemClock())


def test_an_event_reaches_whoever_listens_at_the_sites_broker(
    any_broker: EmbeddedBroker, ingest: Ingest, free_port: int, stepping: Steps, until: Until
) -> None:
    """Each event once, in order, as JSON with its id, under both embedded brokers."""
    with stepping(ingest), plain_client(free_port, [TOPIC], until) as (_, heard):
        until(lambda: ingest.connected, "the pipeline is connected")
        way = MqttWay(ingest, SystemClock())
        for number in range(3):
            way.deliver(event(number))
        until(lambda: len(heard) >= 3, "all have come")
    told = [json.loads(m.payload) for m in heard]
    assert told == [{"id": e.id, "at_ms": e.at_ms, **e.body} for e in map(event, range(3))]


def test_without_a_broker_the_way_is_away(ingest: Ingest) -> None:
    """Not connected: away at once, and nothing is left behind for later."""
    with pytest.raises(NotifyAway, match="no connection"):
        MqttWay(ingest, SystemClock()).deliver(event(1))
    assert not ingest._words
    ingest.close()


def test_an_event_tried_again_is_published_once(
    real_broker: EmbeddedBroker, ingest: Ingest, free_port: int, stepping: Steps, until: Until
) -> None:
    """No acknowledgement in time is tried again; the broker gets the event once all the same."""
    with stepping(ingest), plain_client(free_port, [TOPIC], until) as (_, heard):
        until(lambda: ingest.connected, "the pipeline is connected")
        impatient = MqttWay(ingest, OutOfPatience())
        with pytest.raises(NotifyAway, match="no acknowledgement"):
            impatient.deliver(event(1))
        MqttWay(ingest, SystemClock()).deliver(event(1))
        MqttWay(ingest, SystemClock()).deliver(event(2))
        until(lambda: len(heard) >= 2, "both have come")
    assert [json.loads(m.payload)["id"] for m in heard] == ["e-1", "e-2"]
