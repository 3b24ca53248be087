"""A station as the sums of tonight's water want it, and how deep its roots go as a ruler would show it.

What is not known is None; what to do with it is `advice.water`'s.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np

from pipeline.advice.daily import DAY_MS, HOUR_MS
from pipeline.advice.measures import Hours
from pipeline.advice.root_alerts import CORE_REACH_MS, RATIOS
from pipeline.advice.water import Evening, Turf, WaterAdvice, is_dried_for_play, tonight
from pipeline.advice.water_interval import IntervalStep, next_interval
from pipeline.advisor import diary as said
from pipeline.advisor.hours import coldest_leaf
from pipeline.advisor.inputs import StationView, View, boxes_now
from pipeline.advisor.plans import SurfacePlans
from pipeline.periods import FORTNIGHT_MS
from pipeline.station import StationContext

ROOTS_OLD_MS = 62 * DAY_MS  # an estimate older than this says nothing of now: our own choice
ROOTS_BACK_MS = 3 * 366 * DAY_MS
ARRIVAL_OLD_MS = 30 * DAY_MS
WETTING_MM = 3.0  # rain of a day that counts as a watering: our own choice
EVENING_H = 20  # by then tomorrow
SEEDLING_MS = 56 * DAY_MS


def root_depth_m(view: View, context: StationContext) -> float | None:
    """Depth of roots below the leaf base, by the newest estimate drawn to the ruler of a core; None without either.

    Raises
    ------
    StoreAway
    """
    return view.cache.once_a_day(
        ("roots", context.station, context.root_cores), view.today, lambda: _root_depth_m(view, context)
    )


def _root_depth_m(view: View, context: StationContext) -> float | None:
    table = view.store.findings(context.station, ["root_depth_90"], view.now_ms - ROOTS_BACK_MS, view.now_ms)
    starts, ends = (table[name].to_numpy(dtype=np.int64).tolist() for name in ("start_ms", "end_ms"))
    known = []
    for start, end, value, reason in zip(starts, ends, table["value"].tolist(), table["reason"].tolist(), strict=True):
        thatch = context.thatch_m((start + end) // 2)
        soil_m = value - (thatch if thatch > 0.0 else 0.0)
        if math.isfinite(soil_m) and soil_m > 0.0:
            known.append((start, soil_m, str(reason).startswith("at least")))
    if not known or view.now_ms - known[-1][0] - FORTNIGHT_MS > ROOTS_OLD_MS:
        return None
    ratio = _ruler_ratio(context, [(start, depth) for start, depth, at_least in known if not at_least])
    if ratio is None:
        return None
    thatch_m = context.thatch_m(view.now_ms)
    return float(ratio * known[-1][1] + (thatch_m if thatch_m > 0.0 else 0.0))


def _ruler_ratio(context: StationContext, estimates: list[tuple[int, float]]) -> float | None:
    """Ruler over estimate, from the first core with a root depth that has an estimate near it in time."""
    for core in context.root_cores:
        near = [
            (max(start - core.at_ms, core.at_ms - start - FORTNIGHT_MS, 0), start, depth) for start, depth in estimates
        ]
        near = [n for n in near if n[0] <= CORE_REACH_MS]
        if near and RATIOS[0] <= core.length_m / min(near)[2] <= RATIOS[1]:
            return core.length_m / min(near)[2]
    return None


def water_of(view: View, plans: SurfacePlans, station: StationView, hours: Hours, root_m: float | None) -> WaterAdvice:
    """Tonight's water of one station."""
    turf, evening = _turf(view, plans, station), _evening(view, plans, station, hours, root_m)
    step = _interval(view, plans, station, turf, evening)
    found = tonight(turf, replace(evening, interval_days=None if step is None else step.interval_days))
    if step is not None and step.interval_days != evening.interval_days:
        every = "" if step.interval_days is None else f", every {step.interval_days} days from now on"
        found = replace(found, cautions=(*found.cautions, f"{step.reason}{every}"))
        found = replace(found, line=f"{found.line} {step.reason[0].upper()}{step.reason[1:]}{every}.")
    if plans.surface.care.water_to_hand or not found.mm:
        return found
    line = f"{turf.place}: {found.mm:.0f} mm would help, but there is no water to hand."
    return replace(found, mm=0.0, goes=0, volume_m3=None, reason="no water to hand", cautions=(), line=line)


def _interval(
    view: View, plans: SurfacePlans, station: StationView, turf: Turf, evening: Evening
) -> IntervalStep | None:
    """The next step of drawing roots down; None where the settings do not ask for it.

    A watering counts as held when the roots went the whole interval before it and no wilt was seen since.
    """
    days = evening.interval_days
    if days is None:
        return None
    wilts = [s.at_ms for s in said.sights(plans.entries) if s.what == "wilt" and s.value > 0.0]
    since = max(wilts, default=0)
    given = sorted(w.start_ms for w in said.waterings(plans.entries, station.station.name) if w.start_ms <= view.now_ms)
    apart = [later - earlier >= (days - 0.5) * DAY_MS and earlier > since for earlier, later in pairwise(given)]
    held = next((n for n, whole in enumerate(reversed(apart)) if not whole), len(apart))
    return next_interval(turf, evening, days, cycles_held=held, roots_wanted_m=station.context.root_zone_m)


