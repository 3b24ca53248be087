"""The page of the diary: its forms, what is asked before it counts, what was written last, changed, taken back.

Expected values are what the forms are filled with, the exact inch of 25.4 mm (NIST Handbook 44, appendix C), and our
own rules for each kind.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from api.app import create_app
from api.diary_form import FORMS
from api.pages.parts import is_new
from pipeline.advice.treatments import treatments
from pipeline.diary.entry import KINDS, SHALLOW, DiaryEntry
from pipeline.diary.facts import read_diary
from pipeline.run.clock import FollowClock
from tests.api.advice_by_hand import advice
from tests.api.served import TestClient, from_afar, plain_form, signed_in
from tests.api.site import HOUR_MS, NOW_MS, SETTINGS, Ground, MakeGround
from tests.api.test_pages import Tags, page, words

OURS = {"Origin": "http://localhost"}
CORE = {"kind": "core", "surface": "square", "station": "s1", "thatch_mm": "14", "root_mm": "70"}
PASS = {"kind": "pass", "surface": "square", "station": "s1", "what": "scarifying.standard", "depth_mm": "8"}


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


def sent(client: TestClient, form: dict[str, str], status: int = 201, path: str = "/diary") -> dict[str, Any]:
    """Send a form as the script does."""
    answer = client.post(path, data=form, headers={**OURS, "Accept": "application/json"})
    assert answer.status_code == status, answer.text
    found: dict[str, Any] = answer.json()
    return found


def bodies(ground: Ground, *kinds: str) -> list[tuple[str, dict[str, Any]]]:
    """Kind and body of what stands in the diary."""
    entries = ground.pipeline.diary.entries(kinds or None, 0, 2**62, asked=True)
    return [(e.kind, dict(e.body)) for e in entries]


# One good form of each kind, and the body that it amounts to.
GOOD: dict[str, tuple[dict[str, str], dict[str, Any]]] = {
    "core": (
        {"thatch_mm": "14", "root_mm": "70,5", "organic_percent": "6", "method": "ignition"},
        {"thatch_mm": 14, "root_mm": 70.5, "organic_percent": 6, "method": "ignition"},
    ),
    "pass": (
        {"what": "verticutting.standard", "depth_mm": "2", "probes": "around", "removed_kg_m2": "0.4"},
        {"pass": "verticutting", "variant": "standard", "depth_mm": 2, "state": "done", "around": True,
         "removed_kg_m2": 0.4},
    ),
    "watering": ({"water_mm": "6"}, {"water_mm": 6}),
    "booked_watering": ({"water_mm": "9", "at": "2024-03-22T20:00"}, {"water_mm": 9}),
    "sight": ({"seen": "firmness 3", "text": "by the gate"}, {"what": "firmness", "value": 3, "text": "by the gate"}),
    "rain": ({"rain_mm": "4.5"}, {"rain_mm": 4.5}),
    "dressing": ({"dressing_mm": "2", "material": "loam"}, {"dressing_mm": 2, "material": "loam"}),
    "lift": ({"probe": "s1/p1"}, {"probe": "p1"}),
    "return": ({"probe": "s2/p2"}, {"probe": "p2"}),
    "note": ({"text": "moles again"}, {"text": "moles again"}),
    "moisture": (
        {"moisture_percent": "31", "rod_mm": "60", "points": "9", "spread_percent": "2.5"},
        {"moisture_percent": 31, "rod_mm": 60, "points": 9, "spread_percent": 2.5},
    ),
    "push": (
        {"depth_mm": "50 100 150", "resistance_kpa": "800; 1400 1,5e3"},
        {"depth_mm": [50, 100, 150], "resistance_kpa": [800, 1400, 1500]},
    ),
    "covers": ({"covers": "on"}, {}),
    "cut": ({"height_mm": "8"}, {"height_mm": 8}),
    "fixture": ({"title": "seconds", "at": "2024-03-23T13:00", "end": "2024-03-23T19:00"}, {"title": "seconds"}),
    "closed": ({"reason": "frost", "until": "2024-03-22"}, {"reason": "frost"}),
    "cost": ({"amount": "120", "what": "loam", "hours": "2"}, {"amount": 120, "what": "loam", "hours": 2}),
    "sown": ({"seed": "rye"}, {"seed": "rye"}),
    "depth": ({"channel": "s1/p1/moisture_065", "depth_mm": "63"}, {"channel": "s1/p1/moisture_065", "depth_mm": 63}),
    "regulator": ({"until": "2024-04-20"}, {}),
    "pre_emergence": ({"until": "2024-04-20"}, {}),
    "renovation": ({"until": "2024-04-20"}, {}),
}  # fmt: skip


def test_each_kind_is_written_by_its_form(client: TestClient, ground: Ground) -> None:
    """With numbers, words, choices and times as they were typed; every kind that people write has a form."""
    for kind, (fields, body) in GOOD.items():
        told = sent(client, {"kind": kind, "surface": "square", "station": "s1", **fields})["entry"]
        assert (told["kind"], told["body"]) == (kind, body), kind
    told = sent(client, {"kind": "healed", "surface": "square", "entry": "2"})["entry"]
    assert told["body"] == {"entry": 2, "pass": "verticutting", "variant": "standard"}
    assert {*GOOD, "healed"} == set(FORMS) == set(KINDS) - {"mark", "place", "buried", "override"}
    ends = {e.kind: e.end_ms for e in ground.pipeline.diary.entries(None, 0, 2**62) if e.end_ms is not None}
    assert ends["closed"] == NOW_MS + 46 * HOUR_MS - 1000  # the end of the 22nd, two hours before that of UTC
    assert ends["fixture"] == NOW_MS + (2 * 24 + 17) * HOUR_MS
    stations = {e.kind: e.station for e in ground.pipeline.diary.entries(None, 0, 2**62)}
    assert (stations["core"], stations["return"], stations["pass"], stations["watering"]) == ("s1", "s2", None, None)


def test_without_a_script_a_form_pressed_twice_is_written_once(client: TestClient, ground: Ground) -> None:
    """And once more from the page that comes after it."""
    for written in (1, 2):
        page = client.get("/diary?on=s1", headers={"Accept": "text/html"}).text
        form = {"kind": "watering", "surface": "square", "station": "s1", "water_mm": "6"}
        form["shown"] = page.partition('name="shown" value="')[2].partition('"')[0]
        answers = [client.post("/diary", data=form, headers={**OURS, "Accept": "text/html"}) for _ in range(2)]
        assert form["shown"] and [one.status_code for one in answers] == [303, 303]
        assert bodies(ground, "watering") == [("watering", {"water_mm": 6})] * written


def test_a_figure_that_is_asked_about_counts_once_it_is_confirmed(client: TestClient, ground: Ground) -> None:
    """Beside its field, nothing written; said to be right it is, and only for the figure that was asked about."""
    slip = {**CORE, "thatch_mm": "1"}
    told = sent(client, slip, 422)
    assert told["questions"] == {"thatch_mm": "found 1 mm. Is it inches? 1 in are 25 mm."} and not told["faults"]
    assert bodies(ground) == []
    told = Tags(plain_form(client, "/diary", slip, 422))
    field = next(f for f in told.every("input") if f.get("name") == "thatch_mm")
    beside = next(p for p in told.every("p") if p.get("id") == field["aria-describedby"])
    assert (field["value"], beside["class"]) == ("1", "fault")
    right = next(str(f["value"]) for f in told.every("input") if f.get("name") == "confirmed" and f.get("value"))
    assert sent(client, {**slip, "thatch_mm": "1.5", "confirmed": right}, 422)["questions"] != {}
    assert sent(client, {**slip, "confirmed": right})["entry"]["body"]["confirmed"] is True
    assert [mm.length_m for mm in cores(ground)] == [0.001]


def cores(ground: Ground) -> tuple[Any, ...]:
    """The cores of the square that count."""
    entries = ground.pipeline.diary.entries(None, 0, 2**62)
    return read_diary(entries, "square", {}).cores


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("core", {"thatch_mm": 1.5}), ("core", {"thatch_mm": 140}), ("core", {"thatch_mm": 14, "root_mm": 3}),
        ("watering", {"water_mm": 0.5}), ("watering", {"water_mm": 120}), ("dressing", {"dressing_mm": 0.1}),
        ("cut", {"height_mm": 1.2}), ("rain", {"rain_mm": 300}), ("moisture", {"moisture_percent": 80, "rod_mm": 60}),
        ("pass", {"pass": "scarifying", "depth_mm": 0.3, "around": True}),
    ],
)  # fmt: skip
def test_what_is_asked_about_is_kept_and_no_fact(
    client: TestClient, ground: Ground, kind: str, body: dict[str, Any]
) -> None:
    """Over the data interface it is written and counts for nothing; confirmed, anew or at once, it counts."""
    entry = {"kind": kind, "surface": "square", "station": "s1", "body": body}
    written = client.post("/api/v1/diary", json=entry).json()
    number = written["entry"]["id"]
    assert len(written["questions"]) == 1 and written["entry"]["counts"] is False
    assert ground.pipeline.diary.entries(None, 0, 2**62) == []
    assert [e["id"] for e in client.get("/api/v1/diary").json()["entries"]] == [number]
    anew = client.put(f"/api/v1/diary/{number}", json={**entry, "body": {**body, "confirmed": True}}).json()
    assert anew["questions"] == [] and anew["entry"]["counts"] is True
    assert [e.kind for e in ground.pipeline.diary.entries(None, 0, 2**62)] == [kind]
    assert client.post("/api/v1/diary", json={**entry, "body": {**body, "confirmed": False}}).json()["questions"]


def test_an_entry_that_is_asked_about_says_so_until_somebody_confirms_it(client: TestClient, ground: Ground) -> None:
    """In the list and on its own page, with a button that says that it is right."""
    ground.pipeline.diary.add(DiaryEntry("core", "square", NOW_MS, {"thatch_mm": 1.0}, "s1"))
    for path in ("/diary?on=s1", "/diary/1"):
        assert "It does not count until somebody says so." in words(page(client, path))
    assert cores(ground) == ()
    assert plain_form(client, "/diary/1/confirmed", {"back": "/diary?on=s1"}) == "/diary?on=s1"
    assert "does not count" not in words(page(client, "/diary?on=s1")) and len(cores(ground)) == 1


def test_small_depths_are_usual_for_passes_that_hardly_cut(client: TestClient) -> None:
    """A millimetre of brushing or verticutting is not asked about: their usual depth begins at 0 (passes.toml)."""
    assert set(SHALLOW) == {kind for kind, facts in treatments().facts.items() if facts.depth_mm[0] == 0}
    for kind in SHALLOW:
        entry = {"kind": "pass", "surface": "square", "body": {"pass": kind, "depth_mm": 1, "around": True}}
        assert client.post("/api/v1/diary", json=entry).json()["questions"] == []


def test_a_booking_says_what_it_looks_like_before_it_is_written(client: TestClient, ground: Ground) -> None:
    """Written without having been asked it is asked for once more; what the page then sends with it confirms it."""
    form = {"surface": "square", "what": "scarifying.standard", "day": "2024-03-22", "time": "10:00", "depth_mm": "0.5"}
    leads = plain_form(client, "/work/book", form)
    assert leads.startswith("/work/book?") and bodies(ground) == []
    asked = page(client, leads)
    assert "Is it inches?" in words(asked)
    right = next(str(f["value"]) for f in asked.every("input") if f.get("name") == "confirmed")
    assert plain_form(client, "/work/book", {**form, "confirmed": right}).startswith("/work#booked-")
    assert bodies(ground)[0][1]["confirmed"] is True


def test_a_pass_asks_for_the_probes_in_its_way(client: TestClient, ground: Ground) -> None:
    """Nothing is written before it is said that they are out; saying so writes each of them, before the pass."""
    told = sent(client, PASS, 422)
    assert told["lift"].startswith("Lift the north-end thatch probe, the north-end probe and the south-end probe")
    assert "Lift the north-end thatch probe" in plain_form(client, "/diary", PASS, 422) and bodies(ground) == []
    told = sent(client, {**PASS, "probes": "lifted", "sent_as": "one"})
    assert [kind for kind, _ in bodies(ground)] == ["lift", "lift", "lift", "pass"]
    again = sent(client, {**PASS, "probes": "lifted", "sent_as": "one"})
    assert again["entry"]["id"] == told["entry"]["id"] and len(bodies(ground)) == 4
    sent(client, {"entries": told["entries"]}, 200, "/diary/undone")
    assert bodies(ground) == []


def test_a_booking_is_done_from_the_diary(client: TestClient, ground: Ground) -> None:
    """What was booked stands first, and is gone on with: its strips and depth come with it."""
    booked = {"pass": "verticutting", "variant": "standard", "depth_mm": 2, "state": "booked", "strips": "4 to 6"}
    number = ground.pipeline.diary.add(DiaryEntry("pass", "square", NOW_MS + HOUR_MS, booked)).id
    shown = page(client, "/diary?on=s1")
    first = next(f for f in shown.every("input") if f.get("name") == "what")
    assert first["value"] == f"booked-{number}" and "checked" in first
    told = sent(client, {**PASS, "what": f"booked-{number}", "depth_mm": "3", "probes": "around"})
    assert told["entry"]["body"] == {
        **booked, "depth_mm": 3, "state": "done", "follows": number, "around": True
    }  # fmt: skip
    assert "found a booking that is no more" in sent(client, {**PASS, "what": "booked-99"}, 422)["faults"]["what"]


def test_an_entry_is_changed_and_what_stood_there_is_kept(client: TestClient, ground: Ground) -> None:
    """By its own page: to the second where nobody changed the time, fields the form has not among them; undone, the
    former stands again."""
    body = {"thatch_mm": 14, "root_mm": 70, "method": "by eye"}
    ground.pipeline.diary.add(DiaryEntry("core", "square", NOW_MS - 12_345, body, "s1", author="Ann"))
    ground.pipeline.diary.add(DiaryEntry("note", "square", NOW_MS, {"text": "a"}, None))
    shown = page(client, "/diary/1")
    form = {str(f["name"]): str(f.get("value", "")) for f in shown.every("input") if f.get("name")}
    assert (form["thatch_mm"], form["at"], form["author"]) == ("14", "2024-03-21T01:59", "Ann")
    assert plain_form(client, "/diary/1", {**form, "thatch_mm": "16"}) == "/diary/3"
    entry = ground.pipeline.diary.entry(3)
    assert entry is not None and (entry.at_ms, entry.body) == (NOW_MS - 12_345, {**body, "thatch_mm": 16})
    gone = plain_form(client, "/diary/1", {**form, "thatch_mm": "17"}, 422)  # somebody was faster
    assert "changed or withdrawn already" in gone and 'name="thatch_mm" inputmode="decimal" value="17"' in gone
    assert "thatch 14 mm" in words(page(client, "/diary/3")) and client.get("/diary/1").status_code == 303
    history = client.get("/api/v1/diary/3/history").json()
    assert [one["body"]["thatch_mm"] for one in history] == [16, 14]
    assert plain_form(client, "/diary/undone", {"entries": "3", "back": "/diary?on=s1"}) == "/diary?on=s1"
    assert plain_form(client, "/diary/undone", {"entries": "3"}) == "/diary"  # pressed twice
    assert [mm.length_m for mm in cores(ground)] == [0.014]
    assert plain_form(client, "/diary/2/withdrawn", {"back": ""}) == "/diary?on=square&withdrawn=2"
    assert plain_form(client, "/diary/2/withdrawn", {"back": ""}) == "/diary"
    assert [kind for kind, _ in bodies(ground)] == ["core"]
    offered = next(f for f in page(client, "/diary?on=square&withdrawn=2").every("form") if "undo" in str(f["class"]))
    assert plain_form(client, str(offered["action"]), {"back": "/diary"}) == "/diary?on=square#entry-5"
    assert plain_form(client, str(offered["action"]), {"back": "/diary"}) == "/diary"  # pressed twice
    assert [kind for kind, _ in bodies(ground)] == ["core", "note"]


def test_what_is_taken_back_stays_by_who_wrote_it(ground: Ground) -> None:
    """As what is said to be right does. What somebody changed meanwhile stands, and it is said (409, RFC 9110)."""
    keeper, told = signed_in(create_app(ground.pipeline), "keeper", "Bob"), {"Accept": "application/json"}
    told |= {"Origin": "https://192.0.2.10"}
    fields = page(keeper, "/diary?on=s1").every("input")
    csrf = next(str(one["value"]) for one in fields if one.get("name") == "csrf")

    def post(path: str, status: int, **form: str) -> dict[str, Any]:
        answer = keeper.post(path, data={**form, "csrf": csrf}, headers=told)
        assert answer.status_code == status, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def standing() -> list[tuple[str, object]]:
        found = ground.pipeline.diary.entries(None, 0, 2**62, asked=True)
        return [(one.author, one.body["thatch_mm"]) for one in found]

    ground.pipeline.diary.add(DiaryEntry("core", "square", NOW_MS, {"thatch_mm": 1}, "s1", author="Ann"))
    post("/diary/1/confirmed", 200)
    assert standing() == [("Ann", 1)] and len(cores(ground)) == 1
    number = post("/diary/2", 201, **CORE)["entry"]["id"]
    assert standing() == [("Bob", 14)]
    for _ in range(2):  # pressed twice
        post("/diary/undone", 200, entries=str(number))
        assert standing() == [("Ann", 1)]
    number = post("/diary", 201, **CORE)["entry"]["id"]
    post(f"/diary/{number}", 201, **{**CORE, "thatch_mm": "15"})
    assert "changed meanwhile" in post("/diary/undone", 409, entries=str(number))["detail"]
    assert standing() == [("Ann", 1), ("Bob", 15)]


def test_a_change_whose_answer_was_lost_is_answered_when_it_comes_again(client: TestClient, ground: Ground) -> None:
    """With the entry of the first time; another figure under its identity is told with both (409, RFC 9110), and by
    nobody's identity it is refused as one that came too late."""
    sent(client, CORE)
    change = {**CORE, "thatch_mm": "16", "sent_as": "a-1"}
    first, again = (sent(client, change, path="/diary/1") for _ in range(2))
    assert again["entry"] == first["entry"] and again["at"] == "/diary/2"
    assert "thatch 17 mm" in sent(client, {**change, "thatch_mm": "17"}, 409, path="/diary/1")["detail"]
    sent(client, {**change, "sent_as": "a-2"}, 422, path="/diary/1")
    assert plain_form(client, "/diary/1", change) == "/diary/2"
    ground.pipeline.diary.strike(2, NOW_MS)
    assert plain_form(client, "/diary/1", change) == "/diary?on=s1" and bodies(ground) == []


