"""Frost on the leaf at dawn, measured and foretold, and dryness foretold: hand-made series, hours by hand."""

from __future__ import annotations

import json
from collections.abc import Mapping
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from pipeline.alerts.model import (
    Ahead,
    AlertEvent,
    AlertState,
    RuleBounds,
    StationWatch,
)
from pipeline.alerts.surface import FrostAtDawnBounds
from pipeline.alerts.water import RootsDryBounds
from pipeline.diary.facts import (
    DiaryFacts,
)
from pipeline.forecast.wetness import WetnessForecast
from pipeline.units import Flag
from tests.pipeline.alerts.alert_series import (
    BOUNDS,
    CONTEXT,
    LEAF,
    START_MS,
    H,
    findings,
    foretell,
    heard,
    look,
    run,
    watch_of,
)
from tests.pipeline.contexts import changed

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
UTC = ZoneInfo("UTC")


def leaf(*degc: float, flag: int = Flag.GOOD, context=CONTEXT, zone: ZoneInfo = UTC) -> StationWatch:
    """A temperature of the leaf for each hour from 0:00 on 1 May, read every quarter hour."""
    return watch_of(findings(), heard(LEAF, np.repeat(np.array(degc), H), flag), context=context, zone=zone)


def frosts(watch: StationWatch, hours: int, **more) -> list[tuple[str, float]]:
    """Kind and hour of what is said; readings are four seconds after the quarter."""
    return [(e.kind, round((e.at_ms - START_MS) / HOUR_MS, 2)) for e in run("frost_at_dawn", watch, hours * H, **more)]


MILD, COLD, THAW = 4.0, -1.0, 2.5


@pytest.mark.parametrize(
    ("degc", "told"),
    [
        (
            [COLD] * 7 + [THAW] * 3,
            [("opened", 5.0), ("closed", 7.0)],
        ),  # cold since midnight: nobody is woken before 5:00
        ([MILD] * 6 + [COLD] * 2 + [THAW] * 2, [("opened", 6.0), ("closed", 8.0)]),
        ([COLD] * 4 + [MILD] * 6, []),  # thawed before anybody sets out
        ([MILD] * 5 + [0.5] + [MILD], [("opened", 5.0), ("closed", 6.0)]),  # at the bound is frost
        ([MILD] * 5 + [0.51] + [MILD], []),
        ([COLD] * 6 + [2.0] * 5, [("opened", 5.0)]),  # at the bound is not above it
        ([COLD] * 6 + [1.0] * 2 + [COLD] + [THAW], [("opened", 5.0), ("closed", 9.0)]),  # between the bounds
        ([MILD] * 10 + [COLD] * 8, []),  # not of dawn
        ([np.nan] * 12, []),
        ([COLD] * 6 + [np.nan] * 6, [("opened", 5.0)]),
        (([COLD] * 7 + [THAW] * 17) * 2, [("opened", 5.0), ("closed", 7.0), ("opened", 29.0), ("closed", 31.0)]),
    ],
)
def test_frost_is_told_once_a_day_from_five_to_ten(degc, told):
    """On at 0.5 degC, off above 2 (table by hand)."""
    assert frosts(leaf(*degc), len(degc) + 1) == told


def test_frost_is_told_by_the_clock_of_the_site_and_for_the_whole_surface():
    """5:00 in London in May is 4:00 UTC; the line names the surface, not one end of it."""
    watch = leaf(*[COLD] * 7 + [THAW] * 3, zone=ZoneInfo("Europe/London"))
    assert frosts(watch, 11) == [("opened", 4.0), ("closed", 7.0)]
    (opened, _) = run("frost_at_dawn", watch, 11 * H)
    assert opened.text == "Square: frost on the leaf at 5:00. Keep feet and machines off until it has thawed."


