"""Booking a pass: judged before and after, changed, withdrawn, begun and finished, by form and by the data interface.

Expected verdicts are worked out from what `advice_by_hand` sets: Thursday 21 March, 2:00; the square too wet for
30 hours, fit then; tining shut in season but for one morning.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from api.app import create_app
from api.booking import BLADES, BURIED, DUST
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import read_diary
from tests.api.advice_by_hand import advice
from tests.api.served import TestClient, plain_form
from tests.api.site import HOUR_MS, NOW_MS, Ground, MakeGround, readings
from tests.api.test_pages import page, words

OURS = {"Origin": "http://localhost"}
FORM = {"surface": "square", "what": "scarifying.standard", "day": "2024-03-22", "time": "10:00"}


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    """A ground of one's own with advice."""
    made = make_ground()
    made.advise(advice())
    return made


@pytest.fixture
def client(ground: Ground) -> TestClient:
    """The application over it."""
    return TestClient(create_app(ground.pipeline), raise_server_exceptions=False, follow_redirects=False)


def passes(ground: Ground) -> list[dict[str, Any]]:
    """Bodies of the passes that stand in the diary, in order of time."""
    return [{"id": e.id, "at": e.at_ms, **e.body} for e in ground.pipeline.diary.entries(("pass",), 0, 2**62)]


def judgement(client: TestClient, **query: object) -> dict[str, Any]:
    answer = client.get("/api/v1/surfaces/square/judgement", params=query)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_water_is_booked_ahead_judged_and_counts_once_it_is_given(client: TestClient, ground: Ground) -> None:
    """By the form, with its hour and how long; it stands judged on the page, and was not given for being booked. Given
    is a watering in its place; pressed twice it is one."""
    form = {"surface": "square", "what": "water", "day": "2024-03-22", "time": "20:00", "water_mm": "12", "hours": "2"}
    shown = words(page(client, "/work/book?surface=square&what=water&water_mm=12&day=2024-03-22&time=20:00"))
    assert (
        "Book water, Square · " in shown
        and "Book water: Square" in shown
        and "nothing here turns water on" in shown
        and "Water, 12 mm" in shown
    )
    plain_form(client, "/work/book", form)
    (booked,) = ground.pipeline.diary.entries(("booked_watering",), 0, 2**62)
    assert (booked.body, booked.end_ms - booked.at_ms) == ({"water_mm": 12.0}, 2 * HOUR_MS)
    facts = read_diary(ground.pipeline.diary.entries(None, 0, 2**62), "square", {})
    assert facts.waterings == () and [w.water_mm for w in facts.booked_waterings] == [12.0]
    (told,) = client.get("/api/v1/bookings").json()["bookings"]
    assert (told["state"], told["entry"]["kind"]) == ("booked", "booked_watering") and told["judgement"]["line"]
    assert told["judgement"]["line"] in words(page(client, "/work"))
    ground.clock.wall_ms = booked.end_ms + HOUR_MS
    assert "Was it given? its time is past" in words(page(client, "/work"))
    for _ in range(2):
        plain_form(client, f"/work/{booked.id}/given", {"back": "/work"})
    entries = ground.pipeline.diary.entries(("watering", "booked_watering"), 0, 2**62)
    assert [(e.kind, e.at_ms, e.number("water_mm")) for e in entries] == [("watering", booked.at_ms, 12.0)]


