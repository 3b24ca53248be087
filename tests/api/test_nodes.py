"""The nodes and the time in the data interface: what a node says, what nobody named, a time that is given by hand."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import httpx
import pytest

from api.app import create_app
from hardware.machine_clock import MachineClock
from hardware.reading import LiveReading, encode_live
from tests.api.served import TestClient, signed_in
from tests.api.site import NOW_MS, Ground, MakeGround, readings
from tests.pipeline.conftest import wait_until
from tests.pipeline.hand import START_MS
from tests.reference import ROOT

STATUS = {"state": "up", "version": "0.1.0", "backlog": 3, "lines": {"north": "ok"}, "stations": ["s1", "s9"]}
SINCE_MS = 1_750_996_800_000  # 2025-06-27 04:00 UTC, Friday; a clock before 2025 was never set
DOUBT = {"ok": False, "by": "", "unconfirmed_since_ms": SINCE_MS}


def hear(ground: Ground, status: dict[str, Any], topic: str = "underturf/1/meadow/node-1/status") -> None:
    ground.pipeline.nodes.hear(topic, json.dumps(status).encode(), ground.clock.now_ms())
    ground.pipeline._changed("nodes")


class UnkeptClock(MachineClock):
    """A box without a time service."""

    def __init__(self, at_ms: int) -> None:
        self.at_ms = at_ms
        super().__init__()

    def system_ms(self) -> int:
        return self.at_ms

    def uptime_ms(self) -> int:
        return 60_000

    def is_kept(self) -> bool:
        return False

    def monotonic(self) -> float:
        return 60.0


def test_a_time_that_nobody_confirmed_is_said_of_its_stations_and_of_no_other(make_ground: MakeGround) -> None:
    """In the same words on its page, in the six answers, in the data, beside the advice, of its node and at the head of
    the CSV; the water is told as with a right clock."""
    ground = make_ground()
    ground.hear(readings(48, first_hour=430))
    client = TestClient(create_app(ground.pipeline))
    before = client.get("/api/v1/stations/s1").json()
    hear(ground, {**STATUS, "clock": DOUBT})
    after = client.get("/api/v1/stations/s1").json()
    assert after["layers"] == before["layers"] and after["layers"]
    assert after["time_unconfirmed_since"] == "2025-06-27T04:00:00Z" and before["time_unconfirmed_since"] is None
    said = "Time not confirmed since Fri 27 Jun 2025 06:00: it may be behind by the length of a power cut."
    assert said in after["words"][0] and said not in " ".join(before["words"])
    assert "Time not confirmed" not in " ".join(client.get("/api/v1/stations/o1").json()["words"])
    lower = said[:1].lower() + said[1:]
    assert any(line.endswith(lower) for line in client.get("/api/v1/answers").json()[-1]["lines"])
    assert said in client.get("/stations/s1").text
    (node,) = client.get("/api/v1/nodes").json()["nodes"]
    assert said in node["words"]
    doubt = lower.rstrip(".").replace("time not", "time of Square, north end not")
    assert ground.pipeline.time_doubts() == [doubt]
    assert f"{doubt[:1].upper()}{doubt[1:]}." in client.get("/alerts").text
    of_file = f"# {doubt.replace('Fri 27 Jun 2025 06:00', '2025-06-27 04:00 UTC')}\n"
    for channel, doubted in (("s1/t1/moisture", True), ("o1/w1/rain", False)):
        assert (of_file in client.get("/api/v1/observations.csv", params={"channel": channel}).text) is doubted
    hear(ground, {**STATUS, "clock": {"ok": True, "by": "the system", "unconfirmed_since_ms": None}})
    assert "not confirmed" not in " ".join(client.get("/api/v1/stations/s1").json()["words"])
    assert ground.pipeline.time_doubts() == []


def test_a_doubted_time_is_worded_in_one_place() -> None:
    """What is said of it stands in `hardware.machine_clock` and nowhere else in the programs and their templates."""
    sources = [p for room in ("hardware", "probe_agent", "pipeline", "api") for p in (ROOT / room).rglob("*")]
    saying = [
        p.relative_to(ROOT).as_posix()
        for p in sources
        if p.suffix in (".py", ".html", ".js")
        and re.search(r"length of a power cut|never set:", p.read_text(encoding="utf-8"))
    ]
    assert saying == ["hardware/machine_clock.py"]


def test_a_clock_that_was_never_set_is_said_to_be(make_ground: MakeGround) -> None:
    """A clock that stands before the first release of this program says nothing of since when it is wrong."""
    ground = make_ground()
    hear(ground, {**STATUS, "clock": {**DOUBT, "unconfirmed_since_ms": 946_684_900_000}})
    said = "Time of Square, north end never set: dates are wrong until it is given."
    assert said in ground.pipeline.notices()
    ground.pipeline.clock = UnkeptClock(60_000)
    assert ground.pipeline.clock_doubt() == "time never set: dates are wrong until it is given"
    assert ground.pipeline.clock_note().now_ms == 946_684_860_000  # 2000-01-01 00:01: readings are from then on


def test_nodes_say_their_time_and_what_nobody_named_is_listed(make_ground: MakeGround) -> None:
    """A channel of a station that is not in the settings, and a node with another site's name."""
    ground = make_ground()
    ground.pipeline._stages._stations_of("s9/p1/moisture", START_MS)
    hear(ground, {**STATUS, "clock": DOUBT})
    hear(ground, STATUS, "underturf/1/medow/node-2/status")
    told = TestClient(create_app(ground.pipeline)).get("/api/v1/nodes").json()
    assert told["unknown_channels"] == {"s9/p1/moisture": "2024-03-01T00:00:00Z"}
    assert list(told["other_sites"]) == ["medow/node-2"]
    (node,) = told["nodes"]
    assert (node["stations"], node["clock_confirmed"]) == (["s1", "s9"], False)
    notice = ground.pipeline._ingest._notices["node-1"]
    assert notice.unknown == ("s9/p1/moisture",)
    hear(ground, {"state": "down"}, "underturf/1/medow/node-2/status")
    assert ground.pipeline.nodes.strangers() == {}