def test_frost_is_quiet_out_of_season_under_covers_and_on_readings_in_doubt():
    """October to May, in the south April to November; covers keep it off the leaf; a doubtful reading says nothing."""
    cold = [COLD] * 7 + [THAW]
    assert frosts(leaf(*cold, flag=Flag.SUSPECT), 9) == [] == frosts(leaf(*cold, flag=Flag.FAIL), 9)
    assert frosts(leaf(*cold), 9, diary=DiaryFacts(covers=((START_MS - DAY_MS, START_MS + DAY_MS),))) == []
    june = {"frost_at_dawn": FrostAtDawnBounds(months=(6,))}
    assert frosts(leaf(*cold), 9, bounds=june) == []
    south = changed(CONTEXT, latitude_deg=-38.0)  # May there is November here
    assert len(frosts(leaf(*cold, context=south), 9)) == 2
    december = {"frost_at_dawn": FrostAtDawnBounds(months=(11,))}
    assert len(frosts(leaf(*cold, context=south), 9, bounds=december)) == 2


def test_a_station_without_a_thermometer_of_the_leaf_walks_on():
    """Nothing is measured, nothing is said, and nothing holds the record back."""
    watch = leaf(COLD, context=changed(CONTEXT, weather={}))
    state = AlertState("frost_at_dawn", "square-1", "", START_MS)
    after, said = look("frost_at_dawn", state, watch, DiaryFacts(), START_MS + 9 * HOUR_MS)
    assert said == [] and after.evaluated_to_ms == START_MS + 9 * HOUR_MS - 900_000


# --- the evening before ------------------------------------------------------------------------------------------

MARCH_MS = 1_709_251_200_000  # 2024-03-01 00:00 UTC


