"""The conditions of a pass: the value of each in each hour, who knows it, and its words.

An hour stands for the sixty minutes that begin with it. A condition that looks ahead counts from the hour on, one that
looks back up to the end of it. A value that rests on a gap is NaN, and its verdict is UNKNOWN. The bounds of each
condition for each pass stand in treatments.csv.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum, IntEnum
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from pipeline.diary.facts import Sight
from pipeline.forecast.climatology import Daily
from pipeline.forecast.wetness import EDGE_SLACK
from pipeline.site.passes import Bounds
from pipeline.texts import later
from pipeline.units import DAY_MS, HOUR_MS, FloatArray, TimeArray

VerdictArray = npt.NDArray[np.int8]


class Verdict(IntEnum):
    """Whether the work may be done. The numbers are names, not an order; see `worse`."""

    OPEN = 0
    WAIT = 1
    CLOSED = 2
    UNKNOWN = 3


_RANK = np.array([0, 1, 3, 2], dtype=np.int8)  # what is not known stands between waiting and closed


def verdicts_of(values: FloatArray, bounds: Bounds) -> VerdictArray:
    """Return the verdict on each value of a condition.

    Parameters
    ----------
    values : ndarray, any shape
        [unit of the condition] NaN where not known.
    bounds : Bounds

    Returns
    -------
    ndarray of int8, same shape
        Numbers of `Verdict`. An edge belongs to the better side.
    """
    slack = EDGE_SLACK * np.maximum(1.0, np.abs(np.where(np.isfinite(values), values, 0.0)))
    found = np.full(values.shape, Verdict.WAIT, dtype=np.int8)
    found[(values >= bounds.open_lo - slack) & (values <= bounds.open_hi + slack)] = Verdict.OPEN
    found[(values < bounds.closed_lo - slack) | (values > bounds.closed_hi + slack)] = Verdict.CLOSED
    found[np.isnan(values)] = Verdict.UNKNOWN
    return found


def worse(verdicts: VerdictArray) -> npt.NDArray[np.int8]:
    """Return the rank of verdicts, higher for worse: open, wait, cannot tell, closed."""
    return np.asarray(_RANK[verdicts], dtype=np.int8)


@dataclass(frozen=True, slots=True)
class Row:
    """Bounds of one condition of one kind of pass, the span it looks over [h], and where they come from."""

    bounds: Bounds
    window_h: int
    source: str


class Known(Enum):
    """Who knows what a condition is worth."""

    MEASURED = "measured"  # probes and weather, now and forecast
    PLANNED = "planned"  # diary, fixtures, growth to come
    SEEN = "seen"  # only a person can see it


class Rule(Enum):
    """When a condition is asked at all."""

    ALWAYS = "always"
    COOL = "cool-season grass"
    WARM = "warm-season grass"
    CLAY = "clay"
    NO_WATER = "no water to hand"
    STRONG_GROWTH = "growth above 0.7"
    SEEDBED = "seed, or an autumn renovation"


HOUR_SERIES = (
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
HEAT_BACK_H = 24  # heat of the last day counts as reached: our own choice


@dataclass(frozen=True)
class Courses:
    """Courses that weather and water may take, every series of shape (hour, course).

    Attributes
    ----------
    first_ms : int
        Begin of the first hour. [ms since 1970, UTC]
    thatch_wetness, root_wetness : ndarray
        At the begin of each hour. [1] Thatch NaN where there is none.
    rain_mm : ndarray
        [mm h-1]
    leaf_mm : ndarray
        Water on the leaves at the end of each hour. [mm]
    air_miss_k, soil_miss_k, dew_miss_k : ndarray
        By how much the temperature of air and leaf, that of the soil at 50 mm, and that of the leaf over the dew point
        are above what is expected. [K]
    foretold_h : int
        For so many hours they go round a weather forecast. [h]
    """

    first_ms: int
    thatch_wetness: FloatArray
    root_wetness: FloatArray
    rain_mm: FloatArray
    leaf_mm: FloatArray
    air_miss_k: FloatArray
    soil_miss_k: FloatArray
    dew_miss_k: FloatArray
    foretold_h: int = 0


@dataclass(frozen=True)
class Hours:
    """Hour by hour, measured and forecast.

    Attributes
    ----------
    at_ms : ndarray of int64, shape (hour,)
        Consecutive whole hours, from a week ago (for what lies behind) on. [ms since 1970, UTC]
    series : mapping of str to ndarray, shape (hour,)
        Of the names in `HOUR_SERIES`; NaN where not known, one left out is not known at all. Wetness relative [1],
        temperatures of 50 mm, the top and the coldest down to the cut [degC], rain in the hour [mm].
    forecast_end_ms : int
        From then on the weather is not forecast but a matter of chance.
    courses : Courses or None
        What may come of it; None where nothing tells.
    soil_temperature_by_day, frost_chance_by_day : Daily or None
        Soil temperature at 50 mm expected [degC], and chance of a frost on the leaf [1], of days to come.
    """

    at_ms: TimeArray
    series: Mapping[str, FloatArray]
    forecast_end_ms: int
    courses: Courses | None = None
    soil_temperature_by_day: Daily | None = None
    frost_chance_by_day: Daily | None = None

    def __post_init__(self) -> None:
        if self.at_ms.size == 0 or np.any(self.at_ms % HOUR_MS) or np.any(np.diff(self.at_ms) != HOUR_MS):
            raise ValueError("hours: found times that are not consecutive whole hours, expected one or more that are")
        for name, values in self.series.items():
            if name not in HOUR_SERIES:
                raise ValueError(f"hours: found a series {name!r}, expected one of {', '.join(HOUR_SERIES)}")
            if values.shape != self.at_ms.shape:
                raise ValueError(f"hours: found {values.shape} values of {name}, expected {self.at_ms.shape}")

    def of(self, name: str) -> FloatArray:
        """Return a series, all NaN where it is not there. [unit of the series]"""
        found = self.series.get(name)
        return np.full(self.at_ms.shape, np.nan) if found is None else found

    def surface_degc(self) -> FloatArray:
        """Return the temperature of the leaf, from that of the air where it is not known. [degC]"""
        leaf = self.of("surface_temperature_degc")
        return np.where(np.isnan(leaf), self.of("air_temperature_degc") - SURFACE_BELOW_AIR_K, leaf)

    def ground_top_degc(self) -> FloatArray:
        """Return the temperature of the top of the ground; that at 50 mm where it is not known. [degC]"""
        top = self.of("ground_top_temperature_degc")
        return np.where(np.isnan(top), self.of("soil_temperature_degc"), top)

    def rain(self) -> FloatArray:
        """Return the rain without drizzle below `RAIN_LEAST_MM`. [mm]"""
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
        The same pass done before, a job in several directions once, in order; see `DiaryFacts.jobs_ms`.
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


def _windows(values: FloatArray, hours: int, *, ahead: bool) -> FloatArray:
    """Return every window of so many hours, NaN beyond the ends. Shape (hour, hours)."""
    pad = np.full(hours - 1, np.nan)
    longer = np.concatenate([values, pad] if ahead else [pad, values])
    return np.lib.stride_tricks.sliding_window_view(longer, hours)


def _rain_ahead(row: Row, hours: Hours, _: Plans) -> FloatArray:
    return np.asarray(_windows(hours.rain(), row.window_h, ahead=True).sum(axis=1), dtype=np.float64)


def _minimum_ahead(row: Row, hours: Hours, _: Plans) -> FloatArray:
    """Return the coldest leaf of the window as far as it is forecast; infinity where none of it is. [degC]"""
    beyond = hours.at_ms >= hours.forecast_end_ms
    leaf = np.where(beyond, np.inf, hours.surface_degc())
    if hours.at_ms[-1] + HOUR_MS < hours.forecast_end_ms:
        return np.asarray(_windows(leaf, row.window_h, ahead=True).min(axis=1), dtype=np.float64)
    longer = np.concatenate([leaf, np.full(row.window_h - 1, np.inf)])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(longer, row.window_h).min(axis=1), dtype=np.float64)


def _hottest(name: str) -> Callable[[Row, Hours, Plans], FloatArray]:
    """Return what gives the highest of a series from `HEAT_BACK_H` back to the window ahead, as far as it is measured
    or forecast. [degC] What nobody knows counts as no heat: the bounds of soil temperature stand beside it."""

    def highest(row: Row, hours: Hours, _: Plans) -> FloatArray:
        values = hours.of(name)
        known = np.where(np.isnan(values) | (hours.at_ms >= hours.forecast_end_ms), -np.inf, values)
        longer = np.pad(known, (HEAT_BACK_H, row.window_h - 1), constant_values=-np.inf)
        windows = np.lib.stride_tricks.sliding_window_view(longer, HEAT_BACK_H + row.window_h)
        return np.asarray(windows.max(axis=1), dtype=np.float64)

    return highest


def _minimum_back(row: Row, hours: Hours, _: Plans) -> FloatArray:
    return np.asarray(_windows(hours.surface_degc(), row.window_h, ahead=False).min(axis=1), dtype=np.float64)


def _frost_chance(row: Row, hours: Hours, _: Plans) -> FloatArray:
    """Return the chance of a frost in the part of the window past the forecast, nights taken as independent. [1]"""
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
    """Return the coldest ground down to the cut; without a probe there, the coldest top of the last week. [degC]"""
    week = _windows(hours.ground_top_degc(), LOOK_BACK_H, ahead=False).min(axis=1)
    depth = hours.of("ground_depth_temperature_degc")
    return np.asarray(np.where(np.isnan(depth), week, depth), dtype=np.float64)


def _leaf_wetness(_: Row, hours: Hours, __: Plans) -> FloatArray:
    """Return the wetness of the leaf: 0 dry, 1 dew, 2 rain; from leaf temperature, dew point and rain; else NaN.

    Dew lies where the leaf is no warmer than the dew point. Both stay for `LEAF_DRIES_H` hours.
    """
    rain, leaf, dew_point = hours.rain(), hours.surface_degc(), hours.of("dew_point_degc")
    dew = np.where(np.isnan(leaf) | np.isnan(dew_point), np.nan, np.where(leaf <= dew_point, DEW, DRY))
    now = np.where(rain >= RAIN_WETS_LEAF_MM, WET, np.where(np.isnan(rain), np.nan, dew))
    lately = _windows(now, LEAF_DRIES_H, ahead=False)
    wettest = np.max(np.where(np.isnan(lately), -1.0, lately), axis=1)
    unknown = np.isnan(lately).any(axis=1) & (wettest < WET)
    return np.asarray(np.where(unknown, np.nan, wettest), dtype=np.float64)


def growth_now(hours: Hours, plans: Plans, window_h: int = LOOK_BACK_H) -> FloatArray:
    """Return the mean growth potential of the hours up to each hour. [1] NaN where not known."""
    if plans.potential is None:
        return np.full(hours.at_ms.shape, np.nan)
    total = plans.potential.between(hours.at_ms - window_h * HOUR_MS, hours.at_ms)
    return np.asarray(total / (window_h / 24.0), dtype=np.float64)


def _next(times_ms: tuple[int, ...], at_ms: TimeArray) -> FloatArray:
    """Return the first of the times not before each hour; infinity when there is none. [ms]"""
    times = np.append(np.sort(np.asarray(times_ms, dtype=np.float64)), np.inf)
    return np.asarray(times[np.searchsorted(times, at_ms.astype(np.float64))], dtype=np.float64)


def next_play_ms(plans: Plans, at_ms: TimeArray) -> FloatArray:
    """Return the next begin of play, not before each hour; infinity when there is none. [ms since 1970, UTC]"""
    return _next(plans.fixtures_ms, at_ms)


def _growth_to_come(_: Row, hours: Hours, plans: Plans) -> FloatArray:
    """Return the growth-days until play or the end of growth, at most for a year, over the heal factor. [d]"""
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
    """Return what was last seen, NaN once it is older than the window."""
    found = np.full(hours.at_ms.shape, np.nan)
    for sight in sorted((s for s in plans.sights if s.what == what), key=lambda s: s.at_ms):
        age = hours.at_ms - sight.at_ms
        # an entry of this very hour counts for it, though it was made after the hour had begun
        found[(age > -HOUR_MS) & (age < row.window_h * HOUR_MS)] = sight.value
        found[age >= row.window_h * HOUR_MS] = np.nan
    return found


def _disease_in_wet(row: Row, hours: Hours, plans: Plans) -> FloatArray:
    seen = _seen("disease", row, hours, plans)
    dry = (_leaf_wetness(row, hours, plans) == DRY) & (hours.of("thatch_wetness") <= WET_THATCH)
    return np.where(np.isnan(seen), np.nan, np.where(dry, 0.0, seen))


def _days_since_wilt(row: Row, hours: Hours, plans: Plans) -> FloatArray:
    """Return the days since wilt was seen; NaN where it is over the bound and nobody has looked since. [d]"""
    wilts = tuple(s.at_ms for s in plans.sights if s.what == "wilt" and s.value > 0.0)
    since = _interval(row, hours, Plans(jobs_ms=wilts))
    looked = np.isfinite(_seen("wilt", row, hours, plans))
    return np.where(looked | (since < row.bounds.open_lo), since, np.nan)


def _series(name: str) -> Callable[[Row, Hours, Plans], FloatArray]:
    return lambda _, hours, __: hours.of(name)


def _sight(name: str) -> Callable[[Row, Hours, Plans], FloatArray]:
    return lambda row, hours, plans: _seen(name, row, hours, plans)


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition.

    Attributes
    ----------
    name, title, unit : str
        As in treatments.csv, in words; unit in words, empty for a ratio.
    value : callable
        From a pass's row, the hours and the plans to what the condition is worth in each hour, shape (hour,), in its
        unit; NaN where not known.
    known : Known
    rule : Rule
    low, high : str
        What is said when the value lies below, or above, what is wanted.
    low_opens, high_opens : str
        What would open it then.
    check : str
        What to look for, of what only a person can see, or where no probe can.
    """

    name: str
    title: str
    unit: str
    value: Callable[[Row, Hours, Plans], FloatArray]
    known: Known
    low: str
    high: str
    low_opens: str
    high_opens: str
    rule: Rule = Rule.ALWAYS
    check: str = ""


