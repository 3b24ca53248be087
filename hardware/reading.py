"""A Reading and its wire form: the raw number of a channel at one slot, and how a batch of readings travels.

The wire form is a SenML pack (RFC 8428, JSON), deflated (zlib, RFC 1950) for a pipeline that takes it so. Times are
integer milliseconds inside and seconds to three decimals on the wire. A failed reading travels as `vs` with its status
in place of `v`. Decoding refuses with a reason and never repairs. Nothing here reads a clock or touches a network.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import sys
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import chain
from operator import itemgetter
from typing import Any, overload

from hardware.quantities import QUANTITIES

WIRE_VERSION = 1
MAX_BATCH = 1000  # readings in one pack; the agent sends fewer by default
MAX_PAYLOAD_BYTES = 512 * 1024
DEFLATE_FROM_BYTES = 512  # a shorter pack fits one packet of any network as it is
MAX_NOTICE_CHANNELS = 20
MAX_REDATED = 50  # spans of readings that one batch dates again
MAX_LIVE_BYTES = 64 * 1024
MAX_RECEIPT_BYTES = 4096
TOLD_NOISY = 64  # a node without the label `noisy` added so many to the tries of such a reading
MAX_TRIES = TOLD_NOISY - 1  # more are told as so many
MAX_SEQ = 2**53 - 1  # the largest whole number that every reader of JSON takes as it stands (RFC 8259, 6)

_SLUG = r"[a-z0-9][a-z0-9_-]{0,63}"
_SLUG_RE = re.compile(_SLUG)
_PROBE_RE = re.compile(rf"{_SLUG}/{_SLUG}")
_CHANNEL_RE = re.compile(rf"{_SLUG}/{_SLUG}/{_SLUG}")
_SLOT_RE = re.compile(r"[A-Za-z0-9][A-Za-z0-9:._-]{0,63}")
_OUTBOX_RE = re.compile(r"[0-9a-f]{16,32}")
_DIGEST_RE = re.compile(r"[0-9a-f]{16}")
_TOPIC_RE = re.compile(
    rf"underturf/{WIRE_VERSION}/(?P<site>{_SLUG})/(?P<node>{_SLUG})/readings/"
    r"(?P<outbox_id>[0-9a-f]{16,32})/(?P<first>[0-9]{1,40})/(?P<last>[0-9]{1,40})"
)
_REDATED_RE = re.compile(r"(?P<first>[0-9]{1,16})-(?P<last>[0-9]{1,16}):(?P<by>[+-][0-9]{1,13})")
EPOCH_2000_MS = 946_684_800_000  # a reading is from then
EPOCH_2200_MS = 7_258_118_400_000  # to then
_LARGEST = sys.float_info.max  # JSON can spell whole numbers that no float holds


class Status(StrEnum):
    """How one attempt to read a channel ended. Anything but `ok` carries no value."""

    OK = "ok"
    SILENT = "silent"  # no answer before the deadline
    BAD_FRAME = "bad_frame"  # an answer that is not a frame of the protocol
    BAD_CHECK = "bad_check"  # a frame whose CRC or checksum does not fit
    WRONG_ADDRESS = "wrong_address"  # somebody else answered
    SHORT = "short"  # fewer values than the description promises
    NO_VALUE = "no_value"  # the probe answered that it has no value, or a value outside the physical limits
    LINE_AWAY = "line_away"  # the adapter is unplugged or its port cannot be opened
    NOT_READ = "not_read"  # the probe was not asked: its line was still at something else


class BadBatch(ValueError):
    """A payload or topic that is not a batch of readings; the text is the reason it is quarantined."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One channel at one slot, good or bad, before an outbox gives it a number.

    Attributes
    ----------
    channel : str
        `station/probe/channel`, unique in a site.
    slot : str
        Identity of the measurement: grid time in whole seconds since 1970 as text, or `stroke:ID:STEP`.
    measured_at_ms : int
        When the number was received. [ms since 1970, UTC]
    raw : float or None
        The number after the probe's own decode, in the canonical unit of the channel's `heard`. None unless ok.
    status : Status
    attempts : int
        Tries made, from 1; 0 where the probe was not asked.
    noisy : bool
        Whether nothing guards the answers of the probe, and more than one in fifty on its line came damaged.
    """

    channel: str
    slot: str
    measured_at_ms: int
    raw: float | None
    status: Status
    attempts: int = 1
    noisy: bool = False


@dataclass(frozen=True, slots=True)
class Reading:
    """A sample as an outbox keeps it: with its origin, its number there, and whether its time can be trusted.

    Attributes
    ----------
    site, node : str
        Where it was taken. Lower-case slugs.
    outbox_id : str
        Random hexadecimal name of the outbox file, drawn when the file is made.
    seq : int
        Position in that outbox, from 1. Never repeats.
    channel, slot, measured_at_ms, raw, status, attempts
        As of `Sample`.
    clock_ok : bool
        False when the node's clock had not been set, so that `measured_at_ms` is not to be trusted.
    noisy : bool
        As of `Sample`. Neither the digest nor equality knows it: a pipeline of an earlier version passes over it.
    """

    site: str
    node: str
    outbox_id: str
    seq: int
    channel: str
    slot: str
    measured_at_ms: int
    raw: float | None
    status: Status
    attempts: int
    clock_ok: bool
    noisy: bool = field(default=False, compare=False)


@dataclass(frozen=True, slots=True, eq=False)
class ReadingColumns(Sequence[Reading]):
    """Readings with consecutive `seq` from one outbox, column by column; a `Reading` is made only when asked for.

    Making an object of each reading takes as long as parsing its JSON, and storage wants columns.

    Attributes
    ----------
    site, node, outbox_id : str
    first : int
        `seq` of the first one.
    channel, slot, measured_at_ms, raw, status, attempts, clock_ok, noisy : sequence, length (readings,)
        As of `Reading`.
    """

    site: str
    node: str
    outbox_id: str
    first: int
    channel: Sequence[str]
    slot: Sequence[str]
    measured_at_ms: Sequence[int]
    raw: Sequence[float | None]
    status: Sequence[Status]
    attempts: Sequence[int]
    clock_ok: Sequence[bool]
    noisy: Sequence[bool]

    def __len__(self) -> int:
        return len(self.channel)

    @overload
    def __getitem__(self, place: int) -> Reading: ...
    @overload
    def __getitem__(self, place: slice) -> ReadingColumns: ...
    def __getitem__(self, place: int | slice) -> Reading | ReadingColumns:
        if isinstance(place, slice):
            begin, _, step = place.indices(len(self))
            if step != 1:
                raise ValueError(f"readings: found a step of {step}, expected 1: their seq are consecutive")
            columns = (column[place] for column in self._columns())
            return ReadingColumns(self.site, self.node, self.outbox_id, self.first + begin, *columns)
        seq = self.first + range(len(self))[place]
        return Reading(self.site, self.node, self.outbox_id, seq, *(column[place] for column in self._columns()))

    def __iter__(self) -> Iterator[Reading]:
        for seq, row in enumerate(zip(*self._columns(), strict=True), self.first):
            yield Reading(self.site, self.node, self.outbox_id, seq, *row)

    def __eq__(self, other: object) -> bool:
        return tuple(self) == tuple(other) if isinstance(other, Sequence) else NotImplemented

    def __hash__(self) -> int:
        return hash((self.outbox_id, self.first, len(self)))

    def _columns(self) -> tuple[Sequence[Any], ...]:
        told = self.channel, self.slot, self.measured_at_ms, self.raw, self.status, self.attempts, self.clock_ok
        return *told, self.noisy


@dataclass(frozen=True, slots=True)
class Redated:
    """Readings of an outbox that were sent before their node's clock was set, dated again now that it is.

    Those numbered `first` to `last` whose `clock_ok` is false were taken `by_ms` later than they say, earlier where it
    is negative. [ms]
    """

    first: int
    last: int
    by_ms: int


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings with consecutive `seq` from one outbox.

    Attributes
    ----------
    site, node, outbox_id : str
    lowest_kept : int
        Lowest seq the outbox still holds: a hole below it will never be filled.
    readings : sequence of Reading
    before : str or None
        Digest of the reading before the first, empty where the outbox no longer knows it. None from an agent of an
        earlier version, which does not compare digests.
    follows : str
        The outbox whose place this one took, because a receipt did not agree with it; else empty.
    redated : tuple of Redated
        Earlier readings of the outbox that are dated again. They count as received when this batch is.
    """

    site: str
    node: str
    outbox_id: str
    lowest_kept: int
    readings: Sequence[Reading]
    before: str | None = None
    follows: str = ""
    redated: tuple[Redated, ...] = ()

    @property
    def first(self) -> int:
        return self.readings.first if isinstance(self.readings, ReadingColumns) else self.readings[0].seq

    @property
    def last(self) -> int:
        return self.first + len(self.readings) - 1

    @property
    def columns(self) -> ReadingColumns:
        """The readings column by column."""
        if isinstance(self.readings, ReadingColumns):
            return self.readings
        rows = [
            (r.channel, r.slot, r.measured_at_ms, r.raw, r.status, r.attempts, r.clock_ok, r.noisy)
            for r in self.readings
        ]
        return ReadingColumns(self.site, self.node, self.outbox_id, self.first, *zip(*rows, strict=True))


