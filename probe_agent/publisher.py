"""Sends the outbox to the broker, oldest batch first, and passes the pipeline's receipts to the outbox.

Only a receipt frees readings: a broker's acknowledgement proves neither storage nor permission. The network thread of a
connection records events, and all decisions are made in `step`. Time is monotonic.
"""

from __future__ import annotations

import json
import random
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from hardware.machine_clock import ClockNote
from hardware.reading import (
    DEFLATE_FROM_BYTES,
    BadBatch,
    LiveReading,
    Notice,
    Receipt,
    decode_notice,
    decode_receipt,
    deflate,
    encode_batch,
    encode_live,
    live_topic,
    readings_topic,
    status_topic,
)
from probe_agent import __version__
from probe_agent.config import AgentConfig
from probe_agent.faults import BackOff
from probe_agent.mqtt import CONNECT_WITHIN_S, PublisherConnection
from probe_agent.outbox import Outbox

NOT_YET = "not connected yet"
NOT_CONNECTED = f"away: {NOT_YET}"
NOTICE_WITHIN_S = 15.0  # a server that has not answered the status by then is older, or busy
STATUS_EVERY_S = 30.0  # a changed backlog alone is told no more often
MOST_PATIENCE = 8  # times the receipt timeout: resends that a slow server drowns in would keep it slow
TIMEOUTS_BEFORE_RECONNECT = 3  # resends without a receipt before the connection itself is given up
RETAINED_WITHIN_S = 1.0  # from connecting to the retained receipt, which says what the pipeline takes


@dataclass(frozen=True, slots=True)
class _SentBatch:
    first: int
    last: int
    at: float
    mid: int


