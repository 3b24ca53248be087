"""What diary, calendar and settings say of a surface, and when a pass must have healed, of readings in a real store.

Expected values come from that algebra, from FAO-56 and Magnus tables, from the growth curve's closed form, or from the
trade's table, and each says which. A growing day's expectation over a normal spread s about T is
v / sqrt(v^2 + s^2) exp(-(T - To)^2 / 2 (v^2 + s^2)), with To 20 and v 5.5 for cool-season grass.
"""

import datetime
import math

import pytest

from pipeline.advice import advisor
from tests.pipeline.advice.told_site import (
    CLOSED,
    GROWTH_AT_15,
    MONTHS_OF_15,
    OPEN,
    WAIT,
    calendar,
    noon_ms,
    read_fixtures,
    read_forecast,
)
from tests.pipeline.kept_site import (
    CLIMATE,
    DAY_MS,
    HOUR_MS,
    NOW_MS,
    SITE,
    SURFACE,
    forecast_csv,
    pass_of,
    station,
    steady,
    surface_of,
)

# --- plans --------------------------------------------------------------------------------------------------------


def test_last_good_date_is_so_many_growing_days_before_play(even):
    """16 growth-days (12 to 20) at 0.646 a day are 24.8: the pass and 25 days of growth before play on 1 July."""
    told = pass_of(even.advice(fixtures=calendar(noon_ms(2024, 7, 1))), "scarifying")
    assert told.for_play and told.needed_on == datetime.date(2024, 7, 1)
    days = math.ceil(16.0 / GROWTH_AT_15)
    assert days == 25
    assert told.last_good.likely == datetime.date(2024, 6, 30) - datetime.timedelta(days=days)
    assert told.last_good.safe < told.last_good.likely
    assert told.last_good_line.startswith("Green: to heal before play on 1 Jul, do the scarifying by ")


def test_brushing_may_be_done_on_the_eve_of_play(even):
    """Light raking heals within a growth-day (the table): it has no last good day, as scarifying has."""
    told = even.advice(fixtures=calendar(noon_ms(2024, 7, 1)))
    assert pass_of(told, "scarifying").last_good is not None
    assert pass_of(told, "light_raking").last_good is None


@pytest.mark.parametrize("moved_days", [-1, 2])
def test_a_fixture_moved_moves_the_last_good_date_with_it(even, moved_days):
    """With the same growth each day a fixture moved by a day moves the last good date by a day, both ways."""
    day = datetime.timedelta(days=moved_days)
    before, after = (
        pass_of(even.advice(fixtures=calendar(t)), "scarifying").last_good
        for t in (noon_ms(2024, 7, 10), noon_ms(2024, 7, 10) + moved_days * DAY_MS)
    )
    assert (after.likely - before.likely, after.safe - before.safe) == (day, day)


def test_fixture_of_the_calendar_file_moves_it_too(even):
    """The same through the iCalendar file as the server reads it, and in the line a groundsman reads."""
    path = even.config.data.dir / "fixtures.ics"
    text = (
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//x//EN\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20240101T000000Z\r\n"
    )
    text += "SUMMARY:match on the green\r\nDTSTART:202407{day}T120000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    dates, lines = [], []
    for day in ("10", "11"):
        path.write_bytes(text.format(day=day).encode())
        kept = read_fixtures(even, path)
        told = pass_of(even.advice(fixtures=kept), "scarifying")
        dates.append(told.last_good.likely)
        lines.append(told.last_good_line)
    assert dates[1] - dates[0] == datetime.timedelta(days=1)
    assert "play on 10 Jul" in lines[0] and "play on 11 Jul" in lines[1]


def test_without_play_it_must_heal_before_growth_ends(fair):
    """No fixture: the end of growth stands for it, and the line says so."""
    told = pass_of(fair.advice(), "scarifying")
    assert not told.for_play and told.needed_on is not None and told.needed_on.month in (11, 12)
    assert "before growth ends about" in told.last_good_line


def test_safe_date_is_asked_of_the_early_end_of_growth_alone(fair, monkeypatch):
    """Were growth of cold weeks to end on 1 September, the safe date would lie before it, and the likely one would
    stay; before play neither is moved by it."""
    usual = pass_of(fair.advice(), "slitting").last_good
    before_play = pass_of(fair.advice(fixtures=calendar(noon_ms(2024, 10, 1))), "slitting").last_good
    early = datetime.date(2024, 9, 1)
    monkeypatch.setattr(advisor, "early_end_of_growth", lambda *_: early)
    found = pass_of(fair.advice(), "slitting").last_good
    assert found.likely == usual.likely > early > found.safe
    assert usual.safe > early
    assert pass_of(fair.advice(fixtures=calendar(noon_ms(2024, 10, 1))), "slitting").last_good == before_play


