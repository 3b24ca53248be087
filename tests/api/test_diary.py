"""The diary over the data interface: what is written, asked about, refused with every fault, and what follows from it.

Expected values are the entries sent, our own rules for each kind, and RFC 9110 and RFC 9457 for the answers.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from api.app import create_app
from api.problems import PROBLEM_TYPE
from api.writing import MAX_BODY_BYTES
from pipeline.alerts.model import AlertState
from pipeline.diary.entry import KINDS
from pipeline.store.journal import Event
from pipeline.store.photos import PHOTO_FOLDER
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, SETTINGS, Ground, MakeGround, ground_at, readings

CORE = {"kind": "core", "surface": "square", "station": "s1", "body": {"thatch_mm": 30}, "author": "Ann"}
DEEP_CUT = {"kind": "pass", "surface": "square", "body": {"pass": "scarifying", "depth_mm": 8, "state": "begun"}}


@pytest.fixture
def ground(make_ground: MakeGround) -> Ground:
    """A site of its own, with nothing heard yet."""
    return make_ground()


@pytest.fixture
def writer(ground: Ground) -> TestClient:
    """The application over it."""
    return TestClient(create_app(ground.pipeline), raise_server_exceptions=False)


@pytest.fixture(scope="module")
def refusing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The application over a site where everything that is sent is to be refused: one for many."""
    ground = ground_at(tmp_path_factory.mktemp("refusing"))
    with TestClient(create_app(ground.pipeline), raise_server_exceptions=False) as client:
        yield client
        assert entries(client) == []
    ground.pipeline.stop()


def send(client: TestClient, entry: dict[str, Any], status: int = 201, **headers: str) -> dict[str, Any]:
    answer = client.post("/api/v1/diary", json=entry, headers={k.replace("_", "-"): v for k, v in headers.items()})
    assert answer.status_code == status, answer.text
    body: dict[str, Any] = answer.json()
    return body


def faults_of(client: TestClient, entry: dict[str, Any]) -> list[str]:
    """The faults of an entry that is refused, as a problem document lists them."""
    answer = client.post("/api/v1/diary", json=entry)
    assert answer.status_code == 422 and answer.headers["content-type"] == PROBLEM_TYPE, answer.text
    assert answer.json()["detail"] == "; ".join(answer.json()["faults"])
    found: list[str] = answer.json()["faults"]
    return found


def entries(client: TestClient, query: str = "") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(f"/api/v1/diary{query}").json()["entries"]
    return found


def test_an_entry_comes_back_as_it_was_sent(writer: TestClient) -> None:
    """201 with its place, where it is read again, and it is in the diary; what was not said is now."""
    answer = writer.post("/api/v1/diary", json=CORE)
    written = answer.json()
    assert answer.status_code == 201 and written["questions"] == []
    assert written["entry"] == {
        "id": 1, "title": "core cut", "at": "2024-03-21T00:00:00Z", "end": None, "written_at": "2024-03-21T00:00:00Z",
        "counts": True,
        **CORE,
    }  # fmt: skip
    assert writer.get(answer.headers["location"]).json() == written["entry"] == entries(writer)[0]


def test_a_pass_goes_on_with_its_booking_once(writer: TestClient) -> None:
    """Begun after its booking, done after either; not of another kind or surface, not booked, and not twice."""
    brush = {"pass": "light_raking", "depth_mm": 0}

    def entry(state: str, follows: int | None, **more: Any) -> dict[str, Any]:
        body = {**brush, "state": state, **({} if follows is None else {"follows": follows})}
        return {"kind": "pass", "surface": "square", "body": {**body, **more.pop("body", {})}, **more}

    booked = send(writer, entry("booked", None))["entry"]["id"]
    expected = f"follows: found {booked}, expected the number of this pass as it was booked or begun on this surface"
    assert faults_of(writer, entry("begun", booked, surface="outfield")) == [expected]
    assert faults_of(writer, entry("begun", booked, body={"pass": "topdressing"})) == [expected]
    assert faults_of(writer, entry("begun", 2**70)) == [expected.replace(str(booked), str(2**70))]
    assert "on a pass booked" in faults_of(writer, entry("booked", booked))[0]
    begun = send(writer, entry("begun", booked))["entry"]["id"]
    again = f"follows: found {booked}, which entry {begun} goes on with, expected one that is not begun yet"
    assert faults_of(writer, entry("begun", booked)) == [again]
    assert "on a pass begun" in faults_of(writer, entry("begun", begun))[0]
    done = send(writer, entry("done", begun))["entry"]["id"]
    assert f"which entry {done} goes on with" in faults_of(writer, entry("done", begun))[0]
    assert faults_of(writer, entry("begun", done)) == [expected.replace(str(booked), str(done))]


