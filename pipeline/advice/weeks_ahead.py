"""The weeks ahead: for each pass of a surface the chance that it can be made in a week, for sixteen weeks on.

Past ten days no forecast tells, so each member is a course of weather as the climate has it, with the water balance of
the station run on it and the temperatures that go with it. Every course is judged as though it had come, by the
conditions, bounds and locks that the days ahead are judged by; a week's chance is the share of courses in which it has
a day of work in it. It is for booking and planning, and is worked out once a day.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.advice.chances import DEW_MISS_K, SOIL_MISS_K
from pipeline.advice.conditions import CONDITIONS, LOOK_BACK_H, Hours, Known, Plans, Verdict, verdicts_of
from pipeline.advice.healing import YEAR_TO_YEAR_DEGC
from pipeline.advice.locks import SurfaceState, locks
from pipeline.advice.station_hours import hours_of
from pipeline.advice.station_inputs import StationView, View, stations_with_moisture, surface_views
from pipeline.advice.surface_inputs import SurfacePlans, grass_of, ground_of, plans_for, plans_of, root_depth_m
from pipeline.advice.treatments import TreatmentTable, default_passes, treatments
from pipeline.advice.windows import TOO_LITTLE_BEFORE_PLAY, Judged, judge_conditions
from pipeline.diary.facts import Intent
from pipeline.diary.fixtures import Fixture
from pipeline.forecast.climatology import (
    DEPARTURE_FADES_H,
    SOIL_FOLLOWS_H,
    Daily,
    air_ahead,
    by_hour_of_day,
    place_in_year,
    soil_ahead,
)
from pipeline.forecast.waterings import waterings_ahead
from pipeline.forecast.weather_ahead import DAYS_AHEAD, WeatherAhead, from_climate, usual_demand_mm
from pipeline.forecast.wetness import DRY_MM_H, LEAST_WORK_H, WetnessForecast, forecast_wetness, tenths
from pipeline.site.ground import Surface
from pipeline.site.passes import PassFacts
from pipeline.soil.climate import growth_potential
from pipeline.soil.moving import binned_means
from pipeline.texts import say
from pipeline.units import DAY_MS, HOUR_MS, BoolArray, FloatArray, date_of_day

WEEKS_AHEAD = 16
BEYOND_D = 21  # past the last week, in which frost and the seedbed are looked for
EVERY = 2  # of the members of the days ahead every second is gone on with: tenths are told
WATERED_ABOVE = 0.5  # of the demand of now; a keeper's habit ends with his season: our own choice
LEAST_TOLD = 3  # in ten: no week is named as the best under it, as of the days ahead: our own choice
LEAST_GROWTH = 0.01  # under which the growth of one course is not held against the usual


@dataclass(frozen=True, slots=True)
class Week:
    """One week of a pass.

    Attributes
    ----------
    first : date
        Its Monday.
    chance : float
        That it has a day with `LEAST_WORK_H` dry open hours of work in a row. [1]
    days : float
        Such days that are to be expected in it. [d]
    binding, reason : str
        The condition or lock that shuts most of it, by name and in words; empty where nothing does.
    """

    first: datetime.date
    chance: float
    days: float
    binding: str = ""
    reason: str = ""


@dataclass(frozen=True)
class PassWeeks:
    """The weeks of one kind of pass on a surface."""

    intent: Intent
    facts: PassFacts
    weeks: tuple[Week, ...]


@dataclass(frozen=True)
class SurfaceWeeks:
    """The weeks ahead of a surface, one entry a pass; `reason` says why there are none, empty otherwise."""

    surface: str
    at_ms: int
    passes: tuple[PassWeeks, ...]
    reason: str = ""


def weeks_of_surface(view: View, surface: Surface, fixtures: tuple[Fixture, ...]) -> SurfaceWeeks:
    """Return the weeks ahead of a surface.

    Parameters
    ----------
    view : View
    surface : Surface
    fixtures : tuple of Fixture
        Of the calendar.

    Raises
    ------
    StoreAway
    """
    nothing = SurfaceWeeks(surface.name, view.now_ms, ())
    if view.config.climate is None:
        return replace(nothing, reason=say("there is no [climate] in the settings"))
    views = surface_views(
        view, stations_with_moisture(view, surface.stations), {s.name: surface.place(s) for s in surface.stations}
    )
    if not views:
        return replace(nothing, reason=say("no probe in the turf and no reading by hand"))
    hours = [hours_of(view, one) for one in views]
    told = [i for i, one in enumerate(views) if not one.forecast.reason and one.weather is not None]
    if not told:
        return replace(nothing, reason=views[0].forecast.reason)
    table = treatments().for_surface(surface.kind, view.config.bounds[surface.name])
    plans = plans_of(view, surface, views, hours, fixtures, table)
    thought_of = [(p.kind, p.variant, p.depth_m) for p in surface.passes]
    intents = [Intent(*one) for one in thought_of or default_passes(surface.kind, plans.grass)]
    each = [_at_station(view, plans, intents, table, views[i], hours[i]) for i in told]
    if any(one is None for one in each):
        return replace(nothing, reason=say("no temperature of the air is known"))
    days = _work_days(view)
    passes = [
        PassWeeks(intent, table.facts[intent.kind], _weeks([one[i] for one in each if one is not None], days))
        for i, intent in enumerate(intents)
    ]
    return replace(nothing, passes=tuple(passes))


def best_week(weeks: Sequence[Week]) -> Week | None:
    """Return the first week whose chance is within a tenth of the best; None where the best is under 3 in 10."""
    best = max((one.chance for one in weeks), default=0.0)
    near = (one for one in weeks if one.chance >= best - 0.1 and tenths(one.chance) >= LEAST_TOLD)
    return next(near, None)


# --- courses of weather, water and warmth ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Courses:
    """The hours of a station over the weeks ahead, as expected, and what each course has of its own.

    `base` begins a week ago, as the hours of the days ahead do. Series of courses have the shape (hour ahead, course).
    """

    base: Hours
    wetness: WetnessForecast
    rain_mm: FloatArray
    air_miss_k: FloatArray
    soil_miss_k: FloatArray
    dew_miss_k: FloatArray

    @property
    def count(self) -> int:
        """How many."""
        return int(self.rain_mm.shape[1])

    def hours(self, course: int) -> Hours:
        """Return the hours of one course, all of them as if measured or forecast."""
        base = self.base
        own = {
            "thatch_wetness": self.wetness.thatch_wetness[:-1, course],
            "root_zone_wetness": self.wetness.root_wetness[:-1, course],
            "rain_mm": self.rain_mm[:, course],
        }
        air, soil = self.air_miss_k[:, course], self.soil_miss_k[:, course]
        off = {
            "air_temperature_degc": air,
            "surface_temperature_degc": air,
            "dew_point_degc": air + self.dew_miss_k[:, course],
            "soil_temperature_degc": soil,
        }
        series = dict(base.series)
        for name, values in own.items():
            series[name] = np.concatenate([base.of(name)[:LOOK_BACK_H], values])
        for name, miss in off.items():
            series[name] = base.of(name) + np.concatenate([np.zeros(LOOK_BACK_H), miss])
        bed = base.soil_temperature_by_day
        if bed is not None:
            day = base.at_ms // DAY_MS - bed.first_day_ms // DAY_MS
            mean, _ = binned_means(day, series["soil_temperature_degc"], bed.values.size)
            bed = Daily(bed.first_day_ms, np.where(np.isnan(mean), bed.values, mean))
        return replace(base, series=series, soil_temperature_by_day=bed)


def _courses(view: View, station: StationView, hours: Hours) -> _Courses:
    """Return the courses of a station, from the hours of its ten days on."""
    weather = _weather(view, station)
    count, members = weather.rain_mm.shape
    watering = waterings_ahead(station.to_come, weather.rain_mm, view.hour_ms, view.zone)
    watering *= _still_watered(view, station, count)[:, np.newaxis]
    past = station.past.cut(0, (view.hour_ms - station.past.first_ms) // HOUR_MS)
    wetness = forecast_wetness(
        past, station.fitted, weather, watering_mm=watering, start_error=station.start_error, unwatered=None
    )
    air = _air_misses(station, view.today, count, members)
    return _Courses(
        _expected(station, hours, count), wetness, weather.rain_mm, air, _following(air, members),
        DEW_MISS_K * np.repeat(np.random.default_rng(6).standard_normal((count // 24, members)), 24, axis=0),
    )  # fmt: skip


def _weather(view: View, station: StationView) -> WeatherAhead:
    """Return the members of the ten days, each gone on with by the climate."""
    soon, climate, place = station.weather, view.config.climate, station.context.site.location
    assert soon is not None and climate is not None and place is not None
    days = (_first_week(view) - _today(view)).days + 7 * WEEKS_AHEAD + BEYOND_D - DAYS_AHEAD + 1
    members = soon.rain_mm[:, ::EVERY].shape[1]
    later = from_climate(climate, view.hour_ms + DAYS_AHEAD * DAY_MS, place=place, days=days, members=members)
    return WeatherAhead(
        view.hour_ms, np.vstack([soon.rain_mm[:, ::EVERY], later.rain_mm]),
        np.vstack([soon.reference_et_mm[:, ::EVERY], later.reference_et_mm]), soon.source,
    )  # fmt: skip


def _still_watered(view: View, station: StationView, hours: int) -> FloatArray:
    """Return 1 for hours of days on which a habit of watering goes on, 0 for others: when little is asked, it ends."""
    climate, place = view.config.climate, station.context.site.location
    assert climate is not None and place is not None
    daily = usual_demand_mm(climate, view.hour_ms, hours // 24, place).reshape(-1, 24).sum(axis=1)
    return np.repeat((daily >= WATERED_ABOVE * daily[0]).astype(np.float64), 24)


def _expected(station: StationView, hours: Hours, count: int) -> Hours:
    """Return the hours of a station made longer by what is usual at the season, all of them counted as forecast."""
    known = hours.at_ms.size
    at_ms = hours.at_ms[0] + HOUR_MS * np.arange(LOOK_BACK_H + count, dtype=np.int64)
    further = at_ms[known:]
    usual = np.array([station.season.usual_degc(date_of_day(int(day))) for day in further // DAY_MS])
    last = slice(known - LOOK_BACK_H, known)
    begun = int(hours.at_ms[last][0])
    air, leaf, dew = (hours.of(name) for name in ("air_temperature_degc", "surface_temperature_degc", "dew_point_degc"))
    of_day = (further // HOUR_MS) % 24
    later_air = air_ahead(air[last], begun, further, usual)
    over, below = (by_hour_of_day(one[last] - air[last], begun)[of_day] for one in (leaf, dew))
    whole = np.concatenate([air, later_air])
    soil = hours.of("soil_temperature_degc")
    later_soil = soil_ahead(soil[last], whole[known - LOOK_BACK_H :], further.size)
    blank = np.full(further.size, np.nan)
    series = {
        "air_temperature_degc": whole,
        "surface_temperature_degc": np.concatenate([leaf, later_air + over]),
        "dew_point_degc": np.concatenate([dew, later_air + below]),
        "soil_temperature_degc": np.concatenate([soil, later_soil]),
        "rain_mm": np.concatenate([hours.of("rain_mm"), blank]),
        "thatch_wetness": np.concatenate([hours.of("thatch_wetness"), blank]),
        "root_zone_wetness": np.concatenate([hours.of("root_zone_wetness"), blank]),
        "ground_top_temperature_degc": np.concatenate([hours.of("ground_top_temperature_degc"), blank]),
        "ground_depth_temperature_degc": np.concatenate([hours.of("ground_depth_temperature_degc"), blank]),
    }
    return Hours(at_ms, series, int(at_ms[-1]) + HOUR_MS, None, hours.soil_temperature_by_day, None)


def _air_misses(station: StationView, today: int, hours: int, members: int) -> FloatArray:
    """Return how much warmer than expected the air of each course is, shape (hour, course). [K]

    Days as far from the usual as the climate has them, each like the day before it so far as a departure fades, and
    on a year that is warmer or colder than others.
    """
    days = -(-hours // 24)
    place = [date_of_day(today + n) for n in range(days)]
    spread = np.array([station.season.climate.spread_degc[place_in_year(day)] for day in place])
    spread = np.nan_to_num(spread)
    keep = float(np.exp(-24.0 / DEPARTURE_FADES_H))
    rng = np.random.default_rng(4)
    draws = rng.standard_normal((days, members))
    found, state = np.empty((days, members)), np.zeros(members)
    for day in range(days):
        state = keep * state + np.sqrt(1.0 - keep**2) * draws[day]
        found[day] = state * spread[day]
    year = (
        YEAR_TO_YEAR_DEGC * rng.standard_normal(members) * np.minimum(np.arange(days) / DAYS_AHEAD, 1.0)[:, np.newaxis]
    )
    return np.asarray(np.repeat(found + year, 24, axis=0)[:hours], dtype=np.float64)


def _following(air_miss_k: FloatArray, members: int) -> FloatArray:
    """Return how much warmer than expected the soil of each course is: it follows the air. [K]"""
    keep = float(np.exp(-1.0 / SOIL_FOLLOWS_H))
    found, state = np.empty_like(air_miss_k), np.zeros(members)
    for hour in range(air_miss_k.shape[0]):
        state = keep * state + (1.0 - keep) * air_miss_k[hour]
        found[hour] = state
    return found + SOIL_MISS_K * np.random.default_rng(5).standard_normal(members)


# --- what is made of them --------------------------------------------------------------------------------------------

# What the courses decide; all else is as firm as calendar and diary are. A frost that may come is one that some of the
# courses have, so the chance of one is not asked for.
OF_COURSES = frozenset(
    {name for name, one in CONDITIONS.items() if one.known is Known.MEASURED} | {"growth_now", "growth_to_come"}
)
NO_CHANCE_OF = frozenset({"frost_chance"})
Why = tuple[str, str]  # condition or lock by name, and why it shuts in words


@dataclass
class _Judging:
    """A pass at a station: in which hours and courses it is open, and how much of each hour a thing shuts. [1]"""

    judged: list[Judged]
    by_eye: bool
    good: BoolArray
    shut: dict[Why, FloatArray]

    def close(self, why: Why, closed: BoolArray, course: int | None = None) -> None:
        """Take a pass for shut in some hours, of one course or of all."""
        if not closed.any():
            return
        courses = slice(None) if course is None else slice(course, course + 1)
        self.good[:, courses] &= ~closed[:, np.newaxis]
        share = 1.0 if course is None else 1.0 / self.good.shape[1]
        self.shut[why] = np.asarray(self.shut.get(why, 0.0) + share * closed, dtype=np.float64)


def _at_station(
    view: View,
    plans: SurfacePlans,
    intents: Sequence[Intent],
    table: TreatmentTable,
    station: StationView,
    known_hours: Hours,
) -> list[_Judging] | None:
    """Return every pass at a station, judged in each course; None where the air's temperature is not known."""
    ground = ground_of(plans, view, station, root_depth_m(view, station.context))
    its = _courses(view, station, known_hours)
    if np.isnan(its.base.of("air_temperature_degc")[LOOK_BACK_H:]).any():
        return None
    own = [plans_for(plans, view, one.kind, one.variant) for one in intents]
    found = [_firm(view, one, table, ground, its, its_plans) for one, its_plans in zip(intents, own, strict=True)]
    for course in range(its.count):
        hours, known = its.hours(course), dict[object, FloatArray]()
        for intent, its_plans, judging in zip(intents, own, found, strict=True):
            grass = grass_of(plans, intent.kind, intent.variant)
            grown = _grown(its_plans, hours, grass)
            for one in judging.judged:
                key = (one.condition.name, one.row.window_h, grass)
                if key not in known:
                    known[key] = one.condition.value(one.row, hours, grown)
                _close_by(judging, one, known[key], course)
    return found


