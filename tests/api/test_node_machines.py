"""The nodes in JSON and on their page: what each last said of itself and its machine, also after a restart."""

from __future__ import annotations

import json
import re
import threading

import pandas as pd
import pytest

from api.app import create_app
from api.data import iso
from pipeline.mqtt.ingest import Arrival
from pipeline.service import Pipeline
from pipeline.service import load_settings as load
from pipeline.units import DAY_MS
from tests.api.served import TestClient
from tests.api.site import NOW_MS, Ground, MakeGround, readings

HEALTH = {
    "supply_v": 12.61, "temperature_degc": 31.5, "disk_free_bytes": 9.4e9, "disk_total_bytes": 15e9,
    "signal_dbm": -61, "uptime_s": 86400 * 3,
}  # fmt: skip


def tell(ground: Ground, node: str = "hut", **said: object) -> None:
    """A status as it comes from the broker, through the worker."""
    payload = json.dumps({"state": "up", **said}).encode()
    worker = ground.pipeline._worker
    arrivals = [Arrival(f"underturf/1/meadow/{node}/status", payload, 1, 1, 1)]
    worker._source.take = lambda _timeout_s: arrivals.pop() if arrivals else None
    worker.step(threading.Event())


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    return make_ground()


def client_of(pipeline: Pipeline) -> TestClient:
    return TestClient(create_app(pipeline), raise_server_exceptions=False)


def test_a_node_is_shown_with_its_machine(ground: Ground) -> None:
    """Each figure that was told, in JSON as it was and on the page in words."""
    tell(
        ground,
        version="0.0.9",
        backlog=12,
        clock={"ok": False, "by": "", "unconfirmed_since_ms": None},
        lines={"north": "ok", "dock": "away: no such port"},
        health=HEALTH,
    )
    client = client_of(ground.pipeline)
    (node,) = client.get("/api/v1/nodes").json()["nodes"]
    assert (node["node"], node["state"], node["backlog"], node["version"]) == ("hut", "up", 12, "0.0.9")
    assert {key: node["health"][key] for key in HEALTH} == HEALTH
    assert [day["lowest_v"] for day in node["supply_days"]] == [12.61]
    page = re.sub(r"\s+", " ", client.get("/probes").text.replace("\N{NO-BREAK SPACE}", " "))
    for words in (
        "Line dock: away: no such port.", "Time not confirmed: it may be behind by the length of a power cut.",
        "12 readings wait on it.", "Supply 12.6 V", "Disk: 9.4 of 15.0 GB free.",
        "Its board is at 32 °C.", "Radio -61 dBm", "3 days after it was switched on.",
        "Its version is 0.0.9, the server",
    ):  # fmt: skip
        assert words in page
    assert "Line north" not in page


def test_a_node_that_has_not_spoken_since_the_start_is_still_known(ground: Ground) -> None:
    """Its machine as last said, from the journal: a node that sleeps is silent for hours."""
    tell(ground, health=HEALTH)
    tell(ground, state="down")
    folder = ground.pipeline.config.data.dir
    ground.pipeline.stop()
    again = Pipeline(load(folder.parent / "underturf.toml"), clock=ground.clock)
    try:
        (node,) = client_of(again).get("/api/v1/nodes").json()["nodes"]
        assert node["state"] == "not heard" and node["health"]["supply_v"] == 12.61
        assert node["words"][0] == "Not heard since the server started."
    finally:
        again.stop()


def test_days_of_supply_are_drawn_to_scale_and_a_gap_stays_a_gap(ground: Ground) -> None:
    """Days 0, 1 and 3: as far apart as they are; the lower a figure the lower it stands."""
    start_ms = ground.clock.now_ms()
    for day, supply_v in ((0, 12.8), (0, 12.4), (1, 12.2), (3, 11.6)):
        ground.clock.wall_ms = start_ms + day * DAY_MS
        tell(ground, health={"supply_v": supply_v})
    page = client_of(ground.pipeline).get("/probes").text
    marks = [(int(x), float(top), float(foot)) for x, top, foot in re.findall(r'd="M(\d+) ([\d.]+)V([\d.]+)"', page)]
    assert [x for x, _, _ in marks] == [24, 72, 168]
    assert marks[0][1] < marks[0][2] <= marks[1][1] < marks[2][1]
    assert all(words in page for words in (">12.8<", ">12.4<", ">11.6<", "Lowest of 3 days: 11.6\N{NO-BREAK SPACE}V."))


def test_a_node_that_sleeps_is_not_called_down(ground: Ground) -> None:
    """Asleep after its farewell; down after its last will, which does not say it."""
    client = client_of(ground.pipeline)
    tell(ground, state="down", sleeps=True)
    (node,) = client.get("/api/v1/nodes").json()["nodes"]
    assert node["state"] == "asleep" and node["words"][0].startswith("Asleep since")
    tell(ground, state="down")
    (node,) = client.get("/api/v1/nodes").json()["nodes"]
    assert node["state"] == "down" and node["words"][0].startswith("Down since")


def test_without_nodes_the_page_says_so_and_an_older_one_is_named(ground: Ground) -> None:
    """No node yet; then one of a version that says nothing of its machine, and little room comes first."""
    client = client_of(ground.pipeline)
    assert "No node has been heard yet." in client.get("/probes").text
    tell(ground, version="0.0.1")
    assert "It says nothing of its machine: a version before this." in client.get("/probes").text
    tell(ground, health={**HEALTH, "disk_free_bytes": 1e8})
    (node,) = client.get("/api/v1/nodes").json()["nodes"]
    node["words"] = [line.replace("\N{NO-BREAK SPACE}", " ") for line in node["words"]]
    assert node["words"].index("Disk: 0.1 of 15.0 GB free.") < node["words"].index("Its board is at 32 °C.")


