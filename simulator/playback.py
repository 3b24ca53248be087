"""A recorded field series played back: the record as physical truth, and the invented ground whose probes report it.

Between the ends of two hours the last finished hour holds; a moment that no hour of the record covers has no value.
Nothing is smoothed or filled. The numbers, their depths and their dates are the record's (`records/SOURCE.txt`); the
ground, its surfaces and its stations are ours. There is no thatch in these records, so no thickness is given and the
shallowest channel is the top layer. The penetrometer's strokes are made up from the recorded water.
"""

from __future__ import annotations

import csv
import gzip
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib import resources
from itertools import accumulate, pairwise

from hardware.probe import load_probe
from simulator.faults import PlantedFault
from simulator.penetrometer import VirtualPenetrometer, strength_by_water
from simulator.probes import VirtualProbe
from simulator.site import Installed, VirtualLine, VirtualSite, VirtualStation, VirtualSurface
from simulator.units import DAY_MS, HOUR_MS, HOUR_S

RECORD_FILES = {"dinosaur": "dinosaur_2018.csv.gz", "ithaca": "ithaca_2024.csv.gz"}
SOIL_LINE, PENETROMETER_LINE = "turf", "dock"
PROFILE_ADDRESS, CLIMATE_ADDRESS = "0", "1"
PROFILE, CLIMATE, PENETROMETER = "profile", "climate", "penetrometer"
WALK_AT_MS = 5 * 60_000 + 15 * HOUR_MS  # after midnight UTC: morning at both places, and back before the hour is full
_DEPTH_COLUMN = re.compile(r"(moisture|temperature)_(\d{4})(?:_degc)?")
_AIR_COLUMNS = {
    "air_temperature": "air_temperature_degc",
    "solar_radiation": "solar_radiation_w_m2",
    "surface_temperature": "surface_temperature_degc",
    "relative_humidity": "relative_humidity_percent",
}
_GROUND_COLUMNS = {"moisture": "water_content", "temperature": "soil_temperature"}

Series = tuple[float | None, ...]


class RecordFault(ValueError):
    """A record that is not in the form described in `records/SOURCE.txt`."""


@dataclass(frozen=True)
class Playback:
    """One record, hour by hour.

    Attributes
    ----------
    first_hour_end_ms : int
        End of the first hour. [ms since 1970, UTC] The hours follow without a gap.
    hours : int
        How many.
    air : mapping of quantity to series
        Mean of each hour, by name in `hardware.quantities`; None where the record has nothing.
    ground : mapping of quantity to mapping of depth to series
        The same below ground, by depth in whole millimetres.
    rain_total : series
        Running total from the start of the record. [mm] An hour without a value adds nothing.
    """

    first_hour_end_ms: int
    hours: int
    air: Mapping[str, Series]
    ground: Mapping[str, Mapping[int, Series]]
    rain_total: tuple[float, ...]

    @property
    def start_ms(self) -> int:
        """End of the first hour: the first moment that has values. [ms since 1970, UTC]"""
        return self.first_hour_end_ms

    @property
    def end_ms(self) -> int:
        """First moment after the last that has values. [ms since 1970, UTC]"""
        return self.first_hour_end_ms + self.hours * HOUR_MS

    def value(self, quantity: str, depth_m: float | None, at_ms: int) -> float | None:
        """Return the value of a quantity at a moment.

        Parameters
        ----------
        quantity : str
            Name in `hardware.quantities`.
        depth_m : float or None
            Depth below the leaf base, positive down. [m] None above ground. Between two recorded depths the value
            lies on the straight line; above the first and below the last it is that of the nearest.
        at_ms : int
            [ms since 1970, UTC]

        Returns
        -------
        float or None
            In the quantity's own unit. None where the record has no such quantity or no value in that hour.
        """
        hour = (at_ms - self.first_hour_end_ms) // HOUR_MS
        if not 0 <= hour < self.hours:
            return None
        if quantity == "rain_total":
            return self.rain_total[hour]
        if quantity in self.air:
            return self.air[quantity][hour]
        if depth_m is None or quantity not in self.ground:
            return None
        return _at_depth(self.ground[quantity], depth_m * 1000.0, hour)


def _at_depth(levels: Mapping[int, Series], depth_mm: float, hour: int) -> float | None:
    depths = sorted(levels)
    if round(depth_mm) in levels and abs(round(depth_mm) - depth_mm) < 1e-6:
        return levels[round(depth_mm)][hour]
    if not depths[0] < depth_mm < depths[-1]:
        return levels[depths[0] if depth_mm <= depths[0] else depths[-1]][hour]
    above, below = next(pair for pair in pairwise(depths) if pair[0] < depth_mm < pair[1])
    upper, lower = levels[above][hour], levels[below][hour]
    if upper is None or lower is None:
        return None
    return upper + (lower - upper) * (depth_mm - above) / (below - above)


