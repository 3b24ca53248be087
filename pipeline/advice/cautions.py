"""Cautions of a surface: what to look at or to feel for, and how likely it is. They order nothing.

Weather in which disease comes, by the published index; and thatch that no probe reads and that likely holds water over
drying roots.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.advice.conditions import LOOK_BACK_H, Hours
from pipeline.advice.station_inputs import StationView, View, boxes_now
from pipeline.forecast.unread_thatch import chance_it_holds, felt_since_water, with_felt
from pipeline.forecast.wetness import in_ten
from pipeline.soil.disease import INDEX_DAYS, LOOK_FROM, dollar_spot_chance
from pipeline.soil.layers import Place
from pipeline.stages.climate import hourly_means
from pipeline.stages.layers import limits_of
from pipeline.stages.stage import NO_SERIES
from pipeline.texts import later, say
from pipeline.units import HOUR_MS

INDEX_H = 24 * INDEX_DAYS
LEAST_KNOWN_H = 0.75 * INDEX_H  # of hours with both, for their means to count: our own choice
FEEL_FROM = 0.5  # of the chance that unread thatch holds: less likely than not is not told
FEEL_EVERY_H = 3  # the balances of unread thatch are run anew so often
SINCE_WATER_H = 24  # thatch is wet after rain anyhow: the day after is the first that tells
WATER_MM = 1.0  # within a day, that counts as rain or watering here: our own choice
ROOTS_FELL = 0.05  # fall of the root zone's wetness in three days that is drying: our own choice


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing to look at or to feel for.

    Attributes
    ----------
    what : str
        `disease_weather` or `thatch_may_hold`.
    station : str
        Empty for the whole surface.
    place : str
        In words.
    words : str
        A sentence or two.
    chance : float
        [1]
    """

    what: str
    station: str
    place: str
    words: str
    chance: float


def cautions_of(view: View, title: str, stations: Sequence[StationView], hours: Sequence[Hours]) -> tuple[Caution, ...]:
    """Return the cautions of a surface.

    Parameters
    ----------
    view : View
    title : str
        Of the surface.
    stations : sequence of StationView
    hours : sequence of Hours
        Of each station.
    """
    disease = [caution for one in stations for caution in _disease(view, title, one)]
    highest = sorted(disease, key=lambda one: -one.chance)[:1]
    return (*highest, *(c for one, its in zip(stations, hours, strict=True) for c in _unread_thatch(view, one, its)))


def _disease(view: View, title: str, station: StationView) -> Iterator[Caution]:
    """Yield the caution of disease weather, by the measured air of the last days."""
    first_ms = view.hour_ms - INDEX_H * HOUR_MS
    air, humidity = (
        hourly_means(station.recent.get(station.context.weather.get(q, ""), NO_SERIES), first_ms, INDEX_H)
        for q in ("air_temperature", "relative_humidity")
    )
    both = np.isfinite(air) & np.isfinite(humidity)
    if both.sum() < LEAST_KNOWN_H:
        return
    chance = float(dollar_spot_chance(np.minimum(humidity[both], 100.0).mean(), air[both].mean()))
    if chance >= LOOK_FROM:  # NaN is not
        told = later(
            "Weather for dollar spot, {chance} by the index of five days' humidity and warmth: in the dew look for "
            "cobwebs and small straw-coloured spots. It is a reason to look, not to spray."
        )
        yield Caution("disease_weather", "", title, say(told, chance=in_ten(chance)), chance)


def _unread_thatch(view: View, station: StationView, hours: Hours) -> Iterator[Caution]:
    """Yield the caution of thatch that no probe reads and that likely holds water over roots that dry."""
    context = station.context
    if station.by_hand_ms is not None or any(context.place(i, view.now_ms) is Place.THATCH for i in context.moisture):
        return
    rain = np.nan_to_num(hours.of("rain_mm")[LOOK_BACK_H - SINCE_WATER_H : LOOK_BACK_H])
    root = hours.of("root_zone_wetness")
    now, before = float(root[LOOK_BACK_H]), float(np.nanmax(root[LOOK_BACK_H - 72 : LOOK_BACK_H + 1], initial=-1.0))
    dry = now < view.config.alert_bound("thatch_holding", "root_wetness")
    if math.isnan(now) or rain.sum() >= WATER_MM or not (dry or before - now >= ROOTS_FELL):
        return
    bound = view.config.alert_bound("thatch_holding", "on_wetness")
    found = view.cache.once(
        ("unread thatch", context.station), (view.hour_ms // (FEEL_EVERY_H * HOUR_MS), view.cache.diary_changes),
        lambda: _chance(view, station, bound),
    )  # fmt: skip
    felt = view.facts(view.config.surface_of(context.station).name, context.station).sights
    past = station.past.cut(0, (view.hour_ms - station.past.first_ms) // HOUR_MS)
    lately = felt_since_water(felt, past, WATER_MM)
    chance = None if found is None else with_felt(found, lately, view.now_ms)
    if chance is not None and chance >= FEEL_FROM:
        told = later("The thatch, which no probe reads, likely holds water over drying roots, {chance}: feel it.")
        yield Caution("thatch_may_hold", context.station, station.place, say(told, chance=in_ten(chance)), chance)


def _chance(view: View, station: StationView, bound: float) -> float | None:
    """Return the chance that the unread thatch of a station is wetter than a bound. [1]"""
    context, at_ms = station.context, view.now_ms
    thatch_m = context.thatch_m(at_ms)
    if not math.isfinite(thatch_m):
        return None
    dry, drained, *_ = limits_of(context, Place.THATCH, "", at_ms)
    saturated = sum(context.thatch.saturated) / 2.0
    boxes = replace(
        boxes_now(context, station.past, at_ms),
        thatch_capacity_mm=1000.0 * thatch_m * (drained - dry),
        thatch_full_wetness=(saturated - dry) / (drained - dry),
    )
    past = station.past.cut(0, (view.hour_ms - station.past.first_ms) // HOUR_MS)
    return chance_it_holds(past, boxes, bound)
