"""What diary, calendar and settings say of a surface, how its grass grows, and tonight's water.

It makes the `Plans` and the `SurfaceState` that a pass is judged by, and the date by which it has to heal. What is not
known is None or left out.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pipeline.advice.conditions import Hours, Plans
from pipeline.advice.healing import (
    Growth,
    HealedMark,
    end_of_growth,
    growth_ahead,
    learned_factor,
    light_factor,
    moisture_factor,
)
from pipeline.advice.locks import SurfaceState, renovation_span, seasons_of_fixtures, yearly_spans
from pipeline.advice.station_hours import coldest_leaf
from pipeline.advice.station_inputs import StationView, View, boxes_now, is_clay
from pipeline.advice.treatments import TreatmentTable
from pipeline.advice.water import (
    Evening,
    IntervalStep,
    Turf,
    WaterAdvice,
    WaterLimits,
    is_dried_for_play,
    is_light_only,
    next_interval,
    tonight,
    with_step,
    without_water,
)
from pipeline.diary.facts import (
    DatedPass,
    DiaryFacts,
    Play,
    SeenHealed,
    on_strip,
    probes_in_ground,
    to_play_d,
    to_play_h,
)
from pipeline.diary.fixtures import Fixture, of_surface
from pipeline.diary.station import StationContext
from pipeline.forecast.waterings import EVENING_H
from pipeline.site.ground import Station, Surface
from pipeline.site.strips import strip_at, strips_named
from pipeline.soil.layers import Place
from pipeline.soil.moving import binned_means
from pipeline.soil.wetting import Watering
from pipeline.stages.roots import CORE_REACH_MS, RATIOS
from pipeline.stages.stage import FORTNIGHT_MS, NO_SERIES
from pipeline.texts import later, month, say
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeSpan, date_of_day, day_of_date

GROWTH_BACK_DAYS, GROWTH_DAYS = 400, 1130
WHOLE_DAY_H = 18  # hours of a day whose temperature must be known, for its mean to count: our own choice
PLAYED_HOURS_MS = 12 * DAY_MS  # so far ahead, hours of play are closed hour by hour


@dataclass(frozen=True)
class SurfacePlans:
    """What is known of a surface besides the hours of its stations.

    `growth` is by grass; `growth_end` None where it does not end, or is not known. `strips` are those that its stations
    stand on, by their names; None where nobody knows it.
    """

    surface: Surface
    diary: DiaryFacts
    play: tuple[Play, ...]
    seasons: tuple[TimeSpan, ...]
    renovation: TimeSpan | None
    growth: dict[str, Growth]
    growth_end: datetime.date | None
    factor: float
    grass: str
    today: datetime.date
    first_frost_ms: int | None
    strips: Mapping[str, int | None]


def play_of(view: View, surface: Surface, fixtures: Sequence[Fixture], diary: DiaryFacts) -> tuple[Play, ...]:
    """Return the times of play on a surface, of the calendar and of the diary, in order.

    One that names a strip that the square does not have names none: nobody can tell which is meant.
    """
    words = {s.name: s.fixture_words for s in view.config.surfaces}
    found = [
        Play(f.title, f.start_ms, f.end_ms, strips_named(f.title, f.place) if surface.kind == "square" else ())
        for f in of_surface(fixtures, surface.name, words)
    ]
    most = math.inf if surface.strips is None else surface.strips
    held = [p._replace(strips=(), unknown_strips=p.strips) if max(p.strips, default=0) > most else p
            for p in (*found, *diary.fixtures)]  # fmt: skip
    return tuple(sorted(held, key=lambda p: (p.start_ms, p.end_ms, p.title)))


def plans_of(
    view: View, surface: Surface, stations: Sequence[StationView], hours: Sequence[Hours], fixtures: Sequence[Fixture],
    table: TreatmentTable,
) -> SurfacePlans:  # fmt: skip
    """Return everything that is planned on a surface, and how its grass grows."""
    diary = view.facts(surface.name)
    play = play_of(view, surface, fixtures, diary)
    today = datetime.datetime.fromtimestamp(view.now_ms / 1000, view.zone).date()
    if surface.play is not None:
        seasons = yearly_spans(surface.play.first, surface.play.last, view.now_ms, view.zone)
    elif play or surface.kind != "square":
        seasons = seasons_of_fixtures([(p.start_ms, p.end_ms) for p in play])
    else:
        seasons = yearly_spans(*usual_season(view), view.now_ms, view.zone)
    renovation = diary.renovation(view.now_ms)
    if renovation is None and surface.renovation_until is not None and surface.play is not None:
        renovation = renovation_span(surface.play.last, surface.renovation_until, view.now_ms, view.zone)
    grass = "warm" if surface.stations and surface.stations[0].grass == "warm" else "cool"
    growth = growth_of(view, stations, hours, grass)
    ends = _end(growth.get(grass), today)
    frost = stations[0].season.first_frost_ms if stations else None
    factor = learned_factor(_healed_marks(diary, table, growth.get(grass)))
    strips = {one.station.name: strip_of(view, surface, one.station) for one in stations}
    return SurfacePlans(surface, diary, play, seasons, renovation, growth, ends, factor, grass, today, frost, strips)


# A square whose play nobody has written down is in use from April to September: common practice, no source.
USUAL_SEASON = ((4, 1), (9, 30))
USUAL_SEASON_SOUTH = ((10, 1), (3, 31))


def usual_season(view: View) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the first and the last day of a square's usual season. [month, day]"""
    return USUAL_SEASON_SOUTH if view.config.site.southern else USUAL_SEASON


