"""The agent's ways to a broker: the publisher's connection, that of a line of radio nodes, and a trial for the doctor.

The only module that imports paho. A client serves one connection, so that its own queue cannot grow; its network thread
records events, and all decisions are made elsewhere. Secrets are read when a connection is made.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import sys
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from hardware.reading import notice_topic, receipt_topic, status_topic
from probe_agent.config import AgentBroker, AgentConfig

KEEP_ALIVE_S = 60
CONNECT_WITHIN_S = 30.0  # from the first packet to the broker's yes
KEEP_RECEIPTS = 64
FAREWELL_S = 1.0  # longest wait for the broker on a clean stop
MOST_WAITING = 200  # messages in memory that are not kept yet: some brokers send all they have, unacknowledged
ROOM_LOOK_S = 0.1


class PublisherConnection:
    """One connection of the publisher, from beginning to end. Its attributes are what the network thread saw."""

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
        self.server_spoke = False  # in a receipt that came while we were connected, not one the broker had kept
        self.acknowledged: deque[int] = deque(maxlen=256)
        self._gone = threading.Event()
        self._status_topic = status_topic(config.site, config.node)
        self._receipt_topic = receipt_topic(config.site, config.node)
        self._notice_topic = notice_topic(config.site, config.node)
        # a second node of this name, once it has another outbox, does not cut this one off
        self._client = _client(config.broker, f"{_client_id(config)}-{outbox_id[:8]}")
        self._client.will_set(self._status_topic, b'{"state":"down"}', qos=1, retain=True)
        self._client.on_connect = self._on_connect
        _tell_end(self._client, self._end)
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
        _shut(self._client)

    def _on_connect(
        self, client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._end(f"the broker refused: {reason}")
            return
        client.subscribe([(self._receipt_topic, 1), (self._notice_topic, 0)])
        self.is_open = True

    def _on_message(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        if message.topic == self._notice_topic:
            self.notice, self.noticed = (bytes(message.payload), self._monotonic()), True
        else:
            self.receipts.append(bytes(message.payload))
            self.server_spoke = self.server_spoke or not message.retain

    def _on_publish(
        self, _client: mqtt.Client, _userdata: object, mid: int, _reason: ReasonCode, _properties: object
    ) -> None:
        self.acknowledged.append(mid)

    def _end(self, reason: str) -> None:
        if self.closed is None:
            self.closed = reason
        self._gone.set()


@dataclass(frozen=True, slots=True)
class ReceivedMessage:
    """One message of a subscription; `mid` and `qos` are what its acknowledgement needs."""

    payload: bytes
    retained: bool
    mid: int
    qos: int


class InboxConnection:
    """One connection of a line of radio nodes: what it subscribes to waits at the broker until it is acknowledged.

    The session outlasts the connection, by its fixed name: what came meanwhile, and what was not acknowledged, comes
    with the next one. Its attributes are what the network thread saw.

    Parameters
    ----------
    broker : AgentBroker
    client_id : str
        The name of the session.
    topic : str
        What is subscribed to, with QoS 1.
    keeps_session : bool
        False for a look that leaves nothing behind.
    """

    def __init__(self, broker: AgentBroker, client_id: str, topic: str, *, keeps_session: bool = True) -> None:
        self.is_open = False
        self.closed: str | None = None
        self.messages: deque[ReceivedMessage] = deque()
        self.came = threading.Event()
        self._room, self._left = threading.Event(), False
        self._topic = topic
        self._client = _client(broker, client_id, keeps_session=keeps_session)
        self._client.on_connect = self._on_connect
        _tell_end(self._client, self._end)
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.connect_async(broker.host, broker.port, keepalive=KEEP_ALIVE_S)
        self._client.loop_start()

    def acknowledge(self, message: ReceivedMessage) -> None:
        """Let the broker forget a message: it is on this disk, or nothing is to be kept of it."""
        self._room.set()
        if message.qos:
            self._client.ack(message.mid, message.qos)

    def let_go(self) -> None:
        """Close without waiting for the broker; the session stays there."""
        self._left = True
        self._client.disconnect()
        _shut(self._client)

    def _on_connect(
        self, client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        if reason.is_failure:
            self._end(f"the broker refused: {reason}")
            return
        client.subscribe(self._topic, 1)

    def _on_subscribe(
        self, _client: mqtt.Client, _userdata: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self._end(f"the broker refused the topic {self._topic!r}")
            return
        self.is_open = True

    def _on_message(self, _client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        while len(self.messages) >= MOST_WAITING and not self._left:  # nothing more is read from the socket meanwhile
            self._room.wait(ROOM_LOOK_S)
            self._room.clear()
        self.messages.append(ReceivedMessage(bytes(message.payload), message.retain, message.mid, message.qos))
        self.came.set()

    def _end(self, reason: str) -> None:
        if self.closed is None:
            self.closed = reason
        self.came.set()


def try_broker(config: AgentConfig, *, within_s: float, broker: AgentBroker | None = None) -> str | None:
    """Return why the broker takes no connection with this node's name and password; None where it does.

    `broker` is another than that of the settings: that of a line.

    It is asked under a client identifier of its own: under the agent's it would cut a running agent off.
    """
    answered, outcome = threading.Event(), ["no answer to the connection"]
    try:
        broker = config.broker if broker is None else broker
        client = _client(broker, f"{_client_id(config)}-doctor")
    except OSError as err:  # a secret that cannot be read
        return str(err)

    def on_connect(_client: object, _data: object, _flags: object, reason: ReasonCode, _properties: object) -> None:
        outcome[0] = f"refused: {reason}. Look at username and password_file" if reason.is_failure else ""
        answered.set()

    client.on_connect = on_connect
    client.connect_timeout = within_s
    try:
        client.connect(broker.host, broker.port, keepalive=KEEP_ALIVE_S)
    except ssl.SSLCertVerificationError as err:
        return f"{_unreached(err)}. Look at ca_file, the host, and the clocks of both"
    except (OSError, ValueError) as err:
        return f"no connection ({err}). Is the broker running, and is this its host and port?"
    client.loop_start()
    answered.wait(within_s)
    client.disconnect()
    client.loop_stop()
    return outcome[0] or None


def _tell_end(client: mqtt.Client, end: Callable[[str], None]) -> None:
    """Let `end` be told, by the network thread, why the connection did not come about or has ended."""

    def on_connect_fail(client: mqtt.Client, _userdata: object) -> None:
        end(_unreached(sys.exception()))
        client.disconnect()  # else the client would try again by itself

    def on_disconnect(
        _client: mqtt.Client, _userdata: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        end(f"the connection ended: {reason}")

    client.on_connect_fail, client.on_disconnect = on_connect_fail, on_disconnect


def _shut(client: mqtt.Client) -> None:
    """Shut the socket of a client, so that its network thread ends by itself."""
    with contextlib.suppress(OSError, AttributeError):
        channel = client.socket()
        if isinstance(channel, socket.socket):
            channel.shutdown(socket.SHUT_RDWR)


def _client_id(config: AgentConfig) -> str:
    return f"underturf-{config.site}-{config.node}"


def _client(broker: AgentBroker, client_id: str, *, keeps_session: bool = False) -> mqtt.Client:
    """Return a client that is not connected yet; one that keeps its session acknowledges by hand."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=not keeps_session,
        protocol=mqtt.MQTTv311,
        reconnect_on_failure=False,
        manual_ack=keeps_session,
    )
    client.on_socket_open = _send_at_once
    # resends may stand beside what the broker has not acknowledged yet, no more
    client.max_inflight_messages_set(2 * broker.batches_in_flight)
    client.max_queued_messages_set(2 * broker.batches_in_flight + 4)
    if broker.username is not None:
        client.username_pw_set(broker.username, _secret(broker))
    if broker.is_encrypted:
        client.tls_set(
            ca_certs=None if broker.ca_file is None else str(broker.ca_file),
            certfile=None if broker.cert_file is None else str(broker.cert_file),
            keyfile=None if broker.key_file is None else str(broker.key_file),
        )
    return client


def _unreached(err: BaseException | None) -> str:
    """Return why there is no connection. The client reports a failure while it handles the error that it was."""
    if isinstance(err, ssl.SSLCertVerificationError):
        return f"the certificate of the broker is refused: {err.verify_message}"
    return "the broker cannot be reached"


def _send_at_once(client: mqtt.Client, data: object, sock: Any) -> None:
    """Let small packets leave without waiting for the answer to the one before, which costs 40 ms each time."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _secret(broker: AgentBroker) -> str | None:
    if broker.password_file is None:
        return None
    return broker.password_file.read_text(encoding="utf-8").partition("\n")[0].rstrip("\r")
