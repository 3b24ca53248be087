"""How the server store deals with its server: what it asks of it, and every way the server can fail it.

The server is an `influxd` of Debian, version 1.6.7. Where a server of another kind or another mood is needed, a relay
stands before it and changes what is sent or answered; what it changes it to is said in each test.
"""

import http.server
import re
import socket
import struct
import threading
import urllib.error
import urllib.parse
import urllib.request
from contextlib import contextmanager

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.reading import Reading, Status
from pipeline.errors import StoreAway, StoreFull
from pipeline.run.clock import SystemClock
from pipeline.site.server import StoreConfig
from pipeline.store import OBSERVATION_COLUMNS
from pipeline.store.influx import InfluxStore, quoted
from pipeline.units import DAY_MS
from tests.influx_server import InfluxServer
from tests.pipeline.store.keeping import keep

T0_MS = 1_704_067_200_000
C0, C1 = "square-1/p1/c0", "square-1/p1/c1"
FOREVER = (0, 7_000_000_000_000)


@pytest.fixture(scope="module")
def influxd(tmp_path_factory, need_program):
    """An influxd without users, for tests that make and drop databases."""
    server = InfluxServer(need_program("influxd"), tmp_path_factory.mktemp("influxd")).start()
    yield server
    server.kill()


@pytest.fixture
def database(request):
    """A database name of the test's own."""
    return re.sub(r"\W+", "_", request.node.name)


@pytest.fixture
def open_store(influxd, database):
    """Open stores of the test's database; they are closed at its end."""
    opened = []

    def make(url=influxd.url, *, token=None, clock=None, **told):
        config = StoreConfig(kind="influx", url=url, bucket=database, **told)
        opened.append(InfluxStore(config, "club", token=token, clock=clock))
        return opened[-1]

    yield make
    for store in opened:
        store.close()


class Relay(http.server.BaseHTTPRequestHandler):
    """Passes requests on to a server, each through what a test would have changed."""

    def do_POST(self):
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        self.server.asked.append((self.path, body.decode()))
        path = self.server.on_request(self.path)
        if isinstance(path, int):
            return self._answer(path, {}, b"<p>" if path == 200 else b'{"error":"a relay says no"}')
        request = urllib.request.Request(
            self.server.to + path,
            body or None,
            method=self.command,
            headers={"Content-Type": self.headers["Content-Type"]},
        )
        try:
            with urllib.request.urlopen(request) as answer:
                return self._answer(answer.status, dict(answer.headers), answer.read())
        except urllib.error.HTTPError as err:
            return self._answer(err.code, dict(err.headers), err.read())

    do_GET = do_POST

    def _answer(self, status, headers, body):
        self.send_response_only(status)
        for name, value in self.server.on_answer(headers).items():
            if name.lower() not in ("transfer-encoding", "content-length", "connection"):
                self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        cut = self.server.cut_at
        self.wfile.write(body if cut is None or "/query" not in self.path else body[:cut])
        if cut is not None and "/query" in self.path:
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            self.connection.close()

    def log_message(self, *_):
        pass


@pytest.fixture
def relay(influxd):
    """Start a relay before influxd; returns the server whose `url`, `asked` and changes a test may use."""

    @contextmanager
    def start(on_request=lambda path: path, on_answer=lambda headers: headers):
        with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Relay) as server:
            server.to, server.asked, server.cut_at = influxd.url, [], None
            server.on_request, server.on_answer = on_request, on_answer
            server.url = f"http://127.0.0.1:{server.server_port}"
            threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
            yield server
            server.shutdown()

    return start


def readings(count, *, first=1, at_ms=T0_MS, site="club", **changes):
    plain = {"raw": 0.25, "status": Status.OK, "attempts": 1, "clock_ok": True, **changes}
    return [
        Reading(site, "north", "0" * 16, seq, C0, str(seq), at_ms + seq * 1000, *plain.values())
        for seq in range(first, first + count)
    ]


