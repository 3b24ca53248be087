"""Fixtures are read from calendars with their zones and recurrences, broken ones refused whole; a feed goes out."""

import datetime
from functools import partial
from zoneinfo import ZoneInfo

import ics
import pytest
import vobject

from pipeline.advice.healing import (
    growth_ahead,
    last_good_date,
)
from pipeline.diary import fixtures
from pipeline.diary.fixtures import (
    MAX_EVENTS,
    MAX_FIXTURES,
    FeedEntry,
    Fixture,
    FixtureFault,
    build_feed,
    fixture_source,
    of_surface,
    read_apart,
    read_fixtures,
)
from pipeline.forecast.climatology import (
    monthly_climate,
)

LONDON = ZoneInfo("Europe/London")
HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
UTC = datetime.UTC


def ms(*moment, zone=UTC):
    return round(datetime.datetime(*moment, tzinfo=zone).timestamp() * 1000)


SPAN = {"start_ms": ms(2030, 1, 1), "end_ms": ms(2031, 1, 1)}


def calendar(*events, head=""):
    body = "".join(f"BEGIN:VEVENT\r\n{e}\r\nEND:VEVENT\r\n" for e in events)
    return f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\n{head}{body}END:VCALENDAR\r\n".encode()


def event(begin, *more, uid="1"):
    return "\r\n".join([f"UID:{uid}", "DTSTAMP:20300101T000000Z", "SUMMARY:First eleven", begin, *more])


def read(*events, head=""):
    return read_fixtures(calendar(*events, head=head), LONDON, **SPAN)


def faults_of(data):
    with pytest.raises(FixtureFault) as caught:
        read_fixtures(data, LONDON, **SPAN)
    return caught.value.faults


def test_times_are_put_into_utc():
    """13:00 in London in July is 12:00 UTC, in New York 17:00; a time without a zone is the site's (tz tables)."""
    found = read(
        event("DTSTART;TZID=Europe/London:20300706T130000", "DTEND;TZID=Europe/London:20300706T190000", uid="a"),
        event("DTSTART;TZID=America/New_York:20300707T130000", uid="b"),
        event("DTSTART:20300708T130000", "DTEND:20300708T140000", uid="c"),
        event("DTSTART:20300709T130000Z", "DURATION:PT2H", uid="d"),
    )
    starts = [ms(2030, 7, 6, 12), ms(2030, 7, 7, 17), ms(2030, 7, 8, 12), ms(2030, 7, 9, 13)]
    assert [f.start_ms for f in found] == starts
    assert [round((f.end_ms - f.start_ms) / HOUR_MS) for f in found] == [6, 3, 1, 2]


def test_weekly_match_keeps_its_local_hour_through_clock_changes():
    """14:00 local on Saturdays is 14:00 UTC before 31 March and 13:00 UTC after it (clocks of 2030)."""
    found = read(
        event("DTSTART;TZID=Europe/London:20300323T140000", "DTEND;TZID=Europe/London:20300323T170000",
              "RRULE:FREQ=WEEKLY;COUNT=3", "EXDATE;TZID=Europe/London:20300330T140000")
    )  # fmt: skip
    assert [f.start_ms for f in found] == [ms(2030, 3, 23, 14), ms(2030, 4, 6, 13)]


def test_moved_recurrence_stands_where_it_was_moved():
    """One Saturday moved to Sunday is found on Sunday only."""
    series = event("DTSTART:20300504T120000Z", "RRULE:FREQ=WEEKLY;COUNT=2")
    moved = event("DTSTART:20300512T120000Z", "RECURRENCE-ID:20300511T120000Z")
    assert [f.start_ms for f in read(series, moved)] == [ms(2030, 5, 4, 12), ms(2030, 5, 12, 12)]


def test_whole_days_run_from_local_midnight():
    """The clock-change Sunday of 31 March lasts 23 hours, that of 27 October 25."""
    found = read(event("DTSTART;VALUE=DATE:20300331", uid="a"), event("DTSTART;VALUE=DATE:20301027", uid="b"))
    assert [(f.end_ms - f.start_ms) / HOUR_MS for f in found] == [23, 25]
    assert found[0].start_ms == ms(2030, 3, 31) and found[0].all_day
    assert found[1].start_ms == ms(2030, 10, 26, 23)


def test_cancelled_fixtures_are_left_out():
    """A cancelled match is no match."""
    assert read(event("DTSTART:20300504T120000Z", "STATUS:CANCELLED")) == ()


def test_calendar_without_events_is_no_fault():
    """Out of season a calendar may be empty."""
    assert read() == ()


