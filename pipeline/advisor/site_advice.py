"""Everything that is advised for a site at one moment, from what is kept: where the sums are put together.

It needs no thread and no clock: it is handed the moment, the forecast and the fixtures. Each part that cannot be known
withholds itself in words, and the notes say what was missing, stale or broken.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.advice.forecast import best_day_line, day_chances
from pipeline.advice.forecast_file import WeatherForecast, usable_faults
from pipeline.advice.healing import healed_dates, last_good_date
from pipeline.advice.joined import ensemble_share, in_work_hours, join_outlooks, with_chance
from pipeline.advice.locks import Intent
from pipeline.advice.measures import Hours
from pipeline.advice.report import PassAdvice, SiteAdvice, StationAdvice, SurfaceAdvice
from pipeline.advice.treatments import TreatmentTable
from pipeline.advice.usual import usual_passes
from pipeline.advice.window_lines import doing_of, last_good_line, window_line
from pipeline.advice.windows import Outlook, outlook
from pipeline.advisor.hours import hours_of, is_clay
from pipeline.advisor.inputs import AHEAD_H, AdviceCache, StationView, View, surface_views, watched
from pipeline.advisor.plans import SurfacePlans, ground_of, known_until, needed_on, plans_for, plans_of
from pipeline.advisor.water import dawn_leaf_degc, root_depth_m, water_of
from pipeline.config.care import treatments
from pipeline.fixtures import Fixture
from pipeline.kept_source import Kept
from pipeline.site import SiteConfig, Surface
from pipeline.store import Store
from pipeline.store.diary import Diary

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
DIARY_BACK_MS, DIARY_AHEAD_MS = 3 * 366 * DAY_MS, 550 * DAY_MS
FIXTURES_OLD_MS = 2 * DAY_MS  # a calendar not read for so long is told of: our own choice


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
    """Work out what is advised.

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
    kept = AdviceCache() if cache is None else cache
    weather, why = _usable(forecast, now_ms)
    entries = tuple(diary.entries(None, now_ms - DIARY_BACK_MS, now_ms + DIARY_AHEAD_MS))
    view = View(config, store, diary, kept, now_ms, ZoneInfo(config.site.timezone), entries, weather, why)
    played, missing = _fixtures(fixtures, now_ms)
    notes = [*why, *missing]
    surfaces = []
    for surface in config.surfaces:
        told, said = _surface(view, surface, played)
        surfaces.append(told)
        notes += said
    if config.ahead.climate is None:
        notes.append("no [climate] in the settings: what is usual at a season is known from this site's own past alone")
    return SiteAdvice(now_ms, tuple(surfaces), tuple(dict.fromkeys(notes)))