def test_a_form_begins_at_what_was_written_last_in_its_place(client: TestClient, ground: Ground) -> None:
    """The core of that station, the depth of each pass, the last gauge; not what is asked about."""
    add = ground.pipeline.diary.add
    for hours, station, mm in ((9, "s1", 14), (8, "s2", 9), (7, "s1", 1)):
        add(DiaryEntry("core", "square", NOW_MS - hours * HOUR_MS, {"thatch_mm": mm}, station))
    add(DiaryEntry("pass", "square", NOW_MS - HOUR_MS, {"pass": "scarifying", "depth_mm": 6.5, "around": True}))
    for station, mm in (("s1", "14"), ("s2", "9")):
        shown = page(client, f"/diary?on={station}")
        assert next(f for f in shown.every("input") if f.get("name") == "thatch_mm")["value"] == mm
        assert next(f for f in shown.every("input") if f.get("value") == "scarifying.standard")["data-depth"] == "6.5"


def test_on_a_ground_in_inches_lengths_are_entered_so(make_ground: MakeGround) -> None:
    """0.55 in are 13.97 mm; the question is not whether it is inches; the entry comes back as it was typed."""
    made = make_ground(settings=SETTINGS.replace("[data]", 'length = "inch"\n[data]'))
    client = TestClient(create_app(made.pipeline), raise_server_exceptions=False, follow_redirects=False)
    told = sent(client, {**CORE, "thatch_mm": "0.55", "root_mm": "3"})
    assert told["entry"]["body"] == {"thatch_mm": 14.0, "root_mm": 76.2}
    fields = {str(f.get("name")): f.get("value") for f in page(client, "/diary?on=s1").every("input")}
    assert (fields["thatch_mm"], fields["root_mm"]) == ("0.551", "3")
    told = sent(client, {**CORE, "thatch_mm": "0.05"}, 422)
    assert told["questions"]["thatch_mm"] == "found 1.3 mm, less than is usual. Is it right?"
    assert "Found 0.05 in, less than is usual" in plain_form(client, "/diary", {**CORE, "thatch_mm": "0.05"}, 422)


