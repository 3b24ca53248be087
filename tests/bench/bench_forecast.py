"""Skill of the wetness forecast on simulated stations: with no forecast, a degraded one and a perfect one.

Run this file with python. It prints a table of root-mean-square errors of relative wetness at 1, 3 and 5 days, paired
on the same start dates, against persistence (wetness stays) and climatology (mean of the other years within 10 days of
the date, from the truth: more than a club would have). The balance is refitted every ten days. The forecast knows
noisy readings and weather up to the start, and, for a green, the waterings planned; it is scored against the simulated
truth.

Error model of the degraded forecast, by day of lead d from 0: with chance 0.05 + 0.05 d the day is another one within
15 days of it; otherwise its rain is made more or less by a factor exp(N(0, 0.4 + 0.05 d)) of mean 1, and moved by
N(0, 2 + 0.5 d) hours within the day; its demand by a factor exp(N(0, 0.1 + 0.02 d)). The advice does not know that
model: it believes forecasts by its own standing assumption.
"""

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.forecast.balance import Fit, PastHours, fit
from pipeline.forecast.weather_ahead import (
    PastWeather,
    Trust,
    WeatherAhead,
    weather_ahead,
)
from pipeline.forecast.weather_file import WeatherForecast
from pipeline.forecast.wetness import forecast_wetness
from pipeline.site.ground import MonthlyClimate
from pipeline.soil.radiation import Location
from tests.bench.forecast_stations import KINDS, SimulatedStation, simulated

Array = NDArray[np.float64]

LEADS_H = (24, 72, 120)
METHODS = ("persistence", "climatology", "no forecast", "degraded", "perfect")
PERFECT = Trust(right=1.0, fades=0.0, least=1.0, spread=0.0, shift_h=0.0)
YEAR_H = 8766
HOUR_MS = 3_600_000


@dataclass
class Scores:
    """Errors of every method, shape (start, lead, box), and whether truth lay in the middle 80 % of the members."""

    errors: dict[str, Array]
    inside: dict[str, Array]
    block: NDArray[np.int64]  # station and month, for the bootstrap
    refused: int
    fit_s: float


def until(past: PastHours, hour: int) -> PastHours:
    """What was known at an hour."""
    return PastHours(
        past.first_ms, past.thatch_wetness[:hour], past.root_wetness[:hour], past.water_mm[:hour],
        past.reference_et_mm[:hour],
    )  # fmt: skip


def degraded(station: SimulatedStation, hour: int, rng: np.random.Generator) -> WeatherForecast:
    """A forecast of ten days with the errors stated above."""
    rain, demand = np.empty(240), np.empty(240)
    whole = station.weather.count - 24
    for lead in range(10):
        begin = hour + 24 * lead
        if rng.random() < 0.05 + 0.05 * lead:
            begin = int(np.clip(begin + 24 * rng.choice([-1, 1]) * rng.integers(1, 16), 0, whole))
        day = slice(begin, begin + 24)
        spread = 0.4 + 0.05 * lead
        moved = np.roll(station.weather.rain_mm[day], round(rng.normal(0.0, 2.0 + 0.5 * lead)))
        rain[24 * lead : 24 * lead + 24] = moved * np.exp(rng.normal(-0.5 * spread**2, spread))
        demand[24 * lead : 24 * lead + 24] = station.weather.reference_et_mm[day] * np.exp(
            rng.normal(0.0, 0.1 + 0.02 * lead)
        )
    return _forecast(station, hour, rain, demand)


def perfect(station: SimulatedStation, hour: int) -> WeatherForecast:
    """A forecast of ten days that comes true."""
    span = slice(hour, hour + 240)
    return _forecast(station, hour, station.weather.rain_mm[span], station.weather.reference_et_mm[span])


def _forecast(station: SimulatedStation, hour: int, rain: Array, demand: Array) -> WeatherForecast:
    now_ms = station.past.first_ms + hour * HOUR_MS
    blank = np.full(rain.size, np.nan)
    return WeatherForecast(now_ms, now_ms, {"rain_mm": rain, "reference_et_mm": demand, "rain_chance": blank})


def climatology(station: SimulatedStation, hour: int) -> Array:
    """Thatch and root-zone wetness: mean of the other years within 10 days of the date."""
    at = np.arange(station.weather.count)
    away = (at - hour) % YEAR_H
    near = (np.minimum(away, YEAR_H - away) <= 240) & (np.abs(at - hour) > YEAR_H / 2)
    return np.array([station.truth_thatch[near].mean(), station.truth_root[near].mean()])


def as_scores(rows: list[dict[str, Array]], block: list[int], refused: int = 0, fit_s: float = 0.0) -> Scores:
    """Rows of `score`, put together."""
    errors = {name: np.array([row[name] for row in rows]) for name in METHODS}
    inside = {name: np.array([row[f"inside {name}"] for row in rows]) for name in METHODS[2:]}
    return Scores(errors, inside, np.array(block), refused, fit_s)


