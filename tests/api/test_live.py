"""Live updates over a real server: a stream that tells of news and ends with its listener."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import httpx

from api import live
from tests.api.served import serving
from tests.api.site import MakeGround, readings

TIMEOUT = httpx.Timeout(20.0)


@contextmanager
def listening(address: str) -> Iterator[Iterator[dict[str, str]]]:
    """The events of the stream, as mappings of field to text."""
    with httpx.stream("GET", f"{address}/api/v1/live", timeout=TIMEOUT) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        yield events(answer)


def events(answer: httpx.Response) -> Iterator[dict[str, str]]:
    fields: dict[str, str] = {}
    for line in answer.iter_lines():
        if line.startswith(":"):
            continue
        if not line:
            if fields:
                yield fields
            fields = {}
        else:
            key, _, value = line.partition(": ")
            fields[key] = value


def test_a_listener_is_told_where_it_stands_and_then_of_news(make_ground: MakeGround, monkeypatch: object) -> None:
    """The first event comes at once; the next when something has changed, with a greater count."""
    ground = make_ground()
    with serving(ground.pipeline) as address, listening(address) as stream:
        first = next(stream)
        assert first["event"] == "change" and json.loads(first["data"])["now"] == "2024-03-21T00:00:00Z"
        ground.hear(readings(2))
        ground.pipeline.changes.bump("readings")
        second = next(stream)
    assert int(second["id"]) > int(first["id"])
    assert json.loads(second["data"])["change"] == int(second["id"])


def test_many_changes_are_one_event(make_ground: MakeGround) -> None:
    """A history that comes in fast does not drown the page: news is told together."""
    ground = make_ground()
    stop = threading.Event()

    def keep_changing() -> None:
        while not stop.wait(0.01):
            ground.pipeline.changes.bump("readings")

    thread = threading.Thread(target=keep_changing)
    with serving(ground.pipeline) as address, listening(address) as stream:
        first = next(stream)
        thread.start()
        try:
            second = next(stream)
        finally:
            stop.set()
            thread.join()
    assert int(second["id"]) - int(first["id"]) > 10
    assert live.LEAST_BETWEEN_S >= 1.0


def test_a_stopping_server_ends_its_streams(make_ground: MakeGround) -> None:
    """Ctrl-C is not held up by a page that somebody has left open."""
    ground = make_ground()
    with serving(ground.pipeline) as address:
        answer = httpx.Client(timeout=TIMEOUT).send(httpx.Request("GET", f"{address}/api/v1/live"), stream=True)
        next(events(answer))
    answer.close()  # leaving the block above has stopped the server, within its deadline