def follows_on(one: Batch, other: Batch) -> bool:
    """Return whether a batch begins behind another of its outbox, by number and by the digest it has of its last."""
    if (one.site, one.node, one.outbox_id, one.last + 1) != (other.site, other.node, other.outbox_id, other.first):
        return False
    if one.before is None or other.before is None:
        return one.before is other.before
    return other.before in ("", digest_of(one.readings[-1]))


def joined_batch(batches: Sequence[Batch]) -> Batch:
    """Return several batches, each of which follows on the one before, as one."""
    head = batches[0]
    if len(batches) == 1:
        return head
    parts = [batch.columns._columns() for batch in batches]
    columns = ([*chain.from_iterable(column)] for column in zip(*parts, strict=True))
    readings = ReadingColumns(head.site, head.node, head.outbox_id, head.first, *columns)
    # what a later one no longer holds of the others is here
    lowest_kept = min(max(batch.lowest_kept for batch in batches), head.first)
    follows = next((batch.follows for batch in batches if batch.follows), "")
    redated = tuple(chain.from_iterable(batch.redated for batch in batches))
    return Batch(head.site, head.node, head.outbox_id, lowest_kept, readings, head.before, follows, redated)


@dataclass(frozen=True, slots=True)
class Receipt:
    """All readings of an outbox up to and including `seq` are on the pipeline's disk.

    `digest` is that of the last of them that is kept as a reading, number `digest_seq`: an outbox that has another
    reading there is not the one that was received. Empty and 0 where none is kept, or from an earlier version.
    `deflate` says whether that pipeline takes deflated batches; one older than they are does not say so.
    """

    outbox_id: str
    seq: int
    digest: str = ""
    digest_seq: int = 0
    deflate: bool = True


