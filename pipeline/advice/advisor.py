"""Advice for a site at one moment, and the thread that works it out each hour."""

from __future__ import annotations

import datetime
import logging
import random
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.advice.cautions import cautions_of
from pipeline.advice.conditions import Hours, Row
from pipeline.advice.healing import early_end_of_growth, healed_dates, last_good_date, last_sowing
from pipeline.advice.report import (
    PassAdvice,
    SiteAdvice,
    StationAdvice,
    SurfaceAdvice,
    doing_of,
    last_good_words,
    last_sowing_words,
    of_place,
    too_late_once,
    window_words,
)
from pipeline.advice.station_hours import hours_of, with_wetness_of
from pipeline.advice.station_inputs import (
    AdviceCache,
    StationView,
    View,
    stations_with_moisture,
    surface_views,
    watered_tonight,
)
from pipeline.advice.surface_inputs import (
    SurfacePlans,
    dawn_leaf_degc,
    evening_of,
    ground_of,
    is_before_winter,
    known_until,
    needed_on,
    plans_for,
    plans_of,
    play_wanted,
    root_depth_m,
    tonight_of,
    turf_of,
    water_of,
)
from pipeline.advice.treatments import TreatmentTable, default_passes, treatments
from pipeline.advice.water import Evening, Turf, WaterAdvice
from pipeline.advice.weeks_ahead import SurfaceWeeks, weeks_of_surface
from pipeline.advice.windows import Outlook, in_work_hours, join_outlooks, outlook
from pipeline.diary.facts import Intent
from pipeline.diary.fixtures import Fixture, fixture_source
from pipeline.errors import PipelineFault
from pipeline.forecast.weather_file import WeatherForecast, usable_faults, weather_source
from pipeline.forecast.wetness import best_day_line, day_chances
from pipeline.run.backoff import Outage
from pipeline.run.cached_fetch import Kept, KeptSource
from pipeline.run.clock import Clock, FollowClock
from pipeline.run.metrics import Metrics
from pipeline.site.ground import Surface
from pipeline.site.settings import SiteConfig
from pipeline.store import Store
from pipeline.store.diary import Diary
from pipeline.texts import later, say, say_many
from pipeline.units import DAY_MS, HOUR_MS

DIARY_BACK_MS, DIARY_AHEAD_MS = 3 * 366 * DAY_MS, 550 * DAY_MS
AT_ONCE_D = 1.0  # growth-days: what heals within a day, such as a brushing, may be done on the eve of play


def site_advice(
    config: SiteConfig,
    store: Store,
    diary: Diary,
    now_ms: int,
    *,
    forecast: Kept[WeatherForecast] | None = None,
    fixtures: Kept[tuple[Fixture, ...]] | None = None,
    cache: AdviceCache | None = None,
) -> SiteAdvice:
    """Return what is advised for a site.

    Parameters
    ----------
    config : SiteConfig
    store : Store
    diary : Diary
    now_ms : int
        [ms since 1970, UTC]
    forecast : Kept of WeatherForecast, optional
        What is known from the source of the forecast; None where there is no source.
    fixtures : Kept of tuple of Fixture, optional
        Of the calendar, likewise.
    cache : AdviceCache, optional
        The same for one site from call to call saves time.

    Returns
    -------
    SiteAdvice

    Raises
    ------
    StoreAway
        Nothing else: what is missing is told in words.
    """
    view, why = _view(config, store, diary, now_ms, forecast, cache)
    played, missing = _fixtures(fixtures, now_ms)
    notes = [*why, *missing]
    surfaces = []
    for surface in config.surfaces:
        told, said = _surface(view, surface, played)
        surfaces.append(told)
        notes += said
    if config.climate is None:
        no_climate = later(
            "no [climate] in the settings: what is usual at a season is known from this site's own past alone"
        )
        notes.append(say(no_climate))
    return SiteAdvice(now_ms, tuple(surfaces), tuple(dict.fromkeys(notes)))


