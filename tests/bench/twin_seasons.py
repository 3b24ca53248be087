"""Seeded seasons of a simulated station, heard by ordinary probes: what the sums find beside what the ground did.

Each seed draws climate, soil, thatch and its condition, and a shape of roots the estimator knows nothing of, runs the
ground hour by hour, and hears it every quarter hour (straight lines between the hours) at 8, 35, 65, 110 and 160 mm:
means over each sensing height, slopes off by up to 10 %, a little drift with temperature, noise, rounding. In half of
the seasons the thatch is no open door: it repels, is held off from the soil by a break, or is kept wet by a sprinkler.
A `Variant` changes the ground or the hearing. The truth is the uptake of the simulated nodes below the thatch over the
same fortnight.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from hardware.probe import Channel, load_probe
from pipeline.diary.facts import Dated
from pipeline.diary.station import StationContext
from pipeline.soil.calibration import CURVES
from pipeline.soil.layers import medium
from pipeline.soil.roots import layer_bounds_m, smooth_depths_m, with_tail
from pipeline.stages.recompute import process
from pipeline.stages.roots import ROOTS, fortnight
from pipeline.stages.stage import FIRST_MONDAY_MS, FORTNIGHT_MS, Record, series_of
from pipeline.units import DAY_MS
from simulator import kernels, materials
from simulator.climates import CLIMATES
from simulator.column import Interface, Layer, Repellency
from simulator.ground import GroundState, TurfProfile, prepare
from simulator.history import History, run
from simulator.materials import MATERIALS, Material
from simulator.weather import Weather, generate
from tests.pipeline.contexts import station_context

DEPTHS_M = (0.008, 0.035, 0.065, 0.110, 0.160)
THATCH_HEIGHT_M, SOIL_HEIGHT_M = 0.012, 0.020  # sensing heights of the first channel and of the rest
SLOPE_DOUBT = 0.10
NOISE_M3_M3 = (0.0005, 0.0015)  # of one reading; the spread between good and poor probes (ours)
WILTING_HEAD_M = -153.0  # 1500 kPa
PER_DEGC = 0.0003  # greatest drift with temperature, either way [m3 m-3 degC-1] (ours)
ROUNDED_M3_M3 = 0.0002  # permittivity to two decimals
SOILS = ("sand_root_zone", "sandy_loam", "loam", "clay_loam")
SHAPES = ("exponential", "even", "bell", "two tiers")
CONDITIONS = {"open": 0.5, "repellent": 0.2, "held up": 0.15, "kept wet": 0.15}  # share of the seasons
CALLED = {
    "thatch_raw": "raw_thatch", "thatch_decayed": "decayed_thatch", "sand_root_zone": "sand", "sand_coarse": "sand",
    "sandy_loam": "sandy_loam", "loam": "loam", "clay_loam": "clay_loam",
}  # fmt: skip
"""What the settings call the simulator's materials."""
STEP_S, SLOT_MS, HOUR_MS = 3600, 900_000, 3_600_000
SPIN_UP_DAYS = 7


@dataclass(frozen=True)
class Variant:
    """What a row of the table changes in the ground or in the hearing.

    Attributes
    ----------
    soils : tuple of str
        Drawn from, by the names of the simulator's materials.
    any_condition : bool
        Whether the thatch may repel, be held up or be kept wet; else it is an open door in every season.
    reach_m : (float, float)
        Soil depth above which nine tenths of the roots lie, drawn between both. [m]
    tail : bool
        A twentieth of the roots more, thin and even down to 0.6 m of soil.
    depths_m : tuple of float
        Of the channels below the leaf base, the first in the thatch. [m]
    depth_off, core_off : bool
        The probe sits 5 mm, give or take 3, too deep or too high; the core was read 3 mm too thick or too thin.
    other_family : bool
        Slopes are common to a probe and normal about 1 by 0.06, beside an offset of its own by 0.02 m3/m3; drifts with
        temperature are bell-shaped by 0.0002 in place of even to 0.0003, and bend with warmth.
    per_degc : float
        Greatest drift with temperature where it is even. [m3 m-3 degC-1]
    through_stages : bool
        The readings go back into permittivity and through calibrate and quality, as on the server.
    """

    name: str = "as drawn"
    soils: tuple[str, ...] = SOILS
    any_condition: bool = True
    reach_m: tuple[float, float] = (0.045, 0.125)
    tail: bool = False
    depths_m: tuple[float, ...] = DEPTHS_M
    depth_off: bool = False
    core_off: bool = False
    other_family: bool = False
    per_degc: float = PER_DEGC
    through_stages: bool = False