def test_a_watering_of_one_station_is_changed_given_and_taken_back_as_one(client: TestClient, ground: Ground) -> None:
    """Changed it stays of its station, sent twice too; a button pressed late on what stood before writes nothing and
    says so; Undo of Given brings the booking back."""
    body = {"water_mm": 8.0}
    old = ground.pipeline.diary.add(DiaryEntry("booked_watering", "square", NOW_MS + HOUR_MS, body, "s1"))
    form = {"surface": "square", "entry": str(old.id), "what": "water", "day": "2024-03-22", "time": "20:00",
            "water_mm": "9", "sent_as": "again"}  # fmt: skip
    for _ in range(2):
        plain_form(client, "/work/book", form)
    (booked,) = ground.pipeline.diary.entries(("booked_watering",), 0, 2**62)
    assert (booked.station, booked.number("water_mm")) == ("s1", 9.0)
    assert "changed meanwhile" in plain_form(client, f"/work/{old.id}/given", {"back": "/work"}, 404)
    assert "changed meanwhile" in plain_form(client, f"/work/{old.id}/withdrawn", {"back": "/work"}, 404)
    assert "expected the number" in plain_form(client, "/work/99/given", {"back": "/work"}, 404)
    ground.clock.wall_ms = booked.at_ms + HOUR_MS
    plain_form(client, f"/work/{booked.id}/given", {"back": "/work", "sent_as": "one phone"})
    plain_form(client, f"/work/{booked.id}/given", {"back": "/work", "sent_as": "another"})
    (made,) = ground.pipeline.diary.entries(("watering", "booked_watering"), 0, 2**62)
    assert (made.kind, made.station) == ("watering", "s1")
    plain_form(client, "/diary/undone", {"entries": str(made.id), "back": "/work"})
    (again,) = ground.pipeline.diary.entries(("watering", "booked_watering"), 0, 2**62)
    assert (again.kind, again.station, again.at_ms) == ("booked_watering", "s1", booked.at_ms)


@pytest.mark.parametrize(("key", "value"), [("water_mm", ""), ("water_mm", "much"), ("hours", "-1"), ("day", "x")])
def test_water_that_cannot_be_booked_is_no_booking(client: TestClient, ground: Ground, key: str, value: str) -> None:
    """Without an amount, with words for numbers, or without a day nothing is written, and it is said why."""
    form = {"surface": "square", "what": "water", "day": "2024-03-22", "time": "20:00", "water_mm": "12", key: value}
    query = "&".join(f"{name}={text}" for name, text in form.items())
    assert "Not yet a booking" in words(page(client, f"/work/book?{query}"))
    assert ground.pipeline.diary.entries(("booked_watering",), 0, 2**62) == []


@pytest.mark.parametrize(
    ("query", "verdict", "line"),
    [
        ({"pass": "scarifying", "at": "2024-03-22T10:00:00+02:00"}, "go", "Go, till Fri 19:00, then too much rain"),
        ({"pass": "scarifying", "at": "2024-03-21T10:00:00+02:00"}, "wait",
         "Wait: thatch too wet. Better: Fri 8:00 to 19:00."),
        ({"pass": "solid_tining", "at": "2024-03-22T10:00:00+02:00"}, "do_not",
         "Do not: square in season. Better: now to today 14:00."),
        ({"pass": "solid_tining", "at": "2024-03-21T08:00:00+02:00"}, "go", "Go, on the word of Ann, against: square"),
        ({"pass": "slitting", "at": "2024-03-22T10:00:00+02:00"}, "cannot_tell", "Cannot tell: this pass is not"),
        ({"pass": "scarifying", "at": "2024-05-22T10:00:00+02:00"}, "too_early", "Too early to tell: what is"),
        ({"pass": "scarifying", "at": "2024-03-19T10:00:00+02:00"}, "cannot_tell", "Cannot tell: that time is past."),
    ],
    ids=["open", "wet", "shut", "overruled", "not judged", "far off", "past"],
)  # fmt: skip
def test_a_pass_is_judged_before_it_is_booked(
    client: TestClient, query: dict[str, object], verdict: str, line: str
) -> None:
    """By the window of its hour, with the nearest better time, and nothing is written for it."""
    found = judgement(client, **query)
    assert (found["verdict"], found["line"][: len(line)]) == (verdict, line)
    assert (found["better"] is not None) == ("Better" in found["line"])
    assert client.get("/api/v1/bookings").json() == {"bookings": []}