def observations(values, *, channel=C0, at_ms=T0_MS):
    count = len(values)
    columns = (
        [channel] * count,
        [at_ms + i * 60_000 for i in range(count)],
        *(np.array(values, dtype=float),) * 2,
        *([1] * count,) * 3,
    )
    return pd.DataFrame(dict(zip(OBSERVATION_COLUMNS, columns, strict=True)))


def finding(station="square-1", quantity="thatch_water", reason=None):
    return pd.DataFrame(
        {"station": [station], "quantity": [quantity], "start_ms": [T0_MS], "end_ms": [T0_MS + 5], "value": [1.5],
         "low": [1.0], "high": [2.0], "n": [3], "reason": [reason], "stage_version": [1]}
    )  # fmt: skip


def ask(server, text, **more):
    """What influxd answers, without our client."""
    form = urllib.parse.urlencode({"q": text}).encode()
    return urllib.request.urlopen(f"{server.url}/query?{urllib.parse.urlencode(more)}", form).read().decode()


# --- what is asked and said -----------------------------------------------------------------------------------------


def test_a_server_of_version_1_is_known_and_its_database_made(influxd, open_store, database):
    """Version and way of writing are as /ping says (1.6: no /api/v2/write); the database keeps rows for ever."""
    server = open_store().meet()
    assert server.version.startswith("1.6.7") and server.writes_to == "/write" and server.warnings == ()
    assert '["autogen","0s","2184h0m0s",1,true]' in ask(influxd, f'SHOW RETENTION POLICIES ON "{database}"')


def test_how_long_rows_are_kept_is_the_database_s_when_it_is_made_and_compared_when_it_is_there(
    influxd, open_store, database
):
    """400 days are 9600 h; a database that is there is left as it is, and a warning names both durations."""
    assert open_store(keep_days=400).meet().warnings == ()
    assert '["autogen","9600h0m0s"' in ask(influxd, f'SHOW RETENTION POLICIES ON "{database}"')
    (warning,) = open_store().meet().warnings
    assert "keeping rows for 9600h0m0s (0s: for ever), expected 0s by store.keep_days" in warning
    assert open_store(keep_days=400).meet().warnings == ()


def test_the_server_is_asked_once_what_it_is(open_store, relay):
    """Four reads and writes ask /ping once; a setting in place of the answer asks it never."""
    with relay() as front:
        for version, pings in ((None, 1), ("1.6", 0)):
            store = open_store(front.url, server_version=version)
            for _ in range(2):
                keep(store, readings(1), 5)
                store.raw([C0], *FOREVER)
            assert sum(path == "/ping" for path, _ in front.asked) == pings
            front.asked.clear()


def test_a_server_with_the_newer_write_address_is_written_to_there(open_store, relay, database):
    """A relay that says 2.7, takes /api/v2/write and hands its lines to influxd as /write: the rows are there."""

    def as_version_1(path):
        address, _, query = path.partition("?")
        return f"/write?db={urllib.parse.parse_qs(query)['bucket'][0]}&precision=ns" if "/api/v2" in address else path

    with relay(as_version_1, lambda headers: {**headers, "X-Influxdb-Version": "v2.7.1"}) as front:
        open_store().meet()  # makes the database, as somebody makes the bucket of a version 2
        store = open_store(front.url, org="ground", token="secret")
        sent = readings(3)
        keep(store, sent, 5)
        store.upsert_findings(finding())
        assert store.meet().writes_to == "/api/v2/write" and store.not_held(sent) == []
        assert len(store.findings("square-1", None, *FOREVER)) == 1
        written = [path for path, _ in front.asked if path.startswith("/api/v2/write")]
        expected = f"/api/v2/write?org=ground&bucket={database}&precision=ns"
        assert written == [expected, expected]
        store.delete_findings("square-1", ["thatch_water"], *FOREVER)
        assert store.findings("square-1", None, *FOREVER).empty