def surface_weeks(
    config: SiteConfig,
    store: Store,
    diary: Diary,
    now_ms: int,
    surface: Surface,
    *,
    forecast: Kept[WeatherForecast] | None = None,
    fixtures: Kept[tuple[Fixture, ...]] | None = None,
    cache: AdviceCache | None = None,
) -> SurfaceWeeks:
    """Return the weeks ahead of a surface at a moment [ms since 1970, UTC], from what `site_advice` is given.

    Raises
    ------
    StoreAway
    """
    view, _ = _view(config, store, diary, now_ms, forecast, cache)
    return weeks_of_surface(view, surface, _fixtures(fixtures, now_ms)[0])


def _view(
    config: SiteConfig, store: Store, diary: Diary, now_ms: int, forecast: Kept[WeatherForecast] | None,
    cache: AdviceCache | None,
) -> tuple[View, tuple[str, ...]]:  # fmt: skip
    """Return what all advice on a site rests on, and what is wrong with its weather forecast."""
    kept = AdviceCache() if cache is None else cache
    weather, why = _usable(forecast, now_ms)
    entries = tuple(diary.entries(None, now_ms - DIARY_BACK_MS, now_ms + DIARY_AHEAD_MS))
    return View(config, store, diary, kept, now_ms, ZoneInfo(config.site.timezone), entries, weather), why


