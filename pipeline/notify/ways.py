"""The ways news leaves by: each delivers one thing once, and says whether it was taken, may be tried again, or refused.

A way keeps nothing and does not try again: order, patience and records are `notify`'s. Ways to machines (log, webhook,
MQTT) are handed alert events, ways to people are handed messages; `addresses` makes the latter from a secret file.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import logging
import threading
from pathlib import Path
from typing import Protocol, TypeVar

import httpx

from pipeline.advice.manners import Message
from pipeline.clock import Clock
from pipeline.config import NotifyConfig, read_secret
from pipeline.errors import PipelineFault
from pipeline.store.journal import Event

log = logging.getLogger(__name__)

REQUEST_TIMEOUT_S = 10.0
ANSWER_CHARACTERS = 300
TRY_AGAIN_STATUS = (408, 425, 429)  # refusals that mean "not now" (RFC 9110, 6585, 8470)

_Handed = TypeVar("_Handed", contravariant=True)


class NotifyAway(PipelineFault):
    """A receiver cannot be reached, or asks to be tried later."""


class NotifyRefused(PipelineFault):
    """A receiver does not want what it is handed, and says why."""


class Way(Protocol[_Handed]):
    """One way to deliver."""

    name: str

    def deliver(self, handed: _Handed) -> None:
        """Deliver one event or message; raises NotifyAway or NotifyRefused."""
        ...

    def close(self) -> None:
        """Let go of what is held."""
        ...


class LogWay:
    """The service's log."""

    name = "log"

    def deliver(self, handed: Event) -> None:
        log.warning("alert_%s id=%s text=%s", handed.body.get("kind"), handed.id, handed.body.get("text"))

    def close(self) -> None:
        """Nothing to let go of."""


class _Http:
    """POSTs JSON with an `Idempotency-Key`, and a signature where there is a secret."""

    def __init__(self, address: str, secret_file: Path | None, timeout_s: float) -> None:
        self._address, self._secret_file, self._timeout_s = address, secret_file, timeout_s
        self._client: httpx.Client | None = None  # made when there is something to send

    def post(self, key: str, told: dict[str, object], *, called: str) -> None:
        """POST once; `called` stands for the address in what is said of it."""
        body = json.dumps(told, ensure_ascii=False).encode()
        headers = {"Content-Type": "application/json", "Idempotency-Key": key}
        try:
            if self._secret_file is not None:
                secret = read_secret(self._secret_file).encode()
                headers["Underturf-Signature"] = "sha256=" + hmac.new(secret, body, hashlib.sha256).hexdigest()
            if self._client is None:
                self._client = httpx.Client(timeout=self._timeout_s, trust_env=False)
            answer = self._client.post(self._address, content=body, headers=headers)
        except (httpx.HTTPError, OSError) as err:
            raise NotifyAway(f"{called}: found {err or type(err).__name__}, expected an answer") from err
        except httpx.InvalidURL as err:
            raise NotifyRefused(f"{called}: found {err}, expected a web address") from err
        if answer.is_success:
            return
        said = f"{called}: found {answer.status_code} {answer.text[:ANSWER_CHARACTERS]!r}, expected 2xx"
        raise (NotifyAway if not_now(answer.status_code) else NotifyRefused)(said)

    def close(self) -> None:
        if self._client is not None:
            self._client.close()


def not_now(status: int) -> bool:
    """Whether an HTTP status asks for another try later."""
    return status >= 500 or status in TRY_AGAIN_STATUS


class WebhookWay:
    """An HTTP receiver: the event as JSON, its id as `Idempotency-Key`, and a signature when there is a secret.

    The signature is HMAC-SHA256 of the body in hexadecimal, in `Underturf-Signature` after `sha256=`.
    """

    name = "webhook"

    def __init__(self, config: NotifyConfig, *, timeout_s: float = REQUEST_TIMEOUT_S) -> None:
        self._called = config.webhook
        self._http = _Http(config.webhook, config.webhook_secret_file, timeout_s)

    def deliver(self, handed: Event) -> None:
        self._http.post(handed.id, _told(handed), called=self._called)

    def close(self) -> None:
        self._http.close()


class HttpWay:
    """An HTTP receiver of messages to people: the message as JSON, its id as `Idempotency-Key`.

    The address may hold a secret: it is never shown, `host` stands for it.
    """

    def __init__(self, name: str, address: str, host: str, *, timeout_s: float = REQUEST_TIMEOUT_S) -> None:
        self.name = name
        self._host = host
        self._http = _Http(address, None, timeout_s)

    def deliver(self, handed: Message) -> None:
        words = {"subject": handed.subject, "lines": list(handed.lines), "events": list(handed.news)}
        told: dict[str, object] = {"id": handed.id, "at_ms": handed.at_ms, "kind": handed.kind, **words}
        self._http.post(handed.id, told, called=self._host)

    def close(self) -> None:
        self._http.close()


class Teller(Protocol):
    """Whoever can publish to the site's broker."""

    connected: bool

    def tell(self, key: str, payload: bytes) -> threading.Event:
        """Publish once for each key; the event is set when the broker has it."""
        ...

    def told(self, key: str) -> None:
        """Forget a key."""
        ...


class MqttWay:
    """The site's own broker, QoS 1: the event as JSON on `underturf/1/SITE/alerts`."""

    name = "mqtt"

    def __init__(self, teller: Teller, clock: Clock, *, timeout_s: float = REQUEST_TIMEOUT_S) -> None:
        self._teller, self._clock, self._timeout_s = teller, clock, timeout_s

    def deliver(self, handed: Event) -> None:
        if not self._teller.connected:
            raise NotifyAway("mqtt: found no connection to the broker, expected one")
        taken = self._teller.tell(handed.id, json.dumps(_told(handed), ensure_ascii=False).encode())
        if not self._clock.wait(self._timeout_s, taken):
            raise NotifyAway(f"mqtt: found no acknowledgement in {self._timeout_s:g} s, expected one")
        self._teller.told(handed.id)

    def close(self) -> None:
        """The connection is not ours."""


def _told(event: Event) -> dict[str, object]:
    return {"id": event.id, "at_ms": event.at_ms, **event.body}
