"""Seeded seasons of a simulated station, heard by ordinary probes: what the root sums find beside what roots drank.

Each seed draws climate, soil, thatch and a shape of roots the estimator knows nothing of, runs the ground hour by
hour, and hears it every quarter hour (straight lines between the hours) at 8, 35, 65, 110 and 160 mm: means over each
sensing height, slopes off by up to 10 %, a little drift with temperature, noise, rounding. The truth is the uptake of
the simulated nodes below the thatch over the same fortnight.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from hardware.probe import load_probe
from pipeline.diary.facts import Dated
from pipeline.diary.station import StationContext
from pipeline.stages.roots import ROOTS, fortnight
from pipeline.stages.stage import FIRST_MONDAY_MS, FORTNIGHT_MS, Record
from pipeline.units import DAY_MS
from simulator.climates import CLIMATES
from simulator.column import Layer
from simulator.ground import GroundState, TurfProfile, prepare
from simulator.history import History, run
from simulator.materials import MATERIALS
from simulator.weather import Weather, generate
from tests.pipeline.contexts import station_context

DEPTHS_M = np.array([0.008, 0.035, 0.065, 0.110, 0.160])
HEIGHTS_M = np.array([0.012, 0.020, 0.020, 0.020, 0.020])
SLOPE_DOUBT = 0.10
NOISE_M3_M3 = (0.0005, 0.0015)  # of one reading; the spread between good and poor probes (ours)
PER_DEGC = 0.0003  # greatest drift with temperature, either way [m3 m-3 degC-1] (ours)
ROUNDED_M3_M3 = 0.0002  # permittivity to two decimals
SOILS = ("sand_root_zone", "sandy_loam", "loam", "clay_loam")
SHAPES = ("exponential", "even", "bell", "two tiers")
STEP_S, SLOT_MS, HOUR_MS = 3600, 900_000, 3_600_000
SPIN_UP_DAYS = 7


@dataclass(frozen=True)
class Case:
    """One fortnight: truth and answer. Depths below the leaf base [m]; `reason` is why it was refused."""

    seed: int
    shape: str
    climate: str
    soil: str
    truth90_m: float
    truth95_m: float
    found90_m: float
    low90_m: float
    high90_m: float
    found95_m: float
    low95_m: float
    high95_m: float
    thatch_m: float
    at_least: bool
    days: int
    reason: str


def density_of(shape: str, depth_m: np.ndarray, reach_m: float, rng: np.random.Generator) -> np.ndarray:
    """Root density by depth, 0..1, about 90 % of it above `reach_m` of soil."""
    if shape == "exponential":
        return np.exp(-np.log(10.0) * depth_m / reach_m)
    if shape == "even":
        return np.where(depth_m <= reach_m / 0.9, 1.0, 0.0)
    if shape == "bell":
        peak = rng.uniform(0.2, 0.5) * reach_m
        return np.exp(-0.5 * ((depth_m - peak) / (0.45 * reach_m)) ** 2)
    dense = rng.uniform(0.3, 0.6) * reach_m
    return np.where(depth_m <= dense, 1.0, np.where(depth_m <= 1.1 * reach_m, rng.uniform(0.15, 0.4), 0.0))


def place_of(seed: int) -> tuple[TurfProfile, GroundState, str, str, str, np.random.Generator]:
    """A station drawn by a seed."""
    rng = np.random.default_rng([seed, 1])
    climate = str(rng.choice(sorted(CLIMATES)))
    soil, shape = str(rng.choice(SOILS)), str(rng.choice(SHAPES))
    thatch = str(rng.choice(["thatch_raw", "thatch_decayed"]))
    under = "sandy_loam" if soil != "sandy_loam" else "loam"
    place = TurfProfile(
        MATERIALS[thatch],
        (Layer(MATERIALS[soil], float(rng.uniform(0.2, 0.35))), Layer(MATERIALS[under], 0.5)),
        float(rng.uniform(0.014, 0.022)),
    )
    ground = prepare(place, head_m=-float(rng.uniform(0.5, 2.0)), temperature_degc=13.0)
    reach_m = float(rng.uniform(0.045, 0.125))
    below = np.maximum(ground.column.depth_m - place.thatch_m, 0.0)
    density = density_of(shape, below, reach_m, rng)
    ground = replace(ground, density=density * rng.uniform(0.5, 0.9) / density.max())
    # the roots keep the shape drawn for them: only water moves
    still = replace(
        place.traits, growth_per_day=0.0, turnover_per_day=0.0, advance_m_per_day=0.0, heat_death_per_day_degc=0.0,
        drought_death_per_day=0.0, wet_death_per_day=0.0,
    )  # fmt: skip
    return replace(place, traits=still), ground, climate, soil, shape, rng


def heard(history: History, rng: np.random.Generator) -> Record:
    """Quarter-hourly readings of the five channels, their thermometers and the weather."""
    weather = history.weather
    hours = history.start_ms + STEP_S * 1000 * np.arange(weather.count + 1)
    slots = np.arange(history.start_ms, history.end_ms, SLOT_MS)
    channels = {}
    noise = rng.uniform(*NOISE_M3_M3)
    names = ("t1/moisture", "p1/moisture_035", "p1/moisture_065", "p1/moisture_110", "p1/moisture_160")
    for name, depth, height in zip(names, DEPTHS_M, HEIGHTS_M, strict=True):
        levels = depth + height * np.array([-0.4, -0.2, 0.0, 0.2, 0.4])
        theta = np.mean([history.water_content(level) for level in levels], axis=0)
        warm = np.array(
            [np.interp(depth, d, t) for d, t in zip(history.level_depth_m, history.temperature_degc, strict=True)]
        )
        true, degc = np.interp(slots, hours, theta), np.interp(slots, hours, warm)
        value = true * rng.uniform(1.0 - SLOPE_DOUBT, 1.0 + SLOPE_DOUBT) + PER_DEGC * rng.uniform(-1.0, 1.0) * (
            degc - 20
        )
        value = np.round((value + rng.normal(0.0, noise, slots.size)) / ROUNDED_M3_M3) * ROUNDED_M3_M3
        channels[f"s1/{name}"] = (slots, value)
        channels[f"s1/{name.replace('moisture', 'temperature')}"] = (slots, np.round(degc, 2))
    channels["s1/w1/rain"] = (hours[1:], np.round(weather.rain_mm, 1))
    channels |= {f"s1/w1/{name}": (hours[:-1] + HOUR_MS // 2, value) for name, value in _air(weather).items()}
    return Record(channels, {})


def _air(weather: Weather) -> dict[str, np.ndarray]:
    return {
        "air_temperature": weather.temperature_degc, "humidity": weather.relative_humidity_percent,
        "wind": weather.wind_m_s, "sun": weather.solar_w_m2,
    }  # fmt: skip


def context_of(weather: Weather, thatch_m: float) -> StationContext:
    """The station as the stages know it, its thatch measured to the millimetre."""
    models = {"t1": "thatch", "p1": "root_zone_profile", "w1": "weather"}
    channels = {f"s1/{probe}/{c.name}": c for probe, model in models.items() for c in load_probe(model).channels}
    air = {"air_temperature": "air_temperature", "relative_humidity": "humidity", "wind_speed": "wind"}
    return station_context(
        "s1", channels, cores=(Dated(0, round(thatch_m, 3)),), rain_channel="s1/w1/rain",
        latitude_deg=weather.latitude_deg, longitude_deg=weather.longitude_deg, elevation_m=weather.elevation_m,
        weather={quantity: f"s1/w1/{name}" for quantity, name in (air | {"solar_radiation": "sun"}).items()},
    )  # fmt: skip


def truth_m(history: History, start_ms: int, end_ms: int, share: float) -> float:
    """Depth above which a share of the uptake below the thatch lies over a span. [m]"""
    first, last = ((t - history.start_ms) // HOUR_MS for t in (start_ms, end_ms))
    depth = history.node_depth_m[last]
    edges = np.concatenate([[0.0], 0.5 * (depth[1:] + depth[:-1]), depth[-1:]])
    running = np.concatenate([[0.0], np.cumsum(history.uptake_mm[first:last].sum(axis=0))])
    above = float(np.interp(history.thatch_m[last], edges, running))
    wanted = above + share * (running[-1] - above)
    return float(np.interp(wanted, running, edges))


@dataclass(frozen=True)
class Played:
    """A season run and heard. `first_ms` is the midnight at which its fortnights begin. [ms since 1970, UTC]"""

    seed: int
    climate: str
    soil: str
    shape: str
    place: TurfProfile
    history: History
    record: Record
    context: StationContext
    first_ms: int


def played(seed: int, fortnights: int) -> Played:
    """One season that begins somewhere from May on, after a week in which the water finds its place."""
    place, ground, climate, soil, shape, rng = place_of(seed)
    monday = datetime(2025, 5, 5, tzinfo=UTC) + timedelta(days=14 * int(rng.integers(0, 11 - fortnights)))
    offset = (round(monday.timestamp() * 1000) - FIRST_MONDAY_MS) % FORTNIGHT_MS
    begin = monday - timedelta(milliseconds=offset)
    weather = generate(
        CLIMATES[climate], begin - timedelta(days=SPIN_UP_DAYS), SPIN_UP_DAYS + 14 * fortnights + 1, seed=seed,
        step_s=STEP_S,
    )  # fmt: skip
    history = run(place, weather, first=ground)
    record, context = heard(history, rng), context_of(weather, place.thatch_m)
    return Played(seed, climate, soil, shape, place, history, record, context, round(begin.timestamp() * 1000))


def season(seed: int, fortnights: int) -> Iterator[Case]:
    """Fortnights of one season."""
    return fortnights_of(played(seed, fortnights), fortnights)


def fortnights_of(one: Played, fortnights: int) -> Iterator[Case]:
    """Truth and answer of each fortnight of a season."""
    history, place = one.history, one.place
    for number in range(fortnights):
        start_ms = one.first_ms + number * FORTNIGHT_MS
        end_ms = start_ms + FORTNIGHT_MS
        part = one.record.between(start_ms - ROOTS.lead_in_ms, end_ms + ROOTS.look_ahead_ms)
        found = fortnight(part, one.context, start_ms, end_ms)
        assert not isinstance(found, str), found
        assert (start_ms - FIRST_MONDAY_MS) % DAY_MS == 0
        yield Case(
            one.seed, one.shape, one.climate, one.soil,
            truth_m(history, start_ms, end_ms, 0.90), truth_m(history, start_ms, end_ms, 0.95),
            found.d90_m, found.d90_low_m, found.d90_high_m, found.d95_m, found.d95_low_m, found.d95_high_m,
            place.thatch_m, found.at_least, found.days, found.reason,
        )  # fmt: skip


@dataclass(frozen=True)
class Score:
    """How well depths were found. Lengths in mm; shares 0..1."""

    asked: int
    refused: int
    at_least: int
    median90_mm: float
    ninth90_mm: float
    median95_mm: float
    ninth95_mm: float
    bias90_mm: float
    covered90: float
    covered95: float
    constant90_mm: float


def score(cases: list[Case]) -> Score:
    """Errors of what was answered; the constant guess is the best one: the median of all truths, known beforehand."""
    told = [c for c in cases if not c.reason]
    sure = [c for c in told if not c.at_least]
    if not sure:
        nan = float("nan")
        return Score(len(cases), len(cases) - len(told), len(told), *(8 * (nan,)))
    error90 = np.array([abs(c.found90_m - c.truth90_m) for c in sure]) * 1000.0
    error95 = np.array([abs(c.found95_m - c.truth95_m) for c in sure]) * 1000.0
    guess = float(np.median([c.truth90_m for c in sure]))
    constant = np.array([abs(guess - c.truth90_m) for c in sure]) * 1000.0
    return Score(
        asked=len(cases),
        refused=len(cases) - len(told),
        at_least=len(told) - len(sure),
        median90_mm=float(np.median(error90)),
        ninth90_mm=float(np.quantile(error90, 0.9)),
        median95_mm=float(np.median(error95)),
        ninth95_mm=float(np.quantile(error95, 0.9)),
        bias90_mm=1000.0 * float(np.median([c.found90_m - c.truth90_m for c in sure])),
        covered90=float(np.mean([c.low90_m <= c.truth90_m <= c.high90_m for c in told])),
        covered95=float(np.mean([c.low95_m <= c.truth95_m <= c.high95_m for c in told])),
        constant90_mm=float(np.median(constant)),
    )