def _turf(view: View, plans: SurfacePlans, station: StationView) -> Turf:
    context, fitted = station.context, station.fitted.parameters
    boxes = boxes_now(context, station.past, view.now_ms)
    sown = said.latest_sown_ms(plans.entries, view.now_ms)
    thatch_mm, root_mm, canopy_mm, bypass = boxes.thatch_capacity_mm, boxes.root_capacity_mm, 1.0, 0.0
    if fitted is not None:
        thatch_mm, root_mm = float(np.max(fitted.thatch_capacity_mm)), float(np.max(fitted.root_capacity_mm))
        canopy_mm, bypass = float(np.max(fitted.canopy_mm)), float(np.max(fitted.bypass_share))
    return Turf(
        place=station.place,
        soil=context.soil,
        thatch_capacity_mm=thatch_mm,
        root_capacity_mm=root_mm,
        canopy_mm=canopy_mm,
        bypass_share=bypass,
        area_m2=plans.surface.care.area_m2,
        seed=sown is not None and view.now_ms - sown < SEEDLING_MS,
        green=plans.surface.kind == "green",
        country=view.config.site.country,
    )


def _evening(view: View, plans: SurfacePlans, station: StationView, hours: Hours, root_m: float | None) -> Evening:
    now = int((view.hour_ms - hours.at_ms[0]) // HOUR_MS)
    until = _tomorrow_evening_ms(view)
    ahead_h = int((until - view.hour_ms) // HOUR_MS)
    days = _days_to_play(plans, view)
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
        days_to_play=days,
        dried_for_play=is_dried_for_play(plans.surface.kind, days),
        restricted=view.config.ahead.restricted,
        arrival_share=_arrival_share(view, station.context),
        days_since_water=_days_since_water(view, plans, station, hours, now),
        interval_days=plans.surface.care.interval_days,
        wilt=any(
            s.what == "wilt" and s.value > 0 and 0 <= view.now_ms - s.at_ms < DAY_MS for s in said.sights(plans.entries)
        ),
        root_depth_m=root_m,
    )


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _tomorrow_evening_ms(view: View) -> int:
    here = datetime.datetime.fromtimestamp(view.hour_ms / 1000, view.zone)
    evening = datetime.datetime.combine(here.date() + datetime.timedelta(days=1), datetime.time(EVENING_H), view.zone)
    return round(evening.timestamp() * 1000)


def _days_to_play(plans: SurfacePlans, view: View) -> float | None:
    ahead = [p.start_ms for p in plans.play if p.end_ms > view.now_ms]
    return max(min(ahead) - view.now_ms, 0) / DAY_MS if ahead else None


def dawn_ms(view: View) -> int:
    """End of the coming night, or of the one that is on: the next nine o'clock of the place. [ms since 1970, UTC]"""
    here = datetime.datetime.fromtimestamp(view.hour_ms / 1000, view.zone)
    day = here.date() + datetime.timedelta(days=0 if here.hour < 9 else 1)
    return round(datetime.datetime.combine(day, datetime.time(9), view.zone).timestamp() * 1000)


def coldest_air(view: View, hours: Hours) -> float | None:
    """Coldest air of the night to come, as far as it is forecast; None when none of it is. [degC]"""
    ahead = (hours.at_ms >= view.hour_ms) & (hours.at_ms < min(dawn_ms(view), hours.forecast_end_ms))
    air = hours.of("air_temperature_degc")[ahead]
    return float(air.min()) if air.size and np.isfinite(air).all() else None


def dawn_leaf_degc(view: View, hours: Hours) -> float | None:
    """Coldest leaf of the night to come; None when nobody forecasts it. [degC]"""
    return coldest_leaf(view, hours, dawn_ms(view))


def _arrival_share(view: View, context: StationContext) -> float | None:
    """Of the last water whose way is known, what reached the roots."""
    table = view.store.findings(context.station, ["arrival_share"], view.now_ms - ARRIVAL_OLD_MS, view.now_ms)
    values = table["value"].to_numpy(dtype=np.float64)
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else None


def _days_since_water(view: View, plans: SurfacePlans, station: StationView, hours: Hours, now: int) -> float | None:
    """Days since a watering or a wet day, as far back as the hours go. [d]"""
    given = [w.end_ms for w in said.waterings(plans.entries, station.station.name) if w.end_ms <= view.now_ms]
    rain = np.nan_to_num(hours.of("rain_mm")[:now])
    day = np.convolve(rain, np.ones(24))[: rain.size]
    wet = np.flatnonzero(day >= WETTING_MM)
    if wet.size:
        given.append(int(hours.at_ms[wet[-1]]))
    return (view.now_ms - max(given)) / DAY_MS if given else None
