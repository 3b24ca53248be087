"""A station as the sums of advice want it: its past weeks on whole hours, the balance fitted to them, what it rests on.

It reads the store through `Lately` and lays what it reads on the hours; what is not known stays NaN, with a note that
says so in words. Fits are kept for a day. This module must not judge a pass.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.advice.balance_fit import WEEKS, Boxes, Fit, Past, fit
from pipeline.advice.carry import blanked, carried_by_balance, lent
from pipeline.advice.daily import HOUR_MS
from pipeline.advice.forecast import WetnessForecast, forecast_wetness
from pipeline.advice.locks import CARRIED_H
from pipeline.advice.past_hours import past_hours
from pipeline.advice.weather_ahead import DAYS_AHEAD, WeatherAhead
from pipeline.advisor import diary as said
from pipeline.advisor.lately import NOTHING, newest_ms
from pipeline.advisor.season import Season
from pipeline.advisor.view import AdviceCache, View, context_of
from pipeline.advisor.weather import WEATHER, demand_mm, season_of, weather_of
from pipeline.periods import Series
from pipeline.site import SiteConfig, Station
from pipeline.soil.layers import Place
from pipeline.soil.media import middle
from pipeline.station import StationContext

__all__ = ["AdviceCache", "StationView", "View", "boxes_now", "context_of", "surface_views", "watched"]

PAST_H = WEEKS * 7 * 24 + 24
AHEAD_H = 24 * DAYS_AHEAD
WETNESS = ("root_zone_wetness", "thatch_wetness")
DOUBT_H = 6  # a channel most of whose values of so many hours failed their tests is in doubt: our own choice


@dataclass(frozen=True)
class StationView:
    """One station with probes in its turf, up to now and ahead.

    `past` reaches one hour beyond the whole hour that is on. `recent` holds every channel read, by id.
    `carried_since_ms` and `carried_from` tell of a lifted probe.
    """

    station: Station
    place: str
    context: StationContext
    past: Past
    fitted: Fit
    weather: WeatherAhead | None
    forecast: WetnessForecast
    season: Season
    recent: Mapping[str, Series]
    newest_ms: int | None
    doubtful: str = ""
    carried_since_ms: int | None = None
    carried_from: str = ""
    notes: tuple[str, ...] = ()


def watched(config: SiteConfig, surface_stations: Sequence[Station]) -> list[Station]:
    """Stations with a moisture channel in the ground."""
    return [
        s
        for s in surface_stations
        if any(c.channel.quantity == "water_content" and c.channel.depth_m is not None for c in s.channels)
    ]


def surface_views(view: View, stations: Sequence[Station], titles: Mapping[str, str]) -> list[StationView]:
    """Every watched station of a surface; a lifted one may be lent a neighbour's wetness.

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


def _carried(past: Past, fitted: Fit, since_ms: int, others: Sequence[tuple[str, Past]]) -> tuple[Past, str]:
    """A lifted station's wetness by its own balance, else by a neighbour; and by which of them."""
    if fitted.parameters is not None:
        found = carried_by_balance(past, fitted.parameters, since_ms)
        if found is not None:
            return found, "the balance"
    for title, other in others:
        found = lent(past, other, since_ms)
        if found is not None:
            return found, title
    return past, ""


def _view(
    view: View, station: Station, place: str, past: Past, fitted: Fit, since: int | None, source: str
) -> StationView:
    context = context_of(view, station.name)
    recent = view.cache.of(view.store).channels(_channels(view.config), view.now_ms)
    weather, notes = weather_of(view, context, past)
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
        forecast_wetness(_until(view, past), fitted, weather),
        usual,
        recent,
        heard,
        doubt,
        since if source else None,
        source,
        (*notes, *_wants(context, past, place)),
    )


def _until(view: View, past: Past) -> Past:
    """The past up to the hour that is on: its last entry holds the wetness at the begin of that hour."""
    cut = (view.hour_ms - past.first_ms) // HOUR_MS
    return Past(
        past.first_ms,
        past.thatch_wetness[:cut],
        past.root_wetness[:cut],
        past.water_mm[:cut],
        past.reference_et_mm[:cut],
    )


def _wants(context: StationContext, past: Past, place: str) -> tuple[str, ...]:
    """What keeps the wetness of a station from being known, in words."""
    notes = []
    if not np.isfinite(past.thatch_wetness).any():
        thickness = context.thatch_m(past.first_ms + past.root_wetness.size * HOUR_MS)
        why = "no core tells how thick it is" if np.isnan(thickness) else "no probe reads it alone"
        notes.append(f"{place}: the thatch is not known, {why}")
    if context.latitude_deg is None:
        notes.append("the site has no latitude and longitude: neither the air's demand nor wetness to come is known")
    return tuple(notes)


def _channels(config: SiteConfig) -> list[str]:
    """Every channel that advice rests on."""
    wanted = {"water_content", "soil_temperature", "rain", "surface_temperature", *WEATHER}
    return [i for i, c in config.channels().items() if c.channel.quantity in wanted]