def test_a_version_that_only_health_tells_is_taken(open_store, relay):
    """Behind a proxy that drops the header of /ping, /health says the version; 1.6 has neither and wants a setting."""
    with relay(on_answer=lambda headers: {k: v for k, v in headers.items() if k != "X-Influxdb-Version"}) as front:
        with pytest.raises(StoreAway, match=r"found answer 404"):
            open_store(front.url).meet()
        assert front.asked[-1][0] == "/health"
        assert open_store(front.url, server_version="1.6").meet().writes_to == "/write"


# --- rows ----------------------------------------------------------------------------------------------------------


@given(st.text(alphabet=st.sampled_from("ab'\"\\$\n é;"), max_size=12), st.sampled_from("'\""))
def test_a_quoted_text_ends_where_it_should(text, mark):
    """Reading the literal by the language's rules (backslash before mark, backslash and n) gives the text back."""
    literal = quoted(text, mark)
    parts = re.findall(r"\\.|[^\\]", literal[1:-1], flags=re.DOTALL)
    assert "".join(parts) == literal[1:-1] and mark not in parts
    assert "".join({"\\n": "\n"}.get(part, part[-1]) for part in parts) == text


@pytest.mark.parametrize("nasty", ["a'b", "' OR site = 'club", 'a"b', "a\\b", "a,b=c d", "schöne Grüße", "a;b"])
def test_names_and_reasons_of_any_spelling_come_back_and_find_only_themselves(open_store, nasty):
    """Quotes, separators and backslashes in a name or a reason are characters like others, to the server too."""
    store = open_store()
    reason = nasty + '\n"\\'
    store.upsert_findings(pd.concat([finding(), finding(nasty, nasty, reason)]))
    found = store.findings(nasty, [nasty], *FOREVER)
    assert found[["station", "quantity", "reason"]].values.tolist() == [[nasty, nasty, reason]]
    assert len(store.findings("square-1", None, *FOREVER)) == 1
    assert store.findings(f"{nasty}'", None, *FOREVER).empty


def test_two_readings_of_one_millisecond_are_two_points(open_store):
    """Seq is carried below the millisecond of the time, so that neither overwrites the other."""
    store = open_store()
    two = [*readings(1, at_ms=T0_MS + 1000), *readings(1, first=2, at_ms=T0_MS)]
    keep(store, two, 5)
    assert store.raw([C0], *FOREVER)["measured_at_ms"].tolist() == [T0_MS + 2000] * 2 and store.not_held(two) == []


def test_a_zero_below_nought_keeps_its_sign(open_store):
    """-0.0 is another number of IEEE 754 than 0.0, and comes back as it was measured."""
    store = open_store()
    keep(store, readings(1, raw=-0.0), 5)
    assert np.signbit(store.raw([C0], *FOREVER)["raw"].iloc[0])


def test_more_rows_than_a_request_or_a_chunk_holds_all_arrive_and_come_back(open_store, monkeypatch):
    """Rows are cut into requests of 7 and answers of 5, and none falls between two."""
    monkeypatch.setattr("pipeline.store.influx.POINTS_A_REQUEST", 7)
    monkeypatch.setattr("pipeline.store.influx.ROWS_A_CHUNK", 5)
    store = open_store()
    sent = readings(40)
    keep(store, sent, 5)
    assert store.raw([C0], *FOREVER)["slot"].tolist() == [r.slot for r in sent] and store.not_held(sent) == []


def test_readings_the_server_does_not_hold_are_named(open_store):
    """One never written, and one that the server holds otherwise, are the two that are not held."""
    store = open_store()
    first, second, third = readings(3)
    keep(store, [first, second], 5)
    (other,) = readings(1, first=2, raw=0.5)
    assert store.not_held([first, other, third]) == [other, third]