@dataclass(frozen=True, slots=True)
class Notice:
    """What the server tells a node.

    `now_ms` is the time [ms since 1970, UTC], confirmed by `by`; None where the node needs none or the server has none.
    `unknown` are channels the node sends that the server's settings do not name; None where that is not said.
    `live` is a probe, `station/probe`, that somebody looks at: it is read again and again for a minute, beside its
    slots; empty for none.
    """

    now_ms: int | None
    by: str
    unknown: tuple[str, ...] | None
    live: str = ""


@dataclass(frozen=True, slots=True)
class LiveReading:
    """A probe read beside its slots, for somebody who looks at it: nothing of it is kept.

    `values` are channel, number in the canonical unit of its `heard` or None, and status; `reason` is what went wrong.
    """

    probe: str
    at_ms: int
    values: tuple[tuple[str, float | None, str], ...]
    reason: str


def digest_of(reading: Reading) -> str:
    """Return 16 hexadecimal digits that tell a reading from another one of the same number.

    The beginning of the SHA-256 (FIPS 180-4) of its fields; site, node, outbox and `noisy` are left out.
    """
    raw = "" if reading.raw is None else float(reading.raw).hex()
    fields = (
        reading.seq, reading.channel, reading.slot, reading.measured_at_ms, raw, reading.status.value, reading.attempts,
        reading.clock_ok,
    )  # fmt: skip
    return hashlib.sha256("\n".join(map(str, fields)).encode()).hexdigest()[:16]


def is_slug(text: str) -> bool:
    """Return whether a text may name a site, node, surface, station, probe or channel part."""
    return _SLUG_RE.fullmatch(text) is not None


def is_channel(text: str) -> bool:
    """Return whether a text is a full channel name, `station/probe/channel`."""
    return _CHANNEL_RE.fullmatch(text) is not None


# --- topics ----------------------------------------------------------------------------------------------------


def readings_topic(batch: Batch) -> str:
    """Return the topic of a batch. It names the span, so that even an undecodable payload can be receipted."""
    return f"underturf/{WIRE_VERSION}/{batch.site}/{batch.node}/readings/{batch.outbox_id}/{batch.first}/{batch.last}"


