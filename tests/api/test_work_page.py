"""The work page and the six answers of the morning: complete in words, honest where nothing is known.

Expected words and places are worked out from what `advice_by_hand` and `site` set.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from api.app import create_app
from api.drawing import DAYS, first_day, kind_of, rain_of_days, ten_days, wetness_chart
from api.weeks import weeks_rows
from pipeline.advice.conditions import Verdict
from pipeline.diary.entry import DiaryEntry
from pipeline.units import (
    TimeSpan,
)
from tests.api import advice_by_hand as by_hand
from tests.api.advice_by_hand import ZONE, advice
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, SETTINGS, Ground, MakeGround, ground_at, readings
from tests.api.test_pages import Tags, page, words

DAY_MS = 24 * HOUR_MS


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    """Two days of readings, advice, and a diary."""
    ground = ground_at(tmp_path_factory.mktemp("kept"))
    ground.hear(readings(60, first_hour=420))
    ground.advise(advice(), by_hand.weeks())
    for entry in (
        DiaryEntry("core", "square", NOW_MS - 9 * DAY_MS, {"thatch_mm": 14, "root_mm": 90}, "s1", author="Ann"),
        DiaryEntry("watering", "square", NOW_MS - 25 * HOUR_MS, {"water_mm": 5}),
        DiaryEntry("watering", "square", NOW_MS - 6 * HOUR_MS, {"water_mm": 8}, author="Bea"),
        DiaryEntry("lift", "square", NOW_MS - 5 * HOUR_MS, {"probe": "p1"}, "s1"),
        DiaryEntry("sight", "outfield", NOW_MS - 3 * HOUR_MS, {"what": "firmness", "value": 1}),
        DiaryEntry("note", "outfield", NOW_MS - 2 * HOUR_MS, {"text": "<b>moles</b>"}),
        DiaryEntry(
            "pass", "square", NOW_MS + 8 * HOUR_MS, {"pass": "scarifying", "depth_mm": 8, "state": "booked"}
        ),
        DiaryEntry("pass", "outfield", NOW_MS - HOUR_MS, {"pass": "light_raking", "state": "done"}),
        DiaryEntry("pass", "square", NOW_MS + 30 * HOUR_MS, {"pass": "slitting", "state": "booked", "around": True}),
    ):  # fmt: skip
        ground.pipeline.diary.add(entry)
    yield ground
    ground.pipeline.stop()


@pytest.fixture(scope="module")
def reader(kept: Ground) -> TestClient:
    return TestClient(create_app(kept.pipeline), raise_server_exceptions=False)


@pytest.fixture(scope="module")
def told(reader: TestClient) -> dict[str, list[str]]:
    """The six answers over it."""
    return answers(reader)


@pytest.fixture(scope="module")
def windows(reader: TestClient) -> Tags:
    """Every window of the square."""
    return page(reader, "/work/square/windows")


@pytest.fixture(scope="module")
def work(reader: TestClient) -> Tags:
    """The work page over it."""
    return page(reader, "/work")


def part(tags: Tags, css_class: str) -> list[dict[str, str | None]]:
    return [a for _, a in tags.tags if css_class in str(a.get("class", "")).split()]


# --- the work page ------------------------------------------------------------------------------------------------


def test_every_pass_has_its_window_and_its_last_good_date(work: Tags) -> None:
    """When, what ends it, why not before, what to lift by its place; and what was missing at the end."""
    said = words(work)
    for line in (
        "Worked out 02:00 today", "Next play: League match <1st XI>, Sat 4 May 02:00.",
        "Before any pass: no print or wheel mark",
        "Scarifying to 8 mm Fri 8:00 to 19:00, then too much rain coming. Till then: thatch too wet. "
        "Lift the north-end thatch probe and the north-end probe first.",
        "To heal before play on 4 May, do the scarifying by 14 Apr, 18 Apr at the latest.",
        "On the word of Ann now to today 14:00: the contractor is here; against: square in season.",
        "Cannot tell: solid tining with needle tines to 100 mm (nothing heard from the probes for 40 hours). "
        "What would open it: fresh readings.",
        "No play is known of.", "What was missing No weather forecast is set",
    ):  # fmt: skip
        assert line in said, line


def test_weeks_ahead_name_the_best_and_when_to_book(work: Tags, reader: TestClient) -> None:
    """The week of 20 May, booked six weeks before, till the soil is too cold; play on 4 May falls in the week of
    29 April. The twin has the same figures."""
    said = words(work)
    told = "Week of 20 May, 9 in 10. From the week of 24 Jun: soil too cold. Book it by 8 Apr."
    assert f"Scarifying to 8 mm {told}" in said[said.index("The weeks ahead") :]
    assert "Cannot tell: they are not worked out yet." in said
    (columns,) = part(work, "weeks")[1:]
    assert "25 Mar: 2 in 10. " in str(columns["aria-label"]) and "29 Apr: 2 in 10, play." in str(columns["aria-label"])
    assert "8 Jul: shut, soil too cold." in str(columns["aria-label"])
    square = next(s for s in reader.get("/api/v1/advice").json()["surfaces"] if s["surface"] == "square")
    scarifying = next(p for p in square["passes"] if p["kind"] == "scarifying")
    assert len(scarifying["weeks"]) == 16 and square["weeks_reason"] == ""
    assert scarifying["weeks"][8] == {"first": "2024-05-20", "chance": 0.9, "days": 1.8, "reason": "soil too cold"}


def test_what_is_late_to_be_booked_is_urged_and_what_is_booked_is_not() -> None:
    """Five weeks before the best one nothing is left of the six; shut weeks are said to be shut."""
    today = datetime.date(2024, 4, 20)
    (row,) = weeks_rows(by_hand.weeks(), today, ())["rows"]
    assert row["clause"].endswith("Book it now, it may be late.")
    (row,) = weeks_rows(by_hand.weeks(), today, (), {("scarifying", "standard")})["rows"]
    assert "ook it" not in row["clause"]
    one = by_hand.weeks().passes[0]
    bare = replace(one, weeks=tuple(replace(week, reason="") for week in one.weeks))
    (row,) = weeks_rows(replace(by_hand.weeks(), passes=(bare,)), today, ())["rows"]
    assert row["cells"][-1]["words"].endswith(": shut")


def test_what_is_booked_stands_first_and_is_judged(work: Tags) -> None:
    """Today's waits, with the better day; of tomorrow's slitting nothing is advised. p1 is lifted already."""
    said = words(work)
    first = (
        "Square, 10:00 Scarifying to 8 mm Wait: thatch too wet. Better: Fri 8:00 to 19:00. "
        "Lift the north-end thatch probe and the south-end probe first."
    )
    assert said.index("Booked") < said.index(first) < said.index("Cannot tell: this pass is not judged here.")
    assert said.index("this pass is not judged here.") < said.index("Next play")
    rows = [str(d["aria-label"]) for d in part(work, "ten") if "booked" in str(d.get("aria-label"))]
    assert len(rows) == 1 and "Thu 21: wait, booked. Fri 22: 8 in 10." in rows[0]


@pytest.mark.parametrize(
    ("body", "hours", "said"),
    [
        (
            {"pass": "scarifying", "depth_mm": 10},
            32,
            "Go, till Fri 19:00, then too much rain coming. Judged as scarify",
        ),
        ({"pass": "solid_tining"}, 32, "Do not: square in season. Better: now to today 14:00."),
        ({"pass": "solid_tining"}, 6, "Go, on the word of Ann, against: square in season."),
        ({"pass": "scarifying"}, 24 * 30, "Too early to tell: what is known ends"),
    ],
    ids=["open", "shut", "overruled", "far off"],
)
def test_a_booking_is_judged_by_what_is_advised_for_its_hour(
    make_ground: MakeGround, body: dict[str, object], hours: int, said: str
) -> None:
    """Hours from 2:00 on Thursday 21 March: Friday 10:00, today 8:00, 20 April; and what is done is booked no more."""
    ground = make_ground()
    ground.advise(advice())
    at_ms = NOW_MS + hours * HOUR_MS
    ground.pipeline.diary.add(DiaryEntry("pass", "square", at_ms, {**body, "state": "booked"}))
    client = TestClient(create_app(ground.pipeline))
    tags = page(client, "/work")
    assert said in words(tags)
    assert ('<b class="act">Do not:</b>' in client.get("/work").text) == said.startswith("Do not")
    ground.pipeline.diary.add(DiaryEntry("pass", "square", at_ms, {**body, "state": "begun"}))
    ground.pipeline.changes.bump("diary")
    said = words(page(client, "/work"))
    assert "Under way, begun" in said and "Change" not in said  # one row, and no booking among them


def test_every_line_of_the_advice_stands_on_the_page(reader: TestClient) -> None:
    """Its JSON twin is named, and whatever that says in a line the page says, or that of every window."""
    tags = page(reader, "/work")
    twin = next(link["href"] for link in tags.every("link") if link.get("rel") == "alternate")
    said = words(tags).replace("m³", "m3").casefold()
    for surface in reader.get(str(twin)).json()["surfaces"]:
        waters = [s["water"] for s in surface["stations"]]
        lines = [w["line"] for w in waters]
        lines += [one["last_good"]["line"] for one in surface["passes"] if one["last_good"]]
        for line in lines:
            assert line.split(": ", 1)[1].casefold() in said, line
        assert all(one.casefold() in said for w in waters for one in w["further"])
        every = words(page(reader, f"/work/{surface['surface']}/windows")).casefold()
        for one in surface["passes"]:
            assert one["line"].split(": ", 1)[1].casefold() in every, one["line"]


def test_water_tonight_is_told_station_by_station(work: Tags) -> None:
    """How much and why, or why nobody can tell."""
    said = words(work)
    assert "Square, north end Water 22 mm (13 m³) tonight in 4 goes" in said
    assert "Square, south end Cannot tell whether to water." in said


def test_what_the_water_is_made_of_is_drawn_to_scale(work: Tags) -> None:
    """Roots at 0.4 of 40 mm are short of 20 up to 0.9, thatch at 0.9 of 6 drinks 0.6, the leaf takes what is left.

    22 mm are given in a night, in four goes of up to 6, what clay loam takes.
    """
    said = words(work)
    assert "under 1 mm the thatch drinks first, 20 mm the roots are short of" in said
    assert [d["aria-label"] for d in part(work, "goes")] == ["4 goes of 5.5 mm"] * 2
    widths = [float(str(d["style"]).removeprefix("width:").removesuffix("%")) for _, d in work.tags if _ == "span"
              and str(d.get("style", "")).startswith("width:")]  # fmt: skip
    assert widths[:2] == pytest.approx([100 * 0.6 / 22, 100 * 20 / 22], abs=0.02)


def test_wetness_to_come_is_drawn_where_there_is_some(work: Tags) -> None:
    """Two stations have a chart with both layers, the third says why not; all name their likeliest day."""
    tags = work
    assert len(part(tags, "curve")) == len(part(tags, "band")) == 4
    said = words(tags)
    assert "No forecast of wetness: too few good days of this station." in said
    assert said.count("Dry enough to scarify: Wednesday 8 in 10.") == 2
    assert "Dry enough to scarify: cannot tell." in said


def test_the_ten_days_say_the_same_in_words(work: Tags) -> None:
    """For who cannot see them: each day of each pass, and the rain of each: 0.1 mm an hour in every course."""
    rows = [str(d["aria-label"]) for d in part(work, "ten") if d.get("aria-label")]
    assert len(rows) == 5 and all(len(re.findall(r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+: ", r)) == DAYS for r in rows)
    assert "Thu 21: 2 mm, one time in ten 2 mm or more." in rows[0]
    assert "Thu 21: wait. Fri 22: 8 in 10. Sat 23: shut." in rows[2]
    assert "Thu 21: open on the word of Ann. Fri 22: shut." in rows[4]


def test_every_window_stands_with_its_reason(windows: Tags, work: Tags) -> None:
    """On a page of its own: a row for each change of verdict or reason, nights passed over."""
    said = words(windows)
    assert "07:00 today to Fri 22 Mar 08:00 wait thatch too wet: 0.84, wanted 0.7 or less" in said
    assert "Fri 22 Mar 08:00 to Fri 22 Mar 19:00 open, 8 in 10" in said
    assert "open on the word of Ann: the contractor is here square in season" in said
    assert "wanted 0.7" not in words(work)


def test_the_last_entries_of_the_diary_stand_at_the_end(reader: TestClient) -> None:
    """The newest first, in words, and what somebody typed is text and not markup."""
    answer = reader.get("/work")
    said = words(Tags(answer.text))
    lines = [
        "Fri 22 Mar 08:00, Square: slitting, booked: around the probes.",
        "10:00 today, Square: scarifying, booked: depth 8 mm.",
        "01:00 today, Outfield: brushing, done.",
        "00:00 today, Outfield: <b>moles</b>.",
        "Wed 20 Mar 23:00, Outfield: firmness: a faint mark.",
        "Wed 20 Mar 21:00, Square, north end: the north-end probe lifted.",
        "Wed 20 Mar 20:00, Square: water given: 8 mm (Bea).",
        "Tue 12 Mar 02:00, Square, north end: core cut: root 90 mm, thatch 14 mm (Ann).",
    ]
    places = [said.index(line) for line in lines]
    assert places == sorted(places) and "<b>moles" not in answer.text


def test_alerts_have_their_buttons_and_what_was_made_of_them(make_ground: MakeGround) -> None:
    """Three forms an alert, each for its own mark; a mark is told beside it with who made it."""
    ground = make_ground()
    ground.hear(readings(60, first_hour=420))
    ground.advise(advice())
    client = TestClient(create_app(ground.pipeline))
    tags = page(client, "/work")
    forms, fields = tags.every("form"), tags.every("input")
    alerts = client.get("/api/v1/alerts").json()
    assert len(forms) == 3 * len(alerts) > 0
    assert {str(f["action"]) for f in forms} == {f"/alerts/{a['id']}/mark" for a in alerts}
    assert [f["value"] for f in fields if f["name"] == "mark"][:3] == ["seen", "snoozed", "wrong"]
    until = next(str(f["value"]) for f in fields if f["name"] == "until")
    assert until == "2024-03-24T00:00:00Z"  # three days from now
    address = f"/api/v1{forms[0]['action']}"
    for told, line in (
        ({"mark": "seen", "author": "Ann"}, "Seen 02:00 today by Ann."),
        ({"mark": "snoozed", "until": until}, "Snoozed until Sun 24 Mar 02:00."),
        ({"mark": "wrong", "why": "covers were on"}, "Called wrong 02:00 today: covers were on."),
    ):
        assert client.post(address, json=told).status_code == 201
        said = words(page(client, "/work"))
        assert line in said and "an alert" not in said  # marks stand beside their alert, not among the entries


def test_before_the_first_advice_the_page_says_so(make_ground: MakeGround) -> None:
    """No line that looks like an all-clear: neither of work nor of alerts."""
    ground = make_ground()
    ground.advise(None)
    said = words(page(TestClient(create_app(ground.pipeline)), "/work"))
    assert "Nothing is advised yet: the first of it is being worked out." in said
    assert "Cannot tell: there is nothing recent to judge by." in said and "No alert is open" not in said
    assert "Nothing has been written yet." in said


def test_old_advice_stands_out(make_ground: MakeGround) -> None:
    """Four hours on it is framed, with its age, and the first page says of when it is."""
    ground = make_ground()
    ground.advise(replace(advice(), at_ms=NOW_MS - 4 * HOUR_MS))
    booked = {"pass": "scarifying", "state": "booked"}
    ground.pipeline.diary.add(DiaryEntry("pass", "square", NOW_MS + 32 * HOUR_MS, booked))
    client = TestClient(create_app(ground.pipeline))
    text = client.get("/work").text
    assert "Worked out Wed 20 Mar 22:00, 4 hours ago. What follows is how it looked then." in words(Tags(text))
    assert '<p class="notice">Worked out' in text
    assert "Cannot tell: what is advised is too old to judge by." in words(Tags(text))
    assert "As it was worked out Wed 20 Mar 22:00:" in words(page(client, "/"))


def test_a_site_without_stations_says_what_to_write(empty_client: TestClient) -> None:
    """As the first page does."""
    assert "No station yet" in page(empty_client, "/work").text


def test_a_surface_without_probes_says_so(make_ground: MakeGround) -> None:
    """No pass is judged there, in words on both pages."""
    ground = make_ground()
    told = advice()
    bare = replace(told.surfaces[1], passes=(), stations=())
    ground.advise(replace(told, surfaces=(told.surfaces[0], bare)))
    client = TestClient(create_app(ground.pipeline))
    work = page(client, "/work")
    assert "No pass can be judged here: no probe that hears water stands in the turf." in words(work)
    links = [link.get("href") for link in work.every("a")]
    assert "/work/book?surface=outfield&what=water" in links  # it can be watered all the same
    assert "Outfield: cannot tell, no pass can be judged without a probe in the turf." in words(page(client, "/"))


def test_passes_shut_for_the_same_reason_share_a_line(make_ground: MakeGround) -> None:
    """Nobody reads seven times that the probes have not been heard; each keeps its windows below."""
    ground = make_ground()
    told = advice()
    shut = [by_hand.pass_advice(kind, by_hand.OUTFIELD) for kind in ("verticutting", "solid_tining", "slitting")]
    ground.advise(replace(told, surfaces=(replace(told.surfaces[1], passes=tuple(shut)),)))
    tags = page(TestClient(create_app(ground.pipeline)), "/work")
    names = "verticutting to 2 mm, solid tining with needle tines to 100 mm and slitting to 100 mm"
    said = words(tags)
    assert f"Cannot tell: {names} (nothing heard from the probes for 40 hours). What would open them: fresh" in said
    assert "To heal before play on 4 May, do the verticutting by 14 Apr" in said
    assert len(part(tags, "shut-for")) == 1 and not part(tags, "rows")
    assert len(page(TestClient(create_app(ground.pipeline)), "/work/outfield/windows").every("table")) == 3


def test_no_script_stands_in_the_work_page(reader: TestClient) -> None:
    """Scripts come from files of this server, and every link and form leads to it."""
    tags = page(reader, "/work")
    scripts = {f"/static/{name}.js" for name in ("live", "offline", "send", "unsent")}
    assert {s["src"].partition("?")[0] for s in tags.every("script")} == scripts
    assert not [key for _, a in tags.tags for key in a if key.startswith("on")]
    targets = {str(a["href"]).partition("#")[0] for a in tags.every("a")} - {""} | scripts
    for target in targets:
        assert target.startswith("/") and reader.get(target).status_code == 200, target


# --- the six answers ----------------------------------------------------------------------------------------------

QUESTIONS = [
    "Can I go on it?", "What fell?", "Where did it go?", "Water tonight?", "Any window this week?",
    "Probes alive? Anything in the way?",
]  # fmt: skip


def answers(client: TestClient) -> dict[str, list[str]]:
    return {a["question"]: a["lines"] for a in client.get("/api/v1/answers").json()}


def test_six_answers_stand_first_and_in_order(reader: TestClient, told: dict[str, list[str]]) -> None:
    """On the page as in the data, before anything of a single station."""
    assert list(told) == QUESTIONS
    said = words(page(reader, "/")).replace("m³", "m3")
    places = [said.index(line) for question in QUESTIONS for line in (question, *told[question])]
    assert places == sorted(places) and places[-1] < said.index("The slices")


def test_whether_it_can_be_gone_on_is_told_by_leaf_and_water(told: dict[str, list[str]]) -> None:
    """A leaf of 15 degrees has no frost; roots at 36 and 78 %, top layer at 84 % of drained; frost comes by dawn."""
    assert told["Can I go on it?"] == [
        "Square: yes, not wetter than drained (36 %); no frost (leaf 15.0 °C).",
        "Square: frost is likely by next dawn, leaf −0.6 °C.",
        "Outfield: yes, not wetter than drained (84 %); no frost (leaf 15.0 °C).",
    ]


def test_what_fell_and_what_was_given_is_told_once(told: dict[str, list[str]]) -> None:
    """All stations share one gauge; a watering of the last day stands beside it."""
    assert told["What fell?"] == [
        "Rain in the last 24 hours: 0.0 mm.", "Wed 20 Mar 20:00, Square: water given: 8 mm (Bea).",
    ]  # fmt: skip


def test_windows_of_the_week_are_told_in_their_order(told: dict[str, list[str]]) -> None:
    """Which job, until when, what spoils it, what to lift; where there is none, why."""
    assert told["Any window this week?"] == [
        "Square: solid tining with needle tines to 100 mm now to today 14:00, on the word of Ann; then square in "
        "season. Lift the north-end thatch probe and the north-end probe first.",
        "Square: scarifying to 8 mm Fri 8:00 to Fri 19:00, 8 in 10; then too much rain coming. "
        "Lift the north-end thatch probe and the north-end probe first.",
        "Square: verticutting to 2 mm Fri 8:00 to Sat 19:00, 9 in 10; then too much rain coming.",
        "Outfield: none this week (nothing heard from the probes for 40 hours).",
    ]


def test_what_is_in_the_way_of_todays_machine_is_told(told: dict[str, list[str]]) -> None:
    """Scarifying is booked for today: p1 is lifted already, t1 and p2 lie less than 33 mm deep.

    It is judged there, as beside the booking. Tomorrow's is not told, nor what is done.
    """
    found = told[QUESTIONS[5]]
    assert found[0] == "Square, south end: nothing has been heard from this station yet."
    assert found[1:] == [
        "10:00 today, Square: scarifying, booked: depth 8 mm. Wait: thatch too wet. Better: Fri 8:00 to 19:00. "
        "Lift the north-end thatch probe and the south-end probe first."
    ]


def test_a_penetrometer_is_told_apart_from_what_is_always_heard(make_ground: MakeGround) -> None:
    """Four probes are read by the clock; the penetrometer beside them speaks only when it is docked."""
    head, _, rest = SETTINGS.partition('[[surface.station]]\nname = "s2"')
    cone = '[[surface.station.probe]]\nname = "c1"\nmodel = "cone_hard"\n'
    ground = make_ground(settings=head + rest[rest.index("[[surface]]") :] + cone)
    ground.hear(readings(60, first_hour=420))
    client, place = TestClient(create_app(ground.pipeline)), "Outfield, long side: the penetrometer"
    only = "It is heard only when somebody docks it."
    assert answers(client)[QUESTIONS[5]][:2] == [
        "All 4 fixed probes are heard.", f"{place} has not been read yet. {only}",
    ]  # fmt: skip
    verdict = client.get("/api/v1/answers").json()[5]
    assert f"{verdict['verdict']} {verdict['clause']}".startswith("All heard, 4 fixed probes; nothing in the way.")
    docked = [replace(r, channel="o1/c1/depth", seq=r.seq + 100_000, raw=0.05) for r in readings(1, first_hour=470)[:1]]
    ground.hear(docked)
    client = TestClient(create_app(ground.pipeline))
    assert answers(client)[QUESTIONS[5]][1] == f"{place} was last read Wed 20 Mar 16:00. {only}"


def test_nothing_is_cleared_where_nothing_is_known(make_ground: MakeGround) -> None:
    """Nothing heard, nothing advised: each answer says that it cannot tell."""
    ground = make_ground()
    ground.advise(None)
    told = answers(TestClient(create_app(ground.pipeline)))
    assert told["Can I go on it?"][0] == (
        "Square: cannot tell how wet it is. Frost cannot be told: nothing recent from a leaf or warm air."
    )
    assert told["Water tonight?"] == told["Any window this week?"]
    assert told["Water tonight?"] == ["Cannot tell yet: the first advice is being worked out."]
    assert all("cannot tell" in line.casefold() for line in told["What fell?"])
    assert told[QUESTIONS[5]][-1] == "No pass is booked for today."


@pytest.mark.parametrize(
    ("leaf_degc", "root", "begin"),
    [
        (0.5, 16.0, "Square: no, frost on the leaf (leaf 0.5 °C). Wait until it has gone."),
        (0.6, 16.0, "Square: yes, not wetter than drained ("),
        (8.0, 40.0, "Square: better not, it is wetter than drained (north end): boots and wheels would mark. No frost"),
    ],
    ids=["frost", "none", "wet"],
)
def test_frost_and_wet_keep_off(make_ground: MakeGround, leaf_degc: float, root: float, begin: str) -> None:
    """Half a degree at the leaf is frost, the edge with it; a permittivity of 40 is far more than what drains."""
    ground = make_ground()
    ground.advise(None)
    heard = [
        replace(r, raw=leaf_degc) if r.channel == "o1/w1/surface_temperature"
        else replace(r, raw=root) if r.channel.startswith("s1/p1/moisture")
        else r
        for r in readings(6, first_hour=474)
    ]  # fmt: skip
    ground.hear(heard)
    assert answers(TestClient(create_app(ground.pipeline)))["Can I go on it?"][0].startswith(begin)


# --- drawings -----------------------------------------------------------------------------------------------------


def test_a_day_has_the_chance_of_its_open_hours() -> None:
    """Thatch of 0.6 within 0.3 and 0.7 by a normal spread of 0.1: the mass from 3 below to 1 above the mean, 0.84."""
    scarifying = advice().surfaces[0].passes[0].outlook
    first = first_day([scarifying], ZONE)
    assert first is not None and first.isoformat() == "2024-03-21"
    thursday, friday, saturday, *_ = ten_days(scarifying, ZONE, first)
    assert (thursday.kind, thursday.chance, saturday.kind, saturday.chance) == ("wait", None, "closed", None)
    assert friday.kind == "open" and friday.chance == pytest.approx(0.840, abs=0.002)
    assert (friday.figure, friday.height) == ("8", pytest.approx(84.0, abs=0.2))


def test_a_few_open_hours_between_others_are_no_open_day() -> None:
    """Five hours are too short to send a machine for, six are not, and what is open now is open however short."""
    found = advice().surfaces[0].passes[0].outlook
    wait, fit = found.windows[0], next(w for w in found.windows if w.verdict is Verdict.OPEN)
    morning_ms = NOW_MS + 5 * HOUR_MS  # 7:00

    def kind(*spells: tuple[int, Verdict]) -> str:
        windows, at_ms = [], morning_ms
        for hours, verdict in spells:
            span = TimeSpan(at_ms, at_ms + hours * HOUR_MS)
            windows.append(replace(fit if verdict is Verdict.OPEN else wait, span=span))
            at_ms = span.end_ms
        one = replace(found, windows=tuple(windows))
        return ten_days(one, ZONE, by_hand.datetime.date(2024, 3, 21))[0].kind

    assert kind((3, Verdict.WAIT), (5, Verdict.OPEN), (4, Verdict.WAIT)) == "wait"
    assert kind((3, Verdict.WAIT), (6, Verdict.OPEN), (3, Verdict.WAIT)) == "open"
    assert kind((2, Verdict.OPEN), (10, Verdict.WAIT)) == "open"


def test_rain_of_a_day_is_the_middle_and_the_ninth_tenth_of_its_courses() -> None:
    """Of courses with 0 to 10 mm at noon on Friday: 5 mm in the middle, 9 mm one time in ten; no last half day."""
    told, first = by_hand.forecast(), by_hand.datetime.date(2024, 3, 21)
    rain = np.zeros_like(told.rain_mm)
    rain[34] = np.arange(11.0)
    found = rain_of_days(replace(told, rain_mm=rain), ZONE, first)
    assert found[:3] == [(0.0, 0.0), (5.0, 9.0), (0.0, 0.0)] and len(found) == DAYS
    assert rain_of_days(
        replace(told, rain_mm=rain[:40], root_wetness=told.root_wetness[:41], thatch_wetness=told.thatch_wetness[:41]),
        ZONE, first,
    )[:2] == [(0.0, 0.0), None]  # fmt: skip
    assert rain_of_days(by_hand.NO_FORECAST, ZONE, first) == [None] * DAYS


def test_what_is_open_but_not_likely_is_not_drawn_as_open() -> None:
    """Three in ten may open; one in two is open; on somebody's word the chance does not count."""
    square = advice().surfaces[0]
    fit = square.passes[0].outlook.windows[2]
    assert [kind_of(replace(fit, chance=c)) for c in (0.3, 0.49, 0.5, None)] == ["may_open", "may_open", "open", "open"]
    overruled = square.passes[2].outlook.windows[0]
    assert overruled.chance == 0.0 and kind_of(overruled) == "open"
    assert kind_of(replace(fit, chance=0.3, verdict=Verdict.WAIT)) == "wait"


