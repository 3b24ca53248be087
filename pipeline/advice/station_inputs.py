"""What advice on a station rests on: its past week, its balance and the weather ahead, and what is cached of them."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from pipeline.advice.locks import CARRIED_H
from pipeline.advice.phrases import day_words
from pipeline.advice.water import DEPLETION, READILY_AVAILABLE
from pipeline.diary.entry import DiaryEntry
from pipeline.diary.facts import DiaryFacts, read_diary
from pipeline.diary.station import StationContext
from pipeline.forecast.balance import WEEKS, Boxes, Fit, PastHours, by_hour, fit, past_hours
from pipeline.forecast.by_hand import Carried, HandWetness, carry
from pipeline.forecast.climatology import Season, season
from pipeline.forecast.waterings import Habit, WaterToCome, habit_of, habit_words, waterings_ahead
from pipeline.forecast.weather_ahead import DAYS_AHEAD, PastWeather, WeatherAhead, usual_demand_mm, weather_ahead
from pipeline.forecast.weather_file import WeatherForecast
from pipeline.forecast.wetness import (
    WetnessForecast,
    filled_by_balance,
    filled_from_neighbour,
    forecast_wetness,
    without_readings,
)
from pipeline.site.ground import Station
from pipeline.site.settings import SiteConfig
from pipeline.soil.climate import hourly_demand_mm
from pipeline.soil.estimate import NORMAL_90
from pipeline.soil.layers import Place, middle
from pipeline.soil.wetting import Watering
from pipeline.stages.climate import ET_WEATHER, hourly_weather
from pipeline.stages.layers import limits_of
from pipeline.stages.recompute import station_context
from pipeline.stages.stage import NO_SERIES, Series
from pipeline.stages.wetting import wetness_error
from pipeline.store import Store
from pipeline.store.diary import Diary
from pipeline.texts import in_a_row, later, say, say_many
from pipeline.units import DAY_MS, HOUR_MS, WEEK_MS, FloatArray, TimeArray

T = TypeVar("T")
REACH_MS = 63 * DAY_MS
AGAIN_MS, AGAIN_DAILY_MS = 2 * DAY_MS, 8 * DAY_MS


@dataclass
class _Cached:
    """Series by name, and until when and on which day they were read."""

    until_ms: int
    read_on: int
    key: object
    series: dict[str, Series] = field(default_factory=dict)


class RecentSeries:
    """The last nine weeks of channels and findings; only what is newer than the last asking is read again.

    Parameters
    ----------
    store : Store
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._kept: dict[tuple[str, ...], _Cached] = {}

    def forget(self) -> None:
        """Read everything again at the next call: the past has changed."""
        self._kept.clear()

    def channels(self, names: Sequence[str], now_ms: int) -> Mapping[str, Series]:
        """Return time [ms] and value of channels up to and with now; one that has none is left out.

        Raises
        ------
        StoreAway
        """
        wanted = tuple(sorted(set(names)))

        def read(start_ms: int) -> Mapping[str, Series]:
            return self._store.channel_series(list(wanted), start_ms, now_ms + 1)

        return self._up_to_date(("channel", *wanted), now_ms, None, read)

    def findings(self, station: str, quantities: Sequence[str], now_ms: int, *, key: object) -> Mapping[str, Series]:
        """Return time [ms] and value of findings of a station up to and with now.

        Parameters
        ----------
        station : str
        quantities : sequence of str
        now_ms : int
            [ms since 1970, UTC]
        key : object
            What they rest on: when it is another than before, all of it is read anew.

        Raises
        ------
        StoreAway
        """

        def read(start_ms: int) -> Mapping[str, Series]:
            return self._store.finding_series(station, list(quantities), start_ms, now_ms + 1)

        return self._up_to_date(("finding", station, *quantities), now_ms, key, read)

    def _up_to_date(
        self, name: tuple[str, ...], now_ms: int, key: object, read: Callable[[int], Mapping[str, Series]]
    ) -> Mapping[str, Series]:
        kept, day = self._kept.get(name), now_ms // DAY_MS
        if kept is None or kept.key != key or now_ms < kept.until_ms:
            self._kept[name] = kept = _Cached(now_ms, day, key, dict(read(now_ms - REACH_MS)))
            return kept.series
        if now_ms == kept.until_ms:
            return kept.series
        again_ms = kept.until_ms - (AGAIN_MS if day == kept.read_on else AGAIN_DAILY_MS)
        fresh = read(again_ms)
        for channel in {*kept.series, *fresh}:
            time_ms, value = kept.series.get(channel, NO_SERIES)
            first, last = np.searchsorted(time_ms, [now_ms - REACH_MS, again_ms])
            new_ms, new_value = fresh.get(channel, NO_SERIES)
            kept.series[channel] = (
                np.concatenate([time_ms[first:last], new_ms]), np.concatenate([value[first:last], new_value])
            )  # fmt: skip
        kept.until_ms, kept.read_on = now_ms, day
        return kept.series