def receipt_topic(site: str, node: str) -> str:
    """Return the topic of the retained receipt for one node."""
    return f"underturf/{WIRE_VERSION}/{site}/{node}/receipt"


def status_topic(site: str, node: str) -> str:
    """Return the topic of a node's retained status, also its last will."""
    return f"underturf/{WIRE_VERSION}/{site}/{node}/status"


def live_topic(site: str, node: str) -> str:
    """Return the topic on which a node sends what somebody looks at. Nothing is retained there."""
    return f"underturf/{WIRE_VERSION}/{site}/{node}/live"


def notice_topic(site: str, node: str) -> str:
    """Return the topic on which the server tells a node what it needs to know. Nothing is retained there."""
    return f"underturf/{WIRE_VERSION}/{site}/{node}/notice"


@dataclass(frozen=True, slots=True)
class BatchSpan:
    """What a readings topic says of its payload."""

    site: str
    node: str
    outbox_id: str
    first: int
    last: int


def parse_readings_topic(topic: str) -> BatchSpan:
    """Parse a readings topic into the span it names.

    Raises
    ------
    BadBatch
        When the topic is not of the form `underturf/1/SITE/NODE/readings/OUTBOX/FIRST/LAST`, or FIRST to LAST are no
        span of 1 to `MAX_BATCH` readings up to `MAX_SEQ`.
    """
    match = _TOPIC_RE.fullmatch(topic)
    if match is None:
        raise BadBatch(
            f"topic: found {topic[:120]!r}, expected underturf/{WIRE_VERSION}/SITE/NODE/readings/OUTBOX/FIRST/LAST"
        )
    first, last = int(match["first"]), int(match["last"])
    if max(first, last) > MAX_SEQ:
        raise BadBatch(f"topic: found seq {max(first, last)}, expected at most {MAX_SEQ} (2^53 - 1)")
    if not 1 <= first <= last or last - first >= MAX_BATCH:
        raise BadBatch(f"topic: found readings {first} to {last}, expected 1 to {MAX_BATCH} consecutive ones from 1 up")
    return BatchSpan(match["site"], match["node"], match["outbox_id"], first, last)


# --- payloads --------------------------------------------------------------------------------------------------


def encode_batch(batch: Batch, units: dict[str, str] | None = None) -> bytes:
    """Encode a batch as a SenML pack.

    Parameters
    ----------
    batch : Batch
        1 to `MAX_BATCH` readings with consecutive seq.
    units : dict of str to str, optional
        Quantity heard on each channel, by channel name; where SenML has a symbol for its unit, records carry it.

    Raises
    ------
    ValueError
        When seq are not consecutive, or the batch is empty or too long: a fault of the caller.
    """
    _check_consecutive(batch)
    records = []
    for reading in batch.readings:
        record: dict[str, object] = {
            "n": reading.channel,
            "t": reading.measured_at_ms / 1000,
            "seq": reading.seq,
            "slot": reading.slot,
        }
        if reading.status is Status.OK and reading.raw is not None:
            record["v"] = reading.raw
            quantity = QUANTITIES.get(units.get(reading.channel, "")) if units is not None else None
            if quantity is not None and quantity.senml_unit:
                record["u"] = quantity.senml_unit
        else:
            record["vs"] = reading.status.value
        if reading.attempts != 1:
            record["attempts"] = reading.attempts
        if not reading.clock_ok:
            record["clock_ok"] = False
        if reading.noisy:
            record["noisy"] = True
        records.append(record)
    records[0] = {
        "bn": f"{batch.site}:{batch.node}:",
        "underturf": WIRE_VERSION,
        "outbox_id": batch.outbox_id,
        "lowest_kept": batch.lowest_kept,
        **({} if batch.before is None else {"before": batch.before}),
        **({"follows": batch.follows} if batch.follows else {}),
        # as a text: an earlier version passes over a label it does not know, but refuses a list
        **({"redated": ",".join(map(_redated_text, batch.redated))} if batch.redated else {}),
        **records[0],
    }
    return json.dumps(records, separators=(",", ":"), allow_nan=False).encode()


def deflate(payload: bytes) -> bytes:
    """Return an encoded batch as a zlib stream (RFC 1950), for a pipeline whose receipt says that it takes one."""
    return zlib.compress(payload, 9)


Loads = Callable[[bytes], object]
"""Parses JSON (RFC 8259) and raises ValueError where it is none."""


