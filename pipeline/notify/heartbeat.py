"""A sign of life to an address elsewhere, by which a box that is dead or cut off is noticed: it can say so no more."""

from __future__ import annotations

import json
import random
import threading
from collections.abc import Callable

from pipeline.notify.channels import ANSWER_BYTES, DELIVERY_TIMEOUT_S, shown_host, without_secrets
from pipeline.run.backoff import Outage
from pipeline.run.clock import Clock
from pipeline.run.metrics import Metrics
from pipeline.run.web import WebFault, ask

LIFE_LOOK_S = 5.0  # while readings cannot be kept


class Heartbeat:
    """Posts the name of the site and the time at an interval, as long as readings can be taken and kept.

    Parameters
    ----------
    address : str
        Of the receiver; shown by its host alone.
    every_s : float
        [s]
    site : str
    alive : callable
        Whether readings can be taken and kept.
    metrics : Metrics
    clock : Clock
    timeout_s : float
        [s]
    """

    def __init__(
        self, address: str, every_s: float, site: str, alive: Callable[[], bool], metrics: Metrics, clock: Clock,
        *, timeout_s: float = DELIVERY_TIMEOUT_S,
    ) -> None:  # fmt: skip
        self.beating = Outage("heartbeat", metrics, random.Random())
        self._address, self._every_s, self._site, self._alive = address, every_s, site, alive
        self._sent, self._clock, self._timeout_s = metrics.heartbeats, clock, timeout_s

    def step(self, stop: threading.Event) -> None:
        """Send one sign of life if there is life, then wait for the next."""
        wait_s = LIFE_LOOK_S
        if self._alive():
            try:
                self._send()
            except WebFault as fault:
                wait_s = min(self._every_s, self.beating.begins(fault))
            else:
                self.beating.ends()
                self._sent.inc()
                wait_s = self._every_s
        self._clock.wait(wait_s, stop)

    def close(self) -> None:
        """Nothing is held between two signs."""

    def _send(self) -> None:
        body = json.dumps({"site": self._site, "at_ms": self._clock.now_ms()}).encode()
        where = shown_host(self._address)
        try:
            answer = ask(
                "POST", self._address, within_s=self._timeout_s, max_bytes=ANSWER_BYTES, body=body, whole=False,
                headers={"Content-Type": "application/json"},
            )  # fmt: skip
        except WebFault as err:
            raise WebFault(f"{where}: {err}") from err
        if not 200 <= answer.status < 300:
            words = without_secrets(answer.body.decode(errors="replace"), self._address)[:100]
            raise WebFault(f"{where}: found {answer.status} {words!r}, expected 2xx")