def play_wanted(view: View, plans: SurfacePlans) -> str:
    """Return what to give where nothing is known of play on a surface, as a sentence; empty where something is.

    A lawn is not asked for it, nor a site that has a calendar of fixtures.
    """
    surface = plans.surface
    if surface.kind == "lawn" or surface.play is not None or plans.play or view.config.fixtures.source:
        return ""
    if surface.kind != "square":
        # Translators: play_from and play_until are keys of the settings file, here and below
        asked = later("{place}: no play is known on it. Give play_from and play_until, or a calendar of fixtures")
        return say(asked, place=surface.title)
    (first, _), (last, _) = usual_season(view)
    asked = later(
        "{place}: no play is known on it. Give play_from and play_until, or a calendar of fixtures: "
        "till then it counts as in use from {first} to {last}"
    )
    return say(asked, place=surface.title, first=month(first), last=month(last))


def growth_of(view: View, stations: Sequence[StationView], hours: Sequence[Hours], grass: str) -> dict[str, Growth]:
    """Return growth by kind of grass, from `GROWTH_BACK_DAYS` ago on; empty without a station."""
    if not stations:
        return {}
    station, lead = stations[0], hours[0]
    season = station.season
    first = date_of_day(view.today - GROWTH_BACK_DAYS)
    known = np.full(GROWTH_DAYS, np.nan)
    known[:GROWTH_BACK_DAYS] = season.daily_degc[-GROWTH_BACK_DAYS:]
    expected = _daily_means(lead, lead.of("air_temperature_degc"), view.today)
    forecast = np.where(lead.at_ms < lead.forecast_end_ms, lead.of("air_temperature_degc"), np.nan)
    ahead = _daily_means(lead, forecast, view.today)
    for n in range(ahead.size):
        # today is mostly over or forecast; where no season is known the next days go on as the last
        day = date_of_day(view.today + n)
        if np.isnan(ahead[n]) and (n == 0 or np.isnan(season.usual_degc(day))):
            ahead[n] = expected[n]
    known[GROWTH_BACK_DAYS : GROWTH_BACK_DAYS + ahead.size] = ahead
    wet = _daily_means(lead, lead.of("root_zone_wetness"), view.today - 7)
    moisture = np.full(GROWTH_DAYS, np.nan)
    moisture[GROWTH_BACK_DAYS - 7 : GROWTH_BACK_DAYS - 7 + wet.size] = wet
    days = [first + datetime.timedelta(days=n) for n in range(GROWTH_DAYS)]
    south = view.config.site.southern
    factors = moisture_factor(moisture) * light_factor(days, southern=south)
    grown = {
        kind: growth_ahead(first, known, season.climate, kind, days=GROWTH_DAYS, factors=factors)
        for kind in dict.fromkeys((grass, "cool"))
    }
    return grown


