"""Calendars (iCalendar, RFC 5545): fixtures read from one, windows and last good dates written as one.

Recurring fixtures are expanded, cancelled ones left out, times converted to UTC by the zone the calendar names; a time
without a zone is the site's own. A file with any fault is refused whole, with every fault named, and the last good one
stays in use. The functions here are pure but `fixture_source`, which fetches, and has the calendar read in a process of
its own: a rule of recurrence that nothing fits is searched to the end of time, and only a process can be ended then.
"""

from __future__ import annotations

import datetime
import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events  # type: ignore[import-untyped]

from pipeline.diary.facts import PLAY_LENGTH_H
from pipeline.run import child
from pipeline.run.cached_fetch import ContentFault, KeptSource
from pipeline.run.clock import Clock
from pipeline.units import DAY_MS, HOUR_MS

CALENDAR_NAME = "fixtures"
AHEAD_DAYS, BEHIND_DAYS = 550, 60  # how far a calendar is drawn out
MAX_EVENTS = 5000
MAX_FIXTURES = 5000
CALENDAR_WITHIN_S = 20.0  # here 5000 events take two; a small box is five times slower
MAX_TITLE = 200
TOO_OFTEN = ("SECONDLY", "MINUTELY", "HOURLY")  # no fixture recurs so; drawn out they would not end


class FixtureFault(ContentFault):
    """A calendar that cannot be used."""


@dataclass(frozen=True, slots=True)
class Fixture:
    """One time of play.

    Attributes
    ----------
    uid : str
        Of the calendar's event; recurrences share it.
    title, place : str
        As the calendar says; `place` is its location and categories.
    start_ms, end_ms : int
        Whole days from local midnight to midnight. [ms since 1970, UTC]
    all_day : bool
    """

    uid: str
    title: str
    place: str
    start_ms: int
    end_ms: int
    all_day: bool = False


def read_fixtures(
    data: bytes, timezone: ZoneInfo, *, start_ms: int, end_ms: int, name: str = CALENDAR_NAME
) -> tuple[Fixture, ...]:
    """Return the fixtures of a calendar between two moments.

    Parameters
    ----------
    data : bytes
        iCalendar text.
    timezone : ZoneInfo
        Of the site.
    start_ms, end_ms : int
        Fixtures that overlap this span are given. [ms since 1970, UTC]
    name : str
        For the faults.

    Returns
    -------
    tuple of Fixture
        In order of time.

    Raises
    ------
    FixtureFault
        With every fault.
    """
    calendars, faults = _calendars(data, name)
    events = [event for calendar in calendars for event in calendar.walk("VEVENT")]
    if len(events) > MAX_EVENTS:
        faults.append(f"{name}: found {len(events)} events, expected at most {MAX_EVENTS}")
    for number, event in enumerate(events[:MAX_EVENTS], start=1):
        faults += _event_faults(event, f"{name}: event {number}")
    if faults:
        raise FixtureFault(faults)
    span = [datetime.datetime.fromtimestamp(t / 1000.0, timezone) for t in (start_ms, end_ms)]
    found, often = list[Fixture](), Counter[str]()
    for event in _occurrences(calendars, span, name):
        often[str(event.get("SUMMARY", ""))[:60]] += 1
        if often.total() > MAX_FIXTURES:
            ((title, count),) = often.most_common(1)
            said = f"found more than {MAX_FIXTURES} fixtures, {count} of them {title!r}, expected at most that"
            raise FixtureFault([f"{name}: {said}"])
        if str(event.get("STATUS", "")).upper() != "CANCELLED":
            found.append(_fixture(event, timezone))
    return tuple(sorted(found, key=lambda f: (f.start_ms, f.end_ms, f.uid)))


def _occurrences(
    calendars: Sequence[icalendar.Calendar], span: Sequence[datetime.datetime], name: str
) -> Iterator[icalendar.Component]:
    """Yield what overlaps a span, one after the other: who has had enough can stop."""
    try:
        for calendar in calendars:
            for series in recurring_ical_events.of(calendar).series:
                for occurrence in series.between(*span):
                    yield occurrence.as_component(False)
    except (ValueError, TypeError, OverflowError, recurring_ical_events.InvalidCalendar) as err:
        raise FixtureFault([f"{name}: found recurrences that cannot be drawn out ({err})"]) from err


def _calendars(data: bytes, name: str) -> tuple[list[icalendar.Calendar], list[str]]:
    text = data.strip().removeprefix(b"\xef\xbb\xbf").lstrip()
    if not text.upper().startswith(b"BEGIN:VCALENDAR"):
        return [], [
            f"{name}: found {text[:30]!r} at its begin, expected BEGIN:VCALENDAR. Is it the calendar's address?"
        ]
    if not text.upper().endswith(b"END:VCALENDAR"):
        return [], [f"{name}: found {text[-30:]!r} at its end, expected END:VCALENDAR. It seems cut off"]
    try:
        found = icalendar.Calendar.from_ical(text, multiple=True)
    except (ValueError, IndexError, KeyError, TypeError) as err:
        return [], [f"{name}: found what no calendar can be made of ({err})"]
    if not found:
        return [], [f"{name}: found no whole calendar, expected each BEGIN to have its END"]
    return list(found), []


