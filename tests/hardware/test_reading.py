"""The wire form of readings: round trips, every refusal with its reason, foreign payloads, receipts and topics.

Expected values come from RFC 8428 (its example packs, written out from memory), from JSON (RFC 8259), and from algebra:
what was encoded must come back.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import tracemalloc
import zlib
from functools import partial

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic_core import from_json

from hardware import reading as module
from hardware.reading import (
    MAX_BATCH,
    MAX_PAYLOAD_BYTES,
    MAX_SEQ,
    TOLD_NOISY,
    BadBatch,
    Batch,
    BatchSpan,
    Reading,
    Receipt,
    Status,
    decode_batch,
    decode_receipt,
    deflate,
    digest_of,
    encode_batch,
    encode_receipt,
    follows_on,
    is_channel,
    is_slug,
    joined_batch,
    parse_readings_topic,
    readings_topic,
    receipt_topic,
    status_topic,
)

OUTBOX = "0123456789abcdef"
PARSERS = [None, partial(from_json, allow_inf_nan=False)]
SPAN = BatchSpan("club", "north", OUTBOX, 5, 6)
T_MS = 1_706_745_600_123


def one(seq=5, **changes):
    plain = Reading(
        "club", "north", OUTBOX, seq, "square-1/p1/moisture_035", "1706745600", T_MS, 0.31, Status.OK, 1, True
    )
    return dataclasses.replace(plain, **changes)


def pack(first=None, second=None, drop=()):
    """A good pack of seq 5 and 6 as JSON values, with labels of its records put in or taken out."""
    records = json.loads(encode_batch(Batch("club", "north", OUTBOX, 3, (one(5), one(6)))))
    records[0].update(first or {})
    records[1].update(second or {})
    for label in drop:
        records[1].pop(label)
    return json.dumps(records).encode()


slugs = st.sampled_from(["a", "p1", "0", "square-1", "moisture_035", "a" * 64, "9_-", "north"])
channels = st.builds("{}/{}/{}".format, slugs, slugs, slugs)
slots = st.one_of(
    st.integers(946_684_800, 7_258_118_400).map(str),
    st.builds("stroke:{}:{}".format, st.integers(0, 10**6), st.integers(0, 999)),
    st.sampled_from(["A", "0123", "0", "x" * 64, "a:b.c_d-e", "1" * 19]),
)
outcomes = st.one_of(
    st.tuples(st.floats(allow_nan=False, allow_infinity=False), st.just(Status.OK)),
    st.tuples(st.none(), st.sampled_from([s for s in Status if s is not Status.OK])),
)


@st.composite
def batches(draw):
    """Any batch an agent may send."""
    site, node = draw(slugs), draw(slugs)
    outbox = draw(st.sampled_from([OUTBOX, "f" * 32, "0" * 17]))
    first = draw(st.integers(1, MAX_SEQ - 20))
    readings = []
    for i in range(draw(st.integers(1, 6))):
        raw, status = draw(outcomes)
        at_ms = draw(st.integers(946_684_800_000, 7_258_118_400_000))
        tries, clock_ok = draw(st.integers(0, 99)), draw(st.booleans())
        channel, slot = draw(channels), draw(slots)
        told = (channel, slot, at_ms, raw, status, tries, clock_ok, draw(st.booleans()))
        readings.append(Reading(site, node, outbox, first + i, *told))
    before, follows = draw(st.sampled_from([None, "", "0123456789abcdef"])), draw(st.sampled_from(["", "e" * 32]))
    return Batch(site, node, outbox, draw(st.integers(1, first)), tuple(readings), before, follows)


def test_a_noisy_line_has_a_label_of_its_own_that_an_earlier_version_passes_over():
    """Only such a reading carries it, and its digest is the same without: a pipeline that does not know the label gives
    a receipt that fits. A node of before, which said so by 64 more tries, is read as it sends."""
    noisy = Batch("club", "north", OUTBOX, 3, (one(5), one(6, noisy=True, attempts=2)))
    records = json.loads(encode_batch(noisy))
    assert ["noisy" in r for r in records] == [False, True] and (records[1]["attempts"], records[1]["noisy"]) == (
        2,
        True,
    )
    assert digest_of(noisy.readings[1]) == digest_of(one(6, attempts=2))
    before = decode_batch(pack(second={"attempts": TOLD_NOISY + 1}), SPAN).readings[1]
    assert (before.attempts, before.noisy) == (65, False) and digest_of(before) == digest_of(one(6, attempts=65))
    for loads in PARSERS:
        with pytest.raises(BadBatch, match="noisy: found 1 at seq 6, expected true or false"):
            decode_batch(pack(second={"noisy": 1}), SPAN, loads=loads)


@given(batches())
@settings(deadline=None)
@pytest.mark.parametrize("loads", PARSERS)
def test_a_batch_comes_back_as_it_was_sent(loads, batch):
    """Encoding then decoding gives the same batch, to the millisecond and the last bit, by either parser (algebra)."""
    topic = readings_topic(batch)
    again = decode_batch(encode_batch(batch), parse_readings_topic(topic), loads=loads)
    assert again == batch and batch == again
    assert [r.noisy for r in again.readings] == [r.noisy for r in batch.readings]  # which equality leaves out
    assert all(type(r.raw) is float for r in again.readings if r.status is Status.OK)


@given(batches())
@settings(deadline=None)
def test_columns_are_the_readings(batch):
    """Readings by column are counted, picked, cut and gone through as the readings themselves are (algebra)."""
    columns, readings = batch.columns, batch.readings
    assert columns == readings and len(columns) == len(readings) and tuple(columns) == readings
    assert all(columns[i] == readings[i] for i in range(-len(readings), len(readings)))
    assert columns[1:-1] == readings[1:-1] and columns[:2].first == batch.first
    assert columns != readings[1:] and columns != "readings"
    with pytest.raises(IndexError):
        columns[len(readings)]
    with pytest.raises(ValueError, match="found a step of 2, expected 1"):
        columns[::2]


@given(batches(), st.data())
@settings(deadline=None)
def test_batches_cut_and_joined_are_the_whole(batch, data):
    """A batch cut in two follows on itself, and joined it is the batch; of two claims to a hole below it the higher one
    counts (algebra). Batches by turns, with a gap, or that prove another reading before do not follow on."""
    cut = data.draw(st.integers(1, len(batch.readings)))
    parts = [part for part in (batch.readings[:cut], batch.readings[cut:]) if part]
    lowest = [data.draw(st.integers(1, part[0].seq)) for part in parts]
    origin = (batch.site, batch.node, batch.outbox_id)
    cuts = [Batch(*origin, n, part) for n, part in zip(lowest, parts, strict=True)]
    again = joined_batch(cuts)
    assert again == dataclasses.replace(batch, lowest_kept=min(max(lowest), batch.first), before=None, follows="")
    if len(cuts) == 2:
        one, other = cuts
        proves = dataclasses.replace(one, before="")
        assert follows_on(one, other) and not follows_on(other, one) and not follows_on(one, one)
        assert follows_on(proves, dataclasses.replace(other, before=digest_of(one.readings[-1])))
        assert not follows_on(proves, other)
        assert not follows_on(proves, dataclasses.replace(other, before=digest_of(other.readings[-1])[::-1]))


@given(batches(), st.data())
@settings(deadline=None, max_examples=150)
def test_both_ways_of_decoding_agree_on_any_disturbed_pack(batch, data):
    """The quick way accepts only what the thorough way does, and gives the same readings (each checks the other)."""
    records = json.loads(encode_batch(batch))
    place = data.draw(st.integers(0, len(records) - 1))
    label = data.draw(
        st.sampled_from(["n", "t", "seq", "slot", "v", "vs", "attempts", "clock_ok", "bt", "bn", "x_", "u"])
    )
    value = data.draw(
        st.one_of(
            st.none(),
            st.booleans(),
            st.integers(-1, 100),
            st.just(10**400),
            st.floats(allow_nan=False, allow_infinity=False),
            st.sampled_from(["", "silent", "ok", "a/b/c", "A/b/c", "1706745600", "no slot!", [], {}]),
        )
    )
    if data.draw(st.booleans()):
        records[place][label] = value
    else:
        records[place].pop(label, None)
    span = parse_readings_topic(readings_topic(batch))
    records = json.loads(json.dumps(records))
    try:
        slow = tuple(module._decode_record(r, span, span.first + i) for i, r in enumerate(records))
    except BadBatch:
        slow = None
    assert module._decode_together(records, span) in (slow, None)


def test_a_plain_batch_takes_the_quick_way():
    """The quick way is taken where it should be: by a batch of good and failed readings."""
    records = json.loads(
        encode_batch(Batch("club", "north", OUTBOX, 1, (one(5), one(6, raw=None, status=Status.SHORT))))
    )
    assert module._decode_together(records, SPAN) == (one(5), one(6, raw=None, status=Status.SHORT))


def test_the_wire_form_is_senml():
    """Records carry the labels of RFC 8428, table 1: bn once, n, u, t in seconds, v or vs; units of section 12.1."""
    batch = Batch(
        "club", "north", OUTBOX, 3, (one(5), one(6, raw=None, status=Status.SILENT, attempts=3, clock_ok=False))
    )
    first, second = json.loads(encode_batch(batch, {"square-1/p1/moisture_035": "water_content"}))
    assert first == {
        **{"bn": "club:north:", "underturf": 1, "outbox_id": OUTBOX, "lowest_kept": 3},
        **{"n": "square-1/p1/moisture_035", "t": 1706745600.123, "seq": 5, "slot": "1706745600", "v": 0.31, "u": "/"},
    }
    assert (second["vs"], second["attempts"], second["clock_ok"]) == ("silent", 3, False)
    assert not {"v", "u", "bn"} & set(second)


REFUSALS = [
    ({"underturf": 2}, {}, "underturf: found version 2, expected 1"),
    ({"bn": "club:south:"}, {}, "bn: found 'club:south:'"),
    ({"outbox_id": "f" * 16}, {}, "outbox_id: found"),
    ({"lowest_kept": 0}, {}, "lowest_kept: found 0"),
    ({"lowest_kept": 6}, {}, "lowest_kept: found 6, expected a whole number from 1 to 5"),
    ({"lowest_kept": True}, {}, "lowest_kept: found True"),
    ({}, {"seq": 7}, "seq: found 7, expected 6"),
    ({}, {"seq": 6.0}, "seq: found 6.0, expected 6"),
    ({}, {"seq": "6"}, "seq: found '6', expected 6"),
    ({}, {"n": "p1/moisture"}, "n: found 'p1/moisture' at seq 6"),
    ({}, {"n": "Square/p1/moisture"}, "n: found 'Square/p1/moisture' at seq 6"),
    ({}, {"n": 3}, "n: found 3 at seq 6"),
    ({}, {"slot": "a b"}, "slot: found 'a b' at seq 6"),
    ({}, {"slot": 1706745600}, "slot: found 1706745600 at seq 6"),
    ({}, {"t": "1706745600"}, "t: found '1706745600' at seq 6"),
    ({}, {"t": True}, "t: found True at seq 6"),
    ({}, {"t": 150}, "t: found 150 at seq 6"),  # a time relative to now, RFC 8428, 4.5.3
    ({}, {"t": 7_258_118_401}, "t: found 7258118401 at seq 6"),
    ({}, {"v": "0.3"}, "v: found 0.3 at seq 6"),
    ({}, {"v": True}, "v: found True at seq 6"),
    ({}, {"v": None}, "v: found None at seq 6"),
    ({}, {"v": 10**400}, "v: found 1000"),  # RFC 8259, 6: JSON may spell numbers no float holds
    ({}, {"vs": "silent"}, "vs: found 'silent' at seq 6"),  # both a value and a status
    ({}, {"v": None, "vs": "ok"}, "vs: found 'ok' at seq 6"),
    ({}, {"v": None, "vs": "asleep"}, "vs: found 'asleep' at seq 6"),
    ({}, {"attempts": -1}, "attempts, clock_ok: found -1"),
    ({}, {"attempts": 100}, "attempts, clock_ok: found 100"),
    ({}, {"attempts": 1.5}, "attempts, clock_ok: found 1.5"),
    ({}, {"clock_ok": 1}, "attempts, clock_ok: found 1, 1"),
    ({}, {"must_": 1}, "label: found 'must_'"),  # RFC 8428, 4.4: a label that ends in _ must be understood
    ({"bt": 1}, {}, "label: found 'bt' at seq 5"),  # RFC 8428, 4.1: base values shift all that follow
    ({}, {"bv": 1}, "label: found 'bv' at seq 6"),
    ({}, {"bn": "other:"}, "label: found 'bn' at seq 6"),
    ({"before": 5}, {}, "before: found 5"),
    ({"before": "0123"}, {}, "before: found '0123'"),
    ({"follows": ["a"]}, {}, "follows: found ['a']"),
    ({"redated": "1-2"}, {}, "redated: found '1-2'"),
    ({"redated": "1-2:+5,"}, {}, "redated: found '1-2:+5,'"),
    ({"redated": "1-99:+5"}, {}, "redated: found 1-99:+5, expected readings before"),
    ({"redated": [1]}, {}, "redated: found [1]"),
    ({"follows": "xyz"}, {}, "follows: found 'xyz'"),
    ({}, {"note": {"a": [[]]}}, "label: found 'note' nested at seq 6"),  # RFC 8428, 5: values are plain
]


@pytest.mark.parametrize("loads", PARSERS)
@pytest.mark.parametrize(("first", "second", "reason"), REFUSALS, ids=[r[2][:30] for r in REFUSALS])
def test_a_pack_out_of_form_is_refused_with_its_reason(loads, first, second, reason):
    """Each thing that can be wrong with a pack is named, with what was found (our own rules, hardware.reading)."""
    with pytest.raises(BadBatch) as refused:
        decode_batch(pack(first, second), SPAN, loads=loads)
    assert str(refused.value).startswith(reason)


def test_the_pack_the_refusals_start_from_is_good():
    """The undisturbed pack of the refusals decodes, so each of them is refused for what it says."""
    assert decode_batch(pack(), SPAN) == Batch("club", "north", OUTBOX, 3, (one(5), one(6)))


@pytest.mark.parametrize("label", ["n", "t", "seq", "slot", "v"])
def test_a_pack_that_lacks_a_label_is_refused(label):
    """A record without one of its labels is refused by that label's name."""
    with pytest.raises(BadBatch, match=rf"^{label}: found None"):
        decode_batch(pack(drop=[label]), SPAN)


