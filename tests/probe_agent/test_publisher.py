"""The publisher against a real mosquitto; the pipeline's side is a second client that keeps and receipts.

Expected content is what the test put into the outbox.
"""

from __future__ import annotations

import json
import re
import subprocess
import threading
import time
import zlib
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from hardware.reading import (
    Notice,
    Receipt,
    Sample,
    Status,
    decode_batch,
    encode_notice,
    encode_receipt,
    notice_topic,
    parse_readings_topic,
    receipt_topic,
    status_topic,
)
from probe_agent.clock import ClockNote
from probe_agent.config import load
from probe_agent.mqtt import try_broker
from probe_agent.outbox import Outbox
from probe_agent.publisher import Publisher
from tests.broker_certificates import CERTIFICATES, signed

SET = ClockNote(True, "boot-1", 5000, 1_772_323_200_000)


def heard(n: int, first: int = 0) -> list[Sample]:
    return [
        Sample("square-1/p1/moisture", str(900 * i), 1_772_323_200_000 + 1000 * i, 12.5, Status.OK, 1)
        for i in range(first, first + n)
    ]


class FakePipeline:
    """Keeps every batch, and receipts the highest contiguous seq unless told not to."""

    def __init__(self, port: int, *, receipts: bool = True) -> None:
        self.seqs: list[int] = []
        self.batches = 0
        self.payloads: list[bytes] = []
        self.values: dict[int, float | None] = {}
        self.status: list[dict] = []
        self.receipts = receipts
        self.ready = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="pipeline")
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_message = self._on_message
        self.client.connect_async("127.0.0.1", port)
        self.client.reconnect_delay_set(0.1, 0.2)
        self.client.loop_start()
        assert self.ready.wait(10)

    def _on_connect(self, client, *_):
        client.subscribe([("underturf/1/home/hut/readings/#", 1), (status_topic("home", "hut"), 1)])

    def _on_message(self, client, _userdata, message):
        if message.topic == status_topic("home", "hut"):
            self.status.append(json.loads(message.payload))
            answer = encode_notice(Notice(None, "", ()))  # a server answers a status at once
            client.publish(notice_topic("home", "hut"), answer, qos=0)
            return
        batch = decode_batch(message.payload, parse_readings_topic(message.topic))
        self.batches += 1
        self.payloads.append(message.payload)
        for reading in batch.readings:
            self.seqs.append(reading.seq)
            self.values[reading.seq] = reading.raw
        if self.receipts:
            self.receipt(batch.outbox_id, self.contiguous(batch.lowest_kept))

    def contiguous(self, lowest: int = 1) -> int:
        seq = lowest - 1
        while seq + 1 in self.values:
            seq += 1
        return seq

    def receipt(self, outbox_id: str, seq: int) -> None:
        self.client.publish(receipt_topic("home", "hut"), encode_receipt(Receipt(outbox_id, seq)), qos=1, retain=True)

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def outbox(tmp_path):
    made = Outbox(tmp_path, site="home", node="hut", max_bytes=4 << 20)
    yield made
    made.close()


@pytest.fixture
def make_publisher(write_config, outbox):
    made = []

    def make(port: int, *, more: str = "", **keys):
        path = write_config(port=port)
        path.write_text(path.read_text().replace("[broker]", "[broker]\n" + more))
        publisher = Publisher(load(path), outbox, monotonic=time.monotonic, chance=lambda: 0.0, **keys)
        made.append(publisher)
        return publisher

    yield make
    for publisher in made:
        publisher.stop()


@pytest.fixture
def pipeline_at():
    made = []

    def make(port: int, **keys) -> FakePipeline:
        made.append(FakePipeline(port, **keys))
        return made[-1]

    yield make
    for pipeline in made:
        pipeline.stop()


def test_readings_arrive_in_order_and_receipts_free_them(start_broker, make_publisher, pipeline_at, outbox, until):
    """Everything put arrives with its values, oldest first, and the backlog ends at 0."""
    port = start_broker().port
    pipeline = pipeline_at(port)
    publisher = make_publisher(port)
    outbox.put(heard(1200), SET)
    until(lambda: outbox.backlog == 0, step=publisher.step)
    assert sorted(set(pipeline.seqs)) == list(range(1, 1201))
    assert pipeline.seqs[:1000] == list(range(1, 1001))
    assert set(pipeline.values.values()) == {12.5}
    assert publisher.state == "up"