def nights(
    dawn_degc: dict[int, float | None], hours: range, diary: DiaryFacts | None = None
) -> list[tuple[str, int, str]]:
    """Kind, hour and words of what is foretold hour by hour, with restarts; the forecast holds from an hour on."""
    spot, events = watch_of(findings(), zone=UTC), []
    state = AlertState("frost_at_dawn", "square-1", "", MARCH_MS)
    for hour in hours:
        known = dawn_degc[max(h for h in dawn_degc if h <= hour)]
        state = AlertState.from_json(json.loads(json.dumps(state.to_json())))
        ahead = Ahead(MARCH_MS + hour * HOUR_MS, None, known)
        state, said = foretell("frost_at_dawn", state, spot, ahead, diary or DiaryFacts())
        events += said
    return [(e.kind, (e.at_ms - MARCH_MS) // HOUR_MS, e.text) for e in events]


@pytest.mark.parametrize(
    ("dawn_degc", "told"),
    [
        ({0: 5.0, 12: -1.4}, [("opened", 17), ("closed", 34)]),  # told in the evening, over at 10:00
        ({0: 5.0, 12: 0.5}, [("opened", 17), ("closed", 34)]),
        ({0: 5.0, 12: 0.6}, []),
        ({0: 5.0, 12: None}, []),  # nobody knows
        ({0: 5.0, 12: -1.0, 21: 2.5}, [("opened", 17), ("closed", 21)]),  # cloud comes up
        ({0: 5.0, 12: -1.0, 21: 1.5}, [("opened", 17), ("closed", 34)]),  # between the bounds
        ({0: 5.0, 12: -1.0, 21: None}, [("opened", 17), ("closed", 34)]),
        ({0: 5.0, 26: 0.0}, [("opened", 26), ("closed", 34)]),  # it clears at two in the morning
    ],
)
def test_frost_is_foretold_the_evening_before(dawn_degc, told):
    """From 17:00 on by the coldest leaf of the coming night; the morning ends it (by hand)."""
    assert [(kind, hour) for kind, hour, _ in nights(dawn_degc, range(12, 40))] == told


def test_frost_of_each_night_is_an_alert_of_its_own():
    """Three cold nights are told on three evenings, and the line has the cold in whole degrees."""
    told = nights({0: -1.4}, range(12, 84))
    assert [(k, h) for k, h, _ in told] == [
        (k, d * 24 + h) for d in range(3) for k, h in (("opened", 17), ("closed", 34))
    ]
    assert "likely on the leaf at dawn, about -1 degC" in told[0][2]
    covered = DiaryFacts(covers=((MARCH_MS, MARCH_MS + 4 * DAY_MS),))
    assert nights({0: -1.4}, range(12, 84), covered) == []


@pytest.mark.parametrize(("degc", "kinds"), [([COLD] * 6 + [THAW] * 2, ["closed"]), ([3.0] * 8, ["closed"])])
def test_what_is_measured_at_dawn_stands_over_what_was_foretold(degc, kinds):
    """Foretold frost that comes is not told twice, and closed by the thaw; one that does not come by five is closed.
    A mild evening does not close it."""
    watch = leaf(*degc)
    begin = AlertState("frost_at_dawn", "square-1", "", START_MS - 1)
    evening = Ahead(START_MS - 6 * HOUR_MS, None, -1.0)
    state, (told,) = foretell("frost_at_dawn", begin, watch, evening, DiaryFacts())
    state, said = look("frost_at_dawn", state, watch, DiaryFacts(), START_MS + 4 * HOUR_MS)
    assert said == [] and state.is_open
    state, said = look("frost_at_dawn", state, watch, DiaryFacts(), START_MS + 9 * HOUR_MS)
    assert [e.kind for e in said] == kinds and said[0].alert_id == told.alert_id


# --- dryness foretold --------------------------------------------------------------------------------------------


def ahead(course: np.ndarray, now_ms: int, members: int = 10, thatch: bool = False) -> WetnessForecast:
    """Ten days in which a share of the members takes a course, the rest stays wet; `course` by hour from now."""
    wetness = np.full((241, members), 0.8)
    dry = round(members * 1.0)
    wetness[:, :dry] = course[:241, np.newaxis]
    nothing = np.full((241, members), np.nan)  # the other layer, which nobody reads
    return WetnessForecast(
        now_ms, wetness if thatch else nothing, nothing if thatch else wetness, np.zeros((240, members))
    )


def falls(at_hour: float, *, to: float = 0.2, hours: int = 600) -> np.ndarray:
    """Wetness that is 0.6 and falls below 0.35 just after an hour, in a straight line to `to`."""
    per_hour = 0.25 / at_hour
    return np.maximum(0.6 - per_hour * np.arange(hours), to)


def foretold(
    rule: str,
    forecasts,
    hours: range,
    *,
    diary: DiaryFacts | None = None,
    bounds: Mapping[str, RuleBounds] = BOUNDS,
    context=CONTEXT,
) -> list[AlertEvent]:
    spot, events = watch_of(findings(), zone=UTC, context=context), []
    state = AlertState(rule, "square-1", "", START_MS)
    for hour in hours:
        now_ms = START_MS + hour * HOUR_MS
        state = AlertState.from_json(json.loads(json.dumps(state.to_json())))
        ahead = Ahead(now_ms, forecasts(hour, now_ms))
        state, said = foretell(rule, state, spot, ahead, diary or DiaryFacts(), bounds)
        events += said
    return events


def told_at(events: list[AlertEvent]) -> list[tuple[str, float]]:
    return [(e.kind, (e.at_ms - START_MS) / HOUR_MS) for e in events]


def test_dry_roots_are_told_two_days_ahead():
    """Dry at hour 80 by every forecast: told 48 h before, at 8:00 on day 1, once, with the day and how sure."""
    course = falls(80)
    events = foretold("roots_dry", lambda hour, now_ms: ahead(course[hour:], now_ms), range(70))
    assert told_at(events) == [("opened", 33.0)]  # below, not at, 0.35: the hour after 80
    assert "likely to be dry by Saturday 9:00, 9 in 10" in events[0].text  # 1 May 2024 was a Wednesday


def test_what_is_foretold_at_night_is_told_in_the_morning():
    """The same of hour 71: known at 0:00, told at 6:00."""
    course = falls(71)
    assert told_at(foretold("roots_dry", lambda hour, now_ms: ahead(course[hour:], now_ms), range(40))) == [
        ("opened", 30)
    ]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"share": 0.6}, [("opened", 33.0)]),
        ({"share": 0.5}, []),  # not sure enough
        ({"withheld": True}, []),
        ({"nan": True}, []),
        ({"dip": 103}, []),  # rain before it has been dry for a day
        ({"dip": 105}, [("opened", 33.0)]),
        ({"dry_now": True}, []),  # nothing to foretell
        ({"match": True}, []),
        ({"dried": True}, []),
        ({"dried": True, "elsewhere": True}, [("opened", 33.0)]),  # for play on another strip than the station's
        ({"lead_h": 0.0}, []),  # a site that wants no forecast
        ({"lead_h": 24.0}, [("opened", 57.0)]),
    ],
)
def test_dry_roots_are_foretold_only_when_that_is_of_use(change, told):
    """Six in ten, known, lasting, not there already, and somebody can water (table by hand)."""
    course = falls(80)
    if "dip" in change:
        course[change["dip"] :] = 0.7
    if "dry_now" in change:
        course[:] = 0.2

    def forecasts(hour: int, now_ms: int) -> WetnessForecast:
        one = ahead(course[hour:], now_ms)
        wet = round(10 * (1.0 - change.get("share", 1.0)))
        one.root_wetness[:, 10 - wet :] = 0.8
        if "nan" in change:
            one.root_wetness[5] = np.nan
        if "withheld" in change:
            return WetnessForecast(now_ms, np.zeros((1, 0)), np.zeros((1, 0)), np.zeros((0, 0)), reason="no weather")
        return one

    play = (START_MS + DAY_MS, START_MS + 3 * DAY_MS - 1) if "match" in change else (START_MS + 5 * DAY_MS,) * 2
    plays = (play,) if {"match", "dried"} & change.keys() else ()
    diary = DiaryFacts(plays=plays, on_other_strips=plays if "elsewhere" in change else ())
    context = changed(CONTEXT, kind="square") if "dried" in change else CONTEXT
    bounds = {"roots_dry": RootsDryBounds(lead_h=change.get("lead_h", 48.0))}
    hours = range(44) if "dip" in change else range(70)  # before anything is taken back
    assert told_at(foretold("roots_dry", forecasts, hours, diary=diary, bounds=bounds, context=context)) == told