def read_record(text: str) -> Playback:
    """Read a record from its CSV text.

    Raises
    ------
    RecordFault
        Naming the line and what was found there: a column missing, a field that is no number, hours not in order.
    """
    rows = list(csv.reader(text.splitlines()))
    if len(rows) < 2 or not rows[0] or rows[0][0] != "hour_end_utc":
        raise RecordFault(f"record: found {rows[:1]}, expected a heading with hour_end_utc first and at least one hour")
    heading = rows[0][1:]
    lost = {"rain_mm", *_AIR_COLUMNS.values()} - set(heading)
    if lost:
        raise RecordFault(f"record: found no column {', '.join(sorted(lost))} in the heading")
    ends = [_hour_end_ms(row, line) for line, row in enumerate(rows[1:], start=2)]
    for line, (before, after) in enumerate(pairwise(ends), start=3):
        if after - before != HOUR_MS:
            raise RecordFault(f"record line {line}: found {(after - before) / HOUR_MS:g} h after the last, expected 1")
    columns: dict[str, Series] = {
        name: tuple(_number(row, place, name, line) for line, row in enumerate(rows[1:], start=2))
        for place, name in enumerate(heading, start=1)
    }
    ground: dict[str, dict[int, Series]] = {}
    for name, series in columns.items():
        match = _DEPTH_COLUMN.fullmatch(name)
        if match:
            ground.setdefault(_GROUND_COLUMNS[match[1]], {})[int(match[2])] = series
    fallen = accumulate(0.0 if rain is None else rain for rain in columns["rain_mm"])
    return Playback(
        first_hour_end_ms=ends[0],
        hours=len(ends),
        air={quantity: columns[name] for quantity, name in _AIR_COLUMNS.items()},
        ground=ground,
        rain_total=tuple(round(total, 3) for total in fallen),
    )


def _hour_end_ms(row: list[str], line: int) -> int:
    try:
        moment = datetime.fromisoformat(row[0].replace("Z", "+00:00"))
    except (IndexError, ValueError) as err:
        raise RecordFault(f"record line {line}: found {row[:1]}, expected a time like 2024-01-09T17:00Z first") from err
    if moment.utcoffset() is None:
        raise RecordFault(f"record line {line}: found {row[0]!r}, expected a UTC time that ends in Z")
    return round(moment.timestamp()) * 1000


def _number(row: list[str], place: int, name: str, line: int) -> float | None:
    if place >= len(row):
        raise RecordFault(f"record line {line}: found {len(row)} fields, expected {name} in field {place + 1}")
    try:
        return float(row[place]) if row[place] else None
    except ValueError as err:
        raise RecordFault(f"record line {line}: {name}: found {row[place]!r}, expected a number or nothing") from err


# --- the ground the record is played on ------------------------------------------------------------------------


@dataclass(frozen=True)
class _Ground:
    """What a record does not say of itself, and the span of it that is played when nobody asks for another."""

    origin: str
    timezone: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    surface: VirtualSurface
    history_end_ms: int
    history_days: int


# Latitude, longitude: as published with the record. Elevation: from memory, good to some ten metres. Time zones are the
# records' local standard time. Soils are our choice among the media known to the project; nobody sampled them.
GROUNDS = {
    "dinosaur": _Ground(
        origin="Field record of the U.S. Climate Reference Network, Colorado 2018 (NOAA, public domain), played back "
        "on an invented ground.",
        timezone="Etc/GMT+7",
        latitude_deg=40.24,
        longitude_deg=-108.97,
        elevation_m=1850.0,
        surface=VirtualSurface(
            "outfield",
            "Outfield",
            "outfield",
            [VirtualStation("outfield-1", "Outfield, long side", {"soil": "sandy_loam", "root_zone_mm": 200})],
        ),
        history_end_ms=1_534_550_400_000,  # 2018-08-18: the roots have been dry since early summer, rain comes soon
        history_days=120,
    ),
    "ithaca": _Ground(
        origin="Field record of the U.S. Climate Reference Network, New York, winter 2024 (NOAA, public domain), "
        "played back on an invented ground.",
        timezone="Etc/GMT+5",
        latitude_deg=42.44,
        longitude_deg=-76.25,
        elevation_m=370.0,
        surface=VirtualSurface(
            "lawn",
            "Lawn",
            "lawn",
            [VirtualStation("lawn-1", "Lawn, by the hedge", {"soil": "clay_loam", "root_zone_mm": 200})],
        ),
        history_end_ms=1_708_819_200_000,  # 2024-02-25
        history_days=50,
    ),
}