def _firm(
    view: View, intent: Intent, table: TreatmentTable, ground: SurfaceState, its: _Courses, plans: Plans
) -> _Judging:
    """Return a pass judged by its locks and all that no weather decides, with what is left to be asked of courses."""
    asked = [
        j for j in judge_conditions(intent, table, ground, its.base, plans) if j.condition.name not in NO_CHANCE_OF
    ]
    at_ms = its.base.at_ms[LOOK_BACK_H:]
    found = _Judging(
        [j for j in asked if j.condition.name in OF_COURSES], ground.thatch_by_eye,
        its.rain_mm < DRY_MM_H, {},
    )  # fmt: skip
    for lock in locks(intent, table.facts[intent.kind], ground, view.now_ms):
        if not lock.is_data:  # data that are missing today are there by then
            found.close((lock.name, lock.reason), (at_ms >= lock.span.start_ms) & (at_ms < lock.span.end_ms))
    for j in asked:
        if j.condition.name not in OF_COURSES:
            _close_by(found, j, j.values)
    return found


def _close_by(judging: _Judging, one: Judged, values: FloatArray, course: int | None = None) -> None:
    """Take a pass for shut where a condition is asked and not open, too low and too high each for its own reason."""
    verdicts = verdicts_of(values, one.row.bounds)
    closed = (one.asked & ~one.warns & (verdicts != Verdict.OPEN))[LOOK_BACK_H:]
    if not closed.any():
        return
    condition, ahead = one.condition, values[LOOK_BACK_H:]
    unknown = np.isnan(ahead)
    if condition.known is Known.SEEN or (judging.by_eye and condition.name.startswith("thatch_")):
        closed &= ~unknown
    low = ahead < one.row.bounds.open_lo
    play = one.before_play[LOOK_BACK_H:] & (condition.name == "growth_to_come")
    parts = ((condition.low, low & ~play), (TOO_LITTLE_BEFORE_PLAY[0], low & play), (condition.high, ~low & ~unknown))
    for words, where in parts:
        judging.close((condition.name, words), closed & where, course)
    judging.close((condition.name, ""), closed & unknown, course)


