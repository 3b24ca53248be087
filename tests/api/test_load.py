"""What many readers at once cost: kept facts, turns of large reads, packed answers, answers that are there already."""

from __future__ import annotations

import gzip
import threading
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from api import packing
from api.app import create_app
from api.export import observations_at_step
from api.load import FactCache, Turns, large_reads
from api.problems import Problem
from api.state import station_now
from pipeline.service import Pipeline
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, MakeGround, readings
from tests.pipeline.conftest import wait_until

MINUTE_MS = 60_000
OBSERVATIONS = "/api/v1/observations?channel=o1/d1/moisture_0100&every=hour&from=2024-01-01&to=2025-01-01"


def test_a_fact_is_kept_until_a_change_or_the_next_minute(make_ground: MakeGround) -> None:
    """Asked twice it is made once; a change of any kind, or another minute of the clock, makes it anew."""
    ground = make_ground()
    facts, made = FactCache(ground.pipeline), list[int]()

    def make() -> int:
        made.append(len(made))
        return made[-1]

    assert [facts.get("a", make), facts.get("a", make), facts.get("b", make)] == [0, 0, 1]
    ground.pipeline.changes.bump("readings")
    assert facts.get("a", make) == 2
    ground.clock.wall_ms += MINUTE_MS - ground.clock.wall_ms % MINUTE_MS - 1
    assert facts.get("a", make) == 2
    ground.clock.wall_ms += 1
    assert facts.get("a", make) == 3


def test_a_fact_is_made_once_for_all_who_ask_at_once(make_ground: MakeGround) -> None:
    """Twenty readers who come while it is made wait for it; one that cannot be made is tried again by the next."""
    facts, made, go = FactCache(make_ground().pipeline), list[int](), threading.Event()

    def make() -> int:
        made.append(1)
        go.wait(10)
        if len(made) == 1:
            raise ValueError("the first try")
        return 7

    with ThreadPoolExecutor(20) as pool:
        asked = [pool.submit(facts.get, "a", make) for _ in range(20)]
        wait_until(lambda: bool(made), "one makes it")
        go.set()
        found = [one.exception() or one.result() for one in asked]
    assert len(made) == 2 and [one for one in found if one != 7] == [found[0]] and isinstance(found[0], ValueError)


