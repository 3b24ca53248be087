"""Whatever comes in, every decoder gives a value or its own refusal: messages, replies, sentences, files.

Each input is a good one, damaged by a number of steps drawn from a seed. What may be raised is what the decoder says.
"""

from __future__ import annotations

import contextlib
import json
import random
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware import cone
from hardware.cone_dock import DockHost
from hardware.frame import BadFrame
from hardware.probe import ProbeFault, parse_probe
from hardware.reading import (
    BadBatch,
    Batch,
    BatchSpan,
    Notice,
    Reading,
    Receipt,
    Status,
    decode_batch,
    decode_notice,
    decode_receipt,
    deflate,
    encode_batch,
    encode_notice,
    encode_receipt,
    parse_readings_topic,
    readings_topic,
)
from hardware.sdi12 import ReplyParser, measurement, send_data
from hardware.sdi12_frame import Command, CommandKind, crc_characters, decode_command, decode_reply
from pipeline.errors import BackupFault
from pipeline.forecast.weather_file import ForecastFault, parse_forecast
from pipeline.mqtt.nodes import BadStatus, Nodes
from pipeline.records.record_file import ImportFault
from pipeline.records.record_map import parse_map
from pipeline.service import load_settings
from pipeline.site.settings import ConfigFault
from pipeline.store.backup import MANIFEST, RECORD_FILE, read_manifest, read_record
from pipeline.store.packed import OBSERVED, DamagedBlock, pack, pack_day, squeeze, stored_rows, unpack_days
from probe_agent.config import AgentConfigFault
from probe_agent.config import load as load_agent
from tests.pipeline.forecast.test_weather_file import CSV, SITE, as_json
from tests.pipeline.records.broken_files import MAP

SOAK_INPUTS = 1_000_000
OUTBOX = "0123456789abcdef"
SPAN = BatchSpan("club", "north", OUTBOX, 5, 6)
READINGS = tuple(
    Reading(
        "club", "north", OUTBOX, seq, "square-1/p1/moisture", "1706745600", 1_706_745_600_123, raw, status, 2, False
    )
    for seq, raw, status in ((5, 0.31, Status.OK), (6, None, Status.SILENT))
)
BATCH = Batch("club", "north", OUTBOX, 3, READINGS, "0123456789abcdef", "f" * 32)
NODES, STATUS_TOPIC = Nodes("club"), "underturf/1/club/north/status"
STATUS = {"state": "up", "version": "1", "outbox_id": OUTBOX, "assigned": 9, "backlog": 2, "dropped": 0,
          "checks_digests": True, "lines": {"north": "ok"}, "stations": ["square-1"],
          "clock": {"ok": False, "by": "", "unconfirmed_since_ms": 1_706_745_600_123}}  # fmt: skip
DATA = send_data("0", 0)
STROKE = b"".join(
    cone.encode(one)
    for one in (
        *(cone.StepSentence("c1", 4, cone.Step(n, n / 100, 90.0 + n)) for n in range(1, 4)),
        cone.EndSentence("c1", 4, 3, 60),
        cone.AllSentence("c1", 1, 4),
    )
)
TOKENS = [
    *(b"[", b"]" * 9, b"{", b"}", b'"', b":", b",", b"null", b"true", b"-", b"1e999", b"9" * 400, b"0.", b"\\ud800"),
    *(b"\x00", b"\xff", b"\xc3\x28", "é🌧".encode(), b"\r", b"\n", b"\r\n", b"+", b"$", b"*", b"=", b"#", b"'''"),
    *(
        b"9" * 5000,
        b"2030-05-01T06:00Z",
        b"= " + b"[" * 3000,
        b"[" * 3000,
        b'{"a":' * 2000,
        b"/",
        b"..",
        b"%s",
        b"NaN",
        b"Infinity",
        b"-0.0",
        b"1e-400",
    ),
]


@dataclass(frozen=True)
class Decoder:
    """A decoder, good inputs of it, and what it may raise."""

    name: str
    good: tuple[bytes, ...]
    decode: Callable[[bytes], object]
    refuses: tuple[type[Exception], ...]


def _stream(data: bytes) -> None:
    for command in (Command("0", CommandKind.MEASURE), DATA, send_data("0", 0, crc=True)):
        parser = ReplyParser(command)
        try:
            parser.receive(data)
            while parser.next_reply() is not None:
                pass
            parser.finish()
        except BadFrame:
            continue