def test_a_length_that_looks_like_inches_is_asked_about_and_kept(writer: TestClient) -> None:
    """Half an inch is 12.7 mm: whoever wrote 0.5 is asked, and 0.5 stands."""
    written = send(writer, {**CORE, "body": {"thatch_mm": 0.5}})
    assert written["questions"] == ["thatch_mm: found 0.5 mm. Is it inches? 0.5 in are 13 mm."]
    assert entries(writer)[0]["body"] == {"thatch_mm": 0.5}


def test_every_fault_is_told_at_once_and_nothing_is_written(refusing: TestClient) -> None:
    """Place, time, what is missing, what is not a number, what nobody knows: each in a line of its own."""
    found = faults_of(
        refusing,
        {
            "kind": "pass", "surface": "squar", "station": "s3", "at": "yesterday", "end": "1951-01-01",
            "body": {"pass": "scarifing", "depth_mm": -3, "deep": True},
        },
    )  # fmt: skip
    starts = ("surface:", "station:", "at:", "end:", "pass:", "depth_mm:", "deep:")
    assert sorted(f.split(" ")[0] for f in found) == sorted(starts)
    assert entries(refusing) == []


# What is wrong, and the nearest name that is told. The names are those of the site's settings and of passes.toml.
NEAREST = [
    ({**CORE, "surface": "squares"}, "surface: found 'squares', expected 'square'?"),
    ({**CORE, "station": "s11"}, "station: found 's11', expected 's1'?"),
    ({**CORE, "station": "o1"}, "station: found 'o1', expected"),
    ({**CORE, "kind": "cores"}, "kind: found 'cores', expected one of core"),
    ({**CORE, "body": {"thatch_mm": 14, "roots_mm": 9}}, "roots_mm: found no such field, expected 'root_mm'?"),
    ({**CORE, "kind": "lift", "body": {"probe": "p11"}}, "probe: found 'p11', expected 'p1'?"),
    (
        {"kind": "depth", "surface": "square", "body": {"channel": "s1/p1/moistur_035", "depth_mm": 30}},
        "channel: found 's1/p1/moistur_035', expected 's1/p1/moisture_035'?",
    ),
    (
        {"kind": "depth", "surface": "outfield", "body": {"channel": "o1/w1/rain", "depth_mm": 30}},
        "channel: found 'o1/w1/rain'",
    ),
    (
        {"kind": "pass", "surface": "square", "body": {"pass": "scarify", "state": "booked"}},
        "pass: found 'scarify', expected 'scarifying'?",
    ),
    (
        {"kind": "pass", "surface": "square", "body": {"pass": "overseeding", "variant": "rey", "state": "booked"}},
        "variant: found 'rey', expected 'rye'?",
    ),
    ({"kind": "healed", "surface": "square", "body": {"pass": "scarifying", "entry": 7}}, "entry: found 7"),
    ({**CORE, "at": "2024-03-22T00:00:00Z"}, "at: found a time to come"),
]


@pytest.mark.parametrize(("entry", "fault"), NEAREST, ids=lambda v: v if isinstance(v, str) else "")
def test_what_nobody_knows_is_a_fault_with_the_nearest_name(
    refusing: TestClient, entry: dict[str, Any], fault: str
) -> None:
    """One thing wrong, one fault."""
    found = faults_of(refusing, entry)
    assert len(found) == 1 and found[0].startswith(fault), found


@pytest.mark.parametrize("name", ["a" * 300, "../x", "a\0b", 7, "0" * 32], ids=repr)
def test_a_photograph_of_no_name_that_is_kept_here_is_a_fault(refusing: TestClient, name: object) -> None:
    """Also a text that can be the name of no file: longer than the 255 bytes that Linux takes (limits.h), or with a
    zero in it."""
    (refusing.app.state.pipeline.config.data.dir / PHOTO_FOLDER).mkdir(exist_ok=True)  # type: ignore[attr-defined]
    found = faults_of(refusing, {**CORE, "body": {"thatch_mm": 30, "photos": [name]}})
    assert f"photos: found {str(name)[:40]!r}, expected the name of a photograph that is kept here" in found