BAD = [
    (CORE, {"thatch_mm": "thick"}, "thatch_mm"), (CORE, {"thatch_mm": "-3"}, "thatch_mm"),
    (CORE, {"thatch_mm": ""}, "thatch_mm"),
    (CORE, {"thatch_mm": "nan"}, "thatch_mm"), (CORE, {"at": "soon"}, "at"), (CORE, {"at": "2024-03-22T09:00"}, "at"),
    (CORE, {"at": "0001-01-01T00:00"}, "at"), (CORE, {"station": "s9"}, ""), (CORE, {"surface": "moon"}, ""),
    (CORE, {"kind": "spell"}, ""), (CORE, {"sent_as": "x" * 999}, ""),
    (PASS, {"what": "mowing"}, "what"), (PASS, {"what": ""}, "what"), (PASS, {"state": "half"}, "state"),
    ({"kind": "sight", "surface": "square"}, {}, "seen"),
    ({"kind": "sight", "surface": "square"}, {"seen": "fog 9"}, "seen"),
    ({"kind": "push", "surface": "square", "station": "s1"}, {"depth_mm": "5 x", "resistance_kpa": "800"}, "depth_mm"),
    ({"kind": "lift", "surface": "square", "station": "s1"}, {"probe": "s1/none"}, "probe"),
    ({"kind": "healed", "surface": "square"}, {"entry": "99"}, "entry"),
    ({"kind": "covers", "surface": "square"}, {"covers": "off"}, "covers"),
    ({"kind": "fixture", "surface": "square"}, {"title": "a"}, "at"),
    ({"kind": "note", "surface": "square"}, {"text": " "}, "text"),
    ({"kind": "closed", "surface": "square"}, {"reason": "a", "until": "2024-03-20"}, "until"),
    ({"kind": "regulator", "surface": "square"}, {}, "until"),
]  # fmt: skip