def _docked(data: bytes) -> None:
    host = DockHost()
    for stroke in (*host.receive(data), *host.elapsed()):
        host.in_custody(stroke)
    host.data_to_send()


def _described(data: bytes) -> None:
    parse_probe(data.decode("utf-8", "replace"), "fuzz", file="fuzz.toml")


def _shipped() -> tuple[bytes, ...]:
    folder = resources.files("hardware") / "probes"
    return tuple(sorted(path.read_bytes() for path in folder.iterdir() if path.name.endswith(".toml")))


FILES = tempfile.TemporaryDirectory()  # what the decoders of files read
DOCS = Path(__file__).parents[2] / "hardware" / "docs"
ROWS, _ = pack(BATCH.columns, {"square-1/p1/moisture": 1})
OBSERVED_DAY = np.zeros(5, dtype=OBSERVED)
OBSERVED_DAY["measured_at_ms"] = 1_706_745_600_000 + 900_000 * np.arange(5)
MANIFEST_TEXT = json.dumps(
    {
        "underturf_backup": 1, "taken": "2024-02-01 00:00 UTC", "site": "club", "taken_ms": 1_706_745_600_000,
        "program": "1", "database_version": 8, "rows": {"readings": 1}, "unreadable": {}, "settings": "a.toml",
        "models": "", "files": [{"name": "journal.db", "size_bytes": 1, "sha256": "a" * 64}], "left_out": ["keys"],
    }
)  # fmt: skip
RECORD_TEXT = json.dumps(
    {"good_ms": 1_706_745_600_000, "folder": "/stick", "size_bytes": 1, "fault": "", "asked_ms": 1}
)


def _in_file(name: str, data: bytes) -> Path:
    file = Path(FILES.name) / name
    file.write_bytes(data)
    return file


def _text(data: bytes) -> str:
    return data.decode("utf-8", "replace")


STORED = [
    Decoder("run", (ROWS.tobytes(),), lambda b: stored_rows(b, None, False, 1), (DamagedBlock,)),
    Decoder(
        "squeezed run",
        (zlib.decompress(squeeze(ROWS, np.full(len(ROWS), 1_706_745_600_000))),),
        lambda b: stored_rows(zlib.compress(b), None, True, 1),
        (DamagedBlock,),
    ),
    Decoder("slots", (b'["a", "b"]',), lambda b: stored_rows(ROWS.tobytes(), _text(b), False, 1), (DamagedBlock,)),
    Decoder("block", (pack_day(OBSERVED_DAY),), lambda b: unpack_days([b]), (DamagedBlock,)),
    Decoder(
        "day", (zlib.decompress(pack_day(OBSERVED_DAY)),), lambda b: unpack_days([zlib.compress(b)]), (DamagedBlock,)
    ),
    Decoder(
        "manifest",
        (MANIFEST_TEXT.encode(),),
        lambda b: read_manifest(_in_file(MANIFEST, b).parent).text(),
        (BackupFault,),
    ),
    Decoder(
        "record of backups",
        (RECORD_TEXT.encode(),),
        lambda b: read_record(_in_file(RECORD_FILE, b).parent).lines(1_800_000_000_000, 3.0),
        (),
    ),
    Decoder(
        "forecast",
        (as_json(temperature_degc=[5.0] * 16).encode(), CSV.replace("18:00Z,,", "18:00Z,1.2,").encode()),
        lambda b: parse_forecast(_text(b), **SITE),
        (ForecastFault,),
    ),
    Decoder("map of a record", (MAP.encode(),), lambda b: parse_map(_text(b), "map.toml"), (ImportFault,)),
    Decoder(
        "agent's settings",
        ((DOCS / "agent.toml").read_bytes(),),
        lambda b: load_agent(_in_file("agent.toml", b)),
        (AgentConfigFault,),
    ),
    Decoder(
        "server's settings",
        ((DOCS / "underturf.toml").read_bytes(),),
        lambda b: load_settings(_in_file("underturf.toml", b)),
        (ConfigFault,),
    ),
]
HEARD = [
    Decoder("pack", (encode_batch(BATCH),), lambda b: decode_batch(b, SPAN), (BadBatch,)),
    Decoder("deflated pack", (deflate(encode_batch(BATCH)),), lambda b: decode_batch(b, SPAN), (BadBatch,)),
    Decoder(
        "topic",
        (readings_topic(BATCH).encode(),),
        lambda b: parse_readings_topic(b.decode("utf-8", "replace")),
        (BadBatch,),
    ),
    Decoder("receipt", (encode_receipt(Receipt(OUTBOX, 9, "0123456789abcdef", 8)),), decode_receipt, (BadBatch,)),
    Decoder("notice", (encode_notice(Notice(1_706_745_600_123, "hand", ("a/b/c",))),), decode_notice, (BadBatch,)),
    Decoder("status", (json.dumps(STATUS).encode(),), lambda b: NODES.hear(STATUS_TOPIC, b, 0), (BadStatus,)),
    Decoder(
        "SDI-12 reply",
        (
            b"0+1.5-2.75+.3\r\n",
            b"00013\r\n",
            b"013NEUTRAL PROBE 001x\r\n",
            b"0+1.5" + crc_characters(b"0+1.5") + b"\r\n",
        ),
        lambda b: [decode_reply(b, command) for command in (DATA, Command("0", CommandKind.IDENTIFY))],
        (BadFrame,),
    ),
    Decoder("SDI-12 command", (measurement("0", "M1").wire, b"0D0!", b"0A1!", b"?!"), decode_command, (BadFrame,)),
    Decoder("SDI-12 stream", (b"0D0!0+1.5-2.75\r\n", b"00013\r\n0\r\n", b"\x00\x000+1\r\n"), _stream, ()),
    Decoder("dock", (STROKE,), _docked, ()),
    Decoder("description", _shipped(), _described, (ProbeFault,)),
]
DECODERS = [*HEARD, *STORED]