def decode_batch(payload: bytes, span: BatchSpan, *, loads: Loads | None = None) -> Batch:
    """Decode a payload, deflated or not, into its batch, checked against what its topic said.

    Parameters
    ----------
    payload : bytes
    span : BatchSpan
    loads : callable, optional
        A faster parser than the standard library's. What it refuses the latter parses again, and gives the reason.

    Raises
    ------
    BadBatch
        With the first reason found: a zlib stream that is broken or too long, not JSON, another version, a name or
        time out of form, a seq out of order, a value that is no finite number, or a disagreement with the topic.
    """
    records = _load_records(payload, loads)
    head = records[0]
    version = head.get("underturf")
    if version != WIRE_VERSION:
        raise BadBatch(f"underturf: found version {version!r}, expected {WIRE_VERSION}")
    if head.get("bn") != f"{span.site}:{span.node}:":
        raise BadBatch(f"bn: found {head.get('bn')!r}, expected '{span.site}:{span.node}:' as in the topic")
    if head.get("outbox_id") != span.outbox_id:
        raise BadBatch(f"outbox_id: found {head.get('outbox_id')!r}, expected {span.outbox_id!r} as in the topic")
    lowest = head.get("lowest_kept")
    if type(lowest) is not int or not 1 <= lowest <= span.first:
        raise BadBatch(f"lowest_kept: found {lowest!r}, expected a whole number from 1 to {span.first}")
    before, follows = head.get("before"), head.get("follows", "")
    if before is not None and before != "" and not _is_digest(before):
        raise BadBatch(f"before: found {before!r:.40}, expected 16 hexadecimal digits, or none")
    if not isinstance(follows, str) or (follows and _OUTBOX_RE.fullmatch(follows) is None):
        raise BadBatch(f"follows: found {follows!r:.40}, expected 16 to 32 hexadecimal digits, or none")
    count = span.last - span.first + 1
    if len(records) != count:
        raise BadBatch(f"pack: found {len(records)} records, expected {count} as in the topic")
    readings: Sequence[Reading] | None = _decode_together(records, span)
    if readings is None:  # something is out of form, or rare: record by record finds the reason
        readings = tuple(_decode_record(record, span, span.first + i) for i, record in enumerate(records))
    redated = _decode_redated(head.get("redated"), span)
    return Batch(span.site, span.node, span.outbox_id, lowest, readings, before, follows, redated)


def encode_receipt(receipt: Receipt) -> bytes:
    """Encode a receipt as JSON."""
    proof = {"digest": receipt.digest, "digest_seq": receipt.digest_seq} if receipt.digest else {}
    told = {"outbox_id": receipt.outbox_id, "seq": receipt.seq, **proof, "deflate": receipt.deflate}
    return json.dumps(told).encode()


def decode_receipt(payload: bytes) -> Receipt:
    """Decode a payload into its receipt.

    Raises
    ------
    BadBatch
        When it is not `{"outbox_id": hexadecimal, "seq": whole number}`, with `digest` and `digest_seq` or without.
    """
    if len(payload) > MAX_RECEIPT_BYTES:
        raise BadBatch(f"receipt: found {len(payload)} bytes, expected at most {MAX_RECEIPT_BYTES}")
    try:
        record = json.loads(payload)
    except (ValueError, RecursionError) as err:
        raise BadBatch(f"receipt: found {payload[:40]!r}, expected JSON") from err
    record = record if isinstance(record, dict) else {}
    outbox_id, seq = record.get("outbox_id"), record.get("seq")
    digest, digest_seq = record.get("digest", ""), record.get("digest_seq", 0)
    if not isinstance(outbox_id, str) or _OUTBOX_RE.fullmatch(outbox_id) is None:
        raise BadBatch(f"receipt.outbox_id: found {outbox_id!r:.60}, expected 16 to 32 hexadecimal digits")
    if type(seq) is not int or not 0 <= seq <= MAX_SEQ:
        raise BadBatch(f"receipt.seq: found {seq!r:.60}, expected a whole number from 0 to {MAX_SEQ}")
    if digest != "" and not _is_digest(digest):
        raise BadBatch(f"receipt.digest: found {digest!r:.60}, expected 16 hexadecimal digits, or none")
    if type(digest_seq) is not int or not (1 if digest else 0) <= digest_seq <= seq:
        raise BadBatch(f"receipt.digest_seq: found {digest_seq!r:.60}, expected the number of a reading up to {seq}")
    return Receipt(outbox_id, seq, digest, digest_seq, record.get("deflate") is True)