def test_each_probe_says_what_it_said_last_and_what_was_written_of_it(ground: Ground) -> None:
    """Heard with its values by depth; never heard; silent once three hours are over; out of the ground by the diary. A
    drained reading that moves by 0.04 is drift, one that moves by 0.01 is none. The page says the same as the data, and
    the old address leads to it."""
    ground.hear(readings(60, first_hour=420))
    client = client_of(ground.pipeline)

    def probes() -> dict[str, dict[str, object]]:
        return {f"{one['station']}/{one['name']}": one for one in client.get("/api/v1/probes/now").json()}

    before = probes()
    assert (before["s1/p1"]["state"], before["s2/p2"]["state"]) == ("heard", "never heard")
    told = before["s1/p1"]["words"]
    assert told[0] == "Heard" and told[2].startswith("Water content at 35, 65, 110, 160, 220 mm: ")  # type: ignore[index]
    months = [NOW_MS - 90 * DAY_MS, NOW_MS - 30 * DAY_MS]
    for channel, drained in (("s1/p1/moisture_035", (0.30, 0.34)), ("s1/t1/moisture", (0.40, 0.41))):
        rows = [
            {
                "station": channel, "quantity": "drained_limit", "start_ms": at_ms, "end_ms": at_ms, "value": value,
                "low": value, "high": value, "n": 6, "reason": None, "stage_version": 1,
            } for at_ms, value in zip(months, drained, strict=True)
        ]  # fmt: skip
        ground.pipeline.store.upsert_findings(pd.DataFrame(rows))
    doubts = [
        {
            "station": "s1/p1/moisture_065", "quantity": quantity, "start_ms": NOW_MS - DAY_MS, "end_ms": NOW_MS,
            "value": value, "low": None, "high": None, "n": 1, "reason": reason, "stage_version": 1,
        } for quantity, value, reason in (
            ("stood_still", 31.0, "one number"), ("failed_readings", 0.35, "the rest too"),
            ("warmth_out_of_order", 0.11, "depths look swapped"), ("sensor_drift", 0.1, "it drifts"),
        )
    ]  # fmt: skip
    ground.pipeline.store.upsert_findings(pd.DataFrame(doubts))
    note = {
        "kind": "note",
        "surface": "square",
        "station": "s1",
        "at": iso(NOW_MS - DAY_MS),
        "body": {"text": "cable taped"},
    }
    assert client.post("/api/v1/diary", json=note).status_code == 201
    lift = {"kind": "lift", "surface": "square", "station": "s1", "at": iso(NOW_MS - DAY_MS), "body": {"probe": "t1"}}
    assert client.post("/api/v1/diary", json=lift).status_code == 201
    ground.clock.wall_ms += 4 * 3_600_000
    ground.pipeline._changed("readings")
    after = probes()
    assert (after["s1/p1"]["state"], after["s1/t1"]["state"]) == ("silent", "out of the ground")
    assert [d["drained_now"] for d in after["s1/p1"]["drift"]] == [0.34]  # type: ignore[attr-defined]
    page = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", client.get("/probes").text.replace("\N{NO-BREAK SPACE}", " ")))
    for words in (
        "Drift: drained it reads 34 % at 35 mm, and read 30 % on",
        "No drift: drained it reads as on",
        "cable taped",
        "Stood still at 65 mm for 31 hours: one number.",
        "Doubtful at 65 mm as a whole: 35 % of a fortnight failed; the rest too.",
        "Look at 65 mm: depths look swapped.",
        "Drifts at 65 mm by +0.10 m³/m³ a year: cut a ring beside it and compare.",
    ):
        assert words in page
    assert client.get("/probes").text.count("v act") <= 2
    led = client.get("/nodes", follow_redirects=False)
    assert (led.status_code, led.headers["location"]) == (308, "/probes#nodes")


def test_radio_nodes_are_shown_with_what_never_came(ground: Ground) -> None:
    """Battery, signal and missed messages of each in JSON; in words what was missed, and the weakest."""
    devices = {
        "square-1/r1": {"at_ms": NOW_MS, "missed": 4, "battery_v": 3.41, "signal_dbm": -104},
        "square-1/r2": {"at_ms": NOW_MS - 60_000, "missed": 0, "battery_v": 3.62},
    }
    tell(
        ground,
        lines={"radio": "no probe of these settings has the address of a device that sends: c3 (1)"},
        devices=devices,
    )
    client = client_of(ground.pipeline)
    (node,) = client.get("/api/v1/nodes").json()["nodes"]
    assert node["devices"] == {
        "square-1/r1": {"at": iso(NOW_MS), "missed": 4, "battery_v": 3.41, "signal_dbm": -104.0},
        "square-1/r2": {"at": iso(NOW_MS - 60_000), "missed": 0, "battery_v": 3.62, "signal_dbm": None},
    }
    page = re.sub(r"\s+", " ", client.get("/probes").text.replace("\N{NO-BREAK SPACE}", " "))
    for words in (
        "Line radio: no probe of these settings has the address of a device that sends: c3 (1).",
        "square-1/r1: 4 messages never came.", "Lowest battery of its radio nodes: 3.41 V, square-1/r1.",
        "Weakest signal of its radio nodes: -104 dBm, square-1/r1.",
    ):  # fmt: skip
        assert words in page, words
    assert "square-1/r2: 0 messages" not in page
