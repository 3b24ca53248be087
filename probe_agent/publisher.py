"""Sends the outbox to the broker, oldest batch first, and passes the pipeline's receipts to the outbox.

The only module that imports paho. Only a receipt frees readings: a broker's acknowledgement proves neither storage nor
permission. A paho client serves one connection only, so that its own queue cannot grow; its network thread records
events, and all decisions are made in `step`. Time is monotonic.
"""

from __future__ import annotations

import contextlib
import json
import random
import socket
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

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
    notice_topic,
    readings_topic,
    receipt_topic,
    status_topic,
)
from probe_agent import __version__
from probe_agent.config import AgentBroker, AgentConfig
from probe_agent.faults import BackOff
from probe_agent.outbox import Outbox

NOT_CONNECTED = "away: not connected yet"
KEEP_ALIVE_S = 60
CONNECT_WITHIN_S = 30.0  # from the first packet to the broker's yes
NOTICE_WITHIN_S = 15.0  # a server that has not answered the status by then is older, or busy
STATUS_EVERY_S = 30.0  # a changed backlog alone is told no more often
MOST_PATIENCE = 8  # times the receipt timeout: resends that a slow server drowns in would keep it slow
TIMEOUTS_BEFORE_RECONNECT = 3  # resends without a receipt before the connection itself is given up
RETAINED_WITHIN_S = 1.0  # from connecting to the retained receipt, which says what the pipeline takes
KEEP_RECEIPTS = 64
FAREWELL_S = 1.0  # longest wait for the broker on a clean stop


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
        self.sleeps = False
        self.sent = self.resends = self.bad_receipts = 0
        self._config = config
        self._outbox = outbox
        self._monotonic = monotonic
        self._units = {f"{p.id}/{c.name}": c.heard for p in config.probes for c in p.description.channels}
        self._connection: _Connection | None = None
        self._not_before = float("-inf")
        self._back_off = BackOff(chance)
        self._in_flight: deque[_SentBatch] = deque()
        self._sent_to = 0
        self._progress_at = 0.0
        self._timeouts = 0
        self._given_up = 0  # connections without one receipt that freed anything, in a row
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
        """How long a receipt is waited for now: twice as long for each connection given up in vain, up to a limit."""
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
            self._connection = _Connection(self._config, now, self._monotonic, self._outbox.outbox_id)
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

    def _serve(self, connection: _Connection, now: float, hold: ClockNote | None, lines: Mapping[str, str]) -> None:
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

    def _take_receipts(self, connection: _Connection, now: float) -> None:
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

    def _send(self, connection: _Connection, now: float, hold: ClockNote | None) -> None:
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

    def _publish_status(self, connection: _Connection, now: float, lines: Mapping[str, str]) -> None:
        status = self._status_of("up", lines)
        if status == self._status:
            return
        same_but_backlog = {**self._status, "backlog": status["backlog"], "assigned": status["assigned"]} == status
        if same_but_backlog and now - self._status_at < STATUS_EVERY_S:
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
        }

    def _status_payload(self, state: str, lines: Mapping[str, str]) -> bytes:
        return json.dumps(self._status_of(state, lines)).encode()


