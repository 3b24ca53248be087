"""A made-up site whose readings lie in a real store, with turf whose wetness is known by algebra.

Raw figures are percent of water, so limits of 20 and 50 % in the thatch and of 10 and 30 % in the soil make relative
wetness known: (theta - dry) / (drained - dry). Nothing of the pipeline's sums is used to make the readings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from hardware.reading import Reading, Status
from pipeline.advice.advisor import site_advice
from pipeline.advice.report import PassAdvice, SiteAdvice, SurfaceAdvice
from pipeline.advice.station_inputs import AdviceCache, View
from pipeline.diary.entry import DiaryEntry
from pipeline.service import load_settings as load
from pipeline.site.settings import SiteConfig
from pipeline.stages.recompute import recompute, station_context
from pipeline.store.opening import Stores, open_stores
from tests.pipeline.store.keeping import keep

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
NOW_MS = 1_715_594_400_000  # 2024-05-13 10:00 UTC, a Monday; the site's clock is UTC
OUTBOX = "00112233445566778899aabbccddeeff"
SOIL = ("moisture_035", "moisture_065", "moisture_110", "moisture_160", "moisture_220")

SITE = """
[site]
name = "meadow"
latitude_deg = 52.0
longitude_deg = 0.0
country = "England"
"""
CLIMATE = """
[climate]
rain_mm = [60, 45, 45, 45, 50, 50, 50, 60, 55, 70, 65, 65]
wet_days = [12, 10, 10, 10, 9, 9, 8, 9, 9, 11, 12, 12]
highest_degc = [8, 8, 11, 14, 18, 21, 23, 23, 20, 16, 11, 8]
lowest_degc = [2, 2, 4, 6, 9, 12, 14, 14, 11, 8, 5, 3]
"""
SURFACE = """
[[surface]]
name = "green"
title = "Green"
kind = "green"
area_m2 = 1000.0
"""
STATION = """
[[surface.station]]
name = "{name}"
title = "{title}"
soil = "loam"
root_zone_mm = 150.0
thatch_dry = 0.20
thatch_drained = 0.50
soil_dry = 0.10
soil_drained = 0.30
[[surface.station.core]]
date = 2024-01-10
thatch_mm = 20.0
[[surface.station.probe]]
name = "{probe}"
model = "root_zone_profile"
"""
_LINE = (
    '[surface.station.probe.calibration.{channel}]\ncurve = "linear"\nslope = 0.01\noffset = 0.0\nsource = "percent"\n'
)
WEATHER = '[[surface.station.probe]]\nname = "w1"\nmodel = "climate_station"\n'


def station(name: str = "s1", title: str = "north end", *, weather: bool = True, probe: str = "p1") -> str:
    """Settings of a station with a profile, a thatch probe and, if wanted, the weather."""
    soil = "".join(_LINE.format(channel=c) for c in SOIL)
    thatch = f'[[surface.station.probe]]\nname = "t{probe[1:]}"\nmodel = "thatch"\n' + _LINE.format(channel="moisture")
    return STATION.format(name=name, title=title, probe=probe) + soil + thatch + (WEATHER if weather else "")


def wet(thatch: float, roots: float) -> dict[str, float]:
    """Raw figures of every moisture channel at a relative wetness of thatch and of root zone."""
    soil = 100.0 * (0.10 + 0.20 * roots)
    return {"t1/moisture": 100.0 * (0.20 + 0.30 * thatch), **{f"p1/{c}": soil for c in SOIL}}


FAIR = {"w1/air_temperature": 15.0, "w1/humidity": 55.0, "w1/sun": 200.0, "w1/surface_temperature": 13.0,
        "w1/rain": 0.0, "p1/temperature_035": 14.0, "p1/temperature_065": 14.0,
        "t1/temperature": 14.0}  # fmt: skip
Course = Callable[[int], Mapping[str, float | None]]


def steady(thatch: float = 0.5, roots: float = 0.8, **other: float | None) -> Course:
    """The same fair day for ever; other channels by their name with `__` for `/`."""
    values = {**FAIR, **wet(thatch, roots), **{k.replace("__", "/"): v for k, v in other.items()}}
    return lambda hour: values


def drying(hour: int) -> Mapping[str, float]:
    """Rain of 8 mm every sixth day; thatch falls from 1.2 to a quarter in a day, roots 0.06 a day from 1."""
    since = hour % 144
    thatch = 0.25 + 0.95 * float(np.exp(-since / 30.0))
    roots = 1.0 - 0.06 * since / 24.0
    sun = max(600.0 * float(np.sin((hour % 24 - 6) / 12 * np.pi)), 0.0)
    air = 14.0 + 5.0 * float(np.sin((hour % 24 - 9) / 12 * np.pi))
    rain = 8.0 * (hour // 144) + min(since, 4) * 2.0
    return {**FAIR, **wet(thatch, roots), "w1/sun": sun, "w1/air_temperature": air, "w1/surface_temperature": air - 1.0,
            "w1/rain": rain}  # fmt: skip


def readings(
    course: Course, hours: int, *, until_ms: int = NOW_MS, station: str = "s1", first_seq: int = 1
) -> list[Reading]:
    """Hourly readings up to and with a moment, each with a small flicker so that no channel stands still."""
    found: list[Reading] = []
    first_ms = until_ms - (hours - 1) * HOUR_MS
    for hour in range(hours):
        at_ms = first_ms + hour * HOUR_MS
        for channel, value in course(hour).items():
            if value is None:
                continue
            flicker = 0.0 if channel.endswith("rain") else 0.02 * (-1.0) ** hour
            found.append(
                Reading("meadow", "node-1", OUTBOX, first_seq + len(found), f"{station}/{channel}", str(at_ms // 1000),
                        at_ms, round(value + flicker, 4), Status.OK, 1, True)
            )  # fmt: skip
    return found


@dataclass
class Site:
    """Settings and stores, and what is advised of them. Fits stand until more readings are kept, for they cost most."""

    config: SiteConfig
    stores: Stores
    fits: dict[str, Any] = field(default_factory=dict)
    kept: int = 0

    def keep(self, course: Course, hours: int, *, station: str = "s1", until_ms: int = NOW_MS) -> None:
        """Send readings of a course to the store and have the stages work them out."""
        sent = readings(course, hours, station=station, until_ms=until_ms, first_seq=self.kept + 1)
        self.kept += len(sent)
        self.fits.clear()
        keep(self.stores.store, sent, until_ms)
        start_ms = None if self.kept == len(sent) else sent[0].measured_at_ms
        for name in self.config.stations():
            context = station_context(self.config, name, self.stores.diary, self.stores.store)
            recompute(self.stores.store, context, start_ms=start_ms)

    def told(self, *parts: str) -> Site:
        """The same ground and readings under other settings; its data folder is this one's."""
        path = self.config.data.dir.parent / "told.toml"
        path.write_text("".join(parts) + f'\n[data]\ndir = "{self.config.data.dir.name}"\n')
        return Site(load(path), self.stores, self.fits)

    def write(
        self, kind: str, at_ms: int = NOW_MS - HOUR_MS, body: Mapping[str, object] | None = None, **more: Any
    ) -> int:
        """Write into the diary; the number of the entry."""
        more = {"surface": "green", "author": "R. Fenn", "written_at_ms": at_ms, **more}
        return self.stores.diary.add(DiaryEntry(kind=kind, at_ms=at_ms, body=body or {}, **more)).id

    def advice(self, now_ms: int = NOW_MS, **sources: Any) -> SiteAdvice:
        """What is advised at a moment, by a fresh look at everything but the fits."""
        cache = AdviceCache(fits=self.fits)
        return site_advice(self.config, self.stores.store, self.stores.diary, now_ms, cache=cache, **sources)