def test_a_body_that_is_no_entry_is_refused(refusing: TestClient) -> None:
    """Keys nobody knows and values of another kind are faults of form; what is no JSON is one too."""
    answer = refusing.post("/api/v1/diary", json={"kind": 3, "surface": "square", "place": "x"})
    assert answer.status_code == 422 and len(answer.json()["faults"]) == 2
    bad = refusing.post("/api/v1/diary", content=b"{", headers={"content-type": "application/json"})
    assert bad.status_code == 422 and entries(refusing) == []


def test_kinds_say_what_each_field_expects(refusing: TestClient) -> None:
    """Every kind is there, and what a field is said to expect is what a wrong value is refused with."""
    told = {kind["kind"]: kind for kind in refusing.get("/api/v1/diary/kinds").json()}
    assert told.keys() == KINDS.keys()
    core = {field["name"]: field for field in told["core"]["fields"]}
    assert core["thatch_mm"] == {"name": "thatch_mm", "needed": True, "expects": "a number of mm from 0 to 200"}
    assert told["core"]["needs_station"] and told["override"]["needs_author"] and told["regulator"]["needs_end"]
    assert f"thatch_mm: found 'x', expected {core['thatch_mm']['expects']}" in faults_of(
        refusing, {**CORE, "body": {"thatch_mm": "x"}}
    )


def test_entries_are_found_by_kind_time_and_place_a_page_at_a_time(writer: TestClient) -> None:
    """In order of time; following `next` gives each once; an empty span is no error."""
    for day in (3, 1, 2):
        send(writer, {"kind": "note", "surface": "square", "at": f"2024-03-0{day}T08:00:00+02:00", "body": {}})
    send(writer, {"kind": "note", "surface": "outfield", "at": "2024-03-02T07:00Z", "body": {"text": "moss"}})
    send(writer, CORE)
    assert [e["at"][:10] for e in entries(writer, "?kind=note&surface=square")] == [f"2024-03-0{d}" for d in (1, 2, 3)]
    assert [e["id"] for e in entries(writer, "?from=2024-03-02T07:00Z&to=2024-03-03")] == [4]
    found, address = [], "/api/v1/diary?kind=note&kind=core&limit=2"
    while address is not None:
        page = writer.get(address).json()
        found += [e["id"] for e in page["entries"]]
        address = page["next"]
    assert found == [2, 3, 4, 1, 5]
    assert entries(writer, "?from=2023-01-01&to=2023-02-01") == []
    assert writer.get("/api/v1/diary?kind=picnic").status_code == 422
    assert writer.get("/api/v1/diary?surface=moon").status_code == 404


def test_a_struck_entry_is_told_no_more(writer: TestClient) -> None:
    """204 once; then there is no such entry. A number that never was is 404 too."""
    send(writer, CORE)
    assert writer.delete("/api/v1/diary/1").status_code == 204
    assert entries(writer) == [] and writer.get("/api/v1/diary/1").status_code == 404
    for number in ("1", "99", "-1", str(2**70)):
        assert writer.delete(f"/api/v1/diary/{number}").status_code == 404


def test_the_same_identity_gives_the_same_entry(writer: TestClient) -> None:
    """Sent again under its identity an entry is written once, and the answer is 200 in place of 201 (RFC 9110)."""
    first = send(writer, CORE, idempotency_key="a-1")
    assert send(writer, {**CORE, "sent_as": "a-1"}, 200) == first
    assert send(writer, CORE, idempotency_key="a-2")["entry"]["id"] == 2
    send(writer, CORE, 422, idempotency_key="k" * 201)
    send(writer, {**CORE, "sent_as": "k" * 201}, 422)
    send(writer, {**CORE, "sent_as": "a-3"}, 422, idempotency_key="a-4")
    assert len(entries(writer)) == 2