def _event_faults(event: icalendar.Component, where: str) -> list[str]:
    title = str(event.get("SUMMARY", ""))[:60]
    where = f"{where} ({title})" if title else where
    faults = [f"{where}: {key}: found what cannot be read ({said})" for key, said in event.errors]
    if faults:
        return faults  # reading a broken property again would raise
    begin = _when(event, "DTSTART", where, faults)
    end = _when(event, "DTEND", where, faults)
    if "DTSTART" not in event:
        faults.append(f"{where}: DTSTART: found none, expected a time or a date")
    if begin is not None and end is not None:
        if isinstance(begin, datetime.datetime) != isinstance(end, datetime.datetime):
            faults.append(f"{where}: DTEND: found {end}, expected {'a time' if _timed(begin) else 'a date'} as DTSTART")
        elif _comparable(begin) and _comparable(end) and end < begin:
            faults.append(f"{where}: DTEND: found {end}, expected a time not before DTSTART {begin}")
    rules = event.get("RRULE")
    for rule in rules if isinstance(rules, list) else [rules]:
        often = [str(f).upper() for f in (rule or {}).get("FREQ", [])]
        if any(f in TOO_OFTEN for f in often):
            faults.append(f"{where}: RRULE: found {often[0].lower()} recurrence, expected daily or less often")
    return faults


def _timed(value: datetime.date) -> bool:
    return isinstance(value, datetime.datetime)


def _comparable(value: datetime.date) -> bool:
    return not isinstance(value, datetime.datetime) or value.tzinfo is not None


def _when(event: icalendar.Component, key: str, where: str, faults: list[str]) -> datetime.date | None:
    """Return the date or time of a property; an unknown zone is a fault, for the time would be hours wrong."""
    entry = event.get(key)
    value = getattr(entry, "dt", None)
    if entry is None:
        return None
    if not isinstance(value, datetime.date):
        faults.append(f"{where}: {key}: found {str(entry)[:40]!r}, expected a time or a date")
        return None
    zone = getattr(entry, "params", {}).get("TZID")
    if zone and isinstance(value, datetime.datetime) and value.tzinfo is None:
        faults.append(f"{where}: {key}: found the zone {zone!r}, which neither the calendar nor the tables explain")
    return value


def _fixture(event: icalendar.Component, timezone: ZoneInfo) -> Fixture:
    begin: datetime.date = getattr(event["DTSTART"], "dt", datetime.date.min)
    end: datetime.date | None = getattr(event.get("DTEND"), "dt", None)
    all_day = not _timed(begin)
    start_ms = _moment_ms(begin, timezone)
    end_ms = start_ms if end is None else _moment_ms(end, timezone)
    if end_ms <= start_ms:
        whole = begin + datetime.timedelta(days=1) if all_day else None
        end_ms = start_ms + round(PLAY_LENGTH_H * HOUR_MS) if whole is None else _moment_ms(whole, timezone)
    categories = event.get("CATEGORIES")
    named = categories.to_ical().decode("utf-8", "replace") if hasattr(categories, "to_ical") else ""
    place = " ".join(t for t in (str(event.get("LOCATION", "")), named) if t)
    return Fixture(str(event.get("UID", "")), str(event.get("SUMMARY", "play"))[:MAX_TITLE], place[:MAX_TITLE],
                   start_ms, end_ms, all_day)  # fmt: skip


def _moment_ms(value: datetime.date, timezone: ZoneInfo) -> int:
    if not isinstance(value, datetime.datetime):
        value = datetime.datetime(value.year, value.month, value.day)
    if value.tzinfo is None:
        value = value.replace(tzinfo=timezone)
    return round(value.timestamp() * 1000)


def of_surface(fixtures: Sequence[Fixture], surface: str, words: Mapping[str, Sequence[str]]) -> tuple[Fixture, ...]:
    """Return the fixtures that concern a surface.

    Parameters
    ----------
    fixtures : sequence of Fixture
    surface : str
    words : mapping of surface to words
        A fixture whose title or place has one of a surface's words concerns it. One that has no word of any surface
        concerns them all: play where nobody expected it costs more than a day kept free.
    """

    def says(fixture: Fixture, name: str) -> bool:
        text = f"{fixture.title} {fixture.place}".casefold()
        return any(word.casefold() in text for word in words.get(name, ()))

    return tuple(f for f in fixtures if says(f, surface) or not any(says(f, name) for name in words))


@dataclass(frozen=True, slots=True)
class FeedEntry:
    """One entry of the published calendar: a window from one moment to another, or a date such as a last good one.

    `uid` stays the same when the entry moves; `url` is where more is to be read, or empty. [ms since 1970, UTC]
    """

    uid: str
    title: str
    start_ms: int | None = None
    end_ms: int | None = None
    on_date: datetime.date | None = None
    description: str = ""
    url: str = ""

    def __post_init__(self) -> None:
        timed = self.start_ms is not None and self.end_ms is not None
        if timed == (self.on_date is not None):
            raise ValueError(
                f"feed entry {self.uid}: found times {timed} and date {self.on_date}, expected one of both"
            )
        if timed and self.end_ms <= self.start_ms:  # type: ignore[operator]
            raise ValueError(f"feed entry {self.uid}: found its end not after its start, expected it after")