def test_batches_are_deflated_for_a_pipeline_that_takes_them(start_broker, make_publisher, pipeline_at, outbox, until):
    """The retained receipt says so before the first batch leaves; a short batch stays plain."""
    port = start_broker().port
    pipeline = pipeline_at(port)
    pipeline.receipt(outbox.outbox_id, 0)
    publisher = make_publisher(port)
    outbox.put(heard(100), SET)
    until(lambda: outbox.backlog == 0, step=publisher.step)
    outbox.put(heard(1, first=100), SET)
    until(lambda: outbox.backlog == 0, step=publisher.step)
    assert [payload[:1] for payload in pipeline.payloads] == [b"x", b"["]
    assert len(pipeline.payloads[0]) < 0.33 * len(zlib.decompress(pipeline.payloads[0]))
    assert set(pipeline.values) == set(range(1, 102))
    assert publisher.server == ""


def test_an_older_pipeline_gets_plain_batches_and_is_named(start_broker, make_publisher, pipeline_at, outbox, until):
    """A receipt that says nothing of deflated batches is a pipeline's from before them."""
    port = start_broker().port
    pipeline = pipeline_at(port, receipts=False)
    old = json.dumps({"outbox_id": outbox.outbox_id, "seq": 0}).encode()
    pipeline.client.publish(receipt_topic("home", "hut"), old, qos=1, retain=True).wait_for_publish(10)
    publisher = make_publisher(port)
    outbox.put(heard(100), SET)
    until(lambda: pipeline.batches == 1, step=publisher.step)
    until(lambda: publisher.server != "", step=publisher.step)
    assert pipeline.payloads[0][:1] == b"["
    assert publisher.server == "older than this agent: takes no deflated batches"


def test_acknowledgement_alone_frees_nothing(start_broker, make_publisher, pipeline_at, outbox, until):
    """A broker that acknowledged every batch has not made one reading free; they are sent again."""
    port = start_broker().port
    pipeline = pipeline_at(port, receipts=False)
    publisher = make_publisher(port)
    acknowledged = []
    publisher.acknowledged = lambda first, last: acknowledged.append((first, last))
    outbox.put(heard(10), SET)
    until(lambda: pipeline.batches >= 2 and acknowledged, step=publisher.step)
    assert outbox.backlog == 10
    assert set(pipeline.seqs) == set(range(1, 11))
    assert publisher.resends >= 1
    pipeline.receipt(outbox.outbox_id, 10)
    until(lambda: outbox.backlog == 0, step=publisher.step)


def test_batches_in_flight_are_bounded(start_broker, make_publisher, pipeline_at, outbox, until):
    """Without receipts no more than the named number of batches is sent, the oldest ones."""
    port = start_broker().port
    pipeline = pipeline_at(port, receipts=False)
    publisher = make_publisher(port, more="batches_in_flight = 2\n")
    outbox.put(heard(3000), SET)
    until(lambda: publisher.resends >= 2, step=publisher.step)
    assert max(pipeline.seqs) == 1000


def test_a_server_that_is_slow_is_not_drowned_in_resends(start_broker, make_publisher, pipeline_at, outbox, until):
    """Each connection given up without a receipt doubles the wait, up to eight times; one that frees readings ends it.
    A server that takes longer than the wait over what is sent in it never came through the copies (seen)."""
    port = start_broker().port
    pipeline = pipeline_at(port, receipts=False)
    publisher = make_publisher(port)
    outbox.put(heard(10), SET)
    waits = []
    for _ in range(3):
        until(lambda: publisher.state == "up", step=publisher.step)
        waits.append(publisher.receipt_within_s)
        until(lambda: publisher.state != "up", step=publisher.step, within_s=20)
    assert waits == pytest.approx([0.3, 0.6, 1.2])
    until(lambda: publisher.state == "up", step=publisher.step)
    at, resends = time.monotonic(), publisher.resends
    until(lambda: publisher.resends > resends, step=publisher.step)
    assert time.monotonic() - at > 2.3
    pipeline.receipt(outbox.outbox_id, 5)
    until(lambda: outbox.backlog == 5, step=publisher.step)
    assert publisher.receipt_within_s == pytest.approx(0.3)