def test_a_window_less_likely_than_not_may_open(make_ground: MakeGround) -> None:
    """Told so in the answers, drawn so in the ten days, and left out of the calendar that is subscribed to."""
    ground = make_ground()
    told = advice()
    one = told.surfaces[0].passes[0]
    rare = tuple(replace(w, chance=0.3) if w.verdict is Verdict.OPEN else w for w in one.outlook.windows)
    one = replace(one, outlook=replace(one.outlook, windows=rare))
    ground.advise(replace(told, surfaces=(replace(told.surfaces[0], passes=(one,)),)))
    client = TestClient(create_app(ground.pipeline))
    assert (
        "Square: scarifying to 8 mm may open Fri 8:00 to Fri 19:00, 3 in 10; then too much rain coming."
        in (answers(client)["Any window this week?"][0])
    )
    tags = page(client, "/work")
    assert "May open Fri 8:00 to 19:00, then too much rain coming." in words(tags)
    assert "Fri 22: 3 in 10." in str(part(tags, "ten")[1]["aria-label"]) and not [
        d for d in part(tags, "open") if d.get("style") != "height:90%"
    ]
    assert "window-" not in client.get("/calendar/work.ics").text


def test_a_window_is_told_no_longer_than_it_is_likely(make_ground: MakeGround) -> None:
    """Verticutting is open on Friday and Saturday; when Saturday has 3 in 10, its line ends with Friday."""
    ground = make_ground()
    told = advice()
    one = told.surfaces[0].passes[1]
    saturday = [w for w in one.outlook.windows if w.verdict is Verdict.OPEN][1]
    rare = tuple(replace(w, chance=0.3) if w is saturday else w for w in one.outlook.windows)
    one = replace(one, outlook=replace(one.outlook, windows=rare))
    ground.advise(replace(told, surfaces=(replace(told.surfaces[0], passes=(one,)),)))
    tags = page(TestClient(create_app(ground.pipeline)), "/work")
    assert "Verticutting to 2 mm Fri 8:00 to 19:00, then less likely than not." in words(tags)
    assert "Fri 22: 9 in 10. Sat 23: 3 in 10." in str(part(tags, "ten")[1]["aria-label"])


