"""Water given by the plan, by a timetable and by FAO-56 on weather alone, each on the same simulated ground.

    python tests/bench/bench_water.py [--first 500] [--seeds 3] [--minutes 0]

Ten weeks of summer of six scenarios, begun between the tenth of May and the end of June by the seed. Every evening at
eight each keeper decides, the ground gets it, and the next day follows from that. All have the same errors, drawn once
a season: limits as a probe learns them from its own dry-downs (drained is what two days hold after a soaking), the dry
one off by 0.02 m3/m3, the drained one by 0.01, a gauge off by 5 % and reference
evapotranspiration off by 8 % (standard deviations), the forecast of `advice_ahead.erring`; the plan's probes are off by
5 % and by 0.015 m3/m3.

- The plan: `plan_of` asked with a reading an hour old of thatch and root zone; its water of tonight is given, in its
  goes an hour apart.
- FAO-56 on weather alone: the daily balance of Allen et al. 1998, chapter 8, crop coefficient of Table 12, readily
  available water of Table 22 and its footnote, all that is gone given back, begun right; the same rules about rain to
  come and play as the plan has. None is told of frost.
- The timetable: 12 mm every third evening, left out after 5 mm of rain in a day or with play on the morrow. Common
  practice, no source. And nobody: no water at all.

A day of stress is one on which the roots took less than 0.9 of what was asked of them, by the simulator. Play, weekly
but on the lawn and every third week on the square, is left too wet by a watering when the top 50 mm or the root zone
are over the bound of the alert at its begin, drained being what two days hold after a soaking here too, and would not
have been without the water of the three nights before: that is run again. Where it would have been dry without the rain
since, too, it is told apart: the rain was not foreseen. Exits 1 when a go is more than the ground
takes, a play is left too wet, the plan has no fewer days of stress or no less water than the timetable, or more stress
or more than 1.05 of the water of FAO-56.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.advice.report import StationAdvice, SurfaceAdvice
from pipeline.advice.water import (
    MOST_GOES,
    MOST_MM,
    Evening,
    Turf,
    WaterAdvice,
    WaterLimits,
    is_dried_for_play,
    is_light_only,
    tonight,
)
from pipeline.alerts.surface import STAY_OFF
from pipeline.alerts.water import THATCH_HOLDING, THATCH_TO_REPEL, WATER_NOT_ARRIVING
from pipeline.diary.facts import Play, to_play_d, to_play_h
from pipeline.forecast.balance import Boxes, Fit, PastHours, usual_parameters
from pipeline.forecast.weather_ahead import WeatherAhead, weather_ahead
from pipeline.forecast.wetness import forecast_wetness
from pipeline.plan.deep_water import evening_ms
from pipeline.plan.seen import Seen
from pipeline.plan.surface_plan import plan_of
from pipeline.site.ground import MonthlyClimate
from pipeline.soil.radiation import Location
from pipeline.units import DAY_MS, HOUR_MS
from simulator import weather as sky
from simulator.ground import GroundState
from simulator.history import History
from simulator.history import run as run_history
from simulator.scenario import Scenario, StationPlan, load
from simulator.scenario_run import StationRun, turf_of, weather_of
from simulator.weather import Weather
from tests.bench.advice_ahead import erring
from tests.bench.advice_ground import dew_point_degc, limits, root_zone_wetness

Array = NDArray[np.float64]

GROUNDS = ("sand_green", "twelve_stations", "raw_thatch_lawn", "thatch_bound_square", "climbing_roots",
           "thinning_season")  # fmt: skip
DAYS, SETTLE_DAYS, BEYOND_DAYS = 70, 20, 32
FIRST_MAY, LATEST_D = (5, 10), 50
EVENING_H, PLAY_H, PLAY_LASTS_H = 20, 10, 8
PLAY_EVERY_D = {"green": 7, "outfield": 7, "square": 21}
GAUGE, DEMAND, SLOPE, OFFSET = 0.05, 0.08, 0.05, 0.015
LIMIT = (0.02, 0.01)  # of the dry and of the drained limit, as a station learns them from its own readings
STRESSED, LEAST_DEMAND_MM = 0.9, 0.5
TABLE_EVERY_D, TABLE_MM, TABLE_RAIN_MM = 3, 12.0, 5.0
CROP = {"cool": 0.95, "warm": 0.85}  # FAO-56, Table 12: turf grass, mid season
BACK_H, BACK_D = 48, 3
SOAK_H, SOAK_MM, DRAINS_D = 24, 8.0, 3  # a soaking, and two days for it to drain
TOP_M = 0.050
WATER_OVER = 1.05  # of FAO-56's
KEEPERS = ("the plan", "FAO-56", "a timetable", "nobody")


@dataclass(frozen=True)
class Season:
    """One station's summer: its ground, its weather from the first evening on, and the errors of whatever measures."""

    scenario: Scenario
    plan: StationPlan
    seed: int

    @cached_property
    def errors(self) -> dict[str, float]:
        """Factors of gauge, demand and probe, and the probe's offset. [1], [m3 m-3]"""
        draw = np.random.default_rng([self.seed, 41, *self.plan.name.encode()])
        return {"rain": math.exp(draw.normal(0.0, GAUGE)), "demand": math.exp(draw.normal(0.0, DEMAND)),
                "slope": 1.0 + draw.normal(0.0, SLOPE), "offset": draw.normal(0.0, OFFSET)}  # fmt: skip

    @cached_property
    def run(self) -> StationRun:
        """Its turf, without the scenario's own diary."""
        return StationRun(self.scenario, self.plan, turf_of(self.plan, seed=self.seed), self.seed)

    @cached_property
    def weather(self) -> tuple[Weather, Weather]:
        """That in which the water finds its place, and that from the first evening on."""
        whole = weather_of(self.scenario, seed=self.seed)
        draw = np.random.default_rng([self.seed, 43, *self.scenario.name.encode()])
        begin = datetime(whole.start.year, *FIRST_MAY, EVENING_H, tzinfo=UTC)
        while begin < whole.start + timedelta(days=SETTLE_DAYS):
            begin = begin.replace(year=begin.year + 1)
        day = (begin - whole.start) / timedelta(days=1) + int(draw.integers(0, LATEST_D + 1))
        return sky.between(whole, day - SETTLE_DAYS, day), sky.between(whole, day, day + DAYS + BEYOND_DAYS)

    @property
    def kind(self) -> str:
        """Of the surface."""
        surfaces = self.scenario.surfaces
        return next(s.kind for s in surfaces if self.plan.name in [each.name for each in s.stations])

    @property
    def grass(self) -> str:
        """Cool or warm."""
        return "warm" if self.plan.turf.grass.hold_above_best else "cool"

    @property
    def root_zone_m(self) -> float:
        """[m]"""
        return float(str(self.plan.facts["root_zone_mm"])) / 1000.0

    @cached_property
    def start_ms(self) -> int:
        """First evening. [ms since 1970, UTC]"""
        return round(self.weather[1].start.timestamp() * 1000)

    @cached_property
    def play(self) -> tuple[Play, ...]:
        """All that comes."""
        every = PLAY_EVERY_D.get(self.kind)
        first = self.start_ms + (PLAY_H + 24 - EVENING_H) * HOUR_MS
        days = range(3, DAYS + 14, every) if every else ()
        return tuple(Play("play", first + d * DAY_MS, first + d * DAY_MS + PLAY_LASTS_H * HOUR_MS) for d in days)

    @cached_property
    def soaked(self) -> History:
        """A soaking, and two days without rain or demand."""
        sky_of = sky.between(self.weather[0], 0, DRAINS_D)
        still = replace(sky_of, rain_mm=np.zeros(sky_of.count), reference_et_mm=np.zeros(sky_of.count))
        soak_mm = np.where(np.arange(still.count) < SOAK_H, SOAK_MM, 0.0)
        return run_history(self.run.turf, still, first=self.run.start(), watering_mm=soak_mm)

    @cached_property
    def drained(self) -> dict[float, float]:
        """What the top and the root zone hold after it, by depth, on the scale of `root_zone_wetness`. [1]"""
        return {deep: float(root_zone_wetness(self.soaked, deep)[-1]) for deep in (TOP_M, self.root_zone_m)}

    @cached_property
    def limits(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Dry, drained and saturated water content of thatch and soil, as far as its probe tells them. [m3 m-3]

        Drained is what is held after `soaked`, as a dry-down shows it.
        """
        draw, turf = np.random.default_rng([self.seed, 47, *self.plan.name.encode()]), self.run.turf
        thatch, soil = water_of(self, self.soaked)
        made_of = (turf.thatch, turf.soils[0].material)
        slope, offset = self.errors["slope"], self.errors["offset"]
        off = draw.normal(0.0, LIMIT, (2, 2))  # of each layer, of its dry and its drained limit
        return tuple(  # type: ignore[return-value]
            (limits(m)[0] * slope + offset + float(o[0]), float(theta[-1] * slope + offset + o[1]), m.theta_s)
            for m, theta, o in zip(made_of, (thatch, soil), off, strict=True)
        )

    @cached_property
    def boxes(self) -> Boxes:
        """Of those limits and the thatch as a core shows it."""
        (thatch, thatch_full), (soil, soil_full) = (
            (drained - dry, (saturated - dry) / (drained - dry)) for dry, drained, saturated in self.limits
        )
        thatch_mm, soil_mm = 1000.0 * self.run.turf.thatch_m * thatch, 1000.0 * self.root_zone_m * soil
        return Boxes(thatch_mm, thatch_full, soil_mm, soil_full)

    def turf(self, thatch_mm: float, canopy_mm: float) -> Turf:
        """What is watered."""
        bounds = THATCH_HOLDING.bounds()
        return Turf(
            "Here", str(self.plan.facts["soil"]), thatch_mm, self.boxes.root_capacity_mm,
            WaterLimits(0.5, THATCH_TO_REPEL.bounds().on_wetness, bounds.on_wetness, bounds.root_wetness,
                        WATER_NOT_ARRIVING.bounds().on_share),
            canopy_mm=canopy_mm, grass=self.grass, green=self.kind == "green",
        )  # fmt: skip


def water_of(season: Season, history: History) -> tuple[Array, Array]:
    """Mean water content of thatch and root zone at every snapshot. [m3 m-3]"""
    soil = history.storage_below_thatch_mm(season.root_zone_m) / (1000.0 * season.root_zone_m)
    return history.thatch_water_mm / (1000.0 * history.thatch_m), soil


@dataclass
class Heard:
    """What can be known on an evening: readings at the begin of each hour, gauge, demand, and the water given."""

    season: Season
    thatch: list[float] = field(default_factory=list)
    root: list[float] = field(default_factory=list)
    rain: list[float] = field(default_factory=list)
    demand: list[float] = field(default_factory=list)
    given: list[float] = field(default_factory=list)

    def add(self, history: History, watering_mm: Array) -> None:
        """A day more."""
        season, off = self.season, self.season.errors
        both = water_of(season, history)
        for into, theta, (dry, drained, _) in zip((self.thatch, self.root), both, season.limits, strict=True):
            read = theta[:-1] * off["slope"] + off["offset"]
            into += ((read - dry) / (drained - dry)).tolist()
        self.rain += (off["rain"] * history.weather.rain_mm).tolist()
        self.demand += (off["demand"] * history.weather.reference_et_mm).tolist()
        self.given += watering_mm.tolist()

    def past(self, now_ms: int) -> PastHours:
        """The last hours. [ms since 1970, UTC]"""
        thatch, root, rain, demand, given = (
            np.array(one[-BACK_H:]) for one in (self.thatch, self.root, self.rain, self.demand, self.given)
        )
        return PastHours(now_ms - root.size * HOUR_MS, thatch, root, rain + given, demand)


@dataclass(frozen=True)
class Asked:
    """One evening: what is known, what is forecast, and what is to be decided."""

    heard: Heard
    now_ms: int
    ahead: WeatherAhead

    def evening(self, thatch: float | None, root: float, crop: float) -> Evening:
        """What tonight's water is asked with."""
        season = self.heard.season
        days = to_play_d(season.play, self.now_ms)
        demand = float(self.ahead.reference_et_mm[:24].sum(axis=0).mean()) * crop
        return Evening(
            thatch, root, demand, tuple(self.ahead.rain_within(24).tolist()), days_to_play=days,
            hours_to_play=to_play_h(season.play, self.now_ms),
            dried_for_play=is_dried_for_play(season.kind, days), light_only=is_light_only(season.kind, days),
        )  # fmt: skip


Decide = Callable[[Asked], tuple[float, int]]  # millimetres, and in how many goes


def by_the_plan(asked: Asked) -> tuple[float, int]:
    """What the plan has for tonight."""
    season, heard = asked.heard.season, asked.heard
    parameters = usual_parameters(season.boxes)
    fitted = Fit(parameters, np.array([0.03]), np.array([0.02]), 0.0)
    forecast = forecast_wetness(heard.past(asked.now_ms), fitted, asked.ahead)
    assert not forecast.reason, forecast.reason
    turf = season.turf(season.boxes.thatch_capacity_mm, float(parameters.canopy_mm))
    evening = asked.evening(heard.thatch[-1], heard.root[-1], float(parameters.crop_coefficient))
    one = StationAdvice(season.plan.name, forecast, (), "", tonight(turf, evening), turf, evening)
    surface = SurfaceAdvice("here", "Here", season.kind, (), (one,), season.play)
    seen = Seen(asked.now_ms, UTC, wettest=heard.root[-1])
    water = plan_of(surface, seen).planned_water.waters[one.station]
    if water.evening_ms != evening_ms(seen, 0) or water.dose is None:
        return 0.0, 0
    return _given(water.dose)


def _given(dose: WaterAdvice) -> tuple[float, int]:
    return (0.0, 0) if not dose.mm else (dose.mm, dose.goes)


class ByWeather:
    """FAO-56: depletion of the root zone carried from day to day by gauge and demand alone. [mm]"""

    def __init__(self, season: Season, wetness: float) -> None:
        self._total = season.boxes.root_capacity_mm
        self._gone = min(max(1.0 - wetness, 0.0), 1.0) * self._total
        self._begun = False

    def __call__(self, asked: Asked) -> tuple[float, int]:
        """Carry it on by a day, and decide."""
        season, heard = asked.heard.season, asked.heard
        if self._begun:
            rain, demand, given = (sum(one[-24:]) for one in (heard.rain, heard.demand, heard.given))
            turf = season.turf(0.0, 0.0)
            used = CROP[season.grass] * demand
            table = {"cool": 0.40, "warm": 0.50}[turf.grass] + 0.04 * (5.0 - used)  # Table 22 and its footnote
            allowed = 0.35 if turf.green else min(max(table, 0.1), 0.8)
            left = 1.0 - self._gone / self._total
            stress = min(max(left / (1.0 - allowed), 0.0), 1.0)  # eq. 84
            counted = rain if rain >= 0.2 * demand else 0.0  # "less than about 0.2 ETo is normally evaporated"
            self._gone = min(max(self._gone - counted - given + stress * used, 0.0), self._total)
        self._begun = True
        evening = asked.evening(None, 1.0 - self._gone / self._total, CROP[season.grass])
        turf = season.turf(0.0, 0.0)
        mm, _ = _given(tonight(turf, evening))
        if not mm:
            return 0.0, 0
        mm = min(math.ceil(self._gone), MOST_MM, MOST_GOES * turf.go_mm)  # all that is gone: eq. 85 and what follows
        return mm, math.ceil(mm / turf.go_mm)


def by_the_table(asked: Asked) -> tuple[float, int]:
    """12 mm every third evening, but after rain and before play."""
    day = (asked.now_ms - asked.heard.season.start_ms) // DAY_MS
    near = any(0 <= p.start_ms - asked.now_ms < DAY_MS for p in asked.heard.season.play)
    if day % TABLE_EVERY_D or near or sum(asked.heard.rain[-24:]) >= TABLE_RAIN_MM:
        return 0.0, 0
    return TABLE_MM, math.ceil(TABLE_MM / asked.heard.season.turf(0.0, 0.0).go_mm)


@dataclass
class Score:
    """What came of one keeper's water."""

    days: int = 0
    stressed: int = 0
    water_mm: float = 0.0
    rain_mm: float = 0.0
    doses: int = 0
    too_much_a_go: int = 0
    plays: int = 0
    too_wet: int = 0
    left_wet: int = 0
    rained_on: int = 0

    def __add__(self, other: Score) -> Score:
        return Score(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


def season_of(name: str, seed: int) -> Season:
    """The season of a ground and a seed, which also chooses the station where there are several."""
    scenario = load(name)
    plans = [s for s in scenario.stations if any(p.description.model == "thatch" for p in s.probes)]
    return Season(scenario, plans[seed % len(plans)], seed)


def played(season: Season, keeper: str) -> Score:
    """Live the summer with one keeper."""
    before, weather = season.weather
    settled = run_history(season.run.turf, before, first=season.run.start())
    heard, ground, score = Heard(season), settled.last, Score()
    heard.add(settled, np.zeros(before.count))
    dry, drained, _ = season.limits[1]
    exact = (float(water_of(season, settled)[1][-1]) - dry) / (drained - dry)
    decide: Decide = {"the plan": by_the_plan, "FAO-56": ByWeather(season, exact), "a timetable": by_the_table,
                      "nobody": lambda asked: (0.0, 0)}[keeper]  # fmt: skip
    known: list[tuple[GroundState, Array]] = []  # begin of each day, and its water
    for day in range(DAYS):
        now_ms = season.start_ms + day * DAY_MS
        mm, goes = decide(Asked(heard, now_ms, _ahead(season, now_ms, day)))
        watering = np.zeros(24)
        watering[:goes] = mm / goes if goes else 0.0
        score.doses, score.water_mm = score.doses + bool(goes), score.water_mm + mm
        score.too_much_a_go += bool(goes) and mm / goes > season.turf(0.0, 0.0).go_mm + 1e-9
        history = run_history(season.run.turf, sky.between(weather, day, day + 1), first=ground, watering_mm=watering)
        known.append((ground, watering))
        score += _of_day(season, history, now_ms, known, weather, day)
        heard.add(history, watering)
        ground = history.last
    return score


def _of_day(
    season: Season, history: History, now_ms: int, known: list[tuple[GroundState, Array]], weather: Weather, day: int
) -> Score:
    demand, uptake = float(history.flux["demand_mm"].sum()), float(history.flux["uptake_mm"].sum())
    found = Score(1, int(demand > LEAST_DEMAND_MM and uptake < STRESSED * demand), rain_mm=history.rain_total_mm)
    for play in season.play:
        if now_ms <= play.start_ms < now_ms + DAY_MS:
            row = (play.start_ms - now_ms) // HOUR_MS
            found.plays += 1
            if _wet(season, history, row):
                found.too_wet += 1
                first = max(day - BACK_D + 1, 0)
                given = np.concatenate([water for _, water in known[first:]])
                if given.sum() > 0.0 and not _wet_again(
                    season, known[first][0], weather, (first, day), row, 0.0 * given
                ):
                    alone = _wet_again(season, known[first][0], weather, (first, day), row, given, rains=False)
                    found.left_wet, found.rained_on = found.left_wet + alone, found.rained_on + (not alone)
    return found


def _wet_again(
    season: Season, ground: GroundState, weather: Weather, days: tuple[int, int], row: int, watering_mm: Array, *,
    rains: bool = True,
) -> bool:  # fmt: skip
    """Whether play would be too wet with this water from the first of those days on, or without rain after the last."""
    first, day = days
    sky_of = sky.between(weather, first, day + 1)
    if not rains:
        rain = np.where(np.arange(sky_of.count) > np.flatnonzero(watering_mm)[-1], 0.0, sky_of.rain_mm)
        sky_of = replace(sky_of, rain_mm=rain)
    history = run_history(season.run.turf, sky_of, first=ground, watering_mm=watering_mm)
    return _wet(season, history, row + 24 * (day - first))


def _wet(season: Season, history: History, row: int) -> bool:
    bound = STAY_OFF.bounds().on_wetness
    return any(float(root_zone_wetness(history, deep)[row]) > bound * held for deep, held in season.drained.items())


def _ahead(season: Season, now_ms: int, day: int) -> WeatherAhead:
    """The forecast that errs, and the members round it: the same for all keepers."""
    _, weather = season.weather
    told: Any = SimpleNamespace(
        start_ms=season.start_ms, rain_mm=weather.rain_mm, reference_et_mm=weather.reference_et_mm,
        air_degc=weather.temperature_degc, dew_degc=dew_point_degc(weather.vapour_pressure_kpa),
    )  # fmt: skip
    forecast = erring(told, now_ms, np.random.default_rng([season.seed, day]))
    usual = season.scenario.climate
    months = {n: tuple(getattr(usual, n)) for n in ("rain_mm", "wet_days", "highest_degc", "lowest_degc")}
    place = Location(weather.latitude_deg, weather.longitude_deg, weather.elevation_m)
    found = weather_ahead(now_ms, forecast=forecast, past=None, climate=MonthlyClimate(**months), place=place)
    assert found is not None
    return found


def _row(name: str, score: Score, seasons: int) -> str:
    return (
        f"| {name} | {score.stressed} of {score.days} | {score.water_mm / seasons:.0f} | {score.doses} | "
        f"{score.too_much_a_go} | {score.left_wet} of {score.plays} | {score.rained_on} | {score.too_wet} |"
    )


def report(scores: dict[tuple[str, str], Score], seasons: dict[str, int]) -> list[str]:
    """Print the table; return what is broken."""
    print("| | days of stress | water a season, mm | doses | go too big | left too wet | by rain on top | wet at all |")
    print("|---|---|---|---|---|---|---|---|")
    whole = {keeper: sum((scores[g, keeper] for g in seasons), Score()) for keeper in KEEPERS}
    for keeper in KEEPERS:
        print(_row(keeper, whole[keeper], sum(seasons.values())))
    for ground in seasons:
        for keeper in KEEPERS:
            print(_row(f"{ground}: {keeper}", scores[ground, keeper], seasons[ground]))
    plan, weather, table = (whole[k] for k in KEEPERS[:3])
    ratio = plan.water_mm / max(weather.water_mm, 1e-9)
    print(f"water over FAO-56's {ratio:.2f} (limit {WATER_OVER}), over the timetable's "
          f"{plan.water_mm / max(table.water_mm, 1e-9):.2f} (limit 1)")  # fmt: skip
    checks = {
        "a go is more than the ground takes": plan.too_much_a_go > 0,
        "a play was left too wet by water": plan.left_wet > 0,
        "no fewer days of stress than by the timetable": plan.stressed >= table.stressed > 0,
        "no less water than by the timetable": plan.water_mm >= table.water_mm,
        "more days of stress than by FAO-56": plan.stressed > weather.stressed,
        f"more than {WATER_OVER} of the water of FAO-56": ratio > WATER_OVER,
    }
    return [told for told, is_broken in checks.items() if is_broken]


def main() -> int:
    """0 when nothing is broken."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--minutes", type=float, default=0.0)
    chosen = parser.parse_args()
    began_s, scores, seasons = time.monotonic(), dict[tuple[str, str], Score](), dict[str, int]()
    for seed in range(chosen.first, chosen.first + chosen.seeds):
        for ground in GROUNDS:
            if chosen.minutes and time.monotonic() - began_s > 60.0 * chosen.minutes:
                break
            season = season_of(ground, seed)
            for keeper in KEEPERS:
                scores[ground, keeper] = scores.get((ground, keeper), Score()) + played(season, keeper)
            seasons[ground] = seasons.get(ground, 0) + 1
            told = "; ".join(f"{k} {scores[ground, k].stressed} d {scores[ground, k].water_mm:.0f} mm" for k in KEEPERS)
            print(f"seed {seed}, {ground}, {time.monotonic() - began_s:.0f} s: {told}", file=sys.stderr, flush=True)
    print(f"seeds {chosen.first} on, {sum(seasons.values())} seasons of {DAYS} days")
    broken = report(scores, seasons)
    for told in broken:
        print(f"BROKEN {told}")
    return int(bool(broken))


if __name__ == "__main__":
    sys.exit(main())