def test_what_lies_in_the_way_and_what_may_hurt_is_said_with_it(client: TestClient) -> None:
    """Blades 8 mm down meet three probes; a brush meets none, and dressing raises dust."""
    at = "2024-03-22T10:00:00+02:00"
    cut = judgement(client, **{"pass": "scarifying", "depth_mm": 8, "at": at})
    assert cut["lift_first"] == ["t1", "p1", "p2"] and cut["cautions"] == [BURIED, BLADES]
    brush = judgement(client, **{"pass": "light_raking", "depth_mm": 0, "at": at})
    assert brush["lift_first"] == [] and brush["cautions"] == []
    assert judgement(client, **{"pass": "topdressing", "depth_mm": 0, "at": at})["cautions"] == [DUST]
    refused = client.get("/api/v1/surfaces/square/judgement", params={"pass": "scarify", "at": at})
    assert refused.status_code == 422 and "scarifying" in refused.json()["detail"]


def test_the_page_judges_what_stands_in_its_form_and_says_every_fault(client: TestClient) -> None:
    """The same words as over the data interface; with a fault nothing is judged, and all that was typed stays."""
    said = words(page(client, "/work/book?surface=square"))
    assert "Go, till Fri 19:00" in said  # it begins with the first likely opening
    assert BURIED in said and "the north-end probe and the south-end probe first." in said
    wrong = page(client, "/work/book?surface=square&what=scarify&day=2024-03-22&time=ten&depth_mm=eight&strips=4+to+6")
    said = words(wrong)
    for fault in (
        "Not yet a booking.",
        "Depth_mm: found 'eight', expected a number of mm",
        "Day and time: found 2024-03-22 ten, expected a day",
        "Pass: found 'scarify'",
    ):
        assert fault in said, fault
    values = {field.get("name"): field.get("value") for field in wrong.every("input")}
    assert (values["depth_mm"], values["strips"], values["day"]) == ("eight", "4 to 6", "2024-03-22")
    assert "Is it inches?" in words(page(client, "/work/book?surface=square&what=scarifying.standard&depth_mm=0.5"))
    bare = page(client, "/work/book?surface=square&what=scarifying")  # of a kind alone the first variant is chosen
    assert next(str(o["value"]) for o in bare.every("option") if "selected" in o).startswith("scarifying.")
    assert client.get("/work/book?surface=nowhere").status_code == 404
    assert "is booked no more" in words(page(client, "/work/book?entry=99999999999999999999"))


def test_a_pass_is_booked_changed_and_withdrawn(client: TestClient, ground: Ground) -> None:
    """By plain forms: the booking leads to where it stands, another takes its place, and a withdrawn one is gone."""
    leads = plain_form(client, "/work/book", {**FORM, "depth_mm": "8,5", "strips": "4 to 6", "author": "Ann"})
    (one,) = passes(ground)
    assert leads == f"/work#booked-{one['id']}"
    assert {**one, "id": 0} == {
        "id": 0, "at": NOW_MS + 32 * HOUR_MS, "pass": "scarifying", "variant": "standard", "state": "booked",
        "depth_mm": 8.5, "strips": "4 to 6",
    }  # fmt: skip
    filled = page(client, f"/work/book?entry={one['id']}")
    values = {field.get("name"): field.get("value") for field in filled.every("input")}
    assert (values["day"], values["time"], values["depth_mm"], values["author"]) == (
        "2024-03-22",
        "10:00",
        "8.5",
        "Ann",
    )
    plain_form(client, "/work/book", {**FORM, "entry": str(one["id"]), "day": "2024-03-25"})
    (moved,) = passes(ground)
    assert moved["at"] == NOW_MS + 104 * HOUR_MS and moved["id"] != one["id"] and "depth_mm" not in moved
    plain_form(client, "/work/book", {**FORM, "entry": str(one["id"])}, 404)  # it is struck: somebody was faster
    assert plain_form(client, f"/work/{moved['id']}/withdrawn", {"back": "/work"}) == "/work"
    assert plain_form(client, f"/work/{moved['id']}/withdrawn", {"back": "/work"}) == "/work"  # pressed twice
    assert passes(ground) == []