def test_a_server_that_is_back_ends_the_patience_at_once(start_broker, make_publisher, pipeline_at, outbox, until):
    """After a long outage: what was sent meanwhile is lost, and the receipt that it says first frees nothing. What the
    broker had kept from before says nothing of whether it runs."""
    port = start_broker().port
    pipeline = pipeline_at(port, receipts=False)
    pipeline.receipt(outbox.outbox_id, 0)
    publisher = make_publisher(port)
    outbox.put(heard(10), SET)
    for _ in range(4):
        until(lambda: publisher.state == "up", step=publisher.step)
        until(lambda: publisher.state != "up", step=publisher.step, within_s=20)
    deflates = lambda: publisher._connection is not None and publisher._connection.deflates is not None  # noqa: E731
    until(lambda: publisher._in_flight and deflates(), step=publisher.step)  # it has read the receipt that was kept
    assert publisher.receipt_within_s == pytest.approx(2.4)
    pipeline.receipt(outbox.outbox_id, 0)
    until(lambda: publisher.receipt_within_s < 2.4, step=publisher.step)
    assert publisher.receipt_within_s == pytest.approx(0.3)
    pipeline.receipts = True
    until(lambda: outbox.backlog == 0, step=publisher.step)


def test_broker_killed_under_way_loses_nothing(start_broker, make_publisher, pipeline_at, outbox, until):
    """Kills of the broker cost time, not readings; the same publisher comes back by itself."""
    broker = start_broker()
    pipeline = pipeline_at(broker.port)
    publisher = make_publisher(broker.port)
    for round_ in range(2):
        outbox.put(heard(1000, first=1000 * round_), SET)
        until(lambda: publisher.state == "up", step=publisher.step)
        broker.restart()
    until(lambda: outbox.backlog == 0, step=publisher.step, within_s=20)
    assert set(pipeline.values) == set(range(1, 2001))


def test_restored_pipeline_gets_what_it_lost(start_broker, make_publisher, pipeline_at, outbox, until):
    """A receipt that goes back makes the publisher send from there again."""
    port = start_broker().port
    pipeline = pipeline_at(port)
    publisher = make_publisher(port)
    outbox.put(heard(100), SET)
    until(lambda: outbox.backlog == 0, step=publisher.step)
    pipeline.values.clear()
    for seq in range(1, 41):
        pipeline.values[seq] = 12.5
    pipeline.receipt(outbox.outbox_id, 40)
    until(lambda: len(pipeline.values) == 100, step=publisher.step)
    until(lambda: outbox.backlog == 0, step=publisher.step)


def test_foreign_receipts_change_nothing(start_broker, make_publisher, pipeline_at, outbox, until):
    """A receipt that is no receipt, or another outbox's, frees nothing and stops nothing."""
    port = start_broker().port
    pipeline = pipeline_at(port, receipts=False)
    publisher = make_publisher(port)
    outbox.put(heard(5), SET)
    until(lambda: publisher.state == "up", step=publisher.step)
    pipeline.client.publish(receipt_topic("home", "hut"), b"\xff{", qos=1)
    until(lambda: publisher.bad_receipts == 1, step=publisher.step)
    pipeline.receipt("e" * 32, 5)
    until(lambda: pipeline.batches >= 2, step=publisher.step)
    assert outbox.backlog == 5


def test_readings_of_an_unset_clock_are_held_back(start_broker, make_publisher, pipeline_at, outbox, until):
    """What this boot heard before its clock was set is not sent while it may still be dated."""
    port = start_broker().port
    pipeline = pipeline_at(port)
    publisher = make_publisher(port)
    unset = ClockNote(False, "boot-1", 1000, 1_772_323_200_000)
    outbox.put(heard(3), SET)
    outbox.put(heard(3), unset, grid_s=900)
    until(lambda: outbox.backlog == 3, step=lambda: publisher.step(hold=unset))
    outbox.redate(ClockNote(True, "boot-1", 2000, 1_772_400_000_000))
    until(lambda: outbox.backlog == 0, step=publisher.step)
    assert set(pipeline.values) == {1, 2, 3, 4, 5, 6}


