"""What is advised of readings in a real store: made-up turf whose truth is algebra, sent through the real stages.

Expected values come from that algebra, from FAO-56 and Magnus tables, from the growth curve's closed form, or from the
trade's table, and each says which. A growing day's expectation over a normal spread s about T is
v / sqrt(v^2 + s^2) exp(-(T - To)^2 / 2 (v^2 + s^2)), with To 20 and v 5.5 for cool-season grass.
"""

import datetime
import math
import warnings
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from pipeline.advice.locks import Verdict
from pipeline.advisor.hours import hours_of
from pipeline.advisor.inputs import surface_views, watched
from pipeline.fixtures import Fixture, fixture_source
from pipeline.kept_source import Kept
from pipeline.station import FINDING_COLUMNS
from pipeline.weather_source import weather_source
from tests.pipeline.hand import HandClock
from tests.pipeline.kept_site import (
    CLIMATE,
    DAY_MS,
    HOUR_MS,
    NOW_MS,
    SITE,
    SURFACE,
    drying,
    forecast_csv,
    pass_of,
    readings,
    sites,
    station,
    steady,
    surface_of,
    view_of,
    wet,
)

OPEN, WAIT, CLOSED, UNKNOWN = Verdict
MONTHS_OF_15 = """
[climate]
rain_mm = [60, 45, 45, 45, 50, 50, 50, 60, 55, 70, 65, 65]
wet_days = [12, 10, 10, 10, 9, 9, 8, 9, 9, 11, 12, 12]
highest_degc = [15, 15, 15, 15, 15, 15, 15, 15, 15, 15, 15, 15]
lowest_degc = [15, 15, 15, 15, 15, 15, 15, 15, 15, 15, 15, 15]
"""
CORE = "[[surface.station.core]]\ndate = 2024-01-10\nthatch_mm = 20.0\n"
GROWTH_AT_15 = 5.5 / math.sqrt(5.5**2 + 2.5**2) * math.exp(-(5.0**2) / (2.0 * (5.5**2 + 2.5**2)))  # 0.646


