"""A green on which everything is as it should be, to be spoilt one thing at a time."""

from __future__ import annotations

import datetime
from dataclasses import replace
from statistics import NormalDist

import numpy as np

from pipeline.advice.conditions import (
    Courses,
    Hours,
    Plans,
    Verdict,
)
from pipeline.advice.locks import (
    SurfaceState,
)
from pipeline.advice.treatments import load_treatments
from pipeline.advice.windows import Outlook, outlook
from pipeline.diary.facts import (
    Intent,
    Sight,
)
from pipeline.forecast.climatology import Daily
from pipeline.units import DAY_MS, HOUR_MS

NOW_MS = int(datetime.datetime(2026, 5, 20, 6, tzinfo=datetime.UTC).timestamp() * 1000)  # a Wednesday
BACK_H, AHEAD_H = 240, 600
TABLE = load_treatments()
GREEN = TABLE.for_surface("green")
AT_MS = NOW_MS + np.arange(-BACK_H, AHEAD_H) * HOUR_MS
FIRST_DAY_MS = NOW_MS // DAY_MS * DAY_MS - 30 * DAY_MS
DEPTH_M = {"scarifying": 0.008, "heavy_dethatching": 0.03, "hollow_coring": 0.075, "solid_tining": 0.1, "slitting": 0.1}
SIGHTS = tuple(Sight(what, 0.0, NOW_MS) for what in ("firmness", "tug", "disease", "wilt"))
GROUND = SurfaceState("Green", "green", root_depth_m=0.12, newest_reading_ms=NOW_MS)
# Rolling is work of a square before its play alone: see test_rolling.
EVERY = [
    (kind, variant)
    for kind, facts in TABLE.facts.items()
    for variant in facts.variants
    if variant != "warm" and not facts.before_season_weeks
]


def days(value: float, count: int = 800) -> Daily:
    return Daily(FIRST_DAY_MS, np.full(count, value))


PLANS = Plans(potential=days(0.6), recovery=days(0.6), sights=SIGHTS)


def hour(n: int) -> int:
    """Index of the hour `n` hours from now."""
    return BACK_H + n


def series(value: float, **at: float) -> np.ndarray:
    """A flat series with some hours changed: `h5=1.0` is in five hours, `b5=1.0` five hours ago."""
    values = np.full(AT_MS.size, value)
    for key, changed in at.items():
        values[hour(int(key[1:]) * (1 if key[0] == "h" else -1))] = changed
    return values


EVEN = NormalDist()


def with_courses(
    hours: Hours, *, thatch: float = 0.0, root: float = 0.0, members: int = 2000, now_ms: int = NOW_MS
) -> Hours:
    """The same hours with courses about them, off by normal misses of these sizes."""
    even = np.array([EVEN.inv_cdf((i + 0.5) / members) for i in range(members)])
    ahead = slice(int((now_ms - hours.at_ms[0]) // HOUR_MS), None)
    blank = np.zeros((hours.at_ms[ahead].size, members))
    return replace(
        hours,
        courses=Courses(
            now_ms,
            hours.of("thatch_wetness")[ahead, np.newaxis] + thatch * even,
            hours.of("root_zone_wetness")[ahead, np.newaxis] + root * np.roll(even, members // 4),
            hours.of("rain_mm")[ahead, np.newaxis] + blank,
            blank, blank, blank, blank,
        ),
    )  # fmt: skip


def good_hours(kind: str = "scarifying", **changed: np.ndarray | None) -> Hours:
    """Hours in which a pass is open; a series set to None is not known."""
    # seed asks for a little rain within every 48 hours
    rain = np.where(np.arange(AT_MS.size) % 24 == 0, 2.0, 0.0) if kind == "overseeding" else series(0.0)
    given = {
        "thatch_wetness": series(0.6),
        "root_zone_wetness": series(0.8),
        "soil_temperature_degc": series(15.0),
        "surface_temperature_degc": series(12.0),
        "dew_point_degc": series(5.0),
        "rain_mm": rain,
        **changed,
    }
    return Hours(
        AT_MS,
        {name: values for name, values in given.items() if values is not None},
        int(AT_MS[-1]) + HOUR_MS,
        soil_temperature_by_day=days(15.0),
        frost_chance_by_day=days(0.0),
    )


def look(
    kind: str = "scarifying",
    variant: str = "",
    *,
    ground: SurfaceState = GROUND,
    hours: Hours | None = None,
    plans: Plans = PLANS,
    table=None,
    now_ms: int = NOW_MS,
    depth_m: float | None = None,
) -> Outlook:
    """The outlook on a pass of the good green, but for what is given."""
    name = variant or TABLE.facts[kind].variants[0]
    intent = Intent(kind, name, DEPTH_M.get(kind, 0.0) if depth_m is None else depth_m)
    rules = GREEN if table is None else table
    return outlook(intent, rules, ground, good_hours(kind) if hours is None else hours, plans, now_ms=now_ms)


def now_of(found: Outlook) -> Verdict:
    return found.windows[0].verdict


def ground(**changed: object) -> SurfaceState:
    return replace(GROUND, **changed)