def test_status_is_retained_and_the_will_speaks_for_the_dead(start_broker, make_publisher, pipeline_at, outbox, until):
    """Up with backlog and lines; down on a clean stop; down by the will when the connection just ends."""
    port = start_broker().port
    pipeline = pipeline_at(port)
    publisher = make_publisher(port)
    until(lambda: bool(pipeline.status), step=lambda: publisher.step(lines={"north": "away: unplugged"}))
    up = pipeline.status[-1]
    assert (up["state"], up["outbox_id"], up["backlog"], up["dropped"]) == ("up", outbox.outbox_id, 0, 0)
    assert up["lines"] == {"north": "away: unplugged"}
    publisher.stop()
    until(lambda: pipeline.status[-1]["state"] == "down")
    assert pipeline.status[-1]["outbox_id"] == outbox.outbox_id
    until(lambda: publisher.state == "up", step=publisher.step)
    until(lambda: pipeline.status[-1]["state"] == "up", step=publisher.step)
    publisher._connection._client.socket().shutdown(2)  # as a cut cable
    until(lambda: pipeline.status[-1] == {"state": "down"})


def test_a_backlog_that_is_gone_is_told_at_once(start_broker, make_publisher, pipeline_at, outbox, until):
    """Before the half minute that passes else between two words of it: a server would count on readings to come."""
    port = start_broker().port
    pipeline, publisher = pipeline_at(port), make_publisher(port)
    until(lambda: bool(pipeline.status), step=publisher.step)
    publisher._status = {**publisher._status, "backlog": 3}  # what was told last
    until(lambda: len(pipeline.status) > 1, step=publisher.step)
    assert pipeline.status[-1]["backlog"] == 0


def test_back_off_doubles_with_jitter_to_its_limit(make_publisher, hand_clock, outbox, until):
    """Attempts on a dead broker are 0.5, 1, 2 ... s apart at the lowest chance, at most 30 (arithmetic)."""
    publisher = make_publisher(1)  # nobody listens on port 1
    publisher._monotonic = hand_clock.monotonic
    expected_s = 0.5
    for _ in range(8):
        publisher.step()
        assert publisher._connection is not None
        until(lambda: publisher._connection is None, step=publisher.step)
        hand_clock.move(expected_s - 0.001)
        publisher.step()
        assert publisher._connection is None
        hand_clock.move(0.002)
        expected_s = min(2 * expected_s, 30.0)
    assert publisher.state == "away: the broker cannot be reached"


@pytest.fixture
def secured_port(start_broker, tmp_path, need_program) -> int:
    """A mosquitto with TLS, passwords for `home/hut` and `pipeline` (both `green`), and the access list we ship."""

    folder = tmp_path

    def run(program: str, *words: str) -> None:
        subprocess.run([need_program(program), *words], cwd=folder, check=True, capture_output=True)

    elliptic = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    named = ("-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1")
    run("openssl", "req", "-x509", *elliptic, "-days", "2", "-keyout", "key.pem", "-out", "cert.pem", *named)
    run("mosquitto_passwd", "-b", "-c", "passwords", "home/hut", "green")
    run("mosquitto_passwd", "-b", "passwords", "pipeline", "green")
    shipped = Path(__file__).parents[2] / "hardware" / "mosquitto" / "underturf.acl"
    (folder / "acl").write_text(shipped.read_text())
    (folder / "word").write_text("green\n")
    for file in folder.iterdir():
        file.chmod(0o755 if file.is_dir() else 0o644)  # mosquitto gives up root
    tls = [f"certfile {folder / 'cert.pem'}", f"keyfile {folder / 'key.pem'}"]
    access = ["allow_anonymous false", f"password_file {folder / 'passwords'}", f"acl_file {folder / 'acl'}"]
    return start_broker(*tls, *access, "user root").port


BY_PASSWORD = 'username = "home/hut"\npassword_file = "word"\nca_file = "cert.pem"\n'