@pytest.mark.parametrize(("form", "wrong", "field"), BAD)
def test_what_is_wrong_is_said_beside_its_field_and_nothing_is_lost(
    client: TestClient, ground: Ground, form: dict[str, str], wrong: dict[str, str], field: str
) -> None:
    """As data by field, on the page in the form with all that was typed; nothing is written."""
    typed = {**form, **wrong}
    assert list(sent(client, typed, 422)["faults"]) == [field]
    if typed["surface"] == "square" and typed["kind"] in FORMS and typed.get("station") != "s9":
        shown = Tags(plain_form(client, "/diary", typed, 422))
        values = {(f.get("name"), f.get("value") or "") for f in shown.every("input")}
        fields = {f.key for f in FORMS[typed["kind"]].fields if f.how != "choice"}
        assert {(key, typed[key]) for key in fields & typed.keys()} <= values
        assert any("fault" in str(p.get("class")) for p in shown.every("p"))
    assert bodies(ground) == []


def test_covers_that_are_on_are_taken_off(client: TestClient, ground: Ground) -> None:
    """Off ends the span that on began."""
    sent(client, {"kind": "covers", "surface": "square", "covers": "on", "at": "2024-03-20T20:00"})
    sent(client, {"kind": "covers", "surface": "square", "covers": "off", "at": "2024-03-21T01:00"})
    (one,) = ground.pipeline.diary.entries(("covers",), 0, 2**62)
    assert (one.at_ms, one.end_ms) == (NOW_MS - 6 * HOUR_MS, NOW_MS - HOUR_MS)