AS_DRAWN = Variant()
WIDE_M = (0.008, 0.050, 0.100, 0.200, 0.400)
VARIANTS = (
    Variant("probe depths off by 5 ± 3 mm", depth_off=True),
    Variant("core off by 3 mm", core_off=True),
    Variant("probes at 50, 100, 200, 400 mm", depths_m=WIDE_M, reach_m=(0.08, 0.30)),
    Variant("coarse sand", soils=("sand_coarse",)),
    Variant("a thin tail of roots to 0.6 m", tail=True),
    Variant("slopes and drifts of another family", other_family=True),
    Variant("through calibrate and quality", through_stages=True),
    Variant("no drift with temperature", per_degc=0.0),
    Variant("drift up to 0.0006 a degree", per_degc=0.0006),
)


@dataclass(frozen=True)
class Case:
    """One fortnight: truth and answer. Depths below the leaf base [m]; `reason` is why it was refused.

    The truths are of the uptake that the probes see: down to half a gap below the deepest. `drank95_m` is of all uptake
    below the thatch; `drank_there` is whether that lies in the layer of the deepest probe or below it, from half-way to
    the probe above, and `drank_beside` whether within the probe's own sensing height or below it. The last three are
    what the sums make of the true uptake (see `by_true_uptake`).
    """

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
    condition: str
    drank95_m: float
    drank_there: bool
    drank_beside: bool
    by_layers90_m: float
    at_probes90_m: float
    at_probes_there: bool


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


@dataclass(frozen=True)
class Place:
    """A station drawn by a seed: its ground at the start, and the generator that goes on to draw its probes."""

    seed: int
    turf: TurfProfile
    ground: GroundState
    climate: str
    soil: str
    shape: str
    condition: str
    rng: np.random.Generator


def place_of(seed: int, variant: Variant = AS_DRAWN) -> Place:
    """A station drawn by a seed."""
    rng = np.random.default_rng([seed, 1])
    climate = str(rng.choice(sorted(CLIMATES)))
    soil, shape = str(rng.choice(variant.soils)), str(rng.choice(SHAPES))
    thatch = str(rng.choice(["thatch_raw", "thatch_decayed"]))
    under = "sandy_loam" if soil != "sandy_loam" else "loam"
    kept = np.random.default_rng([seed, 7])
    turf = TurfProfile(
        _unlike(thatch, kept),
        (Layer(_unlike(soil, kept), float(rng.uniform(0.2, 0.35))), Layer(MATERIALS[under], 0.5)),
        float(rng.uniform(0.014, 0.022)),
    )
    turf, condition = _in_condition(turf, seed) if variant.any_condition else (turf, "open")
    ground = prepare(turf, head_m=-float(rng.uniform(0.5, 2.0)), temperature_degc=13.0)
    reach_m = float(rng.uniform(*variant.reach_m))
    below = np.maximum(ground.column.depth_m - turf.thatch_m, 0.0)
    density = density_of(shape, below, reach_m, rng)
    if variant.tail:
        density = np.maximum(density, 0.05 * reach_m / (0.6 - reach_m) * (below <= 0.6) * density.max())
    ground = replace(ground, density=density * rng.uniform(0.5, 0.9) / density.max())
    # the roots keep the shape drawn for them: only water moves
    still = replace(
        turf.traits, growth_per_day=0.0, turnover_per_day=0.0, advance_m_per_day=0.0, heat_death_per_day_degc=0.0,
        drought_death_per_day=0.0, wet_death_per_day=0.0,
    )  # fmt: skip
    return Place(seed, replace(turf, traits=still), ground, climate, soil, shape, condition, rng)


def _unlike(name: str, rng: np.random.Generator) -> Material:
    """A material that keeps, at 1500 kPa, what lies in the middle three fifths of its kind's working range.

    No two loams are alike.
    """
    made_of, (low, high) = MATERIALS[name], medium(CALLED[name]).wilting
    wanted = low + rng.uniform(0.2, 0.8) * (high - low)
    now = float(kernels.hydraulics(materials.table((made_of,))[0], WILTING_HEAD_M)[0])
    return replace(made_of, theta_r=max(made_of.theta_r + wanted - now, 0.0))