def test_wrong_password_is_refused_and_a_right_one_gets_in(secured_port, make_publisher, tmp_path, until):
    """Over TLS; the password file is read at each attempt, so a corrected one needs no restart."""
    port = secured_port
    publisher = make_publisher(port, more=BY_PASSWORD)
    (tmp_path / "word").write_text("brown\n")
    until(lambda: "refused" in publisher.state, step=publisher.step)
    (tmp_path / "word").write_text("green\n")
    until(lambda: publisher.state == "up", step=publisher.step)


@pytest.mark.parametrize(
    ("name", "begins_d", "ends_d", "trusted", "told"), CERTIFICATES.values(), ids=CERTIFICATES.keys()
)
def test_a_broker_is_believed_by_its_certificate_alone(
    start_broker, make_publisher, outbox, tmp_path, until, *, name, begins_d, ends_d, trusted, told
):
    """One that has expired, begins tomorrow, is of another address or name, or of an authority that is called the same
    is refused by the agent and by its doctor, which say why (the words are those of OpenSSL); nothing is sent to it
    and the reading stays. The control is believed."""
    port = start_broker(*signed(tmp_path / "broker", name=name, begins_d=begins_d, ends_d=ends_d)).port
    signed(tmp_path / "foreign", name=name, begins_d=begins_d, ends_d=ends_d)
    outbox.put(heard(1), SET)
    publisher = make_publisher(port, more=f'ca_file = "{trusted}/ca.pem"\n')
    expected = r"certificate of the broker is refused: .*(" + told + ")"
    doctor = try_broker(publisher._config, within_s=10.0)
    if not told:
        until(lambda: publisher.state == "up" and publisher.sent == 1, step=publisher.step)
        assert doctor is None
        return
    until(lambda: publisher.state.startswith("away: the "), step=publisher.step)
    assert re.search(expected, publisher.state), publisher.state
    assert doctor is not None and re.search(expected, doctor), doctor
    assert publisher.sent == 0 and outbox.backlog == 1


def test_access_list_lets_a_node_write_its_own_topics_only(secured_port, make_publisher, outbox, tmp_path, until):
    """The shipped list: own readings arrive and the own receipt is heard; a neighbour's topics are closed both ways."""
    port = secured_port
    heard_topics: list[str] = []
    pipeline = mqtt.Client(CallbackAPIVersion.VERSION2)
    pipeline.username_pw_set("pipeline", "green")
    pipeline.tls_set(str(tmp_path / "cert.pem"))
    ready = threading.Event()
    pipeline.on_subscribe = lambda *_: ready.set()
    pipeline.on_message = lambda _c, _u, message: heard_topics.append(message.topic)
    pipeline.on_connect = lambda client, *_: client.subscribe("underturf/1/+/+/readings/#", 1)
    pipeline.connect_async("127.0.0.1", port)
    pipeline.loop_start()
    assert ready.wait(10)

    outbox.put(heard(5), SET)
    publisher = make_publisher(port, more=BY_PASSWORD)
    until(lambda: publisher.state == "up", step=publisher.step)
    until(lambda: bool(heard_topics), step=publisher.step)  # before a receipt says that they are kept
    node = publisher._connection._client
    overheard: list[bytes] = []
    node.subscribe("underturf/1/home/+/receipt", 1)
    neighbour = f"underturf/1/home/shed/readings/{outbox.outbox_id}/1/1"
    acknowledged = node.publish(neighbour, b"[]", qos=1)
    acknowledged.wait_for_publish(5)  # mosquitto acknowledges it all the same
    on_message = node.on_message
    node.on_message = lambda c, u, m: (overheard.append(m.topic), on_message(c, u, m))
    pipeline.publish(receipt_topic("home", "shed"), b"{}", qos=1)
    receipt = encode_receipt(Receipt(outbox.outbox_id, 5))
    pipeline.publish(receipt_topic("home", "hut"), receipt, qos=1, retain=True)
    until(lambda: outbox.backlog == 0, step=publisher.step)
    pipeline.disconnect()
    pipeline.loop_stop()
    assert set(heard_topics) == {f"underturf/1/home/hut/readings/{outbox.outbox_id}/1/5"}
    assert set(overheard) == {receipt_topic("home", "hut")}
