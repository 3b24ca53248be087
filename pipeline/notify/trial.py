"""A test message on every way, to see that the settings are right before an alert depends on them.

It goes past the outbox and records nothing, so it may run beside the service. What goes wrong is told, not tried again.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from pipeline.mqtt.ingest import Ingest
from pipeline.notify.channels import NotifyAway, NotifyRefused, Way
from pipeline.notify.outbox import machine_ways
from pipeline.notify.policy import Message
from pipeline.run.clock import Clock
from pipeline.run.metrics import Metrics
from pipeline.site.models import SiteConfig
from pipeline.store.journal import Event

CONNECT_S, LOOK_S = 10.0, 0.05
TEXT = "This is a test from Underturf. Nothing is to be done."


class Fared(NamedTuple):
    """How one way fared; `fault` is empty when the test message was taken."""

    way: str
    fault: str


def try_ways(config: SiteConfig, clock: Clock) -> list[Fared]:
    """Send a test message on every way of the settings, one after the other.

    Raises
    ------
    ConfigFault
        With every line of the addresses file that is no address.
    """
    now_ms = clock.now_ms()
    name, subject = f"test-{config.site.name}-{now_ms}", f"{config.site.title}: test message"
    event = Event(name, now_ms, {"kind": "test", "rule": "test", "site": config.site.name, "text": TEXT})
    message = Message(name, now_ms, "test", False, subject, (TEXT,))
    people = _people(config)
    with _guest(config, clock) as guest:
        fared = [_try(way, way.name, event) for way in machine_ways(config, guest, clock)]
    return [*fared, *(_try(way, called, message) for called, way in people)]


def _people(config: SiteConfig) -> list[tuple[str, Way[Message]]]:
    file = config.notify.addresses_file
    if file is None:
        return []
    from pipeline.notify.channels import people_ways

    return [(f"{way.name} ({file.name}, line {line})", way) for line, way in people_ways(file)]


def _try(way: Way[Any], called: str, handed: Event | Message) -> Fared:
    try:
        way.deliver(handed)
    except (NotifyAway, NotifyRefused) as err:
        return Fared(called, str(err))
    finally:
        way.close()
    return Fared(called, "")


@contextmanager
def _guest(config: SiteConfig, clock: Clock) -> Iterator[Ingest]:
    """A connection to the site's broker beside that of the service, where one is needed."""
    guest = Ingest(config.broker, config.site.name, Metrics(), clock, guest=True)
    if not config.notify.mqtt:
        yield guest
        guest.close()
        return
    stop = threading.Event()

    def run() -> None:
        while not stop.is_set():
            guest.step(stop)
        guest.close()

    thread = threading.Thread(target=run, name="notify-test")
    thread.start()
    try:
        end = clock.monotonic() + CONNECT_S
        while not guest.connected and clock.monotonic() < end:
            clock.wait(LOOK_S, stop)
        yield guest
    finally:
        stop.set()
        thread.join()