@pytest.mark.parametrize("wrong", [{"day": "2024-03-01"}, {"time": "ten"}, {"what": "mowing"}, {"depth_mm": "-3"}])
def test_what_cannot_be_booked_is_refused_with_its_fault(
    client: TestClient, ground: Ground, wrong: dict[str, str]
) -> None:
    """And nothing is written."""
    assert "expected" in plain_form(client, "/work/book", {**FORM, **wrong}, 422)
    assert passes(ground) == []


def test_a_pass_is_begun_and_finished_and_counts_once(client: TestClient, ground: Ground) -> None:
    """Probes in its way are written down as lifted by one button first; pressed twice, all of it is written once."""
    booked = ground.pipeline.diary.add(
        DiaryEntry("pass", "square", NOW_MS + 8 * HOUR_MS, {"pass": "scarifying", "depth_mm": 8, "state": "booked"})
    )
    said = words(page(client, "/work"))
    assert "Begun" in said and "Lifted" in said and BURIED in said
    assert "still in the ground" in plain_form(client, f"/work/{booked.id}/begun", {"back": "/work"}, 422)
    for _ in range(2):
        plain_form(client, f"/work/{booked.id}/lifted", {"back": "/work"})
    lifted = [(e.station, e.body["probe"]) for e in ground.pipeline.diary.entries(("lift",), 0, 2**62)]
    assert lifted == [("s1", "t1"), ("s1", "p1"), ("s2", "p2")]
    for _ in range(2):
        assert plain_form(client, f"/work/{booked.id}/begun", {"back": "/work"}) == "/work"
    begun = passes(ground)[0]
    assert (begun["state"], begun["at"], begun["follows"]) == ("begun", NOW_MS, booked.id)
    assert "Under way, begun 02:00." in words(page(client, "/work"))
    assert [b["state"] for b in client.get("/api/v1/bookings").json()["bookings"]] == ["under_way"]
    ground.clock.wall_ms += 3 * HOUR_MS
    for _ in range(2):
        plain_form(client, f"/work/{begun['id']}/done", {"back": "/work"})
    assert "Under way" not in words(page(client, "/work")) and len(passes(ground)) == 3
    entries = ground.pipeline.diary.entries(None, 0, 2**62)
    (made,) = read_diary(entries, "square", ground.pipeline.config.passes).made
    assert (made.start_ms, made.end_ms, made.state) == (NOW_MS, NOW_MS + 3 * HOUR_MS, "done")
    plain_form(client, "/work/999/begun", {"back": "/work"}, 404)


def test_a_pass_taken_back_and_reported_again_is_written(client: TestClient, ground: Ground) -> None:
    """However often; and one that goes on with its booking can be changed, as long as no other goes on with it."""
    body = {"pass": "light_raking", "depth_mm": 0, "state": "booked"}
    booked = ground.pipeline.diary.add(DiaryEntry("pass", "square", NOW_MS, body))
    numbers = []
    for _ in range(3):
        for _ in range(2):
            plain_form(client, f"/work/{booked.id}/done", {"back": "/work"})
        (made,) = (one for one in passes(ground) if one["state"] == "done")
        numbers.append(made["id"])
        plain_form(client, "/diary/undone", {"entries": str(made["id"])})
        assert [one["state"] for one in passes(ground)] == ["booked"]
    assert len(set(numbers)) == 3
    plain_form(client, f"/work/{booked.id}/done", {"back": "/work"})
    number = max(one["id"] for one in passes(ground))
    change = {"kind": "pass", "surface": "square", "what": "light_raking", "depth_mm": "1", "probes": "around"}
    told = client.post(f"/diary/{number}", data=change, headers={**OURS, "Accept": "application/json"})
    assert told.status_code == 201, told.text
    made = told.json()["entry"]
    assert (made["body"]["depth_mm"], made["body"]["follows"]) == (1, booked.id)
    sent = {"kind": "pass", "surface": "square", "body": {**made["body"], "depth_mm": 2}}
    answer = client.put(f"/api/v1/diary/{made['id']}", json=sent)
    assert answer.status_code == 200, answer.text
    refused = client.post("/api/v1/diary", json=sent)
    assert refused.status_code == 422 and f"entry {answer.json()['entry']['id']} goes on with" in refused.text


