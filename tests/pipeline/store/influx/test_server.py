"""What the server store writes arrives, on a real server of the same write interface; and how its faults are told.

The server is VictoriaMetrics, whose `/api/v2/write` takes the same lines. It keeps numbers and true or false, stores
texts as 0, cuts times to ms and knows no Flux: so what was written is read back through its own export. Reading
through Flux is tested by the conformance suite where an InfluxDB 2 server is named.
"""

import json
import socket
import subprocess
import threading
import urllib.parse
import urllib.request

import numpy as np
import pandas as pd
import pytest

from hardware.reading import Reading, Status
from pipeline.errors import StoreAway, StoreFull
from pipeline.store.influx.server import InfluxStore

T0_MS = 1_704_067_200_000


@pytest.fixture(scope="module")
def server(tmp_path_factory, need_program):
    """Address of a fresh server process."""
    program = need_program("victoria-metrics")
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        address = f"127.0.0.1:{listener.getsockname()[1]}"
    folder = tmp_path_factory.mktemp("series")
    command = [program, f"-storageDataPath={folder}", f"-httpListenAddr={address}", "-retentionPeriod=100y"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    pause = threading.Event()
    try:
        for _ in range(400):
            try:
                urllib.request.urlopen(f"http://{address}/health", timeout=1)
                break
            except OSError:
                pause.wait(0.05)
        else:
            pytest.fail("victoria-metrics did not answer within 20 s")
        yield f"http://{address}"
    finally:
        process.kill()
        process.wait()


@pytest.fixture
def store(server, request):
    opened = InfluxStore(server, "club", "bucket", "token", site=request.node.name.replace("_", "-")[:60])
    yield opened
    opened.close()


def exported(server, store, name):
    """What the server holds of one field: (tags, {time in ms: value}) for each series."""
    urllib.request.urlopen(f"{server}/internal/force_flush")
    match = urllib.parse.quote(f'{{__name__="{name}",site="{store._site}"}}')
    lines = urllib.request.urlopen(f"{server}/api/v1/export?match[]={match}").read().decode().splitlines()
    series = [json.loads(line) for line in lines]
    return {
        tuple(v for k, v in sorted(s["metric"].items()) if k not in ("__name__", "site")): dict(
            zip(s["timestamps"], s["values"], strict=True)
        )
        for s in series
    }


def readings(store, count):
    return [
        Reading(
            store._site,
            "north",
            "0" * 16,
            i + 1,
            f"square-1/p1/c{i % 2}",
            "1704067200",
            T0_MS + i * 1000,
            i / 8 if i % 5 else None,
            Status.OK if i % 5 else Status.SILENT,
            1 + i % 3,
            i % 7 != 0,
        )
        for i in range(count)
    ]


def test_readings_arrive_with_value_time_and_identity(server, store):
    """Every reading is there under its tags, at its millisecond, with seq, value, attempts and clock."""
    sent = readings(store, 40)
    assert store.append(sent, T0_MS + 5) == 40
    store.append(sent, T0_MS + 5)
    for field, of in (
        ("seq", lambda r: r.seq),
        ("raw", lambda r: r.raw or 0),
        ("attempts", lambda r: r.attempts),
        ("clock_ok", lambda r: int(r.clock_ok)),
        ("received_at_ms", lambda r: T0_MS + 5),
    ):
        found = exported(server, store, f"reading_{field}")
        expected = {}
        for r in sent:
            expected.setdefault((r.channel, r.node, r.outbox_id), {})[r.measured_at_ms] = of(r)
        assert found == expected


def test_observations_arrive_with_a_mark_where_there_is_no_value(server, store):
    """A missing number is written as 0 with a mark, because the server knows no NaN and would keep an old value."""
    frame = pd.DataFrame(
        {
            "channel": ["square-1/p1/c0", "square-1/p1/c0", "square-1/p1/c1"],
            "measured_at_ms": [T0_MS, T0_MS + 1000, T0_MS],
            "raw": [0.1, np.nan, 3.5],
            "value": [0.2, np.nan, np.nan],
            "flag": [1, 9, 4],
            "stage_version": [1, 1, 1],
            "received_at_ms": [7, 8, 9],
        }
    )
    store.upsert_observations(frame)
    c0, c1 = ("square-1/p1/c0",), ("square-1/p1/c1",)
    assert exported(server, store, "observation_value") == {c0: {T0_MS: 0.2, T0_MS + 1000: 0}, c1: {T0_MS: 0}}
    assert exported(server, store, "observation_has_value") == {c0: {T0_MS: 1, T0_MS + 1000: 0}, c1: {T0_MS: 0}}
    assert exported(server, store, "observation_has_raw") == {c0: {T0_MS: 1, T0_MS + 1000: 0}, c1: {T0_MS: 1}}
    assert exported(server, store, "observation_flag") == {c0: {T0_MS: 1, T0_MS + 1000: 9}, c1: {T0_MS: 4}}


def test_findings_arrive_under_station_and_quantity(server, store):
    """A finding stands at its start, with its end and bounds as fields."""
    frame = pd.DataFrame(
        {
            "station": ["square-1", "square-1"],
            "quantity": ["thatch_water", "thatch_air"],
            "start_ms": [T0_MS, T0_MS],
            "end_ms": [T0_MS + 5, T0_MS + 6],
            "value": [2.5, np.nan],
            "low": [2.0, np.nan],
            "high": [3.0, np.nan],
            "n": [6, 0],
            "reason": [None, "no thatch thickness"],
            "stage_version": [1, 1],
        }
    )
    store.upsert_findings(frame)
    water, air = ("thatch_water", "square-1"), ("thatch_air", "square-1")
    assert exported(server, store, "finding_value") == {water: {T0_MS: 2.5}, air: {T0_MS: 0}}
    assert exported(server, store, "finding_end_ms") == {water: {T0_MS: T0_MS + 5}, air: {T0_MS: T0_MS + 6}}
    assert exported(server, store, "finding_has_reason") == {water: {T0_MS: 0}, air: {T0_MS: 1}}


def test_more_rows_than_one_request_takes_all_arrive(server, store, monkeypatch):
    """A long frame is written in several requests, and no row falls between two of them."""
    monkeypatch.setattr("pipeline.store.influx.server.POINTS_A_REQUEST", 7)
    store.append(readings(store, 40), 5)
    assert sum(len(v) for v in exported(server, store, "reading_seq").values()) == 40


def test_two_readings_of_one_millisecond_are_two_points():
    """Seq is carried below the millisecond of the time, so that neither overwrites the other (algebra)."""
    written = []
    store = InfluxStore("http://127.0.0.1:9", "o", "b", "t", site="club")
    store._write = lambda measurement, frame, times, tags: written.extend(times.tolist())
    twice = Reading("club", "north", "0" * 16, 1, "a/b/c", "1", T0_MS, 0.5, Status.OK, 1, True)
    store.append([twice, Reading(*(getattr(twice, n) if n != "seq" else 2 for n in Reading.__slots__))], 5)
    assert written == [T0_MS * 1_000_000 + 1, T0_MS * 1_000_000 + 2]
    store.close()


def test_a_server_that_does_not_answer_is_away(free_port):
    """Nothing listening is an environment fault that names the server."""
    store = InfluxStore(f"http://127.0.0.1:{free_port}", "o", "b", "t", site="club")
    with pytest.raises(StoreAway, match=rf"127.0.0.1:{free_port}: found no answer"):
        store.append(readings(store, 1), 5)
    with pytest.raises(StoreAway, match="found no answer"):
        store.latest(["a/b/c"])
    store.close()


def test_a_server_that_refuses_is_away_with_its_words(server, store):
    """An answer that is not success is told with its status and the server's own words."""
    with pytest.raises(StoreAway, match=r"found answer 400 .*unsupported path requested"):
        store.raw(["a/b/c"], 0, 1)


@pytest.mark.parametrize(("status", "fault"), [(507, StoreFull), (401, StoreAway), (503, StoreAway)])
def test_a_full_server_is_told_from_one_that_is_away(free_port, status, fault):
    """HTTP 507 (RFC 4918, insufficient storage) is a full store, every other refusal an absent one."""
    listener = socket.create_server(("127.0.0.1", free_port))

    def answer():
        connection, _ = listener.accept()
        with connection:
            connection.recv(65536)
            head = f"HTTP/1.1 {status} No\r\nContent-Length: 2\r\nContent-Type: application/json\r\n\r\n"
            connection.sendall(head.encode() + b"{}")

    thread = threading.Thread(target=answer)
    thread.start()
    store = InfluxStore(f"http://127.0.0.1:{free_port}", "o", "b", "t", site="club")
    with pytest.raises(fault):
        store.append(readings(store, 1), 5)
    thread.join()
    listener.close()
    store.close()


ANSWER = """#datatype,string,long,long,string,string,string,long,string,string,double,string,long,boolean,long
#group,false,false,false,false,false,false,false,false,false,false,false,false,false,false
#default,_result,,,,,,,,,,,,,
,result,table,at_ms,channel,node,outbox_id,seq,slot,status,raw,extra,attempts,clock_ok,received_at_ms
,,0,1704067201000,a/b/c,north,0000000000000000,2,1704067201,silent,0,,3,false,5
,,0,1704067200000,a/b/c,north,0000000000000000,1,0123,ok,0.1,,1,true,5

"""


def test_an_answer_in_annotated_csv_becomes_rows(free_port):
    """The answer form of the query interface (annotated CSV, InfluxDB 2 documentation, from memory) is read by type."""
    listener = socket.create_server(("127.0.0.1", free_port))

    def answer():
        for _ in range(2):
            connection, _ = listener.accept()
            with connection:
                connection.recv(65536)
                body = ANSWER.replace("\n", "\r\n").encode()
                head = f"HTTP/1.1 200 OK\r\nContent-Type: text/csv\r\nContent-Length: {len(body)}\r\n"
                connection.sendall(head.encode() + b"Connection: close\r\n\r\n" + body)

    thread = threading.Thread(target=answer)
    thread.start()
    store = InfluxStore(f"http://127.0.0.1:{free_port}", "o", "b", "t", site="club")
    found = store.raw(["a/b/c"], 0, 1)
    assert found["measured_at_ms"].tolist() == [1704067200000, 1704067201000]
    assert found["raw"].iloc[0] == 0.1 and np.isnan(found["raw"].iloc[1])
    assert found["slot"].tolist() == ["0123", "1704067201"]
    assert found["clock_ok"].tolist() == [True, False]
    first = Reading("club", "north", "0" * 16, 1, "a/b/c", "0123", T0_MS, 0.1, Status.OK, 1, True)
    second = Reading("club", "north", "0" * 16, 2, "a/b/c", "1704067201", T0_MS + 1000, None, Status.SILENT, 3, False)
    lost = Reading("club", "north", "0" * 16, 3, "a/b/c", "1704067201", T0_MS + 1000, 0.5, Status.OK, 1, True)
    assert store.not_held([first, second, lost]) == [lost]
    thread.join()
    listener.close()
    store.close()
