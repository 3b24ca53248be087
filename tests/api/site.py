"""A real pipeline on a temporary folder, with readings of three stations sent through it as an agent would send them.

The square has thatch that stays wet over drying roots and a second station that was never heard; the outfield has a
deep profile and a weather station. Every number is made by the formulas below, so a test can work out by hand what the
interface must say.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hardware.reading import Batch, Reading, Status
from pipeline.advice.report import SiteAdvice
from pipeline.advice.weeks_ahead import SurfaceWeeks
from pipeline.service import Pipeline
from pipeline.service import load_settings as load
from tests.pipeline.hand import HOUR_MS, OUTBOX, START_MS, HandClock

DAYS = 20
HOURS = DAYS * 24
NOW_MS = START_MS + HOURS * HOUR_MS  # the last reading is an hour old
RAIN_AT_HOUR = 100  # 6 mm fall in the three hours from here on
LAST_SPELL_HOUR = 340

SETTINGS = """
[site]
name = "meadow"
title = "Meadow Ground"
timezone = "Etc/GMT-2"
[data]
dir = "data"
[[surface]]
name = "square"
title = "Square"
kind = "square"
[[surface.station]]
name = "s1"
title = "north end"
soil = "clay_loam"
thatch_medium = "decayed_thatch"
thatch_dry = 0.10
thatch_drained = 0.45
soil_dry = 0.15
soil_drained = 0.35
[[surface.station.core]]
date = 2024-01-10
thatch_mm = 14
[[surface.station.probe]]
name = "t1"
model = "thatch"
[[surface.station.probe]]
name = "p1"
model = "root_zone_profile"
[[surface.station]]
name = "s2"
title = "south end"
soil = "clay_loam"
[[surface.station.probe]]
name = "p2"
model = "root_zone_profile"
[[surface]]
name = "outfield"
title = "Outfield"
kind = "outfield"
[[surface.station]]
name = "o1"
title = "Outfield, long side"
soil = "sandy_loam"
[[surface.station.probe]]
name = "d1"
model = "deep_soil_profile"
[[surface.station.probe]]
name = "w1"
model = "climate_station"
"""


def outfield_water(hour: int, depth_mm: int) -> float:
    """Water content of the outfield. [m3 m-3]"""
    return round(0.20 + depth_mm / 20000 + 0.02 * math.sin(hour / 12 + depth_mm / 100), 4)


def rain_total_mm(hour: int) -> float:
    """What the gauge has counted until then. [mm]"""
    fallen = [min(max(hour - begin + 1, 0), 3) * 2.0 for begin in (RAIN_AT_HOUR, LAST_SPELL_HOUR)]
    return sum(fallen)


def values(hour: int) -> dict[str, float]:
    """What every probe says at one hour, as it is heard on the line."""
    ripple = math.sin(hour / 5)
    heard = {f"o1/d1/moisture_{depth:04d}": outfield_water(hour, depth) for depth in (50, 100, 200, 500, 1000)}
    heard |= {f"o1/d1/temperature_{depth:04d}": round(9.0 + ripple, 2) for depth in (50, 100, 200, 500, 1000)}
    heard |= {
        "o1/w1/rain": rain_total_mm(hour),
        "o1/w1/air_temperature": round(8.0 + 4.0 * ripple, 2),
        "o1/w1/surface_temperature": round(9.0 + 6.0 * ripple, 2),
        "o1/w1/humidity": round(80.0 - 10.0 * ripple, 1),
        "o1/w1/sun": round(max(0.0, 400.0 * math.sin(hour / 3.8)), 1),
        "s1/t1/moisture": round(24.0 + 0.3 * ripple, 3),  # permittivity: wet all the time
        "s1/t1/temperature": round(9.0 + 2.0 * ripple, 2),
    }
    for i, depth in enumerate((35, 65, 110, 160, 220)):
        heard[f"s1/p1/moisture_{depth:03d}"] = round(16.0 - hour * 0.01 + i * 0.3 + 0.02 * ripple, 3)  # drying
        heard[f"s1/p1/temperature_{depth:03d}"] = round(8.0 + ripple, 2)
        heard[f"s1/p1/ec_{depth:03d}"] = round(0.4 + 0.02 * ripple, 3)
    return heard


def readings(hours: int = HOURS, *, first_hour: int = 0, first_seq: int = 1) -> list[Reading]:
    """The readings of some hours, in the order an agent takes them."""
    made: list[Reading] = []
    for hour in range(first_hour, first_hour + hours):
        at_ms = START_MS + hour * HOUR_MS
        for channel, raw in values(hour).items():
            seq, slot = first_seq + len(made), str(at_ms // 1000)
            made.append(Reading("meadow", "node-1", OUTBOX, seq, channel, slot, at_ms, raw, Status.OK, 1, True))
    return made


@dataclass
class Ground:
    """A pipeline with its clock in the hand; nothing of it runs by itself."""

    pipeline: Pipeline
    clock: HandClock

    def hear(self, heard: list[Reading]) -> None:
        """Keep readings as they come from the wire, run the stages over them, then the rules."""
        for first in range(0, len(heard), 500):
            batch = Batch("meadow", "node-1", OUTBOX, 1, tuple(heard[first : first + 500]))
            self.pipeline.journal.append(batch, self.clock.now_ms())
        for station in self.pipeline.config.stations():
            self.pipeline.recompute(station)
        self.judge()

    def advise(self, advice: SiteAdvice | None, *weeks: SurfaceWeeks) -> None:
        """Let the pipeline advise this, as if it had just worked it out."""
        self.pipeline._advisor.now = lambda: advice  # type: ignore[method-assign]
        self.pipeline._advisor.weeks = lambda: {one.surface: one for one in weeks}  # type: ignore[method-assign]

    def judge(self) -> None:
        """Let the rules walk on until now."""
        for station in self.pipeline.config.stations():
            while self.pipeline._alerts.evaluate(station, self.clock.now_ms())[1]:
                pass


def ground_at(folder: Path, settings: str = SETTINGS, now_ms: int = NOW_MS, *, bare: bool = False) -> Ground:
    """A pipeline on a folder, with its clock standing at a time; `bare` takes all surfaces away. Stop it when done."""
    path = folder / "underturf.toml"
    path.write_text(settings, encoding="utf-8")
    config, clock = load(path), HandClock(now_ms)
    config = config.model_copy(update={"surfaces": ()}) if bare else config
    return Ground(Pipeline(config, clock=clock, mosquitto=None), clock)


MakeGround = Callable[..., Ground]