def test_own_zone_of_the_calendar_is_understood():
    """A zone the calendar itself explains, an hour east, is used."""
    zone = (
        "BEGIN:VTIMEZONE\r\nTZID:Club\r\nBEGIN:STANDARD\r\nDTSTART:19700101T000000\r\nTZOFFSETFROM:+0100\r\n"
        "TZOFFSETTO:+0100\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
    )
    assert read(event("DTSTART;TZID=Club:20300706T130000"), head=zone)[0].start_ms == ms(2030, 7, 6, 12)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "expected BEGIN:VCALENDAR"),
        (b"<html>Sign in</html>", "<html>Sign in"),
        (calendar(event("DTSTART:20300706T130000Z"))[:-30], "It seems cut off"),
        (b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nUID:1\r\nEND:VCALENDAR", "found no whole calendar"),
        (b"BEGIN:VCALENDAR\r\nnonsense line\r\nEND:VCALENDAR", "no calendar can be made of"),
        (calendar(event("DTSTART:20300706Txx")), "event 1 (First eleven): DTSTART: found what cannot be read"),
        (calendar(event("LOCATION:here")), "DTSTART: found none"),
        (calendar(event("DTSTART;TZID=Nowhere/None:20300706T130000")), "found the zone 'Nowhere/None'"),
        (calendar(event("DTSTART:20300706T130000Z", "DTEND:20300706T120000Z")), "expected a time not before"),
        (calendar(event("DTSTART:20300706T130000Z", "DTEND;VALUE=DATE:20300707")), "expected a time as DTSTART"),
        (calendar(event("DTSTART:20300706T130000Z", "RRULE:FREQ=SECONDLY")), "found secondly recurrence"),
        (calendar(event("DTSTART:20300706T130000Z", "RRULE:FREQ=SOMETIMES")), "RRULE: found what cannot be read"),
    ],
)
def test_broken_calendar_is_refused_whole_with_its_faults(data, said):
    """Each kind of damage is named, and nothing of the calendar is used."""
    found = faults_of(data)
    assert any(said in fault for fault in found), found


def test_every_fault_is_told_at_once():
    """Two broken events are two faults."""
    assert len(faults_of(calendar(event("DTSTART:x"), event("DTSTART:y", uid="2")))) == 2


def daily(count, rule="FREQ=DAILY", begin="20300101T130000Z"):
    return calendar(*(event(f"DTSTART:{begin}", f"RRULE:{rule}", uid=str(n)) for n in range(count)))


@pytest.mark.parametrize("count", [100, 5000])
def test_more_fixtures_than_anybody_plays_are_refused_by_name(count):
    """Events each day of the year: drawing out ends at the limit, and the one that recurs is named."""
    assert faults_of(daily(count)) == [
        f"fixtures: found more than {MAX_FIXTURES} fixtures, {MAX_FIXTURES + 1} of them 'First eleven', "
        "expected at most that"
    ]


def test_more_events_than_anybody_has_are_refused_by_name():
    """One more than the limit is one too many."""
    (fault,) = faults_of(daily(MAX_EVENTS + 1, "FREQ=YEARLY"))
    assert fault == f"fixtures: found {MAX_EVENTS + 1} events, expected at most {MAX_EVENTS}"