_M, _P, _S = Known.MEASURED, Known.PLANNED, Known.SEEN
# Translators: a clause on why a pass is shut, and what would open it, here and below: "What would open it: drying days"
WATER_AHEAD, DEEP_WATERING, RAIN = later("water 24 to 48 hours ahead"), later("a deep watering"), later("rain")
RAIN_OR_WATERING, RAIN_OR_WATER = later("rain, or a deep watering"), later("rain, or water to hand")
_DRY_THATCH = (later("thatch too dry"), later("thatch too wet"), WATER_AHEAD, later("drying days"))
_DRY_SOIL = (later("soil too dry"), later("soil too wet"), DEEP_WATERING, later("drying days"))
_FELT = later("thatch moist in the hand, neither dry nor soaked (no probe reads it)")
_COLD = (later("soil too cold"), later("soil too warm"), later("warmer days"), later("cooler days"))

_TABLE = (
    Condition(
        "firmness", later("firmness"), "", _sight("firmness"), _S, "", later("the surface marks"), "",
        later("a firmer surface"), check=later("no print or wheel mark"),
    ),
    Condition(
        "tug", later("tug"), "", _sight("tug"), _S, "", later("turf lifts when tugged"), "", later("roots that hold"),
        check=later("turf holds against a tug"),
    ),
    Condition(
        "disease", later("disease"), "", _sight("disease"), _S, "", later("disease on the turf"), "",
        later("scars that have healed"), check=later("no spreading patches"),
    ),
    Condition(
        "disease_in_wet", later("disease in wet"), "", _disease_in_wet, _S, "", later("active disease in the wet"), "",
        later("a dry spell, or the disease gone"), check=later("no smearing disease"),
    ),
    Condition(
        "days_since_wilt", later("days since wilt"), later("days since wilt"), _days_since_wilt, _S,
        later("the turf has wilted lately"), "", later("time to recover, and water"), "", check=later("no wilt lately"),
    ),
    Condition("thatch_wetness", later("thatch wetness"), "", _series("thatch_wetness"), _M, *_DRY_THATCH, check=_FELT),
    Condition(
        "thatch_wetness_no_water", later("thatch wetness no water"), "", _series("thatch_wetness"), _M,
        later("thatch too dry and no water to put on"), "", RAIN_OR_WATER, "", Rule.NO_WATER, _FELT,
    ),
    Condition("root_zone_wetness", later("root zone wetness"), "", _series("root_zone_wetness"), _M, *_DRY_SOIL),
    Condition(
        "root_zone_wetness_clay", later("root zone wetness clay"), "", _series("root_zone_wetness"), _M,
        later("clay too dry, slits would gape"), "", RAIN_OR_WATERING, "", Rule.CLAY,
    ),
    Condition(
        "root_zone_wetness_no_water", later("root zone wetness no water"), "", _series("root_zone_wetness"), _M,
        later("soil too dry and no water to put on"), "", RAIN_OR_WATER, "", Rule.NO_WATER,
    ),
    Condition(
        "leaf_wetness", later("leaf wetness"), "", _leaf_wetness, _M, "", later("leaf wet"), "", later("a dry leaf"),
    ),
    Condition(
        "ground_top_temperature", later("ground top temperature"), later("degC"),
        lambda _, hours, __: hours.ground_top_degc(), _M, later("ground frozen or thawing"), "", later("a thaw"), "",
    ),
    Condition(
        "ground_depth_temperature", later("ground depth temperature"), later("degC"), _ground_depth, _M,
        later("ground thawed at the top only"), "", later("a thaw right down"), "",
    ),
    Condition(
        "surface_temperature", later("surface temperature"), later("degC"), lambda _, hours, __: hours.surface_degc(),
        _M, later("frost on the leaf"), "", later("a thaw"), "",
    ),
    Condition(
        "surface_minimum_back", later("surface minimum back"), later("degC"), _minimum_back, _M,
        later("frost too short a time ago"), "", later("nights without frost"), "",
    ),
    Condition(
        "soil_temperature_cool", later("soil temperature cool"), later("degC"), _soil_temperature, _M, *_COLD,
        Rule.COOL,
    ),
    Condition(
        "soil_temperature_warm", later("soil temperature warm"), later("degC"), _soil_temperature, _M, *_COLD,
        Rule.WARM,
    ),
    Condition(
        "air_heat_ahead_cool", later("air heat ahead cool"), later("degC"), _hottest("air_temperature_degc"), _M, "",
        later("heat now or within three days"), "", later("three days without heat ahead"), Rule.COOL,
    ),
    Condition(
        "leaf_heat_ahead_cool", later("leaf heat ahead cool"), later("degC"), _hottest("surface_temperature_degc"), _M,
        "", later("heat on the leaf now or within three days"), "", later("three days without heat ahead"), Rule.COOL,
    ),
    Condition(
        "soil_temperature_change_warm", later("soil temperature change warm"), later("K in a week"),
        _soil_temperature_change, _M, "", later("soil still warming"), "", later("falling soil temperature"), Rule.WARM,
    ),
    Condition(
        "seedbed_temperature", later("seedbed temperature"), later("degC"), _seedbed_temperature, _M,
        later("soil will be too cold for the seed to come up"), "", later("soil that stays warm for three weeks"), "",
        Rule.SEEDBED,
    ),
    Condition(
        "rain_working", later("rain working"), later("mm"), _rain_ahead, _M, "", later("rain while at work"), "",
        later("a dry spell"),
    ),
    Condition(
        "rain_on_day", later("rain on day"), later("mm"), _rain_ahead, _M, "", later("rain on the day"), "",
        later("a drier day"),
    ),
    Condition(
        "rain_next_day", later("rain next day"), later("mm"), _rain_ahead, _M, "",
        later("rain heavy enough to wash it out"), "", later("a drier day"),
    ),
    Condition(
        "rain_ahead", later("rain ahead"), later("mm"), _rain_ahead, _M, "", later("too much rain coming"), "",
        later("drier days"),
    ),
    Condition(
        "rain_ahead_no_water", later("rain ahead no water"), later("mm"), _rain_ahead, _M,
        later("too little rain coming and no water to put on"), "", RAIN_OR_WATER, "", Rule.NO_WATER,
    ),
    Condition(
        "surface_minimum_ahead", later("surface minimum ahead"), later("degC"), _minimum_ahead, _M,
        later("frost forecast"), "", later("a forecast without frost"), "",
    ),
    Condition(
        "hard_frost_ahead", later("hard frost ahead"), later("degC"), _minimum_ahead, _M, later("hard frost forecast"),
        "", later("a forecast without hard frost"), "",
    ),
    Condition(
        "frost_chance", later("frost chance"), "", _frost_chance, _M, "", later("frost likely before it has healed"),
        "", later("a milder time of year"),
    ),
    Condition(
        "days_to_frost_warm", later("days to frost warm"), later("days to first frost"), _days_to_frost, _P,
        later("too near the first frost"), "", later("next early summer"), "", Rule.WARM,
    ),
    Condition(
        "growth_now", later("growth now"), "", lambda row, hours, plans: growth_now(hours, plans, row.window_h), _P,
        later("growth too slow"), "", later("warmer weather"), "",
    ),
    Condition(
        "growth_to_come", later("growth to come"), later("growth-days"), _growth_to_come, _P,
        later("not enough growth left before it ends"), "", later("the next season of growth"), "",
    ),
    Condition(
        "lead_time", later("lead time"), later("days before play"), _lead_time, _P, later("too near the next fixture"),
        "", later("a longer gap in the fixtures"), "",
    ),
    Condition(
        "interval", later("interval"), later("days since the last"), _interval, _P, later("too soon after the last"),
        "", later("time"), "",
    ),
    Condition(
        "interval_strong_growth", later("interval strong growth"), later("days since the last"), _interval, _P,
        later("too soon after the last"), "", later("time"), "", Rule.STRONG_GROWTH,
    ),
    Condition(
        "times_this_year", later("times this year"), later("done in a year"), _times_this_year, _P, "",
        later("done often enough this year"), "", later("next year"),
    ),
)  # fmt: skip

CONDITIONS: Mapping[str, Condition] = MappingProxyType({c.name: c for c in _TABLE})
# In an autumn renovation, and of seed that nobody plays on before winter, the seedbed decides and these only warn.
SEEDBED_WARNS = frozenset(
    {"growth_now", "growth_to_come", "surface_minimum_back", "surface_minimum_ahead", "frost_chance"}
)
RENOVATION_LEAVES_OUT = frozenset({"soil_temperature_cool", "soil_temperature_warm"})
