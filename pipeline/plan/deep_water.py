"""When the next water of a station goes on, and how much: tonight, or the first evening on which nothing forbids it.

Wet thatch over dry roots drains first, for light water would only feed it; ground that nobody may go on waits. Each
evening is asked what tonight is asked (`pipeline.advice.water`), with the wetness that is forecast for it. Order and
manner are common practice, no source.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, replace

import numpy as np

from pipeline.advice.report import StationAdvice, SurfaceAdvice
from pipeline.advice.water import (
    HARD_DEPLETION,
    Evening,
    WaterAdvice,
    is_dried_for_play,
    is_light_only,
    repels,
    tonight,
)
from pipeline.alerts.water import ROOTS_DRY
from pipeline.diary.facts import Play, on_strip, to_play_d, to_play_h
from pipeline.forecast.waterings import EVENING_H
from pipeline.forecast.wetness import EDGE_SLACK, WetnessForecast
from pipeline.plan.seen import Seen
from pipeline.units import DAY_MS, HOUR_MS, FloatArray

STRESS_MM = 4.0  # so much used by tomorrow evening is heat for roots that are dry: our own choice
LOOKED_AHEAD_D = 9
SOAKS_H = 12  # water of an evening is in by then


@dataclass(frozen=True)
class DeepWater:
    """The next water of a station.

    Attributes
    ----------
    advice : WaterAdvice
        Of tonight, as asked by itself.
    holds : bool
        Thatch is wet over dry roots: it drains first, or water comes as the lesser evil.
    drains_ms : int or None
        When that thatch has drained; None where it does not hold, or no forecast tells. [ms since 1970, UTC]
    waits_for : str
        `thatch`, `ground` or `tonight`: what puts it off, the last where roots are dry and tonight is forbidden for
        what passes, as play; empty where nothing does.
    evening_ms : int or None
        Of the water; None where none is told. [ms since 1970, UTC]
    dose : WaterAdvice or None
        Of that evening.
    is_lesser_evil : bool
        Given on wet thatch, for the roots fail first.
    repels_water : bool
        Thatch is so dry, or a drop on a core said so, that it may repel water.
    """

    advice: WaterAdvice
    holds: bool = False
    drains_ms: int | None = None
    waits_for: str = ""
    evening_ms: int | None = None
    dose: WaterAdvice | None = None
    is_lesser_evil: bool = False
    repels_water: bool = False


def next_water(surface: SurfaceAdvice, one: StationAdvice, seen: Seen, *, off_until_ms: int | None) -> DeepWater:
    """Return the next water of a station.

    Parameters
    ----------
    surface : SurfaceAdvice
    one : StationAdvice
    seen : Seen
    off_until_ms : int or None
        Until when nobody may go on it. [ms since 1970, UTC]
    """
    tonight_ms = evening_ms(seen, 0)
    holds = holds_over_dry(one)
    drains_ms = drains_at(one) if holds else None
    wanted = one.water.mm is not None and one.water.mm > 0.0
    plain = DeepWater(one.water, holds, drains_ms, repels_water=not one.turf.seed and repels(one.turf, one.evening))
    barred = wanted and off_until_ms is not None and off_until_ms > tonight_ms
    if (one.turf.seed or not surface.water_to_hand) and not barred:
        return replace(plain, evening_ms=tonight_ms, dose=one.water) if wanted else plain
    waits_for = ""
    if barred:
        waits_for = "ground"
    elif holds and (drains_ms is None or drains_ms > tonight_ms) and not (wanted and _in_stress(one.evening)):
        waits_for = "thatch"
    elif (
        not wanted
        and one.water.mm is not None
        and any(alert.rule == ROOTS_DRY.name and alert.station == one.station for alert in seen.alerts)
    ):
        waits_for = "tonight"
    if not waits_for:
        lesser = holds and wanted and (drains_ms is None or drains_ms > tonight_ms)
        return replace(plain, evening_ms=tonight_ms, dose=one.water, is_lesser_evil=lesser) if wanted else plain
    from_ms = {"ground": off_until_ms, "thatch": drains_ms, "tonight": tonight_ms}[waits_for]
    if from_ms is None:
        return replace(plain, waits_for=waits_for)
    for day in range(1, LOOKED_AHEAD_D + 1):
        at_ms = evening_ms(seen, day)
        dose = None if at_ms < from_ms else dose_on(surface, one, seen, at_ms)
        if waits_for == "thatch" and is_light_only(surface.kind, to_play_d(own_play(surface, one), at_ms)):
            continue  # a light dose would feed the thatch
        if dose is not None and dose.mm:
            return replace(plain, waits_for=waits_for, evening_ms=at_ms, dose=dose)
    return replace(plain, waits_for=waits_for)


def holds_over_dry(one: StationAdvice) -> bool:
    """Return whether thatch holds water over roots that are dry, by the bounds of the alert."""
    thatch, root, limits = one.evening.thatch_wetness, one.evening.root_wetness, one.turf.limits
    if thatch is None or root is None or one.turf.thatch_capacity_mm <= 0.0:
        return False
    return thatch > limits.holds_wetness and root < limits.roots_dry_wetness


def drains_at(one: StationAdvice) -> int | None:
    """Return when the thatch is forecast to hold no more; None where no forecast tells. [ms since 1970, UTC]"""
    thatch = _mean(one.forecast.if_unwatered().thatch_wetness)
    dry = np.flatnonzero(thatch <= one.turf.limits.holds_wetness + EDGE_SLACK)
    return None if not dry.size else int(one.forecast.at_ms[dry[0]])


def dose_on(surface: SurfaceAdvice, one: StationAdvice, seen: Seen, at_ms: int) -> WaterAdvice | None:
    """Return what would be advised on an evening to come; None where its wetness is not forecast."""
    forecast = one.forecast.if_unwatered()
    row = (at_ms - forecast.first_ms) // HOUR_MS
    root = _at(forecast.root_wetness, row)
    if root is None:
        return None
    thatch = _at(forecast.thatch_wetness, row) if one.turf.thatch_capacity_mm > 0.0 else None
    days = to_play_d(own_play(surface, one), at_ms)
    since = one.evening.days_since_water
    evening = replace(
        one.evening,
        thatch_wetness=thatch,
        root_wetness=root,
        rain_mm=_rain(forecast, row),
        lowest_degc=None,
        days_to_play=days,
        hours_to_play=to_play_h(surface.play, at_ms),
        dried_for_play=is_dried_for_play(surface.kind, days),
        light_only=is_light_only(surface.kind, days),
        given_mm=0.0,
        wilt=False,
        days_since_water=None if since is None else since + (at_ms - seen.now_ms) / DAY_MS,
    )
    return tonight(one.turf, evening)


def own_play(surface: SurfaceAdvice, one: StationAdvice) -> list[Play]:
    """Return the play that the ground of a station is kept for."""
    return on_strip(surface.play, one.strip)


def evening_ms(seen: Seen, days: int) -> int:
    """Return the evening of today, or so many days on. [ms since 1970, UTC]"""
    day = seen.date(seen.now_ms) + datetime.timedelta(days=days)
    return round(datetime.datetime.combine(day, datetime.time(EVENING_H), seen.zone).timestamp() * 1000)


def _in_stress(evening: Evening) -> bool:
    """Return whether roots suffer now and go on to: wilt seen, or all but dry with a hot day ahead."""
    root, demand = evening.root_wetness, evening.demand_tomorrow_mm
    hot = demand is None or demand >= STRESS_MM
    return evening.wilt or (root is not None and root < 1.0 - HARD_DEPLETION and hot)


def _mean(wetness: FloatArray) -> FloatArray:
    return np.full(wetness.shape[0], np.nan) if wetness.shape[1] == 0 else np.asarray(wetness.mean(axis=1))


def _at(wetness: FloatArray, row: int) -> float | None:
    mean = _mean(wetness)
    return float(mean[row]) if 0 <= row < mean.size and math.isfinite(mean[row]) else None


def _rain(forecast: WetnessForecast, row: int) -> tuple[float, ...]:
    """Return the rain of the day after an hour in each course of the weather. [mm]"""
    return tuple(forecast.rain_mm[row : row + 24].sum(axis=0).tolist())