@pytest.mark.parametrize("at", [{}, {"at": "2024-03-21T01:00"}], ids=str)
def test_covers_taken_off_are_so_once_however_often_it_is_sent(
    client: TestClient, ground: Ground, at: dict[str, str]
) -> None:
    """Also when covers were put on again meanwhile: those stay on. Another time under the identity is told (409)."""
    covers = {"kind": "covers", "surface": "square"}
    off = {**covers, "covers": "off", "sent_as": "a-1", **at}
    sent(client, {**covers, "covers": "on", "at": "2024-03-20T20:00"})
    first = sent(client, off)["entry"]
    assert sent(client, off)["entry"] == first
    sent(client, {**covers, "covers": "on", "at": "2024-03-21T01:30"})
    ground.clock.wall_ms += HOUR_MS
    assert sent(client, off)["entry"] == first
    sent(client, {**off, "at": "2024-03-21T01:10"}, 409)
    ends = [one.end_ms for one in ground.pipeline.diary.entries(("covers",), 0, 2**62)]
    assert ends == [NOW_MS - HOUR_MS if at else NOW_MS, None]


def test_who_may_only_read_sees_no_form(ground: Ground) -> None:
    """And cannot write by it; one whose session has ended is asked to sign in, with all that was typed kept."""
    app = create_app(ground.pipeline)
    reader, told = signed_in(app, "reader"), {"Origin": "https://192.0.2.10", "Accept": "text/html"}
    shown = page(reader, "/diary?on=s1")
    assert not [f for f in shown.every("form") if "entry" in str(f.get("class"))]
    assert reader.post("/diary", data=CORE, headers=told).status_code == 403
    kept = from_afar(app).post("/diary", data=CORE, headers=told)
    assert kept.status_code == 401 and "thatch_mm=14" in kept.text and 'value="/diary"' in kept.text
    keeper = signed_in(app, "keeper", "Ann")
    form = {str(f["name"]): str(f.get("value", "")) for f in page(keeper, "/diary?on=s1").every("input") if "name" in f}
    assert keeper.post("/diary", data={**CORE, "csrf": form["csrf"]}, headers=told).status_code == 303
    assert [(e.kind, e.author) for e in ground.pipeline.diary.entries(None, 0, 2**62)] == [("core", "Ann")]