def score(
    station: SimulatedStation,
    starts: list[int],
    fits: dict[int, Fit],
    usual: Callable[[int], Array],
    *,
    seed: int = 1,
    climate: MonthlyClimate | None = None,
) -> list[dict[str, Array]]:
    """Errors of every method at each start, one dict of (lead, box) arrays a start; refused starts are left out.

    `usual` gives the climatology of an hour, thatch and roots; `climate` is used where the past is too short.
    """
    found = []
    for hour in starts:
        rng = np.random.default_rng([seed, hour])
        past, fitted = until(station.past, hour), fits[hour]
        if fitted.parameters is None:
            continue
        now_ms = station.past.first_ms + hour * HOUR_MS
        behind = PastWeather(station.past.first_ms, station.weather.rain_mm[:hour], past.reference_et_mm)
        watering = (station.past.water_mm - station.weather.rain_mm)[hour : hour + 240, np.newaxis]
        truth = np.array([[w[hour + lead] for w in (station.truth_thatch, station.truth_root)] for lead in LEADS_H])
        row = {
            "persistence": np.array([[past.thatch_wetness[-1], past.root_wetness[-1]]] * len(LEADS_H)) - truth,
            "climatology": np.array([usual(hour + lead) for lead in LEADS_H]) - truth,
        }  # fmt: skip
        for name, forecast in (
            ("no forecast", None), ("degraded", degraded(station, hour, rng)), ("perfect", perfect(station, hour)),
        ):  # fmt: skip
            trust = {"trust": PERFECT} if name == "perfect" else {}
            place = Location(station.weather.latitude_deg, station.weather.longitude_deg)
            weather = weather_ahead(
                now_ms, forecast=forecast, past=behind, climate=climate, place=place, **trust,
            )  # fmt: skip
            row[name], row[f"inside {name}"] = _one(past, fitted, weather, watering, truth)
        found.append(row)
    return found


def _one(
    past: PastHours, fitted: Fit, weather: WeatherAhead | None, watering: Array, truth: Array
) -> tuple[Array, Array]:
    ahead = forecast_wetness(past, fitted, weather, watering_mm=watering)
    members = np.stack([ahead.thatch_wetness[list(LEADS_H)], ahead.root_wetness[list(LEADS_H)]], axis=1)
    low, high = np.quantile(members, [0.1, 0.9], axis=2)
    return members.mean(axis=2) - truth, ((truth >= low) & (truth <= high)).astype(float)


def bench(years: int = 3, every_days: int = 5, *, kinds=KINDS, seed: int = 11, refit_days: int = 10) -> Scores:
    """Score every kind of station from March to October of the second year and later."""
    rows, block, refused, fit_s = [], [], 0, 0.0
    for number, kind in enumerate(kinds):
        station = simulated(kind, datetime(2023, 1, 1, tzinfo=UTC), round(years * 365.25), seed=seed + number)
        starts = [24 * day + 6 for day in range(366, round(years * 365.25) - 6, every_days) if 60 <= day % 365.25 < 300]
        fits: dict[int, Fit] = {}
        last = -(10**9)
        for hour in starts:
            if hour - last >= refit_days * 24:
                begun = time.perf_counter()
                fresh, last = fit(until(station.past, hour), station.boxes), hour
                fit_s += time.perf_counter() - begun
            fits[hour] = fresh
        scored = score(station, starts, fits, partial(climatology, station))
        refused += len(starts) - len(scored)
        rows += scored
        block += [1000 * number + hour // 720 for hour in starts if fits[hour].parameters is not None]
        print(f"{kind.name}: {len(scored)} starts", flush=True)
    return as_scores(rows, block, refused, fit_s)


def rms(errors: Array) -> Array:
    """Root-mean-square error by lead and box."""
    return np.sqrt((errors**2).mean(axis=0))


def gain(scores: Scores, method: str, against: str, *, draws: int = 1000) -> tuple[Array, Array, Array]:
    """Skill 1 - MSE(method) / MSE(against), and its 95 % interval over stations and months drawn anew."""
    rng = np.random.default_rng(5)
    one, other = scores.errors[method] ** 2, scores.errors[against] ** 2
    names, place = np.unique(scores.block, return_inverse=True)
    sums = np.zeros((2, names.size, *one.shape[1:]))
    np.add.at(sums[0], place, one)
    np.add.at(sums[1], place, other)
    pick = rng.integers(0, names.size, (draws, names.size))
    drawn = 1.0 - sums[0][pick].sum(axis=1) / sums[1][pick].sum(axis=1)
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    return 1.0 - one.mean(axis=0) / other.mean(axis=0), low, high


def table(scores: Scores) -> str:
    """The errors, and the skill of what counts, as text."""
    count = scores.block.size
    heads = [f"{box} {lead // 24} d" for box in ("thatch", "roots") for lead in LEADS_H]
    lines = [f"{count} start dates, {scores.refused} refused; RMS error of relative wetness",
             " " * 14 + "".join(f"{h:>13}" for h in heads)]  # fmt: skip
    for name in METHODS:
        lines.append(f"{name:14}" + "".join(f"{v:13.3f}" for v in rms(scores.errors[name]).T.reshape(-1)))
    for name in METHODS[2:]:
        for against in METHODS[:2]:
            middle, low, high = (v.T.reshape(-1) for v in gain(scores, name, against))
            lines.append(f"skill of {name} over {against}: " + "; ".join(
                f"{h} {m:.2f} ({a:.2f} to {b:.2f})" for h, m, a, b in zip(heads, middle, low, high, strict=True)
            ))  # fmt: skip
    for name in METHODS[2:]:
        share = scores.inside[name].mean(axis=0).T.reshape(-1)
        lines.append(f"truth within the middle 80 % of members, {name}: " + ", ".join(f"{v:.2f}" for v in share))
    return "\n".join(lines)


if __name__ == "__main__":
    begun = time.perf_counter()
    result = bench()
    print(table(result))
    print(f"{time.perf_counter() - begun:.0f} s, of which {result.fit_s:.0f} s fitting")