def test_recurrences_long_before_are_not_fixtures():
    """A weekly match since 1990 gives those of the span alone: 52 Tuesdays of 2030 (1 January is one), or 53."""
    begin = ms(2030, 1, 1, 13) - 40 * 52 * 7 * DAY_MS
    text = datetime.datetime.fromtimestamp(begin / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    found = read_fixtures(daily(1, "FREQ=WEEKLY", text), LONDON, **SPAN)
    assert len(found) == 53 and found[0].start_ms == ms(2030, 1, 1, 13)


def test_a_rule_that_nothing_fits_is_given_up_in_time_and_the_last_good_calendar_stays(tmp_path, monkeypatch):
    """A thirtieth of February each day is searched to the year 9999; the reading is ended, and told."""
    place = tmp_path / "club.ics"
    place.write_bytes(calendar(event("DTSTART:20300706T130000Z")))

    source = fixture_source(str(place), tmp_path / "kept", timezone=LONDON, clock=StandingClock())
    good = source.refresh()
    assert len(good.value) == 1
    place.write_bytes(daily(50, "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30"))
    monkeypatch.setattr(fixtures, "CALENDAR_WITHIN_S", 2.0)
    found = source.refresh()
    assert found.value == good.value
    assert found.faults == ("fixtures: found it not read within 2 s, expected fewer recurring events or simpler rules",)


def test_read_apart_gives_the_same():
    """From a process of its own come the same fixtures and the same faults."""
    good = daily(3, "FREQ=WEEKLY;COUNT=4")
    for data in (good, b"<html>Sign in</html>"):
        told = []
        for reading in (read_fixtures, partial(read_apart, name="fixtures")):
            try:
                told.append(reading(data, LONDON, **SPAN))
            except FixtureFault as err:
                told.append(err.faults)
        assert told[0] == told[1] and told[0]


def play(title, start_ms, place=""):
    return Fixture(title, title, place, start_ms, start_ms + 3 * HOUR_MS)


def test_fixture_goes_to_the_surface_it_names():
    """A match that names the green is not the square's; one that names none is everybody's."""
    words = {"square": ("cricket", "square"), "green": ("bowls",)}
    both = [play("Cricket v the village", 1), play("Bowls final", 2), play("Fete", 3), play("Cup", 4, "The Square")]
    assert [f.title for f in of_surface(both, "square", words)] == ["Cricket v the village", "Fete", "Cup"]
    assert [f.title for f in of_surface(both, "green", words)] == ["Bowls final", "Fete"]


ENTRIES = (
    FeedEntry("window-scarify-1@site", "Window: scarify to 8 mm, lift P2; first", start_ms=ms(2030, 9, 3, 8),
              end_ms=ms(2030, 9, 4, 11), description="Rain Thursday.\nLift probes 2 and 3 first."),
    FeedEntry("last-good-scarify@site", "Last good date: scarifying", on_date=datetime.date(2030, 9, 12)),
)  # fmt: skip


def test_feed_reads_the_same_in_two_other_libraries():
    """Titles, times and dates come back from ics and vobject as they were put in."""
    text = build_feed(ENTRIES, title="Ground", now_ms=ms(2030, 9, 1)).decode()
    one = {e.uid: e for e in ics.Calendar(text).events}
    other = {e.uid.value: e for e in vobject.readOne(text).vevent_list}
    for entry in ENTRIES:
        assert one[entry.uid].name == entry.title == other[entry.uid].summary.value
    window = one["window-scarify-1@site"]
    assert window.begin.datetime == datetime.datetime(2030, 9, 3, 8, tzinfo=UTC)
    assert other["window-scarify-1@site"].dtend.value == datetime.datetime(2030, 9, 4, 11, tzinfo=UTC)
    assert window.description == ENTRIES[0].description
    assert one["last-good-scarify@site"].all_day
    assert other["last-good-scarify@site"].dtstart.value == datetime.date(2030, 9, 12)


def test_feed_keeps_to_its_form():
    """Lines end in CR LF within 75 bytes (RFC 5545, section 3.1), and the same entries give the same bytes."""
    long = FeedEntry("x", "Wärme " * 40, on_date=datetime.date(2030, 1, 1))
    data = build_feed((long, *ENTRIES), title="Ground", now_ms=ms(2030, 9, 1))
    assert data.endswith(b"\r\n")
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))
    assert b"\n" not in data.replace(b"\r\n", b"")
    assert build_feed((*ENTRIES, long), title="Ground", now_ms=ms(2030, 9, 1)) == data


def test_feed_entry_is_a_span_or_a_date():
    """Neither, both, or an end before the start is a mistake of the caller."""
    for wrong in ({}, {"start_ms": 1}, {"start_ms": 1, "end_ms": 2, "on_date": datetime.date(2030, 1, 1)},
                  {"start_ms": 2, "end_ms": 2}):  # fmt: skip
        with pytest.raises(ValueError, match="feed entry x"):
            FeedEntry("x", "Window", **wrong)


def test_fixture_moved_by_a_day_moves_the_last_good_date():
    """In June, with growth much the same from day to day, the last date for a pass moves with the match."""
    growth = growth_ahead(datetime.date(2030, 6, 1), [], monthly_climate([16.0] * 12), "cool", days=120)
    found = []
    for day in ("06", "07"):
        match = read(event(f"DTSTART;TZID=Europe/London:203007{day}T130000"))[0]
        needed = datetime.datetime.fromtimestamp(match.start_ms / 1000, LONDON).date()
        good = last_good_date(growth, (4.0, 6.0), needed, from_day=datetime.date(2030, 6, 2), lead_days=3.0)
        found.append(build_feed([FeedEntry("g", "Last good date", on_date=good.safe)], title="G", now_ms=0))
    dates = [vobject.readOne(f.decode()).vevent.dtstart.value for f in found]
    assert dates[1] - dates[0] == datetime.timedelta(days=1)


class StandingClock:
    """A clock that stands at one time."""

    def now_ms(self):
        return ms(2030, 6, 1)

    def monotonic(self):
        return 0.0

    def wait(self, seconds, stop):
        return False


def test_broken_file_leaves_the_last_good_one_and_names_the_fault(tmp_path):
    """A good calendar, then a sign-in page in its place: the fixtures stay, across a restart too, with the fault."""
    place = tmp_path / "club.ics"
    place.write_bytes(calendar(event("DTSTART:20300706T130000Z")))

    def source():
        return fixture_source(str(place), tmp_path / "kept", timezone=LONDON, clock=StandingClock())

    good = source().refresh()
    assert (len(good.value), good.faults) == (1, ())
    place.write_bytes(b"<html>Sign in</html>")
    kept = source().refresh()
    assert kept.value == good.value
    assert kept.taken_ms == ms(2030, 6, 1)
    assert "expected BEGIN:VCALENDAR" in kept.faults[0]