def newest_ms(series: Sequence[Series]) -> int | None:
    """Return the time of the newest value of several series; None when there is none. [ms since 1970, UTC]"""
    times: list[TimeArray] = [time_ms[-1:] for time_ms, _ in series]
    newest = np.concatenate(times) if times else np.array([], dtype=np.int64)
    return int(newest.max()) if newest.size else None


@dataclass
class AdviceCache:
    """Values kept between calls of `site_advice`; a new cache costs time and changes no result.

    `fit_days` is how long a fit stands. [d] `diary_changes` counts what `forget` was called for.
    """

    fit_days: int = 1
    recent: RecentSeries | None = None
    diary_changes: int = 0
    fits: dict[object, tuple[object, Any]] = field(default_factory=dict)
    values: dict[object, tuple[object, Any]] = field(default_factory=dict)

    def of(self, store: Store) -> RecentSeries:
        """Return the last weeks of a store."""
        if self.recent is None:
            self.recent = RecentSeries(store)
        return self.recent

    def forget(self) -> None:
        """Have contexts and the last weeks read again: the diary has changed."""
        self.diary_changes += 1
        if self.recent is not None:
            self.recent.forget()

    def once(self, name: object, key: object, work: Callable[[], T]) -> T:
        """Return what `work` gives; it is called again only when the key is another than the last time."""
        return _once(self.values, name, key, work)

    def fit(self, station: str, key: object, work: Callable[[], Fit]) -> Fit:
        """Return the fit of a station likewise."""
        return _once(self.fits, station, key, work)


def _once(kept: dict[object, tuple[object, Any]], name: object, key: object, work: Callable[[], T]) -> T:
    found = kept.get(name)
    if found is None or found[0] != key:
        kept[name] = found = (key, work())
    return found[1]


@dataclass(frozen=True)
class View:
    """What the advice of every station of a site rests on.

    `hour_ms` is the whole hour that now falls in. `forecast` is a weather forecast fit for use, None without one.
    """

    config: SiteConfig
    store: Store
    diary: Diary
    cache: AdviceCache
    now_ms: int
    zone: ZoneInfo
    entries: tuple[DiaryEntry, ...]
    forecast: WeatherForecast | None = None
    _facts: dict[tuple[str, str | None], DiaryFacts] = field(default_factory=dict, compare=False, repr=False)

    @property
    def hour_ms(self) -> int:
        """[ms since 1970, UTC]"""
        return self.now_ms // HOUR_MS * HOUR_MS

    def facts(self, surface: str, station: str | None = None) -> DiaryFacts:
        """Return what the diary says of a surface, or of one of its stations; read once."""
        known = self._facts.get((surface, station))
        if known is None:
            known = read_diary(self.entries, surface, self.config.passes, self.zone, station=station)
            self._facts[(surface, station)] = known
        return known

    @property
    def today(self) -> int:
        """Days since 1970, UTC."""
        return self.now_ms // DAY_MS


def context_of(view: View, station: str) -> StationContext:
    """Return a station's context; it stands for the day, for it asks for every limit that was learned."""
    return view.cache.once(
        ("context", station), (view.today, view.cache.diary_changes),
        lambda: station_context(view.config, station, view.diary, view.store),
    )  # fmt: skip