def test_another_entry_under_an_identity_is_told_with_both(writer: TestClient) -> None:
    """409 (RFC 9110) that names what is written and what was sent; the first stands. What is out of form is 422."""
    send(writer, {**CORE, "sent_as": "a-1"})
    told = send(writer, {**CORE, "sent_as": "a-1", "body": {"thatch_mm": 31}}, 409)["detail"]
    assert "thatch 30 mm (Ann)" in told and "thatch 31 mm (Ann)" in told
    send(writer, {**CORE, "sent_as": "a-1", "at": "2023-02-01T08:00:00Z", "station": "s2"}, 409)
    send(writer, {**CORE, "sent_as": "a-1", "body": {"thatch_mm": -1}}, 422)
    assert [one["body"] for one in entries(writer)] == [CORE["body"]]


def test_a_correction_sent_twice_is_written_once(writer: TestClient) -> None:
    """PUT again under its identity gives the entry of the first time; without one there is nothing to strike."""
    number = send(writer, CORE)["entry"]["id"]
    anew = {**CORE, "body": {"thatch_mm": 31}, "sent_as": "a-1"}
    answers = [writer.put(f"/api/v1/diary/{number}", json=one) for one in (anew, anew, {**anew, "sent_as": ""})]
    assert [one.status_code for one in answers] == [200, 200, 404]
    assert answers[0].json() == answers[1].json() and len(entries(writer)) == 1


ALIKE = [
    ({}, 20, True), ({"author": "Bob"}, 20, True), ({"author": "Bob", "body": {"thatch_mm": 28}}, 20, True),
    ({"body": {"thatch_mm": 28}}, 20, False), ({"author": "Bob"}, 40, False),
    ({"author": "Bob", "station": "s2"}, 20, False),
    ({"author": "Bob", "body": {"thatch_mm": 30, "method": "ruler"}}, 20, False),
]  # fmt: skip


@pytest.mark.parametrize(("other", "minutes", "asked"), ALIKE, ids=str)
def test_the_same_entry_from_two_phones_is_asked_about_and_kept(
    writer: TestClient, other: dict[str, Any], minutes: int, *, asked: bool
) -> None:
    """By two people within half an hour, whatever their figures, or word for word; with other words, elsewhere or later
    it is another. Our own rule."""
    first = send(writer, {**CORE, "at": "2024-02-01T08:00:00Z", "sent_as": "phone-1"})
    assert first["questions"] == []
    second = send(writer, {**CORE, **other, "at": f"2024-02-01T08:{minutes}:00Z", "sent_as": "phone-2"})
    (question,) = second["questions"] or [""]
    assert question.startswith("Is it the same that is written already? ") == asked
    assert not asked or ("thatch 30 mm (Ann)" in question and "10:00" in question)
    assert len(entries(writer)) == 2


# Headers a browser sends from a page of another site (Fetch Metadata, Origin), and what no page sends at all.
FOREIGN = [
    {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}, {"origin": "https://elsewhere.example"},
    {"origin": "null"}, {"origin": "http://localhost:99"},
]  # fmt: skip
OWN = [
    {}, {"origin": "http://localhost"}, {"sec-fetch-site": "same-origin", "origin": "https://localhost"},
    {"sec-fetch-site": "none"},
]  # fmt: skip


@pytest.mark.parametrize("headers", FOREIGN, ids=str)
def test_a_page_of_another_site_cannot_write(refusing: TestClient, headers: dict[str, str]) -> None:
    """403 for writing, for striking and for marking, before anything is looked at."""
    send(refusing, CORE, 403, **headers)
    assert refusing.delete("/api/v1/diary/1", headers=headers).status_code == 403
    assert refusing.post("/api/v1/alerts/x/mark", json={"mark": "seen"}, headers=headers).status_code == 403


def test_our_own_page_and_no_page_can_write(writer: TestClient) -> None:
    """Also behind a proxy that speaks to us without encryption: the browser itself says that it is of one origin."""
    for headers in OWN:
        send(writer, CORE, 201, **headers)


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data"])
def test_what_a_plain_form_can_send_is_refused(refusing: TestClient, kind: str) -> None:
    """The three kinds that a browser sends across sites without asking first (Fetch standard, safelisted)."""
    answer = refusing.post("/api/v1/diary", content=b'{"kind": "note"}', headers={"content-type": kind})
    assert answer.status_code in (415, 422) and entries(refusing) == []
    assert refusing.post("/api/v1/diary", json=CORE, headers={"content-type": kind}).status_code in (415, 422)
    assert entries(refusing) == []


