"""Temperatures to come where no forecast says them: of the air, the leaf and the soil, and the chance of a frost.

Air goes from the last days' departure back to the usual of the season, with the daily course of the past week; soil
at 50 mm follows it slowly; frost is counted from the site's own past nights at the season, else worked out from the
usual lowest temperatures of the month. This module must not touch a value that was measured or forecast.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from pipeline.advice.daily import HOUR_MS, TimeArray
from pipeline.advice.healing import HISTORY_LEAST_DAYS, HISTORY_REACH_DAYS
from pipeline.advice.verdicts import FloatArray

DEPARTURE_FADES_H = 96.0  # in which today's departure from the season falls to a third: our own choice
SOIL_FOLLOWS_H = 48.0  # in which soil at 50 mm takes up two thirds of a change of the air's mean: our own choice
FROST_DEGC = 0.5  # on the leaf and below, as in the table of passes
NIGHT_LEAF_BELOW_AIR_K = 1.5  # mean of clear and cloudy nights: common practice, no source
NIGHT_TO_NIGHT_DEGC = 3.5  # spread of the nights' lowest about the month's mean: common practice, no source


def by_hour_of_day(values: FloatArray, first_ms: int) -> FloatArray:
    """Mean of each UTC hour of the day over hours from `first_ms` on; NaN where an hour was never known. Shape (24,)"""
    hour = ((first_ms // HOUR_MS) + np.arange(values.size)) % 24
    known = np.isfinite(values)
    count = np.bincount(hour[known], minlength=24)
    total = np.bincount(hour[known], weights=values[known], minlength=24)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan), dtype=np.float64)


def air_ahead(week_degc: FloatArray, week_first_ms: int, at_ms: TimeArray, usual_degc: FloatArray) -> FloatArray:
    """Air temperature of hours to come, as far as the last week and the season tell it.

    Parameters
    ----------
    week_degc : ndarray, shape (hour,)
        Of the hours up to now. [degC] NaN where not known.
    week_first_ms : int
        Begin of the first of them. [ms since 1970, UTC]
    at_ms : ndarray, shape (ahead,)
        [ms since 1970, UTC]
    usual_degc : ndarray, shape (ahead,)
        Daily mean usual at the season. [degC] NaN where not known: then the last three days go on.

    Returns
    -------
    ndarray, shape (ahead,)
        [degC] NaN where a time of day was never measured.
    """
    course = by_hour_of_day(week_degc, week_first_ms)
    shape = course - np.mean(course)
    lately = week_degc[-72:]
    if not np.isfinite(lately).any():
        return np.full(at_ms.shape, np.nan)
    level = float(np.nanmean(lately))
    lead_h = (at_ms - at_ms[0]) / HOUR_MS if at_ms.size else np.zeros(0)
    departure = np.where(np.isnan(usual_degc), 0.0, level - usual_degc[:1]) * np.exp(-lead_h / DEPARTURE_FADES_H)
    mean = np.where(np.isnan(usual_degc), level, usual_degc + departure)
    return np.asarray(mean + shape[(at_ms // HOUR_MS) % 24], dtype=np.float64)


def soil_ahead(soil_degc: FloatArray, air_degc: FloatArray, ahead: int) -> FloatArray:
    """Daily mean soil temperature at 50 mm through hours to come.

    Parameters
    ----------
    soil_degc : ndarray, shape (hour,)
        Measured up to now. [degC]
    air_degc : ndarray, shape (hour + ahead,)
        Over the same hours and those to come. [degC]
    ahead : int

    Returns
    -------
    ndarray, shape (ahead,)
        [degC] It follows the air's mean of the day, as far above or below it as in the past week.
    """
    past = soil_degc.size
    both = np.isfinite(soil_degc) & np.isfinite(air_degc[:past])
    lately = soil_degc[-24:]
    if not both.any() or not np.isfinite(lately).any():
        return np.full(ahead, np.nan)
    above = float((soil_degc[both] - air_degc[:past][both]).mean())
    soil = float(np.nanmean(lately))
    keep = float(np.exp(-1.0 / SOIL_FOLLOWS_H))
    found = np.full(ahead, np.nan)
    for hour in range(ahead):
        day = air_degc[past + hour - 23 : past + hour + 1]
        known = day[np.isfinite(day)]
        if known.size < 12:
            break
        soil = keep * soil + (1.0 - keep) * (float(known.mean()) + above)
        found[hour] = soil
    return found


def frost_chances(
    days: Sequence[datetime.date],
    past_days: Sequence[datetime.date],
    past_leaf_degc: npt.ArrayLike,
    lowest_air_degc: npt.ArrayLike,
) -> FloatArray:
    """Chance of a frost on the leaf in each of some days to come.

    Parameters
    ----------
    days : sequence of date
    past_days, past_leaf_degc : sequences, shape (n,)
        Coldest leaf of nights that have been. [degC]
    lowest_air_degc : array_like, shape (day,)
        Usual lowest air temperature of each of `days`, from the climate. [degC] NaN where there is none.

    Returns
    -------
    ndarray, shape (day,)
        [1] The share of nights within ten days of the date where two years or more of them are known, else from the
        climate, else NaN.
    """
    past = np.asarray(past_leaf_degc, dtype=np.float64)
    place = np.array([_day_of_year(d) for d in past_days], dtype=np.int64)
    usual = np.asarray(lowest_air_degc, dtype=np.float64)
    found = ndtr((FROST_DEGC - (usual - NIGHT_LEAF_BELOW_AIR_K)) / NIGHT_TO_NIGHT_DEGC)
    for i, day in enumerate(days):
        away = np.abs(place - _day_of_year(day))
        near = past[(np.minimum(away, 366 - away) <= HISTORY_REACH_DAYS) & np.isfinite(past)]
        if near.size >= HISTORY_LEAST_DAYS:
            found[i] = float((near <= FROST_DEGC).mean())
    return np.asarray(found, dtype=np.float64)


def first_frost(days: Sequence[datetime.date], chance: FloatArray) -> datetime.date | None:
    """The day by which a frost is as likely as not to have come, from the first of the days on; None without one."""
    none = np.cumprod(1.0 - chance)
    reached = np.flatnonzero(none <= 0.5)
    return days[int(reached[0])] if reached.size and np.isfinite(none[reached[0]]) else None


def _day_of_year(day: datetime.date) -> int:
    return datetime.date(2024, day.month, day.day).timetuple().tm_yday - 1