def encode_notice(notice: Notice) -> bytes:
    """Encode a notice as JSON."""
    unknown = {} if notice.unknown is None else {"unknown": notice.unknown[:MAX_NOTICE_CHANNELS]}
    return json.dumps({"now_ms": notice.now_ms, "by": notice.by, **unknown, "live": notice.live}).encode()


def decode_notice(payload: bytes) -> Notice:
    """Decode a payload into its notice.

    Raises
    ------
    BadBatch
        When it is not `{"now_ms": whole number or null, "by": short text, "unknown": channels}`, "unknown" or not.
    """
    try:
        record = json.loads(payload)
    except (ValueError, RecursionError) as err:
        raise BadBatch(f"notice: found {payload[:40]!r}, expected JSON") from err
    record = record if isinstance(record, dict) else {}
    now_ms, by = record.get("now_ms"), record.get("by")
    unknown = record.get("unknown", [])
    if now_ms is not None and (type(now_ms) is not int or not EPOCH_2000_MS <= now_ms <= EPOCH_2200_MS):
        raise BadBatch(f"notice.now_ms: found {now_ms!r}, expected ms since 1970 between 2000 and 2200")
    if not isinstance(by, str) or len(by) > 64:
        raise BadBatch(f"notice.by: found {str(by)[:80]!r}, expected a short text")
    if not isinstance(unknown, list) or not all(isinstance(u, str) and is_channel(u) for u in unknown):
        raise BadBatch(f"notice.unknown: found {str(unknown)[:80]!r}, expected station/probe/channel names")
    live = record.get("live", "")
    if not isinstance(live, str) or (live and _PROBE_RE.fullmatch(live) is None):
        raise BadBatch(f"notice.live: found {str(live)[:80]!r}, expected station/probe, or nothing")
    return Notice(now_ms, by, tuple(unknown[:MAX_NOTICE_CHANNELS]) if "unknown" in record else None, live)


def encode_live(live: LiveReading) -> bytes:
    """Encode a live reading as JSON."""
    said = {"probe": live.probe, "at_ms": live.at_ms, "values": live.values, "reason": live.reason[:300]}
    return json.dumps(said).encode()


def decode_live(payload: bytes) -> LiveReading:
    """Decode a payload into its live reading.

    Raises
    ------
    BadBatch
        When it is not `{"probe", "at_ms", "values": [[channel, number or null, status], ...], "reason"}`.
    """
    try:
        record = json.loads(payload[: MAX_LIVE_BYTES + 1], parse_constant=_refuse_constant)
        values = tuple((str(n), None if v is None else float(v), Status(s).value) for n, v, s in record["values"])
        found = LiveReading(record["probe"], record["at_ms"], values, record["reason"])
    except (ValueError, TypeError, KeyError, RecursionError) as err:
        raise BadBatch(f"live: found {payload[:40]!r}, expected a live reading ({err})") from err
    named = isinstance(found.probe, str) and _PROBE_RE.fullmatch(found.probe) is not None
    if not named or type(found.at_ms) is not int or not isinstance(found.reason, str):
        raise BadBatch(f"live: found {payload[:40]!r}, expected probe, at_ms and reason")
    return found


def _redated_text(one: Redated) -> str:
    return f"{one.first}-{one.last}:{one.by_ms:+d}"


def _decode_redated(said: object, span: BatchSpan) -> tuple[Redated, ...]:
    """Decode what a batch dates again: earlier readings of its outbox."""
    if said is None:
        return ()
    parts = said.split(",") if isinstance(said, str) else []
    found = [match for match in map(_REDATED_RE.fullmatch, parts) if match is not None]
    spans = tuple(Redated(int(m["first"]), int(m["last"]), int(m["by"])) for m in found)
    if not 1 <= len(parts) <= MAX_REDATED or len(found) != len(parts):
        raise BadBatch(f"redated: found {said!r:.60}, expected 1 to {MAX_REDATED} of FIRST-LAST:+MS, parted by commas")
    for one in spans:
        if not 1 <= one.first <= one.last < span.last or abs(one.by_ms) > EPOCH_2200_MS - EPOCH_2000_MS:
            raise BadBatch(
                f"redated: found {_redated_text(one)}, expected readings before {span.last}, by under 200 years"
            )
    return spans