def _usable(forecast: Kept[WeatherForecast] | None, now_ms: int) -> tuple[WeatherForecast | None, tuple[str, ...]]:
    """Return the forecast if it can be used, and why it cannot, or is not the newest."""
    if forecast is None:
        return None, (say("no weather forecast is set: rain and frost ahead are those of this site's seasons"),)
    if forecast.value is None:
        missing = say("no weather forecast: rain and frost ahead are those of this site's seasons")
        return None, (*forecast.faults, missing)
    doubts = usable_faults(forecast.value, now_ms // HOUR_MS * HOUR_MS)
    if doubts:
        left_out = say("the forecast is left out: rain and frost ahead are those of the season")
        return None, (*forecast.faults, *doubts, left_out)
    return forecast.value, forecast.faults


def _fixtures(kept: Kept[tuple[Fixture, ...]] | None, now_ms: int) -> tuple[tuple[Fixture, ...], tuple[str, ...]]:
    if kept is None:
        return (), ()
    if kept.value is None:
        unread = say("no calendar of fixtures could be read: play that is not in the diary is not known")
        return (), (*kept.faults, unread)
    notes = list(kept.faults)
    if kept.faults and kept.taken_ms is not None:
        notes.append(
            say_many(
                "the calendar of fixtures is the last good one, {n} day old",
                "the calendar of fixtures is the last good one, {n} days old",
                round((now_ms - kept.taken_ms) / DAY_MS),
            )
        )
    return kept.value, tuple(notes)


def _surface(view: View, surface: Surface, fixtures: tuple[Fixture, ...]) -> tuple[SurfaceAdvice, list[str]]:
    stations = stations_with_moisture(view, surface.stations)
    views = surface_views(view, stations, {s.name: surface.place(s) for s in surface.stations})
    hours = [hours_of(view, one) for one in views]
    table = treatments().for_surface(surface.kind, view.config.bounds[surface.name])
    plans = plans_of(view, surface, views, hours, fixtures, table)
    roots = [root_depth_m(view, one.context) for one in views]
    waters = [_water(view, plans, one, its, root) for one, its, root in zip(views, hours, roots, strict=True)]
    for i, (_, _, water) in enumerate(waters):
        if water.mm:
            views[i] = watered_tonight(view, views[i], tonight_of(view, water))
            hours[i] = with_wetness_of(view, views[i], hours[i])
    passes = _passes(view, plans, views, hours, roots, table) if views else ()
    told = tuple(
        _station(view, plans, one, its, water, table) for one, its, water in zip(views, hours, waters, strict=True)
    )
    leaf = [found for its in hours if (found := dawn_leaf_degc(view, its)) is not None]
    notes = [note for one in views for note in (*one.notes, *one.forecast.notes)]
    notes += [of_place(one.place, one.forecast.reason) for one in views if one.forecast.reason]
    if not views:
        bare = later("{place}: no probe in the turf and no reading by hand, so nothing is advised")
        notes.append(say(bare, place=surface.title))
    if wanted := play_wanted(view, plans):
        notes.append(wanted)
    ahead = tuple(p for p in plans.play if p.end_ms > view.now_ms)
    booked = tuple(sorted(plans.diary.booked, key=lambda job: job.start_ms))
    return SurfaceAdvice(
        surface.name, surface.title, surface.kind, passes, told, ahead, min(leaf, default=None), booked,
        surface.water_to_hand, cautions_of(view, surface.title, views, hours),
        tuple(p for p in plans.play if p.end_ms <= view.now_ms), surface.strips,
        max((s.start_ms for s in plans.seasons if s.start_ms <= view.now_ms), default=None),
    ), notes  # fmt: skip


def _passes(
    view: View,
    plans: SurfacePlans,
    views: Sequence[StationView],
    hours: Sequence[Hours],
    roots: Sequence[float | None],
    table: TreatmentTable,
) -> tuple[PassAdvice, ...]:
    thought_of = [(p.kind, p.variant, p.depth_m) for p in plans.surface.passes]
    grounds = {i: ground_of(plans, view, views[i], roots[i]) for i in _speaking(views)}
    found = []
    for kind, variant, depth_m in thought_of or default_passes(plans.surface.kind, plans.grass):
        intent, own = Intent(kind, variant, depth_m), plans_for(plans, view, kind, variant)
        each = [
            (views[i].station.title, outlook(intent, table, ground, hours[i], own, now_ms=view.now_ms))
            for i, ground in grounds.items()
        ]
        joined = in_work_hours(join_outlooks(each), view.zone, view.config.work.hours)
        found.append(_told(view, plans, joined, table, hours[0]))
    return too_late_once(found)


def _speaking(views: Sequence[StationView]) -> list[int]:
    """Return the places of stations that must agree: those with data, or all when none has any."""
    heard = [i for i, v in enumerate(views) if v.newest_ms is not None]
    return heard or list(range(len(views)))


def _told(view: View, plans: SurfacePlans, found: Outlook, table: TreatmentTable, hours: Hours) -> PassAdvice:
    """Return a pass with its line of text, when it would heal, and the last good date; of seed, when it comes up."""
    facts, intent = found.facts, found.intent
    said = window_words(found, view.zone)
    growth = plans.growth.get("cool" if facts.sows and intent.variant != "warm" else plans.grass)
    need = facts.heal_growth_days[intent.variant]
    if growth is None or not known_until(growth, plans.today, plans.today + datetime.timedelta(days=1)):
        return PassAdvice(found, said)
    factor = plans.factor
    whole_year = known_until(growth, plans.today, plans.today + datetime.timedelta(days=365))
    healed = healed_dates(growth, plans.today, need, factor=factor) if whole_year else None
    day, for_play = needed_on(plans, view)
    bed = table.rows_of(intent.kind, intent.variant).get("seedbed_temperature")
    if facts.sows and bed is not None and not (for_play and is_before_winter(plans, day)):
        return _sown(PassAdvice(found, said, healed=healed), plans, bed, hours)
    if day is None or need[1] <= AT_ONCE_D or day <= plans.today or not known_until(growth, plans.today, day):
        return PassAdvice(found, said, None, day, for_play, "", healed)
    lead = table.lead_days(intent.kind, intent.variant) if for_play else 0.0
    cold = None if for_play else early_end_of_growth(growth, plans.today, day)
    last = last_good_date(
        growth, need, day, from_day=plans.today, safe_needed_on=cold, lead_days=lead, factor=factor
    )  # fmt: skip
    words = last_good_words(doing_of(facts, intent.variant), last, day, for_play=for_play)
    return PassAdvice(found, said, last, day, for_play, words, healed)


def _sown(told: PassAdvice, plans: SurfacePlans, bed: Row, hours: Hours) -> PassAdvice:
    """Return a pass that sows, with the last day on which its seed comes up before the soil is too cold."""
    facts, intent, soil = told.outlook.facts, told.outlook.intent, hours.soil_temperature_by_day
    sowing = None if soil is None else last_sowing(
        soil, plans.today, days=bed.window_h // 24, open_degc=bed.bounds.open_lo
    )  # fmt: skip
    if sowing is None:
        return told
    words = last_sowing_words(doing_of(facts, intent.variant), sowing)
    return replace(told, last_good=sowing.last, last_good_words=words)


def _water(
    view: View, plans: SurfacePlans, station: StationView, hours: Hours, root_m: float | None
) -> tuple[Turf, Evening, WaterAdvice]:
    """Return what is to be watered at a station, what is known of it this evening, and what is advised for tonight."""
    turf, evening = turf_of(view, plans, station), evening_of(view, plans, station, hours, root_m)
    return turf, evening, water_of(view, plans, station, turf, evening)


def _station(
    view: View, plans: SurfacePlans, station: StationView, hours: Hours, water_told: tuple[Turf, Evening, WaterAdvice],
    table: TreatmentTable,
) -> StationAdvice:  # fmt: skip
    rows = table.rows_of("scarifying", "standard")
    thatch, root = (rows[name].bounds for name in ("thatch_wetness", "root_zone_wetness"))
    now = hours.of("thatch_wetness")[(view.hour_ms - int(hours.at_ms[0])) // HOUR_MS]
    # Translators: what is asked of the days to come: "dry enough to scarify: Thursday 7 in 10"
    what = say("moist enough to scarify") if now < thatch.open_lo else say("dry enough to scarify")
    turf, evening, water = water_told
    given = view.facts(plans.surface.name, station.station.name).booked_waterings
    booked = tuple(w for w in given if w.end_ms > view.now_ms)
    strip = plans.strips[station.station.name]
    if not np.isfinite(station.forecast.thatch_wetness).any():
        line = best_day_line(what, (), plans.today)
        return StationAdvice(station.station.name, station.forecast, (), line, water, turf, evening, booked, strip)
    days = day_chances(
        station.forecast, view.zone, thatch=(thatch.open_lo, thatch.open_hi), roots=(root.open_lo, root.open_hi),
        work_hours=view.config.work.hours,
    )  # fmt: skip
    line = best_day_line(what, days, plans.today)
    return StationAdvice(station.station.name, station.forecast, tuple(days), line, water, turf, evening, booked, strip)


log = logging.getLogger(__name__)

FETCH_LEAST_S = 30.0  # in a demo hours pass in less, and what is fetched does not change with them
DUE_CHECK_S = 0.5  # how often it looks whether work is due, while some is under way
DUE_CHECK_REST_S = 15.0  # and else, or when the hour turns: a clock may be set
REST = 9.0  # times what the last working-out took: at most a tenth of the time
REST_LATE = 1.0  # after the history of a demo, until what it rests on has caught up
REST_ONCE_WRITTEN = 1.0  # the same while somebody waits for what an entry changes: at most half of it
FOLLOWS_S = 30.0  # what is found within so long after an entry may rest on it, and is advised on anew
FORGETS = 3  # for so many hours after a diary entry the past is read anew
BEHIND_MS = 2 * HOUR_MS  # readings so old when advice was worked out: new ones are worth another
SOURCES = "sources"  # folder of what was fetched last


class Advisor:
    """Works out what is advised for a site.

    Parameters
    ----------
    config : SiteConfig
    store : Store
    diary : Diary
    metrics : Metrics
    clock : Clock
    on_advice : callable
        Handed each SiteAdvice, in this thread; may raise PipelineFault, which is waited out. Not while hours fly: what
        would be told then depends on how fast they do.
    on_change : callable
        Called with `advice` after each, and with `weeks` when those of every surface are there.
    doubts : callable
        Gives notes on what all of it rests on, such as a time that is not confirmed.
    settled : callable
        Whether all that is kept has been worked on. Advice on less is worked out once more when it has.
    rng : random.Random, optional
        Jitter of the waits.
    """

    def __init__(
        self,
        config: SiteConfig,
        store: Store,
        diary: Diary,
        metrics: Metrics,
        clock: Clock,
        *,
        on_advice: Callable[[SiteAdvice], object] = lambda advice: None,
        on_change: Callable[[str], None] = lambda word: None,
        doubts: Callable[[], Sequence[str]] = tuple,
        settled: Callable[[], bool] = lambda: True,
        rng: random.Random | None = None,
    ) -> None:
        self._config, self._store, self._diary, self._clock, self._metrics = config, store, diary, clock, metrics
        self._on_advice, self._on_change, self._doubts, self._settled = on_advice, on_change, doubts, settled
        self.advising = Outage("advising", metrics, random.Random() if rng is None else rng)
        self._cache = AdviceCache()
        self._weather, self._calendar = _sources(config, clock)
        self._unplaced: Kept[WeatherForecast] | None = None
        if config.forecast.source and self._weather is None:
            self._unplaced = Kept(None, None, ("forecast: found no latitude and longitude of the site, expected both",))
        self._forecast: Kept[WeatherForecast] | None = None
        self._fixtures: Kept[tuple[Fixture, ...]] | None = None
        self._fetched_hour: int | None = None
        self._fetched_s = -FETCH_LEAST_S
        self._hour: int | None = None
        self._now: SiteAdvice | None = None
        self._not_before_s = self._ended_s = self._took_s = self._follows_until_s = 0.0
        self._forgets = 0
        self._late = False  # since a history, nothing has been said that rests on new readings
        self._in_history = False  # hours pass in less than a second: the history of a demo
        self._made_in_history = False  # the latest advice was worked out meanwhile
        self._woken, self._diary_changed = threading.Event(), threading.Event()
        self._findings, self._behind = threading.Event(), False
        self._weeks: dict[str, SurfaceWeeks] = {}
        self._weeks_day: datetime.date | None = None
        self._weeks_due: list[Surface] = []
        self._weeks_after_s = 0.0

    def now(self) -> SiteAdvice | None:
        """Return the latest advice; None before the first."""
        return self._now

    @property
    def follows_history(self) -> bool:
        """Whether the history of a demo is over, and the latest advice is one of while it came in."""
        return self._made_in_history and not self._in_history

    def weeks(self) -> Mapping[str, SurfaceWeeks]:
        """Return the weeks ahead by surface, worked out once a day and after entries; empty before the first."""
        return self._weeks

    def wake(self) -> None:
        """Interrupt the wait, to look at once whether work is due."""
        self._woken.set()

    def hear(self, word: str) -> None:
        """Note a change: `diary` makes advice due, `findings` does if the last readings were old or it may rest on an
        entry just written."""
        if word == "diary":
            self._diary_changed.set()
            self._woken.set()
        elif word == "findings":
            self._findings.set()
            if self._behind or self._clock.monotonic() < self._follows_until_s:
                self._woken.set()

    def step(self, stop: threading.Event) -> None:
        """Work out the advice if it is due, else wait until it may be."""
        began_s = self._clock.monotonic()
        was_in_history, self._in_history = (
            self._in_history,
            isinstance(self._clock, FollowClock) and self._clock.in_history,
        )
        if was_in_history and not self._in_history:
            self._not_before_s, self._took_s = began_s, 0.0  # the history of a demo is over: its advice is days old
        if began_s < self._not_before_s or not self._try(stop):
            self._clock.wait(self._pause_s(), self._woken)
            self._woken.clear()

    def close(self) -> None:
        """Do nothing: there is no resource to close."""

    def _try(self, stop: threading.Event) -> bool:
        """Work out the advice if it is due; return whether it was, and went well."""
        if stop.is_set():
            return False
        began_s = self._clock.monotonic()
        try:
            now_ms = self._clock.now_ms()
            if not self._is_due(now_ms):
                return self._work_out_weeks(now_ms)
            self._fetch(now_ms // HOUR_MS)
            if stop.is_set():  # a slow server may have held us
                return False
            self._work_out(now_ms)
        except PipelineFault as fault:
            self._not_before_s = self._clock.monotonic() + self.advising.begins(fault)
            return False
        self.advising.ends()
        ended_s = self._clock.monotonic()
        self._metrics.advice_seconds.observe(ended_s - began_s)
        self._late = self._in_history or (self._late and self._behind)
        self._ended_s, self._took_s = ended_s, ended_s - began_s
        return True

    def _pause_s(self) -> float:
        """Return how long it may wait for somebody to wake it. [s]"""
        awaited = self._behind or self._clock.monotonic() < self._follows_until_s
        under_way = (
            self._now is None or self._late or self._diary_changed.is_set() or self._weeks_day is None
            or self._weeks_due or self.advising.reason or (awaited and self._findings.is_set())
        )  # fmt: skip
        if under_way or isinstance(self._clock, FollowClock):
            return DUE_CHECK_S
        turns_s = (HOUR_MS - self._clock.now_ms() % HOUR_MS) / 1000
        return min(max(turns_s, DUE_CHECK_S), DUE_CHECK_REST_S)

    def _is_due(self, now_ms: int) -> bool:
        now_s, turned = self._clock.monotonic(), now_ms // HOUR_MS != self._hour
        written = self._diary_changed.is_set() or now_s < self._follows_until_s
        rest = REST_ONCE_WRITTEN if written else REST_LATE if self._late and not self._in_history else REST
        if now_s - self._ended_s < rest * self._took_s:
            return False
        if self._late and not self._in_history and not self._settled():
            return False
        behind = self._behind and self._settled()
        return turned or self._diary_changed.is_set() or ((behind or written) and self._findings.is_set())

    def _work_out_weeks(self, now_ms: int) -> bool:
        """Work out the weeks ahead of one surface where a new day or an entry has made them due; return whether it was.

        Behind the advice of the hour, one surface a step: they take longer, and nobody waits for them.
        """
        began_s, zone = self._clock.monotonic(), ZoneInfo(self._config.site.timezone)
        day = datetime.datetime.fromtimestamp(now_ms / 1000, zone).date()
        if self._now is None or self._in_history or began_s < self._weeks_after_s:
            return False
        if (self._late or self._behind) and not self._settled():  # what they rest on is still worked out
            return False
        if day != self._weeks_day:
            self._weeks_day, self._weeks_due = day, list(self._config.surfaces)
        if not self._weeks_due:
            return False
        surface = self._weeks_due[0]
        found = surface_weeks(
            self._config, self._store, self._diary, now_ms, surface, forecast=self._forecast, fixtures=self._fixtures,
            cache=self._cache,
        )  # fmt: skip
        self._weeks_due = self._weeks_due[1:]
        self._weeks = {**self._weeks, surface.name: found}
        ended_s = self._clock.monotonic()
        self._weeks_after_s = ended_s + REST * (ended_s - began_s)
        if not self._weeks_due:
            self._on_change("weeks")
        return True

    def _fetch(self, hour: int) -> None:
        """Fetch forecast and fixtures, once an hour."""
        now_s = self._clock.monotonic()
        if hour != self._fetched_hour and now_s - self._fetched_s >= FETCH_LEAST_S:
            self._forecast = self._unplaced if self._weather is None else self._weather.refresh()
            self._fixtures = None if self._calendar is None else self._calendar.refresh()
            self._fetched_hour, self._fetched_s = hour, now_s

    def _work_out(self, now_ms: int) -> None:
        hour, settled = now_ms // HOUR_MS, self._settled()
        self._findings.clear()
        if self._diary_changed.is_set():
            self._diary_changed.clear()
            self._forgets, self._follows_until_s = FORGETS, self._clock.monotonic() + FOLLOWS_S
            self._weeks_day = None
        if self._forgets > 0:  # what rests on the entry is worked out anew meanwhile
            self._cache.forget()
            self._forgets -= hour != self._hour
        found = site_advice(
            self._config, self._store, self._diary, now_ms, forecast=self._forecast, fixtures=self._fixtures,
            cache=self._cache,
        )  # fmt: skip
        found = replace(found, notes=(*self._doubts(), *found.notes))
        self._now, self._hour, self._behind = found, hour, not settled or is_behind(found)
        self._made_in_history = self._in_history
        self._on_change("advice")
        if not self._in_history:
            self._on_advice(found)


def is_behind(advice: SiteAdvice) -> bool:
    """Return whether a station's readings were older than `BEHIND_MS` when it was worked out."""
    newest = [p.outlook.ground.newest_reading_ms for s in advice.surfaces for p in s.passes]
    return any(at_ms is None or advice.at_ms - at_ms > BEHIND_MS for at_ms in newest)


def _sources(
    config: SiteConfig, clock: Clock
) -> tuple[KeptSource[WeatherForecast] | None, KeptSource[tuple[Fixture, ...]] | None]:
    site, folder = config.site, config.data.dir / SOURCES
    weather = None
    if config.forecast.source and site.location is not None:
        weather = weather_source(
            config.forecast.source, folder, place=site.location, clock=clock,
            redirect_hosts=config.forecast.redirect_hosts,
        )  # fmt: skip
    calendar = None
    if config.fixtures.source:
        calendar = fixture_source(
            config.fixtures.source, folder, timezone=ZoneInfo(site.timezone), clock=clock,
            redirect_hosts=config.fixtures.redirect_hosts,
        )  # fmt: skip
    return weather, calendar
