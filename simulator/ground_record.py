"""A scenario's ground as a compact record: what its probes can be asked for, and the state to go on from.

`python -m simulator record NAME` lives through the history that `underturf demo` plays and writes it into
`simulator/records`; `play` then plays the record in place of running the ground, and steps on from its last state. It
holds truth at the ends of steps, and truth lies on straight lines between them, so it gives the values of the run
itself, to half of its `grain`. A record made of another scenario, seed or history, or by another ground model, is not
played.
"""

from __future__ import annotations

import json
import math
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator import heat
from simulator.column import ColumnState
from simulator.ground import GroundState, TurfProfile, prepare
from simulator.history import WEATHER_SERIES, History
from simulator.probes import OTHER_DECIMALS, SENT_DECIMALS
from simulator.scenario import Scenario
from simulator.sward import Sward, Wound
from simulator.units import FloatArray

GROUND_VERSION = 1  # raised whenever a scenario comes to give other ground: a record of another version is not played
SUFFIX = ".ground.npz"
STATE = ("length_m", "depth_m", "head_m", "water_m", "repelling", "held_theta", "temperature_degc", "density")
MISSING = np.iinfo(np.int32).min  # in whole units, for no value
MADE_BY = "python -m simulator record"

Asked = tuple[str, float | None]
"""A quantity by its name in `hardware.quantities`, and the depth [m] it is asked at; None above ground."""


class GroundRecordFault(ValueError):
    """A record of ground that cannot be read or played as it is."""


@dataclass(frozen=True)
class RecordedHistory:
    """Truth of one station at the ends of steps, the first at the start. It is asked as `History` is.

    Attributes
    ----------
    start_ms : int
        [ms since 1970, UTC]
    step_s : int
    asked : mapping of quantity and depth to int
        Which row of `values`.
    values : ndarray, shape (asked, step + 1)
        In the quantities' own units; NaN where there is none. A value of the air holds until the next.
    thatch_m : ndarray, shape (step + 1,)
    """

    start_ms: int
    step_s: int
    asked: Mapping[Asked, int]
    values: FloatArray
    thatch_m: FloatArray

    @property
    def end_ms(self) -> int:
        """Last moment that has values. [ms since 1970, UTC]"""
        return self.start_ms + (self.thatch_m.size - 1) * self.step_s * 1000

    @property
    def rain_total_mm(self) -> float:
        """Rain of all of it. [mm]"""
        return float(self.values[self.asked["rain_total", None], -1])

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """Return the same as `History.value` of the run that was recorded.

        Raises
        ------
        GroundRecordFault
            For a quantity and depth that no probe of the scenario asked for when the record was made.
        """
        if not self.start_ms <= at_ms <= self.end_ms:
            return None
        series = self.asked.get(_key(quantity, depth_m))
        if series is None:
            raise GroundRecordFault(
                f"record of the ground: found {quantity} at {depth_m} m asked for, expected one of the"
                f" {len(self.asked)} series it holds. Make it anew: {MADE_BY} NAME"
            )
        position = (at_ms - self.start_ms) / (self.step_s * 1000.0)
        row = min(int(position), self.thatch_m.size - 2)
        value, share = float(self.values[series, row]), position - row
        if share > 0.0 and quantity not in WEATHER_SERIES:
            value += share * (float(self.values[series, row + 1]) - value)
        return None if math.isnan(value) else value

    def thatch_at(self, at_ms: int) -> float:
        """Return the thickness of the thatch at a moment of the record. [m]"""
        return float(self.thatch_m[round((at_ms - self.start_ms) / (self.step_s * 1000.0))])


@dataclass(frozen=True)
class RecordedStation:
    """The told days of one station, in spans of one step each, and its ground at their end."""

    parts: tuple[RecordedHistory, ...]
    last: GroundState


def made_of(scenario: Scenario, *, seed: int, days: int, fine_days: int) -> dict[str, object]:
    """Return what a record has to be made of so that it can stand for this history."""
    return {
        "ground_version": GROUND_VERSION, "scenario": scenario.name, "digest": scenario.digest, "seed": seed,
        "days": days, "fine_days": fine_days,
    }  # fmt: skip


def record(history: History, asked: Sequence[Asked]) -> RecordedHistory:
    """Return of a history what is asked for, at the end of each step."""
    steps, step_ms = history.weather.count, history.weather.step_s * 1000
    moments = [history.start_ms + step * step_ms for step in range(steps + 1)]
    values = [[history.value(quantity, depth_m, at_ms) for at_ms in moments] for quantity, depth_m in asked]
    places = {_key(*one): place for place, one in enumerate(asked)}
    return RecordedHistory(
        history.start_ms, history.weather.step_s, places, np.array(values, dtype=float), history.thatch_m
    )