def test_play_closes_the_days_before_it(fair):
    """Verticutting wants 3 growth-days and 3 days before play: 4.5 days at 0.55 are 2.5 and wait, one day closes."""
    by_days = {4.5: WAIT, 1.0: CLOSED, 8.0: OPEN}
    for days, verdict in by_days.items():
        told = pass_of(fair.advice(fixtures=calendar(NOW_MS + round(days * DAY_MS))), "verticutting")
        assert told.outlook.windows[0].verdict is verdict, days
    on = pass_of(fair.advice(fixtures=calendar(NOW_MS - 2 * HOUR_MS)), "verticutting")
    assert on.outlook.windows[0].verdict is CLOSED


def test_play_of_the_diary_counts_like_the_calendars(brief):
    """A fixture written down closes the day before it, and is told among the play to come."""
    brief.write("fixture", NOW_MS + DAY_MS, {"title": "club cup"})
    advice = brief.advice()
    assert pass_of(advice, "verticutting").outlook.windows[0].verdict is CLOSED
    assert [(p.title, p.start_ms) for p in surface_of(advice).play] == [("club cup", NOW_MS + DAY_MS)]


def test_job_of_the_diary_sets_the_interval(brief):
    """Verticut four days ago: within 7 days closes; another kind of pass is not touched."""
    brief.write("pass", NOW_MS - 4 * DAY_MS, {"pass": "verticutting", "state": "done"})
    advice = brief.advice()
    now = pass_of(advice, "verticutting").outlook.windows[0]
    assert (now.verdict, now.reason) == (CLOSED, "too soon after the last")
    assert pass_of(advice, "light_raking").outlook.windows[0].verdict is OPEN


@pytest.mark.parametrize(("kind", "locked"), [("square", True), ("green", False), ("lawn", False)])
def test_a_square_of_whose_play_nothing_is_known_is_in_season_from_april_to_september(fair, kind, locked):
    """NOW is in May: a square counts as in use till 30 September and asks for its play, a lawn asks for nothing (common
    practice, no source); one fixture, of whatever day, is a calendar."""
    surface = SURFACE.replace('"green"', f'"{kind}"').replace("Green", kind.title())
    site = fair.told(SITE, CLIMATE, surface, station())
    advice = site.advice()
    shut = pass_of(advice, "solid_tining", site.config.surfaces[0].name).outlook.windows[0]
    assert (shut.reason == "square in season") == locked
    asked = [note for note in advice.notes if "no play is known" in note]
    assert [("April to September" in note) for note in asked] == ([locked] if kind != "lawn" else [])
    october = site.advice(fixtures=calendar(noon_ms(2024, 10, 3)))
    assert not any("no play is known" in note for note in october.notes)
    found = pass_of(october, "solid_tining", site.config.surfaces[0].name).outlook
    assert found.windows[0].reason != "square in season"
    assert noon_ms(2025, 4, 1, 0) in [season.start_ms for season in found.ground.usual_seasons]  # behind its fixtures


def test_square_in_season_is_locked_and_opens_after(fair):
    """Solid tining on a square is closed from play_from to play_until (Grounds Management Association)."""
    square = SURFACE.replace("green", "square").replace("Green", "Square")
    site = fair.told(SITE, CLIMATE, square + 'play_from = "04-20"\nplay_until = "05-15"\n', station())
    windows = pass_of(site.advice(), "solid_tining", "square").outlook.windows
    after = noon_ms(2024, 5, 16, 0)
    locked = {w.span.start_ms < after for w in windows if w.reason == "square in season"}
    assert locked == {True} and windows[0].verdict is CLOSED
    assert all(w.reason == "square in season" for w in windows if w.span.start_ms < after)


def test_healed_mark_teaches_the_ground(build):
    """Verticutting healed after 6 days at 0.6615 against the table's 3 growth-days; one mark counts half (its root)."""
    site = build(SITE, MONTHS_OF_15, SURFACE, station())
    site.keep(steady(), 24 * 9)
    midnight = NOW_MS // DAY_MS * DAY_MS
    cut = site.write("pass", midnight - 7 * DAY_MS, {"pass": "verticutting", "state": "done"})
    site.write("healed", midnight - DAY_MS, {"entry": cut, "pass": "verticutting"})
    told = pass_of(site.advice(fixtures=calendar(noon_ms(2024, 7, 1))), "scarifying")
    factor = math.sqrt(6.0 * math.exp(-0.5 * (5.0 / 5.5) ** 2) / 3.0)
    days = math.ceil(16.0 * factor / GROWTH_AT_15)
    assert days == 29
    assert told.last_good.likely == datetime.date(2024, 6, 30) - datetime.timedelta(days=days)


def test_override_of_the_diary_opens_with_its_reason(build):
    """A person's word opens what thatch closed, for its span, and the line says whose and against what."""
    site = build()
    site.keep(steady(thatch=1.05), 24 * 9)
    site.write(
        "override", NOW_MS - HOUR_MS, {"pass": "verticutting", "reason": "dry by the knife"}, end_ms=NOW_MS + DAY_MS
    )
    line = pass_of(site.advice(), "verticutting").line
    assert "is open on the word of R. Fenn (dry by the knife), against: thatch too wet" in line