def test_a_body_too_long_is_refused_before_it_is_read(refusing: TestClient) -> None:
    """413 beyond the limit, 411 where the length is not told (RFC 9110)."""
    long = b'{"kind": "' + b"x" * MAX_BODY_BYTES + b'"}'
    headers = {"content-type": "application/json"}
    answer = refusing.post("/api/v1/diary", content=long, headers=headers)
    assert answer.status_code == 413 and answer.headers["content-type"] == PROBLEM_TYPE
    assert refusing.post("/api/v1/diary", content=iter([b"{}"]), headers=headers).status_code == 411


def test_a_core_is_worked_out_at_once(ground: Ground, writer: TestClient) -> None:
    """Thatch of 30 mm from 40 hours ago on: its water doubles from there on, and listeners are told of news."""
    ground.hear(readings(72, first_hour=408))
    heard: list[str] = []
    ground.pipeline.changes.listen(heard.append)
    core_ms = NOW_MS - 40 * HOUR_MS

    def thatch_mm(at_ms: int) -> float:
        frame = ground.pipeline.store.findings("s1", ["thatch_water"], at_ms, at_ms + HOUR_MS)
        return float(frame["value"].mean())

    def work() -> None:
        ground.pipeline._stages.mark_diary(0.0)
        while ground.pipeline._stages.step() is not None:
            pass

    before, after = thatch_mm(core_ms - 10 * HOUR_MS), thatch_mm(core_ms + 10 * HOUR_MS)
    send(writer, {**CORE, "at": "2024-03-19T08:00:00Z"})
    assert heard == ["diary"]
    work()
    assert thatch_mm(core_ms - 10 * HOUR_MS) == before
    # all of the thatch is of one wetness here: 30 mm hold 30/14 of what 14 mm held
    assert thatch_mm(core_ms + 10 * HOUR_MS) == pytest.approx(after * 30 / 14, rel=1e-6)
    assert writer.get("/api/v1/stations/s1").json()["thatch_mm"] == 30
    writer.delete("/api/v1/diary/1")
    work()
    assert thatch_mm(core_ms + 10 * HOUR_MS) == pytest.approx(after, rel=1e-9)


# What is written, and the stations whose ground it changes: every one of the surface, or the one that is named.
CHANGED = [
    ({"kind": "dressing", "surface": "square", "body": {"dressing_mm": 3}}, {"s1", "s2"}),
    ({"kind": "watering", "surface": "outfield", "body": {"water_mm": 8}}, {"o1"}),
    ({"kind": "lift", "surface": "square", "station": "s1", "body": {"probe": "t1"}}, {"s1"}),
    ({"kind": "note", "surface": "square", "body": {}}, set()),
]


def test_what_changes_the_ground_is_worked_out_on_its_stations(ground: Ground, writer: TestClient) -> None:
    """Each entry on its stations and no other; a note changes no water."""
    ground.hear(readings(2))
    for entry, stations in CHANGED:
        send(writer, {**entry, "at": "2024-03-01T00:00:00Z"})
        ground.pipeline._stages.mark_diary(0.0)
        redone = set()
        while (name := ground.pipeline._stages.step()) is not None:
            redone.add(name)
        assert redone == stations, entry


def test_a_pass_over_a_buried_probe_cannot_begin_until_it_is_lifted(writer: TestClient) -> None:
    """8 mm and 25 mm of clearance meet the thatch probes' and profiles' tops; booking is free, lifting frees it."""
    send(writer, {**DEEP_CUT, "body": {**DEEP_CUT["body"], "state": "booked"}})
    words = (
        "pass: found the north-end thatch probe, the north-end probe and the south-end probe still in the ground, "
        "expected them logged as lifted. Lift them first."
    )
    assert faults_of(writer, DEEP_CUT) == [words]
    done = {**DEEP_CUT, "body": {"pass": "scarifying", "depth_mm": 8}}
    assert faults_of(writer, done) == [words]
    send(writer, {**done, "body": {**done["body"], "around": True}})  # the blades left an island about each
    assert faults_of(writer, {**done, "body": {**done["body"], "around": "yes"}})[0].startswith("around: found 'yes'")
    for station, probe in (("s1", "t1"), ("s1", "p1"), ("s2", "p2")):
        send(writer, {"kind": "lift", "surface": "square", "station": station, "body": {"probe": probe}})
    send(writer, DEEP_CUT)
    send(writer, {"kind": "return", "surface": "square", "station": "s1", "body": {"probe": "t1"}})
    assert faults_of(writer, DEEP_CUT)[0].startswith("pass: found the north-end thatch probe still in the ground")
    send(writer, {**DEEP_CUT, "station": "s2"})  # the other end alone


