"""How large the battery and the panel of a node must be: from what it draws, the latitude and the days without sun.

Ampere-hours are counted, as IEEE Std 1013 and 1562 do (from memory): volts fall out as long as node, battery and panel
are all of the 12 V kind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.soil import radiation

HOURS_A_DAY = 24.0
PANEL_V = 18.0  # at the greatest power of a panel for 12 V; a plain regulator uses its current, not its volts
ARRAY_TO_LOAD = 1.3  # IEEE Std 1562 asks 1.3 to 1.4 where the load must not fail (from memory)
AGED = 0.8  # of its capacity: a battery is spent then (IEEE Std 1188, from memory)
ALBEDO = 0.2  # of the ground before the panel; Liu and Jordan 1963
TILT_OVER_LATITUDE_DEG = 15.0  # for winter; common practice
CLOUDY_WINTER = 0.35  # share of the sunlight above the air that reaches the ground; common practice, yours to replace
MID_MONTH_DAYS = (17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344)  # Klein 1977, Solar Energy 19, 325
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class Battery:
    """One kind: share of its capacity that may be used, of its charge that comes back, and its factor in the cold."""

    usable: float
    returned: float
    cold_degc: tuple[float, ...]
    larger: tuple[float, ...]
    caution: str


# The factors of lead in the cold are those of sizing worksheets after IEEE Std 485; the rest is common practice.
BATTERIES = {
    "lead": Battery(
        0.5, 0.85, (-6.7, -1.1, 4.4, 10.0, 15.6, 21.2, 26.7), (1.59, 1.40, 1.30, 1.19, 1.11, 1.04, 1.00),
        "keep it full: a flat one freezes",
    ),
    "lithium": Battery(
        0.8, 0.95, (-20.0, -10.0, 0.0, 25.0), (1.6, 1.25, 1.1, 1.0),
        "it must not be charged below 0 degC: look for a guard of its own, or keep it from frost",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class PowerPlan:
    """What a day takes [Ah], the battery [Ah], the darkest month and its full sun a day [h], the panel [W]."""

    daily_ah: float
    battery_ah: float
    month: str
    sun_hours: float
    panel_w: float


def mean_current_ma(awake_ma: float, *, asleep_ma: float = 0.0, awake_s: float = 1.0, every_s: float = 1.0) -> float:
    """Return the mean current of a node that is awake for `awake_s` out of each `every_s`. [mA]"""
    return asleep_ma + (awake_ma - asleep_ma) * min(1.0, awake_s / every_s)


def beam_ratio(latitude_deg: float, tilt_deg: float, day_of_year: int) -> float:
    """Return the direct sunlight of a day on a panel over that on the level.

    Parameters
    ----------
    latitude_deg, tilt_deg : float
        North positive; the tilt from the level, towards the equator. [deg]
    day_of_year : int

    Returns
    -------
    float
        Rb, from 0 up; 0 in the polar night. [1] Duffie and Beckman, eq. 2.19.3.
    """
    latitude = math.radians(abs(latitude_deg))
    declination = math.copysign(1.0, latitude_deg) * float(radiation.solar_declination_rad(day_of_year))
    leaned = latitude - math.radians(tilt_deg)
    sunset = float(radiation.sunset_hour_angle_rad(latitude, declination))
    leaves = min(sunset, float(radiation.sunset_hour_angle_rad(leaned, declination)))
    level = _above_the_air(latitude, declination, sunset)
    return _above_the_air(leaned, declination, leaves) / level if level > 1e-6 else 0.0


def _above_the_air(latitude: float, declination: float, sunset: float) -> float:
    """The bracket of FAO-56 eq. 21."""
    return math.cos(latitude) * math.cos(declination) * math.sin(sunset) + (
        sunset * math.sin(latitude) * math.sin(declination)
    )


def sun_hours(latitude_deg: float, day_of_year: int, *, clearness: float = CLOUDY_WINTER) -> float:
    """Return the hours of full sun (1 kW/m2) in a day on a panel tilted for winter.

    Parameters
    ----------
    latitude_deg : float
        North positive. [deg]
    day_of_year : int
    clearness : float
        Share of the sunlight above the air that reaches the ground. [1] 0.2 to 0.75.

    Returns
    -------
    float
        From 0 up. [h] Isotropic sky of Liu and Jordan 1963; diffuse share of a day by Erbs et al. 1982,
        Solar Energy 28, 293.
    """
    tilt = min(abs(latitude_deg) + TILT_OVER_LATITUDE_DEG, 90.0)
    level = clearness * float(radiation.extraterrestrial_radiation_daily(latitude_deg, day_of_year)) / 3.6
    k = clearness
    low = 1 - 0.2727 * k + 2.4495 * k**2 - 11.9514 * k**3 + 9.3879 * k**4
    diffuse = low if k < 0.715 else 0.143
    upright = math.cos(math.radians(tilt))
    beam = (1 - diffuse) * beam_ratio(latitude_deg, tilt, day_of_year)
    return level * (beam + diffuse * (1 + upright) / 2 + ALBEDO * (1 - upright) / 2)


def power_plan(
    current_ma: float,
    *,
    latitude_deg: float,
    days: float,
    battery: str,
    coldest_degc: float,
    clearness: float = CLOUDY_WINTER,
    known_sun_hours: float | None = None,
) -> PowerPlan:
    """Return the sizes of battery and panel.

    Parameters
    ----------
    current_ma : float
        Mean current at 12 V, probes and adapter with it. [mA]
    latitude_deg : float
        North positive. [deg]
    days : float
        How long it must last without any sun. [d]
    battery : str
        One of `BATTERIES`.
    coldest_degc : float
        Of the battery. [degC]
    clearness : float
        See `sun_hours`.
    known_sun_hours : float, optional
        Of the darkest month on the panel, where a published table gives it for the place. [h]
    """
    kind = BATTERIES[battery]
    by_month = [sun_hours(latitude_deg, day, clearness=clearness) for day in MID_MONTH_DAYS]
    darkest = int(np.argmin(by_month))
    hours = by_month[darkest] if known_sun_hours is None else known_sun_hours
    daily_ah = current_ma / 1000 * HOURS_A_DAY
    larger = float(np.interp(coldest_degc, kind.cold_degc, kind.larger))
    return PowerPlan(
        daily_ah=daily_ah,
        battery_ah=daily_ah * days * larger / (kind.usable * AGED),
        month=MONTHS[darkest],
        sun_hours=hours,
        panel_w=ARRAY_TO_LOAD * daily_ah / (hours * kind.returned) * PANEL_V if hours > 0 else float("inf"),
    )