@pytest.mark.parametrize(("to", "told"), [(0.2, []), (0.1, [("opened", 83.0)])])
def test_dry_roots_of_sand_are_foretold_below_the_bound_they_are_judged_by(to, told):
    """0.35 of 0.55 is 0.1925: a fall to 0.2 stays above; one to 0.1, 0.003125 an hour, is below it from hour 131 on."""
    sand = changed(CONTEXT, soil="sand")
    course = falls(80, to=to)
    events = foretold("roots_dry", lambda hour, now_ms: ahead(course[hour:], now_ms), range(90), context=sand)
    assert told_at(events) == told


def test_a_drought_the_forecast_takes_back_is_taken_back():
    """Told on day 1; from the next noon on rain is forecast: withdrawn then, by day."""
    course = falls(80)

    def forecasts(hour: int, now_ms: int) -> WetnessForecast:
        return ahead(course[hour:] if hour < 60 else np.full(300, 0.7), now_ms)

    events = foretold("roots_dry", forecasts, range(70))
    assert told_at(events) == [("opened", 33.0), ("closed", 60.0)] and "not likely" in events[1].text
    assert events[0].alert_id == events[1].alert_id


def test_thatch_about_to_repel_is_told_a_day_ahead():
    """0.15 is passed at hour 72 (0.6 less 0.00625 an hour): told at hour 49, a day before the hour after."""
    course = np.maximum(0.6 - 0.00625 * np.arange(600), 0.05)
    events = foretold("thatch_to_repel", lambda hour, now_ms: ahead(course[hour:], now_ms, thatch=True), range(72))
    assert told_at(events) == [("opened", 54.0)]  # 49 is 1:00 at night: told at 6:00
    assert "sheds water" in events[0].text


def test_a_drought_foretold_that_comes_is_said_once_more_and_closed_by_water():
    """Foretold while the roots are still at 0.55, which does not close it; dry for a day it is said again."""
    roots = np.concatenate([np.full(24 * H, 0.55), np.full(30 * H, 0.3), np.full(10 * H, 0.6)])
    watch = watch_of(findings(roots=roots))
    state = AlertState("roots_dry", "square-1", "", START_MS - 1)
    course = falls(30)
    state, (first,) = foretell("roots_dry", state, watch, Ahead(START_MS, ahead(course, START_MS)), DiaryFacts())
    state, said = look("roots_dry", state, watch, DiaryFacts(), START_MS + 70 * HOUR_MS)
    assert told_at(said) == [("repeated", 48.0), ("closed", 56.0)]
    assert "as foretold" in said[0].text and {e.alert_id for e in said} == {first.alert_id}