def _in_condition(turf: TurfProfile, seed: int) -> tuple[TurfProfile, str]:
    """The condition of the thatch, drawn apart from the rest so that the rest stays as it was. Working values, ours."""
    rng = np.random.default_rng([seed, 3])
    condition = str(rng.choice(list(CONDITIONS), p=list(CONDITIONS.values())))
    if condition == "repellent":
        raw = turf.thatch.name == "thatch_raw"
        repellency = Repellency(
            critical_theta=float(rng.uniform(0.13, 0.20) if raw else rng.uniform(0.24, 0.34)),
            least_share=float(10.0 ** rng.uniform(-3.0, -2.0)),
            contact_s=float(600.0 * 48.0 ** rng.uniform()),
            drying_s=float(86400.0 * rng.uniform(0.5, 1.5)),
            entry_m=float(0.01 * 10.0 ** rng.uniform()),
        )
        turf = replace(turf, repellency=repellency, bypass_share=float(rng.uniform(0.0, 0.08)))
    elif condition == "held up":
        broken = Interface(open_per_s=float(10.0 ** rng.uniform(-5.5, -3.5)), steepness_per_m=float(rng.uniform(5, 25)))
        turf = replace(turf, interface=broken)
    return turf, condition


def sprinkled(weather: Weather, condition: str, seed: int) -> Weather:
    """The weather, with 2 to 6 mm of a sprinkler that the gauge catches about dusk where thatch is kept wet."""
    if condition != "kept wet":
        return weather
    rng = np.random.default_rng([seed, 4])
    rain = weather.rain_mm.copy()
    rain[19::24] += np.where(rng.random(rain[19::24].size) < 0.7, rng.uniform(2.0, 6.0, rain[19::24].size), 0.0)
    return replace(weather, rain_mm=rain)


def heard(history: History, rng: np.random.Generator, variant: Variant = AS_DRAWN) -> Record:
    """Quarter-hourly readings of the channels, their thermometers and the weather."""
    weather = history.weather
    hours = history.start_ms + STEP_S * 1000 * np.arange(weather.count + 1)
    slots = np.arange(history.start_ms, history.end_ms, SLOT_MS)
    channels = {}
    noise = rng.uniform(*NOISE_M3_M3)
    family = np.random.default_rng([int(rng.bit_generator.state["state"]["state"] % 2**32), 5])
    common, shift_m = family.normal(1.0, 0.06), _depth_error_m(family) if variant.depth_off else 0.0
    for number, (name, stated_m) in enumerate(zip(moisture_names(variant), variant.depths_m, strict=True)):
        depth = stated_m + (shift_m if number else 0.0)  # the thatch probe lies by its own hand
        height = SOIL_HEIGHT_M if number else THATCH_HEIGHT_M
        levels = depth + height * np.array([-0.4, -0.2, 0.0, 0.2, 0.4])
        theta = np.mean([history.water_content(level) for level in levels], axis=0)
        warm = np.array(
            [np.interp(depth, d, t) for d, t in zip(history.level_depth_m, history.temperature_degc, strict=True)]
        )
        true, degc = np.interp(slots, hours, theta), np.interp(slots, hours, warm)
        slope, per_degc = rng.uniform(1.0 - SLOPE_DOUBT, 1.0 + SLOPE_DOUBT), variant.per_degc * rng.uniform(-1.0, 1.0)
        drift = per_degc * (degc - 20.0)
        value = true * slope + drift
        if variant.other_family:
            per_degc = family.normal(0.0, 0.0002)
            value = true * common + family.normal(0.0, 0.02) + per_degc * (degc - 20.0) * (1.0 + 0.03 * (degc - 20.0))
        value = np.round((value + rng.normal(0.0, noise, slots.size)) / ROUNDED_M3_M3) * ROUNDED_M3_M3
        channels[f"s1/{name}"] = (slots, value)
        channels[f"s1/{name.replace('moisture', 'temperature')}"] = (slots, np.round(degc, 2))
    channels["s1/w1/rain"] = (hours[1:], np.round(weather.rain_mm, 1))
    channels |= {f"s1/w1/{name}": (hours[:-1] + HOUR_MS // 2, value) for name, value in _air(weather).items()}
    return Record(channels, {})


def _depth_error_m(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]) * max(rng.normal(0.005, 0.003), 0.0))


def moisture_names(variant: Variant = AS_DRAWN) -> list[str]:
    """Names of the moisture channels, from the top."""
    return ["t1/moisture", *(f"p1/moisture_{round(1000.0 * depth_m):03d}" for depth_m in variant.depths_m[1:])]


def _air(weather: Weather) -> dict[str, np.ndarray]:
    return {
        "air_temperature": weather.temperature_degc, "humidity": weather.relative_humidity_percent,
        "wind": weather.wind_m_s, "sun": weather.solar_w_m2,
    }  # fmt: skip