@pytest.mark.parametrize(
    ("rate", "later_ms", "is_still"), [(1.0, 19_000, True), (1.0, 21_000, False), (60.0, 19 * 60_000, True)]
)
def test_an_entry_can_be_taken_back_for_twenty_seconds_of_life(
    ground: Ground, tmp_path: Path, rate: float, later_ms: int, is_still: bool
) -> None:
    """In a demo whose time goes sixty times faster the button stays as long for whoever looks at it."""
    clock = FollowClock(tmp_path / "clock")
    clock.rate = rate
    ground.pipeline.clock = clock
    entry = DiaryEntry("note", "outfield", NOW_MS, {"text": "seen"}, written_at_ms=NOW_MS)
    assert is_new(ground.pipeline, entry, NOW_MS + later_ms) is is_still


def test_who_comes_second_is_led_on(client: TestClient, ground: Ground) -> None:
    """An entry that another phone has changed is not written over, nor lost: the script is told where it is a new one,
    and the page of the old number leads to what stands. What is withdrawn or said to be right a second time is so once,
    and of what was changed meanwhile it is told. A withdrawal taken back and repeated writes nothing."""
    slip, figure = {**CORE, "thatch_mm": "1"}, {"thatch_mm": 1}
    add, strike = ground.pipeline.diary.add, "/diary/{}/withdrawn"
    add(DiaryEntry("core", "square", NOW_MS, {"thatch_mm": 12}, "s1"))
    sent(client, CORE, path="/diary/1")
    late = sent(client, {**CORE, "thatch_mm": "16"}, 422, "/diary/1")
    assert (late["action"], late["page"]) == ("/diary", "/diary?on=s1")
    sent(client, {**CORE, "thatch_mm": "16"}, path=late["action"])
    assert [body["thatch_mm"] for _, body in bodies(ground)] == [14, 16]
    answer = client.get("/diary/1", headers={"Accept": "text/html"})
    assert (answer.status_code, answer.headers["Location"]) == (303, "/diary/2")
    assert "changed meanwhile" in sent(client, {"csrf": ""}, 404, strike.format(1))["detail"]
    number = add(DiaryEntry("core", "square", NOW_MS, figure, "s2")).id
    for _ in range(2):
        sent(client, {"back": "/work"}, 200, f"/diary/{number}/confirmed")
    other = add(DiaryEntry("core", "square", NOW_MS, figure, "s1")).id
    sent(client, {**slip, "thatch_mm": "15"}, path=f"/diary/{other}")
    assert "changed meanwhile" in sent(client, {"back": ""}, 404, f"/diary/{other}/confirmed")["detail"]
    before = bodies(ground)
    assert sent(client, {"back": ""}, 200, strike.format(2))["at"] == "/diary?on=s1&withdrawn=2"
    ground.clock.wall_ms += 1000
    sent(client, {"back": ""}, 200, "/diary/2/restored")
    restored = max(e.id for e in ground.pipeline.diary.entries(None, 0, 2**62))
    assert sorted(map(str, bodies(ground))) == sorted(map(str, before))
    sent(client, {"entries": str(restored)}, 200, "/diary/undone")
    assert [body["thatch_mm"] for _, body in bodies(ground)] == [16, 1, 15]
    newest = max(e.id for e in ground.pipeline.diary.entries(None, 0, 2**62, struck=True))
    assert newest == restored  # it is struck, and not written once more