def surface_of(advice: SiteAdvice, name: str = "green") -> SurfaceAdvice:
    """One surface of what is advised."""
    return next(s for s in advice.surfaces if s.surface == name)


def pass_of(advice: SiteAdvice, kind: str, surface: str = "green", variant: str = "") -> PassAdvice:
    """One kind of pass of what is advised."""
    return next(
        p
        for p in surface_of(advice, surface).passes
        if p.outlook.intent.kind == kind and variant in ("", p.outlook.intent.variant)
    )


def view_of(site: Site, now_ms: int = NOW_MS, **more: Any) -> View:
    """What a working-out at a moment rests on."""
    entries = tuple(site.stores.diary.entries(None, 0, 2**62))
    cache, zone = AdviceCache(fits=site.fits), ZoneInfo(site.config.site.timezone)
    return View(site.config, site.stores.store, site.stores.diary, cache, now_ms, zone, entries, **more)


@contextmanager
def sites(folder: Path) -> Iterator[Callable[..., Site]]:
    """Makes sites under a folder, each from its settings in parts."""
    opened: list[Stores] = []

    def build(*parts: str, name: str = "a") -> Site:
        path = folder / f"{name}.toml"
        path.write_text("".join(parts or (SITE, CLIMATE, SURFACE, station())) + f'\n[data]\ndir = "{name}"\n')
        config = load(path)
        stores = open_stores(config)
        opened.append(stores)
        return Site(config, stores)

    yield build
    for stores in opened:
        stores.close()


def forecast_csv(issued_ms: int, columns: Mapping[str, Iterable[float]], *, first_ms: int | None = None) -> bytes:
    """A forecast by the hour as a server would give it."""

    def stamp(at_ms: int) -> str:
        return np.datetime64(at_ms, "ms").astype("datetime64[m]").item().isoformat() + "Z"

    begin = issued_ms if first_ms is None else first_ms
    names = list(columns)
    rows = zip(*(list(columns[n]) for n in names), strict=True)
    lines = [f"# issued = {stamp(issued_ms)}", ",".join(["time", *names])]
    lines += [",".join([stamp(begin + i * HOUR_MS), *(f"{v:g}" for v in row)]) for i, row in enumerate(rows)]
    return "\n".join(lines).encode()
