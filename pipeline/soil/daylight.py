"""Sunrise and sunset by the almanac, as numbers the root sums can use.

The work is astral's. This module must not know a time zone: days are UTC dates of local noon, times are UTC.
"""

from datetime import UTC, date, timedelta
from functools import lru_cache

import astral.sun
import numpy as np
import numpy.typing as npt
from astral import Observer


def sunrise_sunset_ms(
    latitude_deg: float, longitude_deg: float, first_day: date, days: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Sunrise and the sunset that follows it, for a run of days.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        North and east positive. [deg]
    first_day : date
        Day of the first solar noon, in local solar reckoning.
    days : int
        How many.

    Returns
    -------
    sunrise_ms, sunset_ms : ndarray, shape (day,)
        [ms since 1970-01-01 UTC] To the minute; NaN on days without one.
    """
    each = [_day(latitude_deg, longitude_deg, first_day + timedelta(days=i)) for i in range(days)]
    rise, fall = np.array(each, dtype=np.float64).reshape(days, 2).T
    return rise.copy(), fall.copy()


@lru_cache(maxsize=4096)  # eleven years of one place: days, fortnights and stations ask for the same ones
def _day(latitude_deg: float, longitude_deg: float, day: date) -> tuple[float, float]:
    observer, whole = Observer(latitude_deg, longitude_deg), timedelta(days=1)
    try:
        noon = astral.sun.noon(observer, day, tzinfo=UTC)
        up = astral.sun.sunrise(observer, day, tzinfo=UTC)
        down = astral.sun.sunset(observer, day, tzinfo=UTC)
    except ValueError:  # the sun does not cross the horizon that day
        return float("nan"), float("nan")
    # Far from Greenwich the almanac may return the event of the neighbouring day: bring both round to noon.
    up += whole * round((noon - timedelta(hours=6) - up) / whole)
    down += whole * round((noon + timedelta(hours=6) - down) / whole)
    return up.timestamp() * 1000.0, down.timestamp() * 1000.0