def write(path: Path, of: Mapping[str, object], stations: Mapping[str, RecordedStation]) -> None:
    """Write a record: arrays, and what they are as JSON in one more of them. The same record gives the same bytes."""
    arrays: dict[str, NDArray[Any]] = {}
    described: dict[str, object] = {}
    for name, station in stations.items():
        asked, last = list(station.parts[0].asked), station.last
        for number, part in enumerate(station.parts):
            grains = [grain(quantity) for quantity, _ in asked]
            arrays[f"{name}/{number}/values"] = np.array(list(map(_packed, part.values, grains)))
            arrays[f"{name}/{number}/thatch_m"] = part.thatch_m.astype(np.float32)
        arrays |= {f"{name}/last/{key}": array for key, array in zip(STATE, _state_arrays(last), strict=True)}
        described[name] = {
            "asked": asked,
            "parts": [{"start_ms": part.start_ms, "step_s": part.step_s} for part in station.parts],
            "sward": asdict(last.sward),
            "canopy_mm": last.canopy_mm,
            "surface_degc": last.surface_degc,
            "dt_s": last.water.dt_s,
        }
    text = json.dumps({"made_of": of, "stations": described})
    np.savez_compressed(path, allow_pickle=False, description=np.frombuffer(text.encode(), dtype=np.uint8), **arrays)


def grain(quantity: str) -> float:
    """Return how finely a quantity is kept, in its own unit: a tenth of the last digit that a probe sends."""
    return 0.1 if quantity == "cone_resistance" else 10.0 ** -(SENT_DECIMALS.get(quantity, OTHER_DECIMALS) + 1)


def _packed(values: FloatArray, unit: float) -> NDArray[np.uint8]:
    """Return a series as differences of whole units, the highest bytes of all first: that packs into a quarter."""
    whole = np.where(np.isnan(values), MISSING, np.round(values / unit)).astype(np.int32)
    return np.diff(whole, prepend=np.int32(0)).astype(">i4").view(np.uint8).reshape(-1, 4).T.ravel()


def _unpacked(packed: NDArray[np.uint8], unit: float) -> FloatArray:
    steps = packed.reshape(4, -1).T.copy().view(">i4").ravel()
    whole = np.cumsum(steps, dtype=np.int32)
    return np.where(whole == MISSING, np.nan, whole * unit)


def path_of(scenario: Scenario) -> Traversable:
    """Return where the record of a scenario is, or would be."""
    return resources.files("simulator") / "records" / f"{scenario.name}{SUFFIX}"


def read(
    path: Traversable, of: Mapping[str, object], turfs: Mapping[str, TurfProfile]
) -> dict[str, RecordedStation] | None:
    """Read a record, if there is one that was made of just this.

    Parameters
    ----------
    of : mapping
        From `made_of`.
    turfs : mapping of station to TurfProfile
        What the ground is built of, which a record leaves out.

    Raises
    ------
    GroundRecordFault
        Where the file is no record; names it and what was found.
    """
    if not path.is_file():
        return None
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            told = json.loads(arrays["description"].tobytes())
            if told["made_of"] != of:
                return None
            return {name: _station(name, told["stations"][name], turf, arrays) for name, turf in turfs.items()}
    except (KeyError, ValueError, EOFError, zipfile.BadZipFile) as err:
        raise GroundRecordFault(f"{path}: found {err}, expected a record. Make it anew: {MADE_BY} NAME") from err


def _station(name: str, told: Mapping[str, Any], turf: TurfProfile, arrays: Mapping[str, Any]) -> RecordedStation:
    asked = {(str(quantity), depth_m): place for place, (quantity, depth_m) in enumerate(told["asked"])}
    grains = [grain(quantity) for quantity, _ in asked]
    parts = []
    for number, part in enumerate(told["parts"]):
        values = np.array(list(map(_unpacked, arrays[f"{name}/{number}/values"], grains)))
        thatch_m = arrays[f"{name}/{number}/thatch_m"].astype(float)
        parts.append(RecordedHistory(part["start_ms"], part["step_s"], asked, values, thatch_m))
    return RecordedStation(tuple(parts), _ground(told, turf, {key: arrays[f"{name}/last/{key}"] for key in STATE}))


def _state_arrays(ground: GroundState) -> tuple[FloatArray, ...]:
    water = ground.water
    return (
        ground.column.length_m, ground.column.depth_m, water.head_m, water.water_m, water.repelling, water.held_theta,
        ground.temperature_degc, ground.density,
    )  # fmt: skip


def _ground(told: Mapping[str, Any], turf: TurfProfile, arrays: Mapping[str, FloatArray]) -> GroundState:
    """Return the ground that a turf makes, in the state that was recorded."""
    new = prepare(turf)
    for key, expected, found in zip(STATE, _state_arrays(new), arrays.values(), strict=True):
        if expected.shape != found.shape:
            raise ValueError(f"{key} of {found.size} numbers where the turf has {expected.size}")
    column = replace(new.column, length_m=arrays["length_m"], depth_m=arrays["depth_m"])
    water = ColumnState(arrays["head_m"], arrays["water_m"], arrays["repelling"], arrays["held_theta"], told["dt_s"])
    sward = Sward(**{**told["sward"], "wounds": tuple(Wound(**wound) for wound in told["sward"]["wounds"])})
    return GroundState(
        column, water, heat.grid(column), arrays["temperature_degc"], arrays["density"], sward, told["canopy_mm"],
        told["surface_degc"],
    )  # fmt: skip


@lru_cache(maxsize=4096)
def _key(quantity: str, depth_m: float | None) -> Asked:
    """Return the name of a series: depths to a hundredth of a millimetre, as sums of floats need not meet."""
    return quantity, None if depth_m is None else round(depth_m, 5)