def context_of(weather: Weather, place: Place, variant: Variant = AS_DRAWN) -> StationContext:
    """The station as its settings have it: soil and thatch by their kind, the core to the millimetre."""
    thatch_m = place.turf.thatch_m
    if variant.core_off:
        thatch_m += float(np.random.default_rng([place.seed, 6]).choice([-0.003, 0.003]))
    models = {"t1": "thatch", "p1": "root_zone_profile", "w1": "weather"}
    channels = {f"s1/{probe}/{c.name}": c for probe, model in models.items() for c in load_probe(model).channels}
    if variant.depths_m != DEPTHS_M:
        own = {i: c for i, c in channels.items() if not i.startswith("s1/p1/")}
        like = {kind: channels[f"s1/p1/{kind}_035"] for kind in ("moisture", "temperature")}
        for depth_m in variant.depths_m[1:]:
            for kind, channel in like.items():
                name = f"{kind}_{round(1000.0 * depth_m):03d}"
                own[f"s1/p1/{name}"] = replace(channel, name=name, depth_m=depth_m)
        channels = own
    air = {"air_temperature": "air_temperature", "relative_humidity": "humidity", "wind_speed": "wind"}
    return station_context(
        "s1", channels, cores=(Dated(0, round(thatch_m, 3)),), rain_channel="s1/w1/rain",
        soil=CALLED[place.soil], thatch_medium=CALLED[place.turf.thatch.name],
        latitude_deg=weather.latitude_deg, longitude_deg=weather.longitude_deg, elevation_m=weather.elevation_m,
        weather={quantity: f"s1/w1/{name}" for quantity, name in (air | {"solar_radiation": "sun"}).items()},
    )  # fmt: skip


def as_heard(channel: Channel, value: np.ndarray) -> np.ndarray:
    """Values put back into what the probe says, by its curve read backwards."""
    if channel.heard == "rain_total":
        return 10.0 + np.cumsum(value)
    if channel.heard != "apparent_permittivity":
        return value
    permittivity = np.linspace(1.0, 80.0, 4000)
    curve = CURVES[channel.calibration.curve]
    content = curve.formula(permittivity, **channel.calibration.parameters)
    # the cubics bend back beyond their range: only the rising part is read
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(content)) > 0.0])
    return np.round(np.interp(value, content[rising], permittivity[rising]), 2)


def through_stages(record: Record, context: StationContext) -> Record:
    """The record as the server would have it: readings as sent, calibrated, judged, and their layers."""
    named = {i: series for i, series in record.channels.items() if i in context.channels}
    raw = pd.concat(
        [
            pd.DataFrame(
                {
                    "channel": i, "measured_at_ms": times + 1000, "raw": as_heard(context.channels[i], value),
                    "status": "ok", "clock_ok": True, "received_at_ms": times + 1000,
                }
            )
            for i, (times, value) in sorted(named.items())
        ],
        ignore_index=True,
    )  # fmt: skip
    return process(series_of(raw), context).record


