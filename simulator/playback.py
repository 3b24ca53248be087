"""A recorded field series as physical truth: what the ground and the air were at a moment, by the record.

Between the ends of two hours the last finished hour holds; a moment no hour of the record covers has no value. Nothing
is smoothed, filled or invented. This module reads no file and no clock, and knows no probe.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import accumulate, pairwise

from simulator.units import HOUR_MS

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
        """What was, at a moment.

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
    """A record from its CSV text.

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