def damaged(good: bytes, rng: random.Random) -> bytes:
    """A good input after one to five steps: a bit or byte changed, a stretch cut, doubled, moved, or a token put in."""
    data = bytearray(good)
    for _ in range(rng.randint(1, 5)):
        at, length = rng.randrange(len(data) + 1), rng.randint(1, 12)
        step = rng.randrange(7)
        if step == 0 and data:
            data[at % len(data)] ^= 1 << rng.randrange(8)
        elif step == 1 and data:
            data[at % len(data)] = rng.randrange(256)
        elif step == 2:
            del data[at : at + length]
        elif step == 3:
            data[at:at] = data[at : at + length]
        elif step == 4:
            data[at:at] = rng.choice(TOKENS)
        elif step == 5:
            data[at : at + length] = rng.choice(TOKENS)
        else:
            del data[at:]
    return bytes(data)


def check(decoder: Decoder, rng: random.Random) -> None:
    data = damaged(rng.choice(decoder.good), rng)
    try:
        decoder.decode(data)
    except decoder.refuses:
        pass
    except BaseException as crash:
        crash.add_note(f"{decoder.name}: input {data[:400]!r}")
        raise


@pytest.mark.parametrize("decoder", DECODERS, ids=lambda d: d.name)
def test_a_good_input_is_taken(decoder: Decoder) -> None:
    """What the damage starts from is good for at least one of its decoders, or there would be little to damage."""
    for good in decoder.good:
        try:
            decoder.decode(good)
        except BadFrame:
            assert decoder.name == "SDI-12 reply"  # two commands are tried, and a reply is to one


@pytest.mark.parametrize("decoder", DECODERS, ids=lambda d: d.name)
@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**32))
def test_a_damaged_input_is_a_value_or_a_refusal(decoder: Decoder, seed: int) -> None:
    """Nothing else comes out of it."""
    check(decoder, random.Random(seed))


@pytest.mark.parametrize("decoder", DECODERS, ids=lambda d: d.name)
@settings(deadline=None, max_examples=40)
@given(data=st.binary(max_size=300))
def test_any_bytes_are_a_value_or_a_refusal(decoder: Decoder, data: bytes) -> None:
    """Bytes that never were anything."""
    with contextlib.suppress(*decoder.refuses):
        decoder.decode(data)


@pytest.mark.soak
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", [1])
def test_a_million_damaged_inputs(seed: int) -> None:
    """All decoders by turns; the seed of each input follows from the printed one."""
    for n in range(SOAK_INPUTS):
        check(DECODERS[n % len(DECODERS)], random.Random(f"{seed}/{n}"))
    print(f"\nseed {seed}: {SOAK_INPUTS} inputs over {len(DECODERS)} decoders, 0 crashes")
