"""From the broker to a bounded queue, and receipts back.

The network callback only puts a message in the queue; it decodes nothing and never raises. A message is acknowledged
when the worker says that it is on disk, never before. While many wait the rest is left on the wire, and the broker
keeps it; where the queue is full all the same the message is left unacknowledged and the session is taken up again once
there is room, so that the broker sends it anew; nodes also send again whatever has no receipt. Alert events leave by
the same connection. It is the only module of this package that knows the MQTT
library, and must know nothing of stores.
"""

from __future__ import annotations

import contextlib
import json
import logging
import queue
import random
import select
import socket
import ssl
import struct
import threading
from collections import deque
from dataclasses import dataclass, field, replace
from typing import Any

from paho.mqtt import MQTTException
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from hardware.reading import (
    MAX_PAYLOAD_BYTES,
    WIRE_VERSION,
    Notice,
    Receipt,
    encode_notice,
    encode_receipt,
    notice_topic,
    receipt_topic,
)
from pipeline.mqtt.nodes import MAX_NODES
from pipeline.mqtt.refusals import Refusals
from pipeline.run.backoff import Backoff
from pipeline.run.clock import Clock
from pipeline.run.metrics import Metrics
from pipeline.site.server import BrokerConfig
from pipeline.site.settings import read_secret

log = logging.getLogger(__name__)

REST_AT_MESSAGES = 64  # in the queue: no more is read
MAX_QUEUE_MESSAGES, MAX_QUEUE_BYTES = 4096, 64 * MAX_PAYLOAD_BYTES  # the library reads on by as many as it waits for
READ_PAUSE_S = 10.0  # reading rests no longer, or the broker's answers to our pings would be missed: our own choice
KEEPALIVE_S = 30
BROKER_CONNECT_TIMEOUT_S = 5.0
EXCHANGE_S = 0.2  # how long a step reads and writes, while something is under way that nothing wakes it for
EXCHANGE_REST_S = 5.0  # and else: what comes or is to be sent ends the wait; the keepalive is seen to so often
RECONNECT_FIRST_S, RECONNECT_MOST_S = 0.5, 30.0
STARTING_TRIES = 2  # failures that are told as news only, not as a warning
BROKER_LOG = "$SYS/broker/log/+"  # of mosquitto, where its settings have `log_dest topic`
MAX_LOG_LINE = 400
MAX_TOLD = 64  # alert events the broker has not acknowledged

_MQTT_FAULTS = (OSError, ValueError, struct.error, IndexError, MQTTException)  # what a broken peer makes it raise


@dataclass(frozen=True, slots=True)
class Arrival:
    """A message from the broker, not yet acknowledged.

    `generation` counts the connections: a message can only be acknowledged on the one it came by. `topic` is None when
    its bytes are not UTF-8.
    """

    topic: str | None
    payload: bytes
    mid: int
    qos: int
    generation: int


@dataclass
class _Word:
    """Something to publish once; `taken` is set when the broker has it."""

    payload: bytes
    taken: threading.Event = field(default_factory=threading.Event)
    mid: int | None = None


