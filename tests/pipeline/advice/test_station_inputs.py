"""A station as the sums of advice want it, and what is missing or broken, of readings in a real store.

Expected values come from that algebra, from FAO-56 and Magnus tables, from the growth curve's closed form, or from the
trade's table, and each says which. A growing day's expectation over a normal spread s about T is
v / sqrt(v^2 + s^2) exp(-(T - To)^2 / 2 (v^2 + s^2)), with To 20 and v 5.5 for cool-season grass.
"""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.advice.station_inputs import boxes_now
from pipeline.diary.station import ChannelLimits
from pipeline.forecast.balance import past_hours
from pipeline.forecast.weather_file import weather_source
from pipeline.soil.layers import Place
from pipeline.soil.radiation import Location
from pipeline.stages.stage import NO_SERIES
from tests.pipeline import turf_days
from tests.pipeline.advice.told_site import (
    CLOSED,
    CORE,
    OPEN,
    UNKNOWN,
    read_fixtures,
    read_forecast,
)
from tests.pipeline.contexts import changed
from tests.pipeline.hand import HandClock
from tests.pipeline.kept_site import (
    CLIMATE,
    HOUR_MS,
    NOW_MS,
    SITE,
    SURFACE,
    drying,
    forecast_csv,
    pass_of,
    readings,
    station,
    steady,
    surface_of,
    wet,
)

# --- what is missing withholds itself -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("parts", "hours_kept", "note"),
    [
        ((SITE, CLIMATE, SURFACE, station()), 0, "no forecast of wetness: "),
        ((SITE, CLIMATE, SURFACE, station()), 24 * 3, "14 needed"),
        ((SITE, SURFACE, station()), None, "no [climate] in the settings"),
        (('[site]\nname = "meadow"\n', CLIMATE, SURFACE, station()), None, "no latitude and longitude"),
        (
                (SITE, CLIMATE, SURFACE, station(weather=False)),
                24 * 9,
                "no forecast of wetness: nothing is known of rain or weather",
            ),
        (
            (SITE, CLIMATE, SURFACE, station().replace(CORE, "")),
            24 * 9,
            "the thatch is not known, no core tells how thick it is",
        ),
        ((SITE, CLIMATE, SURFACE), 0, "Green: no probe in the turf and no reading by hand"),
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


# --- bad input ----------------------------------------------------------------------------------------------------


def test_missing_forecast_falls_back_and_says_so(fair, tmp_path):
    """A file that is not there: the season's weather instead, named in the notes; windows are still judged."""
    place = Location(52.0, 0.0)
    source = weather_source("/nowhere/forecast.csv", tmp_path, clock=HandClock(NOW_MS), place=place)
    advice = fair.advice(forecast=source.refresh())
    assert any("found no file that can be read at /nowhere/forecast.csv" in n for n in advice.notes)
    assert any("those of this site's seasons" in n for n in advice.notes)
    assert pass_of(advice, "verticutting").outlook.windows[0].verdict is OPEN


def test_stale_forecast_falls_back_and_says_so(fair):
    """Thirty hours old is too old (24 at most): left out, its heavy rain with it."""
    issued = NOW_MS - 30 * HOUR_MS
    csv = forecast_csv(issued, {"rain_mm": [2.0] * 300, "temperature_degc": [15.0] * 300})
    fresh, stale = (read_forecast(csv, fair, now_ms=now) for now in (issued, NOW_MS))
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
    kept = read_forecast(forecast_csv(NOW_MS - HOUR_MS, good), fair)
    absurd = read_forecast(forecast_csv(NOW_MS, {**good, **change}), fair)
    assert absurd.value is not None and absurd.value.issued_ms == kept.value.issued_ms
    notes = fair.advice(forecast=absurd).notes
    assert any(said in n for n in notes), notes


def test_broken_calendar_keeps_the_last_good_one_and_names_the_fault(even):
    """Half a file: the fixture read before still counts, and the notes say what is wrong."""
    path = even.config.data.dir / "fixtures.ics"
    whole = (
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//x//EN\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20240101T000000Z\r\n"
    )
    whole += b"SUMMARY:match\r\nDTSTART:20240701T120000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    path.write_bytes(whole)
    good = pass_of(even.advice(fixtures=read_fixtures(even, path)), "scarifying").last_good
    path.write_bytes(whole[: len(whole) // 2])
    advice = even.advice(fixtures=read_fixtures(even, path))
    assert pass_of(advice, "scarifying").last_good == good
    assert any("expected END:VCALENDAR. It seems cut off" in n for n in advice.notes)
    assert any("the calendar of fixtures is the last good one" in n for n in advice.notes)


def test_readings_are_made_as_they_are_said_to_be():
    """The helper itself: raw percent of a wetness, with a flicker of 0.02."""
    sent = readings(steady(0.5, 0.8), 2)
    raw = {r.channel: r.raw for r in sent[: len(sent) // 2]}
    assert raw["s1/t1/moisture"] == pytest.approx(35.0, abs=0.021) and raw["s1/p1/moisture_035"] == pytest.approx(26.02)
    assert wet(0.0, 1.0) == pytest.approx({k: 20.0 if k == "t1/moisture" else 30.0 for k in wet(0, 1)})


def test_boxes_rest_on_the_same_limits_as_wetness():
    """The capacity is that of the mean of each channel's own limits: learned where its soil allows it, else the soil's.

    Four channels of loam (by hand): one learned 0.10 to 0.30, one learned in another soil, two that have shown nothing.
    """
    loam, at_ms = turf_days.CONTEXT.soil_medium, turf_days.MONDAY_MS
    soil = [i for i in turf_days.CONTEXT.moisture if turf_days.CONTEXT.place(i, at_ms) is Place.SOIL]
    elsewhere = loam.drained[1] + 0.2
    learned = {
        soil[0]: (ChannelLimits(0, 0.10, 0.30, (0.09, 0.11), (0.29, 0.31)),),
        soil[1]: (ChannelLimits(0, 0.20, elsewhere, (0.19, 0.21), (elsewhere, elsewhere)),),
    }
    assert loam.drained[0] <= 0.30 <= loam.drained[1]
    context = changed(turf_days.CONTEXT, learned=learned)
    past = past_hours(at_ms, 24, thatch=None, roots=NO_SERIES, rain=NO_SERIES, reference_et_mm=np.zeros(24))
    boxes = boxes_now(context, past, at_ms)
    own = loam.drained_prior - loam.dry_prior
    expected_mm = 1000.0 * context.ground.root_zone_m * (0.20 + (len(soil) - 1) * own) / len(soil)
    assert boxes.root_capacity_mm == pytest.approx(expected_mm)
