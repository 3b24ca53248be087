"""Alerts with their history: the open ones first, then how each ended, in words, as a span and as JSON.

Expected spans, marks and ends are those of the events and entries that are written here by hand.
"""

from __future__ import annotations

from typing import Any

import pytest

from api.app import create_app
from pipeline.diary.entry import DiaryEntry
from pipeline.notify.outbox import links_of
from pipeline.notify.policy import Message
from pipeline.store.journal import Event
from tests.api.advice_by_hand import advice
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, Ground, MakeGround, readings
from tests.api.test_pages import page, words

DAY_MS = 24 * HOUR_MS


def told(alert: str, kind: str, days_ago: float, text: str, rule: str = "thatch_holding") -> Event:
    """An event of an alert of the square, whose state began six hours before its opening."""
    at_ms = NOW_MS - round(days_ago * DAY_MS)
    body = {
        "id": f"{alert}-{kind}-{days_ago}", "alert_id": alert, "kind": kind, "rule": rule, "site": "meadow",
        "station": "s1", "surface": "square", "probe": "", "at_ms": at_ms, "since_ms": at_ms - 6 * HOUR_MS,
        "text": text, "words": text,
    }  # fmt: skip
    return Event(body["id"], at_ms, body)


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    """An open alert, and four that ended: by readings, by an entry, by advice, and called wrong."""
    made = make_ground()
    made.hear(readings(60, first_hour=420))
    made.advise(advice())
    made.pipeline.journal.save_alerts({}, [
        told("a", "opened", 40, "Square: thatch wet."), told("a", "repeated", 38, "Square: thatch wet still."),
        told("a", "closed", 36, "Square: the thatch has drained."),
        told("b", "opened", 20, "Square: lift the probes.", "lift_probes"),
        told("b", "closed", 19, "Square: nothing lies in the way now.", "lift_probes"),
        told("c", "opened", 12, "Square: a window.", "window_opening"),
        told("c", "closed", 10, "Square: the window is over.", "window_opening"),
        told("d", "opened", 5, "Square: roots dry."), told("d", "closed", 4, "Square: called wrong."),
        told("gone", "opened", 5, "Square: of a rule that is no more."),
    ])  # fmt: skip
    lift_ms = NOW_MS - 19 * DAY_MS - HOUR_MS
    for entry in (
        DiaryEntry("lift", "square", lift_ms, {"probe": "t1"}, "s1", written_at_ms=lift_ms),
        DiaryEntry("mark", "square", NOW_MS - 39 * DAY_MS, {"alert": "a", "mark": "seen"}, author="Ann"),
        DiaryEntry("mark", "square", NOW_MS - 4 * DAY_MS, {"alert": "d", "mark": "wrong", "why": "covers were on"}),
    ):
        made.pipeline.diary.add(entry)
    return made


@pytest.fixture
def client(ground: Ground) -> TestClient:
    return TestClient(create_app(ground.pipeline), raise_server_exceptions=False)


def test_open_alerts_stand_first_then_how_each_ended(client: TestClient) -> None:
    """The open one with its marks; of the others what ended them: an entry, readings, advice, or a person's word."""
    said = words(page(client, "/alerts"))
    assert said.index("thatch has stayed wet for") < said.index("Ended in the last twelve months")
    order = [said.index(one) for one in ("Wrong: Square: roots dry.", "Ended: Square: a window.",
             "Ended: Square: lift the probes.", "Ended: Square: thatch wet still.")]  # fmt: skip
    assert order == sorted(order)
    for line in (
        "Square: the thatch has drained. By the readings up to Wed 14 Feb 02:00.",
        "Seen Sun 11 Feb 02:00 by Ann. Said 2 times.",
        "Square: nothing lies in the way now. By the diary: Sat 2 Mar 01:00, Square, north end: ",
        "Square: the window is over. By what was advised Mon 11 Mar 02:00.",
        "Square: called wrong. Called wrong Sun 17 Mar 02:00: covers were on.",
        "From Fri 9 Feb 20:00 to Wed 14 Feb 02:00, 4 days.",
    ):
        assert line in said, line
    assert "of a rule that is no more" not in said


def test_each_alert_is_drawn_as_its_span(client: TestClient) -> None:
    """Over twelve equal months from April: the first ended one from 9.7 Feb 20:00 to 14 Feb 2:00, in the eleventh."""
    strips = [
        str(a.get("style")) for tag, a in page(client, "/alerts").tags if tag == "i" and "left:" in str(a.get("style"))
    ]
    left, wide = (float(part.split(":")[1].rstrip("%")) for part in strips[-1].split(";"))
    begin, end = (10 + (8 + 20 / 24) / 29) / 12, (10 + (13 + 2 / 24) / 29) / 12
    assert (left, wide) == pytest.approx((100 * begin, 100 * (end - begin)), abs=0.01)


def test_the_twin_has_the_same(client: TestClient) -> None:
    """Whatever the page says stands in JSON, by the address that the page names; another year has none."""
    tags = page(client, "/alerts")
    twin = next(str(link["href"]) for link in tags.every("link") if link.get("rel") == "alternate")
    found: list[dict[str, Any]] = client.get(twin).json()
    assert [one["id"] for one in found if one["closed"]] == ["d", "c", "b", "a"] and found[0]["closed"] is None
    said = words(tags)
    for one in found:
        assert one["text"] in said.replace("\N{NO-BREAK SPACE}", " ") and one["closed_by"] in said
    assert found[1]["marks"][0]["why"] == "covers were on"
    assert "None ended in 2023." in words(page(client, "/alerts?year=2023"))
    assert client.get("/alerts?year=99").status_code == 422


def test_today_and_work_lead_to_it(client: TestClient) -> None:
    for path in ("/", "/work"):
        assert 'href="/alerts"' in client.get(path).text


def test_the_links_of_messages_open_what_they_tell_of(client: TestClient, ground: Ground) -> None:
    """Each address that a message to people ends with is a page, with the place that it names: an open alert of its
    own, all of them, the booked work, tonight's water, and Today where a message is of none of these."""
    alerts = tuple(one.alert_id for one in ground.pipeline.alerts())
    states = ("booked/square/scarifying.standard/x=go", "water/s1=dry")
    told = [(alerts[:1], ()), ((*alerts, "another"), states), ((), ())]
    links = [link for a, s in told for link in links_of(Message("m", 0, "digest", False, "", (), (), a, s), "")]
    assert len(links) == 5
    for link in links:
        path, _, place = link.partition("#")
        answer = client.get(path, headers={"Accept": "text/html"})
        assert answer.status_code == 200 and (not place or f'id="{place}"' in answer.text), link