def test_a_day_on_which_clocks_change_is_one_day() -> None:
    """On 31 March 2024 London skips an hour at night: 7:00 to 19:00 belong to that day, and no other."""
    london = ZoneInfo("Europe/London")
    found = advice().surfaces[0].passes[0].outlook
    start_ms = 1_711_864_800_000  # 2024-03-31 06:00 UTC, 7:00 in London
    window = replace(found.windows[0], span=TimeSpan(start_ms, start_ms + 12 * HOUR_MS), verdict=Verdict.OPEN)
    one = replace(found, windows=(window,))
    first = first_day([one], london)
    assert first is not None and first.isoformat() == "2024-03-31"
    days = ten_days(one, london, first)
    assert [d.kind for d in days] == [kind_of(window)] + [""] * 9


def test_the_chart_stays_within_its_frame_and_its_names_apart() -> None:
    """Wetness far off the scale is cut at its edges, thatch that is not there is left out."""
    told = by_hand.forecast()
    wild = replace(told, thatch_wetness=told.thatch_wetness * 9, root_wetness=told.root_wetness - 9)
    chart = wetness_chart(wild, ZONE)
    assert chart is not None
    numbers = [float(y) for c in chart.curves for y in re.findall(r" (-?[\d.]+)", c.mean + c.band)]
    assert chart.top - 0.1 <= min(numbers) and max(numbers) <= chart.bottom + 0.1
    close = wetness_chart(replace(told, thatch_wetness=told.root_wetness), ZONE)
    assert close is not None and abs(close.curves[0].label_y - close.curves[1].label_y) >= 15
    bare = wetness_chart(replace(told, thatch_wetness=np.full_like(told.thatch_wetness, np.nan)), ZONE)
    assert bare is not None and [c.name for c in bare.curves] == ["roots"]
    assert wetness_chart(by_hand.NO_FORECAST, ZONE) is None