def _usable(forecast: Kept[WeatherForecast] | None, now_ms: int) -> tuple[WeatherForecast | None, tuple[str, ...]]:
    """The forecast where it is fit for use, and why it is not, or not the newest."""
    if forecast is None:
        return None, ("no weather forecast is set: rain and frost ahead are those of this site's seasons",)
    if forecast.value is None:
        return None, (*forecast.faults, "no weather forecast: rain and frost ahead are those of this site's seasons")
    doubts = usable_faults(forecast.value, now_ms // HOUR_MS * HOUR_MS)
    if doubts:
        told = (
            *forecast.faults,
            *doubts,
            "the forecast is left out: rain and frost ahead are those of the season",
        )
        return None, told
    return forecast.value, forecast.faults


def _fixtures(kept: Kept[tuple[Fixture, ...]] | None, now_ms: int) -> tuple[tuple[Fixture, ...], tuple[str, ...]]:
    if kept is None:
        return (), ()
    if kept.value is None:
        return (), (*kept.faults, "no calendar of fixtures could be read: play that is not in the diary is not known")
    notes = list(kept.faults)
    if kept.faults and kept.taken_ms is not None:
        days = (now_ms - kept.taken_ms) / DAY_MS
        notes.append(f"the calendar of fixtures is the last good one, {days:.0f} days old")
    return kept.value, tuple(notes)


def _surface(view: View, surface: Surface, fixtures: tuple[Fixture, ...]) -> tuple[SurfaceAdvice, list[str]]:
    stations = watched(view.config, surface.stations)
    views = surface_views(view, stations, {s.name: _place(surface, s.title) for s in surface.stations})
    hours = [hours_of(view, one) for one in views]
    table = treatments().for_surface(surface.kind, surface.care.bounds)
    plans = plans_of(view, surface, views, hours, fixtures, table)
    roots = [root_depth_m(view, one.context) for one in views]
    passes = _passes(view, plans, views, hours, roots, table) if views else ()
    told = tuple(
        _station(view, plans, one, its, root, table) for one, its, root in zip(views, hours, roots, strict=True)
    )
    leaf = [found for its in hours if (found := dawn_leaf_degc(view, its)) is not None]
    notes = [note for one in views for note in (*one.notes, *one.forecast.notes)]
    notes += [f"{one.place}: {one.forecast.reason}" for one in views if one.forecast.reason]
    if not views:
        notes.append(f"{surface.title}: no probe in the turf, so nothing is advised")
    ahead = tuple(p for p in plans.play if p.end_ms > view.now_ms)
    return SurfaceAdvice(
        surface.name, surface.title, surface.kind, passes, told, ahead, min(leaf, default=None)
    ), notes  # fmt: skip


def _place(surface: Surface, title: str) -> str:
    return title if title.startswith(surface.title) else f"{surface.title}, {title}"


def _passes(
    view: View,
    plans: SurfacePlans,
    views: Sequence[StationView],
    hours: Sequence[Hours],
    roots: Sequence[float | None],
    table: TreatmentTable,
) -> tuple[PassAdvice, ...]:
    thought_of = [(p.kind, p.variant, p.depth_m) for p in plans.surface.care.passes]
    speaking = _speaking(views)
    found = []
    for kind, variant, depth_m in thought_of or usual_passes(plans.surface.kind, plans.grass):
        intent = Intent(kind, variant, depth_m)
        each = [
            (views[i].station.title, _outlook(view, plans, views[i], hours[i], roots[i], table, intent))
            for i in speaking
        ]
        joined = in_work_hours(join_outlooks(each), view.zone, view.config.ahead.work_hours)
        found.append(_told(view, plans, joined, table))
    return tuple(found)


def _speaking(views: Sequence[StationView]) -> list[int]:
    """Stations that must agree: those with data; all of them when none has any."""
    heard = [i for i, v in enumerate(views) if v.newest_ms is not None]
    return heard or list(range(len(views)))


def _outlook(
    view: View,
    plans: SurfacePlans,
    station: StationView,
    hours: Hours,
    root_m: float | None,
    table: TreatmentTable,
    intent: Intent,
) -> Outlook:
    ground = ground_of(plans, view, station, root_m)
    own = plans_for(plans, view, intent.kind, intent.variant)
    found = outlook(intent, table, ground, hours, own, now_ms=view.now_ms)
    share = ensemble_share(
        table.rows_of(intent.kind, intent.variant), station.forecast, AHEAD_H, water_to_hand=ground.water_to_hand,
        clay=is_clay(station.context),
    )  # fmt: skip
    return with_chance(found, share[: found.at_ms.size])


def _told(view: View, plans: SurfacePlans, found: Outlook, table: TreatmentTable) -> PassAdvice:
    """A pass in words: its window, when it would heal, and the last good date."""
    facts, intent = found.facts, found.intent
    line = window_line(found, view.zone)
    growth = plans.growth.get("cool" if facts.sows and intent.variant != "warm" else plans.grass)
    need = facts.heal_growth_days[intent.variant]
    if growth is None or not known_until(growth, plans.today, plans.today + datetime.timedelta(days=1)):
        return PassAdvice(found, line)
    factor = plans.factor.factor
    whole_year = known_until(growth, plans.today, plans.today + datetime.timedelta(days=365))
    healed = healed_dates(growth, plans.today, need, factor=factor) if whole_year else None
    day, for_play = needed_on(plans, view)
    if day is None or need[1] <= 0.0 or day <= plans.today or not known_until(growth, plans.today, day):
        return PassAdvice(found, line, None, day, for_play, "", healed)
    lead = table.lead_days(intent.kind, intent.variant) if for_play else 0.0
    last = last_good_date(growth, need, day, from_day=plans.today, lead_days=lead, factor=factor)
    words = last_good_line(plans.surface.title, doing_of(facts, intent.variant), last, day, for_play=for_play)
    return PassAdvice(found, line, last, day, for_play, words, healed)


def _station(
    view: View, plans: SurfacePlans, station: StationView, hours: Hours, root_m: float | None, table: TreatmentTable
) -> StationAdvice:
    rows = table.rows_of("scarifying", "standard")
    thatch, root = (rows[name].bounds for name in ("thatch_wetness", "root_zone_wetness"))
    now = hours.of("thatch_wetness")[(view.hour_ms - int(hours.at_ms[0])) // HOUR_MS]
    what = "moist enough to scarify" if now < thatch.open_lo else "dry enough to scarify"
    water = water_of(view, plans, station, hours, root_m)
    if not np.isfinite(station.forecast.thatch_wetness).any():
        return StationAdvice(station.station.name, station.forecast, (), f"{what}: cannot tell", water)
    days = day_chances(
        station.forecast, view.zone, thatch=(thatch.open_lo, thatch.open_hi), roots=(root.open_lo, root.open_hi),
        work_hours=view.config.ahead.work_hours,
    )  # fmt: skip
    line = best_day_line(what, days, plans.today)
    return StationAdvice(station.station.name, station.forecast, tuple(days), line, water)