class Ingest:
    """The pipeline's end of the broker.

    Parameters
    ----------
    broker : BrokerConfig
    site : str
        Only this site's readings are subscribed; of other sites the status of nodes, whose site may be misspelt.
    metrics : Metrics
    clock : Clock
        For waits, and for the time of day that nodes are told.
    max_queue : int
        Messages that may wait for the worker.
    rng : random.Random
        Jitter of the waits between connections.
    guest : bool
        A guest only tells: it hears nothing, says nothing of the server's state, and may come beside a running server.
    listens : bool
        Whether a guest hears the status and the live readings of the site's nodes.
    moves : bool
        Whether other processes take the site over: then the broker keeps nothing for this one while it is away, and the
        nodes send again what was not receipted.
    among_many : bool
        Whether other sites share the broker: then whom it turns away is of no site that could be told.
    """

    def __init__(
        self,
        broker: BrokerConfig,
        site: str,
        metrics: Metrics,
        clock: Clock,
        *,
        max_queue: int = MAX_QUEUE_MESSAGES,
        rng: random.Random | None = None,
        guest: bool = False,
        listens: bool = False,
        moves: bool = False,
        among_many: bool = False,
    ) -> None:
        self.connected = False
        self.replaced = False  # by another process that has the site: it says how the server is
        self.away = "not connected yet"
        self.refusals = Refusals()
        self._broker, self._site, self._metrics, self._clock = broker, site, metrics, clock
        self._queue: queue.Queue[Arrival | None] = queue.Queue()  # None interrupts whoever takes
        self._max_queue = max_queue
        self._room_again = max(1, min(max_queue // 2, REST_AT_MESSAGES))
        self._waiting = self._queue_bytes = 0  # messages in the queue, and their payloads
        self._rests_since_s: float | None = None  # reading, for want of room [s, steady]
        self._acknowledged: deque[Arrival] = deque()
        self._receipts: dict[tuple[str, str, str], Receipt] = {}  # the newest of each outbox, the latest last
        self._unsent: dict[tuple[str, str, str], None] = {}
        self._words: dict[str, _Word] = {}
        self._notices: dict[str, Notice] = {}
        self._guest, self._listens, self._moves, self._among_many = guest, listens, moves, among_many
        self._lock = threading.Lock()
        self._refused = False
        self._open = False
        self._asked: int | None = None  # the subscription without which nothing is heard
        self._broker_says = ""
        self._generation = 0
        self._backoff = Backoff(RECONNECT_FIRST_S, RECONNECT_MOST_S, random.Random() if rng is None else rng)
        self._wake_receive, self._wake_send = socket.socketpair()
        self._wake_receive.setblocking(False)
        self._wake_send.setblocking(False)
        self._woken = False
        self._client = self._make_client()
        metrics.limits({"ingest_queue_messages": max_queue, "payload_bytes": MAX_PAYLOAD_BYTES})

    # --- the worker's side -------------------------------------------------------------------------------------

    def take(self, timeout_s: float) -> Arrival | None:
        """Return the oldest message waiting, or None when there is none within the time [s] or until interrupted."""
        try:
            arrival = self._queue.get(timeout=timeout_s) if timeout_s > 0 else self._queue.get_nowait()
            while arrival is None:
                arrival = self._queue.get_nowait()
        except queue.Empty:
            return None
        with self._lock:
            self._waiting -= 1
            self._queue_bytes -= len(arrival.payload)
        self._metrics.queue.set(self._waiting)
        if (self._refused or self._rests_since_s is not None) and self._waiting < self._room_again:
            self._wake()
        return arrival

    def interrupt(self) -> None:
        """End the wait of whoever takes."""
        self._queue.put(None)

    def acknowledge(self, arrival: Arrival) -> None:
        """Tell the broker that a message is on disk (or needs no keeping)."""
        self._acknowledged.append(arrival)
        self._wake()

    def publish_receipt(self, site: str, node: str, receipt: Receipt) -> None:
        """Publish a node's receipt, retained. Of each outbox only the newest waits; all are sent again on every
        connection, the latest last: two nodes of one name have one topic, and each takes what is for its outbox."""
        key = (site, node, receipt.outbox_id)
        with self._lock:
            self._receipts.pop(key, None)
            if len(self._receipts) >= MAX_NODES:
                self._receipts.pop(next(iter(self._receipts)))
            self._receipts[key] = receipt
            self._unsent[key] = None
        self._wake()

    def notify_node(self, node: str, notice: Notice) -> None:
        """Tell a node of the site something, once. A time in it is made that of the moment at which it leaves."""
        with self._lock:
            waiting = self._notices.get(node)
            if waiting is not None and not notice.live:
                notice = replace(notice, live=waiting.live)
            if waiting is not None or len(self._notices) < MAX_NODES:
                self._notices[node] = notice
        self._wake()

    def tell(self, key: str, payload: bytes) -> threading.Event:
        """Publish an alert event, once for each key; the event returned is set when the broker has it.

        A key stays known until `told`. Through a lost connection the library sends what is not acknowledged again.
        """
        with self._lock:
            while len(self._words) >= MAX_TOLD and key not in self._words:
                self._words.pop(next(iter(self._words)))
            word = self._words.setdefault(key, _Word(payload))
        self._wake()
        return word.taken

    def told(self, key: str) -> None:
        """Forget a key: what is told under it from now on is news."""
        with self._lock:
            self._words.pop(key, None)

    @property
    def waiting(self) -> int:
        """Messages in the queue."""
        return self._waiting

    # --- the network's side ------------------------------------------------------------------------------------

    def step(self, stop: threading.Event) -> None:
        """Connect, or read and write what there is. Bounded by `EXCHANGE_REST_S` and the connect timeout."""
        try:
            if self._open:
                at_rest = self.connected and not self._refused and self._rests_since_s is None
                self._exchange(0.0 if stop.is_set() else EXCHANGE_REST_S if at_rest else EXCHANGE_S)
            else:
                self._connect(stop)
        except ssl.SSLCertVerificationError as err:
            self._lost(f"the certificate of the broker is refused: {err.verify_message}")
        except _MQTT_FAULTS as err:
            self._lost(str(err) or type(err).__name__)

    def wake(self) -> None:
        """End the wait of a step."""
        self._wake()

    def close(self) -> None:
        """Take leave of the broker. What is unacknowledged stays in the session."""
        try:
            if self.connected:
                self._send_waiting()
                if not self._guest and not self.replaced:
                    self._say_state("down")
            if self._open:
                self._client.loop_write()
                self._take_leave()
        except _MQTT_FAULTS as err:
            log.info("broker_left_unsaid reason=%s", err)
        self.connected, self._open = False, False
        self._metrics.connected.set(0)
        self._wake_receive.close()
        self._wake_send.close()

    def _make_client(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id="" if self._guest else f"underturf-pipeline-{self._site}",
            clean_session=self._guest or self._moves,
            protocol=MQTTProtocolVersion.MQTTv311,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        client.connect_timeout = BROKER_CONNECT_TIMEOUT_S
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.message_callback_add(BROKER_LOG, self._on_log)
        client.on_publish = self._on_publish
        client.on_socket_open = _send_at_once
        # Registering these makes the library leave all writing to our own loop, in one thread.
        client.on_socket_register_write = _leave
        client.on_socket_unregister_write = _leave
        if not self._guest:
            client.will_set(self._state_topic, json.dumps({"state": "down"}), qos=1, retain=True)
        files = (self._broker.ca_file, self._broker.cert_file, self._broker.key_file)
        if any(file is not None for file in files):
            ca, cert, key = (None if file is None else str(file) for file in files)
            client.tls_set(ca, cert, key)
        return client

    @property
    def _state_topic(self) -> str:
        return f"underturf/{WIRE_VERSION}/{self._site}/server"

    def _connect(self, stop: threading.Event) -> None:
        if self._generation > 0:
            self._clock.wait(self._backoff.next_s(), stop)
            if stop.is_set() or self.replaced:  # the broker has one connection of a name: it would end the other's
                return
            self._metrics.reconnects.inc()
        self._generation += 1
        self._refused = False
        if self._broker.username:
            secret = self._broker.password_file
            self._client.username_pw_set(self._broker.username, None if secret is None else read_secret(secret))
        self._client.connect(self._broker.host, self._broker.port, keepalive=KEEPALIVE_S)
        self._open = True

    def _exchange(self, timeout_s: float) -> None:
        if self.connected:
            self._send_waiting()
        if self._refused and self._waiting < self._room_again:
            self._take_up_again()
            return
        sock = self._client.socket()
        if sock is None:
            self._lost("the connection was closed")
            return
        pending = getattr(sock, "pending", None)
        reads = self._reads()
        has_more = reads and pending is not None and pending() > 0
        readers = [sock, self._wake_receive] if reads else [self._wake_receive]
        writers = [sock] if self._client.want_write() else []
        readable, writable, _ = select.select(readers, writers, [], 0.0 if has_more else timeout_s)
        if self._wake_receive in readable:
            self._wake_receive.recv(4096)
            self._woken = False  # what was queued before is sent by the next exchange, what is queued after wakes it
        result = MQTTErrorCode.MQTT_ERR_SUCCESS
        if reads and (sock in readable or has_more):
            result = self._client.loop_read()
        if writable and result == MQTTErrorCode.MQTT_ERR_SUCCESS:
            result = self._client.loop_write()
        if result == MQTTErrorCode.MQTT_ERR_SUCCESS:
            result = self._client.loop_misc()
        if result != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._lost(self._why(result))

    def _reads(self) -> bool:
        """Return whether to read on: a broker may send more at once than it was told to.

        What is refused for want of room costs the connection; in a flood nothing else would come through.
        """
        if self._waiting < self._room_again:
            self._rests_since_s = None
            return True
        now_s = self._clock.monotonic()
        self._rests_since_s = now_s if self._rests_since_s is None else self._rests_since_s
        return now_s - self._rests_since_s >= READ_PAUSE_S

    def _send_waiting(self) -> None:
        while self._acknowledged:
            arrival = self._acknowledged.popleft()
            if arrival.generation == self._generation and arrival.qos > 0:
                self._client.ack(arrival.mid, arrival.qos)
        with self._lock:
            waiting = [(key, self._receipts[key]) for key in self._unsent if key in self._receipts]
            self._unsent.clear()
            words = [word for word in self._words.values() if word.mid is None]
            notices, self._notices = self._notices, {}
        for node, notice in notices.items():
            now = notice if notice.now_ms is None else replace(notice, now_ms=self._clock.now_ms())
            self._client.publish(notice_topic(self._site, node), encode_notice(now), qos=0)
        for word in words:
            word.mid = self._client.publish(f"underturf/{WIRE_VERSION}/{self._site}/alerts", word.payload, qos=1).mid
        for (site, node, _), receipt in waiting:
            self._client.publish(receipt_topic(site, node), encode_receipt(receipt), qos=1, retain=True)
            self._metrics.receipts.inc()

    def _take_up_again(self) -> None:
        """Close and open the session, so that the broker sends again what was left unacknowledged."""
        log.info("session_taken_up_again reason=there is room in the queue")
        self._take_leave()
        self.connected, self._open = False, False
        self._metrics.connected.set(0)

    def _take_leave(self) -> None:
        self._client.disconnect()
        if self._client.want_write():
            self._client.loop_write()

    def _lost(self, reason: str) -> None:
        """Note that the broker is away, once for each reason. The next connection closes what is left of this one."""
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)
        if self.connected or reason != self.away:
            # Before the first connection it is no outage: the broker may still be starting beside us.
            level = logging.INFO if self._backoff.failures < STARTING_TRIES and not self.connected else logging.WARNING
            log.log(level, "broker_away host=%s port=%d reason=%s", self._broker.host, self._broker.port, reason)
        self.connected, self._open, self.away = False, False, reason
        self._metrics.connected.set(0)
        self._metrics.faults.labels("broker").inc()

    def _why(self, result: MQTTErrorCode) -> str:
        refused, self._broker_says = self._broker_says, ""
        return refused or mqtt.error_string(result)

    def _say_state(self, state: str) -> None:
        self._client.publish(self._state_topic, json.dumps({"state": state}), qos=1, retain=True)

    def _wake(self) -> None:
        if self._woken:
            return
        self._woken = True
        with contextlib.suppress(OSError):  # a full pipe wakes as well, and a closed one has nobody to wake
            self._wake_send.send(b"\0")

    # --- called by the MQTT library, in the thread of step() ---------------------------------------------------

    def _on_connect(
        self, client: mqtt.Client, data: object, flags: mqtt.ConnectFlags, reason: ReasonCode, more: Properties | None
    ) -> None:
        if reason.is_failure:
            self._broker_says = f"the broker refused the connection: {reason}"
            return
        # the embedded one takes in whoever comes, from this machine alone
        if self._broker.kind == "external" and not self._among_many:
            client.subscribe(BROKER_LOG, 0)  # first: once we are connected no refusal goes unheard
        base = f"underturf/{WIRE_VERSION}/{self._site}/+"
        if self._guest and self._listens:
            _, self._asked = client.subscribe([(f"{base}/live", 0), (f"{base}/status", 1)])
            return
        if self._guest:
            self._at_home()
            return
        # of every site: a node with another site's name would be heard nowhere
        _, self._asked = client.subscribe(
            [(f"{base}/readings/#", 1), (f"{base}/live", 0), (f"underturf/{WIRE_VERSION}/+/+/status", 1)]
        )

    def _on_subscribe(
        self, client: mqtt.Client, data: object, mid: int, reasons: list[ReasonCode], more: Properties | None
    ) -> None:
        if mid != self._asked:
            return  # that of the log: a broker that does not give it out is as good
        if any(reason.is_failure for reason in reasons):
            self._lost("the broker refused the subscription: its access list must let us read readings and status")
            return
        with self._lock:
            self._unsent.update(dict.fromkeys(self._receipts))
        if not self._guest:
            self._say_state("up")
        self._at_home()

    def _at_home(self) -> None:
        self._backoff.reset()
        self.connected, self.away = True, ""
        self._metrics.connected.set(1)
        log.info("broker_connected host=%s port=%d", self._broker.host, self._broker.port)

    def _on_publish(
        self, client: mqtt.Client, data: object, mid: int, reason: ReasonCode, more: Properties | None
    ) -> None:
        with self._lock:
            for word in self._words.values():
                if word.mid == mid:
                    word.taken.set()

    def _on_message(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        try:
            self._enqueue(message)
        except Exception:  # an exception here would end the exchange for good; the message stays unacknowledged
            self._metrics.callback_faults.inc()
            self._refused = True
            log.exception("message_not_taken")

    def _on_log(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        self.refusals.hear(message.payload[:MAX_LOG_LINE].decode("utf-8", "replace"), self._clock.now_ms())

    def _enqueue(self, message: mqtt.MQTTMessage) -> None:
        try:
            topic: str | None = message.topic
        except UnicodeDecodeError:
            topic = None
        # One byte over the limit is enough to be refused for its length.
        arrival = Arrival(
            topic, bytes(message.payload[: MAX_PAYLOAD_BYTES + 1]), message.mid, message.qos, self._generation
        )
        with self._lock:
            full = self._waiting >= self._max_queue or self._queue_bytes + len(arrival.payload) > MAX_QUEUE_BYTES
            self._waiting += 0 if full else 1
            self._queue_bytes += 0 if full else len(arrival.payload)
        if full:
            self._refused = True
            self._metrics.refused.inc()
            return
        self._queue.put(arrival)
        self._metrics.messages.labels("status" if topic is not None and topic.endswith("/status") else "readings").inc()
        self._metrics.queue.set(self._waiting)


def _send_at_once(client: mqtt.Client, data: object, sock: Any) -> None:
    """Send small packets without waiting for the acknowledgement of the one before, which takes 40 ms each time."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _leave(client: mqtt.Client, data: object, sock: object) -> None:
    """Nothing to do: our own loop asks the library whether it wants to write."""