class PlaybackFault(ValueError):
    """A span that the record does not cover."""


def playback_site(
    record: str,
    *,
    history_days: float | None = None,
    history_end_ms: int | None = None,
    faults: dict[str, list[PlantedFault]] | None = None,
    seed: int = 0,
) -> VirtualSite:
    """Return the site for one of the records.

    Parameters
    ----------
    record : str
        `dinosaur` or `ithaca`.
    history_days : float, optional
        Length of the history. [d] 0 or more; None takes the record's own default.
    history_end_ms : int, optional
        Where history ends and time begins to run, on the hour. [ms since 1970, UTC] None: the record's default.
    faults : dict of probe name to list of PlantedFault, optional
        To plant in `profile` or `climate`.
    seed : int

    Raises
    ------
    PlaybackFault
        When the record does not cover the history.
    ValueError
        When there is no such record.
    """
    truth = _truth(record)
    ground = GROUNDS[record]
    start_ms, end_ms = _span(truth, ground, record, history_days, history_end_ms)
    planted = faults or {}
    unknown = set(planted) - {PROFILE, CLIMATE}
    if unknown:
        raise ValueError(f"probe fault: found probe {', '.join(sorted(unknown))}, expected {PROFILE} or {CLIMATE}")
    station = ground.surface.stations[0].name
    profile = VirtualProbe(
        PROFILE, station, load_probe("deep_soil_profile"), truth, faults=planted.get(PROFILE, ()), seed=seed
    )
    climate = VirtualProbe(
        CLIMATE, station, load_probe("climate_station"), truth, faults=planted.get(CLIMATE, ()), seed=seed
    )
    penetrometer = VirtualPenetrometer(
        PENETROMETER,
        station,
        load_probe("cone_hard"),
        strength_by_water(truth),
        first_walk_ms=start_ms // DAY_MS * DAY_MS + WALK_AT_MS,
        seed=seed,
    )
    return VirtualSite(
        name="fernhollow",
        title="Fern Hollow",
        timezone=ground.timezone,
        latitude_deg=ground.latitude_deg,
        longitude_deg=ground.longitude_deg,
        elevation_m=ground.elevation_m,
        surfaces=[ground.surface],
        lines=[VirtualLine(SOIL_LINE), VirtualLine(PENETROMETER_LINE, "cone", penetrometer.description.baud)],
        installed=[
            Installed(profile, SOIL_LINE, PROFILE_ADDRESS),
            Installed(climate, SOIL_LINE, CLIMATE_ADDRESS),
            Installed(penetrometer, PENETROMETER_LINE),
        ],
        start_ms=start_ms,
        history_end_ms=end_ms,
        end_ms=truth.end_ms,
        interval_s=HOUR_S,
        rain_interval_s=HOUR_S,
        origin=ground.origin,
    )


@cache
def _truth(record: str) -> Playback:
    return read_record(record_text(record))


def _span(
    truth: Playback, ground: _Ground, record: str, history_days: float | None, history_end_ms: int | None
) -> tuple[int, int]:
    """Start and end of the history, checked against the record. [ms since 1970, UTC]"""
    end_ms = ground.history_end_ms if history_end_ms is None else history_end_ms
    if end_ms % HOUR_MS != 0 or not truth.start_ms <= end_ms <= truth.end_ms:
        raise PlaybackFault(
            f"history end: found {end_ms} ms, expected a full hour from {truth.start_ms} to {truth.end_ms}, "
            f"the span of {record}"
        )
    most_days = (end_ms - truth.start_ms) / DAY_MS
    if history_days is None:
        history_days = min(ground.history_days, most_days)
    if not 0.0 <= history_days <= most_days:
        raise PlaybackFault(
            f"history days: found {history_days:g}, expected 0 to {most_days:.2f}: that far back goes {record}"
        )
    start_ms = end_ms - round(history_days * DAY_MS) // HOUR_MS * HOUR_MS
    return start_ms, end_ms


def record_text(name: str) -> str:
    """Return the record of that name as CSV text. Raises ValueError when there is none of that name."""
    if name not in RECORD_FILES:
        raise ValueError(f"record: found {name!r}, expected one of {', '.join(RECORD_FILES)}")
    packed = (resources.files("simulator") / "records" / RECORD_FILES[name]).read_bytes()
    return gzip.decompress(packed).decode("ascii")