def _is_digest(found: object) -> bool:
    return isinstance(found, str) and _DIGEST_RE.fullmatch(found) is not None


def _check_consecutive(batch: Batch) -> None:
    if not 1 <= len(batch.readings) <= MAX_BATCH:
        raise ValueError(f"batch: found {len(batch.readings)} readings, expected 1 to {MAX_BATCH}")
    for i, reading in enumerate(batch.readings):
        if reading.seq != batch.first + i:
            raise ValueError(f"batch: found seq {reading.seq} at place {i}, expected {batch.first + i}")


def _load_records(payload: bytes, loads: Loads | None) -> list[dict[str, Any]]:
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise BadBatch(f"payload: found {len(payload)} bytes, expected at most {MAX_PAYLOAD_BYTES}")
    if payload[:1] == b"\x78":  # the first byte of zlib's own streams; no JSON begins with it
        payload = _inflate(payload)
    records: object = None
    if loads is not None:
        with contextlib.suppress(ValueError):
            records = loads(payload)
    try:
        records = json.loads(payload, parse_constant=_refuse_constant) if records is None else records
    except RecursionError as err:
        raise BadBatch("payload: found JSON nested too deep, expected a SenML pack") from err
    except ValueError as err:
        raise BadBatch(f"payload: found {payload[:40]!r}, expected a SenML pack in JSON ({err})") from err
    if not isinstance(records, list) or not records or set(map(type, records)) != {dict}:
        raise BadBatch("payload: expected a SenML pack, a list of at least one record")
    return records


def _inflate(payload: bytes) -> bytes:
    """Inflate one whole zlib stream, once and no further than the length of a payload."""
    stream = zlib.decompressobj()
    try:
        inflated = stream.decompress(payload, MAX_PAYLOAD_BYTES + 1)
    except zlib.error as err:
        raise BadBatch(f"payload: found {payload[:20]!r}, expected a zlib stream ({err})") from err
    if len(inflated) > MAX_PAYLOAD_BYTES:
        raise BadBatch(f"payload: found a zlib stream of more, expected at most {MAX_PAYLOAD_BYTES} bytes inflated")
    if not stream.eof:
        raise BadBatch(f"payload: found a zlib stream cut off after {len(inflated)} bytes, expected its end")
    if stream.unused_data:
        raise BadBatch(f"payload: found {len(stream.unused_data)} bytes after the zlib stream, expected none")
    return inflated


def _refuse_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number of JSON")


_STATUS = {s.value: s for s in Status}
_OK = Status.OK  # a member by its name costs more than the comparison
_BASES = frozenset(("bt", "bv", "bs", "bver"))  # RFC 8428, 4.1: left unread, they would make every value a wrong one
_PLAIN_LABELS = frozenset(
    (
        *("bn", "underturf", "outbox_id", "lowest_kept", "before", "follows", "redated"),
        *("n", "u", "t", "seq", "slot", "v", "vs", "attempts", "clock_ok", "noisy"),
    )
)


def _decode_together(records: list[dict[str, Any]], span: BatchSpan) -> ReadingColumns | None:
    """All readings of a pack that is in order, checked column by column; None when any check does not hold.

    Three times as fast as record by record, which stays the one place that knows the reasons: whatever is not plainly
    right here is left to it. Names and slots repeat within a batch, so each different one is matched once.
    """
    count, later = len(records), set().union(*records[1:])
    labels = later.union(records[0])
    if "bn" in later or not _PLAIN_LABELS.issuperset(labels):
        return None
    try:
        seqs, channels, slots, seconds = zip(*map(_IDENTITY, records), strict=True)
        named = all(map(_CHANNEL_RE.fullmatch, set(channels)))
        placed = all(map(_SLOT_RE.fullmatch, set(slots)))
    except (KeyError, TypeError):  # a label is missing, or a name is no text
        return None
    if not named or not placed or seqs != tuple(range(span.first, span.last + 1)) or set(map(type, seqs)) != {int}:
        return None
    if not set(map(type, seconds)) <= {int, float}:
        return None
    if min(seconds) * 1000 < EPOCH_2000_MS or max(seconds) * 1000 > EPOCH_2200_MS:
        return None
    attempts = [r.get("attempts", 1) for r in records] if "attempts" in labels else [1] * count
    clocks = [r.get("clock_ok", True) for r in records] if "clock_ok" in labels else [True] * count
    noisy = [r.get("noisy", False) for r in records] if "noisy" in labels else [False] * count
    if set(map(type, attempts)) != {int} or min(attempts) < 0 or max(attempts) > 99:
        return None
    if set(map(type, clocks)) != {bool} or set(map(type, noisy)) != {bool}:
        return None
    values = _values_together(records, failed="vs" in labels)
    if values is None:
        return None
    milliseconds = [round(t * 1000) for t in seconds]
    origin = (span.site, span.node, span.outbox_id, span.first)
    return ReadingColumns(*origin, channels, slots, milliseconds, *values, attempts, clocks, noisy)