def test_a_booking_whose_day_is_past_is_asked_about(client: TestClient, ground: Ground) -> None:
    """It was done then, is changed or withdrawn; one older than a week is asked about no more."""
    body = {"pass": "light_raking", "depth_mm": 0, "state": "booked"}
    old, missed = (
        ground.pipeline.diary.add(DiaryEntry("pass", "square", NOW_MS - hours * HOUR_MS, body)) for hours in (200, 30)
    )
    said = words(page(client, "/work"))
    assert said.count("Was it done?") == 1 and "Brushing" in said
    assert [b["entry"]["id"] for b in client.get("/api/v1/bookings").json()["bookings"]] == [missed.id]
    plain_form(client, f"/work/{missed.id}/done_then", {"back": "/work"})
    assert passes(ground)[-1]["at"] == missed.at_ms and "Was it done?" not in words(page(client, "/work"))
    assert old.id != missed.id


def test_an_entry_is_written_in_place_of_another(client: TestClient, ground: Ground) -> None:
    """Over the data interface: both or neither, with the questions and refusals of a new one."""
    sent = {"kind": "watering", "surface": "square", "body": {"water_mm": 12}}
    one = client.post("/api/v1/diary", json=sent).json()["entry"]["id"]
    assert client.put(f"/api/v1/diary/{one}", json={**sent, "body": {"water_mm": -1}}).status_code == 422
    assert client.get(f"/api/v1/diary/{one}").status_code == 200
    answer = client.put(f"/api/v1/diary/{one}", json={**sent, "body": {"water_mm": 0.5}})
    assert answer.status_code == 200 and answer.json()["entry"]["body"] == {"water_mm": 0.5}
    assert "inches" in answer.json()["questions"][0]
    assert client.get(f"/api/v1/diary/{one}").status_code == 404
    assert client.get(answer.headers["content-location"]).json() == answer.json()["entry"]
    assert client.put(f"/api/v1/diary/{one}", json=sent).status_code == 404
    assert len(ground.pipeline.diary.entries(None, 0, 2**62, asked=True)) == 1


def test_a_repeat_under_its_identity_is_not_asked_what_made_it_a_second(client: TestClient) -> None:
    """Done after begun, sent again, is the same entry; under another identity it is refused."""
    brush = {"kind": "pass", "surface": "square", "body": {"pass": "light_raking", "depth_mm": 0, "state": "begun"}}
    begun = client.post("/api/v1/diary", json=brush).json()["entry"]["id"]
    done = {**brush, "body": {"pass": "light_raking", "depth_mm": 0, "state": "done", "follows": begun}}
    first, again = (client.post("/api/v1/diary", json={**done, "sent_as": "a"}).json() for _ in range(2))
    assert first == again
    assert client.post("/api/v1/diary", json={**done, "sent_as": "b"}).status_code == 422


def test_the_text_of_the_ground_tells_the_plan(make_ground: MakeGround) -> None:
    """Tonight's water and a booking stand in the summary with what the pages say of them."""
    ground = make_ground()
    ground.hear(readings())
    state = {"pass": "scarifying", "variant": "standard", "state": "booked"}
    entry = ground.pipeline.diary.add(DiaryEntry("pass", "square", NOW_MS + 24 * HOUR_MS, state, written_at_ms=NOW_MS))
    job = read_diary([entry], "square", ground.pipeline.config.passes).booked
    told = advice()
    ground.advise(replace(told, surfaces=(replace(told.surfaces[0], booked=job), *told.surfaces[1:])))
    client = TestClient(create_app(ground.pipeline))
    text = client.get("/api/v1/summary.txt").text.partition("Planned")[2]
    (booking,) = client.get("/api/v1/bookings").json()["bookings"]
    assert f"Square: scarifying is booked for Fri 2:00. {booking['judgement']['line']}" in text
    water = client.get("/api/v1/stations/s1/water").json()["line"]
    assert water in text
