"""From a real broker to the bounded queue: nothing acknowledged before its time, nothing lost, nobody stuck."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import MQTTException
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.publish import single as publish_once
from paho.mqtt.reasoncodes import ReasonCode

from hardware.reading import MAX_PAYLOAD_BYTES, Notice, Receipt, decode_notice, decode_receipt
from pipeline.mqtt import ingest as ingest_module
from pipeline.mqtt.broker import EmbeddedBroker
from pipeline.mqtt.ingest import BROKER_LOG, Arrival, Ingest
from pipeline.run.clock import SystemClock
from pipeline.run.metrics import Metrics
from pipeline.site.server import BrokerConfig
from tests.broker_certificates import CERTIFICATES, signed

ROOT = Path(__file__).parents[3]
Until = Callable[..., None]
Steps = Callable[[Any], Any]
TOPIC = "underturf/1/meadow/node-1/readings/00112233445566778899aabbccddeeff/1/1"
OUTBOX = "00112233445566778899aabbccddeeff"


@pytest.fixture
def make(free_port: int) -> Callable[..., Ingest]:
    def build(metrics: Metrics | None = None, **options: Any) -> Ingest:
        config = options.pop("config", BrokerConfig(port=free_port))
        return Ingest(config, "meadow", metrics or Metrics(), SystemClock(), rng=random.Random(1), **options)

    return build


@contextmanager
def plain_client(port: int, topics: list[str], until: Until) -> Iterator[tuple[mqtt.Client, list[mqtt.MQTTMessage]]]:
    """A client of the plain library that stands for a node: it publishes, and hears what it subscribed."""
    heard: list[mqtt.MQTTMessage] = []
    ready = threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda c, d, message: heard.append(message)
    client.on_connect = lambda c, d, f, reason, p: c.subscribe([(topic, 1) for topic in [*topics, "unused"]])
    client.on_subscribe = lambda c, d, m, reasons, p: ready.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        until(ready.is_set, "the plain client is subscribed")
        yield client, heard
    finally:
        client.disconnect()
        client.loop_stop()


def publish(client: mqtt.Client, *payloads: bytes, topic: str = TOPIC) -> None:
    for payload in payloads:
        client.publish(topic, payload, qos=1).wait_for_publish(20)


def take_all(ingest: Ingest, count: int, until: Until, *, acknowledge: bool = True) -> list[Arrival]:
    taken: list[Arrival] = []

    def more() -> bool:
        arrival = ingest.take(0.02)
        if arrival is not None:
            taken.append(arrival)
            if acknowledge:
                ingest.acknowledge(arrival)
        return len({a.payload for a in taken}) >= count

    until(more, f"{count} messages are taken")
    return taken


def test_messages_arrive_in_order_with_their_topics(
    any_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """Readings and status of the own site arrive in the order they were sent; another site's do not."""
    with stepping(make()) as ingest, plain_client(free_port, [], until) as (client, _):
        until(lambda: ingest.connected, "connected")
        publish(client, b"foreign", topic=TOPIC.replace("meadow", "elsewhere"))
        publish(client, b"one", b"two")
        publish(client, b"state", topic="underturf/1/meadow/node-1/status")
        taken = take_all(ingest, 3, until)
    assert [a.payload for a in taken] == [b"one", b"two", b"state"]
    assert taken[0].topic == TOPIC