PAYLOADS = [
    (b"", "payload: found b''"),
    (b"\x00\xff\xfe", "payload: found b'\\x00\\xff\\xfe'"),
    (b"temperature=21.5", "payload: found b'temperature=21.5'"),
    (b"{}", "payload: expected a SenML pack"),
    (b"[]", "payload: expected a SenML pack"),
    (b"[1]", "payload: expected a SenML pack"),
    (b"null", "payload: expected a SenML pack"),
    (b'[{"v":NaN}]', "payload: found b'[{\"v\":NaN}]'"),  # RFC 8259, 6: NaN and Infinity are not numbers of JSON
    (b'[{"v":-Infinity}]', "payload: found"),
    (b"[" * 100_000, "payload: found JSON nested too deep"),
    (b'[{"v":' + b"9" * 5000 + b"}]", "payload: found"),
    (b" " * (MAX_PAYLOAD_BYTES + 1), f"payload: found {MAX_PAYLOAD_BYTES + 1} bytes"),
    (pack()[:-1], "payload: found"),
    (json.dumps(json.loads(pack())[:1]).encode(), "pack: found 1 records, expected 2"),
]


@pytest.mark.parametrize("loads", PARSERS)
@pytest.mark.parametrize(("payload", "reason"), PAYLOADS, ids=range(len(PAYLOADS)))
def test_a_foreign_payload_is_refused_with_its_reason(loads, payload, reason):
    """What is no pack at all, or not one of ours, raises BadBatch and nothing else."""
    with pytest.raises(BadBatch) as refused:
        decode_batch(payload, SPAN, loads=loads)
    assert str(refused.value).startswith(reason)