def build_feed(entries: Sequence[FeedEntry], *, title: str, now_ms: int) -> bytes:
    """Return a calendar of windows and last good dates.

    Parameters
    ----------
    entries : sequence of FeedEntry
    title : str
        Of the calendar.
    now_ms : int
        [ms since 1970, UTC]

    Returns
    -------
    bytes
        iCalendar text (RFC 5545), UTF-8; entries take no time in a diary (transparent). In order of time, so that the
        same entries give the same bytes.
    """
    calendar = icalendar.Calendar()
    calendar.add("PRODID", "-//underturf//advice//EN")
    calendar.add("VERSION", "2.0")
    calendar.add("X-WR-CALNAME", title)
    for entry in sorted(entries, key=lambda e: (e.start_ms or 0, e.on_date or datetime.date.min, e.uid)):
        event = icalendar.Event()
        event.add("UID", entry.uid)
        event.add("DTSTAMP", _utc(now_ms))
        event.add("SUMMARY", entry.title)
        if entry.description:
            event.add("DESCRIPTION", entry.description)
        if entry.url:
            event.add("URL", entry.url)
        if entry.on_date is not None:
            event.add("DTSTART", entry.on_date)
            event.add("DTEND", entry.on_date + datetime.timedelta(days=1))
        elif entry.start_ms is not None and entry.end_ms is not None:
            event.add("DTSTART", _utc(entry.start_ms))
            event.add("DTEND", _utc(entry.end_ms))
        event.add("TRANSP", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _utc(at_ms: int) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(at_ms // 1000, datetime.UTC)


def fixture_source(
    location: str,
    folder: Path,
    *,
    timezone: ZoneInfo,
    clock: Clock,
    name: str = CALENDAR_NAME,
    redirect_hosts: Collection[str] = (),
) -> KeptSource[tuple[Fixture, ...]]:
    """Return the source of fixtures in a file or at an address, with the last good calendar kept.

    Parameters
    ----------
    location : str
        Path or address.
    folder : Path
        Where the last good one is kept.
    timezone : ZoneInfo
        Of the site.
    clock : Clock
    name : str
        A slug; several calendars need several names.
    redirect_hosts : collection of str
        Hosts beside its own that the address may refer to.
    """

    def reader(data: bytes) -> tuple[Fixture, ...]:
        now_ms = clock.now_ms()
        return read_apart(
            data, timezone, start_ms=now_ms - BEHIND_DAYS * DAY_MS, end_ms=now_ms + AHEAD_DAYS * DAY_MS, name=name
        )

    return KeptSource(name, location, folder, reader=reader, clock=clock, redirect_hosts=redirect_hosts)


def read_apart(data: bytes, timezone: ZoneInfo, *, start_ms: int, end_ms: int, name: str) -> tuple[Fixture, ...]:
    """Return what `read_fixtures` returns, from a process that is ended when it takes longer than `CALENDAR_WITHIN_S`.

    Raises
    ------
    FixtureFault
        With every fault.
    """
    asked = {"timezone": timezone.key, "start_ms": start_ms, "end_ms": end_ms, "name": name}
    reader = [sys.executable, "-P", "-m", __name__]  # -P: nothing is imported from the folder we run in
    try:
        done = subprocess.run(
            [sys.executable, child.__file__, str(os.getpid()), *reader],
            input=json.dumps(asked).encode() + b"\n" + data, stdout=subprocess.PIPE, check=True,
            timeout=CALENDAR_WITHIN_S,
        )  # fmt: skip
    except subprocess.TimeoutExpired as err:
        said = f"found it not read within {CALENDAR_WITHIN_S:g} s, expected fewer recurring events or simpler rules"
        raise FixtureFault([f"{name}: {said}"]) from err
    except (subprocess.CalledProcessError, OSError) as err:
        raise FixtureFault([f"{name}: found that it cannot be read ({err})"]) from err
    told = json.loads(done.stdout)
    if told["faults"]:
        raise FixtureFault(told["faults"])
    return tuple(Fixture(**one) for one in told["fixtures"])


def main() -> None:
    """Read what `read_apart` asks from standard input, and write the answer to standard output, as JSON."""
    head, _, data = sys.stdin.buffer.read().partition(b"\n")
    asked = json.loads(head)
    told: dict[str, list[object]] = {"faults": [], "fixtures": []}
    try:
        found = read_fixtures(data, ZoneInfo(asked.pop("timezone")), **asked)
        told["fixtures"] = [asdict(one) for one in found]
    except FixtureFault as err:
        told["faults"] = [*err.faults]
    sys.stdout.write(json.dumps(told))


if __name__ == "__main__":
    main()