def test_one_wrong_time_does_not_stretch_what_is_read_back(open_store, relay):
    """A reading dated 2001 among today's is read back in a span of its own: none asked for is longer than a day."""
    with relay() as front:
        store = open_store(front.url)
        sent = [*readings(5), *readings(1, first=6, at_ms=1_000_000_000_000)]
        keep(store, sent, 5)
        assert store.not_held(sent) == []
        asked = urllib.parse.unquote_plus(front.asked[-1][1])
        spans = re.findall(r"time >= (\d+)ms AND time < (\d+)ms", asked)
        assert len(spans) == 2 and all(int(end) - int(start) <= DAY_MS for start, end in spans)


def test_a_removed_finding_is_gone_until_it_is_drawn_again(open_store):
    """Removed, it is in no answer; written again, it is there with its new value."""
    store = open_store()
    store.upsert_findings(finding())
    store.delete_findings("square-1", ["thatch_water"], *FOREVER)
    assert store.findings("square-1", None, *FOREVER).empty
    store.upsert_findings(finding().assign(value=2.5))
    assert store.findings("square-1", None, *FOREVER)["value"].tolist() == [2.5]


def test_rows_older_than_the_server_keeps_are_neither_refused_nor_waited_for(open_store):
    """With 400 days kept, a reading of 401 days ago is dropped by the server and counts as carried; today's is held."""
    store = open_store(keep_days=400)
    now_ms = SystemClock().now_ms()
    old, new = readings(1, at_ms=now_ms - 401 * DAY_MS), readings(1, first=2, at_ms=now_ms)
    keep(store, [*old, *new], 5)
    store.upsert_observations(observations([1.0], at_ms=now_ms - 401 * DAY_MS))
    assert store.raw([C0], *FOREVER)["slot"].tolist() == ["2"] and store.not_held([*old, *new]) == []


# --- faults --------------------------------------------------------------------------------------------------------


def test_a_server_that_does_not_answer_is_away(open_store, free_port):
    """Nothing listening is an environment fault that names the server, for writes and reads."""
    store = open_store(f"http://127.0.0.1:{free_port}")
    with pytest.raises(StoreAway, match=rf"127.0.0.1:{free_port}: found no answer"):
        keep(store, readings(1), 5)
    with pytest.raises(StoreAway, match="found no answer"):
        store.latest([C0])


def test_an_answer_that_is_reset_in_the_middle_is_away_and_nothing_of_it_is_taken(open_store, relay):
    """The connection is reset after 200 bytes of rows: no shorter answer is given out, and the next try is whole."""
    with relay() as front:
        store = open_store(front.url)
        keep(store, readings(40), 5)
        front.cut_at = 200
        with pytest.raises(StoreAway, match="found no answer"):
            store.raw([C0], *FOREVER)
        front.cut_at = None
        assert len(store.raw([C0], *FOREVER)) == 40


def test_an_answer_without_its_end_is_not_taken_for_the_whole(open_store, monkeypatch):
    """A server that ends after a chunk it called partial has not answered (`partial` of chunked answers, 1.6)."""
    store = open_store()
    keep(store, readings(4), 5)
    whole = store._call
    monkeypatch.setattr("pipeline.store.influx.ROWS_A_CHUNK", 2)

    class FirstChunk:
        def __init__(self, answer):
            self.lines = list(answer)[:1]

        def __iter__(self):
            return iter(self.lines)

        def close(self):
            pass

    store._call = lambda *asked, **more: FirstChunk(whole(*asked, **more))
    with pytest.raises(StoreAway, match="found an answer that ends in the middle"):
        store.raw([C0], *FOREVER)


@pytest.mark.parametrize(("status", "fault"), [(507, StoreFull), (500, StoreAway), (503, StoreAway)])
def test_a_full_server_is_told_from_one_that_is_away(open_store, relay, status, fault):
    """HTTP 507 (RFC 4918, insufficient storage) is a full store, other refusals an absent one; both in its words."""
    with relay(lambda path: status if path.startswith("/write") else path) as front:
        store = open_store(front.url)
        with pytest.raises(fault, match="a relay says no"):
            keep(store, readings(1), 5)
        with pytest.raises(fault, match="a relay says no"):
            store.upsert_observations(observations([1.0]))


