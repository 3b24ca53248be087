"""The calendar of work: read by two libraries that did not write it, not sent twice, moved with the play.

Expected times and dates are those `advice_by_hand` sets. Where a fixture is moved every day of the climate is the same,
so that what must be healed a day later may be done a day later.
"""

from __future__ import annotations

import datetime
import threading
from collections.abc import Mapping
from dataclasses import replace

import ics
import vobject

from api.app import create_app
from api.feed import entries_of
from pipeline.advice.conditions import Verdict
from pipeline.site.ground import Site
from pipeline.units import TimeSpan
from tests.api.advice_by_hand import NEEDED_ON, ZONE, advice
from tests.api.served import TestClient
from tests.api.site import HOUR_MS, NOW_MS, SETTINGS, MakeGround, readings

WORK = "/calendar/work.ics"
UTC = datetime.UTC


def text_of(client: TestClient, path: str = WORK) -> str:
    answer = client.get(path)
    assert answer.status_code == 200 and answer.headers["content-type"].startswith("text/calendar")
    return answer.text


def by_ics(text: str) -> dict[str, tuple[str, object, object]]:
    """Title, begin and end by uid, as one library reads them."""
    return {e.uid: (e.name, e.begin.datetime, e.end.datetime) for e in ics.Calendar(text).events}


def by_vobject(text: str) -> dict[str, tuple[str, object, object]]:
    """The same as another reads them; a date becomes midnight UTC, as the first has it."""
    found = {}
    for event in vobject.readOne(text).vevent_list:
        at = [
            value if isinstance(value, datetime.datetime) else datetime.datetime(*value.timetuple()[:3], tzinfo=UTC)
            for value in (event.dtstart.value, event.dtend.value)
        ]
        found[event.uid.value] = (event.summary.value, at[0], at[1])
    return found


def last_good_dates(entries: Mapping[str, tuple[str, object, object]]) -> dict[str, datetime.date]:
    return {uid: at.date() for uid, (_, at, _) in entries.items() if uid.startswith("last-good.")}  # type: ignore[attr-defined]


def test_two_other_libraries_read_the_same(client: TestClient) -> None:
    """Every uid once, with the same title and times by both."""
    text = text_of(client)
    one, other = by_ics(text), by_vobject(text)
    assert one == other and len(one) == text.count("BEGIN:VEVENT") == 8


def test_windows_of_six_hours_and_more_stand_with_their_times(client: TestClient) -> None:
    """Scarifying: Friday 8:00 to 19:00, and Monday 7:00 to Thursday 19:00 on the site's clock, 2 hours ahead of UTC."""
    found = by_vobject(text_of(client))
    uid = "scarifying-standard.square.meadow@underturf"
    assert found[f"window-1.{uid}"] == (
        "Square: scarifying to 8 mm, 8 in 10",
        datetime.datetime(2024, 3, 22, 6, tzinfo=UTC), datetime.datetime(2024, 3, 22, 17, tzinfo=UTC),
    )  # fmt: skip
    assert found[f"window-2.{uid}"][1:] == (
        datetime.datetime(2024, 3, 25, 5, tzinfo=UTC), datetime.datetime(2024, 3, 28, 17, tzinfo=UTC)
    )  # fmt: skip
    # 20 days before play on the 4th of May is the day to be counted on, and that is the one that stands
    assert last_good_dates(found)[f"last-good.{uid}"] == datetime.date(2024, 4, 14)
    assert not any("outfield" in uid for uid in found)  # nobody can tell there
    described = {e.uid: e.description for e in ics.Calendar(text_of(client)).events}
    assert "Lift the t1 probe and the p1 probe first." in described[f"window-1.{uid}"]
    assert "Check first: no print or wheel mark" in described[f"window-1.{uid}"]


def test_a_window_on_somebodys_word_says_whose(client: TestClient) -> None:
    """Seven hours on Ann's word; how likely it is to be open does not count then."""
    (event,) = (e for e in ics.Calendar(text_of(client)).events if "solid_tining" in e.uid and "window" in e.uid)
    assert event.name.endswith("to 100 mm") and event.duration == datetime.timedelta(hours=7)
    assert "On the word of Ann (the contractor is here), against: square in season." in event.description


def test_a_short_window_is_not_worth_an_entry(make_ground: MakeGround) -> None:
    """Five open hours are left out; the last good date stays. With no date to be had there is none."""
    ground = make_ground()
    told = advice()
    square = told.surfaces[0]
    tining = square.passes[2]
    short = replace(
        tining.outlook.windows[0], span=replace(tining.outlook.windows[0].span, end_ms=NOW_MS + 10 * HOUR_MS)
    )
    cut = replace(tining, outlook=replace(tining.outlook, windows=(short, *tining.outlook.windows[1:])))
    lost = replace(square.passes[0], last_good=replace(square.passes[0].last_good, safe=None, likely=None))
    ground.advise(replace(told, surfaces=(replace(square, passes=(cut, lost)),)))
    found = by_vobject(text_of(TestClient(create_app(ground.pipeline))))
    assert sorted(uid.partition(".")[0] + "." + uid.split(".")[1].split("-")[0] for uid in found) == [
        "last-good.solid_tining", "window-1.scarifying", "window-2.scarifying"
    ]  # fmt: skip