def test_the_chart_stands_where_the_numbers_say() -> None:
    """Mean thatch falls from 0.9 to 0.4 and drained is 1: on a scale of 1.4 over the frame's height."""
    chart = wetness_chart(by_hand.forecast(), ZONE)
    assert chart is not None
    thatch = chart.curves[0]
    levels = {word: y for y, word in chart.levels}
    unit = levels["dry"] - levels["drained"]
    ys = [float(y) for y in re.findall(r" (-?[\d.]+)", thatch.mean)]
    assert levels["dry"] - ys[0] == pytest.approx(0.9 * unit, abs=0.1)
    assert levels["dry"] - ys[-1] == pytest.approx(0.4 * unit, abs=0.1)
    assert [day for _, day in chart.ticks] == ["Fr", "Sa", "Su", "Mo", "Tu", "We", "Th", "Fr", "Sa", "Su"]


def test_strips_of_a_square_stand_with_their_last_water(reader: TestClient) -> None:
    """The league match at two on 4 May names strip 4: last water six evenings before, on page and as data."""
    told = "Strip 4 rests, with play on 4 May: last deep water on the evening of 23 Apr, then lightly, up to the "
    told += "evening of 28 Apr."
    assert told in words(page(reader, "/work"))
    square = next(s for s in reader.get("/api/v1/advice").json()["surfaces"] if s["surface"] == "square")
    (strip,) = square["strips"]
    assert (strip["number"], strip["state"], strip["line"], square["strips_wanted"]) == (4, "resting", told, "")
    assert (square["play"][0]["strips"], strip["play"]) == ([4], square["play"][0]["start"])