def running_uptake(history: History, start_ms: int, end_ms: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Depths below the leaf base [m], the uptake of a span above each of them [mm], and the thatch in its end. [m]"""
    first, last = ((t - history.start_ms) // HOUR_MS for t in (start_ms, end_ms))
    depth = history.node_depth_m[last]
    edges = np.concatenate([[0.0], 0.5 * (depth[1:] + depth[:-1]), depth[-1:]])
    running = np.concatenate([[0.0], np.cumsum(history.uptake_mm[first:last].sum(axis=0))])
    return edges, running, float(history.thatch_m[last])


def by_true_uptake(
    edges: np.ndarray, running: np.ndarray, thatch_m: float, depths_m: tuple[float, ...]
) -> tuple[float, float, bool]:
    """What the sums make of true uptake, which no reading can better: D90 by that of each layer, D90 by that within
    each probe's sensing height alone [m], and whether the latter has roots in the layer of the deepest probe.
    """
    depth = np.array([depth_m for depth_m in depths_m if depth_m > thatch_m])
    bounds = layer_bounds_m(depth, thatch_m)
    top, bottom = np.maximum(depth - SOIL_HEIGHT_M / 2.0, thatch_m), depth + SOIL_HEIGHT_M / 2.0
    of_layer = np.diff(np.interp(bounds, edges, running))
    felt = np.interp(bottom, edges, running) - np.interp(top, edges, running)
    at_probe = felt / (bottom - top) * np.diff(bounds)
    d90_m = [float(smooth_depths_m([drawn], [bounds], 0.90)[0]) for drawn in (of_layer, at_probe)]
    reached_m = smooth_depths_m(*with_tail(at_probe[np.newaxis], bounds[np.newaxis], depth, share=0.5), 0.95)[0]
    return d90_m[0], d90_m[1], bool(reached_m >= bounds[-2])


def truth_m(history: History, start_ms: int, end_ms: int, share: float, *, down_to_m: float = np.inf) -> float:
    """Depth above which a share of the uptake between thatch and a depth lies over a span. [m]"""
    edges, running, thatch_m = running_uptake(history, start_ms, end_ms)
    above = float(np.interp(thatch_m, edges, running))
    wanted = above + share * (float(np.interp(down_to_m, edges, running)) - above)
    return float(np.interp(wanted, running, edges))


@dataclass(frozen=True)
class Played:
    """A season run and heard. `first_ms` is the midnight at which its fortnights begin. [ms since 1970, UTC]"""

    seed: int
    place: Place
    variant: Variant
    history: History
    record: Record
    context: StationContext
    first_ms: int


def played(seed: int, fortnights: int, variant: Variant = AS_DRAWN) -> Played:
    """One season that begins somewhere from May on, after a week in which the water finds its place."""
    place = place_of(seed, variant)
    monday = datetime(2025, 5, 5, tzinfo=UTC) + timedelta(days=14 * int(place.rng.integers(0, 11 - fortnights)))
    offset = (round(monday.timestamp() * 1000) - FIRST_MONDAY_MS) % FORTNIGHT_MS
    begin = monday - timedelta(milliseconds=offset)
    weather = generate(
        CLIMATES[place.climate], begin - timedelta(days=SPIN_UP_DAYS), SPIN_UP_DAYS + 14 * fortnights + 1, seed=seed,
        step_s=STEP_S,
    )  # fmt: skip
    weather = sprinkled(weather, place.condition, seed)
    history = run(place.turf, weather, first=place.ground)
    record, context = heard(history, place.rng, variant), context_of(weather, place, variant)
    if variant.through_stages:
        record = through_stages(record, context)
    return Played(seed, place, variant, history, record, context, round(begin.timestamp() * 1000))


@dataclass(frozen=True)
class Season:
    """The condition of a season's thatch, and what its rains of 5 mm and more met: how many, how many of them found
    it more than half repellent, and how many of those left it as dry as that."""

    condition: str
    rains: int
    repelled: int
    stayed_dry: int


def season_of(one: Played) -> Season:
    """What the rains of a played season met."""
    history = one.history
    nodes = history.repelling[0] >= 0.0
    rains = [rain for rain in history.rains() if rain.fallen_mm >= 5.0]
    state = history.repelling[:, nodes].mean(axis=1) if nodes.any() else np.zeros(history.weather.count + 1)
    met = [rain for rain in rains if state[rain.first_step] > 0.5]
    left = sum(state[rain.last_step] > 0.5 for rain in met)
    return Season(one.place.condition, len(rains), len(met), int(left))


def fortnights_of(one: Played, fortnights: int) -> Iterator[Case]:
    """Truth and answer of each fortnight of a season."""
    history, place = one.history, one.place
    depths_m = one.variant.depths_m
    sees_m = depths_m[-1] + 0.5 * (depths_m[-1] - depths_m[-2])
    for number in range(fortnights):
        start_ms = one.first_ms + number * FORTNIGHT_MS
        end_ms = start_ms + FORTNIGHT_MS
        part = one.record.between(start_ms - ROOTS.lead_in_ms, end_ms + ROOTS.look_ahead_ms)
        found = fortnight(part, one.context, start_ms, end_ms)
        assert not isinstance(found, str), found
        assert (start_ms - FIRST_MONDAY_MS) % DAY_MS == 0
        drank95_m = truth_m(history, start_ms, end_ms, 0.95)
        yield Case(
            one.seed, place.shape, place.climate, place.soil,
            *(truth_m(history, start_ms, end_ms, share, down_to_m=sees_m) for share in (0.90, 0.95)),
            found.d90_m, found.d90_low_m, found.d90_high_m, found.d95_m, found.d95_low_m, found.d95_high_m,
            place.turf.thatch_m, found.at_least, found.days, found.reason, place.condition, drank95_m,
            drank95_m >= 0.5 * (depths_m[-1] + depths_m[-2]), drank95_m >= depths_m[-1] - SOIL_HEIGHT_M / 2.0,
            *by_true_uptake(*running_uptake(history, start_ms, end_ms), depths_m),
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