def test_root_depth_needs_a_core_to_be_told(fair):
    """Heavy passes ask for roots; without a ruler's word the advice asks to look, and says no depth."""
    told = pass_of(fair.advice(), "scarifying")
    assert told.outlook.ground.root_depth_m is None


# --- locks of the diary and of the settings -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "days_ago", "lasts_days", "closes", "reason"),
    [
        ("sown", 21, None, "scarifying", "seedlings younger than 8 weeks"),
        ("regulator", 3, 20, "overseeding", "growth regulator still works"),
        ("pre_emergence", 3, 20, "overseeding", "pre-emergence herbicide still works"),
    ],
)
def test_diary_locks_what_it_would_harm(brief, kind, days_ago, lasts_days, closes, reason):
    """Seed, a regulator and a herbicide close what the trade's table of locks says, and nothing that it does not."""
    at_ms = NOW_MS - days_ago * DAY_MS
    brief.write(kind, at_ms, end_ms=None if lasts_days is None else at_ms + lasts_days * DAY_MS)
    advice = brief.advice()
    now = pass_of(advice, closes).outlook.windows[0]
    assert (now.verdict, now.reason) == (CLOSED, reason)
    assert pass_of(advice, "light_raking").outlook.windows[0].verdict is OPEN


def test_renovation_only_warns_of_growth_and_looks_to_the_next_season(fair):
    """A closed and sown surface may be scarified though 22 days at 0.6 or 0.66 give fewer than 16 growth-days.

    It must be healed by the begin of the next season of play, and the warning says to go shallower and sow more.
    """
    kept = 'play_from = "06-04"\nplay_until = "04-20"\nrenovation_until = "06-01"\n'
    site = fair.told(SITE, CLIMATE, SURFACE + kept, station())
    csv = forecast_csv(NOW_MS, {"rain_mm": [0.0] * 240, "temperature_degc": [15.0] * 240})
    told = pass_of(site.advice(forecast=read_forecast(csv, site)), "scarifying")
    now = told.outlook.windows[0]
    assert now.verdict is OPEN and "go shallower and sow more" in now.warnings
    assert any("not enough growth before play to heal" in w for w in now.warnings)
    assert (told.needed_on, told.for_play) == (datetime.date(2024, 6, 4), True)


@pytest.mark.parametrize(("renovated", "needed_on"), [(True, datetime.date(2025, 4, 1)), (False, None)])
def test_renovation_need_not_heal_before_winter(fair, renovated, needed_on):
    """With the next play in April, growth ends first: it must be healed by then, but for a surface under renovation."""
    kept = 'play_from = "04-01"\nplay_until = "04-20"\n' + ('renovation_until = "06-01"\n' if renovated else "")
    site = fair.told(SITE, CLIMATE, SURFACE + kept, station())
    told = pass_of(site.advice(), "scarifying")
    assert told.for_play is renovated
    assert told.needed_on == needed_on if renovated else told.needed_on.year == 2024


def test_restricted_water_makes_seed_wait(fair):
    """While watering is restricted, a pass that needs water waits."""
    site = fair.told(SITE, CLIMATE, "[water]\nrestricted = true\n", SURFACE, station())
    told = pass_of(site.advice(), "overseeding").outlook
    assert told.ground.hosepipe_limit
    assert told.windows[0].verdict is not OPEN


@pytest.mark.parametrize(
    ("title", "at_m", "dried"),
    [("Cup", (4.5, 2.0), True), ("Cup, strip 4", (4.5, 2.0), False), ("Cup, strips 6 to 8", (4.5, 2.0), True),
     ("Cup, strip 4", None, True), ("Cup, strip 40", (4.5, 2.0), True)],
)  # fmt: skip
def test_only_the_strip_of_a_match_is_dried_for_it(fair, title, at_m, dried):
    """Ten strips of 3 m from -15 m on: 4.5 m across is strip 7. A match that names no strip, or a station whose place
    is not known, keeps the station dry for five days before play (common practice, no source); so does a strip that
    the square does not have."""
    square = SURFACE.replace("green", "square").replace("Green", "Square")
    square += "outline_m = [[-15, -11], [15, -11], [15, 11], [-15, 11]]\nstrips = 10\n"
    here = station() if at_m is None else station().replace('soil = "loam"', f'soil = "loam"\nat_m = {list(at_m)}')
    site = fair.told(SITE, CLIMATE, square, here)
    one = surface_of(site.advice(fixtures=calendar(NOW_MS + 3 * DAY_MS, title=title)), "square").stations[0]
    assert (one.strip, one.evening.dried_for_play) == (None if at_m is None else 7, dried)
