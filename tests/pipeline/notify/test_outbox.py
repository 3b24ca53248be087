"""Delivery of alert events: at least once, in order, with a stable id, whatever the receiver does."""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import random
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import StoreAway
from pipeline.notify.channels import LogWay, webhook_way
from pipeline.notify.outbox import REFUSED_TRIES, EventOutbox, Notifier
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import Metrics
from pipeline.site.server import NotifyConfig
from pipeline.store.journal import Event, Journal
from pipeline.store.sql import SqlDatabase

Until = Callable[..., None]
Steps = Callable[[Any], Any]


@dataclass
class Receiver:
    """A real HTTP receiver that answers from a list of statuses, then with 200."""

    answers: list[int] = field(default_factory=list)
    heard: list[tuple[int, str, bytes, str]] = field(default_factory=list)  # status, key, body, signature
    address: str = ""

    def accepted(self) -> list[str]:
        return [key for status, key, _, _ in self.heard if status == 200]


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    state = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            status = state.answers.pop(0) if state.answers else 200
            state.heard.append(
                (status, self.headers["Idempotency-Key"], body, self.headers.get("Underturf-Signature", ""))
            )
            self.send_response(status)
            self.end_headers()
            self.wfile.write(b"no such hook" if status == 404 else b"")

        def log_message(self, format: str, *args: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        state.address = f"http://127.0.0.1:{server.server_address[1]}/hook"
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield state
        server.shutdown()
        thread.join()


@pytest.fixture
def journal(database: SqlDatabase) -> Journal:
    return Journal(database)


def event(number: int) -> Event:
    return Event(
        f"event-{number}", 1_700_000_000_000 + number, {"kind": "opened", "text": f"thatch holds water {number}"}
    )


def notifier(journal: Journal, address: str, metrics: Metrics | None = None, **more: Any) -> Notifier:
    webhook = webhook_way(NotifyConfig(webhook=address, **more), timeout_s=5.0)
    ways = [(webhook, EventOutbox(journal, webhook.name))]
    made = Notifier(journal, ways, metrics or Metrics(), SystemClock(), rng=random.Random(1))
    for line in made._lines:
        line.backoff.first_s = line.backoff.most_s = 0.01
    return made


def test_events_reach_the_webhook_once_in_order_with_their_id(
    journal: Journal, receiver: Receiver, stepping: Steps, until: Until
) -> None:
    """Forty events arrive in the order they came about, each with its own key and its words."""
    journal.save_alerts({}, [event(i) for i in range(40)])
    with stepping(notifier(journal, receiver.address)):
        until(lambda: not journal.unsent("webhook"), "all are delivered")
    assert receiver.accepted() == [f"event-{i}" for i in range(40)]
    assert json.loads(receiver.heard[7][2])["text"] == "thatch holds water 7"


def test_a_receiver_that_fails_and_recovers_gets_every_event_with_the_same_id(
    journal: Journal, receiver: Receiver, stepping: Steps, until: Until
) -> None:
    """Server errors and "too many" are tried again with the same key; nothing is lost and nothing overtakes."""
    receiver.answers = [500, 503, 500, 502, 500, 429, 408, 200, 502]  # more than the tries a refusal is given
    metrics = Metrics()
    journal.save_alerts({}, [event(1), event(2)])
    with stepping(notifier(journal, receiver.address, metrics)) as sender:
        until(lambda: not journal.unsent("webhook"), "both are delivered")
        assert sender.away == {}
    assert receiver.accepted() == ["event-1", "event-2"]
    assert [key for _, key, _, _ in receiver.heard] == ["event-1"] * 8 + ["event-2"] * 2
    assert metrics.registry.get_sample_value("underturf_notify_attempts_failed_total", {"way": "webhook"}) == 8


def test_a_refusal_is_recorded_with_its_text_and_lets_the_next_event_through(
    journal: Journal, receiver: Receiver, stepping: Steps, until: Until
) -> None:
    """After a few refusals the event is given up with the receiver's words, and only that event."""
    receiver.answers = [404] * REFUSED_TRIES
    journal.save_alerts({}, [event(1), event(2)])
    with stepping(notifier(journal, receiver.address)) as sender:
        until(lambda: not journal.unsent("webhook"), "the outbox is empty")
    assert receiver.accepted() == ["event-2"]
    (refused,) = sender.refused()
    assert refused["id"] == "event-1"
    assert "404 'no such hook'" in str(refused["reason"])


def test_a_dead_receiver_does_not_hold_up_the_log(
    journal: Journal, free_port: int, stepping: Steps, until: Until, caplog: pytest.LogCaptureFixture
) -> None:
    """With nobody at the webhook's address the log still has the event; the webhook's stays in the outbox."""
    journal.save_alerts({}, [event(1)])
    webhook = webhook_way(NotifyConfig(webhook=f"http://127.0.0.1:{free_port}/"))
    ways = [(way, EventOutbox(journal, way.name)) for way in (webhook, LogWay())]
    sender = Notifier(journal, ways, Metrics(), SystemClock(), rng=random.Random(1))
    with caplog.at_level(logging.WARNING, "pipeline.notify.outbox.channels"), stepping(sender):
        until(lambda: not journal.unsent("log"), "the log has it")
        until(lambda: "webhook" in sender.away, "the webhook is known to be away")
        sender.wake()
    assert any("thatch holds water 1" in record.getMessage() for record in caplog.records)
    assert [e.id for e in journal.unsent("webhook")] == ["event-1"]


def test_a_kill_before_the_record_repeats_the_event_with_the_same_id(
    journal: Journal, receiver: Receiver, stepping: Steps, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Delivered but not recorded is delivered again: at least once, and the key tells the repeat."""
    journal.save_alerts({}, [event(1)])
    with monkeypatch.context() as patch:

        def lost(*_: object) -> None:
            raise StoreAway("the disk is away")

        patch.setattr(journal, "mark_sent", lost)
        with stepping(notifier(journal, receiver.address)) as sender:
            until(lambda: receiver.heard, "it is delivered")
            sender.wake()
    with stepping(notifier(journal, receiver.address)):
        until(lambda: not journal.unsent("webhook"), "it is recorded")
    keys = receiver.accepted()
    assert len(keys) >= 2 and set(keys) == {"event-1"}


def test_news_wakes_the_notifier(journal: Journal, receiver: Receiver, stepping: Steps, until: Until) -> None:
    """An event that comes about while the notifier waits leaves at once, not at the next look."""
    with stepping(notifier(journal, receiver.address)) as sender:
        journal.save_alerts({}, [event(1)])
        sender.wake()
        until(lambda: receiver.accepted() == ["event-1"], "it is delivered", 5.0)
        sender.wake()


def test_the_signature_is_the_hmac_of_the_body(
    journal: Journal, receiver: Receiver, stepping: Steps, until: Until, tmp_path: Path
) -> None:
    """A receiver that knows the secret can check who sent it; computed here by the standard library."""
    secret = tmp_path / "secret"
    secret.write_text("under the turf\n")
    journal.save_alerts({}, [event(1)])
    with stepping(notifier(journal, receiver.address, webhook_secret_file=secret)):
        until(lambda: receiver.heard, "it is delivered")
    _, _, body, signature = receiver.heard[0]
    assert signature == "sha256=" + hmac.new(b"under the turf", body, hashlib.sha256).hexdigest()