def test_a_wrong_token_is_named_with_the_setting(tmp_path, need_program, open_store, database):
    """With users: no token and a wrong one are refused; one without rights is told so; the administrator's works."""
    server = InfluxServer(need_program("influxd"), tmp_path, auth=True).start()
    try:
        ask(server, "CREATE USER chief WITH PASSWORD 'p:w' WITH ALL PRIVILEGES")
        ask(server, "CREATE USER guest WITH PASSWORD 'guest'", u="chief", p="p:w")
        for token in (None, "chief:wrong"):
            with pytest.raises(StoreAway, match=r"found answer 401 \(.*look at store.token_file"):
                open_store(server.url, token=token).meet()
        with pytest.raises(StoreAway, match=r"found answer 403 \(.*look at what the user"):
            open_store(server.url, token="guest:guest").meet()
        store = open_store(server.url, token="chief:p:w")
        keep(store, readings(2), 5)
        assert store.not_held(readings(2)) == []
    finally:
        server.kill()


def test_a_server_of_an_unknown_version_is_refused_unless_a_setting_says_what_it_is_like(open_store, relay):
    """Version 4.0 is none of those whose interface is known; told that it is like 1.6, it is used so."""
    with relay(on_answer=lambda headers: {**headers, "X-Influxdb-Version": "4.0.0"}) as front:
        with pytest.raises(StoreAway, match=r"found version '4.0.0'.*set store.server_version"):
            keep(open_store(front.url), readings(1), 5)
        store = open_store(front.url, server_version="1.6")
        keep(store, readings(1), 5)
        assert store.not_held(readings(1)) == []


def test_a_clock_of_the_server_that_is_off_is_warned_of(open_store, relay):
    """An hour ahead by the Date of its answers (RFC 9110, 6.6.1) is a warning with the seconds; rows are still kept."""
    ahead = "Sat, 01 Jan 2022 01:00:00 GMT"

    class Then(SystemClock):
        def now_ms(self):
            return 1_640_995_200_000  # 2022-01-01T00:00:00Z

    with relay(on_answer=lambda headers: {**headers, "Date": ahead}) as front:
        store = open_store(front.url, clock=Then())
        assert "found its clock +3600 s from ours" in store.meet().warnings[0]
        keep(store, readings(1), 5)
        assert store.not_held(readings(1)) == []


def test_a_partial_write_is_away_with_the_server_s_words(influxd, open_store, database):
    """A field that somebody wrote with another type refuses our rows: named, and the rows are not held."""
    store = open_store()
    store.meet()
    line = f"reading,channel={C0},node=north,outbox_id=0000000000000000,site=club seq=1.5 {(T0_MS + 7) * 1_000_000}"
    urllib.request.urlopen(f"{influxd.url}/write?db={database}", line.encode())
    with pytest.raises(StoreAway, match=r"found answer 400 \(partial write: field type conflict"):
        keep(store, readings(2), 5)
    assert store.not_held(readings(2)) == readings(2)


@pytest.mark.parametrize("first", ["write", "read"])
def test_a_database_that_was_dropped_is_named_and_made_again(influxd, open_store, database, first):
    """The first request after it tells, a write (404) or a read (200 with the error inside); then it is made anew."""
    store = open_store()
    keep(store, readings(1), 5)
    ask(influxd, f'DROP DATABASE "{database}"')
    with pytest.raises(StoreAway, match=r"\(.*database not found.*make the bucket"):
        keep(store, readings(1), 5) if first == "write" else store.raw([C0], *FOREVER)
    keep(store, readings(1), 5)
    assert store.not_held(readings(1)) == []


def test_what_is_no_influxdb_is_away(open_store, relay):
    """An address where something else answers with a page is named, not read as rows."""

    def to_a_page(path):
        return 200 if path.startswith("/query") else path

    with relay(to_a_page) as front, pytest.raises(StoreAway, match="found an answer that is not JSON"):
        open_store(front.url).raw([C0], *FOREVER)