def _daily_means(hours: Hours, values: FloatArray, first_day: int) -> FloatArray:
    """Return the mean of each UTC day from one on, up to the last of the hours; NaN with too few hours."""
    day = hours.at_ms // DAY_MS - first_day
    days = int(hours.at_ms[-1] // DAY_MS) - first_day + 1
    mean, count = binned_means(day, values, days)
    return np.where(count >= WHOLE_DAY_H, mean, np.nan)


def _end(growth: Growth | None, today: datetime.date) -> datetime.date | None:
    """Return the end of growth, where a year ahead is known."""
    return None if growth is None or not known_until(growth, today, today + datetime.timedelta(days=365)) else (
        end_of_growth(growth, today)
    )  # fmt: skip


def known_until(growth: Growth, start: datetime.date, end: datetime.date) -> bool:
    """Return whether growth is known on every day from one up to, but without, another."""
    first, last = (start - growth.first_day).days, (end - growth.first_day).days
    return first >= 0 and last <= growth.recovery.size and bool(np.isfinite(growth.recovery[first:last]).all())


def _healed_marks(diary: DiaryFacts, table: TreatmentTable, growth: Growth | None) -> list[HealedMark]:
    """Return the "healed" marks: growth-days from the pass to the mark, and the middle of the table's. [d]"""
    if growth is None:
        return []
    daily, found = growth.daily(), []
    for mark in diary.healed:
        cut = _pass_of(mark, diary.made)
        facts = None if cut is None else table.facts.get(cut.kind)
        if cut is None or facts is None:
            continue
        low, high = facts.heal_growth_days.get(cut.variant, next(iter(facts.heal_growth_days.values())))
        grown = float(daily.between(cut.start_ms, mark.at_ms))
        if np.isfinite(grown):
            found.append(HealedMark(grown, 0.5 * (low + high)))
    return found


def _pass_of(mark: SeenHealed, made: Iterable[DatedPass]) -> DatedPass | None:
    """Return the pass of a mark: the one named, else the last of its kind before it."""
    before = [p for p in made if p.start_ms < mark.at_ms]
    if mark.entry is not None:
        return next((p for p in before if mark.entry in (p.id, p.begun_id)), None)
    named = [p for p in before if mark.kind in (None, p.kind)]
    return max(named, key=lambda p: (p.start_ms, p.id), default=None)


def plans_for(plans: SurfacePlans, view: View, kind: str, variant: str) -> Plans:
    """Return the plans of one pass."""
    growth = plans.growth.get(grass_of(plans, kind, variant))
    return Plans(
        fixtures_ms=_play_ms(plans, view),
        jobs_ms=plans.diary.jobs_ms(kind, variant, view.now_ms),
        potential=None if growth is None else growth.daily("potential"),
        recovery=None if growth is None else growth.daily(),
        growth_end_ms=None if plans.growth_end is None else day_of_date(plans.growth_end) * DAY_MS,
        heal_factor=plans.factor,
        first_frost_ms=plans.first_frost_ms,
        sights=plans.diary.sights,
    )  # fmt: skip


def grass_of(plans: SurfacePlans, kind: str, variant: str) -> str:
    """Return the grass that has to heal or come up."""
    return "cool" if kind == "overseeding" and variant != "warm" else plans.grass


def _play_ms(plans: SurfacePlans, view: View) -> tuple[int, ...]:
    """Return the begins of play; each hour of play counts as one, so that nothing opens meanwhile. [ms]"""
    found: list[int] = []
    for play in plans.play:
        if play.end_ms <= view.now_ms:
            continue
        found.append(play.start_ms)
        if play.start_ms < view.now_ms + PLAYED_HOURS_MS:
            first = -(-play.start_ms // HOUR_MS) * HOUR_MS
            found += range(first, min(play.end_ms, view.now_ms + PLAYED_HOURS_MS), HOUR_MS)
    return tuple(sorted({*found, *(s.start_ms for s in _to_come(plans, view))}))


def _to_come(plans: SurfacePlans, view: View) -> list[TimeSpan]:
    """Return the seasons of play of the settings that have not begun."""
    return [s for s in plans.seasons if plans.surface.play is not None and s.start_ms > view.now_ms]


def needed_on(plans: SurfacePlans, view: View) -> tuple[datetime.date | None, bool]:
    """Return by when a pass made now has to heal, and whether for play.

    The next play, or begin of the season of play, or the end of growth, whichever comes first; in an autumn renovation
    the first use next year, for then only the seed must come up before winter.
    """
    begins = [p.start_ms for p in plans.play if p.start_ms > view.now_ms] + [s.start_ms for s in _to_come(plans, view)]
    first = min(begins, default=None)
    play = None if first is None else datetime.datetime.fromtimestamp(first / 1000, view.zone).date()
    renovating = plans.renovation is not None and plans.renovation.start_ms <= view.now_ms < plans.renovation.end_ms
    if play is not None and (renovating or plans.growth_end is None or play <= plans.growth_end):
        return play, True
    return (None, False) if renovating else (plans.growth_end, False)


def is_before_winter(plans: SurfacePlans, day: datetime.date | None) -> bool:
    """Return whether a day comes before growth ends."""
    return day is not None and (plans.growth_end is None or day <= plans.growth_end)


def ground_of(plans: SurfacePlans, view: View, station: StationView, root_depth_m: float | None) -> SurfaceState:
    """Return what is known of a surface at one of its stations, besides its hours. Root depth in [m]."""
    surface, diary = plans.surface, plans.diary
    return SurfaceState(
        title=surface.title,
        kind=surface.kind,
        grass=plans.grass,
        clay=is_clay(station.context),
        water_to_hand=surface.water_to_hand,
        hosepipe_limit=view.config.water.restricted,
        seasons=plans.seasons,
        usual_seasons=yearly_spans(*usual_season(view), view.now_ms, view.zone),
        renovation=plans.renovation,
        sown_ms=diary.latest_sown_ms(view.now_ms),
        regulator_until_ms=diary.until_ms("regulator", view.now_ms),
        pre_emergence_until_ms=diary.until_ms("pre_emergence", view.now_ms),
        root_depth_m=root_depth_m,
        newest_reading_ms=station.newest_ms,
        doubtful=station.doubtful,
        carried_since_ms=station.carried_since_ms,
        carried_from=station.carried_from,
        buried=probes_in_ground(surface, diary, view.now_ms),
        overrides=diary.overrides,
        thatch_by_eye=not any(station.context.place(i, view.now_ms) is Place.THATCH for i in station.context.moisture),
    )


ROOTS_OLD_MS = 62 * DAY_MS  # an estimate older than this says nothing of now: our own choice
ROOTS_BACK_MS = 3 * 366 * DAY_MS
ARRIVAL_OLD_MS = 30 * DAY_MS
WETTING_MM = 3.0  # rain of a day that counts as a watering: our own choice
SEEDLING_MS = 56 * DAY_MS
DROP_OLD_MS = 42 * DAY_MS  # a drop timed longer ago says nothing of now: our own choice


def root_depth_m(view: View, context: StationContext) -> float | None:
    """Return the rooting depth below the leaf base by the newest estimate, scaled to cores; None if not known. [m]

    Raises
    ------
    StoreAway
    """
    return view.cache.once(
        ("roots", context.station, context.facts.root_cores), view.today, lambda: _root_depth_m(view, context)
    )


def _root_depth_m(view: View, context: StationContext) -> float | None:
    table = view.store.findings(context.station, ["root_depth_90"], view.now_ms - ROOTS_BACK_MS, view.now_ms)
    starts, ends = (table[name].to_numpy(dtype=np.int64).tolist() for name in ("start_ms", "end_ms"))
    known = []
    for start, end, value, high in zip(starts, ends, table["value"].tolist(), table["high"].tolist(), strict=True):
        soil_m = value - context.soil_top_m((start + end) // 2)
        if math.isfinite(soil_m) and soil_m > 0.0:
            known.append((start, soil_m, math.isnan(high)))
    if not known or view.now_ms - known[-1][0] - FORTNIGHT_MS > ROOTS_OLD_MS:
        return None
    ratio = _ruler_ratio(context, [(start, depth) for start, depth, at_least in known if not at_least])
    if ratio is None:
        return None
    return float(ratio * known[-1][1]) + context.soil_top_m(view.now_ms)


def _ruler_ratio(context: StationContext, estimates: list[tuple[int, float]]) -> float | None:
    """Return depth by ruler over estimate, of the first core with an estimate near it in time. [1]"""
    for core in context.facts.root_cores:
        near = [
            (max(start - core.at_ms, core.at_ms - start - FORTNIGHT_MS, 0), start, depth) for start, depth in estimates
        ]
        near = [n for n in near if n[0] <= CORE_REACH_MS]
        if near and RATIOS[0] <= core.length_m / min(near)[2] <= RATIOS[1]:
            return core.length_m / min(near)[2]
    return None


def water_of(view: View, plans: SurfacePlans, station: StationView, turf: Turf, evening: Evening) -> WaterAdvice:
    """Return tonight's water of one station."""
    step = _interval(view, plans, station, turf, evening)
    found = tonight(turf, replace(evening, interval_days=None if step is None else step.interval_days))
    if step is not None and step.interval_days != evening.interval_days:
        found = with_step(found, step)
    return found if plans.surface.water_to_hand or not found.mm else without_water(found)


def _interval(
    view: View, plans: SurfacePlans, station: StationView, turf: Turf, evening: Evening
) -> IntervalStep | None:
    """Return the next step of drawing roots down; None where the settings do not ask for it.

    A watering counts as held when the roots went the whole interval before it and no wilt was seen since.
    """
    days = evening.interval_days
    if days is None:
        return None
    wilts = [s.at_ms for s in plans.diary.sights if s.what == "wilt" and s.value > 0.0]
    since = max(wilts, default=0)
    given = [w.start_ms for w in _waterings(view, plans, station) if w.start_ms <= view.now_ms]
    apart = [later - earlier >= (days - 0.5) * DAY_MS and earlier > since for earlier, later in pairwise(given)]
    held = next((n for n, whole in enumerate(reversed(apart)) if not whole), len(apart))
    return next_interval(turf, evening, days, cycles_held=held, roots_wanted_m=station.context.ground.root_zone_m)


def turf_of(view: View, plans: SurfacePlans, station: StationView) -> Turf:
    """Return what is to be watered at a station."""
    context, fitted = station.context, station.fitted.parameters
    boxes = boxes_now(context, station.past, view.now_ms)
    sown = plans.diary.latest_sown_ms(view.now_ms)
    thatch_mm, root_mm, canopy_mm, bypass = boxes.thatch_capacity_mm, boxes.root_capacity_mm, 1.0, 0.0
    if fitted is not None:
        thatch_mm, root_mm = float(np.max(fitted.thatch_capacity_mm)), float(np.max(fitted.root_capacity_mm))
        canopy_mm, bypass = float(np.max(fitted.canopy_mm)), float(np.max(fitted.bypass_share))
    return Turf(
        place=station.place,
        soil=context.ground.soil,
        thatch_capacity_mm=thatch_mm,
        root_capacity_mm=root_mm,
        limits=WaterLimits(
            frost_degc=view.config.alert_bound("frost_at_dawn", "on_degc"),
            repels_wetness=view.config.alert_bound("thatch_to_repel", "on_wetness"),
            holds_wetness=view.config.alert_bound("thatch_holding", "on_wetness"),
            roots_dry_wetness=view.config.alert_bound("thatch_holding", "root_wetness"),
            arrival_share=view.config.alert_bound("water_not_arriving", "on_share"),
        ),
        canopy_mm=canopy_mm,
        bypass_share=bypass,
        area_m2=plans.surface.area_m2,
        seed=sown is not None and view.now_ms - sown < SEEDLING_MS,
        grass=plans.grass,
        green=plans.surface.kind == "green",
        country=view.config.site.country,
        drop_s=_drop_s(view, plans, station),
    )


def _drop_s(view: View, plans: SurfacePlans, station: StationView) -> float | None:
    """Return in which time a drop soaked into the last core of a station; None where none was timed lately. [s]"""
    drops = view.facts(plans.surface.name, station.station.name).drops
    lately = [one.seconds for one in drops if view.now_ms - DROP_OLD_MS <= one.at_ms <= view.now_ms]
    return lately[-1] if lately else None


def evening_of(view: View, plans: SurfacePlans, station: StationView, hours: Hours, root_m: float | None) -> Evening:
    """Return what is known of a station this evening. Root depth in [m]."""
    now = int((view.hour_ms - hours.at_ms[0]) // HOUR_MS)
    until = _tomorrow_evening_ms(view)
    ahead_h = int((until - view.hour_ms) // HOUR_MS)
    own, tonight_ms = on_strip(plans.play, plans.strips[station.station.name]), max(view.now_ms, until - DAY_MS)
    tonight_d = to_play_d(own, tonight_ms)  # from tonight's water, or from now once it is evening
    rain: tuple[float, ...] = ()
    demand = None
    if station.weather is not None:
        rain = tuple(station.weather.rain_within(ahead_h).tolist())
        asked = float(np.maximum(station.weather.reference_et_mm[:ahead_h], 0.0).sum(axis=0).mean())
        crop = 1.0 if station.fitted.parameters is None else float(np.max(station.fitted.parameters.crop_coefficient))
        demand = asked * crop if math.isfinite(asked) else None
    return Evening(
        thatch_wetness=_known(hours.of("thatch_wetness")[now]),
        root_wetness=_known(hours.of("root_zone_wetness")[now]),
        demand_tomorrow_mm=demand,
        rain_mm=rain,
        lowest_degc=coldest_air(view, hours),
        days_to_play=to_play_d(own, view.now_ms),
        light_only=is_light_only(plans.surface.kind, tonight_d),
        hours_to_play=to_play_h(plans.play, tonight_ms),
        given_mm=_given_mm(view, plans, station),
        dried_for_play=is_dried_for_play(plans.surface.kind, tonight_d),
        restricted=view.config.water.restricted,
        arrival_share=_arrival_share(view, station.context),
        days_since_water=_days_since_water(view, plans, station, hours, now),
        interval_days=plans.surface.interval_days,
        wilt=any(s.what == "wilt" and s.value > 0 and 0 <= view.now_ms - s.at_ms < DAY_MS for s in plans.diary.sights),
        root_depth_m=root_m,
        wetness_error=station.start_error,
    )


def tonight_of(view: View, water: WaterAdvice) -> Watering:
    """Return the water advised for tonight as one that is given this evening, or now once it is later."""
    at_ms = max(_tomorrow_evening_ms(view) - DAY_MS, view.hour_ms)
    return Watering(at_ms, at_ms + max(water.goes, 1) * HOUR_MS, water.mm or 0.0)


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _tomorrow_evening_ms(view: View) -> int:
    here = datetime.datetime.fromtimestamp(view.hour_ms / 1000, view.zone)
    evening = datetime.datetime.combine(here.date() + datetime.timedelta(days=1), datetime.time(EVENING_H), view.zone)
    return round(evening.timestamp() * 1000)


def strip_of(view: View, surface: Surface, station: Station) -> int | None:
    """Return the strip that a station stands on, by its place on the plan [m]; None where it or they are not given."""
    if surface.strips is None or len(surface.outline) != 4:
        return None
    placed = [e for e in view.entries if e.kind == "place" and e.station == station.name and "probe" not in e.body]
    at_m = (placed[-1].number("x_m"), placed[-1].number("y_m")) if placed else station.at_m
    return None if at_m is None else strip_at(surface.outline, surface.strips, at_m)


ARRIVES_MS = 3 * HOUR_MS  # so long after a watering the probes may not show it yet: our own choice


def _given_mm(view: View, plans: SurfacePlans, station: StationView) -> float:
    """Return the water given that the readings do not show yet: of the last hours, or since the last reading. [mm]"""
    since_ms = min(view.now_ms - ARRIVES_MS, view.now_ms if station.newest_ms is None else station.newest_ms)
    given = (w for w in _waterings(view, plans, station) if since_ms < w.end_ms and w.start_ms <= view.now_ms)
    return float(sum(w.water_mm for w in given))


def dawn_ms(view: View) -> int:
    """Return the end of the present or coming night: the next nine o'clock of the place. [ms since 1970, UTC]"""
    here = datetime.datetime.fromtimestamp(view.hour_ms / 1000, view.zone)
    day = here.date() + datetime.timedelta(days=0 if here.hour < 9 else 1)
    return round(datetime.datetime.combine(day, datetime.time(9), view.zone).timestamp() * 1000)


def coldest_air(view: View, hours: Hours) -> float | None:
    """Return the coldest air of the coming night, as far as it is forecast; None when none of it is. [degC]"""
    ahead = (hours.at_ms >= view.hour_ms) & (hours.at_ms < min(dawn_ms(view), hours.forecast_end_ms))
    air = hours.of("air_temperature_degc")[ahead]
    return float(air.min()) if air.size and np.isfinite(air).all() else None


def dawn_leaf_degc(view: View, hours: Hours) -> float | None:
    """Return the coldest leaf of the coming night; None when it is not forecast. [degC]"""
    return coldest_leaf(view, hours, dawn_ms(view))


def _arrival_share(view: View, context: StationContext) -> float | None:
    """Return the share of the last water that reached the roots, where it is known. [1]"""
    since_ms = view.now_ms - ARRIVAL_OLD_MS
    found = view.store.finding_series(context.station, ["arrival_share"], since_ms, view.now_ms)
    _, values = found.get("arrival_share", NO_SERIES)
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else None


def _waterings(view: View, plans: SurfacePlans, station: StationView) -> tuple[Watering, ...]:
    """Return the waterings of a station whose amount is known, in order of time."""
    return view.facts(plans.surface.name, station.station.name).measured_waterings


def _days_since_water(view: View, plans: SurfacePlans, station: StationView, hours: Hours, now: int) -> float | None:
    """Return the days since a watering or a wet day, as far back as the hours go. [d]"""
    given = [w.end_ms for w in _waterings(view, plans, station) if w.end_ms <= view.now_ms]
    rain = np.nan_to_num(hours.of("rain_mm")[:now])
    day = np.convolve(rain, np.ones(24))[: rain.size]
    wet = np.flatnonzero(day >= WETTING_MM)
    if wet.size:
        given.append(int(hours.at_ms[wet[-1]]))
    return (view.now_ms - max(given)) / DAY_MS if given else None
