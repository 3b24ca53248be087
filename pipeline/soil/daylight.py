"""Sunrise and sunset by the almanac, as numbers the root sums can use.

The work is astral's. This module must not know a time zone: days are UTC dates of local noon, times are UTC.
"""

from datetime import UTC, date, timedelta

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
    observer = Observer(latitude_deg, longitude_deg)
    rise, fall = np.full(days, np.nan), np.full(days, np.nan)
    for i in range(days):
        day = first_day + timedelta(days=i)
        try:
            noon = astral.sun.noon(observer, day, tzinfo=UTC)
            up = astral.sun.sunrise(observer, day, tzinfo=UTC)
            down = astral.sun.sunset(observer, day, tzinfo=UTC)
        except ValueError:  # the sun does not cross the horizon that day
            continue
        # Far from Greenwich the almanac may return the event of the neighbouring day: bring both round to
        # noon.
        whole = timedelta(days=1)
        up += whole * round((noon - timedelta(hours=6) - up) / whole)
        down += whole * round((noon + timedelta(hours=6) - down) / whole)
        rise[i], fall[i] = up.timestamp() * 1000.0, down.timestamp() * 1000.0
    return rise, fall