def test_one_surface_has_a_calendar_of_its_own(client: TestClient) -> None:
    """Only its entries, under its name; a surface nobody has set up is 404."""
    text = text_of(client, "/calendar/surfaces/square.ics")
    assert "X-WR-CALNAME:Meadow Ground: Square" in text and by_ics(text) == by_ics(text_of(client))
    assert "BEGIN:VEVENT" not in text_of(client, "/calendar/surfaces/outfield.ics")
    assert client.get("/calendar/surfaces/squar.ics").status_code == 404


def test_an_unchanged_calendar_is_not_sent_again(make_ground: MakeGround) -> None:
    """304 for its tag, also an hour later when nothing has changed; another tag once something has."""
    ground = make_ground()
    ground.advise(advice())
    client = TestClient(create_app(ground.pipeline))
    tag = client.get(WORK).headers["etag"]
    again = client.get(WORK, headers={"if-none-match": f'"other", {tag}'})
    assert again.status_code == 304 and again.content == b"" and again.headers["etag"] == tag
    ground.advise(replace(advice(), at_ms=NOW_MS + HOUR_MS))
    assert client.get(WORK, headers={"if-none-match": tag}).status_code == 304
    ground.advise(advice(needed_on=NEEDED_ON + datetime.timedelta(days=1)))
    changed = client.get(WORK, headers={"if-none-match": tag})
    assert changed.status_code == 200 and changed.headers["etag"] != tag


CLIMATE = """
[fixtures]
source = "club.ics"
[climate]
rain_mm = [50, 50, 50, 50, 50, 50, 50, 50, 50, 50, 50, 50]
wet_days = [10, 10, 10, 10, 10, 10, 10, 10, 10, 10, 10, 10]
highest_degc = [20, 20, 20, 20, 20, 20, 20, 20, 20, 20, 20, 20]
lowest_degc = [12, 12, 12, 12, 12, 12, 12, 12, 12, 12, 12, 12]
"""
MATCH = (
    "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//club//EN\r\nBEGIN:VEVENT\r\nUID:m1\r\nDTSTAMP:20240101T000000Z\r\n"
    "SUMMARY:League match\r\nDTSTART:202406{day}T110000Z\r\nDTEND:202406{day}T170000Z\r\n"
    "END:VEVENT\r\nEND:VCALENDAR\r\n"
)


def test_a_fixture_moved_by_a_day_moves_the_last_good_dates(make_ground: MakeGround) -> None:
    """From the club's calendar through the advice to the feed: each date a day later, under the same uid."""
    ground = make_ground(settings=SETTINGS + CLIMATE)
    ground.hear(readings(72, first_hour=408))
    client, dates = TestClient(create_app(ground.pipeline)), []
    for hours, day in enumerate(("15", "16")):
        (ground.pipeline.config.data.dir.parent / "club.ics").write_bytes(MATCH.format(day=day).encode())
        ground.clock.wall_ms = NOW_MS + hours * HOUR_MS
        ground.pipeline._advisor.step(threading.Event())
        text = text_of(client, "/calendar/surfaces/square.ics")
        assert by_ics(text) == by_vobject(text)
        dates.append(last_good_dates(by_vobject(text)))
        ground.clock.real_s += 1000.0
    before, after = dates
    assert len(before) > 3 and before.keys() == after.keys()
    assert {uid: (after[uid] - at).days for uid, at in before.items()} == dict.fromkeys(before, 1)
    assert all(at < datetime.date(2024, 6, 15) for at in before.values())


def test_before_the_first_advice_no_calendar_is_given(make_ground: MakeGround) -> None:
    """503, so that a subscriber keeps what it has instead of emptying it."""
    ground = make_ground()
    ground.advise(None)
    for path in (WORK, "/calendar/surfaces/square.ics"):
        answer = TestClient(create_app(ground.pipeline)).get(path)
        assert answer.status_code == 503 and "retry-after" in answer.headers


def test_an_entry_leads_to_the_work_page_where_the_address_is_known(make_ground: MakeGround) -> None:
    """URL of RFC 5545, 3.8.4.6, in every entry; none without `pages.address`."""
    for more, leads in (("", 0), ('[pages]\naddress = "https://turf.example.org:8420"\n', 8)):
        ground = make_ground(settings=SETTINGS + more)
        ground.advise(advice())
        events = vobject.readOne(text_of(TestClient(create_app(ground.pipeline)))).vevent_list
        urls = [event.url.value for event in events if hasattr(event, "url")]
        assert urls == ["https://turf.example.org:8420/work"] * leads


def test_a_window_ends_in_the_calendar_where_it_is_no_longer_likely() -> None:
    """Two days of 9 in 10 and 6 in 10, then 3 in 10: an entry of the two, with how the chance falls."""
    one = advice().surfaces[0]
    scarify = one.passes[0]
    opened = scarify.outlook.windows[0]
    spans = [TimeSpan(NOW_MS + n * 24 * HOUR_MS, NOW_MS + (n + 1) * 24 * HOUR_MS) for n in range(3)]
    falling = tuple(
        replace(opened, span=span, verdict=Verdict.OPEN, chance=chance, override=None)
        for span, chance in zip(spans, (0.9, 0.6, 0.3), strict=True)
    )
    told = replace(one, passes=(replace(scarify, outlook=replace(scarify.outlook, windows=falling)),))
    entry = next(iter(entries_of(told, Site(name="meadow", title="Meadow"), ZONE)))
    assert (entry.start_ms, entry.end_ms) == (spans[0].start_ms, spans[1].end_ms)
    assert entry.title.startswith("Square: scarifying to 8 mm, 9 in 10, by ") and entry.title.endswith(" 6 in 10")