def _grown(plans: Plans, hours: Hours, grass: str) -> Plans:
    """Return the plans with the growth of a course: by its own warmth, as far as the hours go."""
    potential, recovery = plans.potential, plans.recovery
    if potential is None or recovery is None:
        return plans
    day = hours.at_ms // DAY_MS - potential.first_day_ms // DAY_MS
    mean, count = binned_means(day[LOOK_BACK_H:], hours.of("air_temperature_degc")[LOOK_BACK_H:], potential.values.size)
    own = np.where(count == 24, growth_potential(mean, grass), potential.values)
    usual = np.maximum(potential.values, LEAST_GROWTH)
    return replace(
        plans, potential=Daily(potential.first_day_ms, own),
        recovery=Daily(recovery.first_day_ms, recovery.values * np.maximum(own, LEAST_GROWTH) / usual),
    )  # fmt: skip


def _work_days(view: View) -> list[tuple[datetime.date, npt.NDArray[np.int64]]]:
    """Return the local days of the weeks, each with the rows of its hours of work, counted from now on."""
    first, (begin, end) = _first_week(view), view.config.work.hours
    found = []
    for number in range(7 * WEEKS_AHEAD):
        day = first + datetime.timedelta(days=number)
        at = datetime.datetime.combine(day, datetime.time(begin), view.zone)  # clocks change by night
        row = -(-(round(at.timestamp() * 1000) - view.hour_ms) // HOUR_MS)
        found.append((day, row + np.arange(end - begin, dtype=np.int64)))
    return found


def _weeks(each: Sequence[_Judging], days: Sequence[tuple[datetime.date, npt.NDArray[np.int64]]]) -> tuple[Week, ...]:
    """Return the weeks of a pass from what is made of it at every station: open where all of them are."""
    good = np.logical_and.reduce([one.good for one in each])
    found = []
    for begin in range(0, len(days), 7):
        week = days[begin : begin + 7]
        fit = np.array([_has_work(good[rows]) for _, rows in week])  # by day and course
        rows = np.concatenate([rows for _, rows in week])
        shut = dict[Why, float]()
        for one in each:
            for why, share in one.shut.items():
                shut[why] = shut.get(why, 0.0) + float(share[rows].mean())
        why = max(shut, key=lambda one: (round(shut[one], 1), not _is_of_water(one)), default=("", ""))
        found.append(Week(week[0][0], float(fit.any(axis=0).mean()), float(fit.mean(axis=1).sum()), why[0], _said(why)))
    return tuple(found)


def _is_of_water(why: Why) -> bool:
    """Return whether wetness or rain shuts it, which passes sooner than cold or play that shuts as much."""
    return "wetness" in why[0] or why[0].startswith("rain_")


def _has_work(good: BoolArray) -> BoolArray:
    """Return in which courses a day has `LEAST_WORK_H` hours in a row, from its hours of work."""
    if good.shape[0] < LEAST_WORK_H:
        return np.zeros(good.shape[1], dtype=np.bool_)
    spans = np.lib.stride_tricks.sliding_window_view(good, LEAST_WORK_H, axis=0)
    return np.asarray(spans.all(axis=-1).any(axis=0))


def _said(why: Why) -> str:
    """Return why a week is shut, in words."""
    name, reason = why
    if name not in CONDITIONS:  # a lock has its words already
        return reason
    return say(reason) if reason else say("{what} is not known", what=say(CONDITIONS[name].title))


def _first_week(view: View) -> datetime.date:
    """Return the Monday of the week in which the days ahead end."""
    ends = _today(view) + datetime.timedelta(days=DAYS_AHEAD)
    return ends - datetime.timedelta(days=(ends.toordinal() - 1) % 7)  # the first of January of year 1 was a Monday


def _today(view: View) -> datetime.date:
    return datetime.datetime.fromtimestamp(view.now_ms / 1000, view.zone).date()