def test_a_node_is_told_the_time_as_it_is_when_the_message_leaves(
    any_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """Not as it was when it was asked for, and the names it sends that nobody knows; a node without need gets none."""
    topic = "underturf/1/meadow/node-1/notice"
    ingest = make()
    ingest.notify_node("node-1", Notice(1, "hand", ("s9/p1/moisture",)))
    with plain_client(free_port, [topic], until) as (_, heard), stepping(ingest):
        until(lambda: bool(heard), "the notice comes")
    told = decode_notice(heard[0].payload)
    assert told.now_ms is not None and abs(told.now_ms - SystemClock().now_ms()) < 20_000
    assert (told.by, told.unknown, heard[0].retain) == ("hand", ("s9/p1/moisture",), False)


def test_small_packets_leave_at_once(
    real_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until
) -> None:
    """The connection does not hold a packet back until the one before is answered (TCP_NODELAY, RFC 896 and 1122)."""
    with stepping(make()) as ingest:
        until(lambda: ingest.connected, "connected")
        assert ingest._client.socket().getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


def test_a_message_not_acknowledged_comes_again_and_an_acknowledged_one_does_not(
    real_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """What was taken but not committed when the process ended is sent again to the next one of the same session."""
    with plain_client(free_port, [], until) as (client, _):
        with stepping(make()) as ingest:
            until(lambda: ingest.connected, "connected")
            publish(client, b"kept", b"taken only")
            first, _second = take_all(ingest, 2, until, acknowledge=False)
            ingest.acknowledge(first)
        with stepping(make()) as ingest:
            until(lambda: ingest.connected, "connected again")
            publish(client, b"last")
            assert [a.payload for a in take_all(ingest, 2, until)] == [b"taken only", b"last"]


def test_what_was_sent_while_nobody_listened_is_in_the_session(
    real_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """The session is persistent: a message sent while the pipeline is away waits for it."""
    with stepping(make()) as ingest:
        until(lambda: ingest.connected, "connected")
    with plain_client(free_port, [], until) as (client, _):
        publish(client, b"meanwhile")
    with stepping(make()) as ingest:
        assert take_all(ingest, 1, until)[0].payload == b"meanwhile"


def test_what_there_is_no_room_for_stays_with_the_broker(
    real_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """With room for two, of five messages one is taken at a time, none is refused, and the connection stays."""
    metrics = Metrics()
    payloads = [b"%d" % i for i in range(5)]
    with stepping(make(metrics, max_queue=2)) as ingest, plain_client(free_port, [], until) as (client, _):
        until(lambda: ingest.connected, "connected")
        publish(client, *payloads)
        until(lambda: ingest.waiting == 1, "one is there")
        assert [a.payload for a in take_all(ingest, 5, until)] == payloads
    value = metrics.registry.get_sample_value
    assert value("underturf_ingest_refused_messages_total") == value("underturf_ingest_reconnects_total") == 0


def test_a_full_queue_refuses_and_takes_up_again_when_there_is_room(
    real_broker: EmbeddedBroker,
    make: Callable[..., Ingest],
    stepping: Steps,
    until: Until,
    free_port: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With room for two, and the worker at rest for long, five messages are never more than two in memory, and all five
    arrive in the end."""
    monkeypatch.setattr(ingest_module, "READ_PAUSE_S", 0.0)
    metrics = Metrics()
    payloads = {b"%d" % i for i in range(5)}
    with stepping(make(metrics, max_queue=2)) as ingest, plain_client(free_port, [], until) as (client, _):
        until(lambda: ingest.connected, "connected")
        publish(client, *sorted(payloads))
        refused = "underturf_ingest_refused_messages_total"
        until(lambda: metrics.registry.get_sample_value(refused) == 3, "three are refused")
        assert ingest.waiting == 2
        assert {a.payload for a in take_all(ingest, 5, until)} == payloads


def test_a_receipt_is_retained_and_the_newest_one_counts(
    any_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """A node that connects later hears the last receipt at once."""
    topic = "underturf/1/meadow/node-1/receipt"
    with stepping(make()) as ingest, plain_client(free_port, [topic], until) as (_, heard):
        for seq in range(1, 40):
            ingest.publish_receipt("meadow", "node-1", Receipt(OUTBOX, seq))
        until(lambda: heard and decode_receipt(heard[-1].payload).seq == 39, "the newest is heard")
        with plain_client(free_port, [topic], until) as (_, later):
            until(lambda: later, "the late node hears it")
            assert decode_receipt(later[0].payload) == Receipt(OUTBOX, 39)
            assert later[0].retain


def test_receipts_are_published_again_to_a_broker_that_lost_them(
    real_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """A broker killed with everything it held has the receipts again after the reconnection."""
    topic = "underturf/1/meadow/node-1/receipt"
    with stepping(make()) as ingest:
        ingest.publish_receipt("meadow", "node-1", Receipt(OUTBOX, 7))
        until(lambda: ingest.connected, "connected")
        first = real_broker.pid
        assert first is not None
        os.kill(first, signal.SIGKILL)
        until(lambda: real_broker.up and real_broker.pid != first, "another broker runs")
        with plain_client(free_port, [topic], until) as (_, heard):
            until(lambda: heard, "the receipt is there again")
            assert decode_receipt(heard[0].payload).seq == 7


def test_who_is_only_woken_has_no_message_waiting(make: Callable[..., Ingest]) -> None:
    """The end of a wait is no message: none is counted, none is given out, and none takes the room of one."""
    metrics = Metrics()
    ingest = make(metrics, max_queue=2)
    for _ in range(2):
        ingest.interrupt()
    assert ingest.waiting == 0
    message = mqtt.MQTTMessage(mid=1, topic=TOPIC.encode())
    message.payload = b"{}"
    for _ in range(2):
        ingest._on_message(ingest._client, None, message)
    gauge = lambda: metrics.registry.get_sample_value("underturf_ingest_queue_messages")  # noqa: E731
    assert (ingest.waiting, gauge(), ingest._refused) == (2, 2, False)
    ingest.interrupt()
    assert [ingest.take(0.0) is None for _ in range(3)] == [False, False, True]
    assert (ingest.waiting, gauge()) == (0, 0)
    ingest.close()


def test_an_exception_in_the_callback_does_not_end_the_exchange(
    real_broker: EmbeddedBroker,
    make: Callable[..., Ingest],
    stepping: Steps,
    until: Until,
    free_port: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The message that could not be taken is counted and comes again; those after it arrive."""
    metrics = Metrics()
    ingest = make(metrics)
    enqueue, broken = ingest._enqueue, [True]

    def fails_once(message: mqtt.MQTTMessage) -> None:
        if broken and message.payload == b"hard":
            broken.clear()
            raise MemoryError("no room")
        enqueue(message)

    monkeypatch.setattr(ingest, "_enqueue", fails_once)
    with stepping(ingest), plain_client(free_port, [], until) as (client, _):
        until(lambda: ingest.connected, "connected")
        publish(client, b"hard", b"easy")
        assert {a.payload for a in take_all(ingest, 2, until)} == {b"hard", b"easy"}
    assert metrics.registry.get_sample_value("underturf_ingest_callback_faults_total") == 1


def test_a_topic_that_is_no_text_is_taken_without_its_topic(make: Callable[..., Ingest]) -> None:
    """Bytes that are not UTF-8 in a topic are for the quarantine, not a reason to fall over."""
    ingest = make()
    message = mqtt.MQTTMessage(mid=1, topic=b"underturf/1/\xff\xfe")
    message.payload, message.qos = b"x", 1
    ingest._on_message(ingest._client, None, message)
    taken = ingest.take(0)
    assert taken is not None and taken.topic is None
    ingest.close()


def test_a_payload_over_the_limit_is_cut_to_one_byte_over_it(
    real_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """What is too long to be a batch does not fill the memory, and is still too long."""
    with stepping(make()) as ingest, plain_client(free_port, [], until) as (client, _):
        until(lambda: ingest.connected, "connected")
        publish(client, b"x" * (MAX_PAYLOAD_BYTES + 4000))
        assert len(take_all(ingest, 1, until)[0].payload) == MAX_PAYLOAD_BYTES + 1


def test_an_acknowledgement_of_an_earlier_connection_is_dropped(
    make: Callable[..., Ingest], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Message numbers begin anew with a new broker: an old one must never acknowledge another message."""
    ingest, sent = make(), list[int]()
    monkeypatch.setattr(ingest._client, "ack", lambda mid, qos: sent.append(mid))
    ingest._generation = 2
    ingest.acknowledge(Arrival(TOPIC, b"old", mid=5, qos=1, generation=1))
    ingest.acknowledge(Arrival(TOPIC, b"new", mid=6, qos=1, generation=2))
    ingest._send_waiting()
    assert sent == [6]
    ingest.close()


def test_the_last_will_says_that_the_server_is_down(
    real_broker: EmbeddedBroker, make: Callable[..., Ingest], stepping: Steps, until: Until, free_port: int
) -> None:
    """A pipeline that vanishes without a farewell is said to be down by the broker, and up again when it is back."""
    topic = "underturf/1/meadow/server"
    with plain_client(free_port, [topic], until) as (_, heard):
        states = lambda: [json.loads(m.payload)["state"] for m in heard]  # noqa: E731
        with stepping(make()) as ingest:
            until(lambda: states() == ["up"], "it is up")
            ingest._client.socket().shutdown(socket.SHUT_RDWR)  # the wire is cut
            until(lambda: states()[:3] == ["up", "down", "up"], "down by the will, then up again")
        until(lambda: states()[-1] == "down", "down by its own word")


def test_it_waits_for_a_broker_that_is_not_there_yet(
    make: Callable[..., Ingest],
    mosquitto: Any,
    embedded: Callable[..., EmbeddedBroker],
    stepping: Steps,
    until: Until,
) -> None:
    """The order of starting does not matter, and the reason for waiting is shown."""
    metrics = Metrics()
    with stepping(make(metrics)) as ingest:
        until(lambda: "refused" in ingest.away, "the reason is shown")
        with stepping(embedded(mosquitto)):
            until(lambda: ingest.connected, "connected")
    faults = metrics.registry.get_sample_value("underturf_environment_faults_total", {"part": "broker"})
    assert faults is not None and faults >= 1


def test_a_foreign_server_on_the_port_is_an_outage_and_not_the_end(
    make: Callable[..., Ingest], stepping: Steps, until: Until
) -> None:
    """A peer that answers with something else than MQTT is left and tried again."""
    metrics, rng = Metrics(), random.Random(20260301)
    with socket.create_server(("127.0.0.1", 0)) as server:

        def talk_nonsense() -> None:
            for _ in range(6):
                peer, _address = server.accept()
                with peer:
                    peer.recv(200)
                    peer.sendall(rng.randbytes(64))

        stranger = threading.Thread(target=talk_nonsense)
        stranger.start()
        ingest = make(metrics, config=BrokerConfig(port=server.getsockname()[1]))
        ingest._backoff.first_s = ingest._backoff.most_s = 0.01
        with stepping(ingest):
            until(lambda: not stranger.is_alive(), "six tries were made")
            assert not ingest.connected


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.fixture
def field_broker(
    mosquitto: Path, need_program: Callable[[str], str], tmp_path: Path, free_port: int, until: Until
) -> Iterator[BrokerConfig]:
    """A mosquitto as other machines reach it: TLS, passwords, and the access list that comes with the project."""
    key, cert, passwords = tmp_path / "key.pem", tmp_path / "cert.pem", tmp_path / "passwords"
    request = "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -addext subjectAltName=DNS:localhost"
    command = [need_program("openssl"), *request.split(), "-keyout", str(key), "-out", str(cert)]
    subprocess.run(command, check=True, capture_output=True)
    passwords.write_text("pipeline:under the turf\nmeadow/node-1:deep roots\n")
    subprocess.run([need_program("mosquitto_passwd"), "-U", str(passwords)], check=True, capture_output=True)
    passwords.chmod(0o644)
    secret = tmp_path / "secret"
    secret.write_text("under the turf\n")
    acl = tmp_path / "underturf.acl"
    acl.write_text((ROOT / "hardware" / "mosquitto" / "underturf.acl").read_text())
    user = "user root\n" if os.geteuid() == 0 else ""
    shipped = (ROOT / "hardware" / "mosquitto" / "underturf.conf").read_text()
    told = "".join(f"{line}\n" for line in shipped.splitlines() if line.startswith("log_dest"))
    settings = tmp_path / "mosquitto.conf"
    settings.write_text(
        f"listener {free_port} 127.0.0.1\ncertfile {cert}\nkeyfile {key}\nallow_anonymous false\n"
        f"password_file {passwords}\nacl_file {acl}\n{user}{told}"
    )
    program = subprocess.Popen([str(mosquitto), "-c", str(settings)], stderr=subprocess.DEVNULL)
    try:
        until(lambda: answers(free_port), "the broker listens")
        yield BrokerConfig(
            kind="external", host="localhost", port=free_port, username="pipeline", password_file=secret, ca_file=cert
        )
    finally:
        program.terminate()
        program.wait(20)


def test_it_speaks_tls_with_a_password_under_the_access_list(
    field_broker: BrokerConfig, make: Callable[..., Ingest], stepping: Steps, until: Until
) -> None:
    """Readings arrive and the receipt goes back over TLS, with the access list as it is shipped."""
    heard: list[mqtt.MQTTMessage] = []
    node = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="meadow/node-1")
    node.username_pw_set("meadow/node-1", "deep roots")
    node.tls_set(str(field_broker.ca_file))
    node.on_message = lambda c, d, message: heard.append(message)
    node.on_connect = lambda c, d, f, reason, p: c.subscribe(
        [("underturf/1/meadow/node-1/receipt", 1), ("underturf/1/meadow/node-1/notice", 1)]
    )
    with stepping(make(config=field_broker)) as ingest:
        until(lambda: ingest.connected, "connected")
        node.connect("localhost", field_broker.port)
        node.loop_start()
        publish(node, b"over tls")
        assert take_all(ingest, 1, until)[0].payload == b"over tls"
        ingest.publish_receipt("meadow", "node-1", Receipt(OUTBOX, 1))
        ingest.notify_node("node-1", Notice(None, "", ()))
        until(lambda: {m.topic.rsplit("/", 1)[1] for m in heard} == {"receipt", "notice"}, "both are heard")
        node.disconnect()
        node.loop_stop()


def test_who_is_turned_away_is_heard_of_from_the_broker_itself(
    field_broker: BrokerConfig, make: Callable[..., Ingest], stepping: Steps, until: Until
) -> None:
    """A wrong password, an authority that the node does not know, and a node that does not encrypt, by their address;
    once it is let in none of it is told any more."""

    def says(password: str) -> None:
        publish_once(
            "underturf/1/meadow/node-1/live", b"", hostname="localhost", port=field_broker.port,
            auth={"username": "meadow/node-1", "password": password}, tls={"ca_certs": str(field_broker.ca_file)},
        )  # fmt: skip

    def greets(*, trusting: ssl.SSLContext | None) -> None:
        with socket.create_connection(("localhost", field_broker.port), 20) as plain:
            if trusting is None:
                plain.sendall(b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00")  # CONNECT of MQTT 3.1.1
                plain.recv(1)
                return
            with plain.dup() as held:  # or the broker may find the connection cut off before it has read the alert
                with pytest.raises(ssl.SSLError):
                    trusting.wrap_socket(plain, server_hostname="localhost")
                with suppress(OSError):
                    while held.recv(4096):
                        pass

    with stepping(make(config=field_broker)) as ingest:
        until(lambda: ingest.connected, "connected")

        def causes() -> set[tuple[str, str]]:
            return {(one.address, one.cause) for one in ingest.refusals.recent(SystemClock().now_ms())}

        def is_refused() -> bool:
            with pytest.raises(MQTTException, match=r"(?i)not authori"):
                says("wrong")
            return ("127.0.0.1", "password") in causes()

        until(is_refused, "the log of the broker is heard")
        greets(trusting=ssl.create_default_context())
        with suppress(OSError):
            greets(trusting=None)
        told = {("127.0.0.1", cause) for cause in ("password", "authority", "clear")}
        until(lambda: causes() == told, "all three are heard of")
        says("deep roots")
        until(lambda: causes() == set(), "it is let in")


@pytest.mark.parametrize("among_many", [False, True])
def test_the_log_of_a_broker_is_asked_for_where_it_is_of_one_site(
    make: Callable[..., Ingest], free_port: int, monkeypatch: pytest.MonkeyPatch, among_many: bool
) -> None:
    """Of many sites nobody knows whom it turned away there."""
    ingest = make(config=BrokerConfig(kind="external", port=free_port), among_many=among_many)
    asked: list[object] = []
    monkeypatch.setattr(ingest._client, "subscribe", lambda topics, *_: asked.append(topics) or (0, len(asked)))
    connected = ReasonCode(PacketTypes.CONNACK, "Success")
    ingest._on_connect(ingest._client, None, mqtt.ConnectFlags(False), connected, None)
    assert (BROKER_LOG in asked) is not among_many and len(asked) == 2 - among_many
    ingest.close()


@pytest.mark.parametrize(
    ("name", "begins_d", "ends_d", "trusted", "told"), CERTIFICATES.values(), ids=CERTIFICATES.keys()
)
def test_a_broker_is_believed_by_its_certificate_alone(
    mosquitto: Path,
    make: Callable[..., Ingest],
    stepping: Steps,
    tmp_path: Path,
    free_port: int,
    until: Until,
    *,
    name: str,
    begins_d: int,
    ends_d: int,
    trusted: str,
    told: str,
) -> None:
    """A bad one is refused before the password is sent, in OpenSSL's words; the control is believed."""
    lines = signed(tmp_path / "broker", name=name, begins_d=begins_d, ends_d=ends_d)
    signed(tmp_path / "foreign", name=name, begins_d=begins_d, ends_d=ends_d)
    settings, log, secret = (tmp_path / file for file in ("mosquitto.conf", "log", "secret"))
    settings.write_text("\n".join((f"listener {free_port} 127.0.0.1", *lines)) + "\n")
    secret.write_text("under the turf\n")
    config = BrokerConfig(
        kind="external", host="127.0.0.1", port=free_port, username="pipeline", password_file=secret,
        ca_file=tmp_path / trusted / "ca.pem",
    )  # fmt: skip
    with log.open("wb") as out:
        broker = subprocess.Popen([str(mosquitto), "-v", "-c", str(settings)], stderr=out)
    try:
        until(lambda: answers(free_port), "the broker listens")
        with stepping(make(config=config)) as ingest:
            if told:
                until(lambda: "the certificate of the broker is refused" in ingest.away, "the refusal is told")
                assert re.search(told, ingest.away) and not ingest.connected
            else:
                until(lambda: ingest.connected, "the control is believed")
        assert ("u'pipeline'" in log.read_text()) == (not told), "the broker has had the name"
    finally:
        broker.terminate()
        broker.wait(20)


def test_a_certificate_of_our_own_alone_is_enough_for_tls(
    field_broker: BrokerConfig, make: Callable[..., Ingest], stepping: Steps, tmp_path: Path, until: Until
) -> None:
    """Without an authority of its own the broker is held against those of the system; nothing goes out in the clear."""
    own = {"ca_file": None, "cert_file": tmp_path / "cert.pem", "key_file": tmp_path / "key.pem"}
    with stepping(make(config=field_broker.model_copy(update=own))) as ingest:
        until(lambda: "the certificate of the broker is refused: self-signed" in ingest.away, "the refusal is told")


def test_a_wrong_password_is_told_in_the_brokers_words(
    field_broker: BrokerConfig, make: Callable[..., Ingest], stepping: Steps, until: Until
) -> None:
    """The reason shown is the refusal, so that somebody knows what to mend."""
    assert field_broker.password_file is not None
    field_broker.password_file.write_text("wrong\n")
    with stepping(make(config=field_broker)) as ingest:
        until(lambda: "Not authorized" in ingest.away, "the refusal is told")
        assert not ingest.connected
