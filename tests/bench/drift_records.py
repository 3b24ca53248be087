"""Records of thirty months from three stations of one simulated site, with a slow drift in one channel of each.

Ground and probes are those of `twin_seasons`; the stations of a site stand on the ground of one climate, under one
weather, and differ in soil, thatch, roots and probes. What is kept is what drift is judged by: daily means.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property

import numpy as np

from pipeline.soil import drift
from pipeline.soil.estimate import Estimate
from pipeline.soil.layers import Medium, medium
from pipeline.soil.limits import FEWEST_READINGS, plateaus
from pipeline.soil.wetting import Spell, events
from pipeline.stages.stage import Record
from pipeline.units import DAY_MS
from simulator.climates import CLIMATES
from simulator.history import run
from simulator.weather import generate
from tests.bench.twin_seasons import CALLED, STEP_S, heard, moisture_names, place_of, sprinkled

DAYS = 913
STATIONS = 3
BEGIN = datetime(2023, 4, 3, tzinfo=UTC)
FOLLOWED = "p1/moisture_065"  # the channel that drifts, and whose false alarms are counted
ONSET_DAYS = 183  # half a year of history before a drift begins
LOOKED_AT = range(196, DAYS, 28)  # days on which drift is looked for
DRIFTS_A_YEAR = (0.05, 0.10, 0.20)  # [m3 m-3 yr-1]
WAYS = ("by depths and stations", "by its own depths alone", "by its own plateaus")


@dataclass(frozen=True)
class SiteRecord:
    """Daily means of the moisture of each station, by channel. [m3 m-3], shape (day,)"""

    seed: int
    stations: tuple[dict[str, np.ndarray], ...]
    rain_mm: np.ndarray
    media: tuple[Medium, ...] = ()

    @cached_property
    def spells(self) -> dict[int, list[Spell]]:
        """Wettings as known on each day that is looked at, of whatever station and drift."""
        ends_ms = np.arange(DAYS, dtype=np.int64) * DAY_MS + DAY_MS - 1
        return {day: events(ends_ms[:day], self.rain_mm[:day]) for day in LOOKED_AT}

    def drifting(self, station: int, per_year: float) -> SiteRecord:
        """The same with a drift in the followed channel of one station, from half a year on. [m3 m-3 yr-1]"""
        days = np.clip(np.arange(DAYS) - ONSET_DAYS, 0, None)
        own = dict(self.stations[station])
        own[FOLLOWED] = own[FOLLOWED] + per_year * days / 365.25
        stations = (*self.stations[:station], own, *self.stations[station + 1 :])
        return replace(self, stations=stations)


def site_record(seed: int) -> SiteRecord:
    """The record of a site drawn by a seed."""
    first = place_of(100 * seed)
    weather = generate(CLIMATES[first.climate], BEGIN, DAYS + 1, seed=seed, step_s=STEP_S)
    stations, media = [], []
    for number in range(STATIONS):
        place = place_of(100 * seed + number)
        record = heard(run(place.turf, sprinkled(weather, place.condition, seed), first=place.ground), place.rng)
        media.append(medium(CALLED[place.soil]))
        stations.append({name: _daily(record, f"s1/{name}") for name in moisture_names()})
    rain_mm = weather.rain_mm.reshape(-1, 24).sum(axis=1)[:DAYS]
    return SiteRecord(seed, tuple(stations), rain_mm, tuple(media))


def _daily(record: Record, name: str) -> np.ndarray:
    times, value = record.channels[name]
    day = (times - times[0]) // DAY_MS
    return (np.bincount(day, value) / np.bincount(day))[:DAYS]


@dataclass(frozen=True)
class DriftCourse:
    """One channel looked at each fourth week: whether drift was told within a year of its beginning, and at all."""

    way: str
    per_year: float
    within_a_year: bool
    told: bool
    years: float


def courses_of(seed: int) -> list[DriftCourse]:
    """Each station of a site, sound and with each drift, judged in each way."""
    site, found = site_record(seed), []
    for station in range(STATIONS):
        for per_year in (0.0, *DRIFTS_A_YEAR):
            drifting = site.drifting(station, per_year)
            for way in WAYS:
                told = [day for day in LOOKED_AT if _told(drifting, station, way, day)]
                soon = any(ONSET_DAYS < day <= ONSET_DAYS + 365 for day in told)
                found.append(DriftCourse(way, per_year, soon, bool(told), DAYS / 365.25))
    return found


def _told(site: SiteRecord, station: int, way: str, day: int) -> bool:
    """Whether a channel is said to drift on a day, from what was known before it."""
    own = site.stations[station]
    if way == "by its own plateaus":
        return _drifts(_by_plateaus(site, station, day))
    others = [series for name, series in own.items() if name != FOLLOWED]
    if way == "by depths and stations":
        others += [series for n, one in enumerate(site.stations) if n != station for series in one.values()]
    window = slice(max(day - drift.WINDOW_DAYS, 0), day)
    return _drifts(drift.drift_by_neighbours(own[FOLLOWED][window], [series[window] for series in others]))


def _by_plateaus(site: SiteRecord, station: int, day: int) -> Estimate:
    times = np.arange(day, dtype=np.int64) * DAY_MS
    # of days: the plateau of a day is its mean, as many readings as a plateau needs
    spread = np.repeat(times, FEWEST_READINGS) + np.tile(np.arange(FEWEST_READINGS) * (DAY_MS // 8), day)
    values = np.repeat(site.stations[station][FOLLOWED][:day], FEWEST_READINGS)
    at_ms, level = plateaus(spread, values, site.media[station], site.spells[day])
    recent = at_ms >= (day - drift.WINDOW_DAYS) * DAY_MS
    return drift.drift_by_plateaus(at_ms[recent], level[recent])


def _drifts(found: Estimate) -> bool:
    return drift.drifts(found.value, found.low, found.high)