PAST_YEARS = 5  # whose weather of this season may come again
SEASON_BEFORE_D, SEASON_AFTER_D = 21, 32  # about today's date: what the members of the weather ahead are drawn from
SEASON_READ_D = 61  # read at once: from a week's turn on, so that it stands for a week, and a day more at each end


def season_of(view: View, context: StationContext) -> Season:
    """Return the climate and the frosts where a station's weather is measured."""
    air, leaf = context.weather.get("air_temperature"), context.weather.get("surface_temperature")
    return view.cache.once(
        ("season", air, leaf), view.today,
        lambda: season(view.store, view.now_ms, air=air, leaf=leaf, climate=view.config.climate,
                       frost_degc=view.config.alert_bound("frost_at_dawn", "on_degc")),
    )  # fmt: skip


def demand_mm(context: StationContext, recent: Mapping[str, Series], first_ms: int, hours: int) -> FloatArray:
    """Return the reference evapotranspiration of consecutive hours. [mm h-1] NaN where it is not known."""
    place = context.site.location
    if place is None:
        return np.full(hours, np.nan)
    air, humidity, wind, shine = (hourly_weather(recent, context, q, first_ms, hours) for q in ET_WEATHER)
    return hourly_demand_mm(first_ms, air, humidity, wind, shine, place)


def weather_of(view: View, context: StationContext, past: PastHours) -> tuple[WeatherAhead | None, tuple[str, ...]]:
    """Return the weather ahead at a station, and in words what had to be left out.

    Raises
    ------
    StoreAway
    """
    place = context.site.location
    if place is None:
        return None, ()
    key = ("weather", context.rain_channel, tuple(sorted(context.weather.items())))
    behind = view.cache.once(key, view.today, lambda: _past_weather(view, context, past))
    found = weather_ahead(
        view.hour_ms, forecast=view.forecast, past=behind, climate=view.config.climate, place=place,
    )  # fmt: skip
    return found, () if found is None else found.notes