def test_a_time_is_taken_from_this_machine_alone(make_ground: MakeGround) -> None:
    """From here it counts, is passed to the node that has none, and is refused from elsewhere, through a proxy, from
    another site's page and where it is none; nothing moves then."""
    ground = make_ground()
    ground.pipeline.clock = clock = UnkeptClock(NOW_MS + 60_000_000_000)
    hear(ground, {**STATUS, "clock": DOUBT})
    app = create_app(ground.pipeline)
    here, there = TestClient(app, client=("127.0.0.1", 1)), TestClient(app, client=("192.0.2.7", 1))
    assert here.get("/api/v1/nodes").json()["clock"]["confirmed"] is False
    assert ground.pipeline._ingest._notices["node-1"].now_ms is None
    good = {"now": "2026-05-04T06:15:00Z"}
    refused = [
        there.post("/api/v1/clock", json=good),
        here.post("/api/v1/clock", json=good, headers={"X-Forwarded-For": "192.0.2.7"}),
        here.post("/api/v1/clock", json=good, headers={"Sec-Fetch-Site": "cross-site"}),
    ]
    assert [one.status_code for one in refused] == [401, 401, 403]
    assert ground.pipeline.people.audit(9) == []
    assert here.post("/api/v1/clock", json={"now": "1970-01-01T00:00:00Z"}).status_code == 422
    assert clock.now_ms() == clock.system_ms()
    taken = here.post("/api/v1/clock", json=good)
    assert (taken.status_code, taken.json()) == (200, {**good, "confirmed": True, "by": "hand"})
    notice = ground.pipeline._ingest._notices["node-1"]
    assert (notice.now_ms, notice.by) == (clock.now_ms(), "hand")
    (line,) = ground.pipeline.people.audit(9)
    assert line.who == "whoever sits at this machine" and line.what.startswith("time taken: 2026-05-04T06:15:00Z, was")
    assert TestClient(app, client=("::1", 1)).post("/api/v1/clock", json=good).status_code == 200