def _past(view: View, context: StationContext) -> Past:
    """The last weeks of a station, one hour beyond the whole hour that now falls in."""
    lately = view.cache.of(view.store)
    recent = lately.channels(_channels(view.config), view.now_ms)
    key = (
        *(tuple(ms.tolist()) for ms in (context.changes_ms(), context.learned_ms(), context.lifted_ms())),
        context.cores,
    )
    wetness = lately.findings(context.station, WETNESS, view.now_ms, key=key)
    first_ms, hours = view.hour_ms - PAST_H * HOUR_MS, PAST_H + 1
    demand = demand_mm(context, recent, first_ms, hours)
    mine = said.of_surface(view.entries, view.config.stations()[context.station].surface)
    rain = NOTHING if context.rain_channel is None else recent.get(context.rain_channel, NOTHING)
    return past_hours(
        first_ms, hours, thatch=wetness.get("thatch_wetness", NOTHING), roots=wetness.get("root_zone_wetness", NOTHING),
        rain=rain, reference_et_mm=demand, waterings=said.waterings(mine, context.station),
        covered=said.covers(mine, context.station, view.now_ms),
    )  # fmt: skip


def _probe_layers(context: StationContext, probe: str, at_ms: int) -> tuple[bool, bool]:
    """Whether a probe speaks for the thatch and for the root zone."""
    own = [i for i in context.moisture if i.rsplit("/", 1)[0] == probe]
    places = {context.place(i, at_ms) for i in own}
    return Place.THATCH in places or Place.MIXED in places, Place.SOIL in places


def _without_lifted(view: View, past: Past, station: str) -> Past:
    """A past without what probes said out of the ground, or while the ground about them settled."""
    context = context_of(view, station)
    for lifted in context.lifted:
        thatch, roots = _probe_layers(context, lifted.probe, view.now_ms)
        past = blanked(past, lifted.out_ms, lifted.back_ms + context.settle_ms, thatch=thatch, roots=roots)
    return past


def _lifted(view: View, station: Station) -> int | None:
    """Since when a probe that the wetness rests on has been out of the ground, or not settled in it; else None."""
    context = context_of(view, station.name)
    since = [
        one.out_ms
        for one in context.lifted
        if one.out_ms <= view.now_ms < one.back_ms + context.settle_ms
        and any(_probe_layers(context, one.probe, view.now_ms))
    ]
    return min(since, default=None)


def _fit(view: View, context: StationContext, past: Past) -> Fit:
    key = (view.today // view.cache.fit_days, context.cores)
    kept = view.cache.fits.get(context.station)
    if kept is None or kept[0] != key:
        kept = (key, fit(_until(view, past), boxes_now(context, past, view.now_ms)))
        view.cache.fits[context.station] = kept
    return kept[1]


def boxes_now(context: StationContext, past: Past, at_ms: int) -> Boxes:
    """The two boxes by the limits that relative wetness is counted from; no thatch box where none is read.

    Parameters
    ----------
    context : StationContext
    past : Past
    at_ms : int
        [ms since 1970, UTC]
    """
    thatch_m = context.thatch_m(at_ms) if np.isfinite(past.thatch_wetness).any() else 0.0
    own = {
        Place.THATCH: (context.thatch_dry, context.thatch_drained),
        Place.SOIL: (context.soil_dry, context.soil_drained),
    }
    shown: dict[Place, list[tuple[float, float]]] = {Place.THATCH: [], Place.SOIL: []}
    for i in context.moisture:
        limits, place = context.learned_at(i, at_ms), context.place(i, at_ms)
        if limits is not None and place in shown:
            shown[place].append((limits.dry, limits.drained))
    layers = {}
    for place, medium in ((Place.THATCH, context.thatch), (Place.SOIL, context.soil_medium)):
        dry, drained = np.mean(shown[place], axis=0) if shown[place] else (medium.dry_prior, medium.drained_prior)
        dry, drained = (g if o is None else o for g, o in zip((dry, drained), own[place], strict=True))
        layers[place] = (float(drained - dry), (middle(medium.saturated) - float(dry)) / float(drained - dry))
    (thatch, thatch_full), (soil, soil_full) = layers[Place.THATCH], layers[Place.SOIL]
    thickness = thatch_m if thatch_m > 0.0 else 0.0
    return Boxes(1000.0 * thickness * thatch, thatch_full, 1000.0 * context.root_zone_m * soil, soil_full)


def _doubt(view: View, context: StationContext, past: Past, recent: Mapping[str, Series], since_ms: int | None) -> str:
    """Why what the probes say is not to be believed, in words; empty when it is.

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
        time_ms, value = recent.get(i, NOTHING)
        late = value[time_ms > view.now_ms - DOUBT_H * HOUR_MS]
        if late.size and np.isnan(late).mean() > 0.5:
            bad.append(i.split("/", 1)[1])
    return f"{', '.join(bad)} failed the tests of the last {DOUBT_H} hours" if bad else ""