class Publisher:
    """Outbox to broker, and receipts back.

    Parameters
    ----------
    config : AgentConfig
    outbox : Outbox
    monotonic : callable
        Steady real time. [s]
    chance : callable
        Gives numbers from 0 to 1 for the jitter of the back-off.

    Attributes
    ----------
    state : str
        `up`, or `away: reason`.
    health : mapping of str to float
        What the status tells of this machine; whoever sets it says by that how often it is told.
    devices : mapping of str to mapping
        The same of the radio nodes heard, by `station/probe`.
    sleeps : bool
        Whether the node leaves to sleep until a timer wakes it, so that its silence is no fault.
    server : str
        How the pipeline is older than this agent, as its receipts show; empty where it is not.
    sent, resends, bad_receipts : int
        Batches handed to the client, times all without a receipt was sent again, receipts not understood.
    """

    def __init__(
        self,
        config: AgentConfig,
        outbox: Outbox,
        *,
        monotonic: Callable[[], float],
        chance: Callable[[], float] = random.random,
    ) -> None:
        self.state = NOT_CONNECTED
        self.server = ""
        self.health: Mapping[str, float] = {}
        self.devices: Mapping[str, Mapping[str, float]] = {}
        self.sleeps = False
        self.sent = self.resends = self.bad_receipts = 0
        self._config = config
        self._outbox = outbox
        self._monotonic = monotonic
        self._units = {f"{p.id}/{c.name}": c.heard for p in config.probes for c in p.description.channels}
        self._connection: PublisherConnection | None = None
        self._not_before = float("-inf")
        self._back_off = BackOff(chance)
        self._in_flight: deque[_SentBatch] = deque()
        self._sent_to = 0
        self._progress_at = 0.0
        self._timeouts = 0
        self._given_up = 0  # connections without one receipt from a server that runs, in a row
        self._status: dict[str, object] = {}
        self._status_at = float("-inf")
        self._clock: dict[str, object] = {}
        self._stations = sorted({p.station for p in config.probes})

    def notice(self) -> Notice | None:
        """Return what the server has told since the last call, its time as of now; None where it told nothing."""
        connection = self._connection
        told = None if connection is None else connection.notice
        if connection is None or told is None:
            return None
        connection.notice = None
        payload, at_s = told
        try:
            notice = decode_notice(payload)
        except BadBatch:
            self.bad_receipts += 1
            return None
        waited_ms = round((self._monotonic() - at_s) * 1000)
        return notice if notice.now_ms is None else replace(notice, now_ms=notice.now_ms + waited_ms)

    @property
    def awaits_notice(self) -> bool:
        """Whether the server may still tell the time before readings go: it answers the first status at once."""
        connection = self._connection
        if connection is None or not connection.is_open:
            return True
        return not connection.noticed and self._monotonic() - connection.opened_at < NOTICE_WITHIN_S

    def publish_live(self, live: LiveReading) -> None:
        """Send what somebody looks at; lost where the broker is away."""
        if self._connection is not None and self._connection.is_open:
            self._connection.publish(live_topic(self._config.site, self._config.node), encode_live(live), qos=0)

    def use(self, outbox: Outbox) -> None:
        """Continue with another outbox, after the first was damaged."""
        self._outbox = outbox
        self._rewind()

    def step(
        self,
        *,
        hold: ClockNote | None = None,
        lines: Mapping[str, str] | None = None,
        clock: Mapping[str, object] | None = None,
    ) -> None:
        """Do what can be done now, without waiting.

        Parameters
        ----------
        hold : ClockNote, optional
            Do not send what this boot sampled before its clock was set.
        lines : mapping of str to str, optional
            State of each line, for the status.
        clock : mapping, optional
            What is known of the node's time, for the status.

        Raises
        ------
        OutboxFull, OutboxDamaged
            From the outbox; the step can be repeated.
        """
        now = self._monotonic()
        self._clock = dict(clock or {})
        connection = self._connection
        if connection is None:
            if now >= self._not_before:
                self._connect(now)
            return
        if connection.closed is not None:
            self._lost(connection.closed, now)
        elif not connection.is_open:
            if now - connection.since > CONNECT_WITHIN_S:
                self._lost("no answer to the connection request", now)
        else:
            self._serve(connection, now, hold, lines or {})

    @property
    def receipt_within_s(self) -> float:
        """How long a receipt is waited for now: twice as long for each connection given up in vain, up to a limit, and
        as at first once any receipt has come that the broker had not kept from before."""
        return self._config.broker.receipt_timeout_s * min(1 << min(self._given_up, 8), MOST_PATIENCE)

    @property
    def is_told(self) -> bool:
        """Whether the broker has been handed the status on this connection."""
        return self.state == "up" and bool(self._status)

    def acknowledged(self, first: int, last: int) -> None:
        """Note a broker's acknowledgement of a batch. It proves nothing, so nothing is freed."""

    def stop(self, *, lines: Mapping[str, str] | None = None) -> None:
        """Publish the status `down` and close; at most about FAREWELL_S."""
        if self._connection is not None:
            if self._connection.is_open and self._connection.closed is None:
                self._connection.farewell(self._status_payload("down", lines or {}))
            self._connection.let_go()
            self._connection = None
        self.state = "away: stopped"

    # --- connection ----------------------------------------------------------------------------------------------

    def _connect(self, now: float) -> None:
        try:
            self._connection = PublisherConnection(self._config, now, self._monotonic, self._outbox.outbox_id)
        except (OSError, ValueError) as err:  # a certificate or password file that cannot be used
            self._lost(str(err), now)

    def _lost(self, reason: str, now: float) -> None:
        if self._connection is not None:
            if self._connection.is_open:
                self._back_off.succeeded()
            self._connection.let_go()
            self._connection = None
        self._not_before = now + self._back_off.failed()
        self.state = f"away: {reason}"

    def _serve(
        self, connection: PublisherConnection, now: float, hold: ClockNote | None, lines: Mapping[str, str]
    ) -> None:
        if self.state != "up":
            self.state = "up"
            connection.opened_at = now
            self._status = {}
            self._timeouts = 0
            self._rewind()
        self._take_receipts(connection, now)
        while connection.acknowledged:
            self._note_acknowledged(connection.acknowledged.popleft())
        if self._resend_late(now):
            return
        self._send(connection, now, hold)
        self._publish_status(connection, now, lines)

    # --- receipts ------------------------------------------------------------------------------------------------

    def _take_receipts(self, connection: PublisherConnection, now: float) -> None:
        if connection.server_spoke:  # a server that has come back says first what it has, which may free nothing
            connection.server_spoke, self._given_up = False, 0
        while connection.receipts:
            name, before = self._outbox.outbox_id, self._outbox.received
            try:
                receipt = decode_receipt(connection.receipts[0])
                connection.deflates = receipt.deflate
                self.server = "" if receipt.deflate else "older than this agent: takes no deflated batches"
                changed = self._outbox.receive(self._as_far_as_sent(receipt))
            except BadBatch:
                self.bad_receipts += 1
                changed = False
            connection.receipts.popleft()  # only now: a full disk leaves it to be taken again
            if not changed:
                continue
            self._progress_at = now
            self._timeouts = self._given_up = 0
            if self._outbox.outbox_id != name or self._outbox.received < before:
                self._rewind()
        while self._in_flight and self._in_flight[0].last <= self._outbox.received:
            self._in_flight.popleft()
        self._sent_to = max(self._sent_to, self._outbox.received)

    def _as_far_as_sent(self, receipt: Receipt) -> Receipt:
        """Return a receipt as far as its reading is kept or was sent: what is set aside unread under our numbers may be
        another's message, and frees nothing that is still to be sent."""
        far = max(self._sent_to, receipt.digest_seq)
        return replace(receipt, seq=far) if far < receipt.seq <= self._outbox.assigned else receipt

    def _note_acknowledged(self, mid: int) -> None:
        for sent in self._in_flight:
            if sent.mid == mid:
                self.acknowledged(sent.first, sent.last)
                return

    def _resend_late(self, now: float) -> bool:
        """Send again from the last receipt when the next is late; return whether the connection was given up."""
        if not self._in_flight:
            return False
        if now - max(self._in_flight[0].at, self._progress_at) < self.receipt_within_s:
            return False
        self.resends += 1
        self._timeouts += 1
        self._rewind()
        if self._timeouts >= TIMEOUTS_BEFORE_RECONNECT:
            self._given_up += 1
            # the network thread may be dead while the client still says it is connected
            site = self._config.site
            self._lost(f"no receipt from a server of site {site!r}: does it run, and is that its site?", now)
            return True
        return False

    def _rewind(self) -> None:
        self._in_flight.clear()
        self._sent_to = self._outbox.received

    # --- out -----------------------------------------------------------------------------------------------------

    def _send(self, connection: PublisherConnection, now: float, hold: ClockNote | None) -> None:
        while len(self._in_flight) < self._config.broker.batches_in_flight and self._sent_to < self._outbox.assigned:
            batch = self._outbox.batch(self._sent_to, self._config.outbox.batch, hold=hold)
            if batch is None:
                return
            payload = encode_batch(batch, self._units)
            if len(payload) >= DEFLATE_FROM_BYTES:
                if connection.deflates is None and now - connection.opened_at < RETAINED_WITHIN_S:
                    return
                payload = deflate(payload) if connection.deflates else payload
            self._outbox.note_sent(batch)
            mid = connection.publish(readings_topic(batch), payload)
            if mid is None:
                return
            self._in_flight.append(_SentBatch(batch.first, batch.last, now, mid))
            self._sent_to = batch.last
            self.sent += 1

    def _publish_status(self, connection: PublisherConnection, now: float, lines: Mapping[str, str]) -> None:
        status = self._status_of("up", lines)
        if status == self._status:
            return
        same_but_backlog = {**self._status, "backlog": status["backlog"], "assigned": status["assigned"]} == status
        is_emptied = status["backlog"] == 0 and bool(self._status.get("backlog"))  # the server would count on more
        if same_but_backlog and not is_emptied and now - self._status_at < STATUS_EVERY_S:
            return
        topic = status_topic(self._config.site, self._config.node)
        if connection.publish(topic, json.dumps(status).encode(), retain=True) is not None:
            self._status, self._status_at = status, now

    def _status_of(self, state: str, lines: Mapping[str, str]) -> dict[str, object]:
        return {
            "state": state,
            "version": __version__,
            "outbox_id": self._outbox.outbox_id,
            "checks_digests": True,
            "assigned": self._outbox.assigned,
            "backlog": self._outbox.backlog,
            "dropped": self._outbox.dropped,
            "lines": dict(lines),
            "stations": self._stations,
            "clock": self._clock,
            "health": dict(self.health),
            "sleeps": self.sleeps,
            "devices": {name: dict(one) for name, one in self.devices.items()},
        }

    def _status_payload(self, state: str, lines: Mapping[str, str]) -> bytes:
        return json.dumps(self._status_of(state, lines)).encode()