# RFC 8428, 5.1.1, 5.1.2, 5.1.3 and 5.1.7 (from memory): good SenML, and nobody's readings.
RFC_PACKS = [
    '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]',
    '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]',
    '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
    '{"n":"current","t":-5,"v":1.2},{"n":"current","v":1.7}]',
    '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},'
    '{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]',
]


@pytest.mark.parametrize("text", RFC_PACKS, ids=range(len(RFC_PACKS)))
def test_a_pack_of_the_standard_that_is_not_ours_is_refused_by_version(text):
    """Example packs of RFC 8428 parse as SenML and are refused because they do not say they are ours."""
    with pytest.raises(BadBatch, match=r"^underturf: found version None, expected 1"):
        decode_batch(text.encode(), SPAN)


def test_a_deflated_batch_is_an_rfc_1950_stream_and_decodes_as_the_plain_one():
    """What another implementation (zlib's own command of Python) inflates is the pack; both forms decode alike."""
    deflated = deflate(pack())
    assert zlib.decompress(deflated) == pack()
    assert decode_batch(deflated, SPAN) == decode_batch(pack(), SPAN)


DEFLATED = [
    (zlib.compress(b"[" + b" " * (MAX_PAYLOAD_BYTES - 2) + b"]"), "payload: expected a SenML pack"),
    (zlib.compress(b" " * (MAX_PAYLOAD_BYTES + 1)), "payload: found a zlib stream of more, expected at most 524288"),
    (zlib.compress(b" " * 200_000_000), "payload: found a zlib stream of more, expected at most 524288"),
    (zlib.compress(pack())[:-1], "payload: found a zlib stream cut off after"),
    (zlib.compress(pack()) + b"x", "payload: found 1 bytes after the zlib stream"),
    (zlib.compress(zlib.compress(pack())), "payload: found b'x"),
    (b"\x78\x9c" + b"\xff" * 40, "payload: found b'x"),
]


