"""Advice for the ground of `site`, made by hand: real verdicts and lines over hours that are set here.

Thursday 21 March 2024, 2:00 on the site's clock. The square's thatch is too wet to scarify for 30 hours and fit then,
until rain after 100 hours; verticutting must wait with it; tining is closed, the square being in season, but Ann has
overruled that for one morning. The outfield's probes have not been heard, so nobody can tell.
"""

from __future__ import annotations

import datetime
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.advice.conditions import Hours, Plans
from pipeline.advice.healing import HealedDates, LastGoodDate
from pipeline.advice.locks import (
    SurfaceState,
)
from pipeline.advice.report import (
    PassAdvice,
    SiteAdvice,
    StationAdvice,
    SurfaceAdvice,
    last_good_words,
    window_words,
)
from pipeline.advice.treatments import load_treatments
from pipeline.advice.water import Evening, Turf, WaterLimits, tonight
from pipeline.advice.weeks_ahead import PassWeeks, SurfaceWeeks, Week
from pipeline.advice.windows import in_work_hours, outlook
from pipeline.diary.facts import (
    Buried,
    Intent,
    Override,
    Play,
)
from pipeline.forecast.climatology import Daily
from pipeline.forecast.wetness import WetnessForecast, best_day_line, day_chances
from pipeline.units import (
    DAY_MS,
    TimeSpan,
)
from tests.api.site import HOUR_MS, NOW_MS
from tests.pipeline.advice.window_series import with_courses

ZONE = ZoneInfo("Etc/GMT-2")
BACK_H, AHEAD_H = 240, 240
TABLE = load_treatments()
AT_MS = NOW_MS + np.arange(-BACK_H, AHEAD_H) * HOUR_MS
HOURS_AHEAD = np.arange(-BACK_H, AHEAD_H)
OVERRULED = TimeSpan(NOW_MS + 5 * HOUR_MS, NOW_MS + 12 * HOUR_MS)
PLAY_MS = NOW_MS + 44 * DAY_MS
OFFSETS = np.linspace(-0.2, 0.2, 11)  # of eleven courses: one in ten stays below -0.16, one in ten above 0.16
NEEDED_ON = datetime.date(2024, 5, 4)
DEPTH_M = {"scarifying": 0.008, "verticutting": 0.002, "solid_tining": 0.1, "slitting": 0.1}


