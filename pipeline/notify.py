"""From the outbox of alert events to people: the log, and a webhook.

Every event is delivered at least once to every way, oldest first, with a stable id, so that a receiver can tell a
repeat: it comes only from a kill between the delivery and its record. A receiver that is away is tried for as long as
it takes; one that refuses is left after a few tries and its words are recorded. It runs in a thread of its own, so
that a dead receiver never holds up the readings, and decides nothing about alerts.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import random
import threading
from typing import Protocol

import httpx

from pipeline.backoff import Backoff
from pipeline.clock import Clock
from pipeline.config import NotifyConfig, read_secret
from pipeline.errors import PipelineFault
from pipeline.metrics import Metrics
from pipeline.store.journal import Event, Journal

log = logging.getLogger(__name__)

REQUEST_TIMEOUT_S = 10.0
RETRY_FIRST_S, RETRY_MOST_S = 1.0, 300.0
REFUSED_TRIES = 5  # a receiver may be set up while we try; after that its refusal stands
REFUSED_KEPT = 50
REFUSED_KEY = "notify/refused"
ANSWER_CHARACTERS = 300
EVENTS_A_STEP = 20
STOP_SEEN_S = 0.2
POLL_S = 15.0  # the worker wakes us; this is for what nobody told
TRY_AGAIN_STATUS = (408, 425, 429)  # refusals that mean "not now" (RFC 9110, 6585, 8470)


class NotifyAway(PipelineFault):
    """A receiver cannot be reached, or asks to be tried later."""


class NotifyRefused(PipelineFault):
    """A receiver does not want an event, and says why."""


class Way(Protocol):
    """One way to deliver events."""

    name: str

    def deliver(self, event: Event) -> None:
        """Deliver one event; raises NotifyAway or NotifyRefused."""
        ...

    def close(self) -> None:
        """Let go of what is held."""
        ...


class LogWay:
    """The service's log."""

    name = "log"

    def deliver(self, event: Event) -> None:
        log.warning("alert_%s id=%s text=%s", event.body.get("kind"), event.id, event.body.get("text"))

    def close(self) -> None:
        """Nothing to let go of."""


class WebhookWay:
    """An HTTP receiver: the event as JSON, its id as `Idempotency-Key`, and a signature when there is a secret.

    The signature is HMAC-SHA256 of the body in hexadecimal, in `Underturf-Signature` after `sha256=`.
    """

    name = "webhook"

    def __init__(self, config: NotifyConfig, *, timeout_s: float = REQUEST_TIMEOUT_S) -> None:
        self._config = config
        self._client = httpx.Client(timeout=timeout_s, trust_env=False)

    def deliver(self, event: Event) -> None:
        body = json.dumps({"id": event.id, "at_ms": event.at_ms, **event.body}, ensure_ascii=False).encode()
        headers = {"Content-Type": "application/json", "Idempotency-Key": event.id}
        try:
            if self._config.webhook_secret_file is not None:
                secret = read_secret(self._config.webhook_secret_file).encode()
                headers["Underturf-Signature"] = "sha256=" + hmac.new(secret, body, hashlib.sha256).hexdigest()
            answer = self._client.post(self._config.webhook, content=body, headers=headers)
        except (httpx.HTTPError, OSError) as err:
            raise NotifyAway(f"{self._config.webhook}: found {err or type(err).__name__}, expected an answer") from err
        except httpx.InvalidURL as err:
            raise NotifyRefused(f"{self._config.webhook}: found {err}, expected a web address") from err
        if answer.is_success:
            return
        said = f"{self._config.webhook}: found {answer.status_code} {answer.text[:ANSWER_CHARACTERS]!r}, expected 2xx"
        if answer.status_code >= 500 or answer.status_code in TRY_AGAIN_STATUS:
            raise NotifyAway(said)
        raise NotifyRefused(said)

    def close(self) -> None:
        self._client.close()


class _Line:
    """One way with its own patience, so that a dead webhook does not hold up the log."""

    def __init__(self, way: Way, rng: random.Random) -> None:
        self.way = way
        self.backoff = Backoff(RETRY_FIRST_S, RETRY_MOST_S, rng)
        self.not_before = 0.0
        self.refusals = 0
        self.away = ""