@pytest.mark.parametrize(("payload", "reason"), DEFLATED, ids=range(len(DEFLATED)))
def test_a_deflated_payload_is_inflated_once_whole_and_within_the_bound(payload, reason):
    """A stream cut off, followed by more, deflated twice or too long inside is refused with its reason."""
    tracemalloc.start()
    with pytest.raises(BadBatch) as refused:
        decode_batch(payload, SPAN)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert str(refused.value).startswith(reason)
    assert peak < 8 * MAX_PAYLOAD_BYTES


@given(st.integers(0, 8 * 500))
@settings(deadline=None, max_examples=100)
def test_a_flipped_bit_in_a_deflated_pack_is_refused(bit):
    """The check value at the end of the stream (RFC 1950, Adler-32) leaves no flipped bit unseen."""
    payload = bytearray(deflate(pack()))
    bit %= 8 * len(payload)
    payload[bit // 8] ^= 1 << bit % 8
    with pytest.raises(BadBatch):
        decode_batch(bytes(payload), SPAN)


@given(st.binary(max_size=200))
@settings(deadline=None)
def test_any_bytes_are_a_batch_or_refused(payload):
    """No payload raises anything but BadBatch."""
    with pytest.raises(BadBatch):
        decode_batch(payload, SPAN)


@given(st.integers(0, 8 * 500))
@settings(deadline=None, max_examples=150)
def test_a_flipped_bit_never_raises_anything_but_a_refusal(bit):
    """A pack with one bit flipped is refused, or reads as a pack of the same identities, alike by either parser."""
    payload = bytearray(pack())
    bit %= 8 * len(payload)
    payload[bit // 8] ^= 1 << bit % 8
    try:
        batch = decode_batch(bytes(payload), SPAN, loads=PARSERS[1])
    except BadBatch:
        with pytest.raises(BadBatch):
            decode_batch(bytes(payload), SPAN)
        return
    assert [r.seq for r in batch.readings] == [5, 6]
    assert decode_batch(bytes(payload), SPAN) == batch


@pytest.mark.parametrize("readings", [(), (one(5), one(7)), tuple(one(i) for i in range(1, MAX_BATCH + 2))], ids=len)
def test_a_batch_that_may_not_be_sent_is_a_fault_of_the_caller(readings):
    """Empty, with a gap, or too long: encoding raises ValueError instead of sending it."""
    with pytest.raises(ValueError, match=r"^batch: found"):
        encode_batch(Batch("club", "north", OUTBOX, 1, readings))


TOPICS = [
    "underturf/2/club/north/readings/0123456789abcdef/1/2",
    "underturf/1/club/north/readings/0123456789abcdef/1",
    "underturf/1/Club/north/readings/0123456789abcdef/1/2",
    "underturf/1/club/north/readings/xyz/1/2",
    "underturf/1/club/north/readings/0123456789abcdef/2/1",
    "underturf/1/club/north/readings/0123456789abcdef/0/2",
    f"underturf/1/club/north/readings/0123456789abcdef/1/{MAX_BATCH + 1}",
    f"underturf/1/club/north/readings/0123456789abcdef/{MAX_SEQ}/{MAX_SEQ + 1}",
    "underturf/1/club/north/readings/0123456789abcdef/1/2\n",
    "",
]


@pytest.mark.parametrize("topic", TOPICS)
def test_a_topic_out_of_form_is_refused(topic):
    """A topic that does not name a span of at most MAX_BATCH readings is refused by name."""
    with pytest.raises(BadBatch, match=r"^topic: found"):
        parse_readings_topic(topic)


@pytest.mark.parametrize("last", [2**53, 2**63 - 1, 2**63, 10**30])
def test_a_seq_beyond_what_json_tells_exactly_is_refused_by_its_number(last):
    """2^53 - 1 is the last whole number that any two readers of JSON agree on (RFC 8259, section 6)."""
    parse_readings_topic(f"underturf/1/club/north/readings/{OUTBOX}/{2**53 - 1}/{2**53 - 1}")
    with pytest.raises(BadBatch, match=rf"^topic: found seq {last}, expected at most 9007199254740991"):
        parse_readings_topic(f"underturf/1/club/north/readings/{OUTBOX}/{last}/{last}")


def test_topics_name_site_node_and_span():
    """The topics are those of the design: readings with outbox and span, receipt and status beside them."""
    batch = Batch("club", "north", OUTBOX, 1, (one(5), one(6)))
    assert readings_topic(batch) == f"underturf/1/club/north/readings/{OUTBOX}/5/6"
    assert parse_readings_topic(readings_topic(batch)) == SPAN
    assert receipt_topic("club", "north") == "underturf/1/club/north/receipt"
    assert status_topic("club", "north") == "underturf/1/club/north/status"


@given(st.integers(1, MAX_SEQ), st.sampled_from(["", "0123456789abcdef"]))
def test_a_receipt_comes_back_as_it_was_sent(seq, digest):
    """Encoding then decoding a receipt gives the same (algebra)."""
    receipt = Receipt(OUTBOX, seq, digest, seq - seq // 2 if digest else 0)
    assert decode_receipt(encode_receipt(receipt)) == receipt


def test_a_digest_tells_any_two_readings_of_a_number_apart():
    """It is SHA-256 over the fields (hashlib's, here over a text written out by hand), changes with each of them, and
    comes back from the wire; where it was taken does not count."""
    text = f"5\nsquare-1/p1/moisture_035\n1706745600\n{T_MS}\n0x1.3d70a3d70a3d7p-2\nok\n1\nTrue"
    assert digest_of(one()) == hashlib.sha256(text.encode()).hexdigest()[:16]
    changes = [
        *({"seq": 6}, {"channel": "square-1/p1/moisture_036"}, {"slot": "1706745601"}, {"measured_at_ms": T_MS + 1}),
        *({"raw": 0.310000001}, {"raw": None, "status": Status.SILENT}, {"raw": None, "status": Status.SHORT}),
        *({"attempts": 2}, {"clock_ok": False}),
    ]
    assert len({digest_of(one(**change)) for change in ({}, *changes)}) == 1 + len(changes)
    for change in ({}, *changes[1:]):
        sent = Batch("club", "north", OUTBOX, 1, (one(**change),))
        (heard,) = decode_batch(encode_batch(sent), BatchSpan("club", "north", OUTBOX, 5, 5)).readings
        assert digest_of(heard) == digest_of(sent.readings[0])
    assert digest_of(one(site="home", node="hut", outbox_id="f" * 16)) == digest_of(one())


def test_a_receipt_of_an_older_pipeline_promises_nothing_about_deflated_batches():
    """Without the label, or with another value than true, batches stay plain."""
    assert not decode_receipt(b'{"outbox_id":"0123456789abcdef","seq":1}').deflate
    assert not decode_receipt(b'{"outbox_id":"0123456789abcdef","seq":1,"deflate":"yes"}').deflate
    assert decode_receipt(encode_receipt(Receipt(OUTBOX, 1))).deflate


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "receipt: found b''"),
        (b"[]", "receipt.outbox_id: found None"),
        (b'{"outbox_id":"xyz","seq":1}', "receipt.outbox_id: found 'xyz'"),
        (b'{"outbox_id":"0123456789abcdef","seq":-1}', "receipt.seq: found -1"),
        (b'{"outbox_id":"0123456789abcdef","seq":true}', "receipt.seq: found True"),
        (b'{"outbox_id":"0123456789abcdef","seq":1.0}', "receipt.seq: found 1.0"),
        (b'{"outbox_id":"0123456789abcdef"}', "receipt.seq: found None"),
        (b'{"outbox_id":"0123456789abcdef","seq":9,"digest":"xyz","digest_seq":9}', "receipt.digest: found 'xyz'"),
        (b'{"outbox_id":"0123456789abcdef","seq":9,"digest":7}', "receipt.digest: found 7"),
        (b'{"outbox_id":"0123456789abcdef","seq":9,"digest":"0123456789abcdef"}', "receipt.digest_seq: found 0"),
        (
            b'{"outbox_id":"0123456789abcdef","seq":9,"digest":"0123456789abcdef","digest_seq":10}',
            "receipt.digest_seq: found 10",
        ),
        (b"[" * 4000, "receipt: found b'[["),
        (b" " * 5000, "receipt: found 5000 bytes"),
    ],
)
def test_a_receipt_out_of_form_is_refused_with_its_reason(payload, reason):
    """A receipt that is not an outbox and a whole number would free rows that are not kept: it is refused."""
    with pytest.raises(BadBatch) as refused:
        decode_receipt(payload)
    assert str(refused.value).startswith(reason)


def test_slugs_and_channels_are_told_from_other_texts():
    """Names are small letters, digits, - and _, at most 64; a channel is three of them (our own rule)."""
    assert is_slug("square-1") and is_slug("a" * 64)
    assert not any(map(is_slug, ("", "-a", "A", "a b", "a/b", "a" * 65, "a\n")))
    assert is_channel("square-1/p1/moisture_035")
    assert not any(map(is_channel, ("a/b", "a/b/c/d", "a//c", "a/b/c\n")))