class _Connection:
    """One connection to the broker, from its beginning to its end. Its attributes are what the network thread saw."""

    def __init__(self, config: AgentConfig, now: float, monotonic: Callable[[], float], outbox_id: str) -> None:
        self.since = now
        self.notice: tuple[bytes, float] | None = None  # what the server told, and when that came; the latest only
        self.noticed = False
        self._monotonic = monotonic
        self.is_open = False
        self.opened_at = now
        self.deflates: bool | None = None  # whether the pipeline takes deflated batches; not known yet
        self.closed: str | None = None
        # the latest are enough: a receipt says all that those before it said; a second node of this name has others
        self.receipts: deque[bytes] = deque(maxlen=KEEP_RECEIPTS)
        self.acknowledged: deque[int] = deque(maxlen=256)
        self._gone = threading.Event()
        self._status_topic = status_topic(config.site, config.node)
        self._receipt_topic = receipt_topic(config.site, config.node)
        self._notice_topic = notice_topic(config.site, config.node)
        # a second node of this name, once it has another outbox, does not cut this one off
        self._client = _client(config, beside=f"-{outbox_id[:8]}")
        self._client.will_set(self._status_topic, b'{"state":"down"}', qos=1, retain=True)
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = self._on_connect_fail
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message
        self._client.on_publish = self._on_publish
        self._client.connect_async(config.broker.host, config.broker.port, keepalive=KEEP_ALIVE_S)
        self._client.loop_start()

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 1) -> int | None:
        """Publish a message; return its number, or None if the client did not take it."""
        info = self._client.publish(topic, payload, qos=qos, retain=retain)
        return info.mid if info.rc == mqtt.MQTT_ERR_SUCCESS else None

    def farewell(self, status: bytes) -> None:
        """Publish the last status: after a clean disconnect the broker sends no will."""
        with contextlib.suppress(RuntimeError, ValueError):
            self._client.publish(self._status_topic, status, qos=1, retain=True).wait_for_publish(FAREWELL_S)

    def let_go(self) -> None:
        """Close without waiting for the broker. The network thread ends by itself when its socket is shut."""
        self._client.disconnect()
        if self.is_open and self.closed is None:
            self._gone.wait(FAREWELL_S)
        with contextlib.suppress(OSError, AttributeError):
            channel = self._client.socket()
            if isinstance(channel, socket.socket):
                channel.shutdown(socket.SHUT_RDWR)

    def _on_connect(
        self, client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._end(f"the broker refused: {reason}")
            return
        client.subscribe([(self._receipt_topic, 1), (self._notice_topic, 0)])
        self.is_open = True

    def _on_connect_fail(self, client: mqtt.Client, _userdata: object) -> None:
        self._end("the broker cannot be reached")
        client.disconnect()  # else the client would try again by itself

    def _on_disconnect(
        self, _client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self._end(f"the connection ended: {reason}")

    def _on_message(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        if message.topic == self._notice_topic:
            self.notice, self.noticed = (bytes(message.payload), self._monotonic()), True
        else:
            self.receipts.append(bytes(message.payload))

    def _on_publish(
        self, _client: mqtt.Client, _userdata: object, mid: int, _reason: ReasonCode, _properties: object
    ) -> None:
        self.acknowledged.append(mid)

    def _end(self, reason: str) -> None:
        if self.closed is None:
            self.closed = reason
        self._gone.set()


def try_broker(config: AgentConfig, *, within_s: float) -> str | None:
    """Return why the broker takes no connection with this node's name and password; None where it does.

    It is asked under a client identifier of its own: under the agent's it would cut a running agent off.
    """
    answered, outcome = threading.Event(), ["no answer to the connection"]
    try:
        client = _client(config, beside="-doctor")
    except OSError as err:  # a secret that cannot be read
        return str(err)

    def on_connect(_client: object, _data: object, _flags: object, reason: ReasonCode, _properties: object) -> None:
        outcome[0] = f"refused: {reason}. Look at username and password_file" if reason.is_failure else ""
        answered.set()

    client.on_connect = on_connect
    client.connect_timeout = within_s
    try:
        client.connect(config.broker.host, config.broker.port, keepalive=KEEP_ALIVE_S)
    except (OSError, ValueError) as err:
        return f"no connection ({err}). Is the broker running, and is this its host and port?"
    client.loop_start()
    answered.wait(within_s)
    client.disconnect()
    client.loop_stop()
    return outcome[0] or None


def _client(config: AgentConfig, *, beside: str = "") -> mqtt.Client:
    broker: AgentBroker = config.broker
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"underturf-{config.site}-{config.node}{beside}",
        clean_session=True,
        protocol=mqtt.MQTTv311,
        reconnect_on_failure=False,
    )
    client.on_socket_open = _send_at_once
    # resends may stand beside what the broker has not acknowledged yet, no more
    client.max_inflight_messages_set(2 * broker.batches_in_flight)
    client.max_queued_messages_set(2 * broker.batches_in_flight + 4)
    if broker.username is not None:
        client.username_pw_set(broker.username, _secret(broker))
    if broker.ca_file is not None or broker.cert_file is not None:
        client.tls_set(
            ca_certs=None if broker.ca_file is None else str(broker.ca_file),
            certfile=None if broker.cert_file is None else str(broker.cert_file),
            keyfile=None if broker.key_file is None else str(broker.key_file),
        )
    return client


def _send_at_once(client: mqtt.Client, data: object, sock: Any) -> None:
    """Let small packets leave without waiting for the answer to the one before, which costs 40 ms each time."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _secret(broker: AgentBroker) -> str | None:
    if broker.password_file is None:
        return None
    return broker.password_file.read_text(encoding="utf-8").strip("\r\n")