def _past_weather(view: View, context: StationContext, past: PastHours) -> PastWeather | None:
    """Return rain and demand about this date in the years before, and of the last weeks; NaN between them."""
    wanted = [i for i in (context.rain_channel, *(context.weather.get(q) for q in ET_WEATHER)) if i is not None]
    heard = view.store.span(wanted)
    if heard is None:
        return None
    parts: list[PastWeather] = []
    for years in range(PAST_YEARS, 0, -1):
        begin = (view.hour_ms - (years * 365 + SEASON_BEFORE_D) * DAY_MS) // DAY_MS * DAY_MS
        if begin + (SEASON_BEFORE_D + SEASON_AFTER_D) * DAY_MS > heard[0]:
            parts.append(_past_season(view, context, wanted, years, begin))
    recent = view.cache.of(view.store).channels(_channels(view.config), view.now_ms)
    parts.append(_weather_between(context, recent, past.first_ms, past.water_mm.size - 1))
    first_ms = parts[0].first_ms
    found = np.full((2, (view.hour_ms - first_ms) // HOUR_MS), np.nan)
    for part in parts:
        at = (part.first_ms - first_ms) // HOUR_MS
        found[:, at : at + part.rain_mm.size] = part.rain_mm, part.reference_et_mm
    return PastWeather(first_ms, found[0], found[1])


def _past_season(
    view: View, context: StationContext, channels: Sequence[str], years: int, begin_ms: int
) -> PastWeather:
    """Return the weather about this date so many years ago, from a midnight on."""
    read_ms = (begin_ms - DAY_MS) // WEEK_MS * WEEK_MS

    def work() -> PastWeather:
        series = view.store.channel_series(channels, read_ms, read_ms + SEASON_READ_D * DAY_MS)
        return _weather_between(context, series, read_ms, SEASON_READ_D * 24)

    whole = view.cache.once(("past season", years, *channels), read_ms, work)
    first = (begin_ms - read_ms) // HOUR_MS
    cut = slice(first, first + (SEASON_BEFORE_D + SEASON_AFTER_D) * 24)
    return PastWeather(begin_ms, whole.rain_mm[cut], whole.reference_et_mm[cut])


def _weather_between(context: StationContext, series: Mapping[str, Series], first_ms: int, hours: int) -> PastWeather:
    """Return rain and demand of consecutive hours, from the series of their channels."""
    demand = demand_mm(context, series, first_ms, hours)
    rain = NO_SERIES if context.rain_channel is None else series.get(context.rain_channel, NO_SERIES)
    water = past_hours(first_ms, hours, thatch=None, roots=NO_SERIES, rain=rain, reference_et_mm=demand).water_mm
    return PastWeather(first_ms, water, demand)


PAST_H = WEEKS * 7 * 24 + 24
AHEAD_H = 24 * DAYS_AHEAD
WETNESS = ("root_zone_wetness", "thatch_wetness")
LATELY_H = 6  # readings so old stand for now, as the balance starts from them
DOUBT_H = 6  # a channel most of whose values of so many hours failed their tests is in doubt: our own choice


@dataclass(frozen=True)
class StationView:
    """One station with probes in its turf, up to now and ahead.

    `past` reaches one hour beyond the whole hour that is on. `forecast` counts on the water `to_come`, and starts as
    doubtful as `start_error`, see `forecast_wetness`. `recent` holds every channel read, by id.
    `carried_since_ms` and `carried_from` tell of a lifted probe. Where the water is read by hand, `by_hand_ms` is when
    it last was [ms since 1970, UTC], and `past` and `fitted` are carried on from there.
    """

    station: Station
    place: str
    context: StationContext
    past: PastHours
    fitted: Fit
    weather: WeatherAhead | None
    forecast: WetnessForecast
    to_come: WaterToCome
    start_error: tuple[float, float]
    season: Season
    recent: Mapping[str, Series]
    newest_ms: int | None
    doubtful: str = ""
    carried_since_ms: int | None = None
    carried_from: str = ""
    notes: tuple[str, ...] = ()
    by_hand_ms: int | None = None


def stations_with_moisture(view: View, surface_stations: Sequence[Station]) -> list[Station]:
    """Return the stations whose water is read, by a channel in the ground or by hand."""
    contexts = ((s, context_of(view, s.name)) for s in surface_stations)
    return [s for s, context in contexts if context.moisture or context.facts.moisture]


def surface_views(view: View, stations: Sequence[Station], titles: Mapping[str, str]) -> list[StationView]:
    """Return each station of a surface, one whose probe is lifted with its gap filled.

    Parameters
    ----------
    view : View
    stations : sequence of Station
    titles : mapping
        By station, surface and station in words.

    Raises
    ------
    StoreAway
    """
    pasts = {s.name: _past(view, context_of(view, s.name)) for s in stations}
    out = {s.name: _lifted(view, s) for s in stations}
    bare = {name: _without_lifted(view, past, name) for name, past in pasts.items()}
    views = []
    for station in stations:
        if context_of(view, station.name).reads_by_hand:
            views.append(_hand_view(view, station, titles[station.name], bare[station.name]))
            continue
        fitted = _fit(view, context_of(view, station.name), bare[station.name])
        since = out[station.name]
        past, source = bare[station.name], ""
        if since is not None and view.now_ms - since <= CARRIED_H * HOUR_MS:
            others = [
                (titles[s.name], bare[s.name]) for s in stations if s.name != station.name and out[s.name] is None
            ]
            past, source = _carried(past, fitted, since, others)
        views.append(_view(view, station, titles[station.name], past, fitted, since, source))
    return views


def _carried(
    past: PastHours, fitted: Fit, since_ms: int, others: Sequence[tuple[str, PastHours]]
) -> tuple[PastHours, str]:
    """Return a lifted station's wetness by its own balance, else by a neighbour, and by which."""
    if fitted.parameters is not None:
        found = filled_by_balance(past, fitted.parameters, since_ms)
        if found is not None:
            return found, "the balance"
    for title, other in others:
        found = filled_from_neighbour(past, other, since_ms)
        if found is not None:
            return found, title
    return past, ""


def _view(
    view: View, station: Station, place: str, past: PastHours, fitted: Fit, since: int | None, source: str
) -> StationView:
    context = context_of(view, station.name)
    recent = view.cache.of(view.store).channels(_channels(view.config), view.now_ms)
    weather, notes = weather_of(view, context, past)
    to_come, error = _to_come(view, context, past), _start_error(view, context, past)
    usual = season_of(view, context)
    heard = newest_ms([recent[i] for i in context.moisture if i in recent])
    doubt = _doubt(view, context, past, recent, since)
    if source or (since is not None and doubt):
        heard = view.now_ms  # what carries is as fresh as the weather; and a lifted probe is told of as lifted
    return StationView(
        station,
        place,
        context,
        past,
        fitted,
        weather,
        _forecast(view, past, fitted, weather, to_come, error),
        to_come,
        error,
        usual,
        recent,
        heard,
        doubt,
        since if source else None,
        source,
        (*notes, *_counted_on(to_come.habit, weather, place), *_wants(context, past, place)),
    )


def _counted_on(habit: Habit, weather: WeatherAhead | None, place: str) -> tuple[str, ...]:
    """Return which waterings the forecast counts on, in words."""
    words = habit_words(habit)
    # Translators: a line that begins with the place it is about
    return (say("{place}: {words}", place=place, words=words),) if words and weather is not None else ()


def _to_come(view: View, context: StationContext, past: PastHours) -> WaterToCome:
    """Return how the keeper of a station waters, by the diary of the last weeks, and what he has booked."""
    known = _until(view, past)
    waterings = _waterings(view, context.station)
    rain = _rain_alone(known, waterings)
    allowed = (
        DEPLETION["tender"] if view.config.surface_of(context.station).kind == "green" else READILY_AVAILABLE["cool"]
    )
    short = np.nan_to_num(known.root_wetness, nan=1.0) < 1.0 - allowed
    can = view.config.surface_of(context.station).water_to_hand and not view.config.water.restricted
    habit = habit_of(waterings, rain, short, view.hour_ms, view.zone) if can else Habit()
    booked = view.facts(view.config.surface_of(context.station).name, context.station).booked_waterings
    coming = sorted((w for w in (*waterings, *booked) if w.end_ms > view.hour_ms), key=lambda w: w.start_ms)
    return WaterToCome(habit, rain, tuple(coming))


def _waterings(view: View, station: str) -> tuple[Watering, ...]:
    return view.facts(view.config.surface_of(station).name, station).measured_waterings


def _rain_alone(past: PastHours, waterings: Sequence[Watering]) -> FloatArray:
    """Return the rain of hours that have been, without what people gave. [mm h-1]"""
    rain = past.water_mm.copy()
    _, hour, mm = by_hour(past.first_ms, rain.size, waterings)
    np.subtract.at(rain, hour, mm)
    return np.maximum(rain, 0.0)


def _forecast(
    view: View, past: PastHours, fitted: Fit, weather: WeatherAhead | None, to_come: WaterToCome,
    error: tuple[float, float], unwatered: WetnessForecast | None = None,
) -> WetnessForecast:  # fmt: skip
    """Return the wetness to come, with the waterings to come: those of the diary, of tonight's advice, of habit."""
    watering = None if weather is None else waterings_ahead(to_come, weather.rain_mm, view.hour_ms, view.zone)
    return forecast_wetness(
        _until(view, past), fitted, weather, watering_mm=watering, start_error=error, unwatered=unwatered
    )


# Miss of a wetness for the sake of limits that may lie anywhere in wide ranges: what simulated stations show at most,
# seeds 0 to 4, 272 readings: so 0.78 of roots and 0.89 of thatch lay within the middle 80 %.
LIMITS_MISS = 0.15


def _start_error(view: View, context: StationContext, past: PastHours) -> tuple[float, float]:
    """Return the standard deviations of the present thatch and root-zone wetness about what is true. [1]

    For the sake of limits and probe. The interval that the station page shows has every limit at the end of its range
    at once; where that is wide, it counts for no more than `LIMITS_MISS`.
    """
    known = _until(view, past)
    lately = [one[-LATELY_H:] for one in (known.thatch_wetness, known.root_wetness)]
    now = [float(one[np.isfinite(one)][-1]) if np.isfinite(one).any() else None for one in lately]
    wanted = [name for name, value in zip(_BY_LAYER, now, strict=True) if value is not None]
    if not wanted:
        return 0.0, 0.0
    table = view.store.findings(context.station, wanted, view.now_ms - LATELY_H * HOUR_MS, view.now_ms + 1)
    quantity = table["quantity"].to_numpy()
    width = table["high"].to_numpy(dtype=np.float64) - table["low"].to_numpy(dtype=np.float64)

    def error(name: str, value: float | None) -> float:
        if value is None:
            return 0.0
        span = width[(quantity == name) & np.isfinite(width)]
        wide = float(span[-1]) / (2.0 * NORMAL_90) if span.size else LIMITS_MISS
        limits = wide * LIMITS_MISS / np.hypot(wide, LIMITS_MISS) if wide > 0.0 else 0.0
        return float(np.hypot(limits, wetness_error(context, _BY_LAYER[name], view.now_ms, value)))

    thatch, root = (error(name, value) for name, value in zip(_BY_LAYER, now, strict=True))
    return thatch, root


_BY_LAYER = {"thatch_wetness": Place.THATCH, "root_zone_wetness": Place.SOIL}


def watered_tonight(view: View, station: StationView, tonight: Watering) -> StationView:
    """Return a station whose forecast counts on the water advised for tonight too, as often as its keeper heeds it."""
    to_come, bare = replace(station.to_come, tonight=tonight), station.forecast
    made = bare if bare.reason else _forecast(
        view, station.past, station.fitted, station.weather, to_come, station.start_error, bare.if_unwatered()
    )  # fmt: skip
    return replace(station, forecast=made, to_come=to_come)


def _hand_view(view: View, station: Station, place: str, past: PastHours) -> StationView:
    """Return a station whose water is read by hand, carried on to now."""
    context = context_of(view, station.name)
    carried = _carried_by_hand(view, context, past)
    found = _view(view, station, place, carried.past, carried.fit, None, "")
    return replace(
        found,
        newest_ms=carried.read_ms if carried.fit.parameters is None else view.now_ms,
        by_hand_ms=carried.read_ms,
        notes=(*found.notes, *_hand_notes(view, carried, place)),
    )


def _carried_by_hand(view: View, context: StationContext, past: PastHours) -> Carried:
    place, climate, demand = context.site.location, view.config.climate, past.reference_et_mm
    if place is not None and climate is not None:
        days = -(-demand.size // 24)
        usual = usual_demand_mm(climate, past.first_ms, days, place)[: demand.size]
        past = replace(past, reference_et_mm=np.where(np.isnan(demand), usual, demand))
    boxes = boxes_now(context, past, view.now_ms)
    table = view.store.findings(context.station, HAND_QUANTITIES, past.first_ms, view.now_ms + 1)
    return carry(past, hand_readings(table, boxes.root_capacity_mm), boxes)


HAND_QUANTITIES = ["root_zone_water", "root_zone_wetness"]


def hand_readings(table: pd.DataFrame, capacity_mm: float) -> list[HandWetness]:
    """Return the wetness of the root zone as read by hand, each with the error of its water over what is held.

    Parameters
    ----------
    table : DataFrame
        Findings of `HAND_QUANTITIES`.
    capacity_mm : float
        Water between the dry and the drained limit. [mm]
    """
    found: dict[int, dict[str, tuple[float, float, float]]] = {}
    columns = (table[name].tolist() for name in ("start_ms", "quantity", "value", "low", "high"))
    for at_ms, quantity, *numbers in zip(*columns, strict=True):
        found.setdefault(int(at_ms), {})[str(quantity)] = (numbers[0], numbers[1], numbers[2])
    readings = []
    for at_ms, both in sorted(found.items()):
        if len(both) == len(HAND_QUANTITIES) and np.isfinite(both["root_zone_wetness"][0]):
            wetness, least, most = both["root_zone_wetness"]
            _, low, high = both["root_zone_water"]
            error = max((high - low) / (2.0 * NORMAL_90 * capacity_mm), LEAST_HAND_ERROR)
            in_all = np.nan_to_num((most - least) / (2.0 * NORMAL_90))
            readings.append(HandWetness(at_ms, wetness, error, float(np.sqrt(max(in_all**2 - error**2, 0.0)))))
    return readings


def _hand_notes(view: View, carried: Carried, place: str) -> tuple[str, ...]:
    """Return when it was last read and how sure the carried wetness is, in words."""
    if carried.fit.parameters is None or carried.read_ms is None:
        return ()
    on = datetime.datetime.fromtimestamp(carried.read_ms / 1000, view.zone)
    told = later(
        "{place}: by hand, last read on {day}, and carried on by the weather since: coarser than a "
        "probe, {error:.0f} % of the way from dry to drained either way in two cases of three"
    )
    notes = [say(told, place=place, day=day_words(on.date()), error=100 * carried.error)]
    if carried.dry_h:
        notes.append(
            say_many(
                "{place}: rain of {n} hour since the last reading is not known, and counted as none",
                "{place}: rain of {n} hours since the last reading is not known, and counted as none",
                carried.dry_h, place=place,
            )
        )  # fmt: skip
    return tuple(notes)


def _until(view: View, past: PastHours) -> PastHours:
    """Return the past up to the hour that is on, without it."""
    return past.cut(0, (view.hour_ms - past.first_ms) // HOUR_MS)


def _wants(context: StationContext, past: PastHours, place: str) -> tuple[str, ...]:
    """Return what keeps the wetness of a station from being known, in words."""
    notes = []
    if not np.isfinite(past.thatch_wetness).any():
        thickness = context.thatch_m(past.first_ms + past.root_wetness.size * HOUR_MS)
        cored = later("{place}: the thatch is not known, no probe reads it alone")
        uncored = later("{place}: the thatch is not known, no core tells how thick it is")
        told = uncored if np.isnan(thickness) else cored
        notes.append(say(told, place=place))
    if context.site.latitude_deg is None:
        told = later("the site has no latitude and longitude: neither the air's demand nor wetness to come is known")
        notes.append(say(told))
    return tuple(notes)


def _channels(config: SiteConfig) -> list[str]:
    """Return every channel that advice rests on."""
    wanted = {"water_content", "soil_temperature", "rain", "surface_temperature", *ET_WEATHER}
    return [i for i, c in config.channels().items() if c.channel.quantity in wanted]


def _past(view: View, context: StationContext) -> PastHours:
    """Return the last weeks of a station, with the hour that is on."""
    series = view.cache.of(view.store)
    recent = series.channels(_channels(view.config), view.now_ms)
    key = (
        *(tuple(ms.tolist()) for ms in (context.changes_ms(), context.learned_ms(), context.lifted_ms())),
        context.facts.cores,
    )
    wetness = series.findings(context.station, WETNESS, view.now_ms, key=key)
    first_ms, hours = view.hour_ms - PAST_H * HOUR_MS, PAST_H + 1
    demand = demand_mm(context, recent, first_ms, hours)
    diary = view.facts(view.config.surface_of(context.station).name, context.station)
    rain = NO_SERIES if context.rain_channel is None else recent.get(context.rain_channel, NO_SERIES)
    return past_hours(
        first_ms, hours, thatch=wetness.get("thatch_wetness", NO_SERIES),
        roots=wetness.get("root_zone_wetness", NO_SERIES),
        rain=rain, reference_et_mm=demand, waterings=diary.measured_waterings,
        covered=diary.covers,
        rain_by_hand=[Watering(r.start_ms, r.end_ms, r.rain_mm) for r in diary.hand_rain],
    )  # fmt: skip


def _probe_layers(context: StationContext, probe: str, at_ms: int) -> tuple[bool, bool]:
    """Return whether a probe reads the thatch, and the root zone."""
    own = [i for i in context.moisture if i.rsplit("/", 1)[0] == probe]
    places = {context.place(i, at_ms) for i in own}
    return Place.THATCH in places or Place.MIXED in places, Place.SOIL in places


def _without_lifted(view: View, past: PastHours, station: str) -> PastHours:
    """Return a past without the readings of lifted probes, and of the time in which the ground about them settled."""
    context = context_of(view, station)
    for lifted in context.facts.lifted:
        thatch, roots = _probe_layers(context, lifted.probe, view.now_ms)
        past = without_readings(past, lifted.out_ms, lifted.settled_ms(context.settle_ms), thatch=thatch, roots=roots)
    return past


def _lifted(view: View, station: Station) -> int | None:
    """Return since when a probe that the wetness rests on has been lifted or not settled; else None. [ms]"""
    context = context_of(view, station.name)
    since = [
        one.out_ms
        for one in context.facts.lifted
        if one.out_ms <= view.now_ms < one.settled_ms(context.settle_ms)
        and any(_probe_layers(context, one.probe, view.now_ms))
    ]
    return min(since, default=None)


def _fit(view: View, context: StationContext, past: PastHours) -> Fit:
    return view.cache.fit(
        context.station, (view.today // view.cache.fit_days, context.facts.cores),
        lambda: fit(_until(view, past), boxes_now(context, past, view.now_ms)),
    )  # fmt: skip


def boxes_now(context: StationContext, past: PastHours, at_ms: int) -> Boxes:
    """Return the two boxes by the limits of relative wetness; no thatch box where none is read.

    Parameters
    ----------
    context : StationContext
    past : PastHours
    at_ms : int
        [ms since 1970, UTC]
    """
    thatch_m = context.soil_top_m(at_ms) if np.isfinite(past.thatch_wetness).any() else 0.0
    layers = {}
    for place, medium in ((Place.THATCH, context.thatch), (Place.SOIL, context.soil_medium)):
        channels = [i for i in context.moisture if context.place(i, at_ms) is place] or [""]
        dry, drained, *_ = np.mean([limits_of(context, place, i, at_ms) for i in channels], axis=0)
        layers[place] = (float(drained - dry), (middle(medium.saturated) - float(dry)) / float(drained - dry))
    (thatch, thatch_full), (soil, soil_full) = layers[Place.THATCH], layers[Place.SOIL]
    return Boxes(
        1000.0 * thatch_m * thatch,
        thatch_full,
        1000.0 * context.ground.root_zone_m * context.ground.fine_share * soil,
        soil_full,
    )


def _doubt(
    view: View, context: StationContext, past: PastHours, recent: Mapping[str, Series], since_ms: int | None
) -> str:
    """Return why the readings are in doubt, in words; empty when they are not.

    A channel that failed its tests casts a doubt only where wetness is not known for want of it.
    """
    if since_ms is not None:
        moved = (context.unsettled(i, view.now_ms, view.now_ms + 1) for i in context.moisture)
        back = view.now_ms - since_ms > CARRIED_H * HOUR_MS
        return next((words for words in moved if words and back), "")
    layers = [past.root_wetness, past.thatch_wetness] if np.isfinite(past.thatch_wetness).any() else [past.root_wetness]
    if all(np.isfinite(one[-DOUBT_H:]).any() for one in layers):
        return ""
    bad = []
    for i in context.moisture:
        time_ms, value = recent.get(i, NO_SERIES)
        late = value[time_ms > view.now_ms - DOUBT_H * HOUR_MS]
        if late.size and np.isnan(late).mean() > 0.5:
            bad.append(i.split("/", 1)[1])
    # Translators: channels of a probe, by their names in the settings
    told = later("{channels} failed the tests of the last {hours} hours")
    return say(told, channels=in_a_row(bad), hours=DOUBT_H) if bad else ""


LEAST_HAND_ERROR = 0.05  # of a wetness read by hand, whatever its limits: our own choice


def is_clay(context: StationContext) -> bool:
    """Return whether the soil of a station is clay, which cracks when it dries."""
    return "clay" in context.ground.soil
