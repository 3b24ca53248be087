"""What is usual at a site through the year: daily temperatures, their spread, frost; from its own past and its climate.

Read once a day from the daily roll-ups of the store. Where neither the past nor the settings know, it is NaN, and what
rests on it is withheld.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from pipeline.advice.daily import DAY_MS, Daily
from pipeline.advice.expected import first_frost, frost_chances
from pipeline.advice.healing import Climate, history_climate, monthly_climate
from pipeline.advice.verdicts import FloatArray
from pipeline.advice.weather_ahead import MonthlyClimate
from pipeline.store import Store

HISTORY_DAYS = 5 * 366
FROST_DAYS = 92
WHOLE_DAY = 0.75  # of the usual number of values, for a day to count: our own choice
SCREEN_OVER_LEAF_K = 3.0  # where no leaf is measured, as in the hours of advice: common practice, no source
NOT_KNOWN = Climate(np.full(366, np.nan), np.full(366, np.nan))


@dataclass(frozen=True)
class Season:
    """What is usual, and what was.

    Attributes
    ----------
    climate : Climate
        NaN where not known.
    first_day : date
        Of `daily_degc`.
    daily_degc : ndarray, shape (day,)
        Daily mean air temperatures that have been, up to yesterday. [degC]
    frost_chance : Daily
        Of days from today on. [1]
    first_frost_ms : int or None
        Of the coming autumn, or of the one that is on. [ms since 1970, UTC]
    """

    climate: Climate
    first_day: datetime.date
    daily_degc: FloatArray
    frost_chance: Daily
    first_frost_ms: int | None

    def usual_degc(self, day: datetime.date) -> float:
        """Daily mean usual on a date. [degC]"""
        return float(self.climate.mean_degc[_place(day)])


def season(store: Store, now_ms: int, *, air: str | None, leaf: str | None, climate: MonthlyClimate | None) -> Season:
    """What is usual at a site.

    Parameters
    ----------
    store : Store
    now_ms : int
        [ms since 1970, UTC]
    air, leaf : str or None
        Ids of the channels of air and surface temperature.
    climate : MonthlyClimate or None
        Of the settings.

    Raises
    ------
    StoreAway
    """
    today_ms = now_ms // DAY_MS * DAY_MS
    start_ms = today_ms - HISTORY_DAYS * DAY_MS
    days, mean, low = _rolled_up(store, air, start_ms, today_ms)
    leaf_days, _, leaf_low = _rolled_up(store, leaf, start_ms, today_ms)
    if not leaf_days:
        leaf_days, leaf_low = days, low - SCREEN_OVER_LEAF_K
    usual, usual_low = NOT_KNOWN, np.full(366, np.nan)
    if climate is not None:
        highest, lowest = np.asarray(climate.highest_degc), np.asarray(climate.lowest_degc)
        usual, usual_low = monthly_climate((highest + lowest) / 2.0), monthly_climate(lowest).mean_degc
    if days:
        usual = history_climate(days, mean, usual)
    today = _date(today_ms)
    known = np.full(HISTORY_DAYS, np.nan)
    for day, value in zip(days, mean.tolist(), strict=True):
        known[HISTORY_DAYS - (today - day).days] = value
    ahead = [today + datetime.timedelta(days=n) for n in range(FROST_DAYS)]
    chance = frost_chances(ahead, leaf_days, leaf_low, usual_low[[_place(d) for d in ahead]])
    frost = _first_frost(today, usual, leaf_days, leaf_low, usual_low)
    first = today - datetime.timedelta(days=HISTORY_DAYS)
    return Season(usual, first, known, Daily(today_ms, chance), frost)


def _rolled_up(
    store: Store, channel: str | None, start_ms: int, end_ms: int
) -> tuple[list[datetime.date], FloatArray, FloatArray]:
    """Days on which a channel was heard well, with their mean and lowest."""
    if channel is None:
        return [], np.zeros(0), np.zeros(0)
    table = store.daily([channel], start_ms, end_ms)
    count = table["n"].to_numpy(dtype=np.int64)
    whole = count >= WHOLE_DAY * np.median(count) if count.size else np.zeros(0, dtype=np.bool_)
    days = [_date(int(ms)) for ms in table["day_ms"].to_numpy(dtype=np.int64)[whole]]
    return days, table["mean"].to_numpy(dtype=np.float64)[whole], table["low"].to_numpy(dtype=np.float64)[whole]


def _first_frost(
    today: datetime.date, usual: Climate, days: list[datetime.date], leaf_low: FloatArray, usual_low: FloatArray
) -> int | None:
    """Usual first frost after the warmest time of this year, or of the last while that winter is on."""
    if not np.isfinite(usual.mean_degc).all():
        return None
    warmest = int(np.argmax(usual.mean_degc))
    begins = [datetime.date(year, 1, 1) + datetime.timedelta(days=warmest) for year in (today.year - 1, today.year)]
    begin = begins[1] if today >= begins[1] - datetime.timedelta(days=120) else begins[0]
    autumn = [begin + datetime.timedelta(days=n) for n in range(300)]
    found = first_frost(autumn, frost_chances(autumn, days, leaf_low, usual_low[[_place(d) for d in autumn]]))
    return None if found is None else (found - datetime.date(1970, 1, 1)).days * DAY_MS


def _date(day_ms: int) -> datetime.date:
    return datetime.date(1970, 1, 1) + datetime.timedelta(days=day_ms // DAY_MS)


def _place(day: datetime.date) -> int:
    return datetime.date(2024, day.month, day.day).timetuple().tm_yday - 1