def test_a_page_is_not_worked_out_again_while_nothing_changes(
    make_ground: MakeGround, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The state of a station is read once for the first page, its own page and both their twins; again after news."""
    ground, read = make_ground(), list[str]()

    def counted(pipeline: object, surface: object, station: object, now_ms: int) -> object:
        read.append(station.name)  # type: ignore[attr-defined]
        return station_now(pipeline, surface, station, now_ms)  # type: ignore[arg-type]

    monkeypatch.setattr("api.data.station_now", counted)
    client = TestClient(create_app(ground.pipeline))
    paths = ("/", "/stations/s1", "/api/v1/now", "/api/v1/stations/s1", "/api/v1/answers")
    for path in paths:
        assert client.get(path).status_code == 200
    assert sorted(read) == ["o1", "s1", "s2"]
    ground.hear(readings(2, first_hour=400))
    ground.pipeline.changes.bump("findings")
    assert "Nothing has been heard" not in client.get("/stations/s1").text
    assert sorted(read) == ["o1", "s1", "s1", "s2"]


def read(turns: Turns, go: threading.Event) -> str:
    """Take a turn until told to go; what came of it."""
    try:
        with turns.turn():
            go.wait(10)
            return "read"
    except Problem as problem:
        return f"{problem.status} {problem.retry_after_s}"


def test_large_reads_take_turns_and_one_too_many_is_refused_at_once() -> None:
    """Two run and three wait, as long as they need; the sixth is told when to ask again without a wait."""
    left, go = list[int](), threading.Event()
    turns = Turns(2, 3, 60.0, lambda: left.append(1))
    with ThreadPoolExecutor(6) as pool:
        asked = [pool.submit(read, turns, go) for _ in range(5)]
        wait_until(lambda: turns._present == 5, "two read and three wait")
        assert pool.submit(read, turns, go).result(10) == "503 5"
        assert left == [] and not any(one.done() for one in asked)
        go.set()
        assert [one.result() for one in asked] == ["read"] * 5
    assert left == [1] and read(turns, go) == "read" and left == [1, 1]


def test_who_has_waited_too_long_is_refused() -> None:
    """A fifth of a second here; the place of who gave up is free again."""
    turns, go = Turns(1, 1, 0.2, lambda: None), threading.Event()
    with ThreadPoolExecutor(2) as pool:
        asked = [pool.submit(read, turns, go) for _ in range(2)]
        wait_until(lambda: any(one.done() for one in asked), "one has given up")
        go.set()
        assert sorted(one.result() for one in asked) == ["503 5", "read"]
    assert read(turns, go) == "read"


def test_who_was_admitted_is_never_refused_and_takes_no_place_of_others() -> None:
    """Pieces of downloads wait as long as it takes; one who asks beside four of them may wait too."""
    turns, go = Turns(1, 0, 60.0, lambda: None), threading.Event()

    def piece() -> bool:
        with turns.turn(admitted=True):
            return go.wait(10)

    with ThreadPoolExecutor(5) as pool:
        pieces = [pool.submit(piece) for _ in range(4)]
        wait_until(lambda: turns._present == 4, "one is read and three wait")
        asked = pool.submit(read, turns, go)
        wait_until(lambda: turns._present == 5, "another waits")
        go.set()
        assert all(one.result() for one in pieces) and asked.result() == "read"


def test_a_refused_read_is_a_problem_with_a_time_to_ask_again(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """503 as problem JSON with Retry-After, for observations, findings and downloads; pages are given as ever."""
    none = Turns(0, 0, 0.0, lambda: None)
    monkeypatch.setattr("api.data.large_reads", none)
    monkeypatch.setattr("api.data.downloads", none)
    for path in ("/api/v1/observations", "/api/v1/findings?station=s1", "/api/v1/observations.csv"):
        answer = client.get(path)
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5"), path
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["title"] == "Too many large reads"
    assert client.get("/").status_code == client.get("/api/v1/stations/s1").status_code == 200


def test_a_download_holds_its_place_to_the_last_byte(client: TestClient) -> None:
    """After a whole CSV nothing is held any more."""
    assert len(client.get("/api/v1/observations.csv").text.splitlines()) > 1000
    assert large_reads._present == 0


@pytest.mark.parametrize(
    "path", ["/", "/work", "/stations/s1", "/api/v1/now", "/api/v1/observations", "/static/live.js"]
)
def test_an_answer_is_packed_for_whoever_takes_it(served: str, path: str) -> None:
    """With gzip accepted it comes packed and much smaller, and is the same; a stranger to gzip gets it plain."""
    plain = httpx.get(served + path, headers={"Accept-Encoding": "identity"})
    with httpx.stream("GET", served + path, headers={"Accept-Encoding": "gzip"}) as answer:
        raw = b"".join(answer.iter_raw())
    assert answer.headers["content-encoding"] == "gzip" and "content-encoding" not in plain.headers
    assert "Accept-Encoding" in answer.headers["vary"]
    assert gzip.decompress(raw) == plain.content and len(raw) < 0.6 * len(plain.content)


def test_the_stream_of_events_is_not_packed(served: str) -> None:
    """A packed stream would hold events back until its window is full."""
    with httpx.stream("GET", f"{served}/api/v1/live", headers={"Accept-Encoding": "gzip"}, timeout=10) as events:
        assert "content-encoding" not in events.headers
        assert next(events.iter_lines()).startswith(("id:", "event:"))


@pytest.mark.parametrize(
    "path", ["/", "/work", "/stations/s1", "/api/v1/now", "/api/v1/observations?to=2024-03-20", "/static/slice.js"]
)
def test_an_answer_that_is_there_already_is_not_sent_again(client: TestClient, path: str) -> None:
    """304 without a body for the tag of before, packed or not; whole again for another tag."""
    first = client.get(path)
    tag = first.headers["etag"]
    assert first.headers["cache-control"] == "no-cache"
    for asked in (tag, f'"other", {tag}'):
        again = client.get(path, headers={"If-None-Match": asked})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
        assert "content-security-policy" in again.headers
    assert client.get(path, headers={"If-None-Match": '"other"', "Accept-Encoding": "identity"}).text == first.text


def test_a_page_has_another_tag_after_a_change(make_ground: MakeGround) -> None:
    """What is new is sent, whatever the browser has."""
    ground = make_ground()
    client = TestClient(create_app(ground.pipeline))
    tag = client.get("/stations/s1").headers["etag"]
    ground.hear(readings(2, first_hour=(NOW_MS - readings()[0].measured_at_ms) // HOUR_MS - 2))
    ground.pipeline.changes.bump("findings")
    answer = client.get("/stations/s1", headers={"If-None-Match": tag})
    assert answer.status_code == 200 and answer.headers["etag"] != tag


@pytest.mark.parametrize("compress", [gzip.compress, packing.compress], ids=["zlib", "ours"])
def test_series_are_packed_once_and_read_again_after_news(
    make_ground: MakeGround, compress: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second reader of the same span costs no read; news makes it anew; who takes no gzip gets the same unpacked.
    So whichever library packs."""
    monkeypatch.setattr("api.packing.compress", compress)
    ground, read = make_ground(), list[str]()

    def counted(pipeline: Pipeline, *asked: object, **more: object) -> object:
        read.append("read")
        return observations_at_step(pipeline, *asked, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("api.data.observations_at_step", counted)
    ground.hear(readings(48))
    client = TestClient(create_app(ground.pipeline))
    first = client.get(OBSERVATIONS)
    plain = client.get(OBSERVATIONS, headers={"Accept-Encoding": "identity"})
    assert first.headers["content-encoding"] == "gzip" and "content-encoding" not in plain.headers
    assert first.json() == plain.json() and len(first.json()["observations"]) > 20 and len(read) == 1
    ground.pipeline.changes.bump("readings")
    assert client.get(OBSERVATIONS).json() == first.json() and len(read) == 2


def test_no_more_answers_are_kept_than_wanted(make_ground: MakeGround) -> None:
    """The one beyond the greatest number lets go of all before it; one that is kept lets go of none."""
    facts, made = FactCache(make_ground().pipeline, most=2), list[str]()
    for key in ("a", "b", "a", "b", "c", "c", "a"):
        facts.get(key, lambda key=key: made.append(key))  # type: ignore[misc]
    assert made == ["a", "b", "c", "a"]