class Notifier:
    """Delivers what the journal's outbox of events holds.

    Parameters
    ----------
    journal : Journal
    ways : list of Way
    metrics : Metrics
    clock : Clock
    rng : random.Random
        Jitter of the waits.
    """

    def __init__(
        self, journal: Journal, ways: list[Way], metrics: Metrics, clock: Clock, *, rng: random.Random | None = None
    ) -> None:
        rng = random.Random() if rng is None else rng
        self._journal, self._metrics, self._clock = journal, metrics, clock
        self._lines = [_Line(way, rng) for way in ways]
        self._news = threading.Event()
        self._away = ""
        metrics.limits({"notify_refused_tries": REFUSED_TRIES, "notify_retry_seconds": RETRY_MOST_S})

    @classmethod
    def from_config(cls, config: NotifyConfig, journal: Journal, metrics: Metrics, clock: Clock) -> Notifier:
        """The ways that are switched on."""
        ways: list[Way] = [LogWay()] if config.log else []
        if config.webhook:
            ways.append(WebhookWay(config))
        return cls(journal, ways, metrics, clock)

    @property
    def away(self) -> dict[str, str]:
        """Why each way that is not well is not."""
        return {line.way.name: line.away for line in self._lines if line.away}

    def wake(self) -> None:
        """There is news, or it is time to stop."""
        self._news.set()

    def step(self, stop: threading.Event) -> None:
        """Deliver a few events on each way that is due, then wait for news or for the next try."""
        self._news.clear()
        try:
            busy = [line for line in self._lines if self._deliver(line, stop)]
            self._away = ""
        except PipelineFault as err:  # the journal, not a receiver
            if str(err) != self._away:
                log.warning("notify_waits reason=%s", err)
            self._away, busy = str(err), []
            self._metrics.faults.labels("notify").inc()
        if not busy:
            self._await_news(stop)

    def close(self) -> None:
        """Let go of the receivers. What is not delivered is delivered after the next start."""
        for line in self._lines:
            line.way.close()

    def _await_news(self, stop: threading.Event) -> None:
        until = self._clock.monotonic() + self._pause_s()
        while not stop.is_set() and (left := until - self._clock.monotonic()) > 0:
            if self._clock.wait(min(left, STOP_SEEN_S), self._news):
                return

    def _pause_s(self) -> float:
        now = self._clock.monotonic()
        return min([POLL_S, *(max(0.05, line.not_before - now) for line in self._lines if line.away)])

    def _deliver(self, line: _Line, stop: threading.Event) -> bool:
        """Whether there may be more to do at once."""
        if self._clock.monotonic() < line.not_before:
            return False
        events = self._journal.unsent(line.way.name, limit=EVENTS_A_STEP)
        self._metrics.outbox.labels(line.way.name).set(len(events))
        for event in events:
            if stop.is_set() or not self._deliver_one(line, event):
                return False
        return len(events) == EVENTS_A_STEP

    def _deliver_one(self, line: _Line, event: Event) -> bool:
        name = line.way.name
        try:
            line.way.deliver(event)
        except NotifyAway as err:
            self._put_off(line, str(err))
            return False
        except NotifyRefused as err:
            line.refusals += 1
            if line.refusals < REFUSED_TRIES:
                self._put_off(line, str(err))
                return False
            self._record_refusal(event, name, str(err))
        else:
            self._metrics.delivered.labels(name).inc()
        self._journal.mark_sent(event.id, name, self._clock.now_ms())
        line.refusals, line.not_before, line.away = 0, 0.0, ""
        line.backoff.reset()
        return True

    def _put_off(self, line: _Line, reason: str) -> None:
        if not line.away:
            log.warning("notify_away way=%s reason=%s", line.way.name, reason)
        line.away = reason
        line.not_before = self._clock.monotonic() + line.backoff.next_s()
        self._metrics.attempts_failed.labels(line.way.name).inc()

    def _record_refusal(self, event: Event, way: str, reason: str) -> None:
        log.error("notify_given_up way=%s id=%s reason=%s", way, event.id, reason)
        self._metrics.given_up.labels(way).inc()
        entry = {"id": event.id, "way": way, "at_ms": self._clock.now_ms(), "reason": reason}
        self._journal.save_alerts({REFUSED_KEY: {"events": [*self.refused(), entry][-REFUSED_KEPT:]}})

    def refused(self) -> list[dict[str, object]]:
        """The last events that a receiver refused for good, with its words."""
        kept = self._journal.alert_states().get(REFUSED_KEY, {}).get("events", [])
        return list(kept) if isinstance(kept, list) else []
