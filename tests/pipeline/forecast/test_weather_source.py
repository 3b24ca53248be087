"""A forecast is fetched within bounds, and the last good one stands in when the source is broken or away."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from pipeline.forecast.weather_file import weather_source
from pipeline.run.cached_fetch import KeptSource
from pipeline.soil.radiation import Location

GOOD = b"# issued = 2030-05-01T06:00Z\ntime,rain_mm\n2030-05-01T06:00Z,0\n2030-05-01T12:00Z,3\n2030-05-01T18:00Z,0\n"


class StepClock:
    """Wall time stands; monotonic time goes so many seconds on at each asking."""

    def __init__(self, step_s: float = 0.0) -> None:
        self.asked, self.step_s = 0, step_s

    def now_ms(self) -> int:
        return 1_904_000_000_000

    def monotonic(self) -> float:
        self.asked += 1
        return self.asked * self.step_s

    def wait(self, seconds: float, stop: threading.Event) -> bool:
        return stop.is_set()


@dataclass
class Served:
    """What the server answers with."""

    status: int = 200
    body: bytes = GOOD
    parts: int = 1
    head: dict[str, str] = field(default_factory=dict)
    address: str = ""
    asked: int = 0


@pytest.fixture
def served() -> Iterator[Served]:
    state = Served()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            state.asked += 1
            self.send_response(state.status)
            for key, value in state.head.items():
                self.send_header(key, value)
            self.end_headers()
            size = max(len(state.body) // state.parts, 1)
            try:
                for begin in range(0, len(state.body), size):
                    self.wfile.write(state.body[begin : begin + size])
                    self.wfile.flush()
            except (BrokenPipeError, ConnectionResetError):
                pass  # the reader had enough

        def log_message(self, format: str, *args: Any) -> None:
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        state.address = f"http://127.0.0.1:{server.server_port}/forecast.csv"
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
        thread.start()
        yield state
        server.shutdown()
        thread.join()


@pytest.fixture
def source_of(tmp_path: Path) -> Callable[..., KeptSource[Any]]:
    def made(location: str, step_s: float = 0.0) -> KeptSource[Any]:
        clock = StepClock(step_s)
        return weather_source(location, tmp_path / "kept", place=Location(52.0, 0.0, 10.0), clock=clock)

    return made


def test_forecast_comes_over_http(served, source_of):
    """A CSV on a real server is read hour by hour."""
    found = source_of(served.address).refresh()
    assert found.faults == ()
    assert found.taken_ms == 1_904_000_000_000
    assert found.value.series["rain_mm"].sum() == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"status": 404}, "found status 404"),
        ({"status": 500}, "found status 500"),
        ({"body": b"<html></html>"}, "time: found none"),
        ({"body": b"\xff\xfe\x00"}, "found no UTF-8 text"),
        ({"body": b""}, "found no rows"),
        ({"body": GOOD.replace(b",3", b",3000")}, "found 3000, expected 0 to 400"),
        ({"body": b"#" * 2_000_001}, "more than 2000000 bytes"),
        ({"status": 302, "head": {"Location": "/forecast.csv"}}, "more than 3 redirects"),
    ],
)
def test_bad_answer_leaves_the_last_good_one(served, source_of, change, said):
    """Refusals, pages, absurd or endless answers are named, and the forecast of before stays, even after a restart."""
    good = source_of(served.address).refresh()
    for key, value in change.items():
        setattr(served, key, value)
    found = source_of(served.address).refresh()
    assert any(said in fault for fault in found.faults), found.faults
    assert found.value.issued_ms == good.value.issued_ms


def test_dripping_server_cannot_hold_us(served, source_of):
    """An answer in parts, twenty seconds apart by the clock given, is left after thirty."""
    served.body, served.parts = b"#" * 1_900_000, 100
    found = source_of(served.address, step_s=20.0).refresh()
    assert found.value is None
    assert "found no whole answer within 30 s" in found.faults[0]


def test_no_server_is_named(source_of, free_port):
    """Where nobody answers the fault says so."""
    found = source_of(f"http://127.0.0.1:{free_port}/x").refresh()
    assert found.value is None
    assert "found no answer (ConnectError" in found.faults[0]


def test_file_is_read_and_a_missing_one_named(source_of, tmp_path):
    """A path works like an address; once the file is gone the last good one serves."""
    place = tmp_path / "f.csv"
    assert "found no file" in source_of(str(place)).refresh().faults[0]
    place.write_bytes(b"\xef\xbb\xbf" + GOOD)
    assert source_of(str(place)).refresh().faults == ()
    place.unlink()
    found = source_of(str(place)).refresh()
    assert found.value is not None and "found no file" in found.faults[0]


def test_damaged_keepsake_is_said(source_of, tmp_path):
    """When the kept one is damaged too there is no forecast, and both faults are told."""
    place = tmp_path / "f.csv"
    place.write_bytes(GOOD)
    source_of(str(place)).refresh()
    (tmp_path / "kept" / "forecast.kept").write_bytes(b"\x00\x01")
    place.unlink()
    found = source_of(str(place)).refresh()
    assert found.value is None
    assert len(found.faults) == 2 and "damaged" in found.faults[1]


def test_no_room_to_keep_is_said_and_the_forecast_used(source_of, tmp_path):
    """Where nothing can be kept the forecast is used all the same."""
    (tmp_path / "kept").write_text("a file where the folder should be")
    place = tmp_path / "f.csv"
    place.write_bytes(GOOD)
    found = source_of(str(place)).refresh()
    assert found.value is not None
    assert "found no room to keep it" in found.faults[0]
