"""The tour of a demo: only where the settings ask for one; its steps lead where they say, its lines say what is so."""

from __future__ import annotations

import pytest

from api.app import create_app
from api.command import _parser
from pipeline.alerts.water import THATCH_HOLDING
from simulator.playback import RECORD_FILES
from simulator.scenario import load
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, SETTINGS, Ground, MakeGround, readings, values

TOUR = SETTINGS + "[pages]\ntour = true\n"


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    """Twenty days: thatch wet all the time over soil that dries, so that the alert about it is open."""
    made = make_ground(settings=TOUR)
    made.hear(readings())
    return made


def test_a_ground_that_is_no_demo_has_no_tour(make_ground: MakeGround) -> None:
    """Neither the page nor its facts, and no page leads there."""
    client = TestClient(create_app(make_ground().pipeline), raise_server_exceptions=False)
    assert [client.get(path).status_code for path in ("/tour", "/api/v1/tour")] == [404, 404]
    assert 'href="/tour"' not in client.get("/work").text


def test_each_of_the_six_steps_leads_to_what_it_names_and_back(ground: Ground) -> None:
    """The page is there, has the place that the link names, and its navigation leads back to the tour."""
    client = TestClient(create_app(ground.pipeline))
    told = client.get("/api/v1/tour").json()
    shown = client.get("/tour").text
    assert [one["step"] for one in told["steps"]] == ["today", "slice", "alert", "work", "diary", "season"]
    for one in told["steps"]:
        assert f'href="{one["address"]}"' in shown
        address, _, place = one["address"].partition("#")
        page = client.get(address)
        assert page.status_code == 200, address
        assert 'href="/tour"' in page.text, address
        assert not place or f'id="{place}"' in page.text, one["address"]


def test_at_most_five_lines_say_where_to_look_why_and_what_is_advised(ground: Ground) -> None:
    """The station whose thatch holds water comes first, with the words of its open alert; then another to compare."""
    (alert,) = [one for one in ground.pipeline.alerts() if one.rule == THATCH_HOLDING.name]
    client = TestClient(create_app(ground.pipeline))
    told = client.get("/api/v1/tour").json()
    assert len(told["lines"]) <= 5
    assert told["lines"][0].startswith("Square, north end: thatch ")
    assert told["lines"][1].startswith("Why it matters: ")
    assert alert.text.rstrip(".")[1:] in told["lines"][1]
    assert told["lines"][2].startswith("Square, south end: ")
    assert told["lines"][3].startswith("Where the last water went: ")
    assert told["lines"][4].startswith("What is advised: ")
    assert told["steps"][2]["address"] == f"/alerts#alert-{alert.alert_id}"


def test_thatch_that_no_longer_holds_is_told_as_past(ground: Ground, monkeypatch: pytest.MonkeyPatch) -> None:
    """Roots are wet again and the alert is closed: the line says from when to when, the step leads to the past one."""
    (alert,) = [one for one in ground.pipeline.alerts() if one.rule == THATCH_HOLDING.name]
    drained = dict.fromkeys([name for name in values(0) if name.startswith("s1/t1/moisture")], 9.0)
    monkeypatch.setattr("tests.api.site.values", lambda hour, old=values: {**old(hour), **drained})
    first = len(readings())
    ground.clock.wall_ms += 48 * HOUR_MS
    ground.hear(readings(48, first_hour=20 * 24, first_seq=first + 1))
    assert THATCH_HOLDING.name not in [one.rule for one in ground.pipeline.alerts()]
    told = TestClient(create_app(ground.pipeline)).get("/api/v1/tour").json()
    assert told["lines"][1].startswith("It held water, and that has passed: ")
    assert told["steps"][2]["address"] == f"/alerts#past-{alert.alert_id}"


def test_what_else_it_plays_is_what_the_demo_understands(ground: Ground) -> None:
    """Each command is one that `underturf demo` takes, with a ground or a record that is there."""
    told = TestClient(create_app(ground.pipeline)).get("/api/v1/tour").json()
    assert len(told["others"]) == 4
    for one in told["others"]:
        name, *words = one["command"].split()
        assert name == "underturf"
        asked = _parser().parse_args(words)
        assert asked.record in RECORD_FILES if "--record" in words else load(asked.scenario)