def test_a_pass_that_says_no_depth_is_as_deep_as_planned(make_ground: MakeGround) -> None:
    """Planned to touch the leaf alone it meets nothing; without a plan it is taken as deep as is usual."""
    planned = '[[surface.pass]]\nkind = "verticutting"\ndepth_mm = 0\n'
    settings = SETTINGS.replace('[[surface]]\nname = "outfield"', planned + '[[surface]]\nname = "outfield"')
    client = TestClient(create_app(make_ground(settings=settings).pipeline))
    cut = {"kind": "pass", "surface": "square", "station": "s2"}
    send(client, {**cut, "body": {"pass": "verticutting"}})
    met = "pass: found the south-end probe still in the ground, expected them logged as lifted. Lift them first."
    assert faults_of(client, {**cut, "body": {"pass": "verticutting", "depth_mm": 1}}) == [met]  # its top is at 25 mm
    assert faults_of(client, {**cut, "body": {"pass": "scarifying"}}) == [met]


# --- what somebody makes of an alert -----------------------------------------------------------------------------


BAD_MARKS = [
    ({"mark": "sen"}, "mark: found 'sen', expected 'seen'?"),
    ({"mark": "snoozed"}, "until: found none"),
    ({"mark": "snoozed", "until": "2024-03-20T00:00:00Z"}, "until: found '2024-03-20T00:00:00Z', expected a time"),
    ({"mark": "snoozed", "until": "Friday"}, "until: found 'Friday'"),
]


@pytest.fixture
def alert(ground: Ground) -> str:
    """The id of an alert that is open on the square's north end."""
    ground.hear(readings(60, first_hour=420))
    return next(a.alert_id for a in ground.pipeline.alerts() if a.station == "s1")


def test_a_mark_is_written_in_the_diary(writer: TestClient, alert: str) -> None:
    """Seen, snoozed until a time, wrong with why: each an entry of kind mark, at the alert's place.

    What is out of form is refused with its fault.
    """
    marks = [
        {"mark": "seen", "author": "Ann"}, {"mark": "snoozed", "until": "2024-03-24T00:00:00Z"},
        {"mark": "wrong", "why": " the probe lay under the covers "},
    ]  # fmt: skip
    for told in marks:
        assert writer.post(f"/api/v1/alerts/{alert}/mark", json=told).status_code == 201
    found = entries(writer, "?kind=mark")
    assert {(e["surface"], e["station"]) for e in found} == {("square", "s1")}
    assert [e["body"] for e in found] == [
        {"alert": alert, "mark": "seen"}, {"alert": alert, "mark": "snoozed"},
        {"alert": alert, "mark": "wrong", "why": "the probe lay under the covers"},
    ]  # fmt: skip
    assert [(e["author"], e["end"]) for e in found] == [("Ann", None), ("", "2024-03-24T00:00:00Z"), ("", None)]
    for told, fault in BAD_MARKS:
        answer = writer.post(f"/api/v1/alerts/{alert}/mark", json=told)
        assert answer.status_code == 422 and answer.json()["faults"][0].startswith(fault), answer.text
    assert len(entries(writer)) == 3


def test_an_alert_that_is_closed_can_still_be_marked_and_an_unknown_one_cannot(
    ground: Ground, writer: TestClient
) -> None:
    """It is found by what it said; 404 for an id nobody has given."""
    body = {"alert_id": "gone", "kind": "closed", "rule": "roots_dry", "surface": "outfield", "station": "o1"}
    state = AlertState("roots_dry", "o1", "", NOW_MS)
    ground.pipeline.journal.save_alerts({state.key: state.to_json()}, [Event("e", NOW_MS - HOUR_MS, body)])
    assert writer.post("/api/v1/alerts/gone/mark", json={"mark": "wrong"}).status_code == 201
    assert entries(writer)[0]["station"] == "o1"
    assert writer.post("/api/v1/alerts/never/mark", json={"mark": "seen"}).status_code == 404