@pytest.fixture
def build(tmp_path):
    warnings.simplefilter("error", RuntimeWarning)
    with sites(tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def fair(tmp_path_factory):
    """Twenty fair days without a change: thatch 0.5, root zone 0.8, soil 14, air 15, leaf 13 degC. To be read."""
    with sites(tmp_path_factory.mktemp("fair")) as made:
        site = made()
        site.keep(steady(), 24 * 20)
        yield site


@pytest.fixture(scope="module")
def dry(tmp_path_factory):
    """Nine days of roots at 0.3 under thatch at 0.5: too few for a balance to be fitted. To be read."""
    with sites(tmp_path_factory.mktemp("dry")) as made:
        site = made()
        site.keep(steady(thatch=0.5, roots=0.3), 24 * 9)
        yield site


@pytest.fixture
def brief(build):
    """Nine such days: too few for a balance to be fitted, enough to judge the hour. To be written into."""
    site = build()
    site.keep(steady(), 24 * 9)
    return site


def fixture(title: str, start_ms: int, hours: float = 6.0) -> Fixture:
    return Fixture(title, title, "", start_ms, start_ms + round(hours * HOUR_MS))


def calendar(*starts_ms: int) -> Kept:
    return Kept(tuple(fixture("match", t) for t in starts_ms), NOW_MS)


def noon_ms(year: int, month: int, day: int, hour: int = 12) -> int:
    return round(datetime.datetime(year, month, day, hour, tzinfo=datetime.UTC).timestamp() * 1000)


def hours(site, now_ms: int = NOW_MS):
    """Hours of the first station, and the index of the hour that is on."""
    view = view_of(site, now_ms)
    stations = watched(site.config, site.config.surfaces[0].stations)
    one = surface_views(view, stations, {s.name: s.title for s in stations})[0]
    return hours_of(view, one), 168, one


# --- the hours ----------------------------------------------------------------------------------------------------


def test_hours_are_what_was_measured(fair):
    """A week back each series is the truth that the readings were made of."""
    found, now, _ = hours(fair)
    back = slice(now - 160, now + 1)
    # flicker of 0.02 % of water is 0.0007 of the thatch's range and 0.001 of the soil's
    assert found.of("thatch_wetness")[back] == pytest.approx(0.5, abs=0.002)
    assert found.of("root_zone_wetness")[back] == pytest.approx(0.8, abs=0.003)
    assert found.of("soil_temperature_degc")[back] == pytest.approx(14.0, abs=0.05)
    assert found.of("air_temperature_degc")[back] == pytest.approx(15.0, abs=0.05)
    assert found.of("surface_temperature_degc")[back] == pytest.approx(13.0, abs=0.05)
    assert found.of("dew_point_degc")[back] == pytest.approx(6.0, abs=0.2)  # 15 degC at 55 %, Magnus tables
    assert (found.of("rain_mm")[back][:-1] == 0.0).all()


def test_hours_reach_ten_days_ahead(fair):
    """Ten days of wetness with its spread, and weather to be expected: a steady past goes on as the season has it."""
    found, now, _ = hours(fair)
    assert found.at_ms.size == now + 240
    assert np.isfinite(found.of("thatch_wetness")).all() and np.isfinite(found.of("root_zone_wetness")).all()
    assert (found.spread["thatch_wetness"][now:] > 0.0).all() and np.isnan(found.spread["thatch_wetness"][:now]).all()
    assert found.forecast_end_ms == NOW_MS  # nothing is forecast: the rest is chance
    # usual means of mid May and mid June are 13.5 and 16.5 by the settings: 14.2 on 23 May
    assert found.of("air_temperature_degc")[-1] == pytest.approx(14.2, abs=0.4)
    assert found.soil_temperature_by_day is not None and np.isfinite(found.soil_temperature_by_day.values).all()


def test_rain_of_the_gauge_lies_in_its_hour(build):
    """A running total that goes up by 2 mm in each of four hours is 2 mm in each of them."""
    site = build()
    site.keep(drying, 24 * 9)
    found, now, _ = hours(site)
    first_ms = NOW_MS - (24 * 9 - 1) * HOUR_MS
    rain_hours = [first_ms + h * HOUR_MS for h in range(24 * 9) if 1 <= h % 144 <= 4]
    told = {int(t): r for t, r in zip(found.at_ms[:now], found.of("rain_mm")[:now], strict=True)}
    # a reading on the full hour tells of the hour before it
    inside = [told[t - HOUR_MS] for t in rain_hours if t - HOUR_MS in told]
    assert inside == pytest.approx([2.0] * len(inside)) and inside
    assert sum(told.values()) == pytest.approx(2.0 * len(inside))


def test_forecast_stands_for_the_hours_it_covers(fair):
    """Air, dew point and rain of the forecast up to its end, and what is to be expected from there on."""
    csv = forecast_csv(
        NOW_MS - 2 * HOUR_MS,
        {"rain_mm": [0.5] * 50, "temperature_degc": [9.0] * 50, "relative_humidity_percent": [100.0] * 50},
    )
    weather = _read(csv, fair)
    view = view_of(fair, forecast=weather.value)
    stations = watched(fair.config, fair.config.surfaces[0].stations)
    one = surface_views(view, stations, {s.name: s.title for s in stations})[0]
    found = hours_of(view, one)
    assert found.forecast_end_ms == NOW_MS + 48 * HOUR_MS
    assert found.of("air_temperature_degc")[168] == pytest.approx(15.0, abs=0.05)  # the hour that is on is measured
    covered, beyond = slice(169, 168 + 48), slice(168 + 48, None)
    assert found.of("air_temperature_degc")[covered] == pytest.approx(9.0)
    assert found.of("dew_point_degc")[covered] == pytest.approx(9.0, abs=0.05)  # saturated air
    assert found.of("rain_mm")[168 : 168 + 48] == pytest.approx(0.5)
    assert (found.of("rain_mm")[beyond] < 0.5).all()
    assert found.of("air_temperature_degc")[beyond][24:] == pytest.approx(14.3, abs=0.8)


def _read(csv: bytes, site, folder: str = "forecast.csv", now_ms: int = NOW_MS) -> Kept:
    """A forecast as the server reads it, from a file."""
    path = site.config.data_dir / folder
    path.write_bytes(csv)
    place = {"latitude_deg": 52.0, "longitude_deg": 0.0, "elevation_m": 0.0}
    return weather_source(str(path), site.config.data_dir / "kept", clock=HandClock(now_ms), **place).refresh()


# --- windows ------------------------------------------------------------------------------------------------------


def test_a_fair_green_may_be_verticut(fair):
    """Thatch 0.5 lies in 0.2-0.8, soil 14 in 8-21, growth at 15 degC is 0.66: open by every row of the table."""
    now = pass_of(fair.advice(), "verticutting").outlook.windows[0]
    assert now.verdict is OPEN
    # blades at 1.5 mm and 25 mm of clearance reach 26.5; the thatch probe begins at 2 mm, the profile at 25
    assert set(now.lift_first) == {"p1", "t1"}


@pytest.mark.parametrize(
    ("thatch", "roots", "kind", "verdict", "words"),
    [
        (0.9, 0.8, "verticutting", WAIT, "thatch too wet"),  # open to 0.8, closed above 1
        (1.05, 0.8, "verticutting", CLOSED, "thatch too wet"),
        (0.05, 0.8, "verticutting", CLOSED, "thatch too dry"),  # closed below 0.1
        (0.5, 0.4, "verticutting", WAIT, "soil too dry"),  # open from 0.5, closed below 0.3
        (0.5, 0.2, "verticutting", CLOSED, "soil too dry"),
    ],
)
def test_wetness_of_the_probes_decides(build, thatch, roots, kind, verdict, words):
    """What the probes read is judged by the rows of the data file."""
    site = build()
    site.keep(steady(thatch, roots), 24 * 9)
    now = pass_of(site.advice(), kind).outlook.windows[0]
    assert (now.verdict, now.reason) == (verdict, words)


def test_no_window_is_promised_by_night(fair):
    """Windows of every pass lie within the hours of work, from 7 to 19, and there is one for each day."""
    for told in surface_of(fair.advice()).passes:
        for window in told.outlook.windows:
            begin, end = (t % DAY_MS / HOUR_MS for t in (window.span.start_ms, window.span.end_ms))
            assert 7 <= begin < 19 and 7 < end <= 19 and window.span.end_ms - window.span.start_ms <= 12 * HOUR_MS
        assert len({w.span.start_ms // DAY_MS for w in told.outlook.windows}) == 11


def test_forecast_rain_closes_what_it_reaches(fair):
    """30 mm tomorrow at noon: brushing, which looks three hours ahead, closes before it and opens after."""
    rain = [0.0] * 240
    rain[26 + 2] = 30.0  # the forecast begins two hours ago: noon tomorrow
    csv = forecast_csv(NOW_MS - 2 * HOUR_MS, {"rain_mm": rain, "temperature_degc": [15.0] * 240})
    told = pass_of(fair.advice(forecast=_read(csv, fair)), "light_raking").outlook
    at = {int(t): int(v) for t, v in zip(told.at_ms, told.verdicts, strict=True)}
    noon = NOW_MS + 26 * HOUR_MS
    assert at[noon - 3 * HOUR_MS] == OPEN
    assert [at[noon - h * HOUR_MS] for h in (2, 1, 0)] == [CLOSED] * 3


def test_frost_of_the_forecast_is_the_nights_leaf(fair):
    """Air of 3 degC at five tomorrow and 15 else: the leaf, as far below it as in the past week (2 K), is at 1."""
    air = [15.0] * 240
    air[2 + 19] = 3.0  # 05:00
    csv = forecast_csv(NOW_MS - 2 * HOUR_MS, {"rain_mm": [0.0] * 240, "temperature_degc": air})
    assert surface_of(fair.advice(forecast=_read(csv, fair))).dawn_leaf_degc == pytest.approx(1.0, abs=0.1)
    assert surface_of(fair.advice()).dawn_leaf_degc is None  # nobody forecasts it


# --- what is missing withholds itself -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parts", "hours_kept", "note"),
    [
        ((SITE, CLIMATE, SURFACE, station()), 0, "no forecast of wetness: only 0 days"),
        ((SITE, CLIMATE, SURFACE, station()), 24 * 3, "14 needed"),
        ((SITE, SURFACE, station()), None, "no [climate] in the settings"),
        (('[site]\nname = "meadow"\n', CLIMATE, SURFACE, station()), None, "no latitude and longitude"),
        ((SITE, CLIMATE, SURFACE, station(weather=False)), 24 * 9, "no forecast of wetness: only 0 days"),
        (
            (SITE, CLIMATE, SURFACE, station().replace(CORE, "")),
            24 * 9,
            "the thatch is not known, no core tells how thick it is",
        ),
        ((SITE, CLIMATE, SURFACE), 0, "Green: no probe in the turf"),
    ],
    ids=["no readings", "three days", "no climate", "no place", "no weather", "no core", "no probe"],
)  # fmt: skip
def test_what_is_missing_is_told_in_words_and_nothing_raises(build, fair, parts, hours_kept, note):
    """Each part withholds itself: the note names it, and no pass that rests on it is promised."""
    site = build(*parts) if hours_kept is not None else fair.told(*parts)
    if hours_kept:
        heard = set(site.config.channels())
        course = steady()(0)
        known = {k: v for k, v in course.items() if f"s1/{k}" in heard}
        site.keep(lambda hour: known, hours_kept)
    advice = site.advice()
    assert any(note in n for n in advice.notes), advice.notes
    for told in surface_of(advice).passes:
        far = told.outlook.windows[-1]
        assert far.verdict is not OPEN or "climate" in note
        assert told.line
    for one in surface_of(advice).stations:
        assert one.day_line and one.water.line


def test_old_readings_are_no_readings(fair):
    """Seven hours without a word: cannot tell, whatever was heard before (data older than six hours)."""
    told = pass_of(fair.advice(NOW_MS + 7 * HOUR_MS), "verticutting")
    assert told.outlook.windows[0].verdict is UNKNOWN
    assert "nothing heard from the probes for 7 hours" in told.line


def test_readings_that_fail_their_tests_are_in_doubt(build):
    """A probe that says 95 % of water cannot be right, and nothing is open on its word."""
    site = build()
    site.keep(steady(), 24 * 8, until_ms=NOW_MS - 8 * HOUR_MS)
    site.keep(lambda hour: {**steady()(hour), "t1/moisture": 95.0}, 8)
    told = pass_of(site.advice(), "verticutting")
    assert told.outlook.windows[0].verdict is UNKNOWN
    assert "readings in doubt: t1/moisture failed the tests of the last 6 hours" in told.line


def test_a_channel_that_nothing_rests_on_casts_no_doubt(build):
    """The probe at 160 mm lies below a root zone of 130 mm under 20 of thatch: 220 does not matter."""
    site = build(SITE, CLIMATE, SURFACE, station().replace("root_zone_mm = 150.0", "root_zone_mm = 130.0"))
    site.keep(lambda hour: {**steady()(hour), "p1/moisture_220": 95.0}, 24 * 9)
    assert pass_of(site.advice(), "verticutting").outlook.windows[0].verdict is OPEN


# --- stations ------------------------------------------------------------------------------------------------------

TWO = (SITE, CLIMATE, SURFACE, station(), station("s2", "south end", weather=False, probe="p2"))


def south(course):
    """The same channels under the names of the second station."""
    return lambda hour: {
        k.replace("p1/", "p2/").replace("t1/", "t2/"): v for k, v in course(hour).items() if "w1" not in k
    }


def test_a_wetter_station_binds_the_surface(build):
    """South at 1.05 closes what north alone would have open, and is named."""
    site = build(*TWO)
    site.keep(steady(), 24 * 9)
    site.keep(south(steady(thatch=1.05)), 24 * 9, station="s2")
    now = pass_of(site.advice(), "verticutting").outlook.windows[0]
    assert (now.verdict, now.reason) == (CLOSED, "thatch too wet (south end)")


def test_a_station_never_heard_does_not_speak(build):
    """With no data from the south the north decides alone."""
    site = build(*TWO)
    site.keep(steady(), 24 * 9)
    assert pass_of(site.advice(), "verticutting").outlook.windows[0].verdict is OPEN
    assert [s.station for s in surface_of(site.advice()).stations] == ["s1", "s2"]


# --- lifted probes ------------------------------------------------------------------------------------------------


def test_lifted_probes_are_carried_by_the_balance_for_two_days(build):
    """Lifted yesterday: judged on the balance, and labelled; three days ago: cannot tell."""
    site = build()
    site.keep(drying, 24 * 17, until_ms=NOW_MS - 24 * HOUR_MS)
    for probe in ("t1", "p1"):
        site.write("lift", NOW_MS - 24 * HOUR_MS + 60_000, {"probe": probe}, station="s1")
    weather = {k: v for k, v in drying(0).items() if k.startswith("w1")}
    site.keep(lambda hour: {**weather, "w1/rain": drying(24 * 17 - 1)["w1/rain"]}, 24)
    told = pass_of(site.advice(), "verticutting")
    now = told.outlook.windows[0]
    assert now.verdict is not UNKNOWN
    assert "thatch wetness is carried by the balance, not measured" in now.warnings
    assert told.outlook.ground.buried and all(b.lifted for b in told.outlook.ground.buried)
    # it last rained 119 hours before the lift, and not since: roots lose 0.06 a day; the balance may miss by 0.05
    one = surface_of(site.advice()).stations[0].forecast
    assert float(one.root_wetness[0].mean()) == pytest.approx(1.0 - 0.06 * (119 + 24) / 24, abs=0.05)
    later = NOW_MS + 49 * HOUR_MS
    site.keep(lambda hour: {**weather, "w1/rain": drying(24 * 17 - 1)["w1/rain"]}, 49, until_ms=later)
    gone = pass_of(site.advice(later), "verticutting").outlook.windows[0]
    assert gone.verdict is UNKNOWN and "lifted" in gone.reason


def test_neighbour_lends_where_no_balance_is_fitted(build):
    """Nine days are too few to fit: the station beside it speaks, by name."""
    site = build(*TWO)
    site.keep(steady(), 24 * 9)
    site.keep(south(steady(thatch=0.6)), 24 * 9, station="s2")
    site.write("lift", NOW_MS - 5 * HOUR_MS, {"probe": "t1"}, station="s1")
    now = pass_of(site.advice(), "verticutting").outlook.windows[0]
    assert now.verdict is OPEN
    assert "thatch wetness is carried by Green, south end, not measured" in now.warnings


# --- plans --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def even(fair):
    """The fair site with every month at 15 degC, so that growth is the same each day. To be read."""
    return fair.told(SITE, MONTHS_OF_15, SURFACE, station())


def test_last_good_date_is_so_many_growing_days_before_play(even):
    """16 growth-days (12 to 20) at 0.646 a day are 24.8: the pass and 25 days of growth before play on 1 July."""
    told = pass_of(even.advice(fixtures=calendar(noon_ms(2024, 7, 1))), "scarifying")
    assert told.for_play and told.needed_on == datetime.date(2024, 7, 1)
    days = math.ceil(16.0 / GROWTH_AT_15)
    assert days == 25
    assert told.last_good.likely == datetime.date(2024, 6, 30) - datetime.timedelta(days=days)
    assert told.last_good.safe < told.last_good.likely
    assert told.last_good_line.startswith("Green: to heal before play on 1 Jul, do the scarifying by ")


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
    path = even.config.data_dir / "fixtures.ics"
    text = (
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//x//EN\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20240101T000000Z\r\n"
    )
    text += "SUMMARY:match on the green\r\nDTSTART:202407{day}T120000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    dates, lines = [], []
    for day in ("10", "11"):
        path.write_bytes(text.format(day=day).encode())
        kept = _fixtures(even, path)
        told = pass_of(even.advice(fixtures=kept), "scarifying")
        dates.append(told.last_good.likely)
        lines.append(told.last_good_line)
    assert dates[1] - dates[0] == datetime.timedelta(days=1)
    assert "play on 10 Jul" in lines[0] and "play on 11 Jul" in lines[1]


def _fixtures(site, path) -> Kept:
    return fixture_source(
        str(path), site.config.data_dir / "kept", timezone=ZoneInfo("UTC"), clock=HandClock(NOW_MS)
    ).refresh()


def test_without_play_it_must_heal_before_growth_ends(fair):
    """No fixture: the end of growth stands for it, and the line says so."""
    told = pass_of(fair.advice(), "scarifying")
    assert not told.for_play and told.needed_on is not None and told.needed_on.month in (11, 12)
    assert "before growth ends about" in told.last_good_line


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


# --- water --------------------------------------------------------------------------------------------------------


def test_tonights_water_is_what_roots_and_thatch_lack(dry):
    """Roots at 0.3 of 30 mm lack 21, thatch at 0.5 of 6 mm drinks 3, the leaf 1: 25 mm on 1000 m2 are 25 m3.

    Nine days are too few for a fit, so the boxes are those written down: 150 mm x 0.20 and 20 mm x 0.30.
    """
    water = surface_of(dry.advice()).stations[0].water
    assert water.root_deficit_mm == pytest.approx(21.0, abs=0.2)
    assert water.drink_mm == pytest.approx(3.0, abs=0.1)
    assert water.mm == 25.0 and water.volume_m3 == pytest.approx(25.0)
    assert "needs a licence in England" in water.line  # more than 20 m3 a day


def test_no_water_where_there_is_none_to_hand_or_it_is_forbidden(dry):
    """Without water it says what would help; while it is restricted it says so."""
    none = dry.told(SITE, CLIMATE, SURFACE + "water_to_hand = false\n", station())
    water = surface_of(none.advice()).stations[0].water
    assert water.mm == 0.0 and water.line == "Green, north end: 25 mm would help, but there is no water to hand."
    forbidden = dry.told(SITE, CLIMATE, "[water]\nrestricted = true\n", SURFACE, station())
    assert "watering is restricted" in surface_of(forbidden.advice()).stations[0].water.line


def test_square_being_dried_for_play_gets_no_water(dry):
    """A square is dried for five days before a match (ECB TS4)."""
    site = dry.told(SITE, CLIMATE, SURFACE.replace("green", "square").replace("Green", "Square"), station())
    for days, words in ((3, "it is being dried for play"), (9, "the roots are short of")):
        told = surface_of(site.advice(fixtures=calendar(NOW_MS + days * DAY_MS)), "square")
        assert words in told.stations[0].water.line, days


# --- bad input ----------------------------------------------------------------------------------------------------


def test_missing_forecast_falls_back_and_says_so(fair, tmp_path):
    """A file that is not there: the season's weather instead, named in the notes; windows are still judged."""
    place = {"latitude_deg": 52.0, "longitude_deg": 0.0, "elevation_m": 0.0}
    source = weather_source("/nowhere/forecast.csv", tmp_path, clock=HandClock(NOW_MS), **place)
    advice = fair.advice(forecast=source.refresh())
    assert any("found no file that can be read at /nowhere/forecast.csv" in n for n in advice.notes)
    assert any("those of this site's seasons" in n for n in advice.notes)
    assert pass_of(advice, "verticutting").outlook.windows[0].verdict is OPEN


def test_stale_forecast_falls_back_and_says_so(fair):
    """Thirty hours old is too old (24 at most): left out, its heavy rain with it."""
    issued = NOW_MS - 30 * HOUR_MS
    csv = forecast_csv(issued, {"rain_mm": [2.0] * 300, "temperature_degc": [15.0] * 300})
    fresh, stale = (_read(csv, fair, now_ms=now) for now in (issued, NOW_MS))
    advice = fair.advice(forecast=stale)
    assert any("found it 30 hours old, expected at most 24" in n for n in advice.notes)
    assert pass_of(advice, "light_raking").outlook.windows[0].verdict is OPEN
    assert pass_of(fair.advice(forecast=replace(fresh, value=replace(fresh.value, issued_ms=NOW_MS))), "light_raking")\
        .outlook.windows[0].verdict is not OPEN  # fmt: skip


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"rain_mm": [500.0, *[0.0] * 99]}, "rain_mm 1: found 500, expected 0 to 120"),
        ({"temperature_degc": [99.0] * 100}, "temperature_degc 1: found 99, expected -50 to 60"),
    ],
)
def test_absurd_forecast_is_not_believed(fair, change, said):
    """A forecast with one absurd value is left out whole, and the last good one stands while it is fresh."""
    good = {"rain_mm": [0.0] * 100, "temperature_degc": [15.0] * 100}
    kept = _read(forecast_csv(NOW_MS - HOUR_MS, good), fair)
    absurd = _read(forecast_csv(NOW_MS, {**good, **change}), fair)
    assert absurd.value is not None and absurd.value.issued_ms == kept.value.issued_ms
    notes = fair.advice(forecast=absurd).notes
    assert any(said in n for n in notes), notes