_IDENTITY = itemgetter("seq", "n", "slot", "t")


def _values_together(records: list[dict[str, Any]], *, failed: bool) -> tuple[list[float | None], list[Status]] | None:
    """Values and statuses of all records, or None when any is not plainly right. Failed readings are few."""
    values: list[Any] = [r.get("v") for r in records]
    statuses = [Status.OK] * len(records)
    without = [i for i, r in enumerate(records) if "vs" in r] if failed else []
    for i in without:
        try:
            values[i], statuses[i] = _decode_value(records[i], 0)
        except BadBatch:
            return None
    good = [v for v, status in zip(values, statuses, strict=True) if status is _OK] if without else values
    if not set(map(type, good)) <= {float, int} or (good and max(map(abs, good)) > _LARGEST):
        return None
    return values if set(map(type, good)) <= {float} else [None if v is None else float(v) for v in values], statuses


def _decode_record(record: dict[str, object], span: BatchSpan, seq: int) -> Reading:
    get = record.get
    if get("seq") != seq or type(get("seq")) is not int:
        raise BadBatch(f"seq: found {get('seq')!r}, expected {seq}")
    for label, value in record.items():
        if label.endswith("_"):
            raise BadBatch(f"label: found {label!r:.60}, which asks to be understood (RFC 8428, 4.4) and is not")
        if isinstance(value, list | dict):
            raise BadBatch(f"label: found {label!r:.60} nested at seq {seq}, expected plain values (RFC 8428, 5)")
        if label in _BASES or (label == "bn" and seq != span.first):
            raise BadBatch(f"label: found {label!r} at seq {seq}, which would shift what follows; expected none")
    channel, slot, t = get("n"), get("slot"), get("t")
    if not isinstance(channel, str) or _CHANNEL_RE.fullmatch(channel) is None:
        raise BadBatch(f"n: found {channel!r} at seq {seq}, expected station/probe/channel in small letters")
    if not isinstance(slot, str) or _SLOT_RE.fullmatch(slot) is None:
        raise BadBatch(f"slot: found {slot!r} at seq {seq}, expected grid seconds or stroke:ID:STEP")
    if not isinstance(t, int | float) or isinstance(t, bool) or not EPOCH_2000_MS <= t * 1000 <= EPOCH_2200_MS:
        raise BadBatch(f"t: found {t!r} at seq {seq}, expected seconds since 1970 between 2000 and 2200")
    attempts, clock_ok = get("attempts", 1), get("clock_ok", True)
    if type(attempts) is not int or not 0 <= attempts <= 99 or type(clock_ok) is not bool:
        raise BadBatch(f"attempts, clock_ok: found {attempts!r}, {clock_ok!r} at seq {seq}, expected 1..99, true/false")
    noisy = get("noisy", False)
    if type(noisy) is not bool:
        raise BadBatch(f"noisy: found {noisy!r:.40} at seq {seq}, expected true or false")
    raw, status = _decode_value(record, seq)
    return Reading(
        span.site,
        span.node,
        span.outbox_id,
        seq,
        channel,
        slot,
        round(t * 1000),
        raw,
        status,
        attempts,
        clock_ok,
        noisy,
    )


def _decode_value(record: dict[str, object], seq: int) -> tuple[float | None, Status]:
    value, text = record.get("v"), record.get("vs")
    if text is None:
        if not isinstance(value, int | float) or isinstance(value, bool) or not abs(value) <= _LARGEST:
            raise BadBatch(f"v: found {str(value)[:40]} at seq {seq}, expected a finite number, or a status in vs")
        return float(value), Status.OK
    status = _STATUS.get(text) if isinstance(text, str) else None
    if status is None or status is Status.OK or value is not None:
        raise BadBatch(f"vs: found {text!r} at seq {seq}, expected one of {', '.join(list(_STATUS)[1:])} and no v")
    return None, status
