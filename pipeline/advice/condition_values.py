"""What each condition is worth in each hour, worked out from probes, weather, diary and fixtures.

An hour stands for the sixty minutes that begin with it. What lies ahead is looked at from the hour on, what lies behind
up to and with it. A gap is a gap: a value that rests on one is NaN, and the verdict on it is that nobody can tell. This
module must not judge a value.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.advice.treatments import Row
from pipeline.diary.facts import Sight
from pipeline.forecast.daily import Daily
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeArray

SERIES = (
    "thatch_wetness", "root_zone_wetness", "soil_temperature_degc", "ground_top_temperature_degc",
    "ground_depth_temperature_degc", "surface_temperature_degc", "air_temperature_degc", "dew_point_degc", "rain_mm",
)  # fmt: skip
SURFACE_BELOW_AIR_K = 3.0  # leaf below screen on a clear night, where no leaf is measured: common practice, no source
LEAF_DRIES_H = 3  # a leaf counts as wet in the hour of rain or dew and in the two after: our own choice
RAIN_LEAST_MM = 0.05  # forecast drizzle below it in an hour is no rain: our own choice
RAIN_WETS_LEAF_MM = 0.2
DRY, DEW, WET = 0.0, 1.0, 2.0
WET_THATCH = 1.0  # relative wetness from which disease is "in the wet": our own choice
LOOK_BACK_H = 168


@dataclass(frozen=True)
class Hours:
    """Hour by hour, measured and forecast.

    Attributes
    ----------
    at_ms : ndarray of int64, shape (hour,)
        Consecutive whole hours, from a week ago (for what lies behind) on. [ms since 1970, UTC]
    series : mapping of str to ndarray, shape (hour,)
        Of the names in `SERIES`; NaN where not known, one left out is not known at all. Wetness relative [1],
        temperatures of 50 mm, the top and the coldest down to the cut [degC], rain in the hour [mm].
    forecast_end_ms : int
        From then on the weather is not forecast but a matter of chance.
    spread : mapping of str to ndarray
        By condition, standard deviation of its value.
    soil_temperature_by_day, frost_chance_by_day : Daily or None
        Soil temperature at 50 mm expected [degC], and chance of a frost on the leaf [1], of days to come.
    """

    at_ms: TimeArray
    series: Mapping[str, FloatArray]
    forecast_end_ms: int
    spread: Mapping[str, FloatArray] = field(default_factory=dict)
    soil_temperature_by_day: Daily | None = None
    frost_chance_by_day: Daily | None = None

    def __post_init__(self) -> None:
        if self.at_ms.size == 0 or np.any(self.at_ms % HOUR_MS) or np.any(np.diff(self.at_ms) != HOUR_MS):
            raise ValueError("hours: found times that are not consecutive whole hours, expected one or more that are")
        for name, values in self.series.items():
            if name not in SERIES:
                raise ValueError(f"hours: found a series {name!r}, expected one of {', '.join(SERIES)}")
            if values.shape != self.at_ms.shape:
                raise ValueError(f"hours: found {values.shape} values of {name}, expected {self.at_ms.shape}")

    def of(self, name: str) -> FloatArray:
        """A series; NaN throughout where it is not there."""
        found = self.series.get(name)
        return np.full(self.at_ms.shape, np.nan) if found is None else found

    def surface_degc(self) -> FloatArray:
        """Temperature of the leaf; from that of the air where it is not known. [degC]"""
        leaf = self.of("surface_temperature_degc")
        return np.where(np.isnan(leaf), self.of("air_temperature_degc") - SURFACE_BELOW_AIR_K, leaf)

    def ground_top_degc(self) -> FloatArray:
        """Temperature of the top of the ground; that at 50 mm where it is not known. [degC]"""
        top = self.of("ground_top_temperature_degc")
        return np.where(np.isnan(top), self.of("soil_temperature_degc"), top)

    def rain(self) -> FloatArray:
        """Rain, without drizzle that no gauge would show. [mm]"""
        rain = self.of("rain_mm")
        return np.where(rain < RAIN_LEAST_MM, 0.0, rain)


@dataclass(frozen=True)
class Plans:
    """What diary and fixtures say.

    Attributes
    ----------
    fixtures_ms : tuple of int
        Begin of play on this surface, in order. [ms since 1970, UTC]
    jobs_ms : tuple of int
        The same pass done before, a job in several directions once, in order; see `merge_jobs`.
    potential, recovery : Daily or None
        Growth a day, past and to come, see `healing.Growth`. [1]
    growth_end_ms : int or None
        End of growth of the season; None when growth does not end.
    heal_factor : float
        See `healing.learned_factor`. [1]
    first_frost_ms : int or None
        Usual date of the first frost; None where it is not known.
    sights : tuple of Sight
    """

    fixtures_ms: tuple[int, ...] = ()
    jobs_ms: tuple[int, ...] = ()
    potential: Daily | None = None
    recovery: Daily | None = None
    growth_end_ms: int | None = None
    heal_factor: float = 1.0
    first_frost_ms: int | None = None
    sights: tuple[Sight, ...] = ()


def measure(condition: str, row: Row, hours: Hours, plans: Plans) -> FloatArray:
    """What a condition is worth in each hour, in its own unit; NaN where not known.

    Parameters
    ----------
    condition : str
    row : Row
        Of the pass: how far it looks.
    hours : Hours
    plans : Plans

    Returns
    -------
    ndarray, shape (hour,)
    """
    return _MEASURES[condition](row, hours, plans)


def _windows(values: FloatArray, hours: int, *, ahead: bool) -> FloatArray:
    """Every window of so many hours, NaN beyond the ends. Shape (hour, hours)."""
    pad = np.full(hours - 1, np.nan)
    longer = np.concatenate([values, pad] if ahead else [pad, values])
    return np.lib.stride_tricks.sliding_window_view(longer, hours)


def _rain_ahead(row: Row, hours: Hours, _: Plans) -> FloatArray:
    return np.asarray(_windows(hours.rain(), row.window_h, ahead=True).sum(axis=1), dtype=np.float64)


def _minimum_ahead(row: Row, hours: Hours, _: Plans) -> FloatArray:
    """Coldest leaf of the window as far as it is forecast; infinity where none of it is, for chance to decide."""
    beyond = hours.at_ms >= hours.forecast_end_ms
    leaf = np.where(beyond, np.inf, hours.surface_degc())
    if hours.at_ms[-1] + HOUR_MS < hours.forecast_end_ms:
        return np.asarray(_windows(leaf, row.window_h, ahead=True).min(axis=1), dtype=np.float64)
    longer = np.concatenate([leaf, np.full(row.window_h - 1, np.inf)])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(longer, row.window_h).min(axis=1), dtype=np.float64)


def _minimum_back(row: Row, hours: Hours, _: Plans) -> FloatArray:
    return np.asarray(_windows(hours.surface_degc(), row.window_h, ahead=False).min(axis=1), dtype=np.float64)


def _frost_chance(row: Row, hours: Hours, _: Plans) -> FloatArray:
    """Chance of a frost in the part of the window past the forecast, nights taken as independent."""
    until = hours.at_ms + row.window_h * HOUR_MS
    since = np.maximum(hours.at_ms, hours.forecast_end_ms)
    if hours.frost_chance_by_day is None:
        return np.where(until <= since, 0.0, np.nan)
    chance = np.clip(hours.frost_chance_by_day.values, 0.0, 1.0 - 1e-12)
    none = Daily(hours.frost_chance_by_day.first_day_ms, np.log1p(-chance)).between(since, until)
    return np.asarray(-np.expm1(none), dtype=np.float64)


def _soil_temperature(row: Row, hours: Hours, _: Plans) -> FloatArray:
    day = _windows(hours.of("soil_temperature_degc"), row.window_h, ahead=False).mean(axis=1)
    return np.asarray(day, dtype=np.float64)


def _soil_temperature_change(row: Row, hours: Hours, _: Plans) -> FloatArray:
    day = _windows(hours.of("soil_temperature_degc"), 24, ahead=False).mean(axis=1)
    before = np.concatenate([np.full(row.window_h, np.nan), day])[: day.size]
    return np.asarray(day - before, dtype=np.float64)


def _seedbed_temperature(row: Row, hours: Hours, _: Plans) -> FloatArray:
    if hours.soil_temperature_by_day is None:
        return np.full(hours.at_ms.shape, np.nan)
    return hours.soil_temperature_by_day.lowest(hours.at_ms, row.window_h // 24)


def _ground_depth(_: Row, hours: Hours, __: Plans) -> FloatArray:
    """Coldest ground down to the cut; without a probe there, the coldest top of a week, which froze it if anything."""
    week = _windows(hours.ground_top_degc(), LOOK_BACK_H, ahead=False).min(axis=1)
    depth = hours.of("ground_depth_temperature_degc")
    return np.asarray(np.where(np.isnan(depth), week, depth), dtype=np.float64)


def leaf_wetness(hours: Hours) -> FloatArray:
    """How wet the leaf is: 0 dry, 1 dew, 2 rain; from leaf temperature, dew point and rain. NaN where not known.

    Dew lies where the leaf is no warmer than the dew point. Both stay for `LEAF_DRIES_H` hours.
    """
    rain, leaf, dew_point = hours.rain(), hours.surface_degc(), hours.of("dew_point_degc")
    dew = np.where(np.isnan(leaf) | np.isnan(dew_point), np.nan, np.where(leaf <= dew_point, DEW, DRY))
    now = np.where(rain >= RAIN_WETS_LEAF_MM, WET, np.where(np.isnan(rain), np.nan, dew))
    lately = _windows(now, LEAF_DRIES_H, ahead=False)
    wettest = np.max(np.where(np.isnan(lately), -1.0, lately), axis=1)
    unknown = np.isnan(lately).any(axis=1) & (wettest < WET)
    return np.asarray(np.where(unknown, np.nan, wettest), dtype=np.float64)


def _growth_now(row: Row, hours: Hours, plans: Plans) -> FloatArray:
    if plans.potential is None:
        return np.full(hours.at_ms.shape, np.nan)
    total = plans.potential.between(hours.at_ms - row.window_h * HOUR_MS, hours.at_ms)
    return np.asarray(total / (row.window_h / 24.0), dtype=np.float64)


def growth_now(hours: Hours, plans: Plans) -> FloatArray:
    """Mean growth potential of the 7 days up to each hour. [1]"""
    days = LOOK_BACK_H * HOUR_MS
    if plans.potential is None:
        return np.full(hours.at_ms.shape, np.nan)
    return np.asarray(plans.potential.between(hours.at_ms - days, hours.at_ms) / (days / DAY_MS), dtype=np.float64)


def _next(times_ms: tuple[int, ...], at_ms: TimeArray) -> FloatArray:
    """The first of the times not before each hour; infinity when there is none. [ms]"""
    times = np.append(np.sort(np.asarray(times_ms, dtype=np.float64)), np.inf)
    return np.asarray(times[np.searchsorted(times, at_ms.astype(np.float64))], dtype=np.float64)


def _growth_to_come(_: Row, hours: Hours, plans: Plans) -> FloatArray:
    """Growth-days until play or the end of growth, whichever comes first, or for a year; in those of the table."""
    if plans.recovery is None:
        return np.full(hours.at_ms.shape, np.nan)
    ends = () if plans.growth_end_ms is None else (plans.growth_end_ms,)
    until = np.minimum(_next((*plans.fixtures_ms, *ends), hours.at_ms), hours.at_ms + 365.0 * DAY_MS)
    grown = plans.recovery.between(hours.at_ms, until.astype(np.int64))
    return np.asarray(grown / plans.heal_factor, dtype=np.float64)


def _lead_time(_: Row, hours: Hours, plans: Plans) -> FloatArray:
    return np.asarray((_next(plans.fixtures_ms, hours.at_ms) - hours.at_ms) / DAY_MS, dtype=np.float64)


def _days_to_frost(_: Row, hours: Hours, plans: Plans) -> FloatArray:
    if plans.first_frost_ms is None:
        return np.full(hours.at_ms.shape, np.nan)
    return np.asarray((plans.first_frost_ms - hours.at_ms) / DAY_MS, dtype=np.float64)


def _interval(_: Row, hours: Hours, plans: Plans) -> FloatArray:
    jobs = np.concatenate([[-np.inf], np.sort(np.asarray(plans.jobs_ms, dtype=np.float64))])
    last = jobs[np.searchsorted(jobs, hours.at_ms.astype(np.float64), side="right") - 1]
    return np.asarray((hours.at_ms - last) / DAY_MS, dtype=np.float64)


def _times_this_year(_: Row, hours: Hours, plans: Plans) -> FloatArray:
    jobs = np.sort(np.asarray(plans.jobs_ms, dtype=np.int64))
    done = np.searchsorted(jobs, hours.at_ms, side="right")
    before = np.searchsorted(jobs, hours.at_ms - 365 * DAY_MS, side="right")
    return np.asarray(done - before, dtype=np.float64)


def _seen(what: str, row: Row, hours: Hours, plans: Plans) -> FloatArray:
    """What was last seen, while it is young enough to decide."""
    found = np.full(hours.at_ms.shape, np.nan)
    for sight in sorted((s for s in plans.sights if s.what == what), key=lambda s: s.at_ms):
        age = hours.at_ms - sight.at_ms
        # an entry of this very hour counts for it, though it was made after the hour had begun
        found[(age > -HOUR_MS) & (age < row.window_h * HOUR_MS)] = sight.value
        found[age >= row.window_h * HOUR_MS] = np.nan
    return found


def _disease_in_wet(row: Row, hours: Hours, plans: Plans) -> FloatArray:
    seen = _seen("disease", row, hours, plans)
    dry = (leaf_wetness(hours) == DRY) & (hours.of("thatch_wetness") <= WET_THATCH)
    return np.where(np.isnan(seen), np.nan, np.where(dry, 0.0, seen))


def _days_since_wilt(row: Row, hours: Hours, plans: Plans) -> FloatArray:
    """Days since wilt was seen. Too long ago to close, it must have been looked for lately to count as over."""
    wilts = tuple(s.at_ms for s in plans.sights if s.what == "wilt" and s.value > 0.0)
    since = _interval(row, hours, Plans(jobs_ms=wilts))
    looked = np.isfinite(_seen("wilt", row, hours, plans))
    return np.where(looked | (since < row.bounds.open_lo), since, np.nan)


def _series(name: str) -> Callable[[Row, Hours, Plans], FloatArray]:
    return lambda _, hours, __: hours.of(name)


def _sight(name: str) -> Callable[[Row, Hours, Plans], FloatArray]:
    return lambda row, hours, plans: _seen(name, row, hours, plans)


_MEASURES: Mapping[str, Callable[[Row, Hours, Plans], FloatArray]] = {
    **{f"thatch_wetness{end}": _series("thatch_wetness") for end in ("", "_no_water")},
    **{f"root_zone_wetness{end}": _series("root_zone_wetness") for end in ("", "_no_water", "_clay")},
    **{f"rain_{end}": _rain_ahead for end in ("working", "on_day", "next_day", "ahead", "ahead_no_water")},
    **{name: _sight(name) for name in ("firmness", "tug", "disease")},
    "disease_in_wet": _disease_in_wet,
    "days_since_wilt": _days_since_wilt,
    "leaf_wetness": lambda _, hours, __: leaf_wetness(hours),
    "ground_top_temperature": lambda _, hours, __: hours.ground_top_degc(),
    "ground_depth_temperature": _ground_depth,
    "surface_temperature": lambda _, hours, __: hours.surface_degc(),
    "surface_minimum_back": _minimum_back,
    "surface_minimum_ahead": _minimum_ahead,
    "hard_frost_ahead": _minimum_ahead,
    "frost_chance": _frost_chance,
    "soil_temperature_cool": _soil_temperature,
    "soil_temperature_warm": _soil_temperature,
    "soil_temperature_change_warm": _soil_temperature_change,
    "seedbed_temperature": _seedbed_temperature,
    "days_to_frost_warm": _days_to_frost,
    "growth_now": _growth_now,
    "growth_to_come": _growth_to_come,
    "lead_time": _lead_time,
    "interval": _interval,
    "interval_strong_growth": _interval,
    "times_this_year": _times_this_year,
}