def _days(value: float) -> Daily:
    return Daily(NOW_MS // DAY_MS * DAY_MS - 30 * DAY_MS, np.full(400, value))


def _series(value: float) -> np.ndarray:
    return np.full(AT_MS.size, value)


def hours() -> Hours:
    """Fit to work, but for thatch that is wet for 30 hours, and rain after 100."""
    series = {
        "thatch_wetness": np.where(HOURS_AHEAD < 30, 0.84, 0.6),
        "root_zone_wetness": _series(0.8),
        "soil_temperature_degc": _series(15.0),
        "surface_temperature_degc": _series(12.0),
        "dew_point_degc": _series(5.0),
        "rain_mm": np.where(HOURS_AHEAD == 100, 30.0, 0.0),
    }
    by_day = {"soil_temperature_by_day": _days(15.0), "frost_chance_by_day": _days(0.0)}
    return with_courses(Hours(AT_MS, series, int(AT_MS[-1]) + HOUR_MS, **by_day), thatch=0.1, now_ms=NOW_MS)


PLANS = Plans(fixtures_ms=(PLAY_MS,), potential=_days(0.6), recovery=_days(0.6))
SQUARE = SurfaceState(
    "Square", "square", root_depth_m=0.12, newest_reading_ms=NOW_MS, buried=(Buried("t1", 0.002), Buried("p1", 0.025))
)
IN_SEASON = replace(
    SQUARE,
    seasons=(TimeSpan(NOW_MS - DAY_MS, NOW_MS + 100 * DAY_MS),),
    overrides=(Override("solid_tining", "", OVERRULED, "the contractor is here", "Ann", NOW_MS - HOUR_MS),),
)
OUTFIELD = SurfaceState("Outfield", "outfield", newest_reading_ms=NOW_MS - 40 * HOUR_MS)


def pass_advice(kind: str, ground: SurfaceState, *, needed_on: datetime.date = NEEDED_ON) -> PassAdvice:
    """One pass with its lines; it must be healed on a day, 20 days after the last good one."""
    table = TABLE.for_surface(ground.kind)
    facts = table.facts[kind]
    found = outlook(Intent(kind, facts.variants[0], DEPTH_M[kind]), table, ground, hours(), PLANS, now_ms=NOW_MS)
    found = in_work_hours(found, ZONE, (7, 19))
    last = LastGoodDate(needed_on - datetime.timedelta(days=20), needed_on - datetime.timedelta(days=16), False)
    return PassAdvice(
        outlook=found,
        words=window_words(found, ZONE),
        last_good=last,
        needed_on=needed_on,
        for_play=True,
        last_good_words=last_good_words(facts.doing, last, needed_on, for_play=True),
        healed=HealedDates(datetime.date(2024, 4, 2), datetime.date(2024, 4, 6), None),
    )


def weeks() -> SurfaceWeeks:
    """Of the square's scarifying: 2 in 10 till the week of 20 May, 9 in 10 then, and too cold from 24 June on."""
    chance = [0.2] * 8 + [0.9] + [0.6] * 4 + [0.0] * 3
    first = datetime.date(2024, 3, 25)
    facts = TABLE.facts["scarifying"]
    told = [
        Week(first + datetime.timedelta(weeks=n), c, 2 * c, "soil_temperature_cool", "soil too cold")
        for n, c in enumerate(chance)
    ]
    return SurfaceWeeks("square", NOW_MS, (PassWeeks(Intent("scarifying", "standard", 0.008), facts, tuple(told)),))


def forecast() -> WetnessForecast:
    """Eleven courses: thatch from 0.9 down by 0.05 a day, roots from 0.6 down by 0.02, set off by `OFFSETS`."""
    days = np.arange(AHEAD_H + 1)[:, np.newaxis] / 24
    return WetnessForecast(
        NOW_MS, 0.9 - 0.05 * days + OFFSETS, 0.6 - 0.02 * days + OFFSETS / 2, np.full((AHEAD_H, 11), 0.1),
        source="weather forecast", notes=("wind was left out",),
    )  # fmt: skip


def station_advice(name: str, place: str, told: WetnessForecast) -> StationAdvice:
    """One station, short of water at its roots."""
    turf = Turf(place, "clay_loam", 6.0, 40.0, WaterLimits(0.5, 0.15, 0.9, 0.5, 0.2), area_m2=600.0, country="England")
    days = tuple(day_chances(told, ZONE, thatch=(0.3, 0.7)))
    evening = Evening(None if told.reason else 0.9, None if told.reason else 0.4)
    today = datetime.date(2024, 3, 21)
    line = best_day_line("dry enough to scarify", days, today)
    return StationAdvice(name, told, days, line, tonight(turf, evening), turf, evening)


NO_FORECAST = WetnessForecast(
    NOW_MS, np.zeros((1, 0)), np.zeros((1, 0)), np.zeros((0, 0)),
    reason="no forecast of wetness: too few good days of this station",
)  # fmt: skip


def advice(*, needed_on: datetime.date = NEEDED_ON) -> SiteAdvice:
    """All of it."""
    return SiteAdvice(
        NOW_MS,
        (
            SurfaceAdvice(
                "square", "Square", "square",
                (
                    pass_advice("scarifying", SQUARE, needed_on=needed_on),
                    pass_advice("verticutting", replace(SQUARE, buried=())),
                    pass_advice("solid_tining", IN_SEASON),
                ),
                (
                    station_advice("s1", "Square, north end", forecast()),
                    station_advice("s2", "Square, south end", NO_FORECAST),
                ),
                play=(Play("League match <1st XI>", PLAY_MS, PLAY_MS + 7 * HOUR_MS, (4,)),),
                dawn_leaf_degc=-0.6,
            ),
            SurfaceAdvice(
                "outfield", "Outfield", "outfield",
                (replace(pass_advice("solid_tining", OUTFIELD), last_good=None, needed_on=None, last_good_words=""),),
                (station_advice("o1", "Outfield, long side", forecast()),),
            ),
        ),
        notes=("No weather forecast is set: this site's own weather at this season stands in.",),
    )  # fmt: skip
