"""Simulated stations for the forecast bench: probes' wetness with noise, and the weather that made it.

Relative wetness is that of the probes a club would have: one in the middle of the thatch and four in the root zone,
read hourly with noise, between limits taken from the simulated material's own curve at -10 kPa and -1500 kPa.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from pipeline.forecast.balance import Boxes, PastHours
from pipeline.soil.layers import Medium, layer_weights_m, medium, middle
from simulator import kernels, materials
from simulator.climates import CLIMATES
from simulator.column import Interface, Layer
from simulator.ground import TurfProfile
from simulator.history import History, run
from simulator.weather import Weather, generate

Array = NDArray[np.float64]

PROBE_DEPTHS_M = (0.03, 0.06, 0.10, 0.16)  # of soil, from the base of the thatch
ROOT_ZONE_M = 0.20
NOISE = 0.005  # of a reading, [m3 m-3]; no drift
FIELD_HEAD_M, WILTING_HEAD_M = -1.02, -153.0
MEDIUM_OF = {"thatch_raw": "raw_thatch", "thatch_decayed": "decayed_thatch", "mat_sanded": "mat",
             "sand_root_zone": "sand", "clay_loam_rolled": "club_clay_loam"}  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """A kind of simulated station. The bypass is that of cracks and worm holes."""

    name: str
    climate: str
    thatch: str
    soil: str
    thatch_m: float
    bypass_share: float = 0.1
    watered: bool = False


KINDS = (
    Kind("outfield", "mild maritime", "thatch_decayed", "loam", 0.020),
    Kind("square", "mild maritime", "thatch_decayed", "clay_loam", 0.008, 0.2),
    Kind("green", "mild maritime", "mat_sanded", "sand_root_zone", 0.012, 0.05, watered=True),
    Kind("pitch", "continental", "thatch_raw", "sandy_loam", 0.012),
    Kind("lawn", "continental", "thatch_decayed", "loam", 0.015),
    Kind("club", "warm humid", "thatch_decayed", "sandy_loam", 0.020, 0.15),
)


@dataclass(frozen=True)
class SimulatedStation:
    """What its probes said, hour by hour, and what the weather was."""

    kind: Kind
    boxes: Boxes
    past: PastHours
    weather: Weather
    truth_thatch: Array
    truth_root: Array


def limits(name: str) -> tuple[float, float]:
    """Dry and drained water content of a simulated material. [m3 m-3]"""
    row = materials.table((materials.MATERIALS[name],))[0]
    dry, drained = (float(kernels.hydraulics(row, head)[0]) for head in (WILTING_HEAD_M, FIELD_HEAD_M))
    return dry, drained


def simulated(kind: Kind, first: datetime, days: int, *, seed: int, noise: float = NOISE) -> SimulatedStation:
    """Run a station through weather of its climate and read its probes."""
    weather = generate(CLIMATES[kind.climate], first, days, seed=seed)
    place = TurfProfile(
        materials.MATERIALS[kind.thatch], (Layer(materials.MATERIALS[kind.soil], 0.5),), kind.thatch_m,
        interface=Interface(), bypass_share=kind.bypass_share,
    )  # fmt: skip
    watering = np.zeros(weather.count)
    if kind.watered:  # 6 mm before dawn of every third day from May to September, wet or dry
        day = np.arange(weather.count) // 24
        month = np.array([(first.month - 1 + d / 30.4) % 12 for d in day])
        watering[(day % 3 == 0) & (np.arange(weather.count) % 24 == 3) & (month >= 4) & (month < 9)] = 6.0
    history = run(place, weather, watering_mm=watering)
    return read(kind, history, watering, seed=seed, noise=noise)


def boxes_of(thatch: Medium, thatch_m: float, soil: Medium, root_zone_m: float) -> Boxes:
    """Boxes from the media and thicknesses of a station.

    Parameters
    ----------
    thatch, soil : Medium
    thatch_m : float
        [m] NaN or 0 where none is known: then there is no thatch box.
    root_zone_m : float
        [m]
    """
    thickness = 0.0 if math.isnan(thatch_m) else thatch_m

    def full(medium: Medium) -> float:
        return (middle(medium.saturated) - medium.dry_prior) / (medium.drained_prior - medium.dry_prior)

    return Boxes(
        1000.0 * thickness * (thatch.drained_prior - thatch.dry_prior), full(thatch),
        1000.0 * root_zone_m * (soil.drained_prior - soil.dry_prior), full(soil),
    )  # fmt: skip


def read(kind: Kind, history: History, watering: Array, *, seed: int, noise: float = NOISE) -> SimulatedStation:
    """What the probes of a station said of a simulated history."""
    rng = np.random.default_rng([seed, 7])
    dry, drained = limits(kind.thatch)
    thatch = (history.water_content(0.5 * kind.thatch_m) - dry) / (drained - dry)
    soil_dry, soil_drained = limits(kind.soil)
    weights = layer_weights_m(PROBE_DEPTHS_M, ROOT_ZONE_M) / ROOT_ZONE_M
    content = sum(w * history.water_content(kind.thatch_m + z) for w, z in zip(weights, PROBE_DEPTHS_M, strict=True))
    root = (content - soil_dry) / (soil_drained - soil_dry)
    count = history.weather.count
    noisy_thatch = thatch[:count] + rng.normal(0.0, noise / (drained - dry), count)
    spread = noise * float(np.sqrt((weights**2).sum()))
    noisy_root = root[:count] + rng.normal(0.0, spread / (soil_drained - soil_dry), count)
    first_ms = history.start_ms
    past = PastHours(
        first_ms, noisy_thatch, noisy_root, history.weather.rain_mm + watering, history.weather.reference_et_mm
    )
    boxes = boxes_of(
        medium(MEDIUM_OF.get(kind.thatch, kind.thatch)), kind.thatch_m,
        medium(MEDIUM_OF.get(kind.soil, kind.soil)), ROOT_ZONE_M,
    )  # fmt: skip
    return SimulatedStation(kind, boxes, past, history.weather, thatch[:count], root[:count])
