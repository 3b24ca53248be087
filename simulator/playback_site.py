"""An invented ground whose probes say what a recorded series says: the site of `python -m simulator play`.

The ground, its surfaces and its stations are ours; the numbers, their depths and their dates are the record's. There is
no thatch in these records, so no thickness is given and the shallowest channel is the top layer. The penetrometer's
strokes are made up from the recorded water. This module must not smooth or fill the record.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from hardware.probe import load_probe
from simulator.faults import ProbeFault
from simulator.penetrometer import VirtualPenetrometer, strength_by_water
from simulator.playback import Playback, read_record
from simulator.probes import VirtualProbe
from simulator.records import record_text
from simulator.site import Installed, Station, Surface, VirtualLine, VirtualSite
from simulator.units import DAY_MS, HOUR_MS, HOUR_S

SOIL_LINE, PENETROMETER_LINE = "turf", "dock"
PROFILE_ADDRESS, CLIMATE_ADDRESS = "0", "1"
PROFILE, CLIMATE, PENETROMETER = "profile", "climate", "penetrometer"
WALK_AT_MS = 5 * 60_000 + 15 * HOUR_MS  # after midnight UTC: morning at both places, and back before the hour is full


@dataclass(frozen=True)
class _Ground:
    """What a record does not say of itself, and the span of it that is played when nobody asks for another."""

    origin: str
    timezone: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    surface: Surface
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
        surface=Surface(
            "outfield",
            "Outfield",
            "outfield",
            [Station("outfield-1", "Outfield, long side", {"soil": "sandy_loam", "root_zone_mm": 200})],
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
        surface=Surface(
            "lawn",
            "Lawn",
            "lawn",
            [Station("lawn-1", "Lawn, by the hedge", {"soil": "clay_loam", "root_zone_mm": 200})],
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
    faults: dict[str, list[ProbeFault]] | None = None,
    seed: int = 0,
) -> VirtualSite:
    """The site for one of the records.

    Parameters
    ----------
    record : str
        `dinosaur` or `ithaca`.
    history_days : float, optional
        Length of the history. [d] 0 or more; None takes the record's own default.
    history_end_ms : int, optional
        Where history ends and time begins to run, on the hour. [ms since 1970, UTC] None: the record's default.
    faults : dict of probe name to list of ProbeFault, optional
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