def test_a_clock_that_is_kept_takes_no_time(make_ground: MakeGround, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever asks is told so; that of a demo is kept too, and its page asks for no time."""
    ground = make_ground()
    client = TestClient(create_app(ground.pipeline), client=("127.0.0.1", 1))
    assert client.post("/api/v1/clock", json={"now": "2026-05-04T06:15:00Z"}).status_code == 409
    page = client.get("/probes").text
    assert "somebody gave it" not in page and "Take this device" not in page and "clock.js" not in page
    ground.pipeline.clock = clock = UnkeptClock(NOW_MS + 60_000_000_000)
    monkeypatch.setattr(clock, "is_kept", lambda: True)
    client = TestClient(create_app(ground.pipeline), client=("127.0.0.1", 1))
    assert client.post("/api/v1/clock", json={"now": "2026-05-04T06:15:00Z"}).status_code == 409
    assert client.get("/api/v1/nodes").json()["clock"]["by"] == "the system"


def test_the_page_of_the_probes_gives_the_time_to_a_head_and_says_to_others_why_not(make_ground: MakeGround) -> None:
    """The button and its script stand only for this machine or a head, and only where nothing keeps the clock."""
    ground = make_ground()
    ground.pipeline.clock = clock = UnkeptClock(NOW_MS + 60_000_000_000)
    hear(ground, {**STATUS, "clock": DOUBT, "lines": {"north": "away: unplugged"}})
    app = create_app(ground.pipeline)
    here, head, keeper = TestClient(app), signed_in(app, "head"), signed_in(app, "keeper")
    page, far = here.get("/probes").text, keeper.get("/probes").text
    assert "Take this device" in page and "/static/clock.js" in page and "Time not confirmed</b> It may be" in page
    assert "Take this device" in head.get("/probes").text
    assert "Take this device" not in far and "given by a head" in far and "clock.js" not in far
    clock.is_kept = lambda: True  # type: ignore[method-assign]
    assert (
        "Take this device" not in TestClient(create_app(ground.pipeline), client=("127.0.0.1", 1)).get("/probes").text
    )


def test_what_nobody_named_is_told_on_every_page(make_ground: MakeGround) -> None:
    """A channel that is in no settings, a node of another site, and a time that is not confirmed."""
    ground = make_ground()
    client = TestClient(create_app(ground.pipeline))
    assert "Not in underturf.toml" not in client.get("/probes").text
    ground.pipeline._stages._stations_of("s9/p1/moisture", START_MS)
    hear(ground, {**STATUS, "clock": DOUBT})
    hear(ground, STATUS, "underturf/1/medow/node-2/status")
    for address in ("/probes", "/work"):
        page = client.get(address).text
        assert (
            "Not in underturf.toml: s9/p1/moisture." in page and "Time of Square, north end not confirmed since" in page
        )
        assert "Another site than meadow is named by medow/node-2" in page


def test_a_probe_is_shown_as_it_speaks(make_ground: MakeGround, serve_ground: Callable[..., Any]) -> None:
    """The stream asks the node that reads the station, gives each reading once, and says when none is connected; the
    page names each channel; a probe that there is not is 404."""
    ground = make_ground()
    with serve_ground(ground.pipeline) as address:
        with httpx.stream("GET", f"{address}/api/v1/live/s1/t1", timeout=20) as stream:
            lines = stream.iter_lines()
            assert next(line for line in lines if line.startswith("data:")) == (
                "data: no node that reads this station is connected"
            )
        hear(ground, {**STATUS, "clock": {"ok": True, "by": "the system"}})
        with httpx.stream("GET", f"{address}/api/v1/live/s1/t1", timeout=20) as stream:
            lines = stream.iter_lines()
            wait_until(lambda: ground.pipeline._ingest._notices["node-1"].live == "s1/t1", "the node is asked")
            live = LiveReading("s1/t1", NOW_MS, (("moisture", 24.25, "ok"), ("temperature", None, "silent")), "")
            ground.pipeline.nodes.hear_live(encode_live(live))
            said = json.loads(next(line for line in lines if line.startswith("data:")).removeprefix("data: "))
        assert said["values"] == {"moisture": [24.25, "ok"], "temperature": [None, "silent"]}
        page = httpx.get(f"{address}/probes/s1/t1").text
        assert 'data-channel="moisture"' in page and 'data-stream="/api/v1/live/s1/t1"' in page
        for gone in ("/probes/s1/x9", "/api/v1/live/s1/x9", "/api/v1/live/s9/t1"):
            assert httpx.get(f"{address}{gone}").status_code == 404