def test_broken_calendar_keeps_the_last_good_one_and_names_the_fault(even):
    """Half a file: the fixture read before still counts, and the notes say what is wrong."""
    path = even.config.data_dir / "fixtures.ics"
    whole = (
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//x//EN\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20240101T000000Z\r\n"
    )
    whole += b"SUMMARY:match\r\nDTSTART:20240701T120000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    path.write_bytes(whole)
    good = pass_of(even.advice(fixtures=_fixtures(even, path)), "scarifying").last_good
    path.write_bytes(whole[: len(whole) // 2])
    advice = even.advice(fixtures=_fixtures(even, path))
    assert pass_of(advice, "scarifying").last_good == good
    assert any("expected END:VCALENDAR. It seems cut off" in n for n in advice.notes)
    assert any("the calendar of fixtures is the last good one" in n for n in advice.notes)


def test_readings_are_made_as_they_are_said_to_be():
    """The helper itself: raw percent of a wetness, with a flicker of 0.02."""
    sent = readings(steady(0.5, 0.8), 2)
    raw = {r.channel: r.raw for r in sent[: len(sent) // 2]}
    assert raw["s1/t1/moisture"] == pytest.approx(35.0, abs=0.021) and raw["s1/p1/moisture_035"] == pytest.approx(26.02)
    assert wet(0.0, 1.0) == pytest.approx({k: 20.0 if k == "t1/moisture" else 30.0 for k in wet(0, 1)})


# --- roots, intervals, and what a surface without a thatch probe is told ------------------------------------------


def find(site, quantity: str, rows: list[tuple[int, int, float, str]], station_name: str = "s1") -> None:
    """Keep findings as the stages would: start, end, value, reason."""
    table = [(station_name, quantity, a, b, v, float("nan"), float("nan"), 1, why, 1) for a, b, v, why in rows]
    site.stores.store.upsert_findings(pd.DataFrame(table, columns=list(FINDING_COLUMNS)))


def test_root_depth_is_the_newest_estimate_drawn_to_the_ruler(brief):
    """A core's ruler said 120 mm under thatch where probes said 80: half as much again holds for the 60 of now.

    Below the leaf base: 20 mm of thatch and 1.5 x 60 mm of soil. The fortnights end before the readings begin, so that
    the stages have none of their own there.
    """
    fortnight = 14 * DAY_MS
    begin = NOW_MS - 60 * DAY_MS
    find(
        brief,
        "root_depth_90",
        [(begin, begin + fortnight, 0.100, ""), (begin + fortnight, begin + 2 * fortnight, 0.080, "")],
    )
    assert pass_of(brief.advice(), "scarifying").outlook.ground.root_depth_m is None  # no ruler yet
    brief.write("core", begin + 20 * DAY_MS, {"thatch_mm": 20.0, "root_mm": 90.0}, station="s1")
    # that core lies in the second fortnight: 90 over 60 of its estimate
    told = pass_of(brief.advice(), "scarifying").outlook.ground.root_depth_m
    assert told == pytest.approx(0.020 + 1.5 * 0.060)


def test_old_estimate_of_roots_says_nothing(brief):
    """A fortnight over for more than two months is of another season."""
    begin = NOW_MS - 150 * DAY_MS
    find(brief, "root_depth_90", [(begin, begin + 14 * DAY_MS, 0.100, "")])
    brief.write("core", begin + DAY_MS, {"thatch_mm": 20.0, "root_mm": 90.0}, station="s1")
    assert pass_of(brief.advice(), "scarifying").outlook.ground.root_depth_m is None


def test_last_water_that_stopped_in_the_thatch_is_told(dry):
    """One part in ten of the last water reached the roots: less than a fifth, so the next is to be long and seldom."""
    find(dry, "arrival_share", [(NOW_MS - 3 * DAY_MS, NOW_MS - 3 * DAY_MS + HOUR_MS, 0.1, "")])
    assert "The last water stopped in the thatch" in surface_of(dry.advice()).stations[0].water.line


def test_roots_are_drawn_down_a_day_at_a_time(build):
    """Every four days, held twice without wilt: not before the fourth day, and five days from now on.

    At 0.45 the roots lack 16.5 of 30 mm: more than half, less than the 0.65 that drawing down lets them lack.
    """
    site = build(
        SITE, CLIMATE, SURFACE.replace('kind = "green"', 'kind = "lawn"') + "water_every_days = 4\n", station()
    )
    site.keep(steady(thatch=0.5, roots=0.45), 24 * 9)
    for days in (11, 7, 3):
        site.write("watering", NOW_MS - days * DAY_MS, {"water_mm": 12.0})
    line = surface_of(site.advice()).stations[0].water.line
    assert "no water tonight; every 5 days to draw the roots down, and no wilt seen." in line
    assert line.endswith("Two waterings without wilt: a day longer, every 5 days from now on.")
    site.write("sight", NOW_MS - 5 * DAY_MS, {"what": "wilt", "value": 1.0})
    line = surface_of(site.advice()).stations[0].water.line
    assert line.endswith("every 4 days to draw the roots down, and no wilt seen.")  # not held since: it stays
    site.write("sight", NOW_MS - 2 * HOUR_MS, {"what": "wilt", "value": 1.0})
    line = surface_of(site.advice()).stations[0].water.line
    assert ": water " in line and line.endswith("Wilt was seen: a day shorter, every 3 days from now on.")


def test_a_surface_without_a_thatch_probe_is_told_no_chance(build):
    """Roots alone do not make it dry enough to scarify: cannot tell."""
    bare = station().split('[[surface.station.probe]]\nname = "t1"')[0] + '[[surface.station.probe]]\nname = "w1"\n'
    site = build(SITE, CLIMATE, SURFACE, bare + 'model = "climate_station"\n')
    known = {k: v for k, v in steady()(0).items() if not k.startswith("t1")}
    site.keep(lambda hour: known, 24 * 16)
    one = surface_of(site.advice()).stations[0]
    assert np.isfinite(one.forecast.root_wetness).all() and one.forecast.root_wetness.shape[1] > 0
    assert (one.days, one.day_line) == ((), "dry enough to scarify: cannot tell")


def test_day_is_moist_or_dry_enough_as_it_has_to_change(build):
    """Thatch below the open range is to become moist enough, not dry enough."""
    site = build()
    site.keep(steady(thatch=0.2), 24 * 9)
    assert surface_of(site.advice()).stations[0].day_line.startswith("moist enough to scarify: ")


def test_without_a_climate_growth_of_the_week_still_counts(build):
    """Seven days at 15 degC are a growth of 0.66, open for verticutting from 0.35, whatever the season usually is."""
    site = build(SITE, SURFACE, station())
    site.keep(steady(), 24 * 9)
    csv = forecast_csv(NOW_MS, {"rain_mm": [0.0] * 100, "temperature_degc": [15.0] * 100})
    advice = site.advice(forecast=_read(csv, site))
    # whether it heals before growth ends is all that is not known of it
    assert pass_of(advice, "verticutting").outlook.windows[0].binding == "growth_to_come"
    assert pass_of(advice, "verticutting").last_good is None


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
    told = pass_of(site.advice(forecast=_read(csv, site)), "scarifying")
    now = told.outlook.windows[0]
    assert now.verdict is OPEN and "go shallower and sow more" in now.warnings
    assert any("not enough growth left to heal in time" in w for w in now.warnings)
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
